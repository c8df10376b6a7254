//! The inspections of a ledger as a table, as JSON and as CSV.

use std::io::{self, Write};

use anyhow::Context;
use comfy_table::{ContentArrangement, Table, presets};
use schemars::JsonSchema;
use serde::Serialize;

use super::*;
use crate::findings::Verdict;
use crate::service::ledger::Listed;
use crate::show::marks;
use crate::show::report::{cells, csv, json};
use crate::wording::{clock, moment, safe, short_digest};

/// Writes all inspections of a ledger.
pub type Make = fn(&Ledger, Look, &mut dyn Write) -> anyhow::Result<()>;

/// How they can be listed.
pub const FORMATS: &[Offer<Make>] = &[
    offer(&format::TEXT, write_page),
    offer(&format::JSON, |ledger, _, out| write_json(ledger, out)),
    offer(&format::CSV, |ledger, _, out| write_short(ledger, out)),
];

/// Lists them on standard output.
pub fn run(ledger: &Ledger, format: &Offer<Make>, terminal: &Terminal) -> anyhow::Result<()> {
    let look = terminal.stdout_look();
    let is_page = format.format.is_page;
    let mut output = Output::stdout(if is_page { Content::Page { color: look.color } } else { Content::Data });
    (format.make)(ledger, look, &mut output)?;
    output.finish().context("cannot write the list")
}

fn write_page(ledger: &Ledger, look: Look, out: &mut dyn Write) -> anyhow::Result<()> {
    let listed = all(ledger)?;
    writeln!(
        out,
        "{} in {}\n",
        counted(listed.len() as u64, "inspection", "inspections"),
        safe(&ledger.path().display().to_string())
    )?;
    if !listed.is_empty() {
        write_rows(&listed, By::Job, look, out)?;
    }
    Ok(())
}

/// What tells the rows of a list apart.
#[derive(Clone, Copy, PartialEq, Eq)]
pub enum By {
    /// The job.
    Job,
    /// The version of the sheet, where all are of one job.
    Sheet,
}

/// The rows that people read, one for each inspection.
pub fn write_rows(listed: &[Listed], by: By, look: Look, out: &mut dyn Write) -> io::Result<()> {
    let mut table = Table::new();
    table.load_style(presets::NOTHING).set_content_arrangement(ContentArrangement::Dynamic);
    table.set_width(u16::try_from(look.width).unwrap_or(u16::MAX));
    table.set_header(["no.", "judged (UTC)", "verdict", "job", "machine", "h:mm:ss"]);
    for of in listed {
        let accepted = if of.has_accepted { ", accepted findings" } else { "" };
        let decision = of.decision.as_ref().map(|word| format!(", decided: {word}")).unwrap_or_default();
        let with_digest = |name: &str, digest: &str, is_wanted: bool| match is_wanted {
            true => safe(&format!("{name} ({})", short_digest(digest))).into_owned(),
            false => safe(name).into_owned(),
        };
        table.add_row([
            of.id.to_string(),
            moment(&of.judged_at),
            format!("{}{accepted}{decision}", mark(&of.verdict)),
            with_digest(name(of), &of.job_digest, by == By::Job),
            with_digest(&of.machine, &of.sheet_digest, by == By::Sheet),
            time_s(of).map(clock).unwrap_or_default(),
        ]);
    }
    for column in table.column_iter_mut() {
        column.set_padding((0, 2));
    }
    table.lines().try_for_each(|line| writeln!(out, "{}", line.trim_end()))
}

/// The name of the job's file; that of standard input is empty.
fn name(of: &Listed) -> &str {
    if of.file_name.is_empty() { "-" } else { &of.file_name }
}

/// Shape and word of a verdict.
fn mark(word: &str) -> String {
    Verdict::called(word).map_or_else(|| safe(word).into_owned(), |known| marks::verdict(known).to_owned())
}

/// The time to reckon with, s: that of the clock, else that of the plan.
fn time_s(of: &Listed) -> Option<f64> {
    let figure = |name: &str| of.figures.get(name).and_then(serde_json::Value::as_f64);
    figure("time_expected_s").or_else(|| figure("time_total_s"))
}

/// Name and version of the shape.
const SCHEMA: &str = "gonogo.ledger/1";

/// The inspections of a ledger.
#[derive(Serialize, JsonSchema)]
#[schemars(title = "gonogo ledger list")]
struct List<'a> {
    /// Name and version of the shape.
    #[schemars(extend("const" = SCHEMA))]
    schema: &'static str,
    /// The newest first.
    inspections: &'a [Listed],
}

/// The published JSON Schema of the list.
pub fn schema() -> schemars::Schema {
    schemars::schema_for!(List<'_>)
}

fn write_json(ledger: &Ledger, out: &mut dyn Write) -> anyhow::Result<()> {
    json::write_value(&List { schema: SCHEMA, inspections: &all(ledger)? }, true, out)?;
    Ok(writeln!(out)?)
}

/// The columns of the list.
const SHORT: [&str; 10] = [
    "id",
    "judged_at",
    "verdict",
    "file_name",
    "machine",
    "time_s",
    "has_accepted",
    "decision",
    "job_digest",
    "sheet_digest",
];

fn write_short(ledger: &Ledger, out: &mut dyn Write) -> anyhow::Result<()> {
    cells::row(&SHORT.map(str::to_owned), out)?;
    ledger.list(|of| -> anyhow::Result<()> {
        let row = [
            of.id.to_string(),
            of.judged_at.clone(),
            of.verdict.clone(),
            cells::text(&of.file_name),
            cells::text(&of.machine),
            cells::number(time_s(&of)),
            of.has_accepted.to_string(),
            of.decision.clone().unwrap_or_default(),
            of.job_digest.clone(),
            of.sheet_digest.clone(),
        ];
        Ok(cells::row(&row, out)?)
    })
}

/// Columns of the table behind those of the CSV report.
const BEHIND: [&str; 5] = ["job_digest", "sheet_digest", "judged_at", "model", "decision"];

/// Writes the table of `gonogo ledger export`.
pub fn write_table(ledger: &Ledger, out: &mut dyn Write) -> anyhow::Result<()> {
    let names: Vec<String> = csv::names().chain(BEHIND).map(str::to_owned).collect();
    cells::row(&names, out)?;
    ledger.list(|of| -> anyhow::Result<()> {
        let behind = [of.job_digest, of.sheet_digest, of.judged_at, of.model, of.decision.unwrap_or_default()];
        let row: Vec<String> = csv::kept_cells(&of.figures).chain(behind).collect();
        Ok(cells::row(&row, out)?)
    })
}

fn all(ledger: &Ledger) -> Result<Vec<Listed>, LedgerError> {
    let mut all = Vec::new();
    ledger.list(|of| -> Result<(), LedgerError> {
        all.push(of);
        Ok(())
    })?;
    Ok(all)
}
