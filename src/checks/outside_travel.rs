//! Moves that leave the travel of an axis or the disc of a round bed.

use crate::block::{Block, flag};
use crate::findings::{Built, Check, Explanation, Hit, Hits, Log, Observer, Severity, Spot};
use crate::geometry::{Box3, CHORD_MM, Curve, TOUCH_MM, arc_farthest, curve_extrema, flatten};
use crate::machine::{BedShape, DriveLayout, Machine, Travel};
use crate::wording::figure;

/// The check.
pub const CHECK: Check = Check {
    id: "outside-travel",
    topic: "travel",
    severity: Severity::NoGo,
    summary: "A move goes beyond the travel of an axis, off the round bed or out of the arms' reach.",
    explain: Explanation {
        what: "a move ends, or a curve bulges, beyond the lowest or highest position of an axis, or outside the \
disc of a round bed, or where the arms of three towers do not reach.",
        why: "the carriage runs against the frame. Belts skip or screws lose steps, so that everything after it is \
printed in the wrong place, and a nozzle pressed into the bed damages both. Keep hands out of the machine while it \
moves; the maker's documents on stopping it come first.",
        how: "positions are machine coordinates in mm, with G92 and tool offsets undone. An axis is judged only \
on moves that move it and only where its position is known, by the end point of the move and, on arcs and curves, by \
the true extreme points on the way (on an arc they lie at whole quarter turns about its centre; NIST RS274/NGC version 3 \
defines the arcs). A round bed is the largest disc, or ellipse, in the x and y ranges; the distance is measured from \
its centre. Three towers reach where the distance from each tower to the nozzle in x and y is no longer than the arms \
(`[motion.towers]`), for there a carriage has a place. Beyond means by more than 0.002 mm, which no machine can tell: jobs in inches with four decimals \
are rounded by up to 0.00127 mm, and half a motor step is more (common practice, no source). Where a homing or a move starts is no finding.",
        remedy: "place the part anew or slice it for this machine. If the machine does reach there, correct `[travel]` in \
the sheet.",
    },
    heat_or_travel: true,
    timed: false,
    unchecked: None,
    build,
};

const DISC: u64 = 6;
/// Largest distance between a curve and its chords where an oval bed is judged, mm.
const FINE_CHORD_MM: f64 = 1e-6;
const KNOWN: u8 = flag::KNOWN_X | flag::KNOWN_Y;

fn build(machine: &Machine, _: &str) -> Built {
    let Travel { min, max, bed, .. } = machine.travel;
    let disc = (bed == BedShape::Disc).then(|| Disc {
        centre: [(min[0] + max[0]) / 2.0, (min[1] + max[1]) / 2.0],
        half: [(max[0] - min[0]) / 2.0, (max[1] - min[1]) / 2.0],
    });
    let arms = match machine.motion.drive_layout {
        DriveLayout::ThreeTowers { arms_mm: Some((arm_mm, radius_mm)) } => {
            Some(Arms::new(&machine.travel, arm_mm, radius_mm))
        }
        _ => None,
    };
    Built::Watching(Box::new(OutsideTravel { min, max, disc, arms, beyond_axes: Default::default() }))
}

struct OutsideTravel {
    min: [f64; 3],
    max: [f64; 3],
    disc: Option<Disc>,
    arms: Option<Arms>,
    /// Moves of the block in hand beyond the lower and the upper end of each axis.
    beyond_axes: [Hits; 6],
}

impl Observer for OutsideTravel {
    fn observe(&mut self, block: &Block, log: &mut Log) {
        if !self.holds(&block.reach) {
            self.judge(block, log);
        }
    }
}

impl OutsideTravel {
    /// True when whatever stays in a box is inside.
    fn holds(&self, reach: &Box3) -> bool {
        let within =
            |axis: usize| reach.min[axis] >= self.min[axis] - TOUCH_MM && reach.max[axis] <= self.max[axis] + TOUCH_MM;
        (0..3).all(within)
            && self.disc.as_ref().is_none_or(|disc| disc.holds(reach))
            && self.arms.as_ref().is_none_or(|arms| arms.holds(reach))
    }

