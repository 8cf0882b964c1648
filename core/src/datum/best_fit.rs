//! Best fit on chosen features over the motions that the datums leave free.
//!
//! Each measured point is held against the tangent plane of the nominal under it, so that features of any form serve.
//! Least squares counts every cell of a face alike, times the feature's weight. Minimax makes the largest deviation of
//! the filtered points least, times the feature's weight; of each cell the highest and the lowest are looked at. Point and plane are found anew
//! every time the points are given to the nominal: Chen and Medioni, Image and Vision Computing 10(3), 1992 (from
//! memory).

use crate::associate::{Pattern, PatternPoint, Together, associate_pattern, normal_of};
use crate::geometry::{Cholesky, Motion, PartFrame, Point, Twist, Vector, symmetric_eigen};
use crate::partition::{Partition, Rim};
use crate::plan::{Association, BestFit, BestFitCriterion};
use crate::run::Run;
use crate::search::PointGrid;

use super::on_scan::features::{Field, Rehearsal, drawn, shown};
use super::on_scan::{FORM_LENGTH_MM, HOLE_COVERAGE, lacking, too_little};
use super::pattern::PartFace;
use super::targets::{LEAST_HOLD, named_motions};
use super::{DatumError, DatumInput, DatumTaken};

/// What a best fit is called where a datum has its letter.
pub(super) const BEST_FIT: &str = "best fit";

/// The features of a best fit, and what does not change from round to round.
pub(super) struct Fitting<'a> {
    faces: Vec<(PartFace<'a>, Option<Rim>, f64)>,
    criterion: BestFitCriterion,
}

/// What a best fit came to.
pub(super) struct Fitted {
    /// Moves the part from where the datums left it.
    pub(super) step: Motion<PartFrame, PartFrame>,
    /// Motions about the centre that it leaves free.
    pub(super) free: Vec<Twist>,
    /// What a motion of the part (turn, shift, about the centre) is answered by: it is brought back by this times it.
    answer: [[f64; 6]; 6],
    /// Covariance of (turn, shift) of its own.
    covariance: [[f64; 6]; 6],
    /// Every feature.
    pub(super) taken: Vec<DatumTaken>,
}

impl Fitted {
    /// The covariance of the whole from that of the datums.
    pub(super) fn covariance(&self, of_datums: &[[f64; 6]; 6]) -> [[f64; 6]; 6] {
        let keep: [[f64; 6]; 6] =
            std::array::from_fn(|i| std::array::from_fn(|j| f64::from(u8::from(i == j)) - self.answer[i][j]));
        let mut total = self.covariance;
        for i in 0..6 {
            for j in 0..6 {
                for k in 0..6 {
                    for l in 0..6 {
                        total[i][j] += keep[i][k] * of_datums[k][l] * keep[j][l];
                    }
                }
            }
        }
        total
    }
}

/// Where the datums left the part.
pub(super) struct Left<'a> {
    /// Moves the points from where they were given to the nominal.
    pub(super) moved: Motion<PartFrame, PartFrame>,
    /// Motions that are free about `centre`: orthogonal.
    pub(super) free: &'a [Twist],
    pub(super) centre: Point,
    /// Distance from the centre at which a turn counts as a shift, mm.
    pub(super) lever_mm: f64,
}

impl<'a> Fitting<'a> {
    pub(super) fn new(input: &DatumInput<'a>, fit: &BestFit) -> Option<Self> {
        let mut faces = Vec::with_capacity(fit.features.len());
        for (f, weight) in fit.features.iter().zip(&fit.weights) {
            let bound = input.faces.features.get(*f)?;
            let face = PartFace::of(bound);
            faces.push((face, face.rim(input.nominal), *weight));
        }
        Some(Self { faces, criterion: fit.criterion })
    }

