//! Wires text → modal → motion → physics → observers for one job; gives back one [`Inspection`].
//!
//! The stages are passed chunk by chunk, by any number of threads in turn (see [`crate::turns`]).

use std::fs::File;
use std::io::{self, BufReader, Read};
use std::path::Path;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};
use std::thread;

use flate2::read::MultiGzDecoder;

use crate::checks::{Built, CATALOGUE};
use crate::crew::{Crew, Help};
use crate::inspection::{Inspection, JobFacts, MachineFacts, Severity, Skipped, Verdict};
use crate::machine::{Machine, Override};
use crate::modal::Interpreter;
use crate::motion::{Gather, Planned, Planner};
use crate::observe::{ActionKind, BLOCK, Heater, Hit, Log, Observer};
use crate::physics::{OutOfReach, Physics};
use crate::text::straight::Rows;
use crate::text::{Chunk, History, LineReader, lines};
use crate::totals;
use crate::turns::{Broken, Turns, soon};
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
    /// Threads that work on the job, at least one.
    pub threads: usize,
}

impl Default for Sizes {
    fn default() -> Self {
        Self {
            chunk_bytes: lines::CHUNK_BYTES,
            block_moves: BLOCK,
            start_mm: [0.0; 3],
            vectors: Vectors::default(),
            threads: 1,
        }
    }
}

/// Judges the job at `path` (`-` is standard input; gz is recognised by its first bytes) with whoever of `crew` has
/// nothing else to do. `on_bytes` is told how many bytes of the file were read since the last call.
///
/// # Errors
/// When the job cannot be opened or read to its end.
pub fn inspect_path<'e>(
    path: &Path,
    machine: &Machine,
    on_bytes: &'e (dyn Fn(u64) + Sync),
    crew: &Crew<'e>,
) -> Result<Inspection, JobError> {
    let shown = path.to_string_lossy();
    let read = || -> io::Result<Inspection> {
        if shown == "-" {
            return inspect_packed(io::stdin(), "-", machine, on_bytes, crew);
        }
        if path.is_dir() {
            return Err(io::Error::new(io::ErrorKind::IsADirectory, "it is a folder"));
        }
        inspect_packed(File::open(path)?, &shown, machine, on_bytes, crew)
    };
    read().map_err(|source| JobError::Read { path: shown.to_string(), source })
}

/// Unpacks gz where the stream starts like it.
fn inspect_packed<'e>(
    mut source: impl Read + Send + 'e,
    path: &str,
    machine: &Machine,
    on_bytes: &'e (dyn Fn(u64) + Sync),
    crew: &Crew<'e>,
) -> io::Result<Inspection> {
    let mut start = Vec::with_capacity(2);
    source.by_ref().take(2).read_to_end(&mut start)?;
    on_bytes(start.len() as u64);
    let packed = start == [0x1f, 0x8b];
    let source = io::Cursor::new(start).chain(Counted { source, on_bytes });
    if packed {
        let source = BufReader::with_capacity(64 * 1024, source);
        inspect_together(MultiGzDecoder::new(source), path, machine, crew)
    } else {
        inspect_together(source, path, machine, crew)
    }
}

