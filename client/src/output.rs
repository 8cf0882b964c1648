//! Data onto stdout: tables for people, canonical ProtoJSON for programs. A reader who closed the pipe has
//! seen enough; that is no error.

use std::io::{ErrorKind, IsTerminal, Write};

use anyhow::Context;
use prost::Message;
use prost_reflect::{DescriptorPool, DynamicMessage, MessageDescriptor};
use scantling_proto::DESCRIPTOR;

use crate::args::{Form, Global};
use crate::report::Look;

/// Where and how data goes out.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Output {
    pub(crate) form: Form,
    pub(crate) look: Look,
}

/// Whether anybody still reads.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Reader {
    Listens,
    Gone,
}

impl Output {
    pub(crate) fn new(global: &Global) -> Self {
        let terminal = std::io::stdout().is_terminal();
        // https://no-color.org: present and not empty.
        let plain = std::env::var_os("NO_COLOR").is_some_and(|v| !v.is_empty());
        let columns = stated_columns(std::env::var("COLUMNS").ok().as_deref())
            .or_else(|| if terminal { terminal_width() } else { None });
        let look = Look { width: columns.unwrap_or(100), table_width: columns, bold: terminal && !plain };
        Self { form: global.output, look }
    }

    /// One message: as a table by `table`, or as JSON. `kind` is its name in package `scantling.v1`.
    pub(crate) fn message<M: Message>(
        &self,
        kind: &str,
        message: &M,
        table: impl FnOnce(&M, &Look) -> String,
    ) -> anyhow::Result<Reader> {
        match self.form {
            Form::Table => write(&table(message, &self.look)),
            Form::Json => write(&format!("{}\n", json(kind, message, Layout::Indented)?)),
        }
    }

    /// The same for one message of many: JSON on one line.
    pub(crate) fn line<M: Message>(
        &self,
        kind: &str,
        message: &M,
        table: impl FnOnce(&M, &Look) -> String,
    ) -> anyhow::Result<Reader> {
        match self.form {
            Form::Table => write(&table(message, &self.look)),
            Form::Json => write(&format!("{}\n", json(kind, message, Layout::OneLine)?)),
        }
    }

    /// A JSON value of several messages, or a table by `table`.
    pub(crate) fn value(
        &self,
        value: &serde_json::Value,
        table: impl FnOnce(&Look) -> String,
    ) -> anyhow::Result<Reader> {
        match self.form {
            Form::Table => write(&table(&self.look)),
            Form::Json => write(&format!("{}\n", serde_json::to_string_pretty(value)?)),
        }
    }

    /// Several things as JSON on a line of its own each; nothing when people read.
    #[cfg(feature = "embedded")]
    pub(crate) fn json_line(&self, value: &serde_json::Value) -> anyhow::Result<Reader> {
        match self.form {
            Form::Table => Ok(Reader::Listens),
            Form::Json => write(&format!("{value}\n")),
        }
    }

    /// What core tells by itself: as a table by `table`, or as the JSON of its own fields.
    #[cfg(feature = "embedded")]
    pub(crate) fn fields<T: serde::Serialize>(
        &self,
        told: &T,
        table: impl FnOnce(&T, &Look) -> String,
    ) -> anyhow::Result<Reader> {
        match self.form {
            Form::Table => write(&table(told, &self.look)),
            Form::Json => write(&format!("{}\n", serde_json::to_string_pretty(told)?)),
        }
    }

    /// Text that only people read: nothing when the output is for programs.
    #[cfg(feature = "embedded")]
    pub(crate) fn prose(&self, text: &str) -> anyhow::Result<Reader> {
        match self.form {
            Form::Table => write(text),
            Form::Json => Ok(Reader::Listens),
        }
    }
}

/// Columns that the user states, when they are enough for a table.
fn stated_columns(columns: Option<&str>) -> Option<usize> {
    columns.and_then(|c| c.parse().ok()).filter(|c| *c >= 40)
}

/// Columns of the terminal, when they are enough for a table.
fn terminal_width() -> Option<usize> {
    comfy_table::Table::new().width().filter(|columns| *columns >= 40).map(usize::from)
}

/// Bytes onto stdout.
pub(crate) fn write(text: &str) -> anyhow::Result<Reader> {
    let mut stdout = std::io::stdout().lock();
    match stdout.write_all(text.as_bytes()).and_then(|()| stdout.flush()) {
        Ok(()) => Ok(Reader::Listens),
        Err(e) if e.kind() == ErrorKind::BrokenPipe => Ok(Reader::Gone),
        Err(e) => Err(e).context("cannot write to stdout"),
    }
}

#[derive(Clone, Copy)]
enum Layout {
    Indented,
    OneLine,
}

/// Canonical ProtoJSON by the embedded descriptor: the same text as in every other language, but for
/// white space.
fn json<M: Message>(kind: &str, message: &M, layout: Layout) -> anyhow::Result<String> {
    let mut dynamic = DynamicMessage::new(descriptor(kind)?);
    dynamic.transcode_from(message).context("the embedded contract does not fit the program")?;
    Ok(match layout {
        Layout::Indented => serde_json::to_string_pretty(&dynamic)?,
        Layout::OneLine => serde_json::to_string(&dynamic)?,
    })
}

/// The same as a value, to be put beside others.
pub(crate) fn json_value<M: Message>(kind: &str, message: &M) -> anyhow::Result<serde_json::Value> {
    Ok(serde_json::from_str(&json(kind, message, Layout::OneLine)?)?)
}

/// A message from its ProtoJSON, as strict as the contract.
pub(crate) fn message_of<M: Message + Default>(kind: &str, json: &serde_json::Value) -> anyhow::Result<M> {
    Ok(DynamicMessage::deserialize(descriptor(kind)?, json)?.transcode_to()?)
}

fn descriptor(kind: &str) -> anyhow::Result<MessageDescriptor> {
    let pool = DescriptorPool::decode(DESCRIPTOR).context("the embedded contract is damaged")?;
    pool.get_message_by_name(&format!("scantling.v1.{kind}"))
        .with_context(|| format!("the embedded contract has no message {kind}"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn columns_are_as_stated_when_they_are_enough() {
        assert_eq!(stated_columns(Some("120")), Some(120));
        for useless in [None, Some(""), Some("3"), Some("wide")] {
            assert_eq!(stated_columns(useless), None, "{useless:?}");
        }
    }

    use scantling_proto::v1::{Evaluation, Inspection, Verdict};

    #[test]
    fn json_is_canonical_protojson() -> anyhow::Result<()> {
        let inspection = Inspection {
            name: "inspections/a".into(),
            verdict: Verdict::Conforms.into(),
            // 0 is not absent.
            evaluations: vec![Evaluation { value_mm: Some(0.0), ..Evaluation::default() }],
            sequence: Some(7),
            ..Inspection::default()
        };
        assert_eq!(
            json("Inspection", &inspection, Layout::OneLine)?,
            r#"{"name":"inspections/a","verdict":"VERDICT_CONFORMS","evaluations":[{"valueMm":0.0}],"sequence":"7"}"#
        );
        Ok(())
    }
}
