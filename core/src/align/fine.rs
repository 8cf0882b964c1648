//! Fine alignment: point to surface, never cloud to cloud, with agreeing normals.
//!
//! Gauss-Newton on the distances to tangent planes at the feet (Chen and Medioni, Image and Vision
//! Computing 10(3), 1992). First few points with a bounded loss, only to get near; then plain least
//! squares over all of them within the final reach, with weights that are fair to area, because a robust
//! loss would hide defects. Left out are strays that no neighbour agrees with, and what lies beyond the
//! ends of the faces: it is not the part (a table, a clamp).

mod approach;
mod ends;
mod ground;
mod pairs;
mod plane;
mod sample;
mod skin;
mod strays;
mod sums;

use crate::geometry::{Direction, Motion, PartFrame, Point, ScanFrame};
use crate::nominal::Nominal;
use crate::run::{Run, Stage, Stopped};
use crate::scan::Scan;
use crate::search::SurfaceTree;

use ground::Ground;
use pairs::Pairs;
use sample::Sample;

/// How a fine alignment searches and when it stops.
#[derive(Clone, Debug, PartialEq)]
pub struct FineSettings {
    /// Pairs further apart than this are left out of the final least squares, mm.
    pub reach_mm: f64,
    /// Pairs whose normals make an angle with a smaller cosine are left out.
    pub min_cos: f64,
    /// Done when a step moves no corner of the part by more than this, mm.
    pub still_mm: f64,
    /// Most steps of the final least squares.
    pub max_steps: usize,
    /// Most points used; of more, these are drawn by lot.
    pub points: usize,
    /// For a scan without normals: the direction from the surface to the scanner, in the scan's axes. Points are then
    /// paired with what faces it. Unset: the points must show which side of a skin they are of.
    pub seen_from: Option<Direction>,
}

impl Default for FineSettings {
    fn default() -> Self {
        Self {
            // Larger than deviations that a moulded part can show, smaller than the distance at which
            // another wall with the same facing usually stands.
            reach_mm: 5.0,
            // 60 degrees: an arris of a right angle never pairs with its neighbour face.
            min_cos: 0.5,
            // Rest, for any purpose: a nanometre.
            still_mm: 1e-6,
            max_steps: 60,
            // Noise of 0.02 mm leaves 2 um at the corners of a panel of 1.2 m: less than any warp.
            points: 200_000,
            seen_from: None,
        }
    }
}

/// How an alignment ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stop {
    /// The last step was smaller than the threshold.
    Settled,
    /// The steps were used up while still moving.
    OutOfSteps,
}

impl Stop {
    /// One lower-case word for records.
    pub fn word(self) -> &'static str {
        match self {
            Stop::Settled => "settled",
            Stop::OutOfSteps => "out_of_steps",
        }
    }
}

/// Whether it is known which side of a skin was scanned.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Sides {
    /// By normals, a stated side, walls or form; or there is no skin.
    Told,
    /// The scan fits the other side of the skin as well: the pose is the one nearer to the start.
    Alike {
        /// How thick the skin is, mm: about how far away the other pose is.
        thickness_mm: f64,
    },
}

/// Where the scan lies on the part, and how far to trust it.
#[derive(Clone, Debug, PartialEq)]
pub struct Alignment {
    /// Takes scan coordinates to part coordinates.
    pub part_from_scan: Motion<PartFrame, ScanFrame>,
    /// Root mean square distance of the pairs, mm.
    pub rms_mm: f64,
    /// Pairs of the last step.
    pub points_used: usize,
    /// All steps taken.
    pub steps: usize,
    /// How it ended.
    pub stop: Stop,
    /// Whether the points tell the two sides of a skin apart.
    pub sides: Sides,
    /// Point of the part about which `covariance` turns.
    pub centre: Point,
    /// For (turn about x, y, z in rad; shift along x, y, z in mm): times the variance of the points it is the
    /// covariance of the alignment. With equal weights the inverse of J'J.
    pub unit_covariance: [[f64; 6]; 6],
}

