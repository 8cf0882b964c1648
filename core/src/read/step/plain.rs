//! Turned, extruded and B-spline surfaces that are a plane, a cylinder, a cone, a sphere or a torus.
//!
//! Files often write them so. Where one of those has all places of the surface, it takes its place: then its distances are
//! closed forms, and features can be bound to it by its kind. Profiles that are lines and circles tell what they
//! sweep; of B-splines the normals at a few places tell what it could be. Whatever is proposed is held against the surface
//! at many places, and nothing that is further off than a millionth of a mm is taken. Common practice, no source.

use super::bspline::{Jet, Knots};
use super::curves::{Axes, CLOSED_MM, Curve};
use super::surfaces::Surface;
use super::turned::Turned;
use crate::geometry::{Direction, Matrix3, Point, Vector, math};

/// No place may lie further off than this, mm.
const SAME_MM: f64 = 1e-6;
/// Directions nearer than this, rad, are one: a nanometre over a metre.
const SAME_RAD: f64 = 1e-9;
/// Normals of B-splines, whose control points are rounded to the digits of the file, nearer than this, rad, are one.
const SAME_NORMAL_RAD: f64 = 1e-6;
/// Normals must turn by this at least, rad, that an axis be told from them.
const LEAST_TURN_RAD: f64 = 0.02;
/// Places in each direction at most; surfaces of more pieces than that are left as they are.
const MOST_PLACES: usize = 200;
/// A surface smaller than this, mm, or rounder than that has no kind that could be told.
const SMALLEST_MM: f64 = 1e-3;
const LARGEST_RADIUS_MM: f64 = 1e5;

/// The plain surface that has all places of this one, and whether its normal points against this one's.
pub(super) fn plain(surface: &Surface) -> Option<(Surface, bool)> {
    let (same, places) = match surface {
        Surface::Revolution(turned) => match &turned.curve {
            Curve::Line { origin, along } => turned_line(turned, origin, along)?,
            Curve::Circle { axes, radius } => turned_circle(turned, axes, *radius)?,
            Curve::BSpline { spline, .. } => {
                let us: Vec<f64> = (0..12).map(|i| 0.1 + 0.5 * f64::from(i)).collect();
                sampled(surface, &us, &places_of(&spline.knots)?)?
            }
            _ => return None,
        },
        Surface::Extrusion { curve, along } => match curve {
            Curve::Line { origin, along: line } => {
                let z = Direction::new(line.vector().cross(along)).filter(|_| off(&line.vector(), along))?;
                let axes = Axes::new(*origin, z, Some(*line));
                (Surface::Plane { axes }, grid(&[-10.0, 0.0, 10.0], &[-10.0, 0.0, 10.0]))
            }
            Curve::Circle { axes, radius } => {
                let same = Surface::Cylinder { axes: *axes, radius: *radius };
                (!off(&axes.z, along))
                    .then_some((same, grid(&[0.0, 1.0, 2.0, 3.0, 5.0], &[-10.0, 0.0, 10.0])))?
            }
            Curve::BSpline { spline, .. } => {
                sampled(surface, &places_of(&spline.knots)?, &[-1.0, 0.0, 1.0, 2.0])?
            }
            _ => return None,
        },
        Surface::Spline(s) => sampled(surface, &places_of(&s.surface.u)?, &places_of(&s.surface.v)?)?,
        _ => return None,
    };
    let against = sense(&same, surface, &places)?;
    Some((same, against))
}

/// Whether two directions differ.
fn off(a: &Vector, b: &Vector) -> bool {
    a.cross(b).norm() > SAME_RAD * b.norm()
}

/// The normal where both derivatives have a length: at a pole rounding leaves one of some 1e-15, in any direction.
fn normal(jet: &Jet) -> Option<Direction> {
    let cross = jet.u.cross(&jet.v);
    let longest = jet.u.norm() + jet.v.norm();
    Direction::new(cross).filter(|_| cross.norm() > 1e-9 * longest * longest)
}

fn grid(us: &[f64], vs: &[f64]) -> Vec<(f64, f64)> {
    us.iter().flat_map(|u| vs.iter().map(move |v| (*u, *v))).collect()
}

