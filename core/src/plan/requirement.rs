//! Checks one characteristic: its requirement, the feature it is required of, and what it needs.

use super::check::{Names, filled, filled_if_given, filter, in_range};
use super::domain::{
    Characteristic, Condition, Filter, Needs, OrientationKind, RunoutDirection, StandardSystem,
    StraightnessOf, Zone,
};
use super::fault::Faults;
use super::file::{self, FeatureKind, PlanFile, When};
use super::nearest::list;
use super::neighbour;
use super::on_skin;
use super::required::Requirement;
use super::short_form::ShortForm;
use super::simultaneous;
use super::size::{Sized, size};
use super::thickness;
use super::tolerance;
use super::tree::short;

/// Seen fraction of the area of a plane or surface without which nothing is decided. A tenth may be
/// missing where clamps, stickers and a border lie; common practice, no source.
const COVERAGE_OF_AREA: f64 = 0.9;

/// Seen fraction of a hole's turn. Three quarters leave no half of the wall unseen, so that centre and
/// diameter are held on every side; scanners seldom see more. Common practice, no source.
const COVERAGE_OF_TURN: f64 = 0.75;

const REQUIREMENTS: [&str; 26] = [
    "surface_profile",
    "line_profile",
    "diameter",
    "width",
    "radius",
    "distance",
    "angle",
    "straightness",
    "flatness",
    "roundness",
    "cylindricity",
    "parallelism",
    "perpendicularity",
    "angularity",
    "position",
    "coaxiality",
    "symmetry",
    "circular_runout",
    "total_runout",
    "thickness",
    "gap",
    "step",
    "protrusion",
    "depth",
    "reading",
    "gauge",
];

