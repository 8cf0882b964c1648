//! Scans of the bar: 30 % unseen, 10 % clutter, 0.05 mm of noise, without normals.

use super::BarPart;
use scantling_core::geometry::random::Random;
use scantling_core::geometry::{Aabb, Motion, PartFrame, Point, ScanFrame, Vector};
use scantling_core::simulate::{Imperfections, Made, Scanner};

const NOISE_MM: f64 = 0.05;
const UNSEEN: f64 = 0.3;
/// Of all points.
const CLUTTER: f64 = 0.1;

/// What a scanner wrote of a part, in the part's own axes: made once, then posed.
pub struct Capture {
    /// In no order that tells a place, mm.
    pub points: Vec<Point>,
}

impl Capture {
    /// Every seed leaves other places unseen and strews other clutter.
    pub fn new(part: &BarPart, seed: u64) -> Self {
        let scanner = Scanner {
            spacing_mm: part.spacing_mm,
            noise_mm: NOISE_MM,
            normal_error_rad: 0.0,
            views: part.views.clone(),
            seed,
            imperfections: Imperfections::default(),
        };
        let made = Made::of_mesh(part.mesh.clone(), Vec::new(), Vec::new());
        let here = Motion::<ScanFrame, PartFrame>::identity();
        let mut points = scanner.scan(&made, &here).expect("a part of the bar can be scanned").points;
        let mut random = Random::seeded(seed ^ 0xba5);
        if seed.is_multiple_of(2) {
            let along = random.direction().vector();
            leave_out(&mut points, UNSEEN, |p| -p.coords.dot(&along));
        } else {
            // Three patches.
            let whole = points.len() as f64;
            for _ in 0..3 {
                let middle = points[random.below(points.len())];
                let share = UNSEEN / 3.0 * whole / points.len() as f64;
                leave_out(&mut points, share, |p| (p - middle).norm_squared());
            }
        }
        strew(&mut points, &part.mesh.bounds(), &mut random);
        Self { points }
    }

    /// The points as a scanner elsewhere would have written them.
    pub fn moved(&self, by: &Motion<ScanFrame, ScanFrame>) -> Vec<Point> {
        self.points.iter().map(|p| by.point(p)).collect()
    }
}

/// Leaves out the given share of the points, the smallest by `key`.
fn leave_out(points: &mut Vec<Point>, share: f64, key: impl Fn(&Point) -> f64) {
    let count = (share * points.len() as f64) as usize;
    let mut keys: Vec<f64> = points.iter().map(&key).collect();
    if count == 0 || count >= keys.len() {
        return;
    }
    let (_, limit, _) = keys.select_nth_unstable_by(count, f64::total_cmp);
    let limit = *limit;
    points.retain(|p| key(p) >= limit);
}

/// Half of the clutter strewn through the part's neighbourhood, half on two boxes that touch or pierce it.
fn strew(points: &mut Vec<Point>, bounds: &Aabb, random: &mut Random) {
    let count = (CLUTTER / (1.0 - CLUTTER) * points.len() as f64) as usize;
    let around = bounds.grown(0.1 * bounds.diagonal());
    let part = points.len();
    for _ in 0..count / 2 {
        let at = |axis: usize, random: &mut Random| random.range(around.low[axis], around.high[axis]);
        points.push(Point::new(at(0, random), at(1, random), at(2, random)));
    }
    for _ in 0..2 {
        let size = [0.08, 0.05, 0.03].map(|s| s * bounds.diagonal());
        let scene = Motion::<PartFrame, PartFrame>::from_turn_and_shift(
            random.turn(),
            points[random.below(part)].coords,
        );
        for _ in 0..count / 4 {
            points.push(scene.point(&on_box(size, random)));
        }
    }
}

/// A place on a box's surface, even over its area.
fn on_box(size: [f64; 3], random: &mut Random) -> Point {
    let areas = [size[1] * size[2], size[2] * size[0], size[0] * size[1]];
    let mut at = random.range(0.0, areas.iter().sum());
    let mut axis = 0;
    while axis < 2 && at >= areas[axis] {
        at -= areas[axis];
        axis += 1;
    }
    let mut p = Vector::from_fn(|a, _| random.range(-0.5, 0.5) * size[a]);
    p[axis] = 0.5 * size[axis] * if random.below(2) == 0 { 1.0 } else { -1.0 };
    Point::from(p)
}
