//! `measure` and the calls without a record against a service that remembers what it was asked.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex};

use clap::Parser;
use scantling_proto::v1::acquisition_service_server::{AcquisitionService, AcquisitionServiceServer};
use scantling_proto::v1::blob_service_server::{BlobService, BlobServiceServer};
use scantling_proto::v1::inspection_service_server::{InspectionService, InspectionServiceServer};
use scantling_proto::v1::measurement_service_server::{MeasurementService, MeasurementServiceServer};
use scantling_proto::v1::*;
use tokio::net::TcpListener;
use tokio_stream::Iter;
use tonic::transport::server::TcpIncoming;
use tonic::transport::{Channel, Server};
use tonic::{Code, Request, Response, Status, Streaming};
use tonic_types::{ErrorDetails, StatusExt};

use super::{Context, calls, measure};
use crate::args::{Arguments, Command};
use crate::exit::Exit;
use crate::output::Output;
use crate::progress::Progress;

/// What it was asked, and what it answers.
#[derive(Default)]
struct Kept {
    acquisitions: Vec<Acquisition>,
    inspections: Vec<Inspection>,
    found: LocateResponse,
    located: Vec<LocateRequest>,
    aligned: Vec<AlignRequest>,
    evaluated: Vec<EvaluateRequest>,
    associated: Vec<AssociateRequest>,
    simulated: Vec<SimulateScanRequest>,
    /// Whether its self-check passes.
    sound: bool,
    /// By serial number; conforms where none is said.
    verdicts: BTreeMap<String, Verdict>,
}

#[derive(Clone, Default)]
struct Plant(Arc<Mutex<Kept>>);

type Answer<T> = Result<Response<T>, Status>;
type Never<T> = Iter<std::vec::IntoIter<Result<T, Status>>>;

fn not_asked<T>() -> Answer<T> {
    Err(Status::internal("this test does not ask that"))
}

impl Plant {
    fn kept(&self) -> std::sync::MutexGuard<'_, Kept> {
        self.0.lock().expect("no panic before")
    }

    async fn context(&self) -> Context {
        let listener = TcpListener::bind("127.0.0.1:0").await.expect("a free port");
        let url = format!("http://{}", listener.local_addr().expect("bound"));
        let server = Server::builder()
            .add_service(BlobServiceServer::new(self.clone()))
            .add_service(AcquisitionServiceServer::new(self.clone()))
            .add_service(InspectionServiceServer::new(self.clone()))
            .add_service(MeasurementServiceServer::new(self.clone()));
        tokio::spawn(server.serve_with_incoming(TcpIncoming::from(listener)));
        let channel = Channel::from_shared(url).expect("a url").connect().await.expect("connects");
        let global =
            Arguments::try_parse_from(["scantling", "--quiet", "part", "list"]).expect("words").global;
        Context {
            channel,
            own_service: false,
            output: Output::new(&global),
            progress: Progress::new(true),
            open: Arc::default(),
        }
    }

    /// Types a command.
    async fn type_in(&self, words: &[&str]) -> anyhow::Result<Exit> {
        let context = self.context().await;
        let typed = ["scantling"].iter().chain(words);
        match Arguments::try_parse_from(typed).expect("words").command {
            Command::Measure(args) => measure::run(&context, *args).await,
            Command::Locate(args) => calls::run_locate(&context, args).await,
            Command::Align(args) => calls::align(&context, args).await,
            Command::Evaluate(args) => calls::evaluate(&context, args).await,
            Command::SelfCheck(args) => calls::self_check(&context, &args).await,
            Command::Simulate(args) => calls::simulate(&context, args).await,
            Command::Associate(args) => calls::associate(&context, args).await,
            other => panic!("{other:?}"),
        }
    }
}

#[tonic::async_trait]
impl BlobService for Plant {
    type ReadBlobStream = Never<ReadBlobResponse>;

