//! Characteristics as they were evaluated, in the plan's order.

use scantling_proto::v1::{
    Advice, AngleResult, Evaluation, Extreme, InstanceResult, Interval, Limits, ReadingResult, Verdict,
};

use super::inspection::verdict_entry;
use super::number::{self, given};
use super::{Entry, Look, number as right, printable, table, words, wrap};

/// Every characteristic in a table, how to read it, and why those that do not conform do not; nothing when
/// there is none. Ends in an empty line.
pub(crate) fn all(evaluations: &[Evaluation], look: &Look) -> String {
    if evaluations.is_empty() {
        return String::new();
    }
    let rows = evaluations.iter().map(row).collect();
    let head = ["no.", "characteristic", "limits", "measured", "95 % interval", "verdict"];
    let mut text = table(&head, rows, look) + &notes(evaluations) + "\n";
    let reasons = reasons(evaluations, look);
    if !reasons.is_empty() {
        text += &reasons;
        text.push('\n');
    }
    text
}

/// What would help what was not measured or is undecided, in the order of the plan; nothing when there is nothing. Ends
/// in an empty line.
pub(crate) fn advice(all: &[Advice], look: &Look) -> String {
    if all.is_empty() {
        return String::new();
    }
    let mut text = "what would help\n".to_owned();
    for one in all {
        let head = printable(&one.characteristics.join(", "));
        let lines = wrap(&one.words, look.width.saturating_sub(6).max(20));
        // Of many numbers the words stand below them.
        let beside = head.chars().count() <= 5;
        if !beside {
            text += &wrap(&format!("{head}:"), look.width.saturating_sub(1).max(20)).join("\n");
            text.push('\n');
        }
        for (k, line) in lines.iter().enumerate() {
            let head = if k == 0 && beside { head.as_str() } else { "" };
            text.push_str(&format!("{head:<5} {line}\n"));
        }
    }
    text.push('\n');
    text
}

/// How to read the table, as far as it needs it.
fn notes(evaluations: &[Evaluation]) -> String {
    let mut notes = "  lengths in mm; + is outside the material".to_owned();
    if evaluations.iter().any(|e| !e.required) {
        notes += "; (r) is reported only";
    }
    notes += "\n";
    if evaluations.iter().any(signed) {
        notes += "  profile: lowest .. highest deviation; the interval is of the one with less room\n";
    }
    if evaluations.iter().any(walled) {
        notes += "  thickness: smallest .. largest; limits and interval are of the one with less room\n";
    }
    notes
}

fn row(evaluation: &Evaluation) -> Vec<Entry> {
    let limits = evaluation.limits.unwrap_or_default();
    let given = given(&limits);
    let datums = evaluation.datum_system.as_ref().map_or(String::new(), |d| format!(" to {d}"));
    let reported = if evaluation.required { "" } else { " (r)" };
    // Most are measured by the scan; that need not be said.
    let by = match evaluation.measured_by.as_str() {
        "" | "scan" => String::new(),
        other => format!(" by {other}"),
    };
    let requirement = evaluation.requirement.replace('_', " ");
    let of = if evaluation.feature.is_empty() { String::new() } else { format!(" {}", evaluation.feature) };
    let what = format!("{requirement}{of}{datums}{by}{reported}");
    let measured = match (&evaluation.minimum, &evaluation.maximum, evaluation.value_mm) {
        (Some(low), Some(high), _) if signed(evaluation) || walled(evaluation) => {
            format!("{} .. {}", number::value(low.value_mm, &given), number::value(high.value_mm, &given))
        }
        (_, _, Some(value)) => number::value(value, &given),
        _ => "-".to_owned(),
    };
    let interval = evaluation.interval.as_ref().map_or("-".to_owned(), |i| number::interval(i, &given));
    let [limits, measured, interval] = match (&evaluation.reading, &evaluation.angle) {
        (_, Some(angle)) => degrees(angle),
        // A size or place read by hand is told in mm beside the drawing's limits.
        (Some(reading), None) if evaluation.value_mm.is_none() => read(reading),
        _ => [number::limits(&limits), measured, interval],
    };
    vec![
        words(evaluation.number.clone()),
        words(what),
        right(limits),
        right(measured),
        right(interval),
        verdict_entry(evaluation.verdict()),
    ]
}

/// Whether its extremes are told: deviations to both sides, gaps and steps.
fn signed(evaluation: &Evaluation) -> bool {
    matches!(evaluation.requirement.as_str(), "surface_profile" | "line_profile" | "gap" | "step")
}

