//! A feature of the part as rules look at it: its measured surface, a perfect one under the same points, and noise to
//! rehearse with.

use crate::filter::{
    Draws, FilterError, Gaussian, Likely, MOST_POINTS, REHEARSALS, add_correlated, balance, drawn_noise,
    likely, thinned,
};
use crate::geometry::{Direction, Point, Vector};
use crate::nominal::Nominal;
use crate::partition::{Looked, Lost, MeasuredPoint, Partition, Rim, Seen, Tube, strip_mm, turn_seen};
use crate::plan::{BoundFeature, Characteristic, Filter, Situation};
use crate::run::{Run, Stopped};
use crate::tolerance::Surface;

use super::Context;
use super::ideal::under;
use super::sight::Sight;

/// A measured feature.
pub(super) struct Extracted {
    /// As measured: filtered where extremes are taken.
    pub(super) measured: Surface,
    /// Where extremes are taken the same without most of its noise: noise is rehearsed on it.
    pub(super) likely: Option<LikelySurface>,
    /// Of a wall, whose deviations are those of its thickness: its other side, place by place.
    pub(super) across: Option<Vec<(Point, Vector)>>,
    /// As a perfect part would show it at the same places.
    pub(super) perfect: Surface,
    /// Rehearsed noise along each point's normal, mm.
    pub(super) noise: Vec<Draws>,
    /// What was seen of it, with its points before they were thinned.
    pub(super) sight: Sight,
    /// Standard deviation of the noise of a point as it was taken, mm.
    pub(super) noise_mm: f64,
    pub(super) spikes: usize,
    /// Points that stand off the feature, if they are more than strays.
    pub(super) far: Option<String>,
    /// What was left out along its rim or at its ends, mm.
    pub(super) margin_mm: f64,
    /// Whether its points are means over all that lies between them, so that nothing is missed between two.
    pub(super) tiled: bool,
    /// Points of a wall that were left out because it turns away there; `None` where that was not asked.
    pub(super) not_straight: Option<usize>,
}

/// A surface of extremes with most of its noise taken out.
pub(super) struct LikelySurface {
    pub(super) surface: Surface,
    /// What of each draw of the noise is still in it, mm along each point's normal.
    pub(super) kept: Vec<Draws>,
    /// Nothing finer than this was told from noise by itself, mm.
    pub(super) finest_mm: f64,
}

impl LikelySurface {
    /// `places` are those of its points on the nominal; nothing finer than `finest_mm` is told from noise by itself.
    ///
    /// # Errors
    /// Only a stop by the caller.
    pub(super) fn new(
        run: &Run,
        measured: &Surface,
        places: &[Point],
        noise: &[Draws],
        finest_mm: f64,
    ) -> Result<Self, Stopped> {
        let Likely { values, kept } = likely(run, places, &measured.deviations_mm, noise, finest_mm)?;
        let moved = |i: usize| {
            measured.points[i] + measured.normals[i].vector() * (values[i] - measured.deviations_mm[i])
        };
        let surface = Surface {
            points: (0..values.len()).map(moved).collect(),
            normals: measured.normals.clone(),
            wall_mm: measured.wall_mm,
            deviations_mm: values,
        };
        Ok(Self { surface, kept, finest_mm })
    }
}

/// Which part of the drawn noise moves a surface.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Drawn {
    /// All of it.
    All,
    /// What the likely surface has kept of it.
    Kept,
    /// What it has not.
    Rest,
}

/// Raw points beyond this are drawn evenly: a fit then errs by their noise, which is rehearsed as such.
const MOST_RAW: usize = 50_000;

/// Fewer points tell no surface.
const LEAST_POINTS: usize = 6;

/// More points than this beyond reach of a feature are no stray: something stands off it that was not measured.
const MOST_FAR: usize = 10;

/// The axis of a wall whose ends are left out along it; other features lose a strip along their rim.
fn wall_axis(situation: &Situation) -> Option<(Point, Direction)> {
    match *situation {
        Situation::Hole { at, axis, .. }
        | Situation::Slot { at, axis, .. }
        | Situation::Cylinder { at, axis, .. }
        | Situation::Cone { at, axis, .. } => Some((at, axis)),
        _ => None,
    }
}

/// The points of a feature, without what scanners round at its ends or rim.
struct Raw {
    points: Vec<MeasuredPoint>,
    rim: Rim,
    margin_mm: f64,
    spacing_mm: f64,
    far: Option<String>,
    not_straight: Option<usize>,
}

