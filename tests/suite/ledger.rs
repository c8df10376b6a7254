//! The ledger as a shell and as other programs see it: what it answers, what it keeps, and that nothing damages it.

use std::collections::BTreeSet;
use std::fs;
use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use flate2::{Compression, write::GzEncoder};
use gonogo::accepted::{Accepted, day_from};
use gonogo::findings::{Inspection, Verdict};
use gonogo::machine::Machine;
use gonogo::preflight::{JobError, JobSource, Preflight, Progress, RunContext, silent};
use gonogo::service::ledger::{Answer, Judging, Ledger, Question};
use gonogo::show::report::{
    Look, Report,
    csv::CsvReport,
    json,
    junit::JunitReport,
    openmetrics::OpenMetricsReport,
    sarif::SarifReport,
    text::{Extent, TextReport},
};
use gonogo::study::matrix::{Judged, Totals};
use gonogo::threads::HelperPool;
use proptest::prelude::*;
use rusqlite::Connection;
use serde_json::Value;
use snapbox::cmd::cargo_bin;

use crate::random_jobs::{Dice, random_job, random_machine, random_structure, with_heat};
use crate::support::judge;

/// A workshop of its own: sheets, jobs and a ledger.
struct Shop {
    folder: tempfile::TempDir,
}

/// What a program answers.
#[derive(Debug, PartialEq)]
struct Said {
    code: Option<i32>,
    out: String,
    err: String,
}

const JOBS: [&str; 5] = ["heron-bracket", "heron-hook", "heron-gap", "wren-arcs", "heron-square"];
const MACHINES: [&str; 3] = ["heron", "wren", "bittern"];

impl Shop {
    /// With three sheets and a few jobs in `jobs`, whose first is there packed, too.
    fn new() -> Self {
        let shop = Self { folder: tempfile::tempdir().expect("a folder") };
        let corpus = Path::new(env!("CARGO_MANIFEST_DIR")).join("corpus");
        for machine in MACHINES {
            let sheet = format!("{machine}.toml");
            fs::copy(corpus.join("machines").join(&sheet), shop.at(&sheet)).expect("copies");
        }
        fs::create_dir(shop.at("jobs")).expect("a folder");
        for job in JOBS {
            let text = fs::read(corpus.join("jobs").join(format!("{job}.gcode"))).expect("reads");
            shop.write(&format!("jobs/{job}.gcode"), &text);
        }
        let text = fs::read(shop.at("jobs/heron-bracket.gcode")).expect("reads");
        shop.write("jobs/packed.gcode.gz", &packed(&text));
        shop
    }

    fn at(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn write(&self, name: &str, bytes: &[u8]) {
        fs::write(self.at(name), bytes).expect("writes");
    }

    fn command(&self, args: &[&str]) -> Command {
        let mut command = Command::new(cargo_bin!("gonogo"));
        command.current_dir(self.folder.path()).env("COLUMNS", "80").env("LC_ALL", "C.UTF-8");
        command.env_remove("GONOGO_MACHINE").stdin(Stdio::null()).args(args);
        command
    }

    fn says(&self, args: &[&str]) -> Said {
        let run = self.command(args).output().expect("runs");
        let text = |bytes| String::from_utf8(bytes).expect("UTF-8");
        Said { code: run.status.code(), out: text(run.stdout), err: text(run.stderr) }
    }

    /// Its standard output where all goes well.
    fn out(&self, args: &[&str]) -> String {
        let said = self.says(args);
        assert!(said.code == Some(0) && said.err.is_empty(), "{args:?}: {said:?}");
        said.out
    }

    fn sql<T: rusqlite::types::FromSql>(&self, sql: &str) -> T {
        let ledger = Connection::open(self.at("l.ledger")).expect("a ledger");
        ledger.query_row(sql, [], |row| row.get(0)).unwrap_or_else(|error| panic!("{sql}: {error}"))
    }

    fn change(&self, sql: &str) {
        Connection::open(self.at("l.ledger")).and_then(|ledger| ledger.execute_batch(sql)).expect("changes");
    }

    fn ledger(&self) -> Ledger {
        Ledger::open(&self.at("l.ledger")).expect("opens")
    }
}

fn packed(bytes: &[u8]) -> Vec<u8> {
    let mut packer = GzEncoder::new(Vec::new(), Compression::fast());
    packer.write_all(bytes).expect("packs");
    packer.finish().expect("packs")
}

fn none_accepted() -> Accepted {
    Accepted { source: String::new(), entries: Vec::new() }
}

#[test]
fn what_is_known_is_told_byte_for_byte_as_if_it_were_judged() {
    let shop = Shop::new();
    shop.write("jobs/prose.gcode", b"Give me a print\nof my dog\n");
    let one: &[&str] = &["--machine", "heron.toml"];
    let three: &[&str] = &["--machine", "heron.toml", "--machine", "wren.toml", "--machine", "bittern.toml"];
    let forms: [&[&str]; 11] = [
        &[],
        &["--details"],
        &["--brief"],
        &["--only", "hold", "--format", "ndjson"],
        &["--format", "json"],
        &["--format", "ndjson"],
        &["--format", "csv"],
        &["--format", "junit", "--fail-on", "hold"],
        &["--format", "sarif"],
        &["--format", "openmetrics"],
        &["--format", "csv", "--shard", "1/2"],
    ];
    let mut asked: Vec<Vec<&str>> = Vec::new();
    for (machines, jobs) in [(one, "jobs/heron-hook.gcode"), (one, "jobs"), (three, "jobs")] {
        asked.extend(forms.iter().map(|form| [&["check", jobs], machines, *form].concat()));
    }
    let with = |args: &Vec<&'static str>, more: &[&str]| {
        let args: Vec<&str> =
            args.iter().copied().chain(["--ledger", "l.ledger"]).chain(more.iter().copied()).collect();
        shop.says(&args)
    };
    for (at, args) in asked.iter().enumerate() {
        let plain = shop.says(args);
        // The first few find a ledger that knows nothing yet, or not everything.
        assert_eq!(with(args, &[]), plain, "{args:?}");
        let threads = ["1", "2", "5"][at % 3];
        assert_eq!(with(args, &["--threads", threads]), plain, "{args:?}");
    }
    let (jobs, names, inspections) = (
        shop.sql("SELECT count(*) FROM jobs"),
        shop.sql("SELECT count(*) FROM names"),
        shop.sql("SELECT count(*) FROM inspections"),
    );
    // The packed job is the same content under another name; prose is no job and is not kept.
    assert_eq!((jobs, names, inspections), (5i64, 6i64, 18i64));
}

