//! Thousandths without a rounding: 800 mA and 0.8 A are the same decimal digits.

/// A thousandth of a number as it is written, rounded once; none where it is no number.
pub(super) fn thousandth(number: &str) -> Option<f64> {
    format!("{number}e-3").parse().ok()
}

/// A thousand times a positive value in plain decimals; [`thousandth`] of it is the value again.
pub(super) fn thousandfold(value: f64) -> String {
    let shortest = value.to_string();
    let (whole, part) = shortest.split_once('.').unwrap_or((&shortest, ""));
    let digits = format!("{whole}{part:0<3}");
    let (whole, part) = digits.split_at(whole.len() + 3);
    let whole = whole.trim_start_matches('0');
    let whole = if whole.is_empty() { "0" } else { whole };
    match part.is_empty() {
        true => whole.to_owned(),
        false => format!("{whole}.{part}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn by_hand() {
        for (value, text) in [
            (0.8, "800"),
            (1.0, "1000"),
            (12.5, "12500"),
            (0.0625, "62.5"),
            (1e-6, "0.001"),
            (1e12, "1000000000000000"),
        ] {
            assert_eq!(thousandfold(value), text);
            assert_eq!(thousandth(text), Some(value));
        }
        assert_eq!(["5.", "+.5", "x", ""].map(thousandth), [Some(0.005), Some(0.0005), None, None]);
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn there_and_back(value in prop_oneof![1e-6f64..1e12, 0.001f64..5.0]) {
            prop_assert_eq!(thousandth(&thousandfold(value)), Some(value));
        }
    }
}
