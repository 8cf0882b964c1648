//! The figures as a table in Markdown.

use std::fmt::Write;

use super::figures::{Bars, Figures, Row};
use super::part::SHARES;
use super::scanner::{Scanner, WHAT_IS_STATED};

/// The whole: each scanner, each kind, each part.
pub fn table(figures: &Figures) -> String {
    let mut text = format!(
        "{} scans of each part (seeds from {}), program {}: `{}`. Lengths in mm.\n",
        figures.scans, figures.seed, figures.program, figures.command
    );
    for scanner in [Scanner::White, Scanner::Unkind] {
        let rows: Vec<&Row> = figures.rows.iter().filter(|r| r.scanner == scanner).collect();
        if rows.is_empty() {
            continue;
        }
        write!(text, "\n### {} scanner\n\n{}", capital(scanner.word()), heads()).expect("a string grows");
        for row in &rows {
            text.push_str(&line(row));
        }
        let missed: Vec<String> = rows
            .iter()
            .flat_map(|r| {
                Bars::missed(r).into_iter().map(|(_, m)| format!("- {}, {}: {m}\n", r.kind.word(), r.part))
            })
            .collect();
        if !missed.is_empty() {
            write!(text, "\nMissed beyond chance:\n\n{}", missed.concat()).expect("a string grows");
        }
    }
    write!(text, "\n{WHAT_IS_STATED}\n").expect("a string grows");
    text
}

/// The short form: each kind on all parts together, both scanners in one table.
pub fn table_of_kinds(figures: &Figures) -> String {
    let mut text = format!("| scanner {}| --- {}", heads_of_line(), heads_of_rule());
    for scanner in [Scanner::Unkind, Scanner::White] {
        for row in figures.rows.iter().filter(|r| r.scanner == scanner && r.part == "all") {
            write!(text, "| {} {}", scanner.word(), line(row)).expect("a string grows");
        }
    }
    write!(
        text,
        "\n{} scans of each part by each scanner, seeds from {}, program {}; `{}`. {WHAT_IS_STATED}\n",
        figures.scans, figures.seed, figures.program, figures.command
    )
    .expect("a string grows");
    text
}

fn heads_of_line() -> String {
    let heads = heads();
    heads.lines().next().map_or_else(String::new, |l| format!("{l}\n"))
}

fn heads_of_rule() -> String {
    let heads = heads();
    heads.lines().nth(1).map_or_else(String::new, |l| format!("{l}\n"))
}

/// The heads of the columns.
pub(super) fn heads() -> String {
    let shares = SHARES.map(|s| format!("at {s}"));
    let heads = [
        "kind",
        "part",
        "scans",
        "bias",
        "observed deviation s",
        "median U",
        "U / 2s",
        "interval",
        "truth inside",
    ];
    let all: Vec<String> =
        heads.iter().map(|h| (*h).to_owned()).chain(shares).chain(["proven wrongly".into()]).collect();
    format!("| {} |\n|{}\n", all.join(" | "), " --- |".repeat(all.len()))
}

/// One row.
pub(super) fn line(row: &Row) -> String {
    let percent = |[held, of]: [u64; 2]| {
        if of == 0 { "-".to_owned() } else { format!("{:.1} %", 100.0 * held as f64 / of as f64) }
    };
    let missing =
        if row.not_measured > 0 { format!(" ({} not measured)", row.not_measured) } else { String::new() };
    let names = [row.kind.word().to_owned(), row.part.clone(), format!("{}{missing}", row.scans)];
    if row.scans == 0 {
        // Of nothing there are no figures.
        let dashes = std::iter::repeat_n("-".to_owned(), 7 + row.held_by_share.len());
        return format!("| {} |\n", names.into_iter().chain(dashes).collect::<Vec<_>>().join(" | "));
    }
    let mut cells = names.to_vec();
    cells.extend([
        format!("{:+.4}", row.bias_mm),
        format!("{:.4}", row.deviation_mm),
        format!("{:.4}", row.expanded_mm),
        format!("{:.2}", row.ratio),
        format!("{:.4}", row.interval_mm),
        percent([row.held, row.scans]),
    ]);
    cells.extend(row.held_by_share.iter().map(|s| percent(*s)));
    cells.push(row.proven_wrongly.to_string());
    format!("| {} |\n", cells.join(" | "))
}

fn capital(word: &str) -> String {
    let mut letters = word.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}
