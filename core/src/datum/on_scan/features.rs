//! The features of one datum on a scan, associated as a pattern.
//!
//! Contacts and extremes are taken on filtered points only: every point is moved along the nominal normal to its
//! filtered height. Least squares is taken on the points as they are, each cell of the face counting alike. What the
//! noise does to an association by contacts is rehearsed: the same association on the face with most of its noise taken out
//! (`filter/likely.rs`), with seeded draws of the noise as the filter passes it. On the points as they were measured, which
//! hold noise already, contacts sit on its peaks, and more noise moves them further than the first did.

use rayon::prelude::*;

use crate::associate::{
    Ideal, On, Pattern, PatternPoint, Together, TogetherError, associate_pattern, associate_pattern_near,
};
use crate::filter::{Draws, FilterError, Gaussian, Likely, MOST_POINTS, REHEARSALS, likely, thinned};
use crate::geometry::{Cholesky, Direction, Point, Vector, symmetric_eigen};
use crate::partition::{MeasuredPoint, Partition, Rim, Seen, Tube, normals_under, strip_mm, turn_seen};
use crate::plan::{Association, Situation};
use crate::run::{Run, Stopped};
use crate::search::PointGrid;

use super::{
    FORM_LENGTH_MM, HOLE_COVERAGE, MIN_POINTS, PLANE_COVERAGE, Who, lacking, missing, picked_of, too_little,
};
use crate::datum::pattern::{FaceKind, Features, PartFace};
use crate::datum::targets::{Target, TargetMeasured};
use crate::datum::{DatumError, DatumInput, Hold, Measured};

/// Draws of the noise: their root mean square is right to a seventh.
const DRAWS: usize = 24;
const _: () = assert!(DRAWS <= REHEARSALS, "there are no more draws");

/// Draws of which an association may not be found.
const MOST_FAILED: usize = DRAWS / 4;

/// Seed of the draws: any constant; the same scan must always give the same answer.
const SEED: u64 = 0xDA7A_F00D;

/// Points this many robust standard deviations off a wall are burrs, threads of fibre or neighbours; as for a hole.
const OFF_WALL: f64 = 6.0;

/// A face as it was seen.
pub(in crate::datum) struct Shown {
    pub(in crate::datum) points: Vec<MeasuredPoint>,
    /// Seen share.
    pub(in crate::datum) seen: f64,
    /// Its area that was seen, mm2.
    pub(in crate::datum) area_mm2: f64,
}

/// Associates the features; `sure` where the part rests and the uncertainty is wanted.
pub(super) fn on_features(
    run: &Run,
    input: &DatumInput,
    hold: &Hold,
    (features, rims): (&Features, &[Option<Rim>]),
    partition: &Partition,
    sure: bool,
) -> Result<Measured, DatumError> {
    let who = (hold.letter, hold.name.as_str());
    let contacts = features.association != Association::LeastSquares;
    let nesting_mm = match input.plan.filter {
        Some(filter) => filter.nesting_index_mm,
        None if contacts => {
            let problem = "it is associated by contacts, which are taken on filtered points, and the plan has no \
                           `filter`; write one, or associate it by least squares";
            return Err(missing(hold, problem.into()));
        }
        None => 0.0,
    };
    let mut all: Vec<PatternPoint> = Vec::new();
    let mut fields: Vec<Field> = Vec::new();
    let (mut seen, mut area): (f64, f64) = (1.0, 0.0);
    let mut rims = rims.iter();
    for (i, part) in features.parts.iter().enumerate() {
        for face in &part.faces {
            let rim = rims.next().and_then(Option::as_ref);
            let shown = shown(run, input, who, face, rim, partition, !contacts)?;
            let need = if matches!(part.ideal, Ideal::Plane { .. }) || part.faces.len() > 1 {
                PLANE_COVERAGE
            } else {
                HOLE_COVERAGE
            };
            if !(shown.seen >= need) {
                return Err(too_little(who, shown.seen, need));
            }
            (seen, area) = (seen.min(shown.seen), area + shown.area_mm2);
            let field = if contacts {
                Field::filtered(run, input, who, shown.points, nesting_mm)?
            } else {
                Field::plain(input, shown.points)
            };
            all.extend(field.points(i, input.cell_mm));
            fields.push(field);
        }
    }
    let failed = |cause| failed(hold, cause);
    let pattern = &features.pattern;
    let found = associate_pattern(run, pattern, &all, features.association).map_err(failed)?;
    let mut errors = Vec::new();
    let mut form_mm = (found.rms_mm * found.rms_mm - input.noise_mm * input.noise_mm).max(0.0).sqrt();
    if sure {
        if contacts {
            (errors, form_mm) = rehearsed(run, input, hold, (features, &found), (&fields, &all))?;
        } else if let Some(unit) = found.unit_covariance {
            let noise = input.noise_mm * input.noise_mm;
            errors = rows(pattern, &hold.targets, &unit.map(|row| row.map(|c| c * noise)));
        }
        // Form that was not seen is as that which was, all of one sign; what was seen of it was so at places a form's
        // length apart.
        let places = (area / (FORM_LENGTH_MM * FORM_LENGTH_MM)).max(1.0);
        let share = (1.0 - seen).max(1.0 / places);
        if let Some(inverse) = inverse(&found.normal, pattern.motions.len()) {
            errors.extend(rows(
                pattern,
                &hold.targets,
                &inverse.map(|row| row.map(|c| c * form_mm * form_mm * share)),
            ));
        }
    }
    Ok(measured(hold, &found, errors))
}

