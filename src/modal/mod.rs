//! Words → events: units, absolute and relative, offsets, tools, arcs, retractions, overrides.
//!
//! Inches and per-minute end here: events are in mm and s, machine coordinates, without any limit of the machine.
//! State rules follow NIST RS274/NGC (NISTIR 6556) and, where the printer trade differs (E axis, dwell units, G92
//! without words, G10 as retraction), the trade: common practice, no source.
//!
//! Why is a line with a bad word still carried out, without that word? A controller reads what it can; leaving the
//! whole line out would move every later relative coordinate.

mod arcs;
mod changes;
mod commands;
mod dialect;
mod extruder_words;
mod frame;
mod heat;
mod lead;
mod macros;
pub mod notice;
mod params;
mod retraction;
mod sorting;
mod straight;

use crate::block::{Event, LimitsSet, Move, TOOLS_KEPT};
use crate::geometry::Curve;
use crate::machine::{Feature, Machine};
use crate::text::{Foreign, Kind, Line, RawLine, Word};
pub use dialect::Dialect;
pub use extruder_words::ExtruderWords;
pub use lead::LEAD_MAX_S;
pub use macros::{Called, Calls};
use notice::{Damage, NotRun, Notice, Noticed, OTHER_AXES};
use params::Params;
use sorting::CommandWord;

/// Displacements below this are rounding left over from offsets, mm: no movement.
pub const NO_MOVE_MM: f64 = 1e-9;

/// Places, radii, control points and lengths of filament beyond this are not followed, mm: no desktop printer is near, and
/// curves of that size would cost seconds a line.
pub const FOLLOWED_MM: f64 = 1e5;

/// The motion mode that a line of bare axis words repeats.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Mode {
    Straight,
    Clockwise,
    CounterClockwise,
    Cubic,
}

/// Retraction set by M207 and M208.
#[derive(Debug, Clone, Copy, Default)]
struct JobRetraction {
    length_mm: Option<f64>,
    feed_mm_s: Option<f64>,
    lift_mm: Option<f64>,
    extra_mm: Option<f64>,
    recover_feed_mm_s: Option<f64>,
}

/// State that each tool has of its own.
#[derive(Debug, Clone, Copy)]
struct ToolState {
    flow_factor: f64,
    volumetric_area_mm2: Option<f64>,
    offset_mm: [f64; 3],
    target_c: f64,
    /// Length pulled back and lift made by G10.
    retracted: Option<(f64, f64)>,
    /// Filament that G10 has pulled back and that did not come forward again, as far as that is to be told, mm.
    owed_mm: f64,
    /// Targets while it is in use and while it is not, by G10 or M568, °C.
    active_c: Option<f64>,
    /// It got a target by its own number.
    heated: bool,
    standby_c: Option<f64>,
    /// Lead of its filament, s.
    lead_s: f64,
}

/// The modal state of a job.
pub struct Interpreter {
    dialect: Dialect,

    position: [f64; 3],
    known: [bool; 3],
    /// Homed, with motors that were not released since.
    homed: [bool; 3],
    e: f64,
    g92: [f64; 3],
    work: [[f64; 3]; 6],
    work_in_use: usize,
    lift: f64,
    /// What M206 and M290 add to every place, mm.
    shift: [f64; 3],
    /// What the filament is scaled by since M92.
    e_scale: f64,
    absolute: bool,
    e_absolute: bool,
    inches: bool,
    plane: [usize; 3],
    mode: Option<Mode>,
    feed_mm_s: f64,
    feed_given: bool,
    speed_factor: f64,
    tool: u32,
    /// The number by which the job called it.
    called: u32,
    states: Vec<ToolState>,
    bed_target_c: f64,
    chamber_target_c: f64,
    retraction: JobRetraction,
    last_cubic: Option<[f64; 2]>,
    machine_frame: bool,

    last_number: Option<f64>,
    commands: u64,
    commands_since: u32,
    bytes_since: u32,
    last_was_motion: bool,
    last_motion_line: u64,
    heat_on_for_good: bool,
    lifted: bool,
    /// Why commands are not carried out from here on.
    not_run: Option<NotRun>,
    params: Params,
    line: u64,
    limits_set: LimitsSet,
    /// Whether something closes the job since the last push of filament that this path saw, see
    /// [`Self::closed_after_extrusion`].
    closing_line: u64,
    last_push_line: u64,
    extruder_on: bool,
    extruder_words: ExtruderWords,
    spindle_line: u64,
    macros_called: Calls,
    unknown_commands: Calls,
    notices: Vec<Notice>,
}

