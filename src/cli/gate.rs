//! `gonogo gate`.

use std::io::{self, Write};
use std::net::{SocketAddr, TcpListener};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::mpsc::{self, Receiver, RecvTimeoutError, Sender};
use std::time::{Duration, Instant};

use anyhow::Context;
use clap::Args;
use notify::{RecommendedWatcher, RecursiveMode, Watcher};

use super::terminal::shown;
use super::{Exit, complain, duration, signals};
use crate::accepted::today;
use crate::service::desk::{self, DeskSettings, Opened, Token};
use crate::service::gate::{self, Gate, GateError, Settings, Told};
use crate::show::report::CAUTION;
use crate::wording::counted;

const EXAMPLES: &str = "\
Examples:
  gonogo gate shop/                  from now on, until it is stopped
  gonogo gate shop/ --once           what lies there now, then end
  gonogo gate shop/ --desk           with pages at http://127.0.0.1:4817
  gonogo gate shop/ --desk 0.0.0.0:4817 --token-file shop.token
                                     with pages for all who know the token
  cp hook.gcode shop/inbox/          how a job comes in

Missing folders are made: inbox/ for jobs, machines/ for a sheet of each
machine. A job is kept in jobs/ and laid in cleared/<machine>/ where it may be
loaded, else in waiting/ or blocked/ with a text that says why. Names that begin
with a point or end in .part, .partial or .tmp are still being written.

The desk is the gate in a browser: jobs and machines, a way in for jobs,
decisions, prints. Without TLS in front of it the token travels in the clear.

A gate moves no machine and sends nothing to one. A cleared job still needs eyes
at the machine; the maker's documents come first.

Exit codes: 0 stopped by a signal, or all done; 2 the folder or its ledger
cannot be used.";

/// Judge whatever is dropped into a folder, and lay it where it may be loaded, where it waits, or where it is blocked.
#[derive(Debug, Args)]
#[command(after_help = EXAMPLES)]
pub struct GateArgs {
    /// The folder of the gate.
    #[arg(value_name = "DIR")]
    folder: PathBuf,
    /// Do what there is to do, then end.
    #[arg(long)]
    once: bool,
    /// A file counts when its size and time have stayed the same for so many seconds.
    #[arg(long, value_name = "SECONDS", default_value = "5", value_parser = seconds)]
    rest: Duration,
    /// Look again after so many seconds, whatever the system tells of changes.
    #[arg(long, value_name = "SECONDS", default_value = "30", value_parser = seconds)]
    look_every: Duration,
    /// Do not ask the system to tell of changes: some network folders never do, or not reliably.
    #[arg(long)]
    only_look: bool,
    /// Refuse jobs of more bytes than this, counted after unpacking.
    #[arg(long, value_name = "BYTES", default_value_t = 2_000_000_000)]
    limit_bytes: u64,
    /// Take nothing in that would leave less of the disk free.
    #[arg(long, value_name = "BYTES", default_value_t = 1_000_000_000)]
    keep_free_bytes: u64,
    /// Take nothing in where so many jobs are kept.
    #[arg(long, value_name = "JOBS", default_value_t = 20_000)]
    jobs_most: usize,
    /// Take jobs out that came in more than so many days ago, and that nobody has sent anew, printed or decided on since
    /// [otherwise they are kept for good].
    #[arg(long, value_name = "DAYS", value_parser = clap::value_parser!(u32).range(1..))]
    keep_days: Option<u32>,
    /// Only say which jobs --keep-days would take out today; the gate may be open meanwhile.
    #[arg(long, requires = "keep_days", conflicts_with_all = ["desk", "once"])]
    which_go: bool,
    /// Open the desk at this address [without one: 127.0.0.1:4817].
    #[arg(long, value_name = "ADDRESS", num_args = 0..=1, default_missing_value = "127.0.0.1:4817")]
    #[arg(conflicts_with = "once")]
    desk: Option<SocketAddr>,
    /// Whoever uses the desk must know the token in this file. It is made where it is missing.
    #[arg(long, value_name = "FILE", requires = "desk")]
    token_file: Option<PathBuf>,
    /// A name of the host under which the desk is reached. May be given several times.
    #[arg(long, value_name = "HOST", requires = "desk")]
    reached_as: Vec<String>,
    /// Most changes that the desk takes from one address within a minute.
    #[arg(long, value_name = "COUNT", requires = "desk", default_value_t = 600)]
    changes_per_minute: u32,
}

