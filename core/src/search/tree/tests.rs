//! Answers against brute force.

use super::*;
use crate::geometry::closest_point_on_triangle;
use crate::geometry::random::Random;
use rayon::prelude::*;

const KINDS: [&str; 6] = ["slivers", "duplicates", "t-junctions", "open sheet", "without area", "far away"];

/// A wavy sheet of about 2 n^2 triangles with the ugliness of a kind.
fn ugly(kind: &str, n: usize) -> TriangleMesh {
    let mut random = Random::seeded(n as u64);
    let shift =
        if kind == "far away" { Vector::new(12_000.0, -11_999.5, 11_000.25) } else { Vector::zeros() };
    let scale = if kind == "far away" { 0.001 } else { 1.0 };
    let mut vertices = Vec::new();
    for j in 0..=n {
        for i in 0..=n {
            let (x, y) = (i as f64, j as f64);
            let z = 0.02 * (x - 10.0) * (y - 7.0) + 0.3 * random.normal();
            vertices.push(Point::new(x, y, z) * scale + shift);
        }
    }
    let mut triangles = Vec::new();
    let at = |i: usize, j: usize| (j * (n + 1) + i) as u32;
    for j in 0..n {
        for i in 0..n {
            let quad = [at(i, j), at(i + 1, j), at(i + 1, j + 1), at(i, j + 1)];
            let two = [[quad[0], quad[1], quad[2]], [quad[0], quad[2], quad[3]]];
            match kind {
                "open sheet" if (i + j) % 5 == 0 => {}
                "duplicates" => {
                    triangles.extend(two);
                    triangles.push([two[0][1], two[0][2], two[0][0]]);
                    triangles.push(two[1]);
                }
                "without area" if i % 3 == 0 => {
                    triangles.extend(two);
                    triangles.push([quad[0], quad[2], quad[0]]);
                    triangles.push([quad[1]; 3]);
                }
                "slivers" => {
                    // A needle along the diagonal, from a hundredth of a micrometre to a hundredth of a mm.
                    let (a, c) = (vertices[quad[0] as usize], vertices[quad[2] as usize]);
                    let width = [1e-2, 1e-4, 1e-6, 1e-8][(i + j) % 4];
                    let m = nalgebra::center(&a, &c) + Vector::new(width, -width, 0.0);
                    let k = vertices.len() as u32;
                    vertices.push(m);
                    triangles.push([quad[0], k, quad[2]]);
                    triangles.push([quad[0], quad[1], k]);
                    triangles.push([quad[1], quad[2], k]);
                    triangles.push(two[1]);
                }
                "t-junctions" if i % 2 == 0 => {
                    let (a, b) = (vertices[quad[0] as usize], vertices[quad[1] as usize]);
                    let k = vertices.len() as u32;
                    vertices.push(a + (b - a) * 0.37);
                    triangles.push([quad[0], k, quad[2]]);
                    triangles.push([k, quad[1], quad[2]]);
                    triangles.push(two[1]);
                }
                _ => triangles.extend(two),
            }
        }
    }
    TriangleMesh::new(vertices, triangles).unwrap()
}

/// Points on, near and far from the surface, many of them equally far from several triangles.
fn questions(mesh: &TriangleMesh, count: usize) -> Vec<(Point, Direction)> {
    let mut random = Random::seeded(7);
    let size = mesh.bounds().size().max();
    let mut all = Vec::new();
    for k in 0..count {
        let t = mesh.corners(random.below(mesh.triangles().len()) as u32);
        let (u, v) = (random.range(0.0, 1.0), random.range(0.0, 1.0));
        let (u, v) = if u + v > 1.0 { (1.0 - u, 1.0 - v) } else { (u, v) };
        let on = t[0] + (t[1] - t[0]) * u + (t[2] - t[0]) * v;
        let away = random.direction().vector();
        let p = match k % 8 {
            0 => t[k / 8 % 3],
            1 => nalgebra::center(&t[0], &t[1]),
            2 => on,
            3 => t[k / 8 % 3] + Vector::new(0.0, 0.0, random.range(-2e-3, 2e-3) * size),
            4 => on + away * (size * random.range(0.0, 3.0)),
            _ => on + away * (0.01 * size * random.normal()),
        };
        all.push((p, random.direction()));
    }
    all
}

type Answer = Option<(u64, u32)>;

