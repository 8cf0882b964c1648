//! Rules that look at the datum system: profile, orientation, position, coaxiality, symmetry, run-out.

use crate::geometry::{Direction, Point, Twist, Vector};
use crate::plan::{
    BoundFeature, Characteristic, Condition, DatumFrom, DatumSource, FaceMap, Plan, Requirement, Situation,
    StandardSystem,
};
use crate::tolerance::{
    Bound, Boundary, Coaxiality, Leeway, LineProfile, MaterialCondition, Orientation, Position,
    PositionMember, Projected, Rule, Runout, SurfaceProfile, Symmetry, has_straight_middle,
};

use super::by_rule::Asked;
use super::extract::wall_mm;
use super::first_plane::first_plane;
use super::rules::{is_short, of, section_mm};
use super::{Subject, at_height};

/// Turns are weighed against shifts at this distance from the centre, mm, where motions are brought together.
const LEVER_MM: f64 = 100.0;

/// The rule of a characteristic, or why there is none.
pub(super) fn asked(subject: &Subject, own: usize) -> Result<Asked, String> {
    let characteristic = subject.characteristic;
    let bound = subject.bound;
    let own: Vec<usize> = if bound.of.is_empty() || matches!(bound.situation, Situation::Width { .. }) {
        vec![own]
    } else {
        bound.of.clone()
    };
    let standard = characteristic.standard.system;
    let cell_mm = section_mm(subject);
    let situation = bound.situation;
    let axis = of(subject, bound).axis;
    let limits = characteristic.requirement.limits_mm();
    let new = |rule: Box<dyn Rule>,
               (moves, loose): (bool, Vec<usize>),
               zone: bool,
               extremes: bool,
               tolerance: f64| {
        let mut features = own.clone();
        features.extend(loose);
        Asked {
            rule,
            own: own.len(),
            features,
            extremes,
            zone,
            part_proves: extremes && proves(characteristic, &situation),
            tolerance,
            aligned: subject.datums.is_some() && !moves,
            limits: [limits.0, limits.1],
            besides: Vec::new(),
            bias_told: false,
        }
    };
    let with_leeway = |only_turned: bool| leeway(subject, own.len(), only_turned);
    match &characteristic.requirement {
        Requirement::SurfaceProfile {
            limit_outside_mm,
            limit_inside_mm,
            offset_zone,
            orientation_only,
            ..
        } => {
            let (leeway, loose) = with_leeway(*orientation_only)?;
            let all_free = leeway.free.len() == 6;
            let rule = SurfaceProfile {
                surfaces: own.len(),
                upper_mm: *limit_outside_mm,
                lower_mm: -limit_inside_mm,
                offset_zone: *offset_zone,
                leeway,
            };
            let tolerance = limit_outside_mm + limit_inside_mm;
            let asked = new(Box::new(rule), (all_free, loose), *offset_zone, true, tolerance);
            Ok(asked)
        }
        Requirement::LineProfile { limit_outside_mm, limit_inside_mm, section, orientation_only } => {
            let (leeway, loose) = with_leeway(*orientation_only)?;
            let all_free = leeway.free.len() == 6;
            let (upper_mm, lower_mm) = (*limit_outside_mm, -limit_inside_mm);
            let rule: Box<dyn Rule> = match section {
                Some(section) => Box::new(LineProfile {
                    at: section.at,
                    normal: section.normal,
                    half_width_mm: subject.context.scan.spacing_mm(),
                    between: section.between,
                    upper_mm,
                    lower_mm,
                    leeway,
                }),
                // Of a trimmed edge the stations are the line.
                None => {
                    Box::new(SurfaceProfile { surfaces: 1, upper_mm, lower_mm, offset_zone: false, leeway })
                }
            };
            Ok(new(rule, (all_free, loose), false, true, limit_outside_mm + limit_inside_mm))
        }
        Requirement::Orientation { zone, condition, size, tangent_plane, .. } => {
            let (leeway, loose) = with_leeway(false)?;
            let all_free = leeway.free.len() == 6;
            let condition = material(subject, *condition, *size)?;
            let room = condition.map_or(0.0, |c| c.size_tolerance_mm);
            let rule = Orientation {
                situation,
                zone: *zone,
                condition,
                tangent_plane: *tangent_plane,
                standard,
                leeway,
                cell_mm,
            };
            Ok(new(Box::new(rule), (all_free, loose), true, true, zone.size_mm() + room))
        }
        Requirement::Position { zone, condition, size, projected_length_mm, at_height, orientation_only } => {
            let (leeway, loose) = with_leeway(*orientation_only)?;
            let all_free = leeway.free.len() == 6;
            let condition = material(subject, *condition, *size)?;
            let room = condition.map_or(0.0, |c| c.size_tolerance_mm);
            let mut members = Vec::with_capacity(own.len());
            let told = |f: &BoundFeature| {
                let beyond = projected_length_mm.is_some() || at_height.is_some();
                if beyond && is_short(subject.context.nominal, f) {
                    return Err(format!(
                        "the wall of {} is too short to tell how it leans, which a projected zone or a stated height shows: put a gauge \
                         pin in and measure that",
                        f.id
                    ));
                }
                Ok(())
            };
            for &feature in &own {
                let member = subject.context.faces.features.get(feature);
                let member = member.ok_or("a feature is not bound to the nominal")?;
                told(member)?;
                members.push(PositionMember {
                    situation: member.situation,
                    axis: of(subject, member).axis,
                    condition,
                    projected: match projected_length_mm {
                        Some(length_mm) => Some(projected(subject, member, *length_mm)?),
                        None => None,
                    },
                    level: match at_height {
                        Some(asked) => Some(at_height::level(subject, member, asked)?.level),
                        None => None,
                    },
                });
            }
            // Axes, centres and straight middles by least squares are no extremes; surfaces and boundaries are.
            let straight = |m: &PositionMember| has_straight_middle(&m.situation, m.axis, standard);
            let surfaces = members.iter().any(|m| !(is_round(&m.situation) || straight(m)));
            let extremes =
                surfaces || condition.is_some() || standard == StandardSystem::Asme || !loose.is_empty();
            let rule = Position { members, zone: *zone, standard, leeway, cell_mm };
            Ok(new(Box::new(rule), (all_free, loose), true, extremes, zone.size_mm() + room))
        }
        Requirement::Coaxiality { zone_diameter_mm } => {
            let (leeway, loose) = with_leeway(false)?;
            let (at, datum_axis) = datum_axis(subject.context.plan, subject.context.faces, characteristic)?;
            let (u, v) = datum_axis.frame();
            let across = [Direction::new(u), Direction::new(v)];
            let loosened = |d: Direction| leeway.free.iter().any(|t| moves(t, leeway.centre, at, d));
            if across.into_iter().flatten().any(loosened) && loose.is_empty() {
                return Err(
                    "its datums leave the datum axis free, so it is coaxial to nothing; lock the axis".into(),
                );
            }
            let rule = Coaxiality { situation, axis, at, datum_axis, leeway };
            let extremes = !loose.is_empty();
            Ok(new(Box::new(rule), (false, loose), true, extremes, *zone_diameter_mm))
        }
        Requirement::Symmetry { zone_width_mm } => {
            let (leeway, loose) = with_leeway(false)?;
            let (at, across) = match situation {
                Situation::Width { at, across, .. } => (at, across),
                Situation::Slot { at, axis, along, .. } => {
                    let across = Direction::new(axis.vector().cross(&along.vector()));
                    (at, across.ok_or("the slot has no direction across")?)
                }
                _ => return Err("a symmetry is that of a slot or a width".into()),
            };
            if leeway.free.iter().any(|t| moves(t, leeway.centre, at, across)) && loose.is_empty() {
                return Err("its datums leave the feature free across its middle plane, so it is symmetric to nothing; name a datum \
                            system that holds the middle plane"
                    .into());
            }
            let extremes = !(loose.is_empty() && has_straight_middle(&situation, axis, StandardSystem::Iso));
            let rule = Symmetry { situation, axis, at, across, cell_mm, leeway };
            Ok(new(Box::new(rule), (false, loose), true, extremes, *zone_width_mm))
        }
        Requirement::Runout { total, zone_width_mm, direction } => {
            let (leeway, loose) = with_leeway(false)?;
            let (at, datum_axis) = datum_axis(subject.context.plan, subject.context.faces, characteristic)?;
            let round = |t: &Twist| runs_round(t, leeway.centre, at, datum_axis);
            if !loose.is_empty() || !leeway.free.iter().all(round) {
                // About the axis and along it the part may lie anyhow; nothing else is a run-out.
                return Err("its datums leave the axis free, so nothing runs about it; lock the axis".into());
            }
            let (direction, total) = (*direction, *total);
            let rule = Runout { situation, at, datum_axis, direction, total, section_mm: cell_mm };
            Ok(new(Box::new(rule), (false, Vec::new()), true, true, *zone_width_mm))
        }
        _ => Err("it is measured by hand".into()),
    }
}

