//! The measurement service.

pub mod report;
