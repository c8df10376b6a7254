//! skeleton
pub mod checks;
#[cfg(feature = "cli")]
pub mod cli;
pub mod inspection;
pub mod log;
pub mod machine;
pub mod observe;
pub mod preflight;
pub mod queue;
pub mod report;
