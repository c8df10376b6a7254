//! Where jobs lie: `cleared/<machine>/`, `waiting/`, `blocked/`.
//!
//! A copy is made under another name, brought to the disk and only then renamed, so that there is never half a job; it is
//! hashed on its way, so that what lies there is what was judged. Taking away comes before putting down.

use std::collections::{BTreeMap, BTreeSet};
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
    /// The folders of machines from which something could not be taken back, or where it could not be laid: what and why.
    stuck: BTreeMap<String, String>,
    /// Takes a file away; a test may let that fail.
    pub(super) remove_file: fn(&Path) -> io::Result<()>,
}

/// Why a job was not put into a folder.
enum Unput {
    /// It cannot be read, or is not what was judged.
    Job(io::Error),
    /// The folder cannot be used.
    There(io::Error),
}

impl Unput {
    fn into_inner(self) -> io::Error {
        match self {
            Self::Job(error) | Self::There(error) => error,
        }
    }
}

/// What became of the folder of a machine.
pub(super) struct Withdrawn {
    /// The machine.
    pub(super) machine: String,
    /// What was taken away.
    pub(super) gone: Vec<String>,
    /// What is of no job of this gate.
    pub(super) strange: Vec<String>,
    /// What could not be taken away, and why.
    pub(super) fault: Option<String>,
}

