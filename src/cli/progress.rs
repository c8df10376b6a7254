//! One bar over the bytes of all jobs, on standard error.

use std::io::{self, IsTerminal};
use std::ops::ControlFlow;

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

use super::complain;
use super::jobs::Job;
use super::terminal::speaks_utf8;

/// What the bar is drawn with.
fn signs(utf8: bool) -> &'static str {
    if utf8 { "▪▪·" } else { "##-" }
}

/// A bar, or nothing where nobody would see it.
pub struct Progress {
    bar: ProgressBar,
    in_report: bool,
}

impl Progress {
    /// A bar over the jobs' bytes; hidden when `quiet` or when standard error is no terminal.
    pub fn new(jobs: &[Job], quiet: bool) -> Self {
        if quiet || !io::stderr().is_terminal() {
            return Self { bar: ProgressBar::hidden(), in_report: false };
        }
        let total: u64 = jobs.iter().filter_map(Job::size).sum();
        // The length of standard input is not known.
        let known = total > 0 && !jobs.iter().any(Job::is_stdin);
        let bar = ProgressBar::with_draw_target(known.then_some(total), ProgressDrawTarget::stderr());
        let template =
            if known { "  {bar:32} {decimal_bytes} of {decimal_total_bytes}" } else { "  {decimal_bytes} read" };
        if let Ok(style) = ProgressStyle::with_template(template) {
            bar.set_style(style.progress_chars(signs(speaks_utf8())));
        }
        Self { bar, in_report: false }
    }

    /// Leaves it to the report to tell which jobs cannot be judged, where `seen` says that it is seen in the same place.
    pub fn errors_in_report(self, seen: bool) -> Self {
        Self { in_report: seen, ..self }
    }

    /// Tells on standard error that a job cannot be judged, unless the report does so.
    pub fn complain(&self, error: &str) {
        if !self.in_report {
            complain(error);
        }
    }

    /// So many bytes more were read.
    pub fn advance(&self, bytes: u64) -> ControlFlow<()> {
        self.bar.inc(bytes);
        ControlFlow::Continue(())
    }

    /// Takes the bar off the screen while `act` writes.
    pub fn aside<T>(&self, act: impl FnOnce() -> T) -> T {
        self.bar.suspend(act)
    }

    /// Takes the bar off the screen for good.
    pub fn finish(&self) {
        self.bar.finish_and_clear();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_bar_keeps_to_what_the_terminal_shows() {
        assert!(signs(false).is_ascii());
        assert_eq!(signs(true).chars().count(), signs(false).len());
    }
}
