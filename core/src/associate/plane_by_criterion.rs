//! Planes by minimum zone and by least squares outside the material.

use super::by_criterion::{Extremal, Wanted};
use super::extremal::{Aim, Outline, walk};
use super::levenberg::Model;
use super::{Criterion, FitError, Material, Reach, Shape, centred, minimum_zone_plane, plane, unit};
use crate::geometry::{Direction, Point, Vector, math};
use crate::run::Run;

/// A plane.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Plane {
    /// The point of the plane nearest to the points' centroid, mm.
    pub point: Point,
    /// Normal: out of the material where that was said, else its largest component is positive.
    pub normal: Direction,
}

/// A direction further than 60 degrees from the normal does not say on which side the material is: noise would.
const LEAST_COS: f64 = 0.5;

/// The plane of at least three points, mm, by [`Criterion::MinimumZone`] (as [`minimum_zone_plane`], with the weights
/// of its contacts) or by [`Criterion::LeastSquaresOutside`] with [`Material::Behind`].
///
/// Outside the material the plane rests on the points from the side it faces, and among all such its sum of squares is
/// least; with heights over a fixed plane the problem is convex, so a crowned face has one answer where the rocking
/// tangent plane has many. Two contacts or one are common: the sum of squares holds the rest.
///
/// # Errors
/// Those of the least-squares [`super::plane`]; [`FitError::NoMeaning`] for another criterion or side,
/// [`FitError::Aslant`] for a side that is told from too near the plane.
pub fn plane_by(run: &Run, criterion: Criterion, points: &[Point]) -> Result<Extremal<Plane>, FitError> {
    let wanted = Wanted::of(Shape::Plane, criterion)?;
    let (point, normal, narrowest_of_all) = match criterion {
        Criterion::LeastSquaresOutside(Material::Behind(side)) => {
            let fit = plane(points)?.facing(side);
            let cos = fit.normal.dot(side);
            if !(cos >= LEAST_COS) {
                return Err(FitError::Aslant { degrees: math::acos(cos.clamp(-1.0, 1.0)).to_degrees() });
            }
            (fit.centroid, fit.normal, false)
        }
        _ => {
            let zone = minimum_zone_plane(points)?;
            (zone.point, zone.normal, zone.narrowest_of_all)
        }
    };
    let cloud = centred(Shape::Plane, 3, points)?;
    let all: Vec<Vector> = cloud.offsets.iter().map(|o| o / cloud.reach_mm).collect();
    let height = normal.vector().dot(&(point - cloud.centre)) / cloud.reach_mm;
    let start = Flat { normal: normal.vector(), height };
    let placed = |flat: &Flat| Plane {
        point: cloud.centre + flat.normal * (flat.height * cloud.reach_mm),
        normal: unit(flat.normal),
    };
    if let Criterion::LeastSquaresOutside(_) = criterion {
        return wanted.found::<_, _, 3, 2>(run, &cloud, &all, &start, placed);
    }
    let found = walk::<Flat, 3, 2>(run, &start, &all, Aim::Zone)?;
    let mut zone = wanted.told(&cloud, &all, (found, 1, 1), placed)?;
    if narrowest_of_all {
        zone.proof.reach = Reach::Everywhere;
    }
    Ok(zone)
}

/// A plane about points that are centred and of size one: all q with normal . q = height.
#[derive(Clone, Debug)]
struct Flat {
    normal: Vector,
    height: f64,
}

/// The local parameters are: tilts towards two vectors across, and the height.
impl Model<3> for Flat {
    type Item = Vector;

    fn rows(&self) -> impl Fn(&Vector) -> (f64, [f64; 3]) + Sync {
        let (a, b) = unit(self.normal).frame();
        move |q| (self.normal.dot(q) - self.height, [a.dot(q), b.dot(q), -1.0])
    }

    fn moved(&self, step: &[f64; 3]) -> Option<Self> {
        let (a, b) = unit(self.normal).frame();
        let normal = Direction::new(self.normal + a * step[0] + b * step[1])?.vector();
        let height = self.height + step[2];
        height.is_finite().then_some(Self { normal, height })
    }
}

impl Outline<3> for Flat {
    const GROWTH: [f64; 3] = [0.0, 0.0, 1.0];

    fn size(&self) -> f64 {
        1.0
    }
}
