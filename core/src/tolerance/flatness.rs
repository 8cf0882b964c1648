//! Flatness (ISO 1101:2017, 17.3; from memory).

use super::form::Reference;
use super::subject::surface;
use super::{Found, Rule, RuleError, Surface};
use crate::associate::{minimum_zone_plane, plane};
use crate::run::Run;

/// Distance, mm, of the two parallel planes that hold the surface: the least of all, or along the normal of the
/// least-squares plane.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Flatness {
    /// The reference plane.
    pub reference: Reference,
}

impl Rule for Flatness {
    fn measure(&self, run: &Run, surfaces: &[Surface]) -> Result<Found, RuleError> {
        run.check()?;
        let seen = surface(surfaces, 0)?;
        let points = &seen.points;
        let (low, high, normal) = match self.reference {
            Reference::MinimumZone => {
                let zone = minimum_zone_plane(points)?;
                (zone.low, zone.high, zone.normal)
            }
            Reference::LeastSquares => {
                let fit = plane(points)?;
                (fit.low, fit.high, fit.normal)
            }
        };
        // Positive is out of the material, whichever way the plane was found.
        let (low, high) = match seen.normals.first() {
            Some(out) if out.dot(normal) < 0.0 => ((-high.0, high.1), (-low.0, low.1)),
            _ => (low, high),
        };
        Ok(self.reference.found(points, low, high, "plane"))
    }
}
