//! Reading, registration, and the whole job, by the product.

use crate::cost::{Line, median, once};
use crate::files;
use crate::ours::{self, PartFromScan};
use anyhow::{Context, Result};
use scantling_core::geometry::{Aabb, Motion, Point};
use serde_json::{Value, json};
use std::path::Path;

/// A scan is read in the precision that its file has, as the product does; a mesh whole.
pub fn read(dir: &Path, file: &str) -> Result<Value> {
    let mut line = Line::new();
    let path = dir.join(file);
    let (points, triangles, cost) = if file.ends_with(".ply") {
        let (taken, cost) = median(3, || ours::read_scan(&path));
        (taken?.points(), 0, cost)
    } else {
        let (raw, cost) = median(3, || ours::read(&path));
        let raw = raw?;
        (raw.points.len(), raw.triangles.len(), cost)
    };
    line.step("read", cost);
    line.peak();
    line.set("points", points);
    line.set("triangles", triangles);
    Ok(line.end())
}

/// A STEP file to triangles, and what was made: faces, triangles and their area, placed as the file has them.
pub fn step(dir: &Path, file: &str) -> Result<Value> {
    let mut line = Line::new();
    let (made, cost) = median(3, || ours::step(&dir.join(file)));
    let made = made?;
    line.step("all", cost);
    line.peak();
    let (mut faces, mut triangles, mut area) = (0, 0, 0.0);
    for part in made.placed.iter().map(|p| &made.parts[p.part]) {
        faces += part.faces.iter().filter(|f| f.triangles.is_ok()).count();
        triangles += part.triangles.len();
        for t in &part.triangles {
            let [a, b, c] = t.map(|v| part.vertices[v as usize]);
            area += 0.5 * (b - a).cross(&(c - a)).norm();
        }
    }
    line.set("faces", faces);
    line.set("triangles", triangles);
    line.set("area_mm2", area);
    Ok(line.end())
}

/// The largest shift of a corner of the part's box between two poses, mm.
fn apart_mm(a: &PartFromScan, b: &PartFromScan, bounds: &Aabb) -> f64 {
    let between = *a * b.inverse();
    bounds.corners().iter().map(|c| (between.point(c) - c).norm()).fold(0.0, f64::max)
}

fn true_pose(dir: &Path, scan: &str) -> Result<PartFromScan> {
    Ok(files::pose_of(&files::truth(dir)?[format!("scan_{scan}")])?.inverse())
}

/// From 2 degrees and 5 mm; the tree is built within the time, the scan and the nominal are ready.
pub fn fine(dir: &Path, name: &str, mesh: &str) -> Result<Value> {
    let nominal = ours::nominal(ours::read(&dir.join(format!("panel_{mesh}.stl")))?)?;
    let mut raw = ours::read(&dir.join(format!("scan_{name}.ply")))?;
    raw.normals = None;
    let scan = ours::scan(raw)?;
    let mut line = Line::new();
    line.set("n", scan.points().len());
    let (tree, cost) = median(3, || ours::tree(nominal.mesh()));
    line.step("build", cost);
    let (found, cost) = median(3, || ours::fine(&nominal, &tree, &scan, Motion::identity()));
    let found = found?;
    line.step("fine", cost);
    line.peak();
    let bounds = nominal.mesh().bounds();
    line.set("corner_um", 1e3 * apart_mm(&found.part_from_scan, &true_pose(dir, name)?, &bounds));
    line.set("steps_taken", found.steps);
    line.set("points_used", found.points_used);
    Ok(line.end())
}

