//! Asking for inspections: what is refused and why, what survives, who hears of it.

#![allow(clippy::unwrap_used, reason = "a test may end so")]

mod harness;

use std::time::Duration;

use harness::{Server, config, fields, refused};
use scantling_proto::v1::{
    CreateInspectionRequest, CreatePartRequest, FailureReason, GetInspectionRequest, Inspection,
    InspectionState, ListInspectionsRequest, ListPartsRequest, Purpose, Source, WaitInspectionRequest,
    WatchInspectionsRequest,
};
use scantling_server::store::{SourceRequest, Store};
use scantling_server::{Config, ServeError, embedded, run};
use tokio::net::TcpListener;
use tonic::{Code, Request};
use tonic_types::StatusExt;

fn request_id(n: u32) -> String {
    format!("00000000-0000-4000-8000-{n:012}")
}

/// A draft of the demo part.
async fn revision(server: &Server, id: &str) -> String {
    server.revision("ws-214", id).await
}

fn asked(n: u32, revision: &str, scan: &str, purpose: Purpose) -> CreateInspectionRequest {
    CreateInspectionRequest {
        request_id: request_id(n),
        inspection: Some(Inspection {
            revision: revision.to_owned(),
            serial_number: "0001".to_owned(),
            sources: vec![Source { acquisition: scan.to_owned(), ..Source::default() }],
            purpose: purpose.into(),
            ..Inspection::default()
        }),
    }
}

async fn create(server: &Server, request: CreateInspectionRequest) -> Result<Inspection, tonic::Status> {
    Ok(server.inspections().create_inspection(request).await?.into_inner())
}

async fn wait(server: &Server, name: &str) -> Inspection {
    let request = WaitInspectionRequest {
        name: name.to_owned(),
        wait_timeout: Some(prost_types::Duration { seconds: 20, nanos: 0 }),
    };
    server.inspections().wait_inspection(request).await.unwrap().into_inner()
}

#[tokio::test]
async fn everything_wrong_with_a_request_is_said_at_once() {
    let server = Server::start().await;
    let wrong = CreateInspectionRequest {
        request_id: "again".to_owned(),
        inspection: Some(Inspection {
            revision: "ws-214".to_owned(),
            scope_groups: vec![String::new()],
            repeat_of: Some("the first".to_owned()),
            ..Inspection::default()
        }),
    };
    let status = refused(create(&server, wrong).await, Code::InvalidArgument, "INVALID_FIELD");
    assert_eq!(
        fields(&status),
        [
            "request_id",
            "inspection.revision",
            "inspection.serial_number",
            "inspection.sources",
            "inspection.scope_groups[0]",
            "inspection.purpose",
            "inspection.repeat_of"
        ]
    );
    let nothing = CreateInspectionRequest::default();
    let status = refused(create(&server, nothing).await, Code::InvalidArgument, "INVALID_FIELD");
    assert_eq!(fields(&status), ["request_id", "inspection"]);
}

