//! How far the wall of a hole or slot runs straight towards its two ends.
//!
//! A chamfer, a rounded arris, a burr that was pushed into the hole, or material that broke out where the tool left, are no
//! part of the wall, though their points lie nearest to it. They are told by where the wall turns away from its own middle,
//! never by their deviation from the nominal: a wall that lies, leans or is wide otherwise than it should stays whole.
//! Our own way, no source.

use crate::geometry::Cholesky;

/// A point of a wall as it is looked at.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct OnWall {
    /// Where along the turn of the wall, mm.
    pub along_mm: f64,
    /// Where along its axis, mm.
    pub deep_mm: f64,
    /// Signed distance from the nominal wall, mm.
    pub off_mm: f64,
    /// The two parts across the axis of the nominal's unit normal there.
    pub across: [f64; 2],
}

/// The wall that is looked at.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Wall {
    /// Length of its turn, mm.
    pub turn_mm: f64,
    /// Where along the axis the points begin and end, mm.
    pub deep_mm: [f64; 2],
    /// Spacing of its points, mm.
    pub spacing_mm: f64,
    /// Least standard deviation of their noise, mm.
    pub noise_mm: f64,
}

/// A wall keeps its form to within this, mm; what turns away by less does not matter (common practice, no source).
const STRAIGHT_MM: f64 = 0.03;

/// A mean this many standard deviations off is no noise: one cell of ten thousand is by chance.
const OFF: f64 = 4.0;

/// Beside what is off, a mean this many standard deviations off to the same way belongs to it.
const LEANS: f64 = 1.5;

/// The middle part of the depth, by which the rest is held: a quarter stays at each end for what is no wall.
const MIDDLE: f64 = 0.5;

/// The core of the depth that is never left out.
const CORE: f64 = 0.2;

/// Fewer points in the middle of a part of the turn tell nothing of its ends.
const LEAST: usize = 4;

/// Sums of a mean.
#[derive(Clone, Copy, Default)]
struct Mean {
    n: f64,
    sum: f64,
}

impl Mean {
    fn add(&mut self, x: f64) {
        self.n += 1.0;
        self.sum += x;
    }

    fn value(self) -> f64 {
        self.sum / self.n.max(1.0)
    }
}

