//! Published STEP files held against reference geometry: every face meshed and known by its number, areas, volumes, boxes, no
//! cracks, triangles within the chord error of the exact surface.
//!
//! Files and reference: `data/step/nist/README.md`. `STEP_FILES=FOLDER` takes those of another folder, `files/NAME.stp` with
//! `geometry/NAME.json`, whose faces are objects with `id` and `area_mm2`.

#![allow(clippy::unwrap_used, reason = "a check stops where something is not as told")]

use std::collections::BTreeMap;
use std::io::Read;
use std::path::{Path, PathBuf};

use rayon::prelude::*;
use scantling_core::geometry::random::Random;
use scantling_core::geometry::{Aabb, Point};
use scantling_core::nominal::{self, NominalFile};
use scantling_core::read::step::{StepPart, StepSettings, read};
use scantling_core::run::quiet;
use serde_json::Value;

const CHORD_MM: f64 = 0.01;
/// Beyond the chord error by what an edge may lie off the surface.
const FURTHEST_MM: f64 = 0.0105;
/// Random places on the triangles of each file.
const PLACES: usize = 1000;

/// Files whose reference volume holds a supplemental surface beside the solid, so that it is none of the part.
const NO_VOLUME: [&str; 1] = ["nist_stc_08_asme1_ap242-e3"];

