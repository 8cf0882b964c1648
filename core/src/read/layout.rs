//! How a text file of points is laid out, where it is stated rather than found.

use std::fmt;
use std::str::FromStr;

/// What a column of a text file holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Column {
    /// Coordinate along x, in the file's unit.
    X,
    /// Coordinate along y.
    Y,
    /// Coordinate along z.
    Z,
    /// Component of the normal along x.
    Nx,
    /// Component of the normal along y.
    Ny,
    /// Component of the normal along z.
    Nz,
    /// Strength of the returned light, in any unit.
    Intensity,
    /// Anything else; not read.
    Other,
}

impl Column {
    /// The word for it in a stated layout.
    pub fn word(self) -> &'static str {
        match self {
            Column::X => "x",
            Column::Y => "y",
            Column::Z => "z",
            Column::Nx => "nx",
            Column::Ny => "ny",
            Column::Nz => "nz",
            Column::Intensity => "intensity",
            Column::Other => "-",
        }
    }

    pub(super) const NAMED: [Column; 7] =
        [Column::X, Column::Y, Column::Z, Column::Nx, Column::Ny, Column::Nz, Column::Intensity];
}

/// What is stated about a text file of points; what is `None` is found in the file. The default states
/// nothing.
///
/// Written as one short text, for a command line, a form or a message: the columns in their order, `x y z
/// nx ny nz intensity`, each once, `-` for a column to pass over; columns after the last one named are
/// passed over too. Before them, if need be, `delimiter=` with `space`, `tab`, `comma` or `semicolon`, and
/// `skip=` with the number of lines before the data.
///
/// ```
/// use scantling_core::read::{Column, TextLayout};
/// let layout = TextLayout::parse("delimiter=semicolon skip=2 - x y z")?;
/// assert_eq!(layout.delimiter, Some(';'));
/// assert_eq!(layout.skip_lines, Some(2));
/// assert_eq!(layout.columns, Some(vec![Column::Other, Column::X, Column::Y, Column::Z]));
/// assert_eq!(TextLayout::parse("")?, TextLayout::default());
/// # Ok::<(), scantling_core::read::LayoutError>(())
/// ```
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct TextLayout {
    /// `' '` (any white space), `'\t'`, `','` or `';'`.
    pub delimiter: Option<char>,
    /// What each column holds, from the first.
    pub columns: Option<Vec<Column>>,
    /// Lines before the data, whatever they hold.
    pub skip_lines: Option<usize>,
}

/// Why a text states no layout.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum LayoutError {
    /// A word that means nothing here.
    #[error(
        "`{0}` is no column: write x, y, z, nx, ny, nz, intensity or -, with delimiter=space|tab|comma|semicolon or skip=LINES before them if need be"
    )]
    Unknown(String),
    /// A column named twice.
    #[error("the column {0} is named twice")]
    Twice(&'static str),
    /// Coordinates or normals are not whole.
    #[error("the columns name {have} but not {missing}: name all three")]
    Incomplete {
        /// A column that is named.
        have: &'static str,
        /// One that is not.
        missing: &'static str,
    },
    /// No coordinates among the columns.
    #[error("the columns name no x, y and z: name all three")]
    NoCoordinates,
    /// More columns than a line of text can be taken for.
    #[error("{0} columns are stated and {MOST_COLUMNS} are the most")]
    TooMany(usize),
}

/// No text file of points has more columns.
pub(super) const MOST_COLUMNS: usize = 1000;

/// The words for delimiters.
const DELIMITERS: [(&str, char); 4] = [("space", ' '), ("tab", '\t'), ("comma", ','), ("semicolon", ';')];

/// The word for a delimiter.
pub(super) fn delimiter_word(delimiter: char) -> &'static str {
    DELIMITERS.iter().find(|(_, c)| *c == delimiter).map_or("space", |(word, _)| word)
}

