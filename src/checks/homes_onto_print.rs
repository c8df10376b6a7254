//! Z homed, or the bed probed, while what the job has printed still stands there.

use crate::block::Touches;
use crate::findings::{Built, Check, Explanation, Hit, Log, Severity, Spot};
use crate::machine::{Machine, Override, Rectangle};
use crate::physics::standing::Standing;
use crate::wording::figure;

use super::head_in_print::HeadWatch;
use super::nozzle_in_print::{self, LAYER_MOST_MM, SLACK_MM};

/// The check.
pub const CHECK: Check = Check {
    id: "homes-onto-print",
    topic: "bare bed at homing",
    severity: Severity::NoGo,
    summary: "Z is homed or the bed is probed while what the job has printed still stands on the bed.",
    explain: Explanation {
        what: "Z is homed at the bed, or the bed is probed, after the job has laid something higher than 1 mm and before it \
waits for a person who could take it away.",
        why: "homing and probing go down until something is touched. Over a part the nozzle or the probe is driven into it, or \
the top of the part is taken for the bed. Beside a part the head may strike it, and all that is printed next assumes a bare \
bed. Homing everything at the end of a job and a job that stands twice in one file look like this.",
        how: "the place is `travel.homes_z_at_mm`; without that it is that of `travel.home` for the axes that are homed together \
with Z, else the one where the machine is; with a `[probe]` the probe is beside it. It is a no-go where something stands higher than 1 mm within 1 mm of the nozzle or \
2 mm of the probe, or reaches into `[head]` (without that: within 30 mm on all four sides of the nozzle), and where the whole bed is probed; anything lower there is a hold, and so is \
anything higher elsewhere, or where the place is not known. What is no higher than 1 mm counts as a purge line and may stand \
elsewhere. After a pause that waits for a person, or a macro that is not described, the part counts as taken away once the job \
goes on from the bed where it stood, or with a second layer beside it; not where it goes on on top of it. One low line beside \
it says nothing: it may be a purge line. Machines that home Z at the top are judged for probing alone. Heights are those of \
`nozzle-in-print`. Common practice, no source.",
        remedy: "home X and Y alone at the end of a job, probe before anything is printed, and let the job wait for a person \
(M0) between two parts. Where something else clears the bed, set the check to note in the sheet. Keep hands out while it homes; \
the maker's documents come first.",
    },
    heat_or_travel: true,
    timed: false,
    unchecked: None,
    build: |machine, _| match machine.severities.get(nozzle_in_print::CHECK.id) {
        Some(Override::Off) => {
            Built::Skipped("`nozzle-in-print`, which keeps the heights, is switched off in the sheet".to_owned())
        }
        _ => Built::WithOthers,
    },
};

/// The kinds of hits.
const ONTO: u64 = 0;
const ONTO_LOW: u64 = 1;
const BESIDE: u64 = 2;

/// What is no higher is a purge line, mm.
const PURGE_MM: f64 = LAYER_MOST_MM;
/// Around the nozzle and the tip of a probe, mm.
const NOZZLE_ROOM_MM: f64 = 1.0;
const PROBE_ROOM_MM: f64 = 2.0;
/// Nobody describes the head: no nozzle comes down between walls that stand no farther away on all four sides, mm.
const WALLS_MM: f64 = 30.0;

/// Follows where the machine is, and judges what goes down to the bed.
pub(super) struct HomingWatch {
    /// Where homing leaves x and y, where the sheet says so, and z, where that is at the bed.
    home_mm: Option<[f64; 2]>,
    home_z_mm: Option<f64>,
    /// Where the machine goes before Z is homed.
    homes_z_at_mm: Option<[f64; 2]>,
    probe_mm: Option<[f64; 3]>,
    travel: Rectangle,
    /// Where the machine is, as far as that is known.
    at: [Option<f64>; 2],
}

/// A homing or probing that meets what stands.
#[derive(Debug, Clone)]
pub(super) struct Met {
    hit: Hit,
    message: String,
}

