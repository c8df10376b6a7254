//! Pressure in the nozzle: what comes out follows what is pushed in as a first-order process, so that lines get too wide where
//! the machine slows down and too thin where it speeds up.
//!
//! The law: out = V / τ, V′ = in − out, with V what is in the nozzle beyond what it holds at rest and τ the lag of the hotend
//! (that it is first order: best fit of measured line widths, Applied Sciences 15 (24), 12924; that the lag grows as layers get
//! thinner: Rapid Prototyping Journal, doi 10.1108/RPJ-10-2018-0275). [`lag`](super::lag) has the solution over each piece of a
//! move. With a lead K the controller pushes v + K a where the job asks for the speed v of the filament: at a lead equal to the
//! lag that is the inverse of the law, and what comes out is what was asked for. A jump of v would need all of K times it at
//! once: it is spread over a time that the sheet gives, or left out. The lead acts on moves along a path that push filament
//! (common practice, no source).
//!
//! What was pulled back leaves room that fills first, as in [`melt`](super::melt); nothing is sucked in and nothing drips from
//! a nozzle at rest but what its pressure drives out. mm, s, mm³.

use std::collections::BTreeMap;

use super::filament_area_mm2;
use super::lag::{Changes, Flow, Room, Stretch};
use super::standing::LEVEL_MM;
use crate::block::{Block, Bulge, Driven, LineStart, Piece, Pressed, TOOLS_KEPT};
use crate::machine::{E, LagRow, Machine};

/// Beyond this share of what the job asks for a line is too wide or too thin.
pub const WIDTH_SLACK: f64 = 0.15;
/// Length at the start of a line over which the share that is laid is told, mm.
pub const START_MM: f64 = 1.0;
/// Share of the flow below which more is no bulge but rounding.
const ROUNDING: f64 = 1e-9;
/// Jumps of speed that are spread at the same time; of more, the two oldest are joined.
const SPREADS_KEPT: usize = 32;
/// What is left of a spread below this is over, s.
const OVER_S: f64 = 1e-12;

/// The law of one tool.
#[derive(Debug, Clone)]
struct Law {
    area_mm2: f64,
    rows: Vec<LagRow>,
    lead_s: f64,
}

/// The lag at a height of layers, s: on the straight line between the rows around it, beyond the ends that of the end.
pub fn lag_s(rows: &[LagRow], layer_mm: f64) -> Option<f64> {
    let above = rows.partition_point(|row| row.layer_mm <= layer_mm);
    match (above.checked_sub(1).and_then(|at| rows.get(at)), rows.get(above)) {
        (Some(low), Some(high)) => {
            let share = (layer_mm - low.layer_mm) / (high.layer_mm - low.layer_mm);
            Some(low.lag_s + (high.lag_s - low.lag_s) * share)
        }
        (one, other) => one.or(other).map(|row| row.lag_s),
    }
}

/// What the lead adds for a jump of speed, and how long still.
#[derive(Debug, Clone, Copy)]
struct Spread {
    mm3_s: f64,
    left_s: f64,
}

/// The line that is being laid.
#[derive(Debug, Clone, Copy, Default)]
struct Line {
    /// False behind a travel or a push on the spot.
    open: bool,
    /// What is left of its first millimetre, mm; what was asked for and laid there, mm³.
    start_left_mm: f64,
    asked_mm3: f64,
    laid_mm3: f64,
    first_line: u64,
    /// The bulge that is laid, and one that would begin on the last move.
    bulge: Option<Bulge>,
    last: Option<Bulge>,
}

/// One tool.
#[derive(Debug, Clone, Default)]
struct Nozzle {
    room: Room,
    lead_s: f64,
    spreads: Vec<Spread>,
    /// Speed of the filament that the lead has seen last, mm/s.
    seen_mm_s: f64,
    away_since_s: f64,
    line: Line,
}

/// A move that lays filament, as the meter needs it.
#[derive(Debug, Clone, Copy)]
struct Laying {
    section_mm2: f64,
    line: u64,
    place_mm: [f64; 3],
    of: usize,
}

/// The pressure in all nozzles of a machine.
#[derive(Debug, Clone)]
pub struct Pressure {
    laws: Vec<Law>,
    nozzles: BTreeMap<u32, Nozzle>,
    step_spread_s: Option<f64>,
    /// Height of the layer that is laid and thickness of it, mm.
    layer: Option<(f64, f64)>,
    laid_moves: usize,
}

