//! A round hole from the points of its wall; with its rims in `with_rim`.

use crate::filter::{Correlated, left_over, on_fit};
use crate::geometry::{Direction, Point, Vector};
use crate::nominal::{Carrier, Nominal};
use crate::partition::{Partition, Seen, Tube, strip_mm, turn_seen};
use crate::plan::BoundFeature;
use crate::scan::Scan;

use super::rim::RimPlace;
use super::scatter::Scatter;
use super::with_rim::{concentric, inward};
use super::{FitError, circle};

/// Why a hole could not be associated.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum HoleError {
    /// The bound face is no cylinder.
    #[error("the face bound to the hole is not a cylinder")]
    NoCylinder,
    /// Too few points on the wall.
    #[error(
        "only {got} points lie on the wall of the hole; at least {need} are needed: scan it from a slant"
    )]
    TooFewPoints {
        /// Points needed.
        need: usize,
        /// Points there.
        got: usize,
    },
    /// The circle could not be associated.
    #[error(transparent)]
    Fit(#[from] FitError),
}

/// What told where a hole lies.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ToldBy {
    /// Its wall alone.
    Wall,
    /// Its wall, and where that was not seen the ends of the skins.
    WallAndRim,
    /// The ends of the skins alone.
    Rim,
}

impl ToldBy {
    /// As records say it.
    pub fn word(self) -> &'static str {
        match self {
            ToldBy::Wall => "wall",
            ToldBy::WallAndRim => "wall and rim",
            ToldBy::Rim => "rim",
        }
    }
}

/// A hole associated with the points of its wall, with its rims, or with both.
#[derive(Clone, Debug, PartialEq)]
pub struct AssociatedHole {
    /// Centre, at the middle of the nominal wall's depth, mm.
    pub centre: Point,
    /// Direction along which the wall was projected.
    pub axis: Direction,
    /// Directions across the axis in which `covariance` is told.
    pub across: (Vector, Vector),
    /// Radius, mm: of the wall, or where none was seen of the rim, which a chamfer or a rounded arris makes larger.
    pub radius_mm: f64,
    /// Covariance of (centre along the first direction across, along the second, radius), mm2, from noise.
    pub covariance: [[f64; 3]; 3],
    /// The same from form, which is seen at as many independent places as the wall is long.
    pub sampling: [[f64; 3]; 3],
    /// Variance of that form, mm2.
    pub form_mm2: f64,
    /// Root mean square distance of the points from the circle, mm.
    pub rms_mm: f64,
    /// Points used.
    pub points: usize,
    /// Points left out because they stand off the wall.
    pub left_out: usize,
    /// Points left out because the wall turns away there: chamfers, rounded arrises, burrs, breakout.
    pub not_straight: usize,
    /// What told it.
    pub by: ToldBy,
    /// How much of the turn was seen.
    pub seen: Seen,
    /// Nominal depth of the wall, mm.
    pub depth_mm: f64,
    /// The points of the wall that were used, mm.
    pub wall: Vec<Point>,
    /// The places of both rims that were used; none where the wall told it alone.
    pub rims: [Vec<RimPlace>; 2],
    /// Standard deviation of the noise by which wall and rims were weighed, mm.
    pub noise_mm: f64,
}

impl AssociatedHole {
    /// A point of the wall with the unit normal out of the material, and how much each freedom of the circle (centre along the
    /// first direction across, along the second, radius) moves the wall along that normal there.
    fn row(&self, i: usize) -> (Point, Vector, [f64; 3]) {
        let (u, v) = self.across;
        let inward = inward(&self.wall[i], &self.centre, self.axis);
        (self.wall[i], inward, [inward.dot(&u), inward.dot(&v), -1.0])
    }

    /// Covariance as `covariance`, from noise that neighbouring points share. `None` where the wall determines no circle.
    pub fn of_shared(&self, shared: &[Correlated]) -> Option<[[f64; 3]; 3]> {
        if shared.is_empty() {
            return Some([[0.0; 3]; 3]);
        }
        on_fit(shared, self.wall.len(), |i| self.row(i)).map(|f| f.covariance)
    }

