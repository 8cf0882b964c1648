//! The offsets of an edge filtered along it, and what noise does to them.
//!
//! Gaussian weights of ISO 16610-21:2011, `exp(-pi (d / (alpha L))^2)` with `alpha = sqrt(ln 2 / pi)`, as a first-order
//! regression at ends and beside places that were not seen (ISO 16610-28:2016). A station is the mean over its own length h,
//! which filters too; so the Gaussian is made narrower until both together have the variance (alpha L)^2 / 2 pi of the
//! weighting function that the standard states: a wave of the nesting index passes with half its height within two
//! hundredths. Where stations are longer than two thirds of the nesting index they alone filter.

use std::f64::consts::{LN_2, PI};

use super::measured::{MeasuredEdge, Station};
use crate::filter::{Correlated, Draws, REHEARSALS, add_correlated};
use crate::geometry::random::Random;
use crate::geometry::{Direction, math};

/// Weights below exp(-4.5) of the largest are left out.
const WIDTHS: f64 = 3.0;

/// An edge's offsets after the filter.
#[derive(Clone, Debug, PartialEq)]
pub struct Filtered {
    /// Indices of the stations that were seen, ascending.
    pub stations: Vec<u32>,
    /// Their filtered offsets, mm.
    pub value_mm: Vec<f64>,
    /// Standard uncertainty of each from noise and spacing, mm.
    pub standard_mm: Vec<f64>,
    /// For each the seen stations (places in this list) that it is made of, with their factors.
    factors: Vec<Vec<(u32, f64)>>,
}

impl MeasuredEdge {
    /// The offsets filtered along the edge.
    pub fn filtered(&self, nesting_mm: f64) -> Filtered {
        let seen: Vec<u32> =
            (0..self.stations.len() as u32).filter(|&k| self.stations[k as usize].found.is_some()).collect();
        let factors: Vec<Vec<(u32, f64)>> =
            (0..seen.len()).map(|i| self.factors_of(&seen, i, nesting_mm)).collect();
        let found = |j: u32| self.stations[seen[j as usize] as usize].found;
        let value = |f: &Vec<(u32, f64)>| f.iter().filter_map(|&(j, h)| Some(h * found(j)?.offset_mm)).sum();
        let standard = |f: &Vec<(u32, f64)>| {
            // What is common to all is not averaged out.
            let (mut own, mut common) = (0.0, 0.0);
            for &(j, h) in f {
                let Some(at) = found(j) else { continue };
                if at.common_mm > 0.0 {
                    common += h.abs() * at.standard_mm;
                } else {
                    own += h * h * at.standard_mm * at.standard_mm;
                }
            }
            (own + common * common).sqrt()
        };
        Filtered {
            value_mm: factors.iter().map(value).collect(),
            standard_mm: factors.iter().map(standard).collect(),
            stations: seen,
            factors,
        }
    }

