//! Balls made by computation, scanned with known errors.

use super::*;
use crate::geometry::random::Random;
use crate::geometry::{Motion, PartFrame, ScanFrame, Vector};
use crate::read::{LengthUnit, RawScan};
use crate::run::quiet;

/// Seven balls of 30 mm on a frame of a metre, at places without symmetry.
fn artefact() -> Artefact {
    let at = [
        [0.0, 0.0, 0.0],
        [980.0, 15.0, 40.0],
        [990.0, 610.0, -30.0],
        [-20.0, 640.0, 60.0],
        [470.0, 300.0, 250.0],
        [260.0, 20.0, 150.0],
        [700.0, 500.0, 90.0],
    ];
    let ball = |(i, [x, y, z]): (usize, &[f64; 3])| Ball {
        id: format!("K{}", i + 1),
        at: Point::new(*x, *y, *z),
        diameter_mm: 30.0,
    };
    let balls = at.iter().enumerate().map(ball).collect();
    Artefact { balls, length_standard_mm: 0.000_5, diameter_standard_mm: 0.000_2 }
}

/// How it is scanned.
struct Scanning {
    noise_mm: f64,
    scale: f64,
    /// Every surface reads this much outside.
    outward_mm: f64,
    /// Centres are off by so much, a standard deviation a coordinate.
    bent_mm: f64,
    points: usize,
    seed: u64,
}

const WELL: Scanning =
    Scanning { noise_mm: 0.03, scale: 2e-5, outward_mm: 0.0, bent_mm: 0.0, points: 6_000, seed: 1 };

impl Scanning {
    /// The upper two thirds of every ball, a stem below each, and a table.
    fn scan(&self, artefact: &Artefact) -> Scan {
        let mut random = Random::seeded(self.seed);
        let pose = Motion::<ScanFrame, PartFrame>::from_turn_and_shift(
            random.turn(),
            Vector::new(-300.0, 150.0, 900.0),
        );
        let mut points = Vec::new();
        for ball in &artefact.balls {
            let bent = Vector::new(random.normal(), random.normal(), random.normal()) * self.bent_mm;
            let radius = 0.5 * ball.diameter_mm + self.outward_mm;
            let mut taken = 0;
            while taken < self.points {
                let n = random.direction().vector();
                if n.z > -0.33 {
                    let r = radius + self.noise_mm * random.normal();
                    points.push(ball.at + bent + n * r);
                    taken += 1;
                }
            }
            for _ in 0..self.points / 12 {
                let turn = std::f64::consts::TAU * random.unit();
                let (c, s) = (crate::geometry::math::cos(turn), crate::geometry::math::sin(turn));
                let down = -random.range(0.9 * radius, 3.0 * radius);
                points.push(ball.at + bent + Vector::new(4.0 * c, 4.0 * s, down));
            }
        }
        for _ in 0..20_000 {
            points.push(Point::new(
                random.range(-100.0, 1100.0),
                random.range(-100.0, 750.0),
                -60.0 + 0.02 * random.normal(),
            ));
        }
        let scaled = |p: &Point| Point::from(pose.point(p).coords * (1.0 + self.scale));
        let raw = RawScan { points: points.iter().map(scaled).collect(), ..RawScan::default() };
        Scan::new(raw, LengthUnit::Millimetre, &quiet()).unwrap()
    }

    fn verified(&self, artefact: &Artefact) -> Verification {
        verify(&quiet(), &self.scan(artefact), artefact).unwrap()
    }
}

#[test]
fn the_errors_of_a_simulated_scanner_are_found_within_a_tenth() {
    // The bar: 0.03 mm probing noise and 0.02 mm/m scale error found within 10 %.
    let artefact = artefact();
    for seed in 1..=4 {
        let found = Scanning { seed, ..WELL }.verified(&artefact);
        println!(
            "noise {:.5} mm, scale {:.5} +- {:.5} mm/m, dispersion {:.4} mm, size error {:.5} mm",
            found.noise_mm,
            found.scale_mm_per_m,
            found.scale_standard_mm_per_m,
            found.dispersion_mm(),
            found.size_error_mm()
        );
        assert!((found.noise_mm / 0.03 - 1.0).abs() < 0.1, "{}", found.noise_mm);
        assert!((found.scale_mm_per_m / 0.02 - 1.0).abs() < 0.1, "{}", found.scale_mm_per_m);
        assert!(found.scale_standard_mm_per_m < 0.002);
        assert_eq!((found.balls.len(), found.lengths.len()), (7, 21));
        // 95 % of normal noise lie within 3.92 standard deviations.
        assert!((found.dispersion_mm() / (3.92 * 0.03) - 1.0).abs() < 0.1, "{}", found.dispersion_mm());
        for ball in &found.balls {
            assert!(ball.size_error_mm.abs() < 5.0 * ball.size_standard_mm, "{ball:?}");
            // The stem and nothing else.
            assert!(ball.points > 5_900 && ball.points <= 6_100, "{ball:?}");
        }
        let errors = found.errors();
        assert!((errors.length_scale_mm_per_m.unwrap() / 0.02 - 1.0).abs() < 0.1);
        assert!((errors.point_noise_mm.unwrap() / 0.03 - 1.0).abs() < 0.1);
    }
}

