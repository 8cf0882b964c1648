//! Flatness and cylindricity.

use super::super::made_tests::{ask, elsewhere, shuffled, strewn, wall};
use super::super::{Cylindricity, Flatness, RuleError};
use super::Reference;
use crate::geometry::{Point, Vector, math, random::Random};
use crate::plan::Association;

const BOTH: [Reference; 2] = [Reference::MinimumZone, Reference::LeastSquares];

/// A square of 40 mm with heights over it.
fn face(height: impl Fn(f64, f64) -> f64) -> Vec<Point> {
    let at = |i: u32| 40.0 * f64::from(i) / 20.0 - 20.0;
    (0..441).map(|k| (at(k % 21), at(k / 21))).map(|(x, y)| Point::new(x, y, height(x, y))).collect()
}

/// By hand: x^2 over a square of side 2 a lies between two level planes a^2 apart, and by symmetry the least-squares
/// plane is level too. A saddle x y rests on its corners.
#[test]
fn a_trough_and_a_saddle_are_as_flat_as_they_are_deep() {
    for reference in BOTH {
        let trough = ask(&Flatness { reference }, &face(|x, _| 1e-3 * x * x)).unwrap();
        assert!((trough.numbers[0].value - 0.4).abs() < 1e-12, "{trough:?}");
        let saddle = ask(&Flatness { reference }, &face(|x, y| 1e-3 * x * y)).unwrap();
        assert!((saddle.numbers[0].value - 0.8).abs() < 1e-12, "{saddle:?}");
        let at = saddle.numbers[0].at.unwrap();
        assert!(at.x.abs() == 20.0 && at.y.abs() == 20.0);
    }
}

/// One corner of a level face lifted by h: the zone turns and stays below h, and below that of least squares.
#[test]
fn the_minimum_zone_is_never_wider_and_forms_move_turn_reorder_and_scale() {
    for seed in 0..10 {
        let random = &mut Random::seeded(seed);
        let mut flat = face(|_, _| 0.0);
        flat.iter_mut().for_each(|p| p.z += 0.02 * random.normal());
        let tube = strewn(random, 500, 30.0, |t, z| 8.0 + 0.02 * math::cos(2.0 * t) + 1e-4 * z * z);
        let motion = elsewhere(random);
        let moved = |points: &[Point], random: &mut Random| -> Vec<Point> {
            shuffled(points, random).iter().map(|p| motion.point(p)).collect()
        };
        let (flat_there, tube_there) = (moved(&flat, random), moved(&tube, random));
        let large = |points: &[Point]| points.iter().map(|p| p * 10.0).collect::<Vec<Point>>();
        let mut widths = Vec::new();
        for reference in BOTH {
            let value = |points: &[Point]| ask(&Flatness { reference }, points).unwrap().numbers[0].value;
            let width = value(&flat);
            assert!(
                (value(&flat_there) - width).abs() < 1e-9
                    && (value(&large(&flat)) - 10.0 * width).abs() < 1e-8
            );
            widths.push(width);
            let value = |points: &[Point]| ask(&Cylindricity { reference }, points).unwrap().numbers[0].value;
            let width = value(&tube);
            assert!(
                (value(&tube_there) - width).abs() < 1e-6
                    && (value(&large(&tube)) - 10.0 * width).abs() < 1e-5
            );
            widths.push(width);
        }
        assert!(widths[0] <= widths[2] + 1e-12 && widths[1] <= widths[3] + 1e-9, "seed {seed} {widths:?}");
    }
}

/// A barrel of 0.001 z^2 at z = 20, and lobes of 0.05 either way: about the true axis of both.
#[test]
fn a_barrel_and_a_lobed_bore_are_as_cylindrical_as_they_bulge() {
    for reference in BOTH {
        let value = |points: &[Point]| ask(&Cylindricity { reference }, points).unwrap().numbers[0].value;
        assert!((value(&wall(21, 60, 40.0, |_, z| 10.0 - 1e-3 * z * z)) - 0.4).abs() < 1e-7);
        assert!((value(&wall(9, 120, 40.0, |t, _| 10.0 + 0.05 * math::cos(3.0 * t))) - 0.1).abs() < 1e-7);
        // A cone is no cylinder: its radius grows by 0.2.
        assert!((value(&wall(21, 60, 40.0, |_, z| 10.0 + 5e-3 * z)) - 0.2).abs() < 1e-7);
    }
}

#[test]
fn what_tells_no_form_is_refused() {
    for reference in BOTH {
        for bad in [
            vec![],
            vec![Point::origin(); 2],
            vec![Point::new(0.0, f64::NAN, 0.0); 30],
            vec![Point::origin(); 30],
        ] {
            assert!(ask(&Flatness { reference }, &bad).is_err());
            assert!(ask(&Cylindricity { reference }, &bad).is_err());
        }
        let line: Vec<Point> = (0..30).map(|i| Point::origin() + Vector::x() * f64::from(i)).collect();
        assert!(matches!(ask(&Flatness { reference }, &line), Err(RuleError::Fit(_))));
        assert!(matches!(ask(&Cylindricity { reference }, &line), Err(RuleError::Fit(_))));
    }
    assert_eq!(Reference::of(Association::MinimumZone), Some(Reference::MinimumZone));
    assert_eq!(Reference::of(Association::LeastSquares), Some(Reference::LeastSquares));
    assert_eq!(Reference::of(Association::MaximumInscribed), None);
}
