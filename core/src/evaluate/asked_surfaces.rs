//! The surfaces that a rule looks at: those of all features of a requirement, extracted, filtered and with their noise.

use crate::plan::{Condition, Filter, Requirement, Situation, SizeOperator};
use crate::record::Evaluation;
use crate::run::Stopped;

use super::by_rule::Asked;
use super::extract::Extracted;
use super::rehearsal::SEED;
use super::sight::coverage_of;
use super::{Subject, at_height, edge, filter_words, joint, rules};

/// Less than this of a loose datum leaves a side open towards which nothing holds the part: a gap of 60 degrees of a
/// hole makes the room a seventh larger than it is.
const BOUNDED: f64 = 5.0 / 6.0;

/// Why the feature of a loose datum does not bound the part.
pub(super) fn unbounded(
    subject: &Subject,
    asked: &Asked,
    index: usize,
    surface: &Extracted,
) -> Option<String> {
    let id =
        asked.features.get(index).and_then(|&f| subject.context.faces.features.get(f)).map(|f| f.id.as_str());
    (!(surface.sight.seen.fraction >= BOUNDED)).then(|| {
        format!(
            "only {:.1} % of {}, a datum at a material condition, was seen, {:.1} % are needed: where it was not seen nothing \
             bounds the part",
            100.0 * surface.sight.seen.fraction,
            id.unwrap_or("a feature"),
            100.0 * BOUNDED
        )
    })
}

/// The surfaces of all features, whose noise is drawn as that of the `first` and those after it; notes coverage, filter and
/// noise.
pub(super) fn extract(
    subject: &Subject,
    asked: &Asked,
    first: usize,
    evaluation: &mut Evaluation,
) -> Result<Result<Vec<Extracted>, String>, Stopped> {
    let context = subject.context;
    let filter: Option<&Filter> = if asked.extremes {
        let Some(filter) = &subject.characteristic.filter else {
            return Ok(Err("the plan names no filter for it".into()));
        };
        evaluation.operators.insert("filter".into(), filter_words(filter.nesting_index_mm));
        Some(filter)
    } else {
        None
    };
    let straight = by_its_straight_wall(subject);
    let mut surfaces = Vec::with_capacity(asked.features.len());
    for (i, &feature) in asked.features.iter().enumerate() {
        let Some(bound) = context.faces.features.get(feature) else {
            return Ok(Err("a feature is not bound to the nominal".into()));
        };
        let seed = seed(first + i);
        if let Some(line) = bound.edge.as_ref().filter(|_| i < asked.own) {
            let of_joint = joint::extracted(subject, line, seed)?;
            let found = match of_joint {
                Some(found) => found,
                None => edge::extracted(subject, line, seed)?,
            };
            match found {
                Ok((surface, told)) => {
                    let words = told.operators.into_iter().map(|(name, words)| (name.to_owned(), words));
                    evaluation.operators.extend(words);
                    evaluation.edge = Some(told.result);
                    surfaces.push(surface);
                }
                Err(reason) => return Ok(Err(reason)),
            }
            continue;
        }
        match Extracted::new(
            context,
            bound,
            subject.partition,
            filter,
            (seed, first + i),
            i < asked.own && straight,
        )? {
            Ok(surface) => surfaces.push(surface),
            Err(reason) => return Ok(Err(reason)),
        }
    }
    let own = &surfaces[..asked.own.min(surfaces.len())];
    evaluation.coverage = Some(coverage_of(&own.iter().map(|s| &s.sight).collect::<Vec<_>>()));
    let noise = own.iter().map(|s| s.noise_mm).fold(0.0, f64::max);
    evaluation.operators.insert("noise_mm".into(), format!("{noise:.5}"));
    let strip = own.iter().map(|s| s.margin_mm).fold(0.0, f64::max);
    evaluation.operators.insert("edge_strip_left_out_mm".into(), format!("{strip}"));
    let spikes: usize = own.iter().map(|s| s.spikes).sum();
    evaluation.operators.insert("spikes_left_out".into(), spikes.to_string());
    if let Some(left) = own.iter().filter_map(|s| s.not_straight).reduce(|a, b| a + b) {
        evaluation.operators.insert("points_where_the_wall_turns_away".into(), left.to_string());
    }
    if let Some(words) = axis_words(subject) {
        evaluation.operators.insert("axis".into(), words);
    }
    if let Requirement::Position { at_height: Some(height), .. } = &subject.characteristic.requirement {
        let words = |bound| at_height::level(subject, bound, height).ok().map(|t| t.words);
        let own = asked.features.iter().take(asked.own).filter_map(|&f| context.faces.features.get(f));
        let told: Vec<String> = own.filter_map(words).collect();
        if !told.is_empty() {
            evaluation.operators.insert("at_height".into(), told.join("; "));
        }
    }
    Ok(Ok(surfaces))
}

/// Tells the noise of one surface of a rule from that of the others.
pub(super) fn seed(index: usize) -> u64 {
    SEED ^ (index as u64).wrapping_mul(0x9E37_79B9)
}

/// Whether chamfers, rounded arrises, burrs and breakout at the ends of a wall are none of it: of what is fitted to the whole
/// wall. A form, an inscribed or local size and a boundary at a material condition hold all that there is.
fn by_its_straight_wall(subject: &Subject) -> bool {
    let regardless = |c: Condition| c == Condition::Regardless;
    super::iso(subject)
        && match subject.characteristic.requirement {
            Requirement::Diameter { size, .. } | Requirement::Width { size, .. } => {
                size == SizeOperator::LeastSquares
            }
            Requirement::Position { condition, .. } | Requirement::Orientation { condition, .. } => {
                regardless(condition)
            }
            Requirement::Coaxiality { .. }
            | Requirement::Symmetry { .. }
            | Requirement::Distance { .. }
            | Requirement::Angle { .. }
            | Requirement::Radius { .. } => true,
            _ => false,
        }
}

/// Where the axis of a hole, pin or slot is from.
fn axis_words(subject: &Subject) -> Option<String> {
    let bound = subject.bound;
    let walled = matches!(
        bound.situation,
        Situation::Hole { .. } | Situation::Cylinder { .. } | Situation::Slot { .. }
    );
    let own = || "that of the wall itself".to_owned();
    walled.then(|| rules::axis(subject, bound).map_or_else(own, |a| a.words))
}
