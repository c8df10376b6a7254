use super::*;
use crate::accepted::{Accepted, Day, day_from};
use crate::findings::{Inspection, Severity, sample};
use crate::machine::Machine;
use crate::physics::wall_clock::JobParts;
use crate::workshop::prints::{Print, PrintsFile};

struct Place {
    folder: tempfile::TempDir,
    ledger: Ledger,
}

impl Place {
    fn new() -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        let ledger = Ledger::open(&folder.path().join("l.ledger")).expect("opens");
        Self { folder, ledger }
    }

    /// Keeps an inspection of a job whose digest ends so; its number.
    fn keep(&self, end: &str, inspection: Inspection) -> i64 {
        let inspection = of_job(end, inspection);
        assert!(try_keep(&self.ledger, &inspection).expect("writes"));
        self.ledger.of_job(&inspection.job.digest).expect("reads")[0].id
    }

    /// What people have said on it.
    fn said(&self, end: &str, inspection: Inspection, today: Day) -> Said {
        let inspection = of_job(end, inspection);
        self.ledger.standing_of(&question(&inspection), today).expect("reads").expect("is kept").said
    }

    fn sql(&self, sql: &str) {
        self.ledger.lock().execute_batch(sql).unwrap_or_else(|error| panic!("{sql}: {error}"));
    }

    fn count(&self, table: &str) -> i64 {
        let sql = format!("SELECT count(*) FROM {table}");
        self.ledger.lock().query_row(&sql, [], |row| row.get(0)).expect("a table")
    }
}

fn of_job(end: &str, mut inspection: Inspection) -> Inspection {
    inspection.job.digest = format!("blake3:{end}");
    inspection
}

/// A machine with the facts of the samples.
fn machine_of(inspection: &Inspection) -> Machine {
    let mut machine = Machine::built_in();
    (machine.name, machine.digest) = (inspection.machine.name.clone(), inspection.machine.digest.clone());
    machine
}

fn try_keep(ledger: &Ledger, inspection: &Inspection) -> Result<bool, LedgerError> {
    let machine = machine_of(inspection);
    let question = question(inspection);
    ledger.keep(&question, inspection, &machine)
}

fn question(inspection: &Inspection) -> Question<'_> {
    let none = Accepted { source: String::new(), entries: Vec::new() };
    Question::of(&inspection.job.digest, &inspection.job.path, &inspection.machine, &none, day("2027-01-31"))
}

fn found(ledger: &Ledger, inspection: &Inspection) -> Option<Inspection> {
    ledger.find(&question(inspection), &inspection.job.path, &inspection.machine).expect("reads")
}

fn day(text: &str) -> Day {
    day_from(text).expect("a day")
}

#[test]
fn every_sample_is_found_as_it_was_kept() {
    let place = Place::new();
    let samples =
        [sample::go(), sample::hold(), sample::no_go(), sample::empty(), sample::hostile(), sample::accepted()];
    for (n, inspection) in samples.into_iter().enumerate() {
        let inspection = of_job(&n.to_string(), inspection);
        assert_eq!(found(&place.ledger, &inspection), None);
        assert!(try_keep(&place.ledger, &inspection).expect("writes"));
        assert_eq!(found(&place.ledger, &inspection), Some(inspection));
    }
    // A number that no JSON has would come back as another one.
    let mut odd = of_job("odd", sample::go());
    odd.flow.peak_mm3_s = f64::INFINITY;
    assert!(!try_keep(&place.ledger, &odd).expect("reads"));
    assert_eq!(found(&place.ledger, &odd), None);
}

