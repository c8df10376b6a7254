//! Finished prints: a file of them beside the sheet, and the clock that is learned from them.
//!
//! [`file`](PrintsFile) keeps prints with the parts of their planned time, [`learn()`] fits the sheet's `[clock]` to them, and
//! [`write_clock`] puts it into the text of the sheet. What the numbers mean is in [`crate::physics::wall_clock`].

pub mod drift;
mod file;
pub mod fit;
mod learn;
pub mod robust;
mod sheet;
mod started;
#[cfg(test)]
mod testing;
#[cfg(test)]
mod tests;
mod worth;

pub use file::{COLUMNS, FileFault, PRINTS_MAX_BYTES, Print, PrintsFile, RowFault};
pub use learn::{Forecast, JOBS_MIN, Learned, LeftOut, Number, Since, Source, TooFew, Why, learn, learn_since};
pub use sheet::{NotTable, kept, plan_digest, write_clock};
pub use started::{FIRST_YEAR, clock_s, latest_start, started};
pub use worth::{Compared, Doubt, Scores};

/// Name of the file of prints, beside the sheet.
pub const PRINTS_FILE: &str = "gonogo.prints.csv";
