//! `instrument`: the register, and scans of calibrated balls.

use std::path::Path;

use anyhow::Context as _;
use scantling_proto::v1::verification::Source;
use scantling_proto::v1::{
    BallScan, Certificate, CreateInstrumentRequest, CreateVerificationRequest, GetInstrumentRequest,
    GetVerificationRequest, Instrument, LengthUnit, ListInstrumentsRequest, ListInstrumentsResponse,
    ListVerificationsRequest, MeasureBallsRequest, SurfaceClass, Verification, WithdrawVerificationRequest,
};

use super::{Context, artefact, sources};
use crate::args::{
    InstrumentAdd, InstrumentBalls, InstrumentName, InstrumentVerify, InstrumentWithdraw, Unit,
};
use crate::connect::{instruments, patiently};
use crate::exit::Exit;
use crate::names;
use crate::output::json_value;
use crate::report;
use crate::upload::upload;

pub(crate) async fn add(context: &Context, args: InstrumentAdd) -> anyhow::Result<Exit> {
    let name = names::instrument(&args.id)?;
    let instrument =
        Instrument { title: args.title, serial_number: args.serial_number, ..Instrument::default() };
    let request =
        CreateInstrumentRequest { instrument_id: names::id(&name).to_owned(), instrument: Some(instrument) };
    let fails = format!("cannot register {}", names::id(&name));
    let added = instruments(&context.channel).create_instrument(request).await.context(fails)?.into_inner();
    context.output.message("Instrument", &added, |i, look| report::instrument::instrument(i, &[], look))?;
    context.progress.say(&format!(
        "registered; until it is verified (`scantling instrument verify {}`) nothing measured with it conforms",
        names::id(&added.name)
    ));
    Ok(Exit::Success)
}

pub(crate) async fn list(context: &Context) -> anyhow::Result<Exit> {
    let mut client = instruments(&context.channel);
    let mut request = ListInstrumentsRequest { page_size: 1000, page_token: String::new() };
    let mut all = ListInstrumentsResponse::default();
    loop {
        let page = patiently(async || client.list_instruments(request.clone()).await)
            .await
            .context("cannot list the instruments")?;
        all.instruments.extend(page.instruments);
        if page.next_page_token.is_empty() {
            break;
        }
        request.page_token = page.next_page_token;
    }
    context.output.message("ListInstrumentsResponse", &all, report::instrument::list)?;
    Ok(Exit::Success)
}

pub(crate) async fn show(context: &Context, args: &InstrumentName) -> anyhow::Result<Exit> {
    let mut client = instruments(&context.channel);
    let fails = || format!("cannot show {}", report::printable(&args.name));
    if names::is_verification(&args.name) {
        let asked = GetVerificationRequest { name: names::verification(&args.name)? };
        let found =
            patiently(async || client.get_verification(asked.clone()).await).await.with_context(fails)?;
        context.output.message("Verification", &found, report::instrument::verification)?;
        return Ok(Exit::Success);
    }
    let name = names::instrument(&args.name)?;
    let asked = GetInstrumentRequest { name: name.clone() };
    let found = patiently(async || client.get_instrument(asked.clone()).await).await.with_context(fails)?;
    let verifications = verifications(context, &name).await?;
    let mut json = json_value("Instrument", &found)?;
    json["verifications"] =
        verifications.iter().map(|v| json_value("Verification", v)).collect::<anyhow::Result<_>>()?;
    context.output.value(&json, |look| report::instrument::instrument(&found, &verifications, look))?;
    Ok(Exit::Success)
}

async fn verifications(context: &Context, parent: &str) -> anyhow::Result<Vec<Verification>> {
    let mut client = instruments(&context.channel);
    let mut request =
        ListVerificationsRequest { parent: parent.to_owned(), page_size: 1000, page_token: String::new() };
    let mut all = Vec::new();
    loop {
        let page = patiently(async || client.list_verifications(request.clone()).await)
            .await
            .with_context(|| format!("cannot list the verifications of {parent}"))?;
        all.extend(page.verifications);
        if page.next_page_token.is_empty() {
            return Ok(all);
        }
        request.page_token = page.next_page_token;
    }
}

