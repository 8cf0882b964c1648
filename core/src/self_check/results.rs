//! Published results of made parts, found again by the whole way from plan and points to the verdict.

use std::fmt::Write;

use rayon::prelude::*;

use super::references::PublishedResult;
use super::report::{Basis, Check, Group, Quantity};
use super::worked::word;
use crate::inspect::{InspectError, Job, PointSource, inspect};
use crate::plan;
use crate::points::{Coordinates, PointSet, PointsError, read};
use crate::record::Evaluation;
use crate::run::{Run, Stopped};
use crate::scan::LengthUnit;

/// mm; the published values carry fifteen decimals.
const LIMIT: f64 = 1e-9;

/// The instrument's uncertainty is not published; one far below the last digit printed keeps the verdict that of the
/// bare value.
const STANDARD_MM: f64 = 1e-6;

/// Part and characteristic whose verdict was published of the rounded value: -0.500114 against 0.5 as passed.
const ROUNDED: (&str, &str) = ("3", "P13");

pub(super) fn group(run: &Run, results: &[PublishedResult]) -> Result<Group, Stopped> {
    let mut parts: Vec<&str> = results.iter().map(|r| of(r, "part")).collect();
    parts.sort_unstable();
    parts.dedup();
    let checks: Vec<Vec<Check>> = parts
        .par_iter()
        .map(|part| {
            let rows: Vec<_> = results.iter().filter(|r| of(r, "part") == *part).collect();
            one_part(run, &rows)
        })
        .collect::<Result<_, _>>()?;
    Ok(Group::of(
        "part_results",
        "published results of four sheet-metal parts",
        Basis::Published,
        "repository QualityInformationFramework/qif-community, commit 360b05e4, samples/Results/Sheet_Metal (Boost \
         Software License 1.0)",
        checks.into_iter().flatten().collect(),
    ))
}

fn of<'a>(row: &'a PublishedResult, column: &str) -> &'a str {
    row.get(column).map_or("", String::as_str)
}

fn one_part(run: &Run, rows: &[&PublishedResult]) -> Result<Vec<Check>, Stopped> {
    let found = match measured(run, rows) {
        Ok(found) => found,
        Err(Fault::Stopped(stopped)) => return Err(stopped),
        Err(Fault::Other(problem)) => {
            return Ok(rows.iter().map(|r| Check::missing(&name(r), rule(r), &problem)).collect());
        }
    };
    Ok(rows
        .iter()
        .map(|row| check(row, found.iter().find(|e| e.number == of(row, "characteristic"))))
        .collect())
}

fn name(row: &PublishedResult) -> String {
    format!("part {} {}", of(row, "part"), of(row, "characteristic"))
}

fn rule(row: &PublishedResult) -> &'static str {
    match of(row, "feature") {
        "CircleFeature" => "position of a hole",
        "EdgePointFeature" => "deviation of a point of a trimmed edge",
        _ => "deviation of a point of a surface",
    }
}

fn check(row: &PublishedResult, found: Option<&Evaluation>) -> Check {
    let name = name(row);
    let Some(found) = found else { return Check::missing(&name, rule(row), &"it was not evaluated") };
    let Ok(stated) = of(row, "published_value").parse::<f64>() else {
        return Check::missing(&name, rule(row), &"the published value is no number");
    };
    let ours = found.value_mm.unwrap_or(f64::NAN);
    let check = Check::of(&name, rule(row), vec![Quantity::number(("value", "mm"), ours, stated, LIMIT)]);
    if (of(row, "part"), of(row, "characteristic")) == ROUNDED {
        return check.worded(word(found.verdict), "does not conform").noted(
            "published as passed: rounded to -0.50 against 0.5; the value itself, also published, lies outside",
        );
    }
    let passed = if of(row, "published_status") == "PASS" { "conforms" } else { "does not conform" };
    check.worded(word(found.verdict), passed)
}

enum Fault {
    Stopped(Stopped),
    Other(String),
}

