//! Datum features and targets as points show them that an arm, a measuring machine or a hand took.
//!
//! Each point errs by its stated uncertainty, or by what the fit leaves over where that is more: Birge's ratio, never
//! below 1 (Birge, Physical Review 40, 1932, p. 207, from memory). What points cannot be of what their name says is
//! refused once the part rests ([`belongs`]).

use crate::associate::{
    AssociatedPlane, On, PatternPoint, associate_pattern, circle, plane, sphere_of_radius,
};
use crate::geometry::{Direction, Motion, PartFrame, Point, ScanFrame, Twist};
use crate::plan::{Association, DatumSystem, FaceMap, Plan, Situation};
use crate::points::{PointSet, Role, TakenPoint, off_the_wall_mm};
use crate::run::quiet;

use super::holds::{Hold, HoldKind, holds};
use super::leeway::{loose, orthogonal};
use super::on_scan::features::{failed, measured as measured_by, rows};
use super::on_scan::{missing, of_plane};
use super::pattern::Features;
use super::targets::TargetMeasured;
use super::{DatumError, DatumTaken, Loose, Measured, covariance, solved, start, taken};

/// Points aligned on the datums.
#[derive(Clone, Debug, PartialEq)]
pub struct PointDatums {
    /// Takes the points' coordinates to part coordinates.
    pub part_from_points: Motion<PartFrame, ScanFrame>,
    /// Point about which `covariance` turns, mm.
    pub centre: Point,
    /// Covariance of (turn about x, y, z, rad; shift along x, y, z, mm) from the points' stated uncertainty; `None`
    /// when one of them states none.
    pub covariance: Option<[[f64; 6]; 6]>,
    /// Motions about `centre` that no datum locks: orthogonal, each of 1 mm at the largest distance of a target from
    /// it. Along them the points lie as they were first laid on the part.
    pub free: Vec<Twist>,
    /// Datums at a material condition, and the motions that are loose within their boundaries.
    pub loose: Vec<Loose>,
    /// Every datum and target.
    pub datums: Vec<DatumTaken>,
    /// Rounds until it rested.
    pub rounds: u32,
}

/// Rounds after which points that still move have no datum system.
const MOST_ROUNDS: u32 = 50;

/// The part rests when a round moves no datum by more than this, mm.
const STILL_MM: f64 = 1e-10;

/// Establishes a datum system on points in the instrument's axes.
///
/// # Errors
/// A datum or target without points, points that do not determine it, what only a scan shows.
pub fn establish_by_points(
    set: &PointSet,
    system: &DatumSystem,
    plan: &Plan,
    faces: &FaceMap,
) -> Result<PointDatums, DatumError> {
    let all = holds(system, plan, faces)?;
    if system.best_fit.is_some() {
        return Err(DatumError::OnScansOnly { id: system.id.clone(), what: "its best fit" });
    }
    let nominal = all.targets();
    let holds = &all.all;
    let of: Vec<Vec<&TakenPoint>> =
        holds.iter().map(|h| set.points.iter().filter(|p| h.is_named(&p.name)).collect()).collect();
    for (hold, points) in holds.iter().zip(&of) {
        if points.is_empty() {
            return Err(missing(
                hold,
                "no point of it was taken; take it, or give points in the part's axes".into(),
            ));
        }
    }
    let mut pose = start::of_points(set, system, holds, plan, faces)?;
    let mut moved_mm = f64::INFINITY;
    for round in 1..=MOST_ROUNDS {
        // Holes square to the first plane, and sides of planes, follow from the pose.
        let mut normal = None;
        let mut measured = Vec::with_capacity(holds.len());
        for (hold, points) in holds.iter().zip(&of) {
            let found = one(hold, points, &pose, normal)?;
            if let HoldKind::Plane { .. } = hold.kind {
                normal = normal.or(found.targets[0].normal);
            }
            measured.push(found);
        }
        let solved = solved(system, &all, &nominal, &measured, pose)?;
        let step = solved.part_from_scan * pose.inverse();
        moved_mm = nominal.iter().map(|t| (step.point(&t.nominal) - t.nominal).norm()).fold(0.0, f64::max);
        pose = solved.part_from_scan;
        let size = nominal.iter().map(|t| t.nominal.coords.amax()).fold(1.0, f64::max);
        if moved_mm < STILL_MM.max(1e-14 * size) {
            for (hold, points) in holds.iter().zip(&of) {
                belongs(hold, points, &pose)?;
            }
            let lever_mm = nominal.iter().map(|t| (t.nominal - solved.centre).norm()).fold(1.0, f64::max);
            let known = of.iter().flatten().all(|p| p.standard_mm.is_some());
            return Ok(PointDatums {
                part_from_points: pose,
                centre: solved.centre,
                covariance: known.then(|| covariance(&solved, holds, &measured)),
                free: orthogonal(&solved.free, lever_mm),
                loose: loose(&solved, &all.loose, lever_mm),
                datums: taken(&solved, holds, &measured),
                rounds: round,
            });
        }
    }
    Err(DatumError::NotSettled { id: system.id.clone(), rounds: MOST_ROUNDS, moved_mm })
}

