//! A first-order lag behind a flow that is a polynomial of time: y′ = (q − y) / τ.
//!
//! On a piece of T seconds with q = Σ cₖ sᵏ, s from 0 to 1 and X = T / τ, the exact solution is
//! y(s) = y₀ e^(−Xs) + Σ cₖ sᵏ mₖ(Xs), where mₖ(z) = z ∫₀¹ e^(−z (1 − w)) wᵏ dw: m₀ = 1 − e^(−z), and by parts
//! mₖ = 1 − k mₖ₋₁ / z. Downwards that recurrence loses nothing where z is small, upwards where z is large (the choice of
//! direction after Gautschi, *Computational aspects of three-term recurrence relations*, SIAM Review 9, 1967; from memory).

use super::decay::{gone, left};
use crate::block::polynomial::{self, root};
use crate::vectors::columns::{larger, smaller};

/// Highest degree of a flow over time that is followed.
pub const DEGREE: usize = 5;
/// Above this the recurrence of the moments goes upwards: what rounding leaves is at most 5! / 2⁵ times as large then.
const UPWARDS_FROM: f64 = 2.0;
/// Where it starts downwards: the error of the start is multiplied by 2¹⁹ 5! / 24! then, less than 2⁻⁵².
const DOWNWARDS_FROM: usize = 24;
/// Most changes of sign that are told apart: a polynomial of degree 6, or one of degree 5 with a decay, has fewer.
const CHANGES: usize = 8;

/// A flow, or anything else that is a polynomial of time with so many powers, over a piece of time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Flow<const POWERS: usize> {
    /// How long it lasts, s; above 0.
    pub seconds: f64,
    /// Those of 1, s, s² …, where s goes from 0 to 1.
    coefficients: [f64; POWERS],
    degree: usize,
}

/// One that goes evenly: most do, and all about them is known without a search.
pub type Straight = Flow<2>;
/// One of any degree that is followed.
pub type Curved = Flow<{ DEGREE + 1 }>;

impl Straight {
    /// From one value to another.
    #[inline(always)]
    pub fn even(from: f64, to: f64, seconds: f64) -> Self {
        Self::of([from, to - from], seconds)
    }

    /// That of a polynomial.
    #[inline(always)]
    pub fn of(coefficients: [f64; 2], seconds: f64) -> Self {
        Self { seconds, coefficients, degree: 1 }
    }
}

impl Curved {
    /// That of a polynomial.
    pub fn of(coefficients: [f64; DEGREE + 1], seconds: f64) -> Self {
        let degree = coefficients.iter().rposition(|c| *c != 0.0).unwrap_or(0);
        Self { seconds, coefficients, degree }
    }
}

impl<const POWERS: usize> Flow<POWERS> {
    pub(super) const IS_STRAIGHT: bool = POWERS == 2;

    /// Those of its coefficients that count: where their number is known, loops over them are none.
    #[inline(always)]
    fn factors(&self) -> &[f64] {
        if Self::IS_STRAIGHT { &self.coefficients } else { &self.coefficients[..=self.degree] }
    }

    /// Its value at a share of its time.
    #[inline(always)]
    pub fn at(&self, s: f64) -> f64 {
        polynomial::value(self.factors(), s)
    }

    /// Its `order`-th derivative by s.
    fn derivative(&self, order: usize, s: f64) -> f64 {
        polynomial::derivative(self.factors(), order, s)
    }

    /// What flows up to a share of its time.
    #[inline(always)]
    pub fn volume_to(&self, s: f64) -> f64 {
        polynomial::integral(self.factors(), s) * self.seconds
    }

    /// Its change with time, each second.
    #[inline(always)]
    pub fn slope(&self) -> Self {
        let mut coefficients = [0.0; POWERS];
        for k in 1..self.factors().len() {
            coefficients[k - 1] = self.coefficients[k] * k as f64 / self.seconds;
        }
        let degree = if Self::IS_STRAIGHT { self.degree } else { self.degree.saturating_sub(1) };
        Self { seconds: self.seconds, coefficients, degree }
    }

    /// So many times as much.
    #[inline(always)]
    pub fn times(mut self, factor: f64) -> Self {
        (0..self.factors().len()).for_each(|k| self.coefficients[k] *= factor);
        self
    }

