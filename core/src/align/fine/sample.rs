//! The points that an alignment uses: drawn without favour, weighed so that dense patches do not pull.

use rayon::prelude::*;

use crate::geometry::random::Random;
use crate::geometry::{Aabb, Direction, Point};
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
    /// file, drawn by lot with a fixed seed: a fixed place in each run (or the lowest index of a cube) can follow
    /// the scanner's own pattern.
    pub(super) fn drawn(scan: &Scan, wanted: usize) -> Self {
        let all = scan.points();
        let count = all.len().min(wanted.max(1));
        let mut random = Random::seeded(0x000f_15e5);
        let chosen = (0..count).map(|k| {
            let (from, to) = (k * all.len() / count, (k + 1) * all.len() / count);
            from + if to - from > 1 { random.below(to - from) } else { 0 }
        });
        let chosen: Vec<u32> =
            chosen.filter(|&i| all.at(i).iter().all(|c| c.is_finite())).map(|i| i as u32).collect();
        let mut bounds = Aabb::empty();
        chosen.iter().for_each(|&i| bounds.add(&all.at(i as usize)));
        let cells = f64::from(1u32 << BITS);
        let scale = if bounds.size().max() > 0.0 { cells / bounds.size().max() } else { 0.0 };
        let cell = |p: &Point, axis: usize| {
            spread((((p[axis] - bounds.low[axis]) * scale) as u64).min((1 << BITS) - 1))
        };
        let key = |p: &Point| cell(p, 0) | cell(p, 1) << 1 | cell(p, 2) << 2;
        // Every item differs in its index, so that an unstable sort has one possible result.
        let mut keyed: Vec<(u64, u32)> = chosen.par_iter().map(|&i| (key(&all.at(i as usize)), i)).collect();
        keyed.par_sort_unstable();
        let keys: Vec<u64> = keyed.iter().map(|k| k.0).collect();
        let level = level(&keys);
        let of = |n: Normals| keyed.iter().map(|&(_, i)| n.at(i as usize)).collect();
        Self {
            points: keyed.iter().map(|&(_, i)| all.at(i as usize)).collect(),
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
/// The sparsest fifth of the surface has full weight.
const SPARSE_SHARE: f64 = 0.2;

/// One over the density, but never more than for the sparsest fifth. The density is the points of a coarse cube over
/// the small ones in it that hold any: how much of the coarse cube the surface fills does not matter then.
fn weights(keys: &[u64], level: u32) -> Vec<f64> {
    let cells: Vec<(std::ops::Range<usize>, usize)> = runs(keys, (level + TOGETHER).min(BITS))
        .into_iter()
        .map(|cell| (cell.clone(), runs(&keys[cell], level).len()))
        .collect();
    let density = |(cell, small): &(std::ops::Range<usize>, usize)| cell.len() as f64 / *small as f64;
    let mut known: Vec<(f64, usize)> = cells
        .iter()
        .filter(|(cell, _)| cell.len() >= LEAST_TOGETHER)
        .map(|cell| (density(cell), cell.1))
        .collect();
    known.sort_unstable_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
    let mut left = SPARSE_SHARE * known.iter().map(|k| k.1 as f64).sum::<f64>();
    let sparse = known.iter().find(|k| {
        left -= k.1 as f64;
        left <= 0.0
    });
    let sparse = sparse.map_or(1.0, |k| k.0);
    let mut weights = vec![1.0; keys.len()];
    for cell in cells {
        let weight = (sparse / density(&cell)).min(1.0);
        weights[cell.0].fill(weight);
    }
    weights
}

/// Two zeros before each of 21 bits.
fn spread(x: u64) -> u64 {
    let x = (x | x << 32) & 0x001f_0000_0000_ffff;
    let x = (x | x << 16) & 0x001f_0000_ff00_00ff;
    let x = (x | x << 8) & 0x100f_00f0_0f00_f00f;
    let x = (x | x << 4) & 0x10c3_0c30_c30c_30c3;
    (x | x << 2) & 0x1249_2492_4924_9249
}

#[cfg(test)]
mod tests {
    use super::*;
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
    fn one_place_only_is_one_cube() {
        let points = vec![Point::new(1.0, 2.0, 3.0)];
        let raw = RawScan { points, ..RawScan::default() };
        let one = Sample::drawn(&Scan::new(raw, LengthUnit::Millimetre, &quiet()).unwrap(), 10);
        assert_eq!((one.points.len(), one.cells(0).len(), one.weights[0]), (1, 1, 1.0));
    }
}
