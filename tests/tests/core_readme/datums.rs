//! Figures of datums: a datum system established on points whose place follows by hand, and patterns associated by each
//! criterion.

use scantling_core::associate::{Ideal, On, Pattern, PatternPoint, Together, associate_pattern};
use scantling_core::datum::targets::{Target, TargetMeasured, solve};
use scantling_core::datum::{DatumTaken, PointDatums, establish_by_points};
use scantling_core::geometry::{Direction, Motion, Point, Twist, Vector, math};
use scantling_core::plan::{
    self, Association, Axis, BoundFeature, Condition, Datum, DatumFrom, DatumSource, DatumSystem, FaceMap,
    Feature, FeatureKind, Lock, Place, Plan, PointOn, Situation,
};
use scantling_core::points::{Coordinates, PointSet, Role, TakenPoint};
use scantling_core::run::quiet;

use super::asked::told;
use super::made::{bore, patch, wall};

/// A plan of one plane of which one characteristic is asked.
pub(super) fn plan(standard: &str, asked: &str) -> Plan {
    let edition = if standard == "iso" { "ISO 1101:2017" } else { "ASME Y14.5-2018" };
    let text = format!(
        "schema_version = 1\npart = \"b\"\ndrawing_revision = \"A\"\nplan_version = 1\nlength_unit = \"mm\"\n\
         object = \"part\"\nstandard = {{ system = \"{standard}\", edition = \"{edition}\" }}\n\
         decision = {{ proven = {{}} }}\nfilter = {{ gaussian = {{ nesting_index_mm = 2.5 }} }}\n\
         [[feature]]\nid = \"A\"\nkind = \"plane\"\nplane = {{ at_mm = [0, 0, 0], normal = [0, 0, 1] }}\n\
         [[characteristic]]\nnumber = \"1\"\nfeature = \"A\"\n{asked}\n"
    );
    plan::check_toml(&text).unwrap_or_else(|faults| panic!("{faults:#?}")).1
}

/// A feature, the features that it is made of, and its points as they were made.
struct Made {
    id: &'static str,
    kind: FeatureKind,
    situation: Situation,
    of: Vec<usize>,
    points: Vec<Point>,
}

fn made(id: &'static str, kind: FeatureKind, situation: Situation, points: Vec<Point>) -> Made {
    Made { id, kind, situation, of: Vec::new(), points }
}

fn datum(letter: &str, features: &[usize]) -> Datum {
    let from = DatumFrom::Features {
        features: features.to_vec(),
        association: Association::LeastSquares,
        condition: Condition::Regardless,
        boundary_mm: None,
    };
    Datum { letter: letter.into(), from, locks: Vec::new() }
}

/// Establishes datums on points that lie about where the nominal is; three check points say so to begin with.
fn established(mut all: Vec<Made>, datums: Vec<Datum>) -> PointDatums {
    for (id, x, y) in [("P1", 0.0, 0.0), ("P2", 60.0, 0.0), ("P3", 0.0, 40.0)] {
        let at = Point::new(x, y, 0.0);
        let place =
            Situation::Point { at, direction: Direction::Z, on: PointOn::Surface, patch_radius_mm: None };
        all.push(made(id, FeatureKind::Point, place, vec![at]));
    }
    let mut plan = plan("iso", "flatness = { zone_width_mm = 0.1, association = \"minimum_zone\" }");
    plan.features = all
        .iter()
        .map(|m| Feature { id: m.id.into(), kind: m.kind, place: Place::Stated(m.situation) })
        .collect();
    let bound = |m: &Made| BoundFeature {
        id: m.id.into(),
        kind: m.kind,
        triangles: Vec::new(),
        carrier: None,
        situation: m.situation,
        area_mm2: 0.0,
        centroid: match m.situation {
            Situation::Plane { at, .. } => at,
            _ => Point::origin(),
        },
        of: m.of.clone(),
        edge: None,
    };
    let faces =
        FaceMap { features: all.iter().map(bound).collect(), neighbours: Vec::new(), remarks: Vec::new() };
    plan.datum_systems =
        vec![DatumSystem { id: "D".into(), source: DatumSource::Datums(datums), best_fit: None }];
    let taken = |(name, point): (&str, Point)| TakenPoint {
        name: name.into(),
        line: 1,
        role: Role::Surface,
        point,
        normal: None,
        nominal: None,
        direction: None,
        diameter_mm: None,
        standard_mm: Some(0.001),
    };
    let points = all.iter().flat_map(|m| m.points.iter().map(|&p| taken((m.id, p)))).collect();
    let set = PointSet { points, coordinates: Coordinates::Instrument };
    establish_by_points(&set, &plan.datum_systems[0], &plan, &faces).unwrap_or_else(|e| panic!("{e}"))
}