#[tokio::test]
async fn each_reason_to_refuse_an_inspection_has_its_name() {
    let server = Server::start().await;
    let revision = revision(&server, "c").await;
    let real = server.scan(b"scan", false).await;
    let simulated = server.scan(b"scan", true).await;

    let nobody = asked(1, "parts/ws-214/revisions/z", &real, Purpose::Study);
    let status = refused(create(&server, nobody).await, Code::NotFound, "NOT_FOUND");
    assert_eq!(status.get_error_details().error_info().unwrap().metadata["name"], "parts/ws-214/revisions/z");
    let no_scan = asked(1, &revision, "acquisitions/none", Purpose::Study);
    refused(create(&server, no_scan).await, Code::NotFound, "NOT_FOUND");
    let draft = asked(1, &revision, &real, Purpose::Production);
    refused(create(&server, draft).await, Code::FailedPrecondition, "REVISION_NOT_RELEASED");
    let pretended = asked(1, &revision, &simulated, Purpose::Study);
    refused(create(&server, pretended).await, Code::FailedPrecondition, "SIMULATED_SCAN");
    let mut no_group = asked(1, &revision, &real, Purpose::Study);
    no_group.inspection.as_mut().unwrap().scope_groups = vec!["no such group".to_owned()];
    let status = refused(create(&server, no_group).await, Code::InvalidArgument, "INVALID_FIELD");
    assert!(status.message().contains("which has"), "says which groups there are: {status:?}");
    let mut two = asked(1, &revision, &real, Purpose::Study);
    let sources = &mut two.inspection.as_mut().unwrap().sources;
    sources.push(sources[0].clone());
    refused(create(&server, two).await, Code::InvalidArgument, "INVALID_FIELD");

    let first = create(&server, asked(1, &revision, &real, Purpose::Study)).await.unwrap();
    assert_eq!(create(&server, asked(1, &revision, &real, Purpose::Study)).await.unwrap().name, first.name);
    let other = asked(1, &revision, &simulated, Purpose::Rehearsal);
    refused(create(&server, other).await, Code::AlreadyExists, "REQUEST_ID_REUSED");
    let again = asked(2, &revision, &real, Purpose::Study);
    let status = refused(create(&server, again.clone()).await, Code::AlreadyExists, "ALREADY_INSPECTED");
    assert_eq!(status.get_error_details().error_info().unwrap().metadata["inspection"], first.name);
    let mut repeat = again;
    repeat.inspection.as_mut().unwrap().repeat_of = Some(first.name);
    assert_eq!(create(&server, repeat).await.unwrap().attempt, 2);

    let part = CreatePartRequest { part_id: "ws-214".to_owned(), title: String::new() };
    refused(server.parts().create_part(part).await, Code::AlreadyExists, "ALREADY_EXISTS");
    server.store.release_revision("local", "ws-214", "c").await.unwrap();
    let release = scantling_proto::v1::ReleaseRevisionRequest { name: revision };
    refused(server.parts().release_revision(release).await, Code::FailedPrecondition, "REVISION_NOT_DRAFT");
    let token = ListPartsRequest { page_token: "AAAA".to_owned(), ..ListPartsRequest::default() };
    refused(server.parts().list_parts(token).await, Code::InvalidArgument, "INVALID_FIELD");
}

#[tokio::test]
async fn too_much_waiting_is_refused_with_a_time_to_come_back() {
    let server = Server::with(|c| c.limits.queued_inspections = 0).await;
    let revision = revision(&server, "c").await;
    let scan = server.scan(b"scan", false).await;
    let asked = asked(1, &revision, &scan, Purpose::Study);
    let status = refused(create(&server, asked).await, Code::ResourceExhausted, "OVERLOADED");
    assert!(status.get_error_details().retry_info().is_some());
}

#[tokio::test]
async fn a_scan_that_cannot_be_read_fails_with_its_reason_and_passes_nothing() {
    let server = Server::start().await;
    let revision = revision(&server, "c").await;
    let scan = server.scan(b"ply\nformat ascii 1.0\nelement vertex 3\n", false).await;
    let name = create(&server, asked(1, &revision, &scan, Purpose::Study)).await.unwrap().name;
    let ended = wait(&server, &name).await;
    assert_eq!((ended.state(), ended.failure()), (InspectionState::Failed, FailureReason::ScanUnreadable));
    assert_eq!((ended.verdict, ended.result_json.as_str()), (0, ""), "no verdict");
    assert!(ended.reason.contains("line"), "says where: {}", ended.reason);
    assert_eq!(ended.sequence, Some(1));
}

