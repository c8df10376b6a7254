//! Runs of short moves that the controller or the serial line cannot feed.

use crate::block::{
    Action, ActionKind, Block,
    grid::{Sum, time_units},
};
use crate::findings::{Built, Check, CommandRate, Explanation, Hit, Inspection, Log, Observer, Severity, Spot};
use crate::machine::{LookAhead, Machine, Override};
use crate::vectors::{Vectors, columns};
use crate::wording::figure;

/// The check.
pub const CHECK: Check = Check {
    id: "command-rate-exceeded",
    topic: "command rate",
    severity: Severity::Hold,
    summary: "Moves are so short that commands cannot be read or sent fast enough.",
    explain: Explanation {
        what: "a run of moves is over faster than the controller can read, or the serial line can carry, the \
commands for it.",
        why: "the buffer of known moves runs empty. The machine stops for moments in the middle of a wall, leaves blobs, \
and shakes; curves with many tiny segments do this at speeds that look harmless.",
        how: "over each window of as many moves as the controller knows ahead (`look_ahead_moves`; 16 where it is \
unlimited, 4096 at most), the commands read for them are divided by the planned time of the moves, in Hz, and compared \
with `command_rate_limit_hz`. For a serial line the bytes read, at 10 bits each (one start bit, eight data bits, one stop \
bit: common practice, no source), are divided by the same time and compared with `serial_baud`. Dwells, homing, \
probing, pauses, tool changes and waits fill the buffer again and end the run. A run of fewer moves than the window fits \
in the buffer and is not judged.",
        remedy: "slice with a coarser resolution or with arcs, print slower there, or start the job from a card instead of \
sending it.",
    },
    heat_or_travel: false,
    timed: true,
    unchecked: None,
    build,
};

/// Window where the controller knows all moves ahead.
const UNLIMITED: usize = 16;
/// Largest window.
const WINDOW_MAX: usize = 4096;
/// Bits on a serial line for each byte.
const BITS: f64 = 10.0;

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
    window: Window,
    /// The largest rate of commands so far, Hz, and the line its window ends on.
    most: (f64, u64),
}

impl CommandRateExceeded {
    fn new(machine: &Machine) -> Self {
        let size = match machine.motion.look_ahead {
            LookAhead::Moves(moves) => (moves as usize).clamp(1, WINDOW_MAX),
            LookAhead::Unlimited => UNLIMITED,
        };
        Self {
            commands_hz: machine.controller.command_rate_limit_hz.unwrap_or(f64::INFINITY),
            baud: machine.controller.serial_baud.unwrap_or(f64::INFINITY),
            window: Window::new(size),
            most: (0.0, 0),
        }
    }
}

/// The latest moves of a run: running totals before the first and after each of them, which may wrap around.
struct Window {
    size: usize,
    commands: Vec<u64>,
    bytes: Vec<u64>,
    /// 2⁻³² s.
    time: Vec<u64>,
}

impl Window {
    fn new(size: usize) -> Self {
        Self { size, commands: vec![0], bytes: vec![0], time: vec![0] }
    }

    fn clear(&mut self) {
        self.columns().into_iter().for_each(|column| column.truncate(1));
    }

    fn columns(&mut self) -> [&mut Vec<u64>; 3] {
        [&mut self.commands, &mut self.bytes, &mut self.time]
    }

    /// Forgets all but what windows of later moves need.
    fn forget(&mut self) {
        let past = self.time.len().saturating_sub(self.size);
        self.columns().into_iter().for_each(|column| drop(column.drain(..past)));
    }

    /// Adds the moves of a block; how many windows end in it: with its last move, the one before it and so on.
    fn add(&mut self, block: &Block) -> usize {
        let count = block.len();
        extend(&mut self.commands, block.commands[..count].iter().map(|&commands| u64::from(commands)));
        extend(&mut self.bytes, block.bytes[..count].iter().map(|&bytes| u64::from(bytes)));
        extend(&mut self.time, block.time_s[..count].iter().map(|&time_s| time_units(time_s)));
        self.time.len().saturating_sub(self.size).min(count)
    }

