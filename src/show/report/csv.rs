//! Checks as a table for programs that calculate with tables: one row per job and machine, in the order given.

use std::borrow::Cow;
use std::io::{self, Write};
use std::sync::LazyLock;

use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::{Serialize, Serializer};

use super::matrix::labels;
use super::{Report, cells, count, open};
use crate::findings::{Finding, Inspection, MachineFacts, Severity, Unjudged};
use crate::study::{
    compare::FIGURES,
    matrix::{Judged, Totals},
};

/// What a cell of a column is, for programs that know kinds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Words.
    Text,
    /// A whole number that is not negative.
    Count,
    /// Any number, in the unit at the end of the column's name.
    Number,
}

/// A cell of a row.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(untagged)]
enum Cell {
    Text(String),
    Count(u64),
    Number(f64),
    /// Null in JSON, nothing in CSV.
    Empty,
}

impl Cell {
    fn text(text: &str) -> Self {
        if text.is_empty() { Self::Empty } else { Self::Text(text.to_owned()) }
    }

    fn count(value: Option<u64>) -> Self {
        value.map_or(Self::Empty, Self::Count)
    }

    fn number(value: Option<f64>) -> Self {
        value.filter(|value| value.is_finite()).map_or(Self::Empty, Self::Number)
    }

    fn into_csv(self) -> String {
        match self {
            Self::Text(text) => text,
            Self::Count(count) => count.to_string(),
            Self::Number(number) => cells::number(Some(number)),
            Self::Empty => String::new(),
        }
    }
}

/// A column: its name, the unit last, its kind and what it holds.
type Column = (&'static str, Kind, fn(&Inspection) -> Cell);

/// Columns behind those of the figures that are compared too.
const COLUMNS: [Column; 13] = [
    ("pauses", Kind::Count, |of| Cell::Count(of.pauses)),
    ("layers", Kind::Count, |of| Cell::Count(of.layers_total)),
    ("filament_net_mm", Kind::Number, |of| Cell::number(Some(of.filament.net_mm))),
    ("filament_net_g", Kind::Number, |of| Cell::number(of.filament.net_g)),
    ("nozzle_max_c", Kind::Number, |of| Cell::number(of.heat.nozzle_max_c)),
    ("bed_max_c", Kind::Number, |of| Cell::number(of.heat.bed_max_c)),
    ("findings_no_go", Kind::Count, |of| Cell::Count(count(of, Severity::NoGo) as u64)),
    ("findings_hold", Kind::Count, |of| Cell::Count(count(of, Severity::Hold) as u64)),
    ("findings_note", Kind::Count, |of| Cell::Count(count(of, Severity::Note) as u64)),
    ("findings_accepted", Kind::Count, |of| Cell::Count((of.findings.len() - open(of).count()) as u64)),
    ("findings_accepted_unsafe", Kind::Count, |of| Cell::Count(of.accepted_unsafe() as u64)),
    ("worst_check", Kind::Text, |of| Cell::text(worst(of).map_or("", |worst| &worst.check))),
    ("worst_line", Kind::Count, |of| Cell::count(worst(of).and_then(|worst| worst.line))),
];

/// Columns at the very end, so that all others stay where they were: what the clock says, the energy, and what the sustained
/// melt rate is held against, widths of lines; empty where the sheet does not tell.
const BEHIND_ERRORS: [Column; 11] = [
    ("time_expected_s", Kind::Number, |of| Cell::number(of.wall_time.map(|time| time.expected_s))),
    ("time_low_s", Kind::Number, |of| Cell::number(of.wall_time.map(|time| time.low_s))),
    ("time_high_s", Kind::Number, |of| Cell::number(of.wall_time.map(|time| time.high_s))),
    ("energy_wh", Kind::Number, |of| Cell::number(of.energy.map(|energy| energy.used_wh))),
    ("power_mean_w", Kind::Number, |of| Cell::number(of.energy.map(|energy| energy.mean_w))),
    ("power_peak_w", Kind::Number, |of| Cell::number(of.energy.map(|energy| energy.peak_w))),
    ("melt_capacity_sustained_mm3_s", Kind::Number, |of| Cell::number(of.capacity.sustained_mm3_s)),
    ("line_wide_mm", Kind::Number, |of| Cell::number(of.widths.map(|widths| widths.wide_mm))),
    ("line_thin_mm", Kind::Number, |of| Cell::number(of.widths.map(|widths| widths.thin_mm))),
    ("bulge_most_mm3", Kind::Number, |of| Cell::number(of.widths.map(|widths| widths.bulge_mm3))),
    ("line_start_least", Kind::Number, |of| Cell::number(of.widths.and_then(|widths| widths.start_share))),
];

/// Names and kinds of all columns, in their order.
static NAMED: LazyLock<Vec<(String, Kind)>> = LazyLock::new(|| {
    let text = |name: &str| (name.to_owned(), Kind::Text);
    let table = |columns: &[Column]| columns.iter().map(|(name, kind, _)| ((*name).to_owned(), *kind)).collect();
    let figures = FIGURES.iter().map(|figure| (format!("{}_{}", figure.id, figure.unit), Kind::Number));
    let parts: [Vec<_>; 5] = [
        ["job", "machine", "sheet", "verdict"].map(text).to_vec(),
        figures.collect(),
        table(&COLUMNS),
        vec![text("error")],
        table(&BEHIND_ERRORS),
    ];
    parts.concat()
});

/// The row of a job on a machine as an object of its columns by name: the same texts and numbers as in CSV, null where a
/// cell is empty.
pub struct Row(Vec<Cell>);

impl Row {
    /// The row of a job that was judged on the machine of that label (see [`labels`]).
    pub fn of(inspection: &Inspection, label: &str) -> Self {
        let mut cells = place(&inspection.job.path, label, &inspection.machine.source).to_vec();
        cells.push(Cell::text(inspection.verdict.word()));
        cells.extend(FIGURES.iter().map(|figure| Cell::number((figure.of)(inspection))));
        cells.extend(COLUMNS.iter().map(|(.., of)| of(inspection)));
        cells.push(Cell::Empty);
        cells.extend(BEHIND_ERRORS.iter().map(|(.., of)| of(inspection)));
        Self(cells)
    }

    /// The row of a job that could not be judged on the machine of that label and sheet.
    pub fn unjudged(unjudged: &Unjudged, label: &str, sheet: &str) -> Self {
        let mut cells = place(&unjudged.path, label, sheet).to_vec();
        cells.resize(cells.len() + 1 + FIGURES.len() + COLUMNS.len(), Cell::Empty);
        cells.push(Cell::text(&cells::text(&unjudged.error)));
        cells.resize(cells.len() + BEHIND_ERRORS.len(), Cell::Empty);
        Self(cells)
    }
}

impl Serialize for Row {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_map(NAMED.iter().map(|(name, _)| name).zip(&self.0))
    }
}

