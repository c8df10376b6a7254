//! The one value every report renders: totals, peaks, findings, and what was not checked and why.
//!
//! Units are last in every field name; lines count from 1. Names from a catalogue are borrowed from it, or owned where a
//! report was read back: it may come from a version that knows other names.

use std::borrow::Cow;
use std::fmt;

use crate::findings::LINES_KEPT;
use crate::geometry::Box3;
use crate::machine::{MachineFacts, Severity};
use crate::physics::{
    Ringing,
    wall_clock::{JobParts, WallTime},
};

/// The answer: go, hold or no-go.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Verdict {
    /// All checks that could run passed.
    Go,
    /// At least one `hold` finding and no `no-go`.
    Hold,
    /// At least one `no-go` finding.
    NoGo,
}

impl Verdict {
    /// All, from the best to the worst.
    pub const ALL: [Self; 3] = [Self::Go, Self::Hold, Self::NoGo];

    /// The one of that word.
    pub fn called(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|verdict| verdict.word() == word)
    }

    /// The worst severity decides; accepted findings do not count.
    pub fn of(findings: &[Finding]) -> Self {
        match findings.iter().filter(|f| f.accepted.is_none()).map(|f| f.severity).max() {
            Some(Severity::NoGo) => Self::NoGo,
            Some(Severity::Hold) => Self::Hold,
            _ => Self::Go,
        }
    }

    /// The word used in reports.
    pub fn word(self) -> &'static str {
        match self {
            Self::Go => "go",
            Self::Hold => "hold",
            Self::NoGo => "no-go",
        }
    }
}

impl fmt::Display for Verdict {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.word())
    }
}

/// A copy of one line of the job, kept so that a report can point into it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Excerpt {
    /// Line number, from 1.
    pub line: u64,
    /// The line's text, bytes that are no UTF-8 replaced, control characters shown as `·`, cut to a bounded length.
    pub text: String,
}

/// One thing found, repeats merged.
#[derive(Debug, Clone, PartialEq)]
pub struct Finding {
    /// The check that found it (an id of the catalogue).
    pub check: Cow<'static, str>,
    /// Which kind of it, as the check numbers them: an axis, a tool…
    pub kind: u64,
    /// Weight, after the sheet's overrides.
    pub severity: Severity,
    /// First line; none when the finding is about the job as a whole.
    pub line: Option<u64>,
    /// Last line.
    pub last_line: Option<u64>,
    /// How often.
    pub count: u64,
    /// The first lines it was found on, at most 100.
    pub lines: Vec<u64>,
    /// What is wrong, in one sentence with the worst value and the limit in it.
    pub message: String,
    /// The worst value.
    pub value: Option<f64>,
    /// Line of the worst value.
    pub worst_line: Option<u64>,
    /// The limit it was held against.
    pub limit: Option<f64>,
    /// Unit of value and limit, such as `mm` or `mm3/s`; empty when they are plain numbers.
    pub unit: Cow<'static, str>,
    /// The text of the first line and, where another line is worse, of the worst one.
    pub excerpts: Vec<Excerpt>,
    /// Where the machine is on the first line: x, y, z in machine coordinates, mm; none when the finding is about the job
    /// as a whole.
    pub place_mm: Option<[f64; 3]>,
    /// The same on the line of the worst value.
    pub worst_place_mm: Option<[f64; 3]>,
    /// The box around the places of all hits, mm, machine coordinates; kept for no-go findings on heat and travel only.
    pub places_mm: Option<Box3>,
    /// Why it does not count towards the verdict, where somebody accepted it.
    pub accepted: Option<AcceptedWhy>,
}

impl Finding {
    /// Whether all of its lines are lines of another's, which has not many more: one fault that two checks see. Of more lines
    /// than are kept it must be as many.
    pub fn is_within(&self, other: &Finding) -> bool {
        let all_kept = self.lines.len() < LINES_KEPT || (self.count, self.last_line) == (other.count, other.last_line);
        all_kept
            && other.count <= 2 * self.count
            && !self.lines.is_empty()
            && self.lines.iter().all(|line| other.lines.contains(line))
    }

