//! The corpus: every job judged on its machine against the markers in it and the numbers beside it.
//!
//! With `GONOGO_WRITE_CORPUS=1` the jobs and the expected numbers are written anew instead of compared.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::io::{self, Read};
use std::path::{Path, PathBuf};

use gonogo::checks::CATALOGUE;
use gonogo::findings::{Finding, Inspection, Severity};
use gonogo::geometry::Box3;
use gonogo::machine::{
    Machine,
    keys::{KEYS, Preset},
};
use gonogo::preflight::{JobSource, Preflight};
use gonogo::service::ledger::MODEL;
use gonogo::show::report::json;
use serde_json::{Value, json};

use generate::{Job, Mix, big_job, mixed_job, write_big_job};

use crate::support::corpus_machine as machine;

#[path = "../../corpus/generate.rs"]
mod generate;

/// Checks that no small text can raise, and where they are tried instead.
const ELSEWHERE: [(&str, &str); 2] = [
    ("file-too-large-for-card", "needs more than 4 GiB: see `a_job_too_large_for_a_card`"),
    ("name-unfit-for-card", "is about the name of the file: see `a_name_unfit_for_a_card`"),
];

/// Numbers that are only recorded where a job does not know them.
const RECORDED: [&str; 8] = [
    "time_s.total",
    "path_mm.travel",
    "filament.net_mm",
    "flow.peak",
    "flow.mean",
    "flow.sustained_peak",
    "job.moves",
    "job.lines",
];
const RECORDED_TOLERANCE: f64 = 1e-9;

fn folder(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("corpus").join(name)
}

fn judge(job: &Job) -> Inspection {
    let path = format!("{}.gcode", job.name);
    Preflight::on(&machine(job.machine)).run(JobSource::stream(job.text.as_bytes(), &path)).expect("memory can be read")
}

fn writing() -> bool {
    std::env::var_os("GONOGO_WRITE_CORPUS").is_some_and(|value| value == "1")
}

/// What the markers of a job say.
#[derive(Default)]
struct Markers {
    machine: String,
    verdict: String,
    /// Line and check; line 0 is the job as a whole.
    expect: BTreeSet<(u64, String)>,
    near: BTreeSet<(u64, String)>,
    also: BTreeSet<String>,
}

impl Markers {
    fn of(text: &str) -> Self {
        let mut markers = Self::default();
        for (line, text) in (1u64..).zip(text.lines()) {
            for part in text.split(';').skip(1) {
                let Some((what, ids)) = part.trim().split_once(": ") else { continue };
                if let Some((lines, id)) = range(ids) {
                    let marks = lines.map(|line| (line, id.to_owned()));
                    match what {
                        "expect-lines" => markers.expect.extend(marks),
                        "near-lines" => markers.near.extend(marks),
                        _ => {}
                    }
                    continue;
                }
                let ids = ids.split(',').map(|id| id.trim().to_owned());
                match what {
                    "machine" => markers.machine = ids.collect(),
                    "verdict" => markers.verdict = ids.collect(),
                    "expect" => markers.expect.extend(ids.map(|id| (line, id))),
                    "near" => markers.near.extend(ids.map(|id| (line, id))),
                    "expect-job" => markers.expect.extend(ids.map(|id| (0, id))),
                    "near-job" => markers.near.extend(ids.map(|id| (0, id))),
                    "also" => markers.also.extend(ids),
                    _ => {}
                }
            }
        }
        markers
    }
}

/// `id first-last` as lines and id.
fn range(text: &str) -> Option<(std::ops::RangeInclusive<u64>, &str)> {
    let (id, lines) = text.split_once(' ')?;
    let (first, last) = lines.split_once('-')?;
    Some((first.parse().ok()?..=last.parse().ok()?, id))
}

fn lines_of(finding: &Finding) -> impl Iterator<Item = u64> {
    // Beyond the lines kept, the last one is still known.
    let kept = if finding.lines.is_empty() { vec![0] } else { finding.lines.clone() };
    kept.into_iter().chain(finding.last_line)
}

