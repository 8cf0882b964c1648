use super::super::made_tests::{
    across_x, ask, bore, carried, elsewhere, pin, shuffled, strewn, surface as made, taken, two_flanks, wall,
};
use super::*;
use crate::associate::{FitError, Freedom};
use crate::geometry::{Vector, math, random::Random};
use crate::run::quiet;
use std::sync::atomic::AtomicBool;

const ALL: [SizeOperator; 6] = [
    SizeOperator::LeastSquares,
    SizeOperator::MinimumZone,
    SizeOperator::MaximumInscribed,
    SizeOperator::MinimumCircumscribed,
    SizeOperator::TwoPoint,
    SizeOperator::Envelope,
];

fn size(of: Subject, operator: SizeOperator, section_mm: f64) -> Size {
    Size { of, operator, section_mm }
}

fn numbers(of: Subject, operator: SizeOperator, section_mm: f64, points: &[Point]) -> Vec<(f64, Against)> {
    let found = ask(&size(of, operator, section_mm), points).unwrap();
    found.numbers.iter().map(|n| (n.value, n.against)).collect()
}

#[test]
fn a_perfect_bore_has_one_size_by_every_operator() {
    let points = wall(11, 48, 40.0, |_, _| 10.0);
    for operator in ALL {
        for (value, _) in numbers(Subject::new(bore(20.0)), operator, 4.0, &points) {
            assert!((value - 20.0).abs() < 1e-9, "{operator:?}: {value}");
        }
    }
}

/// The axis bends by a sag s, as a parabola: every section is round and of full size, and a straight pin of 2 R - s
/// goes through, held at both ends and the middle.
#[test]
fn a_bent_bore_keeps_its_two_point_sizes_and_lets_only_a_thinner_pin_through() {
    let (r, sag) = (10.0, 0.3);
    let bent = |p: &Point| p + Vector::new(sag * (p.z / 40.0) * (p.z / 40.0), 0.0, 0.0);
    let points: Vec<Point> = wall(21, 72, 80.0, |_, _| r).iter().map(bent).collect();
    let of = Subject::new(bore(20.0));
    for (value, _) in numbers(of, SizeOperator::TwoPoint, 4.0, &points) {
        assert!((value - 20.0).abs() < 2e-3, "{value}");
    }
    let envelope = numbers(of, SizeOperator::Envelope, 4.0, &points);
    assert!((envelope[0].0 - (20.0 - sag)).abs() < 2e-3 && envelope[0].1 == Against::Lower, "{envelope:?}");
    assert!((envelope[1].0 - 20.0).abs() < 2e-3 && envelope[1].1 == Against::Upper, "{envelope:?}");
    // The same as a pin goes into no bore smaller than 2 R + s.
    let envelope = numbers(Subject::new(pin(20.0)), SizeOperator::Envelope, 4.0, &points);
    assert!((envelope[0].0 - 20.0).abs() < 2e-3 && envelope[0].1 == Against::Lower, "{envelope:?}");
    assert!((envelope[1].0 - (20.0 + sag)).abs() < 2e-3 && envelope[1].1 == Against::Upper, "{envelope:?}");
}

/// Odd lobes: two-point sizes are blind to them, contacts are not. Three lobes of height e about a true axis: the
/// inscribed circle touches the three valleys, the circumscribed one the three peaks.
#[test]
fn lobes_that_no_two_points_see_show_in_the_contacts() {
    let points = wall(7, 360, 30.0, |t, _| 10.0 + 0.05 * math::cos(3.0 * t));
    let of = Subject::new(bore(20.0));
    let value = |operator| numbers(of, operator, 5.0, &points).iter().map(|n| n.0).collect::<Vec<f64>>();
    let local = value(SizeOperator::TwoPoint);
    assert!(local.iter().all(|v| (v - 20.0).abs() < 1e-4), "{local:?}");
    assert!((value(SizeOperator::MaximumInscribed)[0] - 19.9).abs() < 1e-6);
    assert!((value(SizeOperator::MinimumCircumscribed)[0] - 20.1).abs() < 1e-6);
    assert!((value(SizeOperator::LeastSquares)[0] - 20.0).abs() < 2e-4);
    assert!((value(SizeOperator::MinimumZone)[0] - 20.0).abs() < 2e-4);
    assert!((value(SizeOperator::Envelope)[0] - 19.9).abs() < 1e-6);
}

