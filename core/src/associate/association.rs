//! One call for every shape, with one form of result.

use super::circle::circle_within;
use super::cone::cone_within;
use super::cylinder::cylinder_within;
use super::sphere::sphere_within;
use super::{FitError, Shape, line, plane};
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
    /// How many points.
    pub points: u64,
    /// Line and plane: the centroid of the points. Circle and sphere: the centre. Cylinder and cone: the point
    /// of the axis nearest to the centroid. mm.
    pub point_mm: [f64; 3],
    /// Unit vector along the line or the axis, or normal to the plane or the circle; a cone's points to its
    /// open end, the largest component of any other is positive. A sphere has none.
    pub direction: Option<[f64; 3]>,
    /// Radius of circle, sphere and cylinder; of a cone, that of the section through `point_mm`. mm.
    pub radius_mm: Option<f64>,
    /// Cone: half of the apex angle, rad.
    pub half_angle_rad: Option<f64>,
    /// Cone: the apex, mm.
    pub apex_mm: Option<[f64; 3]>,
    /// Cone through six points: axes of other cones that meet them exactly as well (see [`super::cone`]).
    pub rivals: Vec<[f64; 3]>,
    /// Peak to valley of the orthogonal residuals, mm: `high - low`. For a line, whose residuals are distances,
    /// twice the largest of them: the diameter of the cylinder about the line that holds all points.
    pub form_mm: f64,
    /// Root mean square residual, mm; divisor: number of points.
    pub rms_mm: f64,
    /// The smallest residual: the point farthest below the plane or inside the shape (nearest to the line).
    pub low: Extreme,
    /// The largest residual: the point farthest above the plane, or outside the shape (farthest from the line).
    pub high: Extreme,
    /// Number of free parameters: line 4, plane 3, circle 6, sphere 4, cylinder 5, cone 6.
    pub freedoms: u64,
    /// Standard deviation of the noise as the residuals show it, mm: number of residuals less that of the
    /// parameters in the divisor. A line has two residuals a point, across it. A circle's is that in its
    /// plane (three of its parameters); the other three go with [`OutOfPlane`]. Absent without spare points.
    pub noise_mm: Option<f64>,
    /// Circle: what was left out of its plane.
    pub out_of_plane: Option<OutOfPlane>,
    /// The parameters to which rows and columns of `covariance` belong, in order.
    pub parameters: Vec<Uncertain>,
    /// Covariance of the parameters to first order, for independent equal noise of the size of `noise_mm`
    /// (mm2, mm rad, rad2 as the units of the two parameters say). Absent without spare points.
    pub covariance: Option<Vec<Vec<f64>>>,
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

/// How far a circle's points lie out of the plane that was fitted to them first.
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
    /// `shift` of `point_mm` along a direction, `tilt` of `direction` towards a direction, `radius`, `half_angle`.
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
/// A circle is fitted in two steps: the total least-squares plane of the points, then the least-squares circle
/// of the points projected into it along its normal. Common practice, no source; for points that scatter little
/// about their plane it is the fit in one step to first order.
///
/// # Errors
/// Those of the shape's own fit; see [`FitError`].
pub fn associate(run: &Run, shape: Shape, points: &[Point]) -> Result<Association, FitError> {
    match shape {
        Shape::Line => of_line(points),
        Shape::Plane => of_plane(points),
        Shape::Circle => of_circle(run, points),
        Shape::Sphere => of_sphere(run, points),
        Shape::Cylinder => of_cylinder(run, points),
        Shape::Cone => of_cone(run, points),
    }
}

fn of_line(points: &[Point]) -> Result<Association, FitError> {
    let fit = line(points)?;
    let mut answer = Association::new(Shape::Line, points.len(), fit.centroid, fit.rms_mm, fit.low, fit.high);
    answer.form_mm = fit.form_mm();
    answer.direction = Some(numbers(fit.direction));
    let [a, b] = fit.across;
    Ok(answer.with(vec![shift(a), shift(b), tilt(a), tilt(b)], fit.noise_mm(), &rows(&fit.unit_covariance)))
}

fn of_plane(points: &[Point]) -> Result<Association, FitError> {
    let fit = plane(points)?;
    let mut answer =
        Association::new(Shape::Plane, points.len(), fit.centroid, fit.rms_mm, fit.low, fit.high);
    answer.direction = Some(numbers(fit.normal));
    // Where the plane rises along a direction, its normal tilts against it.
    let [a, b] = fit.along.map(Direction::reversed);
    let parameters = vec![shift(fit.normal), tilt(a), tilt(b)];
    Ok(answer.with(parameters, fit.noise_mm(), &rows(&fit.unit_covariance)))
}