pub(super) fn characteristic(
    faults: &Faults,
    names: &Names<'_>,
    file: &PlanFile,
    index: usize,
    plan_filter: Option<Filter>,
) -> Option<Characteristic> {
    let c = &file.characteristic[index];
    let place = format!("characteristic[{index}]");
    let at = |key: &str| format!("{place}.{key}");

    filled_if_given(faults, &at("title"), c.title.as_deref());
    filled_if_given(faults, &at("class"), c.class.as_deref());
    for (i, group) in c.group.iter().enumerate() {
        let place = format!("{}[{i}]", at("group"));
        filled(faults, &place, group);
        if !group.is_empty() && c.group[..i].contains(group) {
            faults.add(place, format!("\"{}\" stands twice; leave one", short(group)));
        }
    }

    let feature = c.feature.as_deref().map(|id| names.feature(faults, &at("feature"), id));
    let kind = feature
        .flatten()
        .filter(|&f| faults.sound(&at("feature")) && faults.sound(&format!("feature[{f}].kind")))
        .map(|f| file.feature[f].kind);
    let standard = c.standard.as_ref().unwrap_or(&file.standard);
    if let Some(own) = &c.standard {
        filled(faults, &at("standard.edition"), &own.edition);
    }
    let system = faults.sound(&at("standard")) && faults.sound("standard.system");
    let system = system.then_some(standard.system);
    let requirement = requirement(faults, names, file, &place, c, kind, system);
    if let (Some(requirement), Some(StandardSystem::Asme)) = (&requirement, system) {
        not_of_asme(faults, &place, requirement, kind);
    }
    if let (Some(requirement), Some(kind)) = (&requirement, kind) {
        let needed = features_of(requirement, kind);
        if !needed.contains(&kind) {
            let needed = needed.iter().map(|k| k.word()).collect::<Vec<_>>().join(" or ");
            faults.add(
                at("feature"),
                format!(
                    "\"{}\" is a {}, but {} is required of a {needed}; name another feature or requirement",
                    short(c.feature.as_deref().unwrap_or_default()),
                    kind.word(),
                    requirement.word()
                ),
            );
        } else {
            zone_of(faults, &format!("{place}.{}", requirement.word()), requirement, kind);
        }
        size_of(faults, file, &place, index, requirement, kind);
        neighbour::at_the_skin(faults, file, &place, index, requirement);
        on_skin::size_of_sink(faults, &place, requirement, kind);
    }

    let datum_system = c.datum_system.as_deref().map(|id| names.system(faults, &at("datum_system"), id));
    let filter = match c.filter {
        Some(own) => filter(faults, &at("filter"), own),
        None => plan_filter,
    };
    let by_hand = matches!(requirement, Some(Requirement::Reading { .. } | Requirement::Gauge { .. }));
    if c.feature.is_none() && requirement.is_some() && !by_hand && faults.sound(&at("feature")) {
        faults.add(at("feature"), "is missing; write the id of a `[[feature]]`");
    }
    match &requirement {
        Some(needs) if c.datum_system.is_none() && needs_datums(needs, kind) => {
            faults.add(at("datum_system"), "is missing; write the id of a `[[datum_system]]`");
        }
        Some(other) if c.datum_system.is_some() && !may_have_datums(other) => {
            faults.add(at("datum_system"), format!("{} refers to no datums; leave it out", other.word()));
        }
        Some(
            Requirement::SurfaceProfile { orientation_only: true, .. }
            | Requirement::LineProfile { orientation_only: true, .. }
            | Requirement::Position { orientation_only: true, .. },
        ) if c.datum_system.is_none() => {
            let word = requirement.as_ref().map_or("", Requirement::word);
            faults.add(
                at(&format!("{word}.orientation_only")),
                "says what a datum system does, but there is none; leave it out, or write `datum_system`",
            );
        }
        _ => {}
    }
    // A filter that was given but is wrong has its own fault.
    let filter_given = c.filter.is_some() || file.filter.is_some() || !faults.sound("filter");
    // The mean of a patch about a check point is no extreme.
    if requirement.as_ref().is_some_and(takes_extremes) && kind != Some(FeatureKind::Point) && !filter_given {
        faults.add(
            at("filter"),
            "is missing, here and for the whole plan; write `filter = { gaussian = { nesting_index_mm = 2.5 } }`",
        );
    }

    simultaneous::one(faults, &place, c, (requirement.as_ref(), kind, system));
    let needs = needs(faults, &at("needs"), c.needs, kind);
    Some(Characteristic {
        number: c.number.clone(),
        title: c.title.clone(),
        feature: match feature {
            Some(index) => Some(index?),
            None => None,
        },
        requirement: requirement?,
        datum_system: match datum_system {
            Some(index) => Some(index?),
            None => None,
        },
        class: c.class.clone(),
        required: match c.when {
            None | Some(When::Every) => true,
            Some(When::ReportOnly) => false,
        },
        groups: c.group.clone(),
        needs,
        filter,
        standard: standard.clone(),
        short_form: ShortForm::of(c),
        simultaneous: simultaneous::of(c),
    })
}

/// What ISO has and ASME has not: it would be judged by a rule that the drawing does not mean.
fn not_of_asme(faults: &Faults, place: &str, requirement: &Requirement, kind: Option<FeatureKind>) {
    let word = requirement.word();
    match requirement {
        Requirement::Coaxiality { .. } | Requirement::Symmetry { .. } => faults.add(
            format!("{place}.{word}"),
            "ASME Y14.5-2018 has neither coaxiality, concentricity nor symmetry (from memory); write `position`",
        ),
        // Of a check point it says nothing in either standard, and that is told elsewhere.
        Requirement::SurfaceProfile { offset_zone: true, .. } if kind != Some(FeatureKind::Point) => faults
            .add(
                format!("{place}.{word}.offset_zone"),
                "is OZ of ISO 1660, but the standard is ASME, whose zone stays at its offset (from memory); leave it out",
            ),
        _ => {}
    }
}

