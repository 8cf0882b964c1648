//! Limits that are written by a name instead of numbers, so that answers tell both.

use super::domain::Characteristic;
use super::file::{self, GeneralTolerance};
use super::iso2768::class_letter;
use super::required::Requirement;

/// What the limits of a size or distance are written as.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum ShortForm {
    /// A tolerance class of ISO 286-1:2010, such as `H8`.
    Class(String),
    /// A general tolerance of ISO 2768-1:1989.
    General(GeneralTolerance),
}

impl ShortForm {
    pub(super) fn of(c: &file::Characteristic) -> Option<Self> {
        let size = c.diameter.as_ref().or(c.width.as_ref());
        let class = size.and_then(|s| s.tolerance_class.clone());
        let general = size.and_then(|s| s.general_tolerance);
        let general = general.or(c.distance.as_ref().and_then(|d| d.general_tolerance));
        class.map(Self::Class).or(general.map(Self::General))
    }

    /// As on the drawing, with the standard's edition.
    pub fn words(&self) -> String {
        match self {
            Self::Class(class) => format!("{class} (ISO 286-1:2010)"),
            Self::General(class) => format!("ISO 2768-{} (ISO 2768-1:1989)", class_letter(*class)),
        }
    }
}

impl Characteristic {
    /// The short form and the limit deviations that it stands for, such as `H8 (ISO 286-1:2010) of 8 mm: +0.022 0 mm`;
    /// `None` where the plan writes numbers.
    pub fn limits_from(&self) -> Option<String> {
        let form = self.short_form.as_ref()?;
        let (nominal, upper, lower) = match self.requirement {
            Requirement::Diameter { nominal_mm, upper_deviation_mm, lower_deviation_mm, .. }
            | Requirement::Width { nominal_mm, upper_deviation_mm, lower_deviation_mm, .. }
            | Requirement::Distance { nominal_mm, upper_deviation_mm, lower_deviation_mm, .. } => {
                (nominal_mm, upper_deviation_mm, lower_deviation_mm)
            }
            _ => return None,
        };
        let signed = |v: f64| if v > 0.0 { format!("+{v}") } else { format!("{v}") };
        Some(format!("{} of {nominal} mm: {} {} mm", form.words(), signed(upper), signed(lower)))
    }
}

#[cfg(test)]
mod tests {
    use crate::plan::check_toml;

    fn told(limits: &str) -> Option<String> {
        let text = format!(
            "schema_version = 1\npart = \"p\"\ndrawing_revision = \"A\"\nplan_version = 1\nlength_unit = \"mm\"\n\
             object = \"part\"\nstandard = {{ system = \"iso\", edition = \"ISO 1101:2017\" }}\n\
             decision = {{ proven = {{}} }}\n[nominal]\nfile = \"p.stl\"\n[[feature]]\nid = \"H1\"\nkind = \"hole\"\n\
             pick = {{ near_mm = [0, 0, 0] }}\n[[characteristic]]\nnumber = \"1\"\nfeature = \"H1\"\n\
             diameter = {{ size = \"least_squares\", nominal_mm = 8, {limits} }}\n"
        );
        let (_, plan) = check_toml(&text).expect("a plan");
        plan.characteristics[0].limits_from()
    }

    #[test]
    fn a_class_and_its_limits_are_told_together() {
        assert_eq!(
            told("tolerance_class = \"H8\"").as_deref(),
            Some("H8 (ISO 286-1:2010) of 8 mm: +0.022 0 mm")
        );
        assert_eq!(
            told("general_tolerance = \"medium\"").as_deref(),
            Some("ISO 2768-m (ISO 2768-1:1989) of 8 mm: +0.2 -0.2 mm")
        );
        assert_eq!(told("upper_deviation_mm = 0.1, lower_deviation_mm = 0"), None);
    }
}
