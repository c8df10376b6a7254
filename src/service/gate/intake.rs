//! A way in for jobs that come over a wire: they are whole when they come, so nothing has to rest.

use std::collections::BTreeSet;
use std::fs::File;
use std::io::{self, Read, Write};
use std::path::PathBuf;
use std::sync::mpsc::Sender;
use std::sync::{Arc, PoisonError, RwLock};

use super::inbox::{Arrived, keep};
use super::places::unfinished;
use super::shelf::{Held, Shelf};
use crate::preflight::{Bounds, CopyError, JobSource};
use crate::wording::digest;

/// How much may be kept.
#[derive(Debug, Clone)]
pub(super) struct Room {
    pub(super) folder: PathBuf,
    pub(super) keep_free_bytes: u64,
    pub(super) jobs_most: usize,
    pub(super) limit_bytes: Option<u64>,
}

/// Why there is no room.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum Full {
    /// Of the disk too little would be left.
    #[error("the disk is nearly full: {free} bytes are free, {keep} are kept free; make room")]
    Disk {
        /// Bytes that are free.
        free: u64,
        /// Bytes that stay free.
        keep: u64,
    },
    /// There are as many jobs as there may be.
    #[error("{0} jobs are kept, and no more may be: take some out of jobs/")]
    Jobs(usize),
}

impl From<Full> for io::Error {
    fn from(full: Full) -> Self {
        Self::new(io::ErrorKind::StorageFull, full)
    }
}

impl Room {
    /// Whether one more job of so many bytes may come where so many are kept.
    pub(super) fn is_there(&self, kept: usize, bytes: u64) -> Result<(), Full> {
        if kept >= self.jobs_most {
            return Err(Full::Jobs(kept));
        }
        self.disk_holds(bytes)
    }

    fn disk_holds(&self, bytes: u64) -> Result<(), Full> {
        // Where the system does not tell, writing will.
        let Ok(free) = fs4::available_space(&self.folder) else { return Ok(()) };
        match free < self.keep_free_bytes.saturating_add(bytes) {
            true => Err(Full::Disk { free, keep: self.keep_free_bytes }),
            false => Ok(()),
        }
    }

    /// Copies the plain bytes of a job as long as there is room; their digest.
    ///
    /// # Errors
    /// Like [`JobSource::copy_to`]; what cannot be written for want of room holds a [`Full`].
    pub(super) fn copy(&self, source: JobSource<'_>, file: &mut File) -> Result<String, CopyError> {
        let source = source.within(Bounds { bytes: self.limit_bytes, until: None });
        source.copy_to(&mut Watched { file, room: self, left: LOOK_EVERY_BYTES }).map(digest)
    }
}

/// Takes jobs in. What it has said is kept is on the disk, and will be judged whatever happens.
#[derive(Clone)]
pub struct Intake {
    pub(super) jobs: PathBuf,
    pub(super) room: Room,
    pub(super) asks: Sender<Ask>,
    /// Held for reading while a job is kept and told, for writing while jobs are taken out: nothing is taken out between.
    pub(super) keeping: Arc<RwLock<()>>,
    pub(super) shelf: Arc<Shelf>,
    pub(super) wake: Arc<dyn Fn() + Send + Sync>,
}

/// What is asked of the gate over a wire, in the order in which it came.
pub(super) enum Ask {
    /// A job was kept.
    In(Arrived),
    /// One is to be taken out, by its name.
    Out(String),
    /// One is to be judged anew, since what was known of it is gone.
    Anew(String),
}

/// A job that is kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Kept {
    /// The name under which it is kept.
    pub name: String,
    /// The digest of its plain bytes.
    pub digest: String,
    /// False where it was there already.
    pub is_new: bool,
}

