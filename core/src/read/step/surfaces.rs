//! Surfaces that carry faces: ISO 10303-42 (from memory). Lengths mm, angles rad.

use std::f64::consts::{PI, TAU};

use super::bspline::{BSplineSurface, Jet};
use super::curves::{Axes, CLOSED_MM, Curve, turn};
use super::nearest::{nearest, nearest_from};
use crate::geometry::{Direction, Point, Vector, math};

/// A surface and its two parameters as ISO 10303-42 has them.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Surface {
    Plane {
        axes: Axes,
    },
    Cylinder {
        axes: Axes,
        radius: f64,
    },
    /// Radius at the origin; it grows along z by the tangent of the half angle.
    Cone {
        axes: Axes,
        radius: f64,
        half_angle: f64,
    },
    Sphere {
        axes: Axes,
        radius: f64,
    },
    Torus {
        axes: Axes,
        major: f64,
        minor: f64,
    },
    Spline(Box<Spline>),
    /// A curve (u) moved along a vector (v).
    Extrusion {
        curve: Curve,
        along: Vector,
    },
    /// A curve (v) turned about an axis (u).
    Revolution {
        curve: Curve,
        axes: Axes,
    },
}

/// A B-spline surface with what is asked of it often.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Spline {
    pub surface: BSplineSurface,
    pub closed: [bool; 2],
    /// Places to begin the search for a nearest one.
    seeds: Vec<(f64, f64, Point)>,
}

/// A side of the parameters that is one place: there one parameter is free.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Pole {
    pub place: Point,
    /// 0 where u is free, 1 where v is.
    pub free: usize,
    /// The other parameter.
    pub other: f64,
}

impl Spline {
    pub(super) fn new(surface: BSplineSurface) -> Self {
        let ((u0, u1), (v0, v1)) = (surface.u.domain(), surface.v.domain());
        let mut gaps = [0.0_f64; 2];
        for i in 0..=8 {
            let f = f64::from(i) / 8.0;
            let (u, v) = (u0 + (u1 - u0) * f, v0 + (v1 - v0) * f);
            gaps[0] = gaps[0].max((surface.at(u0, v).p - surface.at(u1, v).p).norm());
            gaps[1] = gaps[1].max((surface.at(u, v0).p - surface.at(u, v1).p).norm());
        }
        let grid = |knots: &super::bspline::Knots| {
            let breaks = knots.breaks();
            // Enough that each valley of a distance has a seed; at most 60 each way.
            let each = (knots.degree + 1).min(60 / breaks.len().max(1)).max(1);
            let mut at = Vec::new();
            for w in breaks.windows(2) {
                at.extend((0..each).map(|k| w[0] + (w[1] - w[0]) * (k as f64 / each as f64)));
            }
            at.extend(breaks.last());
            at
        };
        let mut seeds = Vec::new();
        for u in grid(&surface.u) {
            for v in grid(&surface.v) {
                seeds.push((u, v, surface.at(u, v).p));
            }
        }
        let closed = gaps.map(|g| g < CLOSED_MM);
        Self { surface, closed, seeds }
    }

    fn domains(&self) -> [(f64, f64); 2] {
        [self.surface.u.domain(), self.surface.v.domain()]
    }
}

/// A place this near to the surface, mm, is on it, and the search that led there is done.
const ON_MM: f64 = 1e-5;

fn wrapped(t: f64, (a, b): (f64, f64), closed: bool) -> f64 {
    if !closed || (a..=b).contains(&t) {
        return t;
    }
    (t - ((t - a) / (b - a)).floor() * (b - a)).clamp(a, b)
}

