//! What a face is known by when its number has changed: kind, area, place, size and which way it lies.

use std::collections::BTreeSet;

use serde::{Deserialize, Serialize};

use super::{Carrier, Nominal, Spread};
use crate::geometry::{Direction, Point, Vector};

/// What kind of surface a face lies on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum SurfaceKind {
    /// A plane.
    Plane,
    /// A circular cylinder.
    Cylinder,
    /// A circular cone.
    Cone,
    /// A sphere.
    Sphere,
    /// A torus.
    Torus,
    /// Any other surface.
    Freeform,
}

impl SurfaceKind {
    /// As plans and tables write it.
    pub fn word(self) -> &'static str {
        match self {
            SurfaceKind::Plane => "plane",
            SurfaceKind::Cylinder => "cylinder",
            SurfaceKind::Cone => "cone",
            SurfaceKind::Sphere => "sphere",
            SurfaceKind::Torus => "torus",
            SurfaceKind::Freeform => "freeform",
        }
    }
}

/// What a face is known by.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Fingerprint {
    /// The kind of its surface.
    pub kind: SurfaceKind,
    /// Its area, mm2.
    pub area_mm2: f64,
    /// Centroid of its area, mm.
    pub centroid: Point,
    /// Diameter of a cylinder or sphere, tube diameter of a torus, mm; full angle of a cone, rad; else `None`.
    pub size: Option<f64>,
    /// Outward normal of a plane, mean one of a freeform surface, axis of a cylinder, a cone or a torus (either way round);
    /// `None` of a sphere and where none is told.
    pub direction: Option<Direction>,
    /// How its area is spread; `None` where that is not known, as of a plan's.
    pub spread: Option<Spread>,
}

/// A surface that faces less one way than this, as the mean length of its normals, has no direction of its own.
const FACES: f64 = 0.3;

/// What lies nearer to its old place than this, mm, has not moved: less is the error of triangles where two exports of one
/// part are compared, and rounding of sums. Of faces and of the features on them.
pub const SAME_PLACE_MM: f64 = 0.02;

/// Areas of one face in two exports differ by less than this part, or by [`AREA_MM2`]: triangles leave their surface.
const AREA_PART: f64 = 0.005;
/// The same for small faces, mm2.
const AREA_MM2: f64 = 0.15;
/// A plan's fingerprint lies this near to its face, mm: its numbers are copied, and may be rounded.
const PLACE_MM: f64 = 0.05;
/// Sizes of one face in two exports are this near, mm or rad.
const SIZE: f64 = 1e-3;

impl Fingerprint {
    /// Of a face of a nominal; it must be one of them.
    pub fn of(nominal: &Nominal, face: u32) -> Self {
        let own = &nominal.faces()[face as usize];
        Self::of_surface(nominal, own.carrier, &own.triangles, own.area_mm2, own.centroid)
    }

    /// Of faces of a nominal, one at least, as if they were one, on the surface of the first.
    pub fn of_faces(nominal: &Nominal, faces: &[u32]) -> Self {
        let own = || faces.iter().map(|f| &nominal.faces()[*f as usize]);
        let area: f64 = own().map(|f| f.area_mm2).sum();
        let moment: Vector = own().map(|f| f.centroid.coords * f.area_mm2).sum();
        let triangles: Vec<u32> = own().flat_map(|f| f.triangles.iter().copied()).collect();
        let carrier = nominal.faces()[faces[0] as usize].carrier;
        Self::of_surface(nominal, carrier, &triangles, area, Point::from(moment / area))
    }

    /// What several faces of one surface would be known by as one; `None` of none, and where their kinds or sizes differ.
    pub fn together(prints: &[Self]) -> Option<Self> {
        let first = prints.first()?;
        let like = |p: &Self| {
            let sizes = match (p.size, first.size) {
                (Some(a), Some(b)) => (a - b).abs() <= SIZE,
                (a, b) => a == b,
            };
            p.kind == first.kind && sizes
        };
        let area_mm2: f64 = prints.iter().map(|p| p.area_mm2).sum();
        let moment: Vector = prints.iter().map(|p| p.centroid.coords * p.area_mm2).sum();
        let whole = Self { area_mm2, centroid: Point::from(moment / area_mm2), spread: None, ..*first };
        prints.iter().all(like).then_some(whole)
    }

