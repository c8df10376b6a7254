//! Findings that somebody looked at and accepted: a file that people can review, and what it does to a report.
//!
//! An entry is bound to the name of the machine, to the path of the job and to the [`fingerprint`] of the finding, so that
//! slicing the job anew or changing other keys of the sheet keeps it. It does not cover what weighs more, is worse or is
//! found more often than what was accepted, nor what is worst at another place.
//!
//! Why are accepted findings bound to the path of the job and the name of the machine? Digests change with every
//! slicing and every key. A file name alone would cover every job of that name.

pub mod fingerprint;
mod read;
mod write;

use std::borrow::Cow;
use std::fs::File;
use std::io::{self, Read};
use std::path::{Component, Path, PathBuf};
use std::time::{SystemTime, UNIX_EPOCH};

use crate::checks::is_unsafe;
use crate::findings::{Acceptance, AcceptedWhy, Finding, Inspection, Severity, Verdict};
use crate::geometry::Box3;
use crate::machine::{SheetFaults, nearest_file, render_faults};
use crate::wording;

pub use toml_edit::Date as Day;
pub use write::{NotToml, put};

/// Name of the file that is looked for from the current directory upward.
pub const ACCEPTED_FILE: &str = "gonogo.accepted.toml";
/// Largest file, bytes.
pub const ACCEPTED_MAX_BYTES: usize = 1 << 20;
/// Longest reason, characters.
pub const BECAUSE_MAX: usize = 500;
/// How much farther beyond its limit a value may be than the accepted one, as a share of that distance.
const WORSE_SHARE: f64 = 0.1;
/// Checks whose limit is a value to stay away from, so that a value does not say which of two findings is worse.
const TO_STAY_AWAY_FROM: &[&str] = &["drives-resonance"];

/// One accepted finding.
#[derive(Debug, Clone, PartialEq)]
pub struct Entry {
    /// The job, see [`job_name`].
    pub job: String,
    /// Name of the machine.
    pub machine: String,
    /// The check.
    pub check: Cow<'static, str>,
    /// What it weighed; a finding that weighs more is not covered.
    pub severity: Severity,
    /// Of the finding.
    pub fingerprint: String,
    /// Of the place where it was worst, where that is another one.
    pub worst_fingerprint: Option<String>,
    /// How often it was found; more is not covered.
    pub times: u64,
    /// Why.
    pub because: String,
    /// Last day on which it counts as accepted.
    pub until: Option<Day>,
    /// Who accepted it.
    pub by: Option<String>,
    /// True where somebody accepted a no-go on heat or travel.
    pub even_unsafe: bool,
    /// Where it was: x, y, z in machine coordinates, mm. For people.
    pub place_mm: Option<[f64; 3]>,
    /// The worst value; a worse one is not covered.
    pub value: Option<f64>,
    /// Its limit.
    pub limit: Option<f64>,
    /// The box around all places where a no-go on heat or travel was found, counted from the corner of the part, mm.
    pub extent_mm: Option<Box3>,
}

/// A file of accepted findings.
#[derive(Debug, Clone, PartialEq)]
pub struct Accepted {
    /// Its path as given.
    pub source: String,
    /// Its entries, in their order.
    pub entries: Vec<Entry>,
}

/// Why there are no accepted findings.
#[derive(Debug, thiserror::Error)]
pub enum AcceptedError {
    /// The file could not be read.
    #[error("cannot read the accepted findings {}: {source}", .path.display())]
    Read {
        /// The file.
        path: PathBuf,
        /// Why not.
        source: io::Error,
    },
    /// The file was read and has faults.
    #[error(transparent)]
    Faults(#[from] SheetFaults),
}

impl AcceptedError {
    /// The full text, with or without colour.
    pub fn render(&self, color: bool) -> String {
        match self {
            Self::Read { .. } => self.to_string(),
            Self::Faults(faults) => render_faults(faults, color),
        }
    }
}

/// A line that says why, or who.
///
/// # Errors
/// What is wrong with it, in a few words.
pub fn reason(text: &str) -> Result<String, String> {
    match text.trim() {
        "" => Err("say why".to_owned()),
        text if text.chars().any(char::is_control) => Err("one line without control characters".to_owned()),
        text if text.chars().count() > BECAUSE_MAX => Err(format!("at most {BECAUSE_MAX} characters")),
        text => Ok(text.to_owned()),
    }
}

/// The nearest [`ACCEPTED_FILE`] from `start_dir` upward.
pub fn nearest(start_dir: &Path) -> Option<PathBuf> {
    nearest_file(start_dir, ACCEPTED_FILE)
}

/// The name an entry knows a job by: its path from the folder of the file of accepted findings, or the whole path where it
/// lies elsewhere, with `/` and without `.gz`. None for standard input, and for a path that is not UTF-8: two of those can
/// read alike.
pub fn job_name(accepted_file: &Path, job: &str) -> Option<String> {
    if job == "-" || job.contains(char::REPLACEMENT_CHARACTER) {
        return None;
    }
    let (folder, _) = located(accepted_file)?;
    let (place, name) = located(Path::new(job))?;
    let name = name.to_str()?;
    let path = place.strip_prefix(folder).unwrap_or(&place).join(name.strip_suffix(".gz").unwrap_or(name));
    let slashed = |path: &str| if cfg!(windows) { path.replace('\\', "/") } else { path.to_owned() };
    path.to_str().map(slashed)
}

/// The folder of a file, with links followed where it is there, and its name.
fn located(path: &Path) -> Option<(PathBuf, std::ffi::OsString)> {
    let path = std::path::absolute(path).ok()?;
    let Some(Component::Normal(name)) = path.components().next_back() else { return None };
    let folder = path.parent()?;
    Some((folder.canonicalize().unwrap_or_else(|_| folder.to_owned()), name.to_owned()))
}

/// What an entry says about a finding with its fingerprint.
enum Covered {
    Yes,
    No(String),
}

impl Accepted {
    /// Reads the text of a file; `source` is its path for messages.
    ///
    /// # Errors
    /// All faults of the text, by position.
    pub fn parse(source: &str, text: &str) -> Result<Self, SheetFaults> {
        read::read(source, text.as_bytes()).map(|entries| Self { source: source.to_owned(), entries })
    }

