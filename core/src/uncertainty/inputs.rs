//! The input vector of an inspection: everything that displaces what was measured, once for all of its characteristics.

use std::sync::Arc;

use super::{Conditions, Expansion, InstrumentErrors, MeshHistory, Source};
use crate::filter::Correlated;
use crate::geometry::{Aabb, Displacement, Point, SeenBy, Twist};

/// An input that displaces the whole of a scan.
#[derive(Clone, Debug, PartialEq)]
pub struct Effect {
    /// By one standard uncertainty.
    pub displacement: Displacement,
    /// Whose it is: shares of the variance, summing to 1.
    pub shares: Vec<(Source, f64)>,
}

/// What is known of the errors of a scan beside the noise that it shows itself.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Inputs {
    /// The noise of a point is at least this, mm, whatever the scan shows.
    pub point_noise_mm: f64,
    /// Whether any of the points were smoothed before they came here.
    pub smoothed: bool,
    /// Noise that neighbouring points share.
    pub correlated: Vec<Correlated>,
    /// What displaces all of it.
    pub effects: Vec<Effect>,
}

impl Inputs {
    /// Of one or several sources that make one measured surface: of each statement the largest, as nothing says that errors of
    /// several scans by one instrument differ. `volume` is what was measured.
    pub fn new(conditions: &[&Conditions], expansions: &[Option<Expansion>], volume: &Aabb) -> Self {
        let none = InstrumentErrors::default();
        let errors = conditions.iter().fold(none, |all, c| all.or_larger(&c.errors));
        let temperature = expansions.iter().flatten().filter_map(|e| e.relative_standard).fold(0.0, f64::max);
        let scale = 1e-3 * errors.length_scale_mm_per_m.unwrap_or(0.0);
        let centre = nalgebra::center(&volume.low, &volume.high);
        let mut effects = Vec::new();
        // Both stretch: once is enough.
        let by = (scale * scale + temperature * temperature).sqrt();
        if by > 0.0 {
            let share = |u: f64| u * u / (by * by);
            let shares = [(Source::LengthScale, share(scale)), (Source::Temperature, share(temperature))];
            let shares = shares.into_iter().filter(|s| s.1 > 0.0).collect();
            effects.push(Effect { displacement: Displacement::Scale { centre, by }, shares });
        }
        if let Some(by_mm) = errors.probing_mm.filter(|u| *u > 0.0) {
            let shares = vec![(Source::Probing, 1.0)];
            effects.push(Effect { displacement: Displacement::Outward { by_mm }, shares });
        }
        if let Some(standard_mm) = errors.distortion_mm.filter(|u| *u > 0.0) {
            let shares = || vec![(Source::Distortion, 1.0)];
            let bends = Displacement::bends(volume, standard_mm).into_iter();
            effects.extend(bends.map(|displacement| Effect { displacement, shares: shares() }));
        }
        // Where passes are stated there are several, and noise that neighbours share is that of one of them.
        let passes = errors.pass_seam_mm.is_some_and(|u| u > 0.0);
        let noise = |standard: Option<f64>, length: Option<f64>, shifts| {
            let (standard_mm, length_mm) = (standard.filter(|u| *u > 0.0)?, length?);
            Some(Correlated { standard_mm, length_mm, shifts, each_pass: passes && !shifts })
        };
        let correlated = [
            noise(errors.correlated_noise_mm, errors.correlation_length_mm, false),
            noise(errors.pass_seam_mm, errors.pass_width_mm, true),
        ];
        Self {
            point_noise_mm: errors.point_noise_mm.unwrap_or(0.0),
            smoothed: conditions.iter().any(|c| c.mesh_history == Some(MeshHistory::Smoothed)),
            correlated: correlated.into_iter().flatten().collect(),
            effects,
        }
    }

    /// With how several scans of one part lie to each other: each of `twists` is one independent standard uncertainty, as it moves
    /// every scan about `centre`. No result depends on how all of them move together.
    #[must_use]
    pub fn with_join(mut self, seen: &Arc<SeenBy>, centre: Point, twists: &[Vec<Twist>]) -> Self {
        self.effects.extend(twists.iter().map(|by| Effect {
            displacement: Displacement::Join { seen: Arc::clone(seen), centre, by: by.clone() },
            shares: vec![(Source::Join, 1.0)],
        }));
        self
    }

    /// What of these inputs points have that a probe took: an offset along the normals, noise and seams are in what was stated of
    /// each point.
    #[must_use]
    pub fn of_points(mut self) -> Self {
        self.effects.retain(|e| !matches!(e.displacement, Displacement::Outward { .. }));
        Self { point_noise_mm: 0.0, smoothed: false, correlated: Vec::new(), effects: self.effects }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_largest_statement_counts_and_a_stretch_is_shared() {
        let volume = Aabb { low: Point::origin(), high: Point::new(1_000.0, 400.0, 30.0) };
        let of = |errors| Conditions { errors, ..Conditions::default() };
        let first = of(InstrumentErrors { length_scale_mm_per_m: Some(0.03), ..InstrumentErrors::default() });
        let second = of(InstrumentErrors {
            length_scale_mm_per_m: Some(0.01),
            distortion_mm: Some(0.02),
            probing_mm: Some(0.005),
            correlated_noise_mm: Some(0.004),
            correlation_length_mm: Some(3.0),
            ..InstrumentErrors::default()
        });
        let warm = Expansion { factor: 0.9999, relative_standard: Some(0.04e-3) };
        let inputs = Inputs::new(&[&first, &second], &[None, Some(warm)], &volume);
        let Displacement::Scale { by, .. } = inputs.effects[0].displacement else { panic!() };
        assert!((by - 0.05e-3).abs() < 1e-12);
        for ((source, share), (wanted, of)) in
            inputs.effects[0].shares.iter().zip([(Source::LengthScale, 0.36), (Source::Temperature, 0.64)])
        {
            assert!(*source == wanted && (share - of).abs() < 1e-9, "{source:?} {share}");
        }
        // One offset and nine bends of a flat part.
        assert_eq!((inputs.effects.len(), inputs.correlated.len()), (11, 1));
        assert_eq!(inputs.of_points().effects.len(), 10);
        assert_eq!(Inputs::new(&[], &[], &volume), Inputs::default());
    }
}
