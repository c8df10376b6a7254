//! The desk of a gate: pages for a browser, and the same for programs.
//!
//! It shows what [stands](super::gate::Shelf) at the gate, takes jobs in, and writes decisions and prints into the ledger; the
//! gate does what follows from them. It moves no machine and sends nothing to one.
//!
//! | file | what it does |
//! |---|---|
//! | `wire` | connections, their limits and their end |
//! | `guard` | who may ask for what: names of the host, origins, tokens, rates; what every answer carries |
//! | `token` | the secret that opens a desk which others can reach |
//! | `upload` | a body of any size into a job that is kept |
//! | `events` | tells pages that something has changed |
//! | `pages`, `views` | what people see |
//! | `api` | what programs get |
//! | `deeds` | decisions and prints, for both |
//! | `problem` | what is told when something is refused (RFC 9457) |
//! | `metrics` | OpenMetrics |
//!
//! Why does it only read the shelf, and never the folders of the gate? One thread alone moves jobs, so that nothing is cleared
//! by two who do not know of each other.

mod api;
mod deeds;
mod events;
mod guard;
mod metrics;
mod pages;
mod problem;
mod token;
mod upload;
mod views;
mod wire;

use std::io;
use std::net::{SocketAddr, TcpListener};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::thread::JoinHandle;
use std::time::Duration;

use axum::Router;
use axum::extract::{self, DefaultBodyLimit};
use axum::routing::{get, post, put};
use tokio::sync::{Semaphore, watch};

use super::gate::{Gate, Intake, Shelf};
use super::ledger::{Ledger, LedgerError};
use crate::machine::Machine;
use problem::Problem;

pub use token::{Token, TokenError};

/// Longest form, bytes.
const FORM_MAX_BYTES: usize = 64 << 10;
/// Most uploads at a time; each has a thread of its own that writes.
const UPLOADS_MOST: usize = 64;
/// What is in hand so long after the end was asked for is given up.
const END_WITHIN: Duration = Duration::from_secs(1);
/// Most pages at a time for which a job is read anew.
const READINGS_MOST: usize = 2;

/// How a desk works.
#[derive(Debug, Clone, Default)]
pub struct DeskSettings {
    /// Whoever does not know it gets nothing; without one anybody who can reach the desk may use it.
    pub token: Option<Token>,
    /// Names of hosts under which it is reached, beside numbers and `localhost`.
    pub reached_as: Vec<String>,
    /// Most changes that one address may ask for in a minute.
    pub changes_per_minute: u32,
}

