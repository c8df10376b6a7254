//! Wires text → modal → motion → physics → observers for one job; gives back one [`Inspection`].

use std::path::Path;

use crate::inspection::Inspection;
use crate::machine::Machine;

/// Why a job could not be judged at all.
#[derive(Debug, thiserror::Error)]
pub enum JobError {
    /// It could not be opened or read.
    #[error("cannot read {path}: {source}")]
    Read {
        /// Path as given.
        path: String,
        /// What the system said.
        source: std::io::Error,
    },
}

/// Judges the job at `path` (`-` is standard input; gz is recognised by its first bytes).
/// `on_bytes` is told how many bytes of the file were read since the last call.
pub fn inspect_path(path: &Path, machine: &Machine, on_bytes: &(dyn Fn(u64) + Sync)) -> Result<Inspection, JobError> {
    let _ = (path, machine, on_bytes);
    unimplemented!()
}
