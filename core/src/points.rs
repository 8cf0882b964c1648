//! Points that an arm, a measuring machine or a hand took, each of a named feature or datum target.
//!
//! A table with a header: `name`, `x`, `y`, `z`, and as they are known `role` (`surface` or `centre`), `nx`,
//! `ny`, `nz` (the surface's normal there, out of the material), `diameter`, `u` (standard uncertainty of one
//! coordinate, and of the diameter), and `nom_x`, `nom_y`, `nom_z`, `dir_x`, `dir_y`, `dir_z` (what the
//! instrument took for nominal, which must be what the plan says). Lengths in the unit that the caller states;
//! the probe's radius is taken off already. A hole may have its centre and points of its wall: the centre tells its place,
//! and the wall its diameter where the centre has none. Long, because table and checks share its words.

use crate::geometry::{Direction, Point, Vector};
use crate::plan::Fault;
use crate::read::is_utf16;
use crate::run::{CHECK_EVERY, Run, Stopped};
use crate::scan::{FURTHEST_MM, LengthUnit};
use std::collections::BTreeMap;

mod check;
#[cfg(test)]
mod tests;

pub use check::{check, off_the_wall_mm};

/// What a point stands for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Role {
    /// A place on the surface or edge of the feature.
    Surface,
    /// The centre of a hole, slot or ball, as the instrument worked it out.
    Centre,
}

/// In which axes points are told.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Coordinates {
    /// In the part's: the instrument was aligned on the datums, which is taken on trust.
    Part,
    /// In the instrument's own.
    Instrument,
}

/// One point as it was taken; mm.
#[derive(Clone, Debug, PartialEq)]
pub struct TakenPoint {
    /// Id of a feature or target of the plan.
    pub name: String,
    /// Line of the file, from 1.
    pub line: u64,
    /// What it stands for.
    pub role: Role,
    /// Where it is.
    pub point: Point,
    /// The surface's normal there, where it is known.
    pub normal: Option<Direction>,
    /// What the instrument took for its nominal place, where it says so.
    pub nominal: Option<Point>,
    /// What the instrument took for its direction, where it says so.
    pub direction: Option<Direction>,
    /// Diameter of the hole that it is the centre of.
    pub diameter_mm: Option<f64>,
    /// Standard uncertainty of one coordinate; `None` when nobody states it.
    pub standard_mm: Option<f64>,
}

/// The points of one file.
#[derive(Clone, Debug, PartialEq)]
pub struct PointSet {
    /// In the file's order.
    pub points: Vec<TakenPoint>,
    /// In which axes.
    pub coordinates: Coordinates,
}

/// Why points cannot be used.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum PointsError {
    /// The file or what it names is not right; every fault, at most [`MOST_FAULTS`].
    #[error("{}", in_one_line(.0))]
    Faults(Vec<Fault>),
    /// More points than allowed.
    #[error("the file has more than the {limit} points allowed; leave some out, or send it as a scan")]
    TooMany {
        /// Most allowed.
        limit: u64,
    },
    /// A longer file than allowed.
    #[error(
        "the file has {bytes} bytes, and {LONGEST_FILE} are allowed for measured points; leave some out, or send it as a scan"
    )]
    TooLong {
        /// Its length.
        bytes: u64,
    },
    /// The caller asked to stop.
    #[error(transparent)]
    Stopped(#[from] Stopped),
}

fn in_one_line(faults: &[Fault]) -> String {
    faults.iter().map(ToString::to_string).collect::<Vec<_>>().join("; ")
}

/// More faults than this say nothing new.
pub const MOST_FAULTS: usize = 50;

/// Most points of one file: a machine that takes ten a second needs a day for so many. More is a scan.
pub const MOST_POINTS: u64 = 1_000_000;
/// Longest file, bytes: so many points with every column there is.
pub const LONGEST_FILE: u64 = 256 << 20;
/// Longest name, bytes; ids of a plan are shorter.
pub const LONGEST_NAME: usize = 128;
/// What one point takes in memory at most while a list of them grows, bytes.
pub const POINT_BYTES: u64 = 2 * (size_of::<TakenPoint>() + LONGEST_NAME) as u64;
/// The shortest row: a name of one letter and three digits, each with what ends it.
const SHORTEST_ROW: u64 = 8;

/// Memory that reading and judging a file of points takes at most, bytes, by its length alone.
pub fn cost(length: u64) -> u64 {
    let points = (length / SHORTEST_ROW).min(MOST_POINTS);
    length.min(LONGEST_FILE).saturating_add(points.saturating_mul(POINT_BYTES))
}

