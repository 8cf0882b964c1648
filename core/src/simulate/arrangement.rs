//! Several window surrounds on one table by seed: good ones, bad ones and ones of the opposite hand.

use super::demo::{DemoPart, bad_part, good_part, warp};
use super::demo_files::{DEMO_NOISE_MM, touched_numbers};
use super::deviation::Deviation;
use super::made::Made;
use super::mirror::{mirrored, mirrored_carriers};
use super::scanner::{Scanner, ScannerError};
use super::scene::{Clamp, Scene, ScenePart, SceneScan, Table, TableFrame};
use super::window_surround::WindowSurround;
use crate::geometry::random::Random;
use crate::geometry::{Motion, PartFrame, Point, ScanFrame, TriangleMesh, Vector, math};
use crate::run::quiet;

/// Parts keep at least this far from each other, mm.
const GAP_MM: f64 = 30.0;
/// From the outermost part to the table's edge, mm.
const MARGIN_MM: f64 = 40.0;
/// Places tried for each part before the table grows: a smaller table has fewer points on it.
const THROWS: usize = 10_000;
/// Clamps keep this far from holes along the edge, mm, so that no wall of a hole lies in their shadow.
const CLEAR_OF_HOLES_MM: f64 = 35.0;
/// Length along the edge, depth and height of a clamp's block, mm.
const BLOCK_MM: [f64; 3] = [20.0, 12.0, 16.0];
/// A finger reaches this far over the flange, mm, and is this high.
const FINGER_MM: [f64; 2] = [3.0, 5.0];

/// Which of two parts that mirror each other.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Hand {
    /// As the nominal.
    AsDrawn,
    /// Mirrored through the plane x = 0 of the nominal's axes.
    Opposite,
}

/// A part of an arrangement, with the truth about it.
#[derive(Clone, Debug)]
pub struct ArrangedPart {
    /// Its hand.
    pub hand: Hand,
    /// What was done to it, and how it lies before the scanner. A part of the opposite hand has the axes of
    /// the mirrored nominal, a warp, and no hole shifts.
    pub part: DemoPart,
    /// The hole of a bad part that is off its place.
    pub bad_hole: Option<&'static str>,
    /// Numbers of the plan's characteristics that it was made to fail, in the plan's order.
    pub touched_numbers: Vec<String>,
}

/// Parts on a table, and how they lie before the scanner.
#[derive(Clone, Debug)]
pub struct Arrangement {
    /// The nominal's sizes, plan and mesh.
    pub surround: WindowSurround,
    /// The nominal.
    pub nominal: TriangleMesh,
    /// The parts, in the order of the scene's.
    pub parts: Vec<ArrangedPart>,
    /// Parts, table and clamps.
    pub scene: Scene,
    /// How the table lies before the scanner.
    pub scan_from_table: Motion<ScanFrame, TableFrame>,
    /// For the scanner's noise.
    pub scanner_seed: u64,
}

impl Arrangement {
    /// Scans all of it from above: one view straight down and six tilted, white noise as the demo's.
    ///
    /// # Errors
    /// A spacing at which there is no scan.
    pub fn scan(&self, spacing_mm: f64) -> Result<SceneScan, ScannerError> {
        let scanner = Scanner::front(spacing_mm, DEMO_NOISE_MM, self.scanner_seed);
        scanner.scan_scene(&quiet(), &self.scene, &self.scan_from_table)
    }
}

