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
    /// Its middle, mm, on the nominal; `None` where everything was seen.
    pub unseen_at: Option<Point>,
}

/// A place on the nominal.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Place {
    /// Where, mm.
    pub at: Point,
    /// On which triangle.
    pub triangle: u32,
}

/// What was seen of a feature, and which places were not.
#[derive(Clone, Debug, PartialEq)]
pub struct Looked {
    /// In short.
    pub seen: Seen,
    /// Places that were not seen, evenly spread, each with its distance from what was, mm.
    pub unseen: Vec<(Place, f64)>,
    /// Places in all.
    pub places: usize,
    /// How far apart places lie, mm.
    pub pitch_mm: f64,
    /// Share of the feature's area that lies in the strip along its rim, which is not looked at, 0 to 1.
    pub strip: f64,
}

/// Most places of a feature that are looked at; on a metre of surface they still stand 2 mm apart.
const MOST_PLACES: f64 = 250_000.0;

impl Seen {
    /// As [`Looked::at_surface`], in short.
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
        Ok(Looked::at_surface(run, nominal, triangles, rim, margin_mm, points, spacing_mm)?.seen)
    }
}

impl Looked {
    /// Looks at places spread evenly over the `triangles` of a feature, further from its rim than
    /// `margin_mm`. A place is seen when a point lies within one and a half spacings (the distance at which
    /// neighbouring points of a scan with that spacing still leave no gap), or within the pitch of the places.
    ///
    /// # Errors
    /// Only a stop by the caller.
    pub fn at_surface(
        run: &Run,
        nominal: &Nominal,
        triangles: &[u32],
        rim: &Rim,
        margin_mm: f64,
        points: &[MeasuredPoint],
        spacing_mm: f64,
    ) -> Result<Self, Stopped> {
        let area: f64 = triangles.iter().map(|&t| nominal.mesh().area(t)).sum();
        let pitch_mm = spacing_mm.max((area / MOST_PLACES).sqrt()).max(1e-6);
        let reach = (1.5 * spacing_mm).max(pitch_mm);
        let all = spread(nominal, triangles, pitch_mm);
        let count = all.len();
        let places: Vec<Place> = all.into_iter().filter(|p| !rim.nearer_than(&p.at, margin_mm)).collect();
        let strip = if count > 0 { 1.0 - places.len() as f64 / count as f64 } else { 1.0 };
        if places.is_empty() {
            let seen = Seen { fraction: 0.0, largest_unseen_disc_mm: area.sqrt(), unseen_at: None };
            return Ok(Self { seen, unseen: Vec::new(), places: 0, pitch_mm, strip });
        }
        let at: Vec<Point> = places.iter().map(|p| p.at).collect();
        let far = distances(run, &at, &feet(nominal, points), reach)?;
        let unseen: Vec<(Place, f64)> =
            places.iter().zip(&far).filter_map(|(p, d)| Some((*p, (*d)?))).collect();
        let seen = Seen::of(&at, &far);
        Ok(Self { seen, unseen, places: places.len(), pitch_mm, strip })
    }
}

impl Seen {
    /// Of places that are as far from what was seen as [`distances`] says.
    pub(crate) fn of(places: &[Point], far: &[Option<f64>]) -> Self {
        let mut widest: Option<(f64, Point)> = None;
        for (p, d) in places.iter().zip(far) {
            if let Some(d) = d
                && widest.is_none_or(|(w, _)| *d > w)
            {
                widest = Some((*d, *p));
            }
        }
        let seen = far.iter().filter(|d| d.is_none()).count();
        Self {
            fraction: seen as f64 / places.len().max(1) as f64,
            // Spacing itself leaves discs of about its own size, which are not worth telling.
            largest_unseen_disc_mm: widest.map_or(0.0, |(d, _)| 2.0 * d),
            unseen_at: widest.map(|w| w.1),
        }
    }
}

