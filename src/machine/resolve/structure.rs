//! The structure of a sheet, and the rules across its keys.

use super::{LAYOUT, Reader};
use crate::machine::{
    structure::{Direction, ImpulseShaper, Mode, ShaperKind, Structure},
    value::Found,
};

impl Reader<'_> {
    pub(super) fn structure(&self) -> Structure {
        Structure {
            modes: (0..self.count("structure[]")).map(|i| self.mode(&format!("structure[{i}]"))).collect(),
            ringing_limit_mm: self.number("structure_limits.ringing_mm"),
            shapers: ["x", "y"].map(|axis| self.shaper(&format!("structure_limits.impulse_shaper.{axis}"))),
        }
    }

    fn mode(&self, table: &str) -> Mode {
        let word = self.word(&format!("{table}.axis"));
        let number = |name: &str| self.required(&format!("{table}.{name}"));
        Mode {
            along: Direction::ALL.into_iter().find(|along| along.word() == word).unwrap_or(Direction::X),
            natural_hz: number("natural_hz"),
            damping_ratio: number("damping_ratio"),
            share: number("share"),
        }
    }

    fn shaper(&self, table: &str) -> Option<ImpulseShaper> {
        let word = self.has(table).then(|| self.word(&format!("{table}.kind")))?;
        Some(ImpulseShaper {
            kind: ShaperKind::ALL.into_iter().find(|kind| kind.word() == word)?,
            tuned_hz: self.required(&format!("{table}.tuned_hz")),
            tuned_damping_ratio: self.required(&format!("{table}.tuned_damping_ratio")),
        })
    }

    /// Only crossed belts swing along a diagonal of their own.
    pub(super) fn check_structure(&self, found: &mut Vec<Found>) {
        let layout = self.word(LAYOUT);
        for i in 0..self.count("structure[]") {
            let axis = format!("structure[{i}].axis");
            let Some(entry) = self.entry(&axis) else { continue };
            let word = self.word(&axis);
            let diagonal = word.len() > 1;
            if diagonal && matches!(layout.as_str(), "one-per-axis" | "three-towers") {
                let message = format!("`axis` \"{word}\" is for drive_layout \"crossed-belts\", not \"{layout}\"");
                let advice = "give the mode for \"x\" or for \"y\"".to_owned();
                found.push(Found::new(entry.span.clone(), message).suggest(advice));
            }
        }
    }
}
