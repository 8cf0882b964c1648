//! Profile of a surface (ISO 1660:2017): the signed extremes of the filtered deviation.

use crate::conformity::{Decided, over_all};
use crate::filter::{Draws, Filtered, Gaussian, Likely, MOST_POINTS, REHEARSALS, likely, thinned};
use crate::geometry::{Direction, Point, Vector};
use crate::partition::{Looked, Lost, MeasuredFeature, MeasuredPoint, Rim, normals_under};
use crate::record::{Evaluation, Extreme, Interval, Limits, Verdict};
use crate::run::Stopped;
use crate::uncertainty::{Budget, Source};

use super::rehearsal::deviations;
use super::sight::Sight;
use super::zone_interval::{Readings, as_even, at_least, biases, shares_noise, unsure, variance_of_bias};
use super::{Outcome, Subject, correction, decide_between, effects, filter_words, place, settle, sparse};

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

    /// The values that extremes are taken of, with what noise does to them: of very many points the highest and lowest of
    /// small cells.
    fn rehearsed(&self, subject: &Subject, nesting_mm: f64) -> Result<Rehearsed, Stopped> {
        let run = subject.context.run;
        let value = |i: u32| self.filtered.value[i as usize].unwrap_or(f64::NAN);
        let all: Vec<u32> = (0..self.filtered.value.len() as u32).filter(|&i| value(i).is_finite()).collect();
        let points = self.filter.points();
        let all = if all.len() > MOST_POINTS { thinned(points, &all, &value, nesting_mm) } else { all };
        let mut noise = self.filter.passed_noise(run, &all, self.noise_mm, SEED)?;
        let places: Vec<Point> = all.iter().map(|&i| points[i as usize]).collect();
        let normals: Vec<Vector> = all.iter().map(|&i| self.normals[i as usize].vector()).collect();
        // What neighbouring points share moves the datums too.
        if let Some(datums) = subject.datums.filter(|d| !d.shared.is_empty()) {
            for ((draws, p), n) in noise.iter_mut().zip(&places).zip(&normals) {
                for (draw, e) in draws.iter_mut().enumerate() {
                    *e += n.dot(&datums.shift_by_shared(draw, p)) as f32;
                }
            }
        }
        run.check()?;
        let measured: Vec<f64> = all.iter().map(|&i| value(i)).collect();
        let Likely { values: likely, kept } = likely(run, &places, &measured, &noise, nesting_mm)?;
        let rest = noise.iter().zip(&kept).map(|(e, k)| std::array::from_fn(|d| e[d] - k[d])).collect();
        Ok(Rehearsed { places, normals, noise, kept, rest, measured, likely })
    }
}

/// Values at places, as measured and with most of their noise taken out, and drawn noise.
struct Rehearsed {
    places: Vec<Point>,
    normals: Vec<Vector>,
    noise: Vec<Draws>,
    /// What of it the likely values have kept, and what not.
    kept: Vec<Draws>,
    rest: Vec<Draws>,
    measured: Vec<f64>,
    likely: Vec<f64>,
}

/// Smallest and largest of some values.
fn ends(values: impl Iterator<Item = f64>) -> [f64; 2] {
    values.fold([f64::INFINITY, f64::NEG_INFINITY], |[low, high], v| [low.min(v), high.max(v)])
}

impl Rehearsed {
    /// How much both likely extremes change where each place is displaced by some length along its normal, squared.
    fn change(&self, by: impl Fn(&Point, &Vector) -> f64) -> [f64; 2] {
        let base = ends(self.likely.iter().copied());
        let all = self.likely.iter().zip(&self.places).zip(&self.normals);
        let there = ends(all.map(|((v, p), n)| v + by(p, n)));
        std::array::from_fn(|k| (there[k] - base[k]) * (there[k] - base[k]))
    }

    /// What the uncertainty of the datums does to both extremes, mm: as it does to a rule's value (`rehearsal::alignment`).
    fn alignment(&self, subject: &Subject) -> Result<[f64; 2], Stopped> {
        let Some(datums) = subject.datums else { return Ok([0.0; 2]) };
        let mut squares = [0.0; 2];
        for ways in deviations(&datums.covariance, datums.centre) {
            subject.context.run.check()?;
            for motion in &ways {
                let change = self.change(|p, n| n.dot(&(motion.point(p) - p)));
                squares.iter_mut().zip(change).for_each(|(s, c)| *s += 0.5 * c);
            }
        }
        Ok(squares.map(f64::sqrt))
    }

    /// What lies between the points, as a standard uncertainty of both extremes: as of a rule's value (`rehearsal::sampling`).
    fn sampling(&self) -> [f64; 2] {
        const THIRDS: usize = 3;
        let base = ends(self.likely.iter().copied());
        let mut largest = [0.0f64; 2];
        for out in 0..THIRDS {
            let kept = self.likely.iter().enumerate().filter(|(i, _)| i % THIRDS != out);
            let found = ends(kept.map(|(_, v)| *v));
            for k in 0..2 {
                largest[k] = largest[k].max((found[k] - base[k]).abs());
            }
        }
        largest.map(|l| 2.0 * l / 3f64.sqrt())
    }

