//! What stands in a skin or is sunk into it, held against the skin in a ring about it: how far a face stands out, the diameter
//! and the depth of a countersink.

use crate::filter::{add_correlated, drawn_noise};
use crate::geometry::Point;
use crate::partition::{MeasuredPoint, NominalSkin, Ring, Seen, beside, turn_seen};
use crate::plan::{Place, Requirement, Situation};
use crate::record::Evaluation;
use crate::run::Stopped;
use crate::tolerance::{Countersink, Protrusion, Rule, SinkSize, SkinPlane, Surface};
use crate::uncertainty::Source;

use super::Subject;
use super::by_rule::{Asked, judge};
use super::extract::{Extracted, wall_mm};
use super::sight::{Sight, coverage_of};

/// A ring is this much wider than what it goes about, mm: common practice, no source. A countersink's is its radius if that is
/// more.
const WIDTH_MM: f64 = 5.0;

/// Fewer points of a ring tell no skin.
const LEAST_POINTS: usize = 12;

/// Seeds that tell the noise of the surfaces apart.
const SEEDS: [u64; 3] = [0x5C1A_0001, 0x5C1A_0002, 0x5C1A_0003];

/// A cone that would tell its included angle with a larger standard uncertainty than this, rad, does not tell it: half a degree,
/// half of what drawings allow (from memory: 90 degrees with 1 degree, ISO 15065).
const TOLD_RAD: f64 = 0.0087;

/// What is left out along a rim, mm, as of any surface.
fn strip_mm(subject: &Subject) -> f64 {
    1f64.max(1.5 * subject.context.scan.spacing_mm())
}

/// An included angle that is held is taken to lie anywhere within its limits; where the plan states none, within this, rad: a
/// degree either way (from memory: ISO 15065).
const USUAL_RAD: f64 = 0.0175;

/// Surfaces, the rule that looks at them and lines of the budget beside them, or why there are none.
type Prepared = Result<(Vec<Extracted>, Box<dyn Rule>, Vec<(Source, f64)>), String>;

/// Evaluates a requirement against the skin about a feature.
pub(super) fn evaluate(subject: &Subject, evaluation: &mut Evaluation) -> Result<(), Stopped> {
    let prepared = match subject.characteristic.requirement {
        Requirement::Protrusion { .. } => protrusion(subject, evaluation)?,
        _ => countersink(subject, evaluation)?,
    };
    let (surfaces, rule, besides) = match prepared {
        Ok(prepared) => prepared,
        Err(reason) => {
            evaluation.reason = reason;
            return Ok(());
        }
    };
    evaluation.coverage = Some(coverage_of(&surfaces.iter().map(|s| &s.sight).collect::<Vec<_>>()));
    let noise = surfaces.iter().map(|s| s.noise_mm).fold(0.0, f64::max);
    evaluation.operators.insert("noise_mm".into(), format!("{noise:.5}"));
    let limits = subject.characteristic.requirement.limits_mm();
    let tolerance = limits.1.zip(limits.0).map_or(0.0, |(high, low)| high - low);
    let asked = Asked {
        rule,
        features: Vec::new(),
        own: surfaces.len(),
        extremes: false,
        zone: false,
        part_proves: false,
        tolerance,
        aligned: false,
        limits: [limits.0, limits.1],
        besides,
    };
    judge(subject, &asked, &surfaces, evaluation)?;
    Ok(())
}

/// A face over the skin about it.
fn protrusion(subject: &Subject, evaluation: &mut Evaluation) -> Result<Prepared, Stopped> {
    let (context, bound) = (subject.context, subject.bound);
    let Requirement::Protrusion { skin: asked, .. } = subject.characteristic.requirement else {
        return Ok(Err("it is not about a face over a skin".into()));
    };
    let Situation::Plane { normal, .. } = bound.situation else {
        return Ok(Err("how far a feature stands out is asked of a plane".into()));
    };
    let Some(skin) = context.faces.features.get(asked.above).filter(|s| !s.triangles.is_empty()) else {
        return Ok(Err("the skin is not picked on the nominal".into()));
    };
    let at = bound.centroid;
    let across = |p: &Point| {
        let off = p - at;
        (off - normal.vector() * off.dot(&normal.vector())).norm()
    };
    let corners = bound.triangles.iter().flat_map(|&t| context.nominal.mesh().corners(t));
    let furthest = corners.map(|c| across(&c)).fold(0.0, f64::max);
    let inner_mm = asked.inner_radius_mm.unwrap_or(furthest + strip_mm(subject));
    let outer_mm = asked.outer_radius_mm.unwrap_or(inner_mm + WIDTH_MM);
    if !(outer_mm > inner_mm) {
        return Ok(Err(format!(
            "the ring of the skin would begin at {inner_mm:.2} mm and end at {outer_mm:.2} mm; write `inner_radius_mm` or a larger \
             `outer_radius_mm`"
        )));
    }
    let ring = Ring { at, axis: normal, inner_mm, outer_mm };
    let nominal_skin = match NominalSkin::of(context.nominal, skin.triangles.clone(), ring) {
        Ok(found) => found,
        Err(error) => return Ok(Err(format!("{}: {error}", skin.id))),
    };
    let face = match Extracted::new(context, bound, subject.partition, None, SEEDS[0], false)? {
        Ok(face) => face,
        Err(reason) => return Ok(Err(reason)),
    };
    let ring = match in_ring(subject, &nominal_skin, SEEDS[1])? {
        Ok(ring) => ring,
        Err(reason) => return Ok(Err(format!("{}: {reason}", skin.id))),
    };
    let rule = Protrusion { at, normal, skin: plane(&nominal_skin) };
    tell_ring(evaluation, &nominal_skin);
    evaluation.operators.insert("of_the_nominal_mm".into(), format!("{:.4}", rule.nominal_mm()));
    Ok(Ok((vec![face, ring], Box::new(rule), Vec::new())))
}

