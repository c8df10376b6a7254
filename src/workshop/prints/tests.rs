//! Learning from a real workshop and from many made of chance.

use super::testing::Dice;
use super::*;
use crate::machine::{Heating, LearnedClock, Machine, testing::of_corpus};
use crate::physics::wall_clock::{JobParts, MODEL_VERSION, WallClock};

/// The records of a real workshop, see `corpus/README.md`.
const WORKSHOP_A: &[u8] = include_bytes!("../../../corpus/prints/workshop-a.csv");
const HEADER: &str = "job,measured_s,extruding_s,travel_s,extrude_only_s,dwell_s,nozzle_c,bed_c,homings,probings,\
    tool_changes,layers,filament_mm\n";

fn prints_of(bytes: &[u8]) -> Vec<Print> {
    let file = PrintsFile::read(bytes).expect("a file of prints");
    assert_eq!((&file.faults[..], &file.repeated[..]), (&[][..], &[][..]));
    file.prints.into_iter().map(|(_, print)| print).collect()
}

fn workshop_a() -> Vec<Print> {
    prints_of(WORKSHOP_A)
}

fn held(learned: &Learned) -> f64 {
    learned.scores.after.held.expect("an interval") as f64 / learned.forecasts.len() as f64
}

/// The first row of the workshop with other values.
fn print(job: &str, measured_s: f64) -> Print {
    let mut print = workshop_a().remove(0);
    (print.job, print.measured_s) = (job.to_owned(), measured_s);
    print
}

#[test]
fn a_real_workshop_is_foretold_without_the_job() {
    let prints = workshop_a();
    let learned = learn(&Machine::built_in(), &prints).expect("enough prints");
    assert_eq!((learned.forecasts.len(), learned.jobs, learned.clock.from_prints), (40, 36, 40));
    let told = format!("{:?} {:?} {:?}", learned.scores.after, learned.scores.before, learned.clock);
    assert!(learned.scores.after.median_error <= 0.025, "{told}");
    assert!((0.8..=0.97).contains(&held(&learned)), "{told}");
    // The factor that was found for this planner by hand is 1.01 to 1.03.
    assert!((1.005..=1.045).contains(&learned.clock.factor), "{told}");
    assert!(
        learned.scores.before.median_error > 2.0 * learned.scores.after.median_error
            && learned.scores.before.held.is_none(),
        "{told}"
    );
    // Two prints took far less than their plan: they do not fit, and nothing is drawn towards them.
    let unfit: Vec<&str> =
        learned.forecasts.iter().filter(|of| !of.fits).map(|of| prints[of.print].job.as_str()).collect();
    assert!(unfit.contains(&"a09") && unfit.len() < 8, "{unfit:?}");
}

#[test]
fn a_few_prints_of_it_already_help() {
    let (machine, all) = (Machine::built_in(), workshop_a());
    let mut dice = Dice::new(11);
    for (size, error_most) in [(10, 0.06), (20, 0.04)] {
        let (mut errors, mut holds) = (Vec::new(), Vec::new());
        for _ in 0..12 {
            let mut some = all.clone();
            while some.len() > size {
                let at = (dice.unit() * some.len() as f64) as usize;
                some.remove(at.min(some.len() - 1));
            }
            let learned = learn(&machine, &some).expect("enough prints");
            errors.push(learned.scores.after.median_error);
            holds.push(held(&learned));
        }
        let mean = |all: &[f64]| all.iter().sum::<f64>() / all.len() as f64;
        assert!(mean(&errors) <= error_most, "{size}: {errors:?}");
        assert!((0.8..=0.97).contains(&mean(&holds)), "{size}: {holds:?}");
    }
}

