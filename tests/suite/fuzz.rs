//! Every reader against damaged and hostile input: nothing panics, overflows or hangs, what is wrong is told, and no output
//! holds a number that is not finite.
//!
//! Inputs come from the corpus: tokens swapped, numbers replaced by extremes, lines duplicated, cut and joined, commands
//! swapped, bytes flipped. Input `n` is made of the seed `GONOGO_FUZZ_SEED + n` alone; `GONOGO_FUZZ_RUNS` says how many
//! there are for each reader. A failure names its seed and leaves its input in a file: `GONOGO_FUZZ_SEED=that
//! GONOGO_FUZZ_RUNS=1` repeats it.

// A failure says how it is repeated.
#![allow(clippy::print_stderr)]

use std::fs;
use std::panic::{AssertUnwindSafe, catch_unwind, resume_unwind};
use std::path::{Path, PathBuf};
use std::str::FromStr;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use gonogo::accepted::{Accepted, Day, Entry, job_name, put};
use gonogo::findings::{Inspection, Outcome, Severity, Unjudged, Verdict};
use gonogo::machine::Machine;
use gonogo::preflight::{JobError, JobSource, Preflight, RunContext, RunOptions};
use gonogo::show::page;
use gonogo::show::picture::{PictureOptions, Pictured};
use gonogo::show::report::{
    self, Look, Report,
    brief::BriefReport,
    csv::CsvReport,
    json::{self, Frame, JsonReport},
    junit::JunitReport,
    matrix::{JsonMatrix, TableMatrix},
    openmetrics::OpenMetricsReport,
    sarif::SarifReport,
    table::{TableReport, Wanted},
    text::{Extent, TextReport},
};
use gonogo::study::matrix::{Judged, Totals};
use gonogo::threads::HelperPool;
use gonogo::workshop::settings::{self, SpeedUnit};
use gonogo::workshop::trial::marks::{Reading, ReadingError, estimate};

use crate::random_jobs::Dice;
use crate::support::corpus_machine;

/// Numbers that readers and formulas like least.
const EXTREMES: &[&str] = &[
    "0",
    "-0",
    "-0.0",
    "1",
    "-1",
    "255",
    "256",
    "65536",
    "2147483648",
    "4294967296",
    "18446744073709551616",
    "99999999999",
    "-99999999999",
    "100000",
    "99999.9",
    "-100000",
    "1e308",
    "-1e308",
    "1e-308",
    "1e9",
    "1e999",
    "1E5",
    "0.000001",
    "0.0000000001",
    "1000000",
    "999999.999999999999999",
    "nan",
    "NaN",
    "inf",
    "-inf",
    "",
    ".",
    "-",
    "+",
    "--1",
    "1.2.3",
    "1,5",
    "0x10",
    "1_000",
    "[x]",
    "{y}",
    "%z%",
    "3.4028235e38",
    "1.7976931348623157e308",
    "4.9e-324",
    "0.1",
    "359.999",
    "1e15",
    "9007199254740993",
    "true",
    "\"text\"",
    "2027-01-31",
];

/// Lines that make jobs do something; each of their numbers may become an extreme.
const LINES: &[&str] = &[
    "G0 X10 Y10 Z5 F3000",
    "G1 X20 Y20 E1 F1200",
    "G2 X30 Y20 I5 J0 E1",
    "G3 X20 Y20 R15 E0.5",
    "G5 X30 Y30 I5 J5 P-5 Q5 E1",
    "G4 P100",
    "G4 S5",
    "G10",
    "G11",
    "G10 L2 P1 X10",
    "G10 P0 S200 R150",
    "G17",
    "G18",
    "G19",
    "G20",
    "G21",
    "G28",
    "G28 X0 Y0",
    "G29",
    "G53 X10",
    "G54",
    "G55",
    "G80",
    "G90",
    "G91",
    "G92 E0",
    "G92 X5 Y5 Z0.3",
    "M0",
    "M0 S10",
    "M1",
    "M82",
    "M83",
    "M84",
    "M18 S60",
    "M92 E95 X80",
    "M104 S210",
    "M104 T1 S210",
    "M106 S255",
    "M107",
    "M109 S200",
    "M109 R150",
    "M140 S60",
    "M190 S60",
    "M141 S50",
    "M191 S50",
    "M117 hello",
    "M200 D1.75",
    "M201 X1200 E3000",
    "M203 X180 E40",
    "M204 P800 R1000 T1000",
    "M204 S500",
    "M205 X8 J0.02 E4",
    "M206 X-3",
    "M207 S1.2 F2100 Z0.2",
    "M208 S0.1 F1500",
    "M218 T1 X18 Y0",
    "M220 S150",
    "M221 S90",
    "M290 Z0.1",
    "M301 P20",
    "M400",
    "M428",
    "M486 T1",
    "M500",
    "M502",
    "M568 P0 S200",
    "M600",
    "M665 L250",
    "M851 Z-1.6",
    "M900 K0.05",
    "M593 F40",
    "T0",
    "T1",
    "T7",
    "N5 G1 X10*33",
    "BEGIN_WARM NOZZLE=210 BED=60",
    "G1 X[x] Y{y}",
    "; layer 3",
    "(a remark)",
    "G1 X10 (b) Y5",
    "M98 P\"a.g\"",
    "M112",
    "M2",
    "M30",
    "M302 S0",
    "M302 P1",
    "M303 E0 S200",
    "M862.3 P",
    "G61",
    "G27",
    "M25",
    "M226",
    "M6 T1",
    "$X",
    "%",
    "@x",
    "G1 Z0.2",
    "G1 E5 F300",
    "G1 E-5 F2400",
    "G0 X150 Y150 F18000",
];