#[tokio::test]
async fn a_kept_plan_that_cannot_be_read_is_a_fault_of_ours() {
    let server = Server::start().await;
    revision(&server, "c").await;
    let mut damaged = server.store.revision("ws-214", "c").await.unwrap().content;
    (damaged.id, damaged.plan_json) = ("d".to_owned(), "{}".to_owned());
    server.store.create_revision("local", &damaged).await.unwrap();
    let scan = server.scan(&harness::nominal_stl(), false).await;
    let asked = asked(1, "parts/ws-214/revisions/d", &scan, Purpose::Study);
    let name = create(&server, asked).await.unwrap().name;
    let ended = wait(&server, &name).await;
    assert_eq!((ended.state(), ended.failure()), (InspectionState::Failed, FailureReason::Internal));
    let read = scantling_proto::v1::GetRevisionRequest { name: "parts/ws-214/revisions/d".to_owned() };
    refused(server.parts().get_revision(read).await, Code::Internal, "INTERNAL");
}

#[tokio::test]
async fn a_scan_in_another_unit_fails_with_that_hint() {
    let server = Server::start().await;
    let revision = revision(&server, "c").await;
    // The part itself, called inches.
    let acquisition = scantling_proto::v1::Acquisition {
        blob: server.put(&harness::nominal_stl()).await,
        length_unit: scantling_proto::v1::LengthUnit::Inch.into(),
        ..Default::default()
    };
    let request = scantling_proto::v1::CreateAcquisitionRequest { acquisition: Some(acquisition) };
    let scan = server.acquisitions().create_acquisition(request).await.unwrap().into_inner().name;
    let name = create(&server, asked(1, &revision, &scan, Purpose::Study)).await.unwrap().name;
    let ended = wait(&server, &name).await;
    assert_eq!(
        (ended.state(), ended.failure()),
        (InspectionState::Failed, FailureReason::LengthUnit),
        "{ended:?}"
    );
}

#[tokio::test]
async fn a_scan_over_the_limit_fails_with_that_reason() {
    let server = Server::start().await;
    let revision = revision(&server, "c").await;
    let scan = server.scan(&vec![7; 2_000_000], false).await;
    let folder = server.end().await;
    // The limit was lowered since the scan was taken in.
    let mut config = config(folder.path());
    config.limits.file_bytes = 1_900_000;
    let server = Server::on(folder, config).await;
    let name = create(&server, asked(1, &revision, &scan, Purpose::Study)).await.unwrap().name;
    let ended = wait(&server, &name).await;
    assert_eq!((ended.state(), ended.failure()), (InspectionState::Failed, FailureReason::LimitExceeded));
}

#[tokio::test]
async fn a_scan_of_the_part_gets_a_verdict_a_result_with_its_digest_and_a_page() {
    let server = Server::start().await;
    let revision = revision(&server, "c").await;
    let scan = server.scan(&harness::perfect_scan(), false).await;
    let name = create(&server, asked(1, &revision, &scan, Purpose::Study)).await.unwrap().name;
    let mut done = wait(&server, &name).await;
    for _ in 0..5 {
        if done.state() != InspectionState::Running && done.state() != InspectionState::Queued {
            break;
        }
        done = wait(&server, &name).await;
    }
    assert_eq!(done.state(), InspectionState::Done, "{}", done.reason);
    assert_ne!(done.verdict(), scantling_proto::v1::Verdict::Unspecified);
    assert!(!done.evaluations.is_empty() && !done.reason.is_empty());
    assert_eq!(scantling_server::blobs::Digest::of(done.result_json.as_bytes()).hex(), done.result_sha256);
    let read = scantling_proto::v1::ReadBlobRequest { name: done.report_blob.unwrap() };
    let mut stream = server.blobs().read_blob(read).await.unwrap().into_inner();
    let page = stream.message().await.unwrap().unwrap().chunk;
    assert!(page.to_ascii_lowercase().starts_with(b"<!doctype html>"));
}

