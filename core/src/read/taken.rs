//! Scans in the precision that their files have, decoded as the bytes come where the format allows it.

use std::io::{self, Read, Seek, SeekFrom};

use super::{Format, RawScan, ReadError, Source, TextLayout, ply, ply_rows, read_with, sniff_start};
use crate::run::{Run, Stage, Stopped};

/// What a file of points holds, in the precision that it has.
#[derive(Clone, Debug, PartialEq)]
pub enum Taken {
    /// In double numbers.
    Raw(RawScan),
    /// Points without triangles, in single numbers.
    Single {
        /// Points; all finite.
        points: Vec<[f32; 3]>,
        /// As in [`RawScan::normals`].
        normals: Option<Vec<[f32; 3]>>,
        /// What else the file tells.
        source: Source,
    },
}

impl Taken {
    /// What the file tells beside its points.
    pub fn source(&self) -> &Source {
        match self {
            Self::Raw(raw) => &raw.source,
            Self::Single { source, .. } => source,
        }
    }

    /// How many points there are.
    pub fn points(&self) -> usize {
        match self {
            Self::Raw(raw) => raw.points.len(),
            Self::Single { points, .. } => points.len(),
        }
    }
}

impl From<RawScan> for Taken {
    fn from(raw: RawScan) -> Self {
        Self::Raw(raw)
    }
}

