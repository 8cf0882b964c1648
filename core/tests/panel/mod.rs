//! A panel with a round opening, flat or bent about y, closed or an open sheet, and points on it as it is trimmed: skin,
//! walls and other side in closed form. A part for tests of trimmed edges, not one of the demo.
#![allow(clippy::unwrap_used, dead_code, reason = "for tests, none of which uses everything")]

use scantling_core::geometry::random::Random;
use scantling_core::geometry::{Point, Vector, math};
use scantling_core::nominal::{Nominal, Side};
use scantling_core::read::RawScan;
use scantling_core::run::quiet;
use scantling_core::scan::{LengthUnit, Scan};

/// Sizes in the panel's own surface, mm: u and v from its middle.
#[derive(Clone, Copy)]
pub(crate) struct Panel {
    pub(crate) half: [f64; 2],
    pub(crate) hole_radius: f64,
    pub(crate) thickness: f64,
    /// Radius of the bend about y; infinite for a flat one.
    pub(crate) bend: f64,
    /// Whether the nominal has walls and an other side.
    pub(crate) closed: bool,
}

/// Sides of the outline, and the opening.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Line {
    Right,
    Upper,
    Left,
    Lower,
    Hole,
}

/// How far out of its nominal place the edge is made, mm, over the place along it (v, u, or the turn about the hole); positive
/// outside the material. And how the wall leans: mm out for each mm down.
pub(crate) type Made<'a> = &'a dyn Fn(Line, f64) -> (f64, f64);

/// How a scan of it is taken.
#[derive(Clone, Copy)]
pub(crate) struct Taken {
    pub(crate) spacing: f64,
    pub(crate) noise: f64,
    /// Turn of the rows against u, rad.
    pub(crate) rows: f64,
    /// Points at random places instead of rows.
    pub(crate) anyhow: bool,
    pub(crate) walls: bool,
    pub(crate) other: bool,
    pub(crate) normals: bool,
    /// Radius by which the arrises are measured rounded; 0 for sharp.
    pub(crate) rounding: f64,
    pub(crate) seed: u64,
}

impl Taken {
    pub(crate) fn whole(seed: u64) -> Self {
        Self {
            spacing: 0.5,
            noise: 0.02,
            rows: 0.37,
            anyhow: false,
            walls: true,
            other: false,
            normals: true,
            rounding: 0.0,
            seed,
        }
    }
}

impl Panel {
    pub(crate) fn flat() -> Self {
        Self { half: [60.0, 40.0], hole_radius: 9.0, thickness: 3.0, bend: f64::INFINITY, closed: true }
    }

    /// A place of the panel `w` above its skin, and the normal there.
    pub(crate) fn place(&self, u: f64, v: f64, w: f64) -> (Point, Vector) {
        if !self.bend.is_finite() {
            return (Point::new(u, v, w), Vector::z());
        }
        let turn = u / self.bend;
        let normal = Vector::new(math::sin(turn), 0.0, math::cos(turn));
        (Point::new(0.0, v, -self.bend) + normal * (self.bend + w), normal)
    }

    fn along_u(&self, u: f64) -> Vector {
        let turn = if self.bend.is_finite() { u / self.bend } else { 0.0 };
        Vector::new(math::cos(turn), 0.0, -math::sin(turn))
    }

