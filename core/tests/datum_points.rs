//! Datums by points of a machine whose errors are known: how sure each is follows in closed form from least squares, and how
//! the part lies is known because it was made so.

#![allow(clippy::unwrap_used, reason = "a check stops where something is not as told")]

use std::f64::consts::TAU;

use scantling_core::datum::{DatumError, PointDatums, establish_by_points};
use scantling_core::geometry::random::Random;
use scantling_core::geometry::{Motion, PartFrame, Point, ScanFrame, Vector, math};
use scantling_core::points::{Coordinates, PointSet, read as read_points};
use scantling_core::run::quiet;
use scantling_core::scan::LengthUnit;

#[allow(dead_code, reason = "scans are for other tests")]
mod sheets;

use sheets::{Case, datums, near};

/// Stated standard uncertainty of a point, mm.
const STATED: f64 = 0.002;

/// Two holes and a slot that no nominal has: their middles lie 11 mm below A.
const STATED_FEATURES: &str = "[[feature]]\nid = \"Q1\"\nkind = \"hole\"\nhole = { at_mm = [25, 30, -11], axis = [0, 0, 1] }\n\
     [[feature]]\nid = \"Q2\"\nkind = \"hole\"\nhole = { at_mm = [75, 30, -11], axis = [0, 0, 1] }\n\
     [[feature]]\nid = \"S\"\nkind = \"slot\"\nslot = { at_mm = [50, 30, -11], axis = [0, 0, 1], along = [1, 0, 0], \
     width_mm = 8, length_mm = 20 }\n";

/// A file of points in a machine's axes.
struct Taken {
    machine: Motion<ScanFrame, PartFrame>,
    file: String,
}

impl Taken {
    fn new(seed: u64) -> Self {
        let turn = Random::seeded(seed).turn();
        let machine = Motion::from_turn_and_shift(turn, Vector::new(900.0, 20.0, -40.0));
        Self { machine, file: "name,role,x,y,z,u,nx,ny,nz\n".into() }
    }

    fn point(&mut self, name: &str, role: &str, p: [f64; 3], stated: &str, normal: Option<[f64; 3]>) {
        let p = self.machine.point(&Point::from(Vector::from(p)));
        let normal = normal.map_or(",,".to_owned(), |n| {
            let n = self.machine.vector(&Vector::from(n));
            format!("{},{},{}", n.x, n.y, n.z)
        });
        self.file += &format!("{name},{role},{},{},{},{stated},{normal}\n", p.x, p.y, p.z);
    }

    /// Corners and middle of A; the corners off by as much as told, up and down in turn, which moves no plane.
    fn plane(&mut self, off: f64, normal: Option<[f64; 3]>) {
        for (x, y, z) in
            [(5.0, 5.0, off), (95.0, 5.0, -off), (95.0, 55.0, off), (5.0, 55.0, -off), (50.0, 30.0, 0.0)]
        {
            self.point("A", "surface", [x, y, z], "0.002", normal);
        }
    }

    /// So many points round a wall of radius 8 about x, y, in turn off by as much as told.
    fn wall(&mut self, name: &str, [x, y]: [f64; 2], count: u32, off: f64) {
        for i in 0..count {
            let t = TAU * f64::from(i) / f64::from(count);
            let r = 8.0 + if i % 2 == 0 { off } else { -off };
            self.point(name, "surface", [x + r * math::cos(t), y + r * math::sin(t), -11.0], "0.002", None);
        }
    }

    /// Two points on the lower flank of the slot and three on the upper, off by as much as told to either side.
    fn flanks(&mut self, middle: f64, off: f64) {
        for (x, y) in
            [(45.0, -4.0 + off), (55.0, -4.0 - off), (44.0, 4.0 + off), (50.0, 4.0), (56.0, 4.0 - off)]
        {
            self.point("S", "surface", [x, middle + y, -11.0], "0.002", None);
        }
    }

    fn centre(&mut self, name: &str, x: f64, y: f64) {
        self.point(name, "centre", [x, y, -11.0], "0.002", None);
    }

    /// The check point P tells about how the part lies.
    fn near(&mut self) {
        self.point("P", "surface", [20.0, 20.0, 0.0], "0.002", None);
    }

    fn establish(
        &self,
        case: &Case,
        system: &[(&str, &str)],
    ) -> Result<(PointDatums, Motion<PartFrame, PartFrame>), DatumError> {
        let system: Vec<(&str, &str, &str)> = system.iter().map(|(l, f)| (*l, *f, "least_squares")).collect();
        self.establish_on(case, STATED_FEATURES, &datums(&system))
    }

