//! A job that was read and is kept, to be planned many times.

use std::borrow::Cow;
use std::collections::BTreeMap;
use std::sync::{Mutex, PoisonError};

use super::end::JobEnd;
use super::pipeline::{MachinePipeline, Scope};
use super::run::{Finished, WorkerBuffers};
use crate::block::{BlockInFlight, MANY_BLOCKS, Packed, PendingBlock};
use crate::findings::{Inspection, Log, Observer, Severity};
use crate::machine::{Machine, Override, Shapers};
use crate::modal::Dialect;
use crate::physics::{Physics, Ringing};
use crate::threads::Broken;
use crate::vectors::Vectors;

/// Blocks that are planned at a time.
const BLOCKS_AT_A_TIME: usize = 16;
/// Blocks that a plan begins with, where so many are to spare.
const BLOCKS_TO_BEGIN: usize = MANY_BLOCKS / 2;

/// The moves of a job, as one machine reads it, and what the reader found.
pub struct LoadedJob {
    path: String,
    dialect: Dialect,
    severities: BTreeMap<String, Override>,
    /// True when the job lifts the nozzle with G10.
    lifts: bool,
    ending: JobEnd,
    log: Log,
    blocks: Vec<Packed>,
    /// Blocks that plans have done with: making them anew takes longer than planning a small job.
    spare: Mutex<Vec<Box<BlockInFlight>>>,
    vectors: Vectors,
}

impl LoadedJob {
    pub(super) fn new(
        machine: &Machine,
        path: &str,
        read: Finished,
        lifts: bool,
        blocks: Vec<Packed>,
        vectors: Vectors,
    ) -> Self {
        Self {
            path: path.to_owned(),
            dialect: Dialect::of(machine),
            severities: machine.severities.clone(),
            lifts,
            ending: read.ending,
            log: read.log,
            blocks,
            spare: Mutex::default(),
            vectors,
        }
    }

    /// Path of the job as given.
    pub fn path(&self) -> &str {
        &self.path
    }

    /// `blake3:` and the hex digest of the plain bytes of the job.
    pub fn digest(&self) -> &str {
        &self.ending.facts.digest
    }

    /// Moves that are kept.
    pub fn moves(&self) -> usize {
        self.blocks.iter().map(Packed::len).sum()
    }

    /// True when `machine` reads the job in the same way: only then may it be judged on what was kept.
    pub fn suits(&self, machine: &Machine) -> bool {
        self.dialect.suits(&Dialect::of(machine), self.lifts) && self.severities == machine.severities
    }

    /// The report that a check gives, but without excerpts of what is found in the plan.
    ///
    /// # Panics
    /// When `machine` reads the job in another way, see [`Self::suits`].
    pub fn judge(&self, machine: &Machine) -> Inspection {
        self.judge_with(machine, Vec::new())
    }

    /// The same with observers that watch besides, see [`Preflight::watch`](super::Preflight::watch).
    ///
    /// # Panics
    /// Like [`Self::judge`].
    pub fn judge_with(&self, machine: &Machine, attached: Vec<Box<dyn Observer>>) -> Inspection {
        self.plan(machine, Scope::Whole, attached, |_| false).expect("nothing stops it")
    }

    /// What of the report depends on speeds and times: the time, and the findings of the checks that are [`timed`](crate::findings::Check::timed). `stop` is
    /// asked now and then whether what was found so far is enough; none then.
    ///
    /// # Panics
    /// Like [`Self::judge`].
    pub fn time(
        &self,
        machine: &Machine,
        stop: impl FnMut(&[(Cow<'static, str>, u64, Severity)]) -> bool,
    ) -> Option<Inspection> {
        self.plan(machine, Scope::Timed, Vec::new(), stop)
    }

    /// The time of the job, s, and how the structure rings behind each of these pairs of shapers, which change nothing about the
    /// motion that is planned: that is done once for all of them.
    ///
    /// # Panics
    /// Like [`Self::judge`].
    pub fn ringing(&self, machine: &Machine, shapers: &[Shapers]) -> (f64, Vec<Vec<Ringing>>) {
        let (scope, physics) = (Scope::Unjudged, Physics::of_motion(machine, shapers));
        let judges = scope.judges(machine, &self.path);
        let pipeline = MachinePipeline::with_physics(machine, physics, judges, self.vectors, scope, Vec::new());
        let found = self.carry(machine, &pipeline, scope, |_| false).expect("nothing stops it");
        let directions = machine.structure.directions().len();
        let behind = |at: usize| found.ringing[at * directions..][..directions].to_vec();
        (found.time_s.total(), (0..shapers.len()).map(behind).collect())
    }

    fn plan(
        &self,
        machine: &Machine,
        scope: Scope,
        attached: Vec<Box<dyn Observer>>,
        stop: impl FnMut(&[(Cow<'static, str>, u64, Severity)]) -> bool,
    ) -> Option<Inspection> {
        let judges = scope.judges(machine, &self.path);
        let pipeline = MachinePipeline::new(machine, judges, self.vectors, scope, attached);
        self.carry(machine, &pipeline, scope, stop)
    }

    fn carry(
        &self,
        machine: &Machine,
        pipeline: &MachinePipeline,
        scope: Scope,
        mut stop: impl FnMut(&[(Cow<'static, str>, u64, Severity)]) -> bool,
    ) -> Option<Inspection> {
        assert!(self.suits(machine), "the job was kept for a machine that reads it in another way");
        let (mut buffers, mut gathered) = (WorkerBuffers::default(), Vec::new());
        buffers.spare = self.spare();
        let mut carry = || -> Result<Option<Inspection>, Broken> {
            for (number, blocks) in (0..).zip(self.blocks.chunks(BLOCKS_AT_A_TIME)) {
                for packed in blocks {
                    let mut planned = buffers.spare.pop().unwrap_or_default();
                    packed.unpack(&mut planned);
                    gathered.push(PendingBlock::Whole(planned));
                }
                pipeline.carry(number, &mut gathered, None, &mut buffers)?;
                if stop(&pipeline.found()?) {
                    return Ok(None);
                }
            }
            let read = if scope == Scope::Whole { self.log.clone() } else { Log::default() };
            pipeline.report(machine, &self.ending, read).map(Some)
        };
        let planned = carry().unwrap_or_else(|Broken| unreachable!("nobody else works on this"));
        self.put_down(buffers.spare);
        planned
    }

    fn spare(&self) -> Vec<Box<BlockInFlight>> {
        let mut spare = self.spare.lock().unwrap_or_else(PoisonError::into_inner);
        let rest = spare.len().saturating_sub(BLOCKS_TO_BEGIN);
        spare.split_off(rest)
    }

    fn put_down(&self, blocks: Vec<Box<BlockInFlight>>) {
        let mut spare = self.spare.lock().unwrap_or_else(PoisonError::into_inner);
        spare.extend(blocks);
        spare.truncate(MANY_BLOCKS);
    }
}
