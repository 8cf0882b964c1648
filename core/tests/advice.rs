//! What a record says would help: where to scan and from where, how many more points, and when no scan will.

#![allow(clippy::unwrap_used, reason = "a check stops where something is not as told")]

mod wall;

use scantling_core::geometry::random::Random;
use scantling_core::geometry::{Direction, Motion, Point, Vector};
use scantling_core::inspect::{Job, ScanPart, ScanSource, inspect};
use scantling_core::nominal::Nominal;
use scantling_core::plan;
use scantling_core::read::{RawScan, read};
use scantling_core::record::{Advice, Evaluation, Record, Verdict};
use scantling_core::run::quiet;
use scantling_core::scan::{LengthUnit, Scan};
use scantling_core::simulate::{DEMO_NOISE_MM, Demo, Scanner};
use wall::{Points, Soup, plan_of};

/// The good demo part, of which only the points that `seen` chooses (in the part's axes) were scanned; `plan` has its way
/// with the plan's text.
fn demo(seen: impl Fn(&Point, &Vector) -> bool, plan_text: impl Fn(String) -> String) -> Record {
    let run = quiet();
    let demo = Demo::new(1, 1.0);
    let scan = Scanner::front(1.0, DEMO_NOISE_MM, demo.good.scanner_seed)
        .scan(&demo.good.made, &demo.good.scan_from_part)
        .unwrap();
    let part_from_scan = demo.good.scan_from_part.inverse();
    let mut raw = RawScan { normals: Some(Vec::new()), ..RawScan::default() };
    for (p, n) in scan.points.iter().zip(&scan.normals) {
        if seen(&part_from_scan.point(p), &part_from_scan.direction(*n).vector()) {
            raw.points.push(*p);
            raw.normals.as_mut().unwrap().push(n.vector());
        }
    }
    let (_, plan) = plan::check_toml(&plan_text(demo.plan_toml())).unwrap_or_else(|f| panic!("{f:#?}"));
    let nominal = read(&demo.nominal_stl(), &run).unwrap();
    let nominal = Nominal::from_mesh(nominal, LengthUnit::Millimetre, plan.side, &run).unwrap();
    let faces = plan::bind(&plan, Some(&nominal)).unwrap();
    let scan = Scan::new(raw, LengthUnit::Millimetre, &run).unwrap();
    let scans = [ScanSource::whole(&scan, String::new())];
    inspect(&run, &Job::of_scans(&nominal, &plan, &faces, &scans)).unwrap().record
}

fn of<'a>(record: &'a Record, number: &str) -> &'a Evaluation {
    record.evaluations.iter().find(|e| e.number == number).unwrap()
}

fn about<'a>(record: &'a Record, number: &str) -> Vec<&'a Advice> {
    record.advice.iter().filter(|a| a.characteristics.iter().any(|c| c == number)).collect()
}

