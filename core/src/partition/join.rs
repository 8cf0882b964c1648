//! How several scans of one part lie to each other.
//!
//! Each scan was brought onto the nominal by itself, so a part that is not as its nominal puts two scans of it as far off each
//! other as their best fits differ. Where they saw the same faces the differences of their deviations tell how they lie: a small
//! motion each by weighted least squares (the linear step of point to plane, Chen and Medioni, Image and Vision Computing 10(3),
//! 1992), all of them at once. What a place is like is common to those that saw it: in each cell of a face a height and two slopes
//! are taken out, so that scans which saw different ends of a cell are not told apart by the form between.
//!
//! What they do not share the nominal tells, as well as the part follows it: a form error over the whole of what a scan saw is one
//! error, however many points show it, and a best fit may be off by as much (our own reasoning). Both are independent, so their
//! information adds: inverse covariances (elementary, no source).

mod cells;

use super::{MeasuredPoint, Partition};
use crate::filter::{Correlated, Draws, REHEARSALS, SharedNoise};
use crate::geometry::dense::{inverse, lower_factor};
use crate::geometry::{Cholesky, Direction, Motion, PartFrame, Point, Twist, Vector};
use crate::nominal::Nominal;
use crate::run::{CHECK_EVERY, Run, Stopped};
use crate::scan::Scan;
use cells::{Cell, LEAST_IN_CELL, Shared, cells, sums};

/// Turns are told by what they move at this distance from the middle, mm, so that they are of the size of shifts.
const LEVER_MM: f64 = 100.0;
/// So few shared cells for each further scan are no overlap.
const LEAST_CELLS: usize = 12;
/// A cell this many robust standard deviations off shows something that one of the scans has not seen, as a clamp.
const OFF: f64 = 5.0;
/// A part follows its nominal no better than this, mm.
const LEAST_FORM_MM: f64 = 1e-4;
/// What is this many times less certain as soon as the nominal tells less is told by the nominal, and not by the scans.
const BY_NOMINAL: f64 = 2.0;
/// By so much less the nominal then tells (in variance).
const LESS: f64 = 100.0;
/// No more than this many times the information of the reach is taken from what scans share: beyond it rounding would hide what the
/// nominal tells. Of a reach of 20 mm it leaves 0.0006 mm.
const FIRMEST: f64 = 1e9;
/// Less than this nobody asks for, mm.
const NOTHING_MM: f64 = 1e-4;
/// Further than any noise that neighbouring points share reaches, mm.
const FAR_MM: f64 = 1e6;

/// Turn (by what it moves at 100 mm from the middle) and shift of a scan, mm; or what a deviation is changed by either.
pub type Row = [f64; 6];

/// How several scans of a part lie to the first, and how surely.
#[derive(Clone, Debug)]
pub struct Joined {
    /// Point about which they turn, mm.
    pub centre: Point,
    /// How each lies off the first, which is the one that does not.
    pub off: Vec<Row>,
    /// Places that more than one scan saw.
    pub shared: usize,
    /// How many times as much as noise explains they differ at these places (root of the mean square); 1 where it is less.
    pub ratio: f64,
    /// What a further round would still have moved a corner of the part by, mm; 0 where they came to rest.
    pub unrest_mm: f64,
    /// Covariance of those beyond the first, one after the other, mm2.
    covariance: Vec<Vec<f64>>,
    /// The same if the nominal told less.
    without_nominal: Vec<Vec<f64>>,
}

/// What is looked at.
pub struct JoinInput<'a> {
    /// The nominal.
    pub nominal: &'a Nominal,
    /// All scans, in one set of axes.
    pub scan: &'a Scan,
    /// Where they lie.
    pub partition: &'a Partition,
    /// Standard deviation of the points' noise, mm.
    pub noise_mm: f64,
    /// Noise that neighbouring points share, each scan for itself.
    pub correlated: &'a [Correlated],
    /// Further off than this no point is given to the nominal, mm.
    pub reach_mm: f64,
}

