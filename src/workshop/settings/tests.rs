use std::collections::BTreeMap;
use std::fmt::Write as _;

use proptest::prelude::*;

use super::*;
use crate::checks::Judges;
use crate::machine::Machine;

const HERON: &str = include_str!("../../../corpus/machines/heron.toml");
const BITTERN: &str = include_str!("../../../corpus/machines/bittern.toml");
const WREN: &str = include_str!("../../../corpus/machines/wren.toml");
const HERON_SAYS: &str = include_str!("../../../corpus/settings/heron.txt");

fn settings(text: &str) -> Settings {
    read(text.as_bytes(), SpeedUnit::Judged).expect("memory reads")
}

fn machine(text: &str) -> Machine {
    Machine::parse("sheet.toml", text).unwrap_or_else(|faults| panic!("{faults}\n{text}"))
}

/// `line text: fate key value; note`.
fn spell(rows: &[Row]) -> Vec<String> {
    let one = |row: &Row| {
        let mut text = format!("{} {}: {}", row.line, row.text, row.fate.word());
        if let (Some(key), Some(value)) = (&row.key, row.value) {
            let _ = write!(text, " {key} {value}");
        }
        if !row.note.is_empty() {
            let _ = write!(text, "; {}", row.note);
        }
        text
    };
    rows.iter().map(one).collect()
}

fn rows(text: &str) -> Vec<String> {
    spell(&settings(text).rows)
}

fn value(text: &str, place: &str) -> Option<f64> {
    settings(text).values().into_iter().find(|(path, _)| *path == place).map(|(_, value)| value)
}

#[test]
fn the_last_of_two_values_wins() {
    assert_eq!(
        rows("M92 X80 Y80\nM92 Y160.00"),
        [
            "1 M92 X80: read controller.steps_per_mm.x 80",
            "1 M92 Y80: replaced controller.steps_per_mm.y 80",
            "2 M92 Y160.00: read controller.steps_per_mm.y 160",
        ]
    );
    assert_eq!(settings("M92 Y80\n\nM92 Y160").rows[0].fate, Fate::Replaced { by_line: 3 });
}

#[test]
fn every_command_is_told() {
    assert_eq!(
        rows("G21\nM301 P1 I2\nM206 X-3\nM999 Q\nM92\nM92 X\nM92 Q5 X80\nT0\nM117 M92 X5\nM205 B20000"),
        [
            "1 G21: not kept; lengths are in mm, as here",
            "2 M301 P1 I2: not kept; control loop of the hotend: the sheet describes heating by time constant and full power",
            "3 M206 X-3: not kept; offset from the end-stops: travel.home is where homing leaves the axes in machine coordinates, which this alone does not say; measure it",
            "4 M999 Q: not kept; no setting of the sheet",
            "5 M92: not kept; asks or sets nothing: no words",
            "6 M92 X: not kept; a letter without a number",
            "7 M92 Q5: not kept; M92 has no word Q here",
            "7 M92 X80: read controller.steps_per_mm.x 80",
            "8 T0: not kept; no setting of the sheet",
            "9 M117: not kept; no setting of the sheet",
            "10 M205 B20000: not kept; shortest time of a move: the sheet does not have it",
        ]
    );
}

#[test]
fn what_may_be_damaged_is_not_kept() {
    for text in ["M92 X80,5", "M92 X8 0", "M92 X8O", "M92 X1e3", "M92 X80#", "/M92 X80", "'M92 X80'", "M92 X80*1"] {
        assert_eq!(value(text, "controller.steps_per_mm.x"), None, "{text}");
        assert!(!rows(text).is_empty(), "{text}");
    }
    for text in ["M92 X0", "M92 X-80", "M205 X-1", "M92 X9999999999999"] {
        assert!(settings(text).values().is_empty(), "{text}");
        assert!(rows(text)[0].contains(" takes a number "), "{text}");
    }
    // What comes before the damage and is apart from it is sound.
    assert_eq!(value("M92 X80 Y8O", "controller.steps_per_mm.x"), Some(80.0));
    assert_eq!(rows("M92 X80 ok")[1], "1 ok: not kept; no G-code from column 9 on: not read");
    assert_eq!(rows("M503 gave M92 X80")[1], "1 gave M92 X80: not kept; no G-code from column 6 on: not read");
    assert_eq!(rows("M3 screws").len(), 1);
}

