//! Why a STEP file could not be read, and what to do about it.

use super::graph::EntityFault;
use super::part21::Part21Error;
use crate::run::Stopped;

/// Why a STEP file could not be read as a whole. A single face that could not is told beside the others.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum StepError {
    /// The caller stopped.
    #[error(transparent)]
    Stopped(#[from] Stopped),
    /// Bytes of something else.
    #[error("the file is no STEP file: one begins with `ISO-10303-21;`")]
    NotStep,
    /// Damage.
    #[error("STEP, line {line}: {problem}: the file is damaged or cut short; export it again")]
    Syntax {
        /// Where, from 1.
        line: u64,
        /// What is wrong.
        problem: String,
    },
    /// One id for two instances.
    #[error("STEP, line {line}: #{id} is defined twice; export the file again")]
    Twice {
        /// The id.
        id: u64,
        /// Where it stands the second time.
        line: u64,
    },
    /// More of something than allowed.
    #[error("the STEP file holds more than {limit} {what}")]
    TooMany {
        /// Of what.
        what: &'static str,
        /// Most allowed.
        limit: u64,
    },
    /// More bytes than allowed.
    #[error("the file has {bytes} bytes, more than the {limit} allowed")]
    FileTooLarge {
        /// Length of the file.
        bytes: u64,
        /// Most allowed.
        limit: u64,
    },
    /// A chord error that makes no sense.
    #[error("a chord error of {chord_mm} mm: state 0.00001 mm or more")]
    Chord {
        /// What was stated.
        chord_mm: f64,
    },
    /// Something that the whole part hangs on.
    #[error(transparent)]
    Entity(EntityFault),
    /// No solids and no surfaces.
    #[error(
        "the STEP file holds no solids and no surfaces with faces{}: export the part with its exact geometry (B-rep)",
        if *tessellated { ", only triangles" } else { "" }
    )]
    NoShape {
        /// Whether it holds triangles instead.
        tessellated: bool,
    },
    /// Parts that are placed in themselves only.
    #[error(
        "the STEP file's assembly places every part in itself, so none has a place: name the part that is meant"
    )]
    Circle,
    /// No part of that name.
    #[error("the STEP file has no part `{wanted}`; it has {}", names.join(", "))]
    NoPart {
        /// What was asked for.
        wanted: String,
        /// What there is.
        names: Vec<String>,
    },
    /// Several parts of that name.
    #[error("the STEP file has {count} parts `{wanted}`: give them names of their own")]
    SeveralParts {
        /// What was asked for.
        wanted: String,
        /// How many have that name.
        count: usize,
    },
}

impl From<Part21Error> for StepError {
    fn from(error: Part21Error) -> Self {
        match error {
            Part21Error::Stopped => Self::Stopped(Stopped),
            Part21Error::NotStep => Self::NotStep,
            Part21Error::Syntax(s) => Self::Syntax { line: s.line, problem: s.problem },
            Part21Error::TooMany { what, limit, .. } => Self::TooMany { what, limit: limit as u64 },
            Part21Error::Twice { id, line } => Self::Twice { id, line },
        }
    }
}