    /// Factors of the seen stations about one of them.
    fn factors_of(&self, seen: &[u32], i: usize, nesting_mm: f64) -> Vec<(u32, f64)> {
        let station = |j: usize| &self.stations[seen[j] as usize];
        let own = station(i);
        let alone = vec![(i as u32, 1.0)];
        let stretch = &self.stretches[own.stretch as usize];
        // (alpha L)^2 / 2 pi with alpha^2 = ln 2 / pi.
        let whole = nesting_mm * nesting_mm * LN_2 / (2.0 * PI * PI);
        let variance = whole - own.length_mm * own.length_mm / 12.0;
        if !(variance > 0.0) {
            return alone;
        }
        let reach = WIDTHS * variance.sqrt();
        let length = stretch.to_mm - stretch.from_mm;
        let distance = |j: usize| {
            let d = station(j).along_mm - own.along_mm;
            if stretch.closed { d - length * (d / length).round() } else { d }
        };
        let mut near: Vec<(usize, f64, f64)> = Vec::new();
        let mut add = |j: usize| {
            let d = distance(j);
            let within = station(j).stretch == own.stretch && d.abs() <= reach;
            if within {
                near.push((j, d, math::exp(-0.5 * d * d / variance)));
            }
            within
        };
        add(i);
        // Outwards to both sides as far as they reach; a closed line goes on at its other end.
        let n = seen.len();
        for step in 1..n {
            if !(i + step < n || stretch.closed) || !add((i + step) % n) {
                break;
            }
        }
        let taken: Vec<usize> = near.iter().map(|x| x.0).collect();
        let mut add = |j: usize| {
            let d = distance(j);
            let within = !taken.contains(&j) && station(j).stretch == own.stretch && d.abs() <= reach;
            if within {
                near.push((j, d, math::exp(-0.5 * d * d / variance)));
            }
            within
        };
        for step in 1..n {
            if !(i >= step || stretch.closed) || !add((i + n - step) % n) {
                break;
            }
        }
        near.sort_by_key(|x| x.0);
        let (mut w, mut wd, mut wdd) = (0.0, 0.0, 0.0);
        for (_, d, g) in &near {
            w += g;
            wd += g * d;
            wdd += g * d * d;
        }
        let det = w * wdd - wd * wd;
        let factors: Vec<(u32, f64)> = if det > 1e-9 * w * w * variance {
            near.iter().map(|(j, d, g)| (*j as u32, g * (wdd - wd * d) / det)).collect()
        } else {
            near.iter().map(|(j, _, g)| (*j as u32, g / w)).collect()
        };
        // A regression so one-sided that it reads noisier than the station itself is no filter.
        if factors.iter().map(|f| f.1 * f.1).sum::<f64>() > 1.0 { alone } else { factors }
    }
}

impl Filtered {
    /// Seeded draws of the error of each filtered offset, mm: normal where noise makes it, even where the end of a skin lies
    /// anywhere between two places, and the same over the length over which it is. What neighbouring points share is taken for
    /// that at the edge along the `way` that offsets are told, which the filter along it sees like the rest.
    pub fn noise(
        &self,
        edge: &MeasuredEdge,
        seed: u64,
        correlated: &[Correlated],
        way: impl Fn(&Station) -> Direction,
    ) -> Vec<Draws> {
        let mut random = Random::seeded(seed);
        let mut raw: Vec<Draws> = vec![[0.0; REHEARSALS]; self.stations.len()];
        let mut kept: Draws = [0.0; REHEARSALS];
        let (mut left_mm, mut side) = (0.0, None);
        for (draws, &k) in raw.iter_mut().zip(&self.stations) {
            let station = &edge.stations[k as usize];
            let Some(found) = station.found else { continue };
            // Round a corner the rows stand otherwise to the edge.
            if side.replace(station.stretch) != Some(station.stretch) {
                left_mm = 0.0;
            }
            if found.common_mm > 0.0 {
                if left_mm <= 0.0 {
                    kept = std::array::from_fn(|_| (12f64.sqrt() * (random.unit() - 0.5)) as f32);
                    // Where along the common length the edge begins is not known.
                    left_mm = found.common_mm * (0.5 + 0.5 * random.unit());
                }
                left_mm -= station.length_mm;
                *draws = kept.map(|x| x * found.standard_mm as f32);
            } else {
                left_mm = 0.0;
                *draws = std::array::from_fn(|_| (found.standard_mm * random.normal()) as f32);
            }
        }
        let at = |k: usize| {
            let station = &edge.stations[self.stations[k] as usize];
            (station.place, way(station).vector())
        };
        add_correlated(&mut raw, at, correlated);
        self.factors
            .iter()
            .map(|factors| {
                let mut sum = [0.0f32; REHEARSALS];
                for &(j, h) in factors {
                    for (s, e) in sum.iter_mut().zip(&raw[j as usize]) {
                        *s += h as f32 * e;
                    }
                }
                sum
            })
            .collect()
    }
}