/// The diameter or the depth of a countersink.
fn countersink(subject: &Subject, evaluation: &mut Evaluation) -> Result<Prepared, Stopped> {
    let (context, bound) = (subject.context, subject.bound);
    let feature = subject.characteristic.feature.and_then(|f| context.plan.features.get(f));
    let Some(Place::Countersink(place)) = feature.map(|f| &f.place) else {
        return Ok(Err("it is not about a countersink".into()));
    };
    let Situation::Cone { at, axis, half_angle_rad, radius_mm, .. } = bound.situation else {
        return Ok(Err("the countersink is not bound to the nominal".into()));
    };
    let size = match subject.characteristic.requirement {
        Requirement::Depth { .. } => SinkSize::Depth,
        _ => SinkSize::Diameter,
    };
    let taper = crate::geometry::math::tan(half_angle_rad);
    let Some([_, top]) = wall_mm(context.nominal, bound) else {
        return Ok(Err("the countersink has no depth on the nominal".into()));
    };
    let wide = radius_mm + taper * top;
    let inner_mm = wide + strip_mm(subject);
    let ring = Ring { at, axis, inner_mm, outer_mm: inner_mm + WIDTH_MM.max(wide) };
    let [beside, _] = beside(context.nominal, &bound.triangles, axis);
    let skin = match NominalSkin::grown(context.nominal, &beside, ring) {
        Ok(skin) => skin,
        Err(error) => return Ok(Err(error.to_string())),
    };
    let cone = match Extracted::new(context, bound, subject.partition, None, SEEDS[0], false)? {
        Ok(cone) => cone,
        Err(reason) => return Ok(Err(reason)),
    };
    let ring = match in_ring(subject, &skin, SEEDS[1])? {
        Ok(ring) => ring,
        Err(reason) => return Ok(Err(reason)),
    };
    let held = place.half_angle_rad(half_angle_rad);
    let (along, angle) = by_itself(&cone, &bound.situation);
    let fixed = !(2.0 * angle <= TOLD_RAD);
    let mut besides = Vec::new();
    if fixed {
        let of = if place.included_angle_rad.is_some() { "stated" } else { "of the nominal" };
        // From the middle of the cone that was seen to the skin; a change of the included angle is twice that of its half.
        let way = (top - along).abs();
        let cosine = crate::geometry::math::cos(held);
        let per_rad = way / (cosine * cosine);
        let standard = (limit_rad(subject) / 3f64.sqrt()).min(2.0 * angle);
        let change = match size {
            SinkSize::Diameter => per_rad,
            // The depth is that of the widening over the slope, which changes too.
            SinkSize::Depth => {
                let depth = wall_mm(context.nominal, bound).map_or(0.0, |[low, high]| high - low);
                let slope = crate::geometry::math::tan(held).max(1e-3);
                0.5 * (way - depth).abs() / (cosine * cosine * slope)
            }
        };
        besides.push((Source::IncludedAngle, change * standard));
        evaluation.operators.insert(
            "included_angle".into(),
            format!(
                "{of}: the points of the cone would tell it to {:.2} degrees only (standard uncertainty); one degree more changes the \
                 value by {:.3} mm; {:.2} degrees are in the budget as its standard uncertainty",
                (2.0 * angle).to_degrees(),
                change * 1f64.to_radians(),
                standard.to_degrees()
            ),
        );
    } else {
        evaluation.operators.insert("included_angle".into(), "as the cone itself tells it".into());
    }
    let mut surfaces = vec![cone, ring];
    if size == SinkSize::Depth {
        let Some(hole) = context.faces.features.get(place.of) else {
            return Ok(Err("its hole is not bound to the nominal".into()));
        };
        match Extracted::new(context, hole, subject.partition, None, SEEDS[2], true)? {
            Ok(hole) => surfaces.push(hole),
            Err(reason) => return Ok(Err(reason)),
        }
    }
    tell_ring(evaluation, &skin);
    let half_angle_rad = fixed.then_some(held);
    let rule = Countersink { at, axis, skin: plane(&skin), half_angle_rad, size };
    Ok(Ok((surfaces, Box::new(rule), besides)))
}

