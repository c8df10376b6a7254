//! Work shared among threads: stages that chunks pass in order, helpers for one job, and many jobs at once.

pub mod helpers;
pub mod in_order;
pub mod many;

pub use helpers::{HelpCall, HelperPool, SharedWork};
pub use in_order::{Broken, InOrderStage, soon};
pub use many::{Breakdown, run};
