//! Finds the slot that a pick means: two half round ends that face each other, joined by two flat flanks.

use super::bind::{Found, Pick, REACH_MM, faces, judge, two_nearest};
use super::domain::Situation;
use crate::geometry::{Direction, Point};
use crate::nominal::{Carrier, Nominal};
use std::f64::consts::PI;

/// Ends of one slot have axes that agree this well, rad, and radii this part of each other: wider than a coarse mesh
/// spoils them.
const SAME_AXIS_RAD: f64 = PI / 90.0;
const SAME_RADIUS_PART: f64 = 0.05;

/// Flanks stand square to the axis and along the slot within this, rad.
const FLANK_RAD: f64 = PI / 36.0;

struct Slot {
    triangles: Vec<u32>,
    middle: Point,
    axis: Direction,
    along: Direction,
    radius_mm: f64,
    /// Half the distance between the axes of the ends.
    half_mm: f64,
    /// Half the depth.
    depth_mm: f64,
}

/// A hollow end: its face, a point of its axis at the middle of its depth, axis, radius, half depth.
struct End {
    face: usize,
    at: Point,
    axis: Direction,
    radius_mm: f64,
    depth_mm: f64,
}

pub(super) fn bind(pick: &Pick, nominal: &Nominal) -> Result<Found, String> {
    let slots: Vec<Slot> = slots(nominal)
        .into_iter()
        .filter(|s| faces(Some(s.axis), pick.facing) || faces(Some(s.axis.reversed()), pick.facing))
        .collect();
    let slot = if pick.faces.is_empty() {
        let distances = slots.iter().enumerate().map(|(i, s)| (i, s.distance(&pick.near)));
        let (best, second) = two_nearest(distances);
        let Some((index, distance)) = best else {
            return Err(
                "the nominal has no slot with half round ends that lies so; mend the pick or the kind".into(),
            );
        };
        // A place on the wall is as good as one on the middle line.
        judge(pick.kind, distance, second, REACH_MM + slots[index].radius_mm, "")?;
        &slots[index]
    } else {
        &slots[pick.named(slots.iter().map(|s| s.triangles.as_slice()), nominal)?]
    };
    let situation = Situation::Slot {
        at: slot.middle,
        axis: slot.axis,
        along: slot.along,
        length_mm: Some(2.0 * (slot.half_mm + slot.radius_mm)),
        width_mm: Some(2.0 * slot.radius_mm),
    };
    Ok(Found { triangles: slot.triangles.clone(), carrier: None, situation })
}

impl Slot {
    /// Distance from the stretch of the middle plane that the slot surrounds, mm.
    fn distance(&self, p: &Point) -> f64 {
        let d = p - self.middle;
        let along = d.dot(&self.along.vector()).clamp(-self.half_mm, self.half_mm);
        let deep = d.dot(&self.axis.vector()).clamp(-self.depth_mm, self.depth_mm);
        (d - self.along.vector() * along - self.axis.vector() * deep).norm()
    }
}

fn slots(nominal: &Nominal) -> Vec<Slot> {
    let ends: Vec<End> = (0..nominal.faces().len()).filter_map(|f| end(nominal, f)).collect();
    let mut found = Vec::new();
    for (i, a) in ends.iter().enumerate() {
        for b in &ends[i + 1..] {
            found.extend(pair(nominal, a, b));
        }
    }
    found
}

fn end(nominal: &Nominal, face: usize) -> Option<End> {
    let Some(Carrier::Cylinder { point, axis, radius_mm, hollow: true }) = nominal.faces()[face].carrier
    else {
        return None;
    };
    let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
    for &t in &nominal.faces()[face].triangles {
        for corner in nominal.mesh().corners(t) {
            let x = (corner - point).dot(&axis.vector());
            (low, high) = (low.min(x), high.max(x));
        }
    }
    let at = point + axis.vector() * (0.5 * (low + high));
    Some(End { face, at, axis, radius_mm, depth_mm: 0.5 * (high - low) })
}

fn pair(nominal: &Nominal, a: &End, b: &End) -> Option<Slot> {
    let tilt = a.axis.angle_to(b.axis).min(a.axis.reversed().angle_to(b.axis));
    let radius_mm = 0.5 * (a.radius_mm + b.radius_mm);
    if tilt > SAME_AXIS_RAD || (a.radius_mm - b.radius_mm).abs() > SAME_RADIUS_PART * radius_mm {
        return None;
    }
    let between = b.at - a.at;
    let across = between - a.axis.vector() * between.dot(&a.axis.vector());
    let along = Direction::new(across)?;
    // Flat faces that touch both ends, square to the axis and along the slot.
    let touches = |end: &End| nominal.faces()[end.face].neighbours.as_slice();
    let flanks: Vec<u32> = touches(a)
        .iter()
        .copied()
        .filter(|f| touches(b).contains(f))
        .filter(|&f| match nominal.faces().get(f as usize).and_then(|f| f.carrier) {
            Some(Carrier::Plane { normal, .. }) => {
                let square = |d: Direction| (normal.angle_to(d) - 0.5 * PI).abs() <= FLANK_RAD;
                square(a.axis) && square(along)
            }
            _ => false,
        })
        .collect();
    let [first, second] = flanks.as_slice() else { return None };
    let faces = [a.face, b.face, *first as usize, *second as usize];
    Some(Slot {
        triangles: faces.iter().flat_map(|&f| nominal.faces()[f].triangles.iter().copied()).collect(),
        middle: nalgebra::center(&a.at, &b.at),
        axis: a.axis,
        along,
        radius_mm,
        half_mm: 0.5 * across.norm(),
        depth_mm: a.depth_mm.max(b.depth_mm),
    })
}