/// The dice of a seed; seeds that follow each other have nothing in common.
fn dice(seed: u64) -> Dice {
    Dice::new(seed.wrapping_mul(0x2545_f491_4f6c_dd1d) ^ 0x5bf0_3635)
}

fn pick<'t, T>(dice: &mut Dice, of: &'t [T]) -> &'t T {
    &of[dice.below(of.len() as u64) as usize]
}

fn extreme(dice: &mut Dice) -> String {
    match dice.below(12) {
        0 => "9".repeat(1 + dice.below(420) as usize),
        1 => format!("0.{}1", "0".repeat(dice.below(400) as usize)),
        2 => format!("{}.{}", dice.bits(), dice.bits()),
        3 => format!("{:e}", f64::from_bits(dice.bits())),
        4 => format!("{}", dice.between(-1000.0, 1000.0)),
        5 => format!("{}", dice.below(1000)),
        _ => (*pick(dice, EXTREMES)).to_owned(),
    }
}

/// Where the numbers of a text lie: digits with what touches them as sign, point or exponent.
fn numbers(text: &[u8]) -> Vec<(usize, usize)> {
    let (mut found, mut at) = (Vec::new(), 0);
    while at < text.len() {
        if !text[at].is_ascii_digit() {
            at += 1;
            continue;
        }
        let start = if at > 0 && matches!(text[at - 1], b'-' | b'.') { at - 1 } else { at };
        let len = text[at..].iter().take_while(|b| b.is_ascii_digit() || **b == b'.').count();
        found.push((start, at + len));
        at += len;
    }
    found
}

/// Where the words of a text lie.
fn tokens(text: &[u8]) -> Vec<(usize, usize)> {
    let (mut found, mut start) = (Vec::new(), None);
    for (at, byte) in text.iter().chain(b" ").enumerate() {
        match (byte.is_ascii_whitespace() || matches!(byte, b',' | b':' | b'='), start) {
            (false, None) => start = Some(at),
            (true, Some(from)) => {
                found.push((from, at));
                start = None;
            }
            _ => {}
        }
    }
    found
}

fn lines(text: &[u8]) -> Vec<Vec<u8>> {
    text.split_inclusive(|b| *b == b'\n').map(<[u8]>::to_vec).collect()
}

/// Some lines from a text, often those of its start.
fn excerpt(text: &[u8], most: u64, dice: &mut Dice) -> Vec<u8> {
    let all = lines(text);
    if all.is_empty() || dice.chance(0.02) {
        return text.to_vec();
    }
    let head = if dice.chance(0.7) { dice.below(30) as usize } else { 0 }.min(all.len());
    let from = head + dice.below((all.len() - head + 1) as u64) as usize;
    let until = (from + dice.below(most) as usize).min(all.len());
    [&all[..head], &all[from..until]].concat().concat()
}

/// Damages a text here and there.
fn damage(text: &mut Vec<u8>, other: &[u8], own_lines: &[&str], dice: &mut Dice) {
    for _ in 0..=dice.below(7) {
        edit(text, other, own_lines, dice);
        if text.len() > 100_000 {
            text.truncate(100_000);
        }
    }
}

