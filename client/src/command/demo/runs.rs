//! `demo --runs N`: the same with other seeds and sizes, one line each.

use anyhow::Context as _;

use super::rehearsal::{Files, Rehearsed, measure, region, surprises};
use super::truth::{Truth, compare};
use crate::command::Context;
use crate::exit::Exit;
use crate::report::number::plain;
use crate::report::{Entry, number, strong, table, words};

/// Size of a seed's part as a factor: all of 0.8, 0.85, ... 1.3 in eleven seeds.
fn size(seed: u64) -> f64 {
    0.8 + 0.05 * ((seed * 7) % 11) as f64
}

/// One seed for programs; what was not measured is absent.
fn json(seed: u64, files: &Files, truth: Option<&Truth>, surprises: &[String]) -> serde_json::Value {
    let mut line = serde_json::json!({
        "seed": seed,
        "size": size(seed),
        "hole": files.demo.bad_hole,
        "asMade": surprises.is_empty(),
        "surprises": surprises,
    });
    if let Some(t) = truth {
        line["holeMadeMm"] = t.hole_made_mm.norm().into();
        line["holeMeasuredMm"] = t.hole_measured_mm.norm().into();
        line["holeErrorMm"] = t.hole_error_mm().into();
        line["dentMadeMm"] = t.dent_made_mm.into();
        line["dentMeasuredMm"] = t.dent_measured_mm.into();
        line["dentErrorMm"] = t.dent_error_mm().into();
    }
    line
}

pub(super) async fn run(context: &Context, runs: u64) -> anyhow::Result<Exit> {
    let mut rows: Vec<Vec<Entry>> = Vec::new();
    let mut wrong = Vec::new();
    let (mut worst_hole_mm, mut worst_dent_mm) = (0.0_f64, 0.0_f64);
    for seed in 1..=runs {
        let files = Files::make(context, seed, size(seed)).await?;
        let Rehearsed { good, bad } = measure(context, &format!("ws-214-{seed}"), &files)
            .await
            .with_context(|| format!("seed {seed}"))?;
        let truth = compare(&files, &bad);
        let surprises = surprises(&files.demo, &good, &bad, truth.as_ref());
        let mut row = vec![number(seed.to_string()), number(format!("{:.2}", size(seed)))];
        if let Some(t) = &truth {
            worst_hole_mm = worst_hole_mm.max(t.hole_error_mm());
            worst_dent_mm = worst_dent_mm.max(t.dent_error_mm());
        }
        match &truth {
            Some(t) => row.extend([
                words(files.demo.bad_hole),
                number(plain(t.hole_made_mm.norm())),
                number(plain(t.hole_measured_mm.norm())),
                number(plain(t.hole_error_mm())),
                words(files.demo.bad.dent.as_ref().map_or("-", |d| region(d.region))),
                number(plain(t.dent_made_mm)),
                number(plain(t.dent_measured_mm)),
                number(plain(t.dent_error_mm())),
            ]),
            None => row.extend((0..8).map(|_| number("-"))),
        }
        row.push(if surprises.is_empty() { words("yes") } else { strong("NO") });
        context.output.json_line(&json(seed, &files, truth.as_ref(), &surprises))?;
        context.progress.say(&format!("seed {seed} done"));
        wrong.extend(surprises.into_iter().map(|s| format!("seed {seed}: {s}")));
        rows.push(row);
    }
    let head = [
        "seed", "size", "hole", "off by", "measured", "error", "dent in", "depth", "measured", "error",
        "as made",
    ];
    context.output.prose(&table(&head, rows, &context.output.look))?;
    context.output.prose(&format!(
        "  lengths in mm; made values by the simulator; measured ones of holes by the service, of dents by this\n  \
         command from the scan as the service aligned it\n  \
         largest error: hole {worst_hole_mm:.4}, dent {worst_dent_mm:.4}\n"
    ))?;
    if wrong.is_empty() {
        return Ok(Exit::Success);
    }
    Err(Exit::Internal.because(format!("not all came out as they were made\n  {}", wrong.join("\n  "))))
}
