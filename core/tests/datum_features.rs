//! Datums of every kind and association on made sheets whose place and form are known: where each datum must lie follows
//! by hand.

#![allow(clippy::unwrap_used, reason = "a check stops where something is not as told")]

use std::f64::consts::TAU;

use scantling_core::datum::{DatumError, establish_by_points};
use scantling_core::geometry::random::Random;
use scantling_core::geometry::{Motion, PartFrame, Point, ScanFrame, Vector, math};
use scantling_core::plan::{BoundFeature, Condition, FeatureKind, Situation};
use scantling_core::points::{Coordinates, PointSet, read as read_points};
use scantling_core::run::quiet;
use scantling_core::scan::LengthUnit;

mod sheets;

use sheets::{Case, datums, near, one};

/// A crowned along x by 0.3 mm from middle to ends, of which a strip of 1 mm is left out: 0.288 mm. Its mean lies a third
/// of that below the crown, the middle of its narrowest zone a half, and outside the material it is touched on the crown.
/// B as well, against y, along x; it may only shift and turn about z. Tolerance: extremes of filtered noise of 0.01 mm,
/// four standard deviations of about 0.004 mm, up to twice as much at the rim.
#[test]
fn crowned_planes_lie_where_each_association_says() {
    let case = Case::new();
    let crown = |x: f64| -0.3 * ((x - 50.0) / 50.0) * ((x - 50.0) / 50.0);
    let made = case.scan(1, &|name, p| match name {
        "A" => Vector::z() * crown(p.x),
        "B" => -Vector::y() * crown(p.x),
        _ => Vector::zeros(),
    });
    for (association, below, within) in [
        // Cells that the rim cuts count in full.
        ("least_squares", 0.096, 0.005),
        ("minimum_zone", 0.144, 0.015),
        ("least_squares_outside", 0.0, 0.025),
        ("minimax_outside", 0.0, 0.025),
    ] {
        let system = datums(&[("A", "A", association), ("B", "B", association), ("C", "C", "least_squares")]);
        let placed = case.placed(&system, &made);
        let moved = placed.moved(50.0, 30.0, 0.0);
        near(moved.z, below, within, association);
        near(placed.moved(50.0, 0.0, -11.0).y, -below, within, association);
        near(placed.moved(0.0, 30.0, -11.0).x, 0.0, 0.01, association);
        assert!(
            placed.part_from_made.turn_rad() < 8e-4,
            "{association}: {}",
            placed.part_from_made.turn_rad()
        );
        assert!(placed.found.free.is_empty() && placed.found.loose.is_empty());
        let locks = placed.locks();
        assert_eq!(locks[0].1, ["tz", "rx", "ry"], "{association}");
        assert_eq!(locks[1].1, ["ty", "rz"], "{association}");
        assert_eq!(locks[2].1, ["tx"], "{association}");
        let sure = placed.standard_mm(Point::new(50.0, 30.0, 0.0), Vector::z());
        assert!(sure > 1e-5 && sure < 0.02, "{association}: {sure}");
        assert!((moved.z - below).abs() < 4.0 * sure + 0.003, "{association}: {} {sure}", moved.z);
    }
    let bare = case.establish(
        &case.plan(
            false,
            &datums(&[
                ("A", "A", "minimax_outside"),
                ("B", "B", "least_squares"),
                ("C", "C", "least_squares"),
            ]),
        ),
        &made,
    );
    let Err(error) = bare else { panic!("contacts on points that are not filtered") };
    assert!(error.to_string().contains("`filter`"), "{error}");
}

