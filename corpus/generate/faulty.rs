//! Jobs with faults. Each fault is marked on its line, and so is what stops just short of one.

use std::f64::consts::PI;

use super::clean::heron;
use super::pieces::{FILAMENT_MM2, Style, Writer, fixed, rectangle, round};
use super::{Job, Known};

pub fn jobs() -> Vec<Job> {
    let jobs: [(&str, &str, String); 36] = [
        ("heron-hook", "heron", heron_hook()),
        ("heron-hot", "heron", HERON_HOT.to_owned()),
        ("heron-unheated", "heron", HERON_UNHEATED.to_owned()),
        ("heron-astray", "heron", HERON_ASTRAY.to_owned()),
        ("heron-feed", "heron", heron_feed()),
        ("heron-gap", "heron", heron_gap(12.0)),
        ("heron-gap-slow", "heron", heron_gap(8.0)),
        ("heron-damaged", "heron", heron_damaged()),
        ("heron-settings", "heron", HERON_SETTINGS.to_owned()),
        ("heron-lacking", "heron", HERON_LACKING.to_owned()),
        ("heron-misled", "heron", HERON_MISLED.to_owned()),
        ("siskin-cold", "siskin", SISKIN_COLD.to_owned()),
        ("siskin-switched", "siskin", SISKIN_SWITCHED.to_owned()),
        ("siskin-macros", "siskin", SISKIN_MACROS.to_owned()),
        ("heron-called", "heron", HERON_CALLED.to_owned()),
        ("heron-pair", "heron", heron_pair()),
        ("heron-lifted", "heron", heron_lifted()),
        ("heron-coarse", "heron", heron_coarse()),
        ("heron-starved", "heron", heron_starved()),
        ("heron-to-and-fro", "heron", heron_to_and_fro()),
        ("heron-twice", "heron", heron_twice()),
        ("siskin-level", "siskin", SISKIN_LEVEL.to_owned()),
        ("heron-cut", "heron", HERON_CUT.to_owned()),
        ("heron-cut-hot", "heron", HERON_CUT_HOT.to_owned()),
        ("wren-idle", "wren", WREN_IDLE.to_owned()),
        ("wren-belts", "wren", wren_belts()),
        ("wren-flow", "wren", wren_flow()),
        ("wren-arcs", "wren", WREN_ARCS.to_owned()),
        ("wren-no-fan", "wren", WREN_NO_FAN.to_owned()),
        ("wren-ended", "wren", WREN_ENDED.to_owned()),
        ("wren-rim", "wren", WREN_RIM.to_owned()),
        ("bittern-edge", "bittern", BITTERN_EDGE.to_owned()),
        ("bittern-spool", "bittern", BITTERN_SPOOL.to_owned()),
        ("bittern-still", "bittern", BITTERN_STILL.to_owned()),
        ("bittern-warm", "bittern", bittern_warm()),
        ("bittern-swell", "bittern", bittern_swell()),
    ];
    let faulty = |(name, machine, text)| Job { name, machine, text, known: known(name) };
    jobs.into_iter().map(faulty).collect()
}

/// Numbers of faulty jobs that follow from a formula.
fn known(name: &str) -> Vec<Known> {
    let known = |field, value, why| Known { field, value, tolerance: 1e-6, why };
    match name {
        "heron-hot" => vec![known(
            "time_s.heating",
            240.0 * 75.0f64.ln() + 70.0 * (180.0f64 / 150.0).ln() + 70.0 * (130.0f64 / 128.0).ln(),
            "bed 20 to 94 °C: 240 s ln(75 / 1); nozzle 200 down to 170 °C: 70 s ln(180 / 150), and on to 172 °C: 70 s ln(130 / 128)",
        )],
        "wren-idle" => {
            vec![
                known("time_s.dwell", 900.0 + 600.0 + 600.5 + 30.0, "three dwells, a timed pause"),
                known("time_s.homing", 26.0, "homing once"),
            ]
        }
        "bittern-spool" => vec![
            known("filament.net_mm", 600.5, "12 × 50 mm - 4 mm + 4 mm + 0.5 mm"),
            known("filament.purged_mm", 600.5, "all but the 4 mm that were pulled back"),
            known("time_s.heating", 55.0 * (271.0f64 / 80.0).ln(), "nozzle 19 to 210 °C: 55 s ln(271 / 80)"),
        ],
        "heron-unheated" => vec![
            known("path_mm.extruding", 60.0, "two strokes of 30 mm"),
            known("layers_total", 1.0, "heights of 0.20 and 0.23 mm are one layer"),
        ],
        _ => Vec::new(),
    }
}

