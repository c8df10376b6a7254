//! The strip in the text report: sustained melt rate over time in block characters, with the capacity as a line.

use super::Look;
use crate::findings::{FlowSeries, Severity};
use crate::show::marks::{severity_style, styled};
use crate::wording::{columns, duration, number};

/// Rows of the strip.
const ROWS: usize = 4;
/// The top row.
const TOP: usize = ROWS - 1;
/// Marks the capacity.
pub const LINE: char = '_';
/// Steps in one row.
const STEPS: usize = 8;
const BLOCKS: [char; STEPS + 1] = [' ', '▁', '▂', '▃', '▄', '▅', '▆', '▇', '█'];
/// Most columns of the strip.
const WIDEST: usize = 64;

/// The strip as lines of at most `width` columns, scale and time axis included. Empty when nothing melts.
///
/// With a capacity the lower rows reach up to it, in proportion, and the top row is for what exceeds it.
pub fn lines(series: &FlowSeries, capacity: Option<f64>, width: usize, look: Look) -> Vec<String> {
    let highest = series.sustained_mm3_s.iter().copied().filter(|rate| rate.is_finite()).fold(0.0, f64::max);
    let capacity = capacity.filter(|rate| rate.is_finite() && *rate > 0.0);
    let label = number(capacity.unwrap_or(highest));
    let gutter = columns(&label) + 2;
    let room = width.saturating_sub(gutter).min(WIDEST);
    if highest <= 0.0 || room < 8 {
        return Vec::new();
    }
    let rates = squeeze(&series.sustained_mm3_s, room);
    let steps: Vec<usize> = rates.iter().map(|rate| steps(*rate, capacity, highest)).collect();
    let mut lines = Vec::new();
    for row in (0..ROWS).rev() {
        let label = match row {
            TOP => &label,
            0 => "0",
            _ => "",
        };
        let over = row == TOP && capacity.is_some();
        let cells = steps.iter().map(|steps| match steps.saturating_sub(row * STEPS).min(STEPS) {
            0 => (if over { LINE } else { ' ' }, false),
            filled => (BLOCKS[filled], over),
        });
        lines.push(format!("{label:>fill$} ┤{}", paint(cells, look.color), fill = gutter - 2));
    }
    lines.push(axis(series.end_s, rates.len(), gutter));
    lines
}

/// Height of a rate in steps; only what exceeds the capacity gets into the top row, and by one step at least.
fn steps(rate: f64, capacity: Option<f64>, highest: f64) -> usize {
    let share = |part: f64, rows: usize| (part * (rows * STEPS) as f64).round() as usize;
    match capacity {
        None => share(rate / highest, ROWS),
        Some(capacity) if rate <= capacity => share(rate / capacity, TOP),
        Some(capacity) => TOP * STEPS + share((rate - capacity) / (highest - capacity), 1).max(1),
    }
}

/// At most `room` values; each is the largest of those it stands for.
fn squeeze(rates: &[f64], room: usize) -> Vec<f64> {
    let cells = rates.len().min(room);
    let largest = |cell: usize| {
        let (from, to) = (cell * rates.len() / cells, (cell + 1) * rates.len() / cells);
        rates[from..to].iter().copied().filter(|rate| rate.is_finite()).fold(0.0, f64::max)
    };
    (0..cells).map(largest).collect()
}

/// Characters in a row, those over the capacity in the colour of a no-go.
fn paint(cells: impl Iterator<Item = (char, bool)>, color: bool) -> String {
    let mut text = String::new();
    let mut run = String::new();
    let mut over_run = false;
    for (cell, over) in cells {
        if over != over_run {
            text += &flush(&mut run, over_run, color);
            over_run = over;
        }
        run.push(cell);
    }
    text + &flush(&mut run, over_run, color)
}

fn flush(run: &mut String, over: bool, color: bool) -> String {
    styled(&std::mem::take(run), severity_style(Severity::NoGo), color && over)
}

fn axis(total_s: f64, cells: usize, gutter: usize) -> String {
    let end = duration(total_s);
    let fill = (cells + 1).saturating_sub(columns(&end) + 1).max(1);
    format!("{:lead$}0{:fill$}{end}", "", "", lead = gutter - 1)
}

#[cfg(test)]
mod tests {
    use super::*;

    const LOOK: Look = Look { width: 80, color: false };

    fn series(rates: &[f64]) -> FlowSeries {
        let end_s = 10.0 * rates.len() as f64;
        FlowSeries { bin_s: 10.0, end_s, peak_mm3_s: rates.to_vec(), sustained_mm3_s: rates.to_vec() }
    }

    #[test]
    fn rises_over_the_capacity_line() {
        let rates: Vec<f64> = (0..16).map(f64::from).collect();
        snapbox::assert_data_eq!(
            lines(&series(&rates), Some(10.0), 40, LOOK).join("\n"),
            snapbox::str![[r#"
10 ┤___________▂▃▅▆█
   ┤       ▁▃▆██████
   ┤    ▂▄▆█████████
 0 ┤ ▂▅▇████████████
   0      2 min 40 s
"#]]
        );
    }

    #[test]
    fn keeps_peaks_when_squeezed() {
        let mut rates = vec![1.0; 1000];
        rates[777] = 9.0;
        assert_eq!(squeeze(&rates, 50).iter().filter(|rate| **rate == 9.0).count(), 1);
        assert_eq!(squeeze(&[1.0, 2.0], 50), [1.0, 2.0]);
        let lines = lines(&series(&rates), None, 60, LOOK);
        assert!(lines.iter().all(|line| columns(line) <= 60));
    }

    #[test]
    fn nothing_to_show_is_no_strip() {
        assert_eq!(lines(&series(&[]), Some(10.0), 60, LOOK), Vec::<String>::new());
        assert_eq!(lines(&series(&[0.0, 0.0]), None, 60, LOOK), Vec::<String>::new());
        assert_eq!(lines(&series(&[f64::NAN]), None, 60, LOOK), Vec::<String>::new());
    }

    #[test]
    fn what_is_not_finite_is_passed_over() {
        let strange = lines(&series(&[f64::INFINITY, 2.0, f64::NAN, -1.0]), Some(1.0), 60, LOOK);
        assert_eq!(strange[0], "1 ┤_█__");
    }
}
