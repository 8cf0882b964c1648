//! What a simulation's file says: the one schema of its TOML and JSON form.
//!
//! Flat on purpose, so that a contract can mirror it message for message: lists of numbers for places and
//! directions, one `Option` per kind where exactly one must be given, units in names. Nothing here is
//! checked beyond its form: `SimulationFile::check` does that. One file, although long: it is one schema.

use serde::{Deserialize, Serialize};

/// The value of [`SimulationFile::schema_version`] that is read.
pub const SIMULATION_SCHEMA_VERSION: i32 = 1;

/// A simulated scan as its file says it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SimulationFile {
    /// Version of this form; [`SIMULATION_SCHEMA_VERSION`].
    pub schema_version: i32,
    /// The same seed makes the same scan.
    pub seed: i64,
    /// What was made.
    pub part: PartFile,
    /// How it is scanned.
    pub scanner: ScannerFile,
    /// What was made otherwise than drawn, in the part's axes.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub deviation: Vec<DeviationFile>,
    /// What lies before the scanner; without it one part in the air, in its own axes.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub scene: Option<SceneFile>,
    /// How the scene lies before the scanner; without it the scanner writes the scene's axes.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pose: Option<PoseFile>,
}

/// What was made; exactly one.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PartFile {
    /// The built-in part of the demo.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub window_surround: Option<WindowSurroundFile>,
    /// The nominal that is handed over with the file.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub nominal: Option<NominalFile>,
}

/// The built-in window surround.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct WindowSurroundFile {
    /// Size, 0.75 to 1.3; 1 when left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub size_scale: Option<f64>,
}

/// The nominal that is handed over with the file.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NominalFile {}

/// How it is scanned.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ScannerFile {
    /// Distance between neighbouring points, mm.
    pub spacing_mm: f64,
    /// Standard deviation of the white noise, mm.
    pub noise_mm: f64,
    /// Standard deviation of normals about each of two axes, degrees; 2 when left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub normal_error_deg: Option<f64>,
    /// Views in the scene's axes; one from +z and six tilted round it when left out.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub view: Vec<ViewFile>,
    /// Noise that neighbouring points share.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub correlated_noise: Option<CorrelatedNoiseFile>,
    /// Noise is multiplied by 1 + growth (1 / cos(angle) - 1).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub noise_growth: Option<f64>,
    /// Points that are missing.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub drop_out: Option<DropOutFile>,
    /// Passes that do not quite fit to each other.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub seams: Option<SeamsFile>,
    /// Sharp edges are rounded with this radius, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub edge_radius_mm: Option<f64>,
    /// The exporter smooths up to this distance, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub smoothing_mm: Option<f64>,
    /// The exporter closes openings up to this size, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub filled_openings_mm: Option<f64>,
    /// Lengths are too long by this, parts per million.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub scale_error_ppm: Option<f64>,
    /// Reference targets on the parts.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub targets: Option<TargetsFile>,
}

/// A view.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ViewFile {
    /// x, y, z from the scene towards the scanner.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub from: Vec<f64>,
}

/// Noise that neighbouring points share.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CorrelatedNoiseFile {
    /// Standard deviation, mm.
    pub deviation_mm: f64,
    /// Correlation length, mm.
    pub length_mm: f64,
}

/// Points that are missing.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DropOutFile {
    /// The kind of surface.
    pub surface: SurfaceFile,
    /// Size of missing patches, mm; one by one when left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub patch_mm: Option<f64>,
}

/// How a surface takes light.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum SurfaceFile {
    /// Matt and light.
    Dull,
    /// Dark.
    Dark,
    /// Glossy.
    Gloss,
}

/// Each pass but the first is off by a small motion.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SeamsFile {
    /// Least shift, mm.
    pub least_mm: f64,
    /// Largest shift, mm.
    pub largest_mm: f64,
    /// Largest turn, degrees; 0 when left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub turn_deg: Option<f64>,
}

/// Reference targets.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TargetsFile {
    /// How many.
    pub count: i32,
    /// Diameter, mm.
    pub diameter_mm: f64,
    /// Thickness, mm.
    pub thickness_mm: f64,
}

