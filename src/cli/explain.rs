//! `gonogo explain`.

use std::io::{self, Write};

use anstyle::{Effects, Style};
use anyhow::bail;
use clap::Args;

use super::Exit;
use super::output::{Content, Output};
use super::terminal::Terminal;
use crate::checks::CATALOGUE;
use crate::findings::Check;
use crate::show::{
    marks::{severity_style, styled},
    report::Look,
};
use crate::wording::{columns, wrap, wrap_paragraphs};

const EXAMPLES: &str = "\
Examples:
  gonogo explain                list the checks
  gonogo explain CHECK          what it finds, why it matters, how it is computed, what to do";

/// Most suggestions for an id that does not exist.
const SUGGESTED: usize = 3;
/// How alike a suggestion is at least, from 0 to 1.
const ALIKE: f64 = 0.75;

/// Explain a check, or list all of them.
#[derive(Debug, Args)]
#[command(after_help = EXAMPLES)]
pub struct ExplainArgs {
    /// Id of the check, as in a report.
    #[arg(value_name = "CHECK")]
    check: Option<String>,
}

/// Runs the command.
pub fn run(args: &ExplainArgs, terminal: &Terminal) -> anyhow::Result<Exit> {
    let look = terminal.stdout_look();
    let mut output = Output::stdout(Content::Page { color: look.color });
    match args.check.as_deref() {
        None => list(CATALOGUE, look, &mut output)?,
        Some(id) => match CATALOGUE.iter().find(|check| check.id == id) {
            Some(check) => explain(check, look, &mut output)?,
            None => bail!("{}", unknown(id, CATALOGUE)),
        },
    }
    output.finish()?;
    Ok(Exit::Passed)
}

fn list(checks: &[&Check], look: Look, out: &mut dyn Write) -> io::Result<()> {
    let widest = checks.iter().map(|check| columns(check.id)).max().unwrap_or(0);
    // Id, two spaces, severity (5), two spaces.
    let lead = widest + 9;
    let beside = look.width >= lead + 30;
    for check in checks {
        let severity = styled(&format!("{:<5}", check.severity), severity_style(check.severity), look.color);
        if !beside {
            writeln!(out, "{}  {}", check.id, severity.trim_end())?;
            for line in wrap(check.summary, look.width.saturating_sub(2)) {
                writeln!(out, "  {line}")?;
            }
            continue;
        }
        for (index, line) in wrap(check.summary, look.width - lead).iter().enumerate() {
            if index == 0 {
                writeln!(out, "{:<widest$}  {severity}  {line}", check.id)?;
            } else {
                writeln!(out, "{:lead$}{line}", "")?;
            }
        }
    }
    Ok(())
}

fn explain(check: &Check, look: Look, out: &mut dyn Write) -> io::Result<()> {
    let id = styled(check.id, Style::new().effects(Effects::BOLD), look.color);
    let severity = styled(check.severity.word(), severity_style(check.severity), look.color);
    writeln!(out, "{id}  {severity}")?;
    for line in wrap(check.summary, look.width) {
        writeln!(out, "{line}")?;
    }
    writeln!(out)?;
    for line in wrap_paragraphs(&check.explain.text(), look.width) {
        writeln!(out, "{line}")?;
    }
    Ok(())
}

/// Says that there is no such check, and which ones may be meant.
pub fn unknown(id: &str, checks: &[&Check]) -> String {
    let mut alike: Vec<(f64, &str)> =
        checks.iter().map(|check| (strsim::jaro_winkler(&id.to_lowercase(), check.id), check.id)).collect();
    alike.retain(|(likeness, _)| *likeness >= ALIKE);
    alike.sort_by(|a, b| b.0.total_cmp(&a.0));
    let suggested: Vec<&str> = alike.iter().take(SUGGESTED).map(|(_, id)| *id).collect();
    if suggested.is_empty() {
        format!("there is no check `{id}`; `gonogo explain` lists them")
    } else {
        format!("there is no check `{id}`; did you mean {}?", suggested.join(" or "))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::findings::{Built, Explanation, Severity};

    const TRAVEL: Check = Check {
        id: "outside-travel",
        topic: "a topic",
        severity: Severity::NoGo,
        summary: "The nozzle is sent where the axes do not reach.",
        explain: Explanation {
            what: "Every end point is held against the travel in the sheet.",
            why: "The carriage runs against the frame.",
            how: "x < travel.min.x",
            remedy: "Move the part.",
        },
        heat_or_travel: true,
        timed: false,
        unchecked: None,
        build: |_, _| Built::WithOthers,
    };
    const COLD: Check = Check {
        id: "cold-extrusion",
        topic: "a topic",
        severity: Severity::Hold,
        summary: "Filament is pushed below the temperature at which it may be.",
        ..TRAVEL
    };
    const CHECKS: &[&Check] = &[&TRAVEL, &COLD];

    fn text(act: impl Fn(&mut dyn Write) -> io::Result<()>) -> String {
        let mut out = Vec::new();
        act(&mut out).expect("writes");
        String::from_utf8(out).expect("UTF-8")
    }

    #[test]
    fn lists_side_by_side_or_stacked() {
        snapbox::assert_data_eq!(
            text(|out| list(CHECKS, Look { width: 60, color: false }, out)),
            snapbox::str![[r#"
outside-travel  no-go  The nozzle is sent where the axes do
                       not reach.
cold-extrusion  hold   Filament is pushed below the
                       temperature at which it may be.

"#]]
        );
        snapbox::assert_data_eq!(
            text(|out| list(CHECKS, Look { width: 40, color: false }, out)),
            snapbox::str![[r#"
outside-travel  no-go
  The nozzle is sent where the axes do
  not reach.
cold-extrusion  hold
  Filament is pushed below the
  temperature at which it may be.

"#]]
        );
    }

    #[test]
    fn explains_with_examples_left_alone() {
        snapbox::assert_data_eq!(
            text(|out| explain(&TRAVEL, Look { width: 60, color: false }, out)),
            snapbox::str![[r#"
outside-travel  no-go
The nozzle is sent where the axes do not reach.

What: Every end point is held against the travel in the
sheet.

Why it matters: The carriage runs against the frame.

How it is computed: x < travel.min.x

What to do: Move the part.

"#]]
        );
    }

    #[test]
    fn suggests_what_is_alike() {
        assert_eq!(
            unknown("outside-travle", CHECKS),
            "there is no check `outside-travle`; did you mean outside-travel?"
        );
        assert_eq!(unknown("zzz", CHECKS), "there is no check `zzz`; `gonogo explain` lists them");
    }
}
