//! General geometrical tolerances of ISO 2768-2:1989 for features that carry none of their own.
//!
//! The standard was withdrawn in 2021 (ISO 22081 takes its place and has no tables); drawings that name it keep their
//! meaning. Straightness and flatness as public copies print them (some print others); the other tables from memory.

/// A class of ISO 2768-2.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum GeometricalClass {
    /// The finest.
    H,
    /// The middle one.
    K,
    /// The coarsest.
    L,
}

/// A length that the tables do not hold.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
#[error("ISO 2768-2 has general tolerances for lengths above 0 to 3000 mm; write the tolerance as a number")]
pub struct BeyondTable;

/// The row of a class.
fn of<T: Copy>(class: GeometricalClass, [h, k, l]: [T; 3]) -> T {
    match class {
        GeometricalClass::H => h,
        GeometricalClass::K => k,
        GeometricalClass::L => l,
    }
}

fn in_steps<const N: usize>(length_mm: f64, up_to_mm: [f64; N], row: [f64; N]) -> Result<f64, BeyondTable> {
    if !(length_mm > 0.0) {
        return Err(BeyondTable);
    }
    up_to_mm.iter().position(|most| length_mm <= *most).map(|step| row[step]).ok_or(BeyondTable)
}

const LONG_STEPS_MM: [f64; 4] = [100.0, 300.0, 1000.0, 3000.0];

/// Straightness, and flatness, mm, by the length of the line, the longer side of the surface or its diameter, mm (table
/// 1).
///
/// # Errors
/// [`BeyondTable`].
pub fn straightness_and_flatness_mm(length_mm: f64, class: GeometricalClass) -> Result<f64, BeyondTable> {
    let rows =
        [[0.02, 0.05, 0.1, 0.2, 0.3, 0.4], [0.05, 0.1, 0.2, 0.4, 0.6, 0.8], [0.1, 0.2, 0.4, 0.8, 1.2, 1.6]];
    in_steps(length_mm, [10.0, 30.0, 100.0, 300.0, 1000.0, 3000.0], of(class, rows))
}

/// Perpendicularity, mm, by the length of the shorter leg, mm, of which the longer one is the datum (table 2, from
/// memory).
///
/// # Errors
/// [`BeyondTable`].
pub fn perpendicularity_mm(shorter_leg_mm: f64, class: GeometricalClass) -> Result<f64, BeyondTable> {
    let rows = [[0.2, 0.3, 0.4, 0.5], [0.4, 0.6, 0.8, 1.0], [0.6, 1.0, 1.5, 2.0]];
    in_steps(shorter_leg_mm, LONG_STEPS_MM, of(class, rows))
}

/// Symmetry, mm, by the length of the shorter feature, mm, of which the longer one is the datum (table 3, from memory).
///
/// # Errors
/// [`BeyondTable`].
pub fn symmetry_mm(shorter_mm: f64, class: GeometricalClass) -> Result<f64, BeyondTable> {
    let rows = [[0.5; 4], [0.6, 0.6, 0.8, 1.0], [0.6, 1.0, 1.5, 2.0]];
    in_steps(shorter_mm, LONG_STEPS_MM, of(class, rows))
}

/// Circular run-out, mm, of any size (table 4, from memory).
pub fn circular_runout_mm(class: GeometricalClass) -> f64 {
    of(class, [0.1, 0.2, 0.5])
}

#[cfg(test)]
mod tests {
    use super::*;
    use GeometricalClass::{H, K, L};

    /// ISO 2768-2:1989, table 1 as public copies print it.
    #[test]
    fn straightness_and_flatness() {
        let at = |length, class| straightness_and_flatness_mm(length, class).ok();
        assert_eq!(
            [10.0, 30.0, 100.0, 300.0, 1000.0, 3000.0].map(|d| at(d, H)),
            [0.02, 0.05, 0.1, 0.2, 0.3, 0.4].map(Some)
        );
        assert_eq!([10.1, 3000.0].map(|d| at(d, K)), [0.1, 0.8].map(Some));
        assert_eq!([0.1, 300.0].map(|d| at(d, L)), [0.1, 0.8].map(Some));
        assert_eq!([0.0, -1.0, 3000.1, f64::NAN].map(|d| at(d, L)), [None; 4]);
    }

    /// ISO 2768-2:1989, tables 2 to 4, from memory.
    #[test]
    fn perpendicularity_symmetry_and_run_out() {
        let ends = [100.0, 300.0, 1000.0, 3000.0];
        for (class, square, symmetric) in [
            (H, [0.2, 0.3, 0.4, 0.5], [0.5, 0.5, 0.5, 0.5]),
            (K, [0.4, 0.6, 0.8, 1.0], [0.6, 0.6, 0.8, 1.0]),
            (L, [0.6, 1.0, 1.5, 2.0], [0.6, 1.0, 1.5, 2.0]),
        ] {
            assert_eq!(ends.map(|d| perpendicularity_mm(d, class)), square.map(Ok));
            assert_eq!(ends.map(|d| symmetry_mm(d, class)), symmetric.map(Ok));
        }
        assert_eq!([H, K, L].map(circular_runout_mm), [0.1, 0.2, 0.5]);
        assert_eq!(perpendicularity_mm(f64::NAN, H), Err(BeyondTable));
        assert_eq!(symmetry_mm(3001.0, H), Err(BeyondTable));
    }
}
