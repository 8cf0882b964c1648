//! Motions that targets leave, or would leave if a stage were loose.

use super::freedom::locked;
use super::{Order, Row, Six, dot, length};
use crate::geometry::{Point, Twist, Vector};

/// Scaled motions as twists about the centre, each of 1 mm at the spread.
pub(super) fn twists(motions: &[Six], spread: f64) -> Vec<Twist> {
    let twist = |z: &Six| Twist {
        turn: Vector::new(z[3], z[4], z[5]) / spread,
        shift: Vector::new(z[0], z[1], z[2]),
    };
    motions.iter().map(twist).collect()
}

/// What the part does when the residuals of one stage are let go and all other stages keep theirs: an orthonormal
/// basis of the answers to errors of its rows.
pub(super) fn loosened(order: &Order, stage: usize, all: &[Row], spread: f64) -> Option<Vec<Twist>> {
    let matrix = order.equations(all);
    let mut errors = vec![0.0; all.len()];
    let mut answers: Vec<Six> = Vec::new();
    let mut rows: Vec<usize> = order.0[stage].rows.iter().flat_map(|c| c.rows()).collect();
    rows.sort_unstable();
    rows.dedup();
    for r in rows {
        errors[r] = 1.0;
        answers.push(order.answer(all, &matrix, &errors)?);
        errors[r] = 0.0;
    }
    Some(twists(&orthonormal(answers, order.0[stage].held.len()), spread))
}

/// The first `most` orthonormal motions of a span, the largest remaining answer first.
fn orthonormal(mut span: Vec<Six>, most: usize) -> Vec<Six> {
    let mut basis: Vec<Six> = Vec::new();
    while basis.len() < most {
        let mut largest: Option<usize> = None;
        for i in 0..span.len() {
            if largest.is_none_or(|l| length(&span[i]) > length(&span[l])) {
                largest = Some(i);
            }
        }
        let Some(next) = largest.map(|l| span.swap_remove(l)) else { break };
        let size = length(&next);
        if !(size > 1e-9) {
            break;
        }
        let mut unit = next.map(|v| v / size);
        // Twice against rounding.
        for b in &basis {
            let along = dot(&unit, b);
            for k in 0..6 {
                unit[k] -= along * b[k];
            }
        }
        let size = length(&unit);
        let unit = unit.map(|v| v / size);
        for one in &mut span {
            let along = dot(one, &unit);
            for k in 0..6 {
                one[k] -= along * unit[k];
            }
        }
        basis.push(unit);
    }
    basis
}

/// Motions about a centre in words, as freedoms of the part; turns count at `lever_mm`.
pub(crate) fn named_motions(twists: &[Twist], centre: Point, lever_mm: f64) -> Vec<String> {
    let six: Vec<Six> = twists
        .iter()
        .map(|t| {
            let turn = t.turn * lever_mm;
            [t.shift.x, t.shift.y, t.shift.z, turn.x, turn.y, turn.z]
        })
        .collect();
    let named = locked(&[], &six, centre, lever_mm);
    named.into_iter().map(|f| f.code.map_or(f.words, str::to_owned)).collect()
}