pub(in crate::datum) fn failed(hold: &Hold, cause: TogetherError) -> DatumError {
    match cause {
        TogetherError::Fit(crate::associate::FitError::Stopped(stopped)) => DatumError::Stopped(stopped),
        cause => DatumError::Together { letter: hold.letter.to_owned(), feature: hold.name.clone(), cause },
    }
}

/// The targets where the measured pattern has them.
pub(in crate::datum) fn measured(hold: &Hold, found: &Together, errors: Vec<Vec<f64>>) -> Measured {
    let back = found.nominal_from_measured.inverse();
    let targets = hold
        .targets
        .iter()
        .map(|t| TargetMeasured { point: back.point(&t.nominal), normal: None, standard_mm: 0.0 })
        .collect();
    let left_mm = found.left_mm.iter().map(|[low, high]| high.max(-low)).collect();
    Measured { targets, errors, residual_mm: None, left_mm }
}

/// Columns of a covariance of the motions' amounts, as changes of the rows of the targets.
pub(in crate::datum) fn rows(
    pattern: &Pattern,
    targets: &[Target],
    covariance: &[[f64; 6]; 6],
) -> Vec<Vec<f64>> {
    let (values, vectors) = symmetric_eigen(covariance);
    let mut columns = Vec::new();
    for (value, vector) in values.iter().zip(&vectors) {
        if !(*value > 0.0) {
            continue;
        }
        let mut column = Vec::new();
        for t in targets {
            let mut off = Vector::zeros();
            for (twist, c) in pattern.motions.iter().zip(vector) {
                off += twist.at(pattern.centre, &t.nominal) * (c * value.sqrt());
            }
            column.extend(along(t).map(|d| d.vector().dot(&off)));
        }
        columns.push(column);
    }
    columns
}

/// The directions of a target's rows.
fn along(target: &Target) -> impl Iterator<Item = Direction> + '_ {
    let own = target.locks.is_empty().then_some(target.direction);
    own.into_iter().chain(target.locks.iter().map(|a| a.direction()))
}

/// The inverse of the leading part.
fn inverse(normal: &[[f64; 6]; 6], motions: usize) -> Option<[[f64; 6]; 6]> {
    let mut filled = *normal;
    for (i, row) in filled.iter_mut().enumerate().skip(motions) {
        row[i] = 1.0;
    }
    let mut inverse = Cholesky::new(&filled)?.inverse();
    for (i, row) in inverse.iter_mut().enumerate() {
        for (j, c) in row.iter_mut().enumerate() {
            if i >= motions || j >= motions {
                *c = 0.0;
            }
        }
    }
    Some(inverse)
}

/// One face's points and by how much each is moved.
pub(in crate::datum) struct Field {
    points: Vec<MeasuredPoint>,
    normals: Vec<Direction>,
    /// How far a point is moved along its normal, mm; `None` for one that the filter gives no value.
    moved_mm: Vec<Option<f64>>,
    filter: Option<Gaussian>,
    /// Noise of its points as the filter found it, mm; 0 without one.
    noise_mm: f64,
}

