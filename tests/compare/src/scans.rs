//! Scans of the panel: points of its true surface in the order of scanner stripes, made worse as scans are.

use crate::panel;
use scantling_core::geometry::random::Random;
use scantling_core::geometry::{Cholesky, Motion, PartFrame, Point, ScanFrame, Vector};
use std::collections::BTreeMap;

const NOISE_MM: f64 = 0.02;
const WARP_MM: f64 = 0.3;
const OUTLIERS: f64 = 0.01;
/// A stripe is as wide as the scanner's line is long.
const STRIPE_MM: f64 = 100.0;

pub type ScanFromPart = Motion<ScanFrame, PartFrame>;

/// How a scan is made.
#[derive(Clone, Copy)]
pub struct Wish {
    pub points: f64,
    pub warped: bool,
    pub outliers: bool,
    /// 30 % of the panel, beyond a skew cut, is left out.
    pub cut: bool,
}

pub struct Made {
    pub points: Vec<[f32; 3]>,
    pub normals: Vec<[f32; 3]>,
}

/// Turns by `degrees` about a fixed skew axis, and shifts by `shift_mm` along another.
pub fn pose(degrees: f64, shift_mm: f64) -> ScanFromPart {
    let turn = Vector::new(0.6, -0.5, 0.62).normalize() * degrees.to_radians();
    Motion::from_turn_and_shift(turn, Vector::new(-1.0, 2.0, 1.5).normalize() * shift_mm)
}

/// The same about random axes.
pub fn random_poses(count: usize, degrees: f64, shift_mm: f64) -> Vec<ScanFromPart> {
    let mut random = Random::seeded(77);
    let mut next = || {
        let turn = random.direction().vector() * degrees.to_radians();
        Motion::from_turn_and_shift(turn, random.direction().vector() * shift_mm)
    };
    (0..count).map(|_| next()).collect()
}

/// The upper face and all walls of the panel, as scanned.
pub fn scan(wish: Wish, pose: &ScanFromPart, seed: u64) -> Made {
    let mut random = Random::seeded(seed);
    let area = 0.95e6 * if wish.cut { 0.7 } else { 1.0 };
    let step = (area / wish.points).sqrt();
    let warp = Warp::new();
    let mut walls = walls(wish.points, step, &mut random);
    let mut made = Made { points: Vec::new(), normals: Vec::new() };
    for stripe in 0..(800.0 / STRIPE_MM) as u32 {
        let low = -400.0 + STRIPE_MM * f64::from(stripe);
        for line in 0..(1200.0 / step) as u32 {
            // On one line of the scanner: places of the face, and of the walls.
            let mut places = walls.remove(&(stripe, line)).unwrap_or_default();
            for k in 0..(STRIPE_MM / step) as u32 {
                let x = -600.0 + step * (f64::from(line) + random.unit());
                let y = low + step * (f64::from(k) + random.unit());
                if panel::from_edge(x, y) > 0.0 {
                    places.push(Place { x, y, depth: 0.0, outwards: None });
                }
            }
            places.sort_by(|a, b| a.y.total_cmp(&b.y));
            for place in places {
                if wish.cut && 0.8 * place.x + 0.6 * place.y > 195.0 {
                    continue;
                }
                let (point, normal) = worsen(&place, wish, &warp, &mut random);
                let (point, normal) = (pose.point(&point), pose.vector(&normal));
                made.points.push([point.x as f32, point.y as f32, point.z as f32]);
                made.normals.push([normal.x as f32, normal.y as f32, normal.z as f32]);
            }
        }
    }
    made
}

/// Where the true surface is touched.
struct Place {
    x: f64,
    y: f64,
    depth: f64,
    /// On a wall: away from the material, flat.
    outwards: Option<[f64; 2]>,
}

