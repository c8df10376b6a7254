//! Patterns that go to and fro at the natural frequency of the structure.

use std::collections::VecDeque;
use std::f64::consts::PI;
use std::ops::Range;

use super::{Built, Check, figure};
use crate::columns::larger;
use crate::inspection::Severity;
use crate::machine::{Direction, Machine};
use crate::observe::{BLOCK, Bend, Block, Column, Curve, Hit, Log, Observer};

/// The check.
pub const CHECK: Check = Check {
    id: "drives-resonance",
    severity: Severity::Hold,
    summary: "A pattern goes to and fro at a natural frequency and pumps the structure up.",
    explain: "What: a zigzag, a gap filling or a row of short lines reverses an axis in time with a mode of the structure, \
again and again, and the amplitude builds up.\n\n\
Why it matters: each stroke adds to the swing of the one before. A filling that looks harmless shakes the machine: \
noise, waves through the walls beside it, lost steps, screws that come loose.\n\n\
How it is computed: where the planned speed of a direction changes its sign a stroke ends. Two strokes are a cycle, its \
frequency in Hz is 1 / their planned duration; speed / (2 x stroke) is that only where strokes are driven at one speed. \
Four or more cycles in a row, all extruding, whose periods agree within 5 %, are a pattern. It is told when its \
frequency, or 3 or 5 times it (strokes to and fro have odd harmonics), lies in the half-power band of a `[[structure]]` \
mode, that is within the damping ratio (at least 2 %) of the natural frequency, and the amplitude exceeds `ringing_mm` \
or is twice that of the first cycle and more than 0.001 mm (resonance and half-power band: Chopra, Dynamics of Structures, ch. 3; from \
memory). Below the limit it is a note. The amplitude is that of `rings-frame`.\n\n\
What to do: choose another speed for these lines so that their mean speed leaves the band that is named, another angle \
or pattern for the filling, or stiffen or damp the frame.",
    build,
};

/// Cycles that make a pattern.
const CYCLES: usize = 4;
/// How much the periods of a pattern may differ.
const EVEN: f64 = 1.05;
/// Least half-width of the band of a mode.
const BAND_LEAST: f64 = 0.02;
/// How much the amplitude must have grown since the first cycle.
const GROWTH: f64 = 2.0;
/// Amplitudes that matter to nobody, mm.
const LEAST_MM: f64 = 0.001;
/// Shares of a direction below this are no motion along it.
const STILL: f64 = 1e-6;
const HARMONICS: [f64; 3] = [1.0, 3.0, 5.0];

fn build(machine: &Machine) -> Built {
    let structure = &machine.structure;
    if structure.modes.is_empty() {
        return Built::Skipped("the sheet gives no `[[structure]]`".to_owned());
    }
    let track = |along: Direction| Track {
        along,
        vector: along.vector(),
        bands: structure.along(along).map(|(_, mode)| Band::of(mode.natural_hz, mode.damping_ratio)).collect(),
        limit_mm: structure.ringing_limit_mm,
        forward: None,
        stroke: Stroke::default(),
        strokes: VecDeque::with_capacity(2 * CYCLES),
        first_mm: None,
    };
    let tracks = structure.directions().into_iter().map(track).collect();
    let (shares, times) = (Box::new([0.0; BLOCK]), Box::new([0.0; BLOCK]));
    Built::Watching(Box::new(DrivesResonance { tracks, shares, times }))
}

struct DrivesResonance {
    tracks: Vec<Track>,
    /// Share of the direction in each move of a block, and when it starts, s; kept for the next block.
    shares: Box<Column<f64>>,
    times: Box<Column<f64>>,
}

/// Frequencies at which a mode answers strongly, Hz.
struct Band {
    natural_hz: f64,
    low_hz: f64,
    high_hz: f64,
}

impl Band {
    fn of(natural_hz: f64, damping_ratio: f64) -> Self {
        let half = damping_ratio.max(BAND_LEAST);
        Self { natural_hz, low_hz: natural_hz * (1.0 - half), high_hz: natural_hz * (1.0 + half) }
    }
}

/// Motion along a direction without reversal.
#[derive(Debug, Clone, Copy, Default)]
struct Stroke {
    start_s: f64,
    end_s: f64,
    /// Where it starts along the direction, mm, and how far it goes.
    start_mm: f64,
    way_mm: f64,
    ringing_mm: f64,
    extrudes: bool,
}

/// The strokes along one direction.
struct Track {
    along: Direction,
    vector: [f64; 3],
    bands: Vec<Band>,
    limit_mm: Option<f64>,
    forward: Option<bool>,
    stroke: Stroke,
    /// The last strokes that are over, as many as [`CYCLES`] have.
    strokes: VecDeque<Stroke>,
    /// Amplitude in the first cycle of the pattern that goes on.
    first_mm: Option<f64>,
}

