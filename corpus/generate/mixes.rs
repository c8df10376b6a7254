//! Jobs for measurements with the shapes of lines, commands and findings that jobs of many origins have and the plain big
//! job lacks. Invented; made layer by layer.

use super::pieces::{Retraction, Style, Writer, fixed, round};

/// What a job has besides moves.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Mix {
    /// Limits that change around each outline, absolute filament, two tools, and findings on most moves: nothing is homed,
    /// and the second copy lies outside the travel on two axes.
    Changing,
    /// Dwells, lifts and retraction by the controller between short squares, with filament to twelve decimals.
    Dwelling,
    /// Feed rates on lines of their own, and filament pulled back while the nozzle moves.
    Wiping,
}

/// All of them, with the names that benches show.
pub const MIXES: [(&str, Mix); 3] = [("changing", Mix::Changing), ("dwelling", Mix::Dwelling), ("wiping", Mix::Wiping)];

/// A job of that mix, of at least `bytes` bytes.
pub fn mixed_job(mix: Mix, bytes: usize) -> Vec<u8> {
    let style = Style {
        absolute_e: mix == Mix::Changing,
        width_mm: 0.45,
        height_mm: 0.2,
        outline_mm_s: 20.0,
        fill_mm_s: 50.0,
        travel_mm_s: 120.0,
        z_mm_s: 10.0,
        retraction: Retraction::Never,
    };
    let mut writer = Writer::new(style);
    writer.lines("; machine: wren");
    writer.lines("; Invented: lines of many hands, as many as a measurement needs.");
    writer.lines("G21\nG90\nM140 S60\nM104 S215\nM190 S60\nM109 S215");
    writer.lines(if mix == Mix::Wiping { "M83" } else { "M82" });
    if mix != Mix::Changing {
        writer.lines("G28");
    }
    writer.stands_at([100.0, 100.0, 2.0]);
    // As real jobs begin: nothing later melts as much.
    writer.height(0.2);
    writer.purge_line([20.0, 10.0], [220.0, 10.0], 0.9, 60.0);
    let mut layer = 0;
    while writer.text.len() < bytes {
        layer += 1;
        let z = 0.2 * f64::from(layer % 800 + 1);
        writer.height(z);
        match mix {
            Mix::Changing => changing(&mut writer, layer),
            Mix::Dwelling => dwelling(&mut writer, z),
            Mix::Wiping => wiping(&mut writer, layer, z),
        }
    }
    writer.lines("M104 S0\nM140 S0\nM107\nM84");
    writer.text.into_bytes()
}

/// Outlines of 22 sides by both tools, each with limits of its own for the way there and for itself.
fn changing(writer: &mut Writer, layer: u32) {
    for tool in 0..2 {
        writer.lines(if tool == 0 { "M104 T1 S170\nT0" } else { "M104 T0 S170\nT1" });
        writer.lines("M109 S215\nG92 E0\nM106 S180");
        writer.restart_e();
        let [x, y] = if tool == 0 { [70.0, 40.0] } else { [290.0, 220.0] };
        for n in 0..if tool == 0 { 15 } else { 12 } {
            let radius = 6.0 + f64::from((n + layer) % 5);
            let centre = [x + 18.0 * f64::from(n % 5), y + 22.0 * f64::from(n / 5)];
            writer.lines("M204 S850\nM205 X9 Y9");
            let corners = round(centre, radius, radius / 3.5);
            writer.travel(corners[0]);
            writer.lines("M204 S700\nM205 X6 Y6");
            for &corner in corners[1..].iter().chain([&corners[0]]) {
                writer.lay(corner, 20.0);
            }
        }
    }
}

/// A line of a command and words, each with so many decimals.
fn line(writer: &mut Writer, command: &str, words: &[(char, f64, u32)]) {
    writer.text.push_str(command);
    for (letter, value, decimals) in words {
        writer.text.extend([' ', *letter]);
        fixed(&mut writer.text, *value, *decimals);
    }
    writer.text.push('\n');
}

/// Squares that shrink, then four short stops above each, as if something was set down there.
fn dwelling(writer: &mut Writer, z: f64) {
    let mut e = 0.0;
    writer.lines("G92 E0");
    for n in 0..16u32 {
        let [x, y] = [60.0 + 24.0 * f64::from(n % 4), 40.0 + 24.0 * f64::from(n / 4)];
        line(writer, "G0", &[('X', x, 0), ('Y', y, 0), ('F', 3600.0, 0)]);
        line(writer, "G0", &[('Z', z, 1)]);
        writer.lines("G11");
        for turn in 0..16u32 {
            let inset = 0.4 * f64::from(turn / 4);
            let [right, up] = [[0.0, 1.0], [1.0, 1.0], [1.0, 0.0], [0.0, 0.0]][(turn % 4) as usize];
            let side = 15.0 - 2.0 * inset;
            e += side * 0.45 * 0.2 / super::pieces::FILAMENT_MM2;
            let [x, y] = [x + inset + side * right, y + inset + side * up];
            line(writer, "G1", &[('X', x, 1), ('Y', y, 1), ('E', e, 12), ('F', 1800.0, 0)]);
        }
        writer.lines("G10");
        for stop in 0..4u32 {
            let [x, y] = [x + 14.0 * f64::from(stop % 2), y + 14.0 * f64::from(stop / 2)];
            line(writer, "G0", &[('X', x, 1), ('Y', y, 1), ('F', 3600.0, 0)]);
            line(writer, "G0", &[('Z', z, 1)]);
            writer.lines("G4 P200");
            line(writer, "G0", &[('Z', z + 0.6, 1)]);
        }
    }
}

/// Outlines with the feed rate in front and a wipe behind.
fn wiping(writer: &mut Writer, layer: u32, z: f64) {
    for n in 0..16 {
        let radius = 7.0 + f64::from((n + layer) % 4);
        let centre = [60.0 + 24.0 * f64::from(n % 4), 40.0 + 24.0 * f64::from(n / 4)];
        let corners = round(centre, radius, radius / 4.8);
        writer.lines(if n % 2 == 0 { "M204 S1200" } else { "G1 F6600" });
        writer.travel(corners[0]);
        if n % 2 == 0 {
            writer.lines("G1 E0.76000 F1900");
        }
        writer.lines("G1 F2400");
        writer.stands_at([corners[0][0], corners[0][1], z]);
        for &corner in corners[1..].iter().chain([&corners[0]]) {
            writer.lay(corner, 40.0);
        }
        if n % 2 == 0 {
            continue;
        }
        for corner in &corners[1..4] {
            writer.lines("G1 F5400");
            line(writer, "G1", &[('X', corner[0], 3), ('Y', corner[1], 3), ('E', -0.236, 5)]);
        }
        writer.lines("G1 E-0.05200 F1900");
        writer.stands_at([corners[3][0], corners[3][1], z]);
    }
}
