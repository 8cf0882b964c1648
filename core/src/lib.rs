//! Scantling's geometry: a scan goes in, a verdict with its evidence comes out.
//!
//! ```text
//! file bytes -> Scan -> Placement -> Alignment -> MeasuredFeature -> AssociatedFeature
//!            -> DatumSystem -> Evaluation -> Verdict -> Record
//! ```
//!
//! The modules stand in reading order and each uses only those before it (a test holds that). Nothing
//! here knows of files, network, clock or environment. Inside, lengths are millimetres, angles radians,
//! and the sign of a distance is positive outside the material. Motions are named by both ends:
//! `part_from_scan`. The same input gives the same bits on any number of threads.

#![warn(missing_docs)]

pub mod canonical;
pub mod run;

pub mod geometry;
pub mod search;
pub mod read;
pub mod scan;
pub mod nominal;
pub mod plan;
pub mod points;
pub mod readings;
pub mod filter;
pub mod align;
pub mod partition;
pub mod edge;
pub mod associate;
pub mod datum;
pub mod tolerance;
pub mod record;
pub mod uncertainty;
pub mod conformity;
pub mod verification;
pub mod evaluate;
pub mod inspect;
pub mod self_check;

pub mod simulate;
