//! What the points of a patch scatter about their plane: noise of each point by itself, and the rest, which neighbours share.
//!
//! The rest is form of the part, or errors of the scan that look like it and that nobody stated. It is looked for where it
//! shows: in the means of cells as wide as form is long, which white noise scatters little. By chance alone such means differ too, so
//! only what chance does not reach once in twenty times counts, and then all of it: a difference of two variances that is cut at
//! zero would otherwise make every patch look formed.

use std::collections::BTreeMap;

use crate::geometry::Point;

/// Form repeats within about this length, so places closer together are no new evidence, mm (common practice, no
/// source).
const FORM_LENGTH_MM: f64 = 2.5;

/// Fewer freedoms do not tell a variance: a third on the standard deviation.
const LEAST_FREEDOMS: f64 = 6.0;

/// Freedoms of a plane.
const OF_PLANE: f64 = 3.0;

/// Of the normal distribution, one in twenty beyond it.
const ONE_IN_TWENTY: f64 = 1.645;

/// Variances about a plane.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct PatchForm {
    /// Of what each point has by itself, mm2.
    pub(super) noise_mm2: f64,
    /// Of what it has beyond that, mm2.
    pub(super) form_mm2: f64,
}

impl PatchForm {
    /// Of points of a patch that lies square to the third axis, whose heights over their plane are the third coordinates. The
    /// variance of a point is at least `noise_mm2`: a patch may be looked at from a slant, and noisier than the rest of the scan.
    /// Of `shared_mm2`, which the points are known to share, nothing is form.
    ///
    /// Within and between cells: analysis of variance, one way (Fisher, Statistical Methods for Research Workers, chapter VII;
    /// from memory). The sum of squares between cells has, of white noise, as many freedoms as there are cells but for those of the
    /// plane, and the spread of a chi-squared distribution.
    pub(super) fn of(off: &[Point], noise_mm2: f64, shared_mm2: f64) -> Self {
        let mut cells: BTreeMap<[i64; 2], (f64, f64, f64)> = BTreeMap::new();
        for p in off {
            let cell = cells.entry([p.x, p.y].map(|v| (v / FORM_LENGTH_MM).floor() as i64)).or_default();
            *cell = (cell.0 + 1.0, cell.1 + p.z, cell.2 + p.z * p.z);
        }
        let n = off.len() as f64;
        let between: f64 = cells.values().map(|(n, sum, _)| sum * sum / n).sum();
        let all: f64 = cells.values().map(|c| c.2).sum();
        let within_freedoms = n - cells.len() as f64;
        let local = if within_freedoms >= LEAST_FREEDOMS { (all - between) / within_freedoms } else { 0.0 };
        let noise_mm2 = noise_mm2.max(local);
        let of_cells = cells.len() as f64 - OF_PLANE;
        // Of a patch of a few cells all that there is.
        let (square, freedoms) =
            if of_cells >= LEAST_FREEDOMS { (between, of_cells) } else { (all, n - OF_PLANE) };
        let known = noise_mm2 * freedoms + shared_mm2 * n;
        // Of the sum, and of the noise where the patch itself tells it.
        let by_patch = if local >= noise_mm2 { 1.0 / within_freedoms } else { 0.0 };
        let chance =
            ONE_IN_TWENTY * noise_mm2 * (2.0 * freedoms * (1.0 + freedoms * by_patch)).max(0.0).sqrt();
        let stands_out = freedoms > 0.0 && square > known + chance;
        Self { noise_mm2, form_mm2: if stands_out { (square - known) / n } else { 0.0 } }
    }

    /// The variance that form adds to the mean over a patch, mm2.
    pub(super) fn of_mean_mm2(&self, radius_mm: f64) -> f64 {
        self.form_mm2 / (radius_mm * radius_mm / (FORM_LENGTH_MM * FORM_LENGTH_MM)).max(1.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::math;
    use crate::geometry::random::Random;

    /// Heights over the mean of a patch of 4 mm, a point a millimetre.
    fn patch(form_mm: f64, noise_mm: f64, seed: u64) -> Vec<Point> {
        let mut random = Random::seeded(seed);
        let phase = random.range(0.0, 6.0);
        let mut points: Vec<Point> = (0..81)
            .map(|i| (f64::from(i % 9) - 4.0, f64::from(i / 9) - 4.0))
            .filter(|(x, y)| x * x + y * y <= 16.0)
            .map(|(x, y)| {
                let form = 2f64.sqrt() * form_mm * math::sin(x + phase);
                Point::new(x, y, form + noise_mm * random.normal())
            })
            .collect();
        let mean = points.iter().map(|p| p.z).sum::<f64>() / points.len() as f64;
        points.iter_mut().for_each(|p| p.z -= mean);
        points
    }

    #[test]
    fn of_noise_alone_hardly_any_form_is_left_and_form_that_stands_out_is_found() {
        let noise = 0.02f64;
        let mean = |form: f64, known: f64| {
            let all = (0..200).map(|seed| PatchForm::of(&patch(form, noise, seed), known * known, 0.0));
            let all: Vec<PatchForm> = all.collect();
            let of = |f: fn(&PatchForm) -> f64| all.iter().map(f).sum::<f64>() / 200.0;
            let seen = all.iter().filter(|p| p.form_mm2 > 0.0).count();
            (of(|p| p.noise_mm2), of(|p| p.form_mm2), seen)
        };
        // By chance one in twenty, and a little more where the noise is told by the patch alone; of two variances the larger is
        // taken, which makes the noise larger by a tenth at most.
        let (noise_mm2, form_mm2, seen) = mean(0.0, noise);
        println!("no form: noise {noise_mm2:.2e} form {form_mm2:.2e}, {seen} of 200");
        assert!((noise_mm2 / (noise * noise) - 1.05).abs() < 0.1 && seen <= 22);
        assert!(form_mm2 < 0.03 * noise * noise);
        let (noise_mm2, form_mm2, seen) = mean(0.0, 0.012);
        println!("noise unknown: noise {noise_mm2:.2e} form {form_mm2:.2e}, {seen} of 200");
        assert!((noise_mm2 / (noise * noise) - 1.0).abs() < 0.1 && seen <= 30);
        // A wave of 6.3 mm: cells of 2.5 mm keep about 0.8 of its square, the rest is taken for noise.
        let (_, form_mm2, seen) = mean(0.03, noise);
        println!("formed: {form_mm2:.2e}, {seen} of 200");
        assert!(seen >= 185 && (0.5..1.1).contains(&(form_mm2 / (0.03 * 0.03))));
    }

    #[test]
    fn few_points_and_what_is_known_to_be_shared_are_no_form() {
        let points = patch(0.03, 0.01, 4);
        assert_eq!(PatchForm::of(&points, 1e-4, 0.03 * 0.03 * 1.2).form_mm2, 0.0);
        assert_eq!(PatchForm::of(&points[..3], 1e-4, 0.0), PatchForm { noise_mm2: 1e-4, form_mm2: 0.0 });
        assert_eq!(PatchForm::of(&[], 1e-4, 0.0).form_mm2, 0.0);
        // A patch of two cells looks at all of its points.
        let few: Vec<Point> = (0..12)
            .map(|i| Point::new(f64::from(i) * 0.4, 0.1, if i % 2 == 0 { 0.1 } else { -0.1 }))
            .collect();
        assert!(PatchForm::of(&few, 1e-4, 0.0).noise_mm2 > 5e-3);
    }
}
