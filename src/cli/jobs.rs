//! From the paths on the command line to jobs.

use std::collections::{HashSet, VecDeque};
use std::ffi::OsStr;
use std::fs;
use std::io::{self, Read};
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};

use anyhow::{Context, bail};
use clap::Args;
use walkdir::WalkDir;

use super::output;
use super::progress::Progress;
use super::usage::mistake;
use crate::findings::Unjudged;
use crate::preflight::JobError;
use crate::threads::{self, Breakdown, Hands, HelperPool};

/// Endings of job files in directories; each may be followed by `.gz`.
pub const ENDINGS: [&str; 5] = ["gcode", "gco", "g", "gc", "nc"];

/// Which jobs.
#[derive(Debug, Args)]
pub struct JobArgs {
    /// Files, directories (searched for *.gcode, *.gco, *.g, *.gc, *.nc, each also with .gz), or - for standard input.
    #[arg(value_name = "JOB", required_unless_present = "files_from")]
    jobs: Vec<PathBuf>,
    /// Also judge the jobs listed in FILE, one path per line; - is standard input. Blank lines and those that begin with # are
    /// passed over.
    #[arg(long, value_name = "FILE")]
    files_from: Option<PathBuf>,
    /// Use so many threads: for several jobs at a time, or together on one [default: one per processor].
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1024))]
    pub threads: Option<u16>,
}

impl JobArgs {
    /// The list of jobs, where it is a file.
    pub fn list(&self) -> Option<&Path> {
        self.files_from.as_deref().filter(|list| !is_stdin(list))
    }

    /// The jobs, those of the list last.
    ///
    /// # Errors
    /// When there is none, standard input is named twice, or the list cannot be read.
    pub fn resolve(&self) -> anyhow::Result<Vec<Job>> {
        Ok(collect(&self.given()?))
    }

    /// Files and folders named, those of the list last.
    ///
    /// # Errors
    /// Like [`Self::resolve`].
    pub fn given(&self) -> anyhow::Result<Vec<PathBuf>> {
        let mut paths = self.jobs.clone();
        let mut from_stdin = paths.iter().filter(|path| is_stdin(path)).count();
        if let Some(list) = &self.files_from {
            from_stdin += usize::from(is_stdin(list));
            if from_stdin > 1 {
                return Err(mistake(
                    "standard input can only be read once: it is given as a job and as the list of jobs",
                ));
            }
            let listed = read_list(list)?;
            from_stdin += listed.iter().filter(|path| is_stdin(path)).count();
            paths.extend(listed);
        }
        if from_stdin > 1 {
            return Err(mistake("standard input can only be read once: give - a single time"));
        }
        if paths.is_empty() {
            bail!("no job given: the list of jobs is empty");
        }
        Ok(paths)
    }
}

/// Something to judge.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Job {
    /// A file, or `-` for standard input.
    File(PathBuf),
    /// What could not even be listed.
    Lost(Unjudged),
}

impl Job {
    /// Where it lies; none for standard input and what could not be listed.
    pub fn path(&self) -> Option<&Path> {
        match self {
            Self::File(path) if !is_stdin(path) => Some(path),
            _ => None,
        }
    }

    /// Its path, whatever became of it.
    pub fn shown(&self) -> &Path {
        match self {
            Self::File(path) => path,
            Self::Lost(unjudged) => Path::new(&unjudged.path),
        }
    }

    /// Size where it is known, bytes.
    pub fn size(&self) -> Option<u64> {
        match self {
            Self::File(path) => fs::metadata(path).ok().filter(fs::Metadata::is_file).map(|found| found.len()),
            Self::Lost(_) => None,
        }
    }

    /// Size of the plain job where it is known without reading it, bytes: what is packed may be anything.
    pub fn plain_size(&self) -> Option<u64> {
        let (size, mut start) = (self.size()?, Vec::new());
        fs::File::open(self.path()?).ok()?.take(GZ.len() as u64).read_to_end(&mut start).ok()?;
        (start != GZ).then_some(size)
    }

    /// What is said of the job when judging it broke down.
    fn broken(&self, breakdown: &Breakdown) -> Unjudged {
        match self {
            Self::File(path) => {
                let path = path.display().to_string();
                Unjudged { error: format!("cannot judge {path}: {breakdown}"), path }
            }
            Self::Lost(unjudged) => unjudged.clone(),
        }
    }

    /// Judges the job where it could be listed.
    ///
    /// # Errors
    /// Why it could not be judged.
    pub fn judged<T>(&self, judge: impl FnOnce(&Path) -> Result<T, JobError>) -> Result<T, Unjudged> {
        match self {
            Self::File(path) => {
                judge(path).map_err(|error| Unjudged { path: path.display().to_string(), error: error.to_string() })
            }
            Self::Lost(unjudged) => Err(unjudged.clone()),
        }
    }

    /// True for standard input.
    pub fn is_stdin(&self) -> bool {
        matches!(self, Self::File(path) if is_stdin(path))
    }
}

/// True for the path that means standard input.
pub fn is_stdin(path: &Path) -> bool {
    path.as_os_str() == "-"
}