/// The laws of complete circles: no point lies within the inscribed or outside the circumscribed size, so least squares
/// and minimum zone lie between; and neither is beaten by a circle about another centre.
#[test]
fn sizes_of_noisy_walls_keep_their_order_and_move_turn_reorder_and_scale() {
    for seed in 0..6 {
        let random = &mut Random::seeded(seed);
        let points: Vec<Point> = strewn(random, 400, 30.0, |_, _| 8.0)
            .iter()
            .map(|p| p + Vector::new(random.normal(), random.normal(), 0.0) * 0.01)
            .collect();
        let motion = elsewhere(random);
        let moved: Vec<Point> = shuffled(&points, random).iter().map(|p| motion.point(p)).collect();
        let large: Vec<Point> = points.iter().map(|p| p * 10.0).collect();
        let (here, there) = (Subject::new(bore(16.0)), Subject::new(taken(&motion, bore(16.0))));
        let mut values = Vec::new();
        for operator in ALL {
            let found = numbers(here, operator, 5.0, &points);
            let again = numbers(there, operator, 5.0, &moved);
            let scaled = numbers(Subject::new(bore(160.0)), operator, 50.0, &large);
            assert_eq!(found, numbers(here, operator, 5.0, &points));
            for k in 0..found.len() {
                assert!((found[k].0 - again[k].0).abs() < 1e-6, "seed {seed} {operator:?}");
                assert!((10.0 * found[k].0 - scaled[k].0).abs() < 1e-5, "seed {seed} {operator:?}");
            }
            values.push(found[0].0);
        }
        let [gauss, zone, inscribed, around, ..] = values[..] else { unreachable!("six operators") };
        assert!(inscribed < gauss && gauss < around && inscribed < zone && zone < around, "seed {seed}");
        let fit = cylinder(&points).unwrap();
        assert!(inscribed >= 2.0 * (fit.radius_mm + fit.low.0) - 1e-9, "seed {seed}");
        assert!(around <= 2.0 * (fit.radius_mm + fit.high.0) + 1e-9, "seed {seed}");
    }
}

/// A wall of 2 mm on a diameter of 20 does not tell its axis: along the given one the circles are those of the plane.
#[test]
fn a_thin_wall_is_looked_at_along_the_given_axis() {
    let points = wall(3, 180, 2.0, |t, _| 10.0 + 0.02 * math::cos(2.0 * t));
    let hole = Situation::Hole { at: Point::origin(), axis: Direction::Z, diameter_mm: Some(20.0) };
    let of = Subject::along(hole, Direction::Z);
    let value = |operator| numbers(of, operator, 1.0, &points);
    assert!((value(SizeOperator::LeastSquares)[0].0 - 20.0).abs() < 1e-4);
    assert!((value(SizeOperator::MaximumInscribed)[0].0 - 19.96).abs() < 1e-6);
    assert!((value(SizeOperator::MinimumCircumscribed)[0].0 - 20.04).abs() < 1e-6);
    let envelope = value(SizeOperator::Envelope);
    assert!((envelope[0].0 - 19.96).abs() < 1e-6 && (envelope[1].0 - 20.04).abs() < 1e-6, "{envelope:?}");
}

