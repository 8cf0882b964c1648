//! A scan of a part whose place was told: aligned from there, and held against it.

use std::borrow::Cow;

use super::found::{Found, Unaligned};
use crate::align::{
    AlignError, Alignment, FineSettings, LocateSettings, PlacedError, Sides, Stands, fine, stands,
};
use crate::geometry::{Motion, PartFrame, Point, ScanFrame};
use crate::nominal::Nominal;
use crate::plan::Plan;
use crate::run::{CHECK_EVERY, Run, Stopped};
use crate::scan::Scan;
use crate::search::SurfaceTree;

/// Points of a placed part lie within this of its nominal, mm: far enough for a part far out of tolerance,
/// nearer than a neighbour on the table.
pub(super) const PLACED_REACH_MM: f64 = 10.0;

/// The part may come to rest this far from where it was said to lie, mm, before its points are chosen anew.
const STAYED_MM: f64 = 1.0;

/// So often at most.
const ROUNDS: usize = 5;

/// A part that came to rest further than this from where it was said to lie, mm, lies elsewhere: a placement is
/// told by who sets the part down, not guessed (common practice, no source).
const ELSEWHERE_MM: f64 = 50.0;

/// How well a scan bears out a place that was told.
pub(super) struct Told {
    pub(super) stands: Stands,
    /// Points of the scan in the part's own box that are further from the part than those used.
    pub(super) further_off: usize,
    /// How far from where it was said to lie the part came to rest, at its farthest corner, mm.
    pub(super) moved_mm: f64,
}

type Pose = Motion<PartFrame, ScanFrame>;

/// Aligns a part from where it was said to lie.
pub(super) fn align(
    run: &Run,
    plan: &Plan,
    nominal: &Nominal,
    tree: &SurfaceTree,
    scan: &Scan,
    told: &Pose,
) -> Result<Found<'static>, Unaligned> {
    let bears_out = |near: &Near, pose: &Pose| {
        stands(run, nominal, tree, scan, &near.on_part, pose, &LocateSettings::default()).map_err(refused)
    };
    let mut pose = *told;
    let mut chosen = near(run, plan, nominal, tree, scan, told)?;
    // Points near a place some millimetres off are not all of the part's.
    for round in 1..=ROUNDS {
        let own = scan.subset(&chosen.all);
        let fine = match fine(run, nominal, tree, &own, pose, &FineSettings::default()) {
            Ok(fine) => fine,
            Err(AlignError::Stopped(stopped)) => return Err(stopped.into()),
            Err(error) => {
                // That the part is not there says more.
                bears_out(&chosen, &pose)?;
                return Err(Unaligned::Because(format!("the scan could not be aligned: {error}")));
            }
        };
        let moved_mm = apart_mm(nominal, &fine.part_from_scan, told);
        if moved_mm > ELSEWHERE_MM {
            // What the scan shows of the place that was told says more than where the fit drifted to.
            bears_out(&near(run, plan, nominal, tree, scan, told)?, told)?;
            return Err(elsewhere(moved_mm));
        }
        if round < ROUNDS && apart_mm(nominal, &fine.part_from_scan, &pose) > STAYED_MM {
            pose = fine.part_from_scan;
            chosen = near(run, plan, nominal, tree, scan, &pose)?;
            continue;
        }
        // Where nothing was searched, nothing has told the sides apart either.
        if let Alignment { sides: Sides::Alike { thickness_mm }, .. } = fine {
            return Err(Unaligned::Because(format!(
                "the scan fits both sides of the {thickness_mm:.2} mm skin where it was said to lie, and nothing shows \
                 which one was scanned: scan normals, walls or rims too"
            )));
        }
        let stands = bears_out(&chosen, &fine.part_from_scan)?;
        let told = Some(Told { stands, further_off: chosen.further_off, moved_mm });
        return Ok(Found { scan: Cow::Owned(own), located: None, told, fine, by_distance: Some(0) });
    }
    Err(Unaligned::Because("the scan could not be aligned where it was said to lie".into()))
}

fn elsewhere(moved_mm: f64) -> Unaligned {
    Unaligned::Because(format!(
        "the part does not lie where it was said to: the best fit came to rest {moved_mm:.1} mm from there; correct \
         the placement, or leave it out and have the part searched for"
    ))
}

fn refused(error: PlacedError) -> Unaligned {
    match error {
        PlacedError::Stopped(stopped) => stopped.into(),
        PlacedError::LengthUnit(error) => Unaligned::LengthUnit(error.to_string()),
        error => Unaligned::Because(error.to_string()),
    }
}

/// How far apart two poses put the part's corners, mm.
fn apart_mm(nominal: &Nominal, a: &Pose, b: &Pose) -> f64 {
    let between: Motion<PartFrame, PartFrame> = *a * b.inverse();
    let corners = nominal.mesh().bounds().corners();
    corners.iter().map(|c| (between.point(c) - c).norm()).fold(0.0, f64::max)
}

/// The points of a scan near a placed part.
struct Near {
    /// Those near the part and those on the balls of its fixtures, ascending.
    all: Vec<u32>,
    /// Those near the part.
    on_part: Vec<u32>,
    /// Points in the part's own box that are neither.
    further_off: usize,
}

fn near(
    run: &Run,
    plan: &Plan,
    nominal: &Nominal,
    tree: &SurfaceTree,
    scan: &Scan,
    placed: &Pose,
) -> Result<Near, Stopped> {
    let bounds = nominal.mesh().bounds();
    let grown = bounds.grown(PLACED_REACH_MM);
    let balls: Vec<(Point, f64)> = plan
        .fixtures
        .iter()
        .flat_map(|f| &f.targets)
        .filter_map(|t| Some((t.at, 0.5 * t.ball_diameter_mm? + PLACED_REACH_MM)))
        .collect();
    let mut near = Near { all: Vec::new(), on_part: Vec::new(), further_off: 0 };
    for (i, p) in (0u32..).zip(scan.points().iter()) {
        if (i as usize).is_multiple_of(CHECK_EVERY) {
            run.check()?;
        }
        let p = placed.point(&p);
        if grown.contains(&p) && tree.nearest(&p, PLACED_REACH_MM).is_some() {
            near.all.push(i);
            near.on_part.push(i);
        } else if balls.iter().any(|(at, reach)| (p - at).norm() <= *reach) {
            near.all.push(i);
        } else if bounds.contains(&p) {
            near.further_off += 1;
        }
    }
    Ok(near)
}
