//! Trials on the machines of the corpus.

use super::*;
use crate::findings::Verdict;
use crate::machine::{CornerRule, E, Override, testing::of_corpus};

/// The machines of the corpus.
fn machines() -> Vec<Machine> {
    ["heron", "wren", "bittern", "tern"].map(of_corpus).into()
}

/// Every sort of trial on a machine, by name.
fn trials(machine: &Machine) -> Vec<(String, Result<Trial, TrialError>)> {
    let mut trials = vec![
        ("ringing".to_owned(), ringing(machine, &Ringing::default())),
        ("ringing, one layer".to_owned(), ringing(machine, &Ringing { layers: 1, teeth: 3, ..Ringing::default() })),
        ("steps".to_owned(), steps(machine, &Steps::default())),
        ("first power".to_owned(), first_power(machine, &FirstPower::default())),
        (
            "first power, dwelling".to_owned(),
            first_power(machine, &FirstPower { dwell_s: Some(20.0), fans: 3, moves_tried: true }),
        ),
    ];
    if machine.controller.obeys_limits_in_job {
        let asked = Ringing { vary: Vary::Acceleration, ..Ringing::default() };
        trials.push(("ringing by acceleration".to_owned(), ringing(machine, &asked)));
    }
    for tool in 0..machine.tools.len() {
        // Tern, without any jerk of the extruder, slows down wherever the filament does: its tails would tell nothing.
        if machine.motion.limits.corner == CornerRule::JunctionDeviation || machine.motion.limits.jerk_mm_s[E] > 0.0 {
            trials.push((format!("lead {tool}"), lead(machine, &Lead { tool, ..Lead::default() })));
        }
        for bursts in [false, true] {
            let asked = MeltRate { bursts, tool, ..MeltRate::default() };
            trials.push((format!("melt rate {tool} {bursts}"), melt_rate(machine, &asked)));
        }
    }
    trials
}

#[test]
fn every_trial_is_a_go_on_every_machine_of_the_corpus() {
    for machine in machines() {
        for (name, trial) in trials(&machine) {
            let trial = trial.unwrap_or_else(|error| panic!("{} on {}: {error}", name, machine.name));
            let report =
                Preflight::on(&machine).run(JobSource::stream(trial.text.as_bytes(), "trial.gcode")).expect("reads");
            assert_eq!(report.verdict, Verdict::Go, "{name} on {}: {:#?}", machine.name, report.findings);
        }
    }
}

#[test]
fn only_the_probed_check_is_lowered_and_only_by_the_exact_line() {
    let heron = machines().swap_remove(0);
    let trial = melt_rate(&heron, &MeltRate::default()).expect("a trial");
    let judge = |text: &str, machine: &Machine| {
        let report = Preflight::on(machine).run(JobSource::stream(text.as_bytes(), "t.gcode")).expect("reads");
        let melt = report.findings.iter().find(|f| f.check == "melt-rate-exceeded").map(|f| f.severity);
        (report.verdict, melt, report.left_out.iter().any(|said| said.contains("gonogo trial melt-rate")))
    };
    assert_eq!(judge(&trial.text, &heron), (Verdict::Go, Some(Severity::Note), true));
    let forged = [
        trial.text.replacen("form 1", "form 2", 1),
        trial.text.replacen("; gonogo", ";gonogo", 1),
        trial.text.replacen("form 1", "form 1 ", 1),
        trial.text.replacen("melt-rate", "ringing", 1),
        trial.text.replacen("melt-rate", "steps", 1),
        format!("\n{}", trial.text),
    ];
    for text in forged {
        assert_eq!(judge(&text, &heron), (Verdict::Hold, Some(Severity::Hold), false), "{}", &text[..60]);
    }
    // The line lowers that check only.
    let hot = trial.text.replace("M109 S200", "M109 S270");
    assert_ne!(hot, trial.text);
    assert_eq!(judge(&hot, &heron).0, Verdict::NoGo);
    // A severity of the sheet stays.
    let mut strict = heron.clone();
    strict.severities.insert("melt-rate-exceeded".to_owned(), Override::Severity(Severity::Hold));
    assert_eq!(judge(&trial.text, &strict), (Verdict::Hold, Some(Severity::Hold), false));
    assert!(matches!(melt_rate(&strict, &MeltRate::default()), Err(TrialError::Refused(_))));
}

#[test]
fn the_line_alone_lowers_nothing() {
    let heron = machines().swap_remove(0);
    let judge = |text: &str| {
        let report = Preflight::on(&heron).run(JobSource::stream(text.as_bytes(), "t.gcode")).expect("reads");
        (report.verdict, report.left_out.iter().any(|said| said.contains("gonogo trial")))
    };
    let trial = first_power(&heron, &FirstPower::default()).expect("a trial").text;
    assert_eq!(judge(&trial), (Verdict::Go, true));
    // A finger slips, a wait is lost, an axis moves with another.
    let slips = [
        trial.replacen("G1 X3 ", "G1 X33 ", 1),
        trial.replacen("M0\nG91\nG1 X3 ", "G91\nG1 X3 ", 1),
        trial.replacen("G1 X3 ", "G1 X3 Y3 ", 1),
        trial.replacen("G1 X3 ", "G1 X3 E1 ", 1),
    ];
    for text in slips {
        assert_ne!(text, trial);
        assert_ne!(judge(&text).0, Verdict::Go, "{text}");
    }
    // Any job that nobody watches, with the line in front of it.
    let head = Kind::FirstPower.header();
    let moves = "G21\nG90\nM83\nG1 Z0.2 F300\nG1 X60 Y60 F3000\n";
    assert_eq!(judge(&format!("{head}\n{moves}")), (Verdict::Hold, false));
    assert_eq!(judge(&format!("{head}\nM0\n{moves}")).0, Verdict::Hold);
    let melt = melt_rate(&heron, &MeltRate::default()).expect("a trial").text;
    let unattended: String = melt.lines().filter(|line| *line != "M0").map(|line| format!("{line}\n")).collect();
    let unattended = unattended.replacen("G4 ", "; G4 ", 1);
    assert_eq!(judge(&unattended), (Verdict::Hold, false));
}