/// Whether its extremes are those of a wall's thickness.
fn walled(evaluation: &Evaluation) -> bool {
    evaluation.thickness.is_some()
}

/// Limits, value and interval of an angle.
fn degrees(angle: &AngleResult) -> [String; 3] {
    let (lower, upper) = (angle.lower_limit_deg, angle.upper_limit_deg);
    let given = [lower, upper];
    let limits = number::limits(&Limits { lower_mm: Some(lower), upper_mm: Some(upper) });
    let measured = angle.value_deg.map_or("-".to_owned(), |v| format!("{} deg", number::value(v, &given)));
    let interval = match angle.interval_deg[..] {
        [low_mm, high_mm] => number::interval(&Interval { low_mm, high_mm }, &given),
        _ => "-".to_owned(),
    };
    [format!("{limits} deg"), measured, interval]
}

/// Limits, value and interval of a reading in its own unit; of a gauge, what it said.
fn read(reading: &ReadingResult) -> [String; 3] {
    let unit = &reading.unit;
    let given: Vec<f64> = [reading.lower_limit, reading.upper_limit].into_iter().flatten().collect();
    let limits = number::limits(&Limits { lower_mm: reading.lower_limit, upper_mm: reading.upper_limit });
    let measured = match (reading.value, reading.passed) {
        (Some(value), _) => format!("{} {unit}", number::value(value, &given)),
        (None, Some(true)) => "passed".to_owned(),
        (None, Some(false)) => "failed".to_owned(),
        (None, None) => "-".to_owned(),
    };
    let interval = match (reading.value, reading.expanded_uncertainty) {
        (Some(value), Some(u)) => {
            number::interval(&Interval { low_mm: value - u, high_mm: value + u }, &given)
        }
        _ => "-".to_owned(),
    };
    [limits, measured, interval]
}

/// Why characteristics do not conform or could not be decided, and where to look.
fn reasons(evaluations: &[Evaluation], look: &Look) -> String {
    // One reason for many, such as a scan that was not located, is told once.
    let mut all: Vec<(Vec<&str>, String)> = Vec::new();
    for evaluation in evaluations.iter().filter(|e| e.verdict() != Verdict::Conforms) {
        let mut said = evaluation.reason.clone();
        if let Some(risk) = evaluation.conformity.as_ref().and_then(|c| c.specific_producer_risk)
            && evaluation.verdict() == Verdict::DoesNotConform
        {
            said = format!(
                "{}; probability that it conforms all the same {}",
                said.trim_end_matches('.'),
                share(risk)
            );
        }
        if let Some(where_to_look) = place(evaluation) {
            said = format!("{}; {where_to_look}", said.trim_end_matches('.'));
        }
        match all.last_mut() {
            Some((numbers, before)) if *before == said => numbers.push(&evaluation.number),
            _ => all.push((vec![&evaluation.number], said)),
        }
    }
    let mut text = String::new();
    for (numbers, said) in all {
        let mut head = printable(&numbers.join(", "));
        if numbers.len() > 1 {
            let width = look.width.saturating_sub(1).max(20);
            text += &wrap(&format!("{head}:"), width).join("\n");
            text.push('\n');
            head.clear();
        }
        for (k, line) in wrap(&said, look.width.saturating_sub(6).max(20)).iter().enumerate() {
            let head = if k == 0 { head.as_str() } else { "" };
            text.push_str(&format!("{head:<5} {line}\n"));
        }
    }
    text
}

/// A probability in percent; small ones as a bound.
fn share(probability: f64) -> String {
    if probability < 1e-4 { "below 0.01 %".into() } else { format!("{:.2} %", 100.0 * probability) }
}

/// Of several values the worst so many are told.
const INSTANCES_TOLD: usize = 6;

