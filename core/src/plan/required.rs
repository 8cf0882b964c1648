//! What a characteristic requires, checked.

use super::domain::{
    Association, Condition, OrientationKind, RunoutDirection, SizeOperator, StraightnessOf, Zone,
};
use super::on_skin::AboveSkin;
use super::thickness::Thickness;
use crate::geometry::{Direction, Point};

/// The height at which the place of an axis is asked.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AtHeight {
    /// Height, mm, positive out of the material.
    pub height_mm: f64,
    /// Index of the skin's feature over which it is told; `None` for the first datum plane.
    pub above: Option<usize>,
}

/// What a characteristic requires.
#[derive(Clone, Debug, PartialEq)]
pub enum Requirement {
    /// Profile of a surface, plane, check point or group (ISO 1660).
    SurfaceProfile {
        /// Largest deviation outside the material, mm; negative where the whole zone lies inside.
        limit_outside_mm: f64,
        /// Largest deviation inside the material, mm; negative where the whole zone lies outside.
        limit_inside_mm: f64,
        /// Whether the zone may be offset by one constant (OZ).
        offset_zone: bool,
        /// Whether the datum system orients the zone and does not place it.
        orientation_only: bool,
        /// As the drawing writes it, where it is not the two limits.
        drawn: Option<String>,
    },
    /// Profile of a line: the section of a feature by a plane, or a trimmed edge (ISO 1660).
    LineProfile {
        /// Largest deviation outside the material, mm, 0 or more.
        limit_outside_mm: f64,
        /// Largest deviation inside the material, mm, 0 or more.
        limit_inside_mm: f64,
        /// The line; `None` of a trimmed edge, which is its own.
        section: Option<LineSection>,
        /// Whether the datum system orients the zone and does not place it.
        orientation_only: bool,
    },
    /// Diameter of a hole, cylinder or sphere (ISO 14405-1).
    Diameter {
        /// Nominal diameter, mm.
        nominal_mm: f64,
        /// Upper limit deviation, mm, signed.
        upper_deviation_mm: f64,
        /// Lower limit deviation, mm, signed, below the upper one.
        lower_deviation_mm: f64,
        /// Which size.
        size: SizeOperator,
    },
    /// Width of a slot or between two planes (ISO 14405-1).
    Width {
        /// Nominal width, mm.
        nominal_mm: f64,
        /// Upper limit deviation, mm, signed.
        upper_deviation_mm: f64,
        /// Lower limit deviation, mm, signed, below the upper one.
        lower_deviation_mm: f64,
        /// Which size.
        size: SizeOperator,
    },
    /// Radius of a cylinder or a sphere, or of the tube of a torus.
    Radius {
        /// Nominal radius, mm.
        nominal_mm: f64,
        /// Upper limit deviation, mm, signed.
        upper_deviation_mm: f64,
        /// Lower limit deviation, mm, signed, below the upper one.
        lower_deviation_mm: f64,
    },
    /// Distance of one feature from another.
    Distance {
        /// Index of the other feature.
        to: usize,
        /// Nominal distance, mm.
        nominal_mm: f64,
        /// Upper limit deviation, mm, signed.
        upper_deviation_mm: f64,
        /// Lower limit deviation, mm, signed, below the upper one.
        lower_deviation_mm: f64,
        /// The direction along which alone it counts.
        along: Option<Direction>,
    },
    /// Angle between two features, or the apex angle of a cone.
    Angle {
        /// Index of the other feature; `None` for a cone's own.
        to: Option<usize>,
        /// Nominal angle, rad.
        nominal_rad: f64,
        /// Upper limit deviation, rad, signed.
        upper_deviation_rad: f64,
        /// Lower limit deviation, rad, signed, below the upper one.
        lower_deviation_rad: f64,
    },
    /// Straightness (ISO 1101).
    Straightness {
        /// Its zone.
        zone: Zone,
        /// Of what.
        of: StraightnessOf,
        /// The reference line.
        association: Association,
    },
    /// Flatness of a plane (ISO 1101).
    Flatness {
        /// Width of the zone, mm.
        zone_width_mm: f64,
        /// The reference plane.
        association: Association,
    },
    /// Roundness of every section (ISO 1101).
    Roundness {
        /// Width of the zone, mm.
        zone_width_mm: f64,
        /// The reference circle.
        association: Association,
    },
    /// Cylindricity (ISO 1101).
    Cylindricity {
        /// Width of the zone, mm.
        zone_width_mm: f64,
        /// The reference cylinder.
        association: Association,
    },
    /// Parallelism, perpendicularity or angularity (ISO 1101), in a datum system.
    Orientation {
        /// Which.
        kind: OrientationKind,
        /// Its zone.
        zone: Zone,
        /// Material condition.
        condition: Condition,
        /// Index of the characteristic that limits the size; given with a material condition.
        size: Option<usize>,
        /// Whether the tangent plane is judged instead of the surface.
        tangent_plane: bool,
    },
    /// Position (ISO 1101, ISO 5458).
    Position {
        /// Its zone.
        zone: Zone,
        /// Material condition.
        condition: Condition,
        /// Index of the characteristic that limits the size; given with a material condition.
        size: Option<usize>,
        /// Length of a projected zone, mm, out of the material.
        projected_length_mm: Option<f64>,
        /// The one height at which its axis is looked at.
        at_height: Option<AtHeight>,
        /// Whether the datum system orients the zone and does not place it.
        orientation_only: bool,
    },
    /// Coaxiality or concentricity (ISO 1101), in a datum system.
    Coaxiality {
        /// Diameter of the zone, mm.
        zone_diameter_mm: f64,
    },
    /// Symmetry (ISO 1101), in a datum system.
    Symmetry {
        /// Width of the zone, mm.
        zone_width_mm: f64,
    },
    /// Run-out (ISO 1101), in a datum system.
    Runout {
        /// Whether of the whole surface at once.
        total: bool,
        /// Width of the zone, mm.
        zone_width_mm: f64,
        /// Which way it is read.
        direction: RunoutDirection,
    },
    /// Local thickness of a wall.
    Thickness(Box<Thickness>),
    /// Gap between a trimmed edge and the edge of a neighbour, along the outward direction of the part's nominal edge in its
    /// skin, square to the line; negative where they overlap. Common practice, no source.
    Gap {
        /// Index of the neighbour in [`super::Plan::neighbours`].
        to: usize,
        /// Nominal gap, mm.
        nominal_mm: f64,
        /// Upper limit deviation, mm, signed.
        upper_deviation_mm: f64,
        /// Lower limit deviation, mm, signed, below the upper one.
        lower_deviation_mm: f64,
    },
    /// Step between a trimmed edge and the edge of a neighbour (flush offset), along the part's nominal skin normal; positive
    /// where the part stands proud, further out than the neighbour. Common practice, no source.
    Step {
        /// Index of the neighbour in [`super::Plan::neighbours`].
        to: usize,
        /// Nominal step, mm, signed.
        nominal_mm: f64,
        /// Upper limit deviation, mm, signed.
        upper_deviation_mm: f64,
        /// Lower limit deviation, mm, signed, below the upper one.
        lower_deviation_mm: f64,
    },
    /// How far a face stands out of the skin about it (common practice, no source).
    Protrusion {
        /// The skin.
        skin: AboveSkin,
        /// Nominal value, mm, signed.
        nominal_mm: f64,
        /// Upper limit deviation, mm, signed.
        upper_deviation_mm: f64,
        /// Lower limit deviation, mm, signed, below the upper one.
        lower_deviation_mm: f64,
    },
    /// Depth of a countersink, from the skin to the wall of its hole.
    Depth {
        /// Nominal depth, mm.
        nominal_mm: f64,
        /// Upper limit deviation, mm, signed.
        upper_deviation_mm: f64,
        /// Lower limit deviation, mm, signed, below the upper one.
        lower_deviation_mm: f64,
    },
    /// A value that a hand instrument reads, between its limits.
    Reading {
        /// What is read, such as mass.
        quantity: String,
        /// Unit of limits and readings.
        unit: String,
        /// Smallest accepted value.
        lower_limit: Option<f64>,
        /// Largest accepted value.
        upper_limit: Option<f64>,
    },
    /// What a gauge passes or fails.
    Gauge {
        /// The gauge and how it is used.
        procedure: String,
    },
}

