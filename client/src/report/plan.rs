//! What a check of a plan found.

use scantling_proto::v1::CheckPlanResponse;

use super::{Look, facts, part::bound, wrap};
use crate::problem::violation;

/// Every fault with its place, or the plan's digest and where its picks are.
pub(crate) fn checked(answer: &CheckPlanResponse, look: &Look) -> String {
    if !answer.faults.is_empty() {
        let mut text = count(answer.faults.len()) + "\n";
        for fault in &answer.faults {
            let said = violation(&fault.place, &fault.problem);
            for (k, line) in wrap(&said, look.width.saturating_sub(6).max(20)).iter().enumerate() {
                text += &format!("{}{line}\n", if k == 0 { "  " } else { "      " });
            }
        }
        return text;
    }
    let mut text = facts(&[("plan", "no faults".to_owned()), ("sha256", answer.plan_sha256.clone())], look);
    if !answer.bound_features.is_empty() {
        text.push('\n');
        text.push_str(&bound(&answer.bound_features, look));
    }
    text + &remarks(&answer.remarks, look)
}

/// What is odd though nothing is wrong, one a line and its rest indented; nothing when there is nothing.
pub(crate) fn remarks(remarks: &[String], look: &Look) -> String {
    let mut text = String::new();
    for remark in remarks {
        let said = format!("remark: {remark}");
        for (k, line) in wrap(&said, look.width.saturating_sub(2).max(20)).iter().enumerate() {
            text += &format!("{}{line}\n", if k == 0 { "" } else { "  " });
        }
    }
    if text.is_empty() { text } else { format!("\n{text}") }
}

/// How many faults, in words.
pub(crate) fn count(faults: usize) -> String {
    match faults {
        1 => "1 fault".to_owned(),
        n => format!("{n} faults"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::tests::PLAIN;
    use scantling_proto::v1::PlanFault;

    #[test]
    fn every_fault_has_its_line() {
        let fault = |place: &str, problem: &str| PlanFault { place: place.into(), problem: problem.into() };
        let faults =
            vec![fault("characteristic[1].number", "\"7\" is used twice"), fault("", "no decision rule")];
        let answer = CheckPlanResponse { faults, ..CheckPlanResponse::default() };
        assert_eq!(
            checked(&answer, &PLAIN),
            "2 faults\n  characteristic[1].number: \"7\" is used twice\n  no decision rule\n"
        );
    }

    #[test]
    fn a_good_plan_shows_its_digest() {
        let answer = CheckPlanResponse { plan_sha256: "ab".into(), ..CheckPlanResponse::default() };
        assert_eq!(checked(&answer, &PLAIN), "plan    no faults\nsha256  ab\n");
        let odd = CheckPlanResponse { remarks: vec!["another hole?".into()], ..answer };
        assert_eq!(checked(&odd, &PLAIN), "plan    no faults\nsha256  ab\n\nremark: another hole?\n");
    }
}
