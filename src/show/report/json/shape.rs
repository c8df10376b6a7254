//! The published shape of `gonogo.report/1`: types of its own, so that it never changes by accident.

use std::borrow::Cow;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::SCHEMA;

/// One job, judged or not.
#[derive(Serialize, Deserialize, JsonSchema)]
#[serde(untagged)]
pub enum Entry<'a> {
    /// Judged.
    Judged(Box<Judged<'a>>),
    /// Could not be judged.
    Unjudged(NotJudged<'a>),
}

/// What is printed: one entry, or a list of them.
#[derive(JsonSchema)]
#[schemars(untagged, title = "gonogo report")]
#[allow(dead_code, reason = "only its schema is used: a list is written entry by entry")]
pub(super) enum Document<'a> {
    /// One job; each line of ndjson.
    One(Entry<'a>),
    /// Several jobs, in the order given.
    Several(Vec<Entry<'a>>),
}

/// A job that could not be judged.
#[derive(Serialize, Deserialize, JsonSchema)]
pub struct NotJudged<'a> {
    /// Name and version of the shape.
    #[schemars(extend("const" = SCHEMA))]
    pub(super) schema: Cow<'static, str>,
    /// Why.
    pub(super) error: Cow<'a, str>,
    /// Which job.
    pub(super) job: Path<'a>,
}

/// Which job.
#[derive(Serialize, Deserialize, JsonSchema)]
pub struct Path<'a> {
    /// Path as given.
    pub(super) path: Cow<'a, str>,
}

/// Everything known about one job on one machine. Lines count from 1; coordinates are machine coordinates.
#[derive(Serialize, Deserialize, JsonSchema)]
pub struct Judged<'a> {
    /// Name and version of the shape.
    #[schemars(extend("const" = SCHEMA))]
    pub(super) schema: Cow<'static, str>,
    /// The answer.
    pub(super) verdict: Verdict,
    /// What accepted findings did; missing where none is known for this job on this machine.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) acceptance: Option<Acceptance<'a>>,
    /// What was read.
    pub(super) job: Job<'a>,
    /// What it was judged on.
    pub(super) machine: Machine<'a>,
    /// Time by category, s.
    pub(super) time_s: Time,
    /// What the clock says; null where no prints have set it. The plan is in `time_s`.
    #[serde(default)]
    pub(super) clock: Option<Clock>,
    /// How often it homes, probes and changes the tool.
    #[serde(default)]
    pub(super) actions: Actions,
    /// Pauses that wait for a person; not in the time.
    pub(super) pauses: u64,
    /// Path lengths without extrude-only moves, mm.
    pub(super) path_mm: Lengths,
    /// Filament used.
    pub(super) filament: Filament,
    /// Melt rate on moves along the path that push filament, mm³/s.
    pub(super) flow_mm3_s: Flow,
    /// Time for which the momentary melt rate is above the sustained capacity, s; null without a capacity.
    pub(super) flow_over_capacity_s: Option<f64>,
    /// Melt rate over time in equal bins.
    pub(super) flow_series: Series<'a>,
    /// Largest step rates, motor by motor, where the sheet gives `steps_per_mm`.
    pub(super) step_rates: Vec<StepRate<'a>>,
    /// Largest command rate over as many moves as the controller knows ahead; null where no run is that long.
    pub(super) command_rate: Option<CommandRate>,
    /// What is lost since commands come too slowly; null where they come in time, or the sheet does not say how fast.
    #[serde(default)]
    pub(super) starving: Option<Starving>,
    /// Ringing of the structure, per direction with modes; empty where the sheet gives none.
    pub(super) ringing: Vec<Ringing<'a>>,
    /// Boxes, mm.
    pub(super) extent_mm: Extent,
    /// Highest commanded temperatures.
    pub(super) heat: Heat,
    /// What the job draws from the mains; null where the sheet does not say enough for it.
    #[serde(default)]
    pub(super) energy: Option<Energy>,
    /// How wide lines get, since what comes out of the nozzle follows what is pushed in with a lag; null where the sheet gives
    /// no lag.
    #[serde(default)]
    pub(super) widths: Option<Widths>,
    /// The purge line laid beside the print before it begins; null where there is none. It is no layer.
    pub(super) purge_line: Option<PurgeLine>,
    /// Layers; a bounded number is kept.
    pub(super) layers: Vec<Layer>,
    /// How many layers there were.
    pub(super) layers_total: u64,
    /// Worst severity first, then by line.
    pub(super) findings: Vec<Finding<'a>>,
    /// Whether the job changes limits of motion itself, and the plan follows.
    pub(super) limits_set_in_job: bool,
    /// Which checks were made.
    pub(super) checks: Checks<'a>,
    /// What a verdict of go does not cover: grave checks that could not run, in words.
    #[serde(default)]
    pub(super) not_checked: Vec<Cow<'a, str>>,
    /// What the numbers leave out, a sentence each.
    pub(super) left_out: Cow<'a, [String]>,
}

