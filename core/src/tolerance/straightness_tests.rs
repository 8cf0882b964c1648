use super::super::made_tests::{ask, bore, pin, wall};
use super::*;
use std::f64::consts::PI;

const BOTH: [Reference; 2] = [Reference::MinimumZone, Reference::LeastSquares];

fn rule(situation: Situation, of: StraightnessOf, reference: Reference, section_mm: f64) -> Straightness {
    Straightness { subject: Subject::new(situation), of, reference, section_mm }
}

/// A parabola k z^2 over -h to h lies between two parallel lines k h^2 apart, and its least-squares line is level too.
#[test]
fn the_lines_of_a_barrel_bend_and_its_axis_does_not() {
    let points = wall(21, 60, 40.0, |_, z| 10.0 - 1e-3 * z * z);
    for reference in BOTH {
        let lines = ask(&rule(pin(20.0), StraightnessOf::Lines, reference, 1.0), &points).unwrap();
        assert!((lines.numbers[0].value - 0.4).abs() < 1e-6, "{lines:?}");
        assert!(lines.instances.len() >= 30 && lines.instances.len() <= 63);
        for line in &lines.instances {
            assert!((line.value_mm - 0.4).abs() < 1e-6);
            let at = line.at.unwrap();
            assert!(((at.x * at.x + at.y * at.y).sqrt() - 9.853_333).abs() < 1e-5, "{at}");
        }
        let axis = ask(&rule(pin(20.0), StraightnessOf::Axis, reference, 2.0), &points).unwrap();
        assert!(axis.numbers[0].value < 1e-8, "{axis:?}");
    }
}

/// The axis bends by a parabola of sag s. The narrowest cylinder about it is s wide: half a sag either way. The
/// least-squares line lies at the mean, over evenly spaced centres at z = 20 k / n: s (n + 1)(2 n + 1) / (6 n^2) with
/// 2 n + 1 centres from -n to n, less the middle counted once.
#[test]
fn a_bent_axis_is_as_straight_as_it_sags() {
    let sag = 0.3;
    let points: Vec<Point> = wall(21, 60, 40.0, |_, _| 10.0)
        .iter()
        .map(|p| Point::new(p.x + sag * p.z * p.z / 400.0, p.y, p.z))
        .collect();
    let straight =
        |reference| ask(&rule(bore(20.0), StraightnessOf::Axis, reference, 2.0), &points).unwrap().numbers[0];
    let zone = straight(Reference::MinimumZone);
    assert!((zone.value - sag).abs() < 1e-3, "{zone:?}");
    let mean = (-10..=10).map(|k| sag * f64::from(k * k) / 100.0).sum::<f64>() / 21.0;
    let gauss = straight(Reference::LeastSquares);
    assert!((gauss.value - 2.0 * (sag - mean)).abs() < 1e-3, "{gauss:?} {mean}");
    assert!(gauss.at.unwrap().z.abs() > 19.9);
    // Of the lines, those in the plane of the bend are as bent, those across it are straight.
    let lines = ask(&rule(bore(20.0), StraightnessOf::Lines, Reference::MinimumZone, 1.0), &points).unwrap();
    assert!((lines.numbers[0].value - sag).abs() < 5e-3, "{:?}", lines.numbers);
    let least = lines.instances.iter().map(|l| l.value_mm).fold(f64::INFINITY, f64::min);
    assert!(least < 0.02, "{least}");
}

/// A bow of 0.1 square to a cone's lines is one square to them, and its slope is none.
#[test]
fn the_lines_of_a_cone_are_judged_along_it() {
    let half = PI / 6.0;
    let cone = Situation::Cone {
        at: Point::origin(),
        axis: Direction::Z,
        half_angle_rad: half,
        radius_mm: 20.0,
        hollow: false,
    };
    let made = |bow: f64| {
        let radius = |_: f64, z: f64| 20.0 + z * math::tan(half) + bow * z * z / 100.0 / math::cos(half);
        // In the middle of each of 63 lines a point a row: uneven ones would tilt the least-squares line.
        wall(41, 63, 20.0, radius)
    };
    let (perfect, bowed) = (made(0.0), made(0.1));
    for reference in BOTH {
        let rule = rule(cone, StraightnessOf::Lines, reference, 2.0);
        assert!(ask(&rule, &perfect).unwrap().numbers[0].value < 1e-8);
        let found = ask(&rule, &bowed).unwrap().numbers[0].value;
        // Radius over 20 mm of height: 0.1 / cos(a) at the ends, times cos(a) square to the line.
        assert!((found - 0.1).abs() < 2e-3, "{found}");
    }
    let axis = rule(cone, StraightnessOf::Axis, Reference::MinimumZone, 2.0);
    assert!(matches!(ask(&axis, &perfect), Err(RuleError::Missing(_))));
}

/// Half a pin shows half of its lines and no axis by sections.
#[test]
fn half_a_pin_has_lines_and_no_axis() {
    let half: Vec<Point> =
        wall(21, 60, 40.0, |_, z| 10.0 - 1e-3 * z * z).into_iter().filter(|p| p.y > 0.1).collect();
    for reference in BOTH {
        let lines = ask(&rule(pin(20.0), StraightnessOf::Lines, reference, 1.0), &half).unwrap();
        assert!((lines.numbers[0].value - 0.4).abs() < 1e-3, "{:?}", lines.numbers);
        let axis = ask(&rule(pin(20.0), StraightnessOf::Axis, reference, 2.0), &half);
        assert!(matches!(axis, Err(RuleError::Missing(_))));
    }
}

#[test]
fn what_tells_no_line_is_refused() {
    let full = wall(9, 60, 40.0, |_, _| 10.0);
    let two_rows = [wall(1, 60, 0.0, |_, _| 10.0), wall(1, 60, 0.0, |_, _| 10.0)]
        .concat()
        .into_iter()
        .enumerate()
        .map(|(i, p)| Point::new(p.x, p.y, if i < 60 { 0.0 } else { 20.0 }))
        .collect::<Vec<Point>>();
    let mut broken = full.clone();
    broken[5].z = f64::NAN;
    for of in [StraightnessOf::Axis, StraightnessOf::Lines] {
        for reference in BOTH {
            let asked = rule(bore(20.0), of, reference, 4.0);
            for bad in [&[][..], &full[..2], &broken, &[Point::origin(); 40], &two_rows] {
                assert!(ask(&asked, bad).is_err(), "{of:?}");
            }
            for section in [0.0, f64::NAN] {
                assert!(ask(&rule(bore(20.0), of, reference, section), &full).is_err());
            }
        }
    }
}
