//! Levenberg-Marquardt for a handful of parameters and any number of points.

use crate::geometry::{Cholesky, sum::chunked};
use crate::run::{Run, Stopped};

/// A shape that knows its residual, the derivatives by its own local parameters, and how to move by them.
pub(super) trait Model<const N: usize>: Clone + Sync {
    /// A point as the shape sees it.
    type Item: Sync;
    /// What tells a point's residual and its derivatives by the N local parameters; what does not depend on the point is worked
    /// out once.
    fn rows(&self) -> impl Fn(&Self::Item) -> (f64, [f64; N]) + Sync;
    /// The same of one point.
    fn row(&self, item: &Self::Item) -> (f64, [f64; N]) {
        self.rows()(item)
    }
    /// The shape moved by a step of the local parameters; `None` where there is no such shape.
    fn moved(&self, step: &[f64; N]) -> Option<Self>;
}

/// The normal equations at one state.
#[derive(Clone, Debug)]
pub(super) struct Sums<const N: usize> {
    pub(super) square: f64,
    pub(super) normal: [[f64; N]; N],
    pub(super) gradient: [f64; N],
}

impl<const N: usize> Sums<N> {
    pub(super) fn of<M: Model<N>>(model: &M, items: &[M::Item]) -> Self {
        let row_of = model.rows();
        let zero = || Self { square: 0.0, normal: [[0.0; N]; N], gradient: [0.0; N] };
        let mut all = chunked(
            items,
            zero(),
            |_, chunk| {
                let mut s = zero();
                for item in chunk {
                    let (d, row) = row_of(item);
                    s.square += d * d;
                    for i in 0..N {
                        s.gradient[i] += row[i] * d;
                        for j in 0..=i {
                            s.normal[i][j] += row[i] * row[j];
                        }
                    }
                }
                s
            },
            |mut a, b| {
                a.square += b.square;
                for i in 0..N {
                    a.gradient[i] += b.gradient[i];
                    for j in 0..=i {
                        a.normal[i][j] += b.normal[i][j];
                    }
                }
                a
            },
        );
        for i in 0..N {
            for j in 0..i {
                all.normal[j][i] = all.normal[i][j];
            }
        }
        all
    }

    fn step(&self, damping: f64) -> Option<[f64; N]> {
        let mut damped = self.normal;
        for (i, row) in damped.iter_mut().enumerate() {
            row[i] *= 1.0 + damping;
        }
        let step = Cholesky::new(&damped)?.solve(&self.gradient.map(|g| -g));
        step.iter().all(|s| s.is_finite()).then_some(step)
    }
}

/// Where the iteration ended.
pub(super) struct Ended<M, const N: usize> {
    pub(super) model: M,
    pub(super) sums: Sums<N>,
    pub(super) steps: usize,
    /// Whether the last step was below the resolution, or none made things better.
    pub(super) settled: bool,
}

/// Steps of unit-sized shapes below this are rounding.
const STILL: f64 = 1e-15;
/// A longer last step than this means that the iteration still was on its way.
const RESTLESS: f64 = 1e-10;
/// Of starts that are only held against each other steps below this are enough: the sum of squares is right to the square of it.
const NEAR: f64 = 1e-7;
/// Damping below which a short step means that the end is near, and not that steps are held short along what the points hardly
/// tell: the least eigenvalue of a shape that is told at all, to the largest.
const EASED: f64 = 1e-8;

/// Minimises the sum of squared residuals from `start`; parameters are expected to be of the order of one.
///
/// Marquardt, J. SIAM 11(2), 1963, with his scaling by the diagonal. Near the end the sum of squares is
/// flat to rounding long before the parameters are right to the last digits: there a step is also taken
/// when the sum is the same to 1e-11 and the step is shorter than the one before (our addition).
///
/// # Errors
/// A stop, looked for before each step.
pub(super) fn minimise<M: Model<N>, const N: usize>(
    run: &Run,
    start: M,
    items: &[M::Item],
    max_steps: usize,
) -> Result<Ended<M, N>, Stopped> {
    descend(run, start, items, (max_steps, STILL))
}

/// As [`minimise`], to where the sum of squares is right and the parameters are to some seven digits: enough to choose among starts.
///
/// # Errors
/// A stop, looked for before each step.
pub(super) fn approach<M: Model<N>, const N: usize>(
    run: &Run,
    start: M,
    items: &[M::Item],
    max_steps: usize,
) -> Result<Ended<M, N>, Stopped> {
    descend(run, start, items, (max_steps, NEAR))
}

fn descend<M: Model<N>, const N: usize>(
    run: &Run,
    start: M,
    items: &[M::Item],
    (max_steps, short): (usize, f64),
) -> Result<Ended<M, N>, Stopped> {
    let mut model = start;
    let mut sums = Sums::of(&model, items);
    let mut damping = 1e-4;
    let mut last = f64::INFINITY;
    for steps in 0..max_steps {
        run.check()?;
        let step = sums.step(damping);
        let length = step.map_or(f64::INFINITY, |s| s.iter().map(|v| v * v).sum::<f64>().sqrt());
        let at_the_end = length <= STILL || length <= short && damping <= EASED;
        let tried = step.and_then(|step| {
            let next = model.moved(&step)?;
            let next_sums = Sums::of(&next, items);
            let better = next_sums.square < sums.square;
            let same = next_sums.square <= sums.square * (1.0 + 1e-11) + 1e-30 && length < 0.9 * last;
            (better || same).then_some((next, next_sums))
        });
        let taken = tried.is_some();
        if let Some((next, next_sums)) = tried {
            (model, sums, last) = (next, next_sums, length);
            damping = if damping < 1e-9 { 0.0 } else { damping * 0.1 };
        } else {
            damping = if damping == 0.0 { 1e-8 } else { damping * 10.0 };
        }
        if damping > 1e8 || at_the_end && (taken || short > STILL) {
            return Ok(Ended { model, sums, steps, settled: true });
        }
    }
    // Steps of rounding size may go on for ever.
    Ok(Ended { model, sums, steps: max_steps, settled: last <= RESTLESS })
}
