//! What every store must do, and what the SQLite store does with its folder.

#![allow(clippy::unwrap_used, reason = "a test may end so")]

use std::path::Path;

use scantling_core::record::Verdict;
use scantling_core::scan::LengthUnit;
use scantling_core::uncertainty::Day;
use scantling_server::clock::{Clock, Ids};
use scantling_server::store::{
    BallArtefact, BallResults, BallScan, BlobRow, CalibratedBall, Claim, ClaimError, Content, Context,
    Errors, Failure, Filter, LengthResult, MeshHistory, NeighbourFile, NewAcquisition, NewInstrument,
    NewRevision, NewVerification, Outcome, PermittedErrors, Purpose, Request, Restraint, RevisionState,
    SourceRequest, Sqlite, State, Store, StoreError, SurfaceClass, TakenConditions, VerificationContent,
    VerificationSource, Withdrawal,
};
use sqlx::Executor;
use tempfile::TempDir;

const ME: &str = "local";
const SCAN: &str = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
const NOMINAL: &str = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855";
const SECOND_US: i64 = 1_000_000;

struct Bench {
    store: Store,
    clock: Clock,
    folder: TempDir,
}

async fn open(folder: &Path, clock: &Clock, ids: Ids) -> Result<Store, StoreError> {
    Ok(Store::Sqlite(Sqlite::open(folder, clock.clone(), ids).await?))
}

async fn bench() -> Bench {
    let folder = tempfile::tempdir().unwrap();
    let clock = Clock::set_at(1_764_000_000_000_000);
    let store = open(folder.path(), &clock, Ids::counted()).await.unwrap();
    Bench { store, clock, folder }
}

async fn blob(store: &Store, sha256: &str) {
    let upload = store.begin_upload(ME, sha256, 100).await.unwrap();
    store.complete_upload(ME, &upload.id).await.unwrap();
}

fn draft(id: &str) -> NewRevision {
    NewRevision {
        part: "ws-214".to_owned(),
        id: id.to_owned(),
        plan_json: "{}".to_owned(),
        plan_sha256: "a".repeat(64),
        plan_source: String::new(),
        nominal: Some((NOMINAL.to_owned(), Some(LengthUnit::Millimetre))),
        neighbours: vec![
            NeighbourFile { id: "PANE".to_owned(), sha256: NOMINAL.to_owned(), unit: Some(LengthUnit::Inch) },
            NeighbourFile { id: "LINER".to_owned(), sha256: SCAN.to_owned(), unit: None },
        ],
        bound: Vec::new(),
        remarks: vec!["the nominal's file: a note".to_owned()],
    }
}

fn scan(simulated: bool) -> NewAcquisition {
    NewAcquisition {
        blob: SCAN.to_owned(),
        length_unit: LengthUnit::Inch,
        instrument: "arm 2".to_owned(),
        operator: String::new(),
        acquire_time_us: Some(-5),
        restraint: Restraint::FreeState,
        temperature_c: Some(20.5),
        simulated,
        content: Content::Scan,
        columns: String::new(),
        coordinates: None,
        point_standard_mm: None,
        conditions: TakenConditions {
            errors: Errors { length_scale_mm_per_m: Some(0.02), ..Errors::default() },
            supports: "three cups".to_owned(),
            gravity: Some([0.0, 0.0, -1.0]),
            surface_class: Some(SurfaceClass::Dark),
            mesh_history: Some(MeshHistory::Raw),
            passes: Some(4),
            ..TakenConditions::default()
        },
        registered_instrument: None,
    }
}

/// A part with one released revision `c`, and a real scan.
async fn set_up(store: &Store) -> Request {
    blob(store, SCAN).await;
    blob(store, NOMINAL).await;
    store.create_part(ME, "ws-214", "Window surround").await.unwrap();
    store.create_revision(ME, &draft("c")).await.unwrap();
    store.release_revision(ME, "ws-214", "c").await.unwrap();
    let scan = store.create_acquisition(ME, &scan(false)).await.unwrap();
    Request {
        part: "ws-214".to_owned(),
        revision: "c".to_owned(),
        serial_number: "0001".to_owned(),
        sources: vec![SourceRequest::whole(scan.id)],
        readings: Vec::new(),
        scope_groups: Vec::new(),
        purpose: Purpose::Production,
        context: Context::default(),
        repeat_of: None,
    }
}

