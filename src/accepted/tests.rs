use super::*;
use crate::findings::sample;
use crate::geometry::Box3;

const TODAY: Day = Day { year: 2026, month: 11, day: 25 };

/// A hold on lines 7 and 9 of a part that starts at x 20, y 30.
fn inspection() -> Inspection {
    let mut inspection = sample::go();
    inspection.job.path = "jobs/hook.gcode.gz".to_owned();
    inspection.extruding = Some(Box3 { min: [20.0, 30.0, 0.2], max: [100.0, 90.0, 20.0] });
    let mut finding = sample::finding("melt-rate-exceeded", Severity::Hold, &[(7, "G1"), (9, "G1")], "It melts.");
    finding.place_mm = Some([31.5, 41.5, 2.5]);
    (finding.value, finding.limit, finding.unit) = (Some(12.0), Some(11.0), "mm3/s".into());
    inspection.findings = vec![finding];
    inspection.verdict = Verdict::Hold;
    inspection
}

fn entry(inspection: &Inspection) -> Entry {
    let finding = &inspection.findings[0];
    Entry {
        job: "jobs/hook.gcode".to_owned(),
        machine: inspection.machine.name.clone(),
        check: finding.check.clone(),
        severity: finding.severity,
        fingerprint: fingerprint::of(inspection, finding),
        worst_fingerprint: Some(fingerprint::of_worst(inspection, finding)),
        times: finding.count,
        because: "twelve test parts are fine".to_owned(),
        until: Some(Day { year: 2026, month: 11, day: 25 }),
        by: None,
        even_unsafe: false,
        place_mm: finding.place_mm,
        value: finding.value,
        limit: finding.limit,
        extent_mm: fingerprint::extent(inspection, finding),
    }
}

fn applied(mut inspection: Inspection, entries: Vec<Entry>) -> (Verdict, bool, Vec<String>) {
    Accepted { source: "known.toml".to_owned(), entries }.apply(&mut inspection, TODAY);
    let accepted = inspection.findings.iter().any(|finding| finding.accepted.is_some());
    (inspection.verdict, accepted, inspection.acceptance.map(|acceptance| acceptance.remarks).unwrap_or_default())
}

#[test]
fn an_accepted_finding_does_not_decide_and_survives_another_slicing() {
    let known = entry(&inspection());
    assert_eq!(applied(inspection(), vec![known.clone()]), (Verdict::Go, true, vec![]));
    let mut sliced = inspection();
    // Laid elsewhere on the bed, other lines, half a mm off, and not worse to speak of.
    let finding = &mut sliced.findings[0];
    (finding.line, finding.worst_line, finding.value) = (Some(90), Some(120), Some(12.05));
    finding.place_mm = Some([51.9, 41.2, 2.6]);
    sliced.extruding = Some(Box3 { min: [40.0, 30.0, 0.2], max: [120.0, 90.0, 20.0] });
    assert_eq!(applied(sliced, vec![known]), (Verdict::Go, true, vec![]));
}

#[test]
fn other_jobs_machines_checks_kinds_and_places_are_not_covered() {
    let known = entry(&inspection());
    for change in [
        (|i: &mut Inspection| i.job.path = "jobs/bracket.gcode".to_owned()) as fn(&mut Inspection),
        |i| i.job.path = "hook.gcode".to_owned(),
        |i| i.job.path = "other/hook.gcode".to_owned(),
        |i| i.job.path = "-".to_owned(),
        |i| i.machine.name = "Wren".to_owned(),
    ] {
        let mut other = inspection();
        change(&mut other);
        assert_eq!(applied(other, vec![known.clone()]), (Verdict::Hold, false, vec![]), "nothing is known of it");
    }
    for change in [
        (|f: &mut Finding| f.check = "melt-peak-exceeded".into()) as fn(&mut Finding),
        |f| f.kind = 1,
        |f| f.place_mm = None,
        |f| f.place_mm = Some([31.5, 41.5, 5.5]),
        |f| f.place_mm = Some([41.5, 41.5, 2.5]),
    ] {
        let mut other = inspection();
        change(&mut other.findings[0]);
        let is_same_check = other.findings[0].check == known.check;
        let (verdict, accepted, remarks) = applied(other, vec![known.clone()]);
        assert_eq!((verdict, accepted, remarks.len()), (Verdict::Hold, false, 1));
        let gone = "is no longer found: take its entry out of known.toml";
        let told = if is_same_check { "is not found at this place, but elsewhere" } else { gone };
        assert!(remarks[0].contains(told), "{remarks:?}");
    }
}

