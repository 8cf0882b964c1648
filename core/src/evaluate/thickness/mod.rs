//! Local thickness of a wall on a scan: at places of the nominal a local fit on either side, told along the nominal
//! normal or by the ball between both.
//!
//! ```text
//! wall     places of the nominal, each with what faces it across the material
//! side     the points of one side, without spikes; their deviation and its slope about a place
//! measure  both together: the thickness at a place, and what noise does to it
//! told     the zones, each judged by its limits, and the map
//! ```
//!
//! Wherever the alignment puts the part, it moves both sides alike and leaves their distance as it is. No standard on
//! tolerances defines a local thickness; the definitions are common practice, no source.

mod measure;
mod side;
mod told;
mod wall;

use measure::{How, Lacks, Measured, Pieces, measure};
use side::Side;
use wall::{Strips, Walls};

use super::Subject;
use super::sight::coverage_of;
use crate::partition::{MeasuredPoint, Rim};
use crate::plan::{Thickness, ThicknessDefinition, ThicknessNominal};
use crate::record::Evaluation;
use crate::run::Stopped;

/// Seeds of the noise of either side: any constants; the same scan must always give the same answer.
const SEEDS: [u64; 2] = [0x7B1C_4E55, 0x2D90_63A7];

/// More points than this beyond reach of a side are no stray: something stands off it that was not measured.
const MOST_FAR: usize = 10;

/// Evaluates the thickness between a feature and what faces it across the material.
pub(super) fn evaluate(
    subject: &Subject,
    required: &Thickness,
    evaluation: &mut Evaluation,
) -> Result<(), Stopped> {
    operators(required, evaluation);
    match found(subject, required, evaluation)? {
        Ok(found) => told::tell(subject, required, &found, evaluation),
        Err(reason) => {
            evaluation.reason = reason;
            Ok(())
        }
    }
}

/// A wall as it was measured.
struct Found {
    walls: Walls,
    measured: Vec<Measured>,
    sides: [Side; 2],
    /// Points that stand off a side, if they are more than strays.
    far: Option<String>,
    /// Why nothing can be decided, though it was measured.
    doubt: Option<String>,
    /// What was left out along rims and sharp edges, mm.
    margin_mm: f64,
    patch_mm: f64,
}

/// Says by what the value is defined.
fn operators(required: &Thickness, evaluation: &mut Evaluation) {
    let radius = required.patch_radius_mm;
    let definition = match required.definition {
        ThicknessDefinition::AlongNormal => "from side to side along the nominal normal",
        ThicknessDefinition::InscribedBall => {
            "diameter of the largest ball within the wall that touches the feature and the other side"
        }
    };
    let nominal = |n: ThicknessNominal| match n {
        ThicknessNominal::Mesh => "the nominal's own at each place".to_owned(),
        ThicknessNominal::Stated(mm) => format!("{mm} mm"),
        ThicknessNominal::Laminate(mm) => format!("{mm:.4} mm, of the laminate"),
    };
    let mut words = nominal(required.target.nominal);
    if !required.zones.is_empty() {
        words.push_str("; zones have their own");
    }
    let mut tell = |name: &str, value: String| evaluation.operators.insert(name.to_owned(), value);
    tell("definition", definition.into());
    tell("nominal", words);
    tell(
        "patch",
        format!(
            "mean of the deviations within {radius} mm of the place, brought to it by their slope within twice that, on \
             either side"
        ),
    );
    tell(
        "value",
        "smallest and largest of all places against the nominal thickness, corrected for the bias of noise; the one with less room is told"
            .into(),
    );
    tell("largest_nominal_mm", format!("{}", required.largest_nominal_mm));
}

