//! The length unit of a file.

use std::fmt;

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

impl fmt::Display for LengthUnit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            LengthUnit::Micrometre => "micrometres",
            LengthUnit::Millimetre => "millimetres",
            LengthUnit::Centimetre => "centimetres",
            LengthUnit::Metre => "metres",
            LengthUnit::Inch => "inches",
        })
    }
}
