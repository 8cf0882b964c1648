//! Two-point sizes: local distances of opposite points (ISO 14405-1:2016, LP; from memory).
//!
//! A scan has no point exactly opposite another, so the opposite one is interpolated between its neighbours, and a
//! place without near neighbours has no local size.

use super::parallel_planes::ParallelPlanes;
use super::sections::{Section, cut, enough, round, thick_enough};
use super::subject::Axis;
use super::{Instance, RuleError};
use crate::associate::{CircleFit, SphereFit};
use crate::geometry::{Direction, Point, Vector, math};
use crate::run::{CHECK_EVERY, Run};
use crate::search::PointGrid;
use std::f64::consts::{PI, TAU};

/// A local size, mm, and one of its two points.
#[derive(Clone, Copy, Debug)]
pub(super) struct Local {
    pub(super) size_mm: f64,
    pub(super) at: Point,
}

/// The smallest and the largest local size of a feature.
#[derive(Debug, Default)]
pub(super) struct Sizes {
    ends: Option<[Local; 2]>,
    pub(super) instances: Vec<Instance>,
    pub(super) operators: Vec<(&'static str, String)>,
}

impl Sizes {
    fn add(&mut self, local: Local) {
        let [mut least, mut most] = self.ends.unwrap_or([local; 2]);
        if local.size_mm < least.size_mm {
            least = local;
        }
        if local.size_mm > most.size_mm {
            most = local;
        }
        self.ends = Some([least, most]);
    }

