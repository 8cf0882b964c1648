//! Fine alignment: point to surface, never cloud to cloud, with agreeing normals.
//!
//! Gauss-Newton on the distances to tangent planes at the feet (Chen and Medioni, Image and Vision
//! Computing 10(3), 1992). First with a bounded loss (Tukey's biweight) whose reach shrinks, only to get
//! near; then plain least squares over everything within the final reach, because a robust loss would
//! hide defects.

use rayon::prelude::*;

use crate::geometry::sum::CHUNK;
use crate::geometry::{Cholesky, Motion, PartFrame, Point, ScanFrame, Vector, symmetric_eigen};
use crate::nominal::Nominal;
use crate::run::{Run, Stage, Stopped};
use crate::scan::Scan;
use crate::search::{SurfaceTree, thin};

/// How a fine alignment searches and when it stops.
#[derive(Clone, Debug, PartialEq)]
pub struct FineSettings {
    /// Pairs further apart than this are left out of the final least squares, mm.
    pub reach_mm: f64,
    /// Pairs whose normals make an angle with a smaller cosine are left out.
    pub min_cos: f64,
    /// Done when a step moves no corner of the part by more than this, mm.
    pub still_mm: f64,
    /// Most steps at each reach.
    pub max_steps: usize,
    /// About how many points are used, evenly spread over the scanned area.
    pub points: usize,
}

impl Default for FineSettings {
    fn default() -> Self {
        Self {
            // Larger than deviations that a moulded part can show, smaller than the distance at which
            // another wall with the same facing usually stands.
            reach_mm: 5.0,
            // 60 degrees: an arris of a right angle never pairs with its neighbour face.
            min_cos: 0.5,
            // A thousandth of the point noise of good scanners.
            still_mm: 2e-5,
            max_steps: 40,
            // Noise of 0.02 mm averages to well under a micrometre.
            points: 20_000,
        }
    }
}

/// How an alignment ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stop {
    /// The last step was smaller than the threshold.
    Settled,
    /// The steps were used up while still moving.
    OutOfSteps,
}

impl Stop {
    /// One lower-case word for records.
    pub fn word(self) -> &'static str {
        match self {
            Stop::Settled => "settled",
            Stop::OutOfSteps => "out_of_steps",
        }
    }
}

/// Where the scan lies on the part, and how far to trust it.
#[derive(Clone, Debug, PartialEq)]
pub struct Alignment {
    /// Takes scan coordinates to part coordinates.
    pub part_from_scan: Motion<PartFrame, ScanFrame>,
    /// Root mean square distance of the pairs, mm.
    pub rms_mm: f64,
    /// Pairs of the last step.
    pub points_used: usize,
    /// All steps taken.
    pub steps: usize,
    /// How it ended.
    pub stop: Stop,
    /// Point of the part about which `covariance` turns.
    pub centre: Point,
    /// Inverse of J'J for (turn about x, y, z in rad; shift along x, y, z in mm): times the variance of
    /// the points it is the covariance of the alignment.
    pub unit_covariance: [[f64; 6]; 6],
}

/// Why no alignment came out.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum AlignError {
    /// The caller asked to stop.
    #[error(transparent)]
    Stopped(#[from] Stopped),
    /// Too little of the scan lies near the nominal.
    #[error("only {pairs} points lie within {reach_mm} mm of the nominal; at least {need} are needed")]
    TooFewPairs {
        /// Points near enough.
        pairs: usize,
        /// Points needed.
        need: usize,
        /// The reach, mm.
        reach_mm: f64,
    },
    /// The surface lets the part slide or turn: a plane, a cylinder, a sphere.
    #[error(
        "the scanned surface lets the part slide or turn in {freedoms} ways, so its place is not determined"
    )]
    Undetermined {
        /// Freedoms that the surface does not hold.
        freedoms: usize,
    },
}

/// Fewer pairs than this are no basis for six freedoms and their spread.
const MIN_PAIRS: usize = 30;

struct Sample<'a> {
    points: Vec<Point>,
    normals: Option<Vec<Vector>>,
    tree: &'a SurfaceTree,
    nominal: &'a Nominal,
    centre: Point,
    /// Turns times this are lengths.
    radius: f64,
    min_cos: f64,
}

#[derive(Clone)]
struct Sums {
    jtj: [[f64; 6]; 6],
    jtr: [f64; 6],
    square: f64,
    weight: f64,
    pairs: usize,
}

impl Sums {
    fn zero() -> Self {
        Self { jtj: [[0.0; 6]; 6], jtr: [0.0; 6], square: 0.0, weight: 0.0, pairs: 0 }
    }

    fn add(mut self, other: &Self) -> Self {
        for i in 0..6 {
            for j in 0..6 {
                self.jtj[i][j] += other.jtj[i][j];
            }
            self.jtr[i] += other.jtr[i];
        }
        self.square += other.square;
        self.weight += other.weight;
        self.pairs += other.pairs;
        self
    }
}

