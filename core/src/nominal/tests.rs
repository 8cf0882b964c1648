use super::*;
use crate::geometry::random::Random;
use crate::geometry::{Motion, Vector, math};
use crate::run::quiet;

#[path = "finer_tests.rs"]
mod finer;

/// A mesh put together from quadrilaterals with corners of their own, as STL files are after reading
/// badly: welding has to find the shared ones.
#[derive(Default)]
struct Builder {
    raw: RawScan,
}

impl Builder {
    fn triangle(&mut self, corners: [Point; 3]) {
        let n = self.raw.points.len() as u32;
        self.raw.points.extend(corners);
        self.raw.triangles.push([n, n + 1, n + 2]);
    }

    /// Corners counter-clockwise from outside.
    fn quad(&mut self, [a, b, c, d]: [Point; 4]) {
        self.triangle([a, b, c]);
        self.triangle([a, c, d]);
    }

    fn cuboid(&mut self, low: Point, high: Point) {
        let p = |i: usize| {
            let pick = |axis: usize| if i >> axis & 1 == 0 { low[axis] } else { high[axis] };
            Point::new(pick(0), pick(1), pick(2))
        };
        for q in [[0, 2, 3, 1], [4, 5, 7, 6], [0, 1, 5, 4], [2, 6, 7, 3], [0, 4, 6, 2], [1, 3, 7, 5]] {
            self.quad(q.map(p));
        }
    }

    /// A square plate with a round through-hole in the middle; `n` facets, a multiple of 8.
    fn drilled_plate(&mut self, half_side: f64, thickness: f64, radius: f64, n: usize) {
        let ring = |i: usize, top: bool, hole: bool| {
            let a = 2.0 * std::f64::consts::PI * (i % n) as f64 / n as f64;
            let (x, y) = (math::cos(a), math::sin(a));
            let r = if hole { radius } else { half_side / x.abs().max(y.abs()) };
            Point::new(r * x, r * y, if top { thickness } else { 0.0 })
        };
        for i in 0..n {
            let j = i + 1;
            self.quad([ring(i, true, true), ring(i, true, false), ring(j, true, false), ring(j, true, true)]);
            self.quad([
                ring(i, false, true),
                ring(j, false, true),
                ring(j, false, false),
                ring(i, false, false),
            ]);
            self.quad([
                ring(i, false, false),
                ring(j, false, false),
                ring(j, true, false),
                ring(i, true, false),
            ]);
            self.quad([ring(i, false, true), ring(i, true, true), ring(j, true, true), ring(j, false, true)]);
        }
    }

    /// An open sheet along y: flat, a quarter bend of `radius` in `strips`, flat.
    fn bent_sheet(&mut self, flat: f64, radius: f64, width: f64, strips: usize) {
        let mut section = vec![[0.0, 0.0]];
        for i in 0..=strips {
            let a = 0.5 * std::f64::consts::PI * i as f64 / strips as f64;
            section.push([flat + radius * math::sin(a), radius - radius * math::cos(a)]);
        }
        section.push([flat + radius, radius + flat]);
        for w in section.windows(2) {
            let p = |k: usize, y: f64| Point::new(w[k][0], y, w[k][1]);
            self.quad([p(0, 0.0), p(1, 0.0), p(1, width), p(0, width)]);
        }
    }

    /// Turned and shifted so that nothing lies along an axis; coordinates rounded to single precision
    /// when `single`.
    fn moved(
        mut self,
        single: bool,
    ) -> (Self, Motion<crate::geometry::PartFrame, crate::geometry::PartFrame>) {
        let motion =
            Motion::from_turn_and_shift(Vector::new(0.4, -0.7, 0.3), Vector::new(120.0, -40.0, 310.0));
        for p in &mut self.raw.points {
            *p = motion.point(p);
            if single {
                *p = p.map(|c| f64::from(c as f32));
            }
        }
        (self, motion)
    }

    /// Every triangle divided into four at the middles of its edges, which lie on chords of what is round.
    fn divided(mut self) -> Self {
        let whole = std::mem::take(&mut self.raw);
        for [a, b, c] in whole.triangles.iter().map(|t| t.map(|c| whole.points[c as usize])) {
            let [ab, bc, ca] = [(a, b), (b, c), (c, a)].map(|(p, q)| nalgebra::center(&p, &q));
            for corners in [[a, ab, ca], [ab, b, bc], [ca, bc, c], [ab, bc, ca]] {
                self.triangle(corners);
            }
        }
        self
    }

