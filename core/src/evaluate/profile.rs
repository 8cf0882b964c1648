//! Profile of a surface (ISO 1660:2017): the signed extremes of the filtered deviation.

use crate::conformity::{Decided, over_all};
use crate::filter::{Filtered, Gaussian, Rehearsal};
use crate::geometry::Direction;
use crate::partition::{Looked, Lost, MeasuredFeature, MeasuredPoint, Rim, normals_under};
use crate::record::{Evaluation, Extreme, Interval, Limits, Verdict};
use crate::run::Stopped;
use crate::scan::Scan;
use crate::uncertainty::{Budget, Source, of_motion};

use super::sight::Sight;
use super::{Outcome, Subject, decide_between, effects, filter_words, place, settle, sparse};

/// Seed of the noise rehearsals: any constant; the same scan must always give the same answer.
const SEED: u64 = 0x5CA7_71B6;

/// More points than this beyond reach of a feature are no stray: something stands off it that was not measured.
const MOST_FAR: usize = 10;

/// A measured surface with its filtered deviations.
pub(super) struct Field {
    pub(super) feature: MeasuredFeature,
    pub(super) normals: Vec<Direction>,
    pub(super) filter: Gaussian,
    pub(super) filtered: Filtered,
    pub(super) noise_mm: f64,
}

/// A field and what is missing of it, or why there is none.
pub(super) type Measured = Result<(Field, Option<String>), String>;

impl Field {
    /// Extracts and filters the surface of the subject; notes coverage and filter in the evaluation. Seen is
    /// only what the filter could give a value to.
    pub(super) fn new(subject: &Subject, evaluation: &mut Evaluation) -> Result<Measured, Stopped> {
        let context = subject.context;
        let Some(filter) = &subject.characteristic.filter else {
            return Ok(Err("the plan names no filter for it".into()));
        };
        let triangles = &subject.bound.triangles;
        let rim = Rim::new(context.nominal, triangles);
        let feature = subject.partition.feature(context.scan, context.nominal, triangles, &rim);
        evaluation.operators.insert("filter".into(), filter_words(filter.nesting_index_mm));
        evaluation.operators.insert("edge_strip_left_out_mm".into(), format!("{}", feature.margin_mm));
        if feature.points.is_empty() {
            return Ok(Err("no point of the scan lies on the feature".into()));
        }
        let normals = normals_under(context.nominal, &feature.points);
        let deviations: Vec<f64> = feature.points.iter().map(|p| p.deviation_mm).collect();
        let points = feature.points.iter().map(|p| p.point).collect();
        let gaussian = Gaussian::new(points, &normals, filter.nesting_index_mm);
        let mut gaussian = gaussian.with_correlated(&context.inputs.correlated);
        let filtered = match gaussian.apply(context.run, &deviations) {
            Ok(filtered) => filtered,
            Err(error) => return Ok(Err(sparse(error)?)),
        };
        evaluation.operators.insert("spikes_left_out".into(), filtered.spikes.to_string());
        let (used, rest): (Vec<_>, Vec<_>) =
            feature.points.iter().zip(&filtered.value).partition(|(_, v)| v.is_some());
        let points = |all: Vec<(&MeasuredPoint, _)>| all.into_iter().map(|(p, _)| *p).collect::<Vec<_>>();
        let (used, rest) = (points(used), points(rest));
        let looked = Looked::at_surface(
            context.run,
            context.nominal,
            triangles,
            &rim,
            feature.margin_mm,
            &used,
            feature.spacing_mm,
        )?;
        let lost = Lost::over(context.nominal, context.scan, subject.partition, triangles, &rest);
        let sight = Sight::of_surface(context, &looked, &lost, subject.bound.area_mm2, used.len())?;
        evaluation.coverage = Some(sight.coverage());
        let far =
            subject.partition.far_from(context.scan, context.nominal, triangles, &rim, feature.margin_mm);
        let far = far.filter(|(count, _)| *count > MOST_FAR).map(|(count, at)| {
            format!(
                "{count} points stand further off the feature than can be measured, or face another way, near x {:.1}, y {:.1}, z {:.1}",
                at.x, at.y, at.z
            )
        });
        // What this surface itself shows, or what the whole scan shows where that is more.
        let noise_mm = filtered.noise_mm.max(context.noise_mm);
        evaluation.operators.insert("noise_mm".into(), format!("{noise_mm:.5}"));
        let missing = far.or_else(|| sight.missing(subject.characteristic));
        Ok(Ok((Self { feature, normals, filter: gaussian, filtered, noise_mm }, missing)))
    }

