//! A second reader and planner, as slow and as plain as the model allows, against ours on random jobs.
//!
//! Straight from the model: each move from w₀ to w₁ (squared speeds) with one acceleration; look-ahead evaluated window
//! by window, so O(moves × window); f64 throughout, no grid. Only data types and the machine are shared.

use std::f64::consts::{PI, TAU};

use gonogo::geometry::Box3;
use gonogo::machine::{CornerRule, ExtrusionMode, Limits, LookAhead, Machine};

use crate::random_jobs::{Dice, random_job, random_machine};
use crate::support::{column, judge, plan};

/// Shorter than this is rounding, mm: part of the model.
const NO_MOVE_MM: f64 = 1e-9;
/// Directions closer than this are the same: part of the model.
const SAME_DIRECTION: f64 = 1e-9;

/// A move with its caps.
#[derive(Debug, Clone)]
pub struct Step {
    pub line: u64,
    pub path: bool,
    pub from: [f64; 3],
    pub to: [f64; 3],
    pub de: f64,
    pub length: f64,
    /// Direction and dE per length at its start and end.
    pub start: [f64; 4],
    pub end: [f64; 4],
    pub speed: f64,
    pub accel: f64,
    pub limits: Limits,
    /// Points inside where an axis is extreme.
    pub inner: Vec<[f64; 3]>,
}

/// What a job is made of.
#[derive(Debug, Clone)]
pub enum Item {
    Step(Box<Step>),
    Stop { seconds: f64, home: Option<[f64; 3]> },
}

/// The state of a job while it is read.
pub struct Reading {
    pub position: [f64; 3],
    pub g92: [f64; 3],
    pub e: f64,
    pub absolute: bool,
    pub e_absolute: bool,
    pub unit_mm: f64,
    pub plane: [usize; 3],
    /// 1 straight, 2 clockwise, 3 counter-clockwise.
    pub mode: Option<u32>,
    pub items: Vec<Item>,
    latest_word: bool,
    home: [f64; 3],
    dwell_p_s: f64,
    feed: f64,
    speed_factor: f64,
    flow_factor: f64,
    limits: Limits,
    line: u64,
}

struct Shape {
    length: f64,
    start: [f64; 3],
    end: [f64; 3],
    largest: [f64; 3],
    /// v² ≤ a × this.
    turning: f64,
    inner: Vec<[f64; 3]>,
}

type Parsed = Vec<(char, Option<f64>)>;

fn words(text: &str) -> Parsed {
    let code: Vec<char> = text.split(';').next().unwrap_or("").chars().filter(|c| !c.is_whitespace()).collect();
    let mut words = Vec::new();
    let mut at = 0;
    while at < code.len() {
        let letter = code[at].to_ascii_uppercase();
        let digits: String = code[at + 1..].iter().take_while(|c| "+-.0123456789".contains(**c)).collect();
        at += 1 + digits.len();
        words.push((letter, digits.parse().ok()));
    }
    words
}

fn find(words: &Parsed, letter: char) -> Option<f64> {
    words.iter().find(|word| word.0 == letter).and_then(|word| word.1)
}

impl Reading {
    pub fn new(machine: &Machine) -> Self {
        Self {
            position: [0.0; 3],
            g92: [0.0; 3],
            e: 0.0,
            absolute: true,
            e_absolute: true,
            unit_mm: 1.0,
            plane: [0, 1, 2],
            mode: None,
            items: Vec::new(),
            latest_word: machine.controller.extrusion_mode == ExtrusionMode::LatestWord,
            home: machine.travel.home,
            dwell_p_s: machine.controller.dwell_p_s,
            feed: machine.controller.default_feed_rate_mm_s,
            speed_factor: 1.0,
            flow_factor: 1.0,
            limits: machine.motion.limits,
            line: 0,
        }
    }

