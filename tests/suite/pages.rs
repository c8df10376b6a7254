//! Pages: their size whatever the job, and what they draw.

use std::fmt::Write;
use std::ops::ControlFlow;

use gonogo::machine::Machine;
use gonogo::preflight::RunContext;
use gonogo::show::page::{self, DRAWING_POINTS, PAGE_BYTES};
use gonogo::show::picture::{PictureOptions, Pictured};
use gonogo::threads::HelperPool;

use crate::support::corpus_machine;

/// One layer of short dashes with a travel before each, of so many bytes.
fn dashes(bytes: usize) -> String {
    let mut job = "G28\nM109 S200\nM83\nG1 Z0.2 F600\n".to_owned();
    let mut k = 0u32;
    while job.len() < bytes {
        let (x, y) = (10.0 + f64::from(k % 500) * 0.3, 10.0 + f64::from(k / 500 % 500) * 0.3);
        writeln!(job, "G0 X{x:.3} Y{y:.3}\nG1 X{:.3} Y{:.3} E0.01", x + 0.2, y + 0.05).expect("memory");
        k += 1;
    }
    job
}

fn pictured(job: &str, machine: &Machine) -> Pictured {
    let file = tempfile::NamedTempFile::new().expect("a file");
    std::fs::write(file.path(), job).expect("writes");
    let options = PictureOptions { most_points: DRAWING_POINTS, only_layer: None, spectrum: true };
    Pictured::take(
        file.path(),
        "job.gcode",
        machine,
        options,
        RunContext::new(&|_| ControlFlow::Continue(()), &HelperPool::alone()),
    )
    .expect("reads")
}

fn page(pictured: Pictured, machine: &Machine) -> String {
    let mut bytes = Vec::new();
    page::job(pictured, machine, &mut bytes).expect("a page");
    String::from_utf8(bytes).expect("UTF-8")
}

#[test]
fn a_page_of_nothing_but_dashes_stays_small_and_says_what_it_leaves_out() {
    let machine = corpus_machine("heron");
    for bytes in [3_000_000, 12_000_000] {
        let taken = pictured(&dashes(bytes), &machine);
        let layer = &taken.drawing.layers[0];
        let begun = layer.begun[0];
        // Room is what memory goes by: 16 bytes a point, and paths count as two.
        assert!(taken.drawing.room() <= DRAWING_POINTS, "{}", taken.drawing.room());
        assert!(begun as usize > bytes / 50 && taken.drawing.points() == 2 * taken.drawing.paths());
        let still = taken.plan_svg(&machine, (1000, 800), 1).expect("a picture");
        assert!(still.len() < 1_500_000, "{}", still.len());
        assert!(still.contains("lines drawn"));
        let page = page(taken, &machine);
        assert!(page.len() <= PAGE_BYTES, "{}", page.len());
        // The smaller one is thinned on the still picture alone.
        let said = page.split("There are more lines than fit").nth(1).map(|said| &said[..200]);
        assert_eq!(said.is_some(), bytes > 5_000_000);
        let all = format!("of {} lines", grouped(begun));
        assert!(said.is_none_or(|said| said.contains(&all)), "{all}: {said:?}");
    }
}

/// Digits in groups of three.
fn grouped(count: u64) -> String {
    let digits = count.to_string();
    let groups: Vec<_> =
        digits.as_bytes().rchunks(3).rev().map(|group| std::str::from_utf8(group).expect("digits")).collect();
    groups.join(" ")
}

#[test]
fn two_tools_are_drawn_where_the_report_says_that_filament_is_laid() {
    let machine = corpus_machine("bittern");
    let job = std::fs::read_to_string("corpus/jobs/bittern-tag.gcode").expect("a corpus job");
    let taken = pictured(&job, &machine);
    let mut found = [[f64::INFINITY; 2], [f64::NEG_INFINITY; 2]];
    for (path, points) in taken.drawing.layers.iter().flat_map(|layer| layer.strokes()) {
        for point in points.iter().filter(|_| !path.travel) {
            for (axis, steps) in [point.x, point.y].into_iter().enumerate() {
                let mm = f64::from(steps) * 0.01;
                found = [
                    [0, 1].map(|k| if k == axis { found[0][k].min(mm) } else { found[0][k] }),
                    [0, 1].map(|k| if k == axis { found[1][k].max(mm) } else { found[1][k] }),
                ];
            }
        }
    }
    let laid = taken.report.extruding.expect("something is laid");
    for axis in 0..2 {
        assert!((found[0][axis] - laid.min[axis]).abs() < 0.06, "{found:?} {laid:?}");
        assert!((found[1][axis] - laid.max[axis]).abs() < 0.06, "{found:?} {laid:?}");
    }
}

#[test]
fn pages_of_a_folder_share_what_is_the_same_in_all() {
    let machine = corpus_machine("heron");
    let job = std::fs::read_to_string("corpus/jobs/heron-hook.gcode").expect("a corpus job");
    let taken = pictured(&job, &machine);
    let alone = page(taken.clone(), &machine);
    let mut shared = Vec::new();
    page::job_in_folder(taken, &machine, &mut shared).expect("a page");
    let shared = String::from_utf8(shared).expect("UTF-8");
    let mut inside = 0;
    for file in page::shared_files() {
        assert!(shared.contains(&format!("\"{}\"", file.name)), "{}", file.name);
        assert!(alone.contains(&file.text) && !shared.contains(&file.text), "{}", file.name);
        // Another content would have another name.
        assert!(file.name.contains(&blake3::hash(file.text.as_bytes()).to_hex()[..16]), "{}", file.name);
        inside += file.text.len();
    }
    // But for a few tags there is no other difference.
    let less = alone.len() - shared.len();
    assert!(less + 500 > inside && less < inside, "{less} of {inside}");
}

#[test]
fn a_job_on_several_machines_is_pictured_as_on_each_alone() {
    let machines = ["heron", "wren"].map(corpus_machine);
    let path = std::path::Path::new("corpus/jobs/heron-gap.gcode");
    let on_bytes = |_| ControlFlow::Continue(());
    let helpers = HelperPool::alone();
    let context = || RunContext::new(&on_bytes, &helpers);
    let options = PictureOptions { most_points: DRAWING_POINTS, only_layer: None, spectrum: true };
    let all: Vec<&Machine> = machines.iter().collect();
    let together = Pictured::take_on_all(path, "job.gcode", &all, options, context()).expect("reads");
    for (machine, together) in machines.iter().zip(together) {
        let alone = Pictured::take(path, "job.gcode", machine, options, context()).expect("reads");
        assert!(alone.spectrum.is_some() && page(alone, machine) == page(together, machine), "{}", machine.name);
    }
}