    fn nominal(self, side: Option<Side>) -> Result<Nominal, NominalError> {
        Nominal::from_mesh(self.raw, LengthUnit::Millimetre, side, &quiet())
    }
}

/// What must hold for every nominal.
fn sound(n: &Nominal) {
    let triangles = n.mesh().triangles();
    assert_eq!((n.across().len(), n.face_of_triangle().len()), (triangles.len(), triangles.len()));
    let mut seen = 0;
    for (f, face) in n.faces().iter().enumerate() {
        seen += face.triangles.len();
        assert!(face.triangles.is_sorted() && face.neighbours.is_sorted());
        assert!(face.triangles.iter().all(|&t| n.face_of_triangle()[t as usize] as usize == f));
        let area: f64 = face.triangles.iter().map(|&t| n.mesh().area(t)).sum();
        assert!((area - face.area_mm2).abs() <= 1e-9 * area);
        for &g in &face.neighbours {
            assert!(n.faces()[g as usize].neighbours.contains(&(f as u32)));
        }
    }
    assert_eq!(seen, triangles.len());
    for (t, across) in n.across().iter().enumerate() {
        for k in 0..3 {
            let Some(o) = across[k] else { continue };
            let (a, b) = (triangles[t][k], triangles[t][(k + 1) % 3]);
            // The neighbour names this triangle at the same edge and runs along it the other way.
            let back = (0..3).find(|&i| {
                let other = triangles[o as usize];
                n.across()[o as usize][i] == Some(t as u32) && other[i] == b && other[(i + 1) % 3] == a
            });
            assert!(back.is_some(), "triangle {t} edge {k}");
        }
    }
}

/// Enclosed volume by the divergence theorem.
fn volume(n: &Nominal) -> f64 {
    let corner = |t: usize| n.mesh().corners(t as u32).map(|p| p.coords);
    (0..n.mesh().triangles().len()).map(corner).map(|[a, b, c]| a.dot(&b.cross(&c)) / 6.0).sum()
}

fn cylinders(n: &Nominal) -> Vec<(Point, Direction, f64, bool)> {
    let each = n.faces().iter().filter_map(|f| match f.carrier {
        Some(Carrier::Cylinder { point, axis, radius_mm, hollow }) => Some((point, axis, radius_mm, hollow)),
        _ => None,
    });
    each.collect()
}

fn planes(n: &Nominal) -> usize {
    n.faces().iter().filter(|f| matches!(f.carrier, Some(Carrier::Plane { .. }))).count()
}

#[test]
fn a_drilled_plate_has_six_planes_and_one_hollow_cylinder() {
    for facets in [24, 48, 96, 200] {
        for (single, accuracy) in [(false, 1e-11), (true, 3e-5)] {
            let mut plate = Builder::default();
            plate.drilled_plate(40.0, 6.0, 5.0, facets);
            let (plate, motion) = plate.moved(single);
            let n = plate.nominal(None).unwrap();
            sound(&n);
            assert!(n.closed());
            assert_eq!((n.faces().len(), planes(&n)), (7, 6), "{facets} facets, single {single}");
            let [(point, axis, radius, hollow)] = cylinders(&n)[..] else { panic!("one cylinder") };
            let truth = motion.direction(Direction::Z);
            assert!(hollow);
            assert!((radius - 5.0).abs() < accuracy, "{radius}");
            assert!(axis.vector().cross(&truth.vector()).norm() < accuracy);
            assert!((point - motion.point(&Point::new(0.0, 0.0, 3.0))).norm() < accuracy, "{point}");
            for face in n.faces() {
                if let Some(Carrier::Plane { normal, .. }) = face.carrier {
                    let outwards = n.mesh().normal(face.triangles[0]).unwrap();
                    assert!(normal.dot(outwards) > 0.999_999);
                }
            }
        }
    }
}

#[test]
fn the_rim_of_a_hole_is_its_two_circles() {
    let mut plate = Builder::default();
    plate.drilled_plate(40.0, 6.0, 5.0, 96);
    let n = plate.nominal(None).unwrap();
    let wall = n.faces().iter().find(|f| matches!(f.carrier, Some(Carrier::Cylinder { .. }))).unwrap();
    let rim = n.rim(&wall.triangles);
    assert_eq!(rim.len(), 2 * 96);
    for [a, b] in &rim {
        assert!(((a.x * a.x + a.y * a.y).sqrt() - 5.0).abs() < 1e-12 && a.z == b.z);
    }
    let length: f64 = rim.iter().map(|[a, b]| (b - a).norm()).sum();
    let chord = 2.0 * 5.0 * math::sin(std::f64::consts::PI / 96.0);
    assert!((length - 192.0 * chord).abs() < 1e-9);
    // All triangles of a closed surface have no rim.
    let all: Vec<u32> = (0..n.mesh().triangles().len() as u32).collect();
    assert!(n.rim(&all).is_empty());
    assert!(n.rim(&[u32::MAX]).is_empty());
}

