use super::*;
use crate::geometry::{Motion, PartFrame, Point, Twist, Vector, random::Random};
use crate::plan::Condition;
use crate::run::quiet;
use crate::tolerance::location_samples::{bore, face, flanks, hole_situation, shaft};
use crate::tolerance::{Bound, Boundary};

const ROUND: Zone = Zone::Round { diameter_mm: 0.2 };
const SLAB: Zone = Zone::Slab { width_mm: 0.2, across: None };

fn member(situation: Situation) -> PositionMember {
    PositionMember { situation, axis: None, condition: None, projected: None, level: None }
}

fn rule(members: Vec<PositionMember>, zone: Zone) -> Position {
    Position { members, zone, standard: StandardSystem::Iso, leeway: Leeway::none(), cell_mm: 10.0 }
}

fn hole_at(at: Point) -> Position {
    rule(vec![member(hole_situation(at))], ROUND)
}

fn measure(rule: &Position, surfaces: &[Surface]) -> Found {
    rule.measure(&quiet(), surfaces).unwrap()
}

fn value(rule: &Position, surfaces: &[Surface]) -> f64 {
    measure(rule, surfaces).numbers[0].value
}

fn at_most(limit_mm: f64, size_tolerance_mm: f64) -> Option<MaterialCondition> {
    Some(MaterialCondition { condition: Condition::MaximumMaterial, limit_mm, size_tolerance_mm })
}

fn at_least(limit_mm: f64, size_tolerance_mm: f64) -> Option<MaterialCondition> {
    Some(MaterialCondition { condition: Condition::LeastMaterial, limit_mm, size_tolerance_mm })
}

fn shifts() -> Leeway {
    Leeway {
        centre: Point::origin(),
        free: Twist::all(1.0)[..2].to_vec(),
        bounds: Vec::new(),
        zone_shifts: false,
    }
}

/// CHECKS f.2, ASME Y14.5: dx = dy = 0.1 is 2 sqrt(0.02).
#[test]
fn the_value_is_twice_the_distance_from_the_true_place() {
    let at = Point::new(30.0, 15.0, 0.0);
    let off = Vector::new(0.1, 0.1, 0.0);
    let surface = bore(at + off, Vector::z(), 8.0, [0.0, 20.0]);
    for standard in [StandardSystem::Iso, StandardSystem::Asme] {
        for axis in [None, Some(Direction::Z)] {
            let mut rule = Position { standard, ..hole_at(at) };
            rule.members[0].axis = axis;
            let found = measure(&rule, std::slice::from_ref(&surface));
            assert!((found.numbers[0].value - 0.282_842_712_474_619).abs() < 1e-8, "{found:?}");
            assert!((found.off.unwrap() - off).norm() < 1e-8 && found.bonus_mm.is_none());
        }
    }
    let across = Zone::Slab { width_mm: 0.3, across: Some(Direction::X) };
    assert!((value(&rule(hole_at(at).members, across), std::slice::from_ref(&surface)) - 0.2).abs() < 1e-8);
    assert!(rule(hole_at(at).members, SLAB).measure(&quiet(), &[surface]).is_err());
}

/// CHECKS f.1: two published holes of a sheet metal part, by their centres and axes.
#[test]
fn published_positions_of_two_holes() {
    let rows = [
        (
            [2_433.974_609_375, 800.617_431_640_625, 890.049_621_582_031],
            [2_434.01, 801.525_055_991_93, 889.98],
            [0.055_815_021_663_971_9, -0.907_624_351_305_543, -0.416_056_150_385_79],
            0.897_298_445_619_006,
        ),
        (
            [2_496.251_464_843_75, 780.842_590_332_031, 938.272_277_832_031],
            [2_496.39, 781.751_759_542_342, 938.09],
            [0.041_855_011_743_999_1, -0.909_169_210_310_98, -0.414_318_120_547_991],
            1.137_681_133_150_282,
        ),
    ];
    for (nominal, measured, axis, published) in rows {
        let axis = Direction::new(Vector::from(axis)).unwrap();
        let (a, b) = axis.frame();
        let ring = |k: i32| {
            let f = f64::from(k) * std::f64::consts::PI / 8.0;
            a * (4.0 * crate::geometry::math::cos(f)) + b * (4.0 * crate::geometry::math::sin(f))
        };
        let points: Vec<Point> = (0..16).map(|k| Point::from(measured) + ring(k)).collect();
        let normals = (0..16).map(|k| Direction::new(-ring(k)).unwrap()).collect();
        let surface = Surface { deviations_mm: vec![0.0; 16], points, normals, ..Surface::default() };
        let mut one = member(Situation::Hole { at: Point::from(nominal), axis, diameter_mm: None });
        one.axis = Some(axis);
        let found = value(&rule(vec![one], ROUND), &[surface]);
        assert!((found - published).abs() < 1e-9, "{found} {published}");
    }
}

