//! The mutants that `cargo mutants --list --json` names.

use std::collections::HashMap;

use anyhow::{Context, Result};
use serde_json::Value;

/// A place in a source file: line and column of its first character and of the one after its last, both from 1.
pub type Place = [usize; 4];

/// One change of the program.
#[derive(Clone, Debug)]
pub struct Mutant {
    /// File below the root of the workspace.
    pub file: String,
    /// What kind of change, in the words of the list.
    pub genre: String,
    /// What is written instead of what stands at `place`.
    pub replacement: String,
    pub place: Place,
    /// The module of core that the file belongs to.
    pub module: String,
    /// The function that is changed with its file: what noticed one of its mutants is likely to notice others.
    pub function: String,
    /// The list's name without line and column, which every edit moves; the second and later ones of a name are numbered.
    pub name: String,
}

/// Reads the list; its order gives each mutant its number.
pub fn read(text: &str) -> Result<Vec<Mutant>> {
    let all: Vec<Value> = serde_json::from_str(text).context("the list of mutants is no JSON")?;
    let mut seen: HashMap<String, usize> = HashMap::new();
    all.iter()
        .map(|one| {
            let word = |key: &str| {
                one[key].as_str().map(str::to_owned).with_context(|| format!("a mutant without {key}"))
            };
            let (file, listed) = (word("file")?, word("name")?);
            let mut name = without_place(&listed);
            let times = seen.entry(name.clone()).or_default();
            *times += 1;
            if *times > 1 {
                name = format!("{name} #{times}");
            }
            let at = |end: &str, what: &str| {
                one["span"][end][what]
                    .as_u64()
                    .map(|n| n as usize)
                    .with_context(|| format!("{listed}: no {end} {what}"))
            };
            let module =
                file.trim_start_matches("core/src/").split(['/', '.']).next().unwrap_or_default().to_owned();
            let function =
                format!("{file} {}", one["function"]["function_name"].as_str().unwrap_or_default());
            Ok(Mutant {
                genre: word("genre")?,
                replacement: word("replacement")?,
                place: [
                    at("start", "line")?,
                    at("start", "column")?,
                    at("end", "line")?,
                    at("end", "column")?,
                ],
                file,
                module,
                function,
                name,
            })
        })
        .collect()
}

/// `core/src/a.rs:12:5: replace ...` without `:12:5`.
fn without_place(name: &str) -> String {
    let Some((place, what)) = name.split_once(": ") else { return name.to_owned() };
    format!("{}: {what}", place.split(':').next().unwrap_or(place))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_lose_their_place_and_equal_ones_are_numbered() {
        let one = |line: usize| {
            format!(
                "{{\"file\": \"core/src/datum/mod.rs\", \"genre\": \"BinaryOperator\", \"replacement\": \"+\", \
                 \"function\": {{\"function_name\": \"f\"}}, \"name\": \"core/src/datum/mod.rs:{line}:5: replace - with + in f\", \
                 \"span\": {{\"start\": {{\"line\": {line}, \"column\": 5}}, \"end\": {{\"line\": {line}, \"column\": 6}}}}}}"
            )
        };
        let all = read(&format!("[{},{}]", one(3), one(9))).expect("a list");
        assert_eq!(all[0].name, "core/src/datum/mod.rs: replace - with + in f");
        assert_eq!(all[1].name, "core/src/datum/mod.rs: replace - with + in f #2");
        assert_eq!((all[1].place, all[1].module.as_str()), ([9, 5, 9, 6], "datum"));
    }
}
