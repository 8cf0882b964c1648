use super::*;
use crate::geometry::{Direction, Motion, Point, TriangleMesh, Vector, math};
use crate::simulate::window_surround::Region;

fn front(spacing_mm: f64, noise_mm: f64) -> Scanner {
    Scanner::front(spacing_mm, noise_mm, 7)
}

/// A flat square of 100 mm with its normal along z, made after plan.
fn square() -> Made {
    let corners = [[0.0, 0.0], [100.0, 0.0], [100.0, 100.0], [0.0, 100.0]];
    let vertices = corners.map(|[x, y]| Point::new(x, y, 0.0)).to_vec();
    let mesh = TriangleMesh::new(vertices, vec![[0, 1, 2], [0, 2, 3]]).unwrap();
    Made::of_mesh(mesh, Vec::new(), Vec::new())
}

#[test]
fn holes_are_seen_all_round_and_lie_on_their_circles() {
    let demo = demo_parts(1, 1.0);
    let made = Made::of_mesh(demo.nominal.clone(), demo.surround.carriers(&demo.nominal), Vec::new());
    let scan = front(1.0, 0.0).scan(&made, &Motion::identity()).unwrap();
    for hole in demo.surround.holes() {
        let mut seen = [0; 12];
        for p in &scan.points {
            let d = p - hole.centre;
            let r = (d.x * d.x + d.y * d.y).sqrt();
            if p.z < -1e-9 && r < 0.5 * hole.diameter_mm + 0.01 {
                assert!((r - 0.5 * hole.diameter_mm).abs() < 1e-9, "{}: {r}", hole.id);
                let turn = math::atan2(d.y, d.x) / std::f64::consts::TAU + 0.5;
                seen[(12.0 * turn) as usize % 12] += 1;
            }
        }
        assert!(seen.iter().all(|n| *n >= 2), "{} {seen:?}", hole.id);
    }
    // One-sided: no point of the hidden flange, no normal that faces away.
    assert!(scan.points.iter().all(|p| p.z > -3.0));
    assert!(scan.normals.iter().all(|n| n.vector().z > -0.35));
}

#[test]
fn points_are_as_far_apart_as_asked_and_noise_is_as_large() {
    let scan = front(0.5, 0.02).scan(&square(), &Motion::identity()).unwrap();
    let per_point = 100.0 * 100.0 / scan.points.len() as f64;
    assert!((per_point - 0.25).abs() < 0.003, "{per_point}");
    let square_sum: f64 = scan.points.iter().map(|p| p.z * p.z).sum();
    let rms = (square_sum / scan.points.len() as f64).sqrt();
    // Forty thousand points: three standard deviations are 1 %.
    assert!((rms / 0.02 - 1.0).abs() < 0.011, "{rms}");
    let turns: f64 = scan.normals.iter().map(|n| n.angle_to(Direction::Z)).map(|a| a * a).sum();
    let error = (turns / (2.0 * scan.normals.len() as f64)).sqrt().to_degrees();
    assert!((error - 2.0).abs() < 0.03, "{error}");
}

#[test]
fn what_stands_behind_is_not_seen() {
    // A lid of 40 x 40 mm, 30 mm above a square: straight from above it hides just its shadow.
    let square = square();
    let mut vertices = square.nominal().vertices().to_vec();
    vertices.extend(
        [[30.0, 30.0], [70.0, 30.0], [70.0, 70.0], [30.0, 70.0]].map(|[x, y]| Point::new(x, y, 30.0)),
    );
    let triangles = vec![[0, 1, 2], [0, 2, 3], [4, 5, 6], [4, 6, 7]];
    let made = Made::of_mesh(TriangleMesh::new(vertices, triangles).unwrap(), Vec::new(), Vec::new());
    let scanner = Scanner { views: vec![Direction::Z], ..front(1.0, 0.0) };
    let scan = scanner.scan(&made, &Motion::identity()).unwrap();
    let shadow = |p: &&Point| p.z < 15.0 && (p.x - 50.0).abs() < 19.5 && (p.y - 50.0).abs() < 19.5;
    assert_eq!(scan.points.iter().filter(shadow).count(), 0);
    let below = scan.points.iter().filter(|p| p.z < 15.0).count() as f64;
    assert!((below - 8400.0).abs() < 150.0, "{below}");
    // From the side within 70 degrees it still is; edge on nothing is.
    let edge_on = Scanner { views: vec![Direction::X], ..scanner };
    assert!(edge_on.scan(&made, &Motion::identity()).unwrap().points.is_empty());
}

