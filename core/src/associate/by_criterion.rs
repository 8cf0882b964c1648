//! What the associations by every criterion but least squares have in common.

use super::extremal::{Aim, Found, Outline, best_of_starts, leaves_half_open};
use super::outside::least_squares_outside;
use super::{Centred, Contact, Criterion, FitError, Freedom, Material, Proof, Reach, Residuals, Shape};
use crate::run::Run;

/// A shape associated by its extreme points.
#[derive(Clone, Debug, PartialEq)]
pub struct Extremal<S> {
    /// The shape: for a minimum zone that in the middle of the zone.
    pub shape: S,
    /// By what it was associated.
    pub criterion: Criterion,
    /// Number of points.
    pub points: usize,
    /// Root mean square residual, mm (divisor: number of points).
    pub rms_mm: f64,
    /// Smallest residual (negative: inside), mm, and the index of its point.
    pub low: (f64, usize),
    /// Largest residual (positive: outside), mm, and the index of its point.
    pub high: (f64, usize),
    /// The points that hold it, in ascending order.
    pub contacts: Vec<Contact>,
    /// What is proven.
    pub proof: Proof,
}

impl<S> Extremal<S> {
    /// Largest less smallest residual, mm; of a minimum zone its width.
    pub fn width_mm(&self) -> f64 {
        self.high.0 - self.low.0
    }
}

/// How a criterion is met.
#[derive(Clone, Copy)]
enum How {
    /// By the extreme points.
    Extremes(Aim),
    /// By least squares, residuals times this are never negative.
    Outside(f64),
}

/// A shape and a criterion that means something for it.
#[derive(Clone, Copy)]
pub(super) struct Wanted {
    shape: Shape,
    criterion: Criterion,
    how: How,
}

impl Wanted {
    /// # Errors
    /// [`FitError::NoMeaning`].
    pub(super) fn of(shape: Shape, criterion: Criterion) -> Result<Self, FitError> {
        let round = matches!(shape, Shape::Circle | Shape::Sphere | Shape::Cylinder);
        let how = match criterion {
            Criterion::MinimumZone => Some(How::Extremes(Aim::Zone)),
            Criterion::MaximumInscribed if round => Some(How::Extremes(Aim::Inscribed)),
            Criterion::MinimumCircumscribed if round => Some(How::Extremes(Aim::Circumscribed)),
            Criterion::LeastSquaresOutside(Material::Behind(_)) if shape == Shape::Plane => {
                Some(How::Outside(-1.0))
            }
            Criterion::LeastSquaresOutside(side) if shape != Shape::Plane && shape != Shape::Line => {
                match side {
                    Material::Around => Some(How::Outside(1.0)),
                    Material::Within => Some(How::Outside(-1.0)),
                    Material::Behind(_) => None,
                }
            }
            _ => None,
        };
        how.map(|how| Self { shape, criterion, how }).ok_or(FitError::NoMeaning { shape, criterion })
    }

    /// Inscribed and circumscribed shapes need points all round.
    pub(super) fn refuse_half_open<const M: usize>(
        self,
        rays: impl Iterator<Item = [f64; M]>,
    ) -> Result<(), FitError> {
        if matches!(self.how, How::Outside(_) | How::Extremes(Aim::Zone))
            || leaves_half_open(rays) == Some(false)
        {
            return Ok(());
        }
        Err(FitError::Undetermined { shape: self.shape, freedom: Freedom::HalfOpen })
    }

    /// The answer from a start at size one.
    pub(super) fn found<T: Outline<N>, S, const N: usize, const M: usize>(
        self,
        run: &Run,
        cloud: &Centred,
        items: &[T::Item],
        start: &T,
        placed: impl FnOnce(&T) -> S,
    ) -> Result<Extremal<S>, FitError>
    where
        T::Item: Clone,
    {
        self.found_from::<T, S, N, M>(run, cloud, items, (start, &[]), placed)
    }

