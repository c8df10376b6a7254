//! Faults that were found once, each with its reason.

use gonogo::machine::{Heating, Machine};
use gonogo::preflight::{JobError, JobSource, Preflight, RunOptions};
use gonogo::show::report::{
    Look, Report,
    text::{Extent, TextReport},
};

use crate::support::{close, column, corpus_machine, free_machine, judge, judge_sized, plan};

/// A limit change between two moves of one block made the planner look up the arcs of the second part while it derived
/// the first: it read past the end of the columns. Found by the slow planner on random jobs.
#[test]
fn a_limit_change_before_an_arc() {
    let mut machine = free_machine();
    machine.motion.limits.jerk_mm_s = [1e9; 4];
    let job = "G1 X10 F60000\nM204 S500\nG2 X20 I5 J0\nM204 S2000\nG1 X30\nG3 X40 I5\n";
    let accel = column(&plan(&machine, job), |b| &b.accel_mm_s2);
    assert_eq!(accel, [1000.0, 500.0, 2000.0, 2000.0], "each under the limits in force where it stands");
    close(judge(&machine, job).path_mm.total(), 20.0 + 10.0 * std::f64::consts::PI, 1e-9);
}

/// Speeds and limits near zero made times too large for their sums, which then overflowed. Found by random words.
#[test]
fn speeds_and_limits_near_zero() {
    let tiny = format!("0.{}1", "0".repeat(200));
    for words in
        [format!("G1 X1 E1 F{tiny}"), format!("M203 X{tiny}\nG1 X1"), format!("M201 E{tiny}\nM204 S{tiny}\nG1 E1 X1")]
    {
        let job = format!("{words}\nM83\nG91\nG1 X1 E1\nG1 X2 E5\n");
        let answer = Preflight::on(&free_machine()).run(JobSource::stream(job.as_bytes(), "slow.gcode"));
        assert!(matches!(answer, Err(JobError::TooLong { .. })), "{words}");
    }
}

/// `G10 L2` with a frame number below 1 was taken for frame −1. Found by random words.
#[test]
fn work_offsets_of_no_frame() {
    let report = judge(&free_machine(), "G10 L2 P0.5 X100\nG10 L2 P-1 X100\nG10 L20 P7 X100\nG1 X5 F600\n");
    assert_eq!(report.reached.map(|reached| reached.max), Some([5.0, 0.0, 0.0]));
}

/// A filament of almost no diameter gave infinite lengths under M200. Found by random words.
#[test]
fn a_filament_of_no_diameter() {
    let report = judge(&free_machine(), &format!("M200 D0.{}1\nG1 X5 E1 F600\n", "0".repeat(200)));
    close(report.filament.net_mm, 1.0, 1e-9);
    assert!(report.findings.iter().any(|finding| finding.check == "malformed-word"));
}

/// Temperatures were carried from block to block by one exponential each, so their last bits depended on the block size.
/// Found by [`crate::properties`].
#[test]
fn a_cooling_nozzle_under_any_block_size() {
    let mut machine = free_machine();
    machine.tools[0].heating = Some(Heating { time_constant_s: 37.0, full_power_c: 290.0 });
    machine.tools[0].extrude_min_c = Some(202.0);
    let job = format!("M109 S205\nM104 S150\nM83\nG91\n{}", "G1 X1.7 E0.05 F900\n".repeat(50));
    let temperature = |block_moves| {
        let sizes = RunOptions { block_moves, ..RunOptions::default() };
        let report = judge_sized(&machine, job.as_bytes(), &sizes);
        let cold = report.findings.into_iter().find(|finding| finding.check == "extrudes-cold");
        cold.and_then(|finding| finding.value).expect("it is pushed cold")
    };
    assert_eq!([1, 2, 7].map(temperature), [temperature(256); 3]);
}

/// With a chunk of a few bytes the lines that late findings point at were gone, and their excerpts with them.
#[test]
fn excerpts_under_any_chunk_size() {
    let mut machine = free_machine();
    machine.travel.max = [100.0; 3];
    let job = format!("G28\nG1 X150 F600\nG1 X20\n{}", "G1 X30\nG1 X20\n".repeat(300));
    for chunk_bytes in [1, 100, 1 << 20] {
        let report = judge_sized(&machine, job.as_bytes(), &RunOptions { chunk_bytes, ..RunOptions::default() });
        let shown: Vec<_> =
            report.findings.iter().flat_map(|finding| &finding.excerpts).map(|excerpt| excerpt.line).collect();
        assert!(shown.contains(&2), "{chunk_bytes}: {shown:?}");
    }
}

