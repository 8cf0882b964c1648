//! Two parallel planes associated with two flanks at once, by the criteria of ISO 14405-1:2016 (from memory).

use super::RuleError;
use super::small_programme::{Programme, lowest};
use crate::geometry::{Direction, Matrix3, Point, Vector, sum::chunked, symmetric_eigen3};
use crate::run::Run;

mod nearest;

/// Two parallel planes. The upper one lies further along `normal`.
#[derive(Clone, Debug)]
pub(super) struct ParallelPlanes {
    /// Across both, within a right angle of the nominal's.
    pub(super) normal: Direction,
    /// Heights are told from here, mm: the middle between the centroids of both flanks.
    pub(super) about: Point,
    /// Height of the upper plane along the normal, mm.
    pub(super) upper_mm: f64,
    /// Height of the lower plane, mm.
    pub(super) lower_mm: f64,
}

impl ParallelPlanes {
    /// Their distance, mm.
    pub(super) fn width_mm(&self) -> f64 {
        self.upper_mm - self.lower_mm
    }

    /// A place midway between them, mm.
    pub(super) fn middle(&self) -> Point {
        self.about + self.normal.vector() * (0.5 * (self.upper_mm + self.lower_mm))
    }
}

/// Largest standard deviation of the direction, and largest turn from the least-squares direction, that still count as
/// the direction of the flanks, rad: those of a single plane and of a short tube in `associate`.
const LARGEST_TURN_RAD: f64 = 0.1;
const LARGEST_SWING: f64 = 0.2;

/// Turns about a new frame before giving up; two or three are needed.
const FRAMES: usize = 20;

fn missing(what: &str) -> RuleError {
    RuleError::Missing(format!("{what}; measure more of both flanks, or give the axis that they run along"))
}

/// Both flanks, as offsets from the middle between their centroids.
pub(super) struct Flanks {
    about: Point,
    upper: Vec<Vector>,
    lower: Vec<Vector>,
    /// Height of the centroids over and under the middle.
    half: Vector,
    /// Largest distance from the middle, mm.
    reach_mm: f64,
    /// Points that bring knowledge of their own: not those drawn out along an axis.
    told: usize,
}

impl Flanks {
    /// Two flanks of points, mm, the upper one further along the direction across; along `axis`, where it is given,
    /// the planes must run. Only what the points show across it then counts: every point is drawn out to both sides
    /// along it by the same, so that no criterion gains by tilting.
    pub(super) fn new(upper: &[Point], lower: &[Point], axis: Option<Direction>) -> Result<Self, RuleError> {
        if upper.is_empty() || lower.is_empty() {
            return Err(missing("a flank was not seen"));
        }
        let all = || upper.iter().chain(lower);
        if !all().all(|p| p.iter().all(|c| c.is_finite() && c.abs() <= 1e9)) {
            return Err(RuleError::Missing(
                "a point has a coordinate that is no number within 1e9 mm; leave it out".into(),
            ));
        }
        let middle = [upper, lower].map(centroid);
        let about = middle[1] + (middle[0] - middle[1]) * 0.5;
        let offsets = |points: &[Point]| -> Vec<Vector> { points.iter().map(|p| p - about).collect() };
        let (mut up, mut low) = (offsets(upper), offsets(lower));
        let mut half = (middle[0] - middle[1]) * 0.5;
        let reach = |v: &[Vector]| v.iter().fold(0.0f64, |m, o| m.max(o.norm()));
        let mut reach_mm = reach(&up).max(reach(&low));
        if let Some(axis) = axis {
            let d = axis.vector();
            let drawn = |v: &[Vector]| -> Vec<Vector> {
                let flat = |o: &Vector| o - d * d.dot(o);
                v.iter().flat_map(|o| [flat(o) + d * reach_mm, flat(o) - d * reach_mm]).collect()
            };
            (up, low) = (drawn(&up), drawn(&low));
            half -= d * d.dot(&half);
            reach_mm *= std::f64::consts::SQRT_2;
        }
        let told = upper.len() + lower.len();
        Ok(Self { about, upper: up, lower: low, half, reach_mm, told })
    }

    fn planes(&self, normal: Direction, upper_mm: f64, lower_mm: f64) -> ParallelPlanes {
        ParallelPlanes { normal, about: self.about, upper_mm, lower_mm }
    }

