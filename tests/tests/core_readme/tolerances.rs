//! Figures of orientation, location, profile and run-out: the rule is asked of surfaces whose answer follows by hand.

use scantling_core::geometry::{Direction, Motion, PartFrame, Point, Twist, Vector, math};
use scantling_core::plan::{Condition, Requirement, RunoutDirection, Situation, StandardSystem, Zone};
use scantling_core::tolerance::{
    Bound, Boundary, Coaxiality, Leeway, LineProfile, MaterialCondition, Orientation, Position,
    PositionMember, Projected, Rule, Runout, Surface, SurfaceProfile, Symmetry, Together, TogetherMember,
};

use super::asked::{found, told, value};
use super::datums;
use super::made::{ball, bore, disc, face, groove, shaft, wall};
use super::sizes::{cylinder, width};

const ROUND: Zone = Zone::Round { diameter_mm: 0.3 };
const SLAB: Zone = Zone::Slab { width_mm: 0.3, across: None };

fn hole_at(at: Point) -> Situation {
    Situation::Hole { at, axis: Direction::Z, diameter_mm: None }
}

fn orientation(situation: Situation, zone: Zone) -> Orientation {
    Orientation {
        situation,
        zone,
        condition: None,
        tangent_plane: false,
        standard: StandardSystem::Iso,
        leeway: Leeway::none(),
        cell_mm: 10.0,
    }
}

fn level() -> Situation {
    Situation::Plane { at: Point::origin(), normal: Direction::Z }
}

pub(super) fn orientation_of_plane() -> String {
    let rises = face(|x, y| 7.0 + 0.001 * x + 0.0005 * y);
    let value = value(&orientation(level(), SLAB), &rises);
    format!("rises by 0.1 along 100 and 0.03 along 60, {}", told(0.13, value, 1e-9))
}

pub(super) fn orientation_of_axis() -> String {
    let leans = bore(Point::new(2.0, -1.0, 0.0), Vector::new(0.003, 0.004, 1.0), 8.0, [0.0, 12.0]);
    let round = value(&orientation(hole_at(Point::origin()), ROUND), &leans);
    let zone = Zone::Slab { width_mm: 0.1, across: Some(Direction::X) };
    let slab = value(&orientation(hole_at(Point::origin()), zone), &leans);
    format!(
        "leans by 0.003 and 0.004 over 12, round {}; along x alone {}",
        told(0.06, round, 1e-7),
        told(0.036, slab, 1e-7)
    )
}

pub(super) fn tangent_plane() -> String {
    let high = |x: f64, y: f64| (x / 25.0).fract() == 0.0 && (y / 30.0).fract() == 0.0;
    let surface = face(|x, y| 0.001 * x - if high(x, y) { 0.0 } else { 0.05 });
    let rule = Orientation { tangent_plane: true, ..orientation(level(), SLAB) };
    let (tangent, whole) = (value(&rule, &surface), value(&orientation(level(), SLAB), &surface));
    format!(
        "rises by 0.1, all but a few places 0.05 lower, {}; the surface itself {}",
        told(0.1, tangent, 1e-6),
        told(0.15, whole, 1e-9)
    )
}

fn condition(condition: Condition, limit_mm: f64, size_tolerance_mm: f64) -> Option<MaterialCondition> {
    Some(MaterialCondition { condition, limit_mm, size_tolerance_mm })
}

pub(super) fn orientation_at_maximum_material() -> String {
    let leans = bore(Point::new(3.0, -2.0, 0.0), Vector::new(0.005, 0.0, 1.0), 10.1, [0.0, 20.0]);
    let iso = Orientation {
        condition: condition(Condition::MaximumMaterial, 10.06, 0.2),
        ..orientation(hole_at(Point::origin()), ROUND)
    };
    let surface = value(&iso, &leans);
    let asme = found(&Orientation { standard: StandardSystem::Asme, ..iso }, std::slice::from_ref(&leans));
    let bonus = asme.bonus_mm.expect("a bonus");
    format!(
        "10.1 at a limit of 10.06 that leans by 0.1: ISO {}; ASME {} with a bonus {}",
        told(0.06, surface, 1e-3),
        told(0.1, asme.numbers[0].value, 1e-6),
        told(0.04, bonus, 1e-6)
    )
}