    /// The best fit at one alignment; `sure` where the part rests and the uncertainty is wanted.
    ///
    /// # Errors
    /// A feature that was not seen well enough or cannot be filtered, or a stop.
    pub(super) fn fit(
        &self,
        run: &Run,
        input: &DatumInput,
        partition: &Partition,
        left: &Left,
        sure: bool,
    ) -> Result<Fitted, DatumError> {
        let minimax = self.criterion == BestFitCriterion::Minimax;
        let mut fields: Vec<Field> = Vec::new();
        let mut all: Vec<(PatternPoint, f64)> = Vec::new();
        let mut weights: Vec<f64> = Vec::new();
        let mut taken = Vec::new();
        let (mut seen, mut area): (f64, f64) = (1.0, 0.0);
        for (face, rim, weight) in &self.faces {
            let who = (BEST_FIT, face.bound.id.as_str());
            let shown = shown(run, input, who, face, rim.as_ref(), partition, false)?;
            if !(shown.seen >= HOLE_COVERAGE) {
                return Err(too_little(who, shown.seen, HOLE_COVERAGE));
            }
            (seen, area) = (seen.min(shown.seen), area + shown.area_mm2);
            let field = match (minimax, input.plan.filter) {
                (false, _) => Field::plain(input, shown.points),
                (true, Some(filter)) => {
                    Field::filtered(run, input, who, shown.points, filter.nesting_index_mm)?
                }
                (true, None) => {
                    let problem = "the best fit goes by the largest deviation, which is taken on filtered points, and \
                                   the plan has no `filter`; write one, or fit by least squares";
                    return Err(lacking(who, problem.into()));
                }
            };
            let mut points = field.facets(input.cell_mm);
            for (p, _) in &mut points {
                p.point = left.moved.point(&p.point);
                p.weight *= weight;
            }
            taken.push(points.len());
            weights.resize(weights.len() + points.len(), *weight);
            all.extend(points);
            fields.push(field);
        }
        let (used, deviations): (Vec<PatternPoint>, Vec<f64>) = all.into_iter().unzip();
        // The largest of a cell are chosen once a round, so that a rehearsal looks at the same.
        let chosen = if minimax { extremes(&used, &deviations, input.cell_mm) } else { Vec::new() };
        let part = |points: &[PatternPoint]| {
            // A largest deviation knows no cells.
            let heavy = |&i: &usize| PatternPoint { weight: weights[i], ..points[i] };
            if minimax { chosen.iter().map(heavy).collect() } else { points.to_vec() }
        };
        let whole = Pattern {
            ideals: Vec::new(),
            motions: Twist::all(left.lever_mm),
            centre: left.centre,
            reach_mm: left.lever_mm,
        };
        let failed = |cause| DatumError::Together { letter: BEST_FIT.into(), feature: self.names(), cause };
        let normal = normal_of(&whole, &used).map_err(|cause| failed(cause.into()))?;
        let (held, free) = split(&normal, left);
        let pattern = Pattern { motions: held.clone(), ..whole };
        let criterion = if minimax { Association::MinimumZone } else { Association::LeastSquares };
        let solve = |points: &[PatternPoint], criterion: Association| {
            associate_pattern(run, &pattern, points, criterion).map_err(|cause| match cause {
                crate::associate::TogetherError::Fit(crate::associate::FitError::Stopped(s)) => {
                    DatumError::Stopped(s)
                }
                cause => failed(cause),
            })
        };
        let chosen_points: Vec<PatternPoint> = part(&used);
        let found = if held.is_empty() { None } else { Some(solve(&chosen_points, criterion)?) };
        let step = found.as_ref().map_or_else(Motion::identity, |f| f.nominal_from_measured);
        let mut fitted = Fitted {
            step,
            free,
            answer: answer(&normal, &held, left.lever_mm),
            covariance: [[0.0; 6]; 6],
            taken: self.taken(&used, &taken, &step, (&held, left)),
        };
        let Some(found) = found.filter(|_| sure) else { return Ok(fitted) };
        let mut columns: Vec<[f64; 6]> = Vec::new();
        let mut form_mm = (found.rms_mm * found.rms_mm - input.noise_mm * input.noise_mm).max(0.0).sqrt();
        if minimax {
            (columns, form_mm) = self.rehearsed(run, (input, left), (&fields, &used, &weights), &solve)?;
        } else if let Some(unit) = &found.unit_covariance {
            let noise = input.noise_mm * input.noise_mm;
            columns.extend(columns_of(&unit.map(|row| row.map(|c| c * noise)), &held));
        }
        columns.extend(form(&found, &held, form_mm, (seen, area)));
        for c in columns {
            for i in 0..6 {
                for j in 0..6 {
                    fitted.covariance[i][j] += c[i] * c[j];
                }
            }
        }
        Ok(fitted)
    }

