//! `gonogo ledger decide`.

use std::path::Path;

use anyhow::bail;
use clap::builder::PossibleValue;
use clap::{Args, ValueEnum};

use super::LedgerArg;
use crate::accepted::{Day, reason, today};
use crate::cli::accept::day;
use crate::cli::prints::say;
use crate::cli::terminal::Terminal;
use crate::service::ledger::{Choice, Decision};

pub(super) const EXAMPLES: &str = "\
Examples:
  gonogo ledger decide 17 release --because \"the clip is off\" --by Ada
  gonogo ledger decide 17 refuse --because \"wrong filament\" --by Ada
  gonogo ledger decide 9 release --because \"only the first layer, I stay\" \\
      --by Ada --until 2027-01-31 --even-unsafe-on Heron

`gonogo ledger list` shows the numbers. A release holds for that very content on
that very sheet; a changed job or sheet is judged, and decided on, anew. A refusal,
or a hold, goes over to other names and to changed sheets of that machine. None is
ever taken out: a later one takes its place. `gonogo gate` acts on it.

A no-go on heat or travel can burn, set fire or drive an axis into something.
Releasing one does not make it safe: stay with the machine; the maker's documents
come first.

Exit codes: 0 written down, 2 not.";

/// What is decided on what.
#[derive(Debug, Args)]
pub struct DecideArgs {
    /// The inspection.
    #[arg(value_name = "NUMBER")]
    inspection: i64,
    /// The decision.
    #[arg(value_name = "DECISION", value_enum)]
    choice: Choice,
    /// Why.
    #[arg(long, value_name = "TEXT", value_parser = reason)]
    because: String,
    /// Who decides.
    #[arg(long, value_name = "NAME", value_parser = reason)]
    by: String,
    /// Last day on which it counts (UTC), such as 2027-01-31.
    #[arg(long, value_name = "DATE", value_parser = day)]
    until: Option<Day>,
    /// Release a no-go on heat or travel too: the name of the machine, typed out.
    #[arg(long, value_name = "MACHINE")]
    even_unsafe_on: Option<String>,
    #[command(flatten)]
    ledger: LedgerArg,
}

impl ValueEnum for Choice {
    fn value_variants<'a>() -> &'a [Self] {
        &Self::ALL
    }

    fn to_possible_value(&self) -> Option<PossibleValue> {
        let meaning = match self {
            Self::Release => "It may be printed",
            Self::Refuse => "It may not",
            Self::Hold => "Somebody has to look first",
        };
        Some(PossibleValue::new(self.word()).help(meaning))
    }
}

/// Writes the decision down.
pub(super) fn run(args: &DecideArgs, terminal: &Terminal) -> anyhow::Result<()> {
    let ledger = args.ledger.open()?;
    let decision = Decision {
        choice: args.choice,
        reason: args.because.clone(),
        who: args.by.clone(),
        until: args.until,
        confirmation: args.even_unsafe_on.clone(),
    };
    if let Some(until) = args.until.filter(|until| *until < today()) {
        bail!("{until} has passed: the decision would never count");
    }
    ledger.decide(args.inspection, &decision)?;
    let judged = ledger.inspection(args.inspection)?;
    let of = judged.map_or_else(String::new, |judged| {
        let name = Path::new(&judged.job.path).file_name().unwrap_or_default().to_string_lossy().into_owned();
        format!(", {name} on {}, {}", judged.machine.name, judged.verdict)
    });
    let until = args.until.map(|day| format!(" until {day}")).unwrap_or_default();
    let done = format!("Inspection {}{of}: {} by {}{until}.", args.inspection, decision.choice.word(), decision.who);
    say(&[done], terminal)
}
