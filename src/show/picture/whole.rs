//! A job read twice for its pictures: once for the report and what happens when, once for the part, now that it is known
//! where something was found.
//!
//! Why does a page read its job twice? Which layers must stay full is known only when everything was judged; keeping
//! every move until then would take memory in proportion to the job. Standard input is copied to a file first.

use std::io;
use std::path::Path;

use super::plan::{LayerPlan, Mark};
use super::timeline::{self, Levels, Tops};
use super::{PictureError, rates, svg};
use crate::findings::{Attached, Finding, Inspection, Severity};
use crate::machine::Machine;
use crate::preflight::{JobError, JobSource, Preflight, RunContext};
use crate::show::record::{Drawing, DrawnLayer, Place, Plan, PlanOptions, TimeLine, TimeRecord};
use crate::study::resonance::spectrum::{Sampling, Spectrum};

/// A job with what its pictures show.
#[derive(Debug, Clone, PartialEq)]
pub struct Pictured {
    /// The report.
    pub report: Inspection,
    /// What happens when.
    pub time: TimeRecord,
    /// The part.
    pub drawing: Drawing,
    /// How the motion excites the structure; none where it was not wanted.
    pub spectrum: Option<Spectrum>,
    /// The layer that alone was drawn.
    pub only_layer: Option<u64>,
}

/// What is taken of a job.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PictureOptions {
    /// The drawing has at most so many points.
    pub most_points: usize,
    /// One layer alone is drawn.
    pub only_layer: Option<OnlyLayer>,
    /// The spectrum of the motion too, which takes longer than all the rest.
    pub spectrum: bool,
}

impl PictureOptions {
    /// The layer that alone is drawn.
    fn layer_of(self, report: &Inspection) -> Option<u64> {
        self.only_layer.map(|only| match only {
            OnlyLayer::Number(number) => number,
            OnlyLayer::First => first_layer(report),
        })
    }
}

fn plan_options(machine: &Machine, report: &Inspection, options: PictureOptions) -> PlanOptions {
    PlanOptions {
        layers: report.layers.clone(),
        layers_total: report.layers_total,
        tip_mm: machine.tools.first().map_or([0.0; 3], |tool| tool.offset_mm),
        full_lines: wanted(&report.findings, Severity::Hold),
        place_lines: wanted(&report.findings, Severity::Note),
        most_points: options.most_points,
        only_layer: options.layer_of(report),
        layer_points: None,
    }
}

/// Windows of the spectrum, one a second; of jobs more than twice as long a sample of so many at least.
const WINDOWS: f64 = 2048.0;

/// Places of all findings on a page, and of each at least.
const PLACES: usize = 8000;
const PLACES_LEAST: usize = 8;

