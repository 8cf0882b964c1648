use super::*;
use crate::geometry::{Direction, Point, Twist, Vector, random::Random};
use crate::plan::{Condition, StandardSystem, Zone};
use crate::run::quiet;
use crate::tolerance::location_samples::{bore, face, hole_situation, shaft};
use crate::tolerance::{
    Bound, Boundary, LineProfile, MaterialCondition, Position, PositionMember, SurfaceProfile,
};

fn hole(at: Point, zone_mm: f64, leeway: &Leeway) -> Position {
    let member = PositionMember {
        situation: hole_situation(at),
        axis: None,
        condition: None,
        projected: None,
        level: None,
    };
    Position {
        members: vec![member],
        zone: Zone::Round { diameter_mm: zone_mm },
        standard: StandardSystem::Iso,
        leeway: leeway.clone(),
        cell_mm: 10.0,
    }
}

fn together(rules: Vec<Box<dyn Rule>>, leeway: &Leeway) -> Together {
    let member = |(i, rule): (usize, Box<dyn Rule>)| TogetherMember { rule, surfaces: i..i + 1 };
    Together { members: rules.into_iter().enumerate().map(member).collect(), leeway: leeway.clone() }
}

fn shifts(n: usize) -> Leeway {
    Leeway { free: Twist::all(1.0)[..n].to_vec(), ..Leeway::none() }
}

fn values(of: &Together, surfaces: &[Surface]) -> Vec<f64> {
    of.each(&quiet(), surfaces).unwrap().iter().map(|f| f.numbers[0].value).collect()
}

const PLACES: [[f64; 2]; 3] = [[0.0, 0.0], [60.0, 0.0], [60.0, 40.0]];

fn place(k: usize) -> Point {
    Point::new(PLACES[k][0], PLACES[k][1], 0.0)
}

fn holes(offsets: &[Vector]) -> Vec<Surface> {
    offsets.iter().enumerate().map(|(k, o)| bore(place(k) + o, Vector::z(), 8.0, [0.0, 10.0])).collect()
}

/// A datum pin of 9.9 in a boundary of 10.0 lets the part move by 0.05. Two holes 0.12 off to opposite sides are each
/// within 0.2 by a movement of their own (2 x 0.07), but by no common one (2 x 0.12).
#[test]
fn two_holes_that_are_each_within_by_their_own_movement_are_not_by_one() {
    let at = Point::new(30.0, 20.0, 0.0);
    let boundary = Boundary::Cylinder { at, axis: Direction::Z, diameter_mm: 10.0, outside: false };
    let mut surfaces = holes(&[Vector::x() * 0.12, Vector::x() * -0.12]);
    surfaces.push(shaft(at, Vector::z(), 9.9, [0.0, 10.0]));
    let loose = |surface| Leeway { bounds: vec![Bound { surface, boundary }], ..shifts(2) };
    for k in 0..2 {
        let alone =
            hole(place(k), 0.2, &loose(1)).measure(&quiet(), &[surfaces[k].clone(), surfaces[2].clone()]);
        assert!((alone.unwrap().numbers[0].value - 0.14).abs() < 1e-4);
    }
    let rule = |k: usize| Box::new(hole(place(k), 0.2, &loose(1))) as Box<dyn Rule>;
    let both = together(vec![rule(0), rule(1)], &loose(2));
    for value in values(&both, &surfaces) {
        assert!((value - 0.24).abs() < 1e-6, "{value}");
    }
    // Off to the same side one movement serves both.
    let mut surfaces = holes(&[Vector::x() * 0.12, Vector::x() * 0.12]);
    surfaces.push(shaft(at, Vector::z(), 9.9, [0.0, 10.0]));
    assert!(values(&both, &surfaces).iter().all(|v| (v - 0.14).abs() < 1e-4));
}

/// 2 (d - s) - 0.1 = 2 (d + s) - 0.3 at s = 0.05: the wider zone gives way.
#[test]
fn the_excess_over_the_limits_is_shared() {
    let d = 0.2;
    let surfaces = holes(&[Vector::x() * d, Vector::x() * -d]);
    let free = shifts(2);
    let rules = [0.1, 0.3].iter().enumerate();
    let rules = rules.map(|(k, &zone)| Box::new(hole(place(k), zone, &free)) as Box<dyn Rule>).collect();
    let found = values(&together(rules, &free), &surfaces);
    assert!(
        (found[0] - 2.0 * (d - 0.05)).abs() < 1e-7 && (found[1] - 2.0 * (d + 0.05)).abs() < 1e-7,
        "{found:?}"
    );
}