    /// Takes the first out of a list, and those that are told with it: what is [within](Self::is_within) it, accepted or not as
    /// it is.
    pub fn take_first<T>(left: &mut Vec<T>, of: impl Fn(&T) -> &Finding) -> Option<(T, Vec<T>)> {
        if left.is_empty() {
            return None;
        }
        let first = left.remove(0);
        let (finding, all) = (of(&first), std::mem::take(left));
        let is_told_with = |other: &T| {
            let other = of(other);
            other.is_within(finding) && other.accepted.is_some() == finding.accepted.is_some()
        };
        let (with, others) = all.into_iter().partition(is_told_with);
        *left = others;
        Some((first, with))
    }
}

/// Why a finding is accepted.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AcceptedWhy {
    /// The reason given.
    pub because: String,
    /// Last day on which it is accepted, such as `2027-01-31`.
    pub until: Option<String>,
    /// Who accepted it.
    pub by: Option<String>,
    /// True for a no-go on heat or travel: every report says so in its head.
    pub even_unsafe: bool,
}

/// What a file of accepted findings did to a report.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Acceptance {
    /// Path of the file.
    pub source: String,
    /// Entries that have run out, cover too little or find nothing: a sentence each.
    pub remarks: Vec<String>,
}

/// A check that could not run on this machine sheet or job.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Skipped {
    /// The check.
    pub check: Cow<'static, str>,
    /// Why.
    pub reason: String,
    /// What is not checked without it, where that is grave enough for the headline.
    pub unchecked: Option<Cow<'static, str>>,
}

/// What was read.
#[derive(Debug, Clone, PartialEq)]
pub struct JobFacts {
    /// Path as given; `-` for standard input.
    pub path: String,
    /// Bytes of the plain (unpacked) job.
    pub bytes: u64,
    /// Lines.
    pub lines: u64,
    /// Commands carried out or recognised (G, M, T, and lines that repeat the motion mode).
    pub commands: u64,
    /// Moves with a length above zero.
    pub moves: u64,
    /// `blake3:` and the hex digest of the plain bytes.
    pub digest: String,
}

/// Seconds by category; `total()` is the sum of the parts.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct TimeParts {
    /// Moves along the path that push filament.
    pub extruding: f64,
    /// Moves along the path that do not (wipes included).
    pub travel: f64,
    /// Filament only, nothing else moves.
    pub extrude_only: f64,
    /// Dwells, pauses with a time of their own and described macros.
    pub dwell: f64,
    /// Homing, where the sheet gives a time.
    pub homing: f64,
    /// Probing, where the sheet gives a time.
    pub probing: f64,
    /// Changes of the tool, where the sheet gives a time.
    pub tool_change: f64,
    /// Standing between moves for want of commands.
    pub starved: f64,
    /// Waiting for heaters.
    pub heating: f64,
}

impl TimeParts {
    /// Sum of the parts, s.
    pub fn total(&self) -> f64 {
        self.named().into_iter().map(|(_, seconds)| seconds).sum()
    }

    /// Dwells, homing and probing together, s: what programs know as dwell.
    pub fn standing(&self) -> f64 {
        self.dwell + self.homing + self.probing
    }

    /// Each part with its name for people, s.
    pub fn named(&self) -> [(&'static str, f64); 9] {
        [
            ("extruding", self.extruding),
            ("travel", self.travel),
            ("extrude only", self.extrude_only),
            ("dwell", self.dwell),
            ("homing", self.homing),
            ("probing", self.probing),
            ("tool changes", self.tool_change),
            ("want of commands", self.starved),
            ("heating", self.heating),
        ]
    }
}

/// How often a job does what takes a time of its own.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct ActionCounts {
    /// Homings.
    pub homings: u64,
    /// Probings.
    pub probings: u64,
    /// Changes of the tool.
    pub tool_changes: u64,
}

