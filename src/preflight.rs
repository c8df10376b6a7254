//! Wires text → modal → motion → physics → observers for one job; gives back one [`Inspection`].

use std::fs::File;
use std::io::{self, BufReader, Read};
use std::path::Path;

use flate2::read::MultiGzDecoder;

use crate::checks::{Built, CATALOGUE};
use crate::inspection::{Inspection, JobFacts, MachineFacts, Severity, Skipped, Verdict};
use crate::machine::{Machine, Override};
use crate::modal::Interpreter;
use crate::motion::{Gather, Planned, Planner};
use crate::observe::{ActionKind, BLOCK, Heater, Hit, Log, Observer};
use crate::physics::Physics;
use crate::text::straight::Rows;
use crate::text::{Chunk, History, LineReader, lines};
use crate::totals;
use crate::vectors::Vectors;

/// Why a job could not be judged at all.
#[derive(Debug, thiserror::Error)]
pub enum JobError {
    /// It could not be opened or read.
    #[error("cannot read {path}: {source}")]
    Read {
        /// Path as given.
        path: String,
        /// What the system said.
        source: io::Error,
    },
}

/// Sizes that no result depends on; tests change them.
#[derive(Debug, Clone, Copy)]
pub struct Sizes {
    /// Bytes asked of the source at a time.
    pub chunk_bytes: usize,
    /// Most moves in a block.
    pub block_moves: usize,
    /// Machine position at the start of the job, mm.
    pub start_mm: [f64; 3],
    /// Which vectors of the processor are used.
    pub vectors: Vectors,
}

impl Default for Sizes {
    fn default() -> Self {
        Self { chunk_bytes: lines::CHUNK_BYTES, block_moves: BLOCK, start_mm: [0.0; 3], vectors: Vectors::default() }
    }
}

/// Judges the job at `path` (`-` is standard input; gz is recognised by its first bytes).
/// `on_bytes` is told how many bytes of the file were read since the last call.
///
/// # Errors
/// When the job cannot be opened or read to its end.
pub fn inspect_path(path: &Path, machine: &Machine, on_bytes: &(dyn Fn(u64) + Sync)) -> Result<Inspection, JobError> {
    let shown = path.to_string_lossy();
    let read = || -> io::Result<Inspection> {
        if shown == "-" {
            return inspect_packed(io::stdin().lock(), "-", machine, on_bytes);
        }
        if path.is_dir() {
            return Err(io::Error::new(io::ErrorKind::IsADirectory, "it is a folder"));
        }
        inspect_packed(File::open(path)?, &shown, machine, on_bytes)
    };
    read().map_err(|source| JobError::Read { path: shown.to_string(), source })
}

/// Unpacks gz where the stream starts like it.
fn inspect_packed(
    mut source: impl Read,
    path: &str,
    machine: &Machine,
    on_bytes: &(dyn Fn(u64) + Sync),
) -> io::Result<Inspection> {
    let mut start = Vec::with_capacity(2);
    source.by_ref().take(2).read_to_end(&mut start)?;
    on_bytes(start.len() as u64);
    let packed = start == [0x1f, 0x8b];
    let source = io::Cursor::new(start).chain(Counted { source, on_bytes });
    if packed {
        let source = BufReader::with_capacity(64 * 1024, source);
        inspect(MultiGzDecoder::new(source), path, machine, &Sizes::default())
    } else {
        inspect(source, path, machine, &Sizes::default())
    }
}

/// Reports how many bytes pass.
struct Counted<'f, R> {
    source: R,
    on_bytes: &'f (dyn Fn(u64) + Sync),
}

impl<R: Read> Read for Counted<'_, R> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let count = self.source.read(buffer)?;
        (self.on_bytes)(count as u64);
        Ok(count)
    }
}

