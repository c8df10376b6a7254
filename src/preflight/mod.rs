//! The front door: wires text → modal → motion → physics → observers for one job; gives back one [`Inspection`] a machine.
//!
//! The stages are passed chunk by chunk, by any number of threads in turn (see [`crate::threads`]). A job that is judged on
//! several machines is read once, and planned on each. Start at [`Preflight`].

pub mod announced;
mod end;
mod loaded;
mod looks;
mod pipeline;
mod run;
mod source;
#[cfg(test)]
pub(crate) mod testing;

use std::io;
use std::sync::Arc;
use std::thread;

use crate::block::BLOCK;
use crate::findings::{Inspection, Observer};
use crate::machine::Machine;
use crate::text::lines;
use crate::threads::{HelperPool, SharedWork};
use crate::vectors::Vectors;
use pipeline::Scope;
use run::{Fault, Run};

pub use loaded::LoadedJob;
pub use run::kept_at_once;
pub use source::{Bounds, CopyError, JobSource, Progress, Unchanged, silent};

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
    /// A move or a wait of more than 36 h, or a job of more than 24 days: no print takes that long.
    #[error(
        "cannot judge {path}: line {line} takes it beyond {} h for a move or a wait, or beyond {} days in all",
        (crate::physics::STEP_MAX_S / 3600.0).floor(),
        (crate::physics::JOB_MAX_S / 86_400.0).floor()
    )]
    TooLong {
        /// Path as given.
        path: String,
        /// The line.
        line: u64,
    },
    /// It was read and is no job.
    #[error("{path} is not a job: {why}")]
    NotAJob {
        /// Path as given.
        path: String,
        /// Why not, in a few words.
        why: String,
    },
    /// It has more plain bytes than it may.
    #[error("cannot judge {path}: it has more than {bytes} bytes")]
    TooLarge {
        /// Path as given.
        path: String,
        /// How many it may have.
        bytes: u64,
    },
    /// Whoever was told of the progress said stop, or its time was over.
    #[error("reading {path} was stopped")]
    Stopped {
        /// Path as given.
        path: String,
    },
    /// A thread that helped with it panicked: a fault of this program.
    #[error("internal fault while judging {path}: a thread that helped broke down")]
    BrokeDown {
        /// Path as given.
        path: String,
    },
}

/// How a job is run. Only the start position changes results.
#[derive(Debug, Clone, Copy)]
pub struct RunOptions {
    /// Machine position at the start of the job, mm, where it is known; without, it counts as 0 and is not judged before
    /// homing or absolute words.
    pub start_mm: Option<[f64; 3]>,
    /// Threads that work on the job, at least one.
    pub threads: usize,
    /// Bytes asked of the source at a time.
    pub chunk_bytes: usize,
    /// Most moves in a block.
    pub block_moves: usize,
    /// Which vectors of the processor are used.
    pub vectors: Vectors,
}

impl Default for RunOptions {
    fn default() -> Self {
        Self {
            start_mm: None,
            threads: 1,
            chunk_bytes: lines::CHUNK_BYTES,
            block_moves: BLOCK,
            vectors: Vectors::default(),
        }
    }
}

/// Who helps with a job, and who is told how far it is.
#[derive(Clone, Copy)]
pub struct RunContext<'c, 'e> {
    helpers: &'c HelperPool<'e>,
    progress: Progress<'e>,
}

impl<'c, 'e> RunContext<'c, 'e> {
    /// Whoever of `helpers` has nothing else to do.
    pub fn new(progress: Progress<'e>, helpers: &'c HelperPool<'e>) -> Self {
        Self { helpers, progress }
    }

    /// The same helpers, but nobody is told: for a job that is read once more.
    pub fn silent(self) -> Self {
        Self { progress: &silent, ..self }
    }

    /// Threads that may help.
    pub fn helpers(self) -> &'c HelperPool<'e> {
        self.helpers
    }
}

/// A machine to judge on, and who watches besides. They change nothing of the report; what they log is dropped.
pub(crate) struct Target<'m> {
    pub(crate) machine: &'m Machine,
    pub(crate) attached: Vec<Box<dyn Observer>>,
}

