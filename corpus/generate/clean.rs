//! Good jobs: nothing in them may be found fault with.

use std::f64::consts::TAU;

use super::pieces::{FILAMENT_MM2, Point, Retraction, Style, Tally, Writer, rectangle, round};
use super::{Job, Known};

const CLOSED: f64 = 1e-6;
const COUNTED: f64 = 1e-9;

pub fn jobs() -> Vec<Job> {
    vec![
        heron_square(),
        heron_bracket(),
        wren_cap(),
        wren_dial(),
        wren_stairs(),
        bittern_tag(),
        tern_climb(),
        tern_cooling(),
        tern_easy(),
        dunlin_steps(),
    ]
}

fn known(field: &'static str, value: f64, tolerance: f64, why: &'static str) -> Known {
    Known { field, value, tolerance, why }
}

/// What every job counts while it is written.
fn counted(tally: &Tally) -> Vec<Known> {
    vec![
        known("path_mm.extruding", tally.extruding_mm, COUNTED, "sum over the coordinates as written"),
        known("filament.net_mm", tally.net_mm, COUNTED, "sum of the E words as written"),
        known("layers_total", f64::from(tally.layers), 0.0, "layers begun"),
    ]
}

fn counted_box(tally: &Tally) -> Vec<Known> {
    let why = "over the coordinates as written";
    let [x_min, y_min, z_min] = tally.min;
    let [x_max, y_max, z_max] = tally.max;
    let corners = [
        ("extruding.min.x", x_min),
        ("extruding.min.y", y_min),
        ("extruding.min.z", z_min),
        ("extruding.max.x", x_max),
        ("extruding.max.y", y_max),
        ("extruding.max.z", z_max),
    ];
    corners.into_iter().map(|(field, value)| known(field, value, COUNTED, why)).collect()
}

/// Speeds that suit Heron.
pub(super) fn heron() -> Style {
    Style {
        absolute_e: true,
        width_mm: 0.45,
        height_mm: 0.2,
        outline_mm_s: 30.0,
        fill_mm_s: 50.0,
        travel_mm_s: 110.0,
        z_mm_s: 5.0,
        retraction: Retraction::Words(1.5, 20.0),
    }
}

const HERON_START: &str = "G21\nG90\nM82\nM104 S205\nM190 S60\nM109 S205\nG28\n\
; High over the clips.\nG1 Z10 F300\nG0 X20 Y30 F6600";
const HERON_END: &str = "; Cool down, bring the bed forward, release the motors.\nM104 S0\nM140 S0\nM107\nG91\n\
G1 Z5 F300\nG90\nG0 X10 Y200 F6000\nM84";

/// One outline, eight layers: every number by hand.
fn heron_square() -> Job {
    const SIDE: f64 = 20.0;
    const LAYERS: u32 = 8;
    const PRIME: f64 = 6.0;
    let mut job = Writer::new(Style { retraction: Retraction::Never, ..heron() });
    job.lines("; machine: heron\n; verdict: go\n; Invented: a square sleeve, one line thick, to look at corners.");
    job.lines(HERON_START);
    job.stands_at([20.0, 30.0, 10.0]);
    job.travel([100.0, 100.0]);
    job.lines("G4 S2.5");
    job.push(PRIME, 2.0);
    job.lines("G4 P500");
    for number in 1..=LAYERS {
        job.layer(number, LAYERS);
        if number == 2 {
            job.lines("M106 S128");
        }
        job.outline(&rectangle([100.0, 100.0], [100.0 + SIDE, 100.0 + SIDE]));
    }
    job.lines(HERON_END);
    let path = f64::from(LAYERS) * 4.0 * SIDE;
    let filament = PRIME + path * 0.45 * 0.2 / FILAMENT_MM2;
    // Eight layers of four rounded words: up to 32 × 0.000005 mm.
    let words = 1e-5;
    let numbers = vec![
        known("path_mm.extruding", path, CLOSED, "8 layers of 4 sides of 20 mm"),
        known("filament.net_mm", filament, words, "6 mm, and 640 mm of 0.45 mm by 0.2 mm over the filament's section"),
        known("filament.purged_mm", PRIME, CLOSED, "6 mm pushed at rest"),
        known("filament.net_mm3", filament * FILAMENT_MM2, words, "net length times the filament's section"),
        known("filament.net_g", filament * FILAMENT_MM2 * 1.24e-3, words, "net volume at 1.24 g/cm³"),
        known("layers_total", f64::from(LAYERS), 0.0, "8 layers"),
        known("time_s.dwell", 2.5 + 0.5, CLOSED, "G4 of 2.5 s and of 500 ms"),
        known("time_s.homing", 18.0, CLOSED, "homing once, 18 s"),
        known("time_s.heating", 240.0 * (75.0f64 / 35.0).ln(), CLOSED, "bed from 20 °C to 60 °C: 240 s ln(75 / 35)"),
        known("flow.peak", 0.45 * 0.2 * 30.0, 1e-3, "0.45 mm by 0.2 mm at 30 mm/s; E words are rounded"),
        known("heat.nozzle_max_c", 205.0, 0.0, "M104 and M109"),
        known("heat.bed_max_c", 60.0, 0.0, "M190"),
    ];
    let known = numbers.into_iter().chain(counted_box(&job.tally)).collect();
    Job { name: "heron-square", machine: "heron", text: job.text, known }
}

