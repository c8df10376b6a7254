//! Machine sheets that were read before: many requests name the same few.

use std::collections::HashMap;
use std::fs;
use std::io;
use std::path::Path;
use std::sync::{Arc, Mutex, PoisonError};

use super::answer::{Fault, Kind};
use super::request::Sheet;
use crate::machine::{Machine, SheetError, sheet_bytes};

/// Most sheets that are kept.
const SHEETS_MAX: usize = 128;
/// Most bytes that their names and texts have together; a machine takes a few times its text.
const TEXTS_MAX_BYTES: usize = 16 << 20;

/// Sheets by their name and content. A file is looked at for every request, but taken apart only when it has changed.
#[derive(Default)]
pub(super) struct Sheets {
    known: Mutex<Known>,
}

#[derive(Default)]
struct Known {
    machines: HashMap<(String, blake3::Hash), Kept>,
    bytes: usize,
    /// Goes up with every use.
    clock: u64,
}

struct Kept {
    machine: Arc<Machine>,
    used: u64,
}

impl Kept {
    fn bytes(&self) -> usize {
        self.machine.source.len() + self.machine.text.len()
    }
}

impl Sheets {
    /// The machine of a sheet.
    ///
    /// # Errors
    /// When it cannot be read, or all its faults.
    pub(super) fn machine(&self, sheet: &Sheet) -> Result<Arc<Machine>, Fault> {
        let found = match sheet {
            Sheet::Path(path) => read(Path::new(path)).and_then(|bytes| self.of(path, &bytes)),
            Sheet::Text { name, toml } => self.of(name, toml.as_bytes()),
        };
        found.map_err(|error| Fault { kind: Kind::Sheet, text: error.render(false) })
    }

    fn of(&self, source: &str, bytes: &[u8]) -> Result<Arc<Machine>, SheetError> {
        let key = (source.to_owned(), blake3::hash(bytes));
        // Sheets are read under the lock, so that each is read once. One that panics leaves the others as they were.
        let mut known = self.known.lock().unwrap_or_else(PoisonError::into_inner);
        known.clock += 1;
        let now = known.clock;
        if let Some(kept) = known.machines.get_mut(&key) {
            kept.used = now;
            return Ok(kept.machine.clone());
        }
        let machine = Arc::new(Machine::parse_bytes(source, bytes)?);
        known.keep(key, Kept { machine: machine.clone(), used: now });
        Ok(machine)
    }
}

impl Known {
    fn keep(&mut self, key: (String, blake3::Hash), kept: Kept) {
        self.bytes += kept.bytes();
        self.machines.insert(key, kept);
        while self.machines.len() > SHEETS_MAX || self.bytes > TEXTS_MAX_BYTES {
            let Some(oldest) = self.machines.iter().min_by_key(|(_, kept)| kept.used).map(|(key, _)| key.clone())
            else {
                return;
            };
            self.bytes -= self.machines.remove(&oldest).map_or(0, |kept| kept.bytes());
        }
    }
}

/// The bytes of a sheet.
fn read(path: &Path) -> Result<Vec<u8>, SheetError> {
    let bytes = regular(path).and_then(|()| sheet_bytes(path));
    bytes.map_err(|source| SheetError::Read { path: path.to_owned(), named_by: "named in the request", source })
}

/// Refuses what may keep who opens it waiting for ever, such as a named pipe or a device.
///
/// # Errors
/// When it is no regular file, or there is none.
pub(super) fn regular(path: &Path) -> Result<(), io::Error> {
    let found = fs::metadata(path)?;
    if found.is_file() { Ok(()) } else { Err(io::Error::other("it is no regular file")) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::machine::SHEET_MAX_BYTES;

    fn text(name: &str, toml: &str) -> Sheet {
        Sheet::Text { name: name.to_owned(), toml: toml.to_owned() }
    }

    #[test]
    fn a_sheet_is_read_once_and_anew_when_it_has_changed() {
        let folder = tempfile::tempdir().expect("temporary directory");
        let path = folder.path().join("m.toml");
        let by_path = Sheet::Path(path.display().to_string());
        let sheets = Sheets::default();
        assert!(sheets.machine(&by_path).is_err_and(|fault| fault.text.contains("named in the request")));
        std::fs::write(&path, Machine::built_in_text()).expect("writes");
        let first = sheets.machine(&by_path).expect("no faults");
        assert!(Arc::ptr_eq(&first, &sheets.machine(&by_path).expect("no faults")));
        assert_eq!(first.source, path.display().to_string());
        std::fs::write(&path, format!("{}\n# changed\n", Machine::built_in_text())).expect("writes");
        let second = sheets.machine(&by_path).expect("no faults");
        assert_ne!(first.digest, second.digest);
        let sent = sheets.machine(&text("sent", Machine::built_in_text())).expect("no faults");
        assert_eq!((&*sent.source, &sent.digest), ("sent", &first.digest));
    }

    #[test]
    fn faults_are_told_all_at_once_with_their_lines() {
        let sheets = Sheets::default();
        let fault = sheets.machine(&text("bad.toml", "nmae = \"x\"\n[travel]\nx = 3\n")).expect_err("faults");
        assert_eq!(fault.kind, Kind::Sheet);
        assert!(fault.text.contains("bad.toml:1:1") && fault.text.contains("bad.toml:3:5"), "{}", fault.text);
        assert!(
            sheets.machine(&Sheet::Path("/".to_owned())).is_err_and(|fault| fault.text.contains("no regular file"))
        );
    }

    #[test]
    fn only_so_many_are_kept_and_those_in_use_stay() {
        let sheets = Sheets::default();
        let first = sheets.machine(&text("first", Machine::built_in_text())).expect("no faults");
        for n in 0..SHEETS_MAX + 20 {
            sheets.machine(&text(&format!("m{n}"), Machine::built_in_text())).expect("no faults");
            assert!(Arc::ptr_eq(&first, &sheets.machine(&text("first", Machine::built_in_text())).expect("no faults")));
        }
        let known = sheets.known.lock().expect("sound");
        assert_eq!(known.machines.len(), SHEETS_MAX);
        assert_eq!(known.bytes, known.machines.values().map(Kept::bytes).sum::<usize>());
        assert!(known.bytes <= TEXTS_MAX_BYTES && known.bytes > SHEETS_MAX * Machine::built_in_text().len());
    }

    #[test]
    fn large_texts_make_room() {
        let sheets = Sheets::default();
        let large = format!("{}\n#{}\n", Machine::built_in_text(), "x".repeat(SHEET_MAX_BYTES - (64 << 10)));
        for n in 0..20 {
            sheets.machine(&text(&format!("m{n}"), &large)).expect("no faults");
        }
        sheets.machine(&text(&"n".repeat(TEXTS_MAX_BYTES), "name = \"x\"")).expect_err("faults");
        let known = sheets.known.lock().expect("sound");
        assert!(known.bytes <= TEXTS_MAX_BYTES && known.machines.len() > 10);
    }
}
