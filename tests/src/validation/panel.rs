//! A curved panel of 3 mm skin, some 100 x 60 mm: a flat land with three holes, a tight bend, and a skin bowed both ways that
//! ends in trimmed edges; scanned from all sides. Datums are on the land, what is judged is far from it.

use scantling_core::geometry::random::Random;
use scantling_core::geometry::{Direction, Point, Vector, math};
use scantling_core::simulate::{
    Dent, Deviation, HoleShift, Made, SpringIn, ThicknessChange, TrimOffset, Warp,
};

use super::part::{Kind, Part, all_round, characteristic, datums, feature, head};
use super::sheet::{Hole, Sheet, level, lines, written};

const THICKNESS_MM: f64 = 3.0;
/// Where the land ends, where the bend ends, where the skin ends, along the developed length; and the width, mm.
const LAND_MM: f64 = 35.0;
const BEND_MM: f64 = 39.5;
const LENGTH_MM: f64 = 102.0;
const WIDTH_MM: f64 = 60.0;
/// Radii of the bend, of the skin along its length and across it, mm.
const TIGHT_MM: f64 = 10.0;
const GENTLE_MM: f64 = 160.0;
const ACROSS_MM: f64 = 800.0;
/// Developed places of the dent with the check point in it, and of the place that is made too thick or too thin.
const CHECK: [f64; 2] = [60.0, 38.0];
const THICK: [f64; 2] = [84.0, 20.0];
/// Datum B, datum C, and the one that is judged: middle and radius.
const HOLES: [([f64; 2], f64); 3] = [([17.5, 10.0], 4.5), ([17.5, 50.0], 4.0), ([17.5, 30.0], 4.5)];

/// The developed place (u, v) in space.
fn place(u: f64, v: f64) -> Point {
    let turn = (BEND_MM - LAND_MM) / TIGHT_MM;
    let flat = u.min(LAND_MM);
    let mut p = Point::new(flat, v, 0.0);
    if u > LAND_MM {
        // From heading 0 to the whole turn, upwards.
        let a = (u.min(BEND_MM) - LAND_MM) / TIGHT_MM;
        p += Vector::new(math::sin(a), 0.0, 1.0 - math::cos(a)) * TIGHT_MM;
    }
    if u > BEND_MM {
        // Gently back, downwards.
        let a = turn - (u - BEND_MM) / GENTLE_MM;
        p += Vector::new(math::sin(turn) - math::sin(a), 0.0, math::cos(a) - math::cos(turn)) * GENTLE_MM;
        let t = ((u - BEND_MM - 4.0) / 30.0).clamp(0.0, 1.0);
        let grown = t * t * t * (10.0 - t * (15.0 - 6.0 * t));
        let from_middle = v - 0.5 * WIDTH_MM;
        p.z -= grown * from_middle * from_middle / (2.0 * ACROSS_MM);
    }
    p
}

fn holes(grown_mm: f64) -> [Hole; 3] {
    std::array::from_fn(|k| {
        let (at, radius) = HOLES[k];
        let radius_mm = if k == 2 { radius + grown_mm } else { radius };
        Hole { at, radius_mm, half_mm: 7.5 }
    })
}

fn sheet(holes: &[Hole]) -> Sheet<'_> {
    let mut u = lines(0.0, LAND_MM, 2.5);
    u.extend(lines(LAND_MM, BEND_MM, 0.5).into_iter().skip(1));
    u.extend(lines(BEND_MM, LENGTH_MM, 2.5).into_iter().skip(1));
    Sheet { u, v: lines(0.0, WIDTH_MM, 2.5), holes, thickness_mm: THICKNESS_MM, place: &place }
}