/// A workshop made of chance: its machine starts slowly or fast, its prints scatter with heavy tails, some are wrong.
fn made_workshop(dice: &mut Dice, count: usize) -> Vec<Print> {
    let (start_s, factor) = (dice.scaled(20.0, 450.0), dice.between(0.97, 1.15));
    let (bed_s, nozzle_s) = (dice.scaled(100.0, 450.0), dice.scaled(60.0, 200.0));
    let (homing_s, probing_s, change_s) = (dice.between(5.0, 40.0), dice.between(5.0, 120.0), dice.between(5.0, 40.0));
    let (shortest_s, longest_s) = dice.one_of(&[(600.0, 72_000.0), (600.0, 10_000.0), (3000.0, 40_000.0)]);
    let targets: Vec<(f64, f64)> = (0..1 + (dice.unit() * 4.0) as usize)
        .map(|_| (dice.one_of(&[195.0, 205.0, 215.0, 230.0, 250.0]), dice.one_of(&[0.0, 45.0, 60.0, 70.0, 100.0])))
        .collect();
    let (repeats, misfit) = (dice.scaled(0.001, 0.02), dice.one_of(&[0.0, 0.005, 0.015, 0.03]));
    let (scatter_s, wrong) = (dice.between(2.0, 40.0), dice.one_of(&[0.0, 0.03, 0.08]));
    let (full_bed_c, full_nozzle_c) = (dice.between(130.0, 160.0), 380.0_f64);
    let law = |target_c: f64, full_c: f64| ((full_c - 22.0) / (full_c - target_c.max(22.0))).ln();
    let mut prints = Vec::new();
    let mut job = 0;
    while prints.len() < count {
        job += 1;
        let motion_s = dice.scaled(shortest_s, longest_s);
        let (nozzle_c, bed_c) = dice.one_of(&targets);
        let (homings, probings) = (dice.one_of(&[1, 1, 1, 0, 2]), dice.one_of(&[1, 1, 1, 0]));
        let tool_changes = if dice.chance(0.2) { 1 + (dice.unit() * 200.0) as u64 } else { 0 };
        let off = misfit * dice.heavy();
        let share = dice.between(0.6, 0.9);
        for _ in 0..if dice.chance(0.8) { 1 } else { 2 + (dice.unit() * 3.0) as usize } {
            let mut took_s = start_s
                + factor * motion_s * (1.0 + off + repeats * dice.heavy())
                + bed_s * law(bed_c, full_bed_c)
                + nozzle_s * law(nozzle_c, full_nozzle_c)
                + homing_s * homings as f64
                + probing_s * probings as f64
                + change_s * tool_changes as f64
                + (scatter_s * dice.heavy()).abs();
            if dice.chance(wrong) {
                took_s *= 1.0 + dice.one_of(&[-1.0, 1.0]) * dice.between(0.2, 0.5);
            }
            let parts = JobParts {
                extruding_s: share * motion_s,
                travel_s: (1.0 - share) * motion_s,
                nozzle_c,
                bed_c,
                homings,
                probings,
                tool_changes,
                ..JobParts::default()
            };
            prints.push(Print { parts, ..print(&format!("job {job}"), took_s.max(60.0)) });
        }
    }
    prints.truncate(count);
    prints
}

#[test]
fn intervals_hold_what_they_promise_in_many_workshops() {
    let machine = Machine::built_in();
    let mut dice = Dice::new(2027);
    for (size, workshops, error_most) in [(10, 24, 0.06), (20, 16, 0.04), (30, 12, 0.04), (40, 8, 0.04)] {
        let (mut inside, mut all, mut errors, mut alarms) = (0, 0, Vec::new(), 0);
        for _ in 0..workshops {
            let Ok(learned) = learn(&machine, &made_workshop(&mut dice, size)) else { continue };
            inside += learned.scores.after.held.expect("an interval");
            all += learned.forecasts.len();
            errors.push(learned.scores.after.median_error);
            alarms += usize::from(learned.drift.is_some());
        }
        let (share, middle) = (inside as f64 / all as f64, drift::median(&errors).expect("some"));
        assert!((0.8..=0.97).contains(&share), "{size} prints: {share} of {all}");
        assert!(middle <= error_most, "{size} prints: {errors:?}");
        assert!(alarms <= 1, "{size} prints: {alarms} false alarms");
    }
}

