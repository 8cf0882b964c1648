//! The report of one inspection: one self-contained HTML page that opens from disk and prints on A4.
//!
//! ```text
//! numbers           digits of values beside their limits
//! palette, scale    colours of deviations, and the bar that explains them
//! raster            triangles to pixels
//! paint, marks      pixels to colours, worst places with their labels
//! picture           the views of the part
//! rows, worst       the record in words, its worst places
//! ```
//!
//! The page needs no network and no script, and forbids itself both. Every word from outside goes through
//! the template's escaping.

mod marks;
pub mod numbers;
mod paint;
mod palette;
mod picture;
mod raster;
mod rows;
mod scale;
mod worst;

#[cfg(test)]
mod tests;

use askama::Template;
use picture::Picture;
use rows::{Alignment, Budget, DatumSystem, Row};
use scale::Scale;
use scantling_core::geometry::{Point, TriangleMesh};
use scantling_core::record::{DeviationMap, RECORD_VERSION, Record, Verdict};
use std::collections::BTreeMap;

/// What a report shows. Words are shown as they are; `None` shows as a dash and "not stated".
#[derive(Clone, Debug)]
pub struct ReportInput<'a> {
    /// Name of the inspection, `inspections/...`.
    pub inspection_name: &'a str,
    /// What the part is called.
    pub part_title: &'a str,
    /// The customer's part number.
    pub part_number: &'a str,
    /// Drawing revision and plan version, in words.
    pub revision: &'a str,
    /// Serial number of the measured part.
    pub serial_number: Option<&'a str>,
    /// Why it was measured, in words: "production", "first article".
    pub purpose: &'a str,
    /// The instrument, in words.
    pub instrument: Option<&'a str>,
    /// Who took the scan.
    pub operator: Option<&'a str>,
    /// When the scan was taken, with its time zone.
    pub acquired: Option<&'a str>,
    /// When the inspection was finished, with its time zone.
    pub finished: Option<&'a str>,
    /// How the part was held: free state with supports, or fixture.
    pub restraint: Option<&'a str>,
    /// More lines of the identification, name and value: temperature, where the part was made, attempts, sources.
    pub more: &'a [(String, String)],
    /// Whether the scan comes from a simulator and not from a part.
    pub simulated: bool,
    /// Edition of the tolerancing standard that the plan names.
    pub standard: Option<&'a str>,
    /// The plan's filter in words.
    pub filter: Option<&'a str>,
    /// Titles of characteristics by their number; may lack some or all.
    pub titles: &'a BTreeMap<String, String>,
    /// A place on each feature by its id, mm in the part's axes, to mark characteristics that have no place
    /// of their own (diameter, position); may lack some or all.
    pub feature_places: &'a BTreeMap<String, Point>,
    /// What was found.
    pub record: &'a Record,
    /// SHA-256 of the record's canonical form.
    pub result_sha256: &'a str,
    /// The nominal's mesh.
    pub mesh: &'a TriangleMesh,
    /// The deviation at each vertex of `mesh`; empty when the scan could not be aligned.
    pub deviation: &'a DeviationMap,
}

