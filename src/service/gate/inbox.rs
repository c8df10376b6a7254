//! Taking jobs in: a file that rests is copied to the jobs, its bytes unpacked, and then leaves the inbox.

use std::collections::HashMap;
use std::ffi::{OsStr, OsString};
use std::fs::{self, Metadata};
use std::io;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant, SystemTime};

use tempfile::NamedTempFile;

use super::intake::{Kept, Room};
use super::names::{Digits, escaped, of_job};
use super::places::{Places, UNFINISHED, sync_folder, unfinished, write};
use super::told::Told;
use crate::preflight::{CopyError, JobSource};
use crate::wording::digest;

/// Files are taken in for so long within one look, one of them in any case.
const LOOK_MOST: Duration = Duration::from_secs(1);
/// What could not be read is tried again after so long.
const UNREAD: Duration = Duration::from_secs(30);

/// What a file is known by: that it is the same file, with the same content.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
struct Looks {
    changed_at: Option<SystemTime>,
    bytes: u64,
    /// Its number in the file system, where there is one.
    number: u64,
}

impl Looks {
    fn of(found: &Metadata) -> Self {
        #[cfg(unix)]
        let number = std::os::unix::fs::MetadataExt::ino(found);
        #[cfg(not(unix))]
        let number = 0;
        Self { changed_at: found.modified().ok(), bytes: found.len(), number }
    }

    fn at(path: &Path) -> io::Result<Self> {
        fs::symlink_metadata(path).map(|found| Self::of(&found))
    }
}

/// A file in the inbox, as it was seen, and since when it is so.
struct Seen {
    looks: Looks,
    since: Instant,
}

/// The folder into which jobs are dropped.
pub(super) struct Inbox {
    folder: PathBuf,
    rest: Duration,
    seen: HashMap<OsString, Seen>,
    /// What is left where it is as long as it looks so, told already.
    left: HashMap<OsString, Left>,
}

/// A file that stays where it is.
#[derive(Clone, Copy)]
struct Left {
    looks: Looks,
    /// When it could not be read, which may be mended without a trace in how it looks.
    unread_at: Option<Instant>,
}

/// A job that was taken in.
pub(super) struct Arrived {
    /// How it was called by whoever sent it.
    pub(super) from: String,
    pub(super) name: String,
    pub(super) digest: String,
}

/// What a look has found.
#[derive(Default)]
pub(super) struct Found {
    /// The first to arrive comes first.
    pub(super) jobs: Vec<Arrived>,
    /// Why nothing can be kept for now, and of which file.
    pub(super) fault: Option<(OsString, io::Error)>,
}

impl Left {
    /// True as long as nothing is to be done with it.
    fn rests(&self, now: Instant) -> bool {
        self.unread_at.is_none_or(|at| now.saturating_duration_since(at) < UNREAD)
    }
}

impl Inbox {
    /// Makes the folder, and gives back what was being taken out of it when a gate was ended.
    pub(super) fn new(folder: PathBuf, rest: Duration) -> io::Result<Self> {
        fs::create_dir_all(&folder)?;
        for entry in fs::read_dir(&folder)? {
            let name = entry?.file_name();
            if let Some(own) = own_name(&name).filter(|own| !folder.join(own).exists()) {
                fs::rename(folder.join(&name), folder.join(own))?;
            }
        }
        Ok(Self { folder, rest, seen: HashMap::new(), left: HashMap::new() })
    }

    /// How long until the next file will have rested; none where none is waited for.
    pub(super) fn next_in(&self, now: Instant) -> Option<Duration> {
        let left = |seen: &Seen| self.rest.saturating_sub(now.saturating_duration_since(seen.since));
        self.seen.values().map(left).min()
    }

    /// Takes in what has rested, the oldest first.
    ///
    /// # Errors
    /// When the inbox cannot be read.
    pub(super) fn look(
        &mut self,
        now: Instant,
        places: &Places,
        room: &Room,
        kept: usize,
        tell: &mut dyn FnMut(Told),
    ) -> io::Result<Found> {
        let ready = self.sort_out(now, tell)?;
        let (mut all, began) = (Found::default(), Instant::now());
        for (turn, (looks, name)) in ready.into_iter().enumerate() {
            // What was decided meanwhile comes before the rest, whose turn is with the next look.
            if turn > 0 && began.elapsed() >= LOOK_MOST {
                break;
            }
            let is_room = room.is_there(kept + all.jobs.len(), looks.bytes).map_err(|full| Refusal::Gate(full.into()));
            match is_room.and_then(|()| self.take_in(&name, looks, places, room, &mut all.jobs, tell)) {
                Ok(Taken::Gone) => {
                    self.seen.remove(&name);
                    self.left.remove(&name);
                }
                Ok(Taken::NotYet) => drop(self.seen.insert(name, Seen { looks, since: now })),
                // What is kept already would only come anew, whoever had taken it out.
                Err(Refusal::Kept(error)) => self.leave(name, Left { looks, unread_at: None }, &error, tell),
                Err(Refusal::File(error)) => self.leave(name, Left { looks, unread_at: Some(now) }, &error, tell),
                Err(Refusal::Gate(error)) => {
                    all.fault = Some((name, error));
                    break;
                }
            }
        }
        Ok(all)
    }

