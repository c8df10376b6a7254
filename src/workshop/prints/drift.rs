//! Whether recent prints deviate from the clock in another way than older ones.
//!
//! The test of Pettitt (A Non-parametric Approach to the Change-point Problem, Applied Statistics 28, 1979): with
//! U_t = Σ_{i ≤ t} Σ_{j > t} sign(x_j − x_i), K = max |U_t| is large where the values after t are larger or smaller than those
//! before; the chance of such a K without any change is about 2 exp(−6 K² / (n³ + n²)). Ranks alone count, so that wrong prints do not.

/// How often it says that a machine drifts which does not: once in so many lists of prints.
pub const FALSE_ALARMS_ONE_IN: u32 = 100;

/// A change in a list of deviations.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Change {
    /// The first of the values after it.
    pub at: usize,
    /// Median after less median before.
    pub by: f64,
    /// The chance of so clear a change where there is none.
    pub chance: f64,
}

/// The likeliest place of a change, and how likely it is chance; none with fewer than two values.
pub fn likeliest(values: &[f64]) -> Option<Change> {
    let count = values.len();
    let sign = |later: f64, earlier: f64| f64::from(i8::from(later > earlier) - i8::from(later < earlier));
    // U_t changes by what the value that goes from the later to the earlier ones has with all others.
    let mut sum = 0.0;
    let (mut at, mut most) = (0, -1.0);
    for t in 1..count {
        let moved = values[t - 1];
        sum += values.iter().map(|other| sign(*other, moved)).sum::<f64>();
        if sum.abs() > most {
            (at, most) = (t, sum.abs());
        }
    }
    if most < 0.0 {
        return None;
    }
    let n = count as f64;
    let chance = (2.0 * (-6.0 * most * most / (n * n * n + n * n)).exp()).min(1.0);
    Some(Change { at, by: median(&values[at..])? - median(&values[..at])?, chance })
}

/// The change, where it is clear.
pub fn clear(values: &[f64]) -> Option<Change> {
    likeliest(values).filter(|change| change.chance * f64::from(FALSE_ALARMS_ONE_IN) < 1.0)
}

/// The middle value, or the mean of the two in the middle.
pub fn median(values: &[f64]) -> Option<f64> {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let middle = sorted.len() / 2;
    match sorted.len() {
        0 => None,
        count if count % 2 == 1 => Some(sorted[middle]),
        _ => Some((sorted[middle - 1] + sorted[middle]) / 2.0),
    }
}

#[cfg(test)]
mod tests {
    use super::super::testing::Dice;
    use super::*;

    /// Yearly flow of the Nile at Aswan, 1871 to 1970, 10⁸ m³: a known change after 1898, the 28th year (Cobb, The Problem of
    /// the Nile, Biometrika 65, 1978), to less water.
    #[test]
    fn the_nile_changed_in_1899() {
        let nile = [
            1120, 1160, 963, 1210, 1160, 1160, 813, 1230, 1370, 1140, 995, 935, 1110, 994, 1020, 960, 1180, 799, 958,
            1140, 1100, 1210, 1150, 1250, 1260, 1220, 1030, 1100, 774, 840, 874, 694, 940, 833, 701, 916, 692, 1020,
            1050, 969, 831, 726, 456, 824, 702, 1120, 1100, 832, 764, 821, 768, 845, 864, 862, 698, 845, 744, 796,
            1040, 759, 781, 865, 845, 944, 984, 897, 822, 1010, 771, 676, 649, 846, 812, 742, 801, 1040, 860, 874, 848,
            890, 744, 749, 838, 1050, 918, 986, 797, 923, 975, 815, 1020, 906, 901, 1170, 912, 746, 919, 718, 714, 740,
        ];
        let change = clear(&nile.map(f64::from)).expect("a change");
        assert_eq!(change.at, 28);
        assert!(change.by < -200.0 && change.chance < 1e-5, "{change:?}");
    }

    /// The sum by its definition.
    #[test]
    fn the_statistic_is_that_of_its_definition() {
        let values = [3.0_f64, 1.0, 4.0, 1.0, 5.0, 9.0, 2.0, 6.0];
        let u = |t: usize| -> f64 {
            let pairs = values[..t].iter().flat_map(|earlier| values[t..].iter().map(move |later| later - earlier));
            pairs.map(|by| if by == 0.0 { 0.0 } else { by.signum() }).sum()
        };
        let most = (1..8).map(|t| u(t).abs()).fold(0.0, f64::max);
        let found = likeliest(&values).expect("a place");
        assert_eq!(u(found.at).abs(), most);
        let expected = 2.0 * (-6.0 * most * most / (512.0 + 64.0)).exp();
        assert!((found.chance - expected.min(1.0)).abs() < 1e-12);
    }

    #[test]
    fn false_alarms_are_as_rare_as_they_are_said_to_be_and_real_changes_are_seen() {
        let mut dice = Dice::new(7);
        let rounds = 2000;
        let (mut alarms, mut seen) = (0, 0);
        for round in 0..rounds {
            let count = 8 + round % 40;
            let steady: Vec<f64> = (0..count).map(|_| dice.heavy()).collect();
            alarms += u32::from(clear(&steady).is_some());
            let changed: Vec<f64> = (0..40).map(|at| dice.normal() + if at < 20 { 0.0 } else { 2.0 }).collect();
            seen += u32::from(clear(&changed).is_some());
        }
        assert!(alarms <= rounds / FALSE_ALARMS_ONE_IN, "{alarms} of {rounds}");
        assert!(seen > rounds * 95 / 100, "{seen} of {rounds}");
    }

    #[test]
    fn few_or_equal_values_never_change() {
        assert_eq!([clear(&[]), clear(&[1.0]), clear(&[1.0, 9.0]), clear(&[2.0; 50])], [None; 4]);
    }
}
