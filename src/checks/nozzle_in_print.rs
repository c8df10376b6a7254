//! The nozzle below the top of what already stands on the bed, and the head that meets it.

use crate::block::{ActionKind, Block, Touches, flag};
use crate::findings::{Built, Check, Explanation, Hit, Log, Observer, Severity, Spot};
use crate::geometry::Curve;
use crate::machine::{Machine, Rectangle};
use crate::physics::levels::TAIL_MOVES;
use crate::physics::melt::PulledBack;
use crate::physics::standing::{Crossing, Standing};
use crate::vectors::columns;
use crate::wording::figure;

use super::homes_onto_print::{HomingWatch, Met, Under};
use super::{LAYER_STEP_MM, head_in_print::HeadWatch};

/// The check.
pub const CHECK: Check = Check {
    id: "nozzle-in-print",
    topic: "room for the nozzle",
    severity: Severity::Hold,
    summary: "The nozzle goes through what the job has already printed.",
    explain: Explanation {
        what: "the nozzle moves more than a layer's height below the top of what the job itself has laid there before.",
        why: "the nozzle ploughs through the print, tears it off the bed or bends what carries the nozzle. Parts printed one \
after another in the wrong order or a lift that is missing look like this.",
        how: "the lines laid along X or Y are entered in a map of heights with squares of 1 mm (on a very large bed larger ones, \
and the report says so). The path of the tip in use is followed through that map; a square counts as high as the highest line \
that crosses it. A layer's height is the largest step up between levels of this job, and at least its first height, both up \
to 1 mm; a path that slopes may be lower by what it falls across a square and a half. Filament that only makes up for a \
pull-back lays nothing, nor does priming more than 1 mm above the bare bed, nor do up to 4 moves that rise from the first height, as at the end of a purge line. The map is emptied when the job waited for a person \
since it last laid a line, then homed Z or probed, and goes on from the bed, where it stood or with a second layer: a finished \
part was taken away. A macro that is not \
described may have done both. Where nothing was printed, a move below Z 0 that the travel allows is found too: the nozzle goes \
into the bed. The rule is gonogo's own.",
        remedy: "print the parts in another order or further apart, lift the nozzle before it travels, or print them all at \
once.",
    },
    heat_or_travel: true,
    timed: false,
    unchecked: None,
    build: |machine, _| Built::Watching(Box::new(NozzleInPrint::new(machine))),
};

/// Largest step between levels that counts as a layer's height, mm.
pub(super) const LAYER_MOST_MM: f64 = 1.0;
/// Slack for rounding, mm: heights are kept as 32-bit numbers.
pub(super) const SLACK_MM: f64 = 0.01;
/// More than rounding a height and a depth can take away, mm.
const ROUNDED_AWAY_MM: f64 = 0.001;
/// Cells across which a sloping path may be lower.
const SLOPE_CELLS: f64 = 1.5;
const ALONG: u8 = flag::X | flag::Y;
const KNOWN: u8 = flag::KNOWN_X | flag::KNOWN_Y | flag::KNOWN_Z;

/// To a thousandth of a millimetre, which is more than heights are good for.
pub(super) fn rounded(mm: f64) -> f64 {
    (mm * 1e3).round() / 1e3
}

struct NozzleInPrint {
    standing: Standing,
    /// From the place of the machine to the tip in use, mm.
    tip_mm: [f64; 3],
    /// Height of the layers so far, and of what was laid last, mm.
    layer_mm: f64,
    laid_z_mm: Option<f64>,
    /// Whether all was laid at one height so far, and how many moves have risen from there.
    is_first_level: bool,
    tail: usize,
    pulled_back: PulledBack,
    head: Option<HeadWatch>,
    homing: Option<HomingWatch>,
    /// Somebody was waited for since filament was last laid, or a macro that nobody knows was called.
    waited: bool,
    /// Z was homed or the bed probed since then, and what stood may be gone; with what is to be said if it is not.
    may_be_gone: bool,
    met: Option<Met>,
    /// Height of a low line since then that met nothing of it, mm.
    low_mm: Option<f64>,
    /// Lowest place of the machine that its travel allows, and where the bed is, mm.
    lowest_mm: f64,
    bed: Rectangle,
    /// The cells that a move crosses; kept for the next.
    crossings: Vec<Crossing>,
}

