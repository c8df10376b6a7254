//! Verdicts, severities and acceptances as people see them: a shape, a word, a colour.

use anstyle::{AnsiColor, Style};

use crate::findings::{AcceptedWhy, Severity, Verdict};

/// Why a finding is accepted: `Accepted until 2027-01-31 by K.: reason`.
pub fn because(accepted: &AcceptedWhy) -> String {
    let until = accepted.until.as_ref().map(|day| format!(" until {day}")).unwrap_or_default();
    let by = accepted.by.as_ref().map(|by| format!(" by {by}")).unwrap_or_default();
    format!("Accepted{until}{by}: {}", accepted.because)
}

/// Shape and word of a verdict; both differ, so that colour is never the only sign.
pub fn verdict(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Go => "● go",
        Verdict::Hold => "◆ hold",
        Verdict::NoGo => "■ NO-GO",
    }
}

/// Colour of a verdict.
pub fn verdict_style(verdict: Verdict) -> Style {
    severity_style(match verdict {
        Verdict::Go => return AnsiColor::Green.on_default().bold(),
        Verdict::Hold => Severity::Hold,
        Verdict::NoGo => Severity::NoGo,
    })
}

/// Colour of a severity.
pub fn severity_style(severity: Severity) -> Style {
    match severity {
        Severity::Note => AnsiColor::Cyan.on_default(),
        Severity::Hold => AnsiColor::Yellow.on_default().bold(),
        Severity::NoGo => AnsiColor::Red.on_default().bold(),
    }
}

/// Shape in front of a finding.
pub fn severity_mark(severity: Severity) -> char {
    match severity {
        Severity::Note => '·',
        Severity::Hold => '◆',
        Severity::NoGo => '■',
    }
}

/// The text in a style, or as it is.
pub fn styled(text: &str, style: Style, color: bool) -> String {
    if color && !text.is_empty() { format!("{style}{text}{style:#}") } else { text.to_owned() }
}
