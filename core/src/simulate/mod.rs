//! A made part and a scanner, simulated, with the truth at hand: for the demo, rehearsals and tests.
//!
//! A [`Made`] part is a nominal moved by known [`Deviation`]s; a [`Scanner`] samples what its views see
//! of it, or of a whole [`Scene`] of parts, table and clamps. Uses geometry and nominal only, never what it is meant to test.

mod arrangement;
mod capture;
mod cells;
mod demo;
mod demo_files;
mod depth;
mod deviation;
#[cfg(test)]
mod deviation_tests;
mod edges;
mod export;
mod fault;
mod field;
pub mod file;
mod file_check;
mod file_of;
#[cfg(test)]
mod file_tests;
mod filling;
mod imperfection;
#[cfg(test)]
mod imperfection_tests;
mod lattice;
mod made;
mod mirror;
mod scanner;
mod scanner_check;
mod scene;
mod sight;
mod simulation;
mod target;
#[cfg(test)]
mod scene_tests;
#[cfg(test)]
mod tests;
pub mod window_surround;
mod write;

pub use arrangement::{ArrangedPart, Arrangement, Hand, arrangement};
pub use demo::{Demo, DemoDent, DemoHole, DemoPart, demo_parts};
pub use demo_files::{DEMO_NOISE_MM, DEMO_SPACING_MM};
pub use deviation::{
    Cure, Dent, Deviation, HoleShift, PlyDrop, ResinRidge, Sag, SpringIn, ThicknessChange, TrimOffset, Warp,
};
pub use fault::Fault;
pub use file::{SIMULATION_SCHEMA_VERSION, SimulationFile};
pub use imperfection::{CorrelatedNoise, DropOut, Imperfections, PassSeams, ReferenceTargets, SurfaceClass};
pub use made::Made;
pub use mirror::{mirrored, mirrored_carriers};
pub use scanner::{Scanner, ScannerError, SimulatedScan};
pub use scene::{Clamp, Origin, Scene, ScenePart, SceneScan, Table, TableFrame, Taken};
pub use simulation::{
    Foretold, Instance, InstanceTruth, Layout, Pose, SimulateError, Simulated, SimulatedPart, Simulation,
    foretell, simulate,
};
pub use window_surround::WindowSurround;
pub use write::{write_ply, write_ply_ascii, write_stl};
