//! Finds the hole or cylinder that a pick means.

use super::bind::{Found, Pick, REACH_MM, distance_to, faces, judge, two_nearest};
use super::domain::Situation;
use crate::geometry::{Direction, Point, TriangleMesh, math};
use crate::nominal::{Carrier, Nominal};
use std::f64::consts::{PI, TAU};

/// Less of the turn than this is the end of a slot or a hollow edge, not a hole.
const TURN_PART: f64 = 0.75;

/// Neighbouring faces belong to one wall when their axes agree this well: 1 degree and a twentieth of the
/// radius, wider than a coarse mesh spoils them, narrower than two holes that cut each other.
const SAME_AXIS_RAD: f64 = PI / 180.0;
const SAME_AXIS_PART: f64 = 0.05;

struct Wall {
    triangles: Vec<u32>,
    carrier: Carrier,
    point: Point,
    axis: Direction,
    radius_mm: f64,
    hollow: bool,
}

pub(super) fn bind(feature: &Pick, nominal: &Nominal) -> Result<Found, String> {
    let mesh = nominal.mesh();
    let walls: Vec<Wall> = walls(nominal)
        .into_iter()
        .filter(|w| w.hollow)
        .filter(|w| faces(Some(w.axis), feature.facing) || faces(Some(w.axis.reversed()), feature.facing))
        .filter(|w| turn_part(w, mesh) >= TURN_PART)
        .collect();
    let wall = if feature.faces.is_empty() {
        let distances = walls.iter().enumerate().map(|(i, w)| (i, distance_to_axis(w, mesh, &feature.near)));
        let (best, second) = two_nearest(distances);
        let Some((index, distance)) = best else {
            return Err(
                "the nominal has no round hole whose axis lies so; mend the pick or the kind".to_owned()
            );
        };
        // A place on the wall is as good as one on the axis.
        judge(feature.kind, distance, second, REACH_MM + walls[index].radius_mm, "")?;
        &walls[index]
    } else {
        &walls[feature.named(walls.iter().map(|w| w.triangles.as_slice()), nominal)?]
    };
    let (low, high) = ends(wall, mesh);
    let situation = Situation::Hole {
        at: wall.point + wall.axis.vector() * (0.5 * (low + high)),
        axis: wall.axis,
        diameter_mm: Some(2.0 * wall.radius_mm),
    };
    Ok(Found { triangles: wall.triangles.clone(), carrier: Some(wall.carrier), situation })
}

/// The cylinder on whose wall a pick lies, or on whose axis if it is hollow.
pub(super) fn bind_cylinder(feature: &Pick, nominal: &Nominal) -> Result<Found, String> {
    let mesh = nominal.mesh();
    let walls: Vec<Wall> = walls(nominal);
    if !feature.faces.is_empty() {
        let index = feature.named(walls.iter().map(|w| w.triangles.as_slice()), nominal)?;
        return Ok(cylinder(&walls[index], mesh));
    }
    let distances = walls.iter().enumerate().map(|(i, w)| {
        let on_wall = w.triangles.iter().map(|&t| distance_to(mesh, t, &feature.near));
        let on_wall = on_wall.fold(f64::INFINITY, f64::min);
        (i, if w.hollow { on_wall.min(distance_to_axis(w, mesh, &feature.near)) } else { on_wall })
    });
    let (best, second) = two_nearest(distances);
    let Some((index, distance)) = best else {
        return Err("the nominal has no cylinder; mend the pick or the kind".to_owned());
    };
    judge(feature.kind, distance, second, REACH_MM, "")?;
    Ok(cylinder(&walls[index], mesh))
}

fn cylinder(wall: &Wall, mesh: &TriangleMesh) -> Found {
    let (low, high) = ends(wall, mesh);
    let situation = Situation::Cylinder {
        at: wall.point + wall.axis.vector() * (0.5 * (low + high)),
        axis: wall.axis,
        diameter_mm: 2.0 * wall.radius_mm,
        hollow: wall.hollow,
    };
    Found { triangles: wall.triangles.clone(), carrier: Some(wall.carrier), situation }
}

