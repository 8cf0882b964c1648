//! Global alignment: where one part lies in a scan, without a guess.
//!
//! Many starts descend on a coarse table of the surface, the best on the exact surface, and the winner
//! must then hold against every other place the scan could lie: by points that fit under one pose and
//! clearly not under the other. Where the points do not tell, the answer is `Undetermined` with the
//! poses, never a guess. The scheme (cover of rotations, descent, duel by points) is ours; the parts cite
//! their sources.

use super::decide::Decision;
use super::draw::share;
use super::instances::{Finding, InstancesError, InstancesSettings, searched};
use super::judge::{Duel, Held, Known};
use super::locate_error::{LocateError, no_fit};
use super::mirror::other_hand;
use super::refine::{Descent, Exact, Middle, descend};
use super::sample::Cloud;
use super::samples::{SHARE, Samples, Source};
use super::search::Search;
use super::support::{Flats, supports};
use super::unit::{size_ratio, things_in_another, whole_in_another};
use crate::geometry::{Direction, Motion, PartFrame, Point, ScanFrame, TriangleMesh};
use crate::nominal::Nominal;
use crate::run::{Run, Stopped};
use crate::scan::{Normals, Scan};
use crate::search::SurfaceTree;

/// How a scan is located and what it takes to be sure.
#[derive(Clone, Debug, PartialEq)]
pub struct LocateSettings {
    /// The largest deviation of form a part may show and still be taken for this part, mm.
    pub deviation_mm: f64,
    /// Rotations of the even cover that are tried.
    pub rotations: usize,
    /// Of points thinned to equal areas, the fraction that must lie on the part; the rest is clutter.
    pub least_explained: f64,
    /// The largest fraction that may lie near the part and yet not on it: more means another size or hand.
    pub most_beside: f64,
    /// Points needed against every other pose.
    pub least_evidence: u64,
    /// How many times more points must speak for the answer than against it.
    pub evidence_ratio: f64,
}

impl Default for LocateSettings {
    fn default() -> Self {
        Self {
            // Dents of moulded parts reach about this; less than half the thickness of a 3 mm skin, whose
            // two sides must stay apart.
            deviation_mm: 1.0,
            // 1,000 leave no rotation further than 30 degrees, where the descent still arrives.
            rotations: 1000,
            // A tenth of clutter, and a tenth of the part out of form.
            least_explained: 0.8,
            // Clamps and supports touch the part, but cover little of it; the other hand of the demo part
            // shows two to three times as much.
            most_beside: 0.08,
            // The clear inside of one 10 mm hole at 1 mm spacing.
            least_evidence: 40,
            // Clutter and defects speak for a wrong pose by chance only here and there.
            evidence_ratio: 5.0,
        }
    }
}

/// Where the scan lies.
#[derive(Clone, Debug, PartialEq)]
pub struct Located {
    /// Takes the scan onto the nominal, near enough for fine alignment to settle.
    pub part_from_scan: Motion<PartFrame, ScanFrame>,
    /// Root mean square distance of the explained points, mm.
    pub rms_mm: f64,
    /// Fraction of points, thinned to equal areas, that lie on the part within the deviation allowed.
    pub explained: f64,
    /// Points that fit here and clearly not under the strongest other pose.
    pub evidence_for: u64,
    /// Points that fit under that pose and clearly not here.
    pub evidence_against: u64,
    /// How many starts were tried.
    pub tried: usize,
}

/// Fewer points than this cannot hold six freedoms and leave evidence.
pub(super) const LEAST_POINTS: usize = 60;
/// Of a larger scan no more points are ever asked: a million still show a 3 mm hole of a metre-sized part.
pub(super) const MOST_POINTS: usize = 1_000_000;
/// Points for descending, for the last refinement, for comparing poses.
pub(super) const FINE_POINTS: usize = 1500;
pub(super) const LAST_POINTS: usize = 8000;
pub(super) const DENSE_POINTS: usize = 30_000;

/// A scan larger than the part by this holds more than the part.
const MOST_RATIO: f64 = 1.3;

/// How many times more starts the second search has.
const WIDER: usize = 2;

