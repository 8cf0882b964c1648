//! A round hole from the points of its wall.

use crate::filter::{Correlated, left_over, on_fit};
use crate::geometry::{Direction, Point, Vector};
use crate::nominal::{Carrier, Nominal};
use crate::partition::{Partition, Seen, turn_seen};
use crate::plan::BoundFeature;
use crate::scan::Scan;

use super::scatter::Scatter;
use super::{FitError, circle};

/// Why a hole could not be associated.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum HoleError {
    /// The bound face is no cylinder.
    #[error("the face bound to the hole is not a cylinder")]
    NoCylinder,
    /// Too few points on the wall.
    #[error(
        "only {got} points lie on the wall of the hole; at least {need} are needed: scan it from a slant"
    )]
    TooFewPoints {
        /// Points needed.
        need: usize,
        /// Points there.
        got: usize,
    },
    /// The circle could not be associated.
    #[error(transparent)]
    Fit(#[from] FitError),
}

/// A hole associated with the points of its wall.
#[derive(Clone, Debug, PartialEq)]
pub struct AssociatedHole {
    /// Centre, at the middle of the nominal wall's depth, mm.
    pub centre: Point,
    /// Direction along which the wall was projected.
    pub axis: Direction,
    /// Directions across the axis in which `covariance` is told.
    pub across: (Vector, Vector),
    /// Radius, mm.
    pub radius_mm: f64,
    /// Covariance of (centre along the first direction across, along the second, radius), mm2, from noise.
    pub covariance: [[f64; 3]; 3],
    /// The same from form, which is seen at as many independent places as the wall is long.
    pub sampling: [[f64; 3]; 3],
    /// Variance of that form, mm2.
    pub form_mm2: f64,
    /// Root mean square distance of the points from the circle, mm.
    pub rms_mm: f64,
    /// Points used.
    pub points: usize,
    /// Points left out because they stand off the wall.
    pub left_out: usize,
    /// How much of the turn was seen.
    pub seen: Seen,
    /// Nominal depth of the wall, mm.
    pub depth_mm: f64,
    /// The points of the wall that were used, mm.
    pub wall: Vec<Point>,
}

impl AssociatedHole {
    /// A point of the wall with the unit normal out of the material, and how much each freedom of the circle (centre along the
    /// first direction across, along the second, radius) moves the wall along that normal there.
    fn row(&self, i: usize) -> (Point, Vector, [f64; 3]) {
        let (u, v) = self.across;
        let off = self.wall[i] - self.centre;
        let inward = -(off - self.axis.vector() * off.dot(&self.axis.vector()));
        let inward = inward.try_normalize(0.0).unwrap_or_else(Vector::zeros);
        (self.wall[i], inward, [inward.dot(&u), inward.dot(&v), -1.0])
    }

    /// Covariance as `covariance`, from noise that neighbouring points share. `None` where the wall determines no circle.
    pub fn of_shared(&self, shared: &[Correlated]) -> Option<[[f64; 3]; 3]> {
        if shared.is_empty() {
            return Some([[0.0; 3]; 3]);
        }
        on_fit(shared, self.wall.len(), |i| self.row(i)).map(|f| f.covariance)
    }

    /// The same with so much less form as noise that neighbouring points share leaves over about a circle: what is stated of an
    /// instrument is in the noise, and what is seen of it on the wall is no form besides.
    #[must_use]
    pub fn without_shared(mut self, shared: &[Correlated]) -> Self {
        if self.form_mm2 > 0.0 {
            let left = (self.form_mm2 - left_over(shared, self.wall.len(), |i| self.row(i))).max(0.0);
            let share = left / self.form_mm2;
            self.sampling = self.sampling.map(|row| row.map(|c| c * share));
            self.form_mm2 = left;
        }
        self
    }

    /// The same circle on the wall as it would be displaced: how far its centre moves along the first direction across, along
    /// the second, and by how much its radius grows, mm. `by` is asked with a place of the wall and the unit normal out of the
    /// material there. `None` where the displaced wall determines no circle.
    pub fn displaced(&self, by: &mut dyn FnMut(&Point, &Vector) -> Vector) -> Option<[f64; 3]> {
        let moved: Vec<Point> = self
            .wall
            .iter()
            .map(|p| {
                let off = p - self.centre;
                let inward = -(off - self.axis.vector() * off.dot(&self.axis.vector()));
                p + by(p, &inward.try_normalize(0.0).unwrap_or_else(Vector::zeros))
            })
            .collect();
        let [still, there] = [circle(&self.wall, self.axis).ok()?, circle(&moved, self.axis).ok()?];
        let off = there.centre - still.centre;
        Some([off.dot(&self.across.0), off.dot(&self.across.1), there.radius_mm - still.radius_mm])
    }
}

