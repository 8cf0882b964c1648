//! Neighbours among two million scan points, and normals from them.

use crate::cost::{Cost, Line, median};
use crate::ours;
use anyhow::{Result, bail};
use kiddo::{ImmutableKdTree, SquaredEuclidean};
use rayon::prelude::*;
use scantling_core::geometry::{Direction, Point};
use serde_json::Value;
use std::num::NonZero;
use std::path::Path;

pub fn run(dir: &Path, who: &str, what: &str) -> Result<Value> {
    let raw = ours::read(&dir.join("scan_2m_fine.ply"))?;
    let (points, given) = (raw.points, raw.normals.unwrap_or_default());
    let mut line = Line::new();
    line.set("n", points.len());
    match (who, what) {
        ("ours", "normals") => {
            let (found, cost) = median(1, || ours::normals(&points));
            told(&mut line, cost);
            line.set("error_deg", off_deg(&found?, &given));
        }
        ("ours", "nearest" | "k20") => {
            let (found, cost) = median(1, || ours::kth(&points, place(what) - 1));
            told(&mut line, cost);
            line.set("error_mm", off_mm(&found?, &points, what));
        }
        ("kiddo", "nearest" | "k20") => {
            let (found, cost) = median(1, || by_kiddo(&points, what));
            told(&mut line, cost);
            line.set("error_mm", off_mm(&found?, &points, what));
        }
        _ => bail!("{who} does not do {what}"),
    }
    Ok(line.end())
}

fn told(line: &mut Line, cost: Cost) {
    line.step("all", cost);
    line.peak();
}

/// The point itself is among its neighbours: the second is the nearest other.
fn place(what: &str) -> usize {
    if what == "k20" { 20 } else { 2 }
}

fn by_kiddo(points: &[Point], what: &str) -> Result<Vec<f64>> {
    let all: Vec<[f64; 3]> = points.iter().map(|p| [p.x, p.y, p.z]).collect();
    let tree = ImmutableKdTree::<f64, 3>::new_from_slice(&all)?;
    let k = NonZero::new(place(what)).expect("not zero");
    let furthest = |p: &[f64; 3]| {
        let found = tree.query(p).nearest_n::<SquaredEuclidean<f64>>(k).execute();
        found.iter().map(|n| n.distance).fold(0.0, f64::max).sqrt()
    };
    Ok(all.par_iter().with_min_len(4096).map(furthest).collect())
}

/// Against brute force on some of the points.
fn off_mm(found: &[f64], points: &[Point], what: &str) -> f64 {
    let step = points.len() / 100;
    let one = |i: usize| {
        let mut all: Vec<f64> = points.iter().map(|p| (p - points[i]).norm_squared()).collect();
        let (_, kth, _) = all.select_nth_unstable_by(place(what) - 1, f64::total_cmp);
        (kth.sqrt() - found[i]).abs()
    };
    let off: Vec<f64> = (0..100usize).into_par_iter().map(|i| one(i * step)).collect();
    off.into_iter().fold(0.0, |a, b| if b.is_finite() { f64::max(a, b) } else { f64::INFINITY })
}

/// Median angle to the true normals, either way round.
fn off_deg(found: &[Option<Direction>], given: &[scantling_core::geometry::Vector]) -> f64 {
    let angle = |(a, b): (&Option<Direction>, &scantling_core::geometry::Vector)| {
        a.map_or(90.0, |a| a.vector().dot(&b.normalize()).abs().min(1.0).acos().to_degrees())
    };
    let mut all: Vec<f64> = found.iter().zip(given).map(angle).collect();
    all.sort_by(f64::total_cmp);
    all.get(all.len() / 2).copied().unwrap_or(f64::NAN)
}
