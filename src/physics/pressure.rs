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
use super::lag::{Curved, Flow, Lagged, Room, Straight, Stretch};
use super::standing::LEVEL_MM;
use crate::block::{Block, Bulge, Driven, LineStart, Piece, Pressed, RampPiece, TOOLS_KEPT, grid::Sum};
use crate::machine::{E, LagRow, Machine};
use crate::vectors::columns::{larger, smaller};

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
    /// What all of them add, mm³/s.
    spread_mm3_s: f64,
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

impl Laying {
    /// Move `i` of a block, which so many moves that lay come before.
    #[inline(always)]
    fn of(block: &Block, i: usize, before: usize) -> Self {
        Self { section_mm2: block.section_mm2[i], line: block.line[i], place_mm: block.end(i), of: before }
    }
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
            nozzle.room.take(&Straight::even(0.0, 0.0, away_s), lag_s, |_| {});
        }
    }

    /// The lag of a tool at the layer that is laid, s.
    fn lag_s(&self, index: usize) -> Option<f64> {
        lag_s(&self.laws[index].rows, self.layer.map_or(0.0, |(_, thick_mm)| thick_mm))
    }

    /// Filament is laid up to that height; a move that `climbs` tells nothing of how thick its layer is.
    /// True where the layer is another then.
    #[inline(always)]
    fn enter(&mut self, z_mm: f64, climbs: bool) -> bool {
        let thick_mm = match self.layer {
            Some((_, thick_mm)) if climbs => thick_mm,
            Some((known_mm, _)) if (z_mm - known_mm).abs() < LEVEL_MM - 1e-9 => return false,
            Some((known_mm, _)) if z_mm > known_mm => z_mm - known_mm,
            // The first layer of a part lies on the bed.
            _ => z_mm,
        };
        self.layer = Some((z_mm, thick_mm));
        true
    }

    /// Follows the moves of a block; fills what it says of them.
    pub(super) fn follow(&mut self, block: &mut Block) {
        self.follow_with(block, &mut ());
    }

    /// The same; `tap` sees each stretch of all flows.
    #[inline(always)]
    fn follow_with(&mut self, block: &mut Block, tap: &mut impl Tap) {
        if self.laws[block.tool_index].rows.is_empty() {
            self.laid_moves += (0..block.len()).filter(|&i| block.extrudes(i)).count();
        } else {
            self.follow_moves(block, tap);
        }
        let open = self.nozzles.values().filter_map(|nozzle| nozzle.line.bulge.or(nozzle.line.last));
        block.pressed.bulges_from = open.map(|bulge| bulge.of).min().unwrap_or(self.laid_moves);
    }

    #[inline(always)]
    fn follow_moves(&mut self, block: &mut Block, tap: &mut impl Tap) {
        let (index, area_mm2) = (block.tool_index, self.laws[block.tool_index].area_mm2);
        let mut pressed = std::mem::take(&mut block.pressed);
        let mut nozzle = std::mem::take(self.nozzle(block.tool, index));
        let mut lag_s = self.lag_s(index);
        // Not for their width: number by number, too, their instructions take fewer copies.
        block.vectors.run(
            #[inline(always)]
            || {
                for i in 0..block.len() {
                    let lays = block.section_mm2[i] > 0.0;
                    if lays && self.enter(block.to[2][i], block.moves_axis(i, 2)) {
                        lag_s = self.lag_s(index);
                    }
                    if let Some(lag_s) = lag_s.filter(|_| block.time_s[i] > 0.0) {
                        let laying = lays.then(|| Laying::of(block, i, self.laid_moves));
                        let of = Followed { lag_s, area_mm2, laying, leading: None, pressed: &mut pressed, tap };
                        nozzle.follow_move(block, i, self.step_spread_s, of);
                    }
                    self.laid_moves += usize::from(lays);
                }
            },
        );
        *self.nozzle(block.tool, index) = nozzle;
        block.pressed = pressed;
    }

    /// The machine stands for a time behind line `line`.
    pub(super) fn rest(&mut self, number: u32, index: usize, seconds: f64, line: u64, pressed: &mut Pressed) {
        let Some(lag_s) = self.lag_s(index).filter(|_| seconds > 0.0) else { return };
        let (area_mm2, step_spread_s) = (self.laws[index].area_mm2, self.step_spread_s);
        let nozzle = self.nozzle(number, index);
        nozzle.jump(0.0, area_mm2, step_spread_s, line, pressed);
        let nothing = Straight::even(0.0, 0.0, seconds);
        nozzle.push([&nothing; 2], &mut Followed::of_nothing(lag_s, pressed, &mut ()));
    }

    /// The job is over: a line that is open ends.
    pub(super) fn finish(&mut self, pressed: &mut Pressed) {
        self.nozzles.values_mut().for_each(|nozzle| nozzle.line.close(pressed));
    }
}

