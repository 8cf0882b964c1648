//! The register of instruments over gRPC, and what a verification does to what is measured.

#![allow(clippy::unwrap_used, reason = "a test may end so")]

mod harness;

use harness::{BRACKET_PLAN, Server, create_part, fields, refused};
use scantling_proto::v1::instrument_service_client::InstrumentServiceClient;
use scantling_proto::v1::verification::Source as KnownFrom;
use scantling_proto::v1::{
    Acquisition, AcquisitionContent, Ball, BallArtefact, BallScan, Certificate, CreateAcquisitionRequest,
    CreateInspectionRequest, CreateInstrumentRequest, CreateRevisionRequest, CreateVerificationRequest,
    EvaluateRequest, GetInstrumentRequest, GetVerificationRequest, Inspection, Instrument, InstrumentErrors,
    LengthUnit, ListInstrumentsRequest, ListVerificationsRequest, MeasureBallsRequest, PermittedErrors,
    PointCoordinates, Purpose, Revision, Source, SurfaceClass, Verdict, Verification, WaitInspectionRequest,
    WithdrawVerificationRequest, measurement_service_client::MeasurementServiceClient,
};
use tonic::transport::Channel;
use tonic::{Code, Status};

fn register(server: &Server) -> InstrumentServiceClient<Channel> {
    InstrumentServiceClient::new(server.channel.clone())
}

async fn add(server: &Server, id: &str) -> Result<Instrument, Status> {
    let instrument =
        Instrument { title: "Arm 2".into(), serial_number: "4711".into(), ..Instrument::default() };
    let request = CreateInstrumentRequest { instrument_id: id.into(), instrument: Some(instrument) };
    Ok(register(server).create_instrument(request).await?.into_inner())
}

/// On dull surfaces, by a certificate.
fn certified(on: &str, until: &str) -> Verification {
    Verification {
        verified_on: on.into(),
        valid_until: until.into(),
        surface_classes: vec![SurfaceClass::Dull.into()],
        errors: Some(InstrumentErrors { probing_mm: Some(0.004), ..InstrumentErrors::default() }),
        verifier: "M. Ruler".into(),
        source: Some(KnownFrom::Certificate(Certificate { title: "KB 118".into(), blob: String::new() })),
        ..Verification::default()
    }
}

async fn verify(server: &Server, id: &str, verification: Verification) -> Result<Verification, Status> {
    let request = CreateVerificationRequest {
        parent: "instruments/arm-2".into(),
        verification_id: id.into(),
        verification: Some(verification),
    };
    Ok(register(server).create_verification(request).await?.into_inner())
}

async fn withdraw(server: &Server, id: &str, reason: &str) -> Result<Verification, Status> {
    let name = format!("instruments/arm-2/verifications/{id}");
    let request = WithdrawVerificationRequest { name, reason: reason.into() };
    Ok(register(server).withdraw_verification(request).await?.into_inner())
}

