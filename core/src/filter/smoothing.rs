//! How far an export has averaged points with their neighbours, from how much of the noise it has left.

/// Of a weighted mean of neighbours on a plane, the mean square distance over which it averages, times the share of the variance of
/// white noise that it leaves, over the area of a point. It hardly depends on the weights `w`, of integral 1: the integral of `w^2`
/// times that of `w d^2` is 1 / (2 pi) = 0.159 for equal weights within a circle and for Gaussian ones, 9 / (20 pi) = 0.143 for
/// (1 - d^2 / l^2)^2.
const OF_ANY_WEIGHTS: f64 = 0.159;

/// The mean square distance, mm2, over which points were averaged that show the noise `shown_mm` where the instrument has
/// `noise_mm`; `point_area_mm2` is the area on the surface that has one of them. `None` where they show no less noise, or none
/// at all, which tells nothing.
pub fn averaged_over_mm2(shown_mm: f64, noise_mm: f64, point_area_mm2: f64) -> Option<f64> {
    let share = (shown_mm / noise_mm) * (shown_mm / noise_mm);
    let told = share.is_finite() && share > 0.0 && share < 1.0 && point_area_mm2.is_finite();
    (told && point_area_mm2 > 0.0).then(|| OF_ANY_WEIGHTS * point_area_mm2 / share)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// On a lattice of 0.5 mm, with weights (1 - d^2 / l^2)^2 and others, what is found from the noise left is the mean square
    /// distance of the weights (sums over the lattice).
    #[test]
    fn what_is_left_of_noise_tells_how_far_was_averaged() {
        type Weight = fn(f64) -> f64;
        let spacing = 0.5;
        let weights: [(f64, Weight); 2] = [
            (2.0, |d2| (1.0 - d2).max(0.0) * (1.0 - d2).max(0.0)),
            (2.0, |d2| f64::from(u8::from(d2 < 1.0))),
        ];
        for (length, weight) in weights {
            let (mut sum, mut squares, mut far) = (0.0, 0.0, 0.0);
            for (i, j) in (-8..=8).flat_map(|i| (-8..=8).map(move |j| (i, j))) {
                let d2 = f64::from(i * i + j * j) * spacing * spacing;
                let w = weight(d2 / (length * length));
                (sum, squares, far) = (sum + w, squares + w * w, far + w * d2);
            }
            let shown = 0.02 * squares.sqrt() / sum;
            let found = averaged_over_mm2(shown, 0.02, spacing * spacing).unwrap();
            assert!((found / (far / sum) - 1.0).abs() < 0.15, "{found} of {}", far / sum);
        }
        for (shown, noise, area) in
            [(0.02, 0.02, 0.25), (0.0, 0.02, 0.25), (0.01, 0.02, 0.0), (0.01, 0.0, 1.0)]
        {
            assert_eq!(averaged_over_mm2(shown, noise, area), None, "{shown} {noise} {area}");
        }
    }
}
