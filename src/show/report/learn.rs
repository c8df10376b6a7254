//! What was learned from finished prints, for people: the clock and how well it foretells, then what it rests on.

use std::io::{self, Write};

use anstyle::{Effects, Style};

use super::Look;
use super::page::{Section, paragraph};
use crate::machine::Machine;
use crate::wording::{clock, counted, duration, fixed, listed, number, safe};
use crate::workshop::prints::drift::FALSE_ALARMS_ONE_IN;
use crate::workshop::prints::{
    Compared, Doubt, JOBS_MIN, Learned, LeftOut, Number, Print, RowFault, Source, Why, kept,
};

/// Most prints that a section names.
const NAMED: usize = 12;

/// All that a report on learning tells.
pub struct Told<'a> {
    /// Whose clock.
    pub machine: &'a Machine,
    /// What was learned.
    pub learned: &'a Learned,
    /// The prints given, each with its line in the file, or its number in a ledger.
    pub prints: &'a [(u64, Print)],
    /// Whether they come from a ledger.
    pub in_ledger: bool,
    /// Path of the file.
    pub source: &'a str,
    /// Rows of it that are no print.
    pub faults: &'a [RowFault],
    /// Rows that say again what others say: their line, and that one's.
    pub repeated: &'a [(u64, u64)],
    /// The sheet it was written into.
    pub written: Option<&'a str>,
    /// Options of the command that tell sheet and prints, each with a blank before it.
    pub options: &'a str,
}

/// Writes it.
///
/// # Errors
/// Those of the writer.
pub fn write(told: &Told<'_>, look: Look, out: &mut dyn Write) -> io::Result<()> {
    paragraph(&headline(told), Style::new().effects(Effects::BOLD), look, out)?;
    paragraph(&before(told), Style::new(), look, out)?;
    writeln!(out)?;
    for section in [numbers, apart, unfit, drift, left_out, faults] {
        section(told, look).write(out)?;
    }
    let last = match (told.written, told.learned.doubt) {
        (Some(sheet), _) => format!("Written into {} as [clock].", safe(sheet)),
        (None, None) => "Nothing is written: --write puts it into the sheet.".to_owned(),
        (None, Some(doubt)) => {
            format!("Nothing is written: --write puts no such clock into the sheet. What helps: {}.", remedy(doubt))
        }
    };
    if let Some(kept) = kept_as_it_was(told) {
        paragraph(&kept, Style::new(), look, out)?;
    }
    paragraph(&last, Style::new(), look, out)
}

/// What stays in the clock of the sheet, since these prints say nothing about it.
fn kept_as_it_was(told: &Told<'_>) -> Option<String> {
    let kept = kept(&told.learned.clock, told.machine.clock.as_ref()?);
    let each: Vec<String> = kept.iter().map(|(key, value)| format!("{key} = {value:?}")).collect();
    let each: Vec<&str> = each.iter().map(String::as_str).collect();
    let stays = if each.len() == 1 { "stays as it is" } else { "stay as they are" };
    (!each.is_empty()).then(|| format!("{} {stays} in [clock]: these prints say nothing about it.", listed(&each)))
}

fn percent(share: f64) -> String {
    format!("{:.1} %", share * 100.0)
}

fn headline(told: &Told<'_>) -> String {
    let Learned { numbers, clock, forecasts, jobs, scores, doubt, .. } = told.learned;
    let (prints, jobs) = (counted(forecasts.len() as u64, "print", "prints"), counted(*jobs as u64, "job", "jobs"));
    let of = format!("of {} from {prints} of {jobs}", safe(&told.machine.name));
    // As below: what is written has one digit less.
    let factor = numbers.iter().find(|of| of.key == "factor").map_or(clock.factor, |of| of.value);
    let what = format!(
        "{} and {} times the planned motion, besides heating and homing; it foretells a job it has not seen to {} (median), \
         and its 90 % interval held {} of {}.",
        duration(clock.start_s),
        fixed(factor, 3),
        percent(scores.after.median_error),
        scores.after.held.unwrap_or(0),
        forecasts.len(),
    );
    match doubt {
        None => format!("Clock {of}: {what}"),
        Some(doubt) => format!("No good clock {of}: {}. It would be {what}", reason(told, *doubt)),
    }
}

