use super::*;
use crate::geometry::{Direction, Motion, PartFrame, Twist, Vector, random::Random};
use crate::run::quiet;
use crate::tolerance::location_samples::face;

fn rule(upper_mm: f64, lower_mm: f64) -> SurfaceProfile {
    SurfaceProfile { surfaces: 1, upper_mm, lower_mm, offset_zone: false, leeway: Leeway::none() }
}

fn values(rule: &SurfaceProfile, surfaces: &[Surface]) -> Vec<f64> {
    rule.measure(&quiet(), surfaces).unwrap().numbers.iter().map(|n| n.value).collect()
}

/// Two points with the extremes of a published example.
fn two(low: f64, high: f64) -> Surface {
    let points = vec![Point::new(0.0, 0.0, low), Point::new(10.0, 0.0, high)];
    Surface { points, normals: vec![Direction::Z; 2], deviations_mm: vec![low, high], ..Surface::default() }
}

fn free() -> Leeway {
    Leeway {
        centre: Point::new(50.0, 30.0, 0.0),
        free: Twist::all(50.0),
        bounds: Vec::new(),
        zone_shifts: false,
    }
}

/// CHECKS f.3: limits from UZ (ISO 1101) and U (ASME Y14.5), the actual value t + 2 g of ASME Y14.5.1-2019.
#[test]
fn the_extremes_give_the_published_values_of_profile() {
    // ISO UZ: t 0.6, UZ -0.3 leaves +0 / -0.6.
    let (t, uz) = (0.6, -0.3);
    let uz = rule(uz + t / 2.0, uz - t / 2.0);
    assert!(uz.upper_mm.abs() < 1e-15 && (uz.lower_mm + 0.6).abs() < 1e-15);
    assert_eq!(values(&uz, &[two(-0.59, -0.01)]), [-0.59, -0.01]);
    // ASME U: t, u, extremes, actual value.
    let rows = [
        (1.0, 0.5, 0.30, -0.42, 0.84),
        (1.0, 0.8, 0.9, -0.1, 1.2),
        (1.0, 1.0, 0.4, 0.1, 0.8),
        (1.0, 0.0, -0.1, -1.2, 1.4),
    ];
    for (t, u, high, low, value) in rows {
        let rule = rule(u, u - t);
        let found = values(&rule, &[two(low, high)]);
        assert_eq!(found, [low, high]);
        let g = (found[1] - rule.upper_mm).max(rule.lower_mm - found[0]);
        assert!((t + 2.0 * g - value).abs() < 1e-12);
    }
    // OZ: max d - min d.
    let oz = SurfaceProfile { offset_zone: true, ..rule(0.5, -0.5) };
    let found = oz.measure(&quiet(), &[two(0.7, 0.95)]).unwrap();
    assert_eq!(found.numbers.len(), 1);
    assert!((found.numbers[0].value - 0.25).abs() < 1e-15 && found.numbers[0].against == Against::Upper);
}

#[test]
fn without_datums_a_plane_is_as_good_as_it_is_flat() {
    let bumpy = face(|x, y| 0.3 + 0.002 * x - 0.001 * y + 2e-5 * x * (100.0 - x));
    let flat = crate::associate::minimum_zone_plane(&bumpy.points).unwrap().width_mm;
    let datumless = SurfaceProfile { leeway: free(), ..rule(0.1, -0.1) };
    let found = values(&datumless, std::slice::from_ref(&bumpy));
    assert!(
        (found[1] - found[0] - flat).abs() < 1e-6 && (found[1] + found[0]).abs() < 1e-8,
        "{found:?} {flat}"
    );
    // Limits of 0.3 and 0: the same width about 0.15.
    let outside = SurfaceProfile { leeway: free(), ..rule(0.3, 0.0) };
    let found = values(&outside, std::slice::from_ref(&bumpy));
    assert!((found[1] + found[0] - 0.3).abs() < 1e-8, "{found:?}");
    // With OZ the offset is one freedom more, of no use where the part may shift.
    let oz = SurfaceProfile { offset_zone: true, ..datumless };
    assert!((values(&oz, std::slice::from_ref(&bumpy))[0] - flat).abs() < 1e-6);
    // Held, an offset still leaves the tilt in.
    let held = SurfaceProfile { offset_zone: true, ..rule(0.1, -0.1) };
    let spread = bumpy.deviations_mm.iter().fold([9.0f64, -9.0], |[l, h], &d| [l.min(d), h.max(d)]);
    assert!((values(&held, std::slice::from_ref(&bumpy))[0] - (spread[1] - spread[0])).abs() < 1e-12);
    // Two of the three freedoms give no less than three, and no more than none.
    let mut last = 0.0;
    for n in (0..=6).rev() {
        let leeway = Leeway { free: Twist::all(50.0)[..n].to_vec(), ..free() };
        let v = values(&SurfaceProfile { leeway, ..rule(0.1, -0.1) }, std::slice::from_ref(&bumpy));
        let worst = v[1].max(-v[0]);
        assert!(worst >= last - 2e-9, "{n} free: {worst} {last}");
        last = worst;
    }
}

