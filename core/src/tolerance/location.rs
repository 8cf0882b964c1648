//! What the rules of orientation and location have in common: numbers of zones, and how a feature's place becomes
//! residuals.

use super::axis::{self, Of, Round, StraightAxis, straight_axis};
use super::centre_plane::centre_plane;
use super::flanks::{STRAIGHT_MIDDLE, has_straight_middle, straight_middle};
use super::material::{MaterialCondition, no_size};
use super::movement::{Gauge, Residual, Settled};
use super::symmetry::{between_planes, mean, middles};
use super::{Against, Found, Instance, Leeway, Number, RuleError, Surface};
use crate::associate::slot;
use crate::geometry::{Direction, Point, Twist, Vector};
use crate::plan::{Situation, StandardSystem, Zone};
use crate::run::Run;
use std::ops::Range;

/// The piece of an axis outside the part that a projected zone holds (ISO 10578; ISO 1101:2017, P).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Projected {
    /// A place on the surface that it starts from, mm.
    pub from: Point,
    /// Out of the material, along the nominal axis.
    pub towards: Direction,
    /// Its length, mm.
    pub length_mm: f64,
}

/// The one height at which the place of an axis is asked.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Level {
    /// A place on the surface over which the height is told, mm.
    pub from: Point,
    /// Out of the material.
    pub towards: Direction,
    /// The height, mm.
    pub height_mm: f64,
}

/// What a location or orientation must know of a feature.
#[derive(Clone, Debug)]
pub(super) struct Wanted<'a> {
    pub(super) situation: &'a Situation,
    pub(super) axis: Option<Direction>,
    pub(super) zone: &'a Zone,
    pub(super) condition: Option<&'a MaterialCondition>,
    pub(super) projected: Option<&'a Projected>,
    pub(super) level: Option<&'a Level>,
    pub(super) standard: StandardSystem,
    pub(super) cell_mm: f64,
}

impl Wanted<'_> {
    /// With what the feature is associated; where its surface itself is held against a boundary, by least squares.
    fn envelope(&self, by_its_surface: bool) -> Of {
        match self.condition {
            Some(_) if by_its_surface => Of::LeastSquares,
            Some(condition) => condition.envelope(),
            None => Of::regardless(self.standard),
        }
    }
}

/// A feature ready to be moved.
#[derive(Clone, Debug)]
pub(super) struct Placed {
    pub(super) residuals: Vec<Residual>,
    /// Its own middle, where it should be, and the directions along which that is told.
    pub(super) middle: Option<(Point, Point, Along)>,
    /// What the limit grows by, mm.
    pub(super) bonus_mm: Option<f64>,
    pub(super) how: String,
    /// By which method a material condition was applied.
    pub(super) method: Option<&'static str>,
}

/// Along what a place is told.
#[derive(Clone, Copy, Debug)]
pub(super) enum Along {
    All,
    Across(Direction),
    Only(Vector),
}

impl Along {
    pub(super) fn of(self, v: Vector) -> Vector {
        match self {
            Self::All => v,
            Self::Across(axis) => v - axis.vector() * axis.vector().dot(&v),
            Self::Only(way) => way * way.dot(&v),
        }
    }
}

/// How the size of a round feature is used at a material condition.
const BY_SURFACE: &str = "surface";
const BY_AXIS: &str = "axis, with a bonus";
const BY_EXTENDED: &str = "boundary against the extended envelope";

