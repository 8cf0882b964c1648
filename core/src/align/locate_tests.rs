//! Poses found and refused on parts made of small cubes.

use super::super::bracket::{View, bracket, scan, slab};
use super::super::refine::{Pose, apart_mm};
use super::*;

fn find(mesh: &TriangleMesh, view: &View, with_normals: bool) -> (Result<Located, LocateError>, Pose) {
    let tree = SurfaceTree::new(mesh);
    let (points, normals, truth) = scan(mesh, view);
    let normals = with_normals.then_some(&normals[..]);
    let settings = LocateSettings::default();
    (locate_points(&crate::run::quiet(), mesh, &tree, &points, normals, &settings), truth)
}

/// Where the descent ends that starts from the true pose: warp and missing points shift the best fit.
fn settled_mm(mesh: &TriangleMesh, view: &View, with_normals: bool, found: &Pose, truth: &Pose) -> f64 {
    let tree = SurfaceTree::new(mesh);
    let (points, normals, _) = scan(mesh, view);
    let normals = with_normals.then_some(&normals[..]);
    let ends = |from| settle(mesh, &tree, &points, normals, from, &LocateSettings::default());
    let (best, mine) = (ends(truth), ends(found));
    apart_mm(&best, &mine, &mesh.bounds())
}

#[test]
fn a_bracket_is_found_from_random_poses() {
    let mesh = bracket();
    for seed in 0..3 {
        for with_normals in [true, false] {
            let view = View {
                seed,
                unseen: if seed % 2 == 0 { 0.0 } else { 0.3 },
                clutter: 0.03,
                ..View::default()
            };
            let (found, truth) = find(&mesh, &view, with_normals);
            let located = found.unwrap_or_else(|e| panic!("seed {seed} normals {with_normals}: {e}"));
            let off = settled_mm(&mesh, &view, with_normals, &located.part_from_scan, &truth);
            assert!(off < 0.5, "seed {seed} normals {with_normals}: {off} mm, {located:?}");
        }
    }
}

#[test]
fn the_answer_has_the_same_bits_on_one_thread_and_on_three() {
    let mesh = bracket();
    let view = View { seed: 42, count: 10_000, unseen: 0.2, ..View::default() };
    let on = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        pool.install(|| find(&mesh, &view, true).0.unwrap())
    };
    assert_eq!(on(1), on(3));
}

#[test]
fn a_symmetric_plate_is_undetermined_with_its_poses() {
    let holes = [(15.0, 15.0, 4.0), (85.0, 15.0, 4.0), (15.0, 45.0, 4.0), (85.0, 45.0, 4.0)];
    let mesh = slab([100.0, 60.0, 3.0], &holes, 1.0);
    for with_normals in [true, false] {
        let view = View { seed: 9, warp_mm: 0.1, ..View::default() };
        let (found, truth) = find(&mesh, &view, with_normals);
        match found {
            Err(LocateError::Undetermined { poses, symmetric, .. }) => {
                assert!(poses.len() >= 2 && symmetric, "{poses:?}");
                let nearest =
                    poses.iter().map(|p| apart_mm(p, &truth, &mesh.bounds())).fold(f64::INFINITY, f64::min);
                assert!(nearest < 1.0, "{nearest}");
            }
            other => panic!("normals {with_normals}: {other:?}"),
        }
    }
}

#[test]
fn one_hole_more_tells_the_plates_ends_apart() {
    let holes =
        [(15.0, 15.0, 4.0), (85.0, 15.0, 4.0), (15.0, 45.0, 4.0), (85.0, 45.0, 4.0), (40.0, 12.0, 4.0)];
    let mesh = slab([100.0, 60.0, 3.0], &holes, 1.0);
    let view = View { seed: 10, warp_mm: 0.1, ..View::default() };
    let (found, truth) = find(&mesh, &view, true);
    let located = found.unwrap();
    assert!(apart_mm(&located.part_from_scan, &truth, &mesh.bounds()) < 1.0, "{located:?}");
}

#[test]
fn the_middle_of_a_plate_could_be_anywhere_on_it() {
    let mesh = slab([200.0, 120.0, 3.0], &[(20.0, 20.0, 6.0)], 2.0);
    let tree = SurfaceTree::new(&mesh);
    let mut random = crate::geometry::random::Random::seeded(4);
    let points: Vec<Point> = (0..5000)
        .map(|_| {
            Point::new(random.range(60.0, 160.0), random.range(40.0, 100.0), 3.0 + 0.02 * random.normal())
        })
        .collect();
    let normals = vec![Direction::Z; points.len()];
    let found = locate_points(
        &crate::run::quiet(),
        &mesh,
        &tree,
        &points,
        Some(&normals),
        &LocateSettings::default(),
    );
    assert!(matches!(found, Err(LocateError::Undetermined { symmetric: false, .. })), "{found:?}");
}

#[test]
fn a_scan_of_another_part_does_not_fit() {
    let plate = slab([110.0, 70.0, 20.0], &[], 2.0);
    let (points, normals, _) = scan(&plate, &View { from: None, ..View::default() });
    let mesh = bracket();
    let tree = SurfaceTree::new(&mesh);
    for n in [Some(&normals[..]), None] {
        let found = locate_points(&crate::run::quiet(), &mesh, &tree, &points, n, &LocateSettings::default());
        assert!(matches!(found, Err(LocateError::NoFit { .. })), "{found:?}");
    }
}

#[test]
fn a_scan_in_inches_is_told_so() {
    let mesh = bracket();
    let tree = SurfaceTree::new(&mesh);
    let (points, normals, _) = scan(&mesh, &View::default());
    for (scale, want) in [(1.0 / 25.4, 25.4), (0.001, 1000.0), (10.0, 0.1)] {
        let scaled: Vec<Point> = points.iter().map(|p| p * scale).collect();
        let found = locate_points(
            &crate::run::quiet(),
            &mesh,
            &tree,
            &scaled,
            Some(&normals),
            &LocateSettings::default(),
        );
        let Err(e @ LocateError::OtherUnit { unit_ratio: k }) = found else { panic!("{found:?}") };
        assert_eq!(k, want);
        assert!(e.to_string().contains("length unit"), "{e}");
    }
}

#[test]
fn too_few_points_and_points_that_are_no_numbers_are_refused() {
    let mesh = bracket();
    let tree = SurfaceTree::new(&mesh);
    let run = crate::run::quiet();
    let settings = LocateSettings::default();
    for points in [vec![], vec![Point::new(f64::NAN, 0.0, 0.0); 500], vec![Point::new(1.0, 2.0, 3.0); 500]] {
        let found = locate_points(&run, &mesh, &tree, &points, None, &settings);
        assert!(matches!(found, Err(LocateError::TooFewPoints { .. })), "{found:?}");
    }
    let line: Vec<Point> = (0..500).map(|i| Point::new(0.2 * f64::from(i), 0.0, 0.0)).collect();
    assert!(locate_points(&run, &mesh, &tree, &line, None, &settings).is_err());
}

#[test]
fn a_stopped_run_ends_at_once() {
    let mesh = bracket();
    let tree = SurfaceTree::new(&mesh);
    let (points, normals, _) = scan(&mesh, &View::default());
    let stop = std::sync::atomic::AtomicBool::new(true);
    let run = Run { stop: &stop, ..crate::run::quiet() };
    let found = locate_points(&run, &mesh, &tree, &points, Some(&normals), &LocateSettings::default());
    assert_eq!(found, Err(LocateError::Stopped(Stopped)));
}
