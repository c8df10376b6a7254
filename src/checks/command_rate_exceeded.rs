//! Runs of short moves that the controller or the serial line cannot feed.

use super::{Built, Check, figure};
use crate::inspection::Severity;
use crate::machine::{LookAhead, Machine};
use crate::observe::{Action, ActionKind, Block, Hit, Log, Observer};

/// The check.
pub const CHECK: Check = Check {
    id: "command-rate-exceeded",
    severity: Severity::Hold,
    summary: "Moves are so short that commands cannot be read or sent fast enough.",
    explain: "What: a run of moves is over faster than the controller can read, or the serial line can carry, the \
commands for it.\n\n\
Why it matters: the buffer of known moves runs empty. The machine stops for moments in the middle of a wall, leaves blobs, \
and shakes; curves with many tiny segments do this at speeds that look harmless.\n\n\
How it is computed: over each window of as many moves as the controller knows ahead (`look_ahead_moves`; 16 where it is \
unlimited, 4096 at most), the commands read for them are divided by the planned time of the moves, in Hz, and compared \
with `command_rate_limit_hz`. For a serial line the bytes read, at 10 bits each (one start bit, eight data bits, one stop \
bit: common practice, no source), are divided by the same time and compared with `serial_baud`. Dwells, homing, \
probing, pauses, tool changes and waits fill the buffer again and end the run. A run of fewer moves than the window fits \
in the buffer and is not judged.\n\n\
What to do: slice with a coarser resolution or with arcs, print slower there, or start the job from a card instead of \
sending it.",
    build,
};

/// Window where the controller knows all moves ahead.
const UNLIMITED: usize = 16;
/// Largest window.
const WINDOW_MAX: usize = 4096;
/// Bits on a serial line for each byte.
const BITS: f64 = 10.0;

fn build(machine: &Machine) -> Built {
    let controller = &machine.controller;
    if controller.command_rate_limit_hz.is_none() && controller.serial_baud.is_none() {
        let keys = "neither `[controller] command_rate_limit_hz` nor `[controller] serial_baud`";
        return Built::Skipped(format!("the sheet gives {keys}"));
    }
    let size = match machine.motion.look_ahead {
        LookAhead::Moves(moves) => (moves as usize).clamp(1, WINDOW_MAX),
        LookAhead::Unlimited => UNLIMITED,
    };
    Built::Watching(Box::new(CommandRateExceeded {
        commands_hz: controller.command_rate_limit_hz.unwrap_or(f64::INFINITY),
        baud: controller.serial_baud.unwrap_or(f64::INFINITY),
        size,
        window: Window::default(),
    }))
}

struct CommandRateExceeded {
    commands_hz: f64,
    baud: f64,
    size: usize,
    window: Window,
}

/// The latest moves of a run, as a ring, with their sums.
#[derive(Default)]
struct Window {
    ring: Vec<(u32, u32, f64)>,
    oldest: usize,
    commands: u64,
    bytes: u64,
    time_s: f64,
}

impl Window {
    fn clear(&mut self) {
        self.ring.clear();
        (self.oldest, self.commands, self.bytes, self.time_s) = (0, 0, 0, 0.0);
    }

    /// Adds a move, dropping the oldest of a full window; true when the window is full.
    fn push(&mut self, size: usize, commands: u32, bytes: u32, time_s: f64) -> bool {
        self.commands += u64::from(commands);
        self.bytes += u64::from(bytes);
        self.time_s += time_s;
        if self.ring.len() < size {
            self.ring.push((commands, bytes, time_s));
            return self.ring.len() == size;
        }
        let gone = std::mem::replace(&mut self.ring[self.oldest], (commands, bytes, time_s));
        self.commands -= u64::from(gone.0);
        self.bytes -= u64::from(gone.1);
        self.time_s -= gone.2;
        self.oldest += 1;
        if self.oldest == size {
            // Once around: sum anew, so that rounding does not pile up.
            self.oldest = 0;
            self.time_s = self.ring.iter().map(|(_, _, time_s)| time_s).sum();
        }
        true
    }
}

impl Observer for CommandRateExceeded {
    fn observe(&mut self, block: &Block, log: &mut Log) {
        let (commands_hz, baud) = (self.commands_hz * (1.0 + 1e-9), self.baud * (1.0 + 1e-9));
        for i in 0..block.len() {
            if !self.window.push(self.size, block.commands[i], block.bytes[i], block.time_s[i]) {
                continue;
            }
            let Window { commands, bytes, time_s, .. } = self.window;
            let (commands, bits) = (commands as f64, bytes as f64 * BITS);
            if commands > commands_hz * time_s {
                self.raise(log, block.line[i], 0, commands / time_s);
            }
            if bits > baud * time_s {
                self.raise(log, block.line[i], 1, bits / time_s);
            }
        }
        if block.actions.iter().any(stops) {
            self.window.clear();
        }
    }
}

fn stops(action: &Action) -> bool {
    use ActionKind::{Dwell, End, Fan, Finish, Heat, Home, MotorsOff, MotorsOn, Pause, Probe, Tool};
    match action.kind {
        Dwell | Home { .. } | Probe | Pause { .. } | Tool { .. } | Finish | End => true,
        Heat { .. } | Fan { .. } | MotorsOff { .. } | MotorsOn => action.duration_s > 0.0,
    }
}

impl CommandRateExceeded {
    fn raise(&self, log: &mut Log, line: u64, kind: u64, rate: f64) {
        let limit = if kind == 0 { self.commands_hz } else { self.baud };
        let hit = Hit {
            check: CHECK.id,
            kind,
            severity: Severity::Hold,
            line,
            value: Some(rate),
            badness: rate,
            limit: Some(limit),
            unit: if kind == 0 { "Hz" } else { "bit/s" },
        };
        log.raise(hit, || {
            let (moves, rate, limit) = (self.size, figure(rate), figure(limit));
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
        assert!((rate.value.unwrap() - 1000.0).abs() < 1e-6);
        assert!(rate.message.contains("16 moves in a row ask for 1000 commands"), "{}", rate.message);
    }

    #[test]
    fn the_serial_line_is_judged_by_bytes() {
        // 30 bytes each: 115200 baud carry 384 moves a second.
        let found = short(Job::new(), 16, 0.125).findings(&CHECK, &machine());
        assert_eq!((found.len(), found[0].unit), (1, "bit/s"), "400 commands a second are read but not carried");
        assert!((found[0].value.unwrap() - 120_000.0).abs() < 1e-6);
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
                heater: crate::observe::Heater::Bed,
                target_c: 60.0,
                wait: crate::observe::Wait::ToHeat,
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
    fn the_sums_stay_right_for_thousands_of_moves() {
        let mut window = Window::default();
        for n in 0..10_000_u32 {
            window.push(7, n % 5, n % 11, f64::from(n % 13) * 0.1 + 1e-3);
        }
        let last = 9993..10_000_u32;
        assert_eq!(window.commands, last.clone().map(|n| u64::from(n % 5)).sum::<u64>());
        assert_eq!(window.bytes, last.clone().map(|n| u64::from(n % 11)).sum::<u64>());
        let time_s: f64 = last.map(|n| f64::from(n % 13) * 0.1 + 1e-3).sum();
        assert!((window.time_s - time_s).abs() < 1e-12);
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
