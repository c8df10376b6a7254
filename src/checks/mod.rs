//! The catalogue of checks, one file per check, each named after the fault it finds.
//!
//! A check is an id, a default severity, a summary, an explanation and a `build` function. `build` looks at the
//! machine and answers with an observer, with [`Built::Reading`] (it turns notices of the reader into
//! findings), with [`Built::OnLevels`] or [`Built::AtTheEnd`] (it judges the job as a whole), or with the reason why it is
//! skipped on this machine: nothing is silently not checked.

pub mod arc_radius_mismatch;
pub mod axis_not_described;
pub mod bad_checksum;
pub mod bed_over_limit;
pub mod bulges_at_corners;
pub mod chamber_over_limit;
pub mod command_rate_exceeded;
pub mod commands_not_run;
pub mod commands_share_line;
pub mod drives_resonance;
pub mod extruder_overdriven;
pub mod extrudes_cold;
pub mod feed_rate_clipped;
pub mod file_too_large_for_card;
pub mod guard_disabled;
pub mod head_in_print;
pub mod heat_not_awaited;
pub mod heater_left_on;
pub mod heater_not_described;
pub mod heater_power_exceeded;
pub mod homes_onto_print;
pub mod hot_and_idle;
pub mod implausible_extrusion;
pub mod implausible_lead;
pub mod inside_keep_out;
pub mod layer_fan_never_on;
pub mod layer_time_too_short;
pub mod layers_too_high;
pub mod limits_changed_in_job;
pub mod line_number_skipped;
pub mod line_too_long;
pub mod lines_lay_nothing;
pub mod lines_too_thin;
pub mod machine_changed_in_job;
pub mod macro_not_described;
pub mod malformed_word;
pub mod melt_peak_exceeded;
pub mod melt_rate_exceeded;
pub mod motors_off_then_moves;
pub mod moves_before_homing;
pub mod name_unfit_for_card;
pub mod no_extrusion;
pub mod no_feed_rate;
pub mod no_moves;
pub mod not_supported_here;
pub mod nozzle_in_print;
pub mod nozzle_over_limit;
pub mod outside_travel;
pub mod placeholder_unfilled;
pub mod prints_in_air;
pub mod prints_into_bed;
pub mod prints_off_bed;
pub mod prints_pulled_back;
pub mod pull_back_too_long;
pub mod purge_line;
pub mod retraction_length_unknown;
pub mod rings_frame;
pub mod settings_stored;
pub mod spool_too_short;
pub mod step_rate_exceeded;
pub mod target_out_of_reach;
pub mod tool_not_described;
pub mod truncated_job;
pub mod unknown_command;

mod heat;
mod levels;
mod melt;
mod sheets;
#[cfg(test)]
mod testing;

pub(crate) use purge_line::{FirstMoves, LAYER_STEP_MM, other_layer};
pub use sheets::{discover, sheet_schema};

use crate::findings::{Built, Check, Hit, Log, Observer, Severity, Skipped, Spot, StreamFacts};
use crate::machine::{Machine, Override};
use crate::modal::{Calls, notice::Notice};

