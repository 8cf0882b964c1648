//! What is left out along an arris: what scanners round there.

/// Left out along the arris at first, and beside corners of the line: what scanners round, and where points of the next face
/// mix in. 1 mm (common practice, no source), and never less than a spacing and a half.
pub(super) fn strip_mm(spacing_mm: f64) -> f64 {
    1f64.max(1.5 * spacing_mm)
}

/// Left out at both ends of a wall at first, mm: a tenth of its depth, at least 0.6 mm (twice what scanners usually
/// round) and five times the noise, at most a quarter.
pub(super) fn wall_strip_mm(depth_mm: f64, noise_mm: f64) -> f64 {
    (0.1 * depth_mm).max(0.6).max(5.0 * noise_mm).min(0.25 * depth_mm)
}

/// Bins in which a strip is looked at for a rounding.
const BINS: usize = 8;

/// How much of a strip is rounded: as far from the arris as the points of a bin, on the mean over the whole edge, lie off the
/// lines of their sections by more than their noise explains (four standard deviations and an eighth of the noise).
/// What shows no rounding is not left out.
pub(super) fn rounded_mm(points: &[(f64, f64)], noise_mm: f64, most_mm: f64) -> f64 {
    let width = most_mm / BINS as f64;
    let mut bins = [(0.0, 0.0); BINS];
    for &(distance, off) in points {
        if distance >= 0.0 && distance < most_mm {
            let bin = &mut bins[((distance / width) as usize).min(BINS - 1)];
            *bin = (bin.0 + 1.0, bin.1 + off);
        }
    }
    let off = |&(n, sum): &(f64, f64)| n > 0.0 && (sum / n).abs() > noise_mm * (0.125 + 4.0 / f64::sqrt(n));
    bins.iter().rposition(off).map_or(0.0, |k| (k + 1) as f64 * width)
}
