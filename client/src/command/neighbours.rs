//! The nominals of the neighbours that a plan names: by a flag, or found beside the plan.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use anyhow::Context as _;
use scantling_proto::v1::plan_input::Plan as Source;
use scantling_proto::v1::{CheckPlanRequest, LengthUnit, NeighbourNominal, PlanInput};

use super::Context;
use crate::args::{NeighbourArgs, Unit};
use crate::connect::{parts, patiently};
use crate::exit::Exit;
use crate::input::Input;
use crate::report::printable;
use crate::upload::upload;

/// A neighbour's file, and the length unit where it is another than the nominal's.
pub(super) struct Found {
    id: String,
    file: PathBuf,
    unit: Option<Unit>,
}

/// Where the nominal of each neighbour of a plan is. The service reads the plan, so that nothing else has to.
pub(super) async fn found(
    context: &Context,
    plan: &PlanInput,
    path: &Path,
    args: &NeighbourArgs,
) -> anyhow::Result<Vec<Found>> {
    let mut given: BTreeSet<&str> = BTreeSet::new();
    for (id, _) in &args.files {
        if !given.insert(id) {
            return Err(Exit::Usage.because(format!("--neighbour names {} twice", printable(id))));
        }
    }
    let mut all: Vec<Found> = args
        .files
        .iter()
        .map(|(id, file)| Found { id: id.clone(), file: file.clone(), unit: args.neighbour_unit })
        .collect();
    if !names_any(plan) {
        return Ok(all);
    }
    let request = CheckPlanRequest { plan: Some(plan.clone()), ..CheckPlanRequest::default() };
    let mut client = parts(&context.channel);
    let named = patiently(async || client.check_plan(request.clone()).await)
        .await
        .with_context(|| format!("cannot check {}", printable(&path.display().to_string())))?;
    // What is wrong with the plan is told when it is checked on its nominal.
    for one in named.neighbours.iter().filter(|n| !given.contains(n.neighbour.as_str())) {
        let beside = beside(path, &one.file);
        let file = beside.filter(|f| f.is_file()).ok_or_else(|| {
            Exit::Refused.because(format!(
                "the nominal {} of neighbour {} is not beside the plan; name it with --neighbour {}=FILE",
                printable(&one.file),
                printable(&one.neighbour),
                printable(&one.neighbour)
            ))
        })?;
        all.push(Found { id: one.neighbour.clone(), file, unit: args.neighbour_unit });
    }
    Ok(all)
}

/// Whether a plan may name neighbours: most do not, and nothing is asked for them.
fn names_any(plan: &PlanInput) -> bool {
    match &plan.plan {
        Some(Source::Toml(text) | Source::Json(text)) => text.contains("neighbour"),
        Some(Source::Message(message)) => !message.neighbour.is_empty(),
        None => false,
    }
}

/// The file of that name in the plan's folder; none for a plan from stdin, and for a name that leaves the folder.
fn beside(plan: &Path, file: &str) -> Option<PathBuf> {
    let plain = Path::new(file).file_name().is_some_and(|name| name == file);
    (plan != Path::new("-") && plain).then(|| plan.with_file_name(file))
}

/// Sends the files.
pub(super) async fn sent(
    context: &Context,
    found: Vec<Found>,
    nominal_unit: Option<Unit>,
) -> anyhow::Result<Vec<NeighbourNominal>> {
    let mut all = Vec::with_capacity(found.len());
    for Found { id, file, unit } in found {
        let tells = tells_its_unit(&file);
        let input = tokio::task::spawn_blocking(move || Input::open(&file)).await??;
        let blob = upload(&context.channel, input, &context.progress).await?.blob;
        let unit = unit.or(nominal_unit).filter(|_| !tells);
        let length_unit = unit.map_or(LengthUnit::Unspecified, LengthUnit::from).into();
        all.push(NeighbourNominal { neighbour: id, blob, length_unit });
    }
    Ok(all)
}

/// Whether a file is a STEP file by its name, plain or packed.
fn tells_its_unit(file: &Path) -> bool {
    let name = file.file_name().map(|n| n.to_string_lossy().to_lowercase()).unwrap_or_default();
    let name = name.trim_end_matches(".gz").trim_end_matches(".zip");
    [".step", ".stp"].iter().any(|end| name.ends_with(end))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_is_looked_for_in_the_plans_folder_and_nowhere_else() {
        let plan = Path::new("plans/surround.toml");
        assert_eq!(beside(plan, "pane.stl"), Some(PathBuf::from("plans/pane.stl")));
        for other in ["../pane.stl", "/pane.stl", "a/pane.stl", "..", ""] {
            assert_eq!(beside(plan, other), None, "{other}");
        }
        assert_eq!(beside(Path::new("-"), "pane.stl"), None);
    }

    #[test]
    fn only_step_files_tell_their_unit() {
        for (name, tells) in [("a.step", true), ("a.STP.gz", true), ("a.stl", false), ("step", false)] {
            assert_eq!(tells_its_unit(Path::new(name)), tells, "{name}");
        }
    }
}
