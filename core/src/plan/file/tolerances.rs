//! What a drawing requires: sizes, form, orientation, location, profile, run-out.

use super::{Association, Condition};
use serde::{Deserialize, Serialize};

/// Profile of a surface: two limits of the signed deviation, or the width of the zone as the drawing writes it.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SurfaceProfile {
    /// Largest deviation outside the material, mm; together with the one inside.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub limit_outside_mm: Option<f64>,
    /// Largest deviation inside the material, mm, as a positive number; together with the one outside.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub limit_inside_mm: Option<f64>,
    /// Instead of the limits: width of the zone, mm, half on either side of the nominal unless it is shifted.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub zone_width_mm: Option<f64>,
    /// ISO, UZ: how far the middle of the zone lies outside the nominal's material, mm, signed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub zone_offset_mm: Option<f64>,
    /// ASME, U: how much of the width lies outside the nominal's material, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub zone_outside_mm: Option<f64>,
    /// ISO, OZ: the zone may be offset by one constant, whatever it is.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub offset_zone: Option<bool>,
    /// The datum system orients the zone and does not place it (ISO 5459, `><`).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub orientation_only: Option<bool>,
}

/// A plane that cuts the part.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Section {
    /// x, y, z of a place on it, mm.
    #[serde(default)]
    pub at_mm: Vec<f64>,
    /// x, y, z square to it.
    #[serde(default)]
    pub normal: Vec<f64>,
}

/// A place, mm.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PlaceOnLine {
    /// x, y, z, mm.
    #[serde(default)]
    pub at_mm: Vec<f64>,
}

/// Profile of a line: the section of a feature by a plane, or a trimmed edge.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LineProfile {
    /// Largest deviation outside the material, mm.
    pub limit_outside_mm: f64,
    /// Largest deviation inside the material, mm, as a positive number.
    pub limit_inside_mm: f64,
    /// The plane of the section; absent for a trimmed edge, which is its own line.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub section: Option<Section>,
    /// Where the line begins and ends; the whole section if empty.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub between: Vec<PlaceOnLine>,
    /// The datum system orients the zone and does not place it (ISO 5459, `><`).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub orientation_only: Option<bool>,
}

/// Which size of a feature of size (ISO 14405-1).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum SizeOperator {
    /// Least-squares size, (GG).
    LeastSquares,
    /// Minimax (Chebyshev) size, (GC).
    MinimumZone,
    /// Maximum inscribed size, (GX).
    MaximumInscribed,
    /// Minimum circumscribed size, (GN).
    MinimumCircumscribed,
    /// Two-point sizes, (LP), each of which must keep the limits.
    TwoPoint,
    /// Envelope requirement, (E): two-point sizes at the least material side, the mating size at the other.
    Envelope,
}

/// A size; its limits in exactly one of three ways.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Size {
    /// Nominal size, mm.
    pub nominal_mm: f64,
    /// Upper limit deviation, mm, signed; together with the lower one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub upper_deviation_mm: Option<f64>,
    /// Lower limit deviation, mm, signed; together with the upper one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lower_deviation_mm: Option<f64>,
    /// Instead of the deviations: a tolerance class of ISO 286-1:2010, such as `H8`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tolerance_class: Option<String>,
    /// Instead of the deviations: a general tolerance of ISO 2768-1:1989.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub general_tolerance: Option<GeneralTolerance>,
    /// Which size.
    pub size: SizeOperator,
}

/// A class of general tolerances of ISO 2768-1:1989.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum GeneralTolerance {
    /// Class f.
    Fine,
    /// Class m.
    Medium,
    /// Class c.
    Coarse,
    /// Class v.
    VeryCoarse,
}

/// A length with its limits.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Length {
    /// Nominal value, mm.
    pub nominal_mm: f64,
    /// Upper limit deviation, mm, signed.
    pub upper_deviation_mm: f64,
    /// Lower limit deviation, mm, signed.
    pub lower_deviation_mm: f64,
}

/// Distance of one feature from another: between their points, axes or planes as associated by least squares.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Distance {
    /// Id of the other feature.
    pub to: String,
    /// Nominal value, mm.
    pub nominal_mm: f64,
    /// Upper limit deviation, mm, signed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub upper_deviation_mm: Option<f64>,
    /// Lower limit deviation, mm, signed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lower_deviation_mm: Option<f64>,
    /// Instead of the deviations: a general tolerance of ISO 2768-1:1989.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub general_tolerance: Option<GeneralTolerance>,
    /// x, y, z: only the part of the distance along this direction counts; the whole if empty.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub along: Vec<f64>,
}

