//! Marks of ringing on a wall → natural frequency and damping ratio, with their intervals.
//!
//! A wall printed at v mm/s behind a corner has crests v / f apart, f the damped natural frequency. A reading over k gaps
//! is s = k v T + ε with the period T = 1 / f and |ε| at most the reading error, evenly spread: a line through the origin.
//! T is its least-squares slope (to the first order the mean of the f weighted by 1 / σ²), σ_T = σ_s / √Σ(k v)² with
//! σ_s = reading error / √3. Where readings scatter more than that, σ grows by √(χ² / (n − 1)) (scale factor of the
//! Particle Data Group). Intervals are ± 1.96 σ, nominally 95 %; for few readings that is more.
//!
//! Heights of successive crests fall by the logarithmic decrement δ = 2πζ / √(1 − ζ²) (Chopra, *Dynamics of Structures*,
//! ch. 2; from memory): a line through ln h over the number of the crest, weighted by (h / σ_h)² with h from the fit, each
//! wall with an intercept of its own and one slope for all.

use std::f64::consts::TAU;
use std::str::FromStr;

/// Nominal coverage of the intervals.
pub const COVERAGE: f64 = 0.95;
/// Two-sided quantile of the normal distribution for [`COVERAGE`].
const QUANTILE: f64 = 1.959_964;
/// Most readings, and most heights in one.
const READINGS_MAX: usize = 1000;
/// Beyond the reading errors a reading may differ by that share and still belong to the others.
const ALIKE: f64 = 0.02;
/// How far speeds must differ to tell a frequency from a pattern of fixed length.
const SPEEDS_APART: f64 = 1.2;
/// Damping that is allowed for where none was measured.
const DAMPING_ASSUMED: f64 = 0.1;
/// Damping beyond which nothing rings that anybody could read.
const DAMPING_MAX: f64 = 0.9;

/// What was read on one wall.
#[derive(Debug, Clone, PartialEq)]
pub struct Reading {
    /// Distance over all gaps, mm.
    pub spacing_mm: f64,
    /// Speed along the wall, mm/s.
    pub speed_mm_s: f64,
    /// Gaps between crests in that distance.
    pub marks: u32,
    /// Heights of successive crests, mm; none where a crest was not seen.
    pub heights_mm: Vec<Option<f64>>,
}

/// Why marks say nothing.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum MarksError {
    /// A word that is no measurement.
    #[error("{0}")]
    Word(String),
    /// None at all, or too many.
    #[error("one to {READINGS_MAX} readings can be judged")]
    Count,
    /// The distance is no more than the reading error.
    #[error("a distance of {spacing_mm} mm is within its reading error: measure over more marks, or at a higher speed")]
    Small {
        /// mm.
        spacing_mm: f64,
    },
    /// No majority of readings agrees.
    #[error("{0}")]
    Disagree(String),
}

impl FromStr for Reading {
    type Err = MarksError;

    /// Reads `spacing=12.5 speed=100 marks=5 heights=0.10,-,0.05`: mm, mm/s, gaps (1 without), mm.
    fn from_str(text: &str) -> Result<Self, MarksError> {
        let (mut spacing, mut speed, mut marks, mut heights) = (None, None, None, None);
        for word in text.split_whitespace() {
            let wrong = |why: &str| MarksError::Word(format!("`{word}`: {why}"));
            let (key, value) = word.split_once('=').ok_or_else(|| wrong("a measurement is like spacing=2.5"))?;
            let number = |most: f64| {
                let number = value.parse::<f64>().ok().filter(|n| *n > 0.0 && *n <= most);
                number.ok_or_else(|| wrong(&format!("a number above 0, at most {most}")))
            };
            let again = match key {
                "spacing" => spacing.replace(number(10_000.0)?).is_some(),
                "speed" => speed.replace(number(10_000.0)?).is_some(),
                "marks" => {
                    let count = value.parse::<u32>().ok().filter(|n| (1..=1000).contains(n));
                    marks.replace(count.ok_or_else(|| wrong("a whole number from 1 to 1000"))?).is_some()
                }
                "heights" => heights
                    .replace(read_heights(value).ok_or_else(|| {
                        wrong("heights are mm above 0, at most 10, with commas between, - for one that was not seen")
                    })?)
                    .is_some(),
                _ => return Err(wrong("the words are spacing, speed, marks and heights")),
            };
            if again {
                return Err(wrong("given twice; a second wall is a second --from-marks"));
            }
        }
        let lacks = |key: &str| MarksError::Word(format!("a reading lacks {key}: give it like spacing=2.5 speed=100"));
        Ok(Self {
            spacing_mm: spacing.ok_or_else(|| lacks("spacing"))?,
            speed_mm_s: speed.ok_or_else(|| lacks("speed"))?,
            marks: marks.unwrap_or(1),
            heights_mm: heights.unwrap_or_default(),
        })
    }
}

