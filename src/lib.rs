//! skeleton
pub mod checks;
pub mod inspection;
pub mod log;
pub mod machine;
pub mod observe;
pub mod preflight;
pub mod queue;
pub mod report;
