//! What stands at a gate, for those who look at it from other threads while it works.

use std::collections::{BTreeMap, BTreeSet, HashMap, VecDeque};
use std::path::Path;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{PoisonError, RwLock};
use std::time::SystemTime;

use tokio::sync::watch;

use super::places::Place;
use super::told::{Answered, Told};

/// Steps in which it is told how far a job is judged, percent.
const PERCENT_STEP: u64 = 5;
/// Why a job waits that nothing has judged.
const NO_SHEET: &str = "no machine has a sheet that is in use: it waits for one";
/// Most of what was told that is kept.
const TOLD_MOST: usize = 60;

/// Everything that stands. Whoever waits for changes [follows](Self::follow) their number.
#[derive(Debug)]
pub struct Shelf {
    held: RwLock<Held>,
    /// Bytes read of the job that is being judged.
    read: AtomicU64,
    changes: watch::Sender<u64>,
}

/// When a job came in, and its name.
type Key = (Option<SystemTime>, String);

/// What stands at one moment.
#[derive(Debug, Default)]
pub struct Held {
    /// By arrival.
    rows: BTreeMap<Key, Row>,
    keys: HashMap<String, Key>,
    /// The sheets.
    pub sheets: Vec<SheetState>,
    /// What was told last, the latest first, and when.
    pub told: VecDeque<(SystemTime, String)>,
    /// Why the gate cannot go on for now.
    pub fault: Option<String>,
    /// What else whoever looks at it must know.
    pub warnings: Vec<String>,
    /// How many jobs are to be judged or laid.
    pub left: usize,
    /// The job that is being judged.
    pub judging: Option<Judging>,
    /// Another one each time a gate is opened.
    opened: u128,
    /// How often something has changed.
    changes: u64,
}

/// How far a job is judged.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Judging {
    /// The name under which it is kept.
    pub name: String,
    /// Its size.
    pub bytes: u64,
    /// So many of them were read.
    pub read: u64,
}

impl Judging {
    /// The share that was read, in whole percent.
    pub fn percent(&self) -> u64 {
        (self.read.saturating_mul(100) / self.bytes.max(1)).min(100)
    }
}

/// A job that is kept.
#[derive(Debug, Clone, PartialEq)]
pub struct Row {
    /// The name under which it is kept.
    pub name: String,
    /// The digest of its bytes, once it is known.
    pub digest: Option<String>,
    /// Its size.
    pub bytes: u64,
    /// When it came in.
    pub arrived: Option<SystemTime>,
    place: Option<Place>,
    /// The last decision on its content, as far as somebody who wrote one down knows.
    decided: i64,
    /// The last decision that the gate knew of when it was laid.
    as_of: i64,
    /// Why it waits or is blocked, where it was not judged.
    pub why: Option<String>,
    /// What it got, machine by machine, when it was looked at last: see [`Self::settled`].
    answers: Vec<Answered>,
}

impl Row {
    /// Where it lies as a whole; none before it was looked at, or where it must be looked at anew.
    pub fn place(&self) -> Option<Place> {
        self.place.filter(|_| self.decided <= self.as_of)
    }

    /// What it got, where that is known to hold.
    pub fn settled(&self) -> &[Answered] {
        if self.place().is_some() { &self.answers } else { &[] }
    }
}

/// A sheet in the folder of machines.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SheetState {
    /// The folder of its machine.
    pub folder: String,
    /// Its file.
    pub file: String,
    /// Name of the machine and digest of the sheet, where it is in use.
    pub machine: Option<(String, String)>,
    /// All its faults. Without either it is waited for until it rests.
    pub faults: Option<String>,
}

impl Held {
    /// The jobs, the newest first.
    pub fn rows(&self) -> impl Iterator<Item = &Row> {
        self.rows.values().rev()
    }

    /// The job of that name.
    pub fn row(&self, name: &str) -> Option<&Row> {
        self.rows.get(self.keys.get(name)?)
    }

    /// How many jobs there are.
    pub fn jobs(&self) -> usize {
        self.rows.len()
    }

