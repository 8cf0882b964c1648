//! Inspections by readings only, by points only, and by scan, points and readings together.

#![allow(clippy::unwrap_used, reason = "a check stops where something is not as told")]

use scantling_core::inspect::{Inspected, Job, PointSource, ScanSource, inspect};
use scantling_core::nominal::Nominal;
use scantling_core::plan;
use scantling_core::points::{Coordinates, PointSet, read as read_points};
use scantling_core::read::read;
use scantling_core::readings::{Reading, check, from_csv};
use scantling_core::record::Verdict::{self, Conforms, DoesNotConform, NotMeasured, Undecided};
use scantling_core::run::quiet;
use scantling_core::scan::{LengthUnit, Scan};
use scantling_core::simulate::Demo;

const HEAD: &str = r#"
schema_version = 1
part = "bracket"
drawing_revision = "A"
plan_version = 1
length_unit = "mm"
object = "part"
standard = { system = "iso", edition = "ISO 1101:2017" }
decision = { proven = {} }
"#;

const BY_HAND: &str = r#"
[[feature]]
id = "H1"
kind = "hole"
hole = { at_mm = [0, 0, 0], axis = [0, 0, 1], diameter_mm = 8 }
[[characteristic]]
number = "1"
feature = "H1"
diameter = { nominal_mm = 8, upper_deviation_mm = 0.1, lower_deviation_mm = -0.1, size = "least_squares" }
[[characteristic]]
number = "2"
reading = { quantity = "mass", unit = "kg", upper_limit = 2.4 }
[[characteristic]]
number = "3"
reading = { quantity = "coating thickness", unit = "um", lower_limit = 60, upper_limit = 120 }
[[characteristic]]
number = "4"
gauge = { procedure = "thread plug gauge M6-6H, go and no-go" }
"#;

fn by_readings(readings: &[Reading]) -> Inspected {
    in_groups(BY_HAND, readings, &[])
}

fn in_groups(characteristics: &str, readings: &[Reading], scope: &[String]) -> Inspected {
    let (_, plan) = plan::check_toml(&format!("{HEAD}{characteristics}")).unwrap();
    let faces = plan::bind(&plan, None).unwrap();
    assert_eq!(check(readings, &plan), []);
    let job = Job {
        nominal: None,
        nominal_sha256: String::new(),
        plan: &plan,
        faces: &faces,
        scans: &[],
        points: &[],
        readings,
        scope,
        conditions: &[],
    };
    inspect(&quiet(), &job).unwrap()
}

fn verdicts(found: &Inspected) -> Vec<Verdict> {
    found.record.evaluations.iter().map(|e| e.verdict).collect()
}

fn table(text: &str) -> Vec<Reading> {
    from_csv(text.as_bytes()).unwrap()
}

#[test]
fn readings_alone_give_a_verdict_and_what_is_missing_is_not_measured() {
    let all = table(
        "characteristic,value,passed,unit,expanded_uncertainty,instrument,operator\n\
         1,8.02,,mm,0.03,calliper C4,A\n2,2.31,,kg,0.01,scale 2,A\n3,0.1,,mm,0.005,coating gauge,B\n4,,true,,,plug gauge 17,B\n",
    );
    let found = by_readings(&all);
    assert_eq!(verdicts(&found), [Conforms, Conforms, Conforms, Conforms]);
    assert_eq!(found.record.verdict, Conforms);
    assert!(found.record.evaluations.iter().all(|e| e.measured_by == "reading"));
    // Read in mm, told in the unit of its limits.
    let coating = found.record.evaluations[2].reading.as_ref().unwrap();
    assert_eq!((coating.value, coating.unit.as_str()), (Some(100.0), "um"));
    assert_eq!(found.record.evaluations[0].value_mm, Some(8.02));

    let found = by_readings(&all[..3]);
    assert_eq!(verdicts(&found), [Conforms, Conforms, Conforms, NotMeasured]);
    assert_eq!(found.record.verdict, NotMeasured);
    assert_eq!(found.record.evaluations[3].measured_by, "");
}

