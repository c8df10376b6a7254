//! The sheets of a gate's machines.
//!
//! A sheet whose content has changed is used no more at once, and used anew when it has rested: half a sheet may be a valid one.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant, SystemTime};
use std::{fs, io};

use super::names::escaped;
use super::shelf::SheetState;
use super::told::Told;
use crate::machine::{Machine, SheetError, sheet_bytes};

/// A sheet as it was looked at last.
struct Sheet {
    file: String,
    content: blake3::Hash,
    /// Since when it is so; none once it was read.
    rests_since: Option<Instant>,
    /// None where it has faults, or was not read yet.
    machine: Option<Machine>,
    /// All its faults.
    faults: Option<String>,
}

/// The sheets in a folder, by the names of their machines' folders.
pub(super) struct Sheets {
    folder: PathBuf,
    rest: Duration,
    known: BTreeMap<String, Sheet>,
    /// Files that would have the folder of another, and why they are left aside.
    doubled: BTreeMap<String, String>,
}

impl Sheets {
    /// Makes the folder. None is known yet; one that has changed is used when it has rested so long.
    pub(super) fn new(folder: PathBuf, rest: Duration) -> io::Result<Self> {
        fs::create_dir_all(&folder)?;
        Ok(Self { folder, rest, known: BTreeMap::new(), doubled: BTreeMap::new() })
    }

    /// Machines without faults, by their folders.
    pub(super) fn machines(&self) -> impl Iterator<Item = (&str, &Machine)> {
        self.known.iter().filter_map(|(folder, sheet)| Some((folder.as_str(), sheet.machine.as_ref()?)))
    }

    /// The same, with the names of their sheets' files.
    pub(super) fn with_files(&self) -> impl Iterator<Item = (&str, &str, &Machine)> {
        self.known
            .iter()
            .filter_map(|(folder, sheet)| Some((folder.as_str(), sheet.file.as_str(), sheet.machine.as_ref()?)))
    }

    /// Names that several machines have.
    pub(super) fn shared_names(&self) -> BTreeSet<&str> {
        let mut seen = BTreeSet::new();
        self.machines().map(|(_, machine)| machine.name.as_str()).filter(|name| !seen.insert(*name)).collect()
    }

    /// What all of them are like.
    pub(super) fn states(&self) -> Vec<SheetState> {
        let state = |(folder, sheet): (&String, &Sheet)| SheetState {
            folder: folder.clone(),
            file: sheet.file.clone(),
            machine: sheet.machine.as_ref().map(|machine| (machine.name.clone(), machine.digest.clone())),
            faults: sheet.faults.clone(),
        };
        let aside = |(file, why): (&String, &String)| SheetState {
            folder: file.clone(),
            file: file.clone(),
            machine: None,
            faults: Some(why.clone()),
        };
        self.known.iter().map(state).chain(self.doubled.iter().map(aside)).collect()
    }

    /// How long until a sheet will have rested; none where none is waited for.
    pub(super) fn next_in(&self, now: Instant) -> Option<Duration> {
        let left = |since: Instant| self.rest.saturating_sub(now.saturating_duration_since(since));
        self.known.values().filter_map(|sheet| sheet.rests_since).map(left).min()
    }

    /// True where a sheet that is in use is not what it was, without taking it up.
    pub(super) fn have_changed(&self) -> bool {
        let is_the_same = |sheet: &Sheet| {
            sheet_bytes(&self.folder.join(&sheet.file)).is_ok_and(|bytes| blake3::hash(&bytes) == sheet.content)
        };
        !self.known.values().filter(|sheet| sheet.machine.is_some()).all(is_the_same)
    }

    /// None is in use any more; true where one was.
    pub(super) fn forget(&mut self) -> bool {
        let were_used = self.machines().next().is_some();
        self.known.clear();
        were_used
    }

