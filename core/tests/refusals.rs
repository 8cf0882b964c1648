//! What by hand is no measurement is no pass: wrong places, impossible values, one flank of a slot, a hole that is its
//! own datum; and what leaves more over than was stated is less certain.

#![allow(clippy::unwrap_used, reason = "a check stops where something is not as told")]

use scantling_core::inspect::{InspectError, Inspected, Job, PointSource, inspect};
use scantling_core::plan;
use scantling_core::points::{Coordinates, PointSet, read};
use scantling_core::readings::{Reading, check, from_csv};
use scantling_core::record::Evaluation;
use scantling_core::record::Verdict::{Conforms, DoesNotConform, NotMeasured};
use scantling_core::run::quiet;
use scantling_core::scan::LengthUnit;

const HEAD: &str = r#"
schema_version = 1
part = "bracket"
drawing_revision = "A"
plan_version = 1
length_unit = "mm"
object = "part"
standard = { system = "iso", edition = "ISO 1101:2017" }
decision = { proven = {} }
filter = { gaussian = { nesting_index_mm = 2.5 } }
[[feature]]
id = "A"
kind = "plane"
plane = { at_mm = [0, 0, 0], normal = [0, 0, 1] }
[[feature]]
id = "H1"
kind = "hole"
hole = { at_mm = [0, 0, 0], axis = [0, 0, 1], diameter_mm = 8 }
[[feature]]
id = "H2"
kind = "hole"
hole = { at_mm = [100, 0, 0], axis = [0, 0, 1], diameter_mm = 8 }
[[feature]]
id = "S1"
kind = "slot"
slot = { at_mm = [100, 0, 0], axis = [0, 0, 1], along = [1, 0, 0], width_mm = 8, length_mm = 20 }
[[feature]]
id = "H3"
kind = "hole"
hole = { at_mm = [50, 40, 0], axis = [0, 0, 1], diameter_mm = 8 }
[[feature]]
id = "P1"
kind = "point"
point = { at_mm = [50, 50, 0], direction = [0, 0, 1] }
[[feature]]
id = "P2"
kind = "point"
point = { at_mm = [0, 80, 0], direction = [0, 0, 1] }
[[fixture]]
id = "fx"
certificate = "K"
expanded_uncertainty_mm = 0.02
target = [ { id = "K1", at_mm = [0, 0, 0] }, { id = "K2", at_mm = [100, 0, 0] }, { id = "K3", at_mm = [100, 80, 0] }, { id = "K4", at_mm = [0, 80, 0] } ]
[[datum_system]]
id = "F"
fixture = "fx"
[[datum_system]]
id = "ABC"
datum = [
  { letter = "A", feature = "A", association = "least_squares" },
  { letter = "B", feature = "H1", association = "least_squares" },
  { letter = "C", feature = "CLOCK", association = "least_squares" } ]
"#;

struct Case<'a> {
    clock: &'a str,
    characteristics: &'a str,
    points: &'a str,
    coordinates: Coordinates,
    readings: &'a str,
}

const CASE: Case =
    Case { clock: "H2", characteristics: "", points: "", coordinates: Coordinates::Instrument, readings: "" };

impl Case<'_> {
    fn plan(&self) -> plan::Plan {
        let text = format!("{}{}", HEAD.replace("CLOCK", self.clock), self.characteristics);
        plan::check_toml(&text).unwrap_or_else(|f| panic!("{f:#?}")).1
    }

    fn readings(&self) -> Vec<Reading> {
        if self.readings.is_empty() { Vec::new() } else { from_csv(self.readings.as_bytes()).unwrap() }
    }

    fn try_to(&self) -> Result<Inspected, InspectError> {
        let plan = self.plan();
        let faces = plan::bind(&plan, None).unwrap();
        let set = (!self.points.is_empty()).then(|| PointSet {
            points: read(self.points.as_bytes(), LengthUnit::Millimetre, Some(0.003), &quiet()).unwrap(),
            coordinates: self.coordinates,
        });
        let points: Vec<PointSource> =
            set.iter().map(|set| PointSource { set, sha256: "points".into() }).collect();
        let readings = self.readings();
        let job = Job {
            nominal: None,
            nominal_sha256: String::new(),
            plan: &plan,
            faces: &faces,
            scans: &[],
            points: &points,
            readings: &readings,
            scope: &[],
            conditions: &[],
        };
        inspect(&quiet(), &job)
    }

    fn go(&self) -> Vec<Evaluation> {
        self.try_to().unwrap().record.evaluations
    }

    fn cautions(&self) -> Vec<String> {
        self.try_to().unwrap().record.cautions
    }
}

