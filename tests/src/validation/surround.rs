//! The demo's window surround at three quarters of its size, seen from the front. Its rows
//! are too coarse for what the other parts tell of edges, and its back is not seen.

use scantling_core::geometry::random::Random;
use scantling_core::geometry::{Direction, Point, TriangleMesh};
use scantling_core::nominal::Carrier;
use scantling_core::simulate::window_surround::{Region, RoundHole};
use scantling_core::simulate::{Dent, Deviation, HoleShift, Made, Scanner, Warp, WindowSurround};

use super::part::{Kind, Part, characteristic, datums, feature, head};
use super::sheet::{level, written};

const SCALE: f64 = 0.75;
/// The hole that is judged: the fifth, of 9 mm.
const JUDGED: usize = 4;
/// Middle of the dent and the check point on the crown.
const CHECK: [f64; 2] = [0.5, 0.5];

fn plan(surround: &WindowSurround) -> String {
    let mut text = head("surround", 8.0);
    let [length, ..] = surround.size_mm();
    feature(
        &mut text,
        "FLANGE",
        "plane",
        Point::new(0.3 * length, 11.0, 0.0),
        Some(Direction::Z.vector()),
        "",
    );
    for hole in [0, 1, JUDGED].map(|k| &surround.holes()[k]) {
        feature(&mut text, hole.id, "hole", hole.centre, None, "");
    }
    let (p, n) = surround.place(Region::Crown, 2.5, 0.5);
    feature(&mut text, "CROWN", "surface", p, Some(n.vector()), ", grow_to_angle_deg = 2.2");
    let (at, n) = surround.place(Region::Crown, CHECK[0], CHECK[1]);
    text.push_str(&format!(
        "[[feature]]\nid = \"CHECK\"\nkind = \"point\"\npoint = {{ at_mm = {}, direction = {}, patch_radius_mm = 6.0 }}\n",
        written(at.coords),
        written(n.vector())
    ));
    text.push_str(&datums("FLANGE"));
    let profile = "surface_profile = { limit_outside_mm = 0.4, limit_inside_mm = 0.4 }";
    let judged = &surround.holes()[JUDGED];
    let diameter = format!(
        "diameter = {{ nominal_mm = {:?}, upper_deviation_mm = 0.1, lower_deviation_mm = -0.1, size = \"least_squares\" }}",
        judged.diameter_mm
    );
    let flatness = "flatness = { zone_width_mm = 0.3, association = \"minimum_zone\" }";
    for (kind, feature, requirement, on_datums) in [
        (Kind::SurfaceProfile, "CROWN", profile, true),
        (Kind::HoleSize, judged.id, diameter.as_str(), false),
        (Kind::HolePosition, judged.id, "position = { zone_diameter_mm = 0.3 }", true),
        (Kind::Flatness, "FLANGE", flatness, false),
        (Kind::CheckPoint, "CHECK", profile, true),
    ] {
        text.push_str(&characteristic(kind, feature, requirement, on_datums));
    }
    text
}

/// The nominal with the wall of one hole `grown_mm` further out, and its exact surfaces.
fn grown(surround: &WindowSurround, hole: &RoundHole, grown_mm: f64) -> (TriangleMesh, Vec<Option<Carrier>>) {
    let mesh = surround.mesh();
    let radius_mm = 0.5 * hole.diameter_mm;
    let mut carriers = surround.carriers(&mesh);
    let middle = |p: &Point| Point::new(hole.centre.x, hole.centre.y, p.z);
    let wider = |p: &Point| {
        let out = p - middle(p);
        if (out.norm() - radius_mm).abs() < 1e-6 {
            middle(p) + out * (1.0 + grown_mm / radius_mm)
        } else {
            *p
        }
    };
    for carrier in carriers.iter_mut().flatten() {
        if let Carrier::Cylinder { point, radius_mm, .. } = carrier
            && (*point - hole.centre).norm() < 1e-6
        {
            *radius_mm += grown_mm;
        }
    }
    let vertices = mesh.vertices().iter().map(wider).collect();
    (TriangleMesh::new(vertices, mesh.triangles().to_vec()).expect("moved by finite lengths"), carriers)
}

/// At 1 every value is about as large as its limit.
fn made(share: f64, variant: u64) -> Made {
    let surround = WindowSurround::sized(SCALE);
    let mut random = Random::seeded(variant.wrapping_mul(0x51ED_2701) ^ 0x5077);
    let mut sign = || if random.unit() < 0.5 { -share } else { share };
    let (bow, wider) = (sign(), sign());
    let [length, width, _] = surround.size_mm();
    let judged = &surround.holes()[JUDGED];
    let (centre, normal) = surround.place(Region::Crown, CHECK[0], CHECK[1]);
    let shift = level(0.15 * share, random.range(0.0, std::f64::consts::TAU));
    let deviations = vec![
        Deviation::Warp(Warp {
            centre: Point::new(0.5 * length, 0.5 * width, 0.0),
            half_mm: [0.5 * length, 0.5 * width],
            out_mm: [0.0, 0.2 * bow, 0.0, 0.0],
            in_plane_mm: [0.0; 2],
        }),
        Deviation::Dent(Dent {
            centre,
            inward: normal.reversed(),
            radius_mm: 20.0,
            flat: 0.5,
            // To the side to which the bow moves the crown there, so that both together reach the limit.
            depth_mm: 0.24 * bow,
            reach_mm: 2.0 * surround.thickness_mm() + 1.0,
        }),
        Deviation::HoleShift(HoleShift {
            centre: judged.centre,
            axis: Direction::Z,
            radius_mm: 0.5 * judged.diameter_mm,
            half_length_mm: 0.5 * surround.thickness_mm() + 1.0,
            reach_mm: (surround.land_mm(judged) - 0.5).min(6.0),
            shift,
        }),
    ];
    let (mesh, carriers) = grown(&surround, judged, 0.05 * wider);
    Made::of_mesh(mesh, carriers, deviations)
}

pub(super) fn part() -> Part {
    let surround = WindowSurround::sized(SCALE);
    let views = Scanner::front(1.0, 0.0, 0).views;
    Part::new(
        "surround",
        &surround.mesh(),
        &plan(&surround),
        [1.7, 1.2],
        (views, Some(Direction::Z)),
        Box::new(made),
    )
}
