use super::*;
use crate::associate::{Criterion, circle_by, cylinder_by, minimum_zone_plane};
use crate::geometry::{Direction, random::Random};
use crate::run::quiet;
use crate::tolerance::{Bound, Boundary};
use std::sync::atomic::AtomicBool;

const TWO_PI: f64 = 2.0 * std::f64::consts::PI;

fn leeway(centre: Point, free: Vec<Twist>) -> Leeway {
    Leeway { centre, free, bounds: Vec::new(), zone_shifts: false }
}

fn shift(way: Vector) -> Twist {
    Twist { turn: Vector::zeros(), shift: way }
}

fn turn(axis: Vector) -> Twist {
    Twist { turn: axis, shift: Vector::zeros() }
}

fn circle(r: f64, f: f64) -> Vector {
    Vector::new(r * crate::geometry::math::cos(f), r * crate::geometry::math::sin(f), 0.0)
}

/// A tube's wall, lobed, tilted and noisy, about the z axis.
fn tube(seed: u64, n: usize) -> Vec<Point> {
    let random = &mut Random::seeded(seed);
    (0..n)
        .map(|_| {
            let (f, z) = (random.range(0.0, TWO_PI), random.range(-10.0, 10.0));
            let r = 5.0 + 0.02 * crate::geometry::math::cos(3.0 * f) + 0.003 * random.normal();
            Point::from(circle(r, f) + Vector::new(0.11 + 0.004 * z, -0.07 - 0.002 * z, z))
        })
        .collect()
}

#[test]
fn a_zone_that_may_turn_is_the_minimum_zone() {
    for seed in 0..10 {
        let random = &mut Random::seeded(seed);
        let points: Vec<Point> = (0..400)
            .map(|_| {
                let (x, y) = (random.range(0.0, 300.0), random.range(0.0, 80.0));
                Point::new(x, y, 0.8 + 0.002 * x - 0.004 * y + 0.05 * random.normal())
            })
            .collect();
        let gauge = Gauge::Plane { at: Point::origin(), normal: Vector::z() };
        let residuals: Vec<Residual> = points
            .iter()
            .flat_map(|&place| [2.0, -2.0].map(|factor| Residual { place, gauge, factor, less: 0.0 }))
            .collect();
        let truth = minimum_zone_plane(&points).unwrap().width_mm;
        let all = leeway(Point::new(150.0, 40.0, 0.0), Twist::all(150.0));
        let found = settle(&quiet(), &all, &[], &residuals, Own::NONE).unwrap();
        assert!((found.value - truth).abs() < 2e-9, "seed {seed}: {} {truth}", found.value);
        // The same with the zone's own offset instead of the shift.
        let turns = leeway(Point::origin(), vec![turn(Vector::x()), turn(Vector::y())]);
        let own = settle(&quiet(), &turns, &[], &residuals, Own::ALONG).unwrap();
        assert!((own.value - truth).abs() < 2e-9, "seed {seed}: {} {truth}", own.value);
    }
}

#[test]
fn boundaries_that_may_shift_are_the_inscribed_and_circumscribed_circle() {
    for seed in 0..10 {
        let points = tube(seed, 500);
        let axis = Gauge::Axis { at: Point::origin(), axis: Vector::z() };
        let of = |factor: f64| -> Vec<Residual> {
            points.iter().map(|&place| Residual { place, gauge: axis, factor, less: 0.0 }).collect()
        };
        let shifts = leeway(Point::origin(), vec![shift(Vector::x()), shift(Vector::y())]);
        for (criterion, factor) in
            [(Criterion::MaximumInscribed, -1.0), (Criterion::MinimumCircumscribed, 1.0)]
        {
            let truth = circle_by(&quiet(), criterion, &points, Direction::Z).unwrap().shape.radius_mm;
            let found = settle(&quiet(), &shifts, &[], &of(factor), Own::NONE).unwrap();
            assert!((factor * found.value - truth).abs() < 2e-9, "seed {seed}: {} {truth}", found.value);
            let own = Own::across([Vector::x(), Vector::y()]);
            let again = settle(&quiet(), &Leeway::none(), &[], &of(factor), own).unwrap();
            assert!((again.value - found.value).abs() < 2e-9, "seed {seed}");
            // All that has no say: the turn about the axis and the shift along it.
            let mut more = shifts.clone();
            more.free.extend([shift(Vector::z()), turn(Vector::z() / 5.0)]);
            let more = settle(&quiet(), &more, &[], &of(factor), Own::NONE).unwrap();
            assert!((more.value - found.value).abs() < 2e-9, "seed {seed}");
            // Turns too: the cylinders of the same criterion.
            let truth = cylinder_by(&quiet(), criterion, &points).unwrap().shape.radius_mm;
            let all = leeway(Point::origin(), Twist::all(10.0));
            let found = settle(&quiet(), &all, &[], &of(factor), Own::NONE).unwrap();
            assert!((factor * found.value - truth).abs() < 1e-7, "seed {seed}: {} {truth}", found.value);
        }
    }
}

