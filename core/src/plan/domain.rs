//! The checked plan: what the rest of core works with. Long, because it is the whole vocabulary of a plan.

pub use super::file::{
    Association, Axis, BestFitCriterion, Condition, EdgeAt, FeatureKind, Lock, PointOn, RunoutDirection,
    SizeOperator, Standard, StandardSystem, StraightnessOf,
};
use super::required::Requirement;
use super::short_form::ShortForm;
use crate::geometry::{Direction, Point};
use crate::nominal::{FaceKey, Fingerprint, Side};

/// An inspection plan without faults; comes only from [`super::PlanFile::check`]. Indices are in range,
/// references resolved, limits sensible.
#[derive(Clone, Debug, PartialEq)]
pub struct Plan {
    /// Part number, free text.
    pub part: String,
    /// Name of the part.
    pub title: Option<String>,
    /// Revision label of the drawing.
    pub drawing_revision: String,
    /// Version of the plan, 1 and up.
    pub plan_version: i32,
    /// The standard by which characteristics without their own are read.
    pub standard: Standard,
    /// The decision rule.
    pub decision: Decision,
    /// The filter of characteristics that have none of their own.
    pub filter: Option<Filter>,
    /// Name of the nominal's file, for people; `None` where parts come as points and readings only.
    pub nominal_file: Option<String>,
    /// On which side of an open sheet's triangles the material is.
    pub side: Option<Side>,
    /// What the part is made of, where it is stated.
    pub material: Option<Material>,
    /// The part that is meant of a nominal's file that holds several.
    pub nominal_part: Option<String>,
    /// What stands beside the part where it goes.
    pub neighbours: Vec<Neighbour>,
    /// Nominal features.
    pub features: Vec<Feature>,
    /// Holding fixtures.
    pub fixtures: Vec<Fixture>,
    /// Datum systems.
    pub datum_systems: Vec<DatumSystem>,
    /// Characteristics in the drawing's order; at least one is required.
    pub characteristics: Vec<Characteristic>,
    pub(super) canonical_json: String,
}

impl Plan {
    /// The plan's file as canonical JSON: the same for TOML and JSON, whatever the order and layout.
    pub fn canonical_json(&self) -> &str {
        &self.canonical_json
    }

    /// Ids of all datum targets and targets of fixtures.
    pub fn target_ids(&self) -> impl Iterator<Item = &str> {
        let pads = self.datum_systems.iter().flat_map(|s| match &s.source {
            DatumSource::Datums(datums) => datums.as_slice(),
            DatumSource::Fixture(_) => &[],
        });
        let pads = pads.flat_map(|d| match &d.from {
            DatumFrom::Targets(targets) => targets.as_slice(),
            DatumFrom::Features { .. } => &[],
        });
        let balls = self.fixtures.iter().flat_map(|f| &f.targets);
        pads.map(|t| t.id.as_str()).chain(balls.map(|t| t.id.as_str()))
    }

    /// SHA-256 of the canonical JSON, 64 lower-case hexadecimal digits.
    pub fn sha256(&self) -> String {
        crate::canonical::sha256_hex(self.canonical_json.as_bytes())
    }
}

impl Axis {
    /// The axis as a direction.
    pub fn direction(self) -> Direction {
        match self {
            Axis::X => Direction::X,
            Axis::Y => Direction::Y,
            Axis::Z => Direction::Z,
        }
    }
}

/// The decision rule.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Decision {
    /// Conformity or nonconformity must be proven (ISO 14253-1:2017, default probability limit 95 %).
    Proven,
    /// Simple acceptance with a bound on the uncertainty (JCGM 106:2012, 8.2).
    Simple {
        /// Largest accepted ratio of expanded uncertainty (k = 2) to the tolerance, in (0, 1].
        ratio: f64,
    },
    /// A probability of conformity (JCGM 106:2012).
    Probability {
        /// Conforms at this probability or more, does not at one minus it or less; in (0.5, 1).
        conforms: f64,
    },
    /// Guarded acceptance and rejection (JCGM 106:2012, 8.3).
    Guarded {
        /// The guard band in expanded uncertainties (k = 2), in (0, 5].
        factor: f64,
    },
}

/// What a part is made of.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Material {
    /// Linear thermal expansion along the part, 1/K.
    pub expansion_per_k: f64,
    /// Its standard uncertainty, 1/K; `None` where it is not stated.
    pub expansion_standard_per_k: Option<f64>,
}

