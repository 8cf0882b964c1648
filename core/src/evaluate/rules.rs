//! Which rule a requirement asks for, and of which surfaces.

use crate::geometry::Direction;
use crate::nominal::Nominal;
use crate::partition::Tube;
use crate::plan::{BoundFeature, Requirement, Situation, SizeOperator};
use crate::tolerance::{
    Angle, Cylindricity, Distance, Flatness, Joint, Radius, Reference, Roundness, Rule, Size, Straightness,
    Subject as Of,
};

use super::Subject;
use super::by_rule::Asked;
use super::extract::wall_mm;
use super::location;
use super::skin_axis::{SkinAxis, skin_axis};

/// The rule of a characteristic, or why there is none.
pub(super) fn asked(subject: &Subject) -> Result<Asked, String> {
    let bound = subject.bound;
    let own = subject.characteristic.feature.ok_or("no feature is named")?;
    let of = of(subject, bound);
    let section_mm = section_mm(subject);
    let reference = |association| {
        Reference::of(association).ok_or_else(|| "its reference is none that a form has".to_owned())
    };
    let form = |rule: Box<dyn Rule>, zone_mm: f64| Asked {
        rule,
        features: vec![own],
        own: 1,
        extremes: true,
        zone: true,
        part_proves: true,
        tolerance: zone_mm,
        aligned: false,
        limits: [None, Some(zone_mm)],
        besides: Vec::new(),
        bias_told: false,
    };
    let size = |rule: Box<dyn Rule>, nominal: f64, upper: f64, lower: f64, extremes: bool| Asked {
        rule,
        features: vec![own],
        own: 1,
        extremes,
        zone: false,
        part_proves: false,
        tolerance: upper - lower,
        aligned: false,
        limits: [Some(nominal + lower), Some(nominal + upper)],
        besides: Vec::new(),
        bias_told: false,
    };
    match subject.characteristic.requirement {
        Requirement::Diameter { nominal_mm, upper_deviation_mm, lower_deviation_mm, size: operator }
        | Requirement::Width { nominal_mm, upper_deviation_mm, lower_deviation_mm, size: operator } => {
            let extremes = operator != SizeOperator::LeastSquares;
            let rule = Box::new(Size { of, operator, section_mm });
            let one = size(rule, nominal_mm, upper_deviation_mm, lower_deviation_mm, extremes);
            // Each local size is one of the whole; what is inscribed in a part may not fit into the whole.
            Ok(Asked { part_proves: operator == SizeOperator::TwoPoint, ..one })
        }
        Requirement::Radius { nominal_mm, upper_deviation_mm, lower_deviation_mm } => {
            Ok(size(Box::new(Radius { of }), nominal_mm, upper_deviation_mm, lower_deviation_mm, false))
        }
        Requirement::Distance { to, nominal_mm, upper_deviation_mm, lower_deviation_mm, along } => {
            let other = other(subject, to)?;
            let rule = Box::new(Distance { from: of, to: self::of(subject, other), along });
            let one = size(rule, nominal_mm, upper_deviation_mm, lower_deviation_mm, false);
            // Along a stated direction it depends on how the part lies.
            let aligned = along.is_some() && subject.datums.is_some();
            Ok(Asked { features: vec![own, to], own: 2, aligned, ..one })
        }
        Requirement::Angle { to, nominal_rad, upper_deviation_rad, lower_deviation_rad } => {
            let second = to.map(|t| other(subject, t)).transpose()?;
            let rule = Box::new(Angle { from: of, to: second.map(|o| self::of(subject, o)), nominal_rad });
            let one = size(rule, nominal_rad, upper_deviation_rad, lower_deviation_rad, false);
            let features: Vec<usize> = [Some(own), to].into_iter().flatten().collect();
            Ok(Asked { own: features.len(), features, ..one })
        }
        Requirement::Straightness { zone, of: what, association } => {
            let reference = reference(association)?;
            let rule = Straightness { subject: of, of: what, reference, section_mm };
            Ok(form(Box::new(rule), zone.size_mm()))
        }
        Requirement::Flatness { zone_width_mm, association } => {
            Ok(form(Box::new(Flatness { reference: reference(association)? }), zone_width_mm))
        }
        Requirement::Roundness { zone_width_mm, association } => {
            let rule = Roundness { of, reference: reference(association)?, section_mm };
            Ok(form(Box::new(rule), zone_width_mm))
        }
        Requirement::Cylindricity { zone_width_mm, association } => {
            Ok(form(Box::new(Cylindricity { reference: reference(association)? }), zone_width_mm))
        }
        Requirement::Gap { nominal_mm, upper_deviation_mm, lower_deviation_mm, .. }
        | Requirement::Step { nominal_mm, upper_deviation_mm, lower_deviation_mm, .. } => {
            placed_by_datums(subject)?;
            let step = matches!(subject.characteristic.requirement, Requirement::Step { .. });
            let rule = if step { Joint::Step } else { Joint::Gap };
            let one = size(Box::new(rule), nominal_mm, upper_deviation_mm, lower_deviation_mm, true);
            Ok(Asked { aligned: true, part_proves: true, ..one })
        }
        _ => location::asked(subject, own),
    }
}

