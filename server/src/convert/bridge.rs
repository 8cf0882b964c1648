//! Messages of the contract to and from core's serde types, by descriptor: no converter by hand.
//!
//! A message becomes ProtoJSON with the contract's field names, then its enum words are written as core
//! writes them (`FEATURE_KIND_PLANE` is `"plane"`), and the other way round. Two things differ from plain
//! ProtoJSON, because absent must not become a value: a zero enum, always `..._UNSPECIFIED`, is left out,
//! and 64-bit integers are numbers.

use prost::Message;
use prost_reflect::{
    DynamicMessage, EnumDescriptor, FieldDescriptor, Kind, MessageDescriptor, SerializeOptions,
};
use scantling_proto::v1;
use serde_json::Value;

/// A message that mirrors a serde type of core, name for name.
pub trait Mirrored: Message + Default {
    /// Its full name in the contract.
    const NAME: &'static str;
}

impl Mirrored for v1::Plan {
    const NAME: &'static str = "scantling.v1.Plan";
}

impl Mirrored for v1::Simulation {
    const NAME: &'static str = "scantling.v1.Simulation";
}

impl Mirrored for v1::Advice {
    const NAME: &'static str = "scantling.v1.Advice";
}

impl Mirrored for v1::Evaluation {
    const NAME: &'static str = "scantling.v1.Evaluation";
}

/// Why a message and a value do not fit each other; with matching types it does not happen.
#[derive(Debug, thiserror::Error)]
pub enum BridgeError {
    /// The contract has no such message.
    #[error("the contract has no message {name}")]
    NoSuchMessage {
        /// The name asked for.
        name: &'static str,
    },
    /// The message's bytes do not fit its descriptor.
    #[error("{name} does not fit its descriptor: {source}")]
    Wire {
        /// The message.
        name: &'static str,
        /// What does not fit.
        source: prost::DecodeError,
    },
    /// The value does not fit the message, or the other way round.
    #[error("{name} and core's form of it do not fit: {source}")]
    Form {
        /// The message.
        name: &'static str,
        /// What does not fit.
        source: serde_json::Error,
    },
}

fn descriptor<M: Mirrored>() -> Result<MessageDescriptor, BridgeError> {
    scantling_proto::pool().get_message_by_name(M::NAME).ok_or(BridgeError::NoSuchMessage { name: M::NAME })
}

/// A message as the JSON value that core's type reads.
///
/// # Errors
/// [`BridgeError`] when contract and generated code do not belong together.
pub fn to_value<M: Mirrored>(message: &M) -> Result<Value, BridgeError> {
    let mut dynamic = DynamicMessage::new(descriptor::<M>()?);
    dynamic.transcode_from(message).map_err(|source| BridgeError::Wire { name: M::NAME, source })?;
    dynamic_to_value(&dynamic).map_err(|source| BridgeError::Form { name: M::NAME, source })
}

/// The JSON value of core's type as a message.
///
/// # Errors
/// [`BridgeError::Form`] when the value has a key, a word or a type that the message has not.
pub fn to_message<M: Mirrored>(value: Value) -> Result<M, BridgeError> {
    let dynamic = value_to_dynamic(descriptor::<M>()?, value)
        .map_err(|source| BridgeError::Form { name: M::NAME, source })?;
    dynamic.transcode_to().map_err(|source| BridgeError::Wire { name: M::NAME, source })
}

pub(super) fn dynamic_to_value(message: &DynamicMessage) -> Result<Value, serde_json::Error> {
    let options = SerializeOptions::new()
        .use_proto_field_name(true)
        .skip_default_fields(false)
        .stringify_64_bit_integers(false);
    let mut value = message.serialize_with_options(serde_json::value::Serializer, &options)?;
    words(&prost_reflect::ReflectMessage::descriptor(message), &mut value, &to_core);
    Ok(value)
}

pub(super) fn value_to_dynamic(
    descriptor: MessageDescriptor,
    mut value: Value,
) -> Result<DynamicMessage, serde_json::Error> {
    words(&descriptor, &mut value, &to_contract);
    DynamicMessage::deserialize(descriptor, value)
}

/// `..._UNSPECIFIED`, which the contract's lint asks of every enum, tells the prefix of its words.
pub(super) fn prefix(words: &EnumDescriptor) -> String {
    let zero = words.default_value();
    zero.name().strip_suffix("UNSPECIFIED").unwrap_or_default().to_owned()
}

/// `None` for the zero word.
fn to_core(words: &EnumDescriptor, word: &str) -> Option<String> {
    (word != words.default_value().name())
        .then(|| word.strip_prefix(&prefix(words)).unwrap_or(word).to_lowercase())
}

fn to_contract(words: &EnumDescriptor, word: &str) -> Option<String> {
    Some(format!("{}{}", prefix(words), word.to_uppercase()))
}

type Rename = dyn Fn(&EnumDescriptor, &str) -> Option<String>;

/// Renames the enum words in a message's JSON; a field whose word has no name there is left out.
fn words(message: &MessageDescriptor, value: &mut Value, rename: &Rename) {
    let Value::Object(fields) = value else { return };
    for field in message.fields() {
        if let Some(held) = fields.get_mut(field.name())
            && !field_words(&field, held, rename)
        {
            fields.remove(field.name());
        }
    }
}

/// Whether the field is kept.
fn field_words(field: &FieldDescriptor, held: &mut Value, rename: &Rename) -> bool {
    let kind = match field.kind() {
        Kind::Message(entry) if field.is_map() => entry.map_entry_value_field().kind(),
        kind => kind,
    };
    match held {
        Value::Array(items) if field.is_list() => {
            items.retain_mut(|item| kind_words(&kind, item, rename));
            true
        }
        Value::Object(entries) if field.is_map() => {
            for item in entries.values_mut() {
                kind_words(&kind, item, rename);
            }
            true
        }
        single => kind_words(&kind, single, rename),
    }
}

fn kind_words(kind: &Kind, held: &mut Value, rename: &Rename) -> bool {
    match (kind, held) {
        (Kind::Message(message), held) => {
            words(message, held, rename);
            true
        }
        (Kind::Enum(words), Value::String(word)) => match rename(words, word) {
            Some(renamed) => {
                *word = renamed;
                true
            }
            None => false,
        },
        _ => true,
    }
}