impl NozzleInPrint {
    fn new(machine: &Machine) -> Self {
        let standing = Standing::over(&machine.travel);
        Self {
            head: HeadWatch::new(machine, &standing),
            homing: HomingWatch::new(machine),
            waited: false,
            may_be_gone: false,
            met: None,
            low_mm: None,
            lowest_mm: machine.travel.min[2],
            bed: machine.travel.printable.unwrap_or_else(|| machine.travel.area()),
            standing,
            tip_mm: machine.tools.first().map_or([0.0; 3], |tool| tool.offset_mm),
            layer_mm: 0.0,
            laid_z_mm: None,
            is_first_level: true,
            tail: 0,
            pulled_back: PulledBack::default(),
            crossings: Vec::new(),
        }
    }

    /// True when a move of a block may be lower than what stands before it or is laid in the block.
    fn may_meet(&self, block: &Block) -> bool {
        let lays = |i: usize| (block.flags[i] & (KNOWN | ALONG) > KNOWN) & (block.de_mm[i] > 0.0);
        let laid_mm = block.vectors.run(
            #[inline(always)]
            || {
                let mut laid_mm = f64::NEG_INFINITY;
                let (to, count) = (&block.to[2], block.len());
                if count > 0 && lays(0) {
                    laid_mm = block.origin[2].max(to[0]);
                }
                for i in 1..count {
                    let z_mm = if lays(i) { columns::larger(to[i - 1], to[i]) } else { f64::NEG_INFINITY };
                    laid_mm = columns::larger(laid_mm, z_mm);
                }
                laid_mm
            },
        );
        // An arc may rise over both of its ends.
        let laid_mm = if block.curves.is_empty() { laid_mm } else { block.reach.max[2] };
        let highest_mm = self.standing.highest_mm().max(laid_mm + self.tip_mm[2]);
        block.reach.min[2] + self.tip_mm[2] + self.layer_mm + SLACK_MM < highest_mm
    }

    /// Enters what a move lays.
    #[inline(always)]
    fn lay(&mut self, curve: Option<&Curve>, from: [f64; 3], to: [f64; 3], log: &mut Log) {
        if self.may_be_gone && self.is_unsettled(from, to, log) {
            return;
        }
        self.waited = false;
        if self.standing.highest_mm() == 0.0 && from[2].max(to[2]) > LAYER_MOST_MM {
            return;
        }
        if let Some(head) = &mut self.head {
            head.note_laid(from[2].max(to[2]));
        }
        // What rises is on no level yet, and before there is a second one it is the tail of a purge line, which stands in nobody's
        // way.
        let climbs = to[2] - from[2] >= LAYER_STEP_MM;
        if climbs && self.is_first_level && self.laid_z_mm.is_some() && self.tail < TAIL_MOVES {
            self.tail += 1;
            return;
        }
        if !climbs && self.laid_z_mm != Some(to[2]) {
            self.is_first_level = self.laid_z_mm.is_none();
            let step_mm = to[2] - self.laid_z_mm.unwrap_or(0.0);
            if self.laid_z_mm.is_none() {
                self.layer_mm = step_mm.clamp(0.0, LAYER_MOST_MM);
            } else if (LAYER_STEP_MM..=LAYER_MOST_MM).contains(&step_mm) {
                self.layer_mm = self.layer_mm.max(step_mm);
            }
            self.laid_z_mm = Some(to[2]);
        }
        match curve {
            None => self.standing.lay(from, to),
            Some(curve) => self.standing.lay_curve(curve, from, to),
        }
    }

    /// Settles whether what stood is gone, by where the job goes on: from the bed, or on top of it. True while it is neither,
    /// as with priming in the air.
    #[cold]
    fn is_unsettled(&mut self, from: [f64; 3], to: [f64; 3], log: &mut Log) -> bool {
        let z_mm = from[2].max(to[2]);
        let is_low = z_mm <= LAYER_MOST_MM;
        let rises = self.low_mm.is_some_and(|low_mm| z_mm > low_mm + SLACK_MM);
        if is_low && (rises || self.standing.highest_mm() <= LAYER_MOST_MM || self.is_in_part(from, to)) {
            self.standing.clear();
            self.head.iter_mut().for_each(HeadWatch::begin_rise);
            self.met = None;
        } else if !is_low && self.is_on_top(from, to) {
            self.met.take().into_iter().for_each(|met| met.tell(true, log));
        } else {
            // One low line beside what stood may be a purge line.
            self.low_mm = if is_low { Some(z_mm) } else { self.low_mm };
            return true;
        }
        (self.may_be_gone, self.low_mm) = (false, None);
        false
    }

