//! The folder of the SQLite store: killed processes, one process at a time, the audit trail.

use scantling_server::clock::Ids;
use scantling_server::store::{ClaimError, State, StoreError};
use sqlx::Executor;

use crate::bench::{bench, claim, conforms, failed, open, reopen, set_up, submit};

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
