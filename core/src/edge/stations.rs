//! Where the stations of an edge lie, and in which order all are looked at.

use rayon::prelude::*;

use super::frames::{Frames, Stretch};
use super::measured::{By, MeasuredEdge, Station};
use super::near::{Around, Sides, WALL_MM, near};
use super::section::{Look, Looked, scatter};
use super::strips::{strip_mm, wall_strip_mm};
use super::wall::{LEAST_NOISE_MM, Place};
use crate::geometry::{Direction, Motion, PartFrame, Point, ScanFrame};
use crate::nominal::{LinePlace, Nominal};
use crate::plan::{BoundEdge, EdgeAt};
use crate::run::{Run, Stopped};
use crate::scan::Scan;

/// What an edge is measured on.
pub struct EdgeInput<'a> {
    /// The nominal.
    pub nominal: &'a Nominal,
    /// Its edge.
    pub edge: &'a BoundEdge,
    /// The scan.
    pub scan: &'a Scan,
    /// How it lies on the part.
    pub part_from_scan: &'a Motion<PartFrame, ScanFrame>,
    /// Nesting index of the filter along the edge, mm.
    pub nesting_mm: f64,
    /// The largest limit, mm: the edge is looked for well beyond it.
    pub furthest_mm: f64,
    /// Standard deviation of the points' noise on the whole scan, mm.
    pub noise_mm: f64,
}

/// Most stations of an edge: a metre of edge still has one every twentieth of a millimetre.
const MOST_STATIONS: f64 = 20_000.0;

/// Measures an edge.
///
/// # Errors
/// Only a stop by the caller.
pub fn measure(run: &Run, input: &EdgeInput) -> Result<MeasuredEdge, Stopped> {
    let line = &input.edge.line;
    let frames = Frames::new(line);
    let sides = Sides::new(input.nominal, line);
    let coarse = input.scan.spacing_mm();
    let reach_mm = (4.0 * input.furthest_mm).max(2.0).max(4.0 * coarse);
    let band_mm = strip_mm(coarse) + 3f64.max(6.0 * coarse);
    let around = Around { reach_mm, band_mm };
    let mut points = near(run, input.scan, input.part_from_scan, &frames, &sides, around)?;
    points.sort_by(|a, b| {
        a.run.cmp(&b.run).then(a.along_mm.total_cmp(&b.along_mm)).then(a.index.cmp(&b.index))
    });
    run.check()?;
    let spacing_mm =
        if points.is_empty() { coarse } else { input.scan.spacing_among(points.iter().map(|p| p.index)) };
    let strip = strip_mm(spacing_mm);
    let length_mm = line.length_mm();
    let by_filter = (0.25 * input.nesting_mm).max(2.0 * spacing_mm);
    let step_mm = input.edge.station_mm.unwrap_or(by_filter).max(length_mm / MOST_STATIONS);
    let stretches = frames.stretches(strip);
    let mut stations = Vec::new();
    for (k, stretch) in stretches.iter().enumerate() {
        lay(&frames, stretch, k as u32, step_mm, input.edge.at, &mut stations);
    }
    let place = match input.edge.at {
        EdgeAt::VisibleArris => Place::Visible,
        EdgeAt::HiddenArris => Place::Hidden,
        EdgeAt::WallMiddle => Place::Middle,
    };
    let depth = line
        .runs
        .iter()
        .flat_map(|r| r.walls.iter().flatten())
        .map(|w| w.depth_mm)
        .fold(f64::INFINITY, f64::min);
    let depth = if depth.is_finite() { depth } else { WALL_MM };
    let corner = strip;
    let wall_strip = wall_strip_mm(depth, input.noise_mm);
    let mut look = Look {
        input,
        frames: &frames,
        sides: &sides,
        points: &points,
        place,
        strips_mm: [strip, wall_strip, wall_strip, strip],
        band_mm,
        reach_mm,
        spacing_mm,
        stretches: &stretches,
    };
    // Once with the noise of the whole scan, once with what the sections themselves show.
    let first = look.sections(run, &stations, [input.noise_mm; 3])?;
    let noise = [0, 1, 2].map(|k| {
        let lines = first.iter().map(|s| [s.section.wall, s.section.skin, s.section.other][k]);
        scatter(lines).unwrap_or(0.0).max(input.noise_mm).max(LEAST_NOISE_MM)
    });
    look.strips_mm = look.shown(&stations, &first, noise);
    let sections = look.sections(run, &stations, noise)?;
    let found: Result<Vec<Looked>, Stopped> = stations
        .par_iter()
        .zip(&sections)
        .map(|(station, cut)| {
            run.check()?;
            Ok(look.found(station, cut, noise))
        })
        .collect();
    let (mut beyond, mut short) = (None, None);
    let count = |all: &mut Option<(usize, Point)>, place: Point| {
        *all = Some(all.map_or((1, place), |(n, first)| (n + 1, first)));
    };
    for (station, found) in stations.iter_mut().zip(found?) {
        match found {
            Looked::Found(found) => station.found = Some(found),
            Looked::Beyond => count(&mut beyond, station.place),
            Looked::Short => count(&mut short, station.place),
            Looked::Unseen => {}
        }
    }
    forget_doubtful(&mut stations, &stretches, input.furthest_mm);
    let used = stations.iter().filter_map(|s| s.found);
    let points = used.clone().map(|f| f.points).sum();
    let by_wall = used.clone().any(|f| f.by == By::Wall);
    let noise_mm = if by_wall { noise[0].max(noise[1]) } else { noise[1] };
    Ok(MeasuredEdge {
        stations,
        step_mm,
        length_mm,
        noise_mm,
        points,
        corner_strip_mm: corner,
        strips_mm: look.strips_mm,
        reach_mm,
        beyond,
        short,
        stretches,
        closed: line.runs.iter().all(|r| r.closed),
    })
}

