//! Measured points of one part: held against the plan, put onto the datums.

use std::collections::BTreeMap;

use super::{InspectError, Job, datum_record};
use crate::datum::establish_by_points;
use crate::evaluate::{PointEvidence, PointPose};
use crate::geometry::{Motion, Point};
use crate::plan::{Characteristic, DatumSystem, Fault};
use crate::points::{Coordinates, PointSet, PointsError, TakenPoint, check};
use crate::record::{DatumSystemRecord, SourceRecord};
use crate::run::Run;

/// The points, by feature.
pub(super) struct Taken<'a> {
    /// Index of a feature to the source that has points of it, and those.
    of_feature: BTreeMap<usize, (usize, Vec<&'a TakenPoint>)>,
    /// Per source and datum system: where the points lie on the part.
    poses: Vec<Vec<Option<Result<Posed, String>>>>,
    trusted: bool,
}

/// Points on a datum system.
struct Posed {
    pose: PointPose,
    /// `None` where the instrument's alignment is taken on trust.
    record: Option<DatumSystemRecord>,
}

impl<'a> Taken<'a> {
    /// Holds all points against the plan and takes up the datum systems that it needs.
    pub(super) fn new(run: &Run, job: &Job<'a>) -> Result<Self, InspectError> {
        run.check()?;
        let mut taken = Self { of_feature: BTreeMap::new(), poses: Vec::new(), trusted: false };
        for (s, source) in job.points.iter().enumerate() {
            check(source.set, job.plan, job.faces).map_err(InspectError::Points)?;
            for p in &source.set.points {
                let Some(f) = job.faces.features.iter().position(|f| f.id == p.name) else { continue };
                let (first, points) = taken.of_feature.entry(f).or_insert((s, Vec::new()));
                if *first != s {
                    let problem = format!("{} was taken in source {} too; leave one", p.name, *first + 1);
                    let fault = Fault { place: format!("source {}, line {}", s + 1, p.line), problem };
                    return Err(InspectError::Points(PointsError::Faults(vec![fault])));
                }
                points.push(p);
            }
            let trusted = source.set.coordinates == Coordinates::Part;
            taken.trusted |= trusted;
            taken.poses.push(
                job.plan
                    .datum_systems
                    .iter()
                    .map(|system| {
                        Some(match (loose(system), trusted) {
                            (Err(reason), _) => Err(reason),
                            (Ok(()), true) => Ok(on_trust()),
                            (Ok(()), false) => posed(job, source.set, system),
                        })
                    })
                    .collect(),
            );
        }
        Ok(taken)
    }

    /// Whether points were taken of a feature.
    pub(super) fn has(&self, feature: usize) -> bool {
        self.of_feature.contains_key(&feature)
    }

    /// The points of a feature for a characteristic.
    pub(super) fn evidence(
        &self,
        job: &Job<'a>,
        characteristic: &Characteristic,
        feature: usize,
    ) -> PointEvidence<'a> {
        let Some((source, points)) = self.of_feature.get(&feature) else {
            let pose = Err("no point was taken of it".to_owned());
            return PointEvidence { points: Vec::new(), pose, nominal: job.nominal };
        };
        let poses = &self.poses[*source];
        let pose = match characteristic.datum_system {
            Some(d) => poses.get(d).and_then(Option::as_ref),
            // What refers to no datums may be seen from any.
            None => poses.iter().flatten().find(|p| p.is_ok()),
        };
        let pose = match pose {
            Some(Ok(posed)) => Ok(posed.pose.clone()),
            Some(Err(reason)) => Err(reason.clone()),
            None if job.points[*source].set.coordinates == Coordinates::Part => Ok(on_trust().pose),
            None => {
                Err("the points are told in the instrument's axes, and no datum system was taken up".into())
            }
        };
        PointEvidence { points: points.clone(), pose, nominal: job.nominal }
    }

    /// The files as they went in.
    pub(super) fn sources(&self, job: &Job) -> Vec<SourceRecord> {
        job.points
            .iter()
            .map(|source| SourceRecord {
                sha256: source.sha256.clone(),
                content: "points".into(),
                used: match source.set.coordinates {
                    Coordinates::Part => "in the part's axes, as the instrument was aligned",
                    Coordinates::Instrument => "in the instrument's axes",
                }
                .into(),
                points: source.set.points.len() as u64,
                alignment: None,
            })
            .collect()
    }

    /// The datum systems that were taken up by points.
    pub(super) fn datum_systems(&self) -> Vec<DatumSystemRecord> {
        let all = self.poses.iter().flatten().flatten();
        all.filter_map(|p| p.as_ref().ok()?.record.clone()).collect()
    }

    /// What a reader must know of them.
    pub(super) fn cautions(&self) -> Vec<String> {
        let mut cautions = Vec::new();
        if self.trusted {
            cautions.push("Measured points came in the part's axes: the instrument's own alignment on the datums is taken on trust and adds nothing to the uncertainty.".into());
        }
        cautions
    }
}

fn on_trust() -> Posed {
    let pose = PointPose {
        part_from_points: Motion::identity(),
        covariance: Some([[0.0; 6]; 6]),
        centre: Point::origin(),
    };
    Posed { pose, record: None }
}

/// What a datum at a material condition allows is not known from points.
fn loose(system: &DatumSystem) -> Result<(), String> {
    if system.is_loose() {
        return Err(format!(
            "a datum of datum system {} is taken at a material condition, which is evaluated on scans only in this version",
            system.id
        ));
    }
    Ok(())
}

fn posed(job: &Job, set: &PointSet, system: &DatumSystem) -> Result<Posed, String> {
    let found = establish_by_points(set, system, job.plan, job.faces).map_err(|e| e.to_string())?;
    if !found.free.is_empty() {
        return Err(format!(
            "datum system {} leaves {} of the part's six freedoms free; by points the part must be held, on a scan what is \
             free is used to the best of the tolerance",
            system.id,
            found.free.len()
        ));
    }
    let pose = PointPose {
        part_from_points: found.part_from_points,
        covariance: found.covariance,
        centre: found.centre,
    };
    let record = datum_record(&system.id, "points", &found.part_from_points, &found.datums, found.rounds);
    Ok(Posed { pose, record: Some(record) })
}