#[test]
fn names_stay_inside_their_comment_and_lines_within_the_limit() {
    for mut machine in machines() {
        machine.name = "Heron\nM104 S300\r\nG1 X999 \u{1b}[2J\u{85}G28 ; °".to_owned();
        machine.controller.line_length_limit_bytes = Some(48);
        for (name, trial) in trials(&machine) {
            let text = trial.unwrap_or_else(|error| panic!("{name}: {error}")).text;
            let tame = |byte: u8| byte == b'\n' || (b' '..=b'~').contains(&byte);
            assert!(text.bytes().all(tame), "{name}");
            assert!(text.lines().all(|line| line.len() < 48), "{name}");
            assert!(!text.lines().any(|line| line.starts_with("M104 S300") || line.starts_with("G1 X999")), "{name}");
            assert!(text.replace("\n; ", " ").contains("Attended use only"), "{name}");
            assert!(text.trim_end().lines().last().is_some_and(|line| line.starts_with("M117 Done")), "{name}");
        }
    }
}

/// The longest dwell behind a nozzle's target, s.
fn longest_on_s(machine: &Machine, text: &str) -> f64 {
    let lines: Vec<&str> = text.lines().collect();
    let on = lines.windows(2).filter(|pair| pair[0].starts_with("M104") && !pair[0].ends_with("S0"));
    on.map(|pair| pair[1].strip_prefix("G4 P").and_then(|p| p.parse::<f64>().ok()).expect("a dwell at once"))
        .fold(0.0, |longest: f64, p| longest.max(p * machine.controller.dwell_p_s))
}

#[test]
fn first_power_waits_for_no_temperature() {
    for machine in machines() {
        let text = first_power(&machine, &FirstPower::default()).expect("a trial").text;
        let commands = || text.lines().filter(|line| !line.starts_with(';') && !line.starts_with("M117"));
        let waits = ["M109", "M190", "M191"];
        assert!(
            !commands().any(|line| waits.iter().any(|wait| line.starts_with(wait)) || line.contains(" E")),
            "{text}"
        );
        // Even at full power all the time, as with a sensor in the wrong socket, no nozzle gets hot.
        for tool in &machine.tools {
            let Some(law) = tool.heating else { continue };
            let most_c = machine.ambient_c
                + (law.full_power_c - machine.ambient_c)
                    * (1.0 - (-longest_on_s(&machine, &text) / law.time_constant_s).exp());
            assert!(most_c < 110.0, "{}: {most_c} °C", machine.name);
        }
        let pauses = text.lines().filter(|line| *line == "M0").count();
        assert!(pauses >= 7, "{pauses}");
    }
}

#[test]
fn what_cannot_be_done_is_refused() {
    let heron = machines().swap_remove(0);
    assert_eq!(ringing(&Machine::built_in(), &Ringing::default()), Err(TrialError::NoSheet));
    let asked = |warmth| melt_rate(&heron, &MeltRate { warmth, ..MeltRate::default() });
    for (nozzle_c, bed_c) in [(Some(150.0), None), (Some(300.0), None), (None, Some(200.0))] {
        assert!(matches!(asked(Warmth { nozzle_c, bed_c }), Err(TrialError::Asked(_))));
    }
    assert!(asked(Warmth { nozzle_c: Some(230.0), bed_c: Some(0.0) }).is_ok());
    assert!(melt_rate(&heron, &MeltRate { up_to_mm3_s: Some(12.5), ..MeltRate::default() }).is_err(), "above the peak");
    assert!(ringing(&heron, &Ringing { fastest_mm_s: Some(f64::NAN), ..Ringing::default() }).is_err());
    assert!(ringing(&heron, &Ringing { tool: 1, ..Ringing::default() }).is_err());
    let mut small = heron.clone();
    small.travel.max = [60.0, 60.0, 60.0];
    small.travel.keep_out.clear();
    assert!(matches!(ringing(&small, &Ringing::default()), Err(TrialError::NoRoom { .. })));
    let mut walled = heron;
    (walled.travel.keep_out[0].min, walled.travel.keep_out[0].max) = ([-10.0, 0.0, 0.0], [230.0, 9.0, 250.0]);
    assert_eq!(steps(&walled, &Steps::default()), Err(TrialError::NoWay));
}

#[test]
fn new_steps_by_the_rule_of_three() {
    let [heron, _, bittern, tern] = <[Machine; 4]>::try_from(machines()).expect("four");
    let measured = |text: &str| text.parse::<Measured>().expect("reads");
    let x = new_steps(&heron, measured("x=99.2"), 0.1).expect("steps");
    assert_eq!((x.old_per_mm, x.commanded_mm), (80.0, 100.0));
    assert!((x.new_per_mm - 80.645_161).abs() < 1e-5 && !x.keeps_old());
    assert!(new_steps(&heron, measured("e=99.95"), 0.1).expect("steps").keeps_old());
    assert!((new_steps(&heron, measured("z=20.5/20"), 0.1).expect("steps").new_per_mm - 390.243_9).abs() < 1e-3);
    assert!(new_steps(&bittern, measured("x=99"), 0.1).is_err(), "towers");
    assert!(matches!(new_steps(&tern, measured("x=99"), 0.1), Err(TrialError::Lacks { .. })));
    for bad in ["", "x", "a=1", "x=0", "x=-1", "x=nan", "x=1e9", "x=1/0", "x=1/2/3"] {
        assert!(bad.parse::<Measured>().is_err(), "{bad}");
    }
}

