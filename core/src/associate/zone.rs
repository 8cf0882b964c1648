//! The minimum zone plane: the two closest parallel planes that hold all points between them.

use super::plane::principal;
use super::zone_proof::proven;
use super::{FitError, Residuals, Shape, centred, signed, unit};
use crate::geometry::{Direction, Point, Vector};

/// The narrowest zone between parallel planes, with the points that prove it.
#[derive(Clone, Debug, PartialEq)]
pub struct ZoneFit {
    /// A point of the plane midway between the two, mm.
    pub point: Point,
    /// Normal. Its largest component is positive (the first of equal ones).
    pub normal: Direction,
    /// Width of the zone, mm: measured over all points along `normal`, so never too small.
    pub width_mm: f64,
    /// Number of points.
    pub points: usize,
    /// Root mean square distance from the middle plane, mm (divisor: number of points).
    pub rms_mm: f64,
    /// Smallest signed distance from the middle plane, mm, and the index of its point.
    pub low: (f64, usize),
    /// Largest signed distance from the middle plane, mm, and the index of its point.
    pub high: (f64, usize),
    /// Contacts on the side of the normal. With those below they are 3 + 1 or 2 + 2 points: seen along
    /// the normal, a point in a triangle or two crossing segments. Fewer where points lie in line behind
    /// each other (2 + 1) or all on the plane (1 + 1).
    pub above: Vec<usize>,
    /// Contacts on the other side.
    pub below: Vec<usize>,
    /// Whether it is proven that no other direction whatever gives a narrower zone. Otherwise it is the
    /// narrowest among directions near the least-squares plane, which is what thick point sets get.
    pub narrowest_of_all: bool,
}

/// Frames tried one after the other; two settle all but thick sets.
const FRAMES: usize = 20;
/// Exchanges within one frame: sets of a million points need some tens.
const EXCHANGES: usize = 20_000;
/// Exchanges without progress before the rule that cannot cycle takes over.
const PATIENCE: usize = 30;
/// Residuals this much outside, relative to the thickness, are rounding.
const TOLERANCE: f64 = 1e-13;

/// Finds the minimum zone plane of at least three points, mm.
///
/// In a frame whose third axis is the normal so far, the vertical thickness over all slopes (a, b) is the
/// discrete Chebyshev approximation by a linear function: a linear programme in four unknowns. It is solved
/// by exchange: a basis of four contacts, the point furthest outside enters, one leaves (Stiefel,
/// "Uber diskrete und lineare Tschebyscheff-Approximationen", Numer. Math. 1, 1959; Osborne and Watson,
/// Computer J. 10, 1967: the exchange is the simplex method on the dual), and when progress stalls Bland's
/// rule (Math. Oper. Res. 2, 1977) excludes cycles. It ends when no point lies outside: the optimum is
/// exact, with the contacts as certificate (the convex hulls of upper and lower contacts meet, seen along
/// the normal). The frame is then turned to the new normal until the slopes vanish: sequential linear
/// programming, whose fixed points are the local minima of the width (face against vertex, edge against
/// edge: Houle and Toussaint, IEEE PAMI 10(5), 1988).
///
/// Why it is the global one (our argument): with width w at the rest point, r the radius of the largest
/// disc about 0 within the hull of (upper - lower) contacts seen along the normal, and e the least width of
/// the points so seen, a tilt of tangent s has a width of at least (w + r s) / sqrt(1 + s2) because the
/// thickness is convex in the slopes, and at least (e s - w) / sqrt(1 + s2) because points e apart differ
/// by at most w in height. The first exceeds w for s < 2 w r / (w2 - r2), the second for
/// e s > w (1 + sqrt(1 + s2)). Where the two ranges overlap nothing is left: `narrowest_of_all`.
///
/// # Errors
/// As [`super::plane`]; [`FitError::NotSettled`] when the exchange does not end.
pub fn minimum_zone_plane(points: &[Point]) -> Result<ZoneFit, FitError> {
    let cloud = centred(Shape::Plane, 3, points)?;
    let start = principal(&cloud)?;
    let n = points.len();
    let mut axes = [start.across[0], start.across[1], start.normal];
    let scale = [2, 1].map(|i| (start.scatter[i] / n as f64).sqrt());
    let mut best: Option<(f64, Vector, Solved)> = None;
    let mut settled = false;
    for _ in 0..FRAMES {
        let mut frame = Frame::new(&cloud.offsets, &axes, scale);
        let rounding = 4.0 * f64::EPSILON * cloud.reach_mm;
        let solved = frame.solve(rounding)?;
        let slopes = [solved.slopes[0] / scale[0], solved.slopes[1] / scale[1]];
        let tilted = (axes[2] - axes[0] * slopes[0] - axes[1] * slopes[1]).normalize();
        let seen = Residuals::of(&cloud.offsets, |o| o.dot(&tilted));
        let width = seen.high.0 - seen.low.0;
        let narrower = best.as_ref().is_none_or(|(w, _, _)| width < *w);
        if narrower {
            best = Some((width, tilted, solved));
        }
        axes[2] = tilted;
        axes[0] = (axes[0] - tilted * tilted.dot(&axes[0])).normalize();
        axes[1] = tilted.cross(&axes[0]);
        let tilt = (slopes[0] * slopes[0] + slopes[1] * slopes[1]).sqrt();
        // A tilt changes the width by its square only; without gain it is rounding that moves the frame.
        if tilt < 1e-12 || !narrower {
            settled = true;
            break;
        }
    }
    let (width, tilted, solved) =
        best.filter(|_| settled).ok_or(FitError::NotSettled { shape: Shape::Plane, steps: FRAMES })?;

    let normal = signed(tilted);
    let (above, below) =
        if normal == tilted { (solved.above, solved.below) } else { (solved.below, solved.above) };
    let axis = unit(normal);
    let narrowest_of_all = proven(&cloud.offsets, axis, width, &above, &below);
    let seen = Residuals::of(&cloud.offsets, |o| o.dot(&normal));
    let middle = 0.5 * (seen.high.0 + seen.low.0);
    let about = Residuals::of(&cloud.offsets, |o| o.dot(&normal) - middle);
    Ok(ZoneFit {
        point: cloud.centre + normal * middle,
        normal: axis,
        width_mm: width,
        points: n,
        rms_mm: about.rms(n),
        low: about.low,
        high: about.high,
        above,
        below,
        narrowest_of_all,
    })
}

