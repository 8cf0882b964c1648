//! Residuals of targets along their locks and how they change when the part moves.

use super::{Axis, Six, Target, TargetError, TargetMeasured};
use crate::geometry::{Motion, PartFrame, Point, ScanFrame, Vector, math};

/// One lock of one target at a state of the alignment.
pub(super) struct Row {
    /// Index of the target.
    pub(super) target: usize,
    /// The axis; `None`: the target's own direction.
    pub(super) lock: Option<Axis>,
    /// Measured less nominal along the lock, mm.
    pub(super) residual: f64,
    /// Its derivatives by shift and by turn about the centre times spread.
    pub(super) by: Six,
    /// What the lock takes of the part's motion: the shift of its place along the lock. On a surface that slopes
    /// against its lock `by` has more: a part that slides shows another height there, but is not held.
    pub(super) holds: Six,
    /// Change of the residual when the surface moves along its normal by 1 (1 where there is no normal).
    pub(super) by_normal: f64,
    /// Weight in its stage.
    pub(super) weight: f64,
}

/// Least cosine between lock and normal: a surface within six degrees of its lock holds nothing there, since an
/// error along the normal counts tenfold (common practice, no source).
const LEAST_COSINE: f64 = 0.1;

/// The rows of all targets, in order.
pub(super) fn rows(
    targets: &[Target],
    measured: &[TargetMeasured],
    motion: &Motion<PartFrame, ScanFrame>,
    centre: Point,
    spread: f64,
) -> Result<Vec<Row>, TargetError> {
    let mut found = Vec::new();
    for (index, (target, seen)) in targets.iter().zip(measured).enumerate() {
        let point = motion.point(&seen.point);
        let off = point - target.nominal;
        let arm = point - centre;
        let locks: Vec<Option<Axis>> = if target.locks.is_empty() {
            vec![None]
        } else {
            target.locks.iter().copied().map(Some).collect()
        };
        for lock in locks {
            let along = lock.map_or(target.direction, Axis::direction).vector();
            let (residual, shift, turn, by_normal) = match seen.normal {
                None => (along.dot(&off), along, arm.cross(&along), 1.0),
                Some(normal) => {
                    // The line through the nominal place along the lock meets the tangent plane at t:
                    // t = m.(p - q) / (m.e). Turned by w and shifted by s the plane's foot and normal move:
                    // dt = (m.s + w.((p - c) x m) + w.(m x (p - q - t e))) / (m.e).
                    let m = motion.direction(normal).vector();
                    let cosine = m.dot(&along);
                    if !(cosine.abs() >= LEAST_COSINE) {
                        let degrees = 90.0 - math::acos(cosine.abs()).to_degrees();
                        return Err(TargetError::Grazing { index, degrees });
                    }
                    let t = m.dot(&off) / cosine;
                    let turn: Vector = arm.cross(&m) + m.cross(&(off - along * t));
                    (t, m / cosine, turn / cosine, 1.0 / cosine)
                }
            };
            let turn = turn / spread;
            let lever = arm.cross(&along) / spread;
            found.push(Row {
                target: index,
                lock,
                residual,
                by: [shift.x, shift.y, shift.z, turn.x, turn.y, turn.z],
                holds: [along.x, along.y, along.z, lever.x, lever.y, lever.z],
                by_normal,
                weight: target.weight,
            });
        }
    }
    Ok(found)
}
