//! What README.md shows is what the program does: its console blocks, its sheet, its picture.

use std::fs;
use std::path::{Path, PathBuf};

use gonogo::machine::Machine;
use gonogo::preflight::{JobSource, Preflight};
use gonogo::show::report::{
    Look, Report,
    text::{Extent, TextReport},
};
use snapbox::cmd::{Command as Cmd, cargo_bin};

pub fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).to_owned()
}

/// `TRYCMD=overwrite cargo test readme` writes the program's answers into README.md.
#[test]
fn console_blocks() {
    // README's ledger begins anew each time.
    let ledger = root().join("shop.ledger");
    let _ = fs::remove_file(&ledger);
    trycmd::TestCases::new().env("COLUMNS", "80").env("LC_ALL", "C.UTF-8").case("README.md").run();
    let _ = fs::remove_file(&ledger);
}

#[test]
fn the_sheet_is_valid() {
    let readme = fs::read_to_string(root().join("README.md")).unwrap();
    let sheet = readme.split("```toml\n").nth(1).and_then(|rest| rest.split("```").next()).unwrap();
    assert_eq!(Machine::parse("README.md", sheet).map(|machine| machine.name).as_deref(), Ok("Heron"));
    let checks = readme.split("```toml\n").nth(2).and_then(|rest| rest.split("```").next()).unwrap();
    assert!(Machine::parse("README.md", &format!("{sheet}\n{checks}")).is_ok());
}

/// `GONOGO_WRITE_PICTURES=1 cargo test picture` draws it anew.
#[test]
fn the_picture_is_the_report() {
    let root = root();
    // Tests run at the root of the package; the report shows paths as they are given.
    let machine = Machine::load(Path::new("corpus/machines/heron.toml")).unwrap();
    let job = fs::read("corpus/jobs/heron-hook.gcode").unwrap();
    let report = Preflight::on(&machine).run(JobSource::stream(&job[..], "corpus/jobs/heron-hook.gcode")).unwrap();
    let mut text = Vec::new();
    let mut renderer = TextReport::new(Look { width: 80, color: true }, Extent { letters: true, details: false });
    let mut totals = gonogo::study::matrix::Totals::new([], gonogo::Verdict::NoGo);
    let judged = Ok(vec![report]);
    totals.count(&judged);
    renderer.add(&judged, &mut text).unwrap();
    renderer.finish(&totals, &mut text).unwrap();
    let drawn = anstyle_svg::Term::new().render_svg(std::str::from_utf8(&text).unwrap());
    same_picture(&root.join("corpus/pictures/report.svg"), &drawn);
}

/// What `gonogo check corpus/jobs/heron-hook.gcode --machine corpus/machines/heron.toml --plot` draws.
#[test]
fn the_picture_of_a_job_is_what_the_command_draws() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("job.svg");
    let machine = ["--machine", "corpus/machines/heron.toml"];
    let run = Cmd::new(cargo_bin!("gonogo"))
        .current_dir(root())
        .args(["check", "corpus/jobs/heron-hook.gcode"])
        .args(machine)
        .arg("--plot")
        .arg(&file)
        .output()
        .unwrap();
    assert_eq!(run.status.code(), Some(1), "{}", String::from_utf8_lossy(&run.stderr));
    same_picture(&root().join("corpus/pictures/job.svg"), &fs::read_to_string(&file).unwrap());
}

/// The picture in the repository is the one that was drawn.
pub fn same_picture(path: &Path, drawn: &str) {
    if std::env::var_os("GONOGO_WRITE_PICTURES").is_some() {
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, drawn).unwrap();
    }
    assert!(fs::read_to_string(path).unwrap() == drawn, "draw {} anew", path.display());
}

#[test]
fn the_picture_is_the_spectrum() {
    let directory = tempfile::tempdir().unwrap();
    let drawn = directory.path().join("spectrum.svg");
    let job = ["resonance", "corpus/jobs/heron-gap.gcode", "--machine", "corpus/machines/heron.toml", "--once", "-q"];
    Cmd::new(cargo_bin!("gonogo")).args(job).arg("--plot").arg(&drawn).assert().success();
    same_picture(&root().join("corpus/pictures/spectrum.svg"), &fs::read_to_string(&drawn).unwrap());
}
