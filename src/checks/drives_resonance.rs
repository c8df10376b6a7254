//! Patterns that go to and fro at the natural frequency of the structure.

use std::collections::VecDeque;
use std::ops::Range;

use crate::block::{
    Block, Column,
    strokes::{Columns, Reversal, Stroke, Strokes, Watch},
};
use crate::findings::{Built, Check, Explanation, Hit, Log, Observer, Severity};
use crate::machine::{Direction, Machine};
use crate::vectors::columns::larger;
use crate::wording::figure;

/// The check.
pub const CHECK: Check = Check {
    id: "drives-resonance",
    topic: "resonance",
    severity: Severity::Hold,
    summary: "A pattern oscillates at a natural frequency of the structure and builds up vibration.",
    explain: Explanation {
        what: "a zigzag, a gap filling or a row of short lines reverses an axis in time with a mode of the structure, \
again and again, and the amplitude builds up.",
        why: "each stroke adds to the swing of the one before. A filling that looks harmless shakes the machine: \
noise, waves through the walls beside it, lost steps, screws that come loose.",
        how: "where the planned speed of a direction changes its sign a stroke ends. Two strokes are a cycle, its \
frequency in Hz is 1 / their planned duration; speed / (2 x stroke) is that only where strokes are driven at one speed. \
Four or more cycles in a row, all extruding, whose periods agree within 5 %, are a pattern. It is told when its \
frequency, or 3 or 5 times it (strokes to and fro have odd harmonics), lies in the half-power band of a `[[structure]]` \
mode, that is within the damping ratio (at least 2 %) of the natural frequency, and the amplitude exceeds `ringing_mm` \
or is twice that of the first cycle and more than 0.001 mm (resonance and half-power band: Chopra, Dynamics of Structures, ch. 3; from \
memory). Below the limit it is a note. The amplitude is that of `rings-frame`.",
        remedy: "choose another speed for these lines so that their mean speed leaves the band that is named, another angle \
or pattern for the filling, or stiffen or damp the frame.",
    },
    heat_or_travel: false,
    timed: true,
    unchecked: None,
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
/// Strokes to and fro have odd harmonics.
pub(crate) const HARMONICS: [f64; 3] = [1.0, 3.0, 5.0];

fn build(machine: &Machine, _: &str) -> Built {
    let structure = &machine.structure;
    if structure.modes.is_empty() {
        return Built::Skipped("the sheet gives no `[[structure]]`".to_owned());
    }
    let past = |along: Direction| Past {
        along,
        bands: structure.along(along).map(|(_, mode)| Band::of(mode.natural_hz, mode.damping_ratio)).collect(),
        limit_mm: structure.ringing_limit_mm,
        strokes: VecDeque::with_capacity(2 * CYCLES),
        first_mm: None,
    };
    let track = |along: Direction| Track { strokes: Strokes::new(along.vector()), past: past(along) };
    let tracks = structure.directions().into_iter().map(track).collect();
    Built::Watching(Box::new(DrivesResonance { tracks, columns: Columns::new() }))
}

struct DrivesResonance {
    tracks: Vec<Track>,
    /// LoadedJob for the next block.
    columns: Box<Columns>,
}

/// Frequencies at which a mode answers strongly, Hz.
pub(crate) struct Band {
    pub(crate) natural_hz: f64,
    pub(crate) low_hz: f64,
    pub(crate) high_hz: f64,
}

impl Band {
    pub(crate) fn of(natural_hz: f64, damping_ratio: f64) -> Self {
        let half = damping_ratio.max(BAND_LEAST);
        Self { natural_hz, low_hz: natural_hz * (1.0 - half), high_hz: natural_hz * (1.0 + half) }
    }

    pub(crate) fn holds(&self, hz: f64) -> bool {
        (self.low_hz..=self.high_hz).contains(&hz)
    }
}

/// What is gathered along a stroke.
#[derive(Debug, Clone, Copy, Default)]
struct Felt {
    ringing_mm: f64,
    extrudes: bool,
}

/// The strokes along one direction.
struct Track {
    strokes: Strokes<Felt>,
    past: Past,
}

/// What is known of the strokes that are over.
struct Past {
    along: Direction,
    bands: Vec<Band>,
    limit_mm: Option<f64>,
    /// The last strokes, as many as [`CYCLES`] have.
    strokes: VecDeque<Stroke<Felt>>,
    /// Amplitude in the first cycle of the pattern that goes on.
    first_mm: Option<f64>,
}

/// The past as it goes through a block.
struct Watching<'a> {
    past: &'a mut Past,
    block: &'a Block,
    ringing_mm: &'a Column<f64>,
    kind: usize,
    log: &'a mut Log,
}