/// Whether its value is an extreme or rests on contacts, so that it needs filtered points.
fn takes_extremes(requirement: &Requirement) -> bool {
    use super::domain::SizeOperator::LeastSquares;
    match requirement {
        Requirement::Diameter { size, .. } | Requirement::Width { size, .. } => *size != LeastSquares,
        Requirement::SurfaceProfile { .. }
        | Requirement::LineProfile { .. }
        | Requirement::Straightness { .. }
        | Requirement::Flatness { .. }
        | Requirement::Roundness { .. }
        | Requirement::Cylindricity { .. }
        | Requirement::Orientation { .. }
        | Requirement::Symmetry { .. }
        | Requirement::Runout { .. }
        | Requirement::Gap { .. }
        | Requirement::Step { .. } => true,
        Requirement::Position { zone, condition, .. } => {
            *condition != Condition::Regardless || matches!(zone, Zone::Slab { .. })
        }
        Requirement::Radius { .. }
        | Requirement::Distance { .. }
        | Requirement::Angle { .. }
        | Requirement::Coaxiality { .. }
        | Requirement::Thickness(_)
        | Requirement::Protrusion { .. }
        | Requirement::Depth { .. }
        | Requirement::Reading { .. }
        | Requirement::Gauge { .. } => false,
    }
}

/// Whether it says nothing without datums. The features of a group are placed by each other too (ISO 5458).
fn needs_datums(requirement: &Requirement, kind: Option<FeatureKind>) -> bool {
    match requirement {
        Requirement::Position { .. } => kind != Some(FeatureKind::Group),
        Requirement::SurfaceProfile { .. } => kind == Some(FeatureKind::Point),
        Requirement::Orientation { .. }
        | Requirement::Coaxiality { .. }
        | Requirement::Symmetry { .. }
        | Requirement::Runout { .. }
        | Requirement::Gap { .. }
        | Requirement::Step { .. } => true,
        _ => false,
    }
}

fn may_have_datums(requirement: &Requirement) -> bool {
    matches!(
        requirement,
        Requirement::Position { .. }
            | Requirement::SurfaceProfile { .. }
            | Requirement::LineProfile { .. }
            | Requirement::Orientation { .. }
            | Requirement::Coaxiality { .. }
            | Requirement::Symmetry { .. }
            | Requirement::Runout { .. }
            | Requirement::Gap { .. }
            | Requirement::Step { .. }
            | Requirement::Distance { along: Some(_), .. }
    )
}

/// The kinds of features of which it can be required; `kind` where any will do.
fn features_of(requirement: &Requirement, kind: FeatureKind) -> Vec<FeatureKind> {
    use FeatureKind::{
        Cone, Countersink, Cylinder, Edge, Group, Hole, Plane, Point, Slot, Sphere, Surface, Torus, Width,
    };
    match requirement {
        Requirement::Reading { .. } | Requirement::Gauge { .. } => vec![kind],
        Requirement::Thickness(_) => thickness::FACES.to_vec(),
        Requirement::SurfaceProfile { .. } => {
            vec![Surface, Plane, Point, Cylinder, Cone, Sphere, Torus, Group, Countersink]
        }
        Requirement::LineProfile { .. } => vec![Surface, Plane, Cylinder, Cone, Sphere, Torus, Edge],
        Requirement::Gap { .. } | Requirement::Step { .. } => vec![Edge],
        Requirement::Protrusion { .. } => vec![Plane],
        Requirement::Depth { .. } => vec![Countersink],
        Requirement::Diameter { .. } => vec![Hole, Cylinder, Sphere, Countersink],
        Requirement::Width { .. } => vec![Slot, Width],
        Requirement::Radius { .. } => vec![Cylinder, Sphere, Torus],
        Requirement::Distance { .. } => vec![Plane, Hole, Slot, Cylinder, Cone, Sphere, Torus, Width],
        Requirement::Angle { to: None, .. } => vec![Cone, Countersink],
        Requirement::Angle { .. } => vec![Plane, Hole, Slot, Cylinder, Cone, Torus, Width],
        Requirement::Straightness { of: StraightnessOf::Axis, .. } => vec![Hole, Cylinder],
        Requirement::Straightness { of: StraightnessOf::Lines, .. } => vec![Cylinder, Cone],
        Requirement::Flatness { .. } => vec![Plane],
        Requirement::Roundness { .. } => vec![Hole, Cylinder, Cone, Sphere, Countersink],
        Requirement::Cylindricity { .. } => vec![Hole, Cylinder],
        Requirement::Orientation { tangent_plane: true, .. } => vec![Plane],
        Requirement::Orientation { .. } => vec![Plane, Hole, Cylinder, Width],
        Requirement::Position { .. } => vec![Hole, Cylinder, Sphere, Slot, Width, Plane, Group],
        Requirement::Coaxiality { .. } => vec![Hole, Cylinder, Cone, Sphere, Countersink],
        Requirement::Symmetry { .. } => vec![Slot, Width],
        Requirement::Runout { total: false, direction: RunoutDirection::Radial, .. } => {
            vec![Hole, Cylinder, Cone, Sphere]
        }
        Requirement::Runout { direction: RunoutDirection::Axial, .. } => vec![Plane],
        Requirement::Runout { total: true, direction: RunoutDirection::Radial, .. } => vec![Hole, Cylinder],
    }
}

