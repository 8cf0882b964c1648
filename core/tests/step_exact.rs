//! Distances from the surfaces of STEP files, held against closed forms and against a projection of the
//! test's own; triangles held against the chord error that was asked for.

#![allow(clippy::unwrap_used, reason = "a sample that cannot be read fails the test")]

mod step_text;

use std::f64::consts::{PI, TAU};

use scantling_core::geometry::random::Random;
use scantling_core::geometry::{Direction, Matrix3, Motion, Point, TriangleMesh, Vector, math};
use scantling_core::nominal::{self, NominalFile, TrimmedEdge};
use scantling_core::read::step::{Carrier, FaceSurface, StepPart, StepSettings, read};
use scantling_core::run::quiet;
use scantling_core::search::SurfaceTree;
use step_text::StepText;
use step_text::faces::{self, CONE, Patch, freeform, round};

const Z: Vector = Vector::new(0.0, 0.0, 1.0);
const X: Vector = Vector::new(1.0, 0.0, 0.0);
const O: Point = Point::new(0.0, 0.0, 0.0);

/// Any attitude, at a distance from the origin as parts of vehicles have it.
fn attitude() -> (Matrix3, Vector) {
    let turn = Motion::<(), ()>::from_turn_and_shift(Vector::new(0.4, -0.9, 1.3), Vector::zeros());
    (*turn.rotation(), Vector::new(900.0, -350.0, 420.0))
}

fn read_part(text: &StepText, chord_mm: f64) -> StepPart {
    let settings = StepSettings { chord_mm, ..StepSettings::default() };
    let mut file = read(&quiet(), text.file().as_bytes(), &settings).unwrap();
    assert_eq!((file.parts.len(), file.notes.len()), (1, 0));
    file.parts.remove(0)
}

/// A closed form: signed distance from the surface, positive on the side of its own normal, in the writer's
/// axes.
type Distance = fn(&Point) -> f64;

/// The face of one kind, bounded by whole circles or straight edges, its area and the distance from its
/// surface.
struct Analytic {
    name: &'static str,
    write: fn(&mut StepText, bool) -> u64,
    area_mm2: f64,
    distance: Distance,
    /// A place on the surface from two numbers between 0 and 1.
    at: fn(f64, f64) -> Point,
}

fn analytic() -> [Analytic; 6] {
    let cos = math::cos;
    [
        Analytic {
            name: "plane",
            write: faces::plane,
            // The shoelace formula for the corners above.
            area_mm2: 0.5 * (40.0 * 30.0 + (55.0 * 20.0 + 5.0 * 30.0)),
            distance: |p| p.z,
            at: |s, t| Point::new(40.0 * s, 20.0 * t, 0.0),
        },
        Analytic {
            name: "cylinder",
            write: faces::cylinder,
            area_mm2: TAU * 12.0 * 25.0,
            distance: |p| (p.x * p.x + p.y * p.y).sqrt() - 12.0,
            at: |s, t| round(12.0, TAU * s, 25.0 * t),
        },
        Analytic {
            name: "cone",
            write: faces::cone,
            // Pi (r + R) times the slant height.
            area_mm2: PI * (16.0 + 20.0 * math::tan(CONE)) * 20.0 / cos(CONE),
            distance: |p| ((p.x * p.x + p.y * p.y).sqrt() - 8.0) * math::cos(CONE) - p.z * math::sin(CONE),
            at: |s, t| round(8.0 + 20.0 * t * math::tan(CONE), TAU * s, 20.0 * t),
        },
        Analytic {
            name: "zone of a ball",
            write: faces::zone,
            // Archimedes: the circumference times the height.
            area_mm2: TAU * 10.0 * 14.0,
            distance: |p| p.coords.norm() - 10.0,
            at: |s, t| {
                let z = -6.0 + 14.0 * t;
                round((100.0 - z * z).sqrt(), TAU * s, z)
            },
        },
        Analytic {
            name: "cap of a ball",
            write: faces::cap,
            area_mm2: TAU * 10.0 * 16.0,
            distance: |p| p.coords.norm() - 10.0,
            at: |s, t| {
                let z = -6.0 + 15.9 * t;
                round((100.0 - z * z).sqrt(), TAU * s, z)
            },
        },
        Analytic {
            name: "torus",
            write: faces::torus,
            // The integral of 2 pi (R + r cos v) r over v.
            area_mm2: TAU * 5.0 * (15.0 * 5.0 * PI / 6.0 + 5.0 * 0.5),
            distance: |p| {
                let r = (p.x * p.x + p.y * p.y).sqrt() - 15.0;
                (r * r + p.z * p.z).sqrt() - 5.0
            },
            at: |s, t| {
                let v = 5.0 * PI / 6.0 * t;
                round(15.0 + 5.0 * math::cos(v), TAU * s, 5.0 * math::sin(v))
            },
        },
    ]
}