#[test]
fn what_ran_out_got_worse_or_weighs_more_counts_again() {
    let known = entry(&inspection());
    let yesterday = Some(Day { year: 2026, month: 11, day: 24 });
    let (verdict, accepted, remarks) = applied(inspection(), vec![Entry { until: yesterday, ..known.clone() }]);
    assert!(verdict == Verdict::Hold && !accepted && remarks.len() == 1, "{remarks:?}");
    assert!(remarks[0].contains("until 2026-11-24 and counts again"), "{remarks:?}");
    let forever = Entry { until: None, ..known.clone() };
    assert_eq!(applied(inspection(), vec![forever]), (Verdict::Go, true, vec![]));
    for (value, is_covered) in [(12.09, true), (11.5, true), (12.2, false), (9.0, false)] {
        let mut other = inspection();
        other.findings[0].value = Some(value);
        let (_, accepted, remarks) = applied(other, vec![known.clone()]);
        assert_eq!((accepted, remarks.is_empty()), (is_covered, is_covered), "{value}: {remarks:?}");
    }
    let mut graver = inspection();
    graver.findings[0].severity = Severity::NoGo;
    let (verdict, _, remarks) = applied(graver, vec![known]);
    assert!(verdict == Verdict::NoGo && remarks[0].contains("is no-go by now, accepted was a hold"), "{remarks:?}");
}

#[test]
fn more_hits_and_a_worst_place_elsewhere_count_again() {
    let known = entry(&inspection());
    let with = |change: &dyn Fn(&mut Finding)| {
        let mut other = inspection();
        change(&mut other.findings[0]);
        applied(other, vec![known.clone()])
    };
    assert_eq!(with(&|of| of.count = 1), (Verdict::Go, true, vec![]), "fewer are covered");
    let (verdict, accepted, remarks) = with(&|of| of.count = 3);
    assert!(verdict == Verdict::Hold && !accepted, "{remarks:?}");
    assert!(remarks[0].contains("is found 3 times, 2 were accepted: it counts again"), "{remarks:?}");
    // Among equal places chance decides which is the worst; one that is worse at all is no such place.
    let elsewhere = Some([90.0, 80.0, 12.0]);
    assert_eq!(with(&|of| of.worst_place_mm = elsewhere), (Verdict::Go, true, vec![]));
    let (_, accepted, remarks) = with(&|of| (of.worst_place_mm, of.value) = (elsewhere, Some(12.01)));
    assert!(!accepted && remarks[0].contains("reaches other places than what was accepted"), "{remarks:?}");
}

#[test]
fn a_no_go_on_travel_counts_again_wherever_it_reaches_farther() {
    let mut of = inspection();
    of.verdict = Verdict::NoGo;
    let finding = &mut of.findings[0];
    (finding.check, finding.severity) = ("outside-travel".into(), Severity::NoGo);
    finding.worst_place_mm = Some([60.0, 41.5, 2.5]);
    finding.places_mm = Some(Box3 { min: [31.5, 41.5, 2.5], max: [60.0, 41.5, 2.5] });
    let known = entry(&of);
    assert_eq!(applied(of.clone(), vec![known.clone()]), (Verdict::Go, true, vec![]));
    for change in [
        (|f: &mut Finding| f.worst_place_mm = Some([60.0, 90.0, 2.5])) as fn(&mut Finding),
        |f| f.places_mm = Some(Box3 { min: [31.5, 10.0, 2.5], max: [60.0, 41.5, 2.5] }),
        |f| f.places_mm = Some(Box3 { min: [31.5, 41.5, 2.5], max: [60.0, 180.0, 2.5] }),
    ] {
        let mut other = of.clone();
        change(&mut other.findings[0]);
        let (verdict, accepted, remarks) = applied(other, vec![known.clone()]);
        assert!(verdict == Verdict::NoGo && !accepted, "{remarks:?}");
        assert!(remarks[0].contains("reaches other places than what was accepted"), "{remarks:?}");
    }
}