fn of_serial(request: &Request, serial: &str) -> Request {
    Request { serial_number: serial.to_owned(), ..request.clone() }
}

fn request_id(n: u32) -> String {
    format!("00000000-0000-4000-8000-{n:012}")
}

async fn submit(store: &Store, n: u32, request: &Request) -> Result<String, StoreError> {
    store.submit(ME, &request_id(n), request, 100).await.map(|i| i.id)
}

async fn claim(store: &Store) -> Claim {
    store.claim(30 * SECOND_US).await.unwrap().expect("something waits")
}

fn conforms() -> Outcome {
    Outcome::Done {
        verdict: Verdict::Conforms,
        reason: "all four conform".to_owned(),
        result_json: "{\"record_version\":1}".to_owned(),
        result_sha256: "b".repeat(64),
        report: Some(BlobRow { sha256: "c".repeat(64), size_bytes: 12 }),
        deviation: None,
    }
}

fn failed() -> Outcome {
    Outcome::Failed { failure: Failure::ScanUnreadable, reason: "byte 12".to_owned() }
}

#[tokio::test]
async fn parts_are_created_once_and_listed_by_id() {
    let b = bench().await;
    for id in ["b", "c", "a"] {
        let part = b.store.create_part(ME, id, "title").await.unwrap();
        assert_eq!(part, b.store.part(id).await.unwrap());
    }
    assert!(
        matches!(b.store.create_part(ME, "a", "").await, Err(StoreError::AlreadyExists { name }) if name == "parts/a")
    );
    assert!(matches!(b.store.part("d").await, Err(StoreError::NotFound { name }) if name == "parts/d"));
    let (first, next) = b.store.list_parts("", 2).await.unwrap();
    assert_eq!(first.iter().map(|p| p.id.as_str()).collect::<Vec<_>>(), ["a", "b"]);
    let (second, end) = b.store.list_parts(&next.unwrap(), 2).await.unwrap();
    assert_eq!(second.iter().map(|p| p.id.as_str()).collect::<Vec<_>>(), ["c"]);
    assert_eq!(end, None);
}

/// A STEP file tells its own length unit, a plan of points has no nominal.
#[tokio::test]
async fn a_nominal_is_kept_with_a_unit_or_without() {
    let Bench { store, folder: _folder, .. } = bench().await;
    blob(&store, NOMINAL).await;
    store.create_part(ME, "ws-214", "Window surround").await.unwrap();
    let nominals = [Some(LengthUnit::Inch), None].map(|unit| Some((NOMINAL.to_owned(), unit)));
    for (id, nominal) in ["a", "b", "c"].into_iter().zip(nominals.into_iter().chain([None])) {
        let new = NewRevision { nominal: nominal.clone(), ..draft(id) };
        store.create_revision(ME, &new).await.unwrap();
        assert_eq!(store.revision("ws-214", id).await.unwrap().content.nominal, nominal);
    }
}

#[tokio::test]
async fn releasing_a_revision_supersedes_the_one_before() {
    let b = bench().await;
    let missing = b.store.create_revision(ME, &draft("c")).await;
    assert!(matches!(missing, Err(StoreError::NotFound { name }) if name == "parts/ws-214"));
    set_up(&b.store).await;
    assert!(matches!(b.store.create_revision(ME, &draft("c")).await, Err(StoreError::AlreadyExists { .. })));
    b.store.create_revision(ME, &draft("d")).await.unwrap();
    assert_eq!(b.store.part("ws-214").await.unwrap().released_revision.as_deref(), Some("c"));

    let released = b.store.release_revision(ME, "ws-214", "d").await.unwrap();
    assert_eq!(released, b.store.revision("ws-214", "d").await.unwrap());
    assert_eq!(b.store.part("ws-214").await.unwrap().released_revision.as_deref(), Some("d"));
    let page = b.store.list_revisions("ws-214", 0, 10).await.unwrap();
    let states: Vec<_> = page.items.iter().map(|r| (r.content.id.as_str(), r.state)).collect();
    assert_eq!(states, [("c", RevisionState::Superseded), ("d", RevisionState::Released)]);
    for id in ["c", "d"] {
        assert!(matches!(b.store.release_revision(ME, "ws-214", id).await, Err(StoreError::NotDraft { .. })));
    }
}

