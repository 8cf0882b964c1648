//! The command line of Scantling: typed words become a checked request, the answer becomes a table or JSON.
//!
//! ```text
//! args -> command/* -> connect, upload -> the service -> report/*, output -> exit
//! ```
//!
//! Data goes to stdout, progress, remarks and errors to stderr. What the exit codes mean is in `exit`.

mod args;
mod command;
mod connect;
mod download;
mod exit;
mod input;
mod names;
mod output;
mod problem;
mod progress;
mod readings;
mod report;
mod upload;

use std::io::Write;
use std::sync::Arc;
use std::time::Duration;

#[cfg(feature = "embedded")]
use clap::parser::ValueSource;
use clap::{CommandFactory, FromArgMatches};
use tracing_subscriber::EnvFilter;

#[cfg(feature = "embedded")]
use args::Scan;
use args::{Arguments, Command, Global, Instrument, Part, Plan, Record};
use command::Context;
use connect::Service;
use exit::Exit;
use output::Output;
use progress::Progress;

/// Nothing that still runs holds the end up longer.
const END_WITHIN: Duration = Duration::from_secs(1);
/// An interrupted command's own service ends in order: a little more than the service allows itself.
const SERVICE_ENDS_WITHIN: Duration = Duration::from_secs(10);

fn main() {
    // Wrong usage ends here, with 2; help and version with 0.
    let matches = Arguments::command().try_get_matches().unwrap_or_else(|e| wrong_usage(&e));
    let Arguments { global, command } = Arguments::from_arg_matches(&matches).unwrap_or_else(|e| e.exit());
    #[cfg(feature = "embedded")]
    if global.server.is_some() && matches.value_source("data_dir") == Some(ValueSource::CommandLine) {
        let _ = writeln!(
            std::io::stderr(),
            "error: --data-dir is of the service within this process, and --server (or SCANTLING_SERVER) names \
             another; leave one out"
        );
        std::process::exit(Exit::Usage.code());
    }
    let exit = match tokio::runtime::Builder::new_multi_thread().enable_all().build() {
        Ok(runtime) => {
            let ended = runtime.block_on(until_interrupted(&global, command));
            // Nothing that still runs holds the end up: a read of stdin may never return.
            runtime.shutdown_timeout(END_WITHIN);
            ended
        }
        Err(e) => Err(anyhow::Error::from(e).context("cannot start the program's threads")),
    };
    let exit = exit.unwrap_or_else(|error| {
        let _ = writeln!(std::io::stderr(), "{}", report::lines(&problem::text(&error)));
        Exit::of_error(&error)
    });
    std::process::exit(exit.code());
}

/// Ends as clap would. What was typed is shown as it may be; and what the environment states is not named among what
/// was forgotten.
fn wrong_usage(error: &clap::Error) -> ! {
    let said = error.to_string();
    let mut shown = report::lines(&said);
    for (variable, usage) in
        [("SCANTLING_DATA", " --data-dir <FOLDER>"), ("SCANTLING_SERVER", " --server <URL>")]
    {
        if std::env::var_os(variable).is_some() {
            shown = shown.replace(usage, "");
        }
    }
    if !error.use_stderr() || shown == said {
        error.exit();
    }
    let _ = write!(std::io::stderr(), "{shown}");
    std::process::exit(Exit::Usage.code());
}

async fn until_interrupted(global: &Global, command: Command) -> anyhow::Result<Exit> {
    #[cfg(feature = "embedded")]
    let command = match command {
        // Ends in order by itself.
        Command::Serve(args) => {
            log("info");
            return command::serve::serve(global, args).await;
        }
        other => other,
    };
    log("error");
    let command = match command {
        Command::Completions(args) => return command::about::completions(&args),
        Command::Man(args) => return command::about::man(&args),
        Command::Plan(Plan::Template) => return command::about::template(Output::new(global)),
        other => other,
    };
    let (output, progress) = (Output::new(global), Progress::new(global.quiet));
    #[cfg(feature = "embedded")]
    let command = match command {
        Command::Demo(args) => {
            return tokio::select! {
                ended = command::demo::run(global, args, output, progress) => ended,
                Ok(()) = tokio::signal::ctrl_c() => Ok(Exit::Interrupted),
            };
        }
        Command::Scan(Scan::Info(args)) => return command::scan::info(output, args).await,
        Command::Part(Part::Faces(args)) if args.nominal.is_file() => {
            return command::faces::faces(None, output, args).await;
        }
        Command::Part(Part::Diff(args)) if args.before.is_file() && args.after.is_file() => {
            return command::faces::diff(None, output, args).await;
        }
        other => other,
    };
    let service = tokio::select! {
        service = Service::connect(global) => service?,
        Ok(()) = tokio::signal::ctrl_c() => return Ok(Exit::Interrupted),
    };
    let context = Context {
        channel: service.channel.clone(),
        own_service: service.is_own(),
        output,
        progress,
        open: Arc::default(),
    };
    let ended = tokio::select! {
        ended = answer(&context, command) => Some(ended),
        Ok(()) = tokio::signal::ctrl_c() => None,
    };
    if ended.is_none() {
        progress.say(&interrupted(&context));
    }
    drop(context);
    let service_ended = tokio::select! {
        in_time = tokio::time::timeout(SERVICE_ENDS_WITHIN, service.end()) => in_time.unwrap_or(Ok(())),
        // Asked twice, it ends at once; what was accepted is kept all the same.
        Ok(()) = tokio::signal::ctrl_c() => return Ok(Exit::Interrupted),
    };
    let Some(ended) = ended else { return Ok(Exit::Interrupted) };
    // What went wrong first says more.
    let exit = ended?;
    service_ended?;
    Ok(exit)
}

