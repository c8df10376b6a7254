//! Jobs that need more filament than is on the spool.

use std::ops::Range;

use crate::block::{Block, grid::Sum};
use crate::findings::{Built, Check, Explanation, Hit, Inspection, Log, Observer, Severity, Spot};
use crate::machine::Machine;
use crate::vectors::columns;
use crate::wording::figure;

/// The check.
pub const CHECK: Check = Check {
    id: "spool-too-short",
    topic: "spool",
    severity: Severity::Hold,
    summary: "The job needs more filament than is on the spool.",
    explain: Explanation {
        what: "the job pulls more filament off the spool than the sheet says is left on it.",
        why: "the print ends in the air, hours into the job, and the nozzle stays hot over it.",
        how: "for each tool of the sheet the filament pushed less what was retracted is summed in mm; its largest \
value so far is what has left the spool, compared with `on_spool_mm`. The line given is that of the move on which the \
spool runs out. Tool numbers that the sheet does not describe count for the first tool.",
        remedy: "mount a fuller spool or plan a change on the way, and keep `on_spool_mm` up to date. A spool can be weighed: \
mm of filament = grams × 1000 / (density in g/cm³ × cross-section in mm²).",
    },
    heat_or_travel: false,
    timed: false,
    unchecked: None,
    build,
};

fn build(machine: &Machine, _: &str) -> Built {
    let spools: Vec<Spool> = machine.tools.iter().map(|tool| Spool::holding(tool.on_spool_mm)).collect();
    if spools.iter().all(|spool| spool.holds_mm.is_none()) {
        return Built::Skipped("the sheet gives no `[[tool]] on_spool_mm`".to_owned());
    }
    Built::Watching(Box::new(SpoolTooShort { spools }))
}

struct SpoolTooShort {
    spools: Vec<Spool>,
}

struct Spool {
    holds_mm: Option<f64>,
    net_mm: Sum,
    most_mm: f64,
    /// Line, and where the machine is then, mm.
    out_on: Option<(u64, [f64; 3])>,
}

impl Spool {
    fn holding(holds_mm: Option<f64>) -> Self {
        Self { holds_mm, net_mm: Sum::default(), most_mm: 0.0, out_on: None }
    }

    /// Moves that pull nothing back: the most is at their end.
    fn push(&mut self, block: &Block, range: Range<usize>, bound_mm: f64) {
        let (before, net_mm, de) = (self.net_mm, &mut self.net_mm, &block.de_mm[range.clone()]);
        block.vectors.run(
            #[inline(always)]
            || Sum::gather([net_mm], de.len(), |i| [de[i]]),
        );
        self.most_mm = self.most_mm.max(self.net_mm.value());
        if self.most_mm > bound_mm && self.out_on.is_none() {
            let mut net_mm = before;
            let runs_out = |&i: &usize| {
                net_mm.add(block.de_mm[i]);
                net_mm.value() > bound_mm
            };
            self.out_on = range.into_iter().find(runs_out).map(|i| (block.line[i], block.end(i)));
        }
    }
}

impl Observer for SpoolTooShort {
    fn observe(&mut self, block: &Block, _log: &mut Log) {
        let Some(spool) = self.spools.get_mut(block.tool_index) else { return };
        let Some(holds_mm) = spool.holds_mm else { return };
        // Filament lengths are sums of rounded words.
        let bound_mm = holds_mm * (1.0 + 1e-9) + 1e-6;
        let (count, mut from) = (block.len(), 0);
        let pulls_back = block.vectors.run(
            #[inline(always)]
            || columns::any(block.len(), |i| block.de_mm[i] < 0.0),
        );
        while pulls_back && let Some(at) = (from..count).find(|&i| block.de_mm[i] < 0.0) {
            spool.push(block, from..at, bound_mm);
            spool.net_mm.add(block.de_mm[at]);
            from = at + 1;
        }
        spool.push(block, from..count, bound_mm);
    }

    fn finish(&mut self, _draft: &mut Inspection, log: &mut Log) {
        for (index, spool) in self.spools.iter().enumerate() {
            let (Some((line, place_mm)), Some(holds_mm)) = (spool.out_on, spool.holds_mm) else { continue };
            let hit = Hit {
                check: &CHECK,
                kind: index as u64,
                severity: Severity::Hold,
                line,
                value: Some(spool.most_mm),
                badness: spool.most_mm - holds_mm,
                limit: Some(holds_mm),
                unit: "mm",
                spot: Spot::At(place_mm),
            };
            log.raise(hit, || {
                let (needs, holds) = (figure(spool.most_mm), figure(holds_mm));
                format!("The job needs {needs} mm of filament on tool {index}; its spool holds {holds} mm and runs out here.")
            });
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::testing::{Job, machine, skipped, tool};
    use super::*;

    #[test]
    fn the_line_is_where_it_runs_out_and_the_value_what_the_job_needs() {
        let job = Job::new().to([50.0, 0.0, 0.0], 990.0).filament(-20.0).filament(20.0).to([60.0, 0.0, 0.0], 10.0);
        let found = job.to([70.0, 0.0, 0.0], 5.0).to([80.0, 0.0, 0.0], 300.0).findings(&CHECK, &machine());
        assert_eq!((found.len(), found[0].count, found[0].line), (1, 1, Some(5)));
        assert_eq!((found[0].value, found[0].limit), (Some(1305.0), Some(1000.0)));
        assert!(found[0].message.contains("1305 mm") && found[0].message.contains("1000 mm"));
    }

    #[test]
    fn to_the_last_mm_and_back_it_is_enough() {
        let job = Job::new().filament(1000.0).filament(-5.0).filament(5.0);
        assert!(job.findings(&CHECK, &machine()).is_empty());
    }

    #[test]
    fn each_tool_has_its_spool() {
        let mut two = machine();
        two.tools.push(crate::machine::Tool { on_spool_mm: Some(50.0), ..tool() });
        let found = Job::new().filament(900.0).tool(1, 1).filament(60.0).findings(&CHECK, &two);
        assert_eq!((found.len(), found[0].line, found[0].value), (1, Some(2), Some(60.0)));
    }

    #[test]
    fn without_a_spool_it_is_skipped() {
        let mut bare = machine();
        bare.tools[0].on_spool_mm = None;
        assert!(skipped(&CHECK, &bare).contains("on_spool_mm"));
    }
}
