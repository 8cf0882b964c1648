//! Which side of a thin skin was scanned, where neither normals nor the caller say it.
//!
//! The nearest place of a bare point may lie on either side, and from a start that is off by more than the skin is
//! thick some of the points rest on one side and some on the other. So each side is tried alone, and what the points
//! then show decides: walls and rims stand out when the scan lies on the wrong side, and a curved sheet fits it badly.
//! Where they show nothing, the answer says so. Own rule, no source.

use super::approach::{HASTY, PATIENT, approach, descend};
use super::ground::Ground;
use super::sample::Sample;
use super::{AlignError, FineSettings, Sides};
use crate::geometry::{Direction, Foot, Matrix3, Motion, PartFrame, ScanFrame, Vector, symmetric_eigen3};
use crate::run::{Run, Stopped};

type Pose = Motion<PartFrame, ScanFrame>;

/// A wall further apart than this many times the reach is no skin: no point is drawn to its other side.
const THICKEST: f64 = 4.0;
/// How many places tell the thickness.
const PLACES: usize = 200;
/// A side fits clearly better when its usual distance is this many times smaller: what makes a warped part look like
/// its other side is no larger than the warp.
const CLEARLY: f64 = 3.0;
/// Where half of the points are further off than this many times the thickness, the way there led astray.
const ASTRAY: f64 = 0.25;
/// Distances below this tell nothing, mm.
const ROUNDING_MM: f64 = 1e-3;
/// Points that stand out by a quarter of the thickness tell the sides apart when one side has this many standard
/// deviations more of them, and this many at least.
const STANDS_OUT: f64 = 0.25;
const SURE: f64 = 4.0;
const LEAST: f64 = 10.0;
/// Points that lead near; those that show first where each side leads and how thick the skin is; those that tell the
/// sides apart; and those that do where these do not.
const FEW: usize = 1000;
const FEWER: usize = 400;
const TELLING: usize = 4000;
const MANY: usize = 20_000;

/// The pose near the answer, the steps taken, and whether its side is known.
pub(super) fn approach_either(
    run: &Run,
    ground: &Ground,
    sample: &Sample,
    start: &Pose,
    settings: &FineSettings,
) -> Result<(Pose, usize, Sides), AlignError> {
    let telling = &sample.thinned(TELLING);
    let few = &telling.thinned(FEW);
    let fewer = &few.thinned(FEWER);
    let mut weak = false;
    let found = led(run, ground, [sample, telling, few, fewer], start, settings, &mut weak);
    if !weak || matches!(found, Err(AlignError::Stopped(_))) {
        return found;
    }
    // Edges and rims alone may hold a flat part, and few points lie on them.
    let many = &sample.thinned(MANY);
    led(run, ground, [sample, telling, many, many], start, settings, &mut weak)
}

/// Led by few points, fewer to begin with; `weak` is set where these did not hold the part.
fn led(
    run: &Run,
    ground: &Ground,
    [sample, telling, few, fewer]: [&Sample; 4],
    start: &Pose,
    settings: &FineSettings,
    weak: &mut bool,
) -> Result<(Pose, usize, Sides), AlignError> {
    let mut told = |error: AlignError| {
        *weak |= matches!(error, AlignError::Undetermined { .. });
        error
    };
    let skin = if few.normals.is_none() && ground.seen_from.is_none() {
        skin(run, ground, fewer, start, settings)?
    } else {
        None
    };
    let Some((facing, thickness_mm)) = skin else {
        let (pose, steps) = approach(run, ground, few, start, settings, PATIENT).map_err(told)?;
        return Ok((pose, steps, Sides::Told));
    };
    let trial = |pose: Pose| Try::new(run, ground, telling, pose, thickness_mm);
    let on = |side: Direction| Ground { seen_from: Some(start.inverse().direction(side)), ..*ground };
    let mut tried: Vec<Try> = Vec::new();
    let (mut all_steps, mut error) = (0, None);
    let mut note = |found: Result<(Pose, usize), AlignError>, tried: &mut Vec<Try>| match found {
        Ok((pose, steps)) => {
            all_steps += steps;
            tried.push(trial(pose)?);
            Ok(())
        }
        Err(AlignError::Stopped(stopped)) => Err(stopped),
        Err(other) => {
            error = Some(told(other));
            Ok(())
        }
    };
    note(approach(run, &on(facing), fewer, start, settings, HASTY), &mut tried)?;
    // The other side is one thickness away.
    if let Some(one) = tried.first() {
        let through = Motion::<PartFrame, PartFrame>::from_turn_and_shift(
            Vector::zeros(),
            facing.vector() * -thickness_mm,
        ) * one.pose;
        let reach = settings.reach_mm;
        note(descend(run, &on(facing.reversed()), fewer, &through, reach, HASTY), &mut tried)?;
    }
    // Unless the first way led astray.
    if tried.iter().all(|t| t.usual_mm > ASTRAY * thickness_mm) {
        note(approach(run, &on(facing.reversed()), fewer, start, settings, HASTY), &mut tried)?;
    }
    // A surface all round was seen from no one side.
    if tried.iter().all(|t| 10 * t.out(thickness_mm) > telling.points.len()) {
        let (pose, steps) = approach(run, ground, fewer, start, settings, HASTY).map_err(|e| {
            let e = told(e);
            error.unwrap_or(e)
        })?;
        all_steps += steps;
        tried.push(trial(pose)?);
    }
    tried.sort_by(|a, b| a.usual_mm.total_cmp(&b.usual_mm));
    let mut best = 0;
    let mut sides = Sides::Told;
    for k in 1..tried.len() {
        if ground.apart_mm(&tried[k].pose, &tried[best].pose) < 0.25 * thickness_mm {
            continue;
        }
        let mut right = tried[best].against(&tried[k], thickness_mm);
        if right.is_none() {
            let many = sample.thinned(MANY);
            let again = |t: &Try| Try::new(run, ground, &many, t.pose, thickness_mm);
            right = again(&tried[best])?.against(&again(&tried[k])?, thickness_mm);
        }
        match right {
            Some(true) => {}
            Some(false) => (best, sides) = (k, Sides::Told),
            None => sides = Sides::Alike { thickness_mm },
        }
    }
    if let Sides::Alike { .. } = sides {
        // Nothing tells: the nearer one.
        let far = |t: &Try| ground.apart_mm(&t.pose, start);
        let near = tried.iter().enumerate().min_by(|a, b| far(a.1).total_cmp(&far(b.1)));
        best = near.map_or(best, |n| n.0);
    }
    let (pose, more) = descend(run, ground, few, &tried[best].pose, settings.reach_mm, PATIENT)?;
    Ok((pose, all_steps + more, sides))
}

