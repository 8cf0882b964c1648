//! Lists of inspections.

use scantling_proto::v1::{
    FindingKind, Inspection, InspectionState, ListInspectionsResponse, LocateResponse, Verdict,
};

use super::inspection::{answer, purpose};
use super::{Look, calls, day, facts, number, printable, strong, table, whole, words};
use crate::names::{id, short_revision};

/// Inspections, newest first.
pub(crate) fn list(inspections: &ListInspectionsResponse, look: &Look) -> String {
    if inspections.inspections.is_empty() {
        return "no inspections; `scantling measure` makes one\n".to_owned();
    }
    let date = |i: &Inspection| day(i.finish_time.as_ref().or(i.create_time.as_ref()));
    if look.table_width.is_some_and(|width| width < NARROW) {
        let each = inspections.inspections.iter().map(|i| {
            let lines = [
                ("part", short_revision(&i.revision)),
                ("serial", clipped(&i.serial_number)),
                ("answer", answer(i).text().to_owned()),
                ("made", format!("{}, {}", purpose(i.purpose()), date(i))),
            ];
            format!("{}\n{}", printable(id(&i.name)), facts(&lines, look))
        });
        return each.collect::<Vec<_>>().join("\n");
    }
    let rows = inspections
        .inspections
        .iter()
        .map(|i| {
            vec![
                whole(id(&i.name)),
                words(short_revision(&i.revision)),
                words(clipped(&i.serial_number)),
                words(purpose(i.purpose())),
                answer(i),
                words(date(i)),
            ]
        })
        .collect();
    table(&["inspection", "part", "serial", "purpose", "answer", "date"], rows, look)
}

/// On fewer columns a row would break within words.
const NARROW: usize = 80;

/// Enough of a long text to find it by: one must not widen every row.
fn clipped(text: &str) -> String {
    const MOST: usize = 32;
    if text.chars().count() <= MOST {
        return text.to_owned();
    }
    text.chars().take(MOST - 3).chain("...".chars()).collect()
}