    /// The sum of two over the same time.
    #[inline(always)]
    pub fn plus(mut self, other: &Self) -> Self {
        self.degree = self.degree.max(other.degree);
        (0..other.factors().len()).for_each(|k| self.coefficients[k] += other.coefficients[k]);
        self
    }

    /// Nothing over the same time.
    #[inline(always)]
    pub fn nothing(&self) -> Self {
        Self { coefficients: [0.0; POWERS], degree: if Self::IS_STRAIGHT { self.degree } else { 0 }, ..*self }
    }

    /// With something steady added.
    #[inline(always)]
    pub fn raised(mut self, by: f64) -> Self {
        self.coefficients[0] += by;
        self
    }

    /// The part of it between two shares of its time.
    #[inline(always)]
    pub fn part(&self, from: f64, to: f64) -> Self {
        let seconds = self.seconds * (to - from);
        let mut coefficients = [0.0; POWERS];
        if Self::IS_STRAIGHT {
            let start = self.at(from);
            (coefficients[0], coefficients[1]) = (start, self.at(to) - start);
        } else {
            self.shifted(from, to - from, &mut coefficients);
        }
        Self { seconds, coefficients, ..*self }
    }

    /// Coefficients of a part of it by Taylor's series at its start: the k-th derivative over k!.
    fn shifted(&self, from: f64, width: f64, coefficients: &mut [f64; POWERS]) {
        let mut scale = 1.0;
        for (k, c) in coefficients.iter_mut().enumerate() {
            *c = self.derivative(k, from) * scale;
            scale *= width / (k + 1) as f64;
        }
    }

    /// Its largest magnitude.
    #[inline(always)]
    pub fn most(&self) -> f64 {
        let ends = larger(self.coefficients[0].abs(), self.at(1.0).abs());
        if Self::IS_STRAIGHT || self.degree <= 1 { ends } else { self.most_between(ends) }
    }

    fn most_between(&self, ends: f64) -> f64 {
        let turns = sign_changes(self.degree - 1, 0.0, |order, s| self.derivative(order + 1, s));
        turns.all().iter().fold(ends, |most, s| most.max(self.at(*s).abs()))
    }

    /// Two values between which it surely stays: the closest where it goes evenly.
    #[inline(always)]
    pub fn bounds(&self) -> [f64; 2] {
        let first = self.coefficients[0];
        if Self::IS_STRAIGHT {
            let last = first + self.coefficients[1];
            return [smaller(first, last), larger(first, last)];
        }
        let most: f64 = self.factors()[1..].iter().map(|c| c.abs()).sum();
        [first - most, first + most]
    }

    /// True where it starts below 0, or goes there at once.
    fn falls_at_once(&self) -> bool {
        self.factors().iter().find(|c| **c != 0.0).is_some_and(|c| *c < 0.0)
    }

    /// The share of its time after which so much has flown; none where that is never.
    pub fn reaches(&self, volume: f64) -> Option<f64> {
        if Self::IS_STRAIGHT {
            let (first, change, rate) = (self.coefficients[0], self.coefficients[1], volume / self.seconds);
            let root = (first * first + 2.0 * change * rate).max(0.0).sqrt();
            return Some(2.0 * rate / (first + root)).filter(|s| (0.0..=1.0).contains(s));
        }
        let over = |order: usize, s: f64| match order {
            0 => self.volume_to(s) - volume,
            _ => self.seconds * self.derivative(order - 1, s),
        };
        sign_changes(self.degree + 1, 0.0, over).all().first().copied()
    }
}

/// m₀ to m₅ of the formula above, as many as a degree asks for.
#[inline(always)]
fn moments(z: f64, degree: usize) -> [f64; DEGREE + 1] {
    let mut moments = [gone(z), 0.0, 0.0, 0.0, 0.0, 0.0];
    if degree <= 1 || z >= UPWARDS_FROM {
        for k in 1..=degree {
            moments[k] = if z > 0.0 { 1.0 - k as f64 * moments[k - 1] / z } else { 0.0 };
        }
        return moments;
    }
    let mut moment = z / (DOWNWARDS_FROM + 1) as f64;
    for k in (1..=DOWNWARDS_FROM).rev() {
        if k <= degree {
            moments[k] = moment;
        }
        moment = z / k as f64 * (1.0 - moment);
    }
    moments
}