fn edit(text: &mut Vec<u8>, other: &[u8], own_lines: &[&str], dice: &mut Dice) {
    let at = dice.below(text.len() as u64 + 1) as usize;
    match dice.below(16) {
        0..=3 => {
            let places = numbers(text);
            if !places.is_empty() {
                let (from, until) = *pick(dice, &places);
                let new = extreme(dice);
                text.splice(from..until, new.bytes());
            }
        }
        4 | 5 => {
            let places = tokens(text);
            if places.len() > 1 {
                let (a, b) = (*pick(dice, &places), *pick(dice, &places));
                let (first, second) = (a.min(b), a.max(b));
                let [one, two] = [first, second].map(|(from, until)| text[from..until].to_vec());
                text.splice(second.0..second.1, one);
                if first != second {
                    text.splice(first.0..first.1, two);
                }
            }
        }
        6 => edit_lines(text, dice),
        7..=10 if !own_lines.is_empty() => {
            let mut line = pick(dice, own_lines).as_bytes().to_vec();
            while dice.chance(0.6) {
                let places = numbers(&line);
                if places.is_empty() {
                    break;
                }
                let (from, until) = *pick(dice, &places);
                line.splice(from..until, extreme(dice).bytes());
            }
            line.push(b'\n');
            let start = text[..at.min(text.len())].iter().rposition(|b| *b == b'\n').map_or(0, |at| at + 1);
            let times = if dice.chance(0.1) { 1 + dice.below(40) as usize } else { 1 };
            text.splice(start..start, line.repeat(times));
        }
        11 => {
            let from = dice.below(other.len() as u64 + 1) as usize;
            let until = (from + dice.below(300) as usize).min(other.len());
            text.splice(at..at, other[from..until].iter().copied());
        }
        12 => {
            let until = (at + dice.below(200) as usize).min(text.len());
            text.drain(at..until);
        }
        13 if at < text.len() => text[at] ^= 1 << dice.below(8),
        14 if at < text.len() => text[at] = dice.bits() as u8,
        15 if dice.chance(0.3) => text.truncate(at),
        _ => {
            let places = tokens(text);
            if !places.is_empty() {
                let (_, until) = *pick(dice, &places);
                let letter = (*pick(dice, b"XYZEFIJKRSPQDLNTGMABCUVW*;\"'[]{}=.,#-+\n")) as char;
                let new = format!("{}{letter}{}", if dice.chance(0.8) { " " } else { "" }, extreme(dice));
                text.splice(until..until, new.bytes());
            }
        }
    }
}

fn edit_lines(text: &mut Vec<u8>, dice: &mut Dice) {
    let mut all = lines(text);
    if all.is_empty() {
        return;
    }
    let (a, b) = (dice.below(all.len() as u64) as usize, dice.below(all.len() as u64) as usize);
    match dice.below(5) {
        0 => all.swap(a, b),
        1 => {
            let line = all[a].clone();
            let most = if dice.chance(0.1) { 60 } else { 3 };
            let times = 1 + dice.below(most) as usize;
            all.splice(b..b, std::iter::repeat_n(line, times));
        }
        2 => drop(all.remove(a)),
        3 => drop(all[a].pop()),
        _ => {
            let cut = dice.below(all[a].len() as u64 + 1) as usize;
            all[a].truncate(cut);
        }
    }
    *text = all.concat();
}

/// What the corpus has.
struct Material {
    jobs: Vec<Vec<u8>>,
    sheets: Vec<Vec<u8>>,
    settings: Vec<Vec<u8>>,
    machines: Vec<Machine>,
}

fn files(folder: &str, ending: &str) -> Vec<Vec<u8>> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("corpus").join(folder);
    let mut paths: Vec<PathBuf> =
        fs::read_dir(folder).expect("lists").map(|entry| entry.expect("one").path()).collect();
    paths.sort();
    paths.retain(|path| path.extension().is_some_and(|extension| extension == ending));
    assert!(!paths.is_empty());
    paths.iter().map(|path| fs::read(path).expect("reads")).collect()
}

impl Material {
    fn new() -> Self {
        let mut machines = ["heron", "wren", "bittern", "siskin", "tern", "dunlin"].map(corpus_machine).to_vec();
        machines.push(Machine::built_in());
        let printed = machines.iter().map(|machine| settings::lines(machine).into_bytes());
        let settings = files("settings", "txt").into_iter().chain(printed).collect();
        Self { jobs: files("jobs", "gcode"), sheets: files("machines", "toml"), settings, machines }
    }

    fn job(&self, dice: &mut Dice) -> Vec<u8> {
        let mut job = excerpt(&pick(dice, &self.jobs).clone(), 40, dice);
        let other = pick(dice, &self.jobs);
        damage(&mut job, other, LINES, dice);
        job
    }

    /// A machine of the corpus, often with values changed to extremes that its sheet allows.
    fn machine(&self, dice: &mut Dice) -> Machine {
        let mut machine = pick(dice, &self.machines).clone();
        if dice.chance(0.6) {
            return machine;
        }
        for _ in 0..=dice.below(3) {
            if let Ok(changed) = self.change(&machine, dice) {
                machine = changed;
            }
        }
        machine
    }

    fn change(&self, machine: &Machine, dice: &mut Dice) -> Result<Machine, ()> {
        let path = pick(dice, &machine.origins).path.clone();
        let value = match dice.below(3) {
            0 => pick(dice, &machine.origins).value.clone(),
            1 => ["0", "1e-6", "1e-3", "1", "1e3", "1e6", "1e9", "1e12", "off", "true"][dice.below(10) as usize]
                .to_owned(),
            _ => extreme(dice),
        };
        machine.with(&path, &value).map_err(|error| {
            let told = error.to_string();
            assert!(!told.is_empty());
        })
    }
}

