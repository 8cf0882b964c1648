//! Criteria other than least squares: laws, slow second methods, what must not change.

use super::law_tests::{slab, tube};
use super::{
    Criterion, Extremal, FitError, Freedom, Material, Reach, circle, circle_by, cone_by, cylinder,
    cylinder_by, line, line_by, plane_by, sphere, sphere_by,
};
use crate::geometry::{Direction, Motion, PartFrame, Point, ScanFrame, Vector, math, random::Random};
use crate::run::quiet;
use std::f64::consts::TAU;

const ZONE: Criterion = Criterion::MinimumZone;
const INSIDE: Criterion = Criterion::MaximumInscribed;
const AROUND: Criterion = Criterion::MinimumCircumscribed;

fn elsewhere(random: &mut Random) -> Motion<PartFrame, ScanFrame> {
    let shift = Vector::new(random.range(-1.0, 1.0), random.range(-1.0, 1.0), random.range(-1.0, 1.0));
    Motion::from_turn_and_shift(random.turn(), shift * 7000.0)
}

/// A ring about z that leaves no half turn open: at even angles but for a third of the step, with lobes and noise.
fn ring(random: &mut Random, n: usize, radius: f64, form: f64) -> Vec<Point> {
    let (lobes, phase) = (2.0 + random.below(5) as f64, random.range(0.0, TAU));
    (0..n)
        .map(|i| {
            let t = TAU * (i as f64 + random.range(-0.15, 0.15)) / n as f64;
            let r = radius + form * (math::cos(lobes * t + phase) + 0.5 * random.normal());
            Point::new(r * math::cos(t), r * math::sin(t), random.range(-1.0, 1.0))
        })
        .collect()
}

fn ball(random: &mut Random, n: usize, radius: f64, form: f64) -> Vec<Point> {
    (0..n).map(|_| Point::from(random.direction().vector() * (radius + form * random.normal()))).collect()
}

/// Contacts touch, weights add up, nothing is left to gain.
fn proven<S>(found: &Extremal<S>, what: &str) {
    assert!(found.proof.gain < 1e-6 && found.proof.held, "{what}: {:?}", found.proof);
    let weights = |sign: f64| -> f64 {
        let side = found.contacts.iter().filter(|c| c.residual_mm * sign >= 0.0);
        side.map(|c| c.weight).sum()
    };
    if found.criterion == ZONE {
        assert!((weights(1.0) - 1.0).abs() < 1e-9 && (weights(-1.0) - 1.0).abs() < 1e-9, "{what}");
        for c in &found.contacts {
            assert!(
                (c.residual_mm.abs() - found.high.0).abs() < 1e-10 * (1.0 + found.high.0),
                "{what}: {c:?}"
            );
        }
        assert!((found.high.0 + found.low.0).abs() < 1e-12, "{what}");
    } else {
        assert!((found.contacts.iter().map(|c| c.weight).sum::<f64>() - 1.0).abs() < 1e-9, "{what}");
        assert!(found.contacts.iter().all(|c| c.residual_mm.abs() < 1e-10), "{what}: {:?}", found.contacts);
    }
}

#[test]
fn a_thousand_circles_keep_the_laws() {
    let run = &quiet();
    for seed in 0..1000 {
        let random = &mut Random::seeded(seed);
        let n = 5 + random.below(60);
        let form = 10.0 * math::exp(random.range(-9.0, -2.5));
        let points = ring(random, n, 10.0, form);
        let least = circle(&points, Direction::Z).unwrap();
        let zone = circle_by(run, ZONE, &points, Direction::Z).unwrap();
        let inside = circle_by(run, INSIDE, &points, Direction::Z).unwrap();
        let around = circle_by(run, AROUND, &points, Direction::Z).unwrap();
        let (low, high) = (least.radius_mm + least.low.0, least.radius_mm + least.high.0);
        assert!(zone.width_mm() <= least.high.0 - least.low.0, "seed {seed}");
        assert!(inside.shape.radius_mm >= low - 1e-13, "seed {seed}");
        assert!(around.shape.radius_mm <= high + 1e-13, "seed {seed}");
        assert!(inside.shape.radius_mm <= around.shape.radius_mm, "seed {seed}");
        assert!(inside.low.0 > -1e-12 && around.high.0 < 1e-12, "seed {seed}");
        for found in [&zone, &inside, &around] {
            proven(found, &format!("seed {seed}, {}", found.criterion));
        }
        assert_eq!((zone.contacts.len(), around.proof.reach), (4, Reach::Everywhere), "seed {seed}");
        assert_eq!(inside.contacts.len(), 3, "seed {seed}");
    }
}