fn raised(job: &str) -> Vec<String> {
    judge(&free_machine(), job).findings.into_iter().map(|finding| finding.check.into_owned()).collect()
}

/// A comment without newline behind a complete last move was taken for a job cut off in the middle of that move.
#[test]
fn a_last_comment_without_newline_is_no_cut() {
    assert!(!raised("G28\nG1 X5 F600\n; the end").iter().any(|id| id == "truncated-job"));
    assert!(raised("G28\nG1 X5 F600").iter().any(|id| id == "truncated-job"));
    assert!(raised("G28\nG1 X5 F600 ; the e").iter().any(|id| id == "truncated-job"));
}

/// A bed left warm after the nozzle was switched off, with a parking move at the end, was taken for a job cut off.
#[test]
fn a_bed_left_warm_is_no_cut() {
    let start = "G28\nM140 S60\nM104 S200\nG1 X5 F600\n";
    assert!(raised(start).iter().any(|id| id == "truncated-job"));
    assert!(!raised(&format!("{start}M104 S0\nG1 Y5\n")).iter().any(|id| id == "truncated-job"));
    assert!(raised(&format!("M104 S0\n{start}")).iter().any(|id| id == "truncated-job"), "it was off before");
}

/// Layers 0.04 mm high were merged where their heights are not exact in binary.
#[test]
fn layers_of_0_04_mm() {
    let layer = |n: u32| format!("G1 Z{:.2} F600\nG1 X{} E0.3\n", 0.2 + 0.04 * f64::from(n), 10 * (n % 2));
    let job = (0..11).fold("M83\nG1 X5 F600\n".to_owned(), |job, n| job + &layer(n));
    assert_eq!(judge(&free_machine(), &job).layers_total, 11);
}

/// A nozzle without a heating law was taken for 0 °C once it was off, colder than the room.
#[test]
fn a_nozzle_without_a_law_is_as_warm_as_the_room() {
    let mut machine = free_machine();
    machine.tools[0].heating = None;
    machine.tools[0].extrude_min_c = Some(machine.ambient_c - 5.0);
    let report = judge(&machine, "G28\nM104 S200\nG1 X5 E1 F600\nM104 S0\nG1 X9 E2\nM84\n");
    assert!(report.findings.iter().all(|finding| finding.check != "extrudes-cold"), "{:?}", report.findings);
}

/// A cubic a thousand kilometres long was cut into chords fine enough for a bed, for a tenth of a second each.
#[test]
fn huge_cubics_take_few_chords() {
    use gonogo::geometry::{Cubic, Curve, flatten};
    let points = [[0.0, 0.0], [1e12, 1e5], [6.0, 1e5], [1.0, 1.0]];
    let mut chords = 0;
    flatten(&Curve::Cubic(Cubic { points }), [0.0; 3], [1.0, 1.0, 0.0], 1e-6, |_, _| chords += 1);
    assert!(chords < 100_000, "{chords}");
}

/// G11 took back a lift that homing had already undone, and went below 0.
#[test]
fn homing_undoes_the_lift_of_a_retraction() {
    let job = "G28\nM207 S1 F1800 Z0.4\nG1 X5 F600\nG10\nG28\nG11\nG1 Z1\n";
    let reached = judge(&free_machine(), job).reached.unwrap();
    assert_eq!((reached.min[2], reached.max[2]), (0.0, 1.0));
}

/// A pause with a time of its own was counted among those that wait for a person and told to count 0 s, though its time
/// was in the dwells.
#[test]
fn a_timed_pause_waits_for_nobody() {
    let report = judge(&free_machine(), "M0 S30\nM0\nM600\nG1 X5 F600\n");
    assert_eq!((report.pauses, report.time_s.dwell), (2, 30.0));
    assert!(
        report.left_out.iter().any(|left| left == "2 pauses that wait for a person count 0 s"),
        "{:?}",
        report.left_out
    );
}

