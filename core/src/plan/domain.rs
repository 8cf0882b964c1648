//! The checked plan: what the rest of core works with. Long, because it is the whole vocabulary of a plan.

pub use super::file::{Association, Axis, FeatureKind, PointOn};
use crate::geometry::{Direction, Point};
use crate::nominal::Side;

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
    /// The standard's edition, such as `ISO 1101:2017`.
    pub standard_edition: String,
    /// The decision rule.
    pub decision: Decision,
    /// The filter of characteristics that have none of their own.
    pub filter: Option<Filter>,
    /// Name of the nominal's file, for people; `None` where parts come as points and readings only.
    pub nominal_file: Option<String>,
    /// On which side of an open sheet's triangles the material is.
    pub side: Option<Side>,
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
            DatumFrom::Feature { .. } => &[],
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
#[derive(Clone, Copy, Debug, PartialEq)]
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
    /// What its own numbers say.
    Stated(Situation),
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
    /// A surface, which has no place but its own.
    Surface,
}

/// A datum system (ISO 5459).
#[derive(Clone, Debug, PartialEq)]
pub struct DatumSystem {
    /// Id, unique in the plan.
    pub id: String,
    /// What it is made of.
    pub source: DatumSource,
}

/// What a datum system is made of.
#[derive(Clone, Debug, PartialEq)]
pub enum DatumSource {
    /// Datums of the part, one to three in order of precedence.
    Datums(Vec<Datum>),
    /// The targets of a holding fixture, by its index in [`Plan::fixtures`].
    Fixture(usize),
}

impl DatumSystem {
    /// Indices of the features that are its datums.
    pub fn features(&self) -> impl Iterator<Item = usize> + '_ {
        let datums: &[Datum] = match &self.source {
            DatumSource::Datums(datums) => datums,
            DatumSource::Fixture(_) => &[],
        };
        datums.iter().filter_map(|d| match d.from {
            DatumFrom::Feature { feature, .. } => Some(feature),
            DatumFrom::Targets(_) => None,
        })
    }
}

/// One datum.
#[derive(Clone, Debug, PartialEq)]
pub struct Datum {
    /// Letter on the drawing.
    pub letter: String,
    /// What it is taken from.
    pub from: DatumFrom,
}

/// What a datum is taken from.
#[derive(Clone, Debug, PartialEq)]
pub enum DatumFrom {
    /// A whole feature: plane, hole or slot.
    Feature {
        /// Its index in [`Plan::features`].
        feature: usize,
        /// How it is associated.
        association: Association,
    },
    /// Datum targets, at least one.
    Targets(Vec<DatumTarget>),
}

/// A datum target: a pad or a point at a stated place.
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
}

/// What a characteristic requires.
#[derive(Clone, Debug, PartialEq)]
pub enum Requirement {
    /// Profile of a surface, plane or check point (ISO 1660), in a datum system.
    SurfaceProfile {
        /// Largest deviation outside the material, mm, 0 or more.
        limit_outside_mm: f64,
        /// Largest deviation inside the material, mm, 0 or more.
        limit_inside_mm: f64,
    },
    /// Least-squares diameter of a hole, (GG) of ISO 14405-1.
    Diameter {
        /// Nominal diameter, mm.
        nominal_mm: f64,
        /// Upper limit deviation, mm, signed.
        upper_deviation_mm: f64,
        /// Lower limit deviation, mm, signed, below the upper one.
        lower_deviation_mm: f64,
    },
    /// Position of a hole (ISO 1101), in a datum system.
    Position {
        /// Diameter of the cylindrical zone, mm.
        zone_diameter_mm: f64,
    },
    /// Flatness of a plane (ISO 1101).
    Flatness {
        /// Width of the zone, mm.
        zone_width_mm: f64,
        /// The reference plane.
        association: Association,
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

impl Requirement {
    /// As the file writes it.
    pub fn word(&self) -> &'static str {
        match self {
            Requirement::SurfaceProfile { .. } => "surface_profile",
            Requirement::Diameter { .. } => "diameter",
            Requirement::Position { .. } => "position",
            Requirement::Flatness { .. } => "flatness",
            Requirement::Reading { .. } => "reading",
            Requirement::Gauge { .. } => "gauge",
        }
    }
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
}