#[test]
fn the_files_are_what_the_generator_writes() {
    let jobs = generate::jobs();
    assert!(jobs.len() >= 14);
    let mut names = BTreeSet::new();
    for job in &jobs {
        assert!(names.insert(format!("{}.gcode", job.name)), "{} is there twice", job.name);
        assert!(job.text.len() < 40_000, "{}: {} bytes", job.name, job.text.len());
        assert!(job.text.lines().all(|line| line.is_ascii()), "{}: plain ASCII", job.name);
        let path = folder("jobs").join(format!("{}.gcode", job.name));
        if writing() {
            fs::write(&path, &job.text).expect("the corpus can be written");
        }
        let file = fs::read(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
        assert!(file == job.text.as_bytes(), "{} is not what the generator writes", path.display());
    }
    let there = fs::read_dir(folder("jobs")).expect("the folder of the jobs");
    let there: BTreeSet<String> =
        there.map(|entry| entry.expect("an entry").file_name().to_string_lossy().into_owned()).collect();
    assert_eq!(there, names);
}

/// The pattern in `heron-gap` by the trapezoid of one of its strokes.
#[test]
fn a_gap_in_time_with_the_bed_is_told_with_its_frequency() {
    let jobs = generate::jobs();
    let gap = jobs.iter().find(|job| job.name == "heron-gap").expect("the job");
    let found = judge(gap).findings.into_iter().find(|finding| finding.check == "drives-resonance").expect("a finding");
    let length = 0.15f64.hypot(0.12);
    let (corner, speed, accel) = (4.0 * length / 0.12, 12.0, 800.0);
    let cruise = (length - (speed * speed - corner * corner) / accel) / speed;
    let hz = 0.5 / (2.0 * (speed - corner) / accel + cruise);
    let value = found.value.expect("a frequency");
    assert!((value / hz - 1.0).abs() < 0.002 && found.limit == Some(26.0), "{value} {hz}");
}

#[test]
fn every_mark_is_found_and_nothing_else() {
    let mut wrong = Vec::new();
    for job in generate::jobs() {
        let markers = Markers::of(&job.text);
        assert!(job.text.starts_with(&format!("; machine: {}\n", job.machine)), "{} names its machine first", job.name);
        assert_eq!(markers.machine, job.machine);
        let report = judge(&job);
        let mut found = BTreeSet::new();
        for finding in &report.findings {
            for line in lines_of(finding) {
                let mark = (line, finding.check.to_string());
                let allowed = finding.severity == Severity::Note && markers.also.contains(finding.check.as_ref());
                if !allowed && !markers.expect.contains(&mark) {
                    wrong.push(format!("{}:{line}: {} is not marked: {}", job.name, finding.check, finding.message));
                }
                found.insert(mark);
            }
        }
        for id in markers.also.iter().filter(|id| !found.iter().any(|(_, check)| check == *id)) {
            wrong.push(format!("{}: {id} is announced and not found", job.name));
        }
        let missing = markers.expect.difference(&found).map(|mark| ("expected and not found", mark));
        let alarms = markers.near.intersection(&found).map(|mark| ("found where it only comes near", mark));
        wrong.extend(missing.chain(alarms).map(|(what, (line, id))| format!("{}:{line}: {id}: {what}", job.name)));
        if report.verdict.word() != markers.verdict {
            wrong.push(format!("{}: verdict {}, expected {}", job.name, report.verdict, markers.verdict));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn good_jobs_raise_no_alarm_on_any_of_their_lines() {
    let mut good = 0;
    for job in generate::jobs() {
        let markers = Markers::of(&job.text);
        if markers.expect.is_empty() {
            good += 1;
            assert_eq!(markers.verdict, "go", "{} has no fault", job.name);
            let report = judge(&job);
            for finding in &report.findings {
                let announced = finding.severity == Severity::Note && markers.also.contains(finding.check.as_ref());
                assert!(announced, "{}: {}: {}", job.name, finding.check, finding.message);
            }
        }
    }
    assert!(good >= 5);
}

#[test]
fn the_bracket_passes_on_the_built_in_machine() {
    let job = generate::jobs().into_iter().find(|job| job.name == "heron-bracket").expect("it is in the corpus");
    let report = Preflight::on(&Machine::built_in()).run(JobSource::stream(job.text.as_bytes(), "bracket.gcode"));
    assert_eq!(report.expect("memory can be read").findings, []);
}

#[test]
fn every_check_is_raised_and_nearly_raised() {
    let (mut raised, mut near) = (BTreeSet::new(), BTreeSet::new());
    for job in generate::jobs() {
        let markers = Markers::of(&job.text);
        raised.extend(markers.expect.into_iter().map(|(_, id)| id));
        near.extend(markers.near.into_iter().map(|(_, id)| id));
    }
    for check in CATALOGUE {
        let special = ELSEWHERE.iter().any(|(id, _)| *id == check.id);
        assert_ne!(special, raised.contains(check.id), "{}: one place only", check.id);
        assert!(special || near.contains(check.id), "{} has no near miss", check.id);
    }
    let known: BTreeSet<&str> = CATALOGUE.iter().map(|check| check.id).collect();
    let unknown: Vec<&str> = raised.union(&near).map(String::as_str).filter(|id| !known.contains(id)).collect();
    assert!(unknown.is_empty(), "not in the catalogue: {unknown:?}");
}

/// A ledger answers with what an older version judged as long as [`MODEL`] is the same: it must not stay the same when any
/// report of the corpus changes, in any number or word.
#[test]
fn the_model_of_the_ledger_goes_with_the_reports() {
    let machines = ["heron", "wren", "bittern"].map(machine);
    let machines: Vec<Machine> = machines.into_iter().chain([Machine::built_in()]).collect();
    let mut digest = blake3::Hasher::new();
    for job in generate::jobs() {
        let source = JobSource::stream(job.text.as_bytes(), job.name);
        let all: Vec<&Machine> = machines.iter().collect();
        for report in Preflight::on_all(&all).run_all(source).expect("memory can be read") {
            let mut text = Vec::new();
            json::write_value(&json::Judged::from(&report), false, &mut text).expect("memory can be written");
            digest.update(&text);
        }
    }
    let (by_hand, of_corpus) = MODEL.split_once('-').expect("two parts");
    assert!(by_hand.parse::<u32>().is_ok_and(|number| number > 0), "{MODEL}");
    let found = &digest.finalize().to_hex()[..16];
    assert_eq!(
        of_corpus, found,
        "reports have changed: write \"{by_hand}-{found}\" into src/service/ledger/model.rs, so that ledgers judge anew \
         what an older version judged"
    );
}

fn corner(around: Option<Box3>, at: &str) -> Option<f64> {
    let around = around?;
    let (end, axis) = at.split_once('.')?;
    let axis = ["x", "y", "z"].iter().position(|name| *name == axis)?;
    match end {
        "min" => Some(around.min[axis]),
        "max" => Some(around.max[axis]),
        _ => None,
    }
}

/// A number of the inspection by its path.
fn field(report: &Inspection, path: &str) -> Option<f64> {
    if let Some(at) = path.strip_prefix("extruding.") {
        return corner(report.extruding, at);
    }
    Some(match path {
        "time_s.total" => report.time_s.total(),
        "time_s.extruding" => report.time_s.extruding,
        "time_s.travel" => report.time_s.travel,
        "time_s.dwell" => report.time_s.dwell,
        "time_s.homing" => report.time_s.homing,
        "time_s.heating" => report.time_s.heating,
        "path_mm.extruding" => report.path_mm.extruding,
        "path_mm.travel" => report.path_mm.travel,
        "filament.net_mm" => report.filament.net_mm,
        "filament.net_mm3" => report.filament.net_mm3,
        "filament.net_g" => return report.filament.net_g,
        "filament.purged_mm" => report.filament.purged_mm,
        "flow.peak" => report.flow.peak_mm3_s,
        "flow.mean" => return report.flow.mean_mm3_s,
        "flow.sustained_peak" => report.flow.sustained_peak_mm3_s,
        "heat.nozzle_max_c" => return report.heat.nozzle_max_c,
        "heat.bed_max_c" => return report.heat.bed_max_c,
        "heat.chamber_max_c" => return report.heat.chamber_max_c,
        "layers_total" => report.layers_total as f64,
        "job.moves" => report.job.moves as f64,
        "job.lines" => report.job.lines as f64,
        _ => panic!("{path} is no number of the inspection"),
    })
}

/// The expected numbers of a job: known ones from the generator, the rest as recorded.
fn expectations(job: &Job, report: &Inspection) -> Value {
    let mut fields = Vec::new();
    for known in &job.known {
        fields.push(json!({
            "field": known.field, "value": known.value, "tolerance": known.tolerance, "why": known.why,
        }));
    }
    for path in RECORDED.into_iter().filter(|path| job.known.iter().all(|known| known.field != *path)) {
        if let Some(value) = field(report, path) {
            fields.push(json!({
                "field": path, "value": value, "tolerance": RECORDED_TOLERANCE, "recorded": true,
            }));
        }
    }
    json!({ "job": job.name, "machine": job.machine, "fields": fields })
}

fn is_close(actual: f64, expected: f64, tolerance: f64) -> bool {
    let scale = if expected == 0.0 { 1.0 } else { expected.abs() };
    (actual - expected).abs() <= tolerance * scale
}

#[test]
fn the_numbers_are_the_expected_ones() {
    let mut wrong = Vec::new();
    for job in generate::jobs() {
        let report = judge(&job);
        let path = folder("expected").join(format!("{}.json", job.name));
        if writing() {
            let text = serde_json::to_string_pretty(&expectations(&job, &report)).expect("plain numbers") + "\n";
            fs::write(&path, text).expect("the corpus can be written");
        }
        let text = fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
        let stored: Value = serde_json::from_str(&text).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
        let fields = stored["fields"].as_array().expect("a list of fields");
        let by_path: BTreeMap<&str, &Value> =
            fields.iter().filter_map(|entry| Some((entry["field"].as_str()?, entry))).collect();
        for known in &job.known {
            let stored = by_path.get(known.field).and_then(|entry| entry["value"].as_f64());
            assert!(stored.is_some_and(|value| is_close(value, known.value, 1e-12)), "{}: {}", job.name, known.field);
        }
        for (name, entry) in by_path {
            let (Some(value), Some(tolerance)) = (entry["value"].as_f64(), entry["tolerance"].as_f64()) else {
                panic!("{}: {name} has no value or tolerance", job.name)
            };
            match field(&report, name) {
                Some(actual) if is_close(actual, value, tolerance) => {}
                actual => wrong.push(format!("{}: {name} is {actual:?}, expected {value} ({tolerance})", job.name)),
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn the_sheets_fill_in_every_key() {
    let sheets = ["heron", "wren", "bittern", "dunlin"].map(machine);
    let written: BTreeSet<String> = sheets
        .iter()
        .flat_map(|sheet| {
            sheet.origins.iter().filter(|origin| origin.from.starts_with("line ")).map(|origin| origin.path.clone())
        })
        .collect();
    // One axis with a key of its drive is enough: no machine has belts and screws everywhere.
    let template = |path: &str| {
        let path = gonogo::machine::keys::template(path).into_owned();
        ["drive.y.", "drive.z."].iter().fold(path, |path, axis| path.replacen(axis, "drive.x.", 1))
    };
    let written: BTreeSet<String> = written.iter().map(|path| template(path)).collect();
    for key in KEYS.iter().filter(|key| !key.is_table() && key.preset != Preset::Required) {
        // A word or a table: the keys of the table tell that it is written.
        let inside = format!("{}.", key.path);
        let is_written = written.contains(&template(key.path)) || written.iter().any(|path| path.starts_with(&inside));
        assert!(is_written, "no sheet of the corpus has {}", key.path);
    }
    for name in ["heron", "wren", "bittern", "dunlin"] {
        let text = fs::read_to_string(folder("machines").join(format!("{name}.toml"))).expect("the sheet");
        assert!(text.starts_with("# Invented data:"), "{name} says that it is invented");
    }
}

#[test]
fn jobs_are_judged_the_same_from_their_files() {
    if writing() {
        return;
    }
    for job in generate::jobs() {
        let path = folder("jobs").join(format!("{}.gcode", job.name));
        let from_file = Preflight::on(&machine(job.machine)).run(JobSource::at(&path)).expect("the job can be read");
        let from_memory = judge(&job);
        assert_eq!(from_file.findings, from_memory.findings, "{}", job.name);
        assert_eq!(from_file.job.digest, from_memory.job.digest, "{}", job.name);
    }
}

#[test]
fn a_large_job_passes_and_looks_like_one() {
    const BYTES: usize = 2_000_000;
    let mut job = Vec::new();
    write_big_job(BYTES, &mut job).expect("memory can be written");
    assert!(job.len() >= BYTES && job.len() < BYTES + 100_000, "{}", job.len());
    assert_eq!(big_job(BYTES).map(|part| part.len()).sum::<usize>(), job.len());
    assert!(big_job(BYTES).all(|part| part.ends_with(b"\n")));
    let report =
        Preflight::on(&machine("wren")).run(JobSource::stream(&job[..], "big.gcode")).expect("memory can be read");
    assert_eq!(report.findings, []);
    let per_line = job.len() as f64 / report.job.lines as f64;
    assert!((27.0..31.0).contains(&per_line), "{per_line} bytes a line");
    assert!(report.layers_total > 20);
}

#[test]
fn mixed_jobs_have_what_they_are_for() {
    let found = |mix: Mix| {
        let job = mixed_job(mix, 400_000);
        let report = Preflight::on(&machine("wren")).run(JobSource::stream(&job[..], "job.gcode")).expect("reads");
        let share = |check: &str| {
            let hits = report.findings.iter().filter(|finding| finding.check == check).map(|finding| finding.count);
            hits.sum::<u64>() as f64 / report.job.lines as f64
        };
        let text = String::from_utf8(job).expect("UTF-8");
        let lines = |starts: &str| text.lines().filter(|line| line.starts_with(starts)).count() as f64;
        let per_line = |starts: &str| lines(starts) / report.job.lines as f64;
        (share("moves-before-homing"), share("outside-travel"), per_line("M20"), per_line("G4"), per_line("G1 F"))
    };
    // By the shares of real jobs: limits on a seventh of the lines, stops on a ninth, feed rates alone on a twelfth.
    let (homing, outside, limits, ..) = found(Mix::Changing);
    assert!(homing > 0.8 && outside > 0.25 && (0.12..0.17).contains(&limits), "{homing} {outside} {limits}");
    let (homing, outside, _, dwells, _) = found(Mix::Dwelling);
    assert!(homing == 0.0 && outside == 0.0 && (0.09..0.13).contains(&dwells), "{homing} {outside} {dwells}");
    let (homing, outside, limits, _, feeds) = found(Mix::Wiping);
    assert!(homing == 0.0 && outside == 0.0 && limits < 0.05 && (0.06..0.2).contains(&feeds), "{limits} {feeds}");
}

#[test]
fn a_name_unfit_for_a_card() {
    let wren = machine("wren");
    let found = |path: &str| {
        let job = "G28\nG0 Z20 F600\n".as_bytes();
        let report = Preflight::on(&wren).run(JobSource::stream(job, path)).expect("memory can be read");
        report.findings.iter().any(|finding| finding.check == "name-unfit-for-card" && finding.line.is_none())
    };
    let longest = "x".repeat(249) + ".gcode";
    for fit in ["lid 2.gcode", "a folder?/lid.gcode", &longest, "-"] {
        assert!(!found(fit), "{fit}");
    }
    for unfit in ["what?.gcode", "lid: second try.gcode", "lid.", &format!("x{longest}")] {
        assert!(found(unfit), "{unfit}");
    }
}

/// A short job and then blanks, in all so many bytes.
fn blown_up(bytes: u64) -> impl Read {
    let job: &[u8] = b"G28\nG0 Z20 F600\nM84\n";
    job.chain(io::repeat(b' ').take(bytes - job.len() as u64))
}

#[test]
fn a_job_too_large_for_a_card() {
    let wren = machine("wren");
    let largest = u64::from(u32::MAX) - 1;
    for (bytes, expected) in [(largest, false), (largest + 1, true)] {
        let report =
            Preflight::on(&wren).run(JobSource::stream(blown_up(bytes), "lid.gcode")).expect("memory can be read");
        let found = report.findings.iter().find(|finding| finding.check == "file-too-large-for-card");
        assert_eq!(found.map(|finding| finding.value), expected.then_some(Some(bytes as f64)));
    }
}