/// Path lengths in 3-D, mm, without extrude-only moves.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct PathParts {
    /// On moves that push filament.
    pub extruding: f64,
    /// On all other moves.
    pub travel: f64,
}

impl PathParts {
    /// Sum of the parts, mm.
    pub fn total(&self) -> f64 {
        self.extruding + self.travel
    }
}

/// Filament used.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Filament {
    /// Sum of all extruder moves, mm of filament.
    pub net_mm: f64,
    /// Sum of the forward extruder moves, mm of filament.
    pub pushed_mm: f64,
    /// Net volume, mm³.
    pub net_mm3: f64,
    /// Pushed without moving, beyond what had been retracted, mm of filament; a purge line is not in it.
    pub purged_mm: f64,
    /// Net mass, g, where every tool used gives a density.
    pub net_g: Option<f64>,
}

/// Melt rate on moves along the path that push filament, mm³/s.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Flow {
    /// Largest momentary rate (0 without extrusion).
    pub peak_mm3_s: f64,
    /// Its line.
    pub peak_line: Option<u64>,
    /// Mean over the time of those moves.
    pub mean_mm3_s: Option<f64>,
    /// Quantiles over the time of those moves: 50 %, 90 %, 95 %, 99 %.
    pub quantiles_mm3_s: Option<[f64; 4]>,
    /// Largest mean over a burst, to a millionth: what the peak capacity is held against.
    pub burst_peak_mm3_s: f64,
    /// Its line.
    pub burst_peak_line: Option<u64>,
    /// Largest first-order average over the melt window.
    pub sustained_peak_mm3_s: f64,
    /// Its line.
    pub sustained_peak_line: Option<u64>,
    /// The momentary rates of all that is pushed.
    pub pushed: Pushed,
}

/// Momentary melt rates of all that is pushed: on moves along a path, and on the spot what goes beyond making up for a
/// pull-back.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Pushed {
    /// Largest rate, mm³/s.
    pub peak_mm3_s: f64,
    /// Its line.
    pub peak_line: Option<u64>,
    /// Mean over the time of pushing, mm³/s.
    pub mean_mm3_s: Option<f64>,
    /// Quantiles over that time, mm³/s: 50 %, 90 %, 95 %, 99 %.
    pub quantiles_mm3_s: Option<[f64; 4]>,
    /// Time above the sustained capacity of the tool in use, s; none without a capacity.
    pub over_capacity_s: Option<f64>,
}

/// Largest melt rates of one tool of the sheet, as [`Flow`] has them over all.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct ToolFlow {
    /// Largest momentary rate, mm³/s.
    pub peak_mm3_s: f64,
    /// Its line.
    pub peak_line: Option<u64>,
    /// Largest mean over a burst, mm³/s.
    pub burst_peak_mm3_s: f64,
    /// Its line.
    pub burst_peak_line: Option<u64>,
    /// Largest average over the melt window, mm³/s.
    pub sustained_peak_mm3_s: f64,
    /// Its line.
    pub sustained_peak_line: Option<u64>,
}

/// The capacities the flow is held against, mm³/s: those of the tool in use at the peaks, at the temperature it then had where
/// they hang on that.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Capacity {
    /// Sustained capacity of the tool that reached the sustained peak.
    pub sustained_mm3_s: Option<f64>,
    /// Peak capacity of the tool that reached the peak.
    pub peak_mm3_s: Option<f64>,
}

/// What the job draws from the mains.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Energy {
    /// In all, Wh.
    pub used_wh: f64,
    /// Mean power, W.
    pub mean_w: f64,
    /// Largest power, W.
    pub peak_w: f64,
}