/// Where the value comes from: the way a hole is off, the worst of several values, or the worst place of a surface.
fn place(evaluation: &Evaluation) -> Option<String> {
    let given = given(&evaluation.limits.unwrap_or_default());
    if evaluation.verdict() == Verdict::NotMeasured {
        return None;
    }
    if let (true, Some(by)) = (evaluation.requirement == "position", &evaluation.components) {
        return Some(format!(
            "off by dx {}, dy {}, dz {} mm",
            number::plain(by.dx_mm),
            number::plain(by.dy_mm),
            number::plain(by.dz_mm)
        ));
    }
    if evaluation.instances.len() > 1 {
        let mut worst: Vec<_> = evaluation.instances.iter().collect();
        worst.sort_by(|a, b| b.value_mm.total_cmp(&a.value_mm));
        let told = |i: &&InstanceResult| format!("{} {}", i.name, number::value(i.value_mm, &given));
        let all: Vec<String> = worst.iter().take(INSTANCES_TOLD).map(told).collect();
        let more = worst.len().saturating_sub(INSTANCES_TOLD);
        let rest = if more > 0 { format!(" and {more} more") } else { String::new() };
        return Some(format!("{}{rest}", all.join(", ")));
    }
    let worst = worst(evaluation)?;
    let [x, y, z] = worst.at_mm[..] else { return None };
    Some(format!("{} mm at x {x:.1}, y {y:.1}, z {z:.1}", number::value(worst.value_mm, &given)))
}

