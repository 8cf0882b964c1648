//! Finds out how a text file of points is laid out, from its first lines. Where more than one reading fits
//! it is an error that says what to state, never a guess. Own rules, no source.
//!
//! Longer than most files: the rules belong together.

use super::layout::{MOST_COLUMNS, check, delimiter_word};
use super::text::{Lines, decimal, shown, words};
use super::{Column, ReadError, TextLayout, pieces};

/// How a text file of points was read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TextFound {
    /// `' '` (any white space), `'\t'`, `','` or `';'`.
    pub delimiter: char,
    /// Whether decimals follow a comma rather than a point.
    pub decimal_comma: bool,
    /// What each column of the first row holds.
    pub columns: Vec<Column>,
    /// Lines before the first row of points: heading, count, comments, and those stated.
    pub skipped_lines: u64,
    /// The number of points that a line of its own announces before them.
    pub announced_points: Option<u64>,
    /// What was decided about columns that nothing names.
    pub notes: Vec<String>,
    /// Where the first row of points begins.
    pub(super) at: usize,
}

impl TextFound {
    pub(super) fn has_normals(&self) -> bool {
        self.columns.contains(&Column::Nx)
    }

    /// The word for the delimiter: `space`, `tab`, `comma`, `semicolon`.
    pub fn delimiter_word(&self) -> &'static str {
        delimiter_word(self.delimiter)
    }
}

/// Rows looked at.
const SAMPLE: usize = 200;
/// Bytes looked at for the first of them.
const LOOK: usize = 1 << 20;

/// Whether a line says nothing: blank, or a comment.
pub(super) fn is_silent(line: &[u8]) -> bool {
    let line = line.trim_ascii();
    line.is_empty() || comment(line).is_some()
}

/// What a comment says.
fn comment(line: &[u8]) -> Option<&[u8]> {
    let line = line.trim_ascii();
    line.strip_prefix(b"#").or_else(|| line.strip_prefix(b"//"))
}

/// Whether the bytes may be a text file of points: no zero byte, and soon a line with three numbers.
pub(super) fn is_text(start: &[u8]) -> bool {
    let start = &start[..start.len().min(LOOK)];
    if start[..start.len().min(4096)].contains(&0) {
        return false;
    }
    let separator = |b: &u8| b.is_ascii_whitespace() || matches!(b, b',' | b';');
    let from = after_mark(start);
    Lines::from(start, from, 0).filter(|line| !is_silent(line)).take(SAMPLE).any(|line| {
        line.split(separator).take(MOST_COLUMNS).filter(|w| value(w, false).is_some()).take(3).count() == 3
    })
}

/// The byte order mark of UTF-8, which some programs put in front.
fn after_mark(bytes: &[u8]) -> usize {
    if bytes.starts_with(&[0xEF, 0xBB, 0xBF]) { 3 } else { 0 }
}

/// The number that a field is; may be NaN or infinite. A decimal comma needs a digit on either side.
pub(super) fn value(field: &[u8], decimal_comma: bool) -> Option<f64> {
    if !decimal_comma {
        return decimal(field);
    }
    let mut copy = [0; 64];
    let copy = copy.get_mut(..field.len())?;
    copy.copy_from_slice(field);
    if let Some(at) = copy.iter().position(|&b| b == b',') {
        let digit = |k: usize| copy.get(k).is_some_and(u8::is_ascii_digit);
        if copy.contains(&b'.') || !digit(at + 1) || !digit(at.wrapping_sub(1)) {
            return None;
        }
        copy[at] = b'.';
    }
    std::str::from_utf8(copy).ok()?.parse().ok()
}

/// Hands each field of a line to `each` with its number from 0; an empty one after the last delimiter is
/// none. Returns how many there are.
pub(super) fn fields<'a, E>(
    line: &'a [u8],
    delimiter: char,
    mut each: impl FnMut(usize, &'a [u8]) -> Result<(), E>,
) -> Result<usize, E> {
    let mut count = 0;
    if delimiter == ' ' {
        for word in words(line) {
            each(count, word)?;
            count += 1;
        }
        return Ok(count);
    }
    // A tab at the beginning follows an empty field.
    let line = if delimiter == '\t' { line } else { line.trim_ascii() };
    let line = line.strip_suffix(&[delimiter as u8]).unwrap_or(line);
    for field in line.split(|&b| b == delimiter as u8) {
        let field = field.trim_ascii();
        let bare = field.strip_prefix(b"\"").and_then(|f| f.strip_suffix(b"\"")).unwrap_or(field);
        each(count, bare)?;
        count += 1;
    }
    Ok(count)
}

