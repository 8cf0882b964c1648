//! Lines, cylinders and cones by criteria other than least squares.

use super::by_criterion::{Extremal, Wanted};
use super::cone::{Funnel, cone_within};
use super::cylinder::{Tube, cylinder_within};
use super::extremal::{Aim, Outline, best_of_starts};
use super::tilted_starts::tilted_starts;
use super::{Centred, Criterion, FitError, Shape, centred, line, signed, unit};
use crate::geometry::{Direction, Point, Vector};
use crate::run::Run;

/// A straight line in space.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Line {
    /// The point of the line nearest to the points' centroid, mm.
    pub point: Point,
    /// Direction; its largest component is positive (the first of equal ones).
    pub direction: Direction,
}

/// A cylinder.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Cylinder {
    /// The point of the axis nearest to the points' centroid, mm.
    pub point: Point,
    /// Axis; its largest component is positive (the first of equal ones).
    pub axis: Direction,
    /// Radius, mm.
    pub radius_mm: f64,
}

/// A cone.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Cone {
    /// The point of the axis nearest to the points' centroid, mm.
    pub point: Point,
    /// Axis, from the apex towards the open end.
    pub axis: Direction,
    /// Radius of the section through `point` square to the axis, mm.
    pub radius_mm: f64,
    /// Half of the apex angle, rad.
    pub half_angle_rad: f64,
}

impl Outline<5> for Tube {
    const GROWTH: [f64; 5] = [0.0, 0.0, -1.0, 0.0, 1.0];

    fn size(&self) -> f64 {
        self.radius
    }

    fn astray(&self, end: &Self) -> bool {
        !(self.axis.dot(&end.axis).abs() > UPRIGHT)
    }
}

/// Cosine of the largest turn from the least-squares axis: a short tube's points are held by a smaller cylinder that
/// lies across it, and what turns by more than 0.2 rad is on its way there. Twice what least squares may leave open.
pub(super) const UPRIGHT: f64 = 0.98;

impl Outline<6> for Funnel {
    const GROWTH: [f64; 6] = [0.0, 0.0, 0.0, 0.0, 0.0, 1.0];

    fn size(&self) -> f64 {
        self.radius().abs()
    }
}

fn at_size_one(cloud: &Centred) -> Vec<Vector> {
    cloud.offsets.iter().map(|o| o / cloud.reach_mm).collect()
}

fn along_axis(tube: &Tube, cloud: &Centred) -> (Point, Direction) {
    (cloud.centre + tube.point * cloud.reach_mm, unit(signed(tube.axis)))
}

/// The line whose largest distance from a point is least, by [`Criterion::MinimumZone`]: the axis of the narrowest
/// cylinder that holds all of at least two points, mm. `low` and `high` are distances from the line, so that the
/// diameter of the cylindrical zone is twice `high`.
///
/// The circumscribed cylinder is searched for from the least-squares line; see [`cylinder_by`].
///
/// # Errors
/// Those of the least-squares [`super::line()`]; [`FitError::NoMeaning`] for another criterion.
pub fn line_by(run: &Run, criterion: Criterion, points: &[Point]) -> Result<Extremal<Line>, FitError> {
    let wanted = Wanted::of(Shape::Line, criterion)?;
    let fit = line(points)?;
    let cloud = centred(Shape::Line, 2, points)?;
    let all = at_size_one(&cloud);
    let through = (fit.centroid - cloud.centre) / cloud.reach_mm;
    let axis = fit.direction.vector();
    let radius = (fit.high.0 / cloud.reach_mm).max(1e-12);
    let start = Tube { axis, point: through - axis * axis.dot(&through), radius };
    let (mut found, starts, arrived) =
        best_of_starts::<Tube, 5, 4>(run, &start, &all, Aim::Circumscribed, (&[], |_, _| false))?;
    // Distances from the axis itself.
    found.model.radius = 0.0;
    wanted.told(&cloud, &all, (found, starts, arrived), |tube| {
        let (point, direction) = along_axis(tube, &cloud);
        Line { point, direction }
    })
}

/// The cylinder of at least six points, mm, by any criterion but least squares without constraint.
///
/// Searched from the least-squares cylinder and places about it; how: [`super::Proof`]. None of the three is a convex
/// problem: the answer is the best of the local optima found. A short tube has many circumscribed cylinders that no small tilt
/// makes smaller; along each given axis there is but one, the smallest circle about the points as they are seen, so that axes all
/// over the cone within which its own may lie are tried, and the search begins at the best of them too. Contacts are at most six for a zone and five for the
/// others; fewer where the curvature holds it (two opposite ones hold a circumscribed cylinder's place, for one).
///
/// # Errors
/// Those of the least-squares [`super::cylinder()`]; [`super::Freedom::HalfOpen`] for an inscribed or circumscribed
/// cylinder of points that leave more than half a turn open; [`FitError::NoMeaning`] for another criterion.
pub fn cylinder_by(
    run: &Run,
    criterion: Criterion,
    points: &[Point],
) -> Result<Extremal<Cylinder>, FitError> {
    let wanted = Wanted::of(Shape::Cylinder, criterion)?;
    let fit = cylinder_within(run, points)?;
    let cloud = centred(Shape::Cylinder, 6, points)?;
    let all = at_size_one(&cloud);
    let start = Tube {
        axis: fit.axis.vector(),
        point: (fit.point - cloud.centre) / cloud.reach_mm,
        radius: fit.radius_mm / cloud.reach_mm,
    };
    let (a, b) = fit.axis.frame();
    let rays = all.iter().filter_map(|q| {
        let d = q - start.point;
        let ray = [d.dot(&a), d.dot(&b)];
        let length = (ray[0] * ray[0] + ray[1] * ray[1]).sqrt();
        (length > 0.0).then(|| ray.map(|v| v / length))
    });
    wanted.refuse_half_open(rays)?;
    let more = match criterion {
        Criterion::MinimumCircumscribed => tilted_starts(run, &start, &all)?,
        _ => Vec::new(),
    };
    wanted.found_from::<_, _, 5, 4>(run, &cloud, &all, (&start, &more), |tube| {
        let (point, axis) = along_axis(tube, &cloud);
        Cylinder { point, axis, radius_mm: tube.radius * cloud.reach_mm }
    })
}

/// The cone of at least six points, mm, by [`Criterion::MinimumZone`] (between two cones of one axis and one angle) or
/// [`Criterion::LeastSquaresOutside`].
///
/// Searched as [`cylinder_by`] does, with one freedom more; at most seven contacts.
///
/// # Errors
/// Those of the least-squares [`super::cone()`]; [`FitError::NoMeaning`] for another criterion.
pub fn cone_by(run: &Run, criterion: Criterion, points: &[Point]) -> Result<Extremal<Cone>, FitError> {
    let wanted = Wanted::of(Shape::Cone, criterion)?;
    let fit = cone_within(run, points)?;
    let cloud = centred(Shape::Cone, 6, points)?;
    let scale = cloud.reach_mm;
    let all = at_size_one(&cloud);
    let start = Funnel {
        axis: fit.axis.vector(),
        point: (fit.point - cloud.centre) / scale,
        angle: fit.half_angle_rad,
        gap: fit.radius_mm / scale * crate::geometry::math::cos(fit.half_angle_rad),
    };
    wanted.found::<_, _, 6, 5>(run, &cloud, &all, &start, |cone| {
        let cone = cone.opening();
        Cone {
            point: cloud.centre + cone.point * scale,
            axis: unit(cone.axis),
            radius_mm: cone.radius() * scale,
            half_angle_rad: cone.angle,
        }
    })
}
