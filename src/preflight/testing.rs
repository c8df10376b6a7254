//! Jobs planned for tests, without anybody who watches.

use crate::block::{Block, BlockBuilder};
use crate::machine::Machine;
use crate::modal::Interpreter;
use crate::motion::Planner;
use crate::text::{Chunk, LineReader, Words, words};

/// The planned blocks of a job, in order.
pub(crate) fn plan(machine: &Machine, job: &str) -> Vec<Block> {
    plan_with(machine, job, 0)
}

/// The same where so many blocks are to spare at the start.
pub(crate) fn plan_with(machine: &Machine, job: &str, to_spare: usize) -> Vec<Block> {
    let mut reader = LineReader::new(job.as_bytes());
    let (mut interpreter, mut gather) = (Interpreter::new(machine), BlockBuilder::new());
    let (mut parsed, mut chunk) = (Words::new(), Chunk::default());
    gather.supply(&mut (0..to_spare).map(|_| Box::default()).collect());
    while reader.read(&mut chunk).expect("memory") {
        for raw in chunk.lines() {
            let line = words::read(raw.bytes, &mut parsed);
            interpreter.line(&raw, &line, &parsed, &mut |event| gather.event(&event));
        }
    }
    gather.finish(0);
    let (mut gathered, mut ready, mut spare) = (Vec::new(), Vec::new(), Vec::new());
    gather.take(&mut gathered, &mut spare);
    let mut planner = Planner::new(machine);
    for gathered in gathered {
        planner.take(gathered, &mut spare);
        while planner.release(&mut ready, usize::MAX, &mut spare) {}
    }
    ready.into_iter().map(|planned| planned.block).collect()
}