/// So many good, bad and mirrored window surrounds (at most 20 altogether), flange down as moulded, each
/// turned at random about the table's normal, in random order, at least 30 mm apart, two clamps on about
/// half of them; the table in a random pose before the scanner. About 1.7 million points for four parts at
/// a spacing of 1.5 mm, 1.1 million of them on the table.
pub fn arrangement(seed: u64, good: usize, bad: usize, opposite_hand: usize) -> Arrangement {
    let surround = WindowSurround::default();
    let nominal = surround.mesh();
    let mut random = Random::seeded(seed ^ 0x7AB1_E5EE_D000_0003);
    let kinds = [good, bad, opposite_hand].map(|n| n.min(20));
    let mut parts = Vec::new();
    for (kind, count) in kinds.into_iter().enumerate() {
        for _ in 0..count.min(20 - parts.len()) {
            parts.push(arranged(kind, &surround, &nominal, &mut random));
        }
    }
    // Fisher and Yates: Knuth, The Art of Computer Programming 2, 3.4.2, algorithm P.
    for i in (1..parts.len()).rev() {
        parts.swap(i, random.below(i + 1));
    }
    let (places, side_mm) = footprints(&surround, parts.len(), &mut random);
    let shift = Vector::from_fn(|_, _| random.range(-300.0, 300.0));
    let scan_from_table = Motion::from_turn_and_shift(random.turn(), shift);
    let mut scene =
        Scene { table: Some(Table { size_mm: [side_mm; 2], roughness_mm: 0.01 }), ..Scene::default() };
    for (arranged, place) in parts.iter_mut().zip(&places) {
        let made = arranged.part.made.clone();
        let table_from_part = place.table_from_part(&surround, &made, arranged.hand);
        arranged.part.scan_from_part = scan_from_table * table_from_part;
        if random.unit() < 0.5 {
            for side in [random.below(2), 2 + random.below(2)] {
                scene.clamps.extend(clamp(&surround, side, &table_from_part, arranged.hand, &mut random));
            }
        }
        scene.parts.push(ScenePart { made, table_from_part });
    }
    Arrangement { surround, nominal, parts, scene, scan_from_table, scanner_seed: random.next_u64() }
}

fn arranged(
    kind: usize,
    surround: &WindowSurround,
    nominal: &TriangleMesh,
    random: &mut Random,
) -> ArrangedPart {
    let (hand, part, bad_hole) = match kind {
        0 => (Hand::AsDrawn, good_part(surround, nominal, random), None),
        1 => {
            let (part, hole) = bad_part(surround, nominal, random);
            (Hand::AsDrawn, part, Some(hole))
        }
        _ => {
            let mut warp = warp(surround, nominal, random);
            warp.centre.x = -warp.centre.x;
            let carriers = mirrored_carriers(&surround.carriers(nominal));
            let made = Made::of_mesh(mirrored(nominal), carriers, vec![Deviation::Warp(warp.clone())]);
            let scan_from_part = Motion::identity();
            let scanner_seed = random.next_u64();
            let part = DemoPart { made, holes: Vec::new(), warp, dent: None, scan_from_part, scanner_seed };
            (Hand::Opposite, part, None)
        }
    };
    let touched_numbers = touched_numbers(surround, &part, bad_hole);
    ArrangedPart { hand, part, bad_hole, touched_numbers }
}

/// Where the middle of a part's rectangle lies on the table, and its turn.
#[derive(Clone, Copy, Debug)]
struct Footprint {
    middle: [f64; 2],
    turn_rad: f64,
}

impl Footprint {
    /// Corners of the rectangle, mm.
    fn corners(&self, half: [f64; 2]) -> [[f64; 2]; 4] {
        let (sin, cos) = (math::sin(self.turn_rad), math::cos(self.turn_rad));
        [[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]].map(|[x, y]| {
            let (x, y) = (x * half[0], y * half[1]);
            [self.middle[0] + x * cos - y * sin, self.middle[1] + x * sin + y * cos]
        })
    }

    /// The largest gap between two rectangles along one of their four sides' directions, mm: no more than
    /// their distance (separating axes; negative when they overlap).
    fn gap_mm(&self, other: &Self, half: [f64; 2]) -> f64 {
        let (a, b) = (self.corners(half), other.corners(half));
        let axes = [self.turn_rad, other.turn_rad].map(|t| [math::cos(t), math::sin(t)]);
        let along = |axis: [f64; 2]| {
            let range = |corners: &[[f64; 2]; 4]| {
                let at = corners.map(|c| c[0] * axis[0] + c[1] * axis[1]);
                (
                    at.into_iter().fold(f64::INFINITY, f64::min),
                    at.into_iter().fold(f64::NEG_INFINITY, f64::max),
                )
            };
            let ((low, high), (other_low, other_high)) = (range(&a), range(&b));
            (other_low - high).max(low - other_high)
        };
        let gaps = axes.iter().flat_map(|&[c, s]| [along([c, s]), along([-s, c])]);
        gaps.fold(f64::NEG_INFINITY, f64::max)
    }

