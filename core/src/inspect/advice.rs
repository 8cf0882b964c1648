//! What would help what could not be decided: where to scan, how many more points, or that no scan will.
//!
//! From the record's own evaluations: gaps with their places, and what the decision rule says would decide
//! (`conformity/would_decide.rs`). Own rules, no source.

use super::Job;
use super::scanned::{On, Scanned};
use crate::geometry::{Direction, Point, Vector, math};
use crate::partition::{Gaps, Looked, Lost, MeasuredPoint, Rim};
use crate::plan::{BoundFeature, Characteristic, Requirement};
use crate::record::{Advice, Coverage, Evaluation, Extreme, Gap, Verdict};
use crate::run::{Run, Stopped};

/// More places for one characteristic are a new scan of all of it.
const MOST_PLACES: usize = 3;
/// A shortfall is told with a tenth more, since it is found again with its own uncertainty.
const SPARE: f64 = 1.1;
/// A feature of which so much was seen needs no other scan. That of most plans; common practice, no source.
const SEEN: f64 = 0.9;
/// Advice about places closer together than this, mm, on one feature is one.
const SAME_MM: f64 = 2.0;

/// Scan these places; take more points; look at the part; nothing that a scan can do.
const SCAN: &str = "scan_there";
const MORE: &str = "more_points";
const LOOK: &str = "look_at_part";
const NONE: &str = "no_scan";

/// Advice for every characteristic that was not measured or is undecided, in the plan's order.
///
/// # Errors
/// Only a stop by the caller.
pub(super) fn advice(
    run: &Run,
    job: &Job,
    scanned: &Scanned,
    wanted: &[&Characteristic],
    evaluations: &[Evaluation],
) -> Result<Vec<Advice>, Stopped> {
    let mut all: Vec<Advice> = Vec::new();
    for (characteristic, evaluation) in wanted.iter().zip(evaluations) {
        run.check()?;
        let one = match evaluation.verdict {
            Verdict::NotMeasured => unmeasured(run, job, scanned, characteristic, evaluation)?,
            Verdict::Undecided => undecided(job, scanned, characteristic, evaluation),
            Verdict::Conforms | Verdict::DoesNotConform => Vec::new(),
        };
        for advice in one {
            add(&mut all, advice);
        }
    }
    Ok(all)
}

/// Adds advice, or its characteristic to the same that stands there already.
fn add(all: &mut Vec<Advice>, new: Advice) {
    let apart = |a: &[f64], b: &[f64]| match (a, b) {
        ([x, y, z], [u, v, w]) => (Vector::new(*x, *y, *z) - Vector::new(*u, *v, *w)).norm(),
        ([], []) => 0.0,
        _ => f64::INFINITY,
    };
    let same = |a: &&mut Advice| {
        let place = apart(&a.at_mm, &new.at_mm) <= SAME_MM;
        let words = !new.at_mm.is_empty() || a.words == new.words;
        a.action == new.action && a.feature == new.feature && place && words && a.action != MORE
    };
    match all.iter_mut().find(same) {
        Some(known) => known.characteristics.extend(new.characteristics),
        None => all.push(new),
    }
}

fn blank(e: &Evaluation, action: &str, words: String) -> Advice {
    Advice {
        characteristics: vec![e.number.clone()],
        action: action.into(),
        feature: e.feature.clone(),
        at_mm: Vec::new(),
        from: Vec::new(),
        width_mm: None,
        times_points: None,
        more_points: None,
        words,
    }
}

fn unmeasured(
    run: &Run,
    job: &Job,
    scanned: &Scanned,
    characteristic: &Characteristic,
    e: &Evaluation,
) -> Result<Vec<Advice>, Stopped> {
    match &characteristic.requirement {
        Requirement::Reading { quantity, .. } => {
            return Ok(vec![blank(e, NONE, format!("no scan tells it: give a reading of the {quantity}"))]);
        }
        Requirement::Gauge { procedure } => {
            return Ok(vec![blank(e, NONE, format!("no scan tells it: read the gauge ({procedure})"))]);
        }
        Requirement::Gap { to, .. } | Requirement::Step { to, .. }
            if job.faces.neighbours.get(*to).is_none() =>
        {
            let id = job.plan.neighbours.get(*to).map_or("the neighbour", |n| n.id.as_str());
            return Ok(vec![blank(e, NONE, format!("no scan tells it: give the nominal of {id}"))]);
        }
        _ => {}
    }
    let Scanned::On(on) = scanned else { return Ok(Vec::new()) };
    // A datum that was not established hides all that refers to it.
    if let Some(Some(Err(error))) = characteristic.datum_system.and_then(|d| on.systems.get(d)) {
        let Some(bound) = error.feature().and_then(|id| job.faces.features.iter().find(|f| f.id == id))
        else {
            return Ok(Vec::new());
        };
        let mut found = of_feature(run, on, bound, e)?;
        found.iter_mut().for_each(|a| a.words.push_str(", a datum that others refer to"));
        return Ok(found);
    }
    let Some(bound) = characteristic.feature.and_then(|f| job.faces.features.get(f)) else {
        return Ok(Vec::new());
    };
    match &e.coverage {
        Some(coverage) => Ok(of_coverage(on, characteristic, e, coverage)),
        // Nothing of it was taken.
        None => of_feature(run, on, bound, e),
    }
}