impl JsonSchema for Row {
    fn schema_name() -> Cow<'static, str> {
        "Row".into()
    }

    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        let property = |(name, kind): &(String, Kind)| {
            let of = match kind {
                Kind::Text => serde_json::json!({ "type": ["string", "null"] }),
                Kind::Count => serde_json::json!({ "type": ["integer", "null"], "minimum": 0 }),
                Kind::Number => serde_json::json!({ "type": ["number", "null"] }),
            };
            (name.clone(), of)
        };
        let names: Vec<&String> = NAMED.iter().map(|(name, _)| name).collect();
        json_schema!({
            "description": "A job on a machine: the columns of the CSV of `gonogo check`, null where a cell is empty.",
            "type": "object",
            "properties": NAMED.iter().map(property).collect::<serde_json::Map<_, _>>(),
            "required": names,
            "additionalProperties": false,
        })
    }
}

/// The names of all columns, in their order.
pub fn names() -> impl Iterator<Item = &'static str> {
    NAMED.iter().map(|(name, _)| name.as_str())
}

/// The cells of a row that was kept as an object, as [`Row`] is written; nothing for columns that it does not know.
pub fn kept_cells(row: &serde_json::Map<String, serde_json::Value>) -> impl Iterator<Item = String> {
    names().map(|name| match row.get(name) {
        Some(serde_json::Value::String(text)) => cells::text(text),
        Some(serde_json::Value::Number(number)) => match number.as_u64() {
            Some(count) => count.to_string(),
            None => cells::number(number.as_f64()),
        },
        _ => String::new(),
    })
}

