//! The angle between two features, and the apex angle of a cone.

use super::placed::{Asked, Kind, Placed};
use super::subject::{Subject, surface};
use super::{Against, Found, Number, Rule, RuleError, Surface};
use crate::associate::cone;
use crate::plan::Situation;
use crate::run::Run;
use std::f64::consts::{FRAC_PI_2, PI};

/// The angle, rad, 0 to pi, between the least-squares planes, axes or middle planes of the surfaces of index 0 and 1 (of
/// a slot its length counts), or the apex angle of the cone of index 0.
///
/// Two features make two angles that add up to a half turn: that one is told which on the nominal is nearer to the
/// drawing's; at a right angle between two planes that through the material of an outer corner, between others that of
/// the nominal's own directions. Of a plane and an axis it is the angle between axis and plane.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Angle {
    /// The first feature, or the cone.
    pub from: Subject,
    /// The second; `None` for a cone's own.
    pub to: Option<Subject>,
    /// What the drawing says, rad.
    pub nominal_rad: f64,
}

impl Rule for Angle {
    fn measure(&self, run: &Run, surfaces: &[Surface]) -> Result<Found, RuleError> {
        run.check()?;
        let one = |value: f64, told: &str| Found {
            numbers: vec![Number { value, against: Against::Both, at: None }],
            operators: vec![("angle", told.to_string()), ("association", "least squares".into())],
            ..Found::default()
        };
        let first = surface(surfaces, 0)?;
        let Some(to) = self.to else {
            return match self.from.situation {
                Situation::Cone { .. } => Ok(one(cone(&first.points)?.apex_angle_rad(), "apex angle")),
                _ => Err(self.from.has_none("apex angle")),
            };
        };
        let nominal = [Placed::nominal(&self.from, Asked::Angle)?, Placed::nominal(&to, Asked::Angle)?];
        let measured = [
            Placed::measured(&self.from, first, Asked::Angle)?,
            Placed::measured(&to, surface(surfaces, 1)?, Asked::Angle)?,
        ];
        let [a, b] = angles(&nominal)?;
        // The first of equals, but for rounding.
        let other = (b - self.nominal_rad).abs() < (a - self.nominal_rad).abs() - 1e-9;
        let value = angles(&measured)?[usize::from(other)];
        Ok(one(value, &format!("between {} and {}", nominal[0].word, nominal[1].word)))
    }
}

/// Both angles that two features make, the one that counts at a right angle first.
fn angles(both: &[Placed; 2]) -> Result<[f64; 2], RuleError> {
    let [Some(a), Some(b)] = both.map(|p| p.direction) else {
        return Err(RuleError::Missing("a centre has no direction; ask the angle of another feature".into()));
    };
    let apart = a.angle_to(b);
    Ok(match both.map(|p| p.kind) {
        [Kind::Plane, Kind::Plane] => [PI - apart, apart],
        [Kind::Plane, _] | [_, Kind::Plane] => {
            let rise = (FRAC_PI_2 - apart).abs();
            [rise, PI - rise]
        }
        _ => [apart, PI - apart],
    })
}

#[cfg(test)]
#[path = "angle_tests.rs"]
mod tests;
