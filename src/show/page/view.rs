//! Words and rows of a page.

use std::path::Path;

use crate::checks;
use crate::findings::{Energy, Finding, Inspection, Layer, Severity, Starving, Verdict, Widths};
use crate::geometry::Box3;
use crate::show::{
    marks::because,
    picture::Pictured,
    report::{BUILT_IN, reckoned, text::why, unsafe_accepted},
};
use crate::wording::{
    bytes, clock, counted, duration, grouped, length, number, pair, path, quantity, safe, units, with_unit,
};

/// Places of a finding with a link of their own.
const PLACES: usize = 8;
/// Rows of the table of layers.
const LAYERS: usize = 500;
/// Rows of the table of events.
const EVENTS: usize = 200;

/// The head of a page.
pub struct Head {
    pub word: &'static str,
    pub class: &'static str,
    pub glyph: &'static str,
    pub name: String,
    pub machine: String,
    pub why: String,
    pub warnings: Vec<String>,
    pub block: Vec<(&'static str, String)>,
    pub digest: String,
    pub sheet_digest: String,
}

/// A finding.
pub struct FindingView {
    pub id: String,
    pub index: usize,
    pub number: usize,
    pub check: String,
    pub severity: String,
    pub class: &'static str,
    pub glyph: char,
    pub times: String,
    pub message: String,
    pub gauge: Option<Gauge>,
    pub excerpts: Vec<(u64, String)>,
    /// What it says, and its place in the list of all.
    pub places: Vec<(String, usize)>,
    pub more: usize,
    pub accepted: Option<String>,
    pub explain: String,
    /// Number of the finding whose lines hold all of its own, where it is told with that one.
    pub told_with: Option<usize>,
}

/// Value against limit.
pub struct Gauge {
    pub value_percent: String,
    pub limit_percent: String,
    pub text: String,
}

/// A row of the table of events.
pub struct EventRow {
    pub at: String,
    pub line: u64,
    pub what: String,
    pub takes: String,
}

/// A small table.
pub struct Table {
    pub name: &'static str,
    pub rows: Vec<(String, String, String)>,
}

/// Shape and word apart.
pub fn verdict(verdict: Verdict) -> (&'static str, &'static str, &'static str) {
    let (glyph, word) = crate::show::marks::verdict(verdict).split_once(' ').unwrap_or(("", ""));
    let class = match verdict {
        Verdict::Go => "go",
        Verdict::Hold => "hold",
        Verdict::NoGo => "no-go",
    };
    (glyph, word, class)
}

/// Class of a severity in the style of pages.
pub fn class(severity: Severity) -> &'static str {
    match severity {
        Severity::Note => "note",
        Severity::Hold => "hold",
        Severity::NoGo => "no-go",
    }
}

/// A value that is not broken between its number and its unit.
fn whole(value: &str) -> String {
    value.replace(' ', "\u{a0}")
}

impl Head {
    pub fn of(report: &Inspection) -> Self {
        let (glyph, word, class) = verdict(report.verdict);
        let (job, machine) = (&report.job, &report.machine);
        let mass = report.filament.net_g.map_or(String::new(), |mass| format!(", {}", whole(&quantity(mass, "g"))));
        let pauses = match report.pauses {
            0 => String::new(),
            pauses => format!(" and {}", whole(&counted(pauses, "pause", "pauses"))),
        };
        let (size, lines) = (bytes(job.bytes), counted(job.lines, "line", "lines"));
        let block = vec![
            ("Job", format!("{}, {}", whole(&size), whole(&lines))),
            ("Machine sheet", file_name(&machine.source)),
            ("Time", whole(&reckoned(report)) + &pauses),
            ("Filament", whole(&length(report.filament.net_mm)) + &mass),
            ("Layers", whole(&grouped(report.layers_total))),
            ("Melt rate, in a burst", whole(&quantity(report.flow.burst_peak_mm3_s, "mm3/s"))),
        ];
        Self {
            word,
            class,
            glyph,
            name: path(&job.path).into_owned(),
            machine: safe(&machine.name).into_owned(),
            why: why(report),
            warnings: warnings(report),
            block,
            digest: job.digest.clone(),
            sheet_digest: machine.digest.clone(),
        }
    }
}

/// What is in a frame below the verdict.
fn warnings(report: &Inspection) -> Vec<String> {
    let built_in = report.machine.built_in.then(|| BUILT_IN.to_owned());
    let accepted = report.accepted_unsafe();
    built_in.into_iter().chain((accepted > 0).then(|| unsafe_accepted(accepted))).collect()
}

/// The last part of a path.
pub(crate) fn file_name(shown: &str) -> String {
    let name = Path::new(shown).file_name().map_or(shown.into(), |name| name.to_string_lossy());
    safe(&name).into_owned()
}

