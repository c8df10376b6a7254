//! Wires text → modal → motion → physics → observers for one job; gives back one [`Inspection`].
//!
//! The stages are passed chunk by chunk, by any number of threads in turn (see [`crate::threads`]). A job that is judged on
//! several machines is read once, and planned on each.

pub mod announced;
mod ending;
mod kept;
mod lane;
mod run;

use std::fs::File;
use std::io::{self, BufReader, Read};
use std::path::Path;
use std::sync::Arc;
use std::thread;

use flate2::read::MultiGzDecoder;

use crate::block::BLOCK;
use crate::findings::{Inspection, Observer};
use crate::machine::Machine;
use crate::text::lines;
use crate::threads::{Crew, Help};
use crate::vectors::Vectors;
use run::Run;

pub use kept::Kept;

/// Why a job could not be judged at all.
#[derive(Debug, thiserror::Error)]
pub enum JobError {
    /// It could not be opened or read.
    #[error("cannot read {path}: {source}")]
    Read {
        /// Path as given.
        path: String,
        /// What the system said.
        source: io::Error,
    },
}

/// Sizes that no result depends on; tests change them.
#[derive(Debug, Clone, Copy)]
pub struct Sizes {
    /// Bytes asked of the source at a time.
    pub chunk_bytes: usize,
    /// Most moves in a block.
    pub block_moves: usize,
    /// Machine position at the start of the job, mm.
    pub start_mm: [f64; 3],
    /// Which vectors of the processor are used.
    pub vectors: Vectors,
    /// Threads that work on the job, at least one.
    pub threads: usize,
}

impl Default for Sizes {
    fn default() -> Self {
        Self {
            chunk_bytes: lines::CHUNK_BYTES,
            block_moves: BLOCK,
            start_mm: [0.0; 3],
            vectors: Vectors::default(),
            threads: 1,
        }
    }
}

/// A machine to judge on, and who watches besides: for pictures and spectra. Guests change nothing of the report; what they
/// log is dropped. See [`Guest`](crate::findings::Guest) for how to get back what one saw.
pub struct Seat<'m> {
    /// The machine.
    pub machine: &'m Machine,
    /// They see the same blocks as the checks, and at the end the finished report.
    pub guests: Vec<Box<dyn Observer>>,
}

impl<'m> From<&'m Machine> for Seat<'m> {
    fn from(machine: &'m Machine) -> Self {
        Self { machine, guests: Vec::new() }
    }
}

/// Judges the job at `path` (`-` is standard input; gz is recognised by its first bytes) with whoever of `crew` has
/// nothing else to do. `on_bytes` is told how many bytes of the file were read since the last call.
///
/// # Errors
/// When the job cannot be opened or read to its end.
pub fn inspect_path<'e>(
    path: &Path,
    machine: &Machine,
    on_bytes: &'e (dyn Fn(u64) + Sync),
    crew: &Crew<'e>,
) -> Result<Inspection, JobError> {
    let mut reports = inspect_path_on(path, &[machine], on_bytes, crew)?;
    Ok(reports.swap_remove(0))
}

/// The same on several machines, at least one: the job is read once. A report for each machine, in their order.
///
/// # Errors
/// Like [`inspect_path`].
pub fn inspect_path_on<'e>(
    path: &Path,
    machines: &[&Machine],
    on_bytes: &'e (dyn Fn(u64) + Sync),
    crew: &Crew<'e>,
) -> Result<Vec<Inspection>, JobError> {
    inspect_path_with(path, machines.iter().map(|machine| Seat::from(*machine)).collect(), on_bytes, crew)
}

/// The same with whoever watches besides on each machine.
///
/// # Errors
/// Like [`inspect_path`].
pub fn inspect_path_with<'e>(
    path: &Path,
    seats: Vec<Seat<'_>>,
    on_bytes: &'e (dyn Fn(u64) + Sync),
    crew: &Crew<'e>,
) -> Result<Vec<Inspection>, JobError> {
    inspect_as(path, &path.to_string_lossy(), seats, on_bytes, crew)
}

