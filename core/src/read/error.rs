//! Why a file could not be read, where, and what to do about it.

use std::fmt;

use crate::run::Stopped;

/// Where in a file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Place {
    /// Bytes from the beginning, the first is 0.
    Byte(u64),
    /// Lines of a text file, the first is 1.
    Line(u64),
}

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Place::Byte(n) => write!(f, "byte {n}"),
            Place::Line(n) => write!(f, "line {n}"),
        }
    }
}

/// Why a file could not be read. Vertices and faces count from 0, as in the file's own indices.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum ReadError {
    /// No bytes at all.
    #[error("the file is empty (0 bytes): export it again")]
    Empty,
    /// None of the formats.
    #[error(
        "the file's {bytes} bytes are none of the formats read: PLY begins with `ply`, ascii STL with `solid`, E57 with `ASTM-E57`, OBJ has lines `v x y z`, text files have three or more numbers a line (UTF-8), gzip and zip may hold one of them; export one of these, or state the columns of a text file"
    )]
    NoFormat {
        /// Length of the file.
        bytes: u64,
    },
    /// No text and none of the other formats, and not as long as a binary STL would be.
    #[error(
        "the file begins like none of PLY, ascii STL, OBJ, E57 and text; as a binary STL, byte 80 would announce {triangles} triangles in {needed} bytes, but it has {bytes}: it is cut short, padded, or of another format; send a whole PLY, STL, OBJ, E57 or text file"
    )]
    UnknownFormat {
        /// Length of the file.
        bytes: u64,
        /// Triangles that a binary STL would have.
        triangles: u64,
        /// Length that a binary STL would have.
        needed: u64,
    },
    /// Text in a wide encoding.
    #[error("the file is text in UTF-16: save it as UTF-8 (or plain ASCII) and send it again")]
    Utf16,
    /// Columns were stated for a file that has none.
    #[error(
        "columns are stated, but the file is {format}, which tells them itself: leave them out, or send the text file that was meant"
    )]
    LayoutNotNeeded {
        /// What the file is.
        format: &'static str,
    },
    /// A text file that can be read in more than one way, or in none.
    #[error("{problem}")]
    Unclear {
        /// What is unclear and what to state.
        problem: String,
    },
    /// A packed file that cannot be unpacked.
    #[error("the {packing} file {problem}")]
    Packed {
        /// `gzip` or `zip`.
        packing: &'static str,
        /// What is wrong and what to do.
        problem: String,
    },
    /// A packed file in a packed file.
    #[error("the packed file holds another packed file: pack the scan once only")]
    Nested,
    /// A packed file that unpacks to more than is allowed.
    #[error(
        "the packed file unpacks to more than the {limit} bytes allowed: thin the scan or raise the limit on file size"
    )]
    UnpacksTooLarge {
        /// Most bytes allowed.
        limit: u64,
    },
    /// A zip with none or several files that could be meant.
    #[error("the zip file must hold one file to read, but {readable} of its {} can be read ({}): pack the scan alone", names.len(), listed(names))]
    NotOneFile {
        /// How many of them can be read.
        readable: usize,
        /// What it holds.
        names: Vec<String>,
    },
    /// A fault in an E57 file.
    #[error("E57, {at}: {problem}")]
    BadE57 {
        /// Where it stands.
        at: Place,
        /// What is wrong and what to do.
        problem: String,
    },
    /// More bytes than allowed.
    #[error(
        "the file has {bytes} bytes, more than the {limit} allowed: thin the scan or raise the limit on file size"
    )]
    FileTooLarge {
        /// Length of the file.
        bytes: u64,
        /// Most bytes allowed.
        limit: u64,
    },
    /// More points or triangles than allowed.
    #[error(
        "the file holds {count} {what} or more, and {limit} are allowed: thin it out, or cut it down to the part"
    )]
    TooMany {
        /// Points or triangles.
        what: &'static str,
        /// How many.
        count: u64,
        /// Most allowed.
        limit: u64,
    },
    /// Counts that the bytes cannot hold.
    #[error(
        "the header announces at least {needed} bytes of data but {left} follow it (from {at}): the file is cut short or its counts are wrong; send the whole file"
    )]
    Promised {
        /// Where the data begin.
        at: Place,
        /// Least bytes for what is announced.
        needed: u64,
        /// Bytes there are.
        left: u64,
    },
    /// The file ends early.
    #[error("the file ends at {at}, inside {what}: it is cut short; send the whole file")]
    Truncated {
        /// Where it ends.
        at: Place,
        /// What was being read.
        what: &'static str,
    },
    /// More data than announced.
    #[error(
        "{bytes} bytes follow the announced data at {at}: header and data do not belong together; export the file again"
    )]
    Trailing {
        /// Where the rest begins.
        at: Place,
        /// How long it is.
        bytes: u64,
    },
    /// A fault in the header of a PLY file.
    #[error("header line {line}: {problem}")]
    BadHeader {
        /// Line, from 1.
        line: u64,
        /// What is wrong and what would be right.
        problem: String,
    },
    /// A fault in a line of a text file.
    #[error("line {line}: {problem}")]
    BadLine {
        /// Line, from 1.
        line: u64,
        /// What is wrong and what would be right.
        problem: String,
    },
    /// A list with fewer than no items.
    #[error(
        "a list at {at} has a negative length: header and data do not belong together; export the file again"
    )]
    NegativeLength {
        /// Where its length stands.
        at: Place,
    },
    /// The data of a binary file are text.
    #[error(
        "the header promises binary data, but text follows at {at}: correct the `format` line to ascii or export the file again"
    )]
    TextInsteadOfBinary {
        /// Where the data begin.
        at: Place,
    },
    /// NaN or infinity.
    #[error(
        "vertex {vertex} (from 0) at {at} has a coordinate that is not a finite number: leave such points out when exporting"
    )]
    NotFinite {
        /// Number of the vertex; in an STL number of the corner.
        vertex: u64,
        /// Where it stands.
        at: Place,
    },
    /// A corner beyond the vertices.
    #[error(
        "face {face} (from 0) at {at} names vertex {vertex}, but the vertices are 0 to {}: export the file again",
        vertices.saturating_sub(1)
    )]
    IndexOutOfRange {
        /// Number of the face.
        face: u64,
        /// The number it names.
        vertex: i64,
        /// How many vertices there are.
        vertices: usize,
        /// Where it stands.
        at: Place,
    },
    /// A face that is none.
    #[error("face {face} (from 0) at {at} has {corners} corners and needs at least 3: export triangles only")]
    FewCorners {
        /// Number of the face.
        face: u64,
        /// How many it has.
        corners: usize,
        /// Where it stands.
        at: Place,
    },
    /// Nothing to measure.
    #[error("the file holds no points: check what was exported")]
    NoPoints,
    /// The caller asked to stop.
    #[error(transparent)]
    Stopped(#[from] Stopped),
}

/// The first few names.
fn listed(names: &[String]) -> String {
    let mut text = names.iter().take(8).map(String::as_str).collect::<Vec<_>>().join(", ");
    if names.len() > 8 {
        text.push_str(", ...");
    }
    text
}
