//! Canonical JSON and digests: the same value always gives the same bytes.

use serde::Serialize;
use serde_json::Value;
use sha2::{Digest, Sha256};

/// Compact JSON with the keys of every object in byte order and numbers in their shortest form that
/// reads back to the same bits. Core's own values only: their numbers are finite, so it cannot fail
/// on them; a map with keys that are no strings would be a programming error.
pub fn json<T: Serialize>(value: &T) -> String {
    let value = serde_json::to_value(value).expect("core's own types have string keys");
    let mut text = String::new();
    write(&value, &mut text);
    text
}

fn write(value: &Value, out: &mut String) {
    match value {
        Value::Object(map) => {
            // Sorted here, because another crate of the build may switch serde_json to insertion order.
            let mut keys: Vec<&String> = map.keys().collect();
            keys.sort_unstable();
            out.push('{');
            for (i, key) in keys.into_iter().enumerate() {
                if i > 0 {
                    out.push(',');
                }
                out.push_str(&Value::from(key.as_str()).to_string());
                out.push(':');
                write(&map[key], out);
            }
            out.push('}');
        }
        Value::Array(items) => {
            out.push('[');
            for (i, item) in items.iter().enumerate() {
                if i > 0 {
                    out.push(',');
                }
                write(item, out);
            }
            out.push(']');
        }
        other => out.push_str(&other.to_string()),
    }
}

/// SHA-256 of some bytes as 64 lower-case hexadecimal digits.
pub fn sha256_hex(bytes: &[u8]) -> String {
    Sha256::digest(bytes).iter().map(|b| format!("{b:02x}")).collect()
}
