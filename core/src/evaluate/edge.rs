//! A trimmed edge as rules look at it: its filtered stations are the points, its outward directions their normals.

use crate::edge::{By, EdgeInput, Filtered, MeasuredEdge, measure};
use crate::geometry::Point;
use crate::partition::Seen;
use crate::plan::{BoundEdge, EdgeAt};
use crate::record::{EdgeResult, EdgeStation};
use crate::run::Stopped;
use crate::tolerance::Surface;

use super::Subject;
use super::extract::{Extracted, LikelySurface};
use super::sight::Sight;

/// Most stations that a record tells; of more, every few are told by the one furthest out of place.
const MOST_TOLD: usize = 1000;

/// What an edge says of itself beside its values.
pub(super) struct Told {
    pub(super) result: EdgeResult,
    /// How it was measured, by name.
    pub(super) operators: Vec<(&'static str, String)>,
}

/// Takes an edge from the scan as it lies by the subject's partition. The outer error is a stop by the caller, the inner
/// one why there is none.
pub(super) fn extracted(
    subject: &Subject,
    bound: &BoundEdge,
    seed: u64,
) -> Result<Result<(Extracted, Told), String>, Stopped> {
    let furthest_mm = subject.characteristic.requirement.furthest_mm();
    let (edge, nesting_mm) = match measured(subject, bound, furthest_mm)? {
        Ok(found) => found,
        Err(reason) => return Ok(Err(reason)),
    };
    let filtered = edge.filtered(nesting_mm);
    if filtered.stations.is_empty() {
        return Ok(Err(unseen(bound.at)));
    }
    let station = |k: u32| &edge.stations[k as usize];
    let normals: Vec<_> = filtered.stations.iter().map(|&k| station(k).outward).collect();
    let places: Vec<_> = filtered.stations.iter().map(|&k| station(k).place).collect();
    let points = places.iter().zip(&normals).zip(&filtered.value_mm).map(|((p, n), v)| p + n.vector() * *v);
    let measured = Surface {
        points: points.collect(),
        normals: normals.clone(),
        deviations_mm: filtered.value_mm.clone(),
        wall_mm: None,
    };
    let perfect = Surface { deviations_mm: vec![0.0; places.len()], points: places, normals, wall_mm: None };
    let sight = sight(&edge);
    let offset = |k: u32, v: f64| Some((v, station(k).place + station(k).outward.vector() * v));
    let told = told(&edge, bound, nesting_mm, &filtered, &offset, 0.0);
    let noise = filtered.noise(&edge, seed, &subject.context.inputs.correlated, |s| s.outward);
    let extracted = Extracted {
        likely: Some(LikelySurface::new(
            subject.context.run,
            &measured,
            &perfect.points,
            &noise,
            nesting_mm,
        )?),
        noise,
        measured,
        perfect,
        across: None,
        sight,
        noise_mm: edge.noise_mm,
        spikes: 0,
        far: missing(subject, &edge, bound.at),
        margin_mm: edge.strips_mm[0],
        tiled: true,
        not_straight: None,
    };
    Ok(Ok((extracted, told)))
}

/// Measures an edge that is looked for as far off its nominal place as `furthest_mm` tells; with the nesting index of its
/// filter, mm. The outer error is a stop by the caller, the inner one why there is none.
pub(super) fn measured(
    subject: &Subject,
    bound: &BoundEdge,
    furthest_mm: f64,
) -> Result<Result<(MeasuredEdge, f64), String>, Stopped> {
    let context = subject.context;
    let Some(filter) = &subject.characteristic.filter else {
        return Ok(Err("the plan names no filter for it".into()));
    };
    let edge = measure(
        context.run,
        &EdgeInput {
            nominal: context.nominal,
            edge: bound,
            scan: context.scan,
            part_from_scan: &subject.partition.part_from_scan,
            nesting_mm: filter.nesting_index_mm,
            furthest_mm,
            noise_mm: context.noise_mm,
        },
    )?;
    if edge.stations.is_empty() {
        let problem = format!(
            "the edge is {:.1} mm long, which leaves nothing of it without {} mm beside its ends and corners",
            edge.length_mm, edge.corner_strip_mm
        );
        return Ok(Err(problem));
    }
    Ok(Ok((edge, filter.nesting_index_mm)))
}

/// How much of an edge was seen.
pub(super) fn sight(edge: &MeasuredEdge) -> Sight {
    let unseen = edge.longest_unseen();
    let seen = Seen {
        fraction: edge.seen(),
        largest_unseen_disc_mm: unseen.map_or(0.0, |(length, _)| length),
        unseen_at: unseen.map(|(_, station)| station.place),
    };
    // A line has no area, and no points to each part of it.
    Sight::of_turn(seen, unseen.map(|(_, station)| station.outward), 0.0, edge.points)
}

/// Why there is no value where nothing was seen.
pub(super) fn unseen(at: EdgeAt) -> String {
    format!("nothing of the edge was seen: {}", advice(at))
}

/// What would show it.
fn advice(at: EdgeAt) -> &'static str {
    match at {
        EdgeAt::VisibleArris => "scan its wall, or the skin up to its end",
        EdgeAt::HiddenArris => "scan its wall, or the other side up to its end",
        EdgeAt::WallMiddle => "scan its wall",
    }
}

