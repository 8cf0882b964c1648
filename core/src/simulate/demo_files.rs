//! The demo as files: what a scanner and a CAD department would hand over.

use super::demo::{Demo, DemoPart, demo_parts};
use super::scanner::{Scanner, ScannerError};
use super::window_surround::{Region, WindowSurround};
use super::write::{write_ply, write_stl};

/// Noise of the demo's scanner, mm: a good laser line scanner on a matt surface (common practice, no source).
pub const DEMO_NOISE_MM: f64 = 0.02;

/// Point spacing of the demo's scans, mm.
pub const DEMO_SPACING_MM: f64 = 0.5;

impl Demo {
    /// As [`demo_parts`].
    pub fn new(seed: u64, size_scale: f64) -> Self {
        demo_parts(seed, size_scale)
    }

    /// The nominal as a binary STL file in mm.
    pub fn nominal_stl(&self) -> Vec<u8> {
        write_stl(&self.nominal)
    }

    /// The inspection plan.
    pub fn plan_toml(&self) -> String {
        self.surround.plan_toml()
    }

    /// A scan of the good part from the front, as a binary PLY file in mm with normals.
    ///
    /// # Errors
    /// A spacing at which there is no scan.
    pub fn good_scan_ply(&self, spacing_mm: f64) -> Result<Vec<u8>, ScannerError> {
        scan_ply(&self.good, spacing_mm)
    }

    /// The same of the bad part.
    ///
    /// # Errors
    /// A spacing at which there is no scan.
    pub fn bad_scan_ply(&self, spacing_mm: f64) -> Result<Vec<u8>, ScannerError> {
        scan_ply(&self.bad, spacing_mm)
    }

    /// Numbers of the plan's characteristics that the bad part was made to fail, in the plan's order.
    pub fn touched_numbers(&self) -> Vec<String> {
        touched_numbers(&self.surround, &self.bad, Some(self.bad_hole))
    }
}

/// Numbers of the plan's characteristics that a part was made to fail, in the plan's order.
pub(super) fn touched_numbers(
    surround: &WindowSurround,
    part: &DemoPart,
    bad_hole: Option<&str>,
) -> Vec<String> {
    let mut numbers = Vec::new();
    // The plan counts: flatness, three regions, the size of every hole, the place of all but two.
    match part.dent.as_ref().map(|d| d.region) {
        Some(Region::Wall) => numbers.push("2".to_owned()),
        Some(Region::Crown) => numbers.push("3".to_owned()),
        Some(Region::Reveal) => numbers.push("4".to_owned()),
        None => {}
    }
    let holes = surround.holes();
    if let Some(i) = holes.iter().position(|h| Some(h.id) == bad_hole) {
        numbers.push((4 + holes.len() + i - 1).to_string());
    }
    numbers
}

fn scan_ply(part: &DemoPart, spacing_mm: f64) -> Result<Vec<u8>, ScannerError> {
    let scan = Scanner::front(spacing_mm, DEMO_NOISE_MM, part.scanner_seed)
        .scan(&part.made, &part.scan_from_part)?;
    Ok(write_ply(&scan.points, &scan.normals))
}
