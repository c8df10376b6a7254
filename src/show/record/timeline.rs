//! What happens when: speed, melt rate, ringing and the fan as envelopes over time; heaters, tools and pauses as events;
//! the time spent at each melt rate.

use super::Envelope;
use crate::block::{Action, ActionKind, Block, Heater, Wait, flag};
use crate::findings::{Inspection, Layer, Log, Observer};
use crate::machine::Machine;
use crate::physics::capacity::MeltCapacity;
use crate::physics::melt::MeltLaw;
use crate::physics::standing::{LaidLayer, LayerTimes};
use crate::wording::quantity;

/// Stretches of time kept; they double in length as the job goes on.
const STRETCHES: usize = 8192;
/// First length, s; a power of two, so that borders are exact.
const FIRST_STRETCH_S: f64 = 1.0 / 64.0;
/// Events kept.
const EVENTS_KEPT: usize = 4000;
/// Columns of the time spent at each melt rate.
const RATES: usize = 128;
/// First width of a column, mm³/s.
const FIRST_RATE_MM3_S: f64 = 1.0 / 64.0;

/// Longer times to cool are shown as so many times the least that is wanted: that nothing is short there is all that matters.
pub const COOLING_SHOWN: f64 = 4.0;

/// Everything over time.
#[derive(Debug, Clone, PartialEq)]
pub struct TimeRecord {
    /// Length of a stretch, s.
    pub stretch_s: f64,
    /// End of the job, s.
    pub end_s: f64,
    /// Momentary melt rate along the path, mm³/s.
    pub melt_mm3_s: Envelope,
    /// Sustained melt rate, mm³/s, with what is pushed without a path; its largest value only.
    pub sustained_mm3_s: Envelope,
    /// Speed along the path, mm/s.
    pub speed_mm_s: Envelope,
    /// Ringing while extruding, mm, the largest over all directions; empty on machines without modes.
    pub ringing_mm: Option<Envelope>,
    /// What the hotend keeps up while it pushes filament, mm³/s; none where that is the same all the time.
    pub capacity_mm3_s: Option<Envelope>,
    /// Since when the places of each layer had been laid, s, the mean, up to `COOLING_SHOWN` times the least that the sheet
    /// wants; none where it wants none.
    pub cooling_s: Option<Envelope>,
    /// The least that the sheet wants of it, s: the largest over all tools.
    pub cooling_least_s: Option<f64>,
    /// Fan, 0 to 1.
    pub fan_share: Envelope,
    /// Line of the first move that touches each stretch; 0 where none does.
    pub lines: Vec<u64>,
    /// Heaters, tools, homing, pauses.
    pub events: Vec<Event>,
    /// How many events were not kept.
    pub events_dropped: u64,
    /// Where layers start, as many as the report keeps.
    pub layers: Vec<LayerStart>,
    /// Time at each melt rate.
    pub rates: RateTimes,
}

/// Time spent at each melt rate while filament is pushed along a path.
#[derive(Debug, Clone, PartialEq)]
pub struct RateTimes {
    /// Width of a column, mm³/s.
    pub column_mm3_s: f64,
    /// Time in each column, s.
    pub seconds: Vec<f64>,
}

/// A layer starts.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LayerStart {
    /// When, s.
    pub at_s: f64,
    /// Height, mm.
    pub z_mm: f64,
    /// Its first line.
    pub line: u64,
}

/// Something that is no motion.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Event {
    /// When, s.
    pub at_s: f64,
    /// How long, s.
    pub duration_s: f64,
    /// Line.
    pub line: u64,
    /// What.
    pub kind: EventKind,
}

/// Kinds of events.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum EventKind {
    /// A heater gets a target.
    Heat {
        /// Which.
        heater: Heater,
        /// °C; 0 is off.
        target_c: f64,
        /// Whether the job waits for it.
        waits: bool,
    },
    /// Another tool.
    Tool(u32),
    /// Homing.
    Home,
    /// Probing.
    Probe,
    /// A pause that waits for a person.
    Pause,
}

impl EventKind {
    /// What happens, in words.
    pub fn words(&self) -> String {
        match self {
            EventKind::Heat { heater, target_c, waits } => {
                let heater = match heater {
                    Heater::Nozzle(tool) => format!("nozzle T{tool}"),
                    Heater::Bed => "bed".to_owned(),
                    Heater::Chamber => "chamber".to_owned(),
                };
                match (*target_c > 0.0, waits) {
                    (true, true) => format!("{heater} {}, waits", quantity(*target_c, "°C")),
                    (true, false) => format!("{heater} {}", quantity(*target_c, "°C")),
                    _ => format!("{heater} off"),
                }
            }
            EventKind::Tool(number) => format!("tool {number}"),
            EventKind::Home => "homing".to_owned(),
            EventKind::Probe => "probing".to_owned(),
            EventKind::Pause => "waits for a person".to_owned(),
        }
    }
}

