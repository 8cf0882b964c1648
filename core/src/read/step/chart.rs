//! A face's surface spread out in a plane, where its boundary is polygons and its triangles are found.
//!
//! Lengths in the chart are about mm near the face, along straight directions less. Counter-clockwise in the
//! chart is counter-clockwise seen from where u cross v points (from outside, on a sphere).

use super::curves::Axes;
use super::surfaces::Surface;
use crate::geometry::{Direction, Point, Vector, math};

/// A place in the chart.
pub(super) type Flat = [f64; 2];

/// How a surface is spread out.
#[derive(Clone, Debug)]
pub(super) enum Chart<'a> {
    /// Its own parameters, each times a scale.
    Parameters { surface: &'a Surface, scale: [f64; 2] },
    /// A sphere from the pole at z of these axes onto the plane that touches it opposite: no seam, no pole, and
    /// triangles keep their shape (stereographic projection; textbook).
    Stereographic { axes: Axes, radius: f64 },
}

impl Chart<'_> {
    /// The place in space.
    pub(super) fn lift(&self, flat: Flat) -> Point {
        match self {
            Self::Parameters { surface, scale } => surface.jet(flat[0] / scale[0], flat[1] / scale[1]).p,
            Self::Stereographic { axes, radius } => {
                let (x, y) = (flat[0] / (2.0 * radius), -flat[1] / (2.0 * radius));
                let far = x * x + y * y;
                let d = axes.turned(2.0 * x, 2.0 * y, far - 1.0);
                axes.origin + d * (radius / (1.0 + far))
            }
        }
    }

    /// The place in the chart of a place on the sphere; of other charts see [`super::loops`].
    pub(super) fn on_sphere(axes: &Axes, radius: f64, p: &Point) -> Option<Flat> {
        let d = axes.local(p);
        let length = d.norm();
        let under = length - d.z;
        let flat = [2.0 * radius * d.x / under, -2.0 * radius * d.y / under];
        flat.iter().all(|c| c.is_finite()).then_some(flat)
    }

    /// How far the chord between two places lies off the surface at most, mm: looked at in the middle where
    /// the distance is a closed form, in three places elsewhere.
    pub(super) fn chord_error(&self, a: (Flat, Point), b: (Flat, Point)) -> f64 {
        let middle = a.1 + (b.1 - a.1) * 0.5;
        match self {
            Self::Stereographic { axes, radius } => ((middle - axes.origin).norm() - radius).abs(),
            Self::Parameters { surface, .. } => match surface.distance(&middle) {
                Some(far) => far,
                None => [0.25, 0.5, 0.75]
                    .map(|f| {
                        let flat = [a.0[0] + (b.0[0] - a.0[0]) * f, a.0[1] + (b.0[1] - a.0[1]) * f];
                        self.off(flat, a.1 + (b.1 - a.1) * f)
                    })
                    .into_iter()
                    .fold(0.0, f64::max),
            },
        }
    }

    /// The same for the middle of a triangle.
    pub(super) fn middle_error(&self, corners: [(Flat, Point); 3]) -> f64 {
        let third = |i: usize| (corners[0].0[i] + corners[1].0[i] + corners[2].0[i]) / 3.0;
        let sum = corners[0].1.coords + corners[1].1.coords + corners[2].1.coords;
        let middle = Point::from(sum / 3.0);
        match self {
            Self::Stereographic { axes, radius } => ((middle - axes.origin).norm() - radius).abs(),
            Self::Parameters { surface, .. } => {
                surface.distance(&middle).unwrap_or_else(|| self.off([third(0), third(1)], middle))
            }
        }
    }

    /// Distance of `p` from the tangent plane at a place of the chart.
    fn off(&self, flat: Flat, p: Point) -> f64 {
        let Self::Parameters { surface, scale } = self else { return 0.0 };
        let jet = surface.jet(flat[0] / scale[0], flat[1] / scale[1]);
        match Direction::new(jet.u.cross(&jet.v)) {
            Some(normal) => (p - jet.p).dot(&normal.vector()).abs(),
            None => (p - jet.p).norm(),
        }
    }
}