fn written(kind: &Analytic, inch: bool, same: bool) -> StepText {
    let mut text = StepText::new();
    (text.turn, text.shift) = attitude();
    if inch {
        text.unit_mm(25.4);
    }
    let face = (kind.write)(&mut text, same);
    let body = text.sheet(&[face]);
    text.product("one face", &[body]);
    text
}

#[test]
fn distances_from_analytic_surfaces_are_those_of_their_closed_forms() {
    let mut random = Random::seeded(41);
    for kind in analytic() {
        for (inch, same) in [(false, true), (false, false), (true, true)] {
            let text = written(&kind, inch, same);
            let part = read_part(&text, 0.01);
            let surface = part.faces[0].surface.as_ref().unwrap();
            let sign = if same { 1.0 } else { -1.0 };
            let mut worst = 0.0_f64;
            for _ in 0..500 {
                let on = (kind.at)(random.unit(), random.unit());
                // Half of the smallest radius away at most, so that the nearest place is the one meant.
                let local = on + random.direction().vector() * (2.5 * random.unit());
                let p = text.place(local);
                let foot = surface.foot(&p, &p).unwrap();
                let exact = (kind.distance)(&local);
                worst = worst.max((foot.distance_mm - sign * exact).abs());
                worst = worst.max(((foot.point - p).norm() - exact.abs()).abs());
                // On the surface itself, and the normal along the way there.
                let back = text.turn.transpose() * (foot.point.coords - text.shift);
                worst = worst.max((kind.distance)(&Point::from(back)).abs());
                let across = (p - foot.point) - foot.normal.vector() * foot.distance_mm;
                worst = worst.max(across.norm());
            }
            assert!(worst < 1e-9, "{} {inch} {same}: {worst:e} mm", kind.name);
        }
    }
}

#[test]
fn triangles_of_analytic_faces_lie_within_the_chord_error_and_have_the_area() {
    let mut random = Random::seeded(42);
    for kind in analytic() {
        for (chord_mm, share) in [(0.1, 8e-3), (0.01, 2e-3), (0.002, 4e-4)] {
            let text = written(&kind, false, true);
            let part = read_part(&text, chord_mm);
            let mut area = 0.0;
            for t in &part.triangles {
                let [a, b, c] = t.map(|v| part.vertices[v as usize]);
                area += 0.5 * (b - a).cross(&(c - a)).norm();
            }
            let off = (area / kind.area_mm2 - 1.0).abs();
            assert!(off < share, "{} {chord_mm}: {area} of {}", kind.name, kind.area_mm2);
            let mut worst = 0.0_f64;
            for p in places(&part, &mut random, 1000) {
                let local = Point::from(text.turn.transpose() * (p.coords - text.shift));
                worst = worst.max((kind.distance)(&local).abs());
            }
            assert!(worst <= chord_mm, "{} {chord_mm}: {worst}", kind.name);
        }
    }
}

/// Random places on the triangles of a part's only face, every triangle as often.
fn places(part: &StepPart, random: &mut Random, count: usize) -> Vec<Point> {
    (0..count)
        .map(|_| {
            let t = part.triangles[random.below(part.triangles.len())];
            let [a, b, c] = t.map(|v| part.vertices[v as usize]);
            let (s, t) = (random.unit(), random.unit());
            let (s, t) = if s + t > 1.0 { (1.0 - s, 1.0 - t) } else { (s, t) };
            a + (b - a) * s + (c - a) * t
        })
        .collect()
}