#[test]
fn pages_and_pictures_are_made_as_ever_and_what_they_judge_is_kept() {
    let shop = Shop::new();
    let machine = ["check", "jobs/heron-hook.gcode", "--machine", "heron.toml"];
    let run = |more: &[&str]| shop.says(&[&machine[..], more].concat());
    assert_eq!(run(&["--format", "html", "-o", "plain.html"]).code, Some(1));
    assert_eq!(run(&["--format", "html", "-o", "kept.html", "--ledger", "l.ledger"]).code, Some(1));
    assert_eq!(fs::read(shop.at("plain.html")).expect("a page"), fs::read(shop.at("kept.html")).expect("a page"));
    assert_eq!(shop.sql::<i64>("SELECT count(*) FROM inspections"), 1);
    let plain = run(&["--plot", "plain.svg"]);
    assert_eq!(run(&["--plot", "kept.svg", "--ledger", "l.ledger"]), plain);
    assert_eq!(fs::read(shop.at("plain.svg")).expect("a picture"), fs::read(shop.at("kept.svg")).expect("a picture"));
    let at: String = shop.sql("SELECT judged_at FROM inspections");
    assert_eq!(run(&["--ledger", "l.ledger"]), run(&[]), "{at}");
}

#[test]
fn the_answer_comes_from_the_ledger_until_it_is_asked_anew() {
    let shop = Shop::new();
    let ask = |more: &[&str]| {
        let args = [
            "check",
            "jobs/heron-bracket.gcode",
            "--machine",
            "heron.toml",
            "--ledger",
            "l.ledger",
            "--format",
            "json",
        ];
        let said = shop.says(&[&args[..], more].concat());
        serde_json::from_str::<Value>(&said.out).expect("JSON")
    };
    let judged = ask(&[]);
    // A mark that no judging would make shows where an answer comes from.
    let marked = judged.to_string().replace(r#""pauses":0"#, r#""pauses":7"#);
    let ledger = Connection::open(shop.at("l.ledger")).expect("a ledger");
    ledger.execute("UPDATE inspections SET report = ?1", [packed(marked.as_bytes())]).expect("writes");
    assert_eq!(ask(&[])["pauses"], 7);
    assert_eq!(ask(&["--anew"]), judged);
    assert_eq!(ask(&[]), judged, "the new answer took the place of the old one");
    assert_eq!(shop.sql::<i64>("SELECT count(*) FROM inspections"), 1);
    // What cannot be read any more is judged anew.
    ledger.execute("UPDATE inspections SET report = x'1f8b00'", []).expect("writes");
    assert_eq!(ask(&[]), judged);
    ledger.execute("UPDATE inspections SET model = '0-of an older version'", []).expect("writes");
    assert_eq!(ask(&[]), judged);
    assert_eq!(shop.sql::<i64>("SELECT count(*) FROM inspections"), 2, "history stays");
    assert_eq!(shop.says(&["check", "jobs", "--anew"]).code, Some(2), "it goes with a ledger alone");
}

fn ask<'e>(judging: &Judging<'_>, job: &Path, progress: Progress<'e>) -> Result<Answer, JobError> {
    let helpers = HelperPool::default();
    judging.judge(job, RunContext::new(progress, &helpers))
}