impl FindingView {
    /// All of them, worst first, accepted ones last; what is found on the lines of another follows that one.
    pub fn all(pictured: &Pictured) -> Vec<Self> {
        let mut left: Vec<(usize, &Finding)> = pictured.report.findings.iter().enumerate().collect();
        left.sort_by_key(|(_, finding)| finding.accepted.is_some());
        let mut all = Vec::with_capacity(left.len());
        while let Some(((index, finding), with)) = Finding::take_first(&mut left, |(_, finding)| finding) {
            all.push(Self::of(pictured, index, finding));
            let shown = |line: u64| finding.excerpts.iter().any(|excerpt| excerpt.line == line);
            all.extend(with.into_iter().map(|(also, other)| {
                let mut view = Self { told_with: Some(index + 1), ..Self::of(pictured, also, other) };
                view.excerpts.retain(|(line, _)| !shown(*line));
                view
            }));
        }
        all
    }

    fn of(pictured: &Pictured, index: usize, finding: &Finding) -> Self {
        let lines = pictured.placed_lines(finding);
        let times = match (finding.count, finding.line, finding.last_line) {
            (1, Some(line), _) => format!("once, line {line}"),
            (count, Some(first), Some(last)) => format!("{} times, lines {first} to {last}", grouped(count)),
            _ => String::new(),
        };
        let places = places(pictured, &lines);
        Self {
            id: format!("finding-{}", index + 1),
            index,
            number: index + 1,
            check: finding.check.to_string(),
            severity: match finding.accepted {
                Some(_) => format!("accepted {}", finding.severity),
                None => finding.severity.word().to_owned(),
            },
            class: if finding.accepted.is_some() { "note" } else { class(finding.severity) },
            glyph: crate::show::marks::severity_mark(finding.severity),
            times,
            message: units(&safe(&finding.message)),
            gauge: gauge(finding),
            excerpts: finding.excerpts.iter().map(|excerpt| (excerpt.line, safe(&excerpt.text).into_owned())).collect(),
            more: usize::try_from(finding.count).unwrap_or(usize::MAX).saturating_sub(places.len()),
            places,
            accepted: finding.accepted.as_ref().map(|accepted| safe(&because(accepted)).into_owned()),
            explain: checks::find(&finding.check).map_or_else(String::new, |check| check.explain.text()),
            told_with: None,
        }
    }
}

/// The worst place and the first of each further layer.
fn places(pictured: &Pictured, lines: &[u64]) -> Vec<(String, usize)> {
    let mut layers = Vec::new();
    let mut places = Vec::new();
    for (at, &line) in lines.iter().enumerate() {
        let layer = pictured.place(line).map_or(0, |place| place.layer);
        if !layers.contains(&layer) && places.len() < PLACES {
            layers.push(layer);
            let name = if layer > 0 { format!("line {line}, layer {layer}") } else { format!("line {line}") };
            places.push((name, at));
        }
    }
    places
}

fn gauge(finding: &Finding) -> Option<Gauge> {
    let (value, limit) = (finding.value?, finding.limit?);
    let (shown, against) = pair(value, limit);
    let text = format!("{} against {}", with_unit(shown, &finding.unit), with_unit(against, &finding.unit));
    let most = value.abs().max(limit.abs());
    // A bar says nothing where signs differ or the limit is nothing.
    if limit == 0.0 || value * limit < 0.0 || !most.is_finite() {
        return None;
    }
    let percent = |value: f64| format!("{:.1}", value.abs() / most * 97.0);
    Some(Gauge { value_percent: percent(value), limit_percent: percent(limit), text })
}

pub fn events(pictured: &Pictured) -> (Vec<EventRow>, String) {
    let events = &pictured.time.events;
    let rows: Vec<_> = events
        .iter()
        .take(EVENTS)
        .map(|found| EventRow {
            at: clock(found.at_s),
            line: found.line,
            what: found.kind.words(),
            takes: if found.duration_s > 0.0 { duration(found.duration_s) } else { String::new() },
        })
        .collect();
    let all = events.len() as u64 + pictured.time.events_dropped;
    let caption =
        if all > rows.len() as u64 { format!("the first {} of {}", rows.len(), grouped(all)) } else { grouped(all) };
    (rows, caption)
}

/// Rows of layers: evenly chosen where there are too many, first and last always.
pub fn layers(report: &Inspection) -> (Vec<[String; 7]>, String) {
    let all = &report.layers;
    let every = all.len().div_ceil(LAYERS).max(1);
    let row = |(k, layer): (usize, &Layer)| {
        [
            (k + 1).to_string(),
            match layer.z_top_mm > layer.z_mm {
                true => format!("{} to {}", number(layer.z_mm), number(layer.z_top_mm)),
                false => number(layer.z_mm),
            },
            layer.first_line.to_string(),
            duration(layer.time_s),
            number(layer.path_mm),
            number(layer.volume_mm3),
            number(layer.flow_peak_mm3_s),
        ]
    };
    let chosen = all.iter().enumerate().filter(|(k, _)| k % every == 0 || k + 1 == all.len());
    let caption = match every {
        1 => counted(report.layers_total, "layer", "layers"),
        _ => format!("{}, one in {every} shown", counted(report.layers_total, "layer", "layers")),
    };
    (chosen.map(row).collect(), caption)
}

