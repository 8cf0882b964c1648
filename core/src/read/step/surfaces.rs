//! Surfaces that carry faces: ISO 10303-42 (from memory). Lengths mm, angles rad.

use std::f64::consts::{PI, TAU};

use super::bspline::Jet;
use super::curves::{Axes, CLOSED_MM, Curve, turn};
use super::nearest::nearest_from;
use super::spline::{Spline, wrapped};
use super::turned::Turned;
use crate::geometry::{Direction, Point, Vector, math};

/// A surface and its two parameters as ISO 10303-42 has them.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Surface {
    Plane {
        axes: Axes,
    },
    Cylinder {
        axes: Axes,
        radius: f64,
    },
    /// Radius at the origin; it grows along z by the tangent of the half angle.
    Cone {
        axes: Axes,
        radius: f64,
        half_angle: f64,
    },
    Sphere {
        axes: Axes,
        radius: f64,
    },
    Torus {
        axes: Axes,
        major: f64,
        minor: f64,
    },
    Spline(Box<Spline>),
    /// A curve (u) moved along a vector (v).
    Extrusion {
        curve: Curve,
        along: Vector,
    },
    /// A curve (v) turned about an axis (u).
    Revolution(Box<Turned>),
}

/// A side of the parameters that is one place: there one parameter is free.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Pole {
    pub place: Point,
    /// 0 where u is free, 1 where v is.
    pub free: usize,
    /// The other parameter.
    pub other: f64,
}

/// A place this near to the surface, mm, is on it, and the search that led there is done.
pub(super) const ON_MM: f64 = 1e-5;

impl Surface {
    /// Place and derivatives.
    pub(super) fn jet(&self, u: f64, v: f64) -> Jet {
        let zero = Vector::zeros();
        match self {
            Self::Plane { axes } => Jet {
                p: axes.origin + axes.x * u + axes.y * v,
                u: axes.x,
                v: axes.y,
                uu: zero,
                uv: zero,
                vv: zero,
            },
            Self::Cylinder { axes, radius } => {
                let (out, along) = ring(axes, u);
                Jet {
                    p: axes.origin + out * *radius + axes.z * v,
                    u: along * *radius,
                    v: axes.z,
                    uu: out * -radius,
                    uv: zero,
                    vv: zero,
                }
            }
            Self::Cone { axes, radius, half_angle } => {
                let (out, along) = ring(axes, u);
                let slope = math::tan(*half_angle);
                let r = radius + v * slope;
                Jet {
                    p: axes.origin + out * r + axes.z * v,
                    u: along * r,
                    v: out * slope + axes.z,
                    uu: out * -r,
                    uv: along * slope,
                    vv: zero,
                }
            }
            Self::Sphere { axes, radius } => tube(axes, 0.0, *radius, u, v),
            Self::Torus { axes, major, minor } => tube(axes, *major, *minor, u, v),
            Self::Spline(s) => {
                let [du, dv] = s.domains();
                s.surface.at(wrapped(u, du, s.closed[0]), wrapped(v, dv, s.closed[1]))
            }
            Self::Extrusion { curve, along } => {
                let (p, d, dd) = curve.at(u);
                Jet { p: p + along * v, u: d, v: *along, uu: dd, uv: zero, vv: zero }
            }
            Self::Revolution(turned) => turned.jet(u, v),
        }
    }

    /// After how much of each parameter the surface begins again.
    pub(super) fn periods(&self) -> [Option<f64>; 2] {
        match self {
            Self::Plane { .. } => [None, None],
            Self::Cylinder { .. } | Self::Cone { .. } | Self::Sphere { .. } => [Some(TAU), None],
            Self::Torus { .. } => [Some(TAU), Some(TAU)],
            Self::Spline(s) => {
                let [(u0, u1), (v0, v1)] = s.domains();
                [s.closed[0].then_some(u1 - u0), s.closed[1].then_some(v1 - v0)]
            }
            Self::Extrusion { curve, .. } => [curve.period(), None],
            Self::Revolution(turned) => [Some(TAU), turned.period()],
        }
    }

    /// Places where one parameter is free. Of a sphere they follow from its own axes.
    pub(super) fn poles(&self) -> Vec<Pole> {
        let mut poles = Vec::new();
        match self {
            Self::Cone { axes, radius, half_angle } => {
                let other = -radius / math::tan(*half_angle);
                poles.push(Pole { place: axes.origin + axes.z * other, free: 0, other });
            }
            Self::Sphere { axes, radius } => {
                for side in [-0.5, 0.5] {
                    let place = axes.origin + axes.z * (2.0 * side * radius);
                    poles.push(Pole { place, free: 0, other: side * PI });
                }
            }
            Self::Spline(s) => {
                let [(u0, u1), (v0, v1)] = s.domains();
                let one_place = |at: &dyn Fn(f64) -> Point| {
                    let first = at(0.0);
                    (1..=8).all(|i| (at(f64::from(i) / 8.0) - first).norm() < CLOSED_MM).then_some(first)
                };
                for other in [v0, v1] {
                    if let Some(place) = one_place(&|f| s.surface.at(u0 + (u1 - u0) * f, other).p) {
                        poles.push(Pole { place, free: 0, other });
                    }
                }
                for other in [u0, u1] {
                    if let Some(place) = one_place(&|f| s.surface.at(other, v0 + (v1 - v0) * f).p) {
                        poles.push(Pole { place, free: 1, other });
                    }
                }
            }
            Self::Revolution(turned) => return turned.poles(),
            Self::Plane { .. } | Self::Cylinder { .. } | Self::Torus { .. } | Self::Extrusion { .. } => {}
        }
        poles
    }