/// A curve of a hundred thousand kilometres hung for ever on machines with modes: an accuracy was asked for that no f64 has
/// at that length. Found by structured fuzzing.
#[test]
fn a_curve_of_any_size_ends_soon() {
    let machine = Machine::load(std::path::Path::new("corpus/machines/heron.toml")).expect("a corpus sheet");
    for (size, is_followed) in [("100000000000", false), ("1000000", false), ("99000", true)] {
        let job =
            format!("G28\nG1 X10 Y10 F3000\nG5 X20 Y20 I{size} J0 P0 Q{size}\nG2 I{size} J0\nG1 X{size}\nG1 X5\n");
        let report = judge(&machine, &job);
        let refused =
            report.findings.iter().filter(|found| found.message.contains("beyond 100 m")).map(|found| found.count);
        assert_eq!(refused.sum::<u64>(), if is_followed { 0 } else { 3 }, "{size}");
    }
}

/// A hundred years of dwells ran over the clock of the shaper, over the spectrum's windows and over sums of histograms.
/// Found by structured fuzzing.
#[test]
fn jobs_longer_than_any_print_are_not_judged() {
    let machine = Machine::load(std::path::Path::new("corpus/machines/bittern.toml")).expect("a corpus sheet");
    let line = |job: &str| match Preflight::on(&machine).run(JobSource::stream(job.as_bytes(), "long.gcode")) {
        Err(JobError::TooLong { line, .. }) => Some(line),
        Ok(report) => {
            assert!(report.time_s.total() < 2_097_153.0);
            None
        }
        Err(error) => panic!("{error}"),
    };
    assert_eq!(line("G28\nG4 S131072\nG1 X5 F600\n"), None);
    assert_eq!(line("G28\nG4 S131073\nG1 X5 F600\n"), Some(2));
    assert_eq!(line(&format!("G28\n{}G1 X5 F600\n", "G4 S100000\n".repeat(20))), None);
    assert_eq!(line(&format!("G28\n{}G1 X5 F600\n", "G4 S100000\n".repeat(21))), Some(22));
    assert_eq!(line("G28\nG1 X5 F600\nG1 X20 F0.006\nG1 X5 F600\n"), Some(3));
}

/// Keep-outs and printed extents were judged at the place of the machine, which is that of tool 0's tip: with tool 1 a tip
/// that entered a clip was a go, and one that cleared it a no-go.
#[test]
fn the_tip_in_use_stays_out_of_keep_outs() {
    use gonogo::machine::KeepOut;
    let mut machine = free_machine();
    machine.tools.push(machine.tools[0].clone());
    machine.tools[1].offset_mm = [20.0, 0.0, -0.1];
    machine.travel.keep_out = vec![KeepOut { what: "clip".to_owned(), min: [95.0, 0.0, 0.0], max: [105.0, 10.0, 6.0] }];
    let entered = |tool: &str, x: f64| {
        let job = format!("G28\nM83\nG1 X{x} Y50 Z1 F6000\n{tool}\nG1 X{x} Y50 Z1\nG1 Y5 E1\nG1 Y50 E1\n");
        let report = judge(&machine, &job);
        let laid = report.extruding.expect("it extrudes");
        assert_eq!((laid.min, laid.max), ([x, 5.0, 1.0], [x, 50.0, 1.0]), "{tool}");
        report.findings.iter().any(|finding| finding.check == "inside-keep-out")
    };
    // x 80 puts the machine at 60 with tool 1, x 115 at 95 and x 120 at 100: the tip is where the job says.
    assert_eq!(["T0", "T1"].map(|tool| entered(tool, 100.0)), [true, true]);
    assert_eq!(["T0", "T1"].map(|tool| entered(tool, 120.0)), [false, false]);
    let offset_in_job = "T0\nM218 T0 X20 Y0 Z0";
    assert_eq!([100.0, 120.0].map(|x| entered(offset_in_job, x)), [true, false]);
}