    /// The least sum of squared distances of every point from the plane of its flank (GG): the normal is the thinnest
    /// axis of the scatter of both flanks about their own centroids, the planes go through these. Closed form; the
    /// single plane's argument (Shakarji, J. Res. NIST 103(6), 1998, section 3) for two offsets.
    pub(super) fn least_squares(&self, across: Direction) -> Result<ParallelPlanes, RuleError> {
        let scatter = |points: &[Vector], centre: Vector| {
            chunked(
                points,
                Matrix3::zeros(),
                |_, chunk| {
                    chunk.iter().fold(Matrix3::zeros(), |s, o| s + (o - centre) * (o - centre).transpose())
                },
                |a, b| a + b,
            )
        };
        let whole = scatter(&self.upper, self.half) + scatter(&self.lower, -self.half);
        let (values, vectors) = symmetric_eigen3(&whole);
        let [thin, second, _] = values.map(|v| v.max(0.0));
        let spare = self.told as f64 - 4.0;
        let free = missing("the points leave the direction of the two planes open");
        // Errors-in-variables algebra as for a single plane: s2 * second / (second - thin)^2.
        let rounding = 16.0 * f64::EPSILON * self.reach_mm * self.reach_mm * self.upper.len() as f64;
        let gap = second - thin;
        if !(spare >= 0.0 && gap > rounding) {
            return Err(free);
        }
        let turn2 = thin / spare.max(1.0) * second / (gap * gap);
        if !(turn2 <= LARGEST_TURN_RAD * LARGEST_TURN_RAD) {
            return Err(free);
        }
        let normal = Direction::new(vectors[0]).ok_or(free)?;
        let normal = if normal.dot(across) < 0.0 { normal.reversed() } else { normal };
        if !(normal.dot(across) > 0.5) {
            return Err(missing("the two planes lie more than 60 degrees from the nominal's"));
        }
        let height = self.half.dot(&normal.vector());
        Ok(self.planes(normal, height, -height))
    }

    /// The least largest distance of a point from the plane of its flank (GC). Where one flank alone sets it, the
    /// other plane lies in the middle of its own points.
    pub(super) fn minimum_zone(&self, run: &Run, across: Direction) -> Result<ParallelPlanes, RuleError> {
        let start = self.least_squares(across)?;
        let width = |n: &Vector| {
            let [u, l] = [extent(&self.upper, n), extent(&self.lower, n)];
            (u.1.0 - u.0.0).max(l.1.0 - l.0.0)
        };
        let normal = self.turned(run, start.normal, width, |frame| {
            let (u, l) = (frame.extent(true), frame.extent(false));
            let slope = |k: usize| 0.5 * (frame.upper[u.1.1][k] - frame.upper[u.0.1][k]);
            let basis = [
                Held::Upper(u.1.1, true),
                Held::Upper(u.0.1, false),
                Held::Lower(l.1.1, true),
                Held::Wall(0, slope(0) <= 0.0),
                Held::Wall(1, slope(1) <= 0.0),
            ];
            lowest::<_, 5>(&Zone(frame), basis).map(|(x, held)| ([x[3], x[4]], walled(&held)))
        })?;
        let n = normal.vector();
        let middle = |e: ((f64, usize), (f64, usize))| 0.5 * (e.0.0 + e.1.0);
        Ok(self.planes(normal, middle(extent(&self.upper, &n)), middle(extent(&self.lower, &n))))
    }

    /// The least distance of two planes that hold all points between them (GN).
    pub(super) fn circumscribed(&self, run: &Run, across: Direction) -> Result<ParallelPlanes, RuleError> {
        let start = self.least_squares(across)?;
        let width = |n: &Vector| extent(&self.upper, n).1.0 - extent(&self.lower, n).0.0;
        let normal = self.turned(run, start.normal, width, |frame| {
            let (u, l) = (frame.extent(true), frame.extent(false));
            let slope = |k: usize| frame.upper[u.1.1][k] - frame.lower[l.0.1][k];
            let basis = [
                Held::Upper(u.1.1, true),
                Held::Lower(l.0.1, false),
                Held::Wall(0, slope(0) <= 0.0),
                Held::Wall(1, slope(1) <= 0.0),
            ];
            lowest::<_, 4>(&Around(frame), basis).map(|(x, held)| ([x[2], x[3]], walled(&held)))
        })?;
        let n = normal.vector();
        Ok(self.planes(normal, extent(&self.upper, &n).1.0, extent(&self.lower, &n).0.0))
    }

