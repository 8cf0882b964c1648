//! What a reader must know of the scans of a part and of how they lie on it.

use super::Job;
use super::placed::PLACED_REACH_MM;
use super::scanned::{On, Scanned};
use crate::align::{Sides, Stop};
use crate::record::AlignmentRecord;

/// Spacings that differ by no more than this factor leave no gap of each other's unseen (a place is seen
/// from one and a half spacings, and the middle of a square of points lies 0.71 of theirs away).
const ALIKE: f64 = 2.0;

impl Scanned<'_> {
    /// What a reader must know of them.
    pub(super) fn cautions(&self, job: &Job) -> Vec<String> {
        let mut cautions = Vec::new();
        if job.scans.iter().any(|s| !s.scan.took_normals()) {
            let told = match self {
                Self::On(on) => on.by_distance,
                Self::Not { .. } => None,
            };
            cautions.push(match told {
                None => "The scan carries no normals: points of the two sides of a thin wall are told apart by distance only.".into(),
                Some(0) => "The scan carries no normals: which side of a wall its points lie on was told by what lies around them.".into(),
                Some(count) => format!(
                    "The scan carries no normals: which side of a wall its points lie on was told by what lies around them, of {count} points near the part by their distance only."
                ),
            });
        }
        if let Some(nominal) = job.nominal
            && !nominal.missing().is_empty()
        {
            const TOLD: usize = 4;
            let all = nominal.missing();
            let first: Vec<String> = all.iter().take(TOLD).map(|(id, _)| format!("#{id}")).collect();
            let more = if all.len() > TOLD { " and more" } else { "" };
            cautions.push(format!(
                "{} of the nominal's faces could not be taken over from its file ({}{more}): nothing is known of the part there, and what was scanned of it belongs to no face.",
                all.len(),
                first.join(", ")
            ));
        }
        if let Self::On(on) = self
            && on.best.on_other_things() > 0
        {
            cautions.push(format!(
                "{} points over the part lie on something that comes from beside it (a table, a clamp, a stop): it was left out, and what it hides was not seen. The best fit may be drawn to its nearest points by some hundredths of a millimetre, which the fit's own uncertainty does not hold.",
                on.best.on_other_things()
            ));
        }
        if let Self::On(on) = self
            && on.best.strays() > 0
        {
            cautions.push(format!(
                "{} points stand alone, further off the part than can be measured: strays, which were left out.",
                on.best.strays()
            ));
        }
        let spacings = job.scans.iter().map(|s| s.scan.spacing_mm());
        let (finest, widest) =
            spacings.fold((f64::INFINITY, 0.0f64), |(low, high), s| (low.min(s), high.max(s)));
        if widest > ALIKE * finest {
            cautions.push(format!(
                "The points of the scans lie {finest:.2} to {widest:.2} mm apart: on features that the densest has seen, what only a sparser one shows counts as unseen."
            ));
        }
        if let Self::On(on) = self
            && on.unsearched
        {
            cautions.push("Where the part lies in the scan was told and not searched for: it fits there, but a turned part, or one of the other hand, that fits as well would not be noticed.".into());
        }
        if let Self::On(on) = self
            && let Some(seen) = on.on_trust
        {
            cautions.push(format!(
                "The scan shows {:.0} % of the side that faces the scanner where the part was said to lie, and nothing that tells it from other places: that it lies there is taken on trust.",
                100.0 * seen
            ));
        }
        if let Self::On(on) = self
            && on.moved_mm > PLACED_REACH_MM
        {
            cautions.push(format!(
                "The part came to rest {:.1} mm from where it was said to lie: make sure that it is the part meant.",
                on.moved_mm
            ));
        }
        if let Self::On(on) = self
            && (on.fit.stop == Stop::OutOfSteps || on.moving())
        {
            cautions.push(
                "The best fit was still moving when its steps were used up; the scan may not suit the part."
                    .into(),
            );
        }
        if let Self::On(on) = self
            && let Sides::Alike { thickness_mm } = on.fit.sides
        {
            cautions.push(format!(
                "The scan fits both sides of the {thickness_mm:.2} mm skin: nothing shows which one was scanned, and the nearer one was taken. Scan normals, walls or rims too."
            ));
        }
        if let Self::On(on) = self
            && let Some(joined) = &on.joined
        {
            let corners = on.nominal.mesh().bounds().corners();
            let words = super::joined::words(joined, &corners);
            let only = if joined.shared > 0 {
                ""
            } else {
                " Have them overlap: the join is as uncertain as the part is off its nominal."
            };
            cautions.push(format!(
                "Several scans were joined {words}; how uncertain that is stands in every budget as `join`.{only}"
            ));
        } else if job.scans.len() > 1 && matches!(self, Self::On(_)) {
            cautions.push("Several scans were brought together by their best fits on the nominal: how they lie to each other could not be worked out and is not part of the uncertainty.".into());
        }
        cautions
    }
}

impl On<'_> {
    /// Whether the best fit of any scan by itself had not come to rest.
    fn moving(&self) -> bool {
        let moving = |a: &AlignmentRecord| a.stop == Stop::OutOfSteps.word();
        self.sources.iter().any(|s| s.alignment.as_ref().is_some_and(moving))
    }
}