impl RateTimes {
    fn new() -> Self {
        Self { column_mm3_s: FIRST_RATE_MM3_S, seconds: vec![0.0; RATES] }
    }

    fn reach(&mut self, rate: f64) {
        while rate >= self.column_mm3_s * RATES as f64 && self.column_mm3_s < 1e12 {
            for i in 0..RATES / 2 {
                self.seconds[i] = self.seconds[2 * i] + self.seconds[2 * i + 1];
            }
            self.seconds[RATES / 2..].fill(0.0);
            self.column_mm3_s *= 2.0;
        }
    }

    /// A ramp spends equal time at each rate it passes.
    fn ramp(&mut self, a: f64, b: f64, seconds: f64) {
        let (low, high) = (a.min(b), a.max(b));
        if seconds <= 0.0 {
            return;
        }
        self.reach(high);
        let column = |rate: f64| ((rate / self.column_mm3_s) as usize).min(RATES - 1);
        let (first, last) = (column(low), column(high));
        if first == last {
            self.seconds[first] += seconds;
            return;
        }
        for at in first..=last {
            let from = low.max(at as f64 * self.column_mm3_s);
            let to = high.min((at + 1) as f64 * self.column_mm3_s);
            self.seconds[at] += seconds * ((to - from) / (high - low)).max(0.0);
        }
    }
}

/// The observer.
pub struct TimeLine {
    record: TimeRecord,
    laws: Vec<MeltLaw>,
    /// Of the tool in use: its law, and the sustained melt rate at the end of the last move and of the waits since.
    law: Option<MeltLaw>,
    sustained_mm3_s: f64,
    fan: f64,
    /// Tool by tool, where what any melts hangs on its temperature.
    capacities: Option<Vec<MeltCapacity>>,
    /// Layers, and what is shown of longer times, s.
    layers: Option<(LayerTimes, f64)>,
}

impl TimeLine {
    /// Nothing seen yet.
    pub fn new(machine: &Machine) -> Self {
        let least_s = machine.tools.iter().filter_map(|tool| tool.layer_time_min_s).reduce(f64::max);
        let layers = least_s.map(|least_s| (LayerTimes::new(machine), COOLING_SHOWN * least_s));
        let capacities = MeltCapacity::of_all(machine);
        let rings = !machine.structure.modes.is_empty();
        let laws = MeltLaw::of(machine);
        let empty = || Envelope::new(STRETCHES);
        Self {
            record: TimeRecord {
                stretch_s: FIRST_STRETCH_S,
                end_s: 0.0,
                melt_mm3_s: empty(),
                sustained_mm3_s: empty(),
                speed_mm_s: empty(),
                ringing_mm: rings.then(empty),
                capacity_mm3_s: capacities.as_ref().map(|_| empty()),
                cooling_s: layers.as_ref().map(|_| empty()),
                cooling_least_s: least_s,
                fan_share: empty(),
                lines: vec![0; STRETCHES],
                events: Vec::new(),
                events_dropped: 0,
                layers: Vec::new(),
                rates: RateTimes::new(),
            },
            law: laws.first().copied(),
            laws,
            sustained_mm3_s: 0.0,
            fan: 0.0,
            capacities,
            layers,
        }
    }

    /// What was seen, once the job has ended.
    pub fn into_record(self) -> TimeRecord {
        self.record
    }

    fn block_moves(&mut self, block: &Block) {
        let mut now_s = block.start_s;
        for i in 0..block.len() {
            let end_s = now_s + block.time_s[i];
            self.record.reach(end_s);
            self.record.extend(now_s, end_s, block.line[i], self.fan);
            let section = block.section_mm2[i];
            // Moves of the extruder alone have no speed along the path.
            let along = if block.flags[i] & flag::PATH != 0 { 1.0 } else { 0.0 };
            let mut at_s = now_s;
            block.each_piece(i, |piece| {
                let [from, to] = [piece.start_mm_s, piece.end_mm_s].map(|speed| along * speed);
                self.record.ramp(at_s, piece.seconds, from, to, section);
                at_s += piece.seconds;
            });
            self.sustain(block, i, now_s);
            if self.capacities.is_some() && block.de_mm[i] > 0.0 {
                self.weigh(block, now_s, end_s);
            }
            if section > 0.0 {
                self.record.ring(now_s, end_s, block.ringing_mm.iter().map(|column| column[i]).fold(0.0, f64::max));
            }
            now_s = end_s;
        }
    }