/// B leans by 4 mrad about x against A: whichever is first is met in full.
#[test]
fn the_order_of_precedence_matters() {
    let case = Case::new();
    let lean = 0.004;
    let made = case.scan(2, &|name, p| match name {
        "B" => Vector::y() * (lean * (p.z + 11.0)),
        _ => Vector::zeros(),
    });
    for association in ["least_squares", "least_squares_outside", "minimax_outside"] {
        let turn = |first: &str, second: &str| {
            let system =
                datums(&[("A", first, association), ("B", second, association), ("C", "C", association)]);
            let placed = case.placed(&system, &made);
            // Of the z axis in y.
            placed.part_from_made.vector(&Vector::z()).y
        };
        near(turn("A", "B"), 0.0, 3e-4, association);
        near(turn("B", "A"), -lean, 8e-4, association);
    }
}

/// A bore alone, made off its place and leaning: its axis locks four freedoms, and the shift along it and the turn about
/// it are named as free and stay where they were. Three lobes change its size and not its axis.
#[test]
fn a_bore_locks_four_freedoms_and_the_rest_is_told_as_free() {
    let case = Case::new();
    let off = Vector::new(0.2, -0.1, 0.0);
    let made = case.scan(3, &|name, p| {
        let d = Vector::new(p.x - 25.0, p.y - 30.0, 0.0);
        if name != "H1" {
            return Vector::zeros();
        }
        let t = math::atan2(d.y, d.x);
        off + Vector::x() * (0.01 * (p.z + 11.0)) + d.normalize() * (0.03 * math::cos(3.0 * t))
    });
    for association in
        ["least_squares", "minimum_zone", "minimax_outside", "maximum_inscribed", "least_squares_outside"]
    {
        let placed = case.placed(&datums(&[("A", "H1", association)]), &made);
        // The axis of the made bore lies on that of the nominal one.
        for z in [-21.0, -11.0, -1.0] {
            let axis = Point::new(25.2 + 0.01 * (z + 11.0), 29.9, z);
            let there = placed.part_from_made.point(&axis);
            near(there.x, 25.0, 0.02, association);
            near(there.y, 30.0, 0.02, association);
        }
        assert_eq!(placed.found.free.len(), 2, "{association}");
        for twist in &placed.found.free {
            // On the axis nothing moves but along it.
            for z in [-20.0, 0.0] {
                let moved = twist.at(placed.found.centre, &Point::new(25.0, 30.0, z));
                assert!(moved.x.abs() < 1e-6 && moved.y.abs() < 1e-6, "{association} {moved}");
            }
        }
        // Where the start has it.
        let axis = Point::new(25.2, 29.9, -11.0);
        let start = placed.start.point(&axis).z;
        // But for what it leans, 0.01 rad, over what it is off.
        near(placed.part_from_made.point(&axis).z, start, 4e-3, association);
        let locks = placed.locks();
        assert_eq!(locks[0].1.len(), 4, "{locks:?}");
        assert!(!locks[0].1.iter().any(|l| l == "tz" || l == "rz"), "{locks:?}");
        let sure = placed.standard_mm(placed.found.centre, Vector::z());
        assert!(sure < 1e-6, "{association}: nothing is uncertain along what is free: {sure}");
    }
    let shaft = case.establish(&case.plan(true, &datums(&[("A", "H1", "minimum_circumscribed")])), &made);
    assert!(matches!(shaft, Err(DatumError::Together { .. })), "a bore has no circumscribed cylinder");
}

