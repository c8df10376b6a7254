//! One table: the floor of any line reader, a general-purpose G-code crate that only reads words, each stage on top of the
//! one before, a comparison of two machines, a matrix of three, and the program itself on one and on two threads; with
//! ratios.
//!
//! All of them take turns, round after round, so that a busy machine slows all alike; medians are shown. The peer is
//! `gcode` 0.7, <https://crates.io/crates/gcode>, by its visitor interface. `GONOGO_BENCH_MIB` sets the size of the
//! generated job (default 64), `GONOGO_BENCH_ROUNDS` the rounds (default 7), `GONOGO_BENCH_JOB` names a job to read
//! instead, and `GONOGO_BENCH_ONLY` keeps the rows with one of its words (between commas) in their names. Times change
//! from machine to machine and from hour to hour: compare within one table only.
//!
//! Why a bench table of our own? All rows must take turns in one run to be compared: floor, peer, stages and the
//! program.

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
use gonogo::preflight::{JobSource, Preflight};

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

/// The job is read once and planned on each machine.
fn on_each(job: &[u8], machines: &[&Machine]) -> usize {
    let each = Preflight::on_all(machines).run_all(JobSource::stream(job, "-"));
    each.expect("reading from memory cannot fail").iter().map(|inspection| inspection.job.moves as usize).sum()
}

/// The job is read and judged anew on each machine.
fn one_by_one(job: &[u8], machines: &[&Machine]) -> usize {
    machines.iter().map(|machine| common::whole(job, machine)).sum()
}

/// A machine of the corpus.
fn machine_of_corpus(name: &str) -> Machine {
    let path = format!("{}/corpus/machines/{name}.toml", env!("CARGO_MANIFEST_DIR"));
    Machine::load(path.as_ref()).expect("a corpus sheet is valid")
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
    let kept = Preflight::on(machine).load(JobSource::stream(job, "-")).expect("reading from memory cannot fail");
    let plan = |k: u32| {
        let mut changed = machine.clone();
        changed.motion.limits.printing_mm_s2 *= 1.0 + f64::from(k) / f64::from(count);
        kept.time(&changed, |_| false).expect("nothing stops it").time_s.total()
    };
    (0..count).map(plan).sum()
}

// Names of the rows that ratios are told of.
const FLOOR: &str = "floor: one memchr call per line";
const PEER: &str = "peer: gcode 0.7, words only";
const CHECK: &str = "+ physics, totals and all checks";
const COMPARE: &str = "compare, two machines";
const MATRIX: &str = "matrix, three that read alike";
const MATRIX_UNLIKE: &str = "matrix, three that do not";
const ONE_BY_ONE: &str = "the same three one by one";
const ONE_THREAD: &str = "program, 1 thread";
const TWO_COPIES: &str = "two copies of it at once";
const TWO_THREADS: &str = "program, 2 threads";
const HEADROOM: &str = "headroom, 30 plans";
const RINGING: &str = "all checks, two modes that ring";

