//! Several scans of one part made one: brought to how they lie to each other by what they both saw, with what is uncertain of it.

use std::sync::Arc;

use crate::align::{AlignError, Alignment, FineSettings, fine};
use crate::filter::Correlated;
use crate::geometry::{Motion, Point, ScanFrame, SeenBy, Vector};
use crate::nominal::Nominal;
use crate::partition::{JoinInput, Joined, Partition, PartitionSettings, Row};
use crate::run::{Run, Stopped};
use crate::scan::Scan;
use crate::search::SurfaceTree;

/// Rounds in which scans come to rest beside each other: each takes up what the nearest places of the one before left.
const ROUNDS: usize = 4;

/// They rest when a round moves no corner of the part by more than this, mm.
const STILL_MM: f64 = 1e-4;

/// So many points tell who saw what: shares are told by cells, which need no more.
const MOST_POINTS: usize = 2_000_000;

/// Scans that lie as one.
pub(super) struct AsOne {
    pub(super) scan: Scan,
    pub(super) aligned: Alignment,
    pub(super) partition: Partition,
    pub(super) joined: Joined,
}

/// What is known when scans are made one.
pub(super) struct Input<'a> {
    pub(super) nominal: &'a Nominal,
    pub(super) tree: &'a SurfaceTree,
    pub(super) settings: &'a PartitionSettings,
    /// Standard deviation of the points' noise where they lie, mm: scans that lie beside each other look noisier than they are.
    pub(super) noise_mm: &'a dyn Fn(&Scan, &Partition) -> Result<f64, Stopped>,
    pub(super) correlated: &'a [Correlated],
}

/// Makes several scans one; `None` of a single scan.
pub(super) fn as_one(
    run: &Run,
    input: &Input,
    scan: &Scan,
    (aligned, partition): (&Alignment, &Partition),
) -> Result<Option<AsOne>, Stopped> {
    if scan.piece_count() < 2 {
        return Ok(None);
    }
    let corners = input.nominal.mesh().bounds().corners();
    let mut one: Option<AsOne> = None;
    let mut already: Vec<Row> = vec![[0.0; 6]; scan.piece_count()];
    for round in 1..=ROUNDS {
        let (here, part) = one.as_ref().map_or((scan, partition), |o| (&o.scan, &o.partition));
        let look = JoinInput {
            nominal: input.nominal,
            scan: here,
            partition: part,
            noise_mm: (input.noise_mm)(here, part)?,
            correlated: input.correlated,
            reach_mm: input.settings.reach_mm,
        };
        let Some(joined) = Joined::new(run, &look, &already)? else { return Ok(None) };
        let before = one.as_ref().map(|o| o.joined.clone());
        let moved = |k: usize| -> f64 {
            let now = joined.onto_the_first(k);
            let was = before.as_ref().map_or_else(Motion::identity, |b| b.onto_the_first(k));
            corners.iter().map(|c| (now.point(c) - was.point(c)).norm()).fold(0.0, f64::max)
        };
        let moved_mm = (0..scan.piece_count()).map(moved).fold(0.0, f64::max);
        if let Some(o) = &mut one
            && (moved_mm < STILL_MM || round == ROUNDS)
        {
            // As the scans lie now, with what is known of it.
            o.joined = joined.lying(&o.joined.off);
            o.joined.unrest_mm = if moved_mm < STILL_MM { 0.0 } else { moved_mm };
            break;
        }
        already.clone_from(&joined.off);
        let pose = one.as_ref().map_or(aligned.part_from_scan, |o| o.aligned.part_from_scan);
        let motions: Vec<Motion<ScanFrame, ScanFrame>> =
            (0..scan.piece_count()).map(|k| pose.inverse() * joined.onto_the_first(k) * pose).collect();
        let scan = scan.moved_by_piece(&motions);
        let aligned = match fine(run, input.nominal, input.tree, &scan, pose, &FineSettings::default()) {
            Ok(found) => found,
            Err(AlignError::Stopped(stopped)) => return Err(stopped),
            // It did align before they were moved by a little.
            Err(_) => Alignment { part_from_scan: pose, ..aligned.clone() },
        };
        let partition =
            Partition::new(run, input.nominal, input.tree, &scan, aligned.part_from_scan, input.settings)?;
        one = Some(AsOne { scan, aligned, partition, joined });
    }
    Ok(one)
}

impl AsOne {
    /// Which scan saw what of the part.
    pub(super) fn seen_by(&self, nominal: &Nominal, cell_mm: f64) -> Arc<SeenBy> {
        let every = self.scan.points().len().div_ceil(MOST_POINTS).max(1);
        let facing = self.partition.facing(&self.scan, nominal).enumerate().step_by(every);
        let points: Vec<(Point, Vector, usize)> =
            facing.map(|(i, (p, n))| (p, n, self.scan.piece_of(i))).collect();
        Arc::new(SeenBy::new(&points, self.scan.piece_count(), cell_mm))
    }
}

/// In words for those who read a result: how scans were joined, and how surely.
pub(super) fn words(joined: &Joined, corners: &[Point]) -> String {
    let largest = |of: &dyn Fn(usize, &Point) -> f64| {
        let all = (1..joined.off.len()).flat_map(|k| corners.iter().map(move |c| (k, c)));
        all.map(|(k, c)| of(k, c)).fold(0.0, f64::max)
    };
    let moved = largest(&|k, c| (joined.onto_the_first(k).point(c) - c).norm());
    let by = if joined.shared > 0 {
        format!("by {} places that more than one saw", joined.shared)
    } else {
        "by the nominal alone, for they share too little".into()
    };
    let unrest = if joined.unrest_mm > 0.0 {
        format!(
            "; they did not come to rest: a further round would have moved them by {:.4} mm",
            joined.unrest_mm
        )
    } else {
        String::new()
    };
    format!("{by}; moved by {moved:.4} mm at most from their own best fits{unrest}")
}
