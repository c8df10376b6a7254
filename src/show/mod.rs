//! What people and other programs get to see.

pub mod marks;
#[cfg(feature = "page")]
pub mod page;
#[cfg(feature = "page")]
pub mod picture;
pub mod record;
pub mod report;