/// Why there is no report.
#[derive(Debug, thiserror::Error)]
pub enum ReportError {
    /// The map is of another nominal.
    #[error(
        "the deviation map has {values} values but the nominal has {vertices} vertices: take the map and nominal of one inspection"
    )]
    OtherNominal {
        /// Values of the map.
        values: usize,
        /// Vertices of the nominal.
        vertices: usize,
    },
    /// The digest does not belong to the record, so the page would vouch for values it does not show.
    #[error(
        "the record's digest is {actual} but {stated} was stated: the record was changed or belongs to another inspection"
    )]
    OtherRecord {
        /// Digest of the record given.
        actual: String,
        /// Digest stated for it.
        stated: String,
    },
    /// The picture could not be written.
    #[error("the deviation picture could not be written: {0}")]
    Png(#[from] png::EncodingError),
    /// The page could not be written.
    #[error("the page could not be written: {0}")]
    Page(#[from] askama::Error),
}

/// The page. The same input gives the same bytes.
pub fn html(input: &ReportInput) -> Result<String, ReportError> {
    page(input, picture::PRINT)
}

fn page(input: &ReportInput, size: picture::Size) -> Result<String, ReportError> {
    let record = input.record;
    let vertices = input.mesh.vertices().len();
    let values = input.deviation.deviation_mm.len();
    if values != 0 && values != vertices {
        return Err(ReportError::OtherNominal { values, vertices });
    }
    // Records of an older form no longer serialise to the bytes that were hashed.
    if record.record_version == RECORD_VERSION {
        let actual = record.digest();
        if actual != input.result_sha256 {
            return Err(ReportError::OtherRecord { actual, stated: input.result_sha256.into() });
        }
    }
    let unseen;
    let deviation = if values == 0 {
        unseen = vec![None; vertices];
        &unseen
    } else {
        &input.deviation.deviation_mm
    };
    let scale = Scale::of_record(record, input.deviation);
    let worst = worst::worst(record, input.feature_places);
    let marks: Vec<marks::Mark> = worst.iter().map(|w| w.mark.clone()).collect();
    let pictures = picture::pictures(input.mesh, deviation, &scale, &marks, size)?;
    let seen_vertices = deviation.iter().flatten().filter(|d| d.is_finite()).count();
    let page = Page {
        input,
        record,
        verdict: rows::verdict_words(record.verdict),
        not_a_pass: record.verdict != Verdict::Conforms,
        scope: rows::scope_words(&record.scope),
        tally: rows::tally(record),
        facts: facts(input),
        rows: record.evaluations.iter().map(|e| Row::new(e, input.titles)).collect(),
        worst: &worst,
        pictures: &pictures,
        nothing_seen: seen_vertices == 0,
        scale: &scale,
        hatch: palette::css(palette::HATCH[0]),
        hatch_dark: palette::css(palette::HATCH[1]),
        alignment: record.alignment.as_ref().map(Alignment::new),
        datum_systems: record.datum_systems.iter().map(DatumSystem::new).collect(),
        budgets: record.evaluations.iter().map(Budget::new).collect(),
    };
    Ok(page.render()?)
}

/// Name and value of each line of the identification.
fn facts(input: &ReportInput) -> Vec<(String, String)> {
    let or_dash = |text: Option<&str>| match text {
        Some(text) if !text.trim().is_empty() => text.to_string(),
        _ => format!("{} not stated", numbers::DASH),
    };
    let mut facts: Vec<(String, String)> = [
        ("Part", or_dash(Some(input.part_title))),
        ("Part number", or_dash(Some(input.part_number))),
        ("Revision", or_dash(Some(input.revision))),
        ("Serial number", or_dash(input.serial_number)),
        ("Inspection", or_dash(Some(input.inspection_name))),
        ("Purpose", or_dash(Some(input.purpose))),
        ("Instrument", or_dash(input.instrument)),
        ("Operator", or_dash(input.operator)),
        ("Scan taken", or_dash(input.acquired)),
        ("Evaluated", or_dash(input.finished)),
        ("Restraint", or_dash(input.restraint)),
        ("Standard", or_dash(input.standard)),
        ("Filter", or_dash(input.filter)),
        ("Decision rule", or_dash(Some(&input.record.decision))),
    ]
    .map(|(name, value)| (name.to_owned(), value))
    .into();
    facts.extend(input.more.iter().cloned());
    facts
}

#[derive(Template)]
#[template(path = "report.html")]
struct Page<'a> {
    input: &'a ReportInput<'a>,
    record: &'a Record,
    verdict: &'static str,
    not_a_pass: bool,
    scope: String,
    tally: String,
    facts: Vec<(String, String)>,
    rows: Vec<Row>,
    worst: &'a [worst::Worst],
    pictures: &'a [Picture],
    nothing_seen: bool,
    scale: &'a Scale,
    hatch: String,
    hatch_dark: String,
    alignment: Option<Alignment>,
    datum_systems: Vec<DatumSystem>,
    budgets: Vec<Budget>,
}

/// What every page says, whatever was measured.
const CAUTIONS: [&str; 4] = [
    "Acceptance of safety-relevant parts rests with the responsible quality authority, the customer's \
     requirements and local rules.",
    "A characteristic that is not measured or undecided is not known to conform.",
    "When scanning: observe the laser class and eye protection that the scanner's maker states; matt spray \
     only with ventilation.",
    "When trimming or dressing moulded parts: extract the dust and wear breathing and eye protection.",
];

impl Page<'_> {
    /// The record's own cautions first; those it shares with every page once.
    fn cautions(&self) -> Vec<&str> {
        let own = self.record.cautions.iter().map(String::as_str);
        let all = CAUTIONS.into_iter().filter(|c| !self.record.cautions.iter().any(|own| own == c));
        own.chain(all).collect()
    }
}
