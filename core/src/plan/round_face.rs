//! Finds the sphere or cone that a pick means: a smooth patch of the mesh whose vertices lie on one.
//!
//! Grown from the triangle at the pick over neighbours that turn little; the shape through the first of them decides which
//! others belong: those whose corners all lie on it. Corners of a mesh lie on the surface it was made from, facets do not.
//! Corners alone are no proof: those of a cylinder's two rings lie on a sphere too. So the facets must turn as the shape does.

use super::bind::{Found, Pick, REACH_MM, distance_to, faces, judge, two_nearest};
use super::domain::Situation;
use crate::geometry::{Cholesky, Direction, Matrix3, Point, Vector, math, symmetric_eigen3};
use crate::nominal::Nominal;

/// Triangles through which the first shape is put.
const FIRST: usize = 60;
/// Neighbours that turn by more than this are another face: 30 degrees, the cosine.
const SMOOTH_COS: f64 = 0.866;
/// Corners within this of the shape lie on it, mm: single precision at some metres.
const ON_IT_MM: f64 = 0.005;

pub(super) fn bind_sphere(pick: &Pick, nominal: &Nominal) -> Result<Found, String> {
    let (triangles, (centre, radius)) = grown(
        pick,
        nominal,
        |points, _| sphere(points),
        |(c, r), p| ((p - c).norm() - r).abs(),
        |(c, _), p| p - c,
    )?;
    let out = outward(nominal, &triangles, |p| p - centre);
    let situation = Situation::Sphere { at: centre, diameter_mm: 2.0 * radius, hollow: !out };
    Ok(Found { triangles, carrier: None, situation })
}

pub(super) fn bind_cone(pick: &Pick, nominal: &Nominal) -> Result<Found, String> {
    let (triangles, cone) =
        grown(pick, nominal, cone, |c: &Cone, p| c.distance_mm(p).abs(), |c, p| c.normal(p))?;
    if !(cone.taper > math::tan(LEAST_HALF_ANGLE_RAD)) {
        return Err("what lies there is a cylinder; call it one".into());
    }
    // In the middle of the face.
    let along = |p: &Point| (p - cone.at).dot(&cone.axis.vector());
    let corners = triangles.iter().flat_map(|&t| nominal.mesh().corners(t));
    let ends =
        corners.map(|c| along(&c)).fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), x| (l.min(x), h.max(x)));
    let middle = 0.5 * (ends.0 + ends.1);
    let out = outward(nominal, &triangles, |p| cone.across(p));
    let situation = Situation::Cone {
        at: cone.at + cone.axis.vector() * middle,
        axis: cone.axis,
        half_angle_rad: math::atan2(cone.taper, 1.0),
        radius_mm: cone.radius_mm + cone.taper * middle,
        hollow: !out,
    };
    Ok(Found { triangles, carrier: None, situation })
}

/// A cone of less than half a degree is a cylinder with draft that nobody calls a cone.
const LEAST_HALF_ANGLE_RAD: f64 = 0.0087;

/// Whether the material lies on the inner side.
fn outward(nominal: &Nominal, triangles: &[u32], away: impl Fn(&Point) -> Vector) -> bool {
    let mesh = nominal.mesh();
    let of = |&t: &u32| {
        let [a, b, c] = mesh.corners(t);
        let middle = Point::from((a.coords + b.coords + c.coords) / 3.0);
        away(&middle).dot(&mesh.area_vector(t))
    };
    triangles.iter().map(of).sum::<f64>() > 0.0
}

/// The patch around the pick whose corners lie on one shape, and that shape.
fn grown<S>(
    pick: &Pick,
    nominal: &Nominal,
    fit: impl Fn(&[Point], &[Vector]) -> Option<S>,
    off: impl Fn(&S, &Point) -> f64,
    normal: impl Fn(&S, &Point) -> Vector,
) -> Result<(Vec<u32>, S), String> {
    let mesh = nominal.mesh();
    let word = pick.kind.word();
    let candidates = (0..mesh.triangles().len()).filter(|&t| {
        let normal = mesh.normal(t as u32);
        normal.is_some() && faces(normal, pick.facing)
    });
    let (seed, _) = two_nearest(candidates.map(|t| (t, distance_to(mesh, t as u32, &pick.near))));
    let Some((seed, distance)) = seed else {
        return Err(format!("the nominal has no surface that faces so; mend the pick of the {word}"));
    };
    judge(pick.kind, distance, None, REACH_MM, "")?;
    let none = || format!("the surface there is no {word}; pick a place in its middle, or mend the kind");
    let first = around(nominal, seed as u32, FIRST, |_| true);
    let mut shape = of(nominal, &first, &fit).ok_or_else(none)?;
    let mut triangles = first;
    // Twice: the second shape goes through all that the first one gathered.
    for _ in 0..2 {
        let on = |t: u32| mesh.corners(t).iter().all(|p| off(&shape, p) <= ON_IT_MM);
        if !on(seed as u32) {
            return Err(none());
        }
        triangles = around(nominal, seed as u32, usize::MAX, on);
        shape = of(nominal, &triangles, &fit).ok_or_else(none)?;
    }
    if !turns_along(nominal, &triangles, |p| normal(&shape, p)) {
        return Err(none());
    }
    Ok((triangles, shape))
}