/// A groove whose sides stand 0.1 and 0.3 mm into it: its middle lies 0.1 mm off. One side crowned by 0.2 mm into the
/// groove: inscribed, the middle goes by the crown.
#[test]
fn a_groove_locks_by_its_middle() {
    let case = Case::new();
    let made = case.scan(4, &|name, _| match name {
        "G1" => Vector::x() * 0.1,
        "G2" => -Vector::x() * 0.3,
        _ => Vector::zeros(),
    });
    for association in
        ["least_squares", "minimum_zone", "maximum_inscribed", "minimax_outside", "least_squares_outside"]
    {
        let system =
            datums(&[("A", "A", "least_squares"), ("B", "G", association), ("C", "B", "least_squares")]);
        let placed = case.placed(&system, &made);
        near(placed.moved(50.0, 12.0, -11.0).x, 0.1, 0.012, association);
        assert!(placed.found.free.is_empty(), "{association}");
        let locks = placed.locks();
        assert_eq!(locks[1].1, ["tx", "rz"], "{association}");
        assert_eq!(locks[2].1, ["ty"], "{association}");
    }
    let crowned = case.scan(5, &|name, p| match name {
        "G1" => Vector::x() * (0.2 - 0.2 * ((p.y - 12.5) / 7.5) * ((p.y - 12.5) / 7.5)),
        _ => Vector::zeros(),
    });
    for (association, middle) in [("least_squares", 0.5 * 0.2 * 2.0 / 3.0), ("maximum_inscribed", 0.1)] {
        let system =
            datums(&[("A", "A", "least_squares"), ("B", "G", association), ("C", "B", "least_squares")]);
        let placed = case.placed(&system, &crowned);
        // Strips along the rims are left out, so the mean of the crown is a little higher.
        near(placed.moved(50.0, 12.5, -11.0).x, -middle, 0.02, association);
    }
}

/// A slot after a plane and a bore turns the part until its middle is in place: 0.1 mm off at 50 mm from the bore are 2 mrad. Wider
/// flanks and one that tapers have the same middle. A taper is form: each flank's mean is known to its root mean square over the root
/// of the places 2.5 mm apart along it (common practice, no source), the middle to half of both.
#[test]
fn a_slot_turns_the_part_by_its_middle() {
    let case = Case::new();
    let taper = 0.02 / 15.0;
    let made = case.scan(31, &|name, p| match name {
        "T1" => Vector::y() * (0.1 - 0.05),
        "T2" => Vector::y() * (0.1 + 0.05 + taper * (p.x - 75.0)),
        _ => Vector::zeros(),
    });
    let stated = "[[feature]]\nid = \"S\"\nkind = \"slot\"\nslot = { at_mm = [75, 50, -11], axis = [0, 0, 1], along = [1, 0, 0], \
                  width_mm = 6, length_mm = 30 }\n";
    let system =
        datums(&[("A", "A", "least_squares"), ("B", "H1", "least_squares"), ("C", "S", "least_squares")]);
    let (plan, mut faces) = case.plan_with(true, stated, &system);
    // A mesh of two flanks without ends does not say that they are one slot.
    let mesh = case.nominal.mesh();
    let on_flank = |t: &u32| {
        let inside =
            |p: Point| p.x > 59.9 && p.x < 90.1 && ((p.y - 50.0).abs() - 3.0).abs() < 1e-3 && p.z < -0.9;
        mesh.corners(*t).into_iter().all(inside)
    };
    let slot = plan.features.iter().position(|f| f.id == "S").unwrap();
    faces.features[slot].triangles = (0..mesh.triangles().len() as u32).filter(on_flank).collect();
    assert_eq!(faces.features[slot].triangles.len(), 2 * 2 * 12 * 8);
    let placed = case.establish(&(plan, faces), &made).unwrap();
    near(placed.part_from_made.vector(&Vector::x()).y, -0.1 / 50.0, 6e-5, "the turn");
    let middle = placed.part_from_made.point(&Point::new(75.0, 50.1, -11.0));
    near(middle.y, 50.0, 3e-3, "the middle of the slot");
    assert_eq!(placed.locks()[2].1, ["rz"], "{:?}", placed.locks());
    // The turn tapers one flank by 2 mrad and the other by what is left of its own.
    let of_flank = |off: f64| off * off / 3.0 / (30.0 / 2.5);
    let sure = 0.5 * f64::sqrt(of_flank(0.03) + of_flank(0.03 - 0.02));
    near(placed.standard_mm(Point::new(75.0, 50.0, -11.0), Vector::y()) / sure, 1.0, 0.1, "how sure it is");
}