/// Letters of the axes, in the order of positions.
const AXES: [u8; 3] = [b'X', b'Y', b'Z'];
impl Interpreter {
    /// The state at the start of a job: machine at 0, 0, 0, absolute, mm, XY plane, no motion mode.
    pub fn new(machine: &Machine) -> Self {
        let dialect = Dialect::of(machine);
        let fresh = ToolState {
            flow_factor: 1.0,
            volumetric_area_mm2: None,
            offset_mm: [0.0; 3],
            target_c: 0.0,
            retracted: None,
            owed_mm: 0.0,
            active_c: None,
            heated: false,
            standby_c: None,
            lead_s: dialect.leads_s.first().copied().unwrap_or(0.0),
        };
        let mut states = vec![fresh; TOOLS_KEPT];
        for (state, (offset_mm, _)) in states.iter_mut().zip(&dialect.tools) {
            state.offset_mm = *offset_mm;
        }
        for (state, lead_s) in states.iter_mut().zip(&dialect.leads_s) {
            state.lead_s = *lead_s;
        }
        Self {
            position: [0.0; 3],
            // Nobody knows where an axis is before it is homed or sent to a place.
            known: [false; 3],
            homed: [false; 3],
            e: 0.0,
            g92: [0.0; 3],
            work: [[0.0; 3]; 6],
            work_in_use: 0,
            lift: 0.0,
            shift: [0.0; 3],
            e_scale: 1.0,
            absolute: true,
            e_absolute: true,
            inches: false,
            plane: [0, 1, 2],
            mode: None,
            feed_mm_s: dialect.default_feed_mm_s,
            feed_given: false,
            speed_factor: 1.0,
            tool: 0,
            called: 0,
            states,
            bed_target_c: 0.0,
            chamber_target_c: 0.0,
            retraction: JobRetraction::default(),
            last_cubic: None,
            machine_frame: false,
            last_number: None,
            commands: 0,
            commands_since: 0,
            bytes_since: 0,
            last_was_motion: false,
            last_motion_line: 0,
            heat_on_for_good: false,
            lifted: false,
            not_run: None,
            params: Params::default(),
            line: 0,
            limits_set: LimitsSet::default(),
            closing_line: 0,
            last_push_line: 0,
            extruder_on: false,
            extruder_words: ExtruderWords::default(),
            spindle_line: 0,
            macros_called: Calls::default(),
            unknown_commands: Calls::default(),
            notices: Vec::new(),
            dialect,
        }
    }

    /// Starts the job at a known machine position, mm.
    pub fn starting_at(mut self, position: [f64; 3]) -> Self {
        self.position = position;
        self.known = [true; 3];
        self
    }

