//! Where jobs lie: `cleared/<machine>/`, `waiting/`, `blocked/`.
//!
//! A copy is made under another name, brought to the disk and only then renamed, so that there is never half a job; it is
//! hashed on its way, so that what lies there is what was judged. Taking away comes before putting down.

use std::collections::BTreeSet;
use std::fs::{self, File};
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use tempfile::NamedTempFile;

use super::names::{is_of, is_ours};
use crate::findings::Verdict;
use crate::preflight::{CopyError, JobSource};
use crate::service::ledger::{Choice, Said, Standing};
use crate::wording;

/// Why a job is not laid whose bytes are others by now.
pub(super) const CHANGED: &str = "its bytes in jobs/ are not those that were taken in";
/// How a copy is called before it is whole. No job is: their names do not begin with a point.
pub(super) const UNFINISHED: &str = ".gonogo-";

/// What may be done with a job on a machine, or as a whole: from the best to the worst.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Place {
    /// It may be loaded.
    Cleared,
    /// Somebody has to decide.
    Waiting,
    /// It may not.
    Blocked,
}

impl std::fmt::Display for Place {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.pad(match self {
            Self::Cleared => "cleared",
            Self::Waiting => "waiting",
            Self::Blocked => "blocked",
        })
    }
}

impl Place {
    /// What comes of an answer and what people have said on it.
    pub(super) fn of(standing: &Standing) -> Self {
        let judged = match standing.verdict {
            Verdict::Go => Self::Cleared,
            Verdict::Hold => Self::Waiting,
            Verdict::NoGo => Self::Blocked,
        };
        match &standing.said {
            Said::Nothing => judged,
            Said::RanOut(_) => judged.max(Self::Waiting),
            Said::Holds(decided) => match decided.decision.choice {
                Choice::Release => Self::Cleared,
                Choice::Hold => Self::Waiting,
                Choice::Refuse => Self::Blocked,
            },
        }
    }
}

/// The folders of a gate.
pub(super) struct Places {
    root: PathBuf,
}

impl Places {
    /// Makes those that are missing, and takes away copies that were not finished.
    pub(super) fn new(root: &Path) -> io::Result<Self> {
        let places = Self { root: root.to_owned() };
        for folder in [places.jobs(), places.waiting(), places.blocked(), root.join("cleared")] {
            fs::create_dir_all(folder)?;
        }
        for folder in [places.jobs(), places.waiting(), places.blocked()].into_iter().chain(places.cleared()?) {
            for name in names(&folder)?.into_iter().filter(|name| name.starts_with(UNFINISHED)) {
                fs::remove_file(folder.join(name))?;
            }
        }
        Ok(places)
    }

    /// Where the jobs themselves are kept.
    pub(super) fn jobs(&self) -> PathBuf {
        self.root.join("jobs")
    }

    fn waiting(&self) -> PathBuf {
        self.root.join("waiting")
    }

    pub(super) fn blocked(&self) -> PathBuf {
        self.root.join("blocked")
    }

    /// What is said beside a job there.
    pub(super) fn note(&self, name: &str, place: Place) -> Option<String> {
        let folder = match place {
            Place::Cleared => return None,
            Place::Waiting => self.waiting(),
            Place::Blocked => self.blocked(),
        };
        fs::read_to_string(folder.join(format!("{name}.txt"))).ok()
    }

    /// All folders of machines, of those whose sheet is gone too.
    pub(super) fn cleared(&self) -> io::Result<Vec<PathBuf>> {
        let mut folders = Vec::new();
        for entry in fs::read_dir(self.root.join("cleared"))? {
            // A link to a folder elsewhere, such as a card, counts as well.
            let path = entry?.path();
            if path.is_dir() {
                folders.push(path);
            }
        }
        folders.sort();
        Ok(folders)
    }

    /// Makes the folder of a machine; not one that is [away](Self::is_away).
    pub(super) fn open_for(&self, machine: &str) -> io::Result<()> {
        if self.is_away(machine) { Ok(()) } else { fs::create_dir_all(self.root.join("cleared").join(machine)) }
    }

