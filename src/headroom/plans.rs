//! Many plans of one kept job, made by all threads that have nothing else to do.

use std::collections::BTreeSet;
use std::panic::{AssertUnwindSafe, catch_unwind, resume_unwind};
use std::path::PathBuf;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Condvar, Mutex, PoisonError};
use std::thread;

use super::{Stop, first_new};
use crate::crew::{Crew, Help};
use crate::inspection::Severity;
use crate::machine::Machine;
use crate::preflight::{JobError, Kept, keep_path};

/// What all plans of a job share.
#[derive(Clone)]
pub(super) struct Planning {
    /// The job.
    pub(super) kept: Arc<Kept>,
    /// Where it can be read again, for machines that read it in another way.
    pub(super) path: PathBuf,
    /// What is found today.
    pub(super) known: BTreeSet<(&'static str, Severity)>,
}

/// How much of a plan is wanted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Depth {
    /// All checks.
    Whole,
    /// The checks that depend on speeds and times.
    Full,
    /// The same, only up to the first thing that speaks against it.
    Early,
}

/// One plan to make.
pub(super) struct Ask {
    pub(super) machine: Machine,
    pub(super) depth: Depth,
}

/// What came of it.
pub(super) struct Plan {
    /// Time of the job, s; not a number where it was not planned to its end.
    pub(super) time_s: f64,
    /// What speaks against it.
    pub(super) stop: Option<Stop>,
}

impl Planning {
    fn plan(&self, ask: &Ask) -> Result<Plan, JobError> {
        if !self.kept.suits(&ask.machine) {
            let again = keep_path(&self.path, &ask.machine, &|_| {}, &Crew::alone())?;
            return Ok(self.plan_on(&again, &Ask { machine: ask.machine.clone(), depth: Depth::Whole }));
        }
        Ok(self.plan_on(&self.kept, ask))
    }

    fn plan_on(&self, kept: &Kept, ask: &Ask) -> Plan {
        let new = |found: &[(&'static str, Severity)]| -> Option<(&'static str, Severity)> {
            found.iter().find(|kind| kind.1 > Severity::Note && !self.known.contains(kind)).copied()
        };
        let mut early = None;
        let planned = match ask.depth {
            Depth::Whole => Some(kept.judge(&ask.machine)),
            Depth::Full => kept.time(&ask.machine, |_| false),
            Depth::Early => kept.time(&ask.machine, |found| {
                early = new(found);
                early.is_some()
            }),
        };
        match planned {
            Some(inspection) => Plan { time_s: inspection.time_s.total(), stop: first_new(&inspection, &self.known) },
            None => Plan {
                time_s: f64::NAN,
                stop: early.map(|(check, severity)| Stop { check, severity, line: None, message: String::new() }),
            },
        }
    }
}

type Answer = thread::Result<Result<Plan, JobError>>;

/// Plans that any thread may take up.
struct Batch {
    planning: Planning,
    asks: Vec<Ask>,
    next: AtomicUsize,
    answers: Mutex<Vec<(usize, Answer)>>,
    changed: Condvar,
}

impl Help for Batch {
    fn help(&self) {
        loop {
            let at = self.next.fetch_add(1, Ordering::Relaxed);
            let Some(ask) = self.asks.get(at) else { return };
            // A plan that breaks down is an answer too: whoever waits for it must not wait for ever.
            let answer = catch_unwind(AssertUnwindSafe(|| self.planning.plan(ask)));
            self.answers.lock().unwrap_or_else(PoisonError::into_inner).push((at, answer));
            self.changed.notify_all();
        }
    }
}

/// Makes all plans; answers in the order asked.
pub(super) fn make(planning: &Planning, asks: Vec<Ask>, crew: &Crew<'_>) -> Result<Vec<Plan>, JobError> {
    let count = asks.len();
    let batch = Arc::new(Batch {
        planning: planning.clone(),
        asks,
        next: AtomicUsize::new(0),
        answers: Mutex::new(Vec::with_capacity(count)),
        changed: Condvar::new(),
    });
    let _place = crew.call(batch.clone());
    batch.help();
    let mut answers = batch.answers.lock().unwrap_or_else(PoisonError::into_inner);
    while answers.len() < count {
        answers = batch.changed.wait(answers).unwrap_or_else(PoisonError::into_inner);
    }
    let mut answers = std::mem::take(&mut *answers);
    answers.sort_by_key(|(at, _)| *at);
    answers.into_iter().map(|(_, answer)| answer.unwrap_or_else(|panic| resume_unwind(panic))).collect()
}