/// Where a stroke ends and the next one starts.
struct Turn {
    at_s: f64,
    at_mm: f64,
    line: u64,
}

impl Observer for DrivesResonance {
    fn observe(&mut self, block: &Block, log: &mut Log) {
        let Self { tracks, shares, times } = self;
        let mut now_s = block.start_s;
        for i in 0..block.len() {
            times[i] = now_s;
            now_s += block.time_s[i];
        }
        for (kind, (track, ringing_mm)) in tracks.iter_mut().zip(&block.ringing_mm).enumerate() {
            block.vectors.run(
                #[inline(always)]
                || {
                    let [x, y, z] = [&block.dir[0], &block.dir[1], &block.dir[2]];
                    for i in 0..block.len() {
                        shares[i] = along(track.vector, [x[i], y[i], z[i]]);
                    }
                },
            );
            let mut from = 0;
            for bend in &block.curves {
                track.straights(block, from..bend.at, (&**shares, &**times, ringing_mm), kind, log);
                track.curve(block, bend, times[bend.at], ringing_mm, kind, log);
                from = bend.at + 1;
            }
            track.straights(block, from..block.len(), (&**shares, &**times, ringing_mm), kind, log);
            if block.actions.iter().any(|action| action.duration_s > 0.0) {
                track.stop();
            }
        }
    }
}

#[inline(always)]
fn along(vector: [f64; 3], of: [f64; 3]) -> f64 {
    vector[0] * of[0] + vector[1] * of[1] + vector[2] * of[2]
}

impl Track {
    /// Goes through straight moves.
    fn straights(
        &mut self,
        block: &Block,
        range: Range<usize>,
        (shares, times, ringing_mm): (&Column<f64>, &Column<f64>, &Column<f64>),
        kind: usize,
        log: &mut Log,
    ) {
        let mut from = range.start;
        for i in range.clone() {
            let share = shares[i];
            if share.abs() > STILL && self.forward != Some(share > 0.0) {
                self.forward = Some(share > 0.0);
                self.take(block, from..i, ringing_mm);
                let turn = Turn { at_s: times[i], at_mm: along(self.vector, block.start(i)), line: block.line[i] };
                self.reverse(&turn, kind, log);
                from = i;
            }
        }
        self.take(block, from..range.end, ringing_mm);
    }

    /// Goes through a curve: an arc by pieces of an eighth of half a turn at the most, as if driven evenly, anything
    /// else by its start.
    fn curve(
        &mut self,
        block: &Block,
        bend: &Bend,
        start_s: f64,
        ringing_mm: &Column<f64>,
        kind: usize,
        log: &mut Log,
    ) {
        let i = bend.at;
        let sweep_rad = if let Curve::Arc(arc) = &bend.curve { arc.sweep_rad } else { 0.0 };
        let pieces = (sweep_rad.abs() / (PI / 8.0)).ceil().clamp(1.0, 1024.0);
        for n in 0..pieces as u32 {
            let part = f64::from(n) / pieces;
            let mut at = block.start(i);
            let share = match &bend.curve {
                Curve::Arc(arc) => {
                    let ([a, b, _], turn) = (arc.axes, sweep_rad.signum());
                    let angle = arc.start_rad + sweep_rad * part;
                    (at[a], at[b]) =
                        (arc.centre[0] + arc.radius * angle.cos(), arc.centre[1] + arc.radius * angle.sin());
                    let middle = angle + sweep_rad * (0.5 / pieces);
                    (self.vector[b] * middle.cos() - self.vector[a] * middle.sin()) * turn
                }
                Curve::Cubic(_) => along(self.vector, [block.dir[0][i], block.dir[1][i], block.dir[2][i]]),
            };
            if share.abs() > STILL && self.forward != Some(share > 0.0) {
                self.forward = Some(share > 0.0);
                let at_s = start_s + block.time_s[i] * part;
                self.reverse(&Turn { at_s, at_mm: along(self.vector, at), line: block.line[i] }, kind, log);
            }
            self.take(block, i..i + 1, ringing_mm);
        }
    }

    /// What moves add to the stroke they belong to.
    fn take(&mut self, block: &Block, range: Range<usize>, ringing_mm: &Column<f64>) {
        let stroke = &mut self.stroke;
        stroke.ringing_mm = range.clone().fold(stroke.ringing_mm, |most, i| larger(ringing_mm[i], most));
        stroke.extrudes |= range.into_iter().any(|i| block.extrudes(i));
    }

