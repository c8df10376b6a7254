//! What the checks that ask for the levels of a job share: they are followed once, however many ask.

use super::heat;
use crate::block::Block;
use crate::findings::{Built, Inspection, Log, Observer};
use crate::machine::Machine;
use crate::physics::levels::Levels;

/// Judges the levels of a job at its end.
pub type OnLevels = fn(&Levels, &Inspection, &mut Log);

/// Nothing to judge without a bore.
pub fn build(machine: &Machine, judge: OnLevels) -> Built {
    if heat::per_tool(machine, |tool| tool.nozzle_diameter_mm).iter().all(Option::is_none) {
        return Built::Skipped("the sheet gives no `[[tool]] nozzle_diameter_mm`".to_owned());
    }
    Built::OnLevels(judge)
}

/// Follows the levels for those who judge them.
pub struct FollowLevels {
    levels: Levels,
    judges: Vec<OnLevels>,
}

impl FollowLevels {
    pub fn new(machine: &Machine, judges: Vec<OnLevels>) -> Self {
        Self { levels: Levels::new(machine), judges }
    }
}

impl Observer for FollowLevels {
    fn observe(&mut self, block: &Block, _log: &mut Log) {
        self.levels.follow(block);
    }

    fn finish(&mut self, draft: &mut Inspection, log: &mut Log) {
        self.levels.end();
        self.judges.iter().for_each(|judge| judge(&self.levels, draft, log));
    }
}

#[cfg(test)]
mod tests {
    use super::super::testing::{Job, machine, tool};
    use super::super::{layers_too_high, lines_too_thin, prints_in_air};
    use crate::findings::{Check, Finding};
    use crate::machine::{Machine, Rectangle};
    use crate::physics::levels::{Level, Levels};

    const CHECKS: [&Check; 3] = [&prints_in_air::CHECK, &layers_too_high::CHECK, &lines_too_thin::CHECK];

    /// Moves to be made a job of, which is too large to be handed on move by move.
    #[derive(Default)]
    struct Drawn(Vec<Step>);

    enum Step {
        To([f64; 3], f64),
        Filament(f64),
        Tool(u32, usize),
    }

    impl Drawn {
        fn with(mut self, step: Step) -> Self {
            self.0.push(step);
            self
        }

        fn to(self, end: [f64; 3], de: f64) -> Self {
            self.with(Step::To(end, de))
        }

        fn filament(self, de: f64) -> Self {
            self.with(Step::Filament(de))
        }

        fn tool(self, number: u32, index: usize) -> Self {
            self.with(Step::Tool(number, index))
        }

        fn job(&self) -> Job {
            let mut job = Job::new();
            for step in &self.0 {
                job = match *step {
                    Step::To(end, de) => job.to(end, de),
                    Step::Filament(de) => job.filament(de),
                    Step::Tool(number, index) => job.tool(number, index),
                };
            }
            job
        }
    }

    /// A ring of four sides of 20 mm with lines of so many mm².
    fn ring_at(job: Drawn, [x, y]: [f64; 2], z_mm: f64, section_mm2: f64) -> Drawn {
        let job = job.to([x, y, z_mm], 0.0);
        let corners = [[x + 20.0, y], [x + 20.0, y + 20.0], [x, y + 20.0], [x, y]];
        corners.into_iter().fold(job, |job, [x, y]| lay(job, [x, y, z_mm], 20.0, section_mm2))
    }

    fn ring(job: Drawn, z_mm: f64, section_mm2: f64) -> Drawn {
        ring_at(job, [50.0, 50.0], z_mm, section_mm2)
    }

    fn lay(job: Drawn, to: [f64; 3], length_mm: f64, section_mm2: f64) -> Drawn {
        job.to(to, section_mm2 * length_mm / crate::physics::filament_area_mm2(1.75))
    }

    /// Rings at these heights, with lines as wide as the bore of 0.4 mm at 0.2 mm.
    fn rings(heights_mm: impl IntoIterator<Item = f64>) -> Drawn {
        heights_mm.into_iter().fold(Drawn::default(), |job, z_mm| ring(job, z_mm, 0.08))
    }

    fn steps(from_mm: f64, step_mm: f64, count: u32) -> impl Iterator<Item = f64> + Clone {
        (1..=count).map(move |n| from_mm + step_mm * f64::from(n))
    }

    /// What all three find.
    fn found_on(machine: &Machine, job: impl Fn() -> Drawn) -> Vec<Finding> {
        CHECKS.into_iter().flat_map(|check| job().job().findings(check, machine)).collect()
    }

