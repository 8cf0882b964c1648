//! The orthogonal least-squares slot: two straight sides with round ends, seen along an axis.

use super::carry::{carried, sized};
use super::extremal::Outline;
use super::levenberg::{Ended, Model, Sums, approach, minimise};
use super::{
    FitError, Freedom, LARGEST_RADIUS_SHARE, LARGEST_TURN_RAD, Residuals, Shape, centred, noise, unit,
};
use crate::geometry::{Cholesky, Direction, Point, math, random::Random};
use crate::run::{Run, Stopped, quiet};

/// The slot with the least sum of squared distances, seen along a given axis: all places as far from a straight
/// segment as its ends are round.
#[derive(Clone, Debug, PartialEq)]
pub struct SlotFit {
    /// Centre, mm, at the mean height of the points along the axis.
    pub centre: Point,
    /// Axis as given, square to the slot.
    pub axis: Direction,
    /// Direction of the long side; its largest component is positive (the first of equal ones).
    pub along: Direction,
    /// Direction of the short side: axis x along.
    pub across: Direction,
    /// Length over the round ends, mm.
    pub length_mm: f64,
    /// Width between the straight sides: the diameter of the ends, mm.
    pub width_mm: f64,
    /// Number of points.
    pub points: usize,
    /// Root mean square residual, mm (divisor: number of points).
    pub rms_mm: f64,
    /// Smallest residual (negative: within the slot), mm, and the index of its point.
    pub low: (f64, usize),
    /// Largest residual (positive: outside the slot), mm, and the index of its point.
    pub high: (f64, usize),
    /// Inverse of J'J for: centre along `along` and along `across` (mm), turn of `along` towards `across` (rad),
    /// length, width (mm).
    pub unit_covariance: [[f64; 5]; 5],
}

impl SlotFit {
    /// Distance between the centres of the round ends, mm.
    pub fn between_centres_mm(&self) -> f64 {
        self.length_mm - self.width_mm
    }

    /// Signed distance of `p` from the outline, seen along the axis, mm, positive outside the slot.
    pub fn distance(&self, p: &Point) -> f64 {
        let d = p - self.centre;
        let (x, y) = (d.dot(&self.along.vector()), d.dot(&self.across.vector()));
        let half = 0.5 * self.between_centres_mm();
        let beyond = x - x.clamp(-half, half);
        (beyond * beyond + y * y).sqrt() - 0.5 * self.width_mm
    }

    /// Standard deviation of the noise the residuals show, mm.
    pub fn noise_mm(&self) -> Option<f64> {
        noise(self.rms_mm, self.points, 5)
    }
}

/// How much worse, in variances of the noise, the points must fit with either end moved out by its radius: five
/// standard deviations. Straight sides alone pretend to ends where noise bends their last points (measured).
const LEAST_END: f64 = 25.0;
/// Points that judge the starts; the end is always fitted to all points.
const JUDGES: usize = 600;
/// Directions tried over half a turn, from the principal one on.
const WAYS: u32 = 12;

/// Fits a slot to at least six points, mm, projected along `axis`.
///
/// Starts of its own: in a dozen directions the extents of the points, as long and wide as they are and with half the
/// straight part; refined by Levenberg-Marquardt on five parameters, the least sum of squares counts. The distance
/// from a segment is smooth but for its second derivative where the ends begin; common practice, no source.
///
/// # Errors
/// [`FitError::Undetermined`] for coincident and collinear points, for a round outline ([`Freedom::Turns`]), and where
/// ends or sides are missing so that the residuals leave length ([`Freedom::Length`]), width or direction open.
pub fn slot(points: &[Point], axis: Direction) -> Result<SlotFit, FitError> {
    slot_within(&quiet(), points, axis)
}

