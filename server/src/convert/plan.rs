//! Plans: message, TOML or JSON in, the checked plan out; and the message of a plan's file.

use super::bridge::{self, BridgeError};
use scantling_core::plan::{self, Fault, Plan, PlanFile, SoundFeatures};
use scantling_proto::v1;

use super::status::Problem;

/// A plan as it comes in, which only [`check_input`] looks into.
pub(crate) use scantling_proto::v1::PlanInput;

/// A plan that has no faults, in all its forms.
#[derive(Clone, Debug)]
pub struct CheckedPlan {
    /// As the file says it.
    pub file: PlanFile,
    /// As core works with it.
    pub plan: Plan,
    /// The text as it was sent; `None` when a message was sent.
    pub source: Option<String>,
}

/// Checks the plan of a request.
///
/// # Errors
/// Every fault of the plan at once; one without place when there is no plan at all.
pub fn check_input(input: Option<&PlanInput>) -> Result<CheckedPlan, Vec<Fault>> {
    use v1::plan_input::Plan as Input;
    let (checked, source) = match input.and_then(|i| i.plan.as_ref()) {
        Some(Input::Message(message)) => (check_message(message)?, None),
        Some(Input::Toml(text)) => (plan::check_toml(text)?, Some(text)),
        Some(Input::Json(text)) => (plan::check_json(text)?, Some(text)),
        None => {
            let problem = "no plan was sent; send it as `message`, `toml` or `json`".to_owned();
            return Err(vec![Fault { place: String::new(), problem }]);
        }
    };
    let (file, plan) = checked;
    Ok(CheckedPlan { file, plan, source: source.cloned() })
}

/// What of a plan with faults can be held against its nominal all the same.
pub(crate) fn sound_features(input: &PlanInput) -> Option<SoundFeatures> {
    use v1::plan_input::Plan as Input;
    match input.plan.as_ref()? {
        Input::Message(message) => SoundFeatures::of_value(bridge::to_value(message).ok()?),
        Input::Toml(text) => SoundFeatures::of_toml(text),
        Input::Json(text) => SoundFeatures::of_json(text),
    }
}

/// Checks a plan that came as a message.
///
/// # Errors
/// Every fault of the plan at once, in the words of its file.
pub fn check_message(message: &v1::Plan) -> Result<(PlanFile, Plan), Vec<Fault>> {
    let value = bridge::to_value(message)
        .map_err(|e| vec![Fault { place: String::new(), problem: e.to_string() }])?;
    plan::check_value(value)
}

/// The message of a plan's file.
///
/// # Errors
/// [`BridgeError`] when contract and core have drifted apart, which a test refuses.
pub fn to_message(file: &PlanFile) -> Result<v1::Plan, BridgeError> {
    let value = serde_json::to_value(file)
        .map_err(|source| BridgeError::Form { name: "scantling.v1.Plan", source })?;
    bridge::to_message(value)
}

/// A kept plan as a message.
pub(crate) fn kept(plan_json: &str) -> Result<v1::Plan, Problem> {
    let file = PlanFile::from_json(plan_json).map_err(|e| Problem::internal(format!("a kept plan: {e}")))?;
    to_message(&file).map_err(Problem::internal)
}

#[cfg(test)]
mod tests {
    use super::*;

    const PLAN: &str = r#"
schema_version = 1
part = "ws-214"
drawing_revision = "C"
plan_version = 4
length_unit = "mm"
object = "part"
standard = { system = "iso", edition = "ISO 1101:2017" }
decision = { proven = {} }
[nominal]
file = "ws-214.stl"
side_of_material = "in_front_of_normal"
[[feature]]
id = "H1"
kind = "hole"
pick = { near_mm = [35.0, 120.0, 0.0] }
[[characteristic]]
number = "2"
feature = "H1"
diameter = { nominal_mm = 8.0, upper_deviation_mm = 0.0, lower_deviation_mm = -0.1, size = "least_squares" }
"#;

    fn message() -> v1::Plan {
        to_message(&PlanFile::from_toml(PLAN).unwrap()).unwrap()
    }

    fn places(message: &v1::Plan) -> Vec<String> {
        check_message(message).map(|_| ()).unwrap_err().into_iter().map(|f| f.place).collect()
    }

    #[test]
    fn a_plan_goes_through_the_message_unchanged() {
        let message = message();
        assert_eq!(message.feature[0].kind(), v1::FeatureKind::Hole);
        assert!(message.decision.as_ref().is_some_and(|d| d.proven.is_some()));
        let (file, plan) = check_message(&message).unwrap();
        assert_eq!(file, PlanFile::from_toml(PLAN).unwrap());
        assert_eq!(plan.sha256(), plan::check_toml(PLAN).unwrap().1.sha256());
    }

    #[test]
    fn an_absent_limit_of_a_message_is_missing_and_not_zero() {
        let mut message = message();
        message.characteristic[0].diameter.as_mut().unwrap().upper_deviation_mm = None;
        assert_eq!(places(&message), ["characteristic[0].diameter.upper_deviation_mm"]);
    }

    #[test]
    fn an_unspecified_or_unknown_word_is_refused_where_it_stands() {
        let mut message = message();
        message.length_unit = 0;
        message.feature[0].kind = 77;
        assert_eq!(places(&message), ["length_unit", "feature[0].kind"]);
    }

    #[test]
    fn a_number_that_is_none_is_refused() {
        let mut message = message();
        message.feature[0].pick.as_mut().unwrap().near_mm[1] = f64::NAN;
        assert_eq!(places(&message), ["feature[0].pick.near_mm[1]"]);
        assert!(places(&v1::Plan::default()).len() > 8);
    }

    #[test]
    fn a_request_without_a_plan_is_told_how_to_send_one() {
        assert!(check_input(None).unwrap_err()[0].problem.contains("`toml`"));
        let input = PlanInput { plan: Some(v1::plan_input::Plan::Toml(PLAN.to_owned())) };
        assert_eq!(check_input(Some(&input)).unwrap().source.as_deref(), Some(PLAN));
    }
}
