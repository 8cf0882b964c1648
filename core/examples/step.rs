//! Reads every STEP file of a folder and holds it against reference geometry:
//! `cargo run --release -p scantling-core --example step -- FOLDER [CHORD_MM]`
//!
//! The folder holds `files/NAME.stp` and `geometry/NAME.json` with `area_mm2`, `volume_mm3`, `bbox_mm`,
//! `mesh_open_edges` and `faces: [{id, area_mm2}]`. One line a file: faces with triangles, area, volume and bounding box
//! against the reference, open edges, the face whose area is furthest off, how many are off by more than 1 % and 0.15 mm2,
//! the largest distance of 1000 random places of each face from its surface, the largest gap between edge and surface,
//! triangles, seconds.

use std::collections::BTreeMap;
use std::path::Path;
use std::time::Instant;

use scantling_core::geometry::random::Random;
use scantling_core::geometry::{Aabb, Point};
use scantling_core::read::step::{FaceSurface, StepPart, StepSettings, read};
use scantling_core::run::quiet;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let folder = std::env::args().nth(1).ok_or("name a folder")?;
    let chord_mm = std::env::args().nth(2).map_or(Ok(0.01), |s| s.parse())?;
    let mut files: Vec<_> = std::fs::read_dir(Path::new(&folder).join("files"))?
        .map(|f| f.map(|f| f.path()))
        .collect::<Result<_, _>>()?;
    files.sort();
    for path in files {
        let name = path.file_stem().unwrap_or_default().to_string_lossy().into_owned();
        let reference = std::fs::read(Path::new(&folder).join("geometry").join(format!("{name}.json")))?;
        let reference: serde_json::Value = serde_json::from_slice(&reference)?;
        let bytes = std::fs::read(&path)?;
        let start = Instant::now();
        match read(&quiet(), &bytes, &StepSettings { chord_mm, ..StepSettings::default() }) {
            Ok(file) => {
                let seconds = start.elapsed().as_secs_f64();
                println!("{name}: {}, {seconds:.2} s", compare(&file.parts, &reference));
            }
            Err(error) => println!("{name}: {error}"),
        }
    }
    Ok(())
}

fn compare(parts: &[StepPart], reference: &serde_json::Value) -> String {
    let number = |key: &str| reference[key].as_f64().unwrap_or(f64::NAN);
    let areas: BTreeMap<u64, f64> = reference["faces"]
        .as_array()
        .into_iter()
        .flatten()
        .filter_map(|f| Some((f["id"].as_u64()?, f["area_mm2"].as_f64()?)))
        .collect();
    let (mut faces, mut meshed, mut area, mut volume, mut triangles) = (0, 0, 0.0, 0.0, 0);
    let (mut worst, mut off, mut gap_mm, mut open) = ((0.0_f64, 0), (0.0_f64, 0), 0.0_f64, 0);
    let mut many = 0;
    let mut bounds = Aabb::empty();
    for part in parts {
        open += part.open_edges;
        gap_mm = gap_mm.max(part.surface_gap_mm);
        triangles += part.triangles.len();
        for body in &part.bodies {
            for face in &part.faces[body.faces.clone()] {
                faces += 1;
                let (Ok(range), Some(surface)) = (&face.triangles, &face.surface) else { continue };
                meshed += 1;
                let mut own = 0.0;
                for t in &part.triangles[range.clone()] {
                    let [a, b, c] = t.map(|v| part.vertices[v as usize]);
                    let n = (b - a).cross(&(c - a));
                    own += 0.5 * n.norm();
                    if body.solid {
                        volume += a.coords.dot(&n) / 6.0;
                    }
                    [a, b, c].iter().for_each(|p| bounds.add(p));
                }
                area += own;
                if let Some(exact) = areas.get(&face.id) {
                    let error = 100.0 * (own / exact - 1.0);
                    many += usize::from(error.abs() > 1.0 && (own - exact).abs() > 0.15);
                    if error.abs() > worst.0.abs() {
                        worst = (error, face.id);
                    }
                }
                let far = furthest(part, range.clone(), surface, face.id);
                if far > off.0 {
                    off = (far, face.id);
                }
            }
        }
    }
    let corners: Vec<f64> =
        reference["bbox_mm"].as_array().into_iter().flatten().filter_map(serde_json::Value::as_f64).collect();
    let own = bounds.low.iter().chain(bounds.high.iter()).copied().collect::<Vec<f64>>();
    let corner = own.iter().zip(&corners).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max);
    format!(
        "{meshed} of {faces} faces ({} in the reference), area {:+.4} %, volume of solids {:+.4} %, box {corner:.4} mm, \
         open {open} ({}), worst face #{} {:+.3} %, {many} off, furthest {:.5} mm at #{}, gap {gap_mm:.5} mm, {triangles} triangles",
        areas.len(),
        100.0 * (area / number("area_mm2") - 1.0),
        100.0 * (volume / number("volume_mm3") - 1.0),
        reference["mesh_open_edges"],
        worst.1,
        worst.0,
        off.0,
        off.1,
    )
}

/// The largest distance from the surface among 1000 random places on the triangles.
fn furthest(part: &StepPart, range: std::ops::Range<usize>, surface: &FaceSurface, seed: u64) -> f64 {
    let mut random = Random::seeded(seed);
    let mut far = 0.0_f64;
    for _ in 0..1000 {
        let t = part.triangles[range.start + random.below(range.len())];
        let [a, b, c] = t.map(|v| part.vertices[v as usize]);
        let (s, t) = (random.unit(), random.unit());
        let (s, t) = if s + t > 1.0 { (1.0 - s, 1.0 - t) } else { (s, t) };
        let p: Point = a + (b - a) * s + (c - a) * t;
        if let Some(foot) = surface.foot(&p, &p) {
            far = far.max((foot.point - p).norm());
        }
    }
    far
}