    /// True when one of the last `count` windows may exceed a rate; false is certain.
    fn hurries(&self, count: usize, commands_hz: f64, baud: f64, vectors: Vectors) -> bool {
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
                        (small(sum(commands)) > commands_hz * time_s) | (small(sum(bytes)) * BITS > baud * time_s)
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

impl Observer for CommandRateExceeded {
    fn observe(&mut self, block: &Block, log: &mut Log) {
        let (commands_hz, baud) = (self.commands_hz * (1.0 + 1e-9), self.baud * (1.0 + 1e-9));
        let count = self.window.add(block);
        // A little less than the largest so far, so that rounding passes over none.
        let bound_hz = commands_hz.min(self.most.0 * (1.0 - 1e-9));
        if self.window.hurries(count, bound_hz, baud, block.vectors) {
            for i in 0..count {
                let (commands, bytes, time_s) = self.window.sums(count, i);
                let (bits, line) = (bytes * BITS, block.line[block.len() - count + i]);
                // Moves too short for the clock take one step of it together.
                let at_least_s = time_s.max(1.0 / Sum::ONE);
                let rate_hz = commands / at_least_s;
                if rate_hz > self.most.0 {
                    self.most = (rate_hz, line);
                }
                if commands > commands_hz * time_s {
                    self.raise(log, line, 0, rate_hz);
                }
                if bits > baud * time_s {
                    self.raise(log, line, 1, bits / at_least_s);
                }
            }
        }
        self.window.forget();
        if block.actions.iter().any(stops) {
            self.window.clear();
        }
    }

    fn finish(&mut self, draft: &mut Inspection, _log: &mut Log) {
        let (hz, line) = self.most;
        draft.command_rate = (line > 0).then_some(CommandRate { hz, line, moves: self.window.size as u64 });
    }
}

fn stops(action: &Action) -> bool {
    use ActionKind::{
        Dwell, End, Fan, Finish, Heat, HeatUnknown, Home, MotorsOff, MotorsOn, Pause, Probe, Tip, Tool, Unfollowed,
    };
    match action.kind {
        Dwell | Home { .. } | Probe | Unfollowed | Pause { .. } | Tool { .. } | Finish | End => true,
        Heat { .. } | HeatUnknown { .. } | Fan { .. } | Tip { .. } | MotorsOff { .. } | MotorsOn => {
            action.duration_s > 0.0
        }
    }
}

impl CommandRateExceeded {
    fn raise(&self, log: &mut Log, line: u64, kind: u64, rate: f64) {
        let limit = if kind == 0 { self.commands_hz } else { self.baud };
        let hit = Hit {
            check: &CHECK,
            kind,
            severity: Severity::Hold,
            line,
            value: Some(rate),
            badness: rate,
            limit: Some(limit),
            unit: if kind == 0 { "Hz" } else { "bit/s" },
            spot: Spot::InBlock,
        };
        log.raise(hit, || {
            let (moves, rate, limit) = (self.window.size, figure(rate), figure(limit));
            let run = if moves == 1 { "A single move asks".to_owned() } else { format!("{moves} moves in a row ask") };
            match kind {
                0 => format!("{run} for {rate} commands a second; the controller reads {limit}."),
                _ => format!("{run} for {rate} bits a second; the serial line carries {limit}."),
            }
        });
    }
}

#[cfg(test)]
mod tests {
    use super::super::testing::{Job, machine, skipped};
    use super::*;

    /// `count` moves of `length` mm at 50 mm/s, one command each.
    fn short(mut job: Job, count: u32, length: f64) -> Job {
        for n in 0..count {
            let x = if n % 2 == 0 { length } else { 0.0 };
            job = job.to([x, 0.0, 0.0], 0.0);
        }
        job
    }

    #[test]
    fn a_long_run_of_short_moves_is_found_and_a_run_that_fits_is_not() {
        // 0.05 mm at 50 mm/s: 1000 commands a second against 500.
        assert!(short(Job::new(), 15, 0.05).findings(&CHECK, &machine()).is_empty());
        let found = short(Job::new(), 20, 0.05).findings(&CHECK, &machine());
        let rate = found.iter().find(|f| f.unit == "Hz").expect("the controller");
        assert_eq!((rate.count, rate.line, rate.limit), (5, Some(16), Some(500.0)));
        assert!((rate.value.unwrap() - 1000.0).abs() < 1e-3, "times are multiples of 2⁻³² s");
        assert!(rate.message.contains("16 moves in a row ask for 1000 commands"), "{}", rate.message);
    }

    /// Found by fuzzing: the rate was no finite number.
    #[test]
    fn moves_too_short_for_the_clock_have_a_finite_rate() {
        let found = short(Job::new(), 20, 1e-12).findings(&CHECK, &machine());
        assert_eq!(found.len(), 2);
        for finding in found {
            assert!(finding.value.is_some_and(|rate| rate > 1e9 && rate.is_finite()), "{finding:?}");
        }
    }

    #[test]
    fn the_serial_line_is_judged_by_bytes() {
        // 30 bytes each: 115200 baud carry 384 moves a second.
        let found = short(Job::new(), 16, 0.125).findings(&CHECK, &machine());
        assert_eq!(
            (found.len(), found[0].unit.as_ref()),
            (1, "bit/s"),
            "400 commands a second are read but not carried"
        );
        assert!((found[0].value.unwrap() - 120_000.0).abs() < 0.1);
        assert!(short(Job::new(), 16, 0.135).findings(&CHECK, &machine()).is_empty());
    }

    #[test]
    fn a_stop_fills_the_buffer_and_a_fan_does_not() {
        let pieces = |kind: ActionKind| {
            let job = short(Job::new(), 10, 0.05).act(kind);
            short(job, 10, 0.05).findings(&CHECK, &machine()).len()
        };
        assert_eq!(pieces(ActionKind::Dwell), 0);
        assert_eq!(pieces(ActionKind::Tool { number: 1 }), 0);
        assert_eq!(pieces(ActionKind::Fan { share: 0.5 }), 2);
        let heat = |duration| {
            let kind = ActionKind::Heat {
                heater: crate::block::Heater::Bed,
                target_c: 60.0,
                wait: crate::block::Wait::ToHeat,
            };
            let job = short(Job::new(), 10, 0.05).act_for(kind, duration);
            short(job, 10, 0.05).findings(&CHECK, &machine()).len()
        };
        assert_eq!((heat(0.0), heat(30.0)), (2, 0));
    }

    #[test]
    fn one_slow_move_in_the_window_makes_time() {
        let there_and_back =
            |every: u32| (0..64).fold(Job::new(), |job, n| short(job, 2, if n % every == 0 { 5.0 } else { 0.06 }));
        assert!(there_and_back(8).findings(&CHECK, &machine()).is_empty(), "one in any 16 moves");
        assert!(!there_and_back(16).findings(&CHECK, &machine()).is_empty());
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
                    assert!(window.hurries(count, 200.0, f64::INFINITY, vectors) || !too_fast);
                    assert!(!window.hurries(count, f64::INFINITY, f64::INFINITY, vectors));
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
