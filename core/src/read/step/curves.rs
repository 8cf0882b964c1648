//! Curves of edges: ISO 10303-42 (from memory). Lengths mm, angles rad.

use std::f64::consts::TAU;

use super::bspline::BSplineCurve;
use super::nearest::{Offset, nearest};
use crate::geometry::{Direction, Point, Vector, math};

/// Three axes at right angles about a place.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Axes {
    pub origin: Point,
    pub x: Vector,
    pub y: Vector,
    pub z: Vector,
}

impl Axes {
    /// `x` is brought at a right angle to `z`; where it has no such part, or is not given, any will do.
    pub(super) fn new(origin: Point, z: Direction, x: Option<Direction>) -> Self {
        let any = z.frame().0;
        let z = z.vector();
        let across = x.map(|x| x.vector() - z * z.dot(&x.vector()));
        let x = match across.filter(|a| a.norm() > 1e-9).and_then(Direction::new) {
            Some(x) => x.vector(),
            None => any,
        };
        Self { origin, x, y: z.cross(&x), z }
    }

    /// Coordinates along the three axes.
    pub(super) fn local(&self, p: &Point) -> Vector {
        let d = p - self.origin;
        Vector::new(d.dot(&self.x), d.dot(&self.y), d.dot(&self.z))
    }

    /// A vector given along the three axes.
    pub(super) fn turned(&self, x: f64, y: f64, z: f64) -> Vector {
        self.x * x + self.y * y + self.z * z
    }
}

/// A curve and its parameter as ISO 10303-42 has it, but for lines, which are measured in mm.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Curve {
    Line {
        origin: Point,
        along: Direction,
    },
    Circle {
        axes: Axes,
        radius: f64,
    },
    Ellipse {
        axes: Axes,
        half: [f64; 2],
    },
    Parabola {
        axes: Axes,
        focal: f64,
    },
    Hyperbola {
        axes: Axes,
        half: [f64; 2],
    },
    BSpline {
        spline: BSplineCurve,
        closed: bool,
    },
    /// Corners; the parameter counts them.
    Polyline {
        corners: Vec<Point>,
    },
}

/// Ends nearer than this close a curve, mm: below any edge, above the digits of files.
pub(super) const CLOSED_MM: f64 = 1e-5;

impl Curve {
    pub(super) fn spline(spline: BSplineCurve) -> Self {
        let (a, b) = spline.knots.domain();
        let closed = (spline.at(a).0 - spline.at(b).0).norm() < CLOSED_MM;
        Self::BSpline { spline, closed }
    }

    /// Place, first and second derivative.
    pub(super) fn at(&self, t: f64) -> (Point, Vector, Vector) {
        match self {
            Self::Line { origin, along } => (origin + along.vector() * t, along.vector(), Vector::zeros()),
            Self::Circle { axes, radius } => conic(axes, *radius, *radius, t),
            Self::Ellipse { axes, half } => conic(axes, half[0], half[1], t),
            Self::Parabola { axes, focal } => (
                axes.origin + axes.turned(focal * t * t, 2.0 * focal * t, 0.0),
                axes.turned(2.0 * focal * t, 2.0 * focal, 0.0),
                axes.turned(2.0 * focal, 0.0, 0.0),
            ),
            Self::Hyperbola { axes, half: [a, b] } => {
                let (up, down) = (math::exp(t), math::exp(-t));
                let (c, s) = (0.5 * (up + down), 0.5 * (up - down));
                let p = axes.turned(a * c, b * s, 0.0);
                (axes.origin + p, axes.turned(a * s, b * c, 0.0), p)
            }
            Self::BSpline { spline, closed } => spline.at(if *closed { self.within(t) } else { t }),
            Self::Polyline { corners } => {
                let last = corners.len().saturating_sub(2);
                let i = (t.max(0.0) as usize).min(last);
                let step = corners[i + 1] - corners[i];
                (corners[i] + step * (t - i as f64), step, Vector::zeros())
            }
        }
    }

    /// Where the curve ends by itself.
    pub(super) fn domain(&self) -> Option<(f64, f64)> {
        match self {
            Self::Circle { .. } | Self::Ellipse { .. } => Some((0.0, TAU)),
            Self::BSpline { spline, .. } => Some(spline.knots.domain()),
            Self::Polyline { corners } => Some((0.0, (corners.len() - 1) as f64)),
            Self::Line { .. } | Self::Parabola { .. } | Self::Hyperbola { .. } => None,
        }
    }

    /// After how much of its parameter a closed curve begins again.
    pub(super) fn period(&self) -> Option<f64> {
        let closed = match self {
            Self::Circle { .. } | Self::Ellipse { .. } => true,
            Self::BSpline { closed, .. } => *closed,
            Self::Polyline { corners } => (corners[0] - corners[corners.len() - 1]).norm() < CLOSED_MM,
            Self::Line { .. } | Self::Parabola { .. } | Self::Hyperbola { .. } => false,
        };
        self.domain().filter(|_| closed).map(|(a, b)| b - a)
    }

    /// The parameter of a closed curve brought into its domain.
    pub(super) fn within(&self, t: f64) -> f64 {
        match (self.domain(), self.period()) {
            (Some((a, b)), Some(period)) => {
                if (a..=b).contains(&t) {
                    t
                } else {
                    (t - ((t - a) / period).floor() * period).clamp(a, b)
                }
            }
            _ => t,
        }
    }

