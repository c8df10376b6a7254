//! A comb of sharp corners: the walls behind them ring, and the marks on them show frequency and damping.

use super::job::{Bead, JobWriter, figure, warm_up};
use super::place::{fastest_xy, room, way};
use super::{Kind, Trial, TrialError, VERDICT_NEEDS, Warmth, known_tool, passed};
use crate::machine::Machine;

/// What changes from tooth to tooth.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Vary {
    /// The speed.
    Speed,
    /// The acceleration, where the controller obeys M204.
    Acceleration,
}

/// What is asked for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ringing {
    /// What changes from tooth to tooth.
    pub vary: Vary,
    /// Teeth of each comb, 3 to 12.
    pub teeth: u32,
    /// Layers, 1 to 20.
    pub layers: u32,
    /// Highest speed, mm/s; otherwise what machine and hotend allow, at most 100.
    pub fastest_mm_s: Option<f64>,
    /// Tool.
    pub tool: usize,
    /// Temperatures.
    pub warmth: Warmth,
}

impl Default for Ringing {
    fn default() -> Self {
        Self { vary: Vary::Speed, teeth: 6, layers: 4, fastest_mm_s: None, tool: 0, warmth: Warmth::default() }
    }
}

/// Width of a tooth and of the gap behind it, mm.
const HALF_PITCH_MM: f64 = 4.0;
/// Run-up before the first tooth, mm.
const RUN_UP_MM: f64 = 8.0;
/// How much higher the first tooth is, so that it is known, mm.
const FIRST_HIGHER_MM: f64 = 4.0;
/// Between the combs and the line that fills the nozzle, mm.
const GAP_MM: f64 = 8.0;
/// Lengths of a wall that are tried, mm.
const WALLS_MM: [f64; 3] = [60.0, 45.0, 30.0];
const FASTEST_MM_S: f64 = 100.0;
const FIRST_LAYER_MM_S: f64 = 20.0;
/// The slowest or mildest tooth, as a share of the last.
const LEAST_SHARE: f64 = 0.4;
/// Share of the melt rate that the hotend keeps up.
const MELT_SHARE: f64 = 0.85;

/// A tooth of a comb.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Tooth {
    speed_mm_s: f64,
    accel_mm_s2: f64,
}

impl Tooth {
    /// Behind the corner the speed still rises so far, mm.
    fn rise_mm(self) -> f64 {
        self.speed_mm_s * self.speed_mm_s / (2.0 * self.accel_mm_s2)
    }
}

/// Two combs: the first with its long walls along y, where swinging along x shows, the second turned.
struct Combs {
    teeth: Vec<Tooth>,
    wall_mm: f64,
    corner: [f64; 2],
    width_mm: f64,
}

/// Writes the trial.
///
/// # Errors
/// See [`TrialError`].
pub fn ringing(machine: &Machine, asked: &Ringing) -> Result<Trial, TrialError> {
    known_tool(machine, asked.tool)?;
    if !(3..=12).contains(&asked.teeth) || !(1..=20).contains(&asked.layers) {
        return Err(TrialError::Asked("a comb has 3 to 12 teeth and 1 to 20 layers".to_owned()));
    }
    let bead = Bead::new(machine, asked.tool, 1.2, 0.5);
    let combs = plan(machine, asked, &bead)?;
    let [x, y] = combs.corner;
    let way = way(machine, [x, y])?;
    let mut job = JobWriter::attended(
        Kind::Ringing,
        machine,
        "Two combs with sharp corners, to measure how the structure swings.",
        None,
    )?;
    warm_up(&mut job, machine, asked.tool, asked.warmth, &way, ([x + combs.width_mm, y], &bead))?;
    combs.print(&mut job, machine, asked, &bead);
    let mut told = told(machine, asked, &combs);
    told.insert(0, job.waits());
    passed(machine, Trial { kind: Kind::Ringing, text: job.finish_at(way.height), told })
}

