//! A store in a folder of its own, and what is put into it.

use std::path::Path;

use scantling_core::record::Verdict;
use scantling_core::scan::LengthUnit;
use scantling_core::uncertainty::InstrumentErrors;
use scantling_server::clock::{Clock, Ids};
use scantling_server::store::{
    BlobRow, Claim, Content, Context, Failure, MeshHistory, NeighbourFile, NewAcquisition, NewRevision,
    Outcome, Purpose, Request, Restraint, SourceRequest, Sqlite, Store, StoreError, SurfaceClass,
    TakenConditions,
};
use tempfile::TempDir;

pub(crate) const ME: &str = "local";

pub(crate) const SCAN: &str = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";

pub(crate) const NOMINAL: &str = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855";

pub(crate) const SECOND_US: i64 = 1_000_000;

pub(crate) struct Bench {
    pub(crate) store: Store,
    pub(crate) clock: Clock,
    pub(crate) folder: TempDir,
}

pub(crate) async fn open(folder: &Path, clock: &Clock, ids: Ids) -> Result<Store, StoreError> {
    Ok(Store::Sqlite(Sqlite::open(folder, clock.clone(), ids).await?))
}

pub(crate) async fn bench() -> Bench {
    let folder = tempfile::tempdir().unwrap();
    let clock = Clock::set_at(1_764_000_000_000_000);
    let store = open(folder.path(), &clock, Ids::counted()).await.unwrap();
    Bench { store, clock, folder }
}

pub(crate) async fn blob(store: &Store, sha256: &str) {
    let upload = store.begin_upload(ME, sha256, 100).await.unwrap();
    store.complete_upload(ME, &upload.id).await.unwrap();
}

pub(crate) fn draft(id: &str) -> NewRevision {
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

pub(crate) fn scan(simulated: bool) -> NewAcquisition {
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
            errors: InstrumentErrors { length_scale_mm_per_m: Some(0.02), ..InstrumentErrors::default() },
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
pub(crate) async fn set_up(store: &Store) -> Request {
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

pub(crate) fn of_serial(request: &Request, serial: &str) -> Request {
    Request { serial_number: serial.to_owned(), ..request.clone() }
}

pub(crate) fn request_id(n: u32) -> String {
    format!("00000000-0000-4000-8000-{n:012}")
}

pub(crate) async fn submit(store: &Store, n: u32, request: &Request) -> Result<String, StoreError> {
    store.submit(ME, &request_id(n), request, 100).await.map(|i| i.id)
}

pub(crate) async fn claim(store: &Store) -> Claim {
    store.claim(30 * SECOND_US).await.unwrap().expect("something waits")
}

pub(crate) fn conforms() -> Outcome {
    Outcome::Done {
        verdict: Verdict::Conforms,
        reason: "all four conform".to_owned(),
        result_json: "{\"record_version\":1}".to_owned(),
        result_sha256: "b".repeat(64),
        report: Some(BlobRow { sha256: "c".repeat(64), size_bytes: 12 }),
        deviation: None,
    }
}

pub(crate) fn failed() -> Outcome {
    Outcome::Failed { failure: Failure::ScanUnreadable, reason: "byte 12".to_owned() }
}

/// The pools of a dropped store close a moment later.
pub(crate) async fn reopen(folder: &Path, clock: &Clock) -> Store {
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
