//! A block made of sheets whose place and form are known, scanned, and put on datums.

use std::f64::consts::TAU;

use scantling_core::datum::{DatumAlignment, DatumError, DatumInput, establish};
use scantling_core::geometry::random::Random;
use scantling_core::geometry::{Motion, PartFrame, Point, ScanFrame, Vector, math};
use scantling_core::nominal::{Nominal, Side};
use scantling_core::partition::PartitionSettings;
use scantling_core::plan::{self, FaceMap, Plan};
use scantling_core::read::RawScan;
use scantling_core::run::quiet;
use scantling_core::scan::{LengthUnit, Scan};
use scantling_core::search::SurfaceTree;

/// A sheet by two parameters from 0 to 1: place and normal out of the material.
pub(crate) type Sheet = (&'static str, Box<dyn Fn(f64, f64) -> (Point, Vector)>, [f64; 2]);

pub(crate) fn flat(name: &'static str, at: [f64; 3], u: [f64; 3], v: [f64; 3]) -> Sheet {
    let (at, u, v) = (Point::from(Vector::from(at)), Vector::from(u), Vector::from(v));
    let n = u.cross(&v).normalize();
    (name, Box::new(move |s, t| (at + u * s + v * t, n)), [u.norm(), v.norm()])
}

/// A bore along z from -21 to -1.
pub(crate) fn bore(name: &'static str, x: f64, y: f64, r: f64) -> Sheet {
    let place = move |s: f64, t: f64| {
        let n = Vector::new(-math::cos(TAU * s), -math::sin(TAU * s), 0.0);
        (Point::new(x, y, -21.0 + 20.0 * t) - n * r, n)
    };
    (name, Box::new(place), [TAU * r, 20.0])
}

/// The upper part of a ball.
pub(crate) fn ball(name: &'static str, centre: [f64; 3], r: f64) -> Sheet {
    let c = Point::from(Vector::from(centre));
    let place = move |s: f64, t: f64| {
        // From 12 to 88 degrees over its equator: no triangles without area.
        let up = (12.0 + 76.0 * t).to_radians();
        let n = Vector::new(
            math::cos(up) * math::cos(TAU * s),
            math::cos(up) * math::sin(TAU * s),
            math::sin(up),
        );
        (c + n * r, n)
    };
    (name, Box::new(place), [TAU * r * 0.7, 1.3 * r])
}

pub(crate) fn sheets() -> Vec<Sheet> {
    vec![
        flat("A", [0., 0., 0.], [100., 0., 0.], [0., 60., 0.]),
        flat("B", [0., 0., -21.], [100., 0., 0.], [0., 0., 20.]),
        flat("C", [0., 60., -21.], [0., -60., 0.], [0., 0., 20.]),
        flat("G1", [45., 5., -21.], [0., 15., 0.], [0., 0., 20.]),
        flat("G2", [55., 20., -21.], [0., -15., 0.], [0., 0., 20.]),
        bore("H1", 25.0, 30.0, 8.0),
        bore("H2", 75.0, 30.0, 8.0),
        ball("K", [50.0, 45.0, 12.0], 8.0),
        flat("T1", [60., 47., -21.], [0., 0., 20.], [30., 0., 0.]),
        flat("T2", [60., 53., -21.], [30., 0., 0.], [0., 0., 20.]),
    ]
}

pub(crate) struct Case {
    pub(crate) nominal: Nominal,
    pub(crate) tree: SurfaceTree,
}

impl Case {
    pub(crate) fn new() -> Self {
        let mut raw = RawScan::default();
        for (name, place, _) in sheets() {
            // Facets of round sheets lie within 0.002 mm of them.
            let (w, h): (u32, u32) = match name {
                "K" => (180, 60),
                "H1" | "H2" => (180, 12),
                _ => (12, 8),
            };
            let first = raw.points.len() as u32;
            for j in 0..=h {
                for i in 0..=w {
                    raw.points.push(place(f64::from(i) / f64::from(w), f64::from(j) / f64::from(h)).0);
                }
            }
            for j in 0..h {
                for i in 0..w {
                    let a = first + j * (w + 1) + i;
                    let (b, c, d) = (a + 1, a + w + 2, a + w + 1);
                    // Along the normal that the sheet says.
                    let corner = |k: u32| raw.points[k as usize];
                    let n = place((f64::from(i) + 0.5) / f64::from(w), (f64::from(j) + 0.5) / f64::from(h)).1;
                    let along = (corner(b) - corner(a)).cross(&(corner(c) - corner(a))).dot(&n) > 0.0;
                    let two = if along { [[a, b, c], [a, c, d]] } else { [[a, c, b], [a, d, c]] };
                    raw.triangles.extend(two);
                }
            }
        }
        let nominal =
            Nominal::from_mesh(raw, LengthUnit::Millimetre, Some(Side::BehindNormal), &quiet()).unwrap();
        let tree = SurfaceTree::new(nominal.mesh());
        Self { nominal, tree }
    }

    /// The made part: every place of a sheet is moved as `made` says, in the part's axes.
    pub(crate) fn scan(&self, seed: u64, made: &dyn Fn(&str, Point) -> Vector) -> Made {
        let mut random = Random::seeded(seed);
        let scan_from_part: Motion<ScanFrame, PartFrame> =
            Motion::from_turn_and_shift(random.turn(), Vector::new(310.0, -45.0, 120.0));
        let mut raw = RawScan { normals: Some(Vec::new()), ..RawScan::default() };
        for (name, place, [w, h]) in sheets() {
            let count = |l: f64| (l / 0.75).ceil() as u32;
            for j in 0..count(h) {
                for i in 0..count(w) {
                    let (s, t) = (
                        (f64::from(i) + random.unit()) / f64::from(count(w)),
                        (f64::from(j) + random.unit()) / f64::from(count(h)),
                    );
                    let (p, n) = place(s, t);
                    let p = p + made(name, p) + n * (0.01 * random.normal());
                    raw.points.push(scan_from_part.point(&p));
                    raw.normals.as_mut().unwrap().push(scan_from_part.vector(&n));
                }
            }
        }
        let scan = Scan::new(raw, LengthUnit::Millimetre, &quiet()).unwrap();
        Made { scan, scan_from_part }
    }

    pub(crate) fn plan(&self, filter: bool, system: &str) -> (Plan, FaceMap) {
        self.plan_with(filter, "", system)
    }

    pub(crate) fn plan_with(&self, filter: bool, more: &str, system: &str) -> (Plan, FaceMap) {
        let mut text = String::from(
            "schema_version = 1\npart = \"b\"\ndrawing_revision = \"A\"\nplan_version = 1\nlength_unit = \"mm\"\n\
             object = \"part\"\nstandard = { system = \"iso\", edition = \"ISO 1101:2017\" }\n\
             decision = { proven = {} }\n",
        );
        if filter {
            text += "filter = { gaussian = { nesting_index_mm = 2.5 } }\n";
        }
        text += "[nominal]\nfile = \"b.stl\"\nside_of_material = \"behind_normal\"\n";
        for (id, kind, near) in [
            ("A", "plane", "[50, 30, 0]"),
            ("B", "plane", "[50, 0, -10]"),
            ("C", "plane", "[0, 30, -10]"),
            ("G1", "plane", "[45, 12, -10]"),
            ("G2", "plane", "[55, 12, -10]"),
            ("H1", "cylinder", "[17, 30, -11]"),
            ("H2", "cylinder", "[83, 30, -11]"),
            ("O1", "hole", "[17, 30, -11]"),
            ("O2", "hole", "[83, 30, -11]"),
            ("K", "surface", "[50, 45, 19.9]"),
        ] {
            text +=
                &format!("[[feature]]\nid = \"{id}\"\nkind = \"{kind}\"\npick = {{ near_mm = {near} }}\n");
        }
        text += more;
        text += "[[feature]]\nid = \"G\"\nkind = \"width\"\nwidth = { of = [\"G1\", \"G2\"] }\n";
        text += "[[feature]]\nid = \"P\"\nkind = \"point\"\npoint = { at_mm = [20, 20, 0], direction = [0, 0, 1] }\n";
        text += &format!("[[datum_system]]\nid = \"D\"\n{system}\n");
        text += "[[characteristic]]\nnumber = \"1\"\nfeature = \"P\"\ndatum_system = \"D\"\n\
                 surface_profile = { limit_outside_mm = 0.4, limit_inside_mm = 0.4 }\n";
        let (_, plan) = plan::check_toml(&text).unwrap_or_else(|f| panic!("{f:#?}"));
        let mut faces = plan::bind(&plan, Some(&self.nominal)).unwrap_or_else(|f| panic!("{f:#?}"));
        // A mesh does not say that a ball is one face.
        let mesh = self.nominal.mesh();
        let on_ball = |t: &u32| {
            let [a, b, c] = mesh.corners(*t);
            let middle = Point::from((a.coords + b.coords + c.coords) / 3.0);
            ((middle - Point::new(50.0, 45.0, 12.0)).norm() - 8.0).abs() < 0.05
        };
        let k = plan.features.iter().position(|f| f.id == "K").unwrap();
        faces.features[k].triangles = (0..mesh.triangles().len() as u32).filter(on_ball).collect();
        faces.features[k].area_mm2 = faces.features[k].triangles.iter().map(|&t| mesh.area(t)).sum();
        (plan, faces)
    }

    pub(crate) fn establish(
        &self,
        (plan, faces): &(Plan, FaceMap),
        made: &Made,
    ) -> Result<Placed, DatumError> {
        let settings = PartitionSettings { reach_mm: 2.0, min_cos: 0.7 };
        let input = DatumInput {
            nominal: &self.nominal,
            tree: &self.tree,
            scan: &made.scan,
            plan,
            faces,
            settings: &settings,
            noise_mm: 0.01,
            correlated: &[],
            cell_mm: 2.5,
        };
        // A best fit is about so far off.
        let near = Motion::turn_about(
            Point::new(50.0, 30.0, 0.0),
            Vector::new(0.0012, -0.001, 0.0015),
            Vector::new(0.05, -0.04, 0.06),
        );
        let start = near * made.scan_from_part.inverse();
        let found = establish(&quiet(), &input, &plan.datum_systems[0], start)?;
        let part_from_made = found.part_from_scan * made.scan_from_part;
        Ok(Placed { found, part_from_made, start: start * made.scan_from_part })
    }

    pub(crate) fn placed(&self, system: &str, made: &Made) -> Placed {
        self.establish(&self.plan(true, system), made).unwrap_or_else(|e| panic!("{system}: {e}"))
    }
}

pub(crate) struct Made {
    pub(crate) scan: Scan,
    pub(crate) scan_from_part: Motion<ScanFrame, PartFrame>,
}

pub(crate) struct Placed {
    pub(crate) found: DatumAlignment,
    /// Where the datums put the made part.
    pub(crate) part_from_made: Motion<PartFrame, PartFrame>,
    /// Where it was to begin with.
    pub(crate) start: Motion<PartFrame, PartFrame>,
}

impl Placed {
    pub(crate) fn moved(&self, x: f64, y: f64, z: f64) -> Vector {
        let p = Point::new(x, y, z);
        self.part_from_made.point(&p) - p
    }

    pub(crate) fn locks(&self) -> Vec<(String, Vec<String>)> {
        self.found.datums.iter().map(|d| (d.feature.clone(), d.locks.clone())).collect()
    }

    /// Standard uncertainty of a place along a direction, from the covariance.
    pub(crate) fn standard_mm(&self, p: Point, along: Vector) -> f64 {
        let arm = (p - self.found.centre).cross(&along);
        let row = [arm.x, arm.y, arm.z, along.x, along.y, along.z];
        let mut total = 0.0;
        for i in 0..6 {
            for j in 0..6 {
                total += row[i] * self.found.covariance[i][j] * row[j];
            }
        }
        total.max(0.0).sqrt()
    }
}

pub(crate) fn one(letter: &str, feature: &str, association: &str) -> String {
    format!("  {{ letter = \"{letter}\", feature = \"{feature}\", association = \"{association}\" }},\n")
}

pub(crate) fn datums(all: &[(&str, &str, &str)]) -> String {
    let all: String = all.iter().map(|(l, f, a)| one(l, f, a)).collect();
    format!("datum = [\n{all}]")
}

pub(crate) fn near(found: f64, wanted: f64, within: f64, what: &str) {
    assert!((found - wanted).abs() < within, "{what}: {found}, not {wanted}");
}