#[tokio::test]
async fn other_nominals_of_a_part_are_found_newest_first_and_once_each() {
    let b = bench().await;
    set_up(&b.store).await;
    let others = async |id: &str, most: u32| -> Vec<String> {
        let found = b.store.other_nominals("ws-214", id, most).await.unwrap();
        found.into_iter().map(|r| r.content.id).collect()
    };
    assert!(others("c", 9).await.is_empty());
    let of = |id: &str, nominal: Option<&str>| NewRevision {
        nominal: nominal.map(|n| (n.to_owned(), Some(LengthUnit::Millimetre))),
        ..draft(id)
    };
    let third = "3".repeat(64);
    blob(&b.store, &third).await;
    for (id, nominal) in
        [("d", Some(SCAN)), ("e", Some(NOMINAL)), ("f", Some(SCAN)), ("g", Some(third.as_str())), ("h", None)]
    {
        b.store.create_revision(ME, &of(id, nominal)).await.unwrap();
    }
    assert_eq!(others("c", 9).await, ["g", "f"]);
    assert_eq!(others("c", 1).await, ["g"]);
    assert_eq!(others("d", 9).await, ["g", "e"]);
    assert!(others("h", 9).await.is_empty(), "nothing is to be compared where nothing was scanned");
}

#[tokio::test]
async fn an_upload_advances_only_from_where_it_stands() {
    let b = bench().await;
    let upload = b.store.begin_upload(ME, SCAN, 100).await.unwrap();
    b.store.advance_upload(&upload.id, 0, 60).await.unwrap();
    let again = b.store.advance_upload(&upload.id, 0, 70).await;
    assert!(matches!(again, Err(StoreError::UploadOffset { stands: 60, sent: 0, .. })));
    assert!(matches!(b.store.blob(SCAN).await, Err(StoreError::NotFound { .. })));
    assert!(b.store.complete_upload(ME, &upload.id).await.unwrap().complete);
    assert_eq!(b.store.blob(SCAN).await.unwrap().size_bytes, 100);

    let known = b.store.begin_upload(ME, SCAN, 100).await.unwrap();
    assert!(known.complete);
    assert!(matches!(
        b.store.begin_upload(ME, SCAN, 99).await,
        Err(StoreError::Field { field: "size_bytes", .. })
    ));
}

#[tokio::test]
async fn scans_are_listed_newest_first_and_keep_every_field() {
    let b = bench().await;
    assert!(matches!(b.store.create_acquisition(ME, &scan(false)).await, Err(StoreError::NotFound { .. })));
    blob(&b.store, SCAN).await;
    let mut made = Vec::new();
    for simulated in [false, true, true] {
        made.push(b.store.create_acquisition(ME, &scan(simulated)).await.unwrap());
    }
    // What was called simulated once stays so.
    assert!(matches!(b.store.create_acquisition(ME, &scan(false)).await, Err(StoreError::Simulated { .. })));
    assert_eq!(b.store.acquisition(&made[1].id).await.unwrap(), made[1]);
    made.reverse();
    let first = b.store.list_acquisitions(None, 2).await.unwrap();
    assert_eq!(first.items, made[..2]);
    let second = b.store.list_acquisitions(first.next, 2).await.unwrap();
    assert_eq!((second.items.as_slice(), second.next), (&made[2..], None));
}

fn verification(id: &str, verified_on: &str) -> NewVerification {
    let day = |text: &str| Day::parse(text).unwrap();
    NewVerification {
        instrument: "arm-2".to_owned(),
        id: id.to_owned(),
        verified_on: day(verified_on),
        valid_until: day("2030-01-01"),
        simulated: false,
        content: VerificationContent {
            surfaces: vec![SurfaceClass::Gloss],
            errors: Errors { probing_mm: Some(0.01), ..Errors::default() },
            verifier: "M. Ruler".to_owned(),
            source: VerificationSource::Certificate { title: "KB 118".to_owned(), blob: None },
            problems: vec!["a scratch".to_owned()],
        },
        results: None,
    }
}

