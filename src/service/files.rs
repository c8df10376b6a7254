//! Files that a request names, read on a thread of their own: a read may never come back, on a network folder that is
//! gone or from a file that is none. Nobody waits for it longer than the request may take.

use std::fs::{self, File};
use std::io::{self, Read};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, SendError, Sender, SyncSender, channel, sync_channel};
use std::sync::{Arc, Mutex, OnceLock, PoisonError, Weak};
use std::thread;
use std::time::{Duration, Instant};

use crate::machine::SHEET_MAX_BYTES;
use crate::preflight::Unchanged;

/// Most reads that are left behind because they did not come back in time.
pub const LEFT_BEHIND_MAX: usize = 32;
/// How long a read may take once the worker was told to stop.
const GRACE: Duration = Duration::from_secs(2);
/// How often who waits looks whether the worker was told to stop.
const LOOK: Duration = Duration::from_millis(100);
/// Bytes that are handed over at a time.
const PART_BYTES: usize = 64 << 10;
/// Parts that are read ahead.
const PARTS_AHEAD: usize = 2;

/// Opens a file, or says why not.
pub type Open = fn(&Path) -> io::Result<File>;

/// Opens a regular file alone. A pipe is none, whoever has named it: its bytes come once, so that a request that is asked
/// again would judge something else, `/dev/stdin` holds the requests, and what a shell writes as `<(...)` is a name in its
/// own processes. What a device gives may have no end.
pub fn regular(path: &Path) -> io::Result<File> {
    if !fs::metadata(path)?.is_file() {
        return Err(io::Error::other("it is not a regular file"));
    }
    File::open(path)
}

/// Why the bytes of a file did not come.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Unread {
    /// The time for the request is over.
    #[error("its bytes did not come in time")]
    Late,
    /// The worker was told to stop.
    #[error("the worker was told to stop, and its bytes did not come")]
    Stopping,
    /// Too many reads hang.
    #[error("{LEFT_BEHIND_MAX} reads that took too long have not come back, and no file is read until one does")]
    TooMany,
    /// The system does not do its part.
    #[error("there is no thread to read it")]
    NoThread,
}

/// What the reads of all requests have in common.
pub struct Reads {
    open: Open,
    /// Most that may run at a time.
    most: usize,
    running: AtomicUsize,
    /// How threads that have nothing to read are reached.
    idle: Mutex<Vec<Sender<Errand>>>,
    /// When the worker was told to stop.
    stopped: OnceLock<Instant>,
}

impl Reads {
    /// For so many requests at a time.
    pub fn new(requests: usize, open: Open) -> Self {
        Self {
            open,
            most: requests + LEFT_BEHIND_MAX,
            running: AtomicUsize::new(0),
            idle: Mutex::default(),
            stopped: OnceLock::new(),
        }
    }

    /// From now on no request waits long for a read.
    pub fn stop(&self) {
        self.stopped.get_or_init(Instant::now);
    }

    /// Begins to read files, one after another, whose bytes are then asked for in this order.
    ///
    /// # Errors
    /// When no file can be read now.
    pub fn begin(self: &Arc<Self>, files: Vec<Named>, until: Option<Instant>) -> Result<Reading, Unread> {
        let (sender, parts) = sync_channel(PARTS_AHEAD);
        let reading = Reading { parts, part: io::Cursor::default(), at_end: false, until, reads: self.clone() };
        if files.is_empty() {
            return Ok(reading);
        }
        let running = Running::one_more(self).ok_or(Unread::TooMany)?;
        let mut errand = Errand { files, parts: sender, running };
        let idle = self.idle.lock().unwrap_or_else(PoisonError::into_inner).pop();
        if let Some(idle) = idle {
            match idle.send(errand) {
                Ok(()) => return Ok(reading),
                Err(SendError(unsent)) => errand = unsent,
            }
        }
        let (reads, open) = (Arc::downgrade(self), self.open);
        let read = move || Errand::run_all(errand, &reads, open);
        thread::Builder::new().name("files".to_owned()).spawn(read).map_err(|_| Unread::NoThread)?;
        Ok(reading)
    }
}

/// Files to read, and who waits for them.
struct Errand {
    files: Vec<Named>,
    parts: SyncSender<Part>,
    running: Running,
}

impl Errand {
    /// Runs one errand after another, as long as there is somebody who may have one. A thread whose read hangs is asked no more.
    fn run_all(first: Self, reads: &Weak<Reads>, open: Open) {
        let mut errand = first;
        loop {
            let Self { files, parts, running } = errand;
            // Who has asked may have gone.
            let _ = files.iter().try_for_each(|file| file.hand_over(open, &parts));
            drop((running, parts));
            let Some(reads) = reads.upgrade() else { return };
            let (sender, next) = channel();
            reads.idle.lock().unwrap_or_else(PoisonError::into_inner).push(sender);
            drop(reads);
            match next.recv() {
                Ok(more) => errand = more,
                Err(_) => return,
            }
        }
    }
}

/// One that runs.
struct Running(Arc<Reads>);

impl Running {
    fn one_more(reads: &Arc<Reads>) -> Option<Self> {
        let counted = Self(reads.clone());
        (reads.running.fetch_add(1, Ordering::Relaxed) < reads.most).then_some(counted)
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        self.0.running.fetch_sub(1, Ordering::Relaxed);
    }
}

/// Bytes that were read; none at the end of a file.
type Part = io::Result<Vec<u8>>;

/// A file of a request.
pub enum Named {
    /// A machine sheet, of which no more is read than shows that it is too large.
    Sheet(PathBuf),
    /// The job, which must stay as it is meanwhile.
    Job(PathBuf),
}

