//! One call for every shape, with one form of result.

use super::{Contact, Criterion, FitError, Proof, Shape, by_least_squares, by_other_criteria};
use crate::geometry::{Direction, Point};
use crate::run::Run;
use serde::{Deserialize, Serialize};

/// An ideal feature fitted to points, as a caller prints or sends it. Lengths in mm, angles in rad; what a
/// shape does not have is absent.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Association {
    /// What was fitted.
    pub shape: Shape,
    /// By what: [`Criterion::name`].
    pub criterion: String,
    /// How many points.
    pub points: u64,
    /// Line and plane: the centroid of the points (by other criteria than least squares, the place on it nearest to
    /// the centroid). Circle, sphere, torus and slot: the centre. Cylinder and cone: the point of the axis nearest
    /// to the centroid. mm.
    pub point_mm: [f64; 3],
    /// Unit vector along the line or the axis, or normal to the plane, the circle or the slot; a cone's points to
    /// its open end, that of a plane outside the material out of it, the largest component of any other is positive.
    /// A sphere has none.
    pub direction: Option<[f64; 3]>,
    /// Radius of circle, sphere and cylinder; of a cone, that of the section through `point_mm`; of a torus, that of
    /// the circle along which its tube runs. mm.
    pub radius_mm: Option<f64>,
    /// Torus: radius of the tube, mm.
    pub minor_radius_mm: Option<f64>,
    /// Slot: unit vector of its long side, the largest component positive.
    pub along: Option<[f64; 3]>,
    /// Slot: length over the round ends, mm.
    pub length_mm: Option<f64>,
    /// Slot: width between the straight sides, mm.
    pub width_mm: Option<f64>,
    /// Cone: half of the apex angle, rad.
    pub half_angle_rad: Option<f64>,
    /// Cone: the apex, mm.
    pub apex_mm: Option<[f64; 3]>,
    /// Cone through six points: axes of other cones that meet them exactly as well (see [`super::cone`]).
    pub rivals: Vec<[f64; 3]>,
    /// Peak to valley of the orthogonal residuals, mm: `high - low`. For a line, whose residuals are distances,
    /// twice the largest of them: the diameter of the cylinder about the line that holds all points. By minimum zone
    /// it is the least of all such.
    pub form_mm: f64,
    /// Root mean square residual, mm; divisor: number of points.
    pub rms_mm: f64,
    /// The smallest residual: the point farthest below the plane or inside the shape (nearest to the line).
    pub low: Extreme,
    /// The largest residual: the point farthest above the plane, or outside the shape (farthest from the line).
    pub high: Extreme,
    /// Number of free parameters: line 4, plane 3, circle 6, sphere 4, cylinder 5, cone 6, torus 7,
    /// slot 8.
    pub freedoms: u64,
    /// Standard deviation of the noise as the residuals show it, mm: number of residuals less that of the
    /// parameters in the divisor. A line has two residuals a point, across it. A circle's or
    /// slot's is that in its plane (three or five of its parameters); the other three go with [`OutOfPlane`]. By other
    /// criteria than least squares it is that of the least-squares fit to the same points, since contacts tell none.
    /// Absent without spare points.
    pub noise_mm: Option<f64>,
    /// Circle and slot: what was left out of its plane.
    pub out_of_plane: Option<OutOfPlane>,
    /// The parameters to which rows and columns of `covariance` belong, in order.
    pub parameters: Vec<Uncertain>,
    /// Covariance of the parameters to first order, for independent equal noise of the size of `noise_mm`
    /// (mm2, mm rad, rad2 as the units of the two parameters say). Absent without spare points, and by other criteria
    /// than least squares.
    pub covariance: Option<Vec<Vec<f64>>>,
    /// By other criteria than least squares: the points that it rests on, ascending.
    pub contacts: Vec<Contact>,
    /// By other criteria than least squares: what is proven.
    pub proof: Option<Proof>,
    /// By other criteria than least squares: what must be known before relying on it, in words.
    pub cautions: Vec<String>,
}

/// A residual and the point that has it.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Extreme {
    /// Signed orthogonal residual, mm.
    pub residual_mm: f64,
    /// Index of the point, from 0.
    pub index: u64,
}

/// How far the points of a circle or a slot lie out of the plane that was fitted to them first.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct OutOfPlane {
    /// Peak to valley along the normal, mm.
    pub form_mm: f64,
    /// Root mean square along the normal, mm; divisor: number of points.
    pub rms_mm: f64,
    /// Standard deviation of the noise along the normal, mm; absent for three points.
    pub noise_mm: Option<f64>,
}