    /// Looks at the folder; true where other machines are in use than before.
    ///
    /// # Errors
    /// When the folder cannot be read. What was known stays known until [`Self::forget`].
    pub(super) fn look(&mut self, now: Instant, tell: &mut dyn FnMut(Told)) -> io::Result<bool> {
        let found = self.files(tell)?;
        let mut changed = false;
        let gone: Vec<String> = self.known.keys().filter(|folder| !found.contains_key(*folder)).cloned().collect();
        for folder in gone {
            changed = true;
            if let Some(sheet) = self.known.remove(&folder) {
                tell(Told::SheetGone { file: sheet.file });
            }
        }
        for (folder, file) in found {
            changed |= self.look_at(&folder, file, now, tell);
        }
        Ok(changed)
    }

    /// The files of the sheets by their folders. Hidden files are those of editors.
    fn files(&mut self, tell: &mut dyn FnMut(Told)) -> io::Result<BTreeMap<String, String>> {
        let mut files = Vec::new();
        for entry in fs::read_dir(&self.folder)? {
            let path = entry?.path();
            let file = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
            let is_sheet = path.extension().is_some_and(|ending| ending.eq_ignore_ascii_case("toml"));
            if is_sheet && !file.starts_with('.') && path.is_file() {
                files.push(file);
            }
        }
        files.sort();
        let (mut found, mut doubled) = (BTreeMap::new(), BTreeMap::new());
        for file in files {
            let stem = Path::new(&file).file_stem().unwrap_or_default().to_string_lossy();
            let folder = escaped(&stem);
            let other = found.keys().find(|other: &&String| other.to_lowercase() == folder.to_lowercase());
            match other {
                None => drop(found.insert(folder, file)),
                Some(other) => {
                    let why = format!("its jobs would lie in cleared/{other} too: give it another name");
                    if !self.doubled.contains_key(&file) {
                        tell(Told::Left { at: format!("machines/{file}"), why: why.clone() });
                    }
                    doubled.insert(file, why);
                }
            }
        }
        self.doubled = doubled;
        Ok(found)
    }

    fn look_at(&mut self, folder: &str, file: String, now: Instant, tell: &mut dyn FnMut(Told)) -> bool {
        let path = self.folder.join(&file);
        // One that cannot be read is looked at as one without a word in it.
        let (bytes, fault) = match sheet_bytes(&path) {
            Ok(bytes) => (bytes, None),
            Err(error) => (Vec::new(), Some(error.to_string())),
        };
        let content = blake3::hash(&bytes);
        let before = self.known.get(folder).filter(|sheet| sheet.content == content);
        let since = match before {
            Some(Sheet { rests_since: None, .. }) => {
                // Its file may be spelled otherwise by now.
                self.known.get_mut(folder).into_iter().for_each(|sheet| sheet.file.clone_from(&file));
                return false;
            }
            Some(Sheet { rests_since: Some(since), .. }) => *since,
            None => now,
        };
        let was_in_use = before.is_none() && self.known.get(folder).is_some_and(|sheet| sheet.machine.is_some());
        // What has not been touched for so long rests already.
        let touched = fs::metadata(&path).and_then(|found| found.modified()).ok();
        let untouched = touched.and_then(|touched| SystemTime::now().duration_since(touched).ok());
        let rests = now.saturating_duration_since(since) >= self.rest || untouched.is_some_and(|age| age >= self.rest);
        if !rests {
            self.known.insert(
                folder.to_owned(),
                Sheet { file, content, rests_since: Some(since), machine: None, faults: None },
            );
            return was_in_use;
        }
        let read = match fault {
            Some(fault) => Err(fault),
            None => Machine::parse_bytes(&path.to_string_lossy(), &bytes)
                .map_err(|faults| SheetError::from(faults).render(false)),
        };
        tell(match &read {
            Ok(machine) => Told::Sheet { file: file.clone(), machine: machine.name.clone() },
            Err(faults) => Told::SheetFaults { file: file.clone(), faults: faults.clone() },
        });
        let (machine, faults) = match read {
            Ok(machine) => (Some(machine), None),
            Err(faults) => (None, Some(faults)),
        };
        self.known.insert(folder.to_owned(), Sheet { file, content, rests_since: None, machine, faults });
        true
    }
}
