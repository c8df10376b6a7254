//! The file of prints: CSV with a header (RFC 4180). Rows that cannot be read are findings with their place; they stay in the
//! file, and so do columns that are not known here.

use std::collections::BTreeMap;

use csv::{ByteRecord, ReaderBuilder, Terminator, WriterBuilder};

use super::{FIRST_YEAR, started};
use crate::findings::Inspection;
use crate::physics::wall_clock::{JobParts, MODEL_VERSION};

/// Largest file, bytes.
pub const PRINTS_MAX_BYTES: usize = 16 << 20;
/// The columns of a file that is written; the first 13 must be in every file.
pub const COLUMNS: [&str; 21] = [
    "job",
    "measured_s",
    "extruding_s",
    "travel_s",
    "extrude_only_s",
    "dwell_s",
    "nozzle_c",
    "bed_c",
    "homings",
    "probings",
    "tool_changes",
    "layers",
    "filament_mm",
    "heating_s",
    "started",
    "waited_s",
    "aborted",
    "machine",
    "job_digest",
    "sheet_digest",
    "model",
];
const REQUIRED: usize = 13;
/// Longest time in a row, s: 116 days.
const LONGEST_S: f64 = 1e7;
/// Highest temperature in a row, °C.
const HOTTEST_C: f64 = 2000.0;
/// Most of anything that is counted in a row.
const COUNT_MAX: f64 = 1e9;
/// Prints without a start are the same where their times differ by no more, s.
const SAME_WITHIN_S: f64 = 0.1;

/// A finished print.
#[derive(Debug, Clone, PartialEq)]
pub struct Print {
    /// Path of the job from the folder of the file, or whatever its owner calls it.
    pub job: String,
    /// From start to end, s.
    pub measured_s: f64,
    /// Parts of the planned time.
    pub parts: JobParts,
    /// How many layers.
    pub layers: u64,
    /// Filament, mm.
    pub filament_mm: f64,
    /// When it was started, as [`started()`] has it.
    pub started: Option<String>,
    /// How long it waited for a person, s.
    pub waited_s: f64,
    /// Whether it was ended before its time.
    pub aborted: bool,
    /// Name of the machine; none where its owner does not say.
    pub machine: Option<String>,
    /// Digest of the job.
    pub job_digest: Option<String>,
    /// Digest of what the plan takes from the sheet, see [`super::plan_digest`].
    pub sheet_digest: Option<String>,
    /// [`MODEL_VERSION`] of the parts.
    pub model: Option<u32>,
}

impl Print {
    /// A print of a judged job that took so long; `sheet_digest` is that of its machine.
    pub fn of(job: &str, inspection: &Inspection, sheet_digest: &str, measured_s: f64) -> Self {
        Self {
            job: job.to_owned(),
            measured_s,
            parts: inspection.parts(),
            layers: inspection.layers_total,
            filament_mm: inspection.filament.net_mm,
            started: None,
            waited_s: 0.0,
            aborted: false,
            machine: Some(inspection.machine.name.clone()),
            job_digest: Some(inspection.job.digest.clone()),
            sheet_digest: Some(sheet_digest.to_owned()),
            model: Some(MODEL_VERSION),
        }
    }

    /// The parts of its job as it is planned today.
    pub fn planned_anew(&self, inspection: &Inspection, sheet_digest: &str) -> Self {
        Self {
            parts: inspection.parts(),
            layers: inspection.layers_total,
            filament_mm: inspection.filament.net_mm,
            sheet_digest: Some(sheet_digest.to_owned()),
            model: Some(MODEL_VERSION),
            ..self.clone()
        }
    }

    /// What the machine itself took, s.
    pub fn took_s(&self) -> f64 {
        self.measured_s - self.waited_s
    }

    /// Whether it was made on the machine of that name; one whose owner does not say was.
    pub fn is_of(&self, machine: &str) -> bool {
        self.machine.as_ref().is_none_or(|name| name == machine)
    }

    /// Whether its parts come from another version of the model, or from another sheet than that of the digest.
    pub fn is_old(&self, sheet_digest: &str) -> bool {
        self.model.is_some_and(|model| model != MODEL_VERSION)
            || self.sheet_digest.as_ref().is_some_and(|known| known != sheet_digest)
    }

