//! How the structure swings: modes of vibration, what ringing is accepted, and the impulse shapers in force.

/// Natural modes of the machine's structure, and what follows from them.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Structure {
    /// Modes, in the order of the sheet; without any, ringing is not judged.
    pub modes: Vec<Mode>,
    /// Largest amplitude of ringing accepted while extruding, mm.
    pub ringing_limit_mm: Option<f64>,
    /// Impulse shaper the controller applies to X and to Y, if any.
    pub shapers: Shapers,
}

/// Shapers of X and Y.
pub type Shapers = [Option<ImpulseShaper>; 2];

impl Structure {
    /// The directions with modes, each once, in the order of [`Direction::ALL`].
    pub fn directions(&self) -> Vec<Direction> {
        Direction::ALL.into_iter().filter(|&along| self.modes.iter().any(|mode| mode.along == along)).collect()
    }

    /// Modes along a direction, with their place in [`Self::modes`].
    pub fn along(&self, along: Direction) -> impl Iterator<Item = (usize, &Mode)> {
        self.modes.iter().enumerate().filter(move |(_, mode)| mode.along == along)
    }
}

/// One mode: a damped oscillator whose base follows the planned motion along a direction.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mode {
    /// Which way it swings.
    pub along: Direction,
    /// Undamped natural frequency, Hz.
    pub natural_hz: f64,
    /// Damping ratio, below 1.
    pub damping_ratio: f64,
    /// Share of the mode's motion that the nozzle sees (modal participation).
    pub share: f64,
}

/// Which way a mode swings.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Direction {
    /// Along X.
    X,
    /// Along Y.
    Y,
    /// Along Z.
    Z,
    /// Along the diagonal on which X and Y grow together: one belt of a crossed pair.
    Sum,
    /// Along the diagonal on which X grows while Y falls: the other belt.
    Difference,
}

impl Direction {
    /// All of them, in the order of reports.
    pub const ALL: [Self; 5] = [Self::X, Self::Y, Self::Z, Self::Sum, Self::Difference];

    /// The word used in the sheet and in reports.
    pub fn word(self) -> &'static str {
        match self {
            Self::X => "x",
            Self::Y => "y",
            Self::Z => "z",
            Self::Sum => "x+y",
            Self::Difference => "x-y",
        }
    }

    /// Unit vector over X, Y, Z.
    pub fn vector(self) -> [f64; 3] {
        const DIAGONAL: f64 = std::f64::consts::FRAC_1_SQRT_2;
        match self {
            Self::X => [1.0, 0.0, 0.0],
            Self::Y => [0.0, 1.0, 0.0],
            Self::Z => [0.0, 0.0, 1.0],
            Self::Sum => [DIAGONAL, DIAGONAL, 0.0],
            Self::Difference => [DIAGONAL, -DIAGONAL, 0.0],
        }
    }
}

/// An impulse shaper: the commanded motion is convolved with a few impulses.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ImpulseShaper {
    /// Which impulses.
    pub kind: ShaperKind,
    /// Undamped natural frequency it is tuned to, Hz.
    pub tuned_hz: f64,
    /// Damping ratio it is tuned to, below 1.
    pub tuned_damping_ratio: f64,
}

/// Which impulses a shaper has, by the names of the papers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ShaperKind {
    /// Zero vibration: two impulses.
    Zv,
    /// Zero vibration and derivative: three impulses.
    Zvd,
    /// Zero vibration and two derivatives: four impulses.
    Zvdd,
    /// Extra-insensitive for 5 % vibration: three impulses.
    Ei,
}

impl ShaperKind {
    /// All of them, in the order of the sheet's documentation.
    pub const ALL: [Self; 4] = [Self::Zv, Self::Zvd, Self::Zvdd, Self::Ei];

    /// The word used in the sheet.
    pub fn word(self) -> &'static str {
        match self {
            Self::Zv => "zv",
            Self::Zvd => "zvd",
            Self::Zvdd => "zvdd",
            Self::Ei => "ei",
        }
    }
}