impl Joined {
    /// Of scans that `already` were found to lie so far off and were moved back by it: how far they lie off in all. `None` of one
    /// scan.
    ///
    /// # Errors
    /// Only a stop by the caller.
    pub fn new(run: &Run, input: &JoinInput, already: &[Row]) -> Result<Option<Self>, Stopped> {
        let scans = input.scan.piece_count();
        if scans < 2 {
            return Ok(None);
        }
        let bounds = input.nominal.mesh().bounds();
        let centre = nalgebra::center(&bounds.low, &bounds.high);
        let placed: Vec<MeasuredPoint> = input.partition.placed(input.scan).collect();
        let widest = placed.iter().map(|p| input.scan.spacing_of(p.index as usize)).fold(0.0, f64::max);
        let cells = cells(run, input, &placed, scans, (3.0 * widest).max(2.0))?;
        let by_nominal = by_nominal(&cells, centre, scans, input.reach_mm);
        let noise_mm2 = (input.noise_mm * input.noise_mm).max(1e-12);
        let mut shared: Vec<Shared> =
            cells.iter().filter_map(|c| Shared::new(c, centre, noise_mm2)).collect();
        if shared.len() < LEAST_CELLS * (scans - 1) {
            shared.clear();
        }
        let size = 6 * scans;
        let before: Vec<f64> = (0..scans).flat_map(|k| already.get(k).copied().unwrap_or([0.0; 6])).collect();
        let mut ratio2 = 1.0;
        let mut found = vec![0.0; size];
        // What scans share may weigh no more than rounding leaves of what the nominal tells beside it.
        let firmest = |matrix: &[Vec<f64>], ratio2: f64| {
            let most = (0..size).map(|i| matrix[i][i]).fold(0.0, f64::max);
            (most * input.reach_mm * input.reach_mm / FIRMEST).max(ratio2)
        };
        let together = |matrix: &[Vec<f64>], ratio2: f64, by: f64| {
            inverse(&added(matrix, &by_nominal, 1.0 / firmest(matrix, ratio2), by))
        };
        // Twice without what does not belong together.
        for round in 0..3 {
            run.check()?;
            let (matrix, right) = sums(&shared, size);
            let Some(inverse) = together(&matrix, ratio2, 1.0) else {
                // Then the nominal alone tells it, which holds every freedom.
                shared.clear();
                found.clone_from(&before);
                break;
            };
            let scale = firmest(&matrix, ratio2);
            let known: Vec<f64> = (0..size).map(|i| (right[i] + dot(&matrix[i], &before)) / scale).collect();
            found = (0..size).map(|i| dot(&inverse[i], &known)).collect();
            let step: Vec<f64> = found.iter().zip(&before).map(|(f, b)| f - b).collect();
            let left: Vec<f64> = shared.iter().map(|s| s.left_over(&step)).collect();
            let freedoms = shared.iter().map(|s| s.scans.len() - 1).sum::<usize>();
            let spare = freedoms.saturating_sub(6 * (scans - 1)).max(1);
            // Birge, Physical Review 40, 1932.
            ratio2 = (left.iter().sum::<f64>() / spare as f64).max(1.0);
            if round < 2 && !shared.is_empty() {
                let off: Vec<f64> =
                    left.iter().zip(&shared).map(|(l, s)| (l / (s.scans.len() - 1) as f64).sqrt()).collect();
                let mut sorted = off.clone();
                let middle = *sorted.select_nth_unstable_by(off.len() / 2, f64::total_cmp).1;
                // Half of the absolute values of a normal distribution lie below 0.6745.
                let most = OFF * (middle / 0.6745).max(1.0);
                let mut each = off.iter();
                shared.retain(|_| each.next().is_none_or(|o| *o <= most));
            }
        }
        let (matrix, _) = sums(&shared, size);
        let of = |by: f64| together(&matrix, ratio2, by);
        let (Some(mut covariance), Some(without)) = (of(1.0), of(1.0 / LESS)) else { return Ok(None) };
        let scale = firmest(&matrix, ratio2);
        add_shared_noise(run, &mut covariance, &shared, input.correlated, scale)?;
        let off = (0..scans).map(|k| std::array::from_fn(|i| found[6 * k + i] - found[i])).collect();
        Ok(Some(Self {
            centre,
            off,
            shared: shared.len(),
            ratio: ratio2.sqrt(),
            unrest_mm: 0.0,
            covariance: relative(&covariance),
            without_nominal: relative(&without),
        }))
    }

    /// The same certainty of scans that were found to lie so.
    #[must_use]
    pub fn lying(self, off: &[Row]) -> Self {
        Self { off: off.to_vec(), ..self }
    }

    /// The motion on the part that brings a scan to where the first would have seen it.
    pub fn onto_the_first(&self, scan: usize) -> Motion<PartFrame, PartFrame> {
        let off = self.off.get(scan).copied().unwrap_or([0.0; 6]);
        Twist::motion(&[twist(&off)], &[-1.0], self.centre)
    }

