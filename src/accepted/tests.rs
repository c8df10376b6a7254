use super::*;
use crate::inspection::Box3;
use crate::report::sample;

const TODAY: Day = Day { year: 2026, month: 11, day: 25 };

/// A hold on lines 7 and 9 of a part that starts at x 20, y 30.
fn inspection() -> Inspection {
    let mut inspection = sample::go();
    inspection.job.path = "jobs/hook.gcode.gz".to_owned();
    inspection.extruding = Some(Box3 { min: [20.0, 30.0, 0.2], max: [100.0, 90.0, 20.0] });
    let mut finding = sample::finding("melt-rate-exceeded", Severity::Hold, &[(7, "G1"), (9, "G1")], "It melts.");
    finding.place_mm = Some([31.5, 41.5, 2.5]);
    (finding.value, finding.limit, finding.unit) = (Some(12.0), Some(11.0), "mm3/s");
    inspection.findings = vec![finding];
    inspection.verdict = Verdict::Hold;
    inspection
}

fn entry(inspection: &Inspection) -> Entry {
    let finding = &inspection.findings[0];
    Entry {
        job: "hook.gcode".to_owned(),
        machine: inspection.machine.name.clone(),
        check: finding.check,
        severity: finding.severity,
        fingerprint: fingerprint::of(inspection, finding),
        because: "twelve test parts are fine".to_owned(),
        until: Some(Day { year: 2026, month: 11, day: 25 }),
        by: None,
        even_unsafe: false,
        place_mm: finding.place_mm,
        value: finding.value,
        limit: finding.limit,
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
        (|i: &mut Inspection| i.job.path = "bracket.gcode".to_owned()) as fn(&mut Inspection),
        |i| i.job.path = "-".to_owned(),
        |i| i.machine.name = "Wren".to_owned(),
    ] {
        let mut other = inspection();
        change(&mut other);
        assert_eq!(applied(other, vec![known.clone()]), (Verdict::Hold, false, vec![]), "nothing is known of it");
    }
    for change in [
        (|f: &mut Finding| f.check = "melt-peak-exceeded") as fn(&mut Finding),
        |f| f.kind = 1,
        |f| f.place_mm = None,
        |f| f.place_mm = Some([31.5, 41.5, 5.5]),
        |f| f.place_mm = Some([41.5, 41.5, 2.5]),
    ] {
        let mut other = inspection();
        change(&mut other.findings[0]);
        let (verdict, accepted, remarks) = applied(other, vec![known.clone()]);
        assert_eq!((verdict, accepted, remarks.len()), (Verdict::Hold, false, 1));
        assert!(remarks[0].contains("is no longer found: take its entry out of known.toml"), "{remarks:?}");
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
fn what_is_written_is_read_again_and_comments_stay() {
    let inspection = inspection();
    let (first, mut second) = (entry(&inspection), entry(&inspection));
    (second.check, second.until, second.by) = ("rings-frame", None, Some("the \"night\" shift".to_owned()));
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
        (11, "`value` must be a finite number"),
        (12, "there is no key `colour`"),
    ];
    for (line, message) in expected {
        assert!(told.iter().any(|at| at.0 == line && at.1 > 0 && at.2.starts_with(message)), "{message}: {told:#?}");
    }
    let lacking = told.iter().filter(|at| at.0 == 13 && at.2.starts_with("an accepted finding needs")).count();
    assert_eq!(lacking, 5, "{told:#?}");
    assert!(told.iter().any(|at| at.0 == 15 && at.2.contains("`other`")), "{told:#?}");
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
    (inspection.findings[0].check, inspection.findings[0].severity) = ("outside-travel", Severity::NoGo);
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
    for text in ["2027-02-29", "2027-1-1", "tomorrow", "", "2027-01-31T10:00:00", "10:00:00"] {
        assert_eq!(day_from(text), None, "{text}");
    }
    assert_eq!(job_name("a/b.gcode.gz").as_deref(), Some("b.gcode"));
    assert_eq!(job_name("-"), None);
}