#[test]
fn a_thousand_spheres_keep_the_laws() {
    let run = &quiet();
    let mut inscribed = 0;
    for seed in 0..1000 {
        let random = &mut Random::seeded(10_000 + seed);
        let n = 8 + random.below(60);
        let form = 10.0 * math::exp(random.range(-9.0, -3.0));
        let points = ball(random, n, 10.0, form);
        let Ok(least) = sphere(&points) else { continue };
        let zone = sphere_by(run, ZONE, &points).unwrap_or_else(|e| panic!("seed {seed}: {e}"));
        assert!(zone.width_mm() <= least.high.0 - least.low.0, "seed {seed}");
        proven(&zone, &format!("seed {seed}"));
        assert_eq!(zone.contacts.len(), 5, "seed {seed}");
        // A few points can leave half of all directions open.
        let Ok(around) = sphere_by(run, AROUND, &points) else { continue };
        assert!(around.shape.radius_mm <= least.radius_mm + least.high.0 + 1e-13, "seed {seed}");
        proven(&around, &format!("seed {seed}"));
        let Ok(inside) = sphere_by(run, INSIDE, &points) else { continue };
        inscribed += 1;
        assert!(inside.shape.radius_mm >= least.radius_mm + least.low.0 - 1e-13, "seed {seed}");
        assert_eq!(inside.contacts.len(), 4, "seed {seed}");
        proven(&inside, &format!("seed {seed}"));
    }
    assert!(inscribed > 900, "{inscribed}");
}

#[test]
fn cylinders_cones_and_lines_keep_the_laws() {
    let run = &quiet();
    for seed in 0..150 {
        let random = &mut Random::seeded(20_000 + seed);
        let n = 12 + random.below(80);
        let (height, form) = (10.0 * math::exp(random.range(-1.0, 2.0)), math::exp(random.range(-7.0, -2.0)));
        let points = tube(random, n, 10.0, TAU, height, form);
        let Ok(least) = cylinder(&points) else { continue };
        let zone = cylinder_by(run, ZONE, &points).unwrap_or_else(|e| panic!("seed {seed}: {e}"));
        assert!(zone.width_mm() <= least.high.0 - least.low.0, "seed {seed}");
        proven(&zone, &format!("seed {seed}"));
        for criterion in [INSIDE, AROUND] {
            let found = match cylinder_by(run, criterion, &points) {
                Err(FitError::Undetermined { freedom: Freedom::HalfOpen, .. }) => continue,
                other => other.unwrap_or_else(|e| panic!("seed {seed}, {criterion}: {e}")),
            };
            proven(&found, &format!("seed {seed}, {criterion}"));
            let radius = found.shape.radius_mm;
            match criterion {
                INSIDE => assert!(radius >= least.radius_mm + least.low.0 - 1e-12, "seed {seed}"),
                _ => assert!(radius <= least.radius_mm + least.high.0 + 1e-12, "seed {seed}"),
            }
        }
        let row = slab(random, n, [60.0, 0.5, 0.3]);
        let straight = line_by(run, ZONE, &row).unwrap_or_else(|e| panic!("seed {seed}: {e}"));
        let held = line(&row).unwrap();
        assert!(straight.high.0 <= held.high.0, "seed {seed}");
        assert!(straight.proof.gain < 1e-6 && straight.proof.held, "seed {seed}: {:?}", straight.proof);
        for contact in &straight.contacts {
            assert!((contact.residual_mm - straight.high.0).abs() < 1e-12, "seed {seed}");
        }
    }
}

