//! The Gaussian filter, as a local regression on the surface.
//!
//! Weights: the areal Gaussian weighting function of ISO 16610-61:2015, `exp(-pi (r / (alpha L))^2)` with
//! `alpha = sqrt(ln 2 / pi)` and nesting index `L`: a sine of wavelength `L` passes with half its height.
//! Deviation from the standard, and why: distances are taken in space (along the surface they differ by
//! less than 1 % within `L` on radii above `L`), and at the edge of a face the weighted mean is replaced by
//! a weighted plane through the neighbours (first-order regression, as ISO 16610-28:2016 treats ends), so
//! that a trimmed edge neither tilts the result nor needs points beyond it. Long, because value, noise and bias share
//! the same weights.

use rayon::prelude::*;

use super::correlated::{Correlated, SharedNoise};
use super::neighbourhood::{Around, Factors, MIN_SUPPORT, Neighbourhoods};
use crate::geometry::random::Random;
use crate::geometry::sum::CHUNK;
use crate::geometry::{Direction, Point, Vector};
use crate::run::{Run, Stage, Stopped};

/// Cells that one thread takes at a time.
const CELLS: usize = 64;

/// A point that stands out from its neighbours by more than this many standard deviations of the noise is
/// a spike. Local scatter only: a dent or a bump moves the neighbours too and is never a spike.
const SPIKE: f64 = 6.0;

/// Below this, differences are the rounding of coordinates, not noise.
const LEAST_NOISE_MM: f64 = 1e-6;

/// Seeded repetitions of the noise: enough for 10 % on the spread of an extreme.
pub const REHEARSALS: usize = 48;

/// Why nothing was filtered.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum FilterError {
    /// The caller asked to stop.
    #[error(transparent)]
    Stopped(#[from] Stopped),
    /// The points are too sparse for the nesting index.
    #[error(
        "points lie too far apart for a nesting index of {nesting_index_mm} mm: only {supported} of {points} have {need} neighbours"
    )]
    TooSparse {
        /// The nesting index, mm.
        nesting_index_mm: f64,
        /// Points with enough neighbours.
        supported: usize,
        /// All points.
        points: usize,
        /// Neighbours needed.
        need: usize,
    },
}

/// Neighbourhoods of one set of points, ready to filter values on them.
pub struct Gaussian {
    points: Vec<Point>,
    around: Neighbourhoods,
    nesting_index_mm: f64,
    correlated: Vec<Correlated>,
}

/// Filtered values and what they rest on.
#[derive(Clone, Debug, PartialEq)]
pub struct Filtered {
    /// One value a point, mm; `None` at spikes and where too few points support it.
    pub value: Vec<Option<f64>>,
    /// Standard deviation of the points' noise, mm, from what the filter took away.
    pub noise_mm: f64,
    /// Points left out as spikes.
    pub spikes: usize,
}

/// Extremes of a field.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Extremes {
    /// Smallest value, mm, and the index of its point.
    pub low: (f64, u32),
    /// Largest value, mm, and the index of its point.
    pub high: (f64, u32),
}

impl Filtered {
    /// The extremes; `None` when no point has a value. Equal values go to the lowest index.
    pub fn extremes(&self) -> Option<Extremes> {
        extremes(self.value.iter().copied())
    }
}

fn extremes(values: impl Iterator<Item = Option<f64>>) -> Option<Extremes> {
    let mut found: Option<Extremes> = None;
    for (i, v) in values.enumerate() {
        let Some(v) = v else { continue };
        let here = (v, i as u32);
        found = Some(match found {
            None => Extremes { low: here, high: here },
            Some(e) => Extremes {
                low: if v < e.low.0 { here } else { e.low },
                high: if v > e.high.0 { here } else { e.high },
            },
        });
    }
    found
}

impl Gaussian {
    /// Prepares the neighbourhoods of `points` (mm), whose surface has the given `normals`.
    pub fn new(points: Vec<Point>, normals: &[Direction], nesting_index_mm: f64) -> Self {
        let around = Neighbourhoods::new(&points, normals, nesting_index_mm);
        Self { points, around, nesting_index_mm, correlated: Vec::new() }
    }