/// A neighbour of which only the nominal is known, in the same axes as the part's.
#[derive(Clone, Debug, PartialEq)]
pub struct Neighbour {
    /// Id, unique among neighbours and features.
    pub id: String,
    /// Name of its nominal's file, for people.
    pub file: String,
    /// The part that is meant of a file that holds several.
    pub part: Option<String>,
    /// On which side of an open sheet's triangles the material is.
    pub side: Option<Side>,
    /// Where its skin is on its nominal.
    pub skin: Place,
}

/// A Gaussian filter.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Filter {
    /// Nesting index (cut-off), mm, positive.
    pub nesting_index_mm: f64,
}

/// A nominal feature and where it is.
#[derive(Clone, Debug, PartialEq)]
pub struct Feature {
    /// Id, unique in the plan.
    pub id: String,
    /// Kind.
    pub kind: FeatureKind,
    /// Where it is.
    pub place: Place,
}

/// Where a feature is: picked on the nominal, or by its numbers.
#[derive(Clone, Debug, PartialEq)]
pub enum Place {
    /// A face of the nominal.
    Pick {
        /// A place near it, mm, in the nominal's axes.
        near: Point,
        /// Roughly its outward normal there.
        facing: Option<Direction>,
        /// Grows a surface over neighbouring triangles that turn by no more than this, rad.
        grow_to_angle_rad: Option<f64>,
    },
    /// Faces of a nominal from STEP.
    Faces {
        /// By their numbers; none where they are told by fingerprints alone.
        keys: Vec<FaceKey>,
        /// What they are known by, one for each, or none.
        prints: Vec<Fingerprint>,
    },
    /// What its own numbers say.
    Stated(Situation),
    /// Where the features are that it is made of: their indices in [`Plan::features`], ascending in a group, none of
    /// them made of others.
    Of(Vec<usize>),
    /// Where a skin ends.
    Edge(EdgePlace),
    /// At an end of a hole.
    Countersink(SinkPlace),
}

/// Where a countersink is.
#[derive(Clone, Debug, PartialEq)]
pub struct SinkPlace {
    /// Index of its hole in [`Plan::features`].
    pub of: usize,
    /// Included angle, rad, where it is stated.
    pub included_angle_rad: Option<f64>,
    /// A place near it, mm, where the hole has one at both ends.
    pub near: Option<Point>,
}

/// Where a trimmed edge runs.
#[derive(Clone, Debug, PartialEq)]
pub struct EdgePlace {
    /// Index of the skin in [`Plan::features`], which is picked on the nominal.
    pub of: usize,
    /// Which part of its border.
    pub border: EdgeBorder,
    /// Which of the edges there.
    pub at: EdgeAt,
    /// Distance of the stations at which it is measured, mm.
    pub station_mm: Option<f64>,
}

/// Which part of a skin's border.
#[derive(Clone, Debug, PartialEq)]
pub enum EdgeBorder {
    /// The one that goes round all others.
    Outer,
    /// That of an opening.
    Inner {
        /// A place near it, mm; `None` where there is only one.
        near: Option<Point>,
    },
    /// From the first of some places by the others to the last, mm.
    Along(Vec<Point>),
}

