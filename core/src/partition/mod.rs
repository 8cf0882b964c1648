//! Which points of the scan belong to which feature.
//!
//! A point belongs to the nearest place of the nominal whose normal agrees with its own, within reach; it
//! is left out near the rim of its feature, where scanners round edges and neighbours mix.

mod coverage;
mod gaps;
mod join;
mod local_skin;
mod patch;
mod rim;
mod ring_plane;
mod sound;
mod things;
mod tube;

use rayon::prelude::*;

use crate::geometry::sum::CHUNK;
use crate::geometry::{Direction, Foot, Motion, PartFrame, Point, ScanFrame, Vector};
use crate::nominal::Nominal;
use crate::run::{CHECK_EVERY, Run, Stage, Stopped};
use crate::scan::Scan;
use crate::search::{Facing, SurfaceTree, TOGETHER};

pub use coverage::{Looked, Place, Seen, turn_seen};
pub(crate) use coverage::{distances, feet, spread};
pub use gaps::{Gap, Gaps, Lost, Why};
pub use join::{JoinInput, Joined, Row};
pub use local_skin::{LocalSkin, NominalSkin, Ring, SkinError, beside};
pub use patch::{Flattened, flattened};
pub use rim::Rim;
pub use ring_plane::RingPlane;
pub use sound::{OnWall, Wall, sound, strip_mm};
pub use tube::Tube;

/// How points are given to the nominal.
#[derive(Clone, Debug, PartialEq)]
pub struct PartitionSettings {
    /// Points further from the nominal than this belong to nothing, mm.
    pub reach_mm: f64,
    /// Least cosine between a point's normal and the nominal's.
    pub min_cos: f64,
}

/// For every point of a scan its place on the nominal, at one alignment.
#[derive(Clone, Debug)]
pub struct Partition {
    /// The alignment used.
    pub part_from_scan: Motion<PartFrame, ScanFrame>,
    /// Nearest triangle, or [`NOTHING`].
    triangle: Vec<u32>,
    /// Signed distance from the nominal, mm, positive outside the material: from the exact surface where its file tells it.
    deviation_mm: Vec<f64>,
    /// Points beyond reach or facing otherwise, with the place of the nominal that they would belong to.
    far: Vec<(u32, u32)>,
    /// Least cosine between a point's normal and the nominal's.
    min_cos: f64,
    /// How many more there were, on things that stand beside the part.
    other_things: usize,
    /// How many points that belong to nothing stand alone.
    strays: usize,
    unexplained: usize,
}

/// Points that belong to nothing are looked at once more within this many reaches: a hole in the scan where
/// a pit is deeper than the reach is no hole but a defect.
const FAR: f64 = 4.0;

/// Marks a point that belongs to no triangle.
const NOTHING: u32 = u32::MAX;

/// A point that belongs to a feature.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MeasuredPoint {
    /// Index in the scan.
    pub index: u32,
    /// Place in the part's axes, mm.
    pub point: Point,
    /// Nearest triangle of the nominal.
    pub triangle: u32,
    /// Signed distance along the nominal's normal, mm, positive outside the material.
    pub deviation_mm: f64,
}

impl MeasuredPoint {
    /// Where on the nominal it stands, mm.
    pub fn foot(&self, nominal: &Nominal) -> Point {
        let normal = nominal.mesh().normal(self.triangle);
        normal.map_or(self.point, |n| self.point - n.vector() * self.deviation_mm)
    }
}

/// A feature as it was seen.
#[derive(Clone, Debug, Default)]
pub struct MeasuredFeature {
    /// Its points, in the order of the scan.
    pub points: Vec<MeasuredPoint>,
    /// Points left out near the rim.
    pub near_rim: usize,
    /// Spacing of the densest scan that has seen it, mm.
    pub spacing_mm: f64,
    /// Width of the strip along its rim that was left out, mm.
    pub margin_mm: f64,
}

