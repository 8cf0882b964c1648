//! What the fuzz targets try: whatever the bytes are, reading ends in a scan that keeps its promises or in
//! an error, within the limits.

use std::sync::atomic::AtomicBool;

use scantling_core::nominal::{Nominal, Side};
use scantling_core::plan::PlanFile;
use scantling_core::read::step::{self, StepSettings};
use scantling_core::read::{self, Format, LengthUnit, TextLayout};
use scantling_core::run::{Limits, Run};
use scantling_core::scan::info;
use scantling_core::simulate::SimulationFile;
use scantling_core::{points, readings};

static NEVER: AtomicBool = AtomicBool::new(false);

const LIMITS: Limits = Limits { file_bytes: 1 << 20, points: 20_000, triangles: 20_000 };

fn run() -> Run<'static> {
    Run { stop: &NEVER, progress: &|_, _| {}, limits: LIMITS }
}

fn try_all(bytes: &[u8]) {
    let (run, limits) = (run(), LIMITS);
    let _ = read::header(bytes);
    let taken = read::take(bytes, &TextLayout::default(), &run);
    let whole = read::read(bytes, &run);
    assert_eq!(taken.map(|t| t.points()), whole.map(|w| w.points.len()));
    if let Ok(told) = info(bytes, &TextLayout::default(), None, &run) {
        assert!(told.points > 0 && told.points <= limits.points && told.triangles <= limits.triangles);
        assert!(told.box_low.iter().chain(&told.box_high).all(|c| c.is_finite()));
    }
}

/// Bytes of one format; others are left to its target.
pub fn read(bytes: &[u8], format: Format) {
    if read::packing(bytes).is_none() && read::sniff(bytes) == Some(format) {
        try_all(bytes);
    }
}

/// Bytes packed by gzip or zip.
pub fn read_packed(bytes: &[u8]) {
    if read::packing(bytes).is_some() {
        try_all(bytes);
    }
}

/// E57, its pages' checksums made right, so that other faults are reached. The fuzzer's own changes would
/// hardly ever hit a right one.
pub fn read_resealed(bytes: &[u8]) {
    if read::sniff(bytes) != Some(Format::E57) || read::packing(bytes).is_some() {
        return;
    }
    let mut bytes = bytes.to_vec();
    bytes.resize(bytes.len().next_multiple_of(1024), 0);
    for page in bytes.chunks_exact_mut(1024) {
        let crc = page[..1020].iter().fold(u32::MAX, |crc, &b| {
            (0..8).fold(crc ^ u32::from(b), |c, _| if c & 1 == 1 { c >> 1 ^ 0x82F6_3B78 } else { c >> 1 })
        });
        page[1020..].copy_from_slice(&(!crc).to_be_bytes());
    }
    try_all(&bytes);
}

/// A STEP file and the nominal that it is, meshed coarsely, so that most of the time goes into what is read.
pub fn read_step(bytes: &[u8]) {
    let settings = StepSettings { chord_mm: 0.5, ..StepSettings::default() };
    let Ok(file) = step::read(&run(), bytes, &settings) else { return };
    assert!(!file.parts.is_empty());
    for part in &file.parts {
        let count = part.vertices.len() as u32;
        assert!(part.triangles.len() as u64 <= LIMITS.triangles);
        assert!(part.vertices.iter().all(|p| p.iter().all(|c| c.is_finite())));
        assert!(part.triangles.iter().flatten().all(|v| *v < count));
        for face in &part.faces {
            let (Ok(range), Some(surface)) = (&face.triangles, &face.surface) else { continue };
            let _ = surface.carrier();
            for t in part.triangles[range.clone()].iter().take(3) {
                let p = part.vertices[t[0] as usize];
                if let Some(foot) = surface.foot(&p, &p) {
                    assert!(foot.distance_mm.is_finite() && foot.point.iter().all(|c| c.is_finite()));
                }
            }
        }
        for line in &part.edge_lines {
            assert!(line.vertices.iter().all(|v| *v < count));
            for side in 0..line.sides.len() {
                let _ = line.into_face(&part.vertices, side, 0);
            }
        }
    }
    assert!(file.placed.iter().all(|p| p.part < file.parts.len()));
    if let Ok(nominal) = Nominal::from_step(&file, settings.chord_mm, Some(Side::BehindNormal), &run()) {
        assert!(!nominal.faces().is_empty());
        assert_eq!(nominal.face_of_triangle().len(), nominal.mesh().triangles().len());
    }
}

/// A table of measured points.
pub fn read_points(bytes: &[u8]) {
    if let Ok(all) = points::read(bytes, LengthUnit::Millimetre, None, &run()) {
        assert!(!all.is_empty() && all.len() as u64 <= LIMITS.points);
        assert!(all.iter().all(|p| p.point.iter().all(|c| c.is_finite())));
    }
}

/// A table of readings.
pub fn read_readings(bytes: &[u8]) {
    match readings::from_csv(bytes) {
        Ok(all) => assert!(!all.is_empty()),
        Err(faults) => assert!(!faults.is_empty()),
    }
}

/// A stated layout of columns, which reads back as it is written.
pub fn read_layout(text: &str) {
    if let Ok(layout) = TextLayout::parse(text) {
        assert_eq!(TextLayout::parse(&layout.to_string()), Ok(layout));
    }
}

/// A simulation as TOML.
pub fn check_simulation(text: &str) {
    if let Ok(file) = SimulationFile::from_toml(text) {
        let _ = file.check();
    }
}

/// An inspection plan as TOML.
pub fn check_plan(text: &str) {
    if let Ok(file) = PlanFile::from_toml(text) {
        let _ = file.check();
    }
}
