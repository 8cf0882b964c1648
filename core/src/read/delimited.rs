//! Points as text, one a line.

use super::find::{TextFound, fields, find, is_silent, value};
use super::ply_ascii::{check, usable};
use super::text::{Lines, shown};
use super::{Column, Place, RawScan, ReadError, Source, TextLayout, allowed, pieces};
use crate::geometry::{Point, Vector};
use crate::run::Run;

pub(super) fn read(bytes: &[u8], layout: &TextLayout, run: &Run) -> Result<RawScan, ReadError> {
    let found = find(bytes, layout)?;
    if let Some(announced) = found.announced_points {
        allowed("points", announced, run.limits.points)?;
    }
    if let Some(mut raw) = read_in_pieces(bytes, &found, run)? {
        raw.source.notes.extend(found.notes.iter().cloned());
        raw.source.text = Some(found);
        return Ok(raw);
    }
    let mut raw = RawScan::default();
    let mut normals = found.has_normals().then(Vec::new);
    let mut lines = Lines::from(bytes, found.at, found.skipped_lines);
    while let Some(line) = lines.next() {
        check(lines.line, run)?;
        if is_silent(line) {
            continue;
        }
        let row = row(line, lines.line, &found)?;
        let vertex = raw.points.len() as u64;
        if !row.place.iter().all(|c| c.is_finite()) {
            return Err(ReadError::NotFinite { vertex, at: Place::Line(lines.line) });
        }
        allowed("points", vertex + 1, run.limits.points)?;
        raw.points.push(Point::from(row.place));
        if let Some(normals) = &mut normals {
            normals.push(usable(row.normal));
        }
        raw.source.add_intensity(row.intensity);
    }
    if let Some(announced) = found.announced_points.filter(|&n| n != raw.points.len() as u64) {
        return Err(ReadError::BadLine {
            line: lines.line,
            problem: format!(
                "the file ends after {} points, but announces {announced}: it is cut short or its count is wrong; send the whole file, or state `skip={}`",
                raw.points.len(),
                found.skipped_lines
            ),
        });
    }
    raw.normals = normals;
    raw.source.notes.extend(found.notes.iter().cloned());
    raw.source.text = Some(found);
    Ok(raw)
}

/// The rows of one piece.
#[derive(Default)]
struct Rows {
    points: Vec<Point>,
    normals: Vec<Vector>,
    source: Source,
}

/// The points, read in parallel; `None` when any line has a fault, or there are too many or too few.
fn read_in_pieces(bytes: &[u8], found: &TextFound, run: &Run) -> Result<Option<RawScan>, ReadError> {
    let pieces = pieces::cut(bytes, found.at, |_| true);
    let has_normals = found.has_normals();
    // A point takes a line, and six bytes of it.
    let lines = pieces::sum(bytes, &pieces, |piece| memchr::memchr_iter(b'\n', piece).count()) + 1;
    let most = lines.min(bytes.len() / 6 + 1).min(usize::try_from(run.limits.points).unwrap_or(usize::MAX));
    let mut all = Rows {
        points: Vec::with_capacity(most),
        normals: Vec::with_capacity(if has_normals { most } else { 0 }),
        source: Source::default(),
    };
    let parse = |piece: usize| {
        let mut rows = Rows::default();
        let mut lines = Lines::from(&bytes[pieces[piece].clone()], 0, 0);
        while let Some(line) = lines.next() {
            check(lines.line, run)?;
            if is_silent(line) {
                continue;
            }
            let row = row(line, lines.line, found)?;
            if !row.place.iter().all(|c| c.is_finite()) {
                return Err(ReadError::NoPoints);
            }
            rows.points.push(Point::from(row.place));
            if has_normals {
                rows.normals.push(usable(row.normal));
            }
            rows.source.add_intensity(row.intensity);
        }
        Ok(rows)
    };
    let add = |rows: Rows| {
        all.points.extend_from_slice(&rows.points);
        all.normals.extend_from_slice(&rows.normals);
        rows.source.intensity.into_iter().flatten().for_each(|value| all.source.add_intensity(value));
        allowed("points", all.points.len() as u64, run.limits.points).is_ok()
    };
    let good = pieces::read(&pieces, parse, add, run)?;
    let announced = found.announced_points.is_none_or(|n| n == all.points.len() as u64);
    Ok((good && announced).then(|| RawScan {
        points: all.points,
        normals: has_normals.then_some(all.normals),
        source: all.source,
        ..RawScan::default()
    }))
}

struct Row {
    place: [f64; 3],
    normal: [f64; 3],
    intensity: f64,
}

fn row(line: &[u8], number: u64, found: &TextFound) -> Result<Row, ReadError> {
    let mut row = Row { place: [0.0; 3], normal: [0.0; 3], intensity: f64::NAN };
    let width = found.columns.len();
    let count = fields(line, found.delimiter, |i, field| {
        let (place, must) = match found.columns.get(i) {
            Some(Column::X) => (&mut row.place[0], true),
            Some(Column::Y) => (&mut row.place[1], true),
            Some(Column::Z) => (&mut row.place[2], true),
            Some(Column::Nx) => (&mut row.normal[0], false),
            Some(Column::Ny) => (&mut row.normal[1], false),
            Some(Column::Nz) => (&mut row.normal[2], false),
            Some(Column::Intensity) => (&mut row.intensity, false),
            Some(Column::Other) | None => return Ok(()),
        };
        *place = match value(field, found.decimal_comma) {
            Some(value) => value,
            // What is left out is not known.
            None if field.is_empty() && !must => f64::NAN,
            None => {
                let comma = if found.decimal_comma { " with a decimal comma" } else { "" };
                return Err(ReadError::BadLine {
                    line: number,
                    problem: format!("column {}, `{}`, is not a number{comma}", i + 1, shown(field)),
                });
            }
        };
        Ok(())
    })?;
    // The last field may be empty, and its delimiter be taken for the line's end.
    let open_end = found.delimiter != ' ' && line.last() == Some(&(found.delimiter as u8));
    if count != width && !(open_end && count + 1 == width) {
        return Err(ReadError::BadLine {
            line: number,
            problem: format!(
                "{count} columns where the first row has {width}: is the line cut short, or the delimiter another than {}?",
                found.delimiter_word()
            ),
        });
    }
    Ok(row)
}