    /// Parameters between which the curve is smooth, and how finely to look in each.
    pub(super) fn breaks(&self) -> Vec<f64> {
        match self {
            Self::BSpline { spline, .. } => spline.knots.breaks(),
            Self::Polyline { corners } => (0..corners.len()).map(|i| i as f64).collect(),
            _ => self.domain().map_or_else(Vec::new, |(a, b)| vec![a, b]),
        }
    }

    /// How many places to look at before following the nearest.
    pub(super) fn samples(&self) -> usize {
        match self {
            Self::BSpline { spline, .. } => {
                (spline.knots.breaks().len() * (spline.knots.degree + 1)).clamp(8, 2000)
            }
            Self::Polyline { corners } => (2 * corners.len()).clamp(8, 20_000),
            _ => 32,
        }
    }

    /// The parameter of the place on the curve nearest to `p`; of conics that of a place on them.
    pub(super) fn parameter_of(&self, p: &Point) -> f64 {
        match self {
            Self::Line { origin, along } => (p - origin).dot(&along.vector()),
            Self::Circle { axes, .. } => {
                let d = axes.local(p);
                turn(d.y, d.x)
            }
            Self::Ellipse { axes, half } => {
                let d = axes.local(p);
                turn(d.y / half[1], d.x / half[0])
            }
            Self::Parabola { axes, focal } => axes.local(p).y / (2.0 * focal),
            Self::Hyperbola { axes, half } => {
                // The inverse of the hyperbolic sine, by whichever form cancels no digits.
                let s = axes.local(p).y / half[1];
                let t = math::ln(s.abs() + (s * s + 1.0).sqrt());
                if s < 0.0 { -t } else { t }
            }
            Self::BSpline { .. } | Self::Polyline { .. } => {
                let offset = |t: f64| -> Offset {
                    let (q, d, dd) = self.at(t);
                    (q - p, d, dd)
                };
                // Of these two kinds the domain is always known.
                self.domain().map_or(0.0, |range| nearest(range, self.samples(), &offset))
            }
        }
    }
}

/// Angle from 0 to a whole turn.
pub(super) fn turn(y: f64, x: f64) -> f64 {
    let a = math::atan2(y, x);
    if a < 0.0 { a + TAU } else { a }
}

fn conic(axes: &Axes, a: f64, b: f64, t: f64) -> (Point, Vector, Vector) {
    let (c, s) = (math::cos(t), math::sin(t));
    let p = axes.turned(a * c, b * s, 0.0);
    (axes.origin + p, axes.turned(-a * s, b * c, 0.0), -p)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn axes() -> Axes {
        let z = Direction::new(Vector::new(1.0, 2.0, 3.0)).unwrap();
        Axes::new(Point::new(4.0, 5.0, 6.0), z, Direction::new(Vector::new(1.0, 1.0, 0.0)))
    }

    fn all() -> Vec<(Curve, Vec<f64>)> {
        let corners = vec![Point::origin(), Point::new(1.0, 0.0, 0.0), Point::new(1.0, 2.0, 0.0)];
        let points = (0..5).map(|i| Point::new(f64::from(i), f64::from(i * i % 3), 0.5)).collect();
        let knots = vec![0.0, 0.0, 0.0, 0.0, 0.4, 1.0, 1.0, 1.0, 1.0];
        let spline = BSplineCurve::new(3, knots, points, None).unwrap();
        vec![
            (Curve::Line { origin: Point::new(1.0, 2.0, 3.0), along: Direction::Y }, vec![-5.0, 0.0, 7.0]),
            (Curve::Circle { axes: axes(), radius: 2.0 }, vec![0.1, 3.0, 6.0]),
            (Curve::Ellipse { axes: axes(), half: [3.0, 1.0] }, vec![0.1, 3.0, 6.0]),
            (Curve::Parabola { axes: axes(), focal: 0.7 }, vec![-2.0, 0.5]),
            (Curve::Hyperbola { axes: axes(), half: [2.0, 1.5] }, vec![-2.0, 0.5]),
            (Curve::spline(spline), vec![0.05, 0.5, 0.95]),
            (Curve::Polyline { corners }, vec![0.25, 1.5]),
        ]
    }

    #[test]
    fn the_parameter_of_a_place_is_the_one_it_was_made_from() {
        for (curve, places) in all() {
            for t in places {
                let got = curve.parameter_of(&curve.at(t).0);
                assert!((got - t).abs() < 1e-9, "{curve:?} {t} {got}");
            }
        }
    }

    #[test]
    fn derivatives_agree_with_differences() {
        let h = 1e-5;
        for (curve, places) in all() {
            for t in places {
                let (_, d, dd) = curve.at(t);
                let (a, b) = (curve.at(t - h), curve.at(t + h));
                assert!(((b.0 - a.0) / (2.0 * h) - d).norm() < 1e-7, "{curve:?} {t}");
                assert!(((b.1 - a.1) / (2.0 * h) - dd).norm() < 1e-6, "{curve:?} {t}");
            }
        }
    }

    #[test]
    fn axes_stand_at_right_angles_whatever_is_given() {
        let a = axes();
        for x in [None, Some(Direction::new(a.z).unwrap()), Some(Direction::X)] {
            let b = Axes::new(a.origin, Direction::new(a.z).unwrap(), x);
            for (u, v, w) in [(b.x, b.y, b.z), (b.y, b.z, b.x), (b.z, b.x, b.y)] {
                assert!((u.norm() - 1.0).abs() < 1e-14 && (u.cross(&v) - w).norm() < 1e-14);
            }
        }
    }
}