/// The answer.
#[derive(Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// All checks that could run passed.
    Go,
    /// Somebody should look before the job starts.
    Hold,
    /// The job must not run on this machine as it is set up.
    NoGo,
}

/// How much a finding weighs.
#[derive(Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Severity {
    /// Never changes the verdict.
    Note,
    /// Somebody should look.
    Hold,
    /// Must not run.
    NoGo,
}

/// What was read.
#[derive(Serialize, Deserialize, JsonSchema)]
pub struct Job<'a> {
    /// Path as given; `-` is standard input.
    pub(super) path: Cow<'a, str>,
    /// Bytes of the unpacked job.
    pub(super) bytes: u64,
    /// Lines.
    pub(super) lines: u64,
    /// Commands carried out or recognised.
    pub(super) commands: u64,
    /// Moves with a length above zero.
    pub(super) moves: u64,
    /// `blake3:` and the hex digest of the unpacked bytes.
    pub(super) digest: Cow<'a, str>,
}

/// What the job was judged on.
#[derive(Serialize, Deserialize, JsonSchema)]
pub struct Machine<'a> {
    /// Name in the sheet.
    pub(super) name: Cow<'a, str>,
    /// Path of the sheet, or `built-in`.
    pub(super) source: Cow<'a, str>,
    /// `blake3:` and the hex digest of the sheet's bytes.
    pub(super) digest: Cow<'a, str>,
    /// True for the built-in cautious machine.
    pub(super) built_in: bool,
}

/// Time by category, s.
#[derive(Serialize, Deserialize, JsonSchema)]
pub struct Time {
    /// Sum of the parts.
    pub(super) total: f64,
    /// Nine of ten prints take at least this, by the clock of the machine; null where no prints have set it.
    #[serde(default)]
    pub(super) low: Option<f64>,
    /// Nine of ten prints take at most this.
    #[serde(default)]
    pub(super) high: Option<f64>,
    /// Moves along the path that push filament.
    pub(super) extruding: f64,
    /// Moves along the path that do not.
    pub(super) travel: f64,
    /// Filament only.
    pub(super) extrude_only: f64,
    /// Dwells, and homing and probing where the sheet gives times.
    pub(super) dwell: f64,
    /// Homing alone, a part of `dwell`.
    #[serde(default)]
    pub(super) homing: f64,
    /// Probing alone, a part of `dwell`.
    #[serde(default)]
    pub(super) probing: f64,
    /// Changes of the tool, where the sheet gives a time.
    #[serde(default)]
    pub(super) tool_change: f64,
    /// Standing between moves for want of commands.
    #[serde(default)]
    pub(super) starved: f64,
    /// Waiting for heaters.
    pub(super) heating: f64,
}

/// What the clock of the machine says, which finished prints have set.
#[derive(Serialize, Deserialize, JsonSchema)]
pub struct Clock {
    /// Time from the start of a print to its end, s: the middle of `time_s/low` and `time_s/high`.
    pub(super) expected_s: f64,
    /// How many prints it was learned from.
    pub(super) from_prints: u64,
}