    fn judge(&mut self, block: &Block, log: &mut Log) {
        let (min, max) = (self.min.map(|v| v - TOUCH_MM), self.max.map(|v| v + TOUCH_MM));
        for i in 0..block.len() {
            let end = block.end(i);
            let outside = (0..3).any(|axis| end[axis] < min[axis] || end[axis] > max[axis]);
            let mut told_mm = 0.0;
            if outside || block.flags[i] & flag::CURVE != 0 {
                told_mm = self.judge_axes(block, i);
            }
            // What is as far beyond an axis as off the round bed or the arms' reach is one finding, what is farther its own.
            if let Some(disc) = &self.disc {
                told_mm = disc.judge(block, i, told_mm, log);
            }
            if let Some(arms) = &self.arms {
                arms.judge(block, i, told_mm, log);
            }
        }
        for (kind, hits) in self.beyond_axes.iter_mut().enumerate() {
            log.raise_all(hits, |worst| axis_message(kind, worst));
        }
    }

    /// How far x or y leaves its travel, mm; 0 where it does not.
    fn judge_axes(&mut self, block: &Block, i: usize) -> f64 {
        let mut told_mm = 0.0;
        let end = block.end(i);
        let curve = block.curve(i);
        // From the end point to the end point: the start is the end of the move before, or where homing left it.
        let reach = curve.map_or(Box3 { min: end, max: end }, |curve| curve_extrema(curve, end, end));
        for axis in 0..3 {
            if !block.knows_axis(i, axis) || !(block.moves_axis(i, axis) || curve.is_some_and(|c| bends(c, axis))) {
                continue;
            }
            let over = reach.max[axis] - self.max[axis];
            if over > TOUCH_MM {
                self.beyond(block.line[i], 2 * axis + 1, reach.max[axis], self.max[axis]);
            }
            let under = self.min[axis] - reach.min[axis];
            if under > TOUCH_MM {
                self.beyond(block.line[i], 2 * axis, reach.min[axis], self.min[axis]);
            }
            if axis < 2 && over.max(under) > TOUCH_MM {
                told_mm = f64::max(told_mm, over.max(under));
            }
        }
        told_mm
    }

    /// `kind` is twice the axis, and one more at its upper end.
    fn beyond(&mut self, line: u64, kind: usize, value: f64, limit: f64) {
        let excess = (value - limit).abs();
        self.beyond_axes[kind].add(line, excess, || Hit {
            check: &CHECK,
            kind: kind as u64,
            severity: Severity::NoGo,
            line,
            value: Some(value),
            badness: excess,
            limit: Some(limit),
            unit: "mm",
            spot: Spot::InBlock,
        });
    }
}

fn bends(curve: &Curve, axis: usize) -> bool {
    match curve {
        Curve::Arc(arc) => arc.axes[2] != axis,
        Curve::Cubic(_) => axis < 2,
    }
}

fn axis_message(kind: usize, worst: &Hit) -> String {
    let (name, end) = (["X", "Y", "Z"][kind / 2], ["lowest", "highest"][kind % 2]);
    let [value, bound] = [worst.value, worst.limit].map(|mm| mm.map_or_else(String::new, figure));
    let excess = figure(worst.badness);
    format!("{name} is sent to {value} mm, {excess} mm beyond the {end} position of {bound} mm.")
}

/// True for a move in x or y whose place there is known.
fn moves_on_plane(block: &Block, i: usize) -> bool {
    let flags = block.flags[i];
    flags & (flag::X | flag::Y | flag::CURVE) != 0 && flags & KNOWN == KNOWN
}

/// The corners of a box in x, y.
fn corners(Box3 { min, max }: &Box3) -> [[f64; 2]; 4] {
    [[min[0], min[1]], [min[0], max[1]], [max[0], min[1]], [max[0], max[1]]]
}

/// The worst end of the chords of a curve; of equals its own end, then the first.
fn worst_of_chords(
    curve: &Curve,
    from: [f64; 3],
    to: [f64; 3],
    tolerance_mm: f64,
    badness: impl Fn([f64; 2]) -> f64,
) -> [f64; 2] {
    let mut worst = [to[0], to[1]];
    flatten(curve, from, to, tolerance_mm, |_, b| {
        if badness([b[0], b[1]]) > badness(worst) {
            worst = [b[0], b[1]];
        }
    });
    worst
}

/// The kind of hits where an arm is too short.
const REACH: u64 = 7;

/// Three towers whose arms must reach the nozzle: the places lie in three discs, so between two of them all do.
struct Arms {
    arm_mm: f64,
    towers: [[f64; 2]; 3],
}

impl Arms {
    fn new(travel: &Travel, arm_mm: f64, radius_mm: f64) -> Self {
        Self { arm_mm, towers: travel.towers(radius_mm) }
    }