/// A sphere's cap seen from its nominal: a shift is found back, whatever the axes are.
#[test]
fn surfaces_are_moved_together_and_with_their_axes() {
    let random = &mut Random::seeded(5);
    let mut cap = Surface::default();
    for _ in 0..3000 {
        let way = random.direction();
        let form = 0.02 * way.vector().x * way.vector().y;
        cap.points.push(Point::from(way.vector() * (50.0 + form) + Vector::new(0.1, -0.05, 0.2)));
        cap.normals.push(way);
        let along = way.vector().dot(&Vector::new(0.1, -0.05, 0.2));
        cap.deviations_mm.push(form + along);
    }
    let half = cap.points.len() / 2;
    let part = |r: std::ops::Range<usize>| Surface {
        points: cap.points[r.clone()].to_vec(),
        normals: cap.normals[r.clone()].to_vec(),
        deviations_mm: cap.deviations_mm[r].to_vec(),
        ..Surface::default()
    };
    let both = [part(0..half), part(half..3000)];
    let shifts = Leeway {
        centre: Point::origin(),
        free: Twist::all(50.0)[..3].to_vec(),
        bounds: Vec::new(),
        zone_shifts: false,
    };
    let one = SurfaceProfile { leeway: shifts, ..rule(0.1, -0.1) };
    let group = SurfaceProfile { surfaces: 2, ..one.clone() };
    let together = values(&group, &both);
    let whole = values(&one, std::slice::from_ref(&cap));
    assert!(together.iter().zip(&whole).all(|(a, b)| (a - b).abs() < 1e-8), "{together:?} {whole:?}");
    // The form has extremes of +-0.01 and is even: no shift helps.
    assert!((whole[1] - 0.01).abs() < 2e-4 && (whole[0] + 0.01).abs() < 2e-4, "{whole:?}");
    assert_eq!(group.measure(&quiet(), &both).unwrap().instances.len(), 4);

    let motion: Motion<PartFrame, PartFrame> =
        Motion::from_turn_and_shift(Vector::new(0.5, 0.8, -1.0), Vector::new(900.0, -100.0, 400.0));
    let there = Surface {
        points: cap.points.iter().map(|p| motion.point(p)).collect(),
        normals: cap.normals.iter().map(|n| motion.direction(*n)).collect(),
        deviations_mm: cap.deviations_mm.clone(),
        ..Surface::default()
    };
    let moved = values(&one, &[there]);
    assert!(moved.iter().zip(&whole).all(|(a, b)| (a - b).abs() < 1e-7), "{moved:?} {whole:?}");
    let mut reversed = cap.clone();
    reversed.points.reverse();
    reversed.normals.reverse();
    reversed.deviations_mm.reverse();
    let again = values(&one, &[reversed]);
    assert!(again.iter().zip(&whole).all(|(a, b)| (a - b).abs() < 1e-8));
}

#[test]
fn no_points_and_no_room_are_refused() {
    let flat = face(|_, _| 0.0);
    for bad in [rule(0.1, 0.1), rule(f64::NAN, -0.1), rule(0.1, f64::NEG_INFINITY)] {
        assert!(matches!(bad.measure(&quiet(), std::slice::from_ref(&flat)), Err(RuleError::Missing(_))));
    }
    let lacking = SurfaceProfile { surfaces: 2, ..rule(0.1, -0.1) };
    assert!(matches!(lacking.measure(&quiet(), &[flat]), Err(RuleError::Missing(_))));
    assert!(rule(0.1, -0.1).measure(&quiet(), &[Surface::default()]).is_err());
    let mut bad = two(0.0, 0.1);
    bad.deviations_mm[1] = f64::NAN;
    assert!(matches!(rule(0.1, -0.1).measure(&quiet(), &[bad]), Err(RuleError::Fit(_))));
    // One point that may move goes to the middle of its zone.
    let mut one = two(0.05, 0.0);
    one.points.truncate(1);
    one.normals.truncate(1);
    one.deviations_mm.truncate(1);
    let found = values(&SurfaceProfile { leeway: free(), ..rule(0.1, -0.1) }, &[one]);
    assert!(found.iter().all(|v| v.abs() < 1e-8), "{found:?}");
}
