//! Writes the jobs of the corpus, and large ones for measurements. Everything in it is invented.
//!
//! Plain Rust without dependencies, taken into tests and benches by `#[path]`. Deterministic: the same bytes each time.
//! Units: mm, mm/s, s, °C. Markers in the comments of a job say what is to be found in it; see `README.md`.

// Tests and benches each take a part of it.
#![allow(dead_code, unused_imports)]

#[path = "generate/big.rs"]
mod big;
#[path = "generate/clean.rs"]
mod clean;
#[path = "generate/faulty.rs"]
mod faulty;
#[path = "generate/mixes.rs"]
mod mixes;
#[path = "generate/pieces.rs"]
mod pieces;

pub use big::{big_job, write_big_job};
pub use mixes::{MIXES, Mix, mixed_job};

/// One job of the corpus.
pub struct Job {
    /// Name of its file, without ending.
    pub name: &'static str,
    /// Name of its machine sheet, without ending.
    pub machine: &'static str,
    /// The job.
    pub text: String,
    /// Numbers known without planning it.
    pub known: Vec<Known>,
}

/// A number that is known from a formula or from counting while writing, not from the program under test.
pub struct Known {
    /// What it is, as a path into the inspection.
    pub field: &'static str,
    /// Its value.
    pub value: f64,
    /// Largest relative difference (absolute where the value is 0).
    pub tolerance: f64,
    /// Where it comes from.
    pub why: &'static str,
}

/// Every job of the corpus, good ones first.
pub fn jobs() -> Vec<Job> {
    clean::jobs().into_iter().chain(faulty::jobs()).collect()
}
