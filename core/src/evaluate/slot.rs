//! Position and symmetry of a slot in a thin skin whose wall was not seen all along: its rims help, as they do of a round hole.

use crate::associate::{RimPlace, RimsBy, ToldBy, rims};
use crate::filter::{Draws, SharedNoise, drawn_noise};
use crate::geometry::{Direction, Point, Vector};
use crate::partition::{Seen, Tube};
use crate::plan::{Requirement, Situation, Zone};
use crate::record::Evaluation;
use crate::run::Stopped;
use crate::tolerance::{Rule, RuleError, SlotWithRims, Surface};

use super::by_rule::{Asked, effective, judge};
use super::extract::Extracted;
use super::sight::{Sight, coverage_of};
use super::{Subject, lean, rules};

/// Flanks of which less than this was seen are helped by the rims: points in no order leave gaps of a tenth by chance.
const WHOLE: f64 = 0.9;

/// Fewer points of a wall, or places of a rim, tell nothing of it.
const LEAST_POINTS: usize = 8;

/// Places this many robust standard deviations off their line are broken out, or burrs.
const OFF_RIM: f64 = 4.0;

/// Seeds that tell the noise of wall and rims apart.
const SEEDS: [u64; 3] = [0x510_0001, 0x510_0002, 0x510_0003];

/// What tells the middle of the slot: the plane that it is held against, at a place and across.
fn plane(subject: &Subject) -> Option<(Point, Direction, f64)> {
    let Situation::Slot { at, axis, along, .. } = subject.bound.situation else { return None };
    let own = Direction::new(axis.vector().cross(&along.vector()))?;
    match subject.characteristic.requirement {
        Requirement::Position { zone: Zone::Slab { width_mm, across }, .. } => {
            // A zone along the slot holds its ends.
            let across_it = across.is_none_or(|given| given.dot(own).abs() >= 0.7);
            across_it.then_some((at, own, width_mm))
        }
        Requirement::Symmetry { zone_width_mm } => Some((at, own, zone_width_mm)),
        _ => None,
    }
}

/// Evaluates it by wall and rims. `Ok(false)` where the wall was seen all along, or no rim was seen: then the wall tells it alone.
pub(super) fn evaluate(subject: &Subject, evaluation: &mut Evaluation) -> Result<bool, Stopped> {
    let (context, bound) = (subject.context, subject.bound);
    let Some((at, across, zone_mm)) = plane(subject) else { return Ok(false) };
    let (Some(tube), Some(axis)) = (Tube::of(&bound.situation), rules::axis(subject, bound)) else {
        return Ok(false);
    };
    if !(tube.half_mm > 0.0) {
        return Ok(false);
    }
    let wall = Extracted::new(context, bound, subject.partition, None, (SEEDS[0], 0), true)?.ok();
    // What stands off the wall is told by the wall's own way.
    if wall.as_ref().is_some_and(|w| w.far.is_some()) {
        return Ok(false);
    }
    let wall = wall.filter(|w| w.measured.points.len() >= LEAST_POINTS);
    let spacing_mm = context.scan.spacing_mm();
    let of_wall = |w: &Extracted| w.measured.points.iter().map(|p| (*p, spacing_mm)).collect::<Vec<_>>();
    let mut places = wall.as_ref().map_or_else(Vec::new, of_wall);
    if flanks_seen(&tube, &places).fraction >= WHOLE {
        return Ok(false);
    }
    let rims = rims(
        context.run,
        context.nominal,
        context.scan,
        subject.partition,
        bound,
        context.noise_mm,
        RimsBy::SkinsAlone,
    )?;
    let rims = rims.map(|rim| sound(&tube, &rim));
    if rims.iter().all(Vec::is_empty) {
        return Ok(false);
    }
    places.extend(rims.iter().flatten().map(|r| (r.point, r.length_mm.max(spacing_mm))));
    let seen = flanks_seen(&tube, &places);
    let by = if wall.is_some() { ToldBy::WallAndRim } else { ToldBy::Rim };
    let mut standards_mm = [context.noise_mm; 3];
    for (k, rim) in rims.iter().enumerate().filter(|(_, rim)| !rim.is_empty()) {
        let square: f64 = rim.iter().map(|r| r.standard_mm * r.standard_mm).sum();
        standards_mm[k + 1] = (square / rim.len() as f64).sqrt();
    }
    for (name, words) in [
        ("axis", axis.words),
        ("evidence", by.word().to_owned()),
        ("wall_points", wall.as_ref().map_or(0, |w| w.measured.points.len()).to_string()),
        ("rim_places", rims.iter().map(Vec::len).sum::<usize>().to_string()),
    ] {
        evaluation.operators.insert(name.into(), words);
    }
    let facing = seen.unseen_at.and_then(|p| inward(&tube, &p));
    let mut noise = SharedNoise::new(&context.inputs.correlated);
    let mut surfaces = vec![wall.unwrap_or_else(|| nothing(context.noise_mm))];
    for (rim, seed) in rims.iter().zip([SEEDS[1], SEEDS[2]]) {
        surfaces.push(extracted(rim, seed, &mut noise));
    }
    for surface in &mut surfaces {
        surface.sight = Sight::of_turn(seen, facing, bound.area_mm2, surface.measured.points.len());
    }
    evaluation.coverage = Some(coverage_of(&surfaces.iter().map(|s| &s.sight).collect::<Vec<_>>()));
    let along = |axis| SlotWithRims { situation: bound.situation, axis, at, across, standards_mm };
    let rule = along(axis.axis);
    let measured: Vec<Surface> = surfaces.iter().map(|s| s.measured.clone()).collect();
    let told = |rule: &SlotWithRims| match rule.measure(context.run, &measured) {
        Ok(found) => Ok(Some(effective(&found)).filter(|v| v.iter().all(|x| x.is_finite()))),
        Err(RuleError::Stopped(stopped)) => Err(stopped),
        Err(_) => Ok(None),
    };
    let mut besides = Vec::new();
    if let Some(base) = told(&rule)? {
        let squares = lean::squares(&lean::of_slopes(axis.axis, &axis.slopes), &base, |tilt| {
            match Direction::new(axis.axis.vector() + tilt) {
                Some(tilted) => told(&along(tilted)),
                None => Ok(None),
            }
        })?;
        besides.push(lean::as_line(lean::standard(&squares)));
    }
    let asked = Asked {
        rule: Box::new(rule),
        features: Vec::new(),
        own: surfaces.len(),
        extremes: false,
        zone: true,
        part_proves: false,
        tolerance: zone_mm,
        aligned: true,
        bias_told: false,
        limits: [None, Some(zone_mm)],
        besides,
    };
    judge(subject, &asked, &surfaces, evaluation)?;
    Ok(true)
}

