//! Several parts made of small cubes in one scan. Whole arrangements are tried in `core/tests/instances.rs`.

use super::super::bracket::{View, bracket, cubes, scan, slab};
use super::super::locate::{locate, settle};
use super::super::mirror::other_hand;
use super::super::refine::apart_mm;
use super::*;
use crate::geometry::Point;
use crate::geometry::{Direction, Vector, random::Random};
use crate::read::RawScan;
use crate::run::quiet;
use crate::scan::LengthUnit;

type Points = Vec<(Point, Direction)>;

fn nominal(mesh: &TriangleMesh) -> Nominal {
    let raw = RawScan {
        points: mesh.vertices().to_vec(),
        normals: None,
        triangles: mesh.triangles().to_vec(),
        ..RawScan::default()
    };
    Nominal::from_mesh(raw, LengthUnit::Millimetre, None, &quiet()).unwrap()
}

fn as_scan(points: &Points) -> Scan {
    let normals = Some(points.iter().map(|p| p.1.vector()).collect());
    let raw = RawScan { points: points.iter().map(|p| p.0).collect(), normals, ..RawScan::default() };
    Scan::new(raw, LengthUnit::Millimetre, &quiet()).unwrap()
}

fn find(mesh: &TriangleMesh, points: &Points) -> Instances {
    let nominal = nominal(mesh);
    let tree = SurfaceTree::new(nominal.mesh());
    // Without the second, wider search, which only what does not hold would see.
    searched(&quiet(), nominal.mesh(), &tree, &as_scan(points), &InstancesSettings::default(), false).unwrap()
}

/// A scan of a part with its true pose, moved so that its middle lies `x_mm` along x.
fn at(mesh: &TriangleMesh, view: &View, x_mm: f64) -> (Points, Pose) {
    let (points, normals, pose) = scan(mesh, view);
    let middle = pose.inverse().point(&mesh.bounds().centre());
    let shift = Point::new(x_mm, 0.0, 0.0) - middle;
    let back = Motion::from_turn_and_shift(Vector::zeros(), -shift);
    (points.iter().map(|p| p + shift).zip(normals).collect(), pose * back)
}

fn view(seed: u64) -> View {
    View { seed, count: 20_000, ..View::default() }
}

/// Two brackets 250 mm apart, one of the other hand, and a block.
fn four(count: usize) -> (TriangleMesh, Points, [Pose; 3]) {
    let mesh = bracket();
    let view = |seed| View { count, ..view(seed) };
    let (mut all, one) = at(&mesh, &view(1), 0.0);
    let (more, two) = at(&mesh, &view(2), 250.0);
    all.extend(more);
    let (more, mirrored) = at(&other_hand(&mesh), &view(3), 500.0);
    all.extend(more);
    all.extend(at(&slab([110.0, 70.0, 20.0], &[], 2.0), &view(4), 750.0).0);
    (mesh, all, [one, two, mirrored])
}

#[test]
fn two_brackets_one_of_the_other_hand_and_a_block_are_told_apart() {
    let (mesh, points, truths) = four(20_000);
    let found = find(&mesh, &points);
    let [
        Finding::Instance(one),
        Finding::Instance(two),
        Finding::OtherHand(other),
        Finding::NotThisPart(block),
    ] = &found.findings[..]
    else {
        panic!("{found:?}")
    };
    let mirrored = other_hand(&mesh);
    let scan = as_scan(&points);
    for (i, truth, mesh) in [(one, truths[0], &mesh), (two, truths[1], &mesh), (other, truths[2], &mirrored)]
    {
        let tree = SurfaceTree::new(mesh);
        let own: Vec<Point> = i.points.iter().map(|&p| scan.points().at(p as usize)).collect();
        let normals: Vec<Direction> =
            i.points.iter().map(|&p| scan.normals().unwrap().at(p as usize)).collect();
        let ends = |from: &Pose| settle(mesh, &tree, &own, Some(&normals), from, &LocateSettings::default());
        let off = apart_mm(&ends(&i.part_from_scan), &ends(&truth), &mesh.bounds());
        assert!(off < 0.5, "{off} mm: {:?}", i.part_from_scan);
        assert!(i.points.len() > 19_000 && i.points.is_sorted(), "{}", i.points.len());
        assert!(i.evidence_of_hand.unwrap().0 >= 40);
    }
    assert!(block.points.len() > 19_000 && block.points.iter().all(|&p| p >= 60_000));
    assert!(matches!(block.why, LocateError::NoFit { .. }), "{}", block.why);
    assert!((block.bounds.centre().x - 750.0).abs() < 60.0);
}

