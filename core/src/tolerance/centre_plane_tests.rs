use super::*;
use crate::geometry::{Motion, PartFrame, Vector, math};
use crate::plan::{StandardSystem, Zone};
use crate::run::quiet;
use crate::tolerance::location_samples::flanks;
use crate::tolerance::{Leeway, Orientation, Position, PositionMember, Rule};

const GROOVE: Situation =
    Situation::Width { at: Point::new(50.0, 0.0, 10.0), across: Direction::Y, width_mm: 10.0, hollow: true };
const TONGUE: Situation =
    Situation::Width { at: Point::new(50.0, 0.0, 10.0), across: Direction::Y, width_mm: 10.0, hollow: false };
const SLAB: Zone = Zone::Slab { width_mm: 0.2, across: None };
const BOTH: [StandardSystem; 2] = [StandardSystem::Iso, StandardSystem::Asme];

fn position(situation: Situation, axis: Option<Direction>, standard: StandardSystem) -> Position {
    let member = PositionMember { situation, axis, condition: None, projected: None, level: None };
    Position { members: vec![member], zone: SLAB, standard, leeway: Leeway::none(), cell_mm: 10.0 }
}

fn value(rule: &dyn Rule, surface: &Surface) -> f64 {
    rule.measure(&quiet(), std::slice::from_ref(surface)).unwrap().numbers[0].value
}

/// A groove that leans by a slope s between its datum planes: the centre plane leans with it. What is seen of a flank furthest
/// along, 5 mm over the centre plane at x = 100, lies over 100 + 5 s / (1 + s^2) of it.
#[test]
fn a_groove_that_leans_between_its_datum_planes_has_a_centre_plane_that_leans() {
    const S: f64 = 0.002;
    let surface = flanks([|x, _| 5.0 + S * x, |x, _| -5.0 + S * x], true);
    let furthest = 100.0 + 5.0 * S / (1.0 + S * S);
    let found = position(GROOVE, None, StandardSystem::Asme)
        .measure(&quiet(), std::slice::from_ref(&surface))
        .unwrap();
    assert!((found.numbers[0].value - 2.0 * S * furthest).abs() < 1e-6, "{found:?}");
    assert!((found.off.unwrap() - Vector::y() * (S * 50.0)).norm() < 1e-6, "{found:?}");
    assert!(
        found.operators.iter().any(|o| o.1 == "centre plane between two parallel planes: maximum inscribed"),
        "{found:?}"
    );
    // Its parallelism is the rise alone: from end to end as both flanks are seen over them.
    let parallel = Orientation {
        situation: GROOVE,
        zone: SLAB,
        condition: None,
        tangent_plane: false,
        standard: StandardSystem::Asme,
        leeway: Leeway::none(),
        cell_mm: 10.0,
    };
    let rise = S * (100.0 + 10.0 * S / (1.0 + S * S));
    assert!((value(&parallel, &surface) - rise).abs() < 1e-6, "{}", value(&parallel, &surface));
}

/// A groove that widens to one end: the mating block fits the narrow end and lies against the straight flank, midway in the datum
/// planes; the extracted middle follows the taper to the mean of the last cell.
#[test]
fn in_a_tapered_groove_the_block_lies_straight_and_the_extracted_middle_leans() {
    let surface = flanks([|x, _| 5.0 + 0.004 * x, |_, _| -5.0], true);
    let [iso, asme] = BOTH.map(|s| value(&position(GROOVE, None, s), &surface));
    assert!(asme.abs() < 1e-6, "{asme}");
    assert!((iso - 0.4).abs() < 0.03, "{iso}");
}

/// A bump of 0.2 in the middle of a flank: the block in the groove, and the clamp about the tongue, give way by half of it. Of a
/// cell of some 16 places the extracted middle feels a sixteenth of that.
#[test]
fn a_bump_moves_the_mating_envelope_by_half_its_height() {
    for (situation, upper) in [
        (GROOVE, (|x, z| if (x, z) == (50.0, 10.0) { 4.8 } else { 5.0 }) as fn(f64, f64) -> f64),
        (TONGUE, |x, z| if (x, z) == (50.0, 10.0) { 5.2 } else { 5.0 }),
    ] {
        let surface = flanks([upper, |_, _| -5.0], situation == GROOVE);
        let [iso, asme] = BOTH.map(|s| value(&position(situation, None, s), &surface));
        assert!((asme - 0.2).abs() < 1e-6, "{asme}");
        assert!(iso > 0.0 && iso < 0.05, "{iso}");
    }
}

