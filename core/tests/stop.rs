//! A caller can stop the work inside every stage.

use std::sync::atomic::{AtomicBool, Ordering};

use scantling_core::associate::{FitError, Shape, associate};
use scantling_core::geometry::{Motion, Point};
use scantling_core::inspect::{InspectError, Job, ScanSource, inspect};
use scantling_core::nominal::Nominal;
use scantling_core::plan;
use scantling_core::read::read;
use scantling_core::run::{Limits, Run, Stage, quiet};
use scantling_core::scan::{LengthUnit, Scan};
use scantling_core::simulate::{Demo, Scanner, ScannerError, arrangement};

#[test]
fn the_work_stops_inside_every_stage() {
    let demo = Demo::new(2, 1.0);
    let (_, plan) = plan::check_toml(&demo.plan_toml()).unwrap();
    let nominal = Nominal::from_mesh(
        read(&demo.nominal_stl(), &quiet()).unwrap(),
        LengthUnit::Millimetre,
        plan.side,
        &quiet(),
    )
    .unwrap();
    let faces = plan::bind(&plan, Some(&nominal)).unwrap();
    let scan = Scan::new(
        read(&demo.good_scan_ply(3.0).unwrap(), &quiet()).unwrap(),
        LengthUnit::Millimetre,
        &quiet(),
    )
    .unwrap();
    let scans = [ScanSource::whole(&scan, String::new())];
    let job = Job::of_scans(&nominal, &plan, &faces, &scans);
    for at in [Stage::Locate, Stage::Align, Stage::Partition, Stage::Filter, Stage::Evaluate] {
        let stop = AtomicBool::new(false);
        let progress = |stage: Stage, _: f64| {
            if stage == at {
                stop.store(true, Ordering::Relaxed);
            }
        };
        let run = Run { stop: &stop, progress: &progress, limits: Limits::default() };
        let found = inspect(&run, &job);
        assert!(stop.load(Ordering::Relaxed), "the stage {at:?} was never told");
        assert!(
            matches!(found, Err(InspectError::Stopped(_))),
            "{at:?}: {:?}",
            found.map(|f| f.record.verdict)
        );
    }
    let stop = AtomicBool::new(true);
    let run = Run { stop: &stop, progress: &|_, _| {}, limits: Limits::default() };
    let error = read(&demo.good_scan_ply(3.0).unwrap(), &run).unwrap_err();
    assert!(error.to_string().contains("stopped"), "{error}");
}

#[test]
fn a_fit_and_a_simulation_stop_too() {
    let stop = AtomicBool::new(true);
    let run = Run { stop: &stop, progress: &|_, _| {}, limits: Limits::default() };
    let ball = (0..40).map(|i| {
        let (turn, height) = (0.5 * f64::from(i), -0.95 + f64::from(i) / 21.0);
        let ring = (1.0 - height * height).sqrt();
        Point::new(ring * libm::cos(turn), ring * libm::sin(turn), height)
    });
    let ball: Vec<Point> = ball.collect();
    assert!(associate(&quiet(), Shape::Sphere, &ball).is_ok());
    let ring: Vec<Point> = ball.iter().map(|p| Point::new(p.x, p.y, 0.0)).collect();
    for shape in [Shape::Circle, Shape::Sphere, Shape::Cylinder, Shape::Cone] {
        let points = if shape == Shape::Circle { &ring } else { &ball };
        assert!(matches!(associate(&run, shape, points), Err(FitError::Stopped(_))), "{shape}");
    }
    let laid = arrangement(1, 1, 0, 0);
    let stopped = Scanner::front(4.0, 0.0, 1).scan_scene(&run, &laid.scene, &Motion::identity());
    assert_eq!(stopped.unwrap_err(), ScannerError::Stopped(scantling_core::run::Stopped));
}
