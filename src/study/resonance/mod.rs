//! How a job excites the structure of a machine, and what could be done about it: the spectrum of the planned acceleration,
//! the time spent going to and fro at each frequency, feed rates to avoid, the worst places, and impulse shapers.
//!
//! [`Watcher`] is an observer that gathers all but the shapers in one pass and constant memory; [`study`] does everything.

pub mod avoid;
pub mod bands;
mod corners;
mod places;
pub mod shaping;
pub mod spectrum;
#[cfg(test)]
mod tests;

use std::io;
use std::path::Path;
use std::sync::Arc;

use crate::block::Block;
use crate::findings::{Attached, Inspection, Layer, Log, Observer};
use crate::machine::{Machine, Mode};
use crate::preflight::{JobError, JobSource, LoadedJob, Preflight, RunContext};
use crate::threads::HelperPool;
use avoid::Avoid;
use bands::{Bands, Patterns};
use corners::Corners;
use places::Places;
use shaping::{Seen, Shaping};
use spectrum::{Gathering, Spectrum};

pub use corners::Rounding;
pub use places::{APART_MM, PLACES, WorstPlace};

/// Watches a job for its excitation; seat it with [`Attached`].
pub struct Watcher {
    spectrum: Gathering,
    patterns: Patterns,
    places: Places,
    corners: Corners,
    layers: Vec<Layer>,
    end_s: f64,
    moved: bool,
    stops: u64,
}

/// What a [`Watcher`] saw.
#[derive(Debug, Clone, PartialEq)]
pub struct Excitation {
    /// How much acceleration at which frequency.
    pub spectrum: Spectrum,
    /// How long to and fro at which frequency, per direction of the spectrum.
    pub bands: Vec<Bands>,
    /// Where it rings most, the worst first.
    pub places: Vec<WorstPlace>,
    /// What each of [`shaping::candidates`] does to the corners.
    pub roundings: Vec<Rounding>,
    /// How often the machine waits until it stands still.
    pub stops: u64,
}

impl Watcher {
    /// One for a machine.
    pub fn new(machine: &Machine) -> Self {
        let structure = &machine.structure;
        Self {
            spectrum: Gathering::new(structure, 1),
            patterns: Patterns::new(structure, &spectrum::directions(structure)),
            places: Places::new(structure),
            corners: Corners::new(&shaping::candidates(structure)),
            layers: Vec::new(),
            end_s: 0.0,
            moved: false,
            stops: 0,
        }
    }

    /// What was seen of the job up to here.
    pub fn finish(self) -> Excitation {
        let spectrum = self.spectrum.finish();
        Excitation {
            bands: self.patterns.finish(&spectrum, self.end_s),
            places: self.places.finish(&self.layers),
            roundings: self.corners.finish(),
            stops: self.stops,
            spectrum,
        }
    }
}

impl Observer for Watcher {
    fn observe(&mut self, block: &Block, _: &mut Log) {
        self.spectrum.block(block);
        self.patterns.block(block);
        self.places.block(block);
        self.corners.block(block);
        self.moved |= corners::moves(block);
        if self.moved && block.standstill().is_some() {
            (self.moved, self.stops) = (false, self.stops + 1);
        }
        if let Some(action) = block.actions.last() {
            self.end_s = action.at_s + action.duration_s;
        }
    }

    fn finish(&mut self, draft: &mut Inspection, _: &mut Log) {
        self.layers.clone_from(&draft.layers);
    }
}

/// What is asked of [`study`].
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct StudyOptions {
    /// Ringing to compare candidates at, mm; without it that of the sheet, or that of the job today.
    pub ringing_mm: Option<f64>,
    /// True to leave out what takes many plans: the job is then not kept, and may have any size.
    pub once: bool,
}

/// All that is known of one job.
#[derive(Debug, Clone, PartialEq)]
pub struct Study {
    /// The report on the job today.
    pub today: Inspection,
    /// The modes of the sheet.
    pub modes: Vec<Mode>,
    /// What was seen.
    pub seen: Excitation,
    /// How long the machine waits in all for the last impulse of the sheet's shapers where it stands still, s: not part of
    /// the time of `today`, but of all times of `shaping`.
    pub waits_s: f64,
    /// Feed rates to avoid, a table for each mode.
    pub avoid: Vec<Avoid>,
    /// What shapers leave and cost, or why that is not reported.
    pub shaping: Result<Shaping, String>,
}

/// Studies the job at `path` (`-` is standard input) with the helpers of the context.
///
/// # Errors
/// When the job cannot be opened or read to its end, or comes from a stream and is too large to be planned many times.
pub fn study<'e>(
    path: &Path,
    machine: &Machine,
    ask: StudyOptions,
    context: RunContext<'_, 'e>,
) -> Result<Study, JobError> {
    if let Some(why) = without_plans(machine, ask) {
        return study_once(path, machine, why, context);
    }
    match Preflight::on(machine).within(context).load(JobSource::at(path)) {
        Ok(kept) => Ok(study_kept(&Arc::new(kept), machine, ask, context.helpers())),
        // Too many moves to be kept; a file can be read again.
        Err(JobError::Read { source, .. }) if source.kind() == io::ErrorKind::Other && path.is_file() => {
            study_once(path, machine, source.to_string(), context.silent())
        }
        Err(error) => Err(error),
    }
}

/// Why no further plans are to be made, if so.
fn without_plans(machine: &Machine, ask: StudyOptions) -> Option<String> {
    if machine.structure.modes.is_empty() {
        return Some("the sheet gives no `[[structure]]`".to_owned());
    }
    ask.once.then(|| "it was not asked for".to_owned())
}

fn study_once<'e>(path: &Path, machine: &Machine, why: String, context: RunContext<'_, 'e>) -> Result<Study, JobError> {
    let (handle, attached) = Attached::new(Watcher::new(machine));
    let today = Preflight::on(machine).within(context).watch(0, attached).run(JobSource::at(path))?;
    Ok(Study::of(today, seen(&handle, machine), machine, Err(why)))
}

/// The same on a job that was kept as `machine` reads it.
pub fn study_kept(kept: &Arc<LoadedJob>, machine: &Machine, ask: StudyOptions, helpers: &HelperPool<'_>) -> Study {
    let (handle, attached) = Attached::new(Watcher::new(machine));
    let today = kept.judge_with(machine, vec![attached]);
    let seen = seen(&handle, machine);
    let shaping = match without_plans(machine, ask) {
        Some(why) => Err(why),
        None if today.time_s.extruding <= 0.0 => Err("the job extrudes nothing along a path".to_owned()),
        None => {
            let sets_limits = today.limits_set_in_job;
            let known =
                Seen { roundings: seen.roundings.clone(), stops: seen.stops, starves: today.starving.is_some() };
            Ok(shaping::shape(kept, machine, ask.ringing_mm, sets_limits, known, helpers))
        }
    };
    Study::of(today, seen, machine, shaping)
}

fn seen(handle: &Attached<Watcher>, machine: &Machine) -> Excitation {
    // It was attached, so it is there.
    handle.take().unwrap_or_else(|| Watcher::new(machine)).finish()
}

impl Study {
    fn of(today: Inspection, seen: Excitation, machine: &Machine, shaping: Result<Shaping, String>) -> Self {
        let avoid = avoid::avoid(machine, &seen.bands);
        let waits_s = shaping::waits_s(&machine.structure.shapers, seen.stops);
        Self { today, modes: machine.structure.modes.clone(), seen, waits_s, avoid, shaping }
    }
}
