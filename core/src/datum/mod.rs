//! The datum system on the measured features (ISO 5459:2011).
//!
//! Datums in order of precedence: features of every kind, one or several to a datum, targets (pads, lines), or the balls
//! of a holding fixture. A plane locks one shift and two turns; the axis of a hole held square to it locks two shifts,
//! or the last turn; a slot one shift or turn; a cylinder four freedoms, a sphere three, a cone five; pads lock along
//! their own directions or the part's axes. Planes, holes and slots by least squares are associated one by one, all else
//! as patterns ([`crate::associate::associate_pattern`]). On a scan, features are extracted at the present alignment,
//! the part is moved onto its datums, then to its best fit over what they leave, and all is repeated until the part
//! rests. What each datum locks follows from the order alone ([`targets`]). What is left free, or is loose at a material
//! condition, is told ([`DatumAlignment::free`], [`Loose`]).

mod best_fit;
mod by_points;
mod displaced;
mod error;
mod holds;
mod leeway;
mod on_scan;
mod pattern;
mod start;
pub mod targets;

pub use by_points::{PointDatums, establish_by_points};
pub use displaced::Displaceable;
pub use error::DatumError;
pub use leeway::Loose;

use crate::filter::Correlated;
use crate::geometry::{Motion, PartFrame, Point, ScanFrame, Twist, Vector};
use crate::nominal::Nominal;
use crate::partition::{Partition, PartitionSettings};
use crate::plan::{DatumSystem, FaceMap, Plan};
use crate::run::{Run, Stage};
use crate::scan::Scan;
use crate::search::SurfaceTree;

use best_fit::{Fitted, Fitting, Left};
pub use holds::served;
use holds::{Hold, HoldKind, Holds, holds};
use leeway::{loose, orthogonal};
use targets::{Target, TargetAlignment, TargetMeasured, solve_leaving};

/// What a datum or target locked, and what it leaves over.
#[derive(Clone, Debug, PartialEq)]
pub struct DatumTaken {
    /// Letter on the drawing, or the fixture's id; "best fit" for a feature of a best fit.
    pub letter: String,
    /// Feature or target.
    pub feature: String,
    /// Freedoms that the datum locked (`tx`, `rx`, ... in the part's axes, or in words), or along what a target
    /// locks.
    pub locks: Vec<String>,
    /// What is left over, mm: for a plane the largest distance of its cells or points from it; for a hole, slot or
    /// target how far it stays from its nominal along what it locks (for a hole positive away from the others); for
    /// each of several features of one datum the largest distance of its points from it; for a feature of a best fit
    /// the root mean square of its deviations; absent where nothing is left by construction.
    pub residual_mm: Option<f64>,
}

/// A scan aligned on the datums.
#[derive(Clone, Debug)]
pub struct DatumAlignment {
    /// Takes scan coordinates to part coordinates.
    pub part_from_scan: Motion<PartFrame, ScanFrame>,
    /// Every point's place at this alignment.
    pub partition: Partition,
    /// Point about which `covariance` turns, mm.
    pub centre: Point,
    /// Covariance of (turn about x, y, z, rad; shift along x, y, z, mm) from the noise of the datum features; none
    /// along `free`.
    pub covariance: [[f64; 6]; 6],
    /// Motions about `centre` that neither a datum nor the best fit holds: orthogonal, each of 1 mm at half the part's
    /// diagonal. Along them the part lies as in the alignment that it was begun with.
    pub free: Vec<Twist>,
    /// Datums at a material condition, and the motions that are loose within their boundaries.
    pub loose: Vec<Loose>,
    /// Every datum and target.
    pub datums: Vec<DatumTaken>,
    /// Rounds until it rested.
    pub rounds: u32,
    /// For each input that displaces the whole scan how the part comes to rest on its displaced datums; empty until they are
    /// asked ([`Displaceable`]).
    pub answers: Vec<Motion<PartFrame, PartFrame>>,
    /// For each draw of the noise that neighbouring points share ([`crate::filter::SharedNoise`]) how the part comes to rest on
    /// its displaced datums, about `centre`; empty without such noise, and until they are asked.
    pub shared: Vec<Twist>,
}

impl DatumAlignment {
    /// The motion of the part in one draw of the noise that neighbouring points share, so many `times` as large.
    pub fn moved_by_shared(&self, draw: usize, times: f64) -> Option<Motion<PartFrame, PartFrame>> {
        let twist = self.shared.get(draw)?;
        Some(Twist::motion(&[*twist], &[times], self.centre))
    }