/// Judges every job of the shop on machines; how many inspections the ledger knew, and how many there are.
fn known(shop: &Shop, ledger: &Ledger, machines: &[&Machine], accepted: &Accepted, today: &str) -> (usize, usize) {
    let judging = Judging { ledger, machines, accepted, today: day_from(today).expect("a day"), anew: false };
    let mut counts = (0, 0);
    for job in JOBS {
        let path = shop.at(&format!("jobs/{job}.gcode"));
        let answer = ask(&judging, &path, &silent).expect("judges");
        assert!(answer.unkept.is_none(), "{:?}", answer.unkept);
        for (inspection, machine) in answer.inspections.iter().zip(machines) {
            let mut plain = Preflight::on(machine).run(JobSource::at(&path)).expect("judges");
            accepted.apply(&mut plain, day_from(today).expect("a day"));
            assert_eq!(*inspection, plain);
        }
        counts = (counts.0 + answer.known, counts.1 + answer.inspections.len());
    }
    counts
}

#[test]
fn a_changed_sheet_makes_only_its_own_inspections_anew() {
    let (shop, none) = (Shop::new(), none_accepted());
    let ledger = shop.ledger();
    let machines = MACHINES.map(|name| Machine::load(&shop.at(&format!("{name}.toml"))).expect("a sheet"));
    let all: Vec<&Machine> = machines.iter().collect();
    let day = "2027-01-31";
    assert_eq!(known(&shop, &ledger, &all, &none, day), (0, 15));
    assert_eq!(known(&shop, &ledger, &all, &none, day), (15, 15));
    let text = fs::read_to_string(shop.at("wren.toml")).expect("reads") + "\n# the belt was tightened\n";
    let wren = Machine::parse("wren.toml", &text).expect("a sheet");
    let changed = [&machines[0], &wren, &machines[2]];
    assert_eq!(known(&shop, &ledger, &changed, &none, day), (10, 15));
    assert_eq!(known(&shop, &ledger, &changed, &none, day), (15, 15));
    assert_eq!(known(&shop, &ledger, &all, &none, day), (15, 15), "the old version is known still");
    // The same text under another name is the same sheet.
    let elsewhere = Machine::parse("elsewhere.toml", &text).expect("a sheet");
    assert_eq!(known(&shop, &ledger, &[&elsewhere], &none, day), (5, 5));
    // Another name of the file is another question, its folder is not.
    fs::create_dir(shop.at("attic")).expect("a folder");
    let judging =
        Judging { ledger: &ledger, machines: &all, accepted: &none, today: day_from(day).expect("a day"), anew: false };
    for (name, expected) in [("attic/heron-hook.gcode", 3), ("attic/what?.gcode", 0), ("attic/what?.gcode", 3)] {
        fs::copy(shop.at("jobs/heron-hook.gcode"), shop.at(name)).expect("copies");
        let answer = ask(&judging, &shop.at(name), &silent).expect("judges");
        assert_eq!(answer.known, expected, "{name}");
        assert!(answer.inspections.iter().all(|of| of.job.path.ends_with(name)));
        let unfit = answer.inspections[0].findings.iter().any(|finding| finding.check == "name-unfit-for-card");
        assert_eq!(unfit, name.contains('?'));
    }
}

#[test]
fn accepted_findings_belong_to_the_question() {
    let shop = Shop::new();
    let machine = ["--machine", "heron.toml"];
    let accept = [
        &["accept", "jobs/heron-gap.gcode", "--check", "drives-resonance", "--because", "it's fine\"; DROP"],
        &machine[..],
    ]
    .concat();
    assert_eq!(shop.says(&[&accept[..], &["--until", "2099-01-31"]].concat()).code, Some(0));
    let heron = Machine::load(&shop.at("heron.toml")).expect("a sheet");
    let ledger = shop.ledger();
    let load = || Accepted::load(&shop.at("gonogo.accepted.toml")).expect("reads");
    let ask = |accepted: &Accepted, day: &str| known(&shop, &ledger, &[&heron], accepted, day).0;
    assert_eq!(ask(&none_accepted(), "2027-01-31"), 0);
    // Only the job that an entry is about is judged anew; on the next day it is known, after its last day it is not.
    assert_eq!(ask(&load(), "2027-01-31"), 4);
    assert_eq!([ask(&load(), "2027-02-01"), ask(&load(), "2099-01-31")], [5, 5]);
    assert_eq!([ask(&load(), "2099-02-01"), ask(&load(), "2099-02-02")], [4, 5]);
    assert_eq!(ask(&none_accepted(), "2027-01-31"), 5);
    let text = fs::read_to_string(shop.at("gonogo.accepted.toml")).expect("reads").replace("it's fine", "it is fine");
    shop.write("gonogo.accepted.toml", text.as_bytes());
    assert_eq!(ask(&load(), "2027-01-31"), 4);
}