impl Pressure {
    /// At rest; none where no tool has a lag.
    pub fn new(machine: &Machine) -> Option<Self> {
        let law = |tool: &crate::machine::Tool| Law {
            area_mm2: filament_area_mm2(tool.filament_diameter_mm),
            rows: tool.pressure_lag.clone(),
            lead_s: tool.extrusion_lead_s.unwrap_or(0.0),
        };
        let laws: Vec<Law> = machine.tools.iter().map(law).collect();
        laws.iter().any(|law| !law.rows.is_empty()).then_some(Self {
            laws,
            nozzles: BTreeMap::new(),
            step_spread_s: machine.controller.step_spread_s,
            layer: None,
            laid_moves: 0,
        })
    }

    /// The nozzle of a tool number, described in the sheet at that index.
    fn nozzle(&mut self, number: u32, index: usize) -> &mut Nozzle {
        let lead_s = self.laws[index].lead_s;
        let fresh = || Nozzle { lead_s, ..Nozzle::default() };
        self.nozzles.entry(number.min(TOOLS_KEPT as u32)).or_insert_with(fresh)
    }

    /// The controller gets another lead for a tool, s.
    pub(super) fn set_lead(&mut self, number: u32, index: usize, lead_s: f64) {
        self.nozzle(number, index).lead_s = lead_s;
    }

    /// The tool is put away at that time.
    pub(super) fn put_away(&mut self, number: u32, index: usize, now_s: f64) {
        let nozzle = self.nozzle(number, index);
        nozzle.away_since_s = now_s;
        nozzle.line.open = false;
    }

    /// The tool is taken up again.
    pub(super) fn take_up(&mut self, number: u32, index: usize, now_s: f64) {
        let lag_s = self.lag_s(index);
        let nozzle = self.nozzle(number, index);
        let away_s = now_s - nozzle.away_since_s;
        if let Some(lag_s) = lag_s.filter(|_| away_s > 0.0) {
            nozzle.room.take(&Flow::even(0.0, 0.0, away_s), lag_s, |_| {});
        }
    }

    /// The lag of a tool at the layer that is laid, s.
    fn lag_s(&self, index: usize) -> Option<f64> {
        lag_s(&self.laws[index].rows, self.layer.map_or(0.0, |(_, thick_mm)| thick_mm))
    }

    /// Filament is laid up to that height; a move that `climbs` tells nothing of how thick its layer is.
    fn enter(&mut self, z_mm: f64, climbs: bool) {
        let thick_mm = match self.layer {
            Some((_, thick_mm)) if climbs => thick_mm,
            Some((known_mm, _)) if (z_mm - known_mm).abs() < LEVEL_MM - 1e-9 => return,
            Some((known_mm, _)) if z_mm > known_mm => z_mm - known_mm,
            // The first layer of a part lies on the bed.
            _ => z_mm,
        };
        self.layer = Some((z_mm, thick_mm));
    }

    /// Follows the moves of a block; fills what it says of them.
    pub(super) fn follow(&mut self, block: &mut Block) {
        self.follow_with(block, &mut |_| {});
    }

    /// The same; `tap` sees each stretch of all flows.
    fn follow_with(&mut self, block: &mut Block, tap: &mut impl FnMut(&Stretch)) {
        let index = block.tool_index;
        if self.laws[index].rows.is_empty() {
            self.laid_moves += (0..block.len()).filter(|&i| block.extrudes(i)).count();
            return;
        }
        let mut pressed = std::mem::take(&mut block.pressed);
        for i in 0..block.len() {
            let lays = block.section_mm2[i] > 0.0;
            if lays {
                self.enter(block.to[2][i], block.moves_axis(i, 2));
            }
            if let Some(lag_s) = self.lag_s(index).filter(|_| block.time_s[i] > 0.0) {
                self.follow_move(block, i, lag_s, &mut pressed, tap);
            }
            self.laid_moves += usize::from(lays);
        }
        block.pressed = pressed;
    }