/// Why what was seen is not enough, with the place.
pub(super) fn missing(subject: &Subject, edge: &MeasuredEdge, at: EdgeAt) -> Option<String> {
    if let Some((count, place)) = edge.beyond {
        return Some(format!(
            "at {count} of {} stations the surface goes on more than {:.1} mm beyond the edge, near x {:.1}, y {:.1}, z {:.1}",
            edge.stations.len(),
            edge.reach_mm,
            place.x,
            place.y,
            place.z
        ));
    }
    let needs = &subject.characteristic.needs;
    let (length, middle) = edge.longest_unseen()?;
    let place = middle.place;
    let wide = needs.largest_unseen_disc_mm.filter(|most| !(length <= *most));
    let near = format!("{length:.1} mm about x {:.1}, y {:.1}, z {:.1}", place.x, place.y, place.z);
    if !(edge.seen() >= needs.coverage) {
        return Some(format!(
            "only {:.1} % of the edge was seen, {:.1} % are needed; the longest stretch that is missing is {near}: {}",
            100.0 * edge.seen(),
            100.0 * needs.coverage,
            advice(at)
        ));
    }
    if let Some(most) = wide {
        return Some(format!(
            "a stretch of {near} was not seen, at most {most} mm are allowed: {}",
            advice(at)
        ));
    }
    edge.short.map(|(count, place)| {
        format!(
            "at {count} of {} stations the skin stops further inside than an edge is looked for, near x {:.1}, y {:.1}, z {:.1}, \
             and whether the part does is not known: {}",
            edge.stations.len(),
            place.x,
            place.y,
            place.z,
            advice(at)
        )
    })
}

/// The words and stations that the record keeps. `of` makes the value of a station, by its index, and where it was found, of
/// its filtered offset; where there are many stations those furthest from `middle_mm` are told.
pub(super) fn told(
    edge: &MeasuredEdge,
    bound: &BoundEdge,
    nesting_mm: f64,
    filtered: &Filtered,
    of: &dyn Fn(u32, f64) -> Option<(f64, Point)>,
    middle_mm: f64,
) -> Told {
    let all = edge.stations.len();
    let counted = |by: By| edge.stations.iter().filter(|s| s.found.is_some_and(|f| f.by == by)).count();
    let mut ways = Vec::new();
    for (by, word) in [
        (By::Wall, "wall"),
        (By::MeshBorder, "border of the mesh"),
        (By::Surface, "surface alone"),
        (By::Skin, "skin"),
    ] {
        if counted(by) > 0 {
            ways.push(format!("{word} {}", counted(by)));
        }
    }
    let unseen = edge.stations.iter().filter(|s| s.found.is_none()).count();
    if unseen > 0 {
        ways.push(format!("unseen {unseen}"));
    }
    let at = match bound.at {
        EdgeAt::VisibleArris => "visible arris",
        EdgeAt::HiddenArris => "hidden arris",
        EdgeAt::WallMiddle => "middle of the wall",
    };
    let operators = vec![
        ("edge", at.to_owned()),
        (
            "filter",
            format!("Gaussian along the edge, nesting index {nesting_mm} mm, first-order regression at ends"),
        ),
        ("stations", format!("{all} every {:.3} mm, by {}", edge.step_mm, ways.join(", "))),
        ("corner_strip_left_out_mm", format!("{}", edge.corner_strip_mm)),
        ("wall_strips_left_out_mm", format!("{:.3}, {:.3}", edge.strips_mm[1], edge.strips_mm[2])),
    ];
    let every = all.div_ceil(MOST_TOLD).max(1);
    let mut value: Vec<Option<(f64, f64, Point)>> = vec![None; all];
    for ((&k, v), u) in filtered.stations.iter().zip(&filtered.value_mm).zip(&filtered.standard_mm) {
        value[k as usize] = of(k, *v).map(|(value, at)| (value, *u, at));
    }
    let stations = (0..all)
        .step_by(every)
        .map(|first| {
            let group = first..(first + every).min(all);
            let size = |k: usize| value[k].map_or(-1.0, |v| (v.0 - middle_mm).abs());
            let worst = group.rev().max_by(|&a, &b| size(a).total_cmp(&size(b))).unwrap_or(first);
            let station = &edge.stations[worst];
            let offset = value[worst];
            let by = station.found.filter(|_| offset.is_some());
            let by = by.map_or_else(String::new, |f| f.by.word().to_owned());
            let place = offset.map_or(station.place, |o| o.2);
            EdgeStation {
                along_mm: short(station.at_mm),
                at_mm: [short(place.x), short(place.y), short(place.z)],
                offset_mm: offset.map(|o| short(o.0)),
                standard_uncertainty_mm: offset.map(|o| short(o.1)),
                by,
            }
        })
        .collect();
    let result = EdgeResult {
        length_mm: short(edge.length_mm),
        step_mm: short(edge.step_mm * every as f64),
        stations,
    };
    Told { result, operators }
}

/// To a hundredth of a micrometre: stations are many.
fn short(value: f64) -> f64 {
    (value * 1e5).round() / 1e5 + 0.0
}
