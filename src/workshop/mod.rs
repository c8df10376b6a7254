//! The machine itself: a first sheet of it, whether that is plausible, its settings as G-code lines, and small jobs that
//! measure it, and the clock that finished prints set.

pub mod audit;
pub mod first_sheet;
#[cfg(feature = "learn")]
pub mod prints;
pub mod settings;
pub mod trial;