/// The place of a pattern of holes and what a shift and a turn make of its largest offset.
fn pattern(random: &mut Random) -> (Vec<Residual>, impl Fn(f64, f64, f64) -> f64) {
    let places: Vec<(Point, Point)> = (0..4 + random.below(5))
        .map(|_| {
            let at = Point::new(random.range(-60.0, 60.0), random.range(-60.0, 60.0), 0.0);
            (at, at + Vector::new(random.range(-0.2, 0.3), random.range(-0.2, 0.2), 0.0))
        })
        .collect();
    let residuals = places
        .iter()
        .map(|&(at, place)| Residual {
            place,
            gauge: Gauge::Axis { at, axis: Vector::z() },
            factor: 2.0,
            less: 0.0,
        })
        .collect();
    let value = move |x: f64, y: f64, turn: f64| {
        let motion: Motion<PartFrame, PartFrame> =
            Motion::from_turn_and_shift(Vector::z() * turn, Vector::new(x, y, 0.0));
        places.iter().map(|(at, p)| 2.0 * (motion.point(p) - at).norm()).fold(0.0, f64::max)
    };
    (residuals, value)
}

/// The least over shifts and turn by a grid that narrows.
fn by_grid(value: impl Fn(f64, f64, f64) -> f64) -> f64 {
    let (mut best, mut at, mut half) = (f64::INFINITY, [0.0; 3], [0.5, 0.5, 0.01]);
    while half[0] > 1e-8 {
        let (before, from) = (best, at);
        for i in -4..=4 {
            for j in -4..=4 {
                for k in -4..=4 {
                    let x: [f64; 3] =
                        std::array::from_fn(|c| from[c] + half[c] * f64::from([i, j, k][c]) / 4.0);
                    let v = value(x[0], x[1], x[2]);
                    if v < best {
                        (best, at) = (v, x);
                    }
                }
            }
        }
        // Valleys are narrow: only where nothing is won does it narrow.
        if !(best < before - 1e-3 * half[0]) {
            half = half.map(|h| h * 0.7);
        }
    }
    best
}

#[test]
fn a_pattern_comes_to_rest_where_a_grid_finds_the_least() {
    for seed in 0..12 {
        let random = &mut Random::seeded(seed);
        let (residuals, value) = pattern(random);
        let free = vec![shift(Vector::x()), shift(Vector::y()), turn(Vector::z() / 60.0)];
        let found = settle(&quiet(), &leeway(Point::origin(), free), &[], &residuals, Own::NONE).unwrap();
        let grid = by_grid(value);
        assert!(found.value <= grid + 2e-9, "seed {seed}: {} {grid}", found.value);
        assert!(found.value > grid - 1e-3, "seed {seed}: {} {grid}", found.value);
        assert!(found.steps < 60, "{}", found.steps);
    }
}

#[test]
fn the_answer_moves_with_the_part_and_grows_with_it() {
    for seed in 0..8 {
        let random = &mut Random::seeded(seed);
        let (residuals, _) = pattern(random);
        let free = vec![shift(Vector::x()), shift(Vector::y()), turn(Vector::z() / 60.0)];
        let value = |l: &Leeway, r: &[Residual]| settle(&quiet(), l, &[], r, Own::NONE).unwrap().value;
        let still = value(&leeway(Point::origin(), free.clone()), &residuals);
        let motion: Motion<PartFrame, PartFrame> =
            Motion::from_turn_and_shift(random.turn(), Vector::new(800.0, -300.0, 1200.0));
        let moved: Vec<Residual> = residuals
            .iter()
            .map(|r| match r.gauge {
                Gauge::Axis { at, axis } => Residual {
                    place: motion.point(&r.place),
                    gauge: Gauge::Axis { at: motion.point(&at), axis: motion.vector(&axis) },
                    ..*r
                },
                _ => *r,
            })
            .collect();
        let turned = free
            .iter()
            .map(|t| Twist { turn: motion.vector(&t.turn), shift: motion.vector(&t.shift) })
            .collect();
        let there = value(&leeway(motion.point(&Point::origin()), turned), &moved);
        assert!((there - still).abs() < 1e-8, "seed {seed}: {there} {still}");
        let mut other: Vec<Residual> = residuals.iter().rev().copied().collect();
        let again = value(&leeway(Point::origin(), free.iter().rev().copied().collect()), &other);
        assert!((again - still).abs() < 2e-9, "seed {seed}: {again} {still}");
        for r in &mut other {
            r.place *= 8.0;
            if let Gauge::Axis { at, .. } = &mut r.gauge {
                *at *= 8.0;
            }
        }
        let large = value(&leeway(Point::origin(), free), &other);
        assert!((large - 8.0 * still).abs() < 2e-8, "seed {seed}");
    }
}