/// Towards the middle line, out of the material.
fn inward(tube: &Tube, p: &Point) -> Option<Direction> {
    let [x, y] = tube.on_wall(p).across;
    let side = tube.axis.vector().cross(&tube.along.vector());
    Direction::new(-(tube.along.vector() * x + side * y))
}

/// A surface without points.
fn nothing(noise_mm: f64) -> Extracted {
    let seen = Seen { fraction: 0.0, largest_unseen_disc_mm: 0.0, unseen_at: None };
    Extracted {
        measured: Surface::default(),
        likely: None,
        across: None,
        perfect: Surface::default(),
        noise: Vec::new(),
        sight: Sight::of_turn(seen, None, 0.0, 0),
        noise_mm,
        spikes: 0,
        far: None,
        margin_mm: 0.0,
        tiled: false,
        not_straight: None,
    }
}

/// The places of a rim as rules look at them, each with a draw of its own; what passes share moves a rim with the pass that took
/// its skin.
fn extracted(rim: &[RimPlace], seed: u64, shared: &mut SharedNoise) -> Extracted {
    let mut found = nothing(rim.iter().map(|r| r.standard_mm).fold(0.0, f64::max));
    found.noise = drawn_noise(rim.len(), 1.0, seed);
    for (r, draws) in rim.iter().zip(&mut found.noise) {
        let along: Draws = shared.along(&r.point, &r.facing.vector(), &r.outward.vector());
        for (d, s) in draws.iter_mut().zip(along) {
            *d = *d * r.standard_mm as f32 + s;
        }
        for (surface, off) in [(&mut found.measured, 0.0), (&mut found.perfect, r.offset_mm)] {
            surface.points.push(r.point - r.outward.vector() * off);
            surface.normals.push(r.outward);
            surface.deviations_mm.push(r.offset_mm - off);
        }
    }
    found
}

/// Without the round ends, and without places that stand far off the line of their flank: breakout and burrs at a part of it.
fn sound(tube: &Tube, rim: &[RimPlace]) -> Vec<RimPlace> {
    let flanks = [1.0, -1.0].map(|side| {
        let on = |r: &&RimPlace| {
            let [x, y] = lies(tube, &r.point);
            x.abs() <= tube.half_mm && y * side > 0.0
        };
        let mut flank: Vec<RimPlace> = rim.iter().filter(on).copied().collect();
        for _ in 0..5 {
            if flank.len() < 3 {
                break;
            }
            let signed: Vec<f64> = flank.iter().map(|r| lies(tube, &r.point)[1]).collect();
            let middle = median(signed.clone());
            let scatter = 1.482_602_218_505_602 * median(signed.iter().map(|y| (y - middle).abs()).collect());
            let before = flank.len();
            let near = |r: &RimPlace| {
                (lies(tube, &r.point)[1] - middle).abs() <= OFF_RIM * scatter.max(r.standard_mm)
            };
            flank.retain(near);
            if flank.len() == before {
                break;
            }
        }
        flank
    });
    let found: Vec<RimPlace> = flanks.into_iter().flatten().collect();
    if found.len() < LEAST_POINTS { Vec::new() } else { found }
}