/// How far a face stands out of the skin about it, with its limits (common practice, no source).
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Protrusion {
    /// Id of the skin.
    pub above: String,
    /// Nominal value, mm; negative where the face lies below the skin.
    pub nominal_mm: f64,
    /// Upper limit deviation, mm, signed.
    pub upper_deviation_mm: f64,
    /// Lower limit deviation, mm, signed.
    pub lower_deviation_mm: f64,
    /// Inner radius of the ring of skin about the middle of the face, mm; that of the face and a strip if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub inner_radius_mm: Option<f64>,
    /// Outer radius of the ring, mm; 5 mm more than the inner one if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub outer_radius_mm: Option<f64>,
}

/// An angle with its limits.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Angle {
    /// Id of the other feature; absent for the apex angle of a cone.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub to: Option<String>,
    /// Nominal value, degrees.
    pub nominal_deg: f64,
    /// Upper limit deviation, degrees, signed.
    pub upper_deviation_deg: f64,
    /// Lower limit deviation, degrees, signed.
    pub lower_deviation_deg: f64,
}

/// Of what a straightness is required.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum StraightnessOf {
    /// The median line of a cylinder.
    Axis,
    /// The lines of a surface: those along the axis of a cylinder or cone.
    Lines,
}

/// Straightness; one of the two zones.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Straightness {
    /// Width of the zone between two parallel lines, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub zone_width_mm: Option<f64>,
    /// Diameter of the cylindrical zone of an axis, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub zone_diameter_mm: Option<f64>,
    /// Of what.
    pub of: StraightnessOf,
    /// The reference line.
    pub association: Association,
}

/// A form tolerance.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Form {
    /// Width of the zone, mm.
    pub zone_width_mm: f64,
    /// The reference feature.
    pub association: Association,
}

/// An orientation tolerance; one of the two zones.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Orientation {
    /// Width of the zone between two parallel planes, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub zone_width_mm: Option<f64>,
    /// Diameter of the cylindrical zone of an axis, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub zone_diameter_mm: Option<f64>,
    /// x, y, z across the zone of an axis between two planes; absent for a plane, whose zone is its own.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub across: Vec<f64>,
    /// Material condition; regardless of size if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub condition: Option<Condition>,
    /// Number of the characteristic that limits the size; needed with a material condition.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub size_characteristic: Option<String>,
    /// Judges the tangent plane outside the material instead of the surface, (T).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tangent_plane: Option<bool>,
}

/// The height at which the place of an axis is asked.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct AtHeight {
    /// Height, mm, positive out of the material.
    pub height_mm: f64,
    /// Id of the skin about the hole or pin over which it is told, as it was measured; over the first datum plane if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub above: Option<String>,
}

/// Position; one of the two zones.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Position {
    /// Diameter of the zone, mm: cylindrical about an axis, spherical about the centre of a sphere.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub zone_diameter_mm: Option<f64>,
    /// Width of the zone between two parallel planes, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub zone_width_mm: Option<f64>,
    /// x, y, z across that zone; for a plane or a width it is its own.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub across: Vec<f64>,
    /// Material condition; regardless of size if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub condition: Option<Condition>,
    /// Number of the characteristic that limits the size; needed with a material condition.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub size_characteristic: Option<String>,
    /// Length of a projected zone, mm, out of the material.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub projected_length_mm: Option<f64>,
    /// Judges the place of the axis at one height instead of over all of its depth.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub at_height: Option<AtHeight>,
    /// The datum system orients the zone and does not place it (ISO 5459, `><`): the lower tier of a composite position.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub orientation_only: Option<bool>,
}

/// Coaxiality or concentricity.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Coaxiality {
    /// Diameter of the zone, mm.
    pub zone_diameter_mm: f64,
}

/// Symmetry.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Symmetry {
    /// Width of the zone, mm.
    pub zone_width_mm: f64,
}

/// Which way a run-out is read.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum RunoutDirection {
    /// Square to the axis.
    Radial,
    /// Along the axis.
    Axial,
}

/// Run-out.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Runout {
    /// Width of the zone, mm.
    pub zone_width_mm: f64,
    /// Which way it is read.
    pub direction: RunoutDirection,
}
