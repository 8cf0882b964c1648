//! Inspections: submitted, claimed, finished, listed.

use scantling_core::record::Verdict;
use scantling_server::store::{ClaimError, Filter, Purpose, Request, SourceRequest, State, StoreError};

use crate::bench::{
    ME, SECOND_US, bench, claim, conforms, draft, failed, of_serial, request_id, scan, set_up, submit,
};

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