/// How often the job does what takes a time of its own.
#[derive(Serialize, Deserialize, JsonSchema, Default)]
pub struct Actions {
    /// Homings.
    pub(super) homings: u64,
    /// Probings.
    pub(super) probings: u64,
    /// Changes of the tool.
    pub(super) tool_changes: u64,
}

/// Path lengths, mm.
#[derive(Serialize, Deserialize, JsonSchema)]
pub struct Lengths {
    /// Sum of the parts.
    pub(super) total: f64,
    /// On moves that push filament.
    pub(super) extruding: f64,
    /// On all other moves.
    pub(super) travel: f64,
}

/// Filament used.
#[derive(Serialize, Deserialize, JsonSchema)]
pub struct Filament {
    /// Sum of all extruder moves, mm.
    pub(super) net_mm: f64,
    /// Sum of the forward extruder moves, mm.
    pub(super) pushed_mm: f64,
    /// Pushed without moving, beyond what had been retracted, mm; what is laid on a purge line is in `purge_line`.
    pub(super) purged_mm: f64,
    /// Net volume, mm³.
    pub(super) net_mm3: f64,
    /// Net mass, g; null unless every tool used gives a density.
    pub(super) net_g: Option<f64>,
}

/// Melt rate, mm³/s.
#[derive(Serialize, Deserialize, JsonSchema)]
pub struct Flow {
    /// Largest momentary rate.
    pub(super) peak: f64,
    /// Its line.
    pub(super) peak_line: Option<u64>,
    /// Mean over time.
    pub(super) mean: Option<f64>,
    /// At or below this for 50 % of the time.
    pub(super) p50: Option<f64>,
    /// At or below this for 90 % of the time.
    pub(super) p90: Option<f64>,
    /// At or below this for 95 % of the time.
    pub(super) p95: Option<f64>,
    /// At or below this for 99 % of the time.
    pub(super) p99: Option<f64>,
    /// Largest mean over a burst of 0.3 melt windows: what the peak capacity is held against.
    #[serde(default)]
    pub(super) burst_peak: f64,
    /// Its line.
    #[serde(default)]
    pub(super) burst_peak_line: Option<u64>,
    /// Largest first-order average over the melt window.
    pub(super) sustained_peak: f64,
    /// Its line.
    pub(super) sustained_peak_line: Option<u64>,
    /// What it is held against.
    pub(super) capacity: Capacity,
    /// The largest rates of each tool of the sheet.
    pub(super) by_tool: Vec<ToolFlow>,
    /// The momentary rates of all that is pushed, on the spot too, less what makes up for a pull-back.
    #[serde(default)]
    pub(super) all_pushed: Option<Pushed>,
}

/// Momentary melt rates of all that is pushed, mm³/s.
#[derive(Serialize, Deserialize, JsonSchema)]
pub struct Pushed {
    /// Largest rate.
    pub(super) peak: f64,
    /// Its line.
    pub(super) peak_line: Option<u64>,
    /// Mean over the time of pushing.
    pub(super) mean: Option<f64>,
    /// At or below this for 50 % of that time.
    pub(super) p50: Option<f64>,
    /// At or below this for 90 % of that time.
    pub(super) p90: Option<f64>,
    /// At or below this for 95 % of that time.
    pub(super) p95: Option<f64>,
    /// At or below this for 99 % of that time.
    pub(super) p99: Option<f64>,
    /// Time above the sustained capacity, s; null without a capacity.
    pub(super) over_capacity_s: Option<f64>,
}

/// Largest melt rates of one tool, mm³/s.
#[derive(Serialize, Deserialize, JsonSchema)]
pub struct ToolFlow {
    /// Largest momentary rate.
    pub(super) peak: f64,
    /// Its line.
    pub(super) peak_line: Option<u64>,
    /// Largest mean over a burst of 0.3 melt windows: what the peak capacity is held against.
    #[serde(default)]
    pub(super) burst_peak: f64,
    /// Its line.
    #[serde(default)]
    pub(super) burst_peak_line: Option<u64>,
    /// Largest first-order average over the melt window.
    pub(super) sustained_peak: f64,
    /// Its line.
    pub(super) sustained_peak_line: Option<u64>,
}