/// Parameters in each piece between knots, and both ends.
fn places_of(knots: &Knots) -> Option<Vec<f64>> {
    let breaks = knots.breaks();
    let each = (knots.degree + 2).max(4);
    if (breaks.len() - 1) * each > MOST_PLACES {
        return None;
    }
    let mut places = vec![breaks[0]];
    for w in breaks.windows(2) {
        places.extend((0..each).map(|i| w[0] + (w[1] - w[0]) * ((i as f64 + 0.5) / each as f64)));
    }
    places.extend(breaks.last());
    Some(places)
}

type Proposed = (Surface, Vec<(f64, f64)>);

/// A line turned: a cylinder, a plane, a cone; a hyperboloid where it passes the axis by.
fn turned_line(turned: &Turned, origin: &Point, along: &Direction) -> Option<Proposed> {
    let axes = &turned.axes;
    let (o, d) = (axes.local(origin), along.vector());
    let d = Vector::new(d.dot(&axes.x), d.dot(&axes.y), d.dot(&axes.z));
    let (radius, across) = ((o.x * o.x + o.y * o.y).sqrt(), (d.x * d.x + d.y * d.y).sqrt());
    if across < SAME_RAD {
        let same = Surface::Cylinder { axes: *axes, radius };
        return (radius > CLOSED_MM).then_some((same, grid(&[0.0, 1.0, 3.0, 5.0], &[-10.0, 0.0, 10.0])));
    }
    // Nearest to the axis; from there the line is in use on the side of `on`.
    let foot = -(o.x * d.x + o.y * d.y) / (across * across);
    let span = turned.on - foot;
    let places = grid(&[0.0, 1.0, 3.0, 5.0], &[0.5, 1.0, 2.0].map(|f| foot + f * span));
    if d.z.abs() < SAME_RAD {
        let axes = Axes { origin: axes.origin + axes.z * o.z, ..*axes };
        return Some((Surface::Plane { axes }, places));
    }
    if ((o.x * d.y - o.y * d.x) / across).abs() > 0.1 * SAME_MM {
        return None;
    }
    // From the tip to where it is in use.
    let z = Direction::new(if d.z * span > 0.0 { axes.z } else { -axes.z })?;
    let tip = axes.origin + axes.z * (o.z + d.z * foot);
    let half_angle = math::atan2(across, d.z.abs());
    Some((Surface::Cone { axes: Axes::new(tip, z, None), radius: 0.0, half_angle }, places))
}

/// A circle in a plane through the axis, turned: a sphere or a torus. One that meets the axis off its middle is neither.
fn turned_circle(turned: &Turned, circle: &Axes, radius: f64) -> Option<Proposed> {
    let axes = &turned.axes;
    let middle = axes.local(&circle.origin);
    let upright = circle.z.dot(&axes.z).abs() < SAME_RAD;
    if !upright || (axes.origin - circle.origin).dot(&circle.z).abs() > 0.1 * SAME_MM {
        return None;
    }
    let (a, b) = turned.range?;
    let places = grid(&[0.0, 1.0, 3.0, 5.0], &[0.1, 0.3, 0.5, 0.7, 0.9].map(|f| a + (b - a) * f));
    let at = Axes { origin: axes.origin + axes.z * middle.z, ..*axes };
    let major = (middle.x * middle.x + middle.y * middle.y).sqrt();
    if major < 0.1 * SAME_MM {
        return Some((Surface::Sphere { axes: at, radius }, places));
    }
    (major > radius + CLOSED_MM).then_some((Surface::Torus { axes: at, major, minor: radius }, places))
}

/// What the normals at some of the places tell.
fn sampled(surface: &Surface, us: &[f64], vs: &[f64]) -> Option<Proposed> {
    let few = |all: &[f64]| -> Vec<f64> {
        let step = (all.len() / 7).max(1);
        all.iter().skip(1).step_by(step).copied().collect()
    };
    let mut seen: Vec<(Point, Vector)> = Vec::new();
    for (u, v) in grid(&few(us), &few(vs)) {
        let jet = surface.jet(u, v);
        seen.extend(normal(&jet).map(|n| (jet.p, n.vector())));
    }
    let same = proposed(&seen)?;
    let near = |p: &Point| same.distance(p).is_some_and(|far| far <= SAME_MM);
    seen.iter().all(|(p, _)| near(p)).then(|| (same, grid(us, vs)))
}

