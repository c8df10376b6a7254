//! A ledger: one SQLite file that keeps what was judged, what was decided on it, and the prints that came of it.
//!
//! [`Ledger`] is the file, [`Judging`] judges jobs and answers from the file what was judged before. It moves no machine and
//! sends nothing to one.
//!
//! A job is known by the digest of its plain bytes, a sheet by that of its text; names are data. Kept is the report as JSON,
//! not rendered: [`json::read`](crate::show::report::json::read) gives back the very [`Inspection`](crate::findings::Inspection),
//! and whatever is asked for is rendered from it as if it had been computed. All that it hangs on is in its [`Question`];
//! where anything of that changes, the job is judged anew and the old inspection stays beside the new one.
//!
//! ```
//! use gonogo::accepted::{Accepted, day_of};
//! use gonogo::machine::Machine;
//! use gonogo::preflight::{JobSource, RunContext, silent};
//! use gonogo::service::ledger::{Judging, Ledger};
//! use gonogo::threads::HelperPool;
//!
//! let folder = tempfile::tempdir()?;
//! let job = folder.path().join("line.gcode");
//! std::fs::write(&job, "G28\nM109 S200\nG1 Z0.2 F600\nG1 X20 E1\nM104 S0\n")?;
//! let ledger = Ledger::open(&folder.path().join("gonogo.ledger"))?;
//! let (machine, accepted) = (Machine::built_in(), Accepted { source: String::new(), entries: Vec::new() });
//! let judging = Judging { ledger: &ledger, machines: &[&machine], accepted: &accepted, today: day_of(0), anew: false };
//! let helpers = HelperPool::default();
//! let first = judging.judge(&job, RunContext::new(&silent, &helpers))?;
//! let second = judging.judge(&job, RunContext::new(&silent, &helpers))?;
//! assert_eq!((first.known, second.known), (0, 1));
//! assert_eq!(first.inspections, second.inspections);
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

mod decisions;
mod error;
mod inspections;
mod judging;
mod listed;
mod model;
mod prints;
mod schema;
mod standing;
#[cfg(test)]
mod tests;
mod upkeep;
mod uses;

use std::fs;
use std::io::{self, Read};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, MutexGuard, PoisonError};

use rusqlite::{Connection, OpenFlags, Transaction, TransactionBehavior};

use crate::machine::nearest_file;

pub use decisions::{Choice, DecideError, Decided, Decision, Said, is_open_unsafe};
pub use error::{LedgerError, What};
pub use inspections::Question;
pub use judging::{Answer, Judging};
pub use listed::{Listed, Named};
pub use model::MODEL;
pub use standing::{Figures, Standing};
pub use upkeep::{BackupError, Pruned};
pub use uses::{Rejudged, SheetUse};

/// Name of the ledger that is looked for from the current directory upward.
pub const LEDGER_FILE: &str = "gonogo.ledger";

/// The nearest [`LEDGER_FILE`] from `start_dir` upward.
pub fn nearest(start_dir: &Path) -> Option<PathBuf> {
    nearest_file(start_dir, LEDGER_FILE)
}

/// What time it is, for SQL.
const NOW: &str = "strftime('%Y-%m-%dT%H:%M:%SZ', 'now')";

/// An open ledger. Threads may share it; other programs may read it meanwhile, and write in turn.
pub struct Ledger {
    path: PathBuf,
    /// Its place in the file system when it was opened, where there are such places.
    place: Option<[u64; 2]>,
    connection: Mutex<Connection>,
}

fn place(path: &Path) -> Option<[u64; 2]> {
    #[cfg(unix)]
    return fs::metadata(path).ok().map(|found| {
        use std::os::unix::fs::MetadataExt;
        [found.dev(), found.ino()]
    });
    #[cfg(not(unix))]
    return path.exists().then_some([0; 2]);
}

impl Ledger {
    /// Opens a ledger, or begins one where there is none.
    ///
    /// # Errors
    /// When it cannot be used; it is then as it was.
    pub fn open(path: &Path) -> Result<Self, LedgerError> {
        Self::open_with(path, OpenFlags::SQLITE_OPEN_CREATE)
    }

    /// Opens a ledger that is there.
    ///
    /// # Errors
    /// Like [`Self::open`], and where there is none.
    pub fn open_existing(path: &Path) -> Result<Self, LedgerError> {
        match fs::metadata(path) {
            Err(error) if error.kind() == io::ErrorKind::NotFound => Err(LedgerError::new(path, What::Missing)),
            _ => Self::open_with(path, OpenFlags::empty()),
        }
    }