/// CHECKS f.2, ASME Y14.5: hole at MMC 10.0, actual 10.2, tolerance 0.3: bonus 0.2.
#[test]
fn at_maximum_material_a_larger_hole_may_lie_further_off() {
    let surface = bore(Point::new(0.24, 0.0, 0.0), Vector::z(), 10.2, [0.0, 20.0]);
    let mut asme = Position { standard: StandardSystem::Asme, ..hole_at(Point::origin()) };
    asme.members[0].condition = at_most(10.0, 0.5);
    let found = measure(&asme, std::slice::from_ref(&surface));
    assert!((found.numbers[0].value - 0.48).abs() < 1e-6, "{found:?}");
    assert!((found.bonus_mm.unwrap() - 0.2).abs() < 1e-6);
    // ISO: the tolerance at MMC that would just do: 0.48 - 0.2; points 5 degrees apart see it to 1e-3.
    let iso = Position { standard: StandardSystem::Iso, ..asme.clone() };
    let found = measure(&iso, std::slice::from_ref(&surface));
    assert!((found.numbers[0].value - 0.28).abs() < 1e-4 && found.bonus_mm.is_none(), "{found:?}");
    // Least material, 10.5: LMC - actual is left: 0.48 - 0.3.
    let mut least = iso.clone();
    least.members[0].condition = at_least(10.5, 0.5);
    assert!((value(&least, std::slice::from_ref(&surface)) - 0.18).abs() < 1e-4);
    least.standard = StandardSystem::Asme;
    let found = measure(&least, std::slice::from_ref(&surface));
    assert!((found.bonus_mm.unwrap() - 0.3).abs() < 1e-6, "{found:?}");
    // Nothing of a condition that is none.
    let mut none = iso;
    none.members[0].condition =
        Some(MaterialCondition { condition: Condition::Regardless, limit_mm: 0.0, size_tolerance_mm: 0.0 });
    assert!((value(&none, &[surface]) - 0.48).abs() < 1e-8);
}

/// CHECKS f.2, ASME Y14.5: hole MMC 10.0 and t 0.3 have the boundary 9.7, pin MMC 9.5 and t 0.2 too.
#[test]
fn hole_and_pin_of_one_virtual_condition_just_keep_it() {
    let condition = |limit| at_most(limit, 0.2);
    // A hole at MMC that touches the boundary of 9.7 lies 0.15 off; a pin at MMC 0.1.
    let hole = bore(Point::new(0.15, 0.0, 0.0), Vector::z(), 10.0, [0.0, 10.0]);
    let mut rule_of_hole = hole_at(Point::origin());
    rule_of_hole.members[0].condition = condition(10.0);
    assert!((value(&rule_of_hole, &[hole]) - 0.3).abs() < 1e-6);
    let pin = shaft(Point::new(0.1, 0.0, 0.0), Vector::z(), 9.5, [0.0, 10.0]);
    let situation =
        Situation::Cylinder { at: Point::origin(), axis: Direction::Z, diameter_mm: 9.5, hollow: false };
    let mut rule_of_pin = rule(vec![member(situation)], ROUND);
    rule_of_pin.members[0].condition = condition(9.5);
    assert!((value(&rule_of_pin, std::slice::from_ref(&pin)) - 0.2).abs() < 1e-6);
    // A pin at least material of 9.5 - t: the boundary within it.
    rule_of_pin.members[0].condition = at_least(9.4, 0.2);
    assert!((value(&rule_of_pin, std::slice::from_ref(&pin)) - 0.1).abs() < 1e-6);
    // Room is told, and is what the number is below 0.
    rule_of_pin.members[0].condition = condition(9.9);
    let found = measure(&rule_of_pin, &[pin]);
    assert!((found.numbers[0].value + 0.2).abs() < 1e-6, "{found:?}");
    let room = &found.operators.iter().find(|o| o.0 == "room").unwrap().1;
    assert!(room.starts_with("0.2"), "{room}");
}