    pub(crate) fn nominal(&self) -> Nominal {
        const RINGS: usize = 40;
        let [hx, hy] = self.half;
        let corner = math::atan2(hy, hx);
        let pi = std::f64::consts::PI;
        let mut turns: Vec<f64> = (0..96).map(|k| f64::from(k) * pi / 48.0).collect();
        turns.extend([corner, pi - corner, pi + corner, 2.0 * pi - corner]);
        turns.sort_by(f64::total_cmp);
        let n = turns.len();
        let at = |k: usize, ring: usize| {
            let (c, s) = (math::cos(turns[k]), math::sin(turns[k]));
            let far = 1.0 / (c.abs() / hx).max(s.abs() / hy);
            let share = ring as f64 / RINGS as f64;
            let r = self.hole_radius + (far - self.hole_radius) * share;
            (c * r, s * r)
        };
        let layers: &[f64] = if self.closed { &[0.0, 1.0] } else { &[0.0] };
        let mut points = Vec::new();
        for layer in layers {
            for ring in 0..=RINGS {
                for k in 0..n {
                    let (u, v) = at(k, ring);
                    points.push(self.place(u, v, -layer * self.thickness).0);
                }
            }
        }
        let index = |layer: usize, ring: usize, k: usize| (layer * (RINGS + 1) * n + ring * n + k % n) as u32;
        let mut triangles = Vec::new();
        let mut quad = |a: u32, b: u32, c: u32, d: u32| triangles.extend([[a, b, c], [a, c, d]]);
        for ring in 0..RINGS {
            for k in 0..n {
                let f = |layer| {
                    [(ring, k), (ring + 1, k), (ring + 1, k + 1), (ring, k + 1)]
                        .map(|(r, k)| index(layer, r, k))
                };
                let [a, b, c, d] = f(0);
                quad(a, b, c, d);
                if self.closed {
                    let [a, b, c, d] = f(1);
                    quad(a, d, c, b);
                }
            }
        }
        if self.closed {
            for k in 0..n {
                let (a, b) = (index(0, RINGS, k), index(0, RINGS, k + 1));
                quad(b, a, index(1, RINGS, k), index(1, RINGS, k + 1));
                let (a, b) = (index(0, 0, k), index(0, 0, k + 1));
                quad(a, b, index(1, 0, k + 1), index(1, 0, k));
            }
        }
        let raw = RawScan { points, triangles, ..RawScan::default() };
        Nominal::from_mesh(raw, LengthUnit::Millimetre, Some(Side::BehindNormal), &quiet()).unwrap()
    }

    /// Which edge is nearest to a place, how far outside it the place lies, and where along it.
    fn beside(&self, u: f64, v: f64) -> [(Line, f64, f64); 5] {
        let [hx, hy] = self.half;
        let r = (u * u + v * v).sqrt();
        [
            (Line::Right, u - hx, v),
            (Line::Upper, v - hy, u),
            (Line::Left, -u - hx, v),
            (Line::Lower, -v - hy, u),
            (Line::Hole, self.hole_radius - r, math::atan2(v, u)),
        ]
    }

    /// The places at which the skin would be taken if it had no end, in the panel's own u and v.
    pub(crate) fn lattice(&self, taken: &Taken) -> Vec<[f64; 2]> {
        spread(self.reach(), taken, &mut Random::seeded(taken.seed))
    }

    fn reach(&self) -> f64 {
        self.half[0] + self.half[1] + 5.0
    }

    /// Points of the panel as it is made.
    pub(crate) fn points(&self, made: Made, taken: &Taken) -> RawScan {
        let mut random = Random::seeded(taken.seed);
        let mut raw = RawScan { normals: taken.normals.then(Vec::new), ..RawScan::default() };
        let reach = self.reach();
        let inside = |u: f64, v: f64, w: f64| {
            self.beside(u, v).iter().all(|(line, out, at)| {
                let (offset, lean) = made(*line, *at);
                *out <= offset - lean * w
            })
        };
        let faces: &[(f64, f64)] =
            if taken.other { &[(0.0, 1.0), (-self.thickness, -1.0)] } else { &[(0.0, 1.0)] };
        let depths = [0.0, self.thickness];
        for (face, (w, sign)) in faces.iter().enumerate() {
            for [u, v] in spread(reach, taken, &mut random) {
                if !inside(u, v, *w) {
                    continue;
                }
                // The nearest edge rounds.
                let nearest = self
                    .beside(u, v)
                    .into_iter()
                    .map(|(line, out, at)| (line, made(line, at).0 - made(line, at).1 * w - out))
                    .min_by(|a, b| a.1.total_cmp(&b.1))
                    .unwrap();
                let (p, n) = self.place(u, v, *w);
                let out = self.outward(nearest.0, u, v);
                let arris = p + out * nearest.1;
                self.add(&mut raw, arris, nearest.1, n * *sign, out, taken, &mut random);
            }
            debug_assert!(face < 2);
        }
        if taken.walls {
            for line in [Line::Right, Line::Upper, Line::Left, Line::Lower, Line::Hole] {
                let length = match line {
                    Line::Right | Line::Left => 2.0 * self.half[1],
                    Line::Upper | Line::Lower => 2.0 * self.half[0],
                    Line::Hole => 2.0 * std::f64::consts::PI * self.hole_radius,
                };
                for [s, down] in spread(0.5 * length + depths[1], taken, &mut random) {
                    if s.abs() > 0.5 * length || !(down >= 0.0 && down <= self.thickness) {
                        continue;
                    }
                    let at = if line == Line::Hole { s / self.hole_radius } else { s };
                    let (offset, lean) = made(line, at);
                    let out = offset + lean * down;
                    let [hx, hy] = self.half;
                    let (u, v) = match line {
                        Line::Right => (hx + out, s),
                        Line::Left => (-hx - out, s),
                        Line::Upper => (s, hy + out),
                        Line::Lower => (s, -hy - out),
                        Line::Hole => {
                            let r = self.hole_radius - out;
                            (r * math::cos(at), r * math::sin(at))
                        }
                    };
                    // Walls go on round corners that were made further out; no point is taken twice.
                    let others = self.beside(u, v).into_iter().filter(|b| b.0 != line);
                    if !others.into_iter().all(|(l, out, at)| out <= made(l, at).0 + made(l, at).1 * down) {
                        continue;
                    }
                    let (p, n) = self.place(u, v, -down);
                    let outward = self.outward(line, u, v);
                    let wall = (outward + n * lean).normalize();
                    if taken.rounding > 0.0 && down < taken.rounding {
                        let arris = p + n * down;
                        self.add(&mut raw, arris, down, wall, n, taken, &mut random);
                    } else {
                        self.push(&mut raw, p, wall, taken, &mut random);
                    }
                }
            }
        }
        raw
    }