/// The least zone over all centres on the bisectors of one pair and another: every local optimum is among them.
fn ring_zone_by_enumeration(flat: &[[f64; 2]]) -> f64 {
    let n = flat.len();
    let pairs: Vec<([f64; 2], [f64; 2])> = (0..n)
        .flat_map(|i| (i + 1..n).map(move |j| (i, j)))
        .map(|(i, j)| {
            let (p, q) = (flat[i], flat[j]);
            ([0.5 * (p[0] + q[0]), 0.5 * (p[1] + q[1])], [q[0] - p[0], q[1] - p[1]])
        })
        .collect();
    let mut least = f64::INFINITY;
    for (i, (m, a)) in pairs.iter().enumerate() {
        for (k, b) in &pairs[i + 1..] {
            let det = a[0] * b[1] - a[1] * b[0];
            let (s, t) = (a[0] * m[0] + a[1] * m[1], b[0] * k[0] + b[1] * k[1]);
            let c = [(s * b[1] - t * a[1]) / det, (a[0] * t - b[0] * s) / det];
            let far = |q: &[f64; 2]| ((q[0] - c[0]) * (q[0] - c[0]) + (q[1] - c[1]) * (q[1] - c[1])).sqrt();
            let (low, high) = flat
                .iter()
                .map(far)
                .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), d| (l.min(d), h.max(d)));
            // Far away all rings are thin strips, no ring about the points.
            if high - low < least && high < 40.0 {
                least = high - low;
            }
        }
    }
    least
}

/// Every circle through two points as a diameter and through three.
fn circles(flat: &[[f64; 2]]) -> Vec<([f64; 2], f64)> {
    let n = flat.len();
    let mut out = Vec::new();
    let off =
        |p: [f64; 2], q: [f64; 2]| ((p[0] - q[0]) * (p[0] - q[0]) + (p[1] - q[1]) * (p[1] - q[1])).sqrt();
    for i in 0..n {
        for j in i + 1..n {
            let (p, q) = (flat[i], flat[j]);
            out.push(([0.5 * (p[0] + q[0]), 0.5 * (p[1] + q[1])], 0.5 * off(p, q)));
            for r in &flat[j + 1..] {
                let (a, b) = ([q[0] - p[0], q[1] - p[1]], [r[0] - p[0], r[1] - p[1]]);
                let det = 2.0 * (a[0] * b[1] - a[1] * b[0]);
                let (s, t) = (a[0] * a[0] + a[1] * a[1], b[0] * b[0] + b[1] * b[1]);
                let c = [p[0] + (s * b[1] - t * a[1]) / det, p[1] + (t * a[0] - s * b[0]) / det];
                out.push((c, off(c, p)));
            }
        }
    }
    out
}

