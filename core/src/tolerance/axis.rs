//! The straight axis of a hole, cylinder or cone over the depth that was measured, and the centre of a ball.

use super::{RuleError, Surface};
use crate::associate::{
    Criterion, FitError, circle, circle_by, cone, cylinder, cylinder_by, sphere, sphere_by,
};
use crate::geometry::{Direction, Point, Vector};
use crate::plan::{Situation, StandardSystem};
use crate::run::{CHECK_EVERY, Run};

/// An axis that turns further than this from its nominal direction belongs to another feature: cosine of 60 degrees.
const LEAST_COS: f64 = 0.5;

/// What a round feature is associated with.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Of {
    /// The least-squares shape.
    LeastSquares,
    /// The largest that its material surrounds, or the smallest that surrounds the material.
    MatingEnvelope,
    /// The smallest about a hole, the largest within a shaft: all within the material.
    MaterialEnvelope,
}

impl Of {
    /// That of a location regardless of size: ISO 1101:2017 speaks of the extracted median line, for which its straight
    /// associated axis stands here; ASME Y14.5-2018 of the axis of the unrelated actual mating envelope (from memory).
    pub(super) fn regardless(standard: StandardSystem) -> Self {
        match standard {
            StandardSystem::Iso => Self::LeastSquares,
            StandardSystem::Asme => Self::MatingEnvelope,
        }
    }

    fn criterion(self, hollow: bool) -> Criterion {
        match (self, hollow) {
            (Self::LeastSquares, _) => Criterion::LeastSquares,
            (Self::MatingEnvelope, true) | (Self::MaterialEnvelope, false) => Criterion::MaximumInscribed,
            (Self::MatingEnvelope, false) | (Self::MaterialEnvelope, true) => Criterion::MinimumCircumscribed,
        }
    }
}

/// A round feature as its nominal is: place, direction, and whether the material is around it.
#[derive(Clone, Copy, Debug)]
pub(super) struct Round {
    pub(super) at: Point,
    pub(super) axis: Direction,
    pub(super) hollow: bool,
    cone: bool,
}

impl Round {
    /// `None` of what has no axis.
    pub(super) fn of(situation: &Situation) -> Option<Self> {
        match *situation {
            Situation::Hole { at, axis, .. } => Some(Self { at, axis, hollow: true, cone: false }),
            Situation::Cylinder { at, axis, hollow, .. } => Some(Self { at, axis, hollow, cone: false }),
            Situation::Cone { at, axis, hollow, .. } => Some(Self { at, axis, hollow, cone: true }),
            _ => None,
        }
    }
}

/// A straight axis, clipped to the measured depth.
#[derive(Clone, Debug)]
pub(super) struct StraightAxis {
    /// Its ends, the first at the lower height along the nominal axis, mm.
    pub(super) ends: [Point; 2],
    /// Along it, to the second end.
    pub(super) along: Direction,
    /// Diameter of what was associated, mm; a cone has none.
    pub(super) diameter_mm: Option<f64>,
    /// By what, for the record.
    pub(super) how: String,
}

impl StraightAxis {
    /// Middle of the depth, mm.
    pub(super) fn middle(&self) -> Point {
        nalgebra::center(&self.ends[0], &self.ends[1])
    }
}