#[test]
fn rows_that_are_no_print_are_told_by_their_place_and_stay() {
    let text = format!(
        "\u{feff}note,{HEADER}\
         kept,hook,100,80,5,1,0,200,50,1,1,0,10,500\n\
         bad,hook,soon,80,5,1,0,200,50,1,1,0,10,500\n\
         short,hook\n\
         again,hook,100.05,80,5,1,0,200,50,1,1,0,10,500\n\
         \"two\nlines\",tag,130,80,5,1,0,200,50,1.5,1,0,10,500\n\
         ,clip,-3,80,5,1,0,200,50,1,1,0,10,500\n"
    );
    let file = PrintsFile::read(text.as_bytes()).expect("a file of prints");
    let told: Vec<String> = file.faults.iter().map(ToString::to_string).collect();
    assert_eq!(
        told,
        [
            "line 3, column 3: `measured_s` must be a number from 0 to 10000000, found \"soon\"",
            "line 4: the row has 2 cells, the first line names 14 columns",
            "line 6, column 10: `homings` must be a whole number",
            "line 8, column 3: `measured_s` must be a number from 0 to 10000000, found \"-3\"",
        ]
    );
    assert_eq!((file.prints.len(), &file.repeated[..]), (1, &[(5, 2)][..]));
    let dos = PrintsFile::read(text.replace('\n', "\r\n").as_bytes()).expect("a file of prints");
    assert_eq!((&dos.faults, &dos.repeated), (&file.faults, &file.repeated), "lines count alike");

    let mut new = print("=tag", 200.0);
    new.started = started("2027-01-31 14:05");
    new.machine = Some("Heron".to_owned());
    let written = String::from_utf8(file.with(&[new.clone()])).expect("UTF-8");
    let again = PrintsFile::read(written.as_bytes()).expect("a file of prints");
    assert_eq!((again.faults.len(), again.repeated.len()), (4, 1), "{written}");
    let read: Vec<&Print> = again.prints.iter().map(|(_, print)| print).collect();
    assert_eq!(read, [&file.prints[0].1, &new]);
    for kept in ["note,job,measured_s", "kept,hook,100,", "short,hook\n", "\"two\nlines\",tag,130"] {
        assert!(written.contains(kept), "{kept} in\n{written}");
    }
    // What is written once more changes nothing.
    assert_eq!(String::from_utf8(again.with(&[])).expect("UTF-8"), written);
}

#[test]
fn what_is_no_file_of_prints_says_so() {
    let fault =
        |text: &str| PrintsFile::read(text.as_bytes()).map(|file| file.prints.len()).map_err(|fault| fault.to_string());
    assert_eq!(fault(""), Ok(0));
    assert_eq!(fault(HEADER), Ok(0));
    let told = fault("job,measured_s\nhook,1\n").expect_err("columns are not there");
    assert!(told.starts_with("line 1: ") && told.contains("extruding_s, travel_s"), "{told}");
    for bytes in [&b"\0\xff\xfe"[..], b"\"", b"\n\n\n,,,\n", b"G1 X1 E1\n"] {
        assert!(PrintsFile::read(bytes).is_err() || PrintsFile::read(bytes) == Ok(PrintsFile::default()), "{bytes:?}");
    }
    let latin = [HEADER.as_bytes(), b"h\xf6ok,100,80,5,1,0,200,50,1,1,0,10,500\n"].concat();
    let told = PrintsFile::read(&latin).expect("a file of prints").faults;
    assert_eq!((told[0].line, told[0].column), (2, Some(1)));
}

/// A day alone is no start: a job may be printed twice on it.
#[test]
fn two_prints_of_one_day_are_two() {
    let of = |measured_s: f64, started: &str| Print {
        measured_s,
        started: Some(started.to_owned()),
        ..print("hook", 300.0)
    };
    let day = "2027-01-31T00:00:00";
    assert!(!of(310.0, day).is_same(&of(540.0, day)) && of(310.0, day).is_same(&of(310.0, day)));
    assert!(of(310.0, "2027-01-31T14:05:00").is_same(&of(540.0, "2027-01-31T14:05:00")));
}