/// Why a job is not taken in. Nothing of it is kept.
#[derive(Debug, thiserror::Error)]
pub enum IntakeError {
    /// There is no room.
    #[error(transparent)]
    Full(#[from] Full),
    /// It is no job, and why.
    #[error("{0}")]
    NotAJob(String),
    /// It has more plain bytes than it may.
    #[error("it has more than {0} bytes after unpacking: raise --limit-bytes where the gate is started")]
    TooLarge(u64),
    /// It did not come to its end.
    #[error("it did not come whole: {0}")]
    Cut(io::Error),
    /// It cannot be written.
    #[error("it cannot be kept: {0}")]
    Unwritten(io::Error),
}

impl Intake {
    /// Most plain bytes of a job.
    pub fn limit_bytes(&self) -> Option<u64> {
        self.room.limit_bytes
    }

    /// Makes the gate look: there is something new.
    pub fn wake(&self) {
        (self.wake)();
    }

    /// Asks the gate to take a job out for good. Where the gate ends before it does, the job stays.
    pub fn take_out(&self, name: &str) {
        let _ = self.asks.send(Ask::Out(name.to_owned()));
        self.wake();
    }

    /// Asks the gate to judge a job anew, since what was known of it is gone; until then nothing of it stands.
    pub fn judge_anew(&self, name: &str) {
        self.shelf.unsettle(Some(&BTreeSet::from([name.to_owned()])));
        let _ = self.asks.send(Ask::Anew(name.to_owned()));
        self.wake();
    }

    /// Keeps a job that comes as plain or packed bytes, of which about so many are announced. Reading errors other than broken
    /// packing must be of the kinds [`io::ErrorKind::ConnectionAborted`] or [`io::ErrorKind::TimedOut`].
    ///
    /// # Errors
    /// See [`IntakeError`].
    pub fn take(&self, name: &str, bytes: impl Read + Send, announced: u64) -> Result<Kept, IntakeError> {
        self.room.is_there(self.shelf.read(Held::jobs), announced)?;
        let mut copy = unfinished(&self.jobs).map_err(IntakeError::Unwritten)?;
        let source = JobSource::contents(bytes, name);
        let content = self.room.copy(source, copy.as_file_mut()).map_err(|error| match error {
            CopyError::TooLarge { bytes } => IntakeError::TooLarge(bytes),
            CopyError::Write(error) => match error.get_ref().and_then(|inner| inner.downcast_ref::<Full>()) {
                Some(full) => IntakeError::Full(*full),
                None => IntakeError::Unwritten(error),
            },
            CopyError::Read(error) if is_of_the_wire(&error) => IntakeError::Cut(error),
            error @ (CopyError::Read(_) | CopyError::NotAJob(_)) => IntakeError::NotAJob(error.to_string()),
        })?;
        let _keeping = self.keeping.read().unwrap_or_else(PoisonError::into_inner);
        let kept = keep(copy, &self.jobs, name, &content).map_err(IntakeError::Unwritten)?;
        // Whoever asks for it at once finds it there.
        self.shelf.arrived_at(&self.jobs.join(&kept.name), &kept.name, Some(kept.digest.clone()));
        let (from, of) = (name.to_owned(), kept.clone());
        // Where nobody takes it the gate has ended; opened again it finds the job.
        let _ = self.asks.send(Ask::In(Arrived { from, name: of.name, digest: of.digest }));
        self.wake();
        Ok(kept)
    }
}

/// Room is looked for anew after so many bytes: packed jobs are larger than announced, and others come meanwhile.
const LOOK_EVERY_BYTES: usize = 1 << 20;

/// Writes as long as there is room.
struct Watched<'f> {
    file: &'f mut File,
    room: &'f Room,
    left: usize,
}

impl Write for Watched<'_> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        if self.left < bytes.len() {
            self.room.disk_holds(0)?;
            self.left = LOOK_EVERY_BYTES;
        }
        let count = self.file.write(bytes)?;
        self.left = self.left.saturating_sub(count);
        Ok(count)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.file.flush()
    }
}

fn is_of_the_wire(error: &io::Error) -> bool {
    matches!(error.kind(), io::ErrorKind::ConnectionAborted | io::ErrorKind::TimedOut)
}