    /// What was noticed since this was last asked.
    pub fn notices(&mut self) -> std::vec::Drain<'_, Notice> {
        self.notices.drain(..)
    }

    /// True when some G10 lifted the nozzle, which goes at the Z limit of the machine.
    pub fn lifted(&self) -> bool {
        self.lifted
    }

    /// The limits of motion that the job has set, and the plan follows.
    pub fn limits_set(&self) -> LimitsSet {
        self.limits_set
    }

    /// True when a heater, motors, a pause, a stop, homing or a macro comes after the last push of filament.
    pub fn closed_after_extrusion(&self) -> bool {
        self.closing_line > self.last_push_line
    }

    /// True when filament was pushed, or the extruder switched on without a length (M101).
    pub fn extrudes(&self) -> bool {
        self.last_push_line > 0 || self.extruder_on
    }

    /// What the E words on moves along X or Y come to.
    pub fn extruder_words(&self) -> ExtruderWords {
        self.extruder_words
    }

    /// The first line on which a spindle is switched on; 0 where there is none.
    pub fn spindle_line(&self) -> u64 {
        self.spindle_line
    }

    /// Commands read so far.
    pub fn commands(&self) -> u64 {
        self.commands
    }

    /// True when the last command of the job so far was a motion command.
    pub fn last_was_motion(&self) -> bool {
        self.last_was_motion
    }

    /// Line of the last motion command; 0 before the first.
    pub fn last_motion_line(&self) -> u64 {
        self.last_motion_line
    }

    /// True when a heater got a target above 0 and none was switched off after that.
    pub fn heats_to_the_end(&self) -> bool {
        self.heat_on_for_good
    }

    /// Takes note that a heater goes from one target to another, °C.
    fn note_heat(&mut self, from_c: f64, to_c: f64) {
        if to_c > 0.0 {
            self.heat_on_for_good = true;
        } else if from_c > 0.0 {
            self.heat_on_for_good = false;
        }
    }

    fn note_motion(&mut self) {
        self.last_was_motion = true;
        self.last_motion_line = self.line;
    }

    /// Carries out one line: what is noticed is kept for [`Self::notices`], events go to `out`.
    pub fn line(&mut self, raw: &RawLine<'_>, line: &Line<'_>, words: &[Word], out: &mut impl FnMut(Event)) {
        self.line = raw.number;
        self.bytes_since = self.bytes_since.saturating_add(self.sent_bytes(raw, line));
        match line.kind {
            Kind::Foreign(Foreign::Bracket) => return self.notice(Noticed::Placeholder { letter: None, heats: false }),
            Kind::Foreign(Foreign::Name) => {
                self.note_not_run();
                return self.call(line.text.unwrap_or(raw.bytes), out);
            }
            // Lines for the host, and the marks around a program (NIST RS274/NGC 3.7).
            Kind::Foreign(Foreign::At | Foreign::Percent) => return,
            Kind::Foreign(foreign) => {
                let text = if foreign == Foreign::Dollar { "a line with `$`" } else { "a line without a command" };
                return self.unknown_commands.take(text, self.line, self.position);
            }
            Kind::Empty if line.number.is_none() => return,
            _ => {}
        }
        let unknown = sorting::unknown_command(words);
        self.judge_line(line);
        // What a command takes that is not known here nobody knows.
        if unknown.is_none() {
            self.judge_spelling(raw, line);
        }
        match unknown {
            _ if line.block_delete => {}
            Some((letter, code)) => {
                self.count_commands(1);
                self.machine_frame = false;
                self.unknown(letter, code);
            }
            None => {
                self.judge_reach(line, words);
                self.words(words, out);
            }
        }
    }

    /// Whether the controller comes to a line of known commands, and to those behind it.
    fn judge_reach(&mut self, line: &Line<'_>, words: &[Word]) {
        // A comment is no name of a file.
        let named = line.text.is_some_and(|text| {
            let name = text.trim_ascii();
            !name.is_empty() && !matches!(name[0], b';' | b'(')
        });
        match (sorting::first_code(words), self.not_run) {
            (Some((b'M', 290)), Some(NotRun::Written)) => self.not_run = None,
            (Some((b'M', 280)), None) if named => self.not_run = Some(NotRun::Written),
            (Some((b'M', code @ (20 | 300))), None) if !named => self.not_run = Some(NotRun::BehindEnd { code }),
            // RS274/NGC carries out what a line ends the program with last.
            (Some((b'G', _)), None) if !named => self.not_run = sorting::end_of_program(words),
            (Some((letter, code)), _) if !commands::does_something(letter, code) => {}
            _ if words.is_empty() => {}
            _ => self.note_not_run(),
        }
    }

    fn note_not_run(&mut self) {
        if let Some(not_run) = self.not_run {
            self.notice(Noticed::NotRun(not_run));
        }
    }

    /// Bytes of a line that go over a serial line, its end included.
    fn sent_bytes(&self, raw: &RawLine<'_>, line: &Line<'_>) -> u32 {
        let bytes = match line.command_bytes {
            _ if self.dialect.sends_comments => raw.raw_bytes,
            0 => 0,
            command_bytes => command_bytes as u64 + 1,
        };
        u32::try_from(bytes).unwrap_or(u32::MAX)
    }

    fn count_commands(&mut self, count: u32) {
        self.commands += u64::from(count);
        self.commands_since = self.commands_since.saturating_add(count);
        if count > 0 {
            self.last_was_motion = false;
        }
    }

    fn judge_spelling(&mut self, raw: &RawLine<'_>, line: &Line<'_>) {
        if let Some((at, flaw)) = line.flaw {
            self.damage(Damage::Flaw { flaw, column: at + 1 });
        } else if raw.cut {
            self.damage(Damage::Cut { bytes: raw.raw_bytes });
        }
    }

    /// Line number, checksum, length.
    fn judge_line(&mut self, line: &Line<'_>) {
        if let Some(number) = line.number
            && let Some(last) = self.last_number.replace(number)
            && number != last + 1.0
        {
            self.notice(Noticed::LineNumberSkipped { last, number });
        }
        if let Some((given, computed)) = line.checksum
            && given != f64::from(computed)
        {
            self.notice(Noticed::BadChecksum { given, computed });
        }
        if let Some(limit) = self.dialect.line_length_limit_bytes
            && line.command_bytes as u64 > limit
        {
            self.notice(Noticed::LineTooLong { bytes: line.command_bytes as u64, limit });
        }
    }

    fn notice(&mut self, what: Noticed) {
        self.notices.push(Notice { line: self.line, place_mm: self.position, what });
    }

    fn damage(&mut self, damage: Damage) {
        self.notice(Noticed::Damage(damage));
    }

    /// The controller was not built for `feature`.
    fn needs(&mut self, feature: Feature) {
        if self.dialect.lacks.contains(&feature) {
            self.notice(Noticed::Lacks(feature));
        }
    }

    fn unit_mm(&self) -> f64 {
        if self.inches { 25.4 } else { 1.0 }
    }

    fn state(&mut self) -> &mut ToolState {
        &mut self.states[tool_place(self.tool)]
    }

    /// What is added to a logical coordinate to give the machine's.
    fn offset(&self, axis: usize) -> f64 {
        let tool = self.states[tool_place(self.tool)].offset_mm[axis];
        let lift = if axis == 2 { self.lift } else { 0.0 };
        self.g92[axis] + self.work[self.work_in_use][axis] + self.shift[axis] - tool + lift
    }

    /// End point of a move by the axis words, and which axes are known there.
    fn target(&self) -> ([f64; 3], [bool; 3]) {
        let mut to = self.position;
        let mut known = self.known;
        for (axis, letter) in AXES.into_iter().enumerate() {
            let Some(value) = self.params.get(letter) else { continue };
            let value = value * self.unit_mm();
            let target = if self.machine_frame {
                value
            } else if self.absolute {
                value + self.offset(axis)
            } else {
                self.position[axis] + value
            };
            known[axis] |= self.absolute || self.machine_frame;
            if (target - self.position[axis]).abs() >= NO_MOVE_MM {
                to[axis] = target;
            }
        }
        (to, known)
    }

    /// Filament of a move, mm, and the logical E after it.
    fn filament(&self) -> (f64, f64) {
        let Some(value) = self.params.get(b'E') else { return (0.0, self.e) };
        let value = value * self.unit_mm();
        let e = if self.e_absolute { value } else { self.e + value };
        let state = &self.states[tool_place(self.tool)];
        let length = (if self.e_absolute { value - self.e } else { value }) / state.volumetric_area_mm2.unwrap_or(1.0);
        let de = length * (state.flow_factor * self.e_scale);
        (if de.abs() < NO_MOVE_MM { 0.0 } else { de }, e)
    }

    /// F is taken even when nothing moves; zero or no number is ignored with a finding.
    fn take_feed(&mut self) {
        match self.params.get(b'F') {
            Some(feed) if feed > 0.0 => {
                self.feed_mm_s = feed * self.unit_mm() / 60.0;
                self.feed_given = true;
            }
            Some(feed) => {
                self.notice(Noticed::NoFeedRate { feed: Some(feed) });
            }
            None if self.params.take_flag(b'F') => {
                self.notice(Noticed::NoFeedRate { feed: None });
            }
            None => {}
        }
    }

    /// A line without a command that acts: axis words repeat the motion mode, F sets the feed.
    fn repeat_mode(&mut self, bare: bool, out: &mut impl FnMut(Event)) {
        self.reject_lists();
        if !self.params.any_of(b"XYZEIJKRPQ") {
            self.take_feed();
            return self.reject_rest(b"");
        }
        match self.mode {
            Some(mode) => {
                if bare {
                    self.commands += 1;
                    self.commands_since = self.commands_since.saturating_add(1);
                }
                self.motion(mode, out);
            }
            None => {
                self.take_feed();
                self.damage(Damage::NoMotionMode);
            }
        }
    }

    /// Axes that are none of the sheet's: their words are left out.
    fn judge_axes(&mut self) {
        let there = OTHER_AXES.iter().enumerate().filter(|&(_, &letter)| self.params.get(letter).is_some());
        let axes = there.fold(0, |axes, (n, _)| axes | 1 << n);
        if axes != 0 {
            self.notice(Noticed::AxesNotDescribed { axes });
        }
    }

    /// Reports letters without a number, except those in `allowed`.
    fn reject_rest(&mut self, allowed: &[u8]) {
        if let Some(letter) = self.params.flag_not_in(allowed) {
            self.damage(Damage::NoNumber { letter });
        }
    }

    /// Reports a list of values.
    fn reject_lists(&mut self) {
        if let Some(letter) = self.params.first_listed() {
            self.damage(Damage::Listed { letter });
        }
    }

    /// G0 G1 G2 G3 G5.
    fn motion(&mut self, mode: Mode, out: &mut impl FnMut(Event)) {
        self.mode = Some(mode);
        self.note_motion();
        self.take_feed();
        self.reject_rest(b"");
        if mode != Mode::Cubic {
            self.judge_axes();
        }
        let (to, known) = self.target();
        let (de, e) = self.filament();
        if is_far(to.into_iter().chain([de])) {
            return self.damage(Damage::TooFar);
        }
        if matches!(mode, Mode::Clockwise | Mode::CounterClockwise) {
            self.needs(Feature::Arcs);
        }
        let curve = match mode {
            Mode::Straight => None,
            Mode::Clockwise | Mode::CounterClockwise if self.cannot_join(to) => None,
            Mode::Clockwise | Mode::CounterClockwise => match self.arc(mode == Mode::CounterClockwise, to) {
                Some(arc) => Some(Curve::Arc(arc)),
                None => return,
            },
            Mode::Cubic => {
                self.needs(Feature::Cubics);
                match self.cubic(to) {
                    Some(cubic) => Some(Curve::Cubic(cubic)),
                    None => return,
                }
            }
        };
        if mode != Mode::Cubic {
            self.last_cubic = None;
        }
        self.e = e;
        self.known = known;
        // A length of nothing is meant as that.
        if self.params.get(b'E').is_some_and(|word| self.e_absolute || word != 0.0) {
            let along = (0..2).any(|axis| to[axis] != self.position[axis]) || curve.is_some();
            self.extruder_words.take(self.line, de, along);
            self.follow_owed(de, along);
        }
        self.emit_move(to, de, self.feed_mm_s * self.speed_factor, curve, out);
    }

    fn emit_move(&mut self, to: [f64; 3], de: f64, feed_mm_s: f64, curve: Option<Curve>, out: &mut impl FnMut(Event)) {
        let from = std::mem::replace(&mut self.position, to);
        if from == to && de == 0.0 && curve.is_none() {
            return;
        }
        if de > 0.0 {
            self.last_push_line = self.line;
        }
        if !self.feed_given {
            self.feed_given = true;
            self.notice(Noticed::FeedFromSheet { feed_mm_s: self.feed_mm_s });
        }
        out(Event::Move(Move {
            line: self.line,
            from,
            to,
            known: self.known,
            de,
            feed_mm_s,
            curve,
            commands: std::mem::take(&mut self.commands_since),
            bytes: std::mem::take(&mut self.bytes_since),
        }));
    }
}

/// True for a G or M word whose command is known here.
pub(crate) fn is_known(letter: u8, value: f64) -> bool {
    sorting::command_code(value).is_some_and(|code| commands::is_known(letter, code))
}

/// True when one of the lengths is beyond [`FOLLOWED_MM`], or no number.
fn is_far(lengths_mm: impl IntoIterator<Item = f64>) -> bool {
    lengths_mm.into_iter().any(|length_mm| length_mm.is_nan() || length_mm.abs() > FOLLOWED_MM)
}

/// Where the state of a tool is kept.
fn tool_place(tool: u32) -> usize {
    (tool as usize).min(TOOLS_KEPT - 1)
}
