//! Whose each point of a scan of several things is.

use super::decide::BESIDE;
use super::refine::Pose;
use super::scene::Scene;
use super::search::Search;
use crate::geometry::{Direction, Point};
use crate::run::{CHECK_EVERY, Run, Stopped};
use crate::scan::{Normals, Points};
use rayon::prelude::*;

/// Whose a point is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Owner {
    Part(u16),
    Support,
    Nobody,
}

/// Gives every point of the scan to the nearest part.
pub(super) struct Owners<'a> {
    pub(super) search: &'a Search<'a>,
    pub(super) scene: &'a Scene,
    /// Where they lie, and whether in the mirror.
    pub(super) parts: &'a [(Pose, bool)],
    pub(super) near_mm: f64,
}

impl Owners<'_> {
    pub(super) fn of(
        &self,
        run: &Run,
        points: Points,
        normals: Option<Normals>,
    ) -> Result<Vec<Owner>, Stopped> {
        let chunks: Result<Vec<Vec<Owner>>, Stopped> = points
            .par_chunks(CHECK_EVERY)
            .enumerate()
            .map(|(chunk, points)| {
                run.check()?;
                let normal = |n: usize| normals.map(|all| all.at(chunk * CHECK_EVERY + n));
                Ok(points.iter().enumerate().map(|(n, p)| self.one(&p, normal(n))).collect())
            })
            .collect();
        Ok(chunks?.into_iter().flatten().collect())
    }

    fn one(&self, p: &Point, normal: Option<Direction>) -> Owner {
        let supported = self.scene.supported(p, normal);
        // A point of a support is the part's only where it lies on it and faces its way: a flat part of a
        // scan without a table may have been taken for one. Without normals that cannot be told.
        let reach = if !supported {
            self.near_mm
        } else if normal.is_some() {
            self.search.settings.deviation_mm
        } else {
            return Owner::Support;
        };
        let margin = BESIDE * self.search.settings.deviation_mm;
        let mut best: Option<(f64, usize)> = None;
        for (part, (pose, mirror)) in self.parts.iter().enumerate() {
            let (p, normal) = if *mirror {
                (Point::new(-p.x, p.y, p.z), normal.map(Direction::reflected_x))
            } else {
                (*p, normal)
            };
            let q = pose.point(&p);
            let bounds = &self.search.bounds;
            if !(0..3).all(|a| q[a] >= bounds.low[a] - margin && q[a] <= bounds.high[a] + margin) {
                continue;
            }
            let facing = normal.filter(|_| supported).map(|n| pose.vector(&n.vector()));
            let limit = best.map_or(reach, |b| b.0);
            if let Some(d) = self.search.exact.distance(&q, facing.as_ref(), limit)
                && best.is_none_or(|b| d < b.0)
            {
                best = Some((d, part));
            }
        }
        match best {
            Some((_, part)) => Owner::Part(part as u16),
            None if supported => Owner::Support,
            None => Owner::Nobody,
        }
    }
}