fn read_heights(value: &str) -> Option<Vec<Option<f64>>> {
    let heights: Option<Vec<Option<f64>>> = value
        .split(',')
        .map(|part| match part {
            "-" => Some(None),
            part => part.parse::<f64>().ok().filter(|h| *h > 0.0 && *h <= 10.0).map(Some),
        })
        .collect();
    heights.filter(|heights| heights.len() <= READINGS_MAX)
}

impl Reading {
    /// Path in the time of one period's unknown: k v, mm for each second of the period.
    fn way(&self) -> f64 {
        f64::from(self.marks) * self.speed_mm_s
    }

    /// Frequency by this reading alone, Hz.
    pub fn hz(&self) -> f64 {
        self.way() / self.spacing_mm
    }
}

/// How well one can read, mm, either way.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ReadingError {
    /// Of a distance.
    pub spacing_mm: f64,
    /// Of a height.
    pub height_mm: f64,
}

impl Default for ReadingError {
    fn default() -> Self {
        Self { spacing_mm: 0.1, height_mm: 0.005 }
    }
}

/// A value and where it lies with [`COVERAGE`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Interval {
    /// Best value.
    pub value: f64,
    /// Lower end.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

/// What the marks say.
#[derive(Debug, Clone, PartialEq)]
pub struct Estimate {
    /// Undamped natural frequency, Hz.
    pub natural_hz: Interval,
    /// Damping ratio, where heights of at least two crests of a wall were read and fall.
    pub damping_ratio: Option<Interval>,
    /// For each reading why it was left out, if it was.
    pub left_out: Vec<Option<String>>,
    /// What else there is to say, in sentences.
    pub remarks: Vec<String>,
}

/// Combines readings.
///
/// # Errors
/// Where there are none, where one is within its error, or where no majority agrees.
pub fn estimate(readings: &[Reading], error: ReadingError) -> Result<Estimate, MarksError> {
    if readings.is_empty() || readings.len() > READINGS_MAX {
        return Err(MarksError::Count);
    }
    if let Some(small) = readings.iter().find(|reading| reading.spacing_mm <= 1.5 * error.spacing_mm) {
        return Err(MarksError::Small { spacing_mm: small.spacing_mm });
    }
    let alike = majority(readings, error)?;
    let used: Vec<&Reading> =
        readings.iter().zip(&alike).filter(|(_, used)| **used).map(|(reading, _)| reading).collect();
    let (period, sigma) = period_s(&used, error);
    let left_out = readings.iter().zip(&alike).map(|(reading, &used)| (!used).then(|| miscount(reading, 1.0 / period)));
    let left_out: Vec<Option<String>> = left_out.collect();
    let mut remarks = Vec::new();
    if readings.len() == 1 {
        remarks.push(
            "One reading cannot tell a miscount, or a pattern of belts and teeth, from a frequency: read a second wall at \
             another speed."
                .to_owned(),
        );
    }
    let damping_ratio = damping(&used, error, &mut remarks);
    // Crests show the damped frequency.
    let undamped = |ratio: f64| {
        // What is damped more shows no second crest: heights that say so are misread.
        let ratio = ratio.min(DAMPING_MAX);
        1.0 / (1.0 - ratio * ratio).sqrt()
    };
    let [low, middle, high] = match damping_ratio {
        Some(Interval { value, low, high }) => [undamped(low), undamped(value), undamped(high)],
        None => [1.0, 1.0, undamped(DAMPING_ASSUMED)],
    };
    let natural_hz = Interval {
        value: middle / period,
        low: low / (period + QUANTILE * sigma),
        high: high / (period - QUANTILE * sigma).max(period * 1e-3),
    };
    Ok(Estimate { natural_hz, damping_ratio, left_out, remarks })
}