/// The flange's corners and the first hole.
const DATUMS: &str = "name,role,x,y,z,nx,ny,nz,diameter\nA,,-20,-20,0,0,0,1,\nA,,120,-20,0,0,0,1,\nA,,120,60,0,0,0,1,\n\
                      A,,-20,60,0,0,0,1,\nH1,centre,0,0,0,,,,\nH2,centre,100,0,0,,,,\n";

fn position(of: &str, zone: &str) -> String {
    format!(
        "[[characteristic]]\nnumber = \"1\"\nfeature = \"{of}\"\nposition = {{ zone_diameter_mm = {zone} }}\n\
         datum_system = \"ABC\"\n"
    )
}

fn profile(of: &str, more: &str) -> String {
    format!(
        "[[characteristic]]\nnumber = \"1\"\nfeature = \"{of}\"\n\
         surface_profile = {{ limit_outside_mm = 0.1, limit_inside_mm = 0.1 }}\ndatum_system = \"ABC\"\n{more}"
    )
}

#[test]
fn a_hole_that_is_its_own_datum_has_no_position_however_it_is_taken() {
    let off = DATUMS.replace("H1,centre,0,0,0", "H1,centre,3,2,0");
    let characteristics = position("H1", "0.05");
    for (points, readings) in [
        (off.as_str(), ""),
        ("", "characteristic,value,unit,expanded_uncertainty,instrument\n1,0,mm,0.001,arm\n"),
    ] {
        let found = Case { characteristics: &characteristics, points, readings, ..CASE }.go();
        assert_eq!(found[0].verdict, NotMeasured);
        assert!(found[0].reason.contains("is a datum of this datum system"), "{}", found[0].reason);
        assert_eq!(found[0].value_mm, None);
    }
}

#[test]
fn a_check_point_taken_of_another_place_is_not_measured() {
    let characteristics = profile("P1", "");
    let case =
        |points| Case { characteristics: &characteristics, points, coordinates: Coordinates::Part, ..CASE };
    // Swapped with P2, far away, and a hand's breadth along the direction.
    for points in
        ["name,x,y,z\nP1,0,80,0.01\n", "name,x,y,z\nP1,950,-700,0.01\n", "name,x,y,z\nP1,50,50,90\n"]
    {
        let found = case(points).go();
        assert_eq!(found[0].verdict, NotMeasured, "{points}");
        assert!(found[0].reason.contains("check its name"), "{}", found[0].reason);
    }
    // Three millimetres aside on a flat face changes nothing but what is told of it.
    let found = case("name,x,y,z,nx,ny,nz\nP1,53,50,0.01,0,0,1\n").go();
    assert_eq!((found[0].verdict, found[0].operators["aside_mm"].as_str()), (Conforms, "3.0000"));
    assert!((found[0].standard_uncertainty_mm.unwrap() - 0.003).abs() < 1e-9);
    // On one that slopes by 1 : 10 it is 0.3 mm of height, and nothing is decided.
    let found = case("name,x,y,z,nx,ny,nz\nP1,53,50,0.01,-0.1,0,1\n").go();
    assert_ne!(found[0].verdict, Conforms);
    let sampling = found[0].budget.iter().find(|b| b.source == "sampling").unwrap();
    assert!((sampling.standard_uncertainty_mm - 0.3).abs() < 1e-9);
}

#[test]
fn points_off_a_plane_carry_a_wrong_name_and_one_place_again_is_no_new_one() {
    let characteristics = profile("A", "needs = { points = 3 }\n");
    let case =
        |points| Case { characteristics: &characteristics, points, coordinates: Coordinates::Part, ..CASE };
    let found = case("name,x,y,z\nA,1,1,0.01\nA,1,1,0.01\nA,1.01,1,0.01\n").go();
    assert_eq!(found[0].verdict, NotMeasured);
    assert!(found[0].reason.contains("1 places were taken, 3 are needed"), "{}", found[0].reason);
    let found = case("name,x,y,z\nA,1,1,0.01\nA,90,1,0.01\nA,1,50,-0.01\n").go();
    assert_eq!(found[0].verdict, Conforms);
    let found = case("name,x,y,z\nA,1,1,0.01\nA,90,1,0.01\nA,1,50,0.01\nA,1,1,-40\n").go();
    assert_eq!(found[0].verdict, NotMeasured);
    assert!(found[0].reason.contains("check its name"), "{}", found[0].reason);
}

