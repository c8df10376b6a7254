//! From a planned job to the time on the clock on the wall, from the start of a print to its end.
//!
//! t = s + f m + d + τ_b q_b L(T_b) + τ_n q_n L(T_n) + h n_h + p n_p + c n_c + r
//!
//! with m the planned motion, d dwells, n_h, n_p, n_c how often the job homes, probes and changes its tool, and
//! L(T) = ln((T∞ − T_room) / (T∞ − T)) the heating law of [`super::heat`] from the room to the highest target.
//!
//! Heaters heat at once where the job sets the one before it waits for the other. The shares q, from 0 to 1, are what the
//! plan waits of each heating: what it waits less than the two one after another is hidden behind the longer heating, so
//! it is taken from the shorter first. What it waits longer than the two, such as for heating again, is r. So with the time
//! constants of the sheet heating takes what the plan waits, whatever the order. Where the planned waits are not known, q
//! is 1 and r is 0. The numbers are those of the sheet's `[clock]`, which `learn` fits to finished prints; what it does not
//! give is that of the sheet, else 0. Nothing but reported times depends on them. s, °C.

use crate::machine::{Heating, LearnedClock, Machine};

/// Version of all that the parts of a planned time are made by: the planner, its rules and this module. It goes up when the
/// parts of unchanged jobs change, so that prints are not held against a plan that is no longer made.
pub const MODEL_VERSION: u32 = 1;
/// Temperature the bed tends to at full power where the sheet does not say, °C. It only bends the law: what is fitted is the
/// time constant.
pub const BED_FULL_POWER_C: f64 = 150.0;
/// The same for the nozzle, °C.
pub const NOZZLE_FULL_POWER_C: f64 = 350.0;
/// No target counts as nearer to full power than this, K: the law is finite there.
const FULL_POWER_MARGIN_K: f64 = 5.0;
/// What the spread is a share of besides the time itself, s: a warm bed or a slow start is some seconds off, however short
/// the print.
pub const SPREAD_FLOOR_S: f64 = 300.0;

/// How many numbers the clock has.
pub const TERMS: usize = 7;
/// Start, motion, heating of bed and nozzle, homing, probing, changes of the tool: the places of the numbers.
pub mod term {
    /// Seconds a print takes besides.
    pub const START: usize = 0;
    /// Times the planned motion.
    pub const FACTOR: usize = 1;
    /// Time constant of the bed, s.
    pub const BED: usize = 2;
    /// Time constant of the nozzle, s.
    pub const NOZZLE: usize = 3;
    /// Seconds a homing.
    pub const HOMING: usize = 4;
    /// Seconds a probing.
    pub const PROBING: usize = 5;
    /// Seconds a change of the tool.
    pub const TOOL: usize = 6;
}

/// What a planned job is made of, as far as the clock asks.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct JobParts {
    /// Moves that push filament along a path, s.
    pub extruding_s: f64,
    /// Moves along a path that do not, s.
    pub travel_s: f64,
    /// Moves of filament alone, s.
    pub extrude_only_s: f64,
    /// Dwells and described macros, without homing and probing, s.
    pub dwell_s: f64,
    /// Highest target of a nozzle, °C; 0 for none.
    pub nozzle_c: f64,
    /// Highest target of the bed, °C; 0 for none.
    pub bed_c: f64,
    /// How often it homes.
    pub homings: u64,
    /// How often it probes.
    pub probings: u64,
    /// How often it changes the tool.
    pub tool_changes: u64,
    /// What the plan waits for heaters, s; none where that is not known.
    pub heating_s: Option<f64>,
}

impl JobParts {
    /// Planned motion, s.
    pub fn motion_s(&self) -> f64 {
        self.extruding_s + self.travel_s + self.extrude_only_s
    }
}

/// A time with its 90 % interval, s.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WallTime {
    /// What is expected.
    pub expected_s: f64,
    /// Nine of ten prints take at least this and at most [`Self::high_s`].
    pub low_s: f64,
    /// The upper end.
    pub high_s: f64,
    /// How many prints it was learned from.
    pub from_prints: u64,
}