/// Found by a reader with fresh eyes on hand-written jobs: false alarms and misses of the same kind.
#[test]
fn jobs_that_printers_run_every_day() {
    let machine =
        |name: &str| Machine::load(std::path::Path::new(&format!("corpus/machines/{name}.toml"))).expect("a sheet");
    let (siskin, heron) = (machine("siskin"), machine("heron"));
    let found = |machine: &Machine, lines: &str| -> Vec<String> {
        let start = "G21\nG90\nM83\nM109 S200\nG28\nG1 Z10 F400\nG1 X20 Y20 F3000\nG1 Z0.3 F400\n";
        let report = judge(machine, &format!("{start}{lines}G1 X60 E1.5 F1200\nM104 S0\nM84\n"));
        report.findings.iter().map(|finding| format!("{} {}", finding.severity, finding.check)).collect()
    };
    // A number of a command ends at a blank: what follows M117 and M0 is text.
    for line in ["M117 100% done", "M117 12/230", "M118 3 layers", "T-1", "M665", "M593", "M486 T[x]", "M73.2 P5"] {
        assert_eq!(found(&siskin, &format!("{line}\n")), Vec::<String>::new(), "{line}");
    }
    assert_eq!(judge(&siskin, "M0 84\nM0 4 nuts\nM1 S5 P G28\n").pauses, 2);
    // One nozzle, several filaments: the heat is that of the first tool.
    assert_eq!(found(&siskin, "T2\n"), ["hold tool-not-described"]);
    // Under "all" a second command without words is carried out.
    assert!(found(&siskin, "G1 X30 E1 F900\nM107 M84\n").contains(&"hold motors-off-then-moves".to_owned()));
    // Arguments of macros that are no temperatures.
    let called = |line: &str| found(&heron, &format!("{line}\nG1 Z10 F400\nG1 X20 Y20 F3000\nG1 Z0.3 F400\n"));
    assert_eq!(called("BEGIN_WARM NOZZLE=[x] BED=0"), ["no-go placeholder-unfilled"]);
    assert_eq!(called("BEGIN_WARM NOZZLE=abc BED=0"), ["hold malformed-word"]);
    assert_eq!(called("N10 SAY hi"), Vec::<String>::new());
    // A stored file of commands may do anything: one finding.
    let stored = "M98 P\"start.g\"\nG21\nG90\nM83\nG1 Z0.3 F400\nG1 X60 E1.5 F1200\nM98 P\"end.g\"\n";
    let checks: Vec<_> = judge(&siskin, stored).findings.iter().map(|finding| finding.check.to_string()).collect();
    assert_eq!(checks, ["macro-not-described"]);
}

/// Numbers of hundreds of digits became infinities: a message said `X-inf`, another `checksum inf`, and others ran over the
/// page with all their digits.
#[test]
fn numbers_of_hundreds_of_digits() {
    let digits = "9".repeat(400);
    let zeros = "0".repeat(300);
    let job = format!(
        "G28\nN1 G1 X1 F600*{digits}\nN{digits} G1 X2\nG1 X-{digits} Y5\nG4 S-{digits}\nT{digits}\nM200 D0.{zeros}1\n\
         M221 S1{zeros}\nG1 F-{digits}\nM204 S-{digits}\nG1 X3 E1\n"
    );
    for line in job.lines().skip(1) {
        let report = judge(&free_machine(), &format!("G28\n{line}\nG1 X3 F600\n"));
        for finding in &report.findings {
            let message = &finding.message;
            assert!(message.len() < 200, "{message}");
            assert!(!message.contains("inf") && !message.contains("NaN"), "{message}");
        }
    }
    let report = judge(&free_machine(), &job);
    let told: Vec<&str> = report.findings.iter().map(|finding| finding.message.as_str()).collect();
    assert!(
        told.contains(&"The line ends in checksum 1.798e308 but its bytes give 48: it was damaged on its way."),
        "{told:?}"
    );
    assert!(told.contains(&"X-1.798e308 is beyond any machine."), "{told:?}");
}

/// Heights of marks that do not fall by anything readable gave a damping ratio near 1 and with it a natural frequency far
/// outside its own interval, or an infinite one. Found by fuzzing.
#[test]
fn marks_of_a_damping_near_one() {
    use gonogo::workshop::trial::marks::{Reading, ReadingError, estimate};
    for heights in ["10,1e-9", "10,1e-12,1e-24", "10,1e-200", "10,5e-324"] {
        let reading: Reading = format!("spacing=2.5 speed=100 heights={heights}").parse().expect("a reading");
        // An interval that is not finite is an error.
        let Ok(found) = estimate(&[reading], ReadingError::default()) else { continue };
        let hz = found.natural_hz;
        assert!(hz.low <= hz.value && hz.value <= hz.high && hz.high.is_finite(), "{heights}: {hz:?}");
    }
}

