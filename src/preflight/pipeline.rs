//! What is behind the reading of a job, for one machine: planner, physics, totals and checks.

use std::borrow::Cow;
use std::sync::Arc;

use super::announced;
use super::end::JobEnd;
use super::run::WorkerBuffers;
use crate::block::{ActionKind, BlockInFlight, MANY_BLOCKS, PendingBlock};
use crate::checks::Judges;
use crate::findings::{self, Inspection, Log, Observer, Severity, Skipped, StreamFacts, Verdict};
use crate::machine::Machine;
use crate::motion::Planner;
use crate::physics::{Physics, standing, wall_clock::WallClock};
use crate::text::{Chunk, History};
use crate::threads::{Broken, InOrderStage};
use crate::totals;
use crate::vectors::Vectors;
use crate::wording::{counted, figure};

/// Blocks that are carried from stage to stage at a time, so that they stay in the processor's cache.
const BLOCKS_AT_A_TIME: usize = 32;

/// What is watched.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Scope {
    /// Everything.
    Whole,
    /// What depends on speeds and times: the time, and the checks that are timed.
    Timed,
    /// The time alone, for guests that look at a job once more.
    Unjudged,
}

/// The stages behind the reader.
pub(super) struct MachinePipeline {
    motion: InOrderStage<Planner>,
    /// The same moves under the sheet's own limits, where the job changes those; none where nobody asks.
    beside: Option<InOrderStage<Beside>>,
    physics: InOrderStage<Clock>,
    totals: InOrderStage<Watch>,
    checks: InOrderStage<Checks>,
    /// Whoever watches besides; none where nobody does.
    attached: Option<InOrderStage<Watch>>,
    /// What judges the job as a whole.
    at_the_end: Vec<fn(&StreamFacts, &Machine, &mut Log)>,
    checks_run: Vec<Cow<'static, str>>,
    checks_skipped: Vec<Skipped>,
}

/// A second plan, from where the job first departs from the sheet's limits on: only its time is wanted.
#[derive(Default)]
struct Beside {
    planner: Option<Planner>,
    ready: Vec<Box<BlockInFlight>>,
    spare: Vec<Box<BlockInFlight>>,
}

/// Physics, and what must be known to say what the times leave out.
struct Clock {
    physics: Physics,
    homed: bool,
    probed: bool,
    tool_changes: u64,
    unfollowed: bool,
    attended: announced::Attended,
}

/// Observers that watch the blocks, and their findings.
struct Watch {
    observers: Vec<Box<dyn Observer>>,
    log: Log,
    /// Where the machine is, mm; none before its first move or homing.
    at: Option<[f64; 3]>,
}

/// The checks, and the lines they may want to show.
struct Checks {
    watch: Watch,
    history: History,
}

impl Scope {
    /// The checks of the job at `path`.
    pub(super) fn judges(self, machine: &Machine, path: &str) -> Judges {
        Judges::build(machine, path, |check| match self {
            Self::Whole => true,
            Self::Timed => check.timed,
            Self::Unjudged => false,
        })
    }
}

impl MachinePipeline {
    pub(super) fn new(
        machine: &Machine,
        judges: Judges,
        vectors: Vectors,
        scope: Scope,
        attached: Vec<Box<dyn Observer>>,
    ) -> Self {
        Self::with_physics(machine, Physics::new(machine), judges, vectors, scope, attached)
    }

    pub(super) fn with_physics(
        machine: &Machine,
        physics: Physics,
        judges: Judges,
        vectors: Vectors,
        scope: Scope,
        attached: Vec<Box<dyn Observer>>,
    ) -> Self {
        let totals = match scope {
            Scope::Whole => totals::observers(machine),
            Scope::Timed | Scope::Unjudged => totals::time_only(machine),
        };
        let checks = Checks { watch: Watch::new(machine, judges.watching), history: History::default() };
        let costs_asked = scope == Scope::Whole && machine.controller.obeys_limits_in_job;
        Self {
            motion: InOrderStage::new(Planner::with_vectors(machine, vectors)),
            beside: costs_asked.then(|| InOrderStage::new(Beside::default())),
            physics: InOrderStage::new(Clock {
                physics,
                homed: false,
                probed: false,
                tool_changes: 0,
                unfollowed: false,
                attended: announced::Attended::default(),
            }),
            totals: InOrderStage::new(Watch::new(machine, totals)),
            checks: InOrderStage::new(checks),
            attached: (!attached.is_empty()).then(|| InOrderStage::new(Watch::new(machine, attached))),
            at_the_end: judges.at_the_end,
            checks_run: judges.run.into_iter().map(Cow::Borrowed).collect(),
            checks_skipped: judges.skipped,
        }
    }