impl WallTime {
    /// Whether the interval holds a time.
    pub fn holds(&self, took_s: f64) -> bool {
        (self.low_s..=self.high_s).contains(&took_s)
    }
}

/// The heating laws of a machine as the clock uses them: how long a heater takes in time constants.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WarmUp {
    room_c: f64,
    bed: Option<Heating>,
    nozzle: Option<Heating>,
}

impl WarmUp {
    /// Of a machine; that of the nozzle is that of the first tool.
    pub fn of(machine: &Machine) -> Self {
        Self {
            room_c: machine.ambient_c,
            bed: machine.bed.and_then(|bed| bed.heating),
            nozzle: machine.tools.first().and_then(|tool| tool.heating),
        }
    }

    /// Time constants that the sheet gives for bed and nozzle, s.
    pub fn time_constants_s(&self) -> [Option<f64>; 2] {
        [self.bed, self.nozzle].map(|law| law.map(|law| law.time_constant_s))
    }

    fn times(&self, target_c: f64, law: Option<Heating>, otherwise_c: f64) -> f64 {
        let full_c = law.map_or(otherwise_c, |law| law.full_power_c).max(self.room_c + 2.0 * FULL_POWER_MARGIN_K);
        let target_c = target_c.max(self.room_c).min(full_c - FULL_POWER_MARGIN_K);
        ((full_c - self.room_c) / (full_c - target_c)).ln()
    }

    /// How many of its time constants a job waits for bed and nozzle, and what it waits besides, s.
    fn waits(&self, of: &JobParts) -> ([f64; 2], f64) {
        let mut times = [
            self.times(of.bed_c, self.bed, BED_FULL_POWER_C),
            self.times(of.nozzle_c, self.nozzle, NOZZLE_FULL_POWER_C),
        ];
        let Some(waited_s) = of.heating_s else { return (times, 0.0) };
        let constants_s = self.time_constants_s().map(|constant_s| constant_s.unwrap_or(0.0));
        let alone_s = [constants_s[0] * times[0], constants_s[1] * times[1]];
        let mut hidden_s = alone_s[0] + alone_s[1] - waited_s;
        if hidden_s <= 0.0 {
            return (times, -hidden_s);
        }
        for heater in if alone_s[0] < alone_s[1] { [0, 1] } else { [1, 0] } {
            let own_s = hidden_s.min(alone_s[heater]);
            if own_s > 0.0 {
                times[heater] *= 1.0 - own_s / alone_s[heater];
                hidden_s -= own_s;
            }
        }
        (times, 0.0)
    }

    /// What each number of the clock is multiplied by for a job.
    pub fn terms(&self, of: &JobParts) -> [f64; TERMS] {
        let mut terms = [0.0; TERMS];
        terms[term::START] = 1.0;
        terms[term::FACTOR] = of.motion_s();
        [terms[term::BED], terms[term::NOZZLE]] = self.waits(of).0;
        // Counts of jobs are exact far beyond any.
        terms[term::HOMING] = of.homings as f64;
        terms[term::PROBING] = of.probings as f64;
        terms[term::TOOL] = of.tool_changes as f64;
        terms
    }

    /// What no number of the clock changes, s: dwells, and waits of the plan beyond the first heating of bed and nozzle.
    pub fn fixed_s(&self, of: &JobParts) -> f64 {
        of.dwell_s + self.waits(of).1
    }
}

/// The clock of a machine.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WallClock {
    warm_up: WarmUp,
    numbers: [f64; TERMS],
    /// What was learned; none where nothing was.
    learned: Option<LearnedClock>,
}

impl WallClock {
    /// The numbers of a sheet without what was learned from prints: no start, motion as planned.
    pub fn planned(machine: &Machine) -> Self {
        let warm_up = WarmUp::of(machine);
        let [bed, nozzle] = warm_up.time_constants_s();
        let mut numbers = [0.0; TERMS];
        numbers[term::FACTOR] = 1.0;
        let given = [
            (term::BED, bed),
            (term::NOZZLE, nozzle),
            (term::HOMING, machine.controller.homing_s),
            (term::PROBING, machine.controller.probing_s),
            (term::TOOL, machine.controller.tool_change_s),
        ];
        given.into_iter().for_each(|(at, value)| numbers[at] = value.unwrap_or(0.0));
        Self { warm_up, numbers, learned: None }
    }

