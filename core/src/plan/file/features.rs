//! Nominal features, and where they are.

use super::PlaceOnLine;
use serde::{Deserialize, Serialize};

/// What kind of feature.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum FeatureKind {
    /// A plane.
    Plane,
    /// A round hole.
    Hole,
    /// A surface of any shape.
    Surface,
    /// A straight slot with round ends.
    Slot,
    /// A named check point.
    Point,
    /// A cylinder: the wall of a bore or the outside of a pin.
    Cylinder,
    /// A cone.
    Cone,
    /// A sphere.
    Sphere,
    /// A torus: a tube along a circle.
    Torus,
    /// Two parallel planes that face each other or away from each other, with their size between them.
    Width,
    /// Features that are judged together (ISO 5458): a pattern of holes, faces under one tolerance.
    Group,
    /// A trimmed edge: the line in which a skin ends.
    Edge,
    /// A countersink: the cone at an end of a hole.
    Countersink,
}

impl FeatureKind {
    /// As the file writes it.
    pub fn word(self) -> &'static str {
        match self {
            FeatureKind::Plane => "plane",
            FeatureKind::Hole => "hole",
            FeatureKind::Surface => "surface",
            FeatureKind::Slot => "slot",
            FeatureKind::Point => "point",
            FeatureKind::Cylinder => "cylinder",
            FeatureKind::Cone => "cone",
            FeatureKind::Sphere => "sphere",
            FeatureKind::Torus => "torus",
            FeatureKind::Width => "width",
            FeatureKind::Group => "group",
            FeatureKind::Edge => "edge",
            FeatureKind::Countersink => "countersink",
        }
    }
}

/// A nominal feature.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Feature {
    /// Id, unique in the plan.
    pub id: String,
    /// Kind.
    pub kind: FeatureKind,
    /// Where it is on the nominal.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pick: Option<Pick>,
    /// Instead: its faces of a STEP nominal by their numbers, `#1187` or several parted by spaces; `#1187/1` for that of the
    /// second instance of its part, `#1187/2` of the third.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub face: Option<String>,
    /// What those faces are known by, one for each: numbers change from export to export. A number whose face is another is
    /// not taken; the one face that is known so is, and it is told.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub fingerprint: Vec<FaceFingerprint>,
    /// Place of a check point.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub point: Option<PointPlace>,
    /// Place of a hole that is measured by points and picked on no nominal.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hole: Option<HolePlace>,
    /// Place of a plane that is measured by points and picked on no nominal.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub plane: Option<PlanePlace>,
    /// Place of a slot that is measured by points and picked on no nominal.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub slot: Option<SlotPlace>,
    /// The two planes of a width.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub width: Option<Members>,
    /// The features of a group.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub group: Option<Members>,
    /// Where a trimmed edge runs.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub edge: Option<EdgeLine>,
    /// The hole of a countersink.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub countersink: Option<Countersink>,
}

/// A countersink: the cone at an end of a hole (terms by ISO 15065:2005, from memory).
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Countersink {
    /// Id of the hole.
    pub of: String,
    /// Included angle, degrees, that is taken where the cone is too short to tell it; that of the nominal if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub included_angle_deg: Option<f64>,
    /// x, y, z of a place near it, mm, where the hole has one at both ends; empty where it has one.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub near_mm: Vec<f64>,
}

/// Which border of a skin.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum EdgeLoop {
    /// The one that goes round all others.
    Outer,
    /// That of an opening, a hole or a slot.
    Inner,
}

/// Which of the edges that a trimmed skin has.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum EdgeAt {
    /// Where skin and wall meet.
    VisibleArris,
    /// Where the wall meets the other side.
    HiddenArris,
    /// Half way between both.
    WallMiddle,
}

/// A trimmed edge: a whole border of a skin, or a part of one.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct EdgeLine {
    /// Id of the surface or plane that it bounds.
    pub of: String,
    /// Which border; `along` otherwise.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub r#loop: Option<EdgeLoop>,
    /// x, y, z of a place near an inner border, mm, where there are several; empty where there is one.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub near_mm: Vec<f64>,
    /// Instead of a whole border: two or more places that its part runs by, from the first to the last.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub along: Vec<PlaceOnLine>,
    /// Which of the edges there.
    pub at: EdgeAt,
    /// Distance of the stations at which it is measured, mm; by filter and scan if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub station_mm: Option<f64>,
}

/// The kind of surface on which a face lies.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum FaceSurfaceKind {
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

/// What a face is known by, as `scantling part faces --as-plan` prints it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FaceFingerprint {
    /// On what it lies.
    pub surface: FaceSurfaceKind,
    /// Its area, mm2.
    pub area_mm2: f64,
    /// x, y, z of the centroid of its area, mm.
    #[serde(default)]
    pub centroid_mm: Vec<f64>,
    /// Diameter of a cylinder, a sphere or the tube of a torus, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub diameter_mm: Option<f64>,
    /// Full angle of a cone, degrees.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub angle_deg: Option<f64>,
    /// x, y, z: outward normal of a plane, mean one of a freeform surface, axis of a cylinder, a cone or a torus, either way
    /// round. Without it a face that turned about its middle is taken for the same.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub direction: Vec<f64>,
}

/// Features that another is made of.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Members {
    /// Their ids: two planes for a width, two or more features for a group.
    #[serde(default)]
    pub of: Vec<String>,
}

/// On what a check point lies.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum PointOn {
    /// On a surface.
    Surface,
    /// On a trimmed edge; its direction lies in the surface, out of the material.
    TrimEdge,
}

/// A named check point.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PointPlace {
    /// x, y, z, mm.
    #[serde(default)]
    pub at_mm: Vec<f64>,
    /// x, y, z out of the material; deviations are told along it.
    #[serde(default)]
    pub direction: Vec<f64>,
    /// What it lies on; a surface if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub on: Option<PointOn>,
    /// Radius of the patch of scan points that stands for it, mm; needed where it is taken from scans.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub patch_radius_mm: Option<f64>,
}

/// A round hole by its numbers.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct HolePlace {
    /// x, y, z of its centre, mm.
    #[serde(default)]
    pub at_mm: Vec<f64>,
    /// x, y, z along its axis.
    #[serde(default)]
    pub axis: Vec<f64>,
    /// Nominal diameter, mm; where it is known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub diameter_mm: Option<f64>,
}

/// A plane by its numbers.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PlanePlace {
    /// x, y, z of a place on it, mm.
    #[serde(default)]
    pub at_mm: Vec<f64>,
    /// x, y, z out of the material.
    #[serde(default)]
    pub normal: Vec<f64>,
}

/// A straight slot with round ends by its numbers.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SlotPlace {
    /// x, y, z of its middle, mm.
    #[serde(default)]
    pub at_mm: Vec<f64>,
    /// x, y, z through the material.
    #[serde(default)]
    pub axis: Vec<f64>,
    /// x, y, z along its length.
    #[serde(default)]
    pub along: Vec<f64>,
    /// Length over all, mm; where it is known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub length_mm: Option<f64>,
    /// Width, mm; where it is known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub width_mm: Option<f64>,
}

/// Where a feature is on the nominal.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Pick {
    /// x, y, z of a place near it, mm.
    #[serde(default)]
    pub near_mm: Vec<f64>,
    /// x, y, z of its outward normal there, roughly; empty when `near_mm` is clear enough.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub facing: Vec<f64>,
    /// Grows a surface over neighbouring triangles that turn by no more than this, degrees.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub grow_to_angle_deg: Option<f64>,
}
