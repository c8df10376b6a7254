//! How fast filament may go through a heated length so that its middle still melts: conduction of heat into a rod in plug flow.
//!
//! Filament that fills a tube of temperature Tₙ and comes in with T₀ is, on its axis at the end of the tube, at T with
//! (Tₙ − T) / (Tₙ − T₀) = Σ 2 / (λₖ J₁(λₖ)) e^(−λₖ² Fo), Fo = π α L / Q: the Graetz problem with slug flow, which is the cooling
//! of a long cylinder in the time it takes to pass (handbooks of heat transfer; J. Fourier's series for the cylinder). λₖ are
//! the zeros of J₀, α the thermal diffusivity, L the length, Q the melt rate. The diameter falls out. Heat of melting and
//! conduction along the axis are left out, and so is that the filament touches the wall less the faster it goes, as X-rays
//! show (Additive Manufacturing 76, 103762): fast rates come out too high, which the sheet's `safety` stands for.

use std::f64::consts::PI;

use crate::machine::MeltZone;

/// Zeros λ of J₀, and J₁ there (Abramowitz and Stegun, table 9.5, which has ten digits of them; more by Newton's method
/// on the power series). Twenty: the last term is below 10⁻¹⁶ from [`FO_LEAST`] on.
#[rustfmt::skip]
const ZEROS: [(f64, f64); 20] = [
    (2.404_825_557_695_773, 0.519_147_497_289_466_8),
    (5.520_078_110_286_311, -0.340_264_806_558_368_1),
    (8.653_727_912_911_013, 0.271_452_299_928_381_9),
    (11.791_534_439_014_281, -0.232_459_831_364_724_78),
    (14.930_917_708_487_785, 0.206_546_433_077_996_02),
    (18.071_063_967_910_924, -0.187_728_803_040_439_42),
    (21.211_636_629_879_26, 0.173_265_894_229_229_86),
    (24.352_471_530_749_302, -0.161_701_550_689_25),
    (27.493_479_132_040_253, 0.152_181_213_770_594_54),
    (30.634_606_468_431_976, -0.144_165_977_686_373_2),
    (33.775_820_213_573_57, 0.137_296_943_408_502_97),
    (36.917_098_353_664_045, -0.131_324_626_668_667_93),
    (40.058_425_764_628_24, 0.126_069_497_127_273_4),
    (43.199_791_713_176_73, -0.121_398_624_771_750_14),
    (46.341_188_371_661_815, 0.117_211_198_890_665_4),
    (49.482_609_897_397_816, -0.113_429_192_616_429_81),
    (52.624_051_841_115, 0.109_991_143_046_278_04),
    (55.765_510_755_019_98, -0.106_847_888_254_712_87),
    (58.906_983_926_080_94, 0.103_959_572_869_362_08),
    (62.048_469_190_227_17, -0.101_293_498_933_943_25),
];

/// Below it the middle has not warmed by 10⁻⁹ of the difference: what would melt sooner counts as this.
const FO_LEAST: f64 = 0.01;

/// Terms that much smaller than the first, as a power of e, are lost in its rounding.
const LOST: f64 = 45.0;

/// Share of the difference between wall and feed that is left on the axis after so much Fourier time, and its slope.
fn left_on_axis(fo: f64) -> (f64, f64) {
    let (mut left, mut slope) = (0.0, 0.0);
    // The smallest first, so that rounding stays small.
    for (zero, j1) in ZEROS.into_iter().rev() {
        let square = zero * zero;
        if (square - ZEROS[0].0 * ZEROS[0].0) * fo > LOST {
            continue;
        }
        let term = 2.0 / (zero * j1) * (-square * fo).exp();
        left += term;
        slope -= square * term;
    }
    (left, slope)
}

