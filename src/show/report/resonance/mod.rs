//! How a job excites the structure, and what marks on walls say of it: for people and for programs.

pub mod json;
pub mod marks;
pub mod text;
mod wave;
