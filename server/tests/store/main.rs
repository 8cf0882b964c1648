//! What every store must do, and what the SQLite store does with its folder.

#![allow(clippy::unwrap_used, reason = "a test may end so")]

mod bench;
mod content;
mod folder;
mod inspections;
mod register;