/// Why nothing was taken in.
#[derive(Debug, thiserror::Error)]
pub enum TakeError {
    /// The bytes could not be had.
    #[error("the file could not be read: {0}")]
    Io(#[from] io::Error),
    /// They could, and are refused.
    #[error(transparent)]
    Refused(#[from] ReadError),
}

/// Bytes that surely hold the header of a file of points.
const START: u64 = 1 << 16;
/// Bytes that are decoded while the next ones come.
const BLOCK: usize = 1 << 20;

/// [`read_with`], in the precision that the file has: a large scan of single numbers takes half the memory.
pub fn take(bytes: &[u8], layout: &TextLayout, run: &Run) -> Result<Taken, ReadError> {
    // Bytes in memory always come.
    match as_it_comes(&mut io::Cursor::new(bytes), bytes.len() as u64, layout, run) {
        Ok(Some(taken)) => Ok(taken),
        Err(TakeError::Refused(error)) => Err(error),
        Ok(None) | Err(TakeError::Io(_)) => read_with(bytes, layout, run).map(Taken::Raw),
    }
}

/// [`take`] of a file from its beginning. Of a binary PLY file of points in single numbers the bytes are never all in
/// memory; any other is read whole first.
pub fn take_from(
    file: &mut (impl Read + Seek + Send),
    layout: &TextLayout,
    run: &Run,
) -> Result<Taken, TakeError> {
    let length = file.seek(SeekFrom::End(0))?;
    if length > run.limits.file_bytes {
        return Err(ReadError::FileTooLarge { bytes: length, limit: run.limits.file_bytes }.into());
    }
    file.rewind()?;
    if let Some(taken) = as_it_comes(file, length, layout, run)? {
        return Ok(taken);
    }
    file.rewind()?;
    let mut bytes = Vec::with_capacity(usize::try_from(length).unwrap_or(0));
    file.read_to_end(&mut bytes)?;
    Ok(read_with(&bytes, layout, run).map(Taken::Raw)?)
}

/// `None` of a file that must be read whole, to be taken in or to be told what is wrong with it.
fn as_it_comes(
    file: &mut (impl Read + Seek + Send),
    length: u64,
    layout: &TextLayout,
    run: &Run,
) -> Result<Option<Taken>, TakeError> {
    let stopped = |s: Stopped| TakeError::Refused(s.into());
    if length > run.limits.file_bytes || *layout != TextLayout::default() {
        return Ok(None);
    }
    run.check().map_err(stopped)?;
    let mut start = Vec::new();
    file.by_ref().take(START.min(length)).read_to_end(&mut start)?;
    if sniff_start(&start, length) != Some(Format::Ply) {
        return Ok(None);
    }
    let Some((body, count, rows)) = ply::single_rows(&start, length, run) else { return Ok(None) };
    run.tell(Stage::Read, 0.0);
    file.seek(SeekFrom::Start(body as u64))?;
    let Some((points, normals)) = decoded(file, count, &rows, run)? else { return Ok(None) };
    run.tell(Stage::Read, 1.0);
    let source = Source { format: Some(Format::Ply), ..Source::default() };
    Ok(Some(Taken::Single { points, normals, source }))
}

/// `None` where a place is not finite.
fn decoded(
    file: &mut (impl Read + Send),
    count: usize,
    rows: &ply_rows::SingleRows,
    run: &Run,
) -> Result<Option<ply_rows::Singles>, TakeError> {
    let block = (BLOCK / rows.stride).max(1) * rows.stride;
    // The file is as long as its header says, so this is no more than its length.
    let mut all = rows.room(count);
    let mut left = count * rows.stride;
    let (mut now, mut next) = (vec![0; block.min(left)], vec![0; block.min(left)]);
    let mut size = now.len();
    file.read_exact(&mut now)?;
    while size > 0 {
        run.check().map_err(|s| TakeError::Refused(s.into()))?;
        left -= size;
        let coming = &mut next[..block.min(left)];
        let (came, good) = rayon::join(|| file.read_exact(coming), || rows.add(&now[..size], &mut all));
        came?;
        if !good {
            return Ok(None);
        }
        size = block.min(left);
        std::mem::swap(&mut now, &mut next);
    }
    Ok(Some(all))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::random::Random;
    use crate::run::{Limits, quiet};

    /// A file of so many points, with normals, whose coordinates are made by `place`.
    fn ply(count: usize, big: bool, place: impl Fn(usize) -> [f32; 3]) -> Vec<u8> {
        let order = if big { "big" } else { "little" };
        let mut bytes = format!(
            "ply\nformat binary_{order}_endian 1.0\nelement vertex {count}\nproperty float x\nproperty float y\n\
             property float z\nproperty uchar shade\nproperty float nx\nproperty float ny\nproperty float nz\n\
             end_header\n"
        )
        .into_bytes();
        for i in 0..count {
            let number = |c: f32| if big { c.to_be_bytes() } else { c.to_le_bytes() };
            place(i).iter().for_each(|c| bytes.extend(number(*c)));
            bytes.push(7);
            [0.0, f32::NAN, 1.0]
                .iter()
                .take(if i == 3 { 3 } else { 0 })
                .for_each(|c| bytes.extend(number(*c)));
            if i != 3 {
                [0.6, 0.0, 0.8].iter().for_each(|c: &f32| bytes.extend(number(*c)));
            }
        }
        bytes
    }

    fn both(bytes: &[u8], run: &Run) -> (Result<Taken, ReadError>, Result<Taken, TakeError>) {
        let layout = TextLayout::default();
        (take(bytes, &layout, run), take_from(&mut io::Cursor::new(bytes), &layout, run))
    }

    #[test]
    fn single_numbers_come_as_the_reader_of_whole_files_has_them() {
        let mut random = Random::seeded(3);
        // Several blocks, the last one short.
        let count = 2 * BLOCK / 25 + 17;
        let places: Vec<[f32; 3]> =
            (0..count).map(|_| std::array::from_fn(|_| random.range(-9e3, 9e3) as f32)).collect();
        for big in [false, true] {
            let bytes = ply(count, big, |i| places[i]);
            let whole = read_with(&bytes, &TextLayout::default(), &quiet()).unwrap();
            let (at_once, as_it_comes) = both(&bytes, &quiet());
            assert_eq!(at_once.as_ref().unwrap(), &as_it_comes.unwrap());
            let Taken::Single { points, normals: Some(normals), source } = at_once.unwrap() else { panic!() };
            assert_eq!(points, places);
            assert_eq!(normals[3], [0.0; 3], "what is no number is no direction");
            assert_eq!(source, whole.source);
            let wide = |rows: &[[f32; 3]]| rows.iter().map(|r| r.map(f64::from)).collect::<Vec<_>>();
            assert_eq!(wide(&points), whole.points.iter().map(|p| [p.x, p.y, p.z]).collect::<Vec<_>>());
            let ways = whole.normals.unwrap();
            assert_eq!(wide(&normals), ways.iter().map(|n| [n.x, n.y, n.z]).collect::<Vec<_>>());
        }
    }

    #[test]
    fn what_is_wrong_is_told_as_of_a_whole_file() {
        let good = ply(4000, false, |i| [i as f32, 0.0, 1.0]);
        let strange = ply(4000, false, |i| [i as f32, if i == 3900 { f32::NAN } else { 0.0 }, 1.0]);
        let few = Run { limits: Limits { points: 3999, ..Limits::default() }, ..quiet() };
        let small = Run { limits: Limits { file_bytes: 1000, ..Limits::default() }, ..quiet() };
        let none = ply(0, false, |_| [0.0; 3]);
        let cases: [(&[u8], Run); 6] = [
            (&good[..good.len() - 1], quiet()),
            (&strange, quiet()),
            (&good, few),
            (&good, small),
            (&none, quiet()),
            (b"", quiet()),
        ];
        for (bytes, run) in &cases {
            let expected = read_with(bytes, &TextLayout::default(), run).unwrap_err().to_string();
            let (at_once, as_it_comes) = both(bytes, run);
            assert_eq!(at_once.unwrap_err().to_string(), expected);
            assert_eq!(as_it_comes.unwrap_err().to_string(), expected);
        }
    }

    #[test]
    fn other_files_are_read_whole_and_a_file_that_cannot_be_read_is_told() {
        let text = b"1 2 3\n4 5 6\n7 8 9\n";
        let (at_once, as_it_comes) = both(text, &quiet());
        assert_eq!(at_once.unwrap(), as_it_comes.unwrap());
        struct Broken(io::Cursor<Vec<u8>>);
        impl Read for Broken {
            fn read(&mut self, to: &mut [u8]) -> io::Result<usize> {
                if self.0.position() > 70_000 {
                    Err(io::Error::other("a bad sector"))
                } else {
                    self.0.read(to)
                }
            }
        }
        impl Seek for Broken {
            fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
                self.0.seek(to)
            }
        }
        let bytes = ply(100_000, false, |i| [i as f32, 0.0, 1.0]);
        let found = take_from(&mut Broken(io::Cursor::new(bytes)), &TextLayout::default(), &quiet());
        assert!(matches!(&found, Err(TakeError::Io(e)) if e.to_string() == "a bad sector"), "{found:?}");
        let stop = std::sync::atomic::AtomicBool::new(true);
        let bytes = ply(10, false, |i| [i as f32, 0.0, 1.0]);
        let run = Run { stop: &stop, ..quiet() };
        assert!(matches!(both(&bytes, &run).0, Err(ReadError::Stopped(_))));
    }
}
