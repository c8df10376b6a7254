//! Moves before any feed rate is given.

use crate::findings::{Built, Check, Explanation, Hit, Log, Severity};
use crate::modal::notice::{Notice, Noticed};
use crate::wording::spelled;

/// The check.
pub const CHECK: Check = Check {
    id: "no-feed-rate",
    topic: "feed rate",
    severity: Severity::Note,
    summary: "The job moves before it gives a feed rate.",
    explain: Explanation {
        what: "a move, G0 included, comes before the first F word of the job.",
        why: "its speed is whatever the controller has in mind: a built-in speed, or that of the job before. The \
move may be slow, or fast near the bed.",
        how: "moves before the first F word are counted; they are planned at `default_feed_rate_mm_s`. A G0 without an F of \
its own goes at the last F, as G1 does (common practice, no source). NIST \
RS274/NGC version 3 makes such a move an error; controllers of these printers do not.",
        remedy: "give an F with the first move.",
    },
    heat_or_travel: false,
    timed: false,
    unchecked: None,
    build: |_, _| Built::Reading(judge),
};

fn judge(notice: &Notice, log: &mut Log) {
    match notice.what {
        Noticed::NoFeedRate { feed } => log.raise(Hit::noticed(&CHECK, 0, CHECK.severity, notice), || match feed {
            Some(feed) => format!("F{} is no feed rate: ignored", spelled(feed)),
            None => "F without a number: ignored".to_owned(),
        }),
        Noticed::FeedFromSheet { feed_mm_s } => log.raise(Hit::noticed(&CHECK, 1, CHECK.severity, notice), || {
            format!("the first move comes before any F: {} mm/s taken from the sheet", spelled(feed_mm_s))
        }),
        _ => {}
    }
}