    /// What inputs that displace the whole scan do to both extremes.
    fn effects(&self, subject: &Subject) -> Result<[Vec<(Source, f64)>; 2], Stopped> {
        let mut changes: [Vec<f64>; 2] = [Vec::new(), Vec::new()];
        for ways in effects::steps(subject) {
            subject.context.run.check()?;
            let [there, back] = ways.map(|step| self.change(|p, n| n.dot(&step.at(p, n))));
            for k in 0..2 {
                changes[k].push((0.5 * (there[k] + back[k])).sqrt());
            }
        }
        Ok(changes.map(|c| effects::lines(subject, &c)))
    }
}

/// Both extremes of each draw of the noise on a field.
fn drawn(field: &[f64], noise: &[Draws]) -> Vec<[f64; 2]> {
    let of = |d: usize| ends(field.iter().zip(noise).map(|(v, e)| v + f64::from(e[d])));
    (0..REHEARSALS).map(of).collect()
}

fn mean(values: impl Iterator<Item = f64>) -> f64 {
    values.sum::<f64>() / REHEARSALS as f64
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
    let value = "signed extremes along the nominal normal, corrected for the bias of noise";
    evaluation.operators.insert("value".into(), value.into());
    if subject.datums.is_none() {
        evaluation.reason = "a surface profile needs a datum system".into();
        return Ok(());
    }
    let (field, missing) = match Field::new(subject, evaluation)? {
        Ok(found) => found,
        Err(reason) => {
            evaluation.reason = reason;
            return Ok(());
        }
    };
    let nesting_mm = subject.characteristic.filter.as_ref().map_or(0.0, |f| f.nesting_index_mm);
    let Some(extremes) = field.filtered.extremes() else {
        evaluation.reason = "no point of the feature has enough neighbours for the filter".into();
        return Ok(());
    };
    let r = field.rehearsed(subject, nesting_mm)?;
    let tolerance = limit_outside_mm + limit_inside_mm;
    let (of_measured, of_likely) = (drawn(&r.measured, &r.noise), drawn(&r.likely, &r.noise));
    let (of_rest, of_kept) = (drawn(&r.likely, &r.rest), drawn(&r.likely, &r.kept));
    let of_perfect = drawn(&vec![0.0; r.likely.len()], &r.noise);
    evaluation.noise_floor_mm = Some(mean(of_perfect.iter().map(|[low, high]| high - low)));
    let base = ends(r.likely.iter().copied());
    let perfect: [f64; 2] = std::array::from_fn(|k| mean(of_perfect.iter().map(|d| d[k])));
    let likely = correction::Field {
        places: &r.places,
        likely: &r.likely,
        nominal: None,
        noise: &r.noise,
        finest_mm: nesting_mm,
    };
    let shares = shares_noise(subject);
    let both = |likely: &[f64]| [true, false].map(|low| as_even(likely, &r.noise, low));
    let even = both(&r.likely);
    let anew = |fields: &[&[f64]]| both(fields[0]).to_vec();
    let added = correction::added(subject.context.run, &[likely], (&anew, shares), |fields| {
        Ok(Some(ends(fields[0].iter().copied()).to_vec()))
    })?;
    let added = added.unwrap_or_else(|| vec![f64::INFINITY; 2]);
    let (alignment, sampling, effects) = (r.alignment(subject)?, r.sampling(), r.effects(subject)?);
    let side = |k: usize, (raw, at): (f64, u32), limits: Limits, room: fn(f64, f64) -> f64, limit: f64| {
        let p = &field.feature.points[at as usize];
        let of_noise = Readings::of(of_likely.iter().map(|d| d[k]), base[k], 0.0);
        let of = |all: &[[f64; 2]]| mean(all.iter().map(|d| d[k])) - base[k];
        let perfect = perfect[k];
        // The least and the most that noise may have added.
        let least = mean(of_measured.iter().map(|d| d[k])) - raw;
        let most = if k == 0 { perfect.min(least) } else { perfect.max(least) };
        let told = biases(of(&of_rest), of(&of_kept), even[k]);
        let told = if shares { at_least(least, told) } else { told };
        let unsure = unsure(told);
        let budget = Budget::new()
            .with(
                Source::Noise,
                (of_noise.standard * of_noise.standard + variance_of_bias(told, added[k])).sqrt(),
            )
            .with(Source::Sampling, sampling[k])
            .with(Source::Alignment, alignment[k])
            .with_all(&effects[k]);
        let u = budget.combined_mm();
        // A recognised systematic effect is corrected (JCGM 100:2008, 3.2.4).
        let value_mm = raw - 0.5 * (told[0] + told[1]);
        let floor = evaluation.noise_floor_mm;
        let between = [raw - least, raw - most];
        let decided = decide_between(&subject.context.plan.decision, between, u, &limits, tolerance, floor);
        // The bounds of the bias are in the interval as such.
        let known = of_noise.standard * of_noise.standard + unsure * unsure;
        let others = (u * u - known).max(0.0).sqrt();
        let readings = Readings::of(of_likely.iter().map(|d| d[k]), base[k], others);
        let [low_mm, high_mm] = readings.truths(raw, told);
        let interval = Interval { low_mm, high_mm };
        let extreme = Extreme { value_mm, at_mm: place(&p.point) };
        Side { extreme, budget, interval, decided, room_mm: room(value_mm, limit) }
    };
    let inside = Limits { lower_mm: Some(-limit_inside_mm), upper_mm: None };
    let outside = Limits { lower_mm: None, upper_mm: Some(limit_outside_mm) };
    let low = side(0, extremes.low, inside, |v, l| v + l, limit_inside_mm);
    let high = side(1, extremes.high, outside, |v, l| l - v, limit_outside_mm);
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
