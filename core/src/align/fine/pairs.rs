//! Points paired with tangent planes of the nominal, and the normal equations of one step.

use rayon::prelude::*;

use super::ends::beyond;
use super::sample::Sample;
use super::strays::strays;
use super::{AlignError, MIN_PAIRS};
use crate::geometry::{
    Cholesky, Direction, Foot, Motion, PartFrame, Point, ScanFrame, TriangleMesh, Vector, symmetric_eigen,
};
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
}

/// Walls are seen from aside, and those of a curved sheet lean away a little.
const ASLANT_COS: f64 = -0.3;

impl Ground<'_> {
    fn mesh(&self) -> &TriangleMesh {
        self.nominal.mesh()
    }

    /// The nearest place of the nominal that faces as point `i` of the sample does, which lies at `p`.
    fn foot(
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

/// Sums over pairs.
#[derive(Clone)]
pub(super) struct Sums {
    /// Of weight times row times row: the lower triangle.
    jtj: [[f64; 6]; 6],
    jtr: [f64; 6],
    square: f64,
    weight: f64,
    pub(super) pairs: usize,
}

impl Sums {
    pub(super) fn zero() -> Self {
        Self { jtj: [[0.0; 6]; 6], jtr: [0.0; 6], square: 0.0, weight: 0.0, pairs: 0 }
    }

    #[inline]
    pub(super) fn pair(&mut self, row: &[f64; 6], d: f64, weight: f64) {
        for i in 0..6 {
            let wi = weight * row[i];
            for j in 0..=i {
                self.jtj[i][j] += wi * row[j];
            }
            self.jtr[i] -= wi * d;
        }
        self.square += weight * d * d;
        self.weight += weight;
        self.pairs += 1;
    }

    pub(super) fn add(mut self, other: &Self) -> Self {
        for i in 0..6 {
            for j in 0..=i {
                self.jtj[i][j] += other.jtj[i][j];
            }
            self.jtr[i] += other.jtr[i];
        }
        self.square += other.square;
        self.weight += other.weight;
        self.pairs += other.pairs;
        self
    }

    pub(super) fn matrix(&self) -> [[f64; 6]; 6] {
        std::array::from_fn(|i| std::array::from_fn(|j| self.jtj[i.max(j)][i.min(j)]))
    }

    pub(super) fn rms(&self) -> f64 {
        (self.square / self.weight).sqrt()
    }

    /// The step that makes the sum of squares least.
    pub(super) fn step(&self, reach_mm: f64) -> Result<[f64; 6], AlignError> {
        if self.pairs < MIN_PAIRS {
            return Err(AlignError::TooFewPairs { pairs: self.pairs, need: MIN_PAIRS, reach_mm });
        }
        let matrix = self.matrix();
        let (values, _) = symmetric_eigen(&matrix);
        // A direction that holds a millionth of the best held one is held by noise in the normals.
        let freedoms = values.iter().filter(|&&v| !(v > 1e-6 * values[5])).count();
        if freedoms > 0 {
            return Err(AlignError::Undetermined { freedoms });
        }
        let factorised = Cholesky::new(&matrix).ok_or(AlignError::Undetermined { freedoms: 1 })?;
        Ok(factorised.solve(&self.jtr))
    }
}

/// The tangent plane at a foot: that of its triangle; on an edge or corner, that across the way to the point, so that
/// the distance does not jump where the nearest triangle changes.
#[derive(Clone, Copy)]
struct Plane {
    normal: Vector,
    offset: f64,
    /// [`NOWHERE`]: none within reach.
    triangle: u32,
    on_edge: bool,
}

const NOWHERE: u32 = u32::MAX;

/// No two walls are nearer to each other than twice this, mm.
const MIDWAY_MM: f64 = 0.2;

/// A foot from which the point lies aside by more is on an edge, mm: more than rounding.
const ASIDE_MM: f64 = 1e-7;

/// Each point of a sample with the plane that it is drawn to.
pub(super) struct Pairs<'a> {
    ground: Ground<'a>,
    sample: &'a Sample,
    planes: Vec<Plane>,
    /// Zero for points that are left out.
    weights: Vec<f64>,
    reach: f64,
}

impl<'a> Pairs<'a> {
    /// Pairs all points of a sample, and leaves out strays and those beyond the ends of faces. They are chosen here
    /// once, when the pose is near: if it were asked at each step, points would come and go and the steps never rest.
    pub(super) fn new(
        run: &Run,
        ground: Ground<'a>,
        sample: &'a Sample,
        pose: &Pose,
        reach: f64,
    ) -> Result<Self, Stopped> {
        let planes = vec![Plane::NONE; sample.points.len()];
        let mut pairs = Self { ground, sample, planes, weights: Vec::new(), reach };
        pairs.choose(run, pose)?;
        Ok(pairs)
    }

    /// Chooses anew which points count, and pairs all.
    pub(super) fn choose(&mut self, run: &Run, pose: &Pose) -> Result<(), Stopped> {
        let (ground, sample) = (self.ground, self.sample);
        let feet = ground.feet(run, sample, pose, self.reach)?;
        let off: Vec<Option<f64>> = feet
            .par_iter()
            .zip(&sample.points)
            .map(|(foot, scanned)| {
                let foot = foot.as_ref()?;
                let normal = ground.mesh().normal(foot.triangle)?.vector();
                let p = pose.point(scanned);
                (!beyond(ground.nominal, foot, &p, &normal)).then(|| (p - foot.point).dot(&normal))
            })
            .collect();
        run.check()?;
        let stray = strays(sample, &off);
        let count = |i: usize| if off[i].is_some() && !stray[i] { sample.weights[i] } else { 0.0 };
        self.weights = (0..sample.points.len()).map(count).collect();
        let places = self.planes.par_iter_mut().zip(feet).zip(&sample.points);
        places
            .for_each(|((plane, foot), p)| *plane = Plane::of(ground.mesh(), foot.as_ref(), &pose.point(p)));
        Ok(())
    }

