//! Plans and nominals on their way in: checked whole, bound, and only then kept.

use std::collections::BTreeSet;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use scantling_core::geometry::Point;
use scantling_core::nominal::{FaceKey, Nominal, NominalFile};
use scantling_core::plan::{
    BoundFeature, FaceMap, Fault, FeatureChange, Lies, Plan, bind, changes, check_json,
};
use scantling_core::readings::{self, Reading};
use scantling_core::run::{Limits, Run};
use scantling_core::scan::LengthUnit;

use crate::blobs::Digest;
use crate::convert::plan::{CheckedPlan, PlanInput, check_input, sound_features};
use crate::convert::status::{ErrorReason, Problem};
use crate::nominals::{Key, NominalFailure};
use crate::service::{Service, StopOnDrop};
use crate::store::{Bound, Content, LOCAL_CALLER, NewRevision, Request, Revision, Store};

/// A plan that was checked, and where its picks lie; nowhere without a nominal.
#[derive(Debug)]
pub(crate) struct Checked {
    pub(crate) plan: CheckedPlan,
    pub(crate) bound: Vec<Bound>,
    /// What the nominal's file and the binding gave to tell.
    pub(crate) remarks: Vec<String>,
}

/// Why a plan is not taken.
#[derive(Debug)]
pub(crate) enum Refused {
    /// It has faults.
    Faults(Vec<Fault>),
    /// It could not be checked.
    Problem(Problem),
}

impl From<Problem> for Refused {
    fn from(problem: Problem) -> Self {
        Refused::Problem(problem)
    }
}

impl From<Refused> for Problem {
    fn from(refused: Refused) -> Self {
        match refused {
            Refused::Problem(problem) => problem,
            Refused::Faults(faults) => {
                let fields = faults.into_iter().map(|f| {
                    let place = if f.place.is_empty() { "plan".to_owned() } else { f.place };
                    (place, f.problem)
                });
                Problem::fields(ErrorReason::PlanRefused, fields.collect())
            }
        }
    }
}

/// Checks a plan, and binds it when there is a nominal.
pub(crate) async fn check(
    service: &Arc<Service>,
    input: PlanInput,
    nominal: Option<(Digest, Option<LengthUnit>)>,
) -> Result<Checked, Refused> {
    if let Some((digest, _)) = &nominal {
        service.store.blob(digest.hex()).await.map_err(Problem::from)?;
    }
    let stop = Arc::new(AtomicBool::new(false));
    let _stop = StopOnDrop(Arc::clone(&stop));
    let shared = Arc::clone(service);
    service.check(move || check_blocking(&shared, &input, nominal, &stop)).await?
}

fn check_blocking(
    service: &Service,
    input: &PlanInput,
    nominal: Option<(Digest, Option<LengthUnit>)>,
    stop: &AtomicBool,
) -> Result<Checked, Refused> {
    let limits = Limits { file_bytes: service.config.limits.file_bytes, ..Limits::default() };
    let run = Run { stop, progress: &|_, _| {}, limits };
    let plan = check_input(Some(input))
        .map_err(|faults| all_faults(service, &run, input, nominal.as_ref(), faults))?;
    let Some((digest, unit)) = nominal else {
        // Without a nominal there are only features that say their own place.
        let bound = match bind(&plan.plan, None) {
            Ok(map) => map.features.iter().map(|f| bound(f, None)).collect(),
            Err(_) => Vec::new(),
        };
        return Ok(Checked { plan, bound, remarks: Vec::new() });
    };
    let key = Key { digest, told: told(&plan.plan, unit) };
    let nominal = service.nominals.get(&service.blobs, &key, &run).map_err(|failure| match failure {
        // The call is over, so nobody reads this.
        NominalFailure::Stopped => Problem::stopping(),
        NominalFailure::Storage(error) => Problem::internal(error),
        NominalFailure::Refused(words) => {
            Problem::new(ErrorReason::NominalRefused, format!("the nominal blobs/{}: {words}", key.digest))
                .with("nominal_blob", &format!("blobs/{}", key.digest))
        }
    })?;
    let map = bind(&plan.plan, Some(&nominal)).map_err(Refused::Faults)?;
    let bound = map.features.iter().map(|f| bound(f, Some(&nominal))).collect();
    let mut remarks = map.remarks;
    remarks.extend(left_out(&nominal));
    Ok(Checked { plan, bound, remarks })
}