/// What each datum locks, and how many freedoms are left.
fn locks(found: &PointDatums) -> String {
    let of = |d: &DatumTaken| match d.locks.iter().all(|l| l.len() == 2) {
        true => format!("{} {}", d.feature, d.locks.join(" ")),
        // Where the places of all lie beside the datum, its shifts are told as lines in space.
        false => format!("{} {} freedoms", d.feature, d.locks.len()),
    };
    let all: Vec<String> = found.datums.iter().map(of).collect();
    format!("{}; {} free", all.join(", "), found.free.len())
}

/// How the datums move a place.
fn moved(found: &PointDatums, at: Point) -> Vector {
    found.part_from_points.point(&at) - at
}

/// A level face at z = 0, made as high as told.
fn level(height_mm: f64) -> Made {
    let at = Point::new(30.0, 20.0, 0.0);
    let face = patch(at + Vector::z() * height_mm, Vector::x() * 30.0, Vector::y() * 20.0);
    made("A", FeatureKind::Plane, Situation::Plane { at, normal: Direction::Z }, face)
}

/// A face at y = 0 that looks along -y, made off it by `off` at x = 30 and turned.
fn side(off: f64, slope: f64) -> Made {
    let along = Vector::new(30.0, 30.0 * slope, 0.0);
    let face = patch(Point::new(30.0, off, -10.0), along, Vector::z() * 5.0);
    let at = Point::new(30.0, 0.0, -10.0);
    made("B", FeatureKind::Plane, Situation::Plane { at, normal: Direction::Y.reversed() }, face)
}

/// A hole of 8 mm, made off its place.
fn hole(id: &'static str, x: f64, y: f64, off: Vector) -> Made {
    let at = Point::new(x, y, 0.0);
    let situation = Situation::Hole { at, axis: Direction::Z, diameter_mm: Some(8.0) };
    made(id, FeatureKind::Hole, situation, bore(at + off, Vector::z(), 8.0, [-6.0, 0.0]).points)
}

/// A bore of 8 mm and 16 mm length, made off its place.
fn long_bore(id: &'static str, x: f64, y: f64, off: Vector) -> Made {
    let at = Point::new(x, y, -8.0);
    let situation = Situation::Cylinder { at, axis: Direction::Z, diameter_mm: 8.0, hollow: true };
    made(id, FeatureKind::Cylinder, situation, bore(at + off, Vector::z(), 8.0, [-8.0, 8.0]).points)
}

pub(super) fn plane() -> String {
    let found = established(vec![level(0.1)], vec![datum("A", &[0])]);
    let up = moved(&found, Point::new(30.0, 20.0, 0.0)).z;
    format!("{}; made 0.1 high, moved {}", locks(&found), told(-0.1, up, 1e-9))
}

pub(super) fn hole_after_plane() -> String {
    let all = vec![level(0.0), hole("H", 10.0, 10.0, Vector::x() * 0.1)];
    let found = established(all, vec![datum("A", &[0]), datum("B", &[1])]);
    let across = moved(&found, Point::new(10.0, 10.0, 0.0)).x;
    format!("{}; made 0.1 off, moved {}", locks(&found), told(-0.1, across, 1e-6))
}

