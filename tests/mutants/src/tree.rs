//! The copy of the workspace that the switches are written into.

use std::collections::hash_map::DefaultHasher;
use std::collections::{BTreeMap, BTreeSet, HashMap, HashSet};
use std::fs;
use std::hash::{Hash, Hasher};
use std::path::{Path, PathBuf};

use anyhow::{Context, Result};

use crate::list::Mutant;
use crate::places::{Left, Node, find};
use crate::switch::{Switched, write};

/// What no program is built from.
const SKIPPED: [&str; 5] = ["target", ".git", "node_modules", ".venv", "__pycache__"];

/// The part of the copy that tells which mutant runs.
const SWITCHED: &str = include_str!("switched.rs");

/// The copy with what is switched in it.
pub struct Tree {
    pub folder: PathBuf,
    /// The original text of each file that has mutants, and the places of these.
    files: BTreeMap<String, (String, Vec<Node>)>,
    pub left: BTreeMap<usize, Left>,
    /// Of all that core is built from, and of the list: what was found out about another program does not count.
    pub digest: u64,
    /// Of the names of the mutants alone.
    pub names: u64,
}

impl Tree {
    /// Copies the workspace to `folder`; what is equal there is not touched, so that it need not be built again.
    pub fn copy(root: &Path, folder: &Path, mutants: &[Mutant]) -> Result<Self> {
        let mut by_file: BTreeMap<String, Vec<(usize, &Mutant)>> = BTreeMap::new();
        for (number, mutant) in mutants.iter().enumerate() {
            by_file.entry(mutant.file.clone()).or_default().push((number, mutant));
        }
        let mut tree = Self {
            folder: folder.to_owned(),
            files: BTreeMap::new(),
            left: BTreeMap::new(),
            digest: 0,
            names: 0,
        };
        let mut paths = BTreeSet::new();
        walk(root, Path::new(""), &mut paths)?;
        let mut digest = DefaultHasher::new();
        SWITCHED.hash(&mut digest);
        for path in &paths {
            let bytes = fs::read(root.join(path)).with_context(|| format!("{}", path.display()))?;
            if path.starts_with("core") || path.starts_with("Cargo.lock") {
                (path, &bytes).hash(&mut digest);
            }
            let name = path.to_string_lossy().into_owned();
            if let Some(inside) = by_file.get(&name) {
                let text = String::from_utf8(bytes).with_context(|| format!("{name} is no text"))?;
                let places = find(&text, inside).with_context(|| name.clone())?;
                tree.left.extend(places.left);
                tree.files.insert(name, (text, places.nodes));
            } else if name == "core/src/lib.rs" {
                let mut text = String::from_utf8(bytes).context("lib.rs is no text")?;
                text.push_str("\n#[allow(missing_docs, clippy::all)]\npub mod switched;\n");
                put(&folder.join(path), text.as_bytes())?;
            } else {
                put(&folder.join(path), &bytes)?;
            }
        }
        put(&folder.join("core/src/switched.rs"), SWITCHED.as_bytes())?;
        let mut names = DefaultHasher::new();
        mutants.iter().for_each(|m| m.name.hash(&mut names));
        tree.names = names.finish();
        tree.names.hash(&mut digest);
        tree.digest = digest.finish();
        paths.insert(PathBuf::from("core/src/switched.rs"));
        let mut there = BTreeSet::new();
        walk(folder, Path::new(""), &mut there)?;
        for gone in there.difference(&paths) {
            fs::remove_file(folder.join(gone))?;
        }
        Ok(tree)
    }

    /// Writes the switches of all mutants that are not left out, and gives back what was written.
    pub fn write(&self, mutants: &[Mutant]) -> Result<HashMap<String, Switched>> {
        let without: HashSet<usize> = self.left.keys().copied().collect();
        let mut written = HashMap::new();
        for (name, (text, nodes)) in &self.files {
            let switched = write(text, nodes, mutants, &without);
            put(&self.folder.join(name), switched.text.as_bytes())?;
            written.insert(name.clone(), switched);
        }
        Ok(written)
    }
}

fn put(path: &Path, bytes: &[u8]) -> Result<()> {
    if fs::read(path).is_ok_and(|there| there == bytes) {
        return Ok(());
    }
    if let Some(parent) = path.parent() {
        fs::create_dir_all(parent)?;
    }
    fs::write(path, bytes).with_context(|| format!("{}", path.display()))
}

fn walk(root: &Path, below: &Path, found: &mut BTreeSet<PathBuf>) -> Result<()> {
    let folder = root.join(below);
    for entry in fs::read_dir(&folder).with_context(|| format!("{}", folder.display()))? {
        let entry = entry?;
        let name = entry.file_name();
        let path = below.join(&name);
        let kind = entry.file_type()?;
        if kind.is_dir() {
            if !SKIPPED.iter().any(|s| name == **s) {
                walk(root, &path, found)?;
            }
        } else if kind.is_file() {
            found.insert(path);
        }
    }
    Ok(())
}
