//! Least-squares fits against the published ones, where they are and 4.5 m away.

use rayon::prelude::*;

use super::references::PublishedFit;
use super::report::{Basis, Check, Group, Quantity};
use crate::associate::{Association, FitError, Shape, associate};
use crate::geometry::{Point, Vector, math};
use crate::run::{Run, Stopped};

/// mm and rad. The coordinates carry five decimals and the answers twenty digits.
const HERE: f64 = 1e-9;
/// Four and a half metres away the coordinates themselves are rounded to 9e-13 mm.
const AWAY: f64 = 1e-8;
/// 4,503 mm askew to all axes.
const BY_MM: [f64; 3] = [-2600.0, 2600.0, 2600.0];

const SOURCE: &str = "NIST Algorithm Testing System, reference fits; method: C. M. Shakarji, J. Res. NIST 103(6), \
                      1998, 633-641";

pub(super) fn groups(run: &Run, fits: &[PublishedFit]) -> Result<Vec<Group>, Stopped> {
    let by = Vector::from(BY_MM);
    let here = fits.par_iter().map(|f| check(run, f, HERE)).collect::<Result<_, _>>()?;
    let away = fits.par_iter().map(|f| check(run, &f.moved(by), AWAY)).collect::<Result<_, _>>()?;
    let title = "least-squares fits";
    let away_title = "the same, set and fit moved by 4,503 mm";
    Ok(vec![
        Group::of("least_squares", title, Basis::Published, SOURCE, here),
        Group::of("least_squares_away", away_title, Basis::Published, SOURCE, away),
    ])
}

fn check(run: &Run, set: &PublishedFit, limit: f64) -> Result<Check, Stopped> {
    run.check()?;
    match associate(run, set.shape, &set.points) {
        Ok(found) => Ok(Check::of(&set.name, set.shape.name(), compared(set, &found, limit))),
        Err(FitError::Stopped(stopped)) => Err(stopped),
        Err(other) => Ok(Check::missing(&set.name, set.shape.name(), &other)),
    }
}

/// What does not depend on the free choices of an answer: the sign of a normal, the place along an axis.
fn compared(set: &PublishedFit, found: &Association, limit: f64) -> Vec<Quantity> {
    let mut quantities = Vec::new();
    let point = Point::from(found.point_mm);
    let off = set.place - point;
    let direction = found.direction.map(Vector::from);
    // A shape without its direction is none, and the deviation no number.
    let d = direction.unwrap_or(Vector::repeat(f64::NAN));
    let places = (point.coords.as_slice(), set.place.coords.as_slice());
    let (of_place, apart) = match set.shape {
        Shape::Plane => ("the published point, from our plane", off.dot(&d).abs()),
        Shape::Sphere => ("centre", off.norm()),
        Shape::Circle => ("centre, in the circle's plane", off.cross(&d).norm()),
        _ => ("the published point, from our axis", off.cross(&d).norm()),
    };
    quantities.push(Quantity::of((of_place, "mm"), places, apart, limit));
    if let Some(stated) = set.direction {
        // Only a cone's axis has an end of its own.
        let ours = if set.shape != Shape::Cone && d.dot(&stated) < 0.0 { -d } else { d };
        let turn = math::atan2(ours.cross(&stated).norm(), ours.dot(&stated));
        quantities.push(Quantity::of(
            ("direction", "rad"),
            (ours.as_slice(), stated.as_slice()),
            turn,
            limit,
        ));
    }
    let radius = found.radius_mm.unwrap_or(f64::NAN);
    let size = match (set.shape, found.half_angle_rad) {
        (Shape::Cone, half) => {
            // From the published point square to our surface.
            let half = half.unwrap_or(f64::NAN);
            let at = radius + off.dot(&d) * math::tan(half);
            ("distance of the published point from the surface", (at - apart) * math::cos(half))
        }
        _ => ("diameter", 2.0 * radius),
    };
    if let Some(stated) = set.size_mm {
        quantities.push(Quantity::number((size.0, "mm"), size.1, stated, limit));
    }
    if let Some(stated) = set.apex_rad {
        let ours = 2.0 * found.half_angle_rad.unwrap_or(f64::NAN);
        quantities.push(Quantity::number(("apex angle", "rad"), ours, stated, limit));
    }
    quantities
}
