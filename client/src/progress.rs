//! Progress and remarks on stderr: bars only on a terminal, nothing at all when told to be quiet.

use std::borrow::Cow;
use std::io::{IsTerminal, Write};
use std::time::Duration;

use crate::report::lines;
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

/// Who may say what on stderr.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Progress {
    quiet: bool,
    bars: bool,
}

/// No more often than this, so that a slow line is not busy with it.
const DRAWS_PER_SECOND: u8 = 8;

impl Progress {
    pub(crate) fn new(quiet: bool) -> Self {
        Self { quiet, bars: !quiet && std::io::stderr().is_terminal() }
    }

    /// A remark for people.
    pub(crate) fn say(&self, text: &str) {
        if !self.quiet {
            // A closed stderr is no reason to end.
            let _ = writeln!(std::io::stderr(), "{}", lines(text));
        }
    }

    /// An error that does not end the command, so that it is said even when told to be quiet.
    pub(crate) fn complain(&self, text: &str) {
        let _ = writeln!(std::io::stderr(), "{}", lines(text));
    }

    /// Whether somebody watches.
    pub(crate) fn is_shown(&self) -> bool {
        self.bars
    }

    /// A bar over so many bytes.
    pub(crate) fn bytes(&self, what: impl Into<Cow<'static, str>>, size: u64) -> ProgressBar {
        self.bar(Some(size), "{msg:24} {bar:30} {binary_bytes:>11} of {binary_total_bytes}  {eta}", what)
    }

    /// A bar over 100 percent.
    pub(crate) fn percent(&self, what: impl Into<Cow<'static, str>>) -> ProgressBar {
        self.bar(Some(100), "{msg:24} {bar:30} {pos:>9} %  {elapsed}", what)
    }

    /// Something that takes a while nobody can foretell.
    pub(crate) fn spinner(&self, what: impl Into<Cow<'static, str>>) -> ProgressBar {
        let bar = self.bar(None, "{msg:24} {spinner} {elapsed}", what);
        if self.bars {
            bar.enable_steady_tick(Duration::from_millis(200));
        }
        bar
    }

    fn bar(&self, length: Option<u64>, template: &str, what: impl Into<Cow<'static, str>>) -> ProgressBar {
        let target = if self.bars {
            ProgressDrawTarget::stderr_with_hz(DRAWS_PER_SECOND)
        } else {
            ProgressDrawTarget::hidden()
        };
        // A template that is written wrong only looks wrong; a test below holds that none is.
        let style = ProgressStyle::with_template(template)
            .unwrap_or_else(|_| ProgressStyle::default_bar())
            .progress_chars("=> ");
        ProgressBar::with_draw_target(length, target).with_style(style).with_message(what)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_templates_are_well_formed() {
        for template in [
            "{msg:24} {bar:30} {binary_bytes:>11} of {binary_total_bytes}  {eta}",
            "{msg:24} {bar:30} {pos:>9} %  {elapsed}",
            "{msg:24} {spinner} {elapsed}",
        ] {
            assert!(ProgressStyle::with_template(template).is_ok(), "{template}");
        }
    }
}