fn member(situation: Situation) -> PositionMember {
    PositionMember { situation, axis: None, condition: None, projected: None, level: None }
}

fn position(situation: Situation, zone: Zone) -> Position {
    Position {
        members: vec![member(situation)],
        zone,
        standard: StandardSystem::Iso,
        leeway: Leeway::none(),
        cell_mm: 10.0,
    }
}

pub(super) fn position_of_axis() -> String {
    let rule = position(hole_at(Point::origin()), ROUND);
    let off = bore(Point::new(0.1, 0.1, 0.0), Vector::z(), 8.0, [0.0, 20.0]);
    let leans = bore(Point::new(0.05, 0.0, 0.0), Vector::new(0.002, 0.0, 1.0), 8.0, [0.0, 20.0]);
    let published = told(2.0 * 0.02_f64.sqrt(), value(&rule, &off), 1e-8);
    format!(
        "0.1 off along x and y, {published}; leaning, its further end counts, {}",
        told(0.18, value(&rule, &leans), 1e-7)
    )
}

pub(super) fn position_in_slab() -> String {
    let off = bore(Point::new(0.1, 0.1, 0.0), Vector::z(), 8.0, [0.0, 20.0]);
    let zone = Zone::Slab { width_mm: 0.3, across: Some(Direction::X) };
    format!(
        "0.1 off along x and y, {}",
        told(0.2, value(&position(hole_at(Point::origin()), zone), &off), 1e-8)
    )
}

pub(super) fn position_of_plane() -> String {
    let value = value(&position(level(), SLAB), &face(|x, _| 0.002 * x));
    format!("rises by 0.2 from its place, {}", told(0.4, value, 1e-12))
}

pub(super) fn position_of_sphere() -> String {
    let sphere = Situation::Sphere { at: Point::origin(), diameter_mm: 12.0, hollow: false };
    let value = value(&position(sphere, ROUND), &ball(Point::new(0.02, -0.01, 0.02), 6.0));
    format!("0.03 off, {}", told(0.06, value, 1e-8))
}

/// One flank further off by 0.3, the other by 0.1 the other way: the middle by 0.2.
fn uneven() -> Surface {
    groove([|_| 5.3, |_| -4.9])
}

pub(super) fn position_of_width() -> String {
    format!("its middle 0.2 off, {}", told(0.4, value(&position(width(), SLAB), &uneven()), 1e-12))
}

pub(super) fn position_of_width_by_envelope() -> String {
    let tapered = groove([|x| 5.0 + 0.004 * x, |_| -5.0]);
    let iso = position(width(), SLAB);
    let asme = Position { standard: StandardSystem::Asme, ..iso.clone() };
    let bumped = groove([|x| if x == 50.0 { 4.8 } else { 5.0 }, |_| -5.0]);
    format!(
        "a rib of 0.2 across a flank, {}; tapered by 0.4, {}, by ISO {:.2}",
        told(0.2, value(&asme, &bumped), 1e-6),
        told(0.0, value(&asme, &tapered), 1e-6),
        value(&iso, &tapered)
    )
}

pub(super) fn symmetry() -> String {
    let rule = Symmetry {
        situation: width(),
        axis: None,
        at: Point::origin(),
        across: Direction::Y,
        cell_mm: 10.0,
        leeway: Leeway::none(),
    };
    format!("flanks off by 0.3 and 0.1, {}", told(0.4, value(&rule, &uneven()), 1e-12))
}

