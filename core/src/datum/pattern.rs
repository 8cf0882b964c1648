//! Datums whose features are associated as a pattern: of every kind, by every association, one or several together.
//!
//! What the features can hold (three places of a plane or of the middle of a width, two places of an axis, a centre) are
//! targets of the one solver, as for planes and holes. The motions by which they are associated are those that these
//! targets see: all shifts, and the turns that the datums before them leave; a datum's orientation is held by the datums
//! before it, its place is not (ISO 5459:2011, 6; from memory).

use crate::associate::{Ideal, Pattern};
use crate::geometry::{Direction, Point, Twist, Vector, math, symmetric_eigen};
use crate::nominal::Nominal;
use crate::partition::Rim;
use crate::plan::{Association, BoundFeature, Datum, FaceMap, Situation};

use super::holds::{Hold, HoldKind, across, of_situation, places, span_mm, target};
use super::targets::{LEAST_HOLD, Target};

/// The features of one datum.
pub(super) struct Features<'a> {
    /// Each of them.
    pub(super) parts: Vec<Part<'a>>,
    /// How they are associated.
    pub(super) association: Association,
    /// The pattern that they make.
    pub(super) pattern: Pattern,
}

impl Features<'_> {
    /// The rims of the faces of all parts, in order; `None` for a face that has another border.
    pub(super) fn rims(&self, nominal: &Nominal) -> Vec<Option<Rim>> {
        self.parts.iter().flat_map(|p| &p.faces).map(|f| f.rim(nominal)).collect()
    }

    /// Ids under which points of a part are taken.
    pub(super) fn names(&self) -> impl Iterator<Item = &str> {
        self.parts.iter().flat_map(|p| p.faces.iter().map(|f| f.bound.id.as_str()))
    }
}

/// One feature of a datum.
pub(super) struct Part<'a> {
    /// The feature.
    pub(super) bound: &'a BoundFeature,
    /// Its ideal surface at its nominal place.
    pub(super) ideal: Ideal,
    /// The faces that show it.
    pub(super) faces: Vec<PartFace<'a>>,
}

/// A face of a feature.
#[derive(Clone, Copy)]
pub(super) struct PartFace<'a> {
    /// Where it is.
    pub(super) bound: &'a BoundFeature,
    /// How its points are found.
    pub(super) kind: FaceKind,
}

impl<'a> PartFace<'a> {
    /// The face of a feature that is one.
    pub(super) fn of(bound: &'a BoundFeature) -> Self {
        let kind = match bound.situation {
            Situation::Hole { at, axis, diameter_mm } => {
                FaceKind::Wall { at, axis, radius_mm: 0.5 * diameter_mm.unwrap_or(0.0) }
            }
            Situation::Cylinder { at, axis, diameter_mm, .. } => {
                FaceKind::Wall { at, axis, radius_mm: 0.5 * diameter_mm }
            }
            Situation::Slot { at, axis, along, .. } => FaceKind::Flanks { at, axis, along },
            _ => FaceKind::Open,
        };
        Self { bound, kind }
    }

    /// Its rim where it is an open face.
    pub(super) fn rim(&self, nominal: &Nominal) -> Option<Rim> {
        (self.kind == FaceKind::Open).then(|| Rim::new(nominal, &self.bound.triangles))
    }
}

/// How the points of a face are found.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum FaceKind {
    /// An open face, less a strip along its rim.
    Open,
    /// A wall round an axis, less its ends.
    Wall { at: Point, axis: Direction, radius_mm: f64 },
    /// The flanks of a slot, less the ends of their depth.
    Flanks { at: Point, axis: Direction, along: Direction },
}

/// The hold of a datum; `None` where a feature is bound to what can be none.
pub(super) fn hold<'a>(
    datum: &'a Datum,
    bound: &[&'a BoundFeature],
    faces: &'a FaceMap,
    (association, stage): (Association, usize),
    turns: &[Vector],
) -> Option<Hold<'a>> {
    let mut parts = Vec::with_capacity(bound.len());
    let mut targets = Vec::new();
    for one in bound {
        let (part, own) = part(one, faces, stage)?;
        parts.push(part);
        targets.extend(own);
    }
    let reach = bound.iter().map(|b| span_mm(b)).fold(0.0, f64::max);
    let pattern =
        Pattern { ideals: parts.iter().map(|p| p.ideal).collect(), ..motions(&targets, turns, reach) };
    let name = bound.iter().map(|b| b.id.as_str()).collect::<Vec<_>>().join(", ");
    let kind = HoldKind::Features(Features { parts, association, pattern });
    Some(Hold { letter: &datum.letter, name, kind, targets })
}