    /// The distance to the farthest tower, mm.
    fn farthest(&self, [x, y]: [f64; 2]) -> f64 {
        self.towers.iter().map(|[at_x, at_y]| (x - at_x).hypot(y - at_y)).fold(0.0, f64::max)
    }

    fn holds(&self, reach: &Box3) -> bool {
        corners(reach).into_iter().all(|corner| self.farthest(corner) <= self.arm_mm)
    }

    fn judge(&self, block: &Block, i: usize, told_mm: f64, log: &mut Log) {
        if !moves_on_plane(block, i) {
            return;
        }
        let mut worst = [block.to[0][i], block.to[1][i]];
        if let Some(curve) = block.curve(i) {
            worst = worst_of_chords(curve, block.start(i), block.end(i), CHORD_MM, |point| self.farthest(point));
        }
        let distance = self.farthest(worst);
        if distance <= self.arm_mm + told_mm + TOUCH_MM {
            return;
        }
        let hit = Hit {
            check: &CHECK,
            kind: REACH,
            severity: Severity::NoGo,
            line: block.line[i],
            value: Some(distance),
            badness: distance - self.arm_mm,
            limit: Some(self.arm_mm),
            unit: "mm",
            spot: Spot::InBlock,
        };
        log.raise(hit, || {
            let [x, y] = worst.map(figure);
            let (distance, arm) = (figure(distance), figure(self.arm_mm));
            format!("x {x}, y {y} mm is {distance} mm from a tower whose arms of {arm} mm do not reach there.")
        });
    }
}

struct Disc {
    centre: [f64; 2],
    half: [f64; 2],
}

impl Disc {
    /// Tells where a move leaves the disc by more than was told; by how much it leaves either, mm.
    fn judge(&self, block: &Block, i: usize, told_mm: f64, log: &mut Log) -> f64 {
        if !moves_on_plane(block, i) {
            return told_mm;
        }
        let mut worst = [block.to[0][i], block.to[1][i]];
        if let Some(curve) = block.curve(i) {
            worst = self.worst_on(curve, block.start(i), block.end(i));
        }
        let excess = self.excess(worst);
        if excess > told_mm + TOUCH_MM {
            self.raise(log, block.line[i], worst, excess);
        }
        excess.max(told_mm)
    }

    /// How far outside a point is, along the line from the centre, mm; negative inside.
    fn excess(&self, point: [f64; 2]) -> f64 {
        let [dx, dy] = [point[0] - self.centre[0], point[1] - self.centre[1]];
        let [u, v] = [dx / self.half[0], dy / self.half[1]];
        let squared = u * u + v * v;
        if squared <= 1.0 { -1.0 } else { dx.hypot(dy) * (1.0 - 1.0 / squared.sqrt()) }
    }

    /// True when a whole box lies inside.
    fn holds(&self, reach: &Box3) -> bool {
        corners(reach).into_iter().all(|corner| self.excess(corner) <= 0.0)
    }

    fn worst_on(&self, curve: &Curve, from: [f64; 3], to: [f64; 3]) -> [f64; 2] {
        if self.holds(&curve_extrema(curve, from, to)) {
            return [to[0], to[1]];
        }
        if let Curve::Arc(arc) = curve
            && arc.axes == [0, 1, 2]
            && self.half[0] == self.half[1]
        {
            // Not the start, for the reason given above.
            let (point, _) = arc_farthest(arc, to, to, self.centre);
            return [point[0], point[1]];
        }
        worst_of_chords(curve, from, to, FINE_CHORD_MM, |point| self.excess(point))
    }

    fn raise(&self, log: &mut Log, line: u64, point: [f64; 2], excess: f64) {
        let distance = (point[0] - self.centre[0]).hypot(point[1] - self.centre[1]);
        let hit = Hit {
            check: &CHECK,
            kind: DISC,
            severity: Severity::NoGo,
            line,
            value: Some(distance),
            badness: excess,
            limit: Some(distance - excess),
            unit: "mm",
            spot: Spot::InBlock,
        };
        log.raise(hit, || {
            let [x, y] = point.map(figure);
            let (distance, edge) = (figure(distance), figure(distance - excess));
            format!("x {x}, y {y} mm is {distance} mm from the centre of the round bed, which ends at {edge} mm there.")
        });
    }
}

#[cfg(test)]
mod tests {
    use super::super::testing::{Job, machine};
    use super::*;
    use std::f64::consts::PI;