#[test]
fn a_pin_is_a_full_cylinder_not_a_hollow_one() {
    let mut pin = Builder::default();
    pin.drilled_plate(40.0, 6.0, 5.0, 48);
    // Keep the wall of the hole only, turned inside out, and close it by two fans.
    let wall: Vec<[u32; 3]> =
        pin.raw.triangles.chunks(8).flat_map(|c| [c[6], c[7]]).map(|[a, b, c]| [a, c, b]).collect();
    pin.raw.triangles = wall.clone();
    for [a, b, c] in wall {
        for (u, v) in [(a, b), (b, c), (c, a)] {
            let (p, q) = (pin.raw.points[u as usize], pin.raw.points[v as usize]);
            if p.z == q.z && p != q {
                pin.triangle([q, p, Point::new(0.0, 0.0, p.z)]);
            }
        }
    }
    let n = pin.nominal(None).unwrap();
    sound(&n);
    assert!(n.closed());
    assert_eq!((n.faces().len(), planes(&n)), (3, 2));
    let [(_, _, radius, hollow)] = cylinders(&n)[..] else { panic!("one cylinder") };
    assert!(!hollow && (radius - 5.0).abs() < 1e-11);
}

#[test]
fn a_bent_sheet_has_two_planes_and_a_fillet() {
    for strips in [6, 8, 16, 40] {
        for side in [Side::BehindNormal, Side::InFrontOfNormal] {
            let mut sheet = Builder::default();
            sheet.bent_sheet(60.0, 8.0, 200.0, strips);
            let n = sheet.moved(true).0.nominal(Some(side)).unwrap();
            sound(&n);
            assert!(!n.closed());
            assert_eq!((n.faces().len(), planes(&n)), (3, 2), "{strips} strips");
            let [(_, _, radius, hollow)] = cylinders(&n)[..] else { panic!("one cylinder") };
            assert!((radius - 8.0).abs() < 1e-3, "{radius}");
            // The file's normals point to the axis of the bend: with the material behind them the
            // material is outside the cylinder.
            assert_eq!(hollow, side == Side::BehindNormal);
        }
    }
}

#[test]
fn an_open_sheet_needs_its_side_and_is_turned_by_it() {
    let sheet = || {
        let mut sheet = Builder::default();
        let p = |x: f64, y: f64| Point::new(x, y, 0.0);
        for i in 0..5 {
            let x = f64::from(i);
            sheet.quad([p(x, 0.0), p(x + 1.0, 0.0), p(x + 1.0, 4.0), p(x, 4.0)]);
        }
        // One triangle of ten lies the wrong way round in the file.
        sheet.raw.triangles[4].swap(0, 1);
        sheet
    };
    let error = sheet().nominal(None).unwrap_err();
    assert!(matches!(error, NominalError::SideNeeded { open_edges: 12, .. }), "{error:?}");
    assert!(error.to_string().contains("side_of_material"));
    for (side, z) in [(Side::BehindNormal, 1.0), (Side::InFrontOfNormal, -1.0)] {
        let n = sheet().nominal(Some(side)).unwrap();
        sound(&n);
        assert_eq!((n.faces().len(), n.closed()), (1, false));
        let face = &n.faces()[0];
        assert!(matches!(face.carrier, Some(Carrier::Plane { normal, .. }) if normal.vector().z == z));
        assert!((face.area_mm2 - 20.0).abs() < 1e-12);
        assert!((face.centroid - Point::new(2.5, 2.0, 0.0)).norm() < 1e-12);
        assert_eq!(n.rim(&face.triangles).len(), 12);
    }
}