fn seconds(text: &str) -> Result<Duration, String> {
    duration(text, |seconds| seconds >= 0.0).ok_or_else(|| "a number of seconds".to_owned())
}

/// What ends a wait.
enum Wake {
    /// Something in a folder has changed.
    Changed,
    /// A signal says stop.
    Stop,
}

/// After a change the next look waits so long: one file that is copied makes many.
const GATHER: Duration = Duration::from_millis(100);
/// Shortest wait before what could not be done is tried again.
const RETRY_SOONEST: Duration = Duration::from_secs(1);
/// Longest wait before what could not be done is tried again.
const RETRY: Duration = Duration::from_secs(10);

/// Runs the command.
pub fn run(args: &GateArgs) -> anyhow::Result<Exit> {
    if let (true, Some(days)) = (args.which_go, args.keep_days) {
        return which_go(&args.folder, days);
    }
    let (sender, wakes) = mpsc::channel();
    // Kept to the end: without one that may wake it a wait would end at once.
    let _waking = sender.clone();
    // SIGTERM and Ctrl-C end the work behind the job in hand.
    let ending = sender.clone();
    let end = move || drop(ending.send(Wake::Stop));
    signals::at(&[signals::TERMINATE, signals::INTERRUPT], end).context("cannot listen for signals")?;
    let settings = Settings {
        rest: args.rest,
        limit_bytes: Some(args.limit_bytes),
        keep_free_bytes: args.keep_free_bytes,
        jobs_most: args.jobs_most,
        keep_days: args.keep_days,
    };
    // Whoever may not open it hears so before the gate does anything.
    let listener = args.desk.map(|address| listen(address, args)).transpose()?;
    let mut gate = Gate::open(&args.folder, settings)?;
    // Both are kept as long as the gate is open.
    let _desk = listener.map(|listener| open_desk(listener, &gate, args, sender.clone())).transpose()?;
    let _watcher = if args.only_look || args.once { None } else { watch(&args.folder, sender) };
    serve(&mut gate, args, &wakes)
}

fn which_go(folder: &Path, days: u32) -> anyhow::Result<Exit> {
    let unwanted = gate::unwanted(folder, days, today())?;
    for (name, came) in &unwanted {
        say(&format!("{name} came in on {came}"))?;
    }
    match unwanted.len() {
        0 => say("No job would be taken out today.")?,
        count => say(&format!(
            "{} would be taken out today: a gate that is opened without --which-go does so. The ledger still knows what they got.",
            counted(count as u64, "job", "jobs")
        ))?,
    }
    Ok(Exit::Passed)
}

fn listen(address: SocketAddr, args: &GateArgs) -> anyhow::Result<TcpListener> {
    desk::may_open(address, args.token_file.is_some())?;
    TcpListener::bind(address).with_context(|| format!("cannot open the desk at {address}"))
}

fn open_desk(listener: TcpListener, gate: &Gate, args: &GateArgs, wakes: Sender<Wake>) -> anyhow::Result<Opened> {
    let token = args.token_file.as_deref().map(Token::of_file).transpose()?;
    if let (Some((_, true)), Some(path)) = (&token, &args.token_file) {
        say(&format!("A token was made: {}. Give it to those who may use the desk.", path.display()))?;
    }
    let settings = DeskSettings {
        token: token.map(|(token, _)| token),
        reached_as: args.reached_as.clone(),
        changes_per_minute: args.changes_per_minute,
    };
    let wake = move || drop(wakes.send(Wake::Changed));
    let opened = desk::open(&args.folder, gate, listener, settings, Arc::new(wake))?;
    let address = opened.address();
    match address.ip().is_unspecified() {
        true => say(&format!("The desk is open at http://THIS-COMPUTER:{}", address.port()))?,
        false => say(&format!("The desk is open at http://{address}"))?,
    }
    Ok(opened)
}