    pub fn line(&mut self, text: &str) {
        self.line += 1;
        let words = words(text);
        let mut act = None;
        for &(letter, value) in &words {
            let code = value.unwrap_or(-1.0) as i32;
            match (letter, code) {
                ('G', 90) => (self.absolute, self.e_absolute) = (true, self.e_absolute || self.latest_word),
                ('G', 91) => (self.absolute, self.e_absolute) = (false, self.e_absolute && !self.latest_word),
                ('M', 82) => self.e_absolute = true,
                ('M', 83) => self.e_absolute = false,
                ('G', 20) => self.unit_mm = 25.4,
                ('G', 21) => self.unit_mm = 1.0,
                ('G', 17) => self.plane = [0, 1, 2],
                ('G', 18) => self.plane = [2, 0, 1],
                ('G', 19) => self.plane = [1, 2, 0],
                ('G' | 'M', _) => act = Some((letter, code)),
                _ => {}
            }
        }
        match act {
            Some(('G', 0..=3)) => {
                self.mode = act.map(|(_, code)| code.max(1) as u32);
                self.motion(&words);
            }
            Some((letter, code)) => self.other(letter, code, &words),
            None if "XYZEIJKR".chars().any(|letter| find(&words, letter).is_some()) => self.motion(&words),
            None => self.take_feed(&words),
        }
    }

    fn other(&mut self, letter: char, code: i32, words: &Parsed) {
        let get = |letter| find(words, letter);
        let set = |old: &mut f64, new: Option<f64>| *old = new.unwrap_or(*old);
        let axes = ['X', 'Y', 'Z', 'E'];
        match (letter, code) {
            ('G', 4) => self.stop(get('S').or(get('P').map(|p| p * self.dwell_p_s)).unwrap_or(0.0), None),
            ('G', 28) => {
                let named = |axis: usize| words.iter().any(|word| word.0 == axes[axis]);
                let all = !(0..3).any(named);
                (0..3).filter(|&axis| all || named(axis)).for_each(|axis| {
                    (self.position[axis], self.g92[axis]) = (self.home[axis], 0.0);
                });
                self.stop(0.0, Some(self.position));
            }
            ('G', 92) => {
                let all = axes.iter().all(|&letter| get(letter).is_none());
                for (axis, &letter) in axes[..3].iter().enumerate() {
                    if let Some(value) = get(letter).or(all.then_some(0.0)) {
                        self.g92[axis] = self.position[axis] - value * self.unit_mm;
                    }
                }
                self.e = get('E').or(all.then_some(0.0)).map_or(self.e, |value| value * self.unit_mm);
            }
            ('G', 29 | 30 | 80) | ('M', 0 | 1 | 25 | 109 | 190 | 191 | 400 | 600) => self.stop(0.0, None),
            ('M', 201) => (0..4).for_each(|i| set(&mut self.limits.acceleration_mm_s2[i], get(axes[i]))),
            ('M', 203) => (0..4).for_each(|i| set(&mut self.limits.feed_rate_mm_s[i], get(axes[i]))),
            ('M', 204) => {
                set(&mut self.limits.printing_mm_s2, get('P').or(get('S')));
                set(&mut self.limits.travel_mm_s2, get('T').or(get('S')));
                set(&mut self.limits.retraction_mm_s2, get('R'));
            }
            ('M', 205) => {
                (0..4).for_each(|i| set(&mut self.limits.jerk_mm_s[i], get(axes[i])));
                set(&mut self.limits.junction_deviation_mm, get('J'));
            }
            ('M', 220) => self.speed_factor = get('S').map_or(self.speed_factor, |s| s / 100.0),
            ('M', 221) => self.flow_factor = get('S').map_or(self.flow_factor, |s| s / 100.0),
            _ => {}
        }
    }

    fn stop(&mut self, seconds: f64, home: Option<[f64; 3]>) {
        self.items.push(Item::Stop { seconds, home });
    }

    fn take_feed(&mut self, words: &Parsed) {
        if let Some(feed) = find(words, 'F').filter(|&feed| feed > 0.0) {
            self.feed = feed * self.unit_mm / 60.0;
        }
    }

