//! An inspection with every characteristic, and on one line.

use scantling_proto::v1::{Evaluation, FailureReason, Inspection, InspectionState, Purpose, Verdict};

use super::number::{self, given};
use super::{Entry, Look, facts, number as right, strong, table, time, words, wrap};
use crate::names::{id, short_revision};

/// The whole inspection.
pub(crate) fn whole(inspection: &Inspection, look: &Look) -> String {
    let mut text = facts(&about(inspection), look);
    text.push('\n');
    if !inspection.evaluations.is_empty() {
        let rows = inspection.evaluations.iter().map(row).collect();
        text.push_str(&table(
            &["no.", "characteristic", "limits", "measured", "95 % interval", "verdict"],
            rows,
            look,
        ));
        text.push_str(&notes(&inspection.evaluations));
        text.push('\n');
        let reasons = reasons(&inspection.evaluations, look);
        if !reasons.is_empty() {
            text.push_str(&reasons);
            text.push('\n');
        }
    }
    text.push_str(&facts(&outcome(inspection), look));
    text
}

/// How to read the table, as far as it needs it.
fn notes(evaluations: &[Evaluation]) -> String {
    let mut notes = "  lengths in mm; + is outside the material".to_owned();
    if evaluations.iter().any(|e| !e.required) {
        notes += "; (r) is reported only";
    }
    notes += "\n";
    if evaluations.iter().any(|e| e.requirement == "surface_profile") {
        notes +=
            "  surface profile: lowest .. highest deviation; the interval is of the one with less room\n";
    }
    notes
}

fn about(inspection: &Inspection) -> Vec<(&'static str, String)> {
    let attempt = match (&inspection.repeat_of, inspection.attempt) {
        (Some(first), n) => format!("{n}, repeats {first}"),
        (None, n) if n > 1 => n.to_string(),
        _ => String::new(),
    };
    vec![
        ("inspection", inspection.name.clone()),
        (
            "part",
            format!("{}, serial number {}", short_revision(&inspection.revision), inspection.serial_number),
        ),
        ("purpose", purpose(inspection.purpose()).to_owned()),
        ("scope", inspection.scope_groups.join(", ")),
        ("attempt", attempt),
    ]
}

fn row(evaluation: &Evaluation) -> Vec<Entry> {
    let limits = evaluation.limits.unwrap_or_default();
    let given = given(&limits);
    let datums = evaluation.datum_system.as_ref().map_or(String::new(), |d| format!(" to {d}"));
    let reported = if evaluation.required { "" } else { " (r)" };
    let what =
        format!("{} {}{datums}{reported}", evaluation.requirement.replace('_', " "), evaluation.feature);
    let measured = match (&evaluation.minimum, &evaluation.maximum, evaluation.value_mm) {
        (Some(low), Some(high), _) if evaluation.requirement == "surface_profile" => {
            format!("{} .. {}", number::value(low.value_mm, &given), number::value(high.value_mm, &given))
        }
        (_, _, Some(value)) => number::value(value, &given),
        _ => "-".to_owned(),
    };
    let interval = evaluation.interval.as_ref().map_or("-".to_owned(), |i| number::interval(i, &given));
    vec![
        words(evaluation.number.clone()),
        words(what),
        right(number::limits(&limits)),
        right(measured),
        right(interval),
        verdict_entry(evaluation.verdict()),
    ]
}

/// Why characteristics do not conform or could not be decided, and where to look.
fn reasons(evaluations: &[Evaluation], look: &Look) -> String {
    let mut text = String::new();
    for evaluation in evaluations.iter().filter(|e| e.verdict() != Verdict::Conforms) {
        let mut said = evaluation.reason.clone();
        if let Some(where_to_look) = place(evaluation) {
            said = format!("{}; {where_to_look}", said.trim_end_matches('.'));
        }
        let head = format!("{:<5}", evaluation.number);
        for (k, line) in wrap(&said, look.width.saturating_sub(6).max(20)).iter().enumerate() {
            let head = if k == 0 { head.as_str() } else { "     " };
            text.push_str(&format!("{head} {line}\n"));
        }
    }
    text
}