#[tokio::test]
async fn waiting_answers_with_the_state_as_it_is_when_the_time_is_up() {
    let server = Server::start().await;
    let revision = revision(&server, "c").await;
    let scan = server.scan(b"scan", false).await;
    // Claimed behind the service's back, so that it stays as it is.
    let request = asked(1, &revision, &scan, Purpose::Study).inspection.unwrap();
    let id = held_inspection(&server.store, &request).await;
    let begun = std::time::Instant::now();
    let wait = WaitInspectionRequest {
        name: format!("inspections/{id}"),
        wait_timeout: Some(prost_types::Duration { seconds: 0, nanos: 200_000_000 }),
    };
    let state = server.inspections().wait_inspection(wait.clone()).await.unwrap().into_inner();
    assert_eq!(state.state(), InspectionState::Running);
    assert!(begun.elapsed() >= Duration::from_millis(200));

    // A shorter limit of the call itself is kept with an answer, not with a broken call.
    let mut long = Request::new(WaitInspectionRequest { wait_timeout: None, ..wait.clone() });
    long.set_timeout(Duration::from_millis(1000));
    let state = server.inspections().wait_inspection(long).await.unwrap().into_inner();
    assert_eq!(state.state(), InspectionState::Running);
    let negative = Some(prost_types::Duration { seconds: -1, nanos: 0 });
    let wrong = WaitInspectionRequest { wait_timeout: negative, ..wait };
    refused(server.inspections().wait_inspection(wrong).await, Code::InvalidArgument, "INVALID_FIELD");
}

/// Submits and claims in a race with the service's own worker until we win.
async fn held_inspection(store: &Store, asked: &Inspection) -> String {
    use scantling_server::store::{Context, Purpose, Request};
    for n in 100..200 {
        let request = Request {
            part: "ws-214".to_owned(),
            revision: asked.revision.rsplit('/').next().unwrap().to_owned(),
            serial_number: format!("held {n}"),
            sources: vec![SourceRequest::whole(
                asked.sources[0].acquisition.strip_prefix("acquisitions/").unwrap(),
            )],
            readings: Vec::new(),
            scope_groups: Vec::new(),
            purpose: Purpose::Study,
            context: Context::default(),
            repeat_of: None,
        };
        store.submit("local", &request_id(n), &request, 1000).await.unwrap();
        if let Some(claim) = store.claim(60_000_000).await.unwrap() {
            return claim.inspection.id;
        }
    }
    panic!("the service's worker always was quicker");
}

#[tokio::test]
async fn a_listener_hears_every_end_in_order_and_resumes() {
    let server = Server::start().await;
    let revision = revision(&server, "c").await;
    let mut names = Vec::new();
    for n in 0..3 {
        let scan = server.scan(b"scan", false).await;
        names.push(create(&server, asked(n, &revision, &scan, Purpose::Study)).await.unwrap().name);
    }
    let watch = async |after| {
        let request = WatchInspectionsRequest { after_sequence: after };
        server.inspections().watch_inspections(request).await.unwrap().into_inner()
    };
    let mut all = watch(0).await;
    for (n, name) in names.iter().enumerate() {
        let event = all.message().await.unwrap().unwrap();
        assert_eq!((event.sequence, &event.inspection.unwrap().name), (n as i64 + 1, name));
    }
    let mut rest = watch(2).await;
    assert_eq!(rest.message().await.unwrap().unwrap().sequence, 3);
    // It goes on with what ends later.
    let scan = server.scan(b"scan", false).await;
    create(&server, asked(9, &revision, &scan, Purpose::Study)).await.unwrap();
    assert_eq!(rest.message().await.unwrap().unwrap().sequence, 4);
    let wrong = WatchInspectionsRequest { after_sequence: -1 };
    refused(server.inspections().watch_inspections(wrong).await, Code::InvalidArgument, "INVALID_FIELD");

    let listed = ListInspectionsRequest { page_size: 3, ..ListInspectionsRequest::default() };
    let first = server.inspections().list_inspections(listed.clone()).await.unwrap().into_inner();
    assert_eq!(first.inspections.len(), 3);
    let next = ListInspectionsRequest { page_token: first.next_page_token.clone(), ..listed.clone() };
    let second = server.inspections().list_inspections(next).await.unwrap().into_inner();
    assert_eq!((second.inspections.len(), second.next_page_token.as_str()), (1, ""));
    assert_eq!(second.inspections[0].name, names[0], "newest first");
    let narrowed = ListInspectionsRequest {
        page_token: first.next_page_token,
        serial_number: "0001".to_owned(),
        ..listed
    };
    refused(server.inspections().list_inspections(narrowed).await, Code::InvalidArgument, "INVALID_FIELD");
}

