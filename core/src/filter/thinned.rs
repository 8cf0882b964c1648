//! Of very many points those that can be an extreme.

use crate::geometry::Point;
use crate::search::PointGrid;

/// More points than a rule needs: of a filtered surface the highest and lowest of cells half a nesting index wide stand
/// for the rest.
pub const MOST_POINTS: usize = 20_000;

/// The highest and lowest points of cells half a nesting index wide, ascending: what lies between them is no extreme.
pub fn thinned(points: &[Point], all: &[u32], value: &dyn Fn(u32) -> f64, nesting_mm: f64) -> Vec<u32> {
    let places: Vec<Point> = all.iter().map(|&i| points[i as usize]).collect();
    let mut edge = 0.5 * nesting_mm;
    loop {
        let grid = PointGrid::new(&places, edge);
        let mut kept = Vec::new();
        for cell in grid.cells() {
            let of = |k: &u32| (value(all[*k as usize]), all[*k as usize]);
            let by = |a: &(f64, u32), b: &(f64, u32)| a.0.total_cmp(&b.0).then(b.1.cmp(&a.1));
            let lowest = cell.iter().map(of).min_by(by);
            let highest = cell.iter().map(of).max_by(by);
            kept.extend([lowest, highest].into_iter().flatten().map(|(_, i)| i));
        }
        kept.sort_unstable();
        kept.dedup();
        if kept.len() <= 2 * MOST_POINTS {
            return kept;
        }
        edge *= 1.5;
    }
}