/// CHECKS f.2: axis through (0.05, 0) at the surface with slope 0.004, projected by 20.
pub(super) fn projected() -> String {
    let surface = bore(Point::new(0.05, 0.0, 0.0), Vector::new(0.004, 0.0, 1.0), 8.0, [-12.0, 0.0]);
    let mut rule = position(hole_at(Point::origin()), ROUND);
    let plain = value(&rule, &surface);
    rule.members[0].projected =
        Some(Projected { from: Point::origin(), towards: Direction::Z, length_mm: 20.0 });
    format!(
        "0.05 off at the surface, slope 0.004, projected by 20, {}; within the part {}",
        told(0.26, value(&rule, &surface), 1e-7),
        told(0.10, plain, 1e-7)
    )
}

/// The same hole by both standards at a condition: the value by ISO, and value and bonus by ASME.
fn at(condition: Option<MaterialCondition>, surface: &Surface) -> (f64, f64, f64) {
    let mut iso = position(hole_at(Point::origin()), ROUND);
    iso.members[0].condition = condition;
    let by_surface = value(&iso, surface);
    let asme = found(&Position { standard: StandardSystem::Asme, ..iso }, std::slice::from_ref(surface));
    (by_surface, asme.numbers[0].value, asme.bonus_mm.expect("a bonus"))
}

fn large_hole() -> Surface {
    bore(Point::new(0.24, 0.0, 0.0), Vector::z(), 10.2, [0.0, 20.0])
}

pub(super) fn maximum_material_by_surface() -> String {
    let most = |limit| condition(Condition::MaximumMaterial, limit, 0.5);
    let (iso, ..) = at(most(10.0), &large_hole());
    let hole = bore(Point::new(0.15, 0.0, 0.0), Vector::z(), 10.0, [0.0, 10.0]);
    let pin = shaft(Point::new(0.1, 0.0, 0.0), Vector::z(), 9.5, [0.0, 10.0]);
    // The boundaries that both just keep: limit of size less, or plus, the tolerance that would just do.
    let of_hole = 10.0 - at(most(10.0), &hole).0;
    let mut rule = position(cylinder(9.5, false), ROUND);
    rule.members[0].condition = most(9.5);
    let of_pin = 9.5 + value(&rule, &pin);
    format!(
        "10.2 at a limit of 10.0, 0.24 off, {}; boundary of a hole of 10.0 that is 0.15 off {}; of a pin of 9.5 that is 0.1 off {}",
        told(0.28, iso, 1e-4),
        told(9.7, of_hole, 1e-6),
        told(9.7, of_pin, 1e-6)
    )
}

pub(super) fn maximum_material_by_axis() -> String {
    let (_, value, bonus) = at(condition(Condition::MaximumMaterial, 10.0, 0.5), &large_hole());
    format!(
        "10.2 at a limit of 10.0, 0.24 off, {}; bonus {}; of 0.3 on the drawing {}",
        told(0.48, value, 1e-6),
        told(0.2, bonus, 1e-6),
        told(0.5, 0.3 + bonus, 1e-6)
    )
}

pub(super) fn least_material() -> String {
    let (iso, value, bonus) = at(condition(Condition::LeastMaterial, 10.5, 0.5), &large_hole());
    format!(
        "10.2 at a limit of 10.5, 0.24 off: ISO {}; ASME {} with a bonus {}",
        told(0.18, iso, 1e-4),
        told(0.48, value, 1e-6),
        told(0.3, bonus, 1e-6)
    )
}

/// CHECKS f.2: tolerance 0 at maximum material, limit 8.015, made 8.03: 0.015 are allowed.
pub(super) fn zero_tolerance() -> String {
    let off = |x: f64| {
        let surface = bore(Point::new(x, 0.0, 0.0), Vector::z(), 8.03, [0.0, 10.0]);
        at(condition(Condition::MaximumMaterial, 8.015, 0.035), &surface)
    };
    let ((within, _, bonus), (beyond, ..)) = (off(0.0070), off(0.0080));
    format!(
        "8.03 at a limit of 8.015: allowed {}; a place of 0.014 reads {}, of 0.016 {}",
        told(0.015, bonus, 1e-7),
        told(-0.001, within, 1e-6),
        told(0.001, beyond, 1e-6)
    )
}

