//! The table under the parts, or a wall behind them: planes larger than any flat of the part.
//!
//! Found by random sample consensus (Fischler and Bolles, Communications of the ACM 24(6), 1981) with
//! seeded draws, refined by total least squares. A plane is a support only when the area that hangs
//! together on it is clearly larger than the part's largest flat, so that a part that fills the scan keeps
//! its flange. Parts of thin sheet lie flush on the table: the band of a support is less than half their
//! thickness.

use super::challenge::thickness_mm;
use super::clusters::clusters;
use super::sample::{Cloud, SurfacePoint, area, surface};
use crate::geometry::{Direction, Matrix3, Point, TriangleMesh, Vector, random::Random, symmetric_eigen3};
use crate::run::{CHECK_EVERY, Run, Stopped};
use crate::search::SurfaceTree;
use rayon::prelude::*;

/// A plane that parts lie on or stand before.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Support {
    point: Point,
    normal: Direction,
    /// Points no further from the plane belong to it.
    band_mm: f64,
}

/// A support is at least this many times as large as the part's largest flat: two parts whose flats touch
/// are not.
const LARGER: f64 = 2.5;
/// No support is looked for whose share of the points (thinned to equal areas) is less: it would hardly be
/// larger than a part's flat, and draws would miss it.
const LEAST_SHARE: f64 = 0.08;
/// With this share one of 2,000 triples lies on the plane; ten times as many miss it once in 20,000.
const DRAWS: usize = 20_000;
/// Points that judge a draw.
const JUDGES: usize = 1200;
/// A table, and two walls or steps.
const MOST_SUPPORTS: usize = 3;
/// A surface turned by more than 45 degrees from the plane is not of it.
const AGREES: f64 = 0.7;

impl Support {
    /// Whether a point belongs to the support.
    pub(super) fn holds(&self, p: &Point, normal: Option<Direction>) -> bool {
        (p - self.point).dot(&self.normal.vector()).abs() <= self.band_mm
            && normal.is_none_or(|n| n.dot(self.normal).abs() >= AGREES)
    }
}

/// What of a nominal might be taken for a support.
#[derive(Clone, Copy, Debug)]
pub(super) struct Flats {
    /// Area of the largest flat, mm2.
    largest_mm2: f64,
    /// Half the width of a support: less than half the part's thickness, so that a sheet on the table is
    /// not of it, and never more than the deviation allowed.
    band_mm: f64,
}

impl Flats {
    pub(super) fn of(mesh: &TriangleMesh, tree: &SurfaceTree, deviation_mm: f64) -> Self {
        let area_mm2 = area(mesh);
        let sample = surface(mesh, area_mm2 / 2000.0);
        // The thickness of an open sheet is not known; few are thinner than this allows for.
        let thickness = thickness_mm(&sample, tree, mesh.bounds().diagonal());
        let band_mm = thickness.map_or(0.5, |t| 0.4 * t).min(deviation_mm);
        Self { largest_mm2: largest_flat(&sample, area_mm2, band_mm), band_mm }
    }
}

/// Area of the largest flat of a nominal, mm2, by a fair sample of its surface: what lies within `band_mm`
/// of a plane and faces its way.
fn largest_flat(sample: &[SurfacePoint], area_mm2: f64, band_mm: f64) -> f64 {
    let stride = (sample.len() / 400).max(1);
    let most = sample
        .par_iter()
        .step_by(stride)
        .map(|s| {
            let on = |q: &&SurfacePoint| {
                s.normal.dot(&(q.point - s.point)).abs() <= band_mm && s.normal.dot(&q.normal) >= 0.9
            };
            sample.iter().filter(on).count()
        })
        .max();
    most.map_or(area_mm2, |n| area_mm2 * n as f64 / sample.len() as f64)
}

/// The supports of a scan, largest first. `spacing_mm` is the distance between neighbouring points of
/// `cloud`; `dense` the same, thinned to equal areas.
pub(super) fn supports(
    run: &Run,
    cloud: &Cloud,
    dense: &Cloud,
    spacing_mm: f64,
    flats: &Flats,
) -> Result<Vec<Support>, Stopped> {
    let mut found: Vec<Support> = Vec::new();
    let mut rest = dense.clone();
    let least = (LEAST_SHARE * rest.points.len() as f64) as usize;
    while found.len() < MOST_SUPPORTS && rest.points.len() > least.max(100) {
        run.check()?;
        let Some(support) = drawn(run, &rest, flats.band_mm, found.len() as u64)? else { break };
        let on = |i: &u32| support.holds(&rest.points[*i as usize], rest.normal(*i as usize));
        let count = (0..rest.points.len() as u32).filter(on).count();
        if count < least || extent_mm2(run, cloud, &support, spacing_mm)? < LARGER * flats.largest_mm2 {
            break;
        }
        let off: Vec<u32> = (0..rest.points.len() as u32).filter(|i| !on(i)).collect();
        rest = rest.some(&off);
        found.push(support);
    }
    Ok(found)
}

