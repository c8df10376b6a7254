//! `gonogo worker`.

use std::io::{self, BufReader};
use std::time::Duration;

use anyhow::Context;
use clap::Args;

use super::{Exit, duration, signals};
use crate::service::{Settings, Worker};

const EXAMPLES: &str = "\
Example:
  echo '{\"id\": 1, \"path\": \"hook.gcode\", \"machines\": [\"heron.toml\"]}' | gonogo worker

A request is a line of JSON: {\"id\": anything, \"path\": JOB} or {\"id\", \"name\",
\"bytes_base64\"}, with \"machines\": a list of sheets, each a path or {\"name\",
\"toml\"}, and \"report\": \"full\" (the default) or \"row\". The answer is a line:
{\"id\", \"ok\": true, \"reports\": [...]} in the order of the machines, or {\"id\",
\"ok\": false, \"error\": {\"kind\", \"text\"}}. `gonogo report-schema --of worker`
has all of it. Files are regular files: no pipes, no devices. Files of accepted
findings are not read.

Exit codes: 0 when the requests end or SIGTERM comes, whatever the answers; 2
when requests cannot be read or answers not be written.";

/// Answer requests of another program: a line of JSON in, a line out, in order, until there are no more.
#[derive(Debug, Args)]
#[command(after_help = EXAMPLES)]
pub struct WorkerArgs {
    /// Use so many threads: for several requests at a time, or together on one.
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1024), default_value_t = 1)]
    threads: u16,
    /// Refuse jobs of more bytes than this, counted after unpacking [default: no limit].
    #[arg(long, value_name = "BYTES")]
    limit_bytes: Option<u64>,
    /// Give up a request that takes longer, one whose files hang too [default: no limit].
    #[arg(long, value_name = "SECONDS", value_parser = seconds)]
    limit_seconds: Option<Duration>,
}

fn seconds(text: &str) -> Result<Duration, String> {
    duration(text, |seconds| seconds > 0.0).ok_or_else(|| "a number of seconds above 0".to_owned())
}

/// Runs the command.
pub fn run(args: &WorkerArgs) -> anyhow::Result<Exit> {
    let worker = Worker::new(Settings {
        threads: args.threads.into(),
        limit_bytes: args.limit_bytes,
        limit_time: args.limit_seconds,
    });
    // SIGTERM ends the work when the requests that were begun are answered.
    let stopper = worker.stopper();
    signals::at(&[signals::TERMINATE], move || stopper.stop()).context("cannot listen for SIGTERM")?;
    // Not the output of reports, which goes on quietly when its reader has left: nobody then needs further answers.
    worker.serve(BufReader::new(io::stdin()), &mut io::stdout().lock()).context("cannot go on serving")?;
    Ok(Exit::Passed)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn limits_of_time_are_numbers_above_0() {
        assert_eq!(seconds("0.5"), Ok(Duration::from_millis(500)));
        for wrong in ["0", "-1", "nan", "inf", "1e300", "", "1 s"] {
            assert!(seconds(wrong).is_err(), "{wrong}");
        }
    }
}
