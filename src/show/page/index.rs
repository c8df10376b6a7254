//! The list of the pages in a folder: its jobs on one machine, or on several side by side. The worst job comes first; a
//! script sorts otherwise and hides rows, and without one it is a plain table.

use std::io::Write;

use askama::Template;

use super::view::{self, file_name};
use super::{PageError, SHARED};
use crate::findings::{Inspection, MachineFacts, Unjudged, Verdict};
use crate::show::report::{BUILT_IN, CAUTION, common_folder, deciding, give_or_take, text::why, unsafe_accepted};
use crate::wording::{clock, counted, length, listed, number, pair, path, quantity, safe, short_digest};

const SCRIPT: &str = include_str!("index.js");

#[derive(Template)]
#[template(path = "index.html", config = "src/show/page/askama.toml")]
struct IndexPage<'p> {
    version: &'static str,
    nonce: String,
    style_file: &'static str,
    script: &'static str,
    caution: &'static str,
    head: String,
    /// The machines: name, sheet, what became of the jobs there.
    machines: Vec<String>,
    warnings: Vec<String>,
    columns: Vec<Column>,
    rows: Vec<&'p IndexRow>,
    /// Verdicts that occur: class and word.
    verdicts: Vec<(&'static str, &'static str)>,
}

/// A column of the list.
struct Column {
    name: String,
    is_number: bool,
}

/// A job in the list.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct IndexRow {
    /// Its verdict on each machine; none where it could not be judged.
    verdicts: Vec<Verdict>,
    /// Digest of the job, or its path where there is none.
    seed: String,
    cells: Vec<Cell>,
    /// No-go findings on heat or travel that are accepted.
    accepted_unsafe: usize,
}

/// What stands in a cell.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
struct Cell {
    text: String,
    /// What it is sorted by; none for a text.
    key: Option<String>,
    /// The page it leads to.
    file: Option<String>,
    /// Shape, word and class of a verdict in place of a text.
    verdict: Option<(&'static str, &'static str, &'static str)>,
    is_number: bool,
    /// Beside the rest, in small.
    beside: String,
}

/// Shape, word and class of what has no verdict.
const NOT_JUDGED: (&str, &str, &str) = ("?", "not judged", "note");

impl Cell {
    fn text(text: String) -> Self {
        Self { text, ..Self::default() }
    }

    fn number(text: String, key: f64) -> Self {
        Self { text, key: Some(format!("{key}")), is_number: true, ..Self::default() }
    }

    fn verdict(of: Option<Verdict>) -> Self {
        let key = of.map_or(Verdict::NoGo as usize + 1, |verdict| verdict as usize);
        Self { key: Some(key.to_string()), verdict: Some(of.map_or(NOT_JUDGED, view::verdict)), ..Self::default() }
    }

    fn to(self, file: String) -> Self {
        Self { file: Some(file), ..self }
    }

    /// A value with what it is held against.
    fn against(value: f64, limit: Option<f64>) -> Self {
        let text = limit.map_or_else(
            || number(value),
            |limit| {
                let (value, limit) = pair(value, limit);
                format!("{value} of {limit}")
            },
        );
        Self::number(text, value)
    }
}

impl IndexRow {
    /// The row of a job with the report of each machine and the file of its page.
    pub fn judged(pages: &[(&Inspection, String)]) -> Self {
        let verdicts: Vec<Verdict> = pages.iter().map(|(report, _)| report.verdict).collect();
        let job = pages.first().map(|(report, _)| &report.job);
        let name = job.map_or(String::new(), |job| path(&job.path).into_owned());
        let cells = match pages {
            [(report, file)] => on_one(report, file, name),
            _ => {
                let is_clocked = pages.iter().any(|(report, _)| report.wall_time.is_some());
                let mut cells = vec![Cell::verdict(verdicts.iter().min().copied()), Cell::text(name)];
                cells.extend(pages.iter().map(|(report, file)| {
                    let why = deciding(report).next().map_or(String::new(), |finding| format!(", {}", finding.check));
                    // Beside times by a clock.
                    let how = if is_clocked && report.wall_time.is_none() { "planned " } else { "" };
                    let time = clock(report.reckoned_s()) + &give_or_take(report, " ");
                    let beside = format!("{}{how}{time}{why}", mark(report));
                    Cell { beside, ..Cell::verdict(Some(report.verdict)).to(file.clone()) }
                }));
                cells
            }
        };
        let accepted_unsafe = pages.iter().map(|(report, _)| report.accepted_unsafe()).sum();
        Self { verdicts, seed: job.map_or(String::new(), |job| job.digest.clone()), cells, accepted_unsafe }
    }

