//! Datum systems of every kind on the demo part: plane, hole and slot; pads; a fixture's balls; on scans and by points.

#![allow(clippy::unwrap_used, reason = "a check stops where something is not as told")]

use std::fmt::Write;

use scantling_core::geometry::random::Random;
use scantling_core::geometry::{Motion, PartFrame, Point, ScanFrame, Vector, math};
use scantling_core::inspect::{Inspected, Job, PointSource, ScanSource, inspect};
use scantling_core::nominal::Nominal;
use scantling_core::plan::{self, FaceMap, Plan, Situation};
use scantling_core::points::{Coordinates, PointSet, read as read_points};
use scantling_core::read::{RawScan, read};
use scantling_core::record::Verdict;
use scantling_core::run::quiet;
use scantling_core::scan::{LengthUnit, Scan};
use scantling_core::simulate::Demo;

struct Case {
    demo: Demo,
    nominal: Nominal,
}

impl Case {
    fn new(seed: u64) -> Self {
        let demo = Demo::new(seed, 1.0);
        let raw = read(&demo.nominal_stl(), &quiet()).unwrap();
        let nominal = Nominal::from_mesh(raw, LengthUnit::Millimetre, None, &quiet()).unwrap();
        Self { demo, nominal }
    }

    /// The demo's features with these datums and one position of H4 and H5, each bound.
    fn plan(&self, more_features: &str, datums: &str) -> (Plan, FaceMap) {
        let text = self.demo.plan_toml();
        let head = text.split("[[datum_system]]").next().unwrap();
        let mut text = format!("{head}{more_features}\n[[datum_system]]\nid = \"D\"\n{datums}\n");
        for (number, hole) in [("1", "H4"), ("2", "H5")] {
            writeln!(text, "[[characteristic]]\nnumber = \"{number}\"\nfeature = \"{hole}\"\nposition = {{ zone_diameter_mm = 0.4 }}\ndatum_system = \"D\"").unwrap();
        }
        let (_, plan) = plan::check_toml(&text).unwrap_or_else(|f| panic!("{f:#?}"));
        let faces = plan::bind(&plan, Some(&self.nominal)).unwrap_or_else(|f| panic!("{f:#?}"));
        (plan, faces)
    }

    fn measure(
        &self,
        (plan, faces): &(Plan, FaceMap),
        scan: Option<&Scan>,
        set: Option<&PointSet>,
    ) -> Inspected {
        let scans: Vec<ScanSource> = scan.into_iter().map(|s| ScanSource::whole(s, "scan".into())).collect();
        let points: Vec<PointSource> =
            set.into_iter().map(|set| PointSource { set, sha256: "points".into() }).collect();
        let job = Job {
            nominal: Some(&self.nominal),
            nominal_sha256: String::new(),
            plan,
            faces,
            scans: &scans,
            points: &points,
            readings: &[],
            scope: &[],
            conditions: &[],
        };
        inspect(&quiet(), &job).unwrap()
    }

    /// A scan of the nominal itself, lying anyhow, with balls beside it.
    fn scan(&self, spacing_mm: f64, noise_mm: f64, balls: &[(Point, f64)]) -> Scan {
        let mut random = Random::seeded(17);
        let pose: Motion<ScanFrame, PartFrame> =
            Motion::from_turn_and_shift(random.turn(), Vector::new(200.0, -80.0, 31.0));
        let mut raw = RawScan { normals: Some(Vec::new()), ..RawScan::default() };
        let demo = self.demo.good_scan_ply(spacing_mm).unwrap();
        let seen = read(&demo, &quiet()).unwrap();
        let part_from_scan = self.demo.good.scan_from_part.inverse();
        for (p, n) in seen.points.iter().zip(seen.normals.as_ref().unwrap()) {
            raw.points.push(pose.point(&part_from_scan.point(p)));
            let n = scantling_core::geometry::Direction::new(*n).unwrap();
            raw.normals.as_mut().unwrap().push(pose.direction(part_from_scan.direction(n)).vector());
        }
        for (centre, diameter) in balls {
            for i in 0..400 {
                // The upper half, evenly.
                let z = f64::from(i) / 400.0;
                let turn = f64::from(i) * 2.399_963;
                let r = (1.0 - z * z).sqrt();
                let n = Vector::new(r * math::cos(turn), r * math::sin(turn), z);
                let p = centre + n * (0.5 * diameter + noise_mm * random.normal());
                raw.points.push(pose.point(&p));
                let n = scantling_core::geometry::Direction::new(n).unwrap();
                raw.normals.as_mut().unwrap().push(pose.direction(n).vector());
            }
        }
        Scan::new(raw, LengthUnit::Millimetre, &quiet()).unwrap()
    }
}

