//! The points of skin, wall and other side beside a trimmed edge.

use rayon::prelude::*;

use super::frames::{Frames, Here};
use crate::geometry::{Direction, Motion, PartFrame, Point, ScanFrame, Vector};
use crate::nominal::{Carrier, Nominal, TrimmedEdge};
use crate::run::{CHECK_EVERY, Run, Stopped};
use crate::scan::Scan;
use crate::search::SurfaceTree;

/// A point's normal is that of skin, wall or other side within 40 degrees; on a rounding between two it is neither's.
const AGREES: f64 = 0.766;

/// Of the end of a skin its rounding belongs to it: within 60 degrees.
const ENDS: f64 = 0.5;

/// Of a wall no more than this is looked at, mm: a wall may bend further down, and an arris is told by what is near it.
pub(super) const WALL_MM: f64 = 10.0;

/// A point beside the edge.
#[derive(Clone, Copy, Debug)]
pub(super) struct Near {
    /// Index in the scan.
    pub(super) index: u32,
    /// In the part's axes, mm.
    pub(super) point: Point,
    pub(super) run: u32,
    /// Along the line, mm.
    pub(super) along_mm: f64,
    /// Out of the nominal edge in the skin, mm.
    pub(super) out_mm: f64,
    /// Above the nominal skin, mm, where it may belong to it; and whether its normal is the skin's own.
    pub(super) skin: Option<(f64, bool)>,
    /// Out of the nominal wall, and how far down it, mm, where it may belong to it.
    pub(super) wall: Option<(f64, f64)>,
    /// Out of the nominal other side, mm, where it may belong to it; and whether its normal is that side's own.
    pub(super) other: Option<(f64, bool)>,
    /// Whether the scan's own mesh ends there.
    pub(super) border: bool,
}

/// The nominal surfaces beside an edge.
pub(super) struct Sides<'a> {
    nominal: &'a Nominal,
    skin: SurfaceTree,
    wall: Option<SurfaceTree>,
    other: Option<SurfaceTree>,
}

impl<'a> Sides<'a> {
    pub(super) fn new(nominal: &'a Nominal, line: &TrimmedEdge) -> Self {
        let tree = |triangles: &[u32]| SurfaceTree::of(nominal.mesh(), triangles);
        let some = |triangles: &[u32]| (!triangles.is_empty()).then(|| tree(triangles));
        Self { nominal, skin: tree(&line.skin), wall: some(&line.wall), other: some(&line.other) }
    }

    /// How far the nominal skin lies above a place near its edge, mm.
    pub(super) fn skin_above(&self, place: &Point, up: &Vector) -> f64 {
        let foot = self.skin.nearest(place, f64::INFINITY);
        foot.map_or(0.0, |foot| (foot.point - place).dot(up))
    }

    /// Distance of a place from a side along the side's own normal, mm, and that normal.
    fn off(&self, tree: &SurfaceTree, p: &Point, reach_mm: f64) -> Option<(f64, Direction)> {
        let foot = tree.nearest(p, reach_mm)?;
        let normal = self.nominal.mesh().normal(foot.triangle)?;
        // Facets are chords; the surface that a file tells is exact.
        if let Some(there) = self.nominal.exact_foot(p, &foot) {
            return Some((there.distance_mm, there.normal));
        }
        let face = self.nominal.face_of_triangle()[foot.triangle as usize];
        // So is the cylinder of a round wall.
        if let Some(Carrier::Cylinder { point, axis, radius_mm, hollow }) =
            self.nominal.faces()[face as usize].carrier
        {
            let d = p - point;
            let across = d - axis.vector() * d.dot(&axis.vector());
            let away = Direction::new(across)?;
            let over = across.norm() - radius_mm;
            return Some(if hollow { (-over, away.reversed()) } else { (over, away) });
        }
        Some(((p - foot.point).dot(&normal.vector()), normal))
    }
}

/// What is looked at beside the edge.
#[derive(Clone, Copy, Debug)]
pub(super) struct Around {
    /// How far off its nominal place the edge is looked for, mm.
    pub(super) reach_mm: f64,
    /// How far from the edge the skin is looked at, mm.
    pub(super) band_mm: f64,
}