#[tokio::test]
async fn instruments_and_verifications_are_registered_shown_and_withdrawn_but_never_changed() {
    let server = Server::start().await;
    let status = refused(
        verify(&server, "a", certified("2024-03-01", "2025-03-01")).await,
        Code::NotFound,
        "NOT_FOUND",
    );
    assert!(status.message().contains("instruments/arm-2"), "{status}");
    let arm = add(&server, "arm-2").await.unwrap();
    assert_eq!((arm.name.as_str(), arm.serial_number.as_str()), ("instruments/arm-2", "4711"));
    refused(add(&server, "arm-2").await, Code::AlreadyExists, "ALREADY_EXISTS");
    add(&server, "arm-1").await.unwrap();
    let get = GetInstrumentRequest { name: arm.name.clone() };
    assert_eq!(register(&server).get_instrument(get).await.unwrap().into_inner(), arm);
    let get = GetInstrumentRequest { name: "instruments/arm-9".into() };
    refused(register(&server).get_instrument(get).await, Code::NotFound, "NOT_FOUND");
    let one = ListInstrumentsRequest { page_size: 1, page_token: String::new() };
    let first = register(&server).list_instruments(one.clone()).await.unwrap().into_inner();
    assert_eq!(first.instruments[0].name, "instruments/arm-1");
    let next = ListInstrumentsRequest { page_token: first.next_page_token, ..one };
    let second = register(&server).list_instruments(next).await.unwrap().into_inner();
    assert_eq!((second.instruments, second.next_page_token.as_str()), (vec![arm], ""));

    let a = verify(&server, "a", certified("2024-03-01", "2025-03-01")).await.unwrap();
    assert_eq!(a.name, "instruments/arm-2/verifications/a");
    let again = verify(&server, "a", certified("2024-04-01", "2025-03-01")).await;
    refused(again, Code::AlreadyExists, "ALREADY_EXISTS");
    let b = verify(&server, "b", certified("2023-03-01", "2024-03-01")).await.unwrap();
    let get = GetVerificationRequest { name: b.name.clone() };
    assert_eq!(register(&server).get_verification(get).await.unwrap().into_inner(), b);
    let status = refused(withdraw(&server, "a", " ").await, Code::InvalidArgument, "INVALID_FIELD");
    assert_eq!(fields(&status), ["reason"]);
    let gone = withdraw(&server, "a", "the wrong arm").await.unwrap();
    assert_eq!(gone.withdrawal.as_ref().unwrap().reason, "the wrong arm");
    let status =
        refused(withdraw(&server, "a", "again").await, Code::FailedPrecondition, "VERIFICATION_WITHDRAWN");
    assert!(status.message().contains("the wrong arm"), "{status}");
    refused(withdraw(&server, "z", "none").await, Code::NotFound, "NOT_FOUND");
    let one = ListVerificationsRequest {
        parent: "instruments/arm-2".into(),
        page_size: 1,
        page_token: String::new(),
    };
    let first = register(&server).list_verifications(one.clone()).await.unwrap().into_inner();
    assert_eq!(first.verifications, [gone]);
    let next = ListVerificationsRequest { page_token: first.next_page_token, ..one };
    let second = register(&server).list_verifications(next).await.unwrap().into_inner();
    assert_eq!((second.verifications, second.next_page_token.as_str()), (vec![b], ""));
    let trail = server.store.audit_after(0, 100).await.unwrap();
    let actions: Vec<&str> = trail.iter().map(|e| e.action.as_str()).collect();
    assert_eq!(
        actions,
        [
            "create_instrument",
            "create_instrument",
            "create_verification",
            "create_verification",
            "withdraw_verification"
        ]
    );
}