mod fed_back {
    //! Combs are planned, the structure swings along, and somebody reads the marks badly.

    use super::super::marks::{Interval, Reading, ReadingError, estimate};
    use super::*;
    use crate::preflight::testing::plan;
    use std::f64::consts::TAU;

    /// A planned move.
    #[derive(Clone, Copy)]
    struct Move {
        dir: [f64; 2],
        z: f64,
        speeds: [f64; 3],
        times: [f64; 3],
        length: f64,
        extrudes: bool,
    }

    /// Crests on a wall: place along it and height, mm; and the speed there.
    struct Wall {
        speed: f64,
        rise: f64,
        length: f64,
        crests: Vec<[f64; 2]>,
    }

    /// Lets one mode swing along `axis` through the moves up to a wall, in small steps (Runge-Kutta), and finds the crests.
    fn wall(moves: &[Move], axis: usize, [hz, damping, share]: [f64; 3]) -> Wall {
        let omega = TAU * hz;
        let step = 1e-5;
        let (mut x, mut v, mut base) = (0.0_f64, 0.0_f64, 0.0_f64);
        let (last, mut along, mut seen) = (moves.len() - 1, 0.0, Vec::new());
        for (n, one) in moves.iter().enumerate() {
            // A step of the base's speed.
            v -= one.dir[axis] * one.speeds[0] - base;
            let [up, cruise, down] = one.times;
            let [start, peak, end] = one.speeds;
            for (time, from, to) in [(up, start, peak), (cruise, peak, peak), (down, peak, end)] {
                let count = (time / step).ceil();
                let h = time / count.max(1.0);
                let rate = if time > 0.0 { (to - from) / time } else { 0.0 };
                let pull = |x: f64, v: f64| -rate * one.dir[axis] - 2.0 * damping * omega * v - omega * omega * x;
                for k in 0..count as u32 {
                    let (k1x, k1v) = (v, pull(x, v));
                    let (k2x, k2v) = (v + h / 2.0 * k1v, pull(x + h / 2.0 * k1x, v + h / 2.0 * k1v));
                    let (k3x, k3v) = (v + h / 2.0 * k2v, pull(x + h / 2.0 * k2x, v + h / 2.0 * k2v));
                    let (k4x, k4v) = (v + h * k3v, pull(x + h * k3x, v + h * k3v));
                    x += h / 6.0 * (k1x + 2.0 * k2x + 2.0 * k3x + k4x);
                    v += h / 6.0 * (k1v + 2.0 * k2v + 2.0 * k3v + k4v);
                    if n == last {
                        let speed = from + rate * h * (f64::from(k) + 0.5);
                        along += speed * h;
                        seen.push([along, x * share]);
                    }
                }
            }
            base = one.dir[axis] * one.speeds[2];
        }
        let crests = seen.windows(3).filter(|w| w[1][1] > w[0][1] && w[1][1] >= w[2][1] && w[1][1] > 0.0).map(|w| w[1]);
        let one = moves[last];
        Wall {
            speed: one.speeds[1],
            rise: 0.5 * one.times[0] * (one.speeds[0] + one.speeds[1]),
            length: one.length,
            crests: crests.collect(),
        }
    }

    /// The rising walls of the top layer across `axis`.
    fn walls(machine: &Machine, axis: usize, mode: [f64; 3]) -> Vec<Wall> {
        let text = ringing(machine, &Ringing::default()).expect("a trial").text;
        let mut moves = Vec::new();
        for block in plan(machine, &text) {
            for i in 0..block.len() {
                moves.push(Move {
                    dir: [block.dir[0][i], block.dir[1][i]],
                    z: block.to[2][i],
                    speeds: [block.v_start_mm_s[i], block.v_peak_mm_s[i], block.v_end_mm_s[i]],
                    times: [block.t_up_s[i], block.t_cruise_s[i], block.t_down_s[i]],
                    length: block.length_mm[i],
                    extrudes: block.extrudes(i),
                });
            }
        }
        let top = moves.iter().filter(|one| one.extrudes).fold(0.0_f64, |top, one| top.max(one.z));
        let rises = |one: &Move| one.extrudes && one.z == top && one.length > 25.0 && one.dir[1 - axis] > 0.99;
        (4..moves.len()).filter(|&n| rises(&moves[n])).map(|n| wall(&moves[n - 3..=n], axis, mode)).collect()
    }

    /// Even numbers from -1 to 1 (a splitmix generator).
    pub(super) struct Dice(pub(super) u64);

