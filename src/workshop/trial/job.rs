//! Writes the lines of a job: in mm, absolute positions, relative filament, ASCII, no command that a controller may lack.

use super::place::{self, Way};
use super::{CAUTION, Kind, TrialError, Warmth};
use crate::machine::Machine;
pub(super) use crate::wording::fixed as figure;
use crate::wording::{safe, wrap};

/// Comments are short: some controllers take only short lines.
const COMMENT_CHARS: usize = 60;
/// Longest name of a machine in a comment.
const NAME_CHARS: usize = 40;
/// Speeds that are not probed, mm/s, where the machine allows them.
const TRAVEL_MM_S: f64 = 100.0;
const LIFT_MM_S: f64 = 8.0;
/// Wait before each step where the controller cannot wait for a person: long enough to measure, s.
const WAIT_S: f64 = 90.0;
/// Time in which nothing moves after the first stop, s.
const TRY_S: f64 = 20.0;
/// Columns of a small display: what decides is in the first ones.
const DISPLAY_COLUMNS: usize = 20;
/// Lift before the nozzle goes over the bed to home Z by a probe, mm.
pub(super) const PROBE_LIFT_MM: f64 = 5.0;
/// Way toward the bed that a person is shown, mm.
const FAR_DOWN_MM: f64 = 20.0;

pub(super) struct JobWriter<'m> {
    machine: &'m Machine,
    text: String,
    tool: usize,
    /// Feed word in force, mm/s.
    feed_mm_s: Option<f64>,
    /// Wait so long instead of for a person, s.
    waits_s: Option<f64>,
    pub(super) travel_mm_s: f64,
    pub(super) lift_mm_s: f64,
}

impl<'m> JobWriter<'m> {
    /// Header, cautions, and units.
    fn new(kind: Kind, machine: &'m Machine, about: &str) -> Self {
        let travel_mm_s = TRAVEL_MM_S.min(place::fastest_xy(machine));
        let lift_mm_s = LIFT_MM_S.min(place::fastest_of(machine, 2));
        let text = kind.header() + "\n";
        let mut job = Self { machine, text, tool: 0, feed_mm_s: None, waits_s: None, travel_mm_s, lift_mm_s };
        job.comment(&format!("for {}", plain(&machine.name, NAME_CHARS)));
        job.comment(about);
        job.comment(&format!("Goes on purpose against: {}.", kind.probes().join(", ")));
        job.comment(CAUTION);
        ["G21", "G90", "M83"].into_iter().for_each(|line| job.line(line));
        job
    }

    /// The same with other waits than the sheet's, where `waits_s` gives some, and a first stop that tries them.
    ///
    /// # Errors
    /// When the controller takes only lines too short to show a person what comes next.
    pub(super) fn attended(
        kind: Kind,
        machine: &'m Machine,
        about: &str,
        waits_s: Option<f64>,
    ) -> Result<Self, TrialError> {
        let least = (DISPLAY_COLUMNS + "M117 ".len() + 1) as u64;
        if machine.controller.line_length_limit_bytes.is_some_and(|limit| limit < least) {
            return Err(TrialError::Asked(format!(
                "the controller's lines (`controller.line_length_limit_bytes`) are too short for its display: {least} are needed"
            )));
        }
        let mut job = Self { waits_s, ..Self::new(kind, machine, about) };
        job.try_pause();
        Ok(job)
    }

    pub(super) fn line(&mut self, line: &str) {
        self.text.push_str(line);
        self.text.push('\n');
    }

    pub(super) fn comment(&mut self, words: &str) {
        let limit = self.machine.controller.line_length_limit_bytes.map_or(COMMENT_CHARS, |limit| limit as usize);
        for line in wrap(&plain(words, usize::MAX), COMMENT_CHARS.min(limit.saturating_sub(3)).max(8)) {
            self.line(&format!("; {line}"));
        }
    }

    /// A message on the machine's display, and in the job.
    pub(super) fn message(&mut self, words: &str) {
        self.comment(words);
        let limit = self.machine.controller.line_length_limit_bytes.map_or(COMMENT_CHARS, |limit| limit as usize);
        let short: String =
            plain(words, COMMENT_CHARS).chars().take(limit.saturating_sub(6).min(COMMENT_CHARS)).collect();
        self.line(&format!("M117 {}", short.trim_end()));
    }