    /// Independent standard uncertainties of how the scans lie to each other: each as it moves every scan.
    pub fn uncertainties(&self) -> Vec<Vec<Twist>> {
        let size = self.covariance.len();
        let lower = lower_factor(&self.covariance).unwrap_or_else(|| {
            // No covariance is larger than its diagonal alone, times its size.
            let wide = |i: usize| (size as f64 * self.covariance[i][i].abs()).sqrt();
            (0..size).map(|i| (0..size).map(|j| if i == j { wide(i) } else { 0.0 }).collect()).collect()
        });
        let column = |c: usize| {
            let of = |k: usize| twist(&std::array::from_fn(|i| lower[6 * (k - 1) + i][c]));
            let still = Twist { turn: Vector::zeros(), shift: Vector::zeros() };
            std::iter::once(still).chain((1..=size / 6).map(of)).collect()
        };
        (0..size).filter(|&c| lower[c][c] > 0.0).map(column).collect()
    }

    /// Standard uncertainty of where a scan puts a place of the part against the first, along a direction, mm.
    pub fn standard_mm(&self, scan: usize, place: &Point, along: Direction) -> f64 {
        let mut weights = vec![0.0; self.covariance.len()];
        if scan > 0
            && let Some(own) = weights.get_mut(6 * (scan - 1)..6 * scan)
        {
            own.copy_from_slice(&row(place, along, self.centre));
        }
        quadratic(&self.covariance, &weights).max(0.0).sqrt()
    }

    /// Whether a weighted sum of deviations rests on how scans lie to each other that did not see the same: then the nominal alone
    /// tells it.
    pub fn apart(&self, nominal: &Nominal, scan: &Scan, weighted: &[(&MeasuredPoint, f64)]) -> bool {
        let mut weights = vec![0.0; self.covariance.len()];
        for (p, weight) in weighted {
            let Some(n) = nominal.mesh().normal(p.triangle) else { continue };
            let piece = scan.piece_of(p.index as usize);
            if piece == 0 {
                continue;
            }
            let of = row(&p.point, n, self.centre);
            weights[6 * (piece - 1)..6 * piece].iter_mut().zip(of).for_each(|(s, r)| *s += weight * r);
        }
        let (with, without) =
            (quadratic(&self.covariance, &weights), quadratic(&self.without_nominal, &weights));
        without > BY_NOMINAL * with && without.sqrt() > NOTHING_MM
    }
}

fn twist(row: &Row) -> Twist {
    Twist { turn: Vector::new(row[0], row[1], row[2]) / LEVER_MM, shift: Vector::new(row[3], row[4], row[5]) }
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}

fn quadratic(matrix: &[Vec<f64>], v: &[f64]) -> f64 {
    matrix.iter().zip(v).map(|(row, x)| x * dot(row, v)).sum()
}

/// How a deviation along `n` at `p` changes with a turn and a shift.
fn row(p: &Point, n: Direction, centre: Point) -> Row {
    let n = n.vector();
    let turn = (p - centre).cross(&n) / LEVER_MM;
    [turn.x, turn.y, turn.z, n.x, n.y, n.z]
}

/// Covariance of what all but the first differ from it by.
fn relative(all: &[Vec<f64>]) -> Vec<Vec<f64>> {
    let of = |i: usize, j: usize| all[i][j] - all[i % 6][j] - all[i][j % 6] + all[i % 6][j % 6];
    (6..all.len()).map(|i| (6..all.len()).map(|j| 0.5 * (of(i, j) + of(j, i))).collect()).collect()
}

fn added(a: &[Vec<f64>], b: &[Vec<f64>], times_a: f64, times_b: f64) -> Vec<Vec<f64>> {
    let rows = a.iter().zip(b);
    rows.map(|(a, b)| a.iter().zip(b).map(|(x, y)| x * times_a + y * times_b).collect()).collect()
}

/// What the nominal tells of each scan, as information about all six of its freedoms.
fn by_nominal(cells: &[Cell], centre: Point, scans: usize, reach_mm: f64) -> Vec<Vec<f64>> {
    let mut all = vec![vec![0.0; 6 * scans]; 6 * scans];
    for k in 0..scans {
        let (mut matrix, mut right, mut square, mut count) = ([[0.0; 6]; 6], [0.0; 6], 0.0, 0.0);
        for cell in cells.iter().filter(|c| c.seen[k].count >= LEAST_IN_CELL) {
            let r = row(&cell.at, cell.normal, centre);
            let mean = cell.seen[k].deviation[0] / cell.seen[k].count as f64;
            count += 1.0;
            square += mean * mean;
            for i in 0..6 {
                right[i] += r[i] * mean;
                for j in 0..6 {
                    matrix[i][j] += r[i] * r[j];
                }
            }
        }
        let mut form_mm2 = reach_mm * reach_mm;
        if count > 0.0 {
            let mut firm = matrix;
            (0..6).for_each(|i| firm[i][i] += 1e-9 * count);
            let fitted = Cholesky::new(&firm).map(|c| c.solve(&right));
            let taken = fitted.map_or(0.0, |f| dot(&f, &right));
            form_mm2 = ((square - taken) / count).max(LEAST_FORM_MM * LEAST_FORM_MM);
        }
        for i in 0..6 {
            for j in 0..6 {
                let own = if i == j { 1.0 / (reach_mm * reach_mm) } else { 0.0 };
                let seen = if count > 0.0 { matrix[i][j] / (count * form_mm2) } else { 0.0 };
                all[6 * k + i][6 * k + j] = own + seen;
            }
        }
    }
    all
}