    /// Leaves a file where it is, and tells why, once.
    fn leave(&mut self, name: OsString, left: Left, why: &io::Error, tell: &mut dyn FnMut(Told)) {
        if self.left.get(&name).is_none_or(|known| known.looks != left.looks) {
            tell(left_there(&name, &why.to_string()));
        }
        self.seen.remove(&name);
        self.left.insert(name, left);
    }

    /// What lies there: files that have rested, the oldest first. Those that do not yet are seen, others are left there.
    fn sort_out(&mut self, now: Instant, tell: &mut dyn FnMut(Told)) -> io::Result<Vec<(Looks, OsString)>> {
        let (mut ready, mut seen, mut left) = (Vec::new(), HashMap::new(), HashMap::new());
        for entry in fs::read_dir(&self.folder)? {
            let entry = entry?;
            let name = entry.file_name();
            // Who has sent it may have taken it back meanwhile.
            let Ok(found) = entry.metadata() else { continue };
            if is_unfinished(&name) {
                continue;
            }
            let looks = Looks::of(&found);
            // What was told of it holds, also while it is tried again.
            let known = self.left.get(&name).filter(|left| left.looks == looks).copied();
            left.extend(known.map(|known| (name.clone(), known)));
            let why = match () {
                () if known.is_some_and(|known| known.rests(now)) => continue,
                () if found.is_dir() => "it is a folder",
                () if !found.is_file() => "it is no regular file",
                () if looks.bytes == 0 => "it is empty",
                () => {
                    let since = self.seen.get(&name).filter(|before| before.looks == looks);
                    let since = since.map_or(now, |before| before.since);
                    if now.saturating_duration_since(since) >= self.rest {
                        ready.push((looks, name.clone()));
                    }
                    seen.insert(name, Seen { looks, since });
                    continue;
                }
            };
            tell(left_there(&name, why));
            left.insert(name, Left { looks, unread_at: None });
        }
        (self.seen, self.left) = (seen, left);
        ready.sort();
        Ok(ready)
    }

    fn take_in(
        &self,
        name: &OsStr,
        before: Looks,
        places: &Places,
        room: &Room,
        jobs: &mut Vec<Arrived>,
        tell: &mut dyn FnMut(Told),
    ) -> Result<Taken, Refusal> {
        let (path, from) = (self.folder.join(name), name.to_string_lossy().into_owned());
        if Looks::at(&path).ok() != Some(before) {
            return Ok(Taken::NotYet);
        }
        let mut copy = unfinished(&places.jobs()).map_err(Refusal::Gate)?;
        let content = match room.copy(JobSource::at(&path), copy.as_file_mut()) {
            Ok(content) => content,
            Err(CopyError::Write(error)) => return Err(Refusal::Gate(error)),
            // Whoever writes it goes on: it is not finished.
            Err(_) if Looks::at(&path).ok() != Some(before) => return Ok(Taken::NotYet),
            Err(CopyError::Read(error)) if !is_of_its_bytes(&error) => return Err(Refusal::File(error)),
            Err(error) => {
                if !self.refuse(name, before, &error.to_string(), places).map_err(Refusal::File)? {
                    return Ok(Taken::NotYet);
                }
                tell(Told::Unreadable { from, why: error.to_string() });
                return Ok(Taken::Gone);
            }
        };
        if Looks::at(&path).ok() != Some(before) {
            return Ok(Taken::NotYet);
        }
        let kept = keep(copy, &places.jobs(), &from, &content).map_err(Refusal::Gate)?;
        tell(Told::TakenIn { from: from.clone(), name: kept.name.clone() });
        jobs.push(Arrived { from, name: kept.name, digest: content });
        self.clear_away(name, before).map_err(Refusal::Kept)
    }

    /// Sets a file aside; none where another has taken its name meanwhile.
    fn set_aside(&self, name: &OsStr, before: Looks) -> io::Result<Option<PathBuf>> {
        let path = self.folder.join(name);
        let mut aside = OsString::from(UNFINISHED);
        aside.push(name);
        let aside = self.folder.join(aside);
        fs::rename(&path, &aside)?;
        if Looks::at(&aside)? != before {
            fs::rename(&aside, &path)?;
            return Ok(None);
        }
        Ok(Some(aside))
    }

    /// Takes a file that is kept out of the inbox.
    fn clear_away(&self, name: &OsStr, before: Looks) -> io::Result<Taken> {
        let Some(aside) = self.set_aside(name, before)? else { return Ok(Taken::NotYet) };
        fs::remove_file(&aside)?;
        sync_folder(&self.folder)?;
        Ok(Taken::Gone)
    }

