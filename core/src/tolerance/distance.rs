//! The distance of one feature from another.

use super::placed::{Asked, Kind, Placed};
use super::subject::{Subject, surface};
use super::{Against, Found, Number, Rule, RuleError, Surface};
use crate::geometry::{Direction, Point};
use crate::run::Run;

/// The distance, mm, of the surface of index 0 from that of index 1, by their least-squares associations:
///
/// * from a plane (or the middle plane of a width): along that plane's normal, to the place of the other; two planes:
///   from the centroid of the first to the second. If only the first is a plane, its normal counts;
/// * of two axes that are parallel on the nominal: square to the second, from the first where its nominal middle is;
///   of two others: along the common perpendicular;
/// * of an axis and a centre: square to the axis; of two centres: straight;
/// * with `along`: only what counts in that direction, between the places above.
///
/// Its sign is such that the nominal's is positive, so that a feature on the wrong side is not right by accident; where
/// the nominal's is nothing, and of what is never negative, it has none. Real surfaces have no one linear distance, so
/// ISO 14405-2 calls such dimensions ambiguous (from memory): what was done is told, and a position says it better.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Distance {
    /// The first feature.
    pub from: Subject,
    /// The second.
    pub to: Subject,
    /// The direction along which alone it counts.
    pub along: Option<Direction>,
}

/// Axes that lie closer than this on the nominal are parallel, rad: five degrees, our own choice.
const PARALLEL_RAD: f64 = 0.087;

/// Less than this on the nominal is no distance that has a sign, mm.
const NOTHING_MM: f64 = 1e-6;

/// How a distance is told.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Way {
    Along,
    FromSecondPlane,
    FromFirstPlane,
    AcrossSecond,
    AcrossFirst,
    CommonPerpendicular,
    Straight,
}

impl Rule for Distance {
    fn measure(&self, run: &Run, surfaces: &[Surface]) -> Result<Found, RuleError> {
        run.check()?;
        let from = Placed::nominal(&self.from, Asked::Distance)?;
        let to = Placed::nominal(&self.to, Asked::Distance)?;
        let way = self.way(&from, &to);
        let nominal_mm = self.signed(way, &from, &to)?.0;
        let a = Placed::measured(&self.from, surface(surfaces, 0)?, Asked::Distance)?;
        let b = Placed::measured(&self.to, surface(surfaces, 1)?, Asked::Distance)?;
        let (signed, at) = self.signed(way, &a, &b)?;
        let value = if nominal_mm.abs() > NOTHING_MM { signed * nominal_mm.signum() } else { signed.abs() };
        let told = match way {
            Way::Along => format!("along the given direction, from the {} to the {}", a.word, b.word),
            Way::FromSecondPlane => format!("from the {} along the normal of the second {}", a.word, b.word),
            Way::FromFirstPlane => format!("from the {} along the normal of the first {}", b.word, a.word),
            Way::AcrossSecond => format!("from the {} square to the second {}", a.word, b.word),
            Way::AcrossFirst => format!("from the {} square to the first {}", b.word, a.word),
            Way::CommonPerpendicular => "along the common perpendicular of both axes".to_string(),
            Way::Straight => format!("from the {} straight to the {}", a.word, b.word),
        };
        Ok(Found {
            numbers: vec![Number { value, against: Against::Both, at: Some(at) }],
            operators: vec![
                ("distance", told),
                ("association", "least squares".into()),
                (
                    "caution",
                    "a linear distance between real surfaces is ambiguous (ISO 14405-2); a position or profile is not"
                        .into(),
                ),
            ],
            ..Found::default()
        })
    }
}

impl Distance {
    fn way(&self, from: &Placed, to: &Placed) -> Way {
        use Kind::{Axis, Centre, Plane};
        if self.along.is_some() {
            return Way::Along;
        }
        match (from.kind, to.kind) {
            (_, Plane) => Way::FromSecondPlane,
            (Plane, _) => Way::FromFirstPlane,
            (Axis, Axis) => {
                let apart = from.direction.zip(to.direction).map_or(0.0, |(a, b)| a.angle_to(b));
                let parallel = !(PARALLEL_RAD..=std::f64::consts::PI - PARALLEL_RAD).contains(&apart);
                if parallel { Way::AcrossSecond } else { Way::CommonPerpendicular }
            }
            (Centre, Axis) => Way::AcrossSecond,
            (Axis, Centre) => Way::AcrossFirst,
            (Centre, Centre) => Way::Straight,
        }
    }

    /// The distance with its sign, where it has one, and the place it was told from.
    fn signed(&self, way: Way, from: &Placed, to: &Placed) -> Result<(f64, Point), RuleError> {
        let none = || RuleError::Missing("the direction of a feature is not told; measure more of it".into());
        let d = from.at - to.at;
        let direction = |p: &Placed| p.direction.map(Direction::vector).ok_or_else(none);
        Ok(match way {
            Way::Along => (d.dot(&self.along.ok_or_else(none)?.vector()), from.at),
            Way::FromSecondPlane => (d.dot(&direction(to)?), from.at),
            Way::FromFirstPlane => (-d.dot(&direction(from)?), to.at),
            Way::AcrossSecond => (d.cross(&direction(to)?).norm(), from.at),
            Way::AcrossFirst => (d.cross(&direction(from)?).norm(), to.at),
            Way::CommonPerpendicular => {
                let across = Direction::new(direction(from)?.cross(&direction(to)?)).ok_or_else(none)?;
                (d.dot(&across.vector()), from.at)
            }
            Way::Straight => (d.norm(), from.at),
        })
    }
}

#[cfg(test)]
#[path = "distance_tests.rs"]
mod tests;