/// Four holes of 8 mm at the corners of 60 by 40 mm, and their rule.
fn four(surfaces: impl Fn(usize, Point) -> Surface) -> (Position, Vec<Surface>) {
    let places = [(0.0, 0.0), (60.0, 0.0), (60.0, 40.0), (0.0, 40.0)].map(|(x, y)| Point::new(x, y, 0.0));
    let surfaces = places.iter().enumerate().map(|(i, &p)| surfaces(i, p)).collect();
    let members = places.iter().map(|&p| member(hole_at(p))).collect();
    (Position { members, ..position(hole_at(Point::origin()), ROUND) }, surfaces)
}

fn shifts() -> Leeway {
    Leeway {
        centre: Point::origin(),
        free: Twist::all(1.0)[..2].to_vec(),
        bounds: Vec::new(),
        zone_shifts: false,
    }
}

pub(super) fn group() -> String {
    let centre = Point::new(30.0, 20.0, 0.0);
    let motion: Motion<PartFrame, PartFrame> =
        Motion::turn_about(centre, Vector::z() * 0.002, Vector::x() * 0.3);
    let (held, surfaces) = four(|_, p| bore(p, Vector::z(), 8.0, [0.0, 10.0]).moved(&motion));
    let alone = found(&held, &surfaces).numbers[0].value;
    let leeway = Leeway { centre, free: Twist::all(40.0), bounds: Vec::new(), zone_shifts: false };
    let together = found(&Position { leeway, ..held }, &surfaces).numbers[0].value;
    // How far the corners at (-30, -20) and (30, -20) from the centre go.
    let (sin, bow) = (math::sin(0.002), 1.0 - math::cos(0.002));
    let far = |x: f64| (0.3 + 20.0 * sin - bow * x, sin * x + 20.0 * bow);
    let hand =
        [-30.0, 30.0].map(far).map(|(x, y)| 2.0 * (x * x + y * y).sqrt()).into_iter().fold(0.0, f64::max);
    format!(
        "four holes turned by 2 mrad and shifted by 0.3 together: held {}; as a group {}",
        told(hand, alone, 1e-6),
        told(0.0, together, 1e-6)
    )
}

pub(super) fn lower_segment() -> String {
    let off = |i: usize| Vector::new([0.35, 0.25][i % 2], -0.2, 0.0);
    let (upper, surfaces) = four(|i, p| bore(p + off(i), Vector::z(), 8.0, [0.0, 10.0]));
    let located = found(&upper, &surfaces).numbers[0].value;
    let oriented = found(&Position { leeway: shifts(), ..upper }, &surfaces).numbers[0].value;
    let hand = 2.0 * (0.35_f64 * 0.35 + 0.2 * 0.2).sqrt();
    format!(
        "holes 0.3 off together and 0.05 to either side: upper {}; lower {}",
        told(hand, located, 1e-7),
        told(0.1, oriented, 1e-7)
    )
}

/// CHECKS f.2: a datum pin of 10 made 9.9 lets the pattern move by 0.05 to each side.
pub(super) fn loose_datum() -> String {
    let at = Point::new(30.0, 20.0, 0.0);
    let off = Vector::x() * 0.12;
    let (held, mut surfaces) = four(|_, p| bore(p + off, Vector::z(), 8.0, [0.0, 10.0]));
    let alone = found(&held, &surfaces).numbers[0].value;
    surfaces.push(shaft(at, Vector::z(), 9.9, [0.0, 10.0]));
    let boundary = Boundary::Cylinder { at, axis: Direction::Z, diameter_mm: 10.0, outside: false };
    let leeway = Leeway { bounds: vec![Bound { surface: 4, boundary }], ..shifts() };
    let loose = found(&Position { leeway, ..held }, &surfaces).numbers[0].value;
    format!(
        "a pin of 9.9 in a boundary of 10.0, holes 0.12 off: {}; held {}",
        told(0.14, loose, 1e-4),
        told(0.24, alone, 1e-7)
    )
}

