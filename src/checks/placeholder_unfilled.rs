//! Placeholders that no program has filled in.

use crate::findings::{Built, Check, Explanation, Hit, Log, Severity};
use crate::modal::notice::{Notice, Noticed};

/// The check.
pub const CHECK: Check = Check {
    id: "placeholder-unfilled",
    topic: "placeholders",
    severity: Severity::Hold,
    summary: "A placeholder stands where a number should be.",
    explain: Explanation {
        what: "a word of a command has a name in brackets or between percent signs instead of a number, such as `M104 \
S[warm]`, or a line begins with a bracket. In place of a temperature it is a no-go.",
        why: "the program that wrote the job, or a script behind it, did not fill it in. Controllers read 0, skip the \
word, or stop; a heater without its target stays cold or keeps the target of the last job.",
        how: "a letter followed by `[`, `{` or a pair of `%`. The word is left out; a temperature counts as unknown \
from there until one is waited for. Common practice, no source.",
        remedy: "slice the job again, or look for a misspelt name in the start and end lines of the settings that made \
it.",
    },
    heat_or_travel: true,
    timed: false,
    unchecked: None,
    build: |_, _| Built::Reading(judge),
};

fn judge(notice: &Notice, log: &mut Log) {
    let Noticed::Placeholder { letter, heats } = notice.what else { return };
    let severity = if heats { Severity::NoGo } else { Severity::Hold };
    log.raise(Hit::noticed(&CHECK, u64::from(heats), severity, notice), || match letter {
        Some(letter) if heats => {
            format!("A temperature was never filled in: {} has a placeholder instead of a number.", char::from(letter))
        }
        Some(letter) => format!("{} has a placeholder instead of a number: it was left out.", char::from(letter)),
        None if heats => {
            "A temperature was never filled in: the macro gets a placeholder instead of a number.".to_owned()
        }
        None => "The line is a placeholder that was never filled in: it was not carried out.".to_owned(),
    });
}