/// One hold at one pose. Where no uncertainty is stated it counts as none here, and is told as unknown.
fn one(
    hold: &Hold,
    taken: &[&TakenPoint],
    pose: &Motion<PartFrame, ScanFrame>,
    normal: Option<Direction>,
) -> Result<Measured, DatumError> {
    let fit =
        |cause| DatumError::Fit { letter: hold.letter.to_owned(), feature: hold.name.to_owned(), cause };
    let standard = taken.iter().filter_map(|p| p.standard_mm).fold(0.0, f64::max);
    let points: Vec<Point> = taken.iter().map(|p| pose.point(&p.point)).collect();
    let same = |point: Point, normal: Option<Direction>, standard_mm: f64| {
        Measured::of(vec![TargetMeasured { point, normal, standard_mm }; hold.targets.len()])
    };
    let centre = taken.iter().position(|p| p.role == Role::Centre).map(|i| points[i]);
    Ok(match &hold.kind {
        HoldKind::Plane { normal: facing, .. } => {
            let found = plane(&points).map_err(fit)?.facing(*facing);
            let [a, b] = found.along;
            let standard = birge(standard, found.noise_mm());
            let associated = AssociatedPlane {
                point: found.centroid,
                normal: found.normal,
                axes: (a.vector(), b.vector()),
                covariance: found.unit_covariance.map(|row| row.map(|c| c * standard * standard)),
                residual_mm: found.high.0.max(-found.low.0),
                cells: points.len(),
            };
            of_plane(hold, &associated)
        }
        HoldKind::Hole { axis, .. } => match centre {
            Some(centre) => same(centre, None, standard),
            None => {
                let found = circle(&points, normal.unwrap_or(*axis)).map_err(fit)?;
                let worst = found.unit_covariance[0][0].max(found.unit_covariance[1][1]).max(0.0);
                same(found.centre, None, birge(standard, found.noise_mm()) * worst.sqrt())
            }
        },
        HoldKind::Slot { at, axis, along, .. } => match centre {
            Some(centre) => same(centre, None, standard),
            None => {
                let across = axis.vector().cross(&along.vector());
                let Some([low, high]) = flanks(points.iter().map(|p| (p - at).dot(&across))) else {
                    return Err(missing(hold, ONE_FLANK.into()));
                };
                let (n, m) = (low.count as f64, high.count as f64);
                // Each flank takes one freedom.
                let seen = (n + m > 2.0).then(|| ((low.square + high.square) / (n + m - 2.0)).sqrt());
                let middle = at + across * (0.5 * (low.mean + high.mean));
                same(middle, None, 0.5 * birge(standard, seen) * (1.0 / n + 1.0 / m).sqrt())
            }
        },
        HoldKind::Features(features) => together(hold, features, taken, &points, standard)?,
        HoldKind::Pad(pad) if pad.line_to.is_some() => {
            return Err(missing(hold, "a target line is taken on a scan and not by points".into()));
        }
        HoldKind::Pad(_) => {
            let normal = taken[0].normal.map(|n| pose.direction(n));
            same(points[0], normal, standard)
        }
        HoldKind::Ball { diameter_mm, standard_mm, .. } => {
            let combined = |own: f64| (own * own + standard_mm * standard_mm).sqrt();
            match (centre, diameter_mm) {
                (Some(centre), _) => same(centre, None, combined(standard)),
                (None, None) if points.len() == 1 => same(points[0], None, combined(standard)),
                (None, Some(diameter)) => {
                    let found = sphere_of_radius(&points, 0.5 * diameter).map_err(fit)?;
                    let worst = (0..3).map(|i| found.unit_covariance[i][i]).fold(0.0, f64::max);
                    same(found.centre, None, combined(birge(standard, found.noise_mm()) * worst.sqrt()))
                }
                (None, None) => {
                    return Err(missing(
                        hold,
                        format!("{} points were taken of a point; leave one", points.len()),
                    ));
                }
            }
        }
    })
}

