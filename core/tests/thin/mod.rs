//! A thin skin, flat, with one opening: a round hole or a slot. What is scanned of it is made in closed form: moved, tilted, with
//! a chamfer, a burr or breakout, from where it is seen. A part for tests of thin skins, not one of the demo.
#![allow(clippy::unwrap_used, dead_code, reason = "for tests, none of which uses everything")]

use scantling_core::datum::DatumAlignment;
use scantling_core::evaluate::{Aligned, Context, evaluate};
use scantling_core::geometry::random::Random;
use scantling_core::geometry::{Motion, Point, Vector, math};
use scantling_core::nominal::Nominal;
use scantling_core::partition::{Partition, PartitionSettings};
use scantling_core::plan;
use scantling_core::read::RawScan;
use scantling_core::record::Evaluation;
use scantling_core::run::quiet;
use scantling_core::scan::{LengthUnit, Scan};
use scantling_core::search::SurfaceTree;
use scantling_core::uncertainty::Inputs;
use std::f64::consts::{FRAC_PI_2, PI, TAU};

/// Half the edge of the square, mm.
pub(crate) const HALF_MM: f64 = 22.0;
/// Thickness of the skin, mm; its upper side lies at z = 0.
pub(crate) const SKIN_MM: f64 = 3.0;
/// Corners of a round: its vertices lie on it.
const AROUND: usize = 96;

/// The opening: all places within `radius` of a stretch of 2 x `half` along x; a round hole where that is 0.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Opening {
    pub(crate) half: f64,
    pub(crate) radius: f64,
}

/// How it is made.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Made {
    /// Shift of the opening, mm.
    pub(crate) shift: [f64; 2],
    /// By how much its radius is larger, mm.
    pub(crate) wider: f64,
    /// Chamfer of 45 degrees at the upper side, mm.
    pub(crate) chamfer: f64,
    /// Height of a ring that stands on the lower side, mm; it is 0.15 mm wide.
    pub(crate) burr: f64,
    /// Depth of what broke out at 45 degrees at the lower side between the turns 0 and a quarter, mm.
    pub(crate) breakout: f64,
    /// Turn about x of skin and opening together, rad.
    pub(crate) tilt: f64,
    /// How far the wall moves along x for each mm upwards, about the middle of its depth, mm: it leans against the skin.
    pub(crate) lean: f64,
}

/// Which points are taken.
pub(crate) type Sees<'a> = &'a dyn Fn(&Seen) -> bool;

/// A point of the made part before it is measured.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Seen {
    pub(crate) p: Point,
    pub(crate) normal: Vector,
    /// Turn about the nearest place of the stretch, rad.
    pub(crate) turn: f64,
    pub(crate) of: Of,
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Of {
    Upper,
    Lower,
    /// The wall where it runs straight.
    Wall,
    /// Chamfer, burr, breakout.
    Other,
}

/// A scan, and the wall points that it has without noise.
pub(crate) struct Taken {
    pub(crate) scan: Scan,
    pub(crate) wall: Vec<Point>,
}

impl Opening {
    pub(crate) fn hole(diameter: f64) -> Self {
        Self { half: 0.0, radius: 0.5 * diameter }
    }

    fn turn_mm(&self) -> f64 {
        4.0 * self.half + TAU * self.radius
    }

    /// A place of the stretch and the direction away from it, at a length of the turn from the end of the upper flank.
    fn along(&self, s: f64) -> ([f64; 2], f64) {
        let (h, r) = (self.half, self.radius);
        if s < 2.0 * h {
            ([h - s, 0.0], FRAC_PI_2)
        } else if s < 2.0 * h + PI * r {
            ([-h, 0.0], FRAC_PI_2 + (s - 2.0 * h) / r)
        } else if s < 4.0 * h + PI * r {
            ([-h + (s - 2.0 * h - PI * r), 0.0], 1.5 * PI)
        } else {
            ([h, 0.0], 1.5 * PI + (s - 4.0 * h - PI * r) / r)
        }
    }

    fn corners(&self) -> Vec<[f64; 2]> {
        let mut all = Vec::new();
        let ends = if self.half > 0.0 { 2 } else { 1 };
        for end in 0..ends {
            let count = if ends == 2 { AROUND / 2 + 1 } else { AROUND };
            for k in 0..count {
                let a = FRAC_PI_2 + PI * f64::from(end) + TAU * k as f64 / AROUND as f64;
                let x = if ends == 1 {
                    0.0
                } else if end == 0 {
                    -self.half
                } else {
                    self.half
                };
                all.push([x + self.radius * math::cos(a), self.radius * math::sin(a)]);
            }
        }
        all
    }