#[test]
fn the_same_seed_makes_the_same_bits_on_any_number_of_threads() {
    let demo = demo_parts(3, 0.75);
    let scan = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        pool.install(|| front(4.0, 0.02).scan(&demo.bad.made, &demo.bad.scan_from_part).unwrap())
    };
    let one = scan(1);
    assert!(one.points.len() > 5_000);
    assert_eq!(one, scan(3));
    let other = Scanner { seed: 8, ..front(4.0, 0.02) };
    assert_ne!(one, other.scan(&demo.bad.made, &demo.bad.scan_from_part).unwrap());
}

#[test]
fn a_pose_moves_points_and_normals_together() {
    let demo = demo_parts(4, 0.8);
    let still = front(5.0, 0.02).scan(&demo.good.made, &Motion::identity()).unwrap();
    let moved = front(5.0, 0.02).scan(&demo.good.made, &demo.good.scan_from_part).unwrap();
    let back = demo.good.scan_from_part.inverse();
    for (i, p) in still.points.iter().enumerate() {
        assert!((back.point(&moved.points[i]) - p).norm() < 1e-9);
        assert!((back.direction(moved.normals[i]).vector() - still.normals[i].vector()).norm() < 1e-12);
    }
}

#[test]
fn a_dent_moves_both_skins_by_its_depth_and_nothing_beyond_its_radius() {
    for seed in 0..20 {
        let demo = demo_parts(seed, 0.75 + 0.025 * seed as f64);
        let DemoDent { dent, region } = demo.bad.dent.clone().unwrap();
        let deviation = Deviation::Dent(dent.clone());
        let made = Made::of_mesh(demo.nominal.clone(), Vec::new(), vec![deviation]);
        let inward = dent.inward.vector();
        for p in [dent.centre, dent.centre + inward * 3.0] {
            let moved = made.point(&p) - p;
            assert!((moved - inward * dent.depth_mm).norm() < 1e-12);
        }
        let (mut bottom, mut flank) = (0, 0);
        for p in demo.nominal.vertices() {
            let d = p - dent.centre;
            let away = (d - inward * d.dot(&inward)).norm();
            let moved = (made.point(p) - p).norm();
            let near = d.norm() < 2.0 * dent.radius_mm;
            if near && away < dent.flat_radius_mm() {
                assert!((moved - dent.depth_mm).abs() < 1e-12, "seed {seed} {region:?} {d:?}");
                bottom += 1;
            } else if away > dent.radius_mm || !near {
                assert_eq!(moved, 0.0, "seed {seed} {region:?} {d:?}");
            } else {
                flank += 1;
            }
        }
        assert!(bottom > 10 && flank > 10, "seed {seed}: {bottom} {flank}");
        // It stays inside its region.
        for across in [0.0, 1.0] {
            for i in 0..800 {
                let (p, _) = demo.surround.place(region, 0.01 * f64::from(i), across);
                assert_eq!(made.point(&p), p, "seed {seed} {region:?}");
            }
        }
    }
}

#[test]
fn a_shifted_hole_leaves_the_flange_flat_and_its_edges_in_place() {
    let demo = demo_parts(5, 0.75);
    let shifts: Vec<Deviation> =
        demo.bad.made.deviations().iter().filter(|d| matches!(d, Deviation::HoleShift(_))).cloned().collect();
    assert_eq!(shifts.len(), 6);
    let made = Made::of_mesh(demo.nominal.clone(), Vec::new(), shifts);
    let mesh = made.mesh();
    for (p, q) in demo.nominal.vertices().iter().zip(mesh.vertices()) {
        assert_eq!(p.z, q.z);
        if p.z != 0.0 && p.z != -3.0 {
            assert_eq!(p, q);
        }
    }
    for (hole, done) in demo.surround.holes().iter().zip(&demo.bad.holes) {
        let on = |p: &&Point| {
            let d = *p - hole.centre;
            (d.x * d.x + d.y * d.y).sqrt() < 0.5 * hole.diameter_mm + 0.01
        };
        for p in demo.nominal.vertices().iter().filter(on) {
            assert!((made.point(p) - p - done.shift).norm() < 1e-12);
        }
    }
    // No triangle is folded over.
    let same = |t: u32| mesh.normal(t).zip(demo.nominal.normal(t)).is_some_and(|(a, b)| a.dot(b) > 0.5);
    assert!((0..mesh.triangles().len() as u32).all(same));
}

