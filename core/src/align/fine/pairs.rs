//! Points paired with tangent planes of the nominal, and the sums of their equations.
//!
//! The equations are linear in the step from one pose, the base; when the pose moves, the planes of the points that can
//! have another nearest place there are exchanged in the sums. Which these are is known from how far the pose has
//! moved in all: every other point is known to lie above its triangle still. Own rule, no source.

use rayon::prelude::*;

use super::AlignError;
use super::ends::beyond;
use super::ground::{Ground, PIECE};
use super::plane::Plane;
use super::sample::Sample;
use super::strays::strays;
use super::sums::Sums;
use crate::geometry::{Cholesky, Direction, Foot, Motion, PartFrame, Point, ScanFrame, Vector};
use crate::run::{Run, Stopped};

type Pose = Motion<PartFrame, ScanFrame>;

/// No two walls that face the same way, or that nothing tells apart, are taken to be nearer to each other than twice
/// this, mm.
const MIDWAY_MM: f64 = 0.2;

/// Points that may lie midway between two walls are searched again when the pose has moved further since, mm: what a
/// shorter way changes is its square, from few points, and far less than a nanometre.
const NEARBY_MM: f64 = 5e-4;

/// When the pose has moved further since it was decided which points count, mm, it is decided anew.
const MOVED_MM: f64 = 0.1;

/// Each point of a sample with the plane that it is drawn to.
pub(super) struct Pairs<'a> {
    ground: Ground<'a>,
    sample: &'a Sample,
    reach: f64,
    planes: Vec<Plane>,
    /// Zero for points that are left out.
    weights: Vec<f64>,
    pub(super) pose: Pose,
    /// The ways of the pose added up, mm.
    path: f64,
    /// Where on the path each point is searched again.
    until: Vec<f64>,
    /// Where on the path all points midway were searched.
    searched: f64,
    chosen_at: Pose,
    base: Pose,
    /// Of the equations about the base.
    pub(super) sums: Sums,
    /// No plane was exchanged since the base was made.
    fresh: bool,
}

impl<'a> Pairs<'a> {
    /// Pairs all points of a sample, and leaves out strays and those beyond the ends of faces. They are chosen here
    /// once, when the pose is near: if it were asked at each step, points would come and go and the steps never rest.
    pub(super) fn new(
        run: &Run,
        ground: Ground<'a>,
        sample: &'a Sample,
        pose: Pose,
        reach: f64,
    ) -> Result<Self, Stopped> {
        let count = sample.points.len();
        let mut pairs = Self {
            ground,
            sample,
            reach,
            planes: vec![Plane::NONE; count],
            weights: Vec::new(),
            pose,
            path: 0.0,
            until: vec![0.0; count],
            searched: 0.0,
            chosen_at: pose,
            base: pose,
            sums: Sums::zero(),
            fresh: false,
        };
        pairs.choose(run)?;
        pairs.rebase();
        Ok(pairs)
    }

    /// Chooses anew which points count, and pairs all.
    fn choose(&mut self, run: &Run) -> Result<(), Stopped> {
        let (ground, sample, pose, reach, path) =
            (self.ground, self.sample, self.pose, self.reach, self.path);
        let mut off: Vec<Option<f64>> = vec![None; sample.points.len()];
        let pieces = self.planes.par_chunks_mut(PIECE).zip(self.until.par_chunks_mut(PIECE));
        pieces.zip(off.par_chunks_mut(PIECE)).enumerate().try_for_each(|(c, ((planes, until), off))| {
            run.check()?;
            let first = c * PIECE;
            let which = first..first + planes.len();
            let found = places(&ground, sample, which, &pose, reach);
            for (((plane, until), off), place) in planes.iter_mut().zip(until).zip(off).zip(&found) {
                (*plane, *until) = (Plane::NONE, path);
                let (Some(foot), Some(face)) = (&place.foot, normal(&place.corners)) else { continue };
                let (found, room) = plane_under(&ground, &place.corners, &face, foot, &place.p);
                (*plane, *until) = (found, path + room);
                let beyond = beyond(ground.nominal, foot, &place.p, &face);
                *off = (!beyond).then(|| (place.p - foot.point).dot(&face));
            }
            Ok(())
        })?;
        let stray = strays(sample, &off);
        let count = |i: usize| if off[i].is_some() && !stray[i] { sample.weights[i] } else { 0.0 };
        self.weights = (0..sample.points.len()).map(count).collect();
        (self.chosen_at, self.searched) = (pose, path);
        Ok(())
    }

