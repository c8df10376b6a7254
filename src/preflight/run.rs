//! One job on its way through the stages, which any number of threads may help along.

use std::io::{self, Read};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};

use super::announced;
use super::end::JobEnd;
use super::loaded::LoadedJob;
use super::pipeline::{MachinePipeline, Scope};
use super::{RunOptions, Target};
use crate::block::{BlockBuilder, BlockInFlight, MANY_BLOCKS, Packed, PendingBlock};
use crate::checks::Judges;
use crate::findings::{Inspection, Log};
use crate::machine::Machine;
use crate::modal::{Dialect, Interpreter, notice::Notice};
use crate::text::{Chunk, LineReader, straight::TokenColumns};
use crate::threads::{Broken, InOrderStage, SharedWork};
use crate::vectors::Vectors;

/// Blocks of a chunk that fit a processor's own cache: every action ends one.
const BLOCKS_WANTED: usize = 12;
/// Chunks start with that size, and are not made smaller.
const LEAST_CHUNK_BYTES: usize = 4096;
/// The blocks of a chunk decide on the size of the one that is so many chunks behind it. Sizes so depend on the job
/// alone, and not on the threads, of which no more than that are of use for one job.
const CHUNKS_IN_HAND: u64 = 8;

/// A job, the ways of reading it, and the machines it is judged on.
pub(super) struct Run<R> {
    vectors: Vectors,
    /// Most bytes of a chunk.
    chunk_bytes: usize,
    /// Sizes of the next chunks, by their number modulo [`CHUNKS_IN_HAND`].
    sizes: [AtomicUsize; CHUNKS_IN_HAND as usize],
    reading: Mutex<Reading<R>>,
    branches: Vec<Branch>,
}

struct Reading<R> {
    lines: LineReader<R>,
    /// Number of the next chunk.
    next: u64,
    /// How it ended, once it has.
    end: Option<io::Result<()>>,
}

/// A way of reading the job, and the machines that read it so: those are planned on what was read once.
struct Branch {
    modal: InOrderStage<ReadingStage>,
    /// Places of the machines in the list of them all, and what judges on them.
    pipelines: Vec<(usize, MachinePipeline)>,
}

/// Words → gathered moves. Findings of the reader have a log of their own.
struct ReadingStage {
    interpreter: Interpreter,
    gather: BlockBuilder,
    /// What turns notices of the reader into findings.
    judges: Vec<fn(&Notice, &mut Log)>,
    log: Log,
    /// The trial that the first line announces.
    trial: Option<announced::Kind>,
    /// All that was gathered, where it is wanted.
    keep: Option<Keep>,
}

/// What is kept of a job, up to [`KEPT_BYTES_MAX`].
#[derive(Default)]
struct Keep {
    blocks: Vec<Packed>,
    bytes: usize,
}

/// Most memory that one kept job may take, and those together that are kept at once.
const KEPT_BYTES_MAX: usize = 1 << 30;
/// What a byte of a job takes at most when it is kept: lines of three bytes are an action each in a block of its own.
const KEPT_PER_BYTE: u64 = 64;

/// How many of these jobs, of such sizes in bytes where they are known, may be kept at once.
pub fn kept_at_once(sizes: impl IntoIterator<Item = Option<u64>>) -> usize {
    let most = KEPT_BYTES_MAX as u64;
    let each = sizes.into_iter().map(|size| size.map_or(most, |bytes| bytes.saturating_mul(KEPT_PER_BYTE)));
    let largest = each.max().unwrap_or_default().clamp(1, most);
    usize::try_from(most / largest).unwrap_or(usize::MAX)
}

/// What a thread carries from stage to stage.
#[derive(Default)]
pub(super) struct WorkerBuffers {
    chunk: Option<Arc<Chunk>>,
    rows: TokenColumns,
    gathered: Vec<PendingBlock>,
    /// What a second plan needs of them.
    pub(super) twins: Vec<PendingBlock>,
    pub(super) ready: Vec<Box<BlockInFlight>>,
    /// Blocks to fill again.
    pub(super) spare: Vec<Box<BlockInFlight>>,
}

impl WorkerBuffers {
    /// Keeps a chunk that nobody else needs, to be filled again.
    pub(super) fn keep(&mut self, chunk: Option<Arc<Chunk>>) {
        self.chunk = chunk.filter(|chunk| Arc::strong_count(chunk) == 1).or(self.chunk.take());
    }