fn by_balls(id: &str, simulated: bool) -> NewVerification {
    let ball = |id: &str, x| CalibratedBall { id: id.to_owned(), at_mm: [x, 0.0, 0.0], diameter_mm: 30.0 };
    let artefact = BallArtefact {
        title: "bar".to_owned(),
        balls: vec![ball("K1", 0.0), ball("K2", 0.1 + 0.2)],
        length_standard_mm: 0.001,
        diameter_standard_mm: 0.0,
    };
    let source = VerificationSource::BallScan(BallScan {
        blob: SCAN.to_owned(),
        length_unit: LengthUnit::Metre,
        columns: "x y z".to_owned(),
        artefact,
        permitted: PermittedErrors { size_error_mm: Some(0.05), ..PermittedErrors::default() },
    });
    let results = BallResults {
        balls: Vec::new(),
        lengths: vec![LengthResult {
            from: "K1".to_owned(),
            to: "K2".to_owned(),
            calibrated_mm: 0.1 + 0.2,
            error_mm: -0.01,
            standard_mm: 0.001,
        }],
        scale_mm_per_m: 1.0 / 3.0,
        scale_standard_mm_per_m: 0.1,
        distortion_mm: None,
        noise_mm: 0.03,
        notes: vec!["a note".to_owned()],
    };
    let mut new = verification(id, "2026-01-01");
    new.content.source = source;
    NewVerification { simulated, results: Some(results), ..new }
}

#[tokio::test]
async fn verifications_are_kept_as_they_are_and_withdrawn_once() {
    let b = bench().await;
    let missing = b.store.create_verification(ME, &verification("a", "2026-01-01")).await;
    assert!(matches!(missing, Err(StoreError::NotFound { name }) if name == "instruments/arm-2"));
    let arm =
        NewInstrument { id: "arm-2".to_owned(), title: "Arm".to_owned(), serial_number: "7".to_owned() };
    let made = b.store.create_instrument(ME, &arm).await.unwrap();
    assert_eq!(made, b.store.instrument("arm-2").await.unwrap());
    assert!(matches!(b.store.create_instrument(ME, &arm).await, Err(StoreError::AlreadyExists { .. })));
    assert!(matches!(b.store.list_verifications("arm-3", 0, 9).await, Err(StoreError::NotFound { .. })));
    b.store.create_instrument(ME, &NewInstrument { id: "arm-1".to_owned(), ..arm }).await.unwrap();
    let (first, next) = b.store.list_instruments("", 1).await.unwrap();
    assert_eq!((first[0].content.id.as_str(), next.as_deref()), ("arm-1", Some("arm-1")));
    assert_eq!(b.store.list_instruments("arm-1", 1).await.unwrap(), (vec![made], None));

    // Of the scan's file there must be one, and what a simulator made stays simulated.
    assert!(matches!(
        b.store.create_verification(ME, &by_balls("balls", false)).await,
        Err(StoreError::NotFound { .. })
    ));
    blob(&b.store, SCAN).await;
    b.store.create_acquisition(ME, &scan(true)).await.unwrap();
    assert!(matches!(
        b.store.create_verification(ME, &by_balls("balls", false)).await,
        Err(StoreError::Simulated { .. })
    ));
    let mut kept = Vec::new();
    for new in [verification("b", "2026-01-02"), by_balls("balls", true), verification("a", "2026-01-01")] {
        b.clock.advance_us(SECOND_US);
        kept.push(b.store.create_verification(ME, &new).await.unwrap());
        assert_eq!(b.store.verification("arm-2", &new.id).await.unwrap(), *kept.last().unwrap());
        assert!(matches!(b.store.create_verification(ME, &new).await, Err(StoreError::AlreadyExists { .. })));
    }
    b.clock.advance_us(SECOND_US);
    let gone = b.store.withdraw_verification(ME, "arm-2", "b", "warm").await.unwrap();
    let now = b.clock.now_us();
    assert_eq!(gone.withdrawal, Some(Withdrawal { time_us: now, reason: "warm".to_owned() }));
    assert_eq!(gone, b.store.verification("arm-2", "b").await.unwrap());
    let again = b.store.withdraw_verification(ME, "arm-2", "b", "cold").await;
    assert!(matches!(again, Err(StoreError::Withdrawn { reason, .. }) if reason == "warm"));
    let none = b.store.withdraw_verification(ME, "arm-2", "z", "cold").await;
    assert!(matches!(none, Err(StoreError::NotFound { .. })));
    // In the order of their registration, without what balls showed.
    kept[0] = gone;
    kept[1].content.results = None;
    let first = b.store.list_verifications("arm-2", 0, 2).await.unwrap();
    assert_eq!(first.items, kept[..2]);
    let second = b.store.list_verifications("arm-2", first.next.unwrap(), 2).await.unwrap();
    assert_eq!((second.items.as_slice(), second.next), (&kept[2..], None));
    assert_eq!(b.store.check_audit().await.unwrap(), None);
    let trail = b.store.audit_after(0, 100).await.unwrap();
    assert_eq!(trail.iter().filter(|e| e.action.ends_with("_verification")).count(), 4);

    let named = NewAcquisition { registered_instrument: Some("arm-2".to_owned()), ..scan(true) };
    let named = b.store.create_acquisition(ME, &named).await.unwrap();
    assert_eq!(b.store.acquisition(&named.id).await.unwrap(), named);
    let nobody = NewAcquisition { registered_instrument: Some("arm-9".to_owned()), ..scan(true) };
    assert!(matches!(b.store.create_acquisition(ME, &nobody).await, Err(StoreError::NotFound { .. })));

    let file = format!("sqlite://{}", b.folder.path().join("store.sqlite").display());
    let pool = sqlx::SqlitePool::connect(&file).await.unwrap();
    for forbidden in [
        "UPDATE instrument SET title = 'x'",
        "DELETE FROM instrument WHERE id = 'arm-1'",
        "UPDATE verification SET valid_until = '2099-01-01'",
        "UPDATE verification SET content_json = '{}' WHERE id = 'a'",
        "UPDATE verification SET withdraw_time = NULL, withdraw_reason = NULL, withdraw_caller = NULL WHERE id = 'b'",
        "DELETE FROM verification",
    ] {
        assert!(pool.execute(forbidden).await.is_err(), "{forbidden}");
    }
    pool.close().await;
}