    fn establish_on(
        &self,
        case: &Case,
        stated: &str,
        system: &str,
    ) -> Result<(PointDatums, Motion<PartFrame, PartFrame>), DatumError> {
        let (plan, faces) = case.plan_with(true, stated, system);
        let points = read_points(self.file.as_bytes(), LengthUnit::Millimetre, None, &quiet()).unwrap();
        let set = PointSet { points, coordinates: Coordinates::Instrument };
        let found = establish_by_points(&set, &plan.datum_systems[0], &plan, &faces)?;
        let part_from_made = found.part_from_points * self.machine;
        Ok((found, part_from_made))
    }
}

/// Standard uncertainty of a place along a direction, mm.
fn standard_mm(found: &PointDatums, p: [f64; 3], along: Vector) -> f64 {
    let arm = (Point::from(Vector::from(p)) - found.centre).cross(&along);
    let row = [arm.x, arm.y, arm.z, along.x, along.y, along.z];
    let covariance = found.covariance.expect("every point states its uncertainty");
    let total: f64 = (0..36).map(|k| row[k / 6] * covariance[k / 6][k % 6] * row[k % 6]).sum();
    total.sqrt()
}

const A_Q1_Q2: [(&str, &str); 3] = [("A", "A"), ("B", "Q1"), ("C", "Q2")];

/// The plane of least squares: variance u^2 (1 / n + dx^2 / sum of dx^2 + dy^2 / sum of dy^2) at a place off the middle (normal
/// equations, JCGM 100:2008, 5.2 and H.3). Points err by what they state, or by what the fit leaves over where that is more:
/// with three freedoms of five taken, four residuals d leave a standard deviation of d times the root of 4 / 2.
#[test]
fn a_plane_errs_as_its_points_state_or_as_they_scatter() {
    let case = Case::new();
    for (off, of_a_point) in [(0.0, STATED), (1e-4, STATED), (0.01, 0.01 * f64::sqrt(2.0))] {
        let mut taken = Taken::new(1);
        taken.plane(off, None);
        taken.centre("Q1", 25.0, 30.0);
        taken.centre("Q2", 75.0, 30.0);
        taken.near();
        let (found, part_from_made) = taken.establish(&case, &A_Q1_Q2).unwrap();
        for p in [Point::new(50.0, 30.0, 0.0), Point::new(5.0, 5.0, 0.0), Point::new(25.0, 30.0, -11.0)] {
            assert!((part_from_made.point(&p) - p).norm() < 1e-6, "{off}: {}", part_from_made.point(&p));
        }
        for [x, y] in [[50.0, 30.0], [95.0, 55.0], [0.0, 30.0]] {
            let (dx, dy) = (x - 50.0, y - 30.0);
            let variance = 1.0 / 5.0 + dx * dx / (4.0 * 45.0 * 45.0) + dy * dy / (4.0 * 25.0 * 25.0);
            let told = standard_mm(&found, [x, y, 0.0], Vector::z());
            near(told / (of_a_point * variance.sqrt()), 1.0, 1e-3, &format!("{off} at {x}, {y}"));
        }
        near(found.datums[0].residual_mm.unwrap(), off, 1e-6, "what the plane leaves over");
    }
}

/// A centre errs as it states. Of n points evenly round a circle each coordinate of the centre has the variance 2 u^2 / n
/// (normal equations); eight residuals d with five freedoms left scatter by d times the root of 8 / 5.
#[test]
fn a_hole_errs_as_its_centre_states_or_as_its_wall_scatters() {
    let case = Case::new();
    let wall =
        [(4, 0.0, STATED * f64::sqrt(0.5)), (8, 0.0, STATED * 0.5), (8, 0.01, 0.01 * f64::sqrt(1.6) * 0.5)];
    let all = std::iter::once((0, 0.0, STATED)).chain(wall);
    for (count, off, expected) in all {
        let mut taken = Taken::new(2);
        taken.plane(0.0, None);
        match count {
            0 => taken.centre("Q1", 25.0, 30.0),
            _ => taken.wall("Q1", [25.0, 30.0], count, off),
        }
        taken.centre("Q2", 75.0, 30.0);
        taken.near();
        let (found, part_from_made) = taken.establish(&case, &A_Q1_Q2).unwrap();
        let at = [25.0, 30.0, -11.0];
        for along in [Vector::x(), Vector::y()] {
            let told = standard_mm(&found, at, along);
            near(told / expected, 1.0, 2e-3, &format!("{count} points off by {off} along {along:?}"));
        }
        // The other hole turns the part, and no more: across the line of both it errs as it states.
        near(standard_mm(&found, [75.0, 30.0, -11.0], Vector::y()) / STATED, 1.0, 1e-3, "the second hole");
        let moved = part_from_made.point(&Point::from(Vector::from(at))) - Point::from(Vector::from(at));
        assert!(moved.norm() < 1e-6, "{moved}");
    }
}