    /// What a machine is called where there are others: with its folder where another has the same name.
    pub fn label(&self, folder: &str, name: &str) -> String {
        let names = self.sheets.iter().filter_map(|sheet| Some(&sheet.machine.as_ref()?.0));
        if names.filter(|other| *other == name).count() > 1 { format!("{name} ({folder})") } else { name.to_owned() }
    }

    /// What tells this moment of this gate from every other.
    pub fn moment(&self) -> String {
        format!("{}-{}", self.opened, self.changes)
    }

    /// The job of that name, changed by `change`.
    fn change(&mut self, name: &str, change: impl FnOnce(&mut Row)) {
        if let Some(row) = self.keys.get(name).and_then(|key| self.rows.get_mut(key)) {
            change(row);
        }
    }
}

impl Default for Shelf {
    fn default() -> Self {
        let since = SystemTime::now().duration_since(SystemTime::UNIX_EPOCH);
        let opened = since.map_or(0, |since| since.as_nanos());
        Self {
            held: RwLock::new(Held { opened, ..Held::default() }),
            read: AtomicU64::new(0),
            changes: watch::Sender::default(),
        }
    }
}

impl Shelf {
    /// What `ask` finds in what stands.
    pub fn read<T>(&self, ask: impl FnOnce(&Held) -> T) -> T {
        ask(&self.held.read().unwrap_or_else(PoisonError::into_inner))
    }

    /// The number of changes so far, and all that follow.
    pub fn follow(&self) -> watch::Receiver<u64> {
        self.changes.subscribe()
    }

    /// Says why the gate cannot go on for now, or that it can.
    pub fn set_fault(&self, fault: Option<String>) {
        if self.read(|held| held.fault != fault) {
            self.write(|held| held.fault = fault);
        }
    }

    /// Says what else whoever looks at it must know.
    pub fn set_warnings(&self, warnings: Vec<String>) {
        if self.read(|held| held.warnings != warnings) {
            self.write(|held| held.warnings = warnings);
        }
    }

    /// So many more bytes were read of the job that is being judged.
    pub fn has_read(&self, bytes: u64) {
        let read = self.read.fetch_add(bytes, Ordering::Relaxed) + bytes;
        let after = |judging: &Judging| Judging { read, ..judging.clone() };
        // Told in steps that can be seen.
        let is_seen = |judging: &Judging| after(judging).percent() >= judging.percent() + PERCENT_STEP;
        if self.read(|held| held.judging.as_ref().is_some_and(is_seen)) {
            self.write(|held| held.judging = held.judging.as_ref().map(after));
        }
    }

    pub(super) fn judging(&self, job: Option<(&str, u64)>) {
        self.read.store(0, Ordering::Relaxed);
        self.write(|held| {
            held.judging = job.map(|(name, bytes)| Judging { name: name.to_owned(), bytes, read: 0 });
        });
    }

    fn write(&self, act: impl FnOnce(&mut Held)) {
        let mut held = self.held.write().unwrap_or_else(PoisonError::into_inner);
        act(&mut held);
        held.changes += 1;
        self.changes.send_replace(held.changes);
    }

    /// A job lies there from now on.
    pub(super) fn arrived_at(&self, path: &Path, name: &str, digest: Option<String>) {
        let found = path.metadata().ok();
        let arrived = found.as_ref().and_then(|found| found.modified().ok());
        self.arrived(name, digest, arrived, found.map_or(0, |found| found.len()));
    }

    fn arrived(&self, name: &str, digest: Option<String>, arrived: Option<SystemTime>, bytes: u64) {
        self.write(|held| {
            // What is known of a job that comes once more still holds.
            if held.keys.contains_key(name) {
                return;
            }
            let (name, key) = (name.to_owned(), (arrived, name.to_owned()));
            held.keys.insert(name.clone(), key.clone());
            let (place, why, answers) = (None, None, Vec::new());
            held.rows.insert(key, Row { name, digest, bytes, arrived, place, decided: 0, as_of: 0, why, answers });
        });
    }

