//! Instruments and their verifications.

use scantling_core::uncertainty::InstrumentErrors;
use scantling_proto::v1::{self, verification::Source};

use super::fields::Fields;
use super::status::Problem;
use super::{conditions, enums, name, time};
use crate::config::Limits;
use crate::store::{
    BallArtefact, BallResults, BallScan, CalibratedBall, Instrument, NewInstrument, NewVerification,
    PermittedErrors, SurfaceClass, Verification, VerificationContent, VerificationSource,
};

/// More balls than any artefact has; their pairs make the answer long.
const MOST_BALLS: usize = 50;

/// As of any id.
const LONGEST_BALL_ID: usize = 63;

/// More than a certificate finds wrong.
pub(crate) const MOST_PROBLEMS: usize = 100;

pub(crate) fn new(limits: &Limits, sent: v1::CreateInstrumentRequest) -> Result<NewInstrument, Problem> {
    let mut fields = Fields::new(limits);
    let id = fields.id("instrument_id", &sent.instrument_id);
    let instrument = sent.instrument.unwrap_or_else(|| {
        fields.wrong("instrument", "must be sent; its title may be empty");
        v1::Instrument::default()
    });
    let title = fields.text("instrument.title", instrument.title);
    let serial_number = fields.text("instrument.serial_number", instrument.serial_number);
    fields.finish()?;
    Ok(NewInstrument { id, title, serial_number })
}

pub(crate) fn of_instrument(instrument: Instrument) -> v1::Instrument {
    let NewInstrument { id, title, serial_number } = instrument.content;
    v1::Instrument {
        name: name::of_instrument(&id),
        title,
        serial_number,
        create_time: Some(time::timestamp(instrument.create_time_us)),
    }
}

/// A verification as it is sent at this time; of a scan of balls nothing is computed yet.
pub(crate) fn verification(
    limits: &Limits,
    now_us: i64,
    sent: v1::CreateVerificationRequest,
) -> Result<NewVerification, Problem> {
    let mut fields = Fields::new(limits);
    let instrument = fields.instrument("parent", &sent.parent);
    let id = fields.id("verification_id", &sent.verification_id);
    let Some(sent) = sent.verification else {
        fields.wrong("verification", "must be sent");
        fields.finish()?;
        return Err(Problem::internal("a missing verification was not refused"));
    };
    let verified_on = fields.day("verification.verified_on", &sent.verified_on);
    let valid_until = fields.day("verification.valid_until", &sent.valid_until);
    let tomorrow = time::day(now_us.saturating_add(24 * 3600 * 1_000_000));
    if let (Some(on), Some(tomorrow)) = (verified_on, tomorrow)
        && on > tomorrow
    {
        fields.wrong("verification.verified_on", "lies in the future; correct the day, or the clock");
    }
    if let (Some(on), Some(until)) = (verified_on, valid_until)
        && until < on
    {
        fields.wrong("verification.valid_until", format!("is before {on}, when it was made"));
    }
    let mut surfaces: Vec<SurfaceClass> = Vec::new();
    for (n, class) in sent.surface_classes.iter().enumerate() {
        let field = format!("verification.surface_classes[{n}]");
        if *class == i32::from(v1::SurfaceClass::Unspecified) {
            fields.wrong(&field, "must be DULL, DARK or GLOSS; state `every_surface` for all");
        } else if let Some(class) = fields.surface_class(&field, *class)
            && !surfaces.contains(&class)
        {
            surfaces.push(class);
        }
    }
    // What is left out holds for nothing rather than for all.
    match (sent.surface_classes.is_empty(), sent.every_surface) {
        (true, false) => {
            let words = "must name the surfaces on which it was made, or `every_surface` be stated of an instrument that touches";
            fields.wrong("verification.surface_classes", words);
        }
        (false, true) => {
            fields.wrong("verification.every_surface", "is stated beside some surfaces; leave one");
        }
        (true, true) if matches!(sent.source, Some(Source::BallScan(_))) => {
            let words =
                "cannot be stated of a scan of balls, which has a surface; name it in `surface_classes`";
            fields.wrong("verification.every_surface", words);
        }
        _ => {}
    }
    let errors = sent.errors.as_ref().map(conditions::errors_of).unwrap_or_default();
    for (name, problem) in errors.faults() {
        fields.wrong(&format!("verification.errors.{name}"), problem);
    }
    if sent.problems.len() > MOST_PROBLEMS {
        fields.wrong("verification.problems", format!("has more than {MOST_PROBLEMS} entries"));
    }
    let problems: Vec<String> = sent
        .problems
        .into_iter()
        .take(MOST_PROBLEMS)
        .enumerate()
        .map(|(n, text)| fields.said(&format!("verification.problems[{n}]"), text))
        .collect();
    let source = match sent.source {
        None => {
            fields.wrong("verification", "must say where its errors come from: `certificate` or `ball_scan`");
            None
        }
        Some(Source::Certificate(certificate)) => {
            if errors == InstrumentErrors::default() {
                fields.wrong("verification.errors", "must state at least one error of the instrument");
            }
            let title = fields.said("verification.certificate.title", certificate.title);
            let blob = (!certificate.blob.is_empty())
                .then(|| fields.blob("verification.certificate.blob", &certificate.blob))
                .flatten();
            Some(VerificationSource::Certificate { title, blob: blob.map(|b| b.hex().to_owned()) })
        }
        Some(Source::BallScan(scan)) => {
            let two = scan.artefact.as_ref().is_some_and(|a| a.balls.len() == 2);
            for (name, value) in errors.fields() {
                let shown = matches!(name, "point_noise_mm" | "length_scale_mm_per_m" | "probing_mm")
                    || (name == "distortion_mm" && !two);
                if shown && value.is_some() {
                    let words = "is what the scan of balls shows; leave it out";
                    fields.wrong(&format!("verification.errors.{name}"), words);
                }
            }
            if !problems.is_empty() {
                let words = "are found in the scan of balls; state `permitted` and leave them out";
                fields.wrong("verification.problems", words);
            }
            ball_scan(&mut fields, "verification.ball_scan", scan).map(VerificationSource::BallScan)
        }
    };
    let verifier = fields.text("verification.verifier", sent.verifier);
    fields.finish()?;
    let (Some(verified_on), Some(valid_until), Some(source)) = (verified_on, valid_until, source) else {
        return Err(Problem::internal("fields were checked and are missing"));
    };
    let content = VerificationContent { surfaces, errors, verifier, source, problems };
    let simulated = sent.simulated;
    Ok(NewVerification { instrument, id, verified_on, valid_until, simulated, content, results: None })
}