/// ISO 2768-1:1989, clause 6: an exceeded general tolerance does not reject by itself.
#[test]
fn limits_by_name_are_told_and_a_general_tolerance_says_what_it_rejects() {
    let of = |limits: &str, value: f64| {
        let plan = BY_HAND.replace("upper_deviation_mm = 0.1, lower_deviation_mm = -0.1", limits);
        let text = format!(
            "characteristic,value,unit,expanded_uncertainty,instrument\n1,{value},mm,0.001,bore gauge 3\n"
        );
        in_groups(&plan, &table(&text), &[]).record.evaluations[0].clone()
    };
    let (class, general) = ("tolerance_class = \"H8\"", "general_tolerance = \"medium\"");
    let out = of(class, 8.03);
    assert_eq!(out.verdict, DoesNotConform);
    assert_eq!(out.operators["limits"], "H8 (ISO 286-1:2010) of 8 mm: +0.022 0 mm");
    assert!(!out.reason.contains("function"), "{}", out.reason);
    let out = of(general, 8.3);
    assert_eq!(out.verdict, DoesNotConform);
    assert!(out.reason.contains("only where its function is impaired"), "{}", out.reason);
    let inside = of(general, 8.1);
    assert_eq!(inside.verdict, Conforms);
    assert!(!inside.reason.contains("function"), "{}", inside.reason);
    assert!(!of("upper_deviation_mm = 0.1, lower_deviation_mm = -0.1", 8.0).operators.contains_key("limits"));
}

/// An angle is told in degrees whatever it was read in: 60 arc minutes are one; ISO 14253-1:2017 decides as on a length.
#[test]
fn an_angle_is_read_in_any_unit_of_angles() {
    let plan = r#"
[[feature]]
id = "F"
kind = "plane"
plane = { at_mm = [0, 0, 0], normal = [0, 0, 1] }
[[feature]]
id = "G"
kind = "plane"
plane = { at_mm = [0, 0, 0], normal = [1, 0, 0] }
[[characteristic]]
number = "1"
feature = "F"
angle = { to = "G", nominal_deg = 90.0, upper_deviation_deg = 0.5, lower_deviation_deg = -0.5 }
"#;
    let of = |value: &str, unit: &str, u: &str| {
        let text = format!(
            "characteristic,value,unit,expanded_uncertainty,instrument\n1,{value},{unit},{u},protractor 2\n"
        );
        in_groups(plan, &table(&text), &[]).record.evaluations[0].clone()
    };
    for (value, unit, u) in
        [("90.3", "deg", "0.1"), ("5418", "arcmin", "6"), ("1.5760323", "rad", "0.0017453")]
    {
        let e = of(value, unit, u);
        let angle = e.angle.as_ref().unwrap();
        assert!((angle.value_deg.unwrap() - 90.3).abs() < 1e-5, "{e:?}");
        assert!((angle.standard_uncertainty_deg.unwrap() - 0.05).abs() < 1e-5, "{e:?}");
        assert_eq!(e.verdict, Conforms, "{e:?}");
        assert!(e.value_mm.is_none() && e.interval.is_none());
    }
    assert_eq!(of("90.6", "deg", "0.05").verdict, DoesNotConform);
    assert_eq!(of("90.45", "deg", "0.1").verdict, Undecided);
    assert_eq!(of("90.3", "deg", "").verdict, Undecided);
    let (_, plan) = plan::check_toml(&format!("{HEAD}{plan}")).unwrap();
    let in_mm = table("characteristic,value,unit,instrument\n1,90,mm,protractor\n");
    assert_eq!(check(&in_mm, &plan)[0].place, "[0].unit");
}