    /// Carries what was gathered of a chunk through the stages. The chunk itself is kept, so that lines can be shown.
    pub(super) fn carry(
        &self,
        number: u64,
        gathered: &mut Vec<PendingBlock>,
        chunk: Option<&Arc<Chunk>>,
        buffers: &mut WorkerBuffers,
    ) -> Result<(), Broken> {
        let mut chunk = chunk;
        let mut branch = None;
        self.motion.pass(number, |planner| {
            for gathered in gathered.drain(..) {
                if self.beside.is_some() {
                    // Only where there is one: a planner is large.
                    if let Some(branched) = planner.branch(&gathered) {
                        branch = Some(branched);
                    }
                    if planner.has_branched() {
                        buffers.twins.push(gathered.twin());
                    }
                }
                planner.take(gathered, &mut buffers.spare);
                // Where there are many blocks, the first ones are carried on from here.
                while planner.release(&mut buffers.ready, BLOCKS_AT_A_TIME, &mut buffers.spare) {
                    self.behind::<false>(number, chunk.take(), buffers)?;
                }
            }
            Ok(())
        })??;
        self.behind::<true>(number, chunk, buffers)?;
        match &self.beside {
            Some(beside) => beside.pass(number, |beside| beside.plan(branch, &mut buffers.twins)),
            None => Ok(()),
        }
    }

    /// Carries planned blocks through the stages behind the planner.
    fn behind<const LAST: bool>(
        &self,
        number: u64,
        chunk: Option<&Arc<Chunk>>,
        buffers: &mut WorkerBuffers,
    ) -> Result<(), Broken> {
        turn::<LAST, _, _>(&self.physics, number, |clock| clock.annotate(&mut buffers.ready))?;
        turn::<LAST, _, _>(&self.totals, number, |watch| watch.blocks(&buffers.ready))?;
        turn::<LAST, _, _>(&self.checks, number, |checks| {
            if let Some(chunk) = chunk {
                buffers.keep(checks.history.push(chunk.clone()));
            }
            checks.watch.blocks(&buffers.ready);
            checks.watch.log.capture(|line| checks.history.text_of(line));
        })?;
        if let Some(attached) = &self.attached {
            turn::<LAST, _, _>(attached, number, |watch| watch.blocks(&buffers.ready))?;
        }
        buffers.put_down();
        Ok(())
    }

    /// The line on which the job got too long to be followed.
    pub(super) fn too_long_line(&self) -> Result<Option<u64>, Broken> {
        Ok(self.physics.lock()?.physics.too_long_line())
    }

    /// The report, once everything has passed. `read` are the findings of the reader.
    pub(super) fn report(&self, machine: &Machine, ending: &JobEnd, mut read: Log) -> Result<Inspection, Broken> {
        let clock = self.physics.lock()?;
        let (mut totals, mut checks) = (self.totals.lock()?, self.checks.lock()?);
        let Checks { watch: checks, history } = &mut *checks;
        let mut draft = ending.draft(machine);
        draft.ringing = clock.physics.ringing();
        totals.finish(&mut draft);
        checks.finish(&mut draft);
        draft.heat.waits_modelled = !clock.physics.waited_without_law();
        draft.wall_time = WallClock::learned(machine).and_then(|clock| clock.time(&draft.parts()));
        let facts = StreamFacts {
            moves: draft.job.moves,
            time_s: draft.time_s.total(),
            limits_cost_s: self.limits_cost_s()?,
            ..ending.facts.clone()
        };
        self.at_the_end.iter().for_each(|judge| judge(&facts, machine, &mut checks.log));
        checks.log.capture(|line| history.text_of(line));
        read.absorb(std::mem::take(&mut totals.log));
        read.absorb(std::mem::take(&mut checks.log));
        let left_out = clock.left_out(machine, draft.pauses, read.dropped);
        draft.left_out.extend(left_out);
        draft.findings = read.into_findings();
        let trial = ending.trial.filter(|_| clock.attended.waited);
        let lowered = trial.and_then(|kind| announced::lower(kind, &mut draft.findings, &machine.severities));
        if lowered.is_some() {
            findings::sort(&mut draft.findings);
        }
        draft.left_out.extend(lowered);
        draft.verdict = Verdict::of(&draft.findings);
        draft.checks_run.clone_from(&self.checks_run);
        draft.checks_skipped.clone_from(&self.checks_skipped);
        if let Some(attached) = &self.attached {
            attached.lock()?.finish(&mut draft);
        }
        Ok(draft)
    }

    /// How much longer the job takes than under the sheet's own limits, s.
    fn limits_cost_s(&self) -> Result<f64, Broken> {
        let Some(beside) = &self.beside else { return Ok(0.0) };
        let own_s = beside.lock()?.planner.as_ref().map_or(0.0, Planner::since_branch_s);
        Ok(self.motion.lock()?.since_branch_s() - own_s)
    }

    /// What was found so far: checks and severities.
    pub(super) fn found(&self) -> Result<Vec<(Cow<'static, str>, u64, Severity)>, Broken> {
        Ok(self.checks.lock()?.watch.log.kinds().collect())
    }

    /// Lets nobody in any more: a chunk was lost.
    pub(super) fn shut(&self) {
        self.motion.shut();
        self.beside.iter().for_each(InOrderStage::shut);
        self.physics.shut();
        self.totals.shut();
        self.checks.shut();
        self.attached.iter().for_each(InOrderStage::shut);
    }
}

