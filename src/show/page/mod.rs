//! A page per job for a browser: one file that asks for nothing else, opens from a memory card, and whose facts need no
//! script. [`job`] makes it, [`index`] the list of several.
//!
//! What a job names is shown as text and nothing else: everything is escaped, and the page's own policy lets no script run
//! but those that carry a number made from the digests of job and sheet, which no job can know beforehand.
//!
//! Why a chart library for the curves and an own canvas for the part? Axes, zoom and a common cursor are what such a
//! library is for; a layer of coloured paths with millions of points is what it is not for.
//!
//! Why still pictures besides the live ones? A page without a script, on paper, or in a browser that cannot unpack the
//! data still shows everything once. They are the same drawings as those of `--plot`.

mod compare;
mod data;
mod view;

pub use compare::comparison;

use std::io::{self, Write};

use askama::Template;

use crate::findings::{Inspection, Unjudged};
use crate::machine::Machine;
use crate::show::{
    picture::{
        PictureError, Pictured, spectrum_svg,
        timeline::{self, Levels, Tops},
    },
    report::{CAUTION, text::why},
};
use crate::wording::{clock, number, path};
use view::{EventRow, FindingView, Head, Table};

/// Most bytes of a page.
pub const PAGE_BYTES: usize = 4_000_000;
/// Most points of the drawing to begin with; some five bytes each on the page.
pub const DRAWING_POINTS: usize = 1_200_000;

const STYLE: &str = include_str!("style.css");
const CHART_STYLE: &str = include_str!("kept/uPlot.min.css");
const SCRIPT: &str = include_str!("script.js");
const CHART_SCRIPT: &str = include_str!("kept/uPlot.iife.js");
const CHART_LICENCE: &str = include_str!("kept/uPlot.LICENSE");

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
    style: String,
    head: Head,
    caution: &'static str,
    findings: Vec<FindingView>,
    stills: Stills,
    events: Vec<EventRow>,
    events_caption: String,
    rings: bool,
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
    kept_script: &'static str,
    script: &'static str,
}

#[derive(Template)]
#[template(path = "index.html", config = "src/show/page/askama.toml")]
struct IndexPage<'p> {
    version: &'static str,
    style: &'static str,
    caution: &'static str,
    head: &'static str,
    summary: String,
    rows: &'p [IndexRow],
}

/// A job in the list of several.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct IndexRow {
    /// File of its page; none when it could not be judged.
    pub file: Option<String>,
    /// Path as given.
    pub name: String,
    /// Glyph, word and class of the verdict.
    pub verdict: (&'static str, &'static str, &'static str),
    /// Time of the job.
    pub time: String,
    /// Why this verdict, or why there is none.
    pub why: String,
}

impl IndexRow {
    /// The row of a judged job.
    pub fn judged(report: &Inspection, file: String) -> Self {
        Self {
            file: Some(file),
            name: path(&report.job.path).into_owned(),
            verdict: view::verdict(report.verdict),
            time: clock(report.time_s.total()),
            why: why(report),
        }
    }

    /// The row of one that could not be judged.
    pub fn unjudged(unjudged: &Unjudged) -> Self {
        Self {
            file: None,
            name: path(&unjudged.path).into_owned(),
            verdict: ("?", "not judged", "note"),
            time: String::new(),
            why: unjudged.error.clone(),
        }
    }
}

/// Writes the page of a job. The drawing is made coarser until the page is at most [`PAGE_BYTES`] long.
///
/// # Errors
/// When a picture cannot be drawn or the page not be written.
pub fn job(mut pictured: Pictured, machine: &Machine, out: &mut dyn Write) -> Result<(), PageError> {
    // What the last colours mean: the largest values, whatever they are held against.
    let melt_mm3_s = pictured.time.melt_mm3_s.most();
    let tops = Tops { melt_mm3_s, ..Tops::of(&pictured.time, &Levels::default()) };
    let rings = pictured.time.ringing_mm.is_some();
    let time_data = data::packed(&data::time(&pictured.time));
    let mut page = assemble(&pictured, machine, &tops, time_data)?;
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
    let mut found: Vec<_> = report.findings.iter().enumerate().collect();
    found.sort_by_key(|(_, finding)| finding.accepted.is_some());
    Ok(JobPage {
        version: env!("CARGO_PKG_VERSION"),
        nonce: nonce(report),
        style: format!("{CHART_STYLE}\n{STYLE}"),
        head: Head::of(report),
        caution: CAUTION,
        findings: found.into_iter().map(|(index, finding)| FindingView::of(pictured, index, finding)).collect(),
        stills: stills(pictured, machine)?,
        events,
        events_caption,
        rings: pictured.time.ringing_mm.is_some(),
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
        kept_script: CHART_SCRIPT,
        script: SCRIPT,
    })
}

/// What the numbers leave out, and what became of accepted findings.
fn left_out(report: &Inspection) -> Vec<String> {
    let remarks = report.acceptance.iter().flat_map(|acceptance| &acceptance.remarks);
    report.left_out.iter().chain(remarks).cloned().collect()
}

fn stills(pictured: &Pictured, machine: &Machine) -> Result<Stills, PageError> {
    let rings = pictured.time.ringing_mm.is_some();
    Ok(Stills {
        time: pictured.time_svg(1000, if rings { 560 } else { 450 }, None)?,
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
    let Some(spectrum) = &pictured.spectrum else { return String::new() };
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
        "Lines where filament is laid, coloured by what happens on them; in red, the machine's travel and keep-out boxes. {}",
        pictured.drawing.limits()
    )
}

/// A number that a job cannot know beforehand: it depends on the digest of its bytes.
fn nonce(report: &Inspection) -> String {
    let seed = format!("gonogo page of {} on {}", report.job.digest, report.machine.digest);
    blake3::hash(seed.as_bytes()).to_hex()[..32].to_owned()
}

/// Writes the list of several jobs.
///
/// # Errors
/// When the page cannot be written.
pub fn index(rows: &[IndexRow], out: &mut dyn Write) -> Result<(), PageError> {
    let count = |class: &str| rows.iter().filter(|row| row.file.is_some() && row.verdict.2 == class).count();
    let lost = rows.iter().filter(|row| row.file.is_none()).count();
    let lost = if lost > 0 { format!(", {lost} not judged") } else { String::new() };
    let summary = format!(
        "{} of {}: {} go, {} hold, {} no-go{lost}.",
        rows.len() - rows.iter().filter(|row| row.file.is_none()).count(),
        crate::wording::counted(rows.len() as u64, "job", "jobs"),
        count("go"),
        count("hold"),
        count("no-go"),
    );
    let page =
        IndexPage { version: env!("CARGO_PKG_VERSION"), style: STYLE, caution: CAUTION, head: "Jobs", summary, rows };
    page.write_into(out)?;
    Ok(())
}
