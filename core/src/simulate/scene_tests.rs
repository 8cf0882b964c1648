use super::*;
use crate::geometry::{Direction, Motion, Point, TriangleMesh, Vector};
use crate::run::quiet;

fn above(spacing_mm: f64) -> Scanner {
    Scanner { views: vec![Direction::Z], normal_error_rad: 0.0, ..Scanner::front(spacing_mm, 0.0, 7) }
}

/// A flat square of 100 mm about the origin with its normal along z.
fn plate() -> Made {
    let table = Table { size_mm: [100.0, 100.0], roughness_mm: 0.0 };
    Made::of_mesh(table.mesh().unwrap(), Vec::new(), Vec::new())
}

fn lifted(z: f64) -> Motion<TableFrame, crate::geometry::PartFrame> {
    Motion::from_turn_and_shift(Vector::zeros(), Vector::new(0.0, 0.0, z))
}

#[test]
fn no_table_is_seen_under_a_part_and_no_part_under_another() {
    let scene = Scene {
        parts: [10.0, 40.0].map(|z| ScenePart { made: plate(), table_from_part: lifted(z) }).to_vec(),
        table: Some(Table { size_mm: [200.0, 160.0], roughness_mm: 0.0 }),
        clamps: vec![Clamp { foot: Point::new(70.0, 0.0, 0.0), size_mm: [20.0, 10.0, 30.0], turn_rad: 0.3 }],
    };
    let scan = above(1.0).scan_scene(&quiet(), &scene, &Motion::identity()).unwrap();
    let of = |origin: Origin| -> Vec<Point> {
        scan.points.iter().zip(&scan.origin).filter(|(_, o)| **o == origin).map(|(p, _)| *p).collect()
    };
    assert!(of(Origin::Part(0)).iter().all(|p| p.x.abs() > 49.0 || p.y.abs() > 49.0));
    // Points are one square millimetre each; straight from above a box shows its top only.
    for (origin, area, z) in [(Origin::Part(1), 10_000.0, 40.0), (Origin::Clamp(0), 200.0, 30.0)] {
        let points = of(origin);
        assert!((points.len() as f64 / area - 1.0).abs() < 0.06, "{origin:?}: {}", points.len());
        assert!(points.iter().all(|p| (p.z - z).abs() < 1e-9), "{origin:?}");
    }
    let table = of(Origin::Table);
    assert!((table.len() as f64 - (32_000.0 - 10_200.0)).abs() < 450.0, "{}", table.len());
    assert!(table.iter().all(|p| p.x.abs() > 49.4 || p.y.abs() > 49.4));
}

#[test]
fn points_lie_on_what_they_are_said_to_come_from() {
    let scan_from_table =
        Motion::from_turn_and_shift(Vector::new(1.0, -0.4, 2.0), Vector::new(9.0, 4.0, 1.0));
    let table_from_part = Motion::from_turn_and_shift(Vector::z() * 0.7, Vector::new(3.0, -80.0, 20.0));
    let scene = Scene {
        parts: vec![ScenePart { made: plate(), table_from_part }],
        table: Some(Table { size_mm: [300.0, 300.0], roughness_mm: 0.05 }),
        clamps: Vec::new(),
    };
    let scan = above(1.5).scan_scene(&quiet(), &scene, &scan_from_table).unwrap();
    let (mut square, mut count) = (0.0, 0.0);
    for (p, origin) in scan.points.iter().zip(&scan.origin) {
        let p = scan_from_table.inverse().point(p);
        if *origin == Origin::Table {
            (square, count) = (square + p.z * p.z, count + 1.0);
        } else {
            let p = table_from_part.inverse().point(&p);
            assert!(p.z.abs() < 1e-9 && p.x.abs() < 50.0 + 1e-9 && p.y.abs() < 50.0 + 1e-9);
        }
    }
    // Some 35,000 points: three standard deviations are 1.1 %.
    let mean: f64 = square / count;
    let roughness = mean.sqrt();
    assert!((roughness / 0.05 - 1.0).abs() < 0.012, "{roughness}");
}

