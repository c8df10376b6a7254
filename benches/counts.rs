//! Instructions per line of each stage, counted by valgrind: unlike times they are the same from run to run.
//!
//! Run without arguments, it starts itself under valgrind once per stage, prints the table and fails where a stage takes
//! more instructions than [`BUDGETS`] allows. Valgrind knows vectors of 256 bits at most, so the counts are those of such a
//! processor. Without valgrind it says so and does nothing.
//!
//! What grows with its input must grow no faster: [`GROWING`] are run on one, two and four times as much. What one more of
//! something costs, a small job or an action between moves, is told by [`EACH`], and [`SMALL_MOST`] holds the program to it.

// A bench prints its table.
#![allow(clippy::print_stdout)]

use std::fmt::Write;
use std::hint::black_box;
use std::path::Path;
use std::process::Command;

use gonogo::Verdict;
use gonogo::machine::{LagRow, Machine, Ramp};
use gonogo::preflight::{JobSource, Preflight};
use gonogo::show::report::{Report, openmetrics::OpenMetricsReport};
use gonogo::study::matrix::Totals;

#[path = "common.rs"]
mod common;

/// Size of the job.
const BYTES: usize = 1 << 20;
/// Instructions per line that each stage takes together with those before it, as measured when the budget was set; more
/// than [`MARGIN`] above that is a regression. A stage that became cheaper should get its new number.
const BUDGETS: [(&str, f64); 6] =
    [("floor", 56.0), ("lines", 113.0), ("words", 474.0), ("modal", 730.0), ("motion", 831.0), ("whole", 1804.0)];
/// The same of the whole check for jobs with what that one lacks, in the order of [`common::mixes`].
const MIXED_BUDGETS: [f64; 3] = [2396.0, 2811.0, 1810.0];
/// Room for other compilers and other libraries of the system.
const MARGIN: f64 = 0.10;

/// A limited jerk takes at most that many times the instructions of even ramps; 1.75 when this was set.
const JERK_MOST: f64 = 1.8;

/// Following the pressure in the nozzle, with a lag alone and with a lead against it, takes at most that many times the
/// instructions of a check with two modes that ring; 1.33 and 1.56 when this was set.
const PRESSED_MOST: [(&str, f64); 2] = [("lag", 1.4), ("lead", 1.6)];

/// The machine with two modes, and what the stage adds to them.
fn ringing_machine(stage: &str) -> Machine {
    let sheet = format!("{}{}", include_str!("../corpus/machines/wren.toml"), common::MODES);
    let mut machine = Machine::parse("wren.toml", &sheet).expect("a valid sheet");
    if stage != "ringing" {
        let tool = &mut machine.tools[0];
        tool.pressure_lag = vec![LagRow { layer_mm: 0.2, lag_s: 0.06 }];
        tool.bulge_limit_mm3 = Some(0.15);
        tool.extrusion_lead_s = None;
    }
    if stage == "lead" {
        machine.tools[0].extrusion_lead_s = Some(0.06);
        machine.controller.step_spread_s = Some(0.01);
    }
    machine
}

/// The program checks a job of 10 kB on the built-in machine with at most that many times the instructions in which it tells
/// its version; 3.01 when this was set.
const SMALL_MOST: f64 = 3.15;
const SMALL_JOB: &[u8] = include_bytes!("../corpus/jobs/heron-hook.gcode");

