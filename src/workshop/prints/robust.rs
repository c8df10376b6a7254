//! The fit that prints which went wrong cannot pull, and the interval that holds nine of ten.
//!
//! What a print takes is the model of [`crate::physics::wall_clock`] and a deviation with heavy tails, t-distributed with
//! three degrees of freedom, whose scale is a share of the time and [`SPREAD_FLOOR_S`]. The numbers are positive, so
//! their logarithms are fitted, each with a normal prior. Maximum a posteriori by iterated weights (Lange, Little and
//! Taylor, Robust Statistical Modeling Using the t Distribution, JASA 84, 1989): a deviation of z scales weighs
//! (ν + 1) / (ν + z²).
//!
//! The interval comes from deviations of jobs from fits without them, (I − H_gg)⁻¹ e_g for the prints g of a job (Cook and
//! Weisberg, Residuals and Influence in Regression, 1982), not from the prints that were fitted. Their 90th percentile,
//! counted as a conformal prediction counts it, is right whatever the distribution, but with ten prints it is the largest of
//! them. So it is drawn towards what the t distribution says, as if that were known from ten prints.

use nalgebra::{DMatrix, DVector};

use super::drift::median;
use super::fit::{Curve, Prior, least_squares};
use crate::physics::wall_clock::{SPREAD_FLOOR_S, TERMS, term};

/// Degrees of freedom of the deviations: in records of real workshops a tenth of the prints is far off.
const FREEDOM: f64 = 3.0;
/// 95th percentile of the t distribution with that many degrees of freedom, from published tables.
const T3_95: f64 = 2.353_363;
/// Both ends of a 90 % interval in standard deviations, from published tables of the normal distribution.
pub(super) const NORMAL_95: f64 = 1.644_854;
/// The share of prints that the interval holds.
pub const HELD: f64 = 0.9;
/// What is believed of the scale before, as a share, and as if from how many prints: repeats of a job differ by up to some
/// per cent.
const SCALE_USUAL: f64 = 0.02;
const SCALE_PRINTS: f64 = 2.0;
/// As many prints does the usual interval count for.
const USUAL_PRINTS: f64 = 10.0;
/// Where the search for the scale starts: wide, so that no print is left out before the others are known.
const SCALE_START: f64 = 0.05;
/// Most rounds of weights, and the change of all logarithms that ends them.
const ROUNDS: usize = 60;
const SETTLED: f64 = 1e-7;
/// Beyond this no logarithm of a number goes: what it stands for is finite.
const LOG_MOST: f64 = 60.0;

/// A print as the fit sees it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sample {
    /// What each number of the clock is multiplied by.
    pub terms: [f64; TERMS],
    /// What no number changes, s.
    pub fixed_s: f64,
    /// What it took, s.
    pub took_s: f64,
    /// Which job; prints of one job are left out together.
    pub job: usize,
}

/// What is believed of the numbers before any print: about the median, by a factor of exp(±sd).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Belief {
    /// Medians, above 0.
    pub median: [f64; TERMS],
    /// Standard deviations of the logarithms.
    pub log_sd: [f64; TERMS],
    /// What holds for a number that no print asks for.
    pub unasked: [f64; TERMS],
}

/// What a fit found.
#[derive(Debug, Clone, PartialEq)]
pub struct Fitted {
    /// The numbers; those that no print asks for are the ones believed.
    pub numbers: [f64; TERMS],
    /// Standard deviation of the logarithm of each; none where no print asks for it.
    pub log_sd: [Option<f64>; TERMS],
    /// Scale of the deviations, a share of the time and [`SPREAD_FLOOR_S`].
    pub scale: f64,
    /// Half of the interval that holds nine of ten prints, the same share.
    pub spread: f64,
    /// How far each print is from a fit without its job, in scales.
    pub apart: Vec<f64>,
    /// Planned motion of the middle one of the prints, s.
    pub motion_s: f64,
}

impl Fitted {
    /// Half of the 90 % interval of the factor.
    pub fn factor_spread(&self) -> f64 {
        NORMAL_95 * self.log_sd[term::FACTOR].unwrap_or(0.0) * self.numbers[term::FACTOR]
    }