/// One way in which a part differs from its nominal; exactly one kind.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DeviationFile {
    /// Index of the instance it was made on, from 0; every one when left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub instance: Option<i32>,
    /// A smooth distortion.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub warp: Option<WarpFile>,
    /// A hole off its place.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hole_shift: Option<HoleShiftFile>,
    /// A dent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub dent: Option<DentFile>,
    /// A trimmed edge off its place.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub trim_offset: Option<TrimOffsetFile>,
    /// A region too thick or too thin.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub thickness_change: Option<ThicknessChangeFile>,
    /// A flange or wall whose angle closed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub spring_in: Option<SpringInFile>,
    /// Plies that end.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ply_drop: Option<PlyDropFile>,
    /// A raised line of resin.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub resin_ridge: Option<ResinRidgeFile>,
    /// Bending under the part's own weight.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sag: Option<SagFile>,
}

/// A smooth distortion.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct WarpFile {
    /// x, y, z of its middle, mm.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub centre_mm: Vec<f64>,
    /// Half the size along x and y, mm.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub half_mm: Vec<f64>,
    /// Along z, mm: twist, bow along x, bow along y, third order along x.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub out_mm: Vec<f64>,
    /// Along x and along y, mm; 0 when left out.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub in_plane_mm: Vec<f64>,
}

/// A hole off its place.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct HoleShiftFile {
    /// x, y, z of the wall's middle, mm.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub centre_mm: Vec<f64>,
    /// x, y, z along the hole.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub axis: Vec<f64>,
    /// Radius, mm.
    pub radius_mm: f64,
    /// Half the wall's length and a little more, mm.
    pub half_length_mm: f64,
    /// How far from the wall the face still moves, mm.
    pub reach_mm: f64,
    /// x, y, z of the shift, mm.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub shift_mm: Vec<f64>,
}

/// A dent.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DentFile {
    /// x, y, z on the surface, mm.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub centre_mm: Vec<f64>,
    /// x, y, z into the material.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub inward: Vec<f64>,
    /// Where it ends, mm.
    pub radius_mm: f64,
    /// Where its bottom ends, as a share of the radius.
    pub flat: f64,
    /// Depth, mm; negative for a bump.
    pub depth_mm: f64,
    /// How far along its axis points move, mm.
    pub reach_mm: f64,
}

/// A trimmed edge off its place.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TrimOffsetFile {
    /// x, y, z of one end of the stretch, mm.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub from_mm: Vec<f64>,
    /// x, y, z of the other end, mm.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub to_mm: Vec<f64>,
    /// x, y, z out of the material, in the skin.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub outward: Vec<f64>,
    /// Too far out, mm; negative for too far in.
    pub offset_mm: f64,
    /// Run-out beyond the ends, mm.
    pub run_out_mm: f64,
    /// How far from the edge the skin moves, mm.
    pub band_mm: f64,
    /// How far from the skin points move, mm.
    pub reach_mm: f64,
}

/// A region too thick or too thin.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ThicknessChangeFile {
    /// x, y, z on the visible skin, mm.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub centre_mm: Vec<f64>,
    /// x, y, z into the material.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub inward: Vec<f64>,
    /// Where it ends, mm.
    pub radius_mm: f64,
    /// Up to which share of the radius it is whole.
    pub flat: f64,
    /// Nominal thickness, mm.
    pub thickness_mm: f64,
    /// Positive for thicker, mm.
    pub change_mm: f64,
}

/// A flange or wall whose angle closed.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SpringInFile {
    /// x, y, z on the fold line, mm.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub point_mm: Vec<f64>,
    /// x, y, z along the fold line; the right-hand rule turns.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub axis: Vec<f64>,
    /// x, y, z from the line towards what turns.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub towards: Vec<f64>,
    /// The angle, degrees; or `cure`, which foretells it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub angle_deg: Option<f64>,
    /// What the laminate did as it hardened and cooled.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cure: Option<CureFile>,
    /// The turn is whole this far from the line, mm.
    pub blend_mm: f64,
}

/// What closes the angle of a laminate.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CureFile {
    /// Between the walls, degrees.
    pub included_angle_deg: f64,
    /// Thermal expansion in the plane of the plies, 1/K.
    pub expansion_in_plane_per_k: f64,
    /// Thermal expansion through the plies, 1/K.
    pub expansion_through_per_k: f64,
    /// From hardening to use, K; negative.
    pub temperature_change_k: f64,
    /// Strain by hardening in the plane, negative where it shrinks; 0 when left out.
    #[serde(default)]
    pub shrinkage_in_plane: f64,
    /// Strain by hardening through the plies, negative where it shrinks; 0 when left out.
    #[serde(default)]
    pub shrinkage_through: f64,
}