/// A pose and how the points lie there.
struct Try {
    pose: Pose,
    /// How far each point is off, mm.
    off: Vec<f64>,
    /// Half of them are no further off.
    usual_mm: f64,
}

impl Try {
    fn new(run: &Run, ground: &Ground, few: &Sample, pose: Pose, thickness_mm: f64) -> Result<Self, Stopped> {
        let feet = ground.feet(run, few, &pose, thickness_mm)?;
        let off: Vec<f64> = feet.iter().map(|foot| foot.map_or(thickness_mm, |f| f.distance)).collect();
        let mut sorted = off.clone();
        sorted.sort_unstable_by(f64::total_cmp);
        let usual_mm = sorted.get(off.len() / 2).copied().unwrap_or(0.0);
        Ok(Self { pose, off, usual_mm })
    }

    /// Points further off than a quarter of the thickness.
    fn out(&self, thickness_mm: f64) -> usize {
        self.off.iter().filter(|&&d| d > STANDS_OUT * thickness_mm).count()
    }

    /// Whether this one is right and the other wrong; `None` when the points do not tell. Points that stand out at both
    /// poses, such as those of a table, tell nothing (McNemar, Psychometrika 12(2), 1947).
    fn against(&self, other: &Self, thickness_mm: f64) -> Option<bool> {
        let (a, b) = (self.usual_mm + ROUNDING_MM, other.usual_mm + ROUNDING_MM);
        if b > CLEARLY * a || a > CLEARLY * b {
            return Some(b > a);
        }
        let most = STANDS_OUT * thickness_mm;
        let only = |a: &[f64], b: &[f64]| a.iter().zip(b).filter(|&(&a, &b)| a > most && b <= most).count();
        let (a, b) = (only(&self.off, &other.off) as f64, only(&other.off, &self.off) as f64);
        ((a - b).abs() > SURE * (a + b).sqrt() + LEAST).then_some(a < b)
    }
}

/// The direction that most of the surface near the scan faces, and how thick it is there; `None` when it is no skin.
fn skin(
    run: &Run,
    ground: &Ground,
    few: &Sample,
    start: &Pose,
    settings: &FineSettings,
) -> Result<Option<(Direction, f64)>, Stopped> {
    let feet = ground.feet(run, few, start, THICKEST * settings.reach_mm)?;
    let mesh = ground.nominal.mesh();
    let faces: Vec<(Foot, Direction)> =
        feet.into_iter().flatten().filter_map(|f| Some((f, mesh.normal(f.triangle)?))).collect();
    let facing = faces.iter().fold(Matrix3::zeros(), |s, (_, n)| s + n.vector() * n.vector().transpose());
    let Some(facing) = Direction::new(symmetric_eigen3(&facing).1[2]) else { return Ok(None) };
    let every = faces.len().div_ceil(PLACES).max(1);
    let places = faces.iter().step_by(every);
    let wanted = places.len();
    let behind = |(foot, n): &(Foot, Direction)| {
        let other =
            ground.tree.nearest_facing(&foot.point, n.reversed(), 0.8, THICKEST * settings.reach_mm)?;
        let gap = (foot.point - other.point).dot(&n.vector());
        (gap > ROUNDING_MM).then_some(gap)
    };
    let mut gaps: Vec<f64> = places.filter_map(behind).collect();
    gaps.sort_unstable_by(f64::total_cmp);
    Ok((2 * gaps.len() > wanted).then(|| (facing, gaps[gaps.len() / 2])))
}