#[test]
fn flipped_triangles_and_an_inside_out_box_end_up_outwards() {
    for seed in 0..8 {
        let mut random = Random::seeded(seed);
        let mut cube = Builder::default();
        cube.cuboid(Point::new(1.0, 2.0, 3.0), Point::new(11.0, 7.0, 5.0));
        for t in &mut cube.raw.triangles {
            if seed == 0 || random.unit() < 0.5 {
                t.swap(0, 2);
            }
        }
        let n = cube.nominal(None).unwrap();
        sound(&n);
        assert!((volume(&n) - 100.0).abs() < 1e-9, "seed {seed}");
        assert_eq!((n.faces().len(), planes(&n), n.mesh().vertices().len()), (6, 6, 8));
        for face in n.faces() {
            assert_eq!(face.neighbours.len(), 4);
            let Some(Carrier::Plane { point, normal }) = face.carrier else { panic!("a plane") };
            assert!((point - Point::new(6.0, 4.5, 4.0)).dot(&normal.vector()) > 0.0);
        }
    }
}

#[test]
fn the_shell_of_a_cavity_points_into_it_however_it_was_wound() {
    for swap in [false, true] {
        let mut block = Builder::default();
        block.cuboid(Point::new(0.0, 0.0, 0.0), Point::new(10.0, 10.0, 10.0));
        block.cuboid(Point::new(2.0, 2.0, 2.0), Point::new(4.0, 4.0, 4.0));
        block.cuboid(Point::new(2.5, 2.5, 2.5), Point::new(3.5, 3.5, 3.5));
        block.cuboid(Point::new(20.0, 0.0, 0.0), Point::new(21.0, 1.0, 1.0));
        if swap {
            block.raw.triangles.iter_mut().for_each(|t| t.swap(1, 2));
        }
        let n = block.nominal(None).unwrap();
        sound(&n);
        assert!(n.closed());
        // 1000 less the cavity of 8, and 1 loose in the cavity, and 1 beside.
        assert!((volume(&n) - (1000.0 - 8.0 + 1.0 + 1.0)).abs() < 1e-9);
    }
}

#[test]
fn two_boxes_that_touch_along_an_edge_are_two_closed_shells() {
    let mut boxes = Builder::default();
    boxes.cuboid(Point::new(0.0, 0.0, 0.0), Point::new(1.0, 1.0, 1.0));
    boxes.cuboid(Point::new(1.0, 1.0, 0.0), Point::new(2.0, 2.0, 1.0));
    let n = boxes.nominal(None).unwrap();
    sound(&n);
    assert!(n.closed() && (volume(&n) - 2.0).abs() < 1e-12);
    assert_eq!(n.faces().len(), 12);
}

#[test]
fn repeated_and_degenerate_triangles_are_dropped() {
    let mut cube = Builder::default();
    cube.cuboid(Point::origin(), Point::new(10.0, 10.0, 10.0));
    let again = cube.raw.triangles.clone();
    cube.raw.triangles.extend(again.iter().map(|t| [t[2], t[1], t[0]]));
    cube.raw.triangles.push([0, 0, 5]);
    // A needle whose short side is below the welding tolerance, and vertices that nobody uses.
    cube.triangle([Point::origin(), Point::new(5e-6, 0.0, 0.0), Point::new(10.0, 0.0, 0.0)]);
    cube.raw.points.push(Point::new(500.0, 0.0, 0.0));
    let n = cube.nominal(None).unwrap();
    sound(&n);
    assert_eq!((n.mesh().triangles().len(), n.mesh().vertices().len(), n.faces().len()), (12, 8, 6));
    let mut flat = Builder::default();
    flat.triangle([Point::origin(), Point::new(0.0, 0.0, 4e-6), Point::new(3.0, 0.0, 0.0)]);
    assert!(matches!(flat.nominal(None), Err(NominalError::NoArea { triangles: 1, .. })));
}

#[test]
fn a_sliver_between_the_halves_of_a_plane_does_not_cut_it() {
    // The top of the box has a vertex in the middle of its diagonal, used from one side only; a sliver
    // without area fills the crack.
    let mut cube = Builder::default();
    cube.cuboid(Point::origin(), Point::new(10.0, 10.0, 10.0));
    let p = |x: f64, y: f64| Point::new(x, y, 10.0);
    cube.raw.triangles.drain(2..4);
    cube.triangle([p(0.0, 0.0), p(10.0, 0.0), p(10.0, 10.0)]);
    cube.triangle([p(0.0, 0.0), p(10.0, 10.0), p(5.0, 5.0)]);
    cube.triangle([p(0.0, 0.0), p(5.0, 5.0), p(0.0, 10.0)]);
    cube.triangle([p(5.0, 5.0), p(10.0, 10.0), p(0.0, 10.0)]);
    let n = cube.nominal(None).unwrap();
    sound(&n);
    assert!(n.closed());
    assert_eq!((n.mesh().triangles().len(), n.faces().len(), planes(&n)), (14, 6, 6));
}

