//! Where the bytes of a job come from.

use std::fmt;
use std::fs::File;
use std::io::{self, BufReader, Read, Write};
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};
use std::time::{Instant, SystemTime};

use flate2::read::MultiGzDecoder;

use super::looks;
use super::run::Fault;

/// A job that can be read once.
pub struct JobSource<'s> {
    from: From<'s>,
    shown: String,
    /// Whether it is refused when it does not look like a job.
    must_look_like_one: bool,
    bounds: Bounds,
}

enum From<'s> {
    Path(PathBuf),
    /// A stream, and whether its bytes may be packed.
    Stream(Box<dyn Read + Send + 's>, Packing),
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Packing {
    /// What looks packed is no job.
    Plain,
    /// Told by its first bytes.
    Told,
}

/// Why a job could not be copied.
#[derive(Debug, thiserror::Error)]
pub enum CopyError {
    /// It cannot be read to its end.
    #[error("it cannot be read: {0}")]
    Read(io::Error),
    /// It has more plain bytes than it may.
    #[error("it has more than {bytes} bytes")]
    TooLarge {
        /// The most.
        bytes: u64,
    },
    /// It was read and is no job, and why.
    #[error("it is no job: {0}")]
    NotAJob(String),
    /// The copy cannot be written.
    #[error("a copy of it cannot be written: {0}")]
    Write(io::Error),
}

impl CopyError {
    fn of_reading(error: io::Error) -> Self {
        match error.get_ref().and_then(|inner| inner.downcast_ref::<TooLarge>()) {
            Some(TooLarge { bytes }) => Self::TooLarge { bytes: *bytes },
            None => Self::Read(error),
        }
    }
}

/// How much of a job is read at most; without bounds all of it.
#[derive(Debug, Clone, Copy, Default)]
pub struct Bounds {
    /// Most plain bytes: of a packed job, those it holds.
    pub bytes: Option<u64>,
    /// When the reading stops: looked at whenever bytes are asked for. A read that hangs is not interrupted.
    pub until: Option<Instant>,
}

impl<'s> JobSource<'s> {
    /// The file at `path`; `-` is standard input, gz is recognised by its first bytes.
    pub fn at(path: &Path) -> Self {
        Self::at_as(path, &path.to_string_lossy())
    }

    /// The same, shown as something else: a copy of what came over standard input.
    pub fn at_as(path: &Path, shown: &str) -> Self {
        Self::from(From::Path(path.to_owned()), shown, true)
    }

    /// Any stream of plain bytes; `shown` stands for its path. It is judged whatever it looks like, see
    /// [`Self::that_looks_like_one`].
    pub fn stream(source: impl Read + Send + 's, shown: &str) -> Self {
        Self::from(From::Stream(Box::new(source), Packing::Plain), shown, false)
    }

    /// The bytes of a file that came some other way, plain or gz, treated like the file; `shown` stands for its path.
    pub fn bytes(bytes: Vec<u8>, shown: &str) -> Self {
        Self::contents(io::Cursor::new(bytes), shown)
    }

    /// The same, as a stream.
    pub fn contents(source: impl Read + Send + 's, shown: &str) -> Self {
        Self::from(From::Stream(Box::new(source), Packing::Told), shown, true)
    }

    fn from(from: From<'s>, shown: &str, must_look_like_one: bool) -> Self {
        Self { from, shown: shown.to_owned(), must_look_like_one, bounds: Bounds::default() }
    }

    /// Read no farther than that: beyond it the job is [`TooLarge`](super::JobError::TooLarge), or its reading
    /// [`Stopped`](super::JobError::Stopped).
    pub fn within(self, bounds: Bounds) -> Self {
        Self { bounds, ..self }
    }

    /// The digest of its plain bytes, as reports show it: BLAKE3.
    ///
    /// # Errors
    /// When it cannot be read to its end.
    pub fn digest(self) -> io::Result<blake3::Hash> {
        let mut hasher = blake3::Hasher::new();
        hasher.update_reader(self.unpacked(&silent)?)?;
        Ok(hasher.finalize())
    }

    /// Copies its plain bytes, where its start looks like a job; their digest.
    ///
    /// # Errors
    /// See [`CopyError`]; some bytes may have been copied.
    pub fn copy_to(self, copy: &mut impl Write) -> Result<blake3::Hash, CopyError> {
        let mut source = self.that_looks_like_one().open(&silent).map_err(|fault| match fault {
            Fault::NotAJob(why) => CopyError::NotAJob(why),
            Fault::Source(error) => CopyError::of_reading(error),
            _ => CopyError::Read(io::Error::other("it cannot be read")),
        })?;
        let (mut hasher, mut buffer) = (blake3::Hasher::new(), vec![0; 1 << 16]);
        loop {
            match source.read(&mut buffer) {
                Ok(0) => return Ok(hasher.finalize()),
                Ok(count) => {
                    hasher.update(&buffer[..count]);
                    copy.write_all(&buffer[..count]).map_err(CopyError::Write)?;
                }
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(error) => return Err(CopyError::of_reading(error)),
            }
        }
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
        let bounds = self.bounds;
        let source = self.plain(progress)?;
        Ok(match bounds {
            Bounds { bytes: None, until: None } => source,
            _ => Box::new(Bounded { source, bounds, read: 0 }),
        })
    }

    fn plain(self, progress: Progress<'s>) -> io::Result<Box<dyn Read + Send + 's>> {
        let mut source: Box<dyn Read + Send + 's> = match self.from {
            From::Stream(source, Packing::Plain) => return Ok(Box::new(Counted { source, progress })),
            From::Stream(source, Packing::Told) => source,
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
pub struct Unchanged {
    file: File,
    /// Its size and when it was changed last; none for what is no file of a known size.
    was: Option<(u64, Option<SystemTime>)>,
}

impl Unchanged {
    /// From now on.
    ///
    /// # Errors
    /// When the system does not say what it is like.
    pub fn of(file: File) -> io::Result<Self> {
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

/// Why reading ends where a job has more bytes than it may.
#[derive(Debug, thiserror::Error)]
#[error("more than {bytes} bytes")]
pub(super) struct TooLarge {
    pub(super) bytes: u64,
}

/// Ends the reading at its bounds. They hold for plain bytes: a small packed job may hold any number of them.
struct Bounded<R> {
    source: R,
    bounds: Bounds,
    read: u64,
}

impl<R: Read> Read for Bounded<R> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        if self.bounds.until.is_some_and(|until| Instant::now() >= until) {
            return Err(io::Error::other(Stopped));
        }
        let count = self.source.read(buffer)?;
        self.read += count as u64;
        match self.bounds.bytes {
            Some(bytes) if self.read > bytes => Err(io::Error::other(TooLarge { bytes })),
            _ => Ok(count),
        }
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

    #[test]
    fn bounds_hold_for_plain_bytes() {
        use flate2::{Compression, write::GzEncoder};
        let job = "G28\nG1 X5 F600\n".repeat(1000);
        let mut packed = GzEncoder::new(Vec::new(), Compression::best());
        packed.write_all(job.as_bytes()).expect("packs");
        let packed = packed.finish().expect("packs");
        assert!(packed.len() * 50 < job.len());
        for bytes in [job.clone().into_bytes(), packed] {
            let read = |bounds| {
                let source = JobSource::bytes(bytes.clone(), "job.gcode").within(bounds);
                source.unpacked(&silent).and_then(|mut source| source.read_to_end(&mut Vec::new()))
            };
            let most = job.len() as u64;
            assert_eq!(read(Bounds { bytes: Some(most), until: None }).ok(), Some(job.len()));
            let told = read(Bounds { bytes: Some(most - 1), until: None }).expect_err("one too many");
            assert!(told.get_ref().is_some_and(|inner| inner.is::<TooLarge>()), "{told}");
            let told = read(Bounds { bytes: None, until: Some(Instant::now()) }).expect_err("no time");
            assert!(told.get_ref().is_some_and(|inner| inner.is::<Stopped>()), "{told}");
            let digest = JobSource::bytes(bytes.clone(), "job.gcode").digest().expect("reads");
            assert_eq!(digest, blake3::hash(job.as_bytes()), "of the plain bytes");
        }
    }
}