impl Partition {
    /// Gives every point of `scan` to the nominal.
    ///
    /// # Errors
    /// Only a stop by the caller.
    pub fn new(
        run: &Run,
        nominal: &Nominal,
        tree: &SurfaceTree,
        scan: &Scan,
        part_from_scan: Motion<PartFrame, ScanFrame>,
        settings: &PartitionSettings,
    ) -> Result<Self, Stopped> {
        run.tell(Stage::Partition, 0.0);
        let normals = scan.normals();
        let mut all = Self {
            part_from_scan,
            triangle: Vec::with_capacity(scan.points().len()),
            deviation_mm: Vec::with_capacity(scan.points().len()),
            far: Vec::new(),
            min_cos: settings.min_cos,
            other_things: 0,
            strays: 0,
            unexplained: 0,
        };
        for (b, block) in scan.points().chunks(TOGETHER).enumerate() {
            run.check()?;
            let placed: Vec<Point> =
                block.par_iter().with_min_len(CHECK_EVERY).map(|p| part_from_scan.point(&p)).collect();
            let given = |k: usize, foot: Option<Foot>| {
                let found = foot.and_then(|f| Some((f, nominal.mesh().normal(f.triangle)?)));
                let Some((foot, normal)) = found else { return (NOTHING, 0.0) };
                if let Some(exact) = nominal.exact_foot(&placed[k], &foot) {
                    return (foot.triangle, exact.distance_mm);
                }
                // At an edge between two facets the distance, not its part along one facet's normal.
                let along = (placed[k] - foot.point).dot(&normal.vector());
                (foot.triangle, if along < 0.0 { -foot.distance } else { foot.distance })
            };
            let found = match normals {
                Some(n) => {
                    let first = b * TOGETHER;
                    let normals: Vec<Direction> = (first..first + block.len())
                        .into_par_iter()
                        .with_min_len(CHECK_EVERY)
                        .map(|i| part_from_scan.direction(n.at(i)))
                        .collect();
                    let facing = Facing { normals: &normals, min_cos: settings.min_cos };
                    tree.nearest_facing_each(&placed, facing, settings.reach_mm, given)
                }
                None => tree.nearest_each(&placed, settings.reach_mm, given),
            };
            for (triangle, deviation) in found {
                all.unexplained += usize::from(triangle == NOTHING);
                all.triangle.push(triangle);
                all.deviation_mm.push(deviation);
            }
        }
        let far: Result<Vec<Vec<(u32, u32)>>, Stopped> = all
            .triangle
            .par_chunks(CHUNK)
            .enumerate()
            .map(|(c, chunk)| {
                run.check()?;
                let lost =
                    chunk.iter().enumerate().filter(|(_, t)| **t == NOTHING).map(|(k, _)| c * CHUNK + k);
                let look = |i: usize| {
                    let p = part_from_scan.point(&scan.points().at(i));
                    let reach = FAR * settings.reach_mm;
                    let same = normals.and_then(|n| {
                        tree.nearest_facing(&p, part_from_scan.direction(n.at(i)), settings.min_cos, reach)
                    });
                    Some((i as u32, same.or_else(|| tree.nearest(&p, reach))?.triangle))
                };
                Ok(lost.filter_map(look).collect())
            })
            .collect();
        all.far = far?.concat();
        all.leave_out_what_is_apart(run, nominal, scan)?;
        run.tell(Stage::Partition, 1.0);
        Ok(all)
    }

