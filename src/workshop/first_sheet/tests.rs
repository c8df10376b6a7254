use super::text::WORTH;
use super::*;
use crate::checks::{CATALOGUE, Judges};
use crate::workshop::settings::{SpeedUnit, read};

fn question(option: &str) -> &'static Question {
    QUESTIONS.iter().find(|question| question.option == option).expect("a question")
}

fn answered(answers: &[(&str, &str)]) -> FirstSheet {
    let mut sheet = FirstSheet::default();
    for (option, answer) in answers {
        sheet.answer(question(option), answer).expect("a good answer");
    }
    sheet
}

fn machine(sheet: &FirstSheet) -> Machine {
    Machine::parse("first.toml", &sheet.text()).expect("no faults")
}

fn from(says: &str) -> FirstSheet {
    let mut sheet = FirstSheet::default();
    sheet.take(&read(says.as_bytes(), SpeedUnit::Judged).expect("reads"));
    sheet
}

fn skipped(text: &str) -> Vec<&'static str> {
    let machine = Machine::parse("first.toml", text).expect("no faults");
    Judges::build(&machine, "job.gcode", |_| true)
        .skipped
        .into_iter()
        .filter_map(|skipped| CATALOGUE.iter().map(|check| check.id).find(|id| *id == skipped.check))
        .collect()
}

#[test]
fn without_answers_it_is_the_built_in_machine() {
    let (own, built_in) = (machine(&FirstSheet::default()), Machine::built_in());
    let values = |machine: &Machine| -> Vec<(String, String)> {
        let values = machine.origins.iter().map(|origin| (origin.path.clone(), origin.value.clone()));
        values.filter(|(path, _)| !["name", LAYOUT, BED_SHAPE].contains(&path.as_str())).collect()
    };
    assert_eq!(values(&own), values(&built_in));
    let text = FirstSheet::default().text();
    assert!(
        text.starts_with("#:schema ./sheet.schema.json\n") && text.contains("gonogo sheet schema > sheet.schema.json")
    );
    let values = text.lines().filter(|line| !line.starts_with('#') && line.contains(" = "));
    assert!(values.clone().all(|line| line.ends_with("# cautious value: measure or look it up")), "{text}");
    assert_eq!(values.count(), FirstSheet::default().origins().cautious);
}

#[test]
fn every_answer_reaches_the_machine_and_is_marked() {
    let sheet = answered(&[
        ("name", "Heron \"the grey\""),
        ("drive-layout", "crossed-belts"),
        ("travel", "220, -5..215 ,250"),
        ("nozzle-diameter-mm", "0.6"),
        ("filament-diameter-mm", "2.85"),
        ("nozzle-limit-c", "260"),
        ("bed-limit-c", "NONE"),
        ("feed-rate-limit-mm-s", "200,201,10,60"),
        ("acceleration-limit-mm-s2", "1500,1501,100,5000"),
        ("acceleration-mm-s2", "1000,1200,1300"),
        ("corner", "deviation 0.03"),
        ("melt-rate-mm3-s", "11"),
        ("steps-per-mm", "80,80.5,400,95"),
    ]);
    let heron = machine(&sheet);
    assert_eq!((heron.name.as_str(), heron.bed.is_some()), ("Heron \"the grey\"", false));
    assert_eq!((heron.travel.min, heron.travel.max), ([0.0, -5.0, 0.0], [220.0, 215.0, 250.0]));
    let limits = &heron.motion.limits;
    assert_eq!(limits.feed_rate_mm_s, [200.0, 201.0, 10.0, 60.0]);
    assert_eq!(limits.acceleration_mm_s2, [1500.0, 1501.0, 100.0, 5000.0]);
    assert_eq!([limits.printing_mm_s2, limits.travel_mm_s2, limits.retraction_mm_s2], [1000.0, 1200.0, 1300.0]);
    assert_eq!((limits.corner, limits.junction_deviation_mm), (CornerRule::JunctionDeviation, 0.03));
    let tool = &heron.tools[0];
    assert_eq!((tool.nozzle_diameter_mm, tool.filament_diameter_mm, tool.limit_c), (Some(0.6), 2.85, Some(260.0)));
    assert_eq!((tool.sustained_mm3_s, tool.peak_mm3_s), (Some(11.0), Some(11.0)));
    assert_eq!(heron.controller.steps_per_mm, [80.0, 80.5, 400.0, 95.0].map(Some));
    let text = sheet.text();
    assert!(
        text.contains("# Required. Lowest and highest y the nozzle can reach, mm.\ny = [-5.0, 215.0] # your answer\n"),
        "{text}"
    );
    // The peak was not said.
    assert!(text.contains("\npeak = 11.0 # cautious value"), "{text}");
    assert!(!text.contains("[bed"), "{text}");
}

