//! The normal equations of one step.

use super::{AlignError, MIN_PAIRS};
use crate::geometry::{Cholesky, symmetric_eigen};

/// Sums over pairs.
#[derive(Clone)]
pub(super) struct Sums {
    /// Of weight times row times row: the lower triangle.
    jtj: [[f64; 6]; 6],
    jtr: [f64; 6],
    square: f64,
    weight: f64,
    pub(super) pairs: usize,
}

impl Sums {
    pub(super) fn zero() -> Self {
        Self { jtj: [[0.0; 6]; 6], jtr: [0.0; 6], square: 0.0, weight: 0.0, pairs: 0 }
    }

    /// Adds a pair.
    #[inline]
    pub(super) fn pair(&mut self, row: &[f64; 6], d: f64, weight: f64) {
        for i in 0..6 {
            let wi = weight * row[i];
            for j in 0..=i {
                self.jtj[i][j] += wi * row[j];
            }
            self.jtr[i] -= wi * d;
        }
        self.square += weight * d * d;
        self.weight += weight;
        self.pairs = self.pairs.wrapping_add(1);
    }

    /// Takes a pair out again that was added with the same numbers.
    pub(super) fn unpair(&mut self, row: &[f64; 6], d: f64, weight: f64) {
        self.pair(row, d, -weight);
        self.pairs = self.pairs.wrapping_sub(2);
    }

    pub(super) fn add(mut self, other: &Self) -> Self {
        for i in 0..6 {
            for j in 0..=i {
                self.jtj[i][j] += other.jtj[i][j];
            }
            self.jtr[i] += other.jtr[i];
        }
        self.square += other.square;
        self.weight += other.weight;
        // What is taken out counts below zero.
        self.pairs = self.pairs.wrapping_add(other.pairs);
        self
    }

    pub(super) fn matrix(&self) -> [[f64; 6]; 6] {
        std::array::from_fn(|i| std::array::from_fn(|j| self.jtj[i.max(j)][i.min(j)]))
    }

    pub(super) fn rms(&self) -> f64 {
        (self.square / self.weight).sqrt()
    }

    /// The step that makes the sum of squares least.
    pub(super) fn step(&self, reach_mm: f64) -> Result<[f64; 6], AlignError> {
        if self.pairs < MIN_PAIRS {
            return Err(AlignError::TooFewPairs { pairs: self.pairs, need: MIN_PAIRS, reach_mm });
        }
        let matrix = self.matrix();
        let (values, _) = symmetric_eigen(&matrix);
        // A direction that holds a millionth of the best held one is held by noise in the normals.
        let freedoms = values.iter().filter(|&&v| !(v > 1e-6 * values[5])).count();
        if freedoms > 0 {
            return Err(AlignError::Undetermined { freedoms });
        }
        let factorised = Cholesky::new(&matrix).ok_or(AlignError::Undetermined { freedoms: 1 })?;
        Ok(factorised.solve(&self.jtr))
    }
}
