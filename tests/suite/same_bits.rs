//! The same bits whatever the number of threads, the sizes of chunks and blocks, and the processor's vectors: reports as
//! JSON, byte for byte.

use std::fmt::Write as _;

use gonogo::block::BLOCK;
use gonogo::checks::is_timed;
use gonogo::findings::{Finding, Inspection, Severity};
use gonogo::machine::{LookAhead, Machine, Override, ThinQueue};
use gonogo::preflight::{JobSource, Preflight, RunOptions};
use gonogo::show::report::{
    Report,
    json::{Frame, JsonReport},
};
use gonogo::vectors::Vectors;
use proptest::prelude::*;

use crate::random_jobs::{Dice, random_job, random_machine, random_ramp, random_structure, with_heat};
use crate::support::{corpus_machine, judge_sized};

fn json(machine: &Machine, job: &[u8], sizes: RunOptions) -> String {
    as_json(judge_sized(machine, job, &sizes))
}

fn as_json(inspection: Inspection) -> String {
    let mut report = JsonReport::new(Frame::Object);
    let mut text = Vec::new();
    report.add(&Ok(vec![inspection]), &mut text).expect("memory can be written");
    report
        .finish(&gonogo::study::matrix::Totals::new([], gonogo::Verdict::NoGo), &mut text)
        .expect("memory can be written");
    String::from_utf8(text).expect("JSON is UTF-8")
}

/// The first place where two reports differ.
fn assert_same(report: &str, expected: &str, how: &str) {
    if report == expected {
        return;
    }
    let at = report.lines().zip(expected.lines()).position(|(a, b)| a != b).unwrap_or(0);
    let line = |text: &str| text.lines().nth(at).unwrap_or_default().chars().take(200).collect::<String>();
    let before = expected.lines().take(at).filter(|line| line.contains('"')).last().unwrap_or_default();
    panic!("{how}: line {}, after {before}: {} instead of {}", at + 1, line(report), line(expected));
}

/// Judges a job in many ways and wants one report.
fn same_however(name: &str, machine: &Machine, job: &str) {
    let expected = json(machine, job.as_bytes(), RunOptions::default());
    for threads in [1, 2, 7] {
        for chunk_bytes in [1, 61, 1000, 1 << 20] {
            if job.len() / chunk_bytes > 20_000 {
                continue;
            }
            for (block_moves, vectors) in
                [(BLOCK, Vectors::default()), (BLOCK, Vectors::plain()), (3, Vectors::plain())]
            {
                let sizes = RunOptions { threads, chunk_bytes, block_moves, vectors, ..RunOptions::default() };
                let how = format!("{name}: {threads} threads, {chunk_bytes} bytes, {block_moves} moves, {vectors:?}");
                assert_same(&json(machine, job.as_bytes(), sizes), &expected, &how);
            }
        }
    }
}