#[test]
fn a_scale_is_as_certain_as_it_says() {
    let artefact = artefact();
    let (mut square, n) = (0.0, 24);
    for seed in 0..n {
        let found = Scanning { seed: 100 + seed, points: 800, bent_mm: 0.01, ..WELL }.verified(&artefact);
        let off = (found.scale_mm_per_m - 0.02) / found.scale_standard_mm_per_m;
        square += off * off / n as f64;
        // 12 freedoms of the residuals tell a standard deviation to a fifth.
        assert!((found.distortion_mm / 0.01 - 1.0).abs() < 0.7, "{}", found.distortion_mm);
    }
    // The mean square of 24: 1 with a standard deviation of 0.29; uncertainties from few residuals have longer tails.
    assert!((0.35..2.2).contains(&square), "{square}");
}

#[test]
fn probing_offset_and_bent_volume_are_told_apart_from_the_scale() {
    let artefact = artefact();
    let found = Scanning { outward_mm: 0.02, scale: 0.0, ..WELL }.verified(&artefact);
    for ball in &found.balls {
        assert!((ball.size_error_mm - 0.04).abs() < 5.0 * ball.size_standard_mm, "{ball:?}");
    }
    // Centres of balls that all read too large lie where they are.
    assert!(found.scale_mm_per_m.abs() < 4.0 * found.scale_standard_mm_per_m, "{}", found.scale_mm_per_m);
    assert!((found.errors().probing_mm.unwrap() / 0.02 - 1.0).abs() < 0.2);
    let bent = Scanning { bent_mm: 0.05, scale: 0.0, ..WELL }.verified(&artefact);
    assert!((0.02..0.09).contains(&bent.errors().distortion_mm.unwrap()), "{:?}", bent.errors());
    assert!(found.errors().distortion_mm.unwrap() < 0.003);
}

#[test]
fn permitted_errors_are_held_against_what_was_found() {
    let found = Scanning { outward_mm: 0.02, scale: 3e-4, ..WELL }.verified(&artefact());
    let kept = Permitted {
        dispersion_mm: Some(0.2),
        size_error_mm: Some(0.1),
        length_error_mm: Some(0.1),
        length_error_mm_per_m: Some(0.4),
    };
    assert!(kept.problems(&found).is_empty(), "{:?}", kept.problems(&found));
    let strict = Permitted { size_error_mm: Some(0.01), length_error_mm: Some(0.05), ..Permitted::default() };
    let problems = strict.problems(&found);
    assert!(problems.iter().any(|p| p.contains("probing size error")), "{problems:?}");
    assert!(problems.iter().any(|p| p.contains("the distance is wrong by")), "{problems:?}");
}

#[test]
fn a_bar_of_two_balls_tells_a_scale_and_no_distortion() {
    let mut bar = artefact();
    bar.balls.truncate(2);
    let found = Scanning { points: 20_000, ..WELL }.verified(&bar);
    assert!((found.scale_mm_per_m - 0.02).abs() < 4.0 * found.scale_standard_mm_per_m, "{found:?}");
    assert_eq!(found.errors().distortion_mm, None);
}

#[test]
fn what_is_no_artefact_or_was_not_scanned_is_said() {
    let good = artefact();
    let scan = WELL.scan(&good);
    let with = |change: &dyn Fn(&mut Artefact)| {
        let mut other = good.clone();
        change(&mut other);
        verify(&quiet(), &scan, &other).unwrap_err()
    };
    assert!(matches!(with(&|a| a.balls.truncate(1)), VerificationError::Artefact(_)));
    assert!(matches!(with(&|a| a.balls[1].id = "K1".into()), VerificationError::Artefact(_)));
    assert!(matches!(with(&|a| a.balls[1].at = a.balls[0].at), VerificationError::Artefact(_)));
    assert!(matches!(with(&|a| a.balls[1].diameter_mm = f64::NAN), VerificationError::Artefact(_)));
    assert!(matches!(with(&|a| a.length_standard_mm = -1.0), VerificationError::Artefact(_)));
    // A ball elsewhere than it was: six are found.
    let moved = with(&|a| a.balls[3].at.x += 25.0);
    assert_eq!(moved, VerificationError::Missing { found: 6, needed: 7 });
    // Inches taken for millimetres, and nothing at all.
    let inches = with(&|a| a.balls.iter_mut().for_each(|b| b.at = Point::from(b.at.coords / 25.4 * 10.0)));
    assert!(matches!(inches, VerificationError::Missing { .. }), "{inches}");
    let empty = Scan::new(
        RawScan { points: vec![Point::origin(), Point::new(1.0, 0.0, 0.0)], ..RawScan::default() },
        LengthUnit::Millimetre,
        &quiet(),
    );
    let none = verify(&quiet(), &empty.unwrap(), &good).unwrap_err();
    assert_eq!(none, VerificationError::Missing { found: 0, needed: 7 });
    let stop = std::sync::atomic::AtomicBool::new(true);
    let stopped = Run { stop: &stop, ..quiet() };
    assert_eq!(verify(&stopped, &scan, &good), Err(VerificationError::Stopped(Stopped)));
}