    /// How far the same moves a place, mm; zero without such noise.
    pub fn shift_by_shared(&self, draw: usize, place: &Point) -> Vector {
        self.shared.get(draw).map_or_else(Vector::zeros, |t| t.at(self.centre, place))
    }
}

/// The part rests when a round moves none of its corners by more than this, mm.
pub const STILL_MM: f64 = 1e-5;

/// Rounds after which a part that still moves has no datum system.
const MOST_ROUNDS: u32 = 20;

/// Everything the datum stage looks at.
#[derive(Clone, Copy)]
pub struct DatumInput<'a> {
    /// The nominal.
    pub nominal: &'a Nominal,
    /// Its tree.
    pub tree: &'a SurfaceTree,
    /// The scan.
    pub scan: &'a Scan,
    /// The plan.
    pub plan: &'a Plan,
    /// Where its features are.
    pub faces: &'a FaceMap,
    /// How points are given to the nominal.
    pub settings: &'a PartitionSettings,
    /// Standard deviation of the points' noise, mm.
    pub noise_mm: f64,
    /// Noise that neighbouring points share.
    pub correlated: &'a [Correlated],
    /// Edge of the cells by which a plane is fair to its area, mm.
    pub cell_mm: f64,
}

/// A hold as it was measured, in part coordinates at the present alignment.
struct Measured {
    /// For each target of the hold.
    targets: Vec<TargetMeasured>,
    /// Independent errors beyond the targets' own: each the change of every row of the hold for one standard
    /// deviation, mm.
    errors: Vec<Vec<f64>>,
    /// What the feature itself leaves over (the form of a plane), mm.
    residual_mm: Option<f64>,
    /// The largest distance of a point from each feature of a pattern, mm.
    left_mm: Vec<f64>,
}

impl Measured {
    /// Targets that err each by itself.
    fn of(targets: Vec<TargetMeasured>) -> Self {
        Self { targets, errors: Vec::new(), residual_mm: None, left_mm: Vec::new() }
    }
}

/// A part with a best fit rests when a round moves none of its corners by more than this, mm: points change their
/// triangles and strips from round to round, which moves a mean by less than noise does.
const BEST_FIT_STILL_MM: f64 = 1e-4;

/// Rounds of a best fit, which slides along faces.
const MOST_ROUNDS_OF_BEST_FIT: u32 = 60;

/// Establishes a datum system on a scan, beginning at the alignment `start`. Along what the system leaves free the part
/// stays where the start has it.
///
/// # Errors
/// A datum feature that was not seen well enough or cannot be associated, datums that lock nothing, or a stop by the
/// caller.
pub fn establish(
    run: &Run,
    input: &DatumInput,
    system: &DatumSystem,
    start: Motion<PartFrame, ScanFrame>,
) -> Result<DatumAlignment, DatumError> {
    let holds = holds(system, input.plan, input.faces)?;
    let nominal = holds.targets();
    let fitting = match &system.best_fit {
        Some(fit) => {
            Some(Fitting::new(input, fit).ok_or_else(|| DatumError::WrongFaces { id: system.id.clone() })?)
        }
        None => None,
    };
    let bounds = input.nominal.mesh().bounds();
    let (corners, lever_mm) = (bounds.corners(), 0.5 * bounds.diagonal());
    let (most, still_mm) = match fitting {
        Some(_) => (MOST_ROUNDS_OF_BEST_FIT, BEST_FIT_STILL_MM),
        None => (MOST_ROUNDS, STILL_MM),
    };
    let mut extracts = on_scan::Extracts::new(input, &holds.all);
    let mut pose = start;
    let mut moved_mm = f64::INFINITY;
    for round in 1..=most {
        run.tell(Stage::Align, f64::from(round) / f64::from(most));
        let partition = Partition::new(run, input.nominal, input.tree, input.scan, pose, input.settings)?;
        let mut measured = extracts.measure(run, input, &holds.all, &partition, false)?;
        let solved = solved(system, &holds, &nominal, &measured, pose)?;
        // Without a datum there is no middle of targets to turn about.
        let centre =
            if nominal.is_empty() { nalgebra::center(&bounds.low, &bounds.high) } else { solved.centre };
        let free = if nominal.is_empty() { Twist::all(lever_mm) } else { orthogonal(&solved.free, lever_mm) };
        let moved = solved.part_from_scan * pose.inverse();
        let left = Left { moved, free: &free, centre, lever_mm };
        let fit = |sure: bool| match &fitting {
            Some(fitting) => fitting.fit(run, input, &partition, &left, sure).map(Some),
            None => Ok(None),
        };
        let fitted = fit(false)?;
        let step = fitted.as_ref().map_or(moved, |f| f.step * moved);
        moved_mm = corners.iter().map(|c| (step.point(c) - c).norm()).fold(0.0, f64::max);
        if moved_mm < still_mm {
            // At rest: the pose at which the points were given to the features is the datum alignment. Measured and solved once
            // more where all of the uncertainty takes longer: the answer is the same.
            let features = holds.all.iter().any(|h| matches!(h.kind, HoldKind::Features(_)));
            let mut rested = solved;
            if features || !input.correlated.is_empty() {
                measured = extracts.measure(run, input, &holds.all, &partition, true)?;
                rested = self::solved(system, &holds, &nominal, &measured, pose)?;
            }
            let fitted: Option<Fitted> = fit(true)?;
            let mut datums = taken(&rested, &holds.all, &measured);
            let mut covariance = covariance(&rested, &holds.all, &measured);
            let mut free = free.clone();
            if let Some(fitted) = fitted {
                covariance = fitted.covariance(&covariance);
                free.clone_from(&fitted.free);
                datums.extend(fitted.taken);
            }
            return Ok(DatumAlignment {
                part_from_scan: pose,
                partition,
                centre,
                covariance,
                free,
                loose: loose(&rested, &holds.loose, lever_mm),
                datums,
                rounds: round,
                answers: Vec::new(),
                shared: Vec::new(),
            });
        }
        pose = (step * pose).orthonormalised();
    }
    Err(DatumError::NotSettled { id: system.id.clone(), rounds: most, moved_mm })
}

