//! The pieces jobs are made of: outlines, fillings, purge lines, retractions, arcs, layers.

use std::f64::consts::{PI, TAU};

/// A place in the plane, mm.
pub type Point = [f64; 2];

/// Cross-section of 1.75 mm filament, mm².
pub const FILAMENT_MM2: f64 = PI / 4.0 * 1.75 * 1.75;

/// How filament is pulled back before a long travel.
#[derive(Clone, Copy, PartialEq)]
pub enum Retraction {
    /// Not at all.
    Never,
    /// By E words: length, mm, and speed, mm/s.
    Words(f64, f64),
    /// By G10 and G11.
    Controller,
}

/// How a job is written.
#[derive(Clone, Copy)]
pub struct Style {
    /// E words are absolute.
    pub absolute_e: bool,
    /// Width of a line, mm.
    pub width_mm: f64,
    /// Height of a layer, mm.
    pub height_mm: f64,
    /// Speeds of outlines, fillings and travels, mm/s.
    pub outline_mm_s: f64,
    pub fill_mm_s: f64,
    pub travel_mm_s: f64,
    pub z_mm_s: f64,
    pub retraction: Retraction,
}

/// What was written, counted from the rounded words.
#[derive(Clone, Copy)]
pub struct Tally {
    /// Length of extruding path, mm.
    pub extruding_mm: f64,
    /// Net filament, mm.
    pub net_mm: f64,
    /// Corners of the box around extruding moves (straight ones), mm.
    pub min: [f64; 3],
    pub max: [f64; 3],
    /// Layers begun.
    pub layers: u32,
}

/// Writes a job line by line and keeps count.
pub struct Writer {
    pub text: String,
    pub style: Style,
    pub tally: Tally,
    /// Comment for the end of the next move.
    pub remark: &'static str,
    at: [f64; 3],
    /// Absolute E, in 0.00001 mm.
    e: i64,
    feed: i64,
    retracted: bool,
}

/// Appends a number with so many decimals.
pub fn fixed(text: &mut String, value: f64, decimals: u32) {
    let scale = 10i64.pow(decimals);
    let scaled = (value * scale as f64).round() as i64;
    if scaled < 0 {
        text.push('-');
    }
    let digits = [scaled.unsigned_abs() / scale.unsigned_abs(), scaled.unsigned_abs() % scale.unsigned_abs()];
    whole(text, digits[0], 1);
    if decimals > 0 {
        text.push('.');
        whole(text, digits[1], decimals as usize);
    }
}

fn whole(text: &mut String, mut value: u64, least: usize) {
    let mut digits = [b'0'; 20];
    let mut start = digits.len();
    while value > 0 || digits.len() - start < least {
        start -= 1;
        digits[start] = b'0' + (value % 10) as u8;
        value /= 10;
    }
    text.extend(digits[start..].iter().map(|&digit| char::from(digit)));
}

/// A coordinate as it is written, mm.
fn rounded(value: f64) -> f64 {
    (value * 1000.0).round() / 1000.0
}

impl Writer {
    pub fn new(style: Style) -> Self {
        let tally = Tally { extruding_mm: 0.0, net_mm: 0.0, min: [f64::MAX; 3], max: [f64::MIN; 3], layers: 0 };
        Self { text: String::new(), style, tally, remark: "", at: [0.0; 3], e: 0, feed: 0, retracted: false }
    }

    /// Lines as they stand.
    pub fn lines(&mut self, lines: &str) {
        self.text.push_str(lines);
        self.text.push('\n');
    }

    /// The machine stands here now (after homing, or by lines written by hand); the next move says its feed rate.
    pub fn stands_at(&mut self, at: [f64; 3]) {
        self.at = at;
        self.feed = 0;
    }

    /// Number of the line that is written next.
    pub fn next_line(&self) -> usize {
        self.text.lines().count() + 1
    }