    fn motion(&mut self, words: &Parsed) {
        self.take_feed(words);
        let Some(mode) = self.mode else { return };
        let from = self.position;
        let mut to = from;
        for (axis, letter) in ['X', 'Y', 'Z'].into_iter().enumerate() {
            if let Some(value) = find(words, letter) {
                let target = value * self.unit_mm + if self.absolute { self.g92[axis] } else { from[axis] };
                if (target - from[axis]).abs() >= NO_MOVE_MM {
                    to[axis] = target;
                }
            }
        }
        let shape = if mode == 1 {
            straight(from, to)
        } else {
            match self.centre(words, from, to, mode == 3) {
                Some(centre) => arc(self.plane, centre, from, to, mode == 3),
                None => return,
            }
        };
        let mut de = 0.0;
        if let Some(value) = find(words, 'E') {
            let value = value * self.unit_mm;
            let length = if self.e_absolute { value - self.e } else { value };
            self.e = if self.e_absolute { value } else { self.e + value };
            de = length * self.flow_factor;
        }
        self.position = to;
        self.step(shape, from, to, if de.abs() < NO_MOVE_MM { 0.0 } else { de });
    }

    /// By I J K; by R as the one of the two possible centres that turns less than half (R > 0) or more (R < 0).
    fn centre(&self, words: &Parsed, from: [f64; 3], to: [f64; 3], left: bool) -> Option<[f64; 2]> {
        let [a, b, _] = self.plane;
        let Some(radius) = find(words, 'R') else {
            let letters = ['I', 'J', 'K'];
            let offsets = [find(words, letters[a]), find(words, letters[b])];
            let centre = [0, 1].map(|i| from[[a, b][i]] + offsets[i].unwrap_or(0.0) * self.unit_mm);
            return offsets.iter().any(Option::is_some).then_some(centre);
        };
        let radius = radius * self.unit_mm;
        let (dx, dy) = (to[a] - from[a], to[b] - from[b]);
        let chord = (dx * dx + dy * dy).sqrt();
        let height = (radius * radius - chord * chord / 4.0).max(0.0).sqrt();
        let middle = [from[a] + dx / 2.0, from[b] + dy / 2.0];
        [1.0, -1.0]
            .map(|side| [middle[0] - side * height * dy / chord, middle[1] + side * height * dx / chord])
            .into_iter()
            .find(|&centre| (sweep([from[a], from[b]], [to[a], to[b]], centre, left).abs() <= PI) == (radius > 0.0))
    }

    fn step(&mut self, shape: Shape, from: [f64; 3], to: [f64; 3], de: f64) {
        let path = shape.length > 0.0;
        if !path && de == 0.0 {
            return;
        }
        let limits = self.limits;
        let length = if path { shape.length } else { de.abs() };
        let with_e = |d: [f64; 3], e: f64| [d[0], d[1], d[2], e];
        let largest = with_e(shape.largest, (de / length).abs());
        let most = |limits: [f64; 4]| {
            (0..4).filter(|&i| largest[i] > 0.0).map(|i| limits[i] / largest[i]).fold(f64::INFINITY, f64::min)
        };
        let class = match (path, de != 0.0) {
            (false, _) => limits.retraction_mm_s2,
            (true, true) => limits.printing_mm_s2,
            (true, false) => limits.travel_mm_s2,
        };
        let accel = class.min(most(limits.acceleration_mm_s2));
        let speed =
            (self.feed * self.speed_factor).min(most(limits.feed_rate_mm_s)).min((accel * shape.turning).sqrt());
        let (start, end) = (with_e(shape.start, de / length), with_e(shape.end, de / length));
        let line = self.line;
        let inner = shape.inner;
        let step = Step { line, path, from, to, de, length, start, end, speed, accel, limits, inner };
        self.items.push(Item::Step(Box::new(step)));
    }
}