/// Which readings agree with each other: more than half of them, or all of one or two.
fn majority(readings: &[Reading], error: ReadingError) -> Result<Vec<bool>, MarksError> {
    let agree = |period: f64, reading: &Reading| {
        let off = (reading.spacing_mm - reading.way() * period).abs();
        off <= 2.0 * error.spacing_mm + ALIKE * reading.spacing_mm
    };
    let around = |reading: &Reading| -> Vec<bool> {
        let period = 1.0 / reading.hz();
        readings.iter().map(|other| agree(period, other)).collect()
    };
    let count = |used: &Vec<bool>| used.iter().filter(|used| **used).count();
    let mut best: Vec<bool> = Vec::new();
    // The reading over the longest way knows its period best.
    let mut order: Vec<&Reading> = readings.iter().collect();
    order.sort_by(|a, b| b.way().total_cmp(&a.way()));
    for reading in order {
        let used = around(reading);
        if best.is_empty() || count(&used) > count(&best) {
            best = used;
        }
    }
    if 2 * count(&best) > readings.len() {
        return Ok(best);
    }
    Err(MarksError::Disagree(disagreement(readings, error)))
}

/// Why no majority agrees, in a sentence.
fn disagreement(readings: &[Reading], error: ReadingError) -> String {
    let gaps: Vec<f64> = readings.iter().map(|reading| reading.spacing_mm / f64::from(reading.marks)).collect();
    let mean = gaps.iter().sum::<f64>() / gaps.len() as f64;
    let even = readings
        .iter()
        .zip(&gaps)
        .all(|(reading, gap)| (gap - mean).abs() <= 2.0 * error.spacing_mm / f64::from(reading.marks) + ALIKE * mean);
    let speeds = readings.iter().map(|reading| reading.speed_mm_s);
    let (slow, fast) = speeds.fold((f64::INFINITY, 0.0_f64), |(slow, fast), speed| (slow.min(speed), fast.max(speed)));
    if even && fast > SPEEDS_APART * slow {
        return format!(
            "the marks are {mean:.2} mm apart at every speed: that is no ringing, whose marks grow apart with the speed, but a \
             pattern of fixed length, as from belt teeth, pulleys or screws"
        );
    }
    let all: Vec<String> = readings.iter().map(|reading| format!("{:.1}", reading.hz())).collect();
    let hint = match readings {
        [first, second] => miscount(second, first.hz()),
        _ => "were gaps counted, not crests?".to_owned(),
    };
    format!("the readings do not agree ({} Hz): {hint} Read another wall", all.join(", "))
}

/// How a reading may have come to differ from a frequency.
fn miscount(reading: &Reading, hz: f64) -> String {
    let (own, counted) = (reading.hz(), f64::from(reading.marks));
    let gaps = reading.spacing_mm * hz / reading.speed_mm_s;
    let whole = gaps.round().max(1.0);
    if (gaps - whole).abs() <= 0.15 && whole != counted {
        return format!("{own:.1} Hz: as if {counted} gaps were counted where there are {whole}.");
    }
    let ratio = own / hz;
    let times = ratio.round();
    if times >= 2.0 && (ratio / times - 1.0).abs() <= 0.05 {
        return format!(
            "{own:.1} Hz: {times} times {hz:.1} Hz, as if waves between the crests were counted, or a harmonic."
        );
    }
    format!("{own:.1} Hz: does not agree with {hz:.1} Hz; another mode, or a misread wall.")
}

/// Period and its standard deviation, s.
fn period_s(readings: &[&Reading], error: ReadingError) -> (f64, f64) {
    let square: f64 = readings.iter().map(|reading| reading.way() * reading.way()).sum();
    let period = readings.iter().map(|reading| reading.way() * reading.spacing_mm).sum::<f64>() / square;
    let sigma_mm = error.spacing_mm / 3.0_f64.sqrt();
    let chi_square: f64 =
        readings.iter().map(|reading| ((reading.spacing_mm - reading.way() * period) / sigma_mm).powi(2)).sum();
    (period, sigma_mm / square.sqrt() * scale(chi_square, readings.len() as f64 - 1.0))
}