fn answer(foot: Option<Foot>) -> Answer {
    foot.map(|f| (f.distance.to_bits(), f.triangle))
}

fn brute(mesh: &TriangleMesh, p: &Point, reach: f64, facing: Option<(Direction, f64)>) -> Answer {
    let mut best: Option<(f64, u32)> = None;
    for i in 0..mesh.triangles().len() as u32 {
        let [a, b, c] = mesh.corners(i);
        let d2 = (closest_point_on_triangle(p, &a, &b, &c) - p).norm_squared();
        if d2 <= reach * reach && best.is_none_or(|(b2, _)| d2 < b2) {
            let faces = |(n, min_cos): (Direction, f64)| {
                mesh.normal(i).map_or_else(Vector::zeros, Direction::vector).dot(&n.vector()) >= min_cos
            };
            if facing.is_none_or(faces) {
                best = Some((d2, i));
            }
        }
    }
    best.map(|(d2, i)| (d2.sqrt().to_bits(), i))
}

#[test]
fn ten_thousand_answers_per_ugly_mesh_are_those_of_brute_force() {
    for kind in KINDS {
        let mesh = ugly(kind, 20);
        let tree = SurfaceTree::new(&mesh);
        let asked = questions(&mesh, 10_000);
        let size = mesh.bounds().size().max();
        let truth: Vec<[Answer; 3]> = asked
            .par_iter()
            .map(|(p, n)| {
                [
                    brute(&mesh, p, f64::INFINITY, None),
                    brute(&mesh, p, 0.01 * size, None),
                    brute(&mesh, p, 0.5 * size, Some((*n, 0.5))),
                ]
            })
            .collect();
        let mut cursor = tree.cursor();
        for ((p, n), truth) in asked.iter().zip(&truth) {
            assert_eq!(answer(tree.nearest(p, f64::INFINITY)), truth[0], "{kind} {p}");
            assert_eq!(answer(tree.nearest(p, 0.01 * size)), truth[1], "{kind} {p}");
            assert_eq!(answer(tree.nearest_facing(p, *n, 0.5, 0.5 * size)), truth[2], "{kind} {p}");
            // In no order at all, with the reach and the question changing in between.
            assert_eq!(answer(cursor.nearest(p, f64::INFINITY)), truth[0], "{kind} {p}");
            assert_eq!(answer(cursor.nearest(p, 0.01 * size)), truth[1], "{kind} {p}");
            assert_eq!(answer(cursor.nearest_facing(p, *n, 0.5, 0.5 * size)), truth[2], "{kind} {p}");
        }
        // In an order along the sheet, where the places around are of use, with outliers.
        let mut order: Vec<usize> = (0..asked.len()).collect();
        order.sort_by(|&i, &j| {
            let key = |k: usize| (asked[k].0.y / size * 20.0).floor() * 100.0 + asked[k].0.x / size;
            key(i).total_cmp(&key(j))
        });
        let (mut free, mut facing) = (tree.cursor(), tree.cursor());
        for &i in &order {
            let (p, n) = &asked[i];
            assert_eq!(answer(free.nearest(p, f64::INFINITY)), truth[i][0], "{kind} {p}");
            assert_eq!(answer(facing.nearest_facing(p, *n, 0.5, 0.5 * size)), truth[i][2], "{kind} {p}");
        }
    }
}

/// Fails when a box as far as the best so far is left out, or when the first found wins: the lowest index
/// stands last in every order of the tree in one of the two cases.
#[test]
fn equal_distances_go_to_the_lowest_index_wherever_it_stands() {
    for flip in [false, true] {
        // A fan of equal towers round the axis: 64 tips exactly 5 from the middle.
        let mut vertices = Vec::new();
        let mut triangles = Vec::new();
        for k in 0..64i32 {
            let (x, y, z) =
                [(3.0, 4.0, 0.0), (4.0, 3.0, 0.0), (0.0, 3.0, 4.0), (5.0, 0.0, 0.0)][k as usize % 4];
            let sign = |bit: i32| if k >> bit & 1 == 0 { 1.0 } else { -1.0 };
            let tip = Point::new(x * sign(2), y * sign(3), z * sign(4));
            let first = vertices.len() as u32;
            vertices.extend([tip, tip * 2.0, tip * 2.0 + Vector::new(0.1, 0.2, 0.3)]);
            triangles.push([first, first + 1, first + 2]);
        }
        if flip {
            triangles.reverse();
        }
        let mesh = TriangleMesh::new(vertices, triangles).unwrap();
        let tree = SurfaceTree::new(&mesh);
        let found = tree.nearest(&Point::origin(), f64::INFINITY).unwrap();
        assert_eq!((found.distance, found.triangle), (5.0, 0));
        assert_eq!(tree.nearest(&Point::origin(), 5.0).unwrap().triangle, 0, "a reach holds its border");
        assert_eq!(tree.nearest(&Point::origin(), 5.0f64.next_down()), None);
    }
}