    /// The largest distance of two planes that hold no point between them (GX): the distance of the convex hulls of
    /// both flanks, so that no other pair whatever is further apart.
    pub(super) fn inscribed(&self, run: &Run, across: Direction) -> Result<ParallelPlanes, RuleError> {
        let start = self.least_squares(across)?;
        let found = nearest::between_hulls(run, &self.upper, &self.lower, start.normal, self.reach_mm)?;
        let normal = found.ok_or_else(|| missing("no two parallel planes fit between the flanks"))?;
        upright(start.normal, normal)?;
        let n = normal.vector();
        Ok(self.planes(normal, extent(&self.upper, &n).0.0, extent(&self.lower, &n).1.0))
    }

    /// Turns a frame to what a linear programme of its slopes answers, until it rests: as
    /// [`crate::associate::minimum_zone_plane`] does.
    fn turned(
        &self,
        run: &Run,
        start: Direction,
        width: impl Fn(&Vector) -> f64,
        solve: impl Fn(&Frame) -> Option<([f64; 2], bool)>,
    ) -> Result<Direction, RuleError> {
        let mut normal = start;
        let mut best = (width(&start.vector()), start);
        for steps in 0..FRAMES {
            run.check()?;
            let frame = Frame::new(self, normal);
            let (slopes, walled) = solve(&frame).ok_or(RuleError::NotSettled { steps })?;
            let tilted = normal.vector() - frame.across[0] * slopes[0] - frame.across[1] * slopes[1];
            normal = Direction::new(tilted).ok_or(RuleError::NotSettled { steps })?;
            upright(start, normal)?;
            let reached = width(&normal.vector());
            let narrower = reached < best.0;
            if narrower {
                best = (reached, normal);
            }
            let tilt = (slopes[0] * slopes[0] + slopes[1] * slopes[1]).sqrt();
            // A tilt changes the width by its square only; without gain it is rounding that moves the frame.
            if !walled && (tilt < 1e-12 || !narrower) {
                return Ok(best.1);
            }
        }
        Err(RuleError::NotSettled { steps: FRAMES })
    }
}

fn upright(start: Direction, normal: Direction) -> Result<(), RuleError> {
    if start.angle_to(normal) <= LARGEST_SWING {
        return Ok(());
    }
    Err(missing("the flanks hardly lie opposite each other, so the two planes turn away from them"))
}

fn centroid(points: &[Point]) -> Point {
    let n = points.len() as f64;
    let mean = |about: Point| {
        let total = chunked(
            points,
            Vector::zeros(),
            |_, chunk| chunk.iter().fold(Vector::zeros(), |s, p| s + (p - about)),
            |a, b| a + b,
        );
        about + total / n
    };
    // Twice: the first sum carries the rounding of the distance to the first point, the second does not.
    mean(mean(points[0]))
}

/// Lowest and highest point along a direction, each with its index.
fn extent(points: &[Vector], n: &Vector) -> ((f64, usize), (f64, usize)) {
    let mut e = ((f64::INFINITY, 0), (f64::NEG_INFINITY, 0));
    for (i, o) in points.iter().enumerate() {
        let h = o.dot(n);
        if h < e.0.0 {
            e.0 = (h, i);
        }
        if h > e.1.0 {
            e.1 = (h, i);
        }
    }
    e
}

/// One constraint: a point of a flank under (`true`) or over its border, or a slope at its least (`true`) or largest.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Held {
    Upper(usize, bool),
    Lower(usize, bool),
    Wall(usize, bool),
}

fn walled(held: &[(Held, f64)]) -> bool {
    held.iter().any(|(h, weight)| matches!(h, Held::Wall(..)) && *weight > 1e-9)
}

/// Points as slopes see them: two places across, of about size one, and the height, mm.
struct Frame {
    /// Vectors across, each over its scale: slopes times these tilt the normal.
    across: [Vector; 2],
    upper: Vec<[f64; 3]>,
    lower: Vec<[f64; 3]>,
    /// Largest slope, mm over one scale: what a tilt by 0.1 rad makes of it.
    wall: [f64; 2],
    rounding_mm: f64,
}

impl Frame {
    fn new(flanks: &Flanks, normal: Direction) -> Self {
        let (a, b) = normal.frame();
        let n = normal.vector();
        let rms = |v: &Vector| {
            let total: f64 = flanks.upper.iter().chain(&flanks.lower).map(|o| o.dot(v) * o.dot(v)).sum();
            (total / (flanks.upper.len() + flanks.lower.len()) as f64).sqrt()
        };
        let scale = [rms(&a), rms(&b)].map(|s| if s > 1e-9 * flanks.reach_mm { s } else { flanks.reach_mm });
        let across = [a / scale[0], b / scale[1]];
        let seen = |o: &Vector| [o.dot(&across[0]), o.dot(&across[1]), o.dot(&n)];
        Self {
            across,
            upper: flanks.upper.iter().map(seen).collect(),
            lower: flanks.lower.iter().map(seen).collect(),
            wall: scale.map(|s| 0.1 * s),
            rounding_mm: 4.0 * f64::EPSILON * flanks.reach_mm,
        }
    }

