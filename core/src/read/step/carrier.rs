//! What a face lies on, as those who measure ask it.

use std::sync::Arc;

use super::surfaces::Surface;
use crate::geometry::{Direction, Point, math};

/// The surface of a face, in mm and rad.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Carrier {
    /// A plane through a point.
    Plane {
        /// On the plane.
        point: Point,
        /// At a right angle to it, to the side that the surface has as its own.
        normal: Direction,
    },
    /// A cylinder.
    Cylinder {
        /// On its axis.
        point: Point,
        /// Along its axis.
        axis: Direction,
        /// Radius, mm.
        radius_mm: f64,
    },
    /// A cone.
    Cone {
        /// Its tip.
        apex: Point,
        /// From the tip to where it grows wide.
        axis: Direction,
        /// Between axis and surface, rad; above zero.
        half_angle_rad: f64,
    },
    /// A sphere.
    Sphere {
        /// Its centre.
        centre: Point,
        /// Radius, mm.
        radius_mm: f64,
    },
    /// A torus.
    Torus {
        /// Its centre.
        centre: Point,
        /// Along its axis.
        axis: Direction,
        /// Of the circle in the middle of the tube, mm.
        major_mm: f64,
        /// Of the tube, mm.
        minor_mm: f64,
    },
    /// A B-spline surface, an extruded or a turned curve that is none of the others: ask [`FaceSurface::foot`].
    Freeform,
}

/// The exact surface of a face.
#[derive(Clone, Debug, PartialEq)]
pub struct FaceSurface {
    pub(super) surface: Arc<Surface>,
    /// Whether the material's outside lies against the surface's own normal.
    pub(super) turned: bool,
}

/// The place on a surface nearest to a point.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SurfaceFoot {
    /// On the surface, mm; it goes on beyond the face where the surface does.
    pub point: Point,
    /// Outwards, as the face says.
    pub normal: Direction,
    /// Positive outside the material, mm.
    pub distance_mm: f64,
}

/// A foot on a face's triangles lies this near to its surface, mm: twice the usual chord error.
const NEAR_MM: f64 = 0.02;

impl FaceSurface {
    /// What kind of surface it is, with its numbers.
    pub fn carrier(&self) -> Carrier {
        let direction = |v| Direction::new(v).unwrap_or(Direction::Z);
        match &*self.surface {
            Surface::Plane { axes } => Carrier::Plane { point: axes.origin, normal: direction(axes.z) },
            Surface::Cylinder { axes, radius } => {
                Carrier::Cylinder { point: axes.origin, axis: direction(axes.z), radius_mm: *radius }
            }
            Surface::Cone { axes, radius, half_angle } => {
                let axis = if *half_angle > 0.0 { axes.z } else { -axes.z };
                Carrier::Cone {
                    apex: axes.origin - axes.z * (radius / math::tan(*half_angle)),
                    axis: direction(axis),
                    half_angle_rad: half_angle.abs(),
                }
            }
            Surface::Sphere { axes, radius } => Carrier::Sphere { centre: axes.origin, radius_mm: *radius },
            Surface::Torus { axes, major, minor } => Carrier::Torus {
                centre: axes.origin,
                axis: direction(axes.z),
                major_mm: *major,
                minor_mm: *minor,
            },
            Surface::Spline(_) | Surface::Extrusion { .. } | Surface::Revolution(_) => Carrier::Freeform,
        }
    }

    /// The foot of a point. `near` is a place close to it, such as the foot on the face's triangles; B-splines
    /// are searched from there first, so that the other side of a thin part is not taken. `None` where
    /// the surface has no normal there (a tip) or no foot was found to rounding.
    pub fn foot(&self, p: &Point, near: &Point) -> Option<SurfaceFoot> {
        let (u, v) = match &*self.surface {
            Surface::Spline(spline) => {
                // From the seed beside it a descent mostly ends at `near`; where it does not, all are looked at.
                let start = match spline.descend(near, spline.beside(near)?) {
                    (far, start) if far <= NEAR_MM => start,
                    _ => self.surface.parameters_of(near, None)?,
                };
                let local = spline.descend(p, start).1;
                // One that runs away from where it began has left the face for another valley.
                let reach = 2.0 * (p - near).norm() + NEAR_MM;
                if (self.surface.jet(local.0, local.1).p - near).norm() > reach {
                    start
                } else if spline.settled(p, local) {
                    local
                } else {
                    return None;
                }
            }
            other => other.parameters_of(p, None)?,
        };
        let jet = self.surface.jet(u, v);
        let point = jet.p;
        let own = self.surface.normal(u, v)?;
        let normal = if self.turned { own.reversed() } else { own };
        Some(SurfaceFoot { point, normal, distance_mm: (p - point).dot(&normal.vector()) })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::Vector;
    use crate::read::step::curves::Axes;

    #[test]
    fn a_cone_is_told_by_its_tip_whichever_way_it_opens() {
        let axes = Axes::new(Point::new(0.0, 0.0, 5.0), Direction::Z, None);
        for (half_angle, tip, along) in [(0.5, -1.0, 1.0), (-0.5, 1.0, -1.0)] {
            let surface = Arc::new(Surface::Cone { axes, radius: 2.0, half_angle });
            let Carrier::Cone { apex, axis, half_angle_rad } =
                (FaceSurface { surface, turned: false }).carrier()
            else {
                panic!()
            };
            assert!((apex.z - 5.0 - tip * 2.0 / math::tan(0.5)).abs() < 1e-12);
            assert_eq!((axis.vector(), half_angle_rad), (Vector::z() * along, 0.5));
        }
    }

    #[test]
    fn a_hole_counts_its_distances_from_the_material() {
        let axes = Axes::new(Point::origin(), Direction::Z, None);
        let surface = Arc::new(Surface::Cylinder { axes, radius: 2.0 });
        // Inside the hole is outside the material.
        let foot =
            FaceSurface { surface, turned: true }.foot(&Point::new(1.5, 0.0, 3.0), &Point::origin()).unwrap();
        assert!((foot.distance_mm - 0.5).abs() < 1e-12);
        assert!((foot.point - Point::new(2.0, 0.0, 3.0)).norm() < 1e-12);
        assert!((foot.normal.vector() + Vector::x()).norm() < 1e-12);
    }
}