/// Plies that end.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PlyDropFile {
    /// x, y, z where the ramp begins, on the visible skin, mm.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub point_mm: Vec<f64>,
    /// x, y, z towards the thinner side.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub across: Vec<f64>,
    /// x, y, z into the material.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub inward: Vec<f64>,
    /// Height of the step, mm.
    pub step_mm: f64,
    /// Length of the ramps, mm.
    pub ramp_mm: f64,
    /// Half the length of the line, mm.
    pub half_length_mm: f64,
    /// Width of the thinner area, mm.
    pub width_mm: f64,
    /// Nominal thickness, mm.
    pub thickness_mm: f64,
}

/// A raised line of resin.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ResinRidgeFile {
    /// Corners of the line, on the skin.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub line: Vec<CornerFile>,
    /// x, y, z out of the material.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub outward: Vec<f64>,
    /// Height, mm.
    pub height_mm: f64,
    /// From top to foot, mm.
    pub half_width_mm: f64,
    /// How far from the line along `outward` points move, mm.
    pub reach_mm: f64,
}

/// A corner of a line.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CornerFile {
    /// x, y, z, mm.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub at_mm: Vec<f64>,
}

/// Bending under the part's own weight.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SagFile {
    /// x, y, z over one support, mm.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub first_support_mm: Vec<f64>,
    /// x, y, z over the other, mm.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub second_support_mm: Vec<f64>,
    /// x, y, z where gravity points.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub down: Vec<f64>,
    /// Largest bend, mm.
    pub depth_mm: f64,
}

/// What lies before the scanner: an arrangement by the seed, or instances as listed.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SceneFile {
    /// Good, bad and mirrored window surrounds at random; nothing else beside it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub arrangement: Option<ArrangementFile>,
    /// The table.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub table: Option<TableFile>,
    /// The parts; at least one without an arrangement.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub instance: Vec<InstanceFile>,
    /// Clamps, stops and supports.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub clamp: Vec<ClampFile>,
}

/// Window surrounds at random places of a table, with clamps; 1 to 20 altogether.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ArrangementFile {
    /// Within all tolerances.
    pub good: i32,
    /// With a hole off its place and a dent.
    pub bad: i32,
    /// Mirrored.
    pub opposite_hand: i32,
}

/// The table: the plane z = 0 about the origin of the scene.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TableFile {
    /// Along x, mm.
    pub length_mm: f64,
    /// Along y, mm.
    pub width_mm: f64,
    /// Standard deviation about the plane, mm; 0 when left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub roughness_mm: Option<f64>,
}

/// A part on the table, with its z upwards.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct InstanceFile {
    /// Its hand; as drawn when left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hand: Option<HandFile>,
    /// x, y of the middle of its box on the table, and height of its lowest point (0 when left out), mm.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub at_mm: Vec<f64>,
    /// Its turn about z, degrees; 0 when left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub turn_deg: Option<f64>,
}

/// Which of two parts that mirror each other.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum HandFile {
    /// As the nominal.
    AsDrawn,
    /// Mirrored through the plane x = 0 of the nominal; its deviations have the mirrored axes.
    Opposite,
}

/// A box.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ClampFile {
    /// x, y, z of the middle of its lower face, mm.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub foot_mm: Vec<f64>,
    /// Sizes along its x, its y and up, mm.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub size_mm: Vec<f64>,
    /// Turn about z, degrees; 0 when left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub turn_deg: Option<f64>,
}

/// How the scene lies before the scanner; exactly one.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PoseFile {
    /// By the seed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub random: Option<RandomPoseFile>,
    /// As given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub given: Option<GivenPoseFile>,
}

/// Any turn, and a shift of up to 300 mm along each axis.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RandomPoseFile {}

/// A turn and then a shift.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct GivenPoseFile {
    /// Axis times angle, x, y, z, degrees.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub turn_deg: Vec<f64>,
    /// x, y, z, mm.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub shift_mm: Vec<f64>,
}