/// How wide lines get, since what comes out of the nozzle follows what is pushed in with a lag.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Widths {
    /// Length of the lines that were followed, mm.
    pub laid_mm: f64,
    /// The part of it that gets more than 15 % too much filament, mm.
    pub wide_mm: f64,
    /// The part of it that gets more than 15 % too little, mm.
    pub thin_mm: f64,
    /// Volume of the largest bulge, mm³; 0 where there is none.
    pub bulge_mm3: f64,
    /// The line of the job on which it begins.
    pub bulge_line: Option<u64>,
    /// Share of its filament that the first millimetre of the thinnest start of a line gets; none where no line is that long.
    pub start_share: Option<f64>,
    /// Its line of the job.
    pub start_line: Option<u64>,
    /// What the lead asks of the extruder; none without a lead.
    pub led: Option<Led>,
    /// The largest jump of the filament's speed that the lead left out, mm/s.
    pub steps_left_out_mm_s: Option<f64>,
    /// Its line of the job.
    pub steps_line: Option<u64>,
}

/// What the lead asks of the extruder.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Led {
    /// Largest speed of the filament, mm/s.
    pub speed_mm_s: f64,
    /// Its line.
    pub speed_line: Option<u64>,
    /// Largest sudden change of speed that ramps ask for, mm/s.
    pub jump_mm_s: f64,
    /// Its line.
    pub jump_line: Option<u64>,
}

/// Highest commanded temperatures, °C.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Heat {
    /// Over all tools.
    pub nozzle_max_c: Option<f64>,
    /// Bed.
    pub bed_max_c: Option<f64>,
    /// Chamber.
    pub chamber_max_c: Option<f64>,
    /// Per tool number, where one was commanded.
    pub tools_max_c: Vec<(u32, f64)>,
    /// True when a heating law was given for every heater that was waited for, so that the waits are counted.
    pub waits_modelled: bool,
}

/// What is laid on a purge line beside the print before it begins; see the check `purge-line` for the rule.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PurgeLine {
    /// Height of the tip, mm.
    pub z_mm: f64,
    /// Line of its first move.
    pub first_line: u64,
    /// Line of its last move.
    pub last_line: u64,
    /// Length of its path, mm.
    pub path_mm: f64,
    /// Filament pushed on it, mm.
    pub filament_mm: f64,
}

/// One layer: extrusion at one height. `totals::layers` states the rule.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Layer {
    /// Height of the tip at its first extrusion, mm, machine coordinates.
    pub z_mm: f64,
    /// The highest the tip lays filament before the next layer, mm: more than `z_mm` where Z rises while the job extrudes.
    pub z_top_mm: f64,
    /// Time at its first extrusion, s from the start of the job.
    pub start_s: f64,
    /// First line of extrusion.
    pub first_line: u64,
    /// Time from its first extrusion to the next layer's, s (moves, dwells and waits).
    pub time_s: f64,
    /// Length of extruding path, mm.
    pub path_mm: f64,
    /// Filament volume pushed on the path, mm³.
    pub volume_mm3: f64,
    /// Largest momentary melt rate, mm³/s.
    pub flow_peak_mm3_s: f64,
}

/// Flow over time in a bounded number of equal bins.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct FlowSeries {
    /// Width of a bin, s.
    pub bin_s: f64,
    /// End of the job, in the last bin, s.
    pub end_s: f64,
    /// Largest momentary melt rate in each bin, mm³/s.
    pub peak_mm3_s: Vec<f64>,
    /// Largest sustained melt rate in each bin, mm³/s.
    pub sustained_mm3_s: Vec<f64>,
}

/// The largest step rate of one motor, an upper bound as the check `step-rate-exceeded` computes it.
#[derive(Debug, Clone, PartialEq)]
pub struct StepRate {
    /// Which motor, as in "motor of the extruder".
    pub motor: Cow<'static, str>,
    /// Steps a second.
    pub hz: f64,
    /// Its first line; none when the motor never turned.
    pub line: Option<u64>,
}

/// The largest rate of commands over as many moves as the controller knows ahead.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CommandRate {
    /// Commands a second.
    pub hz: f64,
    /// The line on which those moves end.
    pub line: u64,
    /// How many moves they are.
    pub moves: u64,
}