    pub(super) fn placed(&self, name: &str, digest: &str, place: Place, answers: &[Answered], as_of: i64) {
        let is_so = |row: &Row| row.place == Some(place) && row.answers == answers && row.as_of == as_of;
        if self.read(|held| held.row(name).is_some_and(is_so)) {
            return;
        }
        self.write(|held| {
            held.change(name, |row| {
                row.digest = Some(digest.to_owned());
                (row.place, row.as_of, row.answers) = (Some(place), as_of, answers.to_vec());
                row.why = answers.is_empty().then(|| NO_SHEET.to_owned());
            });
        });
    }

    /// Somebody has decided on that content: until the gate knows of it nothing that was known of it holds.
    pub fn decided(&self, digest: &str, id: i64) {
        self.write(|held| {
            for row in held.rows.values_mut().filter(|row| row.digest.as_deref() == Some(digest)) {
                row.decided = row.decided.max(id);
            }
        });
    }

    /// What is known of these jobs, or of all, may hold no more; the gate will say.
    pub fn unsettle(&self, only: Option<&BTreeSet<String>>) {
        let reset = |row: &mut Row| (row.place, row.why) = (None, None);
        self.write(|held| match only {
            Some(names) => names.iter().for_each(|name| held.change(name, reset)),
            None => held.rows.values_mut().for_each(reset),
        });
    }

    pub(super) fn blocked(&self, name: &str, why: &str, as_of: i64) {
        self.write(|held| {
            held.change(name, |row| {
                (row.place, row.why, row.answers) = (Some(Place::Blocked), Some(why.to_owned()), Vec::new());
                row.as_of = as_of;
            });
        });
    }

    pub(super) fn gone(&self, name: &str) {
        self.write(|held| {
            if let Some(key) = held.keys.remove(name) {
                held.rows.remove(&key);
            }
        });
    }

    pub(super) fn sheets(&self, sheets: Vec<SheetState>) {
        if self.read(|held| held.sheets != sheets) {
            self.write(|held| held.sheets = sheets);
        }
    }

    pub(super) fn told(&self, told: &Told) {
        self.write(|held| {
            held.told.push_front((SystemTime::now(), told.to_string()));
            held.told.truncate(TOLD_MOST);
        });
    }

    pub(super) fn left(&self, left: usize) {
        if self.read(|held| held.left != left) {
            self.write(|held| held.left = left);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn how_far_a_job_is_judged_is_told_in_steps() {
        let shelf = Shelf::default();
        shelf.has_read(5);
        shelf.judging(Some(("a", 1000)));
        let percent = || shelf.read(|held| held.judging.as_ref().map(Judging::percent));
        let changes = *shelf.follow().borrow();
        (0..1000).for_each(|_| shelf.has_read(1));
        assert_eq!((percent(), *shelf.follow().borrow() - changes), (Some(100), 20));
        shelf.judging(None);
        assert_eq!(percent(), None);
    }

    #[test]
    fn the_newest_comes_first_and_changes_are_counted() {
        let (shelf, at) = (Shelf::default(), |s| Some(SystemTime::UNIX_EPOCH + std::time::Duration::from_secs(s)));
        let changes = shelf.follow();
        for (name, s) in [("b", 2), ("a", 1), ("c", 3)] {
            shelf.arrived(name, None, at(s), 10);
        }
        let names = |shelf: &Shelf| shelf.read(|held| held.rows().map(|row| row.name.clone()).collect::<String>());
        assert_eq!((names(&shelf), *changes.borrow()), ("cba".to_owned(), 3));
        shelf.placed("b", "blake3:1", Place::Waiting, &[], 0);
        shelf.placed("b", "blake3:1", Place::Waiting, &[], 0);
        assert_eq!(*changes.borrow(), 4, "the same again is no change");
        // Sent once more it keeps what is known of it.
        shelf.arrived("b", None, at(9), 10);
        assert_eq!(shelf.read(|held| held.row("b").and_then(Row::place)), Some(Place::Waiting));
        shelf.blocked("b", "no job", 0);
        shelf.gone("c");
        shelf.gone("c");
        assert_eq!((names(&shelf), shelf.read(Held::jobs)), ("ba".to_owned(), 2));
        assert_eq!(shelf.read(|held| held.row("b").and_then(|row| row.why.clone())), Some("no job".to_owned()));
    }
}