/// Judges all jobs and hands each outcome to `take` in the order of the jobs; errors also go to standard error, unless the
/// report says them in the same place. When `take` cannot write, no further job is started.
///
/// # Errors
/// When `take` cannot write.
pub fn each<'e, T: Send>(
    jobs: &[Job],
    hands: Hands,
    progress: &Progress,
    judge: impl Fn(&Job, &HelperPool<'e>) -> Result<T, Unjudged> + Sync,
    mut take: impl FnMut(Result<T, Unjudged>) -> io::Result<()>,
) -> anyhow::Result<()> {
    let mut written: io::Result<()> = Ok(());
    threads::run(jobs, hands, judge, |index, answer| {
        let outcome = answer.unwrap_or_else(|breakdown| Err(jobs[index].broken(&breakdown)));
        written = progress.aside(|| {
            if let Err(unjudged) = &outcome {
                progress.complain(&unjudged.error);
            }
            take(outcome)
        });
        if written.is_ok() { ControlFlow::Continue(()) } else { ControlFlow::Break(()) }
    });
    written.context("cannot write the report")
}

/// As many threads as given on the command line, all of which may judge jobs of their own.
pub fn hands(threads: Option<u16>) -> Hands {
    Hands { threads: threads.map_or(0, usize::from), jobs_at_once: usize::MAX }
}

/// Files as they come, directories searched, everything in a stable order.
pub fn collect(paths: &[PathBuf]) -> Vec<Job> {
    let mut jobs = Vec::new();
    for path in paths {
        if !is_stdin(path) && path.is_dir() {
            search(path, &mut jobs);
        } else {
            jobs.push(Job::File(path.clone()));
        }
    }
    jobs
}

/// Folders that links lead to are searched after all that lies in the directory itself, and each folder once: among
/// folders that link to each other there are more paths than anybody could follow.
fn search(directory: &Path, jobs: &mut Vec<Job>) {
    let (mut found, mut entered) = (Vec::new(), HashSet::new());
    let mut open = VecDeque::from([directory.to_owned()]);
    while let Some(folder) = open.pop_front() {
        // Asked before it is listed: a folder may be led to as often as there are links.
        if !entered.insert(output::resolved(&folder)) {
            continue;
        }
        let mut walk = WalkDir::new(&folder).sort_by_file_name().into_iter();
        while let Some(entry) = walk.next() {
            let entry = match entry {
                Ok(entry) => entry,
                Err(error) => {
                    found.extend(lost(&error));
                    continue;
                }
            };
            // A link is what it leads to; a broken one is told of where the job is read.
            let kind = fs::metadata(entry.path());
            if kind.as_ref().is_ok_and(fs::Metadata::is_dir) {
                if entry.depth() == 0 {
                    continue;
                }
                if entry.path_is_symlink() {
                    open.push_back(entry.into_path());
                } else if !entered.insert(output::resolved(entry.path())) {
                    walk.skip_current_dir();
                }
            } else if is_job(entry.path()) && kind.map_or(entry.path_is_symlink(), |kind| kind.is_file()) {
                found.push(Job::File(entry.into_path()));
            }
        }
    }
    found.sort_by(|a, b| a.shown().cmp(b.shown()));
    let has_none = found.is_empty();
    jobs.append(&mut found);
    if has_none {
        let wanted = ENDINGS.map(|ending| format!("*.{ending}")).join(", ");
        let error = format!("no job in {} (searched for {wanted}, each also with .gz)", directory.display());
        jobs.push(Job::Lost(Unjudged { path: directory.display().to_string(), error }));
    }
}

/// A directory that cannot be listed.
fn lost(error: &walkdir::Error) -> Option<Job> {
    let path = error.path()?;
    let reason = error.io_error().map_or_else(|| error.to_string(), ToString::to_string);
    let error = format!("cannot search {}: {reason}", path.display());
    Some(Job::Lost(Unjudged { path: path.display().to_string(), error }))
}

fn is_job(path: &Path) -> bool {
    let has_job_ending = |name: &Path| {
        let ending = name.extension().and_then(OsStr::to_str);
        ending.is_some_and(|ending| ENDINGS.iter().any(|known| known.eq_ignore_ascii_case(ending)))
    };
    let is_packed = path.extension().is_some_and(|ending| ending.eq_ignore_ascii_case("gz"));
    has_job_ending(path) || is_packed && path.file_stem().is_some_and(|stem| has_job_ending(Path::new(stem)))
}

/// How a packed job begins (RFC 1952, 2.3.1).
const GZ: [u8; 2] = [0x1f, 0x8b];
/// Longest list of jobs, bytes: an endless stream must not fill the memory.
const LIST_MAX_BYTES: u64 = 64 << 20;