/// A hole of 10.2 mm as datum, whose points keep off a pin of 10 mm.
fn loose_datum() -> (Surface, Bound) {
    let points = (0..720).map(|i| Point::from(circle(5.1, TWO_PI * f64::from(i) / 720.0))).collect();
    let boundary =
        Boundary::Cylinder { at: Point::origin(), axis: Direction::Z, diameter_mm: 10.0, outside: true };
    (Surface { points, ..Surface::default() }, Bound { surface: 0, boundary })
}

#[test]
fn a_loose_datum_gives_as_much_as_its_play() {
    let (datum, bound) = loose_datum();
    let free = vec![shift(Vector::x()), shift(Vector::y())];
    let loose = Leeway { centre: Point::origin(), free, bounds: vec![bound], zone_shifts: false };
    let gauge = Gauge::Axis { at: Point::new(50.0, 0.0, 0.0), axis: Vector::z() };
    let of = |d: Vector| Residual { place: Point::new(50.0, 0.0, 0.0) + d, gauge, factor: 2.0, less: 0.0 };
    // The play on either side is 0.1 mm; on the even circle of points it is so to 1e-6.
    for (off, truth) in [(0.3, 0.4), (0.08, 0.0), (0.1004, 0.0008)] {
        let found =
            settle(&quiet(), &loose, std::slice::from_ref(&datum), &[of(circle(off, 0.7))], Own::NONE)
                .unwrap();
        assert!((found.value - truth).abs() < 2e-5, "{off}: {}", found.value);
        let kept = datum.points.iter().map(|p| 5.0 - found.motion.point(p).coords.norm());
        assert!(kept.fold(f64::NEG_INFINITY, f64::max) < 1e-6);
    }
    // Two holes off to opposite sides: the play helps neither. A pattern gains by movement, not by a bonus.
    let two = [of(circle(0.3, 0.7)), of(circle(-0.3, 0.7))];
    let found = settle(&quiet(), &loose, std::slice::from_ref(&datum), &two, Own::NONE).unwrap();
    assert!((found.value - 0.6).abs() < 2e-9, "{}", found.value);
}

#[test]
fn a_part_that_starts_within_its_boundary_is_brought_out_or_refused() {
    let (mut datum, bound) = loose_datum();
    let free = vec![shift(Vector::x()), shift(Vector::y()), turn(Vector::z() / 50.0)];
    let loose = Leeway { centre: Point::origin(), free, bounds: vec![bound], zone_shifts: false };
    for p in &mut datum.points {
        p.x += 0.35;
    }
    let gauge = Gauge::Axis { at: Point::new(50.0, 0.0, 0.0), axis: Vector::z() };
    let residual = Residual { place: Point::new(50.35, 0.0, 0.0), gauge, factor: 2.0, less: 0.0 };
    let found = settle(&quiet(), &loose, &[datum.clone()], &[residual], Own::NONE).unwrap();
    assert!(found.value < 1e-8, "{}", found.value);
    for p in &mut datum.points {
        p.x = 0.35 + (p.x - 0.35) * 0.97;
        p.y *= 0.97;
    }
    let refused = settle(&quiet(), &loose, &[datum.clone()], &[residual], Own::NONE);
    let by = 5.0 - 5.1 * 0.97;
    assert!(matches!(refused, Err(RuleError::Blocked { by_mm }) if (by_mm - by).abs() < 1e-4), "{refused:?}");
    // Held: only what is there counts.
    let held = Leeway { free: Vec::new(), ..loose };
    assert!(matches!(
        settle(&quiet(), &held, &[datum], &[residual], Own::NONE),
        Err(RuleError::Blocked { .. })
    ));
}