#[test]
fn lines_end_as_they_like() {
    let plain = settings("M92 X80\nM201 Y5");
    let values = plain.values();
    for text in ["\u{feff}M92 X80\r\nM201 Y5\r\n", "\r\nM92 X80\r\n\r\n\tM201 Y5", "M92 X80 ; (\nM201 Y5\t"] {
        assert_eq!(settings(text).values(), values, "{text:?}");
    }
    assert_eq!(read(&b"\xff\xfe M92 X80 \xff\nM201 Y5"[..], SpeedUnit::Judged).expect("reads").values(), values);
}

#[test]
fn inches_are_not_converted() {
    let text = "G20\nM92 X2032\nG21\nM92 Y80";
    assert_eq!(rows(text)[1], "2 M92 X2032: not kept; in inches since the G20 in line 1: the sheet is in mm");
    assert_eq!(value(text, "controller.steps_per_mm.y"), Some(80.0));
}

#[test]
fn speeds_that_are_not_plausible_are_doubted_together() {
    let text = "M203 X12000 Z600\nM203 E3000";
    let judged = settings(text);
    assert!(judged.values().is_empty());
    assert_eq!(
        spell(&judged.rows),
        [
            "1 M203 X12000: in doubt motion.feed_rate_limit_mm_s.x 12000; above 1500 mm/s, not plausible; in mm/min it is 200 mm/s",
            "1 M203 Z600: in doubt motion.feed_rate_limit_mm_s.z 600; its unit is that of M203 X12000 in line 1; in mm/min it is 10 mm/s",
            "2 M203 E3000: in doubt motion.feed_rate_limit_mm_s.e 3000; above 1500 mm/s, not plausible; in mm/min it is 50 mm/s",
        ]
    );
    assert_eq!(judged.rows[0].if_per_minute, Some(200.0));
    let stated = |unit| read(text.as_bytes(), unit).expect("reads");
    assert_eq!(stated(SpeedUnit::PerMinute).values().iter().map(|(_, v)| *v).collect::<Vec<_>>(), [200.0, 10.0, 50.0]);
    assert_eq!(stated(SpeedUnit::PerSecond).values()[0].1, 12000.0);
    assert_eq!(settings("M203 X1500").values().len(), 1);
}

#[test]
fn feeds_of_retractions_are_per_minute() {
    assert_eq!(
        rows("M207 S1.2 F2100\nM208 F60"),
        [
            "1 M207 S1.2: read tool[0].retraction.length_mm 1.2",
            "1 M207 F2100: read tool[0].retraction.feed_rate_mm_s 35; F is mm/min: 2100 / 60",
            "2 M208 F60: read tool[0].retraction.recover_feed_rate_mm_s 1; F is mm/min: 60 / 60; slow: check that it is not mm/s",
        ]
    );
}

#[test]
fn currents_and_micro_steps_go_to_the_drives() {
    let note = |number: &str| {
        format!("mA, taken as RMS: {number} / 1000; where a controller means the peak it is 0.71 of that")
    };
    assert_eq!(
        rows("M906 X800 Y0 I1.5 T0\nM906 X800 Z1100.5 E650 I30\nM350 X16 Y256 Z3.5 E2048 S8 I1\nM906 T1 E500\nM906 I1 X700"),
        [
            "1 M906 X800 Y0 I1.5 T0: not kept; by I of another driver of the axis in one dialect, and the sheet has one current for each axis".to_owned(),
            format!("2 M906 X800: read drive.x.coil_current_rms_a 0.8; {}", note("800")),
            format!("2 M906 Z1100.5: read drive.z.coil_current_rms_a 1.1005; {}", note("1100.5")),
            format!("2 M906 E650: read drive.e.coil_current_rms_a 0.65; {}", note("650")),
            "2 M906 I30: not kept; number of a driver, or % of the current at rest: the sheet has neither".to_owned(),
            "3 M350 X16: read drive.x.steps_per_full_step 16".to_owned(),
            "3 M350 Y256: read drive.y.steps_per_full_step 256".to_owned(),
            "3 M350 Z3.5: not kept; drive.z.steps_per_full_step takes a whole number from 1 to 1024".to_owned(),
            "3 M350 E2048: not kept; drive.e.steps_per_full_step takes a whole number from 1 to 1024".to_owned(),
            "3 M350 S8: not kept; of which motors differs between dialects: write steps_per_full_step yourself".to_owned(),
            "3 M350 I1: not kept; steps the driver makes up in between: the sheet does not have it".to_owned(),
            "4 M906 T1 E500: not kept; of another extruder: the sheet has these values for the first one only".to_owned(),
            "5 M906 I1 X700: not kept; by I of another driver of the axis in one dialect, and the sheet has one current for each axis".to_owned(),
        ]
    );
    assert!(rows("M906 X0")[0].contains("takes a number above 0"));
    let says = settings("M350 X32\nM906 Y950\n");
    let merged = merge(&says, HERON).expect("TOML");
    let changed: Vec<&str> = merged.text.lines().filter(|line| !HERON.contains(line)).collect();
    assert_eq!(changed, ["steps_per_full_step = 32", "coil_current_rms_a = 0.95"]);
    let made = merge(&says, "[motion]\n").expect("TOML").text;
    assert_eq!(made, "[motion]\n\n[drive]\nx = { steps_per_full_step = 32 }\ny = { coil_current_rms_a = 0.95 }\n");
    let fresh = fresh(&says).text;
    assert!(fresh.contains("\n[drive.x]\nsteps_per_full_step = 32 # M350 X32, line 1\n"), "{fresh}");
}

