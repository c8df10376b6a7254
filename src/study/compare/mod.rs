//! What a change of the machine does to jobs: the same job judged on two machines, side by side.
//!
//! Nothing is judged anew here: every number is that of an [`Inspection`], or the difference of two.

mod saved;
mod sheets;
mod shifts;

pub use saved::Saved;
pub use sheets::{AuditRow, KeyChange, Sheets};
pub use shifts::{Shift, ShiftKind, Side, WorseFinding};

use std::cmp::Ordering;

use crate::findings::{Inspection, Severity, TimeParts, Unjudged};

/// One job before and after the change.
#[derive(Debug, Clone, PartialEq)]
pub struct Comparison {
    /// On the machine as it is.
    pub before: Inspection,
    /// On the machine with the change.
    pub after: Inspection,
    /// Findings that came, went or changed: those that came first, worst severity first.
    pub shifts: Vec<Shift>,
}

/// What became of one job.
pub type Compared = Result<Comparison, Unjudged>;

impl Comparison {
    /// Puts two inspections of the same job side by side.
    pub fn of(before: Inspection, after: Inspection) -> Self {
        let shifts = shifts::between(&before.findings, &after.findings);
        Self { before, after, shifts }
    }

    /// How the verdict went: greater is worse.
    pub fn verdict(&self) -> Ordering {
        self.after.verdict.cmp(&self.before.verdict)
    }

    /// A number of both inspections.
    pub fn pair(&self, figure: &Figure) -> Pair {
        Pair { before: (figure.of)(&self.before), after: (figure.of)(&self.after) }
    }

    /// Time in all, s.
    pub fn time_s(&self) -> Pair {
        Pair::both(self.before.time_s.total(), self.after.time_s.total())
    }

    /// True where neither leaves out the waiting for late commands: only then can what hangs on time be told apart.
    pub fn is_alike_in_time(&self) -> bool {
        self.before.waiting_left_out_s().is_none() && self.after.waiting_left_out_s().is_none()
    }

    /// Whether prints have set the clock of a machine, which the times here leave out.
    pub fn is_clocked(&self) -> bool {
        self.before.wall_time.is_some() || self.after.wall_time.is_some()
    }

    /// Largest step rates, Hz, motor by motor: those of the machine before, then those only the other has.
    pub fn step_rates_hz(&self) -> Vec<(&str, Pair)> {
        let rates = [&self.before, &self.after].map(|inspection| &inspection.step_rates);
        let mut motors: Vec<&str> = Vec::new();
        for rate in rates.into_iter().flatten() {
            if !motors.contains(&rate.motor.as_ref()) {
                motors.push(&rate.motor);
            }
        }
        let of = |motor: &str, side: usize| rates[side].iter().find(|rate| rate.motor == motor).map(|rate| rate.hz);
        motors.into_iter().map(|motor| (motor, Pair { before: of(motor, 0), after: of(motor, 1) })).collect()
    }

    /// Ringing, mm, direction by direction: the largest amplitude, and that of 95 % of the time.
    pub fn ringing_mm(&self) -> Vec<(&str, Pair, Pair)> {
        let sides = [&self.before, &self.after].map(|inspection| &inspection.ringing);
        let mut axes: Vec<&str> = Vec::new();
        for ringing in sides.into_iter().flatten() {
            if !axes.contains(&ringing.axis.as_ref()) {
                axes.push(&ringing.axis);
            }
        }
        let of = |axis: &str, side: usize| sides[side].iter().find(|ringing| ringing.axis == axis);
        let pairs = |axis| {
            let [before, after] = [of(axis, 0), of(axis, 1)];
            let peak = Pair { before: before.map(|r| r.peak_mm), after: after.map(|r| r.peak_mm) };
            (axis, peak, Pair { before: before.and_then(|r| r.p95_mm), after: after.and_then(|r| r.p95_mm) })
        };
        axes.into_iter().map(pairs).collect()
    }

    /// Findings that are there before and after, and got worse.
    pub fn worse(&self) -> impl Iterator<Item = &Shift> {
        self.shifts.iter().filter(|shift| shift.worse.is_some())
    }

    /// True when the verdict gets worse, or something at hold or no-go comes or gets worse that was not graver before.
    pub fn is_worse(&self) -> bool {
        let graver = |shift: &Shift| {
            let of = |other: &&Shift| other.check == shift.check && other.kind == ShiftKind::Lost;
            self.shifts.iter().filter(of).any(|other| other.severity > shift.severity)
        };
        let serious = |shift: &&Shift| shift.severity > Severity::Note;
        let gets_worse = |shift: &Shift| shift.worse.is_some() || shift.kind == ShiftKind::Gained && !graver(shift);
        self.verdict() == Ordering::Greater
            || self.verdict() == Ordering::Equal && self.shifts.iter().filter(serious).any(gets_worse)
    }