    /// The time expected of a print, s.
    pub fn expected_s(&self, of: &Sample) -> f64 {
        expected_s(&self.numbers, of)
    }
}

fn expected_s(numbers: &[f64; TERMS], of: &Sample) -> f64 {
    of.terms.iter().zip(numbers).map(|(term, number)| term * number).sum::<f64>() + of.fixed_s
}

/// The curve of the numbers' logarithms; those that are fitted alone.
struct Times<'a> {
    samples: &'a [&'a Sample],
    asked: &'a [usize],
}

impl Curve for Times<'_> {
    fn places(&self) -> usize {
        self.samples.len()
    }

    fn measured(&self, place: usize) -> f64 {
        self.samples[place].took_s - self.samples[place].fixed_s
    }

    fn at(&self, parameters: &[f64], place: usize, derivatives: &mut [f64]) -> f64 {
        let terms = &self.samples[place].terms;
        // A number changes by itself for each unit of its logarithm.
        for ((derivative, parameter), term) in derivatives.iter_mut().zip(parameters).zip(self.asked) {
            *derivative = terms[*term] * parameter.clamp(-LOG_MOST, LOG_MOST).exp();
        }
        derivatives.iter().sum()
    }
}

/// Fits the numbers to prints. Without any, they are those believed and the interval is the usual one.
pub fn fit(samples: &[&Sample], belief: &Belief) -> Fitted {
    let asked: Vec<usize> = (0..TERMS).filter(|&of| samples.iter().any(|sample| sample.terms[of] > 0.0)).collect();
    let priors: Vec<Prior> =
        asked.iter().map(|&of| Prior { mean: belief.median[of].ln(), sd: belief.log_sd[of] }).collect();
    let curve = Times { samples, asked: &asked };
    let mut logs: Vec<f64> = priors.iter().map(|prior| prior.mean).collect();
    let mut scale = SCALE_START;
    let numbers = |logs: &[f64]| {
        let mut numbers = belief.unasked;
        for (of, log) in asked.iter().zip(logs) {
            numbers[*of] = log.clamp(-LOG_MOST, LOG_MOST).exp();
        }
        numbers
    };
    for _ in 0..ROUNDS {
        let now = numbers(&logs);
        let deviations = deviations(samples, &now);
        let weighed = deviations.iter().map(|share| tail_weight(share / scale) * share * share).sum::<f64>();
        let usual = SCALE_PRINTS * SCALE_USUAL * SCALE_USUAL;
        scale = ((weighed + usual) / (samples.len() as f64 + SCALE_PRINTS)).sqrt();
        let weight = |(sample, share): (&&Sample, &f64)| {
            let unit_s = scale * (expected_s(&now, sample) + SPREAD_FLOOR_S);
            tail_weight(share / scale).sqrt() / unit_s
        };
        let weights: Vec<f64> = samples.iter().zip(&deviations).map(weight).collect();
        let Some(next) = least_squares(&curve, &weights, &priors, &logs) else { break };
        let change = next.iter().zip(&logs).map(|(next, log)| (next - log).abs()).fold(0.0, f64::max);
        logs = next;
        if change < SETTLED {
            break;
        }
    }
    finish(samples, &asked, &priors, numbers(&logs), scale)
}

/// How far each print is off, as a share of the expected time and [`SPREAD_FLOOR_S`].
fn deviations(samples: &[&Sample], numbers: &[f64; TERMS]) -> Vec<f64> {
    let share = |sample: &&Sample| {
        let expected_s = expected_s(numbers, sample);
        (sample.took_s - expected_s) / (expected_s + SPREAD_FLOOR_S)
    };
    samples.iter().map(share).collect()
}

fn tail_weight(scales: f64) -> f64 {
    (FREEDOM + 1.0) / (FREEDOM + scales * scales)
}