/// Why a clock is no good.
fn reason(told: &Told<'_>, doubt: Doubt) -> String {
    let scores = told.learned.scores;
    match doubt {
        Doubt::IntervalMisses => "its 90 % interval misses far too many prints".to_owned(),
        Doubt::IntervalSaysNothing => "its 90 % interval begins at 0 s for half of the prints or more".to_owned(),
        Doubt::NoBetterThanPlan => {
            format!("it foretells no better than the plan alone, which is off by {}", percent(scores.plan.median_error))
        }
        Doubt::WorseThanSheet => format!(
            "even on the prints that it has seen it is off by {}, and the clock in the sheet by {}",
            percent(scores.seen.median_error),
            percent(scores.before.median_error)
        ),
    }
}

/// What to do about it.
fn remedy(doubt: Doubt) -> &'static str {
    match doubt {
        Doubt::WorseThanSheet => {
            "the clock in the sheet stays; where the machine has changed, learn from the prints since then with --since"
        }
        _ => {
            "times that are right (`gonogo prints list` shows them; --waited takes out waits for a person), prints of more \
             jobs, and times for heating and homing in the sheet"
        }
    }
}

fn before(told: &Told<'_>) -> String {
    let Compared { before, plan, seen, .. } = told.learned.scores;
    let all = told.learned.forecasts.len();
    match (before.held, seen.held) {
        (Some(held), Some(seen_held)) => format!(
            "Before: the clock in the sheet, which may have seen these prints, foretells them to {}, and its interval holds \
             {held} of {all}; the new one, which has seen them, to {} and {seen_held} of {all}. The plan alone is off by {}.",
            percent(before.median_error),
            percent(seen.median_error),
            percent(plan.median_error)
        ),
        _ => format!("Before: the plan alone, without an interval, is off by {}.", percent(plan.median_error)),
    }
}

fn numbers(told: &Told<'_>, look: Look) -> Section {
    let mut section = Section::new("numbers", look);
    let row = |of: &Number| {
        let [value, low, high] = [of.value, of.low, of.high].map(|value| match of.key {
            "factor" => fixed(value, 3),
            _ => number(value),
        });
        let unit = match of.key {
            "factor" => "times",
            "bed_time_constant_s" | "nozzle_time_constant_s" => "s time constant",
            _ => "s",
        };
        let rests = match of.source {
            Source::Prints => String::new(),
            Source::Sheet => ", by the sheet".to_owned(),
            Source::Usual => ", a usual value".to_owned(),
        };
        format!("{}: {value} {unit} (90 %: {low} to {high}){rests}", of.name)
    };
    for of in &told.learned.numbers {
        section.item("–", &row(of));
    }
    section
}

fn apart(told: &Told<'_>, look: Look) -> Section {
    let mut section = Section::new("unknown", look);
    let is_one: Vec<&str> = told.learned.numbers.iter().filter(|of| of.is_one_with_start).map(|of| of.name).collect();
    if !is_one.is_empty() {
        section.item(
            "–",
            &format!(
                "all prints are alike in {}: that and the start cannot be told apart, only their sum is known",
                listed(&is_one)
            ),
        );
    }
    let little: Vec<&str> = told
        .learned
        .numbers
        .iter()
        .filter(|of| of.source != Source::Prints && !of.is_one_with_start)
        .map(|of| of.name)
        .collect();
    if !little.is_empty() {
        section.item("–", &format!("these prints say little about {}", listed(&little)));
    }
    section
}

/// A print as people find it again.
fn named(told: &Told<'_>, print: usize) -> String {
    let (number, print) = &told.prints[print];
    let counted_by = if told.in_ledger { "print" } else { "line" };
    format!("{} ({counted_by} {number})", safe(&print.job))
}

fn unfit(told: &Told<'_>, look: Look) -> Section {
    let mut section = Section::new("do not fit", look);
    let unfit: Vec<_> = told.learned.forecasts.iter().filter(|of| !of.fits).collect();
    for of in unfit.iter().take(NAMED) {
        let (took, foretold) = (clock(of.took_s), clock(of.without.expected_s));
        section.item("–", &format!("{}: took {took}, foretold {foretold}", named(told, of.print)));
    }
    if unfit.len() > NAMED {
        section.paragraph(&format!("and {} more", unfit.len() - NAMED));
    }
    if !unfit.is_empty() {
        section.paragraph("They hardly count. Was it this job, at this speed, to its end?");
    }
    section
}

