//! Whether a scan is told in another length unit than it was made in: proven, not guessed.
//!
//! Where the size of the scan, or of a thing in it, suggests another unit, the part is searched in that
//! unit; only if it then lies there is that the answer. A wrong part of a suggestive size is no proof.

use super::clusters::clusters;
use super::draw::drawn;
use super::hunt::{Hunt, LOOSER};
use super::instances::InstancesSettings;
use super::locate::{DENSE_POINTS, LEAST_POINTS, LocateSettings, posed};
use super::locate_error::LocateError;
use super::sample::{Cloud, area, surface};
use super::samples::Samples;
use super::scene::Scene;
use super::search::Search;
use crate::geometry::{Point, TriangleMesh, Vector};
use crate::run::{Run, Stopped};
use crate::scan::{Normals, Scan};
use crate::search::SurfaceTree;

/// Length units taken for one another: by what the scan's coordinates should be multiplied, and how that came about.
pub(super) const MIXED_UP: [(f64, &str); 12] = [
    (25.4, "this looks like inch, not mm"),
    (1.0 / 25.4, "this looks like mm, not inch"),
    (10.0, "this looks like cm, not mm"),
    (0.1, "this looks like mm, not cm"),
    (1000.0, "this looks like m, not mm (or mm, not um)"),
    (0.001, "this looks like mm, not m (or um, not mm)"),
    (39.370_078_740_157_48, "this looks like m, not inch"),
    (0.0254, "this looks like inch, not m"),
    (2.54, "this looks like inch, not cm"),
    (1.0 / 2.54, "this looks like cm, not inch"),
    (100.0, "this looks like m, not cm"),
    (0.01, "this looks like cm, not m"),
];

/// Of a scan of several things, points that are looked at: they need only show what hangs together and hold
/// one part.
const GUARD_POINTS: usize = 150_000;
/// Units that are tried, those first in which most points are of things of the part's size; and things
/// tried in each.
const UNITS: usize = 4;
const THINGS: usize = 2;

/// A view of part of the part is smaller than it, so a third less is still the same size.
fn same_size(ratio: f64) -> bool {
    ratio > 0.65 && ratio < 1.3
}

/// What a factor between two length units says of the unit stated.
pub(super) fn unit_words(unit_ratio: f64) -> &'static str {
    MIXED_UP.iter().find(|m| m.0 == unit_ratio).map_or("its length unit is another", |m| m.1)
}

/// Whether the scan as a whole is this part in another length unit.
pub(super) fn whole_in_another(
    run: &Run,
    mesh: &TriangleMesh,
    tree: &SurfaceTree,
    all: &Cloud,
    dense: &Cloud,
    settings: &LocateSettings,
) -> Result<Option<LocateError>, Stopped> {
    let Some(size_ratio) = size_ratio(mesh, dense) else { return Ok(None) };
    for ratio in unit_ratios(size_ratio) {
        let scaled = Cloud {
            points: all.points.iter().map(|p| Point::from(p.coords * ratio)).collect(),
            normals: all.normals.clone(),
        };
        let thin = scaled.thinned(DENSE_POINTS);
        match posed(run, mesh, tree, Samples::new(scaled, thin, None), settings) {
            Err(LocateError::Stopped(stopped)) => return Err(stopped),
            Ok(_) | Err(LocateError::Undetermined { .. }) => {
                return Ok(Some(LocateError::OtherUnit { unit_ratio: ratio }));
            }
            Err(_) => {}
        }
    }
    Ok(None)
}

/// Whether something in a scan of several things is this part, of either hand, in another length unit. Asked
/// only where nothing was found in the unit stated.
pub(super) fn things_in_another(
    run: &Run,
    mesh: &TriangleMesh,
    tree: &SurfaceTree,
    scan: &Scan,
    settings: &LocateSettings,
) -> Result<Option<LocateError>, Stopped> {
    let Some(part_mm) = size_of(mesh) else { return Ok(None) };
    let mut chosen = drawn(scan.points().len(), GUARD_POINTS);
    let apart = scan.points().len() as f64 / chosen.len().max(1) as f64;
    chosen.retain(|&i| scan.points().at(i as usize).iter().all(|c| c.is_finite()));
    if chosen.len() < LEAST_POINTS {
        return Ok(None);
    }
    let cloud = Cloud::pick(scan.points(), scan.normals(), &chosen);
    let spacing_mm = scan.spacing_mm() * apart.sqrt();
    let whole_mm = crate::geometry::Aabb::of(&cloud.points).diagonal();
    let search = Search::new(run, mesh, tree, cloud.normals.is_some(), settings)?;
    let mut tries: Vec<Try> = Vec::new();
    for (ratio, _) in MIXED_UP {
        // No part is larger than the scan that shows it; of none that is so much larger anything is to be seen.
        if !(whole_mm * ratio > part_mm && whole_mm * ratio < 1000.0 * part_mm) {
            continue;
        }
        let points: Vec<Point> = cloud.points.iter().map(|p| Point::from(p.coords * ratio)).collect();
        let scene = {
            let normals = cloud.normals.as_deref().map(Normals::from);
            Scene::new(run, &search, (&points).into(), normals, spacing_mm * ratio)?
        };
        let things = of_its_size(run, &search, &scene)?;
        if !things.is_empty() {
            let weight = things.iter().map(Vec::len).sum();
            let things = things.into_iter().take(THINGS).collect();
            tries.push(Try { ratio, scene, things, weight });
        }
    }
    tries.sort_by_key(|t| std::cmp::Reverse(t.weight));
    let settings = InstancesSettings { locate: settings.clone(), ..InstancesSettings::default() };
    for one in tries.into_iter().take(UNITS) {
        if Hunt::new(&search, &one.scene, &settings, false).any(run, one.things)? {
            return Ok(Some(LocateError::OtherUnit { unit_ratio: one.ratio }));
        }
    }
    Ok(None)
}

