//! One job at a time: judged where it was not, and laid where it belongs.

use super::*;

/// What became of a job whose turn it was.
enum Laid {
    /// It lies where it belongs; what is to be told.
    As(Option<Told>),
    /// Something else comes first.
    Later,
}

/// What became of judging one.
enum Judged {
    /// There are new answers.
    Now,
    /// All were known.
    Before,
    /// Something else comes first.
    Later,
    /// It cannot be judged, and why.
    Never(String),
}

/// While a job is judged it is looked so often whether something else comes first.
const NEWS_EVERY: Duration = Duration::from_secs(1);
/// A job is not stopped more often: it must come to its end some time.
const STOPS_MOST: u32 = 3;

impl Gate {
    /// Judges the next job where it was not judged, and lays it where it belongs; false where nothing is left to do.
    ///
    /// # Errors
    /// Where a folder or the ledger cannot be used for now; the job is tried again behind the others.
    pub fn step(&mut self, today: Day, tell: &mut dyn FnMut(Told)) -> Result<bool, GateError> {
        let Some(name) = self.queue.last().cloned() else { return Ok(false) };
        let laid = self.lay(&name, today);
        self.queue.pop();
        let done = match laid {
            Ok(Laid::Later) => {
                self.queue.push(name);
                Ok(true)
            }
            Ok(Laid::As(told)) => {
                if let Some(told) = told {
                    self.shelf.told(&told);
                    tell(told);
                }
                Ok(true)
            }
            Err(error) => {
                // The others come first now.
                self.queue.insert(0, name);
                Err(error)
            }
        };
        self.shelf.left(self.queue.len());
        done
    }

    /// What is to be told: nothing where all is as it was.
    fn lay(&mut self, name: &str, today: Day) -> Result<Laid, GateError> {
        match self.places.jobs().join(name).metadata() {
            Ok(found) if found.is_file() => {}
            // A folder that cannot be read for a moment says nothing of its jobs.
            Err(error) if error.kind() != io::ErrorKind::NotFound || !self.places.jobs().is_dir() => {
                return Err(self.folder("read", &format!("jobs/{name}"))(error));
            }
            _ => {
                self.jobs.remove(name);
                let told = self.block(name, "it is in jobs/ no more".to_owned())?;
                self.shelf.gone(name);
                return Ok(Laid::As(Some(told)));
            }
        }
        let judged = match self.judge(name, today)? {
            Judged::Now => true,
            Judged::Before => false,
            Judged::Later => return Ok(Laid::Later),
            Judged::Never(why) => return Ok(Laid::As(Some(self.block(name, why)?))),
        };
        // Judging takes its time: what holds by now is what counts.
        if judged && self.sheets.have_changed() {
            self.as_of = None;
        }
        let Some((_, last)) = self.as_of else { return Ok(Laid::As(None)) };
        let mut answers = Vec::new();
        let mut cleared_for = Vec::new();
        for (folder, machine) in self.sheets.machines() {
            let Some(standing) = self.standing(name, machine, today)? else { continue };
            let place = Place::of(&standing);
            if place == Place::Cleared {
                cleared_for.push(folder);
            }
            answers.push(Answered {
                folder: folder.to_owned(),
                machine: machine.name.clone(),
                inspection: standing.inspection,
                verdict: standing.verdict,
                said: standing.said,
                figures: standing.figures,
                place,
            });
        }
        let place = answers.iter().map(|answered| answered.place).min().unwrap_or(Place::Waiting);
        let why = if place == Place::Cleared { String::new() } else { self.note(name, place, &answers) };
        let digest = self.jobs.get(name).cloned().flatten().unwrap_or_default();
        let moved = match self.places.lay(name, &digest, &cleared_for, place, &why) {
            Err(error) if error.kind() == io::ErrorKind::InvalidData => {
                return Ok(Laid::As(Some(self.block(name, error.to_string())?)));
            }
            laid => laid.map_err(self.folder("lay in its place", &format!("jobs/{name}")))?,
        };
        self.shelf.placed(name, &digest, place, &answers, last);
        Ok(Laid::As((judged || moved).then(|| Told::Placed { name: name.to_owned(), place, answers })))
    }

