//! Size and position of a round hole whose wall is too short to tell its own axis.
//!
//! The axis is that of the nominal as it is turned with the skin about the hole, where that skin was seen; the wall tells size
//! and place, and where it was not seen all round the rims help.

use crate::associate::{AssociatedHole, RimsBy, ToldBy, hole, hole_with_rims, rims};
use crate::conformity::{Known, Question, Unit, decide, decide_on, tell_known};
use crate::datum::DatumAlignment;
use crate::filter::{Draws, REHEARSALS, SharedNoise, averaged_over_mm2};
use crate::geometry::{Direction, Point, Vector};
use crate::nominal::Carrier;
use crate::partition::Tube;
use crate::record::{Components, Evaluation, Interval};
use crate::run::Stopped;
use crate::uncertainty::{Budget, Offset, Source, across_of_motion};

use super::effects::{self, Step};
use super::ideal::under;
use super::lean::Lean;
use super::sight::Sight;
use super::skin_axis::skin_axis;
use super::{Outcome, Subject, own_datum, settle};

/// A wall of which less than this of the turn was seen is helped by its rims: points in no order leave gaps of a tenth by chance.
const WHOLE_TURN: f64 = 0.9;

/// A hole, what is missing of it, and how well its axis is known.
struct Told {
    hole: AssociatedHole,
    missing: Option<String>,
    /// Covariance of the axis's slopes along the two directions across, rad2; zero where the nominal tells them.
    slopes: [[f64; 2]; 2],
}

/// Associates the hole and notes coverage and operators. The outer error is a stop by the caller, the inner one why there is
/// none.
fn associated(subject: &Subject, evaluation: &mut Evaluation) -> Result<Result<Told, String>, Stopped> {
    let Some(Carrier::Cylinder { point, axis: nominal_axis, radius_mm, .. }) = subject.bound.carrier else {
        return Ok(Err("the face bound to the feature is not a cylinder".into()));
    };
    let context = subject.context;
    context.run.check()?;
    let (partition, scan, nominal, noise_mm) =
        (subject.partition, context.scan, context.nominal, context.noise_mm);
    let skin =
        Tube::round(point, nominal_axis, radius_mm).map(|t| skin_axis(context, partition, subject.bound, &t));
    let (axis, slopes) = skin.as_ref().map_or((nominal_axis, [[0.0; 2]; 2]), |s| (s.axis, s.slopes));
    evaluation.operators.insert("axis".into(), skin.map_or_else(|| "nominal direction".into(), |s| s.words));
    let by_wall = hole(partition, scan, nominal, subject.bound, axis, noise_mm);
    let whole = by_wall.as_ref().is_ok_and(|h| h.seen.fraction >= WHOLE_TURN);
    let found = if whole {
        by_wall
    } else {
        let rims = rims(context.run, nominal, scan, partition, subject.bound, noise_mm, RimsBy::WhereNoWall)?;
        let with = hole_with_rims(partition, scan, nominal, subject.bound, axis, noise_mm, rims);
        // More is known with the rims, or nothing is.
        match (by_wall, with) {
            (Ok(alone), Ok(with)) if with.seen.fraction >= alone.seen.fraction => Ok(with),
            (Err(_), Ok(with)) => Ok(with),
            (alone, _) => alone,
        }
    };
    let found = match found {
        Ok(found) => found.without_shared(&context.inputs.correlated),
        Err(error) => return Ok(Err(error.to_string())),
    };
    if let Some(tube) = Tube::round(point, nominal_axis, radius_mm)
        && let Some(lean) = Lean::of(&found.wall, &tube, axis, noise_mm)
    {
        evaluation.operators.insert("lean".into(), lean.words(found.depth_mm));
    }
    let facing = found.seen.unseen_at.and_then(|p| under(&subject.bound.situation, &p, nominal_axis));
    let facing = facing.map(|on| on.normal);
    let sight = Sight::of_turn(found.seen, facing, subject.bound.area_mm2, found.points);
    evaluation.coverage = Some(sight.coverage());
    let association = match found.by {
        ToldBy::Wall => "least-squares circle of the wall, seen along the axis",
        ToldBy::WallAndRim => "least-squares circles of wall and rims about one centre, seen along the axis",
        ToldBy::Rim => "least-squares circles of the rims about one centre, seen along the axis",
    };
    let of_rims: usize = found.rims.iter().map(Vec::len).sum();
    for (name, words) in [
        ("association", association.to_owned()),
        ("evidence", found.by.word().to_owned()),
        ("wall_points", found.wall.len().to_string()),
        ("rim_places", of_rims.to_string()),
        ("points_left_out", found.left_out.to_string()),
        ("points_where_the_wall_turns_away", found.not_straight.to_string()),
    ] {
        evaluation.operators.insert(name.into(), words);
    }
    let missing = sight.missing(subject.characteristic);
    Ok(Ok(Told { hole: found, missing, slopes }))
}

