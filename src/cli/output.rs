//! Where a report goes: standard output, a file that appears only when it is complete, or nowhere.

use std::fs::{self, File, OpenOptions};
use std::io::{self, BufWriter, IsTerminal, Write};
use std::path::{Path, PathBuf};

use anstream::{AutoStream, ColorChoice};
use anyhow::{Context, bail};
use clap::Args;

use super::ascii::AsciiWriter;
use super::parts::Part;
use super::terminal::{Terminal, speaks_utf8, stdout_width};
use crate::show::report::Look;

/// What text on standard output holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Content {
    /// A page for people, coloured or not; without colour stray escape sequences are taken out on the way.
    Page {
        /// Whether it is coloured.
        color: bool,
    },
    /// Data or a script: goes out as it is.
    Data,
}

/// Where a report goes.
#[derive(Debug, Args)]
pub struct Delivery {
    /// Write the report to FILE, which is replaced only when the report is complete.
    #[arg(short, long, value_name = "FILE")]
    output: Option<PathBuf>,
    /// Print nothing but errors; a report asked for with -o is still written.
    #[arg(short, long)]
    pub quiet: bool,
}

impl Delivery {
    /// The look of a page that goes there.
    pub fn look(&self, terminal: &Terminal) -> Look {
        if self.output.is_some() { terminal.file_look() } else { terminal.stdout_look() }
    }

    /// Whether the verdict may stand on top in large letters: on a wide terminal that can show them.
    pub fn has_letters(&self, terminal: &Terminal) -> bool {
        self.output.is_none() && terminal.has_letters()
    }

    /// Whether a report for people, which `is_page` says, shows up on a terminal: whoever reads it there need not be told the
    /// same on standard error. A pipe may be closed, and a file is read later or never.
    pub fn is_seen(&self, is_page: bool) -> bool {
        self.is_seen_on(is_page, io::stdout().is_terminal())
    }

    fn is_seen_on(&self, is_page: bool, stdout_is_terminal: bool) -> bool {
        is_page && stdout_is_terminal && self.output.is_none() && !self.quiet
    }

    /// The file or folder named by -o.
    pub fn target(&self) -> Option<&Path> {
        self.output.as_deref()
    }

    /// Nothing that is read may be written over.
    ///
    /// # Errors
    /// When -o names one of `inputs`.
    pub fn spare<'p>(&self, inputs: impl IntoIterator<Item = &'p Path>) -> anyhow::Result<()> {
        match &self.output {
            Some(output) => spare(output, inputs),
            None => Ok(()),
        }
    }

    /// The place; `is_page` for what people read.
    ///
    /// # Errors
    /// When nothing can be written there.
    pub fn open(&self, is_page: bool, look: Look) -> anyhow::Result<Output> {
        Ok(match &self.output {
            Some(path) => Output::file(path)?,
            None if self.quiet => Output::Nowhere,
            None if is_page => Output::stdout(Content::Page { color: look.color }),
            None => Output::stdout(Content::Data),
        })
    }
}

/// Refuses to write over what is read, or written besides.
///
/// # Errors
/// When `output` is the same file as one of `others`.
pub fn spare<'p>(output: &Path, others: impl IntoIterator<Item = &'p Path>) -> anyhow::Result<()> {
    let place = resolved(output);
    match others.into_iter().find(|other| resolved(other) == place) {
        Some(other) => {
            bail!("cannot write {}: it is the same file as {}, which is used here", output.display(), other.display())
        }
        None => Ok(()),
    }
}

/// Refuses to replace a file unless that is asked for.
///
/// # Errors
/// When there is something at `path` and `replace` does not say to replace it.
pub fn keep_what_is_there(path: &Path, replace: bool) -> anyhow::Result<()> {
    if !replace && path.symlink_metadata().is_ok() {
        bail!("{} is there already: --write replaces it", path.display());
    }
    Ok(())
}

/// Writes a file as a whole; one that is there only if `replace` says so.
///
/// # Errors
/// When it is there already or cannot be written.
pub fn write_new(path: &Path, text: &str, replace: bool) -> anyhow::Result<()> {
    keep_what_is_there(path, replace)?;
    put(path, text.as_bytes())
}

/// Puts a file there as a whole, in the place of one that is.
///
/// # Errors
/// When it cannot be written.
pub fn put(path: &Path, bytes: &[u8]) -> anyhow::Result<()> {
    let mut output = Output::file(path)?;
    let written = output.write_all(bytes).and_then(|()| output.finish());
    written.with_context(|| format!("cannot write {}", path.display()))
}

