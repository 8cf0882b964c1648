//! Data onto stdout: tables for people, canonical ProtoJSON for programs. A reader who closed the pipe has
//! seen enough; that is no error.

use std::io::{ErrorKind, IsTerminal, Write};

use anyhow::Context;
use prost::Message;
use prost_reflect::{DescriptorPool, DynamicMessage};
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
        let width = if terminal { terminal_width() } else { None };
        Self { form: global.output, look: Look { width: width.unwrap_or(100), bold: terminal && !plain } }
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
    let pool = DescriptorPool::decode(DESCRIPTOR).context("the embedded contract is damaged")?;
    let descriptor = pool
        .get_message_by_name(&format!("scantling.v1.{kind}"))
        .with_context(|| format!("the embedded contract has no message {kind}"))?;
    let mut dynamic = DynamicMessage::new(descriptor);
    dynamic.transcode_from(message).context("the embedded contract does not fit the program")?;
    Ok(match layout {
        Layout::Indented => serde_json::to_string_pretty(&dynamic)?,
        Layout::OneLine => serde_json::to_string(&dynamic)?,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
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
