//! Lines longer than the controller takes.

use super::{Built, Check};
use crate::inspection::Severity;

/// The check.
pub const CHECK: Check = Check {
    id: "line-too-long",
    severity: Severity::Note,
    summary: "A line is longer than the controller takes.",
    explain: "What: a line of the job has more bytes than the controller's line buffer.\n\n\
Why it matters: most controllers cut such a line or drop it. In a comment that is harmless; words lost from a move are \
not.\n\n\
How it is computed: bytes of the line without its line ending, compared with `line_length_limit_bytes`.\n\n\
What to do: look at the line. Long comments can be left out when slicing; a long command needs a shorter form.",
    build: |machine| match machine.controller.line_length_limit_bytes {
        Some(_) => Built::Reading,
        None => Built::Skipped("the sheet gives no `[controller] line_length_limit_bytes`".to_owned()),
    },
};

#[cfg(test)]
mod tests {
    use super::super::testing::{machine, skipped};
    use super::*;

    #[test]
    fn it_is_read_with_a_limit_and_skipped_without() {
        let mut bare = machine();
        assert!(matches!((CHECK.build)(&bare), Built::Reading));
        bare.controller.line_length_limit_bytes = None;
        assert!(skipped(&CHECK, &bare).contains("line_length_limit_bytes"));
    }
}