#[test]
fn circles_are_the_best_of_all_by_enumeration() {
    let run = &quiet();
    for seed in 0..200 {
        let random = &mut Random::seeded(30_000 + seed);
        let n = 5 + random.below(8);
        let form = 10.0 * math::exp(random.range(-7.0, -2.5));
        let points = ring(random, n, 10.0, form);
        let (x, y) = Direction::Z.frame();
        let flat: Vec<[f64; 2]> = points.iter().map(|p| [p.coords.dot(&x), p.coords.dot(&y)]).collect();
        let zone = circle_by(run, ZONE, &points, Direction::Z).unwrap().width_mm();
        let least = ring_zone_by_enumeration(&flat);
        assert!((zone - least).abs() < 1e-11, "seed {seed}: {zone} {least}");

        let distances = |c: [f64; 2]| {
            let far =
                move |q: &[f64; 2]| ((q[0] - c[0]) * (q[0] - c[0]) + (q[1] - c[1]) * (q[1] - c[1])).sqrt();
            flat.iter().map(far).collect::<Vec<f64>>()
        };
        let all = circles(&flat);
        let smallest = all
            .iter()
            .filter(|(c, r)| distances(*c).iter().all(|d| *d <= r + 1e-10))
            .fold(f64::INFINITY, |m, (_, r)| m.min(*r));
        let around = circle_by(run, AROUND, &points, Direction::Z).unwrap().shape.radius_mm;
        assert!((around - smallest).abs() < 1e-11, "seed {seed}: {around} {smallest}");
        // Empty circles whose centre lies among the points: within half the radius of the middle.
        let largest = all
            .iter()
            .filter(|(c, r)| {
                c[0].abs() < 5.0 && c[1].abs() < 5.0 && distances(*c).iter().all(|d| *d >= r - 1e-10)
            })
            .fold(0.0f64, |m, (_, r)| m.max(*r));
        let inside = circle_by(run, INSIDE, &points, Direction::Z).unwrap().shape.radius_mm;
        assert!((inside - largest).abs() < 1e-11, "seed {seed}: {inside} {largest}");
    }
}

/// The slow second method: seen along any axis near the answer the points make circles that are no better.
#[test]
fn no_axis_nearby_gives_a_better_cylinder() {
    let run = &quiet();
    for seed in 0..12 {
        let random = &mut Random::seeded(40_000 + seed);
        let points = tube(random, 40, 10.0, TAU, 30.0, 0.05);
        for criterion in [ZONE, INSIDE, AROUND] {
            let found = cylinder_by(run, criterion, &points).unwrap();
            for trial in 0..12 {
                let size = math::exp(-random.range(4.0, 14.0));
                let side = random.direction().vector() * size;
                let axis = Direction::new(found.shape.axis.vector() + side).unwrap();
                let round = circle_by(run, criterion, &points, axis).unwrap();
                let worse = match criterion {
                    ZONE => round.width_mm() - found.width_mm(),
                    INSIDE => found.shape.radius_mm - round.shape.radius_mm,
                    _ => round.shape.radius_mm - found.shape.radius_mm,
                };
                assert!(worse > -1e-12, "seed {seed}, {criterion}, trial {trial}: {worse:e} at {size:e}");
            }
        }
    }
}