#[tokio::test]
async fn everything_wrong_with_a_verification_is_said_at_once() {
    let server = Server::start().await;
    add(&server, "arm-2").await.unwrap();
    let wrong = Verification {
        verified_on: "2024-02-30".into(),
        valid_until: "soon".into(),
        surface_classes: vec![0, 77],
        every_surface: true,
        errors: Some(InstrumentErrors { probing_mm: Some(f64::NAN), ..InstrumentErrors::default() }),
        source: None,
        ..Verification::default()
    };
    let status = refused(verify(&server, "A", wrong).await, Code::InvalidArgument, "INVALID_FIELD");
    assert_eq!(
        fields(&status),
        [
            "verification_id",
            "verification.verified_on",
            "verification.valid_until",
            "verification.surface_classes[0]",
            "verification.surface_classes[1]",
            "verification.every_surface",
            "verification.errors.probing_mm",
            "verification",
        ]
    );
    let certificate = |on: &str, until: &str| Verification {
        errors: None,
        source: Some(KnownFrom::Certificate(Certificate::default())),
        ..certified(on, until)
    };
    let status = refused(
        verify(&server, "a", certificate("2024-03-01", "2024-02-01")).await,
        Code::InvalidArgument,
        "INVALID_FIELD",
    );
    assert_eq!(
        fields(&status),
        ["verification.valid_until", "verification.errors", "verification.certificate.title"]
    );
    let status = refused(
        verify(&server, "a", certificate("2199-03-01", "2199-03-01")).await,
        Code::InvalidArgument,
        "INVALID_FIELD",
    );
    assert_eq!(fields(&status)[0], "verification.verified_on");
    // A list of surfaces that is left out is no "every"; a scan of balls is never of every surface.
    let forgotten = Verification { surface_classes: Vec::new(), ..certified("2024-03-01", "2024-04-01") };
    let status = refused(verify(&server, "a", forgotten).await, Code::InvalidArgument, "INVALID_FIELD");
    assert_eq!(fields(&status), ["verification.surface_classes"]);
    let balls = Verification {
        surface_classes: Vec::new(),
        every_surface: true,
        errors: None,
        source: Some(KnownFrom::BallScan(bar(format!("blobs/{}", "0".repeat(64))))),
        ..certified("2024-03-01", "2024-04-01")
    };
    let status = refused(verify(&server, "a", balls).await, Code::InvalidArgument, "INVALID_FIELD");
    assert!(fields(&status).contains(&"verification.every_surface".to_owned()), "{:?}", fields(&status));
    // The register's id alone is no name of the register, and must not pass for words either.
    let said = Acquisition {
        blob: server.put(b"0 0 0\n").await,
        length_unit: LengthUnit::Millimetre.into(),
        instrument: "arm-2".into(),
        ..Acquisition::default()
    };
    let request = CreateAcquisitionRequest { acquisition: Some(said) };
    let status = refused(
        server.acquisitions().create_acquisition(request).await,
        Code::InvalidArgument,
        "INVALID_FIELD",
    );
    assert_eq!(fields(&status), ["acquisition.instrument"]);
    let missing = Certificate { title: "KB".into(), blob: format!("blobs/{}", "0".repeat(64)) };
    let missing = Verification {
        source: Some(KnownFrom::Certificate(missing)),
        ..certified("2024-03-01", "2024-04-01")
    };
    refused(verify(&server, "a", missing).await, Code::NotFound, "NOT_FOUND");
}

fn ball(id: &str, x: f64) -> Ball {
    Ball { id: id.into(), at_mm: vec![x, 0.0, 0.0], diameter_mm: 30.0 }
}

fn bar(blob: String) -> BallScan {
    let artefact = BallArtefact {
        title: "bar".into(),
        balls: vec![ball("K1", 0.0), ball("K2", 300.0), ball("K3", 900.0)],
        length_standard_uncertainty_mm: Some(0.001),
        diameter_standard_uncertainty_mm: Some(0.001),
    };
    BallScan {
        blob,
        length_unit: LengthUnit::Millimetre.into(),
        artefact: Some(artefact),
        ..BallScan::default()
    }
}

#[tokio::test]
async fn a_scan_that_is_none_of_the_balls_registers_nothing() {
    let server = Server::start().await;
    add(&server, "arm-2").await.unwrap();
    let text: String = (0..600).map(|n| format!("{} {} 0\n", n % 30, n / 30)).collect();
    let scan = bar(server.put(text.as_bytes()).await);
    let of = |scan: &BallScan| MeasureBallsRequest { ball_scan: Some(scan.clone()) };
    let status =
        refused(register(&server).measure_balls(of(&scan)).await, Code::FailedPrecondition, "UNDETERMINED");
    assert!(status.message().contains("0 of 3 balls"), "{status}");
    let by_scan = |scan: BallScan| Verification {
        errors: None,
        source: Some(KnownFrom::BallScan(scan)),
        ..certified("2024-03-01", "2025-03-01")
    };
    let none = verify(&server, "a", by_scan(scan.clone())).await;
    refused(none, Code::FailedPrecondition, "UNDETERMINED");
    let get = GetVerificationRequest { name: "instruments/arm-2/verifications/a".into() };
    refused(register(&server).get_verification(get).await, Code::NotFound, "NOT_FOUND");

    let mut strange = scan.clone();
    let artefact = strange.artefact.as_mut().unwrap();
    artefact.balls[1].at_mm = vec![10.0, 0.0, 0.0];
    let status =
        refused(register(&server).measure_balls(of(&strange)).await, Code::InvalidArgument, "INVALID_FIELD");
    assert_eq!(fields(&status), ["ball_scan.artefact"]);
    let artefact = strange.artefact.as_mut().unwrap();
    artefact.balls = vec![Ball { id: String::new(), at_mm: vec![0.0], diameter_mm: f64::NAN }];
    artefact.length_standard_uncertainty_mm = None;
    strange.length_unit = 0;
    strange.permitted = Some(PermittedErrors { size_error_mm: Some(-0.1), ..PermittedErrors::default() });
    let status =
        refused(register(&server).measure_balls(of(&strange)).await, Code::InvalidArgument, "INVALID_FIELD");
    assert_eq!(
        fields(&status),
        [
            "ball_scan.length_unit",
            "ball_scan.permitted.size_error_mm",
            "ball_scan.artefact.balls",
            "ball_scan.artefact.length_standard_uncertainty_mm",
            "ball_scan.artefact.balls[0].id",
            "ball_scan.artefact.balls[0].at_mm",
            "ball_scan.artefact.balls[0].diameter_mm",
        ]
    );
    // What the scan shows is not stated beside it.
    let stated = Verification {
        errors: Some(InstrumentErrors { probing_mm: Some(0.1), ..InstrumentErrors::default() }),
        problems: vec!["bent".into()],
        ..by_scan(scan.clone())
    };
    let status = refused(verify(&server, "a", stated).await, Code::InvalidArgument, "INVALID_FIELD");
    assert_eq!(fields(&status), ["verification.errors.probing_mm", "verification.problems"]);
    let letter = bar(server.put(b"this is a letter").await);
    refused(register(&server).measure_balls(of(&letter)).await, Code::InvalidArgument, "SCAN_REFUSED");
    let absent = bar(format!("blobs/{}", "0".repeat(64)));
    refused(register(&server).measure_balls(of(&absent)).await, Code::NotFound, "NOT_FOUND");
}