    async fn create_upload(&self, request: Request<CreateUploadRequest>) -> Answer<Upload> {
        // Whatever it is, it is known.
        let blob = Some(format!("blobs/{}", request.into_inner().sha256));
        Ok(Response::new(Upload { name: "uploads/1".into(), blob, ..Upload::default() }))
    }
    async fn get_upload(&self, _: Request<GetUploadRequest>) -> Answer<Upload> {
        not_asked()
    }
    async fn write_blob(&self, _: Request<Streaming<WriteBlobRequest>>) -> Answer<Upload> {
        not_asked()
    }
    async fn get_blob(&self, _: Request<GetBlobRequest>) -> Answer<Blob> {
        not_asked()
    }
    async fn read_blob(&self, _: Request<ReadBlobRequest>) -> Answer<Self::ReadBlobStream> {
        not_asked()
    }
}

#[tonic::async_trait]
impl AcquisitionService for Plant {
    async fn create_acquisition(&self, request: Request<CreateAcquisitionRequest>) -> Answer<Acquisition> {
        let mut kept = self.kept();
        let mut new = request.into_inner().acquisition.unwrap_or_default();
        new.name = format!("acquisitions/{}", kept.acquisitions.len() + 1);
        kept.acquisitions.push(new.clone());
        Ok(Response::new(new))
    }
    async fn get_acquisition(&self, _: Request<GetAcquisitionRequest>) -> Answer<Acquisition> {
        not_asked()
    }
    async fn list_acquisitions(
        &self,
        _: Request<ListAcquisitionsRequest>,
    ) -> Answer<ListAcquisitionsResponse> {
        let acquisitions = self.kept().acquisitions.clone();
        Ok(Response::new(ListAcquisitionsResponse { acquisitions, ..Default::default() }))
    }
}

#[tonic::async_trait]
impl InspectionService for Plant {
    type WatchInspectionsStream = Never<WatchInspectionsResponse>;

    async fn create_inspection(&self, request: Request<CreateInspectionRequest>) -> Answer<Inspection> {
        let mut kept = self.kept();
        let mut new = request.into_inner().inspection.unwrap_or_default();
        let same = |i: &&Inspection| i.serial_number == new.serial_number && i.sources == new.sources;
        if let Some(first) = kept.inspections.iter().find(same) {
            let metadata: std::collections::HashMap<_, _> =
                [("inspection".to_owned(), first.name.clone())].into_iter().collect();
            let details = ErrorDetails::with_error_info("ALREADY_INSPECTED", "scantling", metadata);
            return Err(Status::with_error_details(Code::AlreadyExists, "inspected before", details));
        }
        new.name = format!("inspections/{}", kept.inspections.len() + 1);
        new.set_state(InspectionState::Queued);
        kept.inspections.push(new.clone());
        Ok(Response::new(new))
    }
    async fn get_inspection(&self, request: Request<GetInspectionRequest>) -> Answer<Inspection> {
        let name = request.into_inner().name;
        let found = self.kept().inspections.iter().find(|i| i.name == name).cloned();
        found.map(Response::new).ok_or_else(|| Status::not_found(name))
    }
    async fn list_inspections(&self, _: Request<ListInspectionsRequest>) -> Answer<ListInspectionsResponse> {
        not_asked()
    }
    async fn wait_inspection(&self, request: Request<WaitInspectionRequest>) -> Answer<Inspection> {
        let name = request.into_inner().name;
        let mut kept = self.kept();
        let verdicts = kept.verdicts.clone();
        let found = kept.inspections.iter_mut().find(|i| i.name == name);
        let found = found.ok_or_else(|| Status::not_found(name))?;
        found.set_state(InspectionState::Done);
        found.set_verdict(verdicts.get(&found.serial_number).copied().unwrap_or(Verdict::Conforms));
        Ok(Response::new(found.clone()))
    }
    async fn watch_inspections(
        &self,
        _: Request<WatchInspectionsRequest>,
    ) -> Answer<Self::WatchInspectionsStream> {
        not_asked()
    }
}

