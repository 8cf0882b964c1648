//! Cylindricity (ISO 1101:2017, 17.5; from memory).

use super::form::Reference;
use super::subject::surface;
use super::{Found, Rule, RuleError, Surface};
use crate::associate::{Criterion, cylinder, cylinder_by};
use crate::run::Run;

/// Difference, mm, of the radii of the two coaxial cylinders that hold the surface: the least of all, or about the
/// axis of the least-squares cylinder.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Cylindricity {
    /// The reference cylinder.
    pub reference: Reference,
}

impl Rule for Cylindricity {
    fn measure(&self, run: &Run, surfaces: &[Surface]) -> Result<Found, RuleError> {
        run.check()?;
        let points = &surface(surfaces, 0)?.points;
        let (low, high) = match self.reference {
            Reference::MinimumZone => {
                let zone = cylinder_by(run, Criterion::MinimumZone, points)?;
                (zone.low, zone.high)
            }
            Reference::LeastSquares => {
                let fit = cylinder(points)?;
                (fit.low, fit.high)
            }
        };
        Ok(self.reference.found(points, low, high, "cylinder"))
    }
}