    /// True where the folder of a machine is a link that leads nowhere, such as to a card that is not there.
    pub(super) fn is_away(&self, machine: &str) -> bool {
        let folder = self.root.join("cleared").join(machine);
        folder.is_symlink() && !folder.is_dir()
    }

    /// Lays a job where it belongs: ready for these machines, or where it waits or is blocked, with what is to be said of it.
    /// False where it lay so already.
    pub(super) fn lay(
        &self,
        name: &str,
        digest: &str,
        cleared_for: &[&str],
        place: Place,
        why: &str,
    ) -> io::Result<bool> {
        let mut moved = false;
        for folder in self.cleared()? {
            if !cleared_for.iter().any(|machine| folder.ends_with(machine)) {
                moved |= take_away(&folder, name)?;
            }
        }
        let note = format!("{name}.txt");
        for (folder, here) in [(self.waiting(), Place::Waiting), (self.blocked(), Place::Blocked)] {
            if place != here {
                moved |= take_away(&folder, name)?;
                moved |= take_away(&folder, &note)?;
            }
        }
        match place {
            Place::Cleared => {
                for machine in cleared_for.iter().filter(|machine| !self.is_away(machine)) {
                    self.open_for(machine)?;
                    moved |= self.put(&self.root.join("cleared").join(machine), name, digest)?;
                }
            }
            Place::Waiting | Place::Blocked => {
                let folder = if place == Place::Waiting { self.waiting() } else { self.blocked() };
                // One that says the same stays.
                if !fs::read(folder.join(&note)).is_ok_and(|known| known == why.as_bytes()) {
                    write(&folder, &note, why.as_bytes())?;
                }
                moved |= self.put(&folder, name, digest)?;
            }
        }
        Ok(moved)
    }

    /// Takes a job away from all machines and writes down why; the job itself stays among the jobs.
    pub(super) fn hold_back(&self, name: &str, why: &str) -> io::Result<()> {
        let note = format!("{name}.txt");
        let folders = self.cleared()?.into_iter().chain([self.waiting(), self.blocked()]);
        for folder in folders {
            take_away(&folder, name)?;
        }
        take_away(&self.waiting(), &note)?;
        write(&self.blocked(), &note, format!("{why}\n").as_bytes())
    }

    /// Takes a job out of all folders, the job itself last: one that is only half taken out is laid again.
    pub(super) fn take_out(&self, name: &str) -> io::Result<()> {
        let note = format!("{name}.txt");
        for folder in self.cleared()?.into_iter().chain([self.waiting(), self.blocked()]) {
            take_away(&folder, name)?;
        }
        for folder in [self.waiting(), self.blocked()] {
            take_away(&folder, &note)?;
        }
        take_away(&self.jobs(), name).map(|_| ())
    }

    /// Takes what is not (any longer) cleared away from those who would load it, and what is not as it was laid down; `take`
    /// gets the machine, what was taken away, and what there is no job of this gate. What `is_cleared` cannot say stays for now;
    /// so does all but `only` these, where they are given.
    ///
    /// # Errors
    /// The first, behind all that could be taken away.
    pub(super) fn withdraw(
        &self,
        only: Option<&BTreeSet<String>>,
        mut is_cleared: impl FnMut(&str, &str) -> Option<bool>,
        mut take: impl FnMut(String, Vec<String>, Vec<String>),
    ) -> io::Result<()> {
        let mut first = Ok(());
        for folder in self.cleared()? {
            let machine = folder.file_name().unwrap_or_default().to_string_lossy().into_owned();
            let (mut gone, mut strange) = (Vec::new(), Vec::new());
            let all = names(&folder).unwrap_or_else(|error| {
                first = Err(error);
                Vec::new()
            });
            for name in all.into_iter().filter(|name| only.is_none_or(|only| only.contains(name))) {
                if self.is_strange(&folder, &name) {
                    strange.push(name);
                } else if is_cleared(&machine, &name) == Some(false) || !self.is_laid(&folder, &name) {
                    match remove(&folder, &name) {
                        Ok(_) => gone.push(name),
                        Err(error) => first = Err(error),
                    }
                }
            }
            // Once for all of them: they must be gone soon.
            if !gone.is_empty() {
                first = first.and(sync_folder(&folder));
            }
            take(machine, gone, strange);
        }
        first
    }

