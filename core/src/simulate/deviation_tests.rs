use super::*;
use crate::geometry::{Direction, Motion, Point, TriangleMesh, Vector, symmetric_eigen3};

/// A flat plate of 100 x 60 x 3 mm under the plane z = 0, with vertices about 2 mm apart.
fn plate() -> TriangleMesh {
    let (columns, rows) = (51, 31);
    let mut vertices = Vec::new();
    for z in [0.0, -3.0] {
        for j in 0..rows {
            vertices.extend((0..columns).map(|i| Point::new(2.0 * f64::from(i), 2.0 * f64::from(j), z)));
        }
    }
    let at = |i: i32, j: i32, skin: i32| (skin * columns * rows + j * columns + i) as u32;
    let mut triangles = Vec::new();
    let mut quad = |a, b, c, d| triangles.extend([[a, b, c], [a, c, d]]);
    for j in 0..rows - 1 {
        for i in 0..columns - 1 {
            quad(at(i, j, 0), at(i + 1, j, 0), at(i + 1, j + 1, 0), at(i, j + 1, 0));
            quad(at(i, j, 1), at(i, j + 1, 1), at(i + 1, j + 1, 1), at(i + 1, j, 1));
        }
    }
    for i in 0..columns - 1 {
        quad(at(i, 0, 1), at(i + 1, 0, 1), at(i + 1, 0, 0), at(i, 0, 0));
        quad(at(i + 1, rows - 1, 1), at(i, rows - 1, 1), at(i, rows - 1, 0), at(i + 1, rows - 1, 0));
    }
    for j in 0..rows - 1 {
        quad(at(0, j + 1, 1), at(0, j, 1), at(0, j, 0), at(0, j + 1, 0));
        quad(
            at(columns - 1, j, 1),
            at(columns - 1, j + 1, 1),
            at(columns - 1, j + 1, 0),
            at(columns - 1, j, 0),
        );
    }
    TriangleMesh::new(vertices, triangles).unwrap()
}

fn made(deviation: Deviation) -> Made {
    assert_eq!(deviation.fault(), None);
    Made::of_mesh(plate(), Vec::new(), vec![deviation])
}

/// Points of a scan of both sides, all round, without noise.
fn scan(made: &Made) -> Vec<Point> {
    let views = [Vector::z(), -Vector::z(), Vector::y(), -Vector::y(), Vector::x(), -Vector::x()];
    let views = views.iter().filter_map(|v| Direction::new(*v)).collect();
    let scanner = Scanner { views, normal_error_rad: 0.0, ..Scanner::front(0.8, 0.0, 7) };
    scanner.scan(made, &Motion::identity()).unwrap().points
}

fn trim() -> TrimOffset {
    TrimOffset {
        from: Point::new(30.0, 60.0, 0.0),
        to: Point::new(70.0, 60.0, 0.0),
        outward: Direction::Y,
        offset_mm: 0.4,
        run_out_mm: 10.0,
        band_mm: 15.0,
        reach_mm: 4.0,
    }
}

#[test]
fn a_trim_offset_moves_edge_and_wall_over_its_stretch_only() {
    for offset_mm in [0.4, -0.7] {
        let points = scan(&made(Deviation::TrimOffset(TrimOffset { offset_mm, ..trim() })));
        let furthest = |low: f64, high: f64| {
            let stretch = points.iter().filter(|p| p.x > low && p.x < high);
            stretch.map(|p| p.y).fold(f64::NEG_INFINITY, f64::max)
        };
        assert!((furthest(30.0, 70.0) - 60.0 - offset_mm).abs() < 1e-9, "{offset_mm}");
        assert!((furthest(0.0, 20.0) - 60.0).abs() < 1e-9 && (furthest(80.0, 100.0) - 60.0).abs() < 1e-9);
        // The wall is upright: on it all heights are there.
        let wall: Vec<f64> = points
            .iter()
            .filter(|p| p.x > 31.0 && p.x < 69.0 && (p.y - 60.0 - offset_mm).abs() < 1e-9)
            .map(|p| p.z)
            .collect();
        assert!(wall.iter().any(|z| *z > -0.6) && wall.iter().any(|z| *z < -2.4) && wall.len() > 50);
        // Skins stay flat, the other edge in its place.
        assert!(points.iter().all(|p| p.y > 59.0
            || p.z.abs() < 1e-9
            || (p.z + 3.0).abs() < 1e-9
            || p.y < 1e-9
            || p.x < 1e-9
            || p.x > 100.0 - 1e-9));
        assert!(points.iter().map(|p| p.y).fold(f64::INFINITY, f64::min).abs() < 1e-9);
    }
}

