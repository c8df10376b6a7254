//! What happens between moves, and how warm the nozzle is meanwhile.

/// Temperature of the tool in use over a block: it was `start_c` when it got its target, `elapsed_s` before the block, and
/// tends to `toward_c` with the time constant; `target_c` is where the controller holds it. Counted from the command and
/// not from the block, so that no bit depends on where blocks are cut.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct NozzleSpan {
    /// Temperature when it got its target, °C; none before any temperature was commanded anywhere.
    pub start_c: Option<f64>,
    /// Time from then to the start of the block, s.
    pub elapsed_s: f64,
    /// What it tends to, °C.
    pub toward_c: f64,
    /// Temperature the controller holds once reached, °C.
    pub target_c: f64,
    /// Time constant, s; none where there is no law: it then has the temperature that was waited for last.
    pub time_constant_s: Option<f64>,
    /// Without a law: the target in force was waited for.
    pub awaited: bool,
    /// Nobody knows the target: there is no temperature either.
    pub unknown: bool,
    /// Without a law: it was cold, and no target has been waited for since. Whoever runs the job sees to the heat.
    pub unawaited: bool,
}

impl NozzleSpan {
    /// Temperature `after_s` seconds into the block, °C.
    pub fn at(&self, after_s: f64) -> Option<f64> {
        let start = self.start_c?;
        let Some(tau) = self.time_constant_s else { return Some(start) };
        let free = self.toward_c + (start - self.toward_c) * (-(self.elapsed_s + after_s) / tau).exp();
        Some(if start < self.target_c { free.min(self.target_c) } else { free.max(self.target_c) })
    }

    /// No temperature of the block is above this, °C.
    pub fn hottest_c(&self) -> Option<f64> {
        let start_c = self.start_c?;
        Some(if start_c < self.target_c && self.time_constant_s.is_some() { self.target_c } else { start_c })
    }

    /// The temperature at which filament melts `after_s` seconds into the block, °C: none where the sheet gives no law and
    /// the job waits for nothing.
    pub fn melts_at(&self, after_s: f64) -> Option<f64> {
        if self.unawaited { None } else { self.at(after_s) }
    }
}

/// A heater.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Heater {
    /// Of the tool of that number.
    Nozzle(u32),
    /// Bed.
    Bed,
    /// Chamber.
    Chamber,
}

/// How a temperature command waits.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Wait {
    /// It does not.
    No,
    /// Until at least the target.
    ToHeat,
    /// Until the target, from above or below.
    ToHeatOrCool,
}

/// Where the bed is touched.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Touches {
    /// Nowhere: the machine parks, wipes or goes back.
    Nothing,
    /// At some places.
    Somewhere,
    /// Under the probe, or the nozzle where that probes, as the machine stands.
    Here,
    /// At this x, y, mm.
    Place([f64; 2]),
    /// All over.
    WholeBed,
}

/// Something that is no move, in its place between moves.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Action {
    /// Line of the job.
    pub line: u64,
    /// When it starts, s from the start of the job.
    pub at_s: f64,
    /// How long it takes, s.
    pub duration_s: f64,
    /// What it is.
    pub kind: ActionKind,
    /// Where it waits for a temperature that the heater never reaches by its law: what it tends to, °C.
    pub reach_c: Option<f64>,
}

/// What an action is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum ActionKind {
    /// G4 of that time.
    Dwell,
    /// A heater gets a target.
    Heat {
        /// Which.
        heater: Heater,
        /// Target, °C; 0 is off.
        target_c: f64,
        /// As the job gives it, °C: what is no warmer than the room is off.
        asked_c: f64,
        /// Whether the job waits.
        wait: Wait,
    },
    /// A heater gets a target that nobody knows.
    HeatUnknown {
        /// Which.
        heater: Heater,
    },
    /// Something that may home, heat, move and wait: none of that is known from here on.
    Unfollowed,
    /// Homing; the position afterwards.
    Home {
        /// Which of x, y, z.
        axes: [bool; 3],
        /// Machine position afterwards, mm.
        position: [f64; 3],
    },
    /// Probing, parking and the like: nobody knows where the machine is from here on.
    Probe {
        /// What goes down to the bed.
        touches: Touches,
    },
    /// A pause that waits for a person (or, with a time of its own, for that).
    Pause {
        /// True when the pause has no end of its own.
        open_ended: bool,
    },
    /// Layer fan set to a share from 0 to 1.
    Fan {
        /// 0..1.
        share: f64,
    },
    /// The controller gets another lead of the filament.
    Lead {
        /// For the tool of that number.
        tool: u32,
        /// Filament pushed ahead for each mm/s of its speed, s.
        lead_s: f64,
    },
    /// Another tool.
    Tool {
        /// Its number.
        number: u32,
    },
    /// Where the tip of the tool in use is from now on, from the place of the machine.
    Tip {
        /// X, y, z, mm.
        offset_mm: [f64; 3],
    },
    /// Motors released.
    MotorsOff {
        /// X, Y, Z, E.
        axes: [bool; 4],
    },
    /// Motors held again.
    MotorsOn,
    /// The next command has not come yet, and the machine stands.
    Starved,
    /// Waits until all moves are done.
    Finish,
    /// The end of the job; always the last action.
    End,
}

/// How long the machine stands at actions that last so long each, s; none where nobody knows, so that it may be as long as it
/// takes.
pub(crate) fn stands_s<'a>(actions: impl Iterator<Item = (&'a ActionKind, f64)>) -> Option<f64> {
    let mut stops = actions.filter(|(kind, _)| kind.stops()).peekable();
    stops.peek()?;
    stops.map(|(kind, duration_s)| kind.stops_for_its_time().then_some(duration_s)).sum()
}

impl ActionKind {
    /// True for stops that last as long as is known, and during which nothing else happens.
    pub(crate) fn stops_for_its_time(&self) -> bool {
        matches!(self, Self::Dwell | Self::Finish)
    }

    /// True where the machine comes to rest and look-ahead ends, however short the wait.
    pub(crate) fn stops(&self) -> bool {
        match self {
            Self::Dwell
            | Self::Home { .. }
            | Self::Probe { .. }
            | Self::Unfollowed
            | Self::Pause { .. }
            | Self::Tool { .. }
            | Self::Starved
            | Self::Finish
            | Self::End => true,
            Self::Heat { wait, .. } => *wait != Wait::No,
            Self::HeatUnknown { .. }
            | Self::Fan { .. }
            | Self::Lead { .. }
            | Self::Tip { .. }
            | Self::MotorsOff { .. }
            | Self::MotorsOn => false,
        }
    }
}
