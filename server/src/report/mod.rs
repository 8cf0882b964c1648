//! The report of one inspection: one self-contained HTML page that opens from disk and prints on A4.
//!
//! ```text
//! numbers           digits of values beside their limits
//! palette, scale    colours of deviations, and the bar that explains them
//! raster            triangles to pixels
//! paint, marks      pixels to colours, worst places with their labels
//! picture           the views of the part
//! rows, worst       the characteristics in words, their worst places
//! curve             the offsets along a trimmed edge
//! evidence          what they rest on, in words
//! faces             beside it: the page of a nominal's faces
//! face_views, labels  its pictures, and where the numbers stand in them
//! ```
//!
//! The page needs no network and no script, and forbids itself both. Every word from outside goes through
//! the template's escaping.

mod curve;
mod evidence;
mod face_views;
mod faces;
mod labels;
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

pub use face_views::face_name;
pub use faces::{face_exactness, faces_page, part_name};

use askama::Template;
use curve::Curve;
use evidence::{Alignment, Budget, Conformity, DatumSystem, Source};
use picture::Picture;
use rows::Row;
use scale::Scale;
use scantling_core::geometry::{Point, TriangleMesh};
use scantling_core::record::{RECORD_VERSION, Record, Verdict};
use std::collections::BTreeMap;

/// What a report shows. Words are shown as they are.
#[derive(Clone, Debug)]
pub struct ReportInput<'a> {
    /// Name of the inspection, `inspections/...`.
    pub inspection_name: &'a str,
    /// What the part is called.
    pub part_title: &'a str,
    /// The customer's part number.
    pub part_number: &'a str,
    /// Serial number of the measured part.
    pub serial_number: Option<&'a str>,
    /// Name and value of each line that identifies part, request, sources and times, in their order; what is
    /// not known is left out.
    pub facts: &'a [(String, String)],
    /// Whether something measured comes from a simulator and not from a part.
    pub simulated: bool,
    /// Titles of characteristics by their number; may lack some or all.
    pub titles: &'a BTreeMap<String, String>,
    /// What the plan asks of readings, by the characteristic's number.
    pub asked: &'a BTreeMap<String, Asked>,
    /// A place on each feature by its id, mm in the part's axes, to mark characteristics that have no place
    /// of their own (diameter, position); may lack some or all.
    pub feature_places: &'a BTreeMap<String, Point>,
    /// What was found.
    pub record: &'a Record,
    /// SHA-256 of the record's canonical form.
    pub result_sha256: &'a str,
    /// The surface that is pictured; `None` where there is no nominal or nothing was scanned.
    pub surface: Option<Surface<'a>>,
}

/// What the plan asks of a reading, in its own unit.
#[derive(Clone, Debug, PartialEq)]
pub struct Asked {
    /// What is read: mass, hardness.
    pub quantity: String,
    /// Unit of the limits.
    pub unit: String,
    /// Smallest accepted value.
    pub lower_limit: Option<f64>,
    /// Largest accepted value.
    pub upper_limit: Option<f64>,
}

/// A surface coloured by deviation.
#[derive(Clone, Copy, Debug)]
pub struct Surface<'a> {
    /// The nominal's mesh, or a finer one of the same surface.
    pub mesh: &'a TriangleMesh,
    /// The deviation at each vertex of `mesh`, mm; empty when none was measured.
    pub deviation_mm: &'a [Option<f32>],
}

/// Why there is no report.
#[derive(Debug, thiserror::Error)]
pub enum ReportError {
    /// The map is of another nominal.
    #[error(
        "the deviation has {values} values but the mesh has {vertices} vertices: take both of one inspection"
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
    // Records of an older form no longer serialise to the bytes that were hashed.
    if record.record_version == RECORD_VERSION {
        let actual = record.digest();
        if actual != input.result_sha256 {
            return Err(ReportError::OtherRecord { actual, stated: input.result_sha256.into() });
        }
    }
    let (worst, unmarked) = worst::worst(record, input.feature_places);
    let asked = |number: &str| input.asked.get(number);
    let mut rows: Vec<Row> =
        record.evaluations.iter().map(|e| Row::new(e, input.titles, asked(&e.number))).collect();
    let page = Page {
        input,
        record,
        verdict: rows::verdict_words(record.verdict),
        not_a_pass: record.verdict != Verdict::Conforms,
        scope: rows::scope_words(&record.scope),
        tally: rows::tally(record),
        scanned: record.sources.iter().any(|s| s.content == "scan"),
        shared_reason: rows::shared_reason(record, &mut rows),
        rows,
        shown: input.surface.map(|surface| Shown::new(surface, record, &worst, size)).transpose()?,
        worst: &worst,
        unmarked,
        curves: record.evaluations.iter().filter_map(Curve::new).collect(),
        hatch: palette::css(palette::HATCH[0]),
        hatch_dark: palette::css(palette::HATCH[1]),
        alignment: record.alignment.as_ref().map(Alignment::new),
        datum_systems: record.datum_systems.iter().map(DatumSystem::new).collect(),
        sources: record.sources.iter().enumerate().map(|(i, s)| Source::new(i, s)).collect(),
        budgets: record.evaluations.iter().map(Budget::new).collect(),
        conformities: record.evaluations.iter().filter_map(Conformity::new).collect(),
    };
    Ok(page.render()?)
}

/// The pictures and the scale that explains them.
struct Shown {
    pictures: Vec<Picture>,
    scale: Scale,
    nothing_seen: bool,
}

impl Shown {
    fn new(
        surface: Surface,
        record: &Record,
        worst: &[worst::Worst],
        size: picture::Size,
    ) -> Result<Self, ReportError> {
        let vertices = surface.mesh.vertices().len();
        let values = surface.deviation_mm.len();
        if values != 0 && values != vertices {
            return Err(ReportError::OtherNominal { values, vertices });
        }
        let unseen;
        let deviation = if values == 0 {
            unseen = vec![None; vertices];
            &unseen
        } else {
            surface.deviation_mm
        };
        let scale = Scale::of_record(record, deviation);
        let marks: Vec<marks::Mark> = worst.iter().map(|w| w.mark.clone()).collect();
        Ok(Self {
            pictures: picture::pictures(surface.mesh, deviation, &scale, &marks, size)?,
            nothing_seen: !deviation.iter().flatten().any(|d| d.is_finite()),
            scale,
        })
    }
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
    scanned: bool,
    /// Why all conform that do, where it is one reason.
    shared_reason: Option<String>,
    rows: Vec<Row>,
    shown: Option<Shown>,
    worst: &'a [worst::Worst],
    unmarked: Vec<String>,
    curves: Vec<Curve>,
    hatch: String,
    hatch_dark: String,
    alignment: Option<Alignment>,
    datum_systems: Vec<DatumSystem>,
    sources: Vec<Source>,
    budgets: Vec<Budget>,
    conformities: Vec<Conformity>,
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
