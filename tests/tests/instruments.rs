//! The story of a scanner: verified by a scan of balls, used, expired, used on another surface.

#![allow(clippy::unwrap_used, reason = "a story stops where something is not as told")]

use scantling_core::simulate::Demo;
use scantling_proto::v1::instrument_service_client::InstrumentServiceClient;
use scantling_proto::v1::verification::Source as KnownFrom;
use scantling_proto::v1::{
    Acquisition, BallScan, Certificate, CreateAcquisitionRequest, CreateInstrumentRequest,
    CreateVerificationRequest, Inspection, Instrument, InstrumentErrors, LengthUnit, MeasureBallsRequest,
    PermittedErrors, SurfaceClass, Verdict, Verification, WithdrawVerificationRequest,
};
use scantling_server::{Config, Embedded, embedded};
use scantling_tests::balls::{Scanning, artefact};
use scantling_tests::plant::{Plant, reason};
use tonic::Code;
use tonic::transport::Channel;

const SCANNER: &str = "instruments/scanner-3";
const SPACING_MM: f64 = 1.2;

struct Running {
    plant: Plant,
    register: InstrumentServiceClient<Channel>,
    service: Embedded,
    _folder: tempfile::TempDir,
}

/// A service with one scanner registered.
async fn running() -> Running {
    let folder = tempfile::tempdir().unwrap();
    let service = embedded(Config::at(folder.path())).await.unwrap();
    let plant = Plant::on(service.channel.clone());
    let mut register = InstrumentServiceClient::new(service.channel.clone());
    let instrument = Instrument { title: "Scanner 3".into(), ..Instrument::default() };
    let request = CreateInstrumentRequest { instrument_id: "scanner-3".into(), instrument: Some(instrument) };
    register.create_instrument(request).await.unwrap();
    Running { plant, register, service, _folder: folder }
}

impl Running {
    async fn verify(&mut self, id: &str, verification: Verification) -> Result<Verification, tonic::Status> {
        let request = CreateVerificationRequest {
            parent: SCANNER.into(),
            verification_id: id.into(),
            verification: Some(verification),
        };
        Ok(self.register.create_verification(request).await?.into_inner())
    }

    /// A simulated scan taken with the scanner at noon of 2024-06-01 on a dull surface, or as `change` says.
    async fn measure(
        &mut self,
        revision: &str,
        scan: &[u8],
        change: impl FnOnce(&mut Acquisition),
    ) -> Inspection {
        let mut taken = Acquisition {
            blob: self.plant.upload(scan).await.unwrap(),
            length_unit: LengthUnit::Millimetre.into(),
            simulated: true,
            registered_instrument: SCANNER.into(),
            // 2024-06-01 is day 19,875 of the epoch.
            acquire_time: Some(prost_types::Timestamp { seconds: 19_875 * 86_400 + 43_200, nanos: 0 }),
            surface_class: SurfaceClass::Dull.into(),
            ..Acquisition::default()
        };
        change(&mut taken);
        let request = CreateAcquisitionRequest { acquisition: Some(taken) };
        let acquisition =
            self.plant.acquisitions.create_acquisition(request).await.unwrap().into_inner().name;
        let request = Plant::request(revision, &acquisition, &acquisition);
        let name = self.plant.inspections.create_inspection(request).await.unwrap().into_inner().name;
        self.plant.wait(&name).await.unwrap()
    }
}

fn certified(on: &str, until: &str) -> Verification {
    let errors = InstrumentErrors {
        probing_mm: Some(0.004),
        length_scale_mm_per_m: Some(0.005),
        ..InstrumentErrors::default()
    };
    Verification {
        verified_on: on.into(),
        valid_until: until.into(),
        surface_classes: vec![SurfaceClass::Dull.into()],
        errors: Some(errors),
        source: Some(KnownFrom::Certificate(Certificate { title: "KB 118".into(), blob: String::new() })),
        ..Verification::default()
    }
}

