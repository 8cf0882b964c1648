//! By what a feature is associated with its points, and what proves the answer.

use crate::geometry::Direction;
use serde::{Deserialize, Serialize};

/// What an association makes least or largest. The letters are the modifiers of ISO 1101:2017 (association of
/// toleranced features), ISO 5459:2024 (datums) and ISO 14405-1:2016 (size); from memory.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Criterion {
    /// Least sum of squared distances: Gauss, G; of a size GG.
    LeastSquares,
    /// Least largest distance, so the narrowest zone that holds all points: minimax or Chebyshev, C; of a size
    /// GC. For a line the zone is a cylinder.
    MinimumZone,
    /// The largest that no point lies inside of: X; of a size GX.
    MaximumInscribed,
    /// The smallest that no point lies outside of: N; of a size GN.
    MinimumCircumscribed,
    /// Least sum of squared distances among all that no point lies on the wrong side of: constrained Gauss,
    /// outside the material, GE.
    LeastSquaresOutside(Material),
}

/// Where the material is, as seen from the feature that is to lie outside of it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Material {
    /// Around the feature: a hole.
    Around,
    /// Within the feature: a shaft, a ball.
    Within,
    /// Behind a plane that faces this way.
    Behind(Direction),
}

impl Criterion {
    /// Its name as in a serialised result.
    pub fn name(self) -> &'static str {
        match self {
            Self::LeastSquares => "least_squares",
            Self::MinimumZone => "minimum_zone",
            Self::MaximumInscribed => "maximum_inscribed",
            Self::MinimumCircumscribed => "minimum_circumscribed",
            Self::LeastSquaresOutside(_) => "least_squares_outside",
        }
    }
}

impl std::fmt::Display for Criterion {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Self::LeastSquares => "least squares",
            Self::MinimumZone => "minimum zone",
            Self::MaximumInscribed => "maximum inscribed",
            Self::MinimumCircumscribed => "minimum circumscribed",
            Self::LeastSquaresOutside(_) => "least squares outside the material",
        })
    }
}

/// A point that the associated feature, or a border of its zone, rests on.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Contact {
    /// Index of the point, from 0.
    pub index: u64,
    /// Its signed distance from the associated feature, mm.
    pub residual_mm: f64,
    /// How strongly it holds, always positive. Minimum zone: the weights of either side add up to 1; inscribed
    /// and circumscribed: all do. Outside the material: by how many mm2 the sum of squares falls for each mm that
    /// the point gives way.
    pub weight: f64,
}

/// Why no better feature is near, and how far that reaches.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Proof {
    /// What a small move that shifts the surface by 1 mm could still gain, mm: 0 but for rounding where the
    /// weighted gradients of the contacts cancel.
    pub gain: f64,
    /// Whether the contacts alone, or their curvature, hold every freedom: a strict local optimum.
    pub held: bool,
    /// From how many starts it was searched.
    pub starts: u64,
    /// How many of them ended here.
    pub arrived: u64,
    /// How far the claim goes.
    pub reach: Reach,
}

/// How far it is proven that there is nothing better.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Reach {
    /// Everywhere: the problem is convex, or all candidates are excluded.
    Everywhere,
    /// Near the answer, which is the best that was found from all starts.
    BestOfStarts,
}
