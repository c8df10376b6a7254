//! What is found: severities, findings, the report of a job, and those who watch and find.

mod check;
mod hit;
mod hits;
mod inspection;
mod log;
mod observer;
mod outcome;
#[cfg(test)]
pub(crate) mod sample;
mod stream;
mod worse;

pub use crate::machine::{MachineFacts, Severity};
pub use crate::physics::{Ringing, wall_clock::WallTime};
pub use check::{Built, Check, Explanation};
pub use hit::{Hit, Spot};
pub use hits::Hits;
pub use inspection::*;
pub use log::*;
pub use observer::{Attached, Observer};
pub use outcome::{Outcome, Unjudged};
pub use stream::StreamFacts;
pub use worse::Worse;