/// A place of 1e306 mm or more became infinite when it was rounded to thousandths, and the file of accepted findings could
/// not be read any more.
#[test]
fn accepted_places_of_any_size_read_back() {
    use gonogo::accepted::{Accepted, Entry, put};
    let machine = Machine::load(std::path::Path::new("corpus/machines/heron.toml")).expect("a sheet");
    let report = judge(&machine, "G28\nG1 X900 F3000\n");
    let finding = report.findings.iter().find(|finding| finding.check == "outside-travel").expect("it is outside");
    let mut entry = Entry::of("job.gcode", &report, finding, "known");
    let far = [1e308, -1e308, f64::MAX];
    (entry.place_mm, entry.value, entry.limit) = (Some(far), Some(f64::MAX), Some(-1e308));
    entry.extent_mm = Some(gonogo::geometry::Box3 { min: far.map(|mm| -mm), max: far });
    let text = put("", &[(None, entry.clone())]).expect("it is TOML");
    assert_eq!(Accepted::parse("accepted.toml", &text).expect("reads back").entries, [entry]);
}

/// Entries counted more times than TOML has whole numbers for, and what was written of them could not be read. Found by
/// fuzzing.
#[test]
fn accepted_counts_of_any_size() {
    use gonogo::accepted::Accepted;
    let of = |times: &str| {
        format!(
            "[[accepted]]\njob = \"a\"\nmachine = \"b\"\ncheck = \"outside-travel\"\nseverity = \"note\"\n\
             because = \"known\"\nfingerprint = \"2a1662a4534a8053\"\ntimes = {times}\n"
        )
    };
    assert!(Accepted::parse("accepted.toml", &of("9223372036854775807")).is_ok());
    let faults = Accepted::parse("accepted.toml", &of("9999999999999999999")).expect_err("is too many").faults;
    assert_eq!((faults.len(), faults[0].line), (1, 8), "{faults:?}");
}

/// The volume pushed in a burst went beyond its whole numbers on machines with filament of a kilometre. Found by fuzzing.
#[test]
fn filament_of_any_diameter() {
    let mut machine = Machine::load(std::path::Path::new("corpus/machines/siskin.toml")).expect("a sheet");
    machine.tools[0].filament_diameter_mm = 1e6;
    let report = judge(&machine, "G28\nM109 S210\nM83\nG1 X50 Y50 F6000\nG1 X90 E9 F1200\nG1 X50 E9\nG1 X90 E9\nM84\n");
    assert!(report.flow.burst_peak_mm3_s > 1e6, "{:?}", report.flow);
    assert!(report.findings.iter().any(|finding| finding.check == "melt-peak-exceeded"));
}

/// A line of two moves (G10 with a lift) that lay in two blocks placed what was found on its first move at the end of that
/// move, and at the end of both where one block held them. Found by fuzzing.
#[test]
fn a_line_of_two_moves_in_two_blocks() {
    let machine = Machine::load(std::path::Path::new("corpus/machines/wren.toml")).expect("a sheet");
    for moves_before in 0..8 {
        let moves = (0..moves_before).map(|n| format!("G1 X{} F6000\n", 100 + n)).collect::<String>();
        let job = format!("G28\nG1 Z10 F480\n{moves}M207 S1 F4294967296 Z0.2\nG10\nG11\nM84\n");
        let places = |block_moves| {
            let report = judge_sized(&machine, job.as_bytes(), &RunOptions { block_moves, ..RunOptions::default() });
            report.findings.into_iter().map(|of| (of.check, of.place_mm, of.worst_place_mm)).collect::<Vec<_>>()
        };
        let whole = places(256);
        assert!(whole.iter().any(|(check, ..)| check == "feed-rate-clipped"), "{whole:?}");
        for block_moves in [1, 2, 3] {
            assert_eq!(places(block_moves), whole, "{moves_before} moves before, {block_moves} in a block");
        }
    }
}

/// Why a text is no report was told with the text's own control characters. Found by fuzzing.
#[test]
fn a_text_that_is_no_report_cannot_act_on_a_terminal() {
    use gonogo::show::report::json::read;
    for text in ["{\"schema\":\"gonogo\u{7f}\u{9b}2J\"}", "{\"schema\":\"gonogo.report/1\",\"verdict\":\"\u{9b}2J\"}"] {
        let told = read(text).expect_err("it is none").to_string();
        assert!(!told.contains(char::is_control), "{told:?}");
    }
}

