//! How far a face stands out of the skin about it: the step of a bonded insert's face, the length of a stud. No standard on
//! tolerances defines it; common practice, no source.

use super::skin_plane::SkinPlane;
use super::subject::surface;
use super::{Against, Found, Number, Rule, RuleError, Surface};
use crate::geometry::{Direction, Point};
use crate::run::Run;

/// Height of a face over the skin in a ring about it, mm, at the middle of the face along its normal: both by least squares, the
/// skin prolonged as its nominal is and tilted as it was measured. The first surface is the face, the second the ring.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Protrusion {
    /// A place of the nominal face, in its middle, mm.
    pub at: Point,
    /// Its normal, out of the material.
    pub normal: Direction,
    /// The nominal skin under it.
    pub skin: SkinPlane,
}

impl Protrusion {
    /// What the nominal has, mm.
    pub fn nominal_mm(&self) -> f64 {
        (self.at - self.skin.at).dot(&self.skin.axis.vector())
    }
}

impl Rule for Protrusion {
    fn measure(&self, run: &Run, surfaces: &[Surface]) -> Result<Found, RuleError> {
        run.check()?;
        let (face, ring) = (surface(surfaces, 0)?, surface(surfaces, 1)?);
        let own = SkinPlane { at: self.at, axis: self.skin.axis, normal: self.normal };
        let (face, skin) = (own.lies(face)?, self.skin.lies(ring)?);
        let lean = face.normal.angle_to(skin.normal).to_degrees();
        Ok(Found {
            numbers: vec![Number {
                value: self.nominal_mm() + face.height_mm - skin.height_mm,
                against: Against::Both,
                at: Some(face.at),
            }],
            operators: vec![
                ("protrusion", "least-squares plane of the face over that of the skin about it, at the middle of the face".into()),
                ("face_to_skin_deg", format!("{lean:.3}")),
            ],
            ..Found::default()
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::Vector;
    use crate::run::quiet;

    /// A patch square to z whose points lie `off` over z = `level`, their nominal.
    fn patch(level: f64, from: f64, to: f64, off: impl Fn(&Point) -> f64) -> Surface {
        let mut found = Surface::default();
        for i in -20..=20 {
            for j in -20..=20 {
                let p = Point::new(0.5 * f64::from(i), 0.5 * f64::from(j), level);
                let away = p.coords.xy().norm();
                if (from..=to).contains(&away) {
                    found.points.push(p + Vector::z() * off(&p));
                    found.normals.push(Direction::Z);
                    found.deviations_mm.push(off(&p));
                }
            }
        }
        found
    }

    #[test]
    fn a_tilted_skin_is_met_under_the_middle_of_the_face() {
        let skin = SkinPlane { at: Point::origin(), axis: Direction::Z, normal: Direction::Z };
        let rule = Protrusion { at: Point::new(0.0, 0.0, 2.0), normal: Direction::Z, skin };
        let face = patch(2.0, 0.0, 4.0, |p| 0.1 + 0.02 * p.x);
        // Seen on one side only: its mean lies beside the axis.
        let ring = |p: &Point| -0.05 + 0.03 * p.x - 0.01 * p.y;
        let mut half = patch(0.0, 5.0, 9.0, ring);
        let keep: Vec<bool> = half.points.iter().map(|p| p.x > -3.0).collect();
        let mut k = keep.iter();
        half.points.retain(|_| *k.next().unwrap());
        let mut k = keep.iter();
        half.normals.retain(|_| *k.next().unwrap());
        let mut k = keep.iter();
        half.deviations_mm.retain(|_| *k.next().unwrap());
        let found = rule.measure(&quiet(), &[face.clone(), half]).unwrap();
        assert!((found.numbers[0].value - 2.15).abs() < 1e-12, "{:?}", found.numbers);
        assert!(rule.measure(&quiet(), &[face]).is_err(), "without a skin there is no height over it");
    }

    #[test]
    fn points_on_one_line_hold_no_skin() {
        let skin = SkinPlane { at: Point::origin(), axis: Direction::Z, normal: Direction::Z };
        let mut line = patch(0.0, 0.0, 9.0, |_| 0.0);
        let keep: Vec<bool> = line.points.iter().map(|p| p.y == 0.0).collect();
        let mut k = keep.iter();
        line.points.retain(|_| *k.next().unwrap());
        line.deviations_mm.truncate(line.points.len());
        assert!(skin.lies(&line).is_err());
        assert!(skin.lies(&Surface::default()).is_err());
    }
}