#[test]
fn answers_move_with_their_points_in_any_order_and_scale() {
    let run = &quiet();
    for seed in 0..25 {
        let random = &mut Random::seeded(50_000 + seed);
        let points = tube(random, 60, 10.0, TAU, 25.0, 0.03);
        let round = ring(random, 30, 10.0, 0.05);
        let motion = elsewhere(random);
        let there = |p: &[Point]| p.iter().rev().map(|q| motion.point(q)).collect::<Vec<Point>>();
        let small = |p: &[Point]| p.iter().map(|q| q * 1e-3).collect::<Vec<Point>>();
        for criterion in [ZONE, INSIDE, AROUND, Criterion::LeastSquaresOutside(Material::Around)] {
            let here = cylinder_by(run, criterion, &points).unwrap();
            let moved = cylinder_by(run, criterion, &there(&points)).unwrap();
            assert!((moved.width_mm() - here.width_mm()).abs() < 1e-10, "seed {seed}, {criterion}");
            assert!((moved.shape.radius_mm - here.shape.radius_mm).abs() < 1e-10, "seed {seed}, {criterion}");
            let turned = motion.direction(here.shape.axis).vector().cross(&moved.shape.axis.vector()).norm();
            assert!(turned < 1e-10, "seed {seed}, {criterion}: {turned:e}");
            let touched: Vec<u64> = moved.contacts.iter().rev().map(|c| 59 - c.index).collect();
            assert_eq!(touched, here.contacts.iter().map(|c| c.index).collect::<Vec<u64>>(), "seed {seed}");
            let little = cylinder_by(run, criterion, &small(&points)).unwrap();
            assert!((1e3 * little.shape.radius_mm - here.shape.radius_mm).abs() < 1e-10, "seed {seed}");

            let here = circle_by(run, criterion, &round, Direction::Z).unwrap();
            let moved = circle_by(run, criterion, &there(&round), motion.direction(Direction::Z)).unwrap();
            assert!((moved.shape.radius_mm - here.shape.radius_mm).abs() < 1e-10, "seed {seed}, {criterion}");
            let off = motion.point(&here.shape.centre) - moved.shape.centre;
            let off = off.cross(&motion.direction(Direction::Z).vector()).norm();
            assert!(off < 1e-9, "seed {seed}, {criterion}: {off:e}");
            let little = circle_by(run, criterion, &small(&round), Direction::Z).unwrap();
            assert!((1e3 * little.shape.radius_mm - here.shape.radius_mm).abs() < 1e-10, "seed {seed}");
            let far: Vec<Point> = round.iter().map(|p| p + Vector::new(1e6, 1e6, -1e6)).collect();
            let far = circle_by(run, criterion, &far, Direction::Z).unwrap();
            assert!((far.shape.radius_mm - here.shape.radius_mm).abs() < 1e-8, "seed {seed}, {criterion}");
        }
    }
}

/// A plane over a crowned face rests on the crown; by hand: points of z = -x2 at x = -2..2 and two ys have their
/// plane of least squares from above at z = 0, on the two points of the crown.
#[test]
fn a_plane_outside_a_crowned_face_rests_on_the_crown_and_does_not_rock() {
    let points: Vec<Point> = (-2..=2)
        .flat_map(|x| [-1.0, 1.0].map(|y| Point::new(f64::from(x), y, -f64::from(x * x) * 0.01)))
        .collect();
    let up = Criterion::LeastSquaresOutside(Material::Behind(Direction::Z));
    let over = plane_by(&quiet(), up, &points).unwrap();
    assert!((over.shape.normal.vector() - Vector::z()).norm() < 1e-12, "{over:?}");
    assert!(over.shape.point.z.abs() < 1e-14 && over.high.0.abs() < 1e-14 && over.low.0 < -0.039);
    assert!(over.contacts.iter().all(|c| c.index == 4 || c.index == 5), "{over:?}");
    // The sum of squares of heights falls by twice the sum of all heights a mm: 2 (2 x 0.01 + 2 x 0.04) x 2.
    let weight: f64 = over.contacts.iter().map(|c| c.weight).sum();
    assert!((weight - 0.4).abs() < 1e-12, "{weight}");
    // From below it rests on the feet.
    let down = Criterion::LeastSquaresOutside(Material::Behind(Direction::Z.reversed()));
    let under = plane_by(&quiet(), down, &points).unwrap();
    assert!((under.shape.normal.vector() + Vector::z()).norm() < 1e-12, "{under:?}");
    assert!((under.shape.point.z + 0.04).abs() < 1e-14, "{under:?}");
}

