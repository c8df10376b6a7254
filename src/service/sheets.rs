//! Machine sheets that were read before: many requests name the same few.

use std::collections::HashMap;
use std::sync::{Arc, Mutex, PoisonError};

use crate::machine::{Machine, SheetFaults, render_faults};

/// Most sheets that are kept.
const SHEETS_MAX: usize = 128;
/// Most bytes that their names and texts have together; a machine takes a few times its text.
const TEXTS_MAX_BYTES: usize = 16 << 20;

/// Sheets by their content and name, those with faults too. A file is read for every request, but taken apart only when
/// its bytes are new.
#[derive(Default)]
pub(super) struct Sheets {
    known: Mutex<Known>,
}

/// What a sheet comes to.
type Found = Result<Arc<Machine>, Arc<SheetFaults>>;

#[derive(Default)]
struct Known {
    sheets: HashMap<(String, blake3::Hash), Kept>,
    bytes: usize,
    /// Goes up with every use.
    clock: u64,
}

struct Kept {
    found: Found,
    used: u64,
}

impl Kept {
    fn bytes(&self) -> usize {
        match &self.found {
            Ok(machine) => machine.source.len() + machine.text.len(),
            Err(faults) => faults.source.len() + faults.text.len(),
        }
    }
}

impl Sheets {
    /// The machine of a sheet; `source` is its path, or what stands for it.
    ///
    /// # Errors
    /// All its faults.
    pub(super) fn machine(&self, source: &str, bytes: &[u8]) -> Result<Arc<Machine>, String> {
        let found = self.found(source, bytes, Machine::parse_bytes);
        found.map_err(|faults| render_faults(&faults, false))
    }

    fn found(
        &self,
        source: &str,
        bytes: &[u8],
        parse: impl FnOnce(&str, &[u8]) -> Result<Machine, SheetFaults>,
    ) -> Found {
        let key = (source.to_owned(), blake3::hash(bytes));
        // Sheets are read under the lock, so that each is read once. One that panics leaves the others as they were.
        let mut known = self.known.lock().unwrap_or_else(PoisonError::into_inner);
        known.clock += 1;
        let now = known.clock;
        if let Some(kept) = known.sheets.get_mut(&key) {
            kept.used = now;
            return kept.found.clone();
        }
        let found = match known.under_another_name(&key.1) {
            Some(Ok(machine)) => Ok(Arc::new(machine.from_elsewhere(source))),
            Some(Err(faults)) => Err(Arc::new(SheetFaults { source: source.to_owned(), ..SheetFaults::clone(faults) })),
            None => parse(source, bytes).map(Arc::new).map_err(Arc::new),
        };
        known.keep(key, Kept { found: found.clone(), used: now });
        found
    }
}

impl Known {
    fn under_another_name(&self, content: &blake3::Hash) -> Option<&Found> {
        self.sheets.iter().find(|((_, of), _)| of == content).map(|(_, kept)| &kept.found)
    }