/// A ball as the first datum: three shifts, and three turns about its centre that stay free.
#[test]
fn a_ball_locks_three_shifts() {
    let case = Case::new();
    let off = Vector::new(0.15, -0.2, 0.1);
    let made = case.scan(6, &|name, _| if name == "K" { off } else { Vector::zeros() });
    for association in ["least_squares", "minimum_zone", "minimax_outside"] {
        let (mut plan, mut faces) = case.plan(true, &datums(&[("A", "H1", association)]));
        let k = plan.features.iter().position(|f| f.id == "K").unwrap();
        let h = plan.features.iter().position(|f| f.id == "H1").unwrap();
        // As a nominal with exact faces has it.
        let centre = Point::new(50.0, 45.0, 12.0);
        let ball = Situation::Sphere { at: centre, diameter_mm: 16.0, hollow: false };
        faces.features[h] =
            BoundFeature { situation: ball, kind: FeatureKind::Sphere, ..faces.features[k].clone() };
        plan.features[h].kind = FeatureKind::Sphere;
        let placed = case.establish(&(plan, faces), &made).unwrap_or_else(|e| panic!("{association}: {e}"));
        let there = placed.part_from_made.point(&(centre + off));
        assert!((there - centre).norm() < 0.02, "{association}: {there}");
        assert_eq!(placed.found.free.len(), 3, "{association}");
        for twist in &placed.found.free {
            assert!(twist.at(placed.found.centre, &centre).norm() < 1e-6, "{association}");
        }
    }
}

/// Two bores as one datum after A: made 0.2 mm off in their distance and turned by 4 mrad. Both are met halfway, and the
/// turn is theirs.
#[test]
fn a_pattern_of_bores_is_one_datum() {
    let case = Case::new();
    let made = case.scan(7, &|name, _| match name {
        "H1" => Vector::new(0.2, 0.1, 0.0),
        "H2" => Vector::new(0.0, -0.1, 0.0),
        _ => Vector::zeros(),
    });
    for (association, features, within) in [
        ("least_squares", "[\"H1\", \"H2\"]", 0.004),
        ("least_squares", "[\"O1\", \"O2\"]", 0.004),
        ("minimum_zone", "[\"H1\", \"H2\"]", 0.02),
        ("minimax_outside", "[\"H1\", \"H2\"]", 0.02),
    ] {
        let system = format!(
            "datum = [\n{}  {{ letter = \"B\", features = {features}, association = \"{association}\" }} ]",
            one("A", "A", "least_squares")
        );
        let placed = case.placed(&system, &made);
        assert!(placed.found.free.is_empty(), "{association}");
        let middle = placed.moved(50.1, 30.0, -11.0);
        near(middle.x, -0.1, within, association);
        near(middle.y, 0.0, within, association);
        near(placed.part_from_made.vector(&Vector::x()).y, 0.2 / 49.8, 2.0 * within / 50.0, association);
        let locks = placed.locks();
        assert_eq!(locks.len(), 3);
        assert_eq!((locks[1].1.len(), locks[2].1.len()), (3, 3), "{locks:?}");
        // Each bore is missed by 0.1 mm.
        let left = placed.found.datums[1].residual_mm.unwrap();
        assert!(left > 0.08, "{left}");
    }
    let (plan, _) = case.plan(
        true,
        "datum = [\n  { letter = \"A\", features = [\"H1\", \"H2\"], association = \"maximum_inscribed\" } ]",
    );
    assert!(!scantling_core::datum::served(&plan, &plan.datum_systems[0]));
}