/// Capacities of the tools in use at the peaks, mm³/s; null where the sheet gives none.
#[derive(Serialize, Deserialize, JsonSchema)]
pub struct Capacity {
    /// Kept up.
    pub(super) sustained: Option<f64>,
    /// Reached briefly.
    pub(super) peak: Option<f64>,
}

/// Melt rate over time in equal bins.
#[derive(Serialize, Deserialize, JsonSchema)]
pub struct Series<'a> {
    /// Width of a bin, s.
    pub(super) bin_s: f64,
    /// End of the job, in the last bin, s.
    pub(super) end_s: f64,
    /// Largest momentary rate in each bin, mm³/s.
    pub(super) peak_mm3_s: Cow<'a, [f64]>,
    /// Largest sustained rate in each bin, mm³/s.
    pub(super) sustained_mm3_s: Cow<'a, [f64]>,
}

/// The largest step rate of one motor.
#[derive(Serialize, Deserialize, JsonSchema)]
pub struct StepRate<'a> {
    /// Which.
    pub(super) motor: Cow<'a, str>,
    /// Steps a second, an upper bound.
    pub(super) hz: f64,
    /// Its line; null when the motor never turned.
    pub(super) line: Option<u64>,
}

/// The largest command rate.
#[derive(Serialize, Deserialize, JsonSchema)]
pub struct CommandRate {
    /// Commands a second.
    pub(super) hz: f64,
    /// The line on which its moves end.
    pub(super) line: u64,
    /// How many moves these are.
    pub(super) moves: u64,
}

/// Commands that come too slowly.
#[derive(Serialize, Deserialize, JsonSchema)]
pub struct Starving {
    /// How much longer moves, and the waits between them, take than if all commands came in time, s.
    pub(super) extra_s: f64,
    /// The first line that takes longer.
    pub(super) from_line: u64,
    /// Whether that is in the times of the job; where not (with a limited jerk), it is what the queue waits for at least, the
    /// moves being planned as if all commands came in time.
    #[serde(default = "in_times")]
    pub(super) in_times: bool,
}

/// Reports that do not say so are of plans that follow late commands.
fn in_times() -> bool {
    true
}

/// Ringing along one direction, on moves along the path that push filament.
#[derive(Serialize, Deserialize, JsonSchema)]
pub struct Ringing<'a> {
    /// Direction: `x`, `y`, `z`, or with crossed belts `x+y`, `x-y`.
    pub(super) axis: Cow<'a, str>,
    /// Largest amplitude about the momentary equilibrium, mm.
    pub(super) peak_mm: f64,
    /// Its line.
    pub(super) peak_line: Option<u64>,
    /// Natural frequency of the mode that rings most there, Hz.
    pub(super) peak_hz: Option<f64>,
    /// Distance of the marks on the wall there, mm.
    pub(super) mark_spacing_mm: Option<f64>,
    /// At or below this for 95 % of the time, mm.
    pub(super) p95_mm: Option<f64>,
    /// Amplitude the sheet accepts, mm; null where it gives none.
    pub(super) limit_mm: Option<f64>,
    /// Time above it, s.
    pub(super) over_limit_s: Option<f64>,
}

/// Boxes, mm; null when there is none.
#[derive(Serialize, Deserialize, JsonSchema)]
pub struct Extent {
    /// Where the nozzle went.
    pub(super) reached: Option<Box3>,
    /// Where it went while pushing filament.
    pub(super) extruding: Option<Box3>,
}

/// An axis-aligned box, mm.
#[derive(Serialize, Deserialize, JsonSchema)]
pub struct Box3 {
    /// Smallest x, y, z.
    pub(super) min: [f64; 3],
    /// Largest x, y, z.
    pub(super) max: [f64; 3],
}

