//! General tolerances of ISO 2768-1:1989 for lengths, broken edges and angles that carry none of their own.
//!
//! The two finest steps of class c are printed otherwise on one public page; here they are as in the standard, from
//! memory.

use super::file::GeneralTolerance;

/// Upper ends of the steps of nominal length, mm, from 0.5 on.
const UP_TO_MM: [f64; 8] = [3.0, 6.0, 30.0, 120.0, 400.0, 1000.0, 2000.0, 4000.0];

/// Below this the standard wants every deviation written beside its length.
const LEAST_MM: f64 = 0.5;

/// Why a length has no general tolerance.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum GeneralError {
    /// Shorter or longer than the table.
    #[error("ISO 2768-1 has general tolerances for 0.5 to 4000 mm; write the limit deviations as numbers")]
    Size,
    /// A class without an entry for this step.
    #[error(
        "ISO 2768-1 has no general tolerance of this class for this length; write the limit deviations as numbers"
    )]
    Step,
}

/// The permissible deviation of a length to both sides, mm (ISO 2768-1:1989, table 1).
///
/// # Errors
/// [`GeneralError`].
pub fn length_deviation_mm(nominal_mm: f64, class: GeneralTolerance) -> Result<f64, GeneralError> {
    const NONE: f64 = f64::NAN;
    let row: [f64; 8] = match class {
        GeneralTolerance::Fine => [0.05, 0.05, 0.1, 0.15, 0.2, 0.3, 0.5, NONE],
        GeneralTolerance::Medium => [0.1, 0.1, 0.2, 0.3, 0.5, 0.8, 1.2, 2.0],
        GeneralTolerance::Coarse => [0.2, 0.3, 0.5, 0.8, 1.2, 2.0, 3.0, 4.0],
        GeneralTolerance::VeryCoarse => [NONE, 0.5, 1.0, 1.5, 2.5, 4.0, 6.0, 8.0],
    };
    if !(nominal_mm >= LEAST_MM) {
        return Err(GeneralError::Size);
    }
    let step = UP_TO_MM.iter().position(|most| nominal_mm <= *most).ok_or(GeneralError::Size)?;
    Some(row[step]).filter(|d| d.is_finite()).ok_or(GeneralError::Step)
}

/// The permissible deviation of a radius of a broken edge or the height of a chamfer to both sides, mm (ISO
/// 2768-1:1989, table 2).
///
/// # Errors
/// [`GeneralError::Size`] below 0.5 mm.
pub fn broken_edge_deviation_mm(nominal_mm: f64, class: GeneralTolerance) -> Result<f64, GeneralError> {
    let row: [f64; 3] = match class {
        GeneralTolerance::Fine | GeneralTolerance::Medium => [0.2, 0.5, 1.0],
        GeneralTolerance::Coarse | GeneralTolerance::VeryCoarse => [0.4, 1.0, 2.0],
    };
    if !(nominal_mm >= LEAST_MM && nominal_mm.is_finite()) {
        return Err(GeneralError::Size);
    }
    Ok(row[usize::from(nominal_mm > 3.0) + usize::from(nominal_mm > 6.0)])
}

/// The permissible deviation of an angle to both sides, rad, by the length of its shorter leg, mm (ISO 2768-1:1989,
/// table 3, from memory).
///
/// # Errors
/// [`GeneralError::Size`] for a length that is none.
pub fn angle_deviation_rad(shorter_leg_mm: f64, class: GeneralTolerance) -> Result<f64, GeneralError> {
    // Minutes of arc.
    let row: [u8; 5] = match class {
        GeneralTolerance::Fine | GeneralTolerance::Medium => [60, 30, 20, 10, 5],
        GeneralTolerance::Coarse => [90, 60, 30, 15, 10],
        GeneralTolerance::VeryCoarse => [180, 120, 60, 30, 20],
    };
    if !(shorter_leg_mm > 0.0 && shorter_leg_mm.is_finite()) {
        return Err(GeneralError::Size);
    }
    let step = [10.0, 50.0, 120.0, 400.0].iter().filter(|most| shorter_leg_mm > **most).count();
    Ok(f64::from(row[step]) * std::f64::consts::PI / 10_800.0)
}