    /// Takes the step that makes the sum of squares least; returns how far it moves the part, mm.
    pub(super) fn step(&mut self) -> Result<f64, AlignError> {
        let (next, _) = self.ground.moved(&self.base, &self.sums.step(self.reach)?);
        let moved = self.ground.apart_mm(&next, &self.pose);
        self.pose = next;
        self.path += moved;
        Ok(moved)
    }

    /// How far the pose has moved the part since the equations were made, mm.
    pub(super) fn since_base_mm(&self) -> f64 {
        self.ground.apart_mm(&self.pose, &self.base)
    }

    /// Searches what may have another nearest place now.
    pub(super) fn follow(&mut self, run: &Run) -> Result<(), Stopped> {
        let path = self.path;
        self.fresh = false;
        self.renew(run, |until, _, _| until < path)
    }

    /// After a step too short to matter: whether nothing is left to decide, to search or to sum anew.
    pub(super) fn rests(&mut self, run: &Run) -> Result<bool, Stopped> {
        if self.ground.apart_mm(&self.pose, &self.chosen_at) > MOVED_MM {
            self.choose(run)?;
        } else if self.path - self.searched > NEARBY_MM {
            let (path, pose) = (self.path, self.pose);
            self.renew(run, |until, plane, p| until < path || plane.off(&pose.point(p)).abs() > MIDWAY_MM)?;
            self.searched = path;
        } else if self.fresh {
            return Ok(true);
        }
        self.rebase();
        Ok(false)
    }

    /// Searches those points of which `wanted` says so, by where they are due, their plane and the point.
    fn renew(
        &mut self,
        run: &Run,
        wanted: impl Fn(f64, &Plane, &Point) -> bool + Sync,
    ) -> Result<(), Stopped> {
        let (ground, sample, weights) = (self.ground, self.sample, &self.weights);
        let (pose, base, path) = (self.pose, self.base, self.path);
        // Who was chosen stays, also when a step takes it out of reach.
        let reach = 2.0 * self.reach;
        let pieces = self.planes.par_chunks_mut(PIECE).zip(self.until.par_chunks_mut(PIECE)).enumerate();
        let changes: Result<Vec<Sums>, Stopped> = pieces
            .map(|(c, (planes, until))| {
                run.check()?;
                let first = c * PIECE;
                let due = |i: &usize| {
                    weights[*i] > 0.0 && wanted(until[i - first], &planes[i - first], &sample.points[*i])
                };
                let due: Vec<usize> = (first..first + planes.len()).filter(due).collect();
                let mut change = Sums::zero();
                for place in places(&ground, sample, due, &pose, reach) {
                    let i = place.number;
                    let (found, room) = match (&place.foot, normal(&place.corners)) {
                        (Some(foot), Some(face)) => {
                            plane_under(&ground, &place.corners, &face, foot, &place.p)
                        }
                        _ => (Plane::NONE, 0.0),
                    };
                    until[i - first] = path + room;
                    let plane = &mut planes[i - first];
                    if !found.is(plane) {
                        let p = base.point(&sample.points[i]);
                        plane.unpair(&ground, &p, weights[i], &mut change);
                        found.pair(&ground, &p, weights[i], &mut change);
                        *plane = found;
                    }
                }
                Ok(change)
            })
            .collect();
        self.sums = changes?.iter().fold(self.sums.clone(), Sums::add);
        Ok(())
    }