/// What comes out while something flows in.
#[derive(Debug, Clone, Copy)]
pub struct Lagged<const POWERS: usize> {
    /// What comes out at the start.
    pub start: f64,
    /// What flows in.
    pub flow: Flow<POWERS>,
    /// What comes out at the end.
    pub end: f64,
    /// Its time, in lags.
    lags: f64,
}

impl<const POWERS: usize> Lagged<POWERS> {
    /// With a lag, s.
    #[inline(always)]
    pub fn new(start: f64, flow: Flow<POWERS>, lag_s: f64) -> Self {
        let lagged = Self { start, flow, end: 0.0, lags: flow.seconds / lag_s };
        Self { end: lagged.at(1.0), ..lagged }
    }

    /// What comes out after a share of the time.
    #[inline(always)]
    pub fn at(&self, s: f64) -> f64 {
        let (z, c) = (self.lags * s, self.flow.factors());
        if Flow::<POWERS>::IS_STRAIGHT {
            let gone = gone(z);
            let lag = if z > 0.0 { 1.0 - gone / z } else { 0.0 };
            return self.start * (1.0 - gone) + c[0] * gone + c[1] * s * lag;
        }
        let moments = moments(z, self.flow.degree);
        let forced = (0..c.len()).rev().fold(0.0, |sum, k| sum * s + c[k] * moments[k]);
        self.start * left(z) + forced
    }

    /// The same where it may be an end.
    #[inline(always)]
    pub fn out(&self, s: f64) -> f64 {
        if s == 0.0 {
            self.start
        } else if s == 1.0 {
            self.end
        } else {
            self.at(s)
        }
    }

    /// Two values between which it surely stays: it goes towards what flows in.
    #[inline(always)]
    pub fn bounds(&self) -> [f64; 2] {
        let [low, high] = self.flow.bounds();
        [smaller(self.start, low), larger(self.start, high)]
    }

    /// The `order`-th derivative by s of what comes out less `other`: y′ = X (q − y), again and again.
    fn less(&self, other: &Flow<POWERS>, order: usize, s: f64) -> f64 {
        let y = (0..order).fold(self.at(s), |y, k| self.lags * (self.flow.derivative(k, s) - y));
        y - other.derivative(order, s)
    }

    /// Goes through the parts of its time between which what comes out gets larger or smaller than `other`, which lasts as
    /// long, plus some slack: whether it is larger there.
    #[inline(always)]
    pub fn each_side(&self, other: &Flow<POWERS>, slack: f64, mut with: impl FnMut([f64; 2], bool)) {
        let mut above = self.start - other.coefficients[0] - slack > 0.0;
        let changes = if Flow::<POWERS>::IS_STRAIGHT {
            let bow = Bow::of(self, other, slack);
            if bow.is_one_sided() {
                return with([0.0, 1.0], above);
            }
            bow.changes(self, other, slack)
        } else {
            self.crosses(other, slack)
        };
        let mut from = 0.0;
        for until in changes.all().iter().copied().chain([1.0]) {
            with([from, until], above);
            (from, above) = (until, !above);
        }
    }

    /// True where it surely has no such parts.
    #[inline(always)]
    fn stays_on_side(&self, other: &Flow<POWERS>, slack: f64) -> bool {
        Flow::<POWERS>::IS_STRAIGHT && Bow::of(self, other, slack).is_one_sided()
    }

    /// Where what comes out gets larger or smaller than `other`, which lasts as long, plus some slack.
    pub fn crosses(&self, other: &Flow<POWERS>, slack: f64) -> Changes {
        if Flow::<POWERS>::IS_STRAIGHT {
            return Bow::of(self, other, slack).changes(self, other, slack);
        }
        sign_changes(self.flow.degree.max(other.degree), slack, |order, s| self.less(other, order, s))
    }
}

