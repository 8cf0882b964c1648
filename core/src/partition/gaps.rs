//! Which parts of a feature were not seen, and why.

use std::collections::BTreeMap;

use super::{Looked, MeasuredPoint, Partition, feet};
use crate::geometry::{Aabb, Direction, Point, Vector, closest_point_on_triangle};
use crate::nominal::Nominal;
use crate::run::{CHECK_EVERY, Run, Stopped};
use crate::scan::Scan;
use crate::search::{PointGrid, clusters};

/// Why a place of a feature has no value. In the order in which they are looked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Why {
    /// Points stand further off than can be measured.
    StandsOff,
    /// Points lie there that face another way.
    FacesAway,
    /// Points lie there, too few for a value.
    TooFew,
    /// No point lies there.
    Unseen,
    /// It was seen, but the other side of the wall was not.
    OtherSide,
    /// Both sides of the wall were seen, by scans of which it is not known how they lie to each other.
    Apart,
    /// The nominal has nothing that faces it across the material.
    NoOtherSide,
}

impl Why {
    /// One lower-case word, as records say it.
    pub fn word(self) -> &'static str {
        match self {
            Why::StandsOff => "stands_off",
            Why::FacesAway => "faces_away",
            Why::TooFew => "too_few",
            Why::Unseen => "unseen",
            Why::OtherSide => "other_side",
            Why::Apart => "apart",
            Why::NoOtherSide => "no_other_side",
        }
    }
}

/// A part of a feature that was not seen.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Gap {
    /// Why most of it was not.
    pub why: Why,
    /// Its share of what was looked at, 0 to 1.
    pub fraction: f64,
    /// The middle of the largest disc in it, mm, on the nominal.
    pub at: Point,
    /// Out of the material there.
    pub normal: Direction,
    /// Diameter of that disc, mm.
    pub disc_mm: f64,
}

/// Where the unseen parts lie, the largest first, and the share that each reason has in all of them.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Gaps {
    /// The largest of them.
    pub gaps: Vec<Gap>,
    /// Shares of what was looked at, 0 to 1.
    pub shares: BTreeMap<Why, f64>,
}

/// The place of a part that is furthest from what was seen; of equals the one nearest to their mean.
fn middle(part: &[usize], places: &[(Point, Option<Direction>, f64)]) -> usize {
    let furthest = part.iter().map(|&i| places[i].2).fold(0.0, f64::max);
    let far: Vec<usize> = part.iter().copied().filter(|&i| places[i].2 >= 0.999 * furthest).collect();
    let mean = far.iter().fold(Vector::zeros(), |s, &i| s + places[i].0.coords) / far.len().max(1) as f64;
    let off = |i: usize| (places[i].0.coords - mean).norm_squared();
    far.iter().copied().min_by(|&a, &b| off(a).total_cmp(&off(b)).then(a.cmp(&b))).unwrap_or(part[0])
}

/// Points that lie over a feature and give no value, each under itself on the nominal, mm.
#[derive(Clone, Debug, Default)]
pub struct Lost {
    /// Beyond reach.
    pub off: Vec<Point>,
    /// Facing another way.
    pub away: Vec<Point>,
    /// With too few others around.
    pub few: Vec<Point>,
}

/// So many gaps are told; the shares hold the rest too.
const MOST_GAPS: usize = 8;
/// Places closer together than this many times their pitch make one gap.
const LINK: f64 = 2.5;

impl Lost {
    /// Over the `triangles` of a feature (ascending), with those of its points that gave no value.
    pub fn over(
        nominal: &Nominal,
        scan: &Scan,
        partition: &Partition,
        triangles: &[u32],
        without_value: &[MeasuredPoint],
    ) -> Self {
        let mut lost = Self { few: feet(nominal, without_value), ..Self::default() };
        for &(index, triangle) in &partition.far {
            if triangles.binary_search(&triangle).is_err() {
                continue;
            }
            let point = partition.part_from_scan.point(&scan.points().at(index as usize));
            let [a, b, c] = nominal.mesh().corners(triangle);
            let foot = closest_point_on_triangle(&point, &a, &b, &c);
            let facing = scan.normals().zip(nominal.mesh().normal(triangle)).is_none_or(|(n, facet)| {
                partition.part_from_scan.direction(n.at(index as usize)).dot(facet) >= partition.min_cos
            });
            if facing { lost.off.push(foot) } else { lost.away.push(foot) }
        }
        lost
    }
}