/// Brings a feature into the form in which it is moved.
pub(super) fn placed(run: &Run, surface: &Surface, wanted: &Wanted) -> Result<Placed, RuleError> {
    match *wanted.situation {
        Situation::Plane { at, normal } => {
            if wanted.condition.is_some() {
                return Err(no_size());
            }
            flat_zone(wanted.zone)?;
            let gauge = Gauge::Plane { at, normal: normal.vector() };
            let residuals = between_planes(&surface.points, gauge);
            Ok(Placed { residuals, middle: None, bonus_mm: None, how: "points".into(), method: None })
        }
        Situation::Sphere { at, hollow, .. } => ball(run, surface, wanted, at, hollow),
        Situation::Width { at, across, .. } => {
            flat_zone(wanted.zone)?;
            flanked(run, surface, wanted, at, across.vector())
        }
        Situation::Slot { at, axis, along, .. } => {
            let across = axis.vector().cross(&along.vector());
            match wanted.zone {
                Zone::Slab { across: Some(given), .. } if given.vector().dot(&across).abs() < 0.7 => {
                    slot_centre(surface, wanted, at, axis, Some(*given))
                }
                Zone::Slab { .. } => flanked(run, surface, wanted, at, across),
                Zone::Round { .. } => slot_centre(surface, wanted, at, axis, None),
            }
        }
        _ => {
            let round = Round::of(wanted.situation).ok_or_else(|| {
                RuleError::Missing("the feature has no plane, axis or centre of its own".into())
            })?;
            of_axis(run, surface, wanted, &round)
        }
    }
}

fn flat_zone(zone: &Zone) -> Result<(), RuleError> {
    match zone {
        Zone::Slab { .. } => Ok(()),
        Zone::Round { .. } => {
            Err(RuleError::Missing("a plane has a zone between two planes; give its width".into()))
        }
    }
}

/// The virtual boundary by the points of the surface.
fn by_surface(
    surface: &Surface,
    wanted: &Wanted,
    condition: &MaterialCondition,
    middle: Option<(Point, Point, Along)>,
    how: String,
) -> Result<Placed, RuleError> {
    let residuals = condition.boundary(surface, wanted.situation)?;
    Ok(Placed { residuals, middle, bonus_mm: None, how, method: Some(BY_SURFACE) })
}

fn ball(run: &Run, surface: &Surface, wanted: &Wanted, at: Point, hollow: bool) -> Result<Placed, RuleError> {
    // By the surface the centre is told beside the number only.
    let by_its_surface = wanted.condition.filter(|_| wanted.standard == StandardSystem::Iso);
    let of = wanted.envelope(by_its_surface.is_some());
    let (centre, size, how) = axis::centre(run, &surface.points, hollow, of)?;
    let middle = Some((centre, at, Along::All));
    if let Some(condition) = by_its_surface {
        return by_surface(surface, wanted, condition, middle, how);
    }
    let bonus_mm = wanted.condition.map(|c| c.bonus(hollow, size));
    let less = bonus_mm.unwrap_or(0.0);
    let gauge = match wanted.zone {
        Zone::Round { .. } => Gauge::Centre { at },
        Zone::Slab { across: Some(across), .. } => Gauge::Plane { at, normal: across.vector() },
        Zone::Slab { across: None, .. } => return Err(no_across()),
    };
    let method = wanted.condition.map(|_| BY_AXIS);
    Ok(Placed { residuals: of_places(&[centre], gauge, less), middle, bonus_mm, how, method })
}

fn flanked(
    run: &Run,
    surface: &Surface,
    wanted: &Wanted,
    at: Point,
    across: Vector,
) -> Result<Placed, RuleError> {
    let straight = has_straight_middle(wanted.situation, wanted.axis, wanted.standard);
    if let Some(axis) = wanted.axis.filter(|_| straight && wanted.condition.is_none()) {
        let found = straight_middle(wanted.situation, axis, surface)?;
        return Ok(Placed {
            residuals: between_planes(&found.ends, Gauge::Plane { at, normal: across }),
            middle: Some((found.middle, at, Along::Only(across))),
            bonus_mm: None,
            how: STRAIGHT_MIDDLE.into(),
            method: None,
        });
    }
    let (places, place, how) = match wanted.standard {
        StandardSystem::Iso => {
            let places = middles(run, surface, wanted.situation, wanted.cell_mm)?;
            let place = mean(&places);
            (places, place, format!("middles of both flanks in cells of {} mm", wanted.cell_mm))
        }
        StandardSystem::Asme => {
            let found = centre_plane(run, surface, wanted.situation, wanted.axis)?;
            (found.places, found.middle, found.how)
        }
    };
    let middle = Some((place, at, Along::Only(across)));
    if let Some(condition) = wanted.condition {
        // By ASME too: its surface method, since what two flanks leave free about the true middle is what their points say.
        return by_surface(surface, wanted, condition, middle, how);
    }
    let residuals = between_planes(&places, Gauge::Plane { at, normal: across });
    Ok(Placed { residuals, middle, bonus_mm: None, how, method: None })
}

