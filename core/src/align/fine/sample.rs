//! The points that an alignment uses: drawn without favour, weighed so that dense patches do not pull.

use crate::align::draw::drawn;
use crate::geometry::{Aabb, Direction, Point, morton};
use crate::scan::{Normals, Scan};

/// Points of a scan in an order that follows the surface, and their neighbourhoods.
#[derive(Clone, Debug)]
pub(super) struct Sample {
    pub(super) points: Vec<Point>,
    pub(super) normals: Option<Vec<Direction>>,
    /// At most 1; equal sums over equal areas, as far as cubes of [`Sample::level`] show.
    pub(super) weights: Vec<f64>,
    /// Places on Morton's curve, ascending: points whose keys agree but for the lowest `3 n` bits share a cube whose
    /// edge is `2^n` of the smallest.
    keys: Vec<u64>,
    /// The smallest `n` whose cubes hold [`CELL_POINTS`] points on average.
    level: u32,
}

/// Enough that a count says something of the density: it scatters by a quarter.
const CELL_POINTS: usize = 16;

/// Cubes along the longest side of the points: 2^21.
const BITS: u32 = 21;

impl Sample {
    /// At most `wanted` of the scan's points. Where there are more, one of each run of as many neighbours in the
    /// file, drawn by lot: a fixed place in each run (or the lowest index of a cube) can follow the scanner's own
    /// pattern.
    pub(super) fn drawn(scan: &Scan, wanted: usize) -> Self {
        let all = scan.points();
        let mut chosen = drawn(all.len(), wanted.max(1));
        chosen.retain(|&i| all.at(i as usize).iter().all(|c| c.is_finite()));
        // Together in memory: what follows goes over them again and again.
        let points: Vec<Point> = chosen.iter().map(|&i| all.at(i as usize)).collect();
        let bounds = Aabb::of(&points);
        let cells = f64::from(1u32 << BITS);
        let scale = if bounds.size().max() > 0.0 { cells / bounds.size().max() } else { 0.0 };
        let cell =
            |p: &Point, axis: usize| (((p[axis] - bounds.low[axis]) * scale) as u64).min((1 << BITS) - 1);
        let key = |p: &Point| morton::key(std::array::from_fn(|axis| cell(p, axis)));
        let keyed = sorted((0..).zip(&points).map(|(i, p)| (key(p), i)).collect());
        let keys: Vec<u64> = keyed.iter().map(|k| k.0).collect();
        let level = level(&keys);
        let of = |n: Normals<'_>| keyed.iter().map(|&(_, i)| n.at(chosen[i as usize] as usize)).collect();
        Self {
            points: keyed.iter().map(|&(_, i)| points[i as usize]).collect(),
            normals: scan.normals().map(of),
            weights: weights(&keys, level),
            keys,
            level,
        }
    }

    /// About `count` of the points, evenly over the area that they stand for: equal weights then.
    pub(super) fn thinned(&self, count: usize) -> Self {
        let whole: f64 = self.weights.iter().sum();
        if self.points.len() <= count || !(whole > 0.0) {
            return self.clone();
        }
        let step = whole / count as f64;
        let mut chosen = Vec::with_capacity(count + 1);
        let (mut sum, mut next) = (0.0, 0.5 * step);
        for (i, w) in self.weights.iter().enumerate() {
            sum += w;
            if sum > next {
                chosen.push(i);
                while next < sum {
                    next += step;
                }
            }
        }
        let keys: Vec<u64> = chosen.iter().map(|&i| self.keys[i]).collect();
        Self {
            points: chosen.iter().map(|&i| self.points[i]).collect(),
            normals: self.normals.as_ref().map(|n| chosen.iter().map(|&i| n[i]).collect()),
            weights: vec![1.0; chosen.len()],
            level: level(&keys),
            keys,
        }
    }

    /// Ranges of points that share a cube, `above` steps coarser than the cubes of about [`CELL_POINTS`].
    pub(super) fn cells(&self, above: u32) -> Vec<std::ops::Range<usize>> {
        runs(&self.keys, (self.level + above).min(BITS))
    }
}

/// Bits of one digit of a key; enough digits for all of them.
const DIGIT: u32 = 11;

