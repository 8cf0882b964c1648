//! A part that does not conform may have been made to another revision: which of two nominals the same points lie on.
//!
//! As in locating, points are asked on which the two differ: those that lie clearly nearer to the one surface than to the other.
//! A warp, a dent, a table lie as far from both and say nothing. Only where nearly all such points speak for the other revision
//! is it told; no verdict changes.

use std::borrow::Cow;

use super::conditions::AtReference;
use super::found::faced;
use super::{Job, ScanPart};
use crate::align::{AlignError, FineSettings, LocateError, LocateSettings, fine, locate};
use crate::geometry::{Matrix3, Motion, PartFrame, Point, ScanFrame, Vector};
use crate::nominal::Nominal;
use crate::plan::{FaceMap, Plan, changes};
use crate::record::{BetterRevision, Record, SpeakingPlace, Verdict};
use crate::run::{CHECK_EVERY, Run, Stopped};
use crate::scan::Scan;
use crate::search::SurfaceTree;

/// Another revision of the part.
pub struct OtherRevision<'a> {
    /// Its nominal.
    pub nominal: &'a Nominal,
    /// SHA-256 of that's file.
    pub nominal_sha256: String,
    /// Its plan.
    pub plan: &'a Plan,
    /// Its features bound to the nominal.
    pub faces: &'a FaceMap,
}

/// Distances beyond this say no more than this, mm: at a hole's other place the nearest surface is its rim.
const FURTHEST_MM: f64 = 3.0;

/// A point is on a surface that is no further than this, mm: warps of moulded parts are less.
const ON_MM: f64 = 1.0;

/// A point speaks where its two distances differ by more than this, mm, or by so many standard deviations of its noise.
const APART_MM: f64 = 0.2;
const APART_NOISE: f64 = 6.0;

/// So many points must speak for the other revision, and so many times as many as for this one. Our own choice, no source: a hole
/// of 6 mm at a place of its own in a skin of 3 mm gives some eighty points at 1.2 mm spacing.
const LEAST_POINTS: u64 = 40;
const TIMES: u64 = 10;

/// Most points asked of a scan.
const MOST_POINTS: usize = 400_000;

/// Points that speak are told together within cells of this size, mm, and at so many places.
const CELL_MM: f64 = 25.0;
const PLACES: usize = 3;

/// Tells in the record which of `others` fits the scans clearly better, where the part does not conform or was not measured.
/// The digest then rests on what the record names of that revision too, and on no other that was looked at.
///
/// # Errors
/// Only a stop by the caller.
pub fn tell_better_revision(
    run: &Run,
    job: &Job,
    record: &mut Record,
    others: &[OtherRevision],
) -> Result<(), Stopped> {
    if !matches!(record.verdict, Verdict::DoesNotConform | Verdict::NotMeasured) || job.scans.is_empty() {
        return Ok(());
    }
    let Some(own) = job.nominal else { return Ok(()) };
    let mut others = others.iter().filter(|o| o.nominal_sha256 != job.nominal_sha256).peekable();
    if others.peek().is_none() {
        return Ok(());
    }
    let own_tree = SurfaceTree::new(own.mesh());
    let at_reference = AtReference::new(job);
    let (scans, _) = at_reference.sources(job);
    let job = &Job { scans: &scans, points: &[], nominal_sha256: job.nominal_sha256.clone(), ..*job };
    let Some(scans) = lying(run, job, record, (own, &own_tree))? else { return Ok(()) };
    let mut best: Option<(Tally, &OtherRevision)> = None;
    for other in others {
        let Some(tally) = compared(run, (own, &own_tree), record, &scans, other)? else { continue };
        let leads = |t: &Tally| t.there.saturating_sub(t.here);
        if tally.is_clear() && best.as_ref().is_none_or(|(b, _)| leads(&tally) > leads(b)) {
            best = Some((tally, other));
        }
    }
    if let Some((tally, other)) = best {
        let better = told(job, record, &tally, other);
        record.cautions.push(words(&better));
        record.better_revision = Some(better);
    }
    Ok(())
}

/// What points say of two surfaces.
#[derive(Default)]
struct Tally {
    /// Points on at least one of the two.
    on: u64,
    /// Of these, those nearer than [`Tally::apart_mm`] to each.
    near_own: u64,
    near_other: u64,
    /// Sums of squared distances, mm2.
    square_own: f64,
    square_other: f64,
    /// Points that speak for each.
    here: u64,
    there: u64,
    /// Where points speak for the other, in the other's part axes.
    speaking: Vec<Point>,
    apart_mm: f64,
    /// Whether every scan lay on this revision at all.
    aligned: bool,
}

impl Tally {
    fn is_clear(&self) -> bool {
        self.there >= LEAST_POINTS && self.there >= TIMES.saturating_mul(self.here)
    }
}

