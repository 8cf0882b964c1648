//! What the tests of the command line share: a data folder, a small part, the program.

use std::path::{Path, PathBuf};

use assert_cmd::Command;
use tempfile::TempDir;

/// A plan for a block of 100 x 60 x 10 mm.
pub(crate) const BLOCK_PLAN: &str = r#"
schema_version = 1
part = "block"
drawing_revision = "A"
plan_version = 1
length_unit = "mm"
object = "part"
standard = { system = "iso", edition = "ISO 1101:2017" }
decision = { proven = {} }
filter = { gaussian = { nesting_index_mm = 2.5 } }

[nominal]
file = "block.stl"

[[feature]]
id = "TOP"
kind = "plane"
pick = { near_mm = [50.0, 30.0, 10.0], facing = [0.0, 0.0, 1.0] }

[[characteristic]]
number = "1"
feature = "TOP"
flatness = { zone_width_mm = 0.2, association = "minimum_zone" }
when = "every"
"#;

/// The block as an ASCII STL file, normals out of the material.
fn block_stl() -> String {
    block_stl_from(0.0)
}

/// The same, beginning at another x.
pub(crate) fn block_stl_from(x: f64) -> String {
    let corner = |i: usize| {
        let pick = |bit: usize, size: f64| if i & bit == 0 { 0.0 } else { size };
        format!("vertex {} {} {}", x + pick(1, 100.0), pick(2, 60.0), pick(4, 10.0))
    };
    let quads = [[0, 2, 3, 1], [4, 5, 7, 6], [0, 1, 5, 4], [2, 6, 7, 3], [0, 4, 6, 2], [1, 3, 7, 5]];
    let mut text = "solid block\n".to_owned();
    for [a, b, c, d] in quads {
        for triangle in [[a, b, c], [a, c, d]] {
            let corners = triangle.map(corner).join("\n");
            text += &format!("facet normal 0 0 0\nouter loop\n{corners}\nendloop\nendfacet\n");
        }
    }
    text + "endsolid block\n"
}

/// A fresh data folder with files beside it.
pub(crate) struct Scene {
    folder: TempDir,
}

impl Scene {
    pub(crate) fn new() -> Self {
        Self { folder: TempDir::new().expect("a temporary folder") }
    }

    pub(crate) fn path(&self) -> &Path {
        self.folder.path()
    }

    /// Writes a file and tells its path.
    pub(crate) fn file(&self, name: &str, bytes: impl AsRef<[u8]>) -> PathBuf {
        let path = self.path().join(name);
        std::fs::write(&path, bytes).expect("a file in a temporary folder");
        path
    }

    /// The program on this scene's data folder, with nothing of the caller's environment that it reads.
    pub(crate) fn scantling(&self) -> Command {
        let mut command = program();
        command.current_dir(self.path()).arg("--data-dir").arg(self.path().join("data"));
        command
    }

    /// Registers and releases the block as block/a.
    pub(crate) fn with_block() -> Self {
        let scene = Self::new();
        scene.file("block.stl", block_stl());
        scene.file("block.toml", BLOCK_PLAN);
        scene
            .scantling()
            .args(["part", "register", "--part-id", "block", "--title", "Block", "--plan", "block.toml"])
            .args(["--nominal", "block.stl", "--unit", "mm", "--revision", "a"])
            .assert()
            .success();
        scene.scantling().args(["part", "release", "block/a"]).assert().success();
        scene
    }
}

/// The program alone.
pub(crate) fn program() -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_scantling"));
    for name in ["SCANTLING_SERVER", "SCANTLING_DATA", "SCANTLING_LOG", "SCANTLING_LISTEN", "COLUMNS"] {
        command.env_remove(name);
    }
    command
}

/// What it said, as text.
pub(crate) fn said(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}
