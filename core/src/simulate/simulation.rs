//! A checked simulation, and what comes out of it.

use super::arrangement::{Hand, arrangement};
use super::deviation::Deviation;
use super::made::Made;
use super::mirror::{mirrored, mirrored_carriers};
use super::scanner::{Scanner, ScannerError};
use super::scene::{Clamp, Origin, Scene, ScenePart, SceneScan, Table, TableFrame, Taken};
use super::window_surround::WindowSurround;
use super::write::write_ply;
use crate::geometry::random::Random;
use crate::geometry::{Direction, Motion, PartFrame, Point, ScanFrame, TriangleMesh, Vector};
use crate::nominal::{Carrier, Nominal};
use crate::run::Run;

/// What was made.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum SimulatedPart {
    /// The built-in part, this many times its size.
    WindowSurround(f64),
    /// The nominal handed over.
    Nominal,
}

/// A part of the scene.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Instance {
    /// Its hand.
    pub hand: Hand,
    /// x and y of the middle of its box on the table, and the height of its lowest point, mm; `None` for a
    /// part in its own axes.
    pub at_mm: Option<[f64; 3]>,
    /// Turn about z, rad.
    pub turn_rad: f64,
}

/// What lies before the scanner.
#[derive(Clone, Debug, PartialEq)]
pub enum Layout {
    /// Good, bad and mirrored window surrounds by the seed.
    Arrangement([usize; 3]),
    /// As listed.
    Listed {
        /// The table.
        table: Option<Table>,
        /// The parts.
        instances: Vec<Instance>,
        /// Clamps.
        clamps: Vec<Clamp>,
    },
}

/// How the scene lies before the scanner.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Pose {
    /// By the seed.
    Random,
    /// As given.
    Given(Motion<ScanFrame, TableFrame>),
}

/// A simulation without faults; comes only from [`super::file::SimulationFile::check`].
#[derive(Clone, Debug, PartialEq)]
pub struct Simulation {
    pub(super) seed: u64,
    pub(super) part: SimulatedPart,
    pub(super) scanner: Scanner,
    /// With the instance each was made on; `None` for every one.
    pub(super) deviations: Vec<(Option<usize>, Deviation)>,
    pub(super) layout: Layout,
    pub(super) pose: Pose,
}

/// The truth about a part of a simulated scan.
#[derive(Clone, Debug)]
pub struct InstanceTruth {
    /// Its hand.
    pub hand: Hand,
    /// The made part, free of noise: truth is what an operator finds on it.
    pub made: Made,
    /// How it lies before the scanner.
    pub scan_from_part: Motion<ScanFrame, PartFrame>,
    /// Of an arrangement: numbers of the plan's characteristics that it was made to fail.
    pub touched_numbers: Vec<String>,
}

/// A simulated scan and the truth about it.
#[derive(Clone, Debug)]
pub struct Simulated {
    /// Points with their origins.
    pub scan: SceneScan,
    /// The parts, in the order of [`Origin::Part`].
    pub parts: Vec<InstanceTruth>,
}

/// Why nothing was simulated.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum SimulateError {
    /// The file asks for a nominal, and none is there.
    #[error("the simulation is of a nominal; hand one over, or write `window_surround` as its part")]
    NoNominal,
    /// The scanner refused.
    #[error(transparent)]
    Scanner(#[from] ScannerError),
}

impl Simulation {
    /// Whether it is of a nominal that must be handed over.
    pub fn needs_nominal(&self) -> bool {
        self.part == SimulatedPart::Nominal
    }
}

impl Simulated {
    /// The scan as a binary PLY file in mm with normals.
    pub fn ply(&self) -> Vec<u8> {
        write_ply(&self.scan.points, &self.scan.normals)
    }

    /// How many points were taken from a part, the table and all clamps, as they are.
    pub fn points_of(&self, origin: Origin) -> usize {
        let both = self.scan.origin.iter().zip(&self.scan.taken);
        both.filter(|(o, taken)| **o == origin && **taken != Taken::Filling).count()
    }
}

/// Makes, lays out and scans. `nominal` is needed only where the file's part is the nominal.
///
/// # Errors
/// No nominal where one is needed; settings at which there is no scan; a stop.
pub fn simulate(
    run: &Run,
    simulation: &Simulation,
    nominal: Option<&Nominal>,
) -> Result<Simulated, SimulateError> {
    let mut random = Random::seeded(simulation.seed ^ 0x51AA_7ED0);
    let random_pose = {
        let shift = Vector::from_fn(|_, _| random.range(-300.0, 300.0));
        Motion::from_turn_and_shift(random.turn(), shift)
    };
    let scan_from_table = match simulation.pose {
        Pose::Random => random_pose,
        Pose::Given(motion) => motion,
    };
    let (scene, hands, touched) = laid_out(simulation, nominal)?;
    let scan = simulation.scanner.scan_scene(run, &scene, &scan_from_table)?;
    let with = scene.parts.into_iter().zip(hands).zip(touched);
    let parts = with.map(|((part, hand), touched_numbers)| InstanceTruth {
        hand,
        scan_from_part: scan_from_table * part.table_from_part,
        made: part.made,
        touched_numbers,
    });
    Ok(Simulated { scan, parts: parts.collect() })
}

/// What a simulation will make and take at most, foretold from its surfaces alone.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Foretold {
    /// Points.
    pub points: f64,
    /// Length of the scan as a file, bytes.
    pub file_bytes: u64,
    /// Peak memory, bytes.
    pub memory_bytes: u64,
}