    /// Whether a low line lies where something higher stood.
    fn is_in_part(&self, from: [f64; 3], to: [f64; 3]) -> bool {
        let mut is_in_part = false;
        self.standing.along(from, to, |crossing| is_in_part |= self.standing.top_mm(crossing.cell) > LAYER_MOST_MM);
        is_in_part
    }

    /// Whether a line lies at most a layer above what stands somewhere under it.
    fn is_on_top(&self, from: [f64; 3], to: [f64; 3]) -> bool {
        let mut is_on_top = false;
        self.standing.along(from, to, |crossing| {
            let top_mm = self.standing.top_mm(crossing.cell);
            is_on_top |= top_mm > 0.0 && crossing.z_mm - top_mm <= LAYER_MOST_MM + SLACK_MM;
        });
        is_on_top
    }

    /// Z is homed or the bed probed.
    fn goes_down(&mut self, met: Option<Met>, log: &mut Log) {
        if !self.waited {
            return met.into_iter().for_each(|met| met.tell(false, log));
        }
        (self.may_be_gone, self.low_mm) = (true, None);
        if self.met.is_none() {
            self.met = met;
        }
    }

    /// Keeps where the machine is.
    fn follow(&mut self, block: &Block) {
        if let (Some(homing), Some(last)) = (&mut self.homing, block.len().checked_sub(1)) {
            let known = |axis: usize| block.flags[last] & (flag::KNOWN_X << axis) != 0;
            homing.stands_at([0, 1].map(|axis| known(axis).then(|| block.to[axis][last])));
        }
    }

    /// Whether the nozzle in the bed is for this check to say: beyond the travel and with lines laid others do.
    fn is_in_bed(&self, crossing: &Crossing, extrudes: bool) -> bool {
        let in_travel = crossing.z_mm - self.tip_mm[2] >= self.lowest_mm - SLACK_MM;
        in_travel && !extrudes && self.bed.holds(self.standing.middle_mm(crossing.cell))
    }

    /// Looks for the deepest place of a move in what stands.
    fn judge(&mut self, block: &Block, i: usize, curve: Option<&Curve>, from: [f64; 3], to: [f64; 3], log: &mut Log) {
        if from[2].min(to[2]) + self.layer_mm + SLACK_MM >= self.standing.highest_mm() {
            return;
        }
        let standing = &self.standing;
        self.crossings.clear();
        let mut keep = |crossing| self.crossings.push(crossing);
        match curve {
            None => standing.along(from, to, &mut keep),
            Some(curve) => standing.along_curve(curve, from, to, &mut keep),
        }
        let upright = from[0] == to[0] && from[1] == to[1];
        let mut deepest: Option<(f64, Crossing)> = None;
        let mut before_mm = from[2];
        for crossing in &self.crossings {
            // Most are not deep enough, whatever is rounded away.
            if standing.nearly_mm(crossing.cell) - crossing.z_mm + ROUNDED_AWAY_MM < self.layer_mm + SLACK_MM {
                before_mm = crossing.z_mm;
                continue;
            }
            let depth_mm = rounded(standing.top_mm(crossing.cell) - crossing.z_mm);
            let slope_mm = if upright { 0.0 } else { SLOPE_CELLS * (crossing.z_mm - before_mm).abs() };
            before_mm = crossing.z_mm;
            let is_too_deep = depth_mm > self.layer_mm + SLACK_MM + slope_mm;
            let is_bare = standing.nearly_mm(crossing.cell) == 0.0;
            if is_bare && !self.is_in_bed(crossing, block.extrudes(i)) {
                continue;
            }
            if is_too_deep && deepest.is_none_or(|(known_mm, _)| depth_mm > known_mm) {
                deepest = Some((depth_mm, *crossing));
            }
        }
        if let Some((depth_mm, crossing)) = deepest {
            let [x, y] = standing.middle_mm(crossing.cell);
            let what = if block.extrudes(i) { "A line is laid" } else { "The nozzle moves" };
            let is_bare = standing.nearly_mm(crossing.cell) == 0.0;
            let hit = Hit {
                value: Some(depth_mm),
                badness: depth_mm,
                limit: Some(self.layer_mm),
                unit: "mm",
                spot: Spot::At([x, y, crossing.z_mm]),
                ..Hit::plain(&CHECK, u64::from(is_bare), CHECK.severity, block.line[i])
            };
            log.raise(hit, || {
                let (z, top) = (figure(crossing.z_mm), figure(crossing.z_mm + depth_mm));
                if is_bare {
                    return format!("The nozzle moves at Z {z} mm: it goes into the bed.");
                }
                format!("{what} at Z {z} mm where the job has already printed up to {top} mm.")
            });
        } else if let Some(head) = &mut self.head {
            head.judge(standing, self.layer_mm, block.line[i], &self.crossings, log);
        }
    }
}