/// CHECKS f.2 (2009 edition discussion): hole 0.502, tilted 0.002, gauge pin 0.484. The envelope goes with its own axis,
/// the related one with the related axis; the boundary agrees with the latter: position at most 0.016 (= 0.5 - 0.484 for
/// an MMC of 0.5).
#[test]
fn pairs_of_envelope_and_axis_are_not_mixed() {
    let depth = 1.0;
    let surface = bore(Point::new(-0.001, 0.0, 0.0), Vector::new(0.002, 0.0, 1.0), 0.502, [0.0, depth]);
    let mut iso = hole_at(Point::new(0.0, 0.0, 0.0));
    iso.members[0].condition = at_most(0.5, 0.01);
    // What stays free of the tilted hole is 0.502 - 0.002: related envelope 0.500, at the true place; no tolerance needed.
    let by_surface = value(&iso, std::slice::from_ref(&surface));
    assert!(by_surface < 1e-6, "{by_surface}");
    assert!(by_surface <= 0.016);
    // By the axis: 2 * 0.001 off at the ends, bonus 0.002 of its own envelope: the same room.
    let asme = Position { standard: StandardSystem::Asme, ..iso };
    let found = measure(&asme, &[surface]);
    assert!((found.numbers[0].value - 0.002).abs() < 1e-6 && (found.bonus_mm.unwrap() - 0.002).abs() < 1e-6);
    let counted_twice = 0.502 - 0.002 - found.numbers[0].value;
    assert!(counted_twice < 0.5 - 0.0019, "the related size with the unrelated axis counts the tilt twice");
}

/// CHECKS f.2, ASME Y14.5 and Y14.5.1: on a lobed, tilted hole the two methods differ.
#[test]
fn surface_and_axis_method_differ_on_a_lobed_hole() {
    let mut surface = bore(Point::new(0.1, 0.0, 0.0), Vector::new(0.004, 0.0, 1.0), 10.2, [0.0, 20.0]);
    for p in &mut surface.points {
        let angle = crate::geometry::math::atan2(p.y, p.x);
        // Three lobes outward, one where the hole comes nearest to the true axis.
        let grow = 1.0 - 0.01 * crate::geometry::math::cos(3.0 * angle);
        (p.x, p.y) = (p.x * grow, p.y * grow);
    }
    let mut iso = hole_at(Point::origin());
    iso.members[0].condition = at_most(10.0, 0.5);
    let by_surface = value(&iso, std::slice::from_ref(&surface));
    let found = measure(&Position { standard: StandardSystem::Asme, ..iso }, std::slice::from_ref(&surface));
    let by_axis = (found.numbers[0].value - found.bonus_mm.unwrap()).max(0.0);
    assert!(by_surface > 0.01 && by_surface < by_axis - 0.1, "{by_surface} {by_axis}");
    // The slow way: the smallest distance of any point from the true axis.
    let least = surface.points.iter().map(|p| (p.x * p.x + p.y * p.y).sqrt()).fold(f64::INFINITY, f64::min);
    assert!((by_surface - (10.0 - 2.0 * least)).abs() < 1e-12);
}

/// CHECKS f.2: tolerance 0 at MMC 8.015, actual 8.03: 0.015 are allowed.
#[test]
fn a_zero_tolerance_at_maximum_material_is_what_the_size_leaves() {
    for (off, within) in [(0.0074, true), (0.0076, false)] {
        let surface = bore(Point::new(off, 0.0, 0.0), Vector::z(), 8.03, [0.0, 10.0]);
        let mut iso = hole_at(Point::origin());
        iso.members[0].condition = at_most(8.015, 0.035);
        let found = value(&iso, std::slice::from_ref(&surface));
        assert!((found - (2.0 * off - 0.015)).abs() < 1e-6, "{found}");
        assert_eq!(found <= 0.0, within, "{off}");
        let asme = measure(&Position { standard: StandardSystem::Asme, ..iso }, &[surface]);
        assert!((asme.bonus_mm.unwrap() - 0.015).abs() < 1e-7);
        assert_eq!(asme.numbers[0].value <= asme.bonus_mm.unwrap(), within);
    }
}