fn of_circle(run: &Run, points: &[Point]) -> Result<Association, FitError> {
    let as_circle = |error| match error {
        FitError::Undetermined { freedom, .. } => FitError::Undetermined { shape: Shape::Circle, freedom },
        FitError::TooFewPoints { need, got, .. } => {
            FitError::TooFewPoints { shape: Shape::Circle, need, got }
        }
        other => other,
    };
    let flat = plane(points).map_err(as_circle)?;
    let fit = circle_within(run, points, flat.normal)?;
    let mut answer = Association::new(Shape::Circle, points.len(), fit.centre, fit.rms_mm, fit.low, fit.high);
    answer.direction = Some(numbers(fit.axis));
    answer.radius_mm = Some(fit.radius_mm);
    let noise_out = flat.noise_mm();
    answer.out_of_plane =
        Some(OutOfPlane { form_mm: flat.high.0 - flat.low.0, rms_mm: flat.rms_mm, noise_mm: noise_out });

    let [a, b] = fit.across;
    let [s, t] = flat.along;
    // The centre's height follows the slopes of the plane by its distance from the centroid.
    let off = fit.centre - flat.centroid;
    let (x, y) = (off.dot(&s.vector()), off.dot(&t.vector()));
    let c = &flat.unit_covariance;
    let rises = [[1.0, x, y], [0.0, -s.dot(a), -t.dot(a)], [0.0, -s.dot(b), -t.dot(b)]];
    let mut covariance = vec![vec![0.0; 6]; 6];
    if let (Some(inside), Some(outside)) = (fit.noise_mm(), noise_out) {
        for i in 0..3 {
            for j in 0..=i {
                covariance[i][j] = inside * inside * fit.unit_covariance[i][j];
                let total: f64 = (0..3).map(|k| rises[i][k] * c[k][k] * rises[j][k]).sum();
                covariance[i + 3][j + 3] = outside * outside * total;
                covariance[j][i] = covariance[i][j];
                covariance[j + 3][i + 3] = covariance[i + 3][j + 3];
            }
        }
    }
    let parameters = vec![shift(a), shift(b), radius(), shift(fit.axis), tilt(a), tilt(b)];
    // The noise is inside the covariance already: it differs in and out of the plane.
    let noise = fit.noise_mm();
    let mut answer = answer.with(parameters, noise.map(|_| 1.0), &covariance);
    answer.noise_mm = noise;
    Ok(answer)
}

fn of_sphere(run: &Run, points: &[Point]) -> Result<Association, FitError> {
    let fit = sphere_within(run, points)?;
    let mut answer = Association::new(Shape::Sphere, points.len(), fit.centre, fit.rms_mm, fit.low, fit.high);
    answer.radius_mm = Some(fit.radius_mm);
    let parameters = vec![shift(Direction::X), shift(Direction::Y), shift(Direction::Z), radius()];
    Ok(answer.with(parameters, fit.noise_mm(), &rows(&fit.unit_covariance)))
}

fn of_cylinder(run: &Run, points: &[Point]) -> Result<Association, FitError> {
    let fit = cylinder_within(run, points)?;
    let mut answer =
        Association::new(Shape::Cylinder, points.len(), fit.point, fit.rms_mm, fit.low, fit.high);
    answer.direction = Some(numbers(fit.axis));
    answer.radius_mm = Some(fit.radius_mm);
    let [a, b] = fit.across;
    let parameters = vec![tilt(a), tilt(b), shift(a), shift(b), radius()];
    Ok(answer.with(parameters, fit.noise_mm(), &rows(&fit.unit_covariance)))
}

fn of_cone(run: &Run, points: &[Point]) -> Result<Association, FitError> {
    let fit = cone_within(run, points)?;
    let mut answer = Association::new(Shape::Cone, points.len(), fit.point, fit.rms_mm, fit.low, fit.high);
    answer.direction = Some(numbers(fit.axis));
    answer.radius_mm = Some(fit.radius_mm);
    answer.half_angle_rad = Some(fit.half_angle_rad);
    answer.apex_mm = Some(fit.apex().coords.into());
    answer.rivals = fit.rivals.iter().copied().map(numbers).collect();
    let [a, b] = fit.across;
    let parameters = vec![tilt(a), tilt(b), shift(a), shift(b), radius(), named("half_angle", "rad", None)];
    Ok(answer.with(parameters, fit.noise_mm(), &rows(&fit.unit_covariance)))
}

impl Association {
    /// What all shapes have.
    fn new(
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
            points: points as u64,
            point_mm: point.coords.into(),
            direction: None,
            radius_mm: None,
            half_angle_rad: None,
            apex_mm: None,
            rivals: Vec::new(),
            form_mm: high.0 - low.0,
            rms_mm,
            low: extreme(low),
            high: extreme(high),
            freedoms: 0,
            noise_mm: None,
            out_of_plane: None,
            parameters: Vec::new(),
            covariance: None,
        }
    }

    /// Adds the parameters and the noise variance times their unit covariance.
    fn with(mut self, parameters: Vec<Uncertain>, noise_mm: Option<f64>, unit: &[Vec<f64>]) -> Self {
        self.freedoms = parameters.len() as u64;
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

fn rows<const N: usize>(matrix: &[[f64; N]; N]) -> Vec<Vec<f64>> {
    matrix.iter().map(|row| row.to_vec()).collect()
}

fn numbers(direction: Direction) -> [f64; 3] {
    direction.vector().into()
}

fn named(name: &str, unit: &str, along: Option<Direction>) -> Uncertain {
    let along = along.map(numbers);
    Uncertain { name: name.to_string(), unit: unit.to_string(), along, standard_deviation: None }
}

fn shift(along: Direction) -> Uncertain {
    named("shift", "mm", Some(along))
}

fn tilt(towards: Direction) -> Uncertain {
    named("tilt", "rad", Some(towards))
}

fn radius() -> Uncertain {
    named("radius", "mm", None)
}
