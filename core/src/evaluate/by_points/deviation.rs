//! How far points lie off the nominal: a check point along its direction, points of a plane or surface along its normal.

use crate::geometry::{Direction, Point, TriangleMesh, closest_point_on_triangle};
use crate::plan::{BoundFeature, PointOn, Situation};
use crate::record::{Components, Evaluation, Extreme};
use crate::search::SurfaceTree;

use super::{Placed, REACH_MM, Spread, Subject, place, tolerance_mm};

impl Subject<'_> {
    /// The deviation of a check point along its direction. A point further aside of its place than `reach_mm` was
    /// taken of something else; one nearer, on a surface that is not square to the direction, reads another height
    /// there, which joins the budget where the surface's normal is known.
    pub(super) fn check_point(
        &self,
        at: Point,
        direction: Direction,
        on: PointOn,
        reach_mm: f64,
        evaluation: &mut Evaluation,
    ) -> Result<(), String> {
        let [p] = self.points.as_slice() else {
            return Err(format!("{} points were taken of a check point, which takes one", self.points.len()));
        };
        let off = p.point - at;
        let along = off.dot(&direction.vector());
        let aside = off - direction.vector() * along;
        if !(aside.norm() <= reach_mm && along.abs() <= REACH_MM) {
            return Err(format!(
                "the point was taken {:.3} mm aside of its place and {along:.3} mm along its direction, at most \
                 {reach_mm} mm and {REACH_MM} mm can be: check its name",
                aside.norm()
            ));
        }
        evaluation.components = Some(Components { dx_mm: off.x, dy_mm: off.y, dz_mm: off.z, dn_mm: along });
        let extreme = Extreme { value_mm: along, at_mm: place(&p.point) };
        (evaluation.minimum, evaluation.maximum) = (Some(extreme), Some(extreme));
        evaluation.operators.insert("value".into(), "deviation along the point's direction".into());
        evaluation.operators.insert("aside_mm".into(), format!("{:.4}", aside.norm()));
        // The normal across a trimmed edge is not that of a face of the nominal.
        let nominal = self.nominal.filter(|_| on == PointOn::Surface);
        let normal = p.normal.or_else(|| normal_at(nominal?.mesh(), at, direction));
        // The tangent plane through the place, as high as it is under the point: to first order.
        let sampling_mm = normal.map_or(0.0, |n| {
            let cosine = n.dot(direction).abs();
            if cosine > 0.0 { aside.dot(&n.vector()).abs() / cosine } else { f64::INFINITY }
        });
        // A rounding of directions is no slope.
        let sampling_mm = if sampling_mm > 1e-6 { sampling_mm } else { 0.0 };
        let spread = Spread {
            instrument_mm: p.standard_mm,
            sampling_mm,
            alignment_mm: self.alignment_mm(p.point, direction),
        };
        self.settle(along, spread, tolerance_mm(&evaluation.limits), false, None, evaluation);
        Ok(())
    }

    /// The signed extremes of points on a plane or surface.
    pub(super) fn surface(
        &self,
        limit_outside_mm: f64,
        limit_inside_mm: f64,
        evaluation: &mut Evaluation,
    ) -> Result<(), String> {
        let mut all = Vec::with_capacity(self.points.len());
        // Of the feature alone, so that the other side of a skin is never taken for it.
        let tree = self.nominal.map(|n| SurfaceTree::of(n.mesh(), &self.bound.triangles));
        for p in &self.points {
            all.push((p, self.deviation(&p.point, tree.as_ref())?));
        }
        let by = |a: &&(&Placed, (f64, Direction)), b: &&(&Placed, (f64, Direction))| a.1.0.total_cmp(&b.1.0);
        let (Some(low), Some(high)) = (all.iter().min_by(by), all.iter().max_by(by)) else {
            return Err("no point was taken of it".into());
        };
        let extreme = |e: &(&Placed, (f64, Direction))| Extreme { value_mm: e.1.0, at_mm: place(&e.0.point) };
        (evaluation.minimum, evaluation.maximum) = (Some(extreme(low)), Some(extreme(high)));
        evaluation
            .operators
            .insert("value".into(), "signed extremes of the points taken, along the nominal normal".into());
        self.count(evaluation);
        // The one that settles the verdict is told; of two that settle it the one with less room.
        let room = |e: &(&Placed, (f64, Direction))| (e.1.0 + limit_inside_mm).min(limit_outside_mm - e.1.0);
        let told = if room(low) < room(high) { low } else { high };
        let alignment = all
            .iter()
            .try_fold(0.0f64, |worst, (p, (_, n))| Some(worst.max(self.alignment_mm(p.point, *n)?)));
        let spread = Spread { instrument_mm: self.standard_mm(), sampling_mm: 0.0, alignment_mm: alignment };
        let missing = self.too_few();
        self.settle(told.1.0, spread, limit_outside_mm + limit_inside_mm, false, missing, evaluation);
        Ok(())
    }

    /// Signed distance of a place from the feature, and the direction it is told along. A place further than
    /// [`REACH_MM`] from a plane, or from the face where there is one, carries a wrong name.
    fn deviation(&self, p: &Point, tree: Option<&SurfaceTree>) -> Result<(f64, Direction), String> {
        self.deviation_from(self.bound, p, tree)
    }

    /// The same of any feature, with the tree of its own triangles.
    pub(super) fn deviation_from(
        &self,
        bound: &BoundFeature,
        p: &Point,
        tree: Option<&SurfaceTree>,
    ) -> Result<(f64, Direction), String> {
        let astray = || {
            format!(
                "the point at x {:.3}, y {:.3}, z {:.3} does not lie on it within {REACH_MM} mm: check its name",
                p.x, p.y, p.z
            )
        };
        if let Situation::Plane { at, normal } = bound.situation {
            let along = (p - at).dot(&normal.vector());
            let face = tree.filter(|_| !bound.triangles.is_empty());
            let on_it = face.is_none_or(|face| face.nearest(p, REACH_MM).is_some());
            return if along.abs() <= REACH_MM && on_it { Ok((along, normal)) } else { Err(astray()) };
        }
        let (Some(nominal), Some(tree)) = (self.nominal, tree) else {
            return Err("a surface needs a nominal".into());
        };
        let mesh = nominal.mesh();
        let found = tree.nearest(p, REACH_MM).and_then(|f| Some((f, mesh.normal(f.triangle)?)));
        let Some((foot, normal)) = found else {
            return Err(astray());
        };
        if let Some(exact) = nominal.exact_foot(p, &foot) {
            return Ok((exact.distance_mm, exact.normal));
        }
        let (foot, distance) = (foot.point, foot.distance);
        let along = (p - foot).dot(&normal.vector());
        Ok((if along < 0.0 { -distance } else { distance }, normal))
    }
}

/// The normal of the nominal under a check point, on the side that it faces; `None` where it lies on none.
fn normal_at(mesh: &TriangleMesh, at: Point, direction: Direction) -> Option<Direction> {
    let mut best: Option<(f64, Direction)> = None;
    for t in 0..mesh.triangles().len() as u32 {
        let [a, b, c] = mesh.corners(t);
        let near = (0..3).all(|k| {
            a[k].min(b[k]).min(c[k]) <= at[k] + ON_IT_MM && a[k].max(b[k]).max(c[k]) >= at[k] - ON_IT_MM
        });
        let Some(normal) = mesh.normal(t).filter(|n| near && n.dot(direction) > 0.0) else { continue };
        let distance = (closest_point_on_triangle(&at, &a, &b, &c) - at).norm();
        if distance <= ON_IT_MM && best.is_none_or(|(least, _)| distance < least) {
            best = Some((distance, normal));
        }
    }
    best.map(|(_, normal)| normal)
}

/// A check point lies on the nominal within this, mm: as drawings round their lists, on a faceted nominal.
const ON_IT_MM: f64 = 0.5;