fn split(line: &[u8], delimiter: char) -> Vec<&[u8]> {
    let mut all = Vec::new();
    // Ends at the most that are looked at.
    let _ = fields(line, delimiter, |_, field| {
        all.push(field);
        if all.len() > MOST_COLUMNS { Err(()) } else { Ok(()) }
    });
    all
}

/// A line of the sample.
struct Sampled<'a> {
    at: usize,
    number: u64,
    line: &'a [u8],
    /// The comment before it.
    comment: Option<&'a [u8]>,
}

fn unclear<T>(problem: String) -> Result<T, ReadError> {
    Err(ReadError::Unclear { problem })
}

const SUCH_AS: &str = "state the columns, such as `x y z - nx ny nz`";

/// The layout: what is stated, and the rest as found.
pub(super) fn find(bytes: &[u8], stated: &TextLayout) -> Result<TextFound, ReadError> {
    if let Some(columns) = &stated.columns {
        check(columns).or_else(|e| unclear(e.to_string()))?;
    }
    let lines = sample(bytes, stated.skip_lines.unwrap_or(0));
    if lines.is_empty() {
        return unclear("no line holds points: check what was exported, and `skip=` if it is stated".into());
    }
    let (delimiter, sure) = match stated.delimiter {
        Some(delimiter) if matches!(delimiter, ' ' | '\t' | ',' | ';') => (delimiter, true),
        Some(other) => {
            return unclear(format!("`{other}` delimits no columns: state space, tab, comma or semicolon"));
        }
        None => (delimiter(&lines)?, false),
    };
    let decimal_comma = decimal_comma(&lines, delimiter)?;
    let is_row = |l: &Sampled| numbers(l.line, delimiter, decimal_comma) >= 3;
    let first = match stated.skip_lines {
        Some(_) => 0,
        None => lines.iter().position(is_row).unwrap_or(0),
    };
    let (head, rows) = lines.split_at(first);
    let row = &rows[0];
    let width = split(row.line, delimiter).len();
    if !(3..=MOST_COLUMNS).contains(&width) {
        return unclear(format!(
            "line {} has {width} columns by the delimiter {}: x, y and z need three; state another delimiter, such as `delimiter=semicolon`",
            row.number,
            delimiter_word(delimiter)
        ));
    }
    let (heading, announced_points) = head_lines(head, delimiter, row.number)?;
    let heading = heading.map(|l| (l.line, l.number, true));
    // A comment right before the points may name the columns.
    let heading = heading.or_else(|| row.comment.map(|c| (c, row.number, false)));
    let names = heading.and_then(|(line, number, own)| {
        let names = names(line, delimiter, width);
        let enough = own || names.as_ref().is_some_and(|n| check(n).is_ok());
        enough.then_some((names, number, line))
    });
    if !sure
        && delimiter == ','
        && names.as_ref().is_none_or(|n| n.0.is_none())
        && may_be_decimals(rows, width)
    {
        return unclear(format!(
            "line {} can be {width} whole numbers or {} numbers with decimal commas: state `delimiter=comma` or write decimal points",
            row.number,
            width / 2
        ));
    }
    let mut notes = Vec::new();
    let columns = if let Some(columns) = &stated.columns {
        if columns.len() > width {
            return unclear(format!(
                "{} columns are stated, but line {} has {width}: state the columns that there are, and the delimiter if it is another than {}",
                columns.len(),
                row.number,
                delimiter_word(delimiter)
            ));
        }
        let mut columns = columns.clone();
        columns.resize(width, Column::Other);
        columns
    } else if let Some((names, number, line)) = names {
        match names {
            Some(columns) if check(&columns).is_ok() => columns,
            _ => {
                return unclear(format!(
                    "the heading `{}` before line {number} does not name x, y and z (and all or none of nx, ny, nz) for {width} columns: {SUCH_AS}",
                    shown(line)
                ));
            }
        }
    } else {
        by_look(rows, delimiter, decimal_comma, width, &mut notes)?
    };
    let skipped_lines = row.number - 1;
    Ok(TextFound { delimiter, decimal_comma, columns, skipped_lines, announced_points, notes, at: row.at })
}

