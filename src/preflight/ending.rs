//! What is known of the stream at its end, and the findings about the job as a whole.

use std::io::Read;
use std::path::Path;

use super::announced;
use crate::findings::{Check, Hit, Inspection, JobFacts, Log, Severity, Spot};
use crate::machine::Machine;
use crate::modal::Interpreter;
use crate::text::LineReader;

/// What is known of the stream at its end.
#[derive(Debug, Clone, Default)]
pub(super) struct Ending {
    bytes: u64,
    pub(super) lines: u64,
    commands: u64,
    last_line_ended: bool,
    last_was_motion: bool,
    last_motion_line: u64,
    heats_to_the_end: bool,
    digest: String,
    /// The trial that the first line announces.
    pub(super) trial: Option<announced::Kind>,
}

impl Ending {
    /// What the reader knows.
    pub(super) fn of<R: Read>(reader: &LineReader<R>) -> Self {
        Self {
            bytes: reader.bytes_read(),
            lines: reader.lines_read(),
            last_line_ended: reader.last_line_ended(),
            digest: reader.digest(),
            ..Self::default()
        }
    }

    /// Digest of the plain bytes.
    pub(super) fn digest(&self) -> &str {
        &self.digest
    }

    /// The same with what the interpreter knows.
    pub(super) fn told_by(&self, interpreter: &Interpreter, trial: Option<announced::Kind>) -> Self {
        Self {
            trial,
            commands: interpreter.commands(),
            last_was_motion: interpreter.last_was_motion(),
            last_motion_line: interpreter.last_motion_line(),
            heats_to_the_end: interpreter.heats_to_the_end(),
            ..self.clone()
        }
    }
}

/// Largest file on a FAT32 card, bytes: 2³² − 1 by the format; one vendor page says 2³² − 2, which is on the safe side.
const CARD_FILE_LIMIT_BYTES: u64 = u32::MAX as u64 - 1;
/// Longest name on a FAT32 card, UTF-16 units.
const CARD_NAME_LIMIT: usize = 255;

/// The place says nothing about a job that ends too early.
fn at_the_end(check: &'static Check, line: u64) -> Hit {
    Hit { spot: Spot::Nowhere, ..Hit::plain(check, 0, Severity::NoGo, line) }
}

/// Findings about the job as a whole.
pub(super) fn judge(log: &mut Log, path: &str, ending: &Ending, moves: u64) {
    if ending.last_was_motion && ending.last_motion_line == ending.lines && !ending.last_line_ended {
        log.raise(at_the_end(&crate::checks::truncated_job::CHECK, ending.lines), || {
            "the job ends in the middle of a motion line, without a newline: it looks cut off".to_owned()
        });
    } else if ending.last_was_motion && ending.heats_to_the_end {
        log.raise(at_the_end(&crate::checks::truncated_job::CHECK, ending.lines), || {
            "the job ends with a motion command while heaters are on: it looks cut off".to_owned()
        });
    }
    if moves == 0 {
        log.raise(Hit::plain(&crate::checks::no_moves::CHECK, 0, Severity::Hold, 0), || {
            "the job moves nothing".to_owned()
        });
    }
    if ending.bytes > CARD_FILE_LIMIT_BYTES {
        let hit = Hit {
            value: Some(ending.bytes as f64),
            limit: Some(CARD_FILE_LIMIT_BYTES as f64),
            unit: "bytes",
            ..Hit::plain(&crate::checks::file_too_large_for_card::CHECK, 0, Severity::Note, 0)
        };
        log.raise(hit, || format!("{} bytes are more than a FAT32 card holds in one file", ending.bytes));
    }
    if path != "-"
        && let Some(name) = Path::new(path).file_name()
        && let Some(why) = unfit_name(&name.to_string_lossy())
    {
        log.raise(Hit::plain(&crate::checks::name_unfit_for_card::CHECK, 0, Severity::Note, 0), || {
            format!("the file name {why}")
        });
    }
}

/// Why a FAT32 card cannot hold this name (Microsoft, FAT specification, long names; from memory).
fn unfit_name(name: &str) -> Option<String> {
    let name = name.strip_suffix(".gz").unwrap_or(name);
    let bad = name.chars().find(|c| c.is_control() || *c == char::REPLACEMENT_CHARACTER || "\"*/:<>?\\|".contains(*c));
    if let Some(bad) = bad {
        return Some(format!("has a character that a FAT32 card cannot hold: {}", bad.escape_default()));
    }
    if name.ends_with(['.', ' ']) {
        return Some("ends in a point or a blank, which a FAT32 card drops".to_owned());
    }
    let units = name.encode_utf16().count();
    (units > CARD_NAME_LIMIT).then(|| format!("has {units} characters, a FAT32 card holds {CARD_NAME_LIMIT}"))
}

/// What is known before the observers have told.
pub(super) fn draft(machine: &Machine, path: &str, ending: &Ending) -> Inspection {
    let job = JobFacts {
        path: path.to_owned(),
        bytes: ending.bytes,
        lines: ending.lines,
        commands: ending.commands,
        moves: 0,
        digest: ending.digest.clone(),
    };
    Inspection::draft(job, machine.facts())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_for_the_card() {
        assert_eq!(unfit_name("heron bracket-2.gcode.gz"), None);
        for name in ["a:b.gcode", "what?.gcode", "job. ", &"x".repeat(256)] {
            assert!(unfit_name(name).is_some(), "{name}");
        }
    }
}