/// An ordinary small part: outline, holes, filling, a purge line. It passes on the built-in machine as well.
fn heron_bracket() -> Job {
    const LAYERS: u32 = 6;
    const CORNERS: [Point; 6] =
        [[80.0, 80.0], [122.0, 80.0], [122.0, 94.0], [94.0, 94.0], [94.0, 122.0], [80.0, 122.0]];
    let mut job = Writer::new(heron());
    job.lines("; machine: heron\n; verdict: go\n; Invented: an angle bracket with two screw holes.");
    job.lines(HERON_START);
    job.stands_at([20.0, 30.0, 10.0]);
    for number in 1..=LAYERS {
        job.layer(number, LAYERS);
        match number {
            1 => job.purge_line([20.0, 32.0], [20.0, 142.0], 0.8, 20.0),
            2 => job.lines("M106 S180"),
            _ => {}
        }
        job.lines("; Outline and holes.");
        job.outline(&CORNERS);
        job.outline(&round([111.0, 87.0], 2.6, 0.8));
        job.outline(&round([87.0, 111.0], 2.6, 0.8));
        job.lines("; Filling, to and fro.");
        job.fill([80.4, 80.4], [106.0, 93.6], 0.9, number % 2 == 0);
        job.fill([80.4, 94.4], [93.6, 106.0], 0.9, number % 2 == 1);
    }
    job.retract();
    job.lines(HERON_END);
    let known = counted(&job.tally).into_iter().chain(counted_box(&job.tally)).collect();
    Job { name: "heron-bracket", machine: "heron", text: job.text, known }
}

fn wren() -> Style {
    Style {
        absolute_e: false,
        width_mm: 0.45,
        height_mm: 0.2,
        outline_mm_s: 120.0,
        fill_mm_s: 180.0,
        travel_mm_s: 300.0,
        z_mm_s: 15.0,
        retraction: Retraction::Controller,
    }
}

const WREN_START: &str = "G21\nG90\nM83\nM140 S70\nM104 S230\nM190 S70\nM109 S230\nG28";
const WREN_END: &str = "; Cool down, lift, release the motors.\nM104 S0\nM140 S0\nM141 S0\nM107\n\
G0 Z40 F900\nG0 X125 Y200 F12000\nM84";

/// A round cap: outlines of many short chords.
fn wren_cap() -> Job {
    const LAYERS: u32 = 4;
    let centre = [125.0, 105.0];
    let mut job = Writer::new(wren());
    job.lines("; machine: wren\n; verdict: go\n; Invented: the lid of a jar, its round wall made of short chords.");
    job.lines(WREN_START);
    job.stands_at([248.0, 208.0, 2.0]);
    for number in 1..=LAYERS {
        job.layer(number, LAYERS);
        match number {
            1 => job.purge_line([40.0, 10.0], [160.0, 10.0], 0.9, 40.0),
            2 => job.lines("M106 S255"),
            _ => {}
        }
        job.lines("; Wall.");
        job.outline(&round(centre, 16.0, 0.8));
        job.outline(&round(centre, 15.55, 0.8));
        job.lines("; Filling, to and fro.");
        job.fill_round(centre, 15.1, 1.2);
    }
    job.retract();
    job.lines(WREN_END);
    let mut known: Vec<Known> = counted(&job.tally).into_iter().chain(counted_box(&job.tally)).collect();
    // The last G10 is not undone.
    if let Some(net) = known.iter_mut().find(|known| known.field == "filament.net_mm") {
        net.value -= 0.6;
        net.why = "sum of the E words as written, less the last retraction of 0.6 mm";
    }
    Job { name: "wren-cap", machine: "wren", text: job.text, known }
}