    /// BlockInFlight blocks have been through all stages.
    pub(super) fn put_down(&mut self) {
        self.spare.append(&mut self.ready);
        self.spare.truncate(MANY_BLOCKS);
    }
}

/// Ends the work of all threads when the one that carries a chunk panics, wherever it is.
struct Alarm<'r, R>(&'r Run<R>);

impl<R> Drop for Alarm<'_, R> {
    fn drop(&mut self) {
        if std::thread::panicking() {
            for branch in &self.0.branches {
                branch.modal.shut();
                branch.pipelines.iter().for_each(|(_, pipeline)| pipeline.shut());
            }
        }
    }
}

impl<R: Read + Send> SharedWork for Run<R> {
    fn help(&self) {
        // Whoever leads finds out as well and says so.
        let _ = self.work();
    }

    /// Each stage is passed by one thread at a time.
    fn places(&self) -> usize {
        CHUNKS_IN_HAND as usize - 1
    }
}

impl<R: Read + Send> Run<R> {
    pub(super) fn new(source: R, path: &str, targets: Vec<Target<'_>>, scope: Scope, options: &RunOptions) -> Self {
        let mut branches: Vec<(Dialect, &Machine, Branch)> = Vec::new();
        for (place, Target { machine, attached }) in targets.into_iter().enumerate() {
            let dialect = Dialect::of(machine);
            let mut judges = scope.judges(machine, path);
            let reading = std::mem::take(&mut judges.reading);
            let pipeline = (place, MachinePipeline::new(machine, judges, options.vectors, scope, attached));
            // Severities belong to the reading: its findings get theirs when they are raised.
            let alike = branches
                .iter_mut()
                .find(|(known, first, _)| *known == dialect && first.severities == machine.severities);
            match alike {
                Some((_, _, branch)) => branch.pipelines.push(pipeline),
                None => {
                    // What is read is judged whatever else is watched.
                    let reading = if scope == Scope::Whole { reading } else { judges_of_reading(machine) };
                    let modal = ReadingStage::new(machine, reading, options);
                    branches.push((
                        dialect,
                        machine,
                        Branch { modal: InOrderStage::new(modal), pipelines: vec![pipeline] },
                    ));
                }
            }
        }
        Self::over(source, branches.into_iter().map(|(_, _, branch)| branch).collect(), options)
    }

    /// Nothing is judged: what was gathered is kept.
    pub(super) fn keeping(source: R, machine: &Machine, options: &RunOptions) -> Self {
        let modal = ReadingStage {
            keep: Some(Keep::default()),
            ..ReadingStage::new(machine, judges_of_reading(machine), options)
        };
        Self::over(source, vec![Branch { modal: InOrderStage::new(modal), pipelines: Vec::new() }], options)
    }

    fn over(source: R, branches: Vec<Branch>, options: &RunOptions) -> Self {
        let lines = LineReader::with_chunk_bytes(source, options.chunk_bytes);
        Self {
            vectors: options.vectors,
            chunk_bytes: options.chunk_bytes,
            sizes: std::array::from_fn(|_| AtomicUsize::new(options.chunk_bytes.min(LEAST_CHUNK_BYTES))),
            reading: Mutex::new(Reading { lines, next: 0, end: None }),
            branches,
        }
    }