    /// Searches those points whose foot has left its triangle, and sums the equations of all.
    pub(super) fn follow(&mut self, run: &Run, pose: &Pose) -> Result<Sums, Stopped> {
        self.renew(run, pose, 0.0, f64::INFINITY)
    }

    /// Searches all points that can have another nearest place since all were searched, `moved_mm` from here: those
    /// nearer than twice that to the edge of their triangle, beyond which another wall may be as near, and those so
    /// far off that they may lie midway between two walls.
    pub(super) fn settle(&mut self, run: &Run, pose: &Pose, moved_mm: f64) -> Result<Sums, Stopped> {
        self.renew(run, pose, 2.0 * moved_mm, MIDWAY_MM)
    }

    fn renew(&mut self, run: &Run, pose: &Pose, margin: f64, midway: f64) -> Result<Sums, Stopped> {
        let (ground, sample, weights) = (self.ground, self.sample, &self.weights);
        // Who was chosen stays, also when a step takes it out of reach.
        let reach = 2.0 * self.reach;
        let pieces: Result<Vec<Sums>, Stopped> = self
            .planes
            .par_chunks_mut(PIECE)
            .enumerate()
            .map(|(c, planes)| {
                run.check()?;
                let mut cursor = ground.tree.cursor();
                let mut sums = Sums::zero();
                for (i, plane) in (c * PIECE..).zip(planes) {
                    if !(weights[i] > 0.0) {
                        continue;
                    }
                    let p = pose.point(&sample.points[i]);
                    if !plane.is_below(ground.mesh(), &p, margin, midway) {
                        let foot = ground.foot(&mut cursor, sample, i, &p, pose, reach);
                        *plane = Plane::of(ground.mesh(), foot.as_ref(), &p);
                    }
                    plane.pair(&ground, &p, weights[i], &mut sums);
                }
                Ok(sums)
            })
            .collect();
        Ok(pieces?.iter().fold(Sums::zero(), Sums::add))
    }

    /// Sums over all pairs. The weights are squared for the middle of the covariance.
    fn summed(&self, pose: &Pose, squared: bool) -> Sums {
        let pieces = self.planes.par_chunks(PIECE).enumerate().map(|(c, planes)| {
            let mut s = Sums::zero();
            for (i, plane) in (c * PIECE..).zip(planes) {
                let w = self.weights[i];
                if w > 0.0 {
                    let p = pose.point(&self.sample.points[i]);
                    plane.pair(&self.ground, &p, if squared { w * w } else { w }, &mut s);
                }
            }
            s
        });
        let pieces: Vec<Sums> = pieces.collect();
        pieces.iter().fold(Sums::zero(), Sums::add)
    }

    pub(super) fn sums(&self, pose: &Pose) -> Sums {
        self.summed(pose, false)
    }

    /// What the variance of the points is multiplied by to give the covariance of the pose: weighted least squares
    /// with weights that do not come from the variances. (From memory: H. White, Econometrica 48(4), 1980, for
    /// equal variances.)
    pub(super) fn unit_covariance(&self, pose: &Pose, sums: &Sums) -> Option<[[f64; 6]; 6]> {
        let inverse = Cholesky::new(&sums.matrix())?.inverse();
        let middle = self.summed(pose, true).matrix();
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

impl Plane {
    const NONE: Self =
        Self { normal: Vector::new(0.0, 0.0, 0.0), offset: 0.0, triangle: NOWHERE, on_edge: false };

    fn of(mesh: &TriangleMesh, foot: Option<&Foot>, p: &Point) -> Self {
        let plane = foot.and_then(|foot| {
            let face = mesh.normal(foot.triangle)?.vector();
            let off = p - foot.point;
            let on_edge = (off - face * off.dot(&face)).norm() > ASIDE_MM;
            let normal = if on_edge { off / foot.distance } else { face };
            let offset = normal.dot(&foot.point.coords);
            Some(Self { normal, offset, triangle: foot.triangle, on_edge })
        });
        plane.unwrap_or(Self::NONE)
    }

    /// Adds the equation of a point at `p`.
    #[inline]
    fn pair(&self, ground: &Ground, p: &Point, weight: f64, sums: &mut Sums) {
        if self.triangle != NOWHERE {
            let d = self.normal.dot(&p.coords) - self.offset;
            sums.pair(&ground.row(p, &self.normal), d, weight);
        }
    }

    /// Whether the foot of `p` on the plane lies in the triangle, no nearer than `margin` to an edge, and `p` no further
    /// off than `midway`.
    #[inline]
    fn is_below(&self, mesh: &TriangleMesh, p: &Point, margin: f64, midway: f64) -> bool {
        if self.triangle == NOWHERE || self.on_edge {
            return false;
        }
        let [a, b, c] = mesh.corners(self.triangle);
        let inside = |a: &Point, b: &Point| {
            let (side, along) = (self.normal.dot(&(b - a).cross(&(p - a))), (b - a).norm_squared());
            side >= 0.0 && side * side >= margin * margin * along
        };
        let off = self.normal.dot(&p.coords) - self.offset;
        off.abs() <= midway && inside(&a, &b) && inside(&b, &c) && inside(&c, &a)
    }
}
