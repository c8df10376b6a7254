//! One integration binary: closed forms and published values, properties, corpus, command line.

mod corpus;
mod support;
mod vectors;
