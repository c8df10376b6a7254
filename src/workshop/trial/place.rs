//! Where on the machine a trial may be, and how to get there. Machine coordinates, mm.

use super::TrialError;
use crate::geometry::segment_hits_box;
use crate::machine::{BedShape, DriveLayout, KeepOut, Machine};

/// Room to the ends of travel and to keep-out boxes.
const ROOM_MM: f64 = 3.0;
/// Room above and beside keep-out boxes on the way.
const PASS_MM: f64 = 1.5;
/// Height of the way over the bed, unless something is there.
const OVER_BED_MM: f64 = 10.0;
/// Places tried along each axis.
const TRIED: u32 = 60;
/// Share of a step rate limit that is used.
const RATE_USED: f64 = 0.95;

/// A rectangle for a trial: its lower left corner, as near to the middle of the bed as it fits.
pub(super) fn room(machine: &Machine, [width, depth]: [f64; 2]) -> Result<[f64; 2], TrialError> {
    let (low, high) = (machine.travel.min, machine.travel.max);
    let size = [width, depth];
    let middle = [0, 1].map(|axis| (low[axis] + high[axis]) / 2.0);
    // How far the corner may be moved either way.
    let free = [0, 1].map(|axis| (high[axis] - low[axis] - size[axis]) / 2.0 - ROOM_MM);
    let mut best: Option<(f64, [f64; 2])> = None;
    for i in (0..=TRIED).filter(|_| free.iter().all(|&free| free >= 0.0)) {
        for j in 0..=TRIED {
            let shift =
                [(i, free[0]), (j, free[1])].map(|(n, free)| (2.0 * f64::from(n) / f64::from(TRIED) - 1.0) * free);
            let corner = [0, 1].map(|axis| middle[axis] + shift[axis] - size[axis] / 2.0);
            let far = shift[0].hypot(shift[1]);
            if best.is_none_or(|(least, _)| far < least) && fits(machine, corner, size) {
                best = Some((far, corner));
            }
        }
    }
    best.map(|(_, corner)| corner).ok_or(TrialError::NoRoom { width: width.ceil(), depth: depth.ceil() })
}

fn fits(machine: &Machine, corner: [f64; 2], size: [f64; 2]) -> bool {
    let travel = &machine.travel;
    let beside = |keep_out: &KeepOut| {
        (0..2).any(|axis| {
            corner[axis] >= keep_out.max[axis] + ROOM_MM || corner[axis] + size[axis] <= keep_out.min[axis] - ROOM_MM
        })
    };
    let on_disc = |x: f64, y: f64| {
        let part = [(x, 0), (y, 1)].map(|(at, axis)| {
            let (middle, half) =
                ((travel.min[axis] + travel.max[axis]) / 2.0, (travel.max[axis] - travel.min[axis]) / 2.0);
            (at - middle) / (half - ROOM_MM)
        });
        part[0] * part[0] + part[1] * part[1] <= 1.0
    };
    let [[left, right], [front, rear]] = [0, 1].map(|axis| [corner[axis], corner[axis] + size[axis]]);
    let corners = [(left, front), (left, rear), (right, front), (right, rear)];
    travel.keep_out.iter().all(beside)
        && (travel.bed == BedShape::Rectangle || corners.into_iter().all(|(x, y)| on_disc(x, y)))
}

/// A way from home to a place over the bed: a height, and the points in x and y to pass at it.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Way {
    pub(super) height: f64,
    pub(super) points: Vec<[f64; 2]>,
}

