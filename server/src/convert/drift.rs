//! Holds contract and core together: every field filled, round both ways, and both lists of fields equal.

use super::bridge::{self, Mirrored};
use prost_reflect::{DynamicMessage, Kind, MapKey, MessageDescriptor, Value as Held};
use scantling_core::plan::PlanFile;
use scantling_core::record::{Advice, Evaluation};
use scantling_core::simulate::SimulationFile;
use scantling_proto::v1;
use serde::Serialize;
use serde::de::value::StrDeserializer;
use serde::de::{
    DeserializeOwned, DeserializeSeed, Deserializer, EnumAccess, Error, IntoDeserializer, MapAccess,
    SeqAccess, VariantAccess, Visitor, value,
};
use std::cell::RefCell;
use std::collections::BTreeSet;

#[test]
fn the_plan_of_the_contract_and_of_the_file_are_one() {
    one::<v1::Plan, PlanFile>();
}

#[test]
fn the_evaluation_of_the_contract_and_of_the_record_are_one() {
    one::<v1::Evaluation, Evaluation>();
}

#[test]
fn the_advice_of_the_contract_and_of_the_record_are_one() {
    of_some_fields::<v1::Advice, Advice>(9);
}

#[test]
fn the_simulation_of_the_contract_and_of_the_file_are_one() {
    one::<v1::Simulation, SimulationFile>();
}

fn one<M: Mirrored + PartialEq, T: DeserializeOwned + Serialize>() {
    of_some_fields::<M, T>(36);
}

/// `least` fields at least, so that the list is far from empty.
fn of_some_fields<M: Mirrored + PartialEq, T: DeserializeOwned + Serialize>(least: usize) {
    let descriptor = scantling_proto::pool().get_message_by_name(M::NAME).unwrap();
    let in_contract = contract_fields(&descriptor);
    assert!(in_contract.len() >= least, "the list is far from empty: {in_contract:#?}");
    let in_core = core_fields::<T>();
    assert_eq!(
        in_contract.symmetric_difference(&in_core).collect::<Vec<_>>(),
        Vec::<&String>::new(),
        "only on one side"
    );

    // As many rounds as the largest enum has words, so that each word goes through.
    for round in 0..12 {
        let full = fill(&descriptor, round, &mut 0);
        let message: M = full.transcode_to().unwrap();
        let value = bridge::to_value(&message).unwrap();
        let core: T = serde_json::from_value(value.clone()).unwrap();
        let back = serde_json::to_value(&core).unwrap();
        assert_eq!(back, value, "through core");
        assert!(bridge::to_message::<M>(back).unwrap() == message, "back into the message");
    }
}

/// A message with every field set, each to another value.
fn fill(descriptor: &MessageDescriptor, round: usize, count: &mut i32) -> DynamicMessage {
    let mut message = DynamicMessage::new(descriptor.clone());
    for field in descriptor.fields() {
        let held = if field.is_map() {
            let Kind::Message(entry) = field.kind() else { unreachable!("a map has entries") };
            let kind = entry.map_entry_value_field().kind();
            let key = |i: i32| MapKey::String(format!("key {i}"));
            Held::Map((0..2).map(|i| (key(i), one_value(&kind, round, count))).collect())
        } else if field.is_list() {
            // Three, because places have three coordinates.
            Held::List((0..3).map(|i| one_value(&field.kind(), round + i, count)).collect())
        } else {
            one_value(&field.kind(), round, count)
        };
        message.set_field(&field, held);
    }
    message
}

fn one_value(kind: &Kind, round: usize, count: &mut i32) -> Held {
    *count += 1;
    match kind {
        Kind::Double => Held::F64(f64::from(*count) + 0.1),
        Kind::Int32 => Held::I32(*count),
        Kind::Int64 => Held::I64(i64::from(*count) << 33),
        Kind::Bool => Held::Bool(true),
        Kind::String => Held::String(format!("text {count}")),
        Kind::Enum(words) => {
            let numbers: Vec<i32> = words.values().map(|v| v.number()).filter(|&n| n != 0).collect();
            Held::EnumNumber(numbers[round % numbers.len()])
        }
        Kind::Message(message) => Held::Message(fill(message, round, count)),
        other => panic!("this test does not know {other:?} yet"),
    }
}

/// `feature[].kind=plane`, `plan_version: whole`, ...: every field and word of a message.
fn contract_fields(descriptor: &MessageDescriptor) -> BTreeSet<String> {
    fn walk(kind: &Kind, place: &str, out: &mut BTreeSet<String>) {
        match kind {
            Kind::Message(message) => {
                out.insert(format!("{place}: table"));
                for field in message.fields() {
                    let place = format!("{place}.{}", field.name());
                    match field.kind() {
                        Kind::Message(entry) if field.is_map() => {
                            walk(&entry.map_entry_value_field().kind(), &(place + "{}"), out);
                        }
                        kind if field.is_list() => walk(&kind, &(place + "[]"), out),
                        kind => walk(&kind, &place, out),
                    }
                }
            }
            Kind::Enum(words) => {
                for word in words.values().filter(|v| v.number() != 0) {
                    let word = word.name().strip_prefix(&bridge::prefix(words)).unwrap().to_lowercase();
                    out.insert(format!("{place}={word}"));
                }
            }
            Kind::Double => drop(out.insert(format!("{place}: number"))),
            Kind::Int32 | Kind::Int64 => drop(out.insert(format!("{place}: whole"))),
            Kind::Bool => drop(out.insert(format!("{place}: bool"))),
            Kind::String => drop(out.insert(format!("{place}: text"))),
            other => panic!("this test does not know {other:?} yet"),
        }
    }
    let mut out = BTreeSet::new();
    walk(&Kind::Message(descriptor.clone()), "", &mut out);
    out
}