    /// The parameters of the place on the surface nearest to `p`; with `near`, of the one that a search
    /// from there leads to, if that is a good one. `None` where nothing sensible was found.
    pub(super) fn parameters_of(&self, p: &Point, near: Option<(f64, f64)>) -> Option<(f64, f64)> {
        let found = match self {
            Self::Plane { axes } => {
                let d = axes.local(p);
                (d.x, d.y)
            }
            Self::Cylinder { axes, .. } => {
                let d = axes.local(p);
                (turn(d.y, d.x), d.z)
            }
            Self::Cone { axes, radius, half_angle } => {
                let d = axes.local(p);
                let (c, s) = (math::cos(*half_angle), math::sin(*half_angle));
                let foot = |rho: f64| {
                    // Along the ruling through the origin's circle: (radius + w s, w c).
                    let w = (rho - radius) * s + d.z * c;
                    (w * c, ((rho - radius) * c - d.z * s).abs())
                };
                // The other nappe, beyond the apex, only where it is nearer.
                let rho = (d.x * d.x + d.y * d.y).sqrt();
                let ((v, far), (v2, far2)) = (foot(rho), foot(-rho));
                if far <= far2 { (turn(d.y, d.x), v) } else { (turn(-d.y, -d.x), v2) }
            }
            Self::Sphere { axes, .. } => {
                let d = axes.local(p);
                (turn(d.y, d.x), math::atan2(d.z, (d.x * d.x + d.y * d.y).sqrt()))
            }
            Self::Torus { axes, major, .. } => {
                let d = axes.local(p);
                (turn(d.y, d.x), turn(d.z, (d.x * d.x + d.y * d.y).sqrt() - major))
            }
            Self::Spline(s) => return s.parameters_of(p, near),
            Self::Extrusion { curve, along } => {
                let unit = Direction::new(*along)?.vector();
                let across = |w: Vector| w - unit * unit.dot(&w);
                let u = match curve {
                    Curve::Line { origin, along } => {
                        let d = across(along.vector());
                        across(p - origin).dot(&d) / d.norm_squared()
                    }
                    _ => {
                        let range = curve.domain()?;
                        let start = near.map(|(u, _)| curve.within(u));
                        nearest_from(range, curve.samples(), start, ON_MM, &|t| {
                            let (q, d, dd) = curve.at(t);
                            (across(q - p), across(d), across(dd))
                        })
                    }
                };
                (u, (p - curve.at(u).0).dot(&unit) / along.norm())
            }
            Self::Revolution(turned) => return turned.parameters_of(p, near),
        };
        (found.0.is_finite() && found.1.is_finite()).then_some(found)
    }

    /// Unit normal, u cross v; `None` at a pole.
    pub(super) fn normal(&self, u: f64, v: f64) -> Option<Direction> {
        let jet = self.jet(u, v);
        Direction::new(jet.u.cross(&jet.v))
    }

    /// Distance from the surface where that is a closed form, never negative.
    pub(super) fn distance(&self, p: &Point) -> Option<f64> {
        match self {
            Self::Plane { axes } => Some(axes.local(p).z.abs()),
            Self::Cylinder { axes, radius } => {
                let d = axes.local(p);
                Some(((d.x * d.x + d.y * d.y).sqrt() - radius).abs())
            }
            Self::Cone { axes, radius, half_angle } => {
                let d = axes.local(p);
                let rho = (d.x * d.x + d.y * d.y).sqrt();
                let (c, s) = (math::cos(*half_angle), math::sin(*half_angle));
                let far = |rho: f64| ((rho - radius) * c - d.z * s).abs();
                Some(far(rho).min(far(-rho)))
            }
            Self::Sphere { axes, radius } => Some((axes.local(p).norm() - radius).abs()),
            Self::Torus { axes, major, minor } => {
                let d = axes.local(p);
                let r = (d.x * d.x + d.y * d.y).sqrt() - major;
                Some(((r * r + d.z * d.z).sqrt() - minor).abs())
            }
            Self::Spline(_) | Self::Extrusion { .. } | Self::Revolution(_) => None,
        }
    }
}

/// Outward and along a circle about z.
fn ring(axes: &Axes, u: f64) -> (Vector, Vector) {
    let (c, s) = (math::cos(u), math::sin(u));
    (axes.x * c + axes.y * s, axes.y * c - axes.x * s)
}

/// A circle of radius `minor` about a circle of radius `major`; a sphere where that is zero.
fn tube(axes: &Axes, major: f64, minor: f64, u: f64, v: f64) -> Jet {
    let (out, along) = ring(axes, u);
    let (c, s) = (math::cos(v), math::sin(v));
    let r = major + minor * c;
    Jet {
        p: axes.origin + out * r + axes.z * (minor * s),
        u: along * r,
        v: out * (-minor * s) + axes.z * (minor * c),
        uu: out * -r,
        uv: along * (-minor * s),
        vv: out * (-minor * c) + axes.z * (-minor * s),
    }
}

#[cfg(test)]
#[path = "surfaces_tests.rs"]
mod tests;