pub(crate) async fn verify(context: &Context, args: InstrumentVerify) -> anyhow::Result<Exit> {
    let parent = names::instrument(&args.instrument)?;
    let name = names::verification(&format!("{}/{}", names::id(&parent), args.id))?;
    let source = match (&args.balls, args.certificate) {
        (Some(scan), _) => {
            let of =
                Balls { scan, unit: args.unit, columns: &args.columns, artefact: args.artefact.as_deref() };
            Source::BallScan(ball_scan(context, of).await?)
        }
        (None, title) => {
            let blob = match &args.certificate_file {
                Some(file) => {
                    upload(&context.channel, sources::open(file).await?, &context.progress).await?.blob
                }
                None => String::new(),
            };
            Source::Certificate(Certificate { title: title.unwrap_or_default(), blob })
        }
    };
    let verification = Verification {
        verified_on: args.verified_on,
        valid_until: args.valid_until,
        every_surface: args.every_surface,
        surface_classes: args.surface_classes.iter().map(|s| SurfaceClass::from(*s).into()).collect(),
        errors: args.errors.told(),
        verifier: args.verifier,
        source: Some(source),
        simulated: args.simulated,
        problems: args.problems,
        ..Verification::default()
    };
    let request = CreateVerificationRequest {
        parent,
        verification_id: names::id(&name).to_owned(),
        verification: Some(verification),
    };
    let wait = context.progress.spinner("verify");
    let verified = instruments(&context.channel).create_verification(request).await;
    wait.finish_and_clear();
    let verified = verified.with_context(|| format!("cannot register {name}"))?.into_inner();
    context.output.message("Verification", &verified, report::instrument::verification)?;
    if !verified.problems.is_empty() {
        context
            .progress
            .say("it is not passed: nothing measured with the instrument on such a surface conforms from its day on, until a later one is");
    }
    Ok(Exit::Success)
}

pub(crate) async fn withdraw(context: &Context, args: InstrumentWithdraw) -> anyhow::Result<Exit> {
    let name = names::verification(&args.name)?;
    let fails = format!("cannot withdraw {name}");
    let request = WithdrawVerificationRequest { name, reason: args.reason };
    let withdrawn =
        instruments(&context.channel).withdraw_verification(request).await.context(fails)?.into_inner();
    context.output.message("Verification", &withdrawn, report::instrument::verification)?;
    Ok(Exit::Success)
}

pub(crate) async fn balls(context: &Context, args: InstrumentBalls) -> anyhow::Result<Exit> {
    let Some(scan) = args.scan.as_deref().filter(|_| !args.template) else {
        crate::output::write(artefact::TEMPLATE)?;
        return Ok(Exit::Success);
    };
    let of = Balls { scan, unit: args.unit, columns: &args.columns, artefact: args.artefact.as_deref() };
    let request = MeasureBallsRequest { ball_scan: Some(ball_scan(context, of).await?) };
    let mut client = instruments(&context.channel);
    let wait = context.progress.spinner("measure the balls");
    let found = patiently(async || client.measure_balls(request.clone()).await).await;
    wait.finish_and_clear();
    let found = found.context("cannot measure the balls")?;
    context.output.message("MeasureBallsResponse", &found, report::instrument::measured)?;
    Ok(Exit::Success)
}

/// A scan of balls as it is typed.
struct Balls<'a> {
    scan: &'a Path,
    unit: Option<Unit>,
    columns: &'a str,
    artefact: Option<&'a Path>,
}

/// Reads the artefact, then uploads the scan.
async fn ball_scan(context: &Context, of: Balls<'_>) -> anyhow::Result<BallScan> {
    let unit = of.unit.ok_or_else(|| Exit::Usage.because("state the --unit"))?;
    let file = of.artefact.ok_or_else(|| Exit::Usage.because("name the --artefact"))?;
    if file == Path::new("-") && of.scan == Path::new("-") {
        return Err(Exit::Usage.because("stdin can be one file only; name the other"));
    }
    let mut input = sources::open(file).await?;
    let name = input.name.clone();
    let text = tokio::task::spawn_blocking(move || input.text()).await??;
    let (artefact, permitted) = artefact::read(&name, &text)?;
    let uploaded = upload(&context.channel, sources::open(of.scan).await?, &context.progress).await?;
    Ok(BallScan {
        blob: uploaded.blob,
        length_unit: LengthUnit::from(unit).into(),
        columns: of.columns.to_owned(),
        artefact: Some(artefact),
        permitted: Some(permitted),
    })
}
