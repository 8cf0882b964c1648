//! The demo part: the moulded window surround of a rail carriage, made by code.
//!
//! A flat mounting flange runs all round; from it a shaped ring rises over a curved wall to a crown and
//! goes down again over a reveal to the opening, whose corners are round. Both skins are one thickness
//! apart everywhere. Widths of the ring, radii of the corners and places of the holes all differ, so that
//! no turned pose explains a scan.
//!
//! Part axes: x along the length, y along the width, from the flange's lower left corner; z out of the
//! visible side. The flange's **visible** side is the plane z = 0 and datum A, so that a view from the
//! front sees every datum feature; its hidden side is z = -thickness, the crown's top is at z = height -
//! thickness.

mod flange;
mod outline;
mod plan;
mod section;
mod sheet;
#[cfg(test)]
mod tests;

use crate::geometry::{Direction, Point, TriangleMesh, Vector};
use crate::nominal::Carrier;
use flange::Cut;
use outline::{Outline, Place};
use section::Section;
use sheet::Sheet;

/// Largest distance of a chord from a gentle arc, mm.
const CHORD_MM: f64 = 0.006;
/// Facets along the straight sides, as a fraction of the length.
const SIDE_STEP: f64 = 1.0 / 88.0;

/// A round hole of the flange, drilled along z.
#[derive(Clone, Debug, PartialEq)]
pub struct RoundHole {
    /// Its name in the plan.
    pub id: &'static str,
    /// Middle of its wall, mm.
    pub centre: Point,
    /// Diameter, mm.
    pub diameter_mm: f64,
}

/// A region of the visible side, with tight bends between it and its neighbours.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Region {
    /// The rising wall next to the flange.
    Wall,
    /// The gently curved top.
    Crown,
    /// The wall that goes down to the opening.
    Reveal,
}

impl Region {
    fn arc(self) -> usize {
        match self {
            Region::Wall => section::WALL,
            Region::Crown => section::CROWN,
            Region::Reveal => section::REVEAL,
        }
    }
}

/// The part's sizes. Built by [`WindowSurround::default`] or [`WindowSurround::sized`] only, so that every
/// one of them can be meshed.
#[derive(Clone, Debug, PartialEq)]
pub struct WindowSurround {
    outside: Outline,
    ring: Outline,
    /// Width of the shaped ring along the bottom, right, top and left, mm.
    ring_widths: [f64; 4],
    height_mm: f64,
    thickness_mm: f64,
    holes: Vec<RoundHole>,
    slot: Cut,
}

impl PartialEq for Cut {
    fn eq(&self, other: &Self) -> bool {
        self.a == other.a && self.b == other.b && self.radius == other.radius
    }
}

impl Default for WindowSurround {
    /// 700 x 500 x 60 mm, 3 mm skin.
    fn default() -> Self {
        Self::sized(1.0)
    }
}

impl WindowSurround {
    /// Length, width, height and all places times `scale`, brought into 0.75 to 1.3; thickness, bends and
    /// holes keep their size, as they would in a family of windows.
    pub fn sized(scale: f64) -> Self {
        // The comparison is false for NaN, which so becomes 1.
        let scale = if scale.is_finite() { scale.clamp(0.75, 1.3) } else { 1.0 };
        let (length, width, flange) = (700.0 * scale, 500.0 * scale, 30.0 * scale);
        let times = |sizes: [f64; 4]| sizes.map(|v| v * scale);
        let thickness_mm = 3.0;
        let hole = |id, x: f64, y: f64, diameter_mm| RoundHole {
            id,
            centre: Point::new(x * scale, y * scale, -0.5 * thickness_mm),
            diameter_mm,
        };
        let slot = Point::new(685.0 * scale, 215.0 * scale, 0.0);
        Self {
            outside: Outline {
                low: [0.0, 0.0],
                high: [length, width],
                radii: times([45.0, 60.0, 80.0, 35.0]),
            },
            ring: Outline {
                low: [flange, flange],
                high: [length - flange, width - flange],
                radii: times([150.0, 165.0, 180.0, 155.0]),
            },
            ring_widths: times([112.0, 104.0, 92.0, 84.0]),
            height_mm: 60.0 * scale,
            thickness_mm,
            holes: vec![
                hole("H1", 44.0, 44.0, 10.0),
                hole("H2", 654.0, 47.0, 8.0),
                hole("H3", 650.0, 452.0, 12.0),
                hole("H4", 15.0, 330.0, 6.0),
                hole("H5", 260.0, 485.0, 9.0),
                hole("H6", 420.0, 15.0, 7.0),
            ],
            slot: Cut { a: slot - Vector::y() * 7.0, b: slot + Vector::y() * 7.0, radius: 4.0 },
        }
    }

    /// Length, width and height, mm.
    pub fn size_mm(&self) -> [f64; 3] {
        [self.outside.high[0], self.outside.high[1], self.height_mm]
    }

    /// Distance between the skins, mm.
    pub fn thickness_mm(&self) -> f64 {
        self.thickness_mm
    }

    /// The six round holes; H1 is datum B, H2 is datum C.
    pub fn holes(&self) -> &[RoundHole] {
        &self.holes
    }