    /// What draws of the noise do to (turn, shift) of a fit by the largest deviation, one column a draw, and the form of its faces (root
    /// mean square, mm): on the faces with most of their noise taken out, as a datum by contacts is rehearsed.
    fn rehearsed(
        &self,
        run: &Run,
        (input, left): (&DatumInput, &Left),
        (fields, used, weights): (&[Field], &[PatternPoint], &[f64]),
        solve: &(impl Fn(&[PatternPoint], Association) -> Result<Together, DatumError> + Sync),
    ) -> Result<(Vec<[f64; 6]>, f64), DatumError> {
        let mut base: Vec<PatternPoint> = Vec::new();
        let mut rehearsals: Vec<Rehearsal> = Vec::with_capacity(fields.len());
        let mut first = 0;
        for (salt, field) in (0..).zip(fields) {
            let one = field.rehearsal(run, input.noise_mm, (salt, true))?;
            let heavy = |i: usize| PatternPoint { weight: weights[i], ..used[i] };
            base.extend(one.which.iter().map(|i| heavy(first + i)));
            first += field.valued();
            rehearsals.push(one);
        }
        let moved = |draw: Option<usize>| {
            let mut points = base.clone();
            let moves = rehearsals.iter().flat_map(|r| r.moves(draw));
            points.iter_mut().zip(moves).for_each(|(p, by)| p.point += left.moved.vector(&by));
            points
        };
        let still = solve(&moved(None), Association::MinimumZone)?.nominal_from_measured.inverse();
        let columns = drawn(|draw| {
            let there = solve(&moved(Some(draw)), Association::MinimumZone)?.nominal_from_measured;
            let off = Twist::of(&(there * still), left.centre);
            Ok([off.turn.x, off.turn.y, off.turn.z, off.shift.x, off.shift.y, off.shift.z])
        })?;
        let share = (columns.len() as f64).sqrt();
        let middle = solve(&moved(None), Association::LeastSquares)?;
        Ok((columns.into_iter().map(|c| c.map(|v| v / share)).collect(), middle.rms_mm))
    }

    fn names(&self) -> String {
        self.faces.iter().map(|(f, ..)| f.bound.id.as_str()).collect::<Vec<_>>().join(", ")
    }

    /// What each feature held together with the others, and the root mean square of its deviations.
    fn taken(
        &self,
        points: &[PatternPoint],
        counts: &[usize],
        step: &Motion<PartFrame, PartFrame>,
        (held, left): (&[Twist], &Left),
    ) -> Vec<DatumTaken> {
        let locks = named_motions(held, left.centre, left.lever_mm);
        let mut first = 0;
        let mut all = Vec::with_capacity(counts.len());
        for (count, (face, ..)) in counts.iter().zip(&self.faces) {
            let (mut square, mut weight) = (0.0, 0.0);
            for p in &points[first..first + count] {
                if let crate::associate::On::Facet(foot, normal) = p.on {
                    let d = (step.point(&p.point) - foot).dot(&normal.vector());
                    (square, weight) = (square + p.weight * d * d, weight + p.weight);
                }
            }
            first += count;
            all.push(DatumTaken {
                letter: BEST_FIT.into(),
                feature: face.bound.id.clone(),
                locks: locks.clone(),
                residual_mm: (weight > 0.0).then(|| (square / weight).sqrt()),
            });
        }
        all
    }
}

/// Of each cell the points with the smallest and the largest deviation; equal ones go to the lowest index.
fn extremes(points: &[PatternPoint], deviations: &[f64], cell_mm: f64) -> Vec<usize> {
    let places: Vec<Point> = points.iter().map(|p| p.point).collect();
    let mut chosen = Vec::new();
    for cell in PointGrid::new(&places, cell_mm).cells() {
        let (mut low, mut high) = (cell[0] as usize, cell[0] as usize);
        for &i in cell {
            let i = i as usize;
            if deviations[i] < deviations[low] {
                low = i;
            }
            if deviations[i] > deviations[high] {
                high = i;
            }
        }
        chosen.push(low);
        chosen.push(high);
    }
    chosen.sort_unstable();
    chosen.dedup();
    chosen
}

/// The free motions that the points hold and those that they leave: the eigenvectors of what they see of them.
fn split(normal: &[[f64; 6]; 6], left: &Left) -> (Vec<Twist>, Vec<Twist>) {
    let six: Vec<[f64; 6]> = left.free.iter().map(|t| six(t, left.lever_mm)).collect();
    let mut seen = [[0.0; 6]; 6];
    for (i, row) in seen.iter_mut().enumerate() {
        row[i] = -1.0;
    }
    for (i, a) in six.iter().enumerate() {
        for (j, b) in six.iter().enumerate() {
            seen[i][j] = (0..6).map(|k| (0..6).map(|l| a[k] * normal[k][l] * b[l]).sum::<f64>()).sum();
        }
    }
    let (values, vectors) = symmetric_eigen(&seen);
    let (mut held, mut open) = (Vec::new(), Vec::new());
    for (value, vector) in values.iter().zip(&vectors).rev().take(six.len()) {
        let none = Twist { turn: Vector::zeros(), shift: Vector::zeros() };
        let twist = left.free.iter().zip(vector).fold(none, |sum, (t, c)| Twist {
            turn: sum.turn + t.turn * *c,
            shift: sum.shift + t.shift * *c,
        });
        if value.max(0.0).sqrt() >= LEAST_HOLD { held.push(twist) } else { open.push(twist) }
    }
    (held, open)
}

/// Shift, then turn times the lever.
fn six(twist: &Twist, lever_mm: f64) -> [f64; 6] {
    let turn = twist.turn * lever_mm;
    [twist.shift.x, twist.shift.y, twist.shift.z, turn.x, turn.y, turn.z]
}

