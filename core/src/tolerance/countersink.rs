//! Diameter and depth of a countersink at the skin that it is sunk into. Terms by ISO 15065:2005 (countersinks for countersunk
//! head screws; from memory): included angle, countersink diameter. Where the skin is not square to the axis the diameter is
//! that at the place where the axis meets the skin (common practice, no source).

use super::skin_plane::SkinPlane;
use super::subject::surface;
use super::{Against, Found, Number, Rule, RuleError, Surface};
use crate::associate::{FitError, Freedom, Shape, circle, cone};
use crate::geometry::{Cholesky, Direction, Point, math};
use crate::run::Run;

/// What of a countersink is told.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SinkSize {
    /// Diameter of its cone where that meets the skin, mm.
    Diameter,
    /// From there to where it meets the wall of its hole, along its axis, mm.
    Depth,
}

/// A countersink: the first surface is its cone, the second a ring of the skin about it, the third, for its depth, the wall of
/// its hole.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Countersink {
    /// A place on the nominal axis, mm.
    pub at: Point,
    /// The nominal axis, out of the material: to the wide end.
    pub axis: Direction,
    /// The nominal skin.
    pub skin: SkinPlane,
    /// Half of the included angle, rad, where the cone is too short to tell it; its axis is then the nominal one.
    pub half_angle_rad: Option<f64>,
    /// What is told.
    pub size: SinkSize,
}

/// A cone by a place on its axis, the radius there and how that grows along it.
#[derive(Clone, Copy, Debug)]
struct Shown {
    at: Point,
    axis: Direction,
    radius_mm: f64,
    taper: f64,
}

impl Countersink {
    fn cone(&self, points: &[Point]) -> Result<Shown, RuleError> {
        if let Some(half) = self.half_angle_rad {
            return along(points, self.at, self.axis, math::tan(half));
        }
        let fit = cone(points)?;
        let taper = math::tan(fit.half_angle_rad);
        let same = fit.axis.dot(self.axis) > 0.0;
        Ok(Shown {
            at: fit.point,
            axis: if same { fit.axis } else { fit.axis.reversed() },
            radius_mm: fit.radius_mm,
            taper: if same { taper } else { -taper },
        })
    }
}

impl Rule for Countersink {
    fn measure(&self, run: &Run, surfaces: &[Surface]) -> Result<Found, RuleError> {
        run.check()?;
        let shown = self.cone(&surface(surfaces, 0)?.points)?;
        let skin = self.skin.lies(surface(surfaces, 1)?)?;
        // Where the axis of the cone meets the skin.
        let steep = shown.axis.dot(skin.normal);
        if !(steep > 0.5 && shown.taper > 0.0) {
            return Err(RuleError::Missing(
                "what was seen of the countersink does not open towards the skin".into(),
            ));
        }
        let height = (skin.at - shown.at).dot(&skin.normal.vector()) / steep;
        let diameter = 2.0 * (shown.radius_mm + shown.taper * height);
        let top = shown.at + shown.axis.vector() * height;
        let value = match self.size {
            SinkSize::Diameter => diameter,
            SinkSize::Depth => {
                let hole = circle(&surface(surfaces, 2)?.points, shown.axis)?;
                (0.5 * diameter - hole.radius_mm) / shown.taper
            }
        };
        let angle = 2.0 * math::atan2(shown.taper, 1.0).to_degrees();
        let words = match self.half_angle_rad {
            None => format!("least squares, included angle {angle:.2} degrees"),
            Some(_) => format!(
                "least squares about the nominal axis with the included angle held at {angle:.2} degrees"
            ),
        };
        let at = match self.size {
            SinkSize::Diameter => "where it meets the least-squares plane of the skin about it",
            SinkSize::Depth => {
                "from the least-squares plane of the skin about it to the least-squares circle of the hole"
            }
        };
        Ok(Found {
            numbers: vec![Number { value, against: Against::Both, at: Some(top) }],
            operators: vec![("cone", words), ("told", at.into())],
            ..Found::default()
        })
    }
}

