//! Surfaces of revolution: a profile turned about an axis (ISO 10303-42, from memory).

use std::f64::consts::FRAC_PI_2;

use super::bspline::Jet;
use super::curves::{Axes, CLOSED_MM, Curve, turn};
use super::nearest::{Offset, descend, nearest, nearest_from};
use super::surfaces::{ON_MM, Pole};
use crate::geometry::{Point, Vector, math};

/// A profile (v) and the axis about which it is turned (u).
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Turned {
    pub curve: Curve,
    pub axes: Axes,
    /// What of the profile is turned; `None` for one without ends. Of a closed one that meets the axis twice it is one
    /// half: the other sweeps the same places with its normal turned.
    pub range: Option<(f64, f64)>,
    /// A parameter of the profile that is in use, off the axis.
    pub on: f64,
    /// Where the profile meets the axis, within the range.
    crossings: Vec<f64>,
}

/// Nearer to the axis than this, mm, a profile's distance from it has no slope that could be divided by it.
const ON_AXIS_MM: f64 = 1e-9;

impl Turned {
    /// `on` is a parameter of the profile that is in use; without one, that where it begins, or a little further where
    /// that is on the axis.
    pub(super) fn new(curve: Curve, axes: Axes, on: Option<f64>) -> Self {
        let mut turned = Self { range: curve.domain(), curve, axes, on: 0.0, crossings: Vec::new() };
        turned.crossings = turned.find_crossings();
        let begin = turned.range.map_or(0.0, |r| r.0);
        let further = match (&turned.curve, turned.range) {
            (Curve::Circle { .. } | Curve::Ellipse { .. }, _) => FRAC_PI_2,
            (_, Some((a, b))) => a + 0.5 * (b - a),
            (_, None) => 1.0,
        };
        let off = |t: &f64| turned.about_axis(*t).0.norm() > CLOSED_MM;
        let on = on.filter(off).unwrap_or(if off(&begin) { begin } else { further });
        turned.on = on;
        if let (Some(period), &[first, second]) = (turned.curve.period(), &turned.crossings[..]) {
            let whole = turned.curve.within(on);
            let half =
                if (first..=second).contains(&whole) { (first, second) } else { (second, first + period) };
            turned.range = Some(half);
            turned.crossings = vec![half.0, half.1];
            turned.on = if whole < half.0 { whole + period } else { whole };
        }
        turned
    }

    /// The profile's place, across the axis, with both derivatives.
    fn about_axis(&self, t: f64) -> Offset {
        let across = |w: Vector| Vector::new(w.dot(&self.axes.x), w.dot(&self.axes.y), 0.0);
        let (q, d, dd) = self.curve.at(t);
        (across(q - self.axes.origin), across(d), across(dd))
    }

    /// Parameters where the profile meets the axis, ascending; of a closed one each once.
    fn find_crossings(&self) -> Vec<f64> {
        let at = |t: f64| self.about_axis(t);
        let on_axis = |t: f64| at(t).0.norm() < CLOSED_MM;
        if let Curve::Line { .. } = self.curve {
            let (q, d, _) = at(0.0);
            let t = -q.dot(&d) / d.norm_squared();
            return if t.is_finite() && on_axis(t) { vec![t] } else { Vec::new() };
        }
        let Some((a, b)) = self.range else {
            // A parabola or hyperbola that is a profile has its vertex on the axis, or meets it near that.
            let t = nearest((-8.0, 8.0), 64, &at);
            return if on_axis(t) { vec![t] } else { Vec::new() };
        };
        let samples = self.curve.samples().max(32);
        let place = |i: usize| a + (b - a) * (i as f64 / samples as f64);
        let heights: Vec<f64> = (0..=samples).map(|i| at(place(i)).0.norm_squared()).collect();
        let mut found: Vec<f64> = Vec::new();
        for i in 0..=samples {
            let valley =
                (i == 0 || heights[i] <= heights[i - 1]) && (i == samples || heights[i] <= heights[i + 1]);
            if valley {
                let t = descend((place(i.saturating_sub(1)), place((i + 1).min(samples))), place(i), &at);
                // Two neighbours may lead to one crossing between them.
                let one = |o: &f64| (o - t).abs() < 0.5 * (b - a) / samples as f64;
                if on_axis(t) && !found.iter().any(one) {
                    found.push(t);
                }
            }
        }
        found.sort_by(f64::total_cmp);
        let again = |f: &[f64]| f.len() > 1 && f[f.len() - 1] - f[0] > (b - a) * (1.0 - 1e-6);
        if self.curve.period().is_some() && again(&found) {
            found.pop();
        }
        found
    }