    /// Waits for a person; for a time where the controller cannot wait for a person.
    fn pause(&mut self) {
        match (self.waits_s, &self.machine.controller.pause) {
            (None, Some(command)) => self.line(command),
            (seconds, _) => self.dwell(seconds.unwrap_or(WAIT_S)),
        }
        // Whoever made a move from the menu meanwhile changed the feed in force.
        self.feed_mm_s = None;
    }

    /// Tells on the display what comes next, once all that came before is done, and waits for a person.
    pub(super) fn ask(&mut self, words: &str) {
        self.line("M400");
        self.message(words);
        self.pause();
    }

    /// Tells which way an axis goes next, and waits for a person.
    pub(super) fn ask_move(&mut self, axis: usize, by_mm: f64) {
        self.ask(&move_words(axis, by_mm));
    }

    /// Shows something on the display once all that came before is done.
    pub(super) fn show(&mut self, words: &str) {
        self.line("M400");
        self.message(words);
    }

    /// Homes by a command.
    pub(super) fn home(&mut self, command: &str) {
        self.line(command);
        // Homing may change the feed in force.
        self.feed_mm_s = None;
    }

    /// Finds out whether the controller waits, before anything moves or heats.
    fn try_pause(&mut self) {
        if self.waits_s.is_some() || self.machine.controller.pause.is_none() {
            return;
        }
        self.comment("The first stop: the display must stay like this until you go on. If it does not, switch off.");
        self.ask("WAITS? If not: OFF");
        self.message("Did not wait? OFF");
        self.dwell(TRY_S);
    }

    /// How the job waits, for the one who stands by.
    pub(super) fn waits(&self) -> String {
        match (self.waits_s, &self.machine.controller.pause) {
            (None, Some(pause)) => format!(
                "Before each step the job waits for you ({pause}); the display shows what comes next. Where your controller has \
                 no button to go on, send M108 or what its documents say. The first stop only tries whether it waits: if it \
                 goes on by itself, switch off, and put the command that your controller does wait on into the sheet \
                 (`pause` in the table [controller])."
            ),
            (seconds, _) => format!(
                "The job waits for nobody: {} s before each step, then it goes on. Only a hand at the mains switch stops it.",
                figure(seconds.unwrap_or(WAIT_S), 1)
            ),
        }
    }

    /// Asks for room under the nozzle, where homing may take it over what is fixed on the bed.
    pub(super) fn ask_height(&mut self) -> Result<(), TrialError> {
        if !place::homes_high(self.machine) {
            let height = figure(place::by_hand(self.machine)?[2] - self.machine.travel.min[2], 0);
            self.comment(&format!("Raise the nozzle by hand to {height} mm above the bed or more, and clear the bed."));
            self.ask(&format!("Nozzle {height} mm up?"));
        }
        Ok(())
    }

    /// Waits for a time, s.
    pub(super) fn dwell(&mut self, seconds: f64) {
        self.line(&format!("G4 P{}", figure(seconds / self.machine.controller.dwell_p_s, 3)));
    }

    /// Homes all axes and goes over a place.
    pub(super) fn home_and_go(&mut self, way: &Way) -> Result<(), TrialError> {
        match place::homes_z_at(self.machine)? {
            None => self.home("G28"),
            Some(place) => {
                let [x, y, _] = self.machine.travel.home;
                self.relative(2, PROBE_LIFT_MM, self.lift_mm_s);
                self.home("G28 X Y");
                // A person has put the nozzle higher than all that is fixed on the bed.
                let points = place::flat_way(self.machine, [x, y], place).unwrap_or_else(|| vec![place]);
                points.iter().for_each(|&to| self.travel(to));
                self.home("G28 Z");
            }
        }
        let down = self.machine.travel.home[2] - way.height;
        if down > FAR_DOWN_MM {
            self.ask_move(2, -down);
        }
        self.go(way);
        Ok(())
    }

