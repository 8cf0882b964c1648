//! Places of a nominal wall, each with what faces it across the material.

use rayon::prelude::*;

use super::super::Context;
use crate::geometry::sum::CHUNK;
use crate::geometry::{Direction, Point};
use crate::partition::{Place, Rim, spread};
use crate::plan::{BoundFeature, Thickness, ThicknessDefinition, ZoneArea};
use crate::run::Stopped;

/// A place of a face and the other side of its wall.
#[derive(Clone, Debug)]
pub(super) struct Wall {
    pub(super) at: Point,
    pub(super) triangle: u32,
    /// Out of the material.
    pub(super) normal: Direction,
    /// `None` where the nominal has nothing there that faces it.
    pub(super) other: Option<Other>,
    /// Index of its zone; one more than the last is elsewhere.
    pub(super) zone: usize,
}

/// The other side of a wall.
#[derive(Clone, Copy, Debug)]
pub(super) struct Other {
    pub(super) at: Point,
    pub(super) triangle: u32,
    /// Out of the material.
    pub(super) normal: Direction,
    /// The nominal's own thickness there, mm.
    pub(super) thickness_mm: f64,
}

/// All places of a wall.
pub(super) struct Walls {
    pub(super) places: Vec<Wall>,
    pub(super) pitch_mm: f64,
    /// Share of the face's area in the strips along rims and sharp edges, which are left out.
    pub(super) strip: f64,
    /// Share of what is left that does not face the named opposite feature, and so has no thickness to it.
    pub(super) elsewhere: f64,
    /// Places left out because a patch there would mix two zones.
    pub(super) at_borders: usize,
}

/// Places lie this part of a patch's radius apart, so that between them the mean over a patch hardly changes.
const PITCH: f64 = 0.5;
/// Most places of one face.
const MOST_PLACES: f64 = 20_000.0;
/// A face has so many places at least, however wide the patch is.
const LEAST_PLACES: f64 = 100.0;
/// The line starts on the face itself, which it does not cross.
const OFF_MM: f64 = 1e-6;
/// The other side of a wall turns by no more than 45 degrees: beyond that it is an end of the wall. Our own choice.
const FACING: f64 = 0.7;
/// A ball that reaches out of the wall by a twentieth of its radius on the near side does not fit there. Our own choice.
const INSIDE: f64 = 0.95;
/// Steps of a shrinking ball.
const MOST_STEPS: usize = 60;

/// Where one wall's places lie and end.
pub(super) struct Strips<'a> {
    /// The rim of the face, and how far from it places stay, mm.
    pub(super) rim: (&'a Rim, f64),
    /// Sharp edges of the nominal, and how far from them the other side stays, mm.
    pub(super) sharp: (&'a Rim, f64),
}

impl Walls {
    /// Places spread over a face, half the radius of a patch apart unless these are too many.
    pub(super) fn new(
        context: &Context,
        bound: &BoundFeature,
        required: &Thickness,
        strips: &Strips,
    ) -> Result<Self, Stopped> {
        let area = bound.area_mm2;
        let pitch_mm = (PITCH * required.patch_radius_mm)
            .min((area / LEAST_PLACES).sqrt())
            .max((area / MOST_PLACES).sqrt())
            .max(1e-6);
        let opposite = required.opposite.and_then(|o| context.faces.features.get(o));
        let zones = zones(context, required);
        let all = spread(context.nominal, &bound.triangles, pitch_mm);
        let one = |place: &Place| -> Taken {
            if strips.rim.0.nearer_than(&place.at, strips.rim.1) {
                return Taken::Strip;
            }
            let Some(normal) = context.nominal.mesh().normal(place.triangle) else { return Taken::Strip };
            let other = other(context, required, place, normal);
            if let Some(opposite) = opposite
                && other.is_none_or(|o| opposite.triangles.binary_search(&o.triangle).is_err())
            {
                return Taken::Elsewhere;
            }
            if other.is_some_and(|o| strips.sharp.0.nearer_than(&o.at, strips.sharp.1)) {
                return Taken::Strip;
            }
            let mut zone = zones.len();
            for (i, z) in zones.iter().enumerate() {
                if z.parted && z.border(place, other.as_ref(), required.patch_radius_mm) {
                    return Taken::Border;
                }
                if zone == zones.len() && z.holds(place, other.as_ref()) {
                    zone = i;
                }
            }
            Taken::Place(Wall { at: place.at, triangle: place.triangle, normal, other, zone })
        };
        let taken: Result<Vec<Vec<Taken>>, Stopped> = all
            .par_chunks(CHUNK / 8)
            .map(|chunk| {
                context.run.check()?;
                Ok(chunk.iter().map(one).collect())
            })
            .collect();
        let (mut places, mut strip, mut elsewhere, mut at_borders) = (Vec::new(), 0usize, 0usize, 0usize);
        for taken in taken?.into_iter().flatten() {
            match taken {
                Taken::Place(wall) => places.push(wall),
                Taken::Strip => strip += 1,
                Taken::Elsewhere => elsewhere += 1,
                Taken::Border => at_borders += 1,
            }
        }
        let share = |n: usize, of: usize| n as f64 / of.max(1) as f64;
        Ok(Self {
            strip: share(strip, all.len()),
            elsewhere: share(elsewhere, all.len() - strip),
            places,
            pitch_mm,
            at_borders,
        })
    }
}

/// What becomes of a place.
enum Taken {
    Place(Wall),
    Strip,
    Elsewhere,
    Border,
}

/// A zone of nominal thickness, ready to be asked.
struct Zone<'a> {
    area: ZoneArea,
    triangles: &'a [u32],
    rim: Option<Rim>,
    /// Whether a patch across its border would mix two nominal thicknesses.
    parted: bool,
}