const PLANE_HOLE_HOLE: &str = r#"datum = [
  { letter = "A", feature = "FLANGE", association = "least_squares" },
  { letter = "B", feature = "H1", association = "least_squares" },
  { letter = "C", feature = "H2", association = "least_squares" } ]"#;

fn offs(found: &Inspected) -> Vec<[f64; 2]> {
    found
        .record
        .evaluations
        .iter()
        .map(|e| {
            e.components.map(|c| [c.dx_mm, c.dy_mm]).unwrap_or_else(|| panic!("{}: {}", e.number, e.reason))
        })
        .collect()
}

#[test]
fn a_slot_clocks_as_a_hole_does_and_the_record_says_what_each_datum_locks() {
    let case = Case::new(5);
    let slot = "[[feature]]\nid = \"S1\"\nkind = \"slot\"\npick = { near_mm = [685, 215, -1.5] }\n";
    let with_slot = case.plan(
        slot,
        r#"datum = [
  { letter = "A", feature = "FLANGE", association = "least_squares" },
  { letter = "B", feature = "H1", association = "least_squares" },
  { letter = "C", feature = "S1", association = "least_squares" } ]"#,
    );
    let bound = with_slot.1.features.iter().find(|f| f.id == "S1").unwrap();
    let Situation::Slot { at, along, length_mm, width_mm, .. } = bound.situation else { panic!() };
    assert!((at.x - 685.0).abs() < 1e-3 && (at.y - 215.0).abs() < 1e-3, "{at}");
    assert!(along.vector().y.abs() > 0.999_999);
    assert!((length_mm.unwrap() - 22.0).abs() < 0.02 && (width_mm.unwrap() - 8.0).abs() < 0.02);
    let scan = case.scan(0.8, 0.02, &[]);
    let by_slot = case.measure(&with_slot, Some(&scan), None);
    let by_hole = case.measure(&case.plan("", PLANE_HOLE_HOLE), Some(&scan), None);
    let datums = &by_slot.record.datum_systems[0].datums;
    let locks: Vec<Vec<&str>> = datums.iter().map(|d| d.locks.iter().map(String::as_str).collect()).collect();
    assert_eq!(locks[0].len() + locks[1].len() + locks[2].len(), 6, "{locks:?}");
    assert!(locks[0].contains(&"tz") && locks[0].contains(&"rx") && locks[0].contains(&"ry"), "{locks:?}");
    assert_eq!(locks[2], ["rz"]);
    // Holes and slot of the good part are off their places by up to 0.03 mm and the part by its warp.
    for (s, h) in offs(&by_slot).iter().zip(offs(&by_hole)) {
        assert!((s[0] - h[0]).abs() < 0.15 && (s[1] - h[1]).abs() < 0.15, "{s:?} {h:?}");
    }
}

