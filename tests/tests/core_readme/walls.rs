//! Figures of the thickness of walls: a wedge whose thickness follows by hand, scanned without noise.

use scantling_core::evaluate::{Aligned, Context, evaluate};
use scantling_core::geometry::{Motion, Point, Vector, math};
use scantling_core::nominal::Nominal;
use scantling_core::partition::{Partition, PartitionSettings};
use scantling_core::plan;
use scantling_core::read::RawScan;
use scantling_core::run::quiet;
use scantling_core::scan::{LengthUnit, Scan};
use scantling_core::search::SurfaceTree;
use scantling_core::uncertainty::Inputs;

use super::asked::told;

/// Half of its length and of its width, mm.
const HALF: [f64; 2] = [20.0, 15.0];

/// Over z = 0, below a plane that rises by 10 degrees.
fn height(x: f64) -> f64 {
    6.0 + x * math::tan(10f64.to_radians())
}

fn nominal() -> Nominal {
    let corner = |i: u32| {
        let x = if i & 1 == 0 { -HALF[0] } else { HALF[0] };
        let y = if i & 2 == 0 { -HALF[1] } else { HALF[1] };
        Point::new(x, y, if i & 4 == 0 { 0.0 } else { height(x) })
    };
    let quads = [[0, 2, 3, 1], [4, 5, 7, 6], [0, 1, 5, 4], [2, 6, 7, 3], [0, 4, 6, 2], [1, 3, 7, 5]];
    let triangles = quads.iter().flat_map(|&[a, b, c, d]| [[a, b, c], [a, c, d]]).collect();
    let raw = RawScan { points: (0..8).map(corner).collect(), triangles, ..RawScan::default() };
    Nominal::from_mesh(raw, LengthUnit::Millimetre, None, &quiet()).expect("a wedge is a solid")
}

/// Points of both sides, half a millimetre apart.
fn scan() -> Scan {
    let (mut points, mut normals) = (Vec::new(), Vec::new());
    let slope = math::tan(10f64.to_radians());
    for i in 0..80 {
        for j in 0..60 {
            let (x, y) = (-HALF[0] + 0.25 + 0.5 * f64::from(i), -HALF[1] + 0.25 + 0.5 * f64::from(j));
            points.extend([Point::new(x, y, 0.0), Point::new(x, y, height(x))]);
            normals.extend([-Vector::z(), Vector::new(-slope, 0.0, 1.0).normalize()]);
        }
    }
    let raw = RawScan { points, normals: Some(normals), ..RawScan::default() };
    Scan::new(raw, LengthUnit::Millimetre, &quiet()).expect("points of a wedge")
}

/// The thickness at the place nearest to x = 0, and that place's x.
fn at_the_middle(definition: &str) -> (f64, f64) {
    let text = format!(
        "schema_version = 1\npart = \"w\"\ndrawing_revision = \"A\"\nplan_version = 1\nlength_unit = \"mm\"\nobject = \"part\"\n\
         standard = {{ system = \"iso\", edition = \"ISO 1101:2017\" }}\ndecision = {{ proven = {{}} }}\n[nominal]\nfile = \"w.stl\"\n\
         [[feature]]\nid = \"BASE\"\nkind = \"plane\"\npick = {{ near_mm = [0, 0, 0], facing = [0, 0, -1] }}\n\
         [[characteristic]]\nnumber = \"1\"\nfeature = \"BASE\"\n\
         thickness = {{ patch_radius_mm = 2, lower_deviation_mm = -1, upper_deviation_mm = 1, definition = \"{definition}\" }}\n"
    );
    let (run, nominal, scan) = (quiet(), nominal(), scan());
    let (_, plan) = plan::check_toml(&text).expect("a plan");
    let faces = plan::bind(&plan, Some(&nominal)).expect("its plane is there");
    let tree = SurfaceTree::new(nominal.mesh());
    let settings = PartitionSettings { reach_mm: 5.0, min_cos: 0.5 };
    let partition =
        Partition::new(&run, &nominal, &tree, &scan, Motion::identity(), &settings).expect("not stopped");
    let context = Context {
        run: &run,
        nominal: &nominal,
        tree: &tree,
        plan: &plan,
        faces: &faces,
        scan: &scan,
        noise_mm: 0.0,
        shown_noise_mm: 0.0,
        inputs: &Inputs::default(),
        joined: None,
        cell_mm: 2.5,
    };
    let found =
        evaluate(&context, &plan.characteristics[0], &Aligned::BestFit(&partition)).expect("not stopped");
    let map = found.thickness.expect("a thickness").map_mm;
    let nearest = map.chunks_exact(4).min_by(|a, b| a[0].abs().total_cmp(&b[0].abs())).expect("a map");
    (nearest[3], nearest[0])
}

pub(super) fn along_normal() -> String {
    let (found, x) = at_the_middle("along_normal");
    // A wedge is everywhere the same but for its size.
    format!("a wedge of 10 degrees where it is 2, {}", told(2.0, found * 2.0 / height(x), 1e-4))
}

pub(super) fn inscribed_ball() -> String {
    let (found, x) = at_the_middle("inscribed_ball");
    let cos = math::cos(10f64.to_radians());
    let hand = 2.0 * 2.0 * cos / (1.0 + cos);
    format!("a wedge of 10 degrees where it is 2, {}", told(hand, found * 2.0 / height(x), 1e-4))
}

pub(super) fn laminate() -> String {
    let eight = 8.0 * plan::ply_mm(196.0, 1.78, 0.60);
    format!("8 plies of 196 g/m2, 1.78 g/cm3, 0.6, {}", told(1.468_165, eight, 5e-7))
}