pub(super) fn slot() -> String {
    let at = Point::new(50.0, 10.0, 0.0);
    let situation = Situation::Slot {
        at,
        axis: Direction::Z,
        along: Direction::X,
        length_mm: Some(20.0),
        width_mm: Some(8.0),
    };
    let flank = |y: f64| patch(at + Vector::new(0.0, y, -3.0), Vector::x() * 5.0, Vector::z() * 2.0);
    let flanks = [flank(4.1), flank(-3.9)].concat();
    let all = vec![
        level(0.0),
        hole("H", 10.0, 10.0, Vector::zeros()),
        made("S", FeatureKind::Slot, situation, flanks),
    ];
    let found = established(all, vec![datum("A", &[0]), datum("B", &[1]), datum("C", &[2])]);
    let turn = found.part_from_points.vector(&Vector::x()).y;
    format!("{}; 0.1 off at 40 from the hole, turned in mrad {}", locks(&found), told(-2.5, turn * 1e3, 1e-4))
}

pub(super) fn cylinder() -> String {
    let found =
        established(vec![long_bore("H", 10.0, 10.0, Vector::new(0.1, 0.0, 0.0))], vec![datum("A", &[0])]);
    let across = moved(&found, Point::new(10.0, 10.0, -8.0)).x;
    format!("{}; made 0.1 off, moved {}", locks(&found), told(-0.1, across, 1e-6))
}

pub(super) fn cone() -> String {
    let (at, half_angle_rad) = (Point::new(10.0, 10.0, -8.0), 0.4);
    let situation = Situation::Cone { at, axis: Direction::Z, half_angle_rad, radius_mm: 10.0, hollow: true };
    let off = Vector::new(0.1, 0.0, -0.05);
    let points = wall(at + off, Vector::z(), true, [-8.0, 8.0], |_, h| 10.0 + h * math::tan(half_angle_rad));
    let found =
        established(vec![made("K", FeatureKind::Cone, situation, points.points)], vec![datum("A", &[0])]);
    let by = moved(&found, at);
    format!(
        "{}; made 0.1 off and 0.05 deep, moved {}; {}",
        locks(&found),
        told(-0.1, by.x, 1e-6),
        told(0.05, by.z, 1e-6)
    )
}

pub(super) fn sphere() -> String {
    let at = Point::new(10.0, 10.0, 6.0);
    let situation = Situation::Sphere { at, diameter_mm: 12.0, hollow: false };
    let points = super::made::ball(at + Vector::new(0.1, 0.0, 0.05), 6.0).points;
    let found = established(vec![made("K", FeatureKind::Sphere, situation, points)], vec![datum("A", &[0])]);
    let by = moved(&found, at);
    format!(
        "{}; made 0.1 off and 0.05 high, moved {}; {}",
        locks(&found),
        told(-0.1, by.x, 1e-6),
        told(-0.05, by.z, 1e-6)
    )
}

pub(super) fn width() -> String {
    let at = Point::new(30.0, 10.0, -5.0);
    let flank = |id: &'static str, y: f64, off: f64, normal: Direction| {
        let place = at + Vector::y() * y;
        let face = patch(place + Vector::y() * off, Vector::x() * 20.0, Vector::z() * 4.0);
        made(id, FeatureKind::Plane, Situation::Plane { at: place, normal }, face)
    };
    let situation = Situation::Width { at, across: Direction::Y, width_mm: 10.0, hollow: true };
    let whole = Made { of: vec![1, 2], ..made("G", FeatureKind::Width, situation, Vec::new()) };
    let all = vec![
        level(0.0),
        flank("G1", 5.0, 0.3, Direction::Y.reversed()),
        flank("G2", -5.0, -0.1, Direction::Y),
        whole,
    ];
    let found = established(all, vec![datum("A", &[0]), datum("B", &[3])]);
    let across = moved(&found, at).y;
    format!("{}; flanks off by 0.3 and -0.1, moved {}", locks(&found), told(-0.1, across, 1e-9))
}