fn row(name: &str, value: String, remark: String) -> (String, String, String) {
    (name.to_owned(), value, remark)
}

fn line(line: Option<u64>) -> String {
    line.map(|line| format!("line {line}")).unwrap_or_default()
}

/// What a value is held against, and its line.
fn remark(limit: Option<f64>, at: Option<u64>) -> String {
    let parts = [limit.map(|limit| format!("of {}", number(limit))), at.map(|at| line(Some(at)))];
    parts.into_iter().flatten().collect::<Vec<_>>().join(", ")
}

/// Everything else in small tables.
pub fn tables(report: &Inspection) -> Vec<Table> {
    let mut tables = vec![time(report), melt(report), widths(report)];
    if !report.ringing.is_empty() {
        tables.push(ringing(report));
    }
    tables.extend([reach(report), heat(report), energy(report), filament(report), job(report)]);
    tables.retain(|table| !table.rows.is_empty());
    tables
}

fn time(report: &Inspection) -> Table {
    let parts = report.time_s;
    let total = parts.total();
    let share = |seconds: f64| if total > 0.0 { format!("{:.1} %", seconds / total * 100.0) } else { String::new() };
    let named = parts.named();
    let mut rows = vec![row("whole job", duration(total), String::new())];
    if let Some(clock) = report.wall_time {
        let prints = counted(clock.from_prints, "print", "prints");
        rows.insert(0, row("by the clock", reckoned(report), format!("learned from {prints}")));
        rows[1] = row("planned", duration(total), String::new());
    }
    rows.extend(named.into_iter().filter(|(_, s)| *s > 0.0).map(|(name, s)| row(name, duration(s), share(s))));
    if report.wall_time.is_none() {
        rows.push(row("clock", "not set".to_owned(), "gonogo learn".to_owned()));
    }
    Table { name: "Time", rows }
}

fn melt(report: &Inspection) -> Table {
    let (flow, pushed, capacity) = (&report.flow, &report.flow.pushed, &report.capacity);
    let of = |capacity: Option<f64>, at: Option<u64>| remark(capacity, at);
    let mut rows = vec![
        row("in a burst", quantity(flow.burst_peak_mm3_s, "mm3/s"), of(capacity.peak_mm3_s, flow.burst_peak_line)),
        row("for a moment", quantity(pushed.peak_mm3_s, "mm3/s"), line(pushed.peak_line)),
        row(
            "sustained",
            quantity(flow.sustained_peak_mm3_s, "mm3/s"),
            of(capacity.sustained_mm3_s, flow.sustained_peak_line),
        ),
    ];
    rows.extend(pushed.mean_mm3_s.map(|mean| row("mean", quantity(mean, "mm3/s"), String::new())));
    if let Some(quantiles) = pushed.quantiles_mm3_s {
        let named = ["50 % of the time below", "90 %", "95 %", "99 %"].into_iter().zip(quantiles);
        rows.extend(named.map(|(name, rate)| row(name, quantity(rate, "mm3/s"), String::new())));
    }
    rows.extend(
        pushed
            .over_capacity_s
            .map(|over| row("momentarily above the sustained capacity", duration(over), String::new())),
    );
    Table { name: "Melt rate", rows }
}

fn ringing(report: &Inspection) -> Table {
    let rows = report.ringing.iter().flat_map(|ringing| {
        let peak = quantity(ringing.peak_mm, "mm");
        let against = remark(ringing.limit_mm, ringing.peak_line);
        let mut rows = vec![row(&format!("{}, peak", ringing.axis), peak, against)];
        if let Some(p95) = ringing.p95_mm {
            rows.push(row(&format!("{}, 95 % of the time below", ringing.axis), quantity(p95, "mm"), String::new()));
        }
        if let Some((hz, spacing)) = ringing.peak_hz.zip(ringing.mark_spacing_mm) {
            let apart = format!("marks {} apart", quantity(spacing, "mm"));
            rows.push(row(&format!("{}, at", ringing.axis), quantity(hz, "Hz"), apart));
        }
        rows
    });
    Table { name: "Ringing", rows: rows.collect() }
}