/// A scan at the reference temperature, as far as it is meant, and where it lies on the nominal that was measured by.
struct Placed<'a> {
    scan: Cow<'a, Scan>,
    own: Option<Motion<PartFrame, ScanFrame>>,
    told: Option<Motion<PartFrame, ScanFrame>>,
}

/// The scans as they were measured; `None` where one has no point in its region.
fn lying<'a>(
    run: &Run,
    job: &Job<'a>,
    record: &Record,
    (own, tree): (&Nominal, &SurfaceTree),
) -> Result<Option<Vec<Placed<'a>>>, Stopped> {
    let mut all = Vec::with_capacity(job.scans.len());
    for (one, source) in job.scans.iter().zip(&record.sources) {
        let mut scan = Cow::Borrowed(one.scan);
        if let ScanPart::Region(bounds) = &one.part {
            let inside = (0u32..).zip(one.scan.points().iter()).filter(|(_, p)| bounds.contains(p));
            let inside: Vec<u32> = inside.map(|(i, _)| i).collect();
            if inside.is_empty() {
                return Ok(None);
            }
            scan = Cow::Owned(one.scan.subset(&inside));
        }
        let recorded = source.alignment.as_ref().and_then(|a| {
            Motion::new(Matrix3::from_fn(|i, j| a.rotation[i][j]), Vector::from(a.translation_mm))
        });
        let mut at = None;
        if let Some(pose) = recorded {
            scan = faced(run, own, tree, scan, &pose)?.0;
            at = Some(fitted(run, own, tree, &scan, pose)?.unwrap_or(pose));
        }
        let told = match &one.part {
            ScanPart::Placement(told) => Some(*told),
            _ => None,
        };
        all.push(Placed { scan, own: at, told });
    }
    Ok(Some(all))
}

/// Where a scan fits a nominal best from near there; `None` where it does not.
fn fitted(
    run: &Run,
    nominal: &Nominal,
    tree: &SurfaceTree,
    scan: &Scan,
    start: Motion<PartFrame, ScanFrame>,
) -> Result<Option<Motion<PartFrame, ScanFrame>>, Stopped> {
    match fine(run, nominal, tree, scan, start, &FineSettings::default()) {
        Ok(fit) => Ok(Some(fit.part_from_scan)),
        Err(AlignError::Stopped(stopped)) => Err(stopped),
        Err(_) => Ok(None),
    }
}

/// The points of all scans against both surfaces, each where it fits best; `None` where a scan does not lie on the other.
fn compared(
    run: &Run,
    (own, own_tree): (&Nominal, &SurfaceTree),
    record: &Record,
    scans: &[Placed],
    other: &OtherRevision,
) -> Result<Option<Tally>, Stopped> {
    let tree = SurfaceTree::new(other.nominal.mesh());
    let noise = record.alignment.as_ref().map_or(0.0, |a| a.noise_mm);
    let apart_mm = APART_MM.max(APART_NOISE * noise);
    let mut tally = Tally { apart_mm, aligned: true, ..Tally::default() };
    for Placed { scan, own: own_pose, told } in scans {
        let start = match own_pose.or(*told) {
            Some(pose) => pose,
            None => match locate(run, other.nominal, &tree, scan, &LocateSettings::default()) {
                Ok(located) => located.part_from_scan,
                Err(LocateError::Stopped(stopped)) => return Err(stopped),
                Err(_) => return Ok(None),
            },
        };
        let Some(other_pose) = fitted(run, other.nominal, &tree, scan, start)? else { return Ok(None) };
        tally.aligned &= own_pose.is_some();
        // Revisions of a part share their axes: what did not lie on this one by itself is held against it from there, so that no
        // points speak for the other that lie as near to this one.
        let here = match own_pose {
            Some(pose) => *pose,
            None => fitted(run, own, own_tree, scan, other_pose)?.unwrap_or(other_pose),
        };
        count(run, scan, (own_tree, here), (&tree, other_pose), &mut tally)?;
    }
    Ok(Some(tally))
}

type Lying<'a> = (&'a SurfaceTree, Motion<PartFrame, ScanFrame>);

