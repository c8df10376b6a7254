//! Runs of short moves that the controller or the serial line cannot feed.

use std::collections::VecDeque;

use crate::block::{
    Action, ActionKind, Block,
    grid::{Sum, time_units},
    stands_s,
};
use crate::findings::{
    Built, Check, CommandRate, Explanation, Hit, Inspection, Log, Observer, Severity, Spot, Starving,
};
use crate::machine::{Controller, LookAhead, Machine, Override};
use crate::motion::arrivals::{self, BITS_PER_BYTE, Reading};
use crate::vectors::{Vectors, columns};
use crate::wording::{duration, figure, number};

/// The check.
pub const CHECK: Check = Check {
    id: "command-rate-exceeded",
    topic: "command rate",
    severity: Severity::Hold,
    summary: "Commands come too slowly: the machine waits for them, or creeps, in the middle of a wall.",
    explain: Explanation {
        what: "runs of moves are over faster than the controller can read, or the serial line can carry, the commands \
for them.",
        why: "the queue of known moves runs empty. The machine creeps or stops for moments in the middle of a wall, leaves \
blobs, and shakes; curves with many tiny segments do this at speeds that look harmless.",
        how: "the plan follows the queue. It holds `look_ahead_moves`, the one that is carried out among them, and is full \
when a run begins: behind a dwell or a wait for the end of moves the machine stands until it is. Each command takes 1 / `command_rate_limit_hz` to read; over a serial line its bytes take 10 bits each \
(one start bit, eight data bits, one stop bit: common practice, no source) at `serial_baud`, and `acknowledge_s` besides; comments and empty lines count \
where `sends_comments` is true (most senders take them out: common practice, no source); \
the slower of both counts. It enters when it is read and has a place. Each move is planned with those that are in the \
queue when it starts, so that the machine can stop within them; where none is there it waits. With `thin_queue` moves \
that enter a queue below that share are slowed down to `least_s`. Homing, probing, pauses, tool changes and waits for heat \
fill the queue again, as long as that takes. A hold is a move that waits for its command, or takes a quarter longer than if all commands had \
come in time, where such moves in a row lose 0.02 s together; less, or a job that takes 1 % longer without such a move, is a \
note (bounds of this program, no source). Where `motion.ramp` limits the jerk the plan does not follow late commands: the queue is \
then followed beside it, with the times of moves as if all came in time, and what it waits for is left out of the time; such a \
job takes longer still, since a machine that waits slows down before. The rate \
that is asked for is told for as many moves in a row as the queue holds (4096 at most), at the \
speeds of a plan for which all commands come in time.",
        remedy: "slice with a coarser resolution or with arcs, or print slower there; a job that is sent over a line may be \
started from a card instead.",
    },
    heat_or_travel: false,
    timed: true,
    unchecked: None,
    build,
};

/// A move that takes so many times as long is late.
const LATE: f64 = 1.25;
/// A job that takes longer by this share is told so, even where no move is late.
const SHARE_TOLD: f64 = 0.01;
/// Late moves in a row that lose less than this together leave no mark on a print.
const UNSEEN_S: f64 = 0.02;
const WAITS: u64 = 0;
const CREEPS: u64 = 1;

/// Window where the controller knows all moves ahead.
const UNLIMITED: usize = 16;
/// Largest window.
const WINDOW_MAX: usize = 4096;

fn build(machine: &Machine, _: &str) -> Built {
    let controller = &machine.controller;
    if controller.command_rate_limit_hz.is_none() && controller.serial_baud.is_none() {
        let keys = "neither `[controller] command_rate_limit_hz` nor `[controller] serial_baud`";
        return Built::Skipped(format!("the sheet gives {keys}"));
    }
    Built::Watching(Box::new(CommandRateExceeded::new(machine)))
}

/// What measures the rate where the check is not made; none where it is.
pub(crate) fn measured_only(machine: &Machine) -> Option<Box<dyn Observer>> {
    let controller = &machine.controller;
    let given = controller.command_rate_limit_hz.is_some() || controller.serial_baud.is_some();
    let off = machine.severities.get(CHECK.id) == Some(&Override::Off);
    (off || !given).then(|| Box::new(CommandRateExceeded::new(machine)) as Box<dyn Observer>)
}

struct CommandRateExceeded {
    commands_hz: f64,
    baud: f64,
    /// What a command costs besides its bytes, bits of the serial line.
    acknowledge_bits: f64,
    window: Window,
    /// The largest rate of commands so far, Hz, and the line its window ends on.
    most: (f64, u64),
    /// Of the windows that exceed the rate of commands, and that of the serial line.
    asked: [Asked; 2],
    /// The queue beside a plan in which all commands come in time.
    beside: Option<Queue>,
    extra_s: Sum,
    /// Of it what fills the queue behind stops; whether there was one just now.
    filling_s: Sum,
    stands: bool,
    starves_from: Option<u64>,
    /// Of late moves in a row what they take longer, now and at most, s; the wait for the next move, s.
    place_s: f64,
    worst_place_s: f64,
    waited_s: f64,
}

/// What windows ask for at most.
#[derive(Clone, Copy, Default)]
struct Asked {
    /// Commands or bits a second.
    rate: f64,
    /// How many come there instead.
    comes: f64,
    /// The rate, or the speed of the serial line, at which none would ask for more than comes.
    enough: f64,
    /// The length of moves, joined as far as that, with which none would, mm.
    joined_mm: f64,
}

