//! Several parts in one scan: on a table, among clamps, beside parts of the other hand and other things.
//!
//! Supports are taken away ([`super::support`]), the rest falls into clusters ([`super::clusters`]), and on
//! each the part is searched as [`locate`](super::locate()) does, but judged on the points in the part's own
//! box ([`super::judge`]), and again in a mirror. Two poses that explain the same points are an ambiguity;
//! poses on points of their own are instances. What does not hold is named, never counted. The scheme is
//! ours.

use super::hunt::{Catch, Hunt};
use super::locate::{LEAST_POINTS, LocateSettings};
use super::locate_error::LocateError;
use super::mirror::reflected;
use super::owners::{Owner, Owners};
use super::refine::Pose;
use super::scene::Scene;
use super::search::Search;
use super::unit::{mostly_giants, of_its_size, things_in_another};
use crate::geometry::{Aabb, Motion, PartFrame, ScanFrame, TriangleMesh};
use crate::nominal::Nominal;
use crate::run::{Run, Stage, Stopped};
use crate::scan::{Points, Scan};
use crate::search::SurfaceTree;
use std::sync::atomic::Ordering;

/// How parts are located in a scan of several.
#[derive(Clone, Debug, PartialEq)]
pub struct InstancesSettings {
    /// How each is located, and what it takes to be sure; `least_explained` and `most_beside` are of the
    /// points in the part's own box.
    pub locate: LocateSettings,
    /// Of the part's surface on the scanned side, the fraction that must have points on it.
    pub least_seen: f64,
    /// Points no further from a part belong to it, mm.
    pub near_mm: f64,
}

impl Default for InstancesSettings {
    fn default() -> Self {
        Self {
            locate: LocateSettings::default(),
            // A third unseen, and as much hidden by the part itself. A thing that shares one flange with
            // the part shows less.
            least_seen: 0.4,
            // What the fine alignment looks at.
            near_mm: 5.0,
        }
    }
}

/// One part.
#[derive(Clone, Debug, PartialEq)]
pub struct Instance {
    /// Takes the scan onto the nominal, near enough for fine alignment to settle. For the other hand: onto
    /// the nominal mirrored at x = 0 of the part's axes.
    pub part_from_scan: Motion<PartFrame, ScanFrame>,
    /// Root mean square distance of the explained points, mm.
    pub rms_mm: f64,
    /// Fraction of the points in the part's own box, thinned to equal areas and without supports, that lie
    /// on the part.
    pub explained: f64,
    /// Fraction of the part's surface on the scanned side that has points on it.
    pub seen: f64,
    /// Points that fit here and clearly not under the strongest other pose.
    pub evidence_for: u64,
    /// Points that fit under that pose and clearly not here.
    pub evidence_against: u64,
    /// Points that fit this hand and clearly not the other, and the reverse; `None` when the part is its
    /// own mirror image.
    pub evidence_of_hand: Option<(u64, u64)>,
    /// Indices of the scan's points on or near the part, ascending. A point near two parts belongs to the
    /// nearer one.
    pub points: Vec<u32>,
    /// Their box in the scan's axes.
    pub bounds: Aabb,
}

/// Something of the part's size whose pose or hand stays open.
#[derive(Clone, Debug, PartialEq)]
pub struct OpenPlace {
    /// The poses that explain its points, best first; empty when it is not the pose that is open.
    pub poses: Vec<Motion<PartFrame, ScanFrame>>,
    /// What is open and what would settle it.
    pub why: LocateError,
    /// Indices of the scan's points there, ascending.
    pub points: Vec<u32>,
    /// Their box in the scan's axes.
    pub bounds: Aabb,
}

/// Something of the part's size that is not this part, of neither hand.
#[derive(Clone, Debug, PartialEq)]
pub struct OtherPart {
    /// What does not fit.
    pub why: LocateError,
    /// Indices of the scan's points there, ascending.
    pub points: Vec<u32>,
    /// Their box in the scan's axes.
    pub bounds: Aabb,
}

/// One thing in a scan.
#[derive(Clone, Debug, PartialEq)]
pub enum Finding {
    /// The part.
    Instance(Instance),
    /// The part of the other hand: the mirrored nominal fits and the nominal does not.
    OtherHand(Instance),
    /// It may be the part; where or of which hand is open.
    Undetermined(OpenPlace),
    /// It is something else.
    NotThisPart(OtherPart),
}

impl Finding {
    /// Indices of the scan's points that belong to it, ascending.
    pub fn points(&self) -> &[u32] {
        match self {
            Finding::Instance(i) | Finding::OtherHand(i) => &i.points,
            Finding::Undetermined(o) => &o.points,
            Finding::NotThisPart(o) => &o.points,
        }
    }

    /// Their box in the scan's axes.
    pub fn bounds(&self) -> &Aabb {
        match self {
            Finding::Instance(i) | Finding::OtherHand(i) => &i.bounds,
            Finding::Undetermined(o) => &o.bounds,
            Finding::NotThisPart(o) => &o.bounds,
        }
    }
}

/// All that lies in a scan.
#[derive(Clone, Debug, PartialEq)]
pub struct Instances {
    /// Everything of the part's size, in the order of the first points.
    pub findings: Vec<Finding>,
    /// Points on tables and walls.
    pub support_points: usize,
    /// Points of nothing: clamps, stray points.
    pub clutter_points: usize,
    /// How many starts were tried.
    pub tried: usize,
}

impl Instances {
    /// The parts of this hand, in the order of their first points.
    pub fn parts(&self) -> impl Iterator<Item = &Instance> {
        self.findings.iter().filter_map(|f| if let Finding::Instance(i) = f { Some(i) } else { None })
    }
}

