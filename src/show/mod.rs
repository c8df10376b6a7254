//! What people and other programs get to see.

pub mod marks;
pub mod page;
pub mod picture;
pub mod record;
pub mod report;