/// The section of a feature by a plane.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LineSection {
    /// A place on the plane.
    pub at: Point,
    /// Square to it.
    pub normal: Direction,
    /// Where the line begins and ends.
    pub between: Option<[Point; 2]>,
}

impl Requirement {
    /// Smallest and largest accepted value, mm: of a profile those of the signed extremes; none of a reading, a gauge
    /// and an angle, which are not told in mm, and none of a thickness whose nominal differs from place to place.
    pub fn limits_mm(&self) -> (Option<f64>, Option<f64>) {
        match *self {
            Requirement::Thickness(ref thickness) => thickness.limits_mm(),
            // The width of a zone that may be offset (OZ).
            Requirement::SurfaceProfile { limit_outside_mm, limit_inside_mm, offset_zone: true, .. } => {
                (None, Some(limit_outside_mm + limit_inside_mm))
            }
            Requirement::SurfaceProfile { limit_outside_mm, limit_inside_mm, .. }
            | Requirement::LineProfile { limit_outside_mm, limit_inside_mm, .. } => {
                (Some(-limit_inside_mm), Some(limit_outside_mm))
            }
            Requirement::Diameter { nominal_mm, upper_deviation_mm, lower_deviation_mm, .. }
            | Requirement::Width { nominal_mm, upper_deviation_mm, lower_deviation_mm, .. }
            | Requirement::Radius { nominal_mm, upper_deviation_mm, lower_deviation_mm }
            | Requirement::Distance { nominal_mm, upper_deviation_mm, lower_deviation_mm, .. }
            | Requirement::Gap { nominal_mm, upper_deviation_mm, lower_deviation_mm, .. }
            | Requirement::Step { nominal_mm, upper_deviation_mm, lower_deviation_mm, .. }
            | Requirement::Protrusion { nominal_mm, upper_deviation_mm, lower_deviation_mm, .. }
            | Requirement::Depth { nominal_mm, upper_deviation_mm, lower_deviation_mm } => {
                (Some(nominal_mm + lower_deviation_mm), Some(nominal_mm + upper_deviation_mm))
            }
            Requirement::Straightness { zone, .. }
            | Requirement::Orientation { zone, .. }
            | Requirement::Position { zone, .. } => (None, Some(zone.size_mm())),
            Requirement::Flatness { zone_width_mm: size, .. }
            | Requirement::Roundness { zone_width_mm: size, .. }
            | Requirement::Cylindricity { zone_width_mm: size, .. }
            | Requirement::Coaxiality { zone_diameter_mm: size }
            | Requirement::Symmetry { zone_width_mm: size }
            | Requirement::Runout { zone_width_mm: size, .. } => (None, Some(size)),
            Requirement::Angle { .. } | Requirement::Reading { .. } | Requirement::Gauge { .. } => {
                (None, None)
            }
        }
    }

