use super::*;
use crate::associate::minimum_zone_plane;
use crate::geometry::{Direction, Motion, PartFrame, Point, Twist, Vector, random::Random};
use crate::plan::Condition;
use crate::run::quiet;
use crate::tolerance::location_samples::{bore, face, flanks, hole_situation};
use crate::tolerance::movement::settle;

const SLAB: Zone = Zone::Slab { width_mm: 0.1, across: None };
const ROUND: Zone = Zone::Round { diameter_mm: 0.1 };

fn plane() -> Situation {
    Situation::Plane { at: Point::origin(), normal: Direction::Z }
}

fn rule(situation: Situation, zone: Zone) -> Orientation {
    Orientation {
        situation,
        zone,
        condition: None,
        tangent_plane: false,
        standard: StandardSystem::Iso,
        leeway: Leeway::none(),
        cell_mm: 10.0,
    }
}

fn value(rule: &Orientation, surface: &Surface) -> f64 {
    rule.measure(&quiet(), std::slice::from_ref(surface)).unwrap().numbers[0].value
}

fn turning(axes: &[Vector]) -> Leeway {
    let free = axes.iter().map(|&turn| Twist { turn, shift: Vector::zeros() }).collect();
    Leeway { centre: Point::origin(), free, bounds: Vec::new(), zone_shifts: false }
}

#[test]
fn a_tilted_plane_has_its_rise_wherever_it_lies() {
    for off in [0.0, 7.0, -40.0] {
        let surface = face(|x, y| off + 0.001 * x + 0.0005 * y);
        let found = value(&rule(plane(), SLAB), &surface);
        assert!((found - 0.13).abs() < 1e-9, "{found}");
    }
    // With a turn left free only the other counts; with both, the flatness.
    let bumpy = face(|x, y| 0.001 * x + 0.0005 * y + 1e-6 * (x - 50.0) * (x - 50.0) + 2e-6 * x * y);
    let flat = minimum_zone_plane(&bumpy.points).unwrap().width_mm;
    let leeways = [Leeway::none(), turning(&[Vector::y()]), turning(&[Vector::x(), Vector::y()])];
    let values = leeways.map(|leeway| value(&Orientation { leeway, ..rule(plane(), SLAB) }, &bumpy));
    assert!(values[0] > values[1] + 0.01 && values[1] > values[2] + 0.01, "{values:?}");
    assert!((values[2] - flat).abs() < 1e-8, "{values:?} {flat}");
    let spread = bumpy.points.iter().map(|p| p.z).fold([9.0f64, -9.0], |[l, h], z| [l.min(z), h.max(z)]);
    assert!((values[0] - (spread[1] - spread[0])).abs() < 1e-9);
}

#[test]
fn the_tangent_plane_leaves_pits_and_bumps_between_its_contacts_out() {
    // A plane with a tilt of 0.001 that everywhere but along a few lines lies 0.05 lower.
    let surface = face(|x, y| {
        0.001 * x - if (x / 25.0).fract() == 0.0 && (y / 30.0).fract() == 0.0 { 0.0 } else { 0.05 }
    });
    let whole = value(&rule(plane(), SLAB), &surface);
    let tangent = value(&Orientation { tangent_plane: true, ..rule(plane(), SLAB) }, &surface);
    assert!((tangent - 0.1).abs() < 1e-6, "{tangent}");
    assert!(whole > 0.13, "{whole}");
    let round = Orientation { tangent_plane: true, ..rule(plane(), ROUND) };
    assert!(matches!(round.measure(&quiet(), &[surface]), Err(RuleError::Missing(_))));
}

#[test]
fn a_tilted_axis_has_its_lean_over_the_measured_depth() {
    let at = Point::new(20.0, 30.0, 0.0);
    let surface = bore(at + Vector::new(2.0, -1.0, 0.0), Vector::new(0.003, 0.004, 1.0), 8.0, [0.0, 12.0]);
    let situation = hole_situation(at);
    for standard in [StandardSystem::Iso, StandardSystem::Asme] {
        let round = Orientation { standard, ..rule(situation, ROUND) };
        assert!((value(&round, &surface) - 0.06).abs() < 1e-7, "{}", value(&round, &surface));
        for (across, truth) in [(Direction::X, 0.036), (Direction::Y, 0.048)] {
            let zone = Zone::Slab { width_mm: 0.1, across: Some(across) };
            let slab = Orientation { zone, ..round.clone() };
            assert!((value(&slab, &surface) - truth).abs() < 1e-7, "{}", value(&slab, &surface));
        }
    }
    assert!(matches!(
        rule(situation, SLAB).measure(&quiet(), std::slice::from_ref(&surface)),
        Err(RuleError::Missing(_))
    ));
    // A turn about y takes the lean along x away, whichever way the zone is.
    let free = Orientation { leeway: turning(&[Vector::y() / 10.0]), ..rule(situation, ROUND) };
    assert!((value(&free, &surface) - 0.048).abs() < 1e-6, "{}", value(&free, &surface));

    let motion: Motion<PartFrame, PartFrame> =
        Motion::from_turn_and_shift(Vector::new(-0.9, 0.4, 2.0), Vector::new(0.0, 1500.0, -400.0));
    let moved =
        Situation::Hole { at: motion.point(&at), axis: motion.direction(Direction::Z), diameter_mm: None };
    let there = value(&rule(moved, ROUND), &surface.moved(&motion));
    assert!((there - 0.06).abs() < 1e-7, "{there}");
}