#[test]
fn a_job_that_changes_while_it_is_read_is_not_kept_under_another_digest() {
    let shop = Shop::new();
    let (ledger, none, heron) =
        (shop.ledger(), none_accepted(), Machine::load(&shop.at("heron.toml")).expect("a sheet"));
    let job = shop.at("jobs/changing.gcode");
    let text = |x: u32| format!("G28\nG1 Z5 F600\n{}", format!("G1 X{x} F6000\nG1 X1\n").repeat(200_000));
    fs::write(&job, text(5)).expect("writes");
    let judging = Judging {
        ledger: &ledger,
        machines: &[&heron],
        accepted: &none,
        today: day_from("2027-01-31").expect("a day"),
        anew: false,
    };
    // Written to in place: it is not judged, and nothing is kept.
    let once = std::sync::Once::new();
    let grow = |_: u64| {
        once.call_once(|| {
            let mut file = fs::OpenOptions::new().append(true).open(&job).expect("opens");
            file.write_all(b"G1 X7\n").expect("writes");
        });
        std::ops::ControlFlow::Continue(())
    };
    let told = ask(&judging, &job, &grow).expect_err("it grew").to_string();
    assert!(told.contains("changed while it was read"), "{told}");
    assert_eq!(shop.sql::<i64>("SELECT count(*) FROM jobs"), 0);
    // Another one takes its place: what is kept is what was judged.
    fs::write(&job, text(6)).expect("writes");
    let other = shop.at("other.gcode");
    fs::write(&other, text(8)).expect("writes");
    let once = std::sync::Once::new();
    let replace = |_: u64| {
        once.call_once(|| fs::rename(&other, &job).expect("moves"));
        std::ops::ControlFlow::Continue(())
    };
    let answer = ask(&judging, &job, &replace).expect("judges");
    let digest = |text: String| format!("blake3:{}", blake3::hash(text.as_bytes()).to_hex());
    assert_eq!(answer.inspections[0].job.digest, digest(text(6)));
    assert_eq!(shop.sql::<String>("SELECT digest FROM jobs"), digest(text(6)));
    assert_eq!(shop.sql::<String>("SELECT job FROM inspections"), digest(text(6)));
    let next = ask(&judging, &job, &silent).expect("judges");
    assert_eq!((next.known, next.inspections[0].job.digest.clone()), (0, digest(text(8))));
}

#[test]
fn standard_input_is_judged_and_kept() {
    let shop = Shop::new();
    let job = shop.at("jobs/heron-bracket.gcode");
    let run = |more: &[&str]| {
        let args = [&["check", "-", "--machine", "heron.toml"], more].concat();
        let run = shop.command(&args).stdin(fs::File::open(&job).expect("opens")).output().expect("runs");
        (run.status.code(), String::from_utf8(run.stdout).expect("UTF-8"))
    };
    assert_eq!(run(&["--ledger", "l.ledger"]), run(&[]));
    assert_eq!(run(&["--ledger", "l.ledger"]), run(&[]));
    assert_eq!(shop.sql::<String>("SELECT file_name || '|' || (SELECT path FROM names) FROM inspections"), "|-");
    assert!(shop.out(&["ledger", "list", "--ledger", "l.ledger"]).contains("● go"));
}

#[cfg(unix)]
#[test]
fn hostile_names_are_data() {
    let shop = Shop::new();
    let names = [
        "a'b\"c.gcode",
        "'); DROP TABLE jobs; --.gcode",
        "line\nfeed.gcode",
        "esc\u{1b}[2J\u{202e}.gcode",
        "=1+2.gcode",
        "%_*?.gcode",
        "tab\t\u{9b}.gcode",
    ];
    fs::create_dir(shop.at("odd")).expect("a folder");
    for (n, name) in names.iter().enumerate() {
        shop.write(&format!("odd/{name}"), format!("G28\nG1 Z5 F600\nG1 X{n} F6000\n").as_bytes());
    }
    let sheet = fs::read_to_string(shop.at("heron.toml")).expect("reads");
    let named = sheet.replacen("name = \"", "name = \"He'r\\\"); DROP TABLE sheets; -- ", 1);
    shop.write("odd.toml", named.as_bytes());
    let check = ["check", "odd", "--machine", "odd.toml"];
    let plain = shop.says(&check);
    assert!(plain.code == Some(0) && plain.out.contains("DROP TABLE sheets"), "{plain:?}");
    for _ in 0..2 {
        assert_eq!(shop.says(&[&check[..], &["--ledger", "l.ledger"]].concat()), plain);
    }
    let paths: BTreeSet<String> = {
        let ledger = Connection::open(shop.at("l.ledger")).expect("a ledger");
        let mut select = ledger.prepare("SELECT path FROM names").expect("a table");
        select.query_map([], |row| row.get(0)).expect("rows").map(|path| path.expect("text")).collect()
    };
    assert_eq!(paths, names.iter().map(|name| format!("odd/{name}")).collect());
    let of = ["--ledger", "l.ledger"];
    let tame =
        |text: &str| !text.contains(|c: char| c.is_control() && c != '\n' || ('\u{202a}'..='\u{202e}').contains(&c));
    for args in [
        &["ledger", "list"][..],
        &["ledger", "list", "--format", "csv"],
        &["ledger", "list", "--format", "json"],
        &["ledger", "export"],
    ] {
        let out = shop.out(&[args, &of].concat());
        assert!(tame(&out), "{args:?}: {out:?}");
        assert!(!out.lines().any(|line| line.starts_with('=') || line.contains(",=1")), "{out}");
    }
    let list: Value =
        serde_json::from_str(&shop.out(&["ledger", "list", "--format", "json", "--ledger", "l.ledger"])).expect("JSON");
    let listed: BTreeSet<&str> =
        list["inspections"].as_array().expect("a list").iter().filter_map(|of| of["file_name"].as_str()).collect();
    assert_eq!(listed, names.into_iter().collect());
    for name in names {
        let page = shop.out(&[&["ledger", "show", name], &of[..]].concat());
        assert!(tame(&page) && page.starts_with("blake3:"), "{page:?}");
        assert_eq!(page, shop.out(&[&["ledger", "show", &format!("odd/{name}")], &of[..]].concat()));
    }
    let unknown = shop.says(&["ledger", "show", "no\u{1b}[2J'--", "--ledger", "l.ledger"]);
    assert!(
        unknown.code == Some(2) && tame(&unknown.err) && unknown.err.contains("knows no job no·[2J'--"),
        "{unknown:?}"
    );
}