/// The middle of a slot is half way between the means of its flanks: u / 2 times the root of 1 / 2 + 1 / 3. Residuals d, -d of
/// two points and d, 0, -d of three, with three freedoms left, scatter by d times the root of 4 / 3.
#[test]
fn a_slot_errs_as_the_means_of_its_flanks() {
    let case = Case::new();
    let system = [("A", "A"), ("B", "Q1"), ("C", "S")];
    let mean = 0.5 * f64::sqrt(1.0 / 2.0 + 1.0 / 3.0);
    // Off by a little, which turns the part about the hole; where points scatter a turn would bring them nearer or further.
    for (off, of_a_point, aside) in [(0.0, STATED, 1e-3), (0.01, 0.01 * f64::sqrt(4.0 / 3.0), 0.0)] {
        let mut taken = Taken::new(3);
        taken.plane(0.0, None);
        taken.centre("Q1", 25.0, 30.0);
        taken.flanks(30.0 + aside, off);
        taken.near();
        let (found, part_from_made) = taken.establish(&case, &system).unwrap();
        near(
            standard_mm(&found, [50.0, 30.0, -11.0], Vector::y()) / (of_a_point * mean),
            1.0,
            2e-3,
            &format!("{off}"),
        );
        near(part_from_made.vector(&Vector::x()).y, -aside / 25.0, 1e-8, "the turn");
    }
    // One flank tells no middle, nor do two groups that lie nearer than the slot is wide.
    for upper in [-4.0, 0.0] {
        let mut taken = Taken::new(3);
        taken.plane(0.0, None);
        taken.centre("Q1", 25.0, 30.0);
        for (x, y) in [(45.0, -4.0), (55.0, -4.0), (44.0, upper), (56.0, upper)] {
            taken.point("S", "surface", [x, 30.0 + y, -11.0], "0.002", None);
        }
        taken.near();
        let refused = taken.establish(&case, &system).unwrap_err().to_string();
        assert!(refused.contains("both flanks"), "{refused}");
    }
}

/// The second hole only turns the part: what it lies too far out or in stays, positive away from the first.
#[test]
fn a_hole_that_only_turns_the_part_tells_how_far_it_stays_off() {
    let case = Case::new();
    for off in [0.03, -0.02] {
        let mut taken = Taken::new(6);
        taken.plane(0.0, None);
        taken.centre("Q1", 25.0, 30.0);
        taken.centre("Q2", 75.0 + off, 30.0);
        taken.near();
        let (found, part_from_made) = taken.establish(&case, &A_Q1_Q2).unwrap();
        near(found.datums[2].residual_mm.unwrap(), off, 1e-6, "away from the first");
        assert_eq!(found.datums[2].locks, ["rz"]);
        let there = part_from_made.point(&Point::new(50.0, 30.0, -11.0));
        assert!((there - Point::new(50.0, 30.0, -11.0)).norm() < 1e-6, "{there}");
    }
}

#[test]
fn one_point_without_an_uncertainty_leaves_all_unknown() {
    let case = Case::new();
    let mut taken = Taken::new(4);
    taken.plane(0.0, None);
    taken.centre("Q1", 25.0, 30.0);
    taken.point("Q2", "centre", [75.0, 30.0, -11.0], "", None);
    taken.near();
    let (found, _) = taken.establish(&case, &A_Q1_Q2).unwrap();
    assert_eq!(found.covariance, None);
}