    /// The smallest and the largest.
    ///
    /// # Errors
    /// Where there is no local size at all.
    pub(super) fn ends(&self) -> Result<[Local; 2], RuleError> {
        self.ends.ok_or_else(|| {
            RuleError::Missing("no point has another opposite it; measure both sides of the feature".into())
        })
    }
}

/// Widest turn between the two neighbours of an opposite place, rad: between them form of five lobes loses a third of
/// its height at most. Our own choice.
const WIDEST_RAD: f64 = PI / 6.0;

/// Local diameters of a round wall: in every section square to the axis, through the centre of the section's
/// least-squares circle.
pub(super) fn of_round(
    run: &Run,
    points: &[Point],
    axis: &Axis,
    section_mm: f64,
) -> Result<Sizes, RuleError> {
    let sections = cut(run, points, axis, section_mm)?;
    let mut all = Sizes::default();
    let mut counted = 0;
    for section in &sections {
        run.check()?;
        let Some(ends) = round(section).and_then(|fit| diameters(points, section, &fit)) else { continue };
        counted += 1;
        for (local, which) in ends.into_iter().zip(["smallest", "largest"]) {
            all.add(local);
            all.instances.push(Instance {
                name: format!("section {}, {which}", section.number),
                value_mm: local.size_mm,
                at: Some(local.at),
            });
        }
    }
    let want = "opposite points all round";
    all.operators.push(enough(counted, sections.len(), section_mm, want)?);
    all.operators.push(("centre", "of the section's least-squares circle".into()));
    Ok(all)
}

/// The smallest and the largest diameter of a section; `None` where too few of its points have an opposite.
fn diameters(points: &[Point], section: &Section, fit: &CircleFit) -> Option<[Local; 2]> {
    let mut polar: Vec<(f64, f64, usize)> = section
        .flat
        .iter()
        .zip(&section.members)
        .map(|(p, &index)| {
            let (x, y) = (p.x - fit.centre.x, p.y - fit.centre.y);
            (math::atan2(y, x), (x * x + y * y).sqrt(), index)
        })
        .collect();
    polar.sort_unstable_by(|a, b| a.0.total_cmp(&b.0).then(a.2.cmp(&b.2)));
    let n = polar.len();
    let mut sizes = Sizes::default();
    let mut paired = 0;
    for &(turn, radius, index) in &polar {
        let opposite = if turn > 0.0 { turn - PI } else { turn + PI };
        let next = polar.partition_point(|p| p.0 < opposite);
        let after = polar[next % n];
        let before = polar[(next + n - 1) % n];
        let to_after = after.0 + if next == n { TAU } else { 0.0 } - opposite;
        let from_before = opposite - before.0 + if next == 0 { TAU } else { 0.0 };
        let gap = to_after + from_before;
        if !(gap <= WIDEST_RAD) {
            continue;
        }
        let share = if gap > 0.0 { from_before / gap } else { 0.0 };
        paired += 1;
        sizes.add(Local { size_mm: radius + before.1 + share * (after.1 - before.1), at: points[index] });
    }
    sizes.ends.filter(|_| paired_enough(paired, n))
}

/// Local diameters of a sphere, through the centre of its least-squares sphere.
pub(super) fn of_sphere(
    run: &Run,
    points: &[Point],
    fit: &SphereFit,
    section_mm: f64,
) -> Result<Sizes, RuleError> {
    thick_enough(section_mm)?;
    let grid = PointGrid::new(points, section_mm);
    let mut all = Sizes::default();
    let mut paired = 0;
    let mut near = Vec::new();
    for (i, p) in points.iter().enumerate() {
        if i % CHECK_EVERY == 0 {
            run.check()?;
        }
        let Some(out) = Direction::new(p - fit.centre) else { continue };
        let opposite = fit.centre - out.vector() * fit.radius_mm;
        let (a, b) = out.frame();
        near.clear();
        grid.within(&opposite, NEAR * section_mm, |j, _| {
            let q = &points[j as usize];
            let off = q - opposite;
            near.push([off.dot(&a), off.dot(&b), (q - fit.centre).norm()]);
        });
        let Some(radius) = at_origin(&near, section_mm) else { continue };
        paired += 1;
        all.add(Local { size_mm: (p - fit.centre).norm() + radius, at: *p });
    }
    most_of_them(paired, points.len())?;
    all.operators.push(("centre", "of the least-squares sphere".into()));
    all.operators.push(("opposite point", format!("interpolated within {} mm", NEAR * section_mm)));
    Ok(all)
}

/// Local widths between two flanks, square to their common least-squares direction.
pub(super) fn of_flanks(
    run: &Run,
    [upper, lower]: [&[Point]; 2],
    planes: &ParallelPlanes,
    section_mm: f64,
) -> Result<Sizes, RuleError> {
    thick_enough(section_mm)?;
    let (a, b) = planes.normal.frame();
    let n = planes.normal.vector();
    let seen = |points: &[Point]| -> (Vec<Point>, Vec<f64>) {
        let off = |p: &Point| -> Vector { p - planes.about };
        (
            points.iter().map(|p| Point::new(off(p).dot(&a), off(p).dot(&b), 0.0)).collect(),
            points.iter().map(|p| off(p).dot(&n)).collect(),
        )
    };
    let sides = [(upper, seen(upper)), (lower, seen(lower))];
    let mut all = Sizes::default();
    let mut most_paired = (0, 1);
    for (own, other) in [(0, 1), (1, 0)] {
        let (points, (places, heights)) = &sides[own];
        let (_, (far_places, far_heights)) = &sides[other];
        let grid = PointGrid::new(far_places, section_mm);
        let mut near = Vec::new();
        let mut paired = 0;
        for (i, place) in places.iter().enumerate() {
            if i % CHECK_EVERY == 0 {
                run.check()?;
            }
            near.clear();
            grid.within(place, NEAR * section_mm, |j, _| {
                let off = far_places[j as usize] - place;
                near.push([off.x, off.y, far_heights[j as usize]]);
            });
            let Some(height) = at_origin(&near, section_mm) else { continue };
            paired += 1;
            let size_mm = if own == 0 { heights[i] - height } else { height - heights[i] };
            all.add(Local { size_mm, at: points[i] });
        }
        if paired * most_paired.1 > most_paired.0 * points.len() {
            most_paired = (paired, points.len());
        }
    }
    // A flank may be longer than the other; the shorter one must be met.
    most_of_them(most_paired.0, most_paired.1)?;
    all.operators.push(("direction", "of the two least-squares parallel planes".into()));
    all.operators.push(("opposite point", format!("interpolated within {} mm", NEAR * section_mm)));
    Ok(all)
}

/// Whether three quarters of the points have an opposite: what lies opposite nothing may be any size. Our own choice.
fn paired_enough(paired: usize, points: usize) -> bool {
    4 * paired >= 3 * points
}

fn most_of_them(paired: usize, points: usize) -> Result<(), RuleError> {
    if paired_enough(paired, points) {
        return Ok(());
    }
    Err(RuleError::Missing(format!(
        "{paired} of {points} points have others opposite them, three quarters must; measure more of both sides, or closer"
    )))
}

/// Neighbours of an opposite place are looked for this far, in thicknesses of a section: with a section of one to two
/// spacings some seven to thirty.
const NEAR: f64 = 1.5;

/// The value at the origin of a surface through points (x, y, value): the plane of least squares with weights by the
/// inverse square of the distance, so that it goes through a point that lies there (Shepard's weights, Proc. ACM
/// National Conference, 1968; with planes: McLain, Computer J. 17, 1974; from memory). Where the points do not surround
/// the origin, the nearest within half a section stands for it.
fn at_origin(near: &[[f64; 3]], section_mm: f64) -> Option<f64> {
    let mut nearest = (f64::INFINITY, 0.0);
    for p in near {
        let d2 = p[0] * p[0] + p[1] * p[1];
        if d2 < nearest.0 {
            nearest = (d2, p[2]);
        }
    }
    if nearest.0 < 1e-18 * section_mm * section_mm {
        return Some(nearest.1);
    }
    if near.len() >= 3
        && surrounded(near)
        && let Some(value) = plane_at_origin(near)
    {
        return Some(value);
    }
    (nearest.0 <= 0.25 * section_mm * section_mm).then_some(nearest.1)
}

fn plane_at_origin(near: &[[f64; 3]]) -> Option<f64> {
    let mut s = [0.0; 8];
    let about = near[0][2];
    for [x, y, v] in near {
        let w = 1.0 / (x * x + y * y);
        let v = v - about;
        for (total, term) in s.iter_mut().zip([1.0, *x, *y, x * x, x * y, y * y, v, 0.0]) {
            *total += w * term;
        }
        s[7] += w * y * v;
    }
    let xv: f64 = near.iter().map(|[x, y, v]| x * (v - about) / (x * x + y * y)).sum();
    let (w, xm, ym) = (s[0], s[1] / s[0], s[2] / s[0]);
    let (xx, xy, yy) = (s[3] - w * xm * xm, s[4] - w * xm * ym, s[5] - w * ym * ym);
    let (xv, yv) = (xv - xm * s[6], s[7] - ym * s[6]);
    let det = xx * yy - xy * xy;
    if !(det > 1e-6 * (xx + yy) * (xx + yy)) {
        return None;
    }
    let slope = [(xv * yy - yv * xy) / det, (yv * xx - xv * xy) / det];
    let value = about + s[6] / w - slope[0] * xm - slope[1] * ym;
    value.is_finite().then_some(value)
}

/// Whether the origin lies within the hull of places, seen in x and y.
fn surrounded(near: &[[f64; 3]]) -> bool {
    // Rises with the turn from -2 to 2; no trigonometry.
    let turn = |p: &[f64; 3]| {
        let t = p[1] / (p[0].abs() + p[1].abs());
        if p[0] >= 0.0 { t } else { 2.0f64.copysign(p[1]) - t }
    };
    let mut order: Vec<(f64, usize)> = near.iter().enumerate().map(|(i, p)| (turn(p), i)).collect();
    order.sort_unstable_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
    (0..order.len()).all(|k| {
        let (p, q) = (&near[order[k].1], &near[order[(k + 1) % order.len()].1]);
        let cross = p[0] * q[1] - p[1] * q[0];
        let dot = p[0] * q[0] + p[1] * q[1];
        // Less than half a turn further, or the same way.
        cross > 0.0 || (dot > 0.0 && cross.abs() <= 1e-12 * dot)
    })
}

#[cfg(test)]
#[path = "two_point_tests.rs"]
mod tests;