/// Ten prints of 20 min tell start and factor together, not each: of a job of two and a half hours less is known.
#[test]
fn a_clock_of_short_jobs_is_unsure_of_long_ones() {
    let job = |extruding_s: f64| JobParts { extruding_s, ..JobParts::default() };
    let took_s = |of: JobParts| 120.0 + 1.02 * of.motion_s();
    let prints = (0..10).map(|of| {
        let parts = job(1200.0 + 3.0 * f64::from(of));
        Print { parts, measured_s: took_s(parts), ..print(&format!("job {of}"), 1.0) }
    });
    let mut machine = Machine::built_in();
    machine.clock = Some(learn(&machine, &prints.collect::<Vec<_>>()).expect("enough").clock);
    let clock = WallClock::learned(&machine).expect("learned");
    let width = |of: JobParts| {
        let time = clock.time(&of).expect("an interval");
        assert!((time.low_s..=time.high_s).contains(&took_s(of)), "{time:?} {}", took_s(of));
        (time.high_s - time.low_s) / time.expected_s
    };
    assert!(width(job(1212.0)) < 0.1 && width(job(9000.0)) > 0.1);
}

/// A new spool, another limit of the melt rate: the plan and its prints stay what they were.
#[test]
fn what_is_only_judged_makes_no_plan_old() {
    let heron = of_corpus("heron");
    let with = |key: &str, value: &str| plan_digest(&heron.with(key, value).expect("changes"));
    for (key, value) in [
        ("tool[0].on_spool_mm", "1000.0"),
        ("tool[0].melt_rate_mm3_s.peak", "20.0"),
        ("tool[0].density_g_cm3", "1.1"),
        ("structure_limits.ringing_mm", "0.2"),
        ("name", "Other"),
    ] {
        assert_eq!(with(key, value), plan_digest(&heron), "{key}");
    }
    for (key, value) in [
        ("motion.acceleration_mm_s2.printing", "777.0"),
        ("controller.homing_s", "33.0"),
        ("controller.command_rate_limit_hz", "99.0"),
        ("bed.heating.time_constant_s", "99.0"),
        ("room.ambient_c", "17.0"),
    ] {
        assert_ne!(with(key, value), plan_digest(&heron), "{key}");
    }
}

#[test]
fn the_same_print_is_known_by_its_start_or_its_time() {
    let with = |digest: &str, when: Option<&str>, seconds: f64| Print {
        job_digest: Some(digest.to_owned()),
        started: when.and_then(started),
        ..print("hook", seconds)
    };
    let one = with("a", None, 100.0);
    assert!(one.is_same(&with("a", None, 100.1)) && !one.is_same(&with("a", None, 100.2)));
    assert!(!one.is_same(&with("b", None, 100.0)) && !one.is_same(&with("a", Some("2027-01-31"), 100.0)));
    let dated = with("a", Some("2027-01-31"), 100.0);
    assert!(
        dated.is_same(&with("a", Some("2027-01-31"), 100.0)) && !dated.is_same(&with("a", Some("2027-01-31"), 150.0))
    );
    assert!(!dated.is_same(&with("a", Some("2027-02-01"), 100.0)));
    let on = |machine: &str| Print { machine: Some(machine.to_owned()), ..one.clone() };
    assert!(!on("Heron").is_same(&on("Wren")) && on("Heron").is_same(&one));
}