#[test]
fn what_is_no_ledger_is_left_as_it_is() {
    let shop = Shop::new();
    let ask = |file: &str| {
        let said = shop.says(&["check", "jobs/heron-bracket.gcode", "--ledger", file]);
        assert_eq!((said.code, said.out.as_str(), said.err.lines().count()), (Some(2), "", 1), "{file}: {said:?}");
        said.err
    };
    shop.write("text.ledger", "a list of jobs, kept by hand\n".repeat(100).as_bytes());
    shop.write("short.ledger", b"x");
    let other = Connection::open(shop.at("other.ledger")).expect("a database");
    other.execute_batch("CREATE TABLE jobs (digest TEXT); PRAGMA user_version = 1;").expect("a table");
    drop(other);
    for file in ["text.ledger", "short.ledger", "other.ledger", "jobs/heron-hook.gcode", "heron.toml"] {
        let before = fs::read(shop.at(file)).expect("reads");
        assert!(ask(file).contains("is no ledger: it was left as it is"));
        assert!(fs::read(shop.at(file)).expect("reads") == before, "{file}");
    }
    assert!(ask("jobs").contains("is no ledger"));
    assert!(ask("no/such/folder/l.ledger").contains("No such file"));
    // A newer one is refused with what to do.
    shop.says(&["check", "jobs/heron-bracket.gcode", "--ledger", "l.ledger"]);
    shop.change("PRAGMA user_version = 99; PRAGMA wal_checkpoint(TRUNCATE);");
    let before = fs::read(shop.at("l.ledger")).expect("reads");
    let told = ask("l.ledger");
    assert!(
        told.contains("written by a newer gonogo (its form is 99, this version knows 2): use that version"),
        "{told}"
    );
    assert!(fs::read(shop.at("l.ledger")).expect("reads") == before);
    for command in [&["ledger", "list"][..], &["ledger", "prune", "--older-than", "1"], &["prints", "list"], &["learn"]]
    {
        let said = shop.says(&[command, &["--ledger", "l.ledger"]].concat());
        assert!(said.code == Some(2) && said.err.contains("newer gonogo"), "{said:?}");
    }
    let missing = shop.says(&["ledger", "list", "--ledger", "none.ledger"]);
    assert!(missing.code == Some(2) && missing.err.contains("there is no ledger at none.ledger"), "{missing:?}");
    assert!(!shop.at("none.ledger").exists());
    // Nothing is written over a ledger.
    let over =
        shop.says(&["check", "jobs/heron-bracket.gcode", "--ledger", "l.ledger", "--format", "csv", "-o", "l.ledger"]);
    assert!(over.code == Some(2) && over.err.contains("the same file"), "{over:?}");
}

#[cfg(unix)]
#[test]
fn a_place_that_cannot_be_written_is_told() {
    use std::os::unix::fs::PermissionsExt;
    let shop = Shop::new();
    fs::create_dir(shop.at("closed")).expect("a folder");
    fs::set_permissions(shop.at("closed"), fs::Permissions::from_mode(0o555)).expect("sets");
    // The superuser may write anywhere but in a file system that takes no files.
    let place = if fs::write(shop.at("closed/try"), "").is_err() { "closed/l.ledger" } else { "/proc/l.ledger" };
    if !Path::new("/proc/self").exists() && place.starts_with("/proc") {
        return;
    }
    let said = shop.says(&["check", "jobs/heron-bracket.gcode", "--ledger", place]);
    assert!(said.code == Some(2) && said.out.is_empty() && said.err.contains("cannot write the ledger"), "{said:?}");
    assert_eq!(said.err.lines().count(), 1);
}