    impl Dice {
        pub(super) fn throw(&mut self) -> f64 {
            self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
            let mut z = self.0;
            z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
            z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
            ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 52) as f64 - 1.0
        }
    }

    /// Lowest crest that is seen, mm.
    const SEEN_MM: f64 = 0.008;

    fn read(wall: &Wall, error: ReadingError, dice: &mut Dice) -> Option<Reading> {
        let steady =
            |crest: &&[f64; 2]| crest[0] > wall.rise && crest[0] < wall.length - wall.rise && crest[1] > SEEN_MM;
        let places: Vec<f64> = wall.crests.iter().filter(steady).map(|crest| crest[0]).take(6).collect();
        let (first, last) = (places.first()?, places.last()?);
        let heights = wall.crests.iter().take_while(|crest| crest[1] > SEEN_MM).take(8).map(|crest| {
            let seen = crest[1] + error.height_mm * dice.throw();
            (dice.throw() < 0.7).then_some(seen).filter(|height| *height > 0.0)
        });
        let heights_mm: Vec<Option<f64>> = heights.collect();
        let marks = places.len() as u32 - 1;
        let spacing_mm = last - first + error.spacing_mm * dice.throw();
        (marks > 0).then_some(Reading { spacing_mm, speed_mm_s: wall.speed, marks, heights_mm })
    }

    #[test]
    fn marks_read_badly_give_the_mode_back() {
        let error = ReadingError::default();
        for machine in machines().into_iter().filter(|machine| !machine.structure.modes.is_empty()) {
            for mode in &machine.structure.modes {
                let axis = usize::from(mode.along == crate::machine::Direction::Y);
                let walls = walls(&machine, axis, [mode.natural_hz, mode.damping_ratio, mode.share]);
                assert_eq!(walls.len(), 6, "{}", machine.name);
                let (mut covered, mut worst) = ([0; 2], [0.0_f64; 2]);
                let seeds = 200;
                for seed in 0..seeds {
                    let mut dice = Dice(seed);
                    let readings: Vec<Reading> = walls.iter().filter_map(|wall| read(wall, error, &mut dice)).collect();
                    let found = estimate(&readings, error).expect("tells");
                    assert!(found.left_out.iter().all(Option::is_none), "{found:?}");
                    let damping = found.damping_ratio.expect("damping");
                    let truths = [(found.natural_hz, mode.natural_hz), (damping, mode.damping_ratio)];
                    for (k, (Interval { value, low, high }, truth)) in truths.into_iter().enumerate() {
                        covered[k] += u32::from(low <= truth && truth <= high);
                        worst[k] = worst[k].max((value / truth - 1.0).abs());
                    }
                }
                let name = format!("{} {}", machine.name, mode.along.word());
                assert!(worst[0] < 0.03 && worst[1] < 0.25, "{name}: {worst:?}");
                assert!(covered.iter().all(|&count| count * 10 >= 9 * seeds as u32), "{name}: {covered:?}");
            }
        }
    }
}

mod tails_fed_back {
    //! Lines are planned, the pressure falls along their tails, and somebody reads the tails badly.

    use super::*;
    use crate::preflight::testing::plan;

    /// Speed of the head and section asked for, each a stretch of time, from the start of each line that has a tail: small
    /// steps of its own, with nothing of the model that is tested.
    fn lines(machine: &Machine, asked: &Lead) -> Vec<Vec<(f64, f64, f64)>> {
        let text = lead(machine, asked).expect("a trial").text;
        let area_mm2 = std::f64::consts::PI / 4.0 * machine.tools[asked.tool].filament_diameter_mm.powi(2);
        let mut moves = Vec::new();
        for block in plan(machine, &text) {
            for i in 0..block.len() {
                let section = if block.extrudes(i) { block.de_mm[i] * area_mm2 / block.length_mm[i] } else { 0.0 };
                let speeds = [block.v_start_mm_s[i], block.v_peak_mm_s[i], block.v_end_mm_s[i]];
                let times = [block.t_up_s[i], block.t_cruise_s[i], block.t_down_s[i]];
                moves.push((block.dir[0][i], section, speeds, times, block.length_mm[i]));
            }
        }
        let mut lines = Vec::new();
        for pair in moves.windows(2) {
            let [line, tail] = pair else { continue };
            // The filling line ends where the job lifts the nozzle or goes on along y.
            if !(line.0 > 0.999 && line.1 > 0.0 && line.4 > 30.0 && tail.0 > 0.999 && tail.1 == 0.0) {
                continue;
            }
            assert!((line.2[2] - line.2[1]).abs() < 1e-9, "the head keeps its speed where the pushing stops: {line:?}");
            let mut steps = Vec::new();
            for (_, section, [start, peak, end], times, _) in pair.iter().copied() {
                for (seconds, from, to) in [(times[0], start, peak), (times[1], peak, peak), (times[2], peak, end)] {
                    let count = (seconds / 1e-4).ceil();
                    for k in 0..count as u32 {
                        let speed = from + (to - from) * (f64::from(k) + 0.5) / count;
                        steps.push((seconds / count, speed, section));
                    }
                }
            }
            lines.push(steps);
        }
        lines
    }

    /// How far behind the stop the line still has that section, mm.
    fn tail_mm(line: &[(f64, f64, f64)], lag_s: f64, tears_mm2: f64) -> f64 {
        let (mut out, mut along) = (0.0, 0.0);
        for &(seconds, speed, section) in line {
            // Backward steps of the differential equation.
            out = (out + seconds / lag_s * section * speed) / (1.0 + seconds / lag_s);
            if section == 0.0 {
                if out / speed < tears_mm2 {
                    break;
                }
                along += speed * seconds;
            }
        }
        along
    }

    #[test]
    fn tails_read_badly_give_the_lag_back() {
        let [heron, wren, bittern, tern] = <[Machine; 4]>::try_from(machines()).expect("four");
        assert!(matches!(lead(&tern, &Lead::default()), Err(TrialError::Asked(_))));
        for (machine, lag_s, reading_mm) in
            [(&heron, 0.06, 0.3), (&heron, 0.12, 0.3), (&wren, 0.04, 0.2), (&bittern, 0.08, 0.3)]
        {
            let asked = Lead::default();
            let (lines, tails) = (lines(machine, &asked), Tails::of(machine, &asked).expect("a trial"));
            assert_eq!(lines.len(), TAILS, "{}", machine.name);
            // What tears and how the reader sees its end differ a little from line to line.
            let (mut held, mut wide, mut worst) = (0, 0.0, 0.0_f64);
            for seed in 0..300 {
                let mut dice = super::fed_back::Dice(seed);
                let lengths: Vec<Option<f64>> = lines
                    .iter()
                    .map(|line| {
                        let tears_mm2 = 0.012 * (0.1 * dice.throw()).exp();
                        Some(tail_mm(line, lag_s, tears_mm2) + reading_mm * dice.throw())
                    })
                    .collect();
                let found = measured_lag(&tails, &lengths, reading_mm).expect("tells");
                held += u32::from((found.low_s..=found.high_s).contains(&lag_s));
                wide += (found.high_s - found.low_s) / lag_s / 300.0;
                worst = worst.max((found.lag_s / lag_s - 1.0).abs());
            }
            assert!(held >= 264, "{}: {held} of 300", machine.name);
            assert!(
                worst < 0.4 && wide < 0.5,
                "{}: {worst}, an interval of {wide} of the lag says little",
                machine.name
            );
        }
    }

