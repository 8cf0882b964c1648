//! The measurement service.