/// Cylinders, hollow and solid; faces that share an edge and an axis are one wall (CAD files cut holes in halves).
fn walls(nominal: &Nominal) -> Vec<Wall> {
    let of_face = |i: usize| match nominal.faces()[i].carrier {
        Some(carrier @ Carrier::Cylinder { point, axis, radius_mm, hollow }) => {
            let triangles = nominal.faces()[i].triangles.clone();
            Some(Wall { triangles, carrier, point, axis, radius_mm, hollow })
        }
        _ => None,
    };
    let mut taken = vec![false; nominal.faces().len()];
    let mut walls = Vec::new();
    for start in 0..taken.len() {
        if taken[start] {
            continue;
        }
        let Some(mut wall) = of_face(start) else { continue };
        taken[start] = true;
        let mut open = vec![start];
        while let Some(face) = open.pop() {
            for &next in &nominal.faces()[face].neighbours {
                let next = next as usize;
                if taken.get(next).copied().unwrap_or(true) {
                    continue;
                }
                if let Some(other) = of_face(next)
                    && same_axis(&wall, &other)
                {
                    taken[next] = true;
                    wall.triangles.extend(other.triangles);
                    open.push(next);
                }
            }
        }
        walls.push(wall);
    }
    walls
}

fn same_axis(a: &Wall, b: &Wall) -> bool {
    let tilt = a.axis.angle_to(b.axis).min(a.axis.reversed().angle_to(b.axis));
    let between = b.point - a.point;
    let offset = (between - a.axis.vector() * between.dot(&a.axis.vector())).norm();
    let slack = SAME_AXIS_PART * a.radius_mm;
    a.hollow == b.hollow
        && tilt <= SAME_AXIS_RAD
        && offset <= slack
        && (a.radius_mm - b.radius_mm).abs() <= slack
}

/// The part of a full turn that a wall's triangles cover, 0 to 1.
fn turn_part(wall: &Wall, mesh: &TriangleMesh) -> f64 {
    let (x, y) = wall.axis.frame();
    let mut arcs: Vec<(f64, f64)> = Vec::new();
    for &t in &wall.triangles {
        let [a, b, c] = mesh.corners(t).map(|p| {
            let d = p - wall.point;
            math::atan2(d.dot(&y), d.dot(&x))
        });
        // A triangle of a wall spans less than half a turn, so its corners lie within pi of the first.
        let from_a = [0.0, wrap(b - a), wrap(c - a)];
        let low = a + from_a.iter().copied().fold(0.0, f64::min);
        let high = a + from_a.iter().copied().fold(0.0, f64::max);
        // Cut at -pi and pi.
        if low < -PI {
            arcs.extend([(low + TAU, PI), (-PI, high)]);
        } else if high > PI {
            arcs.extend([(low, PI), (-PI, high - TAU)]);
        } else {
            arcs.push((low, high));
        }
    }
    arcs.sort_by(|a, b| a.0.total_cmp(&b.0));
    let (mut covered, mut end) = (0.0, -PI);
    for (low, high) in arcs {
        if high > end {
            covered += high - low.max(end);
            end = high;
        }
    }
    covered / TAU
}

/// An angle brought into -pi..pi.
fn wrap(angle: f64) -> f64 {
    if angle > PI {
        angle - TAU
    } else if angle < -PI {
        angle + TAU
    } else {
        angle
    }
}

/// Where along its axis the wall begins and ends, mm from its point.
fn ends(wall: &Wall, mesh: &TriangleMesh) -> (f64, f64) {
    let along = |q: &Point| (q - wall.point).dot(&wall.axis.vector());
    let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
    for &t in &wall.triangles {
        for corner in mesh.corners(t) {
            low = low.min(along(&corner));
            high = high.max(along(&corner));
        }
    }
    (low, high)
}

/// Distance of a place from the stretch of the axis that the wall surrounds, mm.
fn distance_to_axis(wall: &Wall, mesh: &TriangleMesh, p: &Point) -> f64 {
    let (low, high) = ends(wall, mesh);
    let at = (p - wall.point).dot(&wall.axis.vector()).max(low).min(high);
    (wall.point + wall.axis.vector() * at - p).norm()
}