    #[test]
    fn what_is_no_tail_is_said() {
        let heron = machines().swap_remove(0);
        let tails = Tails::of(&heron, &Lead::default()).expect("a trial");
        assert!(read_tails("1,2,3").is_err() && read_tails("x").is_err() && read_tails("").is_err());
        let flat: Vec<Option<f64>> = vec![Some(3.0); TAILS];
        assert_eq!(measured_lag(&tails, &flat, 0.3), Err(TailsError::Flat));
        let few: Vec<Option<f64>> = (0..TAILS).map(|n| (n < 4).then_some(n as f64)).collect();
        assert!(matches!(measured_lag(&tails, &few, 0.3), Err(TailsError::Given(_))));
        for layer_mm in [0.01, f64::NAN, 5.0] {
            assert!(Tails::of(&heron, &Lead { layer_mm: Some(layer_mm), ..Lead::default() }).is_err(), "{layer_mm}");
        }
        // Lengths without any error give the lag to the digit, whatever is added to all of them.
        let exact: Vec<Option<f64>> =
            tails.sections_mm2.iter().map(|mm2| Some(40.0 + tails.speed_mm_s * 0.0625 * mm2.ln())).collect();
        let found = measured_lag(&tails, &exact, 0.3).expect("tells");
        assert!((found.lag_s - 0.0625).abs() < 1e-12 && found.scatter_mm < 1e-9, "{found:?}");
    }
}

mod wrong_machines {
    //! Somebody stands beside machines whose axes run the wrong way or too far, and stops when what was announced is not
    //! what is seen. The machine here reads the job on its own, with nothing of this crate's reading.

    use super::*;

    /// What may be wrong with an axis: how far it goes for each mm (negative: the wrong way).
    const WRONGS: [f64; 10] = [0.25, 0.5, 0.8, 1.0, 1.25, 2.0, 4.0, -0.25, -1.0, -4.0];

    /// What became of a job.
    #[derive(Debug, PartialEq)]
    enum End {
        Done,
        /// The person stopped at this line.
        Stopped(usize),
    }

    /// A move or a homing that the display announced.
    #[derive(Debug, Clone, PartialEq)]
    enum Said {
        Move { axis: usize, by_mm: f64 },
        Home,
        Other,
    }

    /// Columns of the display.
    const COLUMNS: usize = 20;

    /// Reads a display as a person does: "x LEFT 3 mm (12)", as far as it fits.
    fn said(display: &str) -> Said {
        let words: Vec<&str> = display.split(' ').collect();
        let Some((first, words)) = words.split_first() else { return Said::Other };
        if *first == "HOME" {
            return Said::Home;
        }
        let ways = [("x", "RIGHT", 1.0), ("x", "LEFT", -1.0), ("y", "REAR", 1.0), ("y", "FRONT", -1.0)];
        let ways = ways.into_iter().chain([("z", "FROM BED", 1.0), ("z", "TO BED", -1.0)]);
        let words = words.join(" ");
        for (axis, way, sign) in ways {
            let mm = words.strip_prefix(way).and_then(|rest| rest.trim_start().split(' ').next());
            if let (true, Some(Ok(mm))) = (*first == axis, mm.map(str::parse::<f64>)) {
                let axis = ["x", "y", "z"].iter().position(|known| *known == axis).expect("an axis");
                return Said::Move { axis, by_mm: sign * mm };
            }
        }
        Said::Other
    }