/// Of the extremes the one with less room to its own limit, which is not always the larger one.
fn worst(evaluation: &Evaluation) -> Option<&Extreme> {
    let limits = evaluation.limits.unwrap_or_default();
    // Of one width, such as a flatness, both extremes are ends; the larger stands for it.
    let signed = limits.lower_mm.is_some();
    let room = |value: f64, low: bool| match (low, limits.lower_mm, limits.upper_mm) {
        (true, Some(lower), _) => value - lower,
        (false, _, Some(upper)) if signed => upper - value,
        _ => -value.abs(),
    };
    let low = evaluation.minimum.as_ref().map(|e| (room(e.value_mm, true), e));
    let high = evaluation.maximum.as_ref().map(|e| (room(e.value_mm, false), e));
    [low, high].into_iter().flatten().min_by(|a, b| a.0.total_cmp(&b.0)).map(|(_, extreme)| extreme)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::tests::PLAIN;

    fn profile(low: f64, high: f64, limits: (f64, f64)) -> Evaluation {
        let extreme = |value_mm, x| Some(Extreme { value_mm, at_mm: vec![x, 0.0, 0.0] });
        Evaluation {
            number: "3".into(),
            requirement: "surface_profile".into(),
            feature: "SKIN".into(),
            required: true,
            limits: Some(Limits { lower_mm: Some(limits.0), upper_mm: Some(limits.1) }),
            minimum: extreme(low, 1.0),
            maximum: extreme(high, 2.0),
            verdict: Verdict::DoesNotConform.into(),
            reason: "outside".into(),
            ..Evaluation::default()
        }
    }

    #[test]
    fn the_worst_place_is_the_one_with_less_room_to_its_own_limit() {
        // -0.5 is well within -1; 0.3 is out.
        assert_eq!(worst(&profile(-0.5, 0.3, (-1.0, 0.2))).map(|e| e.value_mm), Some(0.3));
        assert_eq!(worst(&profile(-0.5, 0.3, (-0.4, 0.4))).map(|e| e.value_mm), Some(-0.5));
        let text = all(&[profile(-0.5, 0.3, (-1.0, 0.2))], &PLAIN);
        assert!(text.contains("outside; 0.30 mm at x 2.0"), "{text}");
    }

    #[test]
    fn a_size_read_by_hand_stands_beside_the_limits_of_the_drawing() {
        let read = Evaluation {
            number: "1".into(),
            requirement: "diameter".into(),
            feature: "H1".into(),
            required: true,
            measured_by: "reading".into(),
            limits: Some(Limits { lower_mm: Some(8.0), upper_mm: Some(8.1) }),
            value_mm: Some(8.1004),
            interval: Some(Interval { low_mm: 8.1003, high_mm: 8.1005 }),
            reading: Some(ReadingResult {
                value: Some(8.1004),
                unit: "mm".into(),
                expanded_uncertainty: Some(0.0001),
                ..ReadingResult::default()
            }),
            verdict: Verdict::DoesNotConform.into(),
            ..Evaluation::default()
        };
        let text = all(&[read], &PLAIN);
        assert!(text.contains("8 .. 8.1    8.1004  8.1003 .. 8.1005  DOES NOT CONFORM\n"), "{text}");
    }

    #[test]
    fn an_angle_is_told_in_degrees_and_of_several_values_the_worst() {
        let angle = Evaluation {
            number: "1".into(),
            requirement: "angle".into(),
            feature: "TAPER".into(),
            required: true,
            measured_by: "scan".into(),
            angle: Some(AngleResult {
                value_deg: Some(30.12),
                lower_limit_deg: 29.5,
                upper_limit_deg: 30.5,
                standard_uncertainty_deg: Some(0.05),
                interval_deg: vec![30.022, 30.218],
                ..AngleResult::default()
            }),
            verdict: Verdict::Conforms.into(),
            ..Evaluation::default()
        };
        let text = all(&[angle], &PLAIN);
        assert!(text.contains("29.5 .. 30.5 deg  30.12 deg  30.02 .. 30.22  CONFORMS\n"), "{text}");
        let one = |name: &str, value_mm| InstanceResult { name: name.into(), value_mm, at_mm: Vec::new() };
        let holes = Evaluation {
            number: "2".into(),
            requirement: "position".into(),
            feature: "HOLES".into(),
            required: true,
            limits: Some(Limits { lower_mm: None, upper_mm: Some(0.2) }),
            value_mm: Some(0.31),
            instances: vec![one("H1", 0.12), one("H2", 0.31)],
            verdict: Verdict::DoesNotConform.into(),
            reason: "outside".into(),
            ..Evaluation::default()
        };
        let text = all(&[holes], &PLAIN);
        assert!(text.contains("outside; H2 0.31, H1 0.12\n"), "{text}");
    }

    #[test]
    fn one_reason_for_many_is_told_once() {
        let missing = |number: &str, reason: &str| Evaluation {
            number: number.into(),
            verdict: Verdict::NotMeasured.into(),
            reason: reason.into(),
            ..Evaluation::default()
        };
        let text = reasons(
            &[missing("1", "not located"), missing("2", "not located"), missing("3", "hidden")],
            &PLAIN,
        );
        assert_eq!(text, "1, 2:\n      not located\n3     hidden\n");
    }

    #[test]
    fn advice_stands_beside_its_numbers_or_below_many() {
        let scan = |numbers: &[&str], words: &str| Advice {
            characteristics: numbers.iter().map(|n| (*n).to_owned()).collect(),
            words: words.to_owned(),
            ..Advice::default()
        };
        let text =
            advice(&[scan(&["3"], "scan CROWN, from +z"), scan(&["4", "11", "12"], "scan H1")], &PLAIN);
        assert_eq!(text, "what would help\n3     scan CROWN, from +z\n4, 11, 12:\n      scan H1\n\n");
        assert_eq!(advice(&[], &PLAIN), "");
    }

    #[test]
    fn a_wall_shows_its_thinnest_and_thickest_place() {
        let extreme = |value_mm: f64| Some(Extreme { value_mm, at_mm: vec![1.0, 2.0, 3.0] });
        let wall = Evaluation {
            requirement: "thickness".into(),
            limits: Some(Limits { lower_mm: Some(2.8), upper_mm: Some(3.3) }),
            value_mm: Some(2.71),
            minimum: extreme(2.71),
            maximum: extreme(3.02),
            thickness: Some(scantling_proto::v1::ThicknessResult::default()),
            verdict: Verdict::DoesNotConform.into(),
            ..profile(0.0, 0.0, (0.0, 0.0))
        };
        let text = all(&[wall], &PLAIN);
        assert!(text.contains("2.71 .. 3.02"), "{text}");
        assert!(text.contains("thickness: smallest .. largest"), "{text}");
        assert!(text.contains("2.71 mm at x 1.0, y 2.0, z 3.0"), "{text}");
    }

    #[test]
    fn readings_are_told_in_their_own_unit_and_gauges_in_words() {
        let mass = Evaluation {
            number: "20".into(),
            requirement: "reading".into(),
            required: true,
            measured_by: "reading".into(),
            reading: Some(ReadingResult {
                value: Some(1.2345),
                unit: "kg".into(),
                upper_limit: Some(1.3),
                expanded_uncertainty: Some(0.01),
                ..ReadingResult::default()
            }),
            verdict: Verdict::Conforms.into(),
            ..Evaluation::default()
        };
        let gauge = Evaluation {
            number: "21".into(),
            requirement: "gauge".into(),
            feature: "H1".into(),
            required: true,
            measured_by: "reading".into(),
            reading: Some(ReadingResult { passed: Some(false), ..ReadingResult::default() }),
            verdict: Verdict::DoesNotConform.into(),
            ..Evaluation::default()
        };
        let text = all(&[mass, gauge], &PLAIN);
        assert!(text.contains("at most 1.3   1.23 kg   1.22 .. 1.25  CONFORMS\n"), "{text}");
        assert!(text.contains("failed              -  DOES NOT CONFORM\n"), "{text}");
    }
}