    fn open_with(path: &Path, create: OpenFlags) -> Result<Self, LedgerError> {
        let refuse = |what| LedgerError::new(path, what);
        // A database opened by a relative name could be taken for one of its special names.
        let full = std::path::absolute(path).map_err(|error| refuse(What::Refused(error.to_string())))?;
        look_at(&full).map_err(refuse)?;
        Self::connect(path, &full, create)
    }

    /// Another connection to the same file. Where one is open in this process no other way may be taken: whoever closes a file
    /// lets go of all locks that its process has on it (POSIX `fcntl`), and another program would take it for nobody's.
    ///
    /// # Errors
    /// Like [`Self::open`].
    pub fn again(&self) -> Result<Self, LedgerError> {
        self.is_in_place()?;
        let full = std::path::absolute(&self.path).map_err(|error| self.refusal(&error.to_string()))?;
        Self::connect(&self.path, &full, OpenFlags::empty())
    }

    fn connect(path: &Path, full: &Path, create: OpenFlags) -> Result<Self, LedgerError> {
        let refuse = |what| LedgerError::new(path, what);
        let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX | create;
        let mut connection = Connection::open_with_flags(full, flags).map_err(|error| refuse(error.into()))?;
        schema::prepare(&mut connection).map_err(refuse)?;
        Ok(Self { path: path.to_owned(), place: place(full), connection: Mutex::new(connection) })
    }

    /// Its path as given.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// What it does not do, and why.
    fn refusal(&self, why: &str) -> LedgerError {
        LedgerError::new(&self.path, What::Refused(why.to_owned()))
    }

    /// Reads.
    fn read<T>(&self, ask: impl FnOnce(&Connection) -> Result<T, What>) -> Result<T, LedgerError> {
        ask(&self.lock()).map_err(|what| LedgerError::new(&self.path, what))
    }

    /// Whether what is written still goes into the file at its path.
    ///
    /// # Errors
    /// Where that is gone, or is another one.
    pub fn is_in_place(&self) -> Result<(), LedgerError> {
        match place(&self.path) == self.place {
            true => Ok(()),
            false => Err(LedgerError::new(&self.path, What::Gone)),
        }
    }

    /// Writes: all of it or nothing.
    fn write<T, E: From<LedgerError>>(
        &self,
        act: impl FnOnce(&Transaction<'_>) -> Result<T, Fault<E>>,
    ) -> Result<T, E> {
        self.is_in_place()?;
        let mut connection = self.lock();
        let carried = connection.transaction_with_behavior(TransactionBehavior::Immediate).map_err(Fault::from);
        let carried = carried.and_then(|transaction| {
            let done = act(&transaction)?;
            transaction.commit()?;
            Ok(done)
        });
        carried.map_err(|fault| match fault {
            Fault::Ledger(what) => LedgerError::new(&self.path, what).into(),
            Fault::Other(error) => error,
        })
    }

    fn lock(&self) -> MutexGuard<'_, Connection> {
        // What a thread that panicked had not brought to its end was taken back.
        self.connection.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Why writing ends: a fault of the ledger, or one that its caller has.
enum Fault<E> {
    Ledger(What),
    Other(E),
}

impl<E> From<rusqlite::Error> for Fault<E> {
    fn from(error: rusqlite::Error) -> Self {
        Self::Ledger(error.into())
    }
}

impl<E> From<What> for Fault<E> {
    fn from(what: What) -> Self {
        Self::Ledger(what)
    }
}

/// The first bytes of every SQLite file (SQLite, Database File Format, 1.3).
const MAGIC: &[u8] = b"SQLite format 3\0";

/// What the system says of a place in better words than the database. It would also take a file of a few bytes for an empty
/// one, and write over it.
fn look_at(path: &Path) -> Result<(), What> {
    let is_missing = |error: &io::Error| error.kind() == io::ErrorKind::NotFound;
    let folder = path.parent().unwrap_or(path);
    match fs::metadata(path) {
        Ok(found) if !found.is_file() => return Err(What::NotALedger),
        Ok(_) => {}
        Err(error) if is_missing(&error) && folder.is_dir() => return Ok(()),
        Err(error) => return Err(What::Refused(error.to_string())),
    }
    let mut start = Vec::new();
    let read = fs::File::open(path).and_then(|file| file.take(MAGIC.len() as u64).read_to_end(&mut start));
    read.map_err(|error| What::Refused(error.to_string()))?;
    if start.is_empty() || start == MAGIC { Ok(()) } else { Err(What::NotALedger) }
}
