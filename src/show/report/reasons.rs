//! Why jobs are not go: those that share a reason are told together, with the first of them as the example.

use std::io::{self, Write};

use anstyle::Style;

use super::page::{marked, paragraph};
use super::table::UNJUDGED;
use super::{Look, deciding};
use crate::findings::{Inspection, Verdict};
use crate::show::marks::{verdict, verdict_style};
use crate::wording::{counted, safe, units};

/// Most reasons and most further jobs of a reason that a short report names.
const REASONS: usize = 8;
const NAMES: usize = 5;

/// Why one job is not go.
pub(super) struct Reason {
    /// None where it could not be judged.
    pub(super) verdict: Option<Verdict>,
    /// What those that are told together have in common.
    pub(super) alike: String,
    /// The check that says so; empty where it could not be judged.
    pub(super) check: String,
    /// Where; empty where that is clear.
    pub(super) on: String,
    pub(super) job: String,
    pub(super) message: String,
}

impl Reason {
    /// The first finding that decides the verdict; none for a go.
    pub(super) fn of(inspection: &Inspection, job: &str, on: &str) -> Option<Self> {
        let finding = deciding(inspection).next()?;
        let place = super::text::place(finding).map_or(String::new(), |place| format!("{place}: "));
        Some(Self {
            verdict: Some(inspection.verdict),
            alike: finding.check.to_string(),
            check: safe(&finding.check).into_owned(),
            on: on.to_owned(),
            job: job.to_owned(),
            message: place
                + units(&plain(&finding.message)).trim_end_matches('.')
                + &super::text::others(inspection, finding),
        })
    }

    /// Of a job at `path` that could not be judged.
    pub(super) fn unjudged(path: &str, job: &str, error: &str) -> Self {
        Self {
            verdict: None,
            alike: error.replace(path, ""),
            check: String::new(),
            on: String::new(),
            job: job.to_owned(),
            message: plain(error),
        }
    }

    fn is_like(&self, other: &Self) -> bool {
        (self.verdict, &self.alike, &self.on) == (other.verdict, &other.alike, &other.on)
    }
}

/// Safe text on one line.
pub(super) fn plain(text: &str) -> String {
    safe(&text.split_whitespace().collect::<Vec<_>>().join(" ")).into_owned()
}

/// Writes the reasons, the worst first, and an empty line; nothing where there is none. With `details` no job is left out, and
/// never one that could not be judged: nobody else tells of it.
pub(super) fn write(reasons: &[&Reason], details: bool, look: Look, out: &mut dyn Write) -> io::Result<()> {
    let groups = groups(reasons);
    let unjudged = groups.iter().take_while(|group| group[0].verdict.is_none()).count();
    let shown = if details { groups.len() } else { groups.len().min(REASONS.max(unjudged)) };
    for group in &groups[..shown] {
        item(group, details, look, out)?;
    }
    let more = &groups[shown..];
    if !more.is_empty() {
        let reasons = counted(more.len() as u64, "more reason", "more reasons");
        let jobs = counted(more.iter().map(Vec::len).sum::<usize>() as u64, "job", "jobs");
        paragraph(&format!("and {reasons} with {jobs}: --details names them"), Style::new(), look, out)?;
    }
    if groups.is_empty() { Ok(()) } else { writeln!(out) }
}

/// Reasons that are alike, the worst first, else as they come.
fn groups<'r>(reasons: &[&'r Reason]) -> Vec<Vec<&'r Reason>> {
    let mut groups: Vec<Vec<&Reason>> = Vec::new();
    for reason in reasons {
        match groups.iter_mut().find(|group| group[0].is_like(reason)) {
            Some(group) => group.push(reason),
            None => groups.push(vec![reason]),
        }
    }
    groups.sort_by_key(|group| std::cmp::Reverse(weight(group[0].verdict)));
    groups
}

/// What comes first: what could not be judged may be anything.
pub(super) fn weight(verdict: Option<Verdict>) -> u8 {
    match verdict {
        None => 3,
        Some(verdict) => verdict as u8,
    }
}

