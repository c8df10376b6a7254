//! What a finding is recognised by: check, kind and place in the part, not the line.
//!
//! The place is that of the first line, with x and y counted from the lower corner of what the job prints, so that it stays
//! when the job is sliced anew or the part is laid elsewhere on the bed. It is rounded down to cells; a place near the
//! border of a cell is recognised from both sides.

use crate::findings::{Finding, Inspection};
use crate::geometry::Box3;

/// Size of the cells, x y z, mm.
pub(super) const CELL_MM: [f64; 3] = [4.0, 4.0, 1.0];
/// A finding is recognised when it has moved by no more than this share of a cell.
pub(super) const REACH: f64 = 0.25;
/// Digits of a fingerprint.
const DIGITS: usize = 16;

/// The fingerprint of a finding: 16 hex digits.
pub fn of(inspection: &Inspection, finding: &Finding) -> String {
    print(finding, place(inspection, finding.place_mm).map(cell))
}

/// The same of the line of its worst value.
pub fn of_worst(inspection: &Inspection, finding: &Finding) -> String {
    print(finding, place(inspection, finding.worst_place_mm).map(cell))
}

/// The fingerprints it is recognised by, its own first.
pub fn near(inspection: &Inspection, finding: &Finding) -> Vec<String> {
    around(finding, place(inspection, finding.place_mm))
}

/// The same of the line of its worst value.
pub fn near_worst(inspection: &Inspection, finding: &Finding) -> Vec<String> {
    around(finding, place(inspection, finding.worst_place_mm))
}

/// The box around the places of all hits, counted from the corner of the part, mm; where that is kept.
pub fn extent(inspection: &Inspection, finding: &Finding) -> Option<Box3> {
    let Box3 { min, max } = finding.places_mm?;
    let [min, max] = [min, max].map(|at_mm| in_part(inspection, at_mm));
    Some(Box3 { min, max })
}

fn around(finding: &Finding, place: Option<[f64; 3]>) -> Vec<String> {
    let Some(place) = place else { return vec![print(finding, None)] };
    let mut cells = vec![cell(place)];
    for corner in 0..8_u32 {
        let toward = |axis: usize| if corner >> axis & 1 == 0 { -REACH } else { REACH };
        let other = cell([0, 1, 2].map(|axis| place[axis] + toward(axis)));
        if !cells.contains(&other) {
            cells.push(other);
        }
    }
    cells.into_iter().map(|cell| print(finding, Some(cell))).collect()
}

/// Place in the part, in cells.
fn place(inspection: &Inspection, at_mm: Option<[f64; 3]>) -> Option<[f64; 3]> {
    let in_part_mm = in_part(inspection, at_mm?);
    Some([0, 1, 2].map(|axis| in_part_mm[axis] / CELL_MM[axis]))
}

/// The same, mm.
fn in_part(inspection: &Inspection, at_mm: [f64; 3]) -> [f64; 3] {
    let corner = inspection.extruding.map_or([0.0; 2], |extruding| [extruding.min[0], extruding.min[1]]);
    [at_mm[0] - corner[0], at_mm[1] - corner[1], at_mm[2]]
}

fn cell(place: [f64; 3]) -> [i64; 3] {
    // `as` saturates.
    place.map(|cells| cells.floor() as i64)
}

fn print(finding: &Finding, cell: Option<[i64; 3]>) -> String {
    let text = format!("gonogo finding 1\n{}\n{}\n{cell:?}", finding.check, finding.kind);
    let mut digits = blake3::hash(text.as_bytes()).to_hex().to_string();
    digits.truncate(DIGITS);
    digits
}