#[test]
fn a_thickness_change_leaves_the_visible_skin() {
    let change = ThicknessChange {
        centre: Point::new(50.0, 30.0, 0.0),
        inward: Direction::Z.reversed(),
        radius_mm: 20.0,
        flat: 0.5,
        thickness_mm: 3.0,
        change_mm: -0.3,
    };
    let points = scan(&made(Deviation::ThicknessChange(change)));
    let away = |p: &Point| ((p.x - 50.0) * (p.x - 50.0) + (p.y - 30.0) * (p.y - 30.0)).sqrt();
    let (mut inside, mut outside) = (0, 0);
    for p in points.iter().filter(|p| away(p) < 28.0) {
        if p.z > -1.0 {
            assert_eq!(p.z, 0.0);
        } else if away(p) < 10.0 {
            assert!((p.z + 2.7).abs() < 1e-9, "{p:?}");
            inside += 1;
        } else if away(p) > 20.0 {
            assert!((p.z + 3.0).abs() < 1e-9, "{p:?}");
            outside += 1;
        }
    }
    assert!(inside > 300 && outside > 1000, "{inside} {outside}");
}

#[test]
fn spring_in_is_the_angle_between_fitted_planes() {
    let angle_rad = 0.8_f64.to_radians();
    let spring = SpringIn {
        point: Point::new(60.0, 0.0, 0.0),
        axis: Direction::Y,
        towards: Direction::X,
        angle_rad,
        blend_mm: 5.0,
    };
    let points = scan(&made(Deviation::SpringIn(spring)));
    let normal = |keep: &dyn Fn(&Point) -> bool| {
        let chosen: Vec<&Point> = points.iter().filter(|p| keep(p) && p.y > 1.0 && p.y < 59.0).collect();
        let mean = chosen.iter().fold(Vector::zeros(), |s, p| s + p.coords) / chosen.len() as f64;
        let scatter = chosen.iter().fold(crate::geometry::Matrix3::zeros(), |m, p| {
            let d = p.coords - mean;
            m + d * d.transpose()
        });
        let (values, vectors) = symmetric_eigen3(&scatter);
        assert!(values[0] < 1e-9 * values[1], "{values:?}");
        Direction::new(vectors[0] * vectors[0].z.signum()).unwrap()
    };
    let still = normal(&|p| p.x > 1.0 && p.x < 59.0 && p.z > -1.0);
    // The turned visible skin: 1.6 mm deep at most at its end, the hidden one 3 mm further.
    let turned = normal(&|p| p.x > 66.0 && p.x < 99.0 && p.z > -1.5);
    assert!(still.angle_to(Direction::Z) < 1e-9);
    assert!((turned.angle_to(still) - angle_rad).abs() < 1e-9, "{}", turned.angle_to(still));
    // About y by the right-hand rule, x goes down.
    assert!(turned.vector().x > 0.0);
}

#[test]
fn a_ply_drop_is_a_step_with_a_ramp() {
    let drop = PlyDrop {
        point: Point::new(30.0, 30.0, 0.0),
        across: Direction::X,
        inward: Direction::Z.reversed(),
        step_mm: 0.25,
        ramp_mm: 6.0,
        half_length_mm: 15.0,
        width_mm: 30.0,
        thickness_mm: 3.0,
    };
    let points = scan(&made(Deviation::PlyDrop(drop)));
    let hidden = points.iter().filter(|p| p.z < -2.0 && (p.y - 30.0).abs() < 14.9 && p.x > 1.0 && p.x < 99.0);
    let mut on_ramp = 0;
    for p in hidden {
        let expected = if p.x < 30.0 || p.x > 66.0 {
            0.0
        } else if p.x < 36.0 {
            on_ramp += 1;
            0.25 * (p.x - 30.0) / 6.0
        } else if p.x < 60.0 {
            0.25
        } else {
            0.25 * (66.0 - p.x) / 6.0
        };
        assert!((p.z + 3.0 - expected).abs() < 1e-9, "{p:?}");
    }
    assert!(on_ramp > 100, "{on_ramp}");
    assert!(
        points
            .iter()
            .filter(|p| p.z > -0.9 && p.x > 1.0 && p.x < 99.0 && p.y > 1.0 && p.y < 59.0)
            .all(|p| p.z == 0.0)
    );
}

#[test]
fn a_resin_ridge_stands_along_its_line_on_one_skin() {
    let ridge = ResinRidge {
        line: [[20.0, 20.0], [50.0, 20.0], [50.0, 45.0]].map(|[x, y]| Point::new(x, y, 0.0)).to_vec(),
        outward: Direction::Z,
        height_mm: 0.35,
        half_width_mm: 3.0,
        reach_mm: 1.5,
    };
    let made = made(Deviation::ResinRidge(ridge));
    for p in [[20.0, 20.0], [35.0, 20.0], [50.0, 20.0], [50.0, 33.0]] {
        assert!((made.point(&Point::new(p[0], p[1], 0.0)).z - 0.35).abs() < 1e-12);
        assert_eq!(made.point(&Point::new(p[0], p[1], -3.0)).z, -3.0);
    }
    // Half of the height half way down.
    assert!((made.point(&Point::new(30.0, 21.5, 0.0)).z - 0.175).abs() < 1e-12);
    let points = scan(&made);
    let away = |p: &Point| {
        let to = |a: [f64; 2], b: [f64; 2]| {
            let (dx, dy) = (p.x - p.x.clamp(a[0], b[0]), p.y - p.y.clamp(a[1], b[1]));
            (dx * dx + dy * dy).sqrt()
        };
        to([20.0, 20.0], [50.0, 20.0]).min(to([50.0, 20.0], [50.0, 45.0]))
    };
    let top = points.iter().map(|p| p.z).fold(0.0, f64::max);
    assert!(top > 0.33 && top <= 0.35, "{top}");
    assert!(points.iter().all(|p| p.z < 1e-12 || away(p) < 3.0));
}