/// Everything that was evaluated of one part.
fn measured(run: &Run, rows: &[&PublishedResult]) -> Result<Vec<Evaluation>, Fault> {
    let told = |faults: Vec<plan::Fault>| {
        Fault::Other(faults.iter().map(ToString::to_string).collect::<Vec<_>>().join("; "))
    };
    let (_, plan) = plan::check_toml(&published_plan(rows)).map_err(told)?;
    let faces = plan::bind(&plan, None).map_err(told)?;
    let points = read(published_points(rows).as_bytes(), LengthUnit::Millimetre, Some(STANDARD_MM), run);
    let points = points.map_err(|e| match e {
        PointsError::Stopped(stopped) => Fault::Stopped(stopped),
        other => Fault::Other(other.to_string()),
    })?;
    let set = PointSet { points, coordinates: Coordinates::Part };
    let sources = [PointSource { set: &set, sha256: String::new() }];
    let job = Job {
        nominal: None,
        nominal_sha256: String::new(),
        plan: &plan,
        faces: &faces,
        scans: &[],
        points: &sources,
        readings: &[],
        scope: &[],
        conditions: &[],
    };
    match inspect(run, &job) {
        Ok(found) => Ok(found.record.evaluations),
        Err(InspectError::Stopped(stopped)) => Err(Fault::Stopped(stopped)),
        Err(other) => Err(Fault::Other(other.to_string())),
    }
}

const HEAD: &str = r#"
schema_version = 1
part = "sheet-metal"
drawing_revision = "-"
plan_version = 1
length_unit = "mm"
object = "part"
standard = { system = "iso", edition = "ISO 1101:2017" }
decision = { proven = {} }
[[datum_system]]
id = "CAR"
datum = [
  { letter = "A", targets = [
    { id = "A1", at_mm = [2400, 780, 900], direction = [0, 1, 0] },
    { id = "A2", at_mm = [2500, 780, 900], direction = [0, 1, 0] },
    { id = "A3", at_mm = [2450, 780, 990], direction = [0, 1, 0] } ] },
  { letter = "B", targets = [
    { id = "B1", at_mm = [2400, 780, 900], direction = [0, 0, 1] },
    { id = "B2", at_mm = [2500, 780, 900], direction = [0, 0, 1] } ] },
  { letter = "C", targets = [{ id = "C1", at_mm = [2400, 780, 900], direction = [1, 0, 0] }] },
]
"#;

fn triple(row: &PublishedResult, name: &str) -> String {
    ["x", "y", "z"].map(|axis| of(row, &format!("{name}_{axis}")).to_owned()).join(",")
}

/// The plan of one published part, as TOML: a feature and a characteristic a row. The points come in the car's axes; how
/// those were held is not published, so three pads, two and one stand for it and none is measured.
pub fn published_plan(rows: &[&PublishedResult]) -> String {
    let mut text = HEAD.to_owned();
    for row in rows {
        let (id, at, along) = (of(row, "characteristic"), triple(row, "nom"), triple(row, "n"));
        // Of a profile the whole width of the zone, of a position its diameter; no number is a fault of the plan.
        let width: f64 = of(row, "tolerance_value").parse().unwrap_or(f64::NAN);
        let (kind, place, required) = match of(row, "feature") {
            "CircleFeature" => (
                "hole",
                format!("hole = {{ at_mm = [{at}], axis = [{along}] }}"),
                format!("position = {{ zone_diameter_mm = {width} }}"),
            ),
            feature => {
                let on = if feature == "EdgePointFeature" { "trim_edge" } else { "surface" };
                let half = width / 2.0;
                (
                    "point",
                    format!("point = {{ at_mm = [{at}], direction = [{along}], on = \"{on}\" }}"),
                    format!("surface_profile = {{ limit_outside_mm = {half}, limit_inside_mm = {half} }}"),
                )
            }
        };
        let written = write!(
            text,
            "[[feature]]\nid = \"{id}\"\nkind = \"{kind}\"\n{place}\n[[characteristic]]\nnumber = \"{id}\"\n\
             feature = \"{id}\"\n{required}\ndatum_system = \"CAR\"\n"
        );
        written.expect("a string grows");
    }
    text
}

/// Its measured points, as a table of points.
pub fn published_points(rows: &[&PublishedResult]) -> String {
    let mut text = "name,role,x,y,z,nom_x,nom_y,nom_z,dir_x,dir_y,dir_z\n".to_owned();
    for row in rows {
        let role = if of(row, "feature") == "CircleFeature" { "centre" } else { "surface" };
        let [at, nominal, along] = ["meas", "nom", "n"].map(|name| triple(row, name));
        let written = writeln!(text, "{},{role},{at},{nominal},{along}", of(row, "characteristic"));
        written.expect("a string grows");
    }
    text
}
