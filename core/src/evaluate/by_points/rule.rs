//! Requirements that points serve by the rules of [`crate::tolerance`]: which rule, and of which features.
//!
//! Points are few and not filtered, so what is not seen between them the plan must say (`needs.points`). Locations are those of
//! centres, as the instrument told them or by least squares along the nominal axis; by ASME of mating envelopes, where enough points
//! show them (`envelope.rs`).

use crate::geometry::{Direction, Point, Twist};
use crate::plan::{
    BoundFeature, Characteristic, Condition, FeatureKind, Requirement, Situation, SizeOperator,
    StandardSystem, Zone,
};
use crate::tolerance::{
    Angle, CentreMember, CentrePosition, Coaxiality, Cylindricity, Distance, Leeway, LineProfile,
    Orientation, Position, PositionMember, Radius, Reference, Roundness, Rule, Runout, Size, Straightness,
    Subject as Of, SurfaceProfile, Symmetry,
};

use super::Subject;
use super::envelope::Shown;
use crate::evaluate::location::{datum_axis, independent, runs_round};

/// Points taken in one ring or along one line lie within this of it, mm, and cells in which two flanks are brought together are
/// this wide (common practice, no source).
const RING_MM: f64 = 2.0;
const CELL_MM: f64 = 10.0;

/// Turns are weighed against shifts at this distance, mm, where the part may be moved.
const LEVER_MM: f64 = 100.0;

/// A wall whose points lie closer together along its axis than this part of its width does not tell the axis.
const SHORT: f64 = 0.5;

/// A rule with what its numbers are held against.
pub(super) struct Wanted {
    pub(super) rule: Box<dyn Rule>,
    /// Indices of the features whose points it looks at, in its order.
    pub(super) features: Vec<usize>,
    /// Whether a centre as the instrument told it stands for a feature.
    pub(super) centres: bool,
    /// Whether it is fitted to all points, so that what they leave over beyond their uncertainty makes it less sure.
    pub(super) fitted: bool,
    /// Whether it rests on the mating envelope of its points, by which what a fit would leave over is form.
    pub(super) enveloped: bool,
    /// What must be known of its value, for the record.
    pub(super) caution: Option<String>,
    /// Whether its value is 0 or more by definition.
    pub(super) zone: bool,
    /// Whether the datums place or orient it.
    pub(super) aligned: bool,
    /// Width of the tolerance: mm, of an angle rad.
    pub(super) tolerance: f64,
    /// Smallest and largest accepted value: mm, of an angle rad.
    pub(super) limits: [Option<f64>; 2],
}

/// Whether points serve a requirement of a feature by a rule. What the plan only tells together with its features (an axis
/// among the datums) is refused when it is evaluated.
pub(super) fn served(characteristic: &Characteristic, bound: &BoundFeature) -> bool {
    if matches!(bound.kind, FeatureKind::Countersink | FeatureKind::Edge | FeatureKind::Point) {
        return false;
    }
    match characteristic.requirement {
        Requirement::Diameter { size, .. } | Requirement::Width { size, .. } => {
            !matches!(size, SizeOperator::TwoPoint | SizeOperator::Envelope)
        }
        Requirement::Position { condition, projected_length_mm, at_height, .. } => {
            condition == Condition::Regardless && projected_length_mm.is_none() && at_height.is_none()
        }
        Requirement::Orientation { condition, .. } => condition == Condition::Regardless,
        Requirement::SurfaceProfile { .. }
        | Requirement::LineProfile { section: Some(_), .. }
        | Requirement::Radius { .. }
        | Requirement::Distance { .. }
        | Requirement::Angle { .. }
        | Requirement::Straightness { .. }
        | Requirement::Roundness { .. }
        | Requirement::Cylindricity { .. }
        | Requirement::Coaxiality { .. }
        | Requirement::Symmetry { .. }
        | Requirement::Runout { .. } => true,
        _ => false,
    }
}

/// The features whose points serve a characteristic: its own or those that it is made of, and the one that it refers to.
pub fn features(characteristic: &Characteristic, bound: &BoundFeature) -> Vec<usize> {
    let Some(own) = characteristic.feature else { return Vec::new() };
    let mut all = match bound.situation {
        Situation::Group => Vec::new(),
        _ => vec![own],
    };
    all.extend(&bound.of);
    match characteristic.requirement {
        Requirement::Distance { to, .. } | Requirement::Angle { to: Some(to), .. } => all.push(to),
        _ => {}
    }
    all
}

