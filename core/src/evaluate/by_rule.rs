//! A rule on measured surfaces: its value, and by rehearsal what noise, gaps and alignment do to it.
//!
//! The rehearsals are `rehearsal.rs`. The bias of an extreme lies between what noise adds to the measured surface and what it
//! adds to a perfect one; conformity is judged with the smaller correction, nonconformity with the larger. Value and interval
//! take the bias that noise has on the surface with most of its noise taken out (`filter/likely.rs`), which lies between the two.

use crate::conformity::{Decided, Known, Question, Unit, decide_on};
use crate::geometry::Point;
use crate::record::{
    AngleContribution, Components, Evaluation, Extreme, InstanceResult, Interval, Limits, Verdict,
};
use crate::run::Stopped;
use crate::tolerance::{Against, Found, Instance, Number, Rule, RuleError, Surface};
use crate::uncertainty::{Budget, Source};

use super::asked_surfaces::{extract, unbounded};
use super::correction::{self, Field};
use super::extract::{Drawn, Extracted};
use super::rehearsal::{With, alignment, mean_and_spread, numbers, perfect_values, rehearse, sampling};
use super::zone_interval::{Readings, at_least, biases, shares_noise, unsure, variance_of_bias, zone};
use super::{Outcome, Subject, effects, lean, place, settle};

/// A requirement as a rule asks for it.
pub(super) struct Asked {
    /// The rule.
    pub(super) rule: Box<dyn Rule>,
    /// Indices of the features whose surfaces it looks at, in its order; those of loose datums last.
    pub(super) features: Vec<usize>,
    /// How many of them the characteristic is about: the rest are datums.
    pub(super) own: usize,
    /// Whether it takes extremes or contacts, so that it looks at filtered surfaces.
    pub(super) extremes: bool,
    /// Whether its value is 0 or more by definition.
    pub(super) zone: bool,
    /// Whether a part of the feature can prove that the whole does not conform: an extreme can, a fit cannot.
    pub(super) part_proves: bool,
    /// Width of the tolerance, against which noise floor and uncertainty are held: mm, of an angle rad.
    pub(super) tolerance: f64,
    /// Whether the datums place or orient it.
    pub(super) aligned: bool,
    /// Smallest and largest accepted value: mm, of an angle rad.
    pub(super) limits: [Option<f64>; 2],
    /// Lines of the budget that the rule's surfaces do not hold: standard uncertainties, mm.
    pub(super) besides: Vec<(Source, f64)>,
    /// Whether it is decided with the bias of noise that the likely surface shows; else with the bounds of it.
    pub(super) bias_told: bool,
}

/// One number with what is known of its uncertainty.
struct Judged {
    value: f64,
    budget: Budget,
    between: [f64; 2],
    decided: Decided,
    room: f64,
    at: Option<Point>,
    floor: Option<f64>,
    /// The ends of its interval, where they are not those of a normal distribution.
    held: Option<[f64; 2]>,
}

/// Applies the rule and writes what it came to.
pub(super) fn evaluate(
    subject: &Subject,
    mut asked: Asked,
    evaluation: &mut Evaluation,
) -> Result<Option<Found>, Stopped> {
    let surfaces = match extract(subject, &asked, 0, evaluation)? {
        Ok(surfaces) => surfaces,
        Err(reason) => {
            evaluation.reason = reason;
            return Ok(None);
        }
    };
    let likely: Vec<Surface> = surfaces.iter().map(|s| likely_of(s).clone()).collect();
    if let Some(base) = numbers(subject, &asked, &likely)?
        && let Some((standard, words)) = lean::line(subject, (&asked, &surfaces), (&likely, &base))?
    {
        if standard > 0.0 {
            asked.besides.push(lean::as_line(standard));
        }
        if let Some(words) = words {
            evaluation.operators.insert("lean".into(), words);
        }
    }
    judge(subject, &asked, &surfaces, evaluation)
}

/// The surface on which noise is rehearsed.
pub(super) fn likely_of(extracted: &Extracted) -> &Surface {
    extracted.likely.as_ref().map_or(&extracted.measured, |l| &l.surface)
}