/// Prints of exact times: the numbers they were made of come out.
#[test]
fn a_machine_without_scatter_is_found_again() {
    let machine = Machine::built_in();
    let (start_s, factor) = (90.0, 1.08);
    let prints: Vec<Print> = (1..=30)
        .map(|of| {
            let motion_s = 600.0 * f64::from(of);
            let parts = JobParts { extruding_s: motion_s, homings: u64::from(of as u8 % 3), ..JobParts::default() };
            let took_s = start_s + factor * motion_s + 17.0 * f64::from(of % 3);
            Print { parts, ..print(&format!("job {of}"), took_s) }
        })
        .collect();
    let learned = learn(&machine, &prints).expect("enough");
    let clock = learned.clock;
    assert!((clock.factor - factor).abs() < 2e-3, "{clock:?}");
    assert!((clock.start_s - start_s).abs() < 15.0, "{clock:?}");
    assert_eq!((clock.bed_time_constant_s, clock.probing_s), (None, None), "nothing asks for them");
    assert!(learned.scores.after.median_error < 2e-3 && learned.drift.is_none(), "{:?}", learned.scores.after);
    // Aborted and wrong prints do not pull.
    let mut some_wrong = prints.clone();
    some_wrong[3].measured_s *= 0.3;
    some_wrong[20].measured_s *= 1.6;
    some_wrong.push(Print { aborted: true, ..print("job 7", 60.0) });
    let robust = learn(&machine, &some_wrong).expect("enough");
    assert!((robust.clock.factor - factor).abs() < 6e-3, "{:?}", robust.clock);
    let unfit: Vec<usize> = robust.forecasts.iter().filter(|of| !of.fits).map(|of| of.print).collect();
    assert_eq!(unfit, [3, 20]);
    assert_eq!(robust.left_out, [LeftOut { print: 30, why: Why::Aborted }]);
}

/// Half of the jobs set the nozzle before they wait for the bed. Waits by Newton's law, as in [`crate::physics::wall_clock`].
#[test]
fn jobs_that_heat_at_once_are_foretold_as_well_as_those_that_do_not() {
    let machine = of_corpus("heron");
    let (bed, nozzle) = (machine.bed.and_then(|bed| bed.heating), machine.tools[0].heating);
    let law = |heating: Option<Heating>, target_c: f64| {
        let heating = heating.expect("the sheet of the corpus has one");
        let full_k = heating.full_power_c - machine.ambient_c;
        heating.time_constant_s * (full_k / (heating.full_power_c - target_c)).ln()
    };
    let (bed_s, nozzle_s) = (law(bed, 60.0), law(nozzle, 205.0));
    assert!(bed_s > 1.5 * nozzle_s, "the nozzle is hot first, also when both are slower than the sheet says");
    let workshop = |bed_times: f64, nozzle_times: f64| -> Vec<Print> {
        let of = |at: i32| {
            let motion_s = 150.0 * f64::from(1 + at);
            let one_by_one = f64::from(at % 2);
            let parts = JobParts {
                extruding_s: motion_s,
                nozzle_c: 205.0,
                bed_c: 60.0,
                homings: 1,
                heating_s: Some(bed_s + one_by_one * nozzle_s),
                ..JobParts::default()
            };
            let heating_s = bed_times * bed_s + one_by_one * nozzle_times * nozzle_s;
            let homing_s = machine.controller.homing_s.expect("the sheet of the corpus has one");
            Print { parts, ..print(&format!("job {at}"), 60.0 + motion_s + homing_s + heating_s) }
        };
        (0..12).map(of).collect()
    };
    for (bed_times, nozzle_times) in [(1.0, 1.0), (1.3, 1.25)] {
        let learned = learn(&machine, &workshop(bed_times, nozzle_times)).expect("enough");
        let told = format!("{:?} {:?}", learned.scores.after, learned.clock);
        // They are exact; what is usual of the machine pulls a little.
        assert!(learned.scores.after.median_error < 0.003 && learned.scores.after.held == Some(12), "{told}");
        assert!(learned.forecasts.iter().all(|of| of.fits), "{told}");
        let mut clocked = machine.clone();
        clocked.clock = Some(learned.clock);
        let clock = WallClock::learned(&clocked).expect("learned");
        let job = |heating_s: f64| {
            let parts = workshop(1.0, 1.0)[0].parts;
            clock.expected_s(&JobParts { heating_s: Some(heating_s), ..parts })
        };
        let apart_s = job(bed_s + nozzle_s) - job(bed_s);
        assert!((apart_s - nozzle_times * nozzle_s).abs() < 2.0, "{apart_s} {told}");
    }
}

