//! A share of the jobs: every job falls into exactly one of N shards, the same on any machine.

use std::fmt;
use std::ops::ControlFlow;
use std::path::{Component, Path, PathBuf};
use std::str::FromStr;

use blake3::Hash;
use clap::ValueEnum;

use super::jobs::Job;
use super::usage::mistake;
use crate::preflight::JobSource;
use crate::threads::{self, Hands};

/// Which of how many, from 0.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Shard {
    index: u64,
    of: u64,
}

/// What decides on the shard of a job.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum By {
    /// Its path, from the folder given.
    Path,
    /// Its bytes, unpacked: each shard then reads all jobs.
    Content,
}

/// As names of files take it.
impl fmt::Display for Shard {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}-of-{}", self.index, self.of)
    }
}

impl FromStr for Shard {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let parts = text.split_once('/').and_then(|(index, of)| Some((index.parse().ok()?, of.parse().ok()?)));
        match parts {
            Some((index, of)) if index < of => Ok(Self { index, of }),
            _ => Err("I/N takes two whole numbers, I from 0 to N - 1".to_owned()),
        }
    }
}

impl Shard {
    /// The first eight bytes of the digest, the lowest first, divided by the number of shards: the rest is the shard.
    fn has(self, digest: &Hash) -> bool {
        let mut first = [0; 8];
        first.copy_from_slice(&digest.as_bytes()[..8]);
        u64::from_le_bytes(first) % self.of == self.index
    }

    /// Those of the jobs that fall into this shard; `given` are the files and folders that were named. What could not be
    /// listed falls into one like a job, by its path.
    ///
    /// # Errors
    /// When a job is standard input, which has no path, and whose bytes can be read only once.
    pub fn pick(self, jobs: &[Job], given: &[PathBuf], by: By, hands: Hands) -> anyhow::Result<Vec<Job>> {
        if jobs.iter().any(Job::is_stdin) {
            return Err(mistake("--shard goes with files: standard input is one job"));
        }
        let folders: Vec<&Path> = given.iter().map(PathBuf::as_path).filter(|path| path.is_dir()).collect();
        let mut mine = Vec::new();
        let holds = |job: &Job, by| self.has(&digest(job.shown(), &folders, by));
        threads::run(
            jobs,
            hands,
            |job, _| holds(job, by),
            |index, held| {
                // A job whose reading breaks down does so again where that is told.
                if held.unwrap_or_else(|_| holds(&jobs[index], By::Path)) {
                    mine.push(jobs[index].clone());
                }
                ControlFlow::Continue(())
            },
        );
        Ok(mine)
    }
}

/// What decides on a job; its path where its bytes cannot be read, or only once as those of a pipe.
fn digest(path: &Path, folders: &[&Path], by: By) -> Hash {
    let content = (by == By::Content && path.is_file()).then(|| JobSource::at(path).digest().ok()).flatten();
    let below = folders.iter().find_map(|folder| path.strip_prefix(folder).ok()).unwrap_or(path);
    content.unwrap_or_else(|| of_path(below))
}

/// The digest of a path with `/` between its parts, whatever the system writes there.
fn of_path(path: &Path) -> Hash {
    let part = |part| match part {
        Component::RootDir => b"",
        part => part.as_os_str().as_encoded_bytes(),
    };
    let parts: Vec<&[u8]> = path.components().filter(|part| *part != Component::CurDir).map(part).collect();
    blake3::hash(&parts.join(&b'/'))
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::fs;

    use super::super::jobs::collect;

    const ONE: Hands = Hands { threads: 1, jobs_at_once: usize::MAX };

    fn shard(text: &str) -> Shard {
        text.parse().unwrap_or_else(|why| panic!("{text}: {why}"))
    }

    #[test]
    fn shards_count_from_0() {
        assert_eq!((shard("0/1"), shard("3/4")), (Shard { index: 0, of: 1 }, Shard { index: 3, of: 4 }));
        for wrong in ["4/4", "0/0", "-1/4", "1", "1/", "/2", "1/2/3", "a/b", "1 / 2", ""] {
            assert!(wrong.parse::<Shard>().is_err(), "{wrong}");
        }
    }

    #[test]
    fn the_shard_is_the_digest_of_the_path() {
        // BLAKE3 of nothing, from the published test vectors of its authors: af1349b9f5f9a1a6a0404dea36dcc949...
        let digest = of_path(Path::new(""));
        assert_eq!(&digest.to_hex()[..16], "af1349b9f5f9a1a6");
        assert!(Shard { index: 0xa6a1_f9f5_b949_13af % 1000, of: 1000 }.has(&digest));
        let plain = |text: &str| blake3::hash(text.as_bytes());
        assert_eq!(of_path(Path::new("a/b c.gcode")), plain("a/b c.gcode"));
        assert_eq!(of_path(Path::new("./a//b/./c")), plain("a/b/c"));
        assert_eq!(of_path(Path::new("/a/b")), plain("/a/b"));
    }

    #[test]
    fn every_job_is_in_one_shard_wherever_the_folder_lies() {
        let places = [tempfile::tempdir().expect("a folder"), tempfile::tempdir().expect("a folder")];
        let shards = |place: &Path, by| -> Vec<Vec<PathBuf>> {
            let given = [place.to_owned()];
            let names = |index| {
                let mine = Shard { index, of: 5 }.pick(&collect(&given), &given, by, ONE).expect("files");
                let name = |job: &Job| job.path().expect("a file").strip_prefix(place).expect("below").to_owned();
                mine.iter().map(name).collect()
            };
            (0..5).map(names).collect()
        };
        for place in &places {
            fs::create_dir(place.path().join("deep")).expect("creates");
            for n in 0..60 {
                let name = format!("{}job {n}.gcode", if n % 2 == 0 { "deep/" } else { "" });
                fs::write(place.path().join(name), format!("G28\nG1 X{}\n", n / 2)).expect("writes");
            }
        }
        for by in [By::Path, By::Content] {
            let found = shards(places[0].path(), by);
            let mut all: Vec<_> = found.concat();
            all.sort();
            all.dedup();
            assert_eq!((found.iter().map(Vec::len).sum::<usize>(), all.len()), (60, 60));
            assert!(found.iter().all(|shard| shard.len() > 2), "about evenly");
            assert_eq!(shards(places[1].path(), by), found);
        }
        // Jobs alike are in the same shard by content.
        let by_content = shards(places[0].path(), By::Content);
        let with = |name: &str| by_content.iter().position(|shard| shard.contains(&PathBuf::from(name)));
        assert_eq!(with("deep/job 8.gcode"), with("job 9.gcode"));
    }

    #[test]
    fn what_cannot_be_listed_or_read_is_told_by_one_shard() {
        let empty = tempfile::tempdir().expect("a folder");
        let given = [empty.path().to_owned(), PathBuf::from("no-such.gcode")];
        for by in [By::Path, By::Content] {
            let mine = |index| Shard { index, of: 3 }.pick(&collect(&given), &given, by, ONE).expect("files");
            let (lost, unread): (Vec<Job>, Vec<Job>) =
                (0..3).flat_map(mine).partition(|job| matches!(job, Job::Lost(_)));
            assert_eq!((lost.len(), unread.len()), (1, 1));
        }
        let stdin = [PathBuf::from("-")];
        assert!(Shard { index: 0, of: 1 }.pick(&collect(&stdin), &stdin, By::Path, ONE).is_err());
    }
}