impl Met {
    /// Tells it: nobody was waited for, or the job goes on on top of what stands.
    pub(super) fn tell(self, goes_on: bool, log: &mut Log) {
        let why = if goes_on { "the job goes on on top of it" } else { "nobody was waited for to take it away" };
        log.raise(self.hit, || format!("{}; {why}.", self.message));
    }
}

/// What the nozzle meets on its way down.
pub(super) struct Under<'a> {
    pub(super) standing: &'a Standing,
    pub(super) head: Option<&'a HeadWatch>,
    /// From the place of the machine to the tip in use, mm.
    pub(super) tip_mm: [f64; 3],
}

impl HomingWatch {
    /// Nobody where the check does not run.
    pub(super) fn new(machine: &Machine) -> Option<Self> {
        if machine.severities.get(CHECK.id) == Some(&Override::Off) {
            return None;
        }
        let travel = &machine.travel;
        let [x, y, z] = travel.home;
        let at_bed = !machine.is_three_towers() && !travel.homes_high();
        Some(Self {
            home_mm: travel.home_given.then_some([x, y]),
            home_z_mm: at_bed.then_some(z),
            homes_z_at_mm: travel.homes_z_at_mm,
            probe_mm: machine.probe_offset_mm,
            travel: travel.area(),
            at: [None; 2],
        })
    }

    /// The machine is there, as far as that is known.
    pub(super) fn stands_at(&mut self, at: [Option<f64>; 2]) {
        self.at = at;
    }

    /// Axes are homed and leave the machine there.
    pub(super) fn homed(&mut self, line: u64, axes: [bool; 3], to: [f64; 3], under: &Under<'_>) -> Option<Met> {
        let down = self.home_z_mm.filter(|_| axes[2]);
        let met = down.and_then(|home_z_mm| {
            let place = |axis: usize| if axes[axis] { self.home_mm.map(|home| home[axis]) } else { self.at[axis] };
            let nozzle = place(0).zip(place(1)).map(|(x, y)| [x, y]);
            // Homing everything, such a machine first goes to where the probe is over the bed.
            let elsewhere = |nozzle: [f64; 2]| {
                (axes[0] || axes[1]) && self.probe_mm.is_some_and(|probe| !self.travel.holds(beside(nozzle, probe)))
            };
            let nozzle = self.homes_z_at_mm.or_else(|| nozzle.filter(|nozzle| !elsewhere(*nozzle)));
            let lowest_mm = self.probe_mm.map_or(home_z_mm, |probe| -probe[2]).max(0.0);
            let struck = nozzle.and_then(|nozzle| self.struck(nozzle, lowest_mm, under));
            met("Z is homed", line, to, struck, under.standing)
        });
        let goes = axes[2] && self.homes_z_at_mm.is_some();
        (0..2).filter(|&axis| axes[axis] || goes).for_each(|axis| self.at[axis] = Some(to[axis]));
        met
    }

    /// The bed is probed, or something else is done after which nobody knows where the machine is.
    pub(super) fn probed(&mut self, line: u64, touches: Touches, under: &Under<'_>) -> Option<Met> {
        let here = self.at[0].zip(self.at[1]).map(|(x, y)| [x, y]);
        let probe = self.probe_mm.unwrap_or_default();
        let struck = |nozzle: [f64; 2]| self.struck(nozzle, (-probe[2]).max(0.0), under);
        let struck = match touches {
            Touches::Nothing | Touches::Somewhere => None,
            Touches::Here => here.and_then(struck),
            Touches::Place([x, y]) => struck([x - probe[0], y - probe[1]]),
            Touches::WholeBed => under.standing.highest().filter(|(_, top_mm)| *top_mm > PURGE_MM + SLACK_MM),
        };
        let [x, y] = here.unwrap_or_else(|| under.standing.highest().map_or([0.0; 2], |(place, _)| place));
        self.at = [None; 2];
        met("The bed is probed", line, [x, y, 0.0], struck, under.standing).filter(|_| touches != Touches::Nothing)
    }

