//! Writes the first inputs of the fuzz targets into a folder, one below it for each target.
//!
//! `cargo run -p scantling-core --example seeds -- core/fuzz/seeds`

#[path = "../tests/samples/mod.rs"]
mod samples;
#[path = "../tests/step_text/mod.rs"]
mod step_text;

use scantling_core::simulate::window_surround::WindowSurround;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let folder = std::env::args().nth(1).ok_or("name the folder to write to")?;
    let mut all = samples::all();
    all.extend(samples::tables());
    all.push(("plan", "window_surround.toml", WindowSurround::default().plan_toml().into_bytes()));
    let step = step_text::samples();
    all.extend(step.iter().map(|(name, text)| ("step", name.as_str(), text.clone().into_bytes())));
    for (target, name, bytes) in all {
        let folder = std::path::Path::new(&folder).join(target);
        std::fs::create_dir_all(&folder)?;
        std::fs::write(folder.join(name), bytes)?;
    }
    Ok(())
}
