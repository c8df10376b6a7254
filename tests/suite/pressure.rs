//! Pressure in the nozzle: the picture of a corner in README.md, and what sheets with and without a lag say.

use std::fmt::Write as _;

use gonogo::machine::Machine;
use gonogo::physics::lag::{Flow, Room};
use gonogo::preflight::{JobSource, Preflight};
use gonogo::show::picture::ink;

use super::readme::{root, same_picture};

/// Speed before and behind the corner, and in it, mm/s; lag, s; section of the line.
const FAST: f64 = 60.0;
const CORNER: f64 = 5.6;
const LAG_S: f64 = 0.06;
const SECTION_MM2: f64 = 0.08;
/// Length over which what is laid is told, mm: nearly that at one place.
const OVER_MM: f64 = 0.02;

/// What is laid about a corner as a share of what is asked for, every 0.02 mm from 6 mm before it to 6 mm behind, each over a
/// short length.
fn widths(acceleration: f64, lead_s: f64, over_mm: f64) -> Vec<(f64, f64)> {
    let ramp_s = (FAST - CORNER) / acceleration;
    let ramp_mm = (FAST + CORNER) / 2.0 * ramp_s;
    let pieces = [(FAST, FAST, 0.6), (FAST, CORNER, ramp_s), (CORNER, FAST, ramp_s), (FAST, FAST, 0.4)];
    let mut along_mm = -(FAST * 0.6 + ramp_mm);
    let mut room = Room { volume_mm3: LAG_S * SECTION_MM2 * FAST };
    // Way and volume laid up to there.
    let (mut laid_mm3, mut course) = (0.0, Vec::new());
    for (from, to, seconds) in pieces {
        let asked = Flow::even(from * SECTION_MM2, to * SECTION_MM2, seconds);
        let pushed = asked.plus(&asked.slope().times(lead_s));
        let parts = 4000;
        for n in 0..parts {
            let part = pushed.part(f64::from(n) / f64::from(parts), f64::from(n + 1) / f64::from(parts));
            let before = room.volume_mm3;
            room.take(&part, LAG_S, |_| {});
            laid_mm3 += before - room.volume_mm3 + part.volume_to(1.0);
            let share = f64::from(n + 1) / f64::from(parts);
            course.push((along_mm + asked.volume_to(share) / SECTION_MM2, laid_mm3));
        }
        along_mm += asked.volume_to(1.0) / SECTION_MM2;
    }
    let laid_to = |mm: f64| {
        let next = course.partition_point(|(at, _)| *at < mm).clamp(1, course.len() - 1);
        let ((a_mm, a), (b_mm, b)) = (course[next - 1], course[next]);
        a + (b - a) * (mm - a_mm) / (b_mm - a_mm)
    };
    (-300..=300)
        .map(|n| {
            let at_mm = f64::from(n) * 0.02;
            let laid = laid_to(at_mm + over_mm / 2.0) - laid_to(at_mm - over_mm / 2.0);
            (at_mm, laid / (SECTION_MM2 * over_mm))
        })
        .collect()
}

fn polyline(out: &mut String, curve: &[(f64, f64)], colour: &str, dashes: &str) {
    let points: Vec<String> = curve.iter().map(|(mm, share)| format!("{:.1},{:.1}", x(*mm), y(*share))).collect();
    writeln!(
        out,
        r#"<polyline fill="none" stroke="{colour}" stroke-width="2" stroke-dasharray="{dashes}" points="{}"/>"#,
        points.join(" ")
    )
    .expect("writes");
}

fn x(mm: f64) -> f64 {
    380.0 + mm * 52.0
}

fn y(share: f64) -> f64 {
    270.0 - share * 30.0
}

