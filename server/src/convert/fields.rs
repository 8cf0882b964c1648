//! Checks the fields of a request and gathers everything that is wrong with them.

use scantling_core::read::TextLayout;
use scantling_core::scan::LengthUnit;
use scantling_core::uncertainty::Day;
use scantling_proto::v1::{self, ErrorReason};

use super::status::Problem;
use super::{enums, name};
use crate::blobs::Digest;
use crate::config::Limits;
use crate::store::SurfaceClass;

/// What is wrong so far.
#[derive(Debug)]
pub(crate) struct Fields<'a> {
    limits: &'a Limits,
    violations: Vec<(String, String)>,
}

impl<'a> Fields<'a> {
    pub(crate) fn new(limits: &'a Limits) -> Self {
        Self { limits, violations: Vec::new() }
    }

    pub(crate) fn wrong(&mut self, field: &str, words: impl Into<String>) {
        self.violations.push((field.to_owned(), words.into()));
    }

    /// `Err` with everything that is wrong.
    pub(crate) fn finish(self) -> Result<(), Problem> {
        if self.violations.is_empty() {
            Ok(())
        } else {
            Err(Problem::fields(ErrorReason::InvalidField, self.violations))
        }
    }

    /// A value that `read` takes from a field, or a note of what the field must be.
    pub(crate) fn read<T>(
        &mut self,
        field: &str,
        value: &str,
        read: fn(&str) -> Option<T>,
        must: &str,
    ) -> Option<T> {
        let got = read(value);
        if got.is_none() {
            let is = if value.is_empty() {
                "it is missing".to_owned()
            } else {
                format!("it is `{}`", clip(value))
            };
            self.wrong(field, format!("must be {must}; {is}"));
        }
        got
    }

    pub(crate) fn id(&mut self, field: &str, value: &str) -> String {
        let must = "1 to 63 of a-z, 0-9 and `-`, beginning with a letter or digit";
        self.read(field, value, name::id, must).unwrap_or_default()
    }

    pub(crate) fn part(&mut self, field: &str, value: &str) -> String {
        self.read(field, value, name::part, "parts/{part}").unwrap_or_default()
    }

    pub(crate) fn revision(&mut self, field: &str, value: &str) -> (String, String) {
        self.read(field, value, name::revision, "parts/{part}/revisions/{revision}").unwrap_or_default()
    }

    pub(crate) fn acquisition(&mut self, field: &str, value: &str) -> String {
        self.read(field, value, name::acquisition, "acquisitions/{acquisition}").unwrap_or_default()
    }

    pub(crate) fn instrument(&mut self, field: &str, value: &str) -> String {
        self.read(field, value, name::instrument, "instruments/{instrument}").unwrap_or_default()
    }

    pub(crate) fn verification(&mut self, field: &str, value: &str) -> (String, String) {
        let must = "instruments/{instrument}/verifications/{verification}";
        self.read(field, value, name::verification, must).unwrap_or_default()
    }

    /// A day of the calendar.
    pub(crate) fn day(&mut self, field: &str, value: &str) -> Option<Day> {
        self.read(field, value, Day::parse, "a day such as 2026-03-01")
    }

    /// A surface class; `None` where it is not stated.
    pub(crate) fn surface_class(&mut self, field: &str, value: i32) -> Option<SurfaceClass> {
        let Ok(class) = v1::SurfaceClass::try_from(value) else {
            self.wrong(field, format!("{value} is no surface class of this version"));
            return None;
        };
        enums::surface_class(class)
    }

    pub(crate) fn inspection(&mut self, field: &str, value: &str) -> String {
        self.read(field, value, name::inspection, "inspections/{inspection}").unwrap_or_default()
    }

    pub(crate) fn upload(&mut self, field: &str, value: &str) -> String {
        self.read(field, value, name::upload, "uploads/{upload}").unwrap_or_default()
    }

    pub(crate) fn blob(&mut self, field: &str, value: &str) -> Option<Digest> {
        self.read(field, value, name::blob, "blobs/{sha256}, 64 lower-case hexadecimal digits")
    }

    /// The one plan of a request.
    pub(crate) fn plan(&mut self, field: &str, value: Option<v1::PlanInput>) -> v1::PlanInput {
        let value = value.unwrap_or_default();
        if value.plan.is_none() {
            self.wrong(field, "must hold the plan: as a message, as TOML or as JSON");
        }
        value
    }

    pub(crate) fn length_unit(&mut self, field: &str, value: i32) -> Option<LengthUnit> {
        let unit = enums::length_unit(value);
        if unit.is_none() {
            self.wrong(field, "must be said: the file carries no unit, and it is never guessed");
        }
        unit
    }

    /// The length unit of a nominal's file; whether the file tells its own is seen when it is read.
    pub(crate) fn nominal_unit(&mut self, field: &str, value: i32) -> Option<LengthUnit> {
        if value == i32::from(v1::LengthUnit::Unspecified) { None } else { self.length_unit(field, value) }
    }

    /// Free text within the limit, without control characters.
    pub(crate) fn text(&mut self, field: &str, value: String) -> String {
        let most = self.limits.text_bytes;
        if value.len() > most {
            self.wrong(field, format!("is {} bytes long; at most {most} are taken", value.len()));
        } else if value.chars().any(|c| c.is_control() || is_unseen(c)) {
            self.wrong(
                field,
                "holds control characters, or such as turn or hide text; send plain text on one line",
            );
        }
        value
    }

    /// Free text that must not be empty.
    pub(crate) fn said(&mut self, field: &str, value: String) -> String {
        if value.trim().is_empty() {
            self.wrong(field, "must not be empty");
        }
        self.text(field, value)
    }

    /// What the columns of a text file of points hold; empty to find it.
    pub(crate) fn columns(&mut self, field: &str, value: String) -> String {
        let columns = self.text(field, value);
        if let Err(error) = TextLayout::parse(&columns) {
            self.wrong(field, error.to_string());
        }
        columns
    }

    /// How many entries a page is to have.
    pub(crate) fn page_size(&mut self, value: i32) -> u32 {
        match u32::try_from(value) {
            Ok(0) => self.limits.page_size,
            Ok(n) => n.min(self.limits.page_size_max),
            Err(_) => {
                self.wrong("page_size", format!("must not be negative; it is {value}"));
                0
            }
        }
    }
}

/// Characters that cannot be seen and make two texts look alike, or turn the direction of what follows (Unicode
/// Standard Annex 9, section 2; and the spaces without width).
fn is_unseen(c: char) -> bool {
    matches!(c, '\u{200b}' | '\u{200e}' | '\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2060}'..='\u{2069}' | '\u{feff}')
}

/// Enough of a value to recognise it.
fn clip(value: &str) -> String {
    value.chars().take(80).map(|c| if c.is_control() { '\u{fffd}' } else { c }).collect()
}
