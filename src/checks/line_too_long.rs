//! Lines longer than the controller takes.

use crate::findings::{Built, Check, Explanation, Hit, Log, Severity};
use crate::modal::notice::{Notice, Noticed};

/// The check.
pub const CHECK: Check = Check {
    id: "line-too-long",
    topic: "line length",
    severity: Severity::Note,
    summary: "A line is longer than the controller takes.",
    explain: Explanation {
        what: "the command of a line has more bytes than the controller's line buffer.",
        why: "most controllers cut such a line or drop it, and words are lost from the command.",
        how: "bytes of the line up to the end of its last word or checksum, without a comment and blanks behind \
it, compared with `line_length_limit_bytes`.",
        remedy: "look at the line, and bring the command into a shorter form, with fewer digits or on several lines.",
    },
    heat_or_travel: false,
    timed: false,
    unchecked: None,
    build: |machine, _| match machine.controller.line_length_limit_bytes {
        Some(_) => Built::Reading(judge),
        None => Built::Skipped("the sheet gives no `[controller] line_length_limit_bytes`".to_owned()),
    },
};

fn judge(notice: &Notice, log: &mut Log) {
    let Noticed::LineTooLong { bytes, limit } = notice.what else { return };
    let hit = Hit {
        value: Some(bytes as f64),
        badness: bytes as f64,
        limit: Some(limit as f64),
        unit: "bytes",
        ..Hit::noticed(&CHECK, 0, CHECK.severity, notice)
    };
    log.raise(hit, || format!("the command takes {bytes} bytes, the controller reads {limit}"));
}

#[cfg(test)]
mod tests {
    use super::super::testing::{machine, skipped};
    use super::*;

    #[test]
    fn it_is_read_with_a_limit_and_skipped_without() {
        let mut bare = machine();
        assert!(matches!((CHECK.build)(&bare, "job.gcode"), Built::Reading(_)));
        bare.controller.line_length_limit_bytes = None;
        assert!(skipped(&CHECK, &bare).contains("line_length_limit_bytes"));
    }
}
