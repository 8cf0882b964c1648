//! Single sums: what is asked, and what was found.

use scantling_core::align::{Finding, Instance, Instances};
use scantling_core::geometry::{Aabb, Motion, PartFrame, Point, ScanFrame, Vector};
use scantling_core::inspect::Aligned;
use scantling_core::read::RawScan;
use scantling_core::record::Record;
use scantling_core::scan::LengthUnit;
use scantling_core::uncertainty::Conditions;
use scantling_proto::v1::{self, scan_input::Scan as Sent};

use super::fields::Fields;
use super::status::{ErrorReason, Problem};
use super::{enums, evaluation, source};
use crate::measuring::MeasureError;
use crate::measuring::sums::{ScanAsk, ScanFrom, SumError};
use crate::store::{Acquisition, Failure};

/// A scan by reference that is still to be looked up, or whole.
pub(crate) enum Asked {
    /// Id of an acquisition, with region and placement.
    Kept { acquisition: String, ask: Box<ScanAsk> },
    /// Everything is there.
    Whole(Box<ScanAsk>),
}

/// What a scan of a request is; `inline` is the most points taken within a message.
pub(crate) fn scan(
    fields: &mut Fields,
    field: &str,
    sent: Option<v1::ScanInput>,
    inline: usize,
) -> Option<Asked> {
    let Some(sent) = sent else {
        fields.wrong(field, "must be sent");
        return None;
    };
    if sent.region.is_some() && sent.placement.is_some() {
        fields.wrong(field, "has region and placement; say one");
    }
    let region = sent.region.as_ref().and_then(|r| source::region(fields, &format!("{field}.region"), r));
    let placement =
        sent.placement.as_ref().and_then(|p| source::placement(fields, &format!("{field}.placement"), p));
    match sent.scan {
        None => {
            fields.wrong(field, "must say where the points are: `acquisition`, `blob` or `points`");
            None
        }
        Some(Sent::Acquisition(name)) => {
            let acquisition = fields.acquisition(&format!("{field}.acquisition"), &name);
            let from = ScanFrom::Points { raw: RawScan::default(), unit: LengthUnit::Millimetre };
            Some(Asked::Kept {
                acquisition,
                ask: Box::new(ScanAsk { from, region, placement, conditions: Conditions::default() }),
            })
        }
        Some(Sent::Blob(blob)) => {
            let digest = fields.blob(&format!("{field}.blob.blob"), &blob.blob);
            let unit = fields.length_unit(&format!("{field}.blob.length_unit"), blob.length_unit);
            let columns = fields.columns(&format!("{field}.blob.columns"), blob.columns);
            let from = ScanFrom::File { blob: digest?.hex().to_owned(), unit: unit?, columns };
            Some(Asked::Whole(Box::new(ScanAsk {
                from,
                region,
                placement,
                conditions: Conditions::default(),
            })))
        }
        Some(Sent::Points(list)) => {
            let unit = fields.length_unit(&format!("{field}.points.length_unit"), list.length_unit);
            let points = triples(fields, &format!("{field}.points.coordinates"), &list.coordinates, inline);
            let normals = triples(fields, &format!("{field}.points.normals"), &list.normals, inline);
            let (points, normals) = (points?, normals?);
            if !normals.is_empty() && normals.len() != points.len() {
                fields.wrong(
                    &format!("{field}.points.normals"),
                    format!("are {} for {} points; send one each, or none", normals.len(), points.len()),
                );
                return None;
            }
            let raw = RawScan {
                points: points.into_iter().map(Point::from).collect(),
                normals: (!normals.is_empty()).then(|| normals.into_iter().map(Vector::from).collect()),
                ..RawScan::default()
            };
            let from = ScanFrom::Points { raw, unit: unit? };
            Some(Asked::Whole(Box::new(ScanAsk {
                from,
                region,
                placement,
                conditions: Conditions::default(),
            })))
        }
    }
}

fn triples(fields: &mut Fields, field: &str, values: &[f64], most: usize) -> Option<Vec<[f64; 3]>> {
    if values.len() > 3 * most {
        let words =
            format!("hold {} points; at most {most} are taken, send more as a blob", values.len() / 3);
        fields.wrong(field, words);
        return None;
    }
    let (triples, rest) = values.as_chunks::<3>();
    if !rest.is_empty() {
        fields.wrong(field, format!("have {} numbers; three make a point", values.len()));
        return None;
    }
    if let Some(bad) = triples.iter().position(|t| !t.iter().all(|v| v.is_finite())) {
        fields.wrong(field, format!("point {bad} (from 0) is not three finite numbers"));
        return None;
    }
    Some(triples.to_vec())
}