impl Surface {
    /// Place and derivatives.
    pub(super) fn jet(&self, u: f64, v: f64) -> Jet {
        let zero = Vector::zeros();
        match self {
            Self::Plane { axes } => Jet {
                p: axes.origin + axes.x * u + axes.y * v,
                u: axes.x,
                v: axes.y,
                uu: zero,
                uv: zero,
                vv: zero,
            },
            Self::Cylinder { axes, radius } => {
                let (out, along) = ring(axes, u);
                Jet {
                    p: axes.origin + out * *radius + axes.z * v,
                    u: along * *radius,
                    v: axes.z,
                    uu: out * -radius,
                    uv: zero,
                    vv: zero,
                }
            }
            Self::Cone { axes, radius, half_angle } => {
                let (out, along) = ring(axes, u);
                let slope = math::tan(*half_angle);
                let r = radius + v * slope;
                Jet {
                    p: axes.origin + out * r + axes.z * v,
                    u: along * r,
                    v: out * slope + axes.z,
                    uu: out * -r,
                    uv: along * slope,
                    vv: zero,
                }
            }
            Self::Sphere { axes, radius } => tube(axes, 0.0, *radius, u, v),
            Self::Torus { axes, major, minor } => tube(axes, *major, *minor, u, v),
            Self::Spline(s) => {
                let [du, dv] = s.domains();
                s.surface.at(wrapped(u, du, s.closed[0]), wrapped(v, dv, s.closed[1]))
            }
            Self::Extrusion { curve, along } => {
                let (p, d, dd) = curve.at(u);
                Jet { p: p + along * v, u: d, v: *along, uu: dd, uv: zero, vv: zero }
            }
            Self::Revolution { curve, axes } => {
                let (p, d, dd) = curve.at(v);
                let (c, s) = (math::cos(u), math::sin(u));
                let round = |w: &Vector| {
                    let along = axes.z * axes.z.dot(w);
                    let (x, y) = (w - along, axes.z.cross(w));
                    (along + x * c + y * s, y * c - x * s, -(x * c + y * s))
                };
                let (q, qu, quu) = round(&(p - axes.origin));
                let (w, wu, _) = round(&d);
                Jet { p: axes.origin + q, u: qu, v: w, uu: quu, uv: wu, vv: round(&dd).0 }
            }
        }
    }

    /// After how much of each parameter the surface begins again.
    pub(super) fn periods(&self) -> [Option<f64>; 2] {
        match self {
            Self::Plane { .. } => [None, None],
            Self::Cylinder { .. } | Self::Cone { .. } | Self::Sphere { .. } => [Some(TAU), None],
            Self::Torus { .. } => [Some(TAU), Some(TAU)],
            Self::Spline(s) => {
                let [(u0, u1), (v0, v1)] = s.domains();
                [s.closed[0].then_some(u1 - u0), s.closed[1].then_some(v1 - v0)]
            }
            Self::Extrusion { curve, .. } => [curve.period(), None],
            Self::Revolution { curve, .. } => [Some(TAU), curve.period()],
        }
    }

    /// Places where one parameter is free. Of a sphere they follow from its own axes.
    pub(super) fn poles(&self) -> Vec<Pole> {
        let mut poles = Vec::new();
        match self {
            Self::Cone { axes, radius, half_angle } => {
                let other = -radius / math::tan(*half_angle);
                poles.push(Pole { place: axes.origin + axes.z * other, free: 0, other });
            }
            Self::Sphere { axes, radius } => {
                for side in [-0.5, 0.5] {
                    let place = axes.origin + axes.z * (2.0 * side * radius);
                    poles.push(Pole { place, free: 0, other: side * PI });
                }
            }
            Self::Spline(s) => {
                let [(u0, u1), (v0, v1)] = s.domains();
                let one_place = |at: &dyn Fn(f64) -> Point| {
                    let first = at(0.0);
                    (1..=8).all(|i| (at(f64::from(i) / 8.0) - first).norm() < CLOSED_MM).then_some(first)
                };
                for other in [v0, v1] {
                    if let Some(place) = one_place(&|f| s.surface.at(u0 + (u1 - u0) * f, other).p) {
                        poles.push(Pole { place, free: 0, other });
                    }
                }
                for other in [u0, u1] {
                    if let Some(place) = one_place(&|f| s.surface.at(other, v0 + (v1 - v0) * f).p) {
                        poles.push(Pole { place, free: 1, other });
                    }
                }
            }
            Self::Revolution { curve, axes } => {
                let ends = curve.domain().filter(|_| curve.period().is_none());
                for other in ends.into_iter().flat_map(|(a, b)| [a, b]) {
                    let place = curve.at(other).0;
                    let d = axes.local(&place);
                    if (d.x * d.x + d.y * d.y).sqrt() < CLOSED_MM {
                        poles.push(Pole { place, free: 0, other });
                    }
                }
            }
            Self::Plane { .. } | Self::Cylinder { .. } | Self::Torus { .. } | Self::Extrusion { .. } => {}
        }
        poles
    }