#[test]
fn old_and_new_accelerations() {
    let [printing, travel] = [trade::PRINTING, trade::TRAVEL];
    assert_eq!(value("M204 S900", printing), Some(900.0));
    assert_eq!(value("M204 S900", travel), Some(900.0));
    assert_eq!(value("M204 P800 T1000 S900", travel), Some(1000.0));
    assert_eq!(value("M204 P800 S900", printing), Some(800.0));
    assert_eq!(settings("M204 S900 T3000").rows.last().expect("a row").fate, Fate::Doubt);
}

#[test]
fn one_corner_rule_counts() {
    let jerk = "M205 X8 Y8 Z0.3 E4";
    assert_eq!(value(&format!("{jerk} J0.02"), trade::DEVIATION), Some(0.02));
    assert_eq!(settings(&format!("{jerk}\nM205 J0.02")).values().len(), 1);
    assert_eq!(settings(&format!("{jerk} J0")).values().len(), 4);
    assert_eq!(value("M205 J0", trade::DEVIATION), Some(0.0));
}

#[test]
fn tools_have_numbers() {
    assert_eq!(value("M92 T0 E95", "controller.steps_per_mm.e"), Some(95.0));
    assert!(settings("M92 T1 E95\nM92 T-1 E4\nM218 X1\nM218 T64 X1\nM900 T0.5 K1").values().is_empty());
    assert_eq!(value("M218 T1 X18", "tool[1].offset_mm[0]"), Some(18.0));
    assert_eq!(value("M900 K0.05 T1", "tool[1].extrusion_lead_s"), Some(0.05));
}

#[test]
fn rows_have_a_bound_and_values_none() {
    let mut text = "T1\n".repeat(5000);
    text.push_str("M92 X80\n");
    let settings = settings(&text);
    assert_eq!((settings.rows.len(), settings.left_out), (ROWS_MAX + 1, 4000));
    assert_eq!(settings.values(), [("controller.steps_per_mm.x", 80.0)]);
}

#[test]
fn ten_megabytes_of_anything() {
    let junk: Vec<u8> = (0..10_000_000u32).map(|at| (at.wrapping_mul(2_654_435_761) >> 24) as u8).collect();
    let settings = read(&junk[..], SpeedUnit::Judged).expect("reads");
    assert!(settings.rows.len() < 10_000);
}

#[test]
fn only_what_differs_is_touched() {
    let merged = merge(&settings(HERON_SAYS), HERON).expect("TOML");
    let changed: Vec<(&str, &str)> =
        HERON.lines().zip(merged.text.lines()).filter(|(old, new)| old != new).take(1).collect();
    assert_eq!(
        changed,
        [(
            "steps_per_mm = { x = 80.0, y = 80.0, z = 400.0, e = 96.0 }",
            "steps_per_mm = { x = 80.0, y = 160.0, z = 400.0, e = 31.67 }"
        )]
    );
    // Added are the lead, the retraction and the probe.
    assert_eq!(merged.text.lines().filter(|line| !HERON.contains(line)).count(), 5, "{}", merged.text);
    let machine = machine(&merged.text);
    assert_eq!(machine.controller.steps_per_mm, [80.0, 160.0, 400.0, 31.67].map(Some));
    assert_eq!(machine.probe_offset_mm, Some([-28.0, 12.0, -1.6]));
    assert_eq!(machine.tools[0].retraction.map(|r| (r.feed_rate_mm_s, r.recover_feed_rate_mm_s)), Some((35.0, 25.0)));
    let fates = |word: &str| merged.rows.iter().filter(|row| row.fate.word() == word).count();
    assert_eq!((fates("changed"), fates("replaced"), fates("not kept")), (2, 4, 7));
}

