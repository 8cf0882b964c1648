//! Walls between two surfaces that are given by formulas, points of them, and one characteristic evaluated on these points as
//! they lie: no alignment comes between the formula and the answer.
#![allow(clippy::unwrap_used, dead_code, reason = "for tests, none of which uses everything")]

use scantling_core::evaluate::{Aligned, Context, evaluate};
use scantling_core::geometry::random::Random;
use scantling_core::geometry::{Motion, Point, Vector};
use scantling_core::nominal::{Nominal, Side};
use scantling_core::partition::{Partition, PartitionSettings};
use scantling_core::plan;
use scantling_core::read::RawScan;
use scantling_core::record::Evaluation;
use scantling_core::run::quiet;
use scantling_core::scan::{LengthUnit, Scan};
use scantling_core::search::SurfaceTree;
use scantling_core::uncertainty::Inputs;

/// A surface over two numbers that run from 0 to 1; the normal that its slopes make points out of the material.
pub(crate) type Surface<'a> = &'a (dyn Fn(f64, f64) -> Point + Sync);

/// Triangles without order.
#[derive(Default)]
pub(crate) struct Soup {
    pub(crate) vertices: Vec<Point>,
    pub(crate) triangles: Vec<[u32; 3]>,
}

impl Soup {
    /// A surface as `cells` along each of its numbers.
    pub(crate) fn surface(&mut self, of: Surface, cells: [u32; 2]) {
        let first = self.vertices.len() as u32;
        let [nu, nv] = cells;
        for j in 0..=nv {
            for i in 0..=nu {
                let p = of(f64::from(i) / f64::from(nu), f64::from(j) / f64::from(nv));
                // Neighbouring surfaces meet to the last bit.
                self.vertices.push(p.map(|c| (c * 1e9).round() / 1e9 + 0.0));
            }
        }
        let at = |i: u32, j: u32| first + j * (nu + 1) + i;
        for j in 0..nv {
            for i in 0..nu {
                let [a, b, c, d] = [at(i, j), at(i + 1, j), at(i + 1, j + 1), at(i, j + 1)];
                self.triangles.extend([[a, b, c], [a, c, d]]);
            }
        }
    }

    /// The strip between two lines.
    pub(crate) fn ruled(&mut self, from: &dyn Fn(f64) -> Point, to: &dyn Fn(f64) -> Point, cells: u32) {
        let both = |u: f64, v: f64| from(u) + (to(u) - from(u)) * v;
        let first = self.vertices.len() as u32;
        for i in 0..=cells {
            let u = f64::from(i) / f64::from(cells);
            for v in [0.0, 1.0] {
                self.vertices.push(both(u, v).map(|c| (c * 1e9).round() / 1e9 + 0.0));
            }
        }
        for i in 0..cells {
            let [a, b, c, d] = [2 * i, 2 * i + 1, 2 * i + 3, 2 * i + 2].map(|k| first + k);
            self.triangles.extend([[a, b, c], [a, c, d]]);
        }
    }

    /// A closed wall between two surfaces over the same two numbers: the upper one faces out, the lower one too.
    pub(crate) fn wall(&mut self, upper: Surface, lower: Surface, cells: [u32; 2]) {
        self.surface(upper, cells);
        self.surface(&|u, v| lower(v, u), [cells[1], cells[0]]);
        for (edge, n) in [(0usize, cells[0]), (1, cells[1]), (2, cells[0]), (3, cells[1])] {
            let on = |s: Surface, t: f64| match edge {
                0 => s(t, 0.0),
                1 => s(1.0, t),
                2 => s(1.0 - t, 1.0),
                _ => s(0.0, 1.0 - t),
            };
            self.ruled(&|t| on(upper, t), &|t| on(lower, t), n);
        }
    }

    pub(crate) fn nominal(self) -> Nominal {
        self.sided(None)
    }

    pub(crate) fn sided(self, side: Option<Side>) -> Nominal {
        let raw = RawScan { points: self.vertices, triangles: self.triangles, ..RawScan::default() };
        Nominal::from_mesh(raw, LengthUnit::Millimetre, side, &quiet()).unwrap()
    }
}

/// Points as a scan has them.
#[derive(Default)]
pub(crate) struct Points {
    pub(crate) points: Vec<Point>,
    /// The same without noise.
    pub(crate) clean: Vec<Point>,
    pub(crate) normals: Vec<Vector>,
}

