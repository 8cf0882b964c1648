//! A made part and a scanner, simulated, with the truth at hand: for the demo, rehearsals and tests.
//!
//! A [`Made`] part is a nominal moved by known [`Deviation`]s; a [`Scanner`] samples what its views see
//! of it, or of a whole [`Scene`] of parts, table and clamps. Uses geometry and nominal only, never what it is meant to test.

mod arrangement;
mod capture;
mod demo;
mod demo_files;
mod depth;
mod deviation;
mod lattice;
mod made;
mod mirror;
mod scanner;
mod scene;
mod sight;
#[cfg(test)]
mod scene_tests;
#[cfg(test)]
mod tests;
pub mod window_surround;
mod write;

pub use arrangement::{ArrangedPart, Arrangement, Hand, arrangement};
pub use demo::{Demo, DemoDent, DemoHole, DemoPart, demo_parts};
pub use demo_files::{DEMO_NOISE_MM, DEMO_SPACING_MM};
pub use deviation::{Dent, Deviation, HoleShift, Warp};
pub use made::Made;
pub use mirror::{mirrored, mirrored_carriers};
pub use scanner::{Scanner, ScannerError, SimulatedScan};
pub use scene::{Clamp, Origin, Scene, ScenePart, SceneScan, Table, TableFrame};
pub use window_surround::WindowSurround;
pub use write::{write_ply, write_ply_ascii, write_stl};