#[test]
fn the_corner_rule_changes_place() {
    let merged = merge(&settings("M205 J0.02"), HERON).expect("TOML");
    assert!(merged.text.contains("\ncorner = { junction_deviation_mm = 0.02 }\n"), "{}", merged.text);
    assert_eq!(merged.rows[0].note, "takes the place of motion.corner.jerk_mm_s");
    assert_eq!(merged.rows[0].fate, Fate::New);
    let back = merge(&settings("M205 X8 Y8 Z0.3 E4"), &merged.text).expect("TOML");
    assert_eq!(back.text, HERON);
    // Half a rule changes nothing.
    let half = merge(&settings("M205 X8"), &merged.text).expect("TOML");
    assert_eq!((half.text, half.rows[0].fate), (merged.text, Fate::NotKept));
}

#[test]
fn sheets_keep_their_form() {
    let crlf = HERON.replace('\n', "\r\n");
    let merged = merge(&settings("M92 Y160"), &format!("\u{feff}{crlf}")).expect("TOML");
    assert_eq!(merged.text, format!("\u{feff}{}", crlf.replace("y = 80.0, z = 400.0", "y = 160.0, z = 400.0")));

    let headers = "[motion.corner]\n# soft\njerk_mm_s.x = 8 # whole\njerk_mm_s.y = 8.5\n[controller]\nsteps_per_mm = {x=80,y=80}\n";
    let merged = merge(&settings("M205 X9 Y9\nM92 X100 Y80.5 Z400\nM201 X5"), headers).expect("TOML");
    assert_eq!(
        merged.text,
        "[motion]\nacceleration_limit_mm_s2 = { x = 5.0 }\n[motion.corner]\n# soft\njerk_mm_s.x = 9 # whole\n\
         jerk_mm_s.y = 9.0\n[controller]\nsteps_per_mm = { x = 100, y = 80.5, z = 400.0 }\n"
    );
}

#[test]
fn tables_are_made_whole_or_not_at_all() {
    let merged = merge(&settings("M207 S1.2\nM851 Z-1\nM218 T3 X1\nM218 T0 X0 Y0 Z0"), HERON).expect("TOML");
    assert_eq!(merged.text, HERON);
    assert_eq!(
        spell(&merged.rows)[..3],
        [
            "1 M207 S1.2: not kept tool[0].retraction.length_mm 1.2; the sheet has no tool[0].retraction, and a new one also takes tool[0].retraction.feed_rate_mm_s",
            "2 M851 Z-1: not kept probe.offset_mm[2] -1; the sheet has no probe, and a new one also takes probe.offset_mm[0], probe.offset_mm[1]",
            "3 M218 T3 X1: not kept tool[3].offset_mm[0] 1; the sheet has 1 [[tool]], the first is tool 0: write the tool first",
        ]
    );
    assert!(merged.rows[3..].iter().all(|row| row.fate == Fate::Same));
}

#[test]
fn no_toml_is_an_error() {
    assert!(merge(&settings("M92 X80"), "[motion\n").is_err());
}

#[test]
fn lines_carry_a_caution_and_store_nothing() {
    for sheet in [HERON, BITTERN, WREN] {
        let text = lines(&machine(sheet));
        assert!(text.contains("maker's documents") && text.contains("keep the heaters off"), "{text}");
        assert!(!text.contains("\nM50") && text.lines().all(|line| line.len() <= 64), "{text}");
        assert!(text.find("\nG21\n") < text.find("\nM92 "), "{text}");
    }
}

/// Every required value filled in with the example beside it.
fn filled_in(fresh: &Fresh) -> String {
    filled_in_behind(fresh, &["# fill in:"])
}

