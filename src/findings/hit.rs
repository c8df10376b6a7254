//! One hit of a check, before repeats are merged.

use super::Check;
use crate::machine::Severity;
use crate::modal::notice::Notice;

/// One hit of a check, before merging.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Hit {
    /// The check.
    pub check: &'static Check,
    /// Hits of one check and one kind merge into one finding; number kinds as you like (an axis, a heater…).
    pub kind: u64,
    /// Severity before the sheet's overrides.
    pub severity: Severity,
    /// Line, from 1; 0 when it is about the job as a whole.
    pub line: u64,
    /// Value, limit and unit for the report.
    pub value: Option<f64>,
    /// How bad: the hit with the largest decides value, limit and message; the earliest among equals.
    pub badness: f64,
    /// The limit.
    pub limit: Option<f64>,
    /// Unit of value and limit.
    pub unit: &'static str,
    /// Where the machine is on that line.
    pub spot: Spot,
}

/// Where the machine is on the line of a hit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Spot {
    /// The line belongs to the block in hand, which tells: see [`Block::place_of`](crate::block::Block::place_of).
    InBlock,
    /// There: x, y, z in machine coordinates, mm. For hits that are raised later than their block.
    At([f64; 3]),
    /// The place says nothing about the hit.
    Nowhere,
}

impl Hit {
    /// A hit without numbers, for what the reader noticed.
    pub fn noticed(check: &'static Check, kind: u64, severity: Severity, notice: &Notice) -> Self {
        Self { spot: Spot::At(notice.place_mm), ..Self::plain(check, kind, severity, notice.line) }
    }

    /// A hit without numbers, on a line of the block in hand: nothing is worse than the first of its kind.
    pub fn plain(check: &'static Check, kind: u64, severity: Severity, line: u64) -> Self {
        Self { check, kind, severity, line, value: None, badness: 0.0, limit: None, unit: "", spot: Spot::InBlock }
    }
}