#[tonic::async_trait]
impl MeasurementService for Plant {
    async fn locate(&self, request: Request<LocateRequest>) -> Answer<LocateResponse> {
        let mut kept = self.kept();
        kept.located.push(request.into_inner());
        Ok(Response::new(kept.found.clone()))
    }
    async fn align(&self, request: Request<AlignRequest>) -> Answer<AlignResponse> {
        self.kept().aligned.push(request.into_inner());
        Ok(Response::new(AlignResponse::default()))
    }
    async fn evaluate(&self, request: Request<EvaluateRequest>) -> Answer<EvaluateResponse> {
        self.kept().evaluated.push(request.into_inner());
        let verdict = Verdict::DoesNotConform.into();
        Ok(Response::new(EvaluateResponse { verdict, ..Default::default() }))
    }
    async fn associate(&self, request: Request<AssociateRequest>) -> Answer<AssociateResponse> {
        self.kept().associated.push(request.into_inner());
        Ok(Response::new(AssociateResponse::default()))
    }
    async fn simulate_scan(&self, request: Request<SimulateScanRequest>) -> Answer<SimulateScanResponse> {
        self.kept().simulated.push(request.into_inner());
        Ok(Response::new(SimulateScanResponse { truth_json: "{\"parts\":[]}".into(), ..Default::default() }))
    }
    async fn self_check(&self, _: Request<SelfCheckRequest>) -> Answer<SelfCheckResponse> {
        Ok(Response::new(SelfCheckResponse { passed: self.kept().sound, ..Default::default() }))
    }
}

/// Files of one test.
struct Files(tempfile::TempDir);

impl Files {
    fn new(files: &[(&str, &str)]) -> Self {
        let folder = tempfile::tempdir().expect("a temporary folder");
        for (name, text) in files {
            std::fs::write(folder.path().join(name), text).expect("written");
        }
        Self(folder)
    }

    fn path(&self, name: &str) -> String {
        self.0.path().join(name).display().to_string()
    }
}

fn lies(shift_mm: f64) -> Placement {
    let rotation = vec![1.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0];
    Placement { rotation, translation_mm: vec![shift_mm, 0.0, 0.0] }
}

fn finding(kind: FindingKind, shift_mm: f64) -> Finding {
    Finding { kind: kind.into(), placements: vec![lies(shift_mm)], ..Finding::default() }
}

#[tokio::test]
async fn scans_points_and_readings_go_into_one_request() {
    let files = Files::new(&[
        ("front.ply", "front"),
        ("back.ply", "back"),
        ("arm.csv", "name,x,y,z\nH1,1,2,3\n"),
        ("hand.csv", "characteristic,value,unit,instrument\n20,3.02,mm,calliper 12\n"),
    ]);
    let plant = Plant::default();
    let exit = plant
        .type_in(&[
            "measure",
            "--revision",
            "ws-214/c-4",
            "--serial",
            "7",
            "--unit",
            "inch",
            "--operator",
            "AB",
            "--scan",
            &files.path("front.ply"),
            "--scan",
            &files.path("back.ply"),
            "--points",
            &files.path("arm.csv"),
            "--coordinates",
            "instrument",
            "--point-uncertainty",
            "0.02",
            "--readings",
            &files.path("hand.csv"),
            "--reading",
            "21=fail, plug gauge",
            "--taken",
            "2026-05-04T10:30:00Z",
        ])
        .await
        .expect("measured");
    assert_eq!(exit, Exit::Success);
    let kept = plant.kept();
    let [front, back, points] = &kept.acquisitions[..] else { panic!("{:?}", kept.acquisitions) };
    assert_eq!((front.content(), front.length_unit()), (AcquisitionContent::Unspecified, LengthUnit::Inch));
    assert_ne!(front.blob, back.blob);
    assert_eq!(points.content(), AcquisitionContent::Points);
    assert_eq!(points.coordinates(), PointCoordinates::Instrument);
    assert_eq!(points.point_standard_uncertainty_mm, Some(0.02));
    assert_eq!(front.point_standard_uncertainty_mm, None);
    assert_eq!(front.acquire_time.map(|t| t.seconds), Some(1_777_890_600));
    let [asked] = &kept.inspections[..] else { panic!("{:?}", kept.inspections) };
    assert_eq!(asked.sources.len(), 3);
    assert_eq!(asked.readings.len(), 2);
    assert_eq!((asked.readings[0].value, asked.readings[0].operator.as_str()), (Some(3.02), "AB"));
    assert_eq!(asked.readings[1].passed, Some(false));
}

