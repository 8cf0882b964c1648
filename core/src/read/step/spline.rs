//! B-spline surfaces as faces lie on them: whether they close, and the parameters of a place.

use super::bspline::BSplineSurface;
use super::curves::CLOSED_MM;
use super::surfaces::ON_MM;
use crate::geometry::{Aabb, Point, Vector};

/// Seeds along v that share a box.
const RUN: usize = 8;

/// A B-spline surface with what is asked of it often.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Spline {
    pub surface: BSplineSurface,
    pub closed: [bool; 2],
    /// Places to begin the search for a nearest one.
    seeds: Vec<(f64, f64, Point)>,
    /// The boxes about runs of seeds, all of them in turn, and how many are in each.
    runs: Vec<(Aabb, usize)>,
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
        let (mut seeds, mut runs) = (Vec::new(), Vec::new());
        for u in grid(&surface.u) {
            for few in grid(&surface.v).chunks(RUN) {
                let run: Vec<Point> = few.iter().map(|v| surface.at(u, *v).p).collect();
                seeds.extend(few.iter().zip(&run).map(|(v, p)| (u, *v, *p)));
                runs.push((Aabb::of(&run), run.len()));
            }
        }
        let closed = gaps.map(|g| g < CLOSED_MM);
        Self { surface, closed, seeds, runs }
    }

    pub(super) fn domains(&self) -> [(f64, f64); 2] {
        [self.surface.u.domain(), self.surface.v.domain()]
    }
}

/// A parameter brought into the domain of a closed direction.
pub(super) fn wrapped(t: f64, (a, b): (f64, f64), closed: bool) -> f64 {
    if !closed || (a..=b).contains(&t) {
        return t;
    }
    (t - ((t - a) / (b - a)).floor() * (b - a)).clamp(a, b)
}

/// A foot is found where the way to it runs aside by less, mm. Where the distance hardly rises aside of the foot, by a
/// thousandth of what it does on a plane, this is an error of 1e-7 mm of a distance of 1 mm.
const SETTLED_MM: f64 = 1e-5;

/// Smallest eigenvalue that is left to a matrix that was made positive, to the squares of the lengths of its tangents.
pub(super) const FLATTEST: f64 = 1e-3;

/// The symmetric matrix (a, b, c) with its eigenvalues made positive, in parameters that are scaled so that tangents have
/// length one: a step by it goes down also where the distance has a saddle or its curvature is the other way, as near a
/// centre of curvature (Nocedal and Wright, Numerical Optimization, 2nd edition, 2006, section 3.4, from memory). A
/// direction without length has its own entry only.
fn made_positive((a, b, c): (f64, f64, f64), euu: f64, evv: f64) -> (f64, f64, f64) {
    let both = (euu * evv).sqrt();
    if !(both > 0.0) {
        return (a.abs().max(FLATTEST * euu), 0.0, c.abs().max(FLATTEST * evv));
    }
    let (m, n, k) = (a / euu, c / evv, b / both);
    let (mean, reach) = (0.5 * (m + n), (0.25 * (m - n) * (m - n) + k * k).sqrt());
    let of = |eigenvalue: f64| eigenvalue.abs().max(FLATTEST);
    let (high, low) = (of(mean + reach), of(mean - reach));
    // The same axes: a multiple of the matrix and of unity.
    let times = if reach > 1e-12 { 0.5 * (high - low) / reach } else { 0.0 };
    let plus = high - times * (mean + reach);
    ((plus + times * m) * euu, times * k * both, (plus + times * n) * evv)
}

impl Spline {
    /// The parameters of the place nearest to `p`; with `near` of that to which a search from there leads, if that is a
    /// good one.
    pub(super) fn parameters_of(&self, p: &Point, near: Option<(f64, f64)>) -> Option<(f64, f64)> {
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
        let mut rest = self.seeds.as_slice();
        for (bounds, count) in &self.runs {
            let (run, after) = rest.split_at((*count).min(rest.len()));
            rest = after;
            // A little less than the box is away, for rounding.
            if bounds.distance_squared(p) * (1.0 - 1e-12) > best.0 {
                continue;
            }
            for (u, v, seed) in run {
                let far = (seed - p).norm_squared();
                if far < best.0 {
                    best = (far, Some((*u, *v)));
                }
            }
        }
        best.1
    }

    /// Whether the surface's place at `at` is a foot of `p`: the way there is square to the surface, or leads out over a
    /// bound of its parameters.
    pub(super) fn settled(&self, p: &Point, at: (f64, f64)) -> bool {
        let jet = self.surface.at(at.0, at.1);
        let way = p - jet.p;
        let one = |t: f64, (low, high): (f64, f64), closed: bool, along: &Vector| {
            let aside = way.dot(along);
            aside.abs() <= SETTLED_MM * along.norm()
                || (!closed && ((t <= low && aside < 0.0) || (t >= high && aside > 0.0)))
        };
        let domains = self.domains();
        one(at.0, domains[0], self.closed[0], &jet.u) && one(at.1, domains[1], self.closed[1], &jet.v)
    }

    /// Newton's method on the squared distance in two parameters, its matrix made positive where it is not
    /// ([`made_positive`]), halved steps, a parameter at its bound held there while it pushes outwards. Common
    /// practice, no source. Answers the distance and the parameters.
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
            let (euu, evv) = (jet.u.norm_squared(), jet.v.norm_squared());
            let full = (euu + d.dot(&jet.uu), jet.u.dot(&jet.v) + d.dot(&jet.uv), evv + d.dot(&jet.vv));
            let positive =
                full.0 > 0.1 * euu && full.2 > 0.1 * evv && full.0 * full.2 - full.1 * full.1 > 0.0;
            let (a, b, c) = if positive { full } else { made_positive(full, euu, evv) };
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
