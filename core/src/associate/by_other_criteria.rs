//! The one form of result by criteria other than least squares, with contacts and proof.

use super::association::{named_as, numbers};
use super::{
    Association, Criterion, Extremal, FitError, OutOfPlane, Shape, circle_by, cone_by, cylinder_by, line_by,
    plane, plane_by, slot_by, sphere_by, torus_by,
};
use crate::geometry::{Direction, Point, math};
use crate::run::Run;

pub(super) fn associate(
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