#[test]
fn the_wall_of_another_hole_along_the_axis_is_not_measured() {
    let points = "name,x,y,z\nH3,54,40,-500\nH3,46,40,-500\nH3,50,44,-500\nH3,50,36,-500\n";
    let characteristics = position("H3", "0.1");
    let found =
        Case { characteristics: &characteristics, points, coordinates: Coordinates::Part, ..CASE }.go();
    assert_eq!(found[0].verdict, NotMeasured);
    assert!(found[0].reason.contains("check its name"), "{}", found[0].reason);
}

const ALL_KINDS: &str = "[[characteristic]]\nnumber = \"1\"\nfeature = \"A\"\nflatness = { zone_width_mm = 0.1, association = \"minimum_zone\" }\n\
    [[characteristic]]\nnumber = \"2\"\nfeature = \"H3\"\nposition = { zone_diameter_mm = 0.1 }\ndatum_system = \"ABC\"\n\
    [[characteristic]]\nnumber = \"3\"\nfeature = \"H3\"\ndiameter = { nominal_mm = 8, upper_deviation_mm = 0.1, lower_deviation_mm = -0.1, size = \"least_squares\" }\n\
    [[characteristic]]\nnumber = \"4\"\nfeature = \"A\"\nsurface_profile = { limit_outside_mm = 0.1, limit_inside_mm = 0.1 }\ndatum_system = \"ABC\"\n\
    [[characteristic]]\nnumber = \"5\"\nfeature = \"P1\"\nsurface_profile = { limit_outside_mm = 0.1, limit_inside_mm = 0.1 }\ndatum_system = \"ABC\"\n";

#[test]
fn values_that_cannot_be_are_refused_and_never_conform() {
    let case = Case {
        characteristics: ALL_KINDS,
        readings: "characteristic,value,unit,expanded_uncertainty,instrument\n1,-5,mm,0.01,x\n2,-0.01,mm,0.01,x\n3,0,mm,0.01,x\n4,0.02,mm,0.01,x\n5,-0.02,mm,0.01,x\n",
        ..CASE
    };
    let faults = check(&case.readings(), &case.plan());
    let places: Vec<&str> = faults.iter().map(|f| f.place.as_str()).collect();
    assert_eq!(places, ["[0].value", "[1].value", "[2].value", "[3].value"]);
    for (fault, words) in faults.iter().zip(["0 or more", "0 or more", "above 0", "one number for a whole"]) {
        assert!(fault.problem.contains(words), "{fault}");
    }
    // And where nobody asked: four of them are not measured, the one place is.
    let found: Vec<_> = case.go().iter().map(|e| e.verdict).collect();
    assert_eq!(found, [NotMeasured, NotMeasured, NotMeasured, NotMeasured, Conforms]);
}

#[test]
fn one_reading_of_a_flatness_says_that_it_is_one() {
    let case = Case {
        characteristics: ALL_KINDS,
        readings: "characteristic,value,unit,expanded_uncertainty,instrument\n1,0.05,mm,0.01,dial\n2,0.01,mm,0.01,arm\n3,8,mm,0.01,x\n",
        ..CASE
    };
    let found = case.go();
    assert_eq!(found[..3].iter().map(|e| e.verdict).collect::<Vec<_>>(), [Conforms; 3]);
    assert!(found[0].operators["coverage"].contains("one reading by hand"));
    assert!(!found[2].operators.contains_key("coverage"));
    let cautions = case.cautions();
    let told: Vec<&String> = cautions.iter().filter(|c| c.contains("one reading by hand")).collect();
    assert!(told.len() == 1 && told[0].ends_with(": 1, 2."), "{cautions:?}");
    // Nothing was scanned, and nothing is said of a scan.
    assert!(!cautions.iter().any(|c| c.contains("scan")), "{cautions:?}");
    assert!(cautions.iter().any(|c| c.contains("readings")), "{cautions:?}");
}

fn slot(flanks: &str) -> String {
    format!(
        "{}{flanks}H3,centre,50,40,0,,,,\nP2,,0,80,0,,,,\n",
        DATUMS.replace("H2,centre,100,0,0,,,,\n", "")
    )
}

