//! What became of a plan's features between two nominals, or between two versions of the program.

use super::bind::{Binding, BoundFeature, FaceMap};
use super::domain::{FeatureKind, Situation};
use super::neighbour::BoundNeighbour;
use crate::geometry::{Point, Vector};
use crate::nominal::{Carrier, Nominal, SAME_PLACE_MM, Spread};

/// What [`Lies::kind`] says of a neighbour's skin.
pub const NEIGHBOUR: &str = "neighbour";

/// How a feature lies on its nominal, in short: what a stored revision keeps of it.
#[derive(Clone, Debug, PartialEq)]
pub struct Lies {
    /// Id in the plan.
    pub feature: String,
    /// Its kind, as the plan writes it; [`NEIGHBOUR`] of a neighbour's skin.
    pub kind: String,
    /// Area, mm2; 0 where it says its own place.
    pub area_mm2: f64,
    /// Centroid of its area, mm, or its place.
    pub centroid: Point,
    /// Of a hole, a pin or another cylinder, mm.
    pub diameter_mm: Option<f64>,
    /// How its area is spread about the centroid; `None` where it has none, or an older program kept none.
    pub spread: Option<Spread>,
}

impl Lies {
    /// Of a feature bound on a nominal, or by itself.
    pub fn of(feature: &BoundFeature, nominal: Option<&Nominal>) -> Self {
        let diameter_mm = match (feature.carrier, feature.situation) {
            (Some(Carrier::Cylinder { radius_mm, .. }), _) => Some(2.0 * radius_mm),
            (None, Situation::Hole { diameter_mm, .. }) => diameter_mm,
            _ => None,
        };
        Self {
            feature: feature.id.clone(),
            kind: feature.kind.word().to_owned(),
            area_mm2: feature.area_mm2,
            centroid: feature.centroid,
            diameter_mm,
            spread: nominal
                .filter(|_| !feature.triangles.is_empty())
                .and_then(|n| Spread::of(n.mesh(), &feature.triangles, &feature.centroid)),
        }
    }
}

impl Lies {
    /// Whether both are planes, and one plane: a hole that moves takes the centroid of the plane round it along.
    fn in_one_plane(&self, other: &Self) -> bool {
        let (Some(a), Some(b)) = (&self.spread, &other.spread) else { return false };
        let planes = [self, other].iter().all(|l| l.kind == FeatureKind::Plane.word());
        let normal = Vector::from(a.facing);
        let off = (other.centroid - self.centroid).dot(&normal).abs();
        // About how far its rim lies from its middle.
        let size = 0.5 * self.area_mm2.max(other.area_mm2).sqrt();
        let turned = (normal - Vector::from(b.facing)).norm() * size;
        planes && off <= SAME_PLACE_MM && turned <= SAME_PLACE_MM
    }
}

impl From<&BoundNeighbour> for Lies {
    fn from(neighbour: &BoundNeighbour) -> Self {
        Self {
            feature: neighbour.id.clone(),
            kind: NEIGHBOUR.to_owned(),
            area_mm2: neighbour.area_mm2,
            centroid: neighbour.centroid,
            diameter_mm: None,
            spread: neighbour.spread,
        }
    }
}

impl FaceMap {
    /// How each feature lies on the nominal, in short, and each neighbour's skin.
    pub fn lies(&self, nominal: Option<&Nominal>) -> Vec<Lies> {
        let neighbours = self.neighbours.iter().map(Lies::from);
        self.features.iter().map(|f| Lies::of(f, nominal)).chain(neighbours).collect()
    }
}

impl Binding {
    /// How each feature that was found lies on the nominal, in short.
    pub fn lies(&self, nominal: Option<&Nominal>) -> Vec<Lies> {
        self.features.iter().flatten().map(|f| Lies::of(f, nominal)).collect()
    }
}

/// What became of one feature, in words that follow its name: `moved by 3.00 mm`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FeatureChange {
    /// Id in the plan.
    pub feature: String,
    /// What became of it.
    pub what: String,
}

/// Areas that differ by less than this part are one: triangles leave their surface, and sums are rounded.
const AREA_PART: f64 = 0.005;
/// The same of a diameter, mm.
const SIZE_MM: f64 = 0.002;