    /// Reads a file.
    ///
    /// # Errors
    /// When it cannot be read, or all faults of its text.
    pub fn load(path: &Path) -> Result<Self, AcceptedError> {
        Self::load_text(path).map(|(accepted, _)| accepted)
    }

    /// The same, with the text for [`put`].
    ///
    /// # Errors
    /// When it cannot be read, or all faults of its text.
    pub fn load_text(path: &Path) -> Result<(Self, String), AcceptedError> {
        let mut bytes = Vec::new();
        File::open(path)
            .and_then(|file| file.take(ACCEPTED_MAX_BYTES as u64 + 1).read_to_end(&mut bytes))
            .map_err(|source| AcceptedError::Read { path: path.to_owned(), source })?;
        let source = path.to_string_lossy().into_owned();
        let entries = read::read(&source, &bytes)?;
        // What was read as entries is UTF-8.
        Ok((Self { source, entries }, String::from_utf8_lossy(&bytes).into_owned()))
    }

    /// The entry for a finding of that report and weight, whether or not it covers it today.
    pub fn entry_for(&self, inspection: &Inspection, finding: &Finding) -> Option<&Entry> {
        let near = fingerprint::near(inspection, finding);
        let same = |entry: &&Entry| entry.check == finding.check && entry.severity == finding.severity;
        self.entries_of(inspection).filter(same).find(|entry| near.contains(&entry.fingerprint))
    }

    /// A digest of all that [`Self::apply`] takes from here for the job at `path` on the machine of that name: the same digest
    /// does the same. Empty where there is nothing.
    pub fn digest_for(&self, path: &str, machine: &str, today: Day) -> String {
        let entries: Vec<&Entry> = self.entries_for(path, machine).collect();
        if entries.is_empty() {
            return String::new();
        }
        let has_run_out = |entry: &Entry| entry.until.is_some_and(|until| until < today);
        let run_out: Vec<bool> = entries.iter().map(|entry| has_run_out(entry)).collect();
        let written: Vec<(Option<String>, Entry)> = entries.into_iter().map(|entry| (None, entry.clone())).collect();
        // An empty text is TOML.
        let text = put("", &written).unwrap_or_default();
        let all = format!("{}\n{run_out:?}\n{text}", self.source);
        crate::wording::digest(blake3::hash(all.as_bytes()))
    }

    fn entries_of<'a>(&'a self, inspection: &Inspection) -> impl Iterator<Item = &'a Entry> + use<'a> {
        self.entries_for(&inspection.job.path, &inspection.machine.name)
    }

