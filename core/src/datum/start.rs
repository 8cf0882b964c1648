//! About how points in the instrument's axes lie on the part, to begin with.
//!
//! Points whose nominal place is known (centres, check points, pads, balls) are laid on those by the best rigid motion
//! (Horn, "Closed-form solution of absolute orientation using unit quaternions", JOSA A 4(4), 1987). Two places and a
//! plane do as well, once the plane's side is known.

use crate::associate::plane;
use crate::geometry::{Direction, Matrix3, Motion, PartFrame, Point, ScanFrame, Vector, symmetric_eigen};
use crate::plan::{DatumFrom, DatumSource, DatumSystem, FaceMap, Plan, Situation};
use crate::points::{PointSet, Role};

use super::DatumError;
use super::holds::{Hold, HoldKind};

/// Places on a line within this of their spread hold no turn about it.
const LEAST_SPREAD: f64 = 1e-3;

/// A start for the solver.
pub(super) fn of_points(
    set: &PointSet,
    system: &DatumSystem,
    holds: &[Hold],
    plan: &Plan,
    faces: &FaceMap,
) -> Result<Motion<PartFrame, ScanFrame>, DatumError> {
    let mut pairs = pairs(set, plan, faces);
    if let Some(motion) = rigid(&pairs) {
        return Ok(motion);
    }
    let no = |problem: &str| DatumError::NoStart { id: system.id.clone(), problem: problem.to_owned() };
    // On a line, or two: a plane tells the turn about it, if its side is known.
    let Some((nominal_normal, normal)) = plane_pair(set, holds) else {
        return Err(no(
            "the points do not tell about how the part lies: take three places that the plan knows (holes, check \
             points, pads), or two and a datum plane",
        ));
    };
    let Some(normal) = normal else {
        return Err(no(
            "the points do not tell which side of the datum plane the material is on: give the normals nx, ny, nz of \
             its points, or take a third place off the line of the others",
        ));
    };
    let with_plane = |p: &Point, n: Direction, reach: f64| p + n.vector() * reach;
    let reach = pairs.first().zip(pairs.last()).map_or(0.0, |(a, b)| (a.0 - b.0).norm());
    let Some(&(nominal, measured)) = pairs.first() else {
        return Err(no(
            "no place that the plan knows was taken besides the plane; take two holes, pads or check points",
        ));
    };
    pairs.push((with_plane(&nominal, nominal_normal, reach), with_plane(&measured, normal, reach)));
    rigid(&pairs).ok_or_else(|| {
        no("the places taken lie so that a turn is left free; take two holes, pads or check points further apart")
    })
}

/// Nominal and measured places that stand for each other.
fn pairs(set: &PointSet, plan: &Plan, faces: &FaceMap) -> Vec<(Point, Point)> {
    let mut pads: Vec<(&str, Point)> = Vec::new();
    for system in &plan.datum_systems {
        if let DatumSource::Datums(datums) = &system.source {
            for datum in datums {
                if let DatumFrom::Targets(targets) = &datum.from {
                    pads.extend(targets.iter().map(|t| (t.id.as_str(), t.at)));
                }
            }
        }
    }
    for fixture in &plan.fixtures {
        pads.extend(fixture.targets.iter().map(|t| (t.id.as_str(), t.at)));
    }
    let mut pairs = Vec::new();
    let mut walls: Vec<(&str, Point, Vec<Point>)> = Vec::new();
    for p in &set.points {
        if let Some((_, at)) = pads.iter().find(|(id, _)| *id == p.name) {
            pairs.push((*at, p.point));
            continue;
        }
        match faces.features.iter().find(|f| f.id == p.name).map(|f| f.situation) {
            Some(Situation::Point { at, .. }) => pairs.push((at, p.point)),
            Some(Situation::Hole { at, .. } | Situation::Slot { at, .. }) => match p.role {
                Role::Centre => pairs.push((at, p.point)),
                Role::Surface => match walls.iter_mut().find(|w| w.0 == p.name) {
                    Some(wall) => wall.2.push(p.point),
                    None => walls.push((&p.name, at, vec![p.point])),
                },
            },
            _ => {}
        }
    }
    // The middle of the points of a wall is near enough to its centre to begin with.
    pairs.extend(walls.into_iter().map(|(_, at, points)| {
        let sum = points.iter().fold(Vector::zeros(), |s, p| s + p.coords);
        (at, Point::from(sum / points.len() as f64))
    }));
    pairs
}

