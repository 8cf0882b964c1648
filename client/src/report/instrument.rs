//! Instruments and their verifications.

use scantling_proto::v1::verification::Source;
use scantling_proto::v1::{
    BallResults, Instrument, InstrumentErrors, ListInstrumentsResponse, MeasureBallsResponse, SurfaceClass,
    Verification,
};

use super::{Entry, Look, facts, number, number::plain, strong, table, time, words, wrap};
use crate::names::id;

/// All instruments.
pub(crate) fn list(all: &ListInstrumentsResponse, look: &Look) -> String {
    if all.instruments.is_empty() {
        return "no instruments yet; `scantling instrument add` registers one\n".to_owned();
    }
    let rows = all.instruments.iter().map(|i| {
        vec![
            words(id(&i.name)),
            words(&i.title),
            words(&i.serial_number),
            words(time(i.create_time.as_ref())),
        ]
    });
    table(&["instrument", "title", "serial number", "registered"], rows.collect(), look)
}

/// An instrument with its verifications.
pub(crate) fn instrument(instrument: &Instrument, verifications: &[Verification], look: &Look) -> String {
    let mut text = facts(
        &[
            ("instrument", instrument.name.clone()),
            ("title", instrument.title.clone()),
            ("serial number", instrument.serial_number.clone()),
            ("registered", time(instrument.create_time.as_ref())),
        ],
        look,
    );
    text.push('\n');
    if verifications.is_empty() {
        text.push_str("no verifications yet; nothing measured with it conforms\n");
        return text;
    }
    let rows = verifications.iter().map(|v| {
        let errors = v.errors.unwrap_or_default();
        let known = |value: Option<f64>| number(value.map_or_else(|| "-".to_owned(), rounded));
        vec![
            words(id(&v.name)),
            words(&v.verified_on),
            words(&v.valid_until),
            words(surfaces(v)),
            standing(v),
            known(errors.point_noise_mm),
            known(errors.probing_mm),
            known(errors.length_scale_mm_per_m),
            known(errors.distortion_mm),
        ]
    });
    let head = [
        "verification",
        "made on",
        "until",
        "surfaces",
        "",
        "noise mm",
        "probing mm",
        "scale mm/m",
        "distortion mm",
    ];
    text.push_str(&table(&head, rows.collect(), look));
    text
}

/// One verification, with what its scan of balls showed.
pub(crate) fn verification(v: &Verification, look: &Look) -> String {
    let known_from = match &v.source {
        Some(Source::Certificate(c)) if c.blob.is_empty() => format!("certificate {}", c.title),
        Some(Source::Certificate(c)) => format!("certificate {} ({})", c.title, c.blob),
        Some(Source::BallScan(s)) => {
            let artefact = s.artefact.as_ref().map(|a| a.title.clone()).unwrap_or_default();
            let of = if artefact.is_empty() { String::new() } else { format!(" of {artefact}") };
            format!("scan of balls{of}, {}", s.blob)
        }
        None => "-".to_owned(),
    };
    let withdrawn =
        v.withdrawal.as_ref().map(|w| format!("{}: {}", time(w.withdraw_time.as_ref()), w.reason));
    let simulated = if v.simulated { "yes; it vouches for simulated scans only" } else { "" };
    let mut text = facts(
        &[
            ("verification", v.name.clone()),
            ("made on", v.verified_on.clone()),
            ("valid until", v.valid_until.clone()),
            ("surfaces", surfaces(v)),
            ("verifier", v.verifier.clone()),
            ("known from", known_from),
            ("simulated", simulated.to_owned()),
            ("not passed", v.problems.join("; ")),
            ("withdrawn", withdrawn.unwrap_or_default()),
        ],
        look,
    );
    text.push_str(&of_errors(&v.errors.unwrap_or_default(), look));
    text.push_str(&v.ball_results.as_ref().map_or_else(String::new, |r| of_balls(r, look)));
    text
}

/// What a scan of balls shows, unregistered.
pub(crate) fn measured(found: &MeasureBallsResponse, look: &Look) -> String {
    let mut text = of_errors(&found.errors.unwrap_or_default(), look).trim_start().to_owned();
    text.push_str(&found.ball_results.as_ref().map_or_else(String::new, |r| of_balls(r, look)));
    if !found.problems.is_empty() {
        text.push_str("\nmore than is permitted:\n");
        for line in found.problems.iter().flat_map(|p| wrap(p, look.width.saturating_sub(2))) {
            text.push_str(&format!("  {line}\n"));
        }
    }
    text
}

