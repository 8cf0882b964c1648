//! How much of a feature was seen, how densely, and why not all of it.

use crate::geometry::Direction;
use crate::partition::{Gaps, Looked, Lost, Seen};
use crate::plan::Characteristic;
use crate::record::{Coverage, Gap, MissingShare};

use super::{Context, place};
use crate::run::Stopped;

/// What was seen of one feature.
#[derive(Clone, Debug)]
pub(super) struct Sight {
    pub(super) seen: Seen,
    pub(super) gaps: Gaps,
    /// Share of the feature's area in the strip along its rim, which is left out; `None` where no strip is.
    pub(super) strip: Option<f64>,
    /// Points used.
    pub(super) points: usize,
    /// Area that was looked at, mm2.
    pub(super) area_mm2: f64,
}

impl Sight {
    /// Of a surface of `area_mm2` that was looked at with `points` of it.
    pub(super) fn of_surface(
        context: &Context,
        looked: &Looked,
        lost: &Lost,
        area_mm2: f64,
        points: usize,
    ) -> Result<Self, Stopped> {
        Ok(Self {
            seen: looked.seen,
            gaps: Gaps::new(context.run, context.nominal, looked, lost)?,
            strip: Some(looked.strip),
            points,
            area_mm2: area_mm2 * (1.0 - looked.strip),
        })
    }

    /// Of a turn, whose surface faces `normal` where its widest gap is.
    pub(super) fn of_turn(seen: Seen, normal: Option<Direction>, area_mm2: f64, points: usize) -> Self {
        Self { gaps: Gaps::of_turn(&seen, normal), seen, strip: None, points, area_mm2 }
    }

    /// Points on each cm2 of what was seen; `None` where nothing was.
    pub(super) fn points_per_cm2(&self) -> Option<f64> {
        let seen_cm2 = 0.01 * self.area_mm2 * self.seen.fraction;
        (seen_cm2 > 0.0).then(|| self.points as f64 / seen_cm2)
    }

    /// What is missing of it, by the plan's needs; `None` when enough was seen.
    pub(super) fn missing(&self, characteristic: &Characteristic) -> Option<String> {
        let needs = &characteristic.needs;
        if !(self.seen.fraction >= needs.coverage) {
            return Some(format!(
                "only {:.1} % of the feature was seen, {:.1} % are needed",
                100.0 * self.seen.fraction,
                100.0 * needs.coverage
            ));
        }
        if let Some(most) = needs.largest_unseen_disc_mm
            && !(self.seen.largest_unseen_disc_mm <= most)
        {
            return Some(format!(
                "a place {:.1} mm wide was not seen, at most {most} mm are allowed",
                self.seen.largest_unseen_disc_mm
            ));
        }
        let least = needs.points_per_cm2?;
        let found = self.points_per_cm2().unwrap_or(0.0);
        (!(found >= least)).then(|| {
            format!("{found:.1} points lie on each cm2 of what was seen of the feature, {least} are needed")
        })
    }

    /// As records say it.
    pub(super) fn coverage(&self) -> Coverage {
        coverage_of(&[self])
    }
}

/// Of several features of one characteristic: the least seen fraction, the widest gap, all points.
pub(super) fn coverage_of(all: &[&Sight]) -> Coverage {
    let least = |a: f64, b: f64| a.min(b);
    let fraction = all.iter().map(|s| s.seen.fraction).fold(1.0, least);
    let mut widest: Option<&Seen> = None;
    for s in all {
        if widest.is_none_or(|w| s.seen.largest_unseen_disc_mm > w.largest_unseen_disc_mm) {
            widest = Some(&s.seen);
        }
    }
    // Why that of the least seen one was not; equal ones: the first.
    let worst = all.iter().find(|s| s.seen.fraction == fraction);
    let shares = worst.into_iter().flat_map(|s| &s.gaps.shares);
    let mut gaps: Vec<Gap> = all
        .iter()
        .flat_map(|s| &s.gaps.gaps)
        .map(|g| Gap {
            why: g.why.word().into(),
            fraction: g.fraction,
            at_mm: place(&g.at),
            facing: g.normal.vector().into(),
            disc_mm: g.disc_mm,
        })
        .collect();
    gaps.sort_by(|a, b| b.fraction.total_cmp(&a.fraction));
    Coverage {
        fraction,
        largest_unseen_disc_mm: widest.map_or(0.0, |w| w.largest_unseen_disc_mm),
        points: all.iter().map(|s| s.points as u64).sum(),
        unseen_at_mm: widest.and_then(|w| w.unseen_at).map_or_else(Vec::new, |p| place(&p).to_vec()),
        points_per_cm2: all.iter().filter_map(|s| s.points_per_cm2()).reduce(least),
        strip_fraction: all.iter().filter_map(|s| s.strip).reduce(f64::max),
        missing: shares
            .map(|(why, share)| MissingShare { why: why.word().into(), fraction: *share })
            .collect(),
        gaps,
    }
}
