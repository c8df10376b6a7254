//! One table: the floor of any line reader, a general-purpose G-code crate that only reads words, each stage on top of the
//! one before, a comparison of two machines, and the program itself on one and on two threads; with ratios.
//!
//! All of them take turns, round after round, so that a busy machine slows all alike; medians are shown. The peer is
//! `gcode` 0.7, <https://crates.io/crates/gcode>, by its visitor interface. `GONOGO_BENCH_MIB` sets the size of the
//! generated job (default 64), `GONOGO_BENCH_ROUNDS` the rounds (default 7), `GONOGO_BENCH_JOB` names a job to read
//! instead. Times change from machine to machine and from hour to hour: compare within one table only.

// A bench prints its table.
#![allow(clippy::print_stdout)]

use std::hint::black_box;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use gcode::core::{
    BlockVisitor, CommandVisitor, ControlFlow, Diagnostics, HasDiagnostics, Number, ProgramVisitor, Span, Value,
};

use gonogo::machine::Machine;
use gonogo::preflight::{Sizes, inspect_on, keep};

#[path = "common.rs"]
mod common;

/// Sees every word of the peer and keeps a sum, so that nothing is optimised away.
#[derive(Default)]
struct Peer {
    sum: f32,
    quiet: Quiet,
}

#[derive(Default)]
struct Quiet;

impl Diagnostics for Quiet {}

struct Line<'p>(&'p mut Peer);

impl HasDiagnostics for Peer {
    fn diagnostics(&mut self) -> &mut dyn Diagnostics {
        &mut self.quiet
    }
}

impl HasDiagnostics for Line<'_> {
    fn diagnostics(&mut self) -> &mut dyn Diagnostics {
        &mut self.0.quiet
    }
}

impl ProgramVisitor for Peer {
    fn start_block(&mut self) -> ControlFlow<impl BlockVisitor + '_> {
        ControlFlow::Continue(Line(self))
    }
}

impl BlockVisitor for Line<'_> {
    fn start_general_code(&mut self, _number: Number) -> ControlFlow<impl CommandVisitor + '_> {
        ControlFlow::Continue(Line(self.0))
    }
}

impl CommandVisitor for Line<'_> {
    fn argument(&mut self, _letter: char, value: Value<'_>, _span: Span) {
        if let Value::Literal(value) = value {
            self.0.sum += value;
        }
    }
}

fn peer(job: &str) -> f32 {
    let mut peer = Peer::default();
    gcode::core::parse(job, &mut peer);
    peer.sum
}

/// The job is read once and planned on both machines.
fn compared(job: &[u8], before: &Machine, after: &Machine) -> usize {
    let both = inspect_on(job, "-", &[before, after], &Sizes::default());
    both.expect("reading from memory cannot fail").iter().map(|inspection| inspection.job.moves as usize).sum()
}

/// The program as its users run it, from start to end, so many times at once.
fn program(path: &Path, threads: &str, copies: usize) {
    let sheet = concat!(env!("CARGO_MANIFEST_DIR"), "/corpus/machines/wren.toml");
    let start = |_| {
        Command::new(env!("CARGO_BIN_EXE_gonogo"))
            .arg("check")
            .arg(path)
            .args(["--machine", sheet, "--threads", threads])
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("the program runs")
    };
    let running: Vec<_> = (0..copies).map(start).collect();
    for mut program in running {
        let status = program.wait().expect("the program ends");
        assert!(status.code().is_some_and(|code| code < 2), "the job is judged");
    }
}

fn number(name: &str, default: usize) -> usize {
    std::env::var(name).ok().and_then(|text| text.parse().ok()).unwrap_or(default)
}

type Case<'c> = (&'c str, Box<dyn Fn() + 'c>);

/// A case whose result must not be optimised away.
fn case<'c, T>(name: &'c str, run: impl Fn() -> T + 'c) -> Case<'c> {
    let keep = move || {
        black_box(run());
    };
    (name, Box::new(keep))
}

/// Reads a job once and plans it so many times, each time with other accelerations, as `headroom` does.
fn plans(job: &[u8], machine: &Machine, count: u32) -> f64 {
    let kept = keep(job, "-", machine, &Sizes::default()).expect("reading from memory cannot fail");
    let plan = |k: u32| {
        let mut changed = machine.clone();
        changed.motion.limits.printing_mm_s2 *= 1.0 + f64::from(k) / f64::from(count);
        kept.time(&changed, |_| false).expect("nothing stops it").time_s.total()
    };
    (0..count).map(plan).sum()
}