/// Steps of speed below this share of it come from rounded numbers in the job.
const ROUNDING_SHARE: f64 = 0.01;

/// Sees each stretch of all flows.
trait Tap {
    fn see<const POWERS: usize>(&mut self, stretch: &Stretch<POWERS>);
}

impl Tap for () {
    fn see<const POWERS: usize>(&mut self, _: &Stretch<POWERS>) {}
}

/// A move that is followed, and where that goes.
struct Followed<'a, T> {
    lag_s: f64,
    area_mm2: f64,
    laying: Option<Laying>,
    leading: Option<Leading>,
    pressed: &'a mut Pressed,
    tap: &'a mut T,
}

impl<'a, T: Tap> Followed<'a, T> {
    /// Nothing is pushed.
    fn of_nothing(lag_s: f64, pressed: &'a mut Pressed, tap: &'a mut T) -> Self {
        Self { lag_s, area_mm2: 0.0, laying: None, leading: None, pressed, tap }
    }
}

/// What the lead is given of a move that lays filament.
#[derive(Debug, Clone, Copy)]
struct Leading {
    lead_s: f64,
    area_mm2: f64,
    /// Length of filament for each mm of path.
    share: f64,
    /// The acceleration at most, mm/s²; times lie on a grid: the slopes of the shortest ramps are not to be trusted further
    /// than the law goes.
    accel_mm_s2: f64,
    /// Ramps begin and end with an acceleration.
    is_even: bool,
}

impl Leading {
    /// What is pushed where so much is asked for; fills what that asks of the extruder but for its speed.
    #[inline(always)]
    fn pushed<const POWERS: usize>(&self, asked: &Flow<POWERS>, driven: &mut Driven) -> Flow<POWERS> {
        let slope = asked.slope();
        let ahead = slope.times(self.lead_s);
        // Other ramps begin and end without acceleration: there the lead makes no jump.
        if self.is_even {
            let jump_mm_s = smaller(ahead.most() / self.area_mm2, self.jump_limit_mm_s());
            driven.jump_mm_s = larger(jump_mm_s, driven.jump_mm_s);
        }
        let further = if Flow::<POWERS>::IS_STRAIGHT { slope.nothing() } else { ahead.slope() };
        let most_mm_s2 = slope.plus(&further).most() / self.area_mm2;
        let bound_mm_s2 = self.share * self.accel_mm_s2 + further.most() / self.area_mm2;
        driven.acceleration_mm_s2 = larger(smaller(most_mm_s2, bound_mm_s2), driven.acceleration_mm_s2);
        asked.plus(&ahead)
    }

    fn jump_limit_mm_s(&self) -> f64 {
        self.lead_s * self.share * self.accel_mm_s2
    }
}

