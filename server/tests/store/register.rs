//! The register of instruments.

use scantling_core::scan::LengthUnit;
use scantling_core::uncertainty::{Day, InstrumentErrors};
use scantling_server::store::{
    BallArtefact, BallResults, BallScan, CalibratedBall, LengthResult, NewAcquisition, NewInstrument,
    NewVerification, PermittedErrors, StoreError, SurfaceClass, VerificationContent, VerificationSource,
    Withdrawal,
};
use sqlx::Executor;

use crate::bench::{ME, SCAN, SECOND_US, bench, blob, reopen, scan};

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
            errors: InstrumentErrors { probing_mm: Some(0.01), ..InstrumentErrors::default() },
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
