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
mod keeping;
mod laying;
mod looking;
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
use crate::preflight::{JobError, JobSource, RunContext};
use crate::service::ledger::{Judging, LEDGER_FILE, Ledger, LedgerError, Question, Standing};
use crate::threads::{Breakdown, HelperPool};
use crate::wording::digest;

pub use intake::{Full, Intake, IntakeError, Kept};
pub use keeping::unwanted;
pub use places::Place;
pub use shelf::{Held, Row, SheetState, Shelf};
pub use told::{Answered, Told};

use inbox::{Found, Inbox};
use intake::{Ask, Room};
use places::Places;
use sheets::Sheets;

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
    /// How many days a job is kept that nobody wants any more; none for good.
    pub keep_days: Option<u32>,
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
    keep_days: Option<u32>,
    clock: keeping::Clock,
    /// The folders of machines that were there at the last look.
    folders: Vec<PathBuf>,
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
            keep_days: settings.keep_days,
            clock: keeping::Clock::now(),
            folders: Vec::new(),
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
    pub fn intake(&self, wake: Arc<dyn Fn() + Send + Sync>) -> Intake {
        Intake {
            jobs: self.places.jobs(),
            room: self.room.clone(),
            asks: self.asks.0.clone(),
            keeping: Arc::clone(&self.keeping),
            shelf: Arc::clone(&self.shelf),
            wake,
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
        for (name, digest) in keeping::kept(&self.places.jobs(), &self.ledger)? {
            self.shelve(&name, digest);
        }
        Ok(())
    }

    /// A job is kept from now on.
    fn shelve(&mut self, name: &str, digest: Option<String>) {
        self.jobs.insert(name.to_owned(), digest.clone());
        self.shelf.arrived_at(&self.places.jobs().join(name), name, digest);
    }

    /// What is known of a job on a machine.
    fn standing(&self, name: &str, machine: &Machine, today: Day) -> Result<Option<Standing>, GateError> {
        let Some(Some(digest)) = self.jobs.get(name) else { return Ok(None) };
        let facts = machine.facts();
        let question = Question::of(digest, name, &facts, &self.nothing_accepted, today);
        Ok(self.ledger.standing_of(&question, today)?)
    }
}
