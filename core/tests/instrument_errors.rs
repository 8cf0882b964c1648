//! What is stated of instrument and temperature is in the budgets as it is in the values: the scan is made anew with each
//! error in it and inspected without any statement, and the values must change by what the budget of the unharmed scan says.

#![allow(clippy::unwrap_used, reason = "a check stops where something is not as told")]

mod bench;

use bench::{Bench, Cell, pose};
use rayon::prelude::*;
use scantling_core::geometry::random::Random;
use scantling_core::geometry::{Aabb, Displacement, Point, Vector, math};
use scantling_core::inspect::{InspectError, Inspected, Job, ScanPart, ScanSource, inspect};
use scantling_core::plan;
use scantling_core::record::{Evaluation, Verdict};
use scantling_core::run::quiet;
use scantling_core::uncertainty::{Conditions, Day, InstrumentErrors, Restraint, Validity, Verified};

const SPACING_MM: f64 = 1.3;

fn bench() -> Bench {
    Bench {
        rows: vec![
            vec![Cell::Hole(8.0), Cell::Plain, Cell::Hole(8.0)],
            vec![Cell::Pin(7.0, 16.0), Cell::Plain, Cell::Plain],
        ],
    }
}

/// Number and requirement; their budgets are compared one by one.
const ASKED: [(&str, &str); 10] = [
    ("position", "feature = \"H02\"\nposition = { zone_diameter_mm = 0.5 }\ndatum_system = \"ABC\""),
    (
        "diameter",
        "feature = \"H00\"\ndiameter = { nominal_mm = 16.0, upper_deviation_mm = 0.2, lower_deviation_mm = -0.2, size = \"least_squares\" }",
    ),
    (
        "two points",
        "feature = \"P10\"\ndiameter = { nominal_mm = 14.0, upper_deviation_mm = 0.2, lower_deviation_mm = -0.2, size = \"two_point\" }",
    ),
    (
        "distance",
        "feature = \"D\"\ndistance = { to = \"C\", nominal_mm = 120.0, upper_deviation_mm = 0.3, lower_deviation_mm = -0.3 }",
    ),
    (
        "profile",
        "feature = \"E\"\nsurface_profile = { limit_outside_mm = 0.4, limit_inside_mm = 0.4 }\ndatum_system = \"ABC\"",
    ),
    (
        "point",
        "feature = \"CHECK\"\nsurface_profile = { limit_outside_mm = 0.4, limit_inside_mm = 0.4 }\ndatum_system = \"ABC\"",
    ),
    ("flatness", "feature = \"A\"\nflatness = { zone_width_mm = 0.3, association = \"least_squares\" }"),
    ("square", "feature = \"D\"\nperpendicularity = { zone_width_mm = 0.3 }\ndatum_system = \"ABC\""),
    (
        "thickness",
        "feature = \"A\"\nthickness = { nominal_mm = 24.0, upper_deviation_mm = 0.5, lower_deviation_mm = -0.5, patch_radius_mm = 3.0, definition = \"along_normal\", largest_nominal_mm = 30.0 }",
    ),
    ("contact", "feature = \"H02\"\nposition = { zone_diameter_mm = 0.5 }\ndatum_system = \"TOUCH\""),
];

/// With contacts and thickness, which take their time, or without.
fn asked(contacts: bool) -> impl Iterator<Item = (&'static str, &'static str)> {
    ASKED.into_iter().filter(move |a| contacts || !["contact", "thickness"].contains(&a.0))
}