    /// The same with `more` starts of the same size.
    pub(super) fn found_from<T: Outline<N>, S, const N: usize, const M: usize>(
        self,
        run: &Run,
        cloud: &Centred,
        items: &[T::Item],
        (start, more): (&T, &[T]),
        placed: impl FnOnce(&T) -> S,
    ) -> Result<Extremal<S>, FitError>
    where
        T::Item: Clone,
    {
        match self.how {
            How::Extremes(aim) => {
                let astray = |from: &T, end: &T| aim != Aim::Zone && from.astray(end);
                let ended = best_of_starts::<T, N, M>(run, start, items, aim, (more, astray))?;
                self.told(cloud, items, ended, placed)
            }
            How::Outside(sign) => {
                let unsettled = |steps| FitError::NotSettled { shape: self.shape, steps };
                let found = least_squares_outside(run, start, items, sign)?.ok_or(unsettled(0))?;
                if !found.settled {
                    return Err(unsettled(found.steps));
                }
                // By how much the sum of squares itself falls, mm2 for each mm.
                let weighed =
                    found.contacts.iter().map(|&(i, w)| (i, 2.0 * w * cloud.reach_mm)).collect::<Vec<_>>();
                // The sum of squares bends upward every way, or the programme would have had no answer.
                let proof =
                    Proof { gain: found.gain, held: true, starts: 1, arrived: 1, reach: Reach::BestOfStarts };
                Ok(self.extremal(cloud, items, &found.model, &weighed, proof, placed))
            }
        }
    }

    /// The answer in mm from what was found at size one.
    pub(super) fn told<T: Outline<N>, S, const N: usize>(
        self,
        cloud: &Centred,
        items: &[T::Item],
        (found, starts, arrived): (Found<T>, u64, u64),
        placed: impl FnOnce(&T) -> S,
    ) -> Result<Extremal<S>, FitError> {
        let Self { shape, criterion, .. } = self;
        if found.astray {
            return Err(FitError::Undetermined { shape, freedom: Freedom::Turns });
        }
        if !found.settled && criterion == Criterion::MaximumInscribed {
            return Err(FitError::Undetermined { shape, freedom: Freedom::HalfOpen });
        }
        if !found.settled {
            return Err(FitError::NotSettled { shape, steps: found.steps });
        }
        let row = found.model.rows();
        let seen = Residuals::of(items, |q| row(q).0);
        drop(row);
        // Points that are met to rounding leave nothing to gain.
        let spread = if shape == Shape::Line { seen.high.0 } else { seen.high.0 - seen.low.0 };
        let met = spread <= 64.0 * f64::EPSILON * (1.0 + found.model.size());
        let convex =
            criterion == Criterion::MinimumCircumscribed && matches!(shape, Shape::Circle | Shape::Sphere);
        let gain = if met { 0.0 } else { found.gain };
        let reach = if met || (convex && gain < 1e-6) { Reach::Everywhere } else { Reach::BestOfStarts };
        let proof = Proof { gain, held: found.held, starts, arrived, reach };
        Ok(self.extremal(cloud, items, &found.model, &found.contacts, proof, placed))
    }

    fn extremal<T: Outline<N>, S, const N: usize>(
        self,
        cloud: &Centred,
        items: &[T::Item],
        model: &T,
        contacts: &[(usize, f64)],
        proof: Proof,
        placed: impl FnOnce(&T) -> S,
    ) -> Extremal<S> {
        let scale = cloud.reach_mm;
        let row = model.rows();
        let seen = Residuals::of(items, |q| row(q).0);
        let contact = |&(index, weight): &(usize, f64)| Contact {
            index: index as u64,
            residual_mm: row(&items[index]).0 * scale,
            weight,
        };
        let mut contacts: Vec<Contact> = contacts.iter().map(contact).collect();
        contacts.sort_by_key(|c| c.index);
        Extremal {
            shape: placed(model),
            criterion: self.criterion,
            points: items.len(),
            rms_mm: seen.rms(items.len()) * scale,
            low: (seen.low.0 * scale, seen.low.1),
            high: (seen.high.0 * scale, seen.high.1),
            contacts,
            proof,
        }
    }
}
