//! What the store keeps, in words of its own: neither rows nor messages. One file, although long: it is
//! one vocabulary.

use std::collections::BTreeMap;

use scantling_core::nominal::Spread;
use scantling_core::points::Coordinates;
use scantling_core::readings::Reading;
use scantling_core::record::Verdict;
use scantling_core::scan::LengthUnit;
use scantling_core::uncertainty::InstrumentErrors;
use serde::{Deserialize, Serialize};

/// Gives an enum the words under which the store keeps it.
macro_rules! words {
    ($(#[$doc:meta])* $name:ident { $($(#[$variant_doc:meta])* $variant:ident = $word:literal),+ $(,)? }) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
        #[serde(rename_all = "snake_case")]
        pub enum $name { $($(#[$variant_doc])* $variant),+ }
        impl $name {
            /// The word under which it is kept.
            pub fn word(self) -> &'static str {
                match self { $(Self::$variant => $word),+ }
            }
            /// The value of a word.
            pub fn from_word(word: &str) -> Option<Self> {
                match word { $($word => Some(Self::$variant),)+ _ => None }
            }
        }
    };
}

words!(
    /// How far a revision is.
    RevisionState {
        /// Created, not yet released.
        Draft = "draft",
        /// In force.
        Released = "released",
        /// A newer one is in force.
        Superseded = "superseded",
    }
);

words!(
    /// How a part was held while it was scanned.
    Restraint {
        /// Not stated.
        Unstated = "unstated",
        /// Free state.
        FreeState = "free_state",
        /// Held in a fixture.
        Fixture = "fixture",
    }
);

words!(
    /// How a surface takes an optical instrument's light.
    SurfaceClass {
        /// Matt and light.
        Dull = "dull",
        /// Dark.
        Dark = "dark",
        /// Glossy.
        Gloss = "gloss",
    }
);

words!(
    /// What was done to the points of a scan.
    MeshHistory {
        /// Nothing.
        Raw = "raw",
        /// Smoothed.
        Smoothed = "smoothed",
        /// Openings were closed.
        HolesFilled = "holes_filled",
    }
);

words!(
    /// What the bytes of an acquisition hold.
    Content {
        /// A scan.
        Scan = "scan",
        /// Measured points.
        Points = "points",
    }
);

words!(
    /// What an inspection is for.
    Purpose {
        /// A production part.
        Production = "production",
        /// A first article.
        FirstArticle = "first_article",
        /// A study.
        Study = "study",
        /// A rehearsal.
        Rehearsal = "rehearsal",
    }
);

words!(
    /// How far an inspection is.
    State {
        /// Accepted, waiting.
        Queued = "queued",
        /// Being measured.
        Running = "running",
        /// Finished with a verdict.
        Done = "done",
        /// Ended without a verdict.
        Failed = "failed",
    }
);

words!(
    /// Why an inspection ended without a verdict.
    Failure {
        /// The scan file cannot be read.
        ScanUnreadable = "scan_unreadable",
        /// The scan is too large for the limits set.
        LimitExceeded = "limit_exceeded",
        /// The scan's size suggests another length unit.
        LengthUnit = "length_unit",
        /// The file of points cannot be read, or names what the plan has not.
        PointsUnreadable = "points_unreadable",
        /// A fault of the program.
        Internal = "internal",
    }
);

/// A part.
#[derive(Clone, Debug, PartialEq)]
pub struct Part {
    pub id: String,
    pub title: String,
    pub create_time_us: i64,
    /// Id of the revision in force.
    pub released_revision: Option<String>,
}

/// A place where a pick of a plan was bound on its nominal.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Bound {
    pub feature: String,
    /// The kind's lower-case word in the plan.
    pub kind: String,
    pub area_mm2: f64,
    pub centroid_mm: [f64; 3],
    /// Of a cylinder: a hole, a pin.
    pub diameter_mm: Option<f64>,
    /// How its area is spread; absent without a nominal, and in what older programs kept.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub spread: Option<Spread>,
    /// The faces on which it lies, as the nominal's file numbers them; none of a mesh.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub faces: Vec<String>,
}

/// The nominal of a neighbour.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NeighbourFile {
    /// Its id in the plan.
    pub id: String,
    /// Digest of its file.
    pub sha256: String,
    /// The length unit that was stated; `None` of a file that tells its own.
    pub unit: Option<LengthUnit>,
}

/// What a caller gives to make a revision, checked.
#[derive(Clone, Debug, PartialEq)]
pub struct NewRevision {
    pub part: String,
    pub id: String,
    /// The plan in the JSON form of its file.
    pub plan_json: String,
    pub plan_sha256: String,
    /// Source text as it was sent; empty when it came as a message.
    pub plan_source: String,
    /// Digest of its nominal and the length unit that was stated; `None` for a plan without one.
    pub nominal: Option<(String, Option<LengthUnit>)>,
    /// The nominals of the neighbours that the plan names.
    pub neighbours: Vec<NeighbourFile>,
    pub bound: Vec<Bound>,
    /// What there was to tell when it was registered, beside what the plan itself gives.
    pub remarks: Vec<String>,
}

/// A revision.
#[derive(Clone, Debug, PartialEq)]
pub struct Revision {
    pub content: NewRevision,
    pub state: RevisionState,
    pub create_time_us: i64,
    pub release_time_us: Option<i64>,
}

/// Stored bytes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BlobRow {
    pub sha256: String,
    pub size_bytes: u64,
}

