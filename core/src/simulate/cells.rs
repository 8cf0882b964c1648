//! Things by the cubic cell of space they lie in.

use crate::geometry::{Point, Vector};

type Cell = [i32; 3];

/// Indices of things, sorted by cell and then by index.
pub(super) struct Cells {
    cell_mm: f64,
    entries: Vec<(Cell, u32)>,
}

impl Cells {
    /// Each point in its cell.
    pub(super) fn of_points(points: &[Point], cell_mm: f64) -> Self {
        let entries = points.iter().enumerate().map(|(i, p)| (cell(p, cell_mm), i as u32)).collect();
        Self::sorted(entries, cell_mm)
    }

    /// Each line, cut into pieces, in every cell that comes within `reach_mm` of it (and in a few more).
    pub(super) fn of_lines(lines: &[[Point; 2]], reach_mm: f64, cell_mm: f64) -> Self {
        let mut entries = Vec::new();
        for (i, [a, b]) in lines.iter().enumerate() {
            let pieces = ((b - a).norm() / cell_mm).ceil().max(1.0);
            let at = |k: f64| a + (b - a) * (k / pieces);
            for k in 0..pieces as usize {
                let (p, q) = (at(k as f64), at(k as f64 + 1.0));
                let grow = Vector::repeat(reach_mm);
                let low = cell(&(p.inf(&q) - grow), cell_mm);
                let high = cell(&(p.sup(&q) + grow), cell_mm);
                for x in low[0]..=high[0] {
                    for y in low[1]..=high[1] {
                        entries.extend((low[2]..=high[2]).map(|z| ([x, y, z], i as u32)));
                    }
                }
            }
        }
        let mut all = Self::sorted(entries, cell_mm);
        all.entries.dedup();
        all
    }

    fn sorted(mut entries: Vec<(Cell, u32)>, cell_mm: f64) -> Self {
        entries.sort_unstable();
        Self { cell_mm, entries }
    }

    /// What lies in the cell of `p`, by index.
    pub(super) fn here(&self, p: &Point) -> impl Iterator<Item = u32> + '_ {
        let c = cell(p, self.cell_mm);
        self.run(c, c)
    }

    /// What lies in the cell of `p` and the 26 round it.
    pub(super) fn around(&self, p: &Point) -> impl Iterator<Item = u32> + '_ {
        let [x, y, z] = cell(p, self.cell_mm);
        (-1..=1).flat_map(move |i| {
            (-1..=1).flat_map(move |j| {
                let (x, y) = (x.saturating_add(i), y.saturating_add(j));
                self.run([x, y, z.saturating_sub(1)], [x, y, z.saturating_add(1)])
            })
        })
    }

    fn run(&self, first: Cell, last: Cell) -> impl Iterator<Item = u32> + '_ {
        let from = self.entries.partition_point(|e| e.0 < first);
        self.entries[from..].iter().take_while(move |e| e.0 <= last).map(|e| e.1)
    }
}

fn cell(p: &Point, cell_mm: f64) -> Cell {
    std::array::from_fn(|k| (p[k] / cell_mm).floor() as i32)
}
