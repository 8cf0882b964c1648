//! Plans and nominals on their way in: checked whole, bound, and only then kept.

use std::collections::BTreeSet;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use scantling_core::geometry::Point;
use scantling_core::nominal::{FaceKey, Nominal, NominalFile, Side};
use scantling_core::plan::{
    BoundFeature, FaceMap, Fault, FeatureChange, Lies, NEIGHBOUR, NeighbourNominal, Plan, bind, changes,
    check_json,
};
use scantling_core::readings::{self, Reading};
use scantling_core::run::{Limits, Run};
use scantling_core::scan::LengthUnit;

use crate::blobs::Digest;
use crate::convert::plan::{CheckedPlan, PlanInput, check_input, sound_features};
use crate::convert::status::{ErrorReason, Problem};
use crate::nominals::{Key, NominalFailure};
use crate::service::{Service, StopOnDrop};
use crate::store::{Bound, Content, LOCAL_CALLER, NeighbourFile, NewRevision, Request, Revision, Store};

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

/// The files on which a plan is bound.
#[derive(Clone, Debug, Default)]
pub(crate) struct NominalFiles {
    /// Digest and stated length unit of the nominal's file.
    pub(crate) nominal: Option<(Digest, Option<LengthUnit>)>,
    /// The same of each neighbour's, by its id.
    pub(crate) neighbours: Vec<(String, Digest, Option<LengthUnit>)>,
}

impl NominalFiles {
    /// As a revision keeps the neighbours.
    fn kept_neighbours(&self) -> Vec<NeighbourFile> {
        let kept = |(id, digest, unit): &(String, Digest, Option<LengthUnit>)| NeighbourFile {
            id: id.clone(),
            sha256: digest.hex().to_owned(),
            unit: *unit,
        };
        self.neighbours.iter().map(kept).collect()
    }
}

/// Checks a plan, and binds it when there is a nominal.
pub(crate) async fn check(
    service: &Arc<Service>,
    input: PlanInput,
    files: NominalFiles,
) -> Result<Checked, Refused> {
    let neighbours = files.neighbours.iter().map(|n| &n.1);
    for digest in files.nominal.iter().map(|n| &n.0).chain(neighbours) {
        service.store.blob(digest.hex()).await.map_err(Problem::from)?;
    }
    let stop = Arc::new(AtomicBool::new(false));
    let _stop = StopOnDrop(Arc::clone(&stop));
    let shared = Arc::clone(service);
    service.check(move || check_blocking(&shared, &input, files, &stop)).await?
}

fn check_blocking(
    service: &Service,
    input: &PlanInput,
    files: NominalFiles,
    stop: &AtomicBool,
) -> Result<Checked, Refused> {
    let limits = Limits { file_bytes: service.config.limits.file_bytes, ..Limits::default() };
    let run = Run { stop, progress: &|_, _| {}, limits };
    let plan = check_input(Some(input))
        .map_err(|faults| all_faults(service, &run, input, files.nominal.as_ref(), faults))?;
    let Some((digest, unit)) = files.nominal else {
        // Without a nominal there are only features that say their own place.
        let bound = match bind(&plan.plan, None) {
            Ok(map) => map.features.iter().map(|f| bound(f, None)).collect(),
            Err(_) => Vec::new(),
        };
        return Ok(Checked { plan, bound, remarks: Vec::new() });
    };
    let key = Key { digest, told: told(&plan.plan, unit) };
    let nominal = service
        .nominals
        .get(&service.blobs, &key, &run)
        .map_err(|failure| refused_nominal(failure, &key.digest, "the nominal"))?;
    let map = bind(&plan.plan, Some(&nominal)).map_err(Refused::Faults)?;
    let map = with_neighbours(service, &run, &plan.plan, map, &files.neighbours)?;
    let neighbours = map.neighbours.iter().map(|n| kept(Lies::from(n), Vec::new()));
    let bound = map.features.iter().map(|f| bound(f, Some(&nominal))).chain(neighbours).collect();
    let mut remarks = map.remarks;
    remarks.extend(left_out(&nominal));
    Ok(Checked { plan, bound, remarks })
}

