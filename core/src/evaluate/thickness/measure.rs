//! The thickness at each place of a wall, by a local fit on either side.

use std::sync::atomic::{AtomicBool, Ordering};

use rayon::prelude::*;

use super::super::Context;
use super::side::{Fit, SLOPES, Side, piece};
use super::wall::{Other, Wall};
use crate::filter::{Draws, REHEARSALS};
use crate::geometry::{Direction, Point, Vector};
use crate::partition::{Joined, distances};
use crate::plan::ThicknessDefinition;
use crate::run::Stopped;

/// Places that one thread takes at a time.
const PLACES: usize = 64;

/// The triangles of one place: on its own side and on the other.
type Both = (Vec<u32>, Vec<u32>);

/// The triangles about each place on its own side and on the other.
pub(super) struct Pieces {
    own: Vec<Vec<u32>>,
    other: Vec<Vec<u32>>,
}

impl Pieces {
    pub(super) fn new(context: &Context, walls: &[Wall], patch_mm: f64) -> Result<Self, Stopped> {
        let both: Result<Vec<Vec<Both>>, Stopped> = walls
            .par_chunks(PLACES)
            .map(|chunk| {
                context.run.check()?;
                let one = |w: &Wall| {
                    let Some(other) = &w.other else { return (Vec::new(), Vec::new()) };
                    let reach = SLOPES * patch_mm;
                    let own = piece(context.nominal, &w.at, w.normal, w.triangle, reach);
                    let facing = facet(context, other);
                    (own, piece(context.nominal, &other.at, facing, other.triangle, reach))
                };
                Ok(chunk.iter().map(one).collect())
            })
            .collect();
        let (own, other) = both?.into_iter().flatten().unzip();
        Ok(Self { own, other })
    }

    /// The triangles of the other side of all places, ascending.
    pub(super) fn opposite(&self, triangles: usize) -> Vec<u32> {
        let marked: Vec<AtomicBool> = (0..triangles).map(|_| AtomicBool::new(false)).collect();
        self.other.par_iter().flatten().for_each(|&t| marked[t as usize].store(true, Ordering::Relaxed));
        let marked = marked.into_iter().map(AtomicBool::into_inner);
        (0u32..).zip(marked).filter(|(_, m)| *m).map(|(t, _)| t).collect()
    }
}

/// The normal of the facet on the other side.
fn facet(context: &Context, other: &Other) -> Direction {
    context.nominal.mesh().normal(other.triangle).unwrap_or(other.normal)
}

/// Why a place has no thickness.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Lacks {
    /// The nominal has no other side there.
    Other,
    /// Its own side was not seen there.
    Own,
    /// The other side was not.
    Opposite,
    /// Too few points on its own side.
    FewOwn,
    /// Too few on the other.
    FewOpposite,
    /// Both were seen, by scans of which it is not known how they lie to each other.
    Apart,
}

/// What was found at a place.
pub(super) struct Measured {
    /// Thickness less the nominal's own, mm; or why there is none.
    pub(super) deviation_mm: Result<f64, Lacks>,
    /// What its points' noise does to it, mm.
    pub(super) noise: Draws,
    /// Its variance, mm2.
    pub(super) variance_mm2: f64,
    /// How far it is from what was seen, mm, on the side that lacks; 0 where it has a value.
    pub(super) far_mm: f64,
    /// The largest deviation of a point of its patches over the nominal thickness.
    pub(super) strays: f64,
}

/// What is measured, and how finely.
pub(super) struct How {
    pub(super) definition: ThicknessDefinition,
    pub(super) patch_mm: f64,
    /// Largest disc that need not have been seen, mm.
    pub(super) disc_mm: Option<f64>,
}