    /// With noise that neighbouring points share: every draw has it beside the white noise.
    #[must_use]
    pub fn with_correlated(mut self, correlated: &[Correlated]) -> Self {
        self.correlated = correlated.to_vec();
        self
    }

    /// Filters `values` (mm, one a point, finite).
    ///
    /// # Errors
    /// Points too sparse for the nesting index, or a stop by the caller.
    pub fn apply(&mut self, run: &Run, values: &[f64]) -> Result<Filtered, FilterError> {
        let mut done = Pass::empty(self.points.len());
        self.pass(run, values, &mut done, |_| true)?;
        // Leave out what stands alone, and filter once more where it stood.
        let spikes = self.spikes(run, &done)?;
        for &(position, _) in &spikes {
            self.around.leave_out(position);
        }
        if !spikes.is_empty() {
            let mut touched = vec![false; self.around.cells()];
            for &(_, cell) in &spikes {
                self.around.cells_around(cell, |c| touched[c] = true);
            }
            self.pass(run, values, &mut done, |cell| touched[cell])?;
        }
        let spikes = spikes.len();
        let supported = done.value.iter().filter(|v| v.is_some()).count();
        if 2 * supported < values.len() || supported == 0 {
            return Err(FilterError::TooSparse {
                nesting_index_mm: self.nesting_index_mm,
                supported,
                points: values.len(),
                need: MIN_SUPPORT,
            });
        }
        Ok(Filtered { noise_mm: done.noise(), value: done.value, spikes })
    }

    /// Positions and cells of the points that stand out from all around them.
    fn spikes(&self, run: &Run, pass: &Pass) -> Result<Vec<(usize, usize)>, Stopped> {
        let noise = pass.noise();
        let order = self.around.order();
        let mut found = Vec::new();
        let mut around = Around::default();
        for cell in 0..self.around.cells() {
            let alone = |i: usize| pass.alone[order[i] as usize].map_or(0.0, f64::abs);
            let large = |&i: &usize| alone(i) > SPIKE * noise.max(LEAST_NOISE_MM);
            let mut candidates = self.around.cell(cell).filter(large).peekable();
            if candidates.peek().is_some() {
                run.check()?;
                self.around.look_around(cell, &mut around);
            }
            // Robust scatter of the residuals around, its own left out: at the flank of a dent all residuals
            // are large, around a flyer only its own is.
            for i in candidates {
                let near = self.around.within_reach(i, &around);
                let mut near: Vec<f64> =
                    near.filter_map(|j| pass.alone[order[j as usize] as usize]).map(f64::abs).collect();
                if alone(i) > SPIKE * robust_scatter(&mut near) {
                    found.push((i, cell));
                }
            }
        }
        Ok(found)
    }

    /// The filtered value at a position and its residual, scaled to the standard deviation of one point.
    fn at(
        &self,
        position: usize,
        values: &[f64],
        around: &Around,
        factors: &mut Factors,
    ) -> Option<(f64, Option<f64>)> {
        if !self.around.factors(position, around, factors) {
            return None;
        }
        let order = self.around.order();
        let (mut g, mut square, mut own) = (0.0, 0.0, 0.0);
        for (&j, &h) in factors.position.iter().zip(&factors.factor) {
            g += h * values[order[j as usize] as usize];
            square += h * h;
            if j as usize == position {
                own = h;
            }
        }
        // A regression so one-sided that it reads noisier than a single point is no filter.
        if square > 1.0 {
            return None;
        }
        // Var(d - g) = s^2 (1 - 2 h_ii + sum h^2) for white noise.
        let share = 1.0 - 2.0 * own + square;
        let here = values[order[position] as usize];
        Some((g, (share > 1e-3).then(|| (here - g) / share.sqrt())))
    }

