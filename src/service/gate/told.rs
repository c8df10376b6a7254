//! What a gate has to tell.

use std::fmt;

use super::places::Place;
use crate::findings::Verdict;
use crate::service::ledger::{Figures, Said};
use crate::wording::safe;

/// Most jobs that are named in one line.
const NAMED_MOST: usize = 8;

/// Something that a gate did or saw. It reads as one line; names in it are as they are on the disk.
#[derive(Debug, Clone, PartialEq)]
pub enum Told {
    /// A sheet is used from now on, as the machine of that name.
    Sheet {
        /// Its file.
        file: String,
        /// The machine.
        machine: String,
    },
    /// A sheet has faults: nothing is cleared for its machine.
    SheetFaults {
        /// Its file.
        file: String,
        /// All faults.
        faults: String,
    },
    /// A sheet is gone, and its machine with it.
    SheetGone {
        /// Its file.
        file: String,
    },
    /// What lay ready for a machine is not cleared as things are now, and was taken away.
    Withdrawn {
        /// The folder of the machine.
        machine: String,
        /// The jobs.
        names: Vec<String>,
    },
    /// A job was taken in.
    TakenIn {
        /// Its name in the inbox.
        from: String,
        /// The name under which it is kept.
        name: String,
    },
    /// Jobs go that nobody has wanted for so many days.
    Unwanted {
        /// The names under which they are kept.
        names: Vec<String>,
        /// The days.
        days: u32,
    },
    /// A job was taken out for good.
    TakenOut {
        /// The name under which it was kept.
        name: String,
    },
    /// What lies in the inbox is no job, or cannot be read; it lies in `blocked/` now.
    Unreadable {
        /// Its name in the inbox.
        from: String,
        /// Why.
        why: String,
    },
    /// Something in a folder is left where it is.
    Left {
        /// Where.
        at: String,
        /// Why.
        why: String,
    },
    /// A job has its place.
    Placed {
        /// The name under which it is kept.
        name: String,
        /// Where it lies as a whole.
        place: Place,
        /// What it got, machine by machine.
        answers: Vec<Answered>,
    },
    /// A job cannot be judged, or is not what was taken in; it is blocked.
    Blocked {
        /// The name under which it is kept.
        name: String,
        /// Why.
        why: String,
    },
}

/// What a job got on a machine.
#[derive(Debug, Clone, PartialEq)]
pub struct Answered {
    /// The folder of the machine.
    pub folder: String,
    /// Name of the machine.
    pub machine: String,
    /// The number of the inspection.
    pub inspection: i64,
    /// The answer of the checks.
    pub verdict: Verdict,
    /// What people have said on it.
    pub said: Said,
    /// Its numbers.
    pub figures: Figures,
    /// What comes of both.
    pub place: Place,
}

impl fmt::Display for Told {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Sheet { file, machine } => write!(f, "machines/{}: used as {}", safe(file), safe(machine)),
            Self::SheetFaults { file, faults } => {
                write!(f, "machines/{}: has faults, nothing is cleared for it\n{}", safe(file), faults.trim_end())
            }
            Self::SheetGone { file } => write!(f, "machines/{}: is gone", safe(file)),
            Self::Withdrawn { machine, names } => {
                write!(f, "cleared/{}: taken back: {}", safe(machine), some_of(names))
            }
            Self::Unwanted { names, days } => {
                write!(f, "jobs/: wanted by nobody for more than {days} days: {}", some_of(names))
            }
            Self::TakenIn { from, name } => write!(f, "{}: taken in as {}", safe(from), safe(name)),
            Self::TakenOut { name } => write!(f, "{}: taken out", safe(name)),
            Self::Unreadable { from, why } => write!(f, "{}: blocked, {}", safe(from), safe(why)),
            Self::Left { at, why } => write!(f, "{}: left there, {}", safe(at), safe(why)),
            Self::Blocked { name, why } => write!(f, "{}: blocked, {}", safe(name), safe(why)),
            Self::Placed { name, place, answers } => {
                write!(f, "{}: {place}", safe(name))?;
                let ready = answers.iter().filter(|answered| answered.place == Place::Cleared);
                let ready: Vec<_> = ready.map(|answered| safe(&answered.machine)).collect();
                if !ready.is_empty() {
                    write!(f, " for {}", ready.join(", "))?;
                }
                for answered in answers {
                    write!(f, " · {} on {}", answered.verdict, safe(&answered.machine))?;
                    match &answered.said {
                        Said::Nothing => {}
                        Said::Holds(decided) => write!(f, ", {}", decided.done())?,
                        Said::RanOut(_) => write!(f, ", a release ran out")?,
                    }
                }
                if answers.is_empty() { write!(f, ", no machine has a sheet that is in use") } else { Ok(()) }
            }
        }
    }
}

/// The first names, and how many more there are.
fn some_of(names: &[String]) -> String {
    let shown: Vec<_> = names.iter().take(NAMED_MOST).map(|name| safe(name)).collect();
    let more = names.len().saturating_sub(NAMED_MOST);
    let more = if more > 0 { format!(" and {more} more") } else { String::new() };
    format!("{}{more}", shown.join(", "))
}