    fn disc() -> Machine {
        let mut machine = machine();
        machine.travel.bed = BedShape::Disc;
        machine
    }

    #[test]
    fn an_end_point_beyond_travel_is_found_with_its_worst_value() {
        let job = Job::new().to([201.0, 10.0, 0.0], 0.0).to([205.5, 20.0, 0.0], 0.0).to([100.0, -3.0, 0.0], 0.0);
        let found = job.findings(&CHECK, &machine());
        assert_eq!(found.len(), 2);
        let x = &found[0];
        assert_eq!((x.line, x.count, x.worst_line), (Some(1), 2, Some(2)));
        assert_eq!((x.value, x.limit, x.severity), (Some(205.5), Some(200.0), Severity::NoGo));
        assert!(x.message.contains("205.5 mm") && x.message.contains("200 mm"), "{}", x.message);
        assert_eq!((found[1].value, found[1].limit), (Some(-3.0), Some(0.0)));
    }

    #[test]
    fn the_very_edge_is_reachable() {
        // 200 mm in inches with four decimals: 7.8740 in are 199.9996 mm; 255 mm are 10.0394 in, 0.00076 mm too far.
        let rounded = 10.0394 * 25.4 - 255.0;
        let edge = Job::new().to([200.0, 200.0, 180.0], 0.0).to([200.0 + rounded, -rounded, 0.0], 0.0);
        assert!(edge.to([0.0, 0.0, -0.0019], 0.0).findings(&CHECK, &machine()).is_empty());
        for beyond_mm in [0.00201, 0.0024, 0.003] {
            let found = Job::new().to([200.0 + beyond_mm, 0.0, 0.0], 0.0).findings(&CHECK, &machine());
            assert_eq!(found.len(), 1, "{beyond_mm}");
            assert!(!found[0].message.contains("to 200 mm"), "enough digits: {}", found[0].message);
        }
    }

    #[test]
    fn the_edge_of_a_round_bed_and_of_the_arms_is_reachable_too() {
        let slip = 0.00127;
        let diagonal = 100.0 + 100.0 * std::f64::consts::FRAC_1_SQRT_2;
        let edge = |more: f64| Job::new().to([diagonal + more, diagonal + more, 0.0], 0.0);
        assert!(edge(slip).findings(&CHECK, &disc()).is_empty(), "0.0018 mm off along the diagonal");
        let found = edge(0.002).findings(&CHECK, &disc());
        assert!(found[0].message.contains("100.003 mm") && found[0].message.contains("at 100 mm"), "{found:?}");
        let mut towers = machine();
        towers.motion.drive_layout = DriveLayout::ThreeTowers { arms_mm: Some((120.0, 100.0)) };
        let reach = |more: f64| Job::new().to([100.0, 80.0 - more, 5.0], 0.0).findings(&CHECK, &towers).len();
        assert_eq!([slip, 0.0021].map(reach), [0, 1]);
    }

    #[test]
    fn an_axis_that_stands_still_or_is_unknown_is_not_judged() {
        let mut away = machine();
        away.travel.min = [0.0, 5.0, 5.0];
        assert!(Job::new().to([50.0, 0.0, 0.0], 0.0).findings(&CHECK, &away).is_empty(), "starts outside y and z");
        let unknown = Job::new().to([300.0, 0.0, 0.0], 0.0).tweak(|block, i| block.flags[i] &= !flag::KNOWN_X);
        assert!(unknown.findings(&CHECK, &machine()).is_empty());
        assert!(Job::new().home([true; 3]).to([10.0, 10.0, 10.0], 0.0).findings(&CHECK, &away).is_empty());
    }

    #[test]
    fn a_bulging_arc_is_found_between_its_end_points() {
        // Half a turn to the left of x = 10 about (10, 50): reaches x = 10 - 12.
        let start = Job::new().to([10.0, 62.0, 0.0], 0.0);
        let found = start.arc([0, 1, 2], [10.0, 50.0], PI, 0.0).findings(&CHECK, &machine());
        assert_eq!(found.len(), 1);
        assert_eq!((found[0].value, found[0].line), (Some(-2.0), Some(2)));
        let start = Job::new().to([10.0, 62.0, 0.0], 0.0);
        assert!(start.arc([0, 1, 2], [10.0, 50.0], -PI, 0.0).findings(&CHECK, &machine()).is_empty());
    }

