//! The formats of all reports: what each is called, and whom it is for. A command has a table of [`Offer`]s, one for each
//! format that it can be asked for: what is not in the table cannot be asked for, and what is in it renders itself.

use std::fmt;

/// A format.
#[derive(Debug, PartialEq, Eq)]
pub struct Format {
    /// Its name.
    pub word: &'static str,
    /// What it is for.
    pub about: &'static str,
    /// True for what a terminal shows to people.
    pub is_page: bool,
}

const fn data(word: &'static str, about: &'static str) -> Format {
    Format { word, about, is_page: false }
}

/// Text.
pub const TEXT: Format = Format { word: "text", about: "For people", is_page: true };
/// One JSON document.
pub const JSON: Format = data("json", "For programs: one document");
/// JSON line by line.
pub const NDJSON: Format = data("ndjson", "For programs: one line per job, as soon as it is judged");
/// Comma-separated values, RFC 4180.
pub const CSV: Format = data("csv", "For programs that calculate with tables: one row per job and machine");
/// OpenMetrics 1.0.
pub const OPENMETRICS: Format =
    data("openmetrics", "For programs that watch numbers over time: gauges per job and machine");
/// A page for a browser.
pub const HTML: Format = data("html", "For a browser: one file that needs no other");
/// SARIF 2.1.0 (OASIS).
pub const SARIF: Format = data("sarif", "For tools that gather findings: SARIF 2.1.0");
/// JUnit XML.
pub const JUNIT: Format = data("junit", "For build servers: JUnit XML");

/// One format of a command, and what renders it there.
pub struct Offer<M: 'static> {
    /// The format.
    pub format: &'static Format,
    /// What makes the renderer.
    pub make: M,
}

impl<M> fmt::Debug for Offer<M> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.format.word)
    }
}

/// A row of such a table.
pub const fn offer<M>(format: &'static Format, make: M) -> Offer<M> {
    Offer { format, make }
}