    /// The same with so much less form as noise that neighbouring points share leaves over about a circle: what is stated of an
    /// instrument is in the noise, and what is seen of it on the wall is no form besides. With rims it stays as it is.
    #[must_use]
    pub fn without_shared(mut self, shared: &[Correlated]) -> Self {
        if self.by == ToldBy::Wall && self.form_mm2 > 0.0 {
            let left = (self.form_mm2 - left_over(shared, self.wall.len(), |i| self.row(i))).max(0.0);
            let share = left / self.form_mm2;
            self.sampling = self.sampling.map(|row| row.map(|c| c * share));
            self.form_mm2 = left;
        }
        self
    }

    /// The same circle on the wall as it would be displaced: how far its centre moves along the first direction across, along
    /// the second, and by how much its radius grows, mm. `by` is asked with a place of the wall or of a rim, the unit normal of
    /// the surface that tells it (of the wall, or of the skin that ends there), and the direction across the axis out of the
    /// material, in which alone it counts. `None` where the displaced places determine no circle.
    pub fn displaced(&self, by: &mut dyn FnMut(&Point, &Vector, &Vector) -> Vector) -> Option<[f64; 3]> {
        let mut there = |p: &Point, facing: Option<Direction>| {
            let across = inward(p, &self.centre, self.axis);
            p + by(p, &facing.map_or(across, Direction::vector), &across)
        };
        let moved: Vec<Point> = self.wall.iter().map(|p| there(p, None)).collect();
        let told = |off: Vector, grown: f64| [off.dot(&self.across.0), off.dot(&self.across.1), grown];
        if self.by == ToldBy::Wall {
            let [still, there] = [circle(&self.wall, self.axis).ok()?, circle(&moved, self.axis).ok()?];
            return Some(told(there.centre - still.centre, there.radius_mm - still.radius_mm));
        }
        let rims: [Vec<RimPlace>; 2] = self.rims.each_ref().map(|rim| {
            rim.iter().map(|r| RimPlace { point: there(&r.point, Some(r.facing)), ..*r }).collect()
        });
        let still = concentric(&self.wall, &self.rims, self.axis, self.noise_mm)?;
        let there = concentric(&moved, &rims, self.axis, self.noise_mm)?;
        Some(told(there.centre - still.centre, there.radius_mm - still.radius_mm))
    }
}

/// Fewer points on a wall do not tell noise from form.
pub(super) const MIN_POINTS: usize = 12;

/// Points this many robust standard deviations off the wall are burrs, threads of fibre or neighbours.
const OFF_WALL: f64 = 6.0;

/// Form repeats within about this length along the wall, so places closer together are no new evidence,
/// mm: the nesting index in common use on moulded surfaces (common practice, no source).
pub(super) const FORM_LENGTH_MM: f64 = 2.5;

/// The wall of a hole as it was seen.
pub(super) struct SeenWall {
    /// Points that stand on it.
    pub(super) points: Vec<Point>,
    pub(super) left_out: usize,
    pub(super) not_straight: usize,
    pub(super) spacing_mm: f64,
    /// Middle of the nominal wall on its axis, mm.
    pub(super) middle: Point,
    pub(super) nominal_radius_mm: f64,
    pub(super) depth_mm: f64,
}