#[test]
fn each_part_of_the_question_counts() {
    let place = Place::new();
    let inspection = sample::no_go();
    try_keep(&place.ledger, &inspection).expect("writes");
    let asked = question(&inspection);
    let others = [
        Question { job: "blake3:other".into(), ..asked.clone() },
        Question { file_name: "other.gcode".into(), ..asked.clone() },
        Question { sheet: "blake3:other", ..asked.clone() },
        Question { accepted: "blake3:other".to_owned(), ..asked.clone() },
        Question { options: "start_mm=0,0,0", ..asked.clone() },
    ];
    let find = |question: &Question<'_>| place.ledger.find(question, "a", &inspection.machine).expect("reads");
    assert!(find(&asked).is_some_and(|found| found.job.path == "a"));
    for other in &others {
        assert_eq!(find(other), None, "{other:?}");
    }
    place.sql("UPDATE inspections SET model = 'other'");
    assert_eq!(find(&asked), None);
}

#[test]
fn a_ledger_that_is_being_written_is_told_and_read_all_the_same() {
    let place = Place::new();
    let (known, fresh) = (of_job("1", sample::go()), of_job("2", sample::go()));
    try_keep(&place.ledger, &known).expect("writes");
    let mut other = Connection::open(place.ledger.path()).expect("opens");
    let writing = other.transaction_with_behavior(TransactionBehavior::Immediate).expect("nobody else writes");
    place.ledger.lock().busy_timeout(std::time::Duration::from_millis(20)).expect("sets");
    let told = try_keep(&place.ledger, &fresh).expect_err("locked");
    assert_eq!(*told.what(), What::Locked);
    assert!(told.to_string().contains("is being written by another program"), "{told}");
    assert_eq!(found(&place.ledger, &known), Some(known), "readers wait for nobody");
    drop(writing);
    assert!(try_keep(&place.ledger, &fresh).expect("writes"));
}

#[test]
fn a_full_disk_damages_nothing() {
    let place = Place::new();
    let known = of_job("1", sample::no_go());
    try_keep(&place.ledger, &known).expect("writes");
    // What the library says of a disk that is full, by a file that may not grow.
    let pages: i64 = place.ledger.lock().query_row("PRAGMA page_count", [], |row| row.get(0)).expect("a number");
    place.sql(&format!("PRAGMA max_page_count = {pages}"));
    let mut large = of_job("2", sample::no_go());
    large.left_out = (0..200_000u64).map(|n| n.wrapping_mul(0x9e37_79b9_7f4a_7c15).to_string()).collect();
    let told = try_keep(&place.ledger, &large).expect_err("full");
    assert_eq!(*told.what(), What::Full);
    assert!(told.to_string().ends_with("the disk is full; what it held before is whole"), "{told}");
    assert_eq!(
        (place.count("jobs"), place.count("names"), place.count("inspections")),
        (1, 1, 1),
        "nothing is half there"
    );
    assert_eq!(found(&place.ledger, &known), Some(known));
    let whole: String = place.ledger.lock().query_row("PRAGMA integrity_check", [], |row| row.get(0)).expect("a word");
    assert_eq!(whole, "ok");
}

fn decision(choice: Choice, confirmation: Option<&str>) -> Decision {
    Decision {
        choice,
        reason: "the clip is off".to_owned(),
        who: "K.".to_owned(),
        until: None,
        confirmation: confirmation.map(str::to_owned),
    }
}

/// A report with an open no-go on heat.
fn too_hot() -> Inspection {
    let mut inspection = sample::no_go();
    inspection.findings.insert(0, sample::finding("nozzle-over-limit", Severity::NoGo, &[(1, "M104 S999")], "999 °C"));
    inspection
}

