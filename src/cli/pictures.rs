//! Pages and pictures of `gonogo check`.

use std::collections::{HashMap, HashSet};
use std::fs;
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};
use std::sync::Mutex;

use anyhow::{Context, bail};
use clap::Args;

use super::jobs::{Job, is_stdin};
use super::output::{self, Delivery, Output};
use super::parts::Part;
use super::shard::Shard;
use super::usage::mistake;
use crate::findings::{Inspection, Outcome, Unjudged};
use crate::machine::Machine;
use crate::preflight::{JobError, RunContext};
use crate::show::{
    page::{self, DRAWING_POINTS, IndexRow, PageError},
    picture::{OnlyLayer, PictureOptions, Pictured},
};

/// A picture besides the report.
#[derive(Debug, Args)]
pub struct PlotArgs {
    /// Also draw the job into FILE as SVG: curves over time, the plan of a layer, time at each melt rate.
    #[arg(long, value_name = "FILE")]
    plot: Option<PathBuf>,
    /// The layer to draw, from 1 [default: that of the gravest finding, or where most is melted].
    #[arg(long, value_name = "N", requires = "plot", value_parser = clap::value_parser!(u64).range(1..))]
    layer: Option<u64>,
}

/// A picture that is asked for.
pub struct Plot {
    path: PathBuf,
    layer: OnlyLayer,
    taken: Mutex<Option<Pictured>>,
}

impl PlotArgs {
    /// What is asked for.
    ///
    /// # Errors
    /// When there is more than one job: a picture shows one.
    pub fn resolve(&self, jobs: usize) -> anyhow::Result<Option<Plot>> {
        let Some(path) = &self.plot else { return Ok(None) };
        if jobs != 1 {
            return Err(mistake(format!(
                "--plot draws one job, {jobs} are given: --format html -o FOLDER makes a page for each"
            )));
        }
        let layer = self.layer.map_or(OnlyLayer::First, OnlyLayer::Number);
        Ok(Some(Plot { path: path.clone(), layer, taken: Mutex::new(None) }))
    }

    /// Nothing that is read, or written besides, may be drawn over.
    ///
    /// # Errors
    /// When --plot names one of `others`.
    pub fn spare<'p>(&self, others: impl IntoIterator<Item = &'p Path>) -> anyhow::Result<()> {
        match &self.plot {
            Some(plot) => output::spare(plot, others),
            None => Ok(()),
        }
    }

    /// Where no picture can be drawn besides.
    ///
    /// # Errors
    /// When one is asked for.
    pub fn refuse(&self, why: &str) -> anyhow::Result<()> {
        if self.plot.is_some() {
            return Err(mistake(format!("--plot {why}")));
        }
        Ok(())
    }
}

impl Plot {
    /// Judges the job and keeps what is needed for the picture.
    pub fn judge<'e>(
        &self,
        job: &Job,
        machine: &Machine,
        accept: &dyn Fn(&mut Inspection),
        context: RunContext<'_, 'e>,
    ) -> Outcome {
        let options = PictureOptions { most_points: DRAWING_POINTS, only_layer: Some(self.layer), spectrum: false };
        let mut pictured = job.judged(|path| take_from(path, &[machine], options, context))?.swap_remove(0);
        accept(&mut pictured.report);
        let report = pictured.report.clone();
        if let Ok(mut taken) = self.taken.lock() {
            *taken = Some(pictured);
        }
        Ok(report)
    }

    /// Draws it. A job that could not be judged has no picture.
    ///
    /// # Errors
    /// When it cannot be drawn or written, or the layer does not exist.
    pub fn write(self, machine: &Machine) -> anyhow::Result<()> {
        let Some(pictured) = self.taken.into_inner().ok().flatten() else { return Ok(()) };
        let layers = pictured.drawing.layers_total;
        if let OnlyLayer::Number(number) = self.layer
            && number > layers
        {
            bail!("cannot draw layer {number}: the job has {layers}");
        }
        let shown = self.path.display();
        let svg = pictured.sheet_svg(machine)?;
        let mut output = Output::file(&self.path)?;
        output.write_all(svg.as_bytes()).and_then(|()| output.finish()).with_context(|| format!("cannot write {shown}"))
    }
}

/// A page that is made of a job on a machine.
pub struct Made {
    /// What the report of it says.
    pub report: Inspection,
    html: Result<Vec<u8>, PageError>,
}

/// Pictures take two readings: what can be read once is copied first.
fn take_from<'e>(
    path: &Path,
    machines: &[&Machine],
    options: PictureOptions,
    context: RunContext<'_, 'e>,
) -> Result<Vec<Pictured>, JobError> {
    let shown = path.to_string_lossy();
    if fs::metadata(path).is_ok_and(|found| found.is_file() || found.is_dir()) {
        return Pictured::take_on_all(path, &shown, machines, options, context);
    }
    let copy = copied(path).map_err(|source| JobError::Read { path: shown.to_string(), source })?;
    Pictured::take_on_all(copy.path(), &shown, machines, options, context)
}