/// The letter of a class on drawings, such as m of `ISO 2768-m`.
pub fn class_letter(class: GeneralTolerance) -> char {
    match class {
        GeneralTolerance::Fine => 'f',
        GeneralTolerance::Medium => 'm',
        GeneralTolerance::Coarse => 'c',
        GeneralTolerance::VeryCoarse => 'v',
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use GeneralTolerance::{Coarse, Fine, Medium, VeryCoarse};

    /// ISO 2768-1:1989, table 1, class by class.
    #[test]
    fn steps_hold_their_upper_ends() {
        assert_eq!(
            [0.5, 3.0, 6.0, 30.0, 30.1].map(|d| length_deviation_mm(d, Medium)),
            [0.1, 0.1, 0.1, 0.2, 0.3].map(Ok)
        );
        assert_eq!(length_deviation_mm(4000.0, Coarse), Ok(4.0));
        assert_eq!(length_deviation_mm(400.0, Fine), Ok(0.2));
        assert_eq!(length_deviation_mm(1000.0, VeryCoarse), Ok(4.0));
    }

    /// Every entry of table 1, at the upper end of its step.
    #[test]
    fn table_one_is_as_in_the_standard() {
        let ends = [3.0, 6.0, 30.0, 120.0, 400.0, 1000.0, 2000.0, 4000.0];
        for (class, row) in [
            (Fine, [Some(0.05), Some(0.05), Some(0.1), Some(0.15), Some(0.2), Some(0.3), Some(0.5), None]),
            (Medium, [0.1, 0.1, 0.2, 0.3, 0.5, 0.8, 1.2, 2.0].map(Some)),
            // One public page prints 0.15 and 0.2 in the first two steps.
            (Coarse, [0.2, 0.3, 0.5, 0.8, 1.2, 2.0, 3.0, 4.0].map(Some)),
            (VeryCoarse, [None, Some(0.5), Some(1.0), Some(1.5), Some(2.5), Some(4.0), Some(6.0), Some(8.0)]),
        ] {
            assert_eq!(ends.map(|d| length_deviation_mm(d, class).ok()), row, "{class:?}");
        }
    }

    #[test]
    fn broken_edges_and_angles_have_tables_of_their_own() {
        assert_eq!(
            [0.5, 3.0, 3.1, 6.0, 6.1].map(|r| broken_edge_deviation_mm(r, Medium)),
            [0.2, 0.2, 0.5, 0.5, 1.0].map(Ok)
        );
        assert_eq!(
            [3.0, 6.0, 60.0].map(|r| broken_edge_deviation_mm(r, VeryCoarse)),
            [0.4, 1.0, 2.0].map(Ok)
        );
        for size in [0.4, f64::NAN, f64::INFINITY] {
            assert_eq!(broken_edge_deviation_mm(size, Fine), Err(GeneralError::Size));
        }
        let degrees = |leg: f64, class| angle_deviation_rad(leg, class).unwrap().to_degrees();
        for (leg, fine, coarse, very) in [
            (10.0, 1.0, 1.5, 3.0),
            (50.0, 0.5, 1.0, 2.0),
            (120.0, 20.0 / 60.0, 0.5, 1.0),
            (400.0, 10.0 / 60.0, 0.25, 0.5),
            (401.0, 5.0 / 60.0, 10.0 / 60.0, 20.0 / 60.0),
        ] {
            for (class, wanted) in [(Fine, fine), (Medium, fine), (Coarse, coarse), (VeryCoarse, very)] {
                assert!((degrees(leg, class) - wanted).abs() < 1e-12, "{leg} {class:?}");
            }
        }
        for leg in [0.0, -1.0, f64::NAN, f64::INFINITY] {
            assert_eq!(angle_deviation_rad(leg, Fine), Err(GeneralError::Size));
        }
    }

    #[test]
    fn what_the_table_lacks_is_refused() {
        assert_eq!(length_deviation_mm(3000.0, Fine), Err(GeneralError::Step));
        assert_eq!(length_deviation_mm(2.0, VeryCoarse), Err(GeneralError::Step));
        for size in [0.49, 4000.1, f64::NAN, -1.0, f64::INFINITY] {
            assert_eq!(length_deviation_mm(size, Medium), Err(GeneralError::Size), "{size}");
        }
    }
}
