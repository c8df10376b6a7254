//! Trials that a job announces itself to be, by its first line in an exact form.
//!
//! A trial may go beyond the one limit that it probes: what is found by that one check is then a note. Nothing else in a
//! comment is ever read, and the line alone does nothing: the job must wait for somebody before it moves or heats anything, and
//! what it moves before homing must be short moves behind waits.

use std::collections::BTreeMap;

use crate::block::{ActionKind, Block};
use crate::checks::moves_before_homing;
use crate::findings::{Finding, Severity};
use crate::machine::Override;

/// Which trial.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// A comb of sharp corners.
    Ringing,
    /// Lines of growing melt rate.
    MeltRate,
    /// Short bursts of growing melt rate.
    Bursts,
    /// Lines whose ends go on without pushing.
    Lead,
    /// Known distances.
    Steps,
    /// The first power after re-wiring.
    FirstPower,
}

impl Kind {
    const ALL: [Self; 6] = [Self::Ringing, Self::MeltRate, Self::Bursts, Self::Lead, Self::Steps, Self::FirstPower];

    /// What the command line calls it.
    pub fn word(self) -> &'static str {
        match self {
            Self::Ringing => "ringing",
            Self::MeltRate => "melt-rate",
            Self::Bursts => "melt-rate --bursts",
            Self::Lead => "lead",
            Self::Steps => "steps",
            Self::FirstPower => "first-power",
        }
    }

    /// The checks that it goes against on purpose.
    pub fn probes(self) -> &'static [&'static str] {
        match self {
            Self::Ringing => &["rings-frame"],
            Self::MeltRate => &["melt-rate-exceeded"],
            Self::Bursts => &["melt-peak-exceeded"],
            Self::Lead => &["bulges-at-corners"],
            // A few millimetres before homing show whether an axis runs the wrong way.
            Self::FirstPower => &["moves-before-homing", "no-extrusion"],
            // What is measured is moved alone; the lift before the nozzle goes over the bed is a note anyway.
            Self::Steps => &["no-extrusion", "pull-back-too-long"],
        }
    }

    /// The first line of its jobs.
    pub fn header(self) -> String {
        format!("; gonogo trial {}, form 1", self.word())
    }
}

/// The trial that the first line of a job announces, in exactly the form that this program writes.
pub fn announced(first_line: &str) -> Option<Kind> {
    Kind::ALL.into_iter().find(|kind| kind.header() == first_line)
}

/// Whether somebody could look before the job moved or heated anything.
#[derive(Debug, Default)]
pub(super) struct Attended {
    begun: bool,
    pub(super) waited: bool,
}

impl Attended {
    /// Looks at the next block.
    pub(super) fn look(&mut self, block: &Block) {
        self.begun |= !block.is_empty();
        for action in &block.actions {
            if self.begun {
                return;
            }
            match action.kind {
                ActionKind::Heat { target_c, .. } => self.begun |= target_c > 0.0,
                ActionKind::Home { .. } | ActionKind::Probe { .. } | ActionKind::Unfollowed => self.begun = true,
                _ => self.waited |= moves_before_homing::lets_look(action),
            }
        }
    }
}

/// Makes holds of the checks that a trial goes against notes, unless the sheet has a severity for them. What was done, in
/// a sentence; none when there was nothing to do.
pub(crate) fn lower(kind: Kind, findings: &mut [Finding], sheet: &BTreeMap<String, Override>) -> Option<String> {
    let mut lowered = Vec::new();
    // What moves blindly stays a hold, whatever the first line says.
    let is_meant = |f: &Finding| f.check != moves_before_homing::CHECK.id || f.kind == moves_before_homing::TRIED;
    for &check in kind.probes().iter().filter(|check| !sheet.contains_key(**check)) {
        let held = findings.iter_mut().filter(|f| f.check == check && f.severity == Severity::Hold);
        for finding in held.filter(|f| is_meant(f)) {
            finding.severity = Severity::Note;
            finding.message.push_str(" This trial does so on purpose.");
            if lowered.last() != Some(&check) {
                lowered.push(check);
            }
        }
    }
    let (word, checks) = (kind.word(), lowered.join("` and `"));
    let (count, does) = if lowered.len() > 1 {
        ("count as notes", "goes against them")
    } else {
        ("counts as a note", "goes against it")
    };
    (!lowered.is_empty()).then(|| {
        format!("`{checks}` {count}: by its first line the job is `gonogo trial {word}`, which {does} on purpose")
    })
}