/// Rings of true arcs in a warm chamber.
fn wren_dial() -> Job {
    const LAYERS: u32 = 5;
    const RADII: [f64; 4] = [30.0, 29.55, 12.0, 11.55];
    let centre = [125.0, 105.0];
    let mut job = Writer::new(wren());
    job.lines("; machine: wren\n; verdict: go\n; Invented: the scale ring of a dial, made of whole circles.");
    job.lines("M141 S45");
    job.lines(WREN_START);
    job.lines("M191 S45");
    job.stands_at([248.0, 208.0, 2.0]);
    for number in 1..=LAYERS {
        job.layer(number, LAYERS);
        if number == 2 {
            job.lines("M106 S90");
        }
        for radius in RADII {
            job.travel([centre[0] + radius, centre[1]]);
            job.circle(radius > 20.0, centre, 100.0);
        }
    }
    job.retract();
    job.lines(WREN_END);
    let path = f64::from(LAYERS) * TAU * RADII.iter().sum::<f64>();
    let bed = 300.0 * (128.0f64 / 80.0).ln();
    let chamber = 1200.0 * (53.0f64 / 30.0).ln() - 26.0 - bed;
    let known = vec![
        known("path_mm.extruding", path, CLOSED, "5 layers of circles of radius 30, 29.55, 12 and 11.55 mm"),
        known("layers_total", f64::from(LAYERS), 0.0, "5 layers"),
        known("extruding.min.x", 95.0, CLOSED, "centre 125 mm, radius 30 mm"),
        known("extruding.min.y", 75.0, CLOSED, "centre 105 mm, radius 30 mm"),
        known("extruding.max.x", 155.0, CLOSED, "centre 125 mm, radius 30 mm"),
        known("extruding.max.y", 135.0, CLOSED, "centre 105 mm, radius 30 mm"),
        known("filament.net_mm", job.tally.net_mm - 0.6, COUNTED, "sum of the E words, less the last retraction"),
        known(
            "time_s.heating",
            bed + chamber,
            CLOSED,
            "chamber from 22 °C to 45 °C: 1200 s ln(53 / 30), less homing of 26 s; bed and nozzle are ready sooner",
        ),
        known("heat.chamber_max_c", 45.0, 0.0, "M141 and M191"),
    ];
    Job { name: "wren-dial", machine: "wren", text: job.text, known }
}

/// Single strokes from rest to rest: the time of each is L / V + V / a.
fn wren_stairs() -> Job {
    const STEPS: u32 = 6;
    const SPEED: f64 = 120.0;
    let mut job = Writer::new(Style { outline_mm_s: SPEED, retraction: Retraction::Never, ..wren() });
    job.lines("; machine: wren\n; verdict: go\n; Invented: single strokes, one step higher each, with a stop after each move.");
    job.lines(WREN_START);
    job.stands_at([248.0, 208.0, 2.0]);
    job.lines("M106 S255");
    job.travel([60.0, 100.0]);
    job.lines("M400");
    let (mut travel_s, mut x) = (travel_time(188.0f64.hypot(108.0), 300.0, 8000.0), 60.0);
    let (mut stroke_s, mut path, mut z) = (0.0, 0.0, 2.0);
    for number in 1..=STEPS {
        let length = 20.0 * f64::from(number);
        job.layer(number, STEPS);
        job.lines("M400");
        travel_s += travel_time((0.2 * f64::from(number) - z).abs(), 15.0, 400.0);
        z = 0.2 * f64::from(number);
        x += if number % 2 == 1 { length } else { -length };
        job.lay([x, 100.0], SPEED);
        job.lines("M400");
        stroke_s += travel_time(length, SPEED, 6000.0);
        path += length;
    }
    job.lines("M104 S0\nM140 S0\nM107\nM84");
    let known = vec![
        known("time_s.extruding", stroke_s, CLOSED, "6 strokes of 20 to 120 mm: L / 120 + 120 / 6000 s each"),
        known("time_s.travel", travel_s, CLOSED, "217 mm at 300 mm/s, 8000 mm/s²; rises at 15 mm/s, 400 mm/s²"),
        known("path_mm.extruding", path, CLOSED, "20 mm + 40 mm + … + 120 mm"),
        known("flow.peak", 0.45 * 0.2 * SPEED, 1e-4, "0.45 mm by 0.2 mm at 120 mm/s; E words are rounded"),
        known("flow.mean", 0.45 * 0.2 * path / stroke_s, 1e-4, "volume of the strokes over their time"),
        known("layers_total", f64::from(STEPS), 0.0, "6 steps"),
        known("job.moves", 1.0 + 2.0 * f64::from(STEPS), 0.0, "one travel; a rise and a stroke for each step"),
    ];
    Job { name: "wren-stairs", machine: "wren", text: job.text, known }
}