#[test]
fn a_moebius_strip_has_no_outside() {
    let n = 24;
    let mut strip = Builder::default();
    let p = |i: usize, s: f64| {
        let a = 2.0 * std::f64::consts::PI * i as f64 / n as f64;
        let r = 20.0 + s * math::cos(0.5 * a);
        Point::new(r * math::cos(a), r * math::sin(a), s * math::sin(0.5 * a))
    };
    for i in 0..n {
        strip.quad([p(i, -3.0), p(i + 1, -3.0), p(i + 1, 3.0), p(i, 3.0)]);
    }
    assert!(matches!(strip.nominal(Some(Side::BehindNormal)), Err(NominalError::OneSided { .. })));
}

#[test]
fn a_third_wall_on_an_edge_makes_a_border_there() {
    let mut sheet = Builder::default();
    let p = Point::new;
    sheet.quad([p(0.0, 0.0, 0.0), p(5.0, 0.0, 0.0), p(5.0, 5.0, 0.0), p(0.0, 5.0, 0.0)]);
    sheet.quad([p(5.0, 0.0, 0.0), p(9.0, 0.0, 0.0), p(9.0, 5.0, 0.0), p(5.0, 5.0, 0.0)]);
    sheet.quad([p(5.0, 0.0, 0.0), p(5.0, 5.0, 0.0), p(5.0, 5.0, 4.0), p(5.0, 0.0, 4.0)]);
    assert!(matches!(Builder { raw: sheet.raw.clone() }.nominal(None), Err(NominalError::SideNeeded { .. })));
    let n = sheet.nominal(Some(Side::BehindNormal)).unwrap();
    sound(&n);
    assert_eq!((n.faces().len(), planes(&n)), (3, 3));
    assert!(n.faces().iter().all(|f| f.neighbours.is_empty()));
}

/// A doubly curved sheet over a grid.
fn dome(n: usize, size: f64, height: f64) -> Builder {
    let p = |i: usize, j: usize| {
        let (x, y) = (size * i as f64 / n as f64, size * j as f64 / n as f64);
        Point::new(x, y, height * math::sin(0.03 * x) * math::cos(0.02 * y))
    };
    let mut sheet = Builder::default();
    for i in 0..n {
        for j in 0..n {
            sheet.quad([p(i, j), p(i + 1, j), p(i + 1, j + 1), p(i, j + 1)]);
        }
    }
    sheet
}

#[test]
fn a_doubly_curved_sheet_is_one_freeform_face() {
    for n in [12, 60, 120] {
        let nominal = dome(n, 100.0, 6.0).nominal(Some(Side::BehindNormal)).unwrap();
        sound(&nominal);
        assert_eq!(nominal.faces().len(), 1, "{n}");
        assert_eq!(nominal.faces()[0].carrier, None);
    }
}

#[test]
fn an_extruded_curve_that_is_no_circle_is_freeform() {
    let mut sheet = Builder::default();
    let p = |i: usize, y: f64| {
        let x = i as f64;
        Point::new(x, y, 10.0 * math::sin(0.06 * x))
    };
    for i in 0..60 {
        sheet.quad([p(i, 0.0), p(i + 1, 0.0), p(i + 1, 50.0), p(i, 50.0)]);
    }
    let n = sheet.nominal(Some(Side::BehindNormal)).unwrap();
    sound(&n);
    assert_eq!((n.faces().len(), planes(&n), cylinders(&n).len()), (1, 0, 0));
}

#[test]
fn a_slot_has_two_ends_and_two_sides() {
    // A closed wall: half circles of radius 4 about (-9, 0) and (9, 0), joined by straight sides.
    let per_end = 16;
    let mut outline = Vec::new();
    for (end, from) in [(9.0, -0.5), (-9.0, 0.5)] {
        for i in 0..=per_end {
            let a = std::f64::consts::PI * (from + f64::from(i) / f64::from(per_end));
            outline.push((end + 4.0 * math::cos(a), 4.0 * math::sin(a)));
        }
    }
    let mut wall = Builder::default();
    for i in 0..outline.len() {
        let (a, b) = (outline[i], outline[(i + 1) % outline.len()]);
        let p = |(x, y): (f64, f64), z: f64| Point::new(x, y, z);
        wall.quad([p(b, 0.0), p(a, 0.0), p(a, 3.0), p(b, 3.0)]);
    }
    let n = wall.nominal(Some(Side::BehindNormal)).unwrap();
    sound(&n);
    assert_eq!((n.faces().len(), planes(&n)), (4, 2));
    let ends = cylinders(&n);
    assert_eq!(ends.len(), 2);
    for (point, axis, radius, hollow) in ends {
        assert!(hollow && (radius - 4.0).abs() < 1e-11, "{radius}");
        assert!(axis.angle_to(Direction::Z) < 1e-11, "{axis:?}");
        assert!((point.x.abs() - 9.0).abs() < 1e-11 && point.y.abs() < 1e-11);
    }
}