#[test]
fn no_neighbour_outside_the_material_has_a_smaller_sum_of_squares() {
    let run = &quiet();
    for seed in 0..60 {
        let random = &mut Random::seeded(60_000 + seed);
        let n = 12 + random.below(60);
        let arc = random.range(2.0, TAU);
        let points = tube(random, n, 10.0, arc, 20.0, 0.05);
        for (side, sign) in [(Material::Around, 1.0), (Material::Within, -1.0)] {
            let found = cylinder_by(run, Criterion::LeastSquaresOutside(side), &points)
                .unwrap_or_else(|e| panic!("seed {seed}: {e}"));
            assert!((if sign > 0.0 { found.low.0 } else { -found.high.0 }) > -1e-12, "seed {seed}");
            assert!(
                found.contacts.iter().all(|c| c.residual_mm.abs() < 1e-10 && c.weight > 0.0),
                "seed {seed}"
            );
            let sum = found.rms_mm * found.rms_mm * n as f64;
            for _ in 0..40 {
                let size = math::exp(-random.range(3.0, 12.0));
                let shift = random.direction().vector() * size;
                let axis = found.shape.axis.vector() + random.direction().vector() * (0.1 * size);
                let axis = axis.normalize();
                let distances: Vec<f64> =
                    points.iter().map(|p| (p - found.shape.point - shift).cross(&axis).norm()).collect();
                let radius = sign * distances.iter().map(|d| sign * d).fold(f64::INFINITY, f64::min);
                let near: f64 = distances.iter().map(|d| (d - radius) * (d - radius)).sum();
                assert!(near >= sum * (1.0 - 1e-11), "seed {seed}: {near} {sum} at {size:e}");
            }
        }
    }
}

#[test]
fn what_a_criterion_cannot_say_is_refused() {
    let run = &quiet();
    let random = &mut Random::seeded(1);
    let row = slab(random, 20, [60.0, 0.5, 0.3]);
    let tube = tube(random, 60, 10.0, 2.8, 20.0, 0.01);
    for criterion in [INSIDE, AROUND, Criterion::LeastSquaresOutside(Material::Around)] {
        assert!(matches!(line_by(run, criterion, &row), Err(FitError::NoMeaning { .. })));
        assert!(matches!(plane_by(run, criterion, &row), Err(FitError::NoMeaning { .. })));
    }
    let behind = Criterion::LeastSquaresOutside(Material::Behind(Direction::Z));
    assert!(matches!(cylinder_by(run, behind, &tube), Err(FitError::NoMeaning { .. })));
    assert!(matches!(cone_by(run, INSIDE, &tube), Err(FitError::NoMeaning { .. })));
    for criterion in [INSIDE, AROUND] {
        let open = cylinder_by(run, criterion, &tube);
        assert!(
            matches!(open, Err(FitError::Undetermined { freedom: Freedom::HalfOpen, .. })),
            "{criterion}: {open:?}"
        );
    }
    assert!(cylinder_by(run, ZONE, &tube).is_ok());
    // Half a turn and a little is closed, half a turn less a little is open.
    let arc = |angle: f64| -> Vec<Point> {
        (0..=90)
            .map(|i| angle * f64::from(i) / 90.0)
            .map(|t| Point::new(5.0 * math::cos(t), 5.0 * math::sin(t), 0.0))
            .collect()
    };
    assert!(circle_by(run, AROUND, &arc(3.15), Direction::Z).is_ok());
    assert!(circle_by(run, AROUND, &arc(3.13), Direction::Z).is_err());
}

#[test]
fn points_that_are_met_exactly_have_a_zone_of_no_width() {
    let run = &quiet();
    let exact: Vec<Point> = (0..24)
        .map(|i| TAU * f64::from(i) / 24.0)
        .map(|t| Point::new(4500.0 + 3.0 * math::cos(t), 3.0 * math::sin(t), 7.0))
        .collect();
    for criterion in [ZONE, INSIDE, AROUND, Criterion::LeastSquaresOutside(Material::Within)] {
        let found = circle_by(run, criterion, &exact, Direction::Z).unwrap();
        assert!((found.shape.radius_mm - 3.0).abs() < 1e-11, "{criterion}: {found:?}");
        assert!(found.width_mm() < 1e-11, "{criterion}");
    }
    let two = [Point::origin(), Point::new(1.0, 2.0, 3.0)];
    let straight = line_by(run, ZONE, &two).unwrap();
    assert!(straight.high.0 < 1e-14);
    assert!(matches!(circle_by(run, AROUND, &two, Direction::Z), Err(FitError::TooFewPoints { .. })));
    let same = [Point::new(1e6, 0.0, 0.0); 9];
    for criterion in [ZONE, INSIDE, AROUND] {
        assert!(matches!(
            circle_by(run, criterion, &same, Direction::Z),
            Err(FitError::Undetermined { freedom: Freedom::Coincident, .. })
        ));
        assert!(matches!(sphere_by(run, criterion, &same), Err(FitError::Undetermined { .. })));
        assert!(matches!(cylinder_by(run, criterion, &same), Err(FitError::Undetermined { .. })));
    }
}

