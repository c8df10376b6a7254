//! A spectrum in block characters: density over frequency, both in equal ratios, modes marked below.

use crate::machine::Mode;
use crate::study::resonance::spectrum::{Axis, LEAST_SHOWN_HZ};
use crate::wording::columns;

/// Rows of the picture.
const ROWS: usize = 6;
/// Steps in a row.
const STEPS: usize = 8;
const BLOCKS: [char; STEPS + 1] = [' ', '▁', '▂', '▃', '▄', '▅', '▆', '▇', '█'];
/// Decades from the bottom to the top.
const DECADES: f64 = 4.0;
/// Most columns of the picture.
const WIDEST: usize = 96;
/// Fewest.
const NARROWEST: usize = 16;
const TICKS_HZ: [f64; 7] = [2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0];
/// Marks a mode.
pub const MARK: char = '▲';

/// The spectrum as lines of at most `width` columns; `most` is the density at the top, `top_hz` the frequency at the right.
/// Empty where the width does not suffice, or nothing moves.
pub fn lines(axis: &Axis, modes: &[Mode], (most, top_hz): (f64, f64), width: usize) -> Vec<String> {
    let gutter = 7;
    let room = width.saturating_sub(gutter).min(WIDEST);
    if room < NARROWEST || axis.power <= 0.0 || most <= 0.0 {
        return Vec::new();
    }
    let place = |hz: f64| {
        let share = (hz / LEAST_SHOWN_HZ).ln() / (top_hz / LEAST_SHOWN_HZ).ln();
        ((share * room as f64) as usize).min(room - 1)
    };
    let heights: Vec<usize> = (0..room).map(|at| height(axis, at, most, &place)).collect();
    let mut lines = Vec::new();
    const TOP: usize = ROWS - 1;
    for row in (0..ROWS).rev() {
        let label = match row {
            TOP => format!("{most:.0e}"),
            0 => format!("{:.0e}", most / 10f64.powf(DECADES)),
            _ => String::new(),
        };
        let cells = heights.iter().map(|steps| BLOCKS[steps.saturating_sub(row * STEPS).min(STEPS)]);
        lines.push(format!("{label:>fill$} ┤{}", cells.collect::<String>().trim_end(), fill = gutter - 2));
    }
    lines.push(format!("{:gutter$}{}", "", ticks(room, top_hz, &place)));
    lines.extend(marks(modes, room, &place).into_iter().map(|line| format!("{:gutter$}{line}", "")));
    lines
}

/// Steps of a column: that of the highest density in it; where it is narrower than a step of the spectrum, of the one below.
fn height(axis: &Axis, at: usize, most: f64, place: &impl Fn(f64) -> usize) -> usize {
    let all = axis.shown();
    let within = all.filter(|(hz, _)| place(*hz) == at).map(|(_, density)| density).fold(f64::NAN, f64::max);
    let below = || axis.shown().take_while(|(hz, _)| place(*hz) < at).last().map_or(0.0, |(_, density)| density);
    let density = if within.is_nan() { below() } else { within };
    let share = 1.0 + (density / most).log10() / DECADES;
    // What is 0 is far below all rows; `as` saturates.
    (share * (ROWS * STEPS) as f64).round() as usize
}

/// The axis with its numbers; those that would touch are left out.
fn ticks(room: usize, top_hz: f64, place: &impl Fn(f64) -> usize) -> String {
    let mut line = String::new();
    for hz in TICKS_HZ.into_iter().filter(|hz| *hz <= top_hz) {
        let (at, text) = (place(hz), format!("{hz:.0}"));
        let text = if columns(&line) == 0 { format!("{text} Hz") } else { text };
        let start = at.min(room.saturating_sub(columns(&text)));
        if line.is_empty() || start > columns(&line) + 1 {
            line += &" ".repeat(start - columns(&line));
            line += &text;
        }
    }
    line
}

/// Marks under the modes with their frequencies behind them, in as many lines as it takes.
fn marks(modes: &[Mode], room: usize, place: &impl Fn(f64) -> usize) -> Vec<String> {
    let mut sorted: Vec<f64> = modes.iter().map(|mode| mode.natural_hz).filter(|hz| *hz >= LEAST_SHOWN_HZ).collect();
    sorted.sort_by(f64::total_cmp);
    let mut lines: Vec<String> = Vec::new();
    for hz in sorted {
        let at = place(hz);
        let right = format!("{MARK} {hz} Hz");
        // At the right end the text is before the mark.
        let text = if at + columns(&right) <= room { right } else { format!("{hz} Hz {MARK}") };
        let start = if text.starts_with(MARK) { at } else { (at + 1).saturating_sub(columns(&text)) };
        let free = |line: &String| columns(line) == 0 || columns(line) < start;
        let line = match lines.iter().position(free) {
            Some(line) => line,
            None => {
                lines.push(String::new());
                lines.len() - 1
            }
        };
        let fill = start.saturating_sub(columns(&lines[line]));
        lines[line] += &(" ".repeat(fill) + &text);
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::machine::Direction;
    use crate::study::resonance::spectrum::STEP_HZ;

    fn axis() -> Axis {
        let density: Vec<f64> = (0..801)
            .map(|k| {
                let hz = f64::from(k) * STEP_HZ;
                1e4 / (1.0 + (hz - 26.0).powi(2)) + 100.0 / (1.0 + hz)
            })
            .collect();
        Axis { along: Direction::Y, density, mean_square: 1.0, power: 1.0 }
    }

    fn mode(natural_hz: f64) -> Mode {
        Mode { along: Direction::Y, natural_hz, damping_ratio: 0.05, share: 1.0 }
    }

    #[test]
    fn a_peak_stands_over_its_mode() {
        let lines = lines(&axis(), &[mode(26.0), mode(190.0), mode(28.0)], (1e4, 200.0), 70);
        let top: Vec<usize> = lines[0].chars().enumerate().filter(|(_, c)| *c == '█').map(|(at, _)| at).collect();
        let mark = lines[7].chars().position(|c| c == MARK).expect("a mark");
        // Neighbouring columns may be as high but for less than half a step.
        assert!(top.contains(&mark) && top.len() <= 3, "{lines:#?}");
        assert!(lines[7].trim_start().starts_with("▲ 26 Hz") && lines[7].ends_with("190 Hz ▲"), "{lines:#?}");
        assert!(lines[8].trim_start().starts_with("▲ 28 Hz"), "{lines:#?}");
        assert!(lines[6].trim_start().starts_with("2 Hz") && lines[6].contains("50"));
    }

    #[test]
    fn it_fits_or_is_left_out() {
        for width in 0..140 {
            let modes = [mode(26.0), mode(190.0), mode(500.0), mode(1.0)];
            let lines = lines(&axis(), &modes, (1e4, 200.0), width);
            assert!(lines.iter().all(|line| columns(line) <= width), "{width}: {lines:#?}");
            assert_eq!(lines.is_empty(), width < 7 + NARROWEST);
        }
        let still = Axis { power: 0.0, ..axis() };
        assert!(lines(&still, &[], (1.0, 200.0), 80).is_empty());
    }
}