#[test]
fn a_quarter_of_a_face_missing_is_not_measured_elsewhere_is_right_and_the_place_is_named() {
    // 95 % of the crown, characteristic 3, is needed.
    let strict = |text: String| {
        let at = text.find("class = \"key\"").unwrap();
        let needs = text[at..].find("coverage = 0.9").unwrap() + at;
        format!("{}coverage = 0.95{}", &text[..needs], &text[needs + "coverage = 0.9".len()..])
    };
    let crown = |p: &Point, n: &Vector| p.z > 50.0 && n.z > 0.7;
    // A piece of the ring at one end, about a quarter of it.
    let missing = |p: &Point, n: &Vector| crown(p, n) && p.x > 545.0;
    let whole = demo(|_, _| true, strict);
    let part = demo(|p, n| !missing(p, n), strict);
    assert_eq!(of(&whole, "3").verdict, Verdict::Conforms, "{}", of(&whole, "3").reason);
    assert!(whole.advice.is_empty(), "{:?}", whole.advice);
    let told = of(&part, "3");
    assert_eq!((told.verdict, told.value_mm), (Verdict::NotMeasured, None), "{}", told.reason);
    let coverage = told.coverage.as_ref().unwrap();
    println!("seen {:.3}, {:?}", coverage.fraction, coverage.gaps);
    assert!((0.70..0.80).contains(&coverage.fraction), "{coverage:?}");
    assert_eq!(part.verdict, Verdict::NotMeasured);
    for e in part.evaluations.iter().filter(|e| e.number != "3") {
        let before = of(&whole, &e.number);
        assert_eq!(e.verdict, before.verdict, "{}: {}", e.number, e.reason);
        let change = e.value_mm.unwrap() - before.value_mm.unwrap();
        assert!(change.abs() < 1e-3, "{}: {change}", e.number);
    }
    // What was seen of the crown is right too: its extremes are those of the whole, unless they lay in the gap.
    for (mine, all) in [(told.minimum, of(&whole, "3").minimum), (told.maximum, of(&whole, "3").maximum)] {
        let (mine, all) = (mine.unwrap(), all.unwrap());
        let [x, ..] = all.at_mm;
        assert!(x > 540.0 || (mine.value_mm - all.value_mm).abs() < 5e-3, "{mine:?} {all:?}");
    }
    let advice = about(&part, "3");
    assert_eq!(advice.len(), 1, "{advice:?}");
    let one = advice[0];
    println!("{}", one.words);
    assert_eq!((one.action.as_str(), one.feature.as_str()), ("scan_there", "CROWN"));
    let [x, y, z] = one.at_mm[..] else { panic!("{one:?}") };
    assert!(missing(&Point::new(x, y, z), &Vector::z()), "{one:?} lies where nothing was seen");
    let from = Direction::new(Vector::new(one.from[0], one.from[1], one.from[2])).unwrap();
    assert!(from.dot(Direction::Z) > 0.5, "the crown is seen from above: {one:?}");
    assert!(one.words.contains("CROWN") && one.words.contains(&format!("x {x:.1}")), "{}", one.words);
    assert!(one.width_mm.unwrap() > 20.0, "{one:?}");
}

#[test]
fn a_datum_that_was_not_seen_is_what_to_scan() {
    let half = 350.0;
    let record = demo(|p, _| p.z.abs() > 1.0 || p.x < half, |t| t);
    assert_eq!(of(&record, "3").verdict, Verdict::NotMeasured);
    let advice = about(&record, "3");
    assert!(!advice.is_empty());
    assert!(advice.iter().all(|a| a.feature == "FLANGE" && a.at_mm[0] > half - 5.0), "{advice:?}");
    let serves = |n: &str| advice[0].characteristics.iter().any(|c| c == n);
    assert!(serves("1") && serves("3"), "{advice:?}");
    // The same place serves all that refer to it.
    assert!(advice[0].characteristics.len() > 3, "{advice:?}");
}

const SIZE: [f64; 3] = [60.0, 40.0, 3.0];

fn side(z: f64, up: bool) -> impl Fn(f64, f64) -> Point + Sync {
    move |u: f64, v: f64| {
        let (a, b) = if up { (u, v) } else { (v, u) };
        Point::new(SIZE[0] * (a - 0.5), SIZE[1] * (b - 0.5), z)
    }
}

fn plate() -> Nominal {
    let below = side(0.0, false);
    let mut soup = Soup::default();
    soup.wall(&side(SIZE[2], true), &|u, v| below(v, u), [30, 20]);
    soup.nominal()
}

fn inspected(nominal: &Nominal, text: &str, scan: &Scan) -> Record {
    let (_, plan) = plan::check_toml(text).unwrap_or_else(|f| panic!("{f:#?}"));
    let faces = plan::bind(&plan, Some(nominal)).unwrap_or_else(|f| panic!("{f:#?}"));
    let part = ScanPart::Placement(Motion::identity());
    let sources = [ScanSource { scan, sha256: "scan".into(), part }];
    inspect(&quiet(), &Job::of_scans(nominal, &plan, &faces, &sources)).unwrap().record
}