/// What a wrong slope of the axis does to the centre, mm2: points that lie above or below the middle of the wall are seen aside
/// of it by their height.
fn of_slopes(told: &Told) -> [[f64; 2]; 2] {
    let hole = &told.hole;
    let rims = hole.rims.iter().flatten().map(|r| r.point);
    let heights = hole.wall.iter().copied().chain(rims);
    let (n, sum) =
        heights.fold((0.0, 0.0), |(n, s), p| (n + 1.0, s + (p - hole.centre).dot(&hole.axis.vector())));
    let lever = if n > 0.0 { sum / n } else { 0.0 };
    told.slopes.map(|row| row.map(|c| c * lever * lever))
}

/// Covariance of centre (across) and radius from noise that neighbouring points share, by seeded draws of it on wall and rims; on
/// `datums`, which each draw moves too, where the place counts.
fn of_shared_noise(
    subject: &Subject,
    found: &AssociatedHole,
    datums: Option<&DatumAlignment>,
) -> [[f64; 3]; 3] {
    let mut covariance = [[0.0; 3]; 3];
    let mut noise = SharedNoise::new(&subject.context.inputs.correlated);
    if noise.is_none() {
        return covariance;
    }
    let mut drawn: Vec<Draws> = Vec::with_capacity(found.points);
    // Asks for every place of wall and rims without moving it.
    found.displaced(&mut |p, n, across| {
        drawn.push(noise.along(p, n, across));
        Vector::zeros()
    });
    for draw in 0..REHEARSALS {
        let mut next = drawn.iter();
        let by = &mut |p: &Point, _: &Vector, across: &Vector| {
            let own = next.next().map_or_else(Vector::zeros, |v| across * f64::from(v[draw]));
            own + datums.map_or_else(Vector::zeros, |d| d.shift_by_shared(draw, p))
        };
        let off = found.displaced(by).unwrap_or([f64::INFINITY; 3]);
        for (i, row) in covariance.iter_mut().enumerate() {
            for (j, entry) in row.iter_mut().enumerate() {
                *entry += off[i] * off[j] / REHEARSALS as f64;
            }
        }
    }
    covariance
}

/// How far each input that displaces the whole scan moves the centre across and grows the radius, mm.
fn of_effects(subject: &Subject, found: &AssociatedHole) -> Vec<[f64; 3]> {
    let one =
        |ways: &[Step; 2]| found.displaced(&mut |p, n, _| ways[0].at(p, n)).unwrap_or([f64::INFINITY; 3]);
    effects::steps(subject).iter().map(one).collect()
}