/// CHECKS f.2: axis through (0.05, 0) at z = 0 with slope 0.004, plate below z = 0, projected 20: 0.26, and 0.10 unprojected
/// for a thin plate.
#[test]
fn a_projected_zone_is_held_outside_the_part() {
    let surface = bore(Point::new(0.05, 0.0, 0.0), Vector::new(0.004, 0.0, 1.0), 8.0, [-12.0, 0.0]);
    let mut rule = hole_at(Point::origin());
    rule.members[0].projected =
        Some(Projected { from: Point::origin(), towards: Direction::Z, length_mm: 20.0 });
    assert!((value(&rule, std::slice::from_ref(&surface)) - 0.26).abs() < 1e-7);
    // Where it begins: 0.10. Downward the other end counts.
    rule.members[0].projected =
        Some(Projected { from: Point::origin(), towards: Direction::Z, length_mm: 1e-9 });
    assert!((value(&rule, std::slice::from_ref(&surface)) - 0.10).abs() < 1e-7);
    let down = Projected { from: Point::origin(), towards: Direction::Z.reversed(), length_mm: 30.0 };
    rule.members[0].projected = Some(down);
    assert!((value(&rule, std::slice::from_ref(&surface)) - 0.14).abs() < 1e-7);
    // At maximum material, by ISO against the extended envelope: 0.1 of size to spare.
    rule.members[0].projected =
        Some(Projected { from: Point::origin(), towards: Direction::Z, length_mm: 20.0 });
    rule.members[0].condition = at_most(7.9, 0.3);
    assert!((value(&rule, std::slice::from_ref(&surface)) - 0.16).abs() < 1e-6);
    for length_mm in [0.0, -1.0, f64::NAN] {
        rule.members[0].projected =
            Some(Projected { from: Point::origin(), towards: Direction::Z, length_mm });
        assert!(rule.measure(&quiet(), std::slice::from_ref(&surface)).is_err());
    }
}

/// Four holes in a square with their offsets, and their rule.
fn pattern(offsets: [Vector; 4]) -> (Position, Vec<Surface>) {
    let places = [(0.0, 0.0), (60.0, 0.0), (60.0, 40.0), (0.0, 40.0)].map(|(x, y)| Point::new(x, y, 0.0));
    let surfaces =
        places.iter().zip(offsets).map(|(p, o)| bore(p + o, Vector::z(), 8.0, [0.0, 10.0])).collect();
    (rule(places.iter().map(|&p| member(hole_situation(p))).collect(), ROUND), surfaces)
}