#[test]
fn a_scene_of_one_part_is_the_scan_of_that_part() {
    let demo = demo_parts(2, 0.75);
    let scanner = Scanner::front(6.0, 0.02, 3);
    let alone = scanner.scan(&demo.good.made, &demo.good.scan_from_part).unwrap();
    let part = ScenePart { made: demo.good.made.clone(), table_from_part: Motion::identity() };
    let scene = Scene { parts: vec![part], ..Scene::default() };
    let scan_from_table =
        Motion::new(*demo.good.scan_from_part.rotation(), demo.good.scan_from_part.translation()).unwrap();
    let scan = scanner.scan_scene(&quiet(), &scene, &scan_from_table).unwrap();
    assert_eq!(alone.points.len(), scan.points.len());
    for (i, p) in alone.points.iter().enumerate() {
        assert!((p - scan.points[i]).norm() < 1e-9, "{i}");
        assert!((alone.normals[i].vector() - scan.normals[i].vector()).norm() < 1e-12, "{i}");
    }
}

#[test]
fn the_opposite_hand_is_mirrored_with_its_normals_outwards() {
    let surround = WindowSurround::default();
    let mesh = surround.mesh();
    let volume = |mesh: &TriangleMesh| -> f64 {
        (0..mesh.triangles().len() as u32)
            .map(|t| {
                let [a, b, c] = mesh.corners(t);
                a.coords.dot(&b.coords.cross(&c.coords)) / 6.0
            })
            .sum()
    };
    let other = mirrored(&mesh);
    // The volume keeps its sign only when the triangles are turned round.
    assert!(volume(&mesh) > 1e5);
    assert!((volume(&other) / volume(&mesh) - 1.0).abs() < 1e-9);
    assert!((other.bounds().low.x + mesh.bounds().high.x).abs() < 1e-12);
    // Exact walls mirror to exact walls.
    let carriers = surround.carriers(&mesh);
    let made = Made::of_mesh(mesh, carriers.clone(), Vec::new());
    let made_other = Made::of_mesh(other, mirrored_carriers(&carriers), Vec::new());
    let t = carriers.iter().position(Option::is_some).unwrap() as u32;
    let middle = |m: &TriangleMesh| {
        let [a, b, c] = m.corners(t);
        Point::from((a.coords + b.coords + c.coords) / 3.0)
    };
    let (p, n) = made.exact(t, &middle(made.nominal())).unwrap();
    let (q, m) = made_other.exact(t, &middle(made_other.nominal())).unwrap();
    assert!((q - Point::new(-p.x, p.y, p.z)).norm() < 1e-9);
    assert!((m.vector() - Vector::new(-n.vector().x, n.vector().y, n.vector().z)).norm() < 1e-12);
}

#[test]
fn arrangements_lie_flat_and_apart_and_truth_is_kept() {
    for seed in [1] {
        let all = arrangement(seed, 2, 1, 1);
        let hands: Vec<Hand> = all.parts.iter().map(|p| p.hand).collect();
        assert_eq!(hands.iter().filter(|h| **h == Hand::Opposite).count(), 1, "seed {seed}");
        assert_eq!(all.parts.iter().filter(|p| p.bad_hole.is_some()).count(), 1);
        let bad = all.parts.iter().find(|p| p.bad_hole.is_some()).unwrap();
        assert_eq!(bad.touched_numbers.len(), 2);
        let meshes: Vec<Vec<Point>> = all
            .scene
            .parts
            .iter()
            .map(|p| p.made.mesh().vertices().iter().map(|v| p.table_from_part.point(v)).collect())
            .collect();
        for (i, mesh) in meshes.iter().enumerate() {
            let low = mesh.iter().map(|p| p.z).fold(f64::INFINITY, f64::min);
            let high = mesh.iter().map(|p| p.z).fold(f64::NEG_INFINITY, f64::max);
            assert!(low.abs() < 1e-9 && (high - 60.0).abs() < 0.5, "seed {seed}: {low} {high}");
            let half = 0.5 * all.scene.table.unwrap().size_mm[0];
            assert!(mesh.iter().all(|p| p.x.abs() < half && p.y.abs() < half));
            // Vertices of the trimmed edge are at most 10 mm apart: by them the gap is known to that.
            let edge =
                |mesh: &[Point]| -> Vec<Point> { mesh.iter().filter(|p| p.z < 3.5).copied().collect() };
            for other in &meshes[..i] {
                let (a, b) = (edge(mesh), edge(other));
                let gap = a.iter().step_by(7).flat_map(|p| b.iter().step_by(5).map(move |q| (p - q).norm()));
                let gap = gap.fold(f64::INFINITY, f64::min);
                assert!(gap > 29.0, "seed {seed}: {gap}");
            }
        }
        let scan = all.scan(8.0).unwrap();
        for (i, arranged) in all.parts.iter().enumerate() {
            let part_from_scan = arranged.part.scan_from_part.inverse();
            let own = scan.points.iter().zip(&scan.origin).filter(|(_, o)| **o == Origin::Part(i as u32));
            let (mut count, mut flange) = (0, 0);
            for (p, _) in own {
                let p = part_from_scan.point(p);
                count += 1;
                let x = if arranged.hand == Hand::Opposite { -p.x } else { p.x };
                assert!(x > -0.6 && x < 700.6 && p.y > -0.6 && p.y < 500.6, "seed {seed}: {p:?}");
                flange += usize::from(p.z.abs() < 0.3);
            }
            assert!(count > 2000 && flange > 500, "seed {seed}: {count} {flange}");
        }
        // Nothing of the table is seen under a flange.
        let table: Vec<Point> = scan
            .points
            .iter()
            .zip(&scan.origin)
            .filter(|(_, o)| **o == Origin::Table)
            .map(|(p, _)| all.scan_from_table.inverse().point(p))
            .collect();
        assert!(table.len() > 5000);
        for (part, arranged) in all.scene.parts.iter().zip(&all.parts) {
            let part_from_table = part.table_from_part.inverse();
            for p in &table {
                let p = part_from_table.point(p);
                let x = if arranged.hand == Hand::Opposite { -p.x } else { p.x };
                let under = p.y > 1.0 && p.y < 12.0 && x > 150.0 && x < 400.0;
                assert!(!under, "seed {seed}: {p:?}");
            }
        }
    }
}

