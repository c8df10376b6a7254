//! `gonogo check` through a ledger.

use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

use clap::Args;

use super::jobs::Job;
use super::{Exit, complain};
use crate::accepted::{Accepted, Day};
use crate::findings::Inspection;
use crate::machine::Machine;
use crate::preflight::RunContext;
use crate::service::ledger::{Judging, Ledger, LedgerError};
use crate::study::matrix::Judged;

/// Which ledger, and how it is used.
#[derive(Debug, Args)]
pub struct KeptArgs {
    /// Keep what is judged in this ledger, and take from it what was judged before: the same content on the same sheet with
    /// the same accepted findings. What is printed is the same. A file that is not there is begun.
    #[arg(long, value_name = "FILE")]
    ledger: Option<PathBuf>,
    /// With --ledger, judge everything anew and keep that.
    #[arg(long, requires = "ledger")]
    anew: bool,
}

/// A ledger that is in use.
pub struct Kept {
    ledger: Ledger,
    anew: bool,
    /// Why the first one was not kept, and how many.
    unkept: Mutex<Option<(LedgerError, u64)>>,
}

impl KeptArgs {
    /// The ledger, where one is named.
    pub fn path(&self) -> Option<&Path> {
        self.ledger.as_deref()
    }

    /// Opens the ledger, where one is named.
    ///
    /// # Errors
    /// When it cannot be used.
    pub fn open(&self) -> anyhow::Result<Option<Kept>> {
        let Some(path) = &self.ledger else { return Ok(None) };
        Ok(Some(Kept { ledger: Ledger::open(path)?, anew: self.anew, unkept: Mutex::default() }))
    }
}

impl Kept {
    /// Who judges with it.
    pub fn judging<'a>(&'a self, machines: &'a [&'a Machine], accepted: &'a Accepted, today: Day) -> KeptJudging<'a> {
        KeptJudging {
            kept: self,
            judging: Judging { ledger: &self.ledger, machines, accepted, today, anew: self.anew },
        }
    }

    fn note(&self, error: LedgerError) {
        let mut unkept = self.unkept.lock().unwrap_or_else(PoisonError::into_inner);
        match &mut *unkept {
            Some((_, count)) => *count += 1,
            None => *unkept = Some((error, 1)),
        }
    }

    /// Says what was not kept. The reports hold, but whoever relies on the ledger must hear of it.
    pub fn end(self, exit: Exit) -> Exit {
        let Some((error, count)) = self.unkept.into_inner().unwrap_or_else(PoisonError::into_inner) else {
            return exit;
        };
        let what = if count == 1 { "one job was".to_owned() } else { format!("{count} jobs were") };
        complain(&format!("{what} judged and not kept: {error}"));
        Exit::Unjudged
    }
}

/// Judges with a ledger; what it cannot keep is noted.
#[derive(Clone, Copy)]
pub struct KeptJudging<'a> {
    kept: &'a Kept,
    judging: Judging<'a>,
}

impl KeptJudging<'_> {
    /// Judges a job, or knows it.
    ///
    /// # Errors
    /// Why it could not be judged.
    pub fn judge(&self, job: &Job, context: RunContext<'_, '_>) -> Judged {
        let answer = job.judged(|path| self.judging.judge(path, context))?;
        if let Some(error) = answer.unkept {
            self.kept.note(error);
        }
        Ok(answer.inspections)
    }

    /// Keeps what was judged for a page or a picture.
    pub fn keep(&self, inspection: &Inspection) {
        if let Err(error) = self.judging.keep(inspection) {
            self.kept.note(error);
        }
    }
}
