//! A picture of each kind: how errors spread, and how often intervals hold the truth at each share of the limit. SVG in one
//! piece, with no font, script or file of its own.

use std::fmt::Write;

use super::binomial::limits;
use super::figures::{Bars, holds, median, whole};
use super::kept::{Line, Outcome};
use super::part::{Kind, SHARES};
use super::scanner::Scanner;

const SIZE: [f64; 2] = [720.0, 300.0];
/// Left, top, width, height of both plots.
const ERRORS: [f64; 4] = [50.0, 40.0, 290.0, 200.0];
const COVERAGE: [f64; 4] = [410.0, 40.0, 290.0, 200.0];
/// Columns of the histogram.
const COLUMNS: usize = 31;
/// Colours that are told apart with any eyes: the palette of Okabe and Ito, "Color universal design", 2008 (from memory).
const COLOURS: [&str; 4] = ["#0072B2", "#D55E00", "#009E73", "#CC79A7"];

/// Every kind and scanner that was scanned: a name for a file, and the picture.
pub fn pictures(lines: &[Line]) -> Vec<(String, String)> {
    let mut all = Vec::new();
    for scanner in [Scanner::White, Scanner::Unkind] {
        for kind in Kind::ALL {
            let of = lines.iter().filter(|l| l.scanner == scanner);
            let found: Vec<(&Line, &Outcome)> = of
                .flat_map(|l| l.outcomes.iter().filter(|o| o.kind == kind).map(move |o| (l, o)))
                .filter(|(_, o)| whole(o).is_some())
                .collect();
            if !found.is_empty() {
                let name = format!("{}_{}.svg", scanner.word(), kind.word()).replace(' ', "_");
                all.push((name, picture(scanner, kind, &found)));
            }
        }
    }
    all
}

fn picture(scanner: Scanner, kind: Kind, found: &[(&Line, &Outcome)]) -> String {
    let [width, height] = SIZE;
    let mut parts: Vec<&str> = found.iter().map(|(l, _)| l.part.as_str()).collect();
    parts.sort_unstable();
    parts.dedup();
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {width} {height}\" font-family=\"sans-serif\" font-size=\"11\">\n\
         <rect width=\"{width}\" height=\"{height}\" fill=\"white\"/>\n"
    );
    let title = format!("{}, {} scanner, {} scans", kind.word(), scanner.word(), found.len());
    label(&mut svg, [ERRORS[0], 18.0], "start", &title);
    histogram(&mut svg, found);
    coverage(&mut svg, found, &parts);
    svg.push_str("</svg>\n");
    svg
}

fn label(svg: &mut String, [x, y]: [f64; 2], anchor: &str, words: &str) {
    writeln!(svg, "<text x=\"{x:.1}\" y=\"{y:.1}\" text-anchor=\"{anchor}\">{words}</text>")
        .expect("a string grows");
}

fn line(svg: &mut String, [x, y]: [f64; 2], [to_x, to_y]: [f64; 2], stroke: &str) {
    writeln!(svg, "<path d=\"M{x:.1} {y:.1}L{to_x:.1} {to_y:.1}\" stroke=\"{stroke}\" fill=\"none\"/>")
        .expect("a string grows");
}

fn frame(svg: &mut String, [x, y, w, h]: [f64; 4]) {
    writeln!(svg, "<rect x=\"{x}\" y=\"{y}\" width=\"{w}\" height=\"{h}\" fill=\"none\" stroke=\"#888\"/>")
        .expect("a string grows");
}

