//! The machine itself: whether its sheet is plausible, its settings as G-code lines, and small jobs that measure it.

pub mod audit;
pub mod settings;
pub mod trial;