/// A folder of the version before the register: its acquisitions name no instrument.
#[tokio::test]
async fn what_was_kept_before_the_register_is_read_as_it_was() {
    let b = bench().await;
    blob(&b.store, SCAN).await;
    let made = b.store.create_acquisition(ME, &scan(false)).await.unwrap();
    b.store.close().await;
    let file = format!("sqlite://{}", b.folder.path().join("store.sqlite").display());
    let pool = sqlx::SqlitePool::connect(&file).await.unwrap();
    for back in [
        "ALTER TABLE acquisition DROP COLUMN registered_instrument",
        "DROP TABLE verification",
        "DROP TABLE instrument",
        "DELETE FROM _sqlx_migrations WHERE version = 6",
    ] {
        pool.execute(back).await.unwrap();
    }
    pool.close().await;
    let store = reopen(b.folder.path(), &b.clock).await;
    assert_eq!(store.acquisition(&made.id).await.unwrap(), made);
    assert!(store.list_instruments("", 9).await.unwrap().0.is_empty());
}

#[tokio::test]
async fn the_same_request_gives_the_first_inspection_and_another_is_refused() {
    let b = bench().await;
    let request = set_up(&b.store).await;
    let first = submit(&b.store, 1, &request).await.unwrap();
    assert_eq!(submit(&b.store, 1, &request).await.unwrap(), first);
    let other = submit(&b.store, 1, &of_serial(&request, "0002")).await;
    assert!(matches!(other, Err(StoreError::RequestIdReused { first: named, .. }) if named == first));

    // It stays the answer after the end, and also when the queue is full.
    let c = claim(&b.store).await;
    b.store.finish(&c, &failed()).await.unwrap();
    let again = b.store.submit(ME, &request_id(1), &request, 0).await.unwrap();
    assert_eq!((again.id, again.state), (first, State::Failed));
    let full = b.store.submit(ME, &request_id(2), &of_serial(&request, "0002"), 0).await;
    assert!(matches!(full, Err(StoreError::Overloaded { waiting: 0 })));
}

#[tokio::test]
async fn many_at_once_with_one_request_id_make_one_inspection() {
    let b = bench().await;
    let request = set_up(&b.store).await;
    let mut tasks = tokio::task::JoinSet::new();
    for _ in 0..16 {
        let (store, request) = (b.store.clone(), request.clone());
        tasks.spawn(async move { submit(&store, 7, &request).await.unwrap() });
    }
    let ids: std::collections::BTreeSet<String> = tasks.join_all().await.into_iter().collect();
    assert_eq!(ids.len(), 1);
    assert_eq!(b.store.list_inspections(&Filter::default(), None, 10).await.unwrap().items.len(), 1);
}