/// A facet that stands off the shape's normal at its middle by more than half of its own turn and this, rad, is none of
/// it: one degree, for rounded corners.
const FACET_OFF_RAD: f64 = 0.0175;
/// Share of the area that must agree so; slivers of a mesh point anywhere.
const FACETS_AGREE: f64 = 0.9;
/// Where the shape's normals at the corners spread, the facets' own spread at least by this share: two rows of facets
/// have half of it, a single one has none.
const LEAST_SPREAD: f64 = 0.4;
/// Less spread than this is rounding of single precision, rad.
const NO_SPREAD_RAD: f64 = 0.002;

/// Whether facets turn as the normals of a shape do on which their corners lie. The direction in which they turn least is
/// looked at: along the axis of a cylinder not at all, though a sphere through its two rings does. Our own way.
fn turns_along(nominal: &Nominal, triangles: &[u32], normal: impl Fn(&Point) -> Vector) -> bool {
    let mesh = nominal.mesh();
    let unit = |p: &Point| Direction::new(normal(p)).map(Direction::vector);
    let angle = |a: &Vector, b: &Vector| math::atan2(a.cross(b).norm(), a.dot(b).abs());
    let (mut facets, mut corners): (Vec<Vector>, Vec<Vector>) = (Vec::new(), Vec::new());
    let (mut all, mut agree) = (0.0, 0.0);
    for &t in triangles {
        let [a, b, c] = mesh.corners(t);
        let middle = Point::from((a.coords + b.coords + c.coords) / 3.0);
        let (Some(facet), Some(at)) = (mesh.normal(t), unit(&middle)) else { continue };
        let (Some(a), Some(b), Some(c)) = (unit(&a), unit(&b), unit(&c)) else { continue };
        let own = angle(&a, &b).max(angle(&b, &c)).max(angle(&c, &a));
        all += mesh.area(t);
        if angle(&facet.vector(), &at) <= 0.5 * own + FACET_OFF_RAD {
            agree += mesh.area(t);
        }
        facets.push(facet.vector());
        corners.extend([a, b, c]);
    }
    if !(all > 0.0 && agree >= FACETS_AGREE * all) {
        return false;
    }
    let mean = facets.iter().fold(Vector::zeros(), |s, v| s + v) / facets.len() as f64;
    let scatter = facets.iter().fold(Matrix3::zeros(), |s, v| s + (v - mean) * (v - mean).transpose());
    let least = symmetric_eigen3(&scatter).1[0];
    let spread = |of: &[Vector]| {
        let along = of.iter().map(|v| v.dot(&least));
        let (low, high) = along.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), x| (l.min(x), h.max(x)));
        high - low
    };
    spread(&facets) >= LEAST_SPREAD * spread(&corners) - NO_SPREAD_RAD
}

fn of<S>(nominal: &Nominal, triangles: &[u32], fit: impl Fn(&[Point], &[Vector]) -> Option<S>) -> Option<S> {
    let mesh = nominal.mesh();
    let mut corners: Vec<u32> = triangles.iter().flat_map(|&t| mesh.triangles()[t as usize]).collect();
    corners.sort_unstable();
    corners.dedup();
    let points: Vec<Point> = corners.iter().map(|&c| mesh.vertices()[c as usize]).collect();
    let normals: Vec<Vector> = triangles.iter().filter_map(|&t| Some(mesh.normal(t)?.vector())).collect();
    fit(&points, &normals)
}

/// Triangles reached from `seed` over edges that turn little, while they belong; at most `most`, ascending.
fn around(nominal: &Nominal, seed: u32, most: usize, belongs: impl Fn(u32) -> bool) -> Vec<u32> {
    let mesh = nominal.mesh();
    let mut reached = vec![false; mesh.triangles().len()];
    reached[seed as usize] = true;
    let mut region = vec![seed];
    let mut next = 0;
    while next < region.len() && region.len() < most {
        let t = region[next];
        next += 1;
        for other in nominal.across()[t as usize].iter().flatten().copied() {
            let smooth = match (mesh.normal(t), mesh.normal(other)) {
                (Some(a), Some(b)) => a.dot(b) >= SMOOTH_COS,
                _ => false,
            };
            if smooth && !reached[other as usize] && belongs(other) {
                reached[other as usize] = true;
                region.push(other);
            }
        }
    }
    region.sort_unstable();
    region
}

/// Centre and radius of the sphere through points that lie on one: |p|^2 = 2 c.p + k by linear least squares, exact there.
fn sphere(points: &[Point]) -> Option<(Point, f64)> {
    let (mean, size) = about(points)?;
    let mut m = [[0.0; 4]; 4];
    let mut right = [0.0; 4];
    for p in points {
        let d = (p - mean) / size;
        let row = [2.0 * d.x, 2.0 * d.y, 2.0 * d.z, 1.0];
        for i in 0..4 {
            for j in 0..4 {
                m[i][j] += row[i] * row[j];
            }
            right[i] += row[i] * d.norm_squared();
        }
    }
    let [x, y, z, k] = Cholesky::new(&m)?.solve(&right);
    let centre = Vector::new(x, y, z);
    let radius = (k + centre.norm_squared()).sqrt() * size;
    (radius.is_finite() && radius > 0.0).then_some((mean + centre * size, radius))
}

