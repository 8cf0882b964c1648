//! Steps from a start towards the surface: first on the table, then on the exact surface.
//!
//! Every step solves the 6 x 6 normal equations of the distances along their gradients: the normal
//! inside a face (Chen and Medioni, Image and Vision Computing 10(3), 1992), the direction to the
//! border for a point beyond it, so that trimmed edges and rims pull too (distance-field descent as in
//! Fitzgibbon, Image and Vision Computing 21, 2003). Far points weigh less and beyond the reach nothing
//! (Tukey's weight), and the reach shrinks from step to step.

use super::distance_field::DistanceField;
use super::sample::Cloud;
use crate::geometry::{Aabb, Cholesky, Direction, Motion, PartFrame, Point, ScanFrame, TriangleMesh, Vector};
use crate::search::SurfaceTree;

/// Where a scan may lie.
pub(super) type Pose = Motion<PartFrame, ScanFrame>;

/// Distance from a point to the surface and its gradient.
struct Gap {
    mm: f64,
    along: Vector,
}

/// What the surface is looked up in.
pub(super) trait Surface: Sync {
    /// The gap from `q`, whose normal (if known) is `normal`; `None` beyond `reach_mm`.
    fn gap(&self, q: &Point, normal: Option<&Vector>, reach_mm: f64) -> Option<(f64, Vector)>;
}

impl Surface for DistanceField {
    #[inline]
    fn gap(&self, q: &Point, normal: Option<&Vector>, reach_mm: f64) -> Option<(f64, Vector)> {
        let s = self.near(q, normal)?;
        let r = q - s.point;
        let across = s.normal.dot(&r);
        let aside = (r - s.normal * across).norm();
        // The sample stands for the surface within about a cell of it; only further aside is it a border.
        let slack = 1.5 * self.cell_mm();
        let (mm, along) = if aside <= slack {
            (across.abs(), s.normal * across.signum())
        } else {
            let length = r.norm();
            (length - slack.min(length), r / length)
        };
        (mm <= reach_mm).then_some((mm, along))
    }
}

/// The exact surface; with normals only where it faces the same way.
pub(super) struct Exact<'a> {
    pub(super) mesh: &'a TriangleMesh,
    pub(super) tree: &'a SurfaceTree,
}

/// A surface turned by more than 60 degrees from a point's normal is another face: room for noisy
/// normals, rounded edges and holes' facets, and still apart from a wall at a right angle.
pub(super) const SAME_SIDE: f64 = 0.5;

impl Exact<'_> {
    /// Distance to the surface facing the same way, `None` beyond `reach_mm`.
    pub(super) fn distance(&self, q: &Point, normal: Option<&Vector>, reach_mm: f64) -> Option<f64> {
        self.foot(q, normal, reach_mm).map(|f| f.distance)
    }

    fn foot(&self, q: &Point, normal: Option<&Vector>, reach_mm: f64) -> Option<crate::geometry::Foot> {
        match normal.and_then(|n| Direction::new(*n)) {
            Some(n) => self.tree.nearest_facing(q, n, SAME_SIDE, reach_mm),
            None => self.tree.nearest(q, reach_mm),
        }
    }
}

impl Surface for Exact<'_> {
    fn gap(&self, q: &Point, normal: Option<&Vector>, reach_mm: f64) -> Option<(f64, Vector)> {
        let foot = self.foot(q, normal, reach_mm)?;
        let r = q - foot.point;
        // On the surface (to rounding) the vector to the foot has no direction, the face has.
        let along =
            if foot.distance > 1e-7 { r / foot.distance } else { self.mesh.normal(foot.triangle)?.vector() };
        Some((foot.distance, along))
    }
}

/// The frame in which steps are solved: turns about the part's middle, and scaled by its size so that
/// all six unknowns are lengths.
#[derive(Clone, Copy, Debug)]
pub(super) struct Middle {
    pub(super) centre: Point,
    pub(super) radius_mm: f64,
}

impl Middle {
    pub(super) fn of(bounds: &Aabb) -> Self {
        Self { centre: bounds.centre(), radius_mm: (0.5 * bounds.diagonal()).max(1e-6) }
    }

    /// The pose after a step of six lengths: turn (times the radius), then shift.
    pub(super) fn moved(&self, pose: &Pose, step: &[f64; 6]) -> Pose {
        let turn = Vector::new(step[0], step[1], step[2]) / self.radius_mm;
        let shift = Vector::new(step[3], step[4], step[5]);
        Motion::<PartFrame, PartFrame>::turn_about(self.centre, turn, shift) * *pose
    }
}

