//! Jobs that change what describes the machine itself.

use crate::findings::{Built, Check, Explanation, Hit, Log, Severity};
use crate::modal::notice::{MachineChange, Notice, Noticed};

/// The check.
pub const CHECK: Check = Check {
    id: "machine-changed-in-job",
    topic: "settings of the machine",
    severity: Severity::Hold,
    summary: "The job changes steps, offsets, geometry or control of the machine itself.",
    explain: Explanation {
        what: "the job sets steps per mm (M92), home offsets (M206, M428), a shift of Z (M290), geometry (M665, M666), \
the place of the probe (M851), heater control without a share for the error (M301, M304), impulse \
shaping (M593), the load at which a drive counts as stalled (M914), microsteps (M350), or which way a drive turns and \
which axis it moves (M569, M584), or it stops the machine at once (M112). Motor currents (M906, M907) and how quietly \
drives run (M569 without a drive) are a note.",
        why: "such values belong to the machine, not to a job. A job that was made for another machine moves this one \
by wrong distances, into the frame or the bed, or heats it without control, and the values stay in force \
for the next job.",
        how: "by the command. Steps per mm that equal the sheet's are no change. The filament of M92 E is scaled by \
new over old steps where the sheet gives them; M206 and M290 shift all later places; the rest is not \
followed here.",
        remedy: "take the lines out of the job; what the machine needs of them belongs into the controller, once. Then judge \
the job again.",
    },
    heat_or_travel: false,
    timed: false,
    unchecked: None,
    build: |_, _| Built::Reading(judge),
};

fn judge(notice: &Notice, log: &mut Log) {
    let (kind, severity, message) = match notice.what {
        Noticed::MachineChanged(change) => {
            let (kind, message) = of(change);
            (kind, Severity::Hold, message)
        }
        Noticed::DrivesTuned { code } => {
            let what = match code {
                5690 => "how quietly drives run",
                _ => "the motor currents",
            };
            let message = format!("M{} changes {what} from inside the job; it is not followed here", code / 10);
            (u64::from(code), Severity::Note, message)
        }
        _ => return,
    };
    log.raise(Hit::noticed(&CHECK, kind, severity, notice), || message);
}

fn of(change: MachineChange) -> (u64, String) {
    let (code, what) = match change {
        MachineChange::Steps => {
            (92, "M92 changes the steps per mm: every distance changes, and it is not followed here")
        }
        MachineChange::ExtruderSteps { followed: true } => {
            (93, "M92 changes the steps per mm of the extruder; the filament is scaled by it from here on")
        }
        MachineChange::ExtruderSteps { followed: false } => {
            (93, "M92 changes the steps per mm of the extruder, and the sheet gives none: it is not followed here")
        }
        MachineChange::HomeOffset => (206, "M206 changes the home offset; all later places are shifted by it"),
        MachineChange::ShiftedZ => (290, "M290 shifts Z; all later places are shifted by it"),
        MachineChange::HomeHere => {
            (428, "M428 makes the present place the home: where the axes are is unknown from here on")
        }
        MachineChange::Geometry { code } => {
            let code = u64::from(code) / 10;
            return (code, format!("M{code} changes the geometry of the machine; it is not followed here"));
        }
        MachineChange::Probe => {
            (851, "M851 changes the place of the probe, and with it the height of the bed; it is not followed here")
        }
        MachineChange::HeaterControl { code } => {
            let code = u64::from(code) / 10;
            return (code, format!("M{code} takes the share of the temperature's error out of a heater's control"));
        }
        MachineChange::Shaping => (593, "M593 changes the impulse shaping; it is not followed here"),
        MachineChange::StallLoad => {
            (914, "M914 changes the load at which a drive counts as stalled, which homing may rely on")
        }
        MachineChange::Microsteps => {
            (350, "M350 changes the microsteps: distances stay only where the board re-scales its steps")
        }
        MachineChange::Drives { code: 5690 } => (569, "M569 says which way a drive turns; it is not followed here"),
        MachineChange::Drives { .. } => (584, "M584 changes which drive moves which axis; it is not followed here"),
        MachineChange::Stopped => {
            (112, "M112 stops the machine at once: what follows is not carried out, and the board waits for a restart")
        }
    };
    (code, what.to_owned())
}