/// Commands that come too slowly.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Starving {
    /// How much longer moves, and the waits between them, take than if all commands came in time, s.
    pub extra_s: f64,
    /// The first line that takes longer.
    pub from_line: u64,
    /// Whether that is in the times of the job; where not (with a limited jerk), it is what the queue waits for at least, the
    /// moves being planned as if all commands came in time.
    pub in_times: bool,
}

/// Everything known about one job on one machine.
#[derive(Debug, Clone, PartialEq)]
pub struct Inspection {
    /// The answer.
    pub verdict: Verdict,
    /// What was read.
    pub job: JobFacts,
    /// What it was judged on.
    pub machine: MachineFacts,
    /// Time by category.
    pub time_s: TimeParts,
    /// How often it homes, probes and changes the tool.
    pub actions: ActionCounts,
    /// What the clock says, where finished prints have set it; the plan is `time_s`.
    pub wall_time: Option<WallTime>,
    /// Pauses that wait for a person (not in the time).
    pub pauses: u64,
    /// Path lengths.
    pub path_mm: PathParts,
    /// Filament used.
    pub filament: Filament,
    /// Melt rate.
    pub flow: Flow,
    /// Its largest values, tool by tool of the sheet.
    pub flow_by_tool: Vec<ToolFlow>,
    /// Capacities held against it.
    pub capacity: Capacity,
    /// Time for which the momentary melt rate is above the sustained capacity, s; none without a capacity.
    pub flow_over_capacity_s: Option<f64>,
    /// Largest step rates, motor by motor, where the sheet gives `steps_per_mm`.
    pub step_rates: Vec<StepRate>,
    /// Largest command rate; none where no run of moves is long enough for one.
    pub command_rate: Option<CommandRate>,
    /// What is lost since commands come too slowly; none where they come in time, or nobody says how fast they come.
    pub starving: Option<Starving>,
    /// Ringing of the structure, per direction with modes; empty where the sheet gives none.
    pub ringing: Vec<Ringing>,
    /// Where the nozzle went: end points and interior extrema of moves, and home positions.
    pub reached: Option<Box3>,
    /// Where it went while pushing filament.
    pub extruding: Option<Box3>,
    /// Temperatures.
    pub heat: Heat,
    /// What it draws from the mains, where the sheet says enough.
    pub energy: Option<Energy>,
    /// How wide lines get, where the sheet gives the lag of a nozzle.
    pub widths: Option<Widths>,
    /// The purge line beside the print, where there is one.
    pub purge_line: Option<PurgeLine>,
    /// Layers, a bounded number kept.
    pub layers: Vec<Layer>,
    /// How many layers there were.
    pub layers_total: u64,
    /// Flow over time.
    pub series: FlowSeries,
    /// Findings: worst severity first, then by line.
    pub findings: Vec<Finding>,
    /// Whether the job changes limits of motion itself, and the plan follows.
    pub limits_set_in_job: bool,
    /// What accepted findings did; none where there is no entry for this job on this machine.
    pub acceptance: Option<Acceptance>,
    /// Checks that were made, in catalogue order.
    pub checks_run: Vec<Cow<'static, str>>,
    /// Checks that were not, and why.
    pub checks_skipped: Vec<Skipped>,
    /// What the numbers leave out on this machine sheet (homing time, heating time…), a sentence each.
    pub left_out: Vec<String>,
}

/// Waiting for late commands that the times of a job leave out is told from this share of them on (a bound of this program, no
/// source).
const LEFT_OUT_SHARE: f64 = 0.01;

impl Inspection {
    /// Planned time with the waiting for late commands that it leaves out, s: at least so long.
    pub fn time_with_waiting_s(&self) -> f64 {
        let left_out = self.starving.filter(|starving| !starving.in_times);
        self.time_s.total() + left_out.map_or(0.0, |starving| starving.extra_s)
    }

    /// The waiting for late commands that its times leave out, s at least; none where that is nothing to speak of.
    pub fn waiting_left_out_s(&self) -> Option<f64> {
        let starving = self.starving.filter(|starving| !starving.in_times)?;
        Some(starving.extra_s).filter(|extra_s| *extra_s >= LEFT_OUT_SHARE * self.time_s.total())
    }