    /// A stroke ends, another starts.
    fn reverse(&mut self, turn: &Turn, kind: usize, log: &mut Log) {
        let next = Stroke { start_s: turn.at_s, start_mm: turn.at_mm, ..Stroke::default() };
        let done = std::mem::replace(&mut self.stroke, next);
        if self.strokes.len() == 2 * CYCLES {
            self.strokes.pop_front();
        }
        self.strokes.push_back(Stroke { end_s: turn.at_s, way_mm: (turn.at_mm - done.start_mm).abs(), ..done });
        let Some(period_s) = self.period_s() else {
            self.first_mm = None;
            return;
        };
        let most_of = |cycle: [usize; 2]| self.strokes[cycle[0]].ringing_mm.max(self.strokes[cycle[1]].ringing_mm);
        let first_mm = *self.first_mm.get_or_insert(most_of([0, 1]));
        let ringing_mm = most_of([2 * CYCLES - 2, 2 * CYCLES - 1]);
        self.judge(1.0 / period_s, [first_mm, ringing_mm], turn.line, kind, log);
    }

    /// Mean period of the last cycles when they make a pattern, s.
    fn period_s(&self) -> Option<f64> {
        let strokes = &self.strokes;
        // The first stroke of a job starts at an unknown time: 0, which is no part of a pattern.
        if strokes.len() < 2 * CYCLES || strokes.iter().any(|stroke| !stroke.extrudes) {
            return None;
        }
        let (mut shortest, mut longest) = (f64::INFINITY, 0.0f64);
        for cycle in 0..CYCLES {
            let period_s = strokes[2 * cycle + 1].end_s - strokes[2 * cycle].start_s;
            (shortest, longest) = (shortest.min(period_s), longest.max(period_s));
        }
        let mean = (strokes[2 * CYCLES - 1].end_s - strokes[0].start_s) / CYCLES as f64;
        (shortest > 0.0 && longest <= EVEN * shortest).then_some(mean)
    }

    fn judge(&self, hz: f64, [first_mm, ringing_mm]: [f64; 2], line: u64, kind: usize, log: &mut Log) {
        let over = self.limit_mm.is_some_and(|limit_mm| ringing_mm > limit_mm);
        if !over && (ringing_mm < GROWTH * first_mm || ringing_mm < LEAST_MM) {
            return;
        }
        let meets = |band: &&Band, times: f64| (band.low_hz..=band.high_hz).contains(&(times * hz));
        let met = HARMONICS.iter().find_map(|&times| Some((self.bands.iter().find(|band| meets(band, times))?, times)));
        let Some((band, times)) = met else { return };
        let hit = Hit {
            value: Some(hz),
            badness: ringing_mm,
            limit: Some(band.natural_hz),
            unit: "Hz",
            ..Hit::plain(CHECK.id, kind as u64, if over { Severity::Hold } else { Severity::Note }, line)
        };
        log.raise(hit, || self.message(hz, band, times, ringing_mm));
    }

    fn message(&self, hz: f64, band: &Band, times: f64, ringing_mm: f64) -> String {
        let last = &self.strokes[2 * CYCLES - 1];
        let coarse = |value: f64| figure((value * 10.0).round() / 10.0);
        let harmonic = if times > 1.0 { format!(", {times} times which is") } else { ",".to_owned() };
        let mean = |band_hz: f64| coarse(2.0 * last.way_mm * band_hz / times);
        format!(
            "Strokes of {} mm along {} at {} mm/s on the mean make {} cycles a second{harmonic} in the band of the mode at \
             {} Hz: it swings up to {} mm; mean speeds from {} to {} mm/s on such strokes are to be avoided.",
            figure(last.way_mm),
            self.along.word(),
            coarse(last.way_mm / (last.end_s - last.start_s)),
            coarse(hz),
            figure(band.natural_hz),
            figure(ringing_mm),
            mean(band.low_hz),
            mean(band.high_hz),
        )
    }

    /// Motion stops for a while: no pattern goes through that.
    fn stop(&mut self) {
        self.strokes.clear();
        self.forward = None;
        self.first_mm = None;
        self.stroke = Stroke::default();
    }
}

#[cfg(test)]
mod tests {
    use super::super::testing::{machine, skipped};
    use super::*;
    use crate::inspection::Finding;
    use crate::machine::{Mode, Override};
    use crate::preflight::{Sizes, inspect};

    fn swinging(natural_hz: f64, limit_mm: Option<f64>) -> Machine {
        let mut machine = machine();
        machine.motion.limits.printing_mm_s2 = 1500.0;
        machine.structure.modes = vec![Mode { along: Direction::X, natural_hz, damping_ratio: 0.04, share: 1.0 }];
        machine.structure.ringing_limit_mm = limit_mm;
        machine
    }

    fn job(lines: &str) -> String {
        format!("G28\nM109 S200\nM83\nG1 X50 Y50 Z0.2 F6000\nG1 F3600\n{lines}M104 S0\n")
    }

