//! From what a simulation's file says of its scanner to the scanner.

use super::fault::Faults;
use super::file::{ScannerFile, SurfaceFile};
use super::file_check::{at_most, direction, within};
use super::imperfection::{
    CorrelatedNoise, DropOut, Imperfections, PassSeams, ReferenceTargets, SurfaceClass,
};
use super::scanner::Scanner;

/// Views of one scan.
const MOST_VIEWS: usize = 30;

/// `None` where something is missing; then, and otherwise too, the faults say what is wrong.
pub(super) fn scanner(faults: &Faults, file: &ScannerFile, seed: u64) -> Option<Scanner> {
    let at = |key: &str| format!("scanner.{key}");
    let range = |key: &str, value: f64, low: f64, high: f64| {
        within(faults, &at(key), value, low, high);
        value
    };
    let optional =
        |key: &str, value: Option<f64>, low: f64, high: f64| value.map(|v| range(key, v, low, high));
    range("spacing_mm", file.spacing_mm, 0.05, 100.0);
    range("noise_mm", file.noise_mm, 0.0, 10.0);
    let normal_error_deg = range("normal_error_deg", file.normal_error_deg.unwrap_or(2.0), 0.0, 30.0);
    at_most(faults, "scanner.view", file.view.len(), MOST_VIEWS);
    let views = file.view.iter().take(MOST_VIEWS).enumerate();
    let views: Vec<_> =
        views.map(|(i, v)| direction(faults, &format!("scanner.view[{i}].from"), &v.from)).collect();
    let correlated_noise = file.correlated_noise.map(|c| CorrelatedNoise {
        deviation_mm: range("correlated_noise.deviation_mm", c.deviation_mm, 0.0, 10.0),
        length_mm: range("correlated_noise.length_mm", c.length_mm, 0.01, 10_000.0),
    });
    let drop_out = file.drop_out.map(|d| DropOut {
        surface: match d.surface {
            SurfaceFile::Dull => SurfaceClass::Dull,
            SurfaceFile::Dark => SurfaceClass::Dark,
            SurfaceFile::Gloss => SurfaceClass::Gloss,
        },
        patch_mm: optional("drop_out.patch_mm", d.patch_mm, 0.01, 10_000.0),
    });
    let seams = file.seams.map(|s| {
        let least_mm = range("seams.least_mm", s.least_mm, 0.0, 10.0);
        let largest_mm = range("seams.largest_mm", s.largest_mm, 0.0, 10.0);
        if largest_mm < least_mm {
            faults.add(at("seams.largest_mm"), "is below `least_mm`; write at least that");
        }
        let turn_rad = range("seams.turn_deg", s.turn_deg.unwrap_or(0.0), 0.0, 5.0).to_radians();
        PassSeams { least_mm, largest_mm, turn_rad }
    });
    let targets = file.targets.map(|t| {
        range("targets.count", f64::from(t.count), 0.0, 1000.0);
        ReferenceTargets {
            count: usize::try_from(t.count).unwrap_or(0),
            diameter_mm: range("targets.diameter_mm", t.diameter_mm, 0.1, 1000.0),
            thickness_mm: range("targets.thickness_mm", t.thickness_mm, 0.0, 10.0),
        }
    });
    // Every neighbour within it is looked at, so it is held to some spacings (of one that makes sense).
    let longest_mm = 20.0 * file.spacing_mm.clamp(0.05, 100.0);
    let imperfections = Imperfections {
        correlated_noise,
        noise_growth: range("noise_growth", file.noise_growth.unwrap_or(0.0), 0.0, 10.0),
        drop_out,
        seams,
        edge_radius_mm: optional("edge_radius_mm", file.edge_radius_mm, 0.001, 100.0),
        smoothing_mm: optional("smoothing_mm", file.smoothing_mm, 0.001, longest_mm),
        filled_openings_mm: optional("filled_openings_mm", file.filled_openings_mm, 0.1, 1000.0),
        scale_error_ppm: range("scale_error_ppm", file.scale_error_ppm.unwrap_or(0.0), -10_000.0, 10_000.0),
        targets,
    };
    let front = Scanner::front(file.spacing_mm, file.noise_mm, seed);
    let views: Vec<_> = views.into_iter().collect::<Option<_>>()?;
    Some(Scanner {
        normal_error_rad: normal_error_deg.to_radians(),
        views: if views.is_empty() { front.views.clone() } else { views },
        imperfections,
        ..front
    })
}
