//! Moves that ask for more speed than the axes allow.

use crate::block::{Block, flag, grid::Sum};
use crate::findings::{Built, Check, Explanation, Hit, Inspection, Log, Observer, Severity, Spot};
use crate::vectors::columns;
use crate::wording::{duration, pair};

/// The check.
pub const CHECK: Check = Check {
    id: "feed-rate-clipped",
    topic: "speed limits",
    severity: Severity::Note,
    summary: "Moves ask for more speed than the axes allow.",
    explain: Explanation {
        what: "the commanded speed of a move is higher than the feed-rate limits of the axes allow along it.",
        why: "nothing breaks; the controller slows the move down. But the job then takes longer than the slicer said, \
and walls meant to be fast are not.",
        how: "the commanded speed in mm/s (F / 60, with the override of M220) is compared with the largest speed \
at which no axis, nor the filament, is faster than its limit, which is the smallest of limit / |share of the direction|. \
On arcs the limit of centripetal acceleration is not part of this. Less than 0.1 % does not count, nor does the lift of Z \
alone. The time is that of all such moves at the speed allowed less that at the speed commanded, without acceleration.",
        remedy: "set the speeds of the slicer to what the machine does, or correct `feed_rate_limit_mm_s` in the sheet.",
    },
    heat_or_travel: false,
    timed: true,
    unchecked: None,
    build: |machine, _| {
        let limits_mm_s = machine.motion.limits.feed_rate_mm_s;
        Built::Watching(Box::new(FeedRateClipped { limits_mm_s, worst: None, longer_s: Sum::default() }))
    },
};

/// The axes.
const ALONG: u8 = flag::X | flag::Y | flag::Z;
/// Speeds closer than this share are the same: 150 mm/s is not slowed down to 149.995.
const SAME: f64 = 1e-3;

struct FeedRateClipped {
    limits_mm_s: [f64; 4],
    /// Commanded and allowed speed of the move that is slowed most, mm/s, and what holds it back.
    worst: Option<([f64; 2], &'static str)>,
    /// What the moves take longer by their lengths, s.
    longer_s: Sum,
}

impl FeedRateClipped {
    /// What holds a move back: the axis whose limit, along its direction, is the speed allowed.
    fn binding(&self, block: &Block, i: usize) -> &'static str {
        const NAMES: [&str; 4] = ["X allows", "Y allows", "Z allows", "the extruder allows"];
        let allowed = |axis: usize| self.limits_mm_s[axis] / block.dir[axis][i].abs();
        let is_it = |axis: &usize| (allowed(*axis) / block.feed_allowed_mm_s[i] - 1.0).abs() < 1e-9;
        // On curves the direction changes, and a job may have changed the limits.
        (0..4).find(is_it).map_or("the axes allow", |axis| NAMES[axis])
    }
}

fn message(commanded: f64, allowed: f64, binding: &str, longer_s: Option<f64>) -> String {
    let (commanded, allowed) = pair(commanded, allowed);
    let longer = longer_s.map(|s| format!(" All such moves together take {} longer, by their lengths.", duration(s)));
    format!("A move asks for {commanded} mm/s; {binding} {allowed} mm/s along it.{}", longer.unwrap_or_default())
}

impl Observer for FeedRateClipped {
    fn observe(&mut self, block: &Block, log: &mut Log) {
        let (commanded, allowed) = (&block.feed_commanded_mm_s, &block.feed_allowed_mm_s);
        // The lift of Z alone is slowed on nearly every machine: nobody minds.
        let lifts = |i: usize| (block.flags[i] & ALONG == flag::Z) & (block.de_mm[i] == 0.0);
        let clipped = |i: usize| (commanded[i] > allowed[i] * (1.0 + SAME)) & !lifts(i);
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
                self.longer_s.add(block.length_mm[i] / allowed - block.length_mm[i] / commanded);
                if self.worst.is_none_or(|([worst, least], _)| commanded / allowed > worst / least) {
                    self.worst = Some(([commanded, allowed], self.binding(block, i)));
                }
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
                log.raise(hit, || message(commanded, allowed, self.binding(block, i), None));
            }
        }
    }

    fn finish(&mut self, _draft: &mut Inspection, log: &mut Log) {
        if let Some(([commanded, allowed], binding)) = self.worst {
            let text = message(commanded, allowed, binding, Some(self.longer_s.value()));
            log.reconsider(&CHECK, 0, [Severity::Note; 2], text);
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
        // 50 mm/s, allowed 10: √2 mm take 4/50 s a mm longer; the first move, 60 of 50 mm/s, 10 mm × (1/50 − 1/60).
        let longer = 2f64.sqrt() * (1.0 / 10.0 - 1.0 / 50.0) + 10.0 * (1.0 / 50.0 - 1.0 / 60.0);
        assert!(found[0].message.contains("50 mm/s") && found[0].message.contains("10 mm/s"), "{}", found[0].message);
        assert!(found[0].message.contains(&duration(longer)), "{}", found[0].message);
    }

    #[test]
    fn rounding_is_no_clip() {
        let job = Job::new().to([10.0, 0.0, 0.0], 0.0).tweak(|block, i| block.feed_allowed_mm_s[i] = 49.995);
        assert!(job.findings(&CHECK, &machine()).is_empty());
    }
}