/// What an interruption leaves behind.
fn interrupted(context: &Context) -> String {
    let open = context.open.lock().map(|open| open.clone()).unwrap_or_default();
    if open.is_empty() {
        return "interrupted".to_owned();
    }
    let ids: Vec<&str> = open.iter().map(String::as_str).collect();
    format!("interrupted; {}", command::measure::go_on(context, &ids))
}

async fn answer(context: &Context, command: Command) -> anyhow::Result<Exit> {
    match command {
        Command::Plan(Plan::Check(args)) => command::plan::check(context, args).await,
        Command::Part(Part::Register(args)) => command::part::register(context, args).await,
        Command::Part(Part::List) => command::part::list(context).await,
        Command::Part(Part::Show(args)) => command::part::show(context, &args).await,
        Command::Part(Part::Release(args)) => command::part::release(context, &args).await,
        Command::Instrument(Instrument::Add(args)) => command::instrument::add(context, args).await,
        Command::Instrument(Instrument::List) => command::instrument::list(context).await,
        Command::Instrument(Instrument::Show(args)) => command::instrument::show(context, &args).await,
        Command::Instrument(Instrument::Verify(args)) => command::instrument::verify(context, *args).await,
        Command::Instrument(Instrument::Withdraw(args)) => command::instrument::withdraw(context, args).await,
        Command::Instrument(Instrument::Balls(args)) => command::instrument::balls(context, args).await,
        Command::Measure(args) => command::measure::run(context, *args).await,
        Command::Locate(args) => command::calls::run_locate(context, args).await,
        Command::Align(args) => command::calls::align(context, args).await,
        Command::Evaluate(args) => command::calls::evaluate(context, args).await,
        Command::Associate(args) => command::calls::associate(context, args).await,
        Command::Simulate(args) => command::calls::simulate(context, args).await,
        Command::SelfCheck(args) => command::calls::self_check(context, &args).await,
        Command::Push(args) => command::blob::push(context, args).await,
        Command::Get(args) => command::blob::get(context, args).await,
        Command::Record(Record::List(args)) => command::record::list(context, args).await,
        Command::Record(Record::Show(args)) => command::record::show(context, args).await,
        Command::Record(Record::Watch(args)) => command::record::watch(context, args).await,
        Command::Record(Record::Export(args)) => command::record::export(context, args).await,
        Command::Plan(Plan::Template) | Command::Completions(_) | Command::Man(_) => {
            Err(Exit::Internal.because("taken before"))
        }
        #[cfg(feature = "embedded")]
        Command::Part(Part::Faces(args)) => command::faces::faces(Some(context), context.output, args).await,
        #[cfg(feature = "embedded")]
        Command::Part(Part::Diff(args)) => command::faces::diff(Some(context), context.output, args).await,
        #[cfg(feature = "embedded")]
        Command::Demo(_) | Command::Scan(_) | Command::Serve(_) => {
            Err(Exit::Internal.because("taken before"))
        }
    }
}

/// Logs onto stderr, as SCANTLING_LOG says.
fn log(default: &str) {
    let filter = EnvFilter::builder()
        .with_env_var("SCANTLING_LOG")
        .try_from_env()
        .unwrap_or_else(|_| EnvFilter::new(default));
    let plain = std::env::var_os("NO_COLOR").is_some_and(|v| !v.is_empty());
    let log = tracing_subscriber::fmt().with_env_filter(filter).with_writer(std::io::stderr);
    let terminal = std::io::IsTerminal::is_terminal(&std::io::stderr());
    log.with_ansi(terminal && !plain).init();
}