    /// Where and how high stands the highest that is met with the nozzle going down there.
    fn struck(&self, nozzle: [f64; 2], lowest_mm: f64, under: &Under<'_>) -> Option<([f64; 2], f64)> {
        let standing = under.standing;
        let tip = [0, 1].map(|axis| nozzle[axis] + under.tip_mm[axis]);
        let mut highest: Option<([f64; 2], f64)> = None;
        let mut take = |cell: usize| {
            let top_mm = standing.top_mm(cell);
            if highest.is_none_or(|(_, known_mm)| top_mm > known_mm) {
                highest = Some((standing.middle_mm(cell), top_mm));
            }
        };
        let around = |mm: f64| Rectangle { min: [-mm; 2], max: [mm; 2] };
        standing.higher_around(tip, &around(NOZZLE_ROOM_MM), lowest_mm + SLACK_MM, &mut take);
        if let Some(probe) = self.probe_mm {
            standing.higher_around(beside(nozzle, probe), &around(PROBE_ROOM_MM), SLACK_MM, &mut take);
        }
        match under.head {
            Some(head) => head.struck_at(standing, tip, lowest_mm).into_iter().for_each(&mut take),
            None => walls(standing, tip).into_iter().flatten().for_each(&mut take),
        }
        highest
    }
}

/// What stands high to the left, to the right, before and behind a place, where it does so on all sides.
fn walls(standing: &Standing, place: [f64; 2]) -> Option<[usize; 4]> {
    let (near, far) = (NOZZLE_ROOM_MM, WALLS_MM);
    let side = |min: [f64; 2], max: [f64; 2]| {
        let mut cell = None;
        standing.higher_around(place, &Rectangle { min, max }, PURGE_MM + SLACK_MM, |other| cell = Some(other));
        cell
    };
    Some([
        side([-far, -near], [0.0, near])?,
        side([0.0, -near], [far, near])?,
        side([-near, -far], [near, 0.0])?,
        side([-near, 0.0], [near, far])?,
    ])
}

fn beside([x, y]: [f64; 2], probe: [f64; 3]) -> [f64; 2] {
    [x + probe[0], y + probe[1]]
}

/// What is to be said of going down there; nothing where all that stands is low and elsewhere.
fn met(does: &str, line: u64, at: [f64; 3], struck: Option<([f64; 2], f64)>, standing: &Standing) -> Option<Met> {
    let is_high = |top_mm: f64| top_mm > PURGE_MM + SLACK_MM;
    let (kind, severity, top_mm, place) = match struck {
        Some(([x, y], top_mm)) if is_high(top_mm) => (ONTO, Severity::NoGo, top_mm, [x, y, top_mm]),
        _ if is_high(standing.highest_mm()) => (BESIDE, Severity::Hold, standing.highest()?.1, at),
        Some(([x, y], top_mm)) => (ONTO_LOW, Severity::Hold, top_mm, [x, y, top_mm]),
        None => return None,
    };
    let top = figure(top_mm);
    let message = match kind {
        ONTO => format!("{does} where what the job has printed stands {top} mm high and is run into"),
        ONTO_LOW => format!("{does} onto what the job has laid there, {top} mm high"),
        _ => format!("{does} while what the job has printed still stands on the bed, {top} mm high"),
    };
    let hit = Hit {
        value: Some(top_mm),
        badness: top_mm,
        limit: Some(PURGE_MM),
        unit: "mm",
        spot: Spot::At(place),
        ..Hit::plain(&CHECK, kind, severity, line)
    };
    Some(Met { hit, message })
}

#[cfg(test)]
mod tests {
    use super::super::testing::{self, Job, machine};
    use super::*;
    use crate::block::ActionKind;
    use crate::machine::{Carriage, Head};

    const ALL: [bool; 3] = [true; 3];
    const Z: [bool; 3] = [false, false, true];

    /// A wall along y at x 100, from y 100 to 120, so high; the nozzle stands on its end, then 5 mm above.
    fn part(height_mm: f64) -> Job {
        let mut job = Job::new();
        for layer in 1..=(height_mm / 0.25).round() as u32 {
            let z = 0.25 * f64::from(layer);
            job = job.to([100.5, 100.5, z], 0.0).to([100.5, 120.5, z], 1.0);
        }
        job.to([100.5, 120.5, height_mm + 5.0], 0.0)
    }

