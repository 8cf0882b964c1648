//! The height at which the place of an axis is asked: over the skin about it as it was measured, or over the first datum plane.

use crate::geometry::{Direction, Point};
use crate::partition::{NominalSkin, Ring};
use crate::plan::{AtHeight, BoundFeature, Situation};
use crate::tolerance::Level;

use super::Subject;
use super::first_plane::{FirstPlane, first_plane};

/// The ring of skin begins this far off the wall, mm, or a spacing and a half if that is more, and is [`WIDTH_MM`] wide: as of what
/// stands over a skin (`on_skin.rs`; common practice, no source).
const STRIP_MM: f64 = 1.0;
const WIDTH_MM: f64 = 5.0;

/// Skin of less than this of the turn does not tell its height.
const SKIN_TURN: f64 = 0.75;

/// A height, and what a reader must know of it.
pub(super) struct Told {
    pub(super) level: Level,
    pub(super) words: String,
}

/// The height over its surface for one member of a position. What the measured skin is off by moves the place along the axis: at a
/// lean of one degree and a height known to 0.01 mm by 0.0002 mm, which is in no budget.
pub(super) fn level(subject: &Subject, member: &BoundFeature, asked: &AtHeight) -> Result<Told, String> {
    let (Situation::Hole { at, axis, .. } | Situation::Cylinder { at, axis, .. }) = member.situation else {
        return Err("a stated height is for the axis of a hole or pin".into());
    };
    let height_mm = asked.height_mm;
    match asked.above {
        None => {
            let FirstPlane { at: on, normal, .. } = first_plane(subject).filter(|plane| plane.flat).ok_or(
                "a stated height is over the first datum plane where no skin is named (`above`), and its datums have none: no plane, nor \
                 pads that lie in one plane",
            )?;
            let cosine = axis.dot(normal);
            if !(cosine.abs() >= 0.5) {
                return Err(
                    "its axis does not rise from the first datum plane; name the skin about it (`above`)"
                        .into(),
                );
            }
            let from = at + axis.vector() * ((on - at).dot(&normal.vector()) / cosine);
            let words = format!("{height_mm} mm over the first datum plane");
            Ok(Told { level: Level { from, towards: normal, height_mm }, words })
        }
        Some(above) => over_skin(subject, member, (at, axis), above, height_mm),
    }
}

/// Over the skin in a ring about the wall.
fn over_skin(
    subject: &Subject,
    member: &BoundFeature,
    (at, axis): (Point, Direction),
    above: usize,
    height_mm: f64,
) -> Result<Told, String> {
    let context = subject.context;
    let skin = context.faces.features.get(above).filter(|s| !s.triangles.is_empty());
    let skin = skin.ok_or("the skin over which its height is told is not picked on the nominal")?;
    let away = |p: &Point| {
        let off = p - at;
        (off - axis.vector() * off.dot(&axis.vector())).norm()
    };
    let corners = member.triangles.iter().flat_map(|&t| context.nominal.mesh().corners(t));
    let radius = corners.map(|c| away(&c)).fold(0.0, f64::max);
    let inner_mm = radius + STRIP_MM.max(1.5 * context.scan.spacing_mm());
    let outer_mm = inner_mm + WIDTH_MM;
    let ring = |axis| {
        NominalSkin::of(context.nominal, skin.triangles.clone(), Ring { at, axis, inner_mm, outer_mm })
    };
    let found = ring(axis).or_else(|_| ring(axis.reversed())).map_err(|e| format!("{}: {e}", skin.id))?;
    let local = found.measured(context.nominal, subject.partition, context.scan, context.noise_mm);
    let local = local.map_err(|e| format!("{}: {e}", skin.id))?;
    if !(local.seen.fraction >= SKIN_TURN) {
        return Err(format!(
            "only {:.0} % of the turn of {} between {inner_mm:.2} and {outer_mm:.2} mm about {} was seen, over which its height is \
             told; {:.0} % are needed",
            100.0 * local.seen.fraction,
            skin.id,
            member.id,
            100.0 * SKIN_TURN
        ));
    }
    let out = found.ring.axis;
    // Along the axis a skin that lies askew is further off than along its normal.
    let off_mm = local.height_mm / found.normal.dot(out);
    let words = format!(
        "{height_mm} mm over {} between {inner_mm:.2} and {outer_mm:.2} mm about it, which lies {off_mm:+.3} mm off its nominal there",
        skin.id
    );
    let from = found.ring.at + out.vector() * off_mm;
    Ok(Told { level: Level { from, towards: out, height_mm }, words })
}