fn straight(from: [f64; 3], to: [f64; 3]) -> Shape {
    let d = [0, 1, 2].map(|i| to[i] - from[i]);
    let length = d[0].hypot(d[1]).hypot(d[2]);
    let u = if length > 0.0 { d.map(|x| x / length) } else { [0.0; 3] };
    Shape { length, start: u, end: u, largest: u.map(f64::abs), turning: f64::INFINITY, inner: Vec::new() }
}

/// Signed angle from one point to the other around the centre; a full turn where they are the same.
fn sweep(from: [f64; 2], to: [f64; 2], centre: [f64; 2], left: bool) -> f64 {
    if (0..2).all(|i| (from[i] - to[i]).abs() < NO_MOVE_MM) {
        return if left { TAU } else { -TAU };
    }
    let angle = |p: [f64; 2]| (p[1] - centre[1]).atan2(p[0] - centre[0]);
    let turn = (angle(to) - angle(from)).rem_euclid(TAU);
    if left { turn } else { turn - TAU }
}

fn arc([a, b, c]: [usize; 3], centre: [f64; 2], from: [f64; 3], to: [f64; 3], left: bool) -> Shape {
    let radius = ((from[a] - centre[0]).powi(2) + (from[b] - centre[1]).powi(2)).sqrt();
    let angle = (from[b] - centre[1]).atan2(from[a] - centre[0]);
    let turn = sweep([from[a], from[b]], [to[a], to[b]], centre, left);
    let (flat, rise) = (radius * turn.abs(), to[c] - from[c]);
    let length = (flat * flat + rise * rise).sqrt();
    // Position and direction at a share of the sweep.
    let at = |share: f64| {
        let (sin, cos) = (angle + share * turn).sin_cos();
        let mut point = [0.0; 3];
        (point[a], point[b], point[c]) = (centre[0] + radius * cos, centre[1] + radius * sin, from[c] + share * rise);
        let mut u = [0.0; 3];
        (u[a], u[b], u[c]) = (-sin * radius * turn / length, cos * radius * turn / length, rise / length);
        (point, u)
    };
    let (start, end) = (at(0.0).1, at(1.0).1);
    let mut largest = [0, 1, 2].map(|i| start[i].abs().max(end[i].abs()));
    let mut inner = Vec::new();
    for quarter in -12..=12 {
        let share = (f64::from(quarter) * PI / 2.0 - angle) / turn;
        if share > 0.0 && share < 1.0 {
            let (point, u) = at(share);
            inner.push(point);
            largest = [0, 1, 2].map(|i| largest[i].max(u[i].abs()));
        }
    }
    Shape { length, start, end, largest, turning: radius * (length / flat).powi(2), inner }
}

/// Squared speed from or to rest in a direction.
fn rest(step: &Step, u: [f64; 4]) -> f64 {
    if step.limits.corner == CornerRule::JunctionDeviation {
        return 0.0;
    }
    let allowed = |i: usize| step.limits.jerk_mm_s[i] / u[i].abs();
    let v = (0..4).filter(|&i| u[i].abs() > SAME_DIRECTION).map(allowed).fold(step.speed, f64::min);
    v * v
}

/// Squared speed through the corner between two moves.
fn corner(p: &Step, q: &Step) -> f64 {
    let v = p.speed.min(q.speed);
    let opposed = |i: usize| q.limits.corner == CornerRule::JerkByLargerSpeed && q.start[i] * p.end[i] < 0.0;
    let step = |i: usize| match opposed(i) {
        true => q.start[i].abs().max(p.end[i].abs()),
        false => (q.start[i] - p.end[i]).abs(),
    };
    if q.limits.corner != CornerRule::JunctionDeviation {
        let jerk = |i: usize| p.limits.jerk_mm_s[i].min(q.limits.jerk_mm_s[i]);
        let v = (0..4).filter(|&i| step(i) > SAME_DIRECTION).map(|i| jerk(i) / step(i)).fold(v, f64::min);
        return v * v;
    }
    match (p.path, q.path) {
        (false, false) if p.de * q.de > 0.0 => return v * v,
        (true, true) => {}
        _ => return 0.0,
    }
    let (u, w) = (p.end, q.start);
    let cross = [u[1] * w[2] - u[2] * w[1], u[2] * w[0] - u[0] * w[2], u[0] * w[1] - u[1] * w[0]];
    let dot = u[0] * w[0] + u[1] * w[1] + u[2] * w[2];
    let turn = cross[0].hypot(cross[1]).hypot(cross[2]).atan2(dot);
    if turn < SAME_DIRECTION {
        return v * v;
    }
    // Half the inner angle is (π − turn) / 2, and 1 − cos(turn / 2) = 2 sin²(turn / 4).
    let s = ((PI - turn) / 2.0).sin();
    let deviation = p.accel.min(q.accel) * q.limits.junction_deviation_mm * s / (2.0 * (turn / 4.0).sin().powi(2));
    (v * v).min(deviation)
}