/// Whether the zone is one that the feature can lie in.
fn zone_of(faults: &Faults, place: &str, requirement: &Requirement, kind: FeatureKind) {
    use FeatureKind::{Cylinder, Hole, Plane, Point, Slot, Sphere, Width};
    if let (Point, Requirement::SurfaceProfile { offset_zone, orientation_only, .. }) = (kind, requirement) {
        for (key, given) in [("offset_zone", offset_zone), ("orientation_only", orientation_only)] {
            if *given {
                faults.add(format!("{place}.{key}"), "says nothing of a single check point; leave it out");
            }
        }
    }
    let (zone, projected, at_height) = match requirement {
        Requirement::Orientation { zone, .. } => (zone, None, None),
        Requirement::Position { zone, projected_length_mm, at_height, .. } => {
            (zone, *projected_length_mm, *at_height)
        }
        _ => return,
    };
    let flat = matches!(kind, Plane | Width | Slot);
    match zone {
        Zone::Round { .. } if flat => faults.add(
            format!("{place}.zone_diameter_mm"),
            format!("is for an axis or a centre; the zone of a {} is `zone_width_mm`", kind.word()),
        ),
        Zone::Slab { across: None, .. }
            if matches!(kind, Hole | Cylinder | Sphere) && faults.sound(&format!("{place}.across")) =>
        {
            faults.add(format!("{place}.across"), "is missing; write a vector across the zone");
        }
        Zone::Slab { across: Some(_), .. } if flat => {
            faults.add(
                format!("{place}.across"),
                format!("is that of the {} itself; leave it out", kind.word()),
            );
        }
        _ => {}
    }
    let keys = [("projected_length_mm", projected.is_some()), ("at_height", at_height.is_some())];
    for (key, _) in keys.into_iter().filter(|k| k.1) {
        if !matches!(kind, Hole | Cylinder | FeatureKind::Group) {
            faults.add(format!("{place}.{key}"), "is for the axis of a hole or pin; leave it out");
        }
    }
}

/// Whether a material condition has a feature with a size, and names the characteristic that limits this size.
fn size_of(
    faults: &Faults,
    file: &PlanFile,
    place: &str,
    index: usize,
    requirement: &Requirement,
    kind: FeatureKind,
) {
    use FeatureKind::{Cylinder, Group, Hole, Slot, Sphere, Width};
    let (condition, size) = match requirement {
        Requirement::Orientation { condition, size, .. } | Requirement::Position { condition, size, .. } => {
            (*condition, *size)
        }
        _ => return,
    };
    let place = format!("{place}.{}", requirement.word());
    if condition == Condition::Regardless {
        return;
    }
    if !matches!(kind, Cylinder | Group | Hole | Slot | Sphere | Width) {
        let problem = format!("is for a feature of size, this is a {}; leave it out", kind.word());
        faults.add(format!("{place}.condition"), problem);
        return;
    }
    let Some(other) = size.and_then(|s| file.characteristic.get(s)) else { return };
    let own = &file.characteristic[index];
    let members = own.feature.as_deref().and_then(|id| file.feature.iter().find(|f| f.id == id));
    let members = members.and_then(|f| f.group.as_ref()).map_or(&[][..], |g| g.of.as_slice());
    let of_it = other.feature == own.feature || other.feature.as_ref().is_some_and(|f| members.contains(f));
    let limits_size = other.diameter.is_some() || other.width.is_some();
    if !(of_it && limits_size) {
        faults.add(
            format!("{place}.size_characteristic"),
            format!(
                "\"{}\" is no diameter or width of this feature; name the characteristic that is",
                short(&other.number)
            ),
        );
    }
}

