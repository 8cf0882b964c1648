use super::*;
use crate::geometry::math;
use std::collections::BTreeMap;
use std::f64::consts::{FRAC_PI_2, TAU};

/// Directed edges, each with its triangle.
fn edges(mesh: &TriangleMesh) -> BTreeMap<[u32; 2], u32> {
    let mut edges = BTreeMap::new();
    for (i, t) in mesh.triangles().iter().enumerate() {
        for [a, b] in [[t[0], t[1]], [t[1], t[2]], [t[2], t[0]]] {
            assert_eq!(edges.insert([a, b], i as u32), None, "edge {a} {b} is used twice the same way");
        }
    }
    edges
}

/// Divergence theorem over the triangles.
fn volume(mesh: &TriangleMesh) -> f64 {
    let of = |t| {
        let [a, b, c] = mesh.corners(t);
        a.coords.dot(&b.coords.cross(&c.coords)) / 6.0
    };
    (0..mesh.triangles().len() as u32).map(of).sum()
}

#[test]
fn the_mesh_is_closed_and_of_its_size_at_every_scale() {
    for scale in [0.75, 0.9, 1.0, 1.17, 1.3] {
        let part = WindowSurround::sized(scale);
        let mesh = part.mesh();
        let edges = edges(&mesh);
        assert!(edges.keys().all(|[a, b]| edges.contains_key(&[*b, *a])), "open at scale {scale}");
        let mut used = vec![false; mesh.vertices().len()];
        mesh.triangles().iter().flatten().for_each(|&v| used[v as usize] = true);
        assert!(used.iter().all(|u| *u));
        let bounds = mesh.bounds();
        let expected = Vector::from(part.size_mm());
        // The crown's facets stay a chord's height below its top.
        assert!((bounds.size() - expected).amax() < 0.01, "{:?}", bounds.size());
        assert_eq!(bounds.low.z, -3.0);
        assert!(mesh.triangles().len() < 200_000, "{}", mesh.triangles().len());
        // The flange's triangles all face up or all down: none is folded over by the cuts.
        let n = mesh.triangles().len() as u32;
        for t in 0..n {
            let c = mesh.corners(t);
            assert!(mesh.area(t) > 1e-5, "sliver {t} at scale {scale}: {c:?}");
            if c.iter().all(|p| p.z == 0.0) {
                assert!(mesh.normal(t).is_some_and(|n| n.dot(Direction::Z) > 0.9999), "{scale} {c:?}");
            }
            if c.iter().all(|p| p.z == -3.0) {
                assert_eq!(mesh.normal(t), Some(Direction::Z.reversed()));
            }
        }
    }
}

#[test]
fn the_volume_is_that_of_a_sheet_swept_round() {
    // With one width all round the ring is a section swept straight and turned round the corners, so
    // Pappus' theorem gives its volume, and the flange is an area times the thickness.
    let part = WindowSurround { ring_widths: [100.0; 4], ..Default::default() };
    let section = part.section();
    let (radii, slopes) = (section.radii(100.0), section.slopes());
    // Area of the section and its first moment about the flange's end, by fine quadrature over the arcs.
    let (mut area, mut moment) = (0.0, 0.0);
    for arc in 0..section::ARCS {
        let steps = 20_000;
        let turn = (slopes[arc + 1] - slopes[arc]) / f64::from(steps);
        for i in 0..steps {
            let p = section.point(arc, (f64::from(i) + 0.5) / f64::from(steps), 100.0);
            for depth in [0.25, 0.75, 1.25, 1.75, 2.25, 2.75] {
                // Hollow arcs grow longer towards the hidden side.
                let radius = radii[arc] + if turn > 0.0 { depth } else { -depth };
                let piece = radius * turn.abs() * 0.5;
                area += piece;
                moment += piece * (p.x + depth * math::sin(p.slope));
            }
        }
    }
    let sides: f64 = (0..4).map(|side| part.ring.side_length(side)).sum();
    let turned: f64 = part.ring.radii.iter().map(|r| FRAC_PI_2 * (area * r - moment)).sum();
    let cuts: f64 = part.holes.iter().map(|h| TAU / 8.0 * h.diameter_mm * h.diameter_mm).sum::<f64>()
        + TAU / 2.0 * 16.0
        + 14.0 * 8.0;
    let flange = 3.0 * (part.outside.area() - part.ring.area() - cuts);
    let expected = area * sides + turned + flange;
    let got = volume(&part.mesh());
    // Chords are shorter than their arcs by t^2/24: 4e-4 where a facet turns by t = 5.4 degrees, less elsewhere.
    assert!((0.0..4e-4 * expected).contains(&(expected - got)), "{got} against {expected}");
}

