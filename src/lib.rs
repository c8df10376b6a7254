//! Go, hold or no-go for a sliced filament-printer job on the machine as it is set up today.
//!
//! A job is a stream of bytes, a machine is a sheet of settings; the answer is an [`Inspection`]: a verdict, the findings
//! behind it with their lines, and what the job will do. Units are mm, s and °C throughout; names end in their unit.
//!
//! # Stages
//! Data goes one way, and no stage calls back:
//!
//! 1. [`text`]: bytes → lines → words. The grammar is the law here.
//! 2. [`modal`]: words → events, in mm and s, machine coordinates. Inches and per-minute end here.
//! 3. [`block`]: what passes from reading to watching, and no stage of its own: events, blocks of moves, the actions that
//!    close them.
//! 4. [`motion`]: moves → planned moves: axis and corner caps, look-ahead, trapezoids.
//! 5. [`physics`]: the clock, heaters, melt rate and ringing along the blocks. Pure state machines.
//! 6. [`findings`]: what is found, and the one interface between blocks and everything that watches them: [`checks`] (a
//!    catalogue of faults) and [`totals`]. All ends in an [`Inspection`]; [`accepted`] findings no longer count in it.
//! 7. [`preflight`]: the front door, which wires the stages for a job on one or several machines.
//!
//! On top of them stand three wings: [`study`] looks at a job more than once (before and after, on several machines, with
//! other limits, as an excitation), [`workshop`] is about the machine itself (whether its sheet is plausible, its settings
//! as G-code lines, small jobs that measure it), and [`show`] renders, each renderer to a writer. `service` answers requests
//! line by line, and keeps a ledger of what was judged.
//!
//! # Features
//! `cli` (the default) is the command line and brings all of `page` (pages for a browser, pictures), `formats` (CSV,
//! JUnit XML, OpenMetrics, SARIF), `learn` (the clock that finished prints set) and `service` (requests answered line by
//! line, a ledger). Without features the library reads, plans, judges, and reports as text and JSON, which
//! [`show::report::json::read`] reads back.
//!
//! Below them all lie [`geometry`], [`vectors`], [`threads`], the [`machine`] sheet and, for inside alone, `wording` (numbers
//! and text for people).
//!
//! # Stability
//! What [`preflight`], [`findings`], [`machine`] and the published formats of [`show::report`] offer is meant to last; the
//! stages are public for benches and tests and may change with any version.
//!
//! # Example
//! ```
//! use gonogo::findings::Verdict;
//! use gonogo::machine::Machine;
//! use gonogo::preflight::{JobSource, Preflight};
//!
//! let job = "G28\nM109 S200\nG1 Z0.2 F600\nG1 X20 Y20 F6000\nG1 X60 E1.5 F1800\nM104 S0\n";
//! let report = Preflight::on(&Machine::built_in()).run(JobSource::stream(job.as_bytes(), "line.gcode"))?;
//! assert_eq!(report.verdict, Verdict::Go, "{:#?}", report.findings);
//! assert!(report.time_s.extruding > 1.3, "40 mm at 30 mm/s");
//! # Ok::<(), gonogo::preflight::JobError>(())
//! ```

pub mod accepted;
pub mod block;
pub mod checks;
#[cfg(feature = "cli")]
pub mod cli;
pub mod findings;
pub mod geometry;
pub mod machine;
pub mod modal;
pub mod motion;
pub mod physics;
pub mod preflight;
#[cfg(feature = "service")]
pub mod service;
pub mod show;
pub mod study;
pub mod text;
pub mod threads;
pub mod totals;
pub mod vectors;
pub(crate) mod wording;
pub mod workshop;

pub use findings::{Inspection, Verdict};
pub use machine::Machine;
pub use preflight::{JobSource, Preflight};
