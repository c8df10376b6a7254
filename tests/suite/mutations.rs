//! Damaged corpus jobs: byte flips, cuts and splices never panic, never hang, and always end in a verdict.
//!
//! 1000 by default; `GONOGO_MUTATIONS=10000` for the whole run.

use std::fs;
use std::path::Path;

use gonogo::machine::Machine;
use gonogo::preflight::{JobError, JobSource, Preflight};

/// Deterministic, so that a failure can be repeated: Marsaglia, Xorshift RNGs, J. Stat. Soft. 8 (2003).
struct Xorshift(u64);

impl Xorshift {
    fn next(&mut self) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0
    }

    fn below(&mut self, bound: usize) -> usize {
        (self.next() % bound.max(1) as u64) as usize
    }
}

fn files(folder: &str, ending: &str) -> Vec<Vec<u8>> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("corpus").join(folder);
    let mut paths: Vec<_> = fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()).collect();
    paths.sort();
    paths.retain(|path| path.extension().is_some_and(|extension| extension == ending));
    assert!(paths.len() >= 3);
    paths.iter().map(|path| fs::read(path).unwrap()).collect()
}

fn mutate(job: &[u8], other: &[u8], random: &mut Xorshift) -> Vec<u8> {
    let mut job = job.to_vec();
    for _ in 0..=random.below(4) {
        let at = random.below(job.len());
        match random.below(5) {
            0 => job[at] ^= 1 << random.below(8),
            1 => job.truncate(at.max(1)),
            2 => {
                let from = random.below(other.len());
                let until = (from + random.below(2000)).min(other.len());
                job.splice(at..at, other[from..until].iter().copied());
            }
            3 => {
                let until = (at + random.below(200)).min(job.len());
                job.drain(at..until);
                job.push(b'\n');
            }
            _ => job[at] = random.next() as u8,
        }
    }
    job
}

#[test]
fn damaged_jobs_end_in_a_verdict() {
    let count = std::env::var("GONOGO_MUTATIONS").ok().and_then(|count| count.parse().ok()).unwrap_or(1000);
    let jobs = files("jobs", "gcode");
    let machines: Vec<Machine> = files("machines", "toml")
        .iter()
        .map(|sheet| Machine::parse("corpus", std::str::from_utf8(sheet).unwrap()).unwrap())
        .collect();
    let mut random = Xorshift(0x9e37_79b9_7f4a_7c15);
    for _ in 0..count {
        let job = mutate(&jobs[random.below(jobs.len())], &jobs[random.below(jobs.len())], &mut random);
        let machine = &machines[random.below(machines.len())];
        let report = match Preflight::on(machine).run(JobSource::stream(&job[..], "mutated.gcode")) {
            Ok(report) => report,
            // Damage may ask for longer than any print takes.
            Err(JobError::TooLong { .. }) => continue,
            Err(error) => panic!("{error}"),
        };
        assert_eq!(report.job.bytes, job.len() as u64);
        assert!(report.time_s.total().is_finite() && report.flow.peak_mm3_s.is_finite());
    }
}