impl TextLayout {
    /// Reads the short text described at the type.
    pub fn parse(text: &str) -> Result<Self, LayoutError> {
        let mut layout = Self::default();
        let mut columns = Vec::new();
        for word in text.split(|c: char| c.is_whitespace() || c == ',').filter(|w| !w.is_empty()) {
            let unknown = || LayoutError::Unknown(word.chars().take(40).collect());
            if let Some(name) = word.strip_prefix("delimiter=") {
                let known = DELIMITERS.iter().find(|(word, _)| *word == name);
                layout.delimiter = Some(known.ok_or_else(unknown)?.1);
            } else if let Some(lines) = word.strip_prefix("skip=") {
                layout.skip_lines = Some(lines.parse().map_err(|_| unknown())?);
            } else if word == Column::Other.word() {
                columns.push(Column::Other);
            } else {
                let named = Column::NAMED.iter().find(|c| c.word().eq_ignore_ascii_case(word));
                columns.push(*named.ok_or_else(unknown)?);
            }
        }
        if !columns.is_empty() {
            check(&columns)?;
            layout.columns = Some(columns);
        }
        Ok(layout)
    }
}

/// Whether columns can be read: x, y and z once each, all or none of the normal, intensity at most once.
pub(super) fn check(columns: &[Column]) -> Result<(), LayoutError> {
    if columns.len() > MOST_COLUMNS {
        return Err(LayoutError::TooMany(columns.len()));
    }
    let count = |column: Column| columns.iter().filter(|&&c| c == column).count();
    if let Some(twice) = Column::NAMED.iter().find(|&&c| count(c) > 1) {
        return Err(LayoutError::Twice(twice.word()));
    }
    for three in [[Column::X, Column::Y, Column::Z], [Column::Nx, Column::Ny, Column::Nz]] {
        let have = three.iter().find(|&&c| count(c) == 1);
        let missing = three.iter().find(|&&c| count(c) == 0);
        if let (Some(have), Some(missing)) = (have, missing) {
            return Err(LayoutError::Incomplete { have: have.word(), missing: missing.word() });
        }
    }
    if count(Column::X) == 0 { Err(LayoutError::NoCoordinates) } else { Ok(()) }
}

impl FromStr for TextLayout {
    type Err = LayoutError;

    fn from_str(text: &str) -> Result<Self, LayoutError> {
        Self::parse(text)
    }
}

impl fmt::Display for TextLayout {
    /// The text that [`TextLayout::parse`] reads back.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut words = Vec::new();
        words.extend(self.delimiter.map(|d| format!("delimiter={}", delimiter_word(d))));
        words.extend(self.skip_lines.map(|n| format!("skip={n}")));
        words.extend(self.columns.iter().flatten().map(|c| c.word().to_owned()));
        f.write_str(&words.join(" "))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_written_reads_back() {
        for text in ["", "x y z", "- x y z nx ny nz intensity", "delimiter=tab skip=7 z y x", "skip=0"] {
            assert_eq!(TextLayout::parse(text).unwrap().to_string(), text);
        }
        assert_eq!(TextLayout::parse("X,Y, Z").unwrap(), TextLayout::parse("x y z").unwrap());
    }

    #[test]
    fn what_states_no_layout_is_refused() {
        let refused = |text| TextLayout::parse(text).unwrap_err();
        assert_eq!(refused("x y w"), LayoutError::Unknown("w".into()));
        assert_eq!(refused("delimiter=pipe x y z"), LayoutError::Unknown("delimiter=pipe".into()));
        assert_eq!(refused("skip=-1"), LayoutError::Unknown("skip=-1".into()));
        assert_eq!(refused("x y z x"), LayoutError::Twice("x"));
        assert_eq!(refused("x y"), LayoutError::Incomplete { have: "x", missing: "z" });
        assert_eq!(refused("x y z nx"), LayoutError::Incomplete { have: "nx", missing: "ny" });
        assert_eq!(refused("- intensity"), LayoutError::NoCoordinates);
        assert_eq!(refused(&"- ".repeat(1001)), LayoutError::TooMany(1001));
    }
}
