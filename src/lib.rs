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
//! 3. [`motion`]: moves → blocks of planned moves: axis and corner caps, look-ahead, trapezoids.
//! 4. [`physics`]: the clock, heaters, melt rate and ringing along the blocks. Pure state machines.
//! 5. [`observe`]: the one interface between blocks and everything that watches them: [`checks`] (a catalogue of
//!    faults) and [`totals`].
//! 6. [`inspection`]: the value all this ends in. The [`log`] merges repeated hits into its findings.
//! 7. [`report`]: renderers, each to a writer.
//!
//! [`machine`] reads the sheet, [`audit`] asks whether it is plausible, [`settings`] takes settings that a machine prints
//! as G-code lines into a sheet, and prints a sheet as such lines. [`trial`] writes small jobs that measure a machine, and
//! works out what the measurements tell. [`compare`] puts two inspections of a job side by side, [`matrix`] those of one on
//! several machines, [`headroom`] finds how far limits may go. [`preflight`] wires the stages for one job, [`queue`] runs many.
//!
//! # Example
//! ```
//! use gonogo::inspection::Verdict;
//! use gonogo::machine::Machine;
//! use gonogo::preflight::{Sizes, inspect};
//!
//! let job = "G28\nM109 S200\nG1 Z0.2 F600\nG1 X20 Y20 F6000\nG1 X60 E1.5 F1800\nM104 S0\n";
//! let report = inspect(job.as_bytes(), "line.gcode", &Machine::built_in(), &Sizes::default())?;
//! assert_eq!(report.verdict, Verdict::Go, "{:#?}", report.findings);
//! assert!(report.time_s.extruding > 1.3, "40 mm at 30 mm/s");
//! # Ok::<(), std::io::Error>(())
//! ```

pub mod accepted;
pub mod audit;
pub mod checks;
#[cfg(feature = "cli")]
pub mod cli;
pub(crate) mod columns;
pub mod compare;
pub mod crew;
pub mod geometry;
pub mod headroom;
pub mod inspection;
pub mod log;
pub mod machine;
pub mod matrix;
pub mod modal;
pub mod motion;
pub mod observe;
pub mod page;
pub mod physics;
pub mod picture;
pub mod preflight;
pub mod queue;
pub mod record;
pub mod report;
pub mod resonance;
pub mod settings;
pub(crate) mod strokes;
pub mod text;
pub mod totals;
pub mod trial;
pub mod turns;
pub mod vectors;

pub use inspection::{Inspection, Verdict};
pub use machine::Machine;
pub use preflight::{inspect, inspect_path};