#[test]
fn no_box_ever_says_more_than_the_distance_to_a_triangle_within() {
    let mesh = ugly("far away", 12);
    let tree = SurfaceTree::new(&mesh);
    let mut random = Random::seeded(5);
    for _ in 0..200 {
        let scale = [1e-9, 1e-3, 1.0, 1e3, 1e6, 1e9][random.below(6)];
        let t = mesh.corners(random.below(mesh.triangles().len()) as u32);
        let p = t[0] + random.direction().vector() * scale;
        let probe = tree.probe(&p, &p);
        for node in &tree.nodes {
            for place in 0..node::WIDTH {
                if !node.child(place).is_leaf() || node.girth(place) < 0.0 {
                    continue;
                }
                for slot in node.child(place).triangles() {
                    let [a, b, c] = tree.corners(&tree.triangles[slot]);
                    let d2 = (closest_point_on_triangle(&p, a, b, c) - p).norm_squared();
                    let (mask, _) = node.near(&probe, node::limit(d2));
                    assert!(mask >> place & 1 == 1, "{p} {d2}");
                }
            }
        }
    }
}

#[test]
fn nothing_is_found_from_nowhere_and_everything_from_very_far() {
    let mesh = ugly("open sheet", 6);
    let tree = SurfaceTree::new(&mesh);
    assert_eq!(tree.nearest(&Point::new(f64::NAN, 0.0, 0.0), 1e9), None);
    assert_eq!(tree.nearest(&Point::new(f64::INFINITY, 0.0, 0.0), f64::INFINITY), None);
    assert_eq!(tree.nearest(&Point::origin(), f64::NAN), None);
    assert_eq!(tree.nearest(&Point::origin(), -1.0), None);
    assert_eq!(SurfaceTree::of(&mesh, &[]).nearest(&Point::origin(), 1e9), None);
    for far in [1e9, 1e14, 1e15, 1e30, 1e150] {
        let p = Point::new(far, 3.0, -far);
        assert_eq!(answer(tree.nearest(&p, f64::INFINITY)), brute(&mesh, &p, f64::INFINITY, None), "{far}");
    }
    let wide = TriangleMesh::new(
        vec![
            Point::origin(),
            Point::new(1e200, 0.0, 0.0),
            Point::new(0.0, 1e20, 0.0),
            Point::new(1.0, 1.0, 1.0),
        ],
        vec![[0, 1, 2], [0, 2, 3]],
    )
    .unwrap();
    let p = Point::new(0.5, 0.5, 2.0);
    assert_eq!(answer(SurfaceTree::new(&wide).nearest(&p, 1e9)), brute(&wide, &p, 1e9, None));
}

#[test]
fn some_triangles_keep_the_numbers_of_the_mesh_and_the_tree_does_not_depend_on_threads() {
    let mesh = ugly("t-junctions", 90);
    let some: Vec<u32> = (0..mesh.triangles().len() as u32).filter(|t| t % 3 == 1).collect();
    let alone = rayon::ThreadPoolBuilder::new().num_threads(1).build().unwrap();
    let four = rayon::ThreadPoolBuilder::new().num_threads(4).build().unwrap();
    let a = alone.install(|| SurfaceTree::of(&mesh, &some));
    let b = four.install(|| SurfaceTree::of(&mesh, &some));
    assert_eq!(format!("{a:?}"), format!("{b:?}"));
    for (p, _) in questions(&mesh, 200) {
        let found = a.nearest(&p, f64::INFINITY).unwrap();
        assert!(some.binary_search(&found.triangle).is_ok());
        assert_eq!(a.nearest(&p, f64::INFINITY), b.nearest(&p, f64::INFINITY));
    }
}
