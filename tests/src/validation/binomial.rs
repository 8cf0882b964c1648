//! Exact limits of counts: how many of `n` intervals may hold the truth when each does with a given probability.

use scantling_core::geometry::math;

/// Logarithms of factorials up to `n`.
fn log_factorials(n: u64) -> Vec<f64> {
    let mut all = vec![0.0; n as usize + 1];
    for k in 1..=n as usize {
        all[k] = all[k - 1] + math::ln(k as f64);
    }
    all
}

/// The probability of exactly `k` of `n`.
fn exactly(log: &[f64], n: u64, k: u64, p: f64) -> f64 {
    if p <= 0.0 || p >= 1.0 {
        return f64::from(u8::from(k == if p <= 0.0 { 0 } else { n }));
    }
    let choose = log[n as usize] - log[k as usize] - log[(n - k) as usize];
    math::exp(choose + k as f64 * math::ln(p) + (n - k) as f64 * math::ln(1.0 - p))
}

/// The probability of `k` or fewer of `n`.
pub(super) fn at_most(n: u64, k: u64, p: f64) -> f64 {
    let log = log_factorials(n);
    (0..=k.min(n)).map(|i| exactly(&log, n, i, p)).sum::<f64>().min(1.0)
}

/// The probability of `k` or more of `n`.
pub(super) fn at_least(n: u64, k: u64, p: f64) -> f64 {
    let log = log_factorials(n);
    (k..=n).map(|i| exactly(&log, n, i, p)).sum::<f64>().min(1.0)
}

/// The share that `k` of `n` show, with 95 % confidence: Clopper and Pearson, Biometrika 26, 1934 (from memory), by halving.
pub(super) fn limits(n: u64, k: u64) -> [f64; 2] {
    let halve = |rises: &dyn Fn(f64) -> bool| {
        let (mut low, mut high) = (0.0, 1.0);
        for _ in 0..40 {
            let middle = 0.5 * (low + high);
            if rises(middle) { high = middle } else { low = middle }
        }
        0.5 * (low + high)
    };
    let lower = if k == 0 { 0.0 } else { halve(&|p| at_least(n, k, p) > 0.025) };
    let upper = if k >= n { 1.0 } else { halve(&|p| at_most(n, k, p) < 0.025) };
    [lower, upper]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ten_tosses_of_a_coin_are_counted_by_hand() {
        // 1 + 10 + 45 of 1024.
        assert!((at_most(10, 2, 0.5) - 56.0 / 1024.0).abs() < 1e-12);
        assert!((at_least(10, 8, 0.5) - 56.0 / 1024.0).abs() < 1e-12);
        assert!((at_least(10, 0, 0.3) - 1.0).abs() < 1e-12 && (at_most(10, 10, 0.3) - 1.0).abs() < 1e-12);
        assert_eq!((at_most(5, 4, 1.0), at_least(5, 5, 1.0), at_most(5, 0, 0.0)), (0.0, 1.0, 1.0));
    }

    /// None of n: the upper limit is 1 - 0.025^(1/n); all of n: the lower one 0.025^(1/n) (closed form).
    #[test]
    fn the_ends_of_a_share_are_those_of_the_closed_form() {
        for n in [5u64, 60, 1000] {
            let root = math::exp(math::ln(0.025) / n as f64);
            let ([a, b], [c, d]) = (limits(n, 0), limits(n, n));
            assert!(a == 0.0 && (b - (1.0 - root)).abs() < 1e-9, "{n}: {b}");
            assert!((c - root).abs() < 1e-9 && d == 1.0, "{n}: {c}");
        }
    }
}