fn drift(told: &Told<'_>, look: Look) -> Section {
    let mut section = Section::new("drift", look);
    let order = match (told.learned.ordered_by_start, told.in_ledger) {
        (true, _) => "in order of their starts",
        (false, false) => "in the order of the file",
        (false, true) => "in the order of the ledger",
    };
    let alarms = format!("a false alarm in {FALSE_ALARMS_ONE_IN} at most");
    let Some((first, change)) = told.learned.drift else {
        section.paragraph(&format!("none is clear, {order} (test of Pettitt, {alarms})"));
        return section;
    };
    let (longer, share) = if change.by > 0.0 { ("longer", change.by) } else { ("less", -change.by) };
    let since = named(told, told.learned.forecasts[first].print);
    section.paragraph(&format!(
        "since {since} prints take {} {longer} than before, {order} (test of Pettitt, {alarms}): look for what changed at the \
         machine, and learn from prints since then{}:",
        percent(share),
        if jobs_since(told, first) < JOBS_MIN { format!(", once there are some of {JOBS_MIN} jobs") } else { String::new() }
    ));
    let (number, _) = &told.prints[told.learned.forecasts[first].print];
    // One line, however narrow: it is to be typed.
    section.line(safe(&format!("gonogo learn --since {number}{}", told.options)).into_owned());
    section
}

/// Of how many jobs the prints from one on are.
fn jobs_since(told: &Told<'_>, first: usize) -> usize {
    let jobs = told.learned.forecasts[first..].iter().map(|of| &told.prints[of.print].1.job);
    jobs.collect::<std::collections::BTreeSet<_>>().len()
}

fn left_out(told: &Told<'_>, look: Look) -> Section {
    let mut section = Section::new("left out", look);
    let kinds = [
        (Why::Aborted, "aborted"),
        (Why::OtherMachine, "of another machine"),
        (Why::OldPlan, "planned by another version or with another sheet, and the job is not at hand"),
        (Why::Before, "before those that --since asks for, or without a start"),
        (Why::TooOld, "older than those that are learned from"),
    ];
    for (why, words) in kinds {
        let of: Vec<&LeftOut> = told.learned.left_out.iter().filter(|left| left.why == why).collect();
        if of.is_empty() {
            continue;
        }
        let mut names: Vec<String> = of.iter().take(NAMED).map(|left| named(told, left.print)).collect();
        if of.len() > NAMED {
            names.push(format!("{} more", of.len() - NAMED));
        }
        section.item("–", &format!("{words}: {}", names.join(", ")));
    }
    for (line, first) in told.repeated.iter().take(NAMED) {
        section.item("–", &format!("line {line} says again what line {first} says"));
    }
    section
}

fn faults(told: &Told<'_>, look: Look) -> Section {
    let mut section = Section::new("no prints", look);
    for fault in told.faults.iter().take(NAMED) {
        section.item("–", &safe(&format!("{}: {fault}", told.source)));
    }
    if told.faults.len() > NAMED {
        section.paragraph(&format!("and {} more rows", told.faults.len() - NAMED));
    }
    section
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wording::columns;
    use crate::workshop::prints::{PrintsFile, learn};

    #[test]
    fn the_answer_comes_first_and_nothing_is_wider_than_the_page() {
        let text = include_str!("../../../corpus/prints/workshop-a.csv").to_owned() + "x\x1b[2J,1\n";
        let file = PrintsFile::read(text.as_bytes()).expect("a file of prints");
        let mut machine = Machine::built_in();
        machine.name = "He\u{9b}ron".to_owned();
        let prints: Vec<Print> = file.prints.iter().map(|(_, print)| print.clone()).collect();
        let mut learned = learn(&machine, &prints).expect("enough");
        // Rounded twice it would be another number than below.
        learned.clock.factor = 1.0225;
        learned.numbers.iter_mut().filter(|of| of.key == "factor").for_each(|of| of.value = 1.02251);
        let told = Told {
            machine: &machine,
            learned: &learned,
            prints: &file.prints,
            in_ledger: false,
            source: "prints.csv",
            faults: &file.faults,
            repeated: &file.repeated,
            written: None,
            options: " --prints prints.csv",
        };
        for width in [40, 60, 80, 120] {
            let mut out = Vec::new();
            write(&told, Look { width, color: false }, &mut out).expect("writes");
            let page = String::from_utf8(out).expect("UTF-8");
            let widest = page.lines().map(columns).max();
            assert!(widest <= Some(width), "{widest:?} of {width}:\n{page}");
            let joined = page.split_whitespace().collect::<Vec<_>>().join(" ");
            assert!(joined.starts_with("Clock of He·ron from 40 prints of 36 jobs: "), "{page}");
            assert_eq!(joined.matches("1.023 times").count(), 2, "{page}");
            for part in ["a09 (line 11): took 0:27:59", "prints.csv: line 42: the row has 2 cells", "none is clear"] {
                assert!(joined.contains(part), "{part}:\n{page}");
            }
            assert!(!page.contains(|c: char| c.is_control() && c != '\n'));
        }
    }
}
