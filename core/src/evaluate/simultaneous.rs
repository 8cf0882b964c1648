//! Positions and profiles that one movement of the part must serve together ([`crate::tolerance::Together`]).
//!
//! Their surfaces are taken and rehearsed together, so that every value is told, with its uncertainty, where the common movement
//! has the part. A member of which too little was seen leaves the others with too little to hold them: what these come to is
//! then no proof that they conform, though it may be one that they do not, for one more requirement makes the worst no better.

use std::ops::Range;

use crate::plan::{Characteristic, Requirement};
use crate::record::Evaluation;
use crate::run::Stopped;
use crate::tolerance::{Found, Leeway, Rule, RuleError, Surface, Together, TogetherMember};

use super::asked_surfaces;
use super::by_rule::{self, Asked, Tried};
use super::extract::Extracted;
use super::lean::{self, ShortWall};
use super::{Aligned, Context, Subject, location, ready, rules};

/// A requirement with its own surfaces.
struct Member<'a> {
    subject: Subject<'a>,
    asked: Asked,
    surfaces: Vec<Extracted>,
    evaluation: Evaluation,
    /// Its place among those that were given.
    place: usize,
}

/// Evaluates requirements of one set together, in their order, at the alignment that they have in common; `rule` says in words
/// why they are one set. `None` where there is nothing to share: the datums hold the part and the zones.
///
/// # Errors
/// Only a stop by the caller.
pub fn evaluate_together(
    context: &Context,
    characteristics: &[&Characteristic],
    rule: &str,
    aligned: &Aligned,
) -> Result<Option<Vec<Evaluation>>, Stopped> {
    if characteristics.len() < 2 || !shares(characteristics[0], aligned) {
        return Ok(None);
    }
    let (mut members, mut rest) = (Vec::new(), Vec::new());
    let mut first = 0;
    for (place, &characteristic) in characteristics.iter().enumerate() {
        match member(context, characteristic, aligned, first)? {
            Ok((subject, asked, surfaces, evaluation)) => {
                first += surfaces.len();
                members.push(Member { subject, asked, surfaces, evaluation, place });
            }
            Err(evaluation) => rest.push((place, *evaluation)),
        }
    }
    let numbers: Vec<&str> = characteristics.iter().map(|c| c.number.as_str()).collect();
    let words = format!("{} ({rule})", numbers.join(", "));
    judge(context, &mut members, &rest)?;
    let mut all: Vec<(usize, Evaluation)> = members.into_iter().map(|m| (m.place, m.evaluation)).collect();
    all.extend(rest);
    all.sort_by_key(|e| e.0);
    let mut told: Vec<Evaluation> = all.into_iter().map(|e| e.1).collect();
    for evaluation in &mut told {
        evaluation.operators.insert("simultaneous".into(), words.clone());
    }
    Ok(Some(told))
}

/// Whether anything is left to move.
fn shares(characteristic: &Characteristic, aligned: &Aligned) -> bool {
    let only_oriented = matches!(
        characteristic.requirement,
        Requirement::Position { orientation_only: true, .. }
            | Requirement::SurfaceProfile { orientation_only: true, .. }
            | Requirement::LineProfile { orientation_only: true, .. }
    );
    match aligned {
        Aligned::Datums(datums) => only_oriented || !(datums.free.is_empty() && datums.loose.is_empty()),
        Aligned::BestFit(_) => true,
        Aligned::Failed(_) => false,
    }
}

/// What a member of the set looks at, or its evaluation with the reason why it cannot.
type Ready<'a> = Result<(Subject<'a>, Asked, Vec<Extracted>, Evaluation), Box<Evaluation>>;

fn member<'a>(
    context: &'a Context<'a>,
    characteristic: &'a Characteristic,
    aligned: &'a Aligned<'a>,
    first: usize,
) -> Result<Ready<'a>, Stopped> {
    let (subject, mut evaluation) = match ready(context, characteristic, aligned) {
        Ok(ready) => ready,
        Err(evaluation) => return Ok(Err(evaluation)),
    };
    let not = |mut evaluation: Evaluation, reason: String| {
        evaluation.reason = reason;
        Ok(Err(Box::new(evaluation)))
    };
    let mut asked = match rules::asked(&subject) {
        Ok(asked) => asked,
        Err(reason) => return not(evaluation, reason),
    };
    // The features of loose datums are those of all.
    asked.features.truncate(asked.own);
    match asked_surfaces::extract(&subject, &asked, first, &mut evaluation)? {
        Ok(surfaces) => Ok(Ok((subject, asked, surfaces, evaluation))),
        Err(reason) => not(evaluation, reason),
    }
}