/// An upload under way.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Upload {
    pub id: String,
    pub sha256: String,
    pub size_bytes: u64,
    /// Bytes that are safe.
    pub offset_bytes: u64,
    pub complete: bool,
}

/// What a caller gives to record a scan, checked.
#[derive(Clone, Debug, PartialEq)]
pub struct NewAcquisition {
    pub blob: String,
    pub length_unit: LengthUnit,
    pub instrument: String,
    pub operator: String,
    pub acquire_time_us: Option<i64>,
    pub restraint: Restraint,
    pub temperature_c: Option<f64>,
    pub simulated: bool,
    pub content: Content,
    /// What the columns of a text file hold; empty to find it.
    pub columns: String,
    /// In which axes measured points are told; `None` for a scan.
    pub coordinates: Option<Coordinates>,
    /// Standard uncertainty of one coordinate of measured points, where the file says none, mm.
    pub point_standard_mm: Option<f64>,
    /// How it was taken beyond that.
    pub conditions: TakenConditions,
    /// Id of the instrument in the register, where one was named.
    pub registered_instrument: Option<String>,
}

/// How an acquisition was taken, as far as it was stated and has no place of its own.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct TakenConditions {
    pub errors: InstrumentErrors,
    pub supports: String,
    pub gravity: Option<[f64; 3]>,
    pub matt_spray: Option<bool>,
    pub surface_class: Option<SurfaceClass>,
    pub mesh_history: Option<MeshHistory>,
    pub passes: Option<u32>,
    pub temperature_standard_k: Option<f64>,
}

/// A scan as it was taken.
#[derive(Clone, Debug, PartialEq)]
pub struct Acquisition {
    pub id: String,
    pub content: NewAcquisition,
    pub create_time_us: i64,
}

/// Where and how a part was made; free text.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Context {
    pub mould: String,
    pub cavity: String,
    pub lot: String,
    pub trim_fixture: String,
    pub machine: String,
    pub order: String,
    pub other: BTreeMap<String, String>,
}

/// One scan or file of points that serves an inspection.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SourceRequest {
    /// Id of the acquisition.
    pub acquisition: String,
    /// Smallest and largest x, y, z of the box that is meant, mm, in the scan's axes.
    pub region: Option<[[f64; 3]; 2]>,
    /// Rotation, row by row, and shift, mm, from scan axes to part axes.
    pub placement: Option<([[f64; 3]; 3], [f64; 3])>,
}

impl SourceRequest {
    /// The whole of an acquisition.
    pub fn whole(acquisition: impl Into<String>) -> Self {
        Self { acquisition: acquisition.into(), region: None, placement: None }
    }
}

/// What a caller asks for, checked as far as it can be without the store. Its canonical JSON is what
/// `request_id` stands for.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Request {
    pub part: String,
    pub revision: String,
    pub serial_number: String,
    /// In the caller's order.
    pub sources: Vec<SourceRequest>,
    /// Readings by hand instruments.
    pub readings: Vec<Reading>,
    pub scope_groups: Vec<String>,
    pub purpose: Purpose,
    pub context: Context,
    /// Id of the inspection that this one repeats.
    pub repeat_of: Option<String>,
}

/// An inspection.
#[derive(Clone, Debug, PartialEq)]
pub struct Inspection {
    pub id: String,
    pub request: Request,
    pub attempt: u32,
    pub state: State,
    pub verdict: Option<Verdict>,
    pub reason: String,
    /// Canonical JSON of the record; left out of lists.
    pub result_json: Option<String>,
    pub result_sha256: Option<String>,
    pub report_sha256: Option<String>,
    pub deviation_sha256: Option<String>,
    pub failure: Option<Failure>,
    pub create_time_us: i64,
    pub finish_time_us: Option<i64>,
    pub sequence: Option<i64>,
}

/// The right to end one inspection, until a later claim takes it over.
#[derive(Clone, Debug, PartialEq)]
pub struct Claim {
    pub inspection: Inspection,
    pub fence: i64,
    /// How often it was begun without being handed back, this time included.
    pub starts: u32,
}

/// How an inspection ended.
#[derive(Clone, Debug, PartialEq)]
pub enum Outcome {
    /// With a verdict.
    Done {
        verdict: Verdict,
        reason: String,
        result_json: String,
        result_sha256: String,
        report: Option<BlobRow>,
        /// Deviation and coverage per vertex of the nominal.
        deviation: Option<BlobRow>,
    },
    /// Without one.
    Failed { failure: Failure, reason: String },
}

/// Which inspections to list.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Filter {
    pub part: Option<String>,
    pub revision: Option<String>,
    pub serial_number: Option<String>,
}

/// A page of a list, and where the next one begins.
#[derive(Clone, Debug, PartialEq)]
pub struct Page<T> {
    pub items: Vec<T>,
    /// `None` on the last page.
    pub next: Option<i64>,
}

/// One entry of the audit trail.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct AuditEntry {
    pub ord: i64,
    pub time_us: i64,
    pub caller: String,
    pub action: String,
    pub subject: String,
    pub detail: String,
    pub previous_sha256: String,
    pub sha256: String,
}