    /// Out of the material in the skin.
    fn outward(&self, line: Line, u: f64, v: f64) -> Vector {
        let along = self.along_u(u);
        match line {
            Line::Right => along,
            Line::Left => -along,
            Line::Upper => Vector::y(),
            Line::Lower => -Vector::y(),
            Line::Hole => -(along * u + Vector::y() * v) / (u * u + v * v).sqrt(),
        }
    }

    /// A point `from_arris` away from an arris on a face with `normal`, brought onto the rounding with the face beyond it,
    /// whose normal is `beyond`, as a scanner does: along the line to the rounding's middle.
    #[allow(clippy::too_many_arguments, reason = "a place with its two faces")]
    fn add(
        &self,
        raw: &mut RawScan,
        arris: Point,
        from_arris: f64,
        normal: Vector,
        beyond: Vector,
        taken: &Taken,
        random: &mut Random,
    ) {
        let r = taken.rounding;
        let p = arris - beyond * from_arris;
        if from_arris >= r || from_arris < 0.0 {
            return self.push(raw, p, normal, taken, random);
        }
        let centre = arris - (normal + beyond) * r;
        let out = (p - centre).normalize();
        self.push(raw, centre + out * r, out, taken, random);
    }

    fn push(&self, raw: &mut RawScan, p: Point, normal: Vector, taken: &Taken, random: &mut Random) {
        raw.points.push(p + normal * (taken.noise * random.normal()));
        if let Some(normals) = &mut raw.normals {
            normals.push(normal);
        }
    }

    pub(crate) fn scan(&self, made: Made, taken: &Taken) -> Scan {
        Scan::new(self.points(made, taken), LengthUnit::Millimetre, &quiet()).unwrap()
    }
}

/// Places of a square about the middle: rows, or anyhow, as many.
fn spread(half: f64, taken: &Taken, random: &mut Random) -> Vec<[f64; 2]> {
    let s = taken.spacing;
    let mut places = Vec::new();
    if taken.anyhow {
        let count = (4.0 * half * half / (s * s)) as usize;
        places.extend((0..count).map(|_| [random.range(-half, half), random.range(-half, half)]));
        return places;
    }
    let (sin, cos) = (math::sin(taken.rows), math::cos(taken.rows));
    let offset = [random.unit(), random.unit()];
    let n = (1.5 * half / s).ceil() as i64;
    for j in -n..=n {
        for i in -n..=n {
            let (x, y) = ((i as f64 + offset[0]) * s, (j as f64 + offset[1]) * s);
            let p = [cos * x - sin * y, sin * x + cos * y];
            if p.iter().all(|c| c.abs() <= half) {
                places.push(p);
            }
        }
    }
    places
}