/// Three planes that face three ways as one datum hold the part as three datums, but share their errors.
#[test]
fn three_planes_are_one_datum() {
    let case = Case::new();
    let made = case.scan(8, &|name, _| match name {
        "A" => Vector::z() * 0.1,
        "B" => -Vector::y() * 0.2,
        "C" => -Vector::x() * 0.3,
        _ => Vector::zeros(),
    });
    for association in ["least_squares", "minimum_zone", "minimax_outside"] {
        let system = format!(
            "datum = [ {{ letter = \"A\", features = [\"A\", \"B\", \"C\"], association = \"{association}\" }} ]"
        );
        let placed = case.placed(&system, &made);
        assert!(placed.found.free.is_empty());
        let off = placed.moved(40.0, 30.0, -10.0) - Vector::new(0.3, 0.2, -0.1);
        // Outside the material of each plane by the extremes of its filtered noise.
        let outward = [off.x, off.y, -off.z];
        let (low, high) = if association == "minimax_outside" { (0.0, 0.05) } else { (-0.02, 0.02) };
        assert!(outward.iter().all(|o| (low..high).contains(o)), "{association}: {outward:?}");
    }
}

#[test]
fn a_datum_locks_only_what_it_may() {
    let case = Case::new();
    let made = case.scan(9, &|name, p| match name {
        "B" => Vector::y() * (0.3 + 0.004 * (p.x - 50.0)),
        _ => Vector::zeros(),
    });
    let system = format!(
        "datum = [\n{}  {{ letter = \"B\", feature = \"B\", association = \"least_squares\", locks = [\"rz\"] }},\n{} ]",
        one("A", "A", "least_squares"),
        one("C", "G", "least_squares")
    );
    let placed = case.placed(&system, &made);
    let locks = placed.locks();
    assert_eq!(locks[1].1, ["rz"], "{locks:?}");
    assert_eq!(locks[2].1, ["tx"], "{locks:?}");
    near(placed.part_from_made.vector(&Vector::x()).y, -0.004, 2e-4, "the turn of B");
    assert_eq!(placed.found.free.len(), 1);
    let free = placed.found.free[0];
    assert!(free.turn.norm() < 1e-9 && (free.shift.y.abs() - 1.0).abs() < 1e-9, "{free:?}");
    // Along y the part is not where B stands.
    assert!(placed.moved(50.0, 0.0, -11.0).y.abs() < 0.2);
}

/// A hole at maximum material: established as regardless of size, and loose in x and y; the turn that nothing holds is
/// free and not loose.
#[test]
fn a_datum_at_maximum_material_is_told_as_loose() {
    let case = Case::new();
    let made = case.scan(10, &|_, _| Vector::zeros());
    let system = format!(
        "datum = [\n{}  {{ letter = \"B\", feature = \"O1\", association = \"least_squares\", condition = \"maximum_material\", boundary_mm = 15.8 }},\n{} ]",
        one("A", "A", "least_squares"),
        one("C", "O2", "least_squares")
    );
    let (plan, faces) = case.plan(true, &system);
    let placed = case.establish(&(plan.clone(), faces), &made).unwrap();
    assert!(placed.found.free.is_empty());
    let [loose] = placed.found.loose.as_slice() else { panic!("{:?}", placed.found.loose) };
    assert_eq!(plan.features[loose.feature].id, "O1");
    assert_eq!((loose.boundary_mm, loose.condition), (15.8, Condition::MaximumMaterial));
    assert_eq!(loose.twists.len(), 2);
    for twist in &loose.twists {
        // A keeps z, C still clocks: the second hole does not leave the line that its datum holds.
        let second = twist.at(placed.found.centre, &Point::new(75.0, 30.0, -11.0));
        assert!(second.y.abs() < 1e-4 && second.z.abs() < 1e-9, "{twist:?}");
        assert!(twist.turn.x.abs() < 1e-12 && twist.turn.y.abs() < 1e-12);
    }
    assert!((placed.moved(25.0, 30.0, -11.0)).norm() < 0.01);
}