#[tokio::test]
async fn every_part_of_a_scan_is_measured_where_it_lies() {
    let files = Files::new(&[("table.ply", "table")]);
    let plant = Plant::default();
    {
        let mut kept = plant.kept();
        kept.found.findings = vec![
            finding(FindingKind::Part, 1.0),
            finding(FindingKind::OtherHand, 2.0),
            finding(FindingKind::Part, 3.0),
        ];
    }
    let scan = files.path("table.ply");
    let words = [
        "measure",
        "--revision",
        "ws-214/c-4",
        "--serial",
        "T9",
        "--unit",
        "mm",
        "--all-instances",
        "--scan",
        &scan,
        "--region",
        "0,0,-5,2000,1000,300",
    ];
    // Both conform, but nobody measured what may be a part of the other hand.
    assert_eq!(plant.type_in(&words).await.expect("measured"), Exit::Undecided);
    {
        let mut kept = plant.kept();
        let told: Vec<_> = kept
            .inspections
            .iter()
            .map(|i| (i.serial_number.clone(), i.sources[0].placement.clone().map(|p| p.translation_mm[0])))
            .collect();
        assert_eq!(told, [("T9-1".to_owned(), Some(1.0)), ("T9-2".to_owned(), Some(3.0))]);
        assert_eq!(
            kept.located[0].scan.as_ref().and_then(|s| s.region.clone()).expect("a box").maximum_mm[0],
            2000.0
        );
        assert_eq!(kept.acquisitions.len(), 1);
        kept.inspections[1].set_verdict(Verdict::DoesNotConform);
    }
    // The same again asks for nothing new, and the worst counts.
    assert_eq!(plant.type_in(&words).await.expect("measured"), Exit::DoesNotConform);
    assert_eq!(plant.kept().inspections.len(), 2);
    // No part at all is no pass.
    plant.kept().found = LocateResponse::default();
    assert_eq!(plant.type_in(&words).await.expect("looked"), Exit::Undecided);
}

#[tokio::test]
async fn the_same_again_waits_for_what_is_not_finished_and_is_refused_when_it_is() {
    let files = Files::new(&[("scan.ply", "scan")]);
    let plant = Plant::default();
    plant.kept().verdicts.insert("7".into(), Verdict::DoesNotConform);
    let scan = files.path("scan.ply");
    let words = ["measure", "--revision", "a/b", "--serial", "7", "--unit", "mm", "--scan", &scan];
    let left = plant.type_in(&[&words[..], &["--no-wait"]].concat()).await.expect("accepted");
    assert_eq!(left, Exit::Undecided, "no verdict is no pass");
    // Another question about it is not the same.
    let other = plant.type_in(&[&words[..], &["--group", "skin"]].concat()).await.expect_err("in conflict");
    assert_eq!(Exit::of_error(&other), Exit::NotFoundOrConflict);
    assert_eq!(plant.type_in(&words).await.expect("joined"), Exit::DoesNotConform);
    assert_eq!(plant.kept().inspections.len(), 1);
    let finished = plant.type_in(&words).await.expect_err("in conflict");
    assert_eq!(Exit::of_error(&finished), Exit::NotFoundOrConflict);
}

#[tokio::test]
async fn a_verdict_is_not_lost_for_a_report_that_is_not_there() {
    let files = Files::new(&[("scan.ply", "scan")]);
    let plant = Plant::default();
    plant.kept().verdicts.insert("7".into(), Verdict::DoesNotConform);
    let (scan, report) = (files.path("scan.ply"), files.path("7.html"));
    let words = [
        "measure",
        "--revision",
        "a/b",
        "--serial",
        "7",
        "--unit",
        "mm",
        "--scan",
        &scan,
        "--report",
        &report,
    ];
    assert_eq!(plant.type_in(&words).await.expect("measured"), Exit::DoesNotConform);
}

