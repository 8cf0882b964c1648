//! The exact surface under a face, as a file tells it, where the part lies in the nominal.

use crate::geometry::{Direction, Foot, Matrix3, Point, Vector};
use crate::read::step::{Carrier as FileCarrier, FaceSurface, SurfaceFoot};

/// How a distance to a face is known.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Exactness {
    /// In closed form: plane, cylinder, cone, sphere, torus.
    Analytic,
    /// By descent on the surface itself: B-splines, extruded and turned curves.
    Freeform,
}

/// The exact surface of a face.
#[derive(Clone, Debug, PartialEq)]
pub struct Exact {
    surface: FaceSurface,
    /// Where the face's part lies in the nominal: turn and shift, mm.
    placed: Option<(Matrix3, Vector)>,
    /// Whether the nominal's outside is the other side than the file says.
    flipped: bool,
    /// How far the distance from the triangles may be off that from the surface, mm.
    slack_mm: f64,
}

impl Exact {
    pub(super) fn new(
        surface: FaceSurface,
        placed: Option<(Matrix3, Vector)>,
        flipped: bool,
        slack_mm: f64,
    ) -> Self {
        Self { surface, placed, flipped, slack_mm }
    }

    /// Whether distances are in closed form.
    pub fn exactness(&self) -> Exactness {
        match self.surface.carrier() {
            FileCarrier::Freeform => Exactness::Freeform,
            _ => Exactness::Analytic,
        }
    }

    /// The nominal's side of the surface differs from the file's.
    pub(super) fn flip(&mut self) {
        self.flipped = !self.flipped;
    }

    /// What kind of surface it is with its numbers, in the nominal's axes; `hollow` is left to be found.
    pub(super) fn carrier(&self) -> Option<super::Carrier> {
        let point = |p: Point| self.out(&p);
        let along = |d: Direction| match &self.placed {
            Some((turn, _)) => Direction::new(turn * d.vector()).unwrap_or(d),
            None => d,
        };
        let hollow = false;
        Some(match self.surface.carrier() {
            FileCarrier::Plane { point: p, normal } => {
                super::Carrier::Plane { point: point(p), normal: along(normal) }
            }
            FileCarrier::Cylinder { point: p, axis, radius_mm } => {
                super::Carrier::Cylinder { point: point(p), axis: along(axis), radius_mm, hollow }
            }
            FileCarrier::Cone { apex, axis, half_angle_rad } => {
                super::Carrier::Cone { apex: point(apex), axis: along(axis), half_angle_rad, hollow }
            }
            FileCarrier::Sphere { centre, radius_mm } => {
                super::Carrier::Sphere { centre: point(centre), radius_mm, hollow }
            }
            FileCarrier::Torus { centre, axis, major_mm, minor_mm } => super::Carrier::Torus {
                centre: point(centre),
                axis: along(axis),
                radius_mm: major_mm,
                tube_radius_mm: minor_mm,
                hollow,
            },
            FileCarrier::Freeform => return None,
        })
    }

    /// The place on the surface under `p`, whose foot on the face's triangles is `foot`; positive outside the material.
    ///
    /// `None` where both distances differ by more than triangles may leave their surface: then the foot lies on the rim of
    /// the face, or the surface has come near from elsewhere, and the triangles are right.
    pub fn foot(&self, p: &Point, foot: &Foot) -> Option<SurfaceFoot> {
        let there = self.surface.foot(&self.into(p), &self.into(&foot.point))?;
        let near = (there.distance_mm.abs() - foot.distance).abs() <= self.slack_mm;
        if !near {
            return None;
        }
        let point = self.out(&there.point);
        let normal = match &self.placed {
            Some((turn, _)) => Direction::new(turn * there.normal.vector())?,
            None => there.normal,
        };
        Some(if self.flipped {
            SurfaceFoot { point, normal: normal.reversed(), distance_mm: -there.distance_mm }
        } else {
            SurfaceFoot { point, normal, distance_mm: there.distance_mm }
        })
    }

    fn into(&self, p: &Point) -> Point {
        match &self.placed {
            Some((turn, shift)) => Point::from(turn.transpose() * (p.coords - shift)),
            None => *p,
        }
    }

    fn out(&self, p: &Point) -> Point {
        match &self.placed {
            Some((turn, shift)) => Point::from(turn * p.coords + shift),
            None => *p,
        }
    }
}