/// The Fourier time after which that share (above 0, below 1) is left on the axis: Newton's method on its logarithm, which is
/// nearly straight, kept inside a bracket that shrinks until no number lies between.
fn fourier_time(share: f64) -> f64 {
    let (mut low, mut high) = (FO_LEAST, FO_LEAST);
    // Beyond the second term all terms together are less than the first, which alone gets there at this time.
    high += (2.0 / (ZEROS[0].0 * ZEROS[0].1) / share).ln().max(0.0) / (ZEROS[0].0 * ZEROS[0].0);
    if left_on_axis(low).0 <= share {
        return low;
    }
    let mut at = high;
    // Halving alone would take some 60 steps.
    for _ in 0..200 {
        let (left, slope) = left_on_axis(at);
        if left > share {
            low = at;
        } else {
            high = at;
        }
        let newton = at - (left / share).ln() * left / slope;
        let next = if newton > low && newton < high { newton } else { low + (high - low) / 2.0 };
        if next == at || next <= low || next >= high {
            break;
        }
        at = next;
    }
    at
}

impl MeltZone {
    /// The melt rate at which the middle of the filament just melts when it leaves a zone at `nozzle_c`, mm³/s, by the formula
    /// at the head of this file; 0 where the nozzle is no hotter than what it takes to melt. [`MeltZone::safety`] is not in it.
    pub fn melts_mm3_s(&self, nozzle_c: f64) -> f64 {
        let (above_c, span_c) = (nozzle_c - self.melts_at_c, nozzle_c - self.feed_in_c);
        // No number is no temperature.
        if above_c.is_nan() || above_c <= 0.0 {
            return 0.0;
        }
        PI * self.diffusivity_mm2_s * self.length_mm / fourier_time(above_c / span_c)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const ZONE: MeltZone =
        MeltZone { length_mm: 12.0, melts_at_c: 150.0, feed_in_c: 25.0, diffusivity_mm2_s: 0.081, safety: 0.8 };

    /// Bessel's integral (1/π) ∫ cos(n t − x sin t) dt over 0..π: another way to the same functions. The trapezoidal rule
    /// on whole periods is exact to rounding from more points than x on.
    fn bessel(n: f64, x: f64) -> f64 {
        let points = 400;
        let at = |k: i32| PI * f64::from(k) / f64::from(points);
        let f = |t: f64| (n * t - x * t.sin()).cos();
        let inner: f64 = (1..points).map(|k| f(at(k))).sum();
        (inner + (f(0.0) + f(PI)) / 2.0) / f64::from(points)
    }

    #[test]
    fn zeros_are_zeros() {
        for (k, (zero, j1)) in ZEROS.into_iter().enumerate() {
            // 1e-13 of slack: the arguments of the cosines reach 62.
            assert!(bessel(0.0, zero).abs() < 1e-13 && (bessel(1.0, zero) - j1).abs() < 1e-13, "{k}");
            // All of them in order: they lie close to (k − 1/4) π (McMahon).
            assert!((zero - (k as f64 + 0.75) * PI).abs() < 0.05);
        }
        // Abramowitz and Stegun, table 9.5: j₀,₁ = 2.4048255577, J₀′ = −0.5191474973; j₀,₂₀ = 62.0484691902.
        assert!((ZEROS[0].0 - 2.404_825_557_7).abs() < 1e-10 && (ZEROS[0].1 - 0.519_147_497_3).abs() < 1e-10);
        assert!((ZEROS[19].0 - 62.048_469_190_2).abs() < 1e-10);
        assert!((2.0 / (ZEROS[0].0 * ZEROS[0].1) - 1.60197).abs() < 5e-6);
    }

    #[test]
    fn a_cylinder_cools_as_in_handbooks() {
        // Centre of a long cylinder whose surface is held: 0.8484 left at Fo 0.1, 0.5015 at 0.2 (handbooks of heat
        // transfer, the series summed by hand to four digits).
        for (fo, left) in [(0.1, 0.8484), (0.2, 0.5015), (0.5, 0.0889)] {
            assert!((left_on_axis(fo).0 - left).abs() < 1e-4, "{fo}: {}", left_on_axis(fo).0);
        }
    }

    /// The rod in thin rings by small steps of time (explicit finite differences of the equation of heat): nothing of the
    /// series is in it.
    fn stepped(fo: f64) -> f64 {
        const RINGS: usize = 100;
        let dr = 1.0 / RINGS as f64;
        let (dt, mut left) = (dr * dr / 5.0, [1.0f64; RINGS + 1]);
        left[RINGS] = 0.0;
        let steps = (fo / dt).round() as usize;
        for _ in 0..steps {
            let before = left;
            left[0] += dt * 4.0 * (before[1] - before[0]) / (dr * dr);
            for i in 1..RINGS {
                let r = i as f64 * dr;
                let bend = (before[i + 1] - 2.0 * before[i] + before[i - 1]) / (dr * dr);
                left[i] += dt * (bend + (before[i + 1] - before[i - 1]) / (2.0 * dr * r));
            }
        }
        left[0]
    }

    #[test]
    fn the_series_is_what_small_steps_give() {
        for fo in [0.05, 0.1, 0.25, 0.6] {
            let (series, steps) = (left_on_axis(fo).0, stepped(fo));
            assert!((series - steps).abs() < 2e-4, "{fo}: {series} {steps}");
        }
    }

    #[test]
    fn fourier_times_and_rates_worked_out_beside() {
        // Solved beside the program with the same series.
        for (nozzle_c, fo, relative) in
            [(190.0, 0.32648, 0.8456), (210.0, 0.27606, 1.0), (230.0, 0.24392, 1.1318), (250.0, 0.22122, 1.2479)]
        {
            let found = fourier_time((nozzle_c - 150.0) / (nozzle_c - 25.0));
            assert!((found - fo).abs() < 5e-6, "{nozzle_c}: {found}");
            let share = ZONE.melts_mm3_s(nozzle_c) / ZONE.melts_mm3_s(210.0);
            assert!((share - relative).abs() < 5e-5, "{nozzle_c}: {share}");
        }
        assert!((ZONE.melts_mm3_s(210.0) - 11.06).abs() < 5e-3);
    }

    #[test]
    fn cold_melts_nothing_and_twice_the_length_twice_as_much() {
        assert_eq!((ZONE.melts_mm3_s(150.0), ZONE.melts_mm3_s(20.0), ZONE.melts_mm3_s(f64::NAN)), (0.0, 0.0, 0.0));
        let twice = MeltZone { length_mm: 24.0, ..ZONE };
        assert_eq!(twice.melts_mm3_s(210.0), 2.0 * ZONE.melts_mm3_s(210.0));
        // A hair above it: next to nothing.
        let hair = ZONE.melts_mm3_s(150.0f64.next_up());
        assert!(hair > 0.0 && hair < 0.6, "{hair}");
    }

    proptest! {
        #[test]
        fn hotter_melts_more_and_the_root_is_one(melts_at_c in 30.0..400.0f64, above_c in 1e-3..1500.0f64, more_c in 1e-3..100.0f64) {
            let zone = MeltZone { melts_at_c, ..ZONE };
            let (less, more) = (zone.melts_mm3_s(melts_at_c + above_c), zone.melts_mm3_s(melts_at_c + above_c + more_c));
            prop_assert!(less > 0.0 && more >= less, "{less} {more}");
            let share = above_c / (melts_at_c + above_c - zone.feed_in_c);
            let fo = fourier_time(share);
            // To full precision: the share is met as closely as its own rounding lets it be.
            if fo > FO_LEAST {
                let (left, slope) = left_on_axis(fo);
                prop_assert!((left - share).abs() <= 1e-14 + 4.0 * f64::EPSILON * fo * slope.abs(), "{left} {share}");
            }
        }
    }
}