/// Finds room and speeds.
fn plan(machine: &Machine, asked: &Ringing, bead: &Bead) -> Result<Combs, TrialError> {
    let limits = &machine.motion.limits;
    let accel = limits.acceleration_mm_s2[..2].iter().fold(limits.printing_mm_s2, |least, &own| least.min(own));
    if asked.vary == Vary::Acceleration && !machine.controller.obeys_limits_in_job {
        return Err(TrialError::Asked("the controller does not obey M204 in a job: vary the speed".to_owned()));
    }
    let able = fastest_xy(machine).min(bead.fastest(machine, (asked.tool, asked.warmth), MELT_SHARE));
    if let Some(fastest) = asked.fastest_mm_s.filter(|&fastest| !(fastest >= 5.0 && fastest <= able)) {
        let able = figure(able, 1);
        return Err(TrialError::Asked(format!(
            "{fastest} mm/s is not between 5 and the {able} mm/s that this machine does"
        )));
    }
    let comb_mm = RUN_UP_MM + f64::from(asked.teeth) * 2.0 * HALF_PITCH_MM;
    let mut last = TrialError::NoWay;
    for wall_mm in WALLS_MM {
        let turned_mm = wall_mm + FIRST_HIGHER_MM;
        let width_mm = comb_mm + GAP_MM + turned_mm;
        let depth_mm = GAP_MM + turned_mm.max(comb_mm);
        let corner = match room(machine, [width_mm, depth_mm]) {
            Ok(corner) => corner,
            Err(error) => {
                last = error;
                continue;
            }
        };
        // A quarter of the wall may be used up by speeding up.
        let fastest = asked.fastest_mm_s.unwrap_or(FASTEST_MM_S.min(able)).min((0.5 * wall_mm * accel).sqrt());
        let tooth = |n: u32| {
            let share = LEAST_SHARE + (1.0 - LEAST_SHARE) * f64::from(n) / f64::from(asked.teeth - 1);
            match asked.vary {
                Vary::Speed => Tooth { speed_mm_s: (share * fastest).floor(), accel_mm_s2: accel },
                Vary::Acceleration => {
                    let accel_mm_s2 = (share * accel).floor().max(1.0);
                    Tooth { speed_mm_s: (fastest * LEAST_SHARE.sqrt()).floor(), accel_mm_s2 }
                }
            }
        };
        return Ok(Combs { teeth: (0..asked.teeth).map(tooth).collect(), wall_mm, corner, width_mm });
    }
    Err(last)
}

impl Combs {
    fn print(&self, job: &mut JobWriter<'_>, machine: &Machine, asked: &Ringing, bead: &Bead) {
        let floor = machine.travel.min[2].max(0.0);
        let [x, y] = [self.corner[0], self.corner[1] + GAP_MM];
        let beside = x + RUN_UP_MM + f64::from(asked.teeth) * 2.0 * HALF_PITCH_MM + GAP_MM;
        let limits = &machine.motion.limits;
        for layer in 0..asked.layers {
            let height = floor + f64::from(layer + 1) * bead.height;
            for turned in [false, true] {
                let start = if turned { [beside, y] } else { [x, y] };
                // Lifted a little, so that the way passes above what is printed.
                job.lift_to(height + 2.0 * bead.height);
                job.travel(start);
                job.lift_to(height);
                self.comb(job, start, turned, layer == 0, (asked.vary, bead));
            }
            if asked.vary == Vary::Acceleration && layer > 0 {
                job.line(&format!("M204 P{} T{}", figure(limits.printing_mm_s2, 1), figure(limits.travel_mm_s2, 1)));
            }
        }
    }