const COLUMNS: [&str; 16] = [
    "name", "x", "y", "z", "role", "nx", "ny", "nz", "diameter", "u", "nom_x", "nom_y", "nom_z", "dir_x",
    "dir_y", "dir_z",
];

/// Reads a file of points. The delimiter is the one of comma, semicolon and tab that the header has.
///
/// # Errors
/// Every fault of the file, each with its line; more points than `run` or [`MOST_POINTS`] allow, or a longer
/// file than [`LONGEST_FILE`]; a stop by the caller.
pub fn read(
    bytes: &[u8],
    unit: LengthUnit,
    standard_mm: Option<f64>,
    run: &Run,
) -> Result<Vec<TakenPoint>, PointsError> {
    let one =
        |place: &str, problem: String| PointsError::Faults(vec![Fault { place: place.to_owned(), problem }]);
    if bytes.len() as u64 > LONGEST_FILE {
        return Err(PointsError::TooLong { bytes: bytes.len() as u64 });
    }
    if is_utf16(bytes) {
        return Err(one("", "the file is text in UTF-16; save it as UTF-8".into()));
    }
    let most = run.limits.points.min(MOST_POINTS);
    let bytes = bytes.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(bytes);
    let lines = bytes.split(|b| matches!(b, b'\n' | b'\r'));
    let first =
        lines.map(<[u8]>::trim_ascii).find(|l| !l.is_empty() && !l.starts_with(b"#")).unwrap_or_default();
    let count = |d: u8| first.iter().filter(|b| **b == d).count();
    let delimiter = [b',', b';', b'\t'].into_iter().max_by_key(|d| count(*d)).unwrap_or(b',');
    let mut reader = csv::ReaderBuilder::new()
        .delimiter(delimiter)
        .trim(csv::Trim::All)
        .comment(Some(b'#'))
        .from_reader(bytes);
    let header = reader.headers().map_err(|e| one("line 1", format!("this is no table: {e}")))?.clone();
    let mut column: BTreeMap<&str, usize> = BTreeMap::new();
    let mut faults = Vec::new();
    for (i, word) in header.iter().enumerate() {
        if faults.len() >= MOST_FAULTS {
            break;
        }
        let Some(known) = COLUMNS.iter().find(|c| c.eq_ignore_ascii_case(word)) else {
            let shown: String = word.chars().take(40).collect();
            let problem = format!(
                "column \"{}\" is not known; the columns are {}",
                shown.escape_debug(),
                COLUMNS.join(", ")
            );
            faults.push(Fault { place: "line 1".into(), problem });
            continue;
        };
        if column.insert(known, i).is_some() {
            faults.push(Fault {
                place: "line 1".into(),
                problem: format!("column {known} stands twice; leave one"),
            });
        }
    }
    for group in
        [["x", "y", "z"], ["nx", "ny", "nz"], ["nom_x", "nom_y", "nom_z"], ["dir_x", "dir_y", "dir_z"]]
    {
        let there = group.iter().filter(|c| column.contains_key(*c)).count();
        if there != 3 && (there > 0 || group[0] == "x") {
            let problem = format!("columns {} stand together; {} are there", group.join(", "), there);
            faults.push(Fault { place: "line 1".into(), problem });
        }
    }
    if !column.contains_key("name") {
        let problem =
            "column name is missing; write the feature or target that each point was taken of".to_owned();
        faults.push(Fault { place: "line 1".into(), problem });
    }
    if !faults.is_empty() {
        return Err(PointsError::Faults(faults));
    }
    // A comma inside numbers only where it does not part the columns.
    let table = Table { column, decimal_comma: delimiter != b',', mm: unit.mm(), standard_mm };
    let mut points = Vec::new();
    for (n, row) in reader.records().enumerate() {
        if n % CHECK_EVERY == 0 {
            run.check()?;
        }
        if points.len() as u64 >= most {
            return Err(PointsError::TooMany { limit: most });
        }
        if faults.len() >= MOST_FAULTS {
            break;
        }
        match row {
            Ok(row) => points.extend(table.point(&row, &mut faults)),
            Err(e) => {
                let line = e.position().map_or(0, csv::Position::line);
                let problem = match e.kind() {
                    csv::ErrorKind::UnequalLengths { expected_len, len, .. } => {
                        format!("has {len} columns, the header {expected_len}; make them as many")
                    }
                    _ => format!("cannot be read: {e}"),
                };
                faults.push(Fault { place: format!("line {line}"), problem });
            }
        }
    }
    if faults.is_empty() && points.is_empty() {
        faults.push(Fault {
            place: String::new(),
            problem: "the file holds no points; check what was exported".into(),
        });
    }
    if faults.is_empty() { Ok(points) } else { Err(PointsError::Faults(faults)) }
}

