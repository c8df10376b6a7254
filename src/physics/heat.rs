//! First-order heating and cooling (Newton's law of cooling; a heater at full power tends to a temperature of its own).
//!
//! T(t) = T∞ + (T₀ − T∞) e^(−t/τ); from T₀ to T₁ it takes τ ln((T∞ − T₀) / (T∞ − T₁)). °C, s.

use crate::block::NozzleSpan;
use crate::machine::Heating;

/// How a wait ends.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Reach {
    /// After that many seconds.
    In(f64),
    /// The heater has no law: not modelled.
    NoLaw,
    /// Never: the law only gets this far, °C.
    Never(f64),
}

/// One heater: its temperature when it got its target, and the time since. Time only adds up, so that the temperature
/// does not depend on the steps in which it goes by.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HeaterState {
    law: Option<Heating>,
    start_c: f64,
    elapsed_s: f64,
    target_c: f64,
    awaited: bool,
    unknown: bool,
}

impl HeaterState {
    /// Off, at room temperature.
    pub fn cold(law: Option<Heating>, ambient_c: f64) -> Self {
        Self { law, start_c: ambient_c, elapsed_s: 0.0, target_c: 0.0, awaited: false, unknown: false }
    }

    /// A new target, °C; 0 is off. `awaited` when the job waits for it.
    ///
    /// Without a law nobody knows how fast it gets there: what was waited for is reached, a lower target counts as reached
    /// at once, a higher one that is not waited for does not.
    pub fn set(&mut self, target_c: f64, awaited: bool, ambient_c: f64) {
        // An unheated nozzle is no colder than the room.
        let reached_c = target_c.max(ambient_c);
        self.start_c = match self.law {
            Some(_) => self.now_c(ambient_c),
            None if awaited => reached_c,
            None => self.start_c.min(reached_c),
        };
        self.elapsed_s = 0.0;
        self.target_c = target_c;
        self.awaited = awaited;
        // What was waited for is known again.
        self.unknown &= !awaited;
    }

    /// A target that nobody knows: neither is the temperature from now on.
    pub fn lose(&mut self) {
        self.unknown = true;
    }

    /// Temperature now, °C.
    pub fn now_c(&self, ambient_c: f64) -> f64 {
        self.span(ambient_c).at(0.0).unwrap_or(self.start_c)
    }

    /// What the heater tends to until it reaches its target.
    fn toward_c(&self, law: Heating, ambient_c: f64) -> f64 {
        if self.start_c < self.target_c { law.full_power_c } else { ambient_c }
    }

    /// The course of the temperature from now on.
    pub fn span(&self, ambient_c: f64) -> NozzleSpan {
        NozzleSpan {
            start_c: (!self.unknown).then_some(self.start_c),
            unknown: self.unknown,
            elapsed_s: self.elapsed_s,
            toward_c: self.law.map_or(self.target_c, |law| self.toward_c(law, ambient_c)),
            target_c: self.target_c,
            time_constant_s: self.law.map(|law| law.time_constant_s),
            awaited: self.awaited,
            unawaited: self.law.is_none() && !self.awaited && self.start_c <= ambient_c,
        }
    }

    /// Lets time go by.
    pub fn pass(&mut self, seconds: f64) {
        self.elapsed_s += seconds;
    }

    /// How long until the target; `cool` also waits from above.
    pub fn wait(&self, cool: bool, ambient_c: f64) -> Reach {
        let Some(law) = self.law else { return Reach::NoLaw };
        let (now, target) = (self.now_c(ambient_c), self.target_c);
        if now == target || now > target && !cool {
            return Reach::In(0.0);
        }
        let toward = self.toward_c(law, ambient_c);
        let left = (toward - now) / (toward - target);
        // The target must lie between now and where the law tends to, and not be that point itself.
        if left.is_finite() && left >= 1.0 { Reach::In(law.time_constant_s * left.ln()) } else { Reach::Never(toward) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const LAW: Heating = Heating { time_constant_s: 60.0, full_power_c: 300.0 };

    #[test]
    fn heating_time() {
        // Newton's law, worked out by hand: 60 ln(275 / 85) = 70.4471904705753 s from 25 to 215 °C.
        let mut heater = HeaterState::cold(Some(LAW), 25.0);
        heater.set(215.0, false, 25.0);
        let Reach::In(seconds) = heater.wait(false, 25.0) else { panic!("reachable") };
        assert!((seconds - 70.4471904705753).abs() < 1e-9);
        heater.pass(seconds);
        assert!((heater.now_c(25.0) - 215.0).abs() < 1e-9);
        heater.pass(1000.0);
        assert_eq!(heater.now_c(25.0), 215.0, "held at the target");
    }

    #[test]
    fn cooling_and_reach() {
        let mut heater = HeaterState::cold(Some(LAW), 20.0);
        heater.set(310.0, false, 20.0);
        assert_eq!(heater.wait(false, 20.0), Reach::Never(300.0));
        heater.set(200.0, false, 20.0);
        heater.pass(1e4);
        heater.set(110.0, false, 20.0);
        assert_eq!(heater.wait(false, 20.0), Reach::In(0.0));
        let Reach::In(seconds) = heater.wait(true, 20.0) else { panic!("cools") };
        assert!((seconds - 60.0 * 2f64.ln()).abs() < 1e-9, "180 K above the room halves in τ ln 2");
        heater.set(0.0, false, 20.0);
        assert_eq!(heater.wait(true, 20.0), Reach::Never(20.0));
    }

    #[test]
    fn without_a_law_only_what_was_waited_for_is_reached() {
        let mut heater = HeaterState::cold(None, 20.0);
        let mut after = |target_c, awaited| {
            heater.set(target_c, awaited, 20.0);
            heater.pass(1e4);
            heater.now_c(20.0)
        };
        assert_eq!(after(210.0, false), 20.0, "never waited for: the room");
        assert_eq!(after(210.0, true), 210.0);
        assert_eq!((after(230.0, false), after(205.0, false), after(230.0, false)), (210.0, 205.0, 205.0));
        assert_eq!((after(0.0, false), after(0.0, true)), (20.0, 20.0));
    }
}