/// How a plan wants its nominal's file read.
pub(crate) fn told(plan: &Plan, unit: Option<LengthUnit>) -> NominalFile {
    NominalFile { unit, side: plan.side, part: plan.nominal_part.clone() }
}

/// What of a nominal's file is not in the nominal.
fn left_out(nominal: &Nominal) -> Vec<String> {
    const TOLD: usize = 8;
    let faces = nominal.missing();
    let mut remarks: Vec<String> = faces
        .iter()
        .take(TOLD)
        .map(|(id, why)| format!("face #{id} of the nominal's file is missing from the nominal: {why}"))
        .collect();
    if faces.len() > TOLD {
        remarks.push(format!("{} more faces of the nominal's file are missing", faces.len() - TOLD));
    }
    remarks.extend(nominal.notes().iter().take(TOLD).map(|note| format!("the nominal's file: {note}")));
    remarks
}

/// The faults of a plan, and those of picks on its nominal that can be told in spite of them.
fn all_faults(
    service: &Service,
    run: &Run,
    input: &PlanInput,
    nominal: Option<&(Digest, Option<LengthUnit>)>,
    mut faults: Vec<Fault>,
) -> Refused {
    if let (Some((digest, unit)), Some(sound)) = (nominal, sound_features(input)) {
        let told = NominalFile { unit: *unit, side: sound.side, part: sound.nominal_part.clone() };
        let key = Key { digest: digest.clone(), told };
        // A nominal that is refused is told once the plan is right.
        if let Ok(nominal) = service.nominals.get(&service.blobs, &key, run) {
            // A stopped call is read by nobody.
            let _ = sound.add_faults_on(&nominal, run, &mut faults);
        }
    }
    Refused::Faults(faults)
}

fn bound(feature: &BoundFeature, nominal: Option<&Nominal>) -> Bound {
    let Lies { feature: id, kind, area_mm2, centroid, diameter_mm, spread } = Lies::of(feature, nominal);
    Bound {
        feature: id,
        kind,
        area_mm2,
        centroid_mm: centroid.coords.into(),
        diameter_mm,
        spread,
        faces: nominal.map_or_else(Vec::new, |n| keys(feature, n)),
    }
}

/// A kept feature in core's words.
fn lies(bound: &Bound) -> Lies {
    Lies {
        feature: bound.feature.clone(),
        kind: bound.kind.clone(),
        area_mm2: bound.area_mm2,
        centroid: Point::from(bound.centroid_mm),
        diameter_mm: bound.diameter_mm,
        spread: bound.spread,
    }
}

/// The numbers of the faces on which a feature lies, ascending, where the nominal's file has such.
fn keys(feature: &BoundFeature, nominal: &Nominal) -> Vec<String> {
    let face =
        |t: &u32| nominal.face_of_triangle().get(*t as usize).and_then(|&f| nominal.faces()[f as usize].key);
    let keys: BTreeSet<FaceKey> = feature.triangles.iter().filter_map(face).collect();
    // A skin grown over hundreds of faces is not told by their numbers.
    const TOLD: usize = 64;
    keys.iter().take(TOLD).map(ToString::to_string).collect()
}

/// Why the features of a kept revision lie elsewhere than when it was registered: another version of the program may bind
/// otherwise, and must not do so silently.
pub(crate) fn bound_otherwise(
    content: &NewRevision,
    faces: &FaceMap,
    nominal: Option<&Nominal>,
) -> Option<String> {
    let before: Vec<Lies> = content.bound.iter().map(lies).collect();
    let changed = changes(&before, &faces.lies(nominal));
    let first = changed.first()?;
    Some(format!(
        "this version of the program finds features of the plan elsewhere on the nominal than when revision {} was \
         registered: feature {} {}; register the revision anew and look where they lie",
        content.id, first.feature, first.what
    ))
}