/// The lowest way from where homing leaves the nozzle that passes no keep-out box: straight, or first along one axis.
pub(super) fn way(machine: &Machine, to: [f64; 2]) -> Result<Way, TrialError> {
    let travel = &machine.travel;
    let home = after_homing(machine)?;
    let lowest = travel.min[2] + OVER_BED_MM.min((travel.max[2] - travel.min[2]) / 2.0);
    let mut heights = vec![lowest];
    heights.extend(travel.keep_out.iter().map(|keep_out| keep_out.max[2] + 2.0 * PASS_MM));
    heights.retain(|&height| height >= lowest && height <= travel.max[2]);
    heights.sort_by(f64::total_cmp);
    for height in heights {
        for points in legs([home[0], home[1]], to) {
            let mut path = vec![home, [home[0], home[1], height]];
            path.extend(points.iter().map(|&[x, y]| [x, y, height]));
            path.push([to[0], to[1], travel.min[2]]);
            if path.windows(2).all(|leg| is_free(machine, leg[0], leg[1])) {
                return Ok(Way { height, points });
            }
        }
    }
    Err(TrialError::NoWay)
}

/// Ways from place to place at one height: straight, or first along one axis.
fn legs(from: [f64; 2], to: [f64; 2]) -> [Vec<[f64; 2]>; 3] {
    [vec![to], vec![[to[0], from[1]], to], vec![[from[0], to[1]], to]]
}

/// Whether Z is homed at its upper end, away from the bed.
pub(super) fn homes_high(machine: &Machine) -> bool {
    machine.travel.homes_high()
}

/// Which way an axis leads from where it is homed to the farther end of its travel: 1 or −1.
pub(super) fn inward(machine: &Machine, axis: usize) -> f64 {
    let travel = &machine.travel;
    if travel.home[axis] <= (travel.min[axis] + travel.max[axis]) / 2.0 { 1.0 } else { -1.0 }
}

/// A move from home that does no harm with four times as many steps, mm: at most a twentieth of the travel, and at most a
/// quarter of the room ahead.
pub(super) fn harmless_mm(machine: &Machine, axis: usize, most_mm: f64) -> f64 {
    let travel = &machine.travel;
    let ahead = (travel.max[axis] - travel.home[axis]).max(travel.home[axis] - travel.min[axis]);
    let harmless = (0.05 * (travel.max[axis] - travel.min[axis])).min(ahead / 4.0).min(most_mm);
    // Half millimetres can be read off a rule.
    if harmless >= 0.5 { (harmless * 2.0).floor() / 2.0 } else { harmless }
}

/// Where the nozzle has to be for homing Z, x and y: where the sheet says that the machine goes, else where a probe is over the
/// bed, as near to the middle of it as travel and keep-out boxes allow for nozzle and probe. None where any place will do.
///
/// # Errors
/// When the nozzle can be nowhere where the probe is over the bed.
pub(super) fn homes_z_at(machine: &Machine) -> Result<Option<[f64; 2]>, TrialError> {
    if homes_high(machine) {
        return Ok(None);
    }
    if let Some(place_mm) = machine.travel.homes_z_at_mm {
        return Ok(Some(place_mm));
    }
    let Some(probe_mm) = machine.probe_offset_mm else { return Ok(None) };
    let (low, high) = (machine.travel.min, machine.travel.max);
    let room = [0, 1].map(|axis| ROOM_MM.min((high[axis] - low[axis]) / 4.0));
    let beside = |at: [f64; 2]| {
        machine.travel.keep_out.iter().all(|keep_out| {
            (0..2).any(|axis| at[axis] <= keep_out.min[axis] - ROOM_MM || at[axis] >= keep_out.max[axis] + ROOM_MM)
        })
    };
    let mut best: Option<(f64, [f64; 2])> = None;
    for i in 0..=TRIED {
        for j in 0..=TRIED {
            let touched = [(i, 0), (j, 1)].map(|(n, axis)| {
                let share = f64::from(n) / f64::from(TRIED);
                low[axis] + room[axis] + share * (high[axis] - low[axis] - 2.0 * room[axis])
            });
            let nozzle = [0, 1].map(|axis| touched[axis] - probe_mm[axis]);
            let reached = (0..2).all(|axis| {
                nozzle[axis] >= low[axis] + room[axis] - 1e-9 && nozzle[axis] <= high[axis] - room[axis] + 1e-9
            });
            let far =
                (0..2).map(|axis| touched[axis] - (low[axis] + high[axis]) / 2.0).fold(0.0_f64, |far, d| far.hypot(d));
            if reached && best.is_none_or(|(least, _)| far < least) && beside(touched) && beside(nozzle) {
                best = Some((far, nozzle));
            }
        }
    }
    let nowhere = "by `probe.offset_mm` the probe is never over the bed beside the keep-out boxes".to_owned();
    best.map(|(_, nozzle)| Some(nozzle)).ok_or(TrialError::Asked(nowhere))
}

