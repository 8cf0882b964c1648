//! A block of cells 40 mm wide, each with one feature, and scans of it as it might be made: every feature has a name, and a
//! scan moves the points of a feature as it is told. A part for tests of rules, not one of the demo.
#![allow(clippy::unwrap_used, dead_code, reason = "for tests, none of which uses everything")]

use scantling_core::geometry::random::Random;
use scantling_core::geometry::{Direction, Motion, PartFrame, Point, ScanFrame, Vector, math};
use scantling_core::nominal::Nominal;
use scantling_core::read::RawScan;
use scantling_core::run::quiet;
use scantling_core::scan::{LengthUnit, Scan};

/// Whether as many of `n` 95 % intervals as hold the truth could not well be by chance where 92 to 98 % do: a tail of the binomial
/// distribution below one in a thousand. Of fewer than 342 even all may hold by chance, so that too many are seen in the long
/// runs only.
pub(crate) fn out_of_the_bar(held: usize, n: usize) -> bool {
    let exactly = |k: usize, p: f64| {
        let [n, k] = [n as f64, k as f64];
        let choose = math::ln_gamma(n + 1.0) - math::ln_gamma(k + 1.0) - math::ln_gamma(n - k + 1.0);
        math::exp(choose + k * math::ln(p) + (n - k) * math::ln(1.0 - p))
    };
    let few: f64 = (0..=held).map(|k| exactly(k, 0.92)).sum();
    let many: f64 = (held..=n).map(|k| exactly(k, 0.98)).sum();
    few < 1e-3 || many < 1e-3
}

/// Edge of a cell, mm.
pub(crate) const CELL_MM: f64 = 40.0;
/// Thickness of the block, mm: its upper face lies at z = 0.
pub(crate) const THICK_MM: f64 = 24.0;
/// Corners of a round outline: its vertices lie on the circle.
const AROUND: usize = 96;

/// What a cell holds in its middle.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Cell {
    Plain,
    /// A hole right through.
    Hole(f64),
    /// A pin of this radius and height.
    Pin(f64, f64),
    /// A cone that opens downwards: radius at the foot, at the top, height.
    Cone(f64, f64, f64),
    /// A ball's cap: radius of the ball, whose centre lies on the upper face.
    Ball(f64),
    /// A pocket between two planes across y: width, depth. It is 24 mm long.
    Groove(f64, f64),
}

/// The block: rows of cells along x, from the corner at the origin.
pub(crate) struct Bench {
    pub(crate) rows: Vec<Vec<Cell>>,
}

/// A triangle soup with the name of the feature that each triangle belongs to.
#[derive(Default)]
struct Soup {
    vertices: Vec<Point>,
    triangles: Vec<[u32; 3]>,
}

impl Soup {
    fn quad(&mut self, a: Point, b: Point, c: Point, d: Point) {
        let k = self.vertices.len() as u32;
        self.vertices.extend([a, b, c, d]);
        self.triangles.extend([[k, k + 1, k + 2], [k, k + 2, k + 3]]);
    }

    fn triangle(&mut self, a: Point, b: Point, c: Point) {
        let k = self.vertices.len() as u32;
        self.vertices.extend([a, b, c]);
        self.triangles.push([k, k + 1, k + 2]);
    }
}

fn circle(centre: Point, radius: f64, k: usize) -> Point {
    let a = std::f64::consts::TAU * k as f64 / AROUND as f64;
    centre + Vector::new(math::cos(a), math::sin(a), 0.0) * radius
}

/// The place of the square's border in the direction of corner `k` of the circle.
fn border(centre: Point, half: f64, k: usize) -> Point {
    let a = std::f64::consts::TAU * k as f64 / AROUND as f64;
    let (x, y) = (math::cos(a), math::sin(a));
    centre + Vector::new(x, y, 0.0) * (half / x.abs().max(y.abs()))
}