/// Two places and a plane tell how the part lies once the side of the plane is known: then all is met exactly, however the
/// machine has turned it.
#[test]
fn two_places_and_a_plane_with_normals_are_enough_to_begin_with() {
    let case = Case::new();
    for seed in 5..17 {
        let of = |normal: Option<[f64; 3]>| {
            let mut taken = Taken::new(seed);
            taken.plane(0.0, normal);
            taken.centre("Q1", 25.0, 30.0);
            taken.centre("Q2", 75.0, 30.0);
            taken.establish(&case, &A_Q1_Q2)
        };
        let (_, part_from_made) = of(Some([0.0, 0.0, 1.0])).unwrap();
        for p in [Point::new(0.0, 0.0, 0.0), Point::new(100.0, 60.0, 0.0), Point::new(50.0, 30.0, -21.0)] {
            let there = part_from_made.point(&p);
            assert!((there - p).norm() < 1e-8, "{seed}: {there}");
        }
        let refused = of(None).unwrap_err().to_string();
        assert!(refused.contains("which side"), "{seed}: {refused}");
    }
    // One place leaves a turn, none tells nothing.
    let mut one = Taken::new(5);
    one.plane(0.0, Some([0.0, 0.0, 1.0]));
    one.centre("Q1", 25.0, 30.0);
    let refused = one.establish(&case, &[("A", "A"), ("B", "Q1")]).unwrap_err().to_string();
    assert!(refused.contains("turn is left free"), "{refused}");
    let mut none = Taken::new(5);
    none.plane(0.0, Some([0.0, 0.0, 1.0]));
    let refused = none.establish(&case, &[("A", "A")]).unwrap_err().to_string();
    assert!(refused.contains("besides the plane"), "{refused}");
}

/// Balls of a fixture at the corners of a rectangle of 100 by 80 mm; the fixture is known to 0.01 mm (expanded 0.02).
fn fixture(diameter: &str) -> String {
    let corners: String = CORNERS
        .iter()
        .enumerate()
        .map(|(i, [x, y])| format!("  {{ id = \"K{i}\", at_mm = [{x}, {y}, 0]{diameter} }},\n"))
        .collect();
    format!(
        "[[fixture]]\nid = \"fx\"\ncertificate = \"K\"\nexpanded_uncertainty_mm = 0.02\ntarget = [\n{corners}]\n"
    )
}

const CORNERS: [[f64; 2]; 4] = [[0.0, 0.0], [100.0, 0.0], [100.0, 80.0], [0.0, 80.0]];

/// A fixture's stated uncertainty is that of a shift of the whole part, however many balls it has; what each ball's own points err by
/// is averaged over all four. A tilt is told by the balls at its arms (normal equations). Balls that lie by `d` to either side of a
/// plane scatter by d times the root of 4 / 6, since four balls leave six of their twelve places over (Birge, Physical Review 40, 1932,
/// p. 207, from memory).
#[test]
fn balls_of_a_fixture_shift_as_it_states_and_tilt_by_their_arms() {
    let case = Case::new();
    let fixture_mm = 0.01f64;
    // Six points about a ball tell each coordinate of its centre by two of them.
    for (round, off, own) in [
        (false, 0.0, STATED),
        (true, 0.0, STATED * f64::sqrt(0.5)),
        (false, 0.05, STATED),
        (false, 0.005, STATED),
    ] {
        let mut taken = Taken::new(20);
        for (i, [x, y]) in CORNERS.into_iter().enumerate() {
            let (name, z) = (format!("K{i}"), if i % 2 == 0 { off } else { -off });
            if round {
                for [a, b, c] in [[1, 0, 0], [-1, 0, 0], [0, 1, 0], [0, -1, 0], [0, 0, 1], [0, 0, -1]]
                    .map(|n| n.map(f64::from))
                {
                    taken.point(&name, "surface", [x + 10.0 * a, y + 10.0 * b, z + 10.0 * c], "0.002", None);
                }
            } else {
                taken.point(&name, "centre", [x, y, z], "0.002", None);
            }
        }
        let diameter = if round { ", ball_diameter_mm = 20" } else { "" };
        let (found, part_from_made) =
            taken.establish_on(&case, &fixture(diameter), "fixture = \"fx\"").unwrap();
        for p in [Point::new(50.0, 40.0, 0.0), Point::new(100.0, 0.0, -20.0)] {
            assert!((part_from_made.point(&p) - p).norm() < 1e-6, "{off}: {}", part_from_made.point(&p));
        }
        let stated = own * own + fixture_mm * fixture_mm;
        let of_a_ball = f64::max(stated, off * off * 4.0 / 6.0);
        for [dx, dy] in [[0.0, 0.0], [50.0, 40.0], [-50.0, 0.0]] {
            let arms = dx * dx / (4.0 * 2500.0) + dy * dy / (4.0 * 1600.0);
            let variance = of_a_ball * (0.25 + arms) + 0.75 * fixture_mm * fixture_mm;
            let told = standard_mm(&found, [50.0 + dx, 40.0 + dy, 0.0], Vector::z());
            near(told / variance.sqrt(), 1.0, 2e-3, &format!("{round} {off} at {dx}, {dy}"));
        }
        for datum in &found.datums {
            near(datum.residual_mm.unwrap_or(0.0), off, 1e-4, &datum.feature);
        }
    }
    // A place without a diameter is one point, which is its own centre; of two nobody knows which.
    let mut taken = Taken::new(20);
    for (i, [x, y]) in CORNERS.into_iter().enumerate() {
        taken.point(&format!("K{i}"), "surface", [x, y, 0.0], "0.002", None);
    }
    let (found, _) = taken.establish_on(&case, &fixture(""), "fixture = \"fx\"").unwrap();
    let told = standard_mm(&found, [50.0, 40.0, 0.0], Vector::x());
    near(told / f64::sqrt(STATED * STATED / 4.0 + fixture_mm * fixture_mm), 1.0, 2e-3, "places");
    taken.point("K1", "surface", [100.0, 0.0, 0.0], "0.002", None);
    let refused = taken.establish_on(&case, &fixture(""), "fixture = \"fx\"").unwrap_err().to_string();
    assert!(refused.contains("leave one"), "{refused}");
}