    /// Takes clamps and the like, and strays, out of what stands off the part.
    fn leave_out_what_is_apart(&mut self, run: &Run, nominal: &Nominal, scan: &Scan) -> Result<(), Stopped> {
        if self.far.is_empty() {
            return Ok(());
        }
        let lost = self.triangle.iter().enumerate().filter(|(_, t)| **t == NOTHING);
        let lost: Vec<(u32, Point)> =
            lost.map(|(i, _)| (i as u32, self.part_from_scan.point(&scan.points().at(i)))).collect();
        let apart = things::apart(run, nominal, &lost, &self.far, scan.spacing_mm())?;
        self.strays = apart.strays.len();
        self.far.retain(|(i, _)| apart.strays.binary_search(i).is_err());
        let before = self.far.len();
        self.far.retain(|(i, _)| apart.others.binary_search(i).is_err());
        self.other_things = before - self.far.len();
        Ok(())
    }

    /// Points over the part that lie on things which stand beside it, such as clamps: what they hide was not seen.
    pub fn on_other_things(&self) -> usize {
        self.other_things
    }

    /// Points that belong to nothing and stand alone: strays.
    pub fn strays(&self) -> usize {
        self.strays
    }

    /// Points that belong to nothing within reach.
    pub fn unexplained(&self) -> usize {
        self.unexplained
    }

    /// Every point with a place on the nominal, in the scan's order.
    pub fn placed<'a>(&'a self, scan: &'a Scan) -> impl Iterator<Item = MeasuredPoint> + 'a {
        self.triangle.iter().enumerate().filter(|(_, t)| **t != NOTHING).map(|(i, &triangle)| MeasuredPoint {
            index: i as u32,
            point: self.part_from_scan.point(&scan.points().at(i)),
            triangle,
            deviation_mm: self.deviation_mm[i],
        })
    }

