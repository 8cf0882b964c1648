//! The truth against parts whose values follow by hand from what was done to them.

use super::*;
use scantling_core::geometry::Motion;
use scantling_core::simulate::{Dent, Deviation, HoleShift, Made, WindowSurround, demo_parts};

fn made(surround: &WindowSurround, deviations: Vec<Deviation>) -> (Demo, DemoPart) {
    let demo = demo_parts(0, 0.75);
    let carriers = surround.carriers(&demo.nominal);
    let part = DemoPart {
        made: Made::of_mesh(demo.nominal.clone(), carriers, deviations),
        dent: None,
        scan_from_part: Motion::identity(),
        ..demo.good.clone()
    };
    (demo, part)
}

fn shift(hole: &RoundHole, x: f64, y: f64) -> Deviation {
    Deviation::HoleShift(HoleShift {
        centre: hole.centre,
        axis: Direction::Z,
        radius_mm: 0.5 * hole.diameter_mm,
        half_length_mm: 2.5,
        reach_mm: 5.0,
        shift: Vector::new(x, y, 0.0),
    })
}

#[test]
fn a_perfect_part_reads_its_nominal_values() {
    let surround = WindowSurround::sized(0.75);
    let (demo, part) = made(&surround, Vec::new());
    let truth = Truth::of(&demo, &part);
    assert!(truth.failing().is_empty());
    assert_eq!(truth.values.len(), 14);
    for (number, value) in &truth.values {
        let nominal = match number.parse::<usize>().unwrap() {
            n @ 5..=10 => surround.holes()[n - 5].diameter_mm,
            _ => 0.0,
        };
        // The golden section stops at a billionth of tilt over half a metre.
        let room = if number == "1" { 1e-6 } else { 1e-9 };
        assert!((value.value - nominal).abs() < room, "{number}: {value:?}");
    }
    assert!(truth.hole_offsets.values().flatten().all(|v| v.abs() < 1e-9));
}

#[test]
fn shifts_of_a_hole_and_of_datums_read_as_geometry_says() {
    let surround = WindowSurround::sized(0.75);
    let holes = surround.holes();
    // 0.3 and 0.4 make 0.5 of distance, 1.0 of position.
    let (demo, part) = made(&surround, vec![shift(&holes[3], 0.3, -0.4)]);
    let truth = Truth::of(&demo, &part);
    assert_eq!(truth.failing(), ["12"]);
    assert!((truth.values["12"].value - 1.0).abs() < 1e-6);
    let off = truth.hole_offsets["H4"];
    assert!((off[0] - 0.3).abs() < 1e-6 && (off[1] + 0.4).abs() < 1e-6, "{off:?}");
    // Datum B off its place takes the whole system along: H2 keeps the turn but for the angle of the
    // line from B to C, and every other hole is off by the opposite, turned.
    let (demo, part) = made(&surround, vec![shift(&holes[0], 0.05, 0.0)]);
    let truth = Truth::of(&demo, &part);
    let line = holes[1].centre - holes[0].centre;
    // The line's angle changes by the shift's part across it over its length.
    let turn = -0.05 * -line.y / line.norm() / line.norm();
    for hole in &holes[2..] {
        let arm = hole.centre - holes[0].centre;
        let expected = [-0.05 + turn * arm.y, -turn * arm.x];
        let got = truth.hole_offsets[hole.id];
        for k in 0..2 {
            assert!((got[k] - expected[k]).abs() < 1e-4, "{}: {got:?} {expected:?}", hole.id);
        }
    }
}

#[test]
fn a_dent_reads_its_depth_in_its_region_only() {
    let surround = WindowSurround::sized(0.75);
    let dent = demo_parts(0, 0.75).bad.dent.unwrap();
    let region = dent.region;
    let straight = Dent { depth_mm: 0.7, ..dent.dent };
    let (demo, mut part) = made(&surround, vec![Deviation::Dent(straight.clone())]);
    part.dent = Some(scantling_core::simulate::DemoDent { dent: straight, region });
    let truth = Truth::of(&demo, &part);
    let number = match region {
        Region::Wall => "2",
        Region::Crown => "3",
        Region::Reveal => "4",
    };
    assert_eq!(truth.failing(), [number]);
    // The bottom moves along the normal at the dent's centre; normals lean by a few degrees beside it.
    let value = truth.values[number];
    assert!((value.value + 0.7).abs() < 0.01 && value.maximum.unwrap().abs() < 1e-6, "{value:?}");
    assert!((truth.dent_depth_mm.unwrap() - 0.7).abs() < 0.01);
}

#[test]
fn demo_parts_fail_in_what_was_done_to_them_and_in_nothing_else() {
    for (seed, scale) in [(0, 1.0), (7, 0.75), (19, 1.3)] {
        let demo = demo_parts(seed, scale);
        let good = Truth::of(&demo, &demo.good);
        assert!(good.failing().is_empty(), "seed {seed}: {good:?}");
        // With room: noise must not decide.
        assert!(good.values["1"].value < 0.6 * FLATNESS_MM, "seed {seed}: {good:?}");
        assert!(
            (11..=14).all(|n| good.values[&n.to_string()].value < 0.6 * POSITION_MM),
            "seed {seed}: {good:?}"
        );
        let bad = Truth::of(&demo, &demo.bad);
        let hole = demo.surround.holes().iter().position(|h| h.id == demo.bad_hole).unwrap();
        let region = match demo.bad.dent.as_ref().unwrap().region {
            Region::Wall => "2",
            Region::Crown => "3",
            Region::Reveal => "4",
        };
        assert_eq!(bad.failing(), [(9 + hole).to_string().as_str(), region], "seed {seed}: {bad:?}");
        assert!(bad.values[&(9 + hole).to_string()].value > 1.5 * POSITION_MM, "seed {seed}: {bad:?}");
        assert!(bad.values[region].value < -1.3 * PROFILE_MM, "seed {seed}: {bad:?}");
    }
}