#[test]
fn an_entry_without_what_the_finding_has_covers_nothing() {
    let mut of = inspection();
    of.findings[0].severity = Severity::NoGo;
    of.findings[0].check = "outside-travel".into();
    of.findings[0].places_mm = Some(Box3 { min: [31.5, 41.5, 2.5], max: [31.5, 41.5, 2.5] });
    let known = entry(&of);
    for (key, lacking) in [
        ("value", Entry { value: None, ..known.clone() }),
        ("limit", Entry { limit: None, ..known.clone() }),
        ("extent_mm", Entry { extent_mm: None, ..known.clone() }),
    ] {
        let (verdict, accepted, remarks) = applied(of.clone(), vec![lacking]);
        assert!(verdict == Verdict::NoGo && !accepted, "{key}");
        assert!(remarks[0].contains(&format!("its entry has no `{key}`")), "{remarks:?}");
    }
    assert_eq!(applied(of, vec![known]).0, Verdict::Go);
}

#[test]
fn a_job_is_known_by_its_path_from_the_file() {
    let workshop = tempfile::tempdir().expect("temporary directory");
    let at = |path: &str| workshop.path().join(path).to_string_lossy().into_owned();
    for folder in ["repo/jobs", "card"] {
        std::fs::create_dir_all(at(folder)).expect("a folder");
    }
    let file = at("repo/known.toml");
    let name = |job: &str| job_name(Path::new(&file), job);
    assert_eq!(name(&at("repo/jobs/hook.gcode.gz")).as_deref(), Some("jobs/hook.gcode"));
    assert_eq!(name(&at("repo/./jobs/../hook.gcode")).as_deref(), Some("hook.gcode"));
    let elsewhere = name(&at("card/hook.gcode")).expect("a name");
    assert!(elsewhere.ends_with("/card/hook.gcode") && elsewhere.len() > 20, "the whole path: {elsewhere}");
    assert_eq!(["-", "..", &at("repo/\u{fffd}.gcode")].map(name), [None, None, None]);
}

#[test]
fn what_is_written_is_read_again_and_comments_stay() {
    let inspection = inspection();
    let (first, mut second) = (entry(&inspection), entry(&inspection));
    (second.check, second.until, second.by) = ("rings-frame".into(), None, Some("the \"night\" shift".to_owned()));
    (second.worst_fingerprint, second.times) = (None, u64::MAX >> 1);
    second.extent_mm = Some(Box3 { min: [-1.25, 0.0, 0.2], max: [3.0, 4.0, 0.4] });
    let text = put("", &[(None, first.clone()), (None, second.clone())]).expect("writes");
    let read = Accepted::parse("known.toml", &text).expect("reads");
    assert_eq!(read.entries, [first.clone(), second.clone()]);
    assert!(text.starts_with("# Findings that somebody looked at"), "{text}");

    let commented = text.replace("severity = \"hold\"", "severity = \"hold\" # asked K.");
    let changed = Entry { because: "looked again".to_owned(), until: None, ..first.clone() };
    let again = put(&commented, &[(Some(first.fingerprint.clone()), changed.clone())]).expect("writes");
    assert_eq!(again.matches("# asked K.").count(), 2, "{again}");
    assert_eq!(Accepted::parse("known.toml", &again).expect("reads").entries, [changed, second]);
    let crlf = put(&commented.replace('\n', "\r\n"), &[]).expect("writes");
    assert_eq!(crlf, commented.replace('\n', "\r\n"));
}