#[tokio::test]
async fn measuring_again_must_be_said_and_is_counted() {
    let b = bench().await;
    let request = set_up(&b.store).await;
    let first = submit(&b.store, 1, &request).await.unwrap();
    let again = submit(&b.store, 2, &request).await;
    assert!(matches!(again, Err(StoreError::AlreadyInspected { first: named }) if named == first));

    let repeat = Request { repeat_of: Some(first.clone()), ..request.clone() };
    let second = submit(&b.store, 3, &repeat).await.unwrap();
    assert_eq!(b.store.inspection(&second).await.unwrap().attempt, 2);

    let rescan = Request {
        sources: vec![SourceRequest::whole(b.store.create_acquisition(ME, &scan(false)).await.unwrap().id)],
        ..request
    };
    let third = submit(&b.store, 4, &rescan).await.unwrap();
    assert_eq!(b.store.inspection(&third).await.unwrap().attempt, 3);

    let wrong = Request { repeat_of: Some(first), ..of_serial(&rescan, "0002") };
    assert!(matches!(
        submit(&b.store, 5, &wrong).await,
        Err(StoreError::Field { field: "inspection.repeat_of", .. })
    ));
    let nobody = Request { repeat_of: Some("nobody".to_owned()), ..of_serial(&rescan, "0003") };
    assert!(matches!(submit(&b.store, 6, &nobody).await, Err(StoreError::NotFound { .. })));
}

#[tokio::test]
async fn drafts_and_simulated_scans_do_not_judge_production() {
    let b = bench().await;
    let request = set_up(&b.store).await;
    b.store.create_revision(ME, &draft("d")).await.unwrap();
    let of_draft = Request { revision: "d".to_owned(), ..request.clone() };
    assert!(matches!(
        submit(&b.store, 1, &of_draft).await,
        Err(StoreError::NotReleased { state: "draft", .. })
    ));
    let study = Request { purpose: Purpose::Study, ..of_draft };
    submit(&b.store, 2, &study).await.unwrap();

    let simulated = b.store.create_acquisition(ME, &scan(true)).await.unwrap().id;
    let pretended = Request { sources: vec![SourceRequest::whole(simulated)], ..of_serial(&request, "0009") };
    for purpose in [Purpose::Production, Purpose::FirstArticle, Purpose::Study] {
        let asked = Request { purpose, ..pretended.clone() };
        assert!(matches!(submit(&b.store, 3, &asked).await, Err(StoreError::Simulated { .. })));
    }
    submit(&b.store, 4, &Request { purpose: Purpose::Rehearsal, ..pretended }).await.unwrap();
    let nothing = Request { sources: vec![SourceRequest::whole("nothing")], ..of_serial(&request, "0010") };
    assert!(
        matches!(submit(&b.store, 5, &nothing).await, Err(StoreError::NotFound { name }) if name == "acquisitions/nothing")
    );
}

#[tokio::test]
async fn claims_go_by_age_and_a_finished_inspection_keeps_everything() {
    let b = bench().await;
    let request = set_up(&b.store).await;
    let ids = [
        submit(&b.store, 1, &request).await.unwrap(),
        submit(&b.store, 2, &of_serial(&request, "2")).await.unwrap(),
    ];
    let (first, second) = (claim(&b.store).await, claim(&b.store).await);
    assert_eq!([&first.inspection.id, &second.inspection.id], [&ids[0], &ids[1]]);
    assert!(b.store.claim(SECOND_US).await.unwrap().is_none());

    // Numbers follow the order of finishing, not of asking.
    assert_eq!(b.store.finish(&second, &failed()).await.unwrap(), 1);
    assert_eq!(b.store.finish(&first, &conforms()).await.unwrap(), 2);
    let done = b.store.inspection(&ids[0]).await.unwrap();
    assert_eq!((done.state, done.verdict, done.sequence), (State::Done, Some(Verdict::Conforms), Some(2)));
    assert_eq!((done.result_json.as_deref(), done.failure), (Some("{\"record_version\":1}"), None));
    assert_eq!(done.request, request);
    assert_eq!(b.store.blob(&done.report_sha256.unwrap()).await.unwrap().size_bytes, 12);
    let events = b.store.events_after(0, 10).await.unwrap();
    assert_eq!(events.iter().map(|e| e.id.as_str()).collect::<Vec<_>>(), [ids[1].as_str(), ids[0].as_str()]);
    assert_eq!(b.store.events_after(1, 10).await.unwrap().len(), 1);
    assert!(b.store.events_after(2, 10).await.unwrap().is_empty());
    let listed = b.store.list_inspections(&Filter::default(), None, 10).await.unwrap();
    assert!(listed.items.iter().all(|i| i.result_json.is_none()));
    assert!(matches!(b.store.finish(&first, &failed()).await, Err(ClaimError::LostLease { .. })));
}

