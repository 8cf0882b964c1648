//! The figure of trimmed edges: a plate of 40 x 30 x 3 mm whose right side is made 0.1 mm too far out and leans.

use scantling_core::edge::{EdgeInput, MeasuredEdge, measure};
use scantling_core::geometry::{Direction, Motion, Point, Vector};
use scantling_core::nominal::{Joint, NeighbourEdges, Nominal, Side, TrimmedEdge, TrimmedRun};
use scantling_core::plan;
use scantling_core::read::RawScan;
use scantling_core::run::quiet;
use scantling_core::scan::{LengthUnit, Scan};

use super::asked::told;

const PLAN: &str = "schema_version = 1\npart = \"p\"\ndrawing_revision = \"A\"\nplan_version = 1\nlength_unit = \"mm\"\n\
    object = \"part\"\nstandard = { system = \"iso\", edition = \"ISO 1101:2017\" }\ndecision = { proven = {} }\n\
    filter = { gaussian = { nesting_index_mm = 2.5 } }\n[nominal]\nfile = \"p.stl\"\n\
    [[feature]]\nid = \"SKIN\"\nkind = \"plane\"\npick = { near_mm = [20, 15, 0], facing = [0, 0, 1] }\n\
    [[feature]]\nid = \"TRIM\"\nkind = \"edge\"\nedge = { of = \"SKIN\", along = [{ at_mm = [40, 5, 0] }, { at_mm = [40, 25, 0] }], at = \"AT\" }\n\
    [[characteristic]]\nnumber = \"1\"\nfeature = \"TRIM\"\nline_profile = { limit_outside_mm = 0.3, limit_inside_mm = 0.3 }\n";

/// How high the part lies, mm.
const HIGH_MM: f64 = 0.05;

fn plate() -> Nominal {
    let corner = |i: u32| {
        let of = |bit: u32, size: f64| if i & bit == 0 { 0.0 } else { size };
        Point::new(of(1, 40.0), of(2, 30.0), of(4, 3.0) - 3.0)
    };
    let quads = [[0, 2, 3, 1], [4, 5, 7, 6], [0, 1, 5, 4], [2, 6, 7, 3], [0, 4, 6, 2], [1, 3, 7, 5]];
    let triangles = quads.iter().flat_map(|[a, b, c, d]| [[*a, *b, *c], [*a, *c, *d]]).collect();
    let raw = RawScan { points: (0..8).map(corner).collect(), triangles, ..RawScan::default() };
    Nominal::from_mesh(raw, LengthUnit::Millimetre, Some(Side::BehindNormal), &quiet()).expect("a plate")
}

/// The mean offset over the middle of the right side, by the wall or by rows of the skin that end at it.
fn offset(at: &str, wall: bool) -> f64 {
    mean(&taken(at, wall).1)
}

fn mean(found: &MeasuredEdge) -> f64 {
    let all: Vec<f64> = found.stations.iter().filter_map(|s| s.found).map(|f| f.offset_mm).collect();
    all.iter().sum::<f64>() / all.len() as f64
}

/// The middle of the right side as it was measured on a part that lies 0.05 too high, and the plan.
fn taken(at: &str, wall: bool) -> (plan::BoundEdge, MeasuredEdge) {
    let nominal = plate();
    let (_, plan) = plan::check_toml(&PLAN.replace("AT", at)).expect("a plan");
    let faces = plan::bind(&plan, Some(&nominal)).expect("faces");
    let edge = faces.features[1].edge.as_ref().expect("an edge");
    let mut raw = RawScan { normals: Some(Vec::new()), ..RawScan::default() };
    let mut add = |p: Point, n: Vector| {
        raw.points.push(p);
        raw.normals.get_or_insert_default().push(n);
    };
    for j in 0..300 {
        for i in 0..402 {
            // Every row a tenth of a step further on, so that ten of them end anywhere within a step.
            let x = 0.1 * f64::from(i) + 0.01 * f64::from(j % 10);
            if x <= 40.1 {
                add(Point::new(x, 0.05 + 0.1 * f64::from(j), 0.0), Vector::z());
            }
        }
        for k in 0..30 {
            let down = 0.05 + 0.1 * f64::from(k);
            if wall {
                let p = Point::new(40.1 + 0.02 * down, 0.05 + 0.1 * f64::from(j), -down);
                add(p, Vector::new(1.0, 0.0, 0.02).normalize());
            }
        }
    }
    let scan = Scan::new(raw, LengthUnit::Millimetre, &quiet()).expect("a scan");
    let input = EdgeInput {
        nominal: &nominal,
        edge,
        scan: &scan,
        part_from_scan: &Motion::from_turn_and_shift(Vector::zeros(), Vector::new(0.0, 0.0, HIGH_MM)),
        nesting_mm: 2.5,
        furthest_mm: 0.3,
        noise_mm: 1e-4,
    };
    let found = measure(&quiet(), &input).expect("nobody stops it");
    assert_eq!(found.seen(), 1.0);
    (edge.clone(), found)
}

/// The gap and the step of the nominals beside the middle of the right side: a neighbour 4 mm off, 0.3 mm lower.
fn nominal_joint(edge: &plan::BoundEdge) -> Joint {
    let places = vec![Point::new(44.0, 40.0, -0.3), Point::new(44.0, -10.0, -0.3)];
    let run = TrimmedRun { places, normals: vec![Direction::Z; 2], walls: vec![None; 2], closed: false };
    let neighbour = NeighbourEdges::new(&TrimmedEdge { runs: vec![run], ..TrimmedEdge::default() });
    neighbour.beside(&edge.line).into_iter().flatten().next().expect("it stands beside the line")
}

pub(super) fn gap() -> String {
    let (edge, found) = taken("visible_arris", true);
    format!(
        "4 nominal, the part's edge 0.1 out: {}",
        told(3.9, nominal_joint(&edge).gap_mm - mean(&found), 1e-4)
    )
}

pub(super) fn step() -> String {
    let (edge, found) = taken("visible_arris", true);
    format!(
        "0.3 nominal, the part 0.05 high: {}",
        told(0.35, nominal_joint(&edge).step_mm + mean(&found.rising()), 1e-4)
    )
}

pub(super) fn trimmed_edge() -> String {
    format!(
        "a side 0.1 out at the top that leans by 0.02: visible arris {}; middle {}; hidden arris {}",
        told(0.1, offset("visible_arris", true), 1e-4),
        told(0.13, offset("wall_middle", true), 1e-4),
        told(0.16, offset("hidden_arris", true), 1e-4)
    )
}

pub(super) fn edge_by_surface() -> String {
    format!("rows 0.1 apart that end at a side 0.1 out: {}", told(0.1, offset("visible_arris", false), 0.01))
}