/// Measures both sides of the wall, or says why it has no thickness.
fn found(
    subject: &Subject,
    required: &Thickness,
    evaluation: &mut Evaluation,
) -> Result<Result<Found, String>, Stopped> {
    let (context, bound, partition) = (subject.context, subject.bound, subject.partition);
    let (nominal, scan) = (context.nominal, context.scan);
    let patch_mm = required.patch_radius_mm;
    let rim = Rim::new(nominal, &bound.triangles);
    let sharp = Rim::sharp(nominal);
    let own = partition.feature(scan, nominal, &bound.triangles, &rim);
    context.run.check()?;
    let strips = Strips { rim: (&rim, own.margin_mm), sharp: (&sharp, own.margin_mm) };
    let walls = Walls::new(context, bound, required, &strips)?;
    let faced = walls.places.iter().filter(|w| w.other.is_some()).count();
    if faced == 0 {
        let what = match required.opposite.and_then(|o| context.faces.features.get(o)) {
            Some(opposite) => format!("{} lies nowhere across the material from it", opposite.id),
            None if !nominal.closed() => "the nominal is an open sheet, which shows one side only".into(),
            None => "the nominal has nothing that faces it across the material".into(),
        };
        return Ok(Err(format!(
            "{what} within {} mm (`largest_nominal_mm`), so there is no wall to measure",
            required.largest_nominal_mm
        )));
    }
    let pieces = Pieces::new(context, &walls.places, patch_mm)?;
    let triangles = pieces.opposite(nominal.mesh().triangles().len());
    let mut member = vec![false; nominal.mesh().triangles().len()];
    triangles.iter().for_each(|&t| member[t as usize] = true);
    let across: Vec<MeasuredPoint> = partition
        .placed(scan)
        .filter(|p| member[p.triangle as usize] && !sharp.nearer_than(&foot(nominal, p), own.margin_mm))
        .collect();
    context.run.check()?;
    let spacing = |points: &[MeasuredPoint]| scan.spacing_among(points.iter().map(|p| p.index));
    let (own_mm, across_mm) = (spacing(&own.points), spacing(&across));
    let own_points = own.points;
    let sides = [
        Side::new(context, own_points, patch_mm, own_mm, SEEDS[0])?,
        Side::new(context, across, patch_mm, across_mm, SEEDS[1])?,
    ];
    let disc_mm = subject.characteristic.needs.largest_unseen_disc_mm;
    let how = How { definition: required.definition, patch_mm, disc_mm };
    let both = [&sides[0], &sides[1]];
    let measured = measure(context, &walls.places, &pieces, both, &how)?;
    let mut tell = |name: &str, value: String| evaluation.operators.insert(name.to_owned(), value);
    let noise = sides.iter().map(|s| s.noise_mm).fold(0.0, f64::max);
    tell("noise_mm", format!("{noise:.5}"));
    tell("edge_strip_left_out_mm", format!("{}", own.margin_mm));
    tell("spikes_left_out", sides.iter().map(|s| s.spikes).sum::<usize>().to_string());
    tell("places", format!("{}, about {:.2} mm apart", walls.places.len(), walls.pitch_mm));
    if walls.at_borders > 0 {
        tell("places_left_out_at_zone_borders", walls.at_borders.to_string());
    }
    if let Some(opposite) = required.opposite.and_then(|o| context.faces.features.get(o)) {
        let share = 100.0 * (1.0 - walls.elsewhere);
        tell("opposite", format!("{}, which {share:.1} % of the feature face", opposite.id));
    }
    let off = [(&bound.triangles, &rim), (&triangles, &sharp)].into_iter().find_map(|(triangles, rim)| {
        partition.far_from(scan, nominal, triangles, rim, own.margin_mm).filter(|f| f.0 > MOST_FAR)
    });
    let far = off.map(|(count, at)| {
        format!(
            "{count} points stand further off the wall than can be measured, or face another way, near x {:.1}, y {:.1}, z \
             {:.1}",
            at.x, at.y, at.z
        )
    });
    let strays = measured.iter().map(|m| m.strays).fold(0.0, f64::max);
    let doubt = (!scan.took_normals() && !(strays <= SURE)).then(|| {
        format!(
            "the scan has no normals, and points stand off their side by {:.0} % of the wall: which side they belong to is \
             not known; scan with normals",
            100.0 * strays
        )
    });
    let margin_mm = own.margin_mm;
    Ok(Ok(Found { walls, measured, sides, far, doubt, margin_mm, patch_mm }))
}

/// Without normals a point is given to the nearer side; further off than this part of the wall it may be the wrong one.
const SURE: f64 = 0.25;

/// The place on the nominal under a measured point.
fn foot(nominal: &crate::nominal::Nominal, p: &MeasuredPoint) -> crate::geometry::Point {
    let [a, b, c] = nominal.mesh().corners(p.triangle);
    crate::geometry::closest_point_on_triangle(&p.point, &a, &b, &c)
}
