//! Random jobs as text and random machines, from a seed. The maker knows where the nozzle is because it lets the slow
//! reader of [`crate::slow_planner`] read every line that it writes.

use std::f64::consts::TAU;
use std::fmt::Write;

use gonogo::machine::{
    CornerRule, Direction, ExtrusionMode, Heating, ImpulseShaper, LookAhead, Machine, MeltByHeat, MeltRow, MeltZone,
    Mode, Power, Ramp, ShaperKind, Structure,
};

use crate::slow_planner::Reading;
use crate::support::free_machine;

/// SplitMix64 (Steele, Lea, Flood, OOPSLA 2014; from memory): small, seedable, good enough to choose test cases.
pub struct Dice(u64);

impl Dice {
    pub fn new(seed: u64) -> Self {
        Self(seed)
    }

    pub fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * (self.bits() >> 11) as f64 / (1u64 << 53) as f64
    }

    pub fn below(&mut self, count: u64) -> u64 {
        self.bits() % count
    }

    pub fn chance(&mut self, share: f64) -> bool {
        self.between(0.0, 1.0) < share
    }

    pub fn one_of<T: Copy>(&mut self, of: &[T]) -> T {
        of[self.below(of.len() as u64) as usize]
    }
}

const NO_LIMIT: f64 = 1e9;

/// A machine with random limits, both corner rules, any look-ahead; jerk 0 and no limit at all among them.
pub fn random_machine(dice: &mut Dice) -> Machine {
    let mut machine = free_machine();
    machine.travel.home = [dice.between(-5.0, 5.0), dice.between(-5.0, 5.0), dice.between(0.0, 5.0)];
    machine.motion.look_ahead = match dice.below(4) {
        0 => LookAhead::Unlimited,
        1 => LookAhead::Moves(1 + dice.below(3) as u32),
        _ => LookAhead::Moves(1 + dice.below(40) as u32),
    };
    machine.controller.extrusion_mode = dice.one_of(&[ExtrusionMode::LatestWord, ExtrusionMode::OwnWords]);
    machine.controller.dwell_p_s = dice.one_of(&[0.001, 1.0]);
    machine.tools[0].filament_diameter_mm = dice.one_of(&[1.75, 2.85]);
    let limits = &mut machine.motion.limits;
    for (axis, most) in [(0, 400.0), (1, 400.0), (2, 30.0), (3, 80.0)] {
        let free = dice.chance(0.2);
        limits.feed_rate_mm_s[axis] = if free { NO_LIMIT } else { dice.between(most / 20.0, most) };
        limits.acceleration_mm_s2[axis] = if free { NO_LIMIT } else { dice.between(most / 2.0, most * 20.0) };
        limits.jerk_mm_s[axis] = match dice.below(8) {
            0 => 0.0,
            1 => NO_LIMIT,
            _ => dice.between(0.001, 0.05) * most,
        };
    }
    limits.printing_mm_s2 = dice.between(100.0, 4000.0);
    limits.travel_mm_s2 = dice.between(100.0, 6000.0);
    limits.retraction_mm_s2 = dice.between(100.0, 6000.0);
    limits.corner = dice.one_of(&CornerRule::ALL);
    limits.junction_deviation_mm = match dice.below(8) {
        0 => 0.0,
        1 => 1000.0,
        _ => dice.between(0.002, 0.2),
    };
    machine
}

/// Ramps that are not even.
pub fn random_ramp(dice: &mut Dice) -> Ramp {
    match dice.below(3) {
        0 => Ramp::SameTimeQuintic,
        _ => Ramp::JerkLimited([1.0, 1.0, 0.1, 3.0].map(|share| share * 10f64.powf(dice.between(3.0, 7.0)))),
    }
}