    /// `G92 E0` in jobs with absolute E words.
    pub fn restart_e(&mut self) {
        if self.style.absolute_e {
            self.lines("G92 E0");
            self.e = 0;
        }
    }

    fn word(&mut self, letter: char, value: f64) {
        self.text.push(' ');
        self.text.push(letter);
        fixed(&mut self.text, value, 3);
    }

    fn place(&mut self, to: Point) {
        self.word('X', to[0]);
        self.word('Y', to[1]);
    }

    /// The E word for a length of filament; what was written is counted.
    fn filament(&mut self, length_mm: f64) {
        let units = (length_mm * 1e5).round() as i64;
        self.e += units;
        self.tally.net_mm += units as f64 / 1e5;
        self.text.push_str(" E");
        let value = if self.style.absolute_e { self.e } else { units };
        fixed(&mut self.text, value as f64 / 1e5, 5);
    }

    /// Ends a line; F is written where it changes.
    fn end(&mut self, feed_mm_s: f64) {
        let feed = (feed_mm_s * 60.0).round() as i64;
        if feed != self.feed {
            self.feed = feed;
            self.text.push_str(" F");
            fixed(&mut self.text, feed as f64, 0);
        }
        match std::mem::take(&mut self.remark) {
            "" => {}
            remark => self.text.extend([" ; ", remark]),
        }
        self.text.push('\n');
    }

    /// Lifts or lowers the nozzle.
    pub fn height(&mut self, z: f64) {
        self.text.push_str("G1");
        self.word('Z', z);
        self.end(self.style.z_mm_s);
        self.at[2] = rounded(z);
    }

    /// Travels, retracted where it is far.
    pub fn travel(&mut self, to: Point) {
        let far = (to[0] - self.at[0]).hypot(to[1] - self.at[1]) > 2.0;
        if far {
            self.retract();
        }
        self.text.push_str("G0");
        self.place(to);
        self.end(self.style.travel_mm_s);
        self.at = [rounded(to[0]), rounded(to[1]), self.at[2]];
        self.recover();
    }

    pub fn retract(&mut self) {
        if std::mem::replace(&mut self.retracted, true) {
            return;
        }
        match self.style.retraction {
            Retraction::Never => self.retracted = false,
            Retraction::Words(length_mm, speed_mm_s) => self.push(-length_mm, speed_mm_s),
            Retraction::Controller => self.lines("G10"),
        }
    }

    pub fn recover(&mut self) {
        if !std::mem::replace(&mut self.retracted, false) {
            return;
        }
        match self.style.retraction {
            Retraction::Never => {}
            Retraction::Words(length_mm, speed_mm_s) => self.push(length_mm, speed_mm_s),
            Retraction::Controller => self.lines("G11"),
        }
    }

    /// Filament alone.
    pub fn push(&mut self, length_mm: f64, speed_mm_s: f64) {
        self.text.push_str("G1");
        self.filament(length_mm);
        self.end(speed_mm_s);
    }

    /// Lays a straight line of the style's width and height.
    pub fn lay(&mut self, to: Point, feed_mm_s: f64) {
        let to = to.map(rounded);
        let length = (to[0] - self.at[0]).hypot(to[1] - self.at[1]);
        self.text.push_str("G1");
        self.place(to);
        self.filament(length * self.style.width_mm * self.style.height_mm / FILAMENT_MM2);
        self.end(feed_mm_s);
        self.arrive(to, length);
    }

    fn arrive(&mut self, to: Point, length_mm: f64) {
        let next = [to[0], to[1], self.at[2]];
        for place in [self.at, next] {
            for (axis, at) in place.into_iter().enumerate() {
                self.tally.min[axis] = self.tally.min[axis].min(at);
                self.tally.max[axis] = self.tally.max[axis].max(at);
            }
        }
        self.tally.extruding_mm += length_mm;
        self.at = next;
    }