#[test]
fn all_faults_are_told_with_their_places() {
    let text = "\
[[accepted]]
job = 7
machine = \"Heron\"
check = \"outside-travle\"
severity = \"bad\"
because = \" \"
fingerprint = \"xyz\"
until = \"2027-01-31\"
even_unsafe = 1
place_mm = { x = 1 }
extent_mm = { x = 1, y = 2, z = 3 }
times = 0
worst_fingerprint = \"0\"
value = nan
colour = 1
[[accepted]]
check = \"outside-travel\"
[other]
";
    let faults = Accepted::parse("known.toml", text).expect_err("is full of faults");
    let told: Vec<(usize, usize, &str)> =
        faults.faults.iter().map(|fault| (fault.line, fault.column, fault.message.as_str())).collect();
    let expected = [
        (2, "`job` must be text"),
        (4, "there is no check `outside-travle`"),
        (5, "`severity` must be"),
        (6, "`because` is empty"),
        (7, "`fingerprint` must be"),
        (8, "`until` must be a day without quotes"),
        (9, "`even_unsafe` must be true or false"),
        (10, "`place_mm` must be like"),
        (11, "`extent_mm` must be like"),
        (12, "`times` must be a whole number from 1"),
        (13, "`worst_fingerprint` must be"),
        (14, "`value` must be a finite number"),
        (15, "there is no key `colour`"),
    ];
    for (line, message) in expected {
        assert!(told.iter().any(|at| at.0 == line && at.1 > 0 && at.2.starts_with(message)), "{message}: {told:#?}");
    }
    let lacking = told.iter().filter(|at| at.0 == 16 && at.2.starts_with("an accepted finding needs")).count();
    assert_eq!(lacking, 6, "{told:#?}");
    assert!(told.iter().any(|at| at.0 == 18 && at.2.contains("`other`")), "{told:#?}");
    assert_eq!(faults.faults[1].suggestion.as_deref(), Some("did you mean `outside-travel`?"));
    assert!(faults.to_string().contains("nothing was judged"));
    for broken in ["[[accepted]", "accepted = 3", "accepted = [3]", "\u{feff}[[accepted]]\nx"] {
        assert!(Accepted::parse("known.toml", broken).is_err(), "{broken}");
    }
    let deep = format!("accepted = {}{}", "[".repeat(5000), "]".repeat(5000));
    assert!(Accepted::parse("known.toml", &deep).is_err());
    assert_eq!(Accepted::parse("known.toml", "# nothing yet\n").expect("reads").entries, []);
}

#[test]
fn a_no_go_on_heat_or_travel_takes_more_than_an_entry() {
    let mut inspection = inspection();
    (inspection.findings[0].check, inspection.findings[0].severity) = ("outside-travel".into(), Severity::NoGo);
    let known = entry(&inspection);
    let text = put("", &[(None, known.clone())]).expect("writes");
    let faults = Accepted::parse("known.toml", &text).expect_err("it is unsafe");
    assert!(faults.faults[0].message.contains("no-go on heat or travel"), "{faults}");
    let known = Entry { even_unsafe: true, ..known };
    let twice = [(None, known.clone()), (None, known.clone())];
    let twice = Accepted::parse("known.toml", &put("", &twice).expect("writes")).expect_err("it is there twice");
    assert!(twice.faults[0].message.contains("a second time"), "{twice}");
    let read = Accepted::parse("known.toml", &put("", &[(None, known)]).expect("writes")).expect("reads");
    read.apply(&mut inspection, TODAY);
    assert_eq!((inspection.verdict, inspection.accepted_unsafe()), (Verdict::Go, 1));
}

#[test]
fn days() {
    for (unix_s, day) in [
        (0, "1970-01-01"),
        (951_782_400, "2000-02-29"),
        (951_868_799, "2000-02-29"),
        (951_868_800, "2000-03-01"),
        (1_798_761_599, "2026-12-31"),
        (4_107_542_400, "2100-03-01"),
    ] {
        assert_eq!(day_of(unix_s).to_string(), day);
        assert_eq!(day_from(day), Some(day_of(unix_s)));
    }
    // 800 years, day by day: the Gregorian calendar repeats after 400.
    let last = day_of(800 * 365 * 86_400);
    for back in (0..800 * 365).step_by(7) {
        assert_eq!(days_before(last, back), day_of(u64::from(800 * 365 - back) * 86_400), "{back} days before {last}");
    }
    assert_eq!(days_before(last, u32::MAX), day_of(0));
    for text in ["2027-02-29", "2027-1-1", "tomorrow", "", "2027-01-31T10:00:00", "10:00:00"] {
        assert_eq!(day_from(text), None, "{text}");
    }
}