    /// Whether it is the same print written down twice: the same job on the same machine with the same start, or without a
    /// start with the same time.
    pub fn is_same(&self, other: &Self) -> bool {
        let same_job = match (&self.job_digest, &other.job_digest) {
            (Some(own), Some(others)) => own == others,
            _ => self.job == other.job,
        };
        let as_long = || (self.measured_s - other.measured_s).abs() <= SAME_WITHIN_S;
        let same_time = match (&self.started, &other.started) {
            // Of one day there may be several.
            (Some(own), Some(others)) if own == others && own.ends_with("T00:00:00") => as_long(),
            (Some(own), Some(others)) => own == others,
            (None, None) => as_long(),
            _ => false,
        };
        same_job && same_time && (self.machine.is_none() || other.machine.is_none() || self.machine == other.machine)
    }

    /// Its cells by column.
    fn cells(&self) -> [String; COLUMNS.len()] {
        let parts = &self.parts;
        let number = |value: f64| value.to_string();
        let text = |of: &Option<String>| of.clone().unwrap_or_default();
        [
            self.job.clone(),
            number(self.measured_s),
            number(parts.extruding_s),
            number(parts.travel_s),
            number(parts.extrude_only_s),
            number(parts.dwell_s),
            number(parts.nozzle_c),
            number(parts.bed_c),
            parts.homings.to_string(),
            parts.probings.to_string(),
            parts.tool_changes.to_string(),
            self.layers.to_string(),
            number(self.filament_mm),
            parts.heating_s.map(number).unwrap_or_default(),
            text(&self.started),
            if self.waited_s > 0.0 { number(self.waited_s) } else { String::new() },
            if self.aborted { "true".to_owned() } else { String::new() },
            text(&self.machine),
            text(&self.job_digest),
            text(&self.sheet_digest),
            self.model.map(|model| model.to_string()).unwrap_or_default(),
        ]
    }
}

/// Why a row is no print.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("line {line}{}: {message}", .column.map(|column| format!(", column {column}")).unwrap_or_default())]
pub struct RowFault {
    /// Its line, from 1.
    pub line: u64,
    /// Which of its cells, from 1; none where it is the row as a whole.
    pub column: Option<usize>,
    /// What is wrong.
    pub message: String,
}

/// Why a file is no file of prints.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum FileFault {
    /// Too much to be one.
    #[error("a file of prints has at most {PRINTS_MAX_BYTES} bytes")]
    TooLarge,
    /// Columns are not there.
    #[error("line 1: it is no file of prints, its first line must name the columns; not there: {}", .0.join(", "))]
    NoColumns(Vec<&'static str>),
}

/// A file of prints that was read.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct PrintsFile {
    /// Its prints, with the line of each, in their order.
    pub prints: Vec<(u64, Print)>,
    /// Rows that are no print.
    pub faults: Vec<RowFault>,
    /// Rows that say again what a row before says: their line, and that one's. They are no prints of their own.
    pub repeated: Vec<(u64, u64)>,
    header: ByteRecord,
    rows: Vec<ByteRecord>,
}

impl PrintsFile {
    /// Reads the bytes of a file; without any it has no prints yet.
    ///
    /// # Errors
    /// When it cannot be a file of prints at all.
    pub fn read(bytes: &[u8]) -> Result<Self, FileFault> {
        if bytes.len() > PRINTS_MAX_BYTES {
            return Err(FileFault::TooLarge);
        }
        let bytes = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
        let mut reader = ReaderBuilder::new().has_headers(false).flexible(true).from_reader(bytes);
        // Bytes in memory are read without errors, and records of any length are taken.
        let mut records = reader.byte_records().filter_map(Result::ok);
        let Some(header) = records.next() else { return Ok(Self::default()) };
        let names: Vec<String> =
            header.iter().map(|name| String::from_utf8_lossy(name).trim().to_lowercase()).collect();
        let mut columns = BTreeMap::new();
        for (at, name) in names.iter().enumerate() {
            columns.entry(name.as_str()).or_insert(at);
        }
        let missing: Vec<_> = COLUMNS[..REQUIRED].iter().filter(|name| !columns.contains_key(*name)).copied().collect();
        if !missing.is_empty() {
            return Err(FileFault::NoColumns(missing));
        }
        let mut file = Self { header: header.clone(), ..Self::default() };
        let mut lines = Lines { bytes, at: 0, line: 1 };
        for record in records {
            let line = lines.of(&record);
            match (Row { record: &record, columns: &columns, line, width: header.len() }).print() {
                Ok(print) => match file.same_as(&print) {
                    Some(first) => file.repeated.push((line, first)),
                    None => file.prints.push((line, print)),
                },
                Err(fault) => file.faults.push(fault),
            }
            file.rows.push(record);
        }
        Ok(file)
    }