    fn of_surface(
        nominal: &Nominal,
        carrier: Option<Carrier>,
        triangles: &[u32],
        area_mm2: f64,
        centroid: Point,
    ) -> Self {
        let spread = Spread::of(nominal.mesh(), triangles, &centroid);
        let mean = || {
            let facing = Vector::from(spread?.facing);
            Direction::new(facing).filter(|_| facing.norm() > FACES)
        };
        let (kind, size, direction) = match carrier {
            Some(Carrier::Plane { normal, .. }) => (SurfaceKind::Plane, None, Some(normal)),
            Some(Carrier::Cylinder { radius_mm, axis, .. }) => {
                (SurfaceKind::Cylinder, Some(2.0 * radius_mm), Some(axis))
            }
            Some(Carrier::Cone { half_angle_rad, axis, .. }) => {
                (SurfaceKind::Cone, Some(2.0 * half_angle_rad), Some(axis))
            }
            Some(Carrier::Sphere { radius_mm, .. }) => (SurfaceKind::Sphere, Some(2.0 * radius_mm), None),
            Some(Carrier::Torus { tube_radius_mm, axis, .. }) => {
                (SurfaceKind::Torus, Some(2.0 * tube_radius_mm), Some(axis))
            }
            None => (SurfaceKind::Freeform, None, mean()),
        };
        Self { kind, area_mm2, centroid, size, direction, spread }
    }

    /// How far they are apart, mm: their centroids, or their places where they are turned or bent otherwise.
    pub fn apart_mm(&self, other: &Self) -> f64 {
        let centroids = (self.centroid - other.centroid).norm();
        let turned = self.turned_mm(other);
        let spread = match (&self.spread, &other.spread) {
            (Some(a), Some(b)) => a.apart_mm(b),
            _ => 0.0,
        };
        // What is no number is not near.
        [turned, spread].into_iter().fold(centroids, |most, x| if x <= most { most } else { x })
    }

    /// How far the rim of the one lies from that of the other because its direction is another, mm; 0 where one has none.
    fn turned_mm(&self, other: &Self) -> f64 {
        match (self.direction, other.direction) {
            (Some(a), Some(b)) => {
                let either_way =
                    matches!(self.kind, SurfaceKind::Cylinder | SurfaceKind::Cone | SurfaceKind::Torus);
                let b = if either_way && a.dot(b) < 0.0 { b.reversed() } else { b };
                // About how far its rim lies from its middle.
                a.angle_to(b) * 0.5 * self.area_mm2.max(other.area_mm2).sqrt()
            }
            _ => 0.0,
        }
    }

    /// Whether both lie on one plane, wherever on it.
    fn in_one_plane(&self, other: &Self) -> bool {
        let (SurfaceKind::Plane, Some(normal)) = (self.kind, self.direction) else { return false };
        let off = (other.centroid - self.centroid).dot(&normal.vector()).abs();
        other.kind == SurfaceKind::Plane && off <= SAME_PLACE_MM && self.turned_mm(other) <= SAME_PLACE_MM
    }

    /// Whether both are of equal kind, area and size, wherever they lie. Sizes that only one tells are not compared.
    pub fn alike(&self, other: &Self) -> bool {
        let sizes = match (self.size, other.size) {
            (Some(a), Some(b)) => (a - b).abs() <= SIZE,
            _ => true,
        };
        let areas = (self.area_mm2 - other.area_mm2).abs()
            <= AREA_MM2.max(AREA_PART * self.area_mm2.max(other.area_mm2));
        self.kind == other.kind && sizes && areas
    }

    /// Whether both are one face: alike, in one place, and not turned there.
    pub fn same(&self, other: &Self) -> bool {
        self.alike(other) && self.apart_mm(other) <= PLACE_MM
    }
}