fn plan_toml(bench: &Bench, contacts: bool) -> String {
    let mut text = String::from(
        "schema_version = 1\npart = \"bench\"\ndrawing_revision = \"A\"\nplan_version = 1\nlength_unit = \"mm\"\nobject = \"part\"\n\
         standard = { system = \"iso\", edition = \"ISO 1101:2017\" }\ndecision = { proven = {} }\nfilter = { gaussian = { nesting_index_mm = 4.0 } }\n\
         material = { expansion_per_k = 23e-6, expansion_standard_uncertainty_per_k = 1e-6 }\n[nominal]\nfile = \"bench.stl\"\n",
    );
    text.push_str(&bench.features_toml());
    text.push_str(
        "[[feature]]\nid = \"CHECK\"\nkind = \"point\"\npoint = { at_mm = [120.0, 60.0, -12.0], direction = [1, 0, 0], patch_radius_mm = 4.0 }\n",
    );
    let system = |id: &str, letters: [&str; 3], association: &str| {
        let datum = |(l, f): (&str, &str)| {
            format!("{{ letter = \"{l}\", feature = \"{f}\", association = \"{association}\" }}")
        };
        let all: Vec<String> = letters.into_iter().zip(["A", "B", "C"]).map(datum).collect();
        format!("[[datum_system]]\nid = \"{id}\"\ndatum = [ {} ]\n", all.join(", "))
    };
    text.push_str(&system("ABC", ["A", "B", "C"], "least_squares"));
    if contacts {
        text.push_str(&system("TOUCH", ["U", "V", "W"], "minimax_outside"));
    }
    for (number, body) in asked(contacts) {
        text.push_str(&format!("[[characteristic]]\nnumber = \"{number}\"\n{body}\n"));
    }
    text
}

/// Inspects a scan of the block made with `made`.
fn inspected(
    contacts: bool,
    noise_mm: f64,
    seed: u64,
    conditions: &[Conditions],
    made: impl Fn(&str, &Point, &Vector) -> Point,
) -> Result<Inspected, InspectError> {
    let bench = bench();
    let nominal = bench.nominal();
    let (_, plan) = plan::check_toml(&plan_toml(&bench, contacts)).unwrap();
    let faces = plan::bind(&plan, Some(&nominal)).unwrap();
    let pose = pose(seed);
    let scan = bench.scan(SPACING_MM, noise_mm, seed, &pose, made);
    let sources =
        [ScanSource { scan: &scan, sha256: "scan".into(), part: ScanPart::Placement(pose.inverse()) }];
    inspect(&quiet(), &Job { conditions, ..Job::of_scans(&nominal, &plan, &faces, &sources) })
}

fn evaluations(
    contacts: bool,
    noise_mm: f64,
    seed: u64,
    made: impl Fn(&str, &Point, &Vector) -> Point,
) -> Vec<Evaluation> {
    inspected(contacts, noise_mm, seed, &[], made).unwrap().record.evaluations
}

fn stated(errors: InstrumentErrors) -> Conditions {
    Conditions { errors, ..Conditions::default() }
}

/// The block as it might be made: bowed, a hole off its place and a pin too large, so that no value lies at its least and errors
/// change it in proportion.
fn bowed(name: &str, p: &Point, n: &Vector) -> Point {
    let own = match name {
        "H02" => Vector::new(0.06, -0.05, 0.0),
        "P10" => n * 0.04,
        _ => Vector::zeros(),
    };
    p + own
        + Vector::z() * (4e-5 * (p.x - 60.0) * (p.x - 60.0))
        + Vector::y() * (3e-5 * (p.x - 60.0) * (p.x - 60.0))
        + Vector::x() * (2e-5 * (p.y - 30.0) * (p.y - 30.0))
}

fn line(e: &Evaluation, source: &str) -> f64 {
    e.budget.iter().find(|c| c.source == source).map_or(0.0, |c| c.standard_uncertainty_mm)
}

/// The value, of extremes the largest: which one is told changes with the room that they have.
fn value(e: &Evaluation) -> f64 {
    if let Some(high) = e.maximum.filter(|_| ["profile", "thickness"].contains(&e.number.as_str())) {
        return high.value_mm;
    }
    e.value_mm.unwrap_or_else(|| panic!("{}: {}", e.number, e.reason))
}