/// CHECKS f.2, ASME Y14.5: the upper segment locates, the lower only orients; lower <= upper.
#[test]
fn a_pattern_is_moved_as_one_and_the_lower_segment_is_never_larger() {
    let same = Vector::new(0.3, -0.2, 0.0);
    let (held, surfaces) = pattern([same; 4]);
    assert!((value(&held, &surfaces) - 2.0 * same.norm()).abs() < 1e-8);
    let lower = Position { leeway: shifts(), ..held };
    let found = measure(&lower, &surfaces);
    assert!(found.numbers[0].value < 1e-8 && found.instances.len() == 4, "{found:?}");
    for seed in 0..6 {
        let random = &mut Random::seeded(seed);
        let offsets = std::array::from_fn(|_| Vector::new(0.1 * random.normal(), 0.1 * random.normal(), 0.0));
        let (held, surfaces) = pattern(offsets);
        let upper = value(&held, &surfaces);
        let lower = value(&Position { leeway: shifts(), ..held.clone() }, &surfaces);
        // Only shifts: the smallest circle about the offsets.
        let mut truth = f64::INFINITY;
        for i in 0..4 {
            for j in i + 1..4 {
                let mut centres = vec![(offsets[i] + offsets[j]) * 0.5];
                for k in j + 1..4 {
                    let (p, q) = (offsets[j] - offsets[i], offsets[k] - offsets[i]);
                    let d = 2.0 * (p.x * q.y - p.y * q.x);
                    let (p2, q2) = (p.norm_squared(), q.norm_squared());
                    let about = Vector::new(q.y * p2 - p.y * q2, p.x * q2 - q.x * p2, 0.0) / d;
                    centres.push(offsets[i] + about);
                }
                for c in centres {
                    truth = truth.min(2.0 * offsets.iter().map(|o| (o - c).norm()).fold(0.0, f64::max));
                }
            }
        }
        assert!((lower - truth).abs() < 1e-8, "seed {seed}: {lower} {truth}");
        assert!(lower <= upper, "seed {seed}");
        let turning = Twist { turn: Vector::z() / 40.0, shift: Vector::zeros() };
        let mut free = shifts();
        free.free.push(turning);
        let freer = value(&Position { leeway: free.clone(), ..held.clone() }, &surfaces);
        assert!(freer <= lower + 2e-9, "seed {seed}: {freer} {lower}");
        // Which instance is the largest, and the order of members, change nothing.
        let found = measure(&Position { leeway: free.clone(), ..held.clone() }, &surfaces);
        let largest = found.instances.iter().map(|i| i.value_mm).fold(0.0, f64::max);
        assert!((largest - freer).abs() < 1e-12);
        let mut back = held.clone();
        back.members.reverse();
        let reversed: Vec<Surface> = surfaces.iter().rev().cloned().collect();
        let again = value(&Position { leeway: free.clone(), ..back }, &reversed);
        assert!((again - freer).abs() < 1e-8, "seed {seed}");

        let motion: Motion<PartFrame, PartFrame> =
            Motion::from_turn_and_shift(random.turn(), Vector::new(400.0, 2000.0, -300.0));
        let mut moved = held;
        for m in &mut moved.members {
            if let Situation::Hole { at, axis, .. } = &mut m.situation {
                (*at, *axis) = (motion.point(at), motion.direction(*axis));
            }
        }
        moved.leeway = Leeway {
            centre: motion.point(&free.centre),
            free: free
                .free
                .iter()
                .map(|t| Twist { turn: motion.vector(&t.turn), shift: motion.vector(&t.shift) })
                .collect(),
            bounds: Vec::new(),
            zone_shifts: false,
        };
        let there: Vec<Surface> = surfaces.iter().map(|s| s.moved(&motion)).collect();
        assert!((value(&moved, &there) - freer).abs() < 1e-7, "seed {seed}");
    }
}

/// ISO 5458: a group at maximum material is moved as one; the slow way is a fine grid of shifts.
#[test]
fn a_group_at_maximum_material_shares_its_movement() {
    let places = [Point::origin(), Point::new(50.0, 0.0, 0.0)];
    let offsets = [Vector::new(0.2, 0.05, 0.0), Vector::new(-0.1, 0.1, 0.0)];
    let sizes = [8.1, 8.02];
    let surfaces: Vec<Surface> =
        (0..2).map(|i| bore(places[i] + offsets[i], Vector::z(), sizes[i], [0.0, 10.0])).collect();
    let members = places
        .iter()
        .map(|&at| PositionMember { condition: at_most(8.0, 0.3), ..member(hole_situation(at)) })
        .collect();
    let iso = Position { leeway: shifts(), ..rule(members, ROUND) };
    let found = measure(&iso, &surfaces);
    let truth = |x: f64, y: f64| {
        (0..2)
            .map(|i| 2.0 * (offsets[i] + Vector::new(x, y, 0.0)).norm() - (sizes[i] - 8.0))
            .fold(f64::NEG_INFINITY, f64::max)
    };
    let grid = (-400..=400).flat_map(|i| (-400..=400).map(move |j| (f64::from(i), f64::from(j))));
    let least = grid.map(|(x, y)| truth(x * 1e-3, y * 1e-3)).fold(f64::INFINITY, f64::min);
    // Points 5 degrees apart see a wall to 0.1 %, of an offset of 0.15.
    assert!((found.numbers[0].value - least).abs() < 2e-3, "{found:?} {least}");
    assert!(found.instances.iter().all(|i| i.value_mm <= found.numbers[0].value + 1e-12));

    // Ten times as large, and with its points in another order.
    let large: Vec<Surface> = surfaces
        .iter()
        .map(|s| Surface {
            points: s.points.iter().rev().map(|p| p * 10.0).collect(),
            normals: s.normals.iter().rev().copied().collect(),
            deviations_mm: s.deviations_mm.clone(),
            ..Surface::default()
        })
        .collect();
    let mut rule_of_large = iso.clone();
    for m in &mut rule_of_large.members {
        if let Situation::Hole { at, .. } = &mut m.situation {
            *at *= 10.0;
        }
        m.condition = at_most(80.0, 3.0);
    }
    let there = value(&rule_of_large, &large);
    assert!((there - 10.0 * found.numbers[0].value).abs() < 1e-7, "{there} {found:?}");

    // ASME, held: the first is 0.41 off with a bonus of 0.1, the second 0.28 with 0.02: the first has less to spare.
    let asme = Position { standard: StandardSystem::Asme, leeway: Leeway::none(), ..iso };
    let found = measure(&asme, &surfaces);
    assert!((found.numbers[0].value - 2.0 * offsets[0].norm()).abs() < 1e-6, "{found:?}");
    assert!((found.bonus_mm.unwrap() - 0.1).abs() < 1e-6, "{found:?}");
    assert!((found.instances[1].value_mm - 2.0 * offsets[1].norm()).abs() < 1e-6);
    // With a larger first hole it is the second that decides, with its own bonus and none of the first's.
    let larger = [bore(places[0] + offsets[0], Vector::z(), 8.29, [0.0, 10.0]), surfaces[1].clone()];
    let found = measure(&asme, &larger);
    assert!((found.numbers[0].value - 2.0 * offsets[1].norm()).abs() < 1e-6, "{found:?}");
    assert!((found.bonus_mm.unwrap() - 0.02).abs() < 1e-6, "{found:?}");
}

