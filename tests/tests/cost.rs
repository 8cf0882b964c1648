//! What is foretold of an inspection's memory holds.

use std::path::{Path, PathBuf};
use std::process::Command;

fn example() -> PathBuf {
    let folder = std::env::var_os("SCANTLING_BIN_DIR").map(PathBuf::from).unwrap_or_else(|| {
        let me = std::env::current_exe().expect("a running test has a path");
        me.parent().and_then(Path::parent).expect("tests lie in deps").to_path_buf()
    });
    folder.join("examples/inspect")
}

#[test]
fn foretold_memory_is_enough_and_not_three_times_too_much() {
    for spacing in ["2.0", "0.8"] {
        let output = Command::new(example())
            .args(["--peak", "--spacing", spacing])
            .output()
            .expect("the example is built");
        let text = String::from_utf8_lossy(&output.stdout);
        let words: Vec<&str> = text.split_whitespace().collect();
        assert!(
            output.status.success() && words.len() == 4,
            "{text}{}",
            String::from_utf8_lossy(&output.stderr)
        );
        let (foretold, peak) = (words[1].parse::<f64>().unwrap(), words[3].parse::<f64>().unwrap());
        println!(
            "spacing {spacing} mm: foretold {:.0} MiB, peak {:.0} MiB",
            foretold / 1048576.0,
            peak / 1048576.0
        );
        assert!(peak <= foretold, "spacing {spacing}: foretold {foretold}, peak {peak}");
        assert!(foretold <= 3.0 * peak, "spacing {spacing}: foretold {foretold}, peak {peak}");
    }
}
