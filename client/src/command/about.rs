//! The program about itself: completions, manual pages, a plan to begin with. No service is needed.

use clap::CommandFactory;
use scantling_proto::v1::{PlanInput, plan_input};

use crate::args::{Arguments, Completions, Man};
use crate::download::unwritable;
use crate::exit::Exit;
use crate::output::{Output, write};

/// A plan with every key explained. A test of this file holds it against the schema.
const TEMPLATE: &str = include_str!("plan_template.toml");

/// As JSON it is what a service checks: the text within a `PlanInput`, since JSON holds no comments.
pub(crate) fn template(output: Output) -> anyhow::Result<Exit> {
    let input = PlanInput { plan: Some(plan_input::Plan::Toml(TEMPLATE.to_owned())) };
    output.message("PlanInput", &input, |_, _| TEMPLATE.to_owned())?;
    Ok(Exit::Success)
}

pub(crate) fn completions(args: &Completions) -> anyhow::Result<Exit> {
    let mut script = Vec::new();
    clap_complete::generate(args.shell, &mut Arguments::command(), "scantling", &mut script);
    write(&String::from_utf8(script)?)?;
    Ok(Exit::Success)
}

pub(crate) fn man(args: &Man) -> anyhow::Result<Exit> {
    let Some(folder) = &args.to else {
        let mut page = Vec::new();
        clap_mangen::Man::new(Arguments::command()).render(&mut page)?;
        write(&String::from_utf8(page)?)?;
        return Ok(Exit::Success);
    };
    std::fs::create_dir_all(folder).map_err(|e| unwritable(folder, &e))?;
    clap_mangen::generate_to(Arguments::command(), folder).map_err(|e| unwritable(folder, &e))?;
    Ok(Exit::Success)
}

#[cfg(test)]
#[path = "about_tests.rs"]
mod tests;