/// Applies the rule to surfaces that were taken already.
pub(super) fn judge(
    subject: &Subject,
    asked: &Asked,
    surfaces: &[Extracted],
    evaluation: &mut Evaluation,
) -> Result<Option<Found>, Stopped> {
    let measured: Vec<Surface> = surfaces.iter().map(|s| s.measured.clone()).collect();
    let run = subject.context.run;
    let found = match asked.rule.measure(run, &measured) {
        Ok(found) => found,
        Err(RuleError::Stopped(stopped)) => return Err(stopped),
        Err(error) => {
            evaluation.reason = error.to_string();
            return Ok(None);
        }
    };
    tell(subject, asked, &found, evaluation);
    let tried = match tried(subject, asked, surfaces, &found)? {
        Ok(tried) => tried,
        Err(reason) => {
            evaluation.reason = reason;
            return Ok(None);
        }
    };
    let missing = surfaces.iter().enumerate().find_map(|(i, s)| {
        if i < asked.own { s.missing(subject.characteristic) } else { unbounded(subject, asked, i, s) }
    });
    decided(subject, asked, &found, (tried, missing), evaluation);
    Ok(Some(found))
}

/// What a rule comes to on surfaces as they might have been; in every list one entry a number, in their order.
#[derive(Clone)]
pub(super) struct Tried {
    /// As measured.
    values: Vec<f64>,
    /// Of extremes on the likely surface; else as measured.
    base: Vec<f64>,
    /// With other noise on the likely surface, draw by draw.
    noisy: Vec<Vec<f64>>,
    /// Of extremes, with the part of the noise that the likely surface lacks, and with that which it kept.
    rest: Option<Vec<Vec<f64>>>,
    kept: Option<Vec<Vec<f64>>>,
    /// With more noise on the measured surface, where the bounds of the bias decide.
    again: Option<Vec<Vec<f64>>>,
    perfect: Option<Vec<Vec<f64>>>,
    /// The same without the inputs that displace the whole scan, where there are any.
    by_noise: Option<Vec<Vec<f64>>>,
    ideal: Option<Vec<f64>>,
    /// What finding the bias from the same noise adds to the variance.
    added: Vec<f64>,
    /// Standard uncertainties.
    sampling: Vec<f64>,
    alignment: Vec<f64>,
    /// Changes by each effect.
    changes: Vec<Vec<f64>>,
}

impl Tried {
    /// Some of the numbers only.
    pub(super) fn part(&self, which: std::ops::Range<usize>) -> Self {
        let of = |all: &[f64]| all[which.clone()].to_vec();
        let each = |all: &[Vec<f64>]| all.iter().map(|v| of(v)).collect();
        Self {
            values: of(&self.values),
            base: of(&self.base),
            noisy: each(&self.noisy),
            rest: self.rest.as_deref().map(each),
            kept: self.kept.as_deref().map(each),
            again: self.again.as_deref().map(each),
            perfect: self.perfect.as_deref().map(each),
            by_noise: self.by_noise.as_deref().map(each),
            ideal: self.ideal.as_deref().map(of),
            added: self.added[which.clone()].to_vec(),
            sampling: of(&self.sampling),
            alignment: of(&self.alignment),
            changes: self.changes[which.clone()].to_vec(),
        }
    }
}

/// Applies the rule to surfaces as they might have been. The inner error is why nothing can be said.
pub(super) fn tried(
    subject: &Subject,
    asked: &Asked,
    surfaces: &[Extracted],
    found: &Found,
) -> Result<Result<Tried, String>, Stopped> {
    let values: Vec<f64> = effective(found);
    if values.is_empty() || values.iter().any(|v| !v.is_finite()) {
        return Ok(Err("the rule gave no number".into()));
    }
    let likely: Vec<Surface> = surfaces.iter().map(|s| likely_of(s).clone()).collect();
    let base = if asked.extremes { numbers(subject, asked, &likely)? } else { Some(values.clone()) };
    let Some(base) = base else { return Ok(Err("the rule gave no number".into())) };
    let noisy = rehearse(subject, asked, surfaces, likely_of, With::Noise, Drawn::All)?;
    let parts = match asked.extremes {
        true => [Drawn::Rest, Drawn::Kept]
            .map(|part| rehearse(subject, asked, surfaces, likely_of, With::Noise, part)),
        false => [Ok(None), Ok(None)],
    };
    let [rest, kept] = parts;
    let (rest, kept) = (rest?, kept?);
    // On the measured surface, which holds noise already, more noise adds less than the first did.
    let bounds = asked.extremes && (!asked.bias_told || shares_noise(subject));
    let again = if bounds {
        rehearse(subject, asked, surfaces, |s| &s.measured, With::Noise, Drawn::All)?
    } else {
        None
    };
    // What cannot be negative reads above zero on a perfect part, extreme or not.
    let wanted = asked.extremes || asked.zone;
    let rehearsed = |with: With| rehearse(subject, asked, surfaces, |s| &s.perfect, with, Drawn::All);
    let perfect = if wanted { rehearsed(With::All)? } else { None };
    // What is stated of an instrument is no reason to correct a value.
    let stated = asked.extremes && !subject.context.inputs.effects.is_empty();
    let by_noise = if stated { rehearsed(With::Datums)? } else { None };
    let ideal = match wanted.then(|| perfect_values(subject, asked, surfaces)) {
        Some(ideal) => ideal?,
        None => None,
    };
    let (Some(noisy), true) =
        (noisy, (again.is_some() || !bounds) && (rest.is_some() && kept.is_some() || !asked.extremes))
    else {
        let reason = "its uncertainty could not be found: with noise added its points no longer determine it";
        return Ok(Err(reason.into()));
    };
    let of_perfect = |k: usize| -> f64 {
        let first = mean_and_spread(&noisy, k, base[k]).0;
        match (by_noise.as_ref().or(perfect.as_ref()), &ideal) {
            (Some(drawn), Some(ideal)) => mean_and_spread(drawn, k, ideal[k]).0,
            _ => first,
        }
    };
    let of_perfect: Vec<f64> = (0..base.len()).map(of_perfect).collect();
    let added = added(subject, asked, (surfaces, &likely), &of_perfect)?;
    let sampling = sampling(subject, asked, surfaces, &likely, &base)?;
    let alignment = alignment(subject, asked, &likely, &base)?;
    let changes = effects::changes(subject, (surfaces, &likely), &base, |s| numbers(subject, asked, s))?;
    Ok(Ok(Tried {
        values,
        base,
        noisy,
        rest,
        kept,
        again,
        perfect,
        by_noise,
        ideal,
        added,
        sampling,
        alignment,
        changes,
    }))
}