/// The same pin and two holes 0.12 off to opposite sides.
pub(super) fn simultaneous() -> String {
    let at = Point::new(30.0, 20.0, 0.0);
    let places = [Point::origin(), Point::new(60.0, 0.0, 0.0)];
    let off = [0.12, -0.12];
    let mut surfaces: Vec<Surface> =
        (0..2).map(|k| bore(places[k] + Vector::x() * off[k], Vector::z(), 8.0, [0.0, 10.0])).collect();
    surfaces.push(shaft(at, Vector::z(), 9.9, [0.0, 10.0]));
    let boundary = Boundary::Cylinder { at, axis: Direction::Z, diameter_mm: 10.0, outside: false };
    let leeway = |surface| Leeway { bounds: vec![Bound { surface, boundary }], ..shifts() };
    let rule = |k: usize| Position { leeway: leeway(1), ..position(hole_at(places[k]), ROUND) };
    let alone = found(&rule(0), &[surfaces[0].clone(), surfaces[2].clone()]).numbers[0].value;
    let member = |k: usize| TogetherMember { rule: Box::new(rule(k)), surfaces: k..k + 1 };
    let both = Together { members: (0..2).map(member).collect(), leeway: leeway(2) };
    let together = found(&both, &surfaces).numbers[1].value;
    format!(
        "holes 0.12 off to opposite sides, the same pin: each alone {}; together {}",
        told(0.14, alone, 1e-4),
        told(0.24, together, 1e-6)
    )
}

pub(super) fn coaxiality() -> String {
    let surface = shaft(Point::new(0.03, 0.04, 0.0), Vector::new(0.003, 0.004, 1.0), 12.0, [0.0, 20.0]);
    let rule = Coaxiality {
        situation: cylinder(12.0, false),
        axis: None,
        at: Point::origin(),
        datum_axis: Direction::Z,
        leeway: Leeway::none(),
    };
    format!("0.05 off at one end, 0.15 at the other, {}", told(0.3, value(&rule, &surface), 1e-7))
}

fn profile(upper_mm: f64, lower_mm: f64) -> SurfaceProfile {
    SurfaceProfile { surfaces: 1, upper_mm, lower_mm, offset_zone: false, leeway: Leeway::none() }
}

fn ends(rule: &impl Rule, surface: &Surface) -> [f64; 2] {
    let found = found(rule, std::slice::from_ref(surface));
    [found.numbers[0].value, found.numbers[1].value]
}

/// A saddle 0.06 from its lowest to its highest corner that is tilted and lifted.
pub(super) fn profile_over_leeway() -> String {
    let surface = face(|x, y| 0.1 + 0.002 * x + 2e-5 * (x - 50.0) * (y - 30.0));
    let held = ends(&profile(0.1, -0.1), &surface);
    let leeway = Leeway {
        centre: Point::new(50.0, 30.0, 0.0),
        free: Twist::all(50.0),
        bounds: Vec::new(),
        zone_shifts: false,
    };
    let free = ends(&SurfaceProfile { leeway, ..profile(0.1, -0.1) }, &surface);
    format!(
        "a saddle of 0.06, tilted and lifted: held {}; {}; without datums {}; {}",
        told(0.07, held[0], 1e-9),
        told(0.33, held[1], 1e-9),
        told(-0.03, free[0], 1e-6),
        told(0.03, free[1], 1e-6)
    )
}

/// Two points with given deviations.
fn two(low: f64, high: f64) -> Surface {
    let points = vec![Point::new(0.0, 0.0, low), Point::new(10.0, 0.0, high)];
    Surface { points, normals: vec![Direction::Z; 2], deviations_mm: vec![low, high], ..Surface::default() }
}