/// From rest to rest, s: with a cruise, or as a triangle where the length does not suffice for it.
fn travel_time(length: f64, speed: f64, acceleration: f64) -> f64 {
    if length >= speed * speed / acceleration {
        length / speed + speed / acceleration
    } else {
        2.0 * (length / acceleration).sqrt()
    }
}

/// A name tag of two filaments.
fn bittern_tag() -> Job {
    const LAYERS: u32 = 4;
    let style = Style {
        absolute_e: false,
        width_mm: 0.45,
        height_mm: 0.25,
        outline_mm_s: 40.0,
        fill_mm_s: 60.0,
        travel_mm_s: 150.0,
        z_mm_s: 100.0,
        retraction: Retraction::Words(4.0, 40.0),
    };
    let mut job = Writer::new(style);
    job.lines("; machine: bittern\n; verdict: go\n; Invented: a name tag, plate from tool 0, raised bars from tool 1.");
    job.lines("G21\nG90\nM83\nM104 T0 S210\nM104 T1 S170\nT0\nM109 S210\nG28\nG1 Z10 F6000");
    job.stands_at([0.0, 0.0, 10.0]);
    for number in 1..=2 {
        job.layer(number, LAYERS);
        job.outline(&rectangle([-30.0, -12.0], [30.0, 12.0]));
        job.fill([-29.5, -11.5], [29.5, 11.5], 0.9, number == 2);
        job.retract();
    }
    job.lines("; The other tool: the first one keeps warm.\nG1 Z10 F6000\nM104 T0 S150\nT1\nM109 S215");
    let plate = job.tally.net_mm;
    let mut bars = Writer::new(Style { width_mm: 0.65, outline_mm_s: 30.0, fill_mm_s: 35.0, ..style });
    bars.stands_at([0.0, 0.0, 10.0]);
    bars.push(12.0, 3.0);
    for number in 3..=LAYERS {
        bars.layer(number, LAYERS);
        for bar in 0..5 {
            let x = -25.0 + 11.0 * f64::from(bar);
            bars.outline(&rectangle([x, -8.0], [x + 5.0, 8.0]));
            bars.fill([x + 0.6, -7.4], [x + 4.4, 7.4], 0.7, true);
        }
        bars.retract();
    }
    bars.lines(
        "; Cool both tools down, lift, release the motors.\nM104 T0 S0\nM104 T1 S0\nG91\nG1 Z30 F6000\nG90\nM84",
    );
    let (bar_tally, plate_tally) = (bars.tally, job.tally);
    job.text.push_str(&bars.text);
    let grams = FILAMENT_MM2 * (plate * 1.24e-3 + bar_tally.net_mm * 1.08e-3);
    let path = plate_tally.extruding_mm + bar_tally.extruding_mm;
    let known = vec![
        known("path_mm.extruding", path, COUNTED, "sum over the coordinates as written"),
        known("filament.net_mm", plate + bar_tally.net_mm, COUNTED, "sum of the E words as written"),
        known("filament.net_g", grams, COUNTED, "tool 0 at 1.24 g/cm³, tool 1 at 1.08 g/cm³"),
        known("filament.purged_mm", 12.0, CLOSED, "12 mm pushed at rest by tool 1"),
        known("layers_total", f64::from(LAYERS), 0.0, "layers begun"),
        known(
            "extruding.max.x",
            plate_tally.max[0].max(bar_tally.max[0]),
            COUNTED,
            "coordinates are those of the tip in use",
        ),
        known(
            "extruding.min.x",
            plate_tally.min[0].min(bar_tally.min[0]),
            COUNTED,
            "coordinates are those of the tip in use",
        ),
    ];
    Job { name: "bittern-tag", machine: "bittern", text: job.text, known }
}

