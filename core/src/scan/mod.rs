//! A scan in millimetres, with normals where they are known.

use crate::geometry::{Direction, Point};

/// The length unit of a file, as its sender states it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum LengthUnit {
    /// 0.001 mm
    Micrometre,
    /// 1 mm
    Millimetre,
    /// 10 mm
    Centimetre,
    /// 1,000 mm
    Metre,
    /// 25.4 mm
    Inch,
}

impl LengthUnit {
    /// Millimetres in one unit.
    pub fn mm(self) -> f64 {
        match self {
            LengthUnit::Micrometre => 0.001,
            LengthUnit::Millimetre => 1.0,
            LengthUnit::Centimetre => 10.0,
            LengthUnit::Metre => 1000.0,
            LengthUnit::Inch => 25.4,
        }
    }
}

/// Points of one acquisition in mm, in the scanner's axes.
#[derive(Clone, Debug, PartialEq)]
pub struct Scan {
    points: Vec<Point>,
    normals: Option<Vec<Direction>>,
    spacing_mm: f64,
    dropped: usize,
}

impl Scan {
    /// All points, mm.
    pub fn points(&self) -> &[Point] {
        &self.points
    }
    /// One unit normal a point, pointing out of the material; `None` when the file had neither normals
    /// nor triangles.
    pub fn normals(&self) -> Option<&[Direction]> {
        self.normals.as_deref()
    }
    /// Median distance from a point to its nearest neighbour, mm.
    pub fn spacing_mm(&self) -> f64 {
        self.spacing_mm
    }
    /// Points of the file left out: repeated, or without a usable normal where others have one.
    pub fn dropped(&self) -> usize {
        self.dropped
    }
}