/// CHECKS f.2, ASME Y14.5: a datum pin of MMC 10 made 9.9 lets the pattern move by 0.05 to each side; no hole gets it as a
/// bonus of its own.
#[test]
fn play_of_a_datum_moves_the_pattern_and_widens_no_hole() {
    let pin = shaft(Point::new(30.0, 20.0, 0.0), Vector::z(), 9.9, [0.0, 10.0]);
    let boundary = Boundary::Cylinder {
        at: Point::new(30.0, 20.0, 0.0),
        axis: Direction::Z,
        diameter_mm: 10.0,
        outside: false,
    };
    let loose = |surface| Leeway { bounds: vec![Bound { surface, boundary }], ..shifts() };
    let same = Vector::new(0.12, 0.0, 0.0);
    let (held, mut surfaces) = pattern([same; 4]);
    surfaces.push(pin.clone());
    let found = measure(&Position { leeway: loose(4), ..held }, &surfaces);
    assert!((found.numbers[0].value - 0.14).abs() < 1e-4 && found.bonus_mm.is_none(), "{found:?}");
    // Off to opposite sides the pattern gains nothing.
    let (held, mut surfaces) = pattern([same, -same, same, -same]);
    surfaces.push(pin);
    assert!((value(&Position { leeway: loose(4), ..held }, &surfaces) - 0.24).abs() < 1e-7);
}