/// Every check, in the order reports list them.
pub const CATALOGUE: &[&Check] = &[
    &outside_travel::CHECK,
    &inside_keep_out::CHECK,
    &prints_off_bed::CHECK,
    &homes_onto_print::CHECK,
    &nozzle_over_limit::CHECK,
    &bed_over_limit::CHECK,
    &chamber_over_limit::CHECK,
    &extrudes_cold::CHECK,
    &truncated_job::CHECK,
    &not_supported_here::CHECK,
    &heat_not_awaited::CHECK,
    &placeholder_unfilled::CHECK,
    &prints_into_bed::CHECK,
    &prints_in_air::CHECK,
    &nozzle_in_print::CHECK,
    &head_in_print::CHECK,
    &melt_rate_exceeded::CHECK,
    &melt_peak_exceeded::CHECK,
    &heater_power_exceeded::CHECK,
    &layer_time_too_short::CHECK,
    &step_rate_exceeded::CHECK,
    &command_rate_exceeded::CHECK,
    &rings_frame::CHECK,
    &drives_resonance::CHECK,
    &bulges_at_corners::CHECK,
    &extruder_overdriven::CHECK,
    &moves_before_homing::CHECK,
    &implausible_extrusion::CHECK,
    &lines_lay_nothing::CHECK,
    &lines_too_thin::CHECK,
    &layers_too_high::CHECK,
    &pull_back_too_long::CHECK,
    &prints_pulled_back::CHECK,
    &machine_changed_in_job::CHECK,
    &macro_not_described::CHECK,
    &settings_stored::CHECK,
    &guard_disabled::CHECK,
    &bad_checksum::CHECK,
    &malformed_word::CHECK,
    &commands_share_line::CHECK,
    &arc_radius_mismatch::CHECK,
    &implausible_lead::CHECK,
    &tool_not_described::CHECK,
    &heater_not_described::CHECK,
    &heater_left_on::CHECK,
    &commands_not_run::CHECK,
    &target_out_of_reach::CHECK,
    &no_moves::CHECK,
    &no_extrusion::CHECK,
    &motors_off_then_moves::CHECK,
    &hot_and_idle::CHECK,
    &spool_too_short::CHECK,
    &feed_rate_clipped::CHECK,
    &layer_fan_never_on::CHECK,
    &line_too_long::CHECK,
    &no_feed_rate::CHECK,
    &unknown_command::CHECK,
    &line_number_skipped::CHECK,
    &axis_not_described::CHECK,
    &limits_changed_in_job::CHECK,
    &retraction_length_unknown::CHECK,
    &file_too_large_for_card::CHECK,
    &name_unfit_for_card::CHECK,
    &purge_line::CHECK,
];

/// True for a no-go on heat or travel, which nobody should accept lightly.
pub fn is_unsafe(check: &str, severity: Severity) -> bool {
    find(check).is_some_and(|check| check.is_unsafe(severity))
}

/// What cannot be judged of other limits of motion, as the sheet lacks the keys: the topics of the timed checks among those
/// that did not run.
pub fn not_timed(skipped: &[crate::findings::Skipped]) -> Vec<&'static str> {
    let timed = skipped.iter().filter_map(|skipped| find(&skipped.check)).filter(|check| check.timed);
    timed.map(|check| check.topic).collect()
}

/// True when what a check finds depends on speeds and times.
pub fn is_timed(check: &str) -> bool {
    find(check).is_some_and(|check| check.timed)
}

/// Raises one finding on the first line of each name that a job calls; `message` words it around the list of them.
fn raise_called(check: &'static Check, calls: &Calls, log: &mut Log, message: impl Fn(String) -> String) {
    for called in &calls.names {
        let hit = Hit { spot: Spot::At(called.place_mm), ..Hit::plain(check, 0, check.severity, called.line) };
        log.raise(hit, || message(calls.list()));
    }
}

/// The checks of a machine, built for one job.
pub struct Judges {
    /// What turns notices of the reader into findings.
    pub reading: Vec<fn(&Notice, &mut Log)>,
    /// What watches the planned blocks.
    pub watching: Vec<Box<dyn Observer>>,
    /// What judges the job as a whole at its end.
    pub at_the_end: Vec<fn(&StreamFacts, &Machine, &mut Log)>,
    /// Checks that are made.
    pub run: Vec<&'static str>,
    /// Checks that are not, and why.
    pub skipped: Vec<Skipped>,
}

impl Judges {
    /// Builds all checks that are wanted for the job at `path` (`-` is standard input).
    pub fn build(machine: &Machine, path: &str, wanted: impl Fn(&Check) -> bool) -> Self {
        let (reading, watching, at_the_end) = (Vec::new(), Vec::new(), Vec::new());
        let mut on_levels = Vec::new();
        let mut judges = Self { reading, watching, at_the_end, run: Vec::new(), skipped: Vec::new() };
        for check in CATALOGUE.iter().filter(|check| wanted(check)) {
            let built = match machine.severities.get(check.id) {
                Some(Override::Off) => Built::Skipped("switched off in the sheet".to_owned()),
                _ => (check.build)(machine, path),
            };
            match built {
                Built::Watching(observer) => judges.watching.push(observer),
                Built::Reading(judge) => judges.reading.push(judge),
                Built::WithOthers => {}
                Built::AtTheEnd(judge) => judges.at_the_end.push(judge),
                Built::OnLevels(judge) => on_levels.push(judge),
                Built::Skipped(reason) => {
                    judges.skipped.push(Skipped {
                        check: check.id.into(),
                        reason,
                        unchecked: check.unchecked.map(Into::into),
                    });
                    continue;
                }
            }
            judges.run.push(check.id);
        }
        if !on_levels.is_empty() {
            judges.watching.push(Box::new(levels::FollowLevels::new(machine, on_levels)));
        }
        judges
    }
}

