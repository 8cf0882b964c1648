//! Lists of inspections.

use scantling_proto::v1::ListInspectionsResponse;

use super::inspection::{answer, purpose};
use super::{Look, day, table, whole, words};
use crate::names::{id, short_revision};

/// Inspections, newest first.
pub(crate) fn list(inspections: &ListInspectionsResponse, look: &Look) -> String {
    if inspections.inspections.is_empty() {
        return "no inspections; `scantling measure` makes one\n".to_owned();
    }
    let rows = inspections
        .inspections
        .iter()
        .map(|i| {
            vec![
                whole(id(&i.name)),
                words(short_revision(&i.revision)),
                words(&i.serial_number),
                words(purpose(i.purpose())),
                answer(i),
                words(day(i.finish_time.as_ref().or(i.create_time.as_ref()))),
            ]
        })
        .collect();
    table(&["inspection", "part", "serial", "purpose", "answer", "date"], rows, look)
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
