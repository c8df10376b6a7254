//! Instructions per line of each stage, counted by valgrind: unlike times they are the same from run to run.
//!
//! Run without arguments, it starts itself under valgrind once per stage, prints the table and fails where a stage takes
//! more instructions than [`BUDGETS`] allows. Valgrind knows vectors of 256 bits at most, so the counts are those of such a
//! processor. Without valgrind it says so and does nothing.

// A bench prints its table.
#![allow(clippy::print_stdout)]

use std::hint::black_box;
use std::process::Command;

#[path = "common.rs"]
mod common;

/// Size of the job.
const BYTES: usize = 1 << 20;
/// Instructions per line that each stage takes together with those before it, as measured when the budget was set; more
/// than [`MARGIN`] above that is a regression. A stage that became cheaper should get its new number.
const BUDGETS: [(&str, f64); 6] =
    [("floor", 56.0), ("lines", 113.0), ("words", 474.0), ("modal", 661.0), ("motion", 855.0), ("whole", 1279.0)];
/// Room for other compilers and other libraries of the system.
const MARGIN: f64 = 0.10;

fn bytes() -> usize {
    std::env::var("GONOGO_BENCH_MIB").ok().and_then(|mib| mib.parse::<usize>().ok()).map_or(BYTES, |mib| mib << 20)
}

fn run(stage: &str) {
    let job = common::job(bytes());
    let machine = common::machine();
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
        _ => panic!("no such stage: {stage}"),
    }
}

/// Instructions of one stage and of making the job.
fn count(stage: &str) -> Option<f64> {
    let program = std::env::current_exe().ok()?;
    let output = Command::new("valgrind")
        .args(["--tool=callgrind", "--callgrind-out-file=/dev/null"])
        .arg(program)
        .args(["--stage", stage])
        .output()
        .ok()?;
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
    let mut failed = false;
    for (stage, budget) in BUDGETS {
        let per_line = (count(stage).expect("valgrind has just run") - nothing) / lines;
        println!("{stage:<8} {per_line:>10.1} {budget:>10.1} {:>9.1}%", (per_line / budget - 1.0) * 100.0);
        failed |= per_line > budget * (1.0 + MARGIN);
    }
    if failed {
        println!("A stage takes over {:.0} % more instructions than its budget.", MARGIN * 100.0);
        std::process::exit(1);
    }
}