impl Asked {
    fn add(&mut self, [rate, comes]: [f64; 2], enough: f64, joined_mm: f64) {
        if rate > self.rate {
            (self.rate, self.comes) = (rate, comes);
        }
        self.enough = self.enough.max(enough);
        self.joined_mm = self.joined_mm.max(joined_mm);
    }
}

impl CommandRateExceeded {
    fn new(machine: &Machine) -> Self {
        let size = match machine.motion.look_ahead {
            LookAhead::Moves(moves) => (moves as usize).clamp(1, WINDOW_MAX),
            LookAhead::Unlimited => UNLIMITED,
        };
        let Controller { command_rate_limit_hz, serial_baud, acknowledge_s, .. } = machine.controller;
        Self {
            commands_hz: command_rate_limit_hz.unwrap_or(f64::INFINITY),
            baud: serial_baud.unwrap_or(f64::INFINITY),
            acknowledge_bits: serial_baud.zip(acknowledge_s).map_or(0.0, |(baud, acknowledge_s)| baud * acknowledge_s),
            window: Window::new(size),
            most: (0.0, 0),
            asked: [Asked::default(); 2],
            beside: Queue::beside_plan(machine),
            extra_s: Sum::default(),
            filling_s: Sum::default(),
            stands: false,
            starves_from: None,
            place_s: 0.0,
            worst_place_s: 0.0,
            waited_s: 0.0,
        }
    }
}

/// A queue that moves of given times empty, as commands come. Who waits for a command here loses no speed by it.
struct Queue {
    reading: Reading,
    size: usize,
    /// When each of the last moves ended, up to a queue full of them; from the last stop on that fills it, 2⁻³² s.
    ended: VecDeque<u64>,
    entered: u64,
    /// Moves since the last stop, and whether that is the one that fills it; how long the machine stands before the next.
    moves: usize,
    filled: bool,
    stands: u64,
    /// Of the moves since then that were not in the queue at first: time to read them, and by the plan; whether any waited.
    read: u64,
    planned: u64,
    waits: bool,
    /// The same of all stretches where some waited, s.
    read_s: Sum,
    planned_s: Sum,
}

impl Queue {
    /// Where the plan itself does not follow late commands, which the sheet says something of.
    fn beside_plan(machine: &Machine) -> Option<Self> {
        let reading = Reading::of(machine).filter(|_| !arrivals::follows(machine))?;
        // Of unlimited moves there is no queue: sheets refuse that.
        let LookAhead::Moves(moves) = machine.motion.look_ahead else { return None };
        Some(Self {
            reading,
            size: moves.max(1) as usize,
            ended: VecDeque::new(),
            entered: 0,
            moves: 0,
            filled: true,
            stands: 0,
            read: 0,
            planned: 0,
            waits: false,
            read_s: Sum::default(),
            planned_s: Sum::default(),
        })
    }

    /// How long the machine waits for a move at least, s, and whether the queue was full once since the last stop.
    fn waits_s(&mut self, [commands, bytes]: [u32; 2], time_s: f64) -> (f64, bool) {
        let (reading, time) = (self.reading.units(commands, bytes), time_units(time_s));
        let stood = self.ended.back().map_or(0, |end| end.saturating_add(std::mem::take(&mut self.stands)));
        let freed = if self.ended.len() < self.size { None } else { self.ended.pop_front() };
        let mut began = stood;
        if !self.filled || self.moves >= self.size {
            self.entered = self.entered.saturating_add(reading).max(freed.unwrap_or(0));
            began = stood.max(self.entered);
            (self.read, self.planned) = (self.read.saturating_add(reading), self.planned.saturating_add(time));
        }
        let was_full = self.moves >= self.size;
        self.moves += 1;
        self.ended.push_back(began.saturating_add(time));
        self.waits |= began > stood;
        ((began - stood) as f64 / Sum::ONE, was_full)
    }

    /// The machine stands for so long, or until the queue is full.
    fn stop(&mut self, stands_s: Option<f64>) {
        // Nothing was taken from it since it was full, or what fills it takes as long as that.
        if self.moves == 0 && self.filled {
            return;
        }
        self.moves = 0;
        if let Some(stands_s) = stands_s {
            (self.stands, self.filled) = (self.stands.saturating_add(time_units(stands_s)), false);
            return;
        }
        if self.waits {
            self.read_s.add(self.read as f64 / Sum::ONE);
            self.planned_s.add(self.planned as f64 / Sum::ONE);
        }
        self.ended.clear();
        (self.filled, self.stands, self.entered) = (true, 0, 0);
        (self.read, self.planned, self.waits) = (0, 0, false);
    }
}

/// The latest moves of a run: running totals before the first and after each of them, which may wrap around.
struct Window {
    size: usize,
    commands: Vec<u64>,
    bytes: Vec<u64>,
    /// 2⁻³² s.
    time: Vec<u64>,
    /// Path, mm, from the start of the run.
    path: Vec<f64>,
}

impl Window {
    fn new(size: usize) -> Self {
        Self { size, commands: vec![0], bytes: vec![0], time: vec![0], path: vec![0.0] }
    }