    /// Judges a job on the machines for which there is no answer yet.
    fn judge(&mut self, name: &str, today: Day) -> Result<Judged, GateError> {
        let mut missing = Vec::new();
        for (_, machine) in self.sheets.machines() {
            if self.standing(name, machine, today)?.is_none() {
                missing.push(machine);
            }
        }
        if missing.is_empty() {
            return self.is_as_it_came(name);
        }
        let judging =
            Judging { ledger: &self.ledger, machines: &missing, accepted: &self.nothing_accepted, today, anew: false };
        let path = self.places.jobs().join(name);
        self.shelf.judging(Some((name, path.metadata().map_or(0, |found| found.len()))));
        let (looked, may_stop) = (Mutex::new(Instant::now()), self.stopped.get(name).is_none_or(|n| *n < STOPS_MOST));
        let (shelf, ledger, sheets, as_of) = (&self.shelf, &self.ledger, &self.sheets, self.as_of);
        let progress = |bytes| {
            shelf.has_read(bytes);
            let mut looked = looked.lock().unwrap_or_else(PoisonError::into_inner);
            let is_due = may_stop && looked.elapsed() >= NEWS_EVERY;
            if is_due {
                *looked = Instant::now();
            }
            if is_due && has_news(ledger, sheets, as_of) { ControlFlow::Break(()) } else { ControlFlow::Continue(()) }
        };
        let helpers = HelperPool::alone();
        // A fault of this program must not end it for all jobs.
        let answer = Breakdown::caught(|| judging.judge(&path, RunContext::new(&progress, &helpers)));
        self.shelf.judging(None);
        let answer = match answer {
            Ok(Ok(answer)) => answer,
            Ok(Err(JobError::Read { source, .. })) => {
                return Err(self.folder("read", &format!("jobs/{name}"))(source));
            }
            Ok(Err(JobError::Stopped { .. })) => {
                *self.stopped.entry(name.to_owned()).or_default() += 1;
                return Ok(Judged::Later);
            }
            Ok(Err(error)) => return Ok(Judged::Never(error.to_string())),
            Err(breakdown) => return Ok(Judged::Never(breakdown.to_string())),
        };
        self.stopped.remove(name);
        if let Some(error) = answer.unkept {
            return Err(error.into());
        }
        let Some(judged) = answer.inspections.first().map(|inspection| inspection.job.digest.clone()) else {
            return Ok(Judged::Before);
        };
        let is_the_same = match self.jobs.get(name).cloned().flatten() {
            Some(digest) => digest == judged,
            None => names::is_of(name, &judged),
        };
        if !is_the_same {
            return Ok(Judged::Never(places::CHANGED.to_owned()));
        }
        self.jobs.insert(name.to_owned(), Some(judged));
        Ok(Judged::Now)
    }

    /// Finds out what a job is that nothing judges: its copies are compared with that.
    fn is_as_it_came(&mut self, name: &str) -> Result<Judged, GateError> {
        if self.jobs.get(name).is_some_and(Option::is_none) {
            let content = JobSource::at(&self.places.jobs().join(name)).digest();
            let content = digest(content.map_err(self.folder("read", &format!("jobs/{name}")))?);
            if !names::is_of(name, &content) {
                return Ok(Judged::Never(places::CHANGED.to_owned()));
            }
            self.jobs.insert(name.to_owned(), Some(content));
        }
        Ok(Judged::Before)
    }

    /// Takes a job away from all machines; says why where it is blocked.
    fn block(&self, name: &str, why: String) -> Result<Told, GateError> {
        self.places.hold_back(name, &why).map_err(self.folder("block", &format!("jobs/{name}")))?;
        self.shelf.blocked(name, &why, self.as_of.map_or(0, |(_, last)| last));
        Ok(Told::Blocked { name: name.to_owned(), why })
    }

    /// What is said beside a job that is cleared for no machine.
    fn note(&self, name: &str, place: Place, answers: &[Answered]) -> String {
        let head = note::head(name, answers, self.ledger.path());
        // One that begins so ends as it would.
        if let Some(known) = self.places.note(name, place).filter(|known| known.starts_with(&head)) {
            return known;
        }
        // An inspection that cannot be read any more is told without its report.
        let inspection = |answered: &Answered| self.ledger.inspection(answered.inspection).ok().flatten();
        note::text(head, answers.iter().filter_map(inspection))
    }
}

/// True where a sheet has changed or somebody has decided since: what lies ready may have to be taken back, and that cannot wait
/// for a large job.
fn has_news(ledger: &Ledger, sheets: &Sheets, as_of: Option<(Day, i64)>) -> bool {
    let decided = |last: i64| ledger.last_decision().is_ok_and(|now| now != last);
    as_of.is_some_and(|(_, last)| decided(last) || sheets.have_changed())
}