/// A scan of balls with its artefact; `None` where a field is wrong.
pub(crate) fn ball_scan(fields: &mut Fields, field: &str, sent: v1::BallScan) -> Option<BallScan> {
    let blob = fields.blob(&format!("{field}.blob"), &sent.blob);
    let length_unit = fields.length_unit(&format!("{field}.length_unit"), sent.length_unit);
    let columns = fields.columns(&format!("{field}.columns"), sent.columns);
    let permitted = permitted(fields, &format!("{field}.permitted"), &sent.permitted.unwrap_or_default());
    let artefact = artefact(fields, &format!("{field}.artefact"), sent.artefact);
    Some(BallScan {
        blob: blob?.hex().to_owned(),
        length_unit: length_unit?,
        columns,
        artefact: artefact?,
        permitted,
    })
}

fn permitted(fields: &mut Fields, field: &str, sent: &v1::PermittedErrors) -> PermittedErrors {
    for (name, value) in [
        ("dispersion_mm", sent.dispersion_mm),
        ("size_error_mm", sent.size_error_mm),
        ("length_error_mm", sent.length_error_mm),
        ("length_error_mm_per_m", sent.length_error_mm_per_m),
    ] {
        if let Some(v) = value
            && !(v.is_finite() && v >= 0.0)
        {
            fields.wrong(&format!("{field}.{name}"), format!("must be 0 or more; it is {v}"));
        }
    }
    PermittedErrors {
        dispersion_mm: sent.dispersion_mm,
        size_error_mm: sent.size_error_mm,
        length_error_mm: sent.length_error_mm,
        length_error_mm_per_m: sent.length_error_mm_per_m,
    }
}

fn artefact(fields: &mut Fields, field: &str, sent: Option<v1::BallArtefact>) -> Option<BallArtefact> {
    let Some(sent) = sent else {
        fields.wrong(field, "must be sent: the calibrated places and diameters of the balls");
        return None;
    };
    let title = fields.text(&format!("{field}.title"), sent.title);
    let count = sent.balls.len();
    if !(2..=MOST_BALLS).contains(&count) {
        let words = format!("must be 2 to {MOST_BALLS}; they are {count}");
        fields.wrong(&format!("{field}.balls"), words);
    }
    let mut standard = |name: &str, value: Option<f64>| {
        let sound = value.filter(|u| u.is_finite() && *u >= 0.0);
        if sound.is_none() {
            let words = "must be said, 0 or more: it is part of the scale's uncertainty";
            fields.wrong(&format!("{field}.{name}"), words);
        }
        sound
    };
    let length = standard("length_standard_uncertainty_mm", sent.length_standard_uncertainty_mm);
    let diameter = standard("diameter_standard_uncertainty_mm", sent.diameter_standard_uncertainty_mm);
    let mut balls = Vec::new();
    for (n, ball) in sent.balls.into_iter().take(MOST_BALLS).enumerate() {
        let id = fields.said(&format!("{field}.balls[{n}].id"), ball.id);
        if id.len() > LONGEST_BALL_ID {
            let words = format!("has {} bytes, {LONGEST_BALL_ID} at most", id.len());
            fields.wrong(&format!("{field}.balls[{n}].id"), words);
        }
        let at: Option<[f64; 3]> = ball.at_mm.as_slice().try_into().ok();
        let at = at.filter(|p| p.iter().all(|c| c.is_finite()));
        if at.is_none() {
            fields.wrong(&format!("{field}.balls[{n}].at_mm"), "must be three finite numbers, x, y, z");
        }
        if !(ball.diameter_mm.is_finite() && ball.diameter_mm > 0.0) {
            let words = format!("must be above 0; it is {}", ball.diameter_mm);
            fields.wrong(&format!("{field}.balls[{n}].diameter_mm"), words);
        }
        balls.extend(at.map(|at_mm| CalibratedBall { id, at_mm, diameter_mm: ball.diameter_mm }));
    }
    Some(BallArtefact { title, balls, length_standard_mm: length?, diameter_standard_mm: diameter? })
}

