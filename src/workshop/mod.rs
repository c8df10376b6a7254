//! The machine itself: a first sheet of it, whether that is plausible, its settings as G-code lines, and small jobs that
//! measure it.

pub mod audit;
pub mod first_sheet;
pub mod settings;
pub mod trial;
