//! Small dense algebra in a fixed order of operations: no dynamic matrix products (decision 4).

use super::{Matrix3, Vector};

/// Eigenvalues (ascending) and unit eigenvectors of a symmetric 3 x 3 matrix; see [`symmetric_eigen`].
pub fn symmetric_eigen3(m: &Matrix3) -> ([f64; 3], [Vector; 3]) {
    let rows = std::array::from_fn(|i| std::array::from_fn(|j| m[(i, j)]));
    let (values, vectors) = symmetric_eigen(&rows);
    (values, vectors.map(Vector::from))
}

/// Eigenvalues (ascending) and unit eigenvectors of a symmetric N x N matrix, by cyclic Jacobi
/// rotations: slow and exact to rounding. Golub and Van Loan, Matrix Computations, 4th ed., 8.5.
pub fn symmetric_eigen<const N: usize>(m: &[[f64; N]; N]) -> ([f64; N], [[f64; N]; N]) {
    let mut a = *m;
    let mut v: [[f64; N]; N] =
        std::array::from_fn(|i| std::array::from_fn(|j| if i == j { 1.0 } else { 0.0 }));
    for _ in 0..60 {
        let mut off = 0.0;
        for i in 0..N {
            for j in i + 1..N {
                off += a[i][j] * a[i][j];
            }
        }
        if off == 0.0 || off.is_nan() {
            break;
        }
        for p in 0..N {
            for q in p + 1..N {
                let apq = a[p][q];
                if apq == 0.0 {
                    continue;
                }
                let theta = (a[q][q] - a[p][p]) / (2.0 * apq);
                let t = theta.signum() / (theta.abs() + (theta * theta + 1.0).sqrt());
                let c = 1.0 / (t * t + 1.0).sqrt();
                let s = t * c;
                for row in &mut a {
                    let (x, y) = (row[p], row[q]);
                    row[p] = c * x - s * y;
                    row[q] = s * x + c * y;
                }
                for k in 0..N {
                    let (x, y) = (a[p][k], a[q][k]);
                    a[p][k] = c * x - s * y;
                    a[q][k] = s * x + c * y;
                }
                a[p][q] = 0.0;
                a[q][p] = 0.0;
                for row in &mut v {
                    let (x, y) = (row[p], row[q]);
                    row[p] = c * x - s * y;
                    row[q] = s * x + c * y;
                }
            }
        }
    }
    let mut order: [usize; N] = std::array::from_fn(|i| i);
    order.sort_by(|&i, &j| a[i][i].total_cmp(&a[j][j]));
    (order.map(|i| a[i][i]), order.map(|i| std::array::from_fn(|k| v[k][i])))
}

/// [`symmetric_eigen3`] of several matrices at once, to the same bits: the steps of one wait for each other,
/// those of several do not.
pub(crate) fn symmetric_eigen3_each<const L: usize>(m: &[Matrix3; L]) -> [([f64; 3], [Vector; 3]); L] {
    // Each element of all matrices side by side.
    let mut a: [[[f64; L]; 3]; 3] =
        std::array::from_fn(|i| std::array::from_fn(|j| std::array::from_fn(|l| m[l][(i, j)])));
    let mut v: [[[f64; L]; 3]; 3] =
        std::array::from_fn(|i| std::array::from_fn(|j| [if i == j { 1.0 } else { 0.0 }; L]));
    const ROTATIONS: [(usize, usize); 3] = [(0, 1), (0, 2), (1, 2)];
    // All bits where a matrix is diagonal already, or no number: it stays as it is.
    let mut done = [0u64; L];
    let mark = |condition: bool| if condition { u64::MAX } else { 0 };
    let select =
        |mask: u64, kept: f64, new: f64| f64::from_bits((kept.to_bits() & mask) | (new.to_bits() & !mask));
    for _ in 0..60 {
        for l in 0..L {
            let off = ROTATIONS.iter().fold(0.0, |off, &(p, q)| off + a[p][q][l] * a[p][q][l]);
            done[l] |= mark(off == 0.0) | mark(off.is_nan());
        }
        if done == [u64::MAX; L] {
            break;
        }
        for (p, q) in ROTATIONS {
            let (mut c, mut s, mut still) = ([0.0; L], [0.0; L], done);
            for l in 0..L {
                let apq = a[p][q][l];
                let theta = (a[q][q][l] - a[p][p][l]) / (2.0 * apq);
                let t = 1f64.copysign(theta) / (theta.abs() + (theta * theta + 1.0).sqrt());
                c[l] = 1.0 / (t * t + 1.0).sqrt();
                s[l] = t * c[l];
                still[l] |= mark(apq == 0.0);
            }
            let turned = |x: [f64; L], y: [f64; L]| {
                let (mut new_x, mut new_y) = (x, y);
                for l in 0..L {
                    new_x[l] = select(still[l], x[l], c[l] * x[l] - s[l] * y[l]);
                    new_y[l] = select(still[l], y[l], s[l] * x[l] + c[l] * y[l]);
                }
                (new_x, new_y)
            };
            for k in 0..3 {
                (a[k][p], a[k][q]) = turned(a[k][p], a[k][q]);
            }
            for k in 0..3 {
                (a[p][k], a[q][k]) = turned(a[p][k], a[q][k]);
            }
            for l in 0..L {
                a[p][q][l] = select(still[l], a[p][q][l], 0.0);
                a[q][p][l] = select(still[l], a[q][p][l], 0.0);
            }
            for k in 0..3 {
                (v[k][p], v[k][q]) = turned(v[k][p], v[k][q]);
            }
        }
    }
    std::array::from_fn(|l| {
        let mut order = [0, 1, 2];
        order.sort_by(|&i: &usize, &j| a[i][i][l].total_cmp(&a[j][j][l]));
        let vector = |i: usize| Vector::new(v[0][i][l], v[1][i][l], v[2][i][l]);
        (order.map(|i| a[i][i][l]), order.map(vector))
    })
}