/// The caps of the n + 1 junctions of a run of n moves, rest at both ends, (mm/s)².
pub fn junction_caps(run: &[Step]) -> Vec<f64> {
    let mut caps = vec![rest(&run[0], run[0].start)];
    caps.extend(run.windows(2).map(|pair| corner(&pair[0], &pair[1])));
    caps.push(rest(&run[run.len() - 1], run[run.len() - 1].end));
    caps
}

/// A planned move.
#[derive(Debug, Clone)]
pub struct BlockInFlight {
    pub step: Step,
    pub w_start: f64,
    pub w_end: f64,
    pub v_peak_mm_s: f64,
    pub time_s: f64,
    /// Moves in its run.
    pub run: usize,
}

impl BlockInFlight {
    /// Most that our squared speeds can be below the exact ones.
    fn grid(&self) -> f64 {
        GRID * (self.run + 1) as f64
    }

    /// What one step of the grid at each end costs in time: v / a less √(w − step) / a. It matters below 1 mm/s only;
    /// rest (w = 0) is exact.
    pub fn grid_time_s(&self) -> f64 {
        [self.w_start, self.w_end].map(|w| (w.sqrt() - (w - GRID).max(0.0).sqrt()) / self.step.accel).iter().sum()
    }
}

fn plan_run(run: &[Step], window: usize, out: &mut Vec<BlockInFlight>) {
    let n = run.len();
    if n == 0 {
        return;
    }
    let caps = junction_caps(run);
    let gain = |k: usize| 2.0 * run[k].accel * run[k].length;
    // Squared speed at the start of move `first` from which the machine can stop at the end of move `last`.
    let can_stop = |first: usize, last: usize| {
        let mut w = if last == n - 1 { caps[n] } else { 0.0 };
        for k in (first..=last).rev() {
            w = caps[k].min(w + gain(k));
        }
        w
    };
    let last_known = |k: usize| k.saturating_add(window - 1).min(n - 1);
    let mut w = can_stop(0, last_known(0));
    for (k, step) in run.iter().enumerate() {
        let w_end = can_stop(k + 1, last_known(k)).min(w + gain(k));
        out.push(trapezoid(step, w, w_end, n));
        w = w_end;
    }
}

fn trapezoid(step: &Step, w_start: f64, w_end: f64, run: usize) -> BlockInFlight {
    let (v, a, length) = (step.speed, step.accel, step.length);
    let w_peak = (v * v).min((w_start + w_end) / 2.0 + a * length);
    let v_peak_mm_s = w_peak.sqrt();
    let ramps = (2.0 * w_peak - w_start - w_end) / (2.0 * a);
    let time_s = (2.0 * v_peak_mm_s - w_start.sqrt() - w_end.sqrt()) / a + (length - ramps).max(0.0) / v_peak_mm_s;
    BlockInFlight { step: step.clone(), w_start, w_end, v_peak_mm_s, time_s, run }
}