#[test]
fn a_clock_that_is_no_good_is_doubted() {
    let built_in = Machine::built_in();
    let doubt = |machine: &Machine, prints: &[Print]| learn(machine, prints).expect("enough").doubt;
    let real = workshop_a();
    assert_eq!(doubt(&built_in, &real), None);
    // Times that cannot be: with 1e7 s for each, and with minutes for days.
    let with = |measured_s: fn(f64) -> f64| -> Vec<Print> {
        let took = |print: &Print| Print { measured_s: measured_s(print.measured_s), ..print.clone() };
        real[..6].iter().map(took).collect()
    };
    assert_eq!(doubt(&built_in, &with(|_| 1e7)), Some(Doubt::IntervalMisses));
    assert_eq!(doubt(&built_in, &with(|took_s| took_s / 1440.0)), Some(Doubt::IntervalSaysNothing));
    // A machine that takes what the plan says, but for prints that have nothing to do with it.
    let plan = WallClock::planned(&built_in);
    let exact = |print: &Print| Print { measured_s: plan.expected_s(&print.parts), ..print.clone() };
    let exact: Vec<Print> = real.iter().map(exact).collect();
    assert_eq!(doubt(&built_in, &exact), None, "close enough: its interval is what is gained");
    // What takes a tenth more and a tenth less by turns: without a job the others draw away from it.
    let by_turns: Vec<Print> = (0..10)
        .map(|at| print(&format!("job {at}"), plan.expected_s(&real[0].parts) * if at % 2 == 0 { 0.9 } else { 1.1 }))
        .collect();
    let learned = learn(&built_in, &by_turns).expect("enough");
    let (plan, after) = (learned.scores.plan.median_error, learned.scores.after.median_error);
    let told = format!("{:?}", learned.scores);
    // Of ten errors five are 1 / 0.9 − 1 and five 1 − 1 / 1.1.
    assert!((plan - 10.0 / 99.0).abs() < 1e-12 && after > plan, "{told}");
    assert_eq!(learned.doubt, Some(Doubt::NoBetterThanPlan), "{told}");
    // Its own clock, learned once more from the same prints, is no worse.
    let mut clocked = built_in.clone();
    clocked.clock = Some(learn(&built_in, &real).expect("enough").clock);
    let again = learn(&clocked, &real).expect("enough");
    assert_eq!((again.doubt, again.scores.before), (None, again.scores.seen));
}

#[test]
fn a_clock_that_fits_its_prints_worse_than_the_one_in_the_sheet_is_doubted() {
    // Three jobs of a machine that has changed, after many: the clock lies between both, and fits neither.
    let mut machine = Machine::built_in();
    let prints = |factor: f64, count: i32| -> Vec<Print> {
        let of = |at: i32| {
            let motion_s = 3000.0 + 500.0 * f64::from(at % 7);
            let parts = JobParts { extruding_s: motion_s, ..JobParts::default() };
            Print { parts, ..print(&format!("job {factor} {at}"), 100.0 + factor * motion_s) }
        };
        (0..count).map(of).collect()
    };
    machine.clock = Some(learn(&machine, &prints(1.0, 11)).expect("enough").clock);
    let mixed = [prints(1.0, 11), prints(1.2, 10)].concat();
    let learned = learn(&machine, &mixed).expect("enough");
    let told = format!("{:?} {:?}", learned.scores, learned.doubt);
    assert!(learned.scores.before.median_error < learned.scores.seen.median_error, "{told}");
    assert!(matches!(learned.doubt, Some(Doubt::WorseThanSheet | Doubt::NoBetterThanPlan)), "{told}");
}

#[test]
fn prints_from_one_on_are_learned_from() {
    let (machine, mut prints) = (Machine::built_in(), workshop_a());
    let used = |prints: &[Print], since: &Since| -> Vec<usize> {
        let learned = learn_since(&machine, prints, Some(since)).expect("enough");
        assert!(learned.left_out.iter().all(|left| left.why == Why::Before), "{:?}", learned.left_out);
        assert_eq!(learned.left_out.len() + learned.forecasts.len(), prints.len());
        learned.forecasts.iter().map(|of| of.print).collect()
    };
    assert_eq!(used(&prints, &Since::Print(25)), (25..40).collect::<Vec<_>>());
    let start = |day: usize| started(&format!("2024-01-{:02}", 1 + day / 2)).expect("a day");
    // Without a start nobody knows whether it was before.
    for day in 20..40 {
        prints[day].started = Some(start(day));
    }
    assert_eq!(used(&prints, &Since::Start(start(30))), (30..40).collect::<Vec<_>>());
    // Where all have a start it is their order, also of those of one day.
    for (day, print) in prints.iter_mut().enumerate() {
        print.started = Some(start(day));
    }
    prints.reverse();
    assert_eq!(used(&prints, &Since::Start(start(30))).len(), 10);
    assert_eq!(used(&prints, &Since::Print(9)), [9, 6, 7, 4, 5, 2, 3, 0, 1]);
    assert_eq!(learn_since(&machine, &prints, Some(&Since::Print(1))), Err(TooFew { jobs: 1 }));
}