/// Everything that was found in one scan, each part with its inspection, in the order found.
pub(crate) fn instances(found: &LocateResponse, inspections: &[Inspection], look: &Look) -> String {
    let mut parts = inspections.iter();
    let place = |f: &scantling_proto::v1::Finding| match f
        .region
        .as_ref()
        .map(|r| (&r.minimum_mm[..], &r.maximum_mm[..]))
    {
        Some(([x0, y0, ..], [x1, y1, ..])) => format!("x {:.0}, y {:.0}", (x0 + x1) / 2.0, (y0 + y1) / 2.0),
        _ => "-".to_owned(),
    };
    let rows = found.findings.iter().enumerate().map(|(k, f)| {
        let of = if f.kind() == FindingKind::Part { parts.next() } else { None };
        let what = calls::kind(f.kind());
        vec![
            number((k + 1).to_string()),
            words(place(f)),
            if f.kind() == FindingKind::Part { words(what) } else { strong(what) },
            words(of.map_or("-", |i| i.serial_number.as_str())),
            whole(of.map_or("-", |i| id(&i.name))),
            of.map_or_else(|| words("not measured"), answer),
        ]
    });
    let rows: Vec<_> = rows.collect();
    if rows.is_empty() {
        return "no such part was found in the scan\n".to_owned();
    }
    let text = table(&["no.", "about, mm", "what", "serial", "inspection", "answer"], rows, look);
    let reasons: Vec<(&str, String)> = inspections
        .iter()
        .filter(|i| i.state() == InspectionState::Done && i.verdict() != Verdict::Conforms)
        .map(|i| (i.serial_number.as_str(), i.reason.clone()))
        .collect();
    if reasons.is_empty() { text } else { text + "\n" + &facts(&reasons, look) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::tests::PLAIN;
    use scantling_proto::v1::{Inspection, InspectionState, Purpose, Verdict};

    #[test]
    fn a_list_shows_each_answer() {
        let done = Inspection {
            name: "inspections/b".into(),
            revision: "parts/ws-214/revisions/c4".into(),
            serial_number: "2".into(),
            purpose: Purpose::Production.into(),
            state: InspectionState::Done.into(),
            verdict: Verdict::Undecided.into(),
            ..Inspection::default()
        };
        let mut open = done.clone();
        open.name = "inspections/c".into();
        open.state = InspectionState::Queued.into();
        open.verdict = 0;
        let answer = ListInspectionsResponse { inspections: vec![open, done], ..Default::default() };
        assert_eq!(
            list(&answer, &PLAIN),
            "\
inspection  part       serial  purpose     answer                  date
c           ws-214/c4  2       production  queued, no verdict yet  -
b           ws-214/c4  2       production  UNDECIDED               -
"
        );
    }

    #[test]
    fn what_lies_in_one_scan_is_listed_with_what_became_of_it() {
        let finding =
            |kind: FindingKind| scantling_proto::v1::Finding { kind: kind.into(), ..Default::default() };
        let found = LocateResponse {
            findings: vec![finding(FindingKind::OtherHand), finding(FindingKind::Part)],
            other_points: 0,
            ..LocateResponse::default()
        };
        let good = || Inspection {
            name: "inspections/b".into(),
            serial_number: "7-1".into(),
            state: InspectionState::Done.into(),
            verdict: Verdict::Conforms.into(),
            ..Inspection::default()
        };
        assert_eq!(
            instances(&found, &[good()], &PLAIN),
            "\
no.  about, mm  what        serial  inspection  answer
  1  -          OTHER HAND  -       -           not measured
  2  -          part        7-1     b           CONFORMS
"
        );
        let bad = Inspection {
            serial_number: "7-1".into(),
            verdict: Verdict::NotMeasured.into(),
            reason: "not measured: 4".into(),
            ..good()
        };
        let text = instances(&found, &[bad], &PLAIN);
        assert!(text.ends_with("NOT MEASURED\n\n7-1  not measured: 4\n"), "{text}");
    }

    #[test]
    fn on_few_columns_each_inspection_has_lines_of_its_own() {
        let done = Inspection {
            name: "inspections/01a212e5-fe1d-746b-81ad-427bfa799cfb".into(),
            revision: "parts/ws-214/revisions/c4".into(),
            serial_number: "2".into(),
            purpose: Purpose::Production.into(),
            state: InspectionState::Done.into(),
            verdict: Verdict::NotMeasured.into(),
            ..Inspection::default()
        };
        let answer = ListInspectionsResponse { inspections: vec![done], ..Default::default() };
        let look = Look { width: 60, table_width: Some(60), bold: false };
        assert_eq!(
            list(&answer, &look),
            "\
01a212e5-fe1d-746b-81ad-427bfa799cfb
part    ws-214/c4
serial  2
answer  NOT MEASURED
made    production, -
"
        );
    }

    #[test]
    fn a_name_can_be_copied_from_a_full_list() {
        let mut done = Inspection {
            name: "inspections/01a212e5-fe1d-746b-81ad-427bfa799cfb".into(),
            revision: "parts/ws-214/revisions/c4".into(),
            serial_number: "WS-214-2026-000123".into(),
            purpose: Purpose::FirstArticle.into(),
            state: InspectionState::Done.into(),
            verdict: Verdict::DoesNotConform.into(),
            ..Inspection::default()
        };
        done.finish_time = Some(prost_types::Timestamp { seconds: 10_957 * 86_400, nanos: 0 });
        let text = list(&ListInspectionsResponse { inspections: vec![done], ..Default::default() }, &PLAIN);
        assert!(text.contains("01a212e5-fe1d-746b-81ad-427bfa799cfb"), "{text}");
        for line in text.lines() {
            assert!(line.chars().count() <= 100, "{line}");
        }
    }
}