    /// From home to a place.
    pub(super) fn go(&mut self, way: &Way) {
        self.lift_to(way.height);
        way.points.iter().for_each(|&to| self.travel(to));
    }

    /// One axis alone, by a distance, from wherever it is.
    pub(super) fn relative(&mut self, axis: usize, by_mm: f64, feed_mm_s: f64) {
        let feed = self.feed(feed_mm_s);
        let axis = ['X', 'Y', 'Z'][axis];
        for line in ["G91", &format!("G1 {axis}{}{feed}", figure(by_mm, 3)), "G90"] {
            self.line(line);
        }
        // Some controllers take G91 for the extruder too, and G90 back.
        self.line("M83");
    }

    pub(super) fn take_tool(&mut self, tool: usize) {
        if tool > 0 {
            self.ask(&format!("TOOL {tool}"));
            self.line(&format!("T{tool}"));
        }
        self.tool = tool;
    }

    pub(super) fn lift_to(&mut self, z: f64) {
        let (feed, z) = (self.feed(self.lift_mm_s), self.word('Z', z, 2));
        self.line(&format!("G1{z}{feed}"));
    }

    pub(super) fn travel(&mut self, [x, y]: [f64; 2]) {
        let feed = self.feed(self.travel_mm_s);
        let (x, y) = (self.word('X', x, 0), self.word('Y', y, 1));
        self.line(&format!("G0{x}{y}{feed}"));
    }

    /// One axis alone, at a speed.
    pub(super) fn axis_to(&mut self, axis: usize, to: f64, feed_mm_s: f64) {
        let (word, feed) = (self.word(['X', 'Y', 'Z'][axis], to, axis), self.feed(feed_mm_s));
        self.line(&format!("G1{word}{feed}"));
    }

    /// A line that pushes so many mm of filament.
    pub(super) fn print(&mut self, [x, y]: [f64; 2], filament_mm: f64, feed_mm_s: f64) {
        let feed = self.feed(feed_mm_s);
        let (x, y) = (self.word('X', x, 0), self.word('Y', y, 1));
        self.line(&format!("G1{x}{y} E{}{feed}", figure(filament_mm, 5)));
    }

    /// Filament alone.
    pub(super) fn filament(&mut self, mm: f64, feed_mm_s: f64) {
        let feed = self.feed(feed_mm_s);
        self.line(&format!("G1 E{}{feed}", figure(mm, 5)));
    }

    /// The end of a hot job: the nozzle lifted, everything off.
    pub(super) fn finish_at(mut self, height: f64) -> String {
        self.lift_to(height);
        self.finish("Done. Nozzle HOT")
    }

    /// The end: heaters and fan off. Motors stay on, so that nothing sinks.
    pub(super) fn finish(mut self, words: &str) -> String {
        match self.machine.tools.len() {
            1 => self.line("M104 S0"),
            tools => (0..tools).for_each(|tool| self.line(&format!("M104 T{tool} S0"))),
        }
        if self.machine.bed.is_some() {
            self.line("M140 S0");
        }
        self.line("M107");
        self.show(words);
        self.text
    }

    fn word(&self, letter: char, machine_mm: f64, axis: usize) -> String {
        // The job speaks of the nozzle in use.
        format!(" {letter}{}", figure(machine_mm + self.machine.tools[self.tool].offset_mm[axis], 3))
    }

    /// The feed word, where it changes. Rounded down, so that no limit is passed by rounding.
    fn feed(&mut self, feed_mm_s: f64) -> String {
        if self.feed_mm_s == Some(feed_mm_s) {
            return String::new();
        }
        self.feed_mm_s = Some(feed_mm_s);
        format!(" F{}", figure((feed_mm_s * 600.0).floor() / 10.0, 1))
    }
}

/// A move of one axis in few words, as a person beside the machine sees it.
pub(super) fn move_words(axis: usize, by_mm: f64) -> String {
    let way = match (axis, by_mm >= 0.0) {
        (0, true) => "RIGHT",
        (0, false) => "LEFT",
        (1, true) => "REAR",
        (1, false) => "FRONT",
        (_, true) => "FROM BED",
        (_, false) => "TO BED",
    };
    format!("{} {way} {} mm", ["x", "y", "z"][axis], figure(by_mm.abs(), 1))
}

