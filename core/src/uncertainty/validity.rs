//! Whether an instrument's verification vouches for what was taken with it, and if not, why and what to do.

use super::{Day, SurfaceClass};

/// Whether the verification of an instrument vouches for what was taken with it on a day.
#[derive(Clone, Debug, PartialEq)]
pub enum Validity {
    /// There is a verification for that surface, made by that day; it may have expired, or have failed.
    Verified(Verified),
    /// There is none.
    Unverified {
        /// The instrument, as it is named.
        instrument: String,
        /// For which surface one was looked for; `None` where the acquisition does not say.
        surface: Option<SurfaceClass>,
        /// The day on which the scan or the points were taken.
        taken_on: Day,
        /// The verification of another surface, or of a later day, that holds longest.
        elsewhere: Option<Elsewhere>,
    },
}

/// The verification that counts.
#[derive(Clone, Debug, PartialEq)]
pub struct Verified {
    /// The instrument, as it is named.
    pub instrument: String,
    /// Which verification: its name or certificate.
    pub verification: String,
    /// The day on which it was made.
    pub verified_on: Day,
    /// The last day on which it holds.
    pub valid_until: Day,
    /// The day on which the scan or the points were taken.
    pub taken_on: Day,
    /// What it found to be more than is permitted, in words; empty where it was passed.
    pub problems: Vec<String>,
}

/// A verification that does not count.
#[derive(Clone, Debug, PartialEq)]
pub struct Elsewhere {
    /// Which.
    pub verification: String,
    /// For which surfaces; empty for every one.
    pub surfaces: Vec<SurfaceClass>,
    /// The day on which it was made.
    pub verified_on: Day,
    /// The last day on which it holds.
    pub valid_until: Day,
}

impl Validity {
    /// The verification, where there is one.
    pub fn verified(&self) -> Option<&Verified> {
        match self {
            Validity::Verified(v) => Some(v),
            Validity::Unverified { .. } => None,
        }
    }

    /// The day on which the scan or the points were taken.
    pub fn taken_on(&self) -> Day {
        match self {
            Validity::Verified(v) => v.taken_on,
            Validity::Unverified { taken_on, .. } => *taken_on,
        }
    }

    /// Why it does not vouch for what was taken; `None` where it does.
    pub fn problem(&self) -> Option<String> {
        match self {
            Validity::Verified(v) => v.problem(),
            Validity::Unverified { instrument, surface, taken_on, elsewhere } => {
                let (first, what) = match surface {
                    Some(class) => ("", format!("on {} surfaces", class.word())),
                    None => (
                        "how the surface takes light is not stated, and ",
                        "for every kind of surface".into(),
                    ),
                };
                let other = match elsewhere {
                    None => "it has none at all".into(),
                    Some(e) => format!(
                        "{}, {} of {}, is valid until {}",
                        e.verification,
                        on_surfaces(&e.surfaces),
                        e.verified_on,
                        e.valid_until
                    ),
                };
                Some(format!(
                    "{first}the instrument {instrument} had no verification {what} by {taken_on}, when this was taken ({other})"
                ))
            }
        }
    }

    /// What to do where it does not vouch.
    pub fn remedy(&self) -> String {
        match self {
            Validity::Verified(_) => "verify the instrument and, where it passes, measure again".into(),
            Validity::Unverified { surface: Some(class), .. } => format!(
                "verify the instrument on a {} surface and, where it passes, measure again",
                class.word()
            ),
            Validity::Unverified { surface: None, .. } => {
                "state the surface class when the scan is recorded, or verify the instrument for every kind of surface, and measure again".into()
            }
        }
    }
}

impl Verified {
    fn problem(&self) -> Option<String> {
        let Self { instrument, verification, verified_on, valid_until, taken_on, problems } = self;
        let whose = format!("the verification {verification} of the instrument {instrument}");
        if taken_on > valid_until {
            Some(format!("{whose} was valid until {valid_until}, and this was taken on {taken_on}"))
        } else if taken_on < verified_on {
            Some(format!("{whose} was made on {verified_on}, after this was taken on {taken_on}"))
        } else {
            let first = problems.first()?;
            let more = match problems.len() {
                1 => String::new(),
                n => format!(" and {} more", n - 1),
            };
            Some(format!("{whose} of {verified_on} was not passed ({first}{more})"))
        }
    }
}

fn on_surfaces(surfaces: &[SurfaceClass]) -> String {
    if surfaces.is_empty() {
        return "for every surface".into();
    }
    let words: Vec<&str> = surfaces.iter().map(|s| s.word()).collect();
    format!("on {} surfaces", words.join(" and "))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn on(taken: &str, problems: &[&str]) -> Validity {
        Validity::Verified(Verified {
            instrument: "scanner 2".into(),
            verification: "V-7".into(),
            verified_on: Day::parse("2025-03-01").unwrap(),
            valid_until: Day::parse("2026-03-01").unwrap(),
            taken_on: Day::parse(taken).unwrap(),
            problems: problems.iter().map(|p| (*p).to_owned()).collect(),
        })
    }

    #[test]
    fn a_verification_vouches_for_its_time_only() {
        assert_eq!(on("2025-03-01", &[]).problem(), None);
        assert_eq!(on("2026-03-01", &[]).problem(), None);
        let late = on("2026-03-02", &[]).problem().unwrap();
        assert!(late.contains("valid until 2026-03-01") && late.contains("scanner 2"), "{late}");
        assert!(on("2025-02-28", &[]).problem().unwrap().contains("made on 2025-03-01, after"));
    }

    #[test]
    fn a_verification_that_was_not_passed_vouches_for_nothing() {
        let failed = on("2025-03-01", &["ball K1: too large", "ball K2: too large"]).problem().unwrap();
        assert!(failed.contains("not passed (ball K1: too large and 1 more)"), "{failed}");
    }
}
