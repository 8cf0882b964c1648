//! The rims of a hole: where the skins on both of its sides end at it, by the skins alone.
//!
//! A scanner that looks straight at a thin skin sees little or nothing of the wall of a hole, but where the skin ends. That is
//! measured as a trimmed edge is (`edge`), at stations round the rim.

use crate::edge::{By, EdgeInput, measure};
use crate::geometry::{Direction, Point};
use crate::nominal::Nominal;
use crate::partition::{NominalSkin, Partition, Ring, beside};
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
    /// Standard uncertainty across the edge as if every station stood alone, mm.
    pub standard_mm: f64,
    /// Length of rim that it stands for, mm.
    pub length_mm: f64,
}

/// Skin that is looked at about a hole, mm beyond its wall: what the end of a skin is told by.
const SKIN_MM: f64 = 12.0;

/// How far the rim may lie off its place, mm; beyond it the hole is elsewhere.
const FURTHEST_MM: f64 = 1.0;

/// The rim on either side of a hole, as far as the ends of the skins tell it; stations at which a wall tells the arris are left
/// out, since its points are used themselves.
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
) -> Result<[Vec<RimPlace>; 2], Stopped> {
    let mut rims = [Vec::new(), Vec::new()];
    let Situation::Hole { at, axis, diameter_mm: Some(diameter) } = bound.situation else { return Ok(rims) };
    let mut wall = bound.triangles.clone();
    wall.sort_unstable();
    let sides = beside(nominal, &wall, axis);
    for (rim, (from, axis)) in rims.iter_mut().zip(sides.iter().zip([axis, axis.reversed()])) {
        let ring = Ring { at, axis, inner_mm: 0.5 * diameter, outer_mm: 0.5 * diameter + SKIN_MM };
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
                standard_mm: end.standard_mm * shared.sqrt(),
                length_mm: station.length_mm,
            });
        }
    }
    Ok(rims)
}