#[test]
fn a_hundred_thousand_points_have_the_answer_of_those_that_matter() {
    let run = &quiet();
    let random = &mut Random::seeded(3);
    let many = tube(random, 100_000, 10.0, TAU, 40.0, 0.01);
    for criterion in [ZONE, INSIDE, AROUND] {
        let all = cylinder_by(run, criterion, &many).unwrap();
        proven(&all, &format!("{criterion}"));
        let mut few: Vec<Point> = all.contacts.iter().map(|c| many[c.index as usize]).collect();
        few.extend(many.iter().step_by(200));
        let again = cylinder_by(run, criterion, &few).unwrap();
        assert!((again.shape.radius_mm - all.shape.radius_mm).abs() < 1e-10, "{criterion}");
        assert!((again.width_mm() - all.width_mm()).abs() < 1e-10 || criterion != ZONE, "{criterion}");
        match criterion {
            INSIDE => assert!(all.low.0 > -1e-12),
            AROUND => assert!(all.high.0 < 1e-12),
            _ => {}
        }
    }
}

#[test]
fn a_cone_has_its_zone() {
    let run = &quiet();
    for seed in 0..20 {
        let random = &mut Random::seeded(70_000 + seed);
        // Radius 10 at the middle, half angle of slope 0.4, exact zone of +-0.02 in turn.
        let points: Vec<Point> = (0..80)
            .map(|i| {
                let (t, z) = (random.range(0.0, TAU), random.range(-10.0, 10.0));
                let e = if i % 2 == 0 { 0.02 } else { -0.02 };
                let (c, s) = (1.0 / 1.16f64.sqrt(), 0.4 / 1.16f64.sqrt());
                let r = 10.0 + 0.4 * z + e * c;
                Point::new(r * math::cos(t), r * math::sin(t), z - e * s)
            })
            .collect();
        let zone = cone_by(run, ZONE, &points).unwrap_or_else(|e| panic!("seed {seed}: {e}"));
        assert!(
            zone.width_mm() <= 0.04 + 1e-12 && zone.width_mm() > 0.039,
            "seed {seed}: {}",
            zone.width_mm()
        );
        proven(&zone, &format!("seed {seed}"));
    }
}

#[test]
fn the_same_points_give_the_same_bits_on_any_number_of_threads() {
    let random = &mut Random::seeded(12);
    let pipe = tube(random, 12_000, 5.0, TAU, 9.0, 0.01);
    let all = || {
        let run = &quiet();
        let by = |criterion| cylinder_by(run, criterion, &pipe).unwrap();
        (by(ZONE), by(INSIDE), by(AROUND), by(Criterion::LeastSquaresOutside(Material::Around)))
    };
    let on = |threads| rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap().install(all);
    assert_eq!(on(1), on(3));
}

#[test]
fn a_search_can_be_stopped() {
    use crate::run::{Limits, Run};
    let stop = std::sync::atomic::AtomicBool::new(true);
    let run = Run { stop: &stop, progress: &|_, _| {}, limits: Limits::default() };
    let points = tube(&mut Random::seeded(1), 60, 5.0, TAU, 9.0, 0.01);
    for criterion in [ZONE, INSIDE, AROUND, Criterion::LeastSquaresOutside(Material::Around)] {
        assert!(matches!(cylinder_by(&run, criterion, &points), Err(FitError::Stopped(_))));
    }
}
