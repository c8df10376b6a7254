//! Prints of several layers without the layer fan.

use crate::block::{ActionKind, Block};
use crate::findings::{Built, Check, Explanation, Hit, Inspection, Log, Observer, Severity};

/// The check.
pub const CHECK: Check = Check {
    id: "layer-fan-never-on",
    topic: "layer fan",
    severity: Severity::Note,
    summary: "The layer fan is never switched on in a print of several layers.",
    explain: Explanation {
        what: "the job prints at more than one height and never gives the layer fan any speed.",
        why: "some filaments want no fan. Others sag at overhangs and curl at edges without it, and a forgotten fan \
setting is found out late.",
        how: "the report counts more than one layer, and no fan command (M106) has a share above 0. A layer is a height at \
which more than 1 mm of path is laid, at least 0.04 mm from the one before; a purge line beside the print is none, and a \
spiral is one. The lengths are gonogo's own.",
        remedy: "nothing if the filament wants none. Otherwise look at the cooling settings of the slicer.",
    },
    heat_or_travel: false,
    timed: false,
    unchecked: None,
    build: |_, _| Built::Watching(Box::<LayerFanNeverOn>::default()),
};

#[derive(Default)]
struct LayerFanNeverOn {
    on: bool,
}

impl Observer for LayerFanNeverOn {
    fn observe(&mut self, block: &Block, _log: &mut Log) {
        let blows = |kind: ActionKind| matches!(kind, ActionKind::Fan { share } if share > 0.0);
        self.on |= block.actions.iter().any(|action| blows(action.kind));
    }

    fn finish(&mut self, draft: &mut Inspection, log: &mut Log) {
        if self.on || draft.layers_total < 2 {
            return;
        }
        let hit = Hit::plain(&CHECK, 0, Severity::Note, 0);
        log.raise(hit, || "The job prints several layers and never switches the layer fan on.".to_owned());
    }
}

#[cfg(test)]
mod tests {
    use super::super::testing::{Job, machine};
    use super::*;

    fn layers(job: Job, step: f64) -> Job {
        let job = job.to([10.0, 0.0, 0.2], 0.5).to([10.0, 10.0, 0.2 + step], 0.0);
        job.to([0.0, 0.0, 0.2 + step], 0.5)
    }

    #[test]
    fn several_layers_without_a_fan_are_noted_once() {
        let found = layers(layers(Job::new(), 0.04), 0.3).findings(&CHECK, &machine());
        assert_eq!((found.len(), found[0].line, found[0].count), (1, None, 1));
        assert_eq!(found[0].severity, Severity::Note);
        let off = layers(Job::new().act(ActionKind::Fan { share: 0.0 }), 0.2);
        assert_eq!(off.findings(&CHECK, &machine()).len(), 1, "a fan at 0 is off");
    }

    #[test]
    fn one_layer_or_a_fan_at_any_time_is_fine() {
        assert!(layers(Job::new(), 0.03).findings(&CHECK, &machine()).is_empty());
        let late = layers(Job::new(), 0.2).act(ActionKind::Fan { share: 0.3 });
        assert!(layers(late, 0.2).findings(&CHECK, &machine()).is_empty());
    }
}
