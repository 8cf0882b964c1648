//! What a self-check found.

use std::time::Duration;

use scantling_proto::v1::{SelfCheckGroup, SelfCheckItem, SelfCheckQuantity, SelfCheckResponse};

use super::{Entry, Look, facts, number, strong, table, words};

/// A line for each group, every check that failed (or all of them), and what an audit writes down.
pub(crate) fn checked(answer: &SelfCheckResponse, took: Duration, all: bool, look: &Look) -> String {
    let head = ["checked", "checks", "failed", "worst", "of", "limit"];
    let mut text = table(&head, answer.groups.iter().map(row).collect(), look);
    for group in &answer.groups {
        let shown: Vec<&SelfCheckItem> = group.checks.iter().filter(|c| all || !c.passed).collect();
        if !shown.is_empty() {
            text += &format!("\n{}\n", super::printable(&group.title));
            let head = ["check", "of", "", "compared", "off", "limit", "note"];
            text += &table(&head, shown.into_iter().flat_map(lines).collect(), look);
        }
    }
    let bad: usize = answer.groups.iter().map(failed).sum();
    let count: usize = answer.groups.iter().map(|g| g.checks.len()).sum();
    let verdict = match (answer.passed, bad) {
        (true, _) => format!("all {count} checks passed"),
        (false, 0) => "NOT PASSED: checks are missing".to_owned(),
        (false, bad) => format!("FAILED: {bad} of {count} checks; do not rely on this installation"),
    };
    let mut told = vec![
        ("result", verdict),
        ("version", answer.program_version.clone()),
        ("report", answer.report_sha256.clone()),
        ("references", answer.references_sha256.clone()),
        ("took", format!("{:.1} s", took.as_secs_f64())),
    ];
    // Neighbours with one source are told together.
    for of in answer.groups.chunk_by(|a, b| a.source == b.source) {
        let titles: Vec<&str> = of.iter().map(|g| g.title.as_str()).collect();
        let basis = if of[0].published { "" } else { "not published: " };
        told.push(("source", format!("{}: {basis}{}", titles.join("; "), of[0].source)));
    }
    text + "\n" + &facts(&told, look)
}

fn failed(group: &SelfCheckGroup) -> usize {
    group.checks.iter().filter(|c| !c.passed).count()
}

fn row(group: &SelfCheckGroup) -> Vec<Entry> {
    let bad = failed(group);
    let worst = group.worst.clone().unwrap_or_default();
    let (off, of, limit) = match &worst.quantity {
        Some(q) => (off(q), format!("{}, {}", worst.check, q.name), limit(q)),
        None => ("-".into(), String::new(), String::new()),
    };
    vec![
        words(&group.title),
        number(group.checks.len().to_string()),
        if bad == 0 && !group.checks.is_empty() { words("0") } else { strong(bad.to_string()) },
        number(off),
        words(of),
        number(limit),
    ]
}

fn off(q: &SelfCheckQuantity) -> String {
    q.deviation.map_or("no number".to_owned(), |d| format!("{d:.1e} {}", unit(q)))
}

fn limit(q: &SelfCheckQuantity) -> String {
    format!("{:.0e} {}", q.limit, unit(q))
}

fn unit(q: &SelfCheckQuantity) -> &str {
    if q.unit == "1" { "" } else { &q.unit }
}

/// One line for each quantity, the check's name on the first.
fn lines(check: &SelfCheckItem) -> Vec<Vec<Entry>> {
    let passed = if check.passed { words("passed") } else { strong("FAILED") };
    let note = if check.problem.is_empty() { &check.note } else { &check.problem };
    let mut told: Vec<[String; 3]> =
        check.quantities.iter().map(|q| [q.name.clone(), off(q), limit(q)]).collect();
    if !check.ours.is_empty() {
        let compared = if check.ours == check.stated {
            check.ours.clone()
        } else {
            format!("{}, stated: {}", check.ours, check.stated)
        };
        told.push([compared, String::new(), String::new()]);
    }
    if told.is_empty() {
        told.push(["nothing".into(), String::new(), String::new()]);
    }
    let mut rows = Vec::new();
    let mut first = Some([words(&check.name), words(&check.of), passed]);
    for [compared, off, limit] in told {
        let note = if first.is_some() { note.as_str() } else { "" };
        let begin = first.take().unwrap_or_else(|| [words(""), words(""), words("")]);
        rows.push(
            begin.into_iter().chain([words(compared), number(off), number(limit), words(note)]).collect(),
        );
    }
    rows
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::tests::PLAIN;
    use scantling_proto::v1::SelfCheckWorst;

    fn answer(deviation: Option<f64>, passed: bool) -> SelfCheckResponse {
        let quantity = SelfCheckQuantity {
            name: "diameter".into(),
            unit: "mm".into(),
            ours: vec![1.0],
            stated: vec![1.0],
            deviation,
            limit: 1e-9,
        };
        let check = SelfCheckItem {
            name: "cyl7".into(),
            of: "cylinder".into(),
            passed,
            quantities: vec![quantity.clone()],
            ..SelfCheckItem::default()
        };
        SelfCheckResponse {
            program_version: "1.2.3".into(),
            passed,
            groups: vec![SelfCheckGroup {
                id: "least_squares".into(),
                title: "least-squares fits".into(),
                source: "somebody, 1998".into(),
                published: true,
                checks: vec![check],
                worst: Some(SelfCheckWorst { check: "cyl7".into(), quantity: Some(quantity) }),
            }],
            report_sha256: "abc".into(),
            ..SelfCheckResponse::default()
        }
    }

    fn told(answer: &SelfCheckResponse, all: bool) -> String {
        checked(answer, Duration::from_millis(1234), all, &PLAIN)
    }

    #[test]
    fn a_passed_check_is_a_line_and_listed_when_asked() {
        let answer = answer(Some(2.5e-13), true);
        let text = told(&answer, false);
        for wanted in [
            "2.5e-13 mm",
            "1e-9 mm",
            "all 1 checks passed",
            "1.2.3",
            "abc",
            "1.2 s",
            "least-squares fits: somebody, 1998",
        ] {
            assert!(text.contains(wanted), "{wanted} is not in:\n{text}");
        }
        assert!(!text.contains("passed  diameter") && !text.contains("FAILED"), "{text}");
        let all = told(&answer, true);
        assert!(all.contains("cyl7   cylinder  passed"), "{all}");
    }

    #[test]
    fn a_failed_check_is_named_and_never_read_as_passed() {
        let text = told(&answer(None, false), false);
        for wanted in ["cyl7", "FAILED", "no number", "FAILED: 1 of 1 checks"] {
            assert!(text.contains(wanted), "{wanted} is not in:\n{text}");
        }
        assert!(!text.contains("passed"), "{text}");
        let mut none = answer(None, false);
        none.groups[0].checks.clear();
        none.groups[0].published = false;
        let text = told(&none, false);
        assert!(
            text.contains("NOT PASSED: checks are missing") && text.contains("not published: "),
            "{text}"
        );
    }
}
