//! A straight path for G0 and G1 with plain axis words, from a chunk to the columns of blocks.
//!
//! [`Interpreter::line`] is the law: what happens here to a line is what happens there, only with the state that such
//! lines cannot change taken out of the loop, and without an [`Event`](crate::block::Event) in between. Every other line goes
//! to it. A property test below compares the two.

use super::extruder_words::ExtruderWords;
use super::{FOLLOWED_MM, Interpreter, Mode, NO_MOVE_MM};
use crate::block::{BlockBuilder, Move, flag};
use crate::text::{
    Words,
    lines::{Chunk, LINE_BYTES_READ},
    straight::{Start, TokenColumns, TokenRow, letters},
    words,
};

const X: u8 = 1;
const Y: u8 = 2;
const Z: u8 = 4;
const E: u8 = 8;
const F: u8 = 16;

/// The words of one line, and which of them there are.
#[derive(Clone, Copy)]
struct Plain {
    has: u8,
    axes: [f64; 3],
    e: f64,
    feed: f64,
}

/// The state of an [`Interpreter`] as far as straight moves need or change it. Handed on by value, so that it can live in
/// registers.
#[derive(Clone, Copy)]
struct StraightReader {
    unit_mm: f64,
    offset: [f64; 3],
    absolute: bool,
    e_absolute: bool,
    area_mm2: f64,
    flow_factor: f64,
    speed_factor: f64,
    bytes_limit: usize,
    /// Longest length by E that is followed, in its unit.
    length_limit: f64,

    position: [f64; 3],
    known: u8,
    e: f64,
    feed_mm_s: f64,
    feed_given: bool,
    commands: u64,
    commands_since: u32,
    bytes_since: u32,
    sends_comments: bool,
    last_motion_line: u64,
    last_push_line: u64,
    extruder_words: ExtruderWords,
}

impl StraightReader {
    fn of(state: &Interpreter) -> Self {
        let tool = &state.states[super::tool_place(state.tool)];
        let known = (0..3).filter(|&axis| state.known[axis]).fold(0, |bits, axis| bits | (flag::KNOWN_X << axis));
        Self {
            unit_mm: state.unit_mm(),
            offset: [0, 1, 2].map(|axis| state.offset(axis)),
            absolute: state.absolute,
            e_absolute: state.e_absolute,
            area_mm2: tool.volumetric_area_mm2.unwrap_or(1.0),
            flow_factor: tool.flow_factor * state.e_scale,
            speed_factor: state.speed_factor,
            // Beyond either there is something to say about the line.
            bytes_limit: match state.dialect.line_length_limit_bytes {
                _ if state.not_run.is_some() => 0,
                None => LINE_BYTES_READ,
                Some(limit) => usize::try_from(limit).map_or(LINE_BYTES_READ, |limit| limit.min(LINE_BYTES_READ)),
            },
            // A little less, so that no rounding lets pass what the law refuses. While G10 has pulled back, all that moves the
            // filament is for the law.
            length_limit: match tool.owed_mm > 0.0 {
                true => -1.0,
                false => {
                    0.999 * FOLLOWED_MM * tool.volumetric_area_mm2.unwrap_or(1.0)
                        / (tool.flow_factor * state.e_scale).abs()
                }
            },
            position: state.position,
            known,
            e: state.e,
            feed_mm_s: state.feed_mm_s,
            feed_given: state.feed_given,
            commands: state.commands,
            commands_since: state.commands_since,
            bytes_since: state.bytes_since,
            sends_comments: state.dialect.sends_comments,
            last_motion_line: 0,
            last_push_line: state.last_push_line,
            extruder_words: state.extruder_words,
        }
    }

    #[inline(always)]
    fn known_axes(&self) -> [bool; 3] {
        [0, 1, 2].map(|axis| self.known & (flag::KNOWN_X << axis) != 0)
    }

    fn give_back(self, state: &mut Interpreter) {
        state.commands_since = self.commands_since;
        state.bytes_since = self.bytes_since;
        if self.last_motion_line == 0 {
            return;
        }
        state.machine_frame = false;
        state.last_cubic = None;
        state.mode = Some(Mode::Straight);
        state.last_was_motion = true;
        state.last_motion_line = self.last_motion_line;
        state.position = self.position;
        state.known = self.known_axes();
        state.e = self.e;
        state.feed_mm_s = self.feed_mm_s;
        state.feed_given = self.feed_given;
        state.commands = self.commands;
        state.last_push_line = self.last_push_line;
        state.extruder_words = self.extruder_words;
    }

    /// Goes to `value` on one axis; the flag that says whether it moves.
    #[inline(always)]
    fn go<const AXIS: usize>(&mut self, value: f64) -> u8 {
        let from = self.position[AXIS];
        let target = value * self.unit_mm + if self.absolute { self.offset[AXIS] } else { from };
        if self.absolute {
            self.known |= flag::KNOWN_X << AXIS;
        }
        let moves = (target - from).abs() >= NO_MOVE_MM;
        self.position[AXIS] = if moves { target } else { from };
        if moves { flag::X << AXIS } else { 0 }
    }

