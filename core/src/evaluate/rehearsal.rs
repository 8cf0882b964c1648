//! A rule on surfaces that are as they might have been: with other noise, with points left out, on datums that lie otherwise.
//!
//! JCGM 101:2008, 5.9 (propagation by seeded repetition) for the noise; steps along the axes of the alignment's covariance
//! (JCGM 100:2008, 5.1.3, note 2) for the datums.

use rayon::prelude::*;

use crate::filter::REHEARSALS;
use crate::geometry::random::Random;
use crate::geometry::{Motion, PartFrame, Point, Vector, symmetric_eigen};
use crate::run::Stopped;
use crate::tolerance::{RuleError, Surface};

use super::by_rule::{Asked, effective};
use super::effects::Step;
use super::extract::{Drawn, Extracted};
use super::{Subject, effects};

/// Seed of the rehearsals: any constant; the same scan must always give the same answer.
pub(super) const SEED: u64 = 0x7A11_0C8D;

/// Rehearsals that may fail: more than a quarter, and the spread is not known.
const MOST_FAILED: usize = REHEARSALS / 4;

/// A third of the points is left out, each in its turn, to see what lies between points.
const THIRDS: usize = 3;

/// Patches left out, each in its turn, to see what an unseen one would change.
const PATCHES: usize = 12;

/// The rule's numbers on surfaces; `None` where it has no answer.
pub(super) fn numbers(
    subject: &Subject,
    asked: &Asked,
    surfaces: &[Surface],
) -> Result<Option<Vec<f64>>, Stopped> {
    subject.context.run.check()?;
    match asked.rule.measure(subject.context.run, surfaces) {
        Ok(found) => Ok(Some(effective(&found)).filter(|v| v.iter().all(|x| x.is_finite()))),
        Err(RuleError::Stopped(stopped)) => Err(stopped),
        Err(_) => Ok(None),
    }
}

/// What is drawn beside the noise of the points.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum With {
    /// Nothing.
    Noise,
    /// How the datums lie.
    Datums,
    /// That, and all inputs that displace the whole scan.
    All,
}

/// The rule on every draw of the noise, or of a part of it; `None` where too many fail. What else is drawn, as of a perfect part,
/// is drawn jointly, as JCGM 101:2008 does. What neighbouring points share moves the datums in every rehearsal on them.
pub(super) fn rehearse(
    subject: &Subject,
    asked: &Asked,
    surfaces: &[Extracted],
    of: impl Fn(&Extracted) -> &Surface + Sync,
    with: With,
    part: Drawn,
) -> Result<Option<Vec<Vec<f64>>>, Stopped> {
    let displaced = with == With::All;
    let datums = subject.datums.filter(|_| with != With::Noise && asked.aligned);
    let axes = datums.map_or_else(Vec::new, |d| axes(&d.covariance));
    // What each input that displaces the whole scan does along the normals of each surface, by one standard uncertainty.
    let along = |[step, _]: [Step; 2]| -> Vec<Vec<f32>> {
        let one = |e: &Extracted| {
            let surface = of(e);
            (0..surface.points.len()).map(|i| step.along(surface, e.across.as_deref(), i) as f32).collect()
        };
        surfaces.iter().map(one).collect()
    };
    let along: Vec<Vec<Vec<f32>>> =
        if displaced { effects::steps(subject).into_iter().map(along).collect() } else { Vec::new() };
    let all: Result<Vec<Option<Vec<f64>>>, Stopped> = (0..REHEARSALS)
        .into_par_iter()
        .map(|draw| {
            // What neighbouring points share moves the datums too.
            let moves = asked.aligned && part != Drawn::Kept;
            let shared = subject.datums.filter(|_| moves).and_then(|d| d.moved_by_shared(draw, 1.0));
            let drawn = surfaces.iter().map(|s| {
                let drawn = s.rehearsed(of(s), draw, part);
                match &shared {
                    Some(motion) => drawn.moved(motion),
                    None => drawn,
                }
            });
            let mut random = Random::seeded(SEED ^ (draw as u64 + 1).wrapping_mul(0x9E37_79B9_7F4A_7C15));
            let mut drawn: Vec<Surface> = match datums {
                Some(datums) => {
                    let (turn, shift) =
                        axes.iter().fold((Vector::zeros(), Vector::zeros()), |(t, s), axis| {
                            let amount = random.normal();
                            (t + axis.0 * amount, s + axis.1 * amount)
                        });
                    let motion = Motion::turn_about(datums.centre, turn, shift);
                    drawn.map(|s| s.moved(&motion)).collect()
                }
                None => drawn.collect(),
            };
            if displaced {
                let amounts: Vec<f64> = along.iter().map(|_| random.normal()).collect();
                for (s, surface) in drawn.iter_mut().enumerate() {
                    for i in 0..surface.points.len() {
                        let by: f64 =
                            along.iter().zip(&amounts).map(|(a, amount)| f64::from(a[s][i]) * amount).sum();
                        surface.points[i] += surface.normals[i].vector() * by;
                        surface.deviations_mm[i] += by;
                    }
                }
            }
            numbers(subject, asked, &drawn)
        })
        .collect();
    let good: Vec<Vec<f64>> = all?.into_iter().flatten().collect();
    Ok((good.len() + MOST_FAILED >= REHEARSALS).then_some(good))
}

