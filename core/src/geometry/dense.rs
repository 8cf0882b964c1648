//! Cholesky's factor of a matrix whose size is known only when the program runs, in a fixed order of operations (decision 4).
//!
//! Golub and Van Loan, Matrix Computations, 4th ed., 4.2.

/// Lower triangular factor of a symmetric positive semidefinite matrix, by rows: its product with its own transpose is the
/// matrix. A pivot of less than 1e-13 of its diagonal entry is rounding: its column is zero. `None` where a pivot is further
/// below zero than that, or no number.
pub fn lower_factor(a: &[Vec<f64>]) -> Option<Vec<Vec<f64>>> {
    let n = a.len();
    let mut lower = vec![vec![0.0; n]; n];
    for i in 0..n {
        for j in 0..=i {
            let mut s = a[i][j];
            for k in 0..j {
                s -= lower[i][k] * lower[j][k];
            }
            let least = 1e-13 * a[j][j].abs();
            if i == j {
                if !(s.is_finite() && s >= -10.0 * least) {
                    return None;
                }
                lower[i][i] = if s > least { s.sqrt() } else { 0.0 };
            } else if lower[j][j] > 0.0 {
                lower[i][j] = s / lower[j][j];
            }
        }
    }
    Some(lower)
}

/// The inverse of a symmetric positive definite matrix; `None` where it is not to working accuracy.
pub fn inverse(a: &[Vec<f64>]) -> Option<Vec<Vec<f64>>> {
    let lower = lower_factor(a)?;
    let n = a.len();
    if (0..n).any(|i| !(lower[i][i] > 0.0)) {
        return None;
    }
    let mut found = vec![vec![0.0; n]; n];
    for column in 0..n {
        let mut x = vec![0.0; n];
        x[column] = 1.0;
        for i in 0..n {
            for k in 0..i {
                x[i] -= lower[i][k] * x[k];
            }
            x[i] /= lower[i][i];
        }
        for i in (0..n).rev() {
            for k in i + 1..n {
                x[i] -= lower[k][i] * x[k];
            }
            x[i] /= lower[i][i];
        }
        for row in column..n {
            found[row][column] = x[row];
            found[column][row] = x[row];
        }
    }
    Some(found)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_factor_gives_its_matrix_and_an_inverse_undoes_it() {
        let a = vec![vec![4.0, 1.0, 0.5], vec![1.0, 3.0, 0.2], vec![0.5, 0.2, 2.0]];
        let (lower, inverse) = (lower_factor(&a).unwrap(), inverse(&a).unwrap());
        for i in 0..3 {
            for j in 0..3 {
                let back: f64 = (0..3).map(|k| lower[i][k] * lower[j][k]).sum();
                let one: f64 = (0..3).map(|k| a[i][k] * inverse[k][j]).sum();
                assert!((back - a[i][j]).abs() < 1e-14, "{i} {j}");
                assert!((one - f64::from(u8::from(i == j))).abs() < 1e-14, "{i} {j}");
            }
        }
        let flat = vec![vec![1.0, 1.0], vec![1.0, 1.0]];
        assert_eq!(lower_factor(&flat).unwrap()[1], [1.0, 0.0]);
        assert!(super::inverse(&flat).is_none());
        assert!(lower_factor(&[vec![-1.0]]).is_none() && lower_factor(&[vec![f64::NAN]]).is_none());
    }
}