pub(super) fn common() -> String {
    let all = vec![
        level(0.0),
        long_bore("H1", 10.0, 20.0, Vector::x() * -0.1),
        long_bore("H2", 60.0, 20.0, Vector::x() * 0.1),
    ];
    let found = established(all, vec![datum("A", &[0]), datum("B", &[1, 2])]);
    let left = found.datums[1].residual_mm.expect("what is left");
    let across = moved(&found, Point::new(35.0, 20.0, 0.0)).x;
    format!(
        "{}; 0.2 too far apart, each missed {}; moved {}",
        locks(&found),
        told(0.1, left, 1e-3),
        told(0.0, across, 1e-6)
    )
}

pub(super) fn only_some_freedoms() -> String {
    let second = Datum { locks: vec![Lock::Rz], ..datum("B", &[1]) };
    let found = established(vec![level(0.0), side(0.3, 0.004)], vec![datum("A", &[0]), second]);
    let turn = found.part_from_points.vector(&Vector::x()).y;
    format!("{}; turned in mrad {}", locks(&found), told(-4.0, turn * 1e3, 1e-3))
}

pub(super) fn loose() -> String {
    let mut second = datum("B", &[1]);
    if let DatumFrom::Features { condition, boundary_mm, .. } = &mut second.from {
        (*condition, *boundary_mm) = (Condition::MaximumMaterial, Some(7.9));
    }
    let all =
        vec![level(0.0), hole("H", 10.0, 10.0, Vector::zeros()), hole("J", 50.0, 10.0, Vector::zeros())];
    let found = established(all, vec![datum("A", &[0]), second, datum("C", &[2])]);
    let [loose] = found.loose.as_slice() else { panic!("{:?}", found.loose) };
    let (motions, boundary) = (loose.twists.len(), loose.boundary_mm);
    format!("{}; B loose in {motions} motions within {boundary}", locks(&found))
}

/// Corners at which one place was taken `high` along z, held by some locks, and what is left over at the first along its
/// last lock; `sides` hold the rest of the part.
fn left_at_first(locks: &[Axis], high: f64, sides: &[([f64; 3], Direction)]) -> f64 {
    let all = CORNERS.iter().map(|&p| (p, Direction::Z, 0)).chain(sides.iter().map(|&(p, d)| (p, d, 1)));
    let (mut targets, mut measured) = (Vec::new(), Vec::new());
    for (i, (p, direction, stage)) in all.enumerate() {
        let nominal = Point::from(Vector::from(p));
        let locks = if stage == 0 { locks.to_vec() } else { Vec::new() };
        targets.push(Target { nominal, direction, weight: 1.0, locks, stage });
        let point = nominal + Vector::z() * if i == 0 { high } else { 0.0 };
        measured.push(TargetMeasured { point, normal: None, standard_mm: 0.01 });
    }
    let found = solve(&targets, &measured, Motion::identity()).unwrap_or_else(|e| panic!("{e}"));
    let of_first = found.residuals.iter().rfind(|r| r.target == 0).expect("a residual");
    of_first.residual_mm
}

const SIDES: [([f64; 3], Direction); 3] =
    [([0.0, 0.0, 0.0], Direction::Y), ([60.0, 0.0, 0.0], Direction::Y), ([0.0, 20.0, 0.0], Direction::X)];

const CORNERS: [[f64; 3]; 4] = [[0.0, 0.0, 0.0], [60.0, 0.0, 0.0], [60.0, 40.0, 0.0], [0.0, 40.0, 0.0]];

pub(super) fn targets() -> String {
    format!("four pads, one 0.4 high: left over {}", told(0.1, left_at_first(&[], 0.4, &SIDES), 1e-4))
}