/// Tern, ready to print.
fn tern_start(about: &str) -> String {
    format!("; machine: tern\n; verdict: go\n; Invented: {about}\nG21\nG90\nM83\nG28\nG0 Z0.3 F600\nM109 S200\n")
}

const TERN_END: &str = "M104 S0\nM84\n";

/// One move of 40 mm from rest to rest: it never cruises and peaks at √(a L), so the melt rate of 45 mm³/s binds at
/// a = (45 / A)² / L with the section A of the line.
fn tern_climb() -> Job {
    let mut text = tern_start("one long line, to see where the melt rate binds as the acceleration goes up.");
    text += "G1 X40 E2 F60000\n";
    text += TERN_END;
    let time = 2.0 * (40.0f64 / 1000.0).sqrt();
    let known = vec![known("time_s.extruding", time, 1e-6, "2 √(L / a) from rest to rest")];
    Job { name: "tern-climb", machine: "tern", text, known }
}

/// The hotend cools while the nozzle goes to and fro, then heats while it does so again: slow and quick machines end warm
/// enough, those between do not.
fn tern_cooling() -> Job {
    let mut text = tern_start("cools and heats on the way, to see a verdict that comes back.");
    let trips = |text: &mut String| {
        for _ in 0..16 {
            *text += "G0 X200 F600000\nG0 X0\n";
        }
    };
    text += "M104 S0\n";
    trips(&mut text);
    text += "M104 S200\n";
    trips(&mut text);
    text += "G1 X50 E1 F1800\n";
    text += TERN_END;
    // And 0.3 mm up at first, from rest to rest at 10 mm/s.
    let time = 64.0 * 2.0 * (200.0f64 / 500.0).sqrt() + 0.3 / 10.0 + 10.0 / 500.0;
    let known = vec![known("time_s.travel", time, 1e-6, "64 trips of 2 √(L / a), and L / v + v / a upwards")];
    Job { name: "tern-cooling", machine: "tern", text, known }
}

/// Nothing limits it.
fn tern_easy() -> Job {
    let mut text = tern_start("a thin slow line, which no acceleration makes too much for.");
    text += "G1 X40 E0.8 F1800\n";
    text += TERN_END;
    let time = 40.0 / 30.0 + 30.0 / 1000.0;
    let known = vec![known("time_s.extruding", time, 1e-6, "L / v + v / a")];
    Job { name: "tern-easy", machine: "tern", text, known }
}

/// Four lines from rest to rest under a limited jerk, one for each way to drive one: cruising, up to the largest acceleration,
/// short of that, and all jerk.
fn dunlin_steps() -> Job {
    let about = "four lines at right angles, from 40 mm down to 0.2 mm.";
    let mut text =
        format!("; machine: dunlin\n; verdict: go\n; Invented: {about}\nG21\nG90\nM83\nG28\nG0 Z0.3 F600\nM109 S200\n");
    text += "G1 X40 E1.3 F6000\nG1 Y5 E0.16\nG1 X39 E0.03\nG1 Y5.2 E0.006\n";
    text += "M104 S0\nM84\n";
    let time = 0.481_666_666_666_666_7 + 0.131_440_256_498_057_13 + 0.068_774_219_349_672_26 + 0.04;
    let why = "time-optimal motions at 100 mm/s, 1500 mm/s² and 1e5 mm/s³, by the Python package ruckig";
    Job { name: "dunlin-steps", machine: "dunlin", text, known: vec![known("time_s.extruding", time, 1e-6, why)] }
}