    fn found(job: impl Fn() -> Drawn) -> Vec<(String, Option<u64>, f64, f64)> {
        let rounded = |value: Option<f64>| (value.unwrap() * 1e6).round() / 1e6;
        let told = |found: Finding| (found.check.to_string(), found.line, rounded(found.value), rounded(found.limit));
        found_on(&machine(), job).into_iter().map(told).collect()
    }

    #[test]
    fn a_first_layer_far_above_the_bed_is_in_the_air() {
        let job = || rings(steps(5.0, 0.2, 5));
        assert_eq!(found(job), [("prints-in-air".to_owned(), Some(2), 5.2, 0.8)]);
        let message = &found_on(&machine(), job)[0].message;
        assert_eq!(message, "The first layer lies 5.2 mm above the bed: nothing is below it.");
        assert!(found(|| rings(steps(0.6, 0.2, 5))).is_empty(), "0.8 mm are 2 bores");
        assert_eq!(found(|| rings(steps(0.61, 0.2, 5))).len(), 1);
        assert_eq!(found(|| rings([5.2])).len(), 1, "a single layer too");
    }

    #[test]
    fn a_gap_between_layers_is_in_the_air_and_the_lowest_is_told() {
        let gap = || rings(steps(0.0, 0.2, 5).chain(steps(6.0, 0.2, 5)).chain(steps(20.0, 0.2, 5)));
        assert_eq!(found(gap), [("prints-in-air".to_owned(), Some(27), 5.2, 0.8)]);
        let message = &found_on(&machine(), gap)[0].message;
        assert_eq!(message, "Between z 1 and 6.2 mm nothing is printed, and 67 % of what is laid lies above.");
        // A lift that is never taken back, layer after layer.
        let lifted = || rings(steps(0.0, 5.2, 6));
        assert_eq!(found(lifted), [("prints-in-air".to_owned(), Some(2), 5.2, 0.8)]);
        // 2 of 22 layers are less than a tenth.
        assert!(found(|| rings(steps(0.0, 0.2, 20).chain(steps(10.0, 0.2, 2)))).is_empty());
    }

    #[test]
    fn what_cleans_the_nozzle_up_in_the_air_is_no_print() {
        let line = |job: Drawn, [x, y, z]: [f64; 3], section_mm2| {
            lay(job.to([x, y, z], 0.0), [x + 60.0, y, z], 60.0, section_mm2)
        };
        let print = |job| steps(0.0, 0.2, 4).fold(job, |job, z_mm| ring(job, z_mm, 0.08));
        // 14 and 25 mm³ before 25.6 mm³ of print: a line at one height.
        assert!(found(|| print(line(Drawn::default(), [5.0, 5.0, 10.0], 0.24))).is_empty());
        assert!(found(|| print(line(Drawn::default(), [5.0, 5.0, 10.0], 0.42))).is_empty());
        // More than that is no line of this nozzle.
        assert!(found(|| print(line(Drawn::default(), [5.0, 5.0, 10.0], 0.7))).is_empty());
        assert!(found(|| print(Drawn::default().to([5.0, 5.0, 10.0], 0.0).filament(60.0))).is_empty());
        // Beside the bed, at two heights that follow one another.
        let mut sheet = machine();
        let beside = || print(line(line(Drawn::default(), [5.0, 5.0, 10.0], 0.4), [5.0, 5.0, 10.2], 0.4));
        assert_eq!(found_on(&sheet, beside).len(), 1);
        sheet.travel.printable = Some(Rectangle { min: [20.0, 20.0], max: [180.0, 180.0] });
        assert!(found_on(&sheet, beside).is_empty());
    }