    fn clear(&mut self) {
        self.columns().into_iter().for_each(|column| column.truncate(1));
        // From 0 again, so that no bit depends on where blocks were cut.
        self.path.clear();
        self.path.push(0.0);
    }

    fn columns(&mut self) -> [&mut Vec<u64>; 3] {
        [&mut self.commands, &mut self.bytes, &mut self.time]
    }

    /// Forgets all but what windows of later moves need.
    fn forget(&mut self) {
        let past = self.time.len().saturating_sub(self.size);
        self.columns().into_iter().for_each(|column| drop(column.drain(..past)));
        self.path.drain(..past);
    }

    /// Adds the moves of a block; how many windows end in it: with its last move, the one before it and so on.
    fn add(&mut self, block: &Block) -> usize {
        let count = block.len();
        extend(&mut self.commands, block.commands[..count].iter().map(|&commands| u64::from(commands)));
        extend(&mut self.bytes, block.bytes[..count].iter().map(|&bytes| u64::from(bytes)));
        // What the moves ask for is not what they get.
        let time_s = if block.fed_s.is_empty() { &block.time_s[..count] } else { &block.fed_s };
        extend(&mut self.time, time_s.iter().map(|&time_s| time_units(time_s)));
        let mut path_mm = self.path.last().copied().unwrap_or_default();
        self.path.extend(block.length_mm[..count].iter().map(|length_mm| {
            path_mm += length_mm;
            path_mm
        }));
        self.time.len().saturating_sub(self.size).min(count)
    }

    /// True when one of the last `count` windows may exceed a rate; false is certain.
    fn hurries(&self, count: usize, commands_hz: f64, [baud, acknowledge_bits]: [f64; 2], vectors: Vectors) -> bool {
        if count == 0 {
            return false;
        }
        vectors.run(
            #[inline(always)]
            || {
                // Cut in here, where the compiler then knows that all are as long.
                let [commands, bytes, time] =
                    [&self.commands, &self.bytes, &self.time].map(|column| self.ends(column, count));
                columns::any(
                    count,
                    #[inline(always)]
                    |i| {
                        let sum = |(from, to): (&[u64], &[u64])| to[i].wrapping_sub(from[i]);
                        // Whole microseconds (2⁻²⁰ s), rounded down.
                        let time_s = small(sum(time) >> 12) * (4096.0 / Sum::ONE);
                        let commands = small(sum(commands));
                        let bits = small(sum(bytes)) * BITS_PER_BYTE + commands * acknowledge_bits;
                        (commands > commands_hz * time_s) | (bits > baud * time_s)
                    },
                )
            },
        )
    }

    /// Totals before and after each of the last `count` windows.
    #[inline(always)]
    fn ends<'c>(&self, column: &'c [u64], count: usize) -> (&'c [u64], &'c [u64]) {
        let first = column.len() - count;
        (&column[first - self.size..][..count], &column[first..][..count])
    }

    /// Path of one of the last `count` windows, mm.
    fn path_mm(&self, count: usize, i: usize) -> f64 {
        let last = self.path.len() - count + i;
        self.path[last] - self.path[last - self.size]
    }

    /// Commands, bytes and time, s, of one of the last `count` windows.
    fn sums(&self, count: usize, i: usize) -> (f64, f64, f64) {
        let [commands, bytes, time] = [&self.commands, &self.bytes, &self.time].map(|column| {
            let (from, to) = self.ends(column, count);
            to[i].wrapping_sub(from[i]) as f64
        });
        (commands, bytes, time / Sum::ONE)
    }
}

fn extend(totals: &mut Vec<u64>, values: impl Iterator<Item = u64>) {
    let mut total = totals.last().copied().unwrap_or_default();
    totals.extend(values.map(|value| {
        total = total.wrapping_add(value);
        total
    }));
}

/// A whole number below 2⁵² as it is: its bits behind those of 2⁵² are what 2⁵² + n looks like.
#[inline(always)]
fn small(n: u64) -> f64 {
    const BASE: f64 = 4_503_599_627_370_496.0;
    f64::from_bits(n | BASE.to_bits()) - BASE
}

/// A number with two digits, not below the value.
fn rounded_up(value: f64) -> String {
    let step = 10f64.powf(value.log10().floor() - 1.0);
    // Times are rounded, and rates with them.
    let steps = (value / step - 1e-6).ceil();
    // 0.21 is nearer to 21 / 100 than to 21 × 0.01.
    figure(if step < 1.0 { steps / (1.0 / step).round() } else { steps * step.round() })
}