/// How much smaller the diameter reads because points were smoothed, mm; `None` where they were not, or where the noise they show
/// and the instrument's do not tell how far. Neighbours round a hollow wall lie nearer to its axis by d^2 / (2 R); of a mean square
/// distance over which they were averaged half is along the turn.
fn of_smoothing(subject: &Subject, found: &AssociatedHole) -> Option<f64> {
    let Subject { context, .. } = subject;
    let axis = found.axis.vector();
    let heights = || found.wall.iter().map(|p| (p - found.centre).dot(&axis));
    let (low, high) = heights().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), x| (l.min(x), h.max(x)));
    let seen_mm2 = std::f64::consts::TAU * found.radius_mm * found.seen.fraction * (high - low);
    let point_area_mm2 = seen_mm2 / found.wall.len() as f64;
    let stated_mm = context.inputs.point_noise_mm;
    let far_mm2 = averaged_over_mm2(context.shown_noise_mm, stated_mm, point_area_mm2);
    far_mm2.filter(|_| context.inputs.smoothed).map(|far| 2.0 * 0.5 * far / (2.0 * found.radius_mm))
}

fn sum(a: &[[f64; 3]; 3], b: &[[f64; 3]; 3]) -> [[f64; 3]; 3] {
    std::array::from_fn(|i| std::array::from_fn(|j| a[i][j] + b[i][j]))
}

/// The least-squares diameter.
pub(super) fn diameter(
    subject: &Subject,
    nominal_mm: f64,
    tolerance_mm: f64,
    evaluation: &mut Evaluation,
) -> Result<(), Stopped> {
    let Told { hole: found, missing, .. } = match associated(subject, evaluation)? {
        Ok(found) => found,
        Err(reason) => {
            evaluation.reason = reason;
            return Ok(());
        }
    };
    if found.by == ToldBy::Rim {
        evaluation.reason = format!(
            "only the rims of the hole were seen, whose diameter is {:.3} mm; a chamfer or a rounded arris makes a rim wider than the \
             hole, so its size is not known: scan the wall from a slant",
            2.0 * found.radius_mm
        );
        return Ok(());
    }
    let value = 2.0 * found.radius_mm;
    // Rims hold their own radius besides: then the noise is drawn.
    let shared = match found.by {
        ToldBy::Wall => {
            found.of_shared(&subject.context.inputs.correlated).unwrap_or([[f64::INFINITY; 3]; 3])
        }
        _ => of_shared_noise(subject, &found, None),
    };
    let noise = sum(&found.covariance, &shared);
    let changes: Vec<f64> = of_effects(subject, &found).iter().map(|off| 2.0 * off[2].abs()).collect();
    let budget = Budget::new()
        .with(Source::Noise, 2.0 * noise[2][2].max(0.0).sqrt())
        .with(Source::Sampling, 2.0 * found.sampling[2][2].max(0.0).sqrt())
        .with_all(&effects::lines(subject, &changes));
    let budget = match of_smoothing(subject, &found) {
        Some(smaller_mm) => {
            // Known no better than by a factor of two, since noise grows on slanted walls and points are missing: taken as anywhere
            // between none and twice that (JCGM 100:2008, 4.3.7), and not taken out of the value.
            let standard_mm = smaller_mm * 2.0 / 3f64.sqrt();
            let words = format!(
                "the points were smoothed, which draws the wall inwards: by the noise that is left the diameter reads smaller by about \
                 {smaller_mm:.4} mm, which is not taken out of the value; scan or export without smoothing"
            );
            evaluation.operators.insert("smoothing".into(), words);
            budget.with(Source::Smoothing, standard_mm)
        }
        None => budget,
    };
    let u = budget.combined_mm();
    evaluation.operators.insert("nominal_mm".into(), format!("{nominal_mm}"));
    let decided = decide(&subject.context.plan.decision, value, u, &evaluation.limits, tolerance_mm, None);
    let interval = Interval { low_mm: value - 1.96 * u, high_mm: value + 1.96 * u };
    settle(evaluation, Outcome { value_mm: value, budget, interval, decided, missing, part_proves: false });
    Ok(())
}

