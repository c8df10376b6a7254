//! Renders jobs on several machines: a table for people, JSON for programs; CSV and OpenMetrics are those of one machine.

pub mod json;
mod table;

pub use json::JsonMatrix;
pub use table::TableMatrix;

use std::collections::BTreeMap;

use crate::findings::MachineFacts;
use crate::wording::safe;

/// What machines are called: their names, with the path of the sheet where two have the same. No two are alike, and none
/// holds anything that a terminal acts on.
pub fn labels(machines: &[MachineFacts]) -> Vec<String> {
    let names: Vec<_> = machines.iter().map(|machine| safe(&machine.name)).collect();
    let mut distinct = Distinct::default();
    let label = |machine: &MachineFacts| {
        let name = safe(&machine.name);
        let is_shared = names.iter().filter(|other| **other == name).count() > 1;
        let label = if is_shared { format!("{name} ({})", safe(&machine.source)) } else { name.into_owned() };
        distinct.label(label)
    };
    machines.iter().map(label).collect()
}

/// Labels that were given away, and the number up to which each was numbered.
#[derive(Debug, Default)]
pub(super) struct Distinct(BTreeMap<String, u64>);

impl Distinct {
    /// The label, with a number behind it where it was given away before.
    pub(super) fn label(&mut self, label: String) -> String {
        // From where the last one stopped: thousands of the same label take no longer each.
        let mut number = self.0.get(&label).copied().unwrap_or(0);
        loop {
            number += 1;
            let free = if number == 1 { label.clone() } else { format!("{label} ({number})") };
            if number == 1 || !self.0.contains_key(&free) {
                self.0.insert(label, number);
                self.0.entry(free.clone()).or_insert(1);
                return free;
            }
        }
    }
}

#[cfg(test)]
pub(crate) mod samples {
    /// What no jobs come to, for renderers that do not show it.
    pub fn totals_of_none() -> Totals {
        Totals::new([], Verdict::NoGo)
    }

    use crate::findings::{Inspection, MachineFacts, Verdict, sample};
    use crate::study::matrix::{Judged, Totals};

    /// Invented: two called alike, and one whose name tries to reach the terminal.
    pub fn machines() -> Vec<MachineFacts> {
        let heron = sample::go().machine;
        let named = |name: &str, source: &str| MachineFacts {
            name: name.to_owned(),
            source: source.to_owned(),
            ..heron.clone()
        };
        vec![named("Heron", "heron.toml"), named("Wren", "attic/wren.toml"), named("Wren", "cellar/wren.toml")]
    }

    fn on_each(path: &str, inspections: [Inspection; 3]) -> Judged {
        let place = |(mut inspection, machine): (Inspection, MachineFacts)| {
            inspection.job.path = path.to_owned();
            inspection.machine = machine;
            inspection
        };
        Ok(inspections.into_iter().zip(machines()).map(place).collect())
    }

    /// One that fits two, one that fits none, one unread, one whose texts try to reach the terminal.
    pub fn all() -> Vec<Judged> {
        let mut hot = sample::no_go();
        hot.findings[0].message = "the nozzle is heated to 300 °C".to_owned();
        vec![
            on_each("jobs/hook.gcode", [sample::go(), sample::no_go(), sample::hold()]),
            on_each("jobs/a-long-name-of-a-job-in-a-deep-folder/stairs.gcode", [sample::no_go(), sample::no_go(), hot]),
            Err(sample::unjudged()),
            on_each(&sample::hostile().job.path, [sample::hostile(), sample::no_go(), sample::empty()]),
        ]
    }

    pub fn totals(jobs: &[Judged]) -> Totals {
        let mut totals = Totals::new(machines(), Verdict::NoGo);
        jobs.iter().for_each(|judged| totals.count(judged));
        totals
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn machines_called_alike_are_told_apart() {
        assert_eq!(labels(&samples::machines()), ["Heron", "Wren (attic/wren.toml)", "Wren (cellar/wren.toml)"]);
        let mut twice = samples::machines();
        twice[2].source = twice[1].source.clone();
        assert_eq!(labels(&twice)[1..], ["Wren (attic/wren.toml)", "Wren (attic/wren.toml) (2)"]);
        twice[0].name = "He\u{1b}ron".to_owned();
        assert_eq!(labels(&twice)[0], "He·ron");
    }
}