/// Where the value comes from: the way a hole is off, or the worst place of a surface.
fn place(evaluation: &Evaluation) -> Option<String> {
    let given = given(&evaluation.limits.unwrap_or_default());
    if evaluation.verdict() == Verdict::NotMeasured {
        return None;
    }
    if evaluation.requirement == "position" {
        let by = evaluation.components.as_ref()?;
        return Some(format!(
            "off by dx {}, dy {}, dz {} mm",
            number::plain(by.dx_mm),
            number::plain(by.dy_mm),
            number::plain(by.dz_mm)
        ));
    }
    let worst = [&evaluation.minimum, &evaluation.maximum]
        .into_iter()
        .flatten()
        .max_by(|a, b| a.value_mm.abs().total_cmp(&b.value_mm.abs()))?;
    let [x, y, z] = worst.at_mm[..] else { return None };
    Some(format!("{} mm at x {x:.1}, y {y:.1}, z {z:.1}", number::value(worst.value_mm, &given)))
}

fn outcome(inspection: &Inspection) -> Vec<(&'static str, String)> {
    let mut lines = Vec::new();
    match inspection.state() {
        InspectionState::Done => {
            lines.push(("verdict", with_reason(inspection)));
        }
        InspectionState::Failed => {
            let why = failure(inspection.failure());
            lines.push(("state", format!("FAILED, no verdict: {why}")));
            lines.push(("why", inspection.reason.clone()));
        }
        _ => lines.push(("state", state_with_progress(inspection))),
    }
    if inspection.finish_time.is_some() {
        lines.push(("finished", time(inspection.finish_time.as_ref())));
    }
    lines.push(("result", inspection.result_sha256.clone()));
    lines.extend(inspection.cautions.iter().map(|caution| ("caution", caution.clone())));
    lines
}

/// The verdict and why, without saying it twice.
fn with_reason(inspection: &Inspection) -> String {
    let word = verdict(inspection.verdict());
    let reason = inspection.reason.as_str();
    let same = reason.get(..word.len()).is_some_and(|start| start.eq_ignore_ascii_case(word));
    let rest = if same { reason[word.len()..].trim_start_matches([':', ' ']) } else { reason };
    if rest.is_empty() { word.to_owned() } else { format!("{word}: {rest}") }
}

/// How far, in words.
pub(crate) fn state_with_progress(inspection: &Inspection) -> String {
    match inspection.state() {
        InspectionState::Queued => "queued, no verdict yet".to_owned(),
        InspectionState::Running => format!("running, {} %, no verdict yet", inspection.progress_percent),
        InspectionState::Done => "done".to_owned(),
        InspectionState::Failed => "failed, no verdict".to_owned(),
        InspectionState::Unspecified => "unknown to this program".to_owned(),
    }
}

/// The answer of a finished inspection in one entry, or how far it is.
pub(crate) fn answer(inspection: &Inspection) -> Entry {
    match inspection.state() {
        InspectionState::Done => verdict_entry(inspection.verdict()),
        InspectionState::Failed => strong(format!("FAILED: {}", failure(inspection.failure()))),
        _ => words(state_with_progress(inspection)),
    }
}

fn verdict_entry(is: Verdict) -> Entry {
    match is {
        Verdict::Conforms => words(verdict(is)),
        _ => strong(verdict(is)),
    }
}

/// A verdict in words.
pub(crate) fn verdict(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Conforms => "CONFORMS",
        Verdict::DoesNotConform => "DOES NOT CONFORM",
        Verdict::Undecided => "UNDECIDED",
        Verdict::NotMeasured => "NOT MEASURED",
        Verdict::Unspecified => "NO VERDICT",
    }
}

fn failure(reason: FailureReason) -> &'static str {
    match reason {
        FailureReason::ScanUnreadable => "the scan cannot be read",
        FailureReason::LimitExceeded => "the scan is too large",
        FailureReason::LengthUnit => "the scan seems to be in another length unit",
        FailureReason::PointsUnreadable => "the measured points cannot be used",
        FailureReason::Internal => "a fault of the program",
        FailureReason::Unspecified => "for a reason that this program does not know",
    }
}

/// A purpose in words.
pub(crate) fn purpose(purpose: Purpose) -> &'static str {
    match purpose {
        Purpose::Production => "production",
        Purpose::FirstArticle => "first article",
        Purpose::Study => "study",
        Purpose::Rehearsal => "rehearsal",
        Purpose::Unspecified => "",
    }
}