/// What finding the bias from the same noise adds to the variance of each number; nothing where it is not rehearsed.
fn added<'s>(
    subject: &Subject,
    asked: &Asked,
    (surfaces, likely): (&'s [Extracted], &[Surface]),
    perfect: &[f64],
) -> Result<Vec<f64>, Stopped> {
    let field = |s: &'s Extracted| -> Option<Field<'s>> {
        let likely = s.likely.as_ref()?;
        Some(Field {
            places: &s.perfect.points,
            likely: &likely.surface.deviations_mm,
            nominal: Some(&s.perfect.deviations_mm),
            noise: &s.noise,
            finest_mm: likely.finest_mm,
        })
    };
    let fields: Option<Vec<Field>> = surfaces.iter().map(field).collect();
    let Some(fields) = fields.filter(|_| asked.extremes && asked.rule.of_places()) else {
        return Ok(vec![0.0; perfect.len()]);
    };
    let even = |_: &[&[f64]]| perfect.to_vec();
    let added =
        correction::added(subject.context.run, &fields, (&even, shares_noise(subject)), |deviations| {
            let there: Vec<Surface> = likely
                .iter()
                .zip(deviations)
                .map(|(s, d)| Surface { deviations_mm: d.clone(), ..s.clone() })
                .collect();
            numbers(subject, asked, &there)
        })?;
    Ok(added.unwrap_or_else(|| vec![f64::INFINITY; perfect.len()]))
}

