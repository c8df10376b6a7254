//! What a check is.

use std::fmt;

use super::{Inspection, Log, Observer, StreamFacts};
use crate::machine::{Machine, Severity};
use crate::modal::notice::Notice;
use crate::physics::levels::Levels;

/// One entry of the catalogue.
pub struct Check {
    /// Kebab-case words that state the fault.
    pub id: &'static str,
    /// What it is about, in a word or two.
    pub topic: &'static str,
    /// Default severity of its worst kind.
    pub severity: Severity,
    /// One line.
    pub summary: &'static str,
    /// What it finds and why, how it is computed, and what to do.
    pub explain: Explanation,
    /// Whether it is about heat or travel: what it calls no-go can burn, set fire or drive an axis into something.
    pub heat_or_travel: bool,
    /// Whether it depends on speeds and times, and so on the limits of motion; all others say the same whatever those are.
    pub timed: bool,
    /// What the headline says is not checked where this one could not run: a go without it promises less than a reader
    /// expects of one. None for a check that a verdict can do without.
    pub unchecked: Option<&'static str>,
    /// Makes what judges one job on a machine. The second is the path of the job as given, `-` for standard input.
    pub build: fn(&Machine, &str) -> Built,
}

/// What a check explains of itself, each a paragraph.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Explanation {
    /// What it finds.
    pub what: &'static str,
    /// Why it matters.
    pub why: &'static str,
    /// How it is computed, with units and source.
    pub how: &'static str,
    /// What to do.
    pub remedy: &'static str,
}

impl Explanation {
    /// Its parts, each under its heading.
    pub fn parts(&self) -> [(&'static str, &'static str); 4] {
        [
            ("What", self.what),
            ("Why it matters", self.why),
            ("How it is computed", self.how),
            ("What to do", self.remedy),
        ]
    }

    /// All parts as one text, a paragraph each.
    pub fn text(&self) -> String {
        self.parts().map(|(heading, text)| format!("{heading}: {text}")).join("\n\n")
    }
}

impl fmt::Debug for Check {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.id)
    }
}

/// Ids are told apart, and are one for each check.
impl PartialEq for Check {
    fn eq(&self, other: &Self) -> bool {
        self.id == other.id
    }
}

impl Check {
    /// True for a no-go on heat or travel, which nobody should accept lightly.
    pub fn is_unsafe(&self, severity: Severity) -> bool {
        self.heat_or_travel && severity == Severity::NoGo
    }
}

/// What `build` answers.
pub enum Built {
    /// An observer that watches the job.
    Watching(Box<dyn Observer>),
    /// What turns notices of the reader into findings.
    Reading(fn(&Notice, &mut Log)),
    /// Other checks raise it, by the rule in its file.
    WithOthers,
    /// What judges the job as a whole, once it has been read.
    AtTheEnd(fn(&StreamFacts, &Machine, &mut Log)),
    /// What judges the levels at which filament was laid, at the end.
    OnLevels(fn(&Levels, &Inspection, &mut Log)),
    /// Cannot run on this machine, and why.
    Skipped(String),
}