    pub(super) fn jet(&self, u: f64, v: f64) -> Jet {
        let axes = &self.axes;
        let (p, d, dd) = self.curve.at(v);
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

    /// After how much of v the surface begins again.
    pub(super) fn period(&self) -> Option<f64> {
        self.curve.period().filter(|_| self.range == self.curve.domain())
    }

    pub(super) fn poles(&self) -> Vec<Pole> {
        self.crossings.iter().map(|&t| Pole { place: self.curve.at(t).0, free: 0, other: t }).collect()
    }

    /// Distance from the axis with its first and second derivative. Where the profile meets the axis it falls to nothing
    /// and rises again: there the slope is that on the side that belongs to the surface.
    fn radius(&self, t: f64) -> (f64, f64, f64) {
        let (q, d, dd) = self.about_axis(t);
        let r = q.norm();
        if r > ON_AXIS_MM {
            let r1 = q.dot(&d) / r;
            return (r, r1, (d.norm_squared() + q.dot(&dd) - r1 * r1) / r);
        }
        let slope = d.norm();
        let ends = match self.range {
            Some((a, b)) => t - a > b - t,
            None => self.on < t,
        };
        let side = if ends { -1.0 } else { 1.0 };
        (r, side * slope, if slope > 0.0 { side * d.dot(&dd) / slope } else { dd.norm() })
    }

    /// The parameters of the place nearest to `p`; with `near` of that to which a search from there leads, if that is a
    /// good one.
    pub(super) fn parameters_of(&self, p: &Point, near: Option<(f64, f64)>) -> Option<(f64, f64)> {
        let to = self.axes.local(p);
        let rho = (to.x * to.x + to.y * to.y).sqrt();
        let offset = |t: f64| -> Offset {
            let (q, d, dd) = self.curve.at(t);
            let (r, r1, r2) = self.radius(t);
            let z = &self.axes.z;
            let height = (q - self.axes.origin).dot(z);
            (
                Vector::new(r - rho, height - to.z, 0.0),
                Vector::new(r1, d.dot(z), 0.0),
                Vector::new(r2, dd.dot(z), 0.0),
            )
        };
        let v = match self.range {
            Some(range) => {
                let start = near.map(|(_, v)| if self.period().is_some() { self.curve.within(v) } else { v });
                nearest_from(range, self.curve.samples(), start, ON_MM, &offset)
            }
            None => {
                // About the height asked for; further along the profile all is further away.
                let size = (p - self.curve.at(0.0).0).norm() + rho + 1.0;
                let range = match &self.curve {
                    Curve::Line { origin, along } => {
                        let middle = (p - origin).dot(&along.vector());
                        (middle - 2.0 * size, middle + 2.0 * size)
                    }
                    Curve::Parabola { focal, .. } => {
                        let most = (2.0 * size / focal).sqrt() + 1.0;
                        (-most, most)
                    }
                    Curve::Hyperbola { half, .. } => {
                        let most = math::ln(2.0 * size / half[0].min(half[1]) + 2.0) + 1.0;
                        (-most, most)
                    }
                    _ => return None,
                };
                // Beyond its vertex on the axis a parabola sweeps the same places again.
                let range = match (&self.curve, self.crossings.first()) {
                    (Curve::Line { .. }, _) | (_, None) => range,
                    (_, Some(&tip)) if self.on > tip => (tip, range.1.max(tip + 1.0)),
                    (_, Some(&tip)) => (range.0.min(tip - 1.0), tip),
                };
                nearest(range, 64, &offset)
            }
        };
        let q = self.axes.local(&self.curve.at(v).0);
        let found = (turn(to.y, to.x) - turn(q.y, q.x), v);
        (found.0.is_finite() && found.1.is_finite()).then_some(found)
    }
}