    fn follow_move(
        &mut self,
        block: &Block,
        i: usize,
        lag_s: f64,
        pressed: &mut Pressed,
        tap: &mut impl FnMut(&Stretch),
    ) {
        let (area_mm2, step_spread_s) = (self.laws[block.tool_index].area_mm2, self.step_spread_s);
        let laying = (block.section_mm2[i] > 0.0).then(|| Laying {
            section_mm2: block.section_mm2[i],
            line: block.line[i],
            place_mm: block.end(i),
            of: self.laid_moves,
        });
        let nozzle = self.nozzle(block.tool, block.tool_index);
        match &laying {
            Some(laying) => nozzle.line.begin(laying),
            None => nozzle.line.close(pressed),
        }
        let led = laying.filter(|_| nozzle.lead_s > 0.0);
        let share = if led.is_some() { block.dir[E][i] } else { 0.0 };
        nozzle.jump(share * block.v_start_mm_s[i], area_mm2, step_spread_s, block.line[i], pressed);
        let mut driven = Driven::default();
        // Times lie on a grid: the slopes of the shortest ramps are not to be trusted further than the law goes.
        let accel_mm_s2 = block.accel_mm_s2[i] * block.accel_peak_factor();
        let jump_limit_mm_s = nozzle.lead_s * share * accel_mm_s2;
        each_flow(block, i, area_mm2 * block.dir[E][i], |asked| {
            let mut pushed = asked;
            if led.is_some() {
                let slope = asked.slope();
                let ahead = slope.times(nozzle.lead_s);
                pushed = asked.plus(&ahead);
                // Other ramps begin and end without acceleration: there the lead makes no jump.
                if block.is_even() {
                    driven.jump_mm_s = driven.jump_mm_s.max((ahead.most() / area_mm2).min(jump_limit_mm_s));
                }
                let further = ahead.slope();
                let most_mm_s2 = slope.plus(&further).most() / area_mm2;
                let bound_mm_s2 = share * accel_mm_s2 + further.most() / area_mm2;
                driven.acceleration_mm_s2 = driven.acceleration_mm_s2.max(most_mm_s2.min(bound_mm_s2));
            }
            let [most_mm3_s, added_mm3_s] = nozzle.push([&asked, &pushed], lag_s, laying.as_ref(), pressed, tap);
            if led.is_some() {
                let bound_mm_s = (asked.most() + added_mm3_s) / area_mm2 + jump_limit_mm_s;
                driven.speed_mm_s = driven.speed_mm_s.max((most_mm3_s / area_mm2).min(bound_mm_s));
            }
        });
        nozzle.seen_mm_s = share * block.v_end_mm_s[i];
        if nozzle.lead_s > 0.0 {
            pressed.driven.resize(i, Driven::default());
            pressed.driven.push(driven);
        }
    }

    /// The machine stands for a time behind line `line`.
    pub(super) fn rest(&mut self, number: u32, index: usize, seconds: f64, line: u64, pressed: &mut Pressed) {
        let Some(lag_s) = self.lag_s(index).filter(|_| seconds > 0.0) else { return };
        let (area_mm2, step_spread_s) = (self.laws[index].area_mm2, self.step_spread_s);
        let nozzle = self.nozzle(number, index);
        nozzle.jump(0.0, area_mm2, step_spread_s, line, pressed);
        let nothing = Flow::even(0.0, 0.0, seconds);
        nozzle.push([&nothing; 2], lag_s, None, pressed, &mut |_| {});
    }

    /// The job is over: a line that is open ends.
    pub(super) fn finish(&mut self, pressed: &mut Pressed) {
        self.nozzles.values_mut().for_each(|nozzle| nozzle.line.close(pressed));
    }
}

/// Steps of speed below this share of it come from rounded numbers in the job.
const ROUNDING_SHARE: f64 = 0.01;

/// The flow over each piece of a move that pushes so much for each mm, mm².
fn each_flow(block: &Block, i: usize, section_mm2: f64, mut take: impl FnMut(Flow)) {
    if block.is_even() {
        for Piece { seconds, start_mm_s, end_mm_s } in block.pieces(i).into_iter().filter(|piece| piece.seconds > 0.0) {
            take(Flow::even(section_mm2 * start_mm_s, section_mm2 * end_mm_s, seconds));
        }
    } else {
        block.each_ramp(i, |ramp| take(Flow::of(ramp.speed.map(|factor| section_mm2 * factor), ramp.seconds)));
    }
}