/// How far each place that was not seen is from the nearest measured point, mm; `None` for one that lies within
/// `reach_mm` of a point.
pub(crate) fn distances(
    run: &Run,
    places: &[Point],
    measured: &[Point],
    reach_mm: f64,
) -> Result<Vec<Option<f64>>, Stopped> {
    let grid = PointGrid::new(measured, reach_mm);
    // No disc on the feature is wider than twice its largest extent.
    let most = crate::geometry::Aabb::of(places).diagonal().max(reach_mm);
    let mut unseen: Vec<usize> = Vec::new();
    let mut far = vec![None; places.len()];
    for (i, place) in places.iter().enumerate() {
        if i % crate::run::CHECK_EVERY == 0 {
            run.check()?;
        }
        if grid.nearest(place, reach_mm, None).is_none() {
            unseen.push(i);
        }
    }
    // Wide gaps by coarser grids: in each round what is still not near waits for cells twice as wide.
    let mut look = reach_mm;
    while !unseen.is_empty() {
        look *= 2.0;
        let grid = PointGrid::new(measured, look);
        let mut still = Vec::new();
        for (n, &i) in unseen.iter().enumerate() {
            if n % crate::run::CHECK_EVERY == 0 {
                run.check()?;
            }
            match grid.nearest(&places[i], look, None) {
                Some((_, d)) => far[i] = Some(d),
                None if look >= most => far[i] = Some(most),
                None => still.push(i),
            }
        }
        unseen = still;
    }
    Ok(far)
}

/// Under points, on the nominal, so that a part that stands off is not taken for unseen.
pub(crate) fn feet(nominal: &Nominal, points: &[MeasuredPoint]) -> Vec<Point> {
    let foot = |p: &MeasuredPoint| match nominal.mesh().normal(p.triangle) {
        Some(n) => p.point - n.vector() * p.deviation_mm,
        None => p.point,
    };
    points.iter().map(foot).collect()
}

/// Places on the triangles, about one every `pitch` squared of area: small triangles are strided over,
/// large ones get several by the R2 sequence (Roberts, "The unreasonable effectiveness of quasirandom
/// sequences", 2018).
pub(crate) fn spread(nominal: &Nominal, triangles: &[u32], pitch: f64) -> Vec<Place> {
    const G1: f64 = 0.754_877_666_246_692_8;
    const G2: f64 = 0.569_840_290_998_053_2;
    let each = pitch * pitch;
    let mut places = Vec::new();
    // Starting half way centres the places on the area they stand for.
    let mut due = 0.5;
    let mut n = 0.0f64;
    for &triangle in triangles {
        due += nominal.mesh().area(triangle) / each;
        let [a, b, c] = nominal.mesh().corners(triangle);
        while due >= 1.0 {
            due -= 1.0;
            n += 1.0;
            let (mut u, mut v) = ((0.5 + G1 * n).fract(), (0.5 + G2 * n).fract());
            if u + v > 1.0 {
                (u, v) = (1.0 - u, 1.0 - v);
            }
            places.push(Place { at: a + (b - a) * u + (c - a) * v, triangle });
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
    let (mut gap, mut widest, mut ends) = (0usize, 0usize, 0usize);
    for i in 0..2 * STEPS {
        gap = if seen[i % STEPS] { 0 } else { gap + 1 };
        if gap.min(STEPS) > widest {
            (widest, ends) = (gap.min(STEPS), i);
        }
    }
    let half_angle = std::f64::consts::PI * widest as f64 / STEPS as f64;
    let chord = if 2 * widest >= STEPS { 2.0 * radius_mm } else { 2.0 * radius_mm * math::sin(half_angle) };
    // The middle of the gap, on the circle.
    let turn = (ends as f64 + 1.0 - 0.5 * widest as f64) / STEPS as f64 - 0.5;
    let (sin, cos) = (math::sin(std::f64::consts::TAU * turn), math::cos(std::f64::consts::TAU * turn));
    let unseen_at = (widest > 0).then(|| centre + (u * cos + v * sin) * radius_mm);
    Seen { fraction: count as f64 / STEPS as f64, largest_unseen_disc_mm: chord, unseen_at }
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
        let middle = half.unseen_at.unwrap();
        assert!((middle - Point::new(0.0, -5.0, 0.0)).norm() < 0.2, "{middle}");
        let whole = turn_seen(&ring(0, 360), Point::origin(), Direction::Z, 5.0, 0.1);
        assert_eq!(whole.fraction, 1.0);
        assert_eq!(whole.largest_unseen_disc_mm, 0.0);
        assert_eq!(turn_seen(&[], Point::origin(), Direction::Z, 5.0, 0.1).fraction, 0.0);
    }
}