    struct Real<'m> {
        machine: &'m Machine,
        wrong: [f64; 3],
        /// Where the axes really are, and where the controller takes them to be, mm.
        at: [f64; 3],
        believed: [f64; 3],
        absolute: bool,
        display: String,
        /// Moves are under way: the display shows the next thing at once, moves take their time.
        moving: bool,
        /// What was announced and waited for and has not been done yet.
        due: Option<Said>,
        /// What the person saw since the last stop, by axis, and what was announced for that.
        seen: [f64; 3],
        expected: [f64; 3],
    }

    impl Real<'_> {
        /// Where an axis may be: in its travel, or as far as its end stop.
        fn in_travel(&self) -> bool {
            let travel = &self.machine.travel;
            (0..3).all(|axis| {
                let (low, high) = (travel.min[axis].min(travel.home[axis]), travel.max[axis].max(travel.home[axis]));
                low - 1e-6 <= self.at[axis] && self.at[axis] <= high + 1e-6
            })
        }

        /// Within a box that nothing may enter.
        fn in_a_box(&self) -> bool {
            let inside = |one: &crate::machine::KeepOut| {
                (0..2).all(|axis| one.min[axis] < self.at[axis] && self.at[axis] < one.max[axis])
                    && self.at[2] < one.max[2]
            };
            self.machine.travel.keep_out.iter().any(inside)
        }

        /// On three towers a carriage stands by the height of its arm above the nozzle; none may pass its place at home.
        /// Towers at 90, 210 and 330 degrees.
        fn carriages_fit(&self) -> bool {
            let crate::machine::DriveLayout::ThreeTowers { arms_mm: Some((arm, radius)) } =
                self.machine.motion.drive_layout
            else {
                return true;
            };
            let carriage = |[x, y, z]: [f64; 3], degrees: f64| {
                let (sin, cos) = degrees.to_radians().sin_cos();
                let (dx, dy) = (radius * cos - x, radius * sin - y);
                z + (arm * arm - dx * dx - dy * dy).sqrt()
            };
            let home = self.machine.travel.home;
            [90.0, 210.0, 330.0].into_iter().all(|at| carriage(self.at, at) <= carriage(home, at) + 1e-6)
        }

        /// A person sees a millimetre, and a tenth of a longer way.
        fn content(&self) -> bool {
            (0..3).all(|axis| {
                let expected = self.expected[axis];
                (self.seen[axis] - expected).abs() <= (expected.abs() / 10.0).max(1.0) + 1e-9
                    && self.seen[axis] * expected >= 0.0
            })
        }

        fn stop(&mut self) -> bool {
            let content = self.content();
            (self.seen, self.expected) = ([0.0; 3], [0.0; 3]);
            let said = said(&self.display);
            if let Said::Move { axis, by_mm } = said {
                self.expected[axis] = by_mm;
            }
            self.due = Some(said);
            content
        }

        fn line(&mut self, line: &str) -> Result<bool, String> {
            let mut words = line.split(' ');
            let command = words.next().unwrap_or_default();
            let mut given = [None; 3];
            for word in words.clone() {
                if let Some(axis) = ["X", "Y", "Z"].iter().position(|letter| word.starts_with(letter)) {
                    given[axis] = Some(word[1..].parse::<f64>().ok());
                }
            }
            match command {
                "G90" => self.absolute = true,
                "G91" => self.absolute = false,
                "M400" => self.moving = false,
                "M117" if self.moving => return Err("the next thing is shown while the last still runs".to_owned()),
                "M117" => self.display = line[5..].chars().take(COLUMNS).collect(),
                "M0" => return Ok(self.stop()),
                "G92" => {
                    for axis in 0..3 {
                        if let Some(Some(value)) = given[axis] {
                            self.believed[axis] = value;
                        }
                    }
                }
                "G28" => self.home(given)?,
                "G0" | "G1" => self.go(given)?,
                _ => {}
            }
            Ok(true)
        }

        fn home(&mut self, given: [Option<Option<f64>>; 3]) -> Result<(), String> {
            if self.due.take() != Some(Said::Home) {
                return Err(format!("homes without a word; the display shows {:?}", self.display));
            }
            let all = given == [None; 3];
            for axis in (0..3).filter(|&axis| all || given[axis].is_some()) {
                if self.wrong[axis] < 0.0 {
                    return Err(format!("{axis} homes the wrong way and does not stop"));
                }
                let home = self.machine.travel.home[axis];
                if axis == 2 && home < self.at[2] && !self.display.contains("TO BED") {
                    return Err("homes toward the bed without saying so".to_owned());
                }
                let goes_mm = self.machine.travel.homes_z_at_mm.filter(|_| axis == 2);
                if goes_mm.is_some_and(|to| (0..2).any(|axis| (self.at[axis] - to[axis]).abs() > 0.01)) {
                    return Err(format!("goes to {goes_mm:?} by itself from {:?}", self.at));
                }
                if axis == 2
                    && let Some(probe) = self.machine.probe_offset_mm
                {
                    let travel = &self.machine.travel;
                    let over = |axis: usize| self.at[axis] + probe[axis];
                    let on_bed = (0..2).all(|axis| travel.min[axis] <= over(axis) && over(axis) <= travel.max[axis]);
                    let boxes = &travel.keep_out;
                    let on_a_box = boxes.iter().any(|one| (0..2).all(|k| one.min[k] < over(k) && over(k) < one.max[k]));
                    if !on_bed || on_a_box {
                        return Err(format!("the probe is not over the bed at {:?}", self.at));
                    }
                }
                (self.at[axis], self.believed[axis]) = (home, home);
            }
            Ok(())
        }

        fn go(&mut self, given: [Option<Option<f64>>; 3]) -> Result<(), String> {
            for axis in 0..3 {
                let Some(Some(value)) = given[axis] else { continue };
                let by_mm = if self.absolute { value - self.believed[axis] } else { value };
                match self.due.take() {
                    Some(Said::Move { axis: told, by_mm: told_mm })
                        if told == axis && (told_mm - by_mm).abs() < 0.06 => {}
                    due => return Err(format!("{axis} moves by {by_mm} mm, announced was {due:?}")),
                }
                self.believed[axis] += by_mm;
                self.at[axis] += by_mm * self.wrong[axis];
                self.seen[axis] += by_mm * self.wrong[axis];
                self.moving = true;
                if self.in_a_box() {
                    return Err(format!("runs into what is fixed on the bed: {:?}", self.at));
                }
                if !self.in_travel() || !self.carriages_fit() {
                    return Err(format!("leaves the travel: {:?}", self.at));
                }
            }
            Ok(())
        }
    }

    /// Lets the job run on a machine that is wrong like this, the nozzle at `at`.
    fn run(machine: &Machine, text: &str, wrong: [f64; 3], at: [f64; 3]) -> Result<End, String> {
        let zero = [0.0; 3];
        let mut real = Real {
            machine,
            wrong,
            at,
            believed: zero,
            absolute: true,
            display: String::new(),
            moving: false,
            due: None,
            seen: zero,
            expected: zero,
        };
        for (n, line) in (1..).zip(text.lines()).filter(|(_, line)| !line.starts_with(';')) {
            if !real.line(line).map_err(|what| format!("line {n}, {line}: {what}"))? {
                return Ok(End::Stopped(n));
            }
        }
        Ok(if real.content() { End::Done } else { End::Stopped(0) })
    }

    /// Axes that may be wrong so: each alone, and all; the motors of three towers share their steps.
    fn cases(machine: &Machine, wrong: f64) -> Vec<[f64; 3]> {
        let alone = |axis: usize| [0, 1, 2].map(|n| if n == axis { wrong } else { 1.0 });
        let axes = if machine.is_three_towers() { 0..0 } else { 0..3 };
        axes.map(alone).chain([[wrong; 3]]).collect()
    }

    /// The corpus, and machines with their zero in the middle, that home at the top, with a probe far from the nozzle.
    fn machines_to_try() -> Vec<Machine> {
        let mut all = machines();
        let heron = all[0].clone();
        let named = |name: &str, change: &dyn Fn(&mut Machine)| {
            let mut machine = heron.clone();
            machine.name = name.to_owned();
            change(&mut machine);
            machine
        };
        all.push(named("centre origin", &|machine| {
            machine.travel.keep_out.clear();
            (machine.travel.min, machine.travel.max) = ([-110.0, -110.0, 0.0], [110.0, 110.0, 250.0]);
            machine.travel.home = [-110.0, -110.0, 0.0];
        }));
        all.push(named("home in the middle", &|machine| {
            machine.travel.keep_out.clear();
            (machine.travel.min, machine.travel.max) = ([-110.0, -110.0, 0.0], [110.0, 110.0, 250.0]);
            machine.travel.home = [0.0, 0.0, 0.0];
        }));
        all.push(named("home at the top", &|machine| machine.travel.home[2] = 250.0));
        all.push(named("z homed elsewhere", &|machine| machine.travel.homes_z_at_mm = Some([150.0, 40.0])));
        all.push(named("probe, z homed elsewhere", &|machine| {
            machine.probe_offset_mm = Some([-44.0, -9.0, -1.0]);
            machine.travel.homes_z_at_mm = Some([150.0, 40.0]);
        }));
        all.push(named("probe", &|machine| machine.probe_offset_mm = Some([-44.0, -9.0, -1.0])));
        let box_at = |min: [f64; 3], max: [f64; 3]| crate::machine::KeepOut { what: "box".to_owned(), min, max };
        all.push(named("probe over a box", &|machine| {
            machine.probe_offset_mm = Some([-44.0, -9.0, -1.0]);
            machine.travel.keep_out.push(box_at([105.0, 105.0, 0.0], [115.0, 115.0, 12.0]));
        }));
        all.push(named("a clip at home", &|machine| machine.travel.keep_out[0].max[2] = 15.0));
        all.push(named("clips across the front, probe", &|machine| {
            machine.probe_offset_mm = Some([-24.0, 15.0, -1.0]);
            machine.travel.keep_out = vec![box_at([0.0, 0.0, 0.0], [220.0, 12.0, 6.0])];
        }));
        all.push(named("a tall corner", &|machine| {
            machine.travel.keep_out.push(box_at([200.0, 200.0, 0.0], [220.0, 220.0, 140.0]));
        }));
        all.push(named("small, probe", &|machine| {
            machine.travel.keep_out.clear();
            machine.travel.max = [120.0, 120.0, 100.0];
            machine.probe_offset_mm = Some([-44.0, -9.0, -1.0]);
        }));
        all
    }

    #[test]
    fn first_power_leaves_the_travel_on_no_machine_before_the_person_has_seen_it_coming() {
        for machine in machines_to_try() {
            let trial = first_power(&machine, &FirstPower::default());
            let text = trial.unwrap_or_else(|error| panic!("{}: {error}", machine.name)).text;
            let at = super::super::place::by_hand(&machine).expect("a place");
            assert_eq!(run(&machine, &text, [1.0; 3], at), Ok(End::Done), "{}", machine.name);
            for wrong in WRONGS {
                for case in cases(&machine, wrong) {
                    let end = run(&machine, &text, case, at);
                    // A quarter more or less over a few millimetres is not seen; it does no harm.
                    let seen = matches!(end, Ok(End::Stopped(_)));
                    let seen = seen == (wrong != 1.0) || (0.7..1.3).contains(&wrong) && end == Ok(End::Done);
                    assert!(seen, "{} with {case:?}: {end:?}", machine.name);
                }
            }
        }
    }

    #[test]
    fn steps_leave_the_travel_on_no_machine_whose_axes_go_the_right_way() {
        for machine in machines_to_try() {
            let trial = steps(&machine, &Steps::default());
            let text = trial.unwrap_or_else(|error| panic!("{}: {error}", machine.name)).text;
            // A person answers no to the first question where first-power has not shown that all axes go the right way.
            let asked: Vec<&str> = text.lines().filter(|line| line.starts_with("M117")).take(3).collect();
            assert_eq!(asked, ["M117 WAITS? If not: OFF", "M117 Did not wait? OFF", "M117 first-power done?"]);
            let middle = super::super::place::by_hand(&machine).expect("a place");
            assert_eq!(run(&machine, &text, [1.0; 3], middle), Ok(End::Done), "{}", machine.name);
            for wrong in WRONGS.into_iter().filter(|wrong| *wrong > 0.0 && *wrong != 1.0) {
                for case in cases(&machine, wrong) {
                    let end = run(&machine, &text, case, middle);
                    assert!(matches!(end, Ok(End::Stopped(_))), "{} with {case:?}: {end:?}", machine.name);
                }
            }
        }
    }

    #[test]
    fn the_test_itself_sees_what_is_not_announced() {
        let heron = &machines_to_try()[0];
        let ask = |words: &str| format!("M400\nM117 {words}\nM0\n");
        let start = [110.0, 110.0, 30.0];
        let all = ask("HOME all, z TO BED") + "G28\n";
        let failed = |job: &str, wrong: f64, why: &str| {
            let end = run(heron, job, [wrong, 1.0, 1.0], start);
            assert!(end.as_ref().is_err_and(|what| what.contains(why)), "{end:?}: {why}");
        };
        failed(&(all.clone() + "G1 X160\n"), 1.0, "announced was");
        failed(&(ask("HOME all") + "G28\n"), 1.0, "without saying");
        let far = all.clone() + &ask("x RIGHT 163 mm") + "G1 X160\n";
        failed(&far, 2.0, "leaves the travel");
        failed(&far, -1.0, "wrong way");
        failed(&(all.clone() + &ask("x RIGHT 23 mm") + "G1 X20\nM117 y REAR 3 mm\n"), 1.0, "still runs");
        failed(&(all + &ask("x RIGHT 8 mm") + "G1 X5\n" + &ask("y REAR 10 mm") + "G1 Y5\n"), 1.0, "fixed on the bed");
    }
}