    #[test]
    fn a_round_bed_ends_before_the_corners() {
        let job = Job::new().to([100.0, 199.0, 0.0], 0.0).to([190.0, 190.0, 0.0], 0.0).to([191.0, 190.0, 0.0], 0.0);
        let found = job.findings(&CHECK, &disc());
        assert_eq!((found.len(), found[0].count), (1, 2));
        assert!((found[0].limit.unwrap() - 100.0).abs() < 1e-9);
        assert!((found[0].value.unwrap() - 91.0_f64.hypot(90.0)).abs() < 1e-9);
        let along_z = Job::new().to([0.0, 0.0, 5.0], 0.0);
        assert!(along_z.findings(&CHECK, &disc()).is_empty(), "x and y stand still in the corner");
    }

    #[test]
    fn what_is_beyond_an_axis_is_not_told_of_the_round_bed_too() {
        let job = Job::new().to([205.0, 100.0, 0.0], 0.0).to([199.0, 60.0, 0.0], 0.0).to([100.0, 100.0, -1.0], 0.0);
        let found = job.findings(&CHECK, &disc());
        let told: Vec<_> = found.iter().map(|finding| (finding.line, finding.limit, finding.count)).collect();
        assert_eq!(told.len(), 3, "{told:?}");
        assert_eq!((told[0], told[1].0, told[2].0), ((Some(1), Some(200.0), 1), Some(2), Some(3)));
        // Half a millimetre beyond the axis in a corner far off the round bed.
        let found = Job::new().to([200.5, 190.0, 0.0], 0.0).findings(&CHECK, &disc());
        assert_eq!(found.len(), 2);
        let off_mm = found.iter().map(|of| of.value.unwrap() - of.limit.unwrap()).fold(0.0, f64::max);
        assert!((off_mm - (100.5f64.hypot(90.0) - 100.0)).abs() < 1e-9, "{off_mm}");
    }

    #[test]
    fn an_arc_leaves_a_round_or_oval_bed_on_its_way() {
        let arc = || Job::new().to([100.0, 150.0, 0.0], 0.0).arc([0, 1, 2], [130.0, 150.0], -PI, 0.0);
        assert!(arc().findings(&CHECK, &disc()).is_empty(), "88.3 mm from the centre at most");
        let arc = || Job::new().to([110.0, 160.0, 0.0], 0.0).arc([0, 1, 2], [150.0, 160.0], -PI, 0.0);
        let found = arc().findings(&CHECK, &disc());
        let far = 50.0_f64.hypot(60.0) + 40.0;
        assert!((found[0].value.unwrap() - far).abs() < 1e-9);
        let mut oval = disc();
        oval.travel.max[0] = 200.0 + 1e-7;
        let near = arc().findings(&CHECK, &oval);
        assert!((near[0].value.unwrap() - far).abs() < 1e-4, "chords agree with the exact distance");
    }

    #[test]
    fn the_arms_of_three_towers_must_reach() {
        // Towers 100 mm from the middle (100, 100): from the first, at (100, 200), it is 120 mm to (100, 80), 125 to (100, 75).
        let mut towers = machine();
        towers.motion.drive_layout = DriveLayout::ThreeTowers { arms_mm: Some((120.0, 100.0)) };
        let job = Job::new().to([100.0, 80.0, 5.0], 0.0).to([100.0, 75.0, 5.0], 0.0);
        let found = job.findings(&CHECK, &towers);
        assert_eq!((found.len(), found[0].line, found[0].severity), (1, Some(2), Severity::NoGo));
        assert_eq!((found[0].value, found[0].limit), (Some(125.0), Some(120.0)));
    }

    #[test]
    fn no_move_of_a_block_that_stays_inside_is_outside() {
        let mut held = 0;
        for (seed, round) in (0..400).map(|n| (n, n % 2 == 0)) {
            let disc = round.then_some(Disc { centre: [40.0, 40.0], half: [100.0, 90.0] });
            let mut check = OutsideTravel {
                min: [-60.0, -50.0, -90.0],
                max: [140.0, 130.0, 180.0],
                disc,
                arms: None,
                beyond_axes: Default::default(),
            };
            for block in Job::random(seed, 40.0 + seed as f64 / 4.0, 50.0).into_blocks() {
                let mut log = crate::findings::Log::new(&machine().severities);
                check.judge(&block, &mut log);
                let holds = check.holds(&block.reach);
                held += usize::from(holds);
                assert!(!holds || log.into_findings().is_empty(), "{seed}");
            }
        }
        assert!((20..380).contains(&held), "{held} of some 400 blocks");
    }
}