    /// Takes out prints that were started after a time, as [`started()`] has it: they are faults of their rows.
    pub fn refuse_after(&mut self, last: &str) {
        let header = &self.header;
        let column = header.iter().position(|name| String::from_utf8_lossy(name).trim().to_lowercase() == "started");
        let faults = &mut self.faults;
        self.prints.retain(|(line, print)| {
            let Some(started) = print.started.as_ref().filter(|started| started.as_str() > last) else { return true };
            let message = format!("`started` is in the future: {}", started.replace('T', " "));
            faults.push(RowFault { line: *line, column: column.map(|at| at + 1), message });
            false
        });
        faults.sort_by_key(|fault| fault.line);
    }

    /// The print that is the same, and its line.
    pub fn same_as(&self, print: &Print) -> Option<u64> {
        self.prints.iter().find(|(_, known)| known.is_same(print)).map(|(line, _)| *line)
    }

    /// The file with more prints at its end. All that was in it stays: rows that are no print, columns that are not known.
    pub fn with(&self, prints: &[Print]) -> Vec<u8> {
        let mut names: Vec<Vec<u8>> = self.header.iter().map(<[u8]>::to_vec).collect();
        let known = |name: &[u8]| String::from_utf8_lossy(name).trim().to_lowercase();
        for column in COLUMNS {
            if !names.iter().any(|name| known(name) == column) {
                names.push(column.as_bytes().to_vec());
            }
        }
        let mut writer = WriterBuilder::new().flexible(true).terminator(Terminator::Any(b'\n')).from_writer(Vec::new());
        // A writer to memory has no errors.
        let mut write = |cells: &[Vec<u8>]| drop(writer.write_record(cells));
        write(&names);
        for row in &self.rows {
            let mut cells: Vec<Vec<u8>> = row.iter().map(<[u8]>::to_vec).collect();
            if cells.len() == self.header.len() {
                cells.resize(names.len(), Vec::new());
            }
            write(&cells);
        }
        for print in prints {
            let cells = print.cells();
            let mut done = [false; COLUMNS.len()];
            let cell = |name: &Vec<u8>| {
                let at = COLUMNS.iter().position(|column| known(name) == *column).filter(|at| !done[*at]);
                at.map_or(Vec::new(), |at| {
                    done[at] = true;
                    cells[at].clone().into_bytes()
                })
            };
            let row: Vec<Vec<u8>> = names.iter().map(cell).collect();
            write(&row);
        }
        writer.into_inner().unwrap_or_default()
    }
}

/// Counts lines along the bytes. The reader's own count lags behind where lines end in CR LF.
struct Lines<'a> {
    bytes: &'a [u8],
    at: usize,
    line: u64,
}

impl Lines<'_> {
    /// The line on which a record begins; records come in their order.
    fn of(&mut self, record: &ByteRecord) -> u64 {
        let start = record.position().map_or(0, csv::Position::byte);
        let start = usize::try_from(start).unwrap_or(usize::MAX).min(self.bytes.len());
        let ends = self.bytes[start..].iter().take_while(|byte| matches!(byte, b'\r' | b'\n')).count();
        let passed = self.bytes.get(self.at..start + ends).unwrap_or_default();
        self.line += passed.iter().filter(|byte| **byte == b'\n').count() as u64;
        self.at = self.at.max(start + ends);
        self.line
    }
}

/// A row that is being read.
struct Row<'a> {
    record: &'a ByteRecord,
    columns: &'a BTreeMap<&'a str, usize>,
    line: u64,
    width: usize,
}