/// The points of a wall without its ends, where scanners round the arris, and without what stands off it or turns away.
pub(super) fn seen_wall(
    partition: &Partition,
    scan: &Scan,
    nominal: &Nominal,
    bound: &BoundFeature,
    axis: Direction,
    noise_mm: f64,
) -> Result<SeenWall, HoleError> {
    let Some(Carrier::Cylinder { point, axis: nominal_axis, radius_mm, .. }) = bound.carrier else {
        return Err(HoleError::NoCylinder);
    };
    let along = |p: &Point| (p - point).dot(&nominal_axis.vector());
    let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
    let mut member = vec![false; nominal.mesh().triangles().len()];
    for &t in &bound.triangles {
        member[t as usize] = true;
        for corner in nominal.mesh().corners(t) {
            low = low.min(along(&corner));
            high = high.max(along(&corner));
        }
    }
    let depth = high - low;
    // Where each point has a normal of its own, what scanners round is told by how it lies; else skins beside it may be among it.
    let strip = strip_mm(depth);
    let margin = if scan.took_normals() { 0.0 } else { strip };
    let (wall, indices): (Vec<Point>, Vec<u32>) = partition
        .among(scan, &member)
        .filter(|p| (low + margin..=high - margin).contains(&along(&p.point)))
        .map(|p| (p.point, p.index))
        .unzip();
    let spacing_mm = scan.spacing_among(indices.into_iter());
    let middle = point + nominal_axis.vector() * (0.5 * (low + high));
    let mut seen = SeenWall {
        points: wall,
        left_out: 0,
        not_straight: 0,
        spacing_mm,
        middle,
        nominal_radius_mm: radius_mm,
        depth_mm: depth,
    };
    if seen.points.len() < MIN_POINTS {
        return Ok(seen);
    }
    if let Some(first) = Direction::new(nominal_axis.frame().0) {
        let tube = Tube { at: middle, axis: nominal_axis, along: first, half_mm: 0.0, radius_mm };
        let deep = [margin - 0.5 * depth, 0.5 * depth - margin];
        let sound = tube.sound(&seen.points, deep, strip - margin, spacing_mm, noise_mm);
        let before = seen.points.len();
        let mut next = sound.iter();
        seen.points.retain(|_| next.next().is_none_or(|s| *s));
        seen.not_straight = before - seen.points.len();
    }
    if seen.points.len() < MIN_POINTS {
        return Ok(seen);
    }
    let first = circle(&seen.points, axis)?;
    let [u, v] = first.across.map(Direction::vector);
    let off = |p: &Point| {
        let d = p - first.centre;
        let (x, y) = (d.dot(&u), d.dot(&v));
        ((x * x + y * y).sqrt() - first.radius_mm).abs()
    };
    let mut sizes: Vec<f64> = seen.points.iter().map(&off).collect();
    let half = sizes.len() / 2;
    let scatter = 1.482_602_218_505_602 * *sizes.select_nth_unstable_by(half, f64::total_cmp).1;
    let limit = OFF_WALL * scatter.max(noise_mm).max(1e-6);
    let before = seen.points.len();
    seen.points.retain(|p| off(p) <= limit);
    seen.left_out = before - seen.points.len();
    Ok(seen)
}

/// Associates a hole with the wall points of a partition: projected along `axis` (for a wall shorter than its
/// diameter the wall itself cannot tell its axis), then a least-squares circle. Left out are the ends of the wall, where
/// scanners round the arris, and what turns away from it (`partition::sound`).
///
/// # Errors
/// Too few points, or points that do not determine a circle.
pub fn hole(
    partition: &Partition,
    scan: &Scan,
    nominal: &Nominal,
    bound: &BoundFeature,
    axis: Direction,
    noise_mm: f64,
) -> Result<AssociatedHole, HoleError> {
    let wall = seen_wall(partition, scan, nominal, bound, axis, noise_mm)?;
    if wall.points.len() < MIN_POINTS {
        return Err(HoleError::TooFewPoints { need: MIN_POINTS, got: wall.points.len() });
    }
    let fit = circle(&wall.points, axis)?;
    let n = wall.points.len() as f64;
    let seen = turn_seen(&wall.points, fit.centre, axis, fit.radius_mm, wall.spacing_mm);
    // What the wall scatters beyond the noise is its form.
    let Scatter { noise_mm2, form_mm2 } = Scatter::of_wall(&wall.points, &fit, seen.fraction, noise_mm);
    let places =
        (2.0 * std::f64::consts::PI * wall.nominal_radius_mm * seen.fraction / FORM_LENGTH_MM).max(1.0);
    // Moved along the axis to the middle of the nominal wall.
    let centre = fit.centre + axis.vector() * (wall.middle - fit.centre).dot(&axis.vector());
    let [u, v] = fit.across.map(Direction::vector);
    Ok(AssociatedHole {
        centre,
        axis,
        across: (u, v),
        radius_mm: fit.radius_mm,
        covariance: fit.unit_covariance.map(|row| row.map(|c| c * noise_mm2)),
        sampling: fit.unit_covariance.map(|row| row.map(|c| c * form_mm2 * n / places)),
        form_mm2,
        rms_mm: fit.rms_mm,
        points: wall.points.len(),
        left_out: wall.left_out,
        not_straight: wall.not_straight,
        by: ToldBy::Wall,
        seen,
        depth_mm: wall.depth_mm,
        wall: wall.points,
        rims: [Vec::new(), Vec::new()],
        noise_mm,
    })
}