/// Both faces of the plate, of the lower one what `below` says, and its four walls, which hold it in its plane.
fn scan_of_plate(count: usize, noise_mm: f64, seed: u64, below: &dyn Fn(&Point) -> bool) -> Scan {
    let mut random = Random::seeded(seed);
    let mut points = Points::default();
    points.add(&side(SIZE[2], true), count, noise_mm, &mut random, &|_| true);
    points.add(&side(0.0, false), count, noise_mm, &mut random, below);
    let [hx, hy] = [0.5 * SIZE[0], 0.5 * SIZE[1]];
    for sign in [-1.0, 1.0] {
        let along = move |u: f64, v: f64| Point::new(sign * hx, sign * hy * (2.0 * u - 1.0), SIZE[2] * v);
        points.add(&along, count / 20, noise_mm, &mut random, &|_| true);
        let across = move |u: f64, v: f64| Point::new(-sign * hx * (2.0 * u - 1.0), sign * hy, SIZE[2] * v);
        points.add(&across, count / 20, noise_mm, &mut random, &|_| true);
    }
    points.scan()
}

#[test]
fn more_points_are_told_by_number_and_decide_it() {
    let nominal = plate();
    let top = [("TOP", Point::new(0.0, 0.0, SIZE[2]), Vector::z())];
    let limits =
        "patch_radius_mm = 2.0, nominal_mm = 3.0, lower_deviation_mm = -0.04, upper_deviation_mm = 0.04";
    let text = plan_of(&top, limits, "");
    const COUNT: usize = 8_000;
    for seed in 1..=3 {
        let record = inspected(&nominal, &text, &scan_of_plate(COUNT, 0.06, seed, &|_| true));
        let told = of(&record, "1");
        assert_eq!(told.verdict, Verdict::Undecided, "{}", told.reason);
        let advice = about(&record, "1");
        assert_eq!(advice.len(), 1, "{advice:?}");
        let one = advice[0];
        println!("{}; floor {:?}", one.words, told.noise_floor_mm);
        assert_eq!(one.action, "more_points");
        let times = one.times_points.unwrap();
        assert!(times > 1.5 && times < 20.0, "{times}");
        let more = one.more_points.unwrap() as f64 / told.coverage.as_ref().unwrap().points as f64;
        assert!((more - (times - 1.0)).abs() < 0.01, "{more} {times}");
        // A third of them leaves it open, all of them with a third more for the luck of the draw decide it.
        let with = |share: f64| {
            let count = COUNT as f64 * (1.0 + share * (times - 1.0));
            let scan = scan_of_plate(count as usize, 0.06, seed + 50, &|_| true);
            of(&inspected(&nominal, &text, &scan), "1").verdict
        };
        assert_eq!(with(1.33), Verdict::Conforms, "seed {seed}, {times}");
        assert_eq!(with(0.2), Verdict::Undecided, "seed {seed}, {times}");
    }
}

#[test]
fn the_other_side_of_a_wall_is_to_be_scanned_from_its_own_side() {
    let top = [("TOP", Point::new(0.0, 0.0, SIZE[2]), Vector::z())];
    let limits =
        "patch_radius_mm = 2.0, nominal_mm = 3.0, lower_deviation_mm = -0.3, upper_deviation_mm = 0.3";
    let text = plan_of(&top, limits, "");
    let record = inspected(&plate(), &text, &scan_of_plate(8_000, 0.01, 4, &|p| p.x < 10.0));
    let told = of(&record, "1");
    assert_eq!(told.verdict, Verdict::NotMeasured, "{}", told.reason);
    let advice = about(&record, "1");
    assert_eq!(advice.len(), 1, "{:?}", record.advice);
    assert_eq!(advice[0].action, "scan_there");
    assert!(advice[0].at_mm[0] > 12.0 && advice[0].at_mm[2].abs() < 1e-6, "{advice:?}");
    assert!(advice[0].from[2] < -0.5 && advice[0].words.contains("from -z"), "{}", advice[0].words);
    // All of it open: its middle is named.
    let record = inspected(&plate(), &text, &scan_of_plate(8_000, 0.01, 4, &|_| false));
    assert!(of(&record, "1").reason.contains("the other side"), "{}", of(&record, "1").reason);
    let advice = about(&record, "1");
    assert_eq!((advice.len(), advice[0].action.as_str()), (1, "scan_there"), "{:?}", record.advice);
    let [x, y, z] = advice[0].at_mm[..] else { panic!("{advice:?}") };
    assert!(x.abs() < 3.0 && y.abs() < 3.0 && z.abs() < 1e-6, "{advice:?}");
}