/// One column of the dual programme: a point held from above (`true`) or from below.
type Column = (usize, bool);

struct Solved {
    slopes: [f64; 2],
    above: Vec<usize>,
    below: Vec<usize>,
}

/// Points as (u, v, w): scaled across, mm along the normal.
struct Frame {
    items: Vec<[f64; 3]>,
}

impl Frame {
    fn new(offsets: &[Vector], axes: &[Vector; 3], scale: [f64; 2]) -> Self {
        let place = |o: &Vector| [axes[0].dot(o) / scale[0], axes[1].dot(o) / scale[1], axes[2].dot(o)];
        Self { items: offsets.iter().map(place).collect() }
    }

    fn column(&self, (i, above): Column) -> [f64; 4] {
        let [u, v, _] = self.items[i];
        if above { [1.0, 0.0, u, v] } else { [0.0, 1.0, -u, -v] }
    }

    fn value(&self, (i, above): Column) -> f64 {
        if above { self.items[i][2] } else { -self.items[i][2] }
    }

    /// Three points far from one line: the first basis, a zone of no width through them.
    fn corners(&self) -> [usize; 3] {
        let furthest = |score: &dyn Fn(&[f64; 3]) -> f64| {
            let mut best = (f64::NEG_INFINITY, 0);
            for (i, q) in self.items.iter().enumerate() {
                let s = score(q);
                if s > best.0 {
                    best = (s, i);
                }
            }
            best.1
        };
        let a = furthest(&|q| q[0]);
        let pa = self.items[a];
        let b = furthest(&|q| (q[0] - pa[0]) * (q[0] - pa[0]) + (q[1] - pa[1]) * (q[1] - pa[1]));
        let pb = self.items[b];
        let c = furthest(&|q| ((pb[0] - pa[0]) * (q[1] - pa[1]) - (pb[1] - pa[1]) * (q[0] - pa[0])).abs());
        [a, b, c]
    }

