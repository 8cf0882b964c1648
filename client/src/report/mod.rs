//! Messages as text for people: pure functions, no file, no terminal.

pub(crate) mod calls;
pub(crate) mod evaluations;
#[cfg(feature = "embedded")]
pub(crate) mod faces;
pub(crate) mod inspection;
pub(crate) mod instrument;
pub(crate) mod number;
pub(crate) mod part;
pub(crate) mod plan;
pub(crate) mod record;
mod requirement;
#[cfg(feature = "embedded")]
pub(crate) mod scan;
pub(crate) mod self_check;

use comfy_table::{Attribute, Cell, CellAlignment, ColumnConstraint, ContentArrangement, Table, presets};

/// How text may look.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Look {
    /// Columns there are for sentences.
    pub(crate) width: usize,
    /// Columns there are for tables; `None` where nothing limits them, as in a pipe.
    pub(crate) table_width: Option<usize>,
    /// Whether weight may be added to what must not be overlooked. Nothing is told by weight alone.
    pub(crate) bold: bool,
}

/// Text from outside as it may be put on a terminal, on one line: what would move the cursor, change colours, end a
/// line, hide or turn text is written out. Everything that is printed for people goes through this or [`lines`].
pub(crate) fn printable(text: &str) -> String {
    written_out(text, |_| false)
}

/// The same of several lines.
pub(crate) fn lines(text: &str) -> String {
    written_out(text, |c| c == '\n')
}

fn written_out(text: &str, kept: impl Fn(char) -> bool) -> String {
    let mut shown = String::with_capacity(text.len());
    for c in text.chars() {
        // The last ones turn the direction of text, or have no width (Unicode Standard Annex 9, section 2).
        let unseen = matches!(
            c,
            '\u{200b}' | '\u{200e}' | '\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2060}'..='\u{2069}' | '\u{feff}'
        );
        if !kept(c) && (c.is_control() || unseen) {
            shown.extend(c.escape_unicode());
        } else {
            shown.push(c);
        }
    }
    shown
}

/// One cell of a table.
pub(crate) struct Entry {
    text: String,
    number: bool,
    strong: bool,
    whole: bool,
}

impl Entry {
    /// What is in it.
    pub(crate) fn text(&self) -> &str {
        &self.text
    }
}

/// Words.
pub(crate) fn words(text: impl Into<String>) -> Entry {
    Entry { text: text.into(), number: false, strong: false, whole: false }
}

/// A number, set to the right.
pub(crate) fn number(text: impl Into<String>) -> Entry {
    Entry { text: text.into(), number: true, strong: false, whole: false }
}

/// Words that must not be overlooked.
pub(crate) fn strong(text: impl Into<String>) -> Entry {
    Entry { text: text.into(), number: false, strong: true, whole: false }
}

/// An id, which is of use only when it can be copied: its column is never broken.
pub(crate) fn whole(text: impl Into<String>) -> Entry {
    Entry { text: text.into(), number: false, strong: false, whole: true }
}

/// A table without lines; ends in a newline.
pub(crate) fn table(head: &[&str], rows: Vec<Vec<Entry>>, look: &Look) -> String {
    let mut table = Table::new();
    table.load_style(presets::NOTHING);
    match look.table_width {
        Some(width) => table
            .set_content_arrangement(ContentArrangement::Dynamic)
            .set_width(u16::try_from(width).unwrap_or(u16::MAX)),
        None => table.set_content_arrangement(ContentArrangement::Disabled),
    };
    if look.bold {
        table.enforce_styling();
    } else {
        table.force_no_tty();
    }
    let numbers: Vec<bool> = (0..head.len()).map(|k| rows.first().is_some_and(|row| row[k].number)).collect();
    let unbroken: Vec<bool> = (0..head.len()).map(|k| rows.first().is_some_and(|row| row[k].whole)).collect();
    let cell = |text: String, number: bool| {
        Cell::new(text).set_alignment(if number { CellAlignment::Right } else { CellAlignment::Left })
    };
    table.set_header(
        head.iter().zip(&numbers).map(|(text, n)| cell((*text).to_owned(), *n)).collect::<Vec<_>>(),
    );
    for row in rows {
        table.add_row(
            row.into_iter()
                .map(|entry| {
                    let cell = cell(printable(&entry.text), entry.number);
                    if entry.strong && look.bold { cell.add_attribute(Attribute::Bold) } else { cell }
                })
                .collect::<Vec<_>>(),
        );
    }
    for (k, (column, unbroken)) in table.column_iter_mut().zip(unbroken).enumerate() {
        column.set_padding((0, if k + 1 < head.len() { 2 } else { 0 }));
        if unbroken {
            column.set_constraint(ColumnConstraint::ContentWidth);
        }
    }
    table.trim_fmt() + "\n"
}