    /// Every point of the scan with the unit normal of the nominal under it, or its own where it belongs to nothing, or zero.
    pub fn facing<'a>(
        &'a self,
        scan: &'a Scan,
        nominal: &'a Nominal,
    ) -> impl Iterator<Item = (Point, Vector)> + 'a {
        self.triangle.iter().enumerate().map(|(i, &t)| {
            let under = Some(t).filter(|t| *t != NOTHING).and_then(|t| nominal.mesh().normal(t));
            let own = || scan.normals().map(|n| self.part_from_scan.direction(n.at(i)));
            let normal = under.or_else(own).map_or_else(Vector::zeros, Direction::vector);
            (self.part_from_scan.point(&scan.points().at(i)), normal)
        })
    }

    /// Every point on the triangles that are marked, in the scan's order: as [`Self::placed`], but only these are moved to the part.
    pub fn among<'a>(
        &'a self,
        scan: &'a Scan,
        marked: &'a [bool],
    ) -> impl Iterator<Item = MeasuredPoint> + 'a {
        let on = |t: u32| t != NOTHING && marked.get(t as usize).is_some_and(|m| *m);
        self.triangle.iter().enumerate().filter(move |(_, t)| on(**t)).map(|(i, &triangle)| MeasuredPoint {
            index: i as u32,
            point: self.part_from_scan.point(&scan.points().at(i)),
            triangle,
            deviation_mm: self.deviation_mm[i],
        })
    }

    /// The points on the triangles of a feature, but for a strip along its rim: what scanners round and where
    /// neighbouring points mix (1 mm is common practice, no source), and never less than a spacing and a half.
    pub fn feature(&self, scan: &Scan, nominal: &Nominal, triangles: &[u32], rim: &Rim) -> MeasuredFeature {
        let mut member = vec![false; nominal.mesh().triangles().len()];
        for &t in triangles {
            member[t as usize] = true;
        }
        let points: Vec<MeasuredPoint> = self.among(scan, &member).collect();
        let spacing_mm = scan.spacing_among(points.iter().map(|p| p.index));
        let margin_mm = 1f64.max(1.5 * spacing_mm);
        let all = points.len();
        let inside = |p: &MeasuredPoint| !rim.nearer_than(&self.foot(p, nominal), margin_mm);
        let points: Vec<MeasuredPoint> = points.into_iter().filter(inside).collect();
        MeasuredFeature { near_rim: all - points.len(), points, spacing_mm, margin_mm }
    }

    /// Points over a feature, further from its rim than `margin_mm`, that lie beyond reach or face another way:
    /// how many, and the first one's place on the part, mm.
    pub fn far_from(
        &self,
        scan: &Scan,
        nominal: &Nominal,
        triangles: &[u32],
        rim: &Rim,
        margin_mm: f64,
    ) -> Option<(usize, Point)> {
        let mut found: Option<(usize, Point)> = None;
        for &(i, t) in &self.far {
            if triangles.binary_search(&t).is_err() {
                continue;
            }
            let point = self.part_from_scan.point(&scan.points().at(i as usize));
            let [a, b, c] = nominal.mesh().corners(t);
            if !rim.nearer_than(&crate::geometry::closest_point_on_triangle(&point, &a, &b, &c), margin_mm) {
                found = Some(found.map_or((1, point), |(n, first)| (n + 1, first)));
            }
        }
        found
    }

    /// Indices of the points that are wanted: `wanted` is asked with the place on the part and the triangle, if it has one.
    pub fn some<'a>(&'a self, scan: &'a Scan, wanted: impl Fn(&Point, Option<u32>) -> bool) -> Vec<u32> {
        let of = |i: usize| Some(self.triangle[i]).filter(|t| *t != NOTHING);
        (0..self.triangle.len())
            .filter(|&i| wanted(&self.part_from_scan.point(&scan.points().at(i)), of(i)))
            .map(|i| i as u32)
            .collect()
    }

    /// The points of `indices`, ascending, each displaced: the scan of them, and where they lie on the nominal. Every point
    /// keeps its triangle and is displaced along the normal there, which is right to first order; one without a triangle is
    /// displaced as it is told. `by` is asked with the place and the unit normal out of the material, zero where it is not known.
    pub fn displaced(
        &self,
        scan: &Scan,
        nominal: &Nominal,
        indices: &[u32],
        by: &dyn Fn(&Point, &Vector) -> Vector,
    ) -> (Scan, Self) {
        let scan_from_part = self.part_from_scan.inverse();
        let mut places = Vec::with_capacity(indices.len());
        let mut found = Self {
            part_from_scan: self.part_from_scan,
            min_cos: self.min_cos,
            triangle: Vec::with_capacity(indices.len()),
            deviation_mm: Vec::with_capacity(indices.len()),
            far: Vec::new(),
            other_things: self.other_things,
            strays: self.strays,
            unexplained: 0,
        };
        for &i in indices {
            let i = i as usize;
            let place = self.part_from_scan.point(&scan.points().at(i));
            let triangle = self.triangle[i];
            let facet = Some(triangle).filter(|t| *t != NOTHING).and_then(|t| nominal.mesh().normal(t));
            let own = || scan.normals().map(|n| self.part_from_scan.direction(n.at(i)));
            let outward = facet.or_else(own).map_or_else(Vector::zeros, Direction::vector);
            let off = by(&place, &outward);
            let off = facet.map_or(off, |n| n.vector() * n.vector().dot(&off));
            places.push(scan_from_part.point(&(place + off)));
            found.triangle.push(triangle);
            let along = facet.map_or(0.0, |n| n.vector().dot(&off));
            found.deviation_mm.push(self.deviation_mm[i] + along);
        }
        (scan.displaced(indices, places), found)
    }

    /// The place on the nominal under a measured point.
    fn foot(&self, p: &MeasuredPoint, nominal: &Nominal) -> Point {
        let [a, b, c] = nominal.mesh().corners(p.triangle);
        crate::geometry::closest_point_on_triangle(&p.point, &a, &b, &c)
    }
}

/// The nominal's normals at measured points.
pub fn normals_under(nominal: &Nominal, points: &[MeasuredPoint]) -> Vec<Direction> {
    points
        .iter()
        .map(|p| nominal.mesh().normal(p.triangle).expect("points are only given to triangles with a normal"))
        .collect()
}