/// Plans of the row on headroom.
const PLANS: u32 = 30;
/// An invented structure.
const MODES: &str = "\n[[structure]]\naxis = \"x\"\nnatural_hz = 47.0\ndamping_ratio = 0.06\n\
    [[structure]]\naxis = \"y\"\nnatural_hz = 38.0\ndamping_ratio = 0.07\n\
    [structure_limits]\nringing_mm = 0.03\n";

fn main() {
    let folder = tempfile::tempdir().expect("a folder for a moment");
    let (path, job) = match std::env::var_os("GONOGO_BENCH_JOB") {
        Some(path) => (path.clone().into(), std::fs::read(path).expect("the job can be read")),
        None => {
            let job = common::job(number("GONOGO_BENCH_MIB", 64) << 20);
            let path = folder.path().join("big.gcode");
            std::fs::write(&path, &job).expect("the job can be written");
            (path, job)
        }
    };
    let (machine, text) = (common::machine(), String::from_utf8_lossy(&job));
    let swinging = Machine::parse("wren.toml", &format!("{}{MODES}", machine.text)).expect("a valid sheet");
    let slower = machine.with("motion.acceleration_mm_s2.printing", "3000").expect("a key of the sheet");
    let cases: [Case<'_>; 13] = [
        case("floor: one memchr call per line", || common::floor(&job)),
        case("peer: gcode 0.7, words only", || peer(&text)),
        case("lines and digest", || common::read_lines(&job)),
        case("+ words", || common::read_words(&job)),
        case("+ modal state", || common::read_events(&job, &machine, false)),
        case("+ motion", || common::read_events(&job, &machine, true)),
        case("+ physics, totals and all checks", || common::whole(&job, &machine)),
        case("compare, two machines", || compared(&job, &machine, &slower)),
        case("program, 1 thread", || program(&path, "1", 1)),
        case("two copies of it at once", || program(&path, "1", 2)),
        case("program, 2 threads", || program(&path, "2", 1)),
        case("headroom, 30 plans", || plans(&job, &machine, PLANS)),
        case("all checks, two modes that ring", || common::whole(&job, &swinging)),
    ];
    let mut times: [Vec<Duration>; 13] = Default::default();
    for round in 0..=number("GONOGO_BENCH_ROUNDS", 7) {
        for ((_, run), times) in cases.iter().zip(&mut times) {
            let start = Instant::now();
            run();
            // The first round only warms up.
            if round > 0 {
                times.push(start.elapsed());
            }
        }
    }
    print(&job, &cases, &mut times);
}

fn print(job: &[u8], cases: &[Case<'_>], times: &mut [Vec<Duration>]) {
    let lines = common::floor(job) as f64;
    let medians: Vec<f64> = times
        .iter_mut()
        .map(|times| {
            times.sort_unstable();
            times[times.len() / 2].as_secs_f64()
        })
        .collect();
    println!("{:.1} MB, {lines} lines, median of {} rounds", job.len() as f64 / 1e6, times[0].len());
    println!("{:<34} {:>8} {:>8} {:>8} {:>8} {:>8}", "", "ms", "ns/line", "MB/s", "x floor", "x peer");
    for ((name, _), seconds) in cases.iter().zip(&medians) {
        println!(
            "{name:<34} {:>8.1} {:>8.1} {:>8.0} {:>8.2} {:>8.2}",
            seconds * 1e3,
            seconds * 1e9 / lines,
            job.len() as f64 / 1e6 / seconds,
            seconds / medians[0],
            seconds / medians[1]
        );
    }
    println!("two machines take {:.2} times as long as one", medians[7] / medians[6]);
    println!("{PLANS} plans for headroom take {:.2} of {PLANS} checks", medians[11] / medians[6] / f64::from(PLANS));
    println!("two modes that ring make the checks take {:.2} times as long", medians[12] / medians[6]);
    let (one, copies, two) = (medians[8], medians[9], medians[10]);
    println!(
        "two threads are {:.2} times as fast as one; two copies at once did {:.2} times the work of one",
        one / two,
        2.0 * one / copies
    );
}