impl Observer for CommandRateExceeded {
    fn observe(&mut self, block: &Block, log: &mut Log) {
        let (commands_hz, baud) = (self.commands_hz * (1.0 + 1e-9), self.baud * (1.0 + 1e-9));
        let count = self.window.add(block);
        // A little less than the largest so far, so that rounding passes over none.
        let bound_hz = commands_hz.min(self.most.0 * (1.0 - 1e-9));
        if self.window.hurries(count, bound_hz, [baud, self.acknowledge_bits], block.vectors) {
            for i in 0..count {
                let (commands, bytes, time_s) = self.window.sums(count, i);
                let line = block.line[block.len() - count + i];
                // Moves too short for the clock take one step of it together.
                let at_least_s = time_s.max(1.0 / Sum::ONE);
                let rate_hz = commands / at_least_s;
                if rate_hz > self.most.0 {
                    self.most = (rate_hz, line);
                }
                let mm_s_per_move = self.window.path_mm(count, i) / at_least_s / self.window.size as f64;
                if commands > commands_hz * time_s {
                    self.asked[0].add(
                        [rate_hz, self.commands_hz],
                        rate_hz,
                        mm_s_per_move * commands / self.commands_hz,
                    );
                }
                let bits = bytes * BITS_PER_BYTE;
                let load_bits = bits + commands * self.acknowledge_bits;
                if load_bits > baud * time_s {
                    // What is left for the bytes; where nothing is, no speed of the line is enough.
                    let left_s = (at_least_s - commands * self.acknowledge_bits / self.baud).max(0.0);
                    let rates = [bits / at_least_s, bits / load_bits * self.baud];
                    self.asked[1].add(rates, bits / left_s, mm_s_per_move * load_bits / self.baud);
                }
            }
        }
        self.starves(block, log);
        self.window.forget();
        if block.actions.iter().any(stops) {
            self.window.clear();
            if let Some(queue) = &mut self.beside {
                queue.stop(stands_s(block.actions.iter().map(|action| (&action.kind, action.duration_s))));
            }
        }
    }

    fn finish(&mut self, draft: &mut Inspection, log: &mut Log) {
        let extra_s = self.extra_s.value();
        let in_times = self.beside.is_none();
        draft.starving = self.starves_from.map(|from_line| Starving { extra_s, from_line, in_times });
        if let Some(starving) = draft.starving {
            if self.worst_place_s > 0.0 {
                let severity = if self.worst_place_s < UNSEEN_S { Severity::Note } else { Severity::Hold };
                log.reconsider(&CHECK, WAITS, [Severity::Hold, severity], self.told(starving));
            } else if extra_s >= SHARE_TOLD * draft.time_s.total() {
                let hit = Hit::plain(&CHECK, CREEPS, Severity::Note, starving.from_line);
                log.raise(Hit { spot: Spot::Nowhere, ..hit }, || self.told(starving));
            }
        }
        let (hz, line) = self.most;
        draft.command_rate = (line > 0).then_some(CommandRate { hz, line, moves: self.window.size as u64 });
    }
}

/// Where the machine comes to rest. With all commands in time it would not wait for them.
fn stops(action: &Action) -> bool {
    action.kind.stops() && action.kind != ActionKind::Starved
}

impl CommandRateExceeded {
    /// What moves, with the waits for them, take longer than if all commands came in time.
    fn starves(&mut self, block: &Block, log: &mut Log) {
        if self.beside.is_some() {
            for i in 0..block.len() {
                let (asks, time_s) = ([block.commands[i], block.bytes[i]], block.time_s[i]);
                let Some((wait_s, was_full)) = self.beside.as_mut().map(|queue| queue.waits_s(asks, time_s)) else {
                    break;
                };
                if !was_full {
                    self.filling_s.add(wait_s);
                }
                self.late(block.line[i], wait_s, was_full && wait_s > (LATE - 1.0) * time_s, log);
            }
        } else if !block.fed_s.is_empty() || self.waited_s > 0.0 {
            for i in 0..block.len() {
                let fed_s = block.fed_s.get(i).copied().unwrap_or(block.time_s[i]);
                let waited_s = std::mem::take(&mut self.waited_s);
                let extra_s = waited_s + (block.time_s[i] - fed_s);
                let fills = std::mem::take(&mut self.stands);
                if fills {
                    self.filling_s.add(waited_s);
                }
                self.late(block.line[i], extra_s, !fills && extra_s > (LATE - 1.0) * fed_s, log);
            }
        } else if !block.is_empty() {
            self.place_s = 0.0;
        }
        // What the machine waits for behind a stop fills the queue.
        self.stands = block.actions.iter().any(stops) || (self.stands && block.is_empty());
        let starved = block.actions.iter().filter(|action| action.kind == ActionKind::Starved);
        self.waited_s += starved.map(|action| action.duration_s).sum::<f64>();
    }

    /// A move that takes so much longer; late ones in a row are one place.
    fn late(&mut self, line: u64, extra_s: f64, is_late: bool, log: &mut Log) {
        if extra_s != 0.0 {
            self.extra_s.add(extra_s);
            self.starves_from.get_or_insert(line);
        }
        self.place_s = if is_late { self.place_s + extra_s } else { 0.0 };
        self.worst_place_s = self.worst_place_s.max(self.place_s);
        if is_late {
            let hit = Hit::plain(&CHECK, WAITS, Severity::Hold, line);
            let hit = Hit { value: Some(self.place_s), badness: self.place_s, unit: "s", ..hit };
            log.raise(hit, || "The machine waits for commands".to_owned());
        }
    }