    /// Filament pushed to fill or clean the nozzle, mm: without a path, and on a purge line.
    pub fn purged_mm(&self) -> f64 {
        self.filament.purged_mm + self.purge_line.map_or(0.0, |line| line.filament_mm)
    }

    /// What the clock asks of the planned job.
    pub fn parts(&self) -> JobParts {
        let (time, actions) = (&self.time_s, self.actions);
        JobParts {
            extruding_s: time.extruding,
            travel_s: time.travel,
            extrude_only_s: time.extrude_only,
            // Both stand still for a time that no factor of the motion changes.
            dwell_s: time.dwell + time.starved,
            nozzle_c: self.heat.nozzle_max_c.unwrap_or(0.0),
            bed_c: self.heat.bed_max_c.unwrap_or(0.0),
            homings: actions.homings,
            probings: actions.probings,
            tool_changes: actions.tool_changes,
            heating_s: Some(time.heating),
        }
    }

    /// The time to reckon with, s: that of the clock, else that of the plan.
    pub fn reckoned_s(&self) -> f64 {
        self.wall_time.map_or_else(|| self.time_s.total(), |time| time.expected_s)
    }

    /// Number of the layer that is printed on a line, from 1; 0 before the first.
    pub fn layer_at(&self, line: u64) -> u64 {
        self.layers.partition_point(|layer| layer.first_line <= line) as u64
    }

    /// How many no-go findings on heat or travel are accepted.
    pub fn accepted_unsafe(&self) -> usize {
        let is_unsafe = |finding: &&Finding| finding.accepted.as_ref().is_some_and(|accepted| accepted.even_unsafe);
        self.findings.iter().filter(is_unsafe).count()
    }

    /// What grave checks that could not run leave open, each named once.
    pub fn not_checked(&self) -> Vec<&str> {
        let mut all: Vec<&str> = Vec::new();
        for what in self.checks_skipped.iter().filter_map(|skipped| skipped.unchecked.as_deref()) {
            if !all.contains(&what) {
                all.push(what);
            }
        }
        all
    }

    /// An inspection without totals and findings, for observers to write into.
    pub fn draft(job: JobFacts, machine: MachineFacts) -> Self {
        Self {
            verdict: Verdict::Go,
            job,
            machine,
            time_s: TimeParts::default(),
            actions: ActionCounts::default(),
            wall_time: None,
            pauses: 0,
            path_mm: PathParts::default(),
            filament: Filament::default(),
            flow: Flow::default(),
            flow_by_tool: Vec::new(),
            capacity: Capacity::default(),
            flow_over_capacity_s: None,
            step_rates: Vec::new(),
            command_rate: None,
            starving: None,
            ringing: Vec::new(),
            reached: None,
            extruding: None,
            heat: Heat::default(),
            energy: None,
            widths: None,
            purge_line: None,
            layers: Vec::new(),
            layers_total: 0,
            series: FlowSeries::default(),
            findings: Vec::new(),
            limits_set_in_job: false,
            acceptance: None,
            checks_run: Vec::new(),
            checks_skipped: Vec::new(),
            left_out: Vec::new(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::sample;
    use super::*;

    #[test]
    fn one_fault_that_two_checks_see() {
        let finding = |lines: std::ops::Range<u64>, count: u64| Finding {
            count,
            last_line: lines.clone().last(),
            lines: lines.take(LINES_KEPT).collect(),
            ..sample::no_go().findings[0].clone()
        };
        let many = finding(10..60, 50);
        assert!(finding(10..60, 50).is_within(&many) && finding(20..50, 30).is_within(&many));
        // A single line of fifty is a matter of its own, and so is a line beside them.
        assert!(!finding(30..31, 1).is_within(&many) && !finding(30..61, 31).is_within(&many));
        // Of more lines than are kept the rest may lie elsewhere.
        let kept = finding(10..110, 100);
        assert!(finding(10..110, 100).is_within(&kept) && !finding(10..2000, 5000).is_within(&kept));
    }
}
