//! Commands that the controller never comes to, or does not carry out.

use crate::findings::{Built, Check, Explanation, Hit, Log, Severity};
use crate::modal::notice::{NotRun, Notice, Noticed};

/// The check.
pub const CHECK: Check = Check {
    id: "commands-not-run",
    topic: "end of the program",
    severity: Severity::Hold,
    summary: "Commands stand behind the end of the program (M2, M30), or are written into a file (M28).",
    explain: Explanation {
        what: "a command that moves, heats or switches something stands behind M2 or M30, or between M28 and M29.",
        why: "M2 and M30 end a program: a controller that holds to that never comes to what stands behind, be it the rest of the \
print or the lines that switch the heaters off. Others pass over M2 and M30 and go on. Behind M28 all lines are stored in a \
file, and nothing moves. Two jobs in one file, or a line in the wrong place, look like this.",
        how: "M2 and M30 are the end of a program by NIST RS274/NGC version 3; M30 with a name deletes a file, M28 with a name \
begins to write one and M29 ends that (common practice, no source). What stands behind is judged as if it was carried out: \
nobody knows what the controller makes of it. Modes, settings, dwells, messages, questions, lights and sounds are not counted, nor are lines that only the \
host reads. A hot machine that nobody switches off is a fire hazard; the maker's documents come first.",
        remedy: "put the end of the program behind the last command, take M28 and M29 out, and make each print a job of its own.",
    },
    heat_or_travel: true,
    timed: false,
    unchecked: None,
    build: |_, _| Built::Reading(judge),
};

fn judge(notice: &Notice, log: &mut Log) {
    let Noticed::NotRun(by) = notice.what else { return };
    let kind = u64::from(by == NotRun::Written);
    log.raise(Hit::noticed(&CHECK, kind, CHECK.severity, notice), || match by {
        NotRun::BehindEnd { code } => format!(
            "the program ends with M{} before this line: controllers that hold to it carry out nothing from here on, others do",
            code / 10
        ),
        NotRun::Written => {
            "from here on lines are written into a file by M28, and nothing is carried out until M29".to_owned()
        }
    });
}

#[cfg(test)]
mod tests {
    use super::super::testing;
    use crate::machine::Machine;

    /// The lines that are told, behind four.
    fn told(lines: &str) -> Vec<u64> {
        let job = format!("G28\nM109 S210\nM83\nG1 X20 Y20 Z0.2 F1200\n{lines}\n");
        let found = testing::found(&super::CHECK, &Machine::built_in(), &job).into_iter();
        found.flat_map(|finding| finding.lines).map(|line| line - 4).collect()
    }

    /// NIST RS274/NGC 3.6.1: M2 and M30 end the program.
    #[test]
    fn what_stands_behind_the_end_is_told() {
        assert_eq!(told("M2\nG1 X30\nG1 X40"), [2, 3]);
        assert_eq!(told("M30 ; the end\nM104 S0\nM84"), [2, 3]);
        assert_eq!(told("M30\nX30\nEND_PRINT\nM2\nT1"), [2, 3, 5]);
        assert_eq!(told("G1 X30 M2\nG1 X40"), [2], "not the first word of its line");
        assert_eq!(told("M2\nM107\nM42 P4 S255\nM24"), [2, 3, 4]);
        assert_eq!(told("M2\n/ G1 X30\nG1 X40"), [3], "a line that is left out");
    }

    #[test]
    fn the_end_at_the_end_is_fine() {
        for lines in [
            "M104 S0\nM2",
            "M30",
            "M2\nG21\nG90\nM82\nG92 E0\nM110 N0\nM220 S100\nG4 P100\nM900 K0\nM204 P500",
            "M104 S0\nM30\n%",
            "M2\n; a comment\n\nM117 done\n@host\nM30",
            "M30 old.g\nG1 X30",
        ] {
            assert_eq!(told(lines), [0_u64; 0], "{lines}");
        }
    }

    #[test]
    fn lines_that_are_written_into_a_file_are_told() {
        assert_eq!(told("M28 log.g\nG1 X30\nM2\nM29\nG1 X40"), [2]);
        assert_eq!(told("M28 log.g\nM117 nothing\nM29\nG1 X40"), [0_u64; 0]);
        assert_eq!(told("M28\nG1 X40"), [0_u64; 0], "no name, no file");
    }
}