    /// Moves what is no job, as it is, to what is blocked, and writes down why; false where it is not what it was.
    fn refuse(&self, name: &OsStr, before: Looks, why: &str, places: &Places) -> io::Result<bool> {
        let Some(aside) = self.set_aside(name, before)? else { return Ok(false) };
        let moved = block(&aside, name, why, &places.blocked());
        if moved.is_err() {
            fs::rename(&aside, self.folder.join(name))?;
        }
        moved.map(|()| true)
    }
}

/// What became of a file that had rested.
enum Taken {
    /// It is not in the inbox any more.
    Gone,
    /// It does not rest: it was changed meanwhile.
    NotYet,
}

/// Why a file is not taken in.
enum Refusal {
    /// For what it is: others may be.
    File(io::Error),
    /// It is kept, and cannot leave the inbox.
    Kept(io::Error),
    /// Nothing can be kept for now.
    Gate(io::Error),
}

/// True where bytes were read that are no job, or too many: reading them again would help nothing.
fn is_of_its_bytes(error: &io::Error) -> bool {
    use io::ErrorKind::{InvalidData, InvalidInput, Other, UnexpectedEof};
    matches!(error.kind(), InvalidData | InvalidInput | UnexpectedEof | Other)
}

fn left_there(name: &OsStr, why: &str) -> Told {
    Told::Left { at: format!("inbox/{}", name.to_string_lossy()), why: why.to_owned() }
}

/// Moves a file to a folder, with digits of its digest behind its name, and writes down why it lies there.
fn block(path: &Path, name: &OsStr, why: &str, blocked: &Path) -> io::Result<()> {
    let digest = blake3::Hasher::new().update_reader(fs::File::open(path)?)?.finalize().to_hex();
    let name = format!("{}-{}", escaped(&name.to_string_lossy()), &digest[..8]);
    write(blocked, &format!("{name}.txt"), format!("{why}\n").as_bytes())?;
    fs::rename(path, blocked.join(name))?;
    sync_folder(blocked)
}

/// How a file was called before it was set aside. Bytes where the system has them: whoever sends jobs may call them anything.
fn own_name(aside: &OsStr) -> Option<OsString> {
    #[cfg(unix)]
    let own = {
        use std::os::unix::ffi::OsStrExt;
        aside.as_bytes().strip_prefix(UNFINISHED.as_bytes()).map(|own| OsStr::from_bytes(own).to_owned())
    };
    #[cfg(not(unix))]
    let own = aside.to_str().and_then(|name| name.strip_prefix(UNFINISHED)).map(OsString::from);
    own
}

/// Names of files that somebody is still writing (common practice, no source).
fn is_unfinished(name: &OsStr) -> bool {
    let name = name.to_string_lossy();
    name.starts_with('.') || [".part", ".partial", ".tmp"].iter().any(|ending| name.ends_with(ending))
}

/// Gives a job the name under which it is kept. The same content under the same name is there already.
pub(super) fn keep(copy: NamedTempFile, jobs: &Path, from: &str, content: &str) -> io::Result<Kept> {
    copy.as_file().sync_all()?;
    let is_same = |name: &str| -> io::Result<bool> {
        let there = JobSource::at(&jobs.join(name)).digest()?;
        Ok(digest(there) == content)
    };
    let kept = |name: String, is_new: bool| -> io::Result<Kept> {
        sync_folder(jobs)?;
        Ok(Kept { name, digest: content.to_owned(), is_new })
    };
    // With all digits where another content begins alike; it may come at the same moment.
    let mut copy = copy;
    for digits in [Digits::First, Digits::All] {
        let name = of_job(from, content, digits);
        if jobs.join(&name).exists() {
            if is_same(&name)? {
                return kept(name, false);
            }
            continue;
        }
        match copy.persist_noclobber(jobs.join(&name)) {
            Ok(_) => return kept(name, true),
            Err(refused) if refused.error.kind() != io::ErrorKind::AlreadyExists => return Err(refused.error),
            Err(_) if is_same(&name)? => return kept(name, false),
            Err(refused) => copy = refused.file,
        }
    }
    Err(io::Error::other("another job has its name"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Write;

    #[test]
    fn contents_that_begin_alike_are_both_kept() {
        let folder = tempfile::tempdir().expect("temporary directory");
        let keep_it = |bytes: &[u8], content: &str| {
            let mut copy = unfinished(folder.path()).expect("is made");
            copy.write_all(bytes).expect("is written");
            keep(copy, folder.path(), "hook.gcode", content).expect("is kept")
        };
        let one = digest(blake3::hash(b"G28\n"));
        // Made up: the digest of another content that begins as that one does.
        let other = format!("{}{}", &one[.."blake3:".len() + 8], "0".repeat(56));
        let first = keep_it(b"G28\n", &one);
        assert_eq!((first.is_new, keep_it(b"G28\n", &one)), (true, Kept { is_new: false, ..first.clone() }));
        let second = keep_it(b"G29\n", &other);
        assert!(second.is_new && second.name != first.name && second.name.contains(&"0".repeat(56)));
        let read = |kept: &Kept| fs::read(folder.path().join(&kept.name)).expect("is there");
        assert_eq!((read(&first), read(&second)), (b"G28\n".to_vec(), b"G29\n".to_vec()));
    }
}