    /// All of it in words.
    fn told(&self, starving: Starving) -> String {
        let asked = self.asked.iter().zip(LINES).filter(|(asked, _)| asked.rate > 0.0);
        let answers = match self.acknowledge_bits > 0.0 {
            true => format!(
                " at {} baud, with {} s to acknowledge each command,",
                number(self.baud),
                number(self.acknowledge_bits / self.baud)
            ),
            false => String::new(),
        };
        let run = match self.window.size {
            1 => "a single move asks".to_owned(),
            moves => format!("{moves} moves in a row ask"),
        };
        let mut asks = Vec::new();
        let (mut enough, mut joined_mm) = (Vec::new(), 0.0f64);
        for (asked, [unit, who, does, of_enough]) in asked {
            let answers = if who == LINES[1][1] { &answers } else { "" };
            asks.push(format!(
                "{run} for {} {unit}, and {who}{answers} {does} {}",
                number(asked.rate),
                number(asked.comes)
            ));
            if asked.enough.is_finite() {
                enough.push(format!("{} {of_enough}", rounded_up(asked.enough)));
            }
            joined_mm = joined_mm.max(asked.joined_mm);
        }
        let Starving { extra_s, from_line, in_times } = starving;
        let cost = if in_times { format!(", which costs {}", some(extra_s)) } else { String::new() };
        let longer = format!("commands come too slowly from line {from_line} on{cost}");
        let left_out = self.left_out(starving);
        let filling_s = self.filling_s.value();
        if asks.is_empty() && filling_s > extra_s / 2.0 {
            let why =
                "dwells and waits for the end of moves follow one another faster than the commands in between are read";
            return format!("{longer}: {why}, and the machine stands until they have come{left_out}");
        }
        if asks.is_empty() {
            return format!(
                "{longer}: a longer queue of known moves would make up for lines that take long to read{left_out}"
            );
        }
        let joined = format!("with moves joined up to {} mm", rounded_up(joined_mm));
        let cure = match enough.is_empty() {
            true => joined,
            false => format!("with {}, or {joined}", enough.join(" and ")),
        };
        format!("{longer}: {}. It would do {cure}{left_out}", asks.join("; "))
    }

    /// What the time of the job leaves out, in words.
    fn left_out(&self, Starving { extra_s, .. }: Starving) -> String {
        let Some(queue) = &self.beside else { return String::new() };
        let [read_s, planned_s] = [&queue.read_s, &queue.planned_s].map(|sum| sum.value());
        // Where a few of many moves wait, all of them may be read in less.
        let reading = match read_s > planned_s {
            true => format!("; to read them takes {} at least, their moves {}", some(read_s), some(planned_s)),
            false => String::new(),
        };
        let least = if extra_s < 0.1 { String::new() } else { format!(", {} or more,", duration(extra_s)) };
        format!(
            ". With a limited jerk moves are planned as if commands came in time: waiting for them{least} is not in any time \
             told{reading}"
        )
    }
}

/// A time that may be very short.
fn some(seconds: f64) -> String {
    if seconds < 0.1 { "under 0.1 s".to_owned() } else { duration(seconds) }
}

/// What is asked for, who has a limit for it, and what of would be enough.
const LINES: [[&str; 4]; 2] = [
    ["commands a second", "the controller", "reads", "commands a second"],
    ["bits a second", "the serial line", "carries", "baud"],
];

#[cfg(test)]
mod tests {
    use super::super::testing::{Job, judged, machine, skipped};
    use super::*;
    use crate::findings::Finding;
    use crate::machine::Ramp;

    /// `count` moves of `length` mm at 50 mm/s, one command each.
    fn short(mut job: Job, count: u32, length: f64) -> Job {
        for n in 0..count {
            let x = if n % 2 == 0 { length } else { 0.0 };
            job = job.to([x, 0.0, 0.0], 0.0);
        }
        job
    }

    /// A straight line of so many chords, each so long and with this remark, at 50 mm/s.
    fn line_of(chords: u32, length_mm: f64, remark: &str) -> String {
        let mut job = "G28\nM109 S200\nG1 Z0.2 F600\nM83\nG1 X10 F3000\n".to_owned();
        for n in 1..=chords {
            job += &format!("G1 X{:.4} E0.001{remark}\n", 10.0 + f64::from(n) * length_mm);
        }
        job + "M104 S0\n"
    }

    fn found(report: &Inspection) -> Vec<&Finding> {
        report.findings.iter().filter(|finding| finding.check == CHECK.id).collect()
    }

    fn from_a_card(rate_hz: f64) -> Machine {
        let mut machine = machine();
        (machine.controller.serial_baud, machine.controller.command_rate_limit_hz) = (None, Some(rate_hz));
        machine
    }

    /// 0.1 mm at 50 mm/s are 500 commands a second, twice what the controller reads.
    #[test]
    fn a_long_run_of_short_moves_starves() {
        let report = judged(&from_a_card(250.0), &line_of(400, 0.1, ""));
        let [finding] = found(&report)[..] else { panic!("{:?}", report.findings) };
        assert_eq!((finding.severity, finding.unit.as_ref()), (Severity::Hold, "s"));
        let starving = report.starving.expect("starves");
        // But for those in the queue, 400 commands take 1.6 s to read, and 0.8 s to carry out.
        assert!((starving.extra_s - (384.0 / 250.0 - 0.8)).abs() < 0.04, "{starving:?}");
        let message = &finding.message;
        for part in ["16 moves in a row ask for 500 commands a second", "reads 250", "moves joined up to 0.2 mm"] {
            assert!(message.contains(part), "{message}");
        }
        assert!(message.contains(&format!("from line {} on", starving.from_line)), "{message}");
        // What is said to do does.
        assert_eq!(judged(&from_a_card(500.0), &line_of(400, 0.1, "")).starving, None);
        assert_eq!(judged(&from_a_card(250.0), &line_of(200, 0.2, "")).starving, None);
    }

