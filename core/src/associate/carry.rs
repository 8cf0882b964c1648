//! Covariances from the parameters of a model to those that are told.

use crate::geometry::Vector;

/// `T C T'` in a fixed order.
pub(super) fn carried<const N: usize>(t: &[[f64; N]; N], c: &[[f64; N]; N]) -> [[f64; N]; N] {
    let mut out = [[0.0; N]; N];
    for i in 0..N {
        for j in 0..=i {
            let mut total = 0.0;
            for k in 0..N {
                for l in 0..N {
                    total += t[i][k] * c[k][l] * t[j][l];
                }
            }
            out[i][j] = total;
            out[j][i] = total;
        }
    }
    out
}

/// Writes into `t` what takes two parameters along `u` and `v`, from place `at` on, to those along `a` and `b`.
pub(super) fn turned<const N: usize>(
    t: &mut [[f64; N]; N],
    at: usize,
    [u, v]: [Vector; 2],
    [a, b]: [Vector; 2],
) {
    t[at][at] = u.dot(&a);
    t[at][at + 1] = v.dot(&a);
    t[at + 1][at] = u.dot(&b);
    t[at + 1][at + 1] = v.dot(&b);
}

/// A covariance at size one, at the size `scale`: lengths by lengths keep their value, each of the `angles` is per
/// length.
pub(super) fn sized<const N: usize>(
    mut covariance: [[f64; N]; N],
    scale: f64,
    angles: &[usize],
) -> [[f64; N]; N] {
    let per = |i: usize| if angles.contains(&i) { scale } else { 1.0 };
    for (i, row) in covariance.iter_mut().enumerate() {
        for (j, v) in row.iter_mut().enumerate() {
            *v /= per(i) * per(j);
        }
    }
    covariance
}
