//! Reads a tree into a type and reports every fault of form, not only the first.
//!
//! A serde deserializer is told by the derived code what is expected at each place: the keys of a table,
//! the words of an enum. So the schema stays in the types alone: where the tree does not fit, the fault is
//! recorded with its place and a placeholder of the expected form is handed over, and reading goes on. The
//! value that comes out is whole only when no fault was recorded.
//!
//! An absent list is an empty one; every other absent value that is no `Option` is a fault.

use super::fault::Faults;
use super::nearest::{list, nearest};
use super::tree::{Tree, short};
use serde::de::value::StrDeserializer;
use serde::de::{
    DeserializeOwned, DeserializeSeed, Deserializer, EnumAccess, Error as _, IntoDeserializer, MapAccess,
    SeqAccess, VariantAccess, Visitor,
};
use std::fmt;

/// Reads `tree` as a `T`. `None` only if `T` asks for a form that this reader does not know; the fault is
/// then recorded.
pub(super) fn read<T: DeserializeOwned>(tree: &Tree, faults: &Faults) -> Option<T> {
    let root = At { tree: Some(tree), place: String::new(), faults, silent: false };
    T::deserialize(root).map_err(|e| faults.add_unusable("", e.0)).ok()
}

/// One place of the tree.
struct At<'a> {
    tree: Option<&'a Tree>,
    place: String,
    faults: &'a Faults,
    /// Inside a placeholder: its fault is recorded already.
    silent: bool,
}

impl<'a> At<'a> {
    /// The value here, unless it is absent.
    fn present(&self) -> Option<&'a Tree> {
        self.tree.filter(|t| **t != Tree::Null)
    }

    /// Records that the value here is absent or is not `expected`.
    fn unusable(&self, expected: &str) {
        if self.silent {
            return;
        }
        let problem = match self.present() {
            None => format!("is missing; write {expected}"),
            Some(tree) => format!("is {}; write {expected}", tree.describe()),
        };
        self.faults.add_unusable(&self.place, problem);
    }

    fn whole<T: TryFrom<i64> + Default>(&self) -> T {
        if let Some(Tree::Whole(n)) = self.present()
            && let Ok(n) = T::try_from(*n)
        {
            return n;
        }
        self.unusable("a whole number");
        T::default()
    }

    fn number(&self) -> f64 {
        match self.present() {
            Some(Tree::Whole(n)) => *n as f64,
            Some(Tree::Number(n)) => *n,
            _ => {
                self.unusable("a number, without quotes");
                0.0
            }
        }
    }

    fn text(&self) -> &'a str {
        if let Some(Tree::Text(text)) = self.present() {
            return text;
        }
        self.unusable("text in quotes");
        ""
    }

    fn items(&self) -> &'a [Tree] {
        match self.present() {
            None => &[],
            Some(Tree::List(items)) => items,
            Some(_) => {
                self.unusable("a list");
                &[]
            }
        }
    }
}

/// What stops reading altogether.
#[derive(Debug)]
struct Stop(String);

impl fmt::Display for Stop {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}
impl std::error::Error for Stop {}
impl serde::de::Error for Stop {
    fn custom<T: fmt::Display>(message: T) -> Self {
        Self(message.to_string())
    }
}