    /// The course of the sustained melt rate on a move.
    fn sustain(&mut self, block: &Block, i: usize, start_s: f64) {
        self.law = self.laws.get(block.tool_index).copied();
        let Some(law) = self.law else { return };
        let TimeRecord { stretch_s, sustained_mm3_s: sustained, .. } = &mut self.record;
        let border = |at_s: f64| ((at_s / *stretch_s).floor() + 1.0) * *stretch_s;
        // The report's largest value bounds what is rounded otherwise here.
        let most = block.sustained_mm3_s[i].max(block.sustained_start_mm3_s[i]);
        self.sustained_mm3_s = law.along(block, i, start_s, border, |part| {
            let at = ((part.at_s / *stretch_s) as usize).min(STRETCHES - 1);
            let value = part.sustained_mm3_s.min(most);
            sustained.widen(at, value, value);
        });
    }

    /// What the hotend keeps up on a move.
    fn weigh(&mut self, block: &Block, start_s: f64, end_s: f64) {
        let capacity = self.capacities.as_mut().and_then(|all| all.get_mut(block.tool_index));
        let touched = self.record.touched(start_s, end_s);
        let stretch_s = self.record.stretch_s;
        let Some((capacity, envelope)) = capacity.zip(self.record.capacity_mm3_s.as_mut()) else { return };
        for at in touched {
            for s in [start_s.max(at as f64 * stretch_s), end_s.min((at + 1) as f64 * stretch_s)] {
                let rates = capacity.at(block.nozzle.melts_at(s - block.start_s));
                rates.sustained_mm3_s.into_iter().for_each(|value| envelope.widen(at, value, value));
            }
        }
    }

    /// A layer that is done.
    fn cooled(record: &mut TimeRecord, most_s: f64, layer: &LaidLayer) {
        let touched = record.touched(layer.span_s[0], layer.span_s[1]);
        if let Some((since_s, envelope)) = layer.since_s.zip(record.cooling_s.as_mut()) {
            let shown_s = since_s.min(most_s);
            touched.for_each(|at| envelope.widen(at, shown_s, shown_s));
        }
    }

    /// While nothing is pushed it falls.
    fn rest(&mut self, start_s: f64, end_s: f64) {
        let Some(law) = self.law.filter(|_| self.sustained_mm3_s > 0.0) else { return };
        let left = |at_s: f64| law.rested(self.sustained_mm3_s, (at_s - start_s).max(0.0));
        for at in self.record.touched(start_s, end_s) {
            let value = left(at as f64 * self.record.stretch_s);
            self.record.sustained_mm3_s.widen(at, value, value);
        }
        self.sustained_mm3_s = left(end_s);
    }

    fn action(&mut self, action: &Action) {
        let kind = match action.kind {
            ActionKind::Fan { share } => {
                self.fan = share;
                None
            }
            ActionKind::Heat { heater, target_c, wait, .. } => {
                Some(EventKind::Heat { heater, target_c, waits: wait != Wait::No })
            }
            ActionKind::Tool { number } => Some(EventKind::Tool(number)),
            ActionKind::Home { axes, .. } if axes != [false; 3] => Some(EventKind::Home),
            ActionKind::Probe { .. } => Some(EventKind::Probe),
            ActionKind::Pause { .. } => Some(EventKind::Pause),
            _ => None,
        };
        let end_s = action.at_s + action.duration_s;
        self.record.reach(end_s);
        self.record.extend(action.at_s, end_s, action.line, self.fan);
        self.record.ramp(action.at_s, action.duration_s, 0.0, 0.0, 0.0);
        if action.duration_s > 0.0 {
            self.rest(action.at_s, end_s);
        }
        let Some(kind) = kind else { return };
        if self.record.events.len() < EVENTS_KEPT {
            let Action { at_s, duration_s, line, .. } = *action;
            self.record.events.push(Event { at_s, duration_s, line, kind });
        } else {
            self.record.events_dropped += 1;
        }
    }
}

impl TimeRecord {
    fn envelopes(&mut self) -> impl Iterator<Item = &mut Envelope> {
        [&mut self.melt_mm3_s, &mut self.sustained_mm3_s, &mut self.speed_mm_s, &mut self.fan_share]
            .into_iter()
            .chain(&mut self.ringing_mm)
            .chain(&mut self.capacity_mm3_s)
            .chain(&mut self.cooling_s)
    }

