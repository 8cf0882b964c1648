//! Our measuring kernel and Rust libraries, timed on the files of `compare data`.
//!
//! ```text
//! compare data DIR [brief]               makes the files that are missing
//! compare closest DIR WHO MESH ORDER     ours | bvh | parry;  20k | 200k | 1m | 4m;  scan | shuffled | outliers
//! compare points DIR WHO WHAT            ours | kiddo;  nearest | k20 | normals
//! compare read DIR FILE
//! compare fine DIR SCAN MESH
//! compare locate DIR SCAN POSES
//! compare whole DIR SCAN                 from the files to the deviation of every point; POSE_GIVEN=1: from near
//! compare step DIR FILE                  a STEP file to triangles within 0.01 mm
//! compare ugly                           closest points on meshes with faults against brute force
//! ```
//! Each prints one line of JSON: `steps` with `wall` and `cpu` seconds, `peak_mib` and `base_mib` (before the
//! timed work) of this process, and how far the answers are from the truth.

#![allow(
    clippy::disallowed_methods,
    reason = "bits may differ between machines here: what is compared is one session"
)]

mod brute;
mod closest;
mod cost;
mod files;
mod jobs;
mod ours;
mod panel;
mod points;
mod scans;
mod sheet;
mod ugly;

use anyhow::{Result, bail};
use std::path::Path;

fn main() -> Result<()> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let words: Vec<&str> = arguments.iter().map(String::as_str).collect();
    let line = match words[..] {
        ["data", dir] => return files::make(Path::new(dir), false),
        ["data", dir, "brief"] => return files::make(Path::new(dir), true),
        ["closest", dir, who, mesh, order] => closest::run(Path::new(dir), who, mesh, order)?,
        ["points", dir, who, what] => points::run(Path::new(dir), who, what)?,
        ["read", dir, file] => jobs::read(Path::new(dir), file)?,
        ["fine", dir, scan, mesh] => jobs::fine(Path::new(dir), scan, mesh)?,
        ["locate", dir, scan, poses] => jobs::locate(Path::new(dir), scan, poses.parse()?)?,
        ["whole", dir, scan] => jobs::whole(Path::new(dir), scan)?,
        ["step", dir, file] => jobs::step(Path::new(dir), file)?,
        ["ugly"] => ugly::run()?,
        _ => bail!("say what to do: see the first lines of src/main.rs"),
    };
    println!("{line}");
    Ok(())
}
