//! The scan at growing densities: what thousands of starts are tried on is a thousandth of what decides in
//! a close case.

use super::draw::{drawn, share, share_of};
use super::locate::{DENSE_POINTS, FINE_POINTS, LAST_POINTS, MOST_POINTS};
use super::sample::Cloud;
use crate::scan::{Normals, Points};
use std::sync::OnceLock;

/// Points from which the others are thinned: four for each of the densest, so that thinning is fair.
pub(super) const SHARE: usize = 4 * DENSE_POINTS;

/// The scan at several densities, each thinned from the next.
pub(super) struct Samples<'a> {
    /// An unbiased share of the scan, without strays.
    pub(super) all: Cloud,
    /// Points that stand for equal areas, enough to compare poses.
    pub(super) dense: Cloud,
    /// Enough for the last refinement.
    pub(super) last: Cloud,
    /// Enough to descend.
    pub(super) fine: Cloud,
    /// Enough to begin a descent.
    pub(super) few: Cloud,
    source: Option<Source<'a>>,
    everything: OnceLock<Cloud>,
}

/// Where more points are than the share.
pub(super) enum Source<'a> {
    /// A scan with strays.
    Scan(Points<'a>, Option<Normals<'a>>),
    /// Some of the points of a cloud without strays.
    Some(&'a Cloud, Vec<u32>),
}

impl<'a> Source<'a> {
    /// The share of the points, without strays, and itself where there are more.
    pub(super) fn share(self) -> (Cloud, Option<Self>) {
        match self {
            Self::Scan(points, normals) => {
                let all = share(points, normals, SHARE).without_strays();
                (all, (points.len() > SHARE).then_some(self))
            }
            Self::Some(cloud, chosen) if chosen.len() > SHARE => {
                let few: Vec<u32> =
                    drawn(chosen.len(), SHARE).into_iter().map(|i| chosen[i as usize]).collect();
                (cloud.some(&few), Some(Self::Some(cloud, chosen)))
            }
            Self::Some(cloud, chosen) => (cloud.some(&chosen), None),
        }
    }
}

/// Points that begin a descent.
pub(super) const FEW_POINTS: usize = 500;

impl<'a> Samples<'a> {
    /// Thins `dense`, which was thinned from `all`.
    pub(super) fn new(all: Cloud, dense: Cloud, source: Option<Source<'a>>) -> Self {
        let last = dense.thinned(LAST_POINTS);
        let fine = dense.thinned(FINE_POINTS);
        let few = share_of(&fine, FEW_POINTS);
        Self { all, dense, last, fine, few, source, everything: OnceLock::new() }
    }

    /// As many of the scan's points as are ever asked, where these are more than the share.
    pub(super) fn everything(&self) -> Option<&Cloud> {
        let source = self.source.as_ref()?;
        Some(self.everything.get_or_init(|| match source {
            Source::Scan(points, normals) => share(*points, *normals, MOST_POINTS).without_strays(),
            Source::Some(cloud, chosen) => cloud.some(chosen),
        }))
    }
}
