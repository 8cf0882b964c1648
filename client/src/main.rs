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
mod exit;
mod input;
mod names;
mod output;
mod problem;
mod progress;
mod report;
mod upload;

use std::io::Write;
use std::time::Duration;

use clap::Parser;
use tracing_subscriber::EnvFilter;

#[cfg(feature = "embedded")]
use args::Scan;
use args::{Arguments, Command, Global, Part, Plan, Record};
use command::Context;
use connect::Service;
use exit::Exit;
use output::Output;
use progress::Progress;

/// An interrupted command's own service may finish what it writes.
const END_WITHIN: Duration = Duration::from_secs(1);

fn main() {
    // Wrong usage ends here, with 2; help and version with 0.
    let Arguments { global, command } = Arguments::parse();
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
        let _ = writeln!(std::io::stderr(), "{}", problem::text(&error));
        Exit::of_error(&error)
    });
    std::process::exit(exit.code());
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
    tokio::select! {
        ended = run(global, command) => ended,
        Ok(()) = tokio::signal::ctrl_c() => {
            Progress::new(global.quiet).say("interrupted; what was accepted is not lost: `scantling record list`");
            Ok(Exit::Interrupted)
        }
    }
}

async fn run(global: &Global, command: Command) -> anyhow::Result<Exit> {
    let (output, progress) = (Output::new(global), Progress::new(global.quiet));
    #[cfg(feature = "embedded")]
    let command = match command {
        Command::Demo(args) => return command::demo::run(global, args, output, progress).await,
        Command::Scan(Scan::Info(args)) => return command::scan::info(output, args).await,
        other => other,
    };
    let service = Service::connect(global).await?;
    let context =
        Context { channel: service.channel.clone(), own_service: service.is_own(), output, progress };
    let ended = answer(&context, command).await;
    drop(context);
    let service_ended = service.end().await;
    // What went wrong first says more.
    let exit = ended?;
    service_ended?;
    Ok(exit)
}

async fn answer(context: &Context, command: Command) -> anyhow::Result<Exit> {
    match command {
        Command::Plan(Plan::Check(args)) => command::plan::check(context, args).await,
        Command::Part(Part::Register(args)) => command::part::register(context, args).await,
        Command::Part(Part::List) => command::part::list(context).await,
        Command::Part(Part::Show(args)) => command::part::show(context, &args).await,
        Command::Part(Part::Release(args)) => command::part::release(context, &args).await,
        Command::Measure(args) => command::measure::run(context, args).await,
        Command::Record(Record::List(args)) => command::record::list(context, args).await,
        Command::Record(Record::Show(args)) => command::record::show(context, args).await,
        Command::Record(Record::Watch(args)) => command::record::watch(context, args).await,
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