#[test]
fn a_ball_has_its_sizes() {
    let random = &mut Random::seeded(5);
    let points: Vec<Point> = (0..3000)
        .map(|_| {
            let u = random.direction().vector();
            Point::new(1.0, 2.0, 3.0) + u * (6.0 + 0.04 * u.x * u.x)
        })
        .collect();
    let at = Point::new(1.0, 2.0, 3.0);
    let of = |hollow| Subject::new(Situation::Sphere { at, diameter_mm: 12.0, hollow });
    let value = |operator| numbers(of(false), operator, 0.8, &points);
    // Mean of u_x^2 over the sphere is a third; over contacts it is 0 and 1.
    assert!((value(SizeOperator::LeastSquares)[0].0 - (12.0 + 0.08 / 3.0)).abs() < 2e-3);
    assert!((value(SizeOperator::MinimumZone)[0].0 - 12.04).abs() < 1e-3);
    assert!((value(SizeOperator::MaximumInscribed)[0].0 - 12.0).abs() < 1e-3);
    assert!((value(SizeOperator::MinimumCircumscribed)[0].0 - 12.08).abs() < 1e-3);
    let envelope = value(SizeOperator::Envelope);
    assert!((envelope[0].0 - 12.0).abs() < 1e-3 && (envelope[1].0 - 12.08).abs() < 1e-3, "{envelope:?}");
    let socket = numbers(of(true), SizeOperator::Envelope, 0.8, &points);
    assert!((socket[0].0 - 12.0).abs() < 1e-3 && (socket[1].0 - 12.08).abs() < 1e-3, "{socket:?}");
}

/// Flanks that open by 0.004 along y: local widths go from w - 0.06 to w + 0.06 over 30 mm.
#[test]
fn a_groove_and_a_tongue_mirror_each_other() {
    let random = &mut Random::seeded(6);
    for hollow in [true, false] {
        let off = |upper: bool, y: f64, _: f64| if upper { 0.004 * y } else { 0.0 };
        let surface = two_flanks(random, 3000, 10.0, hollow, off);
        let of = Subject::new(across_x(10.0, hollow));
        let value = |operator| -> Vec<f64> {
            let found = size(of, operator, 1.0).measure(&quiet(), std::slice::from_ref(&surface)).unwrap();
            found.numbers.iter().map(|n| n.value).collect()
        };
        let local = value(SizeOperator::TwoPoint);
        assert!((local[0] - 9.94).abs() < 2e-3 && (local[1] - 10.06).abs() < 2e-3, "{local:?}");
        assert!((value(SizeOperator::LeastSquares)[0] - 10.0).abs() < 3e-3);
        // The planes may turn: at the narrow end they rest on either flank, the widest pair rests on both ends.
        let (inside, around) =
            (value(SizeOperator::MaximumInscribed)[0], value(SizeOperator::MinimumCircumscribed)[0]);
        assert!(inside < 9.943 && inside > 9.937 && around < 10.063 && around > 10.055, "{inside} {around}");
        let envelope = value(SizeOperator::Envelope);
        let expected = if hollow { [inside, local[1]] } else { [local[0], around] };
        assert_eq!(envelope, expected);

        let motion = elsewhere(random);
        let there = Subject::new(taken(&motion, of.situation));
        for operator in ALL {
            let moved = size(there, operator, 1.0).measure(&quiet(), &[carried(&motion, &surface)]).unwrap();
            for (number, value) in moved.numbers.iter().zip(value(operator)) {
                assert!((number.value - value).abs() < 1e-6, "{operator:?}: {number:?} {value}");
            }
        }
    }
}

/// Round ends reach as far as the flanks and would be taken for them at their sides.
#[test]
fn the_ends_of_a_slot_are_left_out_and_a_thin_wall_is_looked_at_along_the_slot() {
    let (half, r) = (10.0, 4.0);
    let mut surface = Surface::default();
    for z in 0..3 {
        for k in 0..400 {
            let s = f64::from(k) / 400.0 * (4.0 * half + std::f64::consts::TAU * r);
            let (x, y, n) = if s < 2.0 * half {
                (s - half, r, Vector::new(0.0, -1.0, 0.0))
            } else if s < 4.0 * half {
                (s - 3.0 * half, -r, Vector::new(0.0, 1.0, 0.0))
            } else {
                let t = (s - 4.0 * half) / r;
                let (c, side) = (math::sin(t), if math::sin(t) >= 0.0 { half } else { -half });
                // Ends that stand off by 0.5.
                let e = r + 0.5;
                (side + e * c, e * math::cos(t), Vector::new(-c, -math::cos(t), 0.0))
            };
            surface.points.push(Point::new(x, y, f64::from(z)));
            surface.normals.push(Direction::new(n).unwrap());
        }
    }
    let slot = Situation::Slot {
        at: Point::origin(),
        axis: Direction::Z,
        along: Direction::X,
        length_mm: Some(28.0),
        width_mm: Some(8.0),
    };
    for operator in ALL {
        let rule = size(Subject::along(slot, Direction::Z), operator, 1.0);
        let found = rule.measure(&quiet(), std::slice::from_ref(&surface)).unwrap();
        for n in &found.numbers {
            assert!((n.value - 8.0).abs() < 1e-9, "{operator:?}: {n:?}");
        }
    }
    // Normals are what tells flanks.
    let rule = size(Subject::new(slot), SizeOperator::LeastSquares, 1.0);
    assert!(matches!(ask(&rule, &surface.points), Err(RuleError::Missing(_))));
}

