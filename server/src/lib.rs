//! The measurement service: calls come in over gRPC, work is done beside them, nothing accepted is lost.
//!
//! ```text
//! services  -> convert -> store, blobs      a call: convert, call, convert back
//! worker    -> store, blobs, core, report   an inspection: claim, measure, finish
//! serve                                     puts both behind a listener, and ends them in order
//! ```

pub mod blobs;
pub mod clock;
pub mod config;
pub mod convert;
mod instruments;
mod measuring;
mod nominals;
mod plans;
mod remarks;
pub mod report;
mod serve;
mod service;
mod services;
pub mod store;
mod taken;
mod worker;

pub use config::{Config, Limits};
pub use serve::{Embedded, ServeError, embedded, open_store, run};
pub use store::{Store, StoreError};
