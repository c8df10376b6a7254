//! Judging jobs where a ledger knows what was judged before.

use std::path::Path;

use super::{Ledger, LedgerError, Question};
use crate::accepted::{Accepted, Day};
use crate::findings::Inspection;
use crate::machine::Machine;
use crate::preflight::{JobError, JobSource, Preflight, RunContext};
use crate::wording;

/// Judges jobs on machines, and asks a ledger first.
#[derive(Clone, Copy)]
pub struct Judging<'a> {
    /// What knows, and learns.
    pub ledger: &'a Ledger,
    /// What to judge on, at least one.
    pub machines: &'a [&'a Machine],
    /// Findings that somebody accepted.
    pub accepted: &'a Accepted,
    /// The day on which they are accepted.
    pub today: Day,
    /// Judges everything, and keeps it anew.
    pub anew: bool,
}

/// What became of a job.
#[derive(Debug)]
pub struct Answer {
    /// One inspection for each machine, in their order; accepted findings are marked.
    pub inspections: Vec<Inspection>,
    /// How many of them the ledger knew.
    pub known: usize,
    /// Why the ledger could not be asked or did not keep what was judged. The inspections hold all the same.
    pub unkept: Option<LedgerError>,
}

impl Judging<'_> {
    /// Judges the job at `path`, or knows it: `-` is standard input. The content of a job that is packed is what it unpacks
    /// to. Only a file is looked up, as it is read to its end for that; what can be read but once is judged and kept.
    ///
    /// # Errors
    /// When the job cannot be read or judged. Nothing is then kept.
    pub fn judge<'e>(&self, path: &Path, context: RunContext<'_, 'e>) -> Result<Answer, JobError> {
        let shown = path.to_string_lossy();
        let mut answer = Answer { inspections: Vec::new(), known: 0, unkept: None };
        let is_file = path.as_os_str() != "-" && path.is_file();
        let digest = if self.anew || !is_file { None } else { JobSource::at(path).digest().ok() };
        let mut found = match digest.map(wording::digest) {
            Some(digest) => self.look_up(&digest, &shown, &mut answer),
            None => vec![None; self.machines.len()],
        };
        let missing = |found: &[Option<Inspection>]| -> Vec<usize> {
            (0..found.len()).filter(|at| found[*at].is_none()).collect()
        };
        let judge = |places: &[usize]| {
            let machines: Vec<&Machine> = places.iter().map(|at| self.machines[*at]).collect();
            if machines.is_empty() {
                return Ok(Vec::new());
            }
            Preflight::on_all(&machines).within(context).run_all(JobSource::at(path))
        };
        let mut places = missing(&found);
        let mut judged = judge(&places)?;
        let read = judged.first().map(|inspection| inspection.job.digest.clone());
        if found.iter().flatten().any(|known| read.as_ref().is_some_and(|read| *read != known.job.digest)) {
            // The job was replaced between the two readings: what is known is about another one.
            found.fill(None);
            places = missing(&found);
            judged = judge(&places)?;
        }
        answer.known = found.len() - places.len();
        for (at, mut inspection) in places.into_iter().zip(judged) {
            self.accepted.apply(&mut inspection, self.today);
            answer.unkept = self.keep(&inspection).err().or(answer.unkept);
            found[at] = Some(inspection);
        }
        answer.inspections = found.into_iter().flatten().collect();
        Ok(answer)
    }

    /// What the ledger knows of a content, machine by machine. What it cannot be asked for counts as not known.
    fn look_up(&self, digest: &str, path: &str, answer: &mut Answer) -> Vec<Option<Inspection>> {
        let mut note = |error| answer.unkept = Some(error);
        let known = |machine: &&Machine| {
            let facts = machine.facts();
            let question = Question::of(digest, path, &facts, self.accepted, self.today);
            let found = self.ledger.find(&question, path, &facts).unwrap_or_else(|error| {
                note(error);
                None
            })?;
            // The answer holds though its new name is not noted.
            let _ = self.ledger.note_name(&found);
            Some(found)
        };
        self.machines.iter().map(known).collect()
    }

    /// Keeps what was judged on one of the machines, accepted findings marked: under the digest of the bytes that were judged.
    ///
    /// # Errors
    /// When the ledger cannot be written.
    pub fn keep(&self, inspection: &Inspection) -> Result<(), LedgerError> {
        let (job, facts) = (&inspection.job, &inspection.machine);
        let Some(machine) =
            self.machines.iter().find(|machine| machine.digest == facts.digest && machine.name == facts.name)
        else {
            return Ok(());
        };
        let question = Question::of(&job.digest, &job.path, facts, self.accepted, self.today);
        match self.ledger.keep(&question, inspection, machine)? {
            true => Ok(()),
            false => Err(self.ledger.refusal("what was found holds what cannot be written down: please report it")),
        }
    }
}
