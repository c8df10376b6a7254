//! A gate: jobs are dropped into a folder, judged on every machine that has a sheet, and laid where they may be loaded, where
//! somebody has to decide, or where they are blocked.
//!
//! ```text
//! inbox/               jobs arrive; a file counts once it rests
//! machines/*.toml      a sheet for each machine
//! jobs/                all jobs, unpacked, under escaped names with digits of their digest
//! cleared/<machine>/   copies of those that may be loaded there
//! waiting/ blocked/    copies of those cleared for no machine, each with a text that says why
//! gonogo.ledger        what was judged and decided
//! ```
//!
//! It moves no machine and sends nothing to one. What lies in `cleared/` was judged on the sheet as it is now, or released by
//! somebody: when a sheet changes, what is not known to be cleared on the new one is taken back before anything else is done,
//! and all is judged anew, newest first, while arrivals go before.
//!
//! [`Gate::look`] looks at folders, the ledger and the day, [`Gate::step`] judges one job. Whoever calls them waits in between.

mod inbox;
mod intake;
mod names;
mod note;
mod places;
mod sheets;
mod shelf;
mod told;

use std::collections::{BTreeMap, BTreeSet};
use std::fs::{File, OpenOptions, TryLockError};
use std::io;
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};
use std::sync::mpsc::{self, Receiver, Sender};
use std::sync::{Arc, Mutex, PoisonError, RwLock};
use std::time::{Duration, Instant, SystemTime};

use crate::accepted::{Accepted, Day};
use crate::machine::Machine;
use crate::preflight::{JobError, RunContext};
use crate::service::ledger::{Judging, LEDGER_FILE, Ledger, LedgerError, Question, Standing};
use crate::threads::{Breakdown, HelperPool};

pub use intake::{Full, Intake, IntakeError, Kept};
pub use names::escaped;
pub use places::Place;
pub use shelf::{Held, Judging as JudgingNow, Row, SheetState, Shelf};
pub use told::{Answered, Told};

use inbox::{Found, Inbox};
use intake::{Ask, Room};
use places::Places;
use sheets::Sheets;

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
/// The folder of jobs is not read more often.
const LIST_EVERY: Duration = Duration::from_secs(2);

/// How a gate works.
#[derive(Debug, Clone, Copy)]
pub struct Settings {
    /// How long size and time of a file must stay the same before it is taken in.
    pub rest: Duration,
    /// Most plain bytes of a job.
    pub limit_bytes: Option<u64>,
    /// Bytes of the disk that stay free whatever comes in.
    pub keep_free_bytes: u64,
    /// Most jobs that are kept.
    pub jobs_most: usize,
}

impl Default for Settings {
    fn default() -> Self {
        Self { rest: Duration::from_secs(5), limit_bytes: None, keep_free_bytes: 0, jobs_most: usize::MAX }
    }
}

