//! Nominals for `part faces` and `part diff`: a file or a revision, each read with what of the options it has a use for.

use std::path::PathBuf;

use anyhow::Context as _;
use scantling_core::nominal::{
    Nominal, NominalError, NominalFile, NominalFileError, NominalPart, Side, read_with_parts,
};
use scantling_core::run::{Limits, quiet};

use super::Context;
use super::nominal::of_revision;
use crate::args::{MaterialSide, NominalArgs, NominalPlace};
use crate::exit::Exit;
use crate::input::Input;
use crate::names::short_revision;

/// What a nominal is read from.
pub(super) enum Source {
    File(PathBuf),
    Revision { name: String, bytes: Vec<u8>, how: NominalFile },
}

/// What a place on the command line means; `context` where a revision is named.
pub(super) async fn source(context: Option<&Context>, place: NominalPlace) -> anyhow::Result<Source> {
    Ok(match place {
        NominalPlace::File(path) => Source::File(path),
        NominalPlace::Revision(name) => {
            let context = context.context("a revision is asked for without a service")?;
            let (bytes, how) = of_revision(context, &name).await?;
            Source::Revision { name: short_revision(&name), bytes, how }
        }
    })
}

/// A nominal that was read, and what it is called.
pub(super) struct Taken {
    pub(super) name: String,
    pub(super) nominal: Nominal,
    /// Of a STEP file.
    pub(super) parts: Vec<NominalPart>,
}

/// Which of the options about reading some file had a use for.
#[derive(Default)]
pub(super) struct Used {
    unit: bool,
    part: bool,
}

impl Used {
    /// # Errors
    /// An option that none of the files named has a use for.
    pub(super) fn check(&self, args: &NominalArgs, names: &[&str]) -> anyhow::Result<()> {
        let names = names.join(" and ");
        if args.unit.is_some() && !self.unit {
            return Err(Exit::Refused.because(format!(
                "cannot read {names}: a STEP file tells its own length units, and a revision knows its own: leave --unit out"
            )));
        }
        if args.part.is_some() && !self.part {
            return Err(Exit::Refused.because(format!(
                "cannot read {names}: only a STEP file holds parts by name, and a revision knows its own: leave --part out"
            )));
        }
        Ok(())
    }
}

impl Source {
    /// The nominal by what of the options its file has a use for. Blocks.
    pub(super) fn nominal(&self, args: &NominalArgs, used: &mut Used) -> anyhow::Result<Taken> {
        let path = match self {
            Self::File(path) => path,
            Self::Revision { name, bytes, how } => {
                let (nominal, parts) =
                    read_with_parts(bytes, how, &quiet()).map_err(|e| unreadable(name, &e))?;
                return Ok(Taken { name: name.clone(), nominal, parts });
            }
        };
        let mut input = Input::open(path)?;
        let bytes = input.bytes(Limits::default().file_bytes)?;
        let side = args.side.map(|side| match side {
            MaterialSide::BehindNormal => Side::BehindNormal,
            MaterialSide::InFrontOfNormal => Side::InFrontOfNormal,
        });
        let mut how = NominalFile { unit: args.unit.map(Into::into), side, part: args.part.clone() };
        let (nominal, parts) = loop {
            match read_with_parts(&bytes, &how, &quiet()) {
                // For the other file, if any; what none had a use for is refused when all are read.
                Err(NominalFileError::UnitInFile) if how.unit.is_some() => how.unit = None,
                Err(NominalFileError::NoParts) if how.part.is_some() => how.part = None,
                other => break other.map_err(|e| unreadable(&input.name, &e))?,
            }
        };
        used.unit |= how.unit.is_some();
        used.part |= how.part.is_some();
        Ok(Taken { name: input.name, nominal, parts })
    }
}

/// In the words of the command line, where core speaks of a plan.
fn unreadable(name: &str, e: &NominalFileError) -> anyhow::Error {
    let why = match e {
        NominalFileError::UnitNeeded => {
            "its format tells no length unit, and it is never guessed: add --unit".into()
        }
        NominalFileError::Nominal(NominalError::SideNeeded { open_edges, near }) => format!(
            "it is an open sheet ({open_edges} open edges, the first near {near}): add --side (behind-normal or \
             in-front-of-normal), or export a closed solid"
        ),
        NominalFileError::Nominal(NominalError::TooMany { limit }) => format!(
            "its parts as they are placed have more than {limit} triangles: name the part that is meant with --part"
        ),
        other => other.to_string(),
    };
    Exit::Refused.because(format!("cannot read {name}: {why}"))
}