impl Sample<'_> {
    /// Normal equations at a pose; turns are scaled by `radius` so that all six unknowns are lengths.
    fn sums(
        &self,
        run: &Run,
        pose: &Motion<PartFrame, ScanFrame>,
        reach: f64,
        robust: bool,
    ) -> Result<Sums, Stopped> {
        let (centre, radius, min_cos) = (self.centre, self.radius, self.min_cos);
        let parts: Result<Vec<Sums>, Stopped> = self
            .points
            .par_chunks(CHUNK)
            .enumerate()
            .map(|(c, chunk)| {
                run.check()?;
                let mut cursor = self.tree.cursor();
                let mut s = Sums::zero();
                for (k, scanned) in chunk.iter().enumerate() {
                    let p = pose.point(scanned);
                    let foot = match &self.normals {
                        Some(normals) => {
                            let n = pose.vector(&normals[c * CHUNK + k]);
                            let Some(n) = crate::geometry::Direction::new(n) else { continue };
                            cursor.nearest_facing(&p, n, min_cos, reach)
                        }
                        None => cursor.nearest(&p, reach),
                    };
                    let Some(foot) = foot else { continue };
                    let Some(n) = self.nominal.mesh().normal(foot.triangle) else { continue };
                    let n = n.vector();
                    let d = (p - foot.point).dot(&n);
                    let weight = if robust {
                        let t = foot.distance / reach;
                        (1.0 - t * t) * (1.0 - t * t)
                    } else {
                        1.0
                    };
                    let turn = (p - centre).cross(&n) / radius;
                    let row = [turn.x, turn.y, turn.z, n.x, n.y, n.z];
                    for i in 0..6 {
                        for j in 0..6 {
                            s.jtj[i][j] += weight * row[i] * row[j];
                        }
                        s.jtr[i] -= weight * row[i] * d;
                    }
                    s.square += weight * d * d;
                    s.weight += weight;
                    s.pairs += 1;
                }
                Ok(s)
            })
            .collect();
        Ok(parts?.iter().fold(Sums::zero(), Sums::add))
    }
}

/// Refines `start` until it rests. From a few degrees and 20 mm it comes home on shapes that hold all six
/// freedoms.
///
/// # Errors
/// Too few pairs, a surface that lets the part slide, or a stop by the caller.
pub fn fine(
    run: &Run,
    nominal: &Nominal,
    tree: &SurfaceTree,
    scan: &Scan,
    start: Motion<PartFrame, ScanFrame>,
    settings: &FineSettings,
) -> Result<Alignment, AlignError> {
    let bounds = nominal.mesh().bounds();
    let centre = bounds.centre();
    let radius = 0.5 * bounds.diagonal().max(1e-9);
    let chosen = even_sample(scan.points(), scan.spacing_mm(), settings.points);
    let sample = Sample {
        points: chosen.iter().map(|&i| scan.points()[i as usize]).collect(),
        normals: scan.normals().map(|n| chosen.iter().map(|&i| n[i as usize].vector()).collect()),
        tree,
        nominal,
        centre,
        radius,
        min_cos: settings.min_cos,
    };
    let mut pose = start;
    let mut steps = 0;
    let stages = [(4.0, true), (2.0, true), (1.0, true), (1.0, false)];
    let mut last = Sums::zero();
    let mut stop = Stop::OutOfSteps;
    for (stage, &(factor, robust)) in stages.iter().enumerate() {
        run.tell(Stage::Align, stage as f64 / stages.len() as f64);
        let reach = settings.reach_mm * factor;
        stop = Stop::OutOfSteps;
        // The coarse stages need not rest, only come near.
        let still = if robust { settings.still_mm * 100.0 } else { settings.still_mm };
        for _ in 0..settings.max_steps {
            let sums = sample.sums(run, &pose, reach, robust)?;
            steps += 1;
            if sums.pairs < MIN_PAIRS {
                return Err(AlignError::TooFewPairs { pairs: sums.pairs, need: MIN_PAIRS, reach_mm: reach });
            }
            let (values, _) = symmetric_eigen(&sums.jtj);
            // A direction that holds a millionth of the best held one is held by noise in the normals.
            let freedoms = values.iter().filter(|&&v| !(v > 1e-6 * values[5])).count();
            if freedoms > 0 {
                return Err(AlignError::Undetermined { freedoms });
            }
            let factorised = Cholesky::new(&sums.jtj).ok_or(AlignError::Undetermined { freedoms: 1 })?;
            let x = factorised.solve(&sums.jtr);
            let turn = Vector::new(x[0], x[1], x[2]) / radius;
            let shift = Vector::new(x[3], x[4], x[5]);
            pose = (Motion::<PartFrame, PartFrame>::turn_about(centre, turn, shift) * pose).orthonormalised();
            last = sums;
            // No corner is further from the centre than the radius.
            if turn.norm() * radius + shift.norm() < still {
                stop = Stop::Settled;
                break;
            }
        }
    }
    let inverse = Cholesky::new(&last.jtj).ok_or(AlignError::Undetermined { freedoms: 1 })?.inverse();
    let scale = |i: usize| if i < 3 { 1.0 / radius } else { 1.0 };
    let unit_covariance =
        std::array::from_fn(|i| std::array::from_fn(|j| inverse[i][j] * scale(i) * scale(j)));
    Ok(Alignment {
        part_from_scan: pose,
        rms_mm: (last.square / last.weight).sqrt(),
        points_used: last.pairs,
        steps,
        stop,
        centre,
        unit_covariance,
    })
}

/// About `wanted` indices, evenly spread over the surface that the points lie on.
fn even_sample(points: &[Point], spacing_mm: f64, wanted: usize) -> Vec<u32> {
    let mut cell = spacing_mm.max(1e-6);
    let mut kept = thin(points, cell);
    // On a surface the count falls with the square of the cell.
    for _ in 0..8 {
        if kept.len() <= wanted + wanted / 4 {
            break;
        }
        cell *= (kept.len() as f64 / wanted as f64).sqrt().max(1.05);
        kept = thin(points, cell);
    }
    kept
}