impl Nozzle {
    /// The speed of the filament that the lead sees jumps, mm/s.
    fn jump(&mut self, to_mm_s: f64, area_mm2: f64, spread_s: Option<f64>, line: u64, pressed: &mut Pressed) {
        let step_mm_s = to_mm_s - std::mem::replace(&mut self.seen_mm_s, to_mm_s);
        if step_mm_s == 0.0 || self.lead_s == 0.0 {
            return;
        }
        let Some(spread_s) = spread_s else {
            // Digits that are cut off in a job are no jumps.
            let is_rounding = step_mm_s.abs() < ROUNDING_SHARE * to_mm_s.abs();
            if !is_rounding && pressed.left_out.is_none_or(|(most_mm_s, _)| step_mm_s.abs() > most_mm_s) {
                pressed.left_out = Some((step_mm_s.abs(), line));
            }
            return;
        };
        self.spreads.push(Spread { mm3_s: self.lead_s * area_mm2 * step_mm_s / spread_s, left_s: spread_s });
        if self.spreads.len() > SPREADS_KEPT {
            let (old, next) = (self.spreads.remove(0), &mut self.spreads[0]);
            next.mm3_s += old.mm3_s * old.left_s / next.left_s;
        }
    }

    /// Takes in what is pushed while something is asked for, mm³/s; under a lead the largest magnitudes of what is pushed with
    /// what is added for jumps, and of that alone.
    fn push(
        &mut self,
        [asked, pushed]: [&Flow; 2],
        lag_s: f64,
        laying: Option<&Laying>,
        pressed: &mut Pressed,
        tap: &mut impl FnMut(&Stretch),
    ) -> [f64; 2] {
        let (mut from, mut most, mut most_added) = (0.0, 0.0f64, 0.0f64);
        while from < 1.0 {
            let until = self.border(asked, from, laying);
            let whole = from == 0.0 && until == 1.0;
            let cut = |flow: &Flow| if whole { *flow } else { flow.part(from, until) };
            let (asked, added) = (cut(asked), self.spreads.iter().map(|spread| spread.mm3_s).sum::<f64>());
            let pushed = cut(pushed).raised(added);
            if self.lead_s > 0.0 {
                most = most.max(pushed.most());
                most_added = most_added.max(added.abs());
            }
            let line = &mut self.line;
            self.room.take(&pushed, lag_s, |stretch| {
                line.take(stretch, &asked, lag_s, laying, pressed);
                tap(stretch);
            });
            self.spreads.iter_mut().for_each(|spread| spread.left_s -= pushed.seconds);
            self.spreads.retain(|spread| spread.left_s > OVER_S);
            from = until;
        }
        [most, most_added]
    }

    /// Up to where a piece goes on alike: a spread ends, or the start of a line.
    fn border(&self, asked: &Flow, from: f64, laying: Option<&Laying>) -> f64 {
        let mut until = 1.0f64;
        for spread in &self.spreads {
            until = until.min(from + spread.left_s / asked.seconds);
        }
        if let Some(laying) = laying.filter(|_| self.line.start_left_mm > 0.0) {
            let rest = asked.part(from, 1.0);
            if let Some(s) = rest.reaches(self.line.start_left_mm * laying.section_mm2) {
                until = until.min(from + (1.0 - from) * s);
            }
        }
        // What rounding leaves over goes with the rest.
        if until > from { until } else { 1.0 }
    }
}

impl Line {
    fn begin(&mut self, laying: &Laying) {
        let (line, place_mm, of) = (laying.line, laying.place_mm, laying.of);
        self.last = Some(Bulge { volume_mm3: 0.0, line, place_mm, of });
        if !self.open {
            *self = Self {
                open: true,
                start_left_mm: START_MM,
                first_line: laying.line,
                last: self.last,
                ..Self::default()
            };
        }
    }

    fn close(&mut self, pressed: &mut Pressed) {
        if let Some(bulge) = self.bulge.take() {
            pressed.bulges.push(bulge);
        }
        self.open = false;
    }

    /// Takes what comes out over a stretch of a piece.
    fn take(&mut self, stretch: &Stretch, asked: &Flow, lag_s: f64, laying: Option<&Laying>, pressed: &mut Pressed) {
        let [from, until] = stretch.range;
        let asked = if [from, until] == [0.0, 1.0] { *asked } else { asked.part(from, until) };
        match laying {
            Some(laying) => {
                let asked_mm3 = asked.volume_to(1.0);
                let length_mm = asked_mm3 / laying.section_mm2;
                pressed.laid_mm.add(length_mm);
                self.start(asked_mm3, laid_mm3(stretch), length_mm, pressed);
                self.widths(stretch, &asked, laying, pressed);
                self.bulges(stretch, &asked, lag_s, pressed);
            }
            // What comes out where the machine stands lies where the line does.
            None if self.open => {
                let more_mm3 = laid_mm3(stretch);
                if more_mm3 > 0.0 {
                    self.swell(more_mm3);
                }
            }
            None => {}
        }
    }