    fn entries_for<'a>(&'a self, path: &str, machine: &str) -> impl Iterator<Item = &'a Entry> + use<'a> {
        let job = job_name(Path::new(&self.source), path);
        let machine = machine.to_owned();
        self.entries.iter().filter(move |entry| job.as_ref() == Some(&entry.job) && entry.machine == machine)
    }

    /// Marks the findings that are accepted `today`; they no longer decide the verdict. Entries that have run out, cover
    /// too little or find nothing are remarked on. Without an entry for this job on this machine nothing changes.
    pub fn apply(&self, inspection: &mut Inspection, today: Day) {
        let entries: Vec<&Entry> = self.entries_of(inspection).collect();
        if entries.is_empty() {
            return;
        }
        let (mut met, mut remarks) = (vec![false; entries.len()], Vec::new());
        let mut why: Vec<Option<AcceptedWhy>> = Vec::new();
        for finding in &inspection.findings {
            let near = fingerprint::near(inspection, finding);
            let (mut accepted, mut refused) = (None, None);
            for (entry, met) in entries.iter().zip(&mut met) {
                if entry.check != finding.check || !near.contains(&entry.fingerprint) {
                    continue;
                }
                *met = true;
                match entry.covers(inspection, finding, today) {
                    Covered::Yes => accepted = accepted.or_else(|| Some(entry.why(finding))),
                    Covered::No(remark) => refused = refused.or(Some(remark)),
                }
            }
            remarks.extend(refused.filter(|_| accepted.is_none()));
            why.push(accepted);
        }
        let stale = entries.iter().zip(met).filter(|(_, met)| !met);
        let open =
            |check: &str| inspection.findings.iter().zip(&why).any(|(of, why)| of.check == check && why.is_none());
        remarks.extend(stale.map(|(entry, _)| entry.stale(&self.source, open(&entry.check))));
        for (finding, accepted) in inspection.findings.iter_mut().zip(why) {
            finding.accepted = accepted;
        }
        inspection.verdict = Verdict::of(&inspection.findings);
        inspection.acceptance = Some(Acceptance { source: self.source.clone(), remarks });
    }
}

impl Entry {
    /// The entry that accepts a finding for good; `job` as [`job_name`] has it.
    pub fn of(job: &str, inspection: &Inspection, finding: &Finding, because: &str) -> Self {
        let print = fingerprint::of(inspection, finding);
        let worst_print = fingerprint::of_worst(inspection, finding);
        Self {
            job: job.to_owned(),
            machine: inspection.machine.name.clone(),
            check: finding.check.clone(),
            severity: finding.severity,
            worst_fingerprint: (worst_print != print).then_some(worst_print),
            fingerprint: print,
            times: finding.count,
            because: because.to_owned(),
            until: None,
            by: None,
            even_unsafe: is_unsafe(&finding.check, finding.severity),
            place_mm: finding.place_mm,
            value: finding.value.filter(|value| value.is_finite()),
            limit: finding.limit.filter(|limit| limit.is_finite()),
            extent_mm: fingerprint::extent(inspection, finding),
        }
    }

    fn why(&self, finding: &Finding) -> AcceptedWhy {
        AcceptedWhy {
            because: self.because.clone(),
            until: self.until.map(|day| day.to_string()),
            by: self.by.clone(),
            even_unsafe: is_unsafe(&finding.check, finding.severity),
        }
    }

    fn covers(&self, inspection: &Inspection, finding: &Finding, today: Day) -> Covered {
        let place = self.place();
        let (check, because) = (&self.check, &self.because);
        if let Some(until) = self.until.filter(|until| *until < today) {
            let text =
                format!("{check}{place} was accepted until {until} and counts again (accepted because: {because})");
            return Covered::No(text);
        }
        if finding.severity > self.severity {
            let (now, then) = (finding.severity, self.severity);
            return Covered::No(format!("{check}{place} is {now} by now, accepted was a {then}: it counts again"));
        }
        if finding.count > self.times {
            let (now, then) = (wording::counted(finding.count, "time", "times"), self.times);
            let were = if then == 1 { "was" } else { "were" };
            return Covered::No(format!("{check}{place} is found {now}, {then} {were} accepted: it counts again"));
        }
        if let Some(key) = self.lacks(inspection, finding) {
            return Covered::No(format!(
                "{check}{place} counts: its entry has no `{key}`, so that it would cover any; accept it anew"
            ));
        }
        if let Some((now, then)) = self.worse(finding, WORSE_SHARE) {
            let (now, then) = wording::pair(now, then);
            let [now, then] = [now, then].map(|number| wording::with_unit(number, &finding.unit));
            return Covered::No(format!(
                "{check}{place} is worse than what was accepted, {now} against {then}: it counts again"
            ));
        }
        if self.moved(inspection, finding) {
            return Covered::No(format!("{check}{place} reaches other places than what was accepted: it counts again"));
        }
        Covered::Yes
    }