impl Nozzle {
    #[inline(always)]
    fn follow_move<T: Tap>(&mut self, block: &Block, i: usize, spread_s: Option<f64>, mut of: Followed<'_, T>) {
        match &of.laying {
            Some(laying) => self.line.begin(laying),
            None => self.line.close(of.pressed),
        }
        let leads = of.laying.is_some() && self.lead_s > 0.0;
        let share = if leads { block.dir[E][i] } else { 0.0 };
        self.jump(share * block.v_start_mm_s[i], of.area_mm2, spread_s, block.line[i], of.pressed);
        of.leading = leads.then(|| Leading {
            lead_s: self.lead_s,
            area_mm2: of.area_mm2,
            share,
            accel_mm_s2: block.accel_mm_s2[i] * block.accel_peak_factor(),
            is_even: block.is_even(),
        });
        let (section_mm2, mut driven) = (of.area_mm2 * block.dir[E][i], Driven::default());
        if block.is_even() {
            for &Piece { seconds, start_mm_s, end_mm_s } in &block.pieces(i) {
                if seconds > 0.0 {
                    let asked = Straight::even(section_mm2 * start_mm_s, section_mm2 * end_mm_s, seconds);
                    self.follow_flow(&asked, &mut driven, &mut of);
                }
            }
        } else {
            block.each_ramp(i, |ramp| self.follow_ramp(ramp, section_mm2, &mut driven, &mut of));
        }
        self.seen_mm_s = share * block.v_end_mm_s[i];
        if self.lead_s > 0.0 {
            while of.pressed.driven.len() < i {
                of.pressed.driven.push(Driven::default());
            }
            of.pressed.driven.push(driven);
            of.pressed.driven_most = of.pressed.driven_most.or_more(&driven);
        }
    }

    /// Follows a piece of a move that pushes so much for each mm, mm².
    fn follow_ramp<T: Tap>(
        &mut self,
        ramp: &RampPiece,
        section_mm2: f64,
        driven: &mut Driven,
        of: &mut Followed<'_, T>,
    ) {
        let factors = ramp.speed.map(|factor| section_mm2 * factor);
        if ramp.is_even() || section_mm2 == 0.0 {
            self.follow_flow(&Straight::of([factors[0], factors[1]], ramp.seconds), driven, of);
        } else {
            self.follow_flow(&Curved::of(factors, ramp.seconds), driven, of);
        }
    }

    /// Follows what a piece of a move asks for.
    #[inline(always)]
    fn follow_flow<const POWERS: usize, T: Tap>(
        &mut self,
        asked: &Flow<POWERS>,
        driven: &mut Driven,
        of: &mut Followed<'_, T>,
    ) {
        let Some(leading) = of.leading else {
            self.push([asked; 2], of);
            return;
        };
        let pushed = leading.pushed(asked, driven);
        let [most_mm3_s, added_mm3_s] = self.push([asked, &pushed], of);
        let bound_mm_s = (asked.most() + added_mm3_s) / of.area_mm2 + leading.jump_limit_mm_s();
        driven.speed_mm_s = larger(smaller(most_mm3_s / of.area_mm2, bound_mm_s), driven.speed_mm_s);
    }