#[test]
fn moving_a_mesh_moves_its_faces_and_units_scale_them() {
    let build = || {
        let mut plate = Builder::default();
        plate.drilled_plate(40.0, 6.0, 5.0, 48);
        plate
    };
    let n = build().nominal(None).unwrap();
    let (moved, motion) = build().moved(false);
    let moved = moved.nominal(None).unwrap();
    let inches = Nominal::from_mesh(build().raw, LengthUnit::Inch, None, &quiet()).unwrap();
    for ((a, b), c) in n.faces().iter().zip(moved.faces()).zip(inches.faces()) {
        assert_eq!((&a.triangles, &a.neighbours), (&b.triangles, &b.neighbours));
        assert_eq!(a.triangles, c.triangles);
        assert!((motion.point(&a.centroid) - b.centroid).norm() < 1e-10);
        assert!((a.area_mm2 * 25.4 * 25.4 / c.area_mm2 - 1.0).abs() < 1e-12);
    }
}

#[test]
fn what_is_no_nominal_is_refused() {
    assert_eq!(Builder::default().nominal(None), Err(NominalError::NoTriangles));
    let mut one = Builder::default();
    one.triangle([Point::origin(), Point::new(1.0, 0.0, 0.0), Point::new(0.0, 1e8, 0.0)]);
    let far = Err(NominalError::TooFar { vertex: 2, limit_mm: FURTHEST_MM });
    assert_eq!(Builder { raw: one.raw.clone() }.nominal(None), far);
    one.raw.triangles[0] = [0, 1, 3];
    one.raw.points[2].y = 1.0;
    assert_eq!(one.nominal(None), Err(NominalError::Inconsistent { triangle: 0 }));
}

#[test]
fn a_stop_is_obeyed() {
    let stop = std::sync::atomic::AtomicBool::new(true);
    let run = Run { stop: &stop, ..quiet() };
    let raw = dome(4, 10.0, 1.0).raw;
    let answer = Nominal::from_mesh(raw, LengthUnit::Millimetre, None, &run);
    assert!(matches!(answer, Err(NominalError::Stopped(_))));
}

#[test]
fn half_a_million_curved_triangles_are_one_face() {
    let n = dome(500, 500.0, 6.0).nominal(Some(Side::BehindNormal)).unwrap();
    assert_eq!(n.mesh().triangles().len(), 500_000);
    let largest = n.faces().iter().map(|f| f.area_mm2).fold(0.0, f64::max);
    let all: f64 = n.faces().iter().map(|f| f.area_mm2).sum();
    assert!(largest > 0.99 * all, "{} faces", n.faces().len());
}

#[test]
fn thousands_of_regions_are_divided_as_one_by_one() {
    let mut boxes = Builder::default();
    for i in 0..3000u32 {
        let at = Point::new(f64::from(i % 60) * 3.0, f64::from(i / 60) * 4.0, 0.0);
        boxes.cuboid(at, at + Vector::new(1.0, 2.0, 1.0 + f64::from(i % 7)));
    }
    let on = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        pool.install(|| {
            Nominal::from_mesh(boxes.raw.clone(), LengthUnit::Millimetre, None, &quiet()).unwrap()
        })
    };
    let nominal = on(1);
    sound(&nominal);
    assert_eq!((nominal.faces().len(), planes(&nominal)), (18_000, 18_000));
    for (f, face) in (0u32..).zip(nominal.faces()) {
        assert_eq!(face.triangles, [2 * f, 2 * f + 1]);
        let Some(Carrier::Plane { point, normal }) = face.carrier else { panic!("no plane") };
        for p in face.triangles.iter().flat_map(|&t| nominal.mesh().corners(t)) {
            assert!((p - point).dot(&normal.vector()).abs() < 1e-9);
        }
    }
    assert!(on(4) == nominal);
}