/// A word as it may be shown: short and printable.
fn shown(word: &str) -> String {
    word.chars().take(40).collect::<String>().escape_debug().to_string()
}

struct Table<'a> {
    column: BTreeMap<&'a str, usize>,
    decimal_comma: bool,
    mm: f64,
    standard_mm: Option<f64>,
}

impl Table<'_> {
    fn word<'r>(&self, row: &'r csv::StringRecord, column: &str) -> &'r str {
        self.column.get(column).and_then(|&i| row.get(i)).unwrap_or("")
    }

    /// `None` when it is empty; not finite when it is no number.
    fn number(&self, row: &csv::StringRecord, column: &str) -> Option<f64> {
        let word = self.word(row, column);
        let number = if self.decimal_comma { word.replace(',', ".").parse() } else { word.parse() };
        (!word.is_empty()).then(|| number.unwrap_or(f64::NAN))
    }

    fn point(&self, row: &csv::StringRecord, faults: &mut Vec<Fault>) -> Option<TakenPoint> {
        let line = row.position().map_or(0, csv::Position::line);
        let before = faults.len();
        let mut wrong = |problem: String| faults.push(Fault { place: format!("line {line}"), problem });
        let name = self.word(row, "name");
        if name.len() > LONGEST_NAME {
            wrong(format!(
                "has a name of {} bytes; write the feature or target, {LONGEST_NAME} at most",
                name.len()
            ));
        }
        if name.is_empty() {
            wrong("has no name; write the feature or target that the point was taken of".into());
        }
        let mut triple = |names: [&str; 3], needed: bool| {
            let numbers = names.map(|c| self.number(row, c));
            match numbers {
                [None, None, None] if !needed => None,
                [Some(x), Some(y), Some(z)] if [x, y, z].iter().all(|v| v.is_finite()) => {
                    Some(Vector::new(x, y, z))
                }
                _ => {
                    let words = names.map(|c| format!("{c} \"{}\"", shown(self.word(row, c))));
                    wrong(format!("{} are not three numbers; write them with a point", words.join(", ")));
                    None
                }
            }
        };
        let at = triple(["x", "y", "z"], true);
        let normal = triple(["nx", "ny", "nz"], false);
        let nominal = triple(["nom_x", "nom_y", "nom_z"], false);
        let direction = triple(["dir_x", "dir_y", "dir_z"], false);
        let far = |v: &Vector| (*v * self.mm).iter().any(|c| c.abs() > FURTHEST_MM);
        if at.as_ref().is_some_and(far) {
            wrong(format!("lies more than {FURTHEST_MM} mm from the origin; check the length unit"));
        }
        let mut unit = |v: Option<Vector>, what: &str| {
            v.and_then(|v| {
                let d = Direction::new(v);
                if d.is_none() {
                    wrong(format!(
                        "{what} has no length; write a vector out of the material, or leave it empty"
                    ));
                }
                d
            })
        };
        let (normal, direction) = (unit(normal, "the normal"), unit(direction, "the direction"));
        let role = match self.word(row, "role") {
            "" | "surface" => Role::Surface,
            "centre" | "center" => Role::Centre,
            other => {
                let shown: String = other.chars().take(40).collect();
                wrong(format!("role is \"{}\"; write surface or centre", shown.escape_debug()));
                Role::Surface
            }
        };
        let mut length = |column: &str| {
            self.number(row, column).and_then(|v| {
                let ok = v.is_finite() && v > 0.0;
                if !ok {
                    wrong(format!(
                        "{column} is \"{}\"; write a length above 0, or leave it empty",
                        shown(self.word(row, column))
                    ));
                }
                ok.then_some(v * self.mm)
            })
        };
        let (diameter_mm, own) = (length("diameter"), length("u"));
        if diameter_mm.is_some() && role == Role::Surface {
            wrong(
                "a diameter stands beside a point on the surface; write role centre, or leave it empty"
                    .into(),
            );
        }
        let point = Point::from(at? * self.mm);
        (faults.len() == before).then_some(TakenPoint {
            name: name.to_owned(),
            line,
            role,
            point,
            normal,
            nominal: nominal.map(|v| Point::from(v * self.mm)),
            direction,
            diameter_mm,
            standard_mm: own.or(self.standard_mm),
        })
    }
}