fn count(
    run: &Run,
    scan: &Scan,
    (own_tree, own_pose): Lying,
    (other_tree, other_pose): Lying,
    tally: &mut Tally,
) -> Result<(), Stopped> {
    let (points, normals) = (scan.points(), scan.normals());
    let min_cos = FineSettings::default().min_cos;
    let (mut own, mut other) = (own_tree.cursor(), other_tree.cursor());
    let every = points.len().div_ceil(MOST_POINTS).max(1);
    for (n, i) in (0..points.len()).step_by(every).enumerate() {
        if n % CHECK_EVERY == 0 {
            run.check()?;
        }
        let (place, normal) = (points.at(i), normals.as_ref().map(|n| n.at(i)));
        let distance = |cursor: &mut crate::search::Cursor, pose: &Motion<PartFrame, ScanFrame>| {
            let at = pose.point(&place);
            let foot = match normal {
                Some(n) => cursor.nearest_facing(&at, pose.direction(n), min_cos, FURTHEST_MM),
                None => cursor.nearest(&at, FURTHEST_MM),
            };
            foot.map_or(FURTHEST_MM, |f| f.distance)
        };
        let there = distance(&mut other, &other_pose);
        let here = distance(&mut own, &own_pose);
        if here.min(there) > ON_MM {
            continue;
        }
        tally.on += 1;
        tally.near_own += u64::from(here <= tally.apart_mm);
        tally.near_other += u64::from(there <= tally.apart_mm);
        tally.square_own += here * here;
        tally.square_other += there * there;
        if there + tally.apart_mm < here {
            tally.there += 1;
            tally.speaking.push(other_pose.point(&place));
        } else if here + tally.apart_mm < there {
            tally.here += 1;
        }
    }
    Ok(())
}

fn told(job: &Job, record: &Record, tally: &Tally, other: &OtherRevision) -> BetterRevision {
    let changed = changes(&job.faces.lies(job.nominal), &other.faces.lies(Some(other.nominal)));
    let is_changed = |feature: &str| changed.iter().any(|c| c.feature == feature);
    let fails = |v: Verdict| matches!(v, Verdict::DoesNotConform | Verdict::NotMeasured);
    let characteristics = record.evaluations.iter().filter(|e| fails(e.verdict) && is_changed(&e.feature));
    let on = tally.on.max(1) as f64;
    let of_own = |value: f64| tally.aligned.then_some(value);
    BetterRevision {
        drawing_revision: other.plan.drawing_revision.clone(),
        plan_version: other.plan.plan_version,
        plan_sha256: other.plan.sha256(),
        nominal_sha256: other.nominal_sha256.clone(),
        points: tally.on,
        apart_mm: tally.apart_mm,
        near_this: of_own(tally.near_own as f64 / on),
        near_other: tally.near_other as f64 / on,
        rms_this_mm: of_own((tally.square_own / on).sqrt()),
        rms_other_mm: (tally.square_other / on).sqrt(),
        speak_for_this: tally.here,
        speak_for_other: tally.there,
        places: places(&tally.speaking),
        changes: changed.iter().map(|c| format!("{} {}", c.feature, c.what)).collect(),
        characteristics: characteristics.map(|e| e.number.clone()).collect(),
    }
}

/// Where most of the points that speak lie: the middles of the fullest cells, the fullest first.
fn places(speaking: &[Point]) -> Vec<SpeakingPlace> {
    let mut cells: std::collections::BTreeMap<[i64; 3], (Vector, u64)> = std::collections::BTreeMap::new();
    for p in speaking {
        let cell = [p.x, p.y, p.z].map(|c| (c / CELL_MM).floor() as i64);
        let (sum, count) = cells.entry(cell).or_insert((Vector::zeros(), 0));
        *sum += p.coords;
        *count += 1;
    }
    let mut all: Vec<(Vector, u64)> = cells.into_values().collect();
    // Stable: of equal cells the one with the lower coordinates comes first.
    all.sort_by_key(|c| std::cmp::Reverse(c.1));
    let place = |(sum, points): (Vector, u64)| {
        let middle = sum / points as f64;
        SpeakingPlace { at_mm: [middle.x, middle.y, middle.z], points }
    };
    all.into_iter().take(PLACES).map(place).collect()
}

fn words(better: &BetterRevision) -> String {
    let percent = |share: f64| format!("{:.2} %", 100.0 * share);
    let of_this = match better.near_this {
        Some(share) => format!(
            "{} lie within {:.2} mm of the nominal that was measured by",
            percent(share),
            better.apart_mm
        ),
        None => "it could not be aligned on the nominal that was measured by".to_owned(),
    };
    let mut text = format!(
        "The scan fits another registered revision better: drawing {}, plan version {} (nominal sha256 {}). Of {} points on either, {of_this}, {} within that of the other; {} points speak for the other and {} for this one",
        better.drawing_revision,
        better.plan_version,
        better.nominal_sha256,
        better.points,
        percent(better.near_other),
        better.speak_for_other,
        better.speak_for_this,
    );
    if let Some(place) = better.places.first() {
        let [x, y, z] = place.at_mm;
        text.push_str(&format!(", most of them about ({x:.1}, {y:.1}, {z:.1})"));
    }
    text.push('.');
    if !better.changes.is_empty() {
        text.push_str(&format!(" From this revision to that: {}.", better.changes.join("; ")));
    }
    if !better.characteristics.is_empty() {
        text.push_str(&format!(
            " Of such features are characteristics {}.",
            better.characteristics.join(", ")
        ));
    }
    text + " The verdict stays that of the revision asked for: find out to which one the part was made."
}