    /// The speed of the filament that the lead sees jumps, mm/s.
    #[inline(always)]
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
        self.add_up_spreads();
    }

    #[inline(always)]
    fn add_up_spreads(&mut self) {
        self.spread_mm3_s = self.spreads.iter().map(|spread| spread.mm3_s).sum();
    }

    /// Takes in what is pushed while something is asked for, mm³/s; under a lead the largest magnitudes of what is pushed with
    /// what is added for jumps, and of that alone.
    #[inline(always)]
    fn push<const POWERS: usize, T: Tap>(
        &mut self,
        [asked, pushed]: [&Flow<POWERS>; 2],
        of: &mut Followed<'_, T>,
    ) -> [f64; 2] {
        let (mut from, mut most, mut most_added) = (0.0, 0.0f64, 0.0f64);
        while from < 1.0 {
            let until = self.border(asked, from, of.laying.as_ref());
            let whole = from == 0.0 && until == 1.0;
            let cut = |flow: &Flow<POWERS>| if whole { *flow } else { flow.part(from, until) };
            let (asked, added) = (cut(asked), self.spread_mm3_s);
            let pushed = cut(pushed).raised(added);
            if self.lead_s > 0.0 {
                most = larger(pushed.most(), most);
                most_added = larger(added.abs(), most_added);
            }
            let line = &mut self.line;
            self.room.take(
                &pushed,
                of.lag_s,
                #[inline(always)]
                |stretch| {
                    line.take(stretch, &asked, of.lag_s, of.laying.as_ref(), of.pressed);
                    of.tap.see(stretch);
                },
            );
            self.pass(pushed.seconds);
            from = until;
        }
        [most, most_added]
    }

    /// Lets time go by for what is spread: what began first is over first, since all take the same time.
    #[inline(always)]
    fn pass(&mut self, seconds: f64) {
        if self.spreads.is_empty() {
            return;
        }
        self.spreads.iter_mut().for_each(|spread| spread.left_s -= seconds);
        if self.spreads[0].left_s <= OVER_S {
            self.spreads.retain(|spread| spread.left_s > OVER_S);
            self.add_up_spreads();
        }
    }

    /// Up to where a piece goes on alike: a spread ends, or the start of a line.
    #[inline(always)]
    fn border<const POWERS: usize>(&self, asked: &Flow<POWERS>, from: f64, laying: Option<&Laying>) -> f64 {
        let mut until = 1.0f64;
        if let Some(first) = self.spreads.first() {
            until = smaller(from + first.left_s / asked.seconds, until);
        }
        if let Some(laying) = laying.filter(|_| self.line.start_left_mm > 0.0) {
            let rest = asked.part(from, 1.0);
            if let Some(s) = rest.reaches(self.line.start_left_mm * laying.section_mm2) {
                until = smaller(from + (1.0 - from) * s, until);
            }
        }
        // What rounding leaves over goes with the rest.
        if until > from { until } else { 1.0 }
    }
}

impl Line {
    #[inline(always)]
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

    #[inline(always)]
    fn close(&mut self, pressed: &mut Pressed) {
        if let Some(bulge) = self.bulge.take() {
            pressed.bulges.push(bulge);
        }
        self.open = false;
    }