/// Which points lie where the wall runs straight; all of them where there are too few to tell.
pub fn sound(points: &[OnWall], wall: &Wall) -> Vec<bool> {
    let [low, high] = wall.deep_mm;
    let depth = high - low;
    let all = vec![true; points.len()];
    let good = depth > 0.0 && wall.turn_mm > 0.0 && wall.spacing_mm >= 0.0;
    if !(good && points.len() >= 24) {
        return all;
    }
    let middle = 0.5 * (low + high);
    // At least a point or two to a cell of one part of the turn and one step of the depth.
    let step = (0.6 * wall.spacing_mm).max(0.25).min(0.25 * depth);
    let parts = (wall.turn_mm / (4.0 * wall.spacing_mm).max(2.0)).floor().clamp(4.0, 360.0) as usize;
    let steps = ((0.5 * depth / step).ceil() as usize).clamp(1, 1000);
    let part = |p: &OnWall| {
        let share = (p.along_mm / wall.turn_mm).rem_euclid(1.0);
        ((share * parts as f64) as usize).min(parts - 1)
    };
    // Steps away from the middle, towards either end.
    let place = |p: &OnWall| {
        let away = p.deep_mm - middle;
        (usize::from(away > 0.0), ((away.abs() / step) as usize).min(steps - 1))
    };
    let mut keep = all;
    for _ in 0..5 {
        let Some(rest) = leftover(points, &keep, [middle, depth]) else { return keep };
        let central = |p: &OnWall| (p.deep_mm - middle).abs() <= 0.5 * MIDDLE * depth;
        let mut own = vec![Mean::default(); parts];
        for (i, p) in points.iter().enumerate().filter(|(i, p)| keep[*i] && central(p)) {
            own[part(p)].add(rest[i]);
        }
        let mut sizes: Vec<f64> = points
            .iter()
            .enumerate()
            .filter(|(i, p)| keep[*i] && central(p))
            .map(|(i, p)| (rest[i] - own[part(p)].value()).abs())
            .collect();
        if sizes.len() < 2 * LEAST {
            return keep;
        }
        let half = sizes.len() / 2;
        let scatter = 1.482_602_218_505_602 * *sizes.select_nth_unstable_by(half, f64::total_cmp).1;
        let noise = scatter.max(wall.noise_mm);
        // How far a cell lies off the middle of its part of the turn, in standard errors, and in mm.
        let off = |cell: Mean, own: Mean| {
            let told = if own.n > 0.0 { 1.0 / own.n } else { 0.0 };
            let by = cell.value() - own.value();
            (by / (noise * (1.0 / cell.n + told).sqrt()).max(1e-12), by)
        };
        let mut cells = vec![[vec![Mean::default(); steps], vec![Mean::default(); steps]]; parts];
        for (i, p) in points.iter().enumerate() {
            let (side, s) = place(p);
            cells[part(p)][side][s].add(rest[i]);
        }
        // What lies within the core stays; and the innermost step, however wide it is.
        let inmost = ((0.5 * CORE * depth / step).ceil() as usize).max(1);
        // The first step that is off, and which way; its inner neighbour belongs to it where it leans that way too.
        let first = |cells: &[Mean], own: Mean| {
            let is_off = |s: &usize| {
                let (errors, by) = off(cells[*s], own);
                cells[*s].n > 0.0 && errors.abs() > OFF && by.abs() > STRAIGHT_MM
            };
            (inmost..steps).find(is_off).map(|s| {
                let way = off(cells[s], own).1.signum();
                let inner = s > inmost && cells[s - 1].n > 0.0 && off(cells[s - 1], own).0 * way > LEANS;
                (if inner { s - 1 } else { s }, way)
            })
        };
        let ends: Vec<[Option<(usize, f64)>; 2]> = (0..parts)
            .map(|k| {
                let told = (own[k].n as usize) >= LEAST;
                [0, 1].map(|side| if told { first(&cells[k][side], own[k]) } else { None })
            })
            .collect();
        // A part beside one that is off may hold some of it: where it leans that way too.
        let ends: Vec<[usize; 2]> = (0..parts)
            .map(|k| {
                [0, 1].map(|side| {
                    let mut end = ends[k][side].map_or(steps, |e| e.0);
                    for near in [(k + parts - 1) % parts, (k + 1) % parts] {
                        let Some((from, way)) = ends[near][side] else { continue };
                        let leans = |s: &usize| {
                            let cell = cells[k][side][*s];
                            cell.n > 0.0 && own[k].n > 0.0 && off(cell, own[k]).0 * way > LEANS
                        };
                        end = end.min((from..steps).find(leans).unwrap_or(steps));
                    }
                    end
                })
            })
            .collect();
        let mut next: Vec<bool> = points
            .iter()
            .map(|p| {
                let (side, s) = place(p);
                s < ends[part(p)][side]
            })
            .collect();
        // All round at once finer steps of the same kind show.
        let mut rings = [vec![Mean::default(); steps], vec![Mean::default(); steps]];
        for (i, p) in points.iter().enumerate().filter(|(i, _)| next[*i]) {
            if own[part(p)].n > 0.0 {
                let (side, s) = place(p);
                rings[side][s].add(rest[i] - own[part(p)].value());
            }
        }
        let none = Mean::default();
        let rings = [0, 1].map(|side| first(&rings[side], none).map_or(steps, |e| e.0));
        for (k, p) in next.iter_mut().zip(points) {
            let (side, s) = place(p);
            *k &= s < rings[side];
        }
        let same = next == keep;
        keep = next;
        if same {
            break;
        }
    }
    keep
}