impl Bench {
    /// Plane A (the upper face, z = 0), B (y = 0), C (x = 0), and one cell of every kind.
    pub(crate) fn new() -> Self {
        use Cell::{Ball, Cone, Groove, Hole, Pin, Plain};
        Self {
            rows: vec![
                vec![Hole(8.0), Plain, Hole(8.0), Groove(12.0, 10.0)],
                vec![Pin(7.0, 16.0), Hole(8.0), Ball(12.0), Plain],
                vec![Cone(12.0, 8.0, 14.0), Plain, Pin(7.0, 16.0), Hole(8.0)],
            ],
        }
    }

    pub(crate) fn size(&self) -> [f64; 2] {
        [CELL_MM * self.rows[0].len() as f64, CELL_MM * self.rows.len() as f64]
    }

    pub(crate) fn centre(&self, row: usize, column: usize) -> Point {
        Point::new(CELL_MM * (column as f64 + 0.5), CELL_MM * (row as f64 + 0.5), 0.0)
    }

    fn cells(&self) -> impl Iterator<Item = (Point, Cell, String)> + '_ {
        self.rows.iter().enumerate().flat_map(move |(r, row)| {
            row.iter().enumerate().map(move |(c, cell)| (self.centre(r, c), *cell, format!("{r}{c}")))
        })
    }

    pub(crate) fn nominal(&self) -> Nominal {
        let mut soup = Soup::default();
        let half = 0.5 * CELL_MM;
        let down = Vector::new(0.0, 0.0, -THICK_MM);
        let size = self.size();
        for (centre, cell, _) in self.cells() {
            let radius = match cell {
                Cell::Hole(r) | Cell::Pin(r, _) | Cell::Cone(r, ..) | Cell::Ball(r) => Some(r),
                _ => None,
            };
            for k in 0..AROUND {
                let n = (k + 1) % AROUND;
                let (a, b) = (border(centre, half, k), border(centre, half, n));
                let outside = |p: &Point| [p.x, size[0] - p.x, p.y, size[1] - p.y].map(|d| d.abs() < 1e-9);
                if outside(&a).iter().zip(outside(&b)).any(|(x, y)| *x && y) {
                    soup.quad(a + down, b + down, b, a);
                }
                // The lower face.
                match cell {
                    Cell::Hole(r) => {
                        let (c, d) = (circle(centre, r, k) + down, circle(centre, r, n) + down);
                        soup.quad(c, d, b + down, a + down);
                        soup.quad(circle(centre, r, k), circle(centre, r, n), d, c);
                    }
                    _ => soup.triangle(centre + down, b + down, a + down),
                }
                // The upper face.
                match (radius, cell) {
                    (Some(r), _) => soup.quad(a, b, circle(centre, r, n), circle(centre, r, k)),
                    (None, Cell::Plain) => soup.triangle(centre, a, b),
                    _ => {}
                }
                let up = |p: Point, h: f64| p + Vector::new(0.0, 0.0, h);
                match cell {
                    Cell::Pin(r, h) => {
                        soup.quad(
                            circle(centre, r, k),
                            circle(centre, r, n),
                            up(circle(centre, r, n), h),
                            up(circle(centre, r, k), h),
                        );
                        soup.triangle(
                            up(centre, h),
                            up(circle(centre, r, k), h),
                            up(circle(centre, r, n), h),
                        );
                    }
                    Cell::Cone(foot, top, h) => {
                        // In steps, so that facets stay near to square.
                        const STEPS: usize = 6;
                        let at = |s: usize, k: usize| {
                            let t = s as f64 / STEPS as f64;
                            up(circle(centre, foot + (top - foot) * t, k), h * t)
                        };
                        for s in 0..STEPS {
                            soup.quad(at(s, k), at(s, n), at(s + 1, n), at(s + 1, k));
                        }
                        soup.triangle(up(centre, h), at(STEPS, k), at(STEPS, n));
                    }
                    Cell::Ball(r) => {
                        const STEPS: usize = 24;
                        let at = |s: usize, k: usize| {
                            let e = 0.5 * std::f64::consts::PI * s as f64 / STEPS as f64;
                            up(circle(centre, r * math::cos(e), k), r * math::sin(e))
                        };
                        for s in 0..STEPS - 1 {
                            soup.quad(at(s, k), at(s, n), at(s + 1, n), at(s + 1, k));
                        }
                        soup.triangle(at(STEPS - 1, k), at(STEPS - 1, n), up(centre, r));
                    }
                    _ => {}
                }
            }
            if let Cell::Groove(width, depth) = cell {
                let (x, y) = (12.0, 0.5 * width);
                let inner =
                    [(-x, -y), (x, -y), (x, y), (-x, y)].map(|(a, b)| centre + Vector::new(a, b, 0.0));
                let floor = Vector::new(0.0, 0.0, -depth);
                for k in 0..4 {
                    let n = (k + 1) % 4;
                    soup.quad(inner[k], inner[n], inner[n] + floor, inner[k] + floor);
                    // The side of the cell from corner k to corner n, first half to one corner of the pocket, then to the other.
                    let side: Vec<Point> = (0..=AROUND / 4)
                        .map(|i| border(centre, half, (5 * AROUND / 8 + k * AROUND / 4 + i) % AROUND))
                        .collect();
                    for (i, pair) in side.windows(2).enumerate() {
                        soup.triangle(pair[0], pair[1], inner[if i < AROUND / 8 { k } else { n }]);
                    }
                    soup.triangle(side[AROUND / 8], inner[n], inner[k]);
                }
                soup.quad(inner[0] + floor, inner[1] + floor, inner[2] + floor, inner[3] + floor);
            }
        }
        for p in &mut soup.vertices {
            // Neighbouring cells meet to the last bit.
            for c in p.iter_mut() {
                *c = (*c * 1e9).round() / 1e9 + 0.0;
            }
        }
        let raw = RawScan { points: soup.vertices, triangles: soup.triangles, ..RawScan::default() };
        Nominal::from_mesh(raw, LengthUnit::Millimetre, None, &quiet()).unwrap()
    }

    /// Points on the nominal, `spacing_mm` apart: name of the feature, place, normal out of the material. The names: A, B, C,
    /// D (x at its largest), E (y at its largest), Z (below), H, P, K, S, G and the place of the cell (row, column), `G..+` and `G..-` for the flanks of a groove.
    pub(crate) fn sampled(&self, spacing_mm: f64, random: &mut Random) -> Vec<(String, Point, Vector)> {
        let mut all = Vec::new();
        let [sx, sy] = self.size();
        let mut jitter = |s: f64| (random.unit() - 0.5) * 0.6 * s;
        let steps = |length: f64| (length / spacing_mm).ceil().max(1.0) as usize;
        let plane = |name: &str,
                     from: Point,
                     u: Vector,
                     v: Vector,
                     keep: &dyn Fn(&Point) -> bool,
                     all: &mut Vec<(String, Point, Vector)>,
                     jitter: &mut dyn FnMut(f64) -> f64| {
            let normal = u.cross(&v).normalize();
            let (nu, nv) = (steps(u.norm()), steps(v.norm()));
            for i in 0..nu {
                for j in 0..nv {
                    let (du, dv) = (jitter(1.0), jitter(1.0));
                    let p = from
                        + u * ((i as f64 + 0.5 + du) / nu as f64)
                        + v * ((j as f64 + 0.5 + dv) / nv as f64);
                    if keep(&p) {
                        all.push((name.to_string(), p, normal));
                    }
                }
            }
        };
        let cells: Vec<(Point, Cell, String)> = self.cells().collect();
        let free_above = |p: &Point| {
            cells.iter().all(|(c, cell, _)| {
                let d = Vector::new(p.x - c.x, p.y - c.y, 0.0);
                match *cell {
                    Cell::Plain => true,
                    Cell::Hole(r) | Cell::Pin(r, _) | Cell::Cone(r, ..) | Cell::Ball(r) => d.norm() > r,
                    Cell::Groove(w, _) => d.x.abs() > 12.0 || d.y.abs() > 0.5 * w,
                }
            })
        };
        let free_below = |p: &Point| {
            cells.iter().all(|(c, cell, _)| match *cell {
                Cell::Hole(r) => Vector::new(p.x - c.x, p.y - c.y, 0.0).norm() > r,
                _ => true,
            })
        };
        let always = |_: &Point| true;
        let low = Vector::new(0.0, 0.0, -THICK_MM);
        plane("A", Point::origin(), Vector::x() * sx, Vector::y() * sy, &free_above, &mut all, &mut jitter);
        plane(
            "Z",
            Point::origin() + low,
            Vector::y() * sy,
            Vector::x() * sx,
            &free_below,
            &mut all,
            &mut jitter,
        );
        plane("B", Point::origin() + low, Vector::x() * sx, -low, &always, &mut all, &mut jitter);
        plane("C", Point::origin() + low, -low, Vector::y() * sy, &always, &mut all, &mut jitter);
        plane("D", Point::new(sx, 0.0, 0.0) + low, Vector::y() * sy, -low, &always, &mut all, &mut jitter);
        plane("E", Point::new(0.0, sy, 0.0) + low, -low, Vector::x() * sx, &always, &mut all, &mut jitter);
        for (centre, cell, place) in &cells {
            let mut round =
                |name: &str, radius: &dyn Fn(f64) -> f64, from: f64, height: f64, out: f64, lean: f64| {
                    let rings = steps(height);
                    for j in 0..rings {
                        let around = steps(std::f64::consts::TAU * radius(0.5));
                        for i in 0..around {
                            let t = (j as f64 + 0.5 + jitter(1.0)) / rings as f64;
                            let a = std::f64::consts::TAU * (i as f64 + 0.5 + jitter(1.0)) / around as f64;
                            let e = Vector::new(math::cos(a), math::sin(a), 0.0);
                            let p = centre + e * radius(t) + Vector::new(0.0, 0.0, from + height * t);
                            let n = (e * math::cos(lean) + Vector::z() * math::sin(lean)) * out;
                            all.push((name.to_string(), p, n));
                        }
                    }
                };
            match *cell {
                Cell::Hole(r) => round(&format!("H{place}"), &|_| r, -THICK_MM, THICK_MM, -1.0, 0.0),
                Cell::Pin(r, h) => round(&format!("P{place}"), &|_| r, 0.0, h, 1.0, 0.0),
                Cell::Cone(foot, top, h) => {
                    let lean = math::atan2(foot - top, h);
                    round(&format!("K{place}"), &|t| foot + (top - foot) * t, 0.0, h, 1.0, lean);
                }
                Cell::Ball(r) => {
                    let rings = steps(0.5 * std::f64::consts::PI * r);
                    for j in 0..rings {
                        let e = 0.5 * std::f64::consts::PI * (j as f64 + 0.5) / rings as f64;
                        let around = steps(std::f64::consts::TAU * r * math::cos(e));
                        for i in 0..around {
                            let a = std::f64::consts::TAU * (i as f64 + jitter(1.0)) / around as f64;
                            let n = Vector::new(
                                math::cos(a) * math::cos(e),
                                math::sin(a) * math::cos(e),
                                math::sin(e),
                            );
                            all.push((format!("S{place}"), centre + n * r, n));
                        }
                    }
                }
                Cell::Groove(width, depth) => {
                    for (sign, side) in [(1.0, "+"), (-1.0, "-")] {
                        let (nu, nv) = (steps(24.0), steps(depth));
                        for i in 0..nu {
                            for j in 0..nv {
                                let x = -12.0 + 24.0 * (i as f64 + 0.5 + jitter(1.0)) / nu as f64;
                                let z = -depth * (j as f64 + 0.5 + jitter(1.0)) / nv as f64;
                                let p = centre + Vector::new(x, sign * 0.5 * width, z);
                                all.push((format!("G{place}{side}"), p, Vector::new(0.0, -sign, 0.0)));
                            }
                        }
                    }
                }
                Cell::Plain => {}
            }
        }
        all
    }

    /// A scan of the block as it is made: `made` takes the name, place and normal of a point on the nominal to where that
    /// point lies on the made part. Noise along the normal; the part lies at `pose`.
    pub(crate) fn scan(
        &self,
        spacing_mm: f64,
        noise_mm: f64,
        seed: u64,
        pose: &Motion<ScanFrame, PartFrame>,
        made: impl Fn(&str, &Point, &Vector) -> Point,
    ) -> Scan {
        let mut random = Random::seeded(seed);
        let mut raw = RawScan { normals: Some(Vec::new()), ..RawScan::default() };
        for (name, p, n) in self.sampled(spacing_mm, &mut random) {
            let q = made(&name, &p, &n) + n * (noise_mm * random.normal());
            raw.points.push(pose.point(&q));
            raw.normals.as_mut().unwrap().push(pose.vector(&n));
        }
        Scan::new(raw, LengthUnit::Millimetre, &quiet()).unwrap()
    }

    /// The part's features, each picked on the nominal, as a plan writes them.
    pub(crate) fn features_toml(&self) -> String {
        let [sx, sy] = self.size();
        let mut text = String::new();
        let mut add = |id: &str, kind: &str, at: [f64; 3], facing: Option<[f64; 3]>| {
            text.push_str(&format!(
                "[[feature]]\nid = \"{id}\"\nkind = \"{kind}\"\npick = {{ near_mm = {at:?}"
            ));
            if let Some(f) = facing {
                text.push_str(&format!(", facing = {f:?}"));
            }
            text.push_str(" }\n");
        };
        add("A", "plane", [39.0, 1.0, 0.0], Some([0.0, 0.0, 1.0]));
        add("Z", "plane", [39.0, 1.0, -THICK_MM], Some([0.0, 0.0, -1.0]));
        add("B", "plane", [39.0, 0.0, -12.0], Some([0.0, -1.0, 0.0]));
        add("C", "plane", [0.0, 39.0, -12.0], Some([-1.0, 0.0, 0.0]));
        add("D", "plane", [sx, 39.0, -12.0], Some([1.0, 0.0, 0.0]));
        add("E", "plane", [39.0, sy, -12.0], Some([0.0, 1.0, 0.0]));
        for (c, cell, place) in self.cells() {
            match cell {
                Cell::Hole(r) => add(&format!("H{place}"), "hole", [c.x + r, c.y, -12.0], None),
                Cell::Pin(r, h) => add(&format!("P{place}"), "cylinder", [c.x + r, c.y, 0.5 * h], None),
                Cell::Cone(foot, top, h) => {
                    add(&format!("K{place}"), "cone", [c.x + 0.5 * (foot + top), c.y, 0.5 * h], None);
                }
                Cell::Ball(r) => {
                    let s = r * std::f64::consts::FRAC_1_SQRT_2;
                    add(&format!("S{place}"), "sphere", [c.x + s, c.y, s], None);
                }
                Cell::Groove(w, d) => {
                    add(
                        &format!("G{place}+"),
                        "plane",
                        [c.x, c.y + 0.5 * w, -0.5 * d],
                        Some([0.0, -1.0, 0.0]),
                    );
                    add(
                        &format!("G{place}-"),
                        "plane",
                        [c.x, c.y - 0.5 * w, -0.5 * d],
                        Some([0.0, 1.0, 0.0]),
                    );
                }
                Cell::Plain => {}
            }
        }
        text
    }
}

/// Somewhere else, turned.
pub(crate) fn pose(seed: u64) -> Motion<ScanFrame, PartFrame> {
    let mut random = Random::seeded(seed);
    let shift = Vector::new(random.normal(), random.normal(), random.normal()) * 200.0;
    Motion::from_turn_and_shift(random.turn(), shift)
}

/// A direction for tests.
pub(crate) fn direction(x: f64, y: f64, z: f64) -> Direction {
    Direction::new(Vector::new(x, y, z)).unwrap()
}