fn requirement(
    faults: &Faults,
    names: &Names<'_>,
    file: &PlanFile,
    place: &str,
    c: &file::Characteristic,
    kind: Option<FeatureKind>,
    system: Option<StandardSystem>,
) -> Option<Requirement> {
    let at = |key: &str| format!("{place}.{key}");
    let form = |key: &str, f: Option<file::Form>| f.map(|f| tolerance::form(faults, &at(key), f));
    let orientation = |key: &str, kind: OrientationKind, o: Option<&file::Orientation>| {
        o.map(|o| tolerance::orientation(faults, names, &at(key), kind, o))
    };
    let sized = |key: &str, s: Option<&file::Size>| s.map(|s| size(faults, &at(key), s, kind));
    // Each is `None` where it is not written, and holds `None` where it is and has faults.
    let written: [Option<Option<Requirement>>; 26] = [
        c.surface_profile.map(|s| tolerance::surface_profile(faults, &at("surface_profile"), s, system)),
        c.line_profile.as_ref().map(|l| tolerance::line_profile(faults, &at("line_profile"), l, kind)),
        sized("diameter", c.diameter.as_ref()).map(|s| {
            let Sized { nominal_mm, upper_deviation_mm, lower_deviation_mm, size } = s;
            Some(Requirement::Diameter { nominal_mm, upper_deviation_mm, lower_deviation_mm, size })
        }),
        sized("width", c.width.as_ref()).map(|s| {
            let Sized { nominal_mm, upper_deviation_mm, lower_deviation_mm, size } = s;
            Some(Requirement::Width { nominal_mm, upper_deviation_mm, lower_deviation_mm, size })
        }),
        c.radius.map(|r| Some(tolerance::radius(faults, &at("radius"), r))),
        c.distance.as_ref().map(|d| tolerance::distance(faults, names, &at("distance"), d)),
        c.angle.as_ref().map(|a| tolerance::angle(faults, names, &at("angle"), a)),
        c.straightness.map(|s| tolerance::straightness(faults, &at("straightness"), s)),
        form("flatness", c.flatness)
            .map(|(zone_width_mm, association)| Some(Requirement::Flatness { zone_width_mm, association })),
        form("roundness", c.roundness)
            .map(|(zone_width_mm, association)| Some(Requirement::Roundness { zone_width_mm, association })),
        form("cylindricity", c.cylindricity).map(|(zone_width_mm, association)| {
            Some(Requirement::Cylindricity { zone_width_mm, association })
        }),
        orientation("parallelism", OrientationKind::Parallelism, c.parallelism.as_ref()),
        orientation("perpendicularity", OrientationKind::Perpendicularity, c.perpendicularity.as_ref()),
        orientation("angularity", OrientationKind::Angularity, c.angularity.as_ref()),
        c.position
            .as_ref()
            .map(|p| tolerance::position(faults, names, file, &at("position"), p, c.feature.as_deref())),
        c.coaxiality.map(|x| Some(tolerance::coaxiality(faults, &at("coaxiality"), x))),
        c.symmetry.map(|x| Some(tolerance::symmetry(faults, &at("symmetry"), x))),
        c.circular_runout.map(|r| Some(tolerance::runout(faults, &at("circular_runout"), false, r))),
        c.total_runout.map(|r| Some(tolerance::runout(faults, &at("total_runout"), true, r))),
        c.thickness
            .as_ref()
            .map(|t| thickness::thickness(faults, names, file, &at("thickness"), t, c.feature.as_deref())),
        c.gap.as_ref().map(|j| neighbour::joint(faults, names, &at("gap"), j, false)),
        c.step.as_ref().map(|j| neighbour::joint(faults, names, &at("step"), j, true)),
        c.protrusion
            .as_ref()
            .map(|p| on_skin::protrusion(faults, names, file, &at("protrusion"), p, c.feature.as_deref())),
        c.depth.map(|d| Some(on_skin::depth(faults, &at("depth"), d))),
        c.reading.as_ref().map(|r| Some(reading(faults, &at("reading"), r))),
        c.gauge.as_ref().map(|g| {
            filled(faults, &at("gauge.procedure"), &g.procedure);
            Some(Requirement::Gauge { procedure: g.procedure.clone() })
        }),
    ];
    let words: Vec<&str> =
        written.iter().zip(REQUIREMENTS).filter(|(w, _)| w.is_some()).map(|(_, word)| word).collect();
    match words.as_slice() {
        [_] => written.into_iter().flatten().next().flatten(),
        [] => {
            // Where a requirement is there but is no table, that is its fault already.
            if REQUIREMENTS.iter().all(|r| faults.sound(&at(r))) {
                faults.add(place, format!("requires nothing; write one of {}", list(&REQUIREMENTS)));
            }
            None
        }
        _ => {
            faults.add(
                place,
                format!(
                    "requires {}; leave one, and give each other a characteristic of its own",
                    list(&words)
                ),
            );
            None
        }
    }
}