    /// The parameters of the place on the surface nearest to `p`; with `near`, of the one that a search
    /// from there leads to, if that is a good one. `None` where nothing sensible was found.
    pub(super) fn parameters_of(&self, p: &Point, near: Option<(f64, f64)>) -> Option<(f64, f64)> {
        let found = match self {
            Self::Plane { axes } => {
                let d = axes.local(p);
                (d.x, d.y)
            }
            Self::Cylinder { axes, .. } => {
                let d = axes.local(p);
                (turn(d.y, d.x), d.z)
            }
            Self::Cone { axes, radius, half_angle } => {
                let d = axes.local(p);
                let (c, s) = (math::cos(*half_angle), math::sin(*half_angle));
                let foot = |rho: f64| {
                    // Along the ruling through the origin's circle: (radius + w s, w c).
                    let w = (rho - radius) * s + d.z * c;
                    (w * c, ((rho - radius) * c - d.z * s).abs())
                };
                // The other nappe, beyond the apex, only where it is nearer.
                let rho = (d.x * d.x + d.y * d.y).sqrt();
                let ((v, far), (v2, far2)) = (foot(rho), foot(-rho));
                if far <= far2 { (turn(d.y, d.x), v) } else { (turn(-d.y, -d.x), v2) }
            }
            Self::Sphere { axes, .. } => {
                let d = axes.local(p);
                (turn(d.y, d.x), math::atan2(d.z, (d.x * d.x + d.y * d.y).sqrt()))
            }
            Self::Torus { axes, major, .. } => {
                let d = axes.local(p);
                (turn(d.y, d.x), turn(d.z, (d.x * d.x + d.y * d.y).sqrt() - major))
            }
            Self::Spline(s) => return s.parameters_of(p, near),
            Self::Extrusion { curve, along } => {
                let unit = Direction::new(*along)?.vector();
                let across = |w: Vector| w - unit * unit.dot(&w);
                let u = match curve {
                    Curve::Line { origin, along } => {
                        let d = across(along.vector());
                        across(p - origin).dot(&d) / d.norm_squared()
                    }
                    _ => {
                        let range = curve.domain()?;
                        let start = near.map(|(u, _)| curve.within(u));
                        nearest_from(range, curve.samples(), start, ON_MM, &|t| {
                            let (q, d, dd) = curve.at(t);
                            (across(q - p), across(d), across(dd))
                        })
                    }
                };
                (u, (p - curve.at(u).0).dot(&unit) / along.norm())
            }
            Self::Revolution { curve, axes } => {
                let to = axes.local(p);
                let rho = (to.x * to.x + to.y * to.y).sqrt();
                let offset = |t: f64, side: f64| {
                    let (q, d, dd) = curve.at(t);
                    let q = axes.local(&q);
                    let (d, dd) = (
                        Vector::new(d.dot(&axes.x), d.dot(&axes.y), d.dot(&axes.z)),
                        Vector::new(dd.dot(&axes.x), dd.dot(&axes.y), dd.dot(&axes.z)),
                    );
                    let r = (q.x * q.x + q.y * q.y).sqrt().max(1e-12);
                    let r1 = (q.x * d.x + q.y * d.y) / r;
                    let r2 = (d.x * d.x + d.y * d.y + q.x * dd.x + q.y * dd.y - r1 * r1) / r;
                    (
                        Vector::new(r - side * rho, q.z - to.z, 0.0),
                        Vector::new(r1, d.z, 0.0),
                        Vector::new(r2, dd.z, 0.0),
                    )
                };
                let v = match curve.domain() {
                    Some(range) => {
                        let start = near.map(|(_, v)| curve.within(v));
                        nearest_from(range, curve.samples(), start, ON_MM, &|t| offset(t, 1.0))
                    }
                    None => {
                        // A line: its distance from the axis has one valley; look about the height asked for.
                        let Curve::Line { origin, along } = curve else { return None };
                        let size = (p - origin).norm() + rho + 1.0;
                        let middle = (p - origin).dot(&along.vector());
                        nearest((middle - 2.0 * size, middle + 2.0 * size), 64, &|t| offset(t, 1.0))
                    }
                };
                let q = axes.local(&curve.at(v).0);
                (turn(to.y, to.x) - turn(q.y, q.x), v)
            }
        };
        (found.0.is_finite() && found.1.is_finite()).then_some(found)
    }

