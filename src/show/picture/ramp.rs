//! A colour for a share from 0 to 1: perceptually uniform, and in order for people who tell red and green badly.
//!
//! The scale is viridis (S. van der Walt and N. Smith, 2015, dedicated to the public domain), every sixteenth of it as a
//! general-purpose plotting library gives it. On paper more is darker, in the dark more is brighter; the end that would
//! not stand out from the ground is cut off.

use plotters::style::RGBColor;

/// Seventeen colours of the scale, from its dark to its bright end.
pub const STOPS: [[u8; 3]; 17] = [
    [0x44, 0x01, 0x54],
    [0x48, 0x18, 0x6a],
    [0x47, 0x2d, 0x7b],
    [0x42, 0x40, 0x86],
    [0x3b, 0x52, 0x8b],
    [0x33, 0x63, 0x8d],
    [0x2c, 0x72, 0x8e],
    [0x26, 0x82, 0x8e],
    [0x21, 0x91, 0x8c],
    [0x1f, 0xa0, 0x88],
    [0x28, 0xae, 0x80],
    [0x3f, 0xbc, 0x73],
    [0x5e, 0xc9, 0x62],
    [0x84, 0xd4, 0x4b],
    [0xad, 0xdc, 0x30],
    [0xd8, 0xe2, 0x19],
    [0xfd, 0xe7, 0x25],
];

/// Colours on paper, from a share of 0 to one of 1.
pub fn on_paper() -> Vec<[u8; 3]> {
    STOPS[..14].iter().rev().copied().collect()
}

/// Colours in the dark, from a share of 0 to one of 1.
pub fn in_the_dark() -> Vec<[u8; 3]> {
    STOPS[4..].to_vec()
}

/// The colour of a share on paper; shares outside 0 to 1 get that of the nearer end.
pub fn on_paper_at(share: f64) -> RGBColor {
    let stops = on_paper();
    let at = share.clamp(0.0, 1.0) * (stops.len() - 1) as f64;
    let low = (at as usize).min(stops.len() - 2);
    let [r, g, b] = [0, 1, 2].map(|c| {
        let (from, to) = (f64::from(stops[low][c]), f64::from(stops[low + 1][c]));
        (from + (to - from) * (at - low as f64)).round() as u8
    });
    RGBColor(r, g, b)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Lightness L* of a colour: sRGB after IEC 61966-2-1, L* after CIE 15 (white point D65); constants from memory.
    fn lightness(colour: [u8; 3]) -> f64 {
        let linear = colour.map(|c| {
            let c = f64::from(c) / 255.0;
            if c <= 0.04045 { c / 12.92 } else { ((c + 0.055) / 1.055).powf(2.4) }
        });
        let y = 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2];
        116.0 * y.cbrt() - 16.0
    }

    #[test]
    fn equal_steps_look_equal() {
        for stops in [on_paper(), in_the_dark()] {
            let steps: Vec<f64> =
                stops.windows(2).map(|pair| (lightness(pair[1]) - lightness(pair[0])).abs()).collect();
            let mean = steps.iter().sum::<f64>() / steps.len() as f64;
            assert!(steps.iter().all(|step| (step / mean - 1.0).abs() < 0.35), "{steps:?}");
        }
    }

    #[test]
    fn more_is_darker_on_paper_and_brighter_in_the_dark() {
        let sorted = |stops: Vec<[u8; 3]>| stops.windows(2).all(|pair| lightness(pair[0]) < lightness(pair[1]));
        assert!(sorted(in_the_dark()) && sorted(on_paper().into_iter().rev().collect()));
        assert_eq!(on_paper_at(2.0), on_paper_at(1.0));
        assert_eq!(on_paper_at(-1.0), RGBColor(0x84, 0xd4, 0x4b));
    }
}