/// Finds the one pose of `scan` on `nominal`, or says why there is none. `tree` is the tree of the whole
/// nominal mesh. The scan may hold a table, clamps and other things besides; of several parts of this kind
/// the error says how to choose one.
pub fn locate(
    run: &Run,
    nominal: &Nominal,
    tree: &SurfaceTree,
    scan: &Scan,
    settings: &LocateSettings,
) -> Result<Located, LocateError> {
    run.check()?;
    let (mesh, points, normals) = (nominal.mesh(), scan.points(), scan.normals());
    let source = Source::Scan(points, normals);
    let (all, source) = source.share();
    let dense = all.thinned(DENSE_POINTS);
    let spacing_mm = scan.spacing_mm() * (points.len() as f64 / all.points.len().max(1) as f64).sqrt();
    if let Some(error) = whole_in_another(run, mesh, tree, &all, &dense, settings)? {
        return Err(error);
    }
    let crowded = size_ratio(mesh, &dense).is_some_and(|r| r > MOST_RATIO)
        || on_support(run, mesh, tree, &all, &dense, spacing_mm, settings)?;
    let answer = if crowded {
        // What is not found among other things may still be told apart by its size.
        match among(run, nominal, tree, scan, settings, true)? {
            Some(answer) => answer,
            None => of_hand(run, mesh, tree, Samples::new(all, dense, source), settings),
        }
    } else {
        match of_hand(run, mesh, tree, Samples::new(all, dense, source), settings) {
            // Something clings to the part, or it is of the other hand.
            Err(error @ LocateError::NoFit { explained: Some(_), .. }) => {
                // The nominal was searched wide already.
                among(run, nominal, tree, scan, settings, false)?.unwrap_or(Err(error))
            }
            answer => answer,
        }
    };
    if matches!(answer, Err(LocateError::NoFit { .. }))
        && let Some(error) = things_in_another(run, mesh, tree, scan, settings)?
    {
        return Err(error);
    }
    answer
}

/// The one part among other things; `None` when nothing there is like it.
fn among(
    run: &Run,
    nominal: &Nominal,
    tree: &SurfaceTree,
    scan: &Scan,
    settings: &LocateSettings,
    again: bool,
) -> Result<Option<Result<Located, LocateError>>, Stopped> {
    let settings = InstancesSettings { locate: settings.clone(), ..InstancesSettings::default() };
    let found = match searched(run, nominal.mesh(), tree, scan, &settings, again) {
        Ok(found) => found,
        Err(InstancesError::Stopped(stopped)) => return Err(stopped),
        Err(InstancesError::TooFewPoints { .. }) => return Ok(None),
        Err(InstancesError::LengthUnit(wrong)) => return Ok(Some(Err(wrong))),
    };
    let mut poses = Vec::new();
    let mut open = Vec::new();
    let mut other_hand = false;
    for finding in &found.findings {
        match finding {
            Finding::Instance(i) => poses.push(i.part_from_scan),
            Finding::OtherHand(_) => other_hand = true,
            Finding::Undetermined(o) => open.push(o),
            Finding::NotThisPart(_) => {}
        }
    }
    Ok(match (found.parts().next(), open.first()) {
        (Some(one), None) if poses.len() == 1 => Some(Ok(Located {
            part_from_scan: one.part_from_scan,
            rms_mm: one.rms_mm,
            explained: one.explained,
            evidence_for: one.evidence_for,
            evidence_against: one.evidence_against,
            tried: found.tried,
        })),
        // What is open may be a part as well.
        (Some(_), _) => Some(Err(LocateError::Several { poses, open: open.len() })),
        (None, Some(open)) => Some(Err(open.why.clone())),
        (None, None) if other_hand => Some(Err(LocateError::OtherHand)),
        (None, None) => None,
    })
}

/// Whether a good part of the scan lies on a plane larger than any of the part's.
fn on_support(
    run: &Run,
    mesh: &TriangleMesh,
    tree: &SurfaceTree,
    all: &Cloud,
    dense: &Cloud,
    spacing_mm: f64,
    settings: &LocateSettings,
) -> Result<bool, Stopped> {
    let flat = Flats::of(mesh, tree, settings.deviation_mm);
    Ok(!supports(run, all, dense, spacing_mm, &flat)?.is_empty())
}