/// A report whose names hold control characters was shown with them, and one whose filament is beyond any number made sums
/// over jobs infinite. Found by fuzzing.
#[test]
fn a_report_of_odd_names_and_sizes() {
    use gonogo::show::report::Report;
    use gonogo::show::report::json::{Frame, JsonReport, read};
    use gonogo::study::matrix::Totals;
    let machine = Machine::built_in();
    let outcome = Ok(vec![judge(&machine, "G28\nM109 S210\nM83\nG1 X50 E2 F1200\nM84\n")]);
    let (mut out, mut totals) = (Vec::new(), Totals::new([machine.facts()], gonogo::Verdict::NoGo));
    let mut report = JsonReport::new(Frame::Object);
    totals.count(&outcome);
    report.add(&outcome, &mut out).and_then(|()| report.finish(&totals, &mut out)).expect("memory can be written");
    let text = String::from_utf8(out).expect("UTF-8");
    let named = text.replace("\"check\": \"inside-keep-out\"", "\"check\": \"inside\\u007fkeep\"");
    assert_ne!(named, text);
    let inspection = read(&named).expect("is a report").expect("was judged");
    assert!(inspection.checks_skipped.iter().all(|skipped| !skipped.check.contains(char::is_control)));
    let large = text.replace("\"net_mm\": 2.0", "\"net_mm\": 1.7976931348623157e308");
    assert_ne!(large, text);
    assert!(read(&large).is_err());
}

/// A shift of Z by less than a square can hold made a move of no length, whose time was no number. Found by fuzzing.
#[test]
fn a_shift_of_almost_nothing() {
    let tiny = format!("0.{}1", "0".repeat(200));
    let job = format!("G28\nM290 Z{tiny}\nM83\nG1 X50 E2 F600\n");
    let report = judge(&free_machine(), &job);
    assert!(report.time_s.total() > 0.0 && report.layers.iter().all(|layer| layer.time_s.is_finite()), "{report:?}");
}

/// Found by fuzzing: two checks told the same finding of the same block out of the order of lines, and the text of its
/// first line was missing where blocks were long.
#[test]
fn the_first_line_is_shown_whoever_tells_it() {
    let machine = corpus_machine("wren");
    let job = "G28\nM109 S230\nM83\nG1 Z0.2 F900\nG1 E9 F2400\nG1 E38\nG1 E6\nG1 X50 E2 F3000\nG1 X80 E2\n";
    let report = |block_moves| {
        let options = RunOptions { block_moves, ..RunOptions::default() };
        let report = Preflight::on(&machine).options(options).run(JobSource::stream(job.as_bytes(), "job"));
        report.expect("reads").findings
    };
    let found = report(256);
    let purge = found.iter().find(|finding| finding.check == "purge-line").expect("it fills the nozzle");
    assert_eq!(purge.excerpts.first().map(|excerpt| Some(excerpt.line)), Some(purge.line));
    for moves in [1, 2, 3] {
        assert_eq!(report(moves), found, "blocks of {moves}");
    }
}

/// Found by reading: what one block tells together came in another order than from several, and of more lines than are kept
/// others were kept where two checks tell one finding.
#[test]
fn findings_of_one_line_and_lines_of_two_checks() {
    let machine = corpus_machine("wren");
    let report = |job: &str, block_moves| {
        let options = RunOptions { block_moves, ..RunOptions::default() };
        let report = Preflight::on(&machine).options(options).run(JobSource::stream(job.as_bytes(), "job"));
        report.expect("reads").findings
    };
    let pushes = "G1 E5 F2400\n".repeat(120);
    for job in ["G28\nG1 Y500 G1 X-50 F6000\n", &format!("G28\nM109 S230\nM83\n{pushes}G1 X50 E2 F600\n")] {
        let found = report(job, 256);
        assert!(found.iter().any(|finding| finding.count > 1 || finding.check == "outside-travel"), "{found:?}");
        for moves in [1, 2, 3] {
            assert_eq!(report(job, moves), found, "blocks of {moves}");
        }
    }
}

/// Found by fuzzing: shares of parts that come to less than one of them, in a report that was damaged.
#[test]
fn shares_of_damaged_times() {
    let job = "G28\nM83\nG1 X50 E2 F600\nG4 S3\n";
    let mut report = judge(&corpus_machine("wren"), job);
    (report.time_s.extruding, report.time_s.travel) = (f64::MAX, -f64::MAX);
    let mut out = Vec::new();
    let extent = Extent { letters: false, details: false };
    let mut text = TextReport::new(Look { width: 80, color: false }, extent);
    Report::add(&mut text, &Ok(vec![report]), &mut out).expect("writes");
    let text = String::from_utf8(out).expect("UTF-8");
    assert!(!text.contains("inf"), "{text}");
}