/// Moves the part from `pose` onto what was measured there.
fn solved(
    system: &DatumSystem,
    holds: &Holds,
    nominal: &[Target],
    measured: &[Measured],
    pose: Motion<PartFrame, ScanFrame>,
) -> Result<TargetAlignment, DatumError> {
    let back = pose.inverse();
    let told: Vec<TargetMeasured> = measured
        .iter()
        .flat_map(|m| &m.targets)
        .map(|t| TargetMeasured {
            point: back.point(&t.point),
            normal: t.normal.map(|n| back.direction(n)),
            standard_mm: t.standard_mm,
        })
        .collect();
    solve_leaving(nominal, &told, &holds.only, pose)
        .map_err(|cause| DatumError::Targets { id: system.id.clone(), cause: named(&cause, &holds.all) })
}

/// Says which target a cause of the solver means.
fn named(cause: &targets::TargetError, holds: &[Hold]) -> String {
    use targets::TargetError::{BadTarget, Contradictory, Grazing};
    let index = match cause {
        BadTarget { index, .. } | Grazing { index, .. } | Contradictory { index, .. } => Some(*index),
        _ => None,
    };
    let names = holds.iter().flat_map(|h| h.targets.iter().map(|_| &h.name));
    match index.and_then(|i| names.clone().nth(i)) {
        Some(name) => format!("{name}: {cause}"),
        None => cause.to_string(),
    }
}

/// The solver's covariance and that of the errors which it was not told.
fn covariance(solved: &TargetAlignment, holds: &[Hold], measured: &[Measured]) -> [[f64; 6]; 6] {
    let mut total = solved.covariance;
    let mut first = 0;
    for (hold, m) in holds.iter().zip(measured) {
        for error in &m.errors {
            let mut motion = [0.0; 6];
            for (e, response) in error.iter().zip(&solved.responses[first..]) {
                for i in 0..6 {
                    motion[i] += e * response[i];
                }
            }
            for i in 0..6 {
                for j in 0..6 {
                    total[i][j] += motion[i] * motion[j];
                }
            }
        }
        first += hold.rows();
    }
    of_fixture(&mut total, solved, holds, measured);
    total
}