#[tokio::test]
async fn balls_are_measured_only_where_there_is_a_place() {
    let server = Server::with(|c| c.limits.sums = 0).await;
    let scan = bar(server.put(b"0 0 0\n").await);
    let request = MeasureBallsRequest { ball_scan: Some(scan) };
    refused(register(&server).measure_balls(request).await, Code::ResourceExhausted, "OVERLOADED");
}

/// A bracket measured by the points of an arm, time and again.
struct Plant {
    server: Server,
    revision: String,
    blob: String,
    count: u32,
}

impl Plant {
    /// `height_mm` is that of the check point, nominal 30.
    async fn new(server: Server, height_mm: f64) -> Self {
        server.parts().create_part(create_part("bracket", "")).await.unwrap();
        let request = CreateRevisionRequest {
            parent: "parts/bracket".to_owned(),
            revision_id: "a".to_owned(),
            revision: Some(Revision { plan_source: BRACKET_PLAN.to_owned(), ..Revision::default() }),
        };
        let revision = server.parts().create_revision(request).await.unwrap().into_inner().name;
        let file = format!(
            "name,x,y,z,u\nA1,0,0,0,0.005\nA2,100,0,0,0.005\nA3,0,100,0,0.005\nP1,10,20,{height_mm},0.005\n"
        );
        let blob = server.put(file.as_bytes()).await;
        Self { server, revision, blob, count: 0 }
    }

    /// Taken with the arm on 2024-06-01, dull.
    fn taken(&self) -> Acquisition {
        Acquisition {
            blob: self.blob.clone(),
            length_unit: LengthUnit::Millimetre.into(),
            content: AcquisitionContent::Points.into(),
            coordinates: PointCoordinates::Instrument.into(),
            registered_instrument: "instruments/arm-2".into(),
            // 2024-06-01 is day 19,875 of the epoch.
            acquire_time: Some(prost_types::Timestamp { seconds: 19_875 * 86_400 + 3_600, nanos: 0 }),
            surface_class: SurfaceClass::Dull.into(),
            ..Acquisition::default()
        }
    }

    async fn acquire(&self, taken: Acquisition) -> Result<String, Status> {
        let request = CreateAcquisitionRequest { acquisition: Some(taken) };
        Ok(self.server.acquisitions().create_acquisition(request).await?.into_inner().name)
    }

