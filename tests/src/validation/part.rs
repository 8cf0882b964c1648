//! A part of the validation: nominal, plan, and how it is made.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, OnceLock};

use scantling_core::geometry::{Direction, Point, TriangleMesh, Vector, math};
use scantling_core::nominal::Nominal;
use scantling_core::plan::{self, FaceMap, Plan};
use scantling_core::read::read;
use scantling_core::record::Evaluation;
use scantling_core::run::quiet;
use scantling_core::scan::LengthUnit;
use scantling_core::simulate::{Made, write_stl};
use serde::{Deserialize, Serialize};

use super::sheet::written;

/// True values are about these shares of their limits.
pub const SHARES: [f64; 4] = [0.0, 0.5, 0.9, 1.1];

/// Parts made at each share: places and directions of what is made otherwise are drawn anew for each.
pub(super) const VARIANTS: u64 = 3;

/// Kinds of characteristics. The number of a characteristic in the plan is the word of its kind.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Kind {
    /// Of a skin, both signed extremes; the one that is told counts.
    SurfaceProfile,
    /// Least-squares diameter.
    HoleSize,
    /// Twice the distance from the true place.
    HolePosition,
    /// Line profile of a trimmed edge at its visible arris.
    Edge,
    /// Thinnest or thickest place of a wall, which of the two is told.
    Thickness,
    /// Of a datum plane.
    Flatness,
    /// The mean plane of a patch.
    CheckPoint,
}

impl Kind {
    /// All of them, in the order of the table.
    pub const ALL: [Self; 7] = [
        Self::SurfaceProfile,
        Self::HoleSize,
        Self::HolePosition,
        Self::Edge,
        Self::Thickness,
        Self::Flatness,
        Self::CheckPoint,
    ];

    /// In words.
    pub fn word(self) -> &'static str {
        match self {
            Self::SurfaceProfile => "surface profile",
            Self::HoleSize => "hole size",
            Self::HolePosition => "hole position",
            Self::Edge => "edge",
            Self::Thickness => "thickness",
            Self::Flatness => "flatness",
            Self::CheckPoint => "check point",
        }
    }

    /// The kind of a characteristic by its number in the plan.
    pub fn of(number: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|k| k.word() == number)
    }
}

/// The true value of a characteristic, mm.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct True {
    /// As it would be told.
    pub value: f64,
    /// Both ends of what has two: smallest and largest.
    pub ends: Option<[f64; 2]>,
}

impl True {
    pub(super) fn of(kind: Kind, evaluation: &Evaluation) -> Option<Self> {
        // Of a flatness the two are what it is the difference of.
        let two = matches!(kind, Kind::SurfaceProfile | Kind::Edge | Kind::Thickness);
        let ends = match (evaluation.minimum, evaluation.maximum) {
            (Some(low), Some(high)) if two => Some([low.value_mm, high.value_mm]),
            _ => None,
        };
        Some(Self { value: evaluation.value_mm?, ends })
    }

    /// The true value of the end that an evaluation tells.
    pub fn told(&self, evaluation: &Evaluation) -> f64 {
        match (self.ends, evaluation.minimum, evaluation.maximum, evaluation.value_mm) {
            (Some(ends), Some(low), Some(high), Some(value)) => {
                let of_low = (value - low.value_mm).abs() <= (value - high.value_mm).abs();
                ends[usize::from(!of_low)]
            }
            _ => self.value,
        }
    }
}

/// What was made, of which nothing is random any more.
type Make = Box<dyn Fn(f64, u64) -> Made + Send + Sync>;

/// A part that is scanned many times.
pub struct Part {
    /// One word.
    pub name: &'static str,
    /// The nominal.
    pub nominal: Nominal,
    /// The plan; characteristics are numbered by the words of their kinds.
    pub plan: Plan,
    /// Its features bound to the nominal.
    pub faces: FaceMap,
    /// Distance of neighbouring points of its scans, mm.
    pub spacing_mm: f64,
    /// Of the scans without errors that tell the truth.
    pub truth_spacing_mm: f64,
    /// From the part towards the scanner.
    pub views: Vec<Direction>,
    /// The way it faces where it is seen from one side only.
    pub front: Option<Direction>,
    make: Make,
    /// Those that were made already, by share and variant.
    known: Mutex<BTreeMap<(usize, u64), Arc<Known>>>,
}

/// One of the parts made, and what is true of it.
#[derive(Default)]
struct Known {
    made: OnceLock<Arc<Made>>,
    truths: OnceLock<BTreeMap<Kind, True>>,
}