/// By the gaps of a feature of which something was seen.
fn of_coverage(on: &On, characteristic: &Characteristic, e: &Evaluation, coverage: &Coverage) -> Vec<Advice> {
    let needs = &characteristic.needs;
    let mut found = Vec::new();
    let mut open = needs.coverage - coverage.fraction;
    for gap in &coverage.gaps {
        let wide = needs.largest_unseen_disc_mm.is_some_and(|most| gap.disc_mm > most);
        if found.len() >= MOST_PLACES || !(open > 0.0 || wide) {
            break;
        }
        open -= gap.fraction;
        found.push(of_gap(on, e, gap));
    }
    if let (Some(least), Some(density)) = (needs.points_per_cm2, coverage.points_per_cm2)
        && density > 0.0
        && density < least
    {
        let times = SPARE * least / density;
        found.push(more(e, coverage.points, times, "it was seen too sparsely"));
    }
    if found.is_empty() {
        // Enough was seen, and something stands off it.
        let off = coverage.gaps.iter().filter(|g| matches!(g.why.as_str(), "stands_off" | "faces_away"));
        found.extend(off.take(MOST_PLACES).map(|gap| of_gap(on, e, gap)));
    }
    found
}

/// Of a feature that was hardly seen, by where it lies.
fn of_feature(run: &Run, on: &On, bound: &BoundFeature, e: &Evaluation) -> Result<Vec<Advice>, Stopped> {
    if bound.triangles.is_empty() {
        return Ok(Vec::new());
    }
    let (nominal, scan) = (on.nominal, on.scan.as_ref());
    let rim = Rim::new(nominal, &bound.triangles);
    let feature = on.best.feature(scan, nominal, &bound.triangles, &rim);
    let margin_mm = feature.margin_mm;
    let looked = Looked::at_surface(
        run,
        nominal,
        &bound.triangles,
        &rim,
        margin_mm,
        &feature.points,
        feature.spacing_mm,
    )?;
    if looked.seen.fraction >= SEEN {
        // What is amiss is no lack of points.
        return Ok(Vec::new());
    }
    let lost = Lost::over(nominal, scan, &on.best, &bound.triangles, &[] as &[MeasuredPoint]);
    let gaps = Gaps::new(run, nominal, &looked, &lost)?;
    let told = gaps.gaps.iter().take(MOST_PLACES).map(|g| {
        let gap = Gap {
            why: g.why.word().into(),
            fraction: g.fraction,
            at_mm: g.at.coords.into(),
            facing: g.normal.vector().into(),
            disc_mm: g.disc_mm,
        };
        Advice {
            feature: bound.id.clone(),
            ..of_gap(on, &Evaluation { feature: bound.id.clone(), ..e.clone() }, &gap)
        }
    });
    let mut told: Vec<Advice> = told.collect();
    if told.is_empty() {
        told.push(Advice {
            feature: bound.id.clone(),
            ..blank(e, SCAN, format!("scan {} again, more closely", bound.id))
        });
    }
    Ok(told)
}

/// What helps against one gap.
fn of_gap(on: &On, e: &Evaluation, gap: &Gap) -> Advice {
    let at = Point::from(gap.at_mm);
    let place = format!(
        "{} near x {:.1}, y {:.1}, z {:.1} ({}, a gap {:.0} mm wide, {:.1} % of it)",
        e.feature,
        at.x,
        at.y,
        at.z,
        match gap.why.as_str() {
            "faces_away" => "points there face another way",
            "stands_off" => "points there stand further off than can be measured",
            "too_few" => "too few points there",
            "other_side" => "the other side of the wall",
            "apart" => "its sides are in scans that share too little",
            "no_other_side" => "the nominal has no other side there",
            _ => "not seen",
        },
        gap.disc_mm,
        100.0 * gap.fraction
    );
    let told = |action: &str, from: Option<Direction>, words: String| Advice {
        at_mm: gap.at_mm.to_vec(),
        from: from.map_or_else(Vec::new, |d| <[f64; 3]>::from(d.vector()).to_vec()),
        width_mm: Some(gap.disc_mm),
        ..blank(e, action, words)
    };
    match gap.why.as_str() {
        "no_other_side" => {
            return told(NONE, None, format!("no scan tells it: {place}; the plan must say what is meant"));
        }
        "apart" => {
            let words =
                "scan both sides in one scan, or faces in both scans that hold them along the thickness";
            return told(SCAN, None, format!("{words}: {place}"));
        }
        "stands_off" => {
            return told(LOOK, None, format!("look at the part: {place}; no further scan shows it nearer"));
        }
        _ => {}
    }
    let facing = Direction::new(Vector::from(gap.facing));
    match facing.and_then(|n| free(on, &at, n)) {
        Some(from) => {
            let closely = if gap.why == "too_few" { " more closely" } else { "" };
            told(SCAN, Some(from), format!("scan{closely} {place}, from {}", way(from)))
        }
        None => told(
            NONE,
            None,
            format!("the part itself hides {place} from every direction: probe it, or let a reading tell it"),
        ),
    }
}

