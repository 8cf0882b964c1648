//! One run of a test program with one mutant, within limits.

use std::fs::{self, File};
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use anyhow::{Context, Result};

use crate::build::Program;

/// A mutant may ask for memory without end; no test of core needs this much.
const MOST_KIB: u64 = 6 << 20;

/// How a run ended.
#[derive(Clone, Debug, PartialEq)]
pub enum End {
    Passed,
    /// With the first test that failed, where the program could still say so.
    Failed(Option<String>),
    /// It took more than its share of a processor, or waited for ever.
    OutOfTime,
}

/// What runs: `None` the program as it is, else the environment that chooses.
pub enum Chosen<'a> {
    Mutant(usize),
    Trace(&'a Path),
}

/// Runs the named tests of one program one after the other on one thread, with at most so many seconds of a processor.
pub fn run(
    program: &Program,
    tests: &[&str],
    chosen: &Chosen,
    processor_seconds: u64,
    said: &Path,
) -> Result<(End, f64)> {
    let out = File::create(said).with_context(|| format!("{}", said.display()))?;
    // The limit on processor time does not depend on what else the machine does.
    let mut command = Command::new("sh");
    command
        .args(["-c", "ulimit -v \"$0\" && ulimit -t \"$1\" && ulimit -c 0 && shift && exec \"$@\""])
        .arg(MOST_KIB.to_string())
        .arg(processor_seconds.to_string())
        .arg(&program.path)
        .args(tests)
        .args(["--exact", "--test-threads", "1"])
        .current_dir(&program.folder)
        .env("RAYON_NUM_THREADS", "1")
        .stdin(Stdio::null())
        .stdout(out)
        .stderr(Stdio::null());
    match chosen {
        Chosen::Mutant(number) => command.env("MUTANT", number.to_string()),
        Chosen::Trace(file) => command.env("MUTANT", "trace").env("MUTANT_TRACE", file),
    };
    let began = Instant::now();
    let mut child = command.spawn().with_context(|| format!("{}", program.path.display()))?;
    // What waits for ever uses no processor.
    let most = Duration::from_secs(processor_seconds * 4 + 30);
    let mut pause = Duration::from_millis(1);
    let status = loop {
        if let Some(status) = child.try_wait()? {
            break status;
        }
        if began.elapsed() > most {
            child.kill()?;
            child.wait()?;
            return Ok((End::OutOfTime, began.elapsed().as_secs_f64()));
        }
        std::thread::sleep(pause);
        pause = (pause * 5 / 4).min(Duration::from_millis(20));
    };
    let seconds = began.elapsed().as_secs_f64();
    if status.success() {
        return Ok((End::Passed, seconds));
    }
    let text = String::from_utf8_lossy(&fs::read(said)?).into_owned();
    let failed = text
        .lines()
        .find_map(|l| l.strip_prefix("test ")?.strip_suffix(" ... FAILED").map(str::to_owned))
        .or_else(|| (tests.len() == 1).then(|| tests[0].to_owned()));
    // A signal ended it, and no test failed before: the limit of time, or an end of memory or stack.
    #[cfg(unix)]
    if failed.is_none() || tests.len() == 1 {
        use std::os::unix::process::ExitStatusExt;
        // SIGXCPU, then SIGKILL.
        if matches!(status.signal(), Some(24 | 9)) {
            return Ok((End::OutOfTime, seconds));
        }
    }
    Ok((End::Failed(failed), seconds))
}