/// Judges a job from any stream of plain bytes. `path` is only shown.
///
/// # Errors
/// What the stream says.
pub fn inspect(source: impl Read, path: &str, machine: &Machine, sizes: &Sizes) -> io::Result<Inspection> {
    let mut reader = LineReader::with_chunk_bytes(source, sizes.chunk_bytes);
    let mut interpreter = Interpreter::new(machine).starting_at(sizes.start_mm);
    let mut gather = Gather::with_block_moves(machine, sizes.block_moves);
    let mut planner = Planner::with_vectors(machine, sizes.vectors);
    let (mut blocks, mut spare) = (Vec::new(), Vec::new());
    let mut watch = Watch::new(machine, path);
    // Findings of the reader have a log of their own: it is busy reading while blocks are being watched.
    let mut reading = Log::new(&machine.severities);
    let (mut rows, mut chunk, mut history) = (Rows::default(), Chunk::default(), History::default());
    while reader.read(&mut chunk)? {
        rows.read(chunk.bytes(), sizes.vectors);
        interpreter.chunk(&chunk, &rows, &mut reading, &mut gather);
        reading.capture(|line| chunk.text_of(line));
        chunk = history.push(chunk);
        gather.take(&mut blocks);
        for planned in blocks.drain(..) {
            planner.block(planned, &mut |mut planned| {
                watch.block(&mut planned);
                spare.push(planned);
            });
        }
        gather.recycle(&mut spare);
        watch.log.capture(|line| history.text_of(line));
    }
    gather.finish(reader.lines_read());
    gather.take(&mut blocks);
    for planned in blocks.drain(..) {
        planner.block(planned, &mut |mut planned| watch.block(&mut planned));
    }
    let ending = Ending {
        bytes: reader.bytes_read(),
        lines: reader.lines_read(),
        commands: interpreter.commands(),
        last_line_ended: reader.last_line_ended(),
        last_was_motion: interpreter.last_was_motion(),
        last_motion_line: interpreter.last_motion_line(),
        heats_to_the_end: interpreter.heats_to_the_end(),
        digest: reader.digest(),
    };
    watch.log.absorb(reading);
    Ok(watch.finish(machine, path, ending, |line| history.text_of(line)))
}

/// What is known of the stream at its end.
struct Ending {
    bytes: u64,
    lines: u64,
    commands: u64,
    last_line_ended: bool,
    last_was_motion: bool,
    last_motion_line: u64,
    heats_to_the_end: bool,
    digest: String,
}

/// Physics, observers and log of one job.
struct Watch {
    physics: Physics,
    observers: Vec<Box<dyn Observer>>,
    log: Log,
    checks_run: Vec<&'static str>,
    checks_skipped: Vec<Skipped>,
    homed: bool,
    probed: bool,
}

impl Watch {
    fn new(machine: &Machine, path: &str) -> Self {
        let mut watch = Self {
            physics: Physics::new(machine),
            observers: totals::observers(machine),
            log: Log::new(&machine.severities),
            checks_run: Vec::new(),
            checks_skipped: Vec::new(),
            homed: false,
            probed: false,
        };
        for check in CATALOGUE {
            let built = match machine.severities.get(check.id) {
                Some(Override::Off) => Built::Skipped("switched off in the sheet".to_owned()),
                _ if path == "-" && check.id == "name-unfit-for-card" => {
                    Built::Skipped("standard input has no file name".to_owned())
                }
                _ => (check.build)(machine),
            };
            match built {
                Built::Watching(observer) => watch.observers.push(observer),
                Built::Reading => {}
                Built::Skipped(reason) => {
                    watch.checks_skipped.push(Skipped { check: check.id, reason });
                    continue;
                }
            }
            watch.checks_run.push(check.id);
        }
        for observer in &mut watch.observers {
            observer.begin(&mut watch.log);
        }
        watch
    }

    fn block(&mut self, planned: &mut Planned) {
        self.physics.annotate(planned);
        for wait in self.physics.take_out_of_reach() {
            let what = match wait.heater {
                Heater::Nozzle(tool) => format!("nozzle of T{tool}"),
                Heater::Bed => "bed".to_owned(),
                Heater::Chamber => "chamber".to_owned(),
            };
            let hit = Hit {
                value: Some(wait.target_c),
                badness: (wait.target_c - wait.reach_c).abs(),
                limit: Some(wait.reach_c),
                unit: "°C",
                ..Hit::plain("target-out-of-reach", 0, Severity::Hold, wait.line)
            };
            self.log.raise(hit, || {
                format!(
                    "the job waits until the {what} is at {} °C, but by the sheet's heating law it only tends to {} °C",
                    wait.target_c, wait.reach_c
                )
            });
        }
        for action in &planned.block.actions {
            self.homed |= matches!(action.kind, ActionKind::Home { .. });
            self.probed |= matches!(action.kind, ActionKind::Probe);
        }
        for observer in &mut self.observers {
            observer.observe(&planned.block, &mut self.log);
        }
    }