    /// The row of one that could not be judged, on so many machines.
    pub fn unjudged(unjudged: &Unjudged, machines: usize) -> Self {
        let name = path(&unjudged.path).into_owned();
        let (name, error) = (Cell::text(name), safe(&unjudged.error).into_owned());
        let mut cells = vec![Cell::verdict(None)];
        if machines == 1 {
            cells.push(name);
            cells.extend(vec![Cell { is_number: true, key: Some("-1".into()), ..Cell::default() }; 4]);
            cells.push(Cell::text(error));
        } else {
            cells.push(Cell { beside: error, ..name });
            cells.extend(vec![Cell { key: Some("-1".into()), text: "–".into(), ..Cell::default() }; machines]);
        }
        Self { verdicts: Vec::new(), seed: unjudged.path.clone(), cells, accepted_unsafe: 0 }
    }

    /// The worse, the less: a job is as good as where it does best, then as where it does worst.
    fn order(&self) -> impl Ord + use<> {
        let best = self.verdicts.iter().min().copied();
        std::cmp::Reverse((best.is_none(), best, self.verdicts.iter().max().copied()))
    }

    /// Classes of its verdicts.
    fn classes(&self) -> String {
        let mut verdicts = self.verdicts.clone();
        verdicts.sort_unstable();
        verdicts.dedup();
        let classes: Vec<_> = verdicts.into_iter().map(|verdict| view::verdict(verdict).2).collect();
        if classes.is_empty() { NOT_JUDGED.2.to_owned() } else { classes.join(" ") }
    }
}

/// Stands before what is said of a job whose verdict leaves out what can hurt.
fn mark(report: &Inspection) -> &'static str {
    if report.accepted_unsafe() > 0 { "UNSAFE. " } else { "" }
}

/// The cells of a job on a single machine.
fn on_one(report: &Inspection, file: &str, name: String) -> Vec<Cell> {
    let (flow, capacity, filament) = (&report.flow, &report.capacity, &report.filament);
    let time_s = report.reckoned_s();
    let mass = filament.net_g.map_or(String::new(), |mass| format!(", {}", quantity(mass, "g")));
    vec![
        Cell::verdict(Some(report.verdict)),
        Cell::text(name).to(file.to_owned()),
        Cell::number(clock(time_s) + &give_or_take(report, " "), time_s),
        Cell::number(length(filament.net_mm) + &mass, filament.net_mm),
        Cell::against(flow.burst_peak_mm3_s, capacity.peak_mm3_s),
        Cell::against(flow.sustained_peak_mm3_s, capacity.sustained_mm3_s),
        Cell::text(mark(report).to_owned() + &why(report)),
    ]
}

fn columns(machines: &[MachineFacts]) -> Vec<Column> {
    let column = |name: &str, is_number| Column { name: name.to_owned(), is_number };
    if machines.len() == 1 {
        return vec![
            column("verdict", false),
            column("job", false),
            column("time", true),
            column("filament", true),
            column("melt rate in a burst, of capacity, mm³/s", true),
            column("melt rate sustained, of capacity, mm³/s", true),
            column("why", false),
        ];
    }
    let own = machines.iter().map(|machine| column(&format!("on {}", safe(&machine.name)), false));
    [column("best machine", false), column("job", false)].into_iter().chain(own).collect()
}

/// A machine in words: its name, its sheet, and how many of the jobs are what there.
fn machine(machine: &MachineFacts, rows: &[IndexRow], place: usize) -> String {
    let count = |of: Verdict| rows.iter().filter(|row| row.verdicts.get(place) == Some(&of)).count();
    let mut tally: Vec<String> = [Verdict::NoGo, Verdict::Hold, Verdict::Go]
        .into_iter()
        .map(|of| (count(of), view::verdict(of).1))
        .filter(|(count, _)| *count > 0)
        .map(|(count, word)| format!("{count} {word}"))
        .collect();
    let lost = rows.iter().filter(|row| row.verdicts.is_empty()).count();
    if lost > 0 {
        tally.push(format!("{lost} not judged"));
    }
    let tally: Vec<&str> = tally.iter().map(String::as_str).collect();
    format!(
        "{} (sheet {}, {}): {}.",
        safe(&machine.name),
        file_name(&machine.source),
        short_digest(&machine.digest),
        listed(&tally)
    )
}

