//! A page per job for a browser: one file that asks for nothing else, opens from a memory card, and whose facts need no
//! script. [`job`] makes it; in a folder of several, [`job_in_folder`] makes pages that share [`shared_files`], and
//! [`index()`] the list of them.
//!
//! What a job names is shown as text and nothing else: everything is escaped, and the page's own policy lets no script run
//! but those that carry a number made from the digests of job and sheet, which no job can know beforehand. Files beside a
//! page carry that number too: a page opened as a file has no origin that a policy could name.
//!
//! Why a chart library for the curves and an own canvas for the part? Axes, zoom and a common cursor are what such a
//! library is for; a layer of coloured paths with millions of points is what it is not for.
//!
//! Why still pictures besides the live ones? A page without a script, on paper, or in a browser that cannot unpack the
//! data still shows everything once. They are the same drawings as those of `--plot`.

mod compare;
mod data;
mod index;
pub(crate) mod view;

pub use compare::{comparison, watched};
pub use index::{IndexRow, index};

use std::io::{self, Write};
use std::sync::LazyLock;

use askama::Template;

use crate::findings::Inspection;
use crate::machine::Machine;
use crate::show::{
    picture::{
        PictureError, Pictured, spectrum_svg,
        timeline::{self, Levels, Tops},
    },
    report::{CAUTION, not_modelled},
};
use crate::wording::number;
use view::{EventRow, FindingView, Head, Table};

/// Most bytes of a page.
pub const PAGE_BYTES: usize = 4_000_000;
/// Most points of the drawing to begin with; some five bytes each on the page.
pub const DRAWING_POINTS: usize = 1_200_000;

pub(crate) const STYLE: &str = include_str!("style.css");
const CHART_STYLE: &str = include_str!("kept/uPlot.min.css");
const SCRIPT: &str = include_str!("script.js");
const CHART_SCRIPT: &str = include_str!("kept/uPlot.iife.js");
const CHART_LICENCE: &str = include_str!("kept/uPlot.LICENSE");

/// What the pages of a folder share.
static SHARED: LazyLock<[SharedFile; 2]> = LazyLock::new(|| {
    let (style, script) = (format!("{CHART_STYLE}\n{STYLE}"), format!("{CHART_SCRIPT}\n{SCRIPT}"));
    [SharedFile::of("css", style), SharedFile::of("js", script)]
});

/// A file that the pages of a folder share. Its name tells its content, so that a page never meets another one's.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SharedFile {
    /// The name in the folder of the pages.
    pub name: String,
    /// What it holds.
    pub text: String,
}

impl SharedFile {
    fn of(ending: &str, text: String) -> Self {
        let name = format!("gonogo-{}.{ending}", &blake3::hash(text.as_bytes()).to_hex()[..16]);
        Self { name, text }
    }
}

/// What must lie beside pages made by [`job_in_folder`] and [`index()`].
pub fn shared_files() -> &'static [SharedFile; 2] {
    &SHARED
}