#[test]
fn the_findings_have_the_same_bits_on_one_thread_and_on_three() {
    // One of the other hand goes through every search there is.
    let mesh = bracket();
    let points = at(&other_hand(&mesh), &View { count: 6000, ..view(3) }, 0.0).0;
    let on = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        pool.install(|| find(&mesh, &points))
    };
    let one = on(1);
    assert!(matches!(&one.findings[..], [Finding::OtherHand(_)]), "{one:?}");
    assert_eq!(one, on(3));
}

#[test]
fn a_plate_that_is_its_own_mirror_image_has_no_other_hand() {
    // Turned over, a flat plate is its mirror image.
    let holes = [(15.0, 15.0, 4.0), (85.0, 15.0, 6.0), (15.0, 45.0, 4.0), (40.0, 12.0, 4.0)];
    let mesh = slab([100.0, 60.0, 3.0], &holes, 1.0);
    let (mut points, _) = at(&mesh, &View { warp_mm: 0.1, ..view(5) }, 0.0);
    points.extend(at(&other_hand(&mesh), &View { warp_mm: 0.1, ..view(6) }, 200.0).0);
    let found = find(&mesh, &points);
    assert_eq!(found.findings.len(), 2, "{found:?}");
    assert!(found.parts().count() == 2 && found.parts().all(|p| p.evidence_of_hand.is_none()), "{found:?}");
}

#[test]
fn a_scan_without_what_tells_the_hands_apart_leaves_the_hand_open() {
    // A profile that mirrors itself at x = 60, but for one hole near an end; of neither end is anything seen,
    // else the missing hole of the other hand would tell.
    let round = |p: &Point, x: f64, y: f64, r: f64| (p.x - x) * (p.x - x) + (p.y - y) * (p.y - y) < r * r;
    let mesh = cubes([120.0, 80.0, 40.0], 1.0, |p| {
        let base = p.z < 3.0 && !round(&p, 60.0, 40.0, 9.0) && !round(&p, 12.0, 60.0, 6.0);
        base || p.y < 3.0
    });
    let (points, pose) = at(&mesh, &View { warp_mm: 0.0, ..view(7) }, 0.0);
    let middle = |x: f64| x > 25.0 && x < 95.0;
    let seen: Points = points.iter().copied().filter(|p| middle(pose.point(&p.0).x)).collect();
    let found = find(&mesh, &seen);
    let [Finding::Undetermined(open)] = &found.findings[..] else { panic!("{:?}", found.parts().count()) };
    assert!(matches!(open.why, LocateError::HandOpen { .. }), "{}", open.why);
    // With its ends it is this hand.
    let found = find(&mesh, &points);
    assert!(matches!(&found.findings[..], [Finding::Instance(_)]), "{found:?}");
}

#[test]
fn a_piece_that_fits_is_no_part() {
    let mesh = bracket();
    let (points, pose) = at(&mesh, &View { count: 40_000, ..view(8) }, 0.0);
    let piece: Points = points.iter().copied().filter(|p| pose.point(&p.0).x > 85.0).collect();
    let found = find(&mesh, &piece);
    assert_eq!(found.parts().count(), 0, "{found:?}");
}

/// A bracket as seen by [`View`], on a table that it hides nothing of but what lies under it.
fn on_a_table(mesh: &TriangleMesh, seed: u64) -> (Points, Pose) {
    let (points, pose) = at(mesh, &view(seed), 0.0);
    let mut random = Random::seeded(seed);
    let table_from_scan = pose;
    let under: std::collections::BTreeSet<[i64; 2]> = points
        .iter()
        .map(|p| table_from_scan.point(&p.0))
        .map(|q| [q.x, q.y].map(|v| (v / 2.0).floor() as i64))
        .collect();
    let mut all = points;
    let up = pose.inverse().direction(Direction::Z);
    for _ in 0..60_000 {
        let q = Point::new(random.range(-200.0, 300.0), random.range(-200.0, 280.0), 0.03 * random.normal());
        if !under.contains(&[q.x, q.y].map(|v| (v / 2.0).floor() as i64)) {
            all.push((pose.inverse().point(&q), up));
        }
    }
    (all, pose)
}