/// The point, line or plane by which a feature is placed and turned (situation feature, ISO 17450-1), with
/// its nominal sizes; mm, in the part's axes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Situation {
    /// A plane.
    Plane {
        /// A place on it.
        at: Point,
        /// Out of the material.
        normal: Direction,
    },
    /// A round hole.
    Hole {
        /// Its centre.
        at: Point,
        /// Along its axis.
        axis: Direction,
        /// Nominal diameter, where it is known.
        diameter_mm: Option<f64>,
    },
    /// A straight slot with round ends.
    Slot {
        /// Its middle.
        at: Point,
        /// Through the material.
        axis: Direction,
        /// Along its length, square to the axis.
        along: Direction,
        /// Length over all, where it is known.
        length_mm: Option<f64>,
        /// Width, where it is known.
        width_mm: Option<f64>,
    },
    /// A check point.
    Point {
        /// Its place.
        at: Point,
        /// Out of the material; deviations are told along it.
        direction: Direction,
        /// What it lies on.
        on: PointOn,
        /// Radius of the patch of scan points that stands for it.
        patch_radius_mm: Option<f64>,
    },
    /// A cylinder.
    Cylinder {
        /// The middle of its axis.
        at: Point,
        /// Along its axis.
        axis: Direction,
        /// Nominal diameter.
        diameter_mm: f64,
        /// Whether the material is around it: a bore.
        hollow: bool,
    },
    /// A cone.
    Cone {
        /// A place on its axis, in the middle of the face.
        at: Point,
        /// Along its axis, to the open end.
        axis: Direction,
        /// Half of the apex angle, rad.
        half_angle_rad: f64,
        /// Radius at `at`, square to the axis.
        radius_mm: f64,
        /// Whether the material is around it.
        hollow: bool,
    },
    /// A sphere.
    Sphere {
        /// Its centre.
        at: Point,
        /// Nominal diameter.
        diameter_mm: f64,
        /// Whether the material is around it.
        hollow: bool,
    },
    /// A torus.
    Torus {
        /// Its centre.
        at: Point,
        /// Square to the plane of its circle.
        axis: Direction,
        /// Radius of the circle.
        radius_mm: f64,
        /// Radius of the tube.
        tube_radius_mm: f64,
        /// Whether the material is around the tube.
        hollow: bool,
    },
    /// Two parallel planes: the plane in the middle of them.
    Width {
        /// A place in the middle.
        at: Point,
        /// Across: the first plane's normal.
        across: Direction,
        /// Distance of the planes.
        width_mm: f64,
        /// Whether the material is around it: a groove; otherwise a tongue.
        hollow: bool,
    },
    /// Features that are judged together, which has no place but theirs.
    Group,
    /// A surface, which has no place but its own.
    Surface,
    /// A trimmed edge, which has no place but its own.
    Edge,
}

/// A datum system (ISO 5459).
#[derive(Clone, Debug, PartialEq)]
pub struct DatumSystem {
    /// Id, unique in the plan.
    pub id: String,
    /// What it is made of.
    pub source: DatumSource,
    /// Best fit for the freedoms that the source leaves.
    pub best_fit: Option<BestFit>,
}

/// A best fit on chosen features.
#[derive(Clone, Debug, PartialEq)]
pub struct BestFit {
    /// Indices of the features in [`Plan::features`], one or more.
    pub features: Vec<usize>,
    /// A weight above 0 for each.
    pub weights: Vec<f64>,
    /// What is made least.
    pub criterion: BestFitCriterion,
}

/// What a datum system is made of.
#[derive(Clone, Debug, PartialEq)]
pub enum DatumSource {
    /// Datums of the part, up to three in order of precedence; none where all is best fit.
    Datums(Vec<Datum>),
    /// The targets of a holding fixture, by its index in [`Plan::fixtures`].
    Fixture(usize),
}

impl DatumSystem {
    /// Whether a datum of it is taken at a material condition, and so leaves the part room.
    pub fn is_loose(&self) -> bool {
        let datums: &[Datum] = match &self.source {
            DatumSource::Datums(datums) => datums,
            DatumSource::Fixture(_) => &[],
        };
        let loose = |d: &Datum| matches!(d.from, DatumFrom::Features { condition, .. } if condition != Condition::Regardless);
        datums.iter().any(loose)
    }

    /// Indices of the features that are its datums.
    pub fn features(&self) -> impl Iterator<Item = usize> + '_ {
        let datums: &[Datum] = match &self.source {
            DatumSource::Datums(datums) => datums,
            DatumSource::Fixture(_) => &[],
        };
        datums
            .iter()
            .flat_map(|d| match &d.from {
                DatumFrom::Features { features, .. } => features.as_slice(),
                DatumFrom::Targets(_) => &[],
            })
            .copied()
    }
}

/// One datum.
#[derive(Clone, Debug, PartialEq)]
pub struct Datum {
    /// Letter on the drawing.
    pub letter: String,
    /// What it is taken from.
    pub from: DatumFrom,
    /// The only freedoms that it may lock; all that it can if empty.
    pub locks: Vec<Lock>,
}

/// What a datum is taken from.
#[derive(Clone, Debug, PartialEq)]
pub enum DatumFrom {
    /// A whole feature, or several that make one datum together.
    Features {
        /// Their indices in [`Plan::features`], at least one.
        features: Vec<usize>,
        /// How they are associated.
        association: Association,
        /// Material condition.
        condition: Condition,
        /// Size of the boundary at that condition, mm: given where there is one.
        boundary_mm: Option<f64>,
    },
    /// Datum targets, at least one.
    Targets(Vec<DatumTarget>),
}