/// Printable ASCII on one line: nothing in it ends a comment or acts on a terminal.
pub(super) fn plain(text: &str, chars: usize) -> String {
    let replaced = |c: char| match c {
        '°' | '·' => ' ',
        '³' => '3',
        '²' => '2',
        '×' => 'x',
        ' '..='~' => c,
        _ => '?',
    };
    safe(text).chars().take(chars).map(replaced).collect()
}

/// What a line takes: its width and height, mm, and the filament for each mm of it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Bead {
    pub(super) width: f64,
    pub(super) height: f64,
    pub(super) section_mm2: f64,
    /// mm of filament for each mm of path.
    pub(super) filament: f64,
}

/// Nozzle bore where the sheet gives none, mm: the usual one.
const BORE_MM: f64 = 0.4;

impl Bead {
    /// So many bores wide and high.
    pub(super) fn new(machine: &Machine, tool: usize, wide: f64, high: f64) -> Self {
        let tool = &machine.tools[tool];
        let bore = tool.nozzle_diameter_mm.unwrap_or(BORE_MM);
        let round = |mm: f64| (mm * 1000.0).round() / 1000.0;
        let (width, height) = (round(wide * bore), round(high * bore));
        let section_mm2 = width * height;
        Self { width, height, section_mm2, filament: section_mm2 / filament_mm2(tool.filament_diameter_mm) }
    }

    /// Largest speed at which neither the hotend (to a share of what it keeps up) nor the extruder is asked too much, mm/s.
    pub(super) fn fastest(&self, machine: &Machine, (tool, warmth): (usize, Warmth), share: f64) -> f64 {
        let capacity = warmth.melts(machine, tool);
        let melt = capacity.sustained_mm3_s.or(capacity.peak_mm3_s.map(|peak| peak / 2.0)).unwrap_or(f64::INFINITY);
        (share * melt / self.section_mm2).min(place::fastest_of(machine, crate::machine::E) / self.filament)
    }
}

/// Cross-section of a round filament, mm².
pub(super) fn filament_mm2(diameter_mm: f64) -> f64 {
    std::f64::consts::PI / 4.0 * diameter_mm * diameter_mm
}

/// Said at the head of the trials that move fast.
const TRIALS_BEFORE: &str = "Only after `gonogo trial first-power` and `gonogo trial steps` were done on this machine as \
it is now and all was as described.";

/// Starts a hot job: heats, homes, goes to a place and pushes filament along a slow line to fill the nozzle.
pub(super) fn warm_up(
    job: &mut JobWriter<'_>,
    machine: &Machine,
    tool: usize,
    warmth: Warmth,
    way: &Way,
    fill: ([f64; 2], &Bead),
) -> Result<(), TrialError> {
    let (nozzle_c, bed_c) = (warmth.nozzle(machine, tool)?, warmth.bed(machine)?);
    job.comment(TRIALS_BEFORE);
    job.ask("first-power done?");
    job.ask("steps done?");
    job.ask_height()?;
    job.ask("It HEATS, MOVES next");
    if let Some(bed_c) = bed_c {
        job.line(&format!("M190 S{}", figure(bed_c, 1)));
    }
    job.home_and_go(way)?;
    job.take_tool(tool);
    // After a tool change the same words mean another place.
    if let Some(&start) = way.points.last() {
        job.travel(start);
    }
    job.line(&format!("M109 S{}", figure(nozzle_c, 1)));
    let (end, bead) = fill;
    let start = way.points.last().copied().unwrap_or(end);
    job.lift_to(machine.travel.min[2].max(0.0) + bead.height);
    let slow = 15.0_f64.min(bead.fastest(machine, (tool, warmth), 0.5)).min(job.travel_mm_s);
    job.comment("A slow line to fill the nozzle.");
    let length = (end[0] - start[0]).hypot(end[1] - start[1]);
    job.print(end, length * bead.filament, slow);
    Ok(())
}