/// A word and what it stands for, one line each, aligned; lines without a value are left out. Ends in a
/// newline.
pub(crate) fn facts(lines: &[(&str, String)], look: &Look) -> String {
    let column = lines.iter().map(|(word, _)| word.chars().count()).max().unwrap_or(0) + 2;
    let mut text = String::new();
    for (word, value) in lines.iter().filter(|(_, value)| !value.is_empty()) {
        let mut first = true;
        for line in wrap(value, look.width.saturating_sub(column).max(20)) {
            let word = if first { *word } else { "" };
            text.push_str(&format!("{word:column$}{line}"));
            text.truncate(text.trim_end().len());
            text.push('\n');
            first = false;
        }
    }
    text
}

/// Lines of at most `width` characters, broken between words; a longer word stands alone.
pub(crate) fn wrap(text: &str, width: usize) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in printable(text).split_whitespace() {
        match lines.last_mut() {
            Some(line) if line.chars().count() + 1 + word.chars().count() <= width => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(word.to_owned()),
        }
    }
    lines
}

/// The day in UTC; `-` for none.
pub(crate) fn day(timestamp: Option<&prost_types::Timestamp>) -> String {
    time(timestamp).split(' ').next().unwrap_or("-").to_owned()
}

/// UTC, to the second; `-` for none.
pub(crate) fn time(timestamp: Option<&prost_types::Timestamp>) -> String {
    match timestamp {
        Some(t) => {
            let whole = prost_types::Timestamp { seconds: t.seconds, nanos: 0 };
            whole.to_string().replace('T', " ")
        }
        None => "-".to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    pub(crate) const PLAIN: Look = Look { width: 100, table_width: Some(100), bold: false };

    #[test]
    fn a_table_has_no_trailing_blanks_and_sets_numbers_to_the_right() {
        let rows = vec![vec![words("a"), number("1.5")], vec![words("bcd"), number("10.25")]];
        assert_eq!(table(&["what", "mm"], rows, &PLAIN), "what     mm\na       1.5\nbcd   10.25\n");
    }

    #[test]
    fn nothing_from_outside_moves_the_cursor_or_hides_text() {
        let hostile = "a\u{1b}[31mred\u{7}\nnext\u{202e}back\u{200b}\u{9b}2J";
        for text in [
            table(&["what"], vec![vec![words(hostile)]], &PLAIN),
            facts(&[("why", hostile.to_owned())], &PLAIN),
            printable(hostile),
            lines(hostile),
        ] {
            let unseen = |c: char| (c.is_control() && c != '\n') || "\u{202e}\u{200b}".contains(c);
            assert!(!text.contains(unseen) && text.contains("\\u{1b}[31mred"), "{text:?}");
        }
        assert_eq!(printable("a\nb").lines().count(), 1);
        assert_eq!(lines("Stra\u{df}e\nb"), "Stra\u{df}e\nb");
    }

    #[test]
    fn where_nothing_limits_it_a_table_keeps_each_row_on_one_line() {
        let long = "a title that is longer than any terminal ".repeat(4);
        let rows = || vec![vec![words(long.trim()), number("1")]];
        let narrow = Look { width: 100, table_width: Some(60), bold: false };
        let pipe = Look { width: 100, table_width: None, bold: false };
        assert!(table(&["what", "n"], rows(), &narrow).lines().count() > 2);
        assert_eq!(table(&["what", "n"], rows(), &pipe).lines().count(), 2);
    }

    #[test]
    fn facts_are_aligned_and_wrapped() {
        let look = Look { width: 30, table_width: Some(30), bold: false };
        let lines = [
            ("verdict", "CONFORMS".to_owned()),
            ("none", String::new()),
            ("why", "one two three four five six".into()),
        ];
        assert_eq!(
            facts(&lines, &look),
            "verdict  CONFORMS\nwhy      one two three four\n         five six\n"
        );
    }

    #[test]
    fn a_time_is_in_utc() {
        // 2000-01-01 is day 10,957 of the epoch.
        let time_of = prost_types::Timestamp { seconds: 10_957 * 86_400 + 61, nanos: 5 };
        assert_eq!(time(Some(&time_of)), "2000-01-01 00:01:01Z");
        assert_eq!(time(None), "-");
    }
}