    /// How far from nominal a part may be out, mm, that points are still looked for: the largest limit.
    pub fn furthest_mm(&self) -> f64 {
        match *self {
            Requirement::Thickness(ref thickness) => thickness.furthest_mm(),
            Requirement::Diameter { upper_deviation_mm, lower_deviation_mm, .. }
            | Requirement::Width { upper_deviation_mm, lower_deviation_mm, .. }
            | Requirement::Radius { upper_deviation_mm, lower_deviation_mm, .. }
            | Requirement::Distance { upper_deviation_mm, lower_deviation_mm, .. }
            | Requirement::Gap { upper_deviation_mm, lower_deviation_mm, .. }
            | Requirement::Step { upper_deviation_mm, lower_deviation_mm, .. }
            | Requirement::Protrusion { upper_deviation_mm, lower_deviation_mm, .. }
            | Requirement::Depth { upper_deviation_mm, lower_deviation_mm, .. } => {
                upper_deviation_mm.abs().max(lower_deviation_mm.abs())
            }
            _ => {
                let (low, high) = self.limits_mm();
                low.map_or(0.0, f64::abs).max(high.map_or(0.0, f64::abs))
            }
        }
    }

    /// Whether its value is the size of a zone: 0 or more by definition (ISO 1101:2017).
    pub fn is_zone(&self) -> bool {
        matches!(self.limits_mm(), (None, Some(_))) && !matches!(self, Requirement::Thickness(_))
    }

    /// As the file writes it.
    pub fn word(&self) -> &'static str {
        match self {
            Requirement::SurfaceProfile { .. } => "surface_profile",
            Requirement::LineProfile { .. } => "line_profile",
            Requirement::Diameter { .. } => "diameter",
            Requirement::Width { .. } => "width",
            Requirement::Radius { .. } => "radius",
            Requirement::Distance { .. } => "distance",
            Requirement::Angle { .. } => "angle",
            Requirement::Straightness { .. } => "straightness",
            Requirement::Flatness { .. } => "flatness",
            Requirement::Roundness { .. } => "roundness",
            Requirement::Cylindricity { .. } => "cylindricity",
            Requirement::Orientation { kind, .. } => match kind {
                OrientationKind::Parallelism => "parallelism",
                OrientationKind::Perpendicularity => "perpendicularity",
                OrientationKind::Angularity => "angularity",
            },
            Requirement::Position { .. } => "position",
            Requirement::Coaxiality { .. } => "coaxiality",
            Requirement::Symmetry { .. } => "symmetry",
            Requirement::Runout { total: false, .. } => "circular_runout",
            Requirement::Runout { total: true, .. } => "total_runout",
            Requirement::Thickness(_) => "thickness",
            Requirement::Gap { .. } => "gap",
            Requirement::Step { .. } => "step",
            Requirement::Protrusion { .. } => "protrusion",
            Requirement::Depth { .. } => "depth",
            Requirement::Reading { .. } => "reading",
            Requirement::Gauge { .. } => "gauge",
        }
    }
}