/// The cells in front: which job on which machine.
fn place(path: &str, label: &str, sheet: &str) -> [Cell; 3] {
    [path, label, sheet].map(|text| Cell::text(&cells::text(text)))
}

/// The worst finding that nobody accepted: worst severity first, then by line.
fn worst(inspection: &Inspection) -> Option<&Finding> {
    open(inspection).next()
}

/// The CSV renderer.
pub struct CsvReport {
    machines: Vec<MachineFacts>,
    labels: Vec<String>,
    /// The header is written, or is not wanted.
    started: bool,
}

impl CsvReport {
    /// For jobs that are judged on these machines.
    pub fn new(machines: Vec<MachineFacts>) -> Self {
        Self { labels: labels(&machines), machines, started: false }
    }

    /// Without its header: to be put behind rows that have one.
    pub fn without_header(self) -> Self {
        Self { started: true, ..self }
    }

    fn start(&mut self, out: &mut dyn Write) -> io::Result<()> {
        if std::mem::replace(&mut self.started, true) {
            return Ok(());
        }
        let names: Vec<String> = NAMED.iter().map(|(name, _)| name.clone()).collect();
        cells::row(&names, out)
    }
}

fn write(row: Row, out: &mut dyn Write) -> io::Result<()> {
    let cells: Vec<String> = row.0.into_iter().map(Cell::into_csv).collect();
    cells::row(&cells, out)
}

impl Report<Judged, Totals> for CsvReport {
    fn add(&mut self, judged: &Judged, out: &mut dyn Write) -> io::Result<()> {
        self.start(out)?;
        match judged {
            Ok(inspections) => (inspections.iter().zip(&self.labels))
                .try_for_each(|(inspection, label)| write(Row::of(inspection, label), out)),
            Err(unjudged) => (self.machines.iter().zip(&self.labels))
                .try_for_each(|(machine, label)| write(Row::unjudged(unjudged, label, &machine.source), out)),
        }
    }

    fn finish(&mut self, _totals: &Totals, out: &mut dyn Write) -> io::Result<()> {
        self.start(out)
    }
}

#[cfg(test)]
mod tests {
    use super::super::matrix::samples;
    use super::*;
    use crate::findings::sample;

    fn rows(text: &[u8]) -> Vec<std::collections::BTreeMap<String, String>> {
        let mut reader = csv::Reader::from_reader(text);
        reader.deserialize().map(|row| row.expect("a row with every column")).collect()
    }

    #[test]
    fn one_row_per_job_and_machine() {
        let mut report = CsvReport::new(samples::machines());
        let (mut out, jobs) = (Vec::new(), samples::all());
        jobs.iter().for_each(|judged| Report::add(&mut report, judged, &mut out).expect("writes"));
        Report::finish(&mut report, &samples::totals(&jobs), &mut out).expect("writes");
        let rows = rows(&out);
        assert_eq!(rows.len(), 12);
        let verdicts: Vec<&str> = rows.iter().map(|row| row["verdict"].as_str()).collect();
        assert_eq!(verdicts[..9], ["go", "no-go", "hold", "no-go", "no-go", "no-go", "", "", ""]);
        assert_eq!(rows[1]["machine"], "Wren (attic/wren.toml)");
        assert_eq!(rows[8]["machine"], "Wren (cellar/wren.toml)");
        assert!(rows[8]["error"].contains("no such file") && rows[7]["error"].contains("no such file"));
        let text = String::from_utf8(out).expect("UTF-8");
        assert!(!text.contains(|c: char| c.is_control() && c != '\n'), "{text:?}");
    }

    #[test]
    fn accepted_findings_are_counted_and_never_the_worst() {
        let mut out = Vec::new();
        let of = sample::accepted();
        Report::add(&mut CsvReport::new(vec![of.machine.clone()]), &Ok(vec![of.clone()]), &mut out).expect("writes");
        let row = &rows(&out)[0];
        let names = ["findings_no_go", "findings_accepted", "findings_accepted_unsafe", "worst_check", "worst_line"];
        assert_eq!(names.map(|name| row[name].as_str()), ["0", "2", "1", "unknown-command", "12"]);
        assert_eq!(of.findings[0].check, "melt-rate-over-capacity", "it is the worst, but accepted");
    }