/// A feature and its targets.
fn part<'a>(bound: &'a BoundFeature, faces: &'a FaceMap, stage: usize) -> Option<(Part<'a>, Vec<Target>)> {
    let (ideal, faces, targets) = match bound.situation {
        Situation::Plane { at, normal } => {
            (Ideal::Plane { at, normal }, vec![PartFace::of(bound)], of_situation(bound, stage)?)
        }
        Situation::Hole { at, axis, diameter_mm } => {
            // A hole by its numbers may have no size, and then has no part in its association.
            let radius_mm = 0.5 * diameter_mm.unwrap_or(0.0);
            let ideal = Ideal::Cylinder { at, axis, radius_mm, hollow: true };
            (ideal, vec![PartFace::of(bound)], of_situation(bound, stage)?)
        }
        Situation::Slot { at, axis, along, width_mm, .. } => {
            let across = Direction::new(axis.vector().cross(&along.vector()))?;
            let half_mm = 0.5 * width_mm.unwrap_or(0.0);
            let ideal = Ideal::Slab { at, across, half_mm, hollow: true };
            (ideal, vec![PartFace::of(bound)], of_situation(bound, stage)?)
        }
        Situation::Cylinder { at, axis, diameter_mm, hollow } => {
            let radius_mm = 0.5 * diameter_mm;
            let ideal = Ideal::Cylinder { at, axis, radius_mm, hollow };
            let length = length_mm(bound, (at, axis), radius_mm, 0.0);
            let mut targets = Vec::new();
            if length < diameter_mm {
                // A wall shorter than its diameter does not tell its axis.
                targets.extend(across(at, axis, stage)?);
            } else {
                for end in [-0.5, 0.5] {
                    targets.extend(across(at + axis.vector() * (end * length), axis, stage)?);
                }
            }
            (ideal, vec![PartFace::of(bound)], targets)
        }
        Situation::Cone { at, axis, half_angle_rad, radius_mm, hollow } => {
            let ideal = Ideal::Cone { at, axis, radius_mm, half_angle_rad, hollow };
            let half = 0.5 * length_mm(bound, (at, axis), radius_mm, half_angle_rad).max(radius_mm);
            let mut targets = vec![target(at, axis, &[], 1.0, stage)];
            for end in [-half, half] {
                targets.extend(across(at + axis.vector() * end, axis, stage)?);
            }
            (ideal, vec![PartFace::of(bound)], targets)
        }
        Situation::Sphere { at, diameter_mm, hollow } => {
            let ideal = Ideal::Sphere { at, radius_mm: 0.5 * diameter_mm, hollow };
            let three = [Direction::X, Direction::Y, Direction::Z];
            (ideal, vec![PartFace::of(bound)], three.map(|d| target(at, d, &[], 1.0, stage)).into())
        }
        Situation::Width { at, across, width_mm, hollow } => {
            let ideal = Ideal::Slab { at, across, half_mm: 0.5 * width_mm, hollow };
            let sides: Option<Vec<_>> =
                bound.of.iter().map(|&f| Some(PartFace::of(faces.features.get(f)?))).collect();
            let places = places(at, across, span_mm(bound));
            (ideal, sides?, places.map(|p| target(p, across, &[], 1.0, stage)).into())
        }
        Situation::Torus { .. }
        | Situation::Point { .. }
        | Situation::Group
        | Situation::Surface
        | Situation::Edge => {
            return None;
        }
    };
    Some((Part { bound, ideal, faces }, targets))
}

/// The length of a wall along its axis, mm, from its area and the turn that is there; without a face as long as it is wide
/// twice over, since points of it were taken to tell its axis.
fn length_mm(bound: &BoundFeature, (at, axis): (Point, Direction), radius_mm: f64, taper_rad: f64) -> f64 {
    if bound.area_mm2 > 0.0 && radius_mm > 0.0 {
        let off = bound.centroid - at;
        let across = off - axis.vector() * off.dot(&axis.vector());
        let turn = 2.0 * half_turn_rad(across.norm() / radius_mm);
        bound.area_mm2 * math::cos(taper_rad) / (turn * radius_mm)
    } else {
        4.0 * radius_mm
    }
}

/// Half of the turn of an arc whose centroid lies this share of its radius off the centre: the share is sin(b) / b
/// (closed form). At least a tenth, as less of a wall tells no axis.
fn half_turn_rad(share: f64) -> f64 {
    let (mut low, mut high) = (0.1, std::f64::consts::PI);
    // The share falls with the turn; halved until 60 bits are told.
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if math::sin(middle) > share * middle { low = middle } else { high = middle }
    }
    0.5 * (low + high)
}