/// Associates the axis of a round feature. With a `fixed` direction (a wall shorter than its diameter does not tell its
/// own) it is the circle seen along that.
///
/// # Errors
/// Those of the association; [`RuleError::Missing`] where the axis turns more than 60 degrees from the nominal's.
pub(super) fn straight_axis(
    run: &Run,
    surface: &Surface,
    round: &Round,
    fixed: Option<Direction>,
    of: Of,
) -> Result<StraightAxis, RuleError> {
    let points = surface.points.as_slice();
    let criterion = of.criterion(round.hollow);
    let (at, along, diameter_mm, how) = if round.cone {
        let fit = cone(points)?;
        (fit.point, fit.axis, None, "least squares cone".to_string())
    } else if let Some(fixed) = fixed {
        let least = || circle(points, fixed).map(|fit| (fit.centre, fit.diameter_mm()));
        let extreme = || {
            let fit = circle_by(run, criterion, points, fixed)?.shape;
            Ok((fit.centre, 2.0 * fit.radius_mm))
        };
        let ((at, diameter), how) = or_least_squares(criterion, extreme, least)?;
        (at, fixed, Some(diameter), format!("{how}, in projection along a given axis"))
    } else {
        let least = || cylinder(points).map(|fit| (fit.point, fit.axis, fit.diameter_mm()));
        let extreme = || {
            let fit = cylinder_by(run, criterion, points)?.shape;
            Ok((fit.point, fit.axis, 2.0 * fit.radius_mm))
        };
        let ((at, axis, diameter), how) = or_least_squares(criterion, extreme, least)?;
        (at, axis, Some(diameter), how)
    };
    let nominal = round.axis.vector();
    let cos = along.vector().dot(&nominal);
    if !(cos.abs() >= LEAST_COS) {
        return Err(RuleError::Missing(
            "the associated axis turns more than 60 degrees from the nominal; measure more of the depth, or fix the axis"
                .into(),
        ));
    }
    let (along, cos) = if cos < 0.0 { (along.reversed(), -cos) } else { (along, cos) };
    let [low, high] = match surface.wall_mm {
        Some(wall) => wall,
        None => extent(run, points, round.at, nominal)?,
    };
    let height = nominal.dot(&(at - round.at));
    let end = |h: f64| at + along.vector() * ((h - height) / cos);
    Ok(StraightAxis { ends: [end(low), end(high)], along, diameter_mm, how })
}

/// The centre of a ball, its diameter, mm, and by what.
pub(super) fn centre(
    run: &Run,
    points: &[Point],
    hollow: bool,
    of: Of,
) -> Result<(Point, f64, String), RuleError> {
    let criterion = of.criterion(hollow);
    let least = || sphere(points).map(|fit| (fit.centre, fit.diameter_mm()));
    let extreme = || {
        let fit = sphere_by(run, criterion, points)?.shape;
        Ok((fit.centre, 2.0 * fit.radius_mm))
    };
    let ((centre, diameter), how) = or_least_squares(criterion, extreme, least)?;
    Ok((centre, diameter, how))
}

/// By the criterion; where the points leave that open, by least squares, which is told.
fn or_least_squares<T>(
    criterion: Criterion,
    extreme: impl FnOnce() -> Result<T, FitError>,
    least: impl FnOnce() -> Result<T, FitError>,
) -> Result<(T, String), RuleError> {
    if criterion == Criterion::LeastSquares {
        return Ok((least()?, criterion.to_string()));
    }
    match extreme() {
        Ok(found) => Ok((found, criterion.to_string())),
        Err(FitError::Undetermined { .. } | FitError::NotSettled { .. }) => {
            Ok((least()?, format!("least squares ({criterion} is left open by the points)")))
        }
        Err(other) => Err(other.into()),
    }
}

/// Smallest and largest height of points along a direction, mm.
pub(super) fn extent(run: &Run, points: &[Point], at: Point, along: Vector) -> Result<[f64; 2], RuleError> {
    let mut range = [f64::INFINITY, f64::NEG_INFINITY];
    for chunk in points.chunks(CHECK_EVERY) {
        run.check()?;
        for p in chunk {
            let h = along.dot(&(p - at));
            range = [range[0].min(h), range[1].max(h)];
        }
    }
    Ok(range)
}