    /// Takes the next chunk of the job; none at its end.
    fn next(&self, chunk: &mut Chunk) -> Result<Option<u64>, Broken> {
        let mut reading = self.reading.lock().map_err(|_| Broken)?;
        if reading.end.is_some() {
            return Ok(None);
        }
        if let (Some(judged), Some(branch)) = (reading.next.checked_sub(CHUNKS_IN_HAND), self.branches.first()) {
            branch.modal.wait_until_passed(judged)?;
        }
        let bytes = self.size(reading.next).load(Ordering::Acquire);
        reading.lines.set_chunk_bytes(bytes);
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

    fn size(&self, number: u64) -> &AtomicUsize {
        &self.sizes[(number % CHUNKS_IN_HAND) as usize]
    }

    /// Decides on the size of a later chunk. No number depends on where chunks end.
    fn adapt(&self, number: u64, blocks: usize) {
        let least = self.chunk_bytes.min(LEAST_CHUNK_BYTES);
        let bytes = self.size(number).load(Ordering::Relaxed);
        let bytes = if blocks > 2 * BLOCKS_WANTED {
            (bytes / 2).max(least)
        } else if blocks < BLOCKS_WANTED {
            (bytes * 2).min(self.chunk_bytes)
        } else {
            bytes
        };
        self.size(number).store(bytes, Ordering::Release);
    }

    /// Carries chunks through the stages until there are no more; what it carried them in.
    fn work(&self) -> Result<WorkerBuffers, Broken> {
        let _alarm = Alarm(self);
        let mut buffers = WorkerBuffers::default();
        loop {
            let mut chunk = buffers.chunk.take().and_then(Arc::into_inner).unwrap_or_default();
            let Some(number) = self.next(&mut chunk)? else { return Ok(buffers) };
            buffers.rows.read(chunk.bytes(), self.vectors);
            let chunk = Arc::new(chunk);
            for (k, branch) in self.branches.iter().enumerate() {
                branch.modal.pass(number, |modal| {
                    let blocks = modal.read(&chunk, &mut buffers);
                    if k == 0 {
                        self.adapt(number, blocks);
                    }
                })?;
                branch.carry(number, Some(&chunk), &mut buffers)?;
            }
            buffers.keep(Some(chunk));
        }
    }

    /// Carries chunks like everybody, waits for the others, and makes the reports, one for each machine.
    pub(super) fn lead(&self, machines: &[&Machine], path: &str) -> Result<Vec<Inspection>, Fault> {
        settled(self.finish(path, |branch, read, buffers, reports| {
            branch.carry(read.number, None, buffers)?;
            for (place, pipeline) in &branch.pipelines {
                let report = pipeline.report(machines[*place], &read.ending, read.log.clone())?;
                reports.push((*place, pipeline.too_long_line()?, report));
            }
            Ok(())
        }))
        .and_then(|mut reports| {
            reports.sort_by_key(|(place, ..)| *place);
            let settled = |(_, line, report)| match line {
                None => Ok(report),
                Some(line) => Err(Fault::TooLong { line }),
            };
            reports.into_iter().map(settled).collect()
        })
    }

    /// Reads chunks like everybody, waits for the others, and gives what was kept.
    pub(super) fn keep(&self, machine: &Machine, path: &str) -> Result<LoadedJob, Fault> {
        let kept = settled(self.finish(path, |branch, read, _, kept| {
            let mut modal = branch.modal.lock()?;
            let keep = modal.keep.take().unwrap_or_default();
            if keep.bytes <= KEPT_BYTES_MAX {
                let lifts = modal.interpreter.lifted();
                kept.push(LoadedJob::new(machine, path, read, lifts, keep.blocks, self.vectors));
            }
            Ok(())
        }))?;
        let most = KEPT_BYTES_MAX >> 20;
        let too_large = || {
            Fault::Source(io::Error::other(format!("it takes more than {most} MiB to keep its moves for many plans")))
        };
        kept.into_iter().next().ok_or_else(too_large)
    }

    /// Carries chunks, waits for the others, and does the rest for each branch.
    fn finish<T>(
        &self,
        path: &str,
        with: impl Fn(&Branch, Finished, &mut WorkerBuffers, &mut Vec<T>) -> Result<(), Broken>,
    ) -> Result<io::Result<Vec<T>>, Broken> {
        let mut buffers = self.work()?;
        let (ending, number) = {
            let mut reading = self.reading.lock().map_err(|_| Broken)?;
            if let Some(Err(error)) = reading.end.replace(Ok(())) {
                return Ok(Err(error));
            }
            (JobEnd::of(&reading.lines, path), reading.next)
        };
        let mut results = Vec::new();
        for branch in &self.branches {
            let read = branch.modal.pass(number, |modal| modal.finish(&ending, number, &mut buffers))?;
            with(branch, read, &mut buffers, &mut results)?;
        }
        Ok(Ok(results))
    }
}

/// What a branch knows at the end of the job.
pub(super) struct Finished {
    pub(super) ending: JobEnd,
    pub(super) log: Log,
    /// Of the last turn.
    number: u64,
}

/// Why a run has no result.
pub(super) enum Fault {
    /// What the source of the job said.
    Source(io::Error),
    /// A thread panicked.
    BrokeDown,
    /// A move, a wait or the job itself takes longer than is followed.
    TooLong {
        /// From there on.
        line: u64,
    },
    /// What was read is no job, and why.
    NotAJob(String),
}

fn settled<T>(result: Result<io::Result<T>, Broken>) -> Result<T, Fault> {
    result.map_err(|Broken| Fault::BrokeDown)?.map_err(Fault::Source)
}

impl Branch {
    /// Carries what was gathered through all pipelines.
    fn carry(&self, number: u64, chunk: Option<&Arc<Chunk>>, buffers: &mut WorkerBuffers) -> Result<(), Broken> {
        let mut gathered = std::mem::take(&mut buffers.gathered);
        let mut copies = Vec::new();
        if let Some(((_, last), others)) = self.pipelines.split_last() {
            for (_, pipeline) in others {
                copies.extend(gathered.iter().map(PendingBlock::twin));
                pipeline.carry(number, &mut copies, chunk, buffers)?;
            }
            last.carry(number, &mut gathered, chunk, buffers)?;
        }
        gathered.clear();
        buffers.gathered = gathered;
        Ok(())
    }
}

/// What turns notices of the reader into findings; none of it asks for the path of the job.
fn judges_of_reading(machine: &Machine) -> Vec<fn(&Notice, &mut Log)> {
    Judges::build(machine, "-", |_| true).reading
}

impl ReadingStage {
    fn new(machine: &Machine, judges: Vec<fn(&Notice, &mut Log)>, options: &RunOptions) -> Self {
        Self {
            interpreter: match options.start_mm {
                Some(place_mm) => Interpreter::new(machine).starting_at(place_mm),
                None => Interpreter::new(machine),
            },
            gather: BlockBuilder::with_block_moves(options.block_moves),
            judges,
            log: Log::new(&machine.severities),
            trial: None,
            keep: None,
        }
    }