/// A page could not be made.
#[derive(Debug, thiserror::Error)]
pub enum PageError {
    /// A picture could not be drawn.
    #[error(transparent)]
    Picture(#[from] PictureError),
    /// The page could not be filled in.
    #[error("cannot make the page: {0}")]
    Template(#[from] askama::Error),
    /// It could not be written.
    #[error(transparent)]
    Write(#[from] io::Error),
}

/// Pictures that need no script.
struct Stills {
    time: String,
    time_caption: String,
    plan: String,
    plan_caption: String,
    rates: String,
    rates_caption: String,
    spectrum: Option<String>,
    spectrum_caption: String,
}

#[derive(Template)]
#[template(path = "job.html", config = "src/show/page/askama.toml")]
struct JobPage {
    version: &'static str,
    nonce: String,
    style: &'static str,
    /// Names of the shared files, style and script, in place of what is inside.
    shared: Option<[&'static str; 2]>,
    head: Head,
    caution: &'static str,
    findings: Vec<FindingView>,
    stills: Stills,
    events: Vec<EventRow>,
    events_caption: String,
    rings: bool,
    heats: bool,
    cools: bool,
    tables: Vec<Table>,
    layers: Vec<[String; 7]>,
    layers_caption: String,
    checks_made: String,
    skipped: Vec<(String, String)>,
    left_out: Vec<String>,
    licence: &'static str,
    facts: String,
    time_data: String,
    plan_data: String,
    script: &'static str,
}

/// Writes the page of a job. The drawing is made coarser until the page is at most [`PAGE_BYTES`] long.
///
/// # Errors
/// When a picture cannot be drawn or the page not be written.
pub fn job(pictured: Pictured, machine: &Machine, out: &mut dyn Write) -> Result<(), PageError> {
    write_job(pictured, machine, None, Vec::new(), out)
}

/// The same with more that must be seen under the verdict.
///
/// # Errors
/// As for [`job`].
pub fn job_with(
    pictured: Pictured,
    machine: &Machine,
    warnings: Vec<String>,
    out: &mut dyn Write,
) -> Result<(), PageError> {
    write_job(pictured, machine, None, warnings, out)
}

/// Writes the page of a job for a folder in which [`shared_files`] lie.
///
/// # Errors
/// As for [`job`].
pub fn job_in_folder(pictured: Pictured, machine: &Machine, out: &mut dyn Write) -> Result<(), PageError> {
    write_job(pictured, machine, Some(SHARED.each_ref().map(|file| file.name.as_str())), Vec::new(), out)
}

fn write_job(
    mut pictured: Pictured,
    machine: &Machine,
    shared: Option<[&'static str; 2]>,
    warnings: Vec<String>,
    out: &mut dyn Write,
) -> Result<(), PageError> {
    // What the last colours mean: the largest values, whatever they are held against.
    let melt_mm3_s = pictured.time.melt_mm3_s.most();
    let tops = Tops { melt_mm3_s, ..Tops::of(&pictured.time, &Levels::default()) };
    let rings = pictured.time.ringing_mm.is_some();
    let time_data = data::packed(&data::time(&pictured.time));
    let mut page = assemble(&pictured, machine, &tops, time_data)?;
    page.shared = shared;
    page.head.warnings.extend(warnings);
    // All but the drawing, and some room for a longer caption.
    let rest = page.render()?.len() + 200;
    loop {
        page.plan_data = data::packed(&data::drawing(&pictured.drawing, &tops, rings));
        if rest + page.plan_data.len() <= PAGE_BYTES || !pictured.drawing.coarsen() {
            break;
        }
    }
    page.stills.plan_caption = plan_caption(&pictured);
    page.facts = data::script_json(&data::facts(&pictured, machine, &tops));
    page.write_into(out)?;
    Ok(())
}

fn assemble(pictured: &Pictured, machine: &Machine, tops: &Tops, time_data: String) -> Result<JobPage, PageError> {
    let report = &pictured.report;
    let (layers, layers_caption) = view::layers(report);
    let (events, events_caption) = view::events(pictured);
    let [style, script] = SHARED.each_ref().map(|file| file.text.as_str());
    Ok(JobPage {
        version: env!("CARGO_PKG_VERSION"),
        nonce: nonce(report),
        style,
        shared: None,
        head: Head::of(report),
        caution: CAUTION,
        findings: FindingView::all(pictured),
        stills: stills(pictured, machine)?,
        events,
        events_caption,
        rings: pictured.time.ringing_mm.is_some(),
        heats: pictured.time.capacity_mm3_s.is_some(),
        cools: pictured.time.cooling_s.is_some(),
        tables: view::tables(report),
        layers,
        layers_caption,
        checks_made: format!("{} checks were made: {}.", report.checks_run.len(), report.checks_run.join(", ")),
        skipped: report
            .checks_skipped
            .iter()
            .map(|skipped| (skipped.check.to_string(), skipped.reason.clone()))
            .collect(),
        left_out: left_out(report),
        licence: CHART_LICENCE,
        facts: data::script_json(&data::facts(pictured, machine, tops)),
        time_data,
        plan_data: String::new(),
        script,
    })
}

/// What the numbers leave out, and what became of accepted findings.
fn left_out(report: &Inspection) -> Vec<String> {
    let remarks = report.acceptance.iter().flat_map(|acceptance| &acceptance.remarks);
    report.left_out.iter().chain(remarks).cloned().chain([not_modelled(report.widths.is_some()).to_owned()]).collect()
}

fn stills(pictured: &Pictured, machine: &Machine) -> Result<Stills, PageError> {
    Ok(Stills {
        time: pictured.time_svg(1000, pictured.time.tracks_px(), None)?,
        time_caption: time_caption(pictured),
        plan: pictured.plan_svg(machine, (1000, 800), pictured.first_layer())?,
        plan_caption: plan_caption(pictured),
        rates: pictured.rates_svg(1000, 300)?,
        rates_caption: "Time spent at each momentary melt rate while extruding along a path.".to_owned(),
        spectrum: (pictured.spectrum.as_ref().filter(|spectrum| spectrum.windows > 0))
            .map(|spectrum| spectrum_svg(spectrum, &machine.structure.modes, 1000, 340))
            .transpose()?,
        spectrum_caption: spectrum_caption(pictured, machine),
    })
}

/// The live curves have finer stretches than the still ones.
fn time_caption(pictured: &Pictured) -> String {
    let (stretch_s, stretches) = (pictured.time.stretch_s, pictured.time.lines.len());
    let joined = stretches.div_ceil(timeline::COLUMNS).max(1);
    let still = match joined {
        1 => String::new(),
        joined => format!(" ({} s on the still picture)", number(stretch_s * joined as f64)),
    };
    format!(
        "Lowest and highest value in each stretch of {} s{still}, so that no peak is lost; faint strokes mark layers.",
        number(stretch_s)
    )
}

fn spectrum_caption(pictured: &Pictured, machine: &Machine) -> String {
    let Some(spectrum) = &pictured.spectrum else {
        return "The spectrum of the motion takes longer than all the rest of a page, so pages of a folder come without: \
                --spectra adds it to each, and the page of a single job always has it."
            .to_owned();
    };
    if spectrum.windows == 0 {
        return "The motion is too short for a spectrum.".to_owned();
    }
    let modes = match machine.structure.modes.is_empty() {
        true => ". The sheet gives no modes of the frame",
        false => "; shaded, where the frame's modes answer",
    };
    let sample = match spectrum.taken < spectrum.windows {
        true => format!(" From {} of {} windows of 4 s.", spectrum.taken, spectrum.windows),
        false => String::new(),
    };
    format!("How much acceleration the planned motion has at each frequency{modes}.{sample}")
}

fn plan_caption(pictured: &Pictured) -> String {
    if pictured.drawing.layers.is_empty() {
        return String::new();
    }
    format!(
        "Lines where filament is laid, and dashed in red the machine's travel and its keep-out boxes. {}",
        pictured.drawing.limits()
    )
}

/// A number that a job cannot know beforehand: it depends on the digest of its bytes.
pub(crate) fn nonce(report: &Inspection) -> String {
    let seed = format!("gonogo page of {} on {}", report.job.digest, report.machine.digest);
    blake3::hash(seed.as_bytes()).to_hex()[..32].to_owned()
}