impl Points {
    /// `count` points of a surface at random places of its numbers, with noise along its normal; `seen` chooses.
    pub(crate) fn add(
        &mut self,
        of: Surface,
        count: usize,
        noise_mm: f64,
        random: &mut Random,
        seen: &dyn Fn(&Point) -> bool,
    ) {
        const STEP: f64 = 1e-5;
        for _ in 0..count {
            let (u, v) =
                (STEP + (1.0 - 2.0 * STEP) * random.unit(), STEP + (1.0 - 2.0 * STEP) * random.unit());
            let p = of(u, v);
            let along = |du: f64, dv: f64| of(u + du, v + dv) - of(u - du, v - dv);
            let normal = along(STEP, 0.0).cross(&along(0.0, STEP)).normalize();
            let noise = noise_mm * random.normal();
            if seen(&p) {
                self.points.push(p + normal * noise);
                self.clean.push(p);
                self.normals.push(normal);
            }
        }
    }

    pub(crate) fn scan(self) -> Scan {
        let raw = RawScan { points: self.points, normals: Some(self.normals), ..RawScan::default() };
        Scan::new(raw, LengthUnit::Millimetre, &quiet()).unwrap()
    }

    pub(crate) fn without_normals(self) -> Scan {
        Scan::new(RawScan { points: self.points, ..RawScan::default() }, LengthUnit::Millimetre, &quiet())
            .unwrap()
    }
}

/// A plan of surfaces, each by a place and the way it faces, and of one thickness of the first.
pub(crate) fn plan_of(features: &[(&str, Point, Vector)], thickness: &str, more: &str) -> String {
    let mut text = String::from(
        "schema_version = 1\npart = \"wall\"\ndrawing_revision = \"A\"\nplan_version = 1\nlength_unit = \"mm\"\nobject = \"part\"\n\
         standard = { system = \"iso\", edition = \"ISO 1101:2017\" }\ndecision = { proven = {} }\n\
         filter = { gaussian = { nesting_index_mm = 2.5 } }\n[nominal]\nfile = \"wall.stl\"\n",
    );
    for (id, at, n) in features {
        text.push_str(&format!(
            "[[feature]]\nid = \"{id}\"\nkind = \"surface\"\npick = {{ near_mm = [{:?}, {:?}, {:?}], facing = [{:?}, {:?}, {:?}], \
             grow_to_angle_deg = 25.0 }}\n",
            at.x, at.y, at.z, n.x, n.y, n.z
        ));
    }
    let first = features[0].0;
    text.push_str(&format!(
        "[[characteristic]]\nnumber = \"1\"\nfeature = \"{first}\"\nthickness = {{ {thickness} }}\n{more}\n"
    ));
    text
}

/// The first characteristic of a plan on a scan that lies on the nominal as `moved` says.
pub(crate) fn told(nominal: &Nominal, plan_text: &str, scan: &Scan, moved: Motion<Part, Axes>) -> Evaluation {
    let run = quiet();
    let (_, plan) = plan::check_toml(plan_text).unwrap_or_else(|f| panic!("{f:#?}"));
    let faces = plan::bind(&plan, Some(nominal)).unwrap_or_else(|f| panic!("{f:#?}"));
    let tree = SurfaceTree::new(nominal.mesh());
    let settings = PartitionSettings { reach_mm: 5.0, min_cos: 0.5 };
    let partition = Partition::new(&run, nominal, &tree, scan, moved, &settings).unwrap();
    let context = Context {
        run: &run,
        nominal,
        tree: &tree,
        plan: &plan,
        faces: &faces,
        scan,
        noise_mm: 0.0,
        shown_noise_mm: 0.0,
        inputs: &Inputs::default(),
        joined: None,
        cell_mm: 2.5,
    };
    evaluate(&context, &plan.characteristics[0], &Aligned::BestFit(&partition)).unwrap()
}

pub(crate) type Part = scantling_core::geometry::PartFrame;
pub(crate) type Axes = scantling_core::geometry::ScanFrame;

/// Places of the map with the thickness there, mm.
pub(crate) fn map(found: &Evaluation) -> Vec<(Point, f64)> {
    let result = found.thickness.as_ref().unwrap_or_else(|| panic!("{}", found.reason));
    result.map_mm.chunks_exact(4).map(|c| (Point::new(c[0], c[1], c[2]), c[3])).collect()
}
