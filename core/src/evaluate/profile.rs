//! Profile of a surface (ISO 1660:2017): the signed extremes of the filtered deviation.

use crate::conformity::{Decided, decide};
use crate::filter::Gaussian;
use crate::geometry::Direction;
use crate::partition::{MeasuredFeature, Rim, Seen, normals_under};
use crate::record::{Evaluation, Extreme, Interval, Limits, Verdict};
use crate::run::Stopped;
use crate::search::PointGrid;
use crate::uncertainty::{Budget, Source, of_motion};

use super::{Subject, coverage, filter_words, missing, place, settle, sparse};

/// Seed of the noise rehearsals: any constant; the same scan must always give the same answer.
const SEED: u64 = 0x5CA7_71B6;

/// A measured surface with its filtered deviations and what noise does to them.
pub(super) struct Field {
    pub(super) feature: MeasuredFeature,
    pub(super) normals: Vec<Direction>,
    pub(super) filter: Gaussian,
    pub(super) filtered: crate::filter::Filtered,
    pub(super) rehearsal: crate::filter::Rehearsal,
    pub(super) noise_mm: f64,
}

impl Field {
    /// Extracts and filters the surface of the subject; notes coverage, filter and noise floor in the
    /// evaluation. `Err` inside: why it cannot be measured.
    pub(super) fn new(
        subject: &Subject,
        evaluation: &mut Evaluation,
    ) -> Result<Result<(Self, Option<String>), String>, Stopped> {
        let context = subject.context;
        let Some(filter) = &subject.characteristic.filter else {
            return Ok(Err("the plan names no filter for it".into()));
        };
        let rim = Rim::new(context.nominal, &subject.bound.triangles);
        let feature = subject.partition.feature(
            context.scan,
            context.nominal,
            &subject.bound.triangles,
            &rim,
            context.margin_mm,
        );
        let seen = Seen::of_surface(
            context.run,
            context.nominal,
            &subject.bound.triangles,
            &rim,
            context.margin_mm,
            &feature.points,
            context.scan.spacing_mm(),
        )?;
        evaluation.coverage = Some(coverage(&seen, feature.points.len()));
        evaluation.operators.insert("filter".into(), filter_words(filter.nesting_index_mm));
        evaluation.operators.insert("edge_strip_left_out_mm".into(), format!("{}", context.margin_mm));
        let missing = missing(subject.characteristic, &seen);
        if feature.points.is_empty() {
            return Ok(Err(missing.unwrap_or_else(|| "no point of the scan lies on the feature".into())));
        }
        let normals = normals_under(context.nominal, &feature.points);
        let deviations: Vec<f64> = feature.points.iter().map(|p| p.deviation_mm).collect();
        let points = feature.points.iter().map(|p| p.point).collect();
        let mut gaussian = Gaussian::new(points, normals.clone(), filter.nesting_index_mm);
        let filtered = match gaussian.apply(context.run, &deviations) {
            Ok(filtered) => filtered,
            Err(error) => return Ok(Err(sparse(error)?)),
        };
        evaluation.operators.insert("spikes_left_out".into(), filtered.spikes.to_string());
        // What this surface itself shows, or what the whole scan shows where that is more.
        let noise_mm = filtered.noise_mm.max(context.noise_mm);
        let Some(rehearsal) = gaussian.rehearse(context.run, &filtered, noise_mm, SEED)? else {
            return Ok(Err("no point of the feature has enough neighbours for the filter".into()));
        };
        evaluation.noise_floor_mm = Some(rehearsal.floor_mm);
        let field = Self { feature, normals, filter: gaussian, filtered, rehearsal, noise_mm };
        Ok(Ok((field, missing)))
    }

    /// How much an extreme may lie between the points: half the step from point `at` to its neighbours
    /// within two spacings, taken as the half-width of a rectangular distribution (JCGM 100:2008, 4.3.7).
    pub(super) fn between_points_mm(&self, at: u32, spacing_mm: f64) -> f64 {
        let Some(here) = self.filtered.value[at as usize] else { return f64::INFINITY };
        let grid = PointGrid::new(self.filter.points(), 2.0 * spacing_mm);
        let (mut sum, mut count) = (0.0, 0usize);
        grid.within(&self.filter.points()[at as usize], 2.0 * spacing_mm, |j, _| {
            if let Some(v) = self.filtered.value[j as usize]
                && j != at
            {
                sum += (here - v).abs();
                count += 1;
            }
        });
        if count == 0 { f64::INFINITY } else { 0.5 * (sum / count as f64) / 3f64.sqrt() }
    }
}

/// One signed extreme with its uncertainty.
struct Side {
    extreme: Extreme,
    budget: Budget,
    decided: Decided,
}

/// Evaluates the two limits of a surface profile.
pub(super) fn evaluate(
    subject: &Subject,
    limit_outside_mm: f64,
    limit_inside_mm: f64,
    evaluation: &mut Evaluation,
) -> Result<(), Stopped> {
    evaluation.operators.insert(
        "value".into(),
        "signed extremes along the nominal normal, corrected for the bias of noise".into(),
    );
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
    let extremes = field.filtered.extremes().expect("a rehearsal needs extremes");
    let tolerance = limit_outside_mm + limit_inside_mm;
    let spacing = subject.context.scan.spacing_mm();
    let side = |(raw, at): (f64, u32), bias: f64, spread: f64, limits: Limits| {
        let p = &field.feature.points[at as usize];
        let budget = Budget::new()
            .with(Source::Noise, spread)
            .with(Source::Sampling, field.between_points_mm(at, spacing))
            .with(
                Source::Alignment,
                of_motion(&datums.covariance, datums.centre, p.point, field.normals[at as usize]),
            );
        // A recognised systematic effect is corrected: JCGM 100:2008, 3.2.4.
        let value_mm = raw - bias;
        let floor = evaluation.noise_floor_mm;
        let decided =
            decide(&subject.context.plan.decision, value_mm, budget.combined_mm(), &limits, tolerance, floor);
        Side { extreme: Extreme { value_mm, at_mm: place(&p.point) }, budget, decided }
    };
    let r = &field.rehearsal;
    let inside = Limits { lower_mm: Some(-limit_inside_mm), upper_mm: None };
    let outside = Limits { lower_mm: None, upper_mm: Some(limit_outside_mm) };
    let low = side(extremes.low, r.low_bias_mm, r.low_spread_mm, inside);
    let high = side(extremes.high, r.high_bias_mm, r.high_spread_mm, outside);
    evaluation.minimum = Some(low.extreme);
    evaluation.maximum = Some(high.extreme);
    evaluation.operators.insert("noise_mm".into(), format!("{:.5}", field.noise_mm));
    // The value told first is the one with the least room, or the furthest beyond its limit.
    let low_room = low.extreme.value_mm + limit_inside_mm;
    let high_room = limit_outside_mm - high.extreme.value_mm;
    let (worse, better, name) =
        if low_room < high_room { (low, high, "inside") } else { (high, low, "outside") };
    let both = crate::conformity::over_all([worse.decided.verdict, better.decided.verdict]);
    let decided = match both {
        v if v == worse.decided.verdict => worse.decided,
        _ => better.decided,
    };
    let decided = match decided.verdict {
        Verdict::Conforms => decided,
        _ => Decided { reason: format!("{} (limit {name} the material)", decided.reason), ..decided },
    };
    let u = worse.budget.combined_mm();
    let value = worse.extreme.value_mm;
    let interval = Interval { low_mm: value - 1.96 * u, high_mm: value + 1.96 * u };
    settle(evaluation, value, &worse.budget, interval, decided, missing);
    Ok(())
}