/// Whether a motion moves a place in a direction.
fn moves(twist: &Twist, centre: Point, at: Point, direction: Direction) -> bool {
    twist.at(centre, &at).dot(&direction.vector()).abs() > 1e-6
}

/// Whether what is seen of the feature can prove that the whole does not conform: the extremes of a surface can, the axis
/// of a fit cannot.
fn proves(characteristic: &Characteristic, situation: &Situation) -> bool {
    let conditioned = matches!(
        characteristic.requirement,
        Requirement::Position { condition, .. } | Requirement::Orientation { condition, .. }
            if condition != Condition::Regardless && characteristic.standard.system == StandardSystem::Iso
    );
    // The envelope of what was seen is that of the whole only where the whole was seen.
    let enveloped = matches!(situation, Situation::Width { .. } | Situation::Slot { .. })
        && characteristic.standard.system == StandardSystem::Asme
        && matches!(
            characteristic.requirement,
            Requirement::Position { condition: Condition::Regardless, .. }
                | Requirement::Orientation { condition: Condition::Regardless, .. }
        );
    let tangent = matches!(characteristic.requirement, Requirement::Orientation { tangent_plane: true, .. });
    let fitted = matches!(
        characteristic.requirement,
        Requirement::Position { .. } | Requirement::Orientation { .. } | Requirement::Coaxiality { .. }
    ) && (is_round(situation) || matches!(situation, Situation::Cone { .. } | Situation::Group));
    conditioned || !(tangent || fitted || enveloped)
}