/// By their keys, equal keys in the given order: digit by digit, the lowest first.
fn sorted(mut keyed: Vec<(u64, u32)>) -> Vec<(u64, u32)> {
    let mut other = vec![(0, 0); keyed.len()];
    for digit in 0..(3 * BITS).div_ceil(DIGIT) {
        let of = |key: u64| (key >> (DIGIT * digit)) as usize & ((1 << DIGIT) - 1);
        let mut place = vec![0usize; 1 << DIGIT];
        for k in &keyed {
            place[of(k.0)] += 1;
        }
        let mut sum = 0;
        for p in &mut place {
            (*p, sum) = (sum, sum + *p);
        }
        for k in &keyed {
            let p = &mut place[of(k.0)];
            other[*p] = *k;
            *p += 1;
        }
        std::mem::swap(&mut keyed, &mut other);
    }
    keyed
}

/// How many cubes there are at each level, by the highest digit in which neighbours on the curve differ.
fn level(keys: &[u64]) -> u32 {
    let mut beginning = [0usize; BITS as usize + 1];
    for pair in keys.windows(2) {
        let differ = pair[0] ^ pair[1];
        if differ != 0 {
            beginning[((63 - differ.leading_zeros()) / 3) as usize] += 1;
        }
    }
    let mut cubes = 1;
    let mut level = BITS;
    while level > 0 && keys.len() >= CELL_POINTS * (cubes + beginning[level as usize - 1]) {
        cubes += beginning[level as usize - 1];
        level -= 1;
    }
    level
}

fn runs(keys: &[u64], level: u32) -> Vec<std::ops::Range<usize>> {
    let mut found = Vec::new();
    let mut from = 0;
    for i in 1..=keys.len() {
        if i == keys.len() || keys[i] >> (3 * level) != keys[from] >> (3 * level) {
            found.push(from..i);
            from = i;
        }
    }
    found
}

/// Cubes whose density is taken together are so many steps coarser: about 256 points, whose number scatters by 6 %.
const TOGETHER: u32 = 2;
/// Fewer points than this tell no density: strays.
const LEAST_TOGETHER: usize = 2 * CELL_POINTS;
/// The density of the surface's sparsest fifth has full weight.
const SPARSE_SHARE: f64 = 0.2;
/// How much denser cubes look where the surface lies aslant in them, where two faces meet, and by chance: no reason to
/// weigh points of an even scan unevenly, which would cost accuracy and pull a warped part towards some of it.
const EVEN: f64 = 1.5;

/// One over the density from twice that of the sparsest fifth on, and 1 below [`EVEN`] times, with a straight line in
/// between. The density is the points of a
/// coarse cube over the area in it: how much of the coarse cube the surface fills does not matter then.
fn weights(keys: &[u64], level: u32) -> Vec<f64> {
    let cells: Vec<(std::ops::Range<usize>, f64)> = runs(keys, (level + TOGETHER).min(BITS))
        .into_iter()
        .map(|cell| (cell.clone(), area(&keys[cell], level)))
        .collect();
    let density = |(cell, area): &(std::ops::Range<usize>, f64)| cell.len() as f64 / *area;
    let mut known: Vec<(f64, f64)> = cells
        .iter()
        .filter(|(cell, _)| cell.len() >= LEAST_TOGETHER)
        .map(|cell| (density(cell), cell.1))
        .collect();
    known.sort_unstable_by(|a, b| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1)));
    let mut left = SPARSE_SHARE * known.iter().map(|k| k.1).sum::<f64>();
    let sparse = known.iter().find(|k| {
        left -= k.1;
        left <= 0.0
    });
    let sparse = sparse.map_or(1.0, |k| k.0);
    let mut weights = vec![1.0; keys.len()];
    for cell in cells {
        let times = density(&cell) / sparse;
        // Without a jump in between.
        let weight = (1.0 / times).max(1.0 + EVEN - times).min(1.0);
        weights[cell.0].fill(weight);
    }
    weights
}