#[tokio::test]
async fn ending_tells_listeners_and_takes_nothing_new() {
    let server = Server::start().await;
    let request = WatchInspectionsRequest { after_sequence: 0 };
    let mut watch = server.inspections().watch_inspections(request).await.unwrap().into_inner();
    server.stop.cancel();
    refused(watch.message().await, Code::Unavailable, "STOPPING");
    let begun = std::time::Instant::now();
    server.task.await.unwrap().unwrap();
    assert!(begun.elapsed() < Duration::from_secs(3), "{:?}", begun.elapsed());
}

#[tokio::test]
async fn a_silent_connection_does_not_hold_up_the_end() {
    let folder = tempfile::tempdir().unwrap();
    let mut config = config(folder.path());
    config.limits.drain_ms = 500;
    let store = harness::reopen(&config).await;
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap();
    let (stop, stopped) = tokio::sync::oneshot::channel::<()>();
    let task = tokio::spawn(run(listener, config, store, async move { drop(stopped.await) }));
    let _silent = tokio::net::TcpStream::connect(address).await.unwrap();
    tokio::time::sleep(Duration::from_millis(100)).await;
    stop.send(()).unwrap();
    tokio::time::timeout(Duration::from_secs(3), task).await.expect("ended in time").unwrap().unwrap();
}

#[tokio::test]
async fn what_a_killed_process_was_measuring_is_taken_up_again() {
    let server = Server::start().await;
    let revision = revision(&server, "c").await;
    let scan = server.scan(b"scan", false).await;
    let request = asked(1, &revision, &scan, Purpose::Study).inspection.unwrap();
    let id = held_inspection(&server.store, &request).await;
    assert_eq!(server.store.inspection(&id).await.unwrap().state.word(), "running");
    let folder = server.end().await;

    let config = config(folder.path());
    let server = Server::on(folder, config).await;
    let ended = wait(&server, &format!("inspections/{id}")).await;
    assert_eq!(ended.state(), InspectionState::Failed, "it was carried out, far before its lease ran out");
}

#[tokio::test]
async fn ending_hands_running_work_back_in_time() {
    let server = Server::start().await;
    let revision = revision(&server, "c").await;
    let scan = server.scan(&harness::perfect_scan(), false).await;
    let name = create(&server, asked(1, &revision, &scan, Purpose::Study)).await.unwrap().name;
    let get = GetInspectionRequest { name };
    let mut inspections = server.inspections();
    loop {
        let now = inspections.get_inspection(get.clone()).await.unwrap().into_inner();
        assert_ne!(now.state(), InspectionState::Failed, "{}", now.reason);
        if now.progress_percent > 0 {
            break;
        }
        tokio::time::sleep(Duration::from_millis(5)).await;
    }
    drop(inspections);
    let begun = std::time::Instant::now();
    let folder = server.end().await;
    assert!(begun.elapsed() < Duration::from_secs(3), "{:?}", begun.elapsed());
    let store = harness::reopen(&config(folder.path())).await;
    let claim = store.claim(1_000_000).await.unwrap().expect("it waits again");
    assert_eq!(claim.starts, 1, "an orderly end is no start");
}