/// A surface by a function of two numbers between 0 and 1, in the writer's axes.
type At<'a> = &'a dyn Fn(f64, f64) -> Point;

/// How far a place lies from a surface: a grid of 160 by 160 places, then grids of 5 by 5 about the best of
/// them, each 0.6 times as wide as the one before. No derivative is used, nothing of the product.
struct Slow<'a> {
    at: At<'a>,
    grid: Vec<(f64, f64, Point)>,
}

impl<'a> Slow<'a> {
    const SIDE: i32 = 160;

    fn new(at: At<'a>) -> Self {
        let mut grid = Vec::new();
        for i in 0..=Self::SIDE {
            for j in 0..=Self::SIDE {
                let (u, v) = (f64::from(i) / f64::from(Self::SIDE), f64::from(j) / f64::from(Self::SIDE));
                grid.push((u, v, at(u, v)));
            }
        }
        Self { at, grid }
    }

    fn distance(&self, p: &Point) -> f64 {
        let far = |q: &Point| (q - p).norm();
        let best = self.grid.iter().min_by(|a, b| far(&a.2).total_cmp(&far(&b.2))).unwrap();
        let (mut u, mut v, mut least) = (best.0, best.1, far(&best.2));
        let mut width = 1.0 / f64::from(Self::SIDE);
        while width > 1e-10 {
            let (mid_u, mid_v) = (u, v);
            for i in -2..=2 {
                for j in -2..=2 {
                    let inside = |m: f64, k: i32| (m + 0.5 * width * f64::from(k)).clamp(0.0, 1.0);
                    let (a, b) = (inside(mid_u, i), inside(mid_v, j));
                    let d = far(&(self.at)(a, b));
                    if d < least {
                        (u, v, least) = (a, b, d);
                    }
                }
            }
            width *= 0.6;
        }
        least
    }
}

#[test]
fn distances_from_freeform_surfaces_are_those_of_a_slow_projection() {
    for kind in faces::FREEFORM {
        let mut text = StepText::new();
        (text.turn, text.shift) = attitude();
        let (face, at) = freeform(&mut text, kind);
        let body = text.sheet(&[face]);
        text.product("one face", &[body]);
        let part = read_part(&text, 0.02);
        assert!(part.surface_gap_mm < 1e-9, "{kind}: {}", part.surface_gap_mm);
        let surface = part.faces[0].surface.as_ref().unwrap();
        assert_eq!(surface.carrier(), Carrier::Freeform);
        let slow = Slow::new(&*at);
        let tree =
            SurfaceTree::new(&TriangleMesh::new(part.vertices.clone(), part.triangles.clone()).unwrap());
        let mut random = Random::seeded(43);
        let mut worst = 0.0_f64;
        for n in 0..150 {
            let within = |r: &mut Random| 0.03 + 0.94 * r.unit();
            let (u, v) = (within(&mut random), within(&mut random));
            let on = at(u, v);
            // The side of the normal by differences of the test's own surface.
            let h = 1e-5;
            let normal = (at(u + h, v) - on).cross(&(at(u, v + h) - on)).normalize();
            let height = 3.0 * random.unit() - 1.5;
            // Every fifth beyond the rim: nearest is a place on it, and distances are lengths.
            let beyond = n % 5 == 0 && (kind == "spline" || kind == "rational");
            let local =
                if beyond { at(0.0, v) - Vector::new(4.0, 0.0, height) } else { on + normal * height };
            let p = text.place(local);
            let near = tree.nearest(&p, 20.0).unwrap().point;
            let foot = surface.foot(&p, &near).unwrap();
            let exact = slow.distance(&local);
            worst = worst.max(((foot.point - p).norm() - exact).abs());
            if !beyond {
                worst = worst.max((foot.distance_mm - exact * height.signum()).abs());
            }
        }
        assert!(worst < 1e-6, "{kind}: {worst:e} mm");
        println!("{kind}: within {worst:e} mm");
    }
}