/// Moves all together, and judges each.
fn judge(context: &Context, members: &mut [Member], rest: &[(usize, Evaluation)]) -> Result<(), Stopped> {
    let Some(one) = members.first() else { return Ok(()) };
    let own: usize = members.iter().map(|m| m.surfaces.len()).sum();
    let only_turned = matches!(
        one.subject.characteristic.requirement,
        Requirement::Position { orientation_only: true, .. }
            | Requirement::SurfaceProfile { orientation_only: true, .. }
            | Requirement::LineProfile { orientation_only: true, .. }
    );
    let (leeway, loose) = match location::leeway(&one.subject, own, only_turned) {
        Ok(leeway) => leeway,
        Err(reason) => return tell_all(members, &reason),
    };
    let mut of_datums = Vec::with_capacity(loose.len());
    for (i, &feature) in loose.iter().enumerate() {
        let Some(bound) = context.faces.features.get(feature) else {
            return tell_all(members, "a datum feature is not bound to the nominal");
        };
        let filter = members.iter().find_map(|m| m.subject.characteristic.filter.as_ref());
        let partition = members[0].subject.partition;
        match Extracted::new(
            context,
            bound,
            partition,
            filter,
            (asked_surfaces::seed(own + i), own + i),
            false,
        )? {
            Ok(surface) => of_datums.push(surface),
            Err(reason) => return tell_all(members, &reason),
        }
    }
    // Each looks at its own surfaces and, alone, at those of the datums.
    let measured: Vec<Vec<Surface>> = members.iter().map(|m| of(&m.surfaces)).collect();
    let bounds = of(&of_datums);
    let mut alone = Vec::with_capacity(members.len());
    for (member, own) in members.iter().zip(&measured) {
        let surfaces: Vec<Surface> = own.iter().chain(&bounds).cloned().collect();
        match member.asked.rule.measure(context.run, &surfaces) {
            Ok(found) => alone.push(Some(numbers_in_words(&found))),
            Err(RuleError::Stopped(stopped)) => return Err(stopped),
            Err(_) => alone.push(None),
        }
    }

    let mut together = Together { members: Vec::with_capacity(members.len()), leeway: leeway.clone() };
    let mut features = Vec::with_capacity(own + loose.len());
    let mut extracted = Vec::with_capacity(own + loose.len());
    for member in members.iter_mut() {
        let first = features.len();
        features.extend(&member.asked.features);
        extracted.append(&mut member.surfaces);
        let rule = std::mem::replace(&mut member.asked.rule, Box::new(Nothing));
        together.members.push(TogetherMember { rule, surfaces: first..features.len() });
    }
    features.extend(&loose);
    extracted.extend(of_datums);
    let surfaces: Vec<Surface> = measured.into_iter().flatten().chain(bounds).collect();
    let found = match together.each(context.run, &surfaces) {
        Ok(found) => found,
        Err(RuleError::Stopped(stopped)) => return Err(stopped),
        Err(error) => return tell_all(members, &error.to_string()),
    };
    let ranges: Vec<_> = together.members.iter().map(|m| m.surfaces.clone()).collect();
    let all =
        Found { numbers: found.iter().flat_map(by_rule::effective_numbers).collect(), ..Found::default() };
    let joint = Asked {
        rule: Box::new(together),
        features,
        own,
        extremes: members.iter().any(|m| m.asked.extremes),
        zone: members.iter().any(|m| m.asked.zone),
        part_proves: false,
        tolerance: members.iter().map(|m| m.asked.tolerance).fold(0.0, f64::max),
        aligned: members.iter().any(|m| m.asked.aligned),
        limits: [None, None],
        besides: Vec::new(),
        bias_told: members.iter().all(|m| m.asked.bias_told),
    };
    let leans = leans(context, members, (&leeway, &ranges), &extracted)?;
    let tried: Tried = match by_rule::tried(&members[0].subject, &joint, &extracted, &all)? {
        Ok(tried) => tried,
        Err(reason) => return tell_all(members, &reason),
    };
    let datums_missing = (own..extracted.len())
        .find_map(|i| asked_surfaces::unbounded(&members[0].subject, &joint, i, &extracted[i]));
    let lacking: Vec<Option<String>> = members
        .iter()
        .zip(&ranges)
        .map(|(m, range)| extracted[range.clone()].iter().find_map(|s| s.missing(m.subject.characteristic)))
        .collect();
    let numbers: Vec<String> = members.iter().map(|m| m.evaluation.number.clone()).collect();
    let mut first = 0;
    for (k, member) in members.iter_mut().enumerate() {
        let own = first..first + found[k].numbers.len();
        let part = tried.part(own.clone());
        first = own.end;
        let lean = leans.squares.get(own).map_or(0.0, lean::standard);
        if lean > 0.0 {
            member.asked.besides.push(lean::as_line(lean));
        }
        if let Some(words) = &leans.words[k] {
            member.evaluation.operators.insert("lean".into(), words.clone());
        }
        by_rule::tell(&member.subject, &member.asked, &found[k], &mut member.evaluation);
        if let Some(words) = &alone[k] {
            member.evaluation.operators.insert("alone_mm".into(), words.clone());
        }
        let own_missing = lacking[k].clone().or_else(|| datums_missing.clone());
        let others = || {
            let unseen = (0..numbers.len()).filter(|&o| o != k).find_map(|o| {
                let why = lacking[o].as_ref()?;
                Some((numbers[o].as_str(), why.as_str()))
            });
            let absent = rest.first().map(|(_, e)| (e.number.as_str(), e.reason.as_str()));
            unseen.or(absent).map(|(number, why)| {
                format!("one movement must serve it together with {number}, which was not measured: {why}")
            })
        };
        if own_missing.is_none() {
            // All of its own was seen: what the others lack makes it no better.
            member.asked.part_proves = true;
        }
        let missing = own_missing.or_else(others);
        by_rule::decided(&member.subject, &member.asked, &found[k], (part, missing), &mut member.evaluation);
    }
    Ok(())
}

