//! Where points are paired with the surface.

use rayon::prelude::*;

use super::sample::Sample;
use crate::geometry::{Direction, Foot, Motion, PartFrame, Point, ScanFrame, TriangleMesh, Vector};
use crate::nominal::Nominal;
use crate::run::{Run, Stopped};
use crate::search::{Cursor, SurfaceTree};

type Pose = Motion<PartFrame, ScanFrame>;

/// Points of one piece of work: few, so that small samples too share the threads. A constant, so that sums have
/// the same bits on any number of threads.
pub(super) const PIECE: usize = 512;

/// Where points are paired with the surface, and how steps are told.
#[derive(Clone, Copy)]
pub(super) struct Ground<'a> {
    pub(super) nominal: &'a Nominal,
    pub(super) tree: &'a SurfaceTree,
    pub(super) centre: Point,
    /// Turns times this are lengths.
    pub(super) radius: f64,
    pub(super) min_cos: f64,
    /// For points without normals: what faces this direction (in the scan's axes) is searched only.
    pub(super) seen_from: Option<Direction>,
    /// Of a box that holds all that can be paired.
    pub(super) corners: [Point; 8],
}

/// Walls are seen from aside, and those of a curved sheet lean away a little.
const ASLANT_COS: f64 = -0.3;

impl Ground<'_> {
    pub(super) fn mesh(&self) -> &TriangleMesh {
        self.nominal.mesh()
    }

    /// How far apart two poses put a point of the part at most, mm.
    pub(super) fn apart_mm(&self, a: &Pose, b: &Pose) -> f64 {
        let between: Motion<PartFrame, PartFrame> = *a * b.inverse();
        self.corners.iter().map(|c| (between.point(c) - c).norm()).fold(0.0, f64::max)
    }

    /// The nearest place of the nominal that faces as point `i` of the sample does, which lies at `p`.
    pub(super) fn foot(
        &self,
        cursor: &mut Cursor,
        sample: &Sample,
        i: usize,
        p: &Point,
        pose: &Pose,
        reach: f64,
    ) -> Option<Foot> {
        match (&sample.normals, self.seen_from) {
            (Some(normals), _) => cursor.nearest_facing(p, pose.direction(normals[i]), self.min_cos, reach),
            (None, Some(side)) => cursor.nearest_facing(p, pose.direction(side), ASLANT_COS, reach),
            (None, None) => cursor.nearest(p, reach),
        }
    }

    /// The feet of all points.
    pub(super) fn feet(
        &self,
        run: &Run,
        sample: &Sample,
        pose: &Pose,
        reach: f64,
    ) -> Result<Vec<Option<Foot>>, Stopped> {
        let parts: Result<Vec<Vec<Option<Foot>>>, Stopped> = sample
            .points
            .par_chunks(PIECE)
            .enumerate()
            .map(|(c, piece)| {
                run.check()?;
                let mut cursor = self.tree.cursor();
                let one = |(k, p): (usize, &Point)| {
                    self.foot(&mut cursor, sample, c * PIECE + k, &pose.point(p), pose, reach)
                };
                Ok(piece.iter().enumerate().map(one).collect())
            })
            .collect();
        Ok(parts?.concat())
    }

    /// The pose after a step of six lengths (turns times the radius, shifts), and how far it moves the corners at
    /// most: none is further from the centre than the radius.
    pub(super) fn moved(&self, pose: &Pose, x: &[f64; 6]) -> (Pose, f64) {
        let turn = Vector::new(x[0], x[1], x[2]) / self.radius;
        let shift = Vector::new(x[3], x[4], x[5]);
        let moved = Motion::<PartFrame, PartFrame>::turn_about(self.centre, turn, shift) * *pose;
        (moved.orthonormalised(), turn.norm() * self.radius + shift.norm())
    }

    /// The row of a point at `p` that lies off a plane: what the six unknowns change in its distance.
    pub(super) fn row(&self, p: &Point, normal: &Vector) -> [f64; 6] {
        let turn = (p - self.centre).cross(normal) / self.radius;
        [turn.x, turn.y, turn.z, normal.x, normal.y, normal.z]
    }
}