/// Takes back what the end of the skin alone told next to where nothing was seen: there the skin ends where the scan does,
/// and looks as if it were trimmed short. Where the wall told other stations of the side it would have told these; where it
/// told none, only those are taken back that lie inside by more than half the limit. What lies outside every limit was seen
/// there, wherever the scan ends.
fn forget_doubtful(stations: &mut [Station], stretches: &[Stretch], furthest_mm: f64) {
    for side in stations.chunk_by_mut(|a, b| a.stretch == b.stretch) {
        let by_wall = side.iter().any(|s| s.found.is_some_and(|f| f.by == By::Wall));
        let most = if by_wall { furthest_mm } else { -0.5 * furthest_mm };
        let doubtful = |s: &Station| s.found.is_some_and(|f| f.by != By::Wall && f.offset_mm <= most);
        let (n, closed) = (side.len(), stretches[side[0].stretch as usize].closed);
        let unseen: Vec<usize> = (0..n).filter(|&k| side[k].found.is_none()).collect();
        for k in unseen {
            for forward in [true, false] {
                let mut at = k;
                loop {
                    at = match (forward, at) {
                        (true, a) if a + 1 < n => a + 1,
                        (true, _) if closed => 0,
                        (false, a) if a > 0 => a - 1,
                        (false, _) if closed => n - 1,
                        _ => break,
                    };
                    if !doubtful(&side[at]) {
                        break;
                    }
                    side[at].found = None;
                }
            }
        }
    }
}

/// Lays stations of equal length along a stretch.
fn lay(frames: &Frames, stretch: &Stretch, index: u32, step_mm: f64, at: EdgeAt, all: &mut Vec<Station>) {
    let length = stretch.to_mm - stretch.from_mm;
    let count = (length / step_mm).round().max(1.0);
    let before: f64 = (0..stretch.run).map(|r| frames.length_mm(r)).sum();
    for k in 0..count as usize {
        let along_mm = stretch.from_mm + length * (k as f64 + 0.5) / count;
        let Some(here) = frames.along(stretch.run, along_mm) else { continue };
        let axes = Direction::new(here.along).zip(Direction::new(here.up));
        let Some(axes) = axes.and_then(|(a, u)| LinePlace::new(here.place, a, u)) else { continue };
        let down = here.wall.map_or_else(crate::geometry::Vector::zeros, |w| w.down.vector() * w.depth_mm);
        let place = match at {
            EdgeAt::VisibleArris => here.place,
            EdgeAt::HiddenArris => here.place + down,
            EdgeAt::WallMiddle => here.place + down * 0.5,
        };
        all.push(Station {
            stretch: index,
            along_mm,
            at_mm: before + along_mm,
            length_mm: length / count,
            place,
            along: axes.along,
            outward: axes.outward,
            up: axes.up,
            found: None,
        });
    }
}