fn plan() -> String {
    let none = holes(0.0);
    let sheet = sheet(&none);
    let mut text = head("panel", 4.0);
    feature(&mut text, "LAND", "plane", Point::new(5.0, 30.0, 0.0), Some(Vector::z()), "");
    let (p, n) = sheet.surface(75.0, 30.0);
    feature(&mut text, "SKIN", "surface", p, Some(n.vector()), ", grow_to_angle_deg = 2.2");
    for (k, (at, radius)) in HOLES.into_iter().enumerate() {
        let p = Point::new(at[0] + radius, at[1], -0.5 * THICKNESS_MM);
        feature(&mut text, &format!("H{}", k + 1), "hole", p, None, "");
    }
    let (at, n) = sheet.surface(CHECK[0], CHECK[1]);
    text.push_str(&format!(
        "[[feature]]\nid = \"TRIM\"\nkind = \"edge\"\nedge = {{ of = \"SKIN\", loop = \"outer\", at = \"visible_arris\" }}\n\
         [[feature]]\nid = \"CHECK\"\nkind = \"point\"\npoint = {{ at_mm = {}, direction = {}, patch_radius_mm = 3.0 }}\n",
        written(at.coords),
        written(n.vector())
    ));
    text.push_str(&datums("LAND"));
    let profile = "surface_profile = { limit_outside_mm = 0.4, limit_inside_mm = 0.4 }";
    let diameter = "diameter = { nominal_mm = 9.0, upper_deviation_mm = 0.1, lower_deviation_mm = -0.1, size = \"least_squares\" }";
    let edge = "line_profile = { limit_outside_mm = 0.3, limit_inside_mm = 0.3 }";
    let thickness = "thickness = { nominal_mm = 3.0, upper_deviation_mm = 0.2, lower_deviation_mm = -0.2, patch_radius_mm = 2.0 }";
    let flatness = "flatness = { zone_width_mm = 0.15, association = \"minimum_zone\" }";
    for (kind, feature, requirement, on_datums) in [
        (Kind::SurfaceProfile, "SKIN", profile, true),
        (Kind::HoleSize, "H3", diameter, false),
        (Kind::HolePosition, "H3", "position = { zone_diameter_mm = 0.2 }", true),
        (Kind::Edge, "TRIM", edge, true),
        (Kind::Thickness, "SKIN", thickness, false),
        (Kind::Flatness, "LAND", flatness, false),
        (Kind::CheckPoint, "CHECK", profile, true),
    ] {
        text.push_str(&characteristic(kind, feature, requirement, on_datums));
    }
    text
}

/// At 1 every value is about as large as its limit.
fn made(share: f64, variant: u64) -> Made {
    let mut random = Random::seeded(variant.wrapping_mul(0x51ED_2701) ^ 0x9A4E);
    let mut sign = || if random.unit() < 0.5 { -share } else { share };
    let (bow, dent, thicker, trim, grown, spring) = (sign(), sign(), sign(), sign(), sign(), sign());
    let nominal_holes = holes(0.0);
    let nominal = sheet(&nominal_holes);
    let mut near = |of: [f64; 2]| {
        let at = of.map(|c| c + random.range(-1.5, 1.5));
        nominal.surface(at[0], at[1])
    };
    let ((dent_at, dent_normal), (thick_at, thick_normal)) = (near(CHECK), near(THICK));
    // At the far end of the skin.
    let v = random.range(15.0, 19.0);
    let (from, end_normal) = nominal.surface(LENGTH_MM - 0.1, v);
    let along_end = Vector::y();
    let outward = Direction::new(along_end.cross(&end_normal.vector())).expect("square to a normal");
    let far = place(LENGTH_MM, v);
    let from = from + (far - from);
    let at = HOLES[2].0;
    let shift = level(0.1 * share, random.range(0.0, std::f64::consts::TAU));
    let deviations = vec![
        Deviation::Warp(Warp {
            centre: Point::new(0.5 * LAND_MM, 0.5 * WIDTH_MM, 0.0),
            half_mm: [0.5 * LENGTH_MM, 0.5 * WIDTH_MM],
            out_mm: [0.0, 0.0, 0.1 * bow, 0.0],
            in_plane_mm: [0.0; 2],
        }),
        Deviation::Dent(Dent {
            centre: dent_at,
            inward: dent_normal.reversed(),
            radius_mm: 11.0,
            flat: 0.4,
            depth_mm: 0.38 * dent,
            reach_mm: 2.0 * THICKNESS_MM,
        }),
        Deviation::ThicknessChange(ThicknessChange {
            centre: thick_at,
            inward: thick_normal.reversed(),
            radius_mm: 12.0,
            flat: 0.4,
            thickness_mm: THICKNESS_MM,
            change_mm: 0.2 * thicker,
        }),
        Deviation::SpringIn(SpringIn {
            point: Point::new(LAND_MM, 0.0, 0.0),
            axis: Direction::Y,
            towards: Direction::X,
            angle_rad: 3e-4 * spring,
            blend_mm: 5.0,
        }),
        Deviation::HoleShift(HoleShift {
            centre: Point::new(at[0], at[1], -0.5 * THICKNESS_MM),
            axis: Direction::Z,
            radius_mm: HOLES[2].1,
            half_length_mm: 0.5 * THICKNESS_MM + 1.0,
            reach_mm: 5.0,
            shift,
        }),
        Deviation::TrimOffset(TrimOffset {
            from,
            to: from + along_end * 26.0,
            outward,
            offset_mm: 0.3 * trim,
            run_out_mm: 12.0,
            band_mm: 8.0,
            reach_mm: THICKNESS_MM + 1.0,
        }),
    ];
    let of_size = holes(0.05 * grown);
    let (mesh, carriers) = sheet(&of_size).mesh();
    Made::of_mesh(mesh, carriers, deviations)
}

pub(super) fn part() -> Part {
    let none = holes(0.0);
    let (mesh, _) = sheet(&none).mesh();
    Part::new("panel", &mesh, &plan(), [0.65, 0.5], all_round(), Box::new(made))
}