    #[test]
    fn a_purge_line_is_no_level_below_the_print() {
        let purged = |rings_mm: &[f64]| {
            let purge = lay(Drawn::default().to([2.0, 5.0, 0.3], 0.0), [2.0, 105.0, 0.3], 100.0, 0.3);
            rings_mm.iter().fold(purge, |job, z_mm| ring(job, *z_mm, 0.08))
        };
        assert_eq!(found(|| purged(&[1.0, 1.2]))[0].0, "prints-in-air");
        assert_eq!(found(|| purged(&[5.0]))[0].0, "prints-in-air");
        assert!(found(|| purged(&[0.3, 0.5])).is_empty() && found(|| purged(&[0.2, 0.4])).is_empty());
        // A tail that rises to where the print begins is no more of one.
        let with_tail = |rings_mm: &[f64]| {
            let purge = lay(Drawn::default().to([2.0, 5.0, 0.3], 0.0), [2.0, 105.0, 0.3], 100.0, 0.3);
            let purge = lay(lay(purge, [2.0, 108.0, 0.7], 3.0, 0.3), [2.0, 110.0, 1.0], 2.0, 0.1);
            rings_mm.iter().fold(purge, |job, z_mm| ring(job, *z_mm, 0.08))
        };
        assert_eq!(found(|| with_tail(&[1.0, 1.2]))[0].0, "prints-in-air");
        assert!(found(|| with_tail(&[0.3, 0.5])).is_empty() && found(|| with_tail(&[0.2, 0.4])).is_empty());
    }

    #[test]
    fn layers_higher_than_the_bore_are_found_whatever_the_first_is() {
        let high = |step_mm: f64| move || rings(steps(0.2 - step_mm, step_mm, 5));
        assert!(found(high(0.4)).is_empty());
        assert_eq!(found(high(0.42)), [("layers-too-high".to_owned(), Some(7), 0.42, 0.4)]);
        // Sliced for three times the bore: higher than 2 bores, and no gaps.
        assert_eq!(found(high(0.9)), [("layers-too-high".to_owned(), Some(7), 0.9, 0.4)]);
        // Half of five layers at least, and two: single steps and first layers do not count.
        assert!(found(|| rings([0.3, 0.9])).is_empty());
        assert!(found(|| rings([0.2, 0.65, 1.1, 1.3, 1.5])).is_empty());
        assert_eq!(found(|| rings([0.2, 0.65, 1.1, 1.55, 1.75])).len(), 1);
    }

    #[test]
    fn lines_of_less_than_half_of_bore_times_height_are_thin() {
        let layers = |section_mm2: f64| {
            move || steps(0.0, 0.2, 5).fold(Drawn::default(), |job, z_mm| ring(job, z_mm, section_mm2))
        };
        assert!(found(layers(0.0401)).is_empty());
        assert_eq!(found(layers(0.0399)), [("lines-too-thin".to_owned(), Some(2), 0.0399, 0.04)]);
        // 0.081 mm² of a line 0.45 mm wide, sliced for filament of 2.85 mm and fed with 1.75 mm.
        assert_eq!(found(layers(0.081 * (1.75f64 / 2.85).powi(2))).len(), 1);
        assert!(found(layers(0.081 * (1.75f64 / 2.85))).is_empty());
        // Two of five layers are 40 %, three are 60 % by volume only if as much is laid there.
        let mixed = |thin: u32, section_mm2: f64| {
            move || {
                let job = (1..=5 - thin).fold(Drawn::default(), |job, n| ring(job, 0.2 * f64::from(n), 0.05));
                steps(0.2 * f64::from(5 - thin), 0.2, thin).fold(job, |job, z_mm| ring(job, z_mm, section_mm2))
            }
        };
        assert!(found(mixed(2, 0.039)).is_empty() && found(mixed(3, 0.02)).is_empty());
        assert_eq!(found(mixed(3, 0.039))[0].1, Some(12));
        // Fewer than ten lines are none.
        assert!(found(|| ring(ring(Drawn::default(), 0.2, 0.01), 0.4, 0.01)).is_empty());
    }

    #[test]
    fn a_purge_line_does_not_hide_thin_lines() {
        let job = || {
            let purge = lay(Drawn::default().to([2.0, 5.0, 0.2], 0.0), [2.0, 105.0, 0.2], 100.0, 0.3);
            steps(0.0, 0.2, 5).fold(purge, |job, z_mm| ring(job, z_mm, 0.02))
        };
        assert_eq!(found(job).len(), 1, "8 mm³ of print, 30 mm³ beside it");
    }

