//! The measurement service.
pub mod convert;