/// Reads a list of paths, one per line; `-` is standard input. Blank lines and those that begin with `#` are no paths.
///
/// # Errors
/// When the list cannot be read.
pub fn read_list(list: &Path) -> anyhow::Result<Vec<PathBuf>> {
    let mut bytes = Vec::new();
    if is_stdin(list) {
        let mut source = io::stdin().lock().take(LIST_MAX_BYTES + 1);
        source.read_to_end(&mut bytes).context("cannot read the list of jobs from standard input")?;
    } else {
        let read = fs::File::open(list).and_then(|file| file.take(LIST_MAX_BYTES + 1).read_to_end(&mut bytes));
        read.with_context(|| format!("cannot read the list of jobs {}", list.display()))?;
    }
    if bytes.len() as u64 > LIST_MAX_BYTES {
        bail!("the list of jobs is longer than {} MiB", LIST_MAX_BYTES >> 20);
    }
    let lines = bytes.split(|byte| *byte == b'\n').map(|line| line.strip_suffix(b"\r").unwrap_or(line));
    let is_path = |line: &&[u8]| !line.trim_ascii().is_empty() && !line.starts_with(b"#");
    Ok(lines.filter(is_path).map(path_of).collect())
}

#[cfg(unix)]
fn path_of(line: &[u8]) -> PathBuf {
    use std::os::unix::ffi::OsStrExt;
    PathBuf::from(OsStr::from_bytes(line))
}

#[cfg(not(unix))]
fn path_of(line: &[u8]) -> PathBuf {
    PathBuf::from(String::from_utf8_lossy(line).into_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shown(jobs: &[Job], root: &Path) -> Vec<String> {
        let show = |job: &Job| match job {
            Job::File(path) => path.strip_prefix(root).unwrap_or(path).display().to_string(),
            Job::Lost(unjudged) => format!("lost: {}", unjudged.error.replace(&*root.display().to_string(), "ROOT")),
        };
        jobs.iter().map(show).collect()
    }

    #[test]
    fn directories_are_searched_in_a_stable_order() {
        let directory = tempfile::tempdir().expect("temporary directory");
        let root = directory.path();
        fs::create_dir_all(root.join("b/deep")).expect("creates");
        fs::create_dir_all(root.join("none")).expect("creates");
        for name in ["z.gcode", "a.GCO", "b/deep/x.nc.gz", "b/y.g", "b/w.gc", "notes.txt", "c.gz", "gcode"] {
            fs::write(root.join(name), "").expect("writes");
        }
        let named =
            [root.join("z.gcode"), root.to_owned(), PathBuf::from("-"), root.join("missing"), root.join("none")];
        assert_eq!(
            shown(&collect(&named), root),
            [
                "z.gcode",
                "a.GCO",
                "b/deep/x.nc.gz",
                "b/w.gc",
                "b/y.g",
                "z.gcode",
                "-",
                "missing",
                "lost: no job in ROOT/none (searched for *.gcode, *.gco, *.g, *.gc, *.nc, each also with .gz)",
            ]
        );
    }

    #[cfg(unix)]
    #[test]
    fn links_are_followed_loops_and_broken_ones_are_not() {
        use std::os::unix::fs::symlink;
        let directory = tempfile::tempdir().expect("temporary directory");
        let root = directory.path();
        fs::create_dir(root.join("in")).expect("creates");
        fs::write(root.join("real"), "").expect("writes");
        symlink(root.join("real"), root.join("in/a.gcode")).expect("links");
        symlink(root.join("gone"), root.join("in/b.gcode")).expect("links");
        symlink(root.join("gone"), root.join("in/other")).expect("links");
        symlink(root.join("in"), root.join("in/loop")).expect("links");
        assert_eq!(shown(&collect(&[root.join("in")]), root), ["in/a.gcode", "in/b.gcode"]);
    }

    #[cfg(unix)]
    #[test]
    fn folders_that_link_to_each_other_are_entered_once() {
        use std::os::unix::fs::symlink;
        let directory = tempfile::tempdir().expect("temporary directory");
        let root = directory.path();
        let names: Vec<String> = (0..12).map(|n| format!("f{n:02}")).collect();
        for name in &names {
            fs::create_dir(root.join(name)).expect("creates");
            fs::write(root.join(name).join("job.gcode"), "").expect("writes");
            for other in &names {
                symlink(root.join(other), root.join(name).join(format!("to-{other}"))).expect("links");
            }
        }
        let own: Vec<String> = names.iter().map(|name| format!("{name}/job.gcode")).collect();
        assert_eq!(shown(&collect(&[root.to_owned()]), root), own, "each by its own path");
        // From one of them all are reached, each by the shortest way.
        let found = shown(&collect(&[root.join("f03")]), root);
        assert_eq!(found.len(), names.len());
        assert_eq!(found[..2], ["f03/job.gcode".to_owned(), "f03/to-f00/job.gcode".to_owned()]);
    }

    #[test]
    fn lists_are_read_line_by_line() {
        let directory = tempfile::tempdir().expect("temporary directory");
        let list = directory.path().join("list");
        fs::write(&list, "# hooks\r\na b.gcode\r\n\n \t\n#d.gcode\nc#.gcode").expect("writes");
        assert_eq!(read_list(&list).expect("reads"), [PathBuf::from("a b.gcode"), PathBuf::from("c#.gcode")]);
        assert!(read_list(&directory.path().join("none")).is_err());
    }
}
