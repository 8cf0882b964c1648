//! Maximum permissible errors, as the instrument's user states them, and whether a verification keeps them.

use super::Verification;

/// Maximum permissible errors; what is absent is not asked.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Permitted {
    /// Of the probing dispersion, mm.
    pub dispersion_mm: Option<f64>,
    /// Of the probing size error, either way, mm.
    pub size_error_mm: Option<f64>,
    /// Of a distortion error, either way: this many mm ...
    pub length_error_mm: Option<f64>,
    /// ... and this many mm for each m of the length.
    pub length_error_mm_per_m: Option<f64>,
}

impl Permitted {
    /// What the verification does not keep, in words; empty where it keeps all. Values are held against their limits as they
    /// are: the uncertainty of the test is the tester's part (ISO 14253-5, simple acceptance; from memory).
    pub fn problems(&self, found: &Verification) -> Vec<String> {
        let mut problems = Vec::new();
        for ball in &found.balls {
            if let Some(most) = self.dispersion_mm
                && !(ball.dispersion_mm <= most)
            {
                problems.push(format!(
                    "ball {}: the probing dispersion is {:.4} mm, at most {most} mm is permitted",
                    ball.id, ball.dispersion_mm
                ));
            }
            if let Some(most) = self.size_error_mm
                && !(ball.size_error_mm.abs() <= most)
            {
                problems.push(format!(
                    "ball {}: the probing size error is {:.4} mm, at most {most} mm either way is permitted",
                    ball.id, ball.size_error_mm
                ));
            }
        }
        if self.length_error_mm.is_some() || self.length_error_mm_per_m.is_some() {
            for length in &found.lengths {
                let most = self.length_error_mm.unwrap_or(0.0)
                    + 1e-3 * self.length_error_mm_per_m.unwrap_or(0.0) * length.calibrated_mm;
                if !(length.error_mm.abs() <= most) {
                    problems.push(format!(
                        "from ball {} to {}: the distance is wrong by {:.4} mm, at most {most:.4} mm either way is permitted",
                        length.from, length.to, length.error_mm
                    ));
                }
            }
        }
        problems
    }
}
