//! What a drawing requires of the thickness of a wall.

use serde::{Deserialize, Serialize};

/// Which local thickness.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ThicknessDefinition {
    /// Along the nominal normal of the feature, from side to side.
    AlongNormal,
    /// Diameter of the largest ball within the wall that touches the feature there, and the other side.
    InscribedBall,
}

/// Local thickness between a feature and what faces it across the material. The nominal thickness is stated, or that of
/// a laminate, or else the nominal's own at each place; one limit deviation at least.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Thickness {
    /// Nominal thickness, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub nominal_mm: Option<f64>,
    /// Instead of it: the layers of a laminate, whose thicknesses are added.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub laminate: Vec<Layer>,
    /// Upper limit deviation, mm, signed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub upper_deviation_mm: Option<f64>,
    /// Lower limit deviation, mm, signed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lower_deviation_mm: Option<f64>,
    /// Id of the feature on the other side; where absent, whatever face of the nominal lies there.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub opposite: Option<String>,
    /// Radius of the patch of points on either side that stands for a place, mm.
    pub patch_radius_mm: f64,
    /// Which thickness; along the normal if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub definition: Option<ThicknessDefinition>,
    /// Faces of the nominal further apart than this are not two sides of one wall, mm. If absent twice the largest nominal
    /// thickness, where all are stated; else no less than 25.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub largest_nominal_mm: Option<f64>,
    /// Places with another nominal thickness: ply drops, cores. Where several hold a place the first counts.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub zone: Vec<ThicknessZone>,
}

/// Part of a face with a nominal thickness or limits of its own; one of the two places.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ThicknessZone {
    /// Id of a feature: the zone is what of the face is part of it too, or has it on the other side.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub feature: Option<String>,
    /// x, y, z of its middle, mm; together with the radius.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub at_mm: Vec<f64>,
    /// How far from its middle it reaches, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub radius_mm: Option<f64>,
    /// Nominal thickness, mm; without it and without a laminate the nominal's own.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub nominal_mm: Option<f64>,
    /// Instead of it: the layers of a laminate.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub laminate: Vec<Layer>,
    /// Upper limit deviation, mm, signed; those of the whole where the zone has neither.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub upper_deviation_mm: Option<f64>,
    /// Lower limit deviation, mm, signed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lower_deviation_mm: Option<f64>,
}

/// Layers of one kind in a laminate: plies by their fibres, or a layer whose thickness is known (a core, a gel coat).
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Layer {
    /// How many.
    pub plies: i32,
    /// Areal weight of the fibres of one ply, g/m2.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub areal_weight_g_m2: Option<f64>,
    /// Density of the fibres, g/cm3.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fibre_density_g_cm3: Option<f64>,
    /// Fraction of the cured ply's volume that is fibre, above 0 and at most 1.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fibre_fraction: Option<f64>,
    /// Instead of the three: thickness of one layer, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub thickness_mm: Option<f64>,
}