/// Each characteristic's budget line of `source` against the changes of its value: added in squares over the inputs, the mean of
/// squares over the ways in which each was tried.
fn compare(
    source: &str,
    told: &[Evaluation],
    ways: &[Vec<Vec<Evaluation>>],
    from: &[Evaluation],
    within: f64,
) {
    let mut wrong = Vec::new();
    let mut compared = Vec::new();
    for (k, e) in told.iter().enumerate() {
        let change = |all: &Vec<Evaluation>| value(&all[k]) - value(&from[k]);
        let squares = |way: &Vec<Vec<Evaluation>>| way.iter().map(|a| change(a) * change(a)).sum::<f64>();
        let seen = (ways.iter().map(squares).sum::<f64>() / ways.len() as f64).sqrt();
        let line = line(e, source);
        println!("{source}, {}: budget {line:.5} mm, value {seen:.5} mm", e.number);
        // Points that change their triangles or strips, and what a filter leaves of that; what of the noise the likely surface
        // takes for form: a micrometre a scan.
        let slack = 0.001 * (ways[0].len() as f64).sqrt();
        if (line - seen).abs() > within * seen + slack {
            wrong.push(format!("{}: {line:.5} told, {seen:.5} seen", e.number));
        }
        // Below that a line that is not there would pass.
        if seen > 3.0 * slack {
            compared.push(e.number.clone());
        }
    }
    assert!(wrong.is_empty(), "{source}: {wrong:#?}");
    assert!(compared.len() >= 3, "{source}: only {compared:?} change by enough to be compared");
}

#[test]
fn a_stretched_scan_changes_each_value_by_what_its_budget_says() {
    let noise = 0.001;
    let from = evaluations(true, noise, 3, bowed);
    let errors = InstrumentErrors { length_scale_mm_per_m: Some(0.2), ..InstrumentErrors::default() };
    let told = inspected(true, noise, 3, &[stated(errors)], bowed).unwrap().record.evaluations;
    let stretched = |by: f64| {
        vec![evaluations(true, noise, 3, |f, p, n| Point::from(bowed(f, p, n).coords * (1.0 + by)))]
    };
    // Without a statement there is no line, and the values are those of the statement's scan.
    for (a, b) in from.iter().zip(&told) {
        assert!(line(a, "length_scale") == 0.0 && value(a) == value(b), "{}", a.number);
    }
    compare("length_scale", &told, &[stretched(0.0002), stretched(-0.0002)], &from, 0.05);
}

#[test]
fn surfaces_that_read_outward_change_each_value_by_what_its_budget_says() {
    let noise = 0.001;
    let from = evaluations(true, noise, 5, bowed);
    let errors = InstrumentErrors { probing_mm: Some(0.02), ..InstrumentErrors::default() };
    let told = inspected(true, noise, 5, &[stated(errors)], bowed).unwrap().record.evaluations;
    let outward = |by: f64| vec![evaluations(true, noise, 5, |f, p, n| bowed(f, p, n) + n * by)];
    compare("probing", &told, &[outward(0.02), outward(-0.02)], &from, 0.05);
}

#[test]
fn bent_scans_change_each_value_by_what_its_budget_says() {
    let noise = 0.001;
    let volume = bench().nominal().mesh().bounds();
    let errors = InstrumentErrors { distortion_mm: Some(0.012), ..InstrumentErrors::default() };
    let told = inspected(false, noise, 7, &[stated(errors)], bowed).unwrap().record.evaluations;
    let from = evaluations(false, noise, 7, bowed);
    let bends = Displacement::bends(&Aabb { low: volume.low, high: volume.high }, 0.012);
    assert_eq!(bends.len(), 18);
    let bent = |way: f64| -> Vec<Vec<Evaluation>> {
        let one =
            |b: &Displacement| evaluations(false, noise, 7, |f, p, n| bowed(f, p, n) + b.at(p, n) * way);
        bends.par_iter().map(one).collect()
    };
    compare("distortion", &told, &[bent(1.0), bent(-1.0)], &from, 0.1);
}

