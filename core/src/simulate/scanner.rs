//! A scanner: it sees the made surface from some views and writes points with noise, in its own axes.

use super::depth::Depth;
use super::lattice::samples;
use super::made::Made;
use crate::geometry::random::Random;
use crate::geometry::{Direction, Motion, PartFrame, Point, ScanFrame, Vector, math, sum};
use rayon::prelude::*;

/// A surface is seen up to this angle between its normal and the view: beyond it optical scanners drop out.
/// Common practice, no source.
const GRAZING_DEG: f64 = 70.0;
/// Pixels of the depth buffers, mm: shadows of a rim in a hole of 6 mm are true to a tenth.
const PIXEL_MM: f64 = 0.4;
/// Most pixels of one depth buffer: 64 MB.
const MOST_PIXELS: usize = 16_000_000;
/// Most points sampled.
const MOST_POINTS: f64 = 50e6;

/// Why nothing was scanned.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum ScannerError {
    /// The spacing is no length.
    #[error("the spacing must be a length above 0 mm, got {0}")]
    Spacing(f64),
    /// The noise is no length.
    #[error("the noise must be 0 mm or more, got {0}")]
    Noise(f64),
    /// Nothing looks at the part.
    #[error("the scanner needs at least one view")]
    NoViews,
    /// The spacing is too fine for the part.
    #[error("a spacing of {spacing_mm} mm makes about {points:.0} points; choose a wider one")]
    TooManyPoints {
        /// The spacing.
        spacing_mm: f64,
        /// Points it would make.
        points: f64,
    },
}

/// How a part is scanned.
#[derive(Clone, Debug, PartialEq)]
pub struct Scanner {
    /// Distance between neighbouring points, mm, about.
    pub spacing_mm: f64,
    /// Standard deviation of the noise, mm: white, along the made surface's normal.
    pub noise_mm: f64,
    /// Standard deviation of the normals' error about each of two axes, rad.
    pub normal_error_rad: f64,
    /// From the part towards the scanner, in the part's axes.
    pub views: Vec<Direction>,
    /// The same seed makes the same scan.
    pub seed: u64,
}

/// Points as a scanner writes them.
#[derive(Clone, Debug, PartialEq)]
pub struct SimulatedScan {
    /// In the scanner's axes, mm; by views, then by stripes.
    pub points: Vec<Point>,
    /// One a point, out of the material.
    pub normals: Vec<Direction>,
}

impl Scanner {
    /// A one-sided look from the front (+z): one view straight on and six tilted by 35 degrees all round,
    /// so that the walls of holes through a thin sheet are seen on all sides.
    pub fn front(spacing_mm: f64, noise_mm: f64, seed: u64) -> Self {
        let tilt = 35.0_f64.to_radians();
        let tilted = (0..6).filter_map(|i| {
            // Off the part's own axes.
            let turn = (60.0 * f64::from(i) + 15.0).to_radians();
            let (sin, cos) = (math::sin(tilt), math::cos(tilt));
            Direction::new(Vector::new(sin * math::cos(turn), sin * math::sin(turn), cos))
        });
        let views = std::iter::once(Direction::Z).chain(tilted).collect();
        Self { spacing_mm, noise_mm, normal_error_rad: 2.0_f64.to_radians(), views, seed }
    }

    /// Scans a made part. A place is taken when at least one view sees it: within 70 degrees of its normal
    /// and with nothing before it. The same bits on any number of threads.
    pub fn scan(
        &self,
        made: &Made,
        scan_from_part: &Motion<ScanFrame, PartFrame>,
    ) -> Result<SimulatedScan, ScannerError> {
        self.check(made)?;
        let surface: Vec<(Point, Direction)> = samples(made, self.spacing_mm, self.seed)
            .par_iter()
            .map(|s| (made.point(&s.point), made.normal(&s.point, s.normal)))
            .collect();
        let order = self.order(made, &surface);
        let error_rad = if self.normal_error_rad.is_finite() { self.normal_error_rad } else { 0.0 };
        let work = |first: usize, chunk: &[u32]| {
            // Each chunk its own stream, so that threads change nothing.
            let mut random = Random::seeded(self.seed.wrapping_mul(0x2545_F491_4F6C_DD1D) ^ first as u64);
            let mut made = Vec::with_capacity(chunk.len());
            for &i in chunk {
                let (p, normal) = surface[i as usize];
                let p = p + normal.vector() * (self.noise_mm * random.normal());
                let (a, b) = normal.frame();
                let lean = (a * random.normal() + b * random.normal()) * error_rad;
                let seen = Direction::new(normal.vector() + lean).unwrap_or(normal);
                made.push((scan_from_part.point(&p), scan_from_part.direction(seen)));
            }
            made
        };
        let all = sum::chunked(&order, Vec::with_capacity(order.len()), work, |mut all, part| {
            all.extend(part);
            all
        });
        let (points, normals) = all.into_iter().unzip();
        Ok(SimulatedScan { points, normals })
    }

    fn check(&self, made: &Made) -> Result<(), ScannerError> {
        let spacing_mm = self.spacing_mm;
        if !(spacing_mm.is_finite() && spacing_mm > 0.0) {
            return Err(ScannerError::Spacing(spacing_mm));
        }
        if !(self.noise_mm.is_finite() && self.noise_mm >= 0.0) {
            return Err(ScannerError::Noise(self.noise_mm));
        }
        if self.views.is_empty() {
            return Err(ScannerError::NoViews);
        }
        let mesh = made.nominal();
        let area: f64 = (0..mesh.triangles().len() as u32).map(|t| mesh.area(t)).sum();
        let points = area / (spacing_mm * spacing_mm);
        // Written so that NaN is refused too.
        if points <= MOST_POINTS { Ok(()) } else { Err(ScannerError::TooManyPoints { spacing_mm, points }) }
    }

    /// The places that are seen, each in the view that looks at it most squarely, by stripes to and fro.
    fn order(&self, made: &Made, surface: &[(Point, Direction)]) -> Vec<u32> {
        let mesh = made.mesh();
        let grazing = math::cos(GRAZING_DEG.to_radians());
        let mut best: Vec<(f32, u32)> = vec![(0.0, u32::MAX); surface.len()];
        let mut axes = Vec::new();
        for (v, &view) in self.views.iter().enumerate() {
            let depth = Depth::new(&mesh, view, PIXEL_MM, MOST_PIXELS);
            best.par_iter_mut().zip(surface).for_each(|(best, (p, normal))| {
                let facing = normal.dot(view);
                if facing >= grazing && facing as f32 > best.0 && depth.sees(p) {
                    *best = (facing as f32, v as u32);
                }
            });
            axes.push((depth.right, depth.up));
        }
        let mut keys: Vec<(u32, i64, f64, u32)> = Vec::new();
        for (i, ((p, _), &(_, view))) in surface.iter().zip(&best).enumerate() {
            if let Some((right, up)) = axes.get(view as usize) {
                let stripe = (p.coords.dot(up) / self.spacing_mm).floor() as i64;
                let along = p.coords.dot(right);
                keys.push((view, stripe, if stripe % 2 == 0 { along } else { -along }, i as u32));
            }
        }
        keys.sort_by(|a, b| (a.0, a.1).cmp(&(b.0, b.1)).then(a.2.total_cmp(&b.2)).then(a.3.cmp(&b.3)));
        keys.into_iter().map(|k| k.3).collect()
    }
}