/// The nominal normal of the first datum plane and the measured one; its side from the points' normals.
fn plane_pair(set: &PointSet, holds: &[Hold]) -> Option<(Direction, Option<Direction>)> {
    holds.iter().find_map(|h| {
        let HoldKind::Plane { normal, .. } = h.kind else { return None };
        let taken: Vec<_> = set.points.iter().filter(|p| h.is_named(&p.name)).collect();
        let points: Vec<Point> = taken.iter().map(|p| p.point).collect();
        let fit = plane(&points).ok()?;
        let sides: f64 = taken.iter().filter_map(|p| p.normal).map(|n| n.dot(fit.normal)).sum();
        let side = match sides {
            s if s > 0.5 => Some(fit.normal),
            s if s < -0.5 => Some(fit.normal.reversed()),
            _ => None,
        };
        Some((normal, side))
    })
}

/// The best rigid motion of measured onto nominal places; `None` when a turn is left free.
fn rigid(pairs: &[(Point, Point)]) -> Option<Motion<PartFrame, ScanFrame>> {
    if pairs.len() < 3 {
        return None;
    }
    let n = pairs.len() as f64;
    let middle =
        |of: fn(&(Point, Point)) -> Point| pairs.iter().fold(Vector::zeros(), |s, p| s + of(p).coords) / n;
    let (to, from) = (middle(|p| p.0), middle(|p| p.1));
    if !(off_a_line(pairs.iter().map(|p| p.0.coords - to))
        && off_a_line(pairs.iter().map(|p| p.1.coords - from)))
    {
        return None;
    }
    let mut s = [[0.0; 3]; 3];
    for (nominal, measured) in pairs {
        let (a, b) = (measured.coords - from, nominal.coords - to);
        for i in 0..3 {
            for j in 0..3 {
                s[i][j] += a[i] * b[j];
            }
        }
    }
    let [[xx, xy, xz], [yx, yy, yz], [zx, zy, zz]] = s;
    // Horn 1987, section 4.A.
    let matrix = [
        [xx + yy + zz, yz - zy, zx - xz, xy - yx],
        [yz - zy, xx - yy - zz, xy + yx, zx + xz],
        [zx - xz, xy + yx, yy - xx - zz, yz + zy],
        [xy - yx, zx + xz, yz + zy, zz - xx - yy],
    ];
    let (_, vectors) = symmetric_eigen(&matrix);
    let [w, x, y, z] = vectors[3];
    let rotation = Matrix3::new(
        w * w + x * x - y * y - z * z,
        2.0 * (x * y - w * z),
        2.0 * (x * z + w * y),
        2.0 * (x * y + w * z),
        w * w - x * x + y * y - z * z,
        2.0 * (y * z - w * x),
        2.0 * (x * z - w * y),
        2.0 * (y * z + w * x),
        w * w - x * x - y * y + z * z,
    );
    Motion::new(rotation, to - rotation * from)
}

/// Whether places about their middle spread over more than a line.
fn off_a_line(offs: impl Iterator<Item = Vector> + Clone) -> bool {
    let Some(far) = offs.clone().max_by(|a, b| a.norm().total_cmp(&b.norm())) else { return false };
    let length = far.norm();
    length > 0.0 && offs.map(|o| o.cross(&far).norm() / length).fold(0.0, f64::max) > LEAST_SPREAD * length
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::random::Random;

    #[test]
    fn places_are_laid_on_each_other_and_a_line_is_not_enough() {
        let mut random = Random::seeded(3);
        for _ in 0..50 {
            let truth: Motion<PartFrame, ScanFrame> = Motion::from_turn_and_shift(
                random.turn(),
                Vector::new(random.range(-900.0, 900.0), random.range(-900.0, 900.0), 5.0),
            );
            let places: Vec<Point> = (0..5)
                .map(|_| {
                    Point::new(random.range(0.0, 700.0), random.range(0.0, 500.0), random.range(0.0, 60.0))
                })
                .collect();
            let pairs: Vec<_> = places.iter().map(|p| (truth.point(p), *p)).collect();
            let found = rigid(&pairs).unwrap();
            let worst = places.iter().map(|p| (found.point(p) - truth.point(p)).norm()).fold(0.0, f64::max);
            assert!(worst < 1e-9, "{worst}");
            let line: Vec<_> =
                (0..4).map(|i| Point::new(f64::from(i), 2.0 * f64::from(i), 1.0)).map(|p| (p, p)).collect();
            assert!(rigid(&line).is_none() && rigid(&pairs[..2]).is_none());
        }
    }
}
