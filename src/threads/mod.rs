//! Work shared among threads: stages that chunks pass in order, helpers for one job, and many jobs at once.

mod helpers;
mod in_order;
mod many;

pub use helpers::HelperPool;
pub(crate) use helpers::SharedWork;
pub(crate) use in_order::{Broken, InOrderStage};
pub use many::{Breakdown, Hands, run};