/// A name, how many to begin with, what is done with so many, and the instructions of each that are added to them, as
/// measured when the budget was set.
type Each = (&'static str, usize, fn(usize), f64);
const EACH: [Each; 3] = [
    ("job of 1 kB", 10, small_jobs, 1_482_000.0),
    ("two moves", 2000, two_moves, 9_270.0),
    ("and an action", 2000, two_moves_and_an_action, 22_200.0),
];

/// Small jobs one after another in a program that goes on.
fn small_jobs(times: usize) {
    let sheet = include_str!("../corpus/machines/heron.toml");
    let machine = Machine::parse("heron.toml", sheet).expect("a corpus sheet is valid");
    for _ in 0..times {
        black_box(common::whole(&SMALL_JOB[..1024], &machine));
    }
}

fn two_moves(times: usize) {
    short_blocks(times, "");
}

/// Any action ends the block that it follows.
fn two_moves_and_an_action(times: usize) {
    short_blocks(times, "M106 S200\n");
}

fn short_blocks(times: usize, behind: &str) {
    let mut job = "G28\nM109 S210\nM83\nG1 Z0.2 F600\nG1 F3000\n".to_owned();
    for n in 0..times {
        let (x, y) = (20.0 + (n * 37 % 100) as f64 / 10.0, 20.0 + (n * 53 % 110) as f64 / 10.0);
        let _ = write!(job, "G1 X{x:.3} Y{y:.3} E{:.5}\nG1 X{y:.3} E0.02\n{behind}", 0.05 + x / 1000.0);
    }
    black_box(common::whole(job.as_bytes(), &common::machine()));
}

/// What each one more costs.
fn each(case: &str, size: usize) -> f64 {
    let [one, two] = [size, 2 * size].map(|size| count(&format!("{case}={size}")).expect("valgrind has just run"));
    (two - one) / size as f64
}

/// How many times as much as telling its version the program takes for a small job.
fn small_times() -> f64 {
    let directory = tempfile::tempdir().expect("temporary directory");
    std::fs::write(directory.path().join("job.gcode"), SMALL_JOB).expect("writes");
    let program = |arguments: &[&str]| {
        let mut command = under_valgrind(env!("CARGO_BIN_EXE_gonogo").as_ref());
        // A sheet of whoever runs this is none of its business.
        command.args(arguments).env_remove("GONOGO_MACHINE").current_dir(directory.path());
        collected(command).expect("valgrind has just run")
    };
    program(&["check", "--threads", "1", "job.gcode"]) / program(&["--version"])
}

/// A name, the size to begin with, and what is done with so much input.
type Growing = (&'static str, usize, fn(usize));
const GROWING: [Growing; 3] =
    [("dwells", 10_000, dwells), ("same job", 100, same_job), ("linked folders", 10, linked_folders)];
/// Twice the input may take that many times the instructions: 2.2, and a little for other libraries of the system.
const GROWTH_MAX: f64 = 2.3;

/// Lines that each are a new worst of a finding, with an action behind it.
fn dwells(lines: usize) {
    let job = format!("G28\nM109 S210\nG4 S600\n{}M104 S0\n", "G4 P1\n".repeat(lines));
    black_box(common::whole(job.as_bytes(), &common::machine()));
}

/// One job many times in one report, where each needs a name of its own.
fn same_job(times: usize) {
    let machine = common::machine();
    let job = JobSource::stream(&b"G28\nG1 X5 F600\n"[..], "job.gcode");
    let inspection = Preflight::on(&machine).run(job).expect("reading from memory cannot fail");
    let judged = Ok(vec![inspection]);
    let mut report = OpenMetricsReport::new(&[machine.facts()]);
    let (mut totals, mut out) = (Totals::new([machine.facts()], Verdict::NoGo), Vec::new());
    for _ in 0..times {
        totals.count(&judged);
        report.add(&judged, &mut out).expect("memory can be written");
    }
    report.finish(&totals, &mut out).expect("memory can be written");
    black_box(out);
}

/// Folders that each link to all of them; the input is their links.
fn linked_folders(root_of_links: usize) {
    let directory = tempfile::tempdir().expect("temporary directory");
    let folders: Vec<_> = (0..root_of_links).map(|n| directory.path().join(format!("f{n:03}"))).collect();
    for folder in &folders {
        std::fs::create_dir(folder).expect("creates");
        #[cfg(unix)]
        for (n, other) in folders.iter().enumerate() {
            std::os::unix::fs::symlink(other, folder.join(format!("to-{n}"))).expect("links");
        }
    }
    std::fs::write(folders[0].join("job.gcode"), "G28\nG1 X5 F600\n").expect("writes");
    let report = directory.path().join("report.csv");
    let [jobs, report] = [directory.path(), &report].map(|path| path.as_os_str().to_owned());
    let words = ["gonogo", "check", "-q", "--threads", "1", "--format", "csv", "-o"].map(std::ffi::OsString::from);
    black_box(gonogo::cli::run(words.into_iter().chain([report, jobs])).expect("it is judged"));
}

/// How much more twice the input takes, what is always the same left out: what more input takes from one to two against from
/// two to four.
fn growth(case: &str, size: usize) -> f64 {
    // Links are the square of their folders, and seven fifths of the folders have not quite twice the links.
    let is_squared = case == "linked folders";
    let sizes = if is_squared { [size, size * 7 / 5, size * 2] } else { [size, size * 2, size * 4] };
    let inputs = sizes.map(|size| if is_squared { size * size } else { size } as f64);
    let counts = sizes.map(|size| count(&format!("{case}={size}")).expect("valgrind has just run"));
    let each = |of: usize| (counts[of + 1] - counts[of]) / (inputs[of + 1] - inputs[of]);
    2.0 * each(1) / each(0)
}

fn bytes() -> usize {
    std::env::var("GONOGO_BENCH_MIB").ok().and_then(|mib| mib.parse::<usize>().ok()).map_or(BYTES, |mib| mib << 20)
}

fn run(stage: &str) {
    if let Some((case, size)) = stage.split_once('=') {
        let growing = GROWING.into_iter().map(|(known, _, work)| (known, work));
        let each = EACH.into_iter().map(|(known, _, work, _)| (known, work));
        let (_, work) = growing.chain(each).find(|(known, _)| *known == case).expect("a case");
        return work(size.parse().expect("a size"));
    }
    let machine = common::machine();
    // What is done with which job.
    let (stage, job) = match stage.split_once('@') {
        Some((stage, mix)) => (stage, common::mixed(mix, bytes())),
        None => (stage, common::job(bytes())),
    };
    match stage {
        "nothing" => {
            black_box((&job, &machine));
        }
        "floor" => {
            black_box(common::floor(&job));
        }
        "lines" => {
            black_box(common::read_lines(&job));
        }
        "words" => {
            black_box(common::read_words(&job));
        }
        "modal" => {
            black_box(common::read_events(&job, &machine, false));
        }
        "motion" => {
            black_box(common::read_events(&job, &machine, true));
        }
        "whole" => {
            black_box(common::whole(&job, &machine));
        }
        "jerk" => {
            let mut machine = machine;
            // Invented, of the size that desktop printers use (common practice, no source).
            machine.motion.ramp = Ramp::JerkLimited([1e5, 1e5, 1e4, 1e5]);
            black_box(common::whole(&job, &machine));
        }
        "ringing" | "lag" | "lead" => {
            black_box(common::whole(&job, &ringing_machine(stage)));
        }
        _ => panic!("no such stage: {stage}"),
    }
}

/// Instructions of one stage and of making the job.
fn count(stage: &str) -> Option<f64> {
    let mut command = under_valgrind(&std::env::current_exe().ok()?);
    command.args(["--stage", stage]);
    collected(command)
}

fn under_valgrind(program: &Path) -> Command {
    let mut command = Command::new("valgrind");
    command.args(["--tool=callgrind", "--callgrind-out-file=/dev/null"]).arg(program);
    command
}

fn collected(mut command: Command) -> Option<f64> {
    let output = command.output().ok()?;
    let text = String::from_utf8_lossy(&output.stderr).into_owned();
    let collected = text.lines().find_map(|line| line.split("Collected :").nth(1))?;
    collected.trim().parse().ok()
}

fn main() {
    let mut arguments = std::env::args().skip_while(|argument| argument != "--stage");
    if let Some(stage) = arguments.nth(1) {
        return run(&stage);
    }
    let Some(nothing) = count("nothing") else {
        println!("NOT COUNTED: valgrind is not installed, so the instruction budget was not checked.");
        return;
    };
    let lines = common::floor(&common::job(bytes())) as f64;
    println!("instructions per line, {lines} lines\n{:<8} {:>10} {:>10} {:>10}", "stage", "this", "budget", "change");
    let (mut failed, mut too_fast) = (false, false);
    for (stage, budget) in BUDGETS {
        let per_line = (count(stage).expect("valgrind has just run") - nothing) / lines;
        println!("{stage:<8} {per_line:>10.1} {budget:>10.1} {:>9.1}%", (per_line / budget - 1.0) * 100.0);
        failed |= per_line > budget * (1.0 + MARGIN);
    }
    let [jerk, whole] = ["jerk", "whole"].map(|stage| count(stage).expect("valgrind has just run") - nothing);
    println!("{:<8} {:>10.1} {:>10.2} times that of even ramps", "jerk", jerk / lines, jerk / whole);
    failed |= jerk > whole * JERK_MOST;
    let ringing = count("ringing").expect("valgrind has just run") - nothing;
    println!("{:<8} {:>10.1}", "ringing", ringing / lines);
    for (stage, most) in PRESSED_MOST {
        let pressed = count(stage).expect("valgrind has just run") - nothing;
        let times = pressed / ringing;
        println!("{stage:<8} {:>10.1} {times:>10.2} times that of two modes that ring", pressed / lines);
        failed |= times > most;
    }
    for (mix, budget) in common::mixes().into_iter().zip(MIXED_BUDGETS) {
        let [all, nothing] =
            ["whole", "nothing"].map(|stage| count(&format!("{stage}@{mix}")).expect("valgrind has just run"));
        let per_line = (all - nothing) / common::floor(&common::mixed(mix, bytes())) as f64;
        println!("{mix:<8} {per_line:>10.1} {budget:>10.1} {:>9.1}%", (per_line / budget - 1.0) * 100.0);
        failed |= per_line > budget * (1.0 + MARGIN);
    }
    println!("{:<16} {:>10} {:>10} {:>10}", "one more takes", "this", "budget", "change");
    for (case, size, _, budget) in EACH {
        let one = each(case, size);
        println!("{case:<16} {one:>10.0} {budget:>10.0} {:>9.1}%", (one / budget - 1.0) * 100.0);
        failed |= one > budget * (1.0 + MARGIN);
    }
    let times = small_times();
    println!("{:<16} {times:>10.2} times that of its version", "job of 10 kB");
    failed |= times > SMALL_MOST;
    println!("twice the input takes, times");
    for (case, size, _) in GROWING {
        let times = growth(case, size);
        println!("{case:<16} {times:>10.2}");
        too_fast |= times > GROWTH_MAX;
    }
    if too_fast {
        println!("Something grows faster than its input.");
        std::process::exit(1);
    }
    if failed {
        println!("A stage takes over {:.0} % more instructions than its budget.", MARGIN * 100.0);
        std::process::exit(1);
    }
}