    #[test]
    fn what_the_queue_holds_need_not_come() {
        assert!(found(&judged(&from_a_card(250.0), &line_of(14, 0.1, ""))).is_empty());
        let mut machine = from_a_card(250.0);
        machine.motion.look_ahead = LookAhead::Moves(500);
        let report = judged(&machine, &line_of(400, 0.1, ""));
        assert_eq!((report.starving, found(&report).len()), (None, 0));
    }

    /// A tenth slower everywhere is no stutter: it is told as a note.
    #[test]
    fn a_little_too_slow_costs_time_only() {
        let report = judged(&from_a_card(450.0), &line_of(1500, 0.1, ""));
        let [finding] = found(&report)[..] else { panic!("{:?} {:?}", report.findings, report.starving) };
        assert_eq!(finding.severity, Severity::Note, "{finding:?}");
        let extra_s = report.starving.expect("is slower").extra_s;
        assert!((extra_s - (1500.0 / 450.0 - 3.0)).abs() < 0.06, "{extra_s}");
    }

    /// A run twice as long as the queue: nobody sees some milliseconds.
    #[test]
    fn a_moment_is_no_stutter() {
        let report = judged(&from_a_card(250.0), &line_of(32, 0.1, ""));
        let [finding] = found(&report)[..] else { panic!("{:?} {:?}", report.findings, report.starving) };
        let extra_s = report.starving.expect("is slower").extra_s;
        assert!(extra_s < UNSEEN_S && finding.severity == Severity::Note, "{extra_s} {finding:?}");
    }

    /// Many such runs are no worse than one, and each move is one hit however it is late.
    #[test]
    fn moments_do_not_add_up_and_a_move_is_late_once() {
        let run = line_of(32, 0.1, "");
        let again = run.replace("G28\nM109 S200\nG1 Z0.2 F600\nM83\n", "G4 P50\n").replace("M104 S0\n", "");
        let many = format!("{}{}M104 S0\n", run.replace("M104 S0\n", ""), again.repeat(40));
        let report = judged(&from_a_card(250.0), &many);
        assert!(report.starving.expect("is slower").extra_s > 2.0 * UNSEEN_S);
        assert!(found(&report).iter().all(|finding| finding.severity == Severity::Note), "{:?}", found(&report));
        let waits = judged(&from_a_card(1.0), &line_of(40, 0.1, ""));
        assert!(found(&waits)[0].count <= 40, "{:?}", found(&waits));
    }

    #[test]
    fn a_serial_line_is_slowed_down_by_bytes_and_by_answers() {
        let mut machine = machine();
        (machine.controller.command_rate_limit_hz, machine.controller.serial_baud) = (None, Some(115_200.0));
        // Some 22 bytes: 1.9 ms for a move of 2 ms; with the remark 3.2 ms.
        let (short, long) = (line_of(400, 0.1, ""), line_of(400, 0.1, " ; far too long"));
        assert_eq!(judged(&machine, &short).starving, None);
        let report = judged(&machine, &long);
        let [finding] = found(&report)[..] else { panic!("{:?}", report.findings) };
        assert!(finding.message.contains("bits a second, and the serial line carries 115200"), "{}", finding.message);
        assert!(finding.message.contains(" baud, or with moves joined up to "), "{}", finding.message);
        machine.controller.acknowledge_s = Some(0.003);
        let report = judged(&machine, &short);
        let [finding] = found(&report)[..] else { panic!("{:?}", report.findings) };
        // Answers alone take longer than the moves: 22 bytes and an answer come in some 5 ms.
        assert!(
            finding.message.contains("baud, with 0.003 s to acknowledge each command, carries 4"),
            "{}",
            finding.message
        );
        assert!(
            !finding.message.contains(" baud, or") && finding.message.contains("moves joined"),
            "{}",
            finding.message
        );
        machine.controller.acknowledge_s = None;
        // Senders that take remarks out carry the same as without them.
        machine.controller.sends_comments = false;
        let lonely = long.replace('\n', "\n; a line of its own, sent by nobody\n\n");
        for job in [&long, &lonely] {
            assert_eq!(judged(&machine, job).starving, None);
        }
        machine.controller.sends_comments = true;
        assert!(judged(&machine, &lonely).starving.is_some());
        machine.controller.serial_baud = Some(250_000.0);
        assert_eq!(judged(&machine, &long).starving, None);
    }

    /// Found by fuzzing: the rate was no finite number.
    #[test]
    fn moves_too_short_for_the_clock_have_a_finite_rate() {
        let job = short(Job::new(), 20, 1e-12);
        let mut observer = CommandRateExceeded::new(&machine());
        let mut log = Log::default();
        job.into_blocks().iter().for_each(|block| observer.observe(block, &mut log));
        assert!(observer.most.0 > 1e9 && observer.most.0.is_finite());
        let told = observer.told(Starving { extra_s: 1.0, from_line: 1, in_times: true });
        assert!(!told.contains("inf") && !told.contains("NaN"), "{told}");
    }