/// A wall is as thick as its thinnest place: one reading can fail it and never pass it.
#[test]
fn one_reading_of_a_wall_proves_a_fault_and_no_conformity() {
    let demo = Demo::new(3, 1.0);
    let text = demo.plan_toml()
        + "\n[[characteristic]]\nnumber = \"t\"\nfeature = \"CROWN\"\nthickness = { nominal_mm = 3.0, upper_deviation_mm = 0.3, lower_deviation_mm = -0.3, patch_radius_mm = 2.0 }\n";
    let (_, plan) = plan::check_toml(&text).unwrap_or_else(|f| panic!("{f:#?}"));
    let run = quiet();
    let raw = read(&demo.nominal_stl(), &run).unwrap();
    let nominal = Nominal::from_mesh(raw, LengthUnit::Millimetre, plan.side, &run).unwrap();
    let faces = plan::bind(&plan, Some(&nominal)).unwrap();
    let of = |value: f64| {
        let readings = table(&format!(
            "characteristic,value,unit,expanded_uncertainty,instrument\nt,{value},mm,0.02,ultrasonic gauge 1\n"
        ));
        assert_eq!(check(&readings, &plan), []);
        let job = Job { readings: &readings, ..Job::of_scans(&nominal, &plan, &faces, &[]) };
        let found = inspect(&run, &job).unwrap().record.evaluations;
        found.into_iter().find(|e| e.number == "t").unwrap()
    };
    assert_eq!(of(2.5).verdict, DoesNotConform);
    let within = of(3.0);
    assert_eq!((within.verdict, within.value_mm), (Undecided, Some(3.0)));
    assert!(within.reason.contains("proves nothing of all other places"), "{}", within.reason);
    assert!(!check(&table("characteristic,value,unit,instrument\nt,-3,mm,gauge\n"), &plan).is_empty());
}

/// Of a normal distribution 95 % lie within 1.96 standard deviations; an expanded uncertainty is two (JCGM 100:2008, G.1.3 and
/// 6.2). What is no deviation is never below zero.
#[test]
fn a_reading_has_the_interval_of_its_stated_uncertainty() {
    let plan = format!(
        "{BY_HAND}{}",
        r#"
[[feature]]
id = "F"
kind = "plane"
plane = { at_mm = [0, 0, 0], normal = [0, 0, 1] }
[[feature]]
id = "G"
kind = "plane"
plane = { at_mm = [0, 0, 0], normal = [1, 0, 0] }
[[characteristic]]
number = "5"
feature = "F"
angle = { to = "G", nominal_deg = 90.0, upper_deviation_deg = 0.5, lower_deviation_deg = -0.5 }
[[characteristic]]
number = "6"
feature = "F"
flatness = { zone_width_mm = 0.2, association = "minimum_zone" }
filter = { gaussian = { nesting_index_mm = 2.5 } }
"#
    );
    let all = table(
        "characteristic,value,unit,expanded_uncertainty,instrument\n1,8020,um,30,calliper\n5,90.3,deg,0.1,protractor\n\
         6,0.01,mm,0.03,dial\n",
    );
    let found = in_groups(&plan, &all, &[]).record.evaluations;
    let near = |a: f64, b: f64| (a - b).abs() < 1e-9;
    let diameter = &found[0];
    let interval = diameter.interval.as_ref().unwrap();
    assert!(near(interval.low_mm, 8.02 - 0.0294) && near(interval.high_mm, 8.02 + 0.0294), "{diameter:?}");
    assert!(near(diameter.standard_uncertainty_mm.unwrap(), 0.015), "{diameter:?}");
    assert_eq!((diameter.budget.len(), diameter.budget[0].source.as_str()), (1, "instrument"));
    let angle = found[4].angle.as_ref().unwrap();
    assert!(
        near(angle.interval_deg[0], 90.3 - 0.098) && near(angle.interval_deg[1], 90.3 + 0.098),
        "{angle:?}"
    );
    assert_eq!((angle.budget.len(), angle.budget[0].source.as_str()), (1, "instrument"));
    let flatness = &found[5];
    let interval = flatness.interval.as_ref().unwrap();
    assert!(interval.low_mm == 0.0 && near(interval.high_mm, 0.01 + 0.0294), "{flatness:?}");
    assert!(flatness.operators["coverage"].contains("not held to coverage"), "{:?}", flatness.operators);
    assert!(!diameter.operators.contains_key("coverage"));
}