    #[test]
    fn real_kinds_of_jobs_are_quiet() {
        let quiet = |what: &str, job: &dyn Fn() -> Drawn| assert_eq!(found(job), [], "{what}");
        let vase = |rise_mm: f64, section_mm2: f64| {
            move || {
                (0..400).fold(rings(steps(0.0, 0.2, 2)), |job, n| {
                    let [x, y] = [[70.0, 50.0], [70.0, 70.0], [50.0, 70.0], [50.0, 50.0]][n % 4];
                    lay(job, [x, y, 0.4 + rise_mm * (n + 1) as f64], 20.0, section_mm2)
                })
            }
        };
        quiet("a vase", &vase(0.05, 0.07));
        quiet("a vase that rises by 0.6 mm a turn, whose layers cannot be told", &vase(0.15, 0.2));
        quiet("a strut that rises steeply", &|| lay(rings(steps(0.0, 0.2, 5)), [60.0, 60.0, 30.0], 30.0, 0.08));
        // Rings 1.2 mm apart, and between them strands that climb in pieces of 0.6 mm and come down at once.
        let strands = |around_mm: f64| {
            move || {
                (0..8).fold(rings([0.2]), |job, n| {
                    let z = 0.2 + 1.2 * f64::from(n);
                    let job = (0..16).fold(job, |job, k| {
                        let x = 50.0 + f64::from(k);
                        let job = lay(lay(job, [x, 50.0, z + 0.6], 0.6, 0.1), [x, 50.5, z + 1.2], 0.8, 0.1);
                        lay(job, [x + 1.0, 50.0, z], 1.6, 0.1)
                    });
                    lay(job.to([50.0, 50.0, z + 1.2], 0.0), [50.0 + around_mm, 50.0, z + 1.2], around_mm, 0.1)
                })
            }
        };
        quiet("strands that stand free between rings", &strands(20.0));
        assert_eq!(found(strands(80.0))[0].0, "layers-too-high", "more rings than strands");
        quiet("a line that comes down from a post to the bed", &|| {
            lay(Drawn::default().to([50.0, 50.0, 20.0], 0.0), [90.0, 50.0, 0.3], 44.6, 0.08)
        });
        quiet("ironing at a tenth of the flow, four times as long as the lines", &|| {
            steps(0.0, 0.2, 5)
                .fold(Drawn::default(), |job, z_mm| (0..4).fold(ring(job, z_mm, 0.08), |job, _| ring(job, z_mm, 0.008)))
        });
        quiet("a raft with a gap", &|| {
            let raft = ring(ring(ring(Drawn::default(), 0.3, 0.2), 0.6, 0.2), 0.8, 0.08);
            steps(1.3 - 0.2, 0.2, 5).fold(raft, |job, z_mm| ring(job, z_mm, 0.08))
        });
        quiet("parts one after another", &|| {
            let part = |job, x| steps(0.0, 0.3, 20).fold(job, |job, z_mm| ring_at(job, [x, 50.0], z_mm, 0.12));
            part(part(Drawn::default(), 20.0).to([120.0, 50.0, 20.0], 0.0), 120.0)
        });
        quiet("the second part ten times as high as the first", &|| {
            let part =
                |job, x, count| steps(0.0, 0.2, count).fold(job, |job, z_mm| ring_at(job, [x, 50.0], z_mm, 0.08));
            part(part(Drawn::default(), 20.0, 5), 120.0, 50)
        });
        quiet("adaptive layers", &|| {
            let heights_mm = [0.2, 0.48, 0.76, 1.04, 1.14, 1.2, 1.26, 1.36, 1.64, 1.92, 2.2];
            heights_mm.into_iter().fold(Drawn::default(), |job, z_mm| ring(job, z_mm, 0.1))
        });
        quiet("hops, and a wipe that rises while it pushes a little", &|| {
            steps(0.0, 0.3, 10).fold(Drawn::default(), |job, z_mm| {
                let job = ring(job, z_mm, 0.12);
                let job = lay(job, [52.0, 50.0, z_mm + 0.15], 2.0, 0.01);
                job.to([52.0, 50.0, z_mm + 3.0], 0.0).to([90.0, 90.0, z_mm + 3.0], 0.0)
            })
        });
        quiet("infill of three layers at a time", &|| {
            steps(0.0, 0.1, 30).enumerate().fold(Drawn::default(), |job, (n, z_mm)| {
                let job = ring(job, z_mm, 0.04);
                if n % 3 == 2 { ring_at(job, [55.0, 55.0], z_mm, 0.12) } else { job }
            })
        });
        quiet("thin walls of 0.7 bores and filled gaps", &|| {
            steps(0.0, 0.2, 5).fold(Drawn::default(), |job, z_mm| ring(ring(job, z_mm, 0.7 * 0.4 * 0.2), z_mm, 0.015))
        });
        quiet("a bed of glass 0.5 mm thick", &|| rings(steps(0.5, 0.2, 5)));
    }