/// The same for a job whose path is shown as something else: a copy of what came over standard input.
///
/// # Errors
/// Like [`inspect_path`].
pub fn inspect_as<'e>(
    path: &Path,
    shown: &str,
    seats: Vec<Seat<'_>>,
    on_bytes: &'e (dyn Fn(u64) + Sync),
    crew: &Crew<'e>,
) -> Result<Vec<Inspection>, JobError> {
    let machines: Vec<&Machine> = seats.iter().map(|seat| seat.machine).collect();
    at(shown, |shown| {
        let run = Arc::new(Run::new(open(path, on_bytes)?, shown, seats, &Sizes::default()));
        let _place = crew.call(run.clone());
        run.lead(&machines, shown)
    })
}

/// Reads the job at `path` as `machine` reads it, and keeps its moves, so that it can be planned many times: some 70 bytes
/// a move and 60 an action.
///
/// # Errors
/// Like [`inspect_path`], and when more than a GiB would have to be kept.
pub fn keep_path<'e>(
    path: &Path,
    machine: &Machine,
    on_bytes: &'e (dyn Fn(u64) + Sync),
    crew: &Crew<'e>,
) -> Result<Kept, JobError> {
    at(&path.to_string_lossy(), |shown| {
        let run = Arc::new(Run::keeping(open(path, on_bytes)?, machine, &Sizes::default()));
        let _place = crew.call(run.clone());
        run.keep(machine, shown)
    })
}

/// Reads something whose path is shown so; an error names it.
fn at<T>(shown: &str, read: impl FnOnce(&str) -> io::Result<T>) -> Result<T, JobError> {
    read(shown).map_err(|source| JobError::Read { path: shown.to_string(), source })
}

/// The plain bytes of the job at `path`: `-` is standard input, gz is unpacked where the stream starts like it.
fn open<'e>(path: &Path, on_bytes: &'e (dyn Fn(u64) + Sync)) -> io::Result<Box<dyn Read + Send + 'e>> {
    let mut source: Box<dyn Read + Send> = if path.as_os_str() == "-" {
        Box::new(io::stdin())
    } else if path.is_dir() {
        return Err(io::Error::new(io::ErrorKind::IsADirectory, "it is a folder"));
    } else {
        Box::new(File::open(path)?)
    };
    let mut start = Vec::with_capacity(2);
    source.by_ref().take(2).read_to_end(&mut start)?;
    on_bytes(start.len() as u64);
    let packed = start == [0x1f, 0x8b];
    let source = io::Cursor::new(start).chain(Counted { source, on_bytes });
    Ok(if packed {
        Box::new(MultiGzDecoder::new(BufReader::with_capacity(64 * 1024, source)))
    } else {
        Box::new(source)
    })
}

/// Reports how many bytes pass.
struct Counted<'f, R> {
    source: R,
    on_bytes: &'f (dyn Fn(u64) + Sync),
}

impl<R: Read> Read for Counted<'_, R> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let count = self.source.read(buffer)?;
        (self.on_bytes)(count as u64);
        Ok(count)
    }
}

/// Judges a job from any stream of plain bytes. `path` is only shown.
///
/// # Errors
/// What the stream says.
pub fn inspect(source: impl Read + Send, path: &str, machine: &Machine, sizes: &Sizes) -> io::Result<Inspection> {
    let mut reports = inspect_on(source, path, &[machine], sizes)?;
    Ok(reports.swap_remove(0))
}

/// The same on several machines, at least one: the stream is read once. A report for each machine, in their order.
///
/// # Errors
/// What the stream says.
pub fn inspect_on(
    source: impl Read + Send,
    path: &str,
    machines: &[&Machine],
    sizes: &Sizes,
) -> io::Result<Vec<Inspection>> {
    inspect_with(source, path, machines.iter().map(|machine| Seat::from(*machine)).collect(), sizes)
}

/// The same with whoever watches besides on each machine.
///
/// # Errors
/// What the stream says.
pub fn inspect_with(
    source: impl Read + Send,
    path: &str,
    seats: Vec<Seat<'_>>,
    sizes: &Sizes,
) -> io::Result<Vec<Inspection>> {
    let machines: Vec<&Machine> = seats.iter().map(|seat| seat.machine).collect();
    let run = Run::new(source, path, seats, sizes);
    thread::scope(|scope| {
        for _ in 1..sizes.threads {
            scope.spawn(|| run.help());
        }
        run.lead(&machines, path)
    })
}