/// The same list of a serde type: a deserializer that is asked for every field and writes down what for.
fn core_fields<T: DeserializeOwned>() -> BTreeSet<String> {
    let out = RefCell::default();
    T::deserialize(Asked { place: String::new(), out: &out }).map(drop).unwrap();
    out.into_inner()
}

#[derive(Clone)]
struct Asked<'a> {
    place: String,
    out: &'a RefCell<BTreeSet<String>>,
}

impl Asked<'_> {
    fn note(&self, what: &str) {
        self.out.borrow_mut().insert(format!("{}{what}", self.place));
    }
    fn below(&self, tail: &str) -> Self {
        Self { place: format!("{}{tail}", self.place), out: self.out }
    }
}

macro_rules! leaf {
    ($($asked:ident $what:literal $visit:ident $sample:expr;)*) => {$(
        fn $asked<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, value::Error> {
            self.note($what);
            visitor.$visit($sample)
        }
    )*};
}

impl<'de> Deserializer<'de> for Asked<'_> {
    type Error = value::Error;

    leaf! {
        deserialize_bool ": bool" visit_bool true;
        deserialize_i32 ": whole" visit_i32 1;
        deserialize_i64 ": whole" visit_i64 1;
        deserialize_u32 ": whole" visit_u32 1;
        deserialize_u64 ": whole" visit_u64 1;
        deserialize_f64 ": number" visit_f64 1.0;
        deserialize_str ": text" visit_str "a";
        deserialize_string ": text" visit_str "a";
    }
    fn deserialize_option<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, value::Error> {
        visitor.visit_some(self)
    }
    fn deserialize_seq<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, value::Error> {
        visitor.visit_seq(Inside { at: self.below("[]"), keys: vec![""] })
    }
    fn deserialize_tuple<V: Visitor<'de>>(self, len: usize, visitor: V) -> Result<V::Value, value::Error> {
        visitor.visit_seq(Inside { at: self.below("[]"), keys: vec![""; len] })
    }
    fn deserialize_map<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, value::Error> {
        visitor.visit_map(Inside { at: self.below("{}"), keys: vec![""] })
    }
    fn deserialize_struct<V: Visitor<'de>>(
        self,
        _: &'static str,
        fields: &'static [&'static str],
        visitor: V,
    ) -> Result<V::Value, value::Error> {
        self.note(": table");
        visitor.visit_map(Inside { at: self.below("."), keys: fields.iter().rev().copied().collect() })
    }
    fn deserialize_enum<V: Visitor<'de>>(
        self,
        _: &'static str,
        words: &'static [&'static str],
        visitor: V,
    ) -> Result<V::Value, value::Error> {
        for word in words {
            self.note(&format!("={word}"));
        }
        visitor.visit_enum(Word(words[0]))
    }
    fn deserialize_any<V: Visitor<'de>>(self, _: V) -> Result<V::Value, value::Error> {
        Err(Error::custom(format_args!("this test does not know what {} asks for", self.place)))
    }
    serde::forward_to_deserialize_any! {
        i8 i16 i128 u8 u16 u128 f32 char bytes byte_buf unit unit_struct newtype_struct tuple_struct
        identifier ignored_any
    }
}

struct Inside<'a> {
    at: Asked<'a>,
    keys: Vec<&'static str>,
}

impl<'de> SeqAccess<'de> for Inside<'_> {
    type Error = value::Error;
    fn next_element_seed<S: DeserializeSeed<'de>>(
        &mut self,
        seed: S,
    ) -> Result<Option<S::Value>, value::Error> {
        self.keys.pop().map(|_| seed.deserialize(self.at.clone())).transpose()
    }
}

impl<'de> MapAccess<'de> for Inside<'_> {
    type Error = value::Error;
    fn next_key_seed<S: DeserializeSeed<'de>>(&mut self, seed: S) -> Result<Option<S::Value>, value::Error> {
        let Some(key) = self.keys.last().copied() else { return Ok(None) };
        let key: StrDeserializer<'_, value::Error> = key.into_deserializer();
        seed.deserialize(key).map(Some)
    }
    fn next_value_seed<S: DeserializeSeed<'de>>(&mut self, seed: S) -> Result<S::Value, value::Error> {
        let key = self.keys.pop().unwrap_or_default();
        seed.deserialize(self.at.below(key))
    }
}

struct Word(&'static str);

impl<'de> EnumAccess<'de> for Word {
    type Error = value::Error;
    type Variant = Self;
    fn variant_seed<S: DeserializeSeed<'de>>(self, seed: S) -> Result<(S::Value, Self), value::Error> {
        let word: StrDeserializer<'_, value::Error> = self.0.into_deserializer();
        Ok((seed.deserialize(word)?, self))
    }
}

impl<'de> VariantAccess<'de> for Word {
    type Error = value::Error;
    fn unit_variant(self) -> Result<(), value::Error> {
        Ok(())
    }
    fn newtype_variant_seed<S: DeserializeSeed<'de>>(self, _: S) -> Result<S::Value, value::Error> {
        Err(Error::custom("a word with content has no mirror in the contract"))
    }
    fn tuple_variant<V: Visitor<'de>>(self, _: usize, _: V) -> Result<V::Value, value::Error> {
        Err(Error::custom("a word with content has no mirror in the contract"))
    }
    fn struct_variant<V: Visitor<'de>>(
        self,
        _: &'static [&'static str],
        _: V,
    ) -> Result<V::Value, value::Error> {
        Err(Error::custom("a word with content has no mirror in the contract"))
    }
}