    pub(crate) fn nominal(&self) -> Nominal {
        let mut points = Vec::new();
        let mut triangles = Vec::new();
        let mut quad = |c: [Point; 4]| {
            let k = points.len() as u32;
            points.extend(c.map(|p| p.map(|x: f64| (x * 1e9).round() / 1e9 + 0.0)));
            triangles.extend([[k, k + 1, k + 2], [k, k + 2, k + 3]]);
        };
        let corners = self.corners();
        let up = |[x, y]: [f64; 2]| Point::new(x, y, 0.0);
        let down = |[x, y]: [f64; 2]| Point::new(x, y, -SKIN_MM);
        let border = |[x, y]: [f64; 2]| {
            let s = HALF_MM / x.abs().max(y.abs());
            [x * s, y * s]
        };
        let square = [[1.0, 1.0], [-1.0, 1.0], [-1.0, -1.0], [1.0, -1.0]]
            .map(|[x, y]: [f64; 2]| [x * HALF_MM, y * HALF_MM]);
        for (k, &a) in corners.iter().enumerate() {
            let b = corners[(k + 1) % corners.len()];
            quad([down(a), down(b), up(b), up(a)].map(|p| p));
            let (c, d) = (border(a), border(b));
            // By the square's corner where one lies between.
            let turn = |[x, y]: [f64; 2], [u, v]: [f64; 2]| x * v - y * u;
            let between = square.iter().copied().find(|q| turn(c, *q) > 1e-9 && turn(*q, d) > 1e-9);
            let mut outline = vec![c];
            outline.extend(between);
            outline.push(d);
            for pair in outline.windows(2) {
                quad([up(pair[0]), up(pair[1]), up(pair[1]), up(a)]);
                quad([down(pair[1]), down(pair[0]), down(a), down(a)]);
                quad([up(pair[1]), up(pair[0]), down(pair[0]), down(pair[1])]);
            }
            quad([up(d), up(b), up(a), up(a)]);
            quad([down(d), down(a), down(b), down(b)]);
        }
        let raw = RawScan { points, triangles, ..RawScan::default() };
        Nominal::from_mesh(raw, LengthUnit::Millimetre, None, &quiet()).unwrap()
    }

    /// Points at random places, one to each square of `spacing`, with white noise along the normal.
    pub(crate) fn taken(&self, made: &Made, spacing: f64, noise: f64, seed: u64, sees: Sees) -> Taken {
        let mut random = Random::seeded(seed);
        let mut raw = RawScan { normals: Some(Vec::new()), ..RawScan::default() };
        let mut wall = Vec::new();
        let tilt =
            Motion::<scantling_core::geometry::PartFrame, scantling_core::geometry::PartFrame>::turn_about(
                Point::new(0.0, 0.0, -0.5 * SKIN_MM),
                Vector::x() * made.tilt,
                Vector::zeros(),
            );
        let mut add = |one: Seen, random: &mut Random| {
            if sees(&one) {
                let p = tilt.point(&one.p);
                let n = tilt.vector(&one.normal);
                if one.of == Of::Wall {
                    wall.push(p);
                }
                raw.points.push(Point::from((p + n * (noise * random.normal())).coords));
                raw.normals.as_mut().unwrap().push(n);
            }
        };
        let radius = self.radius + made.wider;
        let own = Self { radius, ..*self };
        let broken = |turn: f64| if turn.rem_euclid(TAU) < FRAC_PI_2 { made.breakout } else { 0.0 };
        // Both sides: rows with jitter.
        let count = (2.0 * HALF_MM / spacing).round() as i32;
        for of in [Of::Upper, Of::Lower] {
            for i in 0..count {
                for j in 0..count {
                    let x = -HALF_MM + spacing * (f64::from(i) + random.unit());
                    let y = -HALF_MM + spacing * (f64::from(j) + random.unit());
                    let (dx, dy) = (x - made.shift[0], y - made.shift[1]);
                    let ex = dx - dx.clamp(-self.half, self.half);
                    let (away, turn) = ((ex * ex + dy * dy).sqrt(), math::atan2(dy, ex));
                    let more = match of {
                        Of::Upper => made.chamfer,
                        _ if made.burr > 0.0 => 0.15,
                        _ => broken(turn),
                    };
                    if away > radius + more {
                        let upper = of == Of::Upper;
                        let (z, normal) = if upper { (0.0, Vector::z()) } else { (-SKIN_MM, -Vector::z()) };
                        add(Seen { p: Point::new(x, y, z), normal, turn, of }, &mut random);
                    }
                }
            }
        }
        // The wall from the top of the burr upwards, in rows with jitter.
        let deep = SKIN_MM + made.burr;
        let (rows, around) = ((deep / spacing).ceil(), (own.turn_mm() / spacing).ceil());
        let all =
            (0..rows as u32).flat_map(|j| (0..around as u32).map(move |i| (f64::from(i), f64::from(j))));
        for (i, j) in all {
            let (s, d) = (own.turn_mm() * (i + random.unit()) / around, deep * (j + random.unit()) / rows);
            let ([x, y], turn) = own.along(s);
            let e = Vector::new(math::cos(turn), math::sin(turn), 0.0);
            let at_top = made.chamfer - d;
            let at_bottom = d - (SKIN_MM - broken(turn));
            let (off, normal, of) = if at_top > 0.0 {
                (at_top, (-e + Vector::z()).normalize(), Of::Other)
            } else if broken(turn) > 0.0 && at_bottom > 0.0 {
                (at_bottom, (-e - Vector::z()).normalize(), Of::Other)
            } else {
                (0.0, -e, if d > SKIN_MM { Of::Other } else { Of::Wall })
            };
            let aside = made.lean * (0.5 * SKIN_MM - d);
            let p = Point::new(x + made.shift[0] + aside, y + made.shift[1], -d) + e * (radius + off);
            add(Seen { p, normal, turn, of }, &mut random);
        }
        // The outer side of the burr.
        let all = (own.turn_mm() * made.burr / (spacing * spacing)).round() as usize;
        for _ in 0..all {
            let (s, d) = (own.turn_mm() * random.unit(), made.burr * random.unit());
            let ([x, y], turn) = own.along(s);
            let e = Vector::new(math::cos(turn), math::sin(turn), 0.0);
            let p = Point::new(x + made.shift[0], y + made.shift[1], -SKIN_MM - d) + e * (radius + 0.15);
            add(Seen { p, normal: e, turn, of: Of::Other }, &mut random);
        }
        Taken { scan: Scan::new(raw, LengthUnit::Millimetre, &quiet()).unwrap(), wall }
    }
}