#[test]
fn one_flank_of_a_slot_is_no_datum() {
    let characteristics = position("H3", "0.1");
    let one = slot("S1,,95,4.000,-1,,,,\nS1,,97,4.002,-1,,,,\nS1,,103,4.001,-1,,,,\nS1,,105,4.003,-1,,,,\n");
    let ends = slot(
        "S1,,95,4,-1,,,,\nS1,,105,4,-1,,,,\nS1,,95,-4,-1,,,,\nS1,,105,-4,-1,,,,\nS1,,110,0,-1,,,,\nS1,,110,0.1,-1,,,,\n",
    );
    for points in [&one, &ends] {
        let found = Case { clock: "S1", characteristics: &characteristics, points, ..CASE }.go();
        assert_eq!(found[0].verdict, NotMeasured);
        assert!(found[0].reason.contains("take points on both flanks"), "{}", found[0].reason);
    }
    let both = slot("S1,,95,4.01,-1,,,,\nS1,,105,4.01,-1,,,,\nS1,,95,-4.01,-1,,,,\nS1,,105,-4.01,-1,,,,\n");
    let found = Case { clock: "S1", characteristics: &characteristics, points: &both, ..CASE }.go();
    assert_eq!(found[0].verdict, Conforms, "{}", found[0].reason);
}

/// Budget line of the alignment, mm.
fn alignment(found: &Evaluation) -> f64 {
    found.budget.iter().find(|b| b.source == "alignment").unwrap().standard_uncertainty_mm
}

#[test]
fn what_a_datum_leaves_over_makes_it_less_certain() {
    let characteristics = position("H3", "1");
    let go = |clock, points: &str| {
        let found = Case { clock, characteristics: &characteristics, points, ..CASE }.go();
        alignment(&found[0])
    };
    let smooth = slot("S1,,95,4,-1,,,,\nS1,,105,4,-1,,,,\nS1,,95,-4,-1,,,,\nS1,,105,-4,-1,,,,\n");
    let rough = slot("S1,,95,4.1,-1,,,,\nS1,,105,3.9,-1,,,,\nS1,,95,-3.9,-1,,,,\nS1,,105,-4.1,-1,,,,\n");
    let (a, b) = (go("S1", &smooth), go("S1", &rough));
    // Residuals of 0.1 mm with two to spare are 0.1414 mm a point (stated: 0.003 mm), the middle of two flanks of two
    // is half as uncertain as that: 0.0707 mm, over 100 mm of lever. At H3, 50 mm along the line, that is 0.0354 mm,
    // and a position is told as twice a distance.
    assert!(a < 0.01 && (b - 0.0707).abs() < 0.001, "{a} {b}");
    // A hole by its wall: oval by 0.2 mm.
    let wall = |a: f64| {
        DATUMS.replace("H1,centre,0,0,0,,,,\n", "")
            + &format!(
                "H1,,{},0,0,,,,\nH1,,-{},0,0,,,,\nH1,,0,4,0,,,,\nH1,,0,-4,0,,,,\nH3,centre,50,40,0,,,,\n",
                4.0 + a,
                4.0 + a
            )
    };
    let (a, b) = (go("H2", &wall(0.0)), go("H2", &wall(0.2)));
    assert!(b > 10.0 * a, "{a} {b}");
    // A plane whose corners do not lie in one: by 0.2 mm.
    let warped = DATUMS.replace("A,,-20,60,0", "A,,-20,60,0.8").replace("A,,-20,-20,0", "A,,-20,-20,-0.8");
    let flat = format!("{DATUMS}P1,,50,50,0,,,,\n");
    let profile = profile("P1", "");
    let go = |points: &str| alignment(&Case { characteristics: &profile, points, ..CASE }.go()[0]);
    let (a, b) = (go(&flat), go(&format!("{warped}P1,,50,50,0,,,,\n")));
    assert!(b > 10.0 * a, "{a} {b}");
}

#[test]
fn what_a_circle_of_the_wall_leaves_over_makes_its_values_less_certain() {
    let diameter = ALL_KINDS.split("[[characteristic]]").nth(3).unwrap().to_owned();
    let characteristics = format!("[[characteristic]]{diameter}");
    let go = |points: &str| {
        Case { characteristics: &characteristics, points, coordinates: Coordinates::Part, ..CASE }.go()
    };
    let round = go("name,x,y,z\nH3,54,40,0\nH3,46,40,0\nH3,50,44,0\nH3,50,36,0\n");
    assert_eq!(round[0].verdict, Conforms);
    // Oval: residuals of +-0.1 mm, one to spare: 0.2 mm; twice that over the root of four points, with the stated
    // 0.003 mm in squares: Birge 1932.
    let oval = go("name,x,y,z\nH3,54.1,40,0\nH3,45.9,40,0\nH3,50,43.9,0\nH3,50,36.1,0\n");
    assert_ne!(oval[0].verdict, Conforms);
    assert!((oval[0].standard_uncertainty_mm.unwrap() - 0.2).abs() < 0.002, "{:?}", oval[0]);
}