/// A gap is that of a part that lies where its datums put it: what they leave free or loose may close it or open it.
fn placed_by_datums(subject: &Subject) -> Result<(), String> {
    let datums = subject.datums.ok_or("a gap or step needs a datum system")?;
    if datums.loose.is_empty() && datums.free.is_empty() {
        return Ok(());
    }
    Err("its datum system does not hold the part in its place, on which gaps and steps depend: name one that locks all six \
         freedoms, regardless of size, or add a best fit for what it leaves"
        .into())
}

fn other<'a>(subject: &Subject<'a>, feature: usize) -> Result<&'a BoundFeature, String> {
    subject
        .context
        .faces
        .features
        .get(feature)
        .ok_or_else(|| "a feature is not bound to the nominal".to_owned())
}

/// A wall of less than this part of its diameter does not tell its axis; one longer tells it with the uncertainty that its
/// points then have.
const SHORT: f64 = 0.5;

/// The feature, looked at along its axis as [`axis`] has it where its wall is too short to tell its own.
pub(super) fn of(subject: &Subject, bound: &BoundFeature) -> Of {
    match axis(subject, bound) {
        Some(SkinAxis { axis, .. }) => Of::along(bound.situation, axis),
        None => Of::new(bound.situation),
    }
}

/// The axis of a hole, pin or slot whose wall is too short to tell its own; `None` where it is told by the wall, and of what has
/// none. An opening's is turned with the skin about it for sizes and for the middle of a slot, which are the same wherever it
/// leans; a zone that an axis must keep is held against the nominal one.
pub(super) fn axis(subject: &Subject, bound: &BoundFeature) -> Option<SkinAxis> {
    let context = subject.context;
    let (Situation::Hole { axis, .. } | Situation::Cylinder { axis, .. } | Situation::Slot { axis, .. }) =
        bound.situation
    else {
        return None;
    };
    if !is_short(context.nominal, bound) {
        return None;
    }
    let slot = matches!(bound.situation, Situation::Slot { .. });
    let solid = matches!(bound.situation, Situation::Cylinder { hollow: false, .. });
    let turned = match subject.characteristic.requirement {
        Requirement::Diameter { .. } | Requirement::Width { .. } => !solid,
        Requirement::Position { .. } | Requirement::Symmetry { .. } => slot,
        _ => false,
    };
    let nominal = || SkinAxis {
        axis,
        words: "nominal direction: the wall is too short to tell it".into(),
        slopes: [[0.0; 2]; 2],
    };
    let tube = Tube::of(&bound.situation).filter(|_| turned);
    let found = tube.map_or_else(nominal, |t| skin_axis(context, subject.partition, bound, &t));
    let tilt = subject.tilted.filter(|(which, _)| std::ptr::eq(*which, bound)).map(|(_, tilt)| tilt);
    let axis = tilt.and_then(|tilt| Direction::new(found.axis.vector() + tilt)).unwrap_or(found.axis);
    Some(SkinAxis { axis, ..found })
}

/// Whether a wall is too short to tell its own axis.
pub(super) fn is_short(nominal: &Nominal, bound: &BoundFeature) -> bool {
    let wide = match bound.situation {
        Situation::Hole { diameter_mm: Some(d), .. } => d,
        Situation::Cylinder { diameter_mm, .. } => diameter_mm,
        Situation::Slot { width_mm: Some(w), .. } => w,
        _ => return false,
    };
    wall_mm(nominal, bound).is_some_and(|[a, b]| b - a < SHORT * wide)
}

/// How thick a section is: what the filter lets through anyway, and never thinner than two spacings.
pub(super) fn section_mm(subject: &Subject) -> f64 {
    let nesting = subject.characteristic.filter.map_or(0.0, |f| f.nesting_index_mm);
    nesting.max(2.0 * subject.context.scan.spacing_mm())
}