    #[test]
    fn one_machine_gives_the_same_rows_and_a_header_always() {
        let mut report = CsvReport::new(vec![sample::go().machine]);
        let mut out = Vec::new();
        let mut odd = sample::no_go();
        odd.job.path = "=cmd,\"a\".gcode".to_owned();
        report.add(&Ok(vec![odd]), &mut out).expect("writes");
        report.add(&Err(sample::unjudged()), &mut out).expect("writes");
        report.finish(&samples::totals_of_none(), &mut out).expect("writes");
        let rows = rows(&out);
        let first = ["job", "worst_check", "worst_line", "findings_no_go", "findings_note", "melt_rate_peak_mm3_s"];
        assert_eq!(
            first.map(|name| rows[0][name].as_str()),
            ["'=cmd,\"a\".gcode", "melt-rate-over-capacity", "1204", "1", "2", "15.45"]
        );
        assert_eq!(rows[0]["time_total_s"], sample::go().time_s.total().to_string());
        assert_eq!((rows.len(), rows[1]["job"].as_str()), (2, "jobs/lost.gcode"));
        assert_eq!(["time_expected_s", "time_low_s", "time_high_s"].map(|name| rows[0][name].as_str()), ["", "", ""]);
        let mut clocked = Vec::new();
        let of = sample::hold();
        Report::add(&mut CsvReport::new(vec![of.machine.clone()]), &Ok(vec![of]), &mut clocked).expect("writes");
        let row = &self::rows(&clocked)[0];
        assert_eq!(
            ["time_expected_s", "time_low_s", "time_high_s"].map(|name| row[name].as_str()),
            ["5460", "5270", "5650"]
        );
        let mut none = Vec::new();
        CsvReport::new(samples::machines()).finish(&samples::totals_of_none(), &mut none).expect("writes");
        assert!(
            none.starts_with(b"job,machine,sheet,verdict,time_total_s,")
                && none.ends_with(
                    b",error,time_expected_s,time_low_s,time_high_s,energy_wh,power_mean_w,power_peak_w,\
                      melt_capacity_sustained_mm3_s,line_wide_mm,line_thin_mm,bulge_most_mm3,line_start_least\n"
                )
        );
    }
    #[test]
    fn a_row_by_its_names_holds_what_csv_holds() {
        let schema = schemars::schema_for!(Row);
        let validator = jsonschema::validator_for(schema.as_value()).expect("the schema is one");
        for of in [sample::go(), sample::no_go(), sample::hold(), sample::empty(), sample::hostile()] {
            let mut out = Vec::new();
            let mut report = CsvReport::new(vec![of.machine.clone()]);
            Report::add(&mut report, &Ok(vec![of.clone()]), &mut out).expect("writes");
            let label = labels(std::slice::from_ref(&of.machine)).swap_remove(0);
            let row = serde_json::to_value(Row::of(&of, &label)).expect("JSON");
            let faults: Vec<String> = validator.iter_errors(&row).map(|fault| fault.to_string()).collect();
            assert_eq!(faults, Vec::<String>::new());
            let cells = &rows(&out)[0];
            // Written and read again it is still the same row.
            let kept: serde_json::Value = serde_json::from_str(&row.to_string()).expect("JSON");
            let kept: Vec<String> = kept_cells(kept.as_object().expect("an object")).collect();
            assert_eq!(kept, names().map(|name| cells[name].clone()).collect::<Vec<_>>());
            assert_eq!(row.as_object().map(serde_json::Map::len), Some(cells.len()));
            for (name, cell) in cells {
                match &row[name] {
                    serde_json::Value::Null => assert_eq!(cell, "", "{name}"),
                    serde_json::Value::Number(number) => assert_eq!(number.as_f64(), cell.parse().ok(), "{name}"),
                    text => assert_eq!(text.as_str(), Some(cell.as_str()), "{name}"),
                }
            }
        }
    }

    #[test]
    fn without_its_header_rows_stand_alone() {
        let mut out = Vec::new();
        let mut report = CsvReport::new(samples::machines()).without_header();
        report.finish(&samples::totals_of_none(), &mut out).expect("writes");
        assert!(out.is_empty());
        Report::add(&mut report, &samples::all()[0], &mut out).expect("writes");
        assert!(out.starts_with(b"jobs/hook.gcode,Heron,heron.toml,go,"));
    }
}