/// Four holes at the corners of a rectangle, or three evenly round a circle, as one datum after a plane: a shift is told by all of
/// them, a turn by their arms (normal equations). Holes that lie `d` further out leave it over: of n holes with 2 n directions, three
/// of which place the part, it scatters by d times the root of n / (2 n - 3).
#[test]
fn a_pattern_of_centres_is_told_by_all_of_them() {
    let case = Case::new();
    let round =
        |i: i32| [20.0 * math::cos(TAU * f64::from(i) / 3.0), 20.0 * math::sin(TAU * f64::from(i) / 3.0)];
    let out = |[x, y]: [f64; 2]| [x / 20.0, y / 20.0];
    let rectangle: Vec<([f64; 2], [f64; 2])> = [[-25.0, -20.0], [25.0, -20.0], [25.0, 20.0], [-25.0, 20.0]]
        .map(|p: [f64; 2]| (p, [p[0].signum(), 0.0]))
        .to_vec();
    let triangle: Vec<([f64; 2], [f64; 2])> = (0..3).map(|i| (round(i), out(round(i)))).collect();
    for holes in [rectangle, triangle] {
        let n = holes.len() as f64;
        let ids: Vec<String> = (0..holes.len()).map(|i| format!("R{i}")).collect();
        let stated: String = ids
            .iter()
            .zip(&holes)
            .map(|(id, ([x, y], _))| {
                let (x, y) = (50.0 + x, 30.0 + y);
                format!("[[feature]]\nid = \"{id}\"\nkind = \"hole\"\nhole = {{ at_mm = [{x}, {y}, -11], axis = [0, 0, 1] }}\n")
            })
            .collect();
        let system = format!(
            "datum = [\n{}  {{ letter = \"B\", features = {ids:?}, association = \"least_squares\" }} ]",
            sheets::one("A", "A", "least_squares")
        );
        for (off, of_a_centre) in [(0.0, STATED), (0.03, 0.03 * f64::sqrt(n / (2.0 * n - 3.0)))] {
            let mut taken = Taken::new(30);
            taken.plane(0.0, None);
            for (id, ([x, y], [ox, oy])) in ids.iter().zip(&holes) {
                taken.centre(id, 50.0 + x + off * ox, 30.0 + y + off * oy);
            }
            let (found, part_from_made) = taken.establish_on(&case, &stated, &system).unwrap();
            for p in [Point::new(50.0, 30.0, -11.0), Point::new(100.0, 60.0, 0.0)] {
                assert!((part_from_made.point(&p) - p).norm() < 1e-6, "{off}: {}", part_from_made.point(&p));
            }
            let arms: f64 = holes.iter().map(|([x, y], _)| x * x + y * y).sum();
            for [dx, dy] in [[0.0, 0.0], [25.0, 20.0], [0.0, -40.0]] {
                for (along, arm) in [(Vector::x(), dy), (Vector::y(), dx)] {
                    let wanted: f64 = of_a_centre * f64::sqrt(1.0 / n + arm * arm / arms);
                    let told = standard_mm(&found, [50.0 + dx, 30.0 + dy, -11.0], along);
                    near(
                        told / wanted,
                        1.0,
                        5e-3,
                        &format!("{n} off by {off} at {dx}, {dy} along {along:?}"),
                    );
                }
            }
            assert_eq!(found.datums.len(), 1 + holes.len());
            for datum in &found.datums[1..] {
                near(datum.residual_mm.unwrap(), off, 1e-4, &datum.feature);
                assert_eq!(datum.locks.len(), 3, "{datum:?}");
            }
        }
    }
}