/// Finds the one pose of some points, with one normal a point where they are known, on a nominal. They are
/// of one part, from one or several sides, with a little clutter at most; [`locate`] takes more.
pub fn locate_points(
    run: &Run,
    mesh: &TriangleMesh,
    tree: &SurfaceTree,
    points: &[Point],
    normals: Option<&[Direction]>,
    settings: &LocateSettings,
) -> Result<Located, LocateError> {
    run.check()?;
    let (all, source) = Source::Scan(points.into(), normals.map(Normals::from)).share();
    let dense = all.thinned(DENSE_POINTS);
    if let Some(error) = whole_in_another(run, mesh, tree, &all, &dense, settings)? {
        return Err(error);
    }
    of_hand(run, mesh, tree, Samples::new(all, dense, source), settings)
}

/// [`posed`], and held against the part's other hand: two hands that differ by a hole fit each other's scans.
fn of_hand(
    run: &Run,
    mesh: &TriangleMesh,
    tree: &SurfaceTree,
    samples: Samples<'_>,
    settings: &LocateSettings,
) -> Result<Located, LocateError> {
    let (search, held) = posed(run, mesh, tree, samples, settings)?;
    match search.duel(run, &held, &other_hand(mesh), &mut Known::default())? {
        Duel::This(_) | Duel::Same => Ok(held.located),
        Duel::Other => Err(LocateError::OtherHand),
        Duel::Open(e) => Err(LocateError::HandOpen { evidence_for: e.pro, evidence_against: e.contra }),
    }
}

/// The one pose, with the search and the points that found it.
pub(super) fn posed<'a>(
    run: &Run,
    mesh: &'a TriangleMesh,
    tree: &'a SurfaceTree,
    scan: Samples<'a>,
    settings: &'a LocateSettings,
) -> Result<(Search<'a>, Held<'a>), LocateError> {
    let dense = &scan.dense;
    if scan.fine.points.len() < LEAST_POINTS {
        return Err(LocateError::TooFewPoints { need: LEAST_POINTS, got: scan.fine.points.len() });
    }
    let no_fit = |best| no_fit(mesh, dense, settings, best);
    // Beyond these sizes no view of one part with a little clutter leads.
    match size_ratio(mesh, dense) {
        Some(r) if r > 0.15 && r < 3.0 => {}
        Some(0.0) => return Err(LocateError::TooFewPoints { need: LEAST_POINTS, got: 1 }),
        _ => return Err(no_fit(None)),
    }
    let search = Search::new(run, mesh, tree, dense.normals.is_some(), settings)?;
    // A search that finds nothing is repeated once, wider, before that is the answer.
    let mut best: Option<(f64, f64)> = None;
    for wider in [1, WIDER] {
        let mut ranked = search.ranked(run, &scan.fine, &scan.few, wider, 1.0)?;
        search.challenge(run, &scan.fine, &scan.few, &mut ranked)?;
        match search.decide(run, &scan, &ranked)? {
            Decision::Located(located) => {
                let seen = search.seen(run, &scan.dense, &located.part_from_scan)?;
                return Ok((search, Held { located, seen, samples: scan }));
            }
            Decision::Undetermined(e) => return Err(e),
            Decision::NoFit { explained, beside } => {
                if best.is_none_or(|(b, _)| explained > b) {
                    best = Some((explained, beside));
                }
            }
        }
    }
    Err(no_fit(best))
}

/// Where the descent ends that starts from `near`, within a few times the deviation allowed: what
/// [`locate`] does with its last candidates, for a caller who knows the pose already.
pub fn settle(
    mesh: &TriangleMesh,
    tree: &SurfaceTree,
    points: &[Point],
    normals: Option<&[Direction]>,
    near: &Motion<PartFrame, ScanFrame>,
    settings: &LocateSettings,
) -> Motion<PartFrame, ScanFrame> {
    let cloud = share(points.into(), normals.map(Normals::from), SHARE)
        .without_strays()
        .thinned(DENSE_POINTS)
        .thinned(LAST_POINTS);
    let deviation = settings.deviation_mm;
    let descent =
        Descent { from_mm: 3.0 * deviation, to_mm: 2.0 * deviation, steps: 20, still_mm: 1e-4 * deviation };
    descend(&Exact { mesh, tree }, &cloud, near, &Middle::of(&mesh.bounds()), &descent).0
}

#[cfg(test)]
#[path = "locate_tests.rs"]
mod tests;
