//! Lines of growing melt rate: steadily, to find what the hotend keeps up, or in bursts, to find what it bears.

use super::job::{Bead, JobWriter, figure, warm_up};
use super::place::{fastest_of, fastest_xy, room, way};
use super::{Kind, Trial, TrialError, Warmth, known_tool, passed, place_now};
use crate::machine::{E, Machine, Tool};
use crate::physics::burst::BURST_WINDOWS;

/// What is asked for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MeltRate {
    /// Bursts shorter than the melt window instead of steady lines.
    pub bursts: bool,
    /// Steps, 3 to 20.
    pub steps: u32,
    /// Melt rate of the last step, mm³/s. Steady: the sheet's peak, which is never exceeded; bursts: 1.5 times that.
    pub up_to_mm3_s: Option<f64>,
    /// Tool.
    pub tool: usize,
    /// Temperatures.
    pub warmth: Warmth,
}

impl Default for MeltRate {
    fn default() -> Self {
        Self { bursts: false, steps: 8, up_to_mm3_s: None, tool: 0, warmth: Warmth::default() }
    }
}

/// Melt windows that a steady step lasts.
const WINDOWS: f64 = 4.0;
/// Between lines of a step, and between steps, mm of line width.
const PITCH_WIDTHS: f64 = 2.0;
const STEP_GAP_MM: f64 = 4.0;
/// Lengths of a line that are tried, mm.
const LINES_MM: [f64; 4] = [150.0, 120.0, 90.0, 60.0];
/// Rates where the sheet gives none, mm³/s: low enough for any hotend.
const SAFE_START_MM3_S: f64 = 2.0;
/// The first step, as a share of what the hotend keeps up by the sheet.
const START_SHARE: f64 = 0.4;

/// Rates and where their lines are.
struct Ramp {
    /// Melt rate of each step, mm³/s, and how many lines it takes.
    steps: Vec<(f64, u32)>,
    base_mm3_s: f64,
    line_mm: f64,
    /// Duration of a burst, s; none in a steady ramp.
    burst_s: Option<f64>,
}

/// Writes the trial.
///
/// # Errors
/// See [`TrialError`].
pub fn melt_rate(machine: &Machine, asked: &MeltRate) -> Result<Trial, TrialError> {
    known_tool(machine, asked.tool)?;
    if !(3..=20).contains(&asked.steps) {
        return Err(TrialError::Asked("a ramp has 3 to 20 steps".to_owned()));
    }
    let bead = Bead::new(machine, asked.tool, 1.5, 0.75);
    let [start, end] = rates(machine, asked, &bead)?;
    let pitch = PITCH_WIDTHS * bead.width;
    let mut last = TrialError::NoWay;
    for line_mm in LINES_MM {
        let ramp = Ramp::new(machine, asked, &bead, [start, end], line_mm);
        let depth = ramp.depth(pitch);
        let [x, y] = match room(machine, [line_mm, depth]) {
            Ok(corner) => corner,
            Err(error) => {
                last = error;
                continue;
            }
        };
        let way = way(machine, [x, y])?;
        let kind = if asked.bursts { Kind::Bursts } else { Kind::MeltRate };
        let mut job =
            JobWriter::attended(kind, machine, "Lines of growing melt rate, to measure what the hotend melts.", None)?;
        warm_up(&mut job, machine, asked.tool, asked.warmth, &way, ([x + line_mm, y], &bead))?;
        ramp.print(&mut job, [x, y], pitch, &bead);
        let mut told = told(machine, asked, &ramp, &bead);
        told.insert(0, job.waits());
        return passed(machine, Trial { kind, text: job.finish_at(way.height), told });
    }
    Err(last)
}

