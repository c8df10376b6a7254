//! Lines that are laid while the filament is still pulled back by G10.

use crate::findings::{Built, Check, Explanation, Hit, Log, Severity};
use crate::modal::notice::{Notice, Noticed};
use crate::wording::figure;

/// The check.
pub const CHECK: Check = Check {
    id: "prints-pulled-back",
    topic: "filament pulled back",
    severity: Severity::Hold,
    summary: "A line is laid while the filament is still pulled back by G10: G11 is missing.",
    explain: Explanation {
        what: "G10 has pulled the filament back, and a move along X or Y pushes filament before G11 has brought it forward again.",
        why: "the first filament that is pushed only fills the nozzle again: the line begins with a gap. A G11 that was lost, or a \
start of the job that ends with G10, looks like this.",
        how: "per tool, what G10 pulls back, and what moves pull back meanwhile, is owed until G11, or until as much has been pushed \
on the spot, less than 0.1 mm aside. G10 with P or L is something else; a second G10 and a G11 without a G10 do nothing. After a change of tools, a macro or a pause that waits for a \
person nothing counts as owed. Common practice, no source.",
        remedy: "put G11 in front of the line, or take the G10 out.",
    },
    heat_or_travel: false,
    timed: false,
    unchecked: None,
    build: |_, _| Built::Reading(judge),
};

fn judge(notice: &Notice, log: &mut Log) {
    let Noticed::PrintsPulledBack { length_mm } = notice.what else { return };
    log.raise(Hit::noticed(&CHECK, 0, CHECK.severity, notice), || match length_mm {
        Some(length_mm) => {
            let length = figure(length_mm);
            format!("a line is laid while the filament is pulled back by {length} mm or more, which is missing in it: G11 is missing")
        }
        None => "a line is laid while filament is pulled back by G10, and begins with a gap: G11 is missing".to_owned(),
    });
}

#[cfg(test)]
mod tests {
    use super::super::testing;
    use crate::machine::{Machine, Retraction};

    fn machine(length_mm: f64) -> Machine {
        let mut machine = testing::machine();
        let (feed_rate_mm_s, recover_feed_rate_mm_s) = (30.0, 30.0);
        let retraction =
            Retraction { length_mm, feed_rate_mm_s, recover_extra_mm: 0.0, recover_feed_rate_mm_s, lift_mm: 0.0 };
        machine.tools[0].retraction = Some(retraction);
        machine
    }

    /// The lines that are told, and what of the first.
    fn told(machine: &Machine, lines: &str) -> Vec<(u64, String)> {
        let job = format!("G28\nM109 S210\nM83\nG1 X20 Y20 Z0.2 F1200\n{lines}\n");
        let found = testing::found(&super::CHECK, machine, &job).into_iter();
        found.flat_map(|f| f.lines.into_iter().map(move |line| (line, f.message.clone()))).collect()
    }

    #[test]
    fn a_line_behind_g10_without_g11_is_told_once() {
        let told = told(&machine(2.0), "G1 X60 E2\nG10\nG0 X20 Y21\nG1 X60 E2\nG1 X20 E2\nG10\nG1 X60 E2");
        let [(8, message)] = told.as_slice() else { panic!("{told:?}") };
        assert!(message.starts_with("A line is laid while the filament is pulled back by 2 mm or more"), "{message}");
        // A second one, after it came back.
        assert_eq!(super::tests::told(&machine(2.0), "G10\nG1 X60 E1\nG11\nG1 X20 E1\nG10\nG1 X60 E1").len(), 2);
        let mut unknown = machine(2.0);
        unknown.tools[0].retraction = None;
        assert_eq!(super::tests::told(&unknown, "G10\nG1 X60 E2").len(), 1);
    }

    #[test]
    fn what_came_back_or_may_have_is_fine() {
        for lines in [
            "G10\nG0 X20\nG11\nG1 X60 E2",
            "G10\nG10\nG11\nG1 X60 E2",
            "G11\nG1 X60 E2",
            "G10\nG1 E1.5\nG1 E0.5\nG1 X60 E2",
            "G10 P0 S210\nG1 X60 E2",
            "G10 L2 P1 X0\nG1 X60 E2",
            "G10\nG1 E1.95\nG1 X60 E2",
            "G10\nM0\nG1 X60 E2",
            "G10\nM600\nG1 X60 E2",
            "G10\nPRIME\nG1 X60 E2",
            "G10\nT1\nG1 X60 E2",
            "G1 X60 E2\nG10\nG0 X20\nM104 S0",
        ] {
            assert_eq!(told(&machine(2.0), lines), [], "{lines}");
        }
        assert_eq!(told(&machine(0.0), "G10\nG1 X60 E2"), []);
        // Less than was pulled back.
        assert_eq!(told(&machine(2.0), "G10\nG1 E1.5\nG1 X60 E2").len(), 1);
    }
}