fn of_errors(errors: &InstrumentErrors, look: &Look) -> String {
    let mm =
        |value: Option<f64>, unit: &str| value.map_or_else(String::new, |v| format!("{} {unit}", rounded(v)));
    let lines = [
        ("noise of a point", mm(errors.point_noise_mm, "mm")),
        ("probing", mm(errors.probing_mm, "mm")),
        ("length scale", mm(errors.length_scale_mm_per_m, "mm/m")),
        ("distortion", mm(errors.distortion_mm, "mm")),
        ("noise shared", mm(errors.correlated_noise_mm, "mm")),
        ("over", mm(errors.correlation_length_mm, "mm")),
        ("between passes", mm(errors.pass_seam_mm, "mm")),
        ("of width", mm(errors.pass_width_mm, "mm")),
    ];
    format!("\nerrors of the instrument, standard uncertainties\n{}", facts(&lines, look))
}

fn of_balls(results: &BallResults, look: &Look) -> String {
    let rows = results.balls.iter().map(|b| {
        vec![
            words(&b.id),
            number(b.points.to_string()),
            number(b.left_out.to_string()),
            number(rounded(b.size_error_mm)),
            number(rounded(b.size_standard_uncertainty_mm)),
            number(rounded(b.dispersion_mm)),
            number(rounded(b.noise_mm)),
        ]
    });
    let head = ["ball", "points", "left out", "size error mm", "u", "dispersion mm", "noise mm"];
    let mut text = format!("\n{}", table(&head, rows.collect(), look));
    let rows = results.lengths.iter().map(|l| {
        vec![
            words(&l.from_ball),
            words(&l.to_ball),
            number(plain(l.calibrated_mm)),
            number(rounded(l.error_mm)),
            number(rounded(l.standard_uncertainty_mm)),
        ]
    });
    text.push_str(&format!(
        "\n{}",
        table(&["from", "to", "calibrated mm", "error mm", "u"], rows.collect(), look)
    ));
    let scale = format!(
        "lengths are measured {} mm/m too long, standard uncertainty {} mm/m",
        rounded(results.scale_mm_per_m),
        rounded(results.scale_standard_uncertainty_mm_per_m)
    );
    for line in std::iter::once(&scale).chain(&results.notes).flat_map(|t| wrap(t, look.width)) {
        text.push_str(&format!("{line}\n"));
    }
    text
}

/// To a tenth of a micrometre.
fn rounded(value: f64) -> String {
    format!("{value:.4}")
}

fn surfaces(v: &Verification) -> String {
    let all: Vec<&str> = v
        .surface_classes()
        .map(|class| match class {
            SurfaceClass::Unspecified => "?",
            SurfaceClass::Dull => "dull",
            SurfaceClass::Dark => "dark",
            SurfaceClass::Gloss => "gloss",
        })
        .collect();
    if all.is_empty() { "every".to_owned() } else { all.join(", ") }
}

/// Whether it counts; that it has expired is seen by its last day.
fn standing(v: &Verification) -> Entry {
    match (&v.withdrawal, v.problems.is_empty(), v.simulated) {
        (Some(_), _, _) => strong("withdrawn"),
        (None, false, _) => strong("not passed"),
        (None, true, true) => words("simulated"),
        (None, true, false) => words(""),
    }
}

#[cfg(test)]
mod tests {
    use super::super::tests::PLAIN;
    use super::*;
    use scantling_proto::v1::{BallResult, Certificate, Withdrawal};

    #[test]
    fn a_withdrawn_verification_is_told_with_its_reason_and_what_is_not_known_as_such() {
        let v = Verification {
            name: "instruments/s-3/verifications/a".into(),
            verified_on: "2026-03-01".into(),
            valid_until: "2027-03-01".into(),
            surface_classes: vec![SurfaceClass::Dull.into()],
            errors: Some(InstrumentErrors { probing_mm: Some(0.01), ..InstrumentErrors::default() }),
            source: Some(Source::Certificate(Certificate { title: "KB 118".into(), blob: String::new() })),
            withdrawal: Some(Withdrawal { withdraw_time: None, reason: "a stranger's".into() }),
            ..Verification::default()
        };
        let one = verification(&v, &PLAIN);
        assert!(one.contains("a stranger's") && one.contains("certificate KB 118"), "{one}");
        assert!(one.contains("0.0100 mm") && !one.contains("length scale"), "{one}");
        let all = instrument(&Instrument::default(), &[v], &PLAIN);
        assert!(all.contains("withdrawn") && all.contains("dull") && all.contains(" -"), "{all}");
    }

    #[test]
    fn every_ball_has_its_line() {
        let ball =
            BallResult { id: "K1".into(), points: 5000, size_error_mm: -0.0123, ..BallResult::default() };
        let results = BallResults { balls: vec![ball], scale_mm_per_m: 0.02, ..BallResults::default() };
        let found = MeasureBallsResponse {
            ball_results: Some(results),
            problems: vec!["ball K1: too small".into()],
            ..MeasureBallsResponse::default()
        };
        let text = measured(&found, &PLAIN);
        assert!(text.contains("K1") && text.contains("-0.0123") && text.contains("0.0200 mm/m"), "{text}");
        assert!(text.contains("more than is permitted:\n  ball K1: too small"), "{text}");
    }
}