    /// How many findings came, and how many went.
    pub fn findings_gained_and_lost(&self) -> (u64, u64) {
        let count = |kind| self.shifts.iter().filter(|shift| shift.kind == kind).count() as u64;
        (count(ShiftKind::Gained), count(ShiftKind::Lost))
    }
}

/// A number before and after; none where there was none.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pair {
    /// Before the change.
    pub before: Option<f64>,
    /// After it.
    pub after: Option<f64>,
}

impl Pair {
    /// Two numbers that are there.
    pub fn both(before: f64, after: f64) -> Self {
        Self { before: Some(before), after: Some(after) }
    }

    /// After less before, where both are there.
    pub fn difference(self) -> Option<f64> {
        Some(self.after? - self.before?)
    }

    /// The difference as a share of what was before; none where that was zero.
    pub fn share(self) -> Option<f64> {
        self.before.filter(|before| *before != 0.0).and_then(|before| Some(self.difference()? / before))
    }
}

/// What a figure belongs to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Group {
    /// Time by category.
    Time,
    /// Melt rate.
    Melt,
    /// How fast steps and commands must come.
    Rates,
    /// Sums that programs know and people see in parts.
    Programs,
}

/// One number of an inspection that is put side by side.
pub struct Figure {
    /// Name for programs, without the unit.
    pub id: &'static str,
    /// Name for people.
    pub label: &'static str,
    /// What it belongs to.
    pub group: Group,
    /// Unit, as in `s` or `mm3_s`.
    pub unit: &'static str,
    /// The number, where there is one.
    pub of: fn(&Inspection) -> Option<f64>,
}

macro_rules! figure {
    ($id:literal, $label:literal, $group:ident, $unit:literal, $of:expr) => {
        Figure { id: $id, label: $label, group: Group::$group, unit: $unit, of: $of }
    };
}

/// Every number that is put side by side, in the order of reports.
pub const FIGURES: [Figure; 18] = [
    figure!("time_total", "in all", Time, "s", |of| Some(of.time_s.total())),
    figure!("time_extruding", "extruding", Time, "s", |of| Some(of.time_s.extruding)),
    figure!("time_travel", "travel", Time, "s", |of| Some(of.time_s.travel)),
    figure!("time_extrude_only", "extrude only", Time, "s", |of| Some(of.time_s.extrude_only)),
    figure!("time_dwell", "standing", Programs, "s", |of| Some(of.time_s.standing())),
    figure!("time_heating", "heating", Time, "s", |of| Some(of.time_s.heating)),
    figure!("melt_rate_peak", "peak", Melt, "mm3_s", |of| Some(of.flow.peak_mm3_s)),
    figure!("melt_rate_sustained", "sustained", Melt, "mm3_s", |of| Some(of.flow.sustained_peak_mm3_s)),
    figure!("time_over_capacity", "over capacity", Melt, "s", |of| of.flow_over_capacity_s),
    figure!("step_rate", "steps", Rates, "hz", |of| of.step_rates.iter().map(|rate| rate.hz).reduce(f64::max)),
    figure!("command_rate", "commands", Rates, "hz", |of| of.command_rate.map(|rate| rate.hz)),
    figure!("time_waiting", "dwell", Time, "s", |of| Some(of.time_s.dwell)),
    figure!("time_homing", "homing", Time, "s", |of| Some(of.time_s.homing)),
    figure!("time_probing", "probing", Time, "s", |of| Some(of.time_s.probing)),
    figure!("time_tool_change", "tool changes", Time, "s", |of| Some(of.time_s.tool_change)),
    figure!("melt_rate_burst", "in a burst", Melt, "mm3_s", |of| Some(of.flow.burst_peak_mm3_s)),
    // Pushes on the spot count too.
    figure!("melt_rate_peak_pushed", "peak, with purges", Programs, "mm3_s", |of| Some(of.flow.pushed.peak_mm3_s)),
    figure!("time_over_capacity_pushed", "over capacity, with purges", Programs, "s", |of| of
        .flow
        .pushed
        .over_capacity_s),
];

/// What all jobs come to.
#[derive(Debug, Clone, Default)]
pub struct Totals {
    /// Jobs, those that could not be judged included.
    pub jobs: u64,
    /// Jobs that could not be judged.
    pub unjudged: u64,
    /// Jobs whose verdict gets worse.
    pub worse: u64,
    /// Jobs whose verdict gets better.
    pub better: u64,
    /// Jobs whose verdict stays, but something at hold or no-go comes or gets worse.
    pub worse_inside: u64,
    /// Findings that are there before and after and got worse, over all jobs.
    pub findings_worse: u64,
    /// Findings that came, over all jobs.
    pub gained: u64,
    /// Findings that went.
    pub lost: u64,
    /// Time before, s.
    pub before_s: TimeParts,
    /// Time after, s.
    pub after_s: TimeParts,
    /// How the time saved is spread over the jobs that are alike in time.
    pub saved: Saved,
    /// Jobs that are not: only one of their times leaves out the waiting for late commands.
    pub not_alike: u64,
}