    fn reach(&mut self, end_s: f64) {
        while end_s >= self.stretch_s * STRETCHES as f64 {
            self.envelopes().for_each(Envelope::halve);
            let half = STRETCHES / 2;
            for i in 0..half {
                let [first, second] = [self.lines[2 * i], self.lines[2 * i + 1]];
                self.lines[i] = if first == 0 { second } else { first };
            }
            self.lines[half..].fill(0);
            self.stretch_s *= 2.0;
        }
    }

    /// Stretches that a time touches.
    fn touched(&self, start_s: f64, end_s: f64) -> std::ops::RangeInclusive<usize> {
        let at = |s: f64| ((s / self.stretch_s) as usize).min(STRETCHES - 1);
        at(start_s)..=at(end_s)
    }

    /// The fan and the line.
    fn extend(&mut self, start_s: f64, end_s: f64, line: u64, fan: f64) {
        for at in self.touched(start_s, end_s) {
            self.fan_share.widen(at, fan, fan);
            if self.lines[at] == 0 {
                self.lines[at] = line;
            }
        }
    }

    /// Speed goes evenly from one value to another; the melt rate with it.
    fn ramp(&mut self, start_s: f64, seconds: f64, from: f64, to: f64, section_mm2: f64) {
        if seconds <= 0.0 {
            return;
        }
        let end_s = start_s + seconds;
        let touched = self.touched(start_s, end_s);
        let one = touched.start() == touched.end();
        for at in touched {
            let (low_s, high_s) = (at as f64 * self.stretch_s, (at + 1) as f64 * self.stretch_s);
            let speed = |s: f64| from + (to - from) * ((s - start_s) / seconds).clamp(0.0, 1.0);
            let (a, b) = if one { (from, to) } else { (speed(low_s), speed(high_s)) };
            let (low, high) = (a.min(b), a.max(b));
            self.speed_mm_s.widen(at, low, high);
            self.melt_mm3_s.widen(at, low * section_mm2, high * section_mm2);
        }
        if section_mm2 > 0.0 {
            self.rates.ramp(from * section_mm2, to * section_mm2, seconds);
        }
    }

    fn ring(&mut self, start_s: f64, end_s: f64, ringing_mm: f64) {
        let touched = self.touched(start_s, end_s);
        if let Some(ringing) = &mut self.ringing_mm {
            touched.for_each(|at| ringing.widen(at, ringing_mm, ringing_mm));
        }
    }
}

impl Observer for TimeLine {
    fn observe(&mut self, block: &Block, _log: &mut Log) {
        self.block_moves(block);
        block.actions.iter().for_each(|action| self.action(action));
        if let Some((layers, most_s)) = &mut self.layers {
            layers.follow(block, |layer| Self::cooled(&mut self.record, *most_s, &layer));
        }
    }

