//! Words of a command that cannot be read.

use crate::findings::{Built, Check, Severity};

/// The check.
pub const CHECK: Check = Check {
    id: "malformed-word",
    severity: Severity::Hold,
    summary: "A word of a command cannot be read as a letter and a number.",
    explain: "What: a word is no letter followed by a number, a number is not finite or far out of range, or a word \
occurs twice in one line.\n\n\
Why it matters: controllers differ in what they make of such a word: 0, the part that can be read, or nothing. A \
coordinate read as 0 sends the nozzle across the print.\n\n\
How it is computed: each command is split into words as in NIST RS274/NGC version 3: a letter and a real number, \
spaces ignored. A word that does not follow this is left out, and reported.\n\n\
What to do: look at the line. A comma in place of the decimal point and text without a comment sign are the usual \
causes; a damaged file is another.",
    heat_or_travel: false,
    timed: false,
    build: |_| Built::Reading,
};