/// Why a gate cannot be opened, or not go on for now. Nothing is lost by it: what was not done is done later.
#[derive(Debug, thiserror::Error)]
pub enum GateError {
    /// Another one has it open.
    #[error("another gate is open on {}: two would take the jobs from each other", .0.display())]
    Busy(PathBuf),
    /// A folder cannot be used.
    #[error("cannot {doing} {}: {why}", path.display())]
    Folder {
        /// What was tried.
        doing: &'static str,
        /// Where.
        path: PathBuf,
        /// What the system said.
        why: io::Error,
    },
    /// The ledger cannot be used.
    #[error(transparent)]
    Ledger(#[from] LedgerError),
}

/// An open gate.
pub struct Gate {
    root: PathBuf,
    ledger: Ledger,
    places: Places,
    inbox: Inbox,
    sheets: Sheets,
    /// Digests of the jobs by their names, where known.
    jobs: BTreeMap<String, Option<String>>,
    /// Those that are to be judged and laid, the last one first.
    queue: Vec<String>,
    /// The day and the last decision for which they lie where they lie.
    as_of: Option<(Day, i64)>,
    /// What was told of files that are none of its own.
    strange: BTreeSet<String>,
    nothing_accepted: Accepted,
    /// What stands, for other threads.
    shelf: Arc<Shelf>,
    /// What came past the inbox.
    asks: (Sender<Ask>, Receiver<Ask>),
    keeping: Arc<RwLock<()>>,
    /// Names of jobs that are still to be taken out.
    leaving: BTreeSet<String>,
    /// How often the judging of a job was stopped, since something else came first.
    stopped: BTreeMap<String, u32>,
    room: Room,
    /// When the folder of jobs was read last, and when it had changed then.
    kept_as_of: Option<(Instant, SystemTime)>,
    /// Held as long as the gate is open.
    _lock: File,
}

impl Gate {
    /// Opens the gate in a folder, and makes what is missing there.
    ///
    /// # Errors
    /// Where another one has it open, or folders or the ledger cannot be used.
    pub fn open(root: &Path, settings: Settings) -> Result<Self, GateError> {
        let folder = |doing, path: &Path| {
            let path = path.to_owned();
            move |why| GateError::Folder { doing, path, why }
        };
        std::fs::create_dir_all(root).map_err(folder("make", root))?;
        let lock_path = root.join(".gonogo-gate");
        let lock =
            OpenOptions::new().create(true).append(true).open(&lock_path).map_err(folder("write", &lock_path))?;
        match lock.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => return Err(GateError::Busy(root.to_owned())),
            Err(TryLockError::Error(why)) => return Err(folder("lock", &lock_path)(why)),
        }
        let machines = root.join("machines");
        let sheets = Sheets::new(machines.clone(), settings.rest).map_err(folder("make", &machines))?;
        let ledger = Ledger::open(&root.join(LEDGER_FILE))?;
        let places = Places::new(root).map_err(folder("use the folders in", root))?;
        let inbox = root.join("inbox");
        let room = Room {
            folder: root.to_owned(),
            keep_free_bytes: settings.keep_free_bytes,
            jobs_most: settings.jobs_most,
            limit_bytes: settings.limit_bytes,
        };
        let shelf = Arc::new(Shelf::default());
        let inbox = Inbox::new(inbox.clone(), settings.rest).map_err(folder("make", &inbox))?;
        let mut gate = Self {
            root: root.to_owned(),
            ledger,
            places,
            inbox,
            sheets,
            jobs: BTreeMap::new(),
            queue: Vec::new(),
            as_of: None,
            strange: BTreeSet::new(),
            nothing_accepted: Accepted { source: String::new(), entries: Vec::new() },
            shelf,
            asks: mpsc::channel(),
            keeping: Arc::default(),
            leaving: BTreeSet::new(),
            stopped: BTreeMap::new(),
            room,
            kept_as_of: None,
            _lock: lock,
        };
        gate.remember()?;
        Ok(gate)
    }

    /// The ledger.
    pub fn ledger(&self) -> &Ledger {
        &self.ledger
    }

    /// What stands at it, for other threads.
    pub fn shelf(&self) -> &Arc<Shelf> {
        &self.shelf
    }

    /// A way in for jobs that come over a wire; `wake` is called when one has been kept, so that somebody looks.
    pub fn intake(&self, wake: impl Fn() + Send + Sync + 'static) -> Intake {
        Intake {
            jobs: self.places.jobs(),
            room: self.room.clone(),
            asks: self.asks.0.clone(),
            keeping: Arc::clone(&self.keeping),
            shelf: Arc::clone(&self.shelf),
            wake: Arc::new(wake),
        }
    }

    /// How many jobs are still to be judged or laid.
    pub fn left(&self) -> usize {
        self.queue.len()
    }

    /// How long until a file in the inbox, or a sheet, will have rested; none where none is waited for.
    pub fn next_in(&self, now: Instant) -> Option<Duration> {
        self.inbox.next_in(now).into_iter().chain(self.sheets.next_in(now)).min()
    }

    fn folder(&self, doing: &'static str, below: &str) -> impl FnOnce(io::Error) -> GateError {
        let path = self.root.join(below);
        move |why| GateError::Folder { doing, path, why }
    }

    /// Takes up the jobs that are kept; the first look puts all of them into the queue.
    fn remember(&mut self) -> Result<(), GateError> {
        let jobs = self.places.jobs();
        // However the folder was spelled then: names are its own. What was judged under a name it does not go with does not count.
        let name = |path: &str| Path::new(path).file_name().unwrap_or_default().to_string_lossy().into_owned();
        let known = self.ledger.paths()?.into_iter().map(|(path, digest)| (name(&path), digest));
        let known: BTreeMap<String, String> = known.filter(|(name, digest)| names::is_of(name, digest)).collect();
        for name in places::names(&jobs).map_err(self.folder("read", "jobs"))? {
            if names::is_ours(&name) && jobs.join(&name).is_file() {
                let digest = known.get(&name).cloned();
                self.shelve(&name, digest);
            }
        }
        Ok(())
    }

    /// A job is kept from now on.
    fn shelve(&mut self, name: &str, digest: Option<String>) {
        self.jobs.insert(name.to_owned(), digest.clone());
        self.shelf.arrived_at(&self.places.jobs().join(name), name, digest);
    }

    /// Looks at the sheets, the decisions, the day and the inbox. What is not cleared any more is taken back at once.
    ///
    /// # Errors
    /// Where a folder or the ledger cannot be used for now.
    pub fn look(&mut self, today: Day, now: Instant, tell: &mut dyn FnMut(Told)) -> Result<(), GateError> {
        let shelf = Arc::clone(&self.shelf);
        let tell: &mut dyn FnMut(Told) = &mut |told| {
            shelf.told(&told);
            tell(told);
        };
        let looked = self.look_at_all(today, now, tell);
        shelf.left(self.queue.len());
        looked
    }

