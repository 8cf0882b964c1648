//! Gap and step between the part's trimmed edge, as it was measured, and a neighbour's nominal edge, as the rule looks at them:
//! how far the part's edge lies beyond the neighbour's at each station of the line.
//!
//! The part's edge is filtered along its line; the neighbour, which is nominal, is not: the gap at a station is the nominals'
//! less how far the part's edge lies out of its place, the step theirs and how far its skin lies above it.

use crate::nominal::{FURTHEST_JOINT_MM, Joint, NeighbourEdges};
use crate::plan::{BoundEdge, Requirement};
use crate::run::Stopped;
use crate::tolerance::Surface;

use super::Subject;
use super::edge::{Told, measured, missing, sight, told, unseen};
use super::extract::{Extracted, LikelySurface};

/// Where a step is asked, and not where the edge lies, it is looked for this far off its place all the same, mm.
const LEAST_FURTHEST_MM: f64 = 1.0;

/// A joint as the rule looks at it and what it says of itself, or why there is none.
type Taken = Result<(Extracted, Told), String>;

/// What a characteristic requires of a joint: the neighbour's index, whether a step, and its nominal value, mm.
fn asked(requirement: &Requirement) -> Option<(usize, bool, f64)> {
    match *requirement {
        Requirement::Gap { to, nominal_mm, .. } => Some((to, false, nominal_mm)),
        Requirement::Step { to, nominal_mm, .. } => Some((to, true, nominal_mm)),
        _ => None,
    }
}

/// Takes gap or step from the scan as it lies by the subject's partition; `None` where the characteristic asks neither. The
/// outer error is a stop by the caller, the inner one why there is none.
pub(super) fn extracted(subject: &Subject, bound: &BoundEdge, seed: u64) -> Result<Option<Taken>, Stopped> {
    let Some(asked) = asked(&subject.characteristic.requirement) else { return Ok(None) };
    Ok(Some(beside(subject, bound, seed, asked)?))
}

fn beside(
    subject: &Subject,
    bound: &BoundEdge,
    seed: u64,
    (to, step, nominal_mm): (usize, bool, f64),
) -> Result<Taken, Stopped> {
    let context = subject.context;
    let Some(neighbour) = context.faces.neighbours.get(to) else {
        let id = context.plan.neighbours.get(to).map_or("the neighbour", |n| n.id.as_str());
        return Ok(Err(format!("the nominal of {id} was not given")));
    };
    let edges = NeighbourEdges::new(&neighbour.edges);
    let furthest_mm = furthest_mm(&subject.characteristic.requirement, step, &edges.beside(&bound.line));
    let (edge, nesting_mm) = match measured(subject, bound, furthest_mm)? {
        Ok(found) => found,
        Err(reason) => return Ok(Err(reason)),
    };
    let mut joints: Vec<Option<Joint>> = Vec::with_capacity(edge.stations.len());
    for station in &edge.stations {
        context.run.check()?;
        joints.push(edges.joint(&station.axes()));
    }
    let apart = joints.iter().filter(|j| j.is_none()).count();
    let edge = if step { edge.rising() } else { edge };
    let filtered = edge.filtered(nesting_mm);
    if filtered.stations.is_empty() {
        return Ok(Err(unseen(bound.at)));
    }
    // Of the nominals, and as measured with a filtered offset of the edge or height of the skin.
    let nominal = |k: u32| joints[k as usize].map(|j| if step { j.step_mm } else { j.gap_mm });
    let value = |k: u32, v: f64| {
        let station = &edge.stations[k as usize];
        let way = if step { station.up } else { station.outward };
        Some((nominal(k)? + if step { v } else { -v }, station.place + way.vector() * v))
    };
    let all = filtered.stations.iter().zip(&filtered.value_mm).enumerate();
    let used: Vec<(usize, u32, f64)> =
        all.map(|(i, (k, v))| (i, *k, *v)).filter(|(_, k, _)| nominal(*k).is_some()).collect();
    let nowhere = joints.iter().zip(&edge.stations).find(|(j, _)| j.is_none()).map(|(_, station)| {
        let p = station.place;
        format!(
            "at {apart} of {} stations no edge of {} lies within {FURTHEST_JOINT_MM} mm beside the line and faces it, near x {:.1}, \
             y {:.1}, z {:.1}",
            edge.stations.len(),
            neighbour.id,
            p.x,
            p.y,
            p.z
        )
    });
    if used.is_empty() {
        return Ok(Err(nowhere.unwrap_or_else(|| unseen(bound.at))));
    }
    let mut measured = Surface::default();
    let mut perfect = Surface::default();
    let noise = filtered
        .noise(&edge, seed, &subject.context.inputs.correlated, |s| if step { s.up } else { s.outward });
    let mut draws = Vec::with_capacity(used.len());
    for &(i, k, v) in &used {
        let station = &edge.stations[k as usize];
        let (Some((now, at)), Some(then)) = (value(k, v), nominal(k)) else { continue };
        // As the rule wants it: how far the part's edge lies beyond the neighbour's.
        let (normal, sign) = if step { (station.up, 1.0) } else { (station.outward, -1.0) };
        for (surface, deviation, point) in [(&mut measured, now, at), (&mut perfect, then, station.place)] {
            surface.points.push(point);
            surface.normals.push(normal);
            surface.deviations_mm.push(sign * deviation);
        }
        draws.push(noise[i]);
    }
    let told = told(&edge, bound, nesting_mm, &filtered, &value, nominal_mm);
    let Told { result, mut operators } = told;
    operators.push(("neighbour", format!("{}, nominal", neighbour.id)));
    let definition = if step {
        "at each station from the neighbour's nominal edge to the part's skin at its edge, along the normal of the part's nominal \
         skin; positive where the part stands proud"
    } else {
        "at each station from the part's edge to the neighbour's nominal edge, in the part's nominal skin square to the line; \
         negative where they overlap"
    };
    operators.push(("definition", definition.into()));
    operators.push(("value", "smallest and largest along the line, the one with less room is told".into()));
    // Of what the edge is off: the nominals' own gap has no noise.
    let likely = {
        let all = measured.deviations_mm.iter().zip(&perfect.deviations_mm);
        let off = Surface { deviations_mm: all.map(|(m, p)| m - p).collect(), ..measured.clone() };
        let mut likely = LikelySurface::new(subject.context.run, &off, &perfect.points, &draws, nesting_mm)?;
        let all = likely.surface.deviations_mm.iter_mut().zip(&perfect.deviations_mm);
        all.for_each(|(o, p)| *o += p);
        likely
    };
    let extracted = Extracted {
        likely: Some(likely),
        measured,
        perfect,
        across: None,
        noise: draws,
        sight: sight(&edge),
        noise_mm: edge.noise_mm,
        spikes: 0,
        far: nowhere.or_else(|| missing(subject, &edge, bound.at)),
        margin_mm: edge.strips_mm[0],
        tiled: true,
        not_straight: None,
    };
    Ok(Ok((extracted, Told { result, operators })))
}

/// How far off its nominal place the edge may lie at a limit, mm.
fn furthest_mm(requirement: &Requirement, step: bool, joints: &[Option<Joint>]) -> f64 {
    let least = requirement.furthest_mm().max(LEAST_FURTHEST_MM);
    let (Some(lower), Some(upper)) = requirement.limits_mm() else { return least };
    if step {
        return least;
    }
    let far = joints.iter().flatten().map(|j| (upper - j.gap_mm).abs().max((j.gap_mm - lower).abs()));
    far.fold(least, f64::max)
}
