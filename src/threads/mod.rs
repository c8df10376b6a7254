//! Work shared among threads: stages that chunks pass in order, helpers for one job, many jobs at once, and jobs that come
//! one after another.

mod helpers;
mod in_order;
mod intake;
mod many;

pub use helpers::HelperPool;
pub(crate) use helpers::SharedWork;
pub(crate) use in_order::{Broken, InOrderStage};
pub use intake::{Ahead, Intake};
pub use many::{Breakdown, Hands, run};