impl Subject<'_> {
    /// The rule of the characteristic, or why there is none.
    pub(super) fn wanted(&self) -> Result<Wanted, String> {
        let own = self.characteristic.feature.ok_or("no feature is named")?;
        let (low, high) = self.characteristic.requirement.limits_mm();
        let of = self.of(self.bound);
        let reference =
            |a| Reference::of(a).ok_or_else(|| "its reference is none that a form has".to_owned());
        let form = |rule: Box<dyn Rule>, zone_mm: f64| Wanted {
            rule,
            features: vec![own],
            centres: false,
            fitted: false,
            enveloped: false,
            caution: None,
            zone: true,
            aligned: false,
            tolerance: zone_mm,
            limits: [None, Some(zone_mm)],
        };
        let size = |rule: Box<dyn Rule>| Wanted {
            rule,
            features: vec![own],
            centres: false,
            fitted: true,
            enveloped: false,
            caution: None,
            zone: false,
            aligned: false,
            tolerance: high.unwrap_or(0.0) - low.unwrap_or(0.0),
            limits: [low, high],
        };
        let placed = |rule: Box<dyn Rule>, zone_mm: f64| Wanted { aligned: true, ..form(rule, zone_mm) };
        let situation = self.bound.situation;
        Ok(match self.characteristic.requirement {
            Requirement::Diameter { size: operator, .. } | Requirement::Width { size: operator, .. } => {
                let fitted = operator == SizeOperator::LeastSquares;
                Wanted { fitted, ..size(Box::new(Size { of, operator, section_mm: RING_MM })) }
            }
            Requirement::Radius { .. } => size(Box::new(Radius { of })),
            Requirement::Distance { to, along, .. } => {
                let rule = Distance { from: of, to: self.of(self.feature(to)?), along };
                Wanted { features: vec![own, to], aligned: along.is_some(), ..size(Box::new(rule)) }
            }
            Requirement::Angle { to, nominal_rad, upper_deviation_rad, lower_deviation_rad } => {
                let second = to.map(|t| self.feature(t)).transpose()?.map(|b| self.of(b));
                let rule = Angle { from: of, to: second, nominal_rad };
                let limits = [nominal_rad + lower_deviation_rad, nominal_rad + upper_deviation_rad];
                Wanted {
                    features: [Some(own), to].into_iter().flatten().collect(),
                    tolerance: upper_deviation_rad - lower_deviation_rad,
                    limits: limits.map(Some),
                    ..size(Box::new(rule))
                }
            }
            Requirement::Straightness { zone, of: what, association } => {
                let reference = reference(association)?;
                let rule = Straightness { subject: of, of: what, reference, section_mm: RING_MM };
                form(Box::new(rule), zone.size_mm())
            }
            Requirement::Roundness { zone_width_mm, association } => {
                let rule = Roundness { of, reference: reference(association)?, section_mm: RING_MM };
                form(Box::new(rule), zone_width_mm)
            }
            Requirement::Cylindricity { zone_width_mm, association } => {
                form(Box::new(Cylindricity { reference: reference(association)? }), zone_width_mm)
            }
            Requirement::Orientation { zone, tangent_plane, .. } => {
                let (condition, cell_mm, leeway) = (None, CELL_MM, self.leeway(false));
                let (standard, enveloped, caution) = self.associated(&[self.bound]);
                let rule =
                    Orientation { situation, zone, condition, tangent_plane, standard, leeway, cell_mm };
                let fitted = has_centre(&situation);
                Wanted { fitted, enveloped, caution, ..placed(Box::new(rule), zone.size_mm()) }
            }
            Requirement::Coaxiality { zone_diameter_mm } => {
                let (at, datum_axis) = datum_axis(self.plan, self.faces, self.characteristic)?;
                let leeway = self.axis_held(at, datum_axis)?;
                let rule = Coaxiality { situation, axis: of.axis, at, datum_axis, leeway };
                Wanted { fitted: true, ..placed(Box::new(rule), zone_diameter_mm) }
            }
            Requirement::Symmetry { zone_width_mm } => self.symmetry(zone_width_mm, placed)?,
            Requirement::Runout { total, zone_width_mm, direction } => {
                let (at, datum_axis) = datum_axis(self.plan, self.faces, self.characteristic)?;
                self.axis_held(at, datum_axis)?;
                let rule = Runout { situation, at, datum_axis, direction, total, section_mm: RING_MM };
                placed(Box::new(rule), zone_width_mm)
            }
            Requirement::Position { zone, orientation_only, .. } => {
                self.located(zone, orientation_only, own, placed)?
            }
            Requirement::SurfaceProfile {
                limit_outside_mm,
                limit_inside_mm,
                offset_zone,
                orientation_only,
                ..
            } => {
                let features = self.members(own);
                let rule = SurfaceProfile {
                    surfaces: features.len(),
                    upper_mm: limit_outside_mm,
                    lower_mm: -limit_inside_mm,
                    offset_zone,
                    leeway: self.leeway(orientation_only),
                };
                let tolerance = limit_outside_mm + limit_inside_mm;
                let aligned = self.characteristic.datum_system.is_some();
                let (zone, limits) = (offset_zone, [low, high]);
                Wanted { features, zone, limits, aligned, ..placed(Box::new(rule), tolerance) }
            }
            Requirement::LineProfile {
                limit_outside_mm,
                limit_inside_mm,
                section: Some(section),
                orientation_only,
            } => {
                let rule = LineProfile {
                    at: section.at,
                    normal: section.normal,
                    half_width_mm: RING_MM,
                    between: section.between,
                    upper_mm: limit_outside_mm,
                    lower_mm: -limit_inside_mm,
                    leeway: self.leeway(orientation_only),
                };
                let aligned = self.characteristic.datum_system.is_some();
                let tolerance = limit_outside_mm + limit_inside_mm;
                Wanted { zone: false, limits: [low, high], aligned, ..placed(Box::new(rule), tolerance) }
            }
            _ => return Err("it is not evaluated by points in this version".into()),
        })
    }

    fn feature(&self, index: usize) -> Result<&BoundFeature, String> {
        self.faces.features.get(index).ok_or_else(|| "a feature is not bound to the nominal".to_owned())
    }

    /// The features that are judged together, or the one.
    fn members(&self, own: usize) -> Vec<usize> {
        if let Situation::Group = self.bound.situation { self.bound.of.clone() } else { vec![own] }
    }

    /// What the datums leave free; without any the part may lie as it will.
    pub(super) fn leeway(&self, orientation_only: bool) -> Leeway {
        let mut free = match self.characteristic.datum_system {
            None => Twist::all(LEVER_MM),
            Some(_) => self.pose.map_or_else(Vec::new, |p| p.free.clone()),
        };
        if orientation_only {
            free.extend(Twist::all(LEVER_MM).into_iter().take(3));
        }
        let centre = self.pose.map_or(self.bound.centroid, |p| p.centre);
        Leeway { centre, free: independent(&free), ..Leeway::none() }
    }

    /// What the datums leave free, none of which may move a datum axis otherwise than along itself or about itself.
    fn axis_held(&self, at: Point, axis: Direction) -> Result<Leeway, String> {
        let leeway = self.leeway(false);
        if leeway.free.iter().all(|t| runs_round(t, leeway.centre, at, axis)) {
            return Ok(leeway);
        }
        Err("its datums leave the datum axis free; lock the axis".into())
    }

    fn located(
        &self,
        zone: Zone,
        orientation_only: bool,
        own: usize,
        placed: impl Fn(Box<dyn Rule>, f64) -> Wanted,
    ) -> Result<Wanted, String> {
        let features = self.members(own);
        let mut situations = Vec::with_capacity(features.len());
        for &f in &features {
            situations.push(self.feature(f)?.situation);
        }
        let leeway = self.leeway(orientation_only);
        let size = zone.size_mm();
        if situations.iter().all(has_centre) {
            let mut members = Vec::with_capacity(features.len());
            let mut caution = None;
            for &f in &features {
                let bound = self.feature(f)?;
                if !has_envelope(&bound.situation, &zone) {
                    members.push(CentreMember::new(bound.situation));
                    continue;
                }
                // A wall whose points tell its axis is held at both ends, if they are enough for that too.
                let axis = self.of(bound).axis;
                let shown = match (self.envelope_of(bound, axis), bound.situation) {
                    (
                        Shown::TooFew(_),
                        Situation::Hole { axis: own, .. } | Situation::Cylinder { axis: own, .. },
                    ) if axis.is_none() => (self.envelope_of(bound, Some(own)), Some(own)),
                    (shown, _) => (shown, axis),
                };
                let (envelope, axis) = (shown.0.is_enough(), shown.1);
                if let Shown::TooFew(few) = shown.0 {
                    caution = caution.or_else(|| Some(self.no_envelope(&few)));
                }
                members.push(CentreMember { situation: bound.situation, envelope, axis });
            }
            let enveloped = members.iter().any(|m| m.envelope);
            let rule = CentrePosition { members, zone, leeway };
            let one = placed(Box::new(rule), size);
            return Ok(Wanted { features, centres: true, fitted: true, enveloped, caution, ..one });
        }
        if situations.iter().any(has_centre) {
            return Err(
                "its group has features with centres and others, which points do not serve together".into()
            );
        }
        let bounds = features.iter().map(|&f| self.feature(f)).collect::<Result<Vec<_>, _>>()?;
        let (standard, enveloped, caution) = self.associated(&bounds);
        let member = |situation| PositionMember {
            situation,
            axis: None,
            condition: None,
            projected: None,
            level: None,
        };
        let rule = Position {
            members: situations.into_iter().map(member).collect(),
            zone,
            standard,
            leeway,
            cell_mm: CELL_MM,
        };
        Ok(Wanted { features, enveloped, caution, ..placed(Box::new(rule), size) })
    }

    /// By whose rules features are associated: ASME's envelopes only where the points of all show theirs; whether they do, and what
    /// must be said where they do not.
    fn associated(&self, features: &[&BoundFeature]) -> (StandardSystem, bool, Option<String>) {
        let mut enveloped = false;
        for bound in features {
            match self.envelope_of(bound, None) {
                Shown::TooFew(few) => return (StandardSystem::Iso, false, Some(self.no_envelope(&few))),
                Shown::Enough => enveloped = true,
                Shown::NotAsked => {}
            }
        }
        (self.characteristic.standard.system, enveloped, None)
    }

    /// Of a slot by its centre, of a width by the middles of its flanks.
    fn symmetry(
        &self,
        zone_mm: f64,
        placed: impl Fn(Box<dyn Rule>, f64) -> Wanted,
    ) -> Result<Wanted, String> {
        let situation = self.bound.situation;
        let leeway = self.leeway(false);
        let held = |at: Point, across: Direction| {
            let moves = |t: &Twist| t.at(leeway.centre, &at).dot(&across.vector()).abs() > 1e-6;
            if leeway.free.iter().any(moves) {
                return Err("its datums leave the feature free across its middle plane, so it is symmetric to nothing; name a \
                            datum system that holds the middle plane"
                    .to_owned());
            }
            Ok(leeway.clone())
        };
        match situation {
            Situation::Slot { at, axis, along, .. } => {
                let across = Direction::new(axis.vector().cross(&along.vector()))
                    .ok_or("the slot has no direction across")?;
                let leeway = held(at, across)?;
                let zone = Zone::Slab { width_mm: zone_mm, across: Some(across) };
                let rule = CentrePosition { members: vec![CentreMember::new(situation)], zone, leeway };
                Ok(Wanted { centres: true, fitted: true, ..placed(Box::new(rule), zone_mm) })
            }
            Situation::Width { at, across, .. } => {
                let (axis, cell_mm, leeway) = (None, CELL_MM, held(at, across)?);
                let rule = Symmetry { situation, axis, at, across, cell_mm, leeway };
                Ok(placed(Box::new(rule), zone_mm))
            }
            _ => Err("a symmetry is that of a slot or a width".into()),
        }
    }

    /// A feature as a rule looks at it: along its nominal axis where its points do not tell their own.
    fn of(&self, bound: &BoundFeature) -> Of {
        let (at, axis, width) = match bound.situation {
            Situation::Hole { at, axis, diameter_mm } => (at, axis, diameter_mm),
            Situation::Cylinder { at, axis, diameter_mm, .. } => (at, axis, Some(diameter_mm)),
            Situation::Slot { at, axis, width_mm, .. } => (at, axis, width_mm),
            _ => return Of::new(bound.situation),
        };
        let own = self.all.iter().filter(|p| p.name == bound.id);
        let heights = own.map(|p| (p.point - at).dot(&axis.vector()));
        let (low, high) = heights.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), x| (l.min(x), h.max(x)));
        if width.is_some_and(|w| high - low >= SHORT * w) {
            Of::new(bound.situation)
        } else {
            Of::along(bound.situation, axis)
        }
    }
}

/// Whether what a zone holds of it has a mating envelope: of a slot only its two flanks do, not its two ends.
fn has_envelope(situation: &Situation, zone: &Zone) -> bool {
    let Situation::Slot { axis, along, .. } = situation else { return true };
    let side = axis.vector().cross(&along.vector());
    matches!(zone, Zone::Slab { across, .. } if across.is_none_or(|a| a.vector().dot(&side).abs() >= 0.7))
}

/// Whether it is told by its centre.
pub(super) fn has_centre(situation: &Situation) -> bool {
    matches!(
        situation,
        Situation::Hole { .. }
            | Situation::Slot { .. }
            | Situation::Cylinder { .. }
            | Situation::Sphere { .. }
    )
}