/// A datum tongue of 9.9, 100 long, in a boundary of 10.0 lets the part turn by 0.1 / 100. Where the datums only orient, a
/// pattern that is turned by 0.002 and lies anywhere keeps 0.001 of it, at 30 from its middle; its shifts cost nothing.
#[test]
fn where_a_loose_datum_only_orients_its_boundary_holds_no_shift_of_the_zone() {
    let tongue = flanks([|_, _| 4.95, |_, _| -4.95], false);
    let boundary = Boundary::Slab {
        at: Point::new(50.0, 0.0, 0.0),
        across: Direction::Y,
        width_mm: 10.0,
        outside: false,
    };
    let turn = Twist { turn: Vector::z() * 0.01, shift: Vector::zeros() };
    let across = Twist { turn: Vector::zeros(), shift: Vector::y() };
    let loose = |zone_shifts| Leeway {
        centre: Point::new(50.0, 0.0, 0.0),
        free: vec![across, turn],
        bounds: vec![Bound { surface: 2, boundary }],
        zone_shifts,
    };
    for common in [Vector::zeros(), Vector::new(0.3, -0.4, 0.2)] {
        let places = [Point::new(20.0, 0.0, 0.0), Point::new(80.0, 0.0, 0.0)];
        let off = [-0.06, 0.06].map(|y| common + Vector::y() * y);
        let mut surfaces: Vec<Surface> =
            (0..2).map(|k| bore(places[k] + off[k], Vector::z(), 8.0, [0.0, 10.0])).collect();
        surfaces.push(tongue.clone());
        let members = places.iter().map(|&p| member(hole_situation(p))).collect();
        let lower = Position { leeway: loose(true), ..rule(members, ROUND) };
        let found = measure(&lower, &surfaces);
        assert!((found.numbers[0].value - 0.06).abs() < 1e-4, "{found:?}");
        // Placed by the datum it has what the tongue leaves of either, and no more.
        let placed = value(&Position { leeway: loose(false), ..lower }, &surfaces);
        assert!(placed >= found.numbers[0].value + 1.5 * common.norm() - 1e-8, "{placed} {found:?}");
    }
    // The width of the zone's offset is told apart from the shift: a plane that only orients is as good as it is flat.
    let profile = crate::tolerance::SurfaceProfile {
        surfaces: 1,
        upper_mm: 0.1,
        lower_mm: -0.1,
        offset_zone: false,
        leeway: Leeway { bounds: vec![Bound { surface: 1, boundary }], ..loose(true) },
    };
    let found = profile.measure(&quiet(), &[face(|x, _| 0.7 + if x > 50.0 { 0.04 } else { 0.0 }), tongue]);
    let found = found.unwrap();
    assert!((found.numbers[0].value + 0.02).abs() < 1e-7 && (found.numbers[1].value - 0.02).abs() < 1e-7);
}

#[test]
fn planes_balls_grooves_and_slots_have_positions() {
    let plane = Situation::Plane { at: Point::new(0.0, 0.0, 0.1), normal: Direction::Z };
    let surface = face(|x, _| 0.1 + 0.002 * x);
    assert!((value(&rule(vec![member(plane)], SLAB), std::slice::from_ref(&surface)) - 0.4).abs() < 1e-12);
    assert!(rule(vec![member(plane)], ROUND).measure(&quiet(), &[surface]).is_err());

    let random = &mut Random::seeded(1);
    let off = Vector::new(0.02, -0.01, 0.02);
    let ways: Vec<Direction> = (0..400).map(|_| random.direction()).collect();
    let ball = Surface {
        points: ways.iter().map(|w| Point::from(w.vector() * 6.0 + off)).collect(),
        normals: ways.clone(),
        deviations_mm: vec![0.0; 400],
        ..Surface::default()
    };
    let sphere = Situation::Sphere { at: Point::origin(), diameter_mm: 12.0, hollow: false };
    let mut of_ball = rule(vec![member(sphere)], ROUND);
    assert!((value(&of_ball, std::slice::from_ref(&ball)) - 0.06).abs() < 1e-8);
    of_ball.standard = StandardSystem::Asme;
    assert!((value(&of_ball, std::slice::from_ref(&ball)) - 0.06).abs() < 1e-7);
    // At maximum material of 12.02: 12 + 0.06 - 12.02, as far as 400 points see the pole.
    of_ball.standard = StandardSystem::Iso;
    of_ball.members[0].condition = at_most(12.02, 0.1);
    assert!((value(&of_ball, std::slice::from_ref(&ball)) - 0.04).abs() < 1e-3);

    let groove = Situation::Width { at: Point::origin(), across: Direction::Y, width_mm: 10.0, hollow: true };
    let surface = flanks([|_, _| 5.3, |_, _| -4.9], true);
    let mut of_groove = rule(vec![member(groove)], SLAB);
    let found = measure(&of_groove, std::slice::from_ref(&surface));
    assert!((found.numbers[0].value - 0.4).abs() < 1e-12);
    assert!((found.off.unwrap() - Vector::y() * 0.2).norm() < 1e-12);
    // Width 10.2; the boundary that fits about the middle is 9.8 wide: 0.2 less than an MMC of 10.
    of_groove.members[0].condition = at_most(10.0, 0.3);
    assert!((value(&of_groove, std::slice::from_ref(&surface)) - 0.2).abs() < 1e-12);
    of_groove.members[0].condition = at_least(10.3, 0.3);
    assert!((value(&of_groove, std::slice::from_ref(&surface)) - 0.3).abs() < 1e-12);
    // A tongue of the same flanks: the boundary about it is 10.6 wide.
    let tongue =
        Situation::Width { at: Point::origin(), across: Direction::Y, width_mm: 10.0, hollow: false };
    let surface = flanks([|_, _| 5.3, |_, _| -4.9], false);
    let mut of_tongue = rule(vec![member(tongue)], SLAB);
    of_tongue.members[0].condition = at_most(10.2, 0.3);
    assert!((value(&of_tongue, &[surface]) - 0.4).abs() < 1e-12);
}

