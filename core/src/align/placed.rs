//! Whether a part lies where it was said to lie.
//!
//! The same measures as of a pose that was searched: enough of the points there must lie on the part, and
//! little beside it. Where they do, and show enough of the part, nothing is searched. Where there is doubt
//! (a table, a neighbour, a view of a corner only) the whole scan is searched for the part, and what is found
//! decides. The scheme is ours.

use std::borrow::Cow;

use super::draw::{share, share_of};
use super::instances::{Finding, InstancesError, InstancesSettings, searched};
use super::locate::{DENSE_POINTS, LEAST_POINTS, LocateSettings};
use super::locate_error::LocateError;
use super::refine::{Pose, apart_mm};
use super::sample::Cloud;
use super::samples::SHARE;
use super::search::Search;
use super::support::{Flats, supports};
use super::unit::things_in_another;
use crate::geometry::{Motion, PartFrame, ScanFrame};
use crate::nominal::Nominal;
use crate::run::{Run, Stopped};
use crate::scan::Scan;
use crate::search::SurfaceTree;

/// How well a scan bears out that a part lies where it was said to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stands {
    /// Fraction of the points near it, thinned to equal areas, that lie on the part.
    pub explained: f64,
    /// Fraction of the part's side that faces the scanner that has points on it.
    pub seen: f64,
    /// Whether so much is seen that another place would hardly look the same; else the place is taken on trust.
    pub sure: bool,
    /// Whether the scan was searched for the part, since the points near the place left doubt.
    pub searched: bool,
}

/// Why it does not lie there, or is not known to.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum PlacedError {
    /// The caller stopped the run.
    #[error(transparent)]
    Stopped(#[from] Stopped),
    /// The part is there in another length unit: the [`LocateError::OtherUnit`] that says so.
    #[error("{0}")]
    LengthUnit(LocateError),
    /// The part of the other hand lies there.
    #[error(
        "the part of the other hand lies where this one was said to; choose the part that is mirrored to it"
    )]
    OtherHand,
    /// They fit, but most of them are of a part that lies otherwise.
    #[error(
        "the part does not lie where it was said to: most points near that place are of a part that lies otherwise, \
         {apart_mm:.1} mm from there; correct the placement, or leave it out and have the part searched for"
    )]
    LiesOtherwise {
        /// How far that part lies from the place told, at its farthest corner, mm.
        apart_mm: f64,
    },
    /// The points there are not the part's.
    #[error(
        "the part does not lie where it was said to: {:.0} % of the points near that place lie on it ({:.0} % are \
         needed) and {:.0} % close beside it (at most {:.0} %){}; correct the placement, or leave it out and have \
         the part searched for",
        (100.0 * explained).floor(), 100.0 * need, 100.0 * beside, 100.0 * most_beside,
        elsewhere_mm.map_or_else(String::new, |mm| format!(", and it was found {mm:.1} mm from there"))
    )]
    NotThere {
        /// Fraction of the points near that place that lie on the part.
        explained: f64,
        /// The fraction needed.
        need: f64,
        /// Fraction near it, but not on it.
        beside: f64,
        /// The largest fraction that may.
        most_beside: f64,
        /// How far the nearest part that was found lies from there at its farthest corner, mm.
        elsewhere_mm: Option<f64>,
    },
}