/// The rule's numbers on perfect surfaces without noise.
pub(super) fn perfect_values(
    subject: &Subject,
    asked: &Asked,
    surfaces: &[Extracted],
) -> Result<Option<Vec<f64>>, Stopped> {
    let perfect: Vec<Surface> = surfaces.iter().map(|s| s.perfect.clone()).collect();
    numbers(subject, asked, &perfect)
}

/// Mean less `from`, and standard deviation, of one number over the rehearsals.
pub(super) fn mean_and_spread(all: &[Vec<f64>], k: usize, from: f64) -> (f64, f64) {
    let n = all.len() as f64;
    let mean = all.iter().map(|v| v[k]).sum::<f64>() / n;
    let square = all.iter().map(|v| (v[k] - mean) * (v[k] - mean)).sum::<f64>();
    (mean - from, (square / (n - 1.0)).sqrt())
}

/// What lies between the points or in places that were not seen, as a standard uncertainty.
///
/// Of an extreme: the gap to it grows with the square of the step from point to point. With a third of the points left
/// out the step squared is half as large again, so the change is half of what the points themselves may miss, which is
/// taken as the half-width of a rectangular distribution (JCGM 100:2008, 4.3.7). Of a fit: the jackknife over patches
/// (Efron, The Jackknife, the Bootstrap and Other Resampling Plans, SIAM, 1982, 2.1, from memory), by the share that was
/// not seen; what was seen whole has no sampling error.
pub(super) fn sampling(
    subject: &Subject,
    asked: &Asked,
    extracted: &[Extracted],
    measured: &[Surface],
    values: &[f64],
) -> Result<Vec<f64>, Stopped> {
    if asked.extremes && extracted.iter().all(|s| s.tiled) {
        return Ok(vec![0.0; values.len()]);
    }
    let unseen = extracted.iter().map(|s| 1.0 - s.sight.seen.fraction).fold(0.0, f64::max).clamp(0.0, 1.0);
    if !asked.extremes && unseen <= 0.0 {
        return Ok(vec![0.0; values.len()]);
    }
    let groups = if asked.extremes { THIRDS } else { PATCHES };
    let keys: Vec<Vec<usize>> = measured
        .iter()
        .map(|s| if asked.extremes { (0..s.points.len()).map(|i| i % THIRDS).collect() } else { patches(s) })
        .collect();
    let all: Result<Vec<Option<Vec<f64>>>, Stopped> = (0..groups)
        .into_par_iter()
        .map(|out| {
            let fewer: Vec<Surface> =
                measured.iter().zip(&keys).map(|(s, keys)| without(s, keys, out)).collect();
            numbers(subject, asked, &fewer)
        })
        .collect();
    let all = all?;
    let of = |k: usize| -> f64 {
        if all.iter().any(Option::is_none) {
            return f64::INFINITY;
        }
        let found = || all.iter().flatten().map(|v| v[k]);
        if asked.extremes {
            return 2.0 * found().map(|v| (v - values[k]).abs()).fold(0.0, f64::max) / 3f64.sqrt();
        }
        let n = groups as f64;
        let mean = found().sum::<f64>() / n;
        ((n - 1.0) / n * found().map(|v| (v - mean) * (v - mean)).sum::<f64>() * unseen).sqrt()
    };
    Ok((0..values.len()).map(of).collect())
}

fn without(surface: &Surface, keys: &[usize], out: usize) -> Surface {
    let kept: Vec<usize> = (0..keys.len()).filter(|&i| keys[i] != out).collect();
    Surface {
        points: kept.iter().map(|&i| surface.points[i]).collect(),
        normals: kept.iter().map(|&i| surface.normals[i]).collect(),
        deviations_mm: kept.iter().map(|&i| surface.deviations_mm[i]).collect(),
        wall_mm: surface.wall_mm,
    }
}