/// The places to pass between two places at a height that is not known, so that keep-out boxes are never crossed.
pub(super) fn flat_way(machine: &Machine, from: [f64; 2], to: [f64; 2]) -> Option<Vec<[f64; 2]>> {
    let flat = |leg: &[[f64; 2]]| {
        machine.travel.keep_out.iter().all(|keep_out| {
            let (low, high) = (keep_out.min.map(|at| at - PASS_MM), keep_out.max.map(|at| at + PASS_MM));
            let middle = (low[2] + high[2]) / 2.0;
            let [from, to] = [leg[0], leg[1]].map(|[x, y]| [x, y, middle]);
            segment_hits_box(from, to, low, high).is_none()
        })
    };
    let free = |points: &Vec<[f64; 2]>| [&[from], points.as_slice()].concat().windows(2).all(flat);
    legs(from, to).into_iter().find(free)
}

/// Height over the bed at which a person leaves the nozzle by hand, and its room to what is fixed on the bed, mm.
const BY_HAND_MM: f64 = 30.0;
const OVER_KEEP_OUT_MM: f64 = 15.0;

/// Where a person puts the nozzle by hand, mm: x and y in the middle, z well above the bed and above what is fixed on it,
/// with room above.
///
/// # Errors
/// When what is fixed on the bed leaves no such height.
pub(super) fn by_hand(machine: &Machine) -> Result<[f64; 3], TrialError> {
    let travel = &machine.travel;
    let [x, y, middle] = [0, 1, 2].map(|axis| (travel.min[axis] + travel.max[axis]) / 2.0);
    let tallest =
        travel.keep_out.iter().map(|keep_out| keep_out.max[2] + OVER_KEEP_OUT_MM).fold(travel.min[2], f64::max);
    let wanted = (travel.min[2] + BY_HAND_MM).min(middle).max(tallest);
    let room = OVER_KEEP_OUT_MM.min((travel.max[2] - travel.min[2]) / 4.0);
    let z = if wanted.ceil() <= travel.max[2] - room { wanted.ceil() } else { wanted };
    if z <= travel.max[2] - room { Ok([x, y, z]) } else { Err(TrialError::NoWay) }
}

/// Where homing all axes leaves the nozzle, mm.
pub(super) fn after_homing(machine: &Machine) -> Result<[f64; 3], TrialError> {
    let home = machine.travel.home;
    Ok(homes_z_at(machine)?.map_or(home, |[x, y]| [x, y, home[2]]))
}

pub(super) fn is_free(machine: &Machine, from: [f64; 3], to: [f64; 3]) -> bool {
    machine.travel.keep_out.iter().all(|keep_out| {
        let (low, high) = (keep_out.min.map(|at| at - PASS_MM), keep_out.max.map(|at| at + PASS_MM));
        segment_hits_box(from, to, low, high).is_none()
    })
}

