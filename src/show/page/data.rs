//! What the script of a page draws from: facts as JSON, curves and paths as packed numbers.

use std::io::Write;

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use flate2::Compression;
use flate2::write::ZlibEncoder;
use serde_json::{Value, json};

use crate::findings::{Finding, Inspection, Severity};
use crate::machine::{BedShape, Machine};
use crate::show::{
    picture::{Pictured, plan, ramp, timeline::Tops},
    record::{Drawing, Envelope, FARTHEST_MM, GRID_MM, PlanPoint, TimeRecord, units},
};

/// Milliseconds of a step of time on the paths.
const STEP_MS: f64 = 1.0;
/// Events that the script marks.
const EVENTS: usize = 1000;

/// JSON that can be put inside a script element whatever it holds.
pub fn script_json(value: &Value) -> String {
    value.to_string().replace('<', "\\u003c").replace('>', "\\u003e").replace('&', "\\u0026")
}

/// Deflates and writes as base64.
pub fn packed(bytes: &[u8]) -> String {
    let mut encoder = ZlibEncoder::new(Vec::new(), Compression::new(7));
    // Writing to memory does not fail.
    let deflated = encoder.write_all(bytes).and_then(|()| encoder.finish()).unwrap_or_default();
    STANDARD.encode(deflated)
}

/// Curves over time: columns of little-endian 32-bit floats (what is not known is no number), then lines as 32-bit naturals.
pub fn time(record: &TimeRecord) -> Vec<u8> {
    let mut bytes = Vec::new();
    let mut column = |values: &[f32]| values.iter().for_each(|value| bytes.extend(value.to_le_bytes()));
    column(&record.melt_mm3_s.low);
    column(&record.melt_mm3_s.high);
    column(&record.sustained_mm3_s.high);
    column(&record.speed_mm_s.low);
    column(&record.speed_mm_s.high);
    if let Some(ringing) = &record.ringing_mm {
        column(&ringing.high);
    }
    if let Some(capacity) = &record.capacity_mm3_s {
        column(&capacity.lowest_carried());
    }
    if let Some(cooling) = &record.cooling_s {
        column(&cooling.low);
    }
    column(&record.fan_share.high);
    for &line in &record.lines {
        bytes.extend(u32::try_from(line).unwrap_or(u32::MAX).to_le_bytes());
    }
    bytes
}

/// Seven bits to a byte, the lowest first; the highest bit says that more follow.
fn natural(bytes: &mut Vec<u8>, mut value: u64) {
    while value > 0x7f {
        bytes.push(value as u8 | 0x80);
        value >>= 7;
    }
    bytes.push(value as u8);
}

/// 0, −1, 1, −2… as 0, 1, 2, 3…
fn whole(bytes: &mut Vec<u8>, value: i64) {
    natural(bytes, ((value << 1) ^ (value >> 63)) as u64);
}

/// Numbers in the script lose nothing up to here.
const EXACT: f64 = 9_007_199_254_740_992.0;

/// Layers, paths and points, each kind of number in a row of its own: see `decode` in the script.
pub fn drawing(drawing: &Drawing, tops: &Tops, rings: bool) -> Vec<u8> {
    let mut bytes = Vec::new();
    let (mut number, mut z_um) = (0, 0);
    for layer in &drawing.layers {
        natural(&mut bytes, layer.number - number);
        let [z, top] = layer.z_mm.map(|mm| (mm * 1000.0).round() as i64);
        whole(&mut bytes, z - z_um);
        natural(&mut bytes, (top - z).max(0).cast_unsigned());
        natural(&mut bytes, u64::from(layer.full));
        natural(&mut bytes, layer.begun[0]);
        natural(&mut bytes, layer.paths.len() as u64);
        (number, z_um) = (layer.number, z);
    }
    let (mut line, mut steps) = (0, 0);
    for (path, points) in drawing.layers.iter().flat_map(|layer| layer.strokes()) {
        natural(&mut bytes, (points.len() as u64) << 1 | u64::from(path.travel));
        whole(&mut bytes, path.line.cast_signed() - line);
        let [from, to] = path.span_s.map(|s| (s * 1000.0 / STEP_MS).round().min(EXACT) as i64);
        whole(&mut bytes, from - steps);
        natural(&mut bytes, (to - from).max(0).cast_unsigned());
        (line, steps) = (path.line.cast_signed(), from + (to - from).max(0));
    }
    let points = || drawing.layers.iter().flat_map(|layer| &layer.points);
    for coordinate in [(|point| point.x) as fn(&PlanPoint) -> i32, |point| point.y] {
        let mut last = 0;
        for point in points() {
            whole(&mut bytes, i64::from(coordinate(point)) - last);
            last = i64::from(coordinate(point));
        }
    }
    let share = |steps: u16, unit: f64, top: f64| {
        if top > 0.0 { (f64::from(steps) * unit / top * 255.0).round().min(255.0) as u8 } else { 0 }
    };
    bytes.extend(points().map(|point| share(point.melt, units::MELT_MM3_S, tops.melt_mm3_s)));
    bytes.extend(points().map(|point| share(point.speed, units::SPEED_MM_S, tops.speed_mm_s)));
    if rings {
        bytes.extend(points().map(|point| share(point.ringing, units::RINGING_MM, tops.ringing_mm)));
    }
    bytes
}