#[test]
fn a_sagging_part_rests_on_its_supports() {
    let sag = Sag {
        supports: [Point::new(10.0, 0.0, -3.0), Point::new(90.0, 7.0, -3.0)],
        down: Direction::Z.reversed(),
        depth_mm: 0.5,
    };
    let level = Vector::new(80.0, 7.0, 0.0);
    let made = made(Deviation::Sag(sag));
    let drop = |share: f64| {
        let p = Point::new(10.0, 0.0, 0.0) + level * share;
        -made.point(&p).z
    };
    assert_eq!(drop(0.0), 0.0);
    assert!(drop(1.0).abs() < 1e-12 && (drop(0.5) - 0.5).abs() < 1e-12);
    // The beam's equation: the fourth derivative is the same everywhere between the supports.
    let fourth = |x: f64| {
        let h = 0.05;
        (drop(x - 2.0 * h) - 4.0 * drop(x - h) + 6.0 * drop(x) - 4.0 * drop(x + h) + drop(x + 2.0 * h))
            / (h * h * h * h)
    };
    // 16/5 times 24 times the depth.
    for x in [0.15, 0.4, 0.5, 0.83] {
        assert!((fourth(x) - 3.2 * 24.0 * 0.5).abs() < 1e-6, "{x}: {}", fourth(x));
    }
    // Overhangs rise in line with the slope at the support.
    assert!((drop(-0.1) + 0.16).abs() < 1e-12 && (drop(1.1) + 0.16).abs() < 1e-12);
    assert!(scan(&made).iter().all(|p| p.z < 0.3 && p.z > -3.51));
}

#[test]
fn deviations_that_cannot_be_made_are_refused() {
    let o = Point::origin();
    let bad = [
        Deviation::TrimOffset(TrimOffset { to: trim().from, ..trim() }),
        Deviation::TrimOffset(TrimOffset { offset_mm: f64::NAN, ..trim() }),
        Deviation::TrimOffset(TrimOffset { band_mm: 0.5, ..trim() }),
        Deviation::TrimOffset(TrimOffset { run_out_mm: 0.0, ..trim() }),
        Deviation::TrimOffset(TrimOffset { outward: Direction::X, ..trim() }),
        Deviation::Sag(Sag { supports: [o, o], down: Direction::Z, depth_mm: 1.0 }),
        Deviation::Sag(Sag { supports: [o, Point::new(0.0, 0.0, 9.0)], down: Direction::Z, depth_mm: 0.1 }),
        Deviation::Sag(Sag { supports: [o, trim().to], down: Direction::Z, depth_mm: f64::INFINITY }),
        Deviation::SpringIn(SpringIn {
            point: o,
            axis: Direction::X,
            towards: Direction::X,
            angle_rad: 0.01,
            blend_mm: 1.0,
        }),
        Deviation::SpringIn(SpringIn {
            point: o,
            axis: Direction::X,
            towards: Direction::Y,
            angle_rad: 2.0,
            blend_mm: 1.0,
        }),
        Deviation::ResinRidge(ResinRidge {
            line: vec![o],
            outward: Direction::Z,
            height_mm: 1.0,
            half_width_mm: 1.0,
            reach_mm: 1.0,
        }),
        Deviation::ThicknessChange(ThicknessChange {
            centre: o,
            inward: Direction::Z,
            radius_mm: 10.0,
            flat: 1.0,
            thickness_mm: 3.0,
            change_mm: 0.1,
        }),
        Deviation::PlyDrop(PlyDrop {
            point: o,
            across: Direction::X,
            inward: Direction::X,
            step_mm: 0.1,
            ramp_mm: 1.0,
            half_length_mm: 1.0,
            width_mm: 2.0,
            thickness_mm: 3.0,
        }),
    ];
    for deviation in bad {
        assert!(deviation.fault().is_some(), "{deviation:?}");
        let made = Made::of_mesh(plate(), Vec::new(), vec![deviation.clone()]);
        let scanner = Scanner::front(5.0, 0.0, 1);
        let answer = scanner.scan(&made, &Motion::identity());
        assert!(matches!(answer, Err(ScannerError::Deviation { body: 0, index: 0, .. })), "{deviation:?}");
    }
    let sound = Deviation::TrimOffset(trim());
    assert_eq!(sound.fault(), None);
}