/// Every value behind such a comment filled in with the example in it.
fn filled_in_behind(fresh: &Fresh, asking: &[&str]) -> String {
    let mut text = String::new();
    let mut example = String::new();
    for line in fresh.text.lines() {
        if let Some((asked, value)) = line.split_once(" For example ") {
            let wanted = asking.iter().any(|asking| asked.starts_with(asking));
            example = if wanted { value.to_owned() } else { String::new() };
        } else if line == "# [bed]" && asking.len() > 1 {
            text.push_str("[bed]\n");
        } else if line == "# junction_deviation_mm = " {
            text.push_str("junction_deviation_mm = 0.05\n");
        } else if let Some(key) = line.strip_prefix("# ").filter(|line| line.ends_with(" = ") && !example.is_empty()) {
            let _ = writeln!(text, "{key}{example}");
        } else {
            let _ = writeln!(text, "{line}");
        }
    }
    text
}

#[test]
fn a_new_sheet_says_what_is_missing() {
    let fresh = fresh(&settings(HERON_SAYS));
    assert_eq!(fresh.missing, ["travel.x", "travel.y", "travel.z", "tool[0].filament_diameter_mm"]);
    let faults = Machine::parse("new.toml", &fresh.text).expect_err("values are missing");
    assert_eq!(faults.faults.len() + faults.more, 4, "{faults}");
    assert_eq!(machine(&filled_in(&fresh)).controller.steps_per_mm, [80.0, 160.0, 400.0, 31.67].map(Some));
}

#[test]
fn a_new_sheet_says_what_a_verdict_does_not_cover() {
    let not_checked = |text: &str| -> Vec<String> {
        let skipped = Judges::build(&machine(text), "job.gcode", |_| true).skipped;
        skipped.into_iter().filter_map(|skipped| skipped.unchecked).map(String::from).collect()
    };
    let fresh = fresh(&settings(HERON_SAYS));
    let open = not_checked(&filled_in(&fresh));
    assert_eq!(open, ["nozzle temperature", "bed temperature", "cold extrusion", "melt rate"]);
    assert_eq!(not_checked(&filled_in_behind(&fresh, &["# fill in:", "# not checked without it:"])), [""; 0]);
}

fn number() -> impl Strategy<Value = f64> {
    prop_oneof![1e-6..1e9, 0.001..2000.0, (1u32..5000).prop_map(f64::from)]
}

fn signed() -> impl Strategy<Value = f64> {
    prop_oneof![Just(0.0), -500.0..500.0, Just(-1.6)]
}

/// A sheet in which every setting has some value.
fn sheet() -> impl Strategy<Value = String> {
    let numbers = proptest::collection::vec(number(), 24);
    let places = proptest::collection::vec(signed(), 10);
    (numbers, places, any::<bool>()).prop_map(|(n, p, jerk)| {
        let axes = |at: usize| format!("{{ x = {:?}, y = {:?}, z = {:?}, e = {:?} }}", n[at], n[at + 1], n[at + 2], n[at + 3]);
        let corner = match jerk {
            true => format!("jerk_mm_s = {}", axes(12)),
            false => format!("junction_deviation_mm = {:?}", n[12].min(1e6)),
        };
        format!(
            "[travel]\nx = [0.0, 1.0]\ny = [0.0, 1.0]\nz = [0.0, 1.0]\n[motion]\nfeed_rate_limit_mm_s = {}\n\
             acceleration_limit_mm_s2 = {}\nacceleration_mm_s2 = {{ printing = {:?}, travel = {:?}, retraction = {:?} }}\n\
             corner = {{ {corner} }}\n[controller]\nsteps_per_mm = {}\n[[tool]]\nfilament_diameter_mm = 1.75\n\
             retraction = {{ length_mm = {:?}, feed_rate_mm_s = {:?}, recover_extra_mm = {:?}, recover_feed_rate_mm_s = {:?}, lift_mm = {:?} }}\n\
             extrusion_lead_s = {:?}\n[[tool]]\noffset_mm = {:?}\nextrusion_lead_s = {:?}\n[probe]\noffset_mm = {:?}\n\
             [drive.x]\nsteps_per_full_step = {}\ncoil_current_rms_a = {:?}\n[drive.e]\ncoil_current_rms_a = {:?}\n",
            axes(0), axes(4), n[16], n[17], n[18], axes(8),
            n[19].min(1e6), n[20], p[0], n[21], n[22].min(1e6), n[23], &p[1..4], n[16], &p[4..7],
            1 + n[0] as u64 % 1024, n[1], n[2],
        )
    })
}