/// Near a centre of curvature the distance hardly rises aside of the foot, and not at all at it: there Newton's steps go far
/// and the curvature of the distance may be the other way where a search begins.
#[test]
fn distances_near_the_centre_of_curvature_of_a_bowl_are_those_of_a_slow_projection() {
    for radii in [[3.0, 3.1], [3.0, 8.0], [5.0, 3.0]] {
        let mut text = StepText::new();
        (text.turn, text.shift) = attitude();
        let bowl = Patch::bowl(radii);
        let face = bowl.write(&mut text);
        let body = text.sheet(&[face]);
        text.product("bowl", &[body]);
        let part = read_part(&text, 0.01);
        let surface = part.faces[0].surface.as_ref().unwrap();
        let at = |u: f64, v: f64| bowl.at(u, v);
        let slow = Slow::new(&at);
        let mesh = TriangleMesh::new(part.vertices.clone(), part.triangles.clone()).unwrap();
        let tree = SurfaceTree::new(&mesh);
        let mut random = Random::seeded(47);
        let (mut worst, mut unknown) = (0.0_f64, 0);
        for n in 0..300 {
            // Half of them about the bottom.
            let wide = if n % 2 == 0 { 0.1 } else { 0.9 };
            let [u, v] = [0, 1].map(|_| 0.5 + wide * (random.unit() - 0.5));
            let on = at(u, v);
            let inwards = Vector::new(-on.x / radii[0], -on.y / radii[1], 1.0).normalize();
            let height = (0.5 + 0.499 * random.unit()) * radii[0].min(radii[1]);
            let local = on + inwards * height;
            let p = text.place(local);
            let near = tree.nearest(&p, 20.0).unwrap().point;
            let Some(foot) = surface.foot(&p, &near) else {
                unknown += 1;
                continue;
            };
            worst = worst.max(((foot.point - p).norm() - slow.distance(&local)).abs());
        }
        println!("{radii:?}: within {worst:e} mm, {unknown} not told");
        assert!(worst < 1e-6 && unknown == 0, "{radii:?}: {worst:e} mm, {unknown} not told");
    }
}

#[test]
fn triangles_of_freeform_faces_lie_within_the_chord_error() {
    for kind in faces::FREEFORM {
        let mut text = StepText::new();
        let (face, at) = freeform(&mut text, kind);
        let body = text.sheet(&[face]);
        text.product("one face", &[body]);
        let slow = Slow::new(&*at);
        for chord_mm in [0.05, 0.01] {
            let part = read_part(&text, chord_mm);
            let places = places(&part, &mut Random::seeded(44), 250);
            let worst = places.iter().map(|p| slow.distance(p)).fold(0.0, f64::max);
            assert!(worst <= 1.05 * chord_mm && worst > 0.1 * chord_mm, "{kind} {chord_mm}: {worst}");
        }
    }
}

