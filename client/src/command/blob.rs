//! `push` and `get`: files as the service keeps them, by digest.

use std::path::Path;

use anyhow::Context as _;
use scantling_proto::v1::Blob;

use super::{Context, sources};
use crate::args::{Form, Get, Push};
use crate::download::{download, read};
use crate::exit::Exit;
use crate::names;
use crate::upload::upload;

pub(crate) async fn push(context: &Context, args: Push) -> anyhow::Result<Exit> {
    for file in &args.files {
        let input = sources::open(file).await?;
        let (size, name) = (input.size, input.name.clone());
        let sent = upload(&context.channel, input, &context.progress).await?;
        if sent.known {
            context.progress.say(&format!("{name} was there before"));
        }
        let blob = Blob { name: sent.blob, size_bytes: i64::try_from(size)? };
        context.output.line("Blob", &blob, |blob, _| format!("{}  {} bytes  {name}\n", blob.name, size))?;
    }
    Ok(Exit::Success)
}

pub(crate) async fn get(context: &Context, args: Get) -> anyhow::Result<Exit> {
    let blob = names::blob(&args.blob)?;
    if args.to == Path::new("-") {
        let mut stdout = std::io::stdout();
        return match read(&context.channel, &blob, &mut stdout, &context.progress).await {
            // A reader who closed the pipe has seen enough.
            Err(error) if is_broken_pipe(&error) => Ok(Exit::Success),
            ended => ended.with_context(|| format!("cannot read {blob}")).map(|()| Exit::Success),
        };
    }
    download(&context.channel, &blob, &args.to, &context.progress).await?;
    context.progress.say(&format!("saved as {}", args.to.display()));
    if context.output.form == Form::Json {
        let size_bytes = i64::try_from(std::fs::metadata(&args.to)?.len())?;
        context.output.line("Blob", &Blob { name: blob, size_bytes }, |_, _| String::new())?;
    }
    Ok(Exit::Success)
}

fn is_broken_pipe(error: &anyhow::Error) -> bool {
    let io = error.chain().find_map(|cause| cause.downcast_ref::<std::io::Error>());
    io.is_some_and(|e| e.kind() == std::io::ErrorKind::BrokenPipe)
}