impl Places {
    /// Makes those that are missing, and takes away copies that were not finished.
    pub(super) fn new(root: &Path) -> io::Result<Self> {
        let places = Self { root: root.to_owned(), stuck: BTreeMap::new(), remove_file: |path| fs::remove_file(path) };
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

    /// The folders of machines from which something could not be taken back, or where it could not be laid: what and why.
    /// Nothing is laid there.
    pub(super) fn stuck(&self) -> &BTreeMap<String, String> {
        &self.stuck
    }

    /// Something could not be done in the folder of a machine, or all could.
    pub(super) fn set_stuck(&mut self, machine: &str, fault: Option<String>) {
        match fault {
            Some(fault) => drop(self.stuck.insert(machine.to_owned(), fault)),
            None => drop(self.stuck.remove(machine)),
        }
    }

    /// Finds out whether something could be laid for a machine.
    pub(super) fn try_to_lay(&self, machine: &str) -> io::Result<()> {
        unfinished(&self.root.join("cleared").join(machine)).map(drop)
    }

    /// True where nothing can be laid for a machine, or taken away from it.
    fn is_shut(&self, machine: &str) -> bool {
        self.is_away(machine) || self.stuck.contains_key(machine)
    }

    /// The folders of machines that can be used.
    fn open(&self) -> io::Result<impl Iterator<Item = PathBuf>> {
        Ok(self.cleared()?.into_iter().filter(|folder| !self.stuck.contains_key(&machine_of(folder))))
    }

    /// True where the folder of a machine is there.
    pub(super) fn is_there(&self, machine: &str) -> bool {
        self.root.join("cleared").join(machine).is_dir()
    }

    /// True where the folder of a machine is a link that leads nowhere, such as to a card that is not there.
    pub(super) fn is_away(&self, machine: &str) -> bool {
        let folder = self.root.join("cleared").join(machine);
        folder.is_symlink() && !folder.is_dir()
    }

    /// Lays a job where it belongs: ready for these machines, or where it waits or is blocked, with what is to be said of it.
    /// Calls `fails` with each machine in whose folder it cannot be laid, and why. False where it lay so already.
    pub(super) fn lay(
        &self,
        name: &str,
        digest: &str,
        cleared_for: &[&str],
        place: Place,
        why: &str,
        mut fails: impl FnMut(&str, String),
    ) -> io::Result<bool> {
        let mut moved = false;
        for folder in self.open()? {
            if !cleared_for.iter().any(|machine| folder.ends_with(machine)) {
                moved |= self.take_away(&folder, name)?;
            }
        }
        let note = format!("{name}.txt");
        for (folder, here) in [(self.waiting(), Place::Waiting), (self.blocked(), Place::Blocked)] {
            if place != here {
                moved |= self.take_away(&folder, name)?;
                moved |= self.take_away(&folder, &note)?;
            }
        }
        match place {
            Place::Cleared => {
                for machine in cleared_for.iter().filter(|machine| !self.is_shut(machine)) {
                    let folder = self.root.join("cleared").join(machine);
                    let put =
                        self.open_for(machine).map_err(Unput::There).and_then(|()| self.put(&folder, name, digest));
                    match put {
                        Ok(was_put) => moved |= was_put,
                        Err(Unput::There(error)) => {
                            fails(machine, format!("{} cannot be laid there: {error}", wording::safe(name)));
                        }
                        Err(Unput::Job(error)) => return Err(error),
                    }
                }
            }
            Place::Waiting | Place::Blocked => {
                let folder = if place == Place::Waiting { self.waiting() } else { self.blocked() };
                // One that says the same stays.
                if !fs::read(folder.join(&note)).is_ok_and(|known| known == why.as_bytes()) {
                    write(&folder, &note, why.as_bytes())?;
                }
                moved |= self.put(&folder, name, digest).map_err(Unput::into_inner)?;
            }
        }
        Ok(moved)
    }

    /// Takes a job away from all machines and writes down why; the job itself stays among the jobs.
    pub(super) fn hold_back(&self, name: &str, why: &str) -> io::Result<()> {
        let note = format!("{name}.txt");
        let folders = self.open()?.chain([self.waiting(), self.blocked()]);
        for folder in folders {
            self.take_away(&folder, name)?;
        }
        self.take_away(&self.waiting(), &note)?;
        write(&self.blocked(), &note, format!("{why}\n").as_bytes())
    }

    /// Takes a job out of all folders, the job itself last: one that is only half taken out is laid again.
    pub(super) fn take_out(&self, name: &str) -> io::Result<()> {
        let note = format!("{name}.txt");
        for folder in self.cleared()?.into_iter().chain([self.waiting(), self.blocked()]) {
            self.take_away(&folder, name)?;
        }
        for folder in [self.waiting(), self.blocked()] {
            self.take_away(&folder, &note)?;
        }
        self.take_away(&self.jobs(), name).map(|_| ())
    }

    /// Takes what is not (any longer) cleared away from those who would load it, and what is not as it was laid down, in the
    /// folders of `machines`. What `is_cleared` cannot say stays for now; so does all but `only` these, where they are given.
    ///
    /// # Errors
    /// Where the folders of machines cannot be listed.
    pub(super) fn withdraw(
        &self,
        machines: impl Fn(&str) -> bool,
        only: Option<&BTreeSet<String>>,
        mut is_cleared: impl FnMut(&str, &str) -> Option<bool>,
    ) -> io::Result<Vec<Withdrawn>> {
        let mut all = Vec::new();
        for folder in self.cleared()?.into_iter().filter(|folder| machines(&machine_of(folder))) {
            let machine = machine_of(&folder);
            let (mut gone, mut strange, mut fault) = (Vec::new(), Vec::new(), None);
            let names = names(&folder).unwrap_or_else(|error| {
                fault = Some(format!("it cannot be read: {error}. Do not load what lies there"));
                Vec::new()
            });
            for name in names.into_iter().filter(|name| only.is_none_or(|only| only.contains(name))) {
                if self.is_strange(&folder, &name) {
                    strange.push(name);
                } else if is_cleared(&machine, &name) == Some(false) || !self.is_laid(&folder, &name) {
                    match self.remove(&folder, &name) {
                        Ok(_) => gone.push(name),
                        Err(error) => {
                            let name = wording::safe(&name);
                            fault.get_or_insert(format!("{name} cannot be taken back: {error}. Do not load it"));
                        }
                    }
                }
            }
            // Once for all of them: they must be gone soon.
            if let Err(error) = if gone.is_empty() { Ok(()) } else { sync_folder(&folder) } {
                fault
                    .get_or_insert(format!("what was taken back may come again: {error}. Do not load what lies there"));
            }
            all.push(Withdrawn { machine, gone, strange, fault });
        }
        Ok(all)
    }

    /// Takes a file away; false where there was none.
    fn take_away(&self, folder: &Path, name: &str) -> io::Result<bool> {
        let was_there = self.remove(folder, name)?;
        if was_there {
            sync_folder(folder)?;
        }
        Ok(was_there)
    }

    /// The same, not brought to the disk yet.
    fn remove(&self, folder: &Path, name: &str) -> io::Result<bool> {
        match (self.remove_file)(&folder.join(name)) {
            Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(false),
            // A folder is none of a gate's.
            Err(_) if folder.join(name).is_dir() => Ok(false),
            done => done.map(|()| true),
        }
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
    fn put(&self, folder: &Path, name: &str, digest: &str) -> Result<bool, Unput> {
        if self.is_laid(folder, name) {
            return Ok(false);
        }
        let kept = self.jobs().join(name);
        let modified = fs::metadata(&kept).and_then(|found| found.modified()).map_err(Unput::Job)?;
        let mut copy = unfinished(folder).map_err(Unput::There)?;
        let copied = match JobSource::at(&kept).copy_to(copy.as_file_mut()) {
            Ok(hash) => Some(wording::digest(hash)),
            Err(CopyError::Read(error)) => return Err(Unput::Job(error)),
            Err(CopyError::Write(error)) => return Err(Unput::There(error)),
            Err(CopyError::NotAJob(_) | CopyError::TooLarge { .. }) => None,
        };
        if copied.as_deref() != Some(digest) {
            return Err(Unput::Job(io::Error::new(io::ErrorKind::InvalidData, CHANGED)));
        }
        let done = copy.as_file().set_modified(modified).and_then(|()| finish(copy, &folder.join(name)));
        done.map(|()| true).map_err(Unput::There)
    }
}

/// The machine whose folder that is.
fn machine_of(folder: &Path) -> String {
    folder.file_name().unwrap_or_default().to_string_lossy().into_owned()
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
