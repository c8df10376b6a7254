//! Files that are not complete yet: each is removed when it is dropped, and all of them when a signal ends the program.
//!
//! This is the one place that makes and replaces files.

use std::collections::BTreeSet;
use std::fs::{self, File};
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, MutexGuard, Once, PoisonError};

use tempfile::{Builder, NamedTempFile, TempPath};

/// What is to be removed at a signal.
static PARTS: Mutex<BTreeSet<PathBuf>> = Mutex::new(BTreeSet::new());

fn parts() -> MutexGuard<'static, BTreeSet<PathBuf>> {
    // A set of paths is sound whatever panicked beside it.
    PARTS.lock().unwrap_or_else(PoisonError::into_inner)
}

/// A file that is being written under a name of its own.
pub struct Part {
    file: BufWriter<File>,
    path: Option<TempPath>,
}

impl Part {
    /// In the folder of `target`, so that it can take its place in one step. Its name cannot be foretold; who may read it
    /// is what the umask says.
    ///
    /// # Errors
    /// When it cannot be made.
    pub fn beside(target: &Path) -> Result<Self, io::Error> {
        let folder = target.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
        Self::make(|builder| open_to_umask(builder.suffix(".part")).tempfile_in(folder))
    }

    /// In the folder for temporary files; nobody else may read it.
    ///
    /// # Errors
    /// When it cannot be made.
    pub fn temporary() -> io::Result<Self> {
        Self::make(|builder| builder.tempfile())
    }

    fn make(create: impl FnOnce(&mut Builder<'_, '_>) -> io::Result<NamedTempFile>) -> io::Result<Self> {
        let mut builder = Builder::new();
        builder.prefix(".gonogo-");
        tidy_up_at_signals();
        // Known before a signal can come between: the lock is held while the file is made.
        let mut known = parts();
        let (file, path) = create(&mut builder)?.into_parts();
        known.insert(path.to_path_buf());
        Ok(Self { file: BufWriter::new(file), path: Some(path) })
    }

    /// Where it lies.
    pub fn path(&self) -> &Path {
        self.path.as_deref().unwrap_or(Path::new(""))
    }

    /// Puts it in the place of `target`. A file that is there hands on its owner and who may do what with it, but no bits
    /// that let it run as somebody else.
    ///
    /// # Errors
    /// When it cannot be written, or cannot be given to the owner of the file that is there; that one then stays.
    pub fn take_the_place_of(mut self, target: &Path) -> Result<(), io::Error> {
        self.file.flush()?;
        if let Ok(old) = fs::metadata(target) {
            hand_on(&old, self.file.get_ref())?;
        }
        self.file.get_ref().sync_all()?;
        let mut known = parts();
        let Some(path) = self.path.take() else { return Ok(()) };
        let name = path.to_path_buf();
        let persisted = path.persist(target);
        known.remove(&name);
        persisted.map_err(|refused| refused.error)
    }
}

impl Write for Part {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.file.write(bytes)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.file.flush()
    }
}

impl Drop for Part {
    fn drop(&mut self) {
        if let Some(path) = self.path.take() {
            let name = path.to_path_buf();
            let mut known = parts();
            // A leftover is all that can happen, and the error that led here is the one to show.
            let _ = path.close();
            known.remove(&name);
        }
    }
}

#[cfg(unix)]
fn hand_on(old: &fs::Metadata, file: &File) -> io::Result<()> {
    use std::os::unix::fs::{MetadataExt, PermissionsExt, fchown};
    let new = file.metadata()?;
    if (old.uid(), old.gid()) != (new.uid(), new.gid()) {
        fchown(file, Some(old.uid()), Some(old.gid())).map_err(|error| {
            let text =
                format!("the file there belongs to somebody else, and the new one cannot be given to them: {error}");
            io::Error::new(error.kind(), text)
        })?;
    }
    file.set_permissions(fs::Permissions::from_mode(old.mode() & 0o777))
}

#[cfg(not(unix))]
fn hand_on(old: &fs::Metadata, file: &File) -> io::Result<()> {
    file.set_permissions(old.permissions())
}

/// The permissions of a file that a plain program makes: the system takes those away that the umask names.
#[cfg(unix)]
fn open_to_umask<'b, 'p, 's>(builder: &'b mut Builder<'p, 's>) -> &'b mut Builder<'p, 's> {
    use std::os::unix::fs::PermissionsExt;
    builder.permissions(fs::Permissions::from_mode(0o666))
}

#[cfg(not(unix))]
fn open_to_umask<'b, 'p, 's>(builder: &'b mut Builder<'p, 's>) -> &'b mut Builder<'p, 's> {
    builder
}

/// From now on a signal that ends the program removes what is not complete first. A program that makes no files never gets
/// here.
#[cfg(unix)]
fn tidy_up_at_signals() {
    use signal_hook::consts::{SIGHUP, SIGINT, SIGTERM};
    use signal_hook::iterator::Signals;
    use signal_hook::low_level::emulate_default_handler;
    static ONCE: Once = Once::new();
    ONCE.call_once(|| {
        let wanted = [SIGINT, SIGTERM, SIGHUP].into_iter().filter(|signal| !is_ignored(*signal));
        let (ready, is_ready) = std::sync::mpsc::channel::<()>();
        let wait = move || {
            let Ok(mut signals) = Signals::new(wanted) else { return };
            drop(ready);
            for signal in &mut signals {
                // The lock is kept to the end: nothing new may appear.
                let known = parts();
                for path in known.iter() {
                    let _ = fs::remove_file(path);
                }
                // Whoever waits for the program sees that a signal ended it: 130, 143 and 129 in a shell.
                if emulate_default_handler(signal).is_err() {
                    std::process::exit(128 + signal);
                }
            }
        };
        // Without a thread to spare a part may stay behind: no reason to refuse the work, and signals end it as ever.
        if std::thread::Builder::new().name("signals".to_owned()).spawn(wait).is_ok() {
            let _ = is_ready.recv();
        }
    });
}

#[cfg(not(unix))]
fn tidy_up_at_signals() {}

/// Whether whoever started the program wants it to go on at that signal, as `nohup` does.
#[cfg(unix)]
fn is_ignored(signal: i32) -> bool {
    let status = fs::read_to_string("/proc/self/status").unwrap_or_default();
    let mask = status.lines().find_map(|line| line.strip_prefix("SigIgn:"));
    let mask = mask.and_then(|mask| u64::from_str_radix(mask.trim(), 16).ok()).unwrap_or(0);
    mask >> (signal - 1) & 1 == 1
}
