//! Figures of the table: each is computed, so that it cannot be older than the program.

use std::sync::LazyLock;

use scantling_core::associate::{Criterion, circle_by, minimum_zone_plane, plane};
use scantling_core::conformity::{decide, probability_of_conformity};
use scantling_core::geometry::{Direction, Point};
use scantling_core::plan::{Decision, iso286, iso2768};
use scantling_core::record::Limits;
use scantling_core::run::quiet;
use scantling_core::self_check::{Check, Report, self_check};

static REPORT: LazyLock<Report> = LazyLock::new(|| self_check(&quiet()).expect("the published sets"));

/// Number of checks of a group of the self-check that are of `what`, and the worst deviation among them.
fn of_group(id: &str, what: impl Fn(&Check) -> bool, unit: &str) -> String {
    let group = REPORT.groups.iter().find(|g| g.id == id).unwrap_or_else(|| panic!("no group {id}"));
    let checks: Vec<&Check> = group.checks.iter().filter(|c| what(c)).collect();
    assert!(!checks.is_empty() && checks.iter().all(|c| c.passed), "{id}");
    let worst = checks.iter().flat_map(|c| &c.quantities).filter_map(|q| q.deviation).fold(0.0, f64::max);
    format!("{} sets, worst {worst:.0e} {unit}", checks.len())
}

/// Fits of a shape against the published ones.
pub(super) fn fits(shape: &str) -> String {
    let unit = if shape == "sphere" || shape == "circle" { "mm" } else { "mm, rad" };
    of_group("least_squares", |c| c.of == shape, unit)
}

/// Zones of a shape against those that other code computed.
pub(super) fn zones(shape: &str) -> String {
    of_group("minimum_zone", |c| c.of == shape, "mm wider")
}

/// Circumscribed or inscribed circles against those that other code computed.
pub(super) fn circles(which: &str) -> String {
    of_group("circles_by_contacts", |c| c.of == which && c.words.is_none(), "mm")
}

/// Published results of parts found again.
pub(super) fn results(rule: &str) -> String {
    of_group("part_results", |c| c.of.starts_with(rule), "mm").replace("sets", "published results")
}

/// Two rows of four points, the last of each 0.3 higher. By hand: the narrowest zone lies along the line from the first to
/// the last, 0.2 wide across; the least-squares plane rises by 0.009 mm for each mm and leaves 0.21.
pub(super) fn flatness() -> String {
    let profile = [(0.0, 0.0), (10.0, 0.0), (20.0, 0.0), (30.0, 0.3)];
    let row = |y: f64| profile.map(|(x, z)| Point::new(x, y, z));
    let points = [row(0.0), row(10.0)].concat();
    let narrow = minimum_zone_plane(&points).expect("a zone").width_mm;
    let least = plane(&points).expect("a plane");
    let about = least.high.0 - least.low.0;
    assert!((narrow - 0.2).abs() < 2e-5 && (about - 0.21).abs() < 2e-5);
    format!("by hand 0.2 and 0.21: (C) {narrow:.4}, (G) {about:.4}")
}

/// Three points of hardly less than half a turn have a smallest circle, but not as a part has one.
pub(super) fn open_arc() -> String {
    let three = [(-1.0, 0.0), (1.0, 0.0), (0.0, 0.999)].map(|(x, y)| Point::new(x, y, 0.0));
    let found =
        circle_by(&quiet(), Criterion::MinimumCircumscribed, &three, Direction::Z).map(|f| f.shape.radius_mm);
    match found {
        Ok(radius) => format!("radius {radius:.3}"),
        Err(e) => {
            format!("an arc of less than half a turn: {}", e.to_string().split(':').next().unwrap_or(""))
        }
    }
}

pub(super) fn tolerance_class() -> String {
    let um = |class| {
        let l = iso286::limit_deviations(40.0, class).expect("a class");
        format!("40 {class}: {:+.0} {:+.0} um", l.upper_mm * 1000.0, l.lower_mm * 1000.0)
    };
    format!("{}, {}", um("H7"), um("s6"))
}

pub(super) fn general_tolerance() -> String {
    let of = |mm| iso2768::length_deviation_mm(mm, scantling_core::plan::file::GeneralTolerance::Medium);
    let of = |mm| of(mm).expect("a step");
    format!("class m: 30 +-{}, 30.1 +-{}", of(30.0), of(30.1))
}

pub(super) fn probability() -> String {
    let limits = Limits { lower_mm: Some(12.5), upper_mm: Some(16.3) };
    format!("y 13.6, u 1.8, 12.5 .. 16.3: {:.6}", probability_of_conformity(13.6, 1.8, &limits))
}

/// The distance from the limit, in standard uncertainties, at which conformity begins to be proven.
pub(super) fn guard_band() -> String {
    let limits = Limits { lower_mm: None, upper_mm: Some(1.0) };
    let proven = |bands: f64| {
        let found = decide(&Decision::Proven, 1.0 - 0.1 * bands, 0.1, &limits, 1.0, None).verdict;
        found == scantling_core::record::Verdict::Conforms
    };
    let (mut low, mut high) = (0.0, 3.0);
    for _ in 0..60 {
        let middle = f64::midpoint(low, high);
        if proven(middle) { high = middle } else { low = middle }
    }
    format!("{high:.3} u from one limit")
}
