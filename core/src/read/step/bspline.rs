//! B-spline curves and surfaces, rational or not, with first and second derivatives.
//!
//! Basis functions and their derivatives by the recurrences of Piegl and Tiller, "The NURBS Book", 2nd ed.,
//! 1997, eq. (2.5) and (2.7) (from memory); rational derivatives by the quotient rule.

use crate::geometry::{Point, Vector};

/// Highest degree that is taken; those in use are 1 to 15.
pub(super) const MAX_DEGREE: usize = 25;

/// Knots of one direction, each as often as it counts.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Knots {
    pub degree: usize,
    knots: Vec<f64>,
}

/// Room for the rows of degrees up to five, which nearly all are of.
const FEW: usize = 7;
/// Room for the rows of all degrees that are taken.
const MANY: usize = MAX_DEGREE + 2;

/// Basis functions that are not zero at a parameter, and their first and second derivatives; there is room for degrees of up
/// to N - 2.
struct Basis<const N: usize> {
    first: usize,
    values: [[f64; N]; 3],
}

impl Knots {
    /// `None` unless there is one knot more than control points and degree, they do not fall, and the domain
    /// has a length.
    pub(super) fn new(degree: usize, knots: Vec<f64>, points: usize) -> Option<Self> {
        let counts = (1..=MAX_DEGREE).contains(&degree)
            && points > degree
            && knots.len() == points.checked_add(degree)?.checked_add(1)?;
        let sound = counts && knots.iter().all(|k| k.is_finite()) && knots.windows(2).all(|w| w[0] <= w[1]);
        (sound && knots[degree] < knots[points]).then_some(Self { degree, knots })
    }

    fn points(&self) -> usize {
        self.knots.len() - self.degree - 1
    }

    /// Where the curve is defined.
    pub(super) fn domain(&self) -> (f64, f64) {
        (self.knots[self.degree], self.knots[self.points()])
    }

    /// The different knots inside the domain, with its ends.
    pub(super) fn breaks(&self) -> Vec<f64> {
        let mut breaks = self.knots[self.degree..=self.points()].to_vec();
        breaks.dedup();
        breaks
    }

    /// The last knot that is not above `t` and begins an interval with a length.
    fn span(&self, t: f64) -> usize {
        let (low, high) = (self.degree, self.points());
        let after = self.knots[low..high].partition_point(|k| *k <= t);
        let mut span = (low + after).saturating_sub(1).max(low);
        while span > low && self.knots[span] >= self.knots[span + 1] {
            span -= 1;
        }
        span
    }

    fn basis<const N: usize>(&self, t: f64) -> Basis<N> {
        let (p, u) = (self.degree, &self.knots);
        let span = self.span(t);
        // A row holds the functions of one degree d, the one that begins at knot span - d + j in column j.
        // The last three are kept, for the derivatives.
        let mut rows = [[0.0; N]; 3];
        rows[0][0] = 1.0;
        for d in 1..=p {
            if d == p {
                rows[2] = rows[1];
            }
            rows[1] = rows[0];
            for j in 0..=d {
                let i = span - d + j;
                let mut value = 0.0;
                if j > 0 {
                    let length = u[i + d] - u[i];
                    if length > 0.0 {
                        value += (t - u[i]) / length * rows[1][j - 1];
                    }
                }
                if j < d {
                    let length = u[i + d + 1] - u[i + 1];
                    if length > 0.0 {
                        value += (u[i + d + 1] - t) / length * rows[1][j];
                    }
                }
                rows[0][j] = value;
            }
        }
        let mut values = [[0.0; N]; 3];
        values[0][..=p].copy_from_slice(&rows[0][..=p]);
        // A derivative is a difference of functions of one degree less; the second one of those of two less.
        let lower = |row: &[f64], d: usize, out: &mut [f64]| {
            for j in 0..=d {
                let i = span - d + j;
                let mut value = 0.0;
                if j > 0 {
                    let length = u[i + d] - u[i];
                    if length > 0.0 {
                        value += d as f64 / length * row[j - 1];
                    }
                }
                if j < d {
                    let length = u[i + d + 1] - u[i + 1];
                    if length > 0.0 {
                        value -= d as f64 / length * row[j];
                    }
                }
                out[j] = value;
            }
        };
        lower(&rows[1], p, &mut values[1]);
        if p >= 2 {
            let mut slopes = [0.0; N];
            lower(&rows[2], p - 1, &mut slopes);
            lower(&slopes, p, &mut values[2]);
        }
        Basis { first: span - p, values }
    }
}

/// A curve over its knots.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct BSplineCurve {
    pub knots: Knots,
    points: Vec<Point>,
    weights: Option<Vec<f64>>,
}

fn sound(points: &[Point], weights: Option<&Vec<f64>>) -> bool {
    points.iter().all(|p| p.iter().all(|c| c.is_finite()))
        && weights.is_none_or(|w| w.len() == points.len() && w.iter().all(|w| w.is_finite() && *w > 0.0))
}