/// Simple acceptance holds twice the standard uncertainty against a tenth of the tolerance (JCGM 106:2012, 8.2), in whatever unit
/// both are told; of one limit alone that limit stands for the tolerance.
#[test]
fn simple_acceptance_holds_a_reading_against_the_width_of_its_tolerance() {
    let plan = format!(
        "{}{BY_HAND}{}",
        HEAD.replace("proven = {}", "simple = { ratio = 0.1 }"),
        r#"
[[feature]]
id = "F"
kind = "plane"
plane = { at_mm = [0, 0, 0], normal = [0, 0, 1] }
[[feature]]
id = "G"
kind = "plane"
plane = { at_mm = [0, 0, 0], normal = [1, 0, 0] }
[[characteristic]]
number = "5"
feature = "F"
angle = { to = "G", nominal_deg = 90.0, upper_deviation_deg = 0.5, lower_deviation_deg = -0.3 }
[[characteristic]]
number = "6"
feature = "F"
flatness = { zone_width_mm = 0.2, association = "minimum_zone" }
filter = { gaussian = { nesting_index_mm = 2.5 } }
[[characteristic]]
number = "7"
reading = { quantity = "temperature", unit = "C", lower_limit = -30 }
"#
    );
    let (_, plan) = plan::check_toml(&plan).unwrap();
    let faces = plan::bind(&plan, None).unwrap();
    let of = |number: &str, value: f64, unit: &str, u: f64| {
        let readings = table(&format!(
            "characteristic,value,unit,expanded_uncertainty,instrument\n{number},{value},{unit},{u},any\n"
        ));
        assert_eq!(check(&readings, &plan), []);
        let job = Job {
            nominal: None,
            nominal_sha256: String::new(),
            plan: &plan,
            faces: &faces,
            scans: &[],
            points: &[],
            readings: &readings,
            scope: &[],
            conditions: &[],
        };
        let at = number.parse::<usize>().unwrap() - 1;
        inspect(&quiet(), &job).unwrap().record.evaluations[at].verdict
    };
    // Widths 0.2 mm, 2.4 kg, 60 um, 0.8 degrees, 0.2 mm and 30 K.
    for (number, value, unit, most) in [
        ("1", 8.02, "mm", 0.02),
        ("1", 8020.0, "um", 20.0),
        ("2", 2.2, "kg", 0.24),
        ("3", 0.1, "mm", 0.006),
        ("5", 90.3, "deg", 0.08),
        ("6", 0.1, "mm", 0.02),
        ("7", -5.0, "C", 3.0),
    ] {
        assert_eq!(of(number, value, unit, most * 0.999), Conforms, "{number} {unit}");
        assert_eq!(of(number, value, unit, most * 1.001), Undecided, "{number} {unit}");
    }
    for (number, value, unit, u) in [
        ("1", 8.11, "mm", 0.01),
        ("1", 7.89, "mm", 0.01),
        ("2", 2.5, "kg", 0.1),
        ("5", 89.6, "deg", 0.01),
        ("7", -31.0, "C", 1.0),
    ] {
        assert_eq!(of(number, value, unit, u), DoesNotConform, "{number} {value}");
    }
}

#[test]
fn readings_outside_the_groups_asked_for_are_said_to_be_so() {
    let grouped = BY_HAND.replace("number = \"2\"", "number = \"2\"\ngroup = [\"weight\"]");
    let readings = table(
        "characteristic,value,unit,expanded_uncertainty,instrument\n2,2.3,kg,0.01,scale\n3,80,um,2,probe\n",
    );
    let found = in_groups(&grouped, &readings, &["weight".to_owned()]);
    assert_eq!(verdicts(&found), [Conforms]);
    assert!(found.record.cautions.iter().any(|c| c.ends_with("were not judged: 3.")));
}

#[test]
fn a_reading_without_uncertainty_proves_nothing_and_one_at_the_limit_is_undecided() {
    let found = by_readings(&table(
        "characteristic;value;unit;expanded_uncertainty;instrument\n1;8.02;mm;;calliper\n2;2.398;kg;0.01;scale\n3;130;um;4;gauge\n",
    ));
    assert_eq!(verdicts(&found), [Undecided, Undecided, DoesNotConform, NotMeasured]);
    assert_eq!(found.record.verdict, DoesNotConform);
    let found = by_readings(&table("characteristic,passed,instrument\n4,false,plug gauge\n"));
    assert_eq!(verdicts(&found)[3], DoesNotConform);
}

