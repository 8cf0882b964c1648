//! Closed surfaces without a boundary: a whole sphere, a whole torus.

use std::f64::consts::{PI, TAU};

use super::fault::FaceFault;
use super::surfaces::Surface;
use super::triangulate::FillFault;
use crate::geometry::{Point, math};

/// Triangles of the whole surface, seen counter-clockwise from where u cross v points; `most` corners at most.
pub(super) fn whole(
    surface: &Surface,
    chord_mm: f64,
    most: usize,
) -> Result<(Vec<Point>, Vec<[u32; 3]>), FaceFault> {
    // A facet of a square of two steps w lies r (1 - cos(w / 2)) off along each, so a quarter less for both.
    let steps = |radius: f64| {
        let w = 2.0 * math::acos(1.0 - (0.5 * chord_mm / radius).min(1.0));
        (TAU / w.min(PI / 16.0)).ceil().min(1e9) as u32
    };
    let fits = |round: u32, up: u32| match (round as usize).checked_mul(up as usize) {
        Some(corners) if corners <= most => Ok(()),
        _ => Err(FaceFault::Fill(FillFault::TooFine { limit: most })),
    };
    let mut points = Vec::new();
    let mut triangles = Vec::new();
    match surface {
        Surface::Sphere { radius, .. } => {
            let round = steps(*radius);
            let up = round.div_ceil(2);
            fits(round, up)?;
            points.push(surface.jet(0.0, -0.5 * PI).p);
            for j in 1..up {
                let v = -0.5 * PI + PI * f64::from(j) / f64::from(up);
                points.extend((0..round).map(|i| surface.jet(TAU * f64::from(i) / f64::from(round), v).p));
            }
            let top = points.len() as u32;
            points.push(surface.jet(0.0, 0.5 * PI).p);
            let at = |i: u32, j: u32| match j {
                0 => 0,
                j if j == up => top,
                j => 1 + (j - 1) * round + i % round,
            };
            for j in 0..up {
                for i in 0..round {
                    let (a, b, c, d) = (at(i, j), at(i + 1, j), at(i + 1, j + 1), at(i, j + 1));
                    if a != b {
                        triangles.push([a, b, c]);
                    }
                    if c != d {
                        triangles.push([a, c, d]);
                    }
                }
            }
        }
        Surface::Torus { major, minor, .. } if major < minor => return Err(FaceFault::MeetsItself),
        Surface::Torus { major, minor, .. } => {
            let (round, up) = (steps(major + minor), steps(*minor));
            fits(round, up)?;
            for j in 0..up {
                let v = TAU * f64::from(j) / f64::from(up);
                points.extend((0..round).map(|i| surface.jet(TAU * f64::from(i) / f64::from(round), v).p));
            }
            let at = |i: u32, j: u32| (j % up) * round + i % round;
            for j in 0..up {
                for i in 0..round {
                    let (a, b, c, d) = (at(i, j), at(i + 1, j), at(i + 1, j + 1), at(i, j + 1));
                    triangles.push([a, b, c]);
                    triangles.push([a, c, d]);
                }
            }
        }
        _ => return Err(FaceFault::Endless),
    }
    Ok((points, triangles))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::Direction;
    use crate::read::step::curves::Axes;
    use std::collections::BTreeMap;

    #[test]
    fn a_whole_sphere_and_a_whole_torus_are_closed_and_near() {
        let axes = Axes::new(Point::new(1.0, 2.0, 3.0), Direction::X, None);
        let sphere = Surface::Sphere { axes, radius: 4.0 };
        let torus = Surface::Torus { axes, major: 6.0, minor: 2.0 };
        for (surface, area, volume) in [
            (sphere, 2.0 * TAU * 16.0, 2.0 / 3.0 * TAU * 64.0),
            (torus, TAU * TAU * 12.0, TAU * 6.0 * PI * 4.0),
        ] {
            let (points, triangles) = whole(&surface, 0.01, 400_000).unwrap();
            let (mut a, mut v, mut worst) = (0.0, 0.0, 0.0_f64);
            let mut edges: BTreeMap<(u32, u32), i32> = BTreeMap::new();
            for t in &triangles {
                let [p, q, r] = t.map(|i| points[i as usize]);
                let n = (q - p).cross(&(r - p));
                a += 0.5 * n.norm();
                v += n.dot(&(p - axes.origin)) / 6.0;
                worst = worst
                    .max(surface.distance(&Point::from((p.coords + q.coords + r.coords) / 3.0)).unwrap());
                for (i, j) in [(0, 1), (1, 2), (2, 0)] {
                    *edges.entry((t[i].min(t[j]), t[i].max(t[j]))).or_default() +=
                        if t[i] < t[j] { 1 } else { -1 };
                }
            }
            assert!(edges.values().all(|n| *n == 0));
            assert!(
                (a / area - 1.0).abs() < 5e-3 && (v / volume - 1.0).abs() < 0.01,
                "{a} {area} {v} {volume}"
            );
            assert!(worst < 0.0105, "{worst}");
        }
        assert_eq!(whole(&Surface::Plane { axes }, 0.01, 400_000), Err(FaceFault::Endless));
        let spindle = Surface::Torus { axes, major: 3.0, minor: 5.0 };
        assert_eq!(whole(&spindle, 0.01, 400_000), Err(FaceFault::MeetsItself));
        // A ball of 100 m would take a thousand million corners.
        let ball = Surface::Sphere { axes, radius: 1e5 };
        let limit = FaceFault::Fill(FillFault::TooFine { limit: 400_000 });
        assert_eq!(whole(&ball, 0.01, 400_000), Err(limit));
    }
}
