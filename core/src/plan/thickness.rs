//! Checks what is required of the thickness of a wall, and works out what a laminate comes to.

use super::check::{Names, in_range};
use super::domain::FeatureKind;
use super::fault::Faults;
use super::file::{self, PlanFile};
use super::place::{length, triple};
use super::required::Requirement;
use super::tree::short;
use crate::geometry::Point;

pub use super::file::ThicknessDefinition;

/// What is required of the local thickness of a wall.
#[derive(Clone, Debug, PartialEq)]
pub struct Thickness {
    /// What holds where no zone does.
    pub target: ThicknessTarget,
    /// Index of the feature on the other side; `None`: whatever face of the nominal lies there.
    pub opposite: Option<usize>,
    /// Radius of the patch of points on either side that stands for a place, mm.
    pub patch_radius_mm: f64,
    /// Which thickness.
    pub definition: ThicknessDefinition,
    /// Faces of the nominal further apart than this are not two sides of one wall, mm.
    pub largest_nominal_mm: f64,
    /// Places with another target; where several hold a place the first counts.
    pub zones: Vec<ThicknessZone>,
}

/// A nominal thickness and its limits; one limit deviation at least.
#[derive(Clone, Debug, PartialEq)]
pub struct ThicknessTarget {
    /// What is nominal.
    pub nominal: ThicknessNominal,
    /// Lower limit deviation, mm, signed.
    pub lower_deviation_mm: Option<f64>,
    /// Upper limit deviation, mm, signed, above the lower one.
    pub upper_deviation_mm: Option<f64>,
}

/// Where a nominal thickness comes from.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum ThicknessNominal {
    /// The nominal's own at each place.
    Mesh,
    /// As the plan states it, mm.
    Stated(f64),
    /// What a laminate comes to, mm.
    Laminate(f64),
}

impl ThicknessNominal {
    /// The nominal thickness, mm, where it is one for all places.
    pub fn stated_mm(self) -> Option<f64> {
        match self {
            Self::Mesh => None,
            Self::Stated(mm) | Self::Laminate(mm) => Some(mm),
        }
    }
}

impl ThicknessTarget {
    /// Smallest and largest accepted thickness, mm, where the nominal one is the same everywhere.
    pub fn limits_mm(&self) -> (Option<f64>, Option<f64>) {
        let of = |deviation: Option<f64>| Some(self.nominal.stated_mm()? + deviation?);
        (of(self.lower_deviation_mm), of(self.upper_deviation_mm))
    }

    /// The larger of its limit deviations, mm.
    fn furthest_mm(&self) -> f64 {
        [self.lower_deviation_mm, self.upper_deviation_mm]
            .into_iter()
            .flatten()
            .fold(0.0, |m, d| m.max(d.abs()))
    }
}

/// Part of a face with a target of its own.
#[derive(Clone, Debug, PartialEq)]
pub struct ThicknessZone {
    /// Where it is.
    pub area: ZoneArea,
    /// What holds there.
    pub target: ThicknessTarget,
}

/// Which part of a face.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum ZoneArea {
    /// What is part of the feature of this index too, or has it on the other side.
    Feature(usize),
    /// What lies within a distance of a place.
    Ball {
        /// The place, mm.
        at: Point,
        /// The distance, mm.
        radius_mm: f64,
    },
}

impl Thickness {
    /// Smallest and largest accepted thickness, mm, where they are the same at every place.
    pub fn limits_mm(&self) -> (Option<f64>, Option<f64>) {
        if self.zones.is_empty() { self.target.limits_mm() } else { (None, None) }
    }

    /// The largest of all limit deviations, mm.
    pub fn furthest_mm(&self) -> f64 {
        self.zones.iter().map(|z| z.target.furthest_mm()).fold(self.target.furthest_mm(), f64::max)
    }
}

/// Walls thicker than this are none where no nominal thickness is stated, mm: sandwich panels of carriages and cabins reach about that (common
/// practice, no source).
const LARGEST_MM: f64 = 25.0;

/// More plies than this are a slip of the pen.
const MOST_PLIES: i32 = 1000;

/// Kinds of features that are a face with material behind it.
pub(super) const FACES: [FeatureKind; 6] = [
    FeatureKind::Surface,
    FeatureKind::Plane,
    FeatureKind::Cylinder,
    FeatureKind::Cone,
    FeatureKind::Sphere,
    FeatureKind::Torus,
];

