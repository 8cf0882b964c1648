//! Which points are strays: those that no neighbour agrees with.
//!
//! By scatter among neighbours and never by deviation from the nominal, so that a dent or a warp keeps its say (own
//! rule, no source): a point stays when two others in its cube lie about as far off the surface as it does. Cubes
//! grow twice for points that are few in theirs, such as those of a wall seen at a slant.

use super::sample::Sample;
use rayon::prelude::*;

/// Two points agree when their distances from the surface differ by no more than this many standard deviations of
/// the scatter about the cube's median: noise differs by more once in 50,000 pairs.
const AGREE: f64 = 6.0;
/// How often cubes grow to twice the edge.
const GROWTHS: u32 = 2;
/// Differences no larger than this are rounding, mm.
const ROUNDING_MM: f64 = 1e-6;

/// Cubes of one piece of work.
const PIECE: usize = 256;
/// Fewer points in a cube have no median that means anything.
const LEAST: usize = 5;
/// The standard deviation of normal noise over the median of its size.
const SIGMA_OF_MEDIAN: f64 = 1.4826;

/// For each point whether it is a stray. `off` holds signed distances from the surface, mm; a point without one is
/// neither a stray nor anybody's neighbour.
pub(super) fn strays(sample: &Sample, off: &[Option<f64>]) -> Vec<bool> {
    let mut open: Vec<bool> = off.iter().map(Option::is_some).collect();
    let mut usual = 0.0;
    for above in 0..=GROWTHS {
        let mut cells = sample.cells(above);
        if above > 0 {
            cells.retain(|cell| open[cell.clone()].contains(&true));
        }
        let cubes: Vec<Cubes> = cells.par_chunks(PIECE).map(|cells| Cubes::of(off, cells)).collect();
        // The smallest cubes hold all points.
        if above == 0 {
            usual = AGREE * scatter(&cubes);
        }
        for cube in cubes.iter().flat_map(Cubes::each) {
            // Where a dent ends the distances spread, and are no strays for that.
            let own = AGREE * SIGMA_OF_MEDIAN * median_scatter(cube);
            agreeing(cube, usual.max(own) + ROUNDING_MM, &mut open);
        }
    }
    open
}

/// The points of some cubes, those of each by their distances from the surface, ascending.
struct Cubes {
    points: Vec<(f64, u32)>,
    /// Where the points of each cube end.
    ends: Vec<usize>,
}

impl Cubes {
    fn of(off: &[Option<f64>], cells: &[std::ops::Range<usize>]) -> Self {
        let mut points = Vec::with_capacity(cells.iter().map(ExactSizeIterator::len).sum());
        let mut ends = Vec::with_capacity(cells.len());
        for cell in cells {
            let from = points.len();
            points
                .extend(cell.clone().filter_map(|i| off[i].filter(|d| d.is_finite()).map(|d| (d, i as u32))));
            points[from..].sort_unstable_by(|a: &(f64, u32), b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
            ends.push(points.len());
        }
        Self { points, ends }
    }

    fn each(&self) -> impl Iterator<Item = &[(f64, u32)]> {
        let begins = std::iter::once(0).chain(self.ends.iter().copied());
        begins.zip(&self.ends).map(|(from, &to)| &self.points[from..to])
    }
}

fn median(cube: &[(f64, u32)]) -> f64 {
    cube.get(cube.len() / 2).map_or(0.0, |s| s.0)
}

/// The median of the sizes of the differences from the median.
fn median_scatter(cube: &[(f64, u32)]) -> f64 {
    let middle = median(cube);
    // Outwards from the median, the smaller difference of the two sides first.
    let (mut below, mut above) = (cube.len() / 2, cube.len() / 2);
    let mut difference = 0.0;
    for _ in 0..(cube.len() / 2 + 1).min(cube.len()) {
        let down = if below > 0 { middle - cube[below - 1].0 } else { f64::INFINITY };
        let up = if above < cube.len() { cube[above].0 - middle } else { f64::INFINITY };
        if up <= down {
            (difference, above) = (up, above + 1);
        } else {
            (difference, below) = (down, below - 1);
        }
    }
    difference
}

/// Closes those with two neighbours within `most`.
fn agreeing(cube: &[(f64, u32)], most: f64, open: &mut [bool]) {
    for k in 0..cube.len() {
        if !open[cube[k].1 as usize] {
            continue;
        }
        let near = |from: usize, to: usize| to < cube.len() && cube[to].0 - cube[from].0 <= most;
        let below = k >= 1 && near(k - 1, k);
        let above = near(k, k + 1);
        if (below && above) || near(k, k + 2) || (k >= 2 && near(k - 2, k)) {
            open[cube[k].1 as usize] = false;
        }
    }
}

/// The standard deviation of the usual point about its cube's median. From cubes in which a median means something.
fn scatter(cubes: &[Cubes]) -> f64 {
    let differences = |least: usize| -> Vec<f64> {
        let large = cubes.iter().flat_map(Cubes::each).filter(|c| c.len() >= least);
        large.flat_map(|c| c.iter().map(move |s| (s.0 - median(c)).abs())).collect()
    };
    let mut all = differences(LEAST);
    if all.is_empty() {
        all = differences(1);
    }
    if all.is_empty() {
        return 0.0;
    }
    let middle = all.len() / 2;
    SIGMA_OF_MEDIAN * *all.select_nth_unstable_by(middle, f64::total_cmp).1
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::random::Random;

    #[test]
    fn the_scatter_of_a_cube_is_that_of_its_sorted_differences() {
        let mut random = Random::seeded(3);
        for count in 0..40 {
            let mut cube: Vec<(f64, u32)> = (0..count).map(|i| (random.range(-1.0, 2.0), i)).collect();
            cube.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
            let mut differences: Vec<f64> = cube.iter().map(|s| (s.0 - median(&cube)).abs()).collect();
            differences.sort_unstable_by(f64::total_cmp);
            let expected = differences.get(differences.len() / 2).copied().unwrap_or(0.0);
            assert_eq!(median_scatter(&cube), expected, "{count} points");
        }
    }
}
