//! Moves before any feed rate is given.

use crate::findings::{Built, Check, Severity};

/// The check.
pub const CHECK: Check = Check {
    id: "no-feed-rate",
    severity: Severity::Note,
    summary: "The job moves before it gives a feed rate.",
    explain: "What: a move comes before the first F word of the job.\n\n\
Why it matters: its speed is whatever the controller has in mind: a built-in speed, or that of the job before. The \
move may be slow, or fast near the bed.\n\n\
How it is computed: moves before the first F word are counted; they are planned at `default_feed_rate_mm_s`. NIST \
RS274/NGC version 3 makes such a move an error; controllers of these printers do not.\n\n\
What to do: give an F with the first move.",
    heat_or_travel: false,
    timed: false,
    build: |_| Built::Reading,
};
