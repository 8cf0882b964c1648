//! Which verification of an instrument counts for what was taken with it.
//!
//! The latest that was made by that day on such a surface, and was not withdrawn. Whether it still held then is another question:
//! an older one that would hold longer does not step in for it, since the latest says what the instrument is like.

use crate::uncertainty::{Day, Elsewhere, InstrumentErrors, SurfaceClass, Validity, Verified};

/// A verification as a register keeps it.
#[derive(Clone, Debug, PartialEq)]
pub struct Registered {
    /// Its name.
    pub name: String,
    /// The day on which it was made.
    pub verified_on: Day,
    /// The last day on which it holds.
    pub valid_until: Day,
    /// On which surfaces it was made; empty where it holds for every one, as of an instrument that touches.
    pub surfaces: Vec<SurfaceClass>,
    /// What it says of the instrument.
    pub errors: InstrumentErrors,
    /// What it found to be more than is permitted, in words.
    pub problems: Vec<String>,
    /// Whether it was withdrawn.
    pub withdrawn: bool,
}

impl Registered {
    fn covers(&self, surface: Option<SurfaceClass>) -> bool {
        self.surfaces.is_empty() || surface.is_some_and(|s| self.surfaces.contains(&s))
    }
}

/// The verification in force on the day for such a surface, and the errors that it states; of two of one day the later one in
/// `all`, which is in the order of their registration. Errors of one that has expired or failed count too: nothing better is known.
pub fn in_force(
    instrument: &str,
    all: &[Registered],
    taken_on: Day,
    surface: Option<SurfaceClass>,
) -> (Validity, InstrumentErrors) {
    let standing = || all.iter().filter(|v| !v.withdrawn);
    // The last of equals.
    let counts =
        standing().filter(|v| v.covers(surface) && v.verified_on <= taken_on).max_by_key(|v| v.verified_on);
    match counts {
        Some(v) => {
            let verified = Verified {
                instrument: instrument.into(),
                verification: v.name.clone(),
                verified_on: v.verified_on,
                valid_until: v.valid_until,
                taken_on,
                problems: v.problems.clone(),
            };
            (Validity::Verified(verified), v.errors)
        }
        None => {
            let elsewhere = standing().max_by_key(|v| v.valid_until).map(|v| Elsewhere {
                verification: v.name.clone(),
                surfaces: v.surfaces.clone(),
                verified_on: v.verified_on,
                valid_until: v.valid_until,
            });
            let validity =
                Validity::Unverified { instrument: instrument.into(), surface, taken_on, elsewhere };
            (validity, InstrumentErrors::default())
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn day(text: &str) -> Day {
        Day::parse(text).unwrap()
    }

    fn one(name: &str, on: &str, until: &str, surfaces: &[SurfaceClass]) -> Registered {
        let errors = InstrumentErrors { probing_mm: Some(0.01), ..InstrumentErrors::default() };
        Registered {
            name: name.into(),
            verified_on: day(on),
            valid_until: day(until),
            surfaces: surfaces.to_vec(),
            errors,
            problems: Vec::new(),
            withdrawn: false,
        }
    }

    fn counts(all: &[Registered], taken: &str, surface: Option<SurfaceClass>) -> Option<String> {
        in_force("s", all, day(taken), surface).0.verified().map(|v| v.verification.clone())
    }

    #[test]
    fn the_latest_made_by_the_day_on_such_a_surface_counts_also_where_an_older_one_holds_longer() {
        use SurfaceClass::{Dark, Dull, Gloss};
        let all = [
            one("a", "2025-01-10", "2027-01-10", &[Dull]),
            one("b", "2025-06-01", "2025-12-01", &[Dull, Dark]),
            one("c", "2025-06-01", "2026-06-01", &[Dark]),
            one("d", "2025-09-01", "2026-09-01", &[Gloss]),
        ];
        for (taken, surface, expected) in [
            ("2025-01-09", Some(Dull), None),
            ("2025-01-10", Some(Dull), Some("a")),
            ("2025-06-01", Some(Dull), Some("b")),
            ("2026-03-01", Some(Dull), Some("b")),
            ("2025-06-01", Some(Dark), Some("c")),
            ("2025-08-31", Some(Gloss), None),
            ("2025-08-31", None, None),
        ] {
            assert_eq!(counts(&all, taken, surface).as_deref(), expected, "{taken} {surface:?}");
        }
        // On Dull it is b, which has expired, though a would still hold.
        assert!(
            in_force("s", &all, day("2026-03-01"), Some(Dull)).0.problem().unwrap().contains("2025-12-01")
        );
        // Withdrawn, it never was.
        let mut withdrawn = all;
        withdrawn[1].withdrawn = true;
        assert_eq!(counts(&withdrawn, "2026-03-01", Some(Dull)).as_deref(), Some("a"));
    }

    #[test]
    fn one_for_every_surface_needs_no_surface_to_be_stated() {
        let all = [one("touch", "2025-01-10", "2026-01-10", &[])];
        for surface in [None, Some(SurfaceClass::Gloss)] {
            let (validity, errors) = in_force("arm", &all, day("2025-02-01"), surface);
            assert_eq!((validity.problem(), errors.probing_mm), (None, Some(0.01)));
        }
    }

    #[test]
    fn where_none_counts_the_reason_names_instrument_last_day_and_what_to_do() {
        let all = [one("a", "2025-01-10", "2026-01-10", &[SurfaceClass::Dull])];
        let (validity, errors) = in_force("scanner 2", &all, day("2025-02-01"), Some(SurfaceClass::Dark));
        let (problem, remedy) = (validity.problem().unwrap(), validity.remedy());
        for word in ["scanner 2", "dark", "on dull surfaces", "2026-01-10", "2025-02-01"] {
            assert!(problem.contains(word), "{problem}");
        }
        assert!(remedy.contains("dark surface"), "{remedy}");
        assert!(errors.is_empty());
        let (validity, _) = in_force("scanner 2", &[], day("2025-02-01"), None);
        assert!(validity.problem().unwrap().contains("none at all") && validity.remedy().contains("state"));
    }
}