#[test]
fn many_programs_share_a_ledger() {
    let shop = Shop::new();
    let names: Vec<String> = (0..24).map(|n| format!("share-{n}.gcode")).collect();
    for (n, name) in names.iter().enumerate() {
        shop.write(name, format!("G28\nG1 Z5 F600\nG1 X{n} F6000\n").as_bytes());
    }
    // They begin it at the same time, and each writes jobs of its own.
    let begin = |part: &[String]| {
        let mut args = vec!["check", "--ledger", "l.ledger", "--brief", "--fail-on", "never"];
        args.extend(part.iter().map(String::as_str));
        shop.command(&args).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().expect("starts")
    };
    let all: Vec<_> = names.chunks(4).map(begin).collect();
    for child in all {
        let run = child.wait_with_output().expect("ends");
        assert!(run.status.success() && run.stderr.is_empty(), "{}", String::from_utf8_lossy(&run.stderr));
    }
    assert_eq!(shop.sql::<i64>("SELECT count(*) FROM inspections"), 24);
    assert_eq!(shop.sql::<String>("PRAGMA integrity_check"), "ok");
}

/// A program that writes a ledger is killed at any moment: whatever it had reported is there, and nothing is half there.
#[cfg(unix)]
#[test]
fn a_kill_loses_nothing_that_was_reported() {
    let shop = Shop::new();
    fs::create_dir(shop.at("many")).expect("a folder");
    for n in 0..60 {
        let body: String = (0..400).map(|k| format!("G1 X{} Y{} E{} F6000\n", k % 180, n, k)).collect();
        shop.write(&format!("many/{n:02}.gcode"), format!("G28\nM109 S200\nG1 Z0.2 F600\n{body}M104 S0\n").as_bytes());
    }
    let mut dice = Dice::new(0x6b69_6c6c);
    let mut reported_in_all = 0;
    for round in 0..30 {
        // At times from the beginning of the ledger on.
        if round % 6 == 0 {
            for end in ["", "-wal", "-shm"] {
                let _ = fs::remove_file(shop.at(&format!("l.ledger{end}")));
            }
        }
        let args = ["check", "many", "--anew", "--ledger", "l.ledger", "--format", "ndjson", "--fail-on", "never"];
        let mut child = shop.command(&args).stdout(Stdio::piped()).stderr(Stdio::null()).spawn().expect("starts");
        let mut lines = BufReader::new(child.stdout.take().expect("piped")).lines();
        let mut reported: Vec<String> = lines.by_ref().take(dice.below(20) as usize).map_while(Result::ok).collect();
        std::thread::sleep(std::time::Duration::from_micros(dice.below(20_000)));
        child.kill().expect("kills");
        // What was on its way when it died; the last line may be cut.
        reported.extend(lines.map_while(Result::ok));
        child.wait().expect("ends");
        if !shop.at("l.ledger").exists() {
            assert!(reported.is_empty());
            continue;
        }
        let ledger = shop.ledger();
        assert_eq!(shop.sql::<String>("PRAGMA integrity_check"), "ok");
        assert_eq!(shop.sql::<i64>("SELECT count(*) FROM pragma_foreign_key_check"), 0);
        let machine = Machine::built_in().facts();
        let none = none_accepted();
        for text in &reported {
            let Ok(told) = json::read(text) else {
                assert_eq!(reported.last(), Some(text), "only the last line is cut");
                continue;
            };
            let told = told.expect("a job");
            let question =
                Question::of(&told.job.digest, &told.job.path, &machine, &none, day_from("2027-01-31").expect("a day"));
            let kept = ledger.find(&question, &told.job.path, &told.machine).expect("reads");
            assert_eq!(kept, Some(told));
            reported_in_all += 1;
        }
        let ids = {
            let raw = Connection::open(shop.at("l.ledger")).expect("a ledger");
            let mut select = raw.prepare("SELECT id FROM inspections").expect("a table");
            select
                .query_map([], |row| row.get::<_, i64>(0))
                .expect("rows")
                .map(|id| id.expect("a number"))
                .collect::<Vec<_>>()
        };
        for id in ids {
            assert!(ledger.inspection(id).expect("whole").is_some());
        }
    }
    assert!(reported_in_all > 100, "{reported_in_all}: kills came too early to show anything");
}

