//! The sheets of a gate's machines.

use std::collections::BTreeMap;
use std::path::Path;
use std::{fs, io};

use super::names::escaped;
use super::told::Told;
use crate::machine::{Machine, SheetError, sheet_bytes};

/// A sheet as it was looked at last.
struct Sheet {
    file: String,
    content: blake3::Hash,
    /// None where it has faults.
    machine: Option<Machine>,
}

/// The sheets in a folder, by the names of their machines' folders.
#[derive(Default)]
pub(super) struct Sheets {
    known: BTreeMap<String, Sheet>,
}

impl Sheets {
    /// Machines without faults, by their folders.
    pub(super) fn machines(&self) -> impl Iterator<Item = (&str, &Machine)> {
        self.known.iter().filter_map(|(folder, sheet)| Some((folder.as_str(), sheet.machine.as_ref()?)))
    }

    /// True where a sheet that is in use is not what it was, without taking it up.
    pub(super) fn have_changed(&self, directory: &Path) -> bool {
        let is_the_same = |sheet: &Sheet| {
            sheet_bytes(&directory.join(&sheet.file)).is_ok_and(|bytes| blake3::hash(&bytes) == sheet.content)
        };
        !self.known.values().filter(|sheet| sheet.machine.is_some()).all(is_the_same)
    }

    /// Looks at the folder; true where anything has changed.
    ///
    /// # Errors
    /// When the folder cannot be read. What was known stays known.
    pub(super) fn look(&mut self, directory: &Path, tell: &mut dyn FnMut(Told)) -> io::Result<bool> {
        let mut found = BTreeMap::new();
        for entry in fs::read_dir(directory)? {
            let path = entry?.path();
            if path.extension().is_some_and(|ending| ending == "toml") && path.is_file() {
                let file = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
                let stem = path.file_stem().unwrap_or_default().to_string_lossy();
                // Of two whose folders would be the same, the later one has the end of its digest behind it.
                let mut folder = escaped(&stem);
                if found.contains_key(&folder) {
                    folder = format!("{folder}-{}", &blake3::hash(stem.as_bytes()).to_hex()[..8]);
                }
                found.insert(folder, (file, path));
            }
        }
        let mut changed = false;
        let gone: Vec<String> = self.known.keys().filter(|folder| !found.contains_key(*folder)).cloned().collect();
        for folder in gone {
            changed = true;
            if let Some(sheet) = self.known.remove(&folder) {
                tell(Told::SheetGone { file: sheet.file });
            }
        }
        for (folder, (file, path)) in found {
            // One that cannot be read is looked at as one without a word in it.
            let (bytes, fault) = match sheet_bytes(&path) {
                Ok(bytes) => (bytes, None),
                Err(error) => (Vec::new(), Some(error.to_string())),
            };
            let content = blake3::hash(&bytes);
            if self.known.get(&folder).is_some_and(|sheet| sheet.content == content) {
                continue;
            }
            changed = true;
            let read = match fault {
                Some(fault) => Err(fault),
                None => Machine::parse_bytes(&path.to_string_lossy(), &bytes)
                    .map_err(|faults| SheetError::from(faults).render(false)),
            };
            tell(match &read {
                Ok(machine) => Told::Sheet { file: file.clone(), machine: machine.name.clone() },
                Err(faults) => Told::SheetFaults { file: file.clone(), faults: faults.clone() },
            });
            self.known.insert(folder, Sheet { file, content, machine: read.ok() });
        }
        Ok(changed)
    }
}
