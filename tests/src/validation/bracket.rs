//! A flat bracket of 2.5 mm skin, 80 x 60 mm, with three holes, scanned from all sides.

use scantling_core::geometry::random::Random;
use scantling_core::geometry::{Direction, Point, Vector};
use scantling_core::simulate::{Deviation, HoleShift, Made, Sag, ThicknessChange, TrimOffset, Warp};

use super::part::{Kind, Part, all_round, characteristic, datums, feature, head};
use super::sheet::{Hole, Sheet, level, lines, written};

const SIZE: [f64; 2] = [80.0, 60.0];
const THICKNESS_MM: f64 = 2.5;
/// Middle of the back side's check point, and of the place that is made too thick or too thin.
const CHECK: [f64; 2] = [22.5, 40.0];
/// Datum B, datum C, and the one that is judged: middle and radius.
const HOLES: [([f64; 2], f64); 3] = [([15.0, 15.0], 5.0), ([65.0, 15.0], 4.0), ([57.5, 42.5], 6.0)];

fn holes(grown_mm: f64) -> [Hole; 3] {
    std::array::from_fn(|k| {
        let (at, radius) = HOLES[k];
        let radius_mm = if k == 2 { radius + grown_mm } else { radius };
        Hole { at, radius_mm, half_mm: 10.0 }
    })
}

fn sheet<'a>(holes: &'a [Hole], place: &'a dyn Fn(f64, f64) -> Point) -> Sheet<'a> {
    Sheet {
        u: lines(0.0, SIZE[0], 2.5),
        v: lines(0.0, SIZE[1], 2.5),
        holes,
        thickness_mm: THICKNESS_MM,
        place,
    }
}

fn flat(u: f64, v: f64) -> Point {
    Point::new(u, v, 0.0)
}

fn plan() -> String {
    let mut text = head("bracket", 4.0);
    feature(&mut text, "TOP", "plane", Point::new(40.0, 30.0, 0.0), Some(Vector::z()), "");
    let down = Some(-Vector::z());
    feature(
        &mut text,
        "BACK",
        "surface",
        Point::new(40.0, 30.0, -THICKNESS_MM),
        down,
        ", grow_to_angle_deg = 12.0",
    );
    for (k, (at, radius)) in HOLES.into_iter().enumerate() {
        feature(
            &mut text,
            &format!("H{}", k + 1),
            "hole",
            Point::new(at[0] + radius, at[1], -0.5 * THICKNESS_MM),
            None,
            "",
        );
    }
    text.push_str(&format!(
        "[[feature]]\nid = \"TRIM\"\nkind = \"edge\"\nedge = {{ of = \"TOP\", loop = \"outer\", at = \"visible_arris\" }}\n\
         [[feature]]\nid = \"CHECK\"\nkind = \"point\"\npoint = {{ at_mm = {}, direction = [0, 0, -1], patch_radius_mm = 3.0 }}\n",
        written([CHECK[0], CHECK[1], -THICKNESS_MM])
    ));
    text.push_str(&datums("TOP"));
    let profile = "surface_profile = { limit_outside_mm = 0.25, limit_inside_mm = 0.25 }";
    let diameter = "diameter = { nominal_mm = 12.0, upper_deviation_mm = 0.1, lower_deviation_mm = -0.1, size = \"least_squares\" }";
    let edge = "line_profile = { limit_outside_mm = 0.2, limit_inside_mm = 0.2 }";
    let thickness = "thickness = { nominal_mm = 2.5, upper_deviation_mm = 0.2, lower_deviation_mm = -0.2, patch_radius_mm = 2.0 }";
    let flatness = "flatness = { zone_width_mm = 0.2, association = \"minimum_zone\" }";
    for (kind, feature, requirement, on_datums) in [
        (Kind::SurfaceProfile, "BACK", profile, true),
        (Kind::HoleSize, "H3", diameter, false),
        (Kind::HolePosition, "H3", "position = { zone_diameter_mm = 0.2 }", true),
        (Kind::Edge, "TRIM", edge, true),
        (Kind::Thickness, "TOP", thickness, false),
        (Kind::Flatness, "TOP", flatness, false),
        (Kind::CheckPoint, "CHECK", profile, true),
    ] {
        text.push_str(&characteristic(kind, feature, requirement, on_datums));
    }
    text
}

/// At 1 every value is about as large as its limit.
fn made(share: f64, variant: u64) -> Made {
    let mut random = Random::seeded(variant.wrapping_mul(0x51ED_2701) ^ 0xB4AC);
    let mut sign = || if random.unit() < 0.5 { -share } else { share };
    let (bow, thicker, trim, grown) = (sign(), sign(), sign(), sign());
    let along_x = random.unit() < 0.5;
    let middle = |random: &mut Random, k: usize| CHECK[k] + random.range(-2.0, 2.0);
    let (x, y) = (middle(&mut random, 0), middle(&mut random, 1));
    let from = random.range(22.0, 28.0);
    let at = HOLES[2].0;
    // A bow or a sag, both of which leave a zone of about 0.2.
    let bent = if random.unit() < 0.3 {
        Deviation::Sag(Sag {
            supports: [Point::new(7.0, 30.0, 0.0), Point::new(73.0, 30.0, 0.0)],
            down: if bow < 0.0 { Direction::Z } else { Direction::Z.reversed() },
            depth_mm: 0.16 * share,
        })
    } else {
        let out = 0.133 * bow;
        Deviation::Warp(Warp {
            centre: Point::new(0.5 * SIZE[0], 0.5 * SIZE[1], 0.0),
            half_mm: [0.5 * SIZE[0], 0.5 * SIZE[1]],
            out_mm: if along_x { [0.0, out, 0.0, 0.0] } else { [0.0, 0.0, out, 0.0] },
            in_plane_mm: [0.0; 2],
        })
    };
    let shift = level(0.1 * share, random.range(0.0, std::f64::consts::TAU));
    let deviations = vec![
        bent,
        Deviation::ThicknessChange(ThicknessChange {
            centre: Point::new(x, y, 0.0),
            inward: Direction::Z.reversed(),
            radius_mm: 14.0,
            flat: 0.4,
            thickness_mm: THICKNESS_MM,
            change_mm: 0.2 * thicker,
        }),
        Deviation::HoleShift(HoleShift {
            centre: Point::new(at[0], at[1], -0.5 * THICKNESS_MM),
            axis: Direction::Z,
            radius_mm: HOLES[2].1,
            half_length_mm: 0.5 * THICKNESS_MM + 1.0,
            reach_mm: 6.0,
            shift,
        }),
        Deviation::TrimOffset(TrimOffset {
            from: Point::new(from, 0.0, 0.0),
            to: Point::new(from + 30.0, 0.0, 0.0),
            outward: Direction::new(-Vector::y()).expect("a unit vector"),
            offset_mm: 0.2 * trim,
            run_out_mm: 15.0,
            band_mm: 8.0,
            reach_mm: THICKNESS_MM + 1.0,
        }),
    ];
    let (mesh, carriers) = sheet(&holes(0.05 * grown), &flat).mesh();
    Made::of_mesh(mesh, carriers, deviations)
}

pub(super) fn part() -> Part {
    let (mesh, _) = sheet(&holes(0.0), &flat).mesh();
    Part::new("bracket", &mesh, &plan(), [0.6, 0.45], all_round(), Box::new(made))
}
