//! The one form of result by criteria other than least squares, with contacts and proof.

use super::association::{named_as, numbers};
use super::{
    Association, Criterion, Extremal, FitError, OutOfPlane, Shape, by_least_squares, circle_by, cone_by,
    cylinder_by, line_by, plane, plane_by, slot_by, sphere_by, torus_by,
};
use crate::geometry::{Direction, Point, math};
use crate::run::Run;

/// Least weight of a contact that holds a shape firmly: below a hundredth its neighbours in the noise would do as well.
const FIRM_WEIGHT: f64 = 0.01;

/// Largest gain that rounding explains.
const AT_REST: f64 = 1e-6;

pub(super) fn associate(
    run: &Run,
    shape: Shape,
    criterion: Criterion,
    points: &[Point],
) -> Result<Association, FitError> {
    let mut answer = by_contacts(run, shape, criterion, points)?;
    answer.noise_mm = by_least_squares::associate(run, shape, points)?.noise_mm;
    answer.cautions = cautions(criterion, &answer);
    Ok(answer)
}

/// What must be known before relying on a shape that rests on a few points.
fn cautions(criterion: Criterion, answer: &Association) -> Vec<String> {
    let mut told = Vec::new();
    if let Some(proof) = answer.proof {
        if !(proof.gain < AT_REST) {
            told.push(format!("not at rest: a move of 1 mm could gain {:.1e} mm", proof.gain));
        } else if !proof.held {
            told.push(
                "not unique: others reach the same, so what its contacts do not hold may differ".into(),
            );
        }
    }
    // Outside the material weights are forces, not shares.
    let shares = !matches!(criterion, Criterion::LeastSquaresOutside(_));
    let least = answer.contacts.iter().map(|c| c.weight).fold(f64::INFINITY, f64::min);
    if shares && least < FIRM_WEIGHT {
        told.push(format!(
            "hardly held: a contact carries {least:.1e} of the whole, so what it holds, such as the axis in a tapered \
             bore, is left to the noise of single points"
        ));
    }
    told.push(match answer.noise_mm {
        Some(noise) => format!(
            "it rests on single points as they are: noise of {noise:.4} mm, as least squares of the same points shows it \
             with their form, moves them by up to several times as much; give filtered points"
        ),
        None => "it rests on single points as they are, with their noise".into(),
    });
    told
}

fn by_contacts(
    run: &Run,
    shape: Shape,
    criterion: Criterion,
    points: &[Point],
) -> Result<Association, FitError> {
    match shape {
        Shape::Line => {
            let found = line_by(run, criterion, points)?;
            let mut answer = of(shape, &found, found.shape.point, Some(found.shape.direction));
            answer.form_mm = 2.0 * found.high.0;
            Ok(answer)
        }
        Shape::Plane => {
            let found = plane_by(run, criterion, points)?;
            Ok(of(shape, &found, found.shape.point, Some(found.shape.normal)))
        }
        Shape::Circle => {
            let (normal, out) = plane_of(shape, points)?;
            let found = circle_by(run, criterion, points, normal)?;
            let mut answer = of(shape, &found, found.shape.centre, Some(normal));
            answer.radius_mm = Some(found.shape.radius_mm);
            answer.out_of_plane = Some(out);
            Ok(answer)
        }
        Shape::Sphere => {
            let found = sphere_by(run, criterion, points)?;
            let mut answer = of(shape, &found, found.shape.centre, None);
            answer.radius_mm = Some(found.shape.radius_mm);
            Ok(answer)
        }
        Shape::Cylinder => {
            let found = cylinder_by(run, criterion, points)?;
            let mut answer = of(shape, &found, found.shape.point, Some(found.shape.axis));
            answer.radius_mm = Some(found.shape.radius_mm);
            Ok(answer)
        }
        Shape::Cone => {
            let found = cone_by(run, criterion, points)?;
            let cone = found.shape;
            let mut answer = of(shape, &found, cone.point, Some(cone.axis));
            answer.radius_mm = Some(cone.radius_mm);
            answer.half_angle_rad = Some(cone.half_angle_rad);
            let apex = cone.point - cone.axis.vector() * (cone.radius_mm / math::tan(cone.half_angle_rad));
            answer.apex_mm = Some(apex.coords.into());
            Ok(answer)
        }
        Shape::Torus => {
            let found = torus_by(run, criterion, points)?;
            let mut answer = of(shape, &found, found.shape.centre, Some(found.shape.axis));
            answer.radius_mm = Some(found.shape.major_radius_mm);
            answer.minor_radius_mm = Some(found.shape.minor_radius_mm);
            Ok(answer)
        }
        Shape::Slot => {
            let (normal, out) = plane_of(shape, points)?;
            let found = slot_by(run, criterion, points, normal)?;
            let mut answer = of(shape, &found, found.shape.centre, Some(normal));
            answer.along = Some(numbers(found.shape.along));
            answer.length_mm = Some(found.shape.length_mm);
            answer.width_mm = Some(found.shape.width_mm);
            answer.out_of_plane = Some(out);
            Ok(answer)
        }
    }
}

/// Normal of the least-squares plane of a flat shape's points, and how far they lie out of it.
fn plane_of(shape: Shape, points: &[Point]) -> Result<(Direction, OutOfPlane), FitError> {
    let flat = plane(points).map_err(named_as(shape))?;
    let out =
        OutOfPlane { form_mm: flat.high.0 - flat.low.0, rms_mm: flat.rms_mm, noise_mm: flat.noise_mm() };
    Ok((flat.normal, out))
}

fn of<S>(shape: Shape, found: &Extremal<S>, point: Point, direction: Option<Direction>) -> Association {
    let mut answer = Association::new(shape, found.points, point, found.rms_mm, found.low, found.high);
    answer.criterion = found.criterion.name().to_string();
    answer.direction = direction.map(numbers);
    answer.contacts.clone_from(&found.contacts);
    answer.proof = Some(found.proof);
    answer
}