/// Plans of the row on headroom.
const PLANS: u32 = 30;

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
    let mixes = common::mixes().map(|name| (name, common::mixed(name, job.len())));
    let swinging = Machine::parse("wren.toml", &format!("{}{}", machine.text, common::MODES)).expect("a valid sheet");
    let with = |key: &str, value: &str| machine.with(key, value).expect("a key of the sheet");
    let slower = with("motion.acceleration_mm_s2.printing", "3000");
    let gentler = with("motion.acceleration_mm_s2.travel", "4000");
    let corpus = ["bittern", "heron", "wren"].map(machine_of_corpus);
    let unlike: Vec<&Machine> = corpus.iter().collect();
    let mut cases = vec![
        case(FLOOR, || common::floor(&job)),
        case(PEER, || peer(&text)),
        case("lines and digest", || common::read_lines(&job)),
        case("+ words", || common::read_words(&job)),
        case("+ modal state", || common::read_events(&job, &machine, false)),
        case("+ motion", || common::read_events(&job, &machine, true)),
        case(CHECK, || common::whole(&job, &machine)),
        case(COMPARE, || on_each(&job, &[&machine, &slower])),
        case(MATRIX, || on_each(&job, &[&machine, &slower, &gentler])),
        case(MATRIX_UNLIKE, || on_each(&job, &unlike)),
        case(ONE_BY_ONE, || one_by_one(&job, &unlike)),
        case(ONE_THREAD, || program(&path, "1", 1)),
        case(TWO_COPIES, || program(&path, "1", 2)),
        case(TWO_THREADS, || program(&path, "2", 1)),
        case(HEADROOM, || plans(&job, &machine, PLANS)),
        case(RINGING, || common::whole(&job, &swinging)),
    ];
    cases.extend(mixes.iter().map(|(name, job)| case(name, || common::whole(job, &machine))));
    let only = std::env::var("GONOGO_BENCH_ONLY").unwrap_or_default();
    let wanted = |name: &str| only.split(',').any(|word| name.contains(word.trim()));
    let cases: Vec<Case<'_>> = cases.into_iter().filter(|(name, _)| wanted(name)).collect();
    let mut times: Vec<Vec<Duration>> = vec![Vec::new(); cases.len()];
    for round in 0..=number("GONOGO_BENCH_ROUNDS", 7).max(1) {
        for ((_, run), times) in cases.iter().zip(&mut times) {
            let start = Instant::now();
            run();
            // The first round only warms up.
            if round > 0 {
                times.push(start.elapsed());
            }
        }
    }
    let names = cases.iter().map(|(name, _)| *name);
    print(&job, &mixes, &names.zip(times.into_iter().map(median)).collect::<Vec<_>>());
}

fn median(mut times: Vec<Duration>) -> f64 {
    times.sort_unstable();
    times[times.len() / 2].as_secs_f64()
}

fn print(job: &[u8], mixes: &[(&str, Vec<u8>)], medians: &[(&str, f64)]) {
    let lines = common::floor(job) as f64;
    let of = |name: &str| medians.iter().find(|(known, _)| *known == name).map(|(_, seconds)| *seconds);
    println!("{:.1} MB, {lines} lines, medians", job.len() as f64 / 1e6);
    println!("{:<34} {:>8} {:>8} {:>8} {:>8} {:>8}", "", "ms", "ns/line", "MB/s", "x floor", "x peer");
    for (name, seconds) in medians {
        // Rows of other jobs count their own lines and bytes.
        let job = mixes.iter().find(|(mix, _)| mix == name).map_or(job, |(_, job)| job);
        let lines = common::floor(job) as f64;
        let times = |other: &str| of(other).map_or("–".to_owned(), |other| format!("{:.2}", seconds / other));
        println!(
            "{name:<34} {:>8.1} {:>8.1} {:>8.0} {:>8} {:>8}",
            seconds * 1e3,
            seconds * 1e9 / lines,
            job.len() as f64 / 1e6 / seconds,
            times(FLOOR),
            times(PEER)
        );
    }
    ratios(&of);
}

/// What rows come to in terms of each other, where they are there.
fn ratios(of: &dyn Fn(&str) -> Option<f64>) {
    let ratio = |of_this: &str, to: &str| Some(of(of_this)? / of(to)?);
    if let Some(ratio) = ratio(COMPARE, CHECK) {
        println!("two machines take {ratio:.2} times as long as one");
    }
    if let Some(ratio) = ratio(MATRIX, CHECK) {
        println!("a matrix of three machines that read alike takes {ratio:.2} times as long as one check");
    }
    if let Some(ratio) = ratio(MATRIX_UNLIKE, ONE_BY_ONE) {
        println!("a matrix of three that do not takes {:.2} times as long as a check on average", 3.0 * ratio);
    }
    if let Some(ratio) = ratio(HEADROOM, CHECK) {
        println!("{PLANS} plans for headroom take {:.2} of {PLANS} checks", ratio / f64::from(PLANS));
    }
    if let Some(ratio) = ratio(RINGING, CHECK) {
        println!("two modes that ring make the checks take {ratio:.2} times as long");
    }
    if let (Some(faster), Some(copies)) = (ratio(ONE_THREAD, TWO_THREADS), ratio(ONE_THREAD, TWO_COPIES)) {
        let work = 2.0 * copies;
        println!(
            "two threads are {faster:.2} times as fast as one; two copies at once did {work:.2} times the work of one"
        );
    }
}