#[test]
fn corpus_jobs() {
    let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("corpus");
    let mut jobs: Vec<_> = std::fs::read_dir(folder.join("jobs")).expect("a folder").flatten().collect();
    jobs.sort_by_key(std::fs::DirEntry::path);
    for entry in jobs {
        let name = entry.file_name().to_string_lossy().into_owned();
        let sheet = name.split('-').next().unwrap_or_default();
        let machine = corpus_machine(sheet);
        let job = std::fs::read(entry.path()).expect("a corpus job");
        same_however(&name, &machine, &String::from_utf8_lossy(&job));
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn random_jobs(seed in any::<u64>()) {
        a_random_job(seed);
    }
}

fn a_random_job(seed: u64) {
    let mut dice = Dice::new(seed);
    let mut machine = random_machine(&mut dice);
    machine.structure = random_structure(&mut Dice::new(!seed));
    let job = random_job(&machine, &mut dice, 300);
    same_however(&format!("seed {seed}"), &machine, &job);
    slow_board(&mut machine, &mut dice);
    same_however(&format!("seed {seed}, slow board"), &machine, &job);
    machine.motion.ramp = random_ramp(&mut dice);
    same_however(&format!("seed {seed}, {:?}", machine.motion.ramp), &machine, &job);
    let warm = with_heat(machine, &mut dice);
    same_however(&format!("seed {seed}, by heat"), &warm, &job);
}

/// Chords of ramps stood out above the peak, so that a burst was larger than every rate in its window, and whether it was looked
/// at hung on the blocks.
#[test]
fn bursts_on_ramps_are_never_above_the_peak() {
    a_random_job(6_594_271_805_615_916_839);
}

/// Commands come so slowly that the machine has to wait for some.
fn slow_board(machine: &mut Machine, dice: &mut Dice) {
    machine.motion.look_ahead = LookAhead::Moves(1 + dice.below(30) as u32);
    machine.controller.command_rate_limit_hz = Some(dice.between(5.0, 200.0));
    machine.controller.serial_baud = Some(dice.between(2_000.0, 60_000.0)).filter(|_| dice.chance(0.5));
    machine.controller.acknowledge_s = Some(0.002).filter(|_| dice.chance(0.5));
    machine.controller.thin_queue = Some(ThinQueue { below: 0.6, least_s: 0.02 }).filter(|_| dice.chance(0.5));
}

/// The machines of the corpus, one with other severities, and one that only moves otherwise.
fn machines() -> Vec<Machine> {
    let mut machines = ["heron", "wren", "bittern"].map(corpus_machine).to_vec();
    let mut faster = machines[1].clone();
    faster.motion.limits.printing_mm_s2 *= 2.0;
    let mut milder = machines[0].clone();
    milder.severities.insert("malformed-word".to_owned(), Override::Severity(Severity::Note));
    machines.extend([faster, milder]);
    machines
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 8, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn many_machines_together_as_each_alone(seed in any::<u64>()) {
        let mut machines = machines();
        let mut dice = Dice::new(seed);
        machines.push(random_machine(&mut dice));
        let job = random_job(&machines[5], &mut dice, 400) + "G1 X1.2.3 Y5\nM106 S9\nG1 X7 Y7\n";
        let all: Vec<&Machine> = machines.iter().collect();
        for sizes in [
            RunOptions::default(),
            RunOptions { threads: 3, chunk_bytes: 700, ..RunOptions::default() },
            RunOptions { threads: 2, chunk_bytes: 1 << 20, block_moves: 3, ..RunOptions::default() },
        ] {
            let together = Preflight::on_all(&all).options(sizes).run_all(JobSource::stream(job.as_bytes(), "job.gcode")).expect("reading from memory cannot fail");
            prop_assert_eq!(together.len(), machines.len());
            for (inspection, machine) in together.into_iter().zip(&machines) {
                let how = format!("seed {seed}: {} among others, {sizes:?}", machine.name);
                assert_same(&as_json(inspection), &json(machine, job.as_bytes(), RunOptions::default()), &how);
            }
        }
    }
}

/// A tall zigzag; `every` lines something happens that changes what all later lines mean.
fn job_with(every: usize, what: impl Fn(usize) -> String) -> String {
    let mut job = String::from("M104 S210\nM109 S210\nG28\nG1 Z0.2 F600\nG1 X10 Y10 F6000\nM83\n");
    for i in 0..4000 {
        if i % every == every - 1 {
            job += &what(i);
        }
        let (x, y) = (10.0 + (i % 37) as f64 * 1.731, 10.0 + (i % 11) as f64 * 2.017);
        writeln!(job, "G1 X{x:.3} Y{y:.3} E{:.5}", 0.01 + (i % 5) as f64 * 0.013).expect("a string");
    }
    job + "M104 S0\n"
}

/// Jobs on which nobody who starts in the middle can guess the state right.
#[test]
fn jobs_that_mislead() {
    let jobs: [(&str, String); 14] = [
        ("late relative mode", job_with(3500, |_| "G91\nG1 X0.5 Y0.25 E0.02\n".into())),
        ("relative steps", job_with(40, |_| "G91\nG1 X-0.1 Y0.1 F3000\nG90\n".into())),
        ("G92 everywhere", job_with(3, |i| format!("G92 X{} Y{} E{}\n", 10 + i % 7, 12 + i % 5, i % 3))),
        ("absolute E", job_with(500, |i| format!("M82\nG92 E{}\nM83\n", i % 9))),
        ("a dwell at every other chunk edge", job_with(2, |i| format!("G4 P{}\n", 1 + i % 4))),
        ("volume instead of length", job_with(700, |i| format!("M200 D{}\n", [1.75, 0.0, 2.85][i / 700 % 3]))),
        ("overrides", job_with(90, |i| format!("M220 S{}\nM221 S{}\n", 50 + i % 120, 80 + i % 40))),
        ("tool changes", job_with(333, |i| format!("T{}\nM109 S{}\n", i / 333 % 3, 195 + i % 20))),
        ("limits", job_with(60, |i| format!("M204 P{} T{}\nM205 X{}\n", 400 + i % 900, 800 + i % 700, 4 + i % 9))),
        ("fans", job_with(1, |i| format!("M106 S{}\n", i % 255))),
        ("fans and limits", job_with(2, |i| format!("M106 S{}\nM204 P{}\nM107\n", i % 255, 300 + i))),
        ("inches", job_with(1500, |i| if i < 2000 { "G20\nG1 F200\n".into() } else { "G21\nG1 F5000\n".into() })),
        ("arcs and retractions", job_with(25, |_| "G10\nG2 X20 Y20 I3 J1\nG11\nG3 X10 Y10 R9\n".into())),
        (
            "damage",
            job_with(17, |_| "G1 X1.2.3 Y5\nN7 G1 X9*1\n\nBEGIN HERE\n; a word ; and another\nG1  X3\r\n".into()),
        ),
    ];
    let machine = Machine::built_in();
    let mut other = Machine::built_in();
    other.motion.look_ahead = gonogo::machine::LookAhead::Unlimited;
    let mut dice = Dice::new(17);
    let by_heat: Vec<Machine> = (0..3).map(|_| with_heat(Machine::built_in(), &mut dice)).collect();
    for (k, (name, job)) in jobs.iter().enumerate() {
        same_however(name, &machine, job);
        same_however(&format!("{name}, by heat"), &by_heat[k % 3], job);
        same_however(&format!("{name}, unlimited look-ahead"), &other, job);
    }
}

/// A line with two moves (the lift of G10) out of the travel, wherever a block ends: the finding is at one place.
#[test]
fn a_line_of_two_moves_has_one_place() {
    let machine = corpus_machine("wren");
    let top = machine.travel.max[2];
    let mut job = String::from("M104 S210\nM109 S210\nG28\nM83\n");
    writeln!(job, "G1 X50 Y50 Z{} F3000", top - 0.1).expect("a string");
    for i in 0..40 {
        writeln!(job, "{}G10\nG1 X{} F3000\nG11", "G1 Y60\n".repeat(i % 4), 50 + i).expect("a string");
    }
    same_however("lifts out of the travel", &machine, &(job + "M104 S0\n"));
}

/// A job as long as is followed, with heaters that have laws: times of many days are exact, too.
#[test]
fn weeks_are_exact() {
    let machine = corpus_machine("heron");
    let mut job = String::from("M104 S180\nG28\nM83\n");
    for i in 0..200 {
        let (x, y) = (50 + i % 60, 50 + i % 7);
        writeln!(job, "G4 S{}.{:03}\nM104 S{}\nG1 X{x} Y{y} E0.1 F{}", 9000 + i * 7, i * 5, 170 + i % 30, 100 + i * 3)
            .expect("a string");
    }
    same_however("weeks", &machine, &(job + "M104 S0\n"));
}

/// A nozzle that warms and cools all the while, so that each move has a capacity of its own, with long moves among short ones;
/// findings are there, or nothing would be compared.
#[test]
fn a_nozzle_that_is_never_steady() {
    let mut machine = corpus_machine("bittern");
    machine.tools[0].layer_time_min_s = Some(10_000.0);
    machine.tools[0].body.heater_w = Some(10.0);
    let mut job = String::from("M109 S190\nG28\nM83\nG1 Z0.2 F6000\n");
    for i in 0..1500i32 {
        let (x, y) = (i * 37 % 80 - 40, i * 53 % 70 - 35);
        writeln!(job, "G1 X{x} Y{y} E{:.4} F{}", 0.4 + f64::from(i % 7) * 0.4, [3000, 300, 5000][(i % 3) as usize])
            .expect("a string");
        match i % 40 {
            7 => writeln!(job, "M104 S{}", 180 + i % 70).expect("a string"),
            19 => writeln!(job, "G1 E{} F1500\nG4 S1", 8 + i % 9).expect("a string"),
            29 => writeln!(job, "G1 Z{:.2} F6000", 0.2 + f64::from(i / 40) * 0.2).expect("a string"),
            33 => writeln!(job, "T{}\nM104 S{}", i / 40 % 2, 200 + i % 30).expect("a string"),
            _ => {}
        }
    }
    let job = job + "M104 S0\n";
    let found = judge_sized(&machine, job.as_bytes(), &RunOptions::default()).findings;
    for check in ["melt-rate-exceeded", "melt-peak-exceeded", "heater-power-exceeded", "layer-time-too-short"] {
        assert!(found.iter().any(|finding| finding.check == check), "{check}: {found:?}");
    }
    same_however("never steady", &machine, &job);
}

/// A source that breaks in the middle.
struct Torn<'j>(&'j [u8]);