/// Highest commanded temperatures, °C.
#[derive(Serialize, Deserialize, JsonSchema)]
pub struct Heat {
    /// Over all tools.
    pub(super) nozzle_max_c: Option<f64>,
    /// Bed.
    pub(super) bed_max_c: Option<f64>,
    /// Chamber.
    pub(super) chamber_max_c: Option<f64>,
    /// Per tool.
    pub(super) tools_max_c: Vec<ToolHeat>,
    /// True when the waits for heaters are in the time.
    pub(super) waits_modelled: bool,
}

/// Highest commanded temperature of a tool.
#[derive(Serialize, Deserialize, JsonSchema)]
pub struct ToolHeat {
    /// Its number.
    pub(super) tool: u32,
    /// Temperature, °C.
    pub(super) max_c: f64,
}

/// What the job draws from the mains.
#[derive(Serialize, Deserialize, JsonSchema)]
pub struct Energy {
    /// In all, Wh.
    pub(super) used_wh: f64,
    /// Mean power, W.
    pub(super) mean_w: f64,
    /// Largest power, W.
    pub(super) peak_w: f64,
}

/// How wide lines get by the pressure in the nozzle.
#[derive(Serialize, Deserialize, JsonSchema)]
pub struct Widths {
    /// Length of the lines that were followed, mm.
    pub(super) laid_mm: f64,
    /// The part of it that gets more than 15 % too much filament, mm.
    pub(super) wide_mm: f64,
    /// The part of it that gets more than 15 % too little, mm.
    pub(super) thin_mm: f64,
    /// Volume of the largest bulge, mm³; 0 where there is none.
    pub(super) bulge_mm3: f64,
    /// The line of the job on which it begins.
    pub(super) bulge_line: Option<u64>,
    /// Share of its filament that the first millimetre of the thinnest start of a line gets; null where no line is that long.
    pub(super) start_share: Option<f64>,
    /// Its line of the job.
    pub(super) start_line: Option<u64>,
    /// What the lead asks of the extruder; null without a lead.
    pub(super) led: Option<Led>,
    /// The largest jump of the filament's speed that the lead left out, mm/s.
    pub(super) steps_left_out_mm_s: Option<f64>,
    /// Its line of the job.
    pub(super) steps_line: Option<u64>,
}

/// What the lead asks of the extruder.
#[derive(Serialize, Deserialize, JsonSchema)]
pub struct Led {
    /// Largest speed of the filament, mm/s.
    pub(super) speed_mm_s: f64,
    /// Its line.
    pub(super) speed_line: Option<u64>,
    /// Largest sudden change of speed that ramps ask for, mm/s.
    pub(super) jump_mm_s: f64,
    /// Its line.
    pub(super) jump_line: Option<u64>,
}

/// What is laid on a purge line beside the print before it begins.
#[derive(Serialize, Deserialize, JsonSchema)]
pub struct PurgeLine {
    /// Its height, mm.
    pub(super) z_mm: f64,
    /// Line of its first move.
    pub(super) first_line: u64,
    /// Line of its last move.
    pub(super) last_line: u64,
    /// Length of its path, mm.
    pub(super) path_mm: f64,
    /// Filament pushed on it, mm.
    pub(super) filament_mm: f64,
}

/// Extrusion at one height.
#[derive(Serialize, Deserialize, JsonSchema)]
pub struct Layer {
    /// Height of its first extrusion, mm.
    pub(super) z_mm: f64,
    /// The highest that is laid before the next layer, mm: more than `z_mm` where Z rises while the job extrudes.
    #[serde(default)]
    pub(super) z_top_mm: f64,
    /// First line of extrusion.
    pub(super) first_line: u64,
    /// Time at its first extrusion, s from the start of the job.
    #[serde(default)]
    pub(super) start_s: f64,
    /// Time to the next layer, s.
    pub(super) time_s: f64,
    /// Length of extruding path, mm.
    pub(super) path_mm: f64,
    /// Filament volume, mm³.
    pub(super) volume_mm3: f64,
    /// Largest momentary melt rate, mm³/s.
    pub(super) flow_peak_mm3_s: f64,
}