/// Lets nobody else who asks change the file at `path` until the answer is dropped.
///
/// The lock lies on its folder, which leaves nothing behind; where a folder cannot be locked, on a file beside it that
/// stays. The file itself will not do: it is replaced.
///
/// # Errors
/// When neither can be locked.
pub fn lock(path: &Path) -> anyhow::Result<File> {
    let path = resolved(path);
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let locked = |file: File| file.lock().map(|()| file);
    let beside = || {
        let mut name = std::ffi::OsString::from(".");
        name.push(path.file_name().unwrap_or_default());
        name.push(".lock");
        OpenOptions::new().write(true).create(true).truncate(false).open(folder.join(name)).and_then(locked)
    };
    let answer = File::open(folder).and_then(locked).or_else(|_| beside());
    answer.with_context(|| format!("cannot lock {} against others who change it", path.display()))
}

/// The path with its links followed; of a file that is not there yet, those of its folder.
pub(super) fn resolved(path: &Path) -> PathBuf {
    let in_folder = || {
        let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
        Some(folder.canonicalize().ok()?.join(path.file_name()?))
    };
    path.canonicalize().ok().or_else(in_folder).unwrap_or_else(|| path.to_owned())
}

/// A place to write to.
pub enum Output {
    /// Standard output.
    Stdout(ClosedPipeGuard<Box<dyn Write>>),
    /// A regular file, replaced as a whole by [`Output::finish`].
    File {
        /// What is written so far.
        part: Part,
        /// Whose place it takes.
        target: PathBuf,
    },
    /// Something that must not be replaced, such as a device or a named pipe.
    Device(BufWriter<File>),
    /// Nowhere.
    Nowhere,
}

impl Output {
    /// Standard output.
    pub fn stdout(content: Content) -> Self {
        let choice = match content {
            Content::Page { color: true } => ColorChoice::Always,
            Content::Page { color: false } => ColorChoice::Never,
            Content::Data => ColorChoice::AlwaysAnsi,
        };
        let stream = BufWriter::new(AutoStream::new(io::stdout().lock(), choice));
        let inner: Box<dyn Write> = match content {
            Content::Page { .. } if !speaks_utf8() => Box::new(AsciiWriter::new(stream, stdout_width())),
            _ => Box::new(stream),
        };
        Self::Stdout(ClosedPipeGuard { inner, closed: false })
    }

    /// The file at `path`; links are followed.
    ///
    /// # Errors
    /// When nothing can be written there.
    pub fn file(path: &Path) -> anyhow::Result<Self> {
        let shown = path.display();
        let Ok(found) = fs::metadata(path) else {
            let part = Part::beside(path).with_context(|| format!("cannot write {shown}"))?;
            return Ok(Self::File { part, target: path.to_owned() });
        };
        if found.is_dir() {
            bail!("cannot write {shown}: it is a directory");
        }
        if !found.is_file() {
            let file = OpenOptions::new().write(true).open(path).with_context(|| format!("cannot write {shown}"))?;
            return Ok(Self::Device(BufWriter::new(file)));
        }
        if found.permissions().readonly() {
            bail!("cannot write {shown}: it is write-protected");
        }
        let target = path.canonicalize().with_context(|| format!("cannot write {shown}"))?;
        let part = Part::beside(&target).with_context(|| format!("cannot write {shown}"))?;
        Ok(Self::File { part, target })
    }

    /// Hands everything over. Without it a file stays as it was.
    pub fn finish(mut self) -> io::Result<()> {
        self.flush()?;
        match self {
            Self::File { part, target } => part.take_the_place_of(&target),
            _ => Ok(()),
        }
    }
}

impl Write for Output {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        match self {
            Self::Stdout(tap) => tap.write(bytes),
            Self::File { part, .. } => part.write(bytes),
            Self::Device(device) => device.write(bytes),
            Self::Nowhere => Ok(bytes.len()),
        }
    }

    fn flush(&mut self) -> io::Result<()> {
        match self {
            Self::Stdout(tap) => tap.flush(),
            Self::File { part, .. } => part.flush(),
            Self::Device(device) => device.flush(),
            Self::Nowhere => Ok(()),
        }
    }
}

/// A stream whose reader may leave: from then on everything is quietly dropped, so that the work goes on to its end
/// and the exit code is that of all jobs.
pub struct ClosedPipeGuard<W: Write> {
    inner: W,
    closed: bool,
}