fn sample(bytes: &[u8], skip: usize) -> Vec<Sampled<'_>> {
    let mut lines = Lines::from(bytes, after_mark(bytes), 0);
    for _ in 0..skip {
        if lines.next().is_none() {
            break;
        }
    }
    let (mut found, mut last_comment) = (Vec::new(), None);
    while found.len() < SAMPLE {
        let at = lines.at;
        let Some(line) = lines.next() else { break };
        if let Some(said) = comment(line) {
            last_comment = Some(said);
        } else if !line.trim_ascii().is_empty() {
            found.push(Sampled { at, number: lines.line, line, comment: last_comment.take() });
        }
    }
    found
}

/// How many fields are numbers.
fn numbers(line: &[u8], delimiter: char, decimal_comma: bool) -> usize {
    split(line, delimiter).iter().filter(|f| value(f, decimal_comma).is_some()).count()
}

/// The one delimiter under which lines hold three numbers or more.
fn delimiter(lines: &[Sampled]) -> Result<char, ReadError> {
    let rows = |d: char| {
        let fits = |l: &&Sampled| {
            numbers(l.line, d, false).max(if d == ',' { 0 } else { numbers(l.line, d, true) }) >= 3
        };
        lines.iter().filter(fits).count()
    };
    // Neither of these stands within a number or between words.
    if let Some(d) = [';', '\t'].into_iter().find(|&d| rows(d) > 0) {
        return Ok(d);
    }
    let (spaces, commas) = (rows(' '), rows(','));
    if spaces == 0 && commas == 0 {
        return unclear(format!(
            "line {} and those after it hold no three numbers between spaces, tabs, commas or semicolons: state `skip=` if the points begin later",
            lines[0].number
        ));
    }
    match spaces.cmp(&commas) {
        std::cmp::Ordering::Greater => Ok(' '),
        std::cmp::Ordering::Less => Ok(','),
        std::cmp::Ordering::Equal => unclear(
            "the columns may be separated by spaces or by commas: state `delimiter=space` or `delimiter=comma`".into(),
        ),
    }
}

fn decimal_comma(lines: &[Sampled], delimiter: char) -> Result<bool, ReadError> {
    if delimiter == ',' {
        return Ok(false);
    }
    let (mut comma, mut point) = (None, None);
    for l in lines {
        for field in split(l.line, delimiter) {
            if field.contains(&b',') && value(field, true).is_some() {
                comma = comma.or(Some(l.number));
            } else if field.contains(&b'.') && value(field, false).is_some() {
                point = point.or(Some(l.number));
            }
        }
    }
    match (comma, point) {
        (Some(comma), Some(point)) => unclear(format!(
            "line {comma} has a decimal comma and line {point} a decimal point: write one kind of numbers"
        )),
        (comma, _) => Ok(comma.is_some()),
    }
}

/// Whether every row may be half as many numbers with decimal commas.
fn may_be_decimals(rows: &[Sampled], width: usize) -> bool {
    let whole = |f: &&[u8]| f.iter().all(|b| b.is_ascii_digit() || matches!(b, b'+' | b'-'));
    width >= 6 && width.is_multiple_of(2) && rows.iter().all(|l| split(l.line, ',').iter().all(whole))
}

/// What stands before the rows: at most one heading and one count of the points.
fn head_lines<'s, 'a>(
    head: &'s [Sampled<'a>],
    delimiter: char,
    first_row: u64,
) -> Result<(Option<&'s Sampled<'a>>, Option<u64>), ReadError> {
    let (mut heading, mut count) = (None, None);
    for l in head {
        let fields = split(l.line, delimiter);
        let whole = std::str::from_utf8(l.line.trim_ascii()).ok().and_then(|t| t.parse().ok());
        if let (None, Some(announced)) = (count, whole) {
            count = Some(announced);
        } else if heading.is_none() && whole.is_none() && fields.iter().any(|f| value(f, true).is_none()) {
            heading = Some(l);
        } else {
            return unclear(format!(
                "line {} is neither points nor one heading or one count before them: state `skip={}` and the columns, such as `x y z`",
                l.number,
                first_row - 1
            ));
        }
    }
    Ok((heading, count))
}

/// The columns that a heading names; `None` when it has another number of names.
fn names(line: &[u8], delimiter: char, width: usize) -> Option<Vec<Column>> {
    let line = comment(line).unwrap_or(line);
    let mut found = split(line, delimiter);
    if found.len() != width {
        found = split(line, ' ');
    }
    // A unit set apart.
    found.retain(|f| !f.starts_with(b"[") && !f.starts_with(b"("));
    (found.len() == width).then(|| found.into_iter().map(named).collect())
}