impl Gaps {
    /// Of what was looked at, by the points that lie there without a value.
    ///
    /// # Errors
    /// Only a stop by the caller.
    pub fn new(run: &Run, nominal: &Nominal, looked: &Looked, lost: &Lost) -> Result<Self, Stopped> {
        if looked.unseen.is_empty() {
            return Ok(Self::default());
        }
        // As near as a place must be to a point to be seen.
        let reach = 1.5 * looked.pitch_mm;
        let by = [(Why::StandsOff, &lost.off), (Why::FacesAway, &lost.away), (Why::TooFew, &lost.few)];
        let grids = by.map(|(why, points)| (why, PointGrid::new(points, reach)));
        let mut reasons = Vec::with_capacity(looked.unseen.len());
        for (i, (place, _)) in looked.unseen.iter().enumerate() {
            if i % CHECK_EVERY == 0 {
                run.check()?;
            }
            let found = grids.iter().find(|(_, grid)| grid.nearest(&place.at, reach, None).is_some());
            reasons.push(found.map_or(Why::Unseen, |f| f.0));
        }
        let places: Vec<_> =
            looked.unseen.iter().map(|(p, d)| (p.at, nominal.mesh().normal(p.triangle), *d)).collect();
        Self::of(run, &places, &reasons, looked.places, looked.pitch_mm)
    }

    /// Of places without a value, each with its normal, its distance from what was seen, mm, and its reason, among
    /// `all` places `pitch_mm` apart.
    ///
    /// # Errors
    /// Only a stop by the caller.
    pub fn of(
        run: &Run,
        places: &[(Point, Option<Direction>, f64)],
        reasons: &[Why],
        all: usize,
        pitch_mm: f64,
    ) -> Result<Self, Stopped> {
        let share = |count: usize| count as f64 / all.max(1) as f64;
        let mut counts: BTreeMap<Why, usize> = BTreeMap::new();
        for why in reasons {
            *counts.entry(*why).or_default() += 1;
        }
        let at: Vec<Point> = places.iter().map(|p| p.0).collect();
        let mut parts: BTreeMap<u32, Vec<usize>> = BTreeMap::new();
        for (i, part) in clusters(&at, LINK * pitch_mm, run)?.into_iter().enumerate() {
            parts.entry(part).or_default().push(i);
        }
        let mut parts: Vec<Vec<usize>> = parts.into_values().collect();
        // Stable: of equals the one with the lower first place.
        parts.sort_by_key(|p| std::cmp::Reverse(p.len()));
        let gaps = parts.iter().take(MOST_GAPS).filter_map(|part| {
            let middle = middle(part, places);
            // Of a part that was not seen at all the distance says nothing, and its own size does.
            let most = Aabb::of(part.iter().map(|&i| &places[i].0)).diagonal() + pitch_mm;
            let mut own: BTreeMap<Why, usize> = BTreeMap::new();
            part.iter().for_each(|&i| *own.entry(reasons[i]).or_default() += 1);
            let why = own.iter().max_by(|a, b| a.1.cmp(b.1).then(b.0.cmp(a.0)))?;
            Some(Gap {
                why: *why.0,
                fraction: share(part.len()),
                at: places[middle].0,
                normal: places[middle].1?,
                disc_mm: (2.0 * places[middle].2).min(most),
            })
        });
        Ok(Self { gaps: gaps.collect(), shares: counts.into_iter().map(|(w, n)| (w, share(n))).collect() })
    }

    /// The one gap of a turn that was seen in part: at the middle of its widest open stretch.
    pub fn of_turn(seen: &super::Seen, normal: Option<Direction>) -> Self {
        let fraction = (1.0 - seen.fraction).max(0.0);
        let (Some(at), Some(normal)) = (seen.unseen_at, normal) else { return Self::default() };
        let gap = Gap { why: Why::Unseen, fraction, at, normal, disc_mm: seen.largest_unseen_disc_mm };
        Self { gaps: vec![gap], shares: BTreeMap::from([(Why::Unseen, fraction)]) }
    }
}