    fn look_at_all(&mut self, today: Day, now: Instant, tell: &mut dyn FnMut(Told)) -> Result<(), GateError> {
        // Each is done whatever becomes of the others; the first fault is told.
        let sheets = self.look_at_sheets(now, tell);
        let settled = self.settle(today, tell);
        let found = self.look_at_jobs(now);
        let taken = self.take_in(now, tell);
        let out = self.let_out(tell);
        sheets.and(settled).and(found).and(taken).and(out)
    }

    fn look_at_sheets(&mut self, now: Instant, tell: &mut dyn FnMut(Told)) -> Result<(), GateError> {
        let looked = self.sheets.look(now, tell);
        // Sheets that cannot be read are in use no more.
        let have_changed = looked.as_ref().map_or_else(|_| self.sheets.forget(), |changed| *changed);
        if have_changed {
            // Only when all of it is done does it count as done.
            self.as_of = None;
        }
        self.shelf.sheets(self.sheets.states());
        looked.map(|_| ()).map_err(self.folder("read", "machines"))
    }

    /// Takes back and queues what does not lie there for what holds now.
    fn settle(&mut self, today: Day, tell: &mut dyn FnMut(Told)) -> Result<(), GateError> {
        self.shelf.set_warning(self.ledger.lies_ahead()?.map(|latest| {
            format!(
                "The clock of this computer may be wrong: the ledger has an entry of {latest}, which is still to come. \
                 Decisions with a last day may count too long."
            )
        }));
        let as_of = (today, self.ledger.last_decision()?);
        match self.as_of.take() {
            Some(before) if before == as_of => {}
            // Only what decisions are about can lie elsewhere.
            Some((day, last)) if day == today => {
                let digests = self.ledger.decided_since(last)?;
                let concerned = |digest: &Option<String>| digest.as_ref().is_some_and(|own| digests.contains(own));
                let names = self.jobs.iter().filter(|(_, digest)| concerned(digest)).map(|(name, _)| name.clone());
                let names: BTreeSet<String> = names.collect();
                self.withdraw(today, Some(&names), tell)?;
                // Somebody waits for these.
                self.queue.retain(|name| !names.contains(name));
                self.queue.extend(names);
            }
            // A new day, another sheet: all of them.
            _ => {
                self.withdraw(today, None, tell)?;
                let queued: BTreeSet<String> = self.queue.iter().cloned().collect();
                let mut all: Vec<String> =
                    self.by_arrival().into_iter().filter(|name| !queued.contains(name)).collect();
                all.append(&mut self.queue);
                self.queue = all;
                for (folder, file, machine) in self.sheets.with_files() {
                    self.ledger.note_use(folder, file, machine)?;
                }
            }
        }
        self.as_of = Some(as_of);
        Ok(())
    }

    /// Finds jobs that somebody has taken out of their folder, or laid there.
    fn look_at_jobs(&mut self, now: Instant) -> Result<(), GateError> {
        // The folder is read when it has changed, and not at each arrival among many.
        let jobs = self.places.jobs();
        let changed = jobs.metadata().and_then(|found| found.modified()).map_err(self.folder("read", "jobs"))?;
        let is_due = |(at, seen)| seen != changed && now.saturating_duration_since(at) >= LIST_EVERY;
        if self.kept_as_of.is_none_or(is_due) {
            let there = places::names(&jobs).map_err(self.folder("read", "jobs"))?;
            let there: BTreeSet<String> = there.into_iter().filter(|name| names::is_ours(name)).collect();
            let known: BTreeSet<String> = self.jobs.keys().cloned().collect();
            for name in there.difference(&known).filter(|name| jobs.join(name).is_file()) {
                self.shelve(name, None);
            }
            let queued: BTreeSet<String> = self.queue.iter().cloned().collect();
            self.queue.extend(there.symmetric_difference(&known).filter(|name| !queued.contains(*name)).cloned());
            self.kept_as_of = Some((now, changed));
        }
        Ok(())
    }