fn is_round(situation: &Situation) -> bool {
    matches!(situation, Situation::Hole { .. } | Situation::Cylinder { .. } | Situation::Sphere { .. })
}

/// What the datums leave, and the features of loose datums, whose surfaces come after the first `own`. Without datums
/// everything is free; where they only orient, all shifts are.
pub(super) fn leeway(
    subject: &Subject,
    own: usize,
    only_turned: bool,
) -> Result<(Leeway, Vec<usize>), String> {
    let centre = subject.datums.map_or(subject.bound.centroid, |d| d.centre);
    let mut free: Vec<Twist> = Vec::new();
    let mut bounds = Vec::new();
    let mut features = Vec::new();
    match subject.datums {
        None => free = Twist::all(LEVER_MM),
        Some(datums) => {
            free.extend(&datums.free);
            for loose in &datums.loose {
                free.extend(&loose.twists);
                let bound = subject.context.faces.features.get(loose.feature);
                let bound = bound.ok_or("a datum feature is not bound to the nominal")?;
                let boundary = boundary(bound, loose.boundary_mm, loose.condition)?;
                bounds.push(Bound { surface: own + features.len(), boundary });
                features.push(loose.feature);
            }
            // Beside boundaries it is the zone that shifts, and the datums keep theirs.
            if only_turned && datums.loose.is_empty() {
                free.extend(Twist::all(LEVER_MM).into_iter().take(3));
            }
        }
    }
    let zone_shifts = only_turned && !bounds.is_empty();
    Ok((Leeway { centre, free: independent(&free), bounds, zone_shifts }, features))
}

/// Motions of a list that are not sums of those before them, square to these.
pub(super) fn independent(twists: &[Twist]) -> Vec<Twist> {
    let mut basis: Vec<(Vector, Vector)> = Vec::new();
    let dot = |a: &(Vector, Vector), b: &(Vector, Vector)| a.0.dot(&b.0) + a.1.dot(&b.1);
    for twist in twists {
        let mut one = (twist.shift, twist.turn * LEVER_MM);
        let whole = dot(&one, &one).sqrt();
        for _ in 0..2 {
            for b in &basis {
                let along = dot(&one, b);
                one = (one.0 - b.0 * along, one.1 - b.1 * along);
            }
        }
        let size = dot(&one, &one).sqrt();
        if size > 1e-6 * whole {
            basis.push((one.0 / size, one.1 / size));
        }
    }
    basis.into_iter().map(|(shift, turn)| Twist { turn: turn / LEVER_MM, shift }).collect()
}

/// The boundary that the feature of a loose datum keeps (ISO 2692:2021: of a hole at maximum material, one within it).
fn boundary(bound: &BoundFeature, size_mm: f64, condition: Condition) -> Result<Boundary, String> {
    let most = condition == Condition::MaximumMaterial;
    Ok(match bound.situation {
        Situation::Hole { at, axis, .. } => {
            Boundary::Cylinder { at, axis, diameter_mm: size_mm, outside: most }
        }
        Situation::Cylinder { at, axis, hollow, .. } => {
            Boundary::Cylinder { at, axis, diameter_mm: size_mm, outside: hollow == most }
        }
        Situation::Sphere { at, hollow, .. } => {
            Boundary::Sphere { at, diameter_mm: size_mm, outside: hollow == most }
        }
        Situation::Width { at, across, hollow, .. } => {
            Boundary::Slab { at, across, width_mm: size_mm, outside: hollow == most }
        }
        Situation::Slot { at, axis, along, .. } => {
            let across = Direction::new(axis.vector().cross(&along.vector()));
            let across = across.ok_or("the slot has no direction across")?;
            Boundary::Slab { at, across, width_mm: size_mm, outside: most }
        }
        _ => return Err(format!("{} is no feature of size, so it has no boundary", bound.id)),
    })
}

