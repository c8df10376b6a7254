//! One integration binary: closed forms and published values, properties, corpus, command line.

mod accepted;
mod browser;
mod command_line;
mod compare;
mod corpus;
mod formats;
mod fuzz;
mod headroom;
mod house;
mod linear_program;
mod matrix;
mod mutations;
mod notices;
mod pages;
mod properties;
mod random_jobs;
mod reading;
mod readme;
mod regressions;
mod resonance;
mod same_bits;
mod settings;
mod slow_planner;
mod support;
mod trial;
mod vectors;