#[test]
fn one_bracket_on_a_table_is_located_and_two_are_to_be_chosen_from() {
    let mesh = bracket();
    let nominal = nominal(&mesh);
    let tree = SurfaceTree::new(nominal.mesh());
    let (mut points, truth) = on_a_table(&mesh, 9);
    let one =
        |points: &Points| locate(&quiet(), &nominal, &tree, &as_scan(points), &LocateSettings::default());
    let located = one(&points).unwrap();
    let off = apart_mm(&located.part_from_scan, &truth, &mesh.bounds());
    // The warp of 0.3 mm shifts the best fit.
    assert!(off < 1.0, "{off} mm: {located:?}");
    points.extend(at(&mesh, &view(10), 500.0).0);
    let error = one(&points).unwrap_err();
    let LocateError::Several { poses, open: 0 } = &error else { panic!("{error}") };
    assert_eq!(poses.len(), 2);
    assert!(error.to_string().contains("region"), "{error}");
}

#[test]
fn a_lone_part_of_the_other_hand_is_named_so() {
    let mesh = bracket();
    let nominal = nominal(&mesh);
    let tree = SurfaceTree::new(nominal.mesh());
    let points = at(&other_hand(&mesh), &view(11), 0.0).0;
    let found = locate(&quiet(), &nominal, &tree, &as_scan(&points), &LocateSettings::default());
    assert_eq!(found, Err(LocateError::OtherHand));
}

#[test]
fn too_few_points_are_refused_and_a_stopped_run_ends() {
    let mesh = bracket();
    let nominal = nominal(&mesh);
    let tree = SurfaceTree::new(nominal.mesh());
    let points = at(&mesh, &view(12), 0.0).0;
    let settings = InstancesSettings::default();
    let few = locate_all(&quiet(), &nominal, &tree, &as_scan(&points[..20].to_vec()), &settings);
    assert_eq!(few, Err(InstancesError::TooFewPoints { need: LEAST_POINTS, got: 20 }));
    let stop = std::sync::atomic::AtomicBool::new(true);
    let run = Run { stop: &stop, ..quiet() };
    let stopped = locate_all(&run, &nominal, &tree, &as_scan(&points), &settings);
    assert_eq!(stopped, Err(InstancesError::Stopped(Stopped)));
}

/// An L of a sheet and a wall, its own mirror image but for one hole of the given radius near an end.
fn one_hole_apart(radius_mm: f64, mirrored: bool) -> TriangleMesh {
    let round = |p: &Point, x: f64, y: f64, r: f64| (p.x - x) * (p.x - x) + (p.y - y) * (p.y - y) < r * r;
    cubes([120.0, 80.0, 40.0], 1.0, move |p| {
        let p = if mirrored { Point::new(120.0 - p.x, p.y, p.z) } else { p };
        let base = p.z < 3.0 && !round(&p, 60.0, 40.0, 9.0) && !round(&p, 12.0, 60.0, radius_mm);
        base || p.y < 3.0
    })
}

#[test]
fn a_part_in_pieces_whose_whole_stays_open_is_no_clutter() {
    let mesh = one_hole_apart(6.0, false);
    let (points, pose) = at(&mesh, &View { warp_mm: 0.0, ..view(7) }, 0.0);
    for gap in [0.0, 6.0, 10.0] {
        // Without the ends, where the hands differ; shadows cut the rest into strips.
        let seen =
            |x: f64| x > 25.0 && x < 95.0 && [42.0, 60.0, 78.0].iter().all(|c| (x - c).abs() >= 0.5 * gap);
        let seen: Points = points.iter().copied().filter(|p| seen(pose.point(&p.0).x)).collect();
        let found = find(&mesh, &seen);
        let [Finding::Undetermined(open)] = found.findings.as_slice() else {
            panic!("gap {gap}: {} findings", found.findings.len())
        };
        assert!(matches!(open.why, LocateError::HandOpen { .. }), "gap {gap}: {}", open.why);
        assert_eq!(open.points.len() + found.clutter_points + found.support_points, seen.len());
    }
}

