//! One integration binary: closed forms and published values, properties, corpus, command line.

mod command_line;
mod mutations;
mod support;
mod vectors;