/// What the balls of a fixture add.
///
/// The solver was told the fixture's stated uncertainty ball by ball, as if each erred by itself, and so took a shift
/// for as many times less uncertain (in variance) as there are balls. The seat of the part in the fixture, which the
/// stated uncertainty holds too, does not average down, and how it is shared between the two nobody states: a shift
/// keeps all of it. Turns stay as uncertain as independent balls make them.
///
/// Balls are rigid to each other by their certificate, so residuals beyond what is stated speak against it, and scale
/// the whole by Birge's ratio, never below 1 (Birge, Physical Review 40, 1932, p. 207, from memory). Pads and the
/// balls' own points need none of this: pads are the datum however they lie, and points are scaled in their fit.
fn of_fixture(total: &mut [[f64; 6]; 6], solved: &TargetAlignment, holds: &[Hold], measured: &[Measured]) {
    let (mut balls, mut fixture, mut chi, mut first) = (0.0f64, 0.0f64, 0.0f64, 0);
    for (hold, m) in holds.iter().zip(measured) {
        let rows = &solved.residuals[first..first + hold.rows()];
        first += hold.rows();
        let HoldKind::Ball { standard_mm, .. } = hold.kind else { continue };
        balls += 1.0;
        fixture = fixture.max(standard_mm);
        let own = m.targets.first().map_or(0.0, |t| t.standard_mm);
        let squares: f64 = rows.iter().map(|r| r.residual_mm * r.residual_mm).sum();
        chi += if own > 0.0 { squares / (own * own) } else { 0.0 };
    }
    if !(balls > 0.0) {
        return;
    }
    let spare = 3.0 * balls - 6.0;
    let ratio = if spare > 0.0 { (chi / spare).max(1.0) } else { 1.0 };
    for row in total.iter_mut() {
        for c in row.iter_mut() {
            *c *= ratio;
        }
    }
    for i in 3..6 {
        total[i][i] += fixture * fixture * (1.0 - 1.0 / balls);
    }
}

/// What each hold locked and leaves over.
fn taken(solved: &TargetAlignment, holds: &[Hold], measured: &[Measured]) -> Vec<DatumTaken> {
    let mut first = 0;
    let mut all = Vec::with_capacity(holds.len());
    for (hold, m) in holds.iter().zip(measured) {
        let rows = &solved.residuals[first..first + hold.rows()];
        first += hold.rows();
        let stage = hold.targets.first().map_or(0, |t| t.stage);
        let of_stage = || {
            let Some(i) = solved.stages.iter().position(|s| s.stage == stage) else { return Vec::new() };
            // The last stage locks what the one before left free, however it bears.
            let before = i.checked_sub(1).map(|b| &solved.stages[b].left_free);
            let last = solved.stages[i].left_free.is_empty();
            let locked = before.filter(|_| last).unwrap_or(&solved.stages[i].locked);
            locked.iter().map(|f| f.code.map_or_else(|| f.words.clone(), str::to_owned)).collect()
        };
        let length = rows.iter().map(|r| r.residual_mm * r.residual_mm).sum::<f64>().sqrt();
        if let HoldKind::Features(features) = &hold.kind {
            let several = features.parts.len() > 1;
            for (part, left_mm) in features.parts.iter().zip(&m.left_mm) {
                all.push(DatumTaken {
                    letter: hold.letter.to_owned(),
                    feature: part.bound.id.clone(),
                    locks: of_stage(),
                    // One feature of size or place leaves what the datums before it do not let it meet.
                    residual_mm: if several || !part.ideal.is_sized() {
                        // A feature that no point of its surface tells leaves nothing that is known.
                        Some(*left_mm).filter(|left| left.is_finite())
                    } else {
                        left(length)
                    },
                });
            }
            continue;
        }
        let (locks, residual_mm) = match &hold.kind {
            HoldKind::Plane { .. } => (of_stage(), m.residual_mm),
            HoldKind::Hole { .. } => {
                let along: f64 = rows
                    .iter()
                    .zip(&hold.targets)
                    .map(|(r, t)| r.residual_mm * t.direction.vector().dot(&(t.nominal - solved.centre)))
                    .sum();
                (of_stage(), left(if along < 0.0 { -length } else { length }))
            }
            HoldKind::Slot { .. } => (of_stage(), left(rows[0].residual_mm)),
            HoldKind::Pad(pad) => {
                let one = if rows.len() == 1 { rows[0].residual_mm } else { length };
                (holds::words(&pad.locks, pad.direction), Some(one))
            }
            HoldKind::Ball { .. } | HoldKind::Features(_) => (of_stage(), Some(length)),
        };
        all.push(DatumTaken {
            letter: hold.letter.to_owned(),
            feature: hold.name.clone(),
            locks,
            residual_mm,
        });
    }
    all
}

/// A residual, unless it is none but for rounding.
fn left(residual_mm: f64) -> Option<f64> {
    (residual_mm.abs() > STILL_MM).then_some(residual_mm)
}
