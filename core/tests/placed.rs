//! A part that is said to lie somewhere: right, nearly right, wrong, and in another length unit.
#![allow(clippy::unwrap_used, reason = "a test says where it fails")]

use scantling_core::geometry::{Motion, PartFrame, Point, ScanFrame, Vector};
use scantling_core::inspect::{InspectError, Job, ScanPart, ScanSource, align, inspect};
use scantling_core::nominal::Nominal;
use scantling_core::plan;
use scantling_core::read::{RawScan, read};
use scantling_core::record::{Record, Verdict};
use scantling_core::run::quiet;
use scantling_core::scan::{LengthUnit, Scan};
use scantling_core::simulate::Demo;

type Pose = Motion<PartFrame, ScanFrame>;

/// Moves the part in its own axes: turns about the middle of its box, then a shift.
fn moved(nominal: &Nominal, by: Vector, turn: Vector, pose: Pose) -> Pose {
    let middle = nominal.mesh().bounds().centre().coords;
    let shift = |v| Motion::<PartFrame, PartFrame>::from_turn_and_shift(Vector::zeros(), v);
    let about: Motion<PartFrame, PartFrame> = Motion::from_turn_and_shift(turn, Vector::zeros());
    shift(middle + by) * about * shift(-middle) * pose
}

#[test]
fn a_place_that_is_told_is_held_against_the_scan() {
    let demo = Demo::new(3, 1.0);
    let run = quiet();
    let (_, plan) = plan::check_toml(&demo.plan_toml()).unwrap();
    let raw = read(&demo.nominal_stl(), &run).unwrap();
    let nominal = Nominal::from_mesh(raw, LengthUnit::Millimetre, plan.side, &run).unwrap();
    let faces = plan::bind(&plan, Some(&nominal)).unwrap();
    let whole = read(&demo.good_scan_ply(2.0).unwrap(), &run).unwrap();
    let truth = demo.good.scan_from_part.inverse();
    let with = |scan: &Scan, pose: Pose, sum_too: bool| -> Result<Record, InspectError> {
        let scans = [ScanSource { scan, sha256: "s".into(), part: ScanPart::Placement(pose) }];
        let job = Job::of_scans(&nominal, &plan, &faces, &scans);
        let record = inspect(&run, &job)?.record;
        // The single sum tells the same as the record.
        match (sum_too.then(|| align(&run, &job, None)), &record.alignment) {
            (None, _) => {}
            (Some(Ok(aligned)), Some(found)) => assert_eq!(aligned.stop, found.stop),
            (Some(Err(error)), None) => assert_eq!(error.to_string(), record.reason),
            other => panic!("{other:?}"),
        }
        Ok(record)
    };
    let go = |scan: &Scan, pose: Pose| with(scan, pose, false);
    let scan = Scan::new(whole.clone(), LengthUnit::Millimetre, &run).unwrap();
    let still = Vector::zeros();

    // Told exactly, and some millimetres beside: the same values.
    let right = with(&scan, truth, true).unwrap();
    assert!(right.cautions.iter().any(|c| c.contains("not searched for: it fits there")));
    assert!(!right.cautions.iter().any(|c| c.contains("on trust")), "{:?}", right.cautions);
    let beside = moved(&nominal, Vector::new(6.0, -5.0, 4.0), Vector::new(0.0, 0.0, 0.001), truth);
    let beside = go(&scan, beside).unwrap();
    for (a, b) in right.evaluations.iter().zip(&beside.evaluations) {
        assert_eq!(a.verdict, b.verdict, "{}: {} {}", a.number, a.reason, b.reason);
        if let (Some(a), Some(b)) = (a.value_mm, b.value_mm) {
            assert!((a - b).abs() < 1e-3, "{a} {b}");
        }
    }

    // From further off it comes home too, and that is told.
    let far = go(&scan, moved(&nominal, Vector::new(45.0, 0.0, 0.0), still, truth)).unwrap();
    assert_eq!(far.verdict, right.verdict);
    let told = |r: &Record| r.cautions.iter().any(|c| c.contains("mm from where it was said to lie"));
    assert!(told(&far) && !told(&beside) && !told(&right), "{:?}", far.cautions);

    // Elsewhere: nothing is judged, and the reason says where the part is.
    for (by, turn) in [
        (Vector::new(400.0, 0.0, 0.0), still),
        (still, Vector::new(0.0, 0.0, std::f64::consts::PI)),
        (Vector::new(5000.0, 0.0, 0.0), still),
    ] {
        let record = with(&scan, moved(&nominal, by, turn, truth), by.x == 400.0).unwrap();
        assert_eq!(record.verdict, Verdict::NotMeasured, "{by:?} {turn:?}: {}", record.reason);
        assert!(
            record.evaluations.iter().all(|e| e.value_mm.is_none()),
            "{by:?} {turn:?}: {} {:?} {:?}",
            record.reason,
            record.cautions,
            record.alignment
        );
        assert!(record.reason.contains("does not lie where it was said to"), "{}", record.reason);
        assert!(record.reason.contains("mm from there; correct the placement"), "{}", record.reason);
    }

    // A corner of the part alone fits where it is said to be, which proves little.
    let corner = |p: &Point| truth.point(p).x < 200.0 && truth.point(p).y < 200.0;
    let some: Vec<u32> =
        (0u32..).zip(scan.points().iter()).filter(|(_, p)| corner(p)).map(|(i, _)| i).collect();
    let record = go(&scan.subset(&some), truth).unwrap();
    assert!(
        record.cautions.iter().any(|c| c.contains("taken on trust")),
        "{:?} {}",
        record.cautions,
        record.reason
    );

    // The right place, and a scan in inch that was stated to be in mm.
    let inch = RawScan { points: whole.points.iter().map(|p| p / 25.4).collect(), ..whole.clone() };
    let inch = Scan::new(inch, LengthUnit::Millimetre, &run).unwrap();
    let Err(InspectError::LengthUnit(words)) = go(&inch, truth) else { panic!("no word of the unit") };
    assert!(words.ends_with("check the length unit stated: this looks like inch, not mm"), "{words}");

    // What lies within the part's box and yet far from it is counted.
    let mut raw = whole;
    let middle = nominal.mesh().bounds().centre();
    for k in 0..500 {
        let p = middle + Vector::new(f64::from(k % 25) - 12.0, f64::from(k / 25) - 10.0, 0.0);
        raw.points.push(demo.good.scan_from_part.point(&p));
        raw.normals.as_mut().unwrap().push(demo.good.scan_from_part.vector(&Vector::z()));
    }
    let more = Scan::new(raw, LengthUnit::Millimetre, &run).unwrap();
    let unexplained = |r: &Record| r.alignment.as_ref().unwrap().points_unexplained;
    assert_eq!(unexplained(&go(&more, truth).unwrap()), unexplained(&right) + 500);
}