impl std::fmt::Display for Fingerprint {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let c = self.centroid;
        write!(
            f,
            "{} of {:.2} mm2 about x {:.2}, y {:.2}, z {:.2}",
            self.kind.word(),
            self.area_mm2,
            c.x,
            c.y,
            c.z
        )?;
        match (self.kind, self.size) {
            (SurfaceKind::Cone, Some(angle)) => write!(f, ", {:.3} degrees", angle.to_degrees()),
            (_, Some(size)) => write!(f, ", diameter {size:.3} mm"),
            (_, None) => Ok(()),
        }
    }
}

/// What became of a face.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum FaceChange {
    /// The same, by index in both.
    Same(u32, u32),
    /// Alike and elsewhere: by so much, mm.
    Moved(u32, u32, f64),
    /// Of the same kind in about the same place, and of other area or size; or on the same plane and of another outline.
    Altered(u32, u32),
    /// Only in the first.
    Gone(u32),
    /// Only in the second.
    New(u32),
}

/// Matches the faces of two nominals: first those that are the same within [`SAME_PLACE_MM`], then those that are alike, the nearest first, then
/// those of the same kind that lie nearer to each other than the root of their area; what is left is gone or new.
/// Our own way. Ascending by the first's faces, then the new ones.
pub fn compare(before: &Nominal, after: &Nominal) -> Vec<FaceChange> {
    let prints = |n: &Nominal| (0..n.faces().len() as u32).map(|f| Fingerprint::of(n, f)).collect::<Vec<_>>();
    let (old, new) = (prints(before), prints(after));
    let mut of_old: Vec<Option<FaceChange>> = vec![None; old.len()];
    let mut taken = vec![false; new.len()];
    type Rule<'a> = &'a dyn Fn(&Fingerprint, &Fingerprint) -> bool;
    let about = |a: &Fingerprint, b: &Fingerprint| {
        a.kind == b.kind && a.apart_mm(b) <= a.area_mm2.min(b.area_mm2).sqrt()
    };
    let same = |a: &Fingerprint, b: &Fingerprint| a.alike(b) && a.apart_mm(b) <= SAME_PLACE_MM;
    let rules: [Rule; 3] = [&same, &Fingerprint::alike, &about];
    for (step, rule) in rules.into_iter().enumerate() {
        let nearest = |i: u32, taken: &[bool]| {
            let a = &old[i as usize];
            let open = (0u32..).zip(&new).filter(|(j, b)| !taken[*j as usize] && rule(a, b));
            open.map(|(j, b)| (a.apart_mm(b), j)).min_by(|x, y| x.0.total_cmp(&y.0).then(x.1.cmp(&y.1)))
        };
        // Each of the first with the nearest that is left for it. The bits of distances, which are never negative, are in
        // their order.
        let mut open: BTreeSet<(u64, u32, u32)> = (0..old.len() as u32)
            .filter(|i| of_old[*i as usize].is_none())
            .filter_map(|i| nearest(i, &taken).map(|(apart_mm, j)| (apart_mm.to_bits(), i, j)))
            .collect();
        while let Some((bits, i, j)) = open.pop_first() {
            if taken[j as usize] {
                open.extend(nearest(i, &taken).map(|(apart_mm, j)| (apart_mm.to_bits(), i, j)));
                continue;
            }
            let apart_mm = f64::from_bits(bits);
            taken[j as usize] = true;
            of_old[i as usize] = Some(match step {
                0 => FaceChange::Same(i, j),
                // A hole that moves takes the centroid of the plane round it along, and the plane is where it was.
                1 if !old[i as usize].in_one_plane(&new[j as usize]) => FaceChange::Moved(i, j, apart_mm),
                _ => FaceChange::Altered(i, j),
            });
        }
    }
    let gone = (0u32..).zip(of_old).map(|(i, change)| change.unwrap_or(FaceChange::Gone(i)));
    let fresh = (0u32..).zip(taken).filter(|(_, taken)| !taken).map(|(j, _)| FaceChange::New(j));
    gone.chain(fresh).collect()
}