    #[test]
    fn a_stop_fills_the_queue_and_a_fan_does_not() {
        let pieces = |rate_hz: f64, between: &str| {
            let whole = line_of(75, 0.1, "");
            let parts = whole.split_inclusive('\n').enumerate();
            let job: String =
                parts.map(|(n, line)| format!("{line}{}", if n % 15 == 14 { between } else { "" })).collect();
            let report = judged(&from_a_card(rate_hz), &job);
            let holds = found(&report).iter().any(|finding| finding.severity == Severity::Hold);
            (report.starving.map(|starving| starving.extra_s), holds)
        };
        // Homing and the like take as long as that.
        assert_eq!(pieces(100.0, "G28 Z\n"), (None, false));
        // Dwells take their time; to fill the queue behind them is a wait between runs, and no stutter.
        assert_eq!(pieces(100.0, "G4 P200\n"), (None, false));
        for stop in ["G4 P0\n", "M400\n"] {
            let (extra_s, holds) = pieces(100.0, stop);
            // 80 commands less a queue full take 0.64 s to read; from rest to rest 1.5 mm at 50 mm/s take 0.08 s at most, five times.
            assert!(extra_s.is_some_and(|extra_s| extra_s > 0.64 - 0.4 && extra_s < 0.8) && !holds, "{extra_s:?}");
        }
        assert!(pieces(250.0, "M106 S100\n").1);
    }

    /// 200 moves, each followed by a stop of no length: 400 commands take 40 s at 10 a second, however short the moves.
    #[test]
    fn stops_of_no_length_do_not_hurry_commands() {
        for (stop, ramp) in [("G4 P0", false), ("M400", false), ("M400", true)] {
            let job = line_of(200, 0.1, &format!("\n{stop}"));
            let mut machine = from_a_card(10.0);
            if ramp {
                machine.motion.ramp = Ramp::JerkLimited([1e6; 4]);
            }
            let report = judged(&machine, &job);
            let starving = report.starving.expect("starves");
            assert_eq!(starving.in_times, !ramp);
            let total_s = report.time_s.extruding + report.time_s.starved + if ramp { starving.extra_s } else { 0.0 };
            // All but the first moves must be read, and the last stop comes after the last move.
            let least_s = f64::from(2 * (200 - 16)) / 10.0;
            assert!(total_s >= least_s && total_s <= f64::from(2 * 202) / 10.0, "{stop} {ramp} {total_s} {least_s}");
            let [finding] = found(&report)[..] else { panic!("{:?}", report.findings) };
            assert!(finding.severity == Severity::Note && finding.message.contains("dwells"), "{finding:?}");
        }
    }

    /// The same job on the same board: what is not followed is judged all the same.
    #[test]
    fn a_limited_jerk_is_judged_too() {
        let mut jerky = from_a_card(250.0);
        jerky.motion.ramp = Ramp::JerkLimited([1e7; 4]);
        let job = line_of(400, 0.1, "");
        let report = judged(&jerky, &job);
        let [finding] = found(&report)[..] else { panic!("{:?}", report.findings) };
        assert_eq!((finding.severity, report.verdict), (Severity::Hold, crate::findings::Verdict::Hold));
        let starving = report.starving.expect("starves");
        assert!(!starving.in_times && report.time_s.starved == 0.0);
        // D/D/1/K: all but a queue full are read in 384 / 250 s, which the time leaves out but for that of the moves.
        let moves_s = report.time_s.extruding;
        assert!((moves_s + starving.extra_s - 384.0 / 250.0).abs() < 0.02, "{moves_s} {starving:?}");
        for part in [
            "the controller reads 250",
            "with moves joined up to 0.2 mm",
            "not in any time told; to read them takes 1.5 s",
        ] {
            assert!(finding.message.contains(part), "{}", finding.message);
        }
        jerky.controller.command_rate_limit_hz = Some(520.0);
        let report = judged(&jerky, &job);
        assert!(found(&report).is_empty() && report.starving.is_none(), "{:?}", report.findings);
        // Without a rate nothing is known of it, and the reason says so.
        jerky.controller.command_rate_limit_hz = None;
        assert!(skipped(&CHECK, &jerky).contains("command_rate_limit_hz"));
    }

    /// A stop behind which nobody knows how long it takes fills the queue, and further ones before the next move empty none of it:
    /// blocks may end between them.
    #[test]
    fn stops_without_moves_in_between_are_one() {
        let mut machine = from_a_card(10.0);
        machine.motion.ramp = Ramp::JerkLimited([1e6; 4]);
        let extra_s = |stops: &str| {
            let job = line_of(60, 0.1, "").replacen("G1 Z0.2 F600\n", &format!("G1 Z0.2 F600\n{stops}"), 1);
            judged(&machine, &job).starving.expect("starves").extra_s
        };
        let filled_s = extra_s("G28 Z\n");
        for stops in ["G28 Z\nM400\n", "M400\nG28 Z\n", "G28 Z\nG4 P0\nM400\n"] {
            assert_eq!(extra_s(stops), filled_s, "{stops}");
        }
        // By themselves they fill nothing: its 16 moves have to come first.
        assert!(extra_s("M400\n") > filled_s + 1.0);
    }