impl Pictured {
    /// Judges the job at `path`, shown as `shown`, and takes its pictures. The progress is that of the first reading.
    ///
    /// # Errors
    /// When the job cannot be read, or changes while it is.
    pub fn take<'e>(
        path: &Path,
        shown: &str,
        machine: &Machine,
        wanted: PictureOptions,
        context: RunContext<'_, 'e>,
    ) -> Result<Self, JobError> {
        Self::take_on_all(path, shown, &[machine], wanted, context).map(|mut all| all.swap_remove(0))
    }

    /// The same on several machines, at least one, in their order: the job is read twice, however many there are.
    ///
    /// # Errors
    /// When the job cannot be read, or changes while it is.
    pub fn take_on_all<'e>(
        path: &Path,
        shown: &str,
        machines: &[&Machine],
        wanted: PictureOptions,
        context: RunContext<'_, 'e>,
    ) -> Result<Vec<Self>, JobError> {
        let mut preflight = Preflight::on_all(machines).within(context);
        let mut times = Vec::new();
        for (place, machine) in machines.iter().enumerate() {
            let (time, attached) = Attached::new(TimeLine::new(machine));
            preflight = preflight.watch(place, attached);
            times.push(time);
        }
        let reports = preflight.run_all(JobSource::at_as(path, shown))?;
        let times: Vec<_> = times.into_iter().map(|time| time.take().map(TimeLine::into_record)).collect();
        let mut again = Preflight::on_all(machines).unjudged().within(context.silent());
        let (mut plans, mut samplings) = (Vec::new(), Vec::new());
        for (place, (machine, report)) in machines.iter().zip(&reports).enumerate() {
            let (plan, attached) = Attached::new(Plan::new(plan_options(machine, report, wanted)));
            again = again.watch(place, attached);
            plans.push(plan);
            // How long the job is decides how many windows are left out, so that this is for the second reading.
            let every = (report.time_s.total() / WINDOWS) as u64;
            let sampling = wanted.spectrum.then(|| Attached::new(Sampling::one_of(every, &machine.structure)));
            let (sampling, attached) = sampling.unzip();
            samplings.push(sampling);
            if let Some(attached) = attached {
                again = again.watch(place, attached);
            }
        }
        let second = again.run_all(JobSource::at_as(path, shown))?;
        let changed =
            || JobError::Read { path: shown.to_owned(), source: io::Error::other("it changed while it was read") };
        let digest = |reports: &[Inspection]| reports.first().map(|report| report.job.digest.clone());
        if digest(&second) != digest(&reports) {
            return Err(changed());
        }
        let spectra = samplings.into_iter().map(|handle| handle.and_then(|handle| handle.take()).map(Sampling::finish));
        let taken = reports.into_iter().zip(times).zip(spectra).zip(plans);
        taken
            .map(|(((report, time), spectrum), plan)| {
                let (Some(time), Some(plan)) = (time, plan.take()) else { return Err(changed()) };
                let only_layer = wanted.layer_of(&report);
                Ok(Self { report, spectrum, time, drawing: plan.into_drawing(), only_layer })
            })
            .collect()
    }

    /// The layer to show first: the one drawn alone, or the one with the first finding that decides, or the one with the
    /// longest path.
    pub fn first_layer(&self) -> u64 {
        self.only_layer.unwrap_or_else(|| first_layer(&self.report))
    }

    /// The lines of a finding that a page has places for: where there are very many findings, a few of each.
    pub fn placed_lines(&self, finding: &Finding) -> Vec<u64> {
        let mut lines = lines_of(finding);
        lines.truncate((PLACES / self.report.findings.len().max(1)).max(PLACES_LEAST));
        lines
    }

    /// Where the tip of the tool in use is on a line on which something was found.
    pub fn place(&self, line: u64) -> Option<&Place> {
        let places = &self.drawing.places;
        places.binary_search_by_key(&line, |place| place.line).ok().map(|at| &places[at])
    }

    /// The drawn layer of that number, or the one below it.
    pub fn layer(&self, number: u64) -> Option<&DrawnLayer> {
        let layers = &self.drawing.layers;
        layers.iter().rev().find(|layer| layer.number <= number).or(layers.first())
    }

    /// Findings above a note on a layer, numbered from 1 as reports list them.
    pub fn marks(&self, layer: u64) -> Vec<Mark> {
        let on_layer = |(number, finding): (usize, &Finding)| -> Vec<Mark> {
            let places = lines_of(finding).into_iter().filter_map(|line| self.place(line));
            places
                // What comes before the first layer is drawn with it.
                .filter(|place| place.layer.max(1) == layer)
                .map(|place| Mark { number: number + 1, at: [place.to[0], place.to[1]] })
                .collect()
        };
        let is_grave = |finding: &Finding| finding.severity > Severity::Note && finding.accepted.is_none();
        let grave = self.report.findings.iter().enumerate().filter(|(_, finding)| is_grave(finding));
        grave.flat_map(on_layer).collect()
    }

    /// Curves over time as SVG.
    ///
    /// # Errors
    /// What the drawing library says.
    pub fn time_svg(&self, width_px: u32, height_px: u32, tops: Option<Tops>) -> Result<String, PictureError> {
        let levels = Levels::of(&self.report);
        let tops = tops.unwrap_or_else(|| Tops::of(&self.time, &levels));
        svg(width_px, height_px, |canvas| timeline::draw(canvas, &self.time, &levels, &tops))
    }

    /// Time at each melt rate as SVG.
    ///
    /// # Errors
    /// What the drawing library says.
    pub fn rates_svg(&self, width_px: u32, height_px: u32) -> Result<String, PictureError> {
        let levels = Levels::of(&self.report);
        svg(width_px, height_px, |canvas| rates::draw(canvas, &self.time.rates, &levels, self.report.flow.peak_mm3_s))
    }

    /// One layer from above as SVG.
    ///
    /// # Errors
    /// What the drawing library says.
    pub fn plan_svg(&self, machine: &Machine, size: (u32, u32), layer: u64) -> Result<String, PictureError> {
        svg(size.0, size.1, |canvas| self.plan(canvas, machine, layer))
    }

    /// All pictures on one sheet as SVG.
    ///
    /// # Errors
    /// What the drawing library says.
    pub fn sheet_svg(&self, machine: &Machine) -> Result<String, PictureError> {
        let edges = if self.time.ringing_mm.is_some() { 40 } else { 30 };
        let (width, top, below) = (1200, self.time.tracks_px() + edges, 700);
        let levels = Levels::of(&self.report);
        svg(width, top + below, |canvas| {
            let (upper, lower) = canvas.split_vertically(top);
            timeline::draw(&upper, &self.time, &levels, &Tops::of(&self.time, &levels))?;
            let (left, right) = lower.split_horizontally(700);
            self.plan(&left, machine, self.first_layer())?;
            rates::draw(&right, &self.time.rates, &levels, self.report.flow.peak_mm3_s)
        })
    }

    fn plan(&self, canvas: &super::Canvas<'_>, machine: &Machine, layer: u64) -> Result<(), PictureError> {
        let Some(layer) = self.layer(layer) else {
            let style = plotters::style::IntoFont::into_font((super::FONT, 15)).color(&super::ink::TEXT);
            let text = plotters::element::Text::new("nothing is moved in the plane", (10, 10), style);
            return canvas.draw(&text).map_err(PictureError::of);
        };
        LayerPlan {
            layer,
            layers_total: self.drawing.layers_total,
            machine,
            top_mm3_s: self.report.flow.peak_mm3_s,
            capacity_mm3_s: self.report.capacity.sustained_mm3_s.filter(|capacity| *capacity > 0.0),
            marks: &self.marks(layer.number),
            within_mm: if layer.full { 0.0 } else { self.drawing.within_mm },
        }
        .draw(canvas)
    }
}

