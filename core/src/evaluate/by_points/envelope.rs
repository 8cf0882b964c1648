//! Whether measured points are enough to show the mating envelope by which ASME places a feature of size.
//!
//! ASME Y14.5-2018 places a feature regardless of size by the axis or centre plane of its actual mating envelope (from memory), which
//! rests on the few places where the feature reaches furthest. A handful of points has an envelope too, but it is that of the
//! handful: through three of them any hole's passes. How many are taken for enough to see a feature's form is the count that
//! BS 7172:1989 recommends: 7 places of a circle, 9 of a plane or sphere, 15 of a cylinder whose roundness counts, 5 of a line
//! (from memory). Fewer are told by ISO's operator (least squares; of a groove the middle of its flanks), with a caution: what an envelope of them would say is sure of
//! nothing.

use crate::geometry::{Direction, Point};
use crate::plan::{BoundFeature, Situation, StandardSystem};
use crate::points::Role;

use super::{Subject, places_up_to};

/// What the points of a feature show of its mating envelope.
pub(super) enum Shown {
    /// The standard does not ask for it, the feature has none, or the instrument told its centre.
    NotAsked,
    /// They are enough.
    Enough,
    /// They are not; says of what there are how many.
    TooFew(String),
}

impl Shown {
    pub(super) fn is_enough(&self) -> bool {
        matches!(self, Self::Enough)
    }
}

const CIRCLE: usize = 7;
const SPHERE: usize = 9;
const PLANE: usize = 9;
const LINE: usize = 5;
/// Of a cylinder whose axis the points tell.
pub(super) const CYLINDER: usize = 15;

impl Subject<'_> {
    /// What the points show of a feature's mating envelope, looked at along an axis where there is one.
    pub(super) fn envelope_of(&self, bound: &BoundFeature, axis: Option<Direction>) -> Shown {
        let of = |role: Role| self.all.iter().filter(move |p| p.role == role && p.name == bound.id);
        if self.characteristic.standard.system != StandardSystem::Asme || of(Role::Centre).next().is_some() {
            return Shown::NotAsked;
        }
        let points: Vec<Point> = self.taken(bound, false).iter().map(|p| p.point).collect();
        let count = |some: &[Point], needed: usize| (places_up_to(some, needed), needed, "");
        let (taken, needed, each) = match bound.situation {
            Situation::Hole { .. } | Situation::Cylinder { .. } => {
                count(&points, if axis.is_some() { CIRCLE } else { CYLINDER })
            }
            Situation::Sphere { .. } => count(&points, SPHERE),
            Situation::Width { at, across, .. } => of_flanks(&points, at, across, PLANE),
            Situation::Slot { at, axis: way, along, length_mm, width_mm } => {
                let Some(across) = Direction::new(way.vector().cross(&along.vector())) else {
                    return Shown::NotAsked;
                };
                let half = match (length_mm, width_mm) {
                    (Some(length), Some(width)) => 0.5 * (length - width),
                    _ => f64::INFINITY,
                };
                let straight = |p: &&Point| (*p - at).dot(&along.vector()).abs() <= half;
                let flat: Vec<Point> = points.iter().filter(straight).copied().collect();
                of_flanks(&flat, at, across, if axis.is_some() { LINE } else { PLANE })
            }
            _ => return Shown::NotAsked,
        };
        if taken >= needed {
            return Shown::Enough;
        }
        Shown::TooFew(format!("{taken} places were taken{each} of {}, {needed} are needed", bound.id))
    }

    /// What is said where too few were taken.
    pub(super) fn no_envelope(&self, too_few: &str) -> String {
        format!(
            "by ISO's operator, though ASME Y14.5 means the actual mating envelope, which so few points do not show: {too_few} \
             (BS 7172:1989); take more, or scan it"
        )
    }
}

/// Places of the flank that has fewer.
fn of_flanks(points: &[Point], at: Point, across: Direction, needed: usize) -> (usize, usize, &'static str) {
    let of = |upper: bool| {
        let own = points.iter().filter(|p| ((*p - at).dot(&across.vector()) >= 0.0) == upper);
        places_up_to(&own.copied().collect::<Vec<Point>>(), needed)
    };
    (of(true).min(of(false)), needed, " of a flank")
}