/// All forms in which an inspection is shown.
fn rendered(of: &Inspection) -> Vec<String> {
    let look = Look { width: 80, color: true };
    let machines = [of.machine.clone()];
    let mut totals = Totals::new(machines.clone(), Some(Verdict::NoGo));
    let judged: Judged = Ok(vec![of.clone()]);
    totals.count(&judged);
    let all: [Box<dyn Report<Judged, Totals>>; 6] = [
        Box::new(TextReport::new(look, Extent { details: true, letters: true })),
        Box::new(json::JsonReport::new(json::Frame::Object)),
        Box::new(CsvReport::new(machines.to_vec())),
        Box::new(JunitReport::new(None, &machines)),
        Box::new(SarifReport::new()),
        Box::new(OpenMetricsReport::new(&machines)),
    ];
    let render = |mut report: Box<dyn Report<Judged, Totals>>| {
        let mut out = Vec::new();
        report.add(&judged, &mut out).and_then(|()| report.finish(&totals, &mut out)).expect("memory can be written");
        String::from_utf8(out).expect("UTF-8")
    };
    all.into_iter().map(render).collect()
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 48, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn what_is_kept_is_shown_like_what_was_judged(seed in any::<u64>()) {
        let mut dice = Dice::new(seed);
        let mut machine = random_machine(&mut dice);
        machine.structure = random_structure(&mut Dice::new(!seed));
        if dice.chance(0.5) {
            machine = with_heat(machine, &mut dice);
        }
        // Its fields were changed by hand: it is a sheet of its own.
        machine.digest = format!("blake3:{seed}");
        machine.text = format!("{} {seed}", machine.text);
        let job = random_job(&machine, &mut dice, 200);
        let judged = judge(&machine, &job);
        let folder = tempfile::tempdir().expect("a folder");
        let ledger = Ledger::open(&folder.path().join("l.ledger")).expect("opens");
        let (facts, none, day) = (machine.facts(), none_accepted(), day_from("2027-01-31").expect("a day"));
        let question = Question::of(&judged.job.digest, &judged.job.path, &facts, &none, day);
        prop_assert!(ledger.keep(&question, &judged, &machine).expect("writes"), "it can be written down");
        let kept = ledger.find(&question, &judged.job.path, &facts).expect("reads").expect("is there");
        prop_assert_eq!(rendered(&kept), rendered(&judged));
        prop_assert_eq!(kept, judged);
    }
}

#[test]
fn prints_in_a_ledger_are_those_of_the_file() {
    let shop = Shop::new();
    let corpus = Path::new(env!("CARGO_MANIFEST_DIR")).join("corpus/prints/workshop-a.csv");
    fs::copy(corpus, shop.at("old.csv")).expect("copies");
    let of = ["--ledger", "l.ledger"];
    let import = |file: &str| shop.out(&[&["prints", "import", file], &of[..]].concat());
    assert_eq!(import("old.csv"), "Took over 40 prints. 40 prints in l.ledger.\n");
    assert_eq!(import("old.csv"), "Took over 0 prints, 40 known already. 40 prints in l.ledger.\n");
    // Out and in again is the same, and so is what is learned of both.
    shop.out(&["ledger", "export", "--prints", "-o", "out.csv", "--ledger", "l.ledger"]);
    assert_eq!(import("out.csv"), "Took over 0 prints, 40 known already. 40 prints in l.ledger.\n");
    let learn = |more: &[&str]| {
        let text = shop.out(&[&["learn", "--format", "json"], more].concat());
        let mut learned: Value = serde_json::from_str(&text).expect("JSON");
        for print in learned["prints"].as_array_mut().expect("a list") {
            print["line"] = Value::Null;
        }
        learned["source"] = Value::Null;
        learned
    };
    let learned = learn(&of);
    assert_eq!(learned, learn(&["--prints", "out.csv"]));
    assert_eq!(learned["prints"].as_array().map(Vec::len), Some(40));
    let page = shop.out(&[&["learn"], &of[..]].concat());
    assert!(page.contains("a08 (print 9)") && page.contains("in the order of the ledger"), "{page}");
    // A print is written down there, and not beside the sheet.
    let add = ["prints", "add", "jobs/heron-bracket.gcode", "--machine", "heron.toml", "--took", "0:07:00"];
    assert!(shop.out(&[&add[..], &of].concat()).ends_with("41 prints in l.ledger.\n"));
    let same = shop.out(&[&add[..], &of].concat());
    assert!(same.starts_with("This print is in l.ledger already: the same job, as long."), "{same}");
    assert!(!shop.at("gonogo.prints.csv").exists());
    let list = shop.out(&[&["prints", "list"], &of[..]].concat());
    assert!(list.starts_with("41 prints in l.ledger, each with the time from start to end\n"), "{list}");
    assert!(list.contains("0:07:00 jobs/heron-bracket.gcode on Heron"), "{list}");
    assert!(shop.out(&["ledger", "list", "--ledger", "l.ledger"]).starts_with("0 inspections in"));
    shop.out(&["check", "jobs/heron-bracket.gcode", "--machine", "heron.toml", "--ledger", "l.ledger"]);
    let page = shop.out(&["ledger", "show", "packed.gcode", "--ledger", "l.ledger"].map(|arg| match arg {
        "packed.gcode" => "jobs/packed.gcode.gz",
        arg => arg,
    }));
    assert!(page.contains("\nprints\n0:07:00 on Heron"), "the packed job is the same content: {page}");
    let both = shop.says(&["learn", "--prints", "out.csv", "--ledger", "l.ledger"]);
    assert!(both.code == Some(2) && both.err.contains("cannot be used with"), "{both:?}");
}