/// Which layer alone.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum OnlyLayer {
    /// That one.
    Number(u64),
    /// The one with the first finding that decides, or the one with the longest path.
    First,
}

/// Lines of a finding: the worst first, then the others as kept.
pub fn lines_of(finding: &Finding) -> Vec<u64> {
    let others = finding.lines.iter().copied().filter(|line| Some(*line) != finding.worst_line);
    finding.worst_line.into_iter().chain(others).filter(|&line| line > 0).collect()
}

/// Lines of all findings of that severity and up, ascending.
fn wanted(findings: &[Finding], least: Severity) -> Vec<u64> {
    let mut lines: Vec<u64> = findings.iter().filter(|finding| finding.severity >= least).flat_map(lines_of).collect();
    lines.sort_unstable();
    lines.dedup();
    lines
}

/// The layer of the first finding that decides, or the first of those with the longest path.
fn first_layer(report: &Inspection) -> u64 {
    let is_grave = |finding: &&Finding| finding.severity > Severity::Note && finding.accepted.is_none();
    let grave = report.findings.iter().filter(is_grave).find_map(|finding| lines_of(finding).first().copied());
    let longest = || {
        let layers = report.layers.iter().rev();
        layers.max_by(|a, b| a.path_mm.total_cmp(&b.path_mm)).map_or(0, |layer| layer.first_line)
    };
    report.layer_at(grave.unwrap_or_else(longest)).max(1)
}
