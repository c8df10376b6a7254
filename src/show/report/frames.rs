//! One JSON document of machines, jobs and totals, or a line for each: the frame that reports on several machines share.

use std::io::{self, Write};

use serde::Serialize;

use super::json::write_value;

/// The frame, as far as it is written.
pub(super) struct Frames {
    schema: &'static str,
    lines: bool,
    started: bool,
}

impl Frames {
    /// Nothing written yet; `lines` for a line each.
    pub(super) fn new(schema: &'static str, lines: bool) -> Self {
        Self { schema, lines, started: false }
    }

    /// What comes before a job, with the machines once; `line` puts them into their line.
    pub(super) fn start<M: Serialize, L: Serialize>(
        &mut self,
        machines: impl FnOnce() -> M,
        line: impl FnOnce(M) -> L,
        out: &mut dyn Write,
    ) -> io::Result<()> {
        match (std::mem::replace(&mut self.started, true), self.lines) {
            (true, true) => Ok(()),
            (true, false) => out.write_all(b",\n"),
            (false, true) => Self::line(&line(machines()), out),
            (false, false) => {
                write!(out, "{{\n\"schema\": \"{}\",\n\"machines\": ", self.schema)?;
                write_value(&machines(), true, out)?;
                out.write_all(b",\n\"jobs\": [\n")
            }
        }
    }

    /// A job, after [`Self::start`].
    pub(super) fn job<J: Serialize, L: Serialize>(
        &self,
        job: J,
        line: impl FnOnce(J) -> L,
        out: &mut dyn Write,
    ) -> io::Result<()> {
        if self.lines { Self::line(&line(job), out) } else { write_value(&job, true, out) }
    }

    /// True when there was no job: the machines are still to be written.
    pub(super) fn is_bare(&self) -> bool {
        !self.started
    }

    /// The totals and the end.
    pub(super) fn end<T: Serialize, L: Serialize>(
        &self,
        totals: T,
        line: impl FnOnce(T) -> L,
        out: &mut dyn Write,
    ) -> io::Result<()> {
        if self.lines {
            return Self::line(&line(totals), out);
        }
        out.write_all(b"\n],\n\"totals\": ")?;
        write_value(&totals, true, out)?;
        out.write_all(b"\n}\n")
    }

    fn line(value: &impl Serialize, out: &mut dyn Write) -> io::Result<()> {
        write_value(value, false, out)?;
        out.write_all(b"\n")
    }
}