/// A plane that is rougher than its zone fails wherever the part is; a hole, and a second one after it, are moved to their
/// best all the same.
#[test]
fn what_cannot_be_kept_draws_nothing_else_along() {
    let wavy = face(|x, y| if ((x + y) / 5.0).round() as i64 % 2 == 0 { 0.33 } else { -0.27 });
    let mut surfaces = vec![wavy];
    surfaces.extend(holes(&[Vector::new(0.05, 0.02, 0.0), Vector::new(0.05, -0.04, 0.0)]));
    let free = shifts(3);
    let profile = SurfaceProfile {
        surfaces: 1,
        upper_mm: 0.1,
        lower_mm: -0.1,
        offset_zone: false,
        leeway: free.clone(),
    };
    let rules: Vec<Box<dyn Rule>> =
        vec![Box::new(profile), Box::new(hole(place(0), 0.2, &free)), Box::new(hole(place(1), 0.2, &free))];
    let found = together(rules, &free).each(&quiet(), &surfaces).unwrap();
    // Moved by -0.03 along z the plane reaches as far out as in.
    assert!((found[0].numbers[0].value + 0.3).abs() < 1e-6 && (found[0].numbers[1].value - 0.3).abs() < 1e-6);
    for hole in &found[1..] {
        assert!((hole.numbers[0].value - 0.06).abs() < 1e-5, "{hole:?}");
    }
    let words = &found[1].operators.iter().find(|o| o.0 == "movement").unwrap().1;
    assert!(words.starts_with("shifted by -0.0500, 0.0100, -0.0300 mm"), "{words}");
}

/// The slow way: a fine grid of shifts, sorted excesses compared one after the other.
#[test]
fn the_common_shift_is_the_lexicographic_best_of_a_grid() {
    for seed in 0..4 {
        let random = &mut Random::seeded(seed);
        let offsets: Vec<Vector> =
            (0..3).map(|_| Vector::new(random.range(-0.1, 0.1), random.range(-0.1, 0.1), 0.0)).collect();
        let zones: Vec<f64> = (0..3).map(|_| random.range(0.05, 0.3)).collect();
        let free = shifts(2);
        let rules = (0..3).map(|k| Box::new(hole(place(k), zones[k], &free)) as Box<dyn Rule>).collect();
        let found = values(&together(rules, &free), &holes(&offsets));
        let sorted = |v: Vec<f64>| {
            let mut excess: Vec<f64> = v.iter().zip(&zones).map(|(v, z)| v - z).collect();
            excess.sort_by(|a, b| b.total_cmp(a));
            excess
        };
        let ours = sorted(found);
        let at = |i: i32, j: i32| {
            let s = Vector::new(f64::from(i) * 2e-3, f64::from(j) * 2e-3, 0.0);
            sorted(offsets.iter().map(|o| 2.0 * (o + s).norm()).collect())
        };
        let grid = (-75..=75).flat_map(|i| (-75..=75).map(move |j| (i, j)));
        // No place of the grid is better in the largest, nor, as good there, in the next.
        for (i, j) in grid {
            let there = at(i, j);
            assert!(there[0] > ours[0] - 1e-7, "seed {seed}: {there:?} {ours:?}");
            if there[0] < ours[0] + 1e-7 {
                assert!(there[1] > ours[1] - 1e-3, "seed {seed}: {there:?} {ours:?}");
            }
        }
    }
}

/// By ASME each hole keeps its own bonus: 0.1 and 0.0 of sizes 8.1 and 8.0 at a limit of 8.0.
#[test]
fn a_bonus_stays_that_of_its_own_hole() {
    let free = shifts(2);
    let surfaces = [
        bore(place(0) + Vector::x() * 0.2, Vector::z(), 8.1, [0.0, 10.0]),
        bore(place(1) - Vector::x() * 0.2, Vector::z(), 8.0, [0.0, 10.0]),
    ];
    let condition =
        MaterialCondition { condition: Condition::MaximumMaterial, limit_mm: 8.0, size_tolerance_mm: 0.3 };
    let rule = |k: usize| {
        let mut one = hole(place(k), 0.2, &free);
        one.standard = StandardSystem::Asme;
        one.members[0].condition = Some(condition);
        Box::new(one) as Box<dyn Rule>
    };
    let both = together(vec![rule(0), rule(1)], &free);
    let found = both.each(&quiet(), &surfaces).unwrap();
    // 2 (0.2 - s) - 0.1 = 2 (0.2 + s): the one with the bonus leaves the other 0.025.
    assert!(
        (found[0].numbers[0].value - 0.45).abs() < 1e-5 && (found[1].numbers[0].value - 0.35).abs() < 1e-5
    );
    assert!((found[0].bonus_mm.unwrap() - 0.1).abs() < 1e-6 && found[1].bonus_mm.unwrap().abs() < 1e-6);
    let all = both.measure(&quiet(), &surfaces).unwrap();
    assert!((all.numbers[0].value - 0.35).abs() < 1e-5 && all.numbers.len() == 2 && all.bonus_mm.is_none());
}

