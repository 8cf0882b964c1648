//! One file per command.

#[cfg(feature = "embedded")]
pub(crate) mod demo;
pub(crate) mod measure;
pub(crate) mod part;
pub(crate) mod plan;
pub(crate) mod record;
#[cfg(feature = "embedded")]
pub(crate) mod scan;
#[cfg(feature = "embedded")]
pub(crate) mod serve;

use tonic::transport::Channel;

use crate::output::Output;
use crate::progress::Progress;

/// What a command has at hand.
pub(crate) struct Context {
    pub(crate) channel: Channel,
    /// The service ends with this process.
    pub(crate) own_service: bool,
    pub(crate) output: Output,
    pub(crate) progress: Progress,
}