    /// Reads a chunk; how many blocks it made.
    fn read(&mut self, chunk: &Chunk, buffers: &mut WorkerBuffers) -> usize {
        if let Some(first) = chunk.text_of(1) {
            self.trial = announced::announced(&first);
        }
        self.gather.supply(&mut buffers.spare);
        self.interpreter.chunk(chunk, &buffers.rows, &mut self.gather);
        for notice in self.interpreter.notices() {
            self.judges.iter().for_each(|judge| judge(&notice, &mut self.log));
        }
        self.log.capture(|line| chunk.text_of(line));
        self.take(buffers)
    }

    fn take(&mut self, buffers: &mut WorkerBuffers) -> usize {
        self.gather.take(&mut buffers.gathered, &mut buffers.spare);
        let count = buffers.gathered.len();
        if let Some(keep) = &mut self.keep {
            for gathered in buffers.gathered.drain(..) {
                let packed = gathered.packed(&mut buffers.spare);
                keep.bytes += packed.bytes();
                keep.blocks.push(packed);
            }
            if keep.bytes > KEPT_BYTES_MAX {
                keep.blocks = Vec::new();
            }
        }
        count
    }

    fn finish(&mut self, ending: &JobEnd, number: u64, buffers: &mut WorkerBuffers) -> Finished {
        self.gather.finish(ending.facts.lines);
        self.take(buffers);
        Finished { ending: ending.told_by(&self.interpreter, self.trial), log: std::mem::take(&mut self.log), number }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn large_jobs_are_kept_one_by_one() {
        assert_eq!(kept_at_once([]), KEPT_BYTES_MAX);
        assert_eq!(kept_at_once([Some(1 << 20), Some(100)]), 16);
        assert_eq!(kept_at_once([Some(100), Some(1 << 40)]), 1);
        assert_eq!(kept_at_once([Some(100), None]), 1);
    }

    /// The bound of what a byte of a job takes, on the lines that take most.
    #[test]
    fn no_line_takes_more_than_the_bound() {
        for line in ["T0\n", "G1X1\nT0\n", "G4\n", "G2I1\n", "M106\nT0\n", "M204S9\nG1X2\n"] {
            let job = line.repeat(30_000);
            let machine = Machine::built_in();
            let options = RunOptions { chunk_bytes: 4096, ..RunOptions::default() };
            let run = Run::keeping(job.as_bytes(), &machine, &options);
            let bytes = run.finish("job", |branch, _, _, bytes| {
                bytes.push(branch.modal.lock()?.keep.as_ref().map_or(0, |keep| keep.bytes));
                Ok(())
            });
            let Ok(Ok(bytes)) = bytes else { panic!("memory can be read") };
            assert!(bytes[0] > 0 && bytes[0] as u64 <= KEPT_PER_BYTE * job.len() as u64, "{line:?}: {bytes:?}");
        }
    }
}