    /// The dual simplex of the zone, priced over all points; `rounding` in mm.
    fn solve(&mut self, rounding: f64) -> Result<Solved, FitError> {
        let stuck = |steps| FitError::NotSettled { shape: Shape::Plane, steps };
        let [a, b, c] = self.corners();
        let mut basis: [Column; 4] = [(a, true), (a, false), (b, true), (c, true)];
        let (mut stalled, mut last) = (0usize, f64::NEG_INFINITY);
        for step in 0..EXCHANGES {
            let columns = basis.map(|column| self.column(column));
            // Rows of the transposed system: column . (top, -bottom, a, b) = value.
            let [top, minus_bottom, slope_u, slope_v] =
                solve4(columns, basis.map(|column| self.value(column))).ok_or(stuck(step))?;
            let weights = solve4(transposed(&columns), [1.0, 1.0, 0.0, 0.0]).ok_or(stuck(step))?;
            let bottom = -minus_bottom;
            let height = |q: &[f64; 3]| q[2] - slope_u * q[0] - slope_v * q[1];
            let seen = Residuals::of(&self.items, height);
            let tolerance = rounding.max(TOLERANCE * (seen.high.0 - seen.low.0));
            let (over, under) = (seen.high.0 - top, bottom - seen.low.0);
            if over <= tolerance && under <= tolerance {
                return Ok(solved_at([slope_u, slope_v], &basis, &weights));
            }
            let width = top - bottom;
            stalled = if width > last + tolerance { 0 } else { stalled + 1 };
            last = last.max(width);
            let careful = stalled > PATIENCE;
            let entering: Column = if careful {
                let outside = |q: &[f64; 3]| height(q) - top > tolerance || bottom - height(q) > tolerance;
                let i = self.items.iter().position(outside).ok_or(stuck(step))?;
                (i, height(&self.items[i]) - top > tolerance)
            } else if over >= under {
                (seen.high.1, true)
            } else {
                (seen.low.1, false)
            };
            let change = solve4(transposed(&columns), self.column(entering)).ok_or(stuck(step))?;
            let leaving = leaving(&basis, &weights, &change, careful).ok_or(stuck(step))?;
            basis[leaving] = entering;
        }
        Err(stuck(EXCHANGES))
    }
}

/// Contacts that carry weight.
fn solved_at(slopes: [f64; 2], basis: &[Column; 4], weights: &[f64; 4]) -> Solved {
    let side = |upper: bool| {
        let mut list: Vec<usize> = basis
            .iter()
            .zip(weights)
            .filter(|((_, above), weight)| *above == upper && **weight > 1e-12)
            .map(|((i, _), _)| *i)
            .collect();
        list.sort_unstable();
        list
    };
    Solved { slopes, above: side(true), below: side(false) }
}

/// The ratio test: which column reaches zero first as the entering one grows.
fn leaving(basis: &[Column; 4], weights: &[f64; 4], change: &[f64; 4], careful: bool) -> Option<usize> {
    let ratio = |k: usize| weights[k].max(0.0) / change[k];
    let least = (0..4).filter(|&k| change[k] > 1e-11).map(ratio).fold(f64::INFINITY, f64::min);
    let tied = (0..4).filter(|&k| change[k] > 1e-11 && ratio(k) <= least + 1e-13);
    if careful {
        tied.min_by_key(|&k| basis[k])
    } else {
        // The largest pivot keeps the basis well away from singular.
        tied.max_by(|&i, &j| change[i].total_cmp(&change[j]))
    }
}

fn transposed(m: &[[f64; 4]; 4]) -> [[f64; 4]; 4] {
    std::array::from_fn(|i| std::array::from_fn(|j| m[j][i]))
}

/// Gaussian elimination with row pivoting; `None` when singular.
fn solve4(mut m: [[f64; 4]; 4], mut x: [f64; 4]) -> Option<[f64; 4]> {
    for k in 0..4 {
        let pivot = (k..4).max_by(|&i, &j| m[i][k].abs().total_cmp(&m[j][k].abs()))?;
        if !(m[pivot][k].abs() > 1e-14) {
            return None;
        }
        m.swap(k, pivot);
        x.swap(k, pivot);
        for i in k + 1..4 {
            let f = m[i][k] / m[k][k];
            for j in k..4 {
                m[i][j] -= f * m[k][j];
            }
            x[i] -= f * x[k];
        }
    }
    for k in (0..4).rev() {
        for j in k + 1..4 {
            x[k] -= m[k][j] * x[j];
        }
        x[k] /= m[k][k];
    }
    x.iter().all(|v| v.is_finite()).then_some(x)
}