    /// What noise does to the extremes of the field, and to the datums what neighbouring points share of it; notes the noise
    /// floor in the evaluation.
    pub(super) fn rehearse(
        &self,
        subject: &Subject,
        evaluation: &mut Evaluation,
    ) -> Result<Option<Rehearsal>, Stopped> {
        let datums = subject.datums.filter(|d| !d.shared.is_empty());
        let moved = datums.map(|d| {
            move |point: usize, draw: usize| {
                let place = &self.feature.points[point].point;
                self.normals[point].vector().dot(&d.shift_by_shared(draw, place))
            }
        });
        let moved = moved.as_ref().map(|m| m as &(dyn Fn(usize, usize) -> f64 + Sync));
        let run = subject.context.run;
        let rehearsal = self.filter.rehearse(run, &self.filtered, self.noise_mm, SEED, moved)?;
        evaluation.noise_floor_mm = rehearsal.as_ref().map(|r| r.floor_mm);
        Ok(rehearsal)
    }

    /// How much an extreme may lie between the points: half the step from point `at` to its neighbours
    /// within two spacings of the scan it came with, taken as the half-width of a rectangular distribution (JCGM 100:2008, 4.3.7).
    pub(super) fn between_points_mm(&self, at: u32, scan: &Scan) -> f64 {
        let spacing_mm = scan.spacing_of(self.feature.points[at as usize].index as usize);
        let Some(here) = self.filtered.value[at as usize] else { return f64::INFINITY };
        let points = self.filter.points();
        let (mut sum, mut count) = (0.0, 0usize);
        for (j, (p, value)) in points.iter().zip(&self.filtered.value).enumerate() {
            if let Some(v) = value
                && j != at as usize
                && (p - points[at as usize]).norm() <= 2.0 * spacing_mm
            {
                sum += (here - v).abs();
                count += 1;
            }
        }
        if count == 0 { f64::INFINITY } else { 0.5 * (sum / count as f64) / 3f64.sqrt() }
    }
}

/// What inputs that displace the whole scan do to the lowest and to the highest value.
fn changed(subject: &Subject, field: &Field, values: [f64; 2]) -> Result<[Vec<(Source, f64)>; 2], Stopped> {
    let mut changes: [Vec<f64>; 2] = [Vec::new(), Vec::new()];
    for ways in effects::steps(subject) {
        let mut largest = [0.0f64; 2];
        for step in &ways {
            subject.context.run.check()?;
            let mut found = [f64::INFINITY, f64::NEG_INFINITY];
            for ((p, n), value) in field.feature.points.iter().zip(&field.normals).zip(&field.filtered.value)
            {
                let Some(value) = value else { continue };
                let there = value + n.vector().dot(&step.at(&p.point, &n.vector()));
                found = [found[0].min(there), found[1].max(there)];
            }
            for k in 0..2 {
                largest[k] = largest[k].max((found[k] - values[k]).abs());
            }
        }
        changes.iter_mut().zip(largest).for_each(|(all, one)| all.push(one));
    }
    Ok(changes.map(|c| effects::lines(subject, &c)))
}

/// One signed extreme with its uncertainty.
struct Side {
    extreme: Extreme,
    budget: Budget,
    interval: Interval,
    decided: Decided,
    /// Room to the limit, mm; negative beyond it.
    room_mm: f64,
}