/// Lines from here to there, counted from 1, and what is marked on all of them.
type Range = (&'static str, usize, usize);

/// A hook whose third layer was sliced too fast. In its round end of 63 chords of 0.299 mm, 70 mm/s in layer 2 are 234
/// commands a second and 80 mm/s in layer 3 are 267; Heron reads 250, and a queue of 16 moves holds out that long. Strokes of 0.09 mm² at
/// 140 mm/s are 12.6 mm³/s, of 12 allowed; travels at 155 mm/s are 12400 steps a second, of 12000.
fn heron_hook() -> String {
    let mut job = Writer::new(heron());
    job.lines("G21\nG90\nM82\nM104 S210\nM190 S60 ; expect: heater-left-on\nM109 S210\nG28");
    job.lines("; High over the clips.\nG1 Z10 F300\nG0 X112 Y60 F6600\nM106 S160");
    job.stands_at([112.0, 60.0, 10.0]);
    let mut ranges = Vec::new();
    for (number, speed_mm_s) in [(1, 30.0), (2, 70.0), (3, 80.0)] {
        let hurried = number == 3;
        if hurried {
            job.style = Style { fill_mm_s: 140.0, travel_mm_s: 155.0, ..job.style };
        }
        job.style.outline_mm_s = speed_mm_s;
        job.layer(number, 3);
        job.retract();
        job.remark = if hurried { "expect: step-rate-exceeded" } else { "" };
        job.travel([112.0, 60.0]);
        let (first, last) = hook_outline(&mut job);
        match number {
            2 => ranges.push(("near-lines: command-rate-exceeded", first, last)),
            3 => ranges.push(("near-lines: command-rate-exceeded", first + 15, last)),
            _ => {}
        }
        for (x, from, to) in [(103.0, 61.0, 119.0), (109.0, 119.0, 61.0)] {
            job.travel([x, from]);
            job.remark = if hurried { "expect: melt-peak-exceeded; near: melt-rate-exceeded" } else { "" };
            job.lay([x, to], job.style.fill_mm_s);
        }
        job.retract();
        job.remark = if hurried { "expect: step-rate-exceeded" } else { "" };
        job.travel([110.0, 160.0]);
        job.outline(&round([106.0, 160.0], 4.0, 0.8));
    }
    job.lines("; Park in the corner.\nM104 S0\nM107\nG0 X214 Y214 F6600 ; expect: inside-keep-out\nM84");
    with_header(
        "; Invented: a hook for the tool wall, its last layer in a hurry, parked without a lift.",
        &ranges,
        &job.text,
    )
}

/// A narrow gap filled by strokes of 0.12 mm across and 0.15 mm along. Its corners are passed at 4 mm/s of y to and fro,
/// that is 6.4 mm/s along the stroke of 0.192 mm; at 12 mm/s and 800 mm/s² a stroke takes 19.27 ms and two of them make
/// 25.95 Hz, where Heron's bed swings at 26 Hz. At 8 mm/s it is 20.3 Hz, 22 % below.
fn heron_gap(speed_mm_s: f64) -> String {
    const STROKES: u32 = 60;
    let tuned = speed_mm_s > 10.0;
    let mut job = Writer::new(Style { fill_mm_s: speed_mm_s, travel_mm_s: 100.0, ..heron() });
    job.lines("G21\nG90\nM82\nM104 S210\nM109 S210\nG28\nM106 S160\nG0 Z10 F300\nG0 X100 Y60 F6000\nG0 Z0.2 F300");
    job.stands_at([100.0, 60.0, 0.2]);
    let first = job.next_line();
    for n in 1..=STROKES {
        job.lay([100.0 + 0.15 * f64::from(n), 60.0 + 0.12 * f64::from(n % 2)], speed_mm_s);
    }
    let last = job.next_line() - 1;
    job.lines("M104 S0\nG0 Z20 F300\nM84");
    let (about, ranges) = match tuned {
        true => (
            "; Invented: a gap filled in time with the bed.",
            [("expect-lines: drives-resonance", first + 9, last), ("expect-lines: rings-frame", first + 2, last)],
        ),
        false => (
            "; Invented: the same gap filled out of time with the bed.",
            [("near-lines: drives-resonance", first, last), ("near-lines: rings-frame", first, last)],
        ),
    };
    let text = with_header(about, &ranges, &job.text);
    text.replacen("no-go", if tuned { "hold" } else { "go" }, 1)
}

/// Up, around the round end, down and back; answers the lines of the chords.
fn hook_outline(job: &mut Writer) -> (usize, usize) {
    const CHORDS: u32 = 63;
    let feed = job.style.outline_mm_s;
    job.lay([112.0, 120.0], feed);
    let first = job.next_line();
    for n in 1..=CHORDS {
        let (sin, cos) = (PI * f64::from(n) / f64::from(CHORDS)).sin_cos();
        job.lay([106.0 + 6.0 * cos, 120.0 + 6.0 * sin], feed);
    }
    let last = job.next_line() - 1;
    job.lay([100.0, 60.0], feed);
    job.lay([112.0, 60.0], feed);
    (first, last)
}

/// Puts the header of a no-go job for Heron before `body`, with the ranges counted from the first line of the header.
fn with_header(about: &str, ranges: &[Range], body: &str) -> String {
    with_header_of("no-go", about, ranges, body)
}

/// The same with another verdict.
fn with_header_of(verdict: &str, about: &str, ranges: &[Range], body: &str) -> String {
    let mut text = format!("; machine: heron\n; verdict: {verdict}\n");
    let header = 3 + ranges.len();
    for (mark, first, last) in ranges {
        text.push_str(&format!("; {mark} {}-{}\n", first + header, last + header));
    }
    text + about + "\n" + body
}

const SLEEVE_END: &str = "M104 S0\nG1 Z30 F300\nM84\n";

/// The beginning of a sleeve, a hold, for Heron.
fn sleeve_start(about: &str) -> String {
    format!(
        "; machine: heron\n; verdict: hold\n; Invented: {about}\nG21\nG90\nM83\nM104 S205\nM109 S205\nG28\nM106 S160\n\
G1 Z10 F300\nG0 X100 Y100 F6600\n"
    )
}

/// A ring of four sides of 20 mm, with the filament of lines of so many mm²; the first side carries a marker.
fn sleeve(text: &mut String, z_mm: f64, section_mm2: f64, marker: &str) {
    text.push_str("G1 Z");
    fixed(text, z_mm, 2);
    text.push_str(" F300\nG0 X100 Y100 F6600\n");
    for (n, side) in ["X120 Y100", "X120 Y120", "X100 Y120", "X100 Y100"].into_iter().enumerate() {
        text.push_str(&format!("G1 {side} E"));
        fixed(text, 20.0 * section_mm2 / FILAMENT_MM2, 5);
        text.push_str(" F900");
        if n == 0 && !marker.is_empty() {
            text.push_str(&format!(" ; {marker}"));
        }
        text.push('\n');
    }
}

/// Two bores of 0.4 mm are 0.8 mm: a gap of 0.80 mm is none yet.
fn heron_lifted() -> String {
    let mut text = sleeve_start("a sleeve on a lift that nobody took back.");
    for (z_mm, marker) in
        [(0.2, ""), (0.4, ""), (1.2, "near: prints-in-air"), (1.4, ""), (2.21, "expect: prints-in-air"), (2.41, "")]
    {
        sleeve(&mut text, z_mm, 0.09, marker);
    }
    text + SLEEVE_END
}

/// The bore is 0.4 mm. Behind each ring two wipes pull back on the way and are pushed again on the spot: 2 of 6 moves, a third.
fn heron_coarse() -> String {
    let mut text = sleeve_start("a sleeve sliced for a wider nozzle.");
    for (z_mm, marker) in
        [(0.2, ""), (0.6, "near: layers-too-high"), (1.01, "expect: layers-too-high"), (1.42, ""), (1.83, "")]
    {
        sleeve(&mut text, z_mm, 0.16, marker);
        text += "G1 X101 E-0.4 F900 ; near: lines-lay-nothing\nG1 X102 E-0.4\nG1 E0.8 F1200\n";
    }
    text + SLEEVE_END
}

/// Half of 0.4 mm times 0.2 mm are 0.04 mm².
fn heron_starved() -> String {
    let mut text = sleeve_start("a sleeve with the flow of another print.");
    for layer in 1..=6 {
        let (section_mm2, marker) = match layer {
            1 | 2 => (0.0405, "near: lines-too-thin"),
            3 => (0.0395, "expect: lines-too-thin"),
            _ => (0.0395, ""),
        };
        sleeve(&mut text, 0.2 * f64::from(layer), section_mm2, marker);
    }
    text + SLEEVE_END
}

/// Each side asks for 0.74835 mm: as a place, it is reached once and then no more.
fn heron_to_and_fro() -> String {
    let mut text = sleeve_start("lengths of filament that M82 makes places of.").replace("M83", "M82");
    for layer in 1..=4 {
        sleeve(&mut text, 0.2 * f64::from(layer), 0.09, "");
    }
    let idle = "G1 X120 Y120 E0.74835 F900\n";
    text = text.replacen(idle, &idle.replace('\n', " ; expect: lines-lay-nothing\n"), 1);
    text + SLEEVE_END
}

/// Limits: nozzle 260 °C, bed 110 °C (its heater tends to 95 °C), extrusion from 170 °C. Off from 172 °C, the nozzle
/// (time constant 70 s) is below 170 °C after 0.93 s: the first stroke starts in time, the second does not.
const HERON_HOT: &str = "\
; machine: heron
; verdict: no-go
; Invented: a warm-up sheet, typed by hand and too hot.
G21
G90
M83
M140 S110 ; near: bed-over-limit
M140 S110.5 ; expect: bed-over-limit
M140 S60
M104 S260 ; near: nozzle-over-limit
M104 S260.5 ; expect: nozzle-over-limit
M104 S200
M190 S94 ; near: target-out-of-reach
M190 S96 ; expect: target-out-of-reach
M190 S60
G28
G1 Z10 F480
G0 X30 Y60 F6000
M109 R170
G1 Z0.3 F480
G1 X60 E1.2 F1800 ; near: extrudes-cold
M109 S172
M104 S0
G1 X90 E1.2 ; near: extrudes-cold
G1 X92 E0.1 ; expect: extrudes-cold
G1 Z20 F480
M140 S0
M84
";

/// Heights of 0.20 mm and 0.23 mm are one layer, so no fan is missed.
const HERON_UNHEATED: &str = "\
; machine: heron
; verdict: hold
; expect-job: extrudes-cold
; near-job: layer-fan-never-on, no-moves
; Invented: a test strip for paste, sliced without any temperature.
G21
G90
M83
G28
G1 Z10 F480
G0 X30 Y60 F6000
G1 Z0.2 F480
G1 X60 E1 F1200
G1 Z0.23 F480
G1 X90 E1 F1200
G1 Z20 F480
M84
";

/// Travel ends at 220 mm and 250 mm; the right rear clip begins at x 206 mm and ends 6 mm above the bed.
const HERON_ASTRAY: &str = "\
; machine: heron
; verdict: no-go
; Invented: a hand-written walk around the bed that gets lost.
; expect-job: no-extrusion
G21
G90
G1 Z12 F480 ; expect: moves-before-homing
G1 Z8 ; expect: moves-before-homing
G1 X20 F3000 ; expect: moves-before-homing
G28 X Y
G1 X30 ; near: moves-before-homing
G1 Z9 F480 ; expect: moves-before-homing
G1 Z30 ; expect: moves-before-homing
G28 Z
G1 Z10 ; near: moves-before-homing
G0 Y20 F6000
G0 X220 ; near: outside-travel
G0 X220.0013 ; near: outside-travel
G0 X220.01 ; expect: outside-travel
G0 X100
G1 Z250 F480 ; near: outside-travel
G1 Z250.02 ; expect: outside-travel
; Around the right rear clip.
G0 Y212 F6000
G1 Z6 F480
G0 X219 F6000 ; near: inside-keep-out
G0 X100
G1 Z5.9 F480
G0 X206 F6000 ; near: inside-keep-out
G0 X207 ; expect: inside-keep-out
G0 X100 ; expect: inside-keep-out
; Motors: some of them, later, all of them.
M84 S300
M18 X Y
G0 X90 ; near: motors-off-then-moves
M84
G28 X
G0 X100 ; near: motors-off-then-moves
G0 Y150 ; expect: motors-off-then-moves
G1 Z20 F480 ; expect: motors-off-then-moves
G28
G1 Z10 ; near: motors-off-then-moves
G0 X10 Y100 F6000
M84
";

/// `count` strokes of `step_mm` along x with the same ratio of filament; the last one carries `marker`.
fn strokes(text: &mut String, x: &mut f64, count: u32, step_mm: f64, note: &str, marker: &str) {
    for n in 1..=count {
        *x += step_mm;
        text.push_str("G1 X");
        fixed(text, *x, 3);
        text.push_str(" E");
        fixed(text, step_mm * 0.45 * 0.2 / FILAMENT_MM2, 5);
        text.push_str(note);
        if n == count {
            text.push_str(marker);
        }
        text.push('\n');
    }
}

/// 16 moves ahead, 250 commands a second: at 40 mm/s strokes of 0.1 mm take 2.5 ms and their commands 4 ms. The queue holds
/// out for 16 of them; of 60 it runs thin. With a remark a command of some 55 bytes takes 4.8 ms at 115200 baud, and
/// 0.5 ms to be acknowledged. 12000 steps a second at 80 for a mm are 150 mm/s.
fn heron_feed() -> String {
    let mut text = "\
G21
G90
M83
M109 S205
G28
G1 Z10 F480
G0 X30 Y100 F6000
G1 Z0.2 F480
G1 X50 E0.74836 F2400
"
    .to_owned();
    let mut x = 50.0;
    strokes(&mut text, &mut x, 16, 0.1, "", " ; near: command-rate-exceeded");
    strokes(&mut text, &mut x, 1, 20.0, "", "");
    let mut ranges = Vec::new();
    let mut hurry = |text: &mut String, x: &mut f64, note: &str, late: std::ops::RangeInclusive<usize>| {
        let first = text.lines().count();
        ranges.push(("expect-lines: command-rate-exceeded", first + late.start(), first + late.end()));
        strokes(text, x, 46, 0.1, note, "");
        // What begins while few moves are known ends slowly; the next one finds the queue full again.
        strokes(text, x, 2, 20.0, "", "");
    };
    hurry(&mut text, &mut x, "", 26..=44);
    text.push_str("; The same sent with remarks: now the serial line is too slow.\n");
    strokes(&mut text, &mut x, 16, 0.1, " ; wall of the left ear, first round", " ; near: command-rate-exceeded");
    strokes(&mut text, &mut x, 1, 20.0, "", "");
    hurry(&mut text, &mut x, " ; wall of the right ear, second round", 18..=46);
    text.push_str(
        "\
; Long travels: steps a second, and the limit of the axis.
G1 Z10 F480
G0 X30 F6000
G0 X180 F9000 ; near: step-rate-exceeded
G0 X30 F9060 ; expect: step-rate-exceeded
G0 X180 F10800 ; near: feed-rate-clipped; expect: step-rate-exceeded
G0 X30 F10860 ; expect: feed-rate-clipped, step-rate-exceeded
M104 S0
M84
",
    );
    with_header_of("hold", "; Invented: strokes for finding out how fast the old board reads.", &ranges, &text)
}

/// A line with its number and checksum, the sum changed by `damage`.
fn numbered(text: &mut String, number: u32, command: &str, damage: u8, marker: &str) {
    let body = format!("N{number} {command}");
    let sum = body.bytes().fold(damage, |sum, byte| sum ^ byte);
    text.push_str(&format!("{body}*{sum} ; {marker}\n"));
}

/// A move written with so many bytes.
fn padded(bytes: usize) -> String {
    let (mut x, mut y) = ("G1 X70.".to_owned(), " Y20.".to_owned());
    let zeros = bytes - x.len() - y.len();
    x.push_str(&"0".repeat(zeros / 2));
    y.push_str(&"0".repeat(zeros - zeros / 2));
    x + &y
}

/// Commands of up to 64 bytes are taken.
fn heron_damaged() -> String {
    let mut text = "\
; machine: heron
; verdict: hold
; Invented: a job that went through a bad cable and a text editor.
; expect-job: no-extrusion
G21
G90
G28
G0 X100 ; expect: no-feed-rate
G1 X20 Y20 F0 ; expect: no-feed-rate
F0.5 ; near: no-feed-rate
F1200
"
    .to_owned();
    numbered(&mut text, 1, "G1 X40", 0, "near: bad-checksum, line-number-skipped");
    numbered(&mut text, 2, "G1 X41", 5, "expect: bad-checksum");
    numbered(&mut text, 3, "G1 X42", 0, "near: bad-checksum, line-number-skipped");
    numbered(&mut text, 5, "G1 X43", 0, "expect: line-number-skipped");
    text.push_str("M110 N20\n");
    numbered(&mut text, 21, "G1 X44", 0, "near: line-number-skipped");
    text.push_str(
        "\
G1 X50.1.2 ; expect: malformed-word
G1 X52 X53 ; expect: malformed-word
G1 X ; expect: malformed-word
G0 G1 X54 ; expect: commands-share-line
g1x55y+20.f1200 ; near: malformed-word
G1 X5 6 Y2 0 (a blank inside a number is allowed) ; near: malformed-word
M777 S1 S2 T5,5 [x] ; expect: unknown-command; near: malformed-word
wipe the nozzle ; expect: macro-not-described
@wait ; near: unknown-command
G94 ; near: unknown-command
M117 Half way there ; near: unknown-command
M300 S880 P50 ; near: unknown-command
M48 V4 ; near: axis-not-described
G1 A5 U1 ; expect: axis-not-described
",
    );
    text.push_str(&format!("{} ; near: line-too-long\n", padded(64)));
    text.push_str(&format!("{} ; expect: line-too-long\n", padded(65)));
    text.push_str("G1 X100 Y100 F3000 ; near: truncated-job\n");
    text
}

const HERON_SETTINGS: &str = "\
; machine: heron
; verdict: hold
; Invented: a start block that grew over the years.
G21
G90
M83
M500 ; expect: settings-stored
M502 ; expect: settings-stored
M504 ; expect: settings-stored
M505 ; expect: unknown-command; near: settings-stored
M211 S1 ; near: guard-disabled
M211 S0 ; expect: guard-disabled
M211 S1
M302 S170 ; near: guard-disabled
M302 S0 ; expect: guard-disabled
M302 P0 ; near: guard-disabled
M302 P1 ; expect: guard-disabled
M900 K2 ; near: implausible-lead
M900 K30 ; expect: implausible-lead
M204 ; near: limits-changed-in-job
M201 X900 Y900 ; expect: limits-changed-in-job
M203 X150 Y150
M204 P700 T900
M205 X7 Y7
M92 E97 ; expect: machine-changed-in-job
M109 S205
G28
G1 Z10 F480
G10 ; expect: retraction-length-unknown
G11
M207 S1.5 F2400
G10 ; near: retraction-length-unknown
G11
M104 S0
G0 X20 Y200 F6000 ; near: truncated-job
";

const HERON_MISLED: &str = "\
; machine: heron
; verdict: no-go
; Invented: lines of many hands, glued together by a script.
G21
G90 G28 ; expect: commands-share-line
M83
M109 S[warm] ; expect: placeholder-unfilled
M109 S205 ; near: placeholder-unfilled
G1 Z10 F480
G0 X20 Y20 F3000
G1 Z0.3 F480
G1 X60 E2 F1200
M106 S100 G1 X70 ; expect: commands-share-line
G1 X80 M400 ; expect: commands-share-line
M117 5% G1 X5 G1 X9 ; near: commands-share-line
G1 Z0 F480
G1 X90 E0.4 F1200 ; expect: prints-into-bed
G1 Z0.1 F480
G1 X100 E0.4 F1200 ; near: prints-into-bed
G1 E-120 F2400 ; near: pull-back-too-long
G1 E120
G1 E-121 ; expect: pull-back-too-long
G1 E181 F180 ; near: pull-back-too-long
G1 E-5
G1 E66 ; expect: pull-back-too-long
M92 X80 Y80 ; near: machine-changed-in-job
M92 X100 ; expect: machine-changed-in-job
M206 Z0 ; near: machine-changed-in-job
M206 Z-0.1 ; expect: machine-changed-in-job
M851 ; near: machine-changed-in-job
M301 P20 I1 D0 ; near: machine-changed-in-job
M301 P0 ; expect: machine-changed-in-job
M203 X3000 ; expect: limits-changed-in-job
G4 S30
G1 X110 E0.4 F1200
M104 S0
M84
";

const SISKIN_COLD: &str = "\
; machine: siskin
; verdict: hold
; Invented: a start that heats and does not wait.
G21
G90
M83
M104 S210
G28
G1 Z0.3 F600
G1 X20 Y20 F3000
G1 X60 E1.5 F1200 ; expect: heat-not-awaited
M109 S210
G1 X20 E1.5 ; near: heat-not-awaited
; Raised a little without waiting: what was waited for is warm enough.
M104 S215
G1 X60 E1.5 ; near: heat-not-awaited
; A tool is given its targets, and all are waited for.
G10 P0 S220 R150
M116
G1 X20 E1.5 ; near: heat-not-awaited
M104 S0
G1 X60 E1.5 ; expect: heat-not-awaited
M84
";

const HERON_CALLED: &str = "\
; machine: heron
; verdict: go
; Invented: starts and ends by names that the sheet describes.
begin_warm NOZZLE=205 BED=60 ; near: macro-not-described
G21
G90
M83
G1 Z10 F480 ; near: moves-before-homing
G0 X20 Y20 F6000
G1 Z0.3 F480
G1 X60 E1.5 F1200 ; near: extrudes-cold
SAY half way there ; near: macro-not-described
G1 X20 E1.5
FINISH ; near: macro-not-described, heater-left-on, truncated-job
";

const SISKIN_MACROS: &str = "\
; machine: siskin
; verdict: hold
; Invented: starts and ends by names that the sheet does not describe.
START_HERE NOZZLE=210 BED=60 ; expect: macro-not-described
G21
G90
M83
G1 X20 Y20 F3000 ; near: moves-before-homing
G1 Z0.3 F600
G1 X60 E1.5 F1200 ; near: heat-not-awaited, extrudes-cold
M0 Click to go on X Y Z ; near: malformed-word
G1 X20 E1.5
M104 T3 S0 ; near: tool-not-described
END_HERE ; expect: macro-not-described
";

const SISKIN_LEVEL: &str = "\
; machine: siskin
; verdict: hold
; Invented: a start that homes x and y and leaves z to luck.
G21
G90
M83
M109 S210
G28 X Y
G1 Z0.3 F600 ; expect: moves-before-homing
G1 X20 Y20 F3000 ; near: moves-before-homing
G1 X60 E1.5 F1200 ; near: moves-before-homing
G1 Z20 F600 ; expect: moves-before-homing
M104 S0
M84
";

const SISKIN_SWITCHED: &str = "\
; machine: siskin
; verdict: go
; Invented: an old form in which the extruder is switched on and off.
; near-job: no-extrusion
G21
G90
M104 S210
G28
G1 Z0.3 F600
G1 X20 Y20 F3000
M101
G1 X60 Y20 F1200
G1 X60 Y60
M103
M104 S0
M84
";

const HERON_LACKING: &str = "\
; machine: heron
; verdict: no-go
; Invented: a job that was sliced for another board.
G21 ; near: not-supported-here
G90
M83
M109 S205
G28
G1 Z10 F480
G0 X20 Y20 F6000
M207 S1 F2400
G10 ; near: not-supported-here
G11 ; near: not-supported-here
M104 S0
G2 X40 Y20 I10 J0 ; expect: not-supported-here
G5 X60 Y20 I0 J5 P0 Q5 ; expect: not-supported-here
G20 ; expect: not-supported-here
G21
M200 D0 ; expect: not-supported-here
M600 ; expect: not-supported-here; near: hot-and-idle
M141 S0 ; expect: not-supported-here
G29 ; expect: not-supported-here
G28
M84
";

/// No newline at the end.
const HERON_CUT: &str = "\
; machine: heron
; verdict: no-go
; Invented: a copy that stopped half way.
G21
G90
M83
M109 S205 ; expect: heater-left-on
G28
G1 Z10 F480
G0 X60 Y60 F6000
G1 Z0.2 F480
G1 X80 E0.8 F1800
G1 X80 Y8 ; expect: truncated-job";

const HERON_CUT_HOT: &str = "\
; machine: heron
; verdict: no-go
; Invented: a copy that stopped half way, at the end of a line; its start is out of order, too.
G21
G90
M83
G28
G1 Z10 F480
G0 X60 Y60 F6000
G1 Z0.2 F480
G1 X70 E0.4 F1800 ; expect: extrudes-cold
M109 S205 ; expect: heater-left-on
G1 X80 E0.4 ; near: extrudes-cold
G1 X90 E0.4 ; expect: truncated-job
";

/// Chamber limit 60 °C; waits count from 50 °C and over 600 s.
const WREN_IDLE: &str = "\
; machine: wren
; verdict: no-go
; Invented: a job that waits for somebody.
; expect-job: no-extrusion
G21
G90
M83
M141 S60 ; near: chamber-over-limit
M141 S60.5 ; expect: chamber-over-limit
M141 S0 ; near: heater-left-on
G28
M104 S49
G4 S900 ; near: hot-and-idle
M104 S220
G4 S600 ; near: hot-and-idle
G0 Z18 F600
G4 S400 ; near: hot-and-idle
G4 S200.5 ; expect: hot-and-idle
G0 Z19 F600
M0 S30 ; near: hot-and-idle
M0 ; expect: hot-and-idle
M600 ; expect: hot-and-idle
M104 S0 ; near: heater-left-on
M600 ; near: hot-and-idle
M140 S60 ; near: heater-left-on
M140 S50 ; expect: heater-left-on
G0 Z20 F600
G0 X100 Y100 F12000
M84 ; near: truncated-job
";

/// Both belts have 160 steps for a mm and the controller makes 80000 a second: along the diagonal, where one belt does
/// all the work, that is 353.6 mm/s. Short moves in a row are nothing to a controller that knows the whole job.
fn wren_belts() -> String {
    let mut text = "\
; machine: wren
; verdict: hold
; Invented: long diagonals for the belts.
; expect-job: no-extrusion
G21
G90
M83
G28
G0 Z10 F900
G0 X20 Y20 F12000
G0 X180 Y180 F21000 ; near: step-rate-exceeded, feed-rate-clipped
G0 X20 Y20 F21600 ; expect: step-rate-exceeded
G0 X220 F24000 ; near: feed-rate-clipped, step-rate-exceeded
G0 X20 F24600 ; expect: feed-rate-clipped
G1 X50 F9600
"
    .to_owned();
    let mut x = 50.0;
    for (step, count) in [(0.11, 16), (20.0, 1), (0.1, 16)] {
        for _ in 1..=count {
            x += step;
            text.push_str("G1 X");
            fixed(&mut text, x, 2);
            text.push('\n');
        }
    }
    text.push_str("G1 X120\nM84\n");
    text
}

/// A straight stroke with the given cross-section.
fn stroke(text: &mut String, from: [f64; 2], to: [f64; 2], section_mm2: f64, feed_mm_s: f64, marker: &str) {
    let length = (to[0] - from[0]).hypot(to[1] - from[1]);
    for (letter, value) in [("G1 X", to[0]), (" Y", to[1])] {
        text.push_str(letter);
        fixed(text, value, 3);
    }
    text.push_str(" E");
    fixed(text, length * section_mm2 / FILAMENT_MM2, 5);
    text.push_str(" F");
    fixed(text, feed_mm_s * 60.0, 0);
    if !marker.is_empty() {
        text.push_str(" ; ");
        text.push_str(marker);
    }
    text.push('\n');
}

/// Sustained 20 mm³/s averaged with 1.5 s, peak 28 mm³/s; thick is over 4 × 0.4² = 0.64 mm². Strokes of 200 mm of
/// 0.18 mm² at 150 mm/s push 27 mm³/s for 1.36 s: the average is 27 (1 − e^(−0.91)) ≈ 16 after one, ≈ 22 after two.
fn wren_flow() -> String {
    let mut text = "\
; machine: wren
; verdict: hold
; Invented: strokes for finding out what the hotend melts.
G21
G90
M83
M106 S255
M109 S230
G28
G0 Z10 F900
G0 X8 Y30 F12000
G0 Z0.3 F900
; Two lines beside the print, one of them far too thick.
"
    .to_owned();
    stroke(&mut text, [8.0, 30.0], [8.0, 150.0], 0.7, 20.0, "expect: purge-line");
    text.push_str("G0 X10\n");
    stroke(&mut text, [10.0, 150.0], [10.0, 30.0], 0.6, 20.0, "near: purge-line");
    text.push_str("G0 X40 Y40 F12000\n");
    stroke(&mut text, [40.0, 40.0], [200.0, 40.0], 0.18, 60.0, "");
    text.push_str("G0 Z0.6 F900\n; Thickness.\n");
    stroke(&mut text, [200.0, 40.0], [196.0, 40.0], 0.7, 10.0, "near: implausible-extrusion");
    stroke(&mut text, [196.0, 40.0], [150.0, 40.0], 0.63, 10.0, "near: implausible-extrusion");
    stroke(&mut text, [150.0, 40.0], [144.0, 40.0], 0.7, 10.0, "expect: implausible-extrusion");
    text.push_str("G1 E60 F300 ; near: pull-back-too-long\nG1 E60.5 ; expect: pull-back-too-long\nG4 S10\n; Speed.\n");
    let mut y = 60.0;
    let rows = [
        (110.0, "near: melt-rate-exceeded, melt-peak-exceeded"),
        (150.0, "near: melt-rate-exceeded, melt-peak-exceeded"),
        (160.0, "expect: melt-peak-exceeded; near: melt-rate-exceeded"),
    ];
    for (speed, marker) in rows {
        text.push_str("G0 X30 Y");
        fixed(&mut text, y, 3);
        text.push_str(" F12000\n");
        stroke(&mut text, [30.0, y], [180.0, y], 0.18, speed, marker);
        text.push_str("G4 S10\n");
        y += 10.0;
    }
    text.push_str("G0 X30 Y100 F12000\n");
    let rate = "expect: melt-rate-exceeded; near: melt-peak-exceeded";
    stroke(&mut text, [30.0, 100.0], [230.0, 100.0], 0.18, 150.0, "near: melt-rate-exceeded, melt-peak-exceeded");
    stroke(&mut text, [230.0, 100.0], [230.0, 100.6], 0.18, 150.0, "near: melt-rate-exceeded");
    stroke(&mut text, [230.0, 100.6], [30.0, 100.6], 0.18, 150.0, rate);
    stroke(&mut text, [30.0, 100.6], [30.0, 101.2], 0.18, 150.0, rate);
    stroke(&mut text, [30.0, 101.2], [230.0, 101.2], 0.18, 150.0, rate);
    text.push_str("M104 S0\nM107\nG0 Z20 F900\nM84\n");
    text
}

/// Tool 0 keeps up 12 mm³/s from 235 °C on, at 200 °C 7 + 3 · 15 / 25 = 8.8. A stroke of 60 mm of 0.18 mm² at 64 mm/s takes
/// 0.94 s: of 11.5 mm³/s the average over 1.2 s gets to 6.2, with the next of 120 mm beyond 10. At 254 °C the heater has 30 W
/// (290 − 254) / (290 − 19) = 3.99 W left, and a mm³ takes 1.24e-3 · 1.8 · (254 − 19) = 0.525 J. Strokes of 120 mm one behind the
/// other push 11.2 mm³/s, which lack 1.9 W; each kelvin less makes that 0.136 W less: toward 13.9 K with 6.09 J/K over that, 45 s,
/// so 5 K in some 20 s, with the tenth stroke. Turns of 80 mm at 40 mm/s take 2 s; a place needs 4.
fn bittern_warm() -> String {
    let mut text = "\
; machine: bittern
; verdict: hold
; Invented: the same strokes at three temperatures, then two towers.
G21
G90
M83
M109 S235
G28
G1 Z10 F6000
G1 X-60 Y-30 F9000
G1 Z0.3 F6000
"
    .to_owned();
    let mut y = -30.0;
    // Half a stroke, half a stroke back, whole ones.
    let ends = [[-60.0, 0.0], [0.0, -60.0]].into_iter().chain([[-60.0, 60.0], [60.0, -60.0]].into_iter().cycle());
    let mut rows = |text: &mut String, heat: &str, feed_mm_s: f64, markers: &[&str]| {
        text.push_str(heat);
        for (marker, [from, to]) in markers.iter().zip(ends.clone()) {
            stroke(text, [from, y], [to, y], 0.18, feed_mm_s, marker);
            y += 0.6;
            text.push_str("G0 Y");
            fixed(text, y, 3);
            text.push_str(" F9000\n");
        }
        text.push_str("G0 X-60 F9000\n");
    };
    let near = "near: melt-rate-exceeded, melt-peak-exceeded, heater-power-exceeded";
    rows(&mut text, "; Hot enough.\n", 64.0, &[near; 3]);
    let colder = "expect: melt-rate-exceeded; near: melt-peak-exceeded, heater-power-exceeded";
    rows(&mut text, "; Nearly the same colder.\nM109 R200\n", 60.0, &[near, near, colder]);
    let hotter = "expect: heater-power-exceeded; near: melt-rate-exceeded, melt-peak-exceeded";
    let soon_too_much: Vec<&str> = [near; 10].into_iter().chain([hotter; 4]).collect();
    rows(&mut text, "; Longer than the heater can do.\nM109 S254\n", 66.0, &soon_too_much);
    text.push_str("M109 R210\n; Two towers, the first with waits.\n");
    for (x, wait, marker) in [(-40.0, "G4 S2.1\n", "near"), (20.0, "", "expect")] {
        text.push_str("G0 Z5 F6000\n");
        for layer in 1..=4 {
            let z = 0.3 + 0.2 * f64::from(layer);
            text.push_str("G0 X");
            fixed(&mut text, x, 3);
            text.push_str(" Y-40 F9000\nG1 Z");
            fixed(&mut text, z, 3);
            text.push_str(" F6000\n");
            let mut at = [x, -40.0];
            for (n, corner) in rectangle([x, -40.0], [x + 20.0, -20.0]).into_iter().cycle().skip(1).take(4).enumerate()
            {
                let marker =
                    if n == 0 && layer > 1 { format!("{marker}: layer-time-too-short") } else { String::new() };
                stroke(&mut text, at, corner, 0.09, 40.0, &marker);
                at = corner;
            }
            text.push_str(wait);
        }
    }
    text.push_str("M104 S0\nG1 Z40 F6000\nM84\n");
    text
}

/// Corners without a lead, then a lead that is far too long. At 0.2 mm the lag is 0.065 s and corners are passed at 10.4 mm/s:
/// lines of 0.09 mm² leave 0.13 mm³ at 70 mm/s and 0.25 mm³ at 100 mm/s, where 0.15 are accepted. Where a line doubles its
/// section at 100 mm/s the filament gets 1.87 mm/s faster at once: spread over 0.01 s a lead of 0.3 s asks for 59.9 mm/s in
/// all, one of 0.4 s for 78.6, and the extruder makes 60.
fn bittern_swell() -> String {
    let mut text = "\
; machine: bittern
; verdict: hold
; Invented: corners without a lead, and a lead that is too long.
G21
G90
M83
M109 S210
G28
G1 Z10 F6000
G1 X-60 Y-40 F9000
G1 Z0.2 F6000
M900 K0
"
    .to_owned();
    for (y, feed_mm_s, marker) in
        [(-40.0, 70.0, "near: bulges-at-corners"), (-20.0, 100.0, "expect: bulges-at-corners")]
    {
        text.push_str("G0 X-60 Y");
        fixed(&mut text, y, 3);
        text.push_str(" F9000\n");
        stroke(&mut text, [-60.0, y], [0.0, y], 0.09, feed_mm_s, marker);
        stroke(&mut text, [0.0, y], [0.0, y + 15.0], 0.09, feed_mm_s, "");
    }
    text.push_str("G0 Z2 F6000\n");
    // More than the lag asks for makes lines too wide where the machine speeds up.
    let [near, over] =
        ["expect: bulges-at-corners; near: extruder-overdriven", "expect: bulges-at-corners, extruder-overdriven"];
    for (y, lead, marker) in [(20.0, "M900 K0.3", near), (30.0, "M900 K0.4", over)] {
        text.push_str(lead);
        text.push_str("\nG0 X-60 Y");
        fixed(&mut text, y, 3);
        text.push_str(" F9000\nG1 Z0.2 F6000\n");
        stroke(&mut text, [-60.0, y], [0.0, y], 0.045, 100.0, "expect: bulges-at-corners");
        stroke(&mut text, [0.0, y], [60.0, y], 0.09, 100.0, marker);
        text.push_str("G0 Z2 F6000\n");
    }
    text.push_str("M104 S0\nG1 Z40 F6000\nM84\n");
    text
}

/// Radii may differ by 0.002 mm; above that it is a note, above 0.05 mm a hold. Travel ends at x 250 mm; the nozzle
/// brush has a corner at x 24 mm, y 196 mm.
const WREN_ARCS: &str = "\
; machine: wren
; verdict: no-go
; Invented: arcs with sloppy centres.
; expect-job: no-extrusion
G21
G90
M83
G28
G0 Z5 F900
G0 X100 Y100 F12000
G2 X120 Y100 I10 J0 F3000 ; near: arc-radius-mismatch, not-supported-here
G3 X100.0019 Y100 I-10 J0 ; near: arc-radius-mismatch
G1 X100
G2 X120.0021 Y100 I10 J0 ; expect: arc-radius-mismatch
G1 X120
G3 X99.94 Y100 I-10 J0 ; expect: arc-radius-mismatch
G1 X100
G2 X120 Y100 R10 ; near: arc-radius-mismatch
G3 X100 Y100 R9.9 ; expect: arc-radius-mismatch
G2 X110 ; expect: malformed-word
G2 X110 I5 R5 ; expect: malformed-word
G2 X120 I10 ; near: malformed-word
G5 X130 Y100 I0 J5 P0 Q5 ; expect: not-supported-here
; Arcs that bulge over the end of travel, and into the brush.
G0 X240 Y90
G3 X240 Y110 I0 J10 ; near: outside-travel
G0 X240.01 Y90
G3 X240.01 Y110 I0 J10 ; expect: outside-travel
G0 X10 Y176
G2 X50 Y176 I20 J0 ; near: inside-keep-out
G0 X50 Y180
G0 X10
G2 X50 Y180 I20 J0 ; expect: inside-keep-out
M84
";

/// Lines beside the plate, whose printable part ends at y 6 mm and x 244 mm; the waste strip is beside it.
/// Two tubs printed one after the other. The way to the second one goes over the first, then through its wall; the second
/// stands near enough for the carriage (31 mm to the left of the tip, 9 mm above it) to strike the first, 12 mm high. Its
/// first stroke is as low, but 35 mm from that wall.
fn heron_pair() -> String {
    let mut job = String::from(
        "; machine: heron\n; verdict: hold\n; Invented: two tubs one after the other, set too close.\nG21\nG90\nM83\nM190 S60\nM109 S210\nM106 S200\nG28\nG0 Z10 F600\nG0 X40 Y100 F6000\n",
    );
    for layer in 1..=48 {
        let z = format!("{:.2}", 0.25 * f64::from(layer));
        job += &format!("G0 Z{z} F600\n");
        for (x, y) in [(60, 100), (60, 120), (40, 120), (40, 100)] {
            job += &format!("G1 X{x} Y{y} E0.8 F1800\n");
        }
    }
    job += "G0 X60.5 Y110 F6000\nG0 Z11.9 F600 ; near: nozzle-in-print\nG0 Z11.7 F600 ; expect: nozzle-in-print\n";
    job += "G0 Z14 F600\nG0 X95.6 Y110 F6000\nG0 Z0.25 F600 ; near: head-in-print\nG1 X95.6 Y130 E0.8 F1800 ; near: head-in-print\n";
    job += "G1 X90 Y110 E0.8 F1800 ; expect: head-in-print\n";
    job + "G0 Z14 F600\nM106 S0\nM104 S0\nM140 S0\nM84\n"
}

/// A coaster of six layers, 1.5 mm high. Heron homes at x -3 mm, y -5 mm; up to 1 mm anything may stand meanwhile, and a coaster
/// that somebody was asked to take away.
fn heron_twice() -> String {
    let coaster = || {
        let layers = (1..=6).map(|layer| {
            let corners = [(120, 100), (120, 120), (100, 120), (100, 100)];
            let lines = corners.map(|(x, y)| format!("G1 X{x} Y{y} E0.8 F1800\n"));
            format!("G0 Z{:.2} F600\n{}", 0.25 * f64::from(layer), lines.concat())
        });
        format!("G0 Z10 F600\nG0 X100 Y100 F6000\n{}G0 Z12 F600\n", layers.collect::<String>())
    };
    let mut job = String::from(
        "; machine: heron\n; verdict: no-go\n; Invented: two coasters in one file, and homed at last where one stands.\nG21\nG90\nM83\nM190 S60\nM109 S210\nM106 S200\nG28 ; near: homes-onto-print\n",
    );
    job +=
        "G0 Z10 F600\nG0 X30 Y60 F6000\nG0 Z0.3 F600\nG1 X90 Y60 E3 F1200\nG0 Z10 F600\nG28 ; near: homes-onto-print\n";
    job += &coaster();
    job += "G28 X Y ; near: homes-onto-print\nM0 Take it off ; expect: hot-and-idle\nG28 ; near: homes-onto-print, nozzle-in-print\n";
    job += &coaster();
    job += "G28 ; expect: homes-onto-print\nG0 Z12 F600\nG0 X110 Y100 F6000\nG28 Z ; expect: homes-onto-print\n";
    job + "G0 Z14 F600\nM106 S0\nM104 S0\nM140 S0\nM84\n"
}

/// 0.6 mm is what Wren's G10 pulls back.
const WREN_ENDED: &str = "\
; machine: wren
; verdict: hold
; Invented: two weights for a kite; G11 and the end of the program are not where they should be.
G21
G90
M83
M190 S60
M109 S220
M106 S200
G28
M572 D0:1 S0.03 ; near: malformed-word
G0 Z0.25 F900
G0 X100 Y100 F12000
G1 X140 Y100 E1.8 F3600
G1 X140 Y140 E1.8
G10
G0 X100 Y140 F12000
G11
G1 X100 Y100 E1.8 F3600 ; near: prints-pulled-back
G10
G0 Z0.5 F900
G11
G1 X140 Y100 E1.8 F3600 ; near: prints-pulled-back
G1 X140 Y140 E1.8
G10
G0 X160 Y140 F12000
G1 X160 Y100 E1.8 F3600 ; expect: prints-pulled-back
G1 X150 Y100 E0.45
G10
M28 lines.gcode
M117 not counted ; near: commands-not-run
G0 Z20 F900 ; expect: commands-not-run
M29
G0 Z20 F900 ; near: commands-not-run
M140 S0
M30 lines.gcode
M107 ; near: commands-not-run
M30
M117 ended ; near: commands-not-run
M104 S0 ; expect: commands-not-run
M81 ; expect: commands-not-run; near: motors-off-then-moves
";

const WREN_RIM: &str = "\
; machine: wren
; verdict: no-go
; Invented: a drip edge laid too near to the front of the plate.
G21
G90
M83
M106 S200
M190 S90
M109 S245
G28
G0 Z0.3 F900
G0 X205 Y3 F12000
G1 X240 Y3 E2 F1200 ; near: prints-off-bed
G1 E4 F120 ; near: prints-off-bed
G1 E-0.8 F1800
G0 Z2 F900
G0 X120 Y3 F12000
G1 E0.8 F1800 ; near: prints-off-bed
G1 E3 F120 ; expect: prints-off-bed
G0 X100 Y6 F12000
G0 Z0.25 F900
G1 X140 Y6 E1.8 F3600 ; near: prints-off-bed
G1 X140 Y5.9 E0.01 ; expect: prints-off-bed
G1 X100 Y5.9 E1.8 ; expect: prints-off-bed
G1 X100 Y40 E1.5 ; expect: prints-off-bed
G0 X246 Y40 F12000 ; near: prints-off-bed
M104 S0
M140 S0
G0 Z20 F900
M84
";

const WREN_NO_FAN: &str = "\
; machine: wren
; verdict: go
; expect-job: layer-fan-never-on
; Invented: a weight of two layers, for a filament that wants no fan.
G21
G90
M83
M190 S90
M109 S245
G28
G0 Z0.25 F900
G0 X100 Y100 F12000
G1 X140 Y100 E1.8 F3600
G1 X140 Y140 E1.8
G1 X100 Y140 E1.8
G1 X100 Y100 E1.8
G0 Z0.5 F900
G1 X140 Y100 E1.8 F3600
G1 X140 Y140 E1.8
G1 X100 Y140 E1.8
G1 X100 Y100 E1.8
M104 S0
M140 S0
G0 Z20 F900
M84
";

/// The disc ends 100 mm from the middle. At x 80 mm, y 40 mm, moving outward along (2, 1), the carriage opposite runs
/// 1.664 times as fast as the nozzle, and the controller makes 40000 steps a second at 100 for a mm.
const BITTERN_EDGE: &str = "\
; machine: bittern
; verdict: no-go
; Invented: a walk around the edge of the plate.
; expect-job: no-extrusion
G21
G90
M83
G28
G1 Z10 F6000
G0 X60 Y80 F6000 ; near: outside-travel
G0 X60.1 Y80 ; expect: outside-travel
G0 X90 Y-40
G3 X90 Y40 I-90 J40 ; near: outside-travel
G0 X90 Y-40
G3 X90 Y40 I-20 J40 ; expect: outside-travel
G0 X-40 Y-20
G0 X80 Y40 F14280 ; near: step-rate-exceeded
G0 X-40 Y-20
G0 X80 Y40 F15000 ; expect: step-rate-exceeded
M140 S60 ; expect: heater-not-described
M140 S0 ; near: heater-not-described
M104 T5 S0 ; near: tool-not-described
T1 ; near: tool-not-described
T2 ; expect: tool-not-described
T0 ; near: tool-not-described
M203 X100 ; near: limits-changed-in-job
G1 X0 Y0 Z40 F6000
M84
";

/// 600 mm are left on the spool of tool 1.
const BITTERN_SPOOL: &str = "\
; machine: bittern
; verdict: hold
; Invented: filling the second tool from the end of a spool.
G21
G90
M83
M109 T1 S210
G28
T1
G1 X18 Y0 Z20 F6000
G1 E50 F240 ; near: pull-back-too-long
G1 E50
G1 E50
G1 E50
G1 E50
G1 E50
G1 E50
G1 E50
G1 E50
G1 E50
G1 E50
G1 E50 ; near: spool-too-short
G1 E-4 F1800
G1 E4 ; near: spool-too-short
G1 E0.5 F240 ; expect: spool-too-short
M104 T1 S0
G1 Z40 F6000
M84
";

const BITTERN_STILL: &str = "\
; machine: bittern
; verdict: hold
; expect-job: no-moves
; Invented: somebody saved the start of a job and nothing else.
G21
G90
G28
M117 Ready when you are
G4 P3
";
