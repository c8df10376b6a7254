//! More than one command on a line.

use crate::findings::{Built, Check, Explanation, Hit, Log, Severity};
use crate::modal::notice::{Notice, Noticed};

/// The check.
pub const CHECK: Check = Check {
    id: "commands-share-line",
    topic: "commands per line",
    severity: Severity::Hold,
    summary: "A line has more than one command; many controllers carry out the first alone.",
    explain: Explanation {
        what: "a second command with words of its own stands on a line, such as `M109 S200 G1 X60`. A mode, or a command without words, beside another is a note.",
        why: "many controllers carry out the first command of a line and take the rest for its words: the move is \
lost, or X60 means something else. Two lines that a program glued together look like this.",
        how: "the G and M words of a line are counted. A second one that is known and has words of its own is found; \
without words it is a note. `controller.commands_per_line` says what the machine does: \
\"all\" carries out each (NIST RS274/NGC 3.3), \"first\" the first alone.",
        remedy: "put each command on a line of its own; but G53 counts on its own line alone (NIST RS274/NGC 3.5.12): take it out, and \
give the coordinates with all offsets counted in. If the newline was lost, look whether the file is damaged.",
    },
    heat_or_travel: false,
    timed: false,
    unchecked: None,
    build: |_, _| Built::Reading(judge),
};

/// The kind of hits about G53, the others being 0.
const FRAME: u64 = 1;

fn judge(notice: &Notice, log: &mut Log) {
    let (severity, letter, code, carried_out) = match notice.what {
        Noticed::SecondCommand { letter, code, carried_out } => (Severity::Hold, letter, code, carried_out),
        Noticed::ModeBeside { letter, code, carried_out } => (Severity::Note, letter, code, carried_out),
        Noticed::FrameWithoutMove { letter, code } => {
            let hit = Hit::noticed(&CHECK, FRAME, Severity::Hold, notice);
            return log.raise(hit, || {
                let (letter, number) = (char::from(letter), f64::from(code) / 10.0);
                format!(
                    "{letter}{number} stands on a line with G53: this controller carries out the first command of a line \
                     alone, and G53 on a line of its own does nothing. Take it out, and give the coordinates with all \
                     offsets counted in."
                )
            });
        }
        _ => return,
    };
    log.raise(Hit::noticed(&CHECK, 0, severity, notice), || {
        let (letter, number) = (char::from(letter), f64::from(code) / 10.0);
        let rest = match carried_out {
            true => "it counts here, but many controllers carry out the first command of a line alone",
            false => "this controller carries out the first command of a line alone",
        };
        format!("{letter}{number} stands on a line with another command: {rest}.")
    });
}

#[cfg(test)]
mod tests {
    use super::super::testing::found;
    use crate::machine::Machine;

    fn told(line: &str, first_alone: bool) -> Vec<String> {
        let mut machine = Machine::built_in();
        machine.controller.first_command_only = first_alone;
        let job = format!("G28\nG1 X20 Y20 F1200\n{line}\n");
        found(&super::CHECK, &machine, &job).into_iter().map(|finding| finding.message).collect()
    }

    /// NIST RS274/NGC 3.5.12: G53 must be given on each line on which it is meant to be active.
    #[test]
    fn nobody_is_told_to_put_the_machines_frame_on_a_line_of_its_own() {
        for (line, other) in [("G53 G1 X10 Y10", "G1 "), ("G53 G0 Z5", "G0 "), ("G1 G53 X10", "G1 ")] {
            let told = told(line, true);
            let [message] = told.as_slice() else { panic!("{line}: {told:?}") };
            assert!(message.starts_with(other) && message.contains("does nothing. Take it out"), "{message}");
        }
        assert_eq!(told("G53 G1 X10 Y10", false), [""; 0], "all commands of a line count");
        // Frames that stay in force, and other commands, may well be put on lines of their own.
        for line in ["G54 G1 X10", "M106 S100 G1 X70"] {
            let told = told(line, true);
            assert!(told.len() == 1 && !told[0].contains("does nothing"), "{told:?}");
        }
    }
}
