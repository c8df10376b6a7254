//! What the hotend melts: momentary rate, and sustained rate as a first-order average over the melt window τ.
//!
//! y′ = (q − y) / τ. On a linear piece q(t) = q₀ + r t the exact solution is
//! y(t) = q(t) − r τ + (y₀ − q₀ + r τ) e^(−t/τ); y is largest at an end or, on a falling piece, where it meets q. mm³/s.

use crate::observe::Block;

/// Pushes smaller than this beyond the retracted length are rounding, mm.
pub const PURGE_LEAST_MM: f64 = 1e-6;

/// Melt state of one tool.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Melt {
    tau_s: f64,
    y: f64,
    idle_s: f64,
    away_since_s: f64,
    pulled_back_mm: f64,
}

impl Melt {
    /// Nothing molten, nothing retracted.
    pub fn new(melt_window_s: f64) -> Self {
        Self { tau_s: melt_window_s, y: 0.0, idle_s: 0.0, away_since_s: 0.0, pulled_back_mm: 0.0 }
    }

    /// Lets time go by without flow.
    pub fn idle(&mut self, seconds: f64) {
        self.idle_s += seconds;
    }

    /// The tool is put away at that time.
    pub fn put_away(&mut self, now_s: f64) {
        self.away_since_s = now_s;
    }

    /// The tool is taken up again.
    pub fn take_up(&mut self, now_s: f64) {
        self.idle_s += now_s - self.away_since_s;
    }

    /// Filament pulled back, mm.
    pub fn retracted(&mut self, length_mm: f64) {
        self.pulled_back_mm += length_mm;
    }

    /// Filament pushed, mm: how much of it only undoes retraction.
    pub fn recovered(&mut self, length_mm: f64) -> f64 {
        let recovered = length_mm.min(self.pulled_back_mm);
        self.pulled_back_mm -= recovered;
        recovered
    }

    fn settle_idle(&mut self) {
        if self.idle_s > 0.0 {
            self.y *= (-self.idle_s / self.tau_s).exp();
            self.idle_s = 0.0;
        }
    }

    /// One linear piece; the largest average on it, its start apart.
    fn piece(&mut self, q_start: f64, q_end: f64, seconds: f64) -> f64 {
        if seconds <= 0.0 {
            return 0.0;
        }
        let slope_tau = (q_end - q_start) / seconds * self.tau_s;
        let c = self.y - q_start + slope_tau;
        let decay = (-seconds / self.tau_s).exp();
        let end = q_end - slope_tau + c * decay;
        let mut most = self.y.max(end);
        // y′ = 0 where e^(−t/τ) = r τ / c; a maximum only where c < 0, so r < 0.
        if c < 0.0 && slope_tau < 0.0 {
            let at = slope_tau / c;
            if at > decay && at < 1.0 {
                most = most.max(q_start - slope_tau * at.ln());
            }
        }
        self.y = end;
        most
    }

    /// A whole move whose rate is `section` mm² times its speed; the largest average on it.
    pub(super) fn ramps(&mut self, section: f64, block: &Block, i: usize) -> f64 {
        self.settle_idle();
        let (q0, q1, q2) = (section * block.v_start[i], section * block.v_peak[i], section * block.v_end[i]);
        let up = self.piece(q0, q1, block.t_up[i]);
        let level = self.piece(q1, q1, block.t_cruise[i]);
        let down = self.piece(q1, q2, block.t_down[i]);
        up.max(level).max(down)
    }

    /// A push of filament alone whose first `recovered_mm` only fill the nozzle; the largest average on the rest.
    pub(super) fn purge(&mut self, area_mm2: f64, block: &Block, i: usize, recovered_mm: f64) -> f64 {
        let phases = [
            (block.v_start[i], block.v_peak[i], block.t_up[i]),
            (block.v_peak[i], block.v_peak[i], block.t_cruise[i]),
            (block.v_peak[i], block.v_end[i], block.t_down[i]),
        ];
        let mut left_mm = recovered_mm;
        let mut most = 0.0f64;
        for (v0, v1, seconds) in phases {
            let length_mm = (v0 + v1) / 2.0 * seconds;
            if left_mm >= length_mm {
                left_mm -= length_mm;
                self.idle(seconds);
                continue;
            }
            // Speed and time where the recovered length ends inside this phase.
            let v_squared = v0 * v0 + (v1 * v1 - v0 * v0) * left_mm / length_mm;
            let v = v_squared.max(0.0).sqrt();
            let at_s = if left_mm > 0.0 { 2.0 * left_mm / (v0 + v) } else { 0.0 };
            left_mm = 0.0;
            self.idle(at_s);
            self.settle_idle();
            most = most.max(self.piece(area_mm2 * v, area_mm2 * v1, seconds - at_s));
        }
        most
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The average by small steps of its differential equation (midpoint rule).
    fn stepped(y0: f64, q0: f64, q1: f64, seconds: f64, tau: f64) -> (f64, f64) {
        let steps = 200_000;
        let dt = seconds / f64::from(steps);
        let (mut y, mut most) = (y0, y0);
        for k in 0..steps {
            let q = |t: f64| q0 + (q1 - q0) * t / seconds;
            let t = f64::from(k) * dt;
            let half = y + dt / 2.0 * (q(t) - y) / tau;
            y += dt * (q(t + dt / 2.0) - half) / tau;
            most = most.max(y);
        }
        (y, most)
    }

    #[test]
    fn pieces_solve_the_equation() {
        for (y0, q0, q1, seconds, tau) in [
            (0.0, 0.0, 10.0, 0.3, 1.0),
            (3.0, 12.0, 1.0, 2.0, 0.7),
            (8.0, 2.0, 2.0, 0.5, 1.0),
            (5.0, 9.0, 0.0, 0.1, 4.0),
        ] {
            let mut melt = Melt { y: y0, ..Melt::new(tau) };
            let most = melt.piece(q0, q1, seconds);
            let (y, stepped_most) = stepped(y0, q0, q1, seconds, tau);
            assert!((melt.y - y).abs() < 1e-7, "{q0} {q1}: {} {y}", melt.y);
            assert!((most - stepped_most).abs() < 1e-6, "{q0} {q1}: {most} {stepped_most}");
        }
    }

    #[test]
    fn a_step_reaches_63_percent_in_one_window() {
        // First-order step response: 1 − 1/e after τ (any control textbook; from memory).
        let mut melt = Melt::new(2.0);
        melt.piece(10.0, 10.0, 2.0);
        assert!((melt.y - 10.0 * (1.0 - (-1f64).exp())).abs() < 1e-12);
    }
}