/// Why a desk cannot be opened.
#[derive(Debug, thiserror::Error)]
pub enum DeskError {
    /// Others can reach it, and there is no token.
    #[error("{0} can be reached from other computers: give a token file with --token-file")]
    Open(SocketAddr),
    /// The system does not let it listen.
    #[error("cannot open the desk: {0}")]
    Listen(#[from] io::Error),
    /// The ledger cannot be used.
    #[error(transparent)]
    Ledger(#[from] LedgerError),
}

/// What all answers are made from.
struct Desk {
    root: PathBuf,
    shelf: Arc<Shelf>,
    /// A connection of its own: reading waits for nobody.
    ledger: Ledger,
    /// Another one, which may have to wait for its turn.
    writing: Ledger,
    intake: Intake,
    settings: DeskSettings,
    uploads: Arc<Semaphore>,
    readings: Arc<Semaphore>,
    streams: Arc<Semaphore>,
    rates: guard::Rates,
    counts: metrics::Counts,
    /// True when it is to end.
    ending: watch::Receiver<bool>,
}

/// A desk at work. It ends when it is dropped.
pub struct Opened {
    address: SocketAddr,
    end: watch::Sender<bool>,
    thread: Option<JoinHandle<()>>,
}

impl Opened {
    /// Where it listens.
    pub fn address(&self) -> SocketAddr {
        self.address
    }
}

impl Drop for Opened {
    fn drop(&mut self) {
        let _ = self.end.send(true);
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

/// Whether a desk may be opened there.
///
/// # Errors
/// [`DeskError::Open`] where others can reach it and there is no token.
pub fn may_open(address: SocketAddr, has_token: bool) -> Result<(), DeskError> {
    if address.ip().is_loopback() || has_token { Ok(()) } else { Err(DeskError::Open(address)) }
}

/// Opens the desk of a gate in the folder `root`; `wake` makes the gate look.
///
/// # Errors
/// See [`DeskError`].
pub fn open(
    root: &Path,
    gate: &Gate,
    listener: TcpListener,
    settings: DeskSettings,
    wake: Arc<dyn Fn() + Send + Sync>,
) -> Result<Opened, DeskError> {
    let address = listener.local_addr()?;
    may_open(address, settings.token.is_some())?;
    listener.set_nonblocking(true)?;
    let (end, ending) = watch::channel(false);
    let desk = Arc::new(Desk {
        root: root.to_owned(),
        shelf: Arc::clone(gate.shelf()),
        ledger: gate.ledger().again()?,
        writing: gate.ledger().again()?,
        intake: gate.intake(wake),
        settings,
        uploads: Arc::new(Semaphore::new(UPLOADS_MOST)),
        readings: Arc::new(Semaphore::new(READINGS_MOST)),
        streams: Arc::new(Semaphore::new(events::STREAMS_MOST)),
        rates: guard::Rates::default(),
        counts: metrics::Counts::default(),
        ending,
    });
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    let run = move || {
        runtime.block_on(wire::serve(listener, desk));
        // Pages that are being made are for nobody any more.
        runtime.shutdown_timeout(END_WITHIN);
    };
    let thread = std::thread::Builder::new().name("desk".to_owned()).spawn(run)?;
    Ok(Opened { address, end, thread: Some(thread) })
}

/// All that can be asked for.
fn routes(desk: Arc<Desk>) -> Router {
    let pages = Router::new()
        .route("/", get(pages::board))
        .route("/jobs", post(upload::form).layer(DefaultBodyLimit::disable()))
        .route("/jobs/{name}", get(pages::job))
        .route("/jobs/{name}/on/{folder}", get(pages::report))
        .route("/jobs/{name}/decide", post(pages::decide))
        .route("/jobs/{name}/printed", post(pages::printed))
        .route("/jobs/{name}/take-out", post(pages::take_out))
        .route("/machines", get(pages::machines))
        .route("/machines/{folder}/changes/{change}", get(pages::change))
        .route("/machines/{folder}/changes/{change}/{name}", get(pages::compared))
        .route("/told", get(pages::told))
        .route("/enter", get(pages::enter).post(pages::entered))
        .route("/events", get(events::stream));
    let api = Router::new()
        .route("/api/jobs", get(api::jobs))
        .route("/api/jobs/{name}", put(upload::raw).get(api::job).delete(api::take_out))
        .route("/api/jobs/{name}/on/{folder}", get(api::report))
        .route("/api/jobs/{name}/decisions", get(api::decisions).post(api::decide))
        .route("/api/jobs/{name}/prints", post(api::printed))
        .route("/api/prints", get(api::prints))
        .route("/api/machines", get(api::machines))
        .route("/api/machines/{folder}/changes/{change}", get(api::change))
        .route("/api/told", get(api::told))
        .route("/metrics", get(metrics::write));
    let open = Router::new()
        .route("/healthz", get(|| async { "ok\n" }))
        .route(pages::style_path(), get(pages::style))
        .route(pages::script_path(), get(pages::script));
    pages
        .merge(api)
        .merge(open)
        .fallback(|| async { Problem::missing("there is nothing under this address") })
        .method_not_allowed_fallback(|| async { Problem::method() })
        // Whatever is larger comes through the uploads, which have limits of their own.
        .layer(DefaultBodyLimit::max(FORM_MAX_BYTES))
        .layer(axum::middleware::from_fn_with_state(Arc::clone(&desk), guard::watch))
        .with_state(desk)
}

/// Names in an address, as they are read from it.
type In<T> = Result<extract::Path<T>, extract::rejection::PathRejection>;

/// What an address names.
fn named<T>(names: In<T>) -> Result<T, Problem> {
    names.map(|extract::Path(names)| names).map_err(|_| Problem::wrong("the name is no UTF-8"))
}

/// The folder of a machine, the number of a change of its sheet, and what is behind them.
fn of_change<T>(names: In<T>) -> Result<T, Problem> {
    names.map(|extract::Path(names)| names).map_err(|_| Problem::missing("no such change"))
}

impl Desk {
    /// Does what may take its time on a thread that may wait.
    async fn aside<T: Send + 'static>(
        self: &Arc<Self>,
        act: impl FnOnce(&Self) -> Result<T, Problem> + Send + 'static,
    ) -> Result<T, Problem> {
        let desk = Arc::clone(self);
        tokio::task::spawn_blocking(move || act(&desk)).await.unwrap_or_else(|_| Err(Problem::fault()))
    }

    /// The machine whose sheet is in use for a folder, as it is on the disk; it must be the version that the gate uses.
    fn machine(&self, folder: &str) -> Result<Machine, Problem> {
        let known = self.shelf.read(|held| held.sheets.iter().find(|sheet| sheet.folder == folder).cloned());
        let Some(state) = known else { return Err(Problem::missing("no machine has this folder")) };
        let Some((_, digest)) = state.machine else {
            return Err(Problem::conflict(
                "the sheet of this machine has faults, or is being changed: nothing is judged on it",
            ));
        };
        match Machine::load(&self.root.join("machines").join(&state.file)) {
            Ok(machine) if machine.digest == digest => Ok(machine),
            _ => Err(Problem::conflict("the sheet of this machine is being changed: look again in a moment")),
        }
    }

    /// Where a job lies.
    fn job_path(&self, name: &str) -> PathBuf {
        self.root.join("jobs").join(name)
    }
}