fn named(field: &[u8]) -> Column {
    let text = String::from_utf8_lossy(field).to_lowercase();
    let text = text.split(['[', '(']).next().unwrap_or_default();
    let name = text.trim_matches(|c: char| !c.is_alphanumeric()).replace([' ', '-', '.'], "_");
    let bare = ["_mm", "_cm", "_um", "_m", "_inch", "_in"].iter().find_map(|unit| name.strip_suffix(unit));
    match bare.unwrap_or(&name) {
        "x" | "px" | "pos_x" | "x_pos" | "position_x" | "point_x" | "x_coordinate" => Column::X,
        "y" | "py" | "pos_y" | "y_pos" | "position_y" | "point_y" | "y_coordinate" => Column::Y,
        "z" | "pz" | "pos_z" | "z_pos" | "position_z" | "point_z" | "z_coordinate" => Column::Z,
        "nx" | "n_x" | "normal_x" | "x_normal" | "normalx" | "normals_x" => Column::Nx,
        "ny" | "n_y" | "normal_y" | "y_normal" | "normaly" | "normals_y" => Column::Ny,
        "nz" | "n_z" | "normal_z" | "z_normal" | "normalz" | "normals_z" => Column::Nz,
        "intensity" | "reflectance" | "reflectivity" => Column::Intensity,
        _ => Column::Other,
    }
}

/// How far from 1 the length of a normal written to three decimals may be: three times half a thousandth,
/// and a little.
const UNIT_WITHIN: f64 = 2e-3;
/// Fewer rows show nothing.
const LEAST_ROWS: usize = 3;

/// Columns that nothing names: the first three are x, y, z; three that are of unit length in every row are
/// the normal.
fn by_look(
    rows: &[Sampled],
    delimiter: char,
    decimal_comma: bool,
    width: usize,
    notes: &mut Vec<String>,
) -> Result<Vec<Column>, ReadError> {
    let mut columns = vec![Column::Other; width];
    columns[..3].copy_from_slice(&[Column::X, Column::Y, Column::Z]);
    let table: Vec<Vec<Option<f64>>> = rows
        .iter()
        .map(|l| split(l.line, delimiter).iter().map(|f| value(f, decimal_comma)).collect())
        .collect();
    if table[0][..3].iter().any(Option::is_none) {
        return unclear(format!(
            "line {} does not begin with three numbers: {SUCH_AS}, with - for columns to pass over",
            rows[0].number
        ));
    }
    let of_unit_length = |c: usize| {
        let mut units = 0;
        let all = table.iter().all(|row| {
            let Some(&[Some(a), Some(b), Some(c)]) = row.get(c..c + 3) else { return false };
            let length = (a * a + b * b + c * c).sqrt();
            let unit = (length - 1.0).abs() <= UNIT_WITHIN;
            units += usize::from(unit);
            // A normal that is not known is written as zero or as no number.
            unit || length == 0.0 || length.is_nan()
        });
        all && 2 * units > table.len()
    };
    if width >= 6 && table.len() >= LEAST_ROWS {
        let places: Vec<usize> = (3..=width - 3).filter(|&c| of_unit_length(c)).collect();
        match places[..] {
            [] => {}
            [c] => columns[c..c + 3].copy_from_slice(&[Column::Nx, Column::Ny, Column::Nz]),
            [a, b, ..] => {
                return unclear(format!(
                    "the columns from {} and from {} may both be normals: {SUCH_AS}",
                    a + 1,
                    b + 1
                ));
            }
        }
    }
    let ignored: Vec<String> = columns
        .iter()
        .enumerate()
        .filter(|(_, c)| **c == Column::Other)
        .map(|(i, _)| (i + 1).to_string())
        .take(20)
        .collect();
    if !ignored.is_empty() {
        notes.push(format!(
            "columns not read, since nothing says what they hold: {}; {SUCH_AS}, if they matter",
            ignored.join(", ")
        ));
    }
    Ok(columns)
}

/// Lines that may be points: an upper bound, by counting.
pub(super) fn most_points(bytes: &[u8], found: &TextFound) -> u64 {
    let lines = |piece: &[u8]| Lines::from(piece, 0, 0).filter(|line| !is_silent(line)).count();
    pieces::sum(bytes, &pieces::cut(bytes, found.at, |_| true), lines) as u64
}
