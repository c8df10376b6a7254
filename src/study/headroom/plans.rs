//! Many plans of one kept job, made by all threads that have nothing else to do.

use std::borrow::Cow;
use std::cmp::Reverse;
use std::collections::BTreeSet;
use std::io;
use std::path::PathBuf;
use std::sync::Arc;

use super::{Fault, Found, Known, RangeRequest, Stop, first_new, found, serious};
use crate::checks::is_timed;
use crate::findings::{Inspection, Severity};
use crate::machine::{ChangeError, Machine, VariableSheet};
use crate::preflight::{JobError, JobSource, LoadedJob, Preflight};
use crate::threads::HelperPool;
use crate::workshop::audit::{Audit, Expected, audit, worse};

/// What all plans of a job share.
#[derive(Clone)]
pub(super) struct Planning {
    /// The job.
    pub(super) kept: Arc<LoadedJob>,
    /// Where it can be read again, for machines that read it in another way.
    pub(super) path: PathBuf,
    /// What is found today.
    pub(super) known: Arc<Known>,
    /// What the audit says of the sheet today.
    pub(super) audit: Arc<Audit>,
}

/// How much of a plan is wanted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Depth {
    /// All checks.
    All,
    /// The checks that depend on speeds and times.
    Timed,
    /// The same, only up to the first thing that speaks against it.
    UntilStop,
}

/// One plan to make.
pub(super) struct PlanRequest {
    pub(super) machine: Machine,
    pub(super) depth: Depth,
}

/// What came of it.
pub(super) struct Plan {
    /// Time of the job, s; not a number where it was not planned to its end.
    pub(super) time_s: f64,
    /// What speaks against it.
    pub(super) stop: Option<Stop>,
    /// Checks that find something today, and less or nothing in this plan; none where it was not planned to its end.
    pub(super) gone: Vec<Cow<'static, str>>,
    /// What is found at `hold` or `no-go`; empty where it was not planned to its end.
    pub(super) found: Vec<Found>,
}

impl Planning {
    /// The machine with a value changed, or why that cannot be tried.
    pub(super) fn machine(
        &self,
        today: &VariableSheet<'_>,
        wish: &RangeRequest,
        value: f64,
    ) -> Result<Machine, String> {
        let text =
            if value.fract() == 0.0 && value.abs() < 1e15 { format!("{value:.0}") } else { format!("{value:?}") };
        let changed = today.with_all(&[(&wish.key, &text)]).map_err(|error| match error {
            ChangeError::Faults { faults, .. } => match faults.faults.first() {
                Some(fault) => format!("the sheet does not take {text}: {}", fault.message),
                None => format!("the sheet does not take {text}"),
            },
            other => other.to_string(),
        })?;
        let again = !self.kept.suits(&changed);
        if again && !std::fs::metadata(&self.path).is_ok_and(|found| found.is_file()) {
            return Err("it changes how the job is read, and what is no file cannot be read again".to_owned());
        }
        Ok(changed)
    }

    fn plan(&self, ask: &PlanRequest) -> Result<Plan, JobError> {
        let stop = self.audited(&ask.machine);
        if let (Depth::UntilStop, Some(stop)) = (ask.depth, &stop) {
            return Ok(Plan { time_s: f64::NAN, stop: Some(stop.clone()), gone: Vec::new(), found: Vec::new() });
        }
        let mut plan = self.plan_job(ask)?;
        // Of two the graver one speaks, the job's first: it has a line to look at.
        if stop.as_ref().map(|stop| stop.severity) > plan.stop.as_ref().map(|stop| stop.severity) {
            plan.stop = stop;
        }
        Ok(plan)
    }

    /// What the audit has against a machine that it does not have against today's.
    fn audited(&self, machine: &Machine) -> Option<Stop> {
        let audit = audit(machine);
        let worst = worse(&self.audit, &audit).into_iter().min_by_key(|line| Reverse(line.row.outcome))?;
        let limit = match worst.row.expected {
            Some(Expected::Near(value) | Expected::AtMost(value) | Expected::AtLeast(value)) => Some(value),
            Some(Expected::Between(..)) | None => None,
        };
        Some(Stop {
            check: worst.id.into(),
            severity: worst.row.outcome.severity()?,
            line: None,
            message: format!("audit of the sheet, {}: {}", worst.row.what, worst.row.message),
            value: worst.row.set,
            limit,
            unit: worst.row.unit.into(),
            worse: None,
            by_audit: true,
        })
    }

    fn plan_job(&self, ask: &PlanRequest) -> Result<Plan, JobError> {
        if self.kept.suits(&ask.machine) {
            return Ok(self.plan_kept(ask));
        }
        let inspection = Preflight::on(&ask.machine).run(JobSource::at(&self.path))?;
        if inspection.job.digest != self.kept.digest() {
            let source = io::Error::other("it changed while it was judged");
            return Err(JobError::Read { path: self.kept.path().to_owned(), source });
        }
        Ok(self.of(&inspection, Depth::All))
    }

    fn of(&self, inspection: &Inspection, depth: Depth) -> Plan {
        let faults: BTreeSet<Fault> = serious(inspection).collect();
        let watched = |check: &str| depth == Depth::All || is_timed(check);
        let mut gone: Vec<Cow<'static, str>> = self
            .known
            .keys()
            .filter(|fault| !faults.contains(fault))
            .map(|fault| fault.0.clone())
            .filter(|check| watched(check))
            .collect();
        gone.dedup();
        let stop = first_new(inspection, &self.known);
        Plan { time_s: inspection.time_with_waiting_s(), stop, gone, found: found(inspection) }
    }

    fn plan_kept(&self, ask: &PlanRequest) -> Plan {
        let new = |found: &[Fault]| {
            found.iter().find(|fault| fault.2 > Severity::Note && !self.known.contains_key(fault)).cloned()
        };
        let mut early = None;
        let planned = match ask.depth {
            Depth::All => Some(self.kept.judge(&ask.machine)),
            Depth::Timed => self.kept.time(&ask.machine, |_| false),
            Depth::UntilStop => self.kept.time(&ask.machine, |found| {
                early = new(found);
                early.is_some()
            }),
        };
        match planned {
            Some(inspection) => self.of(&inspection, ask.depth),
            None => Plan {
                time_s: f64::NAN,
                stop: early.map(|(check, _, severity)| Stop {
                    check,
                    severity,
                    line: None,
                    message: String::new(),
                    value: None,
                    limit: None,
                    unit: "".into(),
                    worse: None,
                    by_audit: false,
                }),
                gone: Vec::new(),
                found: Vec::new(),
            },
        }
    }
}

/// Makes all plans; answers in the order asked.
pub(super) fn make(
    planning: &Planning,
    asks: Vec<PlanRequest>,
    helpers: &HelperPool<'_>,
) -> Result<Vec<Plan>, JobError> {
    let planning = planning.clone();
    helpers.share(asks, move |ask| planning.plan(ask)).into_iter().collect()
}