/// A hole at maximum material: the boundary of its direction may lie anywhere, so the lean over the depth counts against
/// the size: a tube of diameter D that leans by s over h holds a straight one of D - s in its middle (to second order).
#[test]
fn an_orientation_at_maximum_material_uses_what_the_size_leaves() {
    let surface = bore(Point::new(3.0, -2.0, 0.0), Vector::new(0.005, 0.0, 1.0), 10.1, [0.0, 20.0]);
    let situation = hole_situation(Point::origin());
    let condition = |c, limit_mm| Some(MaterialCondition { condition: c, limit_mm, size_tolerance_mm: 0.2 });
    let most = condition(Condition::MaximumMaterial, 10.0);
    let iso = Orientation { condition: most, ..rule(situation, ROUND) };
    let found = iso.measure(&quiet(), std::slice::from_ref(&surface)).unwrap();
    // 0.1 of lean, 0.1 of size to spare: none is needed.
    assert!(found.numbers[0].value < 1e-3, "{found:?}");
    let tight = Orientation { condition: condition(Condition::MaximumMaterial, 10.06), ..iso.clone() };
    let found = tight.measure(&quiet(), std::slice::from_ref(&surface)).unwrap();
    assert!((found.numbers[0].value - 0.06).abs() < 1e-3 && found.bonus_mm.is_none(), "{found:?}");
    let asme = Orientation { standard: StandardSystem::Asme, ..tight };
    let found = asme.measure(&quiet(), std::slice::from_ref(&surface)).unwrap();
    assert!((found.numbers[0].value - 0.1).abs() < 1e-6, "{found:?}");
    assert!((found.bonus_mm.unwrap() - 0.04).abs() < 1e-6, "{found:?}");
    // Least material: the boundary that may shift holds all points; 10.1 with 0.1 of lean beside 10.2.
    let least = Orientation { condition: condition(Condition::LeastMaterial, 10.12), ..iso };
    let found = least.measure(&quiet(), std::slice::from_ref(&surface)).unwrap();
    assert!((found.numbers[0].value - 0.08).abs() < 1e-3, "{found:?}");
}

#[test]
fn the_middle_of_a_groove_has_its_lean() {
    let situation =
        Situation::Width { at: Point::origin(), across: Direction::Y, width_mm: 10.0, hollow: true };
    let surface = flanks([|_, z| 6.0 + 0.01 * z, |_, z| -4.0 + 0.01 * z], true);
    let found = value(&rule(situation, SLAB), &surface);
    // 20 mm of height, less half a cell at either end.
    assert!(found > 0.08 && found < 0.2, "{found}");
    let most =
        MaterialCondition { condition: Condition::MaximumMaterial, limit_mm: 9.9, size_tolerance_mm: 0.3 };
    let at_most = Orientation { condition: Some(most), ..rule(situation, SLAB) };
    // 10 wide, leaning 0.2 (and 0.003 by where the flanks were measured): 9.8 are straight; 0.1 less than 9.9.
    let found = value(&at_most, &surface);
    assert!((found - 0.1).abs() < 0.004, "{found}");
}

#[test]
fn a_wider_leeway_never_gives_more() {
    for seed in 0..6 {
        let random = &mut Random::seeded(seed);
        let mut surface = face(|x, y| 0.002 * x - 0.001 * y);
        for p in &mut surface.points {
            p.z += 0.02 * random.normal();
        }
        let twists = Twist::all(50.0);
        let mut last = f64::INFINITY;
        for n in 0..=6 {
            let free = twists.iter().rev().take(n).copied().collect();
            let leeway =
                Leeway { centre: Point::new(50.0, 30.0, 0.0), free, bounds: Vec::new(), zone_shifts: false };
            let found = value(&Orientation { leeway, ..rule(plane(), SLAB) }, &surface);
            assert!(found <= last + 2e-9, "seed {seed}, {n} free: {found} {last}");
            last = found;
        }
        // Ten times as large, ten times the number.
        let mut large = surface.clone();
        for p in &mut large.points {
            *p *= 10.0;
        }
        let still = rule(plane(), SLAB);
        assert!((value(&still, &large) - 10.0 * value(&still, &surface)).abs() < 1e-8, "seed {seed}");
    }
    assert!(settle(&quiet(), &Leeway::none(), &[], &[], Own::ALONG).is_err());
}

#[test]
fn what_has_no_orientation_is_refused() {
    let surface = face(|_, _| 0.0);
    let sphere = Situation::Sphere { at: Point::origin(), diameter_mm: 5.0, hollow: false };
    for situation in [sphere, Situation::Surface, Situation::Group] {
        let refused = rule(situation, SLAB).measure(&quiet(), std::slice::from_ref(&surface));
        assert!(matches!(refused, Err(RuleError::Missing(_))), "{refused:?}");
    }
    let two = Surface {
        points: surface.points[..2].to_vec(),
        normals: surface.normals[..2].to_vec(),
        deviations_mm: vec![0.0; 2],
        ..Surface::default()
    };
    assert!(rule(plane(), SLAB).measure(&quiet(), &[two]).is_err());
    let hole = rule(hole_situation(Point::origin()), ROUND);
    assert!(matches!(hole.measure(&quiet(), &[surface]), Err(RuleError::Fit(_))));
}