impl Observer for DrivesResonance {
    fn observe(&mut self, block: &Block, log: &mut Log) {
        let Self { tracks, columns } = self;
        columns.clock(block);
        for (kind, (track, ringing_mm)) in tracks.iter_mut().zip(&block.ringing_mm).enumerate() {
            let Track { strokes, past } = track;
            strokes.follow(block, columns, &mut Watching { past, block, ringing_mm, kind, log });
            if block.actions.iter().any(|action| action.duration_s > 0.0) {
                strokes.stop(0.0, [0.0; 3]);
                past.strokes.clear();
                past.first_mm = None;
            }
        }
    }
}

impl Watch<Felt> for Watching<'_> {
    #[inline(always)]
    fn take(&mut self, gathered: &mut Felt, range: Range<usize>, _: f64) {
        gathered.ringing_mm = range.clone().fold(gathered.ringing_mm, |most, i| larger(self.ringing_mm[i], most));
        gathered.extrudes |= range.into_iter().any(|i| self.block.extrudes(i));
    }

    fn over(&mut self, stroke: Stroke<Felt>, turn: &Reversal) {
        self.past.add(stroke, turn, self.kind, self.log);
    }
}

impl Past {
    fn add(&mut self, stroke: Stroke<Felt>, turn: &Reversal, kind: usize, log: &mut Log) {
        if self.strokes.len() == 2 * CYCLES {
            self.strokes.pop_front();
        }
        self.strokes.push_back(stroke);
        let Some(period_s) = self.period_s() else {
            self.first_mm = None;
            return;
        };
        let felt = |at: usize| self.strokes[at].gathered.ringing_mm;
        let most_of = |cycle: [usize; 2]| felt(cycle[0]).max(felt(cycle[1]));
        let first_mm = *self.first_mm.get_or_insert(most_of([0, 1]));
        let ringing_mm = most_of([2 * CYCLES - 2, 2 * CYCLES - 1]);
        self.judge(1.0 / period_s, [first_mm, ringing_mm], turn.line, kind, log);
    }

    /// Mean period of the last cycles when they make a pattern, s.
    fn period_s(&self) -> Option<f64> {
        let strokes = &self.strokes;
        if strokes.len() < 2 * CYCLES || strokes.iter().any(|stroke| !(stroke.begun && stroke.gathered.extrudes)) {
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
        let meets = |band: &&Band, times: f64| band.holds(times * hz);
        let met = HARMONICS.iter().find_map(|&times| Some((self.bands.iter().find(|band| meets(band, times))?, times)));
        let Some((band, times)) = met else { return };
        let hit = Hit {
            value: Some(hz),
            badness: ringing_mm,
            limit: Some(band.natural_hz),
            unit: "Hz",
            ..Hit::plain(&CHECK, kind as u64, if over { Severity::Hold } else { Severity::Note }, line)
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
}

#[cfg(test)]
mod tests {
    use super::super::testing::{machine, skipped};
    use std::f64::consts::PI;

    use super::*;
    use crate::findings::Finding;
    use crate::machine::{Mode, Override};
    use crate::preflight::{JobSource, Preflight};

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
        let report =
            Preflight::on(machine).run(JobSource::stream(job.as_bytes(), "job.gcode")).expect("memory can be read");
        report.findings.into_iter().filter(|finding| finding.check == CHECK.id).collect()
    }

    /// Frequency of the zigzag by the total time of two jobs that differ by ten cycles, Hz.
    fn frequency(machine: &Machine) -> f64 {
        let time = |strokes| {
            let job = zigzag(strokes);
            let report =
                Preflight::on(machine).run(JobSource::stream(job.as_bytes(), "job.gcode")).expect("memory can be read");
            report.time_s.extruding
        };
        10.0 / (time(60) - time(40))
    }

    #[test]
    fn a_zigzag_at_the_natural_frequency_is_found_and_one_beside_it_is_not() {
        let hz = frequency(&machine_at(1.0));
        let tuned = found(&machine_at(hz), &zigzag(60));
        assert_eq!((tuned.len(), tuned[0].severity, tuned[0].unit.as_ref()), (1, Severity::Hold, "Hz"));
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