impl std::io::Read for Torn<'_> {
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
        match self.0.read(buffer)? {
            0 => Err(std::io::Error::other("torn")),
            count => Ok(count),
        }
    }
}

#[test]
fn a_source_that_breaks_ends_every_thread() {
    let job = job_with(9, |_| "G4 P5\n".into());
    for threads in [1, 2, 7] {
        for chunk_bytes in [100, 1 << 20] {
            let sizes = RunOptions { threads, chunk_bytes, ..RunOptions::default() };
            let result = Preflight::on(&Machine::built_in())
                .options(sizes)
                .run(JobSource::stream(Torn(job.as_bytes()), "torn.gcode"));
            assert_eq!(
                result.map(|_| ()).map_err(|error| error.to_string()),
                Err("cannot read torn.gcode: torn".to_owned())
            );
        }
    }
}

/// A source that panics in the middle.
struct Mine<'j>(&'j [u8]);

impl std::io::Read for Mine<'_> {
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
        match self.0.read(buffer)? {
            0 => std::panic::panic_any("mine"),
            count => Ok(count),
        }
    }
}

#[test]
fn a_source_that_panics_hangs_no_thread() {
    let job = job_with(9, |_| "G4 P5\n".into());
    for threads in [1, 2, 7] {
        let sizes = RunOptions { threads, chunk_bytes: 100, ..RunOptions::default() };
        // The thread that leads panics itself, any other is an error.
        let judged = std::panic::catch_unwind(|| {
            Preflight::on(&Machine::built_in()).options(sizes).run(JobSource::stream(Mine(job.as_bytes()), "mine"))
        });
        assert!(!matches!(judged, Ok(Ok(_))));
    }
}