/// The machine with melt rates that hang on the temperature, by rows or by a zone, perhaps with a heating law, and with all that
/// looks at heat, layers and power.
pub fn with_heat(mut machine: Machine, dice: &mut Dice) -> Machine {
    let rows = (0..1 + dice.below(4)).map(|k| {
        let sustained_mm3_s = dice.between(0.5, 12.0);
        MeltRow { nozzle_c: 150.0 + 31.0 * k as f64, sustained_mm3_s, peak_mm3_s: Some(1.3 * sustained_mm3_s) }
    });
    let rows = MeltByHeat::Measured(rows.collect());
    let zone = MeltByHeat::Zone(MeltZone {
        length_mm: dice.between(1.0, 30.0),
        melts_at_c: dice.between(60.0, 180.0),
        feed_in_c: 25.0,
        diffusivity_mm2_s: 0.081,
        safety: 0.8,
    });
    let law = |full_power_c| Heating { time_constant_s: 40.0, full_power_c };
    let tool = &mut machine.tools[0];
    tool.melt_by_heat = Some(if dice.chance(0.5) { rows } else { zone });
    tool.heating = dice.chance(0.7).then(|| law(280.0));
    tool.nozzle_offset_c = dice.one_of(&[0.0, -15.0, 12.0]);
    tool.layer_time_min_s = Some(dice.between(0.1, 30.0));
    tool.body.heater_w = Some(dice.between(1.0, 40.0));
    (tool.density_g_cm3, tool.filament_specific_heat_j_g_k) = (Some(1.24), Some(1.8));
    if let Some(bed) = &mut machine.bed {
        bed.heating = Some(law(120.0));
    }
    let (electronics_w, motors_w) = (dice.between(0.0, 20.0), dice.between(0.0, 40.0));
    machine.power = Some(Power { electronics_w, motors_w, nozzle_w: None, bed_w: Some(180.0), chamber_w: Some(90.0) });
    machine
}

/// Up to four modes, and perhaps shapers.
pub fn random_structure(dice: &mut Dice) -> Structure {
    let mode = |dice: &mut Dice| Mode {
        along: dice.one_of(&Direction::ALL),
        natural_hz: dice.between(8.0, 120.0),
        damping_ratio: dice.one_of(&[0.0, 0.02, 0.06, 0.3]),
        share: dice.between(0.1, 1.5),
    };
    let shaper = |dice: &mut Dice| {
        let kind = dice.one_of(&ShaperKind::ALL);
        let shaper = ImpulseShaper { kind, tuned_hz: dice.between(8.0, 120.0), tuned_damping_ratio: 0.05 };
        dice.chance(0.3).then_some(shaper)
    };
    Structure {
        modes: (0..dice.below(5)).map(|_| mode(dice)).collect(),
        ringing_limit_mm: dice.chance(0.8).then_some(0.02),
        shapers: [shaper(dice), shaper(dice)],
    }
}

/// A job of roughly that many lines.
pub fn random_job(machine: &Machine, dice: &mut Dice, lines: usize) -> String {
    let mut maker = Maker { reading: Reading::new(machine), text: String::new(), dice, change_limits: true };
    maker.write(lines);
    maker.text
}

/// The same without M201, M203, M204, M205.
pub fn random_job_under_fixed_limits(machine: &Machine, dice: &mut Dice, lines: usize) -> String {
    let mut maker = Maker { reading: Reading::new(machine), text: String::new(), dice, change_limits: false };
    maker.write(lines);
    maker.text
}

struct Maker<'m> {
    reading: Reading,
    text: String,
    dice: &'m mut Dice,
    change_limits: bool,
}