impl Field {
    pub(in crate::datum) fn plain(input: &DatumInput, points: Vec<MeasuredPoint>) -> Self {
        let normals = normals_under(input.nominal, &points);
        Self { moved_mm: vec![Some(0.0); points.len()], normals, points, filter: None, noise_mm: 0.0 }
    }

    pub(in crate::datum) fn filtered(
        run: &Run,
        input: &DatumInput,
        who: Who,
        points: Vec<MeasuredPoint>,
        nesting_mm: f64,
    ) -> Result<Self, DatumError> {
        let mut field = Self::plain(input, points);
        let places = field.points.iter().map(|p| p.point).collect();
        let mut filter = Gaussian::new(places, &field.normals, nesting_mm);
        let deviations: Vec<f64> = field.points.iter().map(|p| p.deviation_mm).collect();
        let filtered = filter.apply(run, &deviations).map_err(|e| unfiltered(who, e))?;
        field.moved_mm = filtered.value.iter().zip(&deviations).map(|(g, d)| g.map(|g| g - d)).collect();
        field.filter = Some(filter);
        field.noise_mm = filtered.noise_mm;
        Ok(field)
    }

    /// What is rehearsed of a filtered field: of very many points, or of all (`few`), the highest and lowest of small cells.
    /// Another `salt` draws other noise. Nothing of a field that is not filtered.
    pub(in crate::datum) fn rehearsal(
        &self,
        run: &Run,
        noise_mm: f64,
        (salt, few): (u64, bool),
    ) -> Result<Rehearsal, Stopped> {
        let Some(filter) = &self.filter else { return Ok(Rehearsal::default()) };
        let all: Vec<u32> =
            (0..self.points.len() as u32).filter(|&i| self.moved_mm[i as usize].is_some()).collect();
        let value = |i: u32| {
            let i = i as usize;
            self.points[i].deviation_mm + self.moved_mm[i].unwrap_or(0.0)
        };
        let nesting_mm = filter.nesting_mm();
        let points = filter.points();
        let own = if few || all.len() > MOST_POINTS {
            thinned(points, &all, &value, nesting_mm)
        } else {
            all.clone()
        };
        let seed = SEED ^ salt.wrapping_mul(0x9E37_79B9);
        // What this face itself shows, or what the whole scan shows where that is more.
        let noise = filter.passed_noise(run, &own, noise_mm.max(self.noise_mm), seed)?;
        let places: Vec<Point> = own.iter().map(|&i| points[i as usize]).collect();
        let values: Vec<f64> = own.iter().map(|&i| value(i)).collect();
        let Likely { values: clean, .. } = likely(run, &places, &values, &noise, nesting_mm)?;
        Ok(Rehearsal {
            which: own.iter().map(|i| all.partition_point(|j| j < i)).collect(),
            normals: own.iter().map(|&i| self.normals[i as usize].vector()).collect(),
            off_mm: clean.iter().zip(&values).map(|(clean, v)| clean - v).collect(),
            noise,
        })
    }

    /// Each point that has a value, at its filtered height, as one of a facet of its own, and its deviation, mm.
    pub(in crate::datum) fn facets(&self, cell_mm: f64) -> Vec<(PatternPoint, f64)> {
        let deviations: Vec<(Direction, f64)> = self
            .points
            .iter()
            .zip(&self.normals)
            .zip(&self.moved_mm)
            .filter_map(|((p, n), moved)| Some((*n, p.deviation_mm + (*moved)?)))
            .collect();
        let own = |(mut p, (n, d)): (PatternPoint, (Direction, f64))| {
            p.on = On::Facet(p.point - n.vector() * d, n);
            (p, d)
        };
        self.points(0, cell_mm).into_iter().zip(deviations).map(own).collect()
    }

    /// Points that have a value.
    pub(in crate::datum) fn valued(&self) -> usize {
        self.moved_mm.iter().flatten().count()
    }

    /// The points with a value, each at its filtered height; each cell of the face counts alike, but one that holds
    /// less than a quarter of the usual number is a sliver and counts less.
    fn points(&self, ideal: usize, cell_mm: f64) -> Vec<PatternPoint> {
        let mut all: Vec<PatternPoint> = Vec::with_capacity(self.points.len());
        for ((p, n), moved) in self.points.iter().zip(&self.normals).zip(&self.moved_mm) {
            if let Some(moved) = moved {
                let point = p.point + n.vector() * *moved;
                all.push(PatternPoint { point, on: On::Ideal(ideal), weight: 1.0 });
            }
        }
        fair(&mut all, cell_mm);
        all
    }
}