#[tokio::test]
async fn who_lost_the_lease_cannot_finish() {
    let b = bench().await;
    let request = set_up(&b.store).await;
    submit(&b.store, 1, &request).await.unwrap();
    let slow = claim(&b.store).await;
    b.clock.advance_us(20 * SECOND_US);
    b.store.heartbeat(&slow, 30 * SECOND_US).await.unwrap();
    b.clock.advance_us(20 * SECOND_US);
    assert!(b.store.claim(SECOND_US).await.unwrap().is_none(), "the heartbeat prolonged the lease");
    b.clock.advance_us(20 * SECOND_US);
    let quick = claim(&b.store).await;
    assert_eq!((quick.starts, quick.fence), (2, slow.fence + 1));
    assert!(matches!(b.store.heartbeat(&slow, SECOND_US).await, Err(ClaimError::LostLease { .. })));
    assert!(matches!(b.store.finish(&slow, &failed()).await, Err(ClaimError::LostLease { .. })));
    assert!(matches!(b.store.hand_back(&slow).await, Err(ClaimError::LostLease { .. })));
    b.store.finish(&quick, &conforms()).await.unwrap();
}

#[tokio::test]
async fn handing_back_does_not_count_as_a_start() {
    let b = bench().await;
    submit(&b.store, 1, &set_up(&b.store).await).await.unwrap();
    for _ in 0..5 {
        let c = claim(&b.store).await;
        assert_eq!(c.starts, 1);
        b.store.hand_back(&c).await.unwrap();
    }
}

#[tokio::test]
async fn lists_are_narrowed_by_part_revision_and_serial_number() {
    let b = bench().await;
    let request = set_up(&b.store).await;
    for n in 1..=5 {
        submit(&b.store, n, &of_serial(&request, &format!("{}", n % 2))).await.ok();
    }
    let count = async |part: &str, revision: Option<&str>, serial: Option<&str>| {
        let filter = Filter {
            part: Some(part.to_owned()),
            revision: revision.map(str::to_owned),
            serial_number: serial.map(str::to_owned),
        };
        b.store.list_inspections(&filter, None, 10).await.unwrap().items.len()
    };
    assert_eq!(count("ws-214", None, None).await, 2);
    assert_eq!(count("ws-214", Some("c"), Some("1")).await, 1);
    assert_eq!(count("ws-214", Some("d"), None).await, 0);
    assert_eq!(count("other", None, None).await, 0);
}

#[tokio::test]
async fn a_killed_process_leaves_nothing_lost() {
    let b = bench().await;
    let request = set_up(&b.store).await;
    let id = submit(&b.store, 1, &request).await.unwrap();
    let left = claim(&b.store).await;
    let folder = b.folder;
    drop(b.store);

    let store = reopen(folder.path(), &b.clock).await;
    assert_eq!(store.inspection(&id).await.unwrap().state, State::Running);
    assert_eq!(store.requeue_stale().await.unwrap(), 1);
    let taken = claim(&store).await;
    assert_eq!((taken.inspection.id.as_str(), taken.starts), (id.as_str(), 2));
    assert!(matches!(store.finish(&left, &failed()).await, Err(ClaimError::LostLease { .. })));
    assert_eq!(store.finish(&taken, &conforms()).await.unwrap(), 1);
}

/// The pools of a dropped store close a moment later.
async fn reopen(folder: &Path, clock: &Clock) -> Store {
    for _ in 0..200 {
        match open(folder, clock, Ids::Random).await {
            Err(StoreError::FolderInUse { .. }) => {
                tokio::time::sleep(std::time::Duration::from_millis(10)).await;
            }
            other => return other.unwrap(),
        }
    }
    panic!("the folder stays locked");
}

#[tokio::test]
async fn one_process_has_the_folder() {
    let b = bench().await;
    match open(b.folder.path(), &b.clock, Ids::Random).await {
        Err(e @ StoreError::FolderInUse { .. }) => {
            assert!(e.to_string().contains(&b.folder.path().display().to_string()), "{e}");
        }
        other => panic!("{other:?}"),
    }
}

