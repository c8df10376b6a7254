//! Machine sheets read with the checks of the catalogue: those are the ones that `[checks]` may name.

use std::ffi::OsStr;
use std::path::Path;

use super::CATALOGUE;
use crate::findings::Severity;
use crate::machine::{self, Machine, SheetError, SheetFaults};

/// Ids and severities of all checks.
fn known() -> Vec<(&'static str, Severity)> {
    CATALOGUE.iter().map(|check| (check.id, check.severity)).collect()
}

impl Machine {
    /// The invented, cautious machine that is used when there is no sheet.
    pub fn built_in() -> Self {
        Self::read_built_in(&known())
    }

    /// Reads the text of a sheet; `source` is its path for messages.
    ///
    /// # Errors
    /// All faults of the text, by position.
    pub fn parse(source: &str, text: &str) -> Result<Self, SheetFaults> {
        Self::read(source, text.as_bytes(), &known())
    }

    /// Reads the bytes of a sheet; `source` is its path for messages.
    ///
    /// # Errors
    /// All faults of the bytes, by position.
    pub fn parse_bytes(source: &str, bytes: &[u8]) -> Result<Self, SheetFaults> {
        Self::read(source, bytes, &known())
    }

    /// Reads a sheet from a file.
    ///
    /// # Errors
    /// When the file cannot be read, or all faults of its text.
    pub fn load(path: &Path) -> Result<Self, SheetError> {
        Self::read_file(path, &known())
    }
}

/// Finds the machine, see [`machine::discover`].
///
/// # Errors
/// When the sheet found cannot be read or has faults; a named sheet that does not exist is never passed over.
pub fn discover(explicit: Option<&Path>, env: Option<&OsStr>, start_dir: &Path) -> Result<Machine, SheetError> {
    machine::discover(explicit, env, start_dir, &known())
}

/// JSON Schema (draft 2020-12) of the machine sheet.
pub fn sheet_schema() -> serde_json::Value {
    machine::schema(&known())
}
