//! Linear equations with a dozen unknowns.

/// Gaussian elimination with row pivoting on the leading n x n part; `None` when singular.
pub(super) fn solve<const K: usize>(n: usize, mut m: [[f64; K]; K], mut x: [f64; K]) -> Option<[f64; K]> {
    for k in 0..n {
        let pivot = (k..n).max_by(|&i, &j| m[i][k].abs().total_cmp(&m[j][k].abs()))?;
        if !(m[pivot][k].abs() > 1e-14) {
            return None;
        }
        m.swap(k, pivot);
        x.swap(k, pivot);
        for i in k + 1..n {
            let f = m[i][k] / m[k][k];
            if f != 0.0 {
                for j in k..n {
                    m[i][j] -= f * m[k][j];
                }
                x[i] -= f * x[k];
            }
        }
    }
    for k in (0..n).rev() {
        for j in k + 1..n {
            x[k] -= m[k][j] * x[j];
        }
        x[k] /= m[k][k];
    }
    x[..n].iter().all(|v| v.is_finite()).then_some(x)
}

/// As [`solve`] with pivots from the whole rest, rows first brought to size one; what depends on other equations is
/// left out, and the unknowns that stay open are zero.
pub(in super::super) fn solve_what_is_told<const K: usize>(
    n: usize,
    mut m: [[f64; K]; K],
    mut b: [f64; K],
) -> Option<[f64; K]> {
    for i in 0..n {
        let largest = m[i][..n].iter().fold(0.0f64, |s, v| s.max(v.abs()));
        if largest > 0.0 {
            for v in &mut m[i][..n] {
                *v /= largest;
            }
            b[i] /= largest;
        }
    }
    let mut order: [usize; K] = std::array::from_fn(|i| i);
    let mut rank = n;
    for k in 0..n {
        let (mut row, mut column, mut largest) = (k, k, 0.0);
        for i in k..n {
            for j in k..n {
                if m[i][j].abs() > largest {
                    (row, column, largest) = (i, j, m[i][j].abs());
                }
            }
        }
        if !(largest > 1e-11) {
            rank = k;
            break;
        }
        m.swap(k, row);
        b.swap(k, row);
        for line in m.iter_mut().take(n) {
            line.swap(k, column);
        }
        order.swap(k, column);
        for i in k + 1..n {
            let f = m[i][k] / m[k][k];
            if f != 0.0 {
                for j in k..n {
                    m[i][j] -= f * m[k][j];
                }
                b[i] -= f * b[k];
            }
        }
    }
    let mut y = [0.0; K];
    for k in (0..rank).rev() {
        let mut total = b[k];
        for j in k + 1..rank {
            total -= m[k][j] * y[j];
        }
        y[k] = total / m[k][k];
    }
    let mut x = [0.0; K];
    for k in 0..rank {
        x[order[k]] = y[k];
    }
    x[..n].iter().all(|v| v.is_finite()).then_some(x)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn equations_are_met_and_dependent_ones_left_out() {
        let m = [[2.0, 1.0, 0.0], [1.0, -1.0, 3.0], [0.0, 1.0, 1.0]];
        let x = solve(3, m, [4.0, 8.0, 5.0]).unwrap();
        assert!(x.iter().zip([1.0, 2.0, 3.0]).all(|(a, b)| (a - b).abs() < 1e-14), "{x:?}");
        let again = solve_what_is_told(3, m, [4.0, 8.0, 5.0]).unwrap();
        assert!(again.iter().zip(x).all(|(a, b)| (a - b).abs() < 1e-14), "{again:?}");
        let twice = [[1.0, 1.0, 0.0], [1.0, 1.0, 0.0], [0.0, 0.0, 1.0]];
        assert!(solve(3, twice, [2.0, 2.0, 3.0]).is_none());
        let [a, b, c] = solve_what_is_told(3, twice, [2.0, 2.0, 3.0]).unwrap();
        assert!((a + b - 2.0).abs() < 1e-14 && (c - 3.0).abs() < 1e-14);
    }
}