/// The head of a plan, and one datum system, whose answer a test gives.
pub(crate) const HEAD: &str = "schema_version = 1\npart = \"skin\"\ndrawing_revision = \"A\"\nplan_version = 1\nlength_unit = \"mm\"\n\
    object = \"part\"\nstandard = { system = \"iso\", edition = \"ISO 1101:2017\" }\ndecision = { proven = {} }\n\
    filter = { gaussian = { nesting_index_mm = 2.5 } }\n[nominal]\nfile = \"skin.stl\"\n\
    [[feature]]\nid = \"A\"\nkind = \"plane\"\npick = { near_mm = [20, 20, 0], facing = [0, 0, 1] }\n\
    [[datum_system]]\nid = \"AA\"\ndatum = [ { letter = \"A\", feature = \"A\", association = \"least_squares\" } ]\n";

/// What a plan asks of a nominal, evaluated where the scan lies: the datums are where they should be.
pub(crate) struct Asked {
    pub(crate) nominal: Nominal,
    tree: SurfaceTree,
    plan: plan::Plan,
    faces: plan::FaceMap,
}

impl Asked {
    pub(crate) fn new(nominal: Nominal, more: &str) -> Self {
        Self::of(nominal, &format!("{HEAD}{more}"))
    }

    pub(crate) fn of(nominal: Nominal, text: &str) -> Self {
        let (_, plan) = plan::check_toml(text).unwrap_or_else(|f| panic!("{f:#?}"));
        let faces = plan::bind(&plan, Some(&nominal)).unwrap_or_else(|f| panic!("{f:#?}"));
        Self { tree: SurfaceTree::new(nominal.mesh()), nominal, plan, faces }
    }

    pub(crate) fn told(&self, scan: &Scan, noise_mm: f64) -> Vec<Evaluation> {
        let run = quiet();
        let settings = PartitionSettings { reach_mm: 2.0, min_cos: 0.5 };
        let here = Motion::identity();
        let partition = Partition::new(&run, &self.nominal, &self.tree, scan, here, &settings).unwrap();
        let datums = DatumAlignment {
            part_from_scan: here,
            partition,
            centre: Point::origin(),
            covariance: [[0.0; 6]; 6],
            free: Vec::new(),
            loose: Vec::new(),
            datums: Vec::new(),
            rounds: 1,
            answers: Vec::new(),
            shared: Vec::new(),
        };
        let context = Context {
            run: &run,
            nominal: &self.nominal,
            tree: &self.tree,
            plan: &self.plan,
            faces: &self.faces,
            scan,
            noise_mm,
            shown_noise_mm: noise_mm,
            inputs: &Inputs::default(),
            joined: None,
            cell_mm: 2.5,
        };
        let all = self.plan.characteristics.iter();
        all.map(|c| evaluate(&context, c, &Aligned::Datums(&datums)).unwrap()).collect()
    }
}