    /// Filters anew at the points of the cells that `wanted` names.
    fn pass(
        &self,
        run: &Run,
        values: &[f64],
        all: &mut Pass,
        wanted: impl Fn(usize) -> bool + Sync,
    ) -> Result<(), Stopped> {
        type Found = (usize, Option<(f64, Option<f64>)>);
        let cells = self.around.cells();
        let parts: Result<Vec<Vec<Found>>, Stopped> = (0..cells.div_ceil(CELLS))
            .into_par_iter()
            .map(|part| {
                let mut found = Vec::new();
                let (mut around, mut factors) = (Around::default(), Factors::default());
                for cell in (part * CELLS..((part + 1) * CELLS).min(cells)).filter(|&c| wanted(c)) {
                    self.around.look_around(cell, &mut around);
                    for i in self.around.cell(cell) {
                        // Every point, since one may have very many neighbours.
                        run.check()?;
                        let alive = self.around.alive(i);
                        found.push((i, if alive { self.at(i, values, &around, &mut factors) } else { None }));
                    }
                }
                Ok(found)
            })
            .collect();
        run.tell(Stage::Filter, 1.0);
        for (i, found) in parts?.into_iter().flatten() {
            let i = self.around.order()[i] as usize;
            all.value[i] = found.map(|(g, _)| g);
            all.alone[i] = found.and_then(|(_, alone)| alone);
        }
        Ok(())
    }

    /// Seeded noise of standard deviation `noise_mm` as the filter passes it, mm: [`REHEARSALS`] draws for each of the
    /// points that `wanted` names (ascending indices), in that order. A point without support keeps zero.
    ///
    /// # Errors
    /// A stop by the caller.
    pub fn passed_noise(
        &self,
        run: &Run,
        wanted: &[u32],
        noise_mm: f64,
        seed: u64,
    ) -> Result<Vec<Draws>, Stopped> {
        let noise = self.draw(noise_mm, seed);
        let order = self.around.order();
        let cells = self.around.cells();
        type Found = Vec<(usize, Draws)>;
        let parts: Result<Vec<Found>, Stopped> = (0..cells.div_ceil(CELLS))
            .into_par_iter()
            .map(|part| {
                let mut found = Vec::new();
                let (mut around, mut factors) = (Around::default(), Factors::default());
                for cell in part * CELLS..((part + 1) * CELLS).min(cells) {
                    let slot = |i: usize| wanted.binary_search(&order[i]).ok();
                    let mine: Vec<(usize, usize)> =
                        self.around.cell(cell).filter_map(|i| Some((i, slot(i)?))).collect();
                    if mine.is_empty() {
                        continue;
                    }
                    run.check()?;
                    self.around.look_around(cell, &mut around);
                    for (i, slot) in mine {
                        run.check()?;
                        if !self.around.factors(i, &around, &mut factors) {
                            continue;
                        }
                        let mut sum = [0.0f32; REHEARSALS];
                        for (&j, &h) in factors.position.iter().zip(&factors.factor) {
                            for (s, e) in sum.iter_mut().zip(&noise[j as usize]) {
                                *s += h as f32 * e;
                            }
                        }
                        found.push((slot, sum));
                    }
                }
                Ok(found)
            })
            .collect();
        let mut all = vec![[0.0f32; REHEARSALS]; wanted.len()];
        for (slot, sum) in parts?.into_iter().flatten() {
            all[slot] = sum;
        }
        Ok(all)
    }

    /// Independent noise for every position and repetition; single precision is plenty for noise.
    fn draw(&self, noise_mm: f64, seed: u64) -> Vec<Draws> {
        let mut noise = drawn_noise(self.points.len(), noise_mm, seed);
        let order = self.around.order();
        let at = |position: usize| (self.points[order[position] as usize], self.around.normal(position));
        add_correlated(&mut noise, at, &self.correlated);
        noise
    }