#[test]
fn what_prints_cannot_tell_is_said() {
    // One temperature of the bed: its heating is one with the start.
    let prints: Vec<Print> = (1..=12).map(|of| print(&format!("job {of}"), 3300.0 + 20.0 * f64::from(of))).collect();
    let learned = learn(&Machine::built_in(), &prints).expect("enough");
    let one: Vec<&str> = learned.numbers.iter().filter(|of| of.is_one_with_start).map(|of| of.key).collect();
    assert!(
        one.contains(&"bed_time_constant_s") && one.contains(&"homing_s") && !one.contains(&"probing_s"),
        "{one:?}"
    );
    let few = learn(&Machine::built_in(), &prints[..2]).expect_err("two jobs");
    assert_eq!(few, TooFew { jobs: 2 });
    assert!(few.to_string().contains("at least 3 jobs, and there are 2"), "{few}");
}

#[test]
fn plans_of_another_sheet_or_version_are_left_out() {
    let machine = Machine::built_in();
    let digest = plan_digest(&machine);
    let mut prints = workshop_a();
    for print in &mut prints {
        (print.sheet_digest, print.model) = (Some(digest.clone()), Some(MODEL_VERSION));
    }
    prints[0].sheet_digest = Some("blake3:other".to_owned());
    prints[1].model = Some(MODEL_VERSION + 1);
    prints[2].machine = Some("another".to_owned());
    let learned = learn(&machine, &prints).expect("enough");
    let left: Vec<(usize, Why)> = learned.left_out.iter().map(|left| (left.print, left.why)).collect();
    assert_eq!(left, [(0, Why::OldPlan), (1, Why::OldPlan), (2, Why::OtherMachine)]);
    // A clock in the sheet is no other plan; another speed is.
    let with = |path: &str, value: &str| plan_digest(&machine.with(path, value).expect("a sheet"));
    assert_eq!(with("name", "\"Wren\""), digest);
    assert_ne!(with("motion.acceleration_mm_s2.printing", "333.0"), digest);
    let clocked = write_clock(&machine.text, &learned.clock).expect("a sheet");
    let clocked = Machine::parse("built-in", &clocked).expect("a sheet");
    assert_eq!((plan_digest(&clocked), clocked.clock), (digest, Some(learned.clock)));
}

#[test]
fn a_machine_that_slows_down_is_noticed() {
    let mut prints: Vec<Print> = workshop_a().into_iter().filter(|print| print.job != "a09").collect();
    let half = prints.len() / 2;
    prints[half..].iter_mut().for_each(|print| print.measured_s *= 1.12);
    let learned = learn(&Machine::built_in(), &prints).expect("enough");
    let (since, change) = learned.drift.expect("a change");
    assert!((half - 4..=half + 4).contains(&since) && change.by > 0.05, "{since} {change:?}");
    assert!(!learned.ordered_by_start);
    // Given their starts, the order of the file does not matter.
    for (at, print) in prints.iter_mut().enumerate() {
        print.started = started(&format!("2027-01-{:02} {:02}:00", 1 + at / 24, at % 24));
    }
    prints.reverse();
    let again = learn(&Machine::built_in(), &prints).expect("enough");
    assert!(again.ordered_by_start);
    assert_eq!(again.drift.map(|(since, _)| since), Some(since));
}