#[test]
fn a_centre_and_its_wall_each_tell_what_they_know() {
    let characteristics = format!(
        "{}[[characteristic]]{}",
        position("H3", "0.5").replace("\"1\"", "\"p\""),
        ALL_KINDS.split("[[characteristic]]").nth(3).unwrap()
    );
    let wall = "H3,,54.02,40,0,\nH3,,45.98,40,0,\nH3,,50,44.02,0,\nH3,,50,35.98,0,\n";
    let go = |centre: &str, first: bool| {
        let rows = if first { format!("{centre}{wall}") } else { format!("{wall}{centre}") };
        let points = format!("name,role,x,y,z,diameter\n{rows}");
        Case { characteristics: &characteristics, points: &points, coordinates: Coordinates::Part, ..CASE }
            .try_to()
            .map(|found| found.record.evaluations)
    };
    // In whichever order they stand.
    for first in [true, false] {
        let found = go("H3,centre,50.05,40,0,\n", first).unwrap();
        assert!((found[0].value_mm.unwrap() - 0.1).abs() < 1e-9, "position by the centre");
        assert!((found[1].value_mm.unwrap() - 8.04).abs() < 1e-9, "diameter by the wall");
        assert!(found[1].operators["association"].contains("diameter of a least-squares circle"));
        let found = go("H3,centre,50.05,40,0,8.03\n", first).unwrap();
        assert!((found[1].value_mm.unwrap() - 8.03).abs() < 1e-12, "diameter as it was told");
        assert!(found[1].operators["points_of_the_wall"].starts_with("4 beside"), "{:?}", found[1].operators);
        for wrong in ["H3,centre,51,40,0,\n", "H3,centre,50,40,0,9\n"] {
            let error = go(wrong, first).unwrap_err().to_string();
            assert!(error.contains("contradict each other"), "{error}");
        }
        let twice = go("H3,centre,50,40,0,8\nH3,centre,50,40,0,8\n", first).unwrap_err().to_string();
        assert!(twice.contains("leave one"), "{twice}");
    }
    // In the instrument's axes it shows once the part lies on its datums.
    let points =
        format!("{DATUMS}H3,,54,40,0,,,,\nH3,,46,40,0,,,,\nH3,,50,44,0,,,,\nH3,centre,51,40,0,,,,\n");
    let found = Case { characteristics: &characteristics, points: &points, ..CASE }.go();
    assert!(found[0].reason.contains("contradict each other"), "{}", found[0].reason);
}

#[test]
fn the_seat_in_a_fixture_does_not_average_down() {
    let characteristics = position("H3", "0.5").replace("\"ABC\"", "\"F\"")
        + &position("H2", "0.5").replace("\"1\"", "\"2\"").replace("\"ABC\"", "\"F\"");
    let balls = |off: &str| {
        format!(
            "name,role,x,y,z,u\nK1,centre,{off},0,0,1e-6\nK2,centre,100,0,0,1e-6\nK3,centre,100,80,0,1e-6\nK4,centre,0,80,0,1e-6\nH3,centre,50,40,0,1e-6\nH2,centre,100,0,0,1e-6\n"
        )
    };
    let go = |points: &str| Case { characteristics: &characteristics, points, ..CASE }.go();
    let found = go(&balls("0"));
    // In the middle of the four balls: 0.01 mm as stated, not 0.005; a position is told as twice the distance.
    assert!((alignment(&found[0]) - 0.02).abs() < 1e-5, "{}", alignment(&found[0]));
    // At a ball the turn adds to it.
    assert!(alignment(&found[1]) > 0.02, "{}", alignment(&found[1]));
    assert_eq!(found[0].verdict, Conforms);
    // Balls that stand 0.2 mm off each other are not what the certificate says.
    let bent = go(&balls("-0.2"));
    assert!(alignment(&bent[1]) > 2.0 * alignment(&found[1]), "{}", alignment(&bent[1]));
}

#[test]
fn a_bad_hole_by_its_wall_still_does_not_conform() {
    let characteristics =
        format!("[[characteristic]]{}", ALL_KINDS.split("[[characteristic]]").nth(3).unwrap());
    let points = "name,x,y,z\nH3,54.3,40,0\nH3,45.7,40,0\nH3,50,44.3,0\nH3,50,35.7,0\n";
    let found =
        Case { characteristics: &characteristics, points, coordinates: Coordinates::Part, ..CASE }.go();
    assert_eq!(found[0].verdict, DoesNotConform);
}