#[test]
fn a_no_go_on_heat_or_travel_is_released_only_by_typing_the_name_of_the_machine() {
    let place = Place::new();
    let (hot, plain) = (place.keep("1", too_hot()), place.keep("2", sample::no_go()));
    for typed in [None, Some(""), Some("yes"), Some("heron (invented)")] {
        let refused = place.ledger.decide(hot, &decision(Choice::Release, typed)).expect_err("not confirmed");
        assert!(matches!(&refused, DecideError::Unconfirmed(name) if name == "Heron (invented)"), "{refused}");
    }
    assert_eq!(place.count("decisions"), 0);
    place.ledger.decide(hot, &decision(Choice::Refuse, None)).expect("needs no confirmation");
    place.ledger.decide(hot, &decision(Choice::Release, Some(" Heron (invented) "))).expect("confirmed");
    place.ledger.decide(plain, &decision(Choice::Release, None)).expect("a no-go, but not on heat or travel");
    let all = place.ledger.decisions("blake3:1").expect("reads");
    let told: Vec<_> = all.iter().map(|of| (of.decision.choice, of.is_unsafe)).collect();
    assert_eq!(told, [(Choice::Release, true), (Choice::Refuse, true)], "the latest first");
    // Not even SQL puts one in without.
    let sql = format!(
        "INSERT INTO decisions (inspection, decision, reason, who, is_unsafe, decided_at) VALUES ({hot}, 'release', 'r', 'w', 1, '')"
    );
    assert!(place.ledger.lock().execute_batch(&sql).is_err());
    // Where somebody accepted it, it is open no more.
    let mut accepted = too_hot();
    accepted.findings[0].accepted = sample::accepted().findings[0].accepted.clone();
    let accepted = place.keep("3", accepted);
    place.ledger.decide(accepted, &decision(Choice::Release, None)).expect("accepted with its reason already");
}

#[test]
fn the_last_decision_stands_until_it_runs_out() {
    let place = Place::new();
    let of = place.keep("1", sample::no_go());
    let decide = |choice, until: Option<&str>| {
        place.ledger.decide(of, &Decision { until: until.map(day), ..decision(choice, None) }).expect("decides")
    };
    let said = |today| place.said("1", sample::no_go(), day(today));
    let holds = |today| said(today).holds().map(|of| of.decision.choice);
    assert_eq!(said("2027-01-31"), Said::Nothing);
    decide(Choice::Hold, None);
    let released = decide(Choice::Release, Some("2027-01-31"));
    assert_eq!([holds("2027-01-31"), holds("2027-02-01")], [Some(Choice::Release), None]);
    assert_eq!(said("2027-02-01").ran_out().map(|of| of.id), Some(released), "somebody has to decide anew");
    decide(Choice::Refuse, Some("2027-03-01"));
    assert_eq!(holds("2027-01-31"), Some(Choice::Refuse));
    assert_eq!(said("2027-03-02").ran_out().map(|of| of.id), Some(released), "no release comes back");
    let unsigned = Decision { who: " ".to_owned(), ..decision(Choice::Hold, None) };
    assert!(matches!(place.ledger.decide(of, &unsigned), Err(DecideError::Unsigned)));
    assert!(matches!(place.ledger.decide(99, &decision(Choice::Hold, None)), Err(DecideError::NoInspection(99))));
}

#[test]
fn pruning_says_first_what_would_go_and_keeps_decisions_and_prints() {
    let place = Place::new();
    let print = print("hook.gcode", 100.0, None);
    let (old, decided) = (place.keep("old", sample::go()), place.keep("decided", sample::go()));
    place.keep("printed", sample::go());
    place.ledger.decide(decided, &decision(Choice::Hold, None)).expect("decides");
    place.ledger.add_prints(&[Print { job_digest: Some("blake3:printed".to_owned()), ..print }]).expect("writes");
    place.sql("UPDATE inspections SET judged_at = '2025-06-30T23:59:59Z'");
    place.keep("new", sample::go());
    let expected = Pruned { inspections: 2, jobs: 1, sheets: 0, decided_on: 1 };
    for really in [false, true] {
        assert_eq!(place.count("inspections"), 4);
        assert_eq!(place.ledger.prune(day("2025-06-30"), really).expect("reads"), Pruned::default());
        assert_eq!(place.ledger.prune(day("2025-07-01"), really).expect("reads"), expected);
    }
    assert_eq!(place.ledger.inspection(old).expect("reads"), None);
    let counts = ["inspections", "jobs", "names", "sheets", "decisions", "prints"].map(|table| place.count(table));
    assert_eq!(counts, [2, 3, 3, 1, 1, 1]);
    assert_eq!(place.ledger.prune(day("2025-07-01"), true).expect("reads").inspections, 0);
    // A number that went is never given again.
    assert!(place.keep("later", sample::go()) > 4);
}