#[test]
fn every_boundary_is_kept() {
    let sphere: Vec<Point> = {
        let random = &mut Random::seeded(3);
        (0..2000).map(|_| Point::from(random.direction().vector() * 4.9)).collect()
    };
    let flanks = |half: f64| -> Vec<Point> {
        (0..40).flat_map(|i| [half, -half].map(|y| Point::new(f64::from(i), y, 0.0))).collect()
    };
    let at = Point::origin();
    let slab = |width_mm, outside| Boundary::Slab { at, across: Direction::Y, width_mm, outside };
    let cases = [
        (sphere.clone(), Boundary::Sphere { at, diameter_mm: 10.0, outside: false }, 0.1),
        (sphere, Boundary::Sphere { at, diameter_mm: 9.6, outside: true }, 0.1),
        (flanks(5.0), slab(10.1, false), 0.05),
        (flanks(5.0), slab(9.9, true), 0.05),
        (
            loose_datum().0.points,
            Boundary::Cylinder { at, axis: Direction::Z, diameter_mm: 10.3, outside: false },
            0.05,
        ),
    ];
    for (points, boundary, play) in cases {
        let surface = Surface { points, ..Surface::default() };
        let free = vec![shift(Vector::y())];
        let loose =
            Leeway { centre: at, free, bounds: vec![Bound { surface: 0, boundary }], zone_shifts: false };
        let gauge = Gauge::Plane { at, normal: Vector::y() };
        let residual = Residual { place: Point::new(0.0, 1.0, 0.0), gauge, factor: 1.0, less: 0.0 };
        let found = settle(&quiet(), &loose, &[surface], &[residual], Own::NONE).unwrap();
        // Random points of a ball come within 1 % of its pole.
        assert!((found.value - (1.0 - play)).abs() < 0.01 * play + 1e-5, "{boundary:?}: {}", found.value);
    }
}

#[test]
fn a_shift_along_a_slanted_axis_stays_there_after_large_turns() {
    // A part that may turn about an axis far from the centre told: its own axis stays in place to rounding.
    let axis_at = Point::new(100.0, 40.0, 0.0);
    let about = Twist { turn: Vector::z(), shift: Vector::z().cross(&-axis_at.coords) };
    let place = axis_at + circle(80.0, 0.25);
    let gauge = Gauge::Plane { at: axis_at, normal: Vector::y() };
    let found = settle(
        &quiet(),
        &leeway(Point::origin(), vec![about]),
        &[],
        &[2.0, -2.0].map(|factor| Residual { place, gauge, factor, less: 0.0 }),
        Own::NONE,
    )
    .unwrap();
    assert!(found.value < 1e-8, "{}", found.value);
    assert!((found.motion.point(&axis_at) - axis_at).norm() < 1e-11);
}

#[test]
fn what_cannot_be_moved_is_refused_and_work_can_be_stopped() {
    let gauge = Gauge::Centre { at: Point::origin() };
    let good = Residual { place: Point::new(1.0, 0.0, 0.0), gauge, factor: 2.0, less: 0.0 };
    let all = leeway(Point::origin(), Twist::all(1.0));
    assert!(matches!(settle(&quiet(), &all, &[], &[], Own::NONE), Err(RuleError::Missing(_))));
    let bad = Residual { place: Point::new(f64::NAN, 0.0, 0.0), ..good };
    assert!(matches!(settle(&quiet(), &all, &[], &[good, bad], Own::NONE), Err(RuleError::Missing(_))));
    let endless = leeway(Point::origin(), vec![shift(Vector::x() * f64::INFINITY)]);
    assert!(matches!(settle(&quiet(), &endless, &[], &[good], Own::NONE), Err(RuleError::Missing(_))));
    let seven = leeway(Point::origin(), vec![shift(Vector::x()); 7]);
    assert!(matches!(settle(&quiet(), &seven, &[], &[good], Own::NONE), Err(RuleError::Missing(_))));
    let (_, bound) = loose_datum();
    let lacking = Leeway { bounds: vec![bound], ..all.clone() };
    assert!(matches!(settle(&quiet(), &lacking, &[], &[good], Own::NONE), Err(RuleError::Missing(_))));
    let found = settle(&quiet(), &all, &[], &[good], Own::NONE).unwrap();
    assert!(found.value < 1e-9);

    let stop = AtomicBool::new(true);
    let run = Run { stop: &stop, ..quiet() };
    assert!(matches!(settle(&run, &all, &[], &[good], Own::NONE), Err(RuleError::Stopped(_))));
}

