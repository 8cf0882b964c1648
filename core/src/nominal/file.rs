//! A nominal from the bytes of a file, whatever its format.

use super::{FaceKey, Nominal, NominalError, Side};
use crate::read::step::{self, Placed, StepError, StepFile, StepSettings};
use crate::read::{self as scans, ReadError};
use crate::run::Run;
use crate::scan::LengthUnit;

/// What must be known beside the bytes.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct NominalFile {
    /// Length unit of a mesh, which tells none; `None` for a STEP file, which tells its own.
    pub unit: Option<LengthUnit>,
    /// On which side of an open sheet the material is.
    pub side: Option<Side>,
    /// The part that is meant, by name, of a STEP file that holds several; all of them, as they are placed, if not told.
    pub part: Option<String>,
}

/// A part of a STEP file in one of its places.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NominalPart {
    /// As its product is called.
    pub name: String,
    /// The names of the occurrences on the way to it, the outermost first; empty for a part by itself.
    pub occurrence: Vec<String>,
    /// Which of the places of its part this is, from 0, as in [`FaceKey::instance`].
    pub instance: u32,
    /// `#id` of its faces, ascending, those too that could not be taken over.
    pub faces: Vec<u64>,
}

impl NominalPart {
    /// Whether a face is one of its own in this place.
    pub fn holds(&self, key: FaceKey) -> bool {
        self.instance == key.instance && self.faces.binary_search(&key.id).is_ok()
    }
}

/// Why a file is no nominal.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum NominalFileError {
    /// A mesh without a length unit.
    #[error("state the length unit of the nominal: its format tells none, and it is never guessed")]
    UnitNeeded,
    /// Bytes of something else.
    #[error("the file is {what}, no STEP, STL, PLY or OBJ: export the nominal as one of those")]
    Unknown {
        /// What it is, as far as its beginning tells.
        what: &'static str,
    },
    /// A length unit for a file that tells its own.
    #[error("a STEP file tells its own length units: leave the length unit out")]
    UnitInFile,
    /// A part's name for a file that holds no parts by name.
    #[error("only a STEP file holds parts by name: leave `part` out of the plan's nominal")]
    NoParts,
    /// The mesh cannot be read.
    #[error(transparent)]
    Mesh(#[from] ReadError),
    /// The STEP file cannot be read.
    #[error(transparent)]
    Step(#[from] StepError),
    /// It was read and is no nominal.
    #[error(transparent)]
    Nominal(#[from] NominalError),
}

impl NominalFileError {
    /// Whether the caller asked to stop.
    pub fn is_stopped(&self) -> bool {
        matches!(
            self,
            NominalFileError::Mesh(ReadError::Stopped(_))
                | NominalFileError::Step(StepError::Stopped(_))
                | NominalFileError::Nominal(NominalError::Stopped(_))
        )
    }
}

/// Reads a nominal: STEP with the exact surfaces of its faces; STL, PLY and OBJ as a mesh whose faces are found; plain or
/// in gzip or zip.
///
/// # Errors
/// What the file is not, with what to do.
pub fn read(bytes: &[u8], told: &NominalFile, run: &Run) -> Result<Nominal, NominalFileError> {
    Ok(read_with_parts(bytes, told, run)?.0)
}

/// As [`read`], with the parts that a STEP file has, each in each of its places; none of a mesh.
///
/// # Errors
/// As [`read`].
pub fn read_with_parts(
    bytes: &[u8],
    told: &NominalFile,
    run: &Run,
) -> Result<(Nominal, Vec<NominalPart>), NominalFileError> {
    let unpacked = scans::unpacked(bytes, run)?;
    let plain = unpacked.as_deref().unwrap_or(bytes);
    if step::is_step(plain) {
        if told.unit.is_some() {
            return Err(NominalFileError::UnitInFile);
        }
        let settings = StepSettings { part: told.part.clone(), ..StepSettings::default() };
        let file = step::read(run, plain, &settings)?;
        drop(unpacked);
        let nominal = Nominal::from_step(&file, settings.chord_mm, told.side, run)?;
        return Ok((nominal, parts(&file)));
    }
    if let Some(what) = something_else(plain) {
        return Err(NominalFileError::Unknown { what });
    }
    let Some(unit) = told.unit else {
        // The length unit of what cannot be read is no question.
        return Err(match scans::sniff(plain) {
            Some(_) => NominalFileError::UnitNeeded,
            None => NominalFileError::Unknown { what: "of no kind that is known" },
        });
    };
    if told.part.is_some() {
        return Err(NominalFileError::NoParts);
    }
    let raw = scans::read(plain, run)?;
    drop(unpacked);
    Ok((Nominal::from_mesh(raw, unit, told.side, run)?, Vec::new()))
}

/// The parts of a file in the order of their places.
fn parts(file: &StepFile) -> Vec<NominalPart> {
    let mut instances = vec![0u32; file.parts.len()];
    let of = |placed: &Placed| {
        let part = file.parts.get(placed.part)?;
        let instance = instances[placed.part];
        instances[placed.part] += 1;
        let mut faces: Vec<u64> = part.faces.iter().map(|f| f.id).collect();
        faces.sort_unstable();
        Some(NominalPart { name: part.name.clone(), occurrence: placed.path.clone(), instance, faces })
    };
    file.placed.iter().filter_map(of).collect()
}

/// What a file is that is no nominal at all.
fn something_else(bytes: &[u8]) -> Option<&'static str> {
    let text = bytes.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(bytes).trim_ascii_start();
    if text.is_empty() {
        Some("empty")
    } else if scans::is_utf16(&bytes[..bytes.len().min(512)]) {
        Some("text in UTF-16")
    } else if text.starts_with(b"<") {
        Some("XML")
    } else {
        None
    }
}