/// Writes the list of several jobs on these machines; it belongs beside the shared files.
///
/// # Errors
/// When the page cannot be written.
pub fn index(machines: &[MachineFacts], mut rows: Vec<IndexRow>, out: &mut dyn Write) -> Result<(), PageError> {
    let jobs = counted(rows.len() as u64, "job", "jobs");
    let head = match machines {
        [one] => format!("{jobs} on {}", safe(&one.name)),
        several => format!("{jobs} on {} machines", several.len()),
    };
    let names = rows.iter().filter_map(|row| Some(row.cells.get(1)?.text.clone())).collect::<Vec<_>>();
    let folder = common_folder(&names);
    for name in rows.iter_mut().filter_map(|row| row.cells.get_mut(1)) {
        drop(name.text.drain(..folder.len()));
    }
    let rows = &rows[..];
    let head = if folder.is_empty() { head } else { format!("{head}, in {folder}") };
    let accepted_unsafe: usize = rows.iter().map(|row| row.accepted_unsafe).sum();
    let mut warnings = Vec::new();
    if accepted_unsafe > 0 {
        warnings.push(unsafe_accepted(accepted_unsafe));
    }
    if machines.iter().any(|machine| machine.built_in) {
        warnings.push(BUILT_IN.to_owned());
    }
    let [style_file, _] = SHARED.each_ref().map(|file| file.name.as_str());
    let mut sorted: Vec<&IndexRow> = rows.iter().collect();
    sorted.sort_by_key(|row| row.order());
    let occurs = |class: &str| rows.iter().any(|row| row.classes().split(' ').any(|own| own == class));
    let verdicts = [Verdict::NoGo, Verdict::Hold, Verdict::Go].map(view::verdict).into_iter().chain([NOT_JUDGED]);
    let page = IndexPage {
        version: env!("CARGO_PKG_VERSION"),
        nonce: nonce(machines, rows),
        style_file,
        script: SCRIPT,
        caution: CAUTION,
        head,
        machines: machines.iter().enumerate().map(|(place, facts)| machine(facts, rows, place)).collect(),
        warnings,
        columns: columns(machines),
        rows: sorted,
        verdicts: verdicts.map(|(_, word, class)| (class, word)).filter(|(class, _)| occurs(class)).collect(),
    };
    page.write_into(out)?;
    Ok(())
}

/// A number that no job can know beforehand: it depends on the digests of all.
fn nonce(machines: &[MachineFacts], rows: &[IndexRow]) -> String {
    let mut hasher = blake3::Hasher::new();
    let digests = machines.iter().map(|machine| &machine.digest).chain(rows.iter().map(|row| &row.seed));
    digests.for_each(|digest| {
        hasher.update(digest.as_bytes()).update(b"\n");
    });
    hasher.finalize().to_hex()[..32].to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::findings::sample;

    fn list(machines: &[MachineFacts], rows: &[IndexRow]) -> String {
        let mut out = Vec::new();
        index(machines, rows.to_vec(), &mut out).expect("writes");
        String::from_utf8(out).expect("UTF-8")
    }

    fn row(reports: &[Inspection]) -> IndexRow {
        let pages: Vec<_> =
            reports.iter().map(|report| (report, format!("{}.html", report.verdict as usize))).collect();
        IndexRow::judged(&pages)
    }

    #[test]
    fn the_worst_job_comes_first_with_what_the_hotend_does() {
        let machine = sample::go().machine;
        let rows = [
            row(&[sample::go()]),
            row(&[sample::hold()]),
            IndexRow::unjudged(&sample::unjudged(), 1),
            row(&[sample::no_go()]),
        ];
        let page = list(std::slice::from_ref(&machine), &rows);
        let at = |text: &str| page.find(text).unwrap_or_else(|| panic!("{text} in {page}"));
        let order = ["? not judged</span>", "href=\"2.html\"", "href=\"1.html\"", "href=\"0.html\""].map(at);
        assert!(order.is_sorted(), "{order:?}");
        assert!(page.contains(&machine.name) && page.contains("1 NO-GO, 1 hold, 1 go and 1 not judged"), "{page}");
        // The go of the sample has a check that could not run.
        assert!(page.contains("4 checks passed, 1 not run"), "{page}");
        let held = sample::hold();
        let burst = Cell::against(held.flow.burst_peak_mm3_s, held.capacity.peak_mm3_s).text;
        assert!(burst.contains(" of ") && page.contains(&burst), "{burst}");
    }

    #[test]
    fn several_machines_have_a_column_each_and_their_best_decides_the_order() {
        let machines = [sample::go().machine, sample::hold().machine];
        let rows = [
            row(&[sample::no_go(), sample::go()]),
            row(&[sample::hold(), sample::hold()]),
            IndexRow::unjudged(&sample::unjudged(), 2),
        ];
        let page = list(&machines, &rows);
        assert_eq!(page.matches("<th scope=\"col\" role=\"columnheader\">on ").count(), 2);
        let firsts: Vec<_> = page.split("data-verdicts=\"").skip(1).map(|row| row.split('"').next()).collect();
        assert_eq!(firsts, [Some("note"), Some("hold"), Some("go no-go")]);
    }
}