/// Measures all places.
pub(super) fn measure(
    context: &Context,
    walls: &[Wall],
    pieces: &Pieces,
    [own, opposite]: [&Side; 2],
    how: &How,
) -> Result<Vec<Measured>, Stopped> {
    let How { definition, patch_mm, disc_mm } = *how;
    // A patch resolves nothing finer than half of its radius; a disc that the plan allows, no more than itself.
    let reach = |side: &Side| {
        let coarse = disc_mm.map_or(0.5 * patch_mm, |disc| (0.5 * disc).min(0.5 * patch_mm));
        (1.5 * side.spacing_mm).max(coarse)
    };
    let far = |side: &Side, places: &[Point]| distances(context.run, places, &side.feet, reach(side));
    let at: Vec<Point> = walls.iter().map(|w| w.at).collect();
    let across: Vec<Point> = walls.iter().map(|w| w.other.as_ref().map_or(w.at, |o| o.at)).collect();
    let (far_own, far_opposite) = (far(own, &at)?, far(opposite, &across)?);
    let none = |lacks: Lacks, far_mm: f64| Measured {
        deviation_mm: Err(lacks),
        noise: [0.0; REHEARSALS],
        variance_mm2: 0.0,
        far_mm,
        strays: 0.0,
    };
    let one = |i: usize| -> Measured {
        let wall = &walls[i];
        let Some(other) = &wall.other else { return none(Lacks::Other, 0.0) };
        if let Some(d) = far_own[i] {
            return none(Lacks::Own, d);
        }
        if let Some(d) = far_opposite[i] {
            return none(Lacks::Opposite, d);
        }
        let facing = facet(context, other);
        let Some(near) = own.fit(&wall.at, wall.normal, &pieces.own[i], patch_mm) else {
            return none(Lacks::FewOwn, patch_mm);
        };
        let Some(back) = opposite.fit(&other.at, facing, &pieces.other[i], patch_mm) else {
            return none(Lacks::FewOpposite, patch_mm);
        };
        let fitted = Fitted { wall, other, facing, definition };
        let Some((thickness_mm, slopes)) = fitted.thickness(&near, &back) else {
            return none(Lacks::FewOpposite, patch_mm);
        };
        let along = [[slopes[0], slopes[1], slopes[2]], [slopes[3], slopes[4], slopes[5]]];
        let apart = |j: &Joined| {
            let all = own.weighted(&near, along[0]).chain(opposite.weighted(&back, along[1]));
            j.apart(context.nominal, context.scan, &all.collect::<Vec<_>>())
        };
        if context.scan.piece_count() > 1 && context.joined.is_none_or(apart) {
            return none(Lacks::Apart, patch_mm);
        }
        let mut noise = [0.0; REHEARSALS];
        let variance_mm2 =
            own.rehearse(&near, along[0], &mut noise) + opposite.rehearse(&back, along[1], &mut noise);
        Measured {
            deviation_mm: Ok(thickness_mm - other.thickness_mm),
            noise,
            variance_mm2,
            far_mm: 0.0,
            strays: near.farthest_mm.max(back.farthest_mm) / other.thickness_mm,
        }
    };
    let parts: Result<Vec<Vec<Measured>>, Stopped> = (0..walls.len().div_ceil(PLACES))
        .into_par_iter()
        .map(|part| {
            context.run.check()?;
            Ok((part * PLACES..((part + 1) * PLACES).min(walls.len())).map(one).collect())
        })
        .collect();
    Ok(parts?.into_iter().flatten().collect())
}

/// The two sides of one place.
struct Fitted<'a> {
    wall: &'a Wall,
    other: &'a Other,
    /// Normal of the facet on the other side, along which deviations there are told.
    facing: Direction,
    definition: ThicknessDefinition,
}

impl Fitted<'_> {
    /// The thickness, mm, and how it changes with value and slopes of either fit.
    fn thickness(&self, near: &Fit, back: &Fit) -> Option<(f64, [f64; 6])> {
        let cosine = -self.wall.normal.dot(self.facing);
        match self.definition {
            ThicknessDefinition::AlongNormal => {
                // Along the line both sides move by their deviations, the other one by more where it lies askew.
                let thickness = self.other.thickness_mm + near.value_mm + back.value_mm / cosine;
                Some((thickness, [1.0, 0.0, 0.0, 1.0 / cosine, 0.0, 0.0]))
            }
            ThicknessDefinition::InscribedBall => {
                let at = [
                    near.value_mm,
                    near.slope[0],
                    near.slope[1],
                    back.value_mm,
                    back.slope[0],
                    back.slope[1],
                ];
                let thickness = self.ball(&at)?;
                // Central differences of a smooth function: good to eight digits.
                const STEP: f64 = 1e-4;
                let mut slopes = [0.0; 6];
                for (k, slope) in slopes.iter_mut().enumerate() {
                    let moved = |step: f64| {
                        let mut there = at;
                        there[k] += step;
                        self.ball(&there)
                    };
                    *slope = (moved(STEP)? - moved(-STEP)?) / (2.0 * STEP);
                }
                Some((thickness, slopes))
            }
        }
    }

    /// Diameter of the ball that touches the tangent plane of the near side at the place and that of the other side:
    /// its centre lies at the radius from both.
    fn ball(&self, [d, dx, dy, e, ex, ey]: &[f64; 6]) -> Option<f64> {
        // Slopes are told along the frame of the facet that was fitted.
        let tilted = |n: Direction, facet: Direction, x: f64, y: f64| -> Option<Vector> {
            let (u, v) = facet.frame();
            Some(Direction::new(n.vector() - u * x - v * y)?.vector())
        };
        let near = tilted(self.wall.normal, self.wall.normal, *dx, *dy)?;
        let back = tilted(self.other.normal, self.facing, *ex, *ey)?;
        let p = self.wall.at + self.wall.normal.vector() * *d;
        // The foot of the ball is told by the deviation along its facet, which at an edge is not its own direction.
        let askew = self.other.normal.dot(self.facing);
        let q = self.other.at + self.other.normal.vector() * (*e / askew);
        let turned = 1.0 - near.dot(&back);
        let diameter = 2.0 * (q - p).dot(&back) / turned;
        (askew > 0.5 && turned > 0.5 && diameter.is_finite() && diameter > 0.0).then_some(diameter)
    }
}