/// Each cell counts alike, but one that holds less than a quarter of the usual number is a sliver and counts less.
fn fair(all: &mut [PatternPoint], cell_mm: f64) {
    let places: Vec<Point> = all.iter().map(|p| p.point).collect();
    let grid = PointGrid::new(&places, cell_mm);
    let mut counts: Vec<usize> = grid.cells().map(<[u32]>::len).collect();
    counts.sort_unstable();
    let usual = counts.get(counts.len() / 2).copied().unwrap_or(1);
    for cell in grid.cells() {
        let weight = 1.0 / (cell.len() as f64).max(0.25 * usual as f64);
        for &i in cell {
            all[i as usize].weight = weight;
        }
    }
}

fn unfiltered(who: Who, error: FilterError) -> DatumError {
    match error {
        FilterError::Stopped(stopped) => DatumError::Stopped(stopped),
        sparse @ FilterError::TooSparse { .. } => lacking(who, sparse.to_string()),
    }
}

/// What each draw comes to; a few may have no association.
pub(in crate::datum) fn drawn<T: Send>(
    of: impl Fn(usize) -> Result<T, DatumError> + Sync,
) -> Result<Vec<T>, DatumError> {
    let all: Vec<Result<T, DatumError>> = (0..DRAWS).into_par_iter().map(&of).collect();
    let mut good = Vec::with_capacity(DRAWS);
    let mut failed = Vec::new();
    for one in all {
        match one {
            Ok(found) => good.push(found),
            Err(stopped @ DatumError::Stopped(_)) => return Err(stopped),
            Err(cause) => failed.push(cause),
        }
    }
    match failed.into_iter().nth(MOST_FAILED) {
        Some(cause) => Err(cause),
        None => Ok(good),
    }
}

/// What is rehearsed of a field.
#[derive(Default)]
pub(in crate::datum) struct Rehearsal {
    /// Places among the points that have a value, ascending.
    pub(in crate::datum) which: Vec<usize>,
    normals: Vec<Vector>,
    /// How far the likely surface lies off the filtered one, mm.
    off_mm: Vec<f64>,
    noise: Vec<Draws>,
}

impl Rehearsal {
    /// How a draw moves each point from its filtered height, mm; without one, to the likely surface.
    pub(in crate::datum) fn moves(&self, draw: Option<usize>) -> impl Iterator<Item = Vector> + '_ {
        let off = self.normals.iter().zip(&self.off_mm).zip(&self.noise);
        off.map(move |((n, off), noise)| n * (off + draw.map_or(0.0, |d| f64::from(noise[d]))))
    }
}

/// What draws of the noise do to the rows of the targets, one column a draw, and the form of the features without most of it: root
/// mean square, mm. Contacts lie off the middle of what they touch, which is no form.
fn rehearsed(
    run: &Run,
    input: &DatumInput,
    hold: &Hold,
    (features, found): (&Features, &Together),
    (fields, all): (&[Field], &[PatternPoint]),
) -> Result<(Vec<Vec<f64>>, f64), DatumError> {
    let mut base: Vec<PatternPoint> = Vec::new();
    let mut rehearsals: Vec<Rehearsal> = Vec::with_capacity(fields.len());
    let mut first = 0;
    for (salt, field) in (0..).zip(fields) {
        let one = field.rehearsal(run, input.noise_mm, (salt, false))?;
        let mut own: Vec<PatternPoint> = one.which.iter().map(|&i| all[first + i]).collect();
        // The highest and lowest of small cells are as many wherever the scan is dense.
        fair(&mut own, input.cell_mm);
        base.extend(own);
        first += field.valued();
        rehearsals.push(one);
    }
    let moved = |draw: Option<usize>| {
        let mut points = base.clone();
        let moves = rehearsals.iter().flat_map(|r| r.moves(draw));
        points.iter_mut().zip(moves).for_each(|(p, by)| p.point += by);
        points
    };
    let targets = |draw: Option<usize>| -> Result<Vec<Point>, DatumError> {
        let points = moved(draw);
        let found = associate_pattern_near(run, &features.pattern, &points, features.association, found)
            .map_err(|cause| failed(hold, cause))?;
        let back = found.nominal_from_measured.inverse();
        Ok(hold.targets.iter().map(|t| back.point(&t.nominal)).collect())
    };
    let still = targets(None)?;
    let columns = drawn(|draw| {
        let there = targets(Some(draw))?;
        let off = hold.targets.iter().zip(there.iter().zip(&still));
        let rows = off.flat_map(|(t, (p, q))| along(t).map(move |d| d.vector().dot(&(p - q))));
        Ok(rows.collect::<Vec<f64>>())
    })?;
    let share = (columns.len() as f64).sqrt();
    let columns = columns.into_iter().map(|c| c.into_iter().map(|v| v / share).collect()).collect();
    let middle = associate_pattern(run, &features.pattern, &moved(None), Association::LeastSquares)
        .map_err(|cause| failed(hold, cause))?;
    Ok((columns, middle.rms_mm))
}