/// All points beside the edge, in the scan's order.
pub(super) fn near(
    run: &Run,
    scan: &Scan,
    part_from_scan: &Motion<PartFrame, ScanFrame>,
    frames: &Frames,
    sides: &Sides,
    around: Around,
) -> Result<Vec<Near>, Stopped> {
    let far_mm = (around.band_mm + around.reach_mm).max((WALL_MM + around.reach_mm) * 1.1);
    let border = scan.border();
    let count = scan.points().len();
    let parts: Result<Vec<Vec<Near>>, Stopped> = (0..count.div_ceil(CHECK_EVERY))
        .into_par_iter()
        .map(|chunk| {
            run.check()?;
            let own = chunk * CHECK_EVERY..((chunk + 1) * CHECK_EVERY).min(count);
            let look = |i: usize| {
                let point = part_from_scan.point(&scan.points().at(i));
                let here = frames.nearest(&point, far_mm)?;
                let normal = scan.normals().map(|n| part_from_scan.direction(n.at(i)));
                let border = border.is_some_and(|b| b.binary_search(&(i as u32)).is_ok());
                let found = one(&point, normal, &here, sides, around)?;
                Some(Near { index: i as u32, border, ..found })
            };
            Ok(own.filter_map(look).collect())
        })
        .collect();
    Ok(parts?.concat())
}

fn one(point: &Point, normal: Option<Direction>, here: &Here, sides: &Sides, around: Around) -> Option<Near> {
    let off = point - here.place;
    let (out_mm, up_mm) = (off.dot(&here.out), off.dot(&here.up));
    let reach = around.reach_mm;
    let in_band = out_mm >= -(around.band_mm + reach) && out_mm <= reach;
    let agrees = |with: &Vector, least: f64| normal.is_none_or(|n| n.vector().dot(with) >= least);
    let depth = here.wall.map(|w| w.depth_mm);
    // Without normals a point in the middle of a skin belongs to neither side.
    let flat_mm = depth.filter(|_| normal.is_none()).map_or(reach, |d| reach.min(0.5 * d));
    let of_side = |found: Option<(f64, Direction)>| {
        let (value, with) = found?;
        let ends = in_band && value.abs() <= flat_mm && agrees(&with.vector(), ENDS);
        ends.then(|| (value, agrees(&with.vector(), AGREES)))
    };
    let far = 2.0 * (around.band_mm + reach);
    let skin = if out_mm >= 0.0 {
        // Beyond its end the skin goes on level.
        of_side(Direction::new(here.up).map(|n| (up_mm, n)))
    } else {
        of_side(sides.off(&sides.skin, point, far))
    };
    let wall = match (here.wall, &sides.wall) {
        (Some(wall), Some(tree)) => sides.off(tree, point, WALL_MM + reach).and_then(|(value, with)| {
            let down = off.dot(&wall.down.vector());
            let within = down >= -reach && down <= wall.depth_mm + reach;
            (within && value.abs() <= reach && agrees(&with.vector(), AGREES)).then_some((value, down))
        }),
        // The wall of an open sheet is taken to stand square to it.
        _ => {
            let within = -up_mm >= -reach && -up_mm <= WALL_MM + reach;
            (within && out_mm.abs() <= reach && agrees(&here.out, AGREES)).then_some((out_mm, -up_mm))
        }
    };
    let other = here.wall.and_then(|w| w.other).and_then(|facing| {
        let tree = sides.other.as_ref()?;
        let beyond = out_mm >= here.wall.map_or(0.0, |w| w.depth_mm * w.down.vector().dot(&here.out));
        if beyond {
            let wall = here.wall?;
            let level = (off - wall.down.vector() * wall.depth_mm).dot(&facing.vector());
            return of_side(Some((level, facing)));
        }
        of_side(sides.off(tree, point, far))
    });
    (skin.is_some() || wall.is_some() || other.is_some()).then_some(Near {
        index: 0,
        point: *point,
        run: here.run,
        along_mm: here.along_mm,
        out_mm,
        skin,
        wall,
        other,
        border: false,
    })
}