    async fn judged(&mut self, taken: Acquisition) -> Inspection {
        let purpose = if taken.simulated { Purpose::Rehearsal } else { Purpose::Study };
        let acquisition = self.acquire(taken).await.unwrap();
        self.count += 1;
        let request = CreateInspectionRequest {
            request_id: format!("00000000-0000-4000-8000-{:012}", self.count),
            inspection: Some(Inspection {
                revision: self.revision.clone(),
                serial_number: format!("{}", self.count),
                sources: vec![Source { acquisition, ..Source::default() }],
                purpose: purpose.into(),
                ..Inspection::default()
            }),
        };
        let name = self.server.inspections().create_inspection(request).await.unwrap().into_inner().name;
        let wait_timeout = Some(prost_types::Duration { seconds: 60, nanos: 0 });
        let wait = WaitInspectionRequest { name, wait_timeout };
        self.server.inspections().wait_inspection(wait).await.unwrap().into_inner()
    }
}

/// How the record says its source was taken.
fn conditions(done: &Inspection) -> serde_json::Value {
    let record: serde_json::Value = serde_json::from_str(&done.result_json).unwrap();
    record["sources"][0]["conditions"].clone()
}

#[track_caller]
fn undecided(done: &Inspection, words: &[&str]) {
    assert_eq!(done.verdict(), Verdict::Undecided, "{}", done.reason);
    let reason = &done.evaluations[0].reason;
    for word in ["Arm 2", "instruments/arm-2"].iter().chain(words) {
        assert!(reason.contains(word), "{word}: {reason}");
    }
}

#[tokio::test]
async fn the_verification_in_force_on_the_day_tells_errors_and_validity() {
    let server = Server::start().await;
    add(&server, "arm-2").await.unwrap();
    let mut plant = Plant::new(server, 30.2).await;
    // Without any: nothing conforms, and the reason says what to do.
    let none = plant.judged(plant.taken()).await;
    undecided(&none, &["none at all", "verify the instrument on a dull surface"]);
    assert_eq!(conditions(&none)["taken_on"], "2024-06-01");

    verify(&plant.server, "a", certified("2024-01-10", "2025-01-10")).await.unwrap();
    verify(&plant.server, "later", certified("2024-06-02", "2025-06-02")).await.unwrap();
    let good = plant.judged(plant.taken()).await;
    assert_eq!(good.verdict(), Verdict::Conforms, "{}", good.reason);
    let told = conditions(&good);
    assert_eq!(told["registered_instrument"], "instruments/arm-2");
    assert_eq!(told["verification"], "instruments/arm-2/verifications/a");
    assert_eq!(told["verified_on"], "2024-01-10");
    assert_eq!(told["verification_valid_until"], "2025-01-10");
    assert_eq!(told["instrument"], "Arm 2 (instruments/arm-2)");
    assert_eq!(told["instrument_errors"], serde_json::json!({ "probing_mm": 0.004 }));
    // What is stated with the acquisition counts where it is larger.
    let stated = InstrumentErrors {
        probing_mm: Some(0.002),
        length_scale_mm_per_m: Some(0.01),
        ..InstrumentErrors::default()
    };
    let more = Acquisition { instrument_errors: Some(stated), ..plant.taken() };
    let more = plant.judged(more).await;
    let merged = serde_json::json!({ "probing_mm": 0.004, "length_scale_mm_per_m": 0.01 });
    assert_eq!(conditions(&more)["instrument_errors"], merged);

    // On another surface, and on one that is not stated.
    let dark = Acquisition { surface_class: SurfaceClass::Dark.into(), ..plant.taken() };
    undecided(
        &plant.judged(dark).await,
        &["dark surfaces", "on dull surfaces", "verify the instrument on a dark surface"],
    );
    let unsaid = Acquisition { surface_class: 0, ..plant.taken() };
    undecided(&plant.judged(unsaid).await, &["not stated", "state the surface class"]);
    let sprayed = Acquisition { surface_class: 0, matt_spray: Some(true), ..plant.taken() };
    assert_eq!(plant.judged(sprayed).await.verdict(), Verdict::Conforms);

    // A later one counts, also where it has expired; and one that was not passed.
    verify(&plant.server, "short", certified("2024-05-01", "2024-05-31")).await.unwrap();
    let expired = plant.judged(plant.taken()).await;
    undecided(
        &expired,
        &["verifications/short", "valid until 2024-05-31", "taken on 2024-06-01", "measure again"],
    );
    assert_eq!(conditions(&expired)["verification_valid_until"], "2024-05-31");
    let evaluate = EvaluateRequest {
        revision: plant.revision.clone(),
        points: vec![plant.acquire(plant.taken()).await.unwrap()],
        ..EvaluateRequest::default()
    };
    let mut sums = MeasurementServiceClient::new(plant.server.channel.clone());
    let unrecorded = sums.evaluate(evaluate).await.unwrap().into_inner();
    assert_eq!(unrecorded.verdict(), Verdict::Undecided);
    withdraw(&plant.server, "short", "made on another arm").await.unwrap();
    assert_eq!(plant.judged(plant.taken()).await.verdict(), Verdict::Conforms);
    let failed = Verification {
        problems: vec!["the probing size error is 0.08 mm".into()],
        ..certified("2024-05-02", "2025-05-01")
    };
    verify(&plant.server, "failed", failed).await.unwrap();
    undecided(&plant.judged(plant.taken()).await, &["not passed", "0.08 mm"]);
    withdraw(&plant.server, "failed", "the ball was dirty").await.unwrap();

    // Withdrawn, it counts no longer; what was recorded with it stays as it is.
    withdraw(&plant.server, "a", "the artefact was warm").await.unwrap();
    undecided(&plant.judged(plant.taken()).await, &["dull surfaces", "2025-06-02"]);
    let again = scantling_proto::v1::GetInspectionRequest { name: good.name.clone() };
    let kept = plant.server.inspections().get_inspection(again).await.unwrap().into_inner();
    assert_eq!((kept.verdict(), kept.result_sha256), (Verdict::Conforms, good.result_sha256));

    // What a simulator verified vouches for rehearsals only.
    let simulated = Verification { simulated: true, ..certified("2024-02-01", "2025-02-01") };
    verify(&plant.server, "simulated", simulated).await.unwrap();
    undecided(&plant.judged(plant.taken()).await, &["dull surfaces"]);
    let rehearsal = Acquisition { simulated: true, ..plant.taken() };
    assert_eq!(plant.judged(rehearsal).await.verdict(), Verdict::Conforms);
}