fn reach(report: &Inspection) -> Table {
    let boxes = [("reached", report.reached), ("extruding", report.extruding)];
    let rows =
        boxes.into_iter().filter_map(|(name, found)| Some((name, found?))).flat_map(|(name, found): (_, Box3)| {
            ["x", "y", "z"].into_iter().enumerate().map(move |(axis, letter)| {
                let span = format!("{} … {} mm", number(found.min[axis]), number(found.max[axis]));
                row(&format!("{name}, {letter}"), span, String::new())
            })
        });
    let mut rows: Vec<_> = rows.collect();
    rows.push(row("path extruding", length(report.path_mm.extruding), String::new()));
    rows.push(row("path travelled", length(report.path_mm.travel), String::new()));
    Table { name: "Reach", rows }
}

fn heat(report: &Inspection) -> Table {
    let heat = &report.heat;
    let named =
        [("nozzle up to", heat.nozzle_max_c), ("bed up to", heat.bed_max_c), ("chamber up to", heat.chamber_max_c)];
    let some = named.into_iter().filter_map(|(name, most)| Some((name, most.filter(|&most| most > 0.0)?)));
    let mut rows: Vec<_> = some.map(|(name, most)| row(name, quantity(most, "°C"), String::new())).collect();
    if heat.tools_max_c.len() > 1 {
        let tools = heat.tools_max_c.iter();
        rows.extend(tools.map(|(tool, most)| row(&format!("tool {tool}"), quantity(*most, "°C"), String::new())));
    }
    Table { name: "Heat", rows }
}

fn widths(report: &Inspection) -> Table {
    let rows = report.widths.into_iter().flat_map(|widths: Widths| {
        let share = |mm: f64| format!("{:.1} %", if widths.laid_mm > 0.0 { mm / widths.laid_mm * 100.0 } else { 0.0 });
        let mut rows = vec![
            row("more than 15 % too wide", length(widths.wide_mm), share(widths.wide_mm)),
            row("more than 15 % too thin", length(widths.thin_mm), share(widths.thin_mm)),
        ];
        if widths.bulge_mm3 > 0.0 {
            rows.push(row("largest bulge", quantity(widths.bulge_mm3, "mm3"), line(widths.bulge_line)));
        }
        if let Some(share) = widths.start_share {
            let share = format!("{:.0} %", share * 100.0);
            rows.push(row("thinnest start, over a millimetre", share, line(widths.start_line)));
        }
        if let Some(led) = widths.led {
            rows.push(row("extruder with its lead, up to", quantity(led.speed_mm_s, "mm/s"), line(led.speed_line)));
            rows.push(row("jumps for the lead, up to", quantity(led.jump_mm_s, "mm/s"), line(led.jump_line)));
        }
        rows
    });
    Table { name: "Line width", rows: rows.collect() }
}

fn energy(report: &Inspection) -> Table {
    let rows = report.energy.into_iter().flat_map(|Energy { used_wh, mean_w, peak_w }| {
        let named = [("from the mains", used_wh, "Wh"), ("mean power", mean_w, "W"), ("largest power", peak_w, "W")];
        named.map(|(name, value, unit)| row(name, quantity(value, unit), String::new()))
    });
    Table { name: "Energy", rows: rows.collect() }
}

fn filament(report: &Inspection) -> Table {
    let used = report.filament;
    let mut rows = vec![
        row("net", length(used.net_mm), quantity(used.net_mm3, "mm3")),
        row("pushed", length(used.pushed_mm), String::new()),
        row("of this purged", length(report.purged_mm()), String::new()),
    ];
    if let Some(beside) = report.purge_line {
        let lines = match beside.first_line == beside.last_line {
            true => line(Some(beside.first_line)),
            false => format!("lines {} to {}", beside.first_line, beside.last_line),
        };
        rows.push(row("on a line beside the print", length(beside.filament_mm), lines));
    }
    rows.extend(used.net_g.map(|mass| row("mass", quantity(mass, "g"), String::new())));
    Table { name: "Filament", rows }
}

fn job(report: &Inspection) -> Table {
    let job = &report.job;
    let mut rows = vec![
        row("lines", grouped(job.lines), String::new()),
        row("commands", grouped(job.commands), String::new()),
        row("moves", grouped(job.moves), String::new()),
    ];
    for rate in report.step_rates.iter().filter(|rate| rate.hz > 0.0) {
        rows.push(row(&format!("steps, {}", rate.motor), quantity(rate.hz, "Hz"), line(rate.line)));
    }
    if let Some(rate) = &report.command_rate {
        rows.push(row("commands, most in a second", quantity(rate.hz, "Hz"), line(Some(rate.line))));
    }
    if let Some(Starving { extra_s, from_line, in_times }) = report.starving {
        let name = match in_times {
            true => "longer, since commands come late",
            false => "waiting for late commands, not in the time",
        };
        rows.push(row(name, duration(extra_s), line(Some(from_line))));
    }
    Table { name: "Work of the controller", rows }
}
