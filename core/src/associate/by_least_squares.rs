//! The one form of result by least squares, with the covariance of each shape.

use super::association::{named_as, numbers};
use super::circle::circle_within;
use super::cone::cone_within;
use super::cylinder::cylinder_within;
use super::slot::slot_within;
use super::sphere::sphere_within;
use super::torus::torus_within;
use super::{Association, FitError, OutOfPlane, PlaneFit, Shape, Uncertain, line, plane};
use crate::geometry::{Direction, Point};
use crate::run::Run;

pub(super) fn associate(run: &Run, shape: Shape, points: &[Point]) -> Result<Association, FitError> {
    match shape {
        Shape::Line => of_line(points),
        Shape::Plane => of_plane(points),
        Shape::Circle => of_circle(run, points),
        Shape::Sphere => of_sphere(run, points),
        Shape::Cylinder => of_cylinder(run, points),
        Shape::Cone => of_cone(run, points),
        Shape::Torus => of_torus(run, points),
        Shape::Slot => of_slot(run, points),
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

/// The plane of a flat shape's points, and how the shape's place along and tilt against its normal vary with it.
struct OutOf {
    flat: PlaneFit,
    told: OutOfPlane,
    /// Of the height of the centre and the tilts of the normal towards the two directions, times the noise.
    covariance: [[f64; 3]; 3],
}

fn out_of(flat: PlaneFit, centre: Point, [a, b]: [Direction; 2]) -> OutOf {
    let noise_mm = flat.noise_mm();
    let told = OutOfPlane { form_mm: flat.high.0 - flat.low.0, rms_mm: flat.rms_mm, noise_mm };
    let [s, t] = flat.along;
    // The centre's height follows the slopes of the plane by its distance from the centroid.
    let off = centre - flat.centroid;
    let (x, y) = (off.dot(&s.vector()), off.dot(&t.vector()));
    let c = &flat.unit_covariance;
    let rises = [[1.0, x, y], [0.0, -s.dot(a), -t.dot(a)], [0.0, -s.dot(b), -t.dot(b)]];
    let variance = noise_mm.map_or(0.0, |n| n * n);
    let covariance = std::array::from_fn(|i| {
        std::array::from_fn(|j| {
            let (i, j) = (i.max(j), i.min(j));
            variance * (0..3).map(|k| rises[i][k] * c[k][k] * rises[j][k]).sum::<f64>()
        })
    });
    OutOf { flat, told, covariance }
}

impl Association {
    /// Adds what is known of a flat shape: `inside` its plane with the noise seen there, and out of it.
    fn flat<const N: usize>(
        mut self,
        parameters: Vec<Uncertain>,
        noise_mm: Option<f64>,
        inside: &[[f64; N]; N],
        out: &OutOf,
    ) -> Self {
        self.out_of_plane = Some(out.told);
        let mut covariance = vec![vec![0.0; N + 3]; N + 3];
        let both = noise_mm.filter(|_| out.flat.noise_mm().is_some());
        if let Some(noise) = both {
            for i in 0..N {
                for j in 0..N {
                    covariance[i][j] = noise * noise * inside[i][j];
                }
            }
            for i in 0..3 {
                covariance[N + i][N..].copy_from_slice(&out.covariance[i]);
            }
        }
        // The noise is inside the covariance already: it differs in and out of the plane.
        let mut answer = self.with(parameters, noise_mm.map(|_| 1.0), &covariance);
        answer.noise_mm = noise_mm;
        answer
    }
}

fn of_circle(run: &Run, points: &[Point]) -> Result<Association, FitError> {
    let flat = plane(points).map_err(named_as(Shape::Circle))?;
    let fit = circle_within(run, points, flat.normal)?;
    let mut answer = Association::new(Shape::Circle, points.len(), fit.centre, fit.rms_mm, fit.low, fit.high);
    answer.direction = Some(numbers(fit.axis));
    answer.radius_mm = Some(fit.radius_mm);
    let [a, b] = fit.across;
    let out = out_of(flat, fit.centre, fit.across);
    let parameters = vec![shift(a), shift(b), radius(), shift(fit.axis), tilt(a), tilt(b)];
    Ok(answer.flat(parameters, fit.noise_mm(), &fit.unit_covariance, &out))
}

fn of_slot(run: &Run, points: &[Point]) -> Result<Association, FitError> {
    let flat = plane(points).map_err(named_as(Shape::Slot))?;
    let fit = slot_within(run, points, flat.normal)?;
    let mut answer = Association::new(Shape::Slot, points.len(), fit.centre, fit.rms_mm, fit.low, fit.high);
    answer.direction = Some(numbers(fit.axis));
    answer.along = Some(numbers(fit.along));
    answer.length_mm = Some(fit.length_mm);
    answer.width_mm = Some(fit.width_mm);
    let (a, b) = (fit.along, fit.across);
    let out = out_of(flat, fit.centre, [a, b]);
    let parameters = vec![
        shift(a),
        shift(b),
        named("turn", "rad", Some(b)),
        named("length", "mm", None),
        named("width", "mm", None),
        shift(fit.axis),
        tilt(a),
        tilt(b),
    ];
    Ok(answer.flat(parameters, fit.noise_mm(), &fit.unit_covariance, &out))
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

fn of_torus(run: &Run, points: &[Point]) -> Result<Association, FitError> {
    let fit = torus_within(run, points)?;
    let mut answer = Association::new(Shape::Torus, points.len(), fit.centre, fit.rms_mm, fit.low, fit.high);
    answer.direction = Some(numbers(fit.axis));
    answer.radius_mm = Some(fit.major_radius_mm);
    answer.minor_radius_mm = Some(fit.minor_radius_mm);
    let [a, b] = fit.across;
    let small = named("minor_radius", "mm", None);
    let parameters = vec![tilt(a), tilt(b), shift(a), shift(b), shift(fit.axis), radius(), small];
    Ok(answer.with(parameters, fit.noise_mm(), &rows(&fit.unit_covariance)))
}

fn rows<const N: usize>(matrix: &[[f64; N]; N]) -> Vec<Vec<f64>> {
    matrix.iter().map(|row| row.to_vec()).collect()
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