    /// The clock that prints have set; none where the sheet has no `[clock]`.
    pub fn learned(machine: &Machine) -> Option<Self> {
        machine.clock.map(|clock| Self::planned(machine).set(&clock))
    }

    /// The same with what prints say.
    pub fn set(mut self, clock: &LearnedClock) -> Self {
        self.numbers[term::START] = clock.start_s;
        self.numbers[term::FACTOR] = clock.factor;
        let given = [
            (term::BED, clock.bed_time_constant_s),
            (term::NOZZLE, clock.nozzle_time_constant_s),
            (term::HOMING, clock.homing_s),
            (term::PROBING, clock.probing_s),
            (term::TOOL, clock.tool_change_s),
        ];
        for (at, value) in given {
            self.numbers[at] = value.unwrap_or(self.numbers[at]);
        }
        self.learned = Some(*clock);
        self
    }

    /// Its numbers, in the order of [`term`].
    pub fn numbers(&self) -> [f64; TERMS] {
        self.numbers
    }

    /// The time a print of the job is expected to take, s.
    pub fn expected_s(&self, of: &JobParts) -> f64 {
        let terms = self.warm_up.terms(of);
        let sum: f64 = terms.iter().zip(self.numbers).map(|(term, number)| term * number).sum();
        sum + self.warm_up.fixed_s(of)
    }

    /// The same with its interval; none where nothing was learned.
    pub fn time(&self, of: &JobParts) -> Option<WallTime> {
        let LearnedClock { spread, factor_spread, motion_s, from_prints, .. } = self.learned?;
        let expected_s = self.expected_s(of);
        let away_s = motion_s.map_or(0.0, |motion_s| of.motion_s() - motion_s);
        let half_s = half_s(spread, expected_s, factor_spread.unwrap_or(0.0), away_s);
        let (low_s, high_s) = ((expected_s - half_s).max(0.0), expected_s + half_s);
        Some(WallTime { expected_s, low_s, high_s, from_prints })
    }
}