fn reading(faults: &Faults, place: &str, r: &file::ReadingLimits) -> Requirement {
    filled(faults, &format!("{place}.quantity"), &r.quantity);
    filled(faults, &format!("{place}.unit"), &r.unit);
    let (lower, upper) = (format!("{place}.lower_limit"), format!("{place}.upper_limit"));
    let finite = |place: &str, value: Option<f64>| {
        value.is_none_or(|v| in_range(faults, place, v, |_| true, "in the unit of the reading"))
    };
    let ok = finite(&lower, r.lower_limit) & finite(&upper, r.upper_limit);
    match (r.lower_limit, r.upper_limit) {
        (None, None) if faults.sound(&lower) && faults.sound(&upper) => {
            faults.add(place, "has no limit; write `lower_limit`, `upper_limit` or both");
        }
        (Some(low), Some(high)) if ok && low >= high => {
            faults.add(
                &upper,
                format!("is {high}, not above the lower limit {low}; write the larger one here"),
            );
        }
        _ => {}
    }
    Requirement::Reading {
        quantity: r.quantity.clone(),
        unit: r.unit.clone(),
        lower_limit: r.lower_limit,
        upper_limit: r.upper_limit,
    }
}

fn needs(faults: &Faults, place: &str, n: Option<file::Needs>, kind: Option<FeatureKind>) -> Needs {
    let none =
        file::Needs { coverage: None, largest_unseen_disc_mm: None, points: None, points_per_cm2: None };
    let given = n.unwrap_or(none);
    if let Some(coverage) = given.coverage {
        let place = format!("{place}.coverage");
        in_range(faults, &place, coverage, |c| c > 0.0 && c <= 1.0, "above 0 and at most 1");
    }
    if let Some(disc) = given.largest_unseen_disc_mm {
        in_range(faults, &format!("{place}.largest_unseen_disc_mm"), disc, |d| d > 0.0, "above 0, in mm");
    }
    if let Some(density) = given.points_per_cm2 {
        if kind == Some(FeatureKind::Edge) {
            faults
                .add(format!("{place}.points_per_cm2"), "is for surfaces: an edge has no area; leave it out");
        }
        in_range(
            faults,
            &format!("{place}.points_per_cm2"),
            density,
            |d| d > 0.0,
            "above 0, points on each cm2",
        );
    }
    if let Some(points) = given.points
        && points < 1
    {
        faults.add(format!("{place}.points"), format!("is {points}; write 1 or more"));
    }
    let usual = if matches!(
        kind,
        Some(
            FeatureKind::Hole
                | FeatureKind::Slot
                | FeatureKind::Point
                | FeatureKind::Cylinder
                | FeatureKind::Countersink
        )
    ) {
        COVERAGE_OF_TURN
    } else {
        COVERAGE_OF_AREA
    };
    Needs {
        coverage: given.coverage.unwrap_or(usual),
        largest_unseen_disc_mm: given.largest_unseen_disc_mm,
        points: given.points.and_then(|p| usize::try_from(p).ok()),
        points_per_cm2: given.points_per_cm2,
    }
}
