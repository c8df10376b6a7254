//! What the tests share: sheets from a few settings, and jobs from text.

use gonogo::block::{Block, BlockBuilder, Column};
use gonogo::findings::Inspection;
use gonogo::machine::Machine;
use gonogo::modal::Interpreter;
use gonogo::motion::Planner;
use gonogo::preflight::{JobSource, Preflight, RunOptions};
use gonogo::text::{Chunk, LineReader, Words, words};

/// Invented: a machine without limits, acceleration 1000 mm/s², jerk 0, one tool with 1.75 mm filament.
pub fn free_machine() -> Machine {
    Machine::parse("free", FREE).expect("the sheet below is valid")
}

/// A machine of the corpus.
pub fn corpus_machine(name: &str) -> Machine {
    let path = format!("corpus/machines/{name}.toml");
    Machine::load(path.as_ref()).unwrap_or_else(|fault| panic!("{name}: {fault}"))
}

const FREE: &str = r#"
name = "free"
[travel]
x = [-1e6, 1e6]
y = [-1e6, 1e6]
z = [-1e6, 1e6]
[motion]
feed_rate_limit_mm_s = { x = 1e9, y = 1e9, z = 1e9, e = 1e9 }
acceleration_limit_mm_s2 = { x = 1e9, y = 1e9, z = 1e9, e = 1e9 }
acceleration_mm_s2 = { printing = 1000, travel = 1000, retraction = 1000 }
look_ahead_moves = "unlimited"
corner = { jerk_mm_s = { x = 0, y = 0, z = 0, e = 0 } }
[[tool]]
filament_diameter_mm = 1.75
"#;

/// Judges a job given as text.
pub fn judge(machine: &Machine, job: &str) -> Inspection {
    judge_sized(machine, job.as_bytes(), &RunOptions::default())
}

/// Judges a job given as bytes, under other sizes.
pub fn judge_sized(machine: &Machine, job: &[u8], sizes: &RunOptions) -> Inspection {
    Preflight::on(machine)
        .options(*sizes)
        .run(JobSource::stream(job, "job.gcode"))
        .expect("reading from memory cannot fail")
}

/// Plans a job and gives all moves as one block.
pub fn plan(machine: &Machine, job: &str) -> Vec<Block> {
    let mut reader = LineReader::new(job.as_bytes());
    let mut interpreter = Interpreter::new(machine);
    let mut gather = BlockBuilder::new();
    let mut planner = Planner::new(machine);
    let mut parsed = Words::new();
    let mut chunk = Chunk::default();
    while reader.read(&mut chunk).expect("reading from memory cannot fail") {
        for raw in chunk.lines() {
            let line = words::read(raw.bytes, &mut parsed);
            interpreter.line(&raw, &line, &parsed, &mut |event| gather.event(&event));
        }
    }
    gather.finish(0);
    let (mut gathered, mut ready, mut spare) = (Vec::new(), Vec::new(), Vec::new());
    gather.take(&mut gathered, &mut spare);
    for gathered in gathered {
        planner.take(gathered, &mut spare);
        while planner.release(&mut ready, usize::MAX, &mut spare) {}
    }
    ready.into_iter().map(|planned| planned.block).collect()
}

/// One column over all blocks.
pub fn column(blocks: &[Block], of: impl Fn(&Block) -> &Column<f64>) -> Vec<f64> {
    blocks.iter().flat_map(|block| of(block)[..block.len()].iter().copied()).collect()
}

/// Asserts equality within a relative tolerance.
#[track_caller]
pub fn close(actual: f64, expected: f64, relative: f64) {
    let scale = expected.abs().max(1e-12);
    assert!((actual - expected).abs() <= relative * scale, "{actual} is not {expected} within {relative}");
}
