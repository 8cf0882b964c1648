//! General tolerances of ISO 2768-1:1989 for lengths that carry none of their own.
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

    #[test]
    fn what_the_table_lacks_is_refused() {
        assert_eq!(length_deviation_mm(3000.0, Fine), Err(GeneralError::Step));
        assert_eq!(length_deviation_mm(2.0, VeryCoarse), Err(GeneralError::Step));
        for size in [0.49, 4000.1, f64::NAN, -1.0, f64::INFINITY] {
            assert_eq!(length_deviation_mm(size, Medium), Err(GeneralError::Size), "{size}");
        }
    }
}