/// Features associated as a pattern, by least squares: points are not filtered, so that contacts on them would rest on
/// their errors.
fn together(
    hold: &Hold,
    features: &Features,
    taken: &[&TakenPoint],
    points: &[Point],
    standard_mm: f64,
) -> Result<Measured, DatumError> {
    if features.association != Association::LeastSquares {
        let problem = "it is associated by contacts, which are taken on the filtered points of a scan; scan it, or \
                       associate it by least squares";
        return Err(missing(hold, problem.into()));
    }
    let mut all: Vec<PatternPoint> = Vec::new();
    let mut centres: Vec<(usize, Point, Point)> = Vec::new();
    for (i, part) in features.parts.iter().enumerate() {
        let mut seen = false;
        for (p, &point) in taken.iter().zip(points) {
            if !part.faces.iter().any(|f| f.bound.id == p.name) {
                continue;
            }
            seen = true;
            if p.role == Role::Surface {
                all.push(PatternPoint { point, on: On::Ideal(i), weight: 1.0 });
                continue;
            }
            // A centre is where the nominal one is, across the axis.
            let (Situation::Hole { at, .. } | Situation::Slot { at, .. }) = part.bound.situation else {
                continue;
            };
            centres.push((i, point, at));
            let own = hold.targets.iter().filter(|t| (t.nominal - at).norm() < 1e-9);
            all.extend(own.map(|t| PatternPoint {
                point,
                on: On::Facet(t.nominal, t.direction),
                weight: 1.0,
            }));
        }
        if !seen {
            let problem = format!("no point of {} was taken; take it", part.bound.id);
            return Err(missing(hold, problem));
        }
    }
    let found = associate_pattern(&quiet(), &features.pattern, &all, Association::LeastSquares)
        .map_err(|cause| failed(hold, cause))?;
    // Centres tell no size.
    let on_wall = |i: usize| all.iter().any(|p| matches!(p.on, On::Ideal(k) if k == i));
    let sizes =
        (0..features.parts.len()).filter(|i| features.parts[*i].ideal.is_sized() && on_wall(*i)).count();
    let freedoms = features.pattern.motions.len() + sizes;
    let n = all.len() as f64;
    let seen_mm = (all.len() > freedoms).then(|| found.rms_mm * (n / (n - freedoms as f64)).sqrt());
    let standard = birge(standard_mm, seen_mm);
    let errors = found.unit_covariance.map_or_else(Vec::new, |unit| {
        rows(&features.pattern, &hold.targets, &unit.map(|row| row.map(|c| c * standard * standard)))
    });
    let mut measured = measured_by(hold, &found, errors);
    // What a centre leaves over along what it locks counts as the distance of a point.
    for (part, point, at) in centres {
        let off = found.nominal_from_measured.point(&point) - at;
        let own = hold.targets.iter().filter(|t| (t.nominal - at).norm() < 1e-9);
        let left = own.map(|t| off.dot(&t.direction.vector())).map(|d| d * d).sum::<f64>().sqrt();
        measured.left_mm[part] = measured.left_mm[part].max(left);
    }
    Ok(measured)
}