/// A tube of rational quadratics is a cylinder exactly: distances against its closed form.
#[test]
fn a_rational_quarter_of_a_tube_is_a_cylinder() {
    let half = math::cos(0.25 * PI);
    let ring = [Point::new(9.0, 0.0, 0.0), Point::new(9.0, 9.0, 0.0), Point::new(0.0, 9.0, 0.0)];
    let rows: Vec<Vec<Point>> = ring.iter().map(|p| vec![*p, p + Z * 30.0]).collect();
    let weights = vec![vec![1.0, 1.0], vec![half, half], vec![1.0, 1.0]];
    let knots: [&[f64]; 2] = [&[0.0, 0.0, 0.0, 1.0, 1.0, 1.0], &[0.0, 0.0, 1.0, 1.0]];
    let mut text = StepText::new();
    (text.turn, text.shift) = attitude();
    let ends = [ring[0], ring[2], ring[2] + Z * 30.0, ring[0] + Z * 30.0].map(|p| (text.vertex(p), p));
    // Arcs as circles on one side, as splines on the other.
    let low = text.circle(O, Z, X, 9.0);
    let low = text.edge(ends[0].0, ends[1].0, low);
    let top: Vec<Point> = ring.iter().map(|p| p + Z * 30.0).collect();
    let top = text.spline(2, &top, knots[0], &[1.0, half, 1.0]);
    let top = text.edge(ends[3].0, ends[2].0, top);
    let (last, first) = (text.straight(ends[1], ends[2]), text.straight(ends[0], ends[3]));
    let surface = text.spline_surface([2, 1], &rows, knots, &weights);
    let way = vec![(low, true), (last, true), (top, false), (first, false)];
    let face = text.face("quarter", surface, &[way], true);
    let body = text.sheet(&[face]);
    text.product("one face", &[body]);
    let part = read_part(&text, 0.01);
    let surface: &FaceSurface = part.faces[0].surface.as_ref().unwrap();
    let mut random = Random::seeded(45);
    for _ in 0..300 {
        let (angle, height) = (0.05 + 1.45 * random.unit(), 30.0 * random.unit());
        let away = 4.0 * random.unit() - 2.0;
        let p = text.place(round(9.0 + away, angle, height));
        let near = text.place(round(9.0, angle + 0.02, height + 0.3));
        let foot = surface.foot(&p, &near).unwrap();
        assert!((foot.distance_mm - away).abs() < 1e-9, "{} {away}", foot.distance_mm);
    }
}

/// The outer edge of the face with this label.
fn trimmed(text: &StepText, label: &str) -> TrimmedEdge {
    let nominal = nominal::read(text.file().as_bytes(), &NominalFile::default(), &quiet()).unwrap();
    assert!(nominal.closed());
    let skin = &nominal.faces().iter().find(|f| f.label == label).unwrap().triangles;
    let borders = nominal.borders(skin);
    assert_eq!(borders.len(), 1);
    nominal.trimmed_edge(skin, &nominal.trimmed(&borders[0])).unwrap()
}

/// Chords of the triangles leave these edges by up to 0.01 mm; the line that edges are measured from does not.
#[test]
fn a_trimmed_edge_lies_on_the_surfaces_of_skin_and_wall() {
    let mut plug = StepText::new();
    (plug.turn, plug.shift) = attitude();
    let wide = 8.0 + 20.0 * math::tan(CONE);
    let (low, high) = (plug.whole_circle(O, Z, X, 8.0), plug.whole_circle(O + Z * 20.0, Z, X, wide));
    let cone = plug.cone(O, Z, X, 8.0, CONE);
    let (floor, top) = (plug.plane(O, Z, X), plug.plane(O + Z * 20.0, Z, X));
    let faces = [
        plug.face("wall", cone, &[vec![(low, true)], vec![(high, false)]], true),
        plug.face("floor", floor, &[vec![(low, false)]], false),
        plug.face("top", top, &[vec![(high, true)]], true),
    ];
    let body = plug.solid(&faces);
    plug.product("plug", &[body]);
    let edge = trimmed(&plug, "top");
    let leaning = |p: &Point| Vector::new(p.x, p.y, 0.0).normalize() * math::cos(CONE) - Z * math::sin(CONE);
    check(&plug, &edge, wide, 20.0, &leaning);

    let quarter = quarter_disc();
    let edge = trimmed(&quarter, "top");
    check(&quarter, &edge, 9.0, 30.0, &|p: &Point| Vector::new(p.x, p.y, 0.0).normalize());
}

