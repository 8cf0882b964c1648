//! Two slots in thin skins, asked together: the axis that each takes from its own skin is in what a group and a set of simultaneous
//! requirements come to, as it is in what one slot comes to.
#![allow(clippy::unwrap_used, reason = "a test says where it fails")]

mod thin;

use rayon::prelude::*;
use scantling_core::datum::DatumAlignment;
use scantling_core::evaluate::{Aligned, Context, evaluate, evaluate_together};
use scantling_core::geometry::{Motion, Point, ScanFrame, Twist, Vector};
use scantling_core::nominal::Nominal;
use scantling_core::partition::{Partition, PartitionSettings};
use scantling_core::plan::{self, Characteristic, FaceMap, Plan};
use scantling_core::read::RawScan;
use scantling_core::record::Evaluation;
use scantling_core::run::quiet;
use scantling_core::scan::{LengthUnit, Scan};
use scantling_core::search::SurfaceTree;
use scantling_core::uncertainty::Inputs;
use thin::{HEAD, Made, Of, Opening, Seen};

const NOISE_MM: f64 = 0.02;

/// The second plate lies so far along x, mm.
const BESIDE_MM: f64 = 60.0;

const SLOT: Opening = Opening { half: 5.0, radius: 4.0 };

const ASKED: &str = "[[feature]]\nid = \"S1\"\nkind = \"slot\"\npick = { near_mm = [0, 4, -1.5] }\n\
    [[feature]]\nid = \"S2\"\nkind = \"slot\"\npick = { near_mm = [60, 4, -1.5] }\n\
    [[feature]]\nid = \"BOTH\"\nkind = \"group\"\ngroup = { of = [\"S1\", \"S2\"] }\n\
    [[characteristic]]\nnumber = \"1\"\nfeature = \"S1\"\nposition = { zone_width_mm = 1.0 }\ndatum_system = \"AA\"\nneeds = { coverage = 0.5 }\n\
    [[characteristic]]\nnumber = \"2\"\nfeature = \"S2\"\nposition = { zone_width_mm = 1.0 }\ndatum_system = \"AA\"\nneeds = { coverage = 0.5 }\n\
    [[characteristic]]\nnumber = \"3\"\nfeature = \"BOTH\"\nposition = { zone_width_mm = 1.0 }\ndatum_system = \"AA\"\nneeds = { coverage = 0.5 }\n";

/// Two plates, each with its slot.
struct Pair {
    nominal: Nominal,
    tree: SurfaceTree,
    plan: Plan,
    faces: FaceMap,
}

impl Pair {
    fn new() -> Self {
        let one = SLOT.nominal();
        let (mut points, mut triangles) = (Vec::new(), Vec::new());
        for by in [0.0, BESIDE_MM] {
            let first = points.len() as u32;
            points.extend(one.mesh().vertices().iter().map(|p| p + Vector::x() * by));
            triangles.extend(one.mesh().triangles().iter().map(|t| t.map(|v| v + first)));
        }
        let raw = RawScan { points, triangles, ..RawScan::default() };
        let nominal = Nominal::from_mesh(raw, LengthUnit::Millimetre, None, &quiet()).unwrap();
        let (_, plan) = plan::check_toml(&format!("{HEAD}{ASKED}")).unwrap_or_else(|f| panic!("{f:#?}"));
        let faces = plan::bind(&plan, Some(&nominal)).unwrap_or_else(|f| panic!("{f:#?}"));
        Self { tree: SurfaceTree::new(nominal.mesh()), nominal, plan, faces }
    }

    /// Both plates, the second of them made with its slot aside by so much.
    fn scan(seed: u64, aside_mm: f64) -> Scan {
        // The wall's lower third is hidden: what is told at the middle of its depth then hangs on the axis along which it is looked at.
        let near = |s: &Seen| s.of == Of::Wall && s.p.z > -2.0 || s.of == Of::Upper;
        let first = SLOT.taken(&Made::default(), 0.8, NOISE_MM, 2 * seed, &near).scan;
        let made = Made { shift: [0.0, aside_mm], ..Made::default() };
        let second = SLOT.taken(&made, 0.8, NOISE_MM, 2 * seed + 1, &near).scan;
        let beside =
            Motion::<ScanFrame, ScanFrame>::from_turn_and_shift(Vector::zeros(), Vector::x() * BESIDE_MM);
        first.with(&[(&second, beside)])
    }