/// All the rest.
pub fn facts(pictured: &Pictured, machine: &Machine, tops: &Tops) -> Value {
    let (report, time, drawing) = (&pictured.report, &pictured.time, &pictured.drawing);
    let events: Vec<Value> =
        time.events.iter().take(EVENTS).map(|event| json!([event.at_s, event.line, event.kind.words()])).collect();
    let findings: Vec<Value> =
        report.findings.iter().enumerate().map(|(k, finding)| found(pictured, k, finding)).collect();
    let keep_out: Vec<Value> = machine
        .travel
        .keep_out
        .iter()
        .map(|keep_out| json!({ "what": keep_out.what, "min": keep_out.min, "max": keep_out.max }))
        .collect();
    let line_mm = machine.tools.first().and_then(|tool| tool.nozzle_diameter_mm).unwrap_or(plan::LINE_MM);
    json!({
        "time": {
            "end_s": time.end_s, "stretch_s": time.stretch_s, "columns": time.lines.len(), "rings": time.ringing_mm.is_some(),
            "heats": time.capacity_mm3_s.is_some(), "cools": time.cooling_s.is_some(),
            "cooling_least_s": time.cooling_least_s, "cooling_top_s": time.cooling_s.as_ref().map(Envelope::most),
            "layers": time.layers.iter().map(|layer| (layer.at_s * 1000.0).round() / 1000.0).collect::<Vec<_>>(), "events": events,
        },
        "sustained_top": time.sustained_mm3_s.most(),
        "top": { "melt": tops.melt_mm3_s, "speed": tops.speed_mm_s, "ringing": tops.ringing_mm },
        "capacity": { "sustained": report.capacity.sustained_mm3_s, "peak": report.capacity.peak_mm3_s },
        "ringing_limit_mm": machine.structure.ringing_limit_mm,
        "machine": { "min": machine.travel.min, "max": machine.travel.max, "disc": machine.travel.bed == BedShape::Disc, "keep_out": keep_out },
        "findings": findings,
        "plan": {
            "layers": drawing.layers.len(), "layers_total": drawing.layers_total,
            "paths": drawing.paths(), "points": drawing.points(),
            "rings": time.ringing_mm.is_some(), "grid_mm": GRID_MM, "step_ms": STEP_MS, "line_mm": line_mm,
            "printed": drawing.layers.iter().any(|layer| layer.paths.iter().any(|path| !path.travel)),
            "start_layer": pictured.first_layer(), "box": part_box(report, drawing),
        },
        "map": { "paper": ramp::on_paper(), "dark": ramp::in_the_dark() },
    })
}

/// A finding with its places: line, layer (0 before the first), start of the move, its end, time, whether it is known, end of the move.
fn found(pictured: &Pictured, k: usize, finding: &Finding) -> Value {
    let place = |line: u64| match pictured.place(line) {
        Some(at) => {
            json!([line, at.layer, at.from[0], at.from[1], at.from[2], at.to[0], at.to[1], at.to[2], at.at_s, 1])
        }
        None => json!([line, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0]),
    };
    let places: Vec<Value> = pictured.placed_lines(finding).into_iter().map(place).collect();
    json!({ "number": k + 1, "check": finding.check, "grave": finding.severity > Severity::Note && finding.accepted.is_none(), "places": places })
}

/// The box around the part, mm: what is extruded, or else what is drawn.
fn part_box(report: &Inspection, drawing: &Drawing) -> Value {
    if let Some(part) = report.extruding {
        let near = |corner: [f64; 3]| corner.map(|mm| mm.clamp(-FARTHEST_MM, FARTHEST_MM));
        return json!({ "min": near(part.min), "max": near(part.max) });
    }
    let mut around = [[f64::INFINITY; 2], [f64::NEG_INFINITY; 2]];
    for point in drawing.layers.iter().flat_map(|layer| &layer.points) {
        for (axis, value) in [point.x, point.y].into_iter().enumerate() {
            around[0][axis] = around[0][axis].min(f64::from(value) * GRID_MM);
            around[1][axis] = around[1][axis].max(f64::from(value) * GRID_MM);
        }
    }
    if around[0][0] > around[1][0] {
        around = [[0.0; 2], [1.0; 2]];
    }
    json!({ "min": around[0], "max": around[1] })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The other way round, as the script reads.
    fn read_natural(bytes: &mut impl Iterator<Item = u8>) -> u64 {
        let (mut value, mut shift) = (0, 0);
        for byte in bytes {
            value |= u64::from(byte & 0x7f) << shift;
            shift += 7;
            if byte < 0x80 {
                break;
            }
        }
        value
    }

    #[test]
    fn whole_numbers_come_back() {
        let values = [0, 1, -1, 63, -64, 64, -65, 1 << 20, -(1 << 40), 4_503_599_627_370_495];
        let mut bytes = Vec::new();
        values.iter().for_each(|&value| whole(&mut bytes, value));
        assert_eq!(&bytes[..3], [0, 2, 1]);
        let mut bytes = bytes.into_iter();
        for value in values {
            let natural = read_natural(&mut bytes);
            assert_eq!(if natural % 2 == 0 { (natural / 2) as i64 } else { -((natural / 2) as i64) - 1 }, value);
        }
    }

    #[test]
    fn json_never_ends_its_script() {
        let text = script_json(&json!({ "a": "</script><!-- & -->" }));
        assert!(!text.contains(['<', '>', '&']), "{text}");
        assert_eq!(serde_json::from_str::<Value>(&text).expect("parses")["a"], "</script><!-- & -->");
    }
}