/// Without the excerpts of findings.
fn bare(mut inspection: Inspection) -> String {
    inspection.findings.iter_mut().for_each(|finding| finding.excerpts.clear());
    as_json(inspection)
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 16, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn a_kept_job_is_judged_as_a_fresh_one(seed in any::<u64>()) {
        let mut dice = Dice::new(seed);
        let machine = random_machine(&mut dice);
        let job = random_job(&machine, &mut dice, 400);
        let sizes = RunOptions { threads: 2, chunk_bytes: 900, ..RunOptions::default() };
        let kept = Preflight::on(&machine).options(sizes).load(JobSource::stream(job.as_bytes(), "job.gcode")).expect("reading from memory cannot fail");
        let mut other = machine.clone();
        for limit in other.motion.limits.acceleration_mm_s2.iter_mut().chain([&mut other.motion.limits.printing_mm_s2]) {
            *limit *= 3.0;
        }
        other.motion.limits.feed_rate_mm_s[0] *= 2.0;
        for machine in [&machine, &other] {
            let fresh = judge_sized(machine, job.as_bytes(), &RunOptions::default());
            let timed = kept.time(machine, |_| false).expect("nothing stops it");
            prop_assert_eq!(timed.time_s, fresh.time_s);
            let of = |inspection: &Inspection| -> Vec<String> {
                let timed = inspection.findings.iter().filter(|finding| is_timed(&finding.check));
                // What changed limits cost takes a second plan, which a study of many plans goes without.
                let message = |finding: &Finding| finding.message.split(" Its moves take").next().map(str::to_owned);
                timed.map(|finding| format!("{:?}", (&finding.check, finding.severity, &finding.lines, message(finding)))).collect()
            };
            prop_assert_eq!(of(&timed), of(&fresh));
            assert_same(&bare(kept.judge(machine)), &bare(fresh), &format!("seed {seed}, {}", machine.name));
        }
    }

    /// What is not timed says the same whatever the limits of motion are.
    #[test]
    fn other_checks_do_not_depend_on_the_limits_of_motion(seed in any::<u64>()) {
        let mut dice = Dice::new(seed);
        let machine = random_machine(&mut dice);
        let job = random_job(&machine, &mut dice, 400);
        let mut other = machine.clone();
        let limits = &mut other.motion.limits;
        limits.printing_mm_s2 *= 5.0;
        limits.travel_mm_s2 *= 0.2;
        limits.retraction_mm_s2 *= 2.0;
        limits.acceleration_mm_s2.iter_mut().for_each(|limit| *limit *= 4.0);
        limits.feed_rate_mm_s.iter_mut().for_each(|limit| *limit *= 0.3);
        limits.jerk_mm_s.iter_mut().for_each(|limit| *limit *= 2.0);
        limits.junction_deviation_mm *= 3.0;
        // The lift of G10 goes at the Z limit, which changes what is read.
        limits.feed_rate_mm_s[2] = machine.motion.limits.feed_rate_mm_s[2];
        let of = |machine: &Machine| -> Vec<String> {
            let findings = judge_sized(machine, job.as_bytes(), &RunOptions::default()).findings;
            let others = findings.into_iter().filter(|finding| !is_timed(&finding.check) && finding.check != "purge-line");
            others.map(|finding| format!("{finding:?}")).collect()
        };
        prop_assert_eq!(of(&machine), of(&other));
    }
}