    /// Takes in what has come by the inbox and past it.
    fn take_in(&mut self, now: Instant, tell: &mut dyn FnMut(Told)) -> Result<(), GateError> {
        let found = self.inbox.look(now, &self.places, &self.room, self.jobs.len(), tell);
        let (mut jobs, fault) = match found {
            Ok(Found { jobs, fault: None }) => (jobs, None),
            Ok(Found { jobs, fault: Some((name, error)) }) => {
                (jobs, Some(self.folder("take in", &format!("inbox/{}", name.to_string_lossy()))(error)))
            }
            Err(error) => (Vec::new(), Some(self.folder("take jobs in from", "inbox")(error))),
        };
        for ask in self.asks.1.try_iter() {
            match ask {
                Ask::In(arrived) => {
                    tell(Told::TakenIn { from: arrived.from.clone(), name: arrived.name.clone() });
                    // Whoever sends it anew wants it back.
                    self.leaving.remove(&arrived.name);
                    jobs.push(arrived);
                }
                Ask::Out(name) => drop(self.leaving.insert(name)),
            }
        }
        // The first to arrive is the first to be judged.
        for job in jobs.into_iter().rev() {
            self.queue.retain(|name| *name != job.name);
            self.shelve(&job.name, Some(job.digest));
            self.queue.push(job.name);
        }
        fault.map_or(Ok(()), Err)
    }

    /// Takes out for good what somebody wants taken out; the ledger still knows what it got.
    fn let_out(&mut self, tell: &mut dyn FnMut(Told)) -> Result<(), GateError> {
        if self.leaving.is_empty() {
            return Ok(());
        }
        let keeping = Arc::clone(&self.keeping);
        let _keeping = keeping.write().unwrap_or_else(PoisonError::into_inner);
        // What was kept until now is told by now.
        let waiting: Vec<Ask> = self.asks.1.try_iter().collect();
        for ask in waiting {
            if let Ask::In(arrived) = &ask {
                self.leaving.remove(&arrived.name);
            }
            // Its turn comes with the next look.
            let _ = self.asks.0.send(ask);
        }
        let mut fault = None;
        for name in std::mem::take(&mut self.leaving) {
            if !self.jobs.contains_key(&name) {
                continue;
            }
            if let Err(error) = self.places.take_out(&name) {
                // Half of it may be done: it is looked at anew, and tried again.
                self.shelf.unsettle(Some(&BTreeSet::from([name.clone()])));
                fault = fault.or(Some(self.folder("take out", &format!("jobs/{name}"))(error)));
                self.queue.push(name.clone());
                self.leaving.insert(name);
                continue;
            }
            self.jobs.remove(&name);
            self.queue.retain(|queued| *queued != name);
            self.shelf.gone(&name);
            tell(Told::TakenOut { name });
        }
        fault.map_or(Ok(()), Err)
    }

    fn by_arrival(&self) -> Vec<String> {
        let jobs = self.places.jobs();
        let arrived = |name: &str| jobs.join(name).metadata().and_then(|found| found.modified()).ok();
        let mut by_time: Vec<_> = self.jobs.keys().map(|name| (arrived(name), name.clone())).collect();
        by_time.sort();
        by_time.into_iter().map(|(_, name)| name).collect()
    }

    /// What is known of a job on a machine.
    fn standing(&self, name: &str, machine: &Machine, today: Day) -> Result<Option<Standing>, GateError> {
        let Some(Some(digest)) = self.jobs.get(name) else { return Ok(None) };
        let facts = machine.facts();
        let question = Question::of(digest, name, &facts, &self.nothing_accepted, today);
        Ok(self.ledger.standing_of(&question, today)?)
    }

    /// Takes back what is not known to be cleared as things are now.
    fn withdraw(
        &mut self,
        today: Day,
        only: Option<&BTreeSet<String>>,
        tell: &mut dyn FnMut(Told),
    ) -> Result<(), GateError> {
        // Nobody is to take them for cleared meanwhile.
        self.shelf.unsettle(only);
        // Asked for what lies there alone.
        let mut fault = None;
        let is_cleared = |folder: &str, name: &str| {
            let machine = self.sheets.machines().find(|(of, _)| *of == folder);
            let standing = machine.map_or(Ok(None), |(_, machine)| self.standing(name, machine, today));
            match standing {
                Ok(standing) => Some(standing.is_some_and(|standing| Place::of(&standing) == Place::Cleared)),
                Err(error) => {
                    fault = Some(error);
                    None
                }
            }
        };
        let mut strangers = Vec::new();
        let withdrawn = self.places.withdraw(only, is_cleared, |machine, names, strange| {
            strangers.extend(strange.into_iter().map(|name| format!("cleared/{machine}/{name}")));
            if !names.is_empty() {
                tell(Told::Withdrawn { machine, names });
            }
        });
        for at in strangers {
            if self.strange.insert(at.clone()) {
                tell(Told::Left { at, why: "it did not come through this gate: nobody judged it".to_owned() });
            }
        }
        withdrawn.map_err(self.folder("take jobs back from", "cleared"))?;
        fault.map_or(Ok(()), Err)?;
        for (folder, _) in self.sheets.machines() {
            self.places.open_for(folder).map_err(self.folder("make", "cleared"))?;
        }
        Ok(())
    }

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
                decided: standing.decided,
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
            return Ok(Judged::Before);
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