#[test]
fn a_made_normal_is_that_of_the_deformed_triangle() {
    let demo = demo_parts(6, 1.0);
    let DemoDent { dent, .. } = demo.bad.dent.clone().unwrap();
    let (a, b) = dent.inward.frame();
    for i in 0..40 {
        let p = dent.centre + a * (0.5 * f64::from(i));
        let small = [p, p + a * 1e-4, p + b * 1e-4].map(|p| demo.bad.made.point(&p));
        let expected = Direction::new((small[1] - small[0]).cross(&(small[2] - small[0]))).unwrap();
        let got = demo.bad.made.normal(&p, dent.inward);
        assert!(got.angle_to(expected) < 1e-4, "{i}: {got:?} {expected:?}");
    }
}

#[test]
fn a_warp_has_no_mean_over_the_surface() {
    let demo = demo_parts(9, 1.0);
    let mesh = &demo.nominal;
    let made = Made::of_mesh(mesh.clone(), Vec::new(), vec![Deviation::Warp(demo.good.warp.clone())]);
    let (mut sum, mut area, mut largest) = (Vector::zeros(), 0.0, 0.0_f64);
    for t in 0..mesh.triangles().len() as u32 {
        for p in mesh.corners(t) {
            let moved = made.point(&p) - p;
            sum += moved * (mesh.area(t) / 3.0);
            largest = largest.max(moved.norm());
        }
        area += mesh.area(t);
    }
    assert!((sum / area).norm() < 1e-5, "{:?}", sum / area);
    assert!(largest > 0.04 && largest < 0.2, "{largest}");
}

#[test]
fn seeds_choose_other_holes_regions_and_poses() {
    let demos: Vec<Demo> = (0..12).map(|seed| demo_parts(seed, 0.75)).collect();
    let mut holes: Vec<&str> = demos.iter().map(|d| d.bad_hole).collect();
    holes.sort_unstable();
    holes.dedup();
    assert!(holes.len() >= 3 && !holes.contains(&"H1") && !holes.contains(&"H2"), "{holes:?}");
    let walls =
        demos.iter().filter(|d| d.bad.dent.as_ref().is_some_and(|d| d.region == Region::Wall)).count();
    assert!((2..=10).contains(&walls));
    assert!(demos.windows(2).all(|d| d[0].good.scan_from_part != d[1].good.scan_from_part));
}

#[test]
fn settings_that_make_no_sense_are_refused() {
    let scan = |scanner: &Scanner| scanner.scan(&square(), &Motion::identity()).unwrap_err();
    for spacing in [0.0, -1.0, f64::NAN, f64::INFINITY] {
        assert!(matches!(scan(&front(spacing, 0.0)), ScannerError::Spacing(_)));
    }
    for noise in [-0.1, f64::NAN, f64::INFINITY] {
        assert!(matches!(scan(&front(1.0, noise)), ScannerError::Noise(_)));
    }
    assert_eq!(scan(&Scanner { views: Vec::new(), ..front(1.0, 0.0) }), ScannerError::NoViews);
    assert!(matches!(scan(&front(1e-3, 0.0)), ScannerError::TooManyPoints { .. }));
}

#[test]
fn files_hold_what_was_written() {
    let points = [Point::new(1.0, -2.5, 0.1), Point::new(700.123456789, 0.0, -3.0)];
    let normals = [Direction::Z, Direction::X.reversed()];
    let bytes = write_ply(&points, &normals);
    let end = bytes.windows(11).position(|w| w == b"end_header\n").unwrap() + 11;
    assert!(std::str::from_utf8(&bytes[..end]).unwrap().contains("element vertex 2\nproperty double x"));
    assert_eq!(bytes.len(), end + 2 * 36);
    assert_eq!(bytes[end + 36..end + 44], 700.123456789_f64.to_le_bytes());
    assert_eq!(bytes[end + 60..end + 64], (-1.0_f32).to_le_bytes());
    assert_eq!(write_ply(&points, &[]).len(), bytes.len() - 24 - 3 * "property float nx\n".len());
    let text = String::from_utf8(write_ply_ascii(&points, &normals)).unwrap();
    assert!(text.ends_with("end_header\n1 -2.5 0.1 0 0 1\n700.123456789 0 -3 -1 -0 -0\n"), "{text}");
    let stl = write_stl(square().nominal());
    assert_eq!(stl.len(), 84 + 2 * 50);
    assert_eq!(stl[80..84], 2_u32.to_le_bytes());
    assert_eq!(stl[92..96], 1.0_f32.to_le_bytes());
    assert_eq!(stl[84 + 24..84 + 28], 100.0_f32.to_le_bytes());
}