/// The normal equations of one step, and how well the pose explains the points.
pub(super) struct Equations {
    pub(super) matrix: [[f64; 6]; 6],
    right: [f64; 6],
    /// Mean of Tukey's loss over all points, 0 (all on the surface) to 1 (none within reach).
    pub(super) loss: f64,
}

/// Sums the equations of the points taken by `pose`.
pub(super) fn equations(
    surface: &impl Surface,
    cloud: &Cloud,
    pose: &Pose,
    middle: &Middle,
    reach_mm: f64,
) -> Equations {
    let mut matrix = [[0.0; 6]; 6];
    let mut right = [0.0; 6];
    let mut loss = 0.0;
    for (i, p) in cloud.points.iter().enumerate() {
        let q = pose.point(p);
        let normal = cloud.normal(i).map(|n| pose.vector(&n.vector()));
        let Some(gap) = surface.gap(&q, normal.as_ref(), reach_mm).map(|(mm, along)| Gap { mm, along })
        else {
            loss += 1.0;
            continue;
        };
        let inside = 1.0 - (gap.mm / reach_mm) * (gap.mm / reach_mm);
        loss += 1.0 - inside * inside * inside;
        let weight = inside * inside;
        let lever = (q - middle.centre) / middle.radius_mm;
        let turn = lever.cross(&gap.along);
        let row = [turn.x, turn.y, turn.z, gap.along.x, gap.along.y, gap.along.z];
        for a in 0..6 {
            let wa = weight * row[a];
            for b in 0..=a {
                matrix[a][b] += wa * row[b];
            }
            right[a] -= wa * gap.mm;
        }
    }
    let matrix = std::array::from_fn(|a| std::array::from_fn(|b| matrix[a.max(b)][a.min(b)]));
    Equations { matrix, right, loss: loss / cloud.points.len().max(1) as f64 }
}

/// The step that solves the equations, slightly damped: a freedom without information stays put.
fn solve(e: &Equations, damping: f64) -> Option<[f64; 6]> {
    let mut damped = e.matrix;
    let trace: f64 = (0..6).map(|a| damped[a][a]).sum();
    for (a, row) in damped.iter_mut().enumerate() {
        row[a] += damping * trace / 6.0;
    }
    Cholesky::new(&damped).map(|c| c.solve(&e.right))
}

/// One pass of steps: the reach goes from `from_mm` to `to_mm` in even ratios.
#[derive(Clone, Copy, Debug)]
pub(super) struct Descent {
    pub(super) from_mm: f64,
    pub(super) to_mm: f64,
    pub(super) steps: usize,
    /// After these, steps at the last reach until they are shorter than this (at most `steps` more).
    pub(super) still_mm: f64,
}

/// Descends from `pose` and returns the pose with its loss at the last reach.
pub(super) fn descend(
    surface: &impl Surface,
    cloud: &Cloud,
    start: &Pose,
    middle: &Middle,
    descent: &Descent,
) -> (Pose, f64) {
    let mut pose = *start;
    let ratio = descent.to_mm / descent.from_mm;
    for n in 0..2 * descent.steps {
        let t = if descent.steps > 1 { n as f64 / (descent.steps - 1) as f64 } else { 1.0 };
        let reach = if t >= 1.0 {
            descent.to_mm
        } else {
            descent.from_mm * crate::geometry::math::exp(t * crate::geometry::math::ln(ratio))
        };
        let e = equations(surface, cloud, &pose, middle, reach);
        let Some(mut step) = solve(&e, 1e-6) else { break };
        let length = step.iter().map(|s| s * s).sum::<f64>().sqrt();
        if !length.is_finite() {
            break;
        }
        // No step leaves the neighbourhood its equations know about.
        let most = (2.0 * reach).min(0.5 * middle.radius_mm);
        if length > most {
            step = step.map(|s| s * most / length);
        }
        pose = middle.moved(&pose, &step).orthonormalised();
        if t >= 1.0 && length < descent.still_mm {
            break;
        }
    }
    let loss = equations(surface, cloud, &pose, middle, descent.to_mm).loss;
    (pose, loss)
}

/// How far apart two poses put the part: the largest displacement of the corners of its box.
pub(super) fn apart_mm(a: &Pose, b: &Pose, bounds: &Aabb) -> f64 {
    let relative: Motion<PartFrame, PartFrame> = *a * b.inverse();
    bounds.corners().iter().map(|c| (relative.point(c) - c).norm()).fold(0.0, f64::max)
}