    /// Unit normal, u cross v; `None` at a pole.
    pub(super) fn normal(&self, u: f64, v: f64) -> Option<Direction> {
        let jet = self.jet(u, v);
        Direction::new(jet.u.cross(&jet.v))
    }

    /// Distance from the surface where that is a closed form, never negative.
    pub(super) fn distance(&self, p: &Point) -> Option<f64> {
        match self {
            Self::Plane { axes } => Some(axes.local(p).z.abs()),
            Self::Cylinder { axes, radius } => {
                let d = axes.local(p);
                Some(((d.x * d.x + d.y * d.y).sqrt() - radius).abs())
            }
            Self::Cone { axes, radius, half_angle } => {
                let d = axes.local(p);
                let rho = (d.x * d.x + d.y * d.y).sqrt();
                let (c, s) = (math::cos(*half_angle), math::sin(*half_angle));
                let far = |rho: f64| ((rho - radius) * c - d.z * s).abs();
                Some(far(rho).min(far(-rho)))
            }
            Self::Sphere { axes, radius } => Some((axes.local(p).norm() - radius).abs()),
            Self::Torus { axes, major, minor } => {
                let d = axes.local(p);
                let r = (d.x * d.x + d.y * d.y).sqrt() - major;
                Some(((r * r + d.z * d.z).sqrt() - minor).abs())
            }
            Self::Spline(_) | Self::Extrusion { .. } | Self::Revolution { .. } => None,
        }
    }
}

/// Outward and along a circle about z.
fn ring(axes: &Axes, u: f64) -> (Vector, Vector) {
    let (c, s) = (math::cos(u), math::sin(u));
    (axes.x * c + axes.y * s, axes.y * c - axes.x * s)
}

/// A circle of radius `minor` about a circle of radius `major`; a sphere where that is zero.
fn tube(axes: &Axes, major: f64, minor: f64, u: f64, v: f64) -> Jet {
    let (out, along) = ring(axes, u);
    let (c, s) = (math::cos(v), math::sin(v));
    let r = major + minor * c;
    Jet {
        p: axes.origin + out * r + axes.z * (minor * s),
        u: along * r,
        v: out * (-minor * s) + axes.z * (minor * c),
        uu: out * -r,
        uv: along * (-minor * s),
        vv: out * (-minor * c) + axes.z * (-minor * s),
    }
}

