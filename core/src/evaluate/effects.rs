//! What inputs that displace a whole scan do to a value: length scale, temperature, probing, distortion.
//!
//! Each is applied by one standard uncertainty, there and back, to what was measured, which then is moved as its datums are
//! displaced too, and the value is found again (JCGM 100:2008, 5.1.3, note 2). The root mean square of both changes counts: a
//! value at its least, which a step either way makes larger, gets its share too, and of one whose slopes differ on both sides
//! it is what a normal input does.

use rayon::prelude::*;

use super::Subject;
use super::extract::Extracted;
use super::rehearsal::mean_square;
use crate::geometry::{Motion, PartFrame, Point, Vector};
use crate::run::Stopped;
use crate::tolerance::Surface;
use crate::uncertainty::{Effect, Source};

/// One standard uncertainty of an input, one way, as it displaces a place of the part on its datums.
pub(super) struct Step<'a> {
    effect: &'a Effect,
    /// The motion of the part on its displaced datums; identity where the value needs none.
    answer: Motion<PartFrame, PartFrame>,
    way: f64,
}

impl Step<'_> {
    /// The displacement of a place with this unit normal, mm.
    pub(super) fn at(&self, place: &Point, normal: &Vector) -> Vector {
        let own = self.effect.displacement.at(place, normal);
        (own + (self.answer.point(place) - place)) * self.way
    }

    /// How much the deviation of a point of a surface grows: along its normal, and of a wall on its other side too.
    pub(super) fn along(&self, surface: &Surface, across: Option<&Across>, i: usize) -> f64 {
        let one = |p: &Point, n: &Vector| n.dot(&self.at(p, n));
        let own = one(&surface.points[i], &surface.normals[i].vector());
        own + across.and_then(|a| a.get(i)).map_or(0.0, |(p, n)| one(p, n))
    }

    /// A surface with it. The deviations of a wall are those of its thickness, whose places stay.
    fn displaced(&self, surface: &Surface, across: Option<&Across>) -> Surface {
        if across.is_none() {
            return surface.displaced(|p, n| self.at(p, n));
        }
        let all = surface.deviations_mm.iter().enumerate();
        let deviations_mm = all.map(|(i, d)| d + self.along(surface, across, i)).collect();
        Surface { deviations_mm, ..surface.clone() }
    }
}

/// The other side of a wall: a place for every point of a surface, and the unit normal out of the material there.
pub(super) type Across = [(Point, Vector)];

/// Order in which the lines stand in a budget.
const ORDER: [Source; 5] =
    [Source::Join, Source::LengthScale, Source::Temperature, Source::Probing, Source::Distortion];

/// Every effect there and back.
pub(super) fn steps<'a>(subject: &'a Subject) -> Vec<[Step<'a>; 2]> {
    let answers = subject.datums.map_or(&[][..], |d| d.answers.as_slice());
    let all = subject.context.inputs.effects.iter().enumerate();
    all.map(|(k, effect)| {
        let answer = answers.get(k).copied().unwrap_or_else(Motion::identity);
        [1.0, -1.0].map(|way| Step { effect, answer, way })
    })
    .collect()
}

/// The budget lines of one value from the change of each effect.
pub(super) fn lines(subject: &Subject, changes: &[f64]) -> Vec<(Source, f64)> {
    shared(&subject.context.inputs.effects, changes)
}

/// Changes of a value by effects, as lines of a budget.
pub(super) fn shared(effects: &[Effect], changes: &[f64]) -> Vec<(Source, f64)> {
    let of = |source: Source| {
        let mut squares: Option<f64> = None;
        for (effect, change) in effects.iter().zip(changes) {
            for (_, share) in effect.shares.iter().filter(|s| s.0 == source) {
                squares = Some(squares.unwrap_or(0.0) + share * change * change);
            }
        }
        squares.map(|s| (source, s.sqrt()))
    };
    ORDER.into_iter().filter_map(of).collect()
}

/// The change of each of several values by each effect: `values` finds them on surfaces, `None` where it cannot, which counts
/// as infinite. One list of changes for each value.
pub(super) fn changes(
    subject: &Subject,
    (extracted, measured): (&[Extracted], &[Surface]),
    values: &[f64],
    find: impl Fn(&[Surface]) -> Result<Option<Vec<f64>>, Stopped> + Sync,
) -> Result<Vec<Vec<f64>>, Stopped> {
    let all: Result<Vec<[Option<Vec<f64>>; 2]>, Stopped> = steps(subject)
        .par_iter()
        .map(|ways| {
            let found = |step: &Step| {
                let both = measured.iter().zip(extracted);
                let there: Vec<Surface> = both.map(|(s, e)| step.displaced(s, e.across.as_deref())).collect();
                find(&there)
            };
            Ok([found(&ways[0])?, found(&ways[1])?])
        })
        .collect();
    let all = all?;
    let of = |k: usize| all.iter().map(|ways| mean_square(ways, k, values[k]).sqrt()).collect();
    Ok((0..values.len()).map(of).collect())
}