#[test]
fn a_warm_part_is_measured_as_it_is_at_twenty_degrees() {
    let noise = 0.001;
    let cold = inspected(false, noise, 9, &[], bowed).unwrap().record;
    let factor = 1.0 + 23e-6 * 15.0;
    let warm =
        Conditions { temperature_c: Some(35.0), temperature_standard_k: Some(2.0), ..Conditions::default() };
    let warmed = |f: &str, p: &Point, n: &Vector| Point::from(bowed(f, p, n).coords * factor);
    let found = inspected(false, noise, 9, std::slice::from_ref(&warm), warmed).unwrap().record;
    // ISO 1, linear expansion; relative uncertainty as in JCGM 100:2008, H.1: (alpha u(T))^2 + (dT u(alpha))^2 + their product.
    let relative = (46e-6f64 * 46e-6 + 15e-6 * 15e-6 + 2e-6 * 2e-6).sqrt();
    for (a, b) in cold.evaluations.iter().zip(&found.evaluations) {
        assert!((value(a) - value(b)).abs() < 2e-4, "{}: {} {}", a.number, value(a), value(b));
        assert_eq!(line(a, "temperature"), 0.0);
        if a.number == "distance" {
            let told = line(b, "temperature");
            assert!((told / (120.0 * relative) - 1.0).abs() < 0.01, "{told}");
        }
    }
    let told = &found.sources[0].conditions;
    assert!((told.length_factor.unwrap() * factor - 1.0).abs() < 1e-15, "{told:?}");
    assert!((told.length_factor_relative_standard_uncertainty.unwrap() / relative - 1.0).abs() < 1e-3);
    // Without the temperature the same scan reads long, and says what is missing.
    let blind = inspected(false, noise, 9, &[], warmed).unwrap().record;
    let distance = |r: &scantling_core::record::Record| value(&r.evaluations[3]);
    assert!((distance(&blind) - distance(&cold) - 120.0 * 23e-6 * 15.0).abs() < 1e-3);
    assert!(
        blind.cautions.iter().any(|c| c.contains("temperature, restraint and gravity are not part of it"))
    );
    assert!(!found.cautions.iter().any(|c| c.contains("temperature, restraint")));
    // The motion that is told takes the middle of the scan as it was taken to the middle of the part.
    let bench = bench();
    let scan = bench.scan(SPACING_MM, noise, 9, &pose(9), warmed);
    let (mut low, mut high) = (scan.points().at(0), scan.points().at(0));
    for p in scan.points().iter() {
        (low, high) = (low.inf(&p), high.sup(&p));
    }
    let middle = nalgebra::center(&low, &high);
    let place = |r: &scantling_core::record::AlignmentRecord| {
        let row = |k: usize| {
            r.rotation[k][0] * middle.x + r.rotation[k][1] * middle.y + r.rotation[k][2] * middle.z
        };
        Point::new(row(0) + r.translation_mm[0], row(1) + r.translation_mm[1], row(2) + r.translation_mm[2])
    };
    let apart = place(found.alignment.as_ref().unwrap()) - place(blind.alignment.as_ref().unwrap());
    assert!(apart.norm() < 0.02, "{apart}");
    // A temperature that is known without its uncertainty is corrected and told.
    let vague = Conditions { temperature_standard_k: None, ..warm };
    let found = inspected(false, noise, 9, &[vague], warmed).unwrap().record;
    assert!(
        found.cautions.iter().any(|c| c.contains("uncertainty of the temperature")),
        "{:?}",
        found.cautions
    );
}

/// A smooth random field by plane waves, another generator than the one inside: autocorrelation exp(-d^2 / (2 length^2)).
fn waves(seed: u64, length_mm: f64) -> impl Fn(&Point) -> f64 + Sync {
    let mut random = Random::seeded(seed);
    let all: Vec<(Vector, f64)> = (0..150)
        .map(|_| {
            let k = Vector::new(random.normal(), random.normal(), random.normal()) / length_mm;
            (k, std::f64::consts::TAU * random.unit())
        })
        .collect();
    move |p: &Point| {
        let sum: f64 = all.iter().map(|(k, phase)| math::cos(k.dot(&p.coords) + phase)).sum();
        sum * (2.0 / all.len() as f64).sqrt()
    }
}