/// Holds every place of an edge at this height, and every wall's normal, against a round wall about z; what is straight lies
/// in the planes x = 0 and y = 0.
fn check(text: &StepText, edge: &TrimmedEdge, radius: f64, z: f64, normal: &dyn Fn(&Point) -> Vector) {
    let back = |p: &Point| Point::from(text.turn.transpose() * (p.coords - text.shift));
    let turned = |d: Direction| text.turn.transpose() * d.vector();
    let run = &edge.runs[0];
    assert!(edge.runs.len() == 1 && run.closed);
    let mut round = 0;
    for k in 0..run.places.len() {
        let [from, to] = run.piece(k).map(|p| back(&p));
        assert!((from.z - z).abs() < 1e-9, "{}", from.z - z);
        assert!((turned(run.normals[k]) - Z).norm() < 1e-9);
        let wall = run.walls[k].unwrap();
        let middle = nalgebra::center(&from, &to);
        if middle.x.abs().min(middle.y.abs()) < 1e-6 && radius < 10.0 {
            continue;
        }
        round += 1;
        let off = |p: &Point| (p.x * p.x + p.y * p.y).sqrt() - radius;
        assert!(off(&from).abs() < 2e-7, "{}", off(&from));
        assert!(off(&middle) < 0.0 && off(&middle) > -5.5e-4, "{}", off(&middle));
        assert!((turned(wall.normal) - normal(&middle)).norm() < 1e-6);
        let down = turned(wall.down);
        assert!(
            down.z < 0.0 && down.dot(&normal(&middle)).abs() < 1e-6 && down.dot(&(to - from)).abs() < 1e-9
        );
    }
    // An arc of a turn or a quarter, in pieces that leave it by half a micrometre.
    let whole = if radius < 10.0 { 0.25 * TAU } else { TAU };
    let least = whole / (8.0 * 5e-4 / radius).sqrt();
    assert!(f64::from(round) >= least && f64::from(round) < 3.0 * least, "{round} {least}");
}

/// A quarter of a disc of radius 9 and height 30, whose round wall is a rational B-spline.
fn quarter_disc() -> StepText {
    let half = math::cos(0.25 * PI);
    let ring = [Point::new(9.0, 0.0, 0.0), Point::new(9.0, 9.0, 0.0), Point::new(0.0, 9.0, 0.0)];
    let up = Z * 30.0;
    let mut text = StepText::new();
    (text.turn, text.shift) = attitude();
    let corners = [O, ring[0], ring[2], O + up, ring[0] + up, ring[2] + up].map(|p| (text.vertex(p), p));
    let arc = |text: &mut StepText, lift: Vector, from: usize, to: usize| {
        let points: Vec<Point> = ring.iter().map(|p| p + lift).collect();
        let curve = text.spline(2, &points, &[0.0, 0.0, 0.0, 1.0, 1.0, 1.0], &[1.0, half, 1.0]);
        text.edge(corners[from].0, corners[to].0, curve)
    };
    let (low, high) = (arc(&mut text, Vector::zeros(), 1, 2), arc(&mut text, up, 4, 5));
    let [x0, y0, x1, y1] =
        [(0, 1), (2, 0), (3, 4), (5, 3)].map(|(a, b)| text.straight(corners[a], corners[b]));
    let [u0, u1, u2] = [(0, 3), (1, 4), (2, 5)].map(|(a, b)| text.straight(corners[a], corners[b]));
    let rows: Vec<Vec<Point>> = ring.iter().map(|p| vec![*p, p + up]).collect();
    let weights = vec![vec![1.0, 1.0], vec![half, half], vec![1.0, 1.0]];
    let round = text.spline_surface(
        [2, 1],
        &rows,
        [&[0.0, 0.0, 0.0, 1.0, 1.0, 1.0], &[0.0, 0.0, 1.0, 1.0]],
        &weights,
    );
    let y = Vector::new(0.0, 1.0, 0.0);
    let planes = [(O, -Z, X), (O + up, Z, X), (O, -y, X), (O, -X, y)].map(|(p, z, x)| text.plane(p, z, x));
    let faces = [
        text.face("wall", round, &[vec![(low, true), (u2, true), (high, false), (u1, false)]], true),
        text.face("floor", planes[0], &[vec![(y0, false), (low, false), (x0, false)]], true),
        text.face("top", planes[1], &[vec![(x1, true), (high, true), (y1, true)]], true),
        text.face("front", planes[2], &[vec![(x0, true), (u1, true), (x1, false), (u0, false)]], true),
        text.face("side", planes[3], &[vec![(y0, true), (u0, true), (y1, false), (u2, false)]], true),
    ];
    let body = text.solid(&faces);
    text.product("quarter", &[body]);
    text
}