/// The bar: a scanner with 0.03 mm probing error and 0.02 mm/m scale error, found within 10 % through the service.
#[tokio::test(flavor = "multi_thread")]
async fn a_scanner_is_verified_by_a_scan_of_balls_within_a_tenth() {
    let mut r = running().await;
    for seed in [11, 12] {
        let scan = Scanning { noise_mm: 0.03, scale_mm_per_m: 0.02, points: 6000, seed }.ply();
        let ball_scan = BallScan {
            blob: r.plant.upload(&scan).await.unwrap(),
            length_unit: LengthUnit::Millimetre.into(),
            artefact: Some(artefact()),
            permitted: Some(PermittedErrors { dispersion_mm: Some(0.15), ..PermittedErrors::default() }),
            ..BallScan::default()
        };
        let request = MeasureBallsRequest { ball_scan: Some(ball_scan.clone()) };
        let looked = r.register.measure_balls(request).await.unwrap().into_inner();
        let verification = Verification {
            errors: None,
            source: Some(KnownFrom::BallScan(ball_scan.clone())),
            simulated: true,
            ..certified("2024-03-01", "2025-02-28")
        };
        let kept = r.verify(&format!("v{seed}"), verification.clone()).await.unwrap();
        // Looking first and registering then is the same answer.
        assert_eq!((kept.errors, kept.ball_results.clone()), (looked.errors, looked.ball_results));
        let (errors, results) = (kept.errors.unwrap(), kept.ball_results.unwrap());
        let (noise, scale) = (errors.point_noise_mm.unwrap(), errors.length_scale_mm_per_m.unwrap());
        println!(
            "seed {seed}: noise {noise:.5} mm, scale {:.5} +- {:.5} mm/m, stated {scale:.5} mm/m",
            results.scale_mm_per_m, results.scale_standard_uncertainty_mm_per_m
        );
        assert!((noise / 0.03 - 1.0).abs() < 0.1, "{noise}");
        assert!((results.scale_mm_per_m / 0.02 - 1.0).abs() < 0.1, "{}", results.scale_mm_per_m);
        assert!((scale / 0.02 - 1.0).abs() < 0.1, "{scale}");
        assert_eq!((results.balls.len(), results.lengths.len()), (7, 21));
        // 95 % of normal noise lie within 3.92 standard deviations: 0.118 mm are permitted.
        assert!(kept.problems.is_empty(), "{:?}", kept.problems);

        // Permitted less, it is registered and not passed.
        let mut strict = ball_scan;
        strict.permitted = Some(PermittedErrors { dispersion_mm: Some(0.1), ..PermittedErrors::default() });
        let strict = Verification { source: Some(KnownFrom::BallScan(strict)), ..verification.clone() };
        let strict = r.verify(&format!("strict{seed}"), strict).await.unwrap();
        assert_eq!(strict.problems.len(), 7, "{:?}", strict.problems);
        // A scan that was called simulated never verifies what measures real parts.
        r.plant.acquire(&scan).await.unwrap();
        let real = Verification { simulated: false, ..verification };
        let refused = r.verify(&format!("real{seed}"), real).await.unwrap_err();
        assert_eq!((refused.code(), reason(&refused).as_str()), (Code::FailedPrecondition, "SIMULATED_SCAN"));
    }
    r.service.shutdown().await.unwrap();
}

#[tokio::test(flavor = "multi_thread")]
async fn the_scanner_vouches_for_its_time_and_surface_and_a_bad_part_fails_whatever_it_says() {
    let mut r = running().await;
    let demo = Demo::new(1, 1.0);
    let revision = r.plant.register("ws-214", &demo.plan_toml(), &demo.nominal_stl()).await.unwrap();
    let (good, bad) = (demo.good_scan_ply(SPACING_MM).unwrap(), demo.bad_scan_ply(SPACING_MM).unwrap());
    r.verify("2024-01", certified("2024-01-10", "2025-01-10")).await.unwrap();
    let vouched = r.measure(&revision, &good, |_| {}).await;
    assert_eq!(vouched.verdict(), Verdict::Conforms, "{}", vouched.reason);
    let record: serde_json::Value = serde_json::from_str(&vouched.result_json).unwrap();
    let conditions = &record["sources"][0]["conditions"];
    assert_eq!(conditions["verification"], "instruments/scanner-3/verifications/2024-01");
    assert_eq!(conditions["instrument_errors"]["length_scale_mm_per_m"], 0.005);
    let scale = vouched.evaluations.iter().flat_map(|e| &e.budget).any(|b| b.source == "length_scale");
    assert!(scale, "its scale is in the budgets: {:?}", vouched.evaluations[0].budget);

    let dark = r.measure(&revision, &good, |a| a.surface_class = SurfaceClass::Dark.into()).await;
    assert_eq!(dark.verdict(), Verdict::Undecided, "{}", dark.reason);
    for e in dark.evaluations.iter().filter(|e| e.required) {
        assert_eq!(e.verdict(), Verdict::Undecided, "{}: {}", e.number, e.reason);
        assert!(e.reason.contains("dark surface") && e.reason.contains("Scanner 3"), "{}", e.reason);
    }
    // A year later nothing is in force any more, and a bad part is bad all the same.
    let late = |a: &mut Acquisition| a.acquire_time.as_mut().unwrap().seconds += 365 * 86_400;
    let expired = r.measure(&revision, &bad, late).await;
    assert_eq!(expired.verdict(), Verdict::DoesNotConform, "{}", expired.reason);
    assert!(expired.evaluations.iter().all(|e| e.verdict() != Verdict::Conforms));
    assert!(expired.cautions.iter().any(|c| c.contains("valid until 2025-01-10")), "{:?}", expired.cautions);

    let name = "instruments/scanner-3/verifications/2024-01".to_owned();
    let request = WithdrawVerificationRequest { name, reason: "the artefact was warm".into() };
    r.register.withdraw_verification(request).await.unwrap();
    let withdrawn = r.measure(&revision, &good, |a| a.operator = "again".into()).await;
    assert_eq!(withdrawn.verdict(), Verdict::Undecided, "{}", withdrawn.reason);
    let kept = scantling_proto::v1::GetInspectionRequest { name: vouched.name.clone() };
    let kept = r.plant.inspections.get_inspection(kept).await.unwrap().into_inner();
    assert_eq!((kept.verdict(), kept.result_sha256), (Verdict::Conforms, vouched.result_sha256));
    r.service.shutdown().await.unwrap();
}