    /// The standard deviation of the noise in `values` (mm, one a point), from every `every`-th point and its
    /// neighbours; `None` when no point has enough of them.
    ///
    /// # Errors
    /// A stop by the caller.
    pub fn noise_of(&self, run: &Run, values: &[f64], every: usize) -> Result<Option<f64>, Stopped> {
        let mut alone = Vec::new();
        let (mut around, mut factors) = (Around::default(), Factors::default());
        let every = every.max(1);
        for cell in 0..self.around.cells() {
            let chosen = |&i: &usize| (self.around.order()[i] as usize).is_multiple_of(every);
            if !self.around.cell(cell).any(|i| chosen(&i)) {
                continue;
            }
            run.check()?;
            self.around.look_around(cell, &mut around);
            for i in self.around.cell(cell).filter(chosen) {
                if let Some((_, Some(r))) = self.at(i, values, &around, &mut factors) {
                    alone.push(r.abs());
                }
            }
        }
        Ok((!alone.is_empty()).then(|| robust_scatter(&mut alone)))
    }

    /// The nesting index, mm.
    pub fn nesting_mm(&self) -> f64 {
        self.nesting_index_mm
    }

    /// The points, mm.
    pub fn points(&self) -> &[Point] {
        &self.points
    }
}

/// Draws of the noise of one point, mm.
pub type Draws = [f32; REHEARSALS];

/// Independent seeded noise of standard deviation `noise_mm`, mm, for each of `count` points.
pub fn drawn_noise(count: usize, noise_mm: f64, seed: u64) -> Vec<Draws> {
    let mut all = vec![[0.0; REHEARSALS]; count];
    all.par_chunks_mut(CHUNK).enumerate().for_each(|(chunk, own)| {
        let mut random = Random::seeded(seed ^ (chunk as u64).wrapping_mul(0x9E37_79B9_7F4A_7C15));
        own.iter_mut().for_each(|d| *d = std::array::from_fn(|_| (noise_mm * random.normal()) as f32));
    });
    all
}

/// Adds noise that neighbouring points share; `at` tells place and normal of each.
pub fn add_correlated(noise: &mut [Draws], at: impl Fn(usize) -> (Point, Vector), correlated: &[Correlated]) {
    let mut shared = SharedNoise::new(correlated);
    if shared.is_none() {
        return;
    }
    for (i, draws) in noise.iter_mut().enumerate() {
        let (place, normal) = at(i);
        draws.iter_mut().zip(shared.at(&place, &normal)).for_each(|(d, v)| *d += v);
    }
}

/// By index of the point.
struct Pass {
    value: Vec<Option<f64>>,
    /// Residual scaled to the standard deviation of one point.
    alone: Vec<Option<f64>>,
}

impl Pass {
    fn empty(points: usize) -> Self {
        Self { value: vec![None; points], alone: vec![None; points] }
    }

    /// Robust standard deviation of the points' noise: 1.4826 times the median absolute residual
    /// (consistent for normal noise; Rousseeuw and Croux, JASA 88, 1993), so that spikes do not enter.
    fn noise(&self) -> f64 {
        robust_scatter(&mut self.alone.iter().flatten().map(|r| r.abs()).collect::<Vec<f64>>())
    }
}

