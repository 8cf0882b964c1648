//! Parts, revisions, uploads, acquisitions.

use scantling_core::scan::LengthUnit;
use scantling_server::store::{NewRevision, RevisionState, StoreError};

use crate::bench::{Bench, ME, NOMINAL, SCAN, SECOND_US, bench, blob, draft, scan, set_up};

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