#[test]
fn hot_trials_open_with_a_question_and_show_their_steps() {
    for machine in machines() {
        for (name, trial) in
            trials(&machine).into_iter().filter(|(name, _)| name.starts_with("melt") || name.starts_with("ring"))
        {
            let text = trial.expect("a trial").text;
            let lines: Vec<&str> = text.lines().filter(|line| !line.starts_with(';')).collect();
            let acts =
                |line: &&str| ["G0", "G1", "G28", "M104", "M109", "M140", "M190"].iter().any(|c| line.starts_with(c));
            let first = lines.iter().position(acts).expect("acts");
            let asked = lines[..first].iter().position(|line| *line == "M117 first-power done?");
            let asked = asked.unwrap_or_else(|| panic!("{name} on {}: {text}", machine.name));
            assert_eq!(lines[asked + 1..asked + 5], ["M0", "M400", "M117 steps done?", "M0"], "{name}");
            let shown = lines.iter().filter(|line| line.starts_with("M117 Step ")).count();
            assert_eq!(shown, if name.starts_with("melt") { 8 } else { 0 }, "{name}");
        }
    }
}

#[test]
fn what_is_to_be_entered_keeps_the_other_number_of_the_sheet() {
    let [heron, .., tern] = <[Machine; 4]>::try_from(machines()).expect("four");
    let told = |machine: &Machine, bursts| {
        let told = melt_rate(machine, &MeltRate { bursts, ..MeltRate::default() }).expect("a trial").told;
        let by_heat = told.last().is_some_and(|last| last.contains("\n  [[tool.melt_rate_at]]\n  nozzle_c = "));
        // Nothing tells a sustained rate on Tern's bursts.
        assert_eq!(by_heat, !told.concat().contains("[tool.melt_rate_mm3_s]\n  peak"), "{told:?}");
        told.iter().rfind(|lines| lines.starts_with("  [tool.")).cloned().unwrap_or_default()
    };
    // With its table, which TOML tells lines apart by.
    assert!(told(&heron, false).starts_with("  [tool.melt_rate_mm3_s]\n  sustained = "), "{}", told(&heron, false));
    assert!(told(&heron, false).ends_with("\n  peak = 12"), "{}", told(&heron, false));
    assert!(told(&heron, true).contains("]\n  sustained = 8\n  peak = "), "{}", told(&heron, true));
    assert!(told(&heron, true).ends_with("    # measured"), "{}", told(&heron, true));
    assert!(!told(&tern, true).contains("sustained"), "{}", told(&tern, true));
}