/// Why a nominal's file serves no plan.
fn refused_nominal(failure: NominalFailure, digest: &Digest, what: &str) -> Problem {
    match failure {
        // The call is over, so nobody reads this.
        NominalFailure::Stopped => Problem::stopping(),
        NominalFailure::Storage(error) => Problem::internal(error),
        NominalFailure::Refused(words) => {
            Problem::new(ErrorReason::NominalRefused, format!("{what} blobs/{digest}: {words}"))
                .with("nominal_blob", &format!("blobs/{digest}"))
        }
    }
}

/// Binds the plan's neighbours on their nominals, one sent for each.
fn with_neighbours(
    service: &Service,
    run: &Run,
    plan: &Plan,
    map: FaceMap,
    sent: &[(String, Digest, Option<LengthUnit>)],
) -> Result<FaceMap, Refused> {
    let mut made = Vec::with_capacity(sent.len());
    let mut wrong = Vec::new();
    for (i, (id, digest, unit)) in sent.iter().enumerate() {
        let field = format!("neighbours[{i}].neighbour");
        let Some(neighbour) = plan.neighbours.iter().find(|n| n.id == *id) else {
            wrong.push((field, format!("is `{id}`, which the plan has no neighbour of; leave it out")));
            continue;
        };
        if sent[..i].iter().any(|(other, ..)| other == id) {
            wrong.push((field, format!("is `{id}` a second time; leave one")));
            continue;
        }
        let told = told_of(neighbour.side, neighbour.part.as_ref(), *unit);
        let key = Key { digest: digest.clone(), told };
        let nominal = service.nominals.get(&service.blobs, &key, run).map_err(|failure| {
            refused_nominal(failure, &key.digest, &format!("the nominal of neighbour {id}"))
        })?;
        made.push((id.as_str(), nominal, digest.hex()));
    }
    if !wrong.is_empty() {
        return Err(Problem::fields(ErrorReason::InvalidField, wrong).into());
    }
    let nominals: Vec<NeighbourNominal> =
        made.iter().map(|(id, nominal, sha256)| NeighbourNominal { id, nominal, sha256 }).collect();
    map.with_neighbours(plan, &nominals).map_err(Refused::Faults)
}

/// How the file of a neighbour's nominal is read.
pub(crate) fn told_of(side: Option<Side>, part: Option<&String>, unit: Option<LengthUnit>) -> NominalFile {
    NominalFile { unit, side, part: part.cloned() }
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
    kept(Lies::of(feature, nominal), nominal.map_or_else(Vec::new, |n| keys(feature, n)))
}

/// How a feature or a neighbour's skin lies, as a revision keeps it.
fn kept(lies: Lies, faces: Vec<String>) -> Bound {
    let Lies { feature, kind, area_mm2, centroid, diameter_mm, spread } = lies;
    Bound { feature, kind, area_mm2, centroid_mm: centroid.coords.into(), diameter_mm, spread, faces }
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
    files: NominalFiles,
) -> Result<Revision, Problem> {
    // Cheap refusals first; the store asks again in its transaction.
    service.store.part(&part).await?;
    let kept = files.nominal.as_ref().map(|(digest, unit)| (digest.hex().to_owned(), *unit));
    let neighbours = files.kept_neighbours();
    let Checked { plan, bound, mut remarks } = check(service, input, files).await?;
    match (plan.plan.nominal_file.is_some(), kept.is_some()) {
        (true, false) => {
            let words = "must be sent: the plan names a nominal, on which its features are picked";
            return Err(Problem::field("revision.nominal_blob", words));
        }
        (false, false) if !neighbours.is_empty() => {
            let words = "must be left out: the plan names no nominal, beside which they would stand";
            return Err(Problem::field("revision.neighbours", words));
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
        neighbours,
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
    let told = |c: FeatureChange| {
        let neighbour = |l: &Lies| l.feature == c.feature && l.kind == NEIGHBOUR;
        let what = if before.iter().chain(&after).any(neighbour) { "neighbour" } else { "feature" };
        format!("since revision {released}: {what} {} {}", c.feature, c.what)
    };
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
