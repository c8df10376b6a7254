//! Chance with a fixed seed, and workshops made of it.

/// A stream of chance: SplitMix64 (Steele, Lea and Flood, 2014).
pub struct Dice(u64);

impl Dice {
    pub fn new(seed: u64) -> Self {
        Self(seed)
    }

    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// From 0 to 1.
    pub fn unit(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1_u64 << 53) as f64
    }

    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    /// Even in its logarithm.
    pub fn scaled(&mut self, low: f64, high: f64) -> f64 {
        self.between(low.ln(), high.ln()).exp()
    }

    pub fn one_of<T: Copy>(&mut self, all: &[T]) -> T {
        all[((self.unit() * all.len() as f64) as usize).min(all.len() - 1)]
    }

    pub fn chance(&mut self, of: f64) -> bool {
        self.unit() < of
    }

    /// Standard normal (Box and Muller).
    pub fn normal(&mut self) -> f64 {
        (-2.0 * (1.0 - self.unit()).ln()).sqrt() * (2.0 * std::f64::consts::PI * self.unit()).cos()
    }

    /// Student's t with three degrees of freedom.
    pub fn heavy(&mut self) -> f64 {
        let square: f64 = (0..3).map(|_| self.normal().powi(2)).sum();
        self.normal() / (square / 3.0).sqrt()
    }
}