    fn keep(&mut self, key: (String, blake3::Hash), kept: Kept) {
        self.bytes += kept.bytes();
        self.sheets.insert(key, kept);
        while self.sheets.len() > SHEETS_MAX || self.bytes > TEXTS_MAX_BYTES {
            let Some(oldest) = self.sheets.iter().min_by_key(|(_, kept)| kept.used).map(|(key, _)| key.clone()) else {
                return;
            };
            self.bytes -= self.sheets.remove(&oldest).map_or(0, |kept| kept.bytes());
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::machine::SHEET_MAX_BYTES;

    const FAULTY: &str = "nmae = \"x\"\n[travel]\nx = 3\n";

    fn built_in(sheets: &Sheets, name: &str) -> Arc<Machine> {
        sheets.machine(name, Machine::built_in_text().as_bytes()).expect("no faults")
    }

    fn never(_: &str, _: &[u8]) -> Result<Machine, SheetFaults> {
        panic!("it is known")
    }

    #[test]
    fn a_sheet_is_taken_apart_once_and_anew_when_it_has_changed() {
        let sheets = Sheets::default();
        let first = built_in(&sheets, "m.toml");
        assert!(Arc::ptr_eq(&first, &built_in(&sheets, "m.toml")));
        let changed = format!("{}\n# changed\n", Machine::built_in_text());
        let second = sheets.machine("m.toml", changed.as_bytes()).expect("no faults");
        assert_ne!(first.digest, second.digest);
        for text in [FAULTY, "\u{0}", ""] {
            let faults = sheets.machine("bad.toml", text.as_bytes()).expect_err("faults");
            let again = sheets.found("bad.toml", text.as_bytes(), never).expect_err("faults");
            assert_eq!(faults, again.to_string());
        }
    }

    #[test]
    fn the_same_text_under_another_name_is_not_taken_apart_again_and_bears_that_name() {
        let built_in = Machine::built_in_text();
        let unnamed: String =
            built_in.lines().filter(|line| !line.starts_with("name")).map(|line| format!("{line}\n")).collect();
        for text in [built_in, &unnamed] {
            let sheets = Sheets::default();
            sheets.machine("first.toml", text.as_bytes()).expect("no faults");
            let found = sheets.found("second.toml", text.as_bytes(), never).expect("no faults");
            assert_eq!(*found, Machine::parse("second.toml", text).expect("no faults"));
            assert_eq!(found.name == "second", text == unnamed);
        }
        for text in [&b"nmae = 1\n"[..], FAULTY.as_bytes(), b"\xff", &vec![b'#'; SHEET_MAX_BYTES + 1]] {
            let sheets = Sheets::default();
            sheets.machine("first.toml", text).expect_err("faults");
            let found = sheets.found("second.toml", text, never).expect_err("faults");
            assert_eq!(*found, Machine::parse_bytes("second.toml", text).expect_err("faults"));
            assert!(found.to_string().contains("second.toml") && !found.to_string().contains("first.toml"));
        }
    }

    #[test]
    fn faults_are_told_all_at_once_with_their_lines() {
        let told = Sheets::default().machine("bad.toml", FAULTY.as_bytes()).expect_err("faults");
        assert!(told.contains("bad.toml:1:1") && told.contains("bad.toml:3:5"), "{told}");
    }

    #[test]
    fn only_so_many_are_kept_and_those_in_use_stay() {
        let sheets = Sheets::default();
        let first = built_in(&sheets, "first");
        for n in 0..SHEETS_MAX + 20 {
            built_in(&sheets, &format!("m{n}"));
            sheets.machine("bad", format!("nmae = {n}\n").as_bytes()).expect_err("faults");
            assert!(Arc::ptr_eq(&first, &built_in(&sheets, "first")));
        }
        let known = sheets.known.lock().expect("sound");
        assert_eq!(known.sheets.len(), SHEETS_MAX);
        assert_eq!(known.bytes, known.sheets.values().map(Kept::bytes).sum::<usize>());
        assert!(known.bytes <= TEXTS_MAX_BYTES && known.bytes > SHEETS_MAX / 3 * Machine::built_in_text().len());
    }

    #[test]
    fn large_texts_make_room() {
        let sheets = Sheets::default();
        let large = format!("{}\n#{}\n", Machine::built_in_text(), "x".repeat(SHEET_MAX_BYTES - (64 << 10)));
        for n in 0..20 {
            sheets.machine(&format!("m{n}"), large.as_bytes()).expect("no faults");
        }
        {
            let known = sheets.known.lock().expect("sound");
            assert!(known.bytes <= TEXTS_MAX_BYTES && known.sheets.len() > 10);
        }
        sheets.machine(&"n".repeat(TEXTS_MAX_BYTES), b"name = \"x\"").expect_err("faults");
        assert!(sheets.known.lock().expect("sound").bytes <= TEXTS_MAX_BYTES);
    }
}