#[test]
fn a_backup_is_a_ledger_and_replaces_nothing() {
    let place = Place::new();
    let known = of_job("1", too_hot());
    try_keep(&place.ledger, &known).expect("writes");
    place.ledger.add_prints(&[print("a", 60.0, None)]).expect("writes");
    let copy = place.folder.path().join("co'py.ledger");
    place.ledger.back_up(&copy).expect("copies");
    let of_copy = Ledger::open_existing(&copy).expect("a ledger");
    assert_eq!(found(&of_copy, &known), Some(known));
    assert_eq!(of_copy.prints().expect("reads"), place.ledger.prints().expect("reads"));
    let before = fs::read(&copy).expect("reads");
    for there in [copy.as_path(), place.ledger.path(), place.folder.path()] {
        assert!(matches!(place.ledger.back_up(there), Err(BackupError::IsThere(_))));
    }
    assert!(matches!(place.ledger.back_up(&place.folder.path().join("no/copy")), Err(BackupError::Write { .. })));
    assert_eq!(fs::read(&copy).expect("reads"), before);
    drop(of_copy);
    let names: Vec<String> = fs::read_dir(place.folder.path())
        .expect("lists")
        .map(|entry| entry.expect("an entry").file_name().to_string_lossy().into_owned())
        .filter(|name| name.starts_with('.'))
        .collect();
    assert_eq!(names, Vec::<String>::new(), "nothing half is left");
}

fn print(job: &str, measured_s: f64, started: Option<&str>) -> Print {
    Print {
        job: job.to_owned(),
        measured_s,
        parts: JobParts {
            extruding_s: 0.1 + 0.2,
            nozzle_c: 205.0,
            homings: 2,
            heating_s: Some(1e-9),
            ..JobParts::default()
        },
        layers: 6,
        filament_mm: 182.6,
        started: started.map(str::to_owned),
        waited_s: 0.0,
        aborted: false,
        machine: None,
        job_digest: None,
        sheet_digest: None,
        model: None,
    }
}

#[test]
fn prints_are_the_same_as_in_their_file() {
    let place = Place::new();
    let text = include_bytes!("../../../corpus/prints/workshop-a.csv");
    let file = PrintsFile::read(text).expect("a file of prints");
    let prints: Vec<Print> = file.prints.into_iter().map(|(_, print)| print).collect();
    let count = prints.len();
    assert_eq!(place.ledger.add_prints(&prints).expect("writes"), (count, count));
    assert_eq!(place.ledger.add_prints(&prints).expect("writes"), (0, count), "once more changes nothing");
    let kept: Vec<Print> = place.ledger.prints().expect("reads").into_iter().map(|(_, print)| print).collect();
    assert_eq!(kept, prints);
    let out = PrintsFile::read(&PrintsFile::default().with(&kept)).expect("a file of prints");
    assert_eq!(out.prints.into_iter().map(|(_, print)| print).collect::<Vec<_>>(), prints);
}

#[test]
fn the_same_print_is_taken_once() {
    let place = Place::new();
    let all = [
        print("it's; DROP", 100.0, None),
        print("it's; DROP", 100.05, None),
        print("it's; DROP", 100.3, None),
        print("it's; DROP", 100.0, Some("2027-01-31T14:05:00")),
        print("it's; DROP", 200.0, Some("2027-01-31T14:05:00")),
        print("it's; DROP", 200.0, Some("2027-01-31T16:05:00")),
    ];
    assert_eq!(place.ledger.add_prints(&all).expect("writes"), (4, 4));
    let times: Vec<f64> = place.ledger.prints().expect("reads").iter().map(|(_, print)| print.measured_s).collect();
    assert_eq!(times, [100.0, 100.3, 100.0, 200.0]);
}