    fn finish(
        mut self,
        machine: &Machine,
        path: &str,
        ending: Ending,
        text_of: impl FnMut(u64) -> Option<String>,
    ) -> Inspection {
        let mut draft = draft(machine, path, &ending);
        for observer in &mut self.observers {
            observer.finish(&mut draft, &mut self.log);
        }
        draft.heat.waits_modelled = !self.physics.waited_without_law();
        judge_ending(&mut self.log, path, &ending, draft.job.moves);
        self.log.capture(text_of);
        draft.left_out = self.left_out(machine, draft.pauses);
        draft.findings = self.log.into_findings();
        draft.verdict = Verdict::of(&draft.findings);
        draft.checks_run = self.checks_run;
        draft.checks_skipped = self.checks_skipped;
        draft
    }

    fn left_out(&self, machine: &Machine, pauses: u64) -> Vec<String> {
        let mut left_out = Vec::new();
        if self.physics.waited_without_law() {
            left_out.push("waits for heaters count 0 s: the sheet gives no `heating` for some heater".to_owned());
        }
        if self.homed && machine.controller.homing_s.is_none() {
            left_out.push("homing counts 0 s: the sheet gives no `controller.homing_s`".to_owned());
        }
        if self.probed && machine.controller.probing_s.is_none() {
            left_out.push("probing counts 0 s: the sheet gives no `controller.probing_s`".to_owned());
        }
        if pauses > 0 {
            left_out.push(format!("{pauses} pause(s) that wait for a person count 0 s"));
        }
        if self.log.dropped > 0 {
            left_out.push(format!("{} hits beyond the bound on kept findings", self.log.dropped));
        }
        left_out
    }
}

/// Largest file on a FAT32 card, bytes: 2³² − 1 by the format; one vendor page says 2³² − 2, which is on the safe side.
const CARD_FILE_LIMIT_BYTES: u64 = u32::MAX as u64 - 1;
/// Longest name on a FAT32 card, UTF-16 units.
const CARD_NAME_LIMIT: usize = 255;

/// Findings about the job as a whole.
fn judge_ending(log: &mut Log, path: &str, ending: &Ending, moves: u64) {
    if ending.last_was_motion && ending.last_motion_line == ending.lines && !ending.last_line_ended {
        log.raise(Hit::plain("truncated-job", 0, Severity::NoGo, ending.lines), || {
            "the job ends in the middle of a motion line, without a newline: it looks cut off".to_owned()
        });
    } else if ending.last_was_motion && ending.heats_to_the_end {
        log.raise(Hit::plain("truncated-job", 0, Severity::NoGo, ending.lines), || {
            "the job ends with a motion command while heaters are on: it looks cut off".to_owned()
        });
    }
    if moves == 0 {
        log.raise(Hit::plain("no-moves", 0, Severity::Hold, 0), || "the job moves nothing".to_owned());
    }
    if ending.bytes > CARD_FILE_LIMIT_BYTES {
        let hit = Hit {
            value: Some(ending.bytes as f64),
            limit: Some(CARD_FILE_LIMIT_BYTES as f64),
            unit: "bytes",
            ..Hit::plain("file-too-large-for-card", 0, Severity::Note, 0)
        };
        log.raise(hit, || format!("{} bytes are more than a FAT32 card holds in one file", ending.bytes));
    }
    if path != "-"
        && let Some(name) = Path::new(path).file_name()
        && let Some(why) = unfit_name(&name.to_string_lossy())
    {
        log.raise(Hit::plain("name-unfit-for-card", 0, Severity::Note, 0), || format!("the file name {why}"));
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
fn draft(machine: &Machine, path: &str, ending: &Ending) -> Inspection {
    let job = JobFacts {
        path: path.to_owned(),
        bytes: ending.bytes,
        lines: ending.lines,
        commands: ending.commands,
        moves: 0,
        digest: ending.digest.clone(),
    };
    let machine = MachineFacts {
        name: machine.name.clone(),
        source: machine.source.clone(),
        digest: machine.digest.clone(),
        built_in: machine.built_in,
    };
    Inspection::draft(job, machine)
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