/// The centre of a slot with both its round ends.
fn slot_centre(
    surface: &Surface,
    wanted: &Wanted,
    at: Point,
    axis: Direction,
    across: Option<Direction>,
) -> Result<Placed, RuleError> {
    if wanted.condition.is_some() {
        return Err(RuleError::Missing(
            "a material condition of a slot is for its width; give the zone across it".into(),
        ));
    }
    let fit = slot(&surface.points, axis)?;
    let (gauge, along) = match across {
        Some(across) => (Gauge::Plane { at, normal: across.vector() }, Along::Only(across.vector())),
        None => (Gauge::Axis { at, axis: axis.vector() }, Along::Across(axis)),
    };
    Ok(Placed {
        residuals: of_places(&[fit.centre], gauge, 0.0),
        middle: Some((fit.centre, at, along)),
        bonus_mm: None,
        how: "least squares slot".into(),
        method: None,
    })
}

fn of_axis(run: &Run, surface: &Surface, wanted: &Wanted, round: &Round) -> Result<Placed, RuleError> {
    let iso = wanted.standard == StandardSystem::Iso;
    let zone_is_round = matches!(wanted.zone, Zone::Round { .. });
    let by_its_surface = wanted.condition.filter(|_| iso && zone_is_round && wanted.projected.is_none());
    let of = wanted.envelope(by_its_surface.is_some());
    let straight = straight_axis(run, surface, round, wanted.axis, of)?;
    let middle = Some((straight.middle(), round.at, Along::Across(round.axis)));
    if let Some(condition) = by_its_surface {
        return by_surface(surface, wanted, condition, middle, straight.how);
    }
    let gauge = match *wanted.zone {
        Zone::Round { .. } => Gauge::Axis { at: round.at, axis: round.axis.vector() },
        Zone::Slab { across: Some(across), .. } => Gauge::Plane { at: round.at, normal: across.vector() },
        Zone::Slab { across: None, .. } => return Err(no_across()),
    };
    let ends = match (wanted.projected, wanted.level) {
        (Some(projected), _) => prolonged(&straight, projected)?.to_vec(),
        (None, Some(level)) => vec![at_level(&straight, level)?],
        (None, None) => straight.ends.to_vec(),
    };
    let Some(condition) = wanted.condition else {
        let residuals = of_places(&ends, gauge, 0.0);
        return Ok(Placed { residuals, middle, bonus_mm: None, how: straight.how, method: None });
    };
    let size = straight.diameter_mm.ok_or_else(no_size)?;
    let (less, bonus_mm, method) = match wanted.standard {
        // Outside the material there is no surface: there, and between planes, the boundary is held against the envelope
        // itself, prolonged (ISO 10578 and ISO 2692, as we read them; from memory).
        StandardSystem::Iso => (condition.departure(round.hollow, size), None, BY_EXTENDED),
        StandardSystem::Asme => {
            let bonus = condition.bonus(round.hollow, size);
            (bonus, Some(bonus), BY_AXIS)
        }
    };
    let residuals = of_places(&ends, gauge, less);
    Ok(Placed { residuals, middle, bonus_mm, how: straight.how, method: Some(method) })
}

/// Twice the distance of places from the middle of a zone.
pub(super) fn of_places(places: &[Point], gauge: Gauge, less: f64) -> Vec<Residual> {
    let mut all = match gauge {
        Gauge::Plane { .. } => between_planes(places, gauge),
        _ => places.iter().map(|&place| Residual { place, gauge, factor: 2.0, less: 0.0 }).collect(),
    };
    for r in &mut all {
        r.less = less;
    }
    all
}