impl Maker<'_> {
    fn write(&mut self, lines: usize) {
        self.emit("F3000");
        while self.text.lines().count() < lines {
            match self.dice.below(22) {
                0..=4 => self.straight(),
                5 => self.zigzag(),
                6 | 7 => self.chords(),
                8 => self.in_line(),
                9..=11 => self.arc(),
                12 => self.arc_by_radius(),
                13 | 14 => self.filament_only(),
                15 | 16 => self.modes(),
                17 => self.frame(),
                18 => self.overrides(),
                19 if self.change_limits => self.limits(),
                20 => self.stop(),
                _ => self.small_things(),
            }
        }
    }

    fn emit(&mut self, line: &str) {
        self.text.push_str(line);
        self.text.push('\n');
        self.reading.line(line);
    }

    /// The words that bring the nozzle to `to` and push `de`.
    fn words(&mut self, to: [Option<f64>; 3], de: f64) -> String {
        let mut words = String::new();
        let digits = if self.dice.chance(0.3) { 3 } else { 5 };
        let reading = &self.reading;
        for (axis, letter) in ['X', 'Y', 'Z'].into_iter().enumerate() {
            let Some(target) = to[axis] else { continue };
            let from = if reading.absolute { reading.g92[axis] } else { reading.position[axis] };
            let _ = write!(words, " {letter}{:.digits$}", (target - from) / reading.unit_mm);
        }
        if de != 0.0 {
            let from = if reading.e_absolute { -reading.e } else { 0.0 };
            let _ = write!(words, " E{:.5}", (de - from) / reading.unit_mm);
        }
        words
    }

    fn feed(&mut self) -> String {
        if self.dice.chance(0.4) {
            let feed = self.dice.between(200.0, 18_000.0) / self.reading.unit_mm;
            format!(" F{feed:.1}")
        } else {
            String::new()
        }
    }

    /// G0 or G1, or nothing where the motion mode can be repeated.
    fn command(&mut self) -> &'static str {
        if self.reading.mode == Some(1) && self.dice.chance(0.3) {
            return "";
        }
        if self.dice.chance(0.3) { "G0" } else { "G1" }
    }

    fn filament_for(&mut self, length: f64) -> f64 {
        match self.dice.below(8) {
            0 | 1 => 0.0,
            2 => -length * self.dice.between(0.01, 0.1),
            3 => length * self.dice.between(0.001, 2.0),
            _ => length * self.dice.between(0.02, 0.06),
        }
    }

    fn go(&mut self, to: [Option<f64>; 3], de: f64) {
        let line = format!("{}{}{}", self.command(), self.words(to, de), self.feed());
        self.emit(line.trim_start());
    }

    fn straight(&mut self) {
        let from = self.reading.position;
        let reach = self.dice.one_of(&[0.2, 3.0, 80.0]);
        let mut to = [None; 3];
        for axis in 0..2 {
            if self.dice.chance(0.8) {
                to[axis] = Some((from[axis] + self.dice.between(-reach, reach)).clamp(-20.0, 220.0));
            }
        }
        if self.dice.chance(0.2) {
            to[2] = Some((from[2] + self.dice.between(-1.0, 1.0)).clamp(0.0, 50.0));
        }
        let de = self.filament_for(reach);
        self.go(to, de);
    }

    fn zigzag(&mut self) {
        let (step, width) = (self.dice.between(0.1, 1.0), self.dice.between(0.2, 20.0));
        for n in 0..4 + self.dice.below(12) {
            let [x, y, _] = self.reading.position;
            let side = if n % 2 == 0 { width } else { -width };
            let de = 0.03 * width;
            if self.dice.chance(0.5) {
                self.go([Some(x + side), Some(y + step), None], de)
            } else {
                self.go([Some(x + side), None, None], de);
                self.go([None, Some(y + step), None], de * step / width);
            }
        }
    }

    /// Short chords around a circle whose radius may change: smooth enough for acceleration to decide some junctions.
    fn chords(&mut self) {
        let [x, y, _] = self.reading.position;
        let mut radius = self.dice.between(0.3, 25.0);
        let (turn, growth) = (self.dice.between(0.01, 0.3), self.dice.between(0.97, 1.03));
        let mut angle = self.dice.between(0.0, TAU);
        let centre = [x - radius * angle.cos(), y - radius * angle.sin()];
        for _ in 0..8 + self.dice.below(40) {
            angle += turn;
            radius *= growth;
            let to = [Some(centre[0] + radius * angle.cos()), Some(centre[1] + radius * angle.sin()), None];
            self.go(to, 0.035 * radius * turn);
        }
    }

    /// Equal relative moves: one straight line in many pieces.
    fn in_line(&mut self) {
        self.emit("G91");
        let (x, y) = (self.dice.between(-0.5, 0.5), self.dice.between(-0.5, 0.5));
        let words = format!(" X{x:.4} Y{y:.4}");
        for _ in 0..3 + self.dice.below(20) {
            self.emit(&format!("G1{words}"));
        }
        self.emit("G90");
    }

    /// The plane's axes and the letters of its centre words.
    fn plane(&self) -> ([usize; 3], [char; 2]) {
        let axes = self.reading.plane;
        (axes, [['I', 'J', 'K'][axes[0]], ['I', 'J', 'K'][axes[1]]])
    }

    /// An arc by its centre, a full circle at times, a helix at times.
    fn arc(&mut self) {
        let ([a, b, c], letters) = self.plane();
        let from = self.reading.position;
        let radius = self.dice.between(0.3, 15.0);
        let angle = self.dice.between(0.0, TAU);
        let clockwise = self.dice.chance(0.5);
        let full = self.dice.chance(0.25);
        let sweep = if full { TAU } else { self.dice.between(0.1, TAU - 0.1) };
        let to_angle = if clockwise { angle - sweep } else { angle + sweep };
        let centre = [from[a] - radius * angle.cos(), from[b] - radius * angle.sin()];
        let mut to = [None; 3];
        if !full {
            to[a] = Some(centre[0] + radius * to_angle.cos());
            to[b] = Some(centre[1] + radius * to_angle.sin());
        }
        if self.dice.chance(0.3) {
            to[c] = Some(from[c] + self.dice.between(0.05, 2.0));
        }
        let de = self.filament_for(radius * sweep);
        let unit = self.reading.unit_mm;
        let offsets = [(centre[0] - from[a]) / unit, (centre[1] - from[b]) / unit];
        let line = format!(
            "{}{} {}{:.5} {}{:.5}{}",
            if clockwise { "G2" } else { "G3" },
            self.words(to, de),
            letters[0],
            offsets[0],
            letters[1],
            offsets[1],
            self.feed()
        );
        self.emit(&line);
    }

    fn arc_by_radius(&mut self) {
        let ([a, b, _], _) = self.plane();
        let from = self.reading.position;
        let (chord, angle) = (self.dice.between(0.5, 20.0), self.dice.between(0.0, TAU));
        let mut to = [None; 3];
        to[a] = Some(from[a] + chord * angle.cos());
        to[b] = Some(from[b] + chord * angle.sin());
        let radius = chord * self.dice.between(0.51, 3.0) / self.reading.unit_mm;
        let sign = if self.dice.chance(0.3) { "-" } else { "" };
        let de = self.filament_for(chord);
        let command = self.dice.one_of(&["G2", "G3"]);
        let line = format!("{command}{} R{sign}{radius:.4}{}", self.words(to, de), self.feed());
        self.emit(&line);
    }

    fn filament_only(&mut self) {
        let length = self.dice.between(0.1, 6.0);
        self.go([None; 3], -length);
        if self.dice.chance(0.3) {
            self.go([None; 3], -length / 3.0);
        }
        if self.dice.chance(0.5) {
            self.straight();
        }
        let back = length * self.dice.one_of(&[1.0, 1.0, 1.1]);
        self.go([None; 3], back);
    }

    fn modes(&mut self) {
        let line =
            self.dice.one_of(&["G90", "G91", "M82", "M83", "G20", "G21", "G17", "G18", "G19", "G90 M83", "G21 G17"]);
        self.emit(line);
    }

    fn frame(&mut self) {
        let x = self.dice.between(-20.0, 20.0);
        let line = match self.dice.below(5) {
            0 => "G92".to_owned(),
            1 | 2 => "G92 E0".to_owned(),
            3 => format!("G92 X{x:.2} E{x:.3}"),
            _ => format!("G92 Y{x:.3} Z{:.2}", self.dice.between(0.0, 1.0)),
        };
        self.emit(&line);
    }

    fn overrides(&mut self) {
        let line = format!("M{} S{}", self.dice.one_of(&["220", "221"]), 30 + self.dice.below(200));
        self.emit(&line);
    }

    fn limits(&mut self) {
        let mut take = |low: f64, high: f64| format!("{:.3}", self.dice.between(low, high));
        let line = match take(0.0, 10.0).as_bytes()[0] {
            b'0' => format!("M201 X{} Y{}", take(100.0, 4000.0), take(100.0, 4000.0)),
            b'1' => format!("M201 Z{} E{}", take(20.0, 500.0), take(200.0, 4000.0)),
            b'2' => format!("M203 X{} Z{}", take(20.0, 400.0), take(3.0, 30.0)),
            b'3' => format!("M203 Y{} E{}", take(20.0, 400.0), take(5.0, 80.0)),
            b'4' => format!("M204 S{}", take(100.0, 5000.0)),
            b'5' => format!("M204 P{} T{} R{}", take(100.0, 5000.0), take(100.0, 5000.0), take(100.0, 5000.0)),
            b'6' => format!("M204 S{} T{}", take(100.0, 5000.0), take(100.0, 5000.0)),
            b'7' => format!("M205 X{} Y{}", take(0.0, 20.0), take(0.0, 20.0)),
            b'8' => format!("M205 Z{} E{}", take(0.0, 2.0), take(0.0, 5.0)),
            _ => format!("M205 J{}", take(0.0, 0.1)),
        };
        self.emit(&line);
    }

    fn stop(&mut self) {
        let line = match self.dice.below(12) {
            0 => "G4 P0".to_owned(),
            1 => "G4".to_owned(),
            2 => format!("G4 P{}", self.dice.below(500)),
            3 => "G4 S0.25 P900".to_owned(),
            4 => "G28".to_owned(),
            5 => "G28 X".to_owned(),
            6 => "G28 Z0 Y0".to_owned(),
            7 => "M400".to_owned(),
            8 => "M109 S210".to_owned(),
            9 => self.dice.one_of(&["M0", "M1", "M25", "M600"]).to_owned(),
            10 => self.dice.one_of(&["G29", "G30", "G80"]).to_owned(),
            _ => "M190 S60".to_owned(),
        };
        self.emit(&line);
    }

    /// Nothing here stops the machine.
    fn small_things(&mut self) {
        let line = self.dice.one_of(&[
            "M106 S128",
            "M107",
            "M104 S200",
            "M140 S60",
            "; a remark with X5 in it",
            "F0",
            "F2400",
            "",
            "G1 F4800",
            "M105",
            "T0",
            "G1 X0 Y0 ; to the logical origin",
            "G0",
        ]);
        self.emit(line);
    }
}