/// The turn of a chunk in a stage, or that of a part of it.
fn turn<const LAST: bool, S, T>(
    stage: &InOrderStage<S>,
    number: u64,
    work: impl FnOnce(&mut S) -> T,
) -> Result<T, Broken> {
    if LAST { stage.pass(number, work) } else { stage.pass_part(number, work) }
}

impl Beside {
    /// Plans the next blocks, from where `branch` stands if it is given.
    fn plan(&mut self, branch: Option<Planner>, twins: &mut Vec<PendingBlock>) {
        let Self { planner, ready, spare } = self;
        *planner = branch.or(planner.take());
        let Some(planner) = planner else { return };
        for twin in twins.drain(..) {
            planner.take(twin, spare);
            while planner.release(ready, BLOCKS_AT_A_TIME, spare) {
                spare.append(ready);
            }
            spare.append(ready);
            spare.truncate(MANY_BLOCKS);
        }
    }
}

impl Clock {
    /// Fills the blocks.
    fn annotate(&mut self, ready: &mut [Box<BlockInFlight>]) {
        for planned in ready {
            self.physics.annotate(planned);
            self.attended.look(&planned.block);
            for action in &planned.block.actions {
                self.homed |= matches!(action.kind, ActionKind::Home { axes, .. } if axes != [false; 3]);
                self.probed |= matches!(action.kind, ActionKind::Probe { .. });
                self.tool_changes += u64::from(matches!(action.kind, ActionKind::Tool { .. }));
                self.unfollowed |= matches!(action.kind, ActionKind::Unfollowed);
            }
        }
    }

    fn left_out(&self, machine: &Machine, pauses: u64, dropped: u64) -> Vec<String> {
        let mut left_out = Vec::new();
        if self.physics.waited_without_law() {
            left_out.push("waits for heaters count 0 s: the sheet gives no `heating` for some heater".to_owned());
        }
        if self.physics.melted_beyond_measured() {
            left_out.push(
                "beyond the temperatures of `melt_rate_at` melt rates count as those of its ends, some of the job is there"
                    .to_owned(),
            );
        }
        if self.physics.melted_unweighed() {
            left_out.push(
                "melt rates are not judged where nobody knows the temperature of the nozzle and the tool gives no `melt_rate_mm3_s`"
                    .to_owned(),
            );
        }
        if self.homed && machine.controller.homing_s.is_none() {
            left_out.push("homing counts 0 s: the sheet gives no `controller.homing_s`".to_owned());
        }
        if self.probed && machine.controller.probing_s.is_none() {
            left_out.push("probing counts 0 s: the sheet gives no `controller.probing_s`".to_owned());
        }
        if self.tool_changes > 0 && machine.controller.tool_change_s.is_none() {
            let changes = counted(self.tool_changes, "change", "changes");
            left_out.push(format!("{changes} of the tool count 0 s: the sheet gives no `controller.tool_change_s`"));
        }
        for (number, tool) in machine.tools.iter().enumerate().filter(|(_, tool)| tool.nozzle_offset_c != 0.0) {
            let (size, way) =
                (figure(tool.nozzle_offset_c.abs()), if tool.nozzle_offset_c > 0.0 { "higher" } else { "lower" });
            left_out.push(format!(
                "targets of nozzle {number} count {size} °C {way} than the job says: `nozzle_offset_c` of the sheet; the machine \
                 does not know of it"
            ));
        }
        if self.unfollowed {
            left_out.push("what undescribed macros do counts 0 s and 0 mm".to_owned());
        }
        if machine.structure.shapers.iter().any(Option::is_some) {
            left_out.push("waits for the shaper's last impulse at standstill are not in the time".to_owned());
        }
        if pauses > 0 {
            let pauses = counted(pauses, "pause that waits for a person counts", "pauses that wait for a person count");
            left_out.push(format!("{pauses} 0 s"));
        }
        let cell_mm = standing::cell_mm(&machine.travel);
        if cell_mm > standing::CELL_MM {
            left_out.push(format!("what the nozzle may strike is known in squares of {cell_mm:.2} mm only"));
        }
        if dropped > 0 {
            left_out.push(format!("{dropped} hits beyond the bound on kept findings"));
        }
        left_out
    }
}

impl Watch {
    fn new(machine: &Machine, observers: Vec<Box<dyn Observer>>) -> Self {
        let mut watch = Self { observers, log: Log::new(&machine.severities), at: None };
        for observer in &mut watch.observers {
            observer.begin(&mut watch.log);
        }
        watch
    }

    fn blocks(&mut self, ready: &[Box<BlockInFlight>]) {
        for planned in ready {
            for observer in &mut self.observers {
                observer.observe(&planned.block, &mut self.log);
            }
            self.log.locate(&planned.block, self.at);
            self.at = planned.block.place_after(self.at);
        }
    }

    fn finish(&mut self, draft: &mut Inspection) {
        for observer in &mut self.observers {
            observer.finish(draft, &mut self.log);
        }
    }
}
