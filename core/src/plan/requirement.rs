//! Checks one characteristic: its requirement, the feature it is required of, and what it needs.

use super::check::{Names, filled, filled_if_given, filter, in_range};
use super::domain::{Characteristic, Filter, Needs, Requirement};
use super::fault::Faults;
use super::file::{self, FeatureKind, PlanFile, When};
use super::nearest::list;
use super::size::diameter;
use super::tree::short;

/// Seen fraction of the area of a plane or surface without which nothing is decided. A tenth may be
/// missing where clamps, stickers and a border lie; common practice, no source.
const COVERAGE_OF_AREA: f64 = 0.9;

/// Seen fraction of a hole's turn. Three quarters leave no half of the wall unseen, so that centre and
/// diameter are held on every side; scanners seldom see more. Common practice, no source.
const COVERAGE_OF_TURN: f64 = 0.75;

const REQUIREMENTS: [&str; 6] = ["surface_profile", "diameter", "position", "flatness", "reading", "gauge"];

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
    let requirement = requirement(faults, &place, c);
    if let (Some(requirement), Some(kind)) = (&requirement, kind) {
        let needed: &[FeatureKind] = match requirement {
            Requirement::Reading { .. } | Requirement::Gauge { .. } => &[kind],
            Requirement::SurfaceProfile { .. } => {
                &[FeatureKind::Surface, FeatureKind::Plane, FeatureKind::Point]
            }
            Requirement::Diameter { .. } | Requirement::Position { .. } => &[FeatureKind::Hole],
            Requirement::Flatness { .. } => &[FeatureKind::Plane],
        };
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
        }
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
        Some(Requirement::SurfaceProfile { .. } | Requirement::Position { .. }) if datum_system.is_none() => {
            faults.add(at("datum_system"), "is missing; write the id of a `[[datum_system]]`");
        }
        Some(
            other @ (Requirement::Diameter { .. }
            | Requirement::Flatness { .. }
            | Requirement::Reading { .. }
            | Requirement::Gauge { .. }),
        ) if datum_system.is_some() => {
            faults.add(at("datum_system"), format!("{} refers to no datums; leave it out", other.word()));
        }
        _ => {}
    }
    // A filter that was given but is wrong has its own fault.
    let filter_given = c.filter.is_some() || file.filter.is_some() || !faults.sound("filter");
    // The mean of a patch about a check point is no extreme.
    if let Some(Requirement::SurfaceProfile { .. } | Requirement::Flatness { .. }) = requirement
        && kind != Some(FeatureKind::Point)
        && !filter_given
    {
        faults.add(
            at("filter"),
            "is missing, here and for the whole plan; write `filter = { gaussian = { nesting_index_mm = 2.5 } }`",
        );
    }

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
    })
}

fn requirement(faults: &Faults, place: &str, c: &file::Characteristic) -> Option<Requirement> {
    let surface_profile =
        c.surface_profile.map(|s| surface_profile(faults, &format!("{place}.surface_profile"), s));
    let diameter = c.diameter.as_ref().map(|d| diameter(faults, &format!("{place}.diameter"), d));
    let position = c.position.map(|p| {
        let place = format!("{place}.position.zone_diameter_mm");
        in_range(faults, &place, p.zone_diameter_mm, |z| z > 0.0, "above 0, the zone's diameter in mm");
        Requirement::Position { zone_diameter_mm: p.zone_diameter_mm }
    });
    let flatness = c.flatness.map(|f| {
        let place = format!("{place}.flatness.zone_width_mm");
        in_range(faults, &place, f.zone_width_mm, |z| z > 0.0, "above 0, the zone's width in mm");
        Requirement::Flatness { zone_width_mm: f.zone_width_mm, association: f.association }
    });
    let reading = c.reading.as_ref().map(|r| reading(faults, &format!("{place}.reading"), r));
    let gauge = c.gauge.as_ref().map(|g| {
        filled(faults, &format!("{place}.gauge.procedure"), &g.procedure);
        Requirement::Gauge { procedure: g.procedure.clone() }
    });
    let mut given: Vec<Requirement> =
        [surface_profile, diameter, position, flatness, reading, gauge].into_iter().flatten().collect();
    match given.as_slice() {
        [_] => given.pop(),
        [] => {
            // Where a requirement is there but is no table, that is its fault already.
            if REQUIREMENTS.iter().all(|r| faults.sound(&format!("{place}.{r}"))) {
                faults.add(place, format!("requires nothing; write one of {}", list(&REQUIREMENTS)));
            }
            None
        }
        more => {
            let words: Vec<&str> = more.iter().map(Requirement::word).collect();
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

fn surface_profile(faults: &Faults, place: &str, s: file::SurfaceProfile) -> Requirement {
    let outside = format!("{place}.limit_outside_mm");
    let inside = format!("{place}.limit_inside_mm");
    let range = "of 0 or more, in mm";
    let ok = in_range(faults, &outside, s.limit_outside_mm, |l| l >= 0.0, range)
        & in_range(faults, &inside, s.limit_inside_mm, |l| l >= 0.0, range);
    let sound = faults.sound(&outside) && faults.sound(&inside);
    if ok && sound && s.limit_outside_mm + s.limit_inside_mm <= 0.0 {
        faults.add(place, "the zone has no width; write a limit above 0 on one side at least");
    }
    Requirement::SurfaceProfile { limit_outside_mm: s.limit_outside_mm, limit_inside_mm: s.limit_inside_mm }
}

fn needs(faults: &Faults, place: &str, n: Option<file::Needs>, kind: Option<FeatureKind>) -> Needs {
    let given = n.unwrap_or(file::Needs { coverage: None, largest_unseen_disc_mm: None, points: None });
    if let Some(coverage) = given.coverage {
        let place = format!("{place}.coverage");
        in_range(faults, &place, coverage, |c| c > 0.0 && c <= 1.0, "above 0 and at most 1");
    }
    if let Some(disc) = given.largest_unseen_disc_mm {
        in_range(faults, &format!("{place}.largest_unseen_disc_mm"), disc, |d| d > 0.0, "above 0, in mm");
    }
    if let Some(points) = given.points
        && points < 1
    {
        faults.add(format!("{place}.points"), format!("is {points}; write 1 or more"));
    }
    let usual = if matches!(kind, Some(FeatureKind::Hole | FeatureKind::Slot | FeatureKind::Point)) {
        COVERAGE_OF_TURN
    } else {
        COVERAGE_OF_AREA
    };
    Needs {
        coverage: given.coverage.unwrap_or(usual),
        largest_unseen_disc_mm: given.largest_unseen_disc_mm,
        points: given.points.and_then(|p| usize::try_from(p).ok()),
    }
}
