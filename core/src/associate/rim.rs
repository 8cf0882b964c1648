//! The rims of a hole or slot: where the skins on both of its sides end at it, by the skins alone.
//!
//! A scanner that looks straight at a thin skin sees little or nothing of the wall of an opening, but where the skin ends. That is
//! measured as a trimmed edge is (`edge`), at stations round the rim.

use crate::edge::{By, EdgeInput, measure};
use crate::geometry::{Direction, Point};
use crate::nominal::Nominal;
use crate::partition::{NominalSkin, Partition, Ring, Tube, beside};
use crate::plan::{BoundEdge, BoundFeature, EdgeAt, Situation};
use crate::run::{Run, Stopped};
use crate::scan::Scan;

/// A place of a rim as the skin tells it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RimPlace {
    /// Where, mm, in the part's axes.
    pub point: Point,
    /// Normal of the nominal skin that ends there, out of the material.
    pub facing: Direction,
    /// Out of the material across the rim, square to that normal: into the opening.
    pub outward: Direction,
    /// How far the skin reaches beyond its nominal end, mm.
    pub offset_mm: f64,
    /// Standard uncertainty across the edge as if every station stood alone, mm.
    pub standard_mm: f64,
    /// Length of rim that it stands for, mm.
    pub length_mm: f64,
}

/// Skin that is looked at about an opening, mm beyond its wall: what the end of a skin is told by.
const SKIN_MM: f64 = 12.0;

/// How far the rim may lie off its place, mm; beyond it the opening is elsewhere.
const FURTHEST_MM: f64 = 1.0;

/// How the rims are asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RimsBy {
    /// By the ends of the skins where the wall was not seen: its points are used themselves.
    WhereNoWall,
    /// By the ends of the skins all along, whether the wall was seen or not: one flank of a slot needs the rim of the other and its
    /// own, since a rim is as wide as it is. In a mesh, whose skin ends where its triangles do, as the other way.
    SkinsAlone,
}

/// The rim on either side of a hole or slot, as far as the ends of the skins tell it.
///
/// # Errors
/// Only a stop by the caller.
pub fn rims(
    run: &Run,
    nominal: &Nominal,
    scan: &Scan,
    partition: &Partition,
    bound: &BoundFeature,
    noise_mm: f64,
    by: RimsBy,
) -> Result<[Vec<RimPlace>; 2], Stopped> {
    let mut rims = [Vec::new(), Vec::new()];
    let opening = matches!(bound.situation, Situation::Hole { .. } | Situation::Slot { .. });
    let Some(tube) = Tube::of(&bound.situation).filter(|_| opening) else { return Ok(rims) };
    let Tube { at, axis, half_mm, radius_mm, .. } = tube;
    let mut wall = bound.triangles.clone();
    wall.sort_unstable();
    let sides = beside(nominal, &wall, axis);
    let skins = (by == RimsBy::SkinsAlone && scan.border().is_none()).then(|| {
        let reach = half_mm + radius_mm + 2.0 * SKIN_MM;
        skins_alone(nominal, scan, partition, &wall, |p| (p - at).norm() <= reach)
    });
    let scan = skins.as_ref().unwrap_or(scan);
    for (rim, (from, axis)) in rims.iter_mut().zip(sides.iter().zip([axis, axis.reversed()])) {
        let inner_mm = half_mm + radius_mm;
        let ring = Ring { at, axis, inner_mm, outer_mm: inner_mm + SKIN_MM };
        let Ok(skin) = NominalSkin::grown(nominal, from, ring) else { continue };
        let borders = nominal.borders(&skin.triangles);
        let of_wall =
            |e: &crate::nominal::BorderEdge| e.beyond.is_some_and(|t| wall.binary_search(&t).is_ok());
        let Some(border) = borders.iter().find(|b| b.iter().any(of_wall)) else { continue };
        let lines: Vec<_> =
            nominal.trimmed(border).into_iter().filter(|(l, _)| l.iter().any(of_wall)).collect();
        let Some(line) = nominal.trimmed_edge(&skin.triangles, &lines) else { continue };
        let edge = BoundEdge { line, at: EdgeAt::VisibleArris, station_mm: None };
        let found = measure(
            run,
            &EdgeInput {
                nominal,
                edge: &edge,
                scan,
                part_from_scan: &partition.part_from_scan,
                nesting_mm: 0.0,
                furthest_mm: FURTHEST_MM,
                noise_mm,
            },
        )?;
        for station in &found.stations {
            let Some(end) = station.found.filter(|f| f.by != By::Wall) else { continue };
            // Stations that share their error count as one.
            let shared = (end.common_mm / station.length_mm.max(1e-9)).max(1.0);
            rim.push(RimPlace {
                point: station.place + station.outward.vector() * end.offset_mm,
                facing: station.up,
                outward: station.outward,
                offset_mm: end.offset_mm,
                standard_mm: end.standard_mm * shared.sqrt(),
                length_mm: station.length_mm,
            });
        }
    }
    Ok(rims)
}

/// Points of a skin face as it does within 30 degrees, the cosine: what faces further away is a chamfer or a rounded arris, which is
/// seen from one side and not from the other.
const AS_SKIN: f64 = 0.866;

/// The points of a scan that lie near, without those of a wall and those that face otherwise than what they lie on.
fn skins_alone(
    nominal: &Nominal,
    scan: &Scan,
    partition: &Partition,
    wall: &[u32],
    near: impl Fn(&Point) -> bool,
) -> Scan {
    let mut member = vec![true; nominal.mesh().triangles().len()];
    wall.iter().for_each(|&t| member[t as usize] = false);
    let normals = scan.normals().filter(|_| scan.took_normals());
    let faces = |index: u32, triangle: u32| {
        let both = normals.as_ref().zip(nominal.mesh().normal(triangle));
        both.is_none_or(|(n, facet)| {
            partition.part_from_scan.direction(n.at(index as usize)).dot(facet) >= AS_SKIN
        })
    };
    let some: Vec<u32> = partition
        .among(scan, &member)
        .filter(|p| near(&p.point) && faces(p.index, p.triangle))
        .map(|p| p.index)
        .collect();
    let places = some.iter().map(|&i| scan.points().at(i as usize)).collect();
    scan.displaced(&some, places)
}