/// Reads a job from any stream of plain bytes as `machine` reads it, and keeps its moves, see [`keep_path`].
///
/// # Errors
/// What the stream says.
pub fn keep(source: impl Read + Send, path: &str, machine: &Machine, sizes: &Sizes) -> io::Result<Kept> {
    let run = Run::keeping(source, machine, sizes);
    thread::scope(|scope| {
        for _ in 1..sizes.threads {
            scope.spawn(|| run.help());
        }
        run.keep(machine, path)
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::block::Block;
    use crate::findings::{Guest, Log};
    use crate::geometry::Box3;

    #[derive(Default)]
    struct Counting {
        moves: u64,
        at_the_end: Option<u64>,
    }

    impl Observer for Counting {
        fn observe(&mut self, block: &Block, _: &mut Log) {
            self.moves += block.len() as u64;
        }

        fn finish(&mut self, draft: &mut Inspection, _: &mut Log) {
            self.at_the_end = Some(draft.job.moves);
        }
    }

    #[test]
    fn findings_know_where_the_machine_is() {
        let job = "M104 S999\nG28\nG4 P1\nM104 S998\nG1 X10 Y20 Z5 F3000\nM9999\nM104 S997\nG1 X900\nG1 X950 Y30\nG1 X20\nM104 S0\n";
        let report = inspect(job.as_bytes(), "job", &Machine::built_in(), &Sizes::default()).expect("reads");
        let places = |check: &str| {
            let found = report.findings.iter().filter(|finding| finding.check == check);
            found.map(|f| (f.line, f.place_mm, f.worst_line, f.worst_place_mm)).collect::<Vec<_>>()
        };
        // Before the first move or homing nobody knows; line 1 is the worst, too.
        assert_eq!(places("nozzle-over-limit"), [(Some(1), None, Some(1), None)]);
        let (first, worst) = (Some([900.0, 20.0, 5.0]), Some([950.0, 30.0, 5.0]));
        assert_eq!(places("outside-travel"), [(Some(8), first, Some(9), worst)]);
        let of = |check: &str| report.findings.iter().find(|finding| finding.check == check).expect("found").places_mm;
        assert_eq!(of("outside-travel"), Some(Box3 { min: [900.0, 20.0, 5.0], max: [950.0, 30.0, 5.0] }));
        // Once more, neither first nor worst: the box knows it all the same.
        let again = job.replace("M104 S0\n", "G1 X400 Y70\nM104 S0\n");
        let again = inspect(again.as_bytes(), "job", &Machine::built_in(), &Sizes::default()).expect("reads");
        let again = again.findings.iter().find(|finding| finding.check == "outside-travel").expect("found");
        assert_eq!(again.places_mm, Some(Box3 { min: [400.0, 20.0, 5.0], max: [950.0, 70.0, 5.0] }));
        assert_eq!(of("unknown-command"), None, "no no-go on heat or travel");
        let read = places("unknown-command")[0];
        assert_eq!((read.0, read.1), (Some(6), Some([10.0, 20.0, 5.0])));
        let homed = inspect(&job.as_bytes()[10..], "job", &Machine::built_in(), &Sizes::default()).expect("reads");
        let hot = homed.findings.iter().find(|finding| finding.check == "nozzle-over-limit").expect("998 °C");
        assert_eq!((hot.line, hot.place_mm), (Some(3), Some(Machine::built_in().travel.home)));
    }

    #[test]
    fn a_guest_sees_every_move_and_the_finished_report_and_changes_nothing() {
        let machine = Machine::built_in();
        let job = "G28\n".to_owned() + &(1..2000).map(|k| format!("G1 X{} F3000\n", k % 50)).collect::<String>();
        let (guest, seated) = Guest::new(Counting::default());
        let seat = Seat { machine: &machine, guests: vec![seated] };
        let sizes = Sizes { threads: 2, chunk_bytes: 512, ..Sizes::default() };
        let watched = inspect_with(job.as_bytes(), "job", vec![seat], &sizes).expect("reads").remove(0);
        let seen = guest.take().expect("was seated");
        assert_eq!((seen.moves, seen.at_the_end), (watched.job.moves, Some(watched.job.moves)));
        assert!(guest.take().is_none(), "taken already");
        assert_eq!(watched, inspect(job.as_bytes(), "job", &machine, &sizes).expect("reads"));
    }
}