/// An inspection on one line of a list that is written as it grows.
pub(crate) fn line(sequence: i64, inspection: &Inspection) -> String {
    let answer = match inspection.state() {
        InspectionState::Done => verdict(inspection.verdict()).to_owned(),
        InspectionState::Failed => format!("FAILED: {}", failure(inspection.failure())),
        _ => state_with_progress(inspection),
    };
    format!(
        "{sequence:>6}  {}  {}  {}  serial number {}  {answer}\n",
        time(inspection.finish_time.as_ref()),
        id(&inspection.name),
        short_revision(&inspection.revision),
        inspection.serial_number,
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::tests::PLAIN;
    use scantling_proto::v1::{Components, Extreme, Interval, Limits};

    fn position() -> Evaluation {
        Evaluation {
            number: "12".into(),
            requirement: "position".into(),
            feature: "H5".into(),
            datum_system: Some("ABC".into()),
            required: true,
            limits: Some(Limits { lower_mm: None, upper_mm: Some(0.4) }),
            value_mm: Some(0.912_3),
            components: Some(Components { dx_mm: 0.412_3, dy_mm: -0.2, dz_mm: 0.0, dn_mm: 0.458 }),
            interval: Some(Interval { low_mm: 0.903, high_mm: 0.921 }),
            verdict: Verdict::DoesNotConform.into(),
            reason: "0.912 mm is above 0.4 mm by more than the uncertainty".into(),
            ..Evaluation::default()
        }
    }

    fn profile() -> Evaluation {
        let extreme = |value_mm| Some(Extreme { value_mm, at_mm: vec![1.0, 2.0, 3.0] });
        Evaluation {
            number: "3.1".into(),
            requirement: "surface_profile".into(),
            feature: "SKIN".into(),
            required: true,
            limits: Some(Limits { lower_mm: Some(-0.4), upper_mm: Some(0.4) }),
            minimum: extreme(-0.31),
            maximum: extreme(0.07),
            verdict: Verdict::Conforms.into(),
            ..Evaluation::default()
        }
    }

    fn inspection(evaluations: Vec<Evaluation>) -> Inspection {
        Inspection {
            name: "inspections/a1".into(),
            revision: "parts/ws-214/revisions/c4".into(),
            serial_number: "0001".into(),
            purpose: Purpose::Rehearsal.into(),
            attempt: 1,
            state: InspectionState::Done.into(),
            verdict: Verdict::DoesNotConform.into(),
            reason: "does not conform: 12".into(),
            evaluations,
            ..Inspection::default()
        }
    }

    #[test]
    fn a_table_says_what_is_wrong_and_where() {
        let text = whole(&inspection(vec![profile(), position()]), &PLAIN);
        assert_eq!(
            text,
            "\
inspection  inspections/a1
part        ws-214/c4, serial number 0001
purpose     rehearsal

no.  characteristic             limits       measured  95 % interval  verdict
3.1  surface profile SKIN  -0.4 .. 0.4  -0.31 .. 0.07              -  CONFORMS
12   position H5 to ABC    at most 0.4           0.91   0.90 .. 0.93  DOES NOT CONFORM
  lengths in mm; + is outside the material
  surface profile: lowest .. highest deviation; the interval is of the one with less room

12    0.912 mm is above 0.4 mm by more than the uncertainty; off by dx 0.412, dy -0.200, dz 0.000 mm

verdict  DOES NOT CONFORM: 12
"
        );
    }

    #[test]
    fn nothing_measured_is_shown_as_nothing_and_never_as_a_number() {
        let mut missing = position();
        missing.value_mm = None;
        missing.interval = None;
        missing.components = None;
        missing.verdict = Verdict::NotMeasured.into();
        missing.reason = "too little of H5 was seen".into();
        let text = whole(&inspection(vec![missing]), &PLAIN);
        assert!(text.contains("at most 0.4         -              -  NOT MEASURED\n"), "{text}");
        assert!(text.contains("12    too little of H5 was seen\n"), "{text}");
    }

    #[test]
    fn without_a_verdict_no_word_reads_as_a_pass() {
        for state in [InspectionState::Queued, InspectionState::Running, InspectionState::Failed] {
            let mut open = inspection(Vec::new());
            open.state = state.into();
            // What a careless server might leave there.
            open.verdict = Verdict::Conforms.into();
            let text = whole(&open, &PLAIN) + &line(1, &open);
            assert!(!text.contains("CONFORM"), "{text}");
            assert!(text.contains("no verdict"), "{text}");
        }
    }

    #[test]
    fn the_whole_table_keeps_within_100_columns() {
        let mut long = profile();
        long.feature = "REVEAL-UPPER-LEFT".into();
        long.datum_system = Some("ABC".into());
        long.required = false;
        long.minimum = Some(Extreme { value_mm: -12.345, at_mm: vec![0.0; 3] });
        long.interval = Some(Interval { low_mm: 12.0, high_mm: 13.0 });
        long.verdict = Verdict::DoesNotConform.into();
        let text = whole(&inspection(vec![long, position()]), &PLAIN);
        for line in text.lines() {
            assert!(line.chars().count() <= 100, "{line}");
        }
    }
}