#[test]
fn a_size_on_a_disc_is_centred() {
    let sheet = answered(&[("drive-layout", "three-towers"), ("travel", "180,180,200")]);
    let towers = machine(&sheet);
    assert_eq!((towers.travel.min, towers.travel.max), ([-90.0, -90.0, 0.0], [90.0, 90.0, 200.0]));
    assert_eq!(sheet.unanswered(question("bed")).as_deref(), Some("disc"));
    assert!(sheet.text().contains("\n#[motion.towers]\n"));
    // Cautious sizes follow the bed, said ones stay.
    assert_eq!(machine(&answered(&[("bed", "disc")])).travel.min[0], -100.0);
    assert_eq!(machine(&answered(&[("travel", "9,9,9"), ("bed", "disc")])).travel.min[0], 0.0);
}

#[test]
fn what_holds_unanswered_may_be_given_as_the_answer() {
    let varied = answered(&[("drive-layout", "three-towers"), ("corner", "deviation=0.02"), ("bed-limit-c", "none")]);
    let steps = answered(&[("steps-per-mm", "80,80,400,95"), ("travel", "-3..7,8,9")]);
    for sheet in [FirstSheet::default(), varied, steps] {
        for question in QUESTIONS {
            let Some(answer) = sheet.unanswered(question) else {
                assert_eq!(question.option, "steps-per-mm");
                continue;
            };
            let mut again = sheet.clone();
            again.answer(question, &answer).unwrap_or_else(|why| panic!("{}: {why}", question.option));
            let values = |sheet: &FirstSheet| {
                machine(sheet).origins.iter().map(|origin| origin.value.clone()).collect::<Vec<_>>()
            };
            assert_eq!(values(&again), values(&sheet), "{}", question.option);
        }
    }
}

#[test]
fn a_wrong_answer_changes_nothing() {
    let before = FirstSheet::default();
    let long = "9".repeat(5000);
    for (option, wrong, why) in [
        ("name", "", "is empty"),
        ("name", "a\u{7f}b", "control characters"),
        ("name", &"n".repeat(200), "at most 120 characters"),
        ("drive-layout", "crossed", "did you mean \"crossed-belts\"?"),
        ("travel", "220,220", "3 numbers with commas between them, such as 200,200,200, found 2"),
        ("travel", "220,220,-5", "is reversed"),
        ("travel", "0,220,250", "is empty"),
        ("travel", "..,220,250", "\"\" is no number"),
        ("travel", "NaN..inf,220,250", "finite"),
        ("travel", "1e9,220,250", "at most 1000000"),
        ("filament-diameter-mm", "1,75", "with a point"),
        ("filament-diameter-mm", "-1.75", "above 0"),
        ("filament-diameter-mm", &long, "at most 1000 bytes"),
        ("nozzle-limit-c", "99999", "at most 2000"),
        ("nozzle-limit-c", "hundred\u{1b}[2J", "is no number"),
        ("bed-limit-c", "nan", "finite"),
        ("feed-rate-limit-mm-s", "1,2,3", "4 numbers"),
        ("feed-rate-limit-mm-s", "1,2,3,1e400", "finite"),
        ("corner", "8", "begin with the rule"),
        ("corner", "jerk 8", "4 numbers with commas between them, such as 200,200,200,200, found 1"),
        ("corner", "deviation -1", "at least 0"),
        ("melt-rate-mm3-s", "11,9", "is above `peak`"),
        ("melt-rate-mm3-s", "1,2,3", "1 to 2 numbers"),
        ("steps-per-mm", "80,80,400,0", "above 0"),
    ] {
        let mut sheet = before.clone();
        let told = sheet.answer(question(option), wrong).expect_err(option);
        assert!(told.contains(why), "--{option} {wrong}: {told}");
        assert_eq!(sheet, before);
    }
}