/// Position regardless of size (ISO 1101:2017, position tolerance): twice the distance of the axis from its true place,
/// square to the nominal axis, at the middle of the wall's depth.
pub(super) fn position(
    subject: &Subject,
    zone_diameter_mm: f64,
    evaluation: &mut Evaluation,
) -> Result<(), Stopped> {
    let Some(datums) = subject.datums else {
        evaluation.reason = "a position needs a datum system".into();
        return Ok(());
    };
    if let Some(reason) = own_datum(subject.context.plan, subject.characteristic) {
        evaluation.reason = reason;
        return Ok(());
    }
    let told = match associated(subject, evaluation)? {
        Ok(told) => told,
        Err(reason) => {
            evaluation.reason = reason;
            return Ok(());
        }
    };
    let of_slopes = of_slopes(&told);
    let Told { hole: found, missing, .. } = told;
    // A wall shorter than its diameter can lean by little before its size shows it; a longer one must be
    // followed along its depth, which this version does not do.
    if found.depth_mm > 2.0 * found.radius_mm {
        evaluation.reason =
            "the hole is deeper than wide; its axis over the depth is not evaluated in this version".into();
        return Ok(());
    }
    let Some(Carrier::Cylinder { point, axis, .. }) = subject.bound.carrier else { return Ok(()) };
    let across = |d: Vector| d - axis.vector() * d.dot(&axis.vector());
    let off = across(found.centre - point);
    let distance = off.norm();
    evaluation.components = Some(Components { dx_mm: off.x, dy_mm: off.y, dz_mm: off.z, dn_mm: distance });
    let (u, v) = found.across;
    let of_alignment = across_of_motion(&datums.covariance, datums.centre, found.centre, [u, v]);
    let two = |c: &[[f64; 3]; 3]| [[c[0][0], c[0][1]], [c[1][0], c[1][1]]];
    let of_noise = two(&sum(&found.covariance, &of_shared_noise(subject, &found, Some(datums))));
    let of_sampling = two(&found.sampling);
    let moved = of_effects(subject, &found);
    let total: [[f64; 2]; 2] = std::array::from_fn(|i| {
        std::array::from_fn(|j| {
            let of_effects: f64 = moved.iter().map(|off| off[i] * off[j]).sum();
            of_noise[i][j] + of_sampling[i][j] + of_alignment[i][j] + of_slopes[i][j] + of_effects
        })
    });
    let Some(offset) = Offset::new([off.dot(&u), off.dot(&v)], total) else {
        evaluation.reason = "its uncertainty could not be found".into();
        return Ok(());
    };
    // Along the way it is off; where it is hardly off any way will do, so the mean over all of them is taken.
    let sure = distance > 3.0 * offset.standard();
    let way = Direction::new(off).filter(|_| sure).map(|d| [d.vector().dot(&u), d.vector().dot(&v)]);
    let line = |c: &[[f64; 2]; 2]| {
        let square = match way {
            Some([x, y]) => c[0][0] * x * x + 2.0 * c[0][1] * x * y + c[1][1] * y * y,
            None => 0.5 * (c[0][0] + c[1][1]),
        };
        2.0 * square.max(0.0).sqrt()
    };
    let outer = |off: &[f64; 3]| std::array::from_fn(|i| std::array::from_fn(|j| off[i] * off[j]));
    let changes: Vec<f64> = moved.iter().map(|off| line(&outer(off))).collect();
    let budget = Budget::new()
        .with(Source::Noise, line(&of_noise))
        .with(Source::Sampling, line(&of_sampling))
        .with(Source::Alignment, line(&of_alignment))
        .with(Source::Lean, line(&of_slopes))
        .with_all(&effects::lines(subject, &changes));
    let known = Known::Length { offset, factor: 2.0 };
    let (rule, limits) = (&subject.context.plan.decision, evaluation.limits);
    let question =
        Question { rule, limits: &limits, tolerance: zone_diameter_mm, floor: None, unit: Unit::Millimetre };
    let decided = decide_on(&question, &known);
    let [low_mm, high_mm] = known.interval();
    let interval = Interval { low_mm, high_mm };
    let value_mm = 2.0 * distance;
    settle(evaluation, Outcome { value_mm, budget, interval, decided, missing, part_proves: false });
    tell_known(rule, &known, evaluation);
    Ok(())
}