/// A run of one job on one or several machines.
///
/// ```
/// use gonogo::machine::Machine;
/// use gonogo::preflight::{JobSource, Preflight};
///
/// let job = JobSource::stream(&b"G28\nM109 S200\nG1 Z0.2 F600\nG1 X20 E1\nM104 S0\n"[..], "line.gcode");
/// let report = Preflight::on(&Machine::built_in()).threads(2).run(job)?;
/// assert_eq!(report.job.moves, 2);
/// # Ok::<(), gonogo::preflight::JobError>(())
/// ```
pub struct Preflight<'m, 'c, 'e> {
    targets: Vec<Target<'m>>,
    options: RunOptions,
    scope: Scope,
    helpers: Option<&'c HelperPool<'e>>,
    progress: Progress<'e>,
}

impl<'m, 'c, 'e> Preflight<'m, 'c, 'e> {
    /// Judges on one machine.
    pub fn on(machine: &'m Machine) -> Self {
        Self::on_all(&[machine])
    }

    /// Judges on several machines, at least one: the job is read once. Reports come in their order.
    pub fn on_all(machines: &[&'m Machine]) -> Self {
        let targets = machines.iter().map(|machine| Target { machine, attached: Vec::new() }).collect();
        Self { targets, options: RunOptions::default(), scope: Scope::Whole, helpers: None, progress: &silent }
    }

    /// With other options than the usual ones.
    pub fn options(self, options: RunOptions) -> Self {
        Self { options, ..self }
    }

    /// Judges nothing and adds up the time only: for those who [watch](Self::watch) a job once more.
    pub fn unjudged(self) -> Self {
        Self { scope: Scope::Unjudged, ..self }
    }

    /// With so many threads of its own, at least one. No result depends on their number.
    pub fn threads(mut self, threads: usize) -> Self {
        self.options.threads = threads;
        self
    }

    /// Tells of every part of the job that is read; it may answer stop.
    pub fn progress(self, progress: Progress<'e>) -> Self {
        Self { progress, ..self }
    }

    /// With the helpers of a context, and its progress.
    pub fn within(self, context: RunContext<'c, 'e>) -> Self {
        Self { helpers: Some(context.helpers), progress: context.progress, ..self }
    }

    /// Lets somebody watch besides on the machine of that place in the list: it sees the same blocks as the checks, and at
    /// the end the finished report. See [`Attached`](crate::findings::Attached) for how to get back what it saw.
    pub fn watch(mut self, machine: usize, observer: Box<dyn Observer>) -> Self {
        self.targets[machine].attached.push(observer);
        self
    }

    /// Judges a job on the first machine.
    ///
    /// # Errors
    /// When it cannot be opened or read to its end, was stopped, or a thread broke down.
    pub fn run(self, job: JobSource<'e>) -> Result<Inspection, JobError> {
        self.run_all(job).map(|mut reports| reports.swap_remove(0))
    }

    /// Judges a job on all machines; a report for each, in their order.
    ///
    /// # Errors
    /// Like [`Self::run`].
    pub fn run_all(self, job: JobSource<'e>) -> Result<Vec<Inspection>, JobError> {
        let machines: Vec<&Machine> = self.targets.iter().map(|target| target.machine).collect();
        let shown = job.shown().to_owned();
        let source = job.open(self.progress).map_err(|error| fault(&shown, error))?;
        let run = Run::new(source, &shown, self.targets, self.scope, &self.options);
        carry(run, self.options.threads, self.helpers, |run| run.lead(&machines, &shown))
            .map_err(|error| fault(&shown, error))
    }

    /// Reads a job as the first machine reads it, and keeps its moves, so that it can be planned many times: some 70 bytes
    /// a move and 60 an action.
    ///
    /// # Errors
    /// Like [`Self::run`], and when more than a GiB would have to be kept.
    pub fn load(self, job: JobSource<'e>) -> Result<LoadedJob, JobError> {
        let machine = self.targets[0].machine;
        let shown = job.shown().to_owned();
        let source = job.open(self.progress).map_err(|error| fault(&shown, error))?;
        let run = Run::keeping(source, machine, &self.options);
        carry(run, self.options.threads, self.helpers, |run| run.keep(machine, &shown))
            .map_err(|error| fault(&shown, error))
    }
}

/// Leads a run with threads of its own and with whoever helps.
fn carry<'e, T>(
    run: Run<Box<dyn io::Read + Send + 'e>>,
    threads: usize,
    helpers: Option<&HelperPool<'e>>,
    lead: impl FnOnce(&Run<Box<dyn io::Read + Send + 'e>>) -> Result<T, Fault>,
) -> Result<T, Fault> {
    let run = Arc::new(run);
    let _place = helpers.map(|helpers| helpers.call(run.clone()));
    thread::scope(|scope| {
        // Where the system gives no more threads, those that there are do the work.
        let start = |_| thread::Builder::new().spawn_scoped(scope, || run.help()).ok();
        let own: Vec<_> = (1..threads).map_while(start).collect();
        let done = lead(&run);
        // Joined here, so that one that panicked is an error and no panic.
        let panicked = own.into_iter().filter_map(|thread| thread.join().err()).count() > 0;
        if panicked { Err(Fault::BrokeDown) } else { done }
    })
}

fn fault(path: &str, fault: Fault) -> JobError {
    let path = path.to_owned();
    match fault {
        Fault::Source(source) if source.get_ref().is_some_and(|inner| inner.is::<source::Stopped>()) => {
            JobError::Stopped { path }
        }
        Fault::Source(source) => match source.get_ref().and_then(|inner| inner.downcast_ref::<source::TooLarge>()) {
            Some(&source::TooLarge { bytes }) => JobError::TooLarge { path, bytes },
            None => JobError::Read { path, source },
        },
        Fault::TooLong { line } => JobError::TooLong { path, line },
        Fault::NotAJob(why) => JobError::NotAJob { path, why },
        Fault::BrokeDown => JobError::BrokeDown { path },
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::block::Block;
    use crate::findings::{Attached, Log};
    use crate::geometry::Box3;
    use crate::machine::LookAhead;

    #[derive(Default)]
    struct Counting {
        moves: u64,
        at_the_end: Option<u64>,
    }

    impl Observer for Counting {
        fn observe(&mut self, block: &Block, _: &mut Log) {
            self.moves += block.len() as u64;
        }

        fn finish(&mut self, draft: &mut Inspection, _: &mut Log) {
            self.at_the_end = Some(draft.job.moves);
        }
    }

    #[test]
    fn findings_know_where_the_machine_is() {
        let job = "M104 S999\nG28\nG4 P1\nM104 S998\nG1 X10 Y20 Z5 F3000\nM9999\nM104 S997\nG1 X900\nG1 X950 Y30\nG1 X20\nM104 S0\n";
        let report = Preflight::on(&Machine::built_in()).run(JobSource::stream(job.as_bytes(), "job")).expect("reads");
        let places = |check: &str| {
            let found = report.findings.iter().filter(|finding| finding.check == check);
            found.map(|f| (f.line, f.place_mm, f.worst_line, f.worst_place_mm)).collect::<Vec<_>>()
        };
        // Before the first move or homing nobody knows; line 1 is the worst, too.
        assert_eq!(places("nozzle-over-limit"), [(Some(1), None, Some(1), None)]);
        let (first, worst) = (Some([900.0, 20.0, 5.0]), Some([950.0, 30.0, 5.0]));
        assert_eq!(places("outside-travel"), [(Some(8), first, Some(9), worst)]);
        let of = |check: &str| report.findings.iter().find(|finding| finding.check == check).expect("found").places_mm;
        assert_eq!(of("outside-travel"), Some(Box3 { min: [900.0, 20.0, 5.0], max: [950.0, 30.0, 5.0] }));
        // Once more, neither first nor worst: the box knows it all the same.
        let again = job.replace("M104 S0\n", "G1 X400 Y70\nM104 S0\n");
        let again = Preflight::on(&Machine::built_in()).run(JobSource::stream(again.as_bytes(), "job")).expect("reads");
        let again = again.findings.iter().find(|finding| finding.check == "outside-travel").expect("found");
        assert_eq!(again.places_mm, Some(Box3 { min: [400.0, 20.0, 5.0], max: [950.0, 70.0, 5.0] }));
        assert_eq!(of("unknown-command"), None, "no no-go on heat or travel");
        let read = places("unknown-command")[0];
        assert_eq!((read.0, read.1), (Some(6), Some([10.0, 20.0, 5.0])));
        let homed =
            Preflight::on(&Machine::built_in()).run(JobSource::stream(&job.as_bytes()[10..], "job")).expect("reads");
        let hot = homed.findings.iter().find(|finding| finding.check == "nozzle-over-limit").expect("998 °C");
        assert_eq!((hot.line, hot.place_mm), (Some(3), Some(Machine::built_in().travel.home)));
    }

    #[test]
    fn a_guest_sees_every_move_and_the_finished_report_and_changes_nothing() {
        let machine = Machine::built_in();
        let job = "G28\n".to_owned() + &(1..2000).map(|k| format!("G1 X{} F3000\n", k % 50)).collect::<String>();
        let (handle, attached) = Attached::new(Counting::default());
        let sizes = RunOptions { threads: 2, chunk_bytes: 512, ..RunOptions::default() };
        let watched = Preflight::on(&machine).options(sizes).watch(0, attached);
        let watched = watched.run(JobSource::stream(job.as_bytes(), "job")).expect("reads");
        let seen = handle.take().expect("was attached");
        assert_eq!((seen.moves, seen.at_the_end), (watched.job.moves, Some(watched.job.moves)));
        assert!(handle.take().is_none(), "taken already");
        assert_eq!(
            watched,
            Preflight::on(&machine).options(sizes).run(JobSource::stream(job.as_bytes(), "job")).expect("reads")
        );
    }

    /// Without blocks to spare those of few moves are packed on their way, and derived twice.
    #[test]
    fn blocks_are_planned_alike_however_many_are_to_spare() {
        let shape = |n: u32| match n % 5 {
            0 => format!("M204 S{}\n", 500 + n % 7 * 100),
            1 => "M106 S9\nG2 X12 Y3 I4 J1 E0.2\n".to_owned(),
            2 if n.is_multiple_of(3) => "G4 P20\n".to_owned(),
            2 => "G1 X4 Y4.5 E0.1\n".repeat(n as usize % 9 * 20),
            _ => "M104 S200\n".to_owned(),
        };
        let line = |n: u32| format!("G1 X{} Y{} E0.1 F{}\n{}", n % 90, n * 7 % 80, 900 + n % 4 * 600, shape(n));
        let job = "G28\nM83\n".to_owned() + &(1..600).map(line).collect::<String>();
        for look_ahead in [LookAhead::Moves(16), LookAhead::Unlimited] {
            let mut machine = Machine::built_in();
            machine.motion.look_ahead = look_ahead;
            let planned = |to_spare: usize| {
                let of = |block: &Block| {
                    let of_move = |i: usize| {
                        let times = [block.t_up_s[i], block.t_cruise_s[i], block.t_down_s[i]];
                        let speeds = [block.v_start_mm_s[i], block.v_peak_mm_s[i], block.v_end_mm_s[i]];
                        (block.line[i], block.end(i), block.length_mm[i], times, speeds, block.accel_mm_s2[i])
                    };
                    ((0..block.len()).map(of_move).collect::<Vec<_>>(), block.origin, block.curves.clone())
                };
                testing::plan_with(&machine, &job, to_spare).iter().map(of).collect::<Vec<_>>()
            };
            let enough = planned(2000);
            assert!(enough.len() > 400, "most actions end a block");
            for to_spare in [0, 1, 7, 40] {
                assert!(planned(to_spare) == enough, "{to_spare}");
            }
        }
    }

    #[test]
    fn progress_may_stop_the_reading() {
        let (machine, job) = (Machine::built_in(), "G1 X1\nG1 X0\n".repeat(50_000));
        for threads in [1, 3] {
            let read = std::sync::atomic::AtomicU64::new(0);
            let enough = |bytes: u64| {
                let before = read.fetch_add(bytes, std::sync::atomic::Ordering::Relaxed);
                if before > 100_000 { std::ops::ControlFlow::Break(()) } else { std::ops::ControlFlow::Continue(()) }
            };
            let preflight = Preflight::on(&machine).threads(threads).progress(&enough);
            let ended = preflight.run(JobSource::stream(job.as_bytes(), "job"));
            assert!(matches!(ended, Err(JobError::Stopped { path }) if path == "job"));
            assert!(read.into_inner() < 500_000, "most of the job was not read");
        }
    }

    /// Panics in every thread but the one that leads.
    struct Traitor(std::thread::ThreadId);

    impl Observer for Traitor {
        fn observe(&mut self, _: &Block, _: &mut Log) {
            assert_eq!(std::thread::current().id(), self.0, "a helper");
        }
    }

    #[test]
    fn a_helper_that_panics_is_an_error() {
        let (machine, job) = (Machine::built_in(), "G28\n".to_owned() + &"G1 X1\nG4 P1\nG1 X0\n".repeat(20_000));
        let leads = std::thread::current().id();
        let options = RunOptions { threads: 4, chunk_bytes: 300, ..RunOptions::default() };
        let preflight = Preflight::on(&machine).options(options).watch(0, Box::new(Traitor(leads)));
        let ended = preflight.run(JobSource::stream(job.as_bytes(), "job"));
        assert!(matches!(ended, Err(JobError::BrokeDown { .. })), "{:?}", ended.map(|report| report.verdict));
    }
}