/// `straight` where chamfers, rounded arrises, burrs and breakout at the ends of a wall are none of it.
fn raw(
    context: &Context,
    bound: &BoundFeature,
    partition: &Partition,
    straight: bool,
) -> Result<Raw, Stopped> {
    let (nominal, scan) = (context.nominal, context.scan);
    context.run.check()?;
    let rim = Rim::new(nominal, &bound.triangles);
    let tell = |(count, at): (usize, Point)| {
        format!(
            "{count} points stand further off the feature than can be measured, or face another way, near x {:.1}, y \
             {:.1}, z {:.1}",
            at.x, at.y, at.z
        )
    };
    let many = |found: &(usize, Point)| found.0 > MOST_FAR;
    let mut not_straight = None;
    let (points, margin_mm, spacing_mm) = if let Some((at, axis)) = wall_axis(&bound.situation) {
        let along = |p: &Point| (p - at).dot(&axis.vector());
        let (low, high) = extent(nominal, &bound.triangles, along);
        let margin = strip_mm(high - low);
        let tube = Tube::of(&bound.situation).filter(|_| straight);
        // Of an opening whose points have normals of their own, what scanners round is told by how it lies; else the skins beside it
        // may be among them.
        let opening = matches!(bound.situation, Situation::Hole { .. } | Situation::Slot { .. });
        let from = if tube.is_some() && opening && scan.took_normals() { 0.0 } else { margin };
        let member = members(nominal, &bound.triangles);
        // By where they stand on the nominal: noise moves the points of a cone along its axis too, and would choose at its ends
        // those that open it (0.9 mm of a countersink at 0.02 mm of noise by half a degree).
        let mut points: Vec<MeasuredPoint> = partition
            .among(scan, &member)
            .filter(|p| (low + from..=high - from).contains(&along(&p.foot(nominal))))
            .collect();
        let spacing_mm = scan.spacing_among(points.iter().map(|p| p.index));
        if let Some(tube) = tube {
            let places: Vec<Point> = points.iter().map(|p| p.point).collect();
            let deep = [low + from, high - from];
            let sound = tube.sound(&places, deep, margin - from, spacing_mm, context.noise_mm);
            let mut next = sound.iter();
            points.retain(|_| next.next().is_none_or(|s| *s));
            not_straight = Some(places.len() - points.len());
        }
        (points, margin, spacing_mm)
    } else {
        let feature = partition.feature(scan, nominal, &bound.triangles, &rim);
        (feature.points, feature.margin_mm, feature.spacing_mm)
    };
    context.run.check()?;
    let far = partition.far_from(scan, nominal, &bound.triangles, &rim, margin_mm).filter(many).map(tell);
    Ok(Raw { points, rim, margin_mm, spacing_mm, far, not_straight })
}

/// How much of a feature the `used` points show: of a wall no more than of its turn, and, where its depth is measured too,
/// no more than of its area. `rest` are its points that gave no value.
fn sight(
    context: &Context,
    bound: &BoundFeature,
    partition: &Partition,
    raw: &Raw,
    [used, rest]: [&[MeasuredPoint]; 2],
) -> Result<Sight, Stopped> {
    let of_area = || {
        let (nominal, triangles) = (context.nominal, &bound.triangles);
        let looked = Looked::at_surface(
            context.run,
            nominal,
            triangles,
            &raw.rim,
            raw.margin_mm,
            used,
            raw.spacing_mm,
        )?;
        let lost = Lost::over(nominal, context.scan, partition, triangles, rest);
        Sight::of_surface(context, &looked, &lost, bound.area_mm2, used.len())
    };
    let round = matches!(
        bound.situation,
        Situation::Hole { .. } | Situation::Cylinder { .. } | Situation::Cone { .. }
    );
    let Some((at, axis)) = wall_axis(&bound.situation).filter(|_| round) else { return of_area() };
    let places: Vec<Point> = used.iter().map(|p| p.point).collect();
    let turn = turn_seen(&places, at, axis, mean_radius(&bound.situation, &places), raw.spacing_mm);
    let facing = turn.unseen_at.and_then(|p| under(&bound.situation, &p, axis)).map(|on| on.normal);
    let of_turn = Sight::of_turn(turn, facing, bound.area_mm2, used.len());
    if super::rules::is_short(context.nominal, bound) {
        return Ok(of_turn);
    }
    let area = of_area()?;
    let (wider, narrower) =
        if of_turn.seen.fraction <= area.seen.fraction { (of_turn, area) } else { (area, of_turn) };
    let disc = if narrower.seen.largest_unseen_disc_mm > wider.seen.largest_unseen_disc_mm {
        narrower.seen
    } else {
        wider.seen
    };
    Ok(Sight { seen: Seen { fraction: wider.seen.fraction, ..disc }, ..wider })
}