#[test]
fn a_low_limit_takes_the_lowest_temperature_of_pushing_with_it() {
    let sheet = answered(&[("nozzle-limit-c", "150")]);
    let tool = &machine(&sheet).tools[0];
    assert_eq!((tool.limit_c, tool.extrude_min_c), (Some(150.0), Some(150.0)));
    // That is not cautious, and is told as what it is.
    let line = |sheet: &FirstSheet| {
        sheet.text().lines().find(|line| line.starts_with("extrude_min = ")).map(str::to_owned).expect("written")
    };
    assert!(line(&sheet).contains("# a guess: pulled down to the limit of the hotend"), "{}", line(&sheet));
    assert_eq!((sheet.origins().guesses, FirstSheet::default().origins().guesses), (1, 0));
    assert_eq!(sheet.origins().cautious, FirstSheet::default().origins().cautious - 2);
    // Nothing of it remains where the limit is corrected.
    let mut corrected = sheet;
    corrected.answer(question("nozzle-limit-c"), "260").expect("a good answer");
    assert_eq!(line(&corrected), line(&FirstSheet::default()));
}

#[test]
fn three_towers_home_at_the_top() {
    for answers in [
        [("drive-layout", "three-towers"), ("travel", "180,180,-1..200"), ("bed", "disc")],
        [("travel", "-90..90,-90..90,-1..200"), ("drive-layout", "three-towers"), ("bed", "disc")],
    ] {
        let sheet = answered(&answers);
        assert_eq!(machine(&sheet).travel.home, [0.0, 0.0, 200.0]);
        assert!(sheet.text().contains("\nhome = [0.0, 0.0, 200.0] # a guess: three towers mostly home at the top"));
        assert_eq!(sheet.origins().guesses, 1);
        let mut other = sheet;
        other.answer(question("drive-layout"), "crossed-belts").expect("a good answer");
        assert_eq!((machine(&other).travel.home, other.origins().guesses), ([0.0; 3], 0));
    }
}

#[test]
fn no_bed_heater_is_an_answer() {
    let sheet = answered(&[("bed-limit-c", "none")]);
    assert_eq!(sheet.origins().answers, 1);
    assert_eq!(answered(&[("bed-limit-c", "none"), ("bed-limit-c", "110")]).origins().answers, 1);
}

#[test]
fn every_row_of_the_settings_is_told_of() {
    let says = "M92 X80\nM92 X81\nM205 X8 J0.01\nM203 X12000\nM851 X-20\nM301 P1\n";
    let mut sheet = FirstSheet::default();
    let rows = sheet.take(&read(says.as_bytes(), SpeedUnit::Judged).expect("reads"));
    let told: Vec<String> = rows.iter().map(|row| format!("{} {}: {}", row.text, row.fate.word(), row.note)).collect();
    assert_eq!(
        told,
        [
            "M92 X80 replaced: ",
            "M92 X81 new: ",
            "M205 X8 not kept: the text also gives a junction deviation (J), and the sheet takes one rule",
            "M205 J0.01 new: ",
            "M203 X12000 in doubt: above 1500 mm/s, not plausible; in mm/min it is 200 mm/s",
            "M851 X-20 not kept: a new [probe] needs probe.offset_mm[1], probe.offset_mm[2] too, which the text does not give",
            "M301 P1 not kept: control loop of the hotend: the sheet describes heating by time constant and full power",
        ]
    );
}