/// The direction nearest to the surface's normal, within 60 degrees, from which nothing of the part hides a place.
fn free(on: &On, at: &Point, normal: Direction) -> Option<Direction> {
    const RINGS: [f64; 5] = [0.0, 15.0, 30.0, 45.0, 60.0];
    const AROUND: usize = 12;
    /// Off the surface, and as far as anything can be.
    const RANGE_MM: [f64; 2] = [1e-3, 1e9];
    let (u, v) = normal.frame();
    for ring in RINGS {
        let (sin, cos) = (math::sin(ring.to_radians()), math::cos(ring.to_radians()));
        for k in 0..if ring > 0.0 { AROUND } else { 1 } {
            let turn = std::f64::consts::TAU * k as f64 / AROUND as f64;
            let across = u * math::cos(turn) + v * math::sin(turn);
            let way = Direction::new(normal.vector() * cos + across * sin)?;
            if on.tree.crossing(at, way, RANGE_MM).is_none() {
                return Some(way);
            }
        }
    }
    None
}

/// A direction of the part's axes in words.
fn way(d: Direction) -> String {
    let v = d.vector();
    for (axis, word) in [(v.x, "x"), (v.y, "y"), (v.z, "z")] {
        // Within ten degrees of an axis.
        if axis.abs() > 0.985 {
            return format!("{}{word}", if axis > 0.0 { '+' } else { '-' });
        }
    }
    format!("the direction {:+.2}, {:+.2}, {:+.2}", v.x, v.y, v.z)
}

fn more(e: &Evaluation, points: u64, times: f64, why: &str) -> Advice {
    let more_points = ((times - 1.0) * points as f64).ceil().max(1.0) as u64;
    Advice {
        times_points: Some(times),
        more_points: Some(more_points),
        ..blank(
            e,
            MORE,
            format!(
                "about {times:.1} times as many points on {} ({more_points} more) would decide it: {why}",
                e.feature
            ),
        )
    }
}

/// What would decide a value that lies too close to a limit, or whose noise is too large.
fn undecided(job: &Job, scanned: &Scanned, characteristic: &Characteristic, e: &Evaluation) -> Vec<Advice> {
    if e.measured_by != "scan" || e.reason.contains("contradict") {
        return Vec::new();
    }
    if e.reason.contains("no normals") {
        let words =
            "scan it again with normals: without them nothing tells which side of the wall points belong to";
        return vec![blank(e, SCAN, words.into())];
    }
    // What would decide is the conformity's to say; here it gets its place.
    let Some(conformity) = &e.conformity else { return Vec::new() };
    let Some(words) = &conformity.would_decide else { return Vec::new() };
    let mut advice = match conformity.points_times {
        Some(times) => {
            let points = e.coverage.as_ref().map_or(0, |c| c.points);
            let more_points = ((times - 1.0) * points as f64).ceil().max(1.0) as u64;
            let more_points = (points > 0).then_some(more_points);
            Advice { times_points: Some(times), more_points, ..blank(e, MORE, words.clone()) }
        }
        None => blank(e, NONE, words.clone()),
    };
    // Where the value comes from, and how it is seen.
    let off = |x: &Extreme| e.value_mm.map_or(0.0, |v| (x.value_mm - v).abs());
    let extreme = e.minimum.iter().chain(&e.maximum).min_by(|a, b| off(a).total_cmp(&off(b)));
    if let (Some(extreme), Scanned::On(on), true) = (extreme, scanned, advice.action == MORE) {
        let at = Point::from(extreme.at_mm);
        advice.at_mm = extreme.at_mm.to_vec();
        let bound = characteristic.feature.and_then(|f| job.faces.features.get(f));
        let foot = bound.and_then(|b| nearest(on, b, &at));
        let from = foot.and_then(|(p, n)| free(on, &p, n));
        advice.from = from.map_or_else(Vec::new, |d| <[f64; 3]>::from(d.vector()).to_vec());
    }
    vec![advice]
}

/// The place of a feature nearest to a point, and the normal there.
fn nearest(on: &On, bound: &BoundFeature, at: &Point) -> Option<(Point, Direction)> {
    let mesh = on.nominal.mesh();
    let mut best: Option<(f64, Point, u32)> = None;
    for &t in &bound.triangles {
        let [a, b, c] = mesh.corners(t);
        let foot = crate::geometry::closest_point_on_triangle(at, &a, &b, &c);
        let d = (foot - at).norm();
        if best.is_none_or(|b| d < b.0) {
            best = Some((d, foot, t));
        }
    }
    let (_, foot, triangle) = best?;
    Some((foot, mesh.normal(triangle)?))
}