pub(super) fn fixture() -> String {
    let left = left_at_first(&[Axis::X, Axis::Y, Axis::Z], 0.4, &[]);
    format!("four balls, one 0.4 high: left over {}", told(0.1, left, 1e-4))
}

/// Points on one ideal feature.
fn pattern(ideal: Ideal, motions: Vec<Twist>, points: &[Point], association: Association) -> Together {
    let on = |&point: &Point| PatternPoint { point, on: On::Ideal(0), weight: 1.0 };
    let pattern = Pattern { ideals: vec![ideal], motions, centre: Point::origin(), reach_mm: 20.0 };
    let points: Vec<PatternPoint> = points.iter().map(on).collect();
    associate_pattern(&quiet(), &pattern, &points, association).unwrap_or_else(|e| panic!("{e}"))
}

fn shift(way: Vector) -> Twist {
    Twist { turn: Vector::zeros(), shift: way }
}

fn turn(axis: Vector) -> Twist {
    Twist { turn: axis / 20.0, shift: Vector::zeros() }
}

/// A face that is crowned by 0.4 mm from its middle to both ends: where its datum lies below the crown.
pub(super) fn crowned(association: Association, hand: f64) -> String {
    let grid = (-20..=20).flat_map(|i| (-5..=5).map(move |j| (f64::from(i), f64::from(j))));
    let points: Vec<Point> = grid.map(|(x, y)| Point::new(x, y, -0.001 * x * x)).collect();
    let ideal = Ideal::Plane { at: Point::origin(), normal: Direction::Z };
    let motions = vec![shift(Vector::z()), turn(Vector::x()), turn(Vector::y())];
    let found = pattern(ideal, motions, &points, association);
    let at = found.nominal_from_measured.inverse().point(&Point::origin()).z;
    format!("a face crowned by 0.4, against the crown {}", told(hand, at, 1e-6))
}

/// A bore, or a pin, of 20 mm with three lobes of 0.05: the diameter of its datum.
pub(super) fn lobed(hollow: bool, association: Association, hand: f64) -> String {
    let surface =
        wall(Point::origin(), Vector::z(), hollow, [-20.0, 20.0], |t, _| 10.0 + 0.05 * math::cos(3.0 * t));
    let ideal = Ideal::Cylinder { at: Point::origin(), axis: Direction::Z, radius_mm: 10.0, hollow };
    let motions = vec![shift(Vector::x()), shift(Vector::y()), turn(Vector::x()), turn(Vector::y())];
    let found = pattern(ideal, motions, &surface.points, association);
    let growth = found.growths_mm[0];
    let diameter = 20.0 + 2.0 * if hollow { -growth } else { growth };
    let what = if hollow { "a bore" } else { "a pin" };
    format!("{what} of 20 with three lobes of 0.05, {}", told(hand, diameter, 5e-4))
}

/// A face of which three tenths stand 0.2 mm higher, moved along z alone.
pub(super) fn best_fit(association: Association, hand: f64) -> String {
    let points: Vec<PatternPoint> = (0..10)
        .flat_map(|i| (0..5).map(move |j| (i, f64::from(j))))
        .map(|(i, y)| {
            let foot = Point::new(f64::from(i), y, 0.0);
            let point = foot + Vector::z() * if i < 7 { 0.0 } else { 0.2 };
            PatternPoint { point, on: On::Facet(foot, Direction::Z), weight: 1.0 }
        })
        .collect();
    let pattern = Pattern {
        ideals: Vec::new(),
        motions: vec![shift(Vector::z())],
        centre: Point::origin(),
        reach_mm: 10.0,
    };
    let found = associate_pattern(&quiet(), &pattern, &points, association).unwrap_or_else(|e| panic!("{e}"));
    let by = found.nominal_from_measured.translation().z;
    format!("three tenths of a face 0.2 high, moved {}", told(-hand, by, 1e-9))
}