#[test]
fn where_the_part_hides_a_place_no_scan_is_advised_and_a_reading_is_asked_for() {
    // A closed box with a cavity: 60 x 40 x 20 outside, walls of 3.
    let cuboid = |soup: &mut Soup, half: Vector, out: f64| {
        for axis in 0..3 {
            for sign in [-1.0, 1.0] {
                let (b, c) = ((axis + 1) % 3, (axis + 2) % 3);
                let face = move |u: f64, v: f64| {
                    let (s, t) = if sign * out > 0.0 { (u, v) } else { (v, u) };
                    let mut p = Vector::zeros();
                    p[axis] = sign * half[axis];
                    p[b] = half[b] * (2.0 * s - 1.0);
                    p[c] = half[c] * (2.0 * t - 1.0);
                    Point::from(p)
                };
                soup.surface(&face, [12, 12]);
            }
        }
    };
    let mut soup = Soup::default();
    cuboid(&mut soup, Vector::new(30.0, 20.0, 10.0), 1.0);
    cuboid(&mut soup, Vector::new(27.0, 17.0, 7.0), -1.0);
    let nominal = soup.nominal();
    let mut random = Random::seeded(6);
    let mut points = Points::default();
    for axis in 0..3 {
        for sign in [-1.0, 1.0] {
            let half = [30.0, 20.0, 10.0];
            let (b, c) = ((axis + 1) % 3, (axis + 2) % 3);
            let face = move |u: f64, v: f64| {
                let (s, t) = if sign > 0.0 { (u, v) } else { (v, u) };
                let mut p = Vector::zeros();
                p[axis] = sign * half[axis];
                p[b] = half[b] * (2.0 * s - 1.0);
                p[c] = half[c] * (2.0 * t - 1.0);
                Point::from(p)
            };
            points.add(&face, 6_000, 0.01, &mut random, &|_| true);
        }
    }
    // A few points of the cavity's lid, as through a hole for a probe: enough to ask for the rest.
    let lid = |u: f64, v: f64| Point::new(54.0 * v - 27.0, 34.0 * u - 17.0, 7.0);
    points.add(&lid, 6_000, 0.01, &mut random, &|p| p.x.abs() < 6.0 && p.y.abs() < 6.0);
    let top = [("TOP", Point::new(0.0, 0.0, 10.0), Vector::z())];
    let limits =
        "patch_radius_mm = 2.0, nominal_mm = 3.0, lower_deviation_mm = -0.3, upper_deviation_mm = 0.3";
    let mass = "[[characteristic]]\nnumber = \"2\"\nreading = { quantity = \"mass\", unit = \"kg\", upper_limit = 1.0 }";
    let record = inspected(&nominal, &plan_of(&top, limits, mass), &points.scan());
    assert_eq!(of(&record, "1").verdict, Verdict::NotMeasured, "{}", of(&record, "1").reason);
    let advice = about(&record, "1");
    assert!(!advice.is_empty() && advice.iter().all(|a| a.action == "no_scan"), "{advice:?}");
    assert!(advice[0].words.contains("hides"), "{}", advice[0].words);
    let reading = about(&record, "2");
    assert_eq!(reading.len(), 1);
    assert!(reading[0].action == "no_scan" && reading[0].words.contains("mass"), "{reading:?}");
}