/// Moves of each run between two stops.
pub fn runs(items: &[Item]) -> Vec<Vec<Step>> {
    let mut runs = vec![Vec::new()];
    for item in items {
        match (item, runs.last_mut()) {
            (Item::Step(step), Some(run)) => run.push((**step).clone()),
            _ => runs.push(Vec::new()),
        }
    }
    runs.retain(|run| !run.is_empty());
    runs
}

/// Reads a job.
pub fn read(machine: &Machine, job: &str) -> Vec<Item> {
    let mut reading = Reading::new(machine);
    job.lines().for_each(|line| reading.line(line));
    reading.items
}

/// Plans a job that was read.
pub fn plan_slowly(machine: &Machine, items: &[Item]) -> Vec<BlockInFlight> {
    let window = match machine.motion.look_ahead {
        LookAhead::Moves(count) => count as usize,
        LookAhead::Unlimited => usize::MAX,
    };
    let mut planned = Vec::new();
    runs(items).iter().for_each(|run| plan_run(run, window, &mut planned));
    planned
}

fn widen(extent: &mut Option<Box3>, point: [f64; 3]) {
    let extent = extent.get_or_insert(Box3 { min: point, max: point });
    extent.min = [0, 1, 2].map(|i| extent.min[i].min(point[i]));
    extent.max = [0, 1, 2].map(|i| extent.max[i].max(point[i]));
}

/// Reached and extruding extents.
fn extents(items: &[Item]) -> [Option<Box3>; 2] {
    let (mut reached, mut extruding) = (None, None);
    for item in items {
        match item {
            Item::Step(step) if step.path => {
                widen(&mut reached, step.to);
                step.inner.iter().for_each(|&point| widen(&mut reached, point));
                if step.de > 0.0 {
                    let points = [step.from, step.to];
                    points.iter().chain(&step.inner).for_each(|&point| widen(&mut extruding, point));
                }
            }
            Item::Stop { home: Some(position), .. } => widen(&mut reached, *position),
            _ => {}
        }
    }
    [reached, extruding]
}

/// Relative tolerance on totals: what the model promises.
const TOTALS: f64 = 1e-6;
/// The grid of our squared speeds, (mm/s)². Each cap and each gain 2 a L is rounded down by less than this, so a squared
/// speed, a minimum over sums of at most all gains of its run, is low by less than (moves of the run + 1) of these.
pub const GRID: f64 = 1.0 / 1_048_576.0;
/// Relative tolerance on squared speeds besides: rounding of directions at corners of 1e-5 rad.
const SQUARES: f64 = 1e-8;

#[track_caller]
fn near(what: &str, seed: u64, actual: f64, expected: f64, absolute: f64) {
    let tolerance = TOTALS * expected.abs() + absolute;
    assert!((actual - expected).abs() <= tolerance, "seed {seed}: {what} {actual}, slowly {expected}");
}

fn same_box(seed: u64, actual: Option<Box3>, expected: Option<Box3>) {
    let same = match (actual, expected) {
        (Some(a), Some(b)) => (0..3).all(|i| (a.min[i] - b.min[i]).abs() < 1e-9 && (a.max[i] - b.max[i]).abs() < 1e-9),
        (None, None) => true,
        _ => false,
    };
    assert!(same, "seed {seed}: extent {actual:?}, slowly {expected:?}");
}

fn compare_moves(seed: u64, machine: &Machine, job: &str, slow: &[BlockInFlight]) {
    let blocks = plan(machine, job);
    let lines: Vec<u64> = blocks.iter().flat_map(|b| b.line[..b.len()].iter().copied()).collect();
    let expected: Vec<u64> = slow.iter().map(|move_| move_.step.line).collect();
    assert_eq!(lines, expected, "seed {seed}: lines that move");
    let speeds =
        [column(&blocks, |b| &b.v_start_mm_s), column(&blocks, |b| &b.v_end_mm_s), column(&blocks, |b| &b.v_peak_mm_s)];
    let lengths = column(&blocks, |b| &b.length_mm);
    for (k, planned) in slow.iter().enumerate() {
        let line = planned.step.line;
        let low = planned.grid();
        for (v, w) in [
            (speeds[0][k], planned.w_start),
            (speeds[1][k], planned.w_end),
            (speeds[2][k], planned.v_peak_mm_s.powi(2)),
        ] {
            assert!((v * v - w).abs() <= low + SQUARES * w, "seed {seed} line {line}: {v} mm/s, slowly {}", w.sqrt());
        }
        assert!((lengths[k] - planned.step.length).abs() <= 1e-9 * (1.0 + lengths[k]), "seed {seed} line {line}");
    }
}