/// Keeps a plan as a draft once it has no faults on its nominal.
pub(crate) async fn create_revision(
    service: &Arc<Service>,
    part: String,
    id: String,
    input: PlanInput,
    nominal: Option<(Digest, Option<LengthUnit>)>,
) -> Result<Revision, Problem> {
    // Cheap refusals first; the store asks again in its transaction.
    service.store.part(&part).await?;
    let kept = nominal.as_ref().map(|(digest, unit)| (digest.hex().to_owned(), *unit));
    let Checked { plan, bound, mut remarks } = check(service, input, nominal).await?;
    match (plan.plan.nominal_file.is_some(), kept.is_some()) {
        (true, false) => {
            let words = "must be sent: the plan names a nominal, on which its features are picked";
            return Err(Problem::field("revision.nominal_blob", words));
        }
        (false, true) => {
            let words = "must be left out, or the plan say `[nominal]`: it names none";
            return Err(Problem::field("revision.nominal_blob", words));
        }
        _ => {}
    }
    remarks.extend(since(service, &part, &bound).await?);
    let new = NewRevision {
        part,
        id,
        plan_json: plan.plan.canonical_json().to_owned(),
        plan_sha256: plan.plan.sha256(),
        plan_source: plan.source.unwrap_or_default(),
        nominal: kept,
        bound,
        remarks,
    };
    Ok(service.store.create_revision(LOCAL_CALLER, &new).await?)
}

/// What became of the features since the revision in force.
async fn since(service: &Arc<Service>, part: &str, bound: &[Bound]) -> Result<Vec<String>, Problem> {
    let Some(released) = service.store.part(part).await?.released_revision else { return Ok(Vec::new()) };
    let before = service.store.revision(part, &released).await?.content.bound;
    let [before, after] = [before.as_slice(), bound].map(|all| all.iter().map(lies).collect::<Vec<_>>());
    let told = |c: FeatureChange| format!("since revision {released}: feature {} {}", c.feature, c.what);
    Ok(changes(&before, &after).into_iter().map(told).collect())
}

/// Whether every group asked for is in the plan, and every reading belongs to it: all at once.
pub(crate) async fn check_request(store: &Store, request: &Request) -> Result<(), Problem> {
    if request.scope_groups.is_empty() && request.readings.is_empty() {
        return Ok(());
    }
    let revision = store.revision(&request.part, &request.revision).await?;
    let (_, plan) = check_json(&revision.content.plan_json)
        .map_err(|faults| Problem::internal(format!("a kept plan: {faults:?}")))?;
    let wrong = wrong_in_request(&plan, &request.scope_groups, &request.readings, "inspection.");
    if wrong.is_empty() { Ok(()) } else { Err(Problem::fields(ErrorReason::InvalidField, wrong)) }
}

/// Whether a part of a source is only asked of scans: of a file of points it would be ignored.
pub(crate) async fn check_sources(store: &Store, request: &Request) -> Result<(), Problem> {
    let mut wrong = Vec::new();
    for (n, source) in request.sources.iter().enumerate() {
        if source.region.is_none() && source.placement.is_none() {
            continue;
        }
        if store.acquisition(&source.acquisition).await?.content.content == Content::Points {
            let words =
                "says a region or placement of measured points; leave it out, they are named one by one";
            wrong.push((format!("inspection.sources[{n}]"), words.to_owned()));
        }
    }
    if wrong.is_empty() { Ok(()) } else { Err(Problem::fields(ErrorReason::InvalidField, wrong)) }
}

/// Groups that the plan has not, and readings that do not belong to it, with the fields they stand in.
pub(crate) fn wrong_in_request(
    plan: &Plan,
    groups: &[String],
    readings: &[Reading],
    before: &str,
) -> Vec<(String, String)> {
    let there: BTreeSet<&str> =
        plan.characteristics.iter().flat_map(|c| c.groups.iter()).map(String::as_str).collect();
    let missing: Vec<&str> =
        groups.iter().map(String::as_str).filter(|group| !there.contains(group)).collect();
    let mut wrong = Vec::new();
    if !missing.is_empty() {
        let known = there.into_iter().collect::<Vec<_>>().join(", ");
        let known =
            if known.is_empty() { "no groups; leave it out".to_owned() } else { format!("only {known}") };
        wrong.push((
            format!("{before}scope_groups"),
            format!("{} is no group of the plan, which has {known}", missing.join(", ")),
        ));
    }
    let faults = readings::check(readings, plan);
    wrong.extend(faults.into_iter().map(|f| (format!("{before}readings{}", f.place), f.problem)));
    wrong
}