    /// True for what did not come through this gate, whatever its name looks like: no file, or no job of here by its name and
    /// content.
    fn is_strange(&self, folder: &Path, name: &str) -> bool {
        let path = folder.join(name);
        let is_file = fs::symlink_metadata(&path).is_ok_and(|found| found.is_file());
        let is_of_its_name = || match JobSource::at(&path).digest() {
            Ok(hash) => is_of(name, &wording::digest(hash)),
            // What cannot be read is no job to be loaded.
            Err(_) => true,
        };
        !is_ours(name) || !is_file || !(self.jobs().join(name).exists() || is_of_its_name())
    }

    /// True where a copy lies in a folder as it was laid there: whoever edits it changes its time.
    fn is_laid(&self, folder: &Path, name: &str) -> bool {
        let looks = |path: &Path| {
            let found = fs::symlink_metadata(path).ok().filter(fs::Metadata::is_file)?;
            Some((found.len(), found.modified().ok()?))
        };
        let kept = looks(&self.jobs().join(name));
        kept.is_some() && looks(&folder.join(name)) == kept
    }

    /// Copies a job into a folder; false where it is there already.
    fn put(&self, folder: &Path, name: &str, digest: &str) -> io::Result<bool> {
        if self.is_laid(folder, name) {
            return Ok(false);
        }
        let kept = self.jobs().join(name);
        let modified = fs::metadata(&kept)?.modified()?;
        let mut copy = unfinished(folder)?;
        let copied = match JobSource::at(&kept).copy_to(copy.as_file_mut()) {
            Ok(hash) => Some(wording::digest(hash)),
            Err(CopyError::Read(error) | CopyError::Write(error)) => return Err(error),
            Err(CopyError::NotAJob(_) | CopyError::TooLarge { .. }) => None,
        };
        if copied.as_deref() != Some(digest) {
            return Err(io::Error::new(io::ErrorKind::InvalidData, CHANGED));
        }
        copy.as_file().set_modified(modified)?;
        finish(copy, &folder.join(name)).map(|()| true)
    }
}

/// The names in a folder, sorted.
pub(super) fn names(folder: &Path) -> io::Result<Vec<String>> {
    let mut names = Vec::new();
    for entry in fs::read_dir(folder)? {
        names.push(entry?.file_name().to_string_lossy().into_owned());
    }
    names.sort();
    Ok(names)
}

/// False where there was nothing.
fn take_away(folder: &Path, name: &str) -> io::Result<bool> {
    let was_there = remove(folder, name)?;
    if was_there {
        sync_folder(folder)?;
    }
    Ok(was_there)
}

/// The same, not brought to the disk yet.
fn remove(folder: &Path, name: &str) -> io::Result<bool> {
    match fs::remove_file(folder.join(name)) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(false),
        // A folder is none of a gate's.
        Err(_) if folder.join(name).is_dir() => Ok(false),
        done => done.map(|()| true),
    }
}

/// Writes a small file as a whole.
pub(super) fn write(folder: &Path, name: &str, bytes: &[u8]) -> io::Result<()> {
    let mut file = unfinished(folder)?;
    file.write_all(bytes)?;
    finish(file, &folder.join(name))
}

/// A file that has no name of its own yet.
pub(super) fn unfinished(folder: &Path) -> io::Result<NamedTempFile> {
    let mut builder = tempfile::Builder::new();
    builder.prefix(UNFINISHED);
    #[cfg(unix)]
    builder.permissions(std::os::unix::fs::PermissionsExt::from_mode(0o644));
    builder.tempfile_in(folder)
}

/// Gives a file its name once it is on the disk.
fn finish(file: NamedTempFile, path: &Path) -> io::Result<()> {
    file.as_file().sync_all()?;
    file.persist(path).map_err(|error| error.error)?;
    sync_folder(path.parent().unwrap_or(path))
}

/// Brings the names in a folder to the disk.
pub(super) fn sync_folder(folder: &Path) -> io::Result<()> {
    if cfg!(unix) { File::open(folder)?.sync_all() } else { Ok(()) }
}
