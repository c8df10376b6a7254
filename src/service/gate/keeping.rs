//! How long jobs are kept: for good, or until nobody has wanted them for so many days.

use super::*;
use crate::accepted::{day_of, days_before};

/// The clock of this computer beside one that nobody can set.
pub(super) struct Clock {
    opened: (SystemTime, Instant),
}

/// A clock that is set right now and then differs by less.
const SET_RIGHT: Duration = Duration::from_secs(3600);

impl Clock {
    pub(super) fn now() -> Self {
        Self { opened: (SystemTime::now(), Instant::now()) }
    }

    /// False where the clock has jumped ahead since the gate was opened: on a wrong day no job may go.
    fn runs_true(&self) -> bool {
        let (system, steady) = self.opened;
        SystemTime::now().duration_since(system).is_ok_and(|passed| passed <= steady.elapsed() + SET_RIGHT)
    }
}

/// Which jobs go.
pub(super) struct Keeping {
    before: Day,
    unwanted: BTreeSet<String>,
}

impl Keeping {
    /// As things are today, where they are kept for so many days; none where the clock may be wrong.
    pub(super) fn for_days(days: u32, today: Day, ledger: &Ledger) -> Result<Option<Self>, LedgerError> {
        if ledger.lies_ahead()?.is_some() {
            return Ok(None);
        }
        let before = days_before(today, days);
        Ok(Some(Self { before, unwanted: ledger.unwanted_since(before)? }))
    }

    /// The day on which a job came in that goes; none where it stays. One that was never judged stays.
    pub(super) fn goes(&self, arrived: Option<SystemTime>, digest: Option<&str>) -> Option<Day> {
        let since = arrived?.duration_since(SystemTime::UNIX_EPOCH).ok()?;
        let came = day_of(since.as_secs());
        (came < self.before && self.unwanted.contains(digest?)).then_some(came)
    }
}

impl Gate {
    /// Marks jobs that nobody has wanted for long: they are taken out like those that somebody takes out.
    pub(super) fn let_old_go(&mut self, today: Day, tell: &mut dyn FnMut(Told)) -> Result<(), GateError> {
        let Some(days) = self.keep_days.filter(|_| self.clock.runs_true()) else { return Ok(()) };
        let Some(keeping) = Keeping::for_days(days, today, &self.ledger)? else { return Ok(()) };
        let goes = |row: &&Row| keeping.goes(row.arrived, row.digest.as_deref()).is_some();
        let names: Vec<String> = self.shelf.read(|held| held.rows().filter(goes).map(|row| row.name.clone()).collect());
        if !names.is_empty() {
            self.leaving.extend(names.iter().cloned());
            tell(Told::Unwanted { names, days });
        }
        Ok(())
    }
}

/// The jobs of a gate that would be taken out today where they are kept for so many days, and the days on which they came in.
/// The gate may be open meanwhile; nothing is changed.
///
/// # Errors
/// Where there is no gate, or its folder or ledger cannot be read.
pub fn unwanted(root: &Path, days: u32, today: Day) -> Result<Vec<(String, Day)>, GateError> {
    let jobs = root.join("jobs");
    let unread = |path: PathBuf| move |why| GateError::Folder { doing: "read", path, why };
    jobs.metadata().map_err(unread(jobs.clone()))?;
    let ledger = Ledger::open_existing(&root.join(LEDGER_FILE))?;
    let Some(keeping) = Keeping::for_days(days, today, &ledger)? else { return Ok(Vec::new()) };
    let mut unwanted = Vec::new();
    for (name, digest) in kept(&jobs, &ledger)? {
        let arrived = jobs.join(&name).metadata().and_then(|found| found.modified()).ok();
        if let Some(came) = keeping.goes(arrived, digest.as_deref()) {
            unwanted.push((name, came));
        }
    }
    Ok(unwanted)
}

/// The jobs in their folder, with their digests where they are known.
pub(super) fn kept(jobs: &Path, ledger: &Ledger) -> Result<Vec<(String, Option<String>)>, GateError> {
    // However the folder was spelled then: names are its own. What was judged under a name it does not go with does not count.
    let name = |path: &str| Path::new(path).file_name().unwrap_or_default().to_string_lossy().into_owned();
    let known = ledger.paths()?.into_iter().map(|(path, digest)| (name(&path), digest));
    let known: BTreeMap<String, String> = known.filter(|(name, digest)| names::is_of(name, digest)).collect();
    let there = places::names(jobs).map_err(|why| GateError::Folder { doing: "read", path: jobs.to_owned(), why })?;
    let ours = there.into_iter().filter(|name| names::is_ours(name) && jobs.join(name).is_file());
    Ok(ours
        .map(|name| {
            let digest = known.get(&name).cloned();
            (name, digest)
        })
        .collect())
}
