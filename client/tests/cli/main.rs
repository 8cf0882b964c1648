//! The program as its callers see it, in one test binary: each file a chapter.

mod commands;
mod demo;
mod hand;
mod nominals;
mod neighbours;
mod instruments;
mod scene;
mod sunk;
mod ways;