    /// Lays a whole circle around `centre`, from where the nozzle stands, as one arc; its box is not counted.
    pub fn circle(&mut self, counter_clockwise: bool, centre: Point, feed_mm_s: f64) {
        let [i, j] = [centre[0] - self.at[0], centre[1] - self.at[1]];
        let length = TAU * i.hypot(j);
        self.text.push_str(if counter_clockwise { "G3" } else { "G2" });
        self.place([self.at[0], self.at[1]]);
        self.word('I', i);
        self.word('J', j);
        self.filament(length * self.style.width_mm * self.style.height_mm / FILAMENT_MM2);
        self.end(feed_mm_s);
        self.tally.extruding_mm += length;
    }

    /// A closed loop.
    pub fn outline(&mut self, corners: &[Point]) {
        let Some(&first) = corners.first() else { return };
        self.travel(first);
        for &corner in corners[1..].iter().chain([&first]) {
            self.lay(corner, self.style.outline_mm_s);
        }
    }

    /// Lines to and fro in a rectangle, along x or along y.
    pub fn fill(&mut self, low: Point, high: Point, pitch_mm: f64, along_y: bool) {
        let (across, along) = if along_y { (0, 1) } else { (1, 0) };
        let count = ((high[across] - low[across]) / pitch_mm).floor() as u32;
        for n in 0..=count {
            let mut ends = [low, high];
            for end in &mut ends {
                end[across] = low[across] + f64::from(n) * pitch_mm;
            }
            if n % 2 == 1 {
                ends.swap(0, 1);
            }
            debug_assert!(ends[0][along] != ends[1][along]);
            self.stroke(ends, n == 0);
        }
    }

    /// Lines to and fro in a circle.
    pub fn fill_round(&mut self, centre: Point, radius_mm: f64, pitch_mm: f64) {
        let count = (2.0 * radius_mm / pitch_mm).floor() as u32;
        for n in 1..count {
            let y = f64::from(n) * pitch_mm - radius_mm;
            let half = (radius_mm * radius_mm - y * y).sqrt();
            let half = if n % 2 == 1 { -half } else { half };
            self.stroke([[centre[0] + half, centre[1] + y], [centre[0] - half, centre[1] + y]], n == 1);
        }
    }

    fn stroke(&mut self, [from, to]: [Point; 2], first: bool) {
        if first {
            self.travel(from);
        } else {
            self.lay(from, self.style.fill_mm_s);
        }
        self.lay(to, self.style.fill_mm_s);
    }

    /// A straight line beside the print that fills the nozzle.
    pub fn purge_line(&mut self, from: Point, to: Point, width_mm: f64, feed_mm_s: f64) {
        self.lines("; A line beside the part to fill the nozzle.");
        self.travel(from);
        let width = std::mem::replace(&mut self.style.width_mm, width_mm);
        self.lay(to, feed_mm_s);
        self.style.width_mm = width;
    }

    /// Begins a layer.
    pub fn layer(&mut self, number: u32, of: u32) {
        let z = f64::from(number) * self.style.height_mm;
        self.tally.layers += 1;
        let mut top = String::new();
        fixed(&mut top, z, 2);
        self.lines(&format!("; Layer {number} of {of}, {top} mm above the bed."));
        self.restart_e();
        self.height(z);
    }
}

/// A circle as a polygon with sides of about `chord_mm`.
pub fn round(centre: Point, radius_mm: f64, chord_mm: f64) -> Vec<Point> {
    let count = (TAU * radius_mm / chord_mm).ceil().max(3.0) as u32;
    let at = |n: u32| {
        let (sin, cos) = (TAU * f64::from(n) / f64::from(count)).sin_cos();
        [centre[0] + radius_mm * cos, centre[1] + radius_mm * sin]
    };
    (0..count).map(at).collect()
}

/// A rectangle's corners.
pub fn rectangle(low: Point, high: Point) -> [Point; 4] {
    [low, [high[0], low[1]], high, [low[0], high[1]]]
}