/// How much more readings scatter than their errors say; at least 1.
fn scale(chi_square: f64, freedom: f64) -> f64 {
    if freedom > 0.0 { (chi_square / freedom).sqrt().max(1.0) } else { 1.0 }
}

/// Damping ratio by the heights; none without two crests on a wall, or where they do not fall.
fn damping(readings: &[&Reading], error: ReadingError, remarks: &mut Vec<String>) -> Option<Interval> {
    let walls: Vec<Vec<(f64, f64)>> = readings
        .iter()
        .map(|reading| (0u32..).zip(&reading.heights_mm).filter_map(|(n, h)| Some((f64::from(n), (*h)?))).collect())
        .filter(|wall: &Vec<(f64, f64)>| wall.len() >= 2)
        .collect();
    if walls.is_empty() {
        remarks.push("Without heights of at least two crests on a wall the damping stays unknown.".to_owned());
        return None;
    }
    let (decrement, sigma) = decrement(&walls, error.height_mm / 3.0_f64.sqrt());
    if decrement.is_nan() || decrement <= 0.0 {
        remarks.push("The heights do not fall from crest to crest: no damping can be told from them.".to_owned());
        return None;
    }
    let ratio = |decrement: f64| decrement.max(0.0) / TAU.hypot(decrement.max(0.0));
    let half = QUANTILE * sigma;
    Some(Interval { value: ratio(decrement), low: ratio(decrement - half), high: ratio(decrement + half) })
}

/// Logarithmic decrement and its standard deviation by a weighted line through the logarithms.
fn decrement(walls: &[Vec<(f64, f64)>], sigma_mm: f64) -> (f64, f64) {
    let mut fitted: Vec<Vec<f64>> = walls.iter().map(|wall| wall.iter().map(|&(_, h)| h).collect()).collect();
    let (mut slope, mut square, mut chi_square) = (0.0, f64::MIN_POSITIVE, 0.0);
    // Weights by the fit, not by what was read: what was read too low would count too little.
    for _ in 0..10 {
        let (mut above, mut below) = (0.0, 0.0);
        let mut middles = Vec::with_capacity(walls.len());
        for (wall, fitted) in walls.iter().zip(&fitted) {
            let weigh = |of: &dyn Fn(f64, f64) -> f64| -> f64 {
                wall.iter().zip(fitted).map(|(&(n, h), fit)| (fit / sigma_mm).powi(2) * of(n, log_near(h, *fit))).sum()
            };
            let weight = weigh(&|_, _| 1.0);
            let (n0, l0) = (weigh(&|n, _| n) / weight, weigh(&|_, l| l) / weight);
            above += weigh(&|n, l| (n - n0) * (l - l0));
            below += weigh(&|n, _| (n - n0) * (n - n0));
            middles.push((n0, l0));
        }
        (slope, square) = (above / below, below);
        chi_square = 0.0;
        for ((wall, fitted), (n0, l0)) in walls.iter().zip(&mut fitted).zip(middles) {
            for (&(n, h), fit) in wall.iter().zip(fitted) {
                *fit = (l0 + slope * (n - n0)).exp();
                chi_square += ((h - *fit) / sigma_mm).powi(2);
            }
        }
    }
    let points: usize = walls.iter().map(Vec::len).sum();
    (-slope, scale(chi_square, points as f64 - walls.len() as f64 - 1.0) / square.sqrt())
}