#[test]
fn readings_that_do_not_belong_are_named_all_at_once() {
    let (_, plan) = plan::check_toml(&format!("{HEAD}{BY_HAND}")).unwrap();
    let wrong = table(
        "characteristic,value,passed,unit,expanded_uncertainty,instrument\n\
         9,1,,mm,,x\n1,,,mm,,x\n2,2,,lb,,x\n4,3,,,,x\n4,,true,,,x\n1,8,true,mm,-1,\n",
    );
    let places: Vec<String> = check(&wrong, &plan).into_iter().map(|f| f.place).collect();
    assert_eq!(
        places,
        [
            "[0].characteristic",
            "[1].value",
            "[2].unit",
            "[3].passed",
            "[3].value",
            "[4].characteristic",
            "[5].characteristic",
            "[5].instrument",
            "[5].passed",
            "[5].expanded_uncertainty"
        ]
    );
    assert_eq!(from_csv(b"characteristic,valu\n1,2\n").unwrap_err()[0].place, "line 1");
    assert_eq!(from_csv(b"").unwrap_err().len(), 1);
}

#[test]
fn a_scan_points_and_a_reading_together_each_judge_their_own() {
    let demo = Demo::new(3, 1.0);
    let text = demo.plan_toml()
        + "\n[[characteristic]]\nnumber = \"m\"\nreading = { quantity = \"mass\", unit = \"kg\", upper_limit = 2.0 }\n";
    let (_, plan) = plan::check_toml(&text).unwrap();
    let run = quiet();
    let nominal =
        Nominal::from_mesh(read(&demo.nominal_stl(), &run).unwrap(), LengthUnit::Millimetre, plan.side, &run)
            .unwrap();
    let faces = plan::bind(&plan, Some(&nominal)).unwrap();
    let scan =
        Scan::new(read(&demo.good_scan_ply(1.2).unwrap(), &run).unwrap(), LengthUnit::Millimetre, &run)
            .unwrap();
    // The arm finds hole H4 off its place, which the scan does not; the reading is too heavy.
    let hole = demo.surround.holes().iter().find(|h| h.id == "H4").unwrap();
    let file = format!(
        "name,role,x,y,z,diameter,u\nH4,centre,{},{},{},{},0.003\n",
        hole.centre.x + 0.4,
        hole.centre.y,
        hole.centre.z,
        hole.diameter_mm
    );
    let points = read_points(file.as_bytes(), LengthUnit::Millimetre, None, &run).unwrap();
    let set = PointSet { points, coordinates: Coordinates::Part };
    let readings = table("characteristic,value,unit,expanded_uncertainty,instrument\nm,1.2,kg,0.01,scale\n");
    let scans = [ScanSource::whole(&scan, "scan".into())];
    let sources = [PointSource { set: &set, sha256: "points".into() }];
    let job = |points, readings| Job {
        nominal: Some(&nominal),
        nominal_sha256: String::new(),
        plan: &plan,
        faces: &faces,
        scans: &scans,
        points,
        readings,
        scope: &[],
        conditions: &[],
    };
    let found = inspect(&run, &job(&sources, &readings)).unwrap().record;
    let of = |number: &str| found.evaluations.iter().find(|e| e.number == number).unwrap();
    assert_eq!((of("1").measured_by.as_str(), of("1").verdict), ("scan", Conforms));
    let position =
        found.evaluations.iter().find(|e| e.feature == "H4" && e.requirement == "position").unwrap();
    // One of them is wrong, and nobody knows which.
    assert_eq!((position.measured_by.as_str(), position.verdict), ("points", Undecided));
    assert!(position.reason.contains("by points") && position.reason.contains("by scan"));
    // The nominal's STL holds single precision.
    assert!((position.value_mm.unwrap() - 0.8).abs() < 1e-4, "{:?}", position.value_mm);
    assert_eq!((of("m").measured_by.as_str(), of("m").verdict), ("reading", Conforms));
    assert_eq!(found.verdict, Undecided);
    assert_eq!(found.sources.iter().map(|s| s.content.as_str()).collect::<Vec<_>>(), ["scan", "points"]);
    assert!(found.cautions.iter().any(|c| c.starts_with("Measured in more than one way")));
    assert!(found.deviation_sha256.is_some());

    // Without the reading its characteristic is missing, and the part with it.
    let found = inspect(&run, &job(&[], &[])).unwrap().record;
    let mass = found.evaluations.iter().find(|e| e.number == "m").unwrap();
    assert_eq!((mass.verdict, found.verdict), (NotMeasured, NotMeasured));
    assert!(mass.reason.contains("no reading of the mass"));
}