    fn start(&mut self, asked_mm3: f64, laid_mm3: f64, length_mm: f64, pressed: &mut Pressed) {
        if self.start_left_mm <= 0.0 {
            return;
        }
        self.asked_mm3 += asked_mm3;
        self.laid_mm3 += laid_mm3;
        self.start_left_mm -= length_mm;
        if self.start_left_mm <= 1e-9 {
            self.start_left_mm = 0.0;
            let share = self.laid_mm3 / self.asked_mm3;
            // Sections that no printer lays may be too small for numbers.
            pressed.starts.extend(share.is_finite().then_some(LineStart { share, line: self.first_line }));
        }
    }

    /// Lengths on which the line is too wide or too thin.
    fn widths(&self, stretch: &Stretch, asked: &Flow, laying: &Laying, pressed: &mut Pressed) {
        let Some(out) = &stretch.out else {
            return pressed.thin_mm.add(asked.volume_to(1.0) / laying.section_mm2);
        };
        for (factor, wide) in [(1.0 + WIDTH_SLACK, true), (1.0 - WIDTH_SLACK, false)] {
            let bound = asked.times(factor);
            let is_above = out.start > bound.at(0.0);
            let sum = if wide { &mut pressed.wide_mm } else { &mut pressed.thin_mm };
            each_side(&out.crosses(&bound, 0.0), is_above, |[from, until], above| {
                if above == wide {
                    sum.add((asked.volume_to(until) - asked.volume_to(from)) / laying.section_mm2);
                }
            });
        }
    }

    fn bulges(&mut self, stretch: &Stretch, asked: &Flow, lag_s: f64, pressed: &mut Pressed) {
        let Some(out) = &stretch.out else { return self.end_bulge(pressed) };
        let slack = ROUNDING * asked.at(0.0).max(asked.at(1.0));
        let is_above = out.start - asked.at(0.0) > slack;
        each_side(&out.crosses(asked, slack), is_above, |[from, until], above| {
            if !above {
                return self.end_bulge(pressed);
            }
            let into = |s: f64| out.flow.volume_to(s) - asked.volume_to(s);
            let more_mm3 = (out.out(from) - out.out(until)) * lag_s + into(until) - into(from);
            self.swell(more_mm3);
        });
    }

    fn swell(&mut self, more_mm3: f64) {
        let bulge = self.bulge.or(self.last);
        self.bulge = bulge.map(|bulge| Bulge { volume_mm3: bulge.volume_mm3 + more_mm3, ..bulge });
    }

    fn end_bulge(&mut self, pressed: &mut Pressed) {
        pressed.bulges.extend(self.bulge.take());
    }
}

/// What comes out over a stretch, mm³.
fn laid_mm3(stretch: &Stretch) -> f64 {
    let [before, after] = stretch.volumes_mm3;
    stretch.out.map_or(0.0, |out| before - after + out.flow.volume_to(1.0))
}