#[tokio::test]
async fn what_fails_still_fails_and_one_for_every_surface_needs_none_stated() {
    let server = Server::start().await;
    add(&server, "arm-2").await.unwrap();
    let mut plant = Plant::new(server, 30.9).await;
    let bad = plant.judged(plant.taken()).await;
    assert_eq!(bad.verdict(), Verdict::DoesNotConform, "{}", bad.reason);
    let every = Verification {
        surface_classes: Vec::new(),
        every_surface: true,
        ..certified("2024-01-10", "2025-01-10")
    };
    verify(&plant.server, "touch", every).await.unwrap();
    let unsaid = Acquisition { surface_class: 0, ..plant.taken() };
    let bad = plant.judged(unsaid).await;
    assert_eq!(conditions(&bad)["verification"], "instruments/arm-2/verifications/touch");
    assert_eq!(bad.verdict(), Verdict::DoesNotConform, "{}", bad.reason);
}

#[tokio::test]
async fn an_acquisition_names_an_instrument_that_there_is_and_says_its_day() {
    let server = Server::start().await;
    let plant = Plant::new(server, 30.0).await;
    refused(plant.acquire(plant.taken()).await, Code::NotFound, "NOT_FOUND");
    add(&plant.server, "arm-2").await.unwrap();
    let undated = Acquisition { acquire_time: None, ..plant.taken() };
    let status = refused(plant.acquire(undated).await, Code::InvalidArgument, "INVALID_FIELD");
    assert_eq!(fields(&status), ["acquisition.acquire_time"]);
    let misnamed = Acquisition { registered_instrument: "arm-2".into(), ..plant.taken() };
    let status = refused(plant.acquire(misnamed).await, Code::InvalidArgument, "INVALID_FIELD");
    assert_eq!(fields(&status), ["acquisition.registered_instrument"]);
    assert!(plant.acquire(plant.taken()).await.is_ok());
}
