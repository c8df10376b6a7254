//! Lines that get far too little filament.

use super::levels;
use crate::findings::{Check, Explanation, Hit, Inspection, Log, Severity, Spot};
use crate::physics::levels::Levels;
use crate::wording::figure;

/// The check.
pub const CHECK: Check = Check {
    id: "lines-too-thin",
    topic: "thin lines",
    severity: Severity::Hold,
    summary: "Most of the filament is laid in lines that get less than half of what the nozzle needs.",
    explain: Explanation {
        what: "more than half of the filament that is laid lies in lines, at least 10, of less than half of bore times layer height.",
        why: "lines like that do not touch one another: the print falls apart. A job sliced for another filament diameter or a \
finer nozzle, a flow factor (M221) left over from another print, or a wrong extruder mode looks like this.",
        how: "the cross-section of a line, in mm², is filament cross-section times the length pushed for each mm of path. It is held \
against half of the bore of its tool times the height of its layer, at most 0.75 times the bore. The height is that above the \
highest level at least 0.04 mm below that something was laid at before, else that above the bed; where lines rise all the time, \
as in a spiral, it is a small part of the true height. What counts is volume, so ironing, filled gaps \
and single thin walls do not. A purge line beside the print is left out. Common lines are 1 to 1.5 bores wide, thin walls about 0.7; common practice, no source.",
        remedy: "compare the filament diameter, the bore and the flow that the job was sliced for with the sheet, and look for M221, M200, \
M82 and M83 before the line. A filament that foams up is meant to be laid thin: accept the finding, or set the check to note.",
    },
    heat_or_travel: false,
    timed: false,
    unchecked: None,
    build: |machine, _| levels::build(machine, judge),
};

/// Share of what is laid that must lie in thin lines.
const SHARE: f64 = 0.5;

/// Fewer thin lines are no print.
const LINES: u64 = 10;

fn judge(levels: &Levels, draft: &Inspection, log: &mut Log) {
    let thin = levels.thin();
    let laid_mm3 = levels.laid_mm3(draft.purge_line.map_or(0.0, |line| line.filament_mm));
    let most = thin.lines >= LINES && thin.volume_mm3() > SHARE * laid_mm3;
    let Some(begin) = thin.begin.filter(|_| most) else { return };
    let [section_mm2, least_mm2] = thin.sections_mm2();
    let hit = Hit {
        check: &CHECK,
        kind: 0,
        severity: CHECK.severity,
        line: begin.line,
        value: Some(section_mm2),
        badness: 1.0 - section_mm2 / least_mm2,
        limit: Some(least_mm2),
        unit: "mm2",
        spot: Spot::At(begin.place_mm),
    };
    log.raise(hit, || {
        let [section, least] = [section_mm2, least_mm2].map(figure);
        let percent = (100.0 * section_mm2 / least_mm2).round();
        format!(
            "Most lines are far too thin: {section} mm² on average, {percent} % of the least that this nozzle needs ({least} mm²); look \
at the filament diameter, the flow and the extruder mode."
        )
    });
}
