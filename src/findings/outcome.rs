//! What became of a job.

use super::Inspection;

/// A job that could not be judged.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Unjudged {
    /// Path as given.
    pub path: String,
    /// Why, in one sentence.
    pub error: String,
}

/// What became of one job.
pub type Outcome = Result<Inspection, Unjudged>;