/// Fewer points on a wall do not tell noise from form.
const MIN_POINTS: usize = 12;

/// Points this many robust standard deviations off the wall are burrs, threads of fibre or neighbours.
const OFF_WALL: f64 = 6.0;

/// Form repeats within about this length along the wall, so places closer together are no new evidence,
/// mm: the nesting index in common use on moulded surfaces (common practice, no source).
pub(super) const FORM_LENGTH_MM: f64 = 2.5;

/// Associates a hole with the wall points of a partition: projected along `axis` (for a wall shorter than its
/// diameter the wall itself cannot tell its axis), then a least-squares circle. The ends of the wall are
/// left out, where scanners round the arris.
///
/// # Errors
/// Too few points, or points that do not determine a circle.
pub fn hole(
    partition: &Partition,
    scan: &Scan,
    nominal: &Nominal,
    bound: &BoundFeature,
    axis: Direction,
    noise_mm: f64,
) -> Result<AssociatedHole, HoleError> {
    let Some(Carrier::Cylinder { point, axis: nominal_axis, radius_mm, .. }) = bound.carrier else {
        return Err(HoleError::NoCylinder);
    };
    let along = |p: &Point| (p - point).dot(&nominal_axis.vector());
    let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
    let mut member = vec![false; nominal.mesh().triangles().len()];
    for &t in &bound.triangles {
        member[t as usize] = true;
        for corner in nominal.mesh().corners(t) {
            low = low.min(along(&corner));
            high = high.max(along(&corner));
        }
    }
    let depth = high - low;
    // A tenth of the depth at each end, but at least 0.3 mm (what scanners round) and at most a quarter.
    let margin = (0.1 * depth).max(0.3).min(0.25 * depth);
    let (wall, indices): (Vec<Point>, Vec<u32>) = partition
        .placed(scan)
        .filter(|p| member[p.triangle as usize])
        .filter(|p| (low + margin..=high - margin).contains(&along(&p.point)))
        .map(|p| (p.point, p.index))
        .unzip();
    if wall.len() < MIN_POINTS {
        return Err(HoleError::TooFewPoints { need: MIN_POINTS, got: wall.len() });
    }
    let first = circle(&wall, axis)?;
    let [u, v] = first.across.map(Direction::vector);
    let off = |p: &Point, centre: &Point, radius: f64| {
        let d = p - centre;
        let (x, y) = (d.dot(&u), d.dot(&v));
        (x * x + y * y).sqrt() - radius
    };
    let mut sizes: Vec<f64> = wall.iter().map(|p| off(p, &first.centre, first.radius_mm).abs()).collect();
    let half = sizes.len() / 2;
    let scatter = 1.482_602_218_505_602 * *sizes.select_nth_unstable_by(half, f64::total_cmp).1;
    let limit = OFF_WALL * scatter.max(noise_mm).max(1e-6);
    let kept: Vec<Point> =
        wall.iter().copied().filter(|p| off(p, &first.centre, first.radius_mm).abs() <= limit).collect();
    let left_out = wall.len() - kept.len();
    if kept.len() < MIN_POINTS {
        return Err(HoleError::TooFewPoints { need: MIN_POINTS, got: kept.len() });
    }
    let fit = if left_out > 0 { circle(&kept, axis)? } else { first };
    let n = kept.len() as f64;
    let seen = turn_seen(&kept, fit.centre, axis, fit.radius_mm, scan.spacing_among(indices.into_iter()));
    // What the wall scatters beyond the noise is its form.
    let Scatter { noise_mm2, form_mm2 } = Scatter::of_wall(&kept, &fit, seen.fraction, noise_mm);
    let places = (2.0 * std::f64::consts::PI * radius_mm * seen.fraction / FORM_LENGTH_MM).max(1.0);
    // Moved along the axis to the middle of the nominal wall.
    let middle = point + nominal_axis.vector() * (0.5 * (low + high));
    let centre = fit.centre + axis.vector() * (middle - fit.centre).dot(&axis.vector());
    Ok(AssociatedHole {
        centre,
        axis,
        across: (u, v),
        radius_mm: fit.radius_mm,
        covariance: fit.unit_covariance.map(|row| row.map(|c| c * noise_mm2)),
        sampling: fit.unit_covariance.map(|row| row.map(|c| c * form_mm2 * n / places)),
        form_mm2,
        rms_mm: fit.rms_mm,
        points: kept.len(),
        left_out,
        seen,
        depth_mm: depth,
        wall: kept,
    })
}
