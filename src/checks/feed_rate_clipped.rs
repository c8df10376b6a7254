//! Moves that ask for more speed than the axes allow.

use crate::block::{Block, flag};
use crate::findings::{Built, Check, Explanation, Hit, Log, Observer, Severity, Spot};
use crate::vectors::columns;
use crate::wording::figure;

/// The check.
pub const CHECK: Check = Check {
    id: "feed-rate-clipped",
    severity: Severity::Note,
    summary: "Moves ask for more speed than the axes allow.",
    explain: Explanation {
        what: "the commanded speed of a move is higher than the feed-rate limits of the axes allow along it.",
        why: "nothing breaks; the controller slows the move down. But the job then takes longer than the slicer said, \
and walls meant to be fast are not.",
        how: "the commanded speed in mm/s (F / 60, with the override of M220) is compared with the largest speed \
at which no axis, nor the filament, is faster than its limit, which is the smallest of limit / |share of the direction|. \
On arcs the limit of centripetal acceleration is not part of this.",
        remedy: "set the speeds of the slicer to what the machine does, or correct `feed_rate_limit_mm_s` in the sheet.",
    },
    heat_or_travel: false,
    timed: true,
    unchecked: None,
    build: |_, _| Built::Watching(Box::new(FeedRateClipped)),
};

/// The axes.
const ALONG: u8 = flag::X | flag::Y | flag::Z;

struct FeedRateClipped;

impl Observer for FeedRateClipped {
    fn observe(&mut self, block: &Block, log: &mut Log) {
        let (commanded, allowed) = (&block.feed_commanded_mm_s, &block.feed_allowed_mm_s);
        // The lift of Z alone is slowed on nearly every machine: nobody minds.
        let lifts = |i: usize| (block.flags[i] & ALONG == flag::Z) & (block.de_mm[i] == 0.0);
        let clipped = |i: usize| (commanded[i] > allowed[i] * (1.0 + 1e-9)) & !lifts(i);
        let any = block.vectors.run(
            #[inline(always)]
            || columns::any(block.len(), clipped),
        );
        if !any {
            return;
        }
        for i in 0..block.len() {
            if clipped(i) {
                let (commanded, allowed) = (commanded[i], allowed[i]);
                let hit = Hit {
                    check: &CHECK,
                    kind: 0,
                    severity: Severity::Note,
                    line: block.line[i],
                    value: Some(commanded),
                    badness: commanded / allowed,
                    limit: Some(allowed),
                    unit: "mm/s",
                    spot: Spot::InBlock,
                };
                log.raise(hit, || {
                    let (commanded, allowed) = (figure(commanded), figure(allowed));
                    format!("A move asks for {commanded} mm/s; the axes allow {allowed} mm/s along it.")
                });
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::testing::{Job, machine};
    use super::*;

    #[test]
    fn the_worst_ratio_is_reported() {
        let job = Job::new().to([10.0, 0.0, 0.0], 0.0).tweak(|block, i| block.feed_commanded_mm_s[i] = 60.0);
        let job = job.to([11.0, 0.0, 1.0], 0.0).tweak(|block, i| block.feed_allowed_mm_s[i] = 10.0);
        let found = job.to([0.0, 0.0, 1.0], 0.0).findings(&CHECK, &machine());
        assert_eq!((found.len(), found[0].count, found[0].line, found[0].worst_line), (1, 2, Some(1), Some(2)));
        assert_eq!((found[0].value, found[0].limit, found[0].severity), (Some(50.0), Some(10.0), Severity::Note));
        assert!(found[0].message.contains("50 mm/s") && found[0].message.contains("10 mm/s"));
    }

    #[test]
    fn rounding_is_no_clip() {
        let job = Job::new().to([10.0, 0.0, 0.0], 0.0).tweak(|block, i| block.feed_allowed_mm_s[i] = 50.0 - 1e-9);
        assert!(job.findings(&CHECK, &machine()).is_empty());
    }
}