/// Largest job that is copied, bytes: an endless stream must not fill the disk.
const COPY_MAX_BYTES: u64 = 8 << 30;

fn copied(path: &Path) -> Result<Part, io::Error> {
    let mut copy = Part::temporary()?;
    let source: Box<dyn Read> =
        if is_stdin(path) { Box::new(io::stdin().lock()) } else { Box::new(fs::File::open(path)?) };
    if io::copy(&mut source.take(COPY_MAX_BYTES + 1), &mut copy)? > COPY_MAX_BYTES {
        let text = "it is larger than 8 GiB, and a picture needs a copy of what can be read only once: give a file";
        return Err(io::Error::new(io::ErrorKind::FileTooLarge, text));
    }
    copy.flush()?;
    Ok(copy)
}

/// Where pages go: one page to the place of the report, several into a folder with a list of them.
pub struct Pages<'m> {
    maker: Maker<'m>,
    place: Place,
}

/// Makes pages, on any thread.
#[derive(Clone, Copy)]
pub struct Maker<'m> {
    machines: &'m [&'m Machine],
    spectra: bool,
    in_folder: bool,
}

enum Place {
    One(Option<Output>),
    Folder { path: PathBuf, names: Names, rows: Vec<IndexRow>, shard: String },
}

impl<'m> Pages<'m> {
    /// Opens the place for pages of some or all of `listed`, which decide on the form and are never written over. Shards may
    /// write into one folder: the names of their files carry the shard. Pages of a folder have the spectrum of the motion
    /// where `spectra` are asked for.
    ///
    /// # Errors
    /// When nothing can be written there, or several pages come without a folder.
    pub fn new(
        listed: &[Job],
        shard: Option<Shard>,
        delivery: &Delivery,
        machines: &'m [&'m Machine],
        spectra: bool,
    ) -> anyhow::Result<Self> {
        let place = match (listed.len() * machines.len(), delivery.target()) {
            (1, Some(path)) if !path.is_dir() => Place::One(Some(Output::file(path)?)),
            (1, None) => Place::One(Some(delivery.open(false, crate::show::report::Look { width: 0, color: false })?)),
            (_, None) => return Err(mistake("several pages need a folder: name one by -o")),
            (_, Some(path)) => Place::folder(path, listed, shard)?,
        };
        let in_folder = matches!(place, Place::Folder { .. });
        let maker = Maker { machines, spectra: spectra || !in_folder, in_folder };
        Ok(Self { maker, place })
    }

    /// What makes the pages of a job.
    pub fn maker(&self) -> Maker<'m> {
        self.maker
    }

    /// Takes in the pages of the next job.
    ///
    /// # Errors
    /// When one could not be made, or cannot be written.
    pub fn add(&mut self, made: Result<Vec<Made>, Unjudged>) -> io::Result<()> {
        let machines = self.maker.machines.len();
        match (&mut self.place, made) {
            (Place::One(_), Err(_)) => Ok(()),
            (Place::One(output), Ok(made)) => {
                made.into_iter().zip(output.take()).try_for_each(|(page, output)| page.write(output))
            }
            (Place::Folder { rows, .. }, Err(unjudged)) => {
                rows.push(IndexRow::unjudged(&unjudged, machines));
                Ok(())
            }
            (Place::Folder { path, names, rows, shard }, Ok(made)) => {
                let named = |page: &Made| {
                    let on = if machines > 1 { format!("-on-{}", page.report.machine.name) } else { String::new() };
                    names.free(&page.report.job.path, &(on + shard), path)
                };
                let files: Vec<String> = made.iter().map(named).collect();
                let reports: Vec<_> = made.iter().map(|page| &page.report).zip(files.iter().cloned()).collect();
                rows.push(IndexRow::judged(&reports));
                made.into_iter()
                    .zip(&files)
                    .try_for_each(|(page, file)| page.write(Output::file(&path.join(file)).map_err(io::Error::other)?))
            }
        }
    }

    /// Writes the list of pages.
    ///
    /// # Errors
    /// When it cannot be written.
    pub fn finish(self) -> anyhow::Result<()> {
        let Place::Folder { path, rows, shard, .. } = self.place else { return Ok(()) };
        let file = path.join(index(&shard));
        let mut output = Output::file(&file)?;
        let machines: Vec<_> = self.maker.machines.iter().map(|machine| machine.facts()).collect();
        page::index(&machines, rows, &mut output)?;
        output.finish().with_context(|| format!("cannot write {}", file.display()))
    }
}

