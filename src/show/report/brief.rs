//! One line a job, as soon as it is judged: the verdict, which job, and the time or the first reason.

use std::io::{self, Write};

use super::reasons::Reason;
use super::table::{UNJUDGED, Wanted};
use super::{Look, Report, reckoned};
use crate::findings::{Inspection, MachineFacts, Verdict};
use crate::show::marks::{styled, verdict, verdict_style};
use crate::study::matrix::{Judged, Totals};
use crate::wording::{counted, listed, path};

/// The renderer.
pub struct BriefReport {
    look: Look,
    wanted: Wanted,
    machines: Vec<String>,
}

impl BriefReport {
    /// A renderer for lines that look so, of jobs on these machines.
    pub fn new(look: Look, wanted: Wanted, machines: &[MachineFacts]) -> Self {
        Self { look, wanted, machines: super::matrix::labels(machines) }
    }

    fn word(&self, of: Verdict) -> String {
        styled(verdict(of), verdict_style(of), self.look.color)
    }

    /// What is said of a job on one machine: how long it takes, or why it should not.
    fn said(inspection: &Inspection) -> String {
        let said = match Reason::of(inspection, "", "") {
            Some(Reason { check, message, .. }) => format!("{} [{check}]", message.trim_end_matches('.')),
            None => match super::waiting_left_out(inspection) {
                Some(waiting) => format!("{}; {waiting}", reckoned(inspection)),
                None => reckoned(inspection),
            },
        };
        let accepted = match inspection.accepted_unsafe() {
            0 => String::new(),
            count => format!("UNSAFE, {} on heat or travel accepted; ", counted(count as u64, "no-go", "no-gos")),
        };
        let open = match &inspection.not_checked()[..] {
            [] => String::new(),
            open => format!("; not checked: {}", listed(open)),
        };
        format!("{accepted}{said}{open}")
    }

    fn line(&self, inspections: &[Inspection]) -> Option<String> {
        let best = inspections.iter().map(|inspection| inspection.verdict).min()?;
        let job = path(&inspections[0].job.path);
        if let [only] = inspections {
            return Some(format!("{} {job}: {}", self.word(best), Self::said(only)));
        }
        let on = |(inspection, machine): (&Inspection, &String)| {
            format!("{} on {machine}, {}", verdict(inspection.verdict), Self::said(inspection))
        };
        let each: Vec<String> = inspections.iter().zip(&self.machines).map(on).collect();
        Some(format!("{} {job}: {}", self.word(best), each.join("; ")))
    }
}

impl Report<Judged, Totals> for BriefReport {
    fn add(&mut self, judged: &Judged, out: &mut dyn Write) -> io::Result<()> {
        match judged {
            Ok(inspections) => {
                let worst = inspections.iter().map(|inspection| inspection.verdict).max();
                match self.line(inspections).filter(|_| self.wanted.names(worst)) {
                    Some(line) => writeln!(out, "{line}"),
                    None => Ok(()),
                }
            }
            Err(unjudged) => {
                let Reason { job, message, .. } =
                    Reason::unjudged(&unjudged.path, &path(&unjudged.path), &unjudged.error);
                writeln!(out, "{UNJUDGED} {job}: {message}")
            }
        }
    }

    fn finish(&mut self, _: &Totals, _: &mut dyn Write) -> io::Result<()> {
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::findings::sample;

    #[test]
    fn every_job_is_one_line() {
        let machines = [sample::go().machine, sample::hold().machine];
        let text = |jobs: &[Judged], wanted: Wanted| {
            let machines = &machines[..jobs[0].as_ref().map_or(1, Vec::len)];
            let mut report = BriefReport::new(Look { width: 40, color: false }, wanted, machines);
            let mut out = Vec::new();
            jobs.iter().for_each(|judged| report.add(judged, &mut out).expect("writes"));
            String::from_utf8(out).expect("UTF-8")
        };
        let jobs =
            [Ok(vec![sample::go()]), Ok(vec![sample::no_go()]), Err(sample::unjudged()), Ok(vec![sample::hostile()])];
        let all = text(&jobs, Wanted::default());
        assert_eq!(all.lines().count(), 4, "{all}");
        assert!(
            all.starts_with(
                "● go jobs/hook.gcode: 1 h 23 min 59 s\n■ NO-GO jobs/hook.gcode: line 20117, first on line 1204: "
            ),
            "{all}"
        );
        assert!(all.contains("\n? unread jobs/lost.gcode: cannot read"), "{all}");
        let bad = text(&jobs, Wanted { least: Some(Verdict::Hold), ..Wanted::default() });
        assert_eq!(bad.lines().count(), 3, "{bad}");
        let accepted = text(&[Ok(vec![sample::accepted()])], Wanted::default());
        assert!(accepted.contains(": UNSAFE, 1 no-go on heat or travel accepted; 1 h"), "{accepted}");
        let both = text(&[Ok(vec![sample::no_go(), sample::hold()])], Wanted::default());
        assert!(
            both.starts_with("◆ hold ") && both.contains("■ NO-GO on Heron") && both.lines().count() == 1,
            "{both}"
        );
    }
}