/// How many directions are tried for the pole of a sphere's chart.
const POLES: usize = 300;

/// Axes for a sphere whose pole lies outside the face and as far from its boundary as can be had. `loops` run
/// with the face to their left, seen from outside. Where none seems outside, that furthest from the boundary:
/// then the loops run the wrong way round, and the face is taken for what they enclose.
pub(super) fn sphere_axes(origin: Point, radius: f64, loops: &[Vec<Point>]) -> Option<Axes> {
    let boundary: Vec<Vector> =
        loops.iter().flatten().filter_map(|p| Direction::new(p - origin)).map(Direction::vector).collect();
    let mut poles: Vec<(f64, usize, Direction)> = Vec::new();
    for i in 0..POLES {
        // Even on the sphere: heights in equal steps, turned by the golden angle each (common practice, no
        // source).
        let z = 1.0 - (2 * i + 1) as f64 / POLES as f64;
        let turn = 2.399963229728653 * i as f64;
        let across = (1.0 - z * z).sqrt();
        let pole = Direction::new(Vector::new(across * math::cos(turn), across * math::sin(turn), z))?;
        let nearest = boundary.iter().map(|b| b.dot(&pole.vector())).fold(-1.0, f64::max);
        poles.push((nearest, i, pole));
    }
    poles.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
    let axes = |pole: Direction| Axes::new(origin, pole, None);
    for &(_, _, pole) in &poles {
        let axes = axes(pole);
        let mut area = 0.0;
        for l in loops {
            let flat: Option<Vec<Flat>> = l.iter().map(|p| Chart::on_sphere(&axes, radius, p)).collect();
            area += signed_area(&flat?);
        }
        if area > 0.0 {
            return Some(axes);
        }
    }
    poles.first().map(|(_, _, pole)| axes(*pole))
}

/// Twice the area that a polygon runs round counter-clockwise.
pub(super) fn signed_area(polygon: &[Flat]) -> f64 {
    let Some(first) = polygon.first() else { return 0.0 };
    let d = |p: &Flat| [p[0] - first[0], p[1] - first[1]];
    polygon.windows(2).map(|w| (d(&w[0]), d(&w[1]))).map(|(a, b)| a[0] * b[1] - a[1] * b[0]).sum()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::random::Random;

    #[test]
    fn the_chart_of_a_sphere_leads_there_and_back_and_keeps_the_sense() {
        let axes = Axes::new(Point::new(1.0, 2.0, 3.0), Direction::X, None);
        let chart = Chart::Stereographic { axes, radius: 4.0 };
        let mut random = Random::seeded(8);
        for _ in 0..100 {
            let p = axes.origin + random.direction().vector() * 4.0;
            let flat = Chart::on_sphere(&axes, 4.0, &p).unwrap();
            assert!((chart.lift(flat) - p).norm() < 1e-9);
            let h = 1e-6;
            let (x, y) = (chart.lift([flat[0] + h, flat[1]]) - p, chart.lift([flat[0], flat[1] + h]) - p);
            assert!(x.cross(&y).dot(&(p - axes.origin)) > 0.0);
        }
    }

    #[test]
    fn the_pole_of_a_sphere_lies_outside_the_face() {
        // A small circle about +z, run counter-clockwise from above: the cap; clockwise: all but the cap.
        let circle: Vec<Point> = (0..24)
            .map(|i| f64::from(i) * std::f64::consts::TAU / 24.0)
            .map(|a| Point::new(0.6 * math::cos(a), 0.6 * math::sin(a), 0.8))
            .collect();
        let back: Vec<Point> = circle.iter().rev().copied().collect();
        assert!(sphere_axes(Point::origin(), 1.0, &[circle]).unwrap().z.z < -0.9);
        assert!(sphere_axes(Point::origin(), 1.0, &[back]).unwrap().z.z > 0.9);
    }
}