    /// Carries out one line of so many bytes, and so many of them sent; false, with nothing changed, when there is something to
    /// say about it.
    #[inline(always)]
    fn carry_out(&mut self, line: u64, [bytes, sent]: [usize; 2], words: Plain, gather: &mut BlockBuilder) -> bool {
        let has = words.has;
        let [x, y, z] = words.axes;
        // One sum tells whether any of them is NaN; those that are not there are 0.
        let all = x + y + z + words.e + words.feed;
        if all.is_nan() || has & F != 0 && words.feed <= 0.0 || has & F == 0 && !self.feed_given {
            return false;
        }
        if bytes > self.bytes_limit {
            return false;
        }
        // What is too far to be followed is for the law to say.
        let far = |bit: u8, axis: usize, value: f64| {
            let base = if self.absolute { self.offset[axis] } else { self.position[axis] };
            has & bit != 0 && (value * self.unit_mm + base).abs() > FOLLOWED_MM
        };
        let length = words.e * self.unit_mm - if self.e_absolute { self.e } else { 0.0 };
        let pushed = has & E != 0 && length.abs() > self.length_limit;
        if far(X, 0, x) | far(Y, 1, y) | far(Z, 2, z) | pushed {
            return false;
        }
        if has & F != 0 {
            self.feed_mm_s = words.feed * self.unit_mm / 60.0;
            self.feed_given = true;
        }
        self.commands += 1;
        self.commands_since = self.commands_since.saturating_add(1);
        self.bytes_since = self.bytes_since.saturating_add(sent as u32);
        self.last_motion_line = line;
        let from = self.position;
        let mut flags = 0;
        // Written out, so that a caller that knows which axes there are pays for no other.
        if has & X != 0 {
            flags |= self.go::<0>(x);
        }
        if has & Y != 0 {
            flags |= self.go::<1>(y);
        }
        if has & Z != 0 {
            flags |= self.go::<2>(z);
        }
        let mut de = 0.0;
        if has & E != 0 {
            let value = words.e * self.unit_mm;
            let length = if self.e_absolute { value - self.e } else { value };
            self.e = if self.e_absolute { value } else { self.e + value };
            let filament = length / self.area_mm2 * self.flow_factor;
            de = if filament.abs() < NO_MOVE_MM { 0.0 } else { filament };
            if de > 0.0 {
                self.last_push_line = line;
            }
            // A length of nothing is meant as that.
            if self.e_absolute || words.e != 0.0 {
                self.extruder_words.take(line, de, flags & (flag::X | flag::Y) != 0);
            }
        }
        if flags == 0 && de == 0.0 {
            return true;
        }
        let step = Move {
            line,
            from,
            to: self.position,
            known: self.known_axes(),
            de,
            feed_mm_s: self.feed_mm_s * self.speed_factor,
            curve: None,
            commands: std::mem::take(&mut self.commands_since),
            bytes: std::mem::take(&mut self.bytes_since),
        };
        gather.append(&step, self.known | flags);
        true
    }
}

/// The words of a move in any order; none when they are not X Y Z E F, each at most once.
fn plain(row: &TokenRow<'_>) -> Option<Plain> {
    if row.values.len() > 5 {
        return None;
    }
    let mut plain = Plain { has: 0, axes: [0.0; 3], e: 0.0, feed: 0.0 };
    for (k, &value) in row.values.iter().enumerate() {
        let (bit, place) = match (row.letters >> (8 * k)) as u8 {
            b'X' => (X, &mut plain.axes[0]),
            b'Y' => (Y, &mut plain.axes[1]),
            b'Z' => (Z, &mut plain.axes[2]),
            b'E' => (E, &mut plain.e),
            b'F' => (F, &mut plain.feed),
            _ => return None,
        };
        if plain.has & bit != 0 {
            return None;
        }
        plain.has |= bit;
        *place = value;
    }
    Some(plain)
}

const XYE: u64 = letters(b"XYE");
const XY: u64 = letters(b"XY");