/// Words of settings commands with numbers of any size and form, and chatter.
fn soup() -> impl Strategy<Value = String> {
    let command = proptest::sample::select(vec![
        "M92", "M201", "M203", "M204", "M205", "M206", "M207", "M208", "M218", "M851", "M900", "M301", "G20", "G21",
        "T1", "M350", "M906",
    ]);
    let number = prop_oneof!["-?[0-9]{1,4}(\\.[0-9]{0,3})?", "[-+.0-9eE, ]{0,8}", "[0-9]{300}", Just(String::new())];
    let word = (proptest::sample::select(b"XYZESFPRTJKBQI".to_vec()), number);
    let line = ("[a-zA-Z0-9:>;\\[( /\"]{0,3} ?", command, proptest::collection::vec(word, 0..6)).prop_map(
        |(lead, command, words)| {
            words.iter().fold(format!("{lead}{command}"), |mut line, (letter, number)| {
                let _ = write!(line, " {}{number}", char::from(*letter));
                line
            })
        },
    );
    proptest::collection::vec(line, 0..30).prop_map(|lines| lines.join("\n"))
}

fn sorted(mut values: Vec<(String, f64)>) -> Vec<(String, f64)> {
    values.sort_by(|a, b| a.0.cmp(&b.0));
    values
}

fn owned(settings: &Settings) -> Vec<(String, f64)> {
    sorted(settings.values().into_iter().map(|(place, value)| (place.to_owned(), value)).collect())
}

/// What the rows say was written is what the sheet means.
fn sheet_means(rows: &[Row], machine: &Machine) {
    let of: BTreeMap<String, f64> = of(machine).into_iter().collect();
    for row in rows {
        if matches!(row.fate, Fate::New | Fate::Same | Fate::Changed { .. }) {
            let (place, value) = (row.key.as_deref().expect("a key"), row.value.expect("a value"));
            let held = of.get(place).copied();
            // Limits that mean none, and an offset of 0 of the first tool, are not printed as lines.
            assert!(held == Some(value) || held.is_none() && (value >= 1e9 || value == 0.0), "{row:?}: {held:?}");
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 300, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn lines_are_read_back_exactly(sheet in sheet()) {
        let machine = machine(&sheet);
        let back = read(lines(&machine).as_bytes(), SpeedUnit::PerSecond).expect("reads");
        prop_assert_eq!(owned(&back), sorted(of(&machine)));
        prop_assert!(back.rows.iter().all(|row| row.fate == Fate::Read || row.text == "G21"), "{:?}", back.rows);
        // Into its own sheet it changes nothing, into another sheet everything.
        prop_assert_eq!(merge(&back, &sheet).expect("TOML").text, sheet);
    }

    #[test]
    fn settings_move_from_sheet_to_sheet(one in sheet(), other in sheet()) {
        let (from, to) = (machine(&one), &other);
        let settings = read(lines(&from).as_bytes(), SpeedUnit::PerSecond).expect("reads");
        let merged = merge(&settings, to).expect("TOML");
        prop_assert_eq!(sorted(of(&machine(&merged.text))), sorted(of(&from)));
        sheet_means(&merged.rows, &machine(&merged.text));
        let fresh = fresh(&settings);
        prop_assert_eq!(sorted(of(&machine(&filled_in(&fresh)))), sorted(of(&from)));
    }

    #[test]
    fn a_sound_sheet_stays_one_whatever_the_text(text in soup(), which in 0usize..3) {
        let base = [HERON, BITTERN, WREN][which];
        let settings = settings(&text);
        let merged = merge(&settings, base).expect("TOML");
        sheet_means(&merged.rows, &machine(&merged.text));
        if settings.values().is_empty() {
            prop_assert_eq!(&merged.text, base);
        }
        let fresh = fresh(&settings);
        sheet_means(&fresh.rows, &machine(&filled_in(&fresh)));
        prop_assert_eq!(Machine::parse("new.toml", &fresh.text).is_err(), !fresh.missing.is_empty());
    }

    #[test]
    fn any_bytes_are_read(bytes in proptest::collection::vec(any::<u8>(), 0..2000)) {
        let settings = read(&bytes[..], SpeedUnit::Judged).expect("reads");
        prop_assert!(settings.rows.iter().all(|row| !row.text.contains(char::is_control)));
        let merged = merge(&settings, HERON).expect("TOML");
        sheet_means(&merged.rows, &machine(&merged.text));
    }
}