/// What noise does that neighbouring points of a scan share, each scan having its own: by seeded draws of it at every shared cell.
fn add_shared_noise(
    run: &Run,
    covariance: &mut [Vec<f64>],
    shared: &[Shared],
    correlated: &[Correlated],
    ratio2: f64,
) -> Result<(), Stopped> {
    let mut noise = SharedNoise::new(correlated);
    if noise.is_none() {
        return Ok(());
    }
    let size = covariance.len();
    let mut right = vec![vec![0.0; size]; REHEARSALS];
    for (c, s) in shared.iter().enumerate() {
        if c % CHECK_EVERY == 0 {
            run.check()?;
        }
        // As if each scan lay far away from the others: they share none of it.
        let drawn: Vec<Draws> = s
            .scans
            .iter()
            .map(|&k| noise.at(&(s.at + Vector::new(FAR_MM * k as f64, 0.0, 0.0)), &s.normal.vector()))
            .collect();
        for (draw, right) in right.iter_mut().enumerate() {
            for (a, &k) in s.scans.iter().enumerate() {
                let off: f64 =
                    s.weights[a].iter().zip(&drawn).map(|(w, d)| w * f64::from(d[draw])).sum::<f64>()
                        / ratio2;
                for i in 0..6 {
                    right[6 * k + i] += off * s.row[i];
                }
            }
        }
    }
    let moved: Vec<Vec<f64>> =
        right.iter().map(|r| covariance.iter().map(|row| dot(row, r)).collect()).collect();
    for m in &moved {
        for i in 0..size {
            for j in 0..size {
                covariance[i][j] += m[i] * m[j] / REHEARSALS as f64;
            }
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn joined(covariance: Vec<Vec<f64>>) -> Joined {
        let size = covariance.len();
        Joined {
            centre: Point::origin(),
            off: vec![[0.0; 6]; size / 6 + 1],
            shared: 0,
            ratio: 1.0,
            unrest_mm: 0.0,
            without_nominal: covariance.clone(),
            covariance,
        }
    }

    /// What the uncertainties of a join say of the second scan: their sum of squares along each of its freedoms.
    fn told(joined: &Joined) -> [f64; 6] {
        let mut all = [0.0; 6];
        for scans in joined.uncertainties() {
            let turn = scans[1].turn * LEVER_MM;
            let shift = scans[1].shift;
            for (sum, x) in all.iter_mut().zip([turn.x, turn.y, turn.z, shift.x, shift.y, shift.z]) {
                *sum += x * x;
            }
        }
        all
    }

    #[test]
    fn a_covariance_without_a_factor_is_told_wider_and_never_narrower() {
        // Of two scans; two freedoms share nearly all that they have.
        let mut matrix = vec![vec![0.0; 6]; 6];
        (0..6).for_each(|i| matrix[i][i] = 1e-4 * (1.0 + i as f64));
        (matrix[0][1], matrix[1][0]) = (1.4e-4, 1.4e-4);
        assert!(lower_factor(&matrix).is_some());
        let sound = told(&joined(matrix.clone()));
        for i in 0..6 {
            assert!((sound[i] / matrix[i][i] - 1.0).abs() < 1e-12, "{i}: {}", sound[i]);
        }
        // By a little more than both have together, as rounding may leave it, it is the covariance of nothing.
        (matrix[0][1], matrix[1][0]) = (1.4143e-4, 1.4143e-4);
        assert!(lower_factor(&matrix).is_none());
        let wide = joined(matrix.clone());
        for (i, square) in told(&wide).into_iter().enumerate() {
            assert!((square / (6.0 * matrix[i][i]) - 1.0).abs() < 1e-12, "{i}: {square}");
        }
        // Along no direction is less told than the matrix itself says.
        let columns = wide.uncertainties();
        for k in 0..200 {
            let mut random = crate::geometry::random::Random::seeded(k);
            let way: Row = std::array::from_fn(|_| random.normal());
            let along = |t: &Twist| {
                let own = [t.turn * LEVER_MM, t.shift];
                (0..6).map(|i| way[i] * own[i / 3][i % 3]).sum::<f64>()
            };
            let square: f64 = columns.iter().map(|c| along(&c[1]) * along(&c[1])).sum();
            assert!(square >= quadratic(&matrix, &way), "{k}");
        }
    }
}