/// What comes out less something else where both go evenly: the difference bends one way all along. Between ends on two sides it
/// crosses once, between ends on one side twice or not at all, before and behind the place where it turns.
struct Bow {
    ends: [f64; 2],
    above: [bool; 2],
    /// By s, of what comes out.
    slopes: [f64; 2],
    /// It turns within, towards the other side.
    turns: bool,
}

impl Bow {
    #[inline(always)]
    fn of<const POWERS: usize>(out: &Lagged<POWERS>, other: &Flow<POWERS>, slack: f64) -> Self {
        let (q, n) = (&out.flow.coefficients, &other.coefficients);
        let ends = [out.start - n[0] - slack, out.end - (n[0] + n[1]) - slack];
        let above = ends.map(|over| over > 0.0);
        let slopes = [out.lags * (q[0] - out.start), out.lags * (q[0] + q[1] - out.end)];
        let turns = if above[0] { slopes[0] < n[1] && slopes[1] > n[1] } else { slopes[0] > n[1] && slopes[1] < n[1] };
        Self { ends, above, slopes, turns }
    }

    #[inline(always)]
    fn is_one_sided(&self) -> bool {
        self.above[0] == self.above[1] && !self.turns
    }

    /// It turns where y′ = q′ + (y′₀ − q′) e^(−Xs) is that of the other.
    fn changes<const POWERS: usize>(&self, out: &Lagged<POWERS>, other: &Flow<POWERS>, slack: f64) -> Changes {
        let (q, n) = (&out.flow.coefficients, &other.coefficients);
        let mut changes = Changes::default();
        if self.is_one_sided() {
            return changes;
        }
        let more = |s: f64| {
            let y = out.at(s);
            (y - (n[0] + n[1] * s) - slack, out.lags * (q[0] + q[1] * s - y) - n[1])
        };
        let (ends, above) = (self.ends, self.above);
        if above[0] != above[1] {
            changes.add(root([0.0, 1.0], ends, more));
            return changes;
        }
        let turn = -((n[1] - q[1]) / (self.slopes[0] - q[1])).ln() / out.lags;
        if (0.0..=1.0).contains(&turn) {
            let at_turn = more(turn).0;
            if (at_turn > 0.0) != above[0] {
                changes.add(root([0.0, turn], [ends[0], at_turn], more));
                changes.add(root([turn, 1.0], [at_turn, ends[1]], more));
            }
        }
        changes
    }
}

/// Shares of a piece at which something changes its sign, ascending.
#[derive(Debug, Clone, Copy, Default)]
pub struct Changes {
    at: [f64; CHANGES],
    count: usize,
}

impl Changes {
    /// All of them.
    pub fn all(&self) -> &[f64] {
        &self.at[..self.count]
    }

    fn add(&mut self, s: f64) {
        if self.count < CHANGES {
            self.at[self.count] = s;
            self.count += 1;
        }
    }
}

/// Where f goes from above `slack` to at most that, or back, for s from 0 to 1. `f(k, s)` is its k-th derivative, and that of
/// order `top` + 1 must not change its sign: then the one before is monotone, the one before that is monotone between the turns
/// of the other, and so on (theorem of Rolle).
fn sign_changes(top: usize, slack: f64, f: impl Fn(usize, f64) -> f64) -> Changes {
    let mut turns = Changes::default();
    for order in (0..=top).rev() {
        let slack = if order == 0 { slack } else { 0.0 };
        let (mut found, mut from) = (Changes::default(), 0.0);
        let mut before = f(order, from) - slack;
        for to in turns.all().iter().copied().chain([1.0]) {
            let value = f(order, to) - slack;
            if (before > 0.0) != (value > 0.0) {
                found.add(root([from, to], [before, value], |s| (f(order, s) - slack, f(order + 1, s))));
            }
            (from, before) = (to, value);
        }
        turns = found;
    }
    turns
}

/// A nozzle as a room behind a resistance: what is in it beyond what it holds at rest presses filament out, a share of it
/// each lag. What was pulled back leaves room that must fill first, and meanwhile nothing comes out.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Room {
    /// What is in it, mm³; below 0 there is room.
    pub volume_mm3: f64,
}