/// As [`slot`], for many points: it can be stopped.
pub(super) fn slot_within(run: &Run, points: &[Point], axis: Direction) -> Result<SlotFit, FitError> {
    let free = |freedom| FitError::Undetermined { shape: Shape::Slot, freedom };
    let cloud = centred(Shape::Slot, 6, points)?;
    let (a, b) = axis.frame();
    let mut flat: Vec<[f64; 2]> = cloud.offsets.iter().map(|o| [o.dot(&a), o.dot(&b)]).collect();
    let scale = flat.iter().fold(0.0f64, |m, q| m.max((q[0] * q[0] + q[1] * q[1]).sqrt()));
    if !(scale > cloud.floor_mm) {
        return Err(free(Freedom::Coincident));
    }
    for q in &mut flat {
        *q = [q[0] / scale, q[1] / scale];
    }
    let floor = cloud.floor_mm / scale;
    let judges = judging(&flat);
    let (long, thin) = long_axis(&flat);
    if !(thin > floor && thin > 1e-12) {
        return Err(free(Freedom::Collinear));
    }
    let ends: Result<Vec<Ended<Obround, 5>>, Stopped> =
        starts(&judges, long).into_iter().map(|start| approach(run, start, &judges, 200)).collect();
    let mut ends = ends?;
    ends.sort_by(|x, y| x.sums.square.total_cmp(&y.sums.square));
    let best = ends.first().ok_or(free(Freedom::Radius))?;

    let mut ended = minimise(run, best.model.clone(), &flat, 500)?;
    let turned = a * ended.model.along[0] + b * ended.model.along[1];
    if super::signed(turned) != turned {
        ended.model.along = ended.model.along.map(|v| -v);
    }
    let outline = ended.model;
    let sums = Sums::of(&outline, &flat);
    let cov = outline.covariance(&sums).ok_or(free(if outline.half > 0.1 * outline.radius {
        Freedom::Length
    } else {
        Freedom::Turns
    }))?;
    let sigma = (sums.square / (flat.len() - 5) as f64).sqrt().max(floor + 4.0 * f64::EPSILON);
    let size = 2.0 * outline.radius;
    if !(sigma * cov[2][2].sqrt() <= LARGEST_TURN_RAD) {
        return Err(free(Freedom::Turns));
    }
    if !(sigma * cov[4][4].sqrt() <= LARGEST_RADIUS_SHARE * size) {
        return Err(free(Freedom::Radius));
    }
    let length = 2.0 * outline.half + size;
    let open_end = [1.0, -1.0].into_iter().any(|end| {
        let far = Sums::of(&outline.longer(end), &flat).square;
        !(far > sums.square + LEAST_END * sigma * sigma)
    });
    if !(sigma * cov[3][3].sqrt() <= LARGEST_RADIUS_SHARE * length) || open_end {
        return Err(free(Freedom::Length));
    }
    if !((sums.square / flat.len() as f64).sqrt() <= LARGEST_RADIUS_SHARE * outline.radius) {
        return Err(free(Freedom::Cloud));
    }
    if !ended.settled {
        return Err(FitError::NotSettled { shape: Shape::Slot, steps: ended.steps });
    }

    let row = outline.rows();
    let residuals = Residuals::of(&flat, |q| row(q).0);
    let along = unit(a * outline.along[0] + b * outline.along[1]);
    let unit_covariance = sized(cov, scale, &[2]);
    Ok(SlotFit {
        centre: cloud.centre + (a * outline.centre[0] + b * outline.centre[1]) * scale,
        axis,
        along,
        across: unit(axis.vector().cross(&along.vector())),
        length_mm: length * scale,
        width_mm: size * scale,
        points: points.len(),
        rms_mm: residuals.rms(points.len()) * scale,
        low: (residuals.low.0 * scale, residuals.low.1),
        high: (residuals.high.0 * scale, residuals.high.1),
        unit_covariance,
    })
}

/// At most [`JUDGES`] of the points, drawn with a fixed seed.
fn judging(flat: &[[f64; 2]]) -> Vec<[f64; 2]> {
    if flat.len() <= JUDGES {
        return flat.to_vec();
    }
    let mut random = Random::seeded(1);
    (0..JUDGES).map(|_| flat[random.below(flat.len())]).collect()
}

/// Angle of the direction in which centred points are longest, and their root mean square across it.
fn long_axis(flat: &[[f64; 2]]) -> (f64, f64) {
    let (mut xx, mut yy, mut xy) = (0.0, 0.0, 0.0);
    for q in flat {
        xx += q[0] * q[0];
        yy += q[1] * q[1];
        xy += q[0] * q[1];
    }
    let angle = 0.5 * math::atan2(2.0 * xy, xx - yy);
    let (c, s) = (math::cos(angle), math::sin(angle));
    let thin: f64 = flat.iter().map(|q| c * q[1] - s * q[0]).map(|v| v * v).sum();
    (angle, (thin / flat.len() as f64).sqrt())
}