    fn home(axes: [bool; 3], position: [f64; 3]) -> ActionKind {
        ActionKind::Home { axes, position }
    }

    fn told(job: Job, machine: &Machine) -> Vec<String> {
        let found = job.findings(&nozzle_in_print::CHECK, machine).into_iter().filter(|f| f.check == CHECK.id);
        found.map(|f| format!("{} {}", f.severity, f.value.unwrap_or(0.0))).collect()
    }

    fn with_home(home: [f64; 3]) -> Machine {
        let mut machine = machine();
        machine.travel.home = home;
        machine
    }

    #[test]
    fn homing_onto_the_part_is_a_no_go_and_beside_it_a_hold() {
        let over = with_home([100.0, 110.0, 0.0]);
        assert_eq!(told(part(12.0).act(home(ALL, over.travel.home)), &over), ["no-go 12"]);
        assert_eq!(told(part(12.0).act(home(ALL, [0.0; 3])), &machine()), ["hold 12"]);
        // Z alone is homed where the machine stands.
        assert_eq!(told(part(12.0).act(home(Z, [100.5, 120.5, 0.0])), &machine()), ["no-go 12"]);
        let away = part(12.0).to([20.0, 20.0, 17.0], 0.0).act(home(Z, [20.0, 20.0, 0.0]));
        assert_eq!(told(away, &over), ["hold 12"]);
    }

    #[test]
    fn x_and_y_alone_machines_that_home_at_the_top_and_an_empty_bed_are_silent() {
        let over = with_home([100.0, 110.0, 0.0]);
        assert_eq!(told(part(12.0).act(home([true, true, false], [100.0, 110.0, 17.0])), &over), [""; 0]);
        let top = with_home([100.0, 110.0, 180.0]);
        assert_eq!(told(part(12.0).act(home(ALL, top.travel.home)), &top), [""; 0]);
        assert_eq!(told(Job::new().act(home(ALL, over.travel.home)), &over), [""; 0]);
    }

    #[test]
    fn a_purge_line_may_stand_while_homing_unless_it_is_homed_onto() {
        assert_eq!(told(part(1.0).act(home(ALL, [0.0; 3])), &machine()), [""; 0]);
        let probed = |job: Job, touches| told(job.act(ActionKind::Probe { touches }), &machine());
        assert_eq!(probed(part(0.25), Touches::WholeBed), [""; 0]);
        let over = with_home([100.0, 110.0, 0.0]);
        assert_eq!(told(part(0.25).act(home(ALL, over.travel.home)), &over), ["hold 0.25"]);
        assert_eq!(told(part(1.25).act(home(ALL, [0.0; 3])), &machine()), ["hold 1.25"]);
    }

    #[test]
    fn probing_is_judged_by_what_it_covers_on_every_machine() {
        let top = with_home([0.0, 0.0, 180.0]);
        for machine in [machine(), top] {
            let probed = |touches| told(part(12.0).act(ActionKind::Probe { touches }), &machine);
            assert_eq!(probed(Touches::Nothing), [""; 0]);
            assert_eq!(probed(Touches::Somewhere), ["hold 12"]);
            assert_eq!(probed(Touches::Here), ["no-go 12"]);
            assert_eq!(probed(Touches::Place([100.0, 110.0])), ["no-go 12"]);
            assert_eq!(probed(Touches::Place([50.0, 50.0])), ["hold 12"]);
            assert_eq!(probed(Touches::WholeBed), ["no-go 12"]);
        }
    }