/// B (B'NB)^-1 B'N for the held motions B, told for (turn, shift).
fn answer(normal: &[[f64; 6]; 6], held: &[Twist], lever_mm: f64) -> [[f64; 6]; 6] {
    let b: Vec<[f64; 6]> = held.iter().map(|t| six(t, lever_mm)).collect();
    let seen: Vec<[f64; 6]> =
        b.iter().map(|b| std::array::from_fn(|l| (0..6).map(|k| b[k] * normal[k][l]).sum())).collect();
    let mut inner = [[0.0; 6]; 6];
    for i in 0..6 {
        inner[i][i] = 1.0;
        for j in 0..b.len() {
            if i < b.len() {
                inner[i][j] = (0..6).map(|k| seen[i][k] * b[j][k]).sum();
            }
        }
    }
    let mut out = [[0.0; 6]; 6];
    let Some(factor) = Cholesky::new(&inner) else { return out };
    // From (turn, shift) to (shift, turn times lever).
    let at = |k: usize| if k < 3 { (k + 3, lever_mm) } else { (k - 3, 1.0) };
    for j in 0..6 {
        let (column, scale) = at(j);
        let mut right = [0.0; 6];
        for (r, s) in right.iter_mut().zip(&seen) {
            *r = s[column] * scale;
        }
        let amounts = factor.solve(&right);
        for (i, line) in out.iter_mut().enumerate() {
            let (row, scale) = at(i);
            line[j] = b.iter().zip(&amounts).map(|(b, a)| b[row] * a).sum::<f64>() / scale;
        }
    }
    out
}

/// Columns of a covariance of the amounts of motions, as (turn, shift).
fn columns_of(covariance: &[[f64; 6]; 6], held: &[Twist]) -> Vec<[f64; 6]> {
    let (values, vectors) = symmetric_eigen(covariance);
    let mut columns = Vec::new();
    for (value, vector) in values.iter().zip(&vectors).filter(|(v, _)| **v > 0.0) {
        let (mut turn, mut shift) = (Vector::zeros(), Vector::zeros());
        for (t, c) in held.iter().zip(vector) {
            turn += t.turn * (*c * value.sqrt());
            shift += t.shift * (*c * value.sqrt());
        }
        columns.push([turn.x, turn.y, turn.z, shift.x, shift.y, shift.z]);
    }
    columns
}

/// What form does: that which was not seen may be as that which was, all of one sign; that which was seen is known at
/// places a form's length apart.
fn form(found: &Together, held: &[Twist], form_mm: f64, (seen, area_mm2): (f64, f64)) -> Vec<[f64; 6]> {
    let form = form_mm * form_mm;
    let places = (area_mm2 / (FORM_LENGTH_MM * FORM_LENGTH_MM)).max(1.0);
    let share = (1.0 - seen).max(1.0 / places);
    let mut filled = found.normal;
    for (i, row) in filled.iter_mut().enumerate().skip(held.len()) {
        row[i] = 1.0;
    }
    let Some(factor) = Cholesky::new(&filled) else { return Vec::new() };
    columns_of(&factor.inverse().map(|row| row.map(|c| c * form * share)), held)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Points on a plane square to z see height and two tilts; where x, y and the turn about z are free too, those stay.
    #[test]
    fn what_the_points_do_not_see_stays_free_and_a_motion_is_answered_by_what_they_see() {
        let lever_mm = 10.0;
        let all = Twist::all(lever_mm);
        let left = Left { moved: Motion::identity(), free: &all, centre: Point::origin(), lever_mm };
        let mut normal = [[0.0; 6]; 6];
        for k in [2, 3, 4] {
            normal[k][k] = if k == 2 { 1.0 } else { 0.4 };
        }
        let (held, free) = split(&normal, &left);
        assert_eq!((held.len(), free.len()), (3, 3));
        assert!(free.iter().all(|t| t.shift.z.abs() < 1e-12 && t.turn.x.abs() < 1e-12));
        let answer = answer(&normal, &held, lever_mm);
        for (i, wanted) in [1.0, 1.0, 0.0, 0.0, 0.0, 1.0].into_iter().enumerate() {
            assert!((answer[i][i] - wanted).abs() < 1e-12, "{i} {answer:?}");
        }
        // Where only the height is free, a tilt is not answered, however the points see it.
        normal[2][3] = 0.2;
        normal[3][2] = 0.2;
        let only = Left { free: &all[2..3], ..left };
        let (held, _) = split(&normal, &only);
        let answer = super::answer(&normal, &held, lever_mm);
        // A turn about x by 1 rad raises the middle of the points by 0.2 of the lever.
        assert!((answer[5][0] - 0.2 * lever_mm).abs() < 1e-12 && answer[0][0].abs() < 1e-12, "{answer:?}");
    }
}
