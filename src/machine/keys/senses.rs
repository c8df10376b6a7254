//! What people of the trade call things that the sheet has under another name.

use super::KEYS;

/// Words, each with others that mean the same after a bar, and the keys that who says them all may mean, the likeliest first.
/// Of an axis x stands for all.
#[rustfmt::skip]
const SENSES: &[(&str, &[&str])] = &[
    ("jerk", &["motion.corner.jerk_mm_s.x"]),
    ("deviation", &["motion.corner.junction_deviation_mm"]),
    ("corner|cornering", &["motion.corner.jerk_mm_s.x", "motion.corner.junction_deviation_mm"]),
    ("speed|feed|feedrate|velocity", &["motion.feed_rate_limit_mm_s.x", "controller.default_feed_rate_mm_s"]),
    ("max|maximum|top|highest|limit speed|feed|feedrate|velocity", &["motion.feed_rate_limit_mm_s.x"]),
    ("default speed|feed|feedrate", &["controller.default_feed_rate_mm_s"]),
    ("acceleration|accel|acc", &["motion.acceleration_mm_s2.printing", "motion.acceleration_limit_mm_s2.x"]),
    ("max|maximum|highest|limit acceleration|accel|acc", &["motion.acceleration_limit_mm_s2.x"]),
    ("print|printing acceleration|accel|acc", &["motion.acceleration_mm_s2.printing"]),
    ("travel acceleration|accel|acc", &["motion.acceleration_mm_s2.travel"]),
    ("retract|retraction acceleration|accel|acc", &["motion.acceleration_mm_s2.retraction"]),
    ("lookahead|buffer|planner", &["motion.look_ahead_moves"]),
    ("kinematic|delta|layout", &["motion.drive_layout"]),
    ("arm|rod", &["motion.towers.arm_mm"]),
    ("bed", &["travel.bed", "bed.temperature_limit_c"]),
    ("bed size|width|depth|dimension", &["travel.x", "travel.y"]),
    ("build|print volume|size|area|height|width|depth", &["travel.x", "travel.y", "travel.z"]),
    ("home|homing", &["travel.home", "controller.homing_s"]),
    ("home|homing z|place|position", &["travel.homes_z_at_mm", "travel.home"]),
    ("nozzle", &["tool[].nozzle_diameter_mm"]),
    ("nozzle|hotend|extruder temp|temperature|limit", &["tool[].temperature_c.limit"]),
    ("hotend", &["tool[].temperature_c.limit", "tool[].melt_rate_mm3_s.sustained"]),
    ("temp|temperature", &["tool[].temperature_c.limit", "bed.temperature_limit_c"]),
    ("min|minimum|lowest temp|temperature", &["tool[].temperature_c.extrude_min"]),
    ("cold", &["tool[].temperature_c.extrude_min"]),
    ("bed temp|temperature", &["bed.temperature_limit_c"]),
    ("chamber temp|temperature", &["chamber.temperature_limit_c"]),
    ("filament", &["tool[].filament_diameter_mm", "tool[].density_g_cm3", "tool[].on_spool_mm"]),
    ("filament diameter|size|width|thickness", &["tool[].filament_diameter_mm"]),
    ("spool", &["tool[].on_spool_mm"]),
    ("flow|volumetric|throughput", &["tool[].melt_rate_mm3_s.sustained", "tool[].melt_rate_mm3_s.peak"]),
    ("melt|melting|flow temp|temperature", &["tool[].melt_rate_at[].nozzle_c", "tool[].melt_zone.melts_at_c"]),
    ("offset temp|temperature|nozzle", &["tool[].nozzle_offset_c"]),
    ("layer time|cooling", &["tool[].layer_time_min_s"]),
    ("energy|consumption", &["power.electronics_w", "power.motors_w", "power.bed_w"]),
    ("retract|retraction", &["tool[].retraction.length_mm", "tool[].retraction.feed_rate_mm_s"]),
    ("retract|retraction speed|feed|feedrate", &["tool[].retraction.feed_rate_mm_s"]),
    ("step mm|unit|millimeter|millimetre", &["controller.steps_per_mm.x"]),
    ("step rate|frequency", &["controller.step_rate_limit_hz"]),
    ("microstep|microstepping", &["drive.x.steps_per_full_step"]),
    ("micro step|stepping", &["drive.x.steps_per_full_step"]),
    ("current", &["drive.x.coil_current_rms_a", "drive.x.rated_current_a"]),
    ("voltage", &["drive.supply_v"]),
    ("pulley|teeth", &["drive.x.pulley_teeth"]),
    ("lead|leadscrew screw|pitch", &["drive.z.screw_lead_mm"]),
    ("baud|serial", &["controller.serial_baud"]),
    ("frequency|resonance|ringing|ghosting|vibration", &["structure[].natural_hz", "structure_limits.ringing_mm"]),
    ("damping", &["structure[].damping_ratio"]),
    ("shaper|shaping", &["structure_limits.impulse_shaper.x.kind"]),
];