    #[test]
    fn the_probe_and_the_head_need_room_too() {
        // 24 mm to the left of the nozzle; the nozzle itself is free.
        let mut probes = with_home([124.0, 110.0, 0.0]);
        let homed = |machine: &Machine| told(part(12.0).act(home(ALL, machine.travel.home)), machine);
        assert_eq!(homed(&probes), ["hold 12"]);
        probes.probe_offset_mm = Some([-24.0, 0.0, -1.5]);
        assert_eq!(homed(&probes), ["no-go 12"]);
        // Probed is what the words say: the nozzle is 24 mm to the right of that.
        let place = |x: f64| part(12.0).act(ActionKind::Probe { touches: Touches::Place([x, 110.0]) });
        assert_eq!([100.5, 76.5, 60.0].map(|x| told(place(x), &probes).concat()), ["no-go 12", "no-go 12", "hold 12"]);
        // At home the probe is beside the travel: Z is homed elsewhere.
        probes.travel.home = [5.0, 110.0, 0.0];
        assert_eq!(homed(&probes), ["hold 12"]);
        let area = Rectangle { min: [-30.0, -20.0], max: [30.0, 40.0] };
        let carriage = Some(Carriage { above_mm: 10.0, area });
        let wide = |x: f64| Machine { head: Some(Head { cone: None, carriage }), ..with_home([x, 110.0, 0.0]) };
        assert_eq!([80.0, 60.0].map(|x| homed(&wide(x)).concat()), ["no-go 12", "hold 12"]);
    }

    #[test]
    fn no_nozzle_comes_down_between_four_walls_unless_the_head_has_room() {
        let tub = |size: f64| {
            let mut job = Job::new();
            for layer in 1..=20 {
                let z = 0.25 * f64::from(layer);
                job = job.to([100.5, 100.5, z], 0.0);
                for [x, y] in [[size, 0.0], [size, size], [0.0, size], [0.0, 0.0]] {
                    job = job.to([100.5 + x, 100.5 + y, z], 1.0);
                }
            }
            let middle = [100.5 + size / 2.0, 100.5 + size / 2.0, 0.0];
            (job.act(home(ALL, middle)), with_home(middle))
        };
        let homed = |size: f64| tub(size).0;
        assert_eq!(told(homed(50.0), &tub(50.0).1), ["no-go 5"]);
        assert_eq!(told(homed(70.0), &tub(70.0).1), ["hold 5"]);
        let area = Rectangle { min: [-20.0; 2], max: [20.0; 2] };
        let head = Some(Head { cone: None, carriage: Some(Carriage { above_mm: 2.0, area }) });
        assert_eq!(told(homed(50.0), &Machine { head, ..tub(50.0).1 }), ["hold 5"]);
        // Open on one side.
        assert_eq!(told(part(12.0).act(home(ALL, [110.0, 110.0, 0.0])), &with_home([110.0, 110.0, 0.0])), ["hold 12"]);
    }

    #[test]
    fn where_nobody_knows_the_place_it_is_a_hold() {
        let mut machine = with_home([100.0, 110.0, 0.0]);
        machine.travel.home_given = false;
        assert_eq!(told(part(12.0).act(home(ALL, machine.travel.home)), &machine), ["hold 12"]);
        let lost = part(12.0).act(ActionKind::Probe { touches: Touches::Nothing }).act(home(Z, [100.5, 120.5, 0.0]));
        assert_eq!(told(lost, &machine), ["hold 12"]);
    }

    #[test]
    fn a_wait_for_a_person_is_time_to_take_the_part_away() {
        let over = with_home([100.0, 110.0, 0.0]);
        let after = |action| told(part(12.0).act(action).act(home(ALL, over.travel.home)), &over);
        assert_eq!(after(ActionKind::Pause { open_ended: true }), [""; 0]);
        assert_eq!(after(ActionKind::Unfollowed), [""; 0]);
        assert_eq!(after(ActionKind::Pause { open_ended: false }), ["no-go 12"]);
        assert_eq!(after(ActionKind::Dwell), ["no-go 12"]);
        // Nobody was waited for since the last line.
        let laid = part(12.0).act(ActionKind::Pause { open_ended: true }).to([100.5, 110.5, 17.0], 0.0);
        let laid = laid.to([100.5, 110.5, 12.25], 0.0).to([100.5, 115.5, 12.25], 0.2);
        assert_eq!(told(laid.act(home(ALL, over.travel.home)), &over), ["no-go 12"]);
    }

