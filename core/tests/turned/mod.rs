//! Parts turned about z: a disc of skin with a countersunk hole, a bonded insert or a stud in its middle; points of them where
//! they are made otherwise. A part for tests of what is held against a skin, not one of the demo.
#![allow(clippy::unwrap_used, dead_code, reason = "for tests, none of which uses everything")]

use scantling_core::geometry::random::Random;
use scantling_core::geometry::{Point, Vector, math};
use scantling_core::nominal::Nominal;
use scantling_core::read::RawScan;
use scantling_core::run::quiet;
use scantling_core::scan::{LengthUnit, Scan};
use std::f64::consts::TAU;

/// Corners of a round: its vertices lie on it.
const AROUND: u32 = 96;

/// Outer radius of the disc, mm.
pub(crate) const DISC_MM: f64 = 36.0;

/// (radius, z) of the corners of its outline, from the outer end of the upper side inwards; the material lies to the left. A name
/// for each piece that begins there.
pub(crate) struct Turned {
    pub(crate) outline: Vec<(&'static str, f64, f64)>,
    /// Bend of the upper side and all on it: a sphere's radius, mm; infinite where it is flat.
    pub(crate) bend: f64,
}

/// A piece of an outline: its name, and (radius, z) of both ends.
type Piece = (&'static str, (f64, f64), (f64, f64));

/// How a point of a piece is made: from its nominal place and normal.
pub(crate) type Made<'a> = &'a dyn Fn(&str, &Point, &Vector) -> Point;

impl Turned {
    /// Skin 3 mm thick, hole of 6 mm, countersink of 90 degrees and 9 mm.
    pub(crate) fn countersunk() -> Self {
        let outline = vec![
            ("SKIN", DISC_MM, 0.0),
            ("CONE", 4.5, 0.0),
            ("HOLE", 3.0, -1.5),
            ("BACK", 3.0, -3.0),
            ("RIM", DISC_MM, -3.0),
        ];
        Self { outline, bend: f64::INFINITY }
    }

    /// An insert of 12 mm with a hole of 6 mm whose face stands 0.2 mm over a skin 3 mm thick.
    pub(crate) fn insert(bend: f64) -> Self {
        let outline = vec![
            ("SKIN", DISC_MM, 0.0),
            ("STEP", 6.0, 0.0),
            ("FACE", 6.0, 0.2),
            ("HOLE", 3.0, 0.2),
            ("BACK", 3.0, -3.0),
            ("RIM", DISC_MM, -3.0),
        ];
        Self { outline, bend }
    }

    /// A stud of 8 mm, 20 mm long.
    pub(crate) fn stud() -> Self {
        let outline = vec![
            ("SKIN", DISC_MM, 0.0),
            ("STUD", 4.0, 0.0),
            ("TOP", 4.0, 20.0),
            ("", 0.0, 20.0),
            ("BACK", 0.0, -3.0),
            ("RIM", DISC_MM, -3.0),
        ];
        Self { outline, bend: f64::INFINITY }
    }

    /// How much the skin falls at a radius.
    fn fall(&self, name: &str, r: f64) -> f64 {
        let b = self.bend;
        if b.is_finite() && matches!(name, "SKIN" | "BACK") { b - (b * b - r * r).sqrt() } else { 0.0 }
    }

    fn place(&self, name: &str, r: f64, z: f64, turn: f64) -> Point {
        Point::new(r * math::cos(turn), r * math::sin(turn), z - self.fall(name, r))
    }

    /// Its pieces that are named.
    fn pieces(&self) -> Vec<Piece> {
        let n = self.outline.len();
        let piece = |k: usize| {
            let (name, r, z) = self.outline[k];
            let (_, s, y) = self.outline[(k + 1) % n];
            (name, (r, z), (s, y))
        };
        (0..n).map(piece).filter(|p| !p.0.is_empty()).collect()
    }

    pub(crate) fn nominal(&self) -> Nominal {
        let (mut points, mut triangles) = (Vec::new(), Vec::new());
        for (name, (r, z), (s, y)) in self.pieces() {
            let steps = match name {
                "CONE" => 6,
                "STUD" => 4,
                "SKIN" | "BACK" if self.bend.is_finite() => 60,
                _ => 1,
            };
            // On a bent skin what is not skin begins where that ends.
            let drop = |r: f64| if name == "STEP" || name == "RIM" { self.fall("SKIN", r) } else { 0.0 };
            let at = |i: u32, k: u32| {
                let t = f64::from(i) / f64::from(steps);
                let turn = TAU * f64::from(k % AROUND) / f64::from(AROUND);
                let (r, z) = (r + (s - r) * t, z + (y - z) * t);
                let lower = match name {
                    "STEP" => drop(r) * (1.0 - t),
                    "HOLE" => self.fall("BACK", r) * t,
                    _ => drop(r),
                };
                let p = self.place(name, r, z, turn) - Vector::z() * lower;
                Point::from(p.coords.map(|c| (c * 1e9).round() / 1e9 + 0.0))
            };
            for i in 0..steps {
                for k in 0..AROUND {
                    let first = points.len() as u32;
                    points.extend([at(i, k), at(i, k + 1), at(i + 1, k + 1), at(i + 1, k)]);
                    triangles.extend([[first, first + 1, first + 2], [first, first + 2, first + 3]]);
                }
            }
        }
        let raw = RawScan { points, triangles, ..RawScan::default() };
        Nominal::from_mesh(raw, LengthUnit::Millimetre, None, &quiet()).unwrap()
    }

    /// Points in rows round the axis, one to each square of `spacing`, anywhere in it, white noise along the normal; the places without noise too, by
    /// piece.
    pub(crate) fn taken(
        &self,
        spacing: f64,
        noise: f64,
        seed: u64,
        made: Made,
        sees: &dyn Fn(&str, &Point) -> bool,
    ) -> (Scan, Vec<(&'static str, Point)>) {
        let mut random = Random::seeded(seed);
        let mut raw = RawScan { normals: Some(Vec::new()), ..RawScan::default() };
        let mut clean = Vec::new();
        for (name, (r, z), (s, y)) in self.pieces() {
            let length = ((s - r) * (s - r) + (y - z) * (y - z)).sqrt();
            let rows = (length / spacing).ceil();
            let all = (0..rows as u32).flat_map(|j| {
                let middle = r + (s - r) * (f64::from(j) + 0.5) / rows;
                let around = (TAU * middle / spacing).ceil();
                (0..around as u32).map(move |i| (f64::from(j), f64::from(i), around))
            });
            for (j, i, around) in all {
                let (t, turn) = ((j + random.unit()) / rows, TAU * (i + random.unit()) / around);
                let (radius, height) = (r + (s - r) * t, z + (y - z) * t);
                let mut p = self.place(name, radius, height, turn);
                match name {
                    "STEP" => p.z -= self.fall("SKIN", radius) * (1.0 - t),
                    "HOLE" => p.z -= self.fall("BACK", radius) * t,
                    "RIM" => p.z -= self.fall("BACK", radius),
                    _ => {}
                }
                let e = Vector::new(math::cos(turn), math::sin(turn), 0.0);
                // To the left of the way along the outline lies the material.
                let mut normal = (Vector::z() * (r - s) + e * (y - z)).normalize();
                if self.bend.is_finite() && matches!(name, "SKIN" | "BACK") {
                    let lean = radius / self.bend;
                    normal = (e * lean + Vector::z() * (1.0 - lean * lean).sqrt()) * normal.z.signum();
                }
                let q = made(name, &p, &normal);
                if sees(name, &q) {
                    clean.push((name, q));
                    raw.points.push(q + normal * (noise * random.normal()));
                    raw.normals.as_mut().unwrap().push(normal);
                }
            }
        }
        (Scan::new(raw, LengthUnit::Millimetre, &quiet()).unwrap(), clean)
    }
}