#[test]
fn the_unequal_part_has_its_volume_by_counting_columns() {
    let mesh = WindowSurround::default().mesh();
    // Height of material over each square of a grid: entries and exits along z, by the signed area of
    // the triangles' shadows.
    let (step, nx, ny) = (0.5, 1402, 1002);
    let mut height = vec![0.0; nx * ny];
    for t in 0..mesh.triangles().len() as u32 {
        let [a, b, c] = mesh.corners(t);
        let twice = (b.x - a.x) * (c.y - a.y) - (c.x - a.x) * (b.y - a.y);
        if twice == 0.0 {
            continue;
        }
        let cell = |v: f64| ((v / step).floor().max(-1.0) + 1.0) as usize;
        let low = (cell(a.x.min(b.x).min(c.x)), cell(a.y.min(b.y).min(c.y)));
        let high = (cell(a.x.max(b.x).max(c.x)), cell(a.y.max(b.y).max(c.y)));
        for j in low.1..=high.1.min(ny - 1) {
            for i in low.0..=high.0.min(nx - 1) {
                // Off the half by irrational parts, so that no edge is met exactly.
                let p = [(i as f64 - 0.5) * step + 0.0123456, (j as f64 - 0.5) * step + 0.0234567];
                let e =
                    |q: &Point, r: &Point| ((r.x - q.x) * (p[1] - q.y) - (r.y - q.y) * (p[0] - q.x)) / twice;
                let (u, v, w) = (e(&b, &c), e(&c, &a), e(&a, &b));
                if u > 0.0 && v > 0.0 && w > 0.0 {
                    height[j * nx + i] += twice.signum() * (u * a.z + v * b.z + w * c.z);
                }
            }
        }
    }
    assert!(height.iter().all(|h| *h > -1e-9), "a column leaves the material before it enters");
    let counted = height.iter().sum::<f64>() * step * step;
    let got = volume(&mesh);
    assert!((got - counted).abs() < 5e-4 * got, "{got} against {counted}");
}

#[test]
fn skins_are_one_thickness_apart_and_holes_lie_on_their_circles() {
    let part = WindowSurround::default();
    let mesh = part.mesh();
    let half = mesh.vertices().len() / 2;
    for i in 0..half {
        let d = (mesh.vertices()[i] - mesh.vertices()[i + half]).norm();
        assert!((d - 3.0).abs() < 1e-12, "{d}");
    }
    for hole in part.holes() {
        let on = |p: &&Point| {
            let d = *p - hole.centre;
            ((d.x * d.x + d.y * d.y).sqrt() - 0.5 * hole.diameter_mm).abs() < 1e-12
        };
        assert_eq!(mesh.vertices().iter().filter(on).count(), 2 * 96, "{}", hole.id);
    }
}

#[test]
fn regions_end_at_the_tight_bends() {
    for scale in [0.75, 0.87, 1.0, 1.17, 1.3] {
        let part = WindowSurround::sized(scale);
        let mesh = part.mesh();
        let edges = edges(&mesh);
        for region in [Region::Wall, Region::Crown, Region::Reveal] {
            let mut own = vec![false; mesh.triangles().len()];
            let triangles = part.region_triangles(region);
            triangles.iter().for_each(|&t| own[t as usize] = true);
            let seed = triangles[0] as usize;
            let mut seen = vec![false; mesh.triangles().len()];
            let mut queue = vec![seed];
            seen[seed] = true;
            while let Some(t) = queue.pop() {
                let n = mesh.normal(t as u32).unwrap();
                let v = mesh.triangles()[t];
                for [a, b] in [[v[0], v[1]], [v[1], v[2]], [v[2], v[0]]] {
                    let other = edges[&[b, a]] as usize;
                    let turn = n.angle_to(mesh.normal(other as u32).unwrap()).to_degrees();
                    if turn <= plan::GROW_DEG && !seen[other] {
                        seen[other] = true;
                        queue.push(other);
                    }
                }
            }
            let wrong = (0..seen.len()).filter(|&t| seen[t] != own[t]).count();
            assert_eq!(wrong, 0, "{region:?} at scale {scale}");
        }
    }
}