/// The requirement of the characteristic that is written at `own`.
pub(super) fn thickness(
    faults: &Faults,
    names: &Names<'_>,
    file: &PlanFile,
    place: &str,
    t: &file::Thickness,
    own: Option<&str>,
) -> Option<Requirement> {
    let at = |key: &str| format!("{place}.{key}");
    length(faults, &at("patch_radius_mm"), Some(t.patch_radius_mm));
    let given = [t.lower_deviation_mm, t.upper_deviation_mm];
    let target = target(faults, place, t.nominal_mm, &t.laminate, given, None);
    let opposite = t.opposite.as_deref().map(|id| face(faults, names, file, &at("opposite"), id, own));
    let zones: Vec<Option<ThicknessZone>> = t
        .zone
        .iter()
        .enumerate()
        .map(|(i, z)| zone(faults, names, file, &format!("{}[{i}]", at("zone")), z, (given, own)))
        .collect();
    let target = target?;
    let opposite = match opposite {
        Some(found) => Some(found?),
        None => None,
    };
    let zones: Vec<ThicknessZone> = zones.into_iter().collect::<Option<_>>()?;
    let targets = || std::iter::once(&target).chain(zones.iter().map(|z| &z.target));
    let thickest = targets().filter_map(|t| t.nominal.stated_mm()).fold(0.0, f64::max);
    let all_stated = targets().all(|t| t.nominal.stated_mm().is_some());
    let usual = if all_stated { 2.0 * thickest } else { LARGEST_MM.max(2.0 * thickest) };
    if let Some(largest) = t.largest_nominal_mm {
        let place = at("largest_nominal_mm");
        let ok = in_range(faults, &place, largest, |l| l > 0.0, "above 0, in mm");
        if ok && largest < thickest {
            faults
                .add(place, format!("is {largest}, less than the nominal thickness {thickest}; write more"));
        }
    }
    Some(Requirement::Thickness(Box::new(Thickness {
        target,
        opposite,
        patch_radius_mm: t.patch_radius_mm,
        definition: t.definition.unwrap_or(ThicknessDefinition::AlongNormal),
        largest_nominal_mm: t.largest_nominal_mm.unwrap_or(usual),
        zones,
    })))
}

/// A feature that is another face than its own.
fn face(
    faults: &Faults,
    names: &Names<'_>,
    file: &PlanFile,
    place: &str,
    id: &str,
    own: Option<&str>,
) -> Option<usize> {
    let index = names.feature(faults, place, id)?;
    let kind = file.feature[index].kind;
    if !FACES.contains(&kind) && faults.sound(&format!("feature[{index}].kind")) {
        let words = FACES.map(FeatureKind::word).join(" or ");
        faults.add(place, format!("\"{}\" is a {}; name a {words}", short(id), kind.word()));
    } else if own == Some(id) {
        faults.add(place, format!("\"{}\" is the feature itself; name another, or leave it out", short(id)));
    }
    Some(index)
}

fn zone(
    faults: &Faults,
    names: &Names<'_>,
    file: &PlanFile,
    place: &str,
    z: &file::ThicknessZone,
    (whole, own): ([Option<f64>; 2], Option<&str>),
) -> Option<ThicknessZone> {
    let at = |key: &str| format!("{place}.{key}");
    let given = [z.lower_deviation_mm, z.upper_deviation_mm];
    let target = target(faults, place, z.nominal_mm, &z.laminate, given, Some(whole));
    let ball = !z.at_mm.is_empty() || z.radius_mm.is_some();
    let area = match (&z.feature, ball) {
        (Some(id), false) => face(faults, names, file, &at("feature"), id, own).map(ZoneArea::Feature),
        (None, true) => {
            let middle = triple(faults, &at("at_mm"), &z.at_mm);
            length(faults, &at("radius_mm"), z.radius_mm);
            if z.radius_mm.is_none() && faults.sound(&at("radius_mm")) {
                faults.add(at("radius_mm"), "is missing; write how far the zone reaches from `at_mm`, in mm");
            }
            match (middle, z.radius_mm) {
                (Some(at), Some(radius_mm)) => Some(ZoneArea::Ball { at: Point::from(at), radius_mm }),
                _ => None,
            }
        }
        (None, false) => {
            if ["feature", "at_mm", "radius_mm"].iter().all(|k| faults.sound(&at(k))) {
                faults.add(place, "says no place; write `feature`, or `at_mm` and `radius_mm`");
            }
            None
        }
        (Some(_), true) => {
            faults.add(place, "says its place in two ways; leave `feature`, or `at_mm` and `radius_mm`");
            None
        }
    };
    Some(ThicknessZone { area: area?, target: target? })
}