/// How far an included angle may be off, rad: by the plan's own limits of it, else as usual.
fn limit_rad(subject: &Subject) -> f64 {
    let of = |c: &crate::plan::Characteristic| match c.requirement {
        Requirement::Angle { to: None, upper_deviation_rad, lower_deviation_rad, .. }
            if c.feature == subject.characteristic.feature =>
        {
            Some(upper_deviation_rad.abs().max(lower_deviation_rad.abs()))
        }
        _ => None,
    };
    subject.context.plan.characteristics.iter().find_map(of).unwrap_or(USUAL_RAD)
}

/// Where along the axis the middle of a cone's points lies, mm from its place, and the standard uncertainty of its half angle
/// from their noise, rad: that of the slope of a line through their places along the generators.
fn by_itself(cone: &Extracted, situation: &Situation) -> (f64, f64) {
    let Situation::Cone { at, axis, half_angle_rad, .. } = *situation else { return (0.0, f64::INFINITY) };
    let heights: Vec<f64> = cone.perfect.points.iter().map(|p| (p - at).dot(&axis.vector())).collect();
    let n = heights.len().max(1) as f64;
    let mean = heights.iter().sum::<f64>() / n;
    let cosine = crate::geometry::math::cos(half_angle_rad).max(1e-3);
    let square: f64 = heights.iter().map(|h| (h - mean) * (h - mean)).sum::<f64>() / (cosine * cosine);
    (mean, if square > 0.0 { cone.noise_mm / square.sqrt() } else { f64::INFINITY })
}

fn plane(skin: &NominalSkin) -> SkinPlane {
    SkinPlane { at: skin.ring.at, axis: skin.ring.axis, normal: skin.normal }
}

fn tell_ring(evaluation: &mut Evaluation, skin: &NominalSkin) {
    let Ring { inner_mm, outer_mm, .. } = skin.ring;
    let words = format!("between {inner_mm:.2} and {outer_mm:.2} mm about the axis");
    evaluation.operators.insert("skin".into(), words);
}

/// The skin in a ring as rules look at it.
fn in_ring(subject: &Subject, skin: &NominalSkin, seed: u64) -> Result<Result<Extracted, String>, Stopped> {
    let (context, partition) = (subject.context, subject.partition);
    let mesh = context.nominal.mesh();
    context.run.check()?;
    let mut member = vec![false; mesh.triangles().len()];
    for &t in &skin.triangles {
        member[t as usize] = true;
    }
    let points: Vec<MeasuredPoint> =
        partition.among(context.scan, &member).filter(|p| skin.ring.holds(&p.point)).collect();
    let Ring { at, axis, inner_mm, outer_mm } = skin.ring;
    if points.len() < LEAST_POINTS {
        return Ok(Err(format!(
            "only {} points lie on the skin between {inner_mm:.2} and {outer_mm:.2} mm about it; at least {LEAST_POINTS} are needed",
            points.len()
        )));
    }
    let spacing = context.scan.spacing_among(points.iter().map(|p| p.index));
    let (mut measured, mut perfect) = (Surface::default(), Surface::default());
    for p in &points {
        let normal = mesh.normal(p.triangle).expect("points are only given to triangles with a normal");
        measured.points.push(p.point);
        perfect.points.push(p.point - normal.vector() * p.deviation_mm);
        for surface in [&mut measured, &mut perfect] {
            surface.normals.push(normal);
        }
        measured.deviations_mm.push(p.deviation_mm);
        perfect.deviations_mm.push(0.0);
    }
    let seen: Seen = turn_seen(&measured.points, at, axis, 0.5 * (inner_mm + outer_mm), spacing);
    let area_mm2 = std::f64::consts::PI * (outer_mm * outer_mm - inner_mm * inner_mm);
    let mut noise = drawn_noise(points.len(), context.noise_mm, seed);
    let place = |k: usize| (measured.points[k], measured.normals[k].vector());
    add_correlated(&mut noise, place, &context.inputs.correlated);
    Ok(Ok(Extracted {
        noise,
        likely: None,
        across: None,
        perfect,
        sight: Sight::of_turn(seen, Some(skin.normal), area_mm2, points.len()),
        noise_mm: context.noise_mm,
        spikes: 0,
        far: None,
        margin_mm: 0.0,
        tiled: false,
        not_straight: None,
        measured,
    }))
}