/// Mean and largest distance from it.
fn about(points: &[Point]) -> Option<(Point, f64)> {
    let first = points.first()?;
    let sum = points.iter().fold(Vector::zeros(), |s, p| s + (p - first));
    let mean = first + sum / points.len() as f64;
    let size = points.iter().map(|p| (p - mean).norm()).fold(0.0, f64::max);
    (size > 0.0 && size.is_finite()).then_some((mean, size))
}

/// A cone by a place on its axis, the radius there, and how the radius grows along the axis.
#[derive(Clone, Copy)]
struct Cone {
    at: Point,
    axis: Direction,
    radius_mm: f64,
    taper: f64,
}

impl Cone {
    fn across(&self, p: &Point) -> Vector {
        let d = p - self.at;
        d - self.axis.vector() * d.dot(&self.axis.vector())
    }

    /// Out of the surface, of any length.
    fn normal(&self, p: &Point) -> Vector {
        let out = self.across(p);
        out - self.axis.vector() * (self.taper * out.norm())
    }

    /// Square to the surface.
    fn distance_mm(&self, p: &Point) -> f64 {
        let along = (p - self.at).dot(&self.axis.vector());
        (self.across(p).norm() - self.radius_mm - self.taper * along) / (1.0 + self.taper * self.taper).sqrt()
    }
}

/// The cone through points that lie on one: its axis from the facets' normals, which all stand at one angle to it, then
/// Gauss-Newton on the distances of the corners.
fn cone(points: &[Point], normals: &[Vector]) -> Option<Cone> {
    let (mean, size) = about(points)?;
    let n = normals.len() as f64;
    let middle = normals.iter().fold(Vector::zeros(), |s, v| s + v) / n;
    let scatter = normals.iter().fold(Matrix3::zeros(), |s, v| s + (v - middle) * (v - middle).transpose());
    let axis = Direction::new(symmetric_eigen3(&scatter).1[0])?;
    let mut fit = circle_start(points, mean, axis, size)?;
    for _ in 0..60 {
        let mut m = [[0.0; 6]; 6];
        let mut right = [0.0; 6];
        let a = fit.axis.vector();
        let (u, v) = fit.axis.frame();
        for p in points {
            let radial = fit.across(p);
            let length = radial.norm();
            if !(length > 0.0) {
                return None;
            }
            let along = (p - fit.at).dot(&a);
            let e = [radial.dot(&u) / length, radial.dot(&v) / length];
            let d = [(p - fit.at).dot(&u), (p - fit.at).dot(&v)];
            let tilt = |k: usize| (-e[k] * along - fit.taper * d[k]) / size;
            let row = [-e[0], -e[1], tilt(0), tilt(1), -1.0, -along / size];
            let residual = length - fit.radius_mm - fit.taper * along;
            for i in 0..6 {
                for j in 0..6 {
                    m[i][j] += row[i] * row[j];
                }
                right[i] -= row[i] * residual;
            }
        }
        let s = Cholesky::new(&m)?.solve(&right);
        fit.axis = Direction::new(a + u * (s[2] / size) + v * (s[3] / size))?;
        fit.at += u * s[0] + v * s[1];
        fit.radius_mm += s[4];
        fit.taper += s[5] / size;
        if s.iter().all(|x| x.abs() <= 1e-12 * size) {
            break;
        }
    }
    if fit.taper < 0.0 {
        fit.axis = fit.axis.reversed();
        fit.taper = -fit.taper;
    }
    (fit.radius_mm.is_finite() && fit.taper.is_finite()).then_some(fit)
}

/// A cylinder about `axis` to begin with: the circle of the points seen along it, by linear least squares.
fn circle_start(points: &[Point], mean: Point, axis: Direction, size: f64) -> Option<Cone> {
    let (u, v) = axis.frame();
    let mut m = [[0.0; 4]; 4];
    let mut right = [0.0; 4];
    for p in points {
        let d = (p - mean) / size;
        let (x, y, z) = (d.dot(&u), d.dot(&v), d.dot(&axis.vector()));
        // x^2 + y^2 = 2 a x + 2 b y + k + l z: the square of the radius grows along the axis.
        let row = [2.0 * x, 2.0 * y, 1.0, z];
        for i in 0..4 {
            for j in 0..4 {
                m[i][j] += row[i] * row[j];
            }
            right[i] += row[i] * (x * x + y * y);
        }
    }
    let [a, b, k, l] = Cholesky::new(&m)?.solve(&right);
    let radius = (k + a * a + b * b).sqrt();
    let fit =
        Cone { at: mean + (u * a + v * b) * size, axis, radius_mm: radius * size, taper: 0.5 * l / radius };
    (fit.radius_mm.is_finite() && fit.radius_mm > 0.0 && fit.taper.is_finite()).then_some(fit)
}
