//! How much of a feature was seen.

use crate::geometry::{Direction, Point, Vector, math};
use crate::nominal::Nominal;
use crate::run::{Run, Stopped};
use crate::search::PointGrid;

use super::{MeasuredPoint, Rim};

/// How much of a feature was seen, and the widest place where nothing was.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Seen {
    /// Seen fraction, 0 to 1.
    pub fraction: f64,
    /// Diameter of the largest disc on the feature in which there is no point, mm.
    pub largest_unseen_disc_mm: f64,
}

/// Most places of a feature that are looked at; on a metre of surface they still stand 2 mm apart.
const MOST_PLACES: f64 = 250_000.0;

impl Seen {
    /// Looks at places spread evenly over the `triangles` of a feature, further from its rim than
    /// `margin_mm`. A place is seen when a point lies within one and a half spacings (the distance at which
    /// neighbouring points of a scan with that spacing still leave no gap), or within the pitch of the places.
    ///
    /// # Errors
    /// Only a stop by the caller.
    pub fn of_surface(
        run: &Run,
        nominal: &Nominal,
        triangles: &[u32],
        rim: &Rim,
        margin_mm: f64,
        points: &[MeasuredPoint],
        spacing_mm: f64,
    ) -> Result<Self, Stopped> {
        let area: f64 = triangles.iter().map(|&t| nominal.mesh().area(t)).sum();
        let pitch = spacing_mm.max((area / MOST_PLACES).sqrt()).max(1e-6);
        let reach = (1.5 * spacing_mm).max(pitch);
        let places: Vec<Point> = places(nominal, triangles, pitch)
            .into_iter()
            .filter(|p| !rim.nearer_than(p, margin_mm))
            .collect();
        if places.is_empty() {
            return Ok(Self { fraction: 0.0, largest_unseen_disc_mm: area.sqrt() });
        }
        // Under the points, on the nominal, so that a part that stands off is not taken for unseen.
        let measured: Vec<Point> = points
            .iter()
            .map(|p| match nominal.mesh().normal(p.triangle) {
                Some(n) => p.point - n.vector() * p.deviation_mm,
                None => p.point,
            })
            .collect();
        let grid = PointGrid::new(&measured, reach);
        let mut seen = 0usize;
        let mut widest: f64 = 0.0;
        // No disc on the feature is wider than twice its largest extent.
        let most = crate::geometry::Aabb::of(&places).diagonal().max(reach);
        for (i, place) in places.iter().enumerate() {
            if i % crate::run::CHECK_EVERY == 0 {
                run.check()?;
            }
            if grid.nearest(place, reach, None).is_some() {
                seen += 1;
                continue;
            }
            // Widen the look until something is found; only discs wider than the widest so far matter.
            let mut look = widest.max(reach) * 2.0;
            let nearest = loop {
                match grid.nearest(place, look, None) {
                    Some((_, d)) => break d,
                    None if look >= most => break most,
                    None => look *= 2.0,
                }
            };
            widest = widest.max(nearest);
        }
        // Spacing itself leaves discs of about its own size, which are not worth telling.
        let disc = if seen == places.len() { 0.0 } else { 2.0 * widest };
        Ok(Self { fraction: seen as f64 / places.len() as f64, largest_unseen_disc_mm: disc })
    }
}

/// Places on the triangles, about one every `pitch` squared of area: small triangles are strided over,
/// large ones get several by the R2 sequence (Roberts, "The unreasonable effectiveness of quasirandom
/// sequences", 2018).
fn places(nominal: &Nominal, triangles: &[u32], pitch: f64) -> Vec<Point> {
    const G1: f64 = 0.754_877_666_246_692_8;
    const G2: f64 = 0.569_840_290_998_053_2;
    let each = pitch * pitch;
    let mut places = Vec::new();
    // Starting half way centres the places on the area they stand for.
    let mut due = 0.5;
    let mut n = 0.0f64;
    for &t in triangles {
        due += nominal.mesh().area(t) / each;
        let [a, b, c] = nominal.mesh().corners(t);
        while due >= 1.0 {
            due -= 1.0;
            n += 1.0;
            let (mut u, mut v) = ((0.5 + G1 * n).fract(), (0.5 + G2 * n).fract());
            if u + v > 1.0 {
                (u, v) = (1.0 - u, 1.0 - v);
            }
            places.push(a + (b - a) * u + (c - a) * v);
        }
    }
    places
}

/// Steps in which the turn of a hole is looked at, one degree each.
const STEPS: usize = 360;

/// How much of the turn about an axis was seen, in steps of one degree, and the widest unseen gap as the
/// chord of a circle of the given radius. A point stands for three quarters of a spacing to either side
/// (neighbours of a scan with that spacing leave no gap), and for at least 2.5 degrees.
pub fn turn_seen(points: &[Point], centre: Point, axis: Direction, radius_mm: f64, spacing_mm: f64) -> Seen {
    let (u, v) = axis.frame();
    let half_rad = (0.75 * spacing_mm / radius_mm.max(1e-9)).min(std::f64::consts::PI);
    let half = ((half_rad.to_degrees()).max(2.5) as usize).min(STEPS / 2);
    let mut seen = [false; STEPS];
    for p in points {
        let d: Vector = p - centre;
        let turn = math::atan2(d.dot(&v), d.dot(&u)) / (2.0 * std::f64::consts::PI) + 0.5;
        let step = ((turn * STEPS as f64) as usize).min(STEPS - 1);
        for k in 0..=2 * half {
            seen[(step + STEPS - half + k) % STEPS] = true;
        }
    }
    let count = seen.iter().filter(|s| **s).count();
    let (mut gap, mut widest) = (0usize, 0usize);
    for i in 0..2 * STEPS {
        gap = if seen[i % STEPS] { 0 } else { gap + 1 };
        widest = widest.max(gap.min(STEPS));
    }
    let half_angle = std::f64::consts::PI * widest as f64 / STEPS as f64;
    let chord = if 2 * widest >= STEPS { 2.0 * radius_mm } else { 2.0 * radius_mm * math::sin(half_angle) };
    Seen { fraction: count as f64 / STEPS as f64, largest_unseen_disc_mm: chord }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn half_a_turn_is_half_seen_and_its_gap_is_the_diameter() {
        let ring = |from: i32, to: i32| -> Vec<Point> {
            (from..to)
                .map(|deg| f64::from(deg) * 0.017_453_292_519_943_295 + 0.01)
                .map(|a| Point::new(5.0 * math::cos(a), 5.0 * math::sin(a), 0.0))
                .collect()
        };
        let half = turn_seen(&ring(0, 180), Point::origin(), Direction::Z, 5.0, 0.1);
        assert!((half.fraction - 0.5).abs() < 0.02);
        assert!((half.largest_unseen_disc_mm - 10.0).abs() < 0.1, "{half:?}");
        let whole = turn_seen(&ring(0, 360), Point::origin(), Direction::Z, 5.0, 0.1);
        assert_eq!(whole.fraction, 1.0);
        assert_eq!(whole.largest_unseen_disc_mm, 0.0);
        assert_eq!(turn_seen(&[], Point::origin(), Direction::Z, 5.0, 0.1).fraction, 0.0);
    }
}