fn starts(judges: &[[f64; 2]], long: f64) -> Vec<Obround> {
    let mut out = Vec::new();
    for way in 0..WAYS {
        let angle = long + std::f64::consts::PI * f64::from(way) / f64::from(WAYS);
        let (c, s) = (math::cos(angle), math::sin(angle));
        let (mut low, mut high) = ([f64::INFINITY; 2], [f64::NEG_INFINITY; 2]);
        for q in judges {
            for (k, v) in [c * q[0] + s * q[1], c * q[1] - s * q[0]].into_iter().enumerate() {
                low[k] = low[k].min(v);
                high[k] = high[k].max(v);
            }
        }
        let [x, y] = [0, 1].map(|k| 0.5 * (low[k] + high[k]));
        let [far, radius] = [0, 1].map(|k| 0.5 * (high[k] - low[k]));
        if !(far > radius && radius > 0.0) {
            continue;
        }
        for share in [1.0, 0.5] {
            let centre = [c * x - s * y, s * x + c * y];
            out.push(Obround {
                centre,
                along: [c, s],
                half: share * (far - radius).max(0.05 * radius),
                radius,
            });
        }
    }
    out
}

/// A slot in the plane, points centred and of size one.
#[derive(Clone, Debug)]
pub(super) struct Obround {
    pub(super) centre: [f64; 2],
    /// Unit vector of the long side.
    pub(super) along: [f64; 2],
    /// Half the distance between the centres of the ends.
    pub(super) half: f64,
    pub(super) radius: f64,
}

impl Obround {
    /// The same slot with one end moved out by its radius.
    fn longer(&self, end: f64) -> Self {
        let by = 0.5 * self.radius;
        let centre = [0, 1].map(|k| self.centre[k] + end * by * self.along[k]);
        Self { centre, half: self.half + by, ..self.clone() }
    }

    /// Inverse of J'J by the parameters that [`SlotFit::unit_covariance`] states, at size one.
    fn covariance(&self, sums: &Sums<5>) -> Option<[[f64; 5]; 5]> {
        let inverse = Cholesky::new(&sums.normal)?.inverse();
        let mut t = [[0.0; 5]; 5];
        for k in 0..3 {
            t[k][k] = 1.0;
        }
        t[3] = [0.0, 0.0, 0.0, 2.0, 2.0];
        t[4][4] = 2.0;
        Some(carried(&t, &inverse))
    }
}

/// The local parameters are: the centre along and across, the turn, half the distance between the ends, the radius.
impl Model<5> for Obround {
    type Item = [f64; 2];

    fn rows(&self) -> impl Fn(&[f64; 2]) -> (f64, [f64; 5]) + Sync {
        move |q| {
            let d = [q[0] - self.centre[0], q[1] - self.centre[1]];
            let x = d[0] * self.along[0] + d[1] * self.along[1];
            let y = d[1] * self.along[0] - d[0] * self.along[1];
            let beyond = x - x.clamp(-self.half, self.half);
            let length = (beyond * beyond + y * y).sqrt();
            let (nx, ny) = if length == 0.0 { (0.0, 1.0) } else { (beyond / length, y / length) };
            (length - self.radius, [-nx, -ny, nx * y - ny * x, -nx.abs(), -1.0])
        }
    }

    fn moved(&self, step: &[f64; 5]) -> Option<Self> {
        let [c, s] = self.along;
        let centre = [self.centre[0] + c * step[0] - s * step[1], self.centre[1] + s * step[0] + c * step[1]];
        let along = [c - s * step[2], s + c * step[2]];
        let norm = (along[0] * along[0] + along[1] * along[1]).sqrt();
        let (half, radius) = (self.half + step[3], self.radius + step[4]);
        let good = half > 0.0 && half < 1e5 && radius > 0.0 && radius < 1e5 && norm.is_finite();
        good.then(|| Self { centre, along: along.map(|v| v / norm), half, radius })
    }
}

impl Outline<5> for Obround {
    const GROWTH: [f64; 5] = [0.0, 0.0, 0.0, 0.0, 1.0];

    fn size(&self) -> f64 {
        self.radius
    }
}