/// Holds a part against the scan at `pose`, where fine alignment came to rest from the place it was said to lie.
/// `near` are the points of the scan near the part there, ascending.
///
/// # Errors
/// What speaks against the place, or a stop by the caller.
pub fn stands(
    run: &Run,
    nominal: &Nominal,
    tree: &SurfaceTree,
    scan: &Scan,
    near: &[u32],
    pose: &Motion<PartFrame, ScanFrame>,
    settings: &LocateSettings,
) -> Result<Stands, PlacedError> {
    let all = InstancesSettings { locate: settings.clone(), ..InstancesSettings::default() };
    let search = Search::new(run, nominal.mesh(), tree, scan.normals().is_some(), settings)?;
    let fit = |near: &[u32]| -> Result<Fit, Stopped> {
        let cloud = share_of(&Cloud::pick(scan.points(), scan.normals(), near), SHARE).thinned(DENSE_POINTS);
        if cloud.points.len() < LEAST_POINTS {
            return Ok(Fit { explained: 0.0, beside: 0.0, seen: 0.0 });
        }
        let (explained, beside, _) = search.fit(run, &cloud, pose)?;
        Ok(Fit { explained, beside, seen: search.seen(run, &cloud, pose)?.fraction })
    };
    let fits = |fit: &Fit| fit.explained >= settings.least_explained && fit.beside <= settings.most_beside;
    let mut near = Cow::Borrowed(near);
    let mut there = fit(&near)?;
    if !fits(&there) {
        // The table under it, perhaps.
        let off = off_supports(run, &search, scan, &near)?;
        if off.len() < near.len() {
            there = fit(&off)?;
            near = Cow::Owned(off);
        }
    }
    let Fit { explained, beside, seen } = there;
    let fits = fits(&there);
    if fits && seen >= all.least_seen {
        return Ok(Stands { explained, seen, sure: true, searched: false });
    }
    let found = match searched(run, nominal.mesh(), tree, scan, &all, false) {
        Ok(found) => found.findings,
        Err(InstancesError::Stopped(stopped)) => return Err(stopped.into()),
        Err(InstancesError::LengthUnit(wrong)) => return Err(PlacedError::LengthUnit(wrong)),
        Err(InstancesError::TooFewPoints { .. }) => Vec::new(),
    };
    let stands = |sure: bool| Ok(Stands { explained, seen, sure, searched: true });
    // Two descents of one place end nearer to one another than this; other places are further off.
    let same = |other: &Pose| apart_mm(other, pose, &search.bounds) <= 3.0 * settings.deviation_mm;
    let mut elsewhere_mm: Option<f64> = None;
    let mut taken_mm: Option<f64> = None;
    for finding in &found {
        // What the scan leaves open is what the place was told for.
        if let Finding::Undetermined(open) = finding
            && open.poses.iter().any(same)
        {
            return stands(false);
        }
        let other_hand = matches!(finding, Finding::OtherHand(_));
        let (Finding::Instance(part) | Finding::OtherHand(part)) = finding else { continue };
        let its = near.iter().filter(|i| part.points.binary_search(i).is_ok()).count();
        let mostly = 2 * its > near.len();
        if other_hand && mostly {
            return Err(PlacedError::OtherHand);
        }
        if other_hand {
            continue;
        }
        if same(&part.part_from_scan) {
            return stands(true);
        }
        let apart_mm = apart_mm(&part.part_from_scan, pose, &search.bounds);
        if mostly {
            taken_mm = Some(apart_mm);
        }
        elsewhere_mm = Some(elsewhere_mm.map_or(apart_mm, |e| e.min(apart_mm)));
    }
    if fits {
        return taken_mm
            .map_or_else(|| stands(false), |apart_mm| Err(PlacedError::LiesOtherwise { apart_mm }));
    }
    if elsewhere_mm.is_none()
        && let Some(wrong) = things_in_another(run, nominal.mesh(), tree, scan, settings)?
    {
        return Err(PlacedError::LengthUnit(wrong));
    }
    let (need, most_beside) = (settings.least_explained, settings.most_beside);
    Err(PlacedError::NotThere { explained, need, beside, most_beside, elsewhere_mm })
}

/// What the points near a place say of it.
struct Fit {
    explained: f64,
    beside: f64,
    seen: f64,
}

/// Those of some points of a scan that none of its supports holds.
fn off_supports(run: &Run, search: &Search, scan: &Scan, near: &[u32]) -> Result<Vec<u32>, Stopped> {
    let all = share(scan.points(), scan.normals(), SHARE);
    let apart = (scan.points().len() as f64 / all.points.len().max(1) as f64).sqrt();
    let flats = Flats::of(search.exact.mesh, search.exact.tree, search.settings.deviation_mm);
    let spacing_mm = (scan.spacing_mm() * apart).max(1e-3);
    let found = supports(run, &all, &all.thinned(DENSE_POINTS), spacing_mm, &flats)?;
    let held = |i: usize| {
        let normal = scan.normals().map(|n| n.at(i));
        found.iter().any(|s| s.holds(&scan.points().at(i), normal))
    };
    Ok(near.iter().copied().filter(|&i| !held(i as usize)).collect())
}