    /// Makes the equations linear about where the pose is now.
    pub(super) fn rebase(&mut self) {
        self.base = self.pose;
        self.sums = self.summed(|w| w);
        self.fresh = true;
    }

    /// Sums over all pairs, with `weight` made of their weights.
    fn summed(&self, weight: impl Fn(f64) -> f64 + Sync) -> Sums {
        let pieces = self.planes.par_chunks(PIECE).enumerate().map(|(c, planes)| {
            let mut s = Sums::zero();
            for (i, plane) in (c * PIECE..).zip(planes) {
                let w = self.weights[i];
                if w > 0.0 {
                    plane.pair(&self.ground, &self.base.point(&self.sample.points[i]), weight(w), &mut s);
                }
            }
            s
        });
        let pieces: Vec<Sums> = pieces.collect();
        pieces.iter().fold(Sums::zero(), Sums::add)
    }

    /// What the variance of the points is multiplied by to give the covariance of the pose: weighted least squares
    /// with weights that do not come from the variances. (From memory: H. White, Econometrica 48(4), 1980, for
    /// equal variances.)
    pub(super) fn unit_covariance(&self) -> Option<[[f64; 6]; 6]> {
        let inverse = Cholesky::new(&self.sums.matrix())?.inverse();
        let middle = self.summed(|w| w * w).matrix();
        let radius = self.ground.radius;
        let scale = |i: usize| if i < 3 { 1.0 / radius } else { 1.0 };
        let times = |a: &[[f64; 6]; 6], b: &[[f64; 6]; 6]| -> [[f64; 6]; 6] {
            std::array::from_fn(|i| std::array::from_fn(|j| (0..6).map(|k| a[i][k] * b[k][j]).sum()))
        };
        let whole = times(&times(&inverse, &middle), &inverse);
        // Symmetric to the bit.
        Some(std::array::from_fn(|i| {
            std::array::from_fn(|j| whole[i.max(j)][i.min(j)] * scale(i) * scale(j))
        }))
    }
}

/// A point where the pose puts it.
struct Place {
    number: usize,
    p: Point,
    foot: Option<Foot>,
    /// Of the foot's triangle.
    corners: [Point; 3],
}

/// Where some points of a sample lie and where the surface is nearest. One thing after the other for all of them:
/// triangles and corners are all over the memory, and so many are on their way at once.
fn places(
    ground: &Ground,
    sample: &Sample,
    which: impl IntoIterator<Item = usize>,
    pose: &Pose,
    reach: f64,
) -> Vec<Place> {
    let mesh = ground.mesh();
    let mut cursor = ground.tree.cursor();
    let search = |number: usize| {
        let p = pose.point(&sample.points[number]);
        let foot = ground.foot(&mut cursor, sample, number, &p, pose, reach);
        Place { number, p, foot, corners: [Point::origin(); 3] }
    };
    let mut all: Vec<Place> = which.into_iter().map(search).collect();
    let triangle = |place: &Place| place.foot.map_or([0; 3], |f| mesh.triangles()[f.triangle as usize]);
    let triangles: Vec<[u32; 3]> = all.iter().map(triangle).collect();
    for (place, triangle) in all.iter_mut().zip(triangles) {
        place.corners = triangle.map(|v| mesh.vertices()[v as usize]);
    }
    all
}

/// The unit normal of a triangle, as the mesh says it.
fn normal([a, b, c]: &[Point; 3]) -> Option<Vector> {
    Direction::new((b - a).cross(&(c - a))).map(Direction::vector)
}

/// The plane of a point at `p`: of the exact surface where the nominal has one, else of its triangle.
fn plane_under(ground: &Ground, corners: &[Point; 3], face: &Vector, foot: &Foot, p: &Point) -> (Plane, f64) {
    Plane::exact(ground.nominal, foot, p).unwrap_or_else(|| Plane::of(corners, face, foot, p))
}