impl BSplineCurve {
    /// `None` where counts do not agree or a number makes no sense.
    pub(super) fn new(
        degree: usize,
        knots: Vec<f64>,
        points: Vec<Point>,
        weights: Option<Vec<f64>>,
    ) -> Option<Self> {
        let knots = Knots::new(degree, knots, points.len())?;
        sound(&points, weights.as_ref()).then_some(Self { knots, points, weights })
    }

    /// Place, first and second derivative. Beyond the domain the outermost pieces go on.
    pub(super) fn at(&self, t: f64) -> (Point, Vector, Vector) {
        if self.knots.degree + 2 <= FEW { self.within::<FEW>(t) } else { self.within::<MANY>(t) }
    }

    fn within<const N: usize>(&self, t: f64) -> (Point, Vector, Vector) {
        let basis = self.knots.basis::<N>(t);
        let mut sums = [(Vector::zeros(), 0.0); 3];
        for j in 0..=self.knots.degree {
            let i = basis.first + j;
            let weight = self.weights.as_ref().map_or(1.0, |w| w[i]);
            for (sum, values) in sums.iter_mut().zip(&basis.values) {
                let f = values[j] * weight;
                sum.0 += self.points[i].coords * f;
                sum.1 += f;
            }
        }
        if self.weights.is_none() {
            return (Point::from(sums[0].0), sums[1].0, sums[2].0);
        }
        let [(a, w), (a1, w1), (a2, w2)] = sums;
        let p = a / w;
        let p1 = (a1 - p * w1) / w;
        (Point::from(p), p1, (a2 - p1 * (2.0 * w1) - p * w2) / w)
    }
}

/// Place and derivatives of a surface.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Jet {
    pub p: Point,
    pub u: Vector,
    pub v: Vector,
    pub uu: Vector,
    pub uv: Vector,
    pub vv: Vector,
}

/// A surface over the knots of two directions.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct BSplineSurface {
    pub u: Knots,
    pub v: Knots,
    /// Row by row: all of v for the first u, and so on.
    points: Vec<Point>,
    weights: Option<Vec<f64>>,
}

impl BSplineSurface {
    /// `None` where counts do not agree or a number makes no sense. `points` and `weights` hold for each u
    /// all v.
    pub(super) fn new(
        degrees: [usize; 2],
        knots: [Vec<f64>; 2],
        counts: [usize; 2],
        points: Vec<Point>,
        weights: Option<Vec<f64>>,
    ) -> Option<Self> {
        let [ku, kv] = knots;
        let u = Knots::new(degrees[0], ku, counts[0])?;
        let v = Knots::new(degrees[1], kv, counts[1])?;
        let whole = counts[0].checked_mul(counts[1])? == points.len();
        (whole && sound(&points, weights.as_ref())).then_some(Self { u, v, points, weights })
    }

    /// Place and derivatives. Beyond the domain the outermost pieces go on.
    pub(super) fn at(&self, u: f64, v: f64) -> Jet {
        let few = self.u.degree.max(self.v.degree) + 2 <= FEW;
        if few { self.within::<FEW>(u, v) } else { self.within::<MANY>(u, v) }
    }

    fn within<const N: usize>(&self, u: f64, v: f64) -> Jet {
        let (bu, bv) = (self.u.basis::<N>(u), self.v.basis::<N>(v));
        // Derivatives (0,0), (1,0), (0,1), (2,0), (1,1), (0,2).
        const ORDERS: [(usize, usize); 6] = [(0, 0), (1, 0), (0, 1), (2, 0), (1, 1), (0, 2)];
        let mut sums = [(Vector::zeros(), 0.0); 6];
        let across = self.v.points();
        for i in 0..=self.u.degree {
            // Along v first: fewer products.
            let mut row = [(Vector::zeros(), 0.0); 3];
            for j in 0..=self.v.degree {
                let k = (bu.first + i) * across + bv.first + j;
                let weight = self.weights.as_ref().map_or(1.0, |w| w[k]);
                for (sum, values) in row.iter_mut().zip(&bv.values) {
                    let f = values[j] * weight;
                    sum.0 += self.points[k].coords * f;
                    sum.1 += f;
                }
            }
            for (sum, (du, dv)) in sums.iter_mut().zip(ORDERS) {
                sum.0 += row[dv].0 * bu.values[du][i];
                sum.1 += row[dv].1 * bu.values[du][i];
            }
        }
        let [(a, w), (au, wu), (av, wv), (auu, wuu), (auv, wuv), (avv, wvv)] = sums;
        if self.weights.is_none() {
            return Jet { p: Point::from(a), u: au, v: av, uu: auu, uv: auv, vv: avv };
        }
        let p = a / w;
        let (pu, pv) = ((au - p * wu) / w, (av - p * wv) / w);
        Jet {
            p: Point::from(p),
            u: pu,
            v: pv,
            uu: (auu - pu * (2.0 * wu) - p * wuu) / w,
            uv: (auv - pu * wv - pv * wu - p * wuv) / w,
            vv: (avv - pv * (2.0 * wv) - p * wvv) / w,
        }
    }
}

#[cfg(test)]
#[path = "bspline_tests.rs"]
mod tests;