/// Surfaces all over a box, all six freedoms, a loose hole and a loose groove: no small motion that keeps both boundaries
/// gains anything.
#[test]
fn nothing_near_is_better_whatever_is_loose() {
    for seed in 0..40 {
        let random = &mut Random::seeded(seed);
        let residuals: Vec<Residual> = (0..300)
            .flat_map(|_| {
                let place = Point::from(Vector::new(
                    random.range(-100.0, 100.0),
                    random.range(-60.0, 60.0),
                    random.range(-20.0, 20.0),
                ));
                let normal = random.direction().vector();
                let gauge = Gauge::Plane { at: place - normal * (0.1 * random.normal()), normal };
                [1.0, -1.0].map(|factor| Residual { place, gauge, factor, less: 0.0 })
            })
            .collect();
        let play = random.range(0.0, 0.3);
        let hole: Vec<Point> = (0..200)
            .map(|_| {
                let r = 5.0 + 0.5 * play + 0.005 * random.unit();
                Point::from(circle(r, random.range(0.0, TWO_PI)) + Vector::z() * random.range(-5.0, 5.0))
            })
            .collect();
        let groove: Vec<Point> = (0..200)
            .map(|i| {
                let y = (4.0 + 0.4 * play + 0.005 * random.unit()) * if i % 2 == 0 { 1.0 } else { -1.0 };
                Point::new(80.0 + random.range(-5.0, 5.0), y, random.range(-5.0, 5.0))
            })
            .collect();
        let at = Point::origin();
        let boundaries = [
            Boundary::Cylinder { at, axis: Direction::Z, diameter_mm: 10.0, outside: true },
            Boundary::Slab { at, across: Direction::Y, width_mm: 8.0, outside: true },
        ];
        let bounds = boundaries
            .into_iter()
            .enumerate()
            .map(|(surface, boundary)| Bound { surface, boundary })
            .collect();
        let loose = Leeway {
            centre: Point::new(20.0, -5.0, 3.0),
            free: Twist::all(80.0),
            bounds,
            zone_shifts: false,
        };
        let surfaces = [hole, groove].map(|points| Surface { points, ..Surface::default() });
        let found = settle(&quiet(), &loose, &surfaces, &residuals, Own::NONE).unwrap();
        assert!(found.steps < 200, "seed {seed}: {} steps", found.steps);
        let hard = of_bounds(&loose, &surfaces).unwrap();
        let most = |state: &State, all: &[Residual]| {
            all.iter().map(|r| r.value(state, Own::NONE)).fold(f64::NEG_INFINITY, f64::max)
        };
        let here = State { motion: found.motion, own: [0.0; MOST_OWN] };
        assert!(most(&here, &hard) <= BROKEN_MM, "seed {seed}: {}", most(&here, &hard));
        let start = State { motion: Motion::identity(), own: [0.0; MOST_OWN] };
        assert!(found.value <= most(&start, &residuals) + 1e-9, "seed {seed}");
        for size in [1e-1, 1e-2, 1e-3, 1e-4] {
            for _ in 0..300 {
                let amounts: [f64; 6] = std::array::from_fn(|_| size * random.normal());
                let step = Twist::motion(&loose.free, &amounts, loose.centre);
                let there = State { motion: step * found.motion, own: [0.0; MOST_OWN] };
                if most(&there, &hard) <= 0.0 {
                    let value = most(&there, &residuals);
                    assert!(value > found.value - 1e-8, "seed {seed}: {value} {}", found.value);
                }
            }
        }
    }
}

#[test]
fn twenty_thousand_points_take_a_blink() {
    let points = tube(11, 20_000);
    let gauge = Gauge::Axis { at: Point::origin(), axis: Vector::z() };
    let residuals: Vec<Residual> =
        points.iter().map(|&place| Residual { place, gauge, factor: -2.0, less: -10.0 }).collect();
    let all = leeway(Point::origin(), Twist::all(10.0));
    let found = settle(&quiet(), &all, &[], &residuals, Own::NONE).unwrap();
    let more = settle(
        &quiet(),
        &leeway(Point::origin(), Twist::all(10.0)[..2].to_vec()),
        &[],
        &residuals,
        Own::NONE,
    )
    .unwrap();
    assert!(found.value <= more.value + 1e-9, "a wider leeway never gives more");
    assert!(found.steps < 60, "{} steps", found.steps);
}