impl Row<'_> {
    fn fault<T>(&self, column: Option<usize>, message: String) -> Result<T, RowFault> {
        Err(RowFault { line: self.line, column: column.map(|at| at + 1), message })
    }

    /// The cell under a name, and which it is; empty where there is no such column.
    fn cell(&self, name: &str) -> Result<(Option<usize>, &str), RowFault> {
        let Some(&at) = self.columns.get(name) else { return Ok((None, "")) };
        match std::str::from_utf8(self.record.get(at).unwrap_or_default()) {
            Ok(text) => Ok((Some(at), text.trim())),
            Err(_) => self.fault(Some(at), format!("`{name}` is not UTF-8 text")),
        }
    }

    fn number(&self, name: &str, most: f64) -> Result<Option<f64>, RowFault> {
        let (at, text) = self.cell(name)?;
        if text.is_empty() {
            return Ok(None);
        }
        match text.parse::<f64>() {
            Ok(number) if (0.0..=most).contains(&number) => Ok(Some(number)),
            _ => {
                let shown: String = text.chars().take(40).collect();
                self.fault(at, format!("`{name}` must be a number from 0 to {most}, found \"{shown}\""))
            }
        }
    }

    fn required(&self, name: &str, most: f64) -> Result<f64, RowFault> {
        let at = self.columns.get(name).copied();
        self.number(name, most)?.map_or_else(|| self.fault(at, format!("`{name}` is empty")), Ok)
    }

    fn count(&self, name: &str) -> Result<u64, RowFault> {
        let count = self.required(name, COUNT_MAX)?;
        match count.fract() == 0.0 {
            true => Ok(count as u64),
            false => self.fault(self.columns.get(name).copied(), format!("`{name}` must be a whole number")),
        }
    }

    fn text(&self, name: &str) -> Result<Option<String>, RowFault> {
        Ok(Some(self.cell(name)?.1.to_owned()).filter(|text| !text.is_empty()))
    }

    fn print(&self) -> Result<Print, RowFault> {
        if self.record.len() != self.width {
            let (cells, width) = (self.record.len(), self.width);
            return self.fault(None, format!("the row has {cells} cells, the first line names {width} columns"));
        }
        let Some(job) = self.text("job")? else {
            return self.fault(self.columns.get("job").copied(), "`job` is empty".to_owned());
        };
        let parts = JobParts {
            extruding_s: self.required("extruding_s", LONGEST_S)?,
            travel_s: self.required("travel_s", LONGEST_S)?,
            extrude_only_s: self.required("extrude_only_s", LONGEST_S)?,
            dwell_s: self.required("dwell_s", LONGEST_S)?,
            nozzle_c: self.required("nozzle_c", HOTTEST_C)?,
            bed_c: self.required("bed_c", HOTTEST_C)?,
            homings: self.count("homings")?,
            probings: self.count("probings")?,
            tool_changes: self.count("tool_changes")?,
            heating_s: self.number("heating_s", LONGEST_S)?,
        };
        let measured_s = self.required("measured_s", LONGEST_S)?;
        let waited_s = self.number("waited_s", LONGEST_S)?.unwrap_or(0.0);
        if measured_s - waited_s <= 0.0 {
            let message = "nothing is left of `measured_s` without `waited_s`".to_owned();
            return self.fault(self.columns.get("measured_s").copied(), message);
        }
        let (at, when) = self.cell("started")?;
        let started = started(when);
        if started.is_none() && !when.is_empty() {
            let message =
                format!("`started` must be like 2027-01-31T14:05:00, without a time zone, from {FIRST_YEAR} on");
            return self.fault(at, message);
        }
        let (at, word) = self.cell("aborted")?;
        let aborted = match word {
            "" | "false" | "no" | "0" => false,
            "true" | "yes" | "1" => true,
            _ => return self.fault(at, "`aborted` must be true or false".to_owned()),
        };
        let (at, version) = self.cell("model")?;
        let model = match version.parse() {
            Ok(version) => Some(version),
            Err(_) if version.is_empty() => None,
            Err(_) => return self.fault(at, "`model` must be a whole number".to_owned()),
        };
        Ok(Print {
            job,
            measured_s,
            parts,
            layers: self.count("layers")?,
            filament_mm: self.required("filament_mm", 1e12)?,
            started,
            waited_s,
            aborted,
            machine: self.text("machine")?,
            job_digest: self.text("job_digest")?,
            sheet_digest: self.text("sheet_digest")?,
            model,
        })
    }
}