#[tokio::test]
async fn the_audit_trail_shows_what_was_done_and_that_it_was_changed() {
    let b = bench().await;
    let request = set_up(&b.store).await;
    submit(&b.store, 1, &request).await.unwrap();
    b.store.finish(&claim(&b.store).await, &conforms()).await.unwrap();
    let entries = b.store.audit_after(0, 100).await.unwrap();
    let actions: Vec<&str> = entries.iter().map(|e| e.action.as_str()).collect();
    assert_eq!(
        actions,
        [
            "store_blob",
            "store_blob",
            "create_part",
            "create_revision",
            "release_revision",
            "create_acquisition",
            "create_inspection",
            "finish_inspection"
        ]
    );
    assert!(entries[7].detail.contains(&"b".repeat(64)), "the result's digest is in the trail");
    assert_eq!(b.store.check_audit().await.unwrap(), None);

    // Somebody with the file and a grudge.
    let file = format!("sqlite://{}", b.folder.path().join("store.sqlite").display());
    let pool = sqlx::SqlitePool::connect(&file).await.unwrap();
    for forbidden in [
        "UPDATE audit SET detail = 'x' WHERE ord = 8",
        "DELETE FROM audit WHERE ord = 8",
        "UPDATE inspection SET verdict = 'does_not_conform'",
        "DELETE FROM inspection",
        "UPDATE revision SET plan_json = 'x'",
        "UPDATE acquisition SET simulated = 0",
    ] {
        assert!(pool.execute(forbidden).await.is_err(), "{forbidden}");
    }
    pool.execute("DROP TRIGGER audit_stays").await.unwrap();
    pool.execute("UPDATE audit SET caller = 'nobody' WHERE ord = 5").await.unwrap();
    assert_eq!(b.store.check_audit().await.unwrap(), Some(5));
    pool.close().await;
}

#[tokio::test]
async fn sequence_numbers_have_no_gaps_when_many_finish_at_once() {
    let b = bench().await;
    let request = set_up(&b.store).await;
    let mut tasks = tokio::task::JoinSet::new();
    for n in 0..40 {
        submit(&b.store, n, &of_serial(&request, &format!("s{n}"))).await.unwrap();
        let c = claim(&b.store).await;
        let store = b.store.clone();
        tasks.spawn(async move { store.finish(&c, &conforms()).await.unwrap() });
    }
    let mut numbers = tasks.join_all().await;
    numbers.sort_unstable();
    assert_eq!(numbers, (1..=40).collect::<Vec<i64>>());
}

#[tokio::test]
async fn an_upload_without_progress_is_given_up_and_another_is_not() {
    let b = bench().await;
    let old = b.store.begin_upload(ME, &"1".repeat(64), 100).await.unwrap();
    let moving = b.store.begin_upload(ME, &"2".repeat(64), 100).await.unwrap();
    b.clock.advance_us(10 * SECOND_US);
    b.store.advance_upload(&moving.id, 0, 50).await.unwrap();
    // The same bytes announced again are the same upload, where it stands.
    let again = b.store.begin_upload(ME, &"2".repeat(64), 100).await.unwrap();
    assert_eq!((again.id.as_str(), again.offset_bytes), (moving.id.as_str(), 50));
    let gone = b.store.forget_uploads(1_764_000_000_000_000 + 5 * SECOND_US).await.unwrap();
    assert_eq!(gone, [old.id]);
    assert!(b.store.upload(&moving.id).await.is_ok());
}

/// Every claim asks for the oldest that waits, also among years of finished ones.
#[tokio::test]
async fn what_waits_is_found_by_its_index() {
    let b = bench().await;
    b.store.close().await;
    let file = format!("sqlite://{}", b.folder.path().join("store.sqlite").display());
    let pool = sqlx::SqlitePool::connect(&file).await.unwrap();
    for query in [
        "SELECT ord FROM inspection WHERE state IN ('queued', 'running') AND (state = 'queued' OR lease_until < 7)
         ORDER BY ord LIMIT 1",
        "SELECT count(*) FROM inspection WHERE state IN ('queued', 'running') AND state = 'queued'",
    ] {
        let plan: Vec<(i64, i64, i64, String)> =
            sqlx::query_as(sqlx::AssertSqlSafe(format!("EXPLAIN QUERY PLAN {query}"))).fetch_all(&pool).await.unwrap();
        assert!(plan.iter().any(|row| row.3.contains("inspection_waiting")), "{plan:?}");
    }
}