/// Most keys that a sense may mean.
const MEANT_MAX: usize = 3;

/// The keys that somebody may mean who writes this for a path, the likeliest first: those of the senses with the most words.
pub(in crate::machine) fn meant(path: &str) -> Vec<String> {
    let path = path.to_lowercase();
    let said: Vec<&str> = path.split(|c: char| !c.is_alphanumeric()).filter(|word| !word.is_empty()).map(one).collect();
    let is_said = |word: &str| word.split('|').any(|word| said.contains(&one(word)));
    let words = |sense: &str| match sense.split(' ').all(is_said) {
        true => sense.split(' ').count(),
        false => 0,
    };
    let most = SENSES.iter().map(|(sense, _)| words(sense)).max().unwrap_or(0);
    let fitting = SENSES.iter().filter(|(sense, _)| most > 0 && words(sense) == most);
    let mut meant = Vec::new();
    for key in fitting.flat_map(|(_, keys)| *keys).map(|key| on_axis(key, &said)) {
        if !meant.contains(&key) {
            meant.push(key);
        }
    }
    meant.truncate(MEANT_MAX);
    meant
}

/// A word without the s of many.
fn one(word: &str) -> &str {
    word.strip_suffix('s').filter(|one| one.len() > 2).unwrap_or(word)
}

/// The key of the axis that was said.
fn on_axis(key: &str, said: &[&str]) -> String {
    let axis = ["y", "z", "e"].into_iter().find(|axis| said.contains(axis));
    let on = axis.map(|axis| format!("{key}.").replace(".x.", &format!(".{axis}.")).trim_end_matches('.').to_owned());
    on.filter(|on| KEYS.iter().any(|key| key.path == on)).unwrap_or_else(|| key.to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::machine::keys::find;

    #[test]
    fn every_key_that_is_meant_exists() {
        for (sense, keys) in SENSES {
            assert!((1..=MEANT_MAX).contains(&keys.len()), "{sense}");
            for key in *keys {
                assert!(find(key).is_some_and(|key| !key.is_table()), "{sense}: there is no key {key}");
            }
            // Nobody else takes its words away.
            let said = sense.split(' ').filter_map(|word| word.split('|').next()).collect::<Vec<_>>().join(" ");
            assert!(meant(&said).iter().any(|own| keys.contains(&own.as_str())), "{sense}: {:?}", meant(&said));
        }
    }

    #[test]
    fn the_sense_with_the_most_words_wins() {
        for (said, keys) in [
            ("jerk", &["motion.corner.jerk_mm_s.x"][..]),
            ("Jerk.Y", &["motion.corner.jerk_mm_s.y"]),
            ("max feed", &["motion.feed_rate_limit_mm_s.x"]),
            ("max-speed-z", &["motion.feed_rate_limit_mm_s.z"]),
            ("speed", &["motion.feed_rate_limit_mm_s.x", "controller.default_feed_rate_mm_s"]),
            ("nozzle", &["tool[].nozzle_diameter_mm"]),
            ("bed size", &["travel.x", "travel.y"]),
            ("steps per mm", &["controller.steps_per_mm.x"]),
            ("steps_mm.e", &["controller.steps_per_mm.e"]),
            ("filament diameter", &["tool[].filament_diameter_mm"]),
            ("tool.filament", &["tool[].filament_diameter_mm", "tool[].density_g_cm3", "tool[].on_spool_mm"]),
            ("motor current z", &["drive.z.coil_current_rms_a", "drive.z.rated_current_a"]),
            ("zzz", &[]),
            ("", &[]),
        ] {
            assert_eq!(meant(said), keys, "{said}");
        }
    }
}