    /// A zigzag along X with strokes of 2 mm and steps of 0.4 mm along Y.
    fn zigzag(strokes: usize) -> String {
        let stroke = |n: usize| {
            let y = 50.0 + 0.4 * n as f64;
            let x = if n.is_multiple_of(2) { 52 } else { 50 };
            format!("G1 X{x} Y{y:.1} E0.08\nG1 Y{:.1} E0.02\n", y + 0.4)
        };
        job(&(0..strokes).map(stroke).collect::<String>())
    }

    fn found(machine: &Machine, job: &str) -> Vec<Finding> {
        let report = inspect(job.as_bytes(), "job.gcode", machine, &Sizes::default()).expect("memory can be read");
        report.findings.into_iter().filter(|finding| finding.check == CHECK.id).collect()
    }

    /// Frequency of the zigzag by the total time of two jobs that differ by ten cycles, Hz.
    fn frequency(machine: &Machine) -> f64 {
        let time = |strokes| {
            let job = zigzag(strokes);
            let report = inspect(job.as_bytes(), "job.gcode", machine, &Sizes::default()).expect("memory can be read");
            report.time_s.extruding
        };
        10.0 / (time(60) - time(40))
    }

    #[test]
    fn a_zigzag_at_the_natural_frequency_is_found_and_one_beside_it_is_not() {
        let hz = frequency(&machine_at(1.0));
        let tuned = found(&machine_at(hz), &zigzag(60));
        assert_eq!((tuned.len(), tuned[0].severity, tuned[0].unit), (1, Severity::Hold, "Hz"));
        assert!((tuned[0].value.unwrap() - hz).abs() < 1e-6 * hz, "{:?} {hz}", tuned[0]);
        assert!(tuned[0].message.contains("along x") && tuned[0].message.contains("2 mm"), "{}", tuned[0].message);
        assert!(tuned[0].line.unwrap() <= 30, "{:?}", tuned[0]);
        for beside in [0.8, 1.25] {
            assert!(found(&machine_at(hz * beside), &zigzag(60)).is_empty(), "{beside}");
        }
        let third = found(&machine_at(3.0 * hz), &zigzag(60));
        assert!(third[0].message.contains("3 times which is"), "{}", third[0].message);
        let mut milder = machine_at(hz);
        milder.severities.insert(CHECK.id.to_owned(), Override::Severity(Severity::Note));
        assert_eq!(found(&milder, &zigzag(60))[0].severity, Severity::Note);
    }

    fn machine_at(natural_hz: f64) -> Machine {
        swinging(natural_hz, Some(0.02))
    }

    #[test]
    fn without_a_limit_only_growth_counts() {
        let hz = frequency(&machine_at(1.0));
        let slightly_damped = |ratio: f64| {
            let mut machine = swinging(hz, None);
            machine.structure.modes[0].damping_ratio = ratio;
            machine
        };
        let grown = found(&slightly_damped(0.005), &zigzag(60));
        assert_eq!((grown.len(), grown[0].severity), (1, Severity::Note));
        assert!(found(&slightly_damped(0.3), &zigzag(60)).is_empty());
        let mut unseen = slightly_damped(0.005);
        unseen.structure.modes[0].share = 1e-5;
        assert!(found(&unseen, &zigzag(60)).is_empty());
    }

    #[test]
    fn a_few_strokes_uneven_ones_waits_and_travel_make_no_pattern() {
        let machine = machine_at(frequency(&machine_at(1.0)));
        assert!(found(&machine, &zigzag(7)).is_empty());
        assert!(found(&machine, &zigzag(60).replace(" E0.08", "").replace(" E0.02", "")).is_empty());
        let waits = zigzag(60).replace("E0.02\n", "E0.02\nG4 P1\n");
        assert!(found(&machine, &waits).is_empty());
        let lines: String = (0..60)
            .map(|n| format!("G1 X{} E0.08\n", if n % 2 == 0 { 52.0 + f64::from(n % 8) / 4.0 } else { 50.0 }))
            .collect();
        assert!(found(&machine, &job(&lines)).is_empty());
    }

    #[test]
    fn small_circles_are_cycles_too() {
        // r 0.5 mm at no more than √(a r) = 27.4 mm/s: 2π r / v.
        let circles = job(&"G2 I0.5 J0 E0.1\n".repeat(30));
        let hz = 1500.0f64.sqrt() * 0.5f64.sqrt() / PI;
        let found = found(&swinging(hz, Some(0.02)), &circles);
        assert_eq!(found.len(), 1, "{hz}");
        assert!((found[0].value.unwrap() / hz - 1.0).abs() < 0.01, "{:?} {hz}", found[0]);
    }

    #[test]
    fn it_needs_modes() {
        assert!(skipped(&CHECK, &machine()).contains("[[structure]]"));
    }
}
