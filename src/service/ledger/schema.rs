//! The form of a ledger, and how an older one becomes a newer one.

use std::time::{Duration, Instant};

use rusqlite::config::DbConfig;
use rusqlite::{Connection, TransactionBehavior};

use super::error::What;

/// What the header of the file says it is: "gono".
const APPLICATION: i64 = 0x676f_6e6f;

/// Each makes a ledger of the form before into one of its own, which is its place in the list, from 1. What was published
/// here never changes: a new form is a new row at the end.
const MIGRATIONS: [&str; 2] = [include_str!("1.sql"), include_str!("2.sql")];

/// How long a writer waits for another one.
const PATIENCE: Duration = Duration::from_secs(10);

/// Looks at what was opened, brings it to the newest form, and sets how it is used. A file that is no ledger, or a newer one,
/// is not written.
pub(super) fn prepare(connection: &mut Connection) -> Result<(), What> {
    connection.busy_timeout(PATIENCE)?;
    let known = MIGRATIONS.len() as i64;
    // In one transaction: another process may be taking the first step just now.
    let asked = connection.transaction()?;
    let found = form(&asked)?;
    drop(asked);
    match found {
        form if form > known => return Err(What::Newer { form, known }),
        form if form < known => migrate(connection, &MIGRATIONS)?,
        _ => {}
    }
    // A ledger may come from anybody: nothing in it is run as a program.
    connection.set_db_config(DbConfig::SQLITE_DBCONFIG_DEFENSIVE, true)?;
    connection.set_db_config(DbConfig::SQLITE_DBCONFIG_TRUSTED_SCHEMA, false)?;
    connection.set_db_config(DbConfig::SQLITE_DBCONFIG_ENABLE_TRIGGER, false)?;
    write_ahead(connection)?;
    // What was reported as kept survives a loss of power, too.
    connection.pragma_update(None, "synchronous", "FULL")?;
    connection.pragma_update(None, "foreign_keys", true)?;
    Ok(())
}

/// The form of the ledger; 0 for a file that nothing was written to yet.
fn form(connection: &Connection) -> Result<i64, What> {
    let asked = |sql| connection.query_row(sql, [], |row| row.get::<_, i64>(0));
    let (application, form) = (asked("PRAGMA application_id")?, asked("PRAGMA user_version")?);
    match application {
        APPLICATION => Ok(form),
        0 if form == 0 && asked("SELECT count(*) FROM sqlite_schema")? == 0 => Ok(0),
        _ => Err(What::NotALedger),
    }
}

/// Takes the steps that are missing, each as a whole or not at all.
fn migrate(connection: &mut Connection, steps: &[&str]) -> Result<(), What> {
    for (form_after, step) in (1..).zip(steps) {
        let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
        // Asked with the lock in hand: another process may have been faster.
        if form(&transaction)? < form_after {
            transaction.execute_batch(step)?;
            transaction.pragma_update(None, "application_id", APPLICATION)?;
            transaction.pragma_update(None, "user_version", form_after)?;
            transaction.commit()?;
        }
    }
    Ok(())
}

/// Readers and one writer at a time. The change to it wants the file for itself for a moment, and the library does not wait
/// for that: it is waited for here.
fn write_ahead(connection: &Connection) -> Result<(), What> {
    let until = Instant::now() + PATIENCE;
    loop {
        let set = connection.pragma_update_and_check(None, "journal_mode", "WAL", |row| row.get::<_, String>(0));
        match set.map_err(What::from) {
            Ok(mode) if mode == "wal" => return Ok(()),
            Ok(mode) => {
                return Err(What::Refused(format!("its folder allows no write-ahead log (it is in mode {mode})")));
            }
            Err(What::Locked) if Instant::now() < until => std::thread::sleep(Duration::from_millis(5)),
            Err(what) => return Err(what),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What an older version has written is all there behind the steps.
    #[test]
    fn the_first_form_becomes_the_newest() {
        let mut ledger = Connection::open_in_memory().expect("memory");
        migrate(&mut ledger, &MIGRATIONS[..1]).expect("the first form");
        let sheet = "INSERT INTO sheets VALUES ('blake3:1', 'Heron', 'name = 1', '2026-01-01T00:00:00Z')";
        ledger.execute(sheet, []).expect("a sheet");
        migrate(&mut ledger, &MIGRATIONS).expect("the steps");
        assert_eq!(form(&ledger), Ok(MIGRATIONS.len() as i64));
        let names = |table: &str| {
            let sql = format!("SELECT count(*) FROM {table}");
            ledger.query_row(&sql, [], |row| row.get::<_, i64>(0))
        };
        assert_eq!((names("sheets"), names("uses")), (Ok(1), Ok(0)));
    }

    #[test]
    fn a_step_is_taken_as_a_whole_or_not_at_all() {
        let mut ledger = Connection::open_in_memory().expect("memory");
        let first = "CREATE TABLE a (x INTEGER) STRICT; INSERT INTO a VALUES (7);";
        migrate(&mut ledger, &[first]).expect("a table");
        assert_eq!(form(&ledger), Ok(1));
        let broken = "CREATE TABLE b (x INTEGER) STRICT; UPDATE a SET x = 8; INSERT INTO none VALUES (1);";
        assert!(migrate(&mut ledger, &[first, broken]).is_err());
        let tables = |ledger: &Connection| {
            ledger.query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get::<_, i64>(0))
        };
        assert_eq!((form(&ledger), tables(&ledger)), (Ok(1), Ok(1)), "nothing of the broken one stays");
        migrate(&mut ledger, &[first, "UPDATE a SET x = x + 1;", "UPDATE a SET x = x * 2;"]).expect("two steps");
        migrate(&mut ledger, &[first, "UPDATE a SET x = x + 1;", "UPDATE a SET x = x * 2;"]).expect("none is left");
        let x = ledger.query_row("SELECT x FROM a", [], |row| row.get::<_, i64>(0));
        assert_eq!((form(&ledger), x), (Ok(3), Ok(16)), "in their order, each once");
    }
}