    fn extent(&self, upper: bool) -> ((f64, usize), (f64, usize)) {
        let mut e = ((f64::INFINITY, 0), (f64::NEG_INFINITY, 0));
        for (i, q) in if upper { &self.upper } else { &self.lower }.iter().enumerate() {
            if q[2] < e.0.0 {
                e.0 = (q[2], i);
            }
            if q[2] > e.1.0 {
                e.1 = (q[2], i);
            }
        }
        e
    }

    /// The constraint broken most, from the borders of both flanks: (bottom, top) each, infinite where there is none.
    fn broken(&self, slopes: [f64; 2], upper: [f64; 2], lower: [f64; 2], first: bool) -> Option<Held> {
        let mut worst = (self.rounding_mm, None);
        let mut see = |by: f64, held: Held| {
            if by > worst.0 && !(first && worst.1.is_some()) {
                worst = (by, Some(held));
            }
        };
        for (is_upper, [bottom, top]) in [(true, upper), (false, lower)] {
            let (points, held): (_, fn(usize, bool) -> Held) =
                if is_upper { (&self.upper, Held::Upper) } else { (&self.lower, Held::Lower) };
            for (i, q) in points.iter().enumerate() {
                let height = q[2] - slopes[0] * q[0] - slopes[1] * q[1];
                see(height - top, held(i, true));
                see(bottom - height, held(i, false));
            }
        }
        for k in 0..2 {
            see(-self.wall[k] - slopes[k], Held::Wall(k, true));
            see(slopes[k] - self.wall[k], Held::Wall(k, false));
        }
        worst.1
    }

    /// The wall as a constraint of the last two unknowns.
    fn wall<const D: usize>(&self, k: usize, least: bool) -> ([f64; D], f64) {
        let mut row = [0.0; D];
        row[D - 2 + k] = if least { 1.0 } else { -1.0 };
        (row, -self.wall[k])
    }
}

/// Half a zone's width, heights of both planes, slopes.
struct Zone<'a>(&'a Frame);

impl Programme<5> for Zone<'_> {
    type Held = Held;

    fn goal(&self) -> [f64; 5] {
        [1.0, 0.0, 0.0, 0.0, 0.0]
    }

    fn constraint(&self, held: Held) -> ([f64; 5], f64) {
        let row = |[u, v, h]: [f64; 3], above: bool, planes: [f64; 2]| {
            let sign = if above { 1.0 } else { -1.0 };
            ([1.0, sign * planes[0], sign * planes[1], sign * u, sign * v], sign * h)
        };
        match held {
            Held::Upper(i, above) => row(self.0.upper[i], above, [1.0, 0.0]),
            Held::Lower(i, above) => row(self.0.lower[i], above, [0.0, 1.0]),
            Held::Wall(k, least) => self.0.wall(k, least),
        }
    }

    fn broken(&self, x: &[f64; 5], first: bool) -> Option<Held> {
        let [half, upper, lower, u, v] = *x;
        self.0.broken([u, v], [upper - half, upper + half], [lower - half, lower + half], first)
    }
}

/// Height of the upper plane, the same of the lower one counted downwards, slopes.
struct Around<'a>(&'a Frame);

impl Programme<4> for Around<'_> {
    type Held = Held;

    fn goal(&self) -> [f64; 4] {
        [1.0, 1.0, 0.0, 0.0]
    }

    fn constraint(&self, held: Held) -> ([f64; 4], f64) {
        match held {
            Held::Upper(i, _) => {
                let [u, v, h] = self.0.upper[i];
                ([1.0, 0.0, u, v], h)
            }
            Held::Lower(i, _) => {
                let [u, v, h] = self.0.lower[i];
                ([0.0, 1.0, -u, -v], -h)
            }
            Held::Wall(k, least) => self.0.wall(k, least),
        }
    }

    fn broken(&self, x: &[f64; 4], first: bool) -> Option<Held> {
        let [top, under, u, v] = *x;
        self.0.broken([u, v], [f64::NEG_INFINITY, top], [-under, f64::INFINITY], first)
    }
}

#[cfg(test)]
#[path = "parallel_planes_tests.rs"]
mod tests;
