//! File names that a card cannot hold.

use crate::findings::{Built, Check, Severity};

/// The check.
pub const CHECK: Check = Check {
    id: "name-unfit-for-card",
    severity: Severity::Note,
    summary: "The file name has characters that a FAT32 card cannot hold.",
    explain: "What: the name of the job has a character that long file names on a FAT32 card do not allow.\n\n\
Why it matters: copying to the card fails or changes the name, and the file may not show up on the display.\n\n\
How it is computed: control characters and \" * / : < > ? \\ | are not allowed in long names (Microsoft, FAT32 File \
System Specification, 2000).\n\n\
What to do: give the file another name.",
    heat_or_travel: false,
    timed: false,
    build: |_| Built::Reading,
};