/// A material condition with the limits of the size that it names.
fn material(
    subject: &Subject,
    condition: Condition,
    size: Option<usize>,
) -> Result<Option<MaterialCondition>, String> {
    if condition == Condition::Regardless {
        return Ok(None);
    }
    let size = size.and_then(|s| subject.context.plan.characteristics.get(s));
    let Some((Some(low), Some(high))) = size.map(|s| s.requirement.limits_mm()) else {
        return Err("the size that its material condition names has no limits".into());
    };
    let hollow = match size.and_then(|s| s.feature).and_then(|f| subject.context.faces.features.get(f)) {
        Some(f) => match f.situation {
            Situation::Hole { .. } | Situation::Slot { .. } => true,
            Situation::Cylinder { hollow, .. }
            | Situation::Sphere { hollow, .. }
            | Situation::Width { hollow, .. } => hollow,
            _ => return Err(format!("{} is no feature of size", f.id)),
        },
        None => return Err("the feature of its size is not bound to the nominal".into()),
    };
    // A hole has the most material when it is smallest.
    let limit_mm = if hollow == (condition == Condition::MaximumMaterial) { low } else { high };
    Ok(Some(MaterialCondition { condition, limit_mm, size_tolerance_mm: high - low }))
}

/// The projected zone of a hole or pin: from the end of its wall that is further out of the material. Of a hole both ends
/// are open, and it is the one on the side of the first datum's face, as a fastener's head lies there.
fn projected(subject: &Subject, member: &BoundFeature, length_mm: f64) -> Result<Projected, String> {
    let (Situation::Hole { at, axis, .. } | Situation::Cylinder { at, axis, .. }) = member.situation else {
        return Err("a projected zone is for the axis of a hole or pin".into());
    };
    let wall = wall_mm(subject.context.nominal, member);
    let [low, high] = wall.ok_or("the wall of the hole has no length")?;
    // Out of the material is where the first datum plane faces.
    let facing = first_plane(subject).map(|plane| plane.normal).ok_or(
        "a projected zone needs a plane among its datums, which says on which side the mating part lies",
    )?;
    let upwards = axis.dot(facing) >= 0.0;
    let (end, out) = if upwards { (high, axis) } else { (low, axis.reversed()) };
    Ok(Projected { from: at + axis.vector() * end, towards: out, length_mm })
}

/// The axis of the first datum that has one; of several features that make it, they are coaxial.
pub(super) fn datum_axis(
    plan: &Plan,
    faces: &FaceMap,
    characteristic: &Characteristic,
) -> Result<(Point, Direction), String> {
    let own = |b: &BoundFeature| match b.situation {
        Situation::Hole { at, axis, .. }
        | Situation::Cylinder { at, axis, .. }
        | Situation::Cone { at, axis, .. }
        | Situation::Torus { at, axis, .. } => Some((at, axis)),
        _ => None,
    };
    let none = || "none of its datums has an axis; name a datum system that has".to_owned();
    let system = characteristic.datum_system.and_then(|d| plan.datum_systems.get(d));
    let Some(DatumSource::Datums(datums)) = system.map(|s| &s.source) else { return Err(none()) };
    for datum in datums {
        let DatumFrom::Features { features, .. } = &datum.from else { continue };
        let axes = features.iter().filter_map(|&f| own(faces.features.get(f)?));
        let axes: Vec<(Point, Direction)> = axes.collect();
        let Some(&(at, axis)) = axes.first() else { continue };
        let coaxial = |(p, d): &(Point, Direction)| {
            let off = p - at;
            (off - axis.vector() * off.dot(&axis.vector())).norm() <= COAXIAL_MM
                && axis.vector().cross(&d.vector()).norm() <= COAXIAL_RAD
        };
        if !axes.iter().all(coaxial) {
            return Err(format!(
                "datum {} is a pattern, which has no one axis; name a datum that has",
                datum.letter
            ));
        }
        return Ok((at, axis));
    }
    Err(none())
}

/// Nominal axes within this are one, as exact as a mesh tells them.
const COAXIAL_MM: f64 = 0.05;
const COAXIAL_RAD: f64 = 0.005;

/// Whether a motion about a centre leaves a datum axis where it is: a turn about it, or a shift along it.
pub(super) fn runs_round(twist: &Twist, centre: Point, at: Point, axis: Direction) -> bool {
    let a = axis.vector();
    [at, at + a * LEVER_MM].iter().all(|p| {
        let moved = twist.at(centre, p);
        (moved - a * moved.dot(&a)).norm() <= 1e-6
    })
}
