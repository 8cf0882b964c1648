//! Prints the points of a file as text, each number in as many digits as it takes to read it back, with its
//! normal where the file has one; then the triangles, each on a line that begins with `t`.
//!
//! `cargo run -p scantling-core --example read -- FILE [COLUMNS]`

use std::io::Write;

use scantling_core::read::{TextLayout, read_with};
use scantling_core::run::quiet;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut arguments = std::env::args().skip(1);
    let file = arguments.next().ok_or("name the file to read")?;
    let layout = TextLayout::parse(&arguments.next().unwrap_or_default())?;
    let raw = read_with(&std::fs::read(file)?, &layout, &quiet())?;
    let mut out = std::io::BufWriter::new(std::io::stdout().lock());
    for (i, p) in raw.points.iter().enumerate() {
        write!(out, "{} {} {}", p.x, p.y, p.z)?;
        if let Some(n) = raw.normals.as_ref().map(|n| n[i]) {
            write!(out, " {} {} {}", n.x, n.y, n.z)?;
        }
        writeln!(out)?;
    }
    for [a, b, c] in &raw.triangles {
        writeln!(out, "t {a} {b} {c}")?;
    }
    Ok(())
}
