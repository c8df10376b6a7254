//! skeleton
pub mod checks;
pub mod geometry;
pub mod inspection;
pub mod log;
pub mod machine;
pub mod modal;
pub mod motion;
pub mod observe;
pub mod physics;
pub mod preflight;
pub mod text;
pub mod totals;
