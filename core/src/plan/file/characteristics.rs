//! Characteristics, with exactly one requirement each, and what must have been seen of them.

use super::neighbours::Joint;
use super::thickness::Thickness;
use super::tolerances::{
    Angle, Coaxiality, Distance, Form, Length, LineProfile, Orientation, Position, Protrusion, Runout, Size,
    Straightness, SurfaceProfile, Symmetry,
};
use super::{Filter, Standard};
use serde::{Deserialize, Serialize};

/// When a characteristic is required.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum When {
    /// Of every part.
    Every,
    /// Never: reported only.
    ReportOnly,
}

/// A characteristic; exactly one requirement.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Characteristic {
    /// Number on the ballooned drawing.
    pub number: String,
    /// What people call it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub title: Option<String>,
    /// The feature it is required of; absent for a reading of the whole part.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub feature: Option<String>,
    /// Profile of a surface, plane, check point or group (ISO 1660).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub surface_profile: Option<SurfaceProfile>,
    /// Profile of a line: of a section of a surface, or of a trimmed edge (ISO 1660).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub line_profile: Option<LineProfile>,
    /// Diameter of a hole, cylinder or sphere (ISO 14405-1).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub diameter: Option<Size>,
    /// Width of a slot, or between the two planes of a width (ISO 14405-1).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub width: Option<Size>,
    /// Radius of a cylinder or a sphere, or of the tube of a torus.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub radius: Option<Length>,
    /// Distance of one feature from another.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub distance: Option<Distance>,
    /// Angle between two features, or the apex angle of a cone.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub angle: Option<Angle>,
    /// Straightness (ISO 1101).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub straightness: Option<Straightness>,
    /// Flatness of a plane (ISO 1101).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub flatness: Option<Form>,
    /// Roundness of each section of a cylinder, cone or sphere (ISO 1101).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub roundness: Option<Form>,
    /// Cylindricity (ISO 1101).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cylindricity: Option<Form>,
    /// Parallelism (ISO 1101).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub parallelism: Option<Orientation>,
    /// Perpendicularity (ISO 1101).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub perpendicularity: Option<Orientation>,
    /// Angularity (ISO 1101): the angle is that of the nominal.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub angularity: Option<Orientation>,
    /// Position (ISO 1101, ISO 5458).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub position: Option<Position>,
    /// Coaxiality with the axis of the datum system, or concentricity with its point (ISO 1101).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub coaxiality: Option<Coaxiality>,
    /// Symmetry about the median plane of the datum system (ISO 1101).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub symmetry: Option<Symmetry>,
    /// Circular run-out about the axis of the datum system (ISO 1101).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub circular_runout: Option<Runout>,
    /// Total run-out about the axis of the datum system (ISO 1101).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub total_runout: Option<Runout>,
    /// Local thickness of a wall.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub thickness: Option<Thickness>,
    /// Gap between a trimmed edge and a neighbour's.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub gap: Option<Joint>,
    /// Step between a trimmed edge and a neighbour's: how far the part stands proud of it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub step: Option<Joint>,
    /// How far a face stands out of the skin about it: an insert's face, the top of a stud.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub protrusion: Option<Protrusion>,
    /// Depth of a countersink, from the skin to the wall of its hole.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub depth: Option<Length>,
    /// A value that a hand instrument reads.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reading: Option<ReadingLimits>,
    /// What a gauge passes or fails.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub gauge: Option<Gauge>,
    /// Id of the datum system.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub datum_system: Option<String>,
    /// The customer's class symbol.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub class: Option<String>,
    /// When it is required; every part if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub when: Option<When>,
    /// Groups, for quick checks of a few characteristics.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub group: Vec<String>,
    /// What must have been seen; defaults if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub needs: Option<Needs>,
    /// Overrides the plan's filter.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub filter: Option<Filter>,
    /// Overrides the plan's standard.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub standard: Option<Standard>,
    /// Name of those positions and profiles that one movement of the part must serve together: SIM of ISO 5458:2018; by ASME
    /// SIM REQT of lower segments.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub simultaneous: Option<String>,
    /// ASME, SEP REQT: not together with others at the same datums.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub separate: Option<bool>,
}

/// A value that a hand instrument reads; at least one limit.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ReadingLimits {
    /// What is read, such as mass, thickness, coating thickness.
    pub quantity: String,
    /// Unit of the limits and of the readings, such as mm, um, kg.
    pub unit: String,
    /// Smallest accepted value.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lower_limit: Option<f64>,
    /// Largest accepted value.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub upper_limit: Option<f64>,
}

/// What a gauge passes or fails.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Gauge {
    /// The gauge and how it is used, such as a thread plug gauge M6-6H, go and no-go.
    pub procedure: String,
}

/// What must have been seen for a characteristic to be decided.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Needs {
    /// Smallest seen fraction of the feature's area (of the full turn for a hole), above 0, at most 1.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub coverage: Option<f64>,
    /// Largest disc in which nothing was seen, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub largest_unseen_disc_mm: Option<f64>,
    /// Fewest measured points that stand for a plane or surface; where absent, points decide nothing about it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub points: Option<i32>,
    /// Fewest points of a scan on each cm2 of what was seen of the feature; no limit if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub points_per_cm2: Option<f64>,
}