fn robust_scatter(sizes: &mut [f64]) -> f64 {
    if sizes.is_empty() {
        return 0.0;
    }
    let half = sizes.len() / 2;
    let (_, median, _) = sizes.select_nth_unstable_by(half, f64::total_cmp);
    1.482_602_218_505_602 * *median
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::math;
    use crate::run::quiet;

    fn flat(spacing: f64, half: i32) -> (Vec<Point>, Vec<Direction>) {
        let mut points = Vec::new();
        for i in -half..=half {
            for j in -half..=half {
                points.push(Point::new(f64::from(i) * spacing, f64::from(j) * spacing, 0.0));
            }
        }
        let normals = vec![Direction::Z; points.len()];
        (points, normals)
    }

    #[test]
    fn a_wave_of_the_nesting_index_passes_with_half_its_height_and_a_long_one_whole() {
        // ISO 16610-61: 50 % transmission at the cut-off; exp(-pi (alpha L / w)^2) at wavelength w.
        for (wavelength, expected) in [(2.5, 0.5), (5.0, 0.8409), (25.0, 0.9931)] {
            let (points, normals) = flat(0.1, 60);
            let wave = |x: f64| math::cos(2.0 * std::f64::consts::PI * x / wavelength);
            let values: Vec<f64> = points.iter().map(|p| wave(p.x)).collect();
            let middle = points.iter().position(|p| p.x == 0.0 && p.y == 0.0).unwrap();
            let out = Gaussian::new(points, &normals, 2.5).apply(&quiet(), &values).unwrap();
            let found = out.value[middle].unwrap();
            assert!((found - expected).abs() < 2e-3, "wavelength {wavelength}: {found}");
        }
    }

    #[test]
    fn a_tilted_plane_passes_unchanged_up_to_its_edges() {
        let (points, normals) = flat(0.5, 20);
        let values: Vec<f64> = points.iter().map(|p| 0.3 + 0.01 * p.x - 0.02 * p.y).collect();
        let out = Gaussian::new(points, &normals, 2.5).apply(&quiet(), &values).unwrap();
        for (g, d) in out.value.iter().zip(&values) {
            assert!((g.unwrap() - d).abs() < 1e-12);
        }
        assert_eq!(out.spikes, 0);
    }

    #[test]
    fn noise_is_found_again_and_the_floor_is_what_a_perfect_face_reads() {
        let (points, normals) = flat(0.5, 60);
        let mut floors = Vec::new();
        let mut rehearsed = 0.0;
        for seed in 0..6 {
            let mut random = Random::seeded(seed);
            let values: Vec<f64> = points.iter().map(|_| 0.02 * random.normal()).collect();
            let mut filter = Gaussian::new(points.clone(), &normals, 2.5);
            let out = filter.apply(&quiet(), &values).unwrap();
            assert!((out.noise_mm / 0.02 - 1.0).abs() < 0.03, "{}", out.noise_mm);
            let e = out.extremes().unwrap();
            floors.push(e.high.0 - e.low.0);
            let all: Vec<u32> = (0..points.len() as u32).collect();
            let passed = filter.passed_noise(&quiet(), &all, out.noise_mm, 5).unwrap();
            let range = |d: usize| {
                let drawn = extremes(passed.iter().map(|e| Some(f64::from(e[d])))).unwrap();
                drawn.high.0 - drawn.low.0
            };
            rehearsed = (0..REHEARSALS).map(range).sum::<f64>() / REHEARSALS as f64;
        }
        let seen = floors.iter().sum::<f64>() / floors.len() as f64;
        assert!((rehearsed / seen - 1.0).abs() < 0.1, "rehearsed {rehearsed}, seen {seen}");
    }

    #[test]
    fn a_single_flyer_is_a_spike_and_a_dent_is_not() {
        let (points, normals) = flat(0.5, 30);
        let mut random = Random::seeded(9);
        let mut values: Vec<f64> = points
            .iter()
            .map(|p| {
                let dent = if p.coords.norm() < 3.0 { -0.8 } else { 0.0 };
                dent + 0.01 * random.normal()
            })
            .collect();
        let flyer = points.iter().position(|p| p.x == 10.0 && p.y == 10.0).unwrap();
        values[flyer] += 0.5;
        let out = Gaussian::new(points, &normals, 2.5).apply(&quiet(), &values).unwrap();
        assert_eq!(out.value[flyer], None);
        assert!(out.extremes().unwrap().low.0 < -0.78);
        assert!(out.extremes().unwrap().high.0 < 0.1);
    }

    #[test]
    fn points_too_far_apart_are_refused() {
        let (points, normals) = flat(4.0, 10);
        let values = vec![0.0; points.len()];
        let error = Gaussian::new(points, &normals, 2.5).apply(&quiet(), &values).unwrap_err();
        assert!(matches!(error, FilterError::TooSparse { .. }), "{error}");
        assert!(Gaussian::new(vec![], &[], 2.5).apply(&quiet(), &[]).is_err());
    }
}