/// A point in a file: three doubles and three floats, as in [`write_ply`].
const FILE_BYTES_PER_POINT: f64 = 36.0;
/// A place as it is sampled, made, seen and written (48 bytes each with its normal, and its sight), the truth
/// about it, and the file while it grows.
const MEMORY_PER_POINT: f64 = 4.0 * 48.0 + 2.0 * 16.0 + 13.0 + 2.0 * FILE_BYTES_PER_POINT;
/// A triangle in nominal and made mesh, and in the trees that tell what hides what.
const MEMORY_PER_TRIANGLE: f64 = 2.0 * (50.0 + 130.0);
/// Everything else, bytes; the buffers of the views take most of it.
const MEMORY_FIXED: f64 = 96.0 * 1_048_576.0;

/// Foretells what [`simulate`] will make.
///
/// # Errors
/// No nominal where one is needed; a clamp or table that is no body.
pub fn foretell(simulation: &Simulation, nominal: Option<&Nominal>) -> Result<Foretold, SimulateError> {
    let (scene, ..) = laid_out(simulation, nominal)?;
    let of = |mesh: &TriangleMesh| -> (f64, usize) {
        let triangles = mesh.triangles().len();
        ((0..triangles as u32).map(|t| mesh.area(t)).sum(), triangles)
    };
    let mut all: Vec<(f64, usize)> = scene.parts.iter().map(|p| of(p.made.nominal())).collect();
    if let Some(table) = &scene.table {
        all.push(of(&table.mesh().map_err(|_| ScannerError::Table)?));
    }
    for (i, clamp) in scene.clamps.iter().enumerate() {
        all.push(of(&clamp.mesh().map_err(|_| ScannerError::Clamp(i))?));
    }
    let area: f64 = all.iter().map(|(area, _)| area).sum();
    let triangles: f64 = all.iter().map(|(_, n)| *n as f64).sum();
    let points = area / (simulation.scanner.spacing_mm * simulation.scanner.spacing_mm);
    // A cast of what is too large or no number ends at a limit.
    Ok(Foretold {
        points,
        file_bytes: (points * FILE_BYTES_PER_POINT) as u64,
        memory_bytes: (points * MEMORY_PER_POINT + triangles * MEMORY_PER_TRIANGLE + MEMORY_FIXED) as u64,
    })
}

type LaidOut = (Scene, Vec<Hand>, Vec<Vec<String>>);

/// The scene, the hand of each part and what it was made to fail.
fn laid_out(simulation: &Simulation, nominal: Option<&Nominal>) -> Result<LaidOut, SimulateError> {
    Ok(match &simulation.layout {
        Layout::Arrangement([good, bad, opposite]) => {
            let all = arrangement(simulation.seed, *good, *bad, *opposite);
            let hands: Vec<Hand> = all.parts.iter().map(|p| p.hand).collect();
            let touched = all.parts.into_iter().map(|p| p.touched_numbers).collect();
            (with_deviations(simulation, all.scene), hands, touched)
        }
        Layout::Listed { table, instances, clamps } => {
            let (mesh, carriers) = drawn(simulation.part, nominal)?;
            let parts = instances.iter().map(|i| {
                let (mesh, carriers) = match i.hand {
                    Hand::AsDrawn => (mesh.clone(), carriers.clone()),
                    Hand::Opposite => (mirrored(&mesh), mirrored_carriers(&carriers)),
                };
                let table_from_part = i.table_from_part(&mesh);
                ScenePart { made: Made::of_mesh(mesh, carriers, Vec::new()), table_from_part }
            });
            let scene = Scene { parts: parts.collect(), table: *table, clamps: clamps.clone() };
            let hands = instances.iter().map(|i| i.hand).collect::<Vec<_>>();
            let touched = vec![Vec::new(); hands.len()];
            (with_deviations(simulation, scene), hands, touched)
        }
    })
}

/// The parts with the file's deviations beside their own.
fn with_deviations(simulation: &Simulation, mut scene: Scene) -> Scene {
    for (i, part) in scene.parts.iter_mut().enumerate() {
        let own = simulation.deviations.iter().filter(|(on, _)| on.is_none_or(|on| on == i));
        let more: Vec<Deviation> = own.map(|(_, d)| d.clone()).collect();
        if !more.is_empty() {
            part.made = part.made.clone().with(more);
        }
    }
    scene
}

type Drawn = (TriangleMesh, Vec<Option<Carrier>>);

fn drawn(part: SimulatedPart, nominal: Option<&Nominal>) -> Result<Drawn, SimulateError> {
    match part {
        SimulatedPart::WindowSurround(scale) => {
            let surround = WindowSurround::sized(scale);
            let mesh = surround.mesh();
            let carriers = surround.carriers(&mesh);
            Ok((mesh, carriers))
        }
        SimulatedPart::Nominal => {
            let nominal = nominal.ok_or(SimulateError::NoNominal)?;
            let made = Made::new(nominal, Vec::new());
            Ok((made.nominal().clone(), made.carriers().to_vec()))
        }
    }
}

impl Instance {
    fn table_from_part(&self, mesh: &TriangleMesh) -> Motion<TableFrame, PartFrame> {
        let Some([x, y, z]) = self.at_mm else { return Motion::identity() };
        let bounds = mesh.bounds();
        let mut middle = nalgebra::center(&bounds.low, &bounds.high);
        middle.z = bounds.low.z;
        Motion::turn_about(middle, Direction::Z.vector() * self.turn_rad, Point::new(x, y, z) - middle)
    }
}