/// Writes what the rule came to, and decides.
pub(super) fn decided(
    subject: &Subject,
    asked: &Asked,
    found: &Found,
    (tried, missing): (Tried, Option<String>),
    evaluation: &mut Evaluation,
) {
    let Tried {
        values,
        base,
        noisy,
        rest,
        kept,
        again,
        perfect,
        by_noise,
        ideal,
        added,
        sampling,
        alignment,
        changes,
    } = tried;
    let bonus = found.bonus_mm.unwrap_or(0.0);
    let mut judged = Vec::with_capacity(values.len());
    for (k, number) in found.numbers.iter().enumerate() {
        let (first, spread) = mean_and_spread(&noisy, k, base[k]);
        let floor = match (&perfect, &ideal) {
            (Some(p), Some(ideal)) if asked.extremes => Some(mean_and_spread(p, k, ideal[k]).0),
            _ => None,
        };
        let more = again.as_ref().map(|a| mean_and_spread(a, k, values[k]).0);
        // Without extremes noise adds no bias that is worth a correction.
        let told = match (&rest, &kept) {
            (Some(rest), Some(kept)) => {
                let of = |all: &[Vec<f64>]| mean_and_spread(all, k, base[k]).0;
                let of_noise = match (&by_noise, &ideal) {
                    (Some(drawn), Some(ideal)) => Some(mean_and_spread(drawn, k, ideal[k]).0),
                    _ => floor,
                };
                let told = biases(of(rest), of(kept), of_noise.unwrap_or(first));
                match more.filter(|_| shares_noise(subject)) {
                    Some(more) => at_least(more, told),
                    None => told,
                }
            }
            _ => [0.0; 2],
        };
        // Those that it is decided with.
        let bounds = match floor {
            Some(of_perfect) if !asked.bias_told => {
                let least = more.unwrap_or(first);
                match number.against {
                    Against::Upper => [least.max(0.0), of_perfect.max(least).max(0.0)],
                    Against::Lower => [least.min(0.0), of_perfect.min(least).min(0.0)],
                    Against::Both if least.abs() <= of_perfect.abs() => [least, of_perfect],
                    Against::Both => [least, least],
                }
            }
            _ => told,
        };
        let between = bounds.map(|b| values[k] - b);
        // A recognised systematic effect is corrected (JCGM 100:2008, 3.2.4).
        let value = values[k] - 0.5 * (told[0] + told[1]);
        let unsure = unsure(told);
        let mut budget = Budget::new()
            .with(Source::Noise, (spread * spread + variance_of_bias(told, added[k])).sqrt())
            .with(Source::Sampling, sampling[k]);
        if asked.aligned {
            budget = budget.with(Source::Alignment, alignment[k]);
        }
        budget = budget.with_all(&effects::lines(subject, &changes[k]));
        budget = budget.with_all(&asked.besides);
        let limits = match number.against {
            Against::Both => Limits { lower_mm: asked.limits[0], upper_mm: asked.limits[1] },
            Against::Upper => Limits { lower_mm: None, upper_mm: asked.limits[1] },
            Against::Lower => Limits { lower_mm: asked.limits[0], upper_mm: None },
        };
        let u = budget.combined_mm();
        // The bounds of the bias are in the interval as such.
        let others = (u * u - spread * spread - unsure * unsure).max(0.0).sqrt();
        let of =
            |all: &[Vec<f64>], truth: f64, others: f64| Readings::of(all.iter().map(|v| v[k]), truth, others);
        let held = match (&perfect, &ideal) {
            (Some(perfect), Some(ideal)) if asked.zone && found.bonus_mm.is_none() => {
                let (readings, of_perfect) =
                    (of(&noisy, base[k], others), of(perfect, ideal[k], sampling[k]));
                Some(zone(values[k], &readings, asked.extremes.then_some(told), &of_perfect))
            }
            _ if asked.extremes => {
                Some(of(&noisy, base[k], others).truths(values[k], told).map(|v| v + bonus))
            }
            _ => None,
        };
        let rule = &subject.context.plan.decision;
        let floor_told = floor.map(f64::abs);
        let unit = if evaluation.angle.is_some() { Unit::Radian } else { Unit::Millimetre };
        let question =
            Question { rule, limits: &limits, tolerance: asked.tolerance, floor: floor_told, unit };
        let decided =
            decide_over(between.map(|value| decide_on(&question, &Known::Normal { value, standard: u })));
        let room = [limits.upper_mm.map(|l| l - between[0]), limits.lower_mm.map(|l| between[0] - l)]
            .into_iter()
            .flatten()
            .fold(f64::INFINITY, f64::min);
        judged.push(Judged { value, budget, between, decided, room, at: number.at, floor: floor_told, held });
    }
    let told = worst(&judged);
    let floors = judged.iter().filter_map(|j| j.floor);
    evaluation.noise_floor_mm = floors.reduce(f64::max);
    if judged.len() == 2 {
        let extreme = |j: &Judged| Some(Extreme { value_mm: j.value, at_mm: place(&j.at?) });
        evaluation.minimum = extreme(&judged[0]);
        evaluation.maximum = extreme(&judged[1]);
    }
    if let ([_], [low, high]) = (judged.as_slice(), found.instances.as_slice())
        && (low.name.as_str(), high.name.as_str()) == ("lowest", "highest")
    {
        let extreme = |i: &Instance| Some(Extreme { value_mm: i.value_mm, at_mm: place(&i.at?) });
        evaluation.minimum = extreme(low);
        evaluation.maximum = extreme(high);
        evaluation.instances.clear();
    }
    if asked.extremes {
        evaluation.operators.insert("uncorrected_mm".into(), format!("{:.5}", found.numbers[told].value));
    }
    let Judged { value, budget, between, decided, held, .. } = judged.swap_remove(told);
    let u = budget.combined_mm();
    let (low, high) = (between[0].min(between[1]), between[0].max(between[1]));
    let low = low - 1.96 * u + bonus;
    let interval = match held {
        Some([low_mm, high_mm]) => Interval { low_mm, high_mm },
        None => {
            Interval { low_mm: if asked.zone { low.max(0.0) } else { low }, high_mm: high + 1.96 * u + bonus }
        }
    };
    // Below 0 there is room beyond what the zone gives, which is no smaller zone.
    let value_mm = if asked.zone { (value + bonus).max(0.0) } else { value + bonus };
    let part_proves = asked.part_proves;
    settle(evaluation, Outcome { value_mm, budget, interval, decided, missing, part_proves });
}