/// Pads on the flange where the plane is, and the same pads, hole and hole by points: all agree.
#[test]
fn pads_and_points_of_a_machine_agree_with_the_plane_they_stand_for() {
    let case = Case::new(6);
    let flange = case.plan("", PLANE_HOLE_HOLE);
    let bound = &flange.1.features[flange.0.features.iter().position(|f| f.id == "FLANGE").unwrap()];
    let Situation::Plane { at, normal } = bound.situation else { panic!() };
    let [x, y] = [700.0, 500.0];
    let places = [
        [12.0, 100.0],
        [12.0, y - 100.0],
        [x - 12.0, 100.0],
        [x - 12.0, y - 100.0],
        [x / 2.0, 12.0],
        [x / 2.0, y - 12.0],
    ];
    let mut pads = String::new();
    for (i, [px, py]) in places.iter().enumerate() {
        writeln!(
            pads,
            "    {{ id = \"A{}\", at_mm = [{px}, {py}, {}], direction = [0, 0, {}], patch_radius_mm = 5, locks = [\"z\"] }},",
            i + 1,
            at.z,
            normal.vector().z
        )
        .unwrap();
    }
    let with_pads = case.plan(
        "",
        &format!(
            "datum = [\n  {{ letter = \"A\", targets = [\n{pads}  ] }},\n  {{ letter = \"B\", feature = \"H1\", association = \"least_squares\" }},\n  \
             {{ letter = \"C\", feature = \"H2\", association = \"least_squares\" }} ]"
        ),
    );
    let scan = case.scan(1.0, 0.02, &[]);
    let by_pads = case.measure(&with_pads, Some(&scan), None);
    let system = &by_pads.record.datum_systems[0];
    assert_eq!(system.datums.iter().filter(|d| d.letter == "A").count(), 6);
    let pad = system.datums.iter().find(|d| d.feature == "A3").unwrap();
    assert_eq!(pad.locks, ["z"]);
    assert!(pad.residual_mm.unwrap().abs() < 0.2);
    let by_plane = case.measure(&flange, Some(&scan), None);
    for (a, b) in offs(&by_pads).iter().zip(offs(&by_plane)) {
        assert!((a[0] - b[0]).abs() < 0.01 && (a[1] - b[1]).abs() < 0.01, "{a:?} {b:?}");
    }

    // The nominal itself, taken by a machine in its own axes, with H4 made 0.25 mm off along x.
    let mut random = Random::seeded(40);
    let machine: Motion<ScanFrame, PartFrame> =
        Motion::from_turn_and_shift(random.turn(), Vector::new(1500.0, -40.0, 900.0));
    let hole = |id: &str| {
        let bound = &with_pads.1.features[with_pads.0.features.iter().position(|f| f.id == id).unwrap()];
        let Situation::Hole { at, .. } = bound.situation else { panic!() };
        at
    };
    let mut file = "name,role,x,y,z,u\n".to_owned();
    let mut take = |name: &str, role: &str, p: Point| {
        let p = machine.point(&p);
        writeln!(file, "{name},{role},{},{},{},0.002", p.x, p.y, p.z).unwrap();
    };
    for (i, [px, py]) in places.iter().enumerate() {
        take(&format!("A{}", i + 1), "surface", Point::new(*px, *py, at.z));
    }
    for (id, off) in [("H1", 0.0), ("H2", 0.0), ("H4", 0.25), ("H5", 0.0)] {
        take(id, "centre", hole(id) + Vector::x() * off);
    }
    let points = read_points(file.as_bytes(), LengthUnit::Millimetre, None, &quiet()).unwrap();
    let set = PointSet { points, coordinates: Coordinates::Instrument };
    let found = case.measure(&with_pads, None, Some(&set));
    let [h4, h5] = offs(&found).try_into().unwrap();
    assert!((h4[0] - 0.25).abs() < 1e-9 && h4[1].abs() < 1e-9, "{h4:?}");
    assert!(h5[0].abs() < 1e-9 && h5[1].abs() < 1e-9, "{h5:?}");
    assert_eq!(found.record.evaluations[0].verdict, Verdict::DoesNotConform);
    assert_eq!(found.record.evaluations[1].verdict, Verdict::Conforms);
    let e = &found.record.evaluations[1];
    assert!(
        e.budget.iter().any(|c| c.source == "alignment" && c.standard_uncertainty_mm > 1e-4),
        "{:?}",
        e.budget
    );
    assert_eq!(found.record.datum_systems[0].taken_from, "points");

    // A plane by its points, without normals: two holes and it leave the side open, and that is said.
    let mut plain = file
        .lines()
        .filter(|l| !l.starts_with('A') && !l.starts_with("H4") && !l.starts_with("H5"))
        .collect::<Vec<_>>()
        .join("\n");
    for [px, py] in places {
        let p = machine.point(&Point::new(px, py, at.z));
        write!(plain, "\nFLANGE,surface,{},{},{},0.002", p.x, p.y, p.z).unwrap();
    }
    let points = read_points(plain.as_bytes(), LengthUnit::Millimetre, None, &quiet()).unwrap();
    let set = PointSet { points, coordinates: Coordinates::Instrument };
    let found = case.measure(&flange, None, Some(&set));
    assert!(found.record.evaluations.iter().all(|e| e.verdict == Verdict::NotMeasured));
}