/// B and C hold all but the height; A is stepped by 0.2 mm on three tenths of its length. Least squares takes the mean of
/// it, minimax the middle, and what a plane cannot hold stays free without the datums.
#[test]
fn a_best_fit_takes_up_what_the_datums_leave() {
    let case = Case::new();
    let made = case.scan(11, &|name, p| match name {
        "A" if p.x > 70.0 => Vector::z() * 0.2,
        _ => Vector::zeros(),
    });
    let held = datums(&[("B", "B", "least_squares"), ("C", "C", "least_squares")]);
    for (criterion, height, within) in [("least_squares", 0.06, 0.004), ("minimax", 0.1, 0.012)] {
        let system = format!("{held}\nbest_fit = {{ feature = [\"A\"], criterion = \"{criterion}\" }}");
        let placed = case.placed(&system, &made);
        near(placed.moved(50.0, 30.0, 0.0).z, -height, within, criterion);
        assert!(placed.found.free.is_empty(), "{criterion}");
        let last = placed.found.datums.last().unwrap();
        assert_eq!((last.letter.as_str(), last.feature.as_str()), ("best fit", "A"));
        assert_eq!(last.locks, ["tz"], "{criterion}");
        assert!(last.residual_mm.unwrap() > 0.05);
        let sure = placed.standard_mm(Point::new(50.0, 30.0, 0.0), Vector::z());
        assert!(sure > 1e-5 && sure < 0.02, "{criterion}: {sure}");
    }
    let alone = case.placed("best_fit = { feature = [\"A\"], criterion = \"least_squares\" }", &made);
    assert_eq!(alone.found.free.len(), 3);
    for twist in &alone.found.free {
        assert!(twist.turn.x.abs() < 1e-6 && twist.turn.y.abs() < 1e-6, "{twist:?}");
    }
    let all = case.placed(
        "best_fit = { feature = [\"B\", \"C\", \"H1\", \"K\"], weight = [1, 2, 1, 1], criterion = \"least_squares\" }",
        &made,
    );
    assert!(all.found.free.is_empty());
    for corner in [[0., 0., 0.], [100., 60., 0.], [100., 0., -20.]] {
        let moved = all.moved(corner[0], corner[1], corner[2]);
        assert!(moved.norm() < 0.01, "{moved}");
    }
}

/// Two faces across x of which one lies 0.1 mm off: weights of 1 and 3 share it by least squares as the weighted mean does, and by
/// the largest deviation so that both weigh alike: 0.025 mm either way, but for what filtered noise of 0.01 mm reaches. What each
/// leaves over is its distance and its noise.
#[test]
fn weights_of_a_best_fit_share_what_its_features_contradict() {
    let case = Case::new();
    let made = case.scan(41, &|name, _| if name == "G1" { Vector::x() * 0.1 } else { Vector::zeros() });
    let held = datums(&[("A", "A", "least_squares"), ("B", "B", "least_squares")]);
    for (criterion, within) in [("least_squares", 0.001), ("minimax", 0.016)] {
        for (weights, shift) in [([1, 3], 0.025), ([3, 1], 0.075)] {
            let fit = format!(
                "best_fit = {{ feature = [\"G1\", \"G2\"], weight = {weights:?}, criterion = \"{criterion}\" }}"
            );
            let placed = case.placed(&format!("{held}\n{fit}"), &made);
            near(placed.moved(50.0, 12.0, -11.0).x, -shift, within, criterion);
            let last = &placed.found.datums[2..];
            assert_eq!([&last[0].feature, &last[1].feature], ["G1", "G2"]);
            assert_eq!(last[0].locks, ["tx"]);
            for (datum, off) in last.iter().zip([0.1 - shift, shift]) {
                near(datum.residual_mm.unwrap(), f64::sqrt(off * off + 1e-4), within + 5e-4, &datum.feature);
            }
        }
    }
}