#[test]
fn a_ledger_is_looked_through_copied_and_pruned() {
    let shop = Shop::new();
    shop.out(&[
        "check",
        "jobs",
        "--machine",
        "heron.toml",
        "--ledger",
        "gonogo.ledger",
        "--fail-on",
        "never",
        "--threads",
        "1",
    ]);
    // The commands of the ledger find it from the current directory upward.
    let list = shop.out(&["ledger", "list"]);
    assert!(list.starts_with("6 inspections in ") && list.contains("■ NO-GO") && list.contains("Heron"), "{list}");
    let json: Value = serde_json::from_str(&shop.out(&["ledger", "list", "--format", "json"])).expect("JSON");
    let schema: Value = serde_json::from_str(&shop.out(&["report-schema", "--of", "ledger"])).expect("JSON");
    assert!(jsonschema::validator_for(&schema).expect("a schema").is_valid(&json));
    let of: Vec<&Value> = json["inspections"].as_array().expect("a list").iter().collect();
    let times: Vec<(&str, i64)> =
        of.iter().map(|of| (of["judged_at"].as_str().unwrap(), of["id"].as_i64().unwrap())).collect();
    assert!(times.len() == 6 && times.is_sorted_by(|a, b| a > b), "the newest first: {times:?}");
    // Both tables say what `check` says.
    let plain = shop.out(&["check", "jobs", "--machine", "heron.toml", "--format", "csv", "--fail-on", "never"]);
    let plain: BTreeSet<&str> = plain.lines().collect();
    let export = shop.out(&["ledger", "export"]);
    let export: Vec<&str> = export.lines().collect();
    assert!(export[0].ends_with(",job_digest,sheet_digest,judged_at,model,decision"));
    assert!(export.iter().all(|row| plain.iter().any(|known| row.starts_with(known))) && export.len() == plain.len());
    let short = shop.out(&["ledger", "list", "--format", "csv"]);
    assert!(short.starts_with("id,judged_at,verdict,file_name,machine,time_s,") && short.lines().count() == 7);
    // The bracket lies there packed, too: one content, two names.
    let page = shop.out(&["ledger", "show", "heron-bracket.gcode"]);
    assert!(page.contains("\nnames\njobs/heron-bracket.gcode\njobs/packed.gcode.gz\n"), "{page}");
    let digest = page.lines().next().expect("a line").to_owned();
    assert_eq!(shop.out(&["ledger", "show", &digest[..15]]), page);
    for name in ["jobs/packed.gcode.gz", "packed.gcode", &digest["blake3:".len()..]] {
        assert_eq!(shop.out(&["ledger", "show", name]), page);
    }
    shop.write("jobs/heron-hook.gcode", b"G28\nG1 Z5 F600\nG1 X9\n");
    shop.says(&["check", "jobs/heron-hook.gcode", "--ledger", "gonogo.ledger"]);
    let two = shop.says(&["ledger", "show", "--ledger", "gonogo.ledger", "--", "heron-hook.gcode"]);
    assert!(two.code == Some(2) && two.err.contains("2 jobs are called heron-hook.gcode"), "{two:?}");
    // A copy, which is a ledger of its own and replaces nothing.
    assert_eq!(shop.out(&["ledger", "backup", "copy.ledger"]), "Copied to copy.ledger.\n");
    assert!(shop.out(&["ledger", "list", "--ledger", "copy.ledger"]).starts_with("7 inspections in copy.ledger\n"));
    let again = shop.says(&["ledger", "backup", "copy.ledger"]);
    assert!(again.code == Some(2) && again.err.contains("is there already"), "{again:?}");
    // Old inspections go when that is asked for.
    let ledger = Connection::open(shop.at("gonogo.ledger")).expect("a ledger");
    ledger.execute("UPDATE inspections SET judged_at = '2020-01-31T00:00:00Z' WHERE id < 4", []).expect("writes");
    let prune =
        |more: &[&str]| shop.out(&[&["ledger", "prune", "--older-than", "730"], more].concat()).replace('\n', " ");
    for _ in 0..2 {
        let told = prune(&[]);
        assert!(told.contains(": 3 inspections, 2 jobs and 0 versions of sheets would go."), "{told}");
    }
    assert!(shop.out(&["ledger", "list"]).starts_with("7 inspections"));
    assert!(prune(&["--write"]).contains(": 3 inspections, 2 jobs and 0 versions of sheets went."));
    assert!(shop.out(&["ledger", "list"]).starts_with("4 inspections"));
    assert!(shop.says(&["ledger", "prune"]).code == Some(2), "nothing goes without an age");
}