/// Check points on the crown of the good part against the made surface, which the simulator knows.
#[test]
fn check_points_on_a_scan_read_the_made_surface() {
    let case = Case::new(8);
    let mesh = case.nominal.mesh();
    let text = case.demo.plan_toml();
    let (_, whole) = plan::check_toml(&text).unwrap();
    let bound = plan::bind(&whole, Some(&case.nominal)).unwrap();
    let crown = bound.features.iter().find(|f| f.id == "CROWN").unwrap();
    let count = crown.triangles.len();
    let mut features = String::new();
    let mut wanted = String::new();
    let mut places = Vec::new();
    for (k, share) in [0.11, 0.37, 0.62, 0.88].into_iter().enumerate() {
        let t = crown.triangles[(share * count as f64) as usize];
        let [a, b, c] = mesh.corners(t);
        let at = Point::from((a.coords + b.coords + c.coords) / 3.0);
        let n = mesh.normal(t).unwrap();
        let v = n.vector();
        writeln!(features, "[[feature]]\nid = \"P{k}\"\nkind = \"point\"\npoint = {{ at_mm = [{}, {}, {}], direction = [{}, {}, {}], patch_radius_mm = 3 }}", at.x, at.y, at.z, v.x, v.y, v.z).unwrap();
        writeln!(wanted, "[[characteristic]]\nnumber = \"P{k}\"\nfeature = \"P{k}\"\nsurface_profile = {{ limit_outside_mm = 0.4, limit_inside_mm = 0.4 }}\ndatum_system = \"D\"\nneeds = {{ coverage = 0.6 }}").unwrap();
        places.push((at, n));
    }
    let planned = case.plan(&features, &format!("{PLANE_HOLE_HOLE}\n{wanted}"));
    let found = case.measure(&planned, Some(&case.scan(0.6, 0.02, &[])), None);
    let system = &found.record.datum_systems[0];
    for (k, (at, n)) in places.iter().enumerate() {
        let e = found.record.evaluations.iter().find(|e| e.number == format!("P{k}")).unwrap();
        let value = e.value_mm.unwrap_or_else(|| panic!("{}", e.reason));
        // How the made part lies in its own datums is known only as measured; so is what is compared here: two
        // points of a smooth surface differ by what the simulator made between them, within the noise.
        let made = (case.demo.good.made.point(at) - at).dot(&n.vector());
        assert!((value - made).abs() < 0.12, "P{k}: {value} {made}");
        let c = e.components.unwrap();
        assert!((c.dn_mm - value).abs() < 1e-12);
        assert!((Vector::new(c.dx_mm, c.dy_mm, c.dz_mm) - n.vector() * value).norm() < 1e-9);
        assert!(e.standard_uncertainty_mm.unwrap() < 0.02);
        assert_eq!(e.measured_by, "scan");
    }
    assert_eq!(system.taken_from, "scan");
}

#[test]
fn balls_of_a_fixture_hold_the_part_where_the_fixture_says() {
    let case = Case::new(7);
    let balls = [
        (Point::new(-40.0, -30.0, 10.0), 20.0),
        (Point::new(745.0, -25.0, 12.0), 20.0),
        (Point::new(730.0, 540.0, 8.0), 20.0),
        (Point::new(-35.0, 530.0, 15.0), 20.0),
    ];
    let mut fixture =
        "[[fixture]]\nid = \"fx-31\"\ncertificate = \"K-2207\"\nexpanded_uncertainty_mm = 0.02\ntarget = [\n"
            .to_owned();
    for (i, (p, d)) in balls.iter().enumerate() {
        writeln!(
            fixture,
            "  {{ id = \"K{i}\", at_mm = [{}, {}, {}], ball_diameter_mm = {d} }},",
            p.x, p.y, p.z
        )
        .unwrap();
    }
    fixture += "]\n";
    let planned = case.plan(&fixture, "fixture = \"fx-31\"");
    let scan = case.scan(1.2, 0.01, &balls);
    let found = case.measure(&planned, Some(&scan), None);
    let system = &found.record.datum_systems[0];
    assert_eq!(system.datums.len(), 4);
    assert!(
        system.datums.iter().all(|d| d.letter == "fx-31" && d.residual_mm.unwrap() < 0.02),
        "{:?}",
        system.datums
    );
    // The part lies in the fixture as made, so its holes are where they were made in the nominal's axes.
    for (e, id) in found.record.evaluations.iter().zip(["H4", "H5"]) {
        let hole = case.demo.surround.holes().iter().find(|h| h.id == id).unwrap();
        let made = case.demo.good.made.point(&hole.centre) - hole.centre;
        let c = e.components.unwrap_or_else(|| panic!("{}", e.reason));
        assert!((c.dx_mm - made.x).abs() < 0.03 && (c.dy_mm - made.y).abs() < 0.03, "{c:?} {made:?}");
        let alignment = e.budget.iter().find(|b| b.source == "alignment").unwrap().standard_uncertainty_mm;
        assert!(alignment > 0.005, "the fixture's own uncertainty counts: {alignment}");
    }
    // Without its balls in the scan nothing is measured, and it is said which is missing.
    let bare = case.measure(&planned, Some(&case.scan(1.2, 0.01, &balls[1..])), None);
    assert!(
        bare.record.evaluations.iter().all(|e| e.verdict == Verdict::NotMeasured && e.reason.contains("K0"))
    );
}