/// Half of the 90 % interval around an expected time, s: what prints are off, and what the factor may be for a job whose
/// motion is so far from that of the prints it was learned from. The two are independent, so their squares add up.
pub fn half_s(spread: f64, expected_s: f64, factor_spread: f64, away_s: f64) -> f64 {
    (spread * (expected_s + SPREAD_FLOOR_S)).hypot(factor_spread * away_s)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::machine::Machine;

    #[test]
    fn the_time_is_the_sum_of_its_parts() {
        let mut machine = Machine::built_in();
        let law = |time_constant_s, full_power_c| Some(Heating { time_constant_s, full_power_c });
        machine.ambient_c = 25.0;
        machine.tools[0].heating = law(60.0, 300.0);
        machine.bed = Some(crate::machine::Bed { limit_c: None, heating: None, body: machine.tools[0].body });
        machine.controller.homing_s = Some(20.0);
        let parts = JobParts {
            extruding_s: 1000.0,
            travel_s: 200.0,
            extrude_only_s: 50.0,
            dwell_s: 7.0,
            nozzle_c: 215.0,
            bed_c: 0.0,
            homings: 2,
            probings: 3,
            tool_changes: 0,
            heating_s: None,
        };
        // Newton's law, worked out by hand: 60 ln(275 / 85) = 70.4471904705753 s from 25 to 215 °C.
        let planned_s = 1250.0 + 7.0 + 70.4471904705753 + 40.0;
        assert!((WallClock::planned(&machine).expected_s(&parts) - planned_s).abs() < 1e-9, "sums of few terms");
        assert_eq!(WallClock::planned(&machine).time(&parts), None, "nothing was learned");
        machine.clock = Some(LearnedClock {
            start_s: 100.0,
            factor: 1.02,
            spread: 0.04,
            factor_spread: Some(0.03),
            motion_s: Some(1250.0 - 400.0),
            from_prints: 12,
            bed_time_constant_s: None,
            nozzle_time_constant_s: None,
            homing_s: None,
            probing_s: Some(30.0),
            tool_change_s: None,
        });
        let time = WallClock::learned(&machine).and_then(|clock| clock.time(&parts)).expect("learned");
        let expected_s = planned_s + 100.0 + 0.02 * 1250.0 + 90.0;
        // By Pythagoras, with the factor's 3 % of the 400 s that the job is longer than those it was learned from.
        let half_s = (0.04 * (expected_s + 300.0)).hypot(0.03 * 400.0);
        assert!((time.expected_s - expected_s).abs() < 1e-9);
        assert!((time.high_s - expected_s - half_s).abs() < 1e-9 && (expected_s - time.low_s - half_s).abs() < 1e-9);
        assert_eq!(time.from_prints, 12);
        // With the numbers of the sheet heating takes what the plan waits, longer or shorter than the first heating alone.
        let warmed = |heating_s| JobParts { heating_s: Some(heating_s), ..parts };
        let at = |parts: &JobParts| WallClock::planned(&machine).expected_s(parts);
        assert!((at(&warmed(60.0)) - planned_s + 10.4471904705753).abs() < 1e-9);
        assert!((at(&warmed(170.4471904705753)) - planned_s - 100.0).abs() < 1e-9);
    }

    /// Newton's law by hand, room at 20 °C: the bed to 60 of 150 °C takes 200 ln(130 / 90) = 73.5449560251 s, the nozzle to
    /// 210 of 350 °C 60 ln(330 / 140) = 51.4470139111 s, from 150 to 210 °C 60 ln(200 / 140) = 21.4004966363 s.
    #[test]
    fn heaters_that_heat_at_once_take_what_the_longer_one_takes() {
        let (bed_s, nozzle_s, rest_s) = (73.5449560251, 51.4470139111, 21.4004966363);
        let law = |time_constant_s, full_power_c| Some(Heating { time_constant_s, full_power_c });
        let mut machine = Machine::built_in();
        machine.ambient_c = 20.0;
        machine.tools[0].heating = law(60.0, 350.0);
        machine.bed =
            Some(crate::machine::Bed { limit_c: None, heating: law(200.0, 150.0), body: machine.tools[0].body });
        let waits = |heating_s| JobParts { nozzle_c: 210.0, bed_c: 60.0, heating_s, ..JobParts::default() };
        let planned = WallClock::planned(&machine);
        let mut slow = planned;
        // A plate and a nozzle that really take 1.5 and 1.2 times as long.
        (slow.numbers[term::BED], slow.numbers[term::NOZZLE]) = (300.0, 72.0);
        for (heating_s, slow_s) in [
            // Not known: one after another.
            (None, 1.5 * bed_s + 1.2 * nozzle_s),
            (Some(bed_s + nozzle_s), 1.5 * bed_s + 1.2 * nozzle_s),
            // Both set before either is waited for.
            (Some(bed_s), 1.5 * bed_s),
            // The nozzle to 150 °C meanwhile, and then on.
            (Some(bed_s + rest_s), 1.5 * bed_s + 1.2 * rest_s),
            // The bed did 20 s of it while something else was done; nothing is waited for; something is heated again.
            (Some(bed_s - 20.0), 1.5 * (bed_s - 20.0)),
            (Some(0.0), 0.0),
            (Some(bed_s + nozzle_s + 30.0), 1.5 * bed_s + 1.2 * nozzle_s + 30.0),
        ] {
            let of = waits(heating_s);
            assert!((planned.expected_s(&of) - heating_s.unwrap_or(bed_s + nozzle_s)).abs() < 1e-8, "{heating_s:?}");
            assert!((slow.expected_s(&of) - slow_s).abs() < 1e-8, "{heating_s:?}: {}", slow.expected_s(&of));
        }
    }

    #[test]
    fn no_target_makes_a_time_without_end() {
        let machine = Machine::built_in();
        for target_c in [-300.0, 0.0, 150.0, 349.0, 5000.0] {
            let parts = JobParts { bed_c: target_c, nozzle_c: target_c, ..JobParts::default() };
            let terms = WarmUp::of(&machine).terms(&parts);
            assert!(terms.iter().all(|term| term.is_finite() && *term >= 0.0), "{terms:?}");
        }
    }
}