impl Maker<'_> {
    /// Judges a job on all machines and makes its pages.
    ///
    /// # Errors
    /// When the job cannot be judged.
    pub fn make<'e>(
        &self,
        job: &Job,
        accept: &dyn Fn(&mut Inspection),
        context: RunContext<'_, 'e>,
    ) -> Result<Vec<Made>, Unjudged> {
        let options = PictureOptions { most_points: DRAWING_POINTS, only_layer: None, spectrum: self.spectra };
        let taken = job.judged(|path| take_from(path, self.machines, options, context))?;
        let make = if self.in_folder { page::job_in_folder } else { page::job };
        let pages = taken.into_iter().zip(self.machines).map(|(mut pictured, machine)| {
            accept(&mut pictured.report);
            let (report, mut html) = (pictured.report.clone(), Vec::new());
            let html = make(pictured, machine, &mut html).map(|()| html);
            Made { report, html }
        });
        Ok(pages.collect())
    }
}

impl Made {
    fn write(self, mut output: Output) -> io::Result<()> {
        output.write_all(&self.html.map_err(as_io)?)?;
        output.finish()
    }
}

impl Place {
    /// A folder with the files that its pages share.
    fn folder(path: &Path, jobs: &[Job], shard: Option<Shard>) -> anyhow::Result<Self> {
        let shard = shard.map_or_else(String::new, |shard| format!("-{shard}"));
        fs::create_dir_all(path).with_context(|| format!("cannot make the folder {}", path.display()))?;
        // A job that lies in the folder must not be written over.
        let inputs = jobs.iter().filter_map(Job::path).map(output::resolved).collect();
        let names = Names { taken: HashSet::new(), tried: HashMap::new(), inputs };
        output::spare(&path.join(index(&shard)), jobs.iter().filter_map(Job::path))?;
        for shared in page::shared_files() {
            let file = path.join(&shared.name);
            output::spare(&file, jobs.iter().filter_map(Job::path))?;
            let mut output = Output::file(&file)?;
            output
                .write_all(shared.text.as_bytes())
                .and_then(|()| output.finish())
                .with_context(|| format!("cannot write {}", file.display()))?;
        }
        Ok(Self::Folder { path: path.to_owned(), names, rows: Vec::new(), shard })
    }
}

/// The list of the pages of a folder, or of one shard of them.
fn index(shard: &str) -> String {
    format!("index{shard}.html")
}

fn as_io(error: PageError) -> io::Error {
    match error {
        PageError::Write(error) => error,
        other => io::Error::other(other),
    }
}

/// Names of pages in a folder.
struct Names {
    /// In small letters: cards and some systems do not tell capitals from them.
    taken: HashSet<String>,
    /// Up to which number each was tried, so that thousands of the same name take no longer each.
    tried: HashMap<String, u64>,
    /// Files that are read, their links followed.
    inputs: HashSet<PathBuf>,
}

impl Names {
    /// A file name for the page of a job in `folder` that no other page has, nor a file that is read: letters, digits,
    /// points, dashes and underscores of the job's own and of `on`, so that it is fit for any card and any link.
    fn free(&mut self, job: &str, on: &str, folder: &Path) -> String {
        const LONGEST: usize = 80;
        let stem = Path::new(job).file_name().map_or("job".into(), |name| name.to_string_lossy());
        let fit = |c: char| if c.is_ascii_alphanumeric() || "._-".contains(c) { c } else { '_' };
        let stem: String = stem.chars().map(fit).take(LONGEST).collect();
        let stem = stem.trim_start_matches(['.', '-']);
        let stem =
            if stem.is_empty() || stem.eq_ignore_ascii_case("index") { format!("job-{stem}") } else { stem.to_owned() };
        let on: String = on.chars().map(fit).take(LONGEST).collect();
        let stem = stem + &on;
        let tried = self.tried.entry(stem.to_lowercase()).or_insert(0);
        loop {
            *tried += 1;
            let name = if *tried == 1 { format!("{stem}.html") } else { format!("{stem}-{tried}.html") };
            let is_read = self.inputs.contains(&output::resolved(&folder.join(&name)));
            if !is_read && self.taken.insert(name.to_lowercase()) {
                return name;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pages_of_one_name_are_found_at_the_first_try_each() {
        let mut names = Names { taken: HashSet::new(), tried: HashMap::new(), inputs: HashSet::new() };
        let jobs = 5000;
        for n in 0..jobs {
            names.free(if n % 2 == 0 { "a/hook.gcode" } else { "b/hook.gcode" }, "", Path::new("pages"));
        }
        assert_eq!((names.taken.len(), names.tried["hook.gcode"]), (jobs, jobs as u64));
    }

    #[test]
    fn names_of_pages_are_fit_for_links_and_never_the_same() {
        let mut names = Names { taken: HashSet::new(), tried: HashMap::new(), inputs: HashSet::new() };
        let jobs =
            ["a/hook.gcode", "b/HOOK.gcode", "b/hook.gcode", "<b>\"x\" y.gcode", "index", "-", "../../..", "ä.g"];
        let names: Vec<_> = jobs.iter().map(|job| names.free(job, "", Path::new("pages"))).collect();
        let want = [
            "hook.gcode.html",
            "HOOK.gcode-2.html",
            "hook.gcode-3.html",
            "_b__x__y.gcode.html",
            "job-index.html",
            "job-.html",
            "job.html",
            "_.g.html",
        ];
        assert_eq!(names, want);
    }
}