    #[test]
    fn a_sheet_may_say_where_z_is_homed() {
        let goes_to = |place: Option<[f64; 2]>| {
            let mut machine = with_home([0.0; 3]);
            machine.travel.homes_z_at_mm = place;
            machine
        };
        let (onto, beside) = ([100.0, 110.0], [200.0, 10.0]);
        let homed = |axes, place: [f64; 2]| part(12.0).act(home(axes, [place[0], place[1], 0.0]));
        // The nozzle stands above the wall.
        assert_eq!(told(homed(Z, [100.5, 120.5]), &goes_to(None)), ["no-go 12"]);
        assert_eq!(told(homed(Z, beside), &goes_to(Some(beside))), ["hold 12"]);
        for axes in [Z, ALL, [true, false, true]] {
            assert_eq!(told(homed(axes, onto), &goes_to(Some(onto))), ["no-go 12"]);
        }
        // Where it is left it is probed.
        let probe = ActionKind::Probe { touches: Touches::Here };
        assert_eq!(told(homed(Z, beside).act(probe), &goes_to(Some(beside))), ["hold 12"]);
    }

    /// What is found of a job that prints a wall 5 mm high at x 100, y 100 to 120, and then does this.
    fn read(after: &str) -> String {
        let layers = (1..=20).map(|n| format!("G1 Z{:.2}\nG1 X100 Y100\nG1 X100 Y120 E1\n", 0.25 * f64::from(n)));
        let text = format!("G21\nG90\nM83\nM109 S210\nG28\nG1 F3000\n{}{after}\n", layers.collect::<String>());
        let found = testing::found(&CHECK, &with_home([0.0; 3]), &text).into_iter();
        found.map(|f| f.severity.to_string()).collect::<Vec<_>>().join(" ")
    }

    #[test]
    fn words_say_what_is_homed_and_probed() {
        for silent in
            ["G28 X Y", "G28 X0 Y0", "G28 O", "G27", "G12", "G61", "G29.1", "M0\nG28", "M600\nG29", "SWAP_PLATE\nG28"]
        {
            assert_eq!(read(silent), "", "{silent}");
        }
        // W is no axis; O homes what is not homed, as after the motors were off.
        for hold in ["G28", "G28 W", "M84\nG28 O", "G29 L0", "G32", "G30 X20 Y20", "M0 S5\nG28", "G4 S600\nG28"] {
            assert_eq!(read(hold), "hold", "{hold}");
        }
        for no_go in ["G28 Z", "G29", "G30", "G30 X100 Y110", "G91\nG1 Z20\nG90\nG28 Z"] {
            assert_eq!(read(no_go), "no-go", "{no_go}");
        }
        // On the unfinished part after a filament change, and on a bare bed after a person.
        let goes_on = "M600\nG1 X100 Y110\nG28 Z\nG1 Z30\nG1 X100 Y100\nG1 Z5.25\nG1 X100 Y120 E1";
        assert_eq!(read(goes_on), "no-go");
        assert_eq!(read(&goes_on.replace("Z5.25", "Z0.25")), "");
        // A purge line at the edge says nothing of the part; a second layer does.
        let purged = goes_on.replace("G1 Z30", "G1 Z30\nG1 X20 Y20\nG1 Z0.3\nG1 X60 E3\nG1 Z30");
        assert_eq!(read(&purged), "no-go");
        let elsewhere = "M600\nG28\nG1 X20 Y20\nG1 Z0.25\nG1 X60 E1\nG1 Z0.5\nG1 X20 E1\nG1 X100 Y110\nG1 X20 Y20";
        assert_eq!(read(elsewhere), "");
    }

    #[test]
    fn it_needs_the_heights() {
        let mut off = machine();
        off.severities.insert(nozzle_in_print::CHECK.id.to_owned(), Override::Off);
        assert!(testing::skipped(&CHECK, &off).contains("nozzle-in-print"));
    }
}