/// The scan of an acquisition that was looked up, and how that was taken.
pub(crate) fn kept(mut ask: ScanAsk, acquisition: &Acquisition, conditions: Conditions) -> ScanAsk {
    let content = &acquisition.content;
    ask.conditions = conditions;
    ask.from = ScanFrom::File {
        blob: content.blob.clone(),
        unit: content.length_unit,
        columns: content.columns.clone(),
    };
    ask
}

fn placed(motion: &Motion<PartFrame, ScanFrame>) -> v1::Placement {
    source::of_placement(motion.rows())
}

fn boxed(bounds: &Aabb) -> v1::Region {
    source::of_region([
        [bounds.low.x, bounds.low.y, bounds.low.z],
        [bounds.high.x, bounds.high.y, bounds.high.z],
    ])
}

pub(crate) fn located(found: &Instances) -> v1::LocateResponse {
    let findings = found.findings.iter().map(finding).collect();
    let other_points = (found.support_points + found.clutter_points) as i64;
    v1::LocateResponse { findings, other_points, notes: Vec::new() }
}

fn finding(finding: &Finding) -> v1::Finding {
    let whole = |kind: v1::FindingKind, i: &Instance, reason: &str| v1::Finding {
        kind: kind.into(),
        placements: vec![placed(&i.part_from_scan)],
        explained: Some(i.explained),
        evidence_for: i64::try_from(i.evidence_for).ok(),
        evidence_against: i64::try_from(i.evidence_against).ok(),
        reason: reason.into(),
        ..v1::Finding::default()
    };
    let told = match finding {
        Finding::Instance(i) => whole(v1::FindingKind::Part, i, "the part"),
        Finding::OtherHand(i) => whole(
            v1::FindingKind::OtherHand,
            i,
            "its mirror image: the part of the other hand, placed on the nominal mirrored at x = 0",
        ),
        Finding::Undetermined(open) => v1::Finding {
            kind: v1::FindingKind::Undetermined.into(),
            placements: open.poses.iter().map(placed).collect(),
            reason: open.why.to_string(),
            ..v1::Finding::default()
        },
        Finding::NotThisPart(other) => v1::Finding {
            kind: v1::FindingKind::Other.into(),
            reason: other.why.to_string(),
            ..v1::Finding::default()
        },
    };
    v1::Finding { region: Some(boxed(finding.bounds())), points: finding.points().len() as i64, ..told }
}

pub(crate) fn aligned(found: Aligned) -> v1::AlignResponse {
    v1::AlignResponse {
        placement: Some(placed(&found.part_from_scan)),
        best_fit: Some(placed(&found.best_fit)),
        rms_mm: found.rms_mm,
        points: i64::try_from(found.points).unwrap_or(i64::MAX),
        stop: found.stop,
        noise_mm: found.noise_mm,
        standard_uncertainty: found.standard_uncertainty.to_vec(),
        weak_directions: found.weak_directions,
        datums: found
            .datums
            .into_iter()
            .map(|d| v1::DatumResidual {
                letter: d.letter,
                feature: d.feature,
                locks: d.locks,
                residual_mm: d.residual_mm,
            })
            .collect(),
        cautions: found.cautions,
    }
}

pub(crate) fn evaluated(record: Record) -> Result<v1::EvaluateResponse, Problem> {
    let result_json = record.canonical_json();
    let messages = record.evaluations.iter().map(evaluation::to_message);
    Ok(v1::EvaluateResponse {
        evaluations: messages.collect::<Result<_, _>>().map_err(Problem::internal)?,
        advice: evaluation::advice(&record.advice).map_err(Problem::internal)?,
        verdict: enums::of_verdict(record.verdict).into(),
        reason: record.reason,
        cautions: record.cautions,
        result_sha256: scantling_core::canonical::sha256_hex(result_json.as_bytes()),
        result_json,
    })
}

impl From<SumError> for Problem {
    fn from(error: SumError) -> Self {
        match error {
            SumError::Fields(wrong) => Problem::fields(ErrorReason::InvalidField, wrong),
            SumError::Undetermined(reason) => Problem::new(ErrorReason::Undetermined, reason),
            SumError::Measure(MeasureError::Stopped) => Problem::stopping(),
            SumError::Measure(MeasureError::Passing { reason }) => {
                Problem::new(ErrorReason::Overloaded, reason)
            }
            SumError::Measure(MeasureError::Failed { failure, reason }) => {
                let why = match failure {
                    Failure::ScanUnreadable | Failure::LengthUnit | Failure::PointsUnreadable => {
                        ErrorReason::ScanRefused
                    }
                    Failure::LimitExceeded => ErrorReason::LimitExceeded,
                    Failure::Internal => ErrorReason::Internal,
                };
                Problem::new(why, reason)
            }
        }
    }
}