/// The motions that targets see: shifts, and turns about some directions, about their middle.
pub(super) fn motions(targets: &[Target], turns: &[Vector], reach_mm: f64) -> Pattern {
    let n = targets.len().max(1) as f64;
    let middle = Point::from(targets.iter().fold(Vector::zeros(), |s, t| s + t.nominal.coords) / n);
    let rms = (targets.iter().map(|t| (t.nominal - middle).norm_squared()).sum::<f64>() / n).sqrt();
    let reach = rms.max(reach_mm).max(1e-3);
    // Turns count by what they move at the targets' own spread, as in the solver.
    let lever = if rms > 0.0 { rms } else { reach };
    let mut may: Vec<Twist> =
        [Vector::x(), Vector::y(), Vector::z()].map(|shift| Twist { turn: Vector::zeros(), shift }).into();
    may.extend(turns.iter().map(|t| Twist { turn: t / lever, shift: Vector::zeros() }));
    may.truncate(6);
    let mut gram = [[0.0; 6]; 6];
    let mut rows = 0.0;
    for t in targets {
        let along: Vec<Vector> = if t.locks.is_empty() {
            vec![t.direction.vector()]
        } else {
            t.locks.iter().map(|a| a.direction().vector()).collect()
        };
        for d in along {
            rows += 1.0;
            let seen: Vec<f64> = may.iter().map(|m| m.at(middle, &t.nominal).dot(&d)).collect();
            for i in 0..may.len() {
                for j in 0..may.len() {
                    gram[i][j] += seen[i] * seen[j];
                }
            }
        }
    }
    let (values, vectors) = symmetric_eigen(&gram);
    let held = values.iter().zip(&vectors).filter(|(v, _)| (v.max(0.0) / rows).sqrt() >= LEAST_HOLD);
    let motions = held
        .map(|(_, vector)| {
            let none = Twist { turn: Vector::zeros(), shift: Vector::zeros() };
            may.iter().zip(vector).fold(none, |sum, (m, c)| Twist {
                turn: sum.turn + m.turn * *c,
                shift: sum.shift + m.shift * *c,
            })
        })
        .collect();
    Pattern { ideals: Vec::new(), motions, centre: middle, reach_mm: reach }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::FeatureKind;
    use std::f64::consts::PI;

    fn bound(situation: Situation, area_mm2: f64) -> BoundFeature {
        let kind = FeatureKind::Cylinder;
        let centroid = Point::new(5.0, -3.0, 2.0);
        BoundFeature {
            id: "C".into(),
            kind,
            triangles: vec![0],
            carrier: None,
            situation,
            area_mm2,
            centroid,
            of: Vec::new(),
            edge: None,
        }
    }

    fn seen(situation: Situation, area_mm2: f64, turns: &[Vector]) -> usize {
        let faces = FaceMap { features: Vec::new(), neighbours: Vec::new(), remarks: Vec::new() };
        let bound = bound(situation, area_mm2);
        let (_, targets) = part(&bound, &faces, 0).unwrap();
        motions(&targets, turns, span_mm(&bound)).motions.len()
    }

    #[test]
    fn half_a_shell_is_as_long_as_its_triangles_are() {
        let (at, axis) = (Point::new(5.0, -3.0, 2.0), Direction::Z);
        let tube = Situation::Cylinder { at, axis, diameter_mm: 10.0, hollow: true };
        for (part, length) in [(0.25, 16.0), (0.5, 16.0), (0.75, 9.0), (1.0, 40.0)] {
            // An arc of half the turn b has its centroid at r sin(b) / b.
            let half = PI * part;
            let mut shell = bound(tube, 2.0 * half * 5.0 * length);
            shell.centroid = at + Vector::new(0.6, 0.8, 0.0) * (5.0 * math::sin(half) / half);
            let found = length_mm(&shell, (at, axis), 5.0, 0.0);
            assert!((found - length).abs() < 1e-9, "{part}: {found}");
        }
        // Half a shell 16 mm long and 10 mm wide tells its axis.
        let mut shell = bound(tube, PI * 5.0 * 16.0);
        shell.centroid = at + Vector::y() * (10.0 / PI);
        let faces = FaceMap { features: Vec::new(), neighbours: Vec::new(), remarks: Vec::new() };
        assert_eq!(part(&shell, &faces, 0).unwrap().1.len(), 4);
    }

    #[test]
    fn each_kind_sees_as_many_motions_as_its_invariance_leaves() {
        let all = [Vector::x(), Vector::y(), Vector::z()];
        let at = Point::new(5.0, -3.0, 2.0);
        let axis = Direction::Z;
        let tube = Situation::Cylinder { at, axis, diameter_mm: 10.0, hollow: true };
        // 40 mm long, then 4 mm.
        assert_eq!(seen(tube, 10.0 * PI * 40.0, &all), 4);
        assert_eq!(seen(tube, 10.0 * PI * 4.0, &all), 2);
        assert_eq!(seen(tube, 10.0 * PI * 40.0, &all[2..]), 2);
        assert_eq!(seen(Situation::Plane { at, normal: axis }, 900.0, &all), 3);
        assert_eq!(seen(Situation::Plane { at, normal: Direction::Y }, 900.0, &all[2..]), 2);
        assert_eq!(seen(Situation::Plane { at, normal: Direction::Y }, 900.0, &[]), 1);
        assert_eq!(seen(Situation::Sphere { at, diameter_mm: 8.0, hollow: false }, 100.0, &all), 3);
        let cone = Situation::Cone { at, axis, half_angle_rad: 0.3, radius_mm: 6.0, hollow: false };
        assert_eq!(seen(cone, 300.0, &all), 5);
        assert_eq!(seen(cone, 300.0, &[]), 3);
        let width = Situation::Width { at, across: Direction::X, width_mm: 9.0, hollow: true };
        assert_eq!(seen(width, 300.0, &all), 3);
        assert_eq!(seen(width, 300.0, &all[2..]), 2);
    }
}
