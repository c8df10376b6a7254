//! Where a machine comes from: a text, a file, the place it is looked for, or the one built in.

use std::ffi::OsStr;
use std::fs::File;
use std::io::{self, Read};
use std::path::{Path, PathBuf};

use super::Machine;
use super::faults::{Fault, LineIndex, SheetError, SheetFaults};
use super::resolve::{Origins, name_of, resolve};
use super::schema::schema_for;
use super::sheet::{self, CheckIds, SHEET_MAX_BYTES};
use super::value::Found;

/// Name of the file that is looked for from the current directory upward.
pub const SHEET_FILE: &str = "gonogo.toml";
/// Name of the environment variable that names a sheet.
pub const SHEET_VARIABLE: &str = "GONOGO_MACHINE";

const BUILT_IN: &str = include_str!("built_in.toml");

/// JSON Schema (draft 2020-12) of a machine sheet that may name these checks.
pub fn schema(checks: CheckIds<'_>) -> serde_json::Value {
    schema_for(checks)
}

/// Which machine the job was judged on.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MachineFacts {
    /// The sheet's name.
    pub name: String,
    /// Path of the sheet, or `built-in`.
    pub source: String,
    /// `blake3:` and the hex digest of the sheet's bytes.
    pub digest: String,
    /// True when no sheet was found and the built-in cautious machine was used.
    pub built_in: bool,
}

impl Machine {
    /// The invented, cautious machine that is used when there is no sheet.
    pub fn read_built_in(checks: CheckIds<'_>) -> Self {
        let mut machine =
            Self::read("built-in", BUILT_IN.as_bytes(), checks).expect("the built-in sheet has no faults");
        machine.built_in = true;
        machine
    }

    /// What reports say of it.
    pub fn facts(&self) -> MachineFacts {
        MachineFacts {
            name: self.name.clone(),
            source: self.source.clone(),
            digest: self.digest.clone(),
            built_in: self.built_in,
        }
    }

    /// Text of the built-in sheet, a start for one's own.
    pub fn built_in_text() -> &'static str {
        BUILT_IN
    }

    /// Reads the bytes of a sheet that may name these checks; `source` is its path for messages.
    ///
    /// # Errors
    /// All faults of the text, by position.
    pub fn read(source: &str, bytes: &[u8], checks: CheckIds<'_>) -> Result<Self, SheetFaults> {
        parse_bytes(source, bytes, checks)
    }

    /// Reads a sheet from a file.
    ///
    /// # Errors
    /// When the file cannot be read, or all faults of its text.
    pub fn read_file(path: &Path, checks: CheckIds<'_>) -> Result<Self, SheetError> {
        load_named(path, "the sheet asked for", checks)
    }
}

/// Finds the machine: the sheet named on the command line, else the one named by the environment (an empty name counts
/// as none), else the nearest [`SHEET_FILE`] from `start_dir` upward, else the built-in machine.
///
/// # Errors
/// When the sheet found cannot be read or has faults; a named sheet that does not exist is never passed over.
pub fn discover(
    explicit: Option<&Path>,
    env: Option<&OsStr>,
    start_dir: &Path,
    checks: CheckIds<'_>,
) -> Result<Machine, SheetError> {
    if let Some(path) = explicit {
        return load_named(path, "named by --machine", checks);
    }
    if let Some(path) = env.filter(|path| !path.is_empty()) {
        return load_named(Path::new(path), "named by GONOGO_MACHINE", checks);
    }
    match nearest_file(start_dir, SHEET_FILE) {
        Some(path) => load_named(&path, "found from the current directory upward", checks),
        None => Ok(Machine::read_built_in(checks)),
    }
}

/// The nearest file of that name from `start_dir` upward.
pub(crate) fn nearest_file(start_dir: &Path, name: &str) -> Option<PathBuf> {
    let start = std::path::absolute(start_dir).unwrap_or_else(|_| start_dir.to_owned());
    start.ancestors().map(|dir| dir.join(name)).find(|path| path.is_file())
}

fn load_named(path: &Path, named_by: &'static str, checks: CheckIds<'_>) -> Result<Machine, SheetError> {
    let bytes = sheet_bytes(path).map_err(|source| SheetError::Read { path: path.to_owned(), named_by, source })?;
    Ok(parse_bytes(&path.to_string_lossy(), &bytes, checks)?)
}

/// The bytes of a sheet's file; of a larger one than a sheet may be so many that this shows.
///
/// # Errors
/// When it cannot be read.
pub fn sheet_bytes(path: &Path) -> io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    File::open(path)?.take(SHEET_MAX_BYTES as u64 + 1).read_to_end(&mut bytes)?;
    Ok(bytes)
}

/// Reads the bytes of a sheet that may name these checks.
pub(super) fn parse_bytes(source: &str, bytes: &[u8], checks: CheckIds<'_>) -> Result<Machine, SheetFaults> {
    if bytes.len() > SHEET_MAX_BYTES {
        return Err(too_large(source, bytes));
    }
    let text = std::str::from_utf8(bytes).map_err(|error| not_utf8(source, bytes, error.valid_up_to()))?;
    let lines = LineIndex::new(text);
    let mut read = sheet::read(text, &lines, checks);
    let digest = crate::wording::digest(blake3::hash(bytes));
    let mut machine = resolve(&mut read, source, digest, checks);
    text.clone_into(&mut machine.text);
    if !read.found.is_empty() {
        return Err(sheet::locate(source, text, &lines, read.found));
    }
    machine.origins = Origins::of(read, name_of(source), checks);
    Ok(machine)
}

fn too_large(source: &str, bytes: &[u8]) -> SheetFaults {
    let first_line = bytes.split(|byte| *byte == b'\n').next().unwrap_or_default();
    let text = String::from_utf8_lossy(&first_line[..first_line.len().min(200)]).into_owned();
    let message = format!("a machine sheet has at most {SHEET_MAX_BYTES} bytes");
    let suggestion = Some("check that this is the sheet and not the job".to_owned());
    let fault = Fault { line: 1, column: 1, span: 0..0, message, suggestion };
    SheetFaults { source: source.to_owned(), text, faults: vec![fault], more: 0 }
}

fn not_utf8(source: &str, bytes: &[u8], at: usize) -> SheetFaults {
    let text = String::from_utf8_lossy(bytes).into_owned();
    let byte = bytes.get(at).copied().unwrap_or_default();
    let found = Found::new(at..at + 1, format!("byte 0x{byte:02X} is not UTF-8 text"))
        .suggest("save the sheet as UTF-8".to_owned());
    let lines = LineIndex::new(&text);
    sheet::locate(source, &text, &lines, vec![found])
}