impl Interpreter {
    /// Carries out the lines of a chunk, of which `rows` was read: what is noticed is kept, events go to
    /// `gather`.
    pub fn chunk(&mut self, chunk: &Chunk, rows: &TokenColumns, gather: &mut BlockBuilder) {
        let mut parsed = Words::new();
        let (mut start, mut number) = (0, chunk.first_line());
        let mut lane = StraightReader::of(self);
        for (k, row) in rows.rows().enumerate() {
            let whole = row.end + 1 - start;
            let bytes = [whole, if lane.sends_comments { whole } else { row.words_end + 1 - start }];
            let done = match (row.start, row.letters, row.values) {
                (Start::Move, XYE, &[x, y, e]) => {
                    let words = Plain { has: X | Y | E, axes: [x, y, 0.0], e, feed: 0.0 };
                    lane.carry_out(number, bytes, words, gather)
                }
                (Start::Move, XY, &[x, y]) => {
                    let words = Plain { has: X | Y, axes: [x, y, 0.0], e: 0.0, feed: 0.0 };
                    lane.carry_out(number, bytes, words, gather)
                }
                (Start::Move, ..) => match plain(&row) {
                    Some(words) => lane.carry_out(number, bytes, words, gather),
                    None => false,
                },
                // The first line may have lost bytes, so that it is longer than it looks.
                (Start::Comment, ..) if k > 0 => {
                    let sent = if lane.sends_comments { whole } else { 0 };
                    lane.bytes_since = lane.bytes_since.saturating_add(sent as u32);
                    true
                }
                _ => false,
            };
            if !done {
                lane.give_back(self);
                if let Some(raw) = chunk.lines_from(start, number).next() {
                    let line = words::read(raw.bytes, &mut parsed);
                    self.line(&raw, &line, &parsed, &mut |event| gather.event(&event));
                }
                lane = StraightReader::of(self);
            }
            (start, number) = (row.end + 1, number + 1);
        }
        lane.give_back(self);
        for raw in chunk.lines_from(start, number) {
            let line = words::read(raw.bytes, &mut parsed);
            self.line(&raw, &line, &parsed, &mut |event| gather.event(&event));
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use crate::block::{Block, BlockBuilder};
    use crate::machine::Machine;
    use crate::modal::Interpreter;
    use crate::text::{Chunk, LineReader, Words, straight::TokenColumns, words};
    use crate::vectors::Vectors;

    /// Everything that leaves this stage: the columns it fills, limits and actions, findings, state at the end.
    fn read(machine: &Machine, job: &str, by_law: bool) -> Vec<String> {
        let (mut interpreter, mut gather) = (Interpreter::new(machine), BlockBuilder::new());
        let (mut rows, mut chunk, mut parsed) = (TokenColumns::default(), Chunk::default(), Words::new());
        let mut reader = LineReader::with_chunk_bytes(job.as_bytes(), 150);
        while reader.read(&mut chunk).expect("reading from memory cannot fail") {
            if by_law {
                for raw in chunk.lines() {
                    let line = words::read(raw.bytes, &mut parsed);
                    interpreter.line(&raw, &line, &parsed, &mut |event| gather.event(&event));
                }
            } else {
                rows.read(chunk.bytes(), Vectors::default());
                interpreter.chunk(&chunk, &rows, &mut gather);
            }
        }
        gather.finish(reader.lines_read());
        let mut blocks = Vec::new();
        gather.take(&mut blocks, &mut Vec::new());
        let mut seen: Vec<String> = blocks
            .into_iter()
            .map(|gathered| gathered.unpacked(&mut Vec::new()))
            .flat_map(|planned| {
                let block = &planned.block;
                let mut moves: Vec<String> = (0..block.len()).map(|i| row(block, i)).collect();
                moves.push(format!("{:?} {:?}", block.origin, planned.closing));
                moves
            })
            .collect();
        seen.push(format!("{} {:?}", interpreter.commands(), interpreter.last_was_motion()));
        seen.push(format!("{} {:?}", interpreter.last_motion_line(), interpreter.heats_to_the_end()));
        seen.push(format!("{} {}", interpreter.extrudes(), interpreter.closed_after_extrusion()));
        seen.push(format!("{:?}", interpreter.extruder_words()));
        seen.extend(interpreter.notices().map(|notice| format!("{notice:?}")));
        seen
    }

    fn row(block: &Block, i: usize) -> String {
        let bits = [block.to[0][i], block.to[1][i], block.to[2][i], block.de_mm[i], block.feed_commanded_mm_s[i]]
            .map(f64::to_bits);
        format!("{} {:x?} {} {} {}", block.line[i], bits, block.flags[i], block.commands[i], block.bytes[i])
    }

    proptest! {
        #[test]
        fn does_what_the_law_does(lines in proptest::collection::vec(line(), 0..60), limit in 10u64..40, comments: bool) {
            let mut machine = Machine::built_in();
            machine.controller.sends_comments = comments;
            machine.controller.line_length_limit_bytes = Some(limit);
            let job = lines.concat();
            prop_assert_eq!(read(&machine, &job, false), read(&machine, &job, true), "{}", job);
        }
    }

    fn line() -> impl Strategy<Value = String> {
        prop_oneof![
            6 => "G1 X-?[0-9]{1,3}\\.[0-9]{0,3} Y[0-9]{1,3} E-?[0-9]?\\.[0-9]{1,5}\n",
            4 => "G[01] X[0-9]{1,3}\\.[0-9]{1,3} Y[0-9]{1,3}( F[0-9]{1,4})?\n",
            2 => "G[01]( [XYZEF]-?[0-9]{1,2}(\\.[0-9]{1,2})?){0,5}( ; why)?\r?\n",
            1 => "(M82|M83|G90|G91|G20|G21|G92 E0|G92 X3 Y2|G28|G28 X|G29|T1|T0|M220 S50|M221 S90|G10|G11|M200 D1\\.75|M200 D0)\n",
            1 => "(G2 X1 Y1 I1|G5 I1 J1 P1 Q1 X9 Y9|X5 Y5|M204 S900|G4 P10|; note|M117 hello|N5 G1 X1\\*3|G53|G54|G53 G1 X2)\n",
        ]
    }
}