/// Both ends of the projected piece of an axis.
fn prolonged(straight: &StraightAxis, projected: &Projected) -> Result<[Point; 2], RuleError> {
    let (towards, along) = (projected.towards.vector(), straight.along.vector());
    let cos = along.dot(&towards);
    if !(projected.length_mm.is_finite() && projected.length_mm > 0.0 && cos.abs() >= 0.5) {
        return Err(RuleError::Missing(
            "a projected zone needs a length above 0 and a direction along the axis, out of the material"
                .into(),
        ));
    }
    let at = straight.ends[0];
    let height = towards.dot(&(at - projected.from));
    Ok([0.0, projected.length_mm].map(|h| at + along * ((h - height) / cos)))
}

/// Where an axis passes one height.
fn at_level(straight: &StraightAxis, level: &Level) -> Result<Point, RuleError> {
    let (towards, along) = (level.towards.vector(), straight.along.vector());
    let cos = along.dot(&towards);
    if !(level.height_mm.is_finite() && cos.abs() >= 0.5) {
        let problem =
            "a position at a height needs an axis that rises from the surface over which the height is told";
        return Err(RuleError::Missing(problem.into()));
    }
    let at = straight.ends[0];
    Ok(at + along * ((level.height_mm - towards.dot(&(at - level.from))) / cos))
}

pub(super) fn no_across() -> RuleError {
    RuleError::Missing("a zone between two planes needs to know across what it is; give `across`".into())
}

/// What the datums leave, in words.
pub(super) fn leeway_words(leeway: &Leeway) -> String {
    match (leeway.free.len(), leeway.bounds.len()) {
        (0, _) if !leeway.zone_shifts => "held".into(),
        (free, bounds) if leeway.zone_shifts => {
            format!("{free} free within {bounds} boundaries, and the zone in its shifts")
        }
        (free, 0) => format!("{free} free"),
        (free, bounds) => format!("{free} free within {bounds} boundaries"),
    }
}

/// One number at the worst place as it was measured; below zero where a boundary has room.
pub(super) fn found_of_zone(settled: &Settled, residuals: &[Residual]) -> Found {
    of_largest(residuals, (settled.value, settled.worst))
}

/// The same of a residual that is the largest of some.
pub(super) fn of_largest(residuals: &[Residual], (value, worst): (f64, usize)) -> Found {
    let at = Some(residuals[worst].place);
    Found { numbers: vec![Number { value, against: Against::Both, at }], ..Found::default() }
}

/// The largest of some residuals where the part came to rest, the first of equals: its value, mm, and its index.
pub(super) fn largest(settled: &Settled, residuals: &[Residual]) -> (f64, usize) {
    let mut most = (f64::NEG_INFINITY, 0);
    for (i, r) in residuals.iter().enumerate() {
        let value = settled.residual(r);
        if value > most.0 {
            most = (value, i);
        }
    }
    most
}

/// How the part was moved, in words: the shift of the leeway's centre and the turn about it.
pub(super) fn movement_words(settled: &Settled, leeway: &Leeway) -> String {
    let twist = Twist::of(&settled.motion, leeway.centre);
    let of = |v: Vector, scale: f64| {
        // No minus before a zero.
        let one = |x: f64| format!("{:.4}", if (x * scale).abs() < 5e-5 { 0.0 } else { x * scale });
        [v.x, v.y, v.z].map(one).join(", ")
    };
    let zone = if leeway.zone_shifts {
        format!("; zone shifted by {} mm", of(settled.zone_shift(), 1.0))
    } else {
        String::new()
    };
    let (shift, turn) = (of(twist.shift, 1.0), of(twist.turn, 1e3));
    format!("shifted by {shift} mm and turned by {turn} mrad about x, y, z{zone}")
}

/// The largest residual of each feature where the part came to rest.
pub(super) fn instances(
    settled: &Settled,
    residuals: &[Residual],
    parts: &[Range<usize>],
    plus: &[f64],
) -> Vec<Instance> {
    let largest = |(which, range): (usize, &Range<usize>)| {
        let (value, worst) = largest(settled, &residuals[range.clone()]);
        Instance {
            name: which.to_string(),
            value_mm: (value + plus[which]).max(0.0),
            at: Some(residuals[range.start + worst].place),
        }
    };
    parts.iter().enumerate().map(largest).collect()
}
