//! The direction rules of the house, read from the sources and the dependency tree.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().expect("the workspace").to_path_buf()
}

/// All Rust files below a folder.
fn sources(folder: &Path) -> Vec<(PathBuf, String)> {
    let mut found = Vec::new();
    let mut open = vec![folder.to_path_buf()];
    while let Some(folder) = open.pop() {
        for entry in fs::read_dir(&folder).unwrap_or_else(|e| panic!("{}: {e}", folder.display())) {
            let path = entry.expect("a folder entry").path();
            if path.is_dir() {
                open.push(path);
            } else if path.extension().is_some_and(|e| e == "rs") {
                let text = fs::read_to_string(&path).expect("a source file");
                found.push((path, text));
            }
        }
    }
    found.sort();
    assert!(!found.is_empty(), "no sources below {}", folder.display());
    found
}

/// The lines of a file without its tests and comments. An item that is for tests only ends where its braces or
/// its semicolon do, by the indentation that the formatter gives it; what follows it is code again.
fn code(text: &str) -> Vec<&str> {
    let mut code = Vec::new();
    let mut lines = text.lines();
    while let Some(line) = lines.next() {
        if line.trim() == "#[cfg(test)]" {
            let indent = line.len() - line.trim_start().len();
            for inside in lines.by_ref() {
                let at_its_depth = inside.len() - inside.trim_start().len() == indent;
                let more = inside.trim().starts_with("#[") || inside.trim().starts_with("//");
                if at_its_depth && !more && (inside.ends_with(';') || inside.ends_with('}')) {
                    break;
                }
            }
        } else if !line.trim_start().starts_with("//") {
            code.push(line);
        }
    }
    code
}

/// Files that are modules of tests only, by their names.
fn is_tests(path: &Path) -> bool {
    let name = path.file_stem().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    name == "tests" || name.ends_with("_tests")
}

#[test]
fn code_after_an_item_for_tests_is_looked_at_too() {
    let text = "use a;\n#[cfg(test)]\nmod tests;\nuse b;\n#[cfg(test)]\n#[path = \"x_tests.rs\"]\nmod y {\n    use c;\n}\n\
                fn d() {\n    #[cfg(test)]\n    e();\n    f();\n}\n";
    assert_eq!(code(text), ["use a;", "use b;", "fn d() {", "    f();", "}"]);
}

#[test]
fn core_touches_no_file_network_environment_or_clock() {
    for (path, text) in sources(&root().join("core/src")) {
        for line in text.lines().filter(|l| !l.trim_start().starts_with("//")) {
            for banned in ["std::fs", "std::net", "std::env", "std::time", "std::process"] {
                assert!(!line.contains(banned), "{}: {line}", path.display());
            }
        }
    }
}

#[test]
fn a_module_of_core_uses_only_earlier_ones() {
    let lib = fs::read_to_string(root().join("core/src/lib.rs")).unwrap();
    let order: Vec<&str> =
        lib.lines().filter_map(|l| l.trim().strip_prefix("pub mod ")?.strip_suffix(';')).collect();
    assert!(order.contains(&"geometry") && order.contains(&"inspect"), "{order:?}");
    let rank = |module: &str| order.iter().position(|m| *m == module);
    for (path, text) in sources(&root().join("core/src")) {
        let inside = path.strip_prefix(root().join("core/src")).unwrap();
        let own = inside.components().next().unwrap().as_os_str().to_string_lossy().replace(".rs", "");
        if own == "lib" || is_tests(inside) {
            continue;
        }
        let own_rank = rank(&own).unwrap_or_else(|| panic!("{own} is not in lib.rs"));
        for line in code(&text) {
            for (at, _) in line.match_indices("crate::") {
                let name: String =
                    line[at + 7..].chars().take_while(|c| c.is_ascii_lowercase() || *c == '_').collect();
                if let Some(used) = rank(&name) {
                    assert!(used <= own_rank, "{}: {own} uses {name}, which comes later", inside.display());
                    let simulator = own == "simulate"
                        && [
                            "search",
                            "filter",
                            "align",
                            "partition",
                            "associate",
                            "datum",
                            "evaluate",
                            "inspect",
                        ]
                        .contains(&name.as_str());
                    assert!(!simulator, "{}: the simulator uses {name}", inside.display());
                }
            }
        }
    }
}

#[test]
fn proto_meets_core_only_where_they_are_converted() {
    for (path, text) in sources(&root().join("server/src")) {
        let inside = path.strip_prefix(root().join("server/src")).unwrap();
        if inside.starts_with("convert") || is_tests(inside) {
            continue;
        }
        let lines = code(&text);
        let names = |package: &str| lines.iter().any(|l| l.contains(package));
        assert!(
            !(names("scantling_proto") && names("scantling_core")),
            "{} knows both proto and core",
            inside.display()
        );
    }
}

fn tree(package: &str) -> Vec<String> {
    let output = Command::new(env!("CARGO"))
        .args(["tree", "--locked", "-p", package, "-e", "normal", "--prefix", "none", "--format", "{p}"])
        .current_dir(root())
        .output()
        .expect("cargo tree runs");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let text = String::from_utf8_lossy(&output.stdout);
    text.lines().map(|l| l.split(' ').next().unwrap_or("").to_string()).collect()
}

#[test]
fn core_depends_on_nothing_of_a_service() {
    let all = tree("scantling-core");
    for banned in
        ["tokio", "tonic", "prost", "sqlx", "object_store", "hyper", "rustls", "memmap2", "jiff", "libc"]
    {
        assert!(!all.iter().any(|p| p == banned), "core depends on {banned}");
    }
}

#[test]
fn there_is_one_nalgebra_one_tonic_one_prost() {
    let text = fs::read_to_string(root().join("Cargo.lock")).unwrap();
    for one in ["nalgebra", "tonic", "prost", "hyper"] {
        let count = text.matches(&format!("name = \"{one}\"\n")).count();
        assert_eq!(count, 1, "{one} is in the lock file {count} times");
    }
}

#[test]
fn the_top_level_holds_what_it_should() {
    let output = Command::new("git").args(["ls-files"]).current_dir(root()).output().expect("git runs");
    let text = String::from_utf8_lossy(&output.stdout).to_string();
    let allowed = [
        "Cargo.toml",
        "Cargo.lock",
        "README.md",
        "DEVELOPERS.md",
        "CHANGELOG.md",
        "proto",
        "server",
        "client",
        "core",
        "tests",
        "deploy",
    ];
    for line in text.lines() {
        let top = line.split('/').next().unwrap_or("");
        assert!(top.starts_with('.') || top.starts_with("LICENSE-") || allowed.contains(&top), "{line}");
    }
}
