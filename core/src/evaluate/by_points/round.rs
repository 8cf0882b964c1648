//! Size and position of a hole by a centre that the instrument told, by points of the wall, or by both.

use crate::associate::{FitError, circle};
use crate::conformity::Known;
use crate::geometry::{Point, Vector};
use crate::plan::Situation;
use crate::points::{Role, off_the_wall_mm};
use crate::record::{Components, Evaluation};
use crate::uncertainty::{Offset, across_of_motion};

use super::envelope::Shown;
use super::{Spread, Subject, places_up_to};

/// No wall of a moulded part is deeper: what was taken further off along a hole's axis carries a wrong name, mm (common
/// practice, no source).
const DEEP_MM: f64 = 100.0;

/// A centre or a diameter.
struct Told<T> {
    of: T,
    instrument_mm: Option<f64>,
    sampling_mm: f64,
    /// Places of the wall that it was fitted to; `None` as it was told.
    wall: Option<usize>,
}

struct Round {
    centre: Told<Point>,
    diameter: Option<Told<f64>>,
}

impl Subject<'_> {
    pub(super) fn diameter(&self, tolerance_mm: f64, evaluation: &mut Evaluation) -> Result<(), String> {
        let round = self.round(evaluation)?;
        let Some(diameter) = round.diameter else {
            return Err("the centre was taken without a diameter, and no point of the wall".into());
        };
        let spread = Spread {
            instrument_mm: diameter.instrument_mm,
            sampling_mm: diameter.sampling_mm,
            alignment_mm: Some(0.0),
        };
        let missing = self.too_few_on_a_wall(diameter.wall);
        self.settle(diameter.of, spread, tolerance_mm, true, missing, evaluation);
        Ok(())
    }

    /// Twice the distance of the axis from its nominal place, square to the nominal axis (ISO 1101:2017).
    pub(super) fn position(&self, zone_mm: f64, evaluation: &mut Evaluation) -> Result<(), String> {
        let Situation::Hole { at, axis, .. } = self.bound.situation else {
            return Err(format!("the position of a {} is not evaluated by points", self.bound.kind.word()));
        };
        let Round { centre, .. } = self.round(evaluation)?;
        if let Shown::TooFew(few) = self.envelope_of(self.bound, Some(axis)) {
            evaluation.operators.insert("caution".into(), self.no_envelope(&few));
        }
        let off = centre.of - at;
        let deep = off.dot(&axis.vector());
        if !(deep.abs() <= DEEP_MM) {
            return Err(format!(
                "it was taken {deep:.3} mm off along the hole's axis, at most {DEEP_MM} mm can be: check its name"
            ));
        }
        let across: Vector = off - axis.vector() * deep;
        let distance = across.norm();
        evaluation.components =
            Some(Components { dx_mm: across.x, dy_mm: across.y, dz_mm: across.z, dn_mm: distance });
        let missing = self.too_few_on_a_wall(centre.wall);
        let value_mm = 2.0 * distance;
        let (u, v) = axis.frame();
        let of_alignment = match self.pose {
            Some(pose) => pose.covariance.map(|c| across_of_motion(&c, pose.centre, centre.of, [u, v])),
            None => Some([[0.0; 2]; 2]),
        };
        let (Some(instrument), Some(of_alignment)) = (centre.instrument_mm, of_alignment) else {
            self.unknown(value_mm, missing, evaluation);
            return Ok(());
        };
        let own = instrument * instrument + centre.sampling_mm * centre.sampling_mm;
        let moved: Vec<[f64; 2]> = self.displaced.off.iter().map(|o| [o.dot(&u), o.dot(&v)]).collect();
        let total = std::array::from_fn(|i| {
            std::array::from_fn(|j| {
                let of_displaced: f64 = moved.iter().map(|m| m[i] * m[j]).sum();
                of_alignment[i][j] + of_displaced + if i == j { own } else { 0.0 }
            })
        });
        let offset = Offset::new([across.dot(&u), across.dot(&v)], total)
            .ok_or_else(|| "its uncertainty could not be found".to_owned())?;
        let alignment = of_alignment[0][0].max(of_alignment[1][1]).max(0.0).sqrt();
        let spread = Spread {
            instrument_mm: Some(2.0 * instrument),
            sampling_mm: 2.0 * centre.sampling_mm,
            alignment_mm: Some(2.0 * alignment),
        };
        let known = Known::Length { offset, factor: 2.0 };
        self.settle_known(&known, spread, zone_mm, missing, evaluation);
        Ok(())
    }

    /// Centre and diameter: each as the instrument worked it out, where it did, else of a least-squares circle of
    /// the wall.
    fn round(&self, evaluation: &mut Evaluation) -> Result<Round, String> {
        let wall: Vec<Point> =
            self.points.iter().filter(|p| p.role == Role::Surface).map(|p| p.point).collect();
        let Some(told) = self.points.iter().find(|p| p.role == Role::Centre) else {
            let round = self.by_wall(&wall)?;
            let words = "least-squares circle of the points taken";
            evaluation.operators.insert("association".into(), words.into());
            return Ok(round);
        };
        let held = match (self.bound.situation, self.pose) {
            (Situation::Hole { axis, .. }, Some(_)) => {
                if let Some(off) = off_the_wall_mm(told.point, told.diameter_mm, &wall, axis) {
                    return Err(format!(
                        "its centre and the points of its wall contradict each other by {off:.3} mm: find out which \
                         is wrong"
                    ));
                }
                "held against them and not contradicting"
            }
            _ => "not used",
        };
        if !wall.is_empty() && told.diameter_mm.is_some() {
            let words = format!("{} beside what the instrument told, {held}", wall.len());
            evaluation.operators.insert("points_of_the_wall".into(), words);
        }
        let centre = Told { of: told.point, instrument_mm: told.standard_mm, sampling_mm: 0.0, wall: None };
        let (diameter, words) = match told.diameter_mm {
            Some(of) => (
                Some(Told { of, instrument_mm: told.standard_mm, sampling_mm: 0.0, wall: None }),
                "by the instrument: centre and diameter as they were told",
            ),
            None if wall.is_empty() => (None, "by the instrument: centre as it was told"),
            None => (
                self.by_wall(&wall)?.diameter,
                "centre by the instrument, as it was told; diameter of a least-squares circle of the wall's points",
            ),
        };
        evaluation.operators.insert("association".into(), words.into());
        Ok(Round { centre, diameter })
    }

    /// Of a least-squares circle of the wall, seen along the nominal axis.
    fn by_wall(&self, wall: &[Point]) -> Result<Round, String> {
        let Situation::Hole { axis, .. } = self.bound.situation else {
            return Err(format!("a {} has no diameter", self.bound.kind.word()));
        };
        if self.pose.is_none() {
            return Err(
                "how the hole's axis lies in the instrument's axes is not known: take up a datum system, \
                        or let the instrument tell the diameter"
                    .into(),
            );
        }
        let fit = circle(wall, axis).map_err(|e: FitError| e.to_string())?;
        let unit = |i: usize| fit.unit_covariance[i][i].max(0.0).sqrt();
        let standard = self.standard_mm();
        let over = standard.map_or(0.0, |s| beyond(s, fit.noise_mm()));
        let across = unit(0).max(unit(1));
        let taken = Some(places_up_to(wall, self.characteristic.needs.points.unwrap_or(4)));
        let told = |scale: f64| (standard.map(|s| s * scale), over * scale);
        let (instrument_mm, sampling_mm) = told(across);
        let centre = Told { of: fit.centre, instrument_mm, sampling_mm, wall: taken };
        let (instrument_mm, sampling_mm) = told(2.0 * unit(2));
        let diameter = Told { of: 2.0 * fit.radius_mm, instrument_mm, sampling_mm, wall: taken };
        Ok(Round { centre, diameter: Some(diameter) })
    }

    /// Three points always lie on a circle: a wall takes four, or as many as the plan says.
    fn too_few_on_a_wall(&self, taken: Option<usize>) -> Option<String> {
        let needed = self.characteristic.needs.points.unwrap_or(4);
        let taken = taken?;
        (taken < needed).then(|| format!("{taken} places were taken of the wall, {needed} are needed"))
    }
}

/// What residuals say beyond the stated standard uncertainty: together they make the larger of the two, which is the
/// stated one scaled by Birge's ratio where that is above 1.
pub(super) fn beyond(standard_mm: f64, seen_mm: Option<f64>) -> f64 {
    seen_mm.map_or(0.0, |seen| (seen * seen - standard_mm * standard_mm).max(0.0).sqrt())
}
