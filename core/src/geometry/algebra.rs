//! Small dense algebra in a fixed order of operations: no dynamic matrix products (decision 4).

use super::{Matrix3, Vector};

/// Eigenvalues (ascending) and unit eigenvectors of a symmetric 3 x 3 matrix, by cyclic Jacobi
/// rotations: slow and exact to rounding. Golub and Van Loan, Matrix Computations, 4th ed., 8.5.
pub fn symmetric_eigen3(m: &Matrix3) -> ([f64; 3], [Vector; 3]) {
    let mut a = *m;
    let mut v = Matrix3::identity();
    for _ in 0..60 {
        let off = a[(0, 1)] * a[(0, 1)] + a[(0, 2)] * a[(0, 2)] + a[(1, 2)] * a[(1, 2)];
        if off == 0.0 || off.is_nan() {
            break;
        }
        for (p, q) in [(0, 1), (0, 2), (1, 2)] {
            let apq = a[(p, q)];
            if apq == 0.0 {
                continue;
            }
            let theta = (a[(q, q)] - a[(p, p)]) / (2.0 * apq);
            let t = theta.signum() / (theta.abs() + (theta * theta + 1.0).sqrt());
            let c = 1.0 / (t * t + 1.0).sqrt();
            let s = t * c;
            for k in 0..3 {
                let (akp, akq) = (a[(k, p)], a[(k, q)]);
                a[(k, p)] = c * akp - s * akq;
                a[(k, q)] = s * akp + c * akq;
            }
            for k in 0..3 {
                let (apk, aqk) = (a[(p, k)], a[(q, k)]);
                a[(p, k)] = c * apk - s * aqk;
                a[(q, k)] = s * apk + c * aqk;
            }
            a[(p, q)] = 0.0;
            a[(q, p)] = 0.0;
            for k in 0..3 {
                let (vkp, vkq) = (v[(k, p)], v[(k, q)]);
                v[(k, p)] = c * vkp - s * vkq;
                v[(k, q)] = s * vkp + c * vkq;
            }
        }
    }
    let mut order = [0usize, 1, 2];
    order.sort_by(|&i, &j| a[(i, i)].total_cmp(&a[(j, j)]));
    (order.map(|i| a[(i, i)]), order.map(|i| v.column(i).into_owned()))
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