/// Notes what the rule says beside its numbers.
pub(super) fn tell(subject: &Subject, asked: &Asked, found: &Found, evaluation: &mut Evaluation) {
    for (name, words) in &found.operators {
        evaluation.operators.insert((*name).to_owned(), words.clone());
    }
    if let Some(off) = found.off {
        evaluation.components =
            Some(Components { dx_mm: off.x, dy_mm: off.y, dz_mm: off.z, dn_mm: off.norm() });
    }
    if let Some(bonus) = found.bonus_mm {
        evaluation.operators.insert("bonus_mm".into(), format!("{bonus:.4}"));
        evaluation.limits.upper_mm = evaluation.limits.upper_mm.map(|l| l + bonus);
    }
    evaluation.instances = found
        .instances
        .iter()
        .map(|i| InstanceResult {
            name: member(subject, asked, &i.name).unwrap_or_else(|| i.name.clone()),
            value_mm: i.value_mm,
            at_mm: i.at.map_or_else(Vec::new, |p| place(&p).to_vec()),
        })
        .collect();
}

/// The id of a feature of a group, which a rule knows by its place among the surfaces.
fn member(subject: &Subject, asked: &Asked, name: &str) -> Option<String> {
    let feature = asked.features.get(name.parse::<usize>().ok()?).filter(|_| asked.own > 1)?;
    Some(subject.context.faces.features.get(*feature)?.id.clone())
}

/// The numbers as they are judged: less the bonus that a material condition gives.
pub(super) fn effective(found: &Found) -> Vec<f64> {
    effective_numbers(found).map(|n| n.value).collect()
}

/// The same with their places.
pub(super) fn effective_numbers(found: &Found) -> impl Iterator<Item = Number> + '_ {
    let bonus = found.bonus_mm.unwrap_or(0.0);
    found.numbers.iter().map(move |n| Number { value: n.value - bonus, ..*n })
}

/// Decided with the smaller and with the larger correction for noise: where the two disagree nothing is proven.
fn decide_over([least, most]: [Decided; 2]) -> Decided {
    if least.verdict == most.verdict || least.verdict == Verdict::Undecided {
        return least;
    }
    if most.verdict == Verdict::Undecided && least.verdict == Verdict::Conforms {
        return most;
    }
    let reason = if least.verdict == Verdict::DoesNotConform {
        "outside the limits, but noise alone may make the difference: measure with less noise or more points"
    } else {
        "inside the limits, but noise alone may make the difference: measure with less noise or more points"
    };
    Decided { verdict: Verdict::Undecided, reason: reason.into() }
}

/// The number that settles the verdict; of equals that with the least room, then the first.
fn worst(judged: &[Judged]) -> usize {
    let rank = |v: Verdict| match v {
        Verdict::DoesNotConform => 0,
        Verdict::NotMeasured => 1,
        Verdict::Undecided => 2,
        Verdict::Conforms => 3,
    };
    let by = |a: &usize, b: &usize| {
        let (x, y) = (&judged[*a], &judged[*b]);
        rank(x.decided.verdict).cmp(&rank(y.decided.verdict)).then(x.room.total_cmp(&y.room)).then(a.cmp(b))
    };
    (0..judged.len()).min_by(by).unwrap_or(0)
}

/// Of a value in mm; an angle is told in degrees instead.
pub(super) fn as_angle(evaluation: &mut Evaluation) {
    let Some(angle) = &mut evaluation.angle else { return };
    angle.value_deg = evaluation.value_mm.take().map(f64::to_degrees);
    angle.standard_uncertainty_deg = evaluation.standard_uncertainty_mm.take().map(f64::to_degrees);
    let interval = evaluation.interval.take();
    angle.interval_deg =
        interval.map_or_else(Vec::new, |i| vec![i.low_mm.to_degrees(), i.high_mm.to_degrees()]);
    angle.noise_floor_deg = evaluation.noise_floor_mm.take().map(f64::to_degrees);
    angle.budget = std::mem::take(&mut evaluation.budget)
        .into_iter()
        .map(|c| AngleContribution {
            source: c.source,
            standard_uncertainty_deg: c.standard_uncertainty_mm.to_degrees(),
        })
        .collect();
}
