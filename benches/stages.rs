//! Each stage on top of the one before, and the floor under them all, on one generated job.
//!
//! `GONOGO_BENCH_MIB` sets the size of the job (default 64). Compare the stages with the floor of the same run: absolute
//! times differ from machine to machine and from hour to hour.

use std::hint::black_box;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};

#[path = "common.rs"]
mod common;

fn stages(criterion: &mut Criterion) {
    let mib: usize = std::env::var("GONOGO_BENCH_MIB").ok().and_then(|mib| mib.parse().ok()).unwrap_or(64);
    let (job, machine) = (common::job(mib << 20), common::machine());
    let mut group = criterion.benchmark_group("stages");
    group.throughput(Throughput::Bytes(job.len() as u64)).sample_size(10);
    group.bench_function("floor: one memchr per line", |b| b.iter(|| common::floor(black_box(&job))));
    group.bench_function("lines", |b| b.iter(|| common::read_lines(black_box(&job))));
    group.bench_function("words", |b| b.iter(|| common::read_words(black_box(&job))));
    group.bench_function("words + modal", |b| b.iter(|| common::read_events(black_box(&job), &machine, false)));
    group.bench_function("words + modal + motion", |b| {
        b.iter(|| common::read_events(black_box(&job), &machine, true));
    });
    group.bench_function("end to end", |b| b.iter(|| common::whole(black_box(&job), &machine)));
    group.finish();
}

criterion_group!(benches, stages);
criterion_main!(benches);