/// One thing found, repeats merged.
#[derive(Serialize, Deserialize, JsonSchema)]
pub struct Finding<'a> {
    /// The check that found it.
    pub(super) check: Cow<'a, str>,
    /// Weight.
    pub(super) severity: Severity,
    /// First line; null when it is about the job as a whole.
    pub(super) line: Option<u64>,
    /// Last line.
    pub(super) last_line: Option<u64>,
    /// How often.
    pub(super) count: u64,
    /// The first lines it was found on; a bounded number.
    pub(super) lines: Cow<'a, [u64]>,
    /// What is wrong.
    pub(super) message: Cow<'a, str>,
    /// The worst value.
    pub(super) value: Option<f64>,
    /// Line of the worst value.
    pub(super) worst_line: Option<u64>,
    /// The limit it was held against.
    pub(super) limit: Option<f64>,
    /// Unit of value and limit; empty for plain numbers.
    pub(super) unit: Cow<'a, str>,
    /// Text of the first line and, where another is worse, of that one.
    pub(super) excerpts: Vec<Excerpt<'a>>,
    /// Where the machine is on the first line: x, y, z in machine coordinates, mm; null when the place says nothing.
    pub(super) place_mm: Option<[f64; 3]>,
    /// The same on the line of the worst value.
    pub(super) worst_place_mm: Option<[f64; 3]>,
    /// Which kind of it, as the check numbers them: an axis, a tool…
    pub(super) kind: u64,
    /// The box around the places of all hits, mm; null but for no-go findings on heat and travel.
    pub(super) places_mm: Option<Box3>,
    /// Why it does not decide the verdict; missing where nobody accepted it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) accepted: Option<Accepted<'a>>,
}

/// What a file of accepted findings did to a report.
#[derive(Serialize, Deserialize, JsonSchema)]
pub struct Acceptance<'a> {
    /// Path of the file.
    pub(super) source: Cow<'a, str>,
    /// Accepted findings; they do not decide the verdict.
    pub(super) findings: usize,
    /// Those of them that are no-go on heat or travel.
    pub(super) unsafe_findings: usize,
    /// Entries that have run out, cover too little or find nothing: a sentence each.
    pub(super) remarks: Cow<'a, [String]>,
}

/// Why a finding does not decide the verdict.
#[derive(Serialize, Deserialize, JsonSchema)]
pub struct Accepted<'a> {
    /// The reason given.
    pub(super) because: Cow<'a, str>,
    /// Last day on which it is accepted, such as `2027-01-31`; null without one.
    pub(super) until: Option<Cow<'a, str>>,
    /// Who accepted it.
    pub(super) by: Option<Cow<'a, str>>,
    /// True for a no-go on heat or travel.
    pub(super) even_unsafe: bool,
}

/// One line of the job.
#[derive(Serialize, Deserialize, JsonSchema)]
pub struct Excerpt<'a> {
    /// Line number.
    pub(super) line: u64,
    /// Its text, control characters replaced, cut to a bounded length.
    pub(super) text: Cow<'a, str>,
}

/// Which checks were made.
#[derive(Serialize, Deserialize, JsonSchema)]
pub struct Checks<'a> {
    /// Made.
    pub(super) run: Cow<'a, [Cow<'static, str>]>,
    /// Not made.
    pub(super) skipped: Vec<Skipped<'a>>,
}

/// A check that was not made.
#[derive(Serialize, Deserialize, JsonSchema)]
pub struct Skipped<'a> {
    /// Which.
    pub(super) check: Cow<'a, str>,
    /// Why.
    pub(super) reason: Cow<'a, str>,
    /// What is not checked without it: an entry of `not_checked`. Missing where a verdict can do without it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(super) unchecked: Option<Cow<'a, str>>,
}