/// Goes through the parts of a piece between changes of a sign, with that sign.
fn each_side(changes: &Changes, mut above: bool, mut with: impl FnMut([f64; 2], bool)) {
    let mut from = 0.0;
    for until in changes.all().iter().copied().chain([1.0]) {
        with([from, until], above);
        (from, above) = (until, !above);
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::machine::Tool;
    use crate::physics::lag::quadrature;
    use crate::physics::melt::{Melt, Scratch};
    use crate::preflight::testing::plan;
    use crate::preflight::{JobSource, Preflight};

    #[test]
    fn between_heights_the_lag_goes_evenly_and_beyond_them_not_at_all() {
        let row = |layer_mm, lag_s| LagRow { layer_mm, lag_s };
        let rows = [row(0.1, 0.09), row(0.3, 0.05)];
        for (layer_mm, known_s) in [(0.05, 0.09), (0.1, 0.09), (0.2, 0.07), (0.25, 0.06), (0.3, 0.05), (2.0, 0.05)] {
            assert!((lag_s(&rows, layer_mm).expect("is known") - known_s).abs() < 1e-12, "{layer_mm}");
        }
        assert_eq!((lag_s(&rows[..1], 0.3), lag_s(&[], 0.3)), (Some(0.09), None));
    }

    fn lagging(lead_s: f64, step_spread_s: Option<f64>) -> Machine {
        let mut machine = Machine::built_in();
        machine.controller.step_spread_s = step_spread_s;
        let tool = Tool {
            pressure_lag: vec![LagRow { layer_mm: 0.1, lag_s: 0.08 }, LagRow { layer_mm: 0.3, lag_s: 0.05 }],
            extrusion_lead_s: Some(lead_s),
            ..machine.tools[0].clone()
        };
        machine.tools = vec![tool];
        machine
    }

    /// Lines, travels, pull-backs and pushes on the spot, at heights that change.
    fn job() -> impl Strategy<Value = String> {
        let step = (0..8u8, 0.0..60.0f64, 0.0..60.0f64, -2.0..3.0f64, 5.0..150.0f64);
        prop::collection::vec(step, 1..40).prop_map(|steps| {
            let mut job = "G92 X0 Y0 Z0.2\nM83\nG90\n".to_owned();
            for (kind, x, y, e, feed) in steps {
                let feed = (feed * 60.0).round();
                job += &match kind {
                    0 => format!("G0 X{x:.3} Y{y:.3} F{feed}\n"),
                    1 => format!("G1 E{e:.4} F{feed}\n"),
                    2 => format!("G0 Z{:.2} F600\n", 0.1 + (x / 10.0).floor() * 0.15),
                    _ => format!("G1 X{x:.3} Y{y:.3} E{:.5} F{feed}\n", e.abs()),
                };
            }
            job
        })
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]
        /// In = out + what is left, over whole jobs: in is what the job pushes, for a lead whose jumps are spread adds nothing from
        /// rest to rest; out is what a quadrature finds of the flow that comes out.
        #[test]
        fn no_job_loses_volume(job in job(), lead in 0usize..3) {
            let machine = lagging([0.0, 0.06, 0.3][lead], Some(0.01));
            let mut pressure = Pressure::new(&machine).expect("has a lag");
            let (area_mm2, mut pushed_mm3, mut out_mm3) = (pressure.laws[0].area_mm2, 0.0, 0.0);
            let mut melt = Melt::new(1.0);
            for mut block in plan(&machine, &job) {
                melt.follow(&mut block, area_mm2, &mut Scratch::new());
                pressure.follow_with(&mut block, &mut |stretch| {
                    out_mm3 += stretch.out.as_ref().map_or(0.0, quadrature);
                });
                pushed_mm3 += (0..block.len()).map(|i| block.de_mm[i] * area_mm2).sum::<f64>();
            }
            let mut nozzle = pressure.nozzles.values().next().cloned().unwrap_or_default();
            // What still is to be spread comes while the machine stands.
            let nothing = Flow::even(0.0, 0.0, 0.05);
            nozzle.jump(0.0, area_mm2, Some(0.01), 0, &mut Pressed::default());
            nozzle.push([&nothing; 2], 0.08, None, &mut Pressed::default(), &mut |stretch| {
                out_mm3 += stretch.out.as_ref().map_or(0.0, quadrature);
            });
            let left_mm3 = nozzle.room.volume_mm3;
            prop_assert!((pushed_mm3 - out_mm3 - left_mm3).abs() < 1e-6, "{pushed_mm3} {out_mm3} {left_mm3}");
        }

        #[test]
        fn no_number_depends_on_where_blocks_are_cut(job in job()) {
            let machine = lagging(0.06, Some(0.01));
            let whole = Preflight::on(&machine).run(JobSource::stream(job.as_bytes(), "job")).expect("reads");
            let two = Preflight::on(&machine).threads(2).run(JobSource::stream(job.as_bytes(), "job")).expect("reads");
            prop_assert_eq!(whole.widths, two.widths);
            let widths = whole.widths.expect("has a lag");
            prop_assert!(widths.wide_mm + widths.thin_mm <= widths.laid_mm + 1e-6);
            prop_assert!((widths.laid_mm - whole.path_mm.extruding).abs() < 1e-4, "{widths:?}");
        }
    }
}