/// Patches of about equal numbers of points: the surface cut across its longest extent, the pieces across theirs.
fn patches(surface: &Surface) -> Vec<usize> {
    let mut keys = vec![0; surface.points.len()];
    let mut pieces: Vec<Vec<usize>> = vec![(0..surface.points.len()).collect()];
    while pieces.len() < PATCHES {
        // The largest piece is cut, the first of equals.
        let largest = (0..pieces.len()).rev().max_by_key(|&i| pieces[i].len()).unwrap_or(0);
        let piece = pieces.swap_remove(largest);
        let bounds = crate::geometry::Aabb::of(piece.iter().map(|&i| &surface.points[i])).size();
        let axis = bounds.iamax();
        let mut sorted = piece;
        sorted.sort_by(|&a, &b| surface.points[a][axis].total_cmp(&surface.points[b][axis]).then(a.cmp(&b)));
        let rest = sorted.split_off(sorted.len() / 2);
        pieces.extend([sorted, rest]);
    }
    for (k, piece) in pieces.iter().enumerate() {
        for &i in piece {
            keys[i] = k;
        }
    }
    keys
}

/// What the uncertainty of the datum alignment does: the root mean square of both steps by one standard deviation along each
/// axis of its covariance. A value at its least, which a step either way makes larger, gets its share too, and of one whose
/// slopes differ on both sides it is what a normal input does.
pub(super) fn alignment(
    subject: &Subject,
    asked: &Asked,
    measured: &[Surface],
    values: &[f64],
) -> Result<Vec<f64>, Stopped> {
    let Some(datums) = subject.datums.filter(|_| asked.aligned) else { return Ok(vec![0.0; values.len()]) };
    let steps = deviations(&datums.covariance, datums.centre);
    let all: Result<Vec<[Option<Vec<f64>>; 2]>, Stopped> = steps
        .par_iter()
        .map(|ways| {
            let moved = |m: &Motion<PartFrame, PartFrame>| {
                let there: Vec<Surface> = measured.iter().map(|s| s.moved(m)).collect();
                numbers(subject, asked, &there)
            };
            Ok([moved(&ways[0])?, moved(&ways[1])?])
        })
        .collect();
    let mut squares = vec![0.0; values.len()];
    for ways in all? {
        for (k, square) in squares.iter_mut().enumerate() {
            *square += mean_square(&ways, k, values[k]);
        }
    }
    Ok(squares.into_iter().map(f64::sqrt).collect())
}

/// The mean square of what a value changes by one standard uncertainty of an input, there and back; infinite where either has
/// no answer.
pub(super) fn mean_square(ways: &[Option<Vec<f64>>; 2], k: usize, value: f64) -> f64 {
    let square = |w: &Option<Vec<f64>>| w.as_ref().map_or(f64::INFINITY, |v| (v[k] - value) * (v[k] - value));
    0.5 * (square(&ways[0]) + square(&ways[1]))
}

/// Motions by one standard deviation, there and back, along the axes of a covariance of (turn, rad; shift, mm).
pub(super) fn deviations(
    covariance: &[[f64; 6]; 6],
    centre: Point,
) -> Vec<[Motion<PartFrame, PartFrame>; 2]> {
    let both = |(turn, shift): (Vector, Vector)| {
        [1.0, -1.0].map(|w| Motion::turn_about(centre, turn * w, shift * w))
    };
    axes(covariance).into_iter().map(both).collect()
}

/// Turns and shifts by one standard deviation along the axes of a covariance: independent of each other.
fn axes(covariance: &[[f64; 6]; 6]) -> Vec<(Vector, Vector)> {
    // Turns in mm at 100 mm from the centre, so that both are of a size.
    const LEVER_MM: f64 = 100.0;
    let unit = |i: usize| if i < 3 { LEVER_MM } else { 1.0 };
    let scaled: [[f64; 6]; 6] =
        std::array::from_fn(|i| std::array::from_fn(|j| covariance[i][j] * unit(i) * unit(j)));
    let (values, vectors) = symmetric_eigen(&scaled);
    let largest = values.iter().fold(0.0f64, |m, v| m.max(*v));
    let told = values.iter().zip(&vectors).filter(|(value, _)| **value > 1e-12 * largest);
    told.map(|(value, v)| {
        let s = value.sqrt();
        (Vector::new(v[0], v[1], v[2]) * (s / LEVER_MM), Vector::new(v[3], v[4], v[5]) * s)
    })
    .collect()
}