fn item(group: &[&Reason], details: bool, look: Look, out: &mut dyn Write) -> io::Result<()> {
    let first = group[0];
    let word = first.verdict.map_or(UNJUDGED, verdict);
    let (mark, word) = word.split_once(' ').unwrap_or((word, ""));
    let on = if first.on.is_empty() { String::new() } else { format!(" on {}", first.on) };
    let message = first.message.trim_end_matches('.');
    let text = match group {
        [_] if first.check.is_empty() => format!("{word} {}: {message}.", first.job),
        [_] => format!("{word} {}{on}: {message}. [{}]", first.job, first.check),
        [_, others @ ..] => {
            let most = if details || first.verdict.is_none() { others.len() } else { NAMES };
            let mut named: Vec<&str> = others.iter().take(most).map(|reason| reason.job.as_str()).collect();
            let more = others.len() - named.len();
            let rest = format!("{more} more");
            if more > 0 {
                named.push(&rest);
            }
            let jobs = counted(group.len() as u64, "job", "jobs");
            let check = if first.check.is_empty() { String::new() } else { format!(", {}", first.check) };
            format!("{word} {jobs}{on}{check}. {}: {message}. Also {}.", first.job, crate::wording::listed(&named))
        }
        [] => return Ok(()),
    };
    marked(mark, first.verdict.map(verdict_style).unwrap_or_default(), &text, look, out)
}

/// The folder that all paths have in common, with its slash; empty for a single path.
pub(crate) fn common_folder(paths: &[String]) -> String {
    let Some((first, others)) = paths.split_first().filter(|(_, others)| !others.is_empty()) else {
        return String::new();
    };
    let folder = |path: &str| path.rfind('/').map_or(0, |slash| slash + 1);
    let mut common = &first[..folder(first)];
    for path in others {
        while !path.starts_with(common) {
            common = &common[..folder(&common[..common.len() - 1])];
        }
    }
    common.to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_common_folder_ends_at_a_slash() {
        let of = |paths: &[&str]| common_folder(&paths.iter().map(|path| (*path).to_owned()).collect::<Vec<_>>());
        assert_eq!(of(&["jobs/a/x.gcode", "jobs/ab/y.gcode"]), "jobs/");
        assert_eq!(of(&["jobs/x.gcode", "jobs/x.gcode.bak"]), "jobs/");
        assert_eq!(of(&["/a.g", "/b.g"]), "/");
        assert_eq!(of(&["a.g", "b/a.g"]), "");
        assert_eq!((of(&["jobs/a.g"]), of(&[])), (String::new(), String::new()));
    }

    #[test]
    fn equal_reasons_are_told_once_and_the_worst_first() {
        let reason = |verdict, check: &str, job: usize| Reason {
            verdict: Some(verdict),
            alike: check.to_owned(),
            check: check.to_owned(),
            on: String::new(),
            job: format!("{job}.gcode"),
            message: format!("line {job}: too hot."),
        };
        let mut reasons: Vec<Reason> = (0..94).map(|job| reason(Verdict::Hold, "extrudes-cold", job)).collect();
        reasons.push(reason(Verdict::NoGo, "outside-travel", 94));
        let reasons: Vec<&Reason> = reasons.iter().collect();
        let text = |details| {
            let mut out = Vec::new();
            write(&reasons, details, Look { width: 80, color: false }, &mut out).expect("writes");
            String::from_utf8(out).expect("UTF-8")
        };
        snapbox::assert_data_eq!(
            text(false),
            snapbox::str![[r#"
■ NO-GO 94.gcode: line 94: too hot. [outside-travel]
◆ hold 94 jobs, extrudes-cold. 0.gcode: line 0: too hot. Also 1.gcode, 2.gcode,
  3.gcode, 4.gcode, 5.gcode and 88 more.


"#]]
        );
        assert!(text(true).contains("92.gcode and 93.gcode."));
    }

    #[test]
    fn no_job_that_could_not_be_judged_is_left_out() {
        let job = |n: usize, why: &str| {
            let path = format!("{n}.gcode");
            Reason::unjudged(&path, &path, &format!("cannot read {path}: {why}"))
        };
        let gone = (0..20).map(|n| job(n, "gone"));
        let torn = (20..40).map(|n| job(n, &format!("torn at {n}")));
        let reasons: Vec<Reason> = gone.chain(torn).collect();
        let mut out = Vec::new();
        let look = Look { width: 80, color: false };
        write(&reasons.iter().collect::<Vec<_>>(), false, look, &mut out).expect("writes");
        let text = String::from_utf8(out).expect("UTF-8");
        for n in 0..40 {
            assert!(text.contains(&format!(" {n}.gcode")), "{n}: {text}");
        }
        assert!(text.contains("torn at 39") && !text.contains("more"), "{text}");
    }
}
