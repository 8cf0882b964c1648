//! A part that is said to lie somewhere, where its own points leave doubt: what the rest of the scan says decides.
#![allow(clippy::unwrap_used, reason = "a test says where it fails")]

mod plate;

use plate::sampled;
use scantling_core::align::{LocateSettings, PlacedError, Stands, stands};
use scantling_core::geometry::random::Random;
use scantling_core::geometry::{Motion, PartFrame, Point, ScanFrame, TriangleMesh, Vector};
use scantling_core::nominal::Nominal;
use scantling_core::read::RawScan;
use scantling_core::run::quiet;
use scantling_core::scan::{LengthUnit, Scan};
use scantling_core::search::SurfaceTree;

type Pose = Motion<PartFrame, ScanFrame>;

/// Points of a placed part lie within this, mm, as an inspection takes them.
const NEAR_MM: f64 = 10.0;

/// A section in x and y, counterclockwise, drawn out along z; `cap` are its triangles.
fn profile(section: &[[f64; 2]], cap: &[[u32; 3]], length_mm: f64) -> TriangleMesh {
    let n = section.len() as u32;
    let at = |z: f64| section.iter().map(move |[x, y]| Point::new(*x, *y, z));
    let vertices: Vec<Point> = at(0.0).chain(at(length_mm)).collect();
    let mut triangles: Vec<[u32; 3]> = Vec::new();
    for [a, b, c] in cap {
        triangles.extend([[*a, *c, *b], [a + n, b + n, c + n]]);
    }
    for a in 0..n {
        let b = (a + 1) % n;
        triangles.extend([[a, b, b + n], [a, b + n, a + n]]);
    }
    TriangleMesh::new(vertices, triangles).unwrap()
}

/// Unequal legs: no turn takes it onto itself.
fn angle() -> TriangleMesh {
    let section = [[0.0, 0.0], [60.0, 0.0], [60.0, 3.0], [3.0, 3.0], [3.0, 40.0], [0.0, 40.0]];
    profile(&section, &[[0, 1, 2], [0, 2, 3], [0, 3, 4], [0, 4, 5]], 400.0)
}

/// Half a turn takes it onto itself.
fn trough() -> TriangleMesh {
    let section = [
        [0.0, 0.0],
        [100.0, 0.0],
        [100.0, 60.0],
        [97.0, 60.0],
        [97.0, 3.0],
        [3.0, 3.0],
        [3.0, 60.0],
        [0.0, 60.0],
    ];
    profile(&section, &[[0, 1, 4], [0, 4, 5], [1, 2, 3], [1, 3, 4], [0, 5, 6], [0, 6, 7]], 200.0)
}

struct Case {
    nominal: Nominal,
    tree: SurfaceTree,
    points: Vec<Point>,
    normals: Vec<Vector>,
}

impl Case {
    /// A part of which `keep` is seen, with 0.02 mm noise; it lies where it was drawn.
    fn new(mesh: &TriangleMesh, count: usize, keep: impl Fn(&Point) -> bool) -> Self {
        let nominal = plate::nominal(mesh);
        let tree = SurfaceTree::new(nominal.mesh());
        let mut random = Random::seeded(8);
        let all = sampled(mesh, count, |_| true, &mut random);
        let (mut points, mut normals) = (Vec::new(), Vec::new());
        for (p, n) in all.points.iter().zip(&all.normals).filter(|(p, _)| keep(p)) {
            points.push(p + n * (0.02 * random.normal()));
            normals.push(*n);
        }
        Self { nominal, tree, points, normals }
    }

    /// Something else in the scan: a flat of so many points by so many, 1.5 mm apart.
    fn and_flat(mut self, corner: Point, along: Vector, across: Vector, counts: [u32; 2]) -> Self {
        for i in 0..counts[0] {
            for k in 0..counts[1] {
                self.points.push(corner + along * (1.5 * f64::from(i)) + across * (1.5 * f64::from(k)));
                self.normals.push(along.cross(&across));
            }
        }
        self
    }

    fn told(&self, pose: &Pose) -> Result<Stands, PlacedError> {
        let raw = RawScan {
            points: self.points.clone(),
            normals: Some(self.normals.clone()),
            ..RawScan::default()
        };
        let scan = Scan::new(raw, LengthUnit::Millimetre, &quiet()).unwrap();
        let near: Vec<u32> = (0u32..)
            .zip(scan.points().iter())
            .filter(|(_, p)| self.tree.nearest(&pose.point(p), NEAR_MM).is_some())
            .map(|(i, _)| i)
            .collect();
        let settings = LocateSettings::default();
        stands(&quiet(), &self.nominal, &self.tree, &scan, &near, pose, &settings)
    }
}

#[test]
fn a_profile_told_to_lie_further_along_lies_otherwise() {
    let case = Case::new(&angle(), 60_000, |_| true);
    let there = case.told(&Pose::identity()).unwrap();
    assert!(there.sure && !there.searched, "{there:?}");
    // Three eighths of it lie there, and fit.
    let along = Pose::from_turn_and_shift(Vector::zeros(), Vector::new(0.0, 0.0, 250.0));
    let error = case.told(&along).unwrap_err();
    let PlacedError::LiesOtherwise { apart_mm } = error else { panic!("{error:?}") };
    assert!((apart_mm - 250.0).abs() < 0.5, "{apart_mm}");
    assert!(error.to_string().contains("of a part that lies otherwise, 250.0 mm from there"), "{error}");
}

#[test]
fn a_place_that_symmetry_leaves_open_is_taken_on_trust() {
    let case = Case::new(&trough(), 60_000, |_| true);
    let plain = case.told(&Pose::identity()).unwrap();
    assert!(plain.sure && !plain.searched, "{plain:?}");
    // Something hangs 6 mm above the web, and more in the middle of the trough.
    let (x, z) = (Vector::x(), Vector::z());
    let case = case
        .and_flat(Point::new(10.0, 9.0, 10.0), z, x, [108, 29])
        .and_flat(Point::new(30.0, 30.0, 10.0), z, x, [120, 26])
        .and_flat(Point::new(30.0, 45.0, 10.0), z, x, [60, 26]);
    let open = case.told(&Pose::identity()).unwrap();
    assert!(open.searched && !open.sure, "{open:?}");
}