fn compare_totals(seed: u64, machine: &Machine, job: &str, items: &[Item], slow: &[BlockInFlight]) {
    let report = judge(machine, job);
    let sum = |of: &dyn Fn(&BlockInFlight) -> Option<f64>| slow.iter().filter_map(of).sum::<f64>();
    let area = PI / 4.0 * machine.tools[0].filament_diameter_mm.powi(2);
    let extrudes = |p: &BlockInFlight| p.step.path && p.step.de > 0.0;
    let extruding = sum(&|p| extrudes(p).then_some(p.time_s));
    let dwell: f64 = items.iter().map(|item| if let Item::Stop { seconds, .. } = item { *seconds } else { 0.0 }).sum();
    let all = sum(&|p| Some(p.time_s));
    // A category may be a few short moves; its error is held against the time of all moves.
    let grid = sum(&|p| Some(p.grid_time_s()));
    let slack = TOTALS * all + grid;
    near("time", seed, report.time_s.total(), all + dwell, grid);
    near("extruding", seed, report.time_s.extruding, extruding, slack);
    near("travel", seed, report.time_s.travel, sum(&|p| (p.step.path && !extrudes(p)).then_some(p.time_s)), slack);
    near("extrude-only", seed, report.time_s.extrude_only, sum(&|p| (!p.step.path).then_some(p.time_s)), slack);
    near("dwell", seed, report.time_s.dwell, dwell, 1e-9);
    let flow = |p: &BlockInFlight| area * p.step.de / p.step.length * p.v_peak_mm_s;
    let fastest = slow.iter().filter(|p| extrudes(p)).max_by(|p, q| flow(p).total_cmp(&flow(q)));
    let peak = fastest.map_or(0.0, flow);
    // The grid under a slow peak: dv = dw / 2v.
    near(
        "peak flow",
        seed,
        report.flow.peak_mm3_s,
        peak,
        fastest.map_or(0.0, |p| peak * p.grid() / (2.0 * p.v_peak_mm_s.powi(2))),
    );
    let volume = area * sum(&|p| extrudes(p).then_some(p.step.de));
    assert_eq!(report.flow.mean_mm3_s.is_some(), extruding > 0.0, "seed {seed}");
    if let Some(mean) = report.flow.mean_mm3_s {
        near("mean flow", seed, mean, volume / extruding, volume / extruding * grid / extruding);
    }
    near("net", seed, report.filament.net_mm, sum(&|p| Some(p.step.de)), 1e-7);
    near("pushed", seed, report.filament.pushed_mm, sum(&|p| Some(p.step.de.max(0.0))), 1e-7);
    let [reached, printed] = extents(items);
    same_box(seed, report.reached, reached);
    same_box(seed, report.extruding, printed);
}

fn compare(seed: u64) -> usize {
    let mut dice = Dice::new(seed);
    let machine = random_machine(&mut dice);
    // Every twentieth job is longer than a block.
    let lines = if seed.is_multiple_of(20) { 1000 } else { 20 + (seed % 150) as usize };
    let job = random_job(&machine, &mut dice, lines);
    let items = read(&machine, &job);
    let slow = plan_slowly(&machine, &items);
    compare_moves(seed, &machine, &job, &slow);
    compare_totals(seed, &machine, &job, &items, &slow);
    slow.len()
}

#[test]
fn agrees_on_random_jobs() {
    let moves: usize = (0..800).map(compare).sum();
    assert!(moves > 80_000, "the jobs hardly move: {moves}");
}
