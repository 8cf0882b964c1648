//! Where the search for a short tube's circumscribed cylinder begins.

use super::cylinder::Tube;
use super::enclosing_circle::smallest_circle;
use super::linear_by_criterion::UPRIGHT;
use super::unit;
use crate::geometry::{Vector, math};
use crate::run::{Run, Stopped};
use std::f64::consts::TAU;

/// Slopes to either side of the least-squares axis, along each of two directions.
const SLOPES: i32 = 20;
/// Starts: the best of the axes that no neighbour is better than, and of those at the rim of the grid, which lead out of it.
const BEST: usize = 12;
const BEST_AT_RIM: usize = 4;
/// The largest slope tried, times the spread of the distances over the length: beyond it the ends alone take more room than all that
/// there is to win.
const STEEP: f64 = 4.0;
/// A tube longer than this times its radius has no tilts that the search does not come upon by itself; our own choice.
const SHORT: f64 = 2.0;

/// Circumscribed cylinders along tilted axes, the smallest first, none of which is larger than its neighbours; of the radius of
/// `start`, since the search keeps it.
///
/// Along a given axis the smallest cylinder is the smallest circle about the points as they are seen, of which there is but one, so
/// that only two slopes are left to try: on a grid, a tenth of the spread of the distances apart at the ends of the tube.
///
/// # Errors
/// A stop.
pub(super) fn tilted_starts(run: &Run, start: &Tube, all: &[Vector]) -> Result<Vec<Tube>, Stopped> {
    let axis = start.axis;
    let (mut heights, mut radii) = ([f64::INFINITY, f64::NEG_INFINITY], [f64::INFINITY, f64::NEG_INFINITY]);
    for q in all {
        let d = q - start.point;
        let height = d.dot(&axis);
        let radius = (d - axis * height).norm();
        heights = [heights[0].min(height), heights[1].max(height)];
        radii = [radii[0].min(radius), radii[1].max(radius)];
    }
    let length = heights[1] - heights[0];
    let most = math::acos(UPRIGHT).min(STEEP * (radii[1] - radii[0]) / length);
    if !(length < SHORT * start.radius && most > 0.0 && most.is_finite()) {
        return Ok(Vec::new());
    }
    let judges = judges(start, all);
    let (a, b) = unit(axis).frame();
    let side = 2 * SLOPES + 1;
    let mut grid: Vec<Option<(f64, Tube)>> = Vec::with_capacity((side * side) as usize);
    for i in -SLOPES..=SLOPES {
        run.check()?;
        for j in -SLOPES..=SLOPES {
            let [x, y] = [i, j].map(|k| most * f64::from(k) / f64::from(SLOPES));
            let leaning = unit(axis + a * x + b * y);
            let (u, v) = leaning.frame();
            let flat: Vec<[f64; 2]> = judges.iter().map(|q| [q.dot(&u), q.dot(&v)]).collect();
            grid.push(smallest_circle(&flat).map(|([x, y], radius)| {
                let tube = Tube { axis: leaning.vector(), point: u * x + v * y, radius: start.radius };
                (radius, tube)
            }));
        }
    }
    let at = |i: i32, j: i32| {
        let within = (0..side).contains(&i) && (0..side).contains(&j);
        let one = within.then(|| grid[(i * side + j) as usize].as_ref()).flatten();
        one.map_or(f64::INFINITY, |tube| tube.0)
    };
    let mut within: Vec<(f64, Tube)> = Vec::new();
    let mut at_rim: Vec<(f64, Tube)> = Vec::new();
    for i in 0..side {
        for j in 0..side {
            let own = at(i, j);
            let least = (-1..=1).flat_map(|k| (-1..=1).map(move |l| (k, l))).map(|(k, l)| at(i + k, j + l));
            if own.is_finite() && least.fold(f64::INFINITY, f64::min) >= own {
                let inside = (1..side - 1).contains(&i) && (1..side - 1).contains(&j);
                let best = if inside { &mut within } else { &mut at_rim };
                best.extend(grid[(i * side + j) as usize].clone());
            }
        }
    }
    for best in [&mut within, &mut at_rim] {
        best.sort_by(|x, y| x.0.total_cmp(&y.0));
    }
    let best = within.into_iter().take(BEST).chain(at_rim.into_iter().take(BEST_AT_RIM));
    Ok(best.map(|(_, tube)| tube).collect())
}

/// Sectors about the axis, and layers along it.
const SECTORS: usize = 64;
const LAYERS: usize = 8;

/// All of few points; else of each sector and layer the one furthest out: the others hold no such cylinder, or hardly another one.
fn judges(start: &Tube, all: &[Vector]) -> Vec<Vector> {
    if all.len() <= SECTORS * LAYERS {
        return all.to_vec();
    }
    let (a, b) = unit(start.axis).frame();
    let height = |q: &Vector| (q - start.point).dot(&start.axis);
    let (low, high) =
        all.iter().map(height).fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)));
    let mut far: Vec<Option<(f64, usize)>> = vec![None; SECTORS * LAYERS];
    for (i, q) in all.iter().enumerate() {
        let d = q - start.point;
        let [x, y] = [d.dot(&a), d.dot(&b)];
        let share = |v: f64, parts: usize| ((v * parts as f64) as usize).min(parts - 1);
        let sector = share(math::atan2(y, x) / TAU + 0.5, SECTORS);
        let layer = share((height(q) - low) / (high - low).max(f64::MIN_POSITIVE), LAYERS);
        let cell = &mut far[sector * LAYERS + layer];
        let out = x * x + y * y;
        if cell.is_none_or(|c| out > c.0) {
            *cell = Some((out, i));
        }
    }
    far.into_iter().flatten().map(|(_, i)| all[i]).collect()
}