    /// The part stands on its lowest point.
    fn table_from_part(
        &self,
        surround: &WindowSurround,
        made: &Made,
        hand: Hand,
    ) -> Motion<TableFrame, PartFrame> {
        let [length, width, _] = surround.size_mm();
        let x = match hand {
            Hand::AsDrawn => 0.5 * length,
            Hand::Opposite => -0.5 * length,
        };
        let lowest = made.mesh().vertices().iter().map(|p| p.z).fold(f64::INFINITY, f64::min);
        let [cx, cy] = self.middle;
        let middle = Point::new(x, 0.5 * width, lowest);
        let shift = Point::new(cx, cy, 0.0) - middle;
        Motion::turn_about(middle, Vector::z() * self.turn_rad, shift)
    }
}

/// Random footprints on the smallest square table, mm, on which throwing them at random ends.
fn footprints(surround: &WindowSurround, count: usize, random: &mut Random) -> (Vec<Footprint>, f64) {
    let [length, width, _] = surround.size_mm();
    let half = [0.5 * length, 0.5 * width];
    let mut side_mm = (1.3 * count.max(1) as f64 * length * width).sqrt();
    loop {
        let inner = 0.5 * side_mm - MARGIN_MM;
        let mut thrown: Vec<Footprint> = Vec::new();
        for _ in 0..THROWS * count {
            if thrown.len() == count {
                break;
            }
            let middle = [random.range(-inner, inner), random.range(-inner, inner)];
            let new = Footprint { middle, turn_rad: random.range(0.0, std::f64::consts::TAU) };
            let on_table = new.corners(half).iter().flatten().all(|v| v.abs() <= inner);
            if on_table && thrown.iter().all(|old| old.gap_mm(&new, half) >= GAP_MM) {
                thrown.push(new);
            }
        }
        if thrown.len() == count {
            return (thrown, side_mm);
        }
        side_mm *= 1.02;
    }
}

/// A block against the trimmed edge of a side (0 bottom, 1 top, 2 left, 3 right) and, on half of them, a
/// finger over the flange.
fn clamp(
    surround: &WindowSurround,
    side: usize,
    table_from_part: &Motion<TableFrame, PartFrame>,
    hand: Hand,
    random: &mut Random,
) -> Vec<Clamp> {
    let [length, width, _] = surround.size_mm();
    let horizontal = side < 2;
    let long = if horizontal { length } else { width };
    let finger = random.unit() < 0.5;
    // Straight edge only: the corners are round with at most 80 mm.
    let at = (0..100).map(|_| random.range(0.25 * long, 0.75 * long)).find(|at| {
        let slot = Point::new(length, 0.43 * width, 0.0);
        surround.holes().iter().map(|h| h.centre).chain([slot]).all(|c| {
            let (along, across, other) = if horizontal { (c.x, c.y, width) } else { (c.y, c.x, length) };
            let far = if side.is_multiple_of(2) { across } else { other - across };
            far > 60.0 || (along - at).abs() > CLEAR_OF_HOLES_MM
        })
    });
    let Some(at) = at else { return Vec::new() };
    // From the edge outwards.
    let outward = match side {
        0 => -Vector::y(),
        1 => Vector::y(),
        2 => -Vector::x(),
        _ => Vector::x(),
    };
    let edge = match side {
        0 => Point::new(at, 0.0, 0.0),
        1 => Point::new(at, width, 0.0),
        2 => Point::new(0.0, at, 0.0),
        _ => Point::new(length, at, 0.0),
    };
    let to_hand = |v: Vector| match hand {
        Hand::AsDrawn => v,
        Hand::Opposite => Vector::new(-v.x, v.y, v.z),
    };
    let out = table_from_part.vector(&to_hand(outward));
    let edge = table_from_part.point(&Point::from(to_hand(edge.coords)));
    // The box's own y points outwards.
    let turn_rad = math::atan2(out.y, out.x) - std::f64::consts::FRAC_PI_2;
    let [along_mm, deep_mm, high_mm] = BLOCK_MM;
    let on_table = |from_edge: f64| {
        let p = edge + out * from_edge;
        Point::new(p.x, p.y, 0.0)
    };
    // A warped edge may be a tenth out; blocks touch to that.
    let block = Clamp { foot: on_table(0.1 + 0.5 * deep_mm), size_mm: BLOCK_MM, turn_rad };
    let mut clamps = vec![block];
    if finger {
        let [reach_mm, thick_mm] = FINGER_MM;
        let reach = reach_mm + 0.1;
        let mut foot = on_table(0.1 - 0.5 * reach);
        foot.z = edge.z + 0.1;
        clamps.push(Clamp { foot, size_mm: [along_mm, reach, thick_mm.min(high_mm - foot.z)], turn_rad });
    }
    clamps
}