#[test]
fn noise_that_neighbours_share_scatters_values_as_their_budgets_say() {
    let scans: u64 = std::env::var("SHARED_NOISE_SCANS").ok().and_then(|v| v.parse().ok()).unwrap_or(24);
    let (white, shared, length) = (0.01, 0.02, 6.0);
    let errors = InstrumentErrors {
        correlated_noise_mm: Some(shared),
        correlation_length_mm: Some(length),
        ..InstrumentErrors::default()
    };
    let all: Vec<Vec<Evaluation>> = (1..=scans)
        .into_par_iter()
        .map(|seed| {
            let field = waves(seed ^ 0xABC, length);
            let made = |f: &str, p: &Point, n: &Vector| bowed(f, p, n) + n * (shared * field(p));
            inspected(false, white, seed, &[stated(errors)], made).unwrap().record.evaluations
        })
        .collect();
    let n = scans as f64;
    for (k, (number, _)) in asked(false).enumerate() {
        let seen: Vec<f64> = all.iter().map(|s| value(&s[k])).collect();
        let mean = seen.iter().sum::<f64>() / n;
        let scatter = (seen.iter().map(|v| (v - mean) * (v - mean)).sum::<f64>() / (n - 1.0)).sqrt();
        let told = all.iter().map(|s| s[k].standard_uncertainty_mm.unwrap()).sum::<f64>() / n;
        println!("{number}: told {told:.5} mm, scatter {scatter:.5} mm, ratio {:.2}", told / scatter);
        // A standard deviation of 24 is right to 15 %; the shape of the correlation is only about that of the lattice.
        let slack = 3.0 / (2.0 * (n - 1.0)).sqrt();
        assert!(told > (0.85 - slack).max(0.5) * scatter, "{number}: {told} {scatter}");
        assert!(told < (1.6 + slack) * scatter, "{number}: {told} {scatter}");
    }
}

#[test]
fn an_expired_verification_takes_a_pass_away_and_nothing_else() {
    let day = |text: &str| Day::parse(text).unwrap();
    let on = |taken: &str| Conditions {
        instrument: "scanner 2".into(),
        validity: Some(Validity::Verified(Verified {
            instrument: "scanner 2".into(),
            verification: "V-2025-7".into(),
            verified_on: day("2025-05-02"),
            valid_until: day("2026-05-02"),
            taken_on: day(taken),
            problems: Vec::new(),
        })),
        ..Conditions::default()
    };
    let valid = inspected(false, 0.005, 11, &[on("2026-05-02")], |_, p, _| *p).unwrap().record;
    assert_eq!(valid.verdict, Verdict::Conforms, "{}", valid.reason);
    assert_eq!(valid.sources[0].conditions.verification.as_deref(), Some("V-2025-7"));
    let expired = inspected(false, 0.005, 11, &[on("2026-05-03")], |_, p, _| *p).unwrap().record;
    assert_eq!(expired.verdict, Verdict::Undecided, "{}", expired.reason);
    for (a, b) in valid.evaluations.iter().zip(&expired.evaluations) {
        assert_eq!(b.verdict, Verdict::Undecided, "{}: {}", b.number, b.reason);
        assert!(
            b.reason.contains("valid until 2026-05-02") && b.reason.contains("verify the"),
            "{}",
            b.reason
        );
        assert_eq!((a.value_mm, a.interval), (b.value_mm, b.interval));
    }
    assert!(expired.cautions.iter().any(|c| c.contains("nothing measured on it conforms")));
    // What fails, fails.
    let bad = inspected(false, 0.005, 11, &[on("2026-05-03")], |_, p, n| {
        p + n * f64::from(u8::from(n.y > 0.5)) * 0.9
    });
    assert_eq!(bad.unwrap().record.verdict, Verdict::DoesNotConform);
}

#[test]
fn free_and_held_never_make_one_result() {
    let of = |restraint| Conditions { restraint: Some(restraint), ..Conditions::default() };
    let bench = bench();
    let nominal = bench.nominal();
    let (_, plan) = plan::check_toml(&plan_toml(&bench, false)).unwrap();
    let faces = plan::bind(&plan, Some(&nominal)).unwrap();
    let scan = bench.scan(2.0, 0.01, 1, &pose(1), |_, p, _| *p);
    let sources = ["a", "b"].map(|sha256| ScanSource::whole(&scan, sha256.into()));
    let conditions = [of(Restraint::FreeState), of(Restraint::Fixture)];
    let job = Job { conditions: &conditions, ..Job::of_scans(&nominal, &plan, &faces, &sources) };
    assert_eq!(inspect(&quiet(), &job).unwrap_err(), InspectError::Restraints(1, 2));
}