/// What the fit knows besides its numbers.
fn finish(samples: &[&Sample], asked: &[usize], priors: &[Prior], numbers: [f64; TERMS], scale: f64) -> Fitted {
    let scales: Vec<f64> = deviations(samples, &numbers).iter().map(|share| share / scale).collect();
    let jacobian = DMatrix::from_fn(samples.len(), asked.len(), |row, of| {
        let unit_s = scale * (expected_s(&numbers, samples[row]) + SPREAD_FLOOR_S);
        samples[row].terms[asked[of]] * numbers[asked[of]] / unit_s
    });
    let weights: Vec<f64> = scales.iter().map(|scales| tail_weight(*scales)).collect();
    let weighed = DMatrix::from_fn(samples.len(), asked.len(), |row, of| weights[row] * jacobian[(row, of)]);
    let mut information = jacobian.transpose() * &weighed;
    for (of, prior) in priors.iter().enumerate() {
        information[(of, of)] += 1.0 / (prior.sd * prior.sd);
    }
    let mut log_sd = [None; TERMS];
    if let Some(inverse) = information.clone().try_inverse() {
        for (of, term) in asked.iter().enumerate() {
            log_sd[*term] = Some(inverse[(of, of)].max(0.0).sqrt());
        }
    }
    let apart = without_own_job(samples, &scales, &jacobian, &weighed, &information);
    let spread = scale * interval(&apart, jobs(samples));
    let motions: Vec<f64> = samples.iter().map(|sample| sample.terms[term::FACTOR]).collect();
    Fitted { numbers, log_sd, scale, spread, apart, motion_s: median(&motions).unwrap_or(0.0) }
}

fn jobs(samples: &[&Sample]) -> usize {
    let mut jobs: Vec<usize> = samples.iter().map(|sample| sample.job).collect();
    jobs.sort_unstable();
    jobs.dedup();
    jobs.len()
}

/// The deviations of each job from a fit without it: e + J (A − JᵀWJ)⁻¹ JᵀW e, which is (I − H)⁻¹ e with the matrix of the
/// size of the numbers.
fn without_own_job(
    samples: &[&Sample],
    scales: &[f64],
    jacobian: &DMatrix<f64>,
    weighed: &DMatrix<f64>,
    information: &DMatrix<f64>,
) -> Vec<f64> {
    let mut apart = scales.to_vec();
    let mut by_job: std::collections::BTreeMap<usize, Vec<usize>> = std::collections::BTreeMap::new();
    for (row, sample) in samples.iter().enumerate() {
        by_job.entry(sample.job).or_default().push(row);
    }
    for rows in by_job.values() {
        let (own, own_weighed) = (jacobian.select_rows(rows), weighed.select_rows(rows));
        let own_scales = DVector::from_iterator(rows.len(), rows.iter().map(|row| scales[*row]));
        let others = information - own.transpose() * &own_weighed;
        let Some(inverse) = others.try_inverse() else { continue };
        let moved = &own * (inverse * (own_weighed.transpose() * &own_scales));
        for (at, row) in rows.iter().enumerate() {
            apart[*row] += moved[at];
        }
    }
    apart
}

/// Half of the interval that holds [`HELD`] of the prints, in scales.
fn interval(apart: &[f64], jobs: usize) -> f64 {
    let unknown = TERMS as f64;
    let usual = T3_95 * (1.0 + unknown / jobs.max(1) as f64).sqrt();
    let mut sizes: Vec<f64> = apart.iter().map(|scales| scales.abs()).filter(|size| size.is_finite()).collect();
    if sizes.is_empty() {
        return usual;
    }
    sizes.sort_by(f64::total_cmp);
    // The next print is as likely to fall into any gap between those known, hence n + 1.
    let place = (HELD * (sizes.len() as f64 + 1.0) - 1.0).clamp(0.0, sizes.len() as f64 - 1.0);
    let (below, part) = (place.floor() as usize, place.fract());
    let above = (below + 1).min(sizes.len() - 1);
    let found = (sizes[below] * (1.0 - part) + sizes[above] * part).max(1e-6);
    let prints = sizes.len() as f64;
    ((prints * found.ln() + USUAL_PRINTS * usual.ln()) / (prints + USUAL_PRINTS)).exp()
}
