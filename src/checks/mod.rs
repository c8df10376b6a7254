//! The catalogue of checks, one file per check, each named after the fault it finds.
//!
//! A check is an id, a default severity, a summary, an explanation and a `build` function. `build` looks at the
//! machine and answers with an observer, with [`Built::Reading`] (the reader raises it), or with the reason why it is
//! skipped on this machine: nothing is silently not checked.

use crate::inspection::Severity;
use crate::machine::Machine;
use crate::observe::Observer;

/// One entry of the catalogue.
pub struct Check {
    /// Kebab-case words that state the fault.
    pub id: &'static str,
    /// Default severity of its worst kind.
    pub severity: Severity,
    /// One line.
    pub summary: &'static str,
    /// What, why it matters, how it is computed (with units and source), what to do.
    pub explain: &'static str,
    /// Makes the observer for one job.
    pub build: fn(&Machine) -> Built,
}

/// What `build` answers.
pub enum Built {
    /// An observer that watches the job.
    Watching(Box<dyn Observer>),
    /// The reader or the preflight itself raises this one; nothing to watch.
    Reading,
    /// Cannot be made on this machine, and why.
    Skipped(String),
}

/// Every check, in the order reports list them.
pub const CATALOGUE: &[&Check] = &[];

/// Finds a check by id.
pub fn find(id: &str) -> Option<&'static Check> {
    CATALOGUE.iter().copied().find(|check| check.id == id)
}