fn of_environment(name: &str) -> Option<u64> {
    std::env::var(name).ok().and_then(|text| text.parse().ok())
}

/// Runs a reader on its inputs. `input` makes one, `judge` does with it what must not fail.
fn fuzz(
    reader: &str,
    by_default: u64,
    make: impl Fn(&mut Dice) -> Vec<(&'static str, Vec<u8>)>,
    judge: impl Fn(&[(&'static str, Vec<u8>)], u64),
) {
    let first = of_environment("GONOGO_FUZZ_SEED").unwrap_or(1);
    let runs = of_environment("GONOGO_FUZZ_RUNS").unwrap_or(by_default);
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR"));
    let keep = |inputs: &[(&'static str, Vec<u8>)], seed: u64| {
        let name = |ending: &str| folder.join(format!("fuzz-{reader}-{seed}.{ending}"));
        inputs.iter().map(|(ending, bytes)| (name(ending), bytes)).for_each(|(path, bytes)| {
            fs::write(&path, bytes).expect("writes");
            eprintln!("fuzz {reader}: seed {seed}, {} bytes in {}", bytes.len(), path.display());
        });
        eprintln!("repeat it with GONOGO_FUZZ_SEED={seed} GONOGO_FUZZ_RUNS=1");
    };
    // Seed in hand, and whether all is done.
    let now = AtomicU64::new(first);
    let done = AtomicU64::new(0);
    std::thread::scope(|scope| {
        scope.spawn(|| watch_for_hangs(reader, &now, &done));
        let mut failed = Vec::new();
        for seed in (0..runs).map(|n| first.wrapping_add(n)) {
            now.store(seed, Ordering::Relaxed);
            let inputs = make(&mut dice(seed));
            if let Err(panic) = catch_unwind(AssertUnwindSafe(|| judge(&inputs, seed))) {
                keep(&inputs, seed);
                failed.push(panic);
                // A long run goes on, to find what else there is.
                if failed.len() >= 20 {
                    break;
                }
            }
        }
        done.store(1, Ordering::Relaxed);
        if let Some(panic) = failed.pop() {
            eprintln!("fuzz {reader}: {} failures", failed.len() + 1);
            resume_unwind(panic);
        }
    });
}

/// Ends the program when one input takes minutes: no other can be tried behind it.
fn watch_for_hangs(reader: &str, now: &AtomicU64, done: &AtomicU64) {
    let (mut last, mut same) = (u64::MAX, 0);
    while done.load(Ordering::Relaxed) == 0 {
        std::thread::sleep(Duration::from_millis(50));
        let seed = now.load(Ordering::Relaxed);
        same = if seed == last { same + 1 } else { 0 };
        last = seed;
        if same > 20 * 180 {
            eprintln!("fuzz {reader}: seed {seed} hangs; repeat it with GONOGO_FUZZ_SEED={seed} GONOGO_FUZZ_RUNS=1");
            std::process::exit(101);
        }
    }
}

fn rendered(mut report: impl Report<Judged, Totals>, judged: &[Judged]) -> String {
    let mut out = Vec::new();
    let facts = judged.iter().flatten().flatten().next().map(|of| of.machine.clone());
    let mut totals = Totals::new(facts, Verdict::NoGo);
    for judged in judged {
        totals.count(judged);
        report.add(judged, &mut out).expect("memory can be written");
    }
    report.finish(&totals, &mut out).expect("memory can be written");
    String::from_utf8(out).expect("UTF-8")
}

/// Where `nan`, `inf` or `infinity` stands as a word, as a program writes what is no number, or what people read instead.
fn not_finite(text: &str) -> Option<usize> {
    let is_end = |c: char| !(c.is_alphanumeric() || c == '_');
    let word = text.split(is_end).find(|word| {
        matches!(word.len(), 3 | 8) && ["nan", "inf", "infinity"].iter().any(|known| known.eq_ignore_ascii_case(word))
    });
    word.map(|word| word.as_ptr() as usize - text.as_ptr() as usize).or_else(|| text.find("no finite number"))
}

/// What holds for everything that people or programs get. What the input says itself it may say again.
fn sound(what: &str, text: &str, input_says: bool) {
    if let Some(at) = not_finite(text).filter(|_| !input_says) {
        let (before, behind) = text.split_at(at);
        let from = before.char_indices().rev().nth(100).map_or(0, |(at, _)| at);
        let behind: String = behind.chars().take(60).collect();
        panic!("{what} says a number that is not finite: {}{behind}", &before[from..]);
    }
    let stray = text.chars().find(|c| c.is_control() && !matches!(c, '\n' | '\r'));
    assert_eq!(stray, None, "{what} has a control character");
}

fn says(input: &[u8]) -> bool {
    let text = String::from_utf8_lossy(input).to_ascii_lowercase();
    text.contains("nan") || text.contains("inf")
}

/// All formats of what was judged.
fn formats(outcome: &Outcome, input_says: bool) {
    let judged: Vec<Judged> = vec![outcome.clone().map(|inspection| vec![inspection])];
    let look = Look { width: 80, color: false };
    let facts: Vec<_> = judged.iter().flatten().flatten().map(|of| of.machine.clone()).collect();
    let json = rendered(JsonReport::new(Frame::Object), &judged);
    sound("JSON", &json, true);
    match json::read(&json) {
        Ok(read) => assert!(read == *outcome, "JSON reads back as another report"),
        Err(error) => panic!("JSON does not read back: {error}"),
    }
    for details in [false, true] {
        let (extent, wanted) = (Extent { details, letters: details }, Wanted { details, ..Wanted::default() });
        sound("text", &rendered(TextReport::new(look, extent), &judged), input_says);
        sound("table", &rendered(TableReport::new(look, wanted), &[&judged[..], &judged[..]].concat()), input_says);
    }
    sound("brief", &rendered(BriefReport::new(look, Wanted::default(), &facts), &judged), input_says);
    sound("lines", &rendered(JsonReport::new(Frame::Lines), &judged), input_says);
    sound("CSV", &rendered(CsvReport::new(facts.clone()), &judged), input_says);
    sound("SARIF", &rendered(SarifReport::new(), &judged), input_says);
    sound("JUnit", &rendered(JunitReport::new(Severity::Hold, &facts), &judged), input_says);
    let metrics = rendered(OpenMetricsReport::new(&facts), &judged);
    sound("OpenMetrics", &metrics, input_says);
    for line in metrics.lines().filter(|line| !line.starts_with('#')) {
        let value = line.rsplit(' ').next().unwrap_or_default();
        assert!(value.parse::<f64>().is_ok_and(f64::is_finite), "OpenMetrics: {line}");
    }
    if !facts.is_empty() {
        sound("matrix", &rendered(TableMatrix::new(look, Wanted::default(), &facts), &judged), input_says);
        sound("matrix as JSON", &rendered(JsonMatrix::document(facts), &judged), input_says);
    }
}

/// Judges a job; none where it cannot be judged.
fn judge_job(machine: &Machine, job: &[u8], options: RunOptions) -> Option<Inspection> {
    match Preflight::on(machine).options(options).run(JobSource::stream(job, "job.gcode")) {
        Ok(inspection) => Some(inspection),
        // Damage may ask for longer than any print takes.
        Err(JobError::TooLong { .. }) => None,
        // The start of some compressed or binary file.
        Err(JobError::Read { .. } | JobError::NotAJob { .. }) => None,
        Err(error) => panic!("{error}"),
    }
}

/// All findings accepted: what is written reads back, and accepts them.
fn accept_all(inspection: &Inspection) -> String {
    let job = job_name(Path::new("gonogo.accepted.toml"), &inspection.job.path).expect("a name");
    let entry = |finding| (None, Entry::of(&job, inspection, finding, "known"));
    let entries: Vec<_> = inspection.findings.iter().map(entry).collect();
    let text = put("", &entries).expect("an empty file is TOML");
    let known = Accepted::parse("gonogo.accepted.toml", &text).unwrap_or_else(|faults| panic!("{faults:?}\n{text}"));
    assert_eq!(known.entries.len(), entries.len());
    let mut again = inspection.clone();
    known.apply(&mut again, Day { year: 2026, month: 1, day: 1 });
    let open: Vec<_> = again.findings.iter().filter(|finding| finding.accepted.is_none()).collect();
    assert!(open.is_empty(), "what was accepted counts: {open:#?} {:?}", again.acceptance);
    text
}

#[test]
fn damaged_jobs_on_changed_machines() {
    let material = Material::new();
    let make = |dice: &mut Dice| {
        let machine = material.machine(dice);
        vec![("toml", machine.text.clone().into_bytes()), ("gcode", material.job(dice))]
    };
    fuzz("job", 400, make, |inputs, seed| {
        let text = String::from_utf8(inputs[0].1.clone()).expect("a sheet is UTF-8");
        let machine = Machine::parse("machine.toml", &text).expect("it was a sheet");
        let job = &inputs[1].1;
        let Some(inspection) = judge_job(&machine, job, RunOptions::default()) else { return };
        let input_says = says(job) || says(text.as_bytes());
        let outcome = Ok(inspection);
        formats(&outcome, input_says);
        let Ok(inspection) = outcome else { return };
        if seed % 3 == 0 {
            let sizes = [(1, 61, 3), (2, 200, 256), (3, 1, 7)][(seed / 3 % 3) as usize];
            let (threads, chunk_bytes, block_moves) = sizes;
            let other = RunOptions { threads, chunk_bytes, block_moves, ..RunOptions::default() };
            let again = judge_job(&machine, job, other).expect("judged before");
            let [one, two] =
                [&inspection, &again].map(|of| rendered(JsonReport::new(Frame::Object), &[Ok(vec![of.clone()])]));
            assert!(one == two, "another report with {sizes:?}: {}", first_difference(&one, &two));
        }
        if seed % 4 == 1 {
            accept_all(&inspection);
        }
        if seed % 20 == 0 {
            pages(&machine, job, input_says);
        }
        if seed % 50 == 7 {
            studies(&machine, job, seed % 500 == 7, input_says);
        }
    });
}

fn first_difference(one: &str, two: &str) -> String {
    let at = one.lines().zip(two.lines()).find(|(a, b)| a != b);
    at.map_or_else(String::new, |(a, b)| format!("{a} against {b}"))
}

/// What goes with a job that lies in a file.
fn in_a_file<T>(job: &[u8], of: impl FnOnce(&Path, RunContext<'_, '_>) -> Result<T, JobError>) -> Option<T> {
    let folder = tempfile::tempdir().expect("temporary directory");
    let path = folder.path().join("job.gcode");
    fs::write(&path, job).expect("writes");
    let on_bytes = |_: u64| std::ops::ControlFlow::Continue(());
    let helpers = HelperPool::alone();
    match of(&path, RunContext::new(&on_bytes, &helpers)) {
        Ok(of) => Some(of),
        // A file must look like a job.
        Err(JobError::NotAJob { .. }) => None,
        Err(error) => panic!("it was judged before: {error}"),
    }
}

/// The page for a browser, and the picture beside a report.
fn pages(machine: &Machine, job: &[u8], input_says: bool) {
    let options = PictureOptions { most_points: 2000, only_layer: None, spectrum: true };
    let take = |path: &Path, context: RunContext<'_, '_>| Pictured::take(path, "job.gcode", machine, options, context);
    let Some(pictured) = in_a_file(job, take) else { return };
    sound("the picture", &pictured.sheet_svg(machine).expect("draws"), input_says);
    let mut out = Vec::new();
    page::job(pictured, machine, &mut out).expect("writes");
    let html = String::from_utf8(out).expect("UTF-8");
    // Scripts may speak of what is not finite.
    let own = html.split("<script").next().unwrap_or_default();
    sound("the page", own, input_says);
}

/// Looks at a job more than once; `deep` makes many plans of it.
fn studies(machine: &Machine, job: &[u8], deep: bool, input_says: bool) {
    use gonogo::study::{compare, headroom, resonance};
    let look = Look { width: 80, color: false };
    let mut faster = machine.clone();
    faster.motion.limits.printing_mm_s2 *= 2.0;
    let judged = |machine: &Machine| judge_job(machine, job, RunOptions::default());
    if let (Some(before), Some(after)) = (judged(machine), judged(&faster)) {
        let compared = compare::Comparison::of(before, after);
        for figure in &compare::FIGURES {
            let pair = compared.pair(figure);
            assert!([pair.difference(), pair.share()].into_iter().flatten().all(f64::is_finite));
        }
    }
    let ask = resonance::StudyOptions { once: !deep, ringing_mm: None };
    let study = |path: &Path, context: RunContext<'_, '_>| resonance::study(path, machine, ask, context);
    if let Some(study) = in_a_file(job, study) {
        let told = |mut report: Box<dyn Report<resonance::Study, ()>>| {
            let mut out = Vec::new();
            report.add(&study, &mut out).and_then(|()| report.finish(&(), &mut out)).expect("memory can be written");
            String::from_utf8(out).expect("UTF-8")
        };
        sound("resonance", &told(Box::new(report::resonance::text::ResonanceText::new(look))), input_says);
        let json = told(Box::new(report::resonance::json::ResonanceJson::new(machine.clone())));
        sound("resonance as JSON", &json, input_says);
    }
    let wishes = headroom::limits_of(machine);
    let explore = |path: &Path, context: RunContext<'_, '_>| headroom::explore(path, machine, &wishes, 4.0, context);
    if deep && let Some(found) = in_a_file(job, explore) {
        let judged = headroom::Judged::of("job.gcode", found, machine, true);
        let shape = report::headroom::Shape {
            machine: machine.clone(),
            wishes: wishes.clone(),
            factor: 4.0,
            chosen: false,
            look,
        };
        let mut out = Vec::new();
        report::headroom::write(&shape, &[Ok(judged.clone())], &mut out).expect("memory can be written");
        sound("headroom", &String::from_utf8_lossy(&out), input_says);
        let mut out = Vec::new();
        report::headroom_json::write(&shape, &[Ok(judged)], &mut out).expect("memory can be written");
        sound("headroom as JSON", &String::from_utf8_lossy(&out), input_says);
    }
}

/// Faults of a text; the reader of TOML names the words that it knows.
fn faults_told(told: &str, input_says: bool) {
    sound("the faults", &told.replace("`nan`", "").replace("`inf`", ""), input_says);
}

#[test]
fn damaged_sheets() {
    let material = Material::new();
    let job = b"G28\nM109 S200\nG1 Z0.2 F600\nG1 X20 Y20 F6000\nG1 X60 E1.5 F1800\nG2 X50 Y30 I5 J5 E2\nM104 S0\n";
    let make = |dice: &mut Dice| {
        let mut sheet = pick(dice, &material.sheets[..]).clone();
        if dice.chance(0.3) {
            sheet = pick(dice, &material.machines).text.clone().into_bytes();
        }
        let other = pick(dice, &material.sheets);
        damage(&mut sheet, other, &["[tool]", "[[tool]]", "name = \"x\"", "x = 1", "[motion.corner]"], dice);
        vec![("toml", sheet)]
    };
    fuzz("sheet", 300, make, |inputs, seed| {
        let sheet = &inputs[0].1;
        let input_says = says(sheet);
        let text = String::from_utf8_lossy(sheet);
        match Machine::parse("machine.toml", &text) {
            Err(faults) => {
                assert!(!faults.faults.is_empty());
                faults_told(&gonogo::machine::SheetError::from(faults).render(false), input_says);
            }
            Ok(machine) => {
                sound("settings", &settings::lines(&machine), input_says);
                let audit = gonogo::workshop::audit::audit(&machine);
                let mut out = Vec::new();
                let look = Look { width: 80, color: false };
                report::audit::write(&machine, &audit, false, look, &mut out).expect("writes");
                report::audit::write(&machine, &audit, true, look, &mut out).expect("writes");
                sound("the audit", &String::from_utf8_lossy(&out), input_says);
                let mut out = Vec::new();
                report::audit_json::write(&machine, &audit, &mut out).expect("writes");
                sound("the audit as JSON", &String::from_utf8_lossy(&out), input_says);
                let _ = material.change(&machine, &mut dice(!seed));
                if let Some(inspection) = judge_job(&machine, job, RunOptions::default()) {
                    formats(&Ok(inspection), input_says);
                }
            }
        }
    });
}

#[test]
fn damaged_settings() {
    let material = Material::new();
    let make = |dice: &mut Dice| {
        let mut text = excerpt(&pick(dice, &material.settings).clone(), 30, dice);
        let other = pick(dice, &material.settings);
        damage(&mut text, other, LINES, dice);
        vec![("txt", text)]
    };
    fuzz("settings", 400, make, |inputs, seed| {
        let speeds = [SpeedUnit::Judged, SpeedUnit::PerSecond, SpeedUnit::PerMinute][(seed % 3) as usize];
        let read = settings::read(&inputs[0].1[..], speeds).expect("reading from memory cannot fail");
        let input_says = says(&inputs[0].1);
        for row in &read.rows {
            assert!(row.value.is_none_or(f64::is_finite) && row.if_per_minute.is_none_or(f64::is_finite), "{row:?}");
            sound("a note", &row.note, input_says);
        }
        let fresh = settings::fresh(&read);
        let named = Machine::parse("fresh.toml", &fresh.text);
        assert!(fresh.text.parse::<toml_edit::DocumentMut>().is_ok(), "{}", fresh.text);
        if let Err(faults) = named {
            assert!(!fresh.missing.is_empty(), "nothing is missing and yet: {faults:?}");
        }
        let sheet = pick(&mut dice(seed), &material.sheets);
        let sheet = std::str::from_utf8(sheet).expect("UTF-8");
        let merged = settings::merge(&read, sheet).expect("the corpus is TOML");
        if let Err(faults) = Machine::parse("merged.toml", &merged.text) {
            // Values that do not go together are refused before anything is written.
            assert!(!faults.faults.iter().any(|fault| fault.message.contains("not TOML")), "{faults:?}");
        }
        sound("the sheet", &merged.text, input_says);
    });
}

#[test]
fn damaged_accepted_findings() {
    let material = Material::new();
    let inspections: Vec<Inspection> = (material.jobs.iter().enumerate())
        .filter_map(|(n, job)| judge_job(&material.machines[n % 5], job, RunOptions::default()))
        .filter(|inspection| !inspection.findings.is_empty())
        .collect();
    let known: Vec<String> = inspections.iter().map(accept_all).collect();
    let keys = [
        "even_unsafe = true",
        "until = 2027-01-31",
        "[[accepted]]",
        "times = 3",
        "value = 1.5",
        "limit = 2",
        "place_mm = { z = 1, x = 2, y = 3 }",
        "extent_mm = { z = [0, 1], x = [0, 1], y = [0, 1] }",
        "accepted = []",
        "by = \"K.\"",
    ];
    let make = |dice: &mut Dice| {
        let mut text = pick(dice, &known).clone().into_bytes();
        damage(&mut text, pick(dice, &known).as_bytes(), &keys, dice);
        vec![("toml", text)]
    };
    fuzz("accepted", 300, make, |inputs, seed| {
        let text = String::from_utf8_lossy(&inputs[0].1);
        let mut inspection = inspections[(seed % inspections.len() as u64) as usize].clone();
        match Accepted::parse("gonogo.accepted.toml", &text) {
            Err(faults) => {
                faults_told(&gonogo::accepted::AcceptedError::from(faults).render(false), says(&inputs[0].1));
            }
            Ok(accepted) => {
                accepted.apply(&mut inspection, Day { year: 2026, month: 11, day: 27 });
                let outcome = Ok(inspection.clone());
                formats(&outcome, says(&inputs[0].1));
                // What was read is written again: it reads back, and as the same.
                let again: Vec<_> =
                    accepted.entries.iter().map(|of| (Some(of.fingerprint.clone()), of.clone())).collect();
                let written = put(&text, &again).expect("it was TOML");
                let read =
                    Accepted::parse("gonogo.accepted.toml", &written).unwrap_or_else(|faults| panic!("{faults:?}"));
                assert_eq!(read.entries.len(), accepted.entries.len());
                // A new one beside them.
                let job = job_name(Path::new("gonogo.accepted.toml"), "other.gcode").expect("a name");
                let new: Vec<_> = (inspection.findings.iter())
                    .map(|finding| {
                        let replaces = accepted.entry_for(&inspection, finding).map(|entry| entry.fingerprint.clone());
                        (replaces, Entry::of(&job, &inspection, finding, "new"))
                    })
                    .collect();
                let written = put(&text, &new).expect("it was TOML");
                if let Err(faults) = Accepted::parse("gonogo.accepted.toml", &written) {
                    assert!(faults.faults.iter().all(|fault| fault.message.contains("a second time")), "{faults:?}");
                }
            }
        }
    });
}

#[test]
fn damaged_marks() {
    let good =
        ["spacing=12.5 speed=100 marks=5 heights=0.10,-,0.05", "spacing=2.5 speed=100", "speed=40 spacing=1 marks=1"];
    let make = |dice: &mut Dice| {
        let mut text = pick(dice, &good).as_bytes().to_vec();
        while dice.chance(0.5) {
            text.extend_from_slice(b"\n");
            text.extend_from_slice(pick(dice, &good).as_bytes());
        }
        if dice.chance(0.95) {
            damage(&mut text, pick(dice, &good).as_bytes(), &["spacing=3 speed=60 heights=0.1,0.05,0.02"], dice);
        }
        vec![("marks", text)]
    };
    fuzz("marks", 3000, make, |inputs, seed| {
        let text = String::from_utf8_lossy(&inputs[0].1);
        let mut readings = Vec::new();
        for line in text.lines() {
            match Reading::from_str(line) {
                Ok(reading) => readings.push(reading),
                Err(error) => assert!(!error.to_string().is_empty()),
            }
        }
        let error = match seed % 4 {
            0 => ReadingError { spacing_mm: 1e-4, height_mm: 1e-4, scale: 0.0 },
            1 => ReadingError { spacing_mm: 10.0, height_mm: 10.0, scale: 0.5 },
            _ => ReadingError::default(),
        };
        if let Ok(found) = estimate(&readings, error) {
            let intervals = [Some(found.natural_hz), found.damping_ratio];
            for of in intervals.into_iter().flatten() {
                assert!([of.value, of.low, of.high].into_iter().all(f64::is_finite), "{found:?}");
                assert!(of.low <= of.value && of.value <= of.high, "{found:?}");
            }
            found.remarks.iter().chain(found.left_out.iter().flatten()).for_each(|text| sound("a remark", text, false));
        }
    });
}

#[test]
fn damaged_reports() {
    let material = Material::new();
    let mut reports: Vec<String> = (material.jobs.iter().enumerate())
        .filter_map(|(n, job)| judge_job(&material.machines[n % 5], job, RunOptions::default()))
        .map(|mut inspection| {
            inspection.layers.truncate(2);
            inspection.series.peak_mm3_s.truncate(2);
            inspection.series.sustained_mm3_s.truncate(2);
            inspection.checks_run.truncate(2);
            rendered(JsonReport::new(Frame::Lines), &[Ok(vec![inspection])])
        })
        .collect();
    let lost = Unjudged { path: "lost.gcode".to_owned(), error: "cannot read it".to_owned() };
    reports.push(rendered(JsonReport::new(Frame::Lines), &[Err(lost)]));
    let make = |dice: &mut Dice| {
        let mut text = pick(dice, &reports).clone().into_bytes();
        damage(&mut text, pick(dice, &reports).as_bytes(), &[], dice);
        vec![("json", text)]
    };
    fuzz("report", 300, make, |inputs, _| {
        let text = String::from_utf8_lossy(&inputs[0].1);
        match json::read(&text) {
            Err(error) => sound("the error", &error.to_string(), true),
            Ok(outcome) => formats(&outcome, says(&inputs[0].1)),
        }
    });
}