#[test]
fn settings_are_taken_over_with_their_lines() {
    let says = "echo: M92 X80 Y80.5\nM205 X8 Y8\nM204 P900 T1100\nM207 S1 F1200\nM218 T1 X20 Y0.5\nM851 X-20\n";
    let sheet = from(says);
    let text = sheet.text();
    let read = machine(&sheet);
    assert_eq!(read.controller.steps_per_mm, [Some(80.0), Some(80.5), None, None]);
    // What the text does not say of the jerk stays cautious.
    assert_eq!(read.motion.limits.jerk_mm_s, [8.0, 8.0, 0.2, 1.0]);
    assert_eq!(read.tools.iter().map(|tool| tool.offset_mm).collect::<Vec<_>>(), [[0.0; 3], [20.0, 0.5, 0.0]]);
    assert_eq!(read.tools[0].retraction.map(|retraction| retraction.feed_rate_mm_s), Some(20.0));
    // A probe takes all of x, y and z.
    assert_eq!(read.probe_offset_mm, None);
    assert!(text.contains("\nx = 80.0 # M92 X80, line 1\n"), "{text}");
    assert!(text.contains("\noffset_mm = [20.0, 0.5, 0.0] # M218 T1 X20, line 5; M218 T1 Y0.5, line 5\n"), "{text}");
    assert!(text.contains("\nprinting = 900.0 # M204 P900, line 3\n"), "{text}");
}

#[test]
fn a_deviation_in_the_settings_is_the_corner_rule() {
    let limits = machine(&from("M205 X8 Y8 Z0.4 E5 J0.013\n")).motion.limits;
    assert_eq!((limits.corner, limits.junction_deviation_mm), (CornerRule::JunctionDeviation, 0.013));
    // An answer replaces it.
    let mut sheet = from("M205 J0.013\n");
    sheet.answer(question("corner"), "JERK 6,6,0.3,2").expect("a good answer");
    assert_eq!(machine(&sheet).motion.limits.jerk_mm_s, [6.0, 6.0, 0.3, 2.0]);
}

/// The sheet with everything that is switched off switched on.
fn all_on(text: &str) -> String {
    let is_off = |line: &str| {
        line.starts_with("#[") || line.starts_with('#') && line.as_bytes().get(1).is_some_and(u8::is_ascii_lowercase)
    };
    text.lines().map(|line| if is_off(line) { &line[1..] } else { line }.to_owned() + "\n").collect()
}

#[test]
fn what_is_switched_off_is_what_the_checks_need() {
    let sheet = answered(&[("drive-layout", "crossed-belts")]);
    let (off, on) = (skipped(&sheet.text()), skipped(&all_on(&sheet.text())));
    assert_eq!(on, [""; 0], "with all on, every check runs");
    let claimed: Vec<&str> = WORTH.iter().flat_map(|(_, checks)| *checks).copied().collect();
    assert!(off.len() > 8 && off.iter().all(|id| claimed.contains(id)), "{off:?}");
    for id in &claimed {
        assert!(CATALOGUE.iter().any(|check| check.id == *id), "there is no check {id}");
    }
    for (path, _) in WORTH {
        assert!(keys::find(path).is_some(), "there is no key {path}");
    }
    // Towers have keys of their own.
    assert_eq!(skipped(&all_on(&answered(&[("drive-layout", "three-towers")]).text())), [""; 0]);
}

#[test]
fn a_written_key_is_needed_by_the_checks_it_names() {
    let text = FirstSheet::default().text();
    for (path, checks) in
        WORTH.iter().filter(|(path, _)| FirstSheet::default().entries.contains_key(&path.replace("[]", "[0]")))
    {
        let name = path.rsplit('.').next().expect("a name");
        let at = |line: &&str| line.starts_with(&format!("{name} = "));
        assert_eq!(text.lines().filter(at).count(), 1, "{name}");
        let without: String = text.lines().filter(|line| !at(line)).map(|line| format!("{line}\n")).collect();
        let lost = skipped(&without);
        assert!(checks.iter().all(|check| lost.contains(check)), "{path}: {lost:?}");
    }
}
