//! What a sheet says of melt rates at other temperatures.

/// One of the two ways in which a sheet tells them.
#[derive(Debug, Clone, PartialEq)]
pub enum MeltByHeat {
    /// Measured, ascending by temperature; at least one.
    Measured(Vec<MeltRow>),
    /// By the conduction of heat.
    Zone(MeltZone),
}

/// What the hotend melts at one temperature.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MeltRow {
    /// Temperature of the nozzle, °C.
    pub nozzle_c: f64,
    /// Melt rate it keeps up, mm³/s.
    pub sustained_mm3_s: f64,
    /// Melt rate it bears for a moment, mm³/s; all rows of a tool give it or none.
    pub peak_mm3_s: Option<f64>,
}

/// The heated length of a hotend and the filament in it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MeltZone {
    /// Length in which the filament is heated, mm.
    pub length_mm: f64,
    /// Temperature that the middle of the filament must reach, °C.
    pub melts_at_c: f64,
    /// Temperature with which it comes in, °C; below that at which it melts.
    pub feed_in_c: f64,
    /// Thermal diffusivity of the filament, mm²/s.
    pub diffusivity_mm2_s: f64,
    /// Share of what the zone melts in theory that counts.
    pub safety: f64,
}

/// What a hotend melts, mm³/s; none where nothing says so.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct MeltRates {
    /// Melt rate it keeps up.
    pub sustained_mm3_s: Option<f64>,
    /// Melt rate it bears for a moment.
    pub peak_mm3_s: Option<f64>,
}

impl MeltRates {
    /// The smaller of each that both know.
    pub fn least(self, other: Self) -> Self {
        let least = |a: Option<f64>, b: Option<f64>| a.zip(b).map(|(a, b)| a.min(b));
        Self {
            sustained_mm3_s: least(self.sustained_mm3_s, other.sustained_mm3_s),
            peak_mm3_s: least(self.peak_mm3_s, other.peak_mm3_s),
        }
    }
}
