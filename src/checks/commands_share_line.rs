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
        remedy: "put each command on a line of its own. If the newline was lost, look whether the file is damaged.",
    },
    heat_or_travel: false,
    timed: false,
    unchecked: None,
    build: |_, _| Built::Reading(judge),
};

fn judge(notice: &Notice, log: &mut Log) {
    let (severity, letter, code, carried_out) = match notice.what {
        Noticed::SecondCommand { letter, code, carried_out } => (Severity::Hold, letter, code, carried_out),
        Noticed::ModeBeside { letter, code, carried_out } => (Severity::Note, letter, code, carried_out),
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