pub(in crate::datum) fn shown(
    run: &Run,
    input: &DatumInput,
    who: Who,
    face: &PartFace,
    rim: Option<&Rim>,
    partition: &Partition,
    straight: bool,
) -> Result<Shown, DatumError> {
    picked_of(who, face.bound)?;
    match (face.kind, rim) {
        (FaceKind::Open, Some(rim)) => {
            let triangles = &face.bound.triangles;
            let face = partition.feature(input.scan, input.nominal, triangles, rim);
            let seen = Seen::of_surface(
                run,
                input.nominal,
                triangles,
                rim,
                face.margin_mm,
                &face.points,
                face.spacing_mm,
            )?;
            let area_mm2: f64 = triangles.iter().map(|&t| input.nominal.mesh().area(t)).sum();
            Ok(Shown { points: face.points, seen: seen.fraction, area_mm2: area_mm2 * seen.fraction })
        }
        (FaceKind::Open, None) => Err(lacking(who, "its rim is not known".into())),
        (FaceKind::Wall { at, axis, radius_mm }, _) => {
            let points = wall(input, who, face, axis, partition, straight)?;
            let places: Vec<Point> = points.iter().map(|p| p.point).collect();
            let spacing = input.scan.spacing_among(points.iter().map(|p| p.index));
            let seen = turn_seen(&places, at, axis, radius_mm, spacing).fraction;
            Ok(Shown { area_mm2: face.bound.area_mm2 * seen, points, seen })
        }
        (FaceKind::Flanks { at, axis, along }, _) => {
            let points = wall(input, who, face, axis, partition, straight)?;
            let across = axis.vector().cross(&along.vector());
            flanks(input, who, face, points, (at, along.vector(), across))
        }
    }
}