/// Where a nominal wall begins and ends along its axis, mm from its place; `None` for what has none.
pub(super) fn wall_mm(nominal: &Nominal, bound: &BoundFeature) -> Option<[f64; 2]> {
    let (at, axis) = wall_axis(&bound.situation)?;
    let (low, high) = extent(nominal, &bound.triangles, |p| (p - at).dot(&axis.vector()));
    (high > low).then_some([low, high])
}

/// The radius at which a turn is seen, mm.
fn mean_radius(situation: &Situation, places: &[Point]) -> f64 {
    match *situation {
        Situation::Hole { diameter_mm: Some(d), .. } | Situation::Cylinder { diameter_mm: d, .. } => 0.5 * d,
        Situation::Cone { radius_mm, .. } => radius_mm,
        Situation::Hole { at, axis, diameter_mm: None } => {
            let away = |p: &Point| (p - at - axis.vector() * (p - at).dot(&axis.vector())).norm();
            places.iter().map(away).sum::<f64>() / places.len().max(1) as f64
        }
        _ => 0.0,
    }
}

fn members(nominal: &Nominal, triangles: &[u32]) -> Vec<bool> {
    let mut member = vec![false; nominal.mesh().triangles().len()];
    for &t in triangles {
        member[t as usize] = true;
    }
    member
}

fn extent(nominal: &Nominal, triangles: &[u32], along: impl Fn(&Point) -> f64) -> (f64, f64) {
    let corners = triangles.iter().flat_map(|&t| nominal.mesh().corners(t));
    corners.map(|c| along(&c)).fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), x| (l.min(x), h.max(x)))
}

