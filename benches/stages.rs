//! Each stage on top of the one before, and the floor under them all, on one generated job.
//!
//! `GONOGO_BENCH_MIB` sets the size of the job (default 64). Compare the stages with the floor of the same run: absolute
//! times differ from machine to machine and from hour to hour.

use std::hint::black_box;
use std::io::Cursor;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use gonogo::machine::Machine;
use gonogo::modal::Interpreter;
use gonogo::motion::{Gather, Planner};
use gonogo::observe::Log;
use gonogo::preflight::{Sizes, inspect};
use gonogo::text::straight::Rows;
use gonogo::text::{Chunk, LineReader};
use gonogo::vectors::Vectors;

#[path = "../corpus/generate.rs"]
mod generate;

/// The floor of any line reader: one memchr call per line.
fn floor(job: &[u8]) -> usize {
    let (mut rest, mut lines) = (job, 0);
    while let Some(at) = memchr::memchr(b'\n', rest) {
        rest = &rest[at + 1..];
        lines += 1;
    }
    lines
}

fn read_words(job: &[u8]) -> usize {
    let mut reader = LineReader::new(job);
    let (mut rows, mut chunk, mut count) = (Rows::default(), Chunk::default(), 0);
    while reader.read(&mut chunk).expect("reading from memory cannot fail") {
        rows.read(chunk.bytes(), Vectors::default());
        count += black_box(&rows).rows().len();
    }
    count
}

fn read_lines(job: &[u8]) -> u64 {
    let (mut reader, mut chunk) = (LineReader::new(job), Chunk::default());
    while reader.read(&mut chunk).expect("reading from memory cannot fail") {
        black_box(&chunk);
    }
    reader.lines_read()
}

fn read_events(job: &[u8], machine: &Machine, plans: bool) -> usize {
    let mut reader = LineReader::new(job);
    let mut interpreter = Interpreter::new(machine);
    let mut gather = Gather::new(machine);
    let mut planner = Planner::new(machine);
    let mut log = Log::new(&machine.severities);
    let (mut rows, mut chunk) = (Rows::default(), Chunk::default());
    let (mut blocks, mut spare, mut count) = (Vec::new(), Vec::new(), 0);
    while reader.read(&mut chunk).expect("reading from memory cannot fail") {
        rows.read(chunk.bytes(), Vectors::default());
        interpreter.chunk(&chunk, &rows, &mut log, &mut gather);
        gather.take(&mut blocks);
        for planned in blocks.drain(..) {
            count += planned.block.len();
            if plans {
                planner.block(planned, &mut |planned| spare.push(black_box(planned)));
            } else {
                spare.push(black_box(planned));
            }
        }
        gather.recycle(&mut spare);
    }
    count
}

fn stages(criterion: &mut Criterion) {
    let mib: usize = std::env::var("GONOGO_BENCH_MIB").ok().and_then(|mib| mib.parse().ok()).unwrap_or(64);
    let mut job = Vec::new();
    generate::write_big_job(mib << 20, &mut job).expect("writing to memory cannot fail");
    let machine =
        Machine::parse("wren.toml", include_str!("../corpus/machines/wren.toml")).expect("a corpus sheet is valid");

    let mut group = criterion.benchmark_group("stages");
    group.throughput(Throughput::Bytes(job.len() as u64)).sample_size(10);
    group.bench_function("floor: one memchr per line", |b| b.iter(|| floor(black_box(&job))));
    group.bench_function("lines", |b| b.iter(|| read_lines(black_box(&job))));
    group.bench_function("words", |b| b.iter(|| read_words(black_box(&job))));
    group.bench_function("words + modal", |b| b.iter(|| read_events(black_box(&job), &machine, false)));
    group.bench_function("words + modal + motion", |b| {
        b.iter(|| read_events(black_box(&job), &machine, true));
    });
    group.bench_function("end to end", |b| {
        b.iter(|| inspect(Cursor::new(black_box(&job)), "-", &machine, &Sizes::default()));
    });
    group.finish();
}

criterion_group!(benches, stages);
criterion_main!(benches);