/// The same for a short slot, whose planes run along its axis: ISO takes the straight middle between its flanks by least squares.
#[test]
fn a_slot_has_the_envelope_of_its_straight_flanks_from_end_to_end() {
    let slot = Situation::Slot {
        at: Point::new(50.0, 0.0, 10.0),
        axis: Direction::Z,
        along: Direction::X,
        length_mm: Some(90.0),
        width_mm: Some(10.0),
    };
    let mut surface = flanks([|x, _| 5.0 + 0.001 * (x - 50.0), |x, _| -5.0 + 0.001 * (x - 50.0)], true);
    for axis in [None, Some(Direction::Z)] {
        for standard in BOTH {
            // Both ends of the straight flanks, 40 mm from the middle; cells reach not quite as far.
            let found = value(&position(slot, axis, standard), &surface);
            let near = if standard == StandardSystem::Iso && axis.is_none() { 8e-3 } else { 1e-6 };
            assert!((found - 0.08).abs() < near, "{found} {standard:?} {axis:?}");
        }
    }
    let bump = surface.points.iter().position(|p| p.x == 50.0 && p.z == 10.0 && p.y > 0.0).unwrap();
    surface.points[bump].y -= 0.2;
    let [iso, asme] = BOTH.map(|s| position(slot, Some(Direction::Z), s));
    // The block in it turns about the bump's place until it lies along the other flank: 0.1 aside of where it was.
    assert!((value(&asme, &surface) - (0.2 + 0.08)).abs() < 1e-6, "{}", value(&asme, &surface));
    assert!((value(&iso, &surface) - 0.08).abs() < 3e-3, "{}", value(&iso, &surface));
}

#[test]
fn it_goes_along_with_the_part_and_not_with_the_order_of_its_points() {
    fn wave(x: f64, z: f64) -> f64 {
        0.05 * math::sin(0.1 * x + 0.3 * z)
    }
    let surface = flanks([|x, z| 5.1 + wave(x, z), |x, z| -5.0 - 0.5 * wave(x, z)], true);
    for situation in [GROOVE, TONGUE] {
        let rule = position(situation, None, StandardSystem::Asme);
        let mut surface = surface.clone();
        if situation == TONGUE {
            surface.normals.iter_mut().for_each(|n| *n = n.reversed());
        }
        let still = value(&rule, &surface);
        let mut turned = surface.clone();
        turned.points.reverse();
        turned.normals.reverse();
        assert!((value(&rule, &turned) - still).abs() < 1e-6);
        let motion: Motion<PartFrame, PartFrame> =
            Motion::from_turn_and_shift(Vector::new(0.7, -1.1, 0.4), Vector::new(500.0, 900.0, -200.0));
        let mut there = surface.moved(&motion);
        there.normals = surface.normals.iter().map(|n| motion.direction(*n)).collect();
        let Situation::Width { at, across, width_mm, hollow } = situation else { unreachable!() };
        let moved =
            Situation::Width { at: motion.point(&at), across: motion.direction(across), width_mm, hollow };
        let value = value(&position(moved, None, StandardSystem::Asme), &there);
        assert!((value - still).abs() < 1e-6, "{value} {still}");
    }
}

#[test]
fn flanks_that_do_not_face_each_other_are_told_by_least_squares_or_not_at_all() {
    let whole = flanks([|_, _| 5.0, |_, _| -5.0], true);
    let kept = |keep: &dyn Fn(&Point) -> bool| {
        let mut some = Surface::default();
        for (i, p) in whole.points.iter().enumerate().filter(|(_, p)| keep(p)) {
            some.points.push(*p);
            some.normals.push(whole.normals[i]);
            some.deviations_mm.push(0.0);
        }
        some
    };
    // One flank was seen at the one end only, the other at the other: a longer way leads across.
    let apart = kept(&|p| if p.y > 0.0 { p.x < 20.0 } else { p.x > 80.0 });
    let found = centre_plane(&quiet(), &apart, &GROOVE, None).unwrap();
    assert!(found.how.contains("least squares (maximum inscribed is left open by the points)"), "{found:?}");
    assert!(found.places.iter().all(|p| p.y.abs() < 1e-9), "{found:?}");
    let one = kept(&|p| p.y > 0.0);
    assert!(matches!(centre_plane(&quiet(), &one, &GROOVE, None), Err(RuleError::Missing(_))));
    // A line along each flank leaves the planes to turn about it.
    let lines = kept(&|p| p.z < 0.5);
    assert!(centre_plane(&quiet(), &lines, &GROOVE, None).is_err());
    let hole = Situation::Hole { at: Point::origin(), axis: Direction::Z, diameter_mm: None };
    assert!(centre_plane(&quiet(), &whole, &hole, None).is_err());
}