/// As many points a square millimetre on the walls as on the face, by stripe and line.
fn walls(points: f64, step: f64, random: &mut Random) -> BTreeMap<(u32, u32), Vec<Place>> {
    let mut all: BTreeMap<(u32, u32), Vec<Place>> = BTreeMap::new();
    for edge in panel::edges(1e9) {
        for (i, a) in edge.iter().enumerate() {
            let b = edge[(i + 1) % edge.len()];
            let (ex, ey) = (b[0] - a[0], b[1] - a[1]);
            let length = ex.hypot(ey);
            let count = length * panel::THICKNESS_MM * points / 0.95e6;
            for _ in 0..(count + random.unit()) as u32 {
                let t = random.unit();
                let (x, y) = (a[0] + t * ex, a[1] + t * ey);
                let depth = -panel::THICKNESS_MM * random.unit();
                // The material is on the left.
                let outwards = Some([ey / length, -ex / length]);
                let cell = |v: f64, size: f64, most: f64| (v / size).clamp(0.0, most - 1.0) as u32;
                let stripe = cell(y + 400.0, STRIPE_MM, 800.0 / STRIPE_MM);
                let line = cell(x + 600.0, step, (1200.0 / step).floor());
                all.entry((stripe, line)).or_default().push(Place { x, y, depth, outwards });
            }
        }
    }
    all
}

fn worsen(place: &Place, wish: Wish, warp: &Warp, random: &mut Random) -> (Point, Vector) {
    let (z, face) = panel::upper(place.x, place.y);
    let mut point = Point::new(place.x, place.y, z) + face * place.depth;
    let normal = match place.outwards {
        None => face,
        Some([x, y]) => {
            let out = Vector::new(x, y, 0.0);
            (out - face * out.dot(&face)).normalize()
        }
    };
    if wish.warped {
        point += face * warp.at(place.x, place.y);
    }
    point += normal * (NOISE_MM * random.normal());
    if wish.outliers && random.unit() < OUTLIERS {
        point += face * random.range(-25.0, 25.0);
        point += Vector::new(random.normal(), random.normal(), random.normal()) * 5.0;
    }
    (point, normal)
}

/// A smooth displacement along the face's normal whose best fitting rigid motion is none, so that the pose
/// stays the true one by least squares.
struct Warp {
    rigid: [f64; 6],
    scale: f64,
}

fn bulge(x: f64, y: f64) -> f64 {
    (x / 230.0 - 0.4).sin() * (y / 190.0 + 0.8).cos() + 0.5 * (y / 400.0).powi(2) * (x / 600.0)
}

/// How much a motion of six freedoms moves the face along its normal.
fn row(x: f64, y: f64) -> [f64; 6] {
    let (z, n) = panel::upper(x, y);
    let turn = Vector::new(x, y, z).cross(&n) / 600.0;
    [turn.x, turn.y, turn.z, n.x, n.y, n.z]
}

impl Warp {
    fn new() -> Self {
        let (mut a, mut b) = ([[0.0; 6]; 6], [0.0; 6]);
        let mut places = Vec::new();
        for i in 0..240 {
            for j in 0..160 {
                let (x, y) = (-597.5 + 5.0 * f64::from(i), -397.5 + 5.0 * f64::from(j));
                if panel::from_edge(x, y) > 0.0 {
                    places.push((x, y));
                }
            }
        }
        for &(x, y) in &places {
            let (r, f) = (row(x, y), bulge(x, y));
            for i in 0..6 {
                for j in 0..6 {
                    a[i][j] += r[i] * r[j];
                }
                b[i] += r[i] * f;
            }
        }
        let rigid = Cholesky::new(&a).expect("a doubly curved face holds six freedoms").solve(&b);
        let mut warp = Self { rigid, scale: 1.0 };
        let peak = places.iter().map(|&(x, y)| warp.at(x, y).abs()).fold(0.0, f64::max);
        warp.scale = WARP_MM / peak;
        warp
    }

    fn at(&self, x: f64, y: f64) -> f64 {
        let moved: f64 = row(x, y).iter().zip(self.rigid).map(|(r, m)| r * m).sum();
        self.scale * (bulge(x, y) - moved)
    }
}
