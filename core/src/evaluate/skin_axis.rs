//! The axis of an opening whose wall is too short to tell its own: that of the nominal as it is turned with the skin about it.

use crate::geometry::Direction;
use crate::partition::{LocalSkin, NominalSkin, Partition, Ring, Tube, beside};
use crate::plan::BoundFeature;

use super::Context;

/// Skin of less than this of the turn does not tell how it is tilted.
const SKIN_TURN: f64 = 0.75;

/// Skin that tells the tilt, mm beyond the strip along the rim: at least this, or half the opening's width.
const SKIN_MM: f64 = 5.0;

/// An axis and where it is from.
#[derive(Clone, Debug)]
pub(super) struct SkinAxis {
    pub(super) axis: Direction,
    /// For the record.
    pub(super) words: String,
    /// Covariance of the axis's slopes along the two directions across, rad2; zero where the nominal tells them.
    pub(super) slopes: [[f64; 2]; 2],
}

/// The nominal axis of `tube`, turned as the skin about it is turned, of both skins by that of which more was seen; not turned
/// where too little was.
pub(super) fn skin_axis(
    context: &Context,
    partition: &Partition,
    bound: &BoundFeature,
    tube: &Tube,
) -> SkinAxis {
    let Tube { at, axis: nominal_axis, half_mm, radius_mm, .. } = *tube;
    let sides = beside(context.nominal, &bound.triangles, nominal_axis);
    let inner_mm = half_mm + radius_mm + 1f64.max(1.5 * context.scan.spacing_mm());
    let outer_mm = inner_mm + radius_mm.max(SKIN_MM);
    let mut best: Option<(LocalSkin, NominalSkin)> = None;
    for (from, axis) in sides.iter().zip([nominal_axis, nominal_axis.reversed()]) {
        let ring = Ring { at, axis, inner_mm, outer_mm };
        let Ok(skin) = NominalSkin::grown(context.nominal, from, ring) else { continue };
        let Ok(local) = skin.measured(context.nominal, partition, context.scan, context.noise_mm) else {
            continue;
        };
        let more = |b: &(LocalSkin, NominalSkin)| {
            (local.seen.fraction, local.points) > (b.0.seen.fraction, b.0.points)
        };
        if best.as_ref().is_none_or(more) {
            best = Some((local, skin));
        }
    }
    let Some((local, skin)) = best.filter(|(l, _)| l.seen.fraction >= SKIN_TURN) else {
        return SkinAxis {
            axis: nominal_axis,
            words: "nominal direction: the wall alone does not tell it, and too little of the skin about it was seen".into(),
            slopes: [[0.0; 2]; 2],
        };
    };
    let axis = local.turned(&skin, nominal_axis);
    let words = format!(
        "normal of the skin between {inner_mm:.1} and {outer_mm:.1} mm about it, {:.3} degrees from nominal: the wall alone \
         does not tell it",
        axis.angle_to(nominal_axis).to_degrees()
    );
    let of = |i: usize, j: usize| local.covariance[i + 1][j + 1] + local.sampling[i + 1][j + 1];
    SkinAxis { axis, words, slopes: [[of(0, 0), of(0, 1)], [of(1, 0), of(1, 1)]] }
}