impl Observer for NozzleInPrint {
    fn observe(&mut self, block: &Block, log: &mut Log) {
        let meets = self.may_meet(block);
        let tip_mm = self.tip_mm;
        let by_tip = |at: [f64; 3]| [0, 1, 2].map(|axis| at[axis] + tip_mm[axis]);
        for i in 0..block.len() {
            let flags = block.flags[i];
            let lays = (self.pulled_back.excess_mm(block.de_mm[i]) > 0.0) & (flags & ALONG != 0);
            if !(lays | meets) || flags & KNOWN != KNOWN || flags & flag::PATH == 0 {
                continue;
            }
            let (from, to) = (by_tip(block.start(i)), by_tip(block.end(i)));
            let curve =
                if flags & flag::CURVE == 0 { None } else { block.curve(i).map(|curve| curve.moved_by(tip_mm)) };
            if meets && !self.may_be_gone {
                self.judge(block, i, curve.as_ref(), from, to, log);
            }
            if lays {
                self.lay(curve.as_ref(), from, to, log);
            }
        }
        self.follow(block);
        for action in &block.actions {
            match action.kind {
                ActionKind::Tip { offset_mm } => {
                    self.tip_mm = offset_mm;
                    self.head.iter_mut().for_each(|head| head.take_up(offset_mm));
                }
                ActionKind::Home { axes, position } => {
                    let under = Under { standing: &self.standing, head: self.head.as_ref(), tip_mm: self.tip_mm };
                    let homing = self.homing.as_mut();
                    let met = homing.and_then(|homing| homing.homed(action.line, axes, position, &under));
                    if axes[2] {
                        self.goes_down(met, log);
                    }
                }
                ActionKind::Probe { touches } => {
                    let under = Under { standing: &self.standing, head: self.head.as_ref(), tip_mm: self.tip_mm };
                    let homing = self.homing.as_mut();
                    let met = homing.and_then(|homing| homing.probed(action.line, touches, &under));
                    if touches != Touches::Nothing {
                        self.goes_down(met, log);
                    }
                }
                ActionKind::Pause { open_ended: true } => self.waited = true,
                ActionKind::Unfollowed => {
                    (self.waited, self.may_be_gone) = (true, true);
                    self.homing.iter_mut().for_each(|homing| homing.stands_at([None; 2]));
                }
                ActionKind::Tool { .. } => self.pulled_back = PulledBack::default(),
                _ => {}
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::testing::{Job, machine};
    use super::*;

    /// A square wall of layers of 0.2 mm.
    fn wall(mut job: Job, at: [f64; 2], layers: u32) -> Job {
        let [x, y] = at;
        for layer in 1..=layers {
            let z = 0.2 * f64::from(layer);
            job = job.to([x, y, z], 0.0);
            for corner in [[x + 20.0, y], [x + 20.0, y + 20.0], [x, y + 20.0], [x, y]] {
                job = job.to([corner[0], corner[1], z], 1.0);
            }
        }
        job
    }

    fn depths(job: Job) -> Vec<(u64, Option<f64>)> {
        let found = job.findings(&CHECK, &machine());
        found.iter().map(|finding| (finding.count, finding.value)).collect()
    }

    #[test]
    fn parts_one_after_another_are_fine_with_a_lift_and_not_without() {
        let lifted = wall(Job::new(), [20.0, 20.0], 50).to([20.0, 20.0, 12.0], 0.0).to([100.0, 100.0, 12.0], 0.0);
        assert_eq!(depths(wall(lifted, [100.0, 100.0], 50)), []);
        // Without a lift the way from the last corner to the next part goes down through the wall.
        let low = wall(Job::new(), [20.0, 20.0], 50).to([10.0, 20.0, 10.2], 0.0).to([10.0, 30.0, 0.2], 0.0);
        let found = depths(wall(low.to([100.0, 30.0, 0.2], 0.0), [100.0, 100.0], 2));
        assert_eq!(found.len(), 1);
        assert!(found[0].0 == 1 && (found[0].1.unwrap() - 9.8).abs() < 1e-5, "{found:?}");
    }

    /// The end of a purge line that rises while it pushes is no layer, and stands in nobody's way.
    #[test]
    fn a_purge_line_that_rises_at_its_end_is_no_layer() {
        for up_mm in [0.5, 0.8, 1.2, 1.3, 1.4, 3.0] {
            let line = || Job::new().to([10.0, 10.0, 0.3], 0.0).to([60.0, 10.0, 0.3], 5.0).to([65.0, 10.0, up_mm], 0.5);
            let purged = |down: bool| {
                let after = if down { [65.0, 10.0, 0.2] } else { [65.0, 10.0, 5.0] };
                let job = line().to(after, 0.0).to([65.0, 20.0, after[2]], 0.0).to([20.0, 20.0, after[2]], 0.0);
                wall(job, [20.0, 20.0], 6)
            };
            for down in [false, true] {
                assert_eq!(depths(purged(down)), [], "{up_mm}");
                // 0.8 mm deep through the wall.
                let found = depths(
                    purged(down).to([10.0, 30.0, 1.4], 0.0).to([10.0, 30.0, 0.4], 0.0).to([60.0, 30.0, 0.4], 0.0),
                );
                assert!(matches!(found[..], [(_, Some(depth))] if (depth - 0.8).abs() < 1e-3), "{up_mm} {found:?}");
            }
        }
    }

    #[test]
    fn a_layers_height_below_is_fine_and_more_is_not() {
        let job = || wall(Job::new(), [20.0, 20.0], 10);
        assert_eq!(depths(job().to([30.0, 20.0, 1.8], 0.0)), []);
        let found = depths(job().to([30.0, 20.0, 1.7], 0.0));
        assert_eq!(found.len(), 1, "{found:?}");
        let found = depths(job().to([30.0, 20.0, 5.0], 0.0).to([30.0, 20.0, 1.7], 0.0));
        assert_eq!(found.len(), 1, "straight down: {found:?}");
    }

    /// Depths in a part that is laid a second time in its place, after these actions.
    fn twice(actions: &[ActionKind]) -> Vec<(u64, Option<f64>)> {
        let first = wall(Job::new(), [20.0, 20.0], 50).to([20.0, 20.0, 30.0], 0.0);
        let between = actions.iter().fold(first, |job, action| job.act(*action));
        let found = wall(between, [20.0, 20.0], 50).findings(&CHECK, &machine());
        found.iter().filter(|f| f.check == CHECK.id).map(|finding| (finding.count, finding.value)).collect()
    }

    #[test]
    fn a_part_is_gone_when_somebody_was_waited_for_and_z_was_homed_again() {
        let home = ActionKind::Home { axes: [true; 3], position: [0.0; 3] };
        let flat = ActionKind::Home { axes: [true, true, false], position: [0.0; 3] };
        let (pause, timed) = (ActionKind::Pause { open_ended: true }, ActionKind::Pause { open_ended: false });
        let probe = ActionKind::Probe { touches: Touches::WholeBed };
        for gone in [&[pause, home][..], &[pause, probe], &[ActionKind::Unfollowed], &[ActionKind::Unfollowed, home]] {
            assert_eq!(twice(gone), [], "{gone:?}");
        }
        let stands = [&[home][..], &[probe], &[pause], &[pause, flat], &[home, pause], &[timed, home]];
        for stands in stands {
            assert_eq!(twice(stands).len(), 1, "{stands:?}");
        }
    }

    #[test]
    fn a_part_that_is_gone_on_with_was_not_taken_away() {
        let home = ActionKind::Home { axes: [true; 3], position: [0.0; 3] };
        let part = wall(Job::new(), [20.0, 20.0], 50).to([20.0, 20.0, 30.0], 0.0);
        let homed = part.act(ActionKind::Pause { open_ended: true }).act(home).to([20.0, 20.0, 30.0], 0.0);
        // Primed in the air elsewhere, and then on top of what stands.
        let goes_on = homed.to([150.0, 150.0, 5.0], 0.0).to([160.0, 150.0, 5.0], 1.0).to([20.0, 20.0, 30.0], 0.0);
        let goes_on = goes_on.to([20.0, 20.0, 10.2], 0.0).to([40.0, 20.0, 10.2], 1.0);
        let found = goes_on.to([40.0, 20.0, 2.0], 0.0).findings(&CHECK, &machine());
        let told: Vec<_> = found.iter().map(|f| (f.check.as_ref(), f.count, f.value)).collect();
        // The nozzle goes down through the wall, and homing ran into the side of it: machine() homes at 0, 0.
        assert_eq!(told, [("homes-onto-print", 1, Some(10.0)), (CHECK.id, 1, Some(8.2))]);
        assert!(found[0].message.ends_with("the job goes on on top of it."), "{}", found[0].message);
    }

    #[test]
    fn where_nothing_was_printed_the_bed_is_told_and_only_inside_the_travel() {
        let down = |z: f64, min: f64| {
            let mut machine = machine();
            machine.travel.min[2] = min;
            let found = Job::new().to([50.0, 50.0, 1.0], 0.0).to([50.0, 50.0, z], 0.0).findings(&CHECK, &machine);
            found.into_iter().map(|finding| finding.message).collect::<Vec<_>>()
        };
        assert_eq!(down(-5.0, 0.0), [""; 0], "`outside-travel` says it");
        assert_eq!(down(-1.5, -2.0), ["The nozzle moves at Z -1.5 mm: it goes into the bed."]);
        assert_eq!(down(0.0, -2.0), [""; 0]);
        // Beside the part of the bed that takes lines there may be anything.
        let mut machine = machine();
        machine.travel.min[2] = -2.0;
        machine.travel.printable = Some(Rectangle { min: [60.0, 0.0], max: [200.0, 200.0] });
        let wiped = Job::new().to([50.0, 50.0, 1.0], 0.0).to([50.0, 50.0, -1.5], 0.0);
        assert_eq!(wiped.findings(&CHECK, &machine).len(), 0);
    }

    #[test]
    fn a_wave_of_lines_that_rise_and_fall_stands_in_no_nozzles_way() {
        let mut job = Job::new();
        for line in 0..40 {
            let y = 20.0 + 0.4 * f64::from(line);
            for k in 0..=60 {
                let x = if line % 2 == 0 { f64::from(k) } else { f64::from(60 - k) };
                let z = 3.0 + 2.0 * (x / 5.0).sin();
                job = job.to([20.0 + x, y, z], if k == 0 { 0.0 } else { 0.05 });
            }
        }
        assert_eq!(depths(job), []);
    }

    #[test]
    fn no_path_slips_through_a_wall_of_one_line_however_both_lie() {
        for k in 0..8 {
            let shift = f64::from(k) * 0.125;
            let mut job = Job::new();
            for layer in 1..=50 {
                let z = 0.2 * f64::from(layer);
                job = job.to([40.0 + shift, 40.0, z], 0.0).to([90.0 + shift, 90.0, z], 2.0);
            }
            let job = job.to([50.0, 90.0, 12.0], 0.0).to([50.0, 90.0, 2.0], 0.0).to([90.0, 50.0, 2.0], 0.0);
            assert_eq!(depths(job).len(), 1, "{shift}");
        }
    }

    #[test]
    fn what_makes_up_for_a_pull_back_and_priming_in_the_air_stand_nowhere() {
        let job = wall(Job::new(), [20.0, 20.0], 10).filament(-0.8).to([30.0, 30.0, 4.0], 0.0);
        let job = job.to([50.0, 30.0, 4.0], 0.8).to([50.0, 30.0, 2.0], 0.0).to([30.0, 30.0, 2.0], 0.0);
        assert_eq!(depths(job), []);
        let primed = Job::new().to([10.0, 10.0, 5.0], 0.0).to([60.0, 10.0, 5.0], 9.0).to([10.0, 10.0, 0.3], 0.0);
        assert_eq!(depths(primed.to([60.0, 10.0, 0.3], 9.0)), []);
    }

    #[test]
    fn what_oozes_while_the_nozzle_rises_stands_nowhere() {
        let job = Job::new().to([20.0, 20.0, 0.3], 0.0).to([20.0, 20.0, 5.0], 9.0).to([20.0, 20.0, 0.3], 0.0);
        assert_eq!(depths(job.to([60.0, 20.0, 0.3], 2.0)), []);
    }
}