/// Asks the system to tell of changes in the folders into which people put things. Where it does not, looking is enough.
fn watch(folder: &Path, wakes: Sender<Wake>) -> Option<RecommendedWatcher> {
    let tell = move |event: notify::Result<notify::Event>| {
        // Reading a folder is no change of it.
        if !event.is_ok_and(|event| event.kind.is_access()) {
            let _ = wakes.send(Wake::Changed);
        }
    };
    let watched = notify::recommended_watcher(tell).and_then(|mut watcher| {
        for name in ["inbox", "machines", "jobs"] {
            watcher.watch(&folder.join(name), RecursiveMode::NonRecursive)?;
        }
        Ok(watcher)
    });
    if let Err(error) = &watched {
        complain(&format!("the system does not tell of changes ({error}); folders are looked at now and then"));
    }
    watched.ok()
}

fn serve(gate: &mut Gate, args: &GateArgs, wakes: &Receiver<Wake>) -> anyhow::Result<Exit> {
    say(CAUTION)?;
    let mut tell = |told: Told| drop(say(&told.to_string()));
    let mut last_fault = String::new();
    loop {
        let looked = gate.look(today(), Instant::now(), &mut tell);
        // What came in before is judged though no more may come in.
        let worked = gate.step(today(), &mut tell);
        let next = gate.next_in(Instant::now());
        let wait = next.unwrap_or(args.look_every).min(args.look_every).max(GATHER);
        let goes_on = matches!(worked, Ok(true));
        let fault = looked.err().or(worked.err());
        gate.shelf().set_fault(fault.as_ref().map(ToString::to_string));
        if let Some(error) = &fault {
            tell_once(error, &mut last_fault);
        } else {
            last_fault.clear();
        }
        let ends = match fault {
            // As long as there is work, it comes first.
            _ if goes_on => stopped(wakes, Duration::ZERO),
            None if args.once && next.is_none() => return Ok(Exit::Passed),
            None => stopped(wakes, wait),
            Some(error) if args.once => return Err(error.into()),
            // What comes meanwhile may not wait so long; what fails may itself look like news.
            Some(_) => stopped_while(wakes, RETRY_SOONEST) || stopped(wakes, RETRY),
        };
        if ends {
            return Ok(Exit::Passed);
        }
    }
}

/// Waits until something changes, at most so long; true where the work is to end.
fn stopped(wakes: &Receiver<Wake>, wait: Duration) -> bool {
    match wakes.recv_timeout(wait) {
        Ok(Wake::Stop) | Err(RecvTimeoutError::Disconnected) => true,
        Ok(Wake::Changed) if wait > Duration::ZERO => stopped_while(wakes, GATHER),
        Ok(Wake::Changed) | Err(RecvTimeoutError::Timeout) => false,
    }
}

/// Waits so long, whatever changes meanwhile; true where the work is to end.
fn stopped_while(wakes: &Receiver<Wake>, wait: Duration) -> bool {
    let until = Instant::now() + wait;
    loop {
        let left = until.saturating_duration_since(Instant::now());
        match wakes.recv_timeout(left) {
            Ok(Wake::Stop) | Err(RecvTimeoutError::Disconnected) => return true,
            Ok(Wake::Changed) if !left.is_zero() => {}
            Ok(Wake::Changed) | Err(RecvTimeoutError::Timeout) => return false,
        }
    }
}

fn tell_once(error: &GateError, last: &mut String) {
    let text = error.to_string();
    if *last != text {
        complain(&format!("{text}; it is tried again every {} s", RETRY.as_secs()));
        *last = text;
    }
}

fn say(line: &str) -> io::Result<()> {
    let mut out = io::stdout().lock();
    writeln!(out, "{}", shown(line))?;
    out.flush()
}