impl Named {
    fn open(&self, open: Open) -> io::Result<Box<dyn Read>> {
        Ok(match self {
            Self::Sheet(path) => Box::new(open(path)?.take(SHEET_MAX_BYTES as u64 + 1)),
            Self::Job(path) => Box::new(Unchanged::of(open(path)?)?),
        })
    }

    /// Hands over all bytes and the end, or why there are no more.
    fn hand_over(&self, open: Open, parts: &SyncSender<Part>) -> Result<(), SendError<Part>> {
        let mut source = match self.open(open) {
            Ok(source) => source,
            Err(error) => return parts.send(Err(error)),
        };
        loop {
            let mut part = Vec::with_capacity(PART_BYTES);
            if let Err(error) = source.by_ref().take(PART_BYTES as u64).read_to_end(&mut part) {
                return parts.send(Err(error));
            }
            let is_last = part.len() < PART_BYTES;
            if !part.is_empty() {
                parts.send(Ok(part))?;
            }
            if is_last {
                return parts.send(Ok(Vec::new()));
            }
        }
    }
}

/// Files that are being read. As [`Read`] it is the rest of the one file.
pub struct Reading {
    parts: Receiver<Part>,
    part: io::Cursor<Vec<u8>>,
    at_end: bool,
    until: Option<Instant>,
    reads: Arc<Reads>,
}

impl Reading {
    /// All bytes of the next file, or why the system does not give them.
    ///
    /// # Errors
    /// When the bytes do not come.
    pub fn whole(&mut self) -> Result<io::Result<Vec<u8>>, Unread> {
        let mut bytes = Vec::new();
        loop {
            match self.next_part()? {
                Ok(part) if part.is_empty() => return Ok(Ok(bytes)),
                Ok(part) => bytes.extend(part),
                Err(error) => return Ok(Err(error)),
            }
        }
    }

    fn next_part(&self) -> Result<Part, Unread> {
        let asked = Instant::now();
        loop {
            let now = Instant::now();
            let left = self.until.map_or(LOOK, |until| until.saturating_duration_since(now));
            if left.is_zero() {
                return Err(Unread::Late);
            }
            if self.reads.stopped.get().is_some_and(|stopped| now.duration_since(asked.max(*stopped)) >= GRACE) {
                return Err(Unread::Stopping);
            }
            match self.parts.recv_timeout(left.min(LOOK)) {
                Ok(part) => return Ok(part),
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => return Ok(Err(io::Error::other("the reading broke down"))),
            }
        }
    }
}

impl Read for Reading {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let count = self.part.read(buffer)?;
        if count > 0 || buffer.is_empty() || self.at_end {
            return Ok(count);
        }
        let part = self.next_part().map_err(io::Error::other)??;
        self.at_end = part.is_empty();
        self.part = io::Cursor::new(part);
        self.part.read(buffer)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn reads() -> Arc<Reads> {
        Arc::new(Reads::new(1, regular))
    }

    #[test]
    fn files_come_whole_and_in_order_and_one_that_cannot_be_read_stops_none() {
        let folder = tempfile::tempdir().expect("temporary directory");
        let write = |name: &str, bytes: &[u8]| {
            let path = folder.path().join(name);
            fs::write(&path, bytes).expect("writes");
            path
        };
        let large: Vec<u8> = (0..5 * PART_BYTES).map(|n| (n % 251) as u8).collect();
        let files = vec![
            Named::Sheet(write("empty", b"")),
            Named::Sheet(folder.path().join("missing")),
            Named::Sheet(folder.path().to_owned()),
            Named::Sheet(write("sheet", &large[..PART_BYTES])),
            Named::Sheet(write("too-large", &vec![b'x'; SHEET_MAX_BYTES + 100])),
            Named::Job(write("job", &large)),
        ];
        let mut reading = reads().begin(files, None).expect("begins");
        let mut next = || reading.whole().expect("comes").map_err(|error| error.to_string());
        assert_eq!(next(), Ok(vec![]));
        assert!(next().is_err());
        assert_eq!(next(), Err("it is not a regular file".to_owned()));
        assert!(next().is_ok_and(|bytes| bytes == large[..PART_BYTES]));
        assert_eq!(next().map(|bytes| bytes.len()), Ok(SHEET_MAX_BYTES + 1));
        let mut job = Vec::new();
        reading.read_to_end(&mut job).expect("reads");
        assert!(job == large);
        assert_eq!(reading.read(&mut [0; 8]).expect("is still at its end"), 0);
    }

    #[cfg(unix)]
    #[test]
    fn so_many_reads_are_left_behind_and_no_more_until_one_comes_back() {
        let folder = tempfile::tempdir().expect("temporary directory");
        let pipe = folder.path().join("pipe");
        assert!(std::process::Command::new("mkfifo").arg(&pipe).status().expect("runs").success());
        // Pipes and all: nobody writes into this one.
        let reads = Arc::new(Reads::new(1, |path| File::open(path)));
        let begin = |until| reads.begin(vec![Named::Job(pipe.clone())], until);
        let short = || Some(Instant::now() + Duration::from_millis(1));
        for _ in 0..LEFT_BEHIND_MAX {
            assert!(matches!(begin(short()).expect("begins").whole(), Err(Unread::Late)));
        }
        let mut last = begin(None).expect("one at work besides");
        assert!(matches!(begin(None), Err(Unread::TooMany)));
        assert!(reads.begin(Vec::new(), None).is_ok(), "who needs no file is not kept");
        // Now somebody writes nothing and ends: all that hang come back. Some have not opened it yet, and wait for a writer of
        // their own.
        while reads.running.load(Ordering::Relaxed) > 0 {
            drop(fs::OpenOptions::new().read(true).write(true).open(&pipe));
            thread::yield_now();
        }
        assert!(last.whole().is_ok());
        assert!(begin(short()).is_ok());
    }
}