#[test]
fn clamps_touch_the_edges_they_hold() {
    let mut found = 0;
    for seed in 0..6 {
        let all = arrangement(seed, 1, 0, 1);
        for clamp in &all.scene.clamps {
            let p = Point::new(clamp.foot.x, clamp.foot.y, 0.0);
            let from_edge = |part: &ScenePart| {
                let p = part.table_from_part.inverse().point(&p);
                let x = if part.made.nominal().vertices()[0].x < 0.0 { -p.x } else { p.x };
                let outside = |v: f64, high: f64| (-v).max(v - high);
                outside(x, 700.0).max(outside(p.y, 500.0))
            };
            let nearest = all.scene.parts.iter().map(from_edge).fold(f64::INFINITY, f64::min);
            let expected = if clamp.foot.z == 0.0 { 6.1 } else { -1.45 };
            assert!((nearest - expected).abs() < 0.01, "seed {seed}: {nearest} {clamp:?}");
            found += 1;
        }
    }
    assert!(found >= 4, "{found}");
}

#[test]
fn a_long_sliver_takes_no_longer_than_its_points() {
    // Its box has 10 million places, the sliver a hundred or so.
    let corners = [[0.0, 0.0], [3000.0, 3100.0], [3000.0, 3100.05]];
    let vertices = corners.map(|[x, y]| Point::new(x, y, 0.0)).to_vec();
    let mesh = TriangleMesh::new(vertices, vec![[0, 1, 2]]).unwrap();
    let area = mesh.area(0);
    let part = Made::of_mesh(mesh, Vec::new(), Vec::new());
    let scene = Scene {
        parts: vec![ScenePart { made: part, table_from_part: Motion::identity() }],
        ..Scene::default()
    };
    let points = above(0.5).scan_scene(&quiet(), &scene, &Motion::identity()).unwrap().points;
    assert!((points.len() as f64 - 4.0 * area).abs() < 0.3 * 4.0 * area, "{} {area}", points.len());
    assert!(points.iter().all(|p| (p.y - p.x * 3100.0 / 3000.0).abs() < 0.06));
}

#[test]
fn scenes_that_make_no_sense_are_refused() {
    let scan = |scene: &Scene| above(1.0).scan_scene(&quiet(), scene, &Motion::identity()).unwrap_err();
    assert_eq!(scan(&Scene::default()), ScannerError::EmptyScene);
    for size in [0.0, -1.0, f64::NAN, f64::INFINITY] {
        let table = Table { size_mm: [size, 10.0], roughness_mm: 0.0 };
        assert_eq!(scan(&Scene { table: Some(table), ..Scene::default() }), ScannerError::Table);
        let clamp = Clamp { foot: Point::origin(), size_mm: [1.0, size, 1.0], turn_rad: 0.0 };
        assert_eq!(scan(&Scene { clamps: vec![clamp], ..Scene::default() }), ScannerError::Clamp(0));
    }
    let rough = Table { size_mm: [10.0, 10.0], roughness_mm: f64::NAN };
    assert_eq!(scan(&Scene { table: Some(rough), ..Scene::default() }), ScannerError::Table);
}