    #[test]
    fn no_sum_hangs_on_where_blocks_are_cut() {
        let job = |cut_every: usize| {
            let mut random = crate::vectors::columns::without_pattern(3);
            let mut share = move || (random() >> 40) as f64 / (1u64 << 24) as f64;
            (0..900).fold(Drawn::default(), |job, n| {
                let job = if n % cut_every == 0 { job.tool(0, 0) } else { job };
                let z_mm = 0.2 * f64::from(1 + n as u32 / 60) + if share() < 0.03 { 0.1 * share() } else { 0.0 };
                let to = [100.0 * share(), 100.0 * share(), z_mm];
                if share() < 0.2 { job.to(to, 0.0) } else { lay(job, to, 50.0, 0.1 * share()) }
            })
        };
        let sums = |cut_every: usize| {
            let mut levels = Levels::new(&machine());
            job(cut_every).job().into_blocks().iter().for_each(|block| levels.follow(block));
            levels.end();
            let level = |level: &Level| (level.z_mm, level.lowest_mm, level.volume_mm3(), level.begin.line);
            let all: Vec<_> = levels.all().map(level).collect();
            let (thin, high) = (levels.thin(), levels.high());
            let sums = (thin.sections_mm2(), thin.volume_mm3(), high.volume_mm3(), high.levels, levels.laid_mm3(0.0));
            (all, sums, thin.begin, high.begin)
        };
        let whole = sums(usize::MAX);
        assert!(whole.0.len() > 15 && whole.1.1 > 0.0);
        assert_eq!(sums(1), whole);
        assert_eq!(sums(7), whole);
    }

    #[test]
    fn the_number_of_levels_has_a_bound() {
        let mut sheet = machine();
        sheet.travel.max[2] = 1e6;
        let mut levels = Levels::new(&sheet);
        let job = (1..200_000)
            .fold(Drawn::default(), |job, n| lay(job, [f64::from(n % 2), 0.0, 13.0 * f64::from(n)], 1.0, 0.1));
        job.job().into_blocks().iter().for_each(|block| levels.follow(block));
        levels.end();
        assert!(levels.all().count() <= 65_537);
    }

    #[test]
    fn each_tool_is_held_against_its_own_bore() {
        let mut sheet = machine();
        sheet.tools.push(crate::machine::Tool { nozzle_diameter_mm: Some(0.8), ..tool() });
        // Walls of 0.2 mm by the first, and filling of 0.6 mm every third layer by the second.
        let job = |filled_by: usize| {
            move || {
                (1..=12).fold(Drawn::default(), |job, n| {
                    let z_mm = 0.2 * f64::from(n);
                    let job = ring(job, z_mm, 0.08);
                    if n % 3 > 0 {
                        return job;
                    }
                    ring(job.tool(filled_by as u32, filled_by), z_mm, 0.24).tool(0, 0)
                })
            }
        };
        assert!(found_on(&sheet, job(1)).is_empty() && found_on(&sheet, job(0)).is_empty());
        // Layers of 0.6 mm all by one.
        let all = |by: usize| {
            move || steps(0.0, 0.6, 5).fold(Drawn::default().tool(by as u32, by), |job, z_mm| ring(job, z_mm, 0.3))
        };
        assert!(found_on(&sheet, all(1)).is_empty());
        assert_eq!(found_on(&sheet, all(0))[0].limit, Some(0.4));
        // 0.05 mm² at 0.2 mm are enough for 0.4 mm, and not for 0.8 mm.
        let thin = |by: usize| {
            move || steps(0.0, 0.2, 5).fold(Drawn::default().tool(by as u32, by), |job, z_mm| ring(job, z_mm, 0.05))
        };
        assert!(found_on(&sheet, thin(0)).is_empty());
        assert!((found_on(&sheet, thin(1))[0].limit.unwrap() - 0.08).abs() < 1e-9);
        // 1.2 mm above the bed are a gap for 0.4 mm only.
        let above = |by: usize| {
            move || steps(1.0, 0.2, 5).fold(Drawn::default().tool(by as u32, by), |job, z_mm| ring(job, z_mm, 0.16))
        };
        assert_eq!((found_on(&sheet, above(0)).len(), found_on(&sheet, above(1)).len()), (1, 0));
        // A tool without a bore is not judged.
        sheet.tools[0].nozzle_diameter_mm = None;
        assert!(
            found_on(&sheet, all(0)).is_empty()
                && found_on(&sheet, thin(0)).is_empty()
                && found_on(&sheet, above(0)).is_empty()
        );
    }
}