/// The cone of a given taper about a given direction: centre and radius by least squares of the distances from it,
/// Gauss-Newton.
fn along(points: &[Point], at: Point, axis: Direction, taper: f64) -> Result<Shown, RuleError> {
    let free = |freedom| RuleError::Fit(FitError::Undetermined { shape: Shape::Cone, freedom });
    let (u, v) = axis.frame();
    let flat: Vec<[f64; 3]> = points
        .iter()
        .map(|p| {
            let d = p - at;
            [d.dot(&u), d.dot(&v), d.dot(&axis.vector())]
        })
        .collect();
    if flat.len() < 3 {
        return Err(RuleError::Fit(FitError::TooFewPoints { shape: Shape::Cone, need: 3, got: flat.len() }));
    }
    let n = flat.len() as f64;
    let mut centre = [flat.iter().map(|q| q[0]).sum::<f64>() / n, flat.iter().map(|q| q[1]).sum::<f64>() / n];
    let mut radius = 0.0;
    for step in 0..50 {
        let mut m = [[0.0; 3]; 3];
        let mut right = [0.0; 3];
        for [x, y, z] in &flat {
            let (dx, dy) = (x - centre[0], y - centre[1]);
            let away = (dx * dx + dy * dy).sqrt();
            if !(away > 0.0) {
                return Err(free(Freedom::Radius));
            }
            let row = [-dx / away, -dy / away, -1.0];
            let rest = away - radius - taper * z;
            for i in 0..3 {
                for j in 0..3 {
                    m[i][j] += row[i] * row[j];
                }
                right[i] -= row[i] * rest;
            }
        }
        let s = Cholesky::new(&m).ok_or_else(|| free(Freedom::Radius))?.solve(&right);
        centre = [centre[0] + s[0], centre[1] + s[1]];
        radius += s[2];
        let size = radius.abs().max(1e-9);
        if step > 0 && s.iter().all(|x| x.abs() <= 1e-12 * size) {
            let at = at + u * centre[0] + v * centre[1];
            return Ok(Shown { at, axis, radius_mm: radius, taper });
        }
    }
    Err(RuleError::Fit(FitError::NotSettled { shape: Shape::Cone, steps: 50 }))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::Vector;
    use crate::run::quiet;

    /// A cone of 90 degrees, 9 mm wide where it meets z = 0.2, between z = -1.5 and -0.2, about (0.1, 0.05); a skin at z = 0.2
    /// that rises by 0.01 along x, and a hole of 6 mm.
    fn surfaces() -> Vec<Surface> {
        let mut found = vec![Surface::default(), Surface::default(), Surface::default()];
        let middle = Vector::new(0.1, 0.05, 0.0);
        for i in 0..60 {
            let a = std::f64::consts::TAU * f64::from(i) / 60.0;
            let e = Vector::new(math::cos(a), math::sin(a), 0.0);
            for k in 0..6 {
                let z = -1.5 + 0.26 * f64::from(k);
                found[0].points.push(Point::from(middle + e * (4.5 + z - 0.2) + Vector::z() * z));
                let p = Point::from(middle + e * (6.0 + 0.5 * f64::from(k)));
                found[1].points.push(p);
                found[1].deviations_mm.push(0.2 + 0.01 * (p.x - 0.1));
                found[2]
                    .points
                    .push(Point::from(middle + e * 3.0 - Vector::z() * (2.0 + 0.2 * f64::from(k))));
            }
        }
        found
    }

    #[test]
    fn diameter_and_depth_are_those_at_the_skin_as_it_lies() {
        let skin = SkinPlane { at: Point::origin(), axis: Direction::Z, normal: Direction::Z };
        for half_angle_rad in [None, Some(0.25 * std::f64::consts::PI)] {
            for (size, value) in [(SinkSize::Diameter, 9.0), (SinkSize::Depth, 1.5)] {
                let rule =
                    Countersink { at: Point::origin(), axis: Direction::Z, skin, half_angle_rad, size };
                let found = rule.measure(&quiet(), &surfaces()).unwrap();
                let told = found.numbers[0].value;
                assert!((told - value).abs() < 1e-9, "{size:?} {half_angle_rad:?}: {told}");
            }
        }
    }

    #[test]
    fn a_cone_that_opens_the_other_way_or_is_none_has_no_answer() {
        let skin = SkinPlane { at: Point::origin(), axis: Direction::Z, normal: Direction::Z };
        let rule = |half| Countersink {
            at: Point::origin(),
            axis: Direction::Z,
            skin,
            half_angle_rad: half,
            size: SinkSize::Diameter,
        };
        let mut turned = surfaces();
        for p in &mut turned[0].points {
            p.z = -1.7 - p.z;
        }
        assert!(rule(None).measure(&quiet(), &turned).is_err());
        let mut few = surfaces();
        few[0].points.truncate(2);
        assert!(rule(Some(0.7)).measure(&quiet(), &few).is_err());
        let mut line = surfaces();
        line[0].points = (0..20).map(|i| Point::new(1.0, f64::from(i), 0.0)).collect();
        assert!(rule(Some(0.7)).measure(&quiet(), &line).is_err());
    }
}