/// Finds a check by id.
pub fn find(id: &str) -> Option<&'static Check> {
    CATALOGUE.iter().copied().find(|check| check.id == id)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;
    use std::path::Path;

    #[test]
    fn every_id_is_its_own_kebab_case_word_and_names_its_file() {
        let directory = Path::new(env!("CARGO_MANIFEST_DIR")).join("src/checks");
        let mut seen = BTreeSet::new();
        for check in CATALOGUE {
            let kebab = check.id.split('-').all(|w| !w.is_empty() && w.bytes().all(|b| b.is_ascii_lowercase()));
            assert!(kebab, "{} is not kebab-case", check.id);
            assert!(seen.insert(check.id), "{} is listed twice", check.id);
            assert!(directory.join(check.id.replace('-', "_") + ".rs").is_file(), "{} has no file", check.id);
            assert_eq!(find(check.id).map(|found| found.explain), Some(check.explain));
        }
        assert!(find("no-such-check").is_none());
    }

    #[test]
    fn heat_and_travel_are_checks_and_cover_every_limit_of_both() {
        let limits = CATALOGUE.iter().filter(|check| check.id.ends_with("-over-limit"));
        assert!(limits.clone().count() >= 3 && limits.clone().all(|check| is_unsafe(check.id, Severity::NoGo)));
        assert!(!is_unsafe("outside-travel", Severity::Hold) && !is_unsafe("rings-frame", Severity::NoGo));
    }

    #[test]
    fn every_file_is_listed() {
        let directory = Path::new(env!("CARGO_MANIFEST_DIR")).join("src/checks");
        let shared = ["mod", "heat", "levels", "melt", "sheets", "testing"];
        for entry in std::fs::read_dir(directory).expect("the directory of the checks") {
            let path = entry.expect("an entry").path();
            let stem = path.file_stem().and_then(|stem| stem.to_str()).expect("a name").to_owned();
            assert!(shared.contains(&stem.as_str()) || find(&stem.replace('_', "-")).is_some(), "{stem} is not listed");
        }
    }

    #[test]
    fn every_check_explains_itself_in_its_own_words() {
        let mut texts = BTreeSet::new();
        for check in CATALOGUE {
            for (heading, text) in check.explain.parts() {
                assert!(text.len() > 20 && text.ends_with('.'), "{}: {heading}: {text}", check.id);
                assert!(!text.contains('\n') && !text.contains("  "), "{}: one paragraph, single spaces", check.id);
            }
            assert!(check.summary.len() > 20, "{}", check.id);
            assert!(
                texts.insert(check.summary) && texts.insert(check.explain.how) && texts.insert(check.explain.what),
                "{} repeats another",
                check.id
            );
        }
    }

    #[test]
    fn the_catalogue_goes_from_the_worst_to_the_lightest() {
        assert!(CATALOGUE.windows(2).all(|pair| pair[0].severity >= pair[1].severity));
    }

    #[test]
    fn reasons_name_the_key_to_add() {
        let mut bare = testing::machine();
        let (machine, tool) = (&mut bare, crate::machine::Tool { nozzle_diameter_mm: None, ..testing::tool() });
        machine.tools = vec![crate::machine::Tool {
            limit_c: None,
            extrude_min_c: None,
            sustained_mm3_s: None,
            peak_mm3_s: None,
            on_spool_mm: None,
            ..tool
        }];
        (machine.bed, machine.chamber) = (None, None);
        machine.controller.step_rate_limit_hz = None;
        machine.controller.command_rate_limit_hz = None;
        machine.controller.serial_baud = None;
        machine.controller.line_length_limit_bytes = None;
        let mut skipped = 0;
        for check in CATALOGUE {
            if let Built::Skipped(reason) = (check.build)(&bare, "job.gcode") {
                assert!(reason.starts_with("the sheet gives n") && reason.contains("`["), "{}: {reason}", check.id);
                skipped += 1;
            }
        }
        assert_eq!(skipped, 24);
    }
}
