//! skeleton
pub mod checks;
pub mod geometry;
pub mod inspection;
pub mod log;
pub mod machine;
pub mod observe;
pub mod preflight;
