//! Arcs whose ends lie at different distances from the centre.

use crate::findings::{Built, Check, Explanation, Hit, Log, Severity};
use crate::modal::notice::{Notice, Noticed, RADIUS_TOLERANCE_MM, ROUNDED_MM};
use crate::wording::figure;

/// The check.
pub const CHECK: Check = Check {
    id: "arc-radius-mismatch",
    topic: "ends of arcs",
    severity: Severity::Hold,
    summary: "The ends of an arc lie at different distances from its centre.",
    explain: Explanation {
        what: "the start and the end of an arc (G2, G3) do not lie on one circle about the centre given, or not on one of the radius \
given.",
        why: "controllers then draw a spiral, jump at the end, or stop with an error. A large difference is mostly \
a wrong centre, or a centre given absolutely where a relative one is meant.",
        how: "the difference of the distances from start and end to the centre, or by how much a radius (R) falls short of half the \
distance between them, in mm. Above 0.002 mm, the \
limit of NIST RS274/NGC version 3, it is a note; above 0.05 mm, the width of a visible step (common practice, no \
source), a hold. A radius that falls short by no more is taken as half a turn; with one that falls short by more the move is \
followed straight to its end, so that nothing else is found of an arc that nobody knows.",
        remedy: "slice again with more digits, or without arcs. For a hold look at the I and J words, or the R word, and at where the move \
before ends.",
    },
    heat_or_travel: false,
    timed: false,
    unchecked: None,
    build: |_, _| Built::Reading(judge),
};

fn judge(notice: &Notice, log: &mut Log) {
    let (mismatch_mm, by_radius) = match notice.what {
        Noticed::RadiusMismatch { mismatch_mm } => (mismatch_mm, None),
        Noticed::RadiusTooSmall { radius_mm, apart_mm } => (apart_mm / 2.0 - radius_mm, Some((radius_mm, apart_mm))),
        _ => return,
    };
    let hold = mismatch_mm > ROUNDED_MM;
    let (limit, severity) = if hold { (ROUNDED_MM, Severity::Hold) } else { (RADIUS_TOLERANCE_MM, Severity::Note) };
    let hit = Hit {
        value: Some(mismatch_mm),
        badness: mismatch_mm,
        limit: Some(limit),
        unit: "mm",
        ..Hit::noticed(&CHECK, u64::from(hold) + 2 * u64::from(by_radius.is_some()), severity, notice)
    };
    log.raise(hit, || {
        if let Some((radius_mm, apart_mm)) = by_radius {
            let least_mm = apart_mm / 2.0;
            // Enough digits to tell the two radii apart: they differ by more than 0.002 mm.
            let [radius, apart, least] = [radius_mm, apart_mm, least_mm].map(figure);
            let taken = if hold { "a straight line" } else { "half a turn" };
            return format!(
                "a radius of {radius} mm cannot join points {apart} mm apart: it must be at least {least} mm; taken as {taken}"
            );
        }
        format!("start and end of the arc differ by {mismatch_mm:.4} mm in their distance from the centre (limit {limit} mm)")
    });
}

#[cfg(test)]
mod tests {
    use super::super::testing::found;
    use crate::findings::Severity;
    use crate::machine::Machine;

    fn told(arc: &str) -> Vec<(Severity, String)> {
        let job = format!("G28\nG0 X60 Y60 F6000\n{arc} F1800\n");
        let about = found(&super::CHECK, &Machine::built_in(), &job).into_iter();
        about.map(|finding| (finding.severity, finding.message)).collect()
    }

    #[test]
    fn nothing_else_is_found_of_an_arc_that_nobody_knows() {
        // Half a turn from 190 to 0 would reach 85 mm out of the travel.
        for radius in ["0", "1", "-3"] {
            let job = format!("G28\nG0 X190 Y10 F6000\nG2 X0 Y10 R{radius} F1800\n");
            let log = found(&super::super::outside_travel::CHECK, &Machine::built_in(), &job);
            assert!(log.is_empty(), "{radius}: {log:?}");
        }
    }

    #[test]
    fn a_radius_that_cannot_join_the_ends_is_told_as_one() {
        // A chord is no longer than the diameter (Euclid III.15).
        for radius in ["10", "-10"] {
            let told = told(&format!("G2 X100 Y60 R{radius}"));
            let [(Severity::Hold, message)] = told.as_slice() else { panic!("{told:?}") };
            let words = "A radius of 10 mm cannot join points 40 mm apart: it must be at least 20 mm";
            assert!(message.starts_with(words) && !message.contains("centre"), "{message}");
        }
        let told_nearly = told("G2 X100 Y60 R19.997");
        assert!(told_nearly[0].1.contains("19.997 mm") && told_nearly[0].0 == Severity::Note, "{told_nearly:?}");
        assert_eq!(told("G2 X100 Y60 R19.9985"), [], "rounded");
        assert_eq!(told("G2 X100 Y60 R20"), []);
        let told = told("G2 X100 Y60 I10 J0");
        assert!(told[0].1.contains("distance from the centre"), "{told:?}");
    }
}