    /// Both skins, the trimmed edges and the walls of the cuts: closed, normals out of the material.
    pub fn mesh(&self) -> TriangleMesh {
        let section = self.section();
        let ring = self.ring.walk(self.side_step(), CHORD_MM);
        let rows = section.rows(CHORD_MM);
        let n = ring.len() as u32;
        let mut sheet = Sheet::default();
        for &(arc, fraction) in &rows {
            for place in &ring {
                let (p, normal) = self.surface(&section, place, arc, fraction);
                sheet.add(p, p - normal.vector() * self.thickness_mm);
            }
        }
        for row in 0..rows.len() as u32 - 1 {
            for i in 0..n {
                let (a, b) = (row * n + i, row * n + (i + 1) % n);
                sheet.quad([a, b, b + n, a + n]);
            }
        }
        let mut cuts: Vec<Cut> =
            self.holes.iter().map(|h| Cut::round(at_zero(h.centre), h.diameter_mm)).collect();
        cuts.push(self.slot);
        let edge = self.outside.walk(self.side_step(), CHORD_MM);
        flange::add_flange(&mut sheet, &ring, &self.ring, &self.outside, &edge, &cuts, self.thickness_mm);
        sheet.thicken()
    }

    /// The exact surface under each triangle of this part's mesh: the holes' walls, nothing elsewhere.
    pub fn carriers(&self, mesh: &TriangleMesh) -> Vec<Option<Carrier>> {
        let of = |t: u32| {
            let on = |hole: &&RoundHole| {
                mesh.corners(t).iter().all(|p| {
                    let (dx, dy) = (p.x - hole.centre.x, p.y - hole.centre.y);
                    ((dx * dx + dy * dy).sqrt() - 0.5 * hole.diameter_mm).abs() < 1e-6
                })
            };
            let hole = self.holes.iter().find(on)?;
            let radius_mm = 0.5 * hole.diameter_mm;
            Some(Carrier::Cylinder { point: hole.centre, axis: Direction::Z, radius_mm, hollow: true })
        };
        (0..mesh.triangles().len() as u32).map(of).collect()
    }

    /// A place of the visible side and the normal out of it: `around` from 0 to 8 (even numbers begin the
    /// bottom, right, top and left side, odd ones the corners after them), `across` from 0 at the region's
    /// outer border to 1 at its inner one.
    pub fn place(&self, region: Region, around: f64, across: f64) -> (Point, Direction) {
        self.surface(&self.section(), &self.ring.place(around), region.arc(), across)
    }

    /// Triangles of a region in this part's mesh, ascending: the mesh begins with the cells of the ring, row
    /// by row from the flange to the opening.
    pub fn region_triangles(&self, region: Region) -> Vec<u32> {
        let columns = self.ring.walk(self.side_step(), CHORD_MM).len();
        let rows = self.section().rows(CHORD_MM).into_iter().skip(1);
        let cells = rows.flat_map(|(arc, _)| std::iter::repeat_n(arc, 2 * columns));
        let own = cells.enumerate().filter(|(_, arc)| *arc == region.arc());
        own.map(|(t, _)| t as u32).collect()
    }

    /// Largest distance from a hole's wall to where the flat part of the flange ends, mm.
    pub fn land_mm(&self, hole: &RoundHole) -> f64 {
        let p = at_zero(hole.centre);
        self.ring.distance(&p).min(-self.outside.distance(&p)) - 0.5 * hole.diameter_mm
    }

    fn side_step(&self) -> f64 {
        SIDE_STEP * self.outside.high[0]
    }

    fn section(&self) -> Section {
        let largest = self.ring_widths.iter().copied().fold(0.0, f64::max);
        Section::new(self.height_mm - self.thickness_mm, largest)
    }

    /// Width of the shaped ring at a place and its change per mm along the ring's outline.
    fn width(&self, place: &Place) -> (f64, f64) {
        let segment = (place.at.floor() as usize).min(7);
        let (side, t) = (segment / 2, place.at - segment as f64);
        if segment.is_multiple_of(2) {
            return (self.ring_widths[side], 0.0);
        }
        // A cubic that is level at both ends, so that the surface is smooth into the sides.
        let (from, to) = (self.ring_widths[side], self.ring_widths[(side + 1) % 4]);
        let per_mm = place.curvature / std::f64::consts::FRAC_PI_2;
        (from + (to - from) * t * t * (3.0 - 2.0 * t), (to - from) * 6.0 * t * (1.0 - t) * per_mm)
    }

    /// The visible side at a place of the ring's outline and of the section, with its exact normal.
    fn surface(&self, section: &Section, place: &Place, arc: usize, fraction: f64) -> (Point, Direction) {
        let (width, change) = self.width(place);
        let s = section.point(arc, fraction, width);
        let (inward, up) = (place.inward, Vector::z());
        let p = place.point + inward * s.x + up * s.z;
        if arc == section::FILLET && fraction == 0.0 {
            return (p, Direction::Z);
        }
        let tangent = inward.cross(&up);
        let along =
            tangent * (1.0 - s.x * place.curvature) + (inward * s.x_by_width + up * s.z_by_width) * change;
        let (sin, cos) = (crate::geometry::math::sin(s.slope), crate::geometry::math::cos(s.slope));
        let across = inward * cos + up * sin;
        let normal = Direction::new(along.cross(&across)).expect("along and across are never parallel");
        (p, normal)
    }
}

fn at_zero(p: Point) -> Point {
    Point::new(p.x, p.y, 0.0)
}