#[test]
fn profiles_of_line_and_surface_share_a_movement_and_others_are_refused() {
    let free = shifts(3);
    let surfaces = [face(|x, _| 0.1 + 0.001 * x), face(|_, _| -0.1)];
    let line = LineProfile {
        at: Point::new(0.0, 30.0, 0.0),
        normal: Direction::Y,
        half_width_mm: 2.4,
        between: None,
        upper_mm: 0.2,
        lower_mm: -0.2,
        leeway: free.clone(),
    };
    let plane = SurfaceProfile {
        surfaces: 1,
        upper_mm: 0.2,
        lower_mm: -0.2,
        offset_zone: false,
        leeway: free.clone(),
    };
    let rules: Vec<Box<dyn Rule>> = vec![Box::new(line), Box::new(plane)];
    let found = together(rules, &free).each(&quiet(), &surfaces).unwrap();
    // From 0.1 to 0.2 and at -0.1: moved by -0.05 the largest is 0.15 on both sides.
    let numbers: Vec<f64> = found.iter().flat_map(|f| f.numbers.iter().map(|n| n.value)).collect();
    let truth = [0.05, 0.15, -0.15, -0.15];
    assert!(numbers.iter().zip(truth).all(|(a, b)| (a - b).abs() < 1e-7), "{numbers:?}");

    let flat = crate::tolerance::Flatness { reference: crate::tolerance::Reference::MinimumZone };
    let refused = together(vec![Box::new(flat)], &free).each(&quiet(), &surfaces);
    assert!(matches!(refused, Err(RuleError::Missing(_))));
    assert!(together(Vec::new(), &free).each(&quiet(), &surfaces).is_err());
}

/// A plane 0.5 too high whose zone may be offset, and a hole through it: the hole needs a shift along x, the plane keeps its offset
/// and asks for none along z; its own tilt of 0.1 over its length is its width whatever the offset is. Held by a second plane at the
/// true height, the common movement stays there, where without an offset of its own the first would draw it up.
#[test]
fn a_zone_that_may_be_offset_keeps_an_offset_of_its_own_beside_the_movement() {
    let free = shifts(3);
    let profile = |offset_zone| SurfaceProfile {
        surfaces: 1,
        upper_mm: 0.1,
        lower_mm: -0.1,
        offset_zone,
        leeway: free.clone(),
    };
    let high = face(|x, _| 0.5 + 0.001 * x);
    let level = face(|x, _| 0.0002 * x - 0.01);
    let mut surfaces = vec![high.clone(), level.clone()];
    surfaces.extend(holes(&[Vector::x() * 0.05]));
    let rules = |offset: bool| -> Vec<Box<dyn Rule>> {
        vec![Box::new(profile(offset)), Box::new(profile(false)), Box::new(hole(place(0), 0.2, &free))]
    };
    let found = together(rules(true), &free).each(&quiet(), &surfaces).unwrap();
    assert!((found[0].numbers[0].value - 0.1).abs() < 1e-7 && found[0].numbers.len() == 1, "{found:?}");
    let [low, up] = [0, 1].map(|k| found[1].numbers[k].value);
    // From -0.01 to 0.01: it is moved by nothing.
    assert!((low + 0.01).abs() < 1e-6 && (up - 0.01).abs() < 1e-6, "{found:?}");
    assert!(found[2].numbers[0].value < 1e-5, "{found:?}");
    // Without: 0.6 + s and -0.01 + s are balanced at s = -0.295.
    let held = together(rules(false), &free).each(&quiet(), &surfaces).unwrap();
    assert!((held[0].numbers[1].value - 0.305).abs() < 1e-6, "{held:?}");
    assert!((held[1].numbers[0].value + 0.305).abs() < 1e-6, "{held:?}");

    // Two such zones have an offset each; more than there is room for are refused.
    let pair: Vec<Box<dyn Rule>> = vec![Box::new(profile(true)), Box::new(profile(true))];
    let found = together(pair, &free).each(&quiet(), &[high, face(|x, _| -0.7 - 0.001 * x)]).unwrap();
    assert!(found.iter().all(|f| (f.numbers[0].value - 0.1).abs() < 1e-7), "{found:?}");
    let many: Vec<Box<dyn Rule>> = (0..4).map(|_| Box::new(profile(true)) as Box<dyn Rule>).collect();
    let four = vec![level; 4];
    assert!(matches!(together(many, &free).each(&quiet(), &four), Err(RuleError::Missing(_))));
}