/// Along the slot and across it, mm from its middle.
fn lies(tube: &Tube, p: &Point) -> [f64; 2] {
    let d = p - tube.at;
    let side: Vector = tube.axis.vector().cross(&tube.along.vector());
    [d.dot(&tube.along.vector()), d.dot(&side)]
}

fn median(mut values: Vec<f64>) -> f64 {
    let half = values.len() / 2;
    *values.select_nth_unstable_by(half, f64::total_cmp).1
}

/// Steps in which each flank is looked at.
const STEPS: usize = 100;

/// How much of both flanks was seen by places that each stand for three quarters of a length to either side, and the widest gap.
fn flanks_seen(tube: &Tube, places: &[(Point, f64)]) -> Seen {
    let mut seen = [[false; STEPS]; 2];
    let step = 2.0 * tube.half_mm / STEPS as f64;
    for (p, length) in places {
        let [x, y] = lies(tube, p);
        let at = |x: f64| ((x + tube.half_mm) / step).floor().clamp(-1.0, STEPS as f64);
        let (low, high) = (at(x - 0.75 * length), at(x + 0.75 * length));
        let flank = &mut seen[usize::from(y > 0.0)];
        for (k, s) in flank.iter_mut().enumerate() {
            *s |= (low..=high).contains(&(k as f64));
        }
    }
    let count = seen.iter().flatten().filter(|s| **s).count();
    let mut widest = (0usize, 0usize, 0usize);
    for (side, flank) in seen.iter().enumerate() {
        let mut gap = 0;
        for (k, s) in flank.iter().enumerate() {
            gap = if *s { 0 } else { gap + 1 };
            if gap > widest.0 {
                widest = (gap, side, k);
            }
        }
    }
    let (gap, side, end) = widest;
    let x = (end as f64 + 1.0 - 0.5 * gap as f64) * step - tube.half_mm;
    let y = if side == 1 { tube.radius_mm } else { -tube.radius_mm };
    let across = tube.axis.vector().cross(&tube.along.vector());
    Seen {
        fraction: count as f64 / (2 * STEPS) as f64,
        largest_unseen_disc_mm: gap as f64 * step,
        unseen_at: (gap > 0).then(|| tube.at + tube.along.vector() * x + across * y),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tube() -> Tube {
        let at = Point::new(1.0, 2.0, 3.0);
        Tube { at, axis: Direction::Z, along: Direction::X, half_mm: 5.0, radius_mm: 4.0 }
    }

    #[test]
    fn half_of_one_flank_is_a_quarter_of_both() {
        let places: Vec<(Point, f64)> =
            (0..50).map(|i| (Point::new(1.05 + 0.1 * f64::from(i), 6.0, 3.0), 0.1)).collect();
        let seen = flanks_seen(&tube(), &places);
        assert!((seen.fraction - 0.25).abs() < 0.01, "{seen:?}");
        // Nothing of the other one.
        assert!((seen.largest_unseen_disc_mm - 10.0).abs() < 1e-9, "{seen:?}");
        assert!((seen.unseen_at.unwrap() - Point::new(1.0, -2.0, 3.0)).norm() < 0.06, "{seen:?}");
        assert_eq!(flanks_seen(&tube(), &[]).fraction, 0.0);
    }

    #[test]
    fn what_broke_out_of_a_rim_and_its_round_ends_are_left_out() {
        let place = |x: f64, y: f64| RimPlace {
            point: Point::new(1.0 + x, 2.0 + y, 3.0),
            facing: Direction::Z,
            outward: Direction::Y,
            offset_mm: 0.0,
            standard_mm: 0.02,
            length_mm: 1.0,
        };
        let mut rim: Vec<RimPlace> = (0..20).map(|i| place(-4.9 + 0.5 * f64::from(i), 4.1)).collect();
        rim.extend((0..20).map(|i| place(-4.9 + 0.5 * f64::from(i), -3.9)));
        rim.extend([place(8.0, 1.0), place(2.0, 4.6), place(2.5, 4.7)]);
        assert_eq!(sound(&tube(), &rim).len(), 40);
        assert!(sound(&tube(), &[place(0.0, 4.0)]).is_empty());
    }
}