    fn comb(
        &self,
        job: &mut JobWriter<'_>,
        start: [f64; 2],
        turned: bool,
        first_layer: bool,
        (vary, bead): (Vary, &Bead),
    ) {
        let mut at = [0.0; 2];
        let mut along = |job: &mut JobWriter<'_>, [spine, wall]: [f64; 2], speed: f64| {
            let length = (spine - at[0]).hypot(wall - at[1]);
            at = [spine, wall];
            let to = if turned { [start[0] + wall, start[1] + spine] } else { [start[0] + spine, start[1] + wall] };
            job.print(to, length * bead.filament, speed);
        };
        for (n, tooth) in (0u32..).zip(&self.teeth) {
            let speed = if first_layer { tooth.speed_mm_s.min(FIRST_LAYER_MM_S) } else { tooth.speed_mm_s };
            if vary == Vary::Acceleration && !first_layer {
                job.line(&format!("M204 P{}", figure(tooth.accel_mm_s2, 1)));
            }
            let left = RUN_UP_MM + f64::from(n) * 2.0 * HALF_PITCH_MM;
            let top = self.wall_mm + if n == 0 { FIRST_HIGHER_MM } else { 0.0 };
            for point in [[left, 0.0], [left, top], [left + HALF_PITCH_MM, top], [left + HALF_PITCH_MM, 0.0]] {
                along(job, point, speed);
            }
        }
    }
}

fn told(machine: &Machine, asked: &Ringing, combs: &Combs) -> Vec<String> {
    let mut told = vec![
        "Two combs stand side by side. Walls along y show how x swings, walls along x how y swings. The first tooth of a \
         comb is the longer one. After the corner at the foot of a tooth its rising wall has waves that fade away, a distance \
         of speed / frequency apart."
            .to_owned(),
        "Look at a rising wall against a light from the side. Measure from one crest to the fifth after it (or as many as you \
         see; count the gaps, not the crests), beyond the part named below where the speed still rises. Measure several \
         teeth: waves that stay equally far apart at all speeds come from belts, teeth or screws, not from the structure. \
         Heights of successive crests over the valleys tell the damping; count from the corner, write - for one you cannot see."
            .to_owned(),
    ];
    if machine.structure.shapers.iter().any(Option::is_some) {
        told.push(
            "The sheet names an impulse shaper: switch it off in the controller for this trial, or the marks are gone."
                .to_owned(),
        );
    }
    let mut table = String::from("  tooth  speed    acceleration  measure beyond");
    for (n, tooth) in (1..).zip(&combs.teeth) {
        let (speed, accel) = (figure(tooth.speed_mm_s, 1) + " mm/s", figure(tooth.accel_mm_s2, 0) + " mm/s²");
        table.push_str(&format!("\n  {n:<5}  {speed:<8} {accel:<13} {} mm", figure(tooth.rise_mm().ceil(), 0)));
    }
    told.push(table);
    for mode in &machine.structure.modes {
        let [slow, fast] = [combs.teeth.first(), combs.teeth.last()].map(|tooth| {
            let speed = tooth.map_or(0.0, |tooth| tooth.speed_mm_s);
            format!("{} mm apart at {} mm/s", figure(speed / mode.natural_hz, 1), figure(speed, 1))
        });
        let (axis, hz) = (mode.along.word(), figure(mode.natural_hz, 1));
        told.push(format!("By the sheet {axis} swings at {hz} Hz: expect marks {slow}, {fast}."));
    }
    let speed = combs.teeth.last().map_or(0.0, |tooth| tooth.speed_mm_s);
    told.push(
        "Then enter what you measured, an option for each wall (lengths in mm, speed in mm/s; the numbers here are examples):"
            .to_owned(),
    );
    told.push(format!(
        "  gonogo resonance --axis x --from-marks marks=5 spacing={} speed={} heights=0.10,0.07,-,0.04",
        figure(5.0 * speed / 40.0, 1),
        figure(speed, 1)
    ));
    let mut then = "That prints what was measured as a table [[structure]] for the sheet.".to_owned();
    if machine.structure.ringing_limit_mm.is_none() {
        then.push_str(&format!(" {VERDICT_NEEDS}"));
    }
    told.push(then);
    if asked.layers > 1 {
        told.push("The first layer is slow on every tooth: measure above it.".to_owned());
    }
    told
}