/// The points of a wall along an axis, without its ends, where scanners round the arris (a tenth of the depth, at least
/// 0.3 mm, at most a quarter: as for a hole), and without what stands off it; with `straight`, without what turns away at its
/// ends either: contacts hold all that there is.
fn wall(
    input: &DatumInput,
    who: Who,
    face: &PartFace,
    axis: Direction,
    partition: &Partition,
    straight: bool,
) -> Result<Vec<MeasuredPoint>, DatumError> {
    let mesh = input.nominal.mesh();
    let along = |p: &Point| p.coords.dot(&axis.vector());
    let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
    let mut member = vec![false; mesh.triangles().len()];
    for &t in &face.bound.triangles {
        member[t as usize] = true;
        for corner in mesh.corners(t) {
            (low, high) = (low.min(along(&corner)), high.max(along(&corner)));
        }
    }
    let depth = high - low;
    let strip = strip_mm(depth);
    let tube = Tube::of(&face.bound.situation).filter(|_| straight);
    // Of an opening whose points have normals of their own what scanners round is told by how it lies.
    let opening = matches!(face.bound.situation, Situation::Hole { .. } | Situation::Slot { .. });
    let margin = if tube.is_some() && opening && input.scan.took_normals() { 0.0 } else { strip };
    // By where they stand on the nominal: noise moves the points of a cone along its axis too.
    let mut points: Vec<MeasuredPoint> = partition
        .among(input.scan, &member)
        .filter(|p| (low + margin..=high - margin).contains(&along(&p.foot(input.nominal))))
        .collect();
    let few = |got: usize| {
        let problem = format!(
            "only {got} points lie on the wall of {}, at least {MIN_POINTS} are needed: scan it from a slant",
            face.bound.id
        );
        lacking(who, problem)
    };
    if points.len() < MIN_POINTS {
        return Err(few(points.len()));
    }
    if let Some(tube) = tube {
        let places: Vec<Point> = points.iter().map(|p| p.point).collect();
        let middle = along(&tube.at);
        // The axis of its situation is that of the wall, or runs the other way.
        let way = tube.axis.dot(axis).signum();
        let (from, to) = (way * (low + margin - middle), way * (high - margin - middle));
        let spacing = input.scan.spacing_among(points.iter().map(|p| p.index));
        let sound =
            tube.sound(&places, [from.min(to), from.max(to)], strip - margin, spacing, input.noise_mm);
        let mut next = sound.iter();
        points.retain(|_| next.next().is_none_or(|s| *s));
        if points.len() < MIN_POINTS {
            return Err(few(points.len()));
        }
    }
    let mut sizes: Vec<f64> = points.iter().map(|p| p.deviation_mm).collect();
    let half = sizes.len() / 2;
    let middle = *sizes.select_nth_unstable_by(half, f64::total_cmp).1;
    for s in &mut sizes {
        *s = (*s - middle).abs();
    }
    let scatter = 1.482_602_218_505_602 * *sizes.select_nth_unstable_by(half, f64::total_cmp).1;
    let limit = OFF_WALL * scatter.max(input.noise_mm).max(1e-6);
    points.retain(|p| (p.deviation_mm - middle).abs() <= limit);
    if points.len() < MIN_POINTS { Err(few(points.len())) } else { Ok(points) }
}

/// Of the wall of a slot those points that lie on its flanks, and how much of the shorter seen one was seen.
fn flanks(
    input: &DatumInput,
    who: Who,
    face: &PartFace,
    mut points: Vec<MeasuredPoint>,
    (at, along, across): (Point, Vector, Vector),
) -> Result<Shown, DatumError> {
    let mesh = input.nominal.mesh();
    let side = |t: u32| {
        let facing = mesh.normal(t)?.vector().dot(&across);
        // Within 18 degrees: round ends turn away quickly.
        (facing.abs() > 0.95).then_some(usize::from(facing > 0.0))
    };
    // Only as far as the flanks run straight: where the round ends begin they turn away slowly.
    let half = match face.bound.situation {
        Situation::Slot { length_mm: Some(length), width_mm: Some(width), .. } if length > width => {
            0.5 * (length - width)
        }
        _ => f64::INFINITY,
    };
    let mut ends = [(f64::INFINITY, f64::NEG_INFINITY); 2];
    let mut area_mm2 = 0.0;
    for &t in &face.bound.triangles {
        let Some(s) = side(t) else { continue };
        area_mm2 += mesh.area(t);
        for corner in mesh.corners(t) {
            let x = (corner - at).dot(&along).clamp(-half, half);
            ends[s] = (ends[s].0.min(x), ends[s].1.max(x));
        }
    }
    points.retain(|p| side(p.triangle).is_some() && (p.point - at).dot(&along).abs() <= half);
    let bin = (2.0 * input.scan.spacing_mm()).max(1e-3);
    let mut least: f64 = 1.0;
    for (s, (low, high)) in ends.into_iter().enumerate() {
        let count = (((high - low) / bin).ceil() as usize).clamp(1, 10_000);
        let mut filled = vec![false; count];
        let mut here = 0usize;
        for p in points.iter().filter(|p| side(p.triangle) == Some(s)) {
            let share = ((p.point - at).dot(&along) - low) / (high - low);
            filled[((share * count as f64).max(0.0) as usize).min(count - 1)] = true;
            here += 1;
        }
        if here < MIN_POINTS {
            let problem = format!(
                "only {here} points lie on a flank of {}, at least {MIN_POINTS} are needed: scan it from a slant",
                face.bound.id
            );
            return Err(lacking(who, problem));
        }
        least = least.min(filled.iter().filter(|f| **f).count() as f64 / count as f64);
    }
    Ok(Shown { points, seen: least, area_mm2: area_mm2 * least })
}