    /// Takes what comes out over a stretch of a piece.
    #[inline(always)]
    fn take<const POWERS: usize>(
        &mut self,
        stretch: &Stretch<POWERS>,
        asked: &Flow<POWERS>,
        lag_s: f64,
        laying: Option<&Laying>,
        pressed: &mut Pressed,
    ) {
        let [from, until] = stretch.range;
        let asked = if [from, until] == [0.0, 1.0] { *asked } else { asked.part(from, until) };
        match laying {
            Some(laying) => {
                let asked_mm3 = asked.volume_to(1.0);
                let length_mm = asked_mm3 / laying.section_mm2;
                pressed.laid_mm.add(length_mm);
                if self.start_left_mm > 0.0 {
                    self.start(asked_mm3, laid_mm3(stretch), length_mm, pressed);
                }
                match &stretch.out {
                    Some(out) => {
                        widths(out, &asked, laying, pressed);
                        self.bulges(out, &asked, lag_s, pressed);
                    }
                    None => {
                        pressed.thin_mm.add(length_mm);
                        self.end_bulge(pressed);
                    }
                }
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

    #[inline(always)]
    fn bulges<const POWERS: usize>(
        &mut self,
        out: &Lagged<POWERS>,
        asked: &Flow<POWERS>,
        lag_s: f64,
        pressed: &mut Pressed,
    ) {
        let slack = ROUNDING * larger(asked.at(0.0), asked.at(1.0));
        out.each_side(
            asked,
            slack,
            #[inline(always)]
            |[from, until], above| {
                if !above {
                    return self.end_bulge(pressed);
                }
                // Most stretches begin where the piece does: nothing has flown there.
                let into = |s: f64| if s > 0.0 { out.flow.volume_to(s) - asked.volume_to(s) } else { 0.0 };
                let more_mm3 = (out.out(from) - out.out(until)) * lag_s + into(until) - into(from);
                self.swell(more_mm3);
            },
        );
    }

    #[inline(always)]
    fn swell(&mut self, more_mm3: f64) {
        if self.bulge.is_none() {
            self.bulge = self.last;
        }
        if let Some(bulge) = &mut self.bulge {
            bulge.volume_mm3 += more_mm3;
        }
    }

    #[inline(always)]
    fn end_bulge(&mut self, pressed: &mut Pressed) {
        pressed.bulges.extend(self.bulge.take());
    }
}

/// What comes out over a stretch, mm³.
fn laid_mm3<const POWERS: usize>(stretch: &Stretch<POWERS>) -> f64 {
    let [before, after] = stretch.volumes_mm3;
    stretch.out.map_or(0.0, |out| before - after + out.flow.volume_to(1.0))
}

/// Lengths on which the line is too wide or too thin. Most stay within both: that shows without looking where they do not.
#[inline(always)]
fn widths<const POWERS: usize>(out: &Lagged<POWERS>, asked: &Flow<POWERS>, laying: &Laying, pressed: &mut Pressed) {
    let ([out_low, out_high], [asked_low, asked_high]) = (out.bounds(), asked.bounds());
    if out_high >= asked_low * (1.0 + WIDTH_SLACK) {
        add_side(out, asked, (1.0 + WIDTH_SLACK, true), laying, &mut pressed.wide_mm);
    }
    if out_low <= asked_high * (1.0 - WIDTH_SLACK) {
        add_side(out, asked, (1.0 - WIDTH_SLACK, false), laying, &mut pressed.thin_mm);
    }
}

/// Adds the lengths on which more comes out than so many times what is asked for, or not more.
fn add_side<const POWERS: usize>(
    out: &Lagged<POWERS>,
    asked: &Flow<POWERS>,
    (factor, more): (f64, bool),
    laying: &Laying,
    sum: &mut Sum,
) {
    out.each_side(&asked.times(factor), 0.0, |[from, until], above| {
        if above == more {
            sum.add((asked.volume_to(until) - asked.volume_to(from)) / laying.section_mm2);
        }
    });
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

    /// What comes out by a quadrature, mm³.
    struct Out(f64);

    impl Tap for Out {
        fn see<const POWERS: usize>(&mut self, stretch: &Stretch<POWERS>) {
            self.0 += stretch.out.as_ref().map_or(0.0, quadrature);
        }
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]
        /// In = out + what is left, over whole jobs: in is what the job pushes, for a lead whose jumps are spread adds nothing from
        /// rest to rest; out is what a quadrature finds of the flow that comes out.
        #[test]
        fn no_job_loses_volume(job in job(), lead in 0usize..3) {
            let machine = lagging([0.0, 0.06, 0.3][lead], Some(0.01));
            let mut pressure = Pressure::new(&machine).expect("has a lag");
            let (area_mm2, mut pushed_mm3, mut out) = (pressure.laws[0].area_mm2, 0.0, Out(0.0));
            let mut melt = Melt::new(1.0);
            for mut block in plan(&machine, &job) {
                melt.follow(&mut block, area_mm2, &mut Scratch::new());
                pressure.follow_with(&mut block, &mut out);
                pushed_mm3 += (0..block.len()).map(|i| block.de_mm[i] * area_mm2).sum::<f64>();
            }
            let mut nozzle = pressure.nozzles.values().next().cloned().unwrap_or_default();
            // What still is to be spread comes while the machine stands.
            let nothing = Straight::even(0.0, 0.0, 0.05);
            nozzle.jump(0.0, area_mm2, Some(0.01), 0, &mut Pressed::default());
            nozzle.push([&nothing; 2], &mut Followed::of_nothing(0.08, &mut Pressed::default(), &mut out));
            let (Out(out_mm3), left_mm3) = (out, nozzle.room.volume_mm3);
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