fn text(out: &mut String, [x, y]: [f64; 2], anchor: &str, colour: &str, words: &str) {
    let style = format!(r#"font-family="sans-serif" font-size="12" text-anchor="{anchor}" fill="{colour}""#);
    writeln!(out, r#"<text x="{x:.1}" y="{y:.1}" {style}>{words}</text>"#).expect("writes");
}

/// `GONOGO_WRITE_PICTURES=1 cargo test picture` draws it anew.
#[test]
fn the_picture_of_a_corner() {
    let hex = |ink: plotters::style::RGBColor| format!("#{:02x}{:02x}{:02x}", ink.0, ink.1, ink.2);
    let [paper, faint, grid] = [ink::PAPER, ink::FAINT, ink::GRID].map(hex);
    let [first, second, third] = [ink::FIRST, ink::SECOND, ink::THIRD].map(hex);
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"760\" height=\"330\" viewBox=\"0 0 760 330\" role=\"img\">\n\
         <title>What is laid about a corner, without and with a lead</title>\n\
         <rect width=\"760\" height=\"330\" fill=\"{paper}\"/>\n"
    );
    for share in (0..=8).step_by(2) {
        let at = y(f64::from(share));
        writeln!(svg, r#"<path d="M68 {at:.1}H692" stroke="{grid}"/>"#).expect("writes");
        text(&mut svg, [60.0, at + 4.0], "end", &faint, &format!("{} %", share * 100));
    }
    for mm in (-6..=6).step_by(2) {
        text(&mut svg, [x(f64::from(mm)), 290.0], "middle", &faint, &mm.to_string());
    }
    text(&mut svg, [380.0, 312.0], "middle", &faint, "way from the corner, mm");
    text(&mut svg, [68.0, 24.0], "start", &faint, "filament laid, of what the job asks for");
    let curves = [
        (1200.0, 0.0, &first, "", "no lead, 1200 mm/s²"),
        (3000.0, 0.0, &second, "7 4", "no lead, 3000 mm/s²"),
        (1200.0, LAG_S, &third, "2 3", "lead equal to the lag"),
    ];
    for (n, (acceleration, lead_s, colour, dashes, name)) in curves.into_iter().enumerate() {
        polyline(&mut svg, &widths(acceleration, lead_s, OVER_MM), colour, dashes);
        let at = 46.0 + 20.0 * n as f64;
        writeln!(svg, r#"<path d="M520 {at:.1}H556" stroke="{colour}" stroke-width="2" stroke-dasharray="{dashes}"/>"#)
            .expect("writes");
        text(&mut svg, [564.0, at + 4.0], "start", colour, name);
    }
    svg.push_str("</svg>\n");
    // The picture shows what the text beside it says.
    let most = |acceleration: f64, lead_s: f64, over_mm: f64| {
        widths(acceleration, lead_s, over_mm).into_iter().fold(0.0_f64, |most, (_, share)| most.max(share))
    };
    assert!(most(3000.0, 0.0, OVER_MM) > most(1200.0, 0.0, OVER_MM) && most(1200.0, LAG_S, OVER_MM) < 1.0 + 1e-6);
    let [slow, fast] = [1200.0, 3000.0].map(|acceleration| most(acceleration, 0.0, 0.4));
    assert!((slow - 3.18).abs() < 0.01 && (fast - 2.61).abs() < 0.01, "over the width of a nozzle: {slow} {fast}");
    let wide = |acceleration: f64| widths(acceleration, 0.0, OVER_MM).iter().filter(|(_, share)| *share > 1.15).count();
    assert!(wide(3000.0) < wide(1200.0));
    same_picture(&root().join("corpus/pictures/corner.svg"), &svg);
}

/// Keys that only tell something change no plan and no other finding.
#[test]
fn a_lag_alone_changes_no_plan() {
    let sheet = std::fs::read_to_string("corpus/machines/heron.toml").expect("reads");
    let plain = Machine::parse("heron.toml", &sheet).expect("a sheet");
    let lagging = plain
        .with_all(&[("tool[0].pressure_lag_s", "0.06"), ("tool[0].bulge_limit_mm3", "0.2")])
        .expect("keys of the sheet");
    let job = std::fs::read("corpus/jobs/heron-bracket.gcode").expect("reads");
    let judge = |machine: &Machine| Preflight::on(machine).run(JobSource::stream(&job[..], "job")).expect("reads");
    let (before, after) = (judge(&plain), judge(&lagging));
    assert!(before.widths.is_none());
    let widths = after.widths.expect("has a lag");
    assert!((widths.laid_mm - after.path_mm.extruding).abs() < 1e-3 && widths.wide_mm > 0.0, "{widths:?}");
    assert_eq!((before.time_s, before.flow), (after.time_s, after.flow));
    let others = |found: &gonogo::findings::Inspection| {
        found.findings.iter().filter(|f| !["bulges-at-corners", "extruder-overdriven"].contains(&&*f.check)).count()
    };
    assert_eq!(others(&before), others(&after));
}
