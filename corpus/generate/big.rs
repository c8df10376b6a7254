//! Large jobs for measurements, made layer by layer so that they never stand in memory as a whole.

use std::io::{self, Write};

use super::pieces::{Retraction, Style, Writer, round};

const START: &str = "; machine: wren\n; verdict: go\n\
; Invented: a tall pot with a wavy wall, as long as a measurement needs it.\n\
G21\nG90\nM83\nM140 S60\nM104 S215\nM190 S60\nM109 S215\nG28\n";
const END: &str = "; Done: cool down, lift, release.\nM104 S0\nM140 S0\nM107\nG91\nG1 Z0.2 F600\nG90\nM84\n";

/// Height of a layer; a job taller than the machine homes and starts again at the bottom.
const LAYER_MM: f64 = 0.2;
const LAYERS: u32 = 900;

/// Gives out a job in parts of whole lines; see [`big_job`].
pub struct BigJob {
    writer: Writer,
    wanted: usize,
    given: usize,
    layer: u32,
    ended: bool,
}

/// A job of at least `bytes` bytes, one part per layer: rounded outlines of short chords, lines to and fro, retractions.
/// About 29 bytes a line. It passes on Wren.
pub fn big_job(bytes: usize) -> BigJob {
    let style = Style {
        absolute_e: false,
        width_mm: 0.45,
        height_mm: LAYER_MM,
        outline_mm_s: 100.0,
        fill_mm_s: 150.0,
        travel_mm_s: 250.0,
        z_mm_s: 10.0,
        retraction: Retraction::Words(0.8, 35.0),
    };
    let mut writer = Writer::new(style);
    writer.text.push_str(START);
    writer.stands_at([248.0, 208.0, 2.0]);
    BigJob { writer, wanted: bytes, given: 0, layer: 0, ended: false }
}

/// Writes [`big_job`] out.
///
/// # Errors
/// What `out` says.
pub fn write_big_job(bytes: usize, out: &mut impl Write) -> io::Result<()> {
    big_job(bytes).try_for_each(|part| out.write_all(&part))
}

impl Iterator for BigJob {
    type Item = Vec<u8>;

    fn next(&mut self) -> Option<Vec<u8>> {
        if self.ended {
            return None;
        }
        if self.layer > 0 && self.given + END.len() >= self.wanted {
            self.ended = true;
            self.writer.text.push_str(END);
        } else {
            self.layer();
        }
        let part = std::mem::take(&mut self.writer.text).into_bytes();
        self.given += part.len();
        Some(part)
    }
}

impl BigJob {
    /// Three outlines and a filling; the radius swings so that no two layers have the same numbers.
    fn layer(&mut self) {
        let number = self.layer % LAYERS + 1;
        self.layer += 1;
        let writer = &mut self.writer;
        if number == 1 && self.layer > 1 {
            writer.lines("; The next pot, on a bare bed.\nG28");
            writer.stands_at([248.0, 208.0, 2.0]);
        }
        writer.layer(number, LAYERS);
        if number == 2 {
            writer.lines("M106 S200");
        }
        let radius = 34.0 + 3.0 * (f64::from(self.layer) / 40.0).sin();
        let centre = [120.0, 104.0];
        for ring in 0..3 {
            writer.outline(&round(centre, radius - 0.45 * f64::from(ring), 0.5));
        }
        writer.fill_round(centre, radius - 1.4, 0.9);
        writer.retract();
    }
}