/// Name, bytes and reference of each file.
fn files() -> Vec<(String, Vec<u8>, Value)> {
    let of = |path: PathBuf, reference: PathBuf| {
        let bytes = std::fs::read(&path).unwrap();
        let mut text = Vec::new();
        if bytes.starts_with(&[0x1f, 0x8b]) {
            flate2::read::GzDecoder::new(bytes.as_slice()).read_to_end(&mut text).unwrap();
        } else {
            text = bytes;
        }
        let name = reference.file_stem().unwrap().to_string_lossy().into_owned();
        (name, text, serde_json::from_slice(&std::fs::read(reference).unwrap()).unwrap())
    };
    let (folder, files, references) = match std::env::var("STEP_FILES") {
        Ok(folder) => (PathBuf::from(folder), "files", "geometry"),
        Err(_) => (Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/step/nist"), ".", "."),
    };
    let mut all: Vec<PathBuf> =
        std::fs::read_dir(folder.join(files)).unwrap().map(|f| f.unwrap().path()).collect();
    all.retain(|p| {
        let name = p.file_name().unwrap().to_string_lossy();
        [".stp", ".step", ".stp.gz"].iter().any(|end| name.ends_with(end))
    });
    all.sort();
    all.into_iter()
        .map(|path| {
            let name = path.file_name().unwrap().to_string_lossy().into_owned();
            let stem = name.split(".st").next().unwrap();
            let reference = folder.join(references).join(format!("{stem}.json"));
            of(path, reference)
        })
        .collect()
}

/// Area in mm2 of each face by its number.
fn areas(reference: &Value) -> BTreeMap<u64, f64> {
    let pair = |f: &Value| match f.as_array() {
        Some(pair) => (pair[0].as_u64().unwrap(), pair[1].as_f64().unwrap()),
        None => (f["id"].as_u64().unwrap(), f["area_mm2"].as_f64().unwrap()),
    };
    reference["faces"].as_array().unwrap().iter().map(pair).collect()
}

fn corners(part: &StepPart, t: usize) -> [Point; 3] {
    part.triangles[t].map(|v| part.vertices[v as usize])
}

/// What does not hold, in words.
fn faults(name: &str, bytes: &[u8], reference: &Value) -> Vec<String> {
    let mut faults = Vec::new();
    let mut hold = |holds: bool, words: String| {
        if !holds {
            faults.push(format!("{name}: {words}"));
        }
    };
    let number = |key: &str| reference[key].as_f64().unwrap();
    let file =
        read(&quiet(), bytes, &StepSettings { chord_mm: CHORD_MM, ..StepSettings::default() }).unwrap();
    let wanted = areas(reference);
    let (mut area, mut volume, mut open, mut met) = (0.0, 0.0, 0, 0);
    let mut bounds = Aabb::empty();
    let mut places: Vec<(&StepPart, usize, usize)> = Vec::new();
    for part in &file.parts {
        open += part.open_edges;
        for body in &part.bodies {
            for f in body.faces.clone() {
                let face = &part.faces[f];
                let Ok(range) = &face.triangles else {
                    hold(false, format!("#{} has no triangles: {:?}", face.id, face.triangles));
                    continue;
                };
                let mut own = 0.0;
                for t in range.clone() {
                    let [a, b, c] = corners(part, t);
                    let n = (b - a).cross(&(c - a));
                    own += 0.5 * n.norm();
                    volume += if body.solid { a.coords.dot(&n) / 6.0 } else { 0.0 };
                    [a, b, c].iter().for_each(|p| bounds.add(p));
                    places.push((part, f, t));
                }
                area += own;
                if let Some(exact) = wanted.get(&face.id) {
                    met += 1;
                    let off = (own - exact).abs();
                    hold(
                        off <= 0.01 * exact || off <= 0.15,
                        format!("#{} has {own} mm2, not {exact}", face.id),
                    );
                }
            }
        }
    }
    hold(met == wanted.len(), format!("{met} of {} faces are known by their numbers", wanted.len()));
    let (area_off, volume_off) = (area / number("area_mm2") - 1.0, volume / number("volume_mm3") - 1.0);
    hold(area_off.abs() <= 5e-4, format!("area off by {area_off:e}"));
    hold(NO_VOLUME.contains(&name) || volume_off.abs() <= 5e-4, format!("volume off by {volume_off:e}"));
    let own = bounds.low.iter().chain(bounds.high.iter());
    let box_off =
        own.zip(reference["bbox_mm"].as_array().unwrap()).map(|(a, b)| (a - b.as_f64().unwrap()).abs());
    let box_off = box_off.fold(0.0, f64::max);
    hold(box_off <= 0.02, format!("box off by {box_off} mm"));
    let open_there = reference["mesh_open_edges"].as_u64().unwrap() as usize;
    // How many pieces a border has depends on how it is cut.
    hold(open <= 2 * open_there, format!("{open} open edges, {open_there} of the reference"));
    let mut random = Random::seeded(77);
    let mut far = (0.0_f64, 0);
    for _ in 0..PLACES {
        let (part, f, t) = places[random.below(places.len())];
        let [a, b, c] = corners(part, t);
        let (mut s, mut t) = (random.unit(), random.unit());
        if s + t > 1.0 {
            (s, t) = (1.0 - s, 1.0 - t);
        }
        let p = a + (b - a) * s + (c - a) * t;
        let face = &part.faces[f];
        let foot = face.surface.as_ref().and_then(|s| s.foot(&p, &p));
        let off = foot.map_or(f64::INFINITY, |foot| (foot.point - p).norm());
        if off > far.0 {
            far = (off, face.id);
        }
    }
    hold(far.0 <= FURTHEST_MM, format!("{} mm off its surface at #{}", far.0, far.1));
    println!(
        "{name}: {met} faces, area {:+.4} %, volume {:+.4} %, box {box_off:.4} mm, open {open} ({open_there}), furthest {:.5} mm",
        100.0 * area_off,
        100.0 * volume_off,
        far.0
    );
    faults
}

#[test]
fn published_files_have_the_faces_areas_and_volumes_of_the_reference() {
    let all = files();
    assert!(all.len() >= 6, "{} files", all.len());
    let faults: Vec<String> =
        all.par_iter().flat_map(|(name, bytes, reference)| faults(name, bytes, reference)).collect();
    assert!(faults.is_empty(), "{faults:#?}");
}

/// As what is measured against: closed, every face with its exact surface, nothing missing.
#[test]
fn published_files_are_nominals_that_know_their_surfaces() {
    let mut checked = 0;
    for (name, bytes, reference) in files() {
        if reference["mesh_open_edges"].as_u64() != Some(0) || NO_VOLUME.contains(&name.as_str()) {
            continue;
        }
        let nominal = nominal::read(&bytes, &NominalFile::default(), &quiet()).unwrap();
        assert!(nominal.closed(), "{name}");
        assert!(nominal.missing().is_empty(), "{name}: {:?}", nominal.missing());
        assert!(nominal.faces().iter().all(|f| f.exact.is_some() && f.key.is_some()), "{name}");
        checked += 1;
    }
    assert!(checked >= 6, "{checked} files");
}
