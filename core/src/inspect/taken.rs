//! Measured points of one part: held against the plan, put onto the datums.

use std::collections::BTreeMap;

use super::conditions::AtReference;
use super::{InspectError, Job, datum_record};
use crate::datum::establish_by_points;
use crate::evaluate::{DisplacedPoints, PointEvidence, PointPose, features_of_others, point_features};
use crate::geometry::{Displacement, Motion, PartFrame, Point, ScanFrame, Vector};
use crate::plan::{Characteristic, DatumSystem, Fault};
use crate::points::{Coordinates, PointSet, PointsError, TakenPoint, check};
use crate::record::{ConditionsRecord, DatumSystemRecord, SourceRecord};
use crate::run::Run;
use crate::uncertainty::{Effect, Inputs};

/// The points, by feature.
pub(super) struct Taken<'a> {
    /// Index of a feature to the source that has points of it, and those.
    of_feature: BTreeMap<usize, (usize, Vec<&'a TakenPoint>)>,
    /// Per source and datum system: where the points lie on the part.
    poses: Vec<Vec<Option<Result<Posed, String>>>>,
    /// Per source: what displaces all of its points.
    inputs: Vec<Inputs>,
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
    pub(super) fn new(run: &Run, job: &Job<'a>, at_reference: &AtReference) -> Result<Self, InspectError> {
        run.check()?;
        let mut taken =
            Self { of_feature: BTreeMap::new(), poses: Vec::new(), inputs: Vec::new(), trusted: false };
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
            taken.inputs.push(at_reference.of_points(job, s));
            let told = |m: &Motion<PartFrame, ScanFrame>| at_reference.told(job.scans.len() + s, m);
            taken.poses.push(
                job.plan
                    .datum_systems
                    .iter()
                    .map(|system| {
                        Some(match (loose(system), trusted) {
                            (Err(reason), _) => Err(reason),
                            (Ok(()), true) => Ok(on_trust()),
                            (Ok(()), false) => posed(job, source.set, system, told),
                        })
                    })
                    .collect(),
            );
        }
        Ok(taken)
    }

    /// Whether points were taken of any of some features.
    pub(super) fn has(&self, features: &[usize]) -> bool {
        features.iter().any(|f| self.of_feature.contains_key(f))
    }

    /// The source that has points of a feature.
    pub(super) fn source_of(&self, feature: usize) -> Option<usize> {
        self.of_feature.get(&feature).map(|f| f.0)
    }

    /// The points of a feature for a characteristic.
    pub(super) fn evidence<'b>(
        &'b self,
        job: &Job<'b>,
        characteristic: &Characteristic,
        feature: usize,
    ) -> PointEvidence<'b> {
        let (nominal, faces) = (job.nominal, job.faces);
        let looked_at = point_features(characteristic, &job.faces.features[feature]);
        let taken: Vec<&(usize, Vec<&TakenPoint>)> =
            looked_at.iter().filter_map(|f| self.of_feature.get(f)).collect();
        let nothing = |reason: &str| {
            let (points, pose, displaced) = (Vec::new(), Err(reason.to_owned()), Vec::new());
            PointEvidence { points, pose, nominal, faces, displaced }
        };
        let Some((source, _)) = taken.first() else { return nothing("no point was taken of it") };
        if taken.iter().any(|t| t.0 != *source) {
            return nothing(
                "points of its features are in several files, whose axes may differ: send them in one",
            );
        }
        let source = *source;
        // What one movement must serve with it is held by points of the same file, which lie as its own do.
        let mut looked_at = looked_at;
        let mut beside = features_of_others(job.plan, job.faces, characteristic);
        beside.retain(|f| self.source_of(*f) == Some(source));
        for f in beside {
            if !looked_at.contains(&f) {
                looked_at.push(f);
            }
        }
        let taken = looked_at.iter().filter_map(|f| self.of_feature.get(f));
        let points: Vec<&TakenPoint> = taken.flat_map(|t| &t.1).copied().collect();
        let poses = &self.poses[source];
        let pose = match characteristic.datum_system {
            Some(d) => poses.get(d).and_then(Option::as_ref),
            // What refers to no datums may be seen from any.
            None => poses.iter().flatten().find(|p| p.is_ok()),
        };
        let pose = match pose {
            Some(Ok(posed)) => Ok(posed.pose.clone()),
            Some(Err(reason)) => Err(reason.clone()),
            None if job.points[source].set.coordinates == Coordinates::Part => Ok(on_trust().pose),
            None => {
                Err("the points are told in the instrument's axes, and no datum system was taken up".into())
            }
        };
        let mut names: Vec<&str> =
            looked_at.iter().filter_map(|&f| Some(job.faces.features.get(f)?.id.as_str())).collect();
        names.sort_unstable();
        let displaced = match &pose {
            Ok(pose) => self.displaced(job, source, pose, (characteristic, &names)),
            Err(_) => Vec::new(),
        };
        PointEvidence { points, pose, nominal, faces, displaced }
    }

    /// The points of some features as each input would displace all points of their source, there and back, and how these then lie
    /// on the part.
    fn displaced<'b>(
        &'b self,
        job: &Job<'b>,
        source: usize,
        pose: &PointPose,
        (characteristic, names): (&Characteristic, &[&str]),
    ) -> Vec<(&'b Effect, [DisplacedPoints; 2])> {
        let set = job.points[source].set;
        let system = characteristic.datum_system.map(|d| &job.plan.datum_systems[d]);
        let back = pose.part_from_points.inverse();
        let one = |effect: &Effect, way: f64| {
            let mut moved = set.clone();
            for p in &mut moved.points {
                let place = pose.part_from_points.point(&p.point);
                let normal = p.normal.map_or_else(Vector::zeros, |n| n.vector());
                p.point = back.point(&(place + effect.displacement.at(&place, &normal) * way));
                if let (Displacement::Scale { by, .. }, Some(d)) = (&effect.displacement, &mut p.diameter_mm)
                {
                    *d *= 1.0 + by * way;
                }
            }
            let pose = match (system, set.coordinates) {
                (Some(system), Coordinates::Instrument) => posed(job, &moved, system, |m| *m).map(|p| p.pose),
                // The datums meet in the origin of the part's axes, where the instrument was aligned on them as it sees them.
                (_, Coordinates::Part) => {
                    let origin = effect.displacement.at(&Point::origin(), &Vector::zeros()) * -way;
                    let shift = Motion::turn_about(Point::origin(), Vector::zeros(), origin);
                    Ok(PointPose { part_from_points: shift * pose.part_from_points, ..pose.clone() })
                }
                (None, Coordinates::Instrument) => Ok(pose.clone()),
            };
            moved.points.retain(|p| names.binary_search(&p.name.as_str()).is_ok());
            DisplacedPoints { points: moved.points, pose }
        };
        let effects = self.inputs[source].effects.iter();
        effects.map(|effect| (effect, [1.0, -1.0].map(|way| one(effect, way)))).collect()
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
                conditions: ConditionsRecord::default(),
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
        free: Vec::new(),
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

fn posed(
    job: &Job,
    set: &PointSet,
    system: &DatumSystem,
    told: impl Fn(&Motion<PartFrame, ScanFrame>) -> Motion<PartFrame, ScanFrame>,
) -> Result<Posed, String> {
    let found = establish_by_points(set, system, job.plan, job.faces).map_err(|e| e.to_string())?;
    let pose = PointPose {
        part_from_points: found.part_from_points,
        covariance: found.covariance,
        centre: found.centre,
        free: found.free,
    };
    let motion = told(&found.part_from_points);
    let record = datum_record(&system.id, "points", &motion, &found.datums, found.rounds);
    Ok(Posed { pose, record: Some(record) })
}