/// A face whose form is waves of `s` (root mean square) is met by the mean of what was seen of it; form repeats within 2.5 mm
/// (common practice, no source), so the height errs by s over the root of the number of places (JCGM 100:2008, 4.2.3), or a
/// little more where some of it was not seen. Twice the form errs twice as much. What the fit cannot move keeps the uncertainty that its datums have.
#[test]
fn a_best_fit_is_as_sure_as_the_form_of_its_feature_allows() {
    let case = Case::new();
    let waves = |p: Point, a: f64| a * math::sin(TAU * p.x / 20.0) * math::sin(TAU * p.y / 20.0);
    let held = datums(&[("B", "B", "least_squares"), ("C", "C", "least_squares")]);
    let fit = format!("{held}\nbest_fit = {{ feature = [\"A\"], criterion = \"least_squares\" }}");
    let alone = "best_fit = { feature = [\"A\"], criterion = \"least_squares\" }";
    let (middle, corner) = (Point::new(50.0, 30.0, 0.0), Point::new(100.0, 60.0, 0.0));
    let mut before: Option<[f64; 3]> = None;
    for amplitude in [0.05, 0.1] {
        let made = case.scan(21, &|name, p| match name {
            "A" => Vector::z() * waves(p, amplitude),
            _ => Vector::zeros(),
        });
        let placed = case.placed(&fit, &made);
        // A strip of 1 mm along the rim is left out.
        let form = amplitude / 2.0;
        let height = form / f64::sqrt(98.0 * 58.0 / 6.25);
        let datums_only = case.placed(&held, &made);
        for p in [middle, corner, Point::new(0.0, 0.0, -21.0)] {
            for along in [Vector::x(), Vector::y()] {
                let own = datums_only.standard_mm(p, along);
                near(placed.standard_mm(p, along) / own, 1.0, 0.02, "what the datums hold");
            }
        }
        // Alone it tilts too: the variance at a corner of an even rectangle is 1 + 3 + 3 times that of the middle (normal
        // equations); cells that the rim cuts count in full.
        let tilting = case.placed(alone, &made);
        let found =
            [middle, corner, Point::new(100.0, 30.0, 0.0)].map(|p| tilting.standard_mm(p, Vector::z()));
        near(found[0] / height, 1.5, 0.5, "the height");
        near(found[1] / found[0] / f64::sqrt(7.0), 1.0, 0.03, "a corner");
        if let Some(before) = before {
            for (now, before) in found.iter().zip(before) {
                near(now / before, 2.0, 0.2, "twice the form");
            }
        }
        before = Some(found);
    }
}

/// A line on B holds y and the turn about z as B itself does.
#[test]
fn a_target_line_holds_as_the_plane_under_it() {
    let case = Case::new();
    let made = case.scan(12, &|name, p| match name {
        "B" => Vector::y() * (0.1 + 0.003 * (p.x - 50.0)),
        _ => Vector::zeros(),
    });
    let line = "  { letter = \"B\", targets = [ { id = \"B1\", at_mm = [5, 0, -11], line_to_mm = [95, 0, -11], \
                direction = [0, -1, 0], patch_radius_mm = 2 } ] },\n";
    let system =
        format!("datum = [\n{}{line}{} ]", one("A", "A", "least_squares"), one("C", "C", "least_squares"));
    let placed = case.placed(&system, &made);
    assert!(placed.found.free.is_empty());
    near(placed.part_from_made.vector(&Vector::x()).y, -0.003, 2e-4, "the turn of the line");
    near(placed.moved(50.0, 0.0, -11.0).y, -0.1, 0.006, "the place of the line");
    let sure = placed.standard_mm(Point::new(50.0, 0.0, -11.0), Vector::y());
    assert!(sure > 1e-4 && sure < 0.01, "{sure}");
}

/// What is left free moves with the start, what is locked does not, and the same input gives the same bits.
#[test]
fn the_same_scan_gives_the_same_bits() {
    let case = Case::new();
    let made = case.scan(13, &|_, _| Vector::zeros());
    let system = datums(&[("A", "A", "minimax_outside"), ("B", "H1", "maximum_inscribed")]);
    let (first, second) = (case.placed(&system, &made), case.placed(&system, &made));
    assert_eq!(first.found.part_from_scan, second.found.part_from_scan);
    assert_eq!(first.found.covariance, second.found.covariance);
    assert_eq!(first.found.free.len(), 1);
    let pole = first.found.free[0].at(first.found.centre, &Point::new(25.0, 30.0, 0.0));
    assert!(pole.norm() < 1e-6, "the turn left is about the bore: {pole}");
}

