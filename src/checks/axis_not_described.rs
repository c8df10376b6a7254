//! Axes that the sheet does not know.

use crate::findings::{Built, Check, Explanation, Hit, Log, Severity};
use crate::modal::notice::{Notice, Noticed, OTHER_AXES};
use crate::wording::listed;

/// The check.
pub const CHECK: Check = Check {
    id: "axis-not-described",
    topic: "other axes",
    severity: Severity::Note,
    summary: "The job moves an axis that no sheet describes.",
    explain: Explanation {
        what: "a move (G0, G1, G2, G3) or G92 has a word for an axis other than X, Y, Z and E: A, B, C, U, V or W.",
        why: "the job may be for another machine: one with several carriages, a second extruder of its own letter, or a \
machine tool. A printer without that axis leaves the word out, or stops.",
        how: "by the letters of the words; the same letters on other commands mean other things and do not count. What such an \
axis does is not followed here. Axes by NIST RS274/NGC version 3; U, V and W are common practice, no source.",
        remedy: "see whether the job was made for this machine. If the machine does have such an axis, judge what it does by eye: \
gonogo does not.",
    },
    heat_or_travel: false,
    timed: false,
    unchecked: None,
    build: |_, _| Built::Reading(judge),
};

fn judge(notice: &Notice, log: &mut Log) {
    let Noticed::AxesNotDescribed { axes } = notice.what else { return };
    log.raise(Hit::noticed(&CHECK, u64::from(axes), CHECK.severity, notice), || {
        let there = (0..OTHER_AXES.len()).filter(|n| axes & 1 << n != 0);
        let letters: Vec<String> = there.map(|n| char::from(OTHER_AXES[n]).to_string()).collect();
        let letters: Vec<&str> = letters.iter().map(String::as_str).collect();
        let (axes, them) = if letters.len() == 1 { ("axis", "it") } else { ("axes", "them") };
        let letters = listed(&letters);
        format!("the job moves {axes} {letters}, and the sheet knows nothing of {them}: is it for another machine?")
    });
}

#[cfg(test)]
mod tests {
    use super::super::testing::{found, judged};
    use crate::machine::Machine;

    fn told(lines: &str) -> Vec<(Option<u64>, String)> {
        let job = format!("G28\nG1 X20 Y20 Z5 F1200\n{lines}\nG1 X30\n");
        let about = found(&super::CHECK, &Machine::built_in(), &job).into_iter();
        about.map(|finding| (finding.line, finding.message)).collect()
    }

    #[test]
    fn other_axes_are_told_on_moves_and_nowhere_else() {
        for line in ["G1 A5 F600", "G0 X5 A5", "G92 A0", "G3 X30 Y20 I5 J0 A1", "g1a5"] {
            let told = told(line);
            assert!(told.len() == 1 && told[0].1.contains("axis A,"), "{line}: {told:?}");
        }
        assert!(told("G1 U5 V2")[0].1.contains("axes U and V,"));
        // Words of other commands: skip the homed axes, file names, drives, accelerometers, pins.
        let others = "G28 W\nG28 O\nG29 A\nG29 B1 C2\nM106 A1\nM600 U50\nM701 U5 V2\nM569 P0 S1\nG5 X30 Y30 I1 J1 P1 Q1\n\
                      M117 A1 B2\nM48 V4\nT0 A1\nM900 K0";
        assert_eq!(told(others), []);
    }

    #[test]
    fn a_zero_of_another_axis_leaves_the_place_alone() {
        let reach = |lines: &str| {
            let job = format!("G28\nG1 X20 Y20 Z5 F1200\n{lines}\nG1 X30\n");
            judged(&Machine::built_in(), &job).reached
        };
        assert_eq!(reach("G92 A0"), reach("; nothing"));
        assert_ne!(reach("G92"), reach("; nothing"));
    }
}