    /// With caps of 0 each move takes its time whatever is known: the queue beside a plan is then the one that a plan follows.
    #[test]
    fn the_queue_beside_a_plan_is_the_one_the_plan_follows() {
        let job = |stops: bool| {
            let corner = |n: u32| {
                let stop =
                    ["", "G4 P3\n", "M400\n"][usize::from(n.is_multiple_of(7)) + usize::from(n.is_multiple_of(21))];
                format!("G1 X{} Y{} E0.001\n{}", 20 + n % 2, 20 + n / 2 % 2, if stops { stop } else { "" })
            };
            let corners: String = (1..300).map(corner).collect();
            format!("G28\nM109 S200\nG1 Z0.2 F600\nM83\nG1 X20 Y20 F9000\n{corners}M104 S0\n")
        };
        for (rate_hz, stops) in [(5.0, false), (12.0, false), (9.0, false), (5.0, true), (12.0, true)] {
            let mut even = from_a_card(rate_hz);
            even.motion.limits.jerk_mm_s = [0.0; 4];
            let mut jerky = even.clone();
            jerky.motion.ramp = Ramp::JerkLimited([1e12; 4]);
            let extra_s = |machine: &Machine| judged(machine, &job(stops)).starving.expect("starves").extra_s;
            let (even_s, beside_s) = (extra_s(&even), extra_s(&jerky));
            // Where a plan waits for a full queue the seven moves of a run go on behind that; beside it they go meanwhile.
            let later_s = if stops { 7.0 * 0.08 } else { 0.0 };
            assert!(
                (0.0..=later_s + 1e-3).contains(&(even_s - beside_s + 1e-4)),
                "{rate_hz} {stops} {even_s} {beside_s}"
            );
        }
    }

    #[test]
    fn the_largest_rate_is_kept_within_the_limit_too() {
        let mut bare = machine();
        (bare.controller.command_rate_limit_hz, bare.controller.serial_baud) = (None, None);
        assert!(measured_only(&machine()).is_none(), "the check measures");
        let rate = |job: Job| {
            let mut observer = measured_only(&bare).expect("nothing else measures");
            let mut log = Log::new(&bare.severities);
            job.into_blocks().iter().for_each(|block| observer.observe(block, &mut log));
            assert!(log.into_findings().is_empty());
            let mut draft = crate::findings::sample::empty();
            observer.finish(&mut draft, &mut Log::default());
            draft.command_rate
        };
        assert_eq!(rate(short(Job::new(), 15, 0.5)), None, "a run that fits into the buffer");
        // 0.5 mm at 50 mm/s are 100 a second; from move 317 on all 16 moves of a window are half as long.
        let found =
            rate(short(short(Job::new(), 300, 0.5).act(ActionKind::Fan { share: 1.0 }), 20, 0.25)).expect("a rate");
        assert!((found.hz - 200.0).abs() < 1e-4 && found.moves == 16, "{found:?}");
        assert!((317..=321).contains(&found.line), "{found:?}");
    }

    /// Windows added up one by one.
    fn naive(moves: &[(u32, u32, f64)], size: usize, at: usize) -> (f64, f64, f64) {
        let window = &moves[at + 1 - size..=at];
        let commands = window.iter().map(|(commands, ..)| f64::from(*commands)).sum();
        (commands, window.iter().map(|(_, bytes, _)| f64::from(*bytes)).sum(), window.iter().map(|m| m.2).sum())
    }

    #[test]
    fn windows_across_blocks_are_right_and_none_too_fast_is_passed_over() {
        let mut bits = crate::vectors::columns::without_pattern(11);
        let mut random = |below: u64| (bits() >> 33) % below;
        for size in [1, 2, 7, 16, 300] {
            let (mut window, mut moves) = (Window::new(size), Vec::new());
            for _ in 0..60 {
                let mut block = Block::default();
                for _ in 0..=random(40) {
                    let i = block.add();
                    let wild = random(500) == 0;
                    block.commands[i] = if wild { u32::MAX } else { random(4) as u32 };
                    block.bytes[i] = random(40) as u32;
                    block.time_s[i] = if random(500) == 0 { 2e5 } else { random(1 << 26) as f64 / Sum::ONE };
                    moves.push((block.commands[i], block.bytes[i], block.time_s[i]));
                }
                let count = window.add(&block);
                assert_eq!(count, block.len().min((moves.len() + 1).saturating_sub(size)));
                let mut too_fast = false;
                for i in 0..count {
                    let (commands, bytes, time_s) = window.sums(count, i);
                    assert_eq!((commands, bytes, time_s), naive(&moves, size, moves.len() - count + i));
                    too_fast |= commands > 200.0 * time_s;
                }
                for vectors in [Vectors::default(), Vectors::plain()] {
                    assert!(window.hurries(count, 200.0, [f64::INFINITY, 0.0], vectors) || !too_fast);
                    assert!(!window.hurries(count, f64::INFINITY, [f64::INFINITY, 0.0], vectors));
                }
                window.forget();
            }
        }
    }

    #[test]
    fn without_either_key_it_is_skipped() {
        let mut bare = machine();
        bare.controller.command_rate_limit_hz = None;
        bare.controller.serial_baud = None;
        let reason = skipped(&CHECK, &bare);
        assert!(reason.contains("command_rate_limit_hz") && reason.contains("serial_baud"));
    }
}
