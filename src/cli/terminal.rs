//! What standard output and standard error are: one decision on colour and one on width, passed down.

use std::ffi::{OsStr, OsString};
use std::io::{self, IsTerminal};

use clap::ValueEnum;
use terminal_size::{Height, Width, terminal_size_of};

use super::ascii::{ascii, ascii_page};
use crate::show::report::Look;

/// Narrowest page.
const NARROWEST: usize = 40;
/// Widest page: longer lines are hard to read.
const WIDEST: usize = 140;
/// Page without a terminal.
const WITHOUT_TERMINAL: usize = 80;

/// When to colour.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum ColorWhen {
    /// On a terminal, unless the environment says otherwise.
    Auto,
    /// Also into files and pipes.
    Always,
    /// Not at all.
    Never,
}

/// Narrowest page with the verdict in large letters.
const LETTERS_FROM: usize = 72;

/// Whether the locale is one whose terminals show more than ASCII. Where nothing is said it is taken to be.
pub fn speaks_utf8() -> bool {
    let set = |name| std::env::var_os(name).filter(|value: &OsString| !value.is_empty());
    names_utf8(["LC_ALL", "LC_CTYPE", "LANG"].into_iter().find_map(set).as_deref())
}

/// Whether a locale's name says so (POSIX.1, environment variables: a codeset may follow the point).
fn names_utf8(locale: Option<&OsStr>) -> bool {
    let Some(locale) = locale else { return true };
    let locale = locale.to_string_lossy().to_ascii_lowercase();
    locale.contains("utf-8") || locale.contains("utf8")
}

/// Columns of a terminal.
fn measured(size: Option<(Width, Height)>) -> Option<usize> {
    size.map(|(Width(width), _)| usize::from(width))
}

/// The widest that a line of a page is on standard output, where that is a terminal.
pub fn stdout_width() -> Option<usize> {
    Some(page_width(Some(measured(terminal_size_of(io::stdout()))?), None))
}

/// The same of standard error.
pub fn stderr_width() -> Option<usize> {
    Some(page_width(Some(measured(terminal_size_of(io::stderr()))?), None))
}

/// A page as standard error can show it.
pub fn shown_page(page: &str) -> String {
    match stderr_width() {
        _ if speaks_utf8() => page.to_owned(),
        Some(width) => ascii_page(page, width),
        None => ascii(page),
    }
}

/// A text as standard error can show it.
pub fn shown(text: &str) -> String {
    if speaks_utf8() { text.to_owned() } else { ascii(text) }
}

/// What the environment says about colour and width.
#[derive(Debug, Clone, Default)]
struct Environment {
    no_color: Option<OsString>,
    force: Option<OsString>,
    term: Option<OsString>,
    columns: Option<OsString>,
}

impl Environment {
    fn read() -> Self {
        let get = |name| std::env::var_os(name);
        Self { no_color: get("NO_COLOR"), force: get("CLICOLOR_FORCE"), term: get("TERM"), columns: get("COLUMNS") }
    }
}

/// Colours and widths of the streams.
#[derive(Debug, Clone)]
pub struct Terminal {
    when: ColorWhen,
    environment: Environment,
}

impl Terminal {
    /// Looks at the environment once.
    pub fn new(when: ColorWhen) -> Self {
        Self { when, environment: Environment::read() }
    }

    /// How a report on standard output looks.
    pub fn stdout_look(&self) -> Look {
        let stdout = io::stdout();
        let width = page_width(measured(terminal_size_of(&stdout)), self.environment.columns.as_deref());
        Look { width, color: self.color(stdout.is_terminal()) }
    }

    /// How a page on standard error looks; without colour.
    pub fn stderr_look(&self) -> Look {
        Look {
            width: page_width(measured(terminal_size_of(io::stderr())), self.environment.columns.as_deref()),
            color: false,
        }
    }

    /// How a report in a file looks.
    pub fn file_look(&self) -> Look {
        Look { width: page_width(None, self.environment.columns.as_deref()), color: self.color(false) }
    }

    /// Whether standard output is a wide terminal that can show block characters.
    pub fn has_letters(&self) -> bool {
        let is_dumb = self.environment.term.as_deref() == Some(OsStr::new("dumb"));
        io::stdout().is_terminal() && !is_dumb && speaks_utf8() && self.stdout_look().width >= LETTERS_FROM
    }

    /// Whether messages on standard error are coloured.
    pub fn stderr_color(&self) -> bool {
        self.color(io::stderr().is_terminal())
    }

    /// The option decides; then `NO_COLOR`, then `CLICOLOR_FORCE`, then the stream.
    fn color(&self, is_terminal: bool) -> bool {
        let is_set = |value: &Option<OsString>| value.as_ref().is_some_and(|value| !value.is_empty());
        match self.when {
            ColorWhen::Always => true,
            ColorWhen::Never => false,
            ColorWhen::Auto if is_set(&self.environment.no_color) => false,
            ColorWhen::Auto
                if is_set(&self.environment.force) && self.environment.force.as_deref() != Some(OsStr::new("0")) =>
            {
                true
            }
            ColorWhen::Auto => is_terminal && self.environment.term.as_deref() != Some(OsStr::new("dumb")),
        }
    }
}

fn page_width(measured: Option<usize>, columns: Option<&OsStr>) -> usize {
    let stated = || columns?.to_str()?.trim().parse().ok().filter(|columns| *columns > 0);
    measured.filter(|width| *width > 0).or_else(stated).unwrap_or(WITHOUT_TERMINAL).clamp(NARROWEST, WIDEST)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn color(when: ColorWhen, no_color: &str, force: &str, term: &str, is_terminal: bool) -> bool {
        let environment = Environment {
            no_color: Some(no_color.into()),
            force: Some(force.into()),
            term: Some(term.into()),
            columns: None,
        };
        Terminal { when, environment }.color(is_terminal)
    }

    #[test]
    fn option_then_no_color_then_force_then_terminal() {
        assert!(color(ColorWhen::Always, "1", "", "dumb", false));
        assert!(!color(ColorWhen::Never, "", "1", "", true));
        assert!(!color(ColorWhen::Auto, "1", "1", "", true));
        assert!(color(ColorWhen::Auto, "", "1", "", false));
        assert!(!color(ColorWhen::Auto, "", "0", "", false));
        assert!(color(ColorWhen::Auto, "", "", "xterm", true));
        assert!(!color(ColorWhen::Auto, "", "", "dumb", true));
        assert!(!color(ColorWhen::Auto, "", "", "xterm", false));
    }

    #[test]
    fn the_locale_says_what_can_be_shown() {
        let of = |locale: &str| names_utf8(Some(OsStr::new(locale)));
        assert!(of("C.UTF-8") && of("de_DE.utf8") && names_utf8(None));
        assert!(!of("C") && !of("POSIX") && !of("de_DE.ISO-8859-1") && !of("en_US"));
    }

    #[test]
    fn terminal_then_columns_then_80() {
        let columns = |text: &'static str| Some(OsStr::new(text));
        assert_eq!(page_width(Some(100), columns("60")), 100);
        assert_eq!(page_width(None, columns("60")), 60);
        assert_eq!(page_width(Some(0), columns("wide")), 80);
        assert_eq!(page_width(None, columns("0")), 80);
        assert_eq!(page_width(None, None), 80);
        assert_eq!(page_width(Some(20), None), 40);
        assert_eq!(page_width(None, columns("100000")), 140);
    }
}