    /// The three requirements by themselves, and the first two as a set that may move along the slots.
    fn told(&self, scan: &Scan) -> (Vec<Evaluation>, Vec<Evaluation>) {
        let run = quiet();
        let settings = PartitionSettings { reach_mm: 2.0, min_cos: 0.5 };
        let here = Motion::identity();
        let partition = Partition::new(&run, &self.nominal, &self.tree, scan, here, &settings).unwrap();
        let held = DatumAlignment {
            part_from_scan: here,
            partition,
            centre: Point::origin(),
            covariance: [[0.0; 6]; 6],
            free: Vec::new(),
            loose: Vec::new(),
            datums: Vec::new(),
            rounds: 1,
            answers: Vec::new(),
            shared: Vec::new(),
        };
        let free = DatumAlignment {
            free: vec![Twist { turn: Vector::zeros(), shift: Vector::x() }],
            ..held.clone()
        };
        let context = Context {
            run: &run,
            nominal: &self.nominal,
            tree: &self.tree,
            plan: &self.plan,
            faces: &self.faces,
            scan,
            noise_mm: NOISE_MM,
            shown_noise_mm: NOISE_MM,
            inputs: &Inputs::default(),
            joined: None,
            cell_mm: 2.5,
        };
        let all: Vec<&Characteristic> = self.plan.characteristics.iter().collect();
        let alone = all.iter().map(|c| evaluate(&context, c, &Aligned::Datums(&held)).unwrap()).collect();
        let set = evaluate_together(&context, &all[..2], "a test", &Aligned::Datums(&free)).unwrap().unwrap();
        (alone, set)
    }
}

fn lean(e: &Evaluation) -> f64 {
    e.budget.iter().find(|c| c.source == "lean").map_or(0.0, |c| c.standard_uncertainty_mm)
}

fn value(e: &Evaluation) -> f64 {
    e.value_mm.unwrap_or_else(|| panic!("{}: {}", e.number, e.reason))
}

#[test]
fn what_the_axis_of_a_short_wall_does_is_in_groups_and_in_sets() {
    let pair = Pair::new();
    const SCANS: u64 = 24;
    // The second slot is 0.1 mm aside, and so alone tells what the group comes to.
    let all: Vec<[f64; 3]> = (1..=SCANS)
        .into_par_iter()
        .map(|seed| {
            let (alone, set) = pair.told(&Pair::scan(seed, 0.1));
            assert!(lean(&alone[0]) > 0.0 && lean(&alone[1]) > 0.0, "{:?}", alone[1].budget);
            for (e, of) in [(&alone[2], &alone[1]), (&set[0], &alone[0]), (&set[1], &alone[1])] {
                assert!(
                    (value(e) - value(of)).abs() < 1e-6,
                    "{}: {:?} {:?}",
                    e.number,
                    e.value_mm,
                    of.value_mm
                );
                assert!(
                    (lean(e) / lean(of) - 1.0).abs() < 0.01,
                    "{}: {} for {}",
                    e.number,
                    lean(e),
                    lean(of)
                );
                assert!(e.operators["lean"].contains("degrees against that axis"), "{:?}", e.operators);
            }
            assert!(alone[2].operators["lean"].contains("the most of 2: "), "{:?}", alone[2].operators);
            [value(&alone[2]) - 0.2, alone[2].standard_uncertainty_mm.unwrap(), lean(&alone[2])]
        })
        .collect();
    let rms = |k: usize| (all.iter().map(|a| a[k] * a[k]).sum::<f64>() / SCANS as f64).sqrt();
    println!(
        "a group of two slots: rms error {:.5} mm, told {:.5}, of it lean {:.5}",
        rms(0),
        rms(1),
        rms(2)
    );
    // Twenty-four scans tell a scatter to 14 %.
    assert!((0.7..1.6).contains(&(rms(1) / rms(0))), "{} {}", rms(1), rms(0));
}
