//! What a datum system leaves the part to move: freely, or within the boundary of a datum at a material condition.

use crate::geometry::{Twist, Vector};
use crate::plan::Condition;

use super::holds::Loosened;
use super::targets::TargetAlignment;

/// A datum at a material condition (ISO 2692:2021, ISO 5459:2011): established regardless of size, and loose as long as
/// its feature keeps its boundary.
#[derive(Clone, Debug, PartialEq)]
pub struct Loose {
    /// Index of the datum feature in the plan.
    pub feature: usize,
    /// Size of its boundary, mm.
    pub boundary_mm: f64,
    /// Maximum or least material.
    pub condition: Condition,
    /// The motions about the alignment's centre that the datum locked, all other datums keeping theirs: orthogonal,
    /// each of 1 mm at the spread of the part.
    pub twists: Vec<Twist>,
}

/// Every feature of every loose datum; features of one datum are loose together.
pub(super) fn loose(solved: &TargetAlignment, loosened: &[Loosened], lever_mm: f64) -> Vec<Loose> {
    let mut all = Vec::new();
    for one in loosened {
        let stage = solved.stages.iter().find(|s| s.stage == one.stage);
        let twists = orthogonal(stage.map_or(&[][..], |s| &s.loosened), lever_mm);
        all.extend(one.features.iter().map(|&feature| Loose {
            feature,
            boundary_mm: one.boundary_mm,
            condition: one.condition,
            twists: twists.clone(),
        }));
    }
    all
}

/// An orthogonal basis of a span of motions, each of 1 mm at a distance of `lever_mm` from the centre: the targets'
/// own spread is none where they lie in one place.
pub(super) fn orthogonal(twists: &[Twist], lever_mm: f64) -> Vec<Twist> {
    let mut basis: Vec<(Vector, Vector)> = Vec::new();
    let dot = |a: &(Vector, Vector), b: &(Vector, Vector)| a.0.dot(&b.0) + a.1.dot(&b.1);
    for twist in twists {
        let mut one = (twist.shift, twist.turn * lever_mm);
        let size = dot(&one, &one).sqrt();
        one = (one.0 / size, one.1 / size);
        for _ in 0..2 {
            for b in &basis {
                let along = dot(&one, b);
                one = (one.0 - b.0 * along, one.1 - b.1 * along);
            }
        }
        let size = dot(&one, &one).sqrt();
        if size > 1e-9 {
            basis.push((one.0 / size, one.1 / size));
        }
    }
    basis.into_iter().map(|(shift, turn)| Twist { turn: turn / lever_mm, shift }).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::Point;

    #[test]
    fn a_span_of_motions_stays_one_whatever_the_lever() {
        let twists = [
            Twist { turn: Vector::zeros(), shift: Vector::x() },
            Twist { turn: Vector::z(), shift: Vector::new(0.3, 2.0, 0.0) },
        ];
        let found = orthogonal(&twists, 50.0);
        assert_eq!(found.len(), 2);
        assert_eq!(found[0].shift, Vector::x());
        // The second without its shift along x: a turn about the same line, of 1 mm at the lever.
        let pole = Point::new(-2.0, 0.0, 0.0);
        assert!(found[1].at(Point::origin(), &pole).norm() < 1e-12, "{found:?}");
        let size = found[1].shift.norm_squared() + (found[1].turn * 50.0).norm_squared();
        assert!((size - 1.0).abs() < 1e-12);
        assert!(orthogonal(&[twists[0], twists[0]], 50.0).len() == 1);
    }
}