impl Totals {
    /// Takes one job in.
    pub fn count(&mut self, compared: &Compared) {
        self.jobs += 1;
        let Ok(comparison) = compared else {
            self.unjudged += 1;
            return;
        };
        self.worse += u64::from(comparison.verdict() == Ordering::Greater);
        self.better += u64::from(comparison.verdict() == Ordering::Less);
        self.worse_inside += u64::from(comparison.verdict() == Ordering::Equal && comparison.is_worse());
        self.findings_worse += comparison.worse().count() as u64;
        let (gained, lost) = comparison.findings_gained_and_lost();
        self.gained += gained;
        self.lost += lost;
        add(&mut self.before_s, comparison.before.time_s);
        add(&mut self.after_s, comparison.after.time_s);
        if comparison.is_alike_in_time() {
            self.saved.record(comparison.time_s());
        } else {
            self.not_alike += 1;
        }
    }

    /// Jobs whose verdict stays as it is.
    pub fn same(&self) -> u64 {
        self.jobs - self.unjudged - self.worse - self.better
    }
}

/// Times are multiples of 2⁻³² s: sums of some weeks are exact.
fn add(sum: &mut TimeParts, parts: TimeParts) {
    sum.extruding += parts.extruding;
    sum.travel += parts.travel;
    sum.extrude_only += parts.extrude_only;
    sum.dwell += parts.dwell;
    sum.homing += parts.homing;
    sum.probing += parts.probing;
    sum.tool_change += parts.tool_change;
    sum.heating += parts.heating;
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::findings::sample;

    #[test]
    fn a_job_and_itself_differ_in_nothing() {
        for inspection in [sample::go(), sample::hold(), sample::no_go(), sample::empty()] {
            let same = Comparison::of(inspection.clone(), inspection);
            assert_eq!((same.verdict(), same.shifts.len()), (Ordering::Equal, 0));
            for figure in &FIGURES {
                assert!(same.pair(figure).difference().is_none_or(|difference| difference == 0.0), "{}", figure.id);
            }
            let mut totals = Totals::default();
            totals.count(&Ok(same));
            assert_eq!((totals.same(), totals.before_s), (1, totals.after_s));
        }
    }

    #[test]
    fn differences_and_shares() {
        assert_eq!(Pair::both(8.0, 6.0).difference(), Some(-2.0));
        assert_eq!(Pair::both(8.0, 6.0).share(), Some(-0.25));
        assert_eq!(Pair::both(0.0, 6.0).share(), None);
        assert_eq!(Pair { before: None, after: Some(1.0) }.difference(), None);
    }

    /// Where a time leaves out waiting, what is saved is not known.
    #[test]
    fn times_with_and_without_waiting_are_not_alike() {
        use crate::findings::Starving;
        let with = |in_times: Option<bool>| {
            let mut of = sample::go();
            of.starving = in_times.map(|in_times| Starving { extra_s: 60.0, from_line: 7, in_times });
            of
        };
        for (before, after, alike) in [
            (None, None, true),
            (Some(true), None, true),
            (Some(true), Some(false), false),
            (None, Some(false), false),
            (Some(false), Some(false), false),
        ] {
            let comparison = Comparison::of(with(before), with(after));
            assert_eq!(comparison.is_alike_in_time(), alike, "{before:?} {after:?}");
            let mut totals = Totals::default();
            totals.count(&Ok(comparison));
            assert_eq!((totals.saved.jobs(), totals.not_alike), if alike { (1, 0) } else { (0, 1) });
        }
    }

    #[test]
    fn motors_of_either_machine_are_there() {
        let (before, mut after) = (sample::go(), sample::go());
        after.step_rates[0].motor = "of tower 1".into();
        let comparison = Comparison::of(before, after);
        let rates = comparison.step_rates_hz();
        let motors: Vec<_> =
            rates.iter().map(|(motor, pair)| (*motor, pair.before.is_some(), pair.after.is_some())).collect();
        assert_eq!(motors, [("X", true, false), ("of the extruder", true, true), ("of tower 1", false, true)]);
    }

    #[test]
    fn totals_count_every_job_once() {
        let mut totals = Totals::default();
        let mut faster = sample::go();
        faster.time_s.travel -= 100.25;
        for compared in [
            Ok(Comparison::of(sample::go(), sample::no_go())),
            Ok(Comparison::of(sample::no_go(), sample::hold())),
            Ok(Comparison::of(sample::go(), faster)),
            Err(sample::unjudged()),
        ] {
            totals.count(&compared);
        }
        assert_eq!((totals.jobs, totals.worse, totals.better, totals.same(), totals.unjudged), (4, 1, 1, 1, 1));
        assert_eq!((totals.gained, totals.lost), (4, 1));
        assert_eq!(totals.before_s.travel - totals.after_s.travel, 100.25);
    }
}