/// The features that lie otherwise in `after` than in `before`, are gone or new; none that are the same.
pub fn changes(before: &[Lies], after: &[Lies]) -> Vec<FeatureChange> {
    let mut all = Vec::new();
    let mut told =
        |feature: &str, what: String| all.push(FeatureChange { feature: feature.to_owned(), what });
    for old in before {
        let Some(new) = after.iter().find(|b| b.feature == old.feature) else {
            told(&old.feature, "is gone".to_owned());
            continue;
        };
        let mut what = Vec::new();
        if old.kind != new.kind {
            what.push(format!("was a {} and is a {}", old.kind, new.kind));
        }
        let moved = (new.centroid - old.centroid).norm();
        // A place that is no number has moved.
        if !(moved <= SAME_PLACE_MM) && old.in_one_plane(new) {
            what.push(format!("has another outline in its plane, with the middle {moved:.2} mm off"));
        } else if !(moved <= SAME_PLACE_MM) {
            what.push(format!("moved by {moved:.2} mm"));
        } else if let (Some(a), Some(b)) = (&old.spread, &new.spread)
            && !(a.apart_mm(b) <= SAME_PLACE_MM)
        {
            what.push(format!("turned or bent otherwise by {:.2} mm", a.apart_mm(b)));
        }
        if !((new.area_mm2 - old.area_mm2).abs() <= AREA_PART * old.area_mm2.max(new.area_mm2)) {
            what.push(format!("has {:.2} mm2 instead of {:.2}", new.area_mm2, old.area_mm2));
        }
        if let (Some(a), Some(b)) = (old.diameter_mm, new.diameter_mm)
            && !((a - b).abs() <= SIZE_MM)
        {
            what.push(format!("has diameter {b:.3} mm instead of {a:.3}"));
        }
        if !what.is_empty() {
            told(&old.feature, what.join(", "));
        }
    }
    for new in after.iter().filter(|b| before.iter().all(|o| o.feature != b.feature)) {
        told(&new.feature, "is new".to_owned());
    }
    all
}

#[cfg(test)]
mod tests {
    use super::*;

    fn lies(feature: &str, x: f64, area_mm2: f64, diameter_mm: Option<f64>) -> Lies {
        let kind = "hole".to_owned();
        Lies {
            feature: feature.into(),
            kind,
            area_mm2,
            centroid: Point::new(x, 0.0, 0.0),
            diameter_mm,
            spread: None,
        }
    }

    #[test]
    fn what_moved_changed_came_and_went_is_told_and_nothing_else() {
        let before = [
            lies("A", 0.0, 100.0, None),
            lies("H1", 10.0, 50.0, Some(8.0)),
            lies("H2", 20.0, 50.0, Some(8.0)),
            lies("H3", 30.0, 50.0, Some(8.0)),
        ];
        let after = [
            lies("A", 0.01, 100.4, None),
            lies("H1", 13.0, 50.0, Some(8.0)),
            lies("H2", 20.0, 62.5, Some(10.0)),
            lies("H4", 40.0, 50.0, Some(8.0)),
        ];
        let told: Vec<String> =
            changes(&before, &after).iter().map(|c| format!("{} {}", c.feature, c.what)).collect();
        assert_eq!(
            told,
            [
                "H1 moved by 3.00 mm",
                "H2 has 62.50 mm2 instead of 50.00, has diameter 10.000 mm instead of 8.000",
                "H3 is gone",
                "H4 is new"
            ]
        );
        assert!(changes(&before, &before).is_empty());
        // One degree on 40 mm, in place.
        let level = Spread {
            facing: [0.0, 0.0, 1.0],
            moments_mm2: [133.0, 75.0, 0.0, 0.0, 0.0, 0.0],
            outward_mm: 0.0,
        };
        let tilted = Spread { facing: [0.017_45, 0.0, 0.999_85], ..level };
        let of = |spread| [Lies { spread: Some(spread), ..lies("A", 0.0, 100.0, None) }];
        let told = changes(&of(level), &of(tilted));
        assert_eq!(told.len(), 1);
        assert!(told[0].what.starts_with("turned or bent otherwise by 0.25"), "{told:?}");
        assert!(changes(&of(level), &of(level)).is_empty());
        // A plane of which only the outline is another has not moved, and one that is lifted has.
        let plane = |x: f64, z: f64, spread| {
            let centroid = Point::new(x, 0.0, z);
            [Lies {
                kind: "plane".to_owned(),
                centroid,
                spread: Some(spread),
                ..lies("A", 0.0, 1200.0, None)
            }]
        };
        let told = |after: &[Lies]| changes(&plane(0.0, 0.0, level), after).remove(0).what;
        let slid = plane(0.21, 0.0, level);
        assert_eq!(told(&slid), "has another outline in its plane, with the middle 0.21 mm off");
        assert_eq!(told(&plane(0.21, 0.03, level)), "moved by 0.21 mm");
        assert_eq!(told(&plane(0.21, 0.0, tilted)), "moved by 0.21 mm");
        assert!(changes(&before[..1], &of(level)).is_empty(), "an older program kept none");
        assert_eq!(changes(&[lies("A", f64::NAN, 1.0, None)], &[lies("A", 0.0, 1.0, None)]).len(), 1);
    }
}
