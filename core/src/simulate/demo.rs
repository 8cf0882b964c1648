//! A good and a bad window surround by seed: what was done is written down beside them.

use super::deviation::{Dent, Deviation, HoleShift, Warp};
use super::made::Made;
use super::window_surround::{Region, RoundHole, WindowSurround};
use crate::geometry::random::Random;
use crate::geometry::{Direction, Motion, PartFrame, Point, ScanFrame, TriangleMesh, Vector, math};

/// A hole and how far it was made off its place.
#[derive(Clone, Debug, PartialEq)]
pub struct DemoHole {
    /// The hole's name in the plan.
    pub id: &'static str,
    /// In the flange's plane, mm.
    pub shift: Vector,
}

/// The dent of the bad part.
#[derive(Clone, Debug, PartialEq)]
pub struct DemoDent {
    /// Where it is.
    pub region: Region,
    /// Its shape and place.
    pub dent: Dent,
}

/// A made part, what was done to it, and how it lay before the scanner.
#[derive(Clone, Debug)]
pub struct DemoPart {
    /// The part.
    pub made: Made,
    /// Every hole, in the order of the surround's holes.
    pub holes: Vec<DemoHole>,
    /// A smooth distortion of at most 0.1 mm.
    pub warp: Warp,
    /// Only the bad part has one.
    pub dent: Option<DemoDent>,
    /// How it lay.
    pub scan_from_part: Motion<ScanFrame, PartFrame>,
    /// For the scanner's noise.
    pub scanner_seed: u64,
}

/// Two parts made after one nominal.
#[derive(Clone, Debug)]
pub struct Demo {
    /// The nominal's sizes, plan and mesh.
    pub surround: WindowSurround,
    /// The nominal.
    pub nominal: TriangleMesh,
    /// Within all its tolerances.
    pub good: DemoPart,
    /// One hole is off its place and one region has a dent; the rest is as good as the good part.
    pub bad: DemoPart,
    /// The hole of the bad part that is off its place.
    pub bad_hole: &'static str,
}

/// A good and a bad part of the demo's window surround, `size_scale` times its size (0.75 to 1.3). The seed
/// chooses warps, small shifts of all holes, poses, which hole is off and where to, and the dent.
pub fn demo_parts(seed: u64, size_scale: f64) -> Demo {
    let surround = WindowSurround::sized(size_scale);
    let nominal = surround.mesh();
    let mut random = Random::seeded(seed);
    let good = good_part(&surround, &nominal, &mut random);
    let (bad, bad_hole) = bad_part(&surround, &nominal, &mut random);
    Demo { surround, nominal, good, bad, bad_hole }
}

/// A part within all its tolerances.
pub(super) fn good_part(surround: &WindowSurround, nominal: &TriangleMesh, random: &mut Random) -> DemoPart {
    part(surround, nominal, random, None)
}

/// A part with a hole off its place, which is named, and a dent.
pub(super) fn bad_part(
    surround: &WindowSurround,
    nominal: &TriangleMesh,
    random: &mut Random,
) -> (DemoPart, &'static str) {
    // The first two holes are datums.
    let bad_hole = surround.holes()[2 + random.below(surround.holes().len() - 2)].id;
    let dent = dent(surround, random);
    (part(surround, nominal, random, Some((bad_hole, dent))), bad_hole)
}

fn part(
    surround: &WindowSurround,
    nominal: &TriangleMesh,
    random: &mut Random,
    bad: Option<(&str, DemoDent)>,
) -> DemoPart {
    let warp = warp(surround, nominal, random);
    let mut deviations = vec![Deviation::Warp(warp.clone())];
    let mut holes = Vec::new();
    for hole in surround.holes() {
        // Positions hold 0.4 mm of zone: the good ones use at most half of it, datums included; the bad
        // one is off by at least its whole.
        let off = bad.as_ref().is_some_and(|(id, _)| *id == hole.id);
        let (length, turn) = (random.unit(), random.range(0.0, std::f64::consts::TAU));
        let length = if off { 0.4 + 0.15 * length } else { 0.03 * length };
        let shift = Vector::new(math::cos(turn), math::sin(turn), 0.0) * length;
        deviations.push(Deviation::HoleShift(hole_shift(surround, hole, shift)));
        holes.push(DemoHole { id: hole.id, shift });
    }
    let dent = bad.map(|(_, dent)| dent);
    deviations.extend(dent.iter().map(|d| Deviation::Dent(d.dent.clone())));
    let made = Made::of_mesh(nominal.clone(), surround.carriers(nominal), deviations);
    let shift =
        Vector::new(random.range(-300.0, 300.0), random.range(-300.0, 300.0), random.range(-300.0, 300.0));
    let scan_from_part = Motion::from_turn_and_shift(random.turn(), shift);
    DemoPart { made, holes, warp, dent, scan_from_part, scanner_seed: random.next_u64() }
}

fn hole_shift(surround: &WindowSurround, hole: &RoundHole, shift: Vector) -> HoleShift {
    HoleShift {
        centre: hole.centre,
        axis: Direction::Z,
        radius_mm: 0.5 * hole.diameter_mm,
        half_length_mm: 0.5 * surround.thickness_mm() + 1.0,
        // Only where the flange is flat; ten millimetres are wide enough for a gentle slope.
        reach_mm: (surround.land_mm(hole) - 0.5).min(10.0),
        shift,
    }
}

/// A warp whose largest displacement along z is 0.06 to 0.1 mm, and at most 0.015 mm in the plane.
pub(super) fn warp(surround: &WindowSurround, nominal: &TriangleMesh, random: &mut Random) -> Warp {
    let [length, width, _] = surround.size_mm();
    let mut warp = Warp {
        centre: Point::new(0.5 * length, 0.5 * width, 0.0),
        half_mm: [0.5 * length, 0.5 * width],
        out_mm: std::array::from_fn(|_| random.range(-1.0, 1.0)),
        in_plane_mm: std::array::from_fn(|_| random.range(-0.015, 0.015)),
    };
    let up = |p: &Point| Deviation::Warp(warp.clone()).displacement(p).z.abs();
    let largest = nominal.vertices().iter().map(up).fold(1e-3, f64::max);
    let wanted = random.range(0.06, 0.1);
    warp.out_mm = warp.out_mm.map(|v| v * wanted / largest);
    warp
}

/// A dent in the middle of the wall or the crown, well inside it.
fn dent(surround: &WindowSurround, random: &mut Random) -> DemoDent {
    let region = if random.unit() < 0.5 { Region::Wall } else { Region::Crown };
    let around = random.range(0.0, 8.0);
    let (centre, normal) = surround.place(region, around, random.range(0.45, 0.55));
    let ends = [0.0, 1.0].map(|across| surround.place(region, around, across).0);
    let radius_mm = ((ends[1] - ends[0]).norm() * random.range(0.3, 0.38)).min(15.0);
    let dent = Dent {
        centre,
        inward: normal.reversed(),
        radius_mm,
        flat: 0.7,
        depth_mm: random.range(0.6, 0.8),
        reach_mm: 2.0 * surround.thickness_mm() + 1.0,
    };
    DemoDent { region, dent }
}