impl Extracted {
    /// Takes a feature from the scan as it lies by `partition`; with `filter`, extremes may be taken of it. `seed`
    /// and its number among the surfaces of a value tell its noise from that of others; `straight` where a wall is wanted without what turns away at its ends.
    ///
    /// The outer error is a stop by the caller, the inner one why there is no surface.
    pub(super) fn new(
        context: &Context,
        bound: &BoundFeature,
        partition: &Partition,
        filter: Option<&Filter>,
        (seed, surface): (u64, usize),
        straight: bool,
    ) -> Result<Result<Self, String>, Stopped> {
        if bound.triangles.is_empty() {
            let problem = "is placed by numbers and not picked on the nominal, so it takes measured points";
            return Ok(Err(format!("{}: it {problem}", bound.id)));
        }
        let raw = raw(context, bound, partition, straight)?;
        let points = &raw.points;
        if points.len() < LEAST_POINTS {
            return Ok(Err(format!(
                "only {} points of the scan lie on {}, at least {LEAST_POINTS} are needed",
                points.len(),
                bound.id
            )));
        }
        let mesh = context.nominal.mesh();
        let mut full = Surface::default();
        let mut feet = Vec::with_capacity(points.len());
        for p in points {
            let facet = mesh.normal(p.triangle).expect("points are only given to triangles with a normal");
            let (foot, normal, deviation) = match under(&bound.situation, &p.point, facet) {
                Some(on) => (on.foot, on.normal, on.deviation_mm),
                None => (p.point - facet.vector() * p.deviation_mm, facet, p.deviation_mm),
            };
            feet.push(foot);
            full.points.push(p.point);
            full.normals.push(normal);
            full.deviations_mm.push(deviation);
        }
        let nesting_mm = filter.map_or(context.cell_mm, |f| f.nesting_index_mm);
        let correlated = &context.inputs.correlated;
        let gaussian = Gaussian::new(full.points.clone(), &full.normals, nesting_mm);
        let mut gaussian = gaussian.with_correlated(correlated);
        let (values, own_noise, spikes) = match gaussian.apply(context.run, &full.deviations_mm) {
            Ok(filtered) => (Some(filtered.value), filtered.noise_mm, filtered.spikes),
            Err(FilterError::Stopped(stopped)) => return Err(stopped),
            Err(error) if filter.is_some() => return Ok(Err(format!("{}: {error}", bound.id))),
            // Without extremes a stray weighs little among many; too few to tell them stay as they are.
            Err(_) => (None, 0.0, 0),
        };
        let noise_mm = own_noise.max(context.noise_mm);
        let supported = |i: &u32| values.as_ref().is_none_or(|v| v[*i as usize].is_some());
        let all: Vec<u32> = (0..points.len() as u32).filter(supported).collect();
        // Seen is only what the filter could give a value to.
        let used: Vec<MeasuredPoint> = all.iter().map(|&i| points[i as usize]).collect();
        let rest = (0..points.len() as u32).filter(|i| !supported(i));
        let rest: Vec<MeasuredPoint> = rest.map(|i| points[i as usize]).collect();
        let sight = sight(context, bound, partition, &raw, [&used, &rest])?;
        let value = |i: u32| match (&values, filter) {
            (Some(v), Some(_)) => v[i as usize].unwrap_or(full.deviations_mm[i as usize]),
            _ => full.deviations_mm[i as usize],
        };
        let wanted = if filter.is_some() && all.len() > MOST_POINTS {
            thinned(&full.points, &all, &value, nesting_mm)
        } else if filter.is_none() && all.len() > MOST_RAW {
            let every = all.len().div_ceil(MOST_RAW);
            all.iter().copied().step_by(every).collect()
        } else {
            all
        };
        let noise = match filter {
            Some(_) => gaussian.passed_noise(context.run, &wanted, noise_mm, seed)?,
            None => {
                let mut noise = drawn_noise(wanted.len(), noise_mm, seed);
                let at = |k: usize| {
                    let i = wanted[k] as usize;
                    (full.points[i], full.normals[i].vector())
                };
                balance(&mut noise, at, noise_mm, surface);
                add_correlated(&mut noise, at, correlated);
                noise
            }
        };
        let pick = |of: &dyn Fn(usize) -> Point| wanted.iter().map(|&i| of(i as usize)).collect::<Vec<_>>();
        let normals: Vec<Direction> = wanted.iter().map(|&i| full.normals[i as usize]).collect();
        let moved =
            |i: usize| full.points[i] + full.normals[i].vector() * (value(i as u32) - full.deviations_mm[i]);
        let wall_mm = wall_mm(context.nominal, bound);
        let measured = Surface {
            points: pick(&moved),
            normals: normals.clone(),
            deviations_mm: wanted.iter().map(|&i| value(i)).collect(),
            wall_mm,
        };
        let perfect =
            Surface { points: pick(&|i| feet[i]), normals, deviations_mm: vec![0.0; wanted.len()], wall_mm };
        Ok(Ok(Self {
            likely: filter
                .map(|f| {
                    LikelySurface::new(context.run, &measured, &perfect.points, &noise, f.nesting_index_mm)
                })
                .transpose()?,
            measured,
            across: None,
            perfect,
            noise,
            sight,
            noise_mm,
            spikes,
            far: raw.far,
            margin_mm: raw.margin_mm,
            tiled: false,
            not_straight: raw.not_straight,
        }))
    }

    /// What is missing of it, by the needs of a characteristic.
    pub(super) fn missing(&self, characteristic: &Characteristic) -> Option<String> {
        self.far.clone().or_else(|| self.sight.missing(characteristic))
    }

    /// A surface with the noise of one draw, or a part of it, along its normals.
    pub(super) fn rehearsed(&self, surface: &Surface, draw: usize, drawn: Drawn) -> Surface {
        debug_assert!(draw < REHEARSALS);
        let all = |i: usize| f64::from(self.noise[i][draw]);
        let kept = |i: usize| self.likely.as_ref().map_or(0.0, |l| f64::from(l.kept[i][draw]));
        let along = |i: usize| match drawn {
            Drawn::All => all(i),
            Drawn::Kept => kept(i),
            Drawn::Rest => all(i) - kept(i),
        };
        Surface {
            points: (0..surface.points.len())
                .map(|i| surface.points[i] + surface.normals[i].vector() * along(i))
                .collect(),
            normals: surface.normals.clone(),
            deviations_mm: surface.deviations_mm.iter().enumerate().map(|(i, d)| d + along(i)).collect(),
            wall_mm: surface.wall_mm,
        }
    }
}