#[test]
fn what_is_to_be_entered_is_told_with_its_table_and_line() {
    let heron = machines().swap_remove(0);
    let line = |path: &str| {
        let origin = heron.origins.iter().find(|origin| origin.path == path).expect("a key");
        assert!(origin.from.starts_with("line "), "{}", origin.from);
        origin.from.clone()
    };
    let told = melt_rate(&heron, &MeltRate::default()).expect("a trial").told.concat();
    let now =
        ["sustained", "peak"].map(|name| format!("{name} in {}", line(&format!("tool[0].melt_rate_mm3_s.{name}"))));
    assert!(told.contains("the table [tool.melt_rate_mm3_s] under the [[tool]] of tool 0"), "{told}");
    assert!(told.contains(&format!(" It has {} now: change that.", now.join(", "))), "{told}");
    let x = new_steps(&heron, "x=99.2".parse().expect("reads"), 0.1).expect("known");
    assert_eq!(x.sheet_line.as_deref(), Some(&*line("controller.steps_per_mm.x")));
}

#[test]
fn ringing_is_judged_by_a_limit_which_is_told_where_the_sheet_lacks_it() {
    let mut heron = machines().swap_remove(0);
    for limit in [Some(0.05), None] {
        heron.structure.ringing_limit_mm = limit;
        let told = ringing(&heron, &Ringing::default()).expect("a trial").told.concat();
        assert!(told.contains("as a table [[structure]] for the sheet"), "{told}");
        assert_eq!(told.contains("[structure_limits]"), limit.is_none(), "{told}");
    }
}

#[test]
fn a_trial_waits_in_the_way_the_controller_knows() {
    let mut heron = machines().swap_remove(0);
    for (pause, line) in [(Some("M226"), "M226"), (None, "G4 P90000")] {
        heron.controller.pause = pause.map(str::to_owned);
        for trial in [first_power(&heron, &FirstPower::default()), steps(&heron, &Steps::default())] {
            let trial = trial.expect("a trial");
            let lines: Vec<&str> = trial.text.lines().collect();
            assert!(!lines.contains(&"M0"), "{}", trial.text);
            assert!(lines.iter().filter(|own| **own == line).count() > 10, "{}", trial.text);
            assert!(!trial.told.concat().contains("(M0)"), "{:?}", trial.told);
        }
    }
}