pub(crate) fn of_verification(verification: Verification) -> v1::Verification {
    let Verification { content: new, create_time_us, withdrawal } = verification;
    let VerificationContent { surfaces, errors, verifier, source, problems } = new.content;
    v1::Verification {
        name: name::of_verification(&new.instrument, &new.id),
        verified_on: new.verified_on.to_string(),
        valid_until: new.valid_until.to_string(),
        every_surface: surfaces.is_empty(),
        surface_classes: surfaces.into_iter().map(|s| enums::of_surface_class(Some(s)).into()).collect(),
        errors: Some(conditions::of_errors(&errors)),
        verifier,
        source: Some(match source {
            VerificationSource::Certificate { title, blob } => Source::Certificate(v1::Certificate {
                title,
                blob: blob.as_deref().map(name::of_blob).unwrap_or_default(),
            }),
            VerificationSource::BallScan(scan) => Source::BallScan(of_ball_scan(scan)),
        }),
        simulated: new.simulated,
        problems,
        ball_results: new.results.map(of_results),
        create_time: Some(time::timestamp(create_time_us)),
        withdrawal: withdrawal
            .map(|w| v1::Withdrawal { withdraw_time: Some(time::timestamp(w.time_us)), reason: w.reason }),
    }
}

fn of_ball_scan(scan: BallScan) -> v1::BallScan {
    let BallArtefact { title, balls, length_standard_mm, diameter_standard_mm } = scan.artefact;
    let permitted = scan.permitted;
    v1::BallScan {
        blob: name::of_blob(&scan.blob),
        length_unit: enums::of_length_unit(scan.length_unit).into(),
        columns: scan.columns,
        artefact: Some(v1::BallArtefact {
            title,
            balls: balls
                .into_iter()
                .map(|b| v1::Ball { id: b.id, at_mm: b.at_mm.to_vec(), diameter_mm: b.diameter_mm })
                .collect(),
            length_standard_uncertainty_mm: Some(length_standard_mm),
            diameter_standard_uncertainty_mm: Some(diameter_standard_mm),
        }),
        permitted: (permitted != PermittedErrors::default()).then_some(v1::PermittedErrors {
            dispersion_mm: permitted.dispersion_mm,
            size_error_mm: permitted.size_error_mm,
            length_error_mm: permitted.length_error_mm,
            length_error_mm_per_m: permitted.length_error_mm_per_m,
        }),
    }
}

fn of_results(results: BallResults) -> v1::BallResults {
    let count = |n: u64| i64::try_from(n).unwrap_or(i64::MAX);
    let balls = results.balls.into_iter().map(|b| v1::BallResult {
        id: b.id,
        centre_mm: b.centre_mm.to_vec(),
        points: count(b.points),
        left_out: count(b.left_out),
        size_error_mm: b.size_error_mm,
        size_standard_uncertainty_mm: b.size_standard_mm,
        dispersion_mm: b.dispersion_mm,
        noise_mm: b.noise_mm,
    });
    let lengths = results.lengths.into_iter().map(|l| v1::LengthResult {
        from_ball: l.from,
        to_ball: l.to,
        calibrated_mm: l.calibrated_mm,
        error_mm: l.error_mm,
        standard_uncertainty_mm: l.standard_mm,
    });
    v1::BallResults {
        balls: balls.collect(),
        lengths: lengths.collect(),
        scale_mm_per_m: results.scale_mm_per_m,
        scale_standard_uncertainty_mm_per_m: results.scale_standard_mm_per_m,
        distortion_mm: results.distortion_mm,
        noise_mm: results.noise_mm,
        notes: results.notes,
    }
}

/// What a scan of balls shows, unregistered.
pub(crate) fn measured(
    errors: &InstrumentErrors,
    results: BallResults,
    problems: Vec<String>,
) -> v1::MeasureBallsResponse {
    v1::MeasureBallsResponse {
        errors: Some(conditions::of_errors(errors)),
        ball_results: Some(of_results(results)),
        problems,
    }
}