/// The stated standard uncertainty of a point, or what residuals say of it where that is more.
fn birge(standard_mm: f64, seen_mm: Option<f64>) -> f64 {
    seen_mm.map_or(standard_mm, |seen| seen.max(standard_mm))
}

const ONE_FLANK: &str = "its points do not tell the slot's middle: take points on both flanks, or its centre";

/// The points on one flank of a slot, by how far they lie across its length from its middle.
struct Flank {
    mean: f64,
    /// Sum of squares about the mean.
    square: f64,
    /// From the lowest to the highest.
    spread: f64,
    count: usize,
}

/// The two flanks, which the widest gap between neighbours parts; `None` for fewer than two points.
fn flanks(offs: impl Iterator<Item = f64>) -> Option<[Flank; 2]> {
    let mut sorted: Vec<f64> = offs.collect();
    sorted.sort_unstable_by(f64::total_cmp);
    let gaps = sorted.windows(2).enumerate().map(|(i, w)| (i + 1, w[1] - w[0]));
    let (cut, _) = gaps.max_by(|a, b| a.1.total_cmp(&b.1))?;
    let flank = |on: &[f64]| {
        let mean = on.iter().sum::<f64>() / on.len() as f64;
        let square = on.iter().map(|o| (o - mean) * (o - mean)).sum();
        Flank { mean, square, spread: on[on.len() - 1] - on[0], count: on.len() }
    };
    let (low, high) = sorted.split_at(cut);
    Some([flank(low), flank(high)])
}

/// Flanks stand as far apart as the slot is wide, to this share of its width, and none is rougher (common practice, no
/// source): points of one flank alone, or of its round ends, are told from both.
const FLANK_SHARE: f64 = 0.25;

/// Whether the points of a hold can be of it, with the part at rest: a slot shows both flanks, a hole's centre lies in
/// its wall.
fn belongs(
    hold: &Hold,
    taken: &[&TakenPoint],
    pose: &Motion<PartFrame, ScanFrame>,
) -> Result<(), DatumError> {
    let wall: Vec<Point> =
        taken.iter().filter(|p| p.role == Role::Surface).map(|p| pose.point(&p.point)).collect();
    let centre = taken.iter().find(|p| p.role == Role::Centre);
    match (&hold.kind, centre) {
        (HoldKind::Hole { axis, .. }, Some(centre)) => {
            let at = pose.point(&centre.point);
            match off_the_wall_mm(at, centre.diameter_mm, &wall, *axis) {
                None => Ok(()),
                Some(off) => Err(missing(
                    hold,
                    format!(
                        "its centre and the points of its wall contradict each other by {off:.3} mm; leave out which \
                         is wrong"
                    ),
                )),
            }
        }
        (HoldKind::Slot { bound, at, axis, along }, None) => {
            let Situation::Slot { width_mm: Some(width), .. } = bound.situation else {
                let problem = "its width is not known, so its flanks are not told apart: write `width_mm` in the plan, \
                               or take its centre";
                return Err(missing(hold, problem.into()));
            };
            let across = axis.vector().cross(&along.vector());
            let found = flanks(wall.iter().map(|p| (p - at).dot(&across)));
            let Some([low, high]) = found else { return Err(missing(hold, ONE_FLANK.into())) };
            let apart = high.mean - low.mean;
            let most = FLANK_SHARE * width;
            if (apart - width).abs() <= most && low.spread <= most && high.spread <= most {
                return Ok(());
            }
            let problem = format!(
                "its points do not lie on two flanks {width} mm apart, but in groups {apart:.3} mm apart, {:.3} mm and \
                 {:.3} mm thick: take points on both flanks and none on its ends, or its centre",
                low.spread, high.spread
            );
            Err(missing(hold, problem))
        }
        _ => Ok(()),
    }
}