    fn finish(&mut self, draft: &mut Inspection, _log: &mut Log) {
        if let Some((layer, most_s)) = self.layers.as_mut().and_then(|(layers, most_s)| Some((layers.last()?, *most_s)))
        {
            Self::cooled(&mut self.record, most_s, &layer);
        }
        let record = &mut self.record;
        record.capacity_mm3_s.take_if(|capacity| capacity.is_steady());
        record.end_s = draft.time_s.total();
        let start = |layer: &Layer| LayerStart { at_s: layer.start_s, z_mm: layer.z_mm, line: layer.first_line };
        record.layers = draft.layers.iter().map(start).collect();
        record.reach(record.end_s);
        let used = ((record.end_s / record.stretch_s).ceil() as usize).clamp(1, STRETCHES);
        record.envelopes().for_each(|envelope| envelope.truncate(used));
        record.lines.truncate(used);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::findings::Attached;
    use crate::machine::Machine;
    use crate::preflight::{JobSource, Preflight, RunOptions};

    fn record(job: &str, block_moves: usize) -> (Inspection, TimeRecord) {
        let machine = Machine::built_in();
        let (handle, attached) = Attached::new(TimeLine::new(&machine));
        let options = RunOptions { block_moves, ..RunOptions::default() };
        let preflight = Preflight::on(&machine).options(options).watch(0, attached);
        let report = preflight.run(JobSource::stream(job.as_bytes(), "job")).expect("reads");
        (report, handle.take().expect("was attached").into_record())
    }

    fn job() -> String {
        let mut job = "G28\nM109 S200\nM106 S128\nM83\nG1 E30 F900\nG1 Z0.2 F600\n".to_owned();
        for k in 0..200 {
            let (x, y) = (20 + (k * 37) % 90, 20 + (k * 53) % 90);
            job += &format!("G1 X{x} Y{y} E{} F{}\n", 0.5 + f64::from(k % 7) * 0.3, 600 + (k % 5) * 900);
            if k % 50 == 49 {
                job += &format!("G1 Z{} F600\nG4 S2\nM106 S{k}\n", 0.2 + f64::from(k / 50 + 1) * 0.2);
            }
        }
        job + "M104 S0\n"
    }

    #[test]
    fn peaks_and_times_agree_with_the_report() {
        let (report, seen) = record(&job(), 256);
        let most = |envelope: &Envelope| envelope.most();
        assert_eq!(most(&seen.melt_mm3_s) as f32, report.flow.peak_mm3_s as f32);
        assert_eq!(most(&seen.sustained_mm3_s) as f32, report.flow.sustained_peak_mm3_s as f32);
        let spent: f64 = seen.rates.seconds.iter().sum();
        assert!((spent - report.time_s.extruding).abs() < 1e-6 * spent, "{spent} {}", report.time_s.extruding);
        // Lines of the stretches hold the peak's line between them.
        let peak =
            seen.melt_mm3_s.high.iter().position(|&rate| f64::from(rate) == most(&seen.melt_mm3_s)).expect("a peak");
        let line = report.flow.peak_line.expect("a peak");
        assert!(seen.lines[peak] <= line, "{} {line}", seen.lines[peak]);
        assert_eq!(seen.layers.len() as u64, report.layers_total);
        assert_eq!(seen.layers[1].line, report.layers[1].first_line);
        let heats = seen.events.iter().filter(|event| matches!(event.kind, EventKind::Heat { .. })).count();
        assert_eq!((heats, seen.end_s), (2, report.time_s.total()));
    }

    #[test]
    fn the_same_bits_however_blocks_are_cut() {
        assert_eq!(record(&job(), 256).1, record(&job(), 1).1);
    }

    #[test]
    fn the_sustained_rate_falls_on_a_slow_move_and_while_nothing_is_pushed() {
        let mut job = "G28\nM109 S200\nM83\nG1 Z0.2 F600\nG1 X10 Y10 F6000\n".to_owned();
        job += "G1 X150 E10 F1800\nG1 X140 E0.1 F100\nG0 X10 F300\nG4 S3\n";
        let (report, seen) = record(&job, 256);
        let sustained = |at_s: f64| f64::from(seen.sustained_mm3_s.high[(at_s / seen.stretch_s) as usize]);
        let series = |at_s: f64| report.series.sustained_mm3_s[(at_s / report.series.bin_s) as usize];
        let slow_s = report.time_s.total() - 3.0 - 26.0 - 6.0;
        let window_s = Machine::built_in().tools[0].melt_window_s;
        let top = report.flow.sustained_peak_mm3_s;
        for at_s in [slow_s + 2.0 * window_s, slow_s + 3.0 * window_s] {
            // What the slow move adds is little; what is left of the fast one falls as e^(−t/τ).
            let left = top * (-(at_s - slow_s) / window_s).exp();
            for found in [sustained(at_s), series(at_s)] {
                assert!((found - left).abs() < 0.1 * top, "{found} {left} of {top}");
            }
        }
        assert!(sustained(report.time_s.total() - 1.0) < 0.01 * top);
    }

    #[test]
    fn the_mean_speed_lies_inside_the_envelope() {
        let (report, seen) = record(&job(), 256);
        let sum = |values: &[f32]| values.iter().map(|&v| f64::from(v)).sum::<f64>() * seen.stretch_s;
        let moved = report.path_mm.total();
        assert!(sum(&seen.speed_mm_s.low) <= moved && moved <= sum(&seen.speed_mm_s.high), "{moved}");
    }

    #[test]
    fn long_jobs_join_stretches() {
        let (report, seen) = record("G28\nG1 X10 F600\nG4 S100000\nG1 X50 F600\n", 256);
        assert!(seen.speed_mm_s.high.len() <= STRETCHES);
        assert!(seen.stretch_s * seen.speed_mm_s.high.len() as f64 >= report.time_s.total());
        assert_eq!(seen.speed_mm_s.high[seen.speed_mm_s.high.len() / 2], 0.0, "it stands");
        assert_eq!(seen.speed_mm_s.most(), 10.0);
    }
}