    /// What an entry for this finding must say and does not.
    fn lacks(&self, inspection: &Inspection, finding: &Finding) -> Option<&'static str> {
        let is_number = |number: Option<f64>| number.is_some_and(f64::is_finite);
        let asked = [
            ("value", is_number(finding.value), self.value.is_some()),
            ("limit", is_number(finding.limit), self.limit.is_some()),
            ("extent_mm", fingerprint::extent(inspection, finding).is_some(), self.extent_mm.is_some()),
        ];
        asked.into_iter().find(|(_, has, says)| *has && !says).map(|(key, ..)| key)
    }

    /// True where the worst place is another one, or a no-go on heat or travel is found beyond the places accepted. Among
    /// many equal places chance decides which is the worst: where nobody is hurt, one that is not worse at all may lie
    /// anywhere.
    fn moved(&self, inspection: &Inspection, finding: &Finding) -> bool {
        let worst = self.worst_fingerprint.as_ref().unwrap_or(&self.fingerprint);
        let is_elsewhere = !fingerprint::near_worst(inspection, finding).contains(worst);
        let is_equal = TO_STAY_AWAY_FROM.contains(&self.check.as_ref())
            || (finding.value.is_some() && self.worse(finding, 0.0).is_none());
        let extent = fingerprint::extent(inspection, finding);
        let is_beyond = extent.zip(self.extent_mm).is_some_and(|(now, then)| !within(now, then));
        is_beyond || is_elsewhere && (!is_equal || is_unsafe(&finding.check, finding.severity))
    }

    /// Value now and then, where it is farther beyond its limit by now, by more than a share of the distance accepted.
    fn worse(&self, finding: &Finding, share: f64) -> Option<(f64, f64)> {
        let (now, then) = (finding.value?, self.value.filter(|_| !TO_STAY_AWAY_FROM.contains(&self.check.as_ref()))?);
        let now_beyond = now - finding.limit?;
        let then_beyond = then - self.limit?;
        let room = then_beyond.abs() * (1.0 + share) + 1e-9 * now.abs();
        (now_beyond.abs() > room || now_beyond * then_beyond < 0.0).then_some((now, then))
    }

    fn stale(&self, source: &str, is_open_elsewhere: bool) -> String {
        let (check, place, severity) = (&self.check, self.place(), self.severity);
        if is_open_elsewhere {
            return format!(
                "{check}{place}, accepted as {severity}, is not found at this place, but elsewhere, where it counts"
            );
        }
        format!("{check}{place}, accepted as {severity}, is no longer found: take its entry out of {source}")
    }

    /// ` at x 1, y 2, z 3 mm`, or nothing.
    fn place(&self) -> String {
        self.place_mm.map_or(String::new(), |place_mm| format!(" at {}", wording::place(place_mm)))
    }
}

/// True for a box inside another, with the room within which a place is recognised.
fn within(inner: Box3, outer: Box3) -> bool {
    (0..3).all(|axis| {
        let room = fingerprint::REACH * fingerprint::CELL_MM[axis];
        inner.min[axis] >= outer.min[axis] - room && inner.max[axis] <= outer.max[axis] + room
    })
}

/// What the clock says, s since 1970-01-01 00:00 UTC. One set before that is taken for it.
pub fn now_s() -> u64 {
    SystemTime::now().duration_since(UNIX_EPOCH).map_or(0, |since| since.as_secs())
}

/// Today, UTC.
pub fn today() -> Day {
    day_of(now_s())
}

/// The day of a time, given in seconds since 1970-01-01 00:00 UTC, in UTC. Proleptic Gregorian calendar, counted from
/// 1 March of year 0 so that leap days come last (H. Hinnant, "chrono-Compatible Low-Level Date Algorithms", 2013).
pub fn day_of(unix_s: u64) -> Day {
    let days = unix_s / 86_400 + 719_468;
    let (era, of_era) = (days / 146_097, days % 146_097);
    let year_of_era = (of_era - of_era / 1460 + of_era / 36_524 - of_era / 146_096) / 365;
    let of_year = of_era - (365 * year_of_era + year_of_era / 4 - year_of_era / 100);
    let from_march = (5 * of_year + 2) / 153;
    let day = of_year - (153 * from_march + 2) / 5 + 1;
    let month = if from_march < 10 { from_march + 3 } else { from_march - 9 };
    let year = era * 400 + year_of_era + u64::from(month <= 2);
    Day { year: u16::try_from(year).unwrap_or(u16::MAX), month: month as u8, day: day as u8 }
}

/// The day so many days before another. The inverse of [`day_of`], from the same paper.
pub fn days_before(day: Day, days: u32) -> Day {
    let year = u64::from(day.year).saturating_sub(u64::from(day.month <= 2));
    let (era, year_of_era) = (year / 400, year % 400);
    let from_march = (u64::from(day.month) + 9) % 12;
    let of_year = (153 * from_march + 2) / 5 + u64::from(day.day) - 1;
    let of_era = year_of_era * 365 + year_of_era / 4 - year_of_era / 100 + of_year;
    let since_1970 = (era * 146_097 + of_era).saturating_sub(719_468);
    day_of(since_1970.saturating_sub(u64::from(days)) * 86_400)
}

/// Reads `2027-01-31`.
pub fn day_from(text: &str) -> Option<Day> {
    let read: toml_edit::Datetime = text.parse().ok()?;
    read.date.filter(|_| read.time.is_none() && read.offset.is_none())
}

#[cfg(test)]
mod tests;