/// Evaluates the two limits of a surface profile.
pub(super) fn evaluate(
    subject: &Subject,
    limit_outside_mm: f64,
    limit_inside_mm: f64,
    evaluation: &mut Evaluation,
) -> Result<(), Stopped> {
    let value = "signed extremes along the nominal normal, corrected for the least bias of noise";
    evaluation.operators.insert("value".into(), value.into());
    let Some(datums) = subject.datums else {
        evaluation.reason = "a surface profile needs a datum system".into();
        return Ok(());
    };
    let (field, missing) = match Field::new(subject, evaluation)? {
        Ok(found) => found,
        Err(reason) => {
            evaluation.reason = reason;
            return Ok(());
        }
    };
    let (Some(r), Some(extremes)) = (field.rehearse(subject, evaluation)?, field.filtered.extremes()) else {
        evaluation.reason = "no point of the feature has enough neighbours for the filter".into();
        return Ok(());
    };
    let tolerance = limit_outside_mm + limit_inside_mm;
    // Where the alignment is least certain on the feature: the extreme may truly lie there.
    let alignment = field
        .feature
        .points
        .iter()
        .zip(&field.normals)
        .map(|(p, n)| of_motion(&datums.covariance, datums.centre, p.point, *n))
        .fold(0.0, f64::max);
    let [low_effects, high_effects] = changed(subject, &field, [extremes.low.0, extremes.high.0])?;
    let side = |(raw, at): (f64, u32),
                effects: &[(Source, f64)],
                [least, most]: [f64; 2],
                spread: f64,
                limits: Limits,
                room: fn(f64, f64) -> f64,
                limit: f64| {
        let p = &field.feature.points[at as usize];
        let budget = Budget::new()
            .with(Source::Noise, spread)
            .with(Source::Sampling, field.between_points_mm(at, subject.context.scan))
            .with(Source::Alignment, alignment)
            .with_all(effects);
        let u = budget.combined_mm();
        // A recognised systematic effect is corrected (JCGM 100:2008, 3.2.4), here its sure part.
        let value_mm = raw - least;
        let floor = evaluation.noise_floor_mm;
        let between = [value_mm, raw - most];
        let decided = decide_between(&subject.context.plan.decision, between, u, &limits, tolerance, floor);
        let (low, high) = (between[0].min(between[1]), between[0].max(between[1]));
        let interval = Interval { low_mm: low - 1.96 * u, high_mm: high + 1.96 * u };
        let extreme = Extreme { value_mm, at_mm: place(&p.point) };
        Side { extreme, budget, interval, decided, room_mm: room(value_mm, limit) }
    };
    let inside = Limits { lower_mm: Some(-limit_inside_mm), upper_mm: None };
    let outside = Limits { lower_mm: None, upper_mm: Some(limit_outside_mm) };
    let low_bias = [r.low_bias_mm, r.floor_low_mm.min(r.low_bias_mm)];
    let high_bias = [r.high_bias_mm, r.floor_high_mm.max(r.high_bias_mm)];
    let low =
        side(extremes.low, &low_effects, low_bias, r.low_spread_mm, inside, |v, l| v + l, limit_inside_mm);
    let high = side(
        extremes.high,
        &high_effects,
        high_bias,
        r.high_spread_mm,
        outside,
        |v, l| l - v,
        limit_outside_mm,
    );
    evaluation.minimum = Some(low.extreme);
    evaluation.maximum = Some(high.extreme);
    // The side told is the one that settles the verdict; of two equal ones that with less room.
    let both = over_all([low.decided.verdict, high.decided.verdict]);
    let low_told = match (low.decided.verdict == both, high.decided.verdict == both) {
        (true, true) => low.room_mm < high.room_mm,
        (low_settles, _) => low_settles,
    };
    let (told, name) = if low_told { (low, "inside") } else { (high, "outside") };
    let reason = match told.decided.verdict {
        Verdict::Conforms => told.decided.reason,
        _ => format!("{} (limit {name} the material)", told.decided.reason),
    };
    let decided = Decided { verdict: told.decided.verdict, reason };
    let value_mm = told.extreme.value_mm;
    settle(
        evaluation,
        Outcome {
            value_mm,
            budget: told.budget,
            interval: told.interval,
            decided,
            missing,
            part_proves: true,
        },
    );
    Ok(())
}