/// What is left of the distances without size, place, lean and taper of the wall, by least squares on the kept points.
fn leftover(points: &[OnWall], keep: &[bool], [middle, depth]: [f64; 2]) -> Option<Vec<f64>> {
    let row = |p: &OnWall| {
        let t = (p.deep_mm - middle) / depth;
        let [x, y] = p.across;
        [1.0, x, y, t, t * x, t * y]
    };
    let mut m = [[0.0; 6]; 6];
    let mut right = [0.0; 6];
    for (p, _) in points.iter().zip(keep).filter(|(_, k)| **k) {
        let r = row(p);
        for i in 0..6 {
            for j in 0..6 {
                m[i][j] += r[i] * r[j];
            }
            right[i] += r[i] * p.off_mm;
        }
    }
    // What part of the turn was seen may leave some of them open: a little is asked of all to be small.
    let whole = m[0][0];
    for (i, line) in m.iter_mut().enumerate() {
        line[i] += 1e-6 * whole;
    }
    let found = Cholesky::new(&m)?.solve(&right);
    Some(
        points
            .iter()
            .map(|p| p.off_mm - row(p).iter().zip(&found).map(|(a, b)| a * b).sum::<f64>())
            .collect(),
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::math;
    use crate::geometry::random::Random;
    use std::f64::consts::TAU;

    /// A wall of 8 mm diameter between 0.3 and 2.7 mm of depth, at 0.5 mm, that is off by `form`.
    fn wall(seed: u64, form: impl Fn(f64, f64) -> f64) -> (Vec<OnWall>, Wall) {
        let mut random = Random::seeded(seed);
        let turn_mm = TAU * 4.0;
        let points = (0..240)
            .map(|_| {
                let (turn, deep) = (TAU * random.unit(), 0.3 + 2.4 * random.unit());
                OnWall {
                    along_mm: 4.0 * turn,
                    deep_mm: deep,
                    off_mm: form(turn, deep) + 0.02 * random.normal(),
                    across: [-math::cos(turn), -math::sin(turn)],
                }
            })
            .collect();
        (points, Wall { turn_mm, deep_mm: [0.3, 2.7], spacing_mm: 0.5, noise_mm: 0.02 })
    }

    #[test]
    fn a_wall_that_lies_leans_and_is_wide_otherwise_stays_whole() {
        let mut lost = 0;
        for seed in 0..200 {
            let (points, wall) = wall(seed, |turn, deep| {
                0.2 + 0.3 * math::cos(turn) + (deep - 1.5) * (0.05 * math::sin(turn) + 0.02)
            });
            lost += sound(&points, &wall).iter().filter(|k| !**k).count();
        }
        // By chance a cell of noise is off now and then.
        assert!(lost < 240 * 200 / 200, "{lost} of {}", 240 * 200);
    }

    #[test]
    fn what_turns_away_at_an_end_is_left_out_where_it_does() {
        // A quarter of the turn broke out at 45 degrees from a depth of 2 mm on; a chamfer of 0.8 mm goes all round the other end.
        let form = |turn: f64, deep: f64| {
            let broken = if turn < 1.57 { (deep - 2.0f64).max(0.0) } else { 0.0 };
            -broken - (0.8 - deep).max(0.0)
        };
        let (mut stray, mut left, mut all) = (0, 0, 0);
        for seed in 0..100 {
            let (points, wall) = wall(seed, form);
            for (p, keep) in points.iter().zip(sound(&points, &wall)) {
                let turn = p.along_mm / 4.0;
                let off = form(turn, p.deep_mm);
                stray += usize::from(keep && off < -0.05);
                if off == 0.0 {
                    all += 1;
                    left += usize::from(!keep);
                }
            }
        }
        println!("{stray} strays kept, {left} of {all} good points left out");
        assert!(stray * 100 < all, "{stray} of {all}");
        assert!(left * 5 < all, "{left} of {all}");
    }

    #[test]
    fn too_few_points_stay_as_they_are() {
        let (points, wall) = wall(1, |_, deep| if deep > 2.0 { 1.0 } else { 0.0 });
        assert!(sound(&points[..20], &wall).iter().all(|k| *k));
        assert!(sound(&[], &wall).is_empty());
        let flat = Wall { deep_mm: [1.0, 1.0], ..wall };
        assert!(sound(&points, &flat).iter().all(|k| *k));
    }
}
