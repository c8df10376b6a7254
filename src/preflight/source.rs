//! Where the bytes of a job come from.

use std::fmt;
use std::fs::File;
use std::io::{self, BufReader, Read};
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};
use std::time::SystemTime;

use flate2::read::MultiGzDecoder;

use super::looks;
use super::run::Fault;

/// A job that can be read once.
pub struct JobSource<'s> {
    from: From<'s>,
    shown: String,
    /// Whether it is refused when it does not look like a job.
    must_look_like_one: bool,
}

enum From<'s> {
    Path(PathBuf),
    Stream(Box<dyn Read + Send + 's>),
}

impl<'s> JobSource<'s> {
    /// The file at `path`; `-` is standard input, gz is recognised by its first bytes.
    pub fn at(path: &Path) -> Self {
        Self::at_as(path, &path.to_string_lossy())
    }

    /// The same, shown as something else: a copy of what came over standard input.
    pub fn at_as(path: &Path, shown: &str) -> Self {
        Self { from: From::Path(path.to_owned()), shown: shown.to_owned(), must_look_like_one: true }
    }

    /// Any stream of plain bytes; `shown` stands for its path. It is judged whatever it looks like, see
    /// [`Self::that_looks_like_one`].
    pub fn stream(source: impl Read + Send + 's, shown: &str) -> Self {
        Self { from: From::Stream(Box::new(source)), shown: shown.to_owned(), must_look_like_one: false }
    }

    /// Refused with [`JobError::NotAJob`](super::JobError::NotAJob) where its start does not look like a job, as files are.
    pub fn that_looks_like_one(self) -> Self {
        Self { must_look_like_one: true, ..self }
    }

    /// Its path, as reports show it.
    pub fn shown(&self) -> &str {
        &self.shown
    }

    /// Opens it; `progress` is told of the bytes that are read, of the packed ones where it is packed.
    pub(super) fn open(self, progress: Progress<'s>) -> Result<Box<dyn Read + Send + 's>, Fault> {
        let must_look_like_one = self.must_look_like_one;
        let source = self.unpacked(progress).map_err(Fault::Source)?;
        if !must_look_like_one {
            return Ok(source);
        }
        looks::look(source).map_err(Fault::Source)?.map_err(Fault::NotAJob)
    }

    fn unpacked(self, progress: Progress<'s>) -> io::Result<Box<dyn Read + Send + 's>> {
        let mut source: Box<dyn Read + Send> = match self.from {
            From::Stream(source) => return Ok(Box::new(Counted { source, progress })),
            From::Path(path) if path.as_os_str() == "-" => Box::new(io::stdin()),
            From::Path(path) if path.is_dir() => {
                return Err(io::Error::new(io::ErrorKind::IsADirectory, "it is a folder"));
            }
            From::Path(path) => Box::new(Unchanged::of(File::open(path)?)?),
        };
        let mut start = Vec::with_capacity(2);
        source.by_ref().take(2).read_to_end(&mut start)?;
        tell(progress, start.len())?;
        let packed = start == [0x1f, 0x8b];
        let source = io::Cursor::new(start).chain(Counted { source, progress });
        Ok(if packed {
            Box::new(MultiGzDecoder::new(BufReader::with_capacity(64 * 1024, source)))
        } else {
            Box::new(source)
        })
    }
}

/// A file that must stay as it is while it is read: half of one job and half of another is none.
struct Unchanged {
    file: File,
    /// Its size and when it was changed last; none for what is no file of a known size.
    was: Option<(u64, Option<SystemTime>)>,
}

impl Unchanged {
    fn of(file: File) -> io::Result<Self> {
        let was = Self::now(&file)?;
        Ok(Self { file, was })
    }

    fn now(file: &File) -> io::Result<Option<(u64, Option<SystemTime>)>> {
        let now = file.metadata()?;
        Ok(now.is_file().then(|| (now.len(), now.modified().ok())))
    }
}

impl Read for Unchanged {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let count = self.file.read(buffer)?;
        if count == 0 && !buffer.is_empty() && Self::now(&self.file)? != self.was {
            return Err(io::Error::other("it was changed while it was read"));
        }
        Ok(count)
    }
}

/// Is told how many bytes of a job were read since the last call; `Break` stops the reading.
pub type Progress<'e> = &'e (dyn Fn(u64) -> ControlFlow<()> + Sync);

/// Nobody wants to know.
pub fn silent(_: u64) -> ControlFlow<()> {
    ControlFlow::Continue(())
}

/// Why reading ends early when progress says stop.
#[derive(Debug)]
pub(super) struct Stopped;

impl fmt::Display for Stopped {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("stopped")
    }
}

impl std::error::Error for Stopped {}

fn tell(progress: Progress<'_>, count: usize) -> io::Result<()> {
    match progress(count as u64) {
        ControlFlow::Continue(()) => Ok(()),
        ControlFlow::Break(()) => Err(io::Error::other(Stopped)),
    }
}

/// Reports how many bytes pass.
struct Counted<'e, R> {
    source: R,
    progress: Progress<'e>,
}

impl<R: Read> Read for Counted<'_, R> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let count = self.source.read(buffer)?;
        tell(self.progress, count)?;
        Ok(count)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Write;
    use std::sync::atomic::{AtomicBool, Ordering};

    #[test]
    fn a_job_that_grows_while_it_is_read_is_not_judged() {
        let folder = tempfile::tempdir().expect("temporary directory");
        let path = folder.path().join("job.gcode");
        std::fs::write(&path, "G28\nG1 X5 F600\n".repeat(100)).expect("writes");
        let grown = AtomicBool::new(false);
        let grow = |_: u64| {
            if !grown.swap(true, Ordering::Relaxed) {
                let mut file = std::fs::OpenOptions::new().append(true).open(&path).expect("opens");
                file.write_all(b"G1 X6\n").expect("writes");
            }
            ControlFlow::Continue(())
        };
        // A small one is read when it is opened, to see what it looks like.
        let read = |progress: Progress<'_>| match JobSource::at(&path).open(progress) {
            Ok(mut source) => source.read_to_end(&mut Vec::new()),
            Err(Fault::Source(error)) => Err(error),
            Err(_) => panic!("it is a job"),
        };
        let told = read(&grow).expect_err("it grew").to_string();
        assert!(told.contains("changed while it was read"), "{told}");
        assert!(read(&silent).is_ok());
    }
}