/// A stretch over which the room is pressed, or over which it fills.
#[derive(Debug, Clone, Copy)]
pub struct Stretch<const POWERS: usize> {
    /// Shares of the flow's time between which it lies.
    pub range: [f64; 2],
    /// What is in the room at both ends, mm³.
    pub volumes_mm3: [f64; 2],
    /// What comes out; none while it only fills.
    pub out: Option<Lagged<POWERS>>,
}

/// Most stretches of one piece: more changes cannot be.
const STRETCHES: usize = 2 * CHANGES;

impl Room {
    /// What comes out now, mm³/s.
    pub fn out_mm3_s(&self, lag_s: f64) -> f64 {
        self.volume_mm3.max(0.0) / lag_s
    }

    /// Lets a flow in, mm³/s: calls `with` for each stretch of it.
    #[inline(always)]
    pub fn take<const POWERS: usize>(
        &mut self,
        flow: &Flow<POWERS>,
        lag_s: f64,
        mut with: impl FnMut(&Stretch<POWERS>),
    ) {
        if self.volume_mm3 >= 0.0 {
            let only_in = flow.bounds()[0] >= 0.0;
            let flow = if only_in { *flow } else { flow.part(0.0, 1.0) };
            let out = Lagged::new(self.volume_mm3 / lag_s, flow, lag_s);
            if only_in || self.volume_mm3 > 0.0 && out.stays_on_side(&flow.nothing(), 0.0) {
                let after_mm3 = out.end * lag_s;
                with(&Stretch { range: [0.0, 1.0], volumes_mm3: [self.volume_mm3, after_mm3], out: Some(out) });
                self.volume_mm3 = after_mm3;
                return;
            }
        }
        self.take_in_stretches(flow, lag_s, with);
    }

    fn take_in_stretches<const POWERS: usize>(
        &mut self,
        flow: &Flow<POWERS>,
        lag_s: f64,
        mut with: impl FnMut(&Stretch<POWERS>),
    ) {
        let mut from = 0.0;
        for n in 1..=STRETCHES {
            let rest = flow.part(from, 1.0);
            let before_mm3 = self.volume_mm3;
            let fills = before_mm3 < 0.0 || before_mm3 == 0.0 && rest.falls_at_once();
            let (out, turn) = if fills { (None, self.filled(&rest)) } else { self.emptied(rest, lag_s) };
            let turn = turn.filter(|_| n < STRETCHES);
            let until = turn.map_or(1.0, |s| from + (1.0 - from) * s);
            self.volume_mm3 = match (turn, out) {
                (Some(_), _) => 0.0,
                (None, Some(out)) => out.end * lag_s,
                (None, None) => before_mm3 + rest.volume_to(1.0),
            };
            let out =
                out.map(|out| if until == 1.0 { out } else { Lagged::new(out.start, flow.part(from, until), lag_s) });
            with(&Stretch { range: [from, until], volumes_mm3: [before_mm3, self.volume_mm3], out });
            if until >= 1.0 {
                return;
            }
            from = until;
        }
    }

    /// When the room is full.
    fn filled<const POWERS: usize>(&self, flow: &Flow<POWERS>) -> Option<f64> {
        let over = |order: usize, s: f64| match order {
            0 => self.volume_mm3 + flow.volume_to(s),
            _ => flow.seconds * flow.derivative(order - 1, s),
        };
        sign_changes(flow.degree + 1, 0.0, over).all().first().copied()
    }

    /// What comes out, and when nothing is left that presses.
    fn emptied<const POWERS: usize>(&self, flow: Flow<POWERS>, lag_s: f64) -> (Option<Lagged<POWERS>>, Option<f64>) {
        let out = Lagged::new(self.volume_mm3 / lag_s, flow, lag_s);
        let crosses = out.crosses(&flow.nothing(), 0.0);
        // Where it starts from nothing the first change is that to something.
        let skipped = usize::from(self.volume_mm3 == 0.0 && crosses.all().len() > 1);
        (Some(out), crosses.all().get(skipped).copied().filter(|_| self.volume_mm3 > 0.0 || skipped == 1))
    }
}