#[tokio::test]
async fn health_and_reflection_know_every_service() {
    use tonic_health::pb::{HealthCheckRequest, health_client::HealthClient};
    use tonic_reflection::pb::{v1, v1alpha};
    let server = Server::start().await;
    let services = [
        "scantling.v1.PartService",
        "scantling.v1.BlobService",
        "scantling.v1.AcquisitionService",
        "scantling.v1.InspectionService",
    ];
    let mut health = HealthClient::new(server.channel.clone());
    for service in services.into_iter().chain([""]) {
        let answer = health.check(HealthCheckRequest { service: service.to_owned() }).await.unwrap();
        assert_eq!(answer.into_inner().status, 1, "{service} serves");
    }

    let ask = v1::ServerReflectionRequest {
        host: String::new(),
        message_request: Some(v1::server_reflection_request::MessageRequest::ListServices(String::new())),
    };
    let mut client = v1::server_reflection_client::ServerReflectionClient::new(server.channel.clone());
    let mut answers = client.server_reflection_info(tokio_stream::iter([ask])).await.unwrap().into_inner();
    let Some(v1::server_reflection_response::MessageResponse::ListServicesResponse(listed)) =
        answers.message().await.unwrap().unwrap().message_response
    else {
        panic!("no list")
    };
    let ask = v1alpha::ServerReflectionRequest {
        host: String::new(),
        message_request: Some(
            v1alpha::server_reflection_request::MessageRequest::ListServices(String::new()),
        ),
    };
    let mut older = v1alpha::server_reflection_client::ServerReflectionClient::new(server.channel.clone());
    assert!(
        older
            .server_reflection_info(tokio_stream::iter([ask]))
            .await
            .unwrap()
            .into_inner()
            .message()
            .await
            .unwrap()
            .is_some()
    );
    let names: Vec<&str> = listed.service.iter().map(|s| s.name.as_str()).collect();
    for service in services {
        assert!(names.contains(&service), "{names:?}");
    }
}

#[tokio::test]
async fn only_loopback_is_served() {
    let folder = tempfile::tempdir().unwrap();
    let config = config(folder.path());
    let store = harness::reopen(&config).await;
    let listener = TcpListener::bind("0.0.0.0:0").await.unwrap();
    let answer = run(listener, config, store, std::future::pending()).await;
    assert!(matches!(answer, Err(ServeError::NotLoopback { .. })));
}

#[tokio::test]
async fn within_the_process_it_is_the_same_service_without_a_port() {
    let folder = tempfile::tempdir().unwrap();
    let service = embedded(Config::at(folder.path())).await.unwrap();
    let mut parts = scantling_proto::v1::part_service_client::PartServiceClient::new(service.channel.clone());
    let request = CreatePartRequest { part_id: "ws-214".to_owned(), title: "Window surround".to_owned() };
    let created = parts.create_part(request).await.unwrap().into_inner();
    assert_eq!(created.name, "parts/ws-214");
    assert!(created.create_time.unwrap().seconds > 1_700_000_000);
    let second = embedded(Config::at(folder.path())).await;
    let message = second.expect_err("one process a folder").to_string();
    assert!(message.contains(&folder.path().display().to_string()), "{message}");
    drop(parts);
    service.shutdown().await.unwrap();

    let store = harness::reopen(&Config::at(folder.path())).await;
    assert_eq!(store.part("ws-214").await.unwrap().title, "Window surround");
}

#[tokio::test]
async fn nothing_of_that_name_is_not_found_and_no_name_is_refused() {
    let server = Server::start().await;
    let get = async |name: &str| {
        server.inspections().get_inspection(GetInspectionRequest { name: name.to_owned() }).await
    };
    refused(get("inspections/018f0000-0000-7000-8000-000000000000").await, Code::NotFound, "NOT_FOUND");
    for name in ["", "inspections/", "inspections/A", "inspection/1", "parts/a"] {
        refused(get(name).await, Code::InvalidArgument, "INVALID_FIELD");
    }
}
