//! One scan, found on the part; and what the record says of it.

use std::borrow::Cow;

use super::placed::{self, PLACED_REACH_MM, Told};
use super::{ScanPart, ScanSource};
use crate::align::{
    AlignError, Alignment, FineSettings, LocateError, LocateSettings, Located, fine, locate, outward,
};
use crate::geometry::{Motion, PartFrame, ScanFrame};
use crate::nominal::Nominal;
use crate::plan::Plan;
use crate::record::{AlignmentRecord, ConditionsRecord, SourceRecord};
use crate::run::{Run, Stopped};
use crate::scan::Scan;
use crate::search::SurfaceTree;

/// One scan on the part.
pub(super) struct Found<'a> {
    pub(super) scan: Cow<'a, Scan>,
    pub(super) located: Option<Located>,
    /// For a place that was told: how well the scan bears it out.
    pub(super) told: Option<Told>,
    pub(super) fine: Alignment,
    /// How many points near the part lie on the side of a wall that distance alone told: none of a scan with normals of its own,
    /// `None` where nothing but distance told any.
    pub(super) by_distance: Option<usize>,
}

/// Why a scan does not lie on the part.
pub(super) enum Unaligned {
    Stopped(Stopped),
    LengthUnit(String),
    Because(String),
}

impl From<Stopped> for Unaligned {
    fn from(stopped: Stopped) -> Self {
        Unaligned::Stopped(stopped)
    }
}

/// A part may be bent so far that it lies outside the reach of a best fit where that is far off it.
const BENT: f64 = 2.0;

/// Finds one scan on the part, or takes it where it is said to lie, and aligns it.
pub(super) fn align<'a>(
    run: &Run,
    plan: &Plan,
    nominal: &Nominal,
    tree: &SurfaceTree,
    source: &ScanSource<'a>,
) -> Result<Found<'a>, Unaligned> {
    let because = |what: &str, error: &dyn std::fmt::Display| Unaligned::Because(format!("{what}: {error}"));
    let scan = match &source.part {
        ScanPart::Placement(told) => {
            let (scan, by_distance) = faced(run, nominal, tree, Cow::Borrowed(source.scan), told)?;
            let found = placed::align(run, plan, nominal, tree, &scan, told)?;
            return Ok(Found { by_distance, ..found });
        }
        ScanPart::Region(bounds) => {
            let inside: Vec<u32> = (0u32..)
                .zip(source.scan.points().iter())
                .filter(|(_, p)| bounds.contains(p))
                .map(|(i, _)| i)
                .collect();
            if inside.is_empty() {
                return Err(Unaligned::Because("no point of the scan lies in the region given".into()));
            }
            Cow::Owned(source.scan.subset(&inside))
        }
        ScanPart::Whole => Cow::Borrowed(source.scan),
    };
    let located = match locate(run, nominal, tree, &scan, &LocateSettings::default()) {
        Ok(located) => located,
        Err(LocateError::Stopped(stopped)) => return Err(stopped.into()),
        Err(error @ LocateError::OtherUnit { .. }) => {
            return Err(Unaligned::LengthUnit(error.to_string()));
        }
        Err(error) => return Err(because("the scan could not be located on the part", &error)),
    };
    let (scan, by_distance) = faced(run, nominal, tree, scan, &located.part_from_scan)?;
    match fine(run, nominal, tree, &scan, located.part_from_scan, &FineSettings::default()) {
        Ok(fine) => Ok(Found { scan, located: Some(located), told: None, fine, by_distance }),
        Err(AlignError::Stopped(stopped)) => Err(stopped.into()),
        Err(error) => Err(because("the scan could not be aligned", &error)),
    }
}

/// A scan without normals is given them where it lies, if what lies around its points tells them; and how many points near the
/// part distance alone told, `None` where it told all.
pub(super) fn faced<'a>(
    run: &Run,
    nominal: &Nominal,
    tree: &SurfaceTree,
    scan: Cow<'a, Scan>,
    part_from_scan: &Motion<PartFrame, ScanFrame>,
) -> Result<(Cow<'a, Scan>, Option<usize>), Stopped> {
    if scan.normals().is_some() {
        return Ok((scan, Some(0)));
    }
    let reach_mm = BENT * FineSettings::default().reach_mm;
    Ok(match outward(run, nominal, tree, &scan, part_from_scan, reach_mm)? {
        Some(found) => (Cow::Owned(scan.with_normals(found.normals)), Some(found.by_distance)),
        None => (scan, None),
    })
}

/// A source as it went in.
pub(super) fn source(one: &ScanSource, points: usize, alignment: Option<AlignmentRecord>) -> SourceRecord {
    let used = match &one.part {
        ScanPart::Whole => "the whole scan".to_owned(),
        ScanPart::Region(b) => format!(
            "the box from x {}, y {}, z {} to x {}, y {}, z {} mm in the scan's axes",
            b.low.x, b.low.y, b.low.z, b.high.x, b.high.y, b.high.z
        ),
        ScanPart::Placement(_) => {
            format!("points within {PLACED_REACH_MM} mm of the part where it was said to lie")
        }
    };
    SourceRecord {
        sha256: one.sha256.clone(),
        content: "scan".into(),
        used,
        points: points as u64,
        alignment,
        conditions: ConditionsRecord::default(),
    }
}

pub(super) fn alignment_record(located: Option<&Located>, fine: &Alignment) -> AlignmentRecord {
    let (rotation, translation_mm) = fine.part_from_scan.rows();
    AlignmentRecord {
        rotation,
        translation_mm,
        rms_mm: fine.rms_mm,
        points: fine.points_used as u64,
        stop: fine.stop.word().into(),
        evidence_for: located.map_or(0, |l| l.evidence_for),
        evidence_against: located.map_or(0, |l| l.evidence_against),
        noise_mm: 0.0,
        points_unexplained: 0,
    }
}
