//! Files that the user names; `-` is stdin, kept in a nameless file until it is sent.

use std::fs::File;
use std::io::{Read, Seek, SeekFrom};
use std::path::Path;

use anyhow::Context;

use crate::exit::Exit;
use crate::report::printable;

/// A file that is open from its start.
pub(crate) struct Input {
    pub(crate) file: File,
    pub(crate) size: u64,
    /// What to call it in messages.
    pub(crate) name: String,
}

/// No plan is longer; more than a person could write or check.
const LONGEST_PLAN: u64 = 4 << 20;

impl Input {
    /// Opens a file or takes in stdin. Blocks.
    pub(crate) fn open(path: &Path) -> anyhow::Result<Self> {
        if path == Path::new("-") {
            let mut file = temporary("stdin")?;
            let size = std::io::copy(&mut std::io::stdin().lock(), &mut file)
                .map_err(|e| Exit::Refused.because(format!("cannot read or keep stdin: {e}")))?;
            file.seek(SeekFrom::Start(0)).context("stdin cannot be kept in a temporary file")?;
            return Ok(Self { file, size, name: "stdin".to_owned() });
        }
        let name = printable(&path.display().to_string());
        let refused = |e: &dyn std::fmt::Display| Exit::Refused.because(format!("cannot read {name}: {e}"));
        let file = File::open(path).map_err(|e| refused(&e))?;
        let about = file.metadata().map_err(|e| refused(&e))?;
        if !about.is_file() {
            return Err(refused(&"it is no file"));
        }
        Ok(Self { file, size: about.len(), name })
    }

    /// All bytes of a scan or a nominal. Blocks.
    #[cfg(feature = "embedded")]
    pub(crate) fn bytes(&mut self, most: u64) -> anyhow::Result<Vec<u8>> {
        let refused =
            |e: &dyn std::fmt::Display| Exit::Refused.because(format!("cannot read {}: {e}", self.name));
        if self.size > most {
            return Err(refused(&format!("a file has at most {most} bytes, this has {}", self.size)));
        }
        let mut bytes = Vec::with_capacity(usize::try_from(self.size)?);
        (&mut self.file).take(most + 1).read_to_end(&mut bytes).map_err(|e| refused(&e))?;
        Ok(bytes)
    }

    /// The whole text of a plan. Blocks.
    pub(crate) fn text(&mut self) -> anyhow::Result<String> {
        let bytes = self.small("a plan", LONGEST_PLAN)?;
        String::from_utf8(bytes).map_err(|e| {
            Exit::Refused.because(format!("cannot read {}: it is no UTF-8 text: {e}", self.name))
        })
    }

    /// All bytes of something that people write. Blocks.
    pub(crate) fn small(&mut self, what: &str, most: u64) -> anyhow::Result<Vec<u8>> {
        let refused =
            |e: &dyn std::fmt::Display| Exit::Refused.because(format!("cannot read {}: {e}", self.name));
        if self.size > most {
            return Err(refused(&format!("{what} has at most {most} bytes, this has {}", self.size)));
        }
        let mut bytes = Vec::new();
        (&mut self.file).take(most).read_to_end(&mut bytes).map_err(|e| refused(&e))?;
        Ok(bytes)
    }
}

/// A nameless file in the platform's folder for such.
pub(crate) fn temporary(what: &str) -> anyhow::Result<File> {
    tempfile::tempfile().map_err(|e| {
        let folder = std::env::temp_dir();
        Exit::Refused.because(format!(
            "{what} cannot be kept in the folder for temporary files, {}: {e}; name another in TMPDIR",
            folder.display()
        ))
    })
}