/// The plane with the most points of `cloud`, refined on them.
fn drawn(run: &Run, cloud: &Cloud, band_mm: f64, seed: u64) -> Result<Option<Support>, Stopped> {
    let judges = cloud.thinned(JUDGES);
    let mut random = Random::seeded(0x7ab1e + seed);
    let draws: Vec<[usize; 3]> =
        (0..DRAWS).map(|_| std::array::from_fn(|_| random.below(cloud.points.len()))).collect();
    let mut best: Option<(usize, Support)> = None;
    for chunk in draws.chunks(CHECK_EVERY) {
        run.check()?;
        let judged: Vec<Option<(usize, Support)>> = chunk
            .par_iter()
            .map(|draw| {
                let [a, b, c] = draw.map(|i| cloud.points[i]);
                let normal = Direction::new((b - a).cross(&(c - a)))?;
                let support = Support { point: a, normal, band_mm: 2.0 * band_mm };
                // Normals of the drawn points rule most draws out before they are judged.
                if !draw.iter().all(|&i| support.holds(&cloud.points[i], cloud.normal(i))) {
                    return None;
                }
                let on = |i: &usize| support.holds(&judges.points[*i], judges.normal(*i));
                Some(((0..judges.points.len()).filter(on).count(), support))
            })
            .collect();
        // The first of equals, in the order of the draws.
        for j in judged.into_iter().flatten() {
            if best.as_ref().is_none_or(|b| j.0 > b.0) {
                best = Some(j);
            }
        }
    }
    let Some((_, mut support)) = best else { return Ok(None) };
    for band in [2.0, 1.5, 1.0, 1.0, 1.0] {
        let on = |i: &usize| support.holds(&cloud.points[*i], cloud.normal(*i));
        let members: Vec<Point> = (0..cloud.points.len()).filter(on).map(|i| cloud.points[i]).collect();
        let Some((point, normal)) = least_squares(&members) else { return Ok(None) };
        support = Support { point, normal, band_mm: band * band_mm };
    }
    Ok(Some(support))
}

/// The total least squares plane: through the centroid, across the direction of least spread.
fn least_squares(points: &[Point]) -> Option<(Point, Direction)> {
    if points.len() < 3 {
        return None;
    }
    let n = points.len() as f64;
    let centroid = Point::from(points.iter().fold(Vector::zeros(), |s, p| s + p.coords) / n);
    let spread = points.iter().fold(Matrix3::zeros(), |s, p| {
        let d = p - centroid;
        s + d * d.transpose()
    });
    let (_, [least, _, _]) = symmetric_eigen3(&spread);
    Some((centroid, Direction::new(least)?))
}

/// Area of the largest patch of the cloud that hangs together on a plane, mm2: occupied squares of a grid
/// in the plane.
fn extent_mm2(run: &Run, cloud: &Cloud, support: &Support, spacing_mm: f64) -> Result<f64, Stopped> {
    let (u, v) = support.normal.frame();
    let flat: Vec<Point> = (0..cloud.points.len())
        .filter(|&i| support.holds(&cloud.points[i], cloud.normal(i)))
        .map(|i| {
            let d = cloud.points[i] - support.point;
            Point::new(d.dot(&u), d.dot(&v), 0.0)
        })
        .collect();
    // Wide enough that every square of a surface holds a point.
    let edge = 3.0 * spacing_mm;
    Ok(clusters(run, &flat, edge)?.first().map_or(0.0, |c| c.cubes as f64 * edge * edge))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::run::quiet;

    fn patch(random: &mut Random, low: [f64; 2], high: [f64; 2], z: f64, count: usize) -> Vec<Point> {
        let mut one = || {
            let (x, y) = (random.range(low[0], high[0]), random.range(low[1], high[1]));
            Point::new(x, y, z + 0.03 * random.normal())
        };
        (0..count).map(|_| one()).collect()
    }

    #[test]
    fn a_table_is_a_support_and_the_sheet_upon_it_is_not() {
        let mut random = Random::seeded(3);
        // A table of 600 x 400 mm, and on it a sheet of 200 x 150 x 3 mm seen from above.
        let mut points = patch(&mut random, [0.0, 0.0], [600.0, 400.0], 0.0, 60_000);
        points.retain(|p| !(p.x > 200.0 && p.x < 400.0 && p.y > 100.0 && p.y < 250.0));
        let table = points.len();
        points.extend(patch(&mut random, [200.0, 100.0], [400.0, 250.0], 3.0, 7500));
        let sheet = 200.0 * 150.0;
        for normals in [None, Some(vec![Direction::Z; points.len()])] {
            let cloud = Cloud { points: points.clone(), normals };
            let flats = Flats { largest_mm2: sheet, band_mm: 1.0 };
            let found = supports(&quiet(), &cloud, &cloud.thinned(30_000), 2.0, &flats).unwrap();
            assert_eq!(found.len(), 1, "{found:?}");
            let on = |i: usize| found[0].holds(&points[i], cloud.normal(i));
            assert!((0..table).all(on));
            assert!(!(table..points.len()).any(on));
        }
    }

    #[test]
    fn without_a_table_the_largest_flat_of_the_part_is_no_support() {
        let mut random = Random::seeded(4);
        let mut points = patch(&mut random, [0.0, 0.0], [200.0, 150.0], 3.0, 15_000);
        points.extend(patch(&mut random, [0.0, 0.0], [150.0, 150.0], 60.0, 11_000));
        let cloud = Cloud { points, normals: None };
        let flats = Flats { largest_mm2: 200.0 * 150.0, band_mm: 1.0 };
        assert!(supports(&quiet(), &cloud, &cloud.thinned(5000), 1.5, &flats).unwrap().is_empty());
        let line: Vec<Point> = (0..500).map(|i| Point::new(f64::from(i), 0.0, 0.0)).collect();
        let cloud = Cloud { points: line, normals: None };
        assert!(supports(&quiet(), &cloud, &cloud, 1.0, &flats).unwrap().is_empty());
    }
}
