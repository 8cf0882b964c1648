//! The file of an artefact of calibrated balls.

use scantling_proto::v1::{Ball, BallArtefact, PermittedErrors};
use serde::Deserialize;

use crate::exit::Exit;

/// Every key of such a file.
pub(super) const TEMPLATE: &str = include_str!("artefact_template.toml");

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ArtefactFile {
    #[serde(default)]
    title: String,
    length_standard_uncertainty_mm: f64,
    diameter_standard_uncertainty_mm: f64,
    ball: Vec<BallEntry>,
    #[serde(default)]
    permitted: Permitted,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct BallEntry {
    id: String,
    at_mm: [f64; 3],
    diameter_mm: f64,
}

#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields)]
struct Permitted {
    dispersion_mm: Option<f64>,
    size_error_mm: Option<f64>,
    length_error_mm: Option<f64>,
    length_error_mm_per_m: Option<f64>,
}

/// The artefact, and what its scanner is permitted; whether they make sense the service says.
pub(super) fn read(name: &str, text: &str) -> anyhow::Result<(BallArtefact, PermittedErrors)> {
    let file: ArtefactFile = toml::from_str(text).map_err(|e| {
        Exit::Refused.because(format!(
            "cannot use the artefact of {name}; `scantling instrument balls --template` writes one with every key\n{e}"
        ))
    })?;
    let balls =
        file.ball.into_iter().map(|b| Ball { id: b.id, at_mm: b.at_mm.to_vec(), diameter_mm: b.diameter_mm });
    let artefact = BallArtefact {
        title: file.title,
        balls: balls.collect(),
        length_standard_uncertainty_mm: Some(file.length_standard_uncertainty_mm),
        diameter_standard_uncertainty_mm: Some(file.diameter_standard_uncertainty_mm),
    };
    let permitted = PermittedErrors {
        dispersion_mm: file.permitted.dispersion_mm,
        size_error_mm: file.permitted.size_error_mm,
        length_error_mm: file.permitted.length_error_mm,
        length_error_mm_per_m: file.permitted.length_error_mm_per_m,
    };
    Ok((artefact, permitted))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_template_is_an_artefact_and_a_slip_is_told_with_its_line() {
        let (artefact, permitted) = read("it", TEMPLATE).expect("its form");
        assert_eq!((artefact.balls.len(), artefact.balls[1].at_mm[0]), (3, 980.0));
        assert_eq!(permitted.length_error_mm_per_m, Some(0.04));
        let slip = TEMPLATE.replacen("diameter_mm = 30.0", "diametre_mm = 30.0", 1);
        let error = read("it", &slip).expect_err("refused");
        assert_eq!(Exit::of_error(&error), Exit::Refused);
        assert!(error.to_string().contains("diametre_mm"), "{error}");
    }
}