/// About the area of the surface in a coarse cube, in sides of small ones: from what it covers seen along each axis.
/// That is right for a plane however it lies; a corner of two counts less than they have, but by no more than
/// [`EVEN`].
fn area(keys: &[u64], level: u32) -> f64 {
    let held = keys.iter().fold(0u64, |held, key| held | 1 << (key >> (3 * level) & 63));
    let covered = |axis: u32| {
        // A small cube's place has the axis' two digits in the bits `axis` and `axis + 3`.
        let step = [1 << axis, 1 << (axis + 3)];
        let pushed = held | held >> step[0];
        let pushed = pushed | pushed >> step[1];
        let columns = (0..64u64).filter(|place| place & (step[0] | step[1]) == 0 && pushed >> place & 1 == 1);
        columns.count() as f64
    };
    let [x, y, z] = [covered(0), covered(1), covered(2)];
    (x * x + y * y + z * z).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::random::Random;
    use crate::read::RawScan;
    use crate::run::quiet;
    use crate::scan::LengthUnit;

    /// The left half of a square holds nine times as many points as the right half.
    fn uneven(count: usize) -> Scan {
        let mut random = Random::seeded(3);
        let mut points = Vec::new();
        for i in 0..count {
            let x = if i % 10 == 0 { random.range(50.0, 100.0) } else { random.range(0.0, 50.0) };
            points.push(Point::new(x, random.range(0.0, 100.0), 0.0));
        }
        Scan::new(RawScan { points, ..RawScan::default() }, LengthUnit::Millimetre, &quiet()).unwrap()
    }

    fn left_share(sample: &Sample) -> f64 {
        let left: f64 =
            sample.points.iter().zip(&sample.weights).filter(|(p, _)| p.x < 50.0).map(|(_, w)| w).sum();
        left / sample.weights.iter().sum::<f64>()
    }

    #[test]
    fn weights_and_thinning_are_fair_to_area_not_to_density() {
        let all = Sample::drawn(&uneven(40_000), 100_000);
        assert_eq!(all.points.len(), 40_000);
        assert!((left_share(&all) - 0.5).abs() < 0.06, "{}", left_share(&all));
        let thin = all.thinned(2000);
        assert!((1900..=2001).contains(&thin.points.len()), "{}", thin.points.len());
        assert!((left_share(&thin) - 0.5).abs() < 0.06, "{}", left_share(&thin));
    }

    #[test]
    fn a_draw_takes_each_place_of_a_run_about_as_often() {
        // Every fifth point of a file stands out, as a scanner's fifth beam may.
        let points = (0..50_000).map(|i| Point::new(f64::from(i), f64::from(i % 5), 0.0)).collect();
        let raw = RawScan { points, ..RawScan::default() };
        let scan = Scan::new(raw, LengthUnit::Millimetre, &quiet()).unwrap();
        let drawn = Sample::drawn(&scan, 10_000);
        assert_eq!(drawn.points.len(), 10_000);
        let fifth = drawn.points.iter().filter(|p| p.y == 4.0).count();
        // 2,000 with a standard deviation of 40.
        assert!((1800..2200).contains(&fifth), "{fifth}");
    }

    #[test]
    fn the_area_in_a_cube_is_that_of_the_plane_in_it() {
        let key = |x: u64, y: u64, z: u64| morton::key([x, y, z]);
        let of = |f: fn(u64, u64) -> [u64; 3]| -> Vec<u64> {
            (0..16).map(|k| f(k / 4, k % 4)).map(|[x, y, z]| key(x, y, z)).collect()
        };
        // Flat, also counts a row from either side; aslant by 45 degrees: 4 times 4 times the root of 2.
        let flat = area(&of(|x, y| [x, y, 2]), 0);
        assert!((flat - f64::sqrt(16.0 * 16.0 + 4.0 * 4.0 * 2.0)).abs() < 1e-12, "{flat}");
        let aslant = area(&of(|x, y| [x, y, x]), 0);
        assert!((aslant - f64::sqrt(16.0 * 16.0 * 2.0 + 4.0 * 4.0)).abs() < 1e-12, "{aslant}");
    }

    #[test]
    fn keys_are_sorted_and_equal_ones_stay_in_order() {
        let mut random = Random::seeded(8);
        let keyed: Vec<(u64, u32)> =
            (0..3000).map(|i| ((random.unit() * 1e3) as u64 * 0x0123_4567_89ab, i)).collect();
        let mut expected = keyed.clone();
        expected.sort_unstable();
        assert_eq!(sorted(keyed), expected);
    }

    #[test]
    fn one_place_only_is_one_cube() {
        let points = vec![Point::new(1.0, 2.0, 3.0)];
        let raw = RawScan { points, ..RawScan::default() };
        let one = Sample::drawn(&Scan::new(raw, LengthUnit::Millimetre, &quiet()).unwrap(), 10);
        assert_eq!((one.points.len(), one.cells(0).len(), one.weights[0]), (1, 1, 1.0));
    }
}