/// Why a scan could not be searched.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum InstancesError {
    /// The caller stopped the run.
    #[error(transparent)]
    Stopped(#[from] Stopped),
    /// Too little to say anything.
    #[error("locating needs at least {need} scan points at different places, got {got}")]
    TooFewPoints {
        /// How many are needed.
        need: usize,
        /// How many there are.
        got: usize,
    },
    /// Nothing of the part's size is the part in the length unit stated, and in another there is one: the [`LocateError::OtherUnit`] that says so.
    #[error("{0}")]
    LengthUnit(LocateError),
}

/// Finds every part of `nominal` in `scan`, and names what else of its size lies there. `tree` is the tree
/// of the whole nominal mesh. The same answer on any number of threads.
pub fn locate_all(
    run: &Run,
    nominal: &Nominal,
    tree: &SurfaceTree,
    scan: &Scan,
    settings: &InstancesSettings,
) -> Result<Instances, InstancesError> {
    let found = searched(run, nominal.mesh(), tree, scan, settings, true)?;
    let may_be = |f: &Finding| match f {
        Finding::Instance(_) | Finding::OtherHand(_) => true,
        Finding::Undetermined(open) => !matches!(open.why, LocateError::TooLittleSeen { .. }),
        Finding::NotThisPart(_) => false,
    };
    if !found.findings.iter().any(may_be)
        && let Some(wrong) = things_in_another(run, nominal.mesh(), tree, scan, &settings.locate)?
    {
        return Err(InstancesError::LengthUnit(wrong));
    }
    Ok(found)
}

/// [`locate_all`]; what does not hold is searched once more, wider, if `again`.
pub(super) fn searched(
    run: &Run,
    mesh: &TriangleMesh,
    tree: &SurfaceTree,
    scan: &Scan,
    settings: &InstancesSettings,
    again: bool,
) -> Result<Instances, InstancesError> {
    run.check()?;
    let (points, normals) = (scan.points(), scan.normals());
    let finite = points.iter().filter(|p| p.iter().all(|c| c.is_finite())).count();
    if finite < LEAST_POINTS {
        return Err(InstancesError::TooFewPoints { need: LEAST_POINTS, got: finite });
    }
    let search = Search::new(run, mesh, tree, normals.is_some(), &settings.locate)?;
    let scene = Scene::new(run, &search, points, normals, scan.spacing_mm())?;
    // Things far larger than the part take long to be searched, and what they are is told sooner; unless the part lies
    // among them in the unit stated.
    if mostly_giants(run, &search, &scene)?
        && !Hunt::new(&search, &scene, settings, false).any(run, of_its_size(run, &search, &scene)?)?
        && let Some(wrong) = things_in_another(run, mesh, tree, scan, &settings.locate)?
    {
        return Err(InstancesError::LengthUnit(wrong));
    }
    let caught = Hunt::new(&search, &scene, settings, again).all(run)?;
    let parts: Vec<(Pose, bool)> = caught
        .iter()
        .filter_map(|c| match c {
            Catch::Part { located, other_hand, .. } => Some((located.part_from_scan, *other_hand)),
            _ => None,
        })
        .collect();
    let owners = Owners { search: &search, scene: &scene, parts: &parts, near_mm: settings.near_mm };
    let owned = owners.of(run, points, normals)?;
    let mut shares: Vec<Vec<u32>> = vec![Vec::new(); parts.len()];
    for (i, o) in owned.iter().enumerate() {
        if let Owner::Part(p) = o {
            shares[usize::from(*p)].push(i as u32);
        }
    }
    let mut shares = shares.into_iter();
    let mut findings: Vec<Finding> = Vec::new();
    for c in caught {
        // Points that turned out to be nearer to a part are the part's.
        let rest = |members: Vec<u32>| -> Vec<u32> {
            let origins = members.into_iter().map(|m| scene.origin[m as usize]);
            origins.filter(|&i| matches!(owned[i as usize], Owner::Nobody)).collect()
        };
        let finding = match c {
            Catch::Part { located: l, seen, other_hand, evidence_of_hand } => {
                let points_of = shares.next().unwrap_or_default();
                let instance = Instance {
                    part_from_scan: if other_hand { reflected(&l.part_from_scan) } else { l.part_from_scan },
                    rms_mm: l.rms_mm,
                    explained: l.explained,
                    seen,
                    evidence_for: l.evidence_for,
                    evidence_against: l.evidence_against,
                    evidence_of_hand,
                    bounds: bounds(points, &points_of),
                    points: points_of,
                };
                if other_hand { Finding::OtherHand(instance) } else { Finding::Instance(instance) }
            }
            Catch::Open { error, poses, members } => {
                let members = rest(members);
                let bounds = bounds(points, &members);
                Finding::Undetermined(OpenPlace { poses, why: error, points: members, bounds })
            }
            Catch::Alien { error, members } => {
                let members = rest(members);
                let bounds = bounds(points, &members);
                Finding::NotThisPart(OtherPart { why: error, points: members, bounds })
            }
        };
        findings.push(finding);
    }
    findings.sort_by_key(|f| f.points().first().copied().unwrap_or(u32::MAX));
    let support_points = owned.iter().filter(|o| matches!(o, Owner::Support)).count();
    let named: usize = findings.iter().map(|f| f.points().len()).sum();
    run.tell(Stage::Locate, 1.0);
    Ok(Instances {
        findings,
        support_points,
        clutter_points: points.len() - support_points - named,
        tried: search.tried.load(Ordering::Relaxed),
    })
}

fn bounds(points: Points, chosen: &[u32]) -> Aabb {
    let mut all = Aabb::empty();
    chosen.iter().for_each(|&i| all.add(&points.at(i as usize)));
    all
}

#[cfg(test)]
#[path = "instances_tests.rs"]
mod tests;