/// Why no alignment came out.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum AlignError {
    /// The caller asked to stop.
    #[error(transparent)]
    Stopped(#[from] Stopped),
    /// Too little of the scan lies near the nominal.
    #[error("only {pairs} points lie within {reach_mm} mm of the nominal; at least {need} are needed")]
    TooFewPairs {
        /// Points near enough.
        pairs: usize,
        /// Points needed.
        need: usize,
        /// The reach, mm.
        reach_mm: f64,
    },
    /// The surface lets the part slide or turn: a plane, a cylinder, a sphere.
    #[error(
        "the scanned surface lets the part slide or turn in {freedoms} ways, so its place is not determined"
    )]
    Undetermined {
        /// Freedoms that the surface does not hold.
        freedoms: usize,
    },
}

/// Fewer pairs than this are no basis for six freedoms and their spread.
const MIN_PAIRS: usize = 30;

/// So many points lead from few to all: with them the pose is near enough that hardly any of all has to be searched
/// twice.
const SOME: usize = 10_000;

/// The steps with some points end when they are shorter, mm.
const SOME_STILL_MM: f64 = 1e-3;

/// The equations bend with the square of the way, mm: after a longer one they are made anew.
const STRAIGHT_MM: f64 = 0.02;

/// Refines `start` until it rests. From a few degrees and 20 mm it comes home on shapes that hold all six
/// freedoms.
///
/// # Errors
/// Too few pairs, a surface that lets the part slide, or a stop by the caller.
pub fn fine(
    run: &Run,
    nominal: &Nominal,
    tree: &SurfaceTree,
    scan: &Scan,
    start: Motion<PartFrame, ScanFrame>,
    settings: &FineSettings,
) -> Result<Alignment, AlignError> {
    let bounds = nominal.mesh().bounds();
    // What is further from the part than that is of no use to it, whatever the reach.
    let reach_mm = settings.reach_mm.min(bounds.diagonal());
    let settings = &FineSettings { reach_mm, ..settings.clone() };
    let centre = bounds.centre();
    let radius = 0.5 * bounds.diagonal().max(1e-9);
    let seen_from = settings.seen_from;
    // A point that is paired lies within reach of the part.
    let corners = bounds.grown(2.0 * settings.reach_mm).corners();
    let ground = Ground { nominal, tree, centre, radius, min_cos: settings.min_cos, seen_from, corners };
    run.tell(Stage::Align, 0.0);
    let sample = Sample::drawn(scan, settings.points);
    run.tell(Stage::Align, 0.2);
    let (mut pose, mut steps, sides) = skin::approach_either(run, &ground, &sample, &start, settings)?;
    run.tell(Stage::Align, 0.5);
    if sample.points.len() > 2 * SOME {
        let some = sample.thinned(SOME);
        match rest(run, &ground, &some, pose, SOME_STILL_MM, settings) {
            Ok((pairs, taken, _)) => (pose, steps) = (pairs.pose, steps + taken),
            Err(AlignError::Stopped(stopped)) => return Err(stopped.into()),
            // All of them have the say.
            Err(_) => {}
        }
    }
    run.tell(Stage::Align, 0.6);
    let (pairs, taken, stop) = rest(run, &ground, &sample, pose, settings.still_mm, settings)?;
    Ok(Alignment {
        part_from_scan: pairs.pose,
        rms_mm: pairs.sums.rms(),
        points_used: pairs.sums.pairs,
        steps: steps + taken,
        stop,
        sides,
        centre,
        unit_covariance: pairs.unit_covariance().ok_or(AlignError::Undetermined { freedoms: 1 })?,
    })
}

/// Least squares over the pairs of a sample until the pose rests: the pairs there, and the steps taken.
fn rest<'a>(
    run: &Run,
    ground: &Ground<'a>,
    sample: &'a Sample,
    start: Motion<PartFrame, ScanFrame>,
    still_mm: f64,
    settings: &FineSettings,
) -> Result<(Pairs<'a>, usize, Stop), AlignError> {
    let mut pairs = Pairs::new(run, *ground, sample, start, settings.reach_mm)?;
    for step in 1..=settings.max_steps {
        run.check()?;
        let moved = pairs.step()?;
        if moved >= still_mm {
            pairs.follow(run)?;
            if pairs.since_base_mm() > STRAIGHT_MM {
                pairs.rebase();
            }
        } else if pairs.rests(run)? {
            return Ok((pairs, step, Stop::Settled));
        }
    }
    // What is told of the pairs is of the pose that is told.
    pairs.rebase();
    Ok((pairs, settings.max_steps, Stop::OutOfSteps))
}