/// With a nominal a name is held against its face, and a point aside of its place against the slope there.
#[test]
fn points_aside_are_held_against_the_nominal() {
    let demo = Demo::new(4, 1.0);
    let run = quiet();
    let raw = read(&demo.nominal_stl(), &run).unwrap();
    let nominal = Nominal::from_mesh(raw, LengthUnit::Millimetre, None, &run).unwrap();
    let text = demo.plan_toml();
    let (_, plan) = plan::check_toml(&text).unwrap();
    let bound = plan::bind(&plan, Some(&nominal)).unwrap();
    let crown = bound.features.iter().find(|f| f.id == "CROWN").unwrap();
    let mesh = nominal.mesh();
    // The steepest triangle of the crown: a check point along z there, taken 2 mm up its slope.
    let steep = |t: &u32| mesh.normal(*t).unwrap().vector().z.abs();
    let t = *crown.triangles.iter().min_by(|a, b| steep(a).total_cmp(&steep(b))).unwrap();
    let [a, b, c] = mesh.corners(t);
    let (at, n) = ((a.coords + b.coords + c.coords) / 3.0, mesh.normal(t).unwrap().vector());
    let level = (n.x * n.x + n.y * n.y).sqrt();
    let out = n.z.signum();
    let system = &plan.datum_systems[0].id;
    let text = format!(
        "{text}\n[[feature]]\nid = \"Q\"\nkind = \"point\"\npoint = {{ at_mm = [{}, {}, {}], direction = [0, 0, {out}] }}\n\
         [[characteristic]]\nnumber = \"q\"\nfeature = \"Q\"\nsurface_profile = {{ limit_outside_mm = 0.4, limit_inside_mm = 0.4 }}\n\
         datum_system = \"{system}\"\n[[characteristic]]\nnumber = \"f\"\nfeature = \"FLANGE\"\n\
         surface_profile = {{ limit_outside_mm = 0.4, limit_inside_mm = 0.4 }}\ndatum_system = \"{system}\"\nneeds = {{ points = 2 }}\n",
        at.x, at.y, at.z
    );
    let (_, plan) = plan::check_toml(&text).unwrap_or_else(|f| panic!("{f:#?}"));
    let faces = plan::bind(&plan, Some(&nominal)).unwrap();
    let flange = plan.features.iter().position(|f| f.id == "FLANGE").unwrap();
    let plan::Situation::Plane { at: on, .. } = faces.features[flange].situation else { panic!() };
    let go = |flange_x: f64| {
        let file = format!(
            "name,x,y,z,u\nQ,{},{},{},0.001\nFLANGE,12,100,{},0.001\nFLANGE,{flange_x},100,{},0.001\n",
            at.x + 2.0 * n.x / level,
            at.y + 2.0 * n.y / level,
            at.z,
            on.z,
            on.z
        );
        let points = read_points(file.as_bytes(), LengthUnit::Millimetre, None, &run).unwrap();
        let set = PointSet { points, coordinates: Coordinates::Part };
        let job = Job {
            nominal: Some(&nominal),
            nominal_sha256: String::new(),
            plan: &plan,
            faces: &faces,
            scans: &[],
            points: &[PointSource { set: &set, sha256: "points".into() }],
            readings: &[],
            scope: &[],
            conditions: &[],
        };
        inspect(&run, &job).unwrap().record.evaluations
    };
    let found = go(688.0);
    let of = |number: &str| found.iter().find(|e| e.number == number).unwrap();
    let sampling = of("q").budget.iter().find(|b| b.source == "sampling").unwrap().standard_uncertainty_mm;
    assert!(level > 0.01 && (sampling - 2.0 * level / n.z.abs()).abs() < 1e-3, "{sampling} {level}");
    assert_eq!(of("f").verdict, Conforms, "{}", of("f").reason);
    // In the plane, but 300 mm off its face.
    let found = go(1000.0);
    let off = found.iter().find(|e| e.number == "f").unwrap();
    assert_eq!(off.verdict, NotMeasured);
    assert!(off.reason.contains("check its name"), "{}", off.reason);
}