impl<W: Write> ClosedPipeGuard<W> {
    fn unless_closed<T>(&mut self, otherwise: T, act: impl FnOnce(&mut W) -> io::Result<T>) -> io::Result<T> {
        if self.closed {
            return Ok(otherwise);
        }
        match act(&mut self.inner) {
            Err(error) if error.kind() == io::ErrorKind::BrokenPipe => {
                self.closed = true;
                Ok(otherwise)
            }
            result => result,
        }
    }
}

impl<W: Write> Write for ClosedPipeGuard<W> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.unless_closed(bytes.len(), |inner| inner.write(bytes))
    }

    fn flush(&mut self) -> io::Result<()> {
        self.unless_closed((), Write::flush)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    struct Fails(io::ErrorKind, u32);

    impl Write for Fails {
        fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
            self.1 += 1;
            if self.1 > 1 { Err(self.0.into()) } else { Ok(bytes.len()) }
        }

        fn flush(&mut self) -> io::Result<()> {
            Ok(())
        }
    }

    #[test]
    fn a_reader_that_left_is_no_error_and_is_left_alone() {
        let mut tap = ClosedPipeGuard { inner: Fails(io::ErrorKind::BrokenPipe, 0), closed: false };
        for _ in 0..5 {
            tap.write_all(b"line\n").expect("quiet");
        }
        tap.flush().expect("quiet");
        assert_eq!(tap.inner.1, 2);
    }

    #[test]
    fn any_other_error_is_one() {
        let mut tap = ClosedPipeGuard { inner: Fails(io::ErrorKind::StorageFull, 0), closed: false };
        tap.write_all(b"line\n").expect("first");
        assert_eq!(tap.write_all(b"line\n").map_err(|error| error.kind()), Err(io::ErrorKind::StorageFull));
    }

    #[test]
    fn only_a_page_on_a_terminal_tells_what_standard_error_would() {
        let here = Delivery { output: None, quiet: false };
        assert!(here.is_seen_on(true, true));
        assert!(!here.is_seen_on(false, true) && !here.is_seen_on(true, false));
        assert!(!Delivery { output: None, quiet: true }.is_seen_on(true, true));
        assert!(!Delivery { output: Some("a".into()), quiet: false }.is_seen_on(true, true));
    }

    #[test]
    fn a_file_appears_only_when_complete() {
        let directory = tempfile::tempdir().expect("temporary directory");
        let path = directory.path().join("report.json");
        let mut output = Output::file(&path).expect("opens");
        output.write_all(b"half").expect("writes");
        assert!(!path.exists());
        drop(output);
        assert_eq!(fs::read_dir(directory.path()).expect("lists").count(), 0);

        fs::write(&path, "old").expect("writes");
        let mut output = Output::file(&path).expect("opens");
        output.write_all(b"new").expect("writes");
        output.flush().expect("flushes");
        assert_eq!(fs::read_to_string(&path).expect("reads"), "old");
        output.finish().expect("replaces");
        assert_eq!(fs::read_to_string(&path).expect("reads"), "new");
        assert_eq!(fs::read_dir(directory.path()).expect("lists").count(), 1);
    }

    #[test]
    fn places_that_cannot_be_written_are_told_at_once() {
        let directory = tempfile::tempdir().expect("temporary directory");
        assert!(Output::file(directory.path()).is_err());
        assert!(Output::file(&directory.path().join("no/such/place")).is_err());
        let path = directory.path().join("kept");
        fs::write(&path, "kept").expect("writes");
        let mut permissions = fs::metadata(&path).expect("is there").permissions();
        permissions.set_readonly(true);
        fs::set_permissions(&path, permissions).expect("sets");
        assert!(Output::file(&path).is_err());
    }

    #[cfg(unix)]
    #[test]
    fn links_are_followed_and_devices_are_not_replaced() {
        let directory = tempfile::tempdir().expect("temporary directory");
        let (real, link) = (directory.path().join("real"), directory.path().join("link"));
        fs::write(&real, "old").expect("writes");
        std::os::unix::fs::symlink(&real, &link).expect("links");
        let mut output = Output::file(&link).expect("opens");
        output.write_all(b"new").expect("writes");
        output.finish().expect("replaces");
        assert_eq!(fs::read_to_string(&real).expect("reads"), "new");
        assert!(link.is_symlink());
        assert!(matches!(Output::file(Path::new("/dev/null")), Ok(Output::Device(_))));
    }
}
