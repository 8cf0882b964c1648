//! A blob becomes a file, which appears once it is whole and its digest is right.

use std::io::{ErrorKind, Write};
use std::path::Path;

use anyhow::Context;
use scantling_proto::v1::blob_service_client::BlobServiceClient;
use scantling_proto::v1::{GetBlobRequest, ReadBlobRequest};
use sha2::{Digest, Sha256};
use tempfile::NamedTempFile;
use tonic::transport::Channel;

use crate::connect::patiently;
use crate::exit::Exit;
use crate::progress::Progress;

/// A file to be: written beside its name first.
pub(crate) struct Output<'a> {
    to: &'a Path,
    part: NamedTempFile,
}

impl<'a> Output<'a> {
    /// Finds out whether the file can be written, before anything is done for it.
    pub(crate) fn at(to: &'a Path) -> anyhow::Result<Self> {
        if to.is_dir() {
            return Err(unwritable(to, &"it is a folder; name a file in it"));
        }
        let folder = match to.parent() {
            Some(parent) if !parent.as_os_str().is_empty() => parent,
            _ => Path::new("."),
        };
        let part = NamedTempFile::new_in(folder).map_err(|e| match e.kind() {
            ErrorKind::NotFound => unwritable(to, &"there is no such folder; make it first"),
            ErrorKind::PermissionDenied => unwritable(to, &"its folder may not be written to"),
            // The temporary file's own name, which the whole error tells, helps nobody.
            kind => unwritable(to, &kind),
        })?;
        Ok(Self { to, part })
    }

    /// Where to write.
    pub(crate) fn file(&mut self) -> &mut std::fs::File {
        self.part.as_file_mut()
    }

    /// What is written gets its name.
    pub(crate) fn finish(self) -> anyhow::Result<()> {
        let file = self.part.persist(self.to).map_err(|e| unwritable(self.to, &e.error))?;
        // Temporary files are private; a report is as public as the folder it is saved in.
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt;
            file.set_permissions(std::fs::Permissions::from_mode(0o644))
                .map_err(|e| unwritable(self.to, &e))?;
        }
        #[cfg(not(unix))]
        drop(file);
        Ok(())
    }
}

/// A file of the user's that cannot be written.
pub(crate) fn unwritable(to: &Path, why: &dyn std::fmt::Display) -> anyhow::Error {
    Exit::Refused
        .because(format!("cannot write {}: {why}", crate::report::printable(&to.display().to_string())))
}

/// Saves a blob as a file.
pub(crate) async fn download(
    channel: &Channel,
    blob: &str,
    to: &Path,
    progress: &Progress,
) -> anyhow::Result<()> {
    let mut output = Output::at(to)?;
    read(channel, blob, output.file(), progress)
        .await
        .with_context(|| format!("cannot save {}", crate::report::printable(&to.display().to_string())))?;
    output.finish()
}

/// Writes a blob's bytes; an error where they are not those that its name says.
pub(crate) async fn read(
    channel: &Channel,
    blob: &str,
    to: &mut (dyn Write + Send),
    progress: &Progress,
) -> anyhow::Result<()> {
    let mut client = BlobServiceClient::new(channel.clone());
    let asked = GetBlobRequest { name: blob.to_owned() };
    let about = patiently(async || client.get_blob(asked.clone()).await).await?;
    let bar = progress.bytes("download", u64::try_from(about.size_bytes).unwrap_or(0));
    let request = ReadBlobRequest { name: blob.to_owned() };
    let mut chunks = patiently(async || client.read_blob(request.clone()).await).await?;
    let mut hasher = Sha256::new();
    while let Some(message) = chunks.message().await? {
        hasher.update(&message.chunk);
        to.write_all(&message.chunk).context("cannot write")?;
        bar.inc(message.chunk.len() as u64);
    }
    to.flush().context("cannot write")?;
    bar.finish_and_clear();
    let sha256: String = hasher.finalize().iter().map(|b| format!("{b:02x}")).collect();
    anyhow::ensure!(blob == format!("blobs/{sha256}"), "{blob} came with other bytes than its name says");
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_that_cannot_be_written_is_told_by_its_own_name_before_anything_else() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let there = folder.path().join("nowhere/report.html");
        let error = Output::at(&there).err().expect("refused");
        assert_eq!(Exit::of_error(&error), Exit::Refused);
        assert_eq!(
            error.to_string(),
            format!(
                "cannot write {}: there is no such folder; make it first",
                crate::report::printable(&there.display().to_string())
            )
        );
        assert!(Output::at(folder.path()).is_err(), "a folder is no file");
        let good = folder.path().join("report.html");
        assert!(Output::at(&good).is_ok());
        assert!(!good.exists(), "nothing is left when nothing is written");
    }
}