/// First and last melt rate, mm³/s.
fn rates(machine: &Machine, asked: &MeltRate, bead: &Bead) -> Result<[f64; 2], TrialError> {
    let melts = asked.warmth.melts(machine, asked.tool);
    let (sustained, peak) = (melts.sustained_mm3_s, melts.peak_mm3_s);
    let start = match (asked.bursts, sustained, peak) {
        (false, Some(sustained), _) => START_SHARE * sustained,
        (true, Some(sustained), _) => sustained,
        (false, None, Some(peak)) => START_SHARE * peak / 2.0,
        (true, None, Some(peak)) => peak / 2.0,
        (_, None, None) => SAFE_START_MM3_S,
    };
    let end = match (asked.up_to_mm3_s, peak) {
        (Some(asked), _) => asked,
        (None, Some(peak)) => {
            if asked.bursts {
                1.5 * peak
            } else {
                peak
            }
        }
        (None, None) => {
            return Err(TrialError::Lacks {
                key: "[[tool]] melt_rate_mm3_s.peak",
                instead: "give the last melt rate with --up-to, mm³/s",
            });
        }
    };
    let able = fastest_xy(machine).min(fastest_of(machine, E) / bead.filament) * bead.section_mm2;
    let (top, why) = match peak {
        // A little below, for lengths are rounded.
        Some(peak) if !asked.bursts && peak < able => {
            (0.99 * peak, "the sheet's peak, which this trial does not probe")
        }
        _ => (able, "what axes and extruder reach"),
    };
    let end = if asked.up_to_mm3_s.is_none() { end.min(top) } else { end };
    if !(end > start && end <= top * (1.0 + 1e-9)) {
        let (end, start, top) = (figure(end, 2), figure(start, 2), figure(top, 2));
        return Err(TrialError::Asked(format!(
            "a last melt rate of {end} mm³/s is not between the first, {start}, and {top} mm³/s, {why}"
        )));
    }
    Ok([start, end])
}

impl Ramp {
    fn new(machine: &Machine, asked: &MeltRate, bead: &Bead, [start, end]: [f64; 2], line_mm: f64) -> Self {
        let tool = &machine.tools[asked.tool];
        let steps = (0..asked.steps)
            .map(|n| {
                let rate = start + (end - start) * f64::from(n) / f64::from(asked.steps - 1);
                let path_mm = rate / bead.section_mm2 * WINDOWS * tool.melt_window_s;
                // `as` saturates: a window of hours would not find room anyway.
                (rate, if asked.bursts { 1 } else { (path_mm / line_mm).ceil().max(1.0) as u32 })
            })
            .collect();
        let base_mm3_s = match asked.bursts {
            true => START_SHARE * asked.warmth.melts(machine, asked.tool).sustained_mm3_s.unwrap_or(start),
            false => start,
        };
        Self { steps, base_mm3_s, line_mm, burst_s: asked.bursts.then_some(BURST_WINDOWS * tool.melt_window_s) }
    }

    fn depth(&self, pitch: f64) -> f64 {
        self.steps.iter().map(|(_, lines)| f64::from(*lines) * pitch + STEP_GAP_MM).sum::<f64>() + STEP_GAP_MM
    }

    /// Where a burst starts and ends on its line, mm: within the middle half. None in a steady ramp.
    fn burst_mm(&self, speed_mm_s: f64) -> Option<[f64; 2]> {
        let length = (speed_mm_s * self.burst_s?).max(10.0).min(self.line_mm / 2.0);
        Some([-0.5, 0.5].map(|side| self.line_mm / 2.0 + side * length))
    }

    fn print(&self, job: &mut JobWriter<'_>, [x, y]: [f64; 2], pitch: f64, bead: &Bead) {
        let mut at_y = y;
        let ends = [x, x + self.line_mm];
        for (n, &(rate, lines)) in (1..).zip(&self.steps) {
            let speed = rate / bead.section_mm2;
            let base = self.base_mm3_s / bead.section_mm2;
            at_y += STEP_GAP_MM;
            job.comment(&format!("Step {n}: {} mm3/s at {} mm/s.", figure(rate, 2), figure(speed, 1)));
            job.show(&format!("Step {n}: {} mm3/s", figure(rate, 1)));
            job.travel([ends[0], at_y]);
            if let Some([on, off]) = self.burst_mm(speed) {
                for (from, to, speed) in [(0.0, on, base), (on, off, speed), (off, self.line_mm, base)] {
                    job.print([x + to, at_y], (to - from) * bead.filament, speed);
                }
            } else {
                for line in 0..lines as usize {
                    if line > 0 {
                        at_y += pitch;
                        job.print([ends[line % 2], at_y], pitch * bead.filament, speed);
                    }
                    job.print([ends[(line + 1) % 2], at_y], self.line_mm * bead.filament, speed);
                }
            }
            at_y += pitch;
        }
    }
}

