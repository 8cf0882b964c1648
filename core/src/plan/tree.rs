//! A plan's text as a tree of values, before anything is known about what they mean.

use super::Fault;
use serde::de::{Deserialize, Deserializer, Error, MapAccess, SeqAccess, Visitor};
use std::collections::BTreeSet;
use std::fmt;

/// A value of a TOML or JSON text; unlike either library's own it holds NaN and refuses repeated keys.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Tree {
    Null,
    Bool(bool),
    Whole(i64),
    Number(f64),
    Text(String),
    List(Vec<Tree>),
    Table(Vec<(String, Tree)>),
    /// A date or time of TOML.
    Date,
}

/// How the TOML library hands over a date: a table with this one key.
const DATE_KEY: &str = "$__toml_private_datetime";

impl Tree {
    /// Reads TOML; a fault of syntax carries line and column.
    pub(super) fn from_toml(text: &str) -> Result<Self, Fault> {
        toml::from_str(text).map_err(|e| {
            let at = e.span().map_or(0, |s| s.start).min(text.len());
            let before = text.get(..at).unwrap_or(text);
            let line = before.matches('\n').count() + 1;
            let column = before.rsplit('\n').next().unwrap_or("").chars().count() + 1;
            let message = e.message().replace('\n', ", ");
            Fault {
                place: format!("line {line}, column {column}"),
                problem: format!("this is not valid TOML: {message}"),
            }
        })
    }

    /// Reads JSON; a fault of syntax carries line and column.
    pub(super) fn from_json(text: &str) -> Result<Self, Fault> {
        serde_json::from_str(text).map_err(|e| {
            let message = e.to_string();
            let message = message.rsplit_once(" at line ").map_or(message.as_str(), |(m, _)| m);
            Fault {
                place: format!("line {}, column {}", e.line(), e.column()),
                problem: format!("this is not valid JSON: {message}"),
            }
        })
    }

    /// In words, for a fault.
    pub(super) fn describe(&self) -> String {
        match self {
            Tree::Null => "nothing".to_owned(),
            Tree::Bool(b) => b.to_string(),
            Tree::Whole(n) => format!("the number {n}"),
            Tree::Number(n) => format!("the number {n}"),
            Tree::Text(t) => format!("the text \"{}\"", short(t)),
            Tree::List(_) => "a list".to_owned(),
            Tree::Table(_) => "a table".to_owned(),
            Tree::Date => "a date".to_owned(),
        }
    }
}

/// A word from outside, printable and of bearable length.
pub(super) fn short(text: &str) -> String {
    const LONGEST: usize = 60;
    let mut out: String = text.chars().take(LONGEST).collect::<String>().escape_debug().to_string();
    if text.chars().nth(LONGEST).is_some() {
        out.push_str("...");
    }
    out
}

impl<'de> Deserialize<'de> for Tree {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        deserializer.deserialize_any(Builder)
    }
}

struct Builder;

impl<'de> Visitor<'de> for Builder {
    type Value = Tree;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a value")
    }
    fn visit_unit<E: Error>(self) -> Result<Tree, E> {
        Ok(Tree::Null)
    }
    fn visit_bool<E: Error>(self, v: bool) -> Result<Tree, E> {
        Ok(Tree::Bool(v))
    }
    fn visit_i64<E: Error>(self, v: i64) -> Result<Tree, E> {
        Ok(Tree::Whole(v))
    }
    fn visit_u64<E: Error>(self, v: u64) -> Result<Tree, E> {
        // Beyond i64 it is no count that a plan can hold; as a number it is refused with its size.
        Ok(i64::try_from(v).map_or(Tree::Number(v as f64), Tree::Whole))
    }
    fn visit_f64<E: Error>(self, v: f64) -> Result<Tree, E> {
        Ok(Tree::Number(v))
    }
    fn visit_str<E: Error>(self, v: &str) -> Result<Tree, E> {
        Ok(Tree::Text(v.to_owned()))
    }
    fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<Tree, A::Error> {
        let mut list = Vec::new();
        while let Some(item) = seq.next_element()? {
            list.push(item);
        }
        Ok(Tree::List(list))
    }
    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Tree, A::Error> {
        let (mut table, mut seen) = (Vec::new(), BTreeSet::new());
        while let Some((key, value)) = map.next_entry::<String, Tree>()? {
            if !seen.insert(key.clone()) {
                return Err(A::Error::custom(format_args!("key `{}` stands twice", short(&key))));
            }
            table.push((key, value));
        }
        Ok(if table.len() == 1 && table[0].0 == DATE_KEY { Tree::Date } else { Tree::Table(table) })
    }
}