/// The surface that a rule is given, or why it cannot work: as many points as normals and deviations, at least `least`,
/// all finite.
pub(super) fn surface(surfaces: &[Surface], index: usize, least: usize) -> Result<&Surface, RuleError> {
    let Some(surface) = surfaces.get(index) else {
        return Err(RuleError::Missing(format!(
            "the rule looks at feature {}, and {} were given",
            index + 1,
            surfaces.len()
        )));
    };
    let n = surface.points.len();
    if n < least {
        return Err(RuleError::Missing(format!(
            "the feature has {n} points and needs {least} or more; measure more of it"
        )));
    }
    if surface.normals.len() != n || surface.deviations_mm.len() != n {
        return Err(RuleError::Missing("points without a normal and a deviation each".into()));
    }
    let good = |v: f64| v.is_finite() && v.abs() <= 1e9;
    let at = surface.points.iter().position(|p| !p.iter().all(|&c| good(c)));
    if let Some(index) = at.or_else(|| surface.deviations_mm.iter().position(|&d| !good(d))) {
        return Err(FitError::NotFinite { index }.into());
    }
    Ok(surface)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::run::quiet;
    use crate::tolerance::location_samples::{bore, hole_situation};

    #[test]
    fn the_axis_ends_where_the_measured_depth_ends() {
        let slope = Vector::new(0.01, -0.02, 1.0);
        let at = Point::new(10.0, 20.0, 0.0);
        let wall = bore(at, slope, 8.0, [-5.0, 15.0]);
        let round = Round::of(&hole_situation(at)).unwrap();
        for of in [Of::LeastSquares, Of::MatingEnvelope, Of::MaterialEnvelope] {
            let axis = straight_axis(&quiet(), &wall, &round, None, of).unwrap();
            for (end, h) in axis.ends.iter().zip([-5.0, 15.0]) {
                assert!((end - (at + slope * h)).norm() < 1e-8, "{of:?} {end}");
            }
            assert!((axis.diameter_mm.unwrap() - 8.0).abs() < 1e-8);
            assert!((axis.middle() - (at + slope * 5.0)).norm() < 1e-8);
        }
        // Seen along z its centre is that of the middle of the depth.
        let flat = straight_axis(&quiet(), &wall, &round, Some(Direction::Z), Of::LeastSquares).unwrap();
        let truth = at + slope * 5.0;
        assert!((flat.ends[0].x - truth.x).abs() < 1e-3 && (flat.ends[0].y - truth.y).abs() < 1e-3);
        assert!(flat.along == Direction::Z);
    }

    #[test]
    fn half_a_wall_has_no_mating_envelope_and_says_so() {
        let at = Point::new(0.0, 0.0, 0.0);
        let mut wall = bore(at, Vector::z(), 8.0, [0.0, 10.0]);
        wall.points.retain(|p| p.x > 0.5);
        let round = Round::of(&hole_situation(at)).unwrap();
        let axis = straight_axis(&quiet(), &wall, &round, None, Of::MatingEnvelope).unwrap();
        assert!(axis.how.starts_with("least squares (maximum inscribed"), "{}", axis.how);
        let lying = Situation::Hole { at, axis: Direction::X, diameter_mm: None };
        let round = Round::of(&lying).unwrap();
        let refused = straight_axis(&quiet(), &wall, &round, None, Of::LeastSquares);
        assert!(matches!(refused, Err(RuleError::Missing(_))), "{refused:?}");
    }

    #[test]
    fn surfaces_that_are_not_whole_are_refused() {
        let wall = bore(Point::origin(), Vector::z(), 8.0, [0.0, 10.0]);
        assert!(surface(std::slice::from_ref(&wall), 0, 6).is_ok());
        assert!(matches!(surface(&[], 0, 6), Err(RuleError::Missing(_))));
        let mut short = wall.clone();
        short.normals.pop();
        assert!(matches!(surface(&[short], 0, 6), Err(RuleError::Missing(_))));
        let mut bad = wall.clone();
        bad.deviations_mm[7] = f64::NAN;
        assert_eq!(surface(&[bad], 0, 6).unwrap_err(), FitError::NotFinite { index: 7 }.into());
        let mut bad = wall;
        bad.points[3].y = f64::INFINITY;
        assert_eq!(surface(&[bad], 0, 6).unwrap_err(), FitError::NotFinite { index: 3 }.into());
    }
}