pub(super) fn offset_zone() -> String {
    let rule = SurfaceProfile { offset_zone: true, ..profile(0.5, -0.5) };
    format!("deviations 0.7 to 0.95, {}", told(0.25, value(&rule, &two(0.7, 0.95)), 1e-12))
}

/// CHECKS f.3: width 0.6 with UZ -0.3, and width 1 with U 0.5 and deviations of 0.30 and -0.42.
pub(super) fn unequal_zone() -> String {
    let limits = |standard: &str, zone: &str| {
        let plan = datums::plan(standard, &format!("surface_profile = {{ {zone} }}"));
        let Requirement::SurfaceProfile { limit_outside_mm, limit_inside_mm, .. } =
            plan.characteristics[0].requirement
        else {
            panic!("a profile was asked for")
        };
        [limit_outside_mm, -limit_inside_mm]
    };
    let uz = limits("iso", "zone_width_mm = 0.6, zone_offset_mm = -0.3");
    let u = limits("asme", "zone_width_mm = 1.0, zone_outside_mm = 0.5");
    let [low, high] = ends(&profile(u[0], u[1]), &two(-0.42, 0.30));
    // ASME Y14.5.1-2019: the width plus twice the larger excess.
    let excess = (high - u[0]).max(u[1] - low);
    format!(
        "0.6 UZ-0.3: limits {} and {}; 1 U 0.5, deviations 0.30 and -0.42: the width and twice the larger excess {}",
        told(0.0, uz[0], 1e-12),
        told(-0.6, uz[1], 1e-12),
        told(0.84, 1.0 + 2.0 * excess, 1e-12)
    )
}

pub(super) fn line_profile() -> String {
    let surface = face(|x, y| if y == 30.0 { 0.001 * x - 0.04 } else { 3.0 });
    let rule = LineProfile {
        at: Point::new(0.0, 30.0, 0.0),
        normal: Direction::Y,
        half_width_mm: 2.4,
        between: None,
        upper_mm: 0.2,
        lower_mm: -0.2,
        leeway: Leeway::none(),
    };
    let [low, high] = ends(&rule, &surface);
    format!("a ridge that rises from -0.04 to 0.06, {}; {}", told(-0.04, low, 1e-12), told(0.06, high, 1e-12))
}

fn runout(direction: RunoutDirection, total: bool) -> Runout {
    let situation = match direction {
        RunoutDirection::Radial => cylinder(20.0, false),
        RunoutDirection::Axial => Situation::Plane { at: Point::origin(), normal: Direction::Z },
    };
    Runout { situation, at: Point::origin(), datum_axis: Direction::Z, direction, total, section_mm: 1.0 }
}

pub(super) fn circular_runout() -> String {
    let off = shaft(Point::new(0.05, 0.0, 0.0), Vector::z(), 20.0, [0.0, 16.0]);
    let radial = value(&runout(RunoutDirection::Radial, false), &off);
    let axial = value(&runout(RunoutDirection::Axial, false), &disc(|r, t| 0.004 * r * math::cos(t)));
    format!(
        "radial, a shaft 0.05 off, {}; axial, a disc of 21 with slope 0.004, {}",
        told(0.1, radial, 1e-9),
        told(0.084, axial, 1e-9)
    )
}

pub(super) fn total_runout() -> String {
    let taper = wall(Point::origin(), Vector::z(), false, [0.0, 16.0], |_, h| 10.0 + 0.02 * h / 16.0);
    let radial = RunoutDirection::Radial;
    let (total, circular) = (value(&runout(radial, true), &taper), value(&runout(radial, false), &taper));
    let dished = value(&runout(RunoutDirection::Axial, true), &disc(|r, _| 0.001 * r * r));
    format!(
        "radial, a taper of 0.02 {} where circular is {}; axial, a dished disc {}",
        told(0.02, total, 1e-9),
        told(0.0, circular, 1e-9),
        told(0.108, dished, 1e-9)
    )
}
