//! Fine alignment: point to surface, never cloud to cloud, with agreeing normals.
//!
//! Gauss-Newton on the distances to tangent planes at the feet (Chen and Medioni, Image and Vision
//! Computing 10(3), 1992). First with a bounded loss (Tukey's biweight) whose reach shrinks, only to get
//! near; then plain least squares over everything within the final reach, because a robust loss would
//! hide defects. What lies beyond the ends of the faces is not the part (a table, a clamp) and is left out.

use rayon::prelude::*;

use crate::geometry::sum::CHUNK;
use crate::geometry::{
    Cholesky, Direction, Foot, Motion, PartFrame, Point, ScanFrame, Vector, symmetric_eigen,
};
use crate::nominal::Nominal;
use crate::run::{Run, Stage, Stopped};
use crate::scan::Scan;
use crate::search::{PointGrid, SurfaceTree};

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
    /// Points that lie beyond the end of a face. Chosen once, when the pose is near: if it were asked at each step,
    /// points at the edges would come and go and the steps never rest.
    beyond: Vec<bool>,
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
    /// The nearest place of the nominal that faces as point `i` does, which lies at `p`.
    fn foot(&self, i: usize, p: &Point, pose: &Motion<PartFrame, ScanFrame>, reach: f64) -> Option<Foot> {
        match &self.normals {
            Some(normals) => {
                let n = Direction::new(pose.vector(&normals[i]))?;
                self.tree.nearest_facing(p, n, self.min_cos, reach)
            }
            None => self.tree.nearest(p, reach),
        }
    }

    /// The points whose nearest place, within `reach`, is the end of a face which they lie beyond.
    fn beyond(
        &self,
        run: &Run,
        pose: &Motion<PartFrame, ScanFrame>,
        reach: f64,
    ) -> Result<Vec<bool>, Stopped> {
        let ends = Ends::of(self.nominal);
        let parts: Result<Vec<Vec<bool>>, Stopped> = self
            .points
            .par_chunks(CHUNK)
            .enumerate()
            .map(|(c, chunk)| {
                run.check()?;
                let one = |(k, scanned): (usize, &Point)| {
                    let p = pose.point(scanned);
                    let foot = self.foot(c * CHUNK + k, &p, pose, reach);
                    let found =
                        foot.and_then(|f| Some((f, self.nominal.mesh().normal(f.triangle)?.vector())));
                    found.is_some_and(|(foot, n)| ends.beyond(self.nominal, &foot, &p, &n))
                };
                Ok(chunk.iter().enumerate().map(one).collect())
            })
            .collect();
        Ok(parts?.concat())
    }

    /// Normal equations at a pose; turns are scaled by `radius` so that all six unknowns are lengths.
    fn sums(
        &self,
        run: &Run,
        pose: &Motion<PartFrame, ScanFrame>,
        reach: f64,
        robust: bool,
    ) -> Result<Sums, Stopped> {
        let (centre, radius) = (self.centre, self.radius);
        let parts: Result<Vec<Sums>, Stopped> = self
            .points
            .par_chunks(CHUNK)
            .enumerate()
            .map(|(c, chunk)| {
                run.check()?;
                let mut s = Sums::zero();
                for (k, scanned) in chunk.iter().enumerate() {
                    if self.beyond[c * CHUNK + k] {
                        continue;
                    }
                    let p = pose.point(scanned);
                    let Some(foot) = self.foot(c * CHUNK + k, &p, pose, reach) else { continue };
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
    let mut sample = Sample {
        points: chosen.iter().map(|&i| scan.points()[i as usize]).collect(),
        normals: scan.normals().map(|n| chosen.iter().map(|&i| n[i as usize].vector()).collect()),
        tree,
        nominal,
        centre,
        radius,
        min_cos: settings.min_cos,
        beyond: vec![false; chosen.len()],
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
        if !robust {
            sample.beyond = sample.beyond(run, &pose, reach)?;
        }
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

/// A cube with fewer points than this share of the usual one's holds strays, not surface.
const STRAY_SHARE: f64 = 0.1;

/// About `wanted` indices, evenly spread over the surface that the points lie on. Each stray point fills a cube of
/// its own, so that one in a hundred of the points would be one in two of the cubes: those are left out.
fn even_sample(points: &[Point], spacing_mm: f64, wanted: usize) -> Vec<u32> {
    let mut cell = spacing_mm.max(1e-6);
    let mut kept = firm(points, cell);
    // On a surface the count falls with the square of the cell.
    for _ in 0..8 {
        if kept.len() <= wanted + wanted / 4 {
            break;
        }
        cell *= (kept.len() as f64 / wanted as f64).sqrt().max(1.05);
        kept = firm(points, cell);
    }
    kept
}

/// The lowest index of each cube that is filled as cubes of the surface are, ascending.
fn firm(points: &[Point], cell_mm: f64) -> Vec<u32> {
    let grid = PointGrid::new(points, cell_mm);
    let mut counts: Vec<usize> = grid.cells().map(<[u32]>::len).collect();
    let half = counts.len() / 2;
    // Of the usual point, not of the usual cube: strays may fill more cubes than the surface.
    counts.sort_unstable();
    let mut left = counts.iter().sum::<usize>() / 2;
    let usual = counts.iter().rev().find(|c| {
        left = left.saturating_sub(**c);
        left == 0
    });
    let usual = usual.or(counts.get(half)).copied().unwrap_or(0);
    let enough = |cell: &&[u32]| cell.len() as f64 >= STRAY_SHARE * usual as f64;
    let mut kept: Vec<u32> = grid.cells().filter(enough).map(|cell| cell[0]).collect();
    kept.sort_unstable();
    kept
}

/// Whose edges end a face: open borders and those across which the surface turns by more than 30 degrees.
struct Ends {
    /// A triangle's edges from corner 0 to 1, 1 to 2, 2 to 0, as bits.
    edges: Vec<u8>,
    /// Vertices at which such an edge ends.
    vertices: Vec<bool>,
}

impl Ends {
    fn of(nominal: &Nominal) -> Self {
        let mesh = nominal.mesh();
        let mut edges = vec![0u8; mesh.triangles().len()];
        let mut vertices = vec![false; mesh.vertices().len()];
        for (t, across) in nominal.across().iter().enumerate() {
            let normal = mesh.normal(t as u32);
            for (k, next) in across.iter().enumerate() {
                let smooth = next.and_then(|n| Some(mesh.normal(n)?.angle_to(normal?) <= SHARP_RAD));
                if smooth != Some(true) {
                    edges[t] |= 1 << k;
                    let corners = mesh.triangles()[t];
                    vertices[corners[k] as usize] = true;
                    vertices[corners[(k + 1) % 3] as usize] = true;
                }
            }
        }
        Self { edges, vertices }
    }

    /// Whether the nearest place of a point lies on the end of a face and the point beyond it: it shows what comes
    /// after the edge, such as the table that the part lies on, and not the face.
    fn beyond(&self, nominal: &Nominal, foot: &Foot, p: &Point, normal: &Vector) -> bool {
        let off = p - foot.point;
        let aside = (off - normal * off.dot(normal)).norm();
        if aside <= BEYOND_MM {
            return false;
        }
        let mesh = nominal.mesh();
        let corners = mesh.corners(foot.triangle);
        let on = |k: usize| {
            let (a, b) = (corners[k], corners[(k + 1) % 3]);
            let along = b - a;
            let from = (foot.point - a).cross(&along).norm() / along.norm().max(1e-12);
            from < 1e-6
        };
        let at = |k: usize| (foot.point - corners[k]).norm() < 1e-6;
        (0..3).any(|k| self.edges[foot.triangle as usize] & (1 << k) != 0 && on(k))
            || (0..3).any(|k| self.vertices[mesh.triangles()[foot.triangle as usize][k] as usize] && at(k))
    }
}

/// Edges across which the surface turns by more end a face.
const SHARP_RAD: f64 = std::f64::consts::PI / 6.0;

/// So far beyond an edge a point is not of its face: more than noise and rounding of the edge, mm.
const BEYOND_MM: f64 = 0.1;
