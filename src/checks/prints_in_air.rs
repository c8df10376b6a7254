//! Prints with nothing below them.

use super::{layers_too_high, levels};
use crate::findings::{Check, Explanation, Hit, Inspection, Log, Severity, Spot};
use crate::physics::levels::{Begin, Level, Levels};
use crate::wording::figure;

/// The check.
pub const CHECK: Check = Check {
    id: "prints-in-air",
    topic: "height of the first layer",
    severity: Severity::Hold,
    summary: "Layers are printed in the air: far above the bed, or above a gap in which nothing is printed.",
    explain: Explanation {
        what: "the lowest level that is printed lies more than 2 bores above the bed, or two neighbouring levels are further \
apart than that, and a good part of the job lies above.",
        why: "the filament sticks to nothing: it curls around the nozzle and is dragged along. A forgotten lift, a lift that is never taken \
back, or a G92 Z at the wrong height looks like this.",
        how: "the heights of the tip at which filament is laid along X or Y are sorted, to 0.01 mm, with the bed at Z 0 below them; a line that \
rises or falls fills all heights between its ends. Of two neighbours further apart than 2 bores (of the tool that \
prints above; 2 layers where most layers are higher than the bore) the lowest counts that has more than 10 % of the volume \
above it, on at least two levels that follow one another, or more than half of it. So blobs and lines that clean the nozzle up in the air do not count; nor do a purge line, lines \
beside `[bed] printable`, lines of more than 4 times the square of the bore, and moves before Z is known. Two parts fill each \
other's gaps. Common practice, no source.",
        remedy: "look at the Z words, G91 and G92 before the line. Where the job goes on with something that stands on the bed already, or \
the bed lies higher than Z 0 on purpose, accept the finding or set the check to note.",
    },
    heat_or_travel: false,
    timed: false,
    unchecked: None,
    build: |machine, _| levels::build(machine, judge),
};

const BORES: f64 = 2.0;
/// Slack for rounding, mm.
const SLACK_MM: f64 = 1e-6;
/// Heights that differ by less are that of the purge line, mm.
const SAME_MM: f64 = 0.01;
/// Less of a level is what rounding has left of a purge line.
const LEFT: f64 = 1e-3;
/// Share of the volume above a gap that makes it one: where a print goes on above it, and in any case.
const SHARE: f64 = 0.1;
const SHARE_ALWAYS: f64 = 0.5;

/// Heights between which nothing is printed.
struct Gap {
    from_mm: f64,
    to_mm: f64,
    limit_mm: f64,
    share: f64,
    begin: Begin,
}

fn judge(levels: &Levels, draft: &Inspection, log: &mut Log) {
    // A height that only a purge line lies at is no level of the print.
    let purge = draft.purge_line.map(|line| (line.z_mm, levels.laid_mm3(0.0) - levels.laid_mm3(line.filament_mm)));
    let Some(Gap { from_mm, to_mm, limit_mm, share, begin }) = first_gap(levels, purge) else { return };
    let gap_mm = to_mm - from_mm;
    let hit = Hit {
        check: &CHECK,
        kind: 0,
        severity: CHECK.severity,
        line: begin.line,
        value: Some(gap_mm),
        badness: gap_mm / limit_mm,
        limit: Some(limit_mm),
        unit: "mm",
        spot: Spot::At(begin.place_mm),
    };
    log.raise(hit, || {
        let (from, to, percent) = (figure(from_mm), figure(to_mm), (100.0 * share).round());
        if from_mm == 0.0 {
            format!("The first layer lies {to} mm above the bed: nothing is below it.")
        } else {
            format!("Between z {from} and {to} mm nothing is printed, and {percent} % of what is laid lies above.")
        }
    });
}

/// The lowest gap with enough above it. `purge` is the height of a purge line, mm, and what is laid on it, mm³.
fn first_gap(levels: &Levels, purge: Option<(f64, f64)>) -> Option<Gap> {
    let purged_mm3 = |level: &Level| match purge {
        Some((z_mm, volume_mm3)) if (level.z_mm - z_mm).abs() < SAME_MM => volume_mm3,
        _ => 0.0,
    };
    let volume_mm3 = |level: &Level| (level.volume_mm3() - purged_mm3(level)).max(0.0);
    let all: Vec<&Level> = levels.all().filter(|level| volume_mm3(level) > LEFT * level.volume_mm3()).collect();
    let total_mm3: f64 = all.iter().map(|level| volume_mm3(level)).sum();
    let usual_mm = layers_too_high::mostly_high(levels).map_or(0.0, |[height_mm, _]| height_mm);
    // How far down each and all above it reach.
    let mut down_mm: Vec<f64> = all.iter().map(|level| level.lowest_mm).collect();
    for k in (1..down_mm.len()).rev() {
        down_mm[k - 1] = down_mm[k - 1].min(down_mm[k]);
    }
    let below_mm = |k: usize| if k == 0 { 0.0 } else { all[k - 1].z_mm };
    let limit_mm = |k: usize| BORES * all[k].bore_mm.max(usual_mm);
    let is_gap = |k: usize| down_mm[k] - below_mm(k) > limit_mm(k) + SLACK_MM;
    let mut above_mm3 = total_mm3;
    for k in 0..all.len() {
        if is_gap(k) {
            let share = above_mm3 / total_mm3;
            let end = (k + 1..all.len()).find(|&next| is_gap(next)).unwrap_or(all.len());
            if share > SHARE_ALWAYS || end > k + 1 && share > SHARE {
                let begin = all[k..end].iter().map(|level| level.begin).min_by_key(|begin| begin.line)?;
                return Some(Gap { from_mm: below_mm(k), to_mm: down_mm[k], limit_mm: limit_mm(k), share, begin });
            }
        }
        above_mm3 -= volume_mm3(all[k]);
    }
    None
}
