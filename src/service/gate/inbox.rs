//! Taking jobs in: a file that rests is copied to the jobs, its bytes unpacked, and then leaves the inbox.

use std::collections::HashMap;
use std::ffi::{OsStr, OsString};
use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant, SystemTime};

use tempfile::NamedTempFile;

use super::names::{Digits, escaped, of_job};
use super::places::{Places, sync_folder, unfinished, write};
use super::told::Told;
use crate::preflight::{Bounds, CopyError, JobSource};

/// A file in the inbox, as it was seen, and since when it is so.
struct Seen {
    size_and_time: (u64, Option<SystemTime>),
    since: Instant,
}

/// The folder into which jobs are dropped.
pub(super) struct Inbox {
    folder: PathBuf,
    rest: Duration,
    limit_bytes: Option<u64>,
    seen: HashMap<OsString, Seen>,
    /// What is left where it is, told already.
    left: Vec<OsString>,
}

/// A job that was taken in.
pub(super) struct Arrived {
    pub(super) name: String,
    pub(super) digest: String,
}

impl Inbox {
    pub(super) fn new(folder: PathBuf, rest: Duration, limit_bytes: Option<u64>) -> io::Result<Self> {
        fs::create_dir_all(&folder)?;
        Ok(Self { folder, rest, limit_bytes, seen: HashMap::new(), left: Vec::new() })
    }

    /// How long until the next file will have rested; none where none is waited for.
    pub(super) fn next_in(&self, now: Instant) -> Option<Duration> {
        let left = |seen: &Seen| self.rest.saturating_sub(now.saturating_duration_since(seen.since));
        self.seen.values().map(left).min()
    }

    /// Takes in what has rested, the oldest first.
    ///
    /// # Errors
    /// When the inbox cannot be read, or a job not be kept: it then still lies in the inbox.
    pub(super) fn look(
        &mut self,
        now: Instant,
        places: &Places,
        tell: &mut dyn FnMut(Told),
    ) -> io::Result<Vec<Arrived>> {
        let mut ready = Vec::new();
        let mut seen = HashMap::new();
        for entry in fs::read_dir(&self.folder)? {
            let entry = entry?;
            let name = entry.file_name();
            // Who has sent it may have taken it back meanwhile.
            let Ok(found) = entry.metadata() else { continue };
            if is_unfinished(&name) {
                continue;
            }
            if !found.is_file() {
                let why = if found.is_dir() { "it is a folder" } else { "it is no regular file" };
                self.leave(&name, why, tell);
                continue;
            }
            let size_and_time = (found.len(), found.modified().ok());
            let since = self.seen.get(&name).filter(|before| before.size_and_time == size_and_time);
            let since = since.map_or(now, |before| before.since);
            if now.saturating_duration_since(since) >= self.rest {
                ready.push((size_and_time.1, name.clone()));
            }
            seen.insert(name, Seen { size_and_time, since });
        }
        self.seen = seen;
        ready.sort();
        let mut arrived = Vec::new();
        for (_, name) in ready {
            match self.take_in(&name, places, tell) {
                Ok(job) => arrived.extend(job),
                Err(Refusal::File(error)) => self.leave(&name, &format!("it cannot be read: {error}"), tell),
                Err(Refusal::Gate(error)) if arrived.is_empty() => return Err(error),
                // What was taken in must be judged; the fault comes again with the next look.
                Err(Refusal::Gate(_)) => return Ok(arrived),
            }
            self.seen.remove(&name);
        }
        Ok(arrived)
    }

    fn leave(&mut self, name: &OsStr, why: &str, tell: &mut dyn FnMut(Told)) {
        if !self.left.iter().any(|left| left == name) {
            tell(Told::Left { at: format!("inbox/{}", name.to_string_lossy()), why: why.to_owned() });
            self.left.push(name.to_owned());
        }
    }

    fn take_in(&self, name: &OsStr, places: &Places, tell: &mut dyn FnMut(Told)) -> Result<Option<Arrived>, Refusal> {
        let (path, from) = (self.folder.join(name), name.to_string_lossy().into_owned());
        let size_and_time =
            || fs::metadata(&path).and_then(|found| Ok((found.len(), found.modified()?))).map_err(Refusal::File);
        let before = size_and_time()?;
        let mut copy = unfinished(&places.jobs()).map_err(Refusal::Gate)?;
        let source = JobSource::at(&path).within(Bounds { bytes: self.limit_bytes, until: None });
        let digest = match source.copy_to(copy.as_file_mut()) {
            Ok(digest) => format!("blake3:{}", digest.to_hex()),
            Err(CopyError::Write(error)) => return Err(Refusal::Gate(error)),
            // Whoever writes it goes on: it is not finished.
            Err(_) if size_and_time()? != before => return Ok(None),
            Err(error) => {
                // One that cannot even be moved is left.
                refuse(&path, &from, &error.to_string(), places).map_err(Refusal::File)?;
                tell(Told::Unreadable { from, why: error.to_string() });
                return Ok(None);
            }
        };
        if size_and_time()? != before {
            return Ok(None);
        }
        let name = keep(copy, &places.jobs(), &from, &digest).map_err(Refusal::Gate)?;
        fs::remove_file(&path).and_then(|()| sync_folder(&self.folder)).map_err(Refusal::File)?;
        tell(Told::TakenIn { from, name: name.clone() });
        Ok(Some(Arrived { name, digest }))
    }
}

/// Why a file is not taken in.
enum Refusal {
    /// For what it is: others may be.
    File(io::Error),
    /// Nothing can be kept for now.
    Gate(io::Error),
}

/// Names of files that somebody is still writing (common practice, no source).
fn is_unfinished(name: &OsStr) -> bool {
    let name = name.to_string_lossy();
    name.starts_with('.') || [".part", ".partial", ".tmp"].iter().any(|ending| name.ends_with(ending))
}

/// Gives a job the name under which it is kept. The same content under the same name is there already.
fn keep(copy: NamedTempFile, jobs: &Path, from: &str, digest: &str) -> io::Result<String> {
    copy.as_file().sync_all()?;
    let mut name = of_job(from, digest, Digits::First);
    let is_same = |name: &str| -> io::Result<bool> {
        let there = JobSource::at(&jobs.join(name)).digest()?;
        Ok(format!("blake3:{}", there.to_hex()) == digest)
    };
    if jobs.join(&name).exists() && !is_same(&name)? {
        // Two contents whose digests begin alike.
        name = of_job(from, digest, Digits::All);
    }
    match copy.persist_noclobber(jobs.join(&name)) {
        Err(error) if error.error.kind() != io::ErrorKind::AlreadyExists => return Err(error.error),
        _ => {}
    }
    sync_folder(jobs)?;
    Ok(name)
}

/// Moves what is no job, as it is, to what is blocked, and writes down why.
fn refuse(path: &Path, from: &str, why: &str, places: &Places) -> io::Result<()> {
    let digest = blake3::Hasher::new().update_reader(fs::File::open(path)?)?.finalize().to_hex();
    let name = format!("{}-{}", escaped(from), &digest[..8]);
    write(&places.blocked(), &format!("{name}.txt"), format!("{why}\n").as_bytes())?;
    fs::rename(path, places.blocked().join(name))?;
    sync_folder(&places.blocked())
}