#[test]
fn a_lone_scan_of_the_other_hand_is_not_located_as_this_one() {
    let (mesh, other) = (one_hole_apart(4.0, false), one_hole_apart(4.0, true));
    let nominal = nominal(&mesh);
    let tree = SurfaceTree::new(nominal.mesh());
    let one = |of: &TriangleMesh| {
        let points = at(of, &View { warp_mm: 0.0, ..view(7) }, 0.0).0;
        locate(&quiet(), &nominal, &tree, &as_scan(&points), &LocateSettings::default())
    };
    assert!(one(&mesh).is_ok(), "{:?}", one(&mesh));
    assert_eq!(one(&other).unwrap_err(), LocateError::OtherHand);
}

#[test]
fn what_is_open_beside_a_part_is_not_counted_as_one() {
    let mesh = one_hole_apart(6.0, false);
    let nominal = nominal(&mesh);
    let tree = SurfaceTree::new(nominal.mesh());
    let (mut points, _) = at(&mesh, &View { warp_mm: 0.0, ..view(7) }, 0.0);
    // Without the ends, where the hands differ.
    let (more, pose) = at(&mesh, &View { warp_mm: 0.0, ..view(8) }, 300.0);
    let middle = |x: f64| x > 25.0 && x < 95.0;
    points.extend(more.into_iter().filter(|p| middle(pose.point(&p.0).x)));
    let error = locate(&quiet(), &nominal, &tree, &as_scan(&points), &LocateSettings::default()).unwrap_err();
    assert!(matches!(&error, LocateError::Several { poses, open: 1 } if poses.len() == 1), "{error:?}");
    assert!(error.to_string().starts_with("the scan holds 1 part of this kind and 1 thing that may be one;"));
}

/// The points as a file shows them whose unit is stated wrongly by a factor.
fn scaled(points: &Points, factor: f64) -> Points {
    points.iter().map(|(p, n)| (p * factor, *n)).collect()
}

#[test]
fn parts_in_another_unit_are_proven_to_be_so_and_other_things_are_not() {
    let (mesh, points, _) = four(6000);
    let nominal = nominal(&mesh);
    let tree = SurfaceTree::new(nominal.mesh());
    let settings = InstancesSettings::default();
    let all = |points: &Points| locate_all(&quiet(), &nominal, &tree, &as_scan(points), &settings);
    for (factor, said) in [(1.0 / 25.4, "this looks like inch, not mm"), (0.001, "this looks like m, not mm")]
    {
        let error = all(&scaled(&points, factor)).unwrap_err();
        assert!(matches!(error, InstancesError::LengthUnit(_)), "{factor}: {error}");
        let words = error.to_string();
        assert!(words.contains(said) && words.contains("check the length unit stated"), "{factor}: {words}");
    }
    // Of the other hand only, and on a table: a single part among other things says it too.
    let (other, _) = at(&other_hand(&mesh), &View { count: 6000, ..view(3) }, 500.0);
    assert!(matches!(all(&scaled(&other, 0.1)), Err(InstancesError::LengthUnit(_))));
    let (table, _) = on_a_table(&mesh, 9);
    let one = as_scan(&scaled(&table, 25.4));
    let one = locate(&quiet(), &nominal, &tree, &one, &LocateSettings::default()).unwrap_err();
    assert!(one.to_string().ends_with("this looks like mm, not inch"), "{one}");
    // Blocks that would have the part's size in inch are no proof.
    let block = at(&slab([110.0, 70.0, 20.0], &[], 2.0), &View { count: 6000, ..view(4) }, 0.0).0;
    let mut blocks = scaled(&block, 1.0 / 25.4);
    blocks.extend(scaled(&block, 1.0 / 25.4).iter().map(|(p, n)| (p + Vector::new(9.0, 0.0, 0.0), *n)));
    assert_eq!(all(&blocks).unwrap().parts().count(), 0);
}