/// Largest speed in any direction of x and y that the axes and the step rate allow, mm/s.
pub(super) fn fastest_xy(machine: &Machine) -> f64 {
    let limits = machine.motion.limits.feed_rate_mm_s;
    let [x_steps, y_steps, ..] = machine.controller.steps_per_mm;
    let most = |steps: Option<f64>, share: f64| match (machine.controller.step_rate_limit_hz, steps) {
        (Some(limit_hz), Some(steps)) => RATE_USED * limit_hz / (steps * share),
        _ => f64::INFINITY,
    };
    let by_steps = match machine.motion.drive_layout {
        DriveLayout::OnePerAxis => most(x_steps, 1.0).min(most(y_steps, 1.0)),
        DriveLayout::CrossedBelts => most(x_steps, std::f64::consts::SQRT_2),
        DriveLayout::ThreeTowers { arms_mm: None } => f64::INFINITY,
        DriveLayout::ThreeTowers { arms_mm: Some((arm, radius)) } => {
            // The farthest point from a tower: share distance / sqrt(arm² − distance²).
            let half =
                (machine.travel.max[0] - machine.travel.min[0]).max(machine.travel.max[1] - machine.travel.min[1]);
            let distance = (radius + half / 2.0).min(0.98 * arm);
            most(x_steps, (distance / (arm * arm - distance * distance).sqrt()).max(1.0))
        }
    };
    limits[0].min(limits[1]).min(by_steps)
}

/// Largest speed of an axis alone, mm/s: by its limit and the step rate.
pub(super) fn fastest_of(machine: &Machine, axis: usize) -> f64 {
    let by_steps = match (machine.controller.step_rate_limit_hz, machine.controller.steps_per_mm[axis]) {
        (Some(limit_hz), Some(steps)) => RATE_USED * limit_hz / steps,
        _ => f64::INFINITY,
    };
    let own = machine.motion.limits.feed_rate_mm_s[axis].min(by_steps);
    if axis < 2 { own.min(fastest_xy(machine)) } else { own }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn machine() -> Machine {
        let mut machine = Machine::built_in();
        machine.travel.min = [0.0; 3];
        machine.travel.max = [200.0, 100.0, 50.0];
        machine.travel.home = [0.0; 3];
        machine.travel.keep_out.clear();
        machine
    }

    fn keep_out(min: [f64; 3], max: [f64; 3]) -> KeepOut {
        KeepOut { what: "clip".to_owned(), min, max }
    }

    #[test]
    fn room_is_in_the_middle_or_beside_what_stands_there() {
        let mut machine = machine();
        assert_eq!(room(&machine, [100.0, 50.0]).expect("fits"), [50.0, 25.0]);
        assert!(matches!(room(&machine, [196.0, 50.0]), Err(TrialError::NoRoom { .. })));
        machine.travel.keep_out = vec![keep_out([90.0, 0.0, 0.0], [110.0, 100.0, 5.0])];
        let [x, _] = room(&machine, [60.0, 50.0]).expect("fits beside");
        assert!(x + 60.0 <= 87.0 || x >= 113.0, "{x}");
        assert!(room(&machine, [90.0, 50.0]).is_err());
        machine.travel.keep_out.clear();
        machine.travel.bed = BedShape::Disc;
        assert!(room(&machine, [140.0, 80.0]).is_err(), "corners leave the ellipse");
    }

    #[test]
    fn the_way_goes_over_or_around() {
        let mut machine = machine();
        assert_eq!(way(&machine, [100.0, 50.0]).expect("free").height, 10.0);
        machine.travel.keep_out = vec![keep_out([40.0, 0.0, 0.0], [60.0, 100.0, 20.0])];
        assert_eq!(way(&machine, [100.0, 50.0]).expect("over it").height, 23.0);
        machine.travel.keep_out = vec![keep_out([40.0, 20.0, 0.0], [60.0, 30.0, 50.0])];
        let around = way(&machine, [100.0, 50.0]).expect("around it");
        assert_eq!((around.height, around.points.len()), (10.0, 2));
        machine.travel.keep_out[0] = keep_out([40.0, 0.0, 0.0], [60.0, 100.0, 50.0]);
        machine.travel.keep_out.push(keep_out([0.0, 40.0, 0.0], [40.0, 45.0, 50.0]));
        assert_eq!(way(&machine, [100.0, 50.0]), Err(TrialError::NoWay));
    }
}
