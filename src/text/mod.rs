//! Bytes → lines → words.
//!
//! [`lines`] cuts the stream into lines in constant memory; [`words`] reads one line by the grammar of NIST RS274/NGC as
//! far as the printer trade follows it; [`number`] reads decimals, correctly rounded and without an exponent form.
//! Nothing here knows what a command means.

pub mod lines;
pub mod number;
mod plain;
#[doc(hidden)]
pub mod straight;
pub mod words;

pub(crate) use lines::History;
pub use lines::{Chunk, LineReader, RawLine};
pub use words::{Flaw, Foreign, Kind, LISTED, Line, Word, Words};