/// Cholesky factor of a symmetric positive definite N x N matrix (N at most about ten).
#[derive(Clone, Debug)]
pub struct Cholesky<const N: usize> {
    lower: [[f64; N]; N],
}

impl<const N: usize> Cholesky<N> {
    /// `None` when the matrix is not positive definite to working accuracy: a pivot of less than 1e-13
    /// of its diagonal entry is rounding, not information.
    pub fn new(a: &[[f64; N]; N]) -> Option<Self> {
        let mut lower = [[0.0; N]; N];
        for i in 0..N {
            for j in 0..=i {
                let mut s = a[i][j];
                for k in 0..j {
                    s -= lower[i][k] * lower[j][k];
                }
                if i == j {
                    if !(s.is_finite() && s > 1e-13 * a[i][i] && s > 0.0) {
                        return None;
                    }
                    lower[i][i] = s.sqrt();
                } else {
                    lower[i][j] = s / lower[j][j];
                }
            }
        }
        Some(Self { lower })
    }

    /// The lower triangular factor: its product with its own transpose is the matrix.
    pub fn lower(&self) -> &[[f64; N]; N] {
        &self.lower
    }

    /// Solves `A x = b`.
    pub fn solve(&self, b: &[f64; N]) -> [f64; N] {
        let l = &self.lower;
        let mut x = *b;
        for i in 0..N {
            for k in 0..i {
                x[i] -= l[i][k] * x[k];
            }
            x[i] /= l[i][i];
        }
        for i in (0..N).rev() {
            for k in i + 1..N {
                x[i] -= l[k][i] * x[k];
            }
            x[i] /= l[i][i];
        }
        x
    }

    /// The inverse of `A`, symmetric to the bit.
    pub fn inverse(&self) -> [[f64; N]; N] {
        let mut inv = [[0.0; N]; N];
        for j in 0..N {
            let mut e = [0.0; N];
            e[j] = 1.0;
            let x = self.solve(&e);
            for i in j..N {
                inv[i][j] = x[i];
                inv[j][i] = x[i];
            }
        }
        inv
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::random::Random;

    #[test]
    fn eigenvectors_are_orthonormal_and_give_the_matrix_back() {
        let mut random = Random::seeded(11);
        for _ in 0..50 {
            let mut m = [[0.0; 6]; 6];
            for i in 0..6 {
                for j in 0..=i {
                    m[i][j] = random.normal();
                    m[j][i] = m[i][j];
                }
            }
            let (values, vectors) = symmetric_eigen(&m);
            assert!(values.windows(2).all(|w| w[0] <= w[1]));
            for i in 0..6 {
                for j in 0..6 {
                    let back: f64 = (0..6).map(|k| values[k] * vectors[k][i] * vectors[k][j]).sum();
                    assert!((back - m[i][j]).abs() < 1e-13);
                }
            }
        }
    }

    #[test]
    fn several_at_once_have_the_bits_of_one() {
        let mut random = Random::seeded(12);
        for round in 0..500 {
            let m: [Matrix3; 8] = std::array::from_fn(|l| {
                // Far from and near to diagonal, flat, zero, and no numbers.
                let scale = [1.0, 1e-9, 1e-160, 0.0, 1e6, f64::NAN, 1.0, 1.0][(l + round) % 8];
                let flat = f64::from((l % 3) as u32);
                let mut m = Matrix3::zeros();
                for i in 0..3 {
                    for j in 0..=i {
                        let value = random.normal();
                        m[(i, j)] = if i == j { value } else { scale * value };
                        m[(j, i)] = m[(i, j)];
                    }
                }
                m.row_mut(2).scale_mut(flat);
                m.column_mut(2).scale_mut(flat);
                m
            });
            let bits = |(values, vectors): &([f64; 3], [Vector; 3])| {
                (values.map(f64::to_bits), vectors.map(|v| [v.x, v.y, v.z].map(f64::to_bits)))
            };
            let each = symmetric_eigen3_each(&m);
            assert!((0..8).all(|l| bits(&each[l]) == bits(&symmetric_eigen3(&m[l]))), "{m:?}");
        }
    }

    #[test]
    fn cholesky_solves_and_refuses_what_is_singular() {
        let a = [[4.0, 1.0, 0.5], [1.0, 3.0, 0.2], [0.5, 0.2, 2.0]];
        let x = Cholesky::new(&a).unwrap().solve(&[1.0, 2.0, 3.0]);
        for i in 0..3 {
            let b: f64 = (0..3).map(|j| a[i][j] * x[j]).sum();
            assert!((b - (i as f64 + 1.0)).abs() < 1e-14);
        }
        assert!(Cholesky::new(&[[1.0, 1.0], [1.0, 1.0]]).is_none());
        assert!(Cholesky::new(&[[f64::NAN, 0.0], [0.0, 1.0]]).is_none());
    }
}
