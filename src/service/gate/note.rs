//! What is said beside a job that is cleared for no machine.

use std::path::Path;

use super::told::Answered;
use crate::Verdict;
use crate::findings::Inspection;
use crate::show::report::text::{Extent, TextReport};
use crate::show::report::{Look, Report};
use crate::study::matrix::Totals;
use crate::wording::safe;

/// Columns of the texts beside jobs.
const WIDTH: usize = 100;

/// Its beginning: all that the rest hangs on. The report of an inspection never changes.
pub(super) fn head(name: &str, answers: &[Answered], ledger: &Path) -> String {
    if answers.is_empty() {
        return "No machine has a sheet in machines/ that is in use: one that has faults, or has just changed, is not.\n"
            .to_owned();
    }
    let line = |Answered { machine, inspection, verdict, place, .. }: &Answered| {
        format!("inspection {inspection}: {verdict} on {}, {place}\n", safe(machine))
    };
    let lines: String = answers.iter().map(line).collect();
    let ledger = std::path::absolute(ledger).unwrap_or_else(|_| ledger.to_owned());
    format!(
        "{name}\n\n{lines}\nTo decide on one of them, write down what and why:\n\
         gonogo ledger decide NUMBER release --because \"...\" --by NAME --ledger '{}'\n\n",
        safe(&ledger.to_string_lossy())
    )
}

/// All of it.
pub(super) fn text(head: String, inspections: impl IntoIterator<Item = Inspection>) -> String {
    let mut text = head.into_bytes();
    let mut report = TextReport::new(Look { width: WIDTH, color: false }, Extent { details: false, letters: false });
    // Writing to memory cannot fail.
    let told = inspections.into_iter().try_for_each(|inspection| report.add(&Ok(vec![inspection]), &mut text));
    let _ = told.and_then(|()| report.finish(&Totals::new([], Verdict::NoGo), &mut text));
    String::from_utf8_lossy(&text).into_owned()
}
