//! Where the probe touches.
//!
//! The nozzle goes where travel lets it, and the probe touches beside it: it reaches travel moved by its offset, as far as
//! that lies on the bed. The bed is taken as the x and y range of travel. That half of the bed should be reached is
//! common practice, no source.

use super::{Comparison, Expected, Outcome, Row, Subject};
use crate::machine::{BedShape, Machine};
use crate::wording::figure;

/// What the probe reaches, against the bed.
pub const REACH: Comparison = Comparison {
    id: "probe-reach-against-bed",
    subject: Subject::Probe,
    summary: "The part of the bed that the probe reaches, by its offset and the travel of the nozzle.",
    compare: reach,
};

/// Height at which the probe touches, against the nozzle.
pub const HEIGHT: Comparison = Comparison {
    id: "probe-height-against-nozzle",
    subject: Subject::Probe,
    summary: "Height at which the probe touches, which is below the nozzle on a machine that probes before it scrapes.",
    compare: height,
};

const NO_PROBE: &str = "the sheet gives no `[probe] offset_mm`";

/// The part of a range that is reached when the nozzle goes over all of it, and what is not reached below and above, mm.
fn reached(min: f64, max: f64, offset: f64) -> Option<(f64, f64)> {
    let (low, high) = ((min + offset).max(min), (max + offset).min(max));
    (low <= high).then_some((low, high))
}

fn reach(machine: &Machine) -> Vec<Row> {
    let Some([dx, dy, _]) = machine.probe_offset_mm else {
        return vec![Row::skipped("probe", NO_PROBE)];
    };
    let (min, max) = (machine.travel.min, machine.travel.max);
    let formula = format!(
        "x {}..{} moved by {}, y {}..{} moved by {} mm, as far as on the bed",
        figure(min[0]),
        figure(max[0]),
        figure(dx),
        figure(min[1]),
        figure(max[1]),
        figure(dy)
    );
    let (Some(x), Some(y)) = (reached(min[0], max[0], dx), reached(min[1], max[1], dy)) else {
        let row = Row::new("probe", Outcome::NoGo, "it never touches the bed: is the offset in mm, from the nozzle?");
        return vec![row.set(0.0, "%").expected(Expected::AtLeast(50.0)).formula(formula)];
    };
    let share = (x.1 - x.0) * (y.1 - y.0) / ((max[0] - min[0]) * (max[1] - min[1])) * 100.0;
    let rest = [
        ("x below", x.0, x.0 > min[0]),
        ("x above", x.1, x.1 < max[0]),
        ("y below", y.0, y.0 > min[1]),
        ("y above", y.1, y.1 < max[1]),
    ];
    let rest: Vec<String> =
        rest.iter().filter(|(.., cut)| *cut).map(|(side, at, _)| format!("{side} {}", figure(*at))).collect();
    let rest = if rest.is_empty() { "all of the bed".to_owned() } else { format!("not {}", rest.join(", ")) };
    let disc = if machine.travel.bed == BedShape::Disc { "; the bed is a disc, its edge is not looked at" } else { "" };
    let message =
        format!("reaches x {}..{}, y {}..{} mm; {rest}{disc}", figure(x.0), figure(x.1), figure(y.0), figure(y.1));
    let outcome = if share >= 50.0 { Outcome::Go } else { Outcome::Hold };
    vec![Row::new("probe", outcome, message).set(share, "%").expected(Expected::AtLeast(50.0)).formula(formula)]
}

fn height(machine: &Machine) -> Vec<Row> {
    let Some([_, _, dz]) = machine.probe_offset_mm else {
        return vec![Row::skipped("probe", NO_PROBE)];
    };
    let (outcome, message) = match dz < 0.0 {
        true => (Outcome::Go, "it touches before the nozzle does"),
        false => (
            Outcome::Hold,
            "by this sign the nozzle touches the bed first; lower it by hand with a finger on the power switch, and \
             check the sign, before it probes on its own",
        ),
    };
    vec![Row::new("probe", outcome, message).set(dz, "mm").expected(Expected::AtMost(0.0))]
}

#[cfg(test)]
mod tests {
    use super::super::testing::{heron, heron_with, row};
    use super::*;

    #[test]
    fn reach_is_travel_moved_by_the_offset() {
        let probe = row(&REACH, &heron(), "probe");
        // 220 × 220 moved by −28 and 12: 192 × 208.
        assert!((probe.set.unwrap() - 192.0 * 208.0 / (220.0 * 220.0) * 100.0).abs() < 1e-9);
        assert_eq!(probe.message, "reaches x 0..192, y 12..220 mm; not x above 192, y below 12");
        assert_eq!(probe.outcome, Outcome::Go);
        let at = |offset: &str| row(&REACH, &heron_with("[-28.0, 12.0, -1.6]", offset), "probe").outcome;
        assert_eq!(at("[0, 0, -1]"), Outcome::Go);
        assert_eq!(at("[120, 0, -1]"), Outcome::Hold);
        assert_eq!(at("[0, -221, -1]"), Outcome::NoGo);
    }

    #[test]
    fn a_probe_above_the_nozzle_is_held() {
        assert_eq!(row(&HEIGHT, &heron(), "probe").outcome, Outcome::Go);
        for offset in ["[-28, 12, 1.6]", "[-28, 12, 0]"] {
            assert_eq!(row(&HEIGHT, &heron_with("[-28.0, 12.0, -1.6]", offset), "probe").outcome, Outcome::Hold);
        }
        assert_eq!(row(&HEIGHT, &Machine::built_in(), "probe").outcome, Outcome::Skipped);
    }
}