#[tokio::test]
async fn calls_without_a_record_name_scan_box_placement_and_shape() {
    let files = Files::new(&[
        ("scan.ply", "scan"),
        ("lies.json", r#"{"placement": {"rotation": [1,0,0,0,1,0,0,0,1], "translationMm": [4,0,0]}}"#),
        ("short.json", r#"{"rotation": [1,0,0], "translationMm": [4,0,0]}"#),
    ]);
    let plant = Plant::default();
    let scan = files.path("scan.ply");
    let one = ["--revision", "a/b", "--scan", &scan, "--unit", "cm"];
    let answered = files.path("lies.json");
    plant.type_in(&[&["locate"], &one[..], &["--region", "0,0,0,1,2,3"]].concat()).await.expect("located");
    plant
        .type_in(&[&["align"], &one[..], &["--placement", &answered, "--datum-system", "ABC"]].concat())
        .await
        .expect("aligned");
    // No verdict releases anything unless it is recorded.
    let exit = plant.type_in(&[&["evaluate"], &one[..]].concat()).await.expect("evaluated");
    assert_eq!(exit, Exit::Success);
    plant
        .type_in(
            &[
                &["associate", "cylinder", &scan, "--unit", "mm", "--columns", "x y z"][..],
                &["--region", "-1,-2,-3,4,5,6"],
            ]
            .concat(),
        )
        .await
        .expect("associated");
    let short = files.path("short.json");
    let refused = plant.type_in(&[&["align"], &one[..], &["--placement", &short]].concat()).await;
    assert_eq!(Exit::of_error(&refused.expect_err("refused")), Exit::Refused);

    let kept = plant.kept();
    let Some(scan_input::Scan::Blob(blob)) = kept.located[0].scan.as_ref().and_then(|s| s.scan.clone())
    else {
        panic!("{:?}", kept.located)
    };
    assert_eq!(blob.length_unit(), LengthUnit::Centimetre);
    let aligned = &kept.aligned[0];
    assert_eq!(aligned.datum_system, "ABC");
    let placement = aligned.scan.as_ref().and_then(|s| s.placement.clone());
    assert_eq!(placement, Some(lies(4.0)));
    assert_eq!(kept.associated[0].shape(), ShapeKind::Cylinder);
    let region = kept.associated[0].points.as_ref().and_then(|p| p.region.clone()).expect("a region");
    assert_eq!(
        (region.minimum_mm.as_slice(), region.maximum_mm.as_slice()),
        (&[-1.0, -2.0, -3.0][..], &[4.0, 5.0, 6.0][..])
    );
    assert!(kept.acquisitions.is_empty() && kept.inspections.is_empty());
}

#[tokio::test]
async fn the_side_of_the_material_is_asked_for_in_the_words_of_the_command() {
    let files = Files::new(&[("points.csv", "x,y,z\n")]);
    let (plant, file) = (Plant::default(), files.path("points.csv"));
    let outside = ["--criterion", "least-squares-outside"];
    for (shape, more, words) in [
        ("plane", &outside[..], "--outward X,Y,Z"),
        ("slot", &outside[..], "--material around"),
        ("slot", &["--material", "around"][..], "leave it out"),
        ("plane", &["--outward", "0,0,1"][..], "leave it out"),
    ] {
        let words_typed = [&["associate", shape, &file, "--unit", "mm"][..], more].concat();
        let refused = plant.type_in(&words_typed).await.expect_err("refused");
        assert_eq!(Exit::of_error(&refused), Exit::Usage);
        assert!(refused.to_string().contains(words), "{refused}");
    }
    assert!(plant.kept().associated.is_empty());
}

#[tokio::test]
async fn a_self_check_that_fails_is_a_fault_of_the_program() {
    let plant = Plant::default();
    assert_eq!(plant.type_in(&["self-check"]).await.expect("answered"), Exit::Internal);
    plant.kept().sound = true;
    assert_eq!(plant.type_in(&["self-check", "--all"]).await.expect("answered"), Exit::Success);
}

#[tokio::test]
async fn a_simulation_is_sent_as_it_is_written_and_its_truth_is_saved() {
    let files = Files::new(&[("table.toml", "seed = 1\n")]);
    let plant = Plant::default();
    let (file, truth) = (files.path("table.toml"), files.path("truth.json"));
    plant.type_in(&["simulate", &file, "--revision", "a/b", "--truth", &truth]).await.expect("simulated");
    assert_eq!(std::fs::read_to_string(&truth).expect("saved"), "{\"parts\":[]}");
    let kept = plant.kept();
    assert_eq!(kept.simulated[0].revision, "parts/a/revisions/b");
    assert_eq!(
        kept.simulated[0].simulation,
        Some(simulate_scan_request::Simulation::Toml("seed = 1\n".into()))
    );
}
