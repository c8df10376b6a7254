//! Commands that are not known here.

use crate::findings::{Built, Check, Explanation, Hit, Log, Severity};
use crate::modal::notice::{Notice, Noticed};
use crate::text::Foreign;

/// The check.
pub const CHECK: Check = Check {
    id: "unknown-command",
    severity: Severity::Note,
    summary: "The job has a command that gonogo does not know.",
    explain: Explanation {
        what: "a line starts with a command outside the list that gonogo reads. Each such command is listed \
once, with how often it occurs.",
        why: "it may do nothing here, or it may move the machine in a way this inspection does not see.",
        how: "each command is compared with the list. Unknown ones count as commands and take no time.",
        remedy: "look it up in the documents of the controller. If it moves or heats, judge the lines after it with care.",
    },
    heat_or_travel: false,
    timed: false,
    build: |_, _| Built::Reading(judge),
};

fn judge(notice: &Notice, log: &mut Log) {
    match notice.what {
        Noticed::UnknownCommand { letter, code } => {
            let kind = (u64::from(letter) << 32) + u64::from(code);
            log.raise(Hit::noticed(&CHECK, kind, CHECK.severity, notice), || {
                let (number, part) = (code / 10, code % 10);
                let point = if part > 0 { format!(".{part}") } else { String::new() };
                format!("{}{number}{point} is not known here: it was not carried out", char::from(letter))
            });
        }
        Noticed::ForeignLine(foreign) => {
            log.raise(Hit::noticed(&CHECK, 1 + foreign as u64, CHECK.severity, notice), || {
                let what = match foreign {
                    Foreign::Name => "starts with a name (a macro call or prose)",
                    Foreign::At => "starts with `@`",
                    Foreign::Dollar => "starts with `$`",
                    Foreign::Percent => "starts with `%`",
                    // The check of placeholders has these.
                    Foreign::Bracket => "starts with a bracket",
                    Foreign::Other => "does not start with a letter",
                };
                format!("the line {what}: it was not carried out here")
            });
        }
        _ => {}
    }
}