/// A parameter with an uncertainty.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Uncertain {
    /// `shift` of `point_mm` along a direction, `tilt` of `direction` towards a direction, `radius`, `half_angle`,
    /// `minor_radius`, `turn` of `along` towards a direction, `length`, `width`.
    pub name: String,
    /// `mm` or `rad`.
    pub unit: String,
    /// The direction of a shift or a tilt, a unit vector.
    pub along: Option<[f64; 3]>,
    /// Square root of its place on the diagonal of the covariance, in its unit. Absent without spare points.
    pub standard_deviation: Option<f64>,
}

/// Fits `shape` to points, mm, by orthogonal (total) least squares.
///
/// Circle and slot are fitted in two steps: the total least-squares plane of the points, then the least-squares outline
/// of the points projected into it along its normal. Common practice, no source; for points that scatter little
/// about their plane it is the fit in one step to first order.
///
/// # Errors
/// Those of the shape's own fit; see [`FitError`].
pub fn associate(run: &Run, shape: Shape, points: &[Point]) -> Result<Association, FitError> {
    by_least_squares::associate(run, shape, points)
}

/// Associates `shape` with points, mm, by any criterion. Circle and slot lie in the least-squares plane of the points,
/// whatever the criterion.
///
/// # Errors
/// Those of the shape's own association; see [`FitError`].
pub fn associate_by(
    run: &Run,
    shape: Shape,
    criterion: Criterion,
    points: &[Point],
) -> Result<Association, FitError> {
    match criterion {
        Criterion::LeastSquares => associate(run, shape, points),
        _ => by_other_criteria::associate(run, shape, criterion, points),
    }
}

/// Number of free parameters.
pub(super) fn freedoms(shape: Shape) -> u64 {
    match shape {
        Shape::Plane => 3,
        Shape::Line | Shape::Sphere => 4,
        Shape::Cylinder => 5,
        Shape::Circle | Shape::Cone => 6,
        Shape::Torus => 7,
        Shape::Slot => 8,
    }
}

/// An error of the plane that a flat shape is to lie in, as one of that shape.
pub(super) fn named_as(shape: Shape) -> impl Fn(FitError) -> FitError {
    move |error| match error {
        FitError::Undetermined { freedom, .. } => FitError::Undetermined { shape, freedom },
        FitError::TooFewPoints { need, got, .. } => FitError::TooFewPoints { shape, need, got },
        other => other,
    }
}

impl Association {
    /// What all shapes have.
    pub(super) fn new(
        shape: Shape,
        points: usize,
        point: Point,
        rms_mm: f64,
        low: (f64, usize),
        high: (f64, usize),
    ) -> Self {
        let extreme = |(residual_mm, index)| Extreme { residual_mm, index: index as u64 };
        Self {
            shape,
            criterion: Criterion::LeastSquares.name().to_string(),
            points: points as u64,
            point_mm: point.coords.into(),
            direction: None,
            radius_mm: None,
            minor_radius_mm: None,
            along: None,
            length_mm: None,
            width_mm: None,
            half_angle_rad: None,
            apex_mm: None,
            rivals: Vec::new(),
            form_mm: high.0 - low.0,
            rms_mm,
            low: extreme(low),
            high: extreme(high),
            freedoms: freedoms(shape),
            noise_mm: None,
            out_of_plane: None,
            parameters: Vec::new(),
            covariance: None,
            contacts: Vec::new(),
            proof: None,
            cautions: Vec::new(),
        }
    }

    /// Adds the parameters and the noise variance times their unit covariance.
    pub(super) fn with(
        mut self,
        parameters: Vec<Uncertain>,
        noise_mm: Option<f64>,
        unit: &[Vec<f64>],
    ) -> Self {
        self.parameters = parameters;
        self.noise_mm = noise_mm;
        self.covariance = noise_mm.map(|s| {
            unit.iter().map(|row| row.iter().map(|v| s * s * v).collect()).collect::<Vec<Vec<f64>>>()
        });
        if let Some(covariance) = &self.covariance {
            for (i, parameter) in self.parameters.iter_mut().enumerate() {
                parameter.standard_deviation = Some(covariance[i][i].max(0.0).sqrt());
            }
        }
        self
    }
}

pub(super) fn numbers(direction: Direction) -> [f64; 3] {
    direction.vector().into()
}