/// No heap of parts is so many times as large as one of them.
const GIANT: f64 = 6.0;

/// Whether most points of a scene's things that are worth a search are of things far larger than the part.
pub(super) fn mostly_giants(run: &Run, search: &Search, scene: &Scene) -> Result<bool, Stopped> {
    let Some(part_mm) = size_of(search.exact.mesh) else { return Ok(false) };
    let (mut giants, mut others) = (0, 0);
    for thing in scene.clusters.iter().filter(|c| search.plausible(c.cubes, scene.link_mm)) {
        run.check()?;
        let thin = scene.cloud.some(&thing.members).thinned(DENSE_POINTS);
        let giant = size_mm(&thin.points).is_some_and(|size| size > GIANT * part_mm);
        *(if giant { &mut giants } else { &mut others }) += thing.members.len();
    }
    Ok(giants > others)
}

/// A unit in which a scan holds things of the part's size.
struct Try {
    ratio: f64,
    scene: Scene,
    /// The largest of them, as points of the scene.
    things: Vec<Vec<u32>>,
    /// Points of all of them.
    weight: usize,
}

/// The things of a scene that are as large as the part, and what is so together with its neighbours.
pub(super) fn of_its_size(run: &Run, search: &Search, scene: &Scene) -> Result<Vec<Vec<u32>>, Stopped> {
    let Some(part_mm) = size_of(search.exact.mesh) else { return Ok(Vec::new()) };
    let mut found: Vec<Vec<u32>> = Vec::new();
    for link_mm in [scene.link_mm, LOOSER * scene.link_mm] {
        for cluster in clusters(run, &scene.cloud.points, link_mm)? {
            if cluster.members.len() < LEAST_POINTS || !search.plausible(cluster.cubes, link_mm) {
                continue;
            }
            let thin = scene.cloud.some(&cluster.members).thinned(DENSE_POINTS);
            if size_mm(&thin.points).is_some_and(|size| same_size(size / part_mm))
                && !found.contains(&cluster.members)
            {
                found.push(cluster.members);
            }
        }
        // Pieces are put together only where no whole is there.
        if !found.is_empty() {
            break;
        }
    }
    Ok(found)
}

/// The scan's size over the nominal's; `None` for a nominal without area.
pub(super) fn size_ratio(mesh: &TriangleMesh, dense: &Cloud) -> Option<f64> {
    Some(size_mm(&dense.points)? / size_of(mesh)?).filter(|r| r.is_finite())
}

/// The size of the nominal, mm; `None` when it has no area.
fn size_of(mesh: &TriangleMesh) -> Option<f64> {
    let places: Vec<Point> = surface(mesh, area(mesh) / 2000.0).iter().map(|s| s.point).collect();
    size_mm(&places).filter(|s| *s > 0.0)
}

/// The size of some points that clutter does not change: the distance from the middle that eight of ten stay
/// within, mm.
fn size_mm(points: &[Point]) -> Option<f64> {
    // Of a frame the median lies on one side or the other; the middle between two tails does not jump.
    let middle_of = |axis: usize| {
        let mut values: Vec<f64> = points.iter().map(|p| p[axis]).collect();
        values.sort_unstable_by(f64::total_cmp);
        let tail = values.len() / 10;
        Some(0.5 * (values.get(tail)? + values.get(values.len() - 1 - tail)?))
    };
    let middle = Vector::new(middle_of(0)?, middle_of(1)?, middle_of(2)?);
    let mut radii: Vec<f64> = points.iter().map(|p| (p.coords - middle).norm()).collect();
    radii.sort_unstable_by(f64::total_cmp);
    radii.get(radii.len() * 8 / 10).copied()
}

/// The factors between two length units that bring the sizes together; none where the sizes are alike.
fn unit_ratios(size_ratio: f64) -> impl Iterator<Item = f64> {
    let alike = same_size(size_ratio);
    MIXED_UP.iter().map(|m| m.0).filter(move |k| !alike && same_size(size_ratio * k))
}

#[cfg(test)]
#[path = "unit_tests.rs"]
mod tests;