fn told(machine: &Machine, asked: &MeltRate, ramp: &Ramp, bead: &Bead) -> Vec<String> {
    let (width, height) = (figure(bead.width, 2), figure(bead.height, 2));
    let mut told = vec![format!(
        "Lines {width} mm wide and {height} mm high, in steps from front to rear behind the slow line that fills the nozzle; \
         a gap parts the steps. Only the speed changes, and the melt rate with it."
    )];
    told.push(match asked.bursts {
        false => "Find the first step where the hotend falls behind: lines go thin, dull or broken toward the end of the step, \
             the drive clicks or grinds. Stop the job when it grinds. What the step before held is the sustained melt rate of \
             this hotend with this filament at this temperature; enter nine tenths of it."
            .to_owned(),
        true => "In the middle of each line is a burst that is over before the melt runs out. Find the first line whose burst is \
             thin or has a hole, or where the drive clicks; stop the job when it grinds. What the line before held is the peak \
             melt rate; enter nine tenths of it."
            .to_owned(),
    });
    let mut table = String::from("  step   lines  speed       melt rate");
    for (n, &(rate, lines)) in (1..).zip(&ramp.steps) {
        let speed = figure(rate / bead.section_mm2, 1) + " mm/s";
        table.push_str(&format!("\n  {n:<5}  {lines:<5}  {speed:<10}  {} mm³/s", figure(rate, 2)));
    }
    told.push(table);
    let entries = entries(&machine.tools[asked.tool], asked.bursts, ramp);
    let now = |name: &str| {
        let line = place_now(machine, &format!("tool[{}].melt_rate_mm3_s.{name}", asked.tool))?;
        Some(format!("{name} in {line}"))
    };
    let now: Vec<String> = entries.iter().filter_map(|(name, _)| now(name)).collect();
    let now = match now.is_empty() {
        true => String::new(),
        false => format!(" It has {} now: change that.", now.join(", ")),
    };
    told.push(format!(
        "Then enter it in the sheet, in the table [tool.melt_rate_mm3_s] under the [[tool]] of tool {} (the first is tool 0).{now} \
         Such as this, with the sheet's own number for what was not measured:",
        asked.tool
    ));
    let measured = if asked.bursts { "peak" } else { "sustained" };
    let line = |(name, rate): &(&str, f64)| {
        let remark = if *name == measured { "    # measured" } else { "" };
        format!("\n  {name} = {}{remark}", figure(*rate, 1))
    };
    let lines: Vec<String> = entries.iter().map(line).collect();
    told.push(format!("  [tool.melt_rate_mm3_s]{}", lines.concat()));
    told.extend(row_by_heat(machine, asked, &entries));
    told
}

/// The same for a sheet that gives melt rates at several temperatures; none where there is no sustained rate to write.
fn row_by_heat(machine: &Machine, asked: &MeltRate, entries: &[(&'static str, f64)]) -> Option<String> {
    let nozzle_c = asked.warmth.nozzle(machine, asked.tool).ok()?;
    entries.iter().find(|(name, _)| *name == "sustained")?;
    let lines: Vec<String> =
        entries.iter().map(|(name, rate)| format!("\n  {name}_mm3_s = {}", figure(*rate, 1))).collect();
    Some(format!(
        "Or, measured at two or more temperatures (--nozzle-c), one such table for each, with a peak in all of them or in none:\n  \
         [[tool.melt_rate_at]]\n  nozzle_c = {}{}",
        figure(nozzle_c, 1),
        lines.concat()
    ))
}

/// What the sheet is to say, with what it says already.
fn entries(tool: &Tool, bursts: bool, ramp: &Ramp) -> Vec<(&'static str, f64)> {
    let measured = 0.9 * ramp.steps[ramp.steps.len() / 2].0;
    let (sustained, peak) = match bursts {
        // A sheet may not give less for a moment than for good.
        true => (tool.sustained_mm3_s.map(|rate| rate.min(measured)), Some(measured)),
        false => (Some(measured), tool.peak_mm3_s.map(|rate| rate.max(measured))),
    };
    [("sustained", sustained), ("peak", peak)].into_iter().filter_map(|(name, rate)| Some((name, rate?))).collect()
}