fn zones<'a>(context: &'a Context, required: &Thickness) -> Vec<Zone<'a>> {
    let stated = |t: &crate::plan::ThicknessTarget| t.nominal.stated_mm().is_some();
    required
        .zones
        .iter()
        .map(|z| {
            let triangles: &[u32] = match z.area {
                ZoneArea::Feature(f) => context.faces.features.get(f).map_or(&[], |f| &f.triangles),
                ZoneArea::Ball { .. } => &[],
            };
            let parted = stated(&z.target) || stated(&required.target);
            let rim = (parted && !triangles.is_empty()).then(|| Rim::new(context.nominal, triangles));
            Zone { area: z.area, triangles, rim, parted }
        })
        .collect()
}

impl Zone<'_> {
    /// On either side: plies drop on the hidden one, while the visible one is one face.
    fn holds(&self, place: &Place, other: Option<&Other>) -> bool {
        let part = |t: u32| self.triangles.binary_search(&t).is_ok();
        match self.area {
            ZoneArea::Feature(_) => part(place.triangle) || other.is_some_and(|o| part(o.triangle)),
            ZoneArea::Ball { at, radius_mm } => (place.at - at).norm() <= radius_mm,
        }
    }

    fn border(&self, place: &Place, other: Option<&Other>, patch_mm: f64) -> bool {
        match self.area {
            ZoneArea::Feature(_) => self.rim.as_ref().is_some_and(|r| {
                r.nearer_than(&place.at, patch_mm) || other.is_some_and(|o| r.nearer_than(&o.at, patch_mm))
            }),
            ZoneArea::Ball { at, radius_mm } => ((place.at - at).norm() - radius_mm).abs() < patch_mm,
        }
    }
}

/// The other side of the wall at a place: the first face that the line into the material meets leaves it, faces the
/// place and lies near enough. So two skins with air between them are never one wall.
fn other(context: &Context, required: &Thickness, place: &Place, normal: Direction) -> Option<Other> {
    let into = normal.reversed();
    let reach = [OFF_MM, required.largest_nominal_mm];
    let met = context.tree.crossing(&place.at, into, reach).filter(|c| c.outwards)?;
    let facet = context.nominal.mesh().normal(met.triangle)?;
    if !(facet.dot(into) >= FACING) {
        return None;
    }
    let across = Other {
        at: place.at + into.vector() * met.along_mm,
        triangle: met.triangle,
        normal: facet,
        thickness_mm: met.along_mm,
    };
    match required.definition {
        ThicknessDefinition::AlongNormal => Some(across),
        ThicknessDefinition::InscribedBall => ball(context, place, normal, across.thickness_mm),
    }
}

/// The largest ball within the wall that touches the place: it shrinks until no face of the other side lies within
/// (Ma, Bae and Choi, "3D medial axis point approximation using nearest neighbors and the normal field", The Visual
/// Computer 28(1), 2012, from memory). Only what faces the place counts: facets of its own side bend into every ball.
fn ball(context: &Context, place: &Place, normal: Direction, across_mm: f64) -> Option<Other> {
    let n = normal.vector();
    let mut radius = 0.5 * across_mm;
    let mut touched = None;
    for _ in 0..MOST_STEPS {
        let centre = place.at - n * radius;
        let found = context.tree.nearest_facing(&centre, normal.reversed(), FACING, radius * (1.0 + 1e-9));
        let Some(foot) = found else { break };
        touched = Some((foot, centre));
        let off = place.at - foot.point;
        let depth = off.dot(&n);
        if !(depth > OFF_MM) {
            return None;
        }
        let next = 0.5 * off.norm_squared() / depth;
        if !(next < radius * (1.0 - 1e-12)) {
            break;
        }
        radius = next;
    }
    let (foot, centre) = touched?;
    let own = context.tree.nearest_facing(&centre, normal, FACING, radius);
    if own.is_some_and(|o| o.distance < INSIDE * radius) {
        return None;
    }
    let facing = Direction::new(foot.point - centre)?;
    let other = Other { at: foot.point, triangle: foot.triangle, normal: facing, thickness_mm: 2.0 * radius };
    (facing.dot(normal.reversed()) >= FACING).then_some(other)
}