/// Three holes by their centres as one datum after a plane, taken by a machine in its own axes: the pattern is met by
/// least squares of the centres, by the closed form of a small turn and shift in the plane.
#[test]
fn centres_taken_by_a_machine_make_one_datum() {
    let case = Case::new();
    let holes = [("Q1", 25.0, 30.0), ("Q2", 75.0, 30.0), ("Q3", 50.0, 52.0)];
    let offs = [[3e-4, 1e-4], [-2e-4, 0.0], [1e-4, 6e-4]];
    let mut stated = String::new();
    for (id, x, y) in holes {
        stated += &format!("[[feature]]\nid = \"{id}\"\nkind = \"hole\"\n");
        stated += &format!("hole = {{ at_mm = [{x}, {y}, -11], axis = [0, 0, 1] }}\n");
    }
    let pattern = |association: &str| {
        format!(
            "datum = [\n{}  {{ letter = \"B\", features = [\"Q1\", \"Q2\", \"Q3\"], association = \"{association}\" }} ]",
            one("A", "A", "least_squares")
        )
    };
    let (plan, faces) = case.plan_with(true, &stated, &pattern("least_squares"));
    let mut random = Random::seeded(14);
    let machine: Motion<ScanFrame, PartFrame> =
        Motion::from_turn_and_shift(random.turn(), Vector::new(900.0, 20.0, -40.0));
    let mut file = "name,role,x,y,z,u\n".to_owned();
    let mut take = |name: &str, role: &str, p: Point| {
        let p = machine.point(&p);
        file += &format!("{name},{role},{},{},{},0.002\n", p.x, p.y, p.z);
    };
    for (x, y) in [(5.0, 5.0), (95.0, 5.0), (95.0, 55.0), (5.0, 55.0), (50.0, 30.0)] {
        take("A", "surface", Point::new(x, y, 0.0));
    }
    for ((id, x, y), off) in holes.iter().zip(offs) {
        take(id, "centre", Point::new(x + off[0], y + off[1], -11.0));
    }
    let points = read_points(file.as_bytes(), LengthUnit::Millimetre, None, &quiet()).unwrap();
    let set = PointSet { points, coordinates: Coordinates::Instrument };
    let found = establish_by_points(&set, &plan.datum_systems[0], &plan, &faces).unwrap();
    let part_from_made = found.part_from_points * machine;
    let mean = |k: usize| offs.iter().map(|o| o[k]).sum::<f64>() / 3.0;
    let (mut turn, mut square) = (0.0, 0.0);
    for ((_, x, y), off) in holes.iter().zip(offs) {
        let (rx, ry) = (x - 50.0, y - 112.0 / 3.0);
        turn += rx * off[1] - ry * off[0];
        square += rx * rx + ry * ry;
    }
    near(part_from_made.vector(&Vector::x()).y, -turn / square, 1e-9, "the turn");
    let middle = Point::new(50.0 + mean(0), 112.0 / 3.0 + mean(1), -11.0);
    let there = part_from_made.point(&middle);
    assert!((there - Point::new(50.0, 112.0 / 3.0, -11.0)).norm() < 1e-8, "{there}");
    assert!(found.free.is_empty() && found.covariance.is_some());
    assert_eq!(found.datums[1].locks.len(), 3, "{:?}", found.datums);
    // Contacts are for scans.
    let (by_contacts, faces) = case.plan_with(true, &stated, &pattern("minimum_zone"));
    let refused = establish_by_points(&set, &by_contacts.datum_systems[0], &by_contacts, &faces).unwrap_err();
    assert!(refused.to_string().contains("filtered"), "{refused}");
}