#[test]
fn a_slot_has_its_width_and_its_centre() {
    // Half straight length 10, half width 4, off by (0.1, 0.05).
    let (mut points, mut normals) = (Vec::new(), Vec::new());
    let mut add = |x: f64, y: f64, n: Vector| {
        for z in [0.0, 1.0, 2.0] {
            points.push(Point::new(x + 0.1, y + 0.05, z));
            normals.push(Direction::new(-n).unwrap());
        }
    };
    for i in 0..=40 {
        let x = -10.0 + 0.5 * f64::from(i);
        add(x, 4.0, Vector::y());
        add(x, -4.0, -Vector::y());
        let f = (f64::from(i) / 40.0 - 0.5) * std::f64::consts::PI;
        let way = Vector::new(crate::geometry::math::cos(f), crate::geometry::math::sin(f), 0.0);
        add(10.0 + 4.0 * way.x, 4.0 * way.y, way);
        add(-10.0 - 4.0 * way.x, 4.0 * way.y, Vector::new(-way.x, way.y, 0.0));
    }
    let surface = Surface { deviations_mm: vec![0.0; points.len()], points, normals, ..Surface::default() };
    let slot = Situation::Slot {
        at: Point::origin(),
        axis: Direction::Z,
        along: Direction::X,
        length_mm: Some(28.0),
        width_mm: Some(8.0),
    };
    let of = |zone| value(&rule(vec![member(slot)], zone), std::slice::from_ref(&surface));
    let across = |d| Zone::Slab { width_mm: 0.2, across: Some(d) };
    // The round ends leave the flanks within 30 degrees: their cells hold both sides alike.
    assert!((of(SLAB) - 0.1).abs() < 1e-9, "{}", of(SLAB));
    assert!((of(across(Direction::Y)) - 0.1).abs() < 1e-9);
    assert!((of(across(Direction::X)) - 0.2).abs() < 1e-8, "{}", of(across(Direction::X)));
    assert!((of(ROUND) - 2.0 * Vector::new(0.1, 0.05, 0.0).norm()).abs() < 1e-8);
}

#[test]
fn what_cannot_be_associated_is_refused() {
    let at = Point::origin();
    let hole = hole_at(at);
    let line = Surface {
        points: (0..30).map(|i| Point::new(f64::from(i), 0.0, 0.0)).collect(),
        normals: vec![Direction::Z; 30],
        deviations_mm: vec![0.0; 30],
        ..Surface::default()
    };
    assert!(matches!(hole.measure(&quiet(), std::slice::from_ref(&line)), Err(RuleError::Fit(_))));
    let two = Surface {
        points: line.points[..2].to_vec(),
        normals: line.normals[..2].to_vec(),
        deviations_mm: vec![0.0; 2],
        ..Surface::default()
    };
    for surfaces in [vec![two], vec![Surface::default()], vec![]] {
        assert!(matches!(hole.measure(&quiet(), &surfaces), Err(RuleError::Missing(_))));
    }
    let mut bad = bore(at, Vector::z(), 8.0, [0.0, 10.0]);
    bad.points[40].z = f64::NAN;
    assert!(matches!(hole.measure(&quiet(), &[bad]), Err(RuleError::Fit(_))));
    assert!(rule(Vec::new(), ROUND).measure(&quiet(), std::slice::from_ref(&line)).is_err());
    let mut condition = hole;
    condition.members[0].condition = at_most(f64::NAN, 0.1);
    let wall = bore(at, Vector::z(), 8.0, [0.0, 10.0]);
    assert!(matches!(condition.measure(&quiet(), &[wall]), Err(RuleError::Missing(_))));
    let mut of_plane = rule(vec![member(Situation::Plane { at, normal: Direction::Z })], SLAB);
    of_plane.members[0].condition = at_most(1.0, 0.1);
    assert!(matches!(of_plane.measure(&quiet(), &[line]), Err(RuleError::Missing(_))));
}