#[test]
fn a_clock_is_put_into_the_text_of_a_sheet() {
    let clock = learn(&Machine::built_in(), &workshop_a()).expect("enough").clock;
    let text = "\u{feff}# mine\r\nname = \"Wren\"\r\n\r\n[clock]\r\nstart_s  =  5.0 # by hand\r\n\r\n# nine of ten\r\n\
                spread = 0.1\r\ntool_change_s = 9.0\r\n";
    let written = write_clock(text, &clock).expect("TOML");
    assert!(written.starts_with("\u{feff}# mine\r\nname = \"Wren\"\r\n"), "{written}");
    // Of the old table two numbers change, and nothing around them; none of these prints changed its tool.
    let (start, spread) = (format!("start_s  =  {:?} #", clock.start_s), format!("spread = {:?}", clock.spread));
    let kept = text.replace("start_s  =  5.0 #", &start).replace("spread = 0.1", &spread);
    assert!(written.starts_with(&kept) && written.len() > kept.len(), "{written}");
    let inline = "clock = {start_s=5.0,factor=1.0,spread=0.1,from_prints=3,tool_change_s=9.0}\n";
    let plain = LearnedClock { factor_spread: None, motion_s: None, homing_s: None, probing_s: None, ..clock };
    let plain = LearnedClock { bed_time_constant_s: None, nozzle_time_constant_s: None, ..plain };
    assert!(write_clock(inline, &plain).expect("TOML").ends_with(",tool_change_s=9.0}\n"), "no blank is put in");
    assert!(!written.replace("\r\n", "").contains('\n'), "line ends stay");
    assert_eq!(write_clock(&written, &clock).as_ref(), Ok(&written));
    assert!(write_clock("clock = 3\n", &clock).is_err() && write_clock("clock = [", &clock).is_err());
}

/// Damaged files: nothing panics, no row is lost, and every number that is learned is finite.
#[test]
fn damaged_files_are_read_to_their_end() {
    let extremes =
        ["", "-1", "1e308", "nan", "inf", "0", "1e7", "2000", "1e-300", "\"", "99999999999999999999", "é", "1,2"];
    let machine = Machine::built_in();
    let mut dice = Dice::new(99);
    for round in 0..150 {
        let mut text = WORKSHOP_A.to_vec();
        for _ in 0..1 + round % 12 {
            let at = (dice.unit() * text.len() as f64) as usize;
            match dice.one_of(&[0, 1, 2]) {
                0 => text[at] = (dice.unit() * 256.0) as u8,
                1 => drop(text.splice(at..at, dice.one_of(&extremes).bytes())),
                _ => {
                    // A cell is replaced as a whole.
                    let end = text[at..].iter().position(|byte| matches!(byte, b',' | b'\n')).map_or(at, |by| at + by);
                    let start = text[..at].iter().rposition(|byte| matches!(byte, b',' | b'\n')).map_or(0, |by| by + 1);
                    drop(text.splice(start..end.max(start), dice.one_of(&extremes).bytes()));
                }
            }
        }
        let Ok(file) = PrintsFile::read(&text) else { continue };
        let again = PrintsFile::read(&file.with(&[])).expect("what was written is read again");
        let counts = |of: &PrintsFile| (of.prints.len(), of.faults.len(), of.repeated.len());
        assert_eq!(counts(&again), counts(&file));
        let prints: Vec<Print> = file.prints.into_iter().map(|(_, print)| print).collect();
        // Every tenth is learned from: the fit takes longer than the reading.
        if round % 10 > 0 {
            continue;
        }
        let Ok(learned) = learn(&machine, &prints) else { continue };
        let clock = learned.clock;
        assert!([clock.start_s, clock.factor, clock.spread].iter().all(|number| number.is_finite()), "{clock:?}");
        let times =
            learned.forecasts.iter().flat_map(|of| [of.without.expected_s, of.without.low_s, of.without.high_s]);
        assert!(times.into_iter().all(|seconds| seconds.is_finite() && seconds >= 0.0));
        let written = write_clock(&machine.text, &clock).expect("a sheet");
        assert_eq!(Machine::parse("built-in", &written).expect("a sheet").clock, Some(clock));
    }
}
