//! How a job excites the structure: for people and for programs.

pub mod json;
pub mod text;
mod wave;