fn inspect_together<'e>(
    source: impl Read + Send + 'e,
    path: &str,
    machine: &Machine,
    crew: &Crew<'e>,
) -> io::Result<Inspection> {
    let run = Arc::new(Run::new(source, path, machine, &Sizes::default()));
    let _place = crew.call(run.clone());
    run.lead(machine, path)
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
pub fn inspect(source: impl Read + Send, path: &str, machine: &Machine, sizes: &Sizes) -> io::Result<Inspection> {
    let run = Run::new(source, path, machine, sizes);
    thread::scope(|scope| {
        for _ in 1..sizes.threads {
            scope.spawn(|| run.help());
        }
        run.lead(machine, path)
    })
}

/// Blocks of a chunk that fit a processor's own cache.
const BLOCKS_WANTED: usize = 12;
/// Chunks are not made smaller than that for it.
const LEAST_CHUNK_BYTES: usize = 4096;

/// One job on its way through the stages, which any number of threads may help along.
struct Run<R> {
    vectors: Vectors,
    chunk_bytes: usize,
    /// Bytes to ask for next: fewer where a chunk makes many blocks.
    appetite_bytes: AtomicUsize,
    reading: Mutex<Reading<R>>,
    modal: Turns<Modal>,
    motion: Turns<Planner>,
    physics: Turns<Clock>,
    totals: Turns<Watch>,
    checks: Turns<Watch>,
    checks_run: Vec<&'static str>,
    checks_skipped: Vec<Skipped>,
}

struct Reading<R> {
    lines: LineReader<R>,
    /// Number of the next chunk.
    next: u64,
    /// How it ended, once it has.
    end: Option<io::Result<()>>,
}

/// Words → gathered moves. Findings of the reader have a log of their own.
struct Modal {
    interpreter: Interpreter,
    gather: Gather,
    log: Log,
}

/// Physics, and what must be known to say what the times leave out.
struct Clock {
    physics: Physics,
    homed: bool,
    probed: bool,
}

/// Observers that watch the blocks, and their findings.
struct Watch {
    observers: Vec<Box<dyn Observer>>,
    log: Log,
    history: History,
}

/// What a thread carries from stage to stage.
#[derive(Default)]
struct Hands {
    chunk: Chunk,
    rows: Rows,
    blocks: Vec<Box<Planned>>,
    ready: Vec<Box<Planned>>,
    out_of_reach: Vec<OutOfReach>,
}

impl<R: Read + Send> Help for Run<R> {
    fn help(&self) {
        // Whoever leads finds out as well and says so.
        let _ = self.work();
    }
}

impl<R: Read + Send> Run<R> {
    fn new(source: R, path: &str, machine: &Machine, sizes: &Sizes) -> Self {
        let lines = LineReader::with_chunk_bytes(source, sizes.chunk_bytes);
        let modal = Modal {
            interpreter: Interpreter::new(machine).starting_at(sizes.start_mm),
            gather: Gather::with_block_moves(machine, sizes.block_moves),
            log: Log::new(&machine.severities),
        };
        let (mut checks, mut checks_run, mut checks_skipped) = (Vec::new(), Vec::new(), Vec::new());
        for check in CATALOGUE {
            let built = match machine.severities.get(check.id) {
                Some(Override::Off) => Built::Skipped("switched off in the sheet".to_owned()),
                _ if path == "-" && check.id == "name-unfit-for-card" => {
                    Built::Skipped("standard input has no file name".to_owned())
                }
                _ => (check.build)(machine),
            };
            match built {
                Built::Watching(observer) => checks.push(observer),
                Built::Reading => {}
                Built::Skipped(reason) => {
                    checks_skipped.push(Skipped { check: check.id, reason });
                    continue;
                }
            }
            checks_run.push(check.id);
        }
        Self {
            vectors: sizes.vectors,
            chunk_bytes: sizes.chunk_bytes,
            appetite_bytes: AtomicUsize::new(sizes.chunk_bytes.min(LEAST_CHUNK_BYTES)),
            reading: Mutex::new(Reading { lines, next: 0, end: None }),
            modal: Turns::new(modal),
            motion: Turns::new(Planner::with_vectors(machine, sizes.vectors)),
            physics: Turns::new(Clock { physics: Physics::new(machine), homed: false, probed: false }),
            totals: Turns::new(Watch::new(machine, totals::observers(machine))),
            checks: Turns::new(Watch::new(machine, checks)),
            checks_run,
            checks_skipped,
        }
    }

    /// Takes the next chunk of the job; none at its end.
    fn next(&self, chunk: &mut Chunk) -> Result<Option<u64>, Broken> {
        // Reading a chunk takes less time than lying down and getting up again.
        let mut free = None;
        soon(|| {
            free = self.reading.try_lock().ok();
            free.is_some() || self.reading.is_poisoned()
        });
        let mut reading = match free {
            Some(reading) => reading,
            None => self.reading.lock().map_err(|_| Broken)?,
        };
        if reading.end.is_some() {
            return Ok(None);
        }
        reading.lines.set_chunk_bytes(self.appetite_bytes.load(Ordering::Relaxed));
        match reading.lines.read(chunk) {
            Ok(true) => {
                reading.next += 1;
                Ok(Some(reading.next - 1))
            }
            end => {
                reading.end = Some(end.map(|_| ()));
                Ok(None)
            }
        }
    }

    /// Carries chunks through the stages until there are no more.
    fn work(&self) -> Result<(), Broken> {
        let mut hands = Hands::default();
        while let Some(number) = self.next(&mut hands.chunk)? {
            hands.rows.read(hands.chunk.bytes(), self.vectors);
            self.modal.pass(number, |modal| modal.read(&mut hands))?;
            self.adapt(hands.blocks.len());
            self.carry(number, &mut hands)?;
        }
        Ok(())
    }

    /// Keeps the blocks of a chunk few, so that they stay in the processor's cache: every action ends one. No number
    /// depends on where chunks end.
    fn adapt(&self, blocks: usize) {
        let least = self.chunk_bytes.min(LEAST_CHUNK_BYTES);
        let bytes = self.appetite_bytes.load(Ordering::Relaxed);
        if blocks > 2 * BLOCKS_WANTED {
            self.appetite_bytes.store((bytes / 2).max(least), Ordering::Relaxed);
        } else if blocks < BLOCKS_WANTED {
            self.appetite_bytes.store((bytes * 2).min(self.chunk_bytes), Ordering::Relaxed);
        }
    }

    /// Carries the gathered moves of a chunk through the stages behind the interpreter.
    fn carry(&self, number: u64, hands: &mut Hands) -> Result<(), Broken> {
        self.motion.pass(number, |planner| {
            for planned in hands.blocks.drain(..) {
                planner.block(planned, &mut |planned| hands.ready.push(planned));
            }
        })?;
        self.physics.pass(number, |clock| clock.annotate(hands))?;
        self.totals.pass(number, |watch| watch.blocks(&hands.ready))?;
        self.checks.pass(number, |watch| {
            watch.history_of(hands);
            watch.unreachable(&hands.out_of_reach);
            watch.blocks(&hands.ready);
            watch.capture();
        })
    }

    /// Carries chunks like everybody, waits for the others, and makes the report.
    fn lead(&self, machine: &Machine, path: &str) -> io::Result<Inspection> {
        self.finish(machine, path).unwrap_or_else(|Broken| panic!("a thread that helped with this job broke down"))
    }

    fn finish(&self, machine: &Machine, path: &str) -> Result<io::Result<Inspection>, Broken> {
        self.work()?;
        let (mut ending, number) = {
            let mut reading = self.reading.lock().map_err(|_| Broken)?;
            if let Some(Err(error)) = reading.end.replace(Ok(())) {
                return Ok(Err(error));
            }
            (Ending::of(&reading.lines), reading.next)
        };
        let mut hands = Hands::default();
        self.modal.pass(number, |modal| {
            modal.gather.finish(ending.lines);
            modal.gather.take(&mut hands.blocks);
            ending.commands = modal.interpreter.commands();
            ending.last_was_motion = modal.interpreter.last_was_motion();
            ending.last_motion_line = modal.interpreter.last_motion_line();
            ending.heats_to_the_end = modal.interpreter.heats_to_the_end();
        })?;
        self.carry(number, &mut hands)?;
        Ok(Ok(self.report(machine, path, &ending)?))
    }

    fn report(&self, machine: &Machine, path: &str, ending: &Ending) -> Result<Inspection, Broken> {
        let (mut modal, clock) = (self.modal.lock()?, self.physics.lock()?);
        let (mut totals, mut checks) = (self.totals.lock()?, self.checks.lock()?);
        let mut draft = draft(machine, path, ending);
        let mut log = std::mem::take(&mut modal.log);
        totals.finish(&mut draft);
        checks.finish(&mut draft);
        draft.heat.waits_modelled = !clock.physics.waited_without_law();
        judge_ending(&mut checks.log, path, ending, draft.job.moves);
        checks.capture();
        log.absorb(std::mem::take(&mut totals.log));
        log.absorb(std::mem::take(&mut checks.log));
        draft.left_out = clock.left_out(machine, draft.pauses, log.dropped);
        draft.findings = log.into_findings();
        draft.verdict = Verdict::of(&draft.findings);
        draft.checks_run.clone_from(&self.checks_run);
        draft.checks_skipped.clone_from(&self.checks_skipped);
        Ok(draft)
    }
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

impl Ending {
    fn of<R: Read>(reader: &LineReader<R>) -> Self {
        Self {
            bytes: reader.bytes_read(),
            lines: reader.lines_read(),
            commands: 0,
            last_line_ended: reader.last_line_ended(),
            last_was_motion: false,
            last_motion_line: 0,
            heats_to_the_end: false,
            digest: reader.digest(),
        }
    }
}

impl Modal {
    fn read(&mut self, hands: &mut Hands) {
        self.gather.recycle(&mut hands.ready);
        self.interpreter.chunk(&hands.chunk, &hands.rows, &mut self.log, &mut self.gather);
        self.log.capture(|line| hands.chunk.text_of(line));
        self.gather.take(&mut hands.blocks);
    }
}

impl Clock {
    fn annotate(&mut self, hands: &mut Hands) {
        for planned in &mut hands.ready {
            self.physics.annotate(planned);
            for action in &planned.block.actions {
                self.homed |= matches!(action.kind, ActionKind::Home { .. });
                self.probed |= matches!(action.kind, ActionKind::Probe);
            }
        }
        hands.out_of_reach = self.physics.take_out_of_reach();
    }

    fn left_out(&self, machine: &Machine, pauses: u64, dropped: u64) -> Vec<String> {
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
        if dropped > 0 {
            left_out.push(format!("{dropped} hits beyond the bound on kept findings"));
        }
        left_out
    }
}

impl Watch {
    fn new(machine: &Machine, observers: Vec<Box<dyn Observer>>) -> Self {
        let mut watch = Self { observers, log: Log::new(&machine.severities), history: History::default() };
        for observer in &mut watch.observers {
            observer.begin(&mut watch.log);
        }
        watch
    }

    fn blocks(&mut self, ready: &[Box<Planned>]) {
        for planned in ready {
            for observer in &mut self.observers {
                observer.observe(&planned.block, &mut self.log);
            }
        }
    }

    /// Keeps the chunk, so that lines can be shown; hands over an old one to be filled again.
    fn history_of(&mut self, hands: &mut Hands) {
        hands.chunk = self.history.push(std::mem::take(&mut hands.chunk));
    }

    fn capture(&mut self) {
        self.log.capture(|line| self.history.text_of(line));
    }

    fn unreachable(&mut self, waits: &[OutOfReach]) {
        for wait in waits {
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
    }

    fn finish(&mut self, draft: &mut Inspection) {
        for observer in &mut self.observers {
            observer.finish(draft, &mut self.log);
        }
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
