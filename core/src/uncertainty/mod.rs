//! Uncertainty: the budget of each value, and the two ways of the guide to what inputs do to a result.
//!
//! By formula: JCGM 100:2008, its derivatives taken as differences ([`propagate`]). By seeded trials: JCGM 101:2008
//! ([`monte_carlo`]). What cannot be negative has intervals of its own ([`Offset`]). What is stated of a scan or of points
//! ([`Conditions`]) makes one vector of inputs for all that is evaluated on them ([`Inputs`]).

mod budget;
mod conditions;
mod day;
mod distribution;
mod inputs;
mod monte_carlo;
mod offset;
mod propagation;
mod student;
mod temperature;
mod validity;

pub use budget::{Budget, Source};
pub use conditions::{Conditions, InstrumentErrors, MeshHistory, Restraint, SurfaceClass};
pub use day::Day;
pub use distribution::Distribution;
pub use inputs::{Effect, Inputs};
pub use monte_carlo::{Simulated, Trials, monte_carlo, numerical_tolerance};
pub use offset::Offset;
pub use propagation::{Input, Propagated, propagate};
pub use student::{student_cdf, student_quantile};
pub use temperature::{Expansion, REFERENCE_C};
pub use validity::{Elsewhere, Validity, Verified};

use crate::geometry::{Direction, Point, Vector};

/// Standard uncertainty, along `direction` at the place `at`, of a motion whose covariance is given for
/// (turn about x, y, z through `centre`, rad; shift along x, y, z, mm).
pub fn of_motion(covariance: &[[f64; 6]; 6], centre: Point, at: Point, direction: Direction) -> f64 {
    let n = direction.vector();
    let turn = (at - centre).cross(&n);
    let row = [turn.x, turn.y, turn.z, n.x, n.y, n.z];
    let mut variance = 0.0;
    for i in 0..6 {
        for j in 0..6 {
            variance += row[i] * covariance[i][j] * row[j];
        }
    }
    variance.max(0.0).sqrt()
}

/// Covariance of the displacements of a place along two directions, mm2, for a motion as in [`of_motion`].
pub fn across_of_motion(
    covariance: &[[f64; 6]; 6],
    centre: Point,
    at: Point,
    directions: [Vector; 2],
) -> [[f64; 2]; 2] {
    let rows = directions.map(|n| {
        let turn = (at - centre).cross(&n);
        [turn.x, turn.y, turn.z, n.x, n.y, n.z]
    });
    let mut found = [[0.0; 2]; 2];
    for (a, row) in found.iter_mut().enumerate() {
        for (b, entry) in row.iter_mut().enumerate() {
            for i in 0..6 {
                for j in 0..6 {
                    *entry += rows[a][i] * covariance[i][j] * rows[b][j];
                }
            }
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_turn_counts_with_its_lever() {
        let mut c = [[0.0; 6]; 6];
        c[2][2] = 1e-6; // 1 mrad about z
        c[3][3] = 0.01 * 0.01;
        let u = of_motion(&c, Point::origin(), Point::new(0.0, 10.0, 0.0), Direction::X);
        assert!((u - (0.01f64 * 0.01 + 0.01 * 0.01).sqrt()).abs() < 1e-12);
        let both =
            across_of_motion(&c, Point::origin(), Point::new(3.0, 10.0, 0.0), [Vector::x(), Vector::y()]);
        // Turned by w the place moves by (-10 w, 3 w).
        for (found, told) in both.iter().flatten().zip([1e-4 + 1e-4, -3e-5, -3e-5, 9e-6]) {
            assert!((found - told).abs() < 1e-15, "{both:?}");
        }
    }
}