impl<'de> Deserializer<'de> for At<'_> {
    type Error = Stop;

    fn deserialize_any<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Stop> {
        Err(Stop::custom(format_args!(
            "{}: cannot read {}",
            self.place, &visitor as &dyn serde::de::Expected
        )))
    }
    fn deserialize_bool<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Stop> {
        if let Some(Tree::Bool(b)) = self.present() {
            return visitor.visit_bool(*b);
        }
        self.unusable("true or false");
        visitor.visit_bool(false)
    }
    fn deserialize_i32<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Stop> {
        visitor.visit_i32(self.whole())
    }
    fn deserialize_i64<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Stop> {
        visitor.visit_i64(self.whole())
    }
    fn deserialize_f64<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Stop> {
        visitor.visit_f64(self.number())
    }
    fn deserialize_str<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Stop> {
        visitor.visit_str(self.text())
    }
    fn deserialize_string<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Stop> {
        visitor.visit_str(self.text())
    }
    fn deserialize_option<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Stop> {
        if self.present().is_some() { visitor.visit_some(self) } else { visitor.visit_none() }
    }
    fn deserialize_seq<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Stop> {
        let items = self.items();
        visitor.visit_seq(Items { at: self, items, next: 0 })
    }
    fn deserialize_struct<V: Visitor<'de>>(
        mut self,
        _name: &'static str,
        fields: &'static [&'static str],
        visitor: V,
    ) -> Result<V::Value, Stop> {
        let entries: &[(String, Tree)] = match self.present() {
            Some(Tree::Table(entries)) => entries,
            _ => {
                self.unusable(&match fields {
                    [] => "an empty table".to_owned(),
                    _ => format!("a table with {}", list(fields)),
                });
                self.silent = true;
                &[]
            }
        };
        for (key, _) in entries.iter().filter(|(key, _)| !fields.contains(&key.as_str())) {
            let free: Vec<&str> =
                fields.iter().copied().filter(|f| entries.iter().all(|(k, _)| k != f)).collect();
            let help = match (nearest(key, free), fields) {
                (Some(near), _) => format!("did you mean `{near}`?"),
                (None, []) => "this table has none".to_owned(),
                (None, _) => format!("known here: {}", list(fields)),
            };
            self.faults.add_unusable(&join(&self.place, &short(key)), format!("is no known key; {help}"));
        }
        visitor.visit_map(Fields { at: self, entries, fields, value: None })
    }
    fn deserialize_enum<V: Visitor<'de>>(
        self,
        _name: &'static str,
        variants: &'static [&'static str],
        visitor: V,
    ) -> Result<V::Value, Stop> {
        let word = match self.present() {
            Some(Tree::Text(text)) => variants.iter().find(|v| *v == text).copied(),
            _ => None,
        };
        let word = word.unwrap_or_else(|| {
            let words = variants.iter().map(|v| format!("\"{v}\"")).collect::<Vec<_>>().join(" or ");
            self.unusable(&words);
            variants.first().copied().unwrap_or_default()
        });
        visitor.visit_enum(Word(word))
    }
    fn deserialize_newtype_struct<V: Visitor<'de>>(
        self,
        _name: &'static str,
        visitor: V,
    ) -> Result<V::Value, Stop> {
        visitor.visit_newtype_struct(self)
    }

    serde::forward_to_deserialize_any! {
        i8 i16 i128 u8 u16 u32 u64 u128 f32 char bytes byte_buf unit unit_struct tuple tuple_struct map
        identifier ignored_any
    }
}

fn join(place: &str, key: &str) -> String {
    if place.is_empty() { key.to_owned() } else { format!("{place}.{key}") }
}

/// The fields of a table in the order of the type; every one is handed over, absent ones as absent.
struct Fields<'a> {
    at: At<'a>,
    entries: &'a [(String, Tree)],
    fields: &'static [&'static str],
    value: Option<&'static str>,
}

impl<'de> MapAccess<'de> for Fields<'_> {
    type Error = Stop;

    fn next_key_seed<K: DeserializeSeed<'de>>(&mut self, seed: K) -> Result<Option<K::Value>, Stop> {
        let Some((field, rest)) = self.fields.split_first() else { return Ok(None) };
        self.fields = rest;
        self.value = Some(field);
        let key: StrDeserializer<'_, Stop> = (*field).into_deserializer();
        seed.deserialize(key).map(Some)
    }
    fn next_value_seed<S: DeserializeSeed<'de>>(&mut self, seed: S) -> Result<S::Value, Stop> {
        let field = self.value.take().ok_or_else(|| Stop::custom("a value was asked for before its key"))?;
        seed.deserialize(At {
            tree: self.entries.iter().find(|(k, _)| k == field).map(|(_, v)| v),
            place: join(&self.at.place, field),
            ..self.at
        })
    }
}

struct Items<'a> {
    at: At<'a>,
    items: &'a [Tree],
    next: usize,
}

impl<'de> SeqAccess<'de> for Items<'_> {
    type Error = Stop;

    fn next_element_seed<S: DeserializeSeed<'de>>(&mut self, seed: S) -> Result<Option<S::Value>, Stop> {
        let Some(item) = self.items.get(self.next) else { return Ok(None) };
        let place = format!("{}[{}]", self.at.place, self.next);
        self.next += 1;
        seed.deserialize(At { tree: Some(item), place, ..self.at }).map(Some)
    }
}

/// A word of an enum without content.
struct Word(&'static str);

impl<'de> EnumAccess<'de> for Word {
    type Error = Stop;
    type Variant = Self;

    fn variant_seed<S: DeserializeSeed<'de>>(self, seed: S) -> Result<(S::Value, Self), Stop> {
        let word: StrDeserializer<'_, Stop> = self.0.into_deserializer();
        Ok((seed.deserialize(word)?, self))
    }
}

impl<'de> VariantAccess<'de> for Word {
    type Error = Stop;

    fn unit_variant(self) -> Result<(), Stop> {
        Ok(())
    }
    fn newtype_variant_seed<S: DeserializeSeed<'de>>(self, _: S) -> Result<S::Value, Stop> {
        Err(Stop::custom("an enum with content cannot be read"))
    }
    fn tuple_variant<V: Visitor<'de>>(self, _: usize, _: V) -> Result<V::Value, Stop> {
        Err(Stop::custom("an enum with content cannot be read"))
    }
    fn struct_variant<V: Visitor<'de>>(self, _: &'static [&'static str], _: V) -> Result<V::Value, Stop> {
        Err(Stop::custom("an enum with content cannot be read"))
    }
}