/// What comes out over a piece by Gauss and Legendre's rule with five points in each of many parts (Abramowitz and Stegun
/// 25.4.30), for tests.
#[cfg(test)]
pub(super) fn quadrature<const POWERS: usize>(out: &Lagged<POWERS>) -> f64 {
    const NODES: [(f64, f64); 5] = [
        (0.0, 0.568_888_888_888_889),
        (0.538_469_310_105_683, 0.478_628_670_499_366),
        (-0.538_469_310_105_683, 0.478_628_670_499_366),
        (0.906_179_845_938_664, 0.236_926_885_056_189),
        (-0.906_179_845_938_664, 0.236_926_885_056_189),
    ];
    let parts = 64;
    let half = 0.5 / f64::from(parts);
    let at = |part: i32, node: f64| out.at((2.0 * f64::from(part) + 1.0 + node) * half);
    let sum = |part: i32| NODES.iter().map(|(node, weight)| weight * at(part, *node)).sum::<f64>();
    (0..parts).map(sum).sum::<f64>() * half * out.flow.seconds
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn near(a: f64, b: f64, within: f64) -> bool {
        (a - b).abs() <= within
    }

    #[test]
    fn a_step_is_answered_by_its_closed_form() {
        // y = q (1 − e^(−t/τ)) from rest (first-order step response, any control textbook; from memory).
        for lag_s in [0.01, 0.06, 0.5, 3.0] {
            for seconds in [1e-6, 1e-3, 0.03, 0.7, 20.0] {
                let out = Lagged::new(0.0, Straight::even(8.0, 8.0, seconds), lag_s);
                assert!(near(out.end, 8.0 * -(-seconds / lag_s).exp_m1(), 1e-12), "{lag_s} {seconds}");
            }
        }
    }

    #[test]
    fn a_ramp_is_answered_by_its_closed_form() {
        // q = r t from rest: y = r (t − τ (1 − e^(−t/τ))), the ramp less its lag (as above).
        for lag_s in [0.01, 0.06, 0.5] {
            for seconds in [1e-4, 0.03, 0.7, 5.0] {
                let rate = 40.0;
                let out = Lagged::new(0.0, Straight::even(0.0, rate * seconds, seconds), lag_s);
                for s in [0.25, 0.5, 1.0] {
                    let t: f64 = s * seconds;
                    let exact = rate * (t + lag_s * (-t / lag_s).exp_m1());
                    assert!(near(out.at(s), exact, 1e-9), "{lag_s} {seconds} {s}: {} {exact}", out.at(s));
                }
            }
        }
    }

    /// e^(−z) Σ of the series ∫₀¹ z e^(zw) wᵏ dw = Σ zⁿ⁺¹ / (n! (n + k + 1)), all terms positive.
    fn moment_by_series(z: f64, k: usize) -> f64 {
        let (mut term, mut sum) = (z, 0.0);
        for n in 0..400 {
            sum += term / (n + k + 1) as f64;
            term *= z / (n + 1) as f64;
        }
        sum * (-z).exp()
    }

    #[test]
    fn moments_agree_with_their_series() {
        for n in 0..400 {
            let z = 1e-9 * 1.06f64.powi(n);
            if z > 100.0 {
                break;
            }
            let found = moments(z, DEGREE);
            for (k, found) in found.into_iter().enumerate() {
                let exact = moment_by_series(z, k);
                assert!(near(found, exact, 1e-14 + 1e-12 * exact), "{z} {k}: {found} {exact}");
            }
            assert!(near(moments(z, 1)[1], moment_by_series(z, 1), 1e-15 + 2e-16 / z.max(1e-3)), "{z}");
        }
        assert_eq!(moments(0.0, DEGREE), [0.0; DEGREE + 1]);
    }

    /// y by small steps of its differential equation (classical Runge–Kutta rule).
    fn stepped<const POWERS: usize>(start: f64, flow: &Flow<POWERS>, lag_s: f64) -> f64 {
        let steps = 4000;
        let h = 1.0 / f64::from(steps);
        let slope = |s: f64, y: f64| flow.seconds / lag_s * (flow.at(s) - y);
        (0..steps).fold(start, |y, n| {
            let s = f64::from(n) * h;
            let a = slope(s, y);
            let b = slope(s + h / 2.0, y + h / 2.0 * a);
            let c = slope(s + h / 2.0, y + h / 2.0 * b);
            let d = slope(s + h, y + h * c);
            y + h / 6.0 * (a + 2.0 * b + 2.0 * c + d)
        })
    }

    #[test]
    fn with_a_lead_equal_to_the_lag_a_polynomial_comes_out_as_it_was_asked_for() {
        // (q + τ q′) lagged by τ is q: the lead is the inverse of the law, whatever the degree.
        for asked in [Straight::even(3.0, 11.0, 0.02), Straight::even(9.0, 0.5, 0.2)] {
            comes_out_as_asked(&asked);
        }
        comes_out_as_asked(&Curved::of([2.0, 0.0, 0.0, 50.0, -75.0, 30.0], 0.04));
    }

    fn comes_out_as_asked<const POWERS: usize>(asked: &Flow<POWERS>) {
        let pushed = asked.plus(&asked.slope().times(0.06));
        let out = Lagged::new(asked.at(0.0), pushed, 0.06);
        for n in 0..=20 {
            let s = f64::from(n) / 20.0;
            assert!(near(out.at(s), asked.at(s), 1e-12), "{asked:?} {s}");
        }
    }

    /// The same evenly and as a polynomial.
    fn both([from, to]: [f64; 2], seconds: f64) -> (Straight, Curved) {
        (Straight::even(from, to, seconds), Curved::of([from, to - from, 0.0, 0.0, 0.0, 0.0], seconds))
    }

    proptest! {
        #[test]
        fn polynomials_solve_the_equation(
            c in prop::array::uniform6(-20.0..20.0f64), start in 0.0..20.0f64, lags in 0.01..8.0f64,
        ) {
            let flow = Curved::of(c, 0.06 * lags);
            let out = Lagged::new(start, flow, 0.06);
            prop_assert!(near(out.end, stepped(start, &flow, 0.06), 1e-8), "{} {}", out.end, stepped(start, &flow, 0.06));
            // In two parts it ends where it does in one.
            let first = Lagged::new(start, flow.part(0.0, 0.3), 0.06);
            let second = Lagged::new(first.end, flow.part(0.3, 1.0), 0.06);
            prop_assert!(near(second.end, out.end, 1e-11));
            prop_assert!(near(first.end, out.at(0.3), 1e-11));
            prop_assert!(near(flow.part(0.0, 0.3).volume_to(1.0) + flow.part(0.3, 1.0).volume_to(1.0), flow.volume_to(1.0), 1e-11));
        }

        /// The short way of flows that go evenly against the search that any polynomial goes through.
        #[test]
        fn what_goes_evenly_is_a_polynomial_too(
            [from, to] in prop::array::uniform2(-10.0..20.0f64), [other, there] in prop::array::uniform2(-10.0..20.0f64),
            start in -5.0..20.0f64, lags in 0.01..8.0f64, [cut, end] in prop::array::uniform2(0.01..0.99f64),
            slack in prop::sample::select(vec![0.0, 0.3]),
        ) {
            let ((flow, curved), (bound, curved_bound)) = (both([from, to], 0.06 * lags), both([other, there], 0.06 * lags));
            let (out, curved_out) = (Lagged::new(start, flow, 0.06), Lagged::new(start, curved, 0.06));
            prop_assert!(near(out.end, curved_out.end, 1e-12) && near(out.at(cut), curved_out.at(cut), 1e-12));
            prop_assert!(near(flow.most(), curved.most(), 1e-12));
            prop_assert!(near(flow.part(cut, end).at(0.4), curved.part(cut, end).at(0.4), 1e-12));
            prop_assert!(near(flow.part(cut, end).seconds, curved.part(cut, end).seconds, 0.0));
            prop_assert!(near(flow.slope().at(cut), curved.slope().at(cut), 1e-9));
            let wanted = (to + from) / 2.0 * cut * flow.seconds;
            if from > 0.0 && to > 0.0 {
                let [reached, slow] = [flow.reaches(wanted), curved.reaches(wanted)].map(|s| s.unwrap_or(f64::NAN));
                prop_assert!(near(flow.volume_to(reached), wanted, 1e-11) && near(curved.volume_to(slow), wanted, 1e-11));
            }
            let (mut sides, mut slow_sides) = (Vec::new(), Vec::new());
            out.each_side(&bound, slack, |[_, until], above| sides.push((until, above)));
            curved_out.each_side(&curved_bound, slack, |[_, until], above| slow_sides.push((until, above)));
            prop_assert_eq!(sides.len(), slow_sides.len(), "{:?} {:?}", sides, slow_sides);
            for ((until, above), (slow_until, slow_above)) in sides.into_iter().zip(slow_sides) {
                prop_assert!(above == slow_above && near(until, slow_until, 1e-7), "{until} {slow_until}");
            }
        }

        /// Nothing is outside the bounds that let a piece pass without a search.
        #[test]
        fn bounds_hold_all_that_comes_out(
            c in prop::array::uniform6(-20.0..20.0f64), start in -20.0..20.0f64, lags in 0.01..8.0f64, s in 0.0..1.0f64,
        ) {
            let out = Lagged::new(start, Curved::of(c, 0.06 * lags), 0.06);
            let straight = Lagged::new(start, Straight::even(c[0], c[1], 0.06 * lags), 0.06);
            for ([low, high], at) in [(out.bounds(), out.at(s)), (straight.bounds(), straight.at(s))] {
                prop_assert!(low - 1e-12 <= at && at <= high + 1e-12, "{low} {at} {high}");
            }
        }

        #[test]
        fn crossings_are_all_there(
            c in prop::array::uniform6(-20.0..20.0f64), n in prop::array::uniform6(-20.0..20.0f64),
            start in 0.0..20.0f64, lags in 0.01..8.0f64, degree in 0..6usize,
        ) {
            let cut = |c: [f64; 6]| std::array::from_fn(|k| if k <= degree { c[k] } else { 0.0 });
            let (flow, other) = (Curved::of(cut(c), 0.06 * lags), Curved::of(cut(n), 0.06 * lags));
            let out = Lagged::new(start, flow, 0.06);
            let crossings = out.crosses(&other, 0.0);
            // Between two of them the sign is one and the same, and it changes at each.
            let mut above = start > other.at(0.0);
            for n in 0..=500 {
                let s = f64::from(n) / 500.0;
                let difference = out.at(s) - other.at(s);
                let passed = crossings.all().iter().filter(|at| **at < s).count();
                if difference.abs() > 1e-7 {
                    prop_assert_eq!(difference > 0.0, above != (passed % 2 == 1), "{} {:?}", s, crossings);
                }
            }
            above = !above;
            prop_assert!(crossings.all().windows(2).all(|pair| pair[0] <= pair[1]) || above);
        }

        /// In = out + what is left, where out is what a quadrature finds of the flow that comes out (Gauss and Legendre's rule,
        /// five points; Abramowitz and Stegun 25.4.30), with pull-backs among the flows.
        #[test]
        fn nothing_is_lost_and_nothing_comes_out_of_an_empty_room(
            pieces in prop::collection::vec((prop::array::uniform6(-30.0..40.0f64), 0.001..0.2f64, 0..6usize), 1..12),
            lag_s in 0.01..0.3f64,
        ) {
            let (mut room, mut pushed, mut out_mm3) = (Room::default(), 0.0, 0.0);
            for (c, seconds, degree) in pieces {
                let flow = Curved::of(std::array::from_fn(|k| if k <= degree { c[k] } else { 0.0 }), seconds);
                pushed += flow.volume_to(1.0);
                let mut end = 0.0;
                room.take(&flow, lag_s, |stretch| {
                    assert_eq!(stretch.range[0], end);
                    end = stretch.range[1];
                    if let Some(out) = &stretch.out {
                        out_mm3 += quadrature(out);
                        assert!((0..=20).all(|n| out.at(f64::from(n) / 20.0) > -1e-9));
                    } else {
                        assert!(stretch.volumes_mm3.iter().all(|mm3| *mm3 <= 1e-12));
                    }
                });
                prop_assert_eq!(end, 1.0);
            }
            prop_assert!(near(pushed, out_mm3 + room.volume_mm3, 1e-9), "{pushed} {out_mm3} {}", room.volume_mm3);
        }
    }
}
