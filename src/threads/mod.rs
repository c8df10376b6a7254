//! Work shared among threads: stages that chunks pass in order, helpers for one job, and many jobs at once.

pub mod helpers;
pub mod in_order;
pub mod many;

pub use helpers::{Crew, Help, Place};
pub use in_order::{Broken, Turns, soon};
pub use many::{Breakdown, run};