#[test]
fn what_tells_no_size_is_refused_and_never_a_number() {
    let full = wall(9, 60, 40.0, |_, _| 10.0);
    let half: Vec<Point> = full.iter().copied().filter(|p| p.y > 0.1).collect();
    let mut broken = full.clone();
    broken[17].y = f64::NAN;
    let line: Vec<Point> = (0..50).map(|i| Point::new(f64::from(i), 0.0, 0.0)).collect();
    for operator in ALL {
        for of in [bore(20.0), Situation::Sphere { at: Point::origin(), diameter_mm: 20.0, hollow: true }] {
            let rule = size(Subject::new(of), operator, 4.0);
            for bad in [&[][..], &full[..2], &broken, &line, &[Point::origin(); 50]] {
                assert!(ask(&rule, bad).is_err(), "{operator:?} {of:?}");
            }
            assert!(rule.measure(&quiet(), &[]).is_err());
        }
        let rule = size(Subject::new(bore(20.0)), operator, 4.0);
        let one_sided = ask(&rule, &half);
        match operator {
            SizeOperator::LeastSquares | SizeOperator::MinimumZone => {
                assert!((one_sided.unwrap().numbers[0].value - 20.0).abs() < 1e-6);
            }
            SizeOperator::TwoPoint => assert!(matches!(one_sided, Err(RuleError::Missing(_)))),
            _ => assert!(matches!(
                one_sided,
                Err(RuleError::Fit(FitError::Undetermined { freedom: Freedom::HalfOpen, .. }))
            )),
        }
        let width = size(Subject::new(across_x(10.0, true)), operator, 1.0);
        let random = &mut Random::seeded(1);
        let mut grooved = two_flanks(random, 200, 10.0, true, |_, _, _| 0.0);
        let only_one = Surface {
            points: grooved.points.iter().step_by(2).copied().collect(),
            normals: grooved.normals.iter().step_by(2).copied().collect(),
            deviations_mm: vec![],
            ..Surface::default()
        };
        assert!(matches!(width.measure(&quiet(), &[only_one]), Err(RuleError::Missing(_))));
        grooved.points[3].x = f64::NAN;
        assert!(width.measure(&quiet(), &[grooved]).is_err());
        let plane = Situation::Plane { at: Point::origin(), normal: Direction::Z };
        assert!(ask(&size(Subject::new(plane), operator, 1.0), &full).is_err());
    }
    for section in [0.0, -1.0, f64::NAN] {
        assert!(ask(&size(Subject::new(bore(20.0)), SizeOperator::TwoPoint, section), &full).is_err());
    }
}

#[test]
fn it_stops_when_asked() {
    let stop = AtomicBool::new(true);
    let run = Run { stop: &stop, ..quiet() };
    let points = wall(9, 60, 40.0, |t, _| 10.0 + 0.01 * math::cos(3.0 * t));
    for operator in [SizeOperator::TwoPoint, SizeOperator::MaximumInscribed, SizeOperator::Envelope] {
        let rule = size(Subject::new(bore(20.0)), operator, 4.0);
        let stopped = rule.measure(&run, &[made(&points)]);
        assert!(
            matches!(stopped, Err(RuleError::Stopped(_) | RuleError::Fit(FitError::Stopped(_)))),
            "{operator:?} {stopped:?}"
        );
    }
}
