//! What a run tells, and which survivors are known.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::path::Path;

use anyhow::{Context, Result};

use crate::hunt::Fate;
use crate::list::Mutant;
use crate::places::Left;

/// Survivors that a table names: their names, and how many of them nobody has looked at yet.
pub struct Known {
    pub names: BTreeSet<String>,
    pub unlooked: usize,
}

/// Reads the lines `` | `name` | why | ``; a bar inside a name is written `\|`. What stands as `not looked at yet` is counted.
pub fn known(file: &Path) -> Result<Known> {
    let text = std::fs::read_to_string(file).with_context(|| format!("{}", file.display()))?;
    let mut known = Known { names: BTreeSet::new(), unlooked: 0 };
    for line in text.lines() {
        let Some((name, why)) = line.strip_prefix("| `").and_then(|rest| rest.split_once("` |")) else {
            continue;
        };
        known.names.insert(name.replace("\\|", "|"));
        known.unlooked += usize::from(why.contains("not looked at yet"));
    }
    Ok(known)
}

/// Says what became of the mutants of one module, and gives back the survivors that are not known.
pub fn tell(
    module: &str,
    chosen: &[usize],
    mutants: &[Mutant],
    left: &BTreeMap<usize, Left>,
    fates: &HashMap<usize, Fate>,
    known: &Known,
) -> Vec<String> {
    let count = |which: &dyn Fn(usize) -> bool| chosen.iter().filter(|n| which(**n)).count();
    let left_by = |why: Left| count(&|n| left.get(&n) == Some(&why));
    let fate = |which: &dyn Fn(&Fate) -> bool| count(&|n| fates.get(&n).is_some_and(which));
    println!("  {module}: {} mutants", chosen.len());
    println!(
        "    {} noticed by a test that failed, {} by one that took too long",
        fate(&|f| matches!(f, Fate::Noticed(_))),
        fate(&|f| matches!(f, Fate::OutOfTime(_)))
    );
    println!("    {} do not compile", left_by(Left::DoesNotCompile));
    println!(
        "    not switched: {} in constants, {} of functions that return `impl`, {} that Rust refuses with a switch, {} not found",
        left_by(Left::Constant),
        left_by(Left::Opaque),
        left_by(Left::NoSwitch),
        left_by(Left::NotFound)
    );
    println!(
        "    survived: {} not reached, {} told the same in every test, {} lived through all tests that can tell them, {} through those tried",
        fate(&|f| *f == Fate::NotReached),
        fate(&|f| *f == Fate::SameEverywhere),
        fate(&|f| *f == Fate::Lived),
        fate(&|f| *f == Fate::LivedSoFar)
    );
    let survived = |n: &usize| fates.get(n).is_some_and(|f| !f.noticed());
    let named: Vec<&String> = chosen.iter().filter(|n| survived(n)).map(|n| &mutants[*n].name).collect();
    let new: Vec<String> =
        named.iter().filter(|n| !known.names.contains(**n)).map(|n| (*n).clone()).collect();
    println!("    of these {} are known", named.len() - new.len());
    let noticed =
        |n: &usize| fates.get(n).is_some_and(Fate::noticed) && known.names.contains(&mutants[*n].name);
    for n in chosen.iter().filter(|n| noticed(n)) {
        println!("    is noticed, and can go from the table: {}", mutants[*n].name);
    }
    for name in chosen.iter().filter(|n| left.get(n).is_some_and(|l| *l != Left::DoesNotCompile)) {
        println!("    not switched: {}", mutants[*name].name);
    }
    new
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_table_is_read_with_bars_in_names() {
        let file = std::env::temp_dir().join(format!("known-{}.md", std::process::id()));
        let text = "| change | why |\n| --- | --- |\n| `core/src/a.rs: replace \\|\\| with && in f #2` | the same program |\n\
                    | `core/src/a.rs: replace - with + in g` | not looked at yet |\n| no name | x |\n";
        std::fs::write(&file, text).expect("a place to write");
        let known = known(&file).expect("it is read");
        let names = ["core/src/a.rs: replace - with + in g", "core/src/a.rs: replace || with && in f #2"];
        assert_eq!(known.names.iter().map(String::as_str).collect::<Vec<_>>(), names);
        assert_eq!(known.unlooked, 1);
        std::fs::remove_file(&file).expect("the file goes");
    }
}