/// The first of a plane, a cylinder, a sphere and a cone that these normals are those of.
fn proposed(seen: &[(Point, Vector)]) -> Option<Surface> {
    let &(p0, n0) = seen.first()?;
    let furthest = |value: &dyn Fn(&(Point, Vector)) -> f64| {
        let mut best = (0.0, (p0, n0));
        for s in seen {
            let value = value(s);
            if value > best.0 {
                best = (value, *s);
            }
        }
        best
    };
    if furthest(&|s| (s.0 - p0).norm()).0 < SMALLEST_MM {
        return None;
    }
    let (turn, (p1, n1)) = furthest(&|s| n0.cross(&s.1).norm());
    if turn < SAME_NORMAL_RAD {
        return Some(Surface::Plane { axes: Axes::new(p0, Direction::new(n0)?, None) });
    }
    if turn < LEAST_TURN_RAD {
        return None;
    }
    let cross = n0.cross(&n1);
    let axis = Direction::new(cross)?;
    // Where the normal at the one place comes nearest to that at the other.
    let along = (p1 - p0).cross(&n1).dot(&cross) / cross.norm_squared();
    let (middle, radius) = (p0 + n0 * along, along.abs());
    let round = (SMALLEST_MM..LARGEST_RADIUS_MM).contains(&radius);
    if round && seen.iter().all(|s| s.1.dot(&axis.vector()).abs() < SAME_NORMAL_RAD) {
        return Some(Surface::Cylinder { axes: Axes::new(middle, axis, None), radius });
    }
    if round && seen.iter().all(|s| ((s.0 - middle).norm() - radius).abs() < SAME_MM) {
        return Some(Surface::Sphere { axes: Axes::new(middle, Direction::Z, None), radius });
    }
    // The normals of a cone have one slope to its axis: their ends lie on a circle about it.
    let (wide, (p2, n2)) = furthest(&|s| (n1 - n0).cross(&(s.1 - n0)).norm());
    if wide < LEAST_TURN_RAD * LEAST_TURN_RAD {
        return None;
    }
    let axis = Direction::new((n1 - n0).cross(&(n2 - n0)))?;
    let slope = n0.dot(&axis.vector());
    if !seen.iter().all(|s| (s.1.dot(&axis.vector()) - slope).abs() < SAME_NORMAL_RAD) {
        return None;
    }
    // All tangent planes meet in its tip.
    let rows = Matrix3::from_rows(&[n0.transpose(), n1.transpose(), n2.transpose()]);
    let heights = Vector::new(n0.dot(&p0.coords), n1.dot(&p1.coords), n2.dot(&p2.coords));
    let tip = Point::from(rows.try_inverse()? * heights);
    let axis = if (p0 - tip).dot(&axis.vector()) < 0.0 { axis.reversed() } else { axis };
    let half_angle = math::atan2(slope.abs(), (1.0 - slope * slope).max(0.0).sqrt());
    let sound = half_angle > SAME_NORMAL_RAD && (tip - p0).norm() < LARGEST_RADIUS_MM;
    sound.then(|| Surface::Cone { axes: Axes::new(tip, axis, None), radius: 0.0, half_angle })
}

/// Whether the normals of `same` point against those of `surface`; `None` unless all places of `surface` lie on it and
/// all its normals agree.
fn sense(same: &Surface, surface: &Surface, places: &[(f64, f64)]) -> Option<bool> {
    let mut against = None;
    for (u, v) in places {
        let jet = surface.jet(*u, *v);
        if !(same.distance(&jet.p)? <= SAME_MM) {
            return None;
        }
        // At tips and poles there is no normal.
        let Some(own) = normal(&jet) else { continue };
        let (u, v) = same.parameters_of(&jet.p, None)?;
        let Some(other) = same.normal(u, v) else { continue };
        let agree = own.vector().dot(&other.vector());
        if agree.abs() < 0.99 || *against.get_or_insert(agree < 0.0) != (agree < 0.0) {
            return None;
        }
    }
    against
}
