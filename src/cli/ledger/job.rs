//! One job of a ledger: what it is called, what was judged and decided, and what was printed of it.

use std::io::Write;

use anstyle::{Effects, Style};

use super::list::By;
use super::*;
use crate::service::ledger::Decided;
use crate::show::marks::styled;
use crate::wording::{bytes, clock, grouped, moment, safe, wrap};

/// Writes all of it.
pub fn write(ledger: &Ledger, job: &Named, look: Look, out: &mut dyn Write) -> anyhow::Result<()> {
    let (inspections, decisions) = (ledger.of_job(&job.digest)?, ledger.decisions(&job.digest)?);
    let prints = ledger.prints()?;
    let of_job = |print: &&Print| print.job_digest.as_ref() == Some(&job.digest);
    let prints: Vec<&Print> = prints.iter().map(|(_, print)| print).filter(of_job).collect();
    heading(&safe(&job.digest), look, out)?;
    let size = format!("{}, {} lines, first seen {} UTC", bytes(job.bytes), grouped(job.lines), moment(&job.seen_at));
    lines(&[size], look, out)?;
    let names: Vec<String> = job.paths.iter().map(|path| safe(path).into_owned()).collect();
    section("names", &names, look, out)?;
    writeln!(out)?;
    heading("inspections", look, out)?;
    list::write_rows(&inspections, By::Sheet, look, out)?;
    section("decisions", &decisions.iter().map(decision).collect::<Vec<_>>(), look, out)?;
    section("prints", &prints.iter().map(|print| printed(print)).collect::<Vec<_>>(), look, out)
}

fn heading(text: &str, look: Look, out: &mut dyn Write) -> anyhow::Result<()> {
    let style = Style::new().effects(Effects::BOLD);
    Ok(wrap(text, look.width).iter().try_for_each(|line| writeln!(out, "{}", styled(line, style, look.color)))?)
}

fn section(name: &str, of: &[String], look: Look, out: &mut dyn Write) -> anyhow::Result<()> {
    if of.is_empty() {
        return Ok(());
    }
    writeln!(out)?;
    heading(name, look, out)?;
    lines(of, look, out)
}

fn lines(of: &[String], look: Look, out: &mut dyn Write) -> anyhow::Result<()> {
    Ok(of.iter().flat_map(|line| wrap(line, look.width)).try_for_each(|line| writeln!(out, "{line}"))?)
}

fn decision(of: &Decided) -> String {
    let decision = &of.decision;
    let until = decision.until.map(|day| format!(" until {day}")).unwrap_or_default();
    let unsafe_too = if of.is_unsafe { ", an open no-go on heat or travel" } else { "" };
    let text = format!(
        "{} UTC  {} of no. {}{unsafe_too}{until} by {}: {}",
        moment(&of.decided_at),
        decision.choice.word(),
        of.inspection,
        decision.who,
        decision.reason
    );
    safe(&text).into_owned()
}

fn printed(print: &Print) -> String {
    let machine = print.machine.as_ref().map(|name| format!(" on {name}")).unwrap_or_default();
    let started =
        print.started.as_ref().map(|when| format!(", started {}", when.replace('T', " "))).unwrap_or_default();
    let aborted = if print.aborted { ", aborted" } else { "" };
    safe(&format!("{}{machine}{aborted}{started}", clock(print.measured_s))).into_owned()
}
