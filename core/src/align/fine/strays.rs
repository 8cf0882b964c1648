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

/// For each point whether it is a stray. `off` holds signed distances from the surface, mm; a point without one is
/// neither a stray nor anybody's neighbour.
pub(super) fn strays(sample: &Sample, off: &[Option<f64>]) -> Vec<bool> {
    let mut open: Vec<bool> = off.iter().map(Option::is_some).collect();
    let mut usual = 0.0;
    for above in 0..=GROWTHS {
        let mut cells = sample.cells(above);
        cells.retain(|cell| open[cell.clone()].contains(&true));
        let cubes: Vec<Cube> =
            cells.par_iter().with_min_len(64).map(|cell| Cube::of(off, cell.clone())).collect();
        // The smallest cubes hold all points.
        if above == 0 {
            usual = AGREE * scatter(&cubes);
        }
        for cube in &cubes {
            // Where a dent ends the distances spread, and are no strays for that.
            let own = AGREE * SIGMA_OF_MEDIAN * cube.median_scatter();
            cube.agreeing(usual.max(own) + ROUNDING_MM, &mut open);
        }
    }
    open
}

/// The standard deviation of normal noise over the median of its size.
const SIGMA_OF_MEDIAN: f64 = 1.4826;

/// The points of a cube by their distances from the surface, ascending.
struct Cube {
    sorted: Vec<(f64, u32)>,
    /// Sizes of the differences from the median, ascending.
    differences: Vec<f64>,
}

impl Cube {
    fn of(off: &[Option<f64>], cell: std::ops::Range<usize>) -> Self {
        let mut sorted: Vec<(f64, u32)> =
            cell.filter_map(|i| off[i].filter(|d| d.is_finite()).map(|d| (d, i as u32))).collect();
        sorted.sort_unstable_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
        let median = sorted.get(sorted.len() / 2).map_or(0.0, |s| s.0);
        let mut differences: Vec<f64> = sorted.iter().map(|s| (s.0 - median).abs()).collect();
        differences.sort_unstable_by(f64::total_cmp);
        Self { sorted, differences }
    }

    fn median_scatter(&self) -> f64 {
        self.differences.get(self.differences.len() / 2).copied().unwrap_or(0.0)
    }

    /// Closes those with two neighbours within `most`.
    fn agreeing(&self, most: f64, open: &mut [bool]) {
        let s = &self.sorted;
        for k in 0..s.len() {
            if !open[s[k].1 as usize] {
                continue;
            }
            let near = |from: usize, to: usize| to < s.len() && s[to].0 - s[from].0 <= most;
            let below = k >= 1 && near(k - 1, k);
            let above = near(k, k + 1);
            if (below && above) || near(k, k + 2) || (k >= 2 && near(k - 2, k)) {
                open[s[k].1 as usize] = false;
            }
        }
    }
}

/// The standard deviation of the usual point about its cube's median. From cubes in which a median means something.
fn scatter(cubes: &[Cube]) -> f64 {
    let mut all: Vec<f64> =
        cubes.iter().filter(|c| c.sorted.len() >= 5).flat_map(|c| c.differences.iter().copied()).collect();
    if all.is_empty() {
        all = cubes.iter().flat_map(|c| c.differences.iter().copied()).collect();
    }
    if all.is_empty() {
        return 0.0;
    }
    let middle = all.len() / 2;
    SIGMA_OF_MEDIAN * *all.select_nth_unstable_by(middle, f64::total_cmp).1
}