impl Part {
    pub(super) fn new(
        name: &'static str,
        mesh: &TriangleMesh,
        plan_toml: &str,
        [spacing_mm, truth_spacing_mm]: [f64; 2],
        (views, front): (Vec<Direction>, Option<Direction>),
        make: Make,
    ) -> Self {
        let (_, plan) = plan::check_toml(plan_toml).unwrap_or_else(|f| panic!("{name}: {f:#?}"));
        let file = read(&write_stl(mesh), &quiet()).expect("an STL file just written");
        let nominal = Nominal::from_mesh(file, LengthUnit::Millimetre, plan.side, &quiet())
            .unwrap_or_else(|e| panic!("{name}: {e}"));
        let faces = plan::bind(&plan, Some(&nominal)).unwrap_or_else(|f| panic!("{name}: {f:#?}"));
        Self {
            name,
            nominal,
            plan,
            faces,
            spacing_mm,
            truth_spacing_mm,
            views,
            front,
            make,
            known: Mutex::default(),
        }
    }

    /// One of the parts made at a share of the limits. Without deviations all variants are the nominal.
    pub fn made(&self, share: usize, variant: u64) -> Arc<Made> {
        once(&self.known(share, variant).made, || Arc::new((self.make)(SHARES[share], variant)))
    }

    fn known(&self, share: usize, variant: u64) -> Arc<Known> {
        // Of the nominal there is one.
        let key = (share, if SHARES[share] == 0.0 { 0 } else { variant });
        self.known.lock().expect("nothing panics under it").entry(key).or_default().clone()
    }

    /// What is true of it, found once.
    pub(super) fn truths(
        &self,
        share: usize,
        variant: u64,
        find: impl FnOnce() -> BTreeMap<Kind, True>,
    ) -> BTreeMap<Kind, True> {
        once(&self.known(share, variant).truths, find)
    }
}

/// What is kept, or what is found and kept then. Found outside of the cell: a thread that waits for others in there may be given
/// work that asks for the same. Two that find it at once find the same.
fn once<T: Clone>(cell: &OnceLock<T>, find: impl FnOnce() -> T) -> T {
    if let Some(known) = cell.get() {
        return known.clone();
    }
    let found = find();
    cell.get_or_init(|| found).clone()
}

/// From 14 sides, off the parts' axes.
pub(super) fn all_round() -> (Vec<Direction>, Option<Direction>) {
    let golden = std::f64::consts::PI * (3.0 - 5f64.sqrt());
    let views = (0..14)
        .filter_map(|i| {
            let z = 1.0 - (f64::from(i) + 0.5) / 7.0;
            let (r, turn) = ((1.0 - z * z).sqrt(), golden * f64::from(i));
            Direction::new(Vector::new(r * math::cos(turn), r * math::sin(turn), z))
        })
        .collect();
    (views, None)
}

/// The head of every plan.
pub(super) fn head(part: &str, nesting_mm: f64) -> String {
    format!(
        "schema_version = 1\npart = \"{part}\"\ndrawing_revision = \"A\"\nplan_version = 1\nlength_unit = \"mm\"\nobject = \"part\"\n\
         standard = {{ system = \"iso\", edition = \"ISO 1101:2017\" }}\ndecision = {{ proven = {{}} }}\n\
         filter = {{ gaussian = {{ nesting_index_mm = {nesting_mm:?} }} }}\n[nominal]\nfile = \"{part}.stl\"\n"
    )
}

/// Adds a feature that is picked at a place.
pub(super) fn feature(
    text: &mut String,
    id: &str,
    kind: &str,
    at: Point,
    facing: Option<Vector>,
    rest: &str,
) {
    let facing = facing.map_or_else(String::new, |f| format!(", facing = {}", written(f)));
    text.push_str(&format!(
        "[[feature]]\nid = \"{id}\"\nkind = \"{kind}\"\npick = {{ near_mm = {}{facing}{rest} }}\n",
        written(at.coords)
    ));
}

/// The datum system of every part: a plane and two holes.
pub(super) fn datums(plane: &str) -> String {
    let datum = |(letter, feature): (&str, &str)| {
        format!("{{ letter = \"{letter}\", feature = \"{feature}\", association = \"least_squares\" }}")
    };
    let all = [("A", plane), ("B", "H1"), ("C", "H2")].map(datum);
    format!("[[datum_system]]\nid = \"ABC\"\ndatum = [ {} ]\n", all.join(", "))
}

/// A characteristic of a kind.
pub(super) fn characteristic(kind: Kind, feature: &str, requirement: &str, on_datums: bool) -> String {
    let datums = if on_datums { "datum_system = \"ABC\"\n" } else { "" };
    format!(
        "[[characteristic]]\nnumber = \"{}\"\nfeature = \"{feature}\"\n{requirement}\n{datums}needs = {{ coverage = 0.3 }}\n",
        kind.word()
    )
}
