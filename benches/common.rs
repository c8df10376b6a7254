//! The stages as the benches run them, each on top of the one before.

use std::hint::black_box;
use std::io::Cursor;

use gonogo::block::BlockBuilder;
use gonogo::machine::Machine;
use gonogo::modal::Interpreter;
use gonogo::motion::Planner;
use gonogo::preflight::{JobSource, Preflight};
use gonogo::text::{Chunk, LineReader, straight::TokenColumns};
use gonogo::vectors::Vectors;

#[path = "../corpus/generate.rs"]
mod generate;

/// A generated job of about that size.
pub fn job(bytes: usize) -> Vec<u8> {
    let mut job = Vec::new();
    generate::write_big_job(bytes, &mut job).expect("writing to memory cannot fail");
    job
}

/// Names of jobs with what the generated one lacks.
pub fn mixes() -> [&'static str; 3] {
    generate::MIXES.map(|(name, _)| name)
}

/// The one of that name, of about that size.
pub fn mixed(wanted: &str, bytes: usize) -> Vec<u8> {
    let (_, mix) = generate::MIXES.into_iter().find(|(name, _)| *name == wanted).expect("a mix");
    generate::mixed_job(mix, bytes)
}

/// The machine it is judged on.
pub fn machine() -> Machine {
    Machine::parse("wren.toml", include_str!("../corpus/machines/wren.toml")).expect("a corpus sheet is valid")
}

/// Tables of a sheet: an invented structure with two modes that ring.
pub const MODES: &str = "\n[[structure]]\naxis = \"x\"\nnatural_hz = 47.0\ndamping_ratio = 0.06\n\
    [[structure]]\naxis = \"y\"\nnatural_hz = 38.0\ndamping_ratio = 0.07\n\
    [structure_limits]\nringing_mm = 0.03\n";

/// The floor of any line reader: one memchr call per line.
pub fn floor(job: &[u8]) -> usize {
    let (mut rest, mut lines) = (job, 0);
    while let Some(at) = memchr::memchr(b'\n', rest) {
        rest = &rest[at + 1..];
        lines += 1;
    }
    lines
}

pub fn read_words(job: &[u8]) -> usize {
    let mut reader = LineReader::new(job);
    let (mut rows, mut chunk, mut count) = (TokenColumns::default(), Chunk::default(), 0);
    while reader.read(&mut chunk).expect("reading from memory cannot fail") {
        rows.read(chunk.bytes(), Vectors::default());
        count += black_box(&rows).rows().count();
    }
    count
}

pub fn read_lines(job: &[u8]) -> u64 {
    let (mut reader, mut chunk) = (LineReader::new(job), Chunk::default());
    while reader.read(&mut chunk).expect("reading from memory cannot fail") {
        black_box(&chunk);
    }
    reader.lines_read()
}

pub fn read_events(job: &[u8], machine: &Machine, plans: bool) -> usize {
    let mut reader = LineReader::new(job);
    let mut interpreter = Interpreter::new(machine);
    let mut gather = BlockBuilder::new();
    let mut planner = Planner::new(machine);
    let (mut rows, mut chunk) = (TokenColumns::default(), Chunk::default());
    let (mut gathered, mut ready, mut spare, mut count) = (Vec::new(), Vec::new(), Vec::new(), 0);
    while reader.read(&mut chunk).expect("reading from memory cannot fail") {
        rows.read(chunk.bytes(), Vectors::default());
        gather.supply(&mut spare);
        interpreter.chunk(&chunk, &rows, &mut gather);
        gather.take(&mut gathered, &mut spare);
        for gathered in gathered.drain(..) {
            count += gathered.len();
            if plans {
                planner.take(gathered, &mut spare);
                while planner.release(&mut ready, usize::MAX, &mut spare) {
                    spare.append(black_box(&mut ready));
                }
                spare.append(black_box(&mut ready));
            } else {
                spare.push(black_box(gathered).unpacked(&mut Vec::new()));
            }
        }
    }
    count
}

pub fn whole(job: &[u8], machine: &Machine) -> usize {
    let inspection = Preflight::on(machine).run(JobSource::stream(Cursor::new(job), "-"));
    inspection.expect("reading from memory cannot fail").job.moves as usize
}
