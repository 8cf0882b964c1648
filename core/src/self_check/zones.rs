//! Shapes that rest on their extreme points, against values that other code computed for the same points.

use rayon::prelude::*;

use super::references::{ComputedZone, PublishedFit, References};
use super::report::{Basis, Check, Group, Quantity};
use crate::associate::{Association, Criterion, FitError, Shape, associate_by};
use crate::geometry::{Point, Vector};
use crate::run::{Run, Stopped};

/// mm. The values were computed to ten digits.
const LIMIT: f64 = 1e-7;

/// Within this of a border a point touches it, mm: the rounding of coordinates within a metre, ten times over.
const TOUCH_MM: f64 = 1e-9;

const SOURCE: &str = "computed for this program with other code: zones of planes by all pairs of face \
                      and vertex, edge and edge of the convex hull, the others by sequential linear programming; the \
                      point sets are those of the least-squares fits";

pub(super) fn groups(run: &Run, references: &References) -> Result<Vec<Group>, Stopped> {
    let set_of = |(shape, zone): &(Shape, ComputedZone)| {
        references.fits.iter().find(|f| f.shape == *shape && f.number == zone.set)
    };
    let zones = references
        .zones
        .par_iter()
        .map(|row| match set_of(row) {
            Some(set) => narrowest(run, set, &row.1),
            None => Ok(Check::missing(&row.1.set.to_string(), row.0.name(), &"its points are not there")),
        })
        .collect::<Result<_, _>>()?;
    let rows: Vec<_> = references.zones.iter().filter(|(shape, _)| *shape == Shape::Circle).collect();
    let round: Vec<Vec<Check>> = rows
        .par_iter()
        .map(|row| set_of(row).map_or(Ok(Vec::new()), |set| inner_and_outer(run, set, &row.1)))
        .collect::<Result<_, _>>()?;
    Ok(vec![
        Group::of("minimum_zone", "minimum zones, as narrow or narrower", Basis::Computed, SOURCE, zones),
        Group::of(
            "circles_by_contacts",
            "circumscribed and inscribed circles",
            Basis::Computed,
            SOURCE,
            round.into_iter().flatten().collect(),
        ),
    ])
}

/// The answer, or the check that has none.
fn answer(
    run: &Run,
    set: &PublishedFit,
    criterion: Criterion,
) -> Result<Result<Association, FitError>, Stopped> {
    run.check()?;
    match associate_by(run, set.shape, criterion, &set.points) {
        Err(FitError::Stopped(stopped)) => Err(stopped),
        other => Ok(other),
    }
}

fn narrowest(run: &Run, set: &PublishedFit, zone: &ComputedZone) -> Result<Check, Stopped> {
    let found = match answer(run, set, Criterion::MinimumZone)? {
        Ok(found) => found,
        Err(e) => return Ok(Check::missing(&set.name, set.shape.name(), &e)),
    };
    let stated = zone.mz_hull.or(zone.mz).unwrap_or(f64::NAN);
    let named = |name| (name, "mm");
    // A narrower zone is a better one, if all points are within it.
    let wider = (found.form_mm - stated).max(if stated.is_nan() { f64::NAN } else { 0.0 });
    let (low, high) = range(set, &found);
    let off = contacts_off(set, &found, low, high);
    let mut check = vec![
        Quantity::of(named("width"), (&[found.form_mm], &[stated]), wider, LIMIT),
        Quantity::number(named("width, distance by distance"), high - low, found.form_mm, LIMIT),
    ];
    check.push(Quantity::of(named("contacts from their border"), (&[], &[]), off, TOUCH_MM));
    Ok(Check::of(&set.name, set.shape.name(), check))
}

/// Signed distance from what was found: the shortest way to say it.
fn distance(found: &Association, p: &Point) -> f64 {
    let off = p - Point::from(found.point_mm);
    let d = found.direction.map_or(Vector::repeat(f64::NAN), Vector::from);
    let radius = found.radius_mm.unwrap_or(f64::NAN);
    match found.shape {
        Shape::Plane => off.dot(&d),
        Shape::Sphere => off.norm() - radius,
        _ => off.cross(&d).norm() - radius,
    }
}

/// Smallest and largest distance; no number as soon as one is none.
fn range(set: &PublishedFit, found: &Association) -> (f64, f64) {
    set.points.iter().map(|p| distance(found, p)).fold(
        (f64::INFINITY, f64::NEG_INFINITY),
        |(low, high), d| {
            if d.is_nan() { (d, d) } else { (low.min(d), high.max(d)) }
        },
    )
}

/// How far the contacts are from the border that they are said to touch; no contacts hold nothing.
fn contacts_off(set: &PublishedFit, found: &Association, low: f64, high: f64) -> f64 {
    let off = |index: u64| {
        let point = usize::try_from(index).ok().and_then(|i| set.points.get(i));
        point.map_or(f64::INFINITY, |p| {
            let d = distance(found, p);
            (d - low).abs().min((high - d).abs())
        })
    };
    if found.contacts.is_empty() {
        return f64::INFINITY;
    }
    found.contacts.iter().fold(0.0, |most, c| most.max(off(c.index)))
}

/// Where points leave more than half a turn open both circles are to be refused.
fn inner_and_outer(run: &Run, set: &PublishedFit, zone: &ComputedZone) -> Result<Vec<Check>, Stopped> {
    let open = zone.max_gap_deg.is_some_and(|gap| gap > 180.0);
    let mut checks = Vec::new();
    for (criterion, word, stated) in [
        (Criterion::MinimumCircumscribed, "circumscribed circle", zone.mcc_diameter),
        (Criterion::MaximumInscribed, "inscribed circle", zone.mic_diameter),
    ] {
        let found = answer(run, set, criterion)?;
        if open {
            let told =
                if matches!(found, Err(FitError::Undetermined { .. })) { "refused" } else { "answered" };
            let check = Check::of(&set.name, word, Vec::new()).worded(told, "refused");
            checks.push(check.noted("the points leave more than half a turn open"));
            continue;
        }
        // None was computed for three points and for 179.94 degrees of gap.
        let Some(stated) = stated else { continue };
        let found = match found {
            Ok(found) => found,
            Err(e) => {
                checks.push(Check::missing(&set.name, word, &e));
                continue;
            }
        };
        let ours = 2.0 * found.radius_mm.unwrap_or(f64::NAN);
        let (low, high) = range(set, &found);
        let circumscribed = criterion == Criterion::MinimumCircumscribed;
        // The larger inscribed circle is the better one; the smallest circumscribed is one only.
        let (worse, beyond) =
            if circumscribed { ((ours - stated).abs(), high) } else { ((stated - ours).max(0.0), -low) };
        let worse = if ours.is_nan() { f64::NAN } else { worse };
        checks.push(Check::of(
            &set.name,
            word,
            vec![
                Quantity::of(("diameter", "mm"), (&[ours], &[stated]), worse, LIMIT),
                Quantity::of(("points beyond it", "mm"), (&[beyond], &[0.0]), beyond.abs(), LIMIT),
            ],
        ));
    }
    Ok(checks)
}