/// What is nominal, and its limits: `whole` gives them to a zone that has none.
fn target(
    faults: &Faults,
    place: &str,
    nominal_mm: Option<f64>,
    laminate: &[file::Layer],
    given: [Option<f64>; 2],
    whole: Option<[Option<f64>; 2]>,
) -> Option<ThicknessTarget> {
    let at = |key: &str| format!("{place}.{key}");
    length(faults, &at("nominal_mm"), nominal_mm);
    let nominal = match (nominal_mm, laminate) {
        (Some(_), [_, ..]) => {
            faults.add(at("laminate"), "stands beside `nominal_mm`; leave one of the two");
            None
        }
        (Some(mm), []) => Some(ThicknessNominal::Stated(mm)),
        (None, []) => Some(ThicknessNominal::Mesh),
        (None, layers) => {
            let each = layers.iter().enumerate();
            let each: Vec<Option<f64>> =
                each.map(|(i, l)| layer(faults, &format!("{}[{i}]", at("laminate")), l)).collect();
            each.into_iter().sum::<Option<f64>>().map(ThicknessNominal::Laminate)
        }
    };
    let places = ["lower_deviation_mm", "upper_deviation_mm"].map(at);
    let sound = places.iter().all(|p| faults.sound(p));
    let [lower, upper] = match (given, whole) {
        ([None, None], Some(whole)) => whole,
        ([None, None], None) => {
            if sound {
                faults.add(
                    place,
                    "has no limit; write `lower_deviation_mm`, `upper_deviation_mm` or both, signed",
                );
            }
            return None;
        }
        (given, _) => given,
    };
    let mut ok = sound;
    for (place, value) in places.iter().zip(given) {
        ok &= value.is_none_or(|v| in_range(faults, place, v, |_| true, "in mm, signed"));
    }
    if let (Some(lower), Some(upper), true) = (lower, upper, ok)
        && upper <= lower
    {
        let problem =
            format!("is {upper}, not above the lower deviation {lower}; write the larger one here, signed");
        faults.add(&places[1], problem);
        return None;
    }
    if let (Some(nominal), Some(lower), true) = (nominal.and_then(ThicknessNominal::stated_mm), lower, ok)
        // A laminate without plies has its own fault.
        && nominal.is_finite()
        && nominal > 0.0
        && !(nominal + lower > 0.0)
    {
        faults.add(&places[0], "leaves no thickness; write limits that a wall can have");
        return None;
    }
    Some(ThicknessTarget { nominal: nominal?, lower_deviation_mm: lower, upper_deviation_mm: upper })
}

/// What the layers of one kind add to a laminate, mm.
fn layer(faults: &Faults, place: &str, l: &file::Layer) -> Option<f64> {
    let at = |key: &str| format!("{place}.{key}");
    if !(1..=MOST_PLIES).contains(&l.plies) {
        faults.add(at("plies"), format!("is {}; write 1 to {MOST_PLIES}", l.plies));
    }
    length(faults, &at("thickness_mm"), l.thickness_mm);
    let fibres = [l.areal_weight_g_m2, l.fibre_density_g_cm3, l.fibre_fraction];
    let keys = ["areal_weight_g_m2", "fibre_density_g_cm3", "fibre_fraction"];
    let one = match (l.thickness_mm, fibres) {
        (Some(mm), [None, None, None]) => mm,
        (Some(_), _) => {
            faults.add(at("thickness_mm"), "stands beside fibres; leave it, or the three of the fibres");
            return None;
        }
        (None, [Some(weight), Some(density), Some(fraction)]) => {
            let above = |v: f64| v > 0.0;
            let ok = in_range(faults, &at(keys[0]), weight, above, "above 0, in g/m2")
                & in_range(faults, &at(keys[1]), density, above, "above 0, in g/cm3")
                & in_range(faults, &at(keys[2]), fraction, |f| f > 0.0 && f <= 1.0, "above 0 and at most 1");
            if !ok {
                return None;
            }
            ply_mm(weight, density, fraction)
        }
        (None, given) => {
            if given.iter().all(Option::is_none) {
                if keys.iter().chain(&["thickness_mm"]).all(|k| faults.sound(&at(k))) {
                    faults.add(
                        place,
                        "has no thickness; write `areal_weight_g_m2`, `fibre_density_g_cm3` and `fibre_fraction`, or \
                         `thickness_mm`",
                    );
                }
                return None;
            }
            for (key, value) in keys.iter().zip(given) {
                if value.is_none() && faults.sound(&at(key)) {
                    faults.add(
                        at(key),
                        "is missing; plies are told by weight, density and fraction of their fibres",
                    );
                }
            }
            return None;
        }
    };
    Some(f64::from(l.plies) * one)
}

/// Thickness of one cured ply, mm: its fibres fill their fraction of it (ASTM D3171, procedure II, and ISO 14127, solved
/// for the thickness; from memory). One g/m2 of a fibre of 1 g/cm3 is a thousandth of a millimetre.
pub fn ply_mm(areal_weight_g_m2: f64, fibre_density_g_cm3: f64, fibre_fraction: f64) -> f64 {
    areal_weight_g_m2 / (1000.0 * fibre_density_g_cm3 * fibre_fraction)
}

#[cfg(test)]
#[path = "thickness_tests.rs"]
mod tests;