impl Spline {
    fn parameters_of(&self, p: &Point, near: Option<(f64, f64)>) -> Option<(f64, f64)> {
        // From a good seed a place on the surface is found to rounding; else look everywhere.
        let mut best: Option<(f64, (f64, f64))> = None;
        if let Some(near) = near {
            let (far, found) = self.descend(p, near);
            if far < ON_MM {
                return Some(found);
            }
            best = Some((far, found));
        }
        let mut order: Vec<(f64, usize)> =
            self.seeds.iter().enumerate().map(|(i, s)| ((s.2 - p).norm_squared(), i)).collect();
        let take = 4.min(order.len());
        let by_distance = |a: &(f64, usize), b: &(f64, usize)| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1));
        if take > 0 && take < order.len() {
            order.select_nth_unstable_by(take, by_distance);
        }
        order.truncate(take);
        order.sort_by(by_distance);
        for (_, i) in order {
            let (u, v, _) = self.seeds[i];
            let (far, found) = self.descend(p, (u, v));
            if best.is_none_or(|(b, _)| far < b) {
                best = Some((far, found));
            }
            if far < 1e-7 {
                break;
            }
        }
        best.filter(|(far, _)| far.is_finite()).map(|(_, found)| found)
    }

    /// The parameters of the seed that lies nearest to a place, the first of equals; `None` for a place that is none.
    pub(super) fn beside(&self, p: &Point) -> Option<(f64, f64)> {
        let mut best = (f64::INFINITY, None);
        for (u, v, seed) in &self.seeds {
            let far = (seed - p).norm_squared();
            if far < best.0 {
                best = (far, Some((*u, *v)));
            }
        }
        best.1
    }

    /// Newton's method on the squared distance in two parameters, Gauss-Newton where its matrix is not
    /// positive, halved steps, a parameter at its bound held there while it pushes outwards. Common practice,
    /// no source. Answers the distance and the parameters.
    pub(super) fn descend(&self, p: &Point, start: (f64, f64)) -> (f64, (f64, f64)) {
        let domains = self.domains();
        let bring = |u: f64, v: f64| {
            let one = |t: f64, d: (f64, f64), closed: bool| wrapped(t, d, closed).clamp(d.0, d.1);
            (one(u, domains[0], self.closed[0]), one(v, domains[1], self.closed[1]))
        };
        let (mut u, mut v) = bring(start.0, start.1);
        let mut jet = self.surface.at(u, v);
        let mut far = (jet.p - p).norm();
        for _ in 0..50 {
            let d = jet.p - p;
            let (gu, gv) = (d.dot(&jet.u), d.dot(&jet.v));
            let (euu, euv, evv) = (jet.u.norm_squared(), jet.u.dot(&jet.v), jet.v.norm_squared());
            let full = (euu + d.dot(&jet.uu), euv + d.dot(&jet.uv), evv + d.dot(&jet.vv));
            let positive =
                full.0 > 0.1 * euu && full.2 > 0.1 * evv && full.0 * full.2 - full.1 * full.1 > 0.0;
            let (a, b, c) = if positive { full } else { (euu, euv, evv) };
            let held = |t: f64, (low, high): (f64, f64), closed: bool, slope: f64| {
                !closed && ((t <= low && slope > 0.0) || (t >= high && slope < 0.0))
            };
            let hu = held(u, domains[0], self.closed[0], gu);
            let hv = held(v, domains[1], self.closed[1], gv);
            let det = a * c - b * b;
            let (mut su, mut sv) = match (hu, hv) {
                (true, true) => break,
                (true, false) if c > 0.0 => (0.0, -gv / c),
                (false, true) if a > 0.0 => (-gu / a, 0.0),
                (false, false) if det > 1e-14 * a * c => ((b * gv - c * gu) / det, (b * gu - a * gv) / det),
                // At a pole one direction is without length: move along the other.
                (false, false) if a >= c && a > 0.0 => (-gu / a, 0.0),
                (false, false) if c > 0.0 => (0.0, -gv / c),
                _ => break,
            };
            // A decrease that rounding would hide is none.
            if !(-(gu * su + gv * sv) > 1e-16 * far * far) {
                break;
            }
            let mut moved = false;
            for _ in 0..16 {
                let next = bring(u + su, v + sv);
                let there = self.surface.at(next.0, next.1);
                let distance = (there.p - p).norm();
                if distance < far {
                    ((u, v), jet) = (next, there);
                    moved = far - distance > 1e-15 * far;
                    far = distance;
                    break;
                }
                su *= 0.5;
                sv *= 0.5;
            }
            if !moved || far < 1e-11 {
                break;
            }
        }
        (far, (u, v))
    }
}

#[cfg(test)]
#[path = "surfaces_tests.rs"]
mod tests;
