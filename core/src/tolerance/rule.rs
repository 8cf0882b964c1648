//! What a rule looks at and what it answers.

use super::movement::{Residual, Settled};
use crate::associate::FitError;
use crate::geometry::{Direction, Motion, PartFrame, Point, Vector};
use crate::run::{Run, Stopped};

/// A measured surface, in the part's axes.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Surface {
    /// Its points, mm: filtered where the rule takes extremes or contacts.
    pub points: Vec<Point>,
    /// The nominal's normal at each point, out of the material: into a hole.
    pub normals: Vec<Direction>,
    /// Signed distance of each point from the nominal along that normal, mm, positive outside the material.
    pub deviations_mm: Vec<f64>,
    /// Of the wall of a hole, pin or cone, where the nominal's begins and ends along its axis, mm from the place of its
    /// situation: an axis is told from end to end, though scanners round the ends; `None`: as far as it was measured.
    pub wall_mm: Option<[f64; 2]>,
}

impl Surface {
    /// With every point displaced by a little: `by` is asked with the place and the unit normal of the nominal there.
    #[must_use]
    pub fn displaced(&self, by: impl Fn(&Point, &Vector) -> Vector) -> Self {
        let mut found = self.clone();
        let all = self.normals.iter().zip(&mut found.points).zip(&mut found.deviations_mm);
        for ((normal, point), deviation) in all {
            let off = by(point, &normal.vector());
            *point += off;
            *deviation += normal.vector().dot(&off);
        }
        found
    }

    /// Taken along by a motion; deviations change as the distance from the tangent plane of the nominal does, normals
    /// stay those of the nominal.
    #[must_use]
    pub fn moved(&self, motion: &Motion<PartFrame, PartFrame>) -> Self {
        let points: Vec<Point> = self.points.iter().map(|p| motion.point(p)).collect();
        let along = |i: usize| self.normals[i].vector().dot(&(points[i] - self.points[i]));
        let deviations_mm = self.deviations_mm.iter().enumerate().map(|(i, d)| d + along(i)).collect();
        Self { normals: self.normals.clone(), deviations_mm, points, wall_mm: self.wall_mm }
    }
}

/// Which limits a number is held against.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Against {
    /// Both, as far as there are.
    Both,
    /// The upper one only: the largest of several.
    Upper,
    /// The lower one only: the smallest of several.
    Lower,
}

/// One number that a rule came to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Number {
    /// Its value: mm, of an angle rad.
    pub value: f64,
    /// What it is held against.
    pub against: Against,
    /// Where, mm, in the part's axes; `None` where it belongs to no place.
    pub at: Option<Point>,
}

/// One of several values that stand behind a number.
#[derive(Clone, Debug, PartialEq)]
pub struct Instance {
    /// A feature, given by its index among the surfaces, or a section, in words.
    pub name: String,
    /// Its value, mm.
    pub value_mm: f64,
    /// Its place, mm.
    pub at: Option<Point>,
}

/// What a rule came to.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Found {
    /// The numbers, one or two: always as many for the same rule.
    pub numbers: Vec<Number>,
    /// The values of sections or features behind them, where there are several.
    pub instances: Vec<Instance>,
    /// How far the feature lies off its place, mm, in the part's axes, where it has one.
    pub off: Option<Vector>,
    /// How much a material condition widens the limit (ASME), mm.
    pub bonus_mm: Option<f64>,
    /// What was done, by name, for the record.
    pub operators: Vec<(&'static str, String)>,
}

/// Why a rule has no answer.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum RuleError {
    /// The caller asked to stop.
    #[error(transparent)]
    Stopped(#[from] Stopped),
    /// The feature cannot be associated.
    #[error("{0}")]
    Fit(#[from] FitError),
    /// The surface does not show what the rule needs.
    #[error("{0}")]
    Missing(String),
    /// The search for the best place within the leeway did not come to rest.
    #[error(
        "the part did not come to rest within what its datums leave free ({steps} steps); lock more freedoms, or measure more of the surface"
    )]
    NotSettled {
        /// Steps taken.
        steps: usize,
    },
    /// The datum features break their boundaries wherever the part is moved.
    #[error(
        "no place of the part keeps its datum features within their boundaries: by {by_mm:.4} mm at best"
    )]
    Blocked {
        /// By how much at best, mm.
        by_mm: f64,
    },
}

/// A rule of a standard.
pub trait Rule: Send + Sync {
    /// Applies it to one surface a feature, in the rule's own order; surfaces of loose datums come last.
    ///
    /// # Errors
    /// See [`RuleError`].
    fn measure(&self, run: &Run, surfaces: &[Surface]) -> Result<Found, RuleError>;

    /// Whether its numbers are the lowest and the highest of the deviations of its places as they are, so that many trials of it take no
    /// time.
    fn of_places(&self) -> bool {
        false
    }

    /// The rule as one that can share a movement of the part with others ([`super::Together`]); `None` where it has none to
    /// share.
    fn zoned(&self) -> Option<&dyn Zoned> {
        None
    }
}

/// A rule that holds features against zones fixed to the datum system, so that a movement of the part changes what it comes to.
pub trait Zoned: Send + Sync {
    /// Looks at its surfaces, as [`Rule::measure`] does, up to the point where the part would be moved.
    ///
    /// # Errors
    /// See [`RuleError`].
    fn hold<'a>(&'a self, run: &Run, surfaces: &'a [Surface]) -> Result<Box<dyn Held + 'a>, RuleError>;
}

/// Features in the form in which they are moved.
pub trait Held {
    /// What a movement makes small, mm of the number told: less the bonus of a size.
    fn residuals(&self) -> &[Residual];

    /// What none of them exceeds where the requirement is kept, mm.
    fn limit_mm(&self) -> f64;

    /// Whether its zone may be offset by itself: its residuals are then those of zone 0 of [`super::movement::Gauge::Offset`].
    fn is_offset(&self) -> bool {
        false
    }

    /// What the rule comes to where the part came to rest.
    ///
    /// # Errors
    /// See [`RuleError`].
    fn tell(&self, run: &Run, settled: &Settled) -> Result<Found, RuleError>;
}