/// Logarithm of a height by its tangent at the fit: without the bias that the logarithm of a noisy height has.
fn log_near(height: f64, fit: f64) -> f64 {
    fit.ln() + (height - fit) / fit
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(words: &str) -> Reading {
        words.parse().expect("a reading")
    }

    fn all(words: &[&str]) -> Result<Estimate, MarksError> {
        estimate(&words.iter().map(|words| read(words)).collect::<Vec<_>>(), ReadingError::default())
    }

    #[test]
    fn words_are_read_and_faults_named() {
        let reading = read("heights=0.10,-,0.05 speed=100 marks=5 spacing=12.5");
        assert_eq!((reading.marks, reading.hz()), (5, 40.0));
        assert_eq!(reading.heights_mm, [Some(0.10), None, Some(0.05)]);
        for bad in [
            "",
            "spacing=2",
            "speed=2",
            "spacing=2 speed",
            "spacing=-1 speed=2",
            "spacing=nan speed=2",
            "spacing=inf speed=2",
            "spacing=2 speed=2 marks=0",
            "spacing=2 speed=2 marks=1.5",
            "spacing=2 speed=2 spacing=3",
            "spacing=2 speed=2 x=1",
            "spacing=2 speed=2 heights=0.1,,0.2",
            "spacing=2 speed=2 heights=0",
            "spacing=2 speed=1e9",
        ] {
            assert!(matches!(bad.parse::<Reading>(), Err(MarksError::Word(_))), "{bad}");
        }
        assert_eq!(estimate(&[], ReadingError::default()), Err(MarksError::Count));
        assert_eq!(all(&["spacing=0.1 speed=100"]), Err(MarksError::Small { spacing_mm: 0.1 }));
    }

    #[test]
    fn decrements_of_known_damping() {
        for (ratio, decrement) in [(0.02, 0.125_689), (0.05, 0.314_553), (0.1, 0.631_484)] {
            let heights: Vec<String> = (0..5).map(|n| format!("{}", 0.2 * (-decrement * f64::from(n)).exp())).collect();
            let found = all(&[&format!("spacing=2.5 speed=100 heights={}", heights.join(","))]).expect("tells");
            let damping = found.damping_ratio.expect("damping");
            assert!((damping.value - ratio).abs() < 1e-6, "{damping:?}");
            assert!(damping.low < ratio && ratio < damping.high);
            assert!((found.natural_hz.value - 40.0 / (1.0 - ratio * ratio).sqrt()).abs() < 1e-4);
        }
    }

    #[test]
    fn one_reading_spans_its_reading_error() {
        let found = all(&["spacing=2.5 speed=100"]).expect("tells");
        let Interval { value, low, high } = found.natural_hz;
        assert!(value == 40.0 && low <= 100.0 / 2.6 && high >= 100.0 / 2.4, "{found:?}");
        assert!(found.damping_ratio.is_none() && found.remarks.len() == 2);
        let five = all(&["spacing=12.5 marks=5 speed=100"]).expect("tells").natural_hz;
        assert!(five.high - five.low < (high - low) / 3.0);
    }

    #[test]
    fn miscounts_are_left_out_and_explained() {
        let found = all(&["spacing=12.5 speed=100 marks=5", "spacing=1.5 speed=60", "spacing=10 speed=100 marks=5"]);
        let found = found.expect("tells");
        assert!((found.natural_hz.value - 40.0).abs() < 0.2, "{found:?}");
        let why = found.left_out[2].as_deref().expect("left out");
        assert!(why.contains("5 gaps were counted where there are 4"), "{why}");
        let doubled =
            all(&["spacing=12.5 speed=100 marks=5", "spacing=7.5 marks=5 speed=60", "spacing=1.25 speed=100"]);
        let why = doubled.expect("tells").left_out[2].clone().expect("left out");
        assert!(why.contains("2 times 40.0 Hz"), "{why}");
    }

    #[test]
    fn two_that_disagree_tell_nothing() {
        let error = all(&["spacing=12.5 speed=100 marks=5", "spacing=10 speed=100 marks=5"]).expect_err("no majority");
        assert!(error.to_string().contains("as if 5 gaps were counted where there are 4"), "{error}");
        let fixed = all(&["spacing=2 speed=100", "spacing=2.02 speed=50", "spacing=4.05 marks=2 speed=75"]);
        let error = fixed.expect_err("a fixed length").to_string();
        assert!(error.contains("mm apart at every speed"), "{error}");
    }

    #[test]
    fn heights_that_grow_are_no_damping() {
        let found = all(&["spacing=2.5 speed=100 heights=0.05,0.07,0.1"]).expect("tells");
        assert!(found.damping_ratio.is_none() && found.remarks.iter().any(|remark| remark.contains("do not fall")));
    }
}
