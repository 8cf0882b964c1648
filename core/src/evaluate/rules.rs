//! Which rule a requirement asks for, and of which surfaces.

use crate::geometry::Direction;
use crate::plan::{BoundFeature, Requirement, Situation, SizeOperator};
use crate::tolerance::{
    Angle, Cylindricity, Distance, Flatness, Radius, Reference, Roundness, Rule, Size, Straightness,
    Subject as Of,
};

use super::Subject;
use super::by_rule::Asked;
use super::extract::wall_mm;
use super::location;

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
        tolerance: zone_mm,
        aligned: false,
        limits: [None, Some(zone_mm)],
    };
    let size = |rule: Box<dyn Rule>, nominal: f64, upper: f64, lower: f64, extremes: bool| Asked {
        rule,
        features: vec![own],
        own: 1,
        extremes,
        zone: false,
        tolerance: upper - lower,
        aligned: false,
        limits: [Some(nominal + lower), Some(nominal + upper)],
    };
    match subject.characteristic.requirement {
        Requirement::Diameter { nominal_mm, upper_deviation_mm, lower_deviation_mm, size: operator }
        | Requirement::Width { nominal_mm, upper_deviation_mm, lower_deviation_mm, size: operator } => {
            let extremes = operator != SizeOperator::LeastSquares;
            let rule = Box::new(Size { of, operator, section_mm });
            Ok(size(rule, nominal_mm, upper_deviation_mm, lower_deviation_mm, extremes))
        }
        Requirement::Radius { nominal_mm, upper_deviation_mm, lower_deviation_mm } => {
            Ok(size(Box::new(Radius { of }), nominal_mm, upper_deviation_mm, lower_deviation_mm, false))
        }
        Requirement::Distance { to, nominal_mm, upper_deviation_mm, lower_deviation_mm, along } => {
            let other = other(subject, to)?;
            let rule = Box::new(Distance { from: of, to: self::of(subject, other), along });
            let one = size(rule, nominal_mm, upper_deviation_mm, lower_deviation_mm, false);
            Ok(Asked { features: vec![own, to], own: 2, ..one })
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
        _ => location::asked(subject, own),
    }
}

fn other<'a>(subject: &Subject<'a>, feature: usize) -> Result<&'a BoundFeature, String> {
    subject
        .context
        .faces
        .features
        .get(feature)
        .ok_or_else(|| "a feature is not bound to the nominal".to_owned())
}

/// The feature, looked at along its nominal axis where its wall is shorter than wide and so does not tell its own.
pub(super) fn of(subject: &Subject, bound: &BoundFeature) -> Of {
    let width = match bound.situation {
        Situation::Hole { axis, diameter_mm: Some(d), .. } => Some((axis, d)),
        Situation::Cylinder { axis, diameter_mm, .. } => Some((axis, diameter_mm)),
        Situation::Slot { axis, width_mm: Some(w), .. } => Some((axis, w)),
        _ => None,
    };
    let wall = wall_mm(subject.context.nominal, bound);
    let short = |(axis, wide): (Direction, f64)| wall.is_some_and(|[a, b]| b - a < wide).then_some(axis);
    match width.and_then(short) {
        Some(axis) => Of::along(bound.situation, axis),
        None => Of::new(bound.situation),
    }
}

/// How thick a section is: what the filter lets through anyway, and never thinner than two spacings.
pub(super) fn section_mm(subject: &Subject) -> f64 {
    let nesting = subject.characteristic.filter.map_or(0.0, |f| f.nesting_index_mm);
    nesting.max(2.0 * subject.context.scan.spacing_mm())
}