/// The search from random poses, no normals given, and what it takes each time. Right is within 0.5 mm, at the
/// corners, of where the fine alignment ends that starts from the truth.
pub fn locate(dir: &Path, name: &str, poses: usize) -> Result<Value> {
    let nominal = ours::nominal(ours::read(&dir.join("panel_200k.stl"))?)?;
    let points = ours::read(&dir.join(format!("scan_{name}.ply")))?.points;
    let truth = true_pose(dir, name)?;
    let bounds = nominal.mesh().bounds();
    let all = files::truth(dir)?["poses"].as_array().context("poses")?.clone();
    let mut line = Line::new();
    line.set("n", points.len());
    let (tree, cost) = once(|| ours::tree(nominal.mesh()));
    line.step("build", cost);
    let best = ours::fine(&nominal, &tree, &ours::bare(points.clone())?, truth)?.part_from_scan;
    let (mut walls, mut cpus) = (Vec::new(), Vec::new());
    let (mut right, mut wrong, mut open) = (0, 0, Vec::new());
    for pose in all.iter().take(poses) {
        let moved_from_part = files::pose_of(pose)?;
        // The scan's frame is brought back to the part's, then to the pose.
        let moved: Vec<Point> = points.iter().map(|p| moved_from_part.point(&truth.point(p))).collect();
        let scan = ours::bare(moved)?;
        let (found, cost) = once(|| {
            let near = ours::locate(&nominal, &tree, &scan)?;
            ours::fine(&nominal, &tree, &scan, near).map(|f| f.part_from_scan)
        });
        walls.push(cost.wall);
        cpus.push(cost.cpu);
        // Where the alignment of the scan as filed ends, after the same moves.
        let expected = |p: &Point| best.point(&truth.inverse().point(&moved_from_part.inverse().point(p)));
        match found {
            Err(e) => open.push(e.to_string()),
            Ok(found) => {
                let corners = bounds.corners();
                let off = |c: &Point| (expected(&found.inverse().point(c)) - c).norm();
                if corners.iter().map(off).fold(0.0, f64::max) < 0.5 { right += 1 } else { wrong += 1 }
            }
        }
    }
    line.peak();
    let middle = |v: &mut Vec<f64>| {
        v.sort_by(f64::total_cmp);
        v[v.len() / 2]
    };
    let cost = crate::cost::Cost { wall: middle(&mut walls), cpu: middle(&mut cpus) };
    line.step("locate", cost);
    line.set("right", right);
    line.set("wrong", wrong);
    line.set("open", open);
    line.set("slowest_s", walls.last().copied().unwrap_or_default());
    Ok(line.end())
}

/// From two files to the deviation of every point.
pub fn whole(dir: &Path, name: &str) -> Result<Value> {
    let given = std::env::var("POSE_GIVEN").is_ok();
    let begin = std::time::Instant::now();
    let mut line = Line::new();
    let (raw, cost) = once(|| ours::read_scan(&dir.join(format!("scan_{name}.ply"))));
    line.step("read scan", cost);
    let (nominal, cost) = once(|| ours::read(&dir.join("panel_1m.stl")).and_then(ours::nominal));
    let nominal = nominal?;
    line.step("read nominal", cost);
    let (tree, cost) = once(|| ours::tree(nominal.mesh()));
    line.step("build", cost);
    let (scan, cost) = once(|| raw.and_then(ours::scan));
    let scan = scan?;
    line.step("take in scan", cost);
    let (near, cost) =
        once(|| if given { Ok(Motion::identity()) } else { ours::locate(&nominal, &tree, &scan) });
    line.step("locate", cost);
    let near = near?;
    let (fine, cost) = once(|| ours::fine(&nominal, &tree, &scan, near));
    let fine = fine?;
    line.step("fine", cost);
    let (found, cost) = once(|| ours::deviations(&nominal, &tree, scan.points(), &fine.part_from_scan));
    line.step("deviation", cost);
    line.step("all", crate::cost::Cost { wall: begin.elapsed().as_secs_f64(), cpu: crate::cost::cpu() });
    line.peak();
    let within = found.iter().filter(|d| d.abs() < 0.4).count() as f64 / found.len() as f64;
    line.set("n", found.len());
    line.set("within_0p4", within);
    line.set(
        "corner_um",
        1e3 * apart_mm(&fine.part_from_scan, &true_pose(dir, name)?, &nominal.mesh().bounds()),
    );
    line.set("threads", json!(rayon::current_num_threads()));
    Ok(line.end())
}
