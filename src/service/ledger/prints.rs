//! Finished prints. With a ledger it is their only store; `gonogo.prints.csv` is a way in and out.

use rusqlite::{Connection, Row, named_params};

use super::{Ledger, LedgerError, What};
use crate::physics::wall_clock::JobParts;
use crate::workshop::prints::Print;

impl Ledger {
    /// All prints with their numbers, in the order in which they were written down.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    pub fn prints(&self) -> Result<Vec<(u64, Print)>, LedgerError> {
        self.read(all)
    }

    /// Puts prints in but for [those that are there](Print::is_same): how many were put in, and how many there are.
    ///
    /// # Errors
    /// When the ledger cannot be read or written; none is then put in.
    pub fn add_prints(&self, prints: &[Print]) -> Result<(usize, usize), LedgerError> {
        self.write(|ledger| {
            let mut known: Vec<Print> = all(ledger)?.into_iter().map(|(_, print)| print).collect();
            let before = known.len();
            for print in prints {
                if !known.iter().any(|other| other.is_same(print)) {
                    insert(ledger, print)?;
                    known.push(print.clone());
                }
            }
            Ok((known.len() - before, known.len()))
        })
    }
}

fn all(ledger: &Connection) -> Result<Vec<(u64, Print)>, What> {
    Ok(ledger.prepare("SELECT * FROM prints ORDER BY id")?.query_map([], print)?.collect::<Result<_, _>>()?)
}

fn insert(ledger: &Connection, print: &Print) -> rusqlite::Result<()> {
    let JobParts {
        extruding_s,
        travel_s,
        extrude_only_s,
        dwell_s,
        nozzle_c,
        bed_c,
        homings,
        probings,
        tool_changes,
        heating_s,
    } = print.parts;
    ledger.execute(
        "INSERT INTO prints (job, measured_s, extruding_s, travel_s, extrude_only_s, dwell_s, nozzle_c, bed_c, homings,
             probings, tool_changes, layers, filament_mm, heating_s, started, waited_s, aborted, machine, job_digest,
             sheet_digest, model)
         VALUES (:job, :measured_s, :extruding_s, :travel_s, :extrude_only_s, :dwell_s, :nozzle_c, :bed_c, :homings,
             :probings, :tool_changes, :layers, :filament_mm, :heating_s, :started, :waited_s, :aborted, :machine,
             :job_digest, :sheet_digest, :model)",
        named_params! {
            ":job": print.job,
            ":measured_s": print.measured_s,
            ":extruding_s": extruding_s,
            ":travel_s": travel_s,
            ":extrude_only_s": extrude_only_s,
            ":dwell_s": dwell_s,
            ":nozzle_c": nozzle_c,
            ":bed_c": bed_c,
            ":homings": homings,
            ":probings": probings,
            ":tool_changes": tool_changes,
            ":layers": print.layers,
            ":filament_mm": print.filament_mm,
            ":heating_s": heating_s,
            ":started": print.started,
            ":waited_s": print.waited_s,
            ":aborted": print.aborted,
            ":machine": print.machine,
            ":job_digest": print.job_digest,
            ":sheet_digest": print.sheet_digest,
            ":model": print.model,
        },
    )?;
    Ok(())
}

fn print(row: &Row<'_>) -> rusqlite::Result<(u64, Print)> {
    let parts = JobParts {
        extruding_s: row.get("extruding_s")?,
        travel_s: row.get("travel_s")?,
        extrude_only_s: row.get("extrude_only_s")?,
        dwell_s: row.get("dwell_s")?,
        nozzle_c: row.get("nozzle_c")?,
        bed_c: row.get("bed_c")?,
        homings: row.get("homings")?,
        probings: row.get("probings")?,
        tool_changes: row.get("tool_changes")?,
        heating_s: row.get("heating_s")?,
    };
    let print = Print {
        job: row.get("job")?,
        measured_s: row.get("measured_s")?,
        parts,
        layers: row.get("layers")?,
        filament_mm: row.get("filament_mm")?,
        started: row.get("started")?,
        waited_s: row.get("waited_s")?,
        aborted: row.get("aborted")?,
        machine: row.get("machine")?,
        job_digest: row.get("job_digest")?,
        sheet_digest: row.get("sheet_digest")?,
        model: row.get("model")?,
    };
    Ok((row.get("id")?, print))
}