/// Errors, told less true, with the median U to either side. What lies beyond the plot stands in its last columns.
fn histogram(svg: &mut String, found: &[(&Line, &Outcome)]) {
    let [x, y, w, h] = ERRORS;
    let errors: Vec<f64> = found.iter().filter_map(|(_, o)| whole(o).map(|(v, ..)| v - o.truth_mm)).collect();
    let expanded = median(found.iter().filter_map(|(_, o)| whole(o).map(|(.., u)| 2.0 * u)).collect());
    let spread = median(errors.iter().map(|e| e.abs()).collect());
    let reach = (6.0 * spread).max(1.6 * expanded).max(1e-6);
    let mut counts = [0usize; COLUMNS];
    for e in &errors {
        let at = ((e / reach * 0.5 + 0.5) * COLUMNS as f64).floor();
        counts[at.clamp(0.0, COLUMNS as f64 - 1.0) as usize] += 1;
    }
    let most = counts.iter().copied().max().unwrap_or(1).max(1) as f64;
    let column = w / COLUMNS as f64;
    for (k, count) in counts.iter().enumerate() {
        let tall = h * *count as f64 / most;
        writeln!(
            svg,
            "<rect x=\"{:.1}\" y=\"{:.1}\" width=\"{:.1}\" height=\"{tall:.1}\" fill=\"#56B4E9\"/>",
            x + column * k as f64,
            y + h - tall,
            column - 0.5
        )
        .expect("a string grows");
    }
    let at = |e: f64| x + w * (0.5 + 0.5 * e / reach);
    for (e, stroke) in [(0.0, "#000"), (-expanded, "#D55E00"), (expanded, "#D55E00")] {
        line(svg, [at(e), y], [at(e), y + h], stroke);
    }
    frame(svg, ERRORS);
    label(svg, [x, y + h + 15.0], "middle", &format!("{:.3}", -reach));
    label(svg, [x + w, y + h + 15.0], "middle", &format!("{reach:.3}"));
    label(svg, [x + 0.5 * w, y + h + 15.0], "middle", "0");
    label(
        svg,
        [x + 0.5 * w, y + h + 32.0],
        "middle",
        "error in mm, told less true; lines: median U to either side",
    );
}

/// Shares of intervals that hold the truth, with what so many scans leave open (95 %), over the share of the limit.
fn coverage(svg: &mut String, found: &[(&Line, &Outcome)], parts: &[&str]) {
    let [x, y, w, h] = COVERAGE;
    // From 70 to 100 %.
    let up = |share: f64| y + h * (1.0 - (share.clamp(0.7, 1.0) - 0.7) / 0.3);
    let [low, high] = Bars::HELD;
    writeln!(
        svg,
        "<rect x=\"{x}\" y=\"{:.1}\" width=\"{w}\" height=\"{:.1}\" fill=\"#eee\"/>",
        up(high),
        up(low) - up(high)
    )
    .expect("a string grows");
    line(svg, [x, up(0.95)], [x + w, up(0.95)], "#888");
    for (s, share) in SHARES.iter().enumerate() {
        let middle = x + w * (s as f64 + 0.5) / SHARES.len() as f64;
        for (p, part) in parts.iter().enumerate() {
            let there = || found.iter().filter(|(l, _)| l.part == *part && l.share == *share);
            let (n, k) = (there().count() as u64, there().filter(|(_, o)| holds(o)).count() as u64);
            if n == 0 {
                continue;
            }
            let at = middle + 14.0 * (p as f64 - 0.5 * (parts.len() as f64 - 1.0));
            let colour = COLOURS[p % COLOURS.len()];
            let [least, most] = limits(n, k).map(up);
            line(svg, [at, least], [at, most], colour);
            writeln!(
                svg,
                "<circle cx=\"{at:.1}\" cy=\"{:.1}\" r=\"3\" fill=\"{colour}\"/>",
                up(k as f64 / n as f64)
            )
            .expect("a string grows");
        }
        label(svg, [middle, y + h + 15.0], "middle", &format!("{share}"));
    }
    frame(svg, COVERAGE);
    for share in [0.7, 0.8, 0.9, 1.0] {
        label(svg, [x - 5.0, up(share) + 4.0], "end", &format!("{:.0} %", 100.0 * share));
    }
    label(
        svg,
        [x + 0.5 * w, y + h + 32.0],
        "middle",
        "truth inside the 95 % interval, by the share of its limit",
    );
    for (p, part) in parts.iter().enumerate() {
        let at = x + 90.0 * p as f64;
        writeln!(
            svg,
            "<circle cx=\"{:.1}\" cy=\"{:.1}\" r=\"3\" fill=\"{}\"/>",
            at + 4.0,
            y - 10.0,
            COLOURS[p % COLOURS.len()]
        )
        .expect("a string grows");
        label(svg, [at + 12.0, y - 6.0], "start", part);
    }
}