/// A datum target: a pad, a point or a line at a stated place.
#[derive(Clone, Debug, PartialEq)]
pub struct DatumTarget {
    /// Id, such as A1; unique in the plan.
    pub id: String,
    /// Its place, mm.
    pub at: Point,
    /// Out of the material.
    pub direction: Direction,
    /// Radius of the pad, mm; needed where it is taken from scans.
    pub patch_radius_mm: Option<f64>,
    /// Axes of the part along which it locks; along its own direction if empty.
    pub locks: Vec<Axis>,
    /// Weight in the least squares, above 0.
    pub weight: f64,
    /// The other end of a target line, mm; `patch_radius_mm` is then half the width of the strip along it.
    pub line_to: Option<Point>,
}

/// A holding fixture with targets of its own.
#[derive(Clone, Debug, PartialEq)]
pub struct Fixture {
    /// Id, unique in the plan.
    pub id: String,
    /// Calibration certificate.
    pub certificate: String,
    /// Standard uncertainty of the targets' places and of how the part lies in the fixture, mm: half the
    /// expanded one (k = 2). Both in one number, of which a shift of the part keeps all.
    pub standard_uncertainty_mm: f64,
    /// Its targets, three or more that do not lie on a line.
    pub targets: Vec<FixtureTarget>,
}

/// A target of a fixture.
#[derive(Clone, Debug, PartialEq)]
pub struct FixtureTarget {
    /// Id, unique in the plan.
    pub id: String,
    /// The ball's centre or the point, mm, in the part's axes.
    pub at: Point,
    /// Diameter of the ball, mm; `None` for a point, which scans do not show.
    pub ball_diameter_mm: Option<f64>,
}

/// A characteristic.
#[derive(Clone, Debug, PartialEq)]
pub struct Characteristic {
    /// Number on the ballooned drawing, unique in the plan.
    pub number: String,
    /// What people call it.
    pub title: Option<String>,
    /// Index of its feature in [`Plan::features`]; `None` for a reading or gauge of the whole part.
    pub feature: Option<usize>,
    /// What is required.
    pub requirement: Requirement,
    /// Index of its datum system in [`Plan::datum_systems`].
    pub datum_system: Option<usize>,
    /// The customer's class symbol.
    pub class: Option<String>,
    /// Whether the part's verdict needs it.
    pub required: bool,
    /// Groups, for quick checks of a few characteristics.
    pub groups: Vec<String>,
    /// What must have been seen.
    pub needs: Needs,
    /// Its own filter, or the plan's.
    pub filter: Option<Filter>,
    /// Its own standard, or the plan's.
    pub standard: Standard,
    /// The name by which its limits are written; `None` where they are written as numbers.
    pub short_form: Option<ShortForm>,
    /// With which others one movement of the part must serve it (see [`super::simultaneously`]).
    pub simultaneous: Simultaneous,
}

/// Which requirements one movement of the part must serve together.
#[derive(Clone, Debug, Default, PartialEq)]
pub enum Simultaneous {
    /// As the standard has it where nothing is said.
    #[default]
    Usual,
    /// Those of this name (SIM of ISO 5458:2018; a note SIM REQT of ASME Y14.5).
    Named(String),
    /// With none (SEP REQT of ASME Y14.5).
    Separate,
}

/// The zone of an orientation or location tolerance.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Zone {
    /// Round: a cylinder about an axis, a sphere about a centre.
    Round {
        /// Its diameter, mm.
        diameter_mm: f64,
    },
    /// Between two parallel planes.
    Slab {
        /// Their distance, mm.
        width_mm: f64,
        /// Across the zone of an axis; `None` where the feature itself says it.
        across: Option<Direction>,
    },
}

impl Zone {
    /// Diameter or width, mm.
    pub fn size_mm(&self) -> f64 {
        match *self {
            Zone::Round { diameter_mm } => diameter_mm,
            Zone::Slab { width_mm, .. } => width_mm,
        }
    }
}

/// Which orientation is required.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum OrientationKind {
    /// Parallel.
    Parallelism,
    /// Square.
    Perpendicularity,
    /// At the angle of the nominal.
    Angularity,
}

/// What must have been seen for a characteristic to be decided.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Needs {
    /// Smallest seen fraction of the feature's area (of the full turn for a hole), in (0, 1].
    pub coverage: f64,
    /// Largest disc in which nothing was seen, mm.
    pub largest_unseen_disc_mm: Option<f64>,
    /// Fewest measured points that stand for a plane or surface, where points may decide about it.
    pub points: Option<usize>,
    /// Fewest points of a scan on each cm2 of what was seen.
    pub points_per_cm2: Option<f64>,
}