/// What the axes of short walls do to the values of a set.
struct Leans {
    /// Mean square change of every value, mm2: a wall that is looked at otherwise moves all that share the movement.
    squares: Vec<f64>,
    /// Of each member, words on how its walls lean.
    words: Vec<Option<String>>,
}

/// Tilts the axis of each short wall, of whichever member, and settles the movement anew.
fn leans(
    context: &Context,
    members: &[Member],
    (leeway, ranges): (&Leeway, &[Range<usize>]),
    extracted: &[Extracted],
) -> Result<Leans, Stopped> {
    let likely: Vec<Surface> = extracted.iter().map(|e| by_rule::likely_of(e).clone()).collect();
    // The values of all, where one of them looks at a wall otherwise.
    let told = |tilted: Option<(usize, &Subject)>| {
        let mut rule = Together { members: Vec::with_capacity(members.len()), leeway: leeway.clone() };
        for (k, (member, range)) in members.iter().zip(ranges).enumerate() {
            let subject = tilted.filter(|(which, _)| *which == k).map_or(&member.subject, |(_, there)| there);
            let Ok(asked) = rules::asked(subject) else { return Ok(None) };
            rule.members.push(TogetherMember { rule: asked.rule, surfaces: range.clone() });
        }
        match rule.measure(context.run, &likely) {
            Ok(found) => Ok(Some(by_rule::effective(&found)).filter(|v| v.iter().all(|x| x.is_finite()))),
            Err(RuleError::Stopped(stopped)) => Err(stopped),
            Err(_) => Ok(None),
        }
    };
    let mut all = Leans { squares: Vec::new(), words: vec![None; members.len()] };
    let walls: Vec<Vec<ShortWall>> = members
        .iter()
        .zip(ranges)
        .map(|(m, range)| ShortWall::all(&m.subject, &m.asked, &extracted[range.clone()]))
        .collect();
    if walls.iter().all(Vec::is_empty) {
        return Ok(all);
    }
    let Some(base) = told(None)? else { return Ok(all) };
    all.squares = vec![0.0; base.len()];
    for (k, walls) in walls.iter().enumerate() {
        all.words[k] = ShortWall::words(walls);
        for wall in walls {
            let squares = wall.squares(&members[k].subject, &base, |there| told(Some((k, there))))?;
            all.squares.iter_mut().zip(squares).for_each(|(sum, square)| *sum += square);
        }
    }
    Ok(all)
}

fn of(extracted: &[Extracted]) -> Vec<Surface> {
    extracted.iter().map(|s| s.measured.clone()).collect()
}

/// The same reason for all.
fn tell_all(members: &mut [Member], reason: &str) -> Result<(), Stopped> {
    for member in members {
        reason.clone_into(&mut member.evaluation.reason);
    }
    Ok(())
}

/// The numbers that a requirement comes to by a movement of its own, mm.
fn numbers_in_words(found: &Found) -> String {
    found.numbers.iter().map(|n| format!("{:.5}", n.value)).collect::<Vec<_>>().join(" to ")
}

/// Stands where a rule was before it was joined with others.
struct Nothing;

impl Rule for Nothing {
    fn measure(&self, _: &crate::run::Run, _: &[Surface]) -> Result<Found, RuleError> {
        Err(RuleError::Missing("the rule was joined with others".into()))
    }
}
