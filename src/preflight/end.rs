//! What is known of a job at its end.

use std::io::Read;

use super::announced;
use crate::findings::{Inspection, JobFacts, StreamFacts};
use crate::machine::Machine;
use crate::modal::Interpreter;
use crate::text::LineReader;

/// What is known of a job at its end.
#[derive(Debug, Clone, Default)]
pub(super) struct JobEnd {
    pub(super) facts: StreamFacts,
    /// The trial that the first line announces.
    pub(super) trial: Option<announced::Kind>,
}

impl JobEnd {
    /// What the reader knows.
    pub(super) fn of<R: Read>(reader: &LineReader<R>, path: &str) -> Self {
        let facts = StreamFacts {
            path: path.to_owned(),
            bytes: reader.bytes_read(),
            lines: reader.lines_read(),
            last_line_ended: reader.last_line_ended(),
            digest: reader.digest(),
            ..StreamFacts::default()
        };
        Self { facts, trial: None }
    }

    /// The same with what the interpreter knows.
    pub(super) fn told_by(&self, interpreter: &Interpreter, trial: Option<announced::Kind>) -> Self {
        let facts = StreamFacts {
            commands: interpreter.commands(),
            last_was_motion: interpreter.last_was_motion(),
            last_motion_line: interpreter.last_motion_line(),
            heats_to_the_end: interpreter.heats_to_the_end(),
            limits_set: interpreter.limits_set(),
            closed_after_extrusion: interpreter.closed_after_extrusion(),
            macros_called: interpreter.macros_called().clone(),
            unknown_commands: interpreter.unknown_commands().clone(),
            extrudes: interpreter.extrudes(),
            extruder_words: interpreter.extruder_words(),
            spindle_line: interpreter.spindle_line(),
            ..self.facts.clone()
        };
        Self { facts, trial }
    }

    /// What is known before the observers have told.
    pub(super) fn draft(&self, machine: &Machine) -> Inspection {
        let StreamFacts { path, bytes, lines, commands, digest, limits_set, .. } = self.facts.clone();
        let job = JobFacts { path, bytes, lines, commands, moves: 0, digest };
        Inspection { limits_set_in_job: limits_set.any(), ..Inspection::draft(job, machine.facts()) }
    }
}
