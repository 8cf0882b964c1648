//! Two scans of one part: what one shows, the other does not hide.
#![allow(clippy::unwrap_used, reason = "a test says where it fails")]

use scantling_core::geometry::Point;
use scantling_core::inspect::{InspectError, Job, ScanPart, ScanSource, inspect};
use scantling_core::nominal::Nominal;
use scantling_core::plan::{self, FaceMap, Plan, Situation};
use scantling_core::read::{RawScan, read};
use scantling_core::readings::Reading;
use scantling_core::record::{Record, Verdict};
use scantling_core::run::quiet;
use scantling_core::scan::{LengthUnit, Scan};
use scantling_core::simulate::Demo;

struct Case {
    plan: Plan,
    nominal: Nominal,
    faces: FaceMap,
    place: ScanPart,
}

impl Case {
    fn job<'a>(&'a self, scans: &'a [ScanSource<'a>], readings: &'a [Reading]) -> Job<'a> {
        Job {
            nominal: Some(&self.nominal),
            nominal_sha256: String::new(),
            plan: &self.plan,
            faces: &self.faces,
            scans,
            points: &[],
            readings,
            scope: &[],
            conditions: &[],
        }
    }

    fn record<'a>(&'a self, scans: &[&'a Scan]) -> Record {
        let source = |(i, scan): (usize, &&'a Scan)| ScanSource {
            scan,
            sha256: i.to_string(),
            part: self.place.clone(),
        };
        let sources: Vec<ScanSource> = scans.iter().enumerate().map(source).collect();
        inspect(&quiet(), &self.job(&sources, &[])).unwrap().record
    }
}

#[test]
fn a_sparse_second_scan_hides_nothing_of_the_first() {
    let demo = Demo::new(3, 1.0);
    let run = quiet();
    let (_, plan) = plan::check_toml(&demo.plan_toml()).unwrap();
    let raw = read(&demo.nominal_stl(), &run).unwrap();
    let nominal = Nominal::from_mesh(raw, LengthUnit::Millimetre, plan.side, &run).unwrap();
    let faces = plan::bind(&plan, Some(&nominal)).unwrap();
    let whole = read(&demo.good_scan_ply(1.5).unwrap(), &run).unwrap();
    let part_from_scan = demo.good.scan_from_part.inverse();
    let feature = |id: &str| faces.features.iter().find(|f| f.id == id).unwrap();
    let crown = feature("CROWN");
    let [a, b, c] = nominal.mesh().corners(crown.triangles[crown.triangles.len() / 3]);
    let unseen = Point::from((a.coords + b.coords + c.coords) / 3.0);
    let Situation::Plane { at, normal } = feature("FLANGE").situation else { panic!("a flange is flat") };
    let out = normal.vector();
    // 4 mm of the flange beside its border stand 0.8 mm out over 60 mm, in both; and a disc of 16 mm of the
    // crown was seen by neither.
    let scan = |every: usize| {
        let mut raw = RawScan { normals: Some(Vec::new()), ..RawScan::default() };
        let mut lifted = 0;
        for (i, (p, n)) in whole.points.iter().zip(whole.normals.as_ref().unwrap()).enumerate() {
            let q = part_from_scan.point(p);
            if i % every != 0 || (q - unseen).norm() < 8.0 {
                continue;
            }
            let facing = part_from_scan.vector(n).dot(&out) > 0.9 && (q - at).dot(&out).abs() < 1.0;
            let on_it = q.x > 2.5 && q.x < 7.0 && q.y > 200.0 && q.y < 260.0 && facing;
            lifted += usize::from(on_it);
            raw.points.push(if on_it { demo.good.scan_from_part.point(&(q + out * 0.8)) } else { *p });
            raw.normals.as_mut().unwrap().push(*n);
        }
        (Scan::new(raw, LengthUnit::Millimetre, &run).unwrap(), lifted)
    };
    let (dense, lifted) = scan(1);
    let (sparse, _) = scan(40);
    assert!(lifted > 60, "{lifted} points stand out");
    assert!(sparse.spacing_mm() > 3.0 * dense.spacing_mm());
    let case = Case { plan, nominal, faces, place: ScanPart::Placement(part_from_scan) };
    let alone = case.record(&[&dense]);
    let both = case.record(&[&dense, &sparse]);
    let of = |record: &Record, feature: &str| {
        record.evaluations.iter().find(|e| e.feature == feature && e.minimum.is_some()).cloned().unwrap()
    };
    for record in [&alone, &both] {
        assert_eq!(of(record, "FLANGE").verdict, Verdict::DoesNotConform, "{}", of(record, "FLANGE").reason);
        let seen = of(record, "CROWN").coverage.unwrap();
        assert!(seen.largest_unseen_disc_mm > 8.0, "{seen:?}");
    }
    let strip = |record: &Record| of(record, "FLANGE").operators["edge_strip_left_out_mm"].clone();
    assert_eq!(strip(&alone), strip(&both));
    assert!(both.cautions.iter().any(|c| c.contains("mm apart")), "{:?}", both.cautions);

    let twice = [ScanSource::whole(&dense, "a".into()), ScanSource::whole(&dense, "a".into())];
    assert_eq!(inspect(&run, &case.job(&twice, &[])).unwrap_err(), InspectError::SameFile(1, 2));

    // A calliper that says otherwise than the scan proves nothing, and neither does the scan.
    let bore = both.evaluations.iter().find(|e| e.requirement == "diameter").unwrap();
    assert_eq!(bore.verdict, Verdict::Conforms, "{}", bore.reason);
    let reads = |value: f64| {
        let reading = Reading {
            characteristic: bore.number.clone(),
            value: Some(value),
            passed: None,
            unit: "mm".into(),
            expanded_uncertainty: Some(0.001),
            instrument: "calliper".into(),
            operator: String::new(),
        };
        let sources = [ScanSource { scan: &dense, sha256: "a".into(), part: case.place.clone() }];
        let record = inspect(&run, &case.job(&sources, &[reading])).unwrap().record;
        assert!(record.cautions.iter().any(|c| c.contains("more than one way")));
        record.evaluations.into_iter().find(|e| e.number == bore.number).unwrap()
    };
    let agreeing = reads(bore.value_mm.unwrap());
    assert_eq!((agreeing.verdict, agreeing.measured_by.as_str()), (Verdict::Conforms, "reading"));
    let other = reads(bore.value_mm.unwrap() + 2.0);
    assert_eq!(other.verdict, Verdict::Undecided);
    assert!(other.reason.contains("contradict") && other.reason.contains("by scan"), "{}", other.reason);
}
