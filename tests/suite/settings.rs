//! `gonogo sheet import` and `gonogo sheet lines` as a shell sees them.

use std::fs;
use std::path::{Path, PathBuf};

use gonogo::machine::Machine;
use snapbox::cmd::{Command as Cmd, cargo_bin};

const SAYS: &str = "corpus/settings/heron.txt";
const HERON: &str = "corpus/machines/heron.toml";

fn import(arguments: &[&str]) -> Cmd {
    sheet(&[&["import"], arguments].concat())
}

fn sheet(arguments: &[&str]) -> Cmd {
    Cmd::new(cargo_bin!("gonogo")).env_remove("GONOGO_MACHINE").env("COLUMNS", "80").arg("sheet").args(arguments)
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).expect("UTF-8")
}

/// A copy of Heron's sheet in a directory of its own.
fn copy() -> (tempfile::TempDir, PathBuf) {
    let directory = tempfile::tempdir().expect("temporary directory");
    let path = directory.path().join("heron.toml");
    fs::copy(HERON, &path).expect("copies");
    (directory, path)
}

fn shown(path: &Path) -> &str {
    path.to_str().expect("UTF-8")
}

#[test]
fn nothing_is_written_unless_asked_for() {
    let (directory, path) = copy();
    let before = fs::read_to_string(&path).expect("reads");
    for arguments in [&[SAYS][..], &[SAYS, "--into", shown(&path)], &[SAYS, "--into", shown(&path), "-o", "-"]] {
        import(arguments).assert().success();
    }
    import(&[SAYS, "-o", shown(&path)]).assert().code(2).stdout_eq("");
    assert_eq!(fs::read_to_string(&path).expect("reads"), before);
    assert_eq!(fs::read_dir(directory.path()).expect("lists").count(), 1);
}

#[test]
fn a_sheet_is_changed_in_place() {
    let (directory, path) = copy();
    let run = import(&[SAYS, "--into", shown(&path), "--write"]).assert().success().stderr_eq("");
    let page = text(&run.get_output().stdout);
    assert!(page.contains("controller.steps_per_mm.y: 80 → 160 1/mm") && page.contains("Written to "), "{page}");
    let changed = Machine::load(&path).expect("no faults");
    assert_eq!(changed.controller.steps_per_mm, [80.0, 160.0, 400.0, 31.67].map(Some));
    let comment = "# By its limit the bed may get hotter than its weak heater ever makes it.\n[bed]\n";
    assert!(fs::read_to_string(&path).expect("reads").contains(comment));
    assert_eq!(fs::read_dir(directory.path()).expect("lists").count(), 1);
    // The second time there is nothing to do.
    let run = import(&[SAYS, "--into", shown(&path), "--write"]).assert().success();
    assert!(text(&run.get_output().stdout).contains("says all this already"));
}

#[test]
fn a_new_sheet_says_what_to_fill_in() {
    let directory = tempfile::tempdir().expect("temporary directory");
    let path = directory.path().join("new.toml");
    let run = import(&[SAYS, "-o", shown(&path)]).assert().success();
    let page = text(&run.get_output().stdout).replace('\n', " ");
    assert!(page.contains("travel.x, travel.y, travel.z, tool[0].filament_diameter_mm"), "{page}");
    let run = sheet(&["show", "--machine", shown(&path)]).assert().code(2);
    assert!(text(&run.get_output().stderr).contains("`travel` lacks `x`"));
    let printed = import(&[SAYS, "-o", "-"]).assert().success();
    assert_eq!(text(&printed.get_output().stdout), fs::read_to_string(&path).expect("reads"));
    assert!(text(&printed.get_output().stderr).starts_with("line  in the text"));
    // With --write it is replaced.
    import(&["-", "-o", shown(&path), "--write"]).stdin("M92 X1").assert().success();
    assert!(fs::read_to_string(&path).expect("reads").contains("\nx = 1.0 # M92 X1, line 1\n"));
}

#[test]
fn a_merged_copy_leaves_the_sheet_alone() {
    let (directory, path) = copy();
    let other = directory.path().join("other.toml");
    import(&["--into", shown(&path), "-o", shown(&other)]).stdin("m92 x100\r\n").assert().success();
    let expected = fs::read_to_string(HERON).expect("reads").replace("{ x = 80.0, y", "{ x = 100.0, y");
    assert_eq!(fs::read_to_string(&other).expect("reads"), expected);
    assert_eq!(fs::read(&path).expect("reads"), fs::read(HERON).expect("reads"));
}

#[test]
fn a_faulty_sheet_is_told_and_left_alone() {
    let directory = tempfile::tempdir().expect("temporary directory");
    let path = directory.path().join("bad.toml");
    for (bad, told) in
        [(&b"[travel\n"[..], "not TOML"), (b"name = \"Wren\"\n", "lacks the table `travel`"), (b"\xff", "not UTF-8")]
    {
        fs::write(&path, bad).expect("writes");
        let run = import(&["--into", shown(&path), "--write"]).stdin("M92 X80").assert().code(2).stdout_eq("");
        let message = text(&run.get_output().stderr);
        assert!(message.contains(told), "{message}");
        assert_eq!(fs::read(&path).expect("reads"), bad);
    }
    import(&["--into", "no/such.toml"]).stdin("M92 X80").assert().code(2).stdout_eq("");
}

#[test]
fn nothing_readable_is_an_error() {
    for junk in [&b""[..], b"ready\n", b"\x00\xff\x1b[2J\n", b"M301 P1\n", b"M203 X12000\n"] {
        let (_directory, path) = copy();
        let run = import(&["--into", shown(&path), "--write"]).stdin(junk.to_vec()).assert().code(2);
        let message = "gonogo: standard input gives no value that a sheet can keep\n";
        assert_eq!(text(&run.get_output().stderr), message);
        assert!(!text(&run.get_output().stdout).contains('\u{1b}'));
        assert_eq!(fs::read(&path).expect("reads"), fs::read(HERON).expect("reads"));
    }
    import(&["no/such.txt"]).assert().code(2).stdout_eq("");
    import(&["corpus"]).assert().code(2).stdout_eq("");
    import(&[SAYS, "--write"]).assert().code(2).stdout_eq("");
}

#[test]
fn a_doubtful_unit_is_settled_by_an_option() {
    let says = "M203 X12000 Y12000 Z600 E3000\nM92 X80\n";
    let run = import(&[]).stdin(says).assert().success();
    let page = text(&run.get_output().stdout);
    assert!(page.contains("in mm/min it is 10 mm/s") && page.contains("--m203-per"), "{page}");
    for (unit, z) in [("minute", 10.0), ("second", 600.0)] {
        let run = import(&["--m203-per", unit, "--format", "json"]).stdin(says).assert().success();
        let table: serde_json::Value = serde_json::from_slice(&run.get_output().stdout).expect("JSON");
        assert_eq!(table.pointer("/rows/2/value").and_then(serde_json::Value::as_f64), Some(z), "{table}");
        assert_eq!(table.pointer("/rows/2/outcome"), Some(&"read".into()));
    }
}

#[test]
fn the_table_as_json_holds_every_row() {
    let run = import(&[SAYS, "--into", HERON, "--format", "json"]).assert().success();
    let table: serde_json::Value = serde_json::from_slice(&run.get_output().stdout).expect("JSON");
    let rows = table["rows"].as_array().expect("rows");
    assert_eq!(table["schema"], "gonogo.import/1");
    let changed: Vec<_> = rows.iter().filter(|row| row["outcome"] == "changed").collect();
    assert_eq!(changed.len(), 2);
    assert_eq!((&changed[0]["old"], &changed[0]["value"]), (&80.0.into(), &160.0.into()));
    assert_eq!((&changed[0]["line"], &changed[0]["text"]), (&31.into(), &"M92 Y160".into()));
    assert_eq!(table["written"], serde_json::Value::Null);
}

#[test]
fn lines_of_a_sheet_are_read_back_into_it() {
    for name in ["heron", "wren", "bittern"] {
        let path = format!("corpus/machines/{name}.toml");
        let printed = sheet(&["lines", &path]).assert().success().stderr_eq("");
        let lines = text(&printed.get_output().stdout);
        assert_eq!(lines, text(&sheet(&["lines", "--machine", &path]).assert().success().get_output().stdout));
        assert!(lines.starts_with("; Settings of ") && lines.contains("maker's documents"), "{lines}");
        let run = import(&["--into", &path, "-o", "-"]).stdin(lines).assert().success();
        assert_eq!(text(&run.get_output().stdout), fs::read_to_string(&path).expect("reads"));
    }
    sheet(&["lines", HERON, "--machine", HERON]).assert().code(2).stdout_eq("");
    sheet(&["lines", "no/such.toml"]).assert().code(2).stdout_eq("");
}

/// The sheet that README audits is what the import makes; `GONOGO_WRITE_CORPUS=1` writes it anew.
#[test]
fn the_sheet_after_the_swap_is_what_the_import_writes() {
    let run = snapbox::cmd::Command::new(snapbox::cmd::cargo_bin!("gonogo"))
        .args(["sheet", "import", "corpus/settings/heron.txt", "--into", "corpus/machines/heron.toml", "-o", "-"])
        .assert()
        .success();
    let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("corpus/settings/heron-after.toml");
    if std::env::var_os("GONOGO_WRITE_CORPUS").is_some() {
        std::fs::write(&path, &run.get_output().stdout).expect("the sheet can be written");
    }
    let kept = std::fs::read(&path).expect("the sheet is there");
    assert!(kept == run.get_output().stdout, "write corpus/settings/heron-after.toml anew");
}

#[test]
fn nothing_is_written_that_could_not_be_read_again() {
    let folder = tempfile::tempdir().expect("temporary directory");
    let path = folder.path().join("full.toml");
    let sheet = std::fs::read_to_string("corpus/machines/heron.toml").expect("a corpus sheet");
    let steps = sheet.lines().find(|line| line.starts_with("steps_per_mm")).expect("it has steps");
    // Without its steps the sheet is as large as one may be; putting them in again is too much.
    let rest = sheet.replace(&format!("{steps}\n"), "");
    let full = format!("{}{rest}", "#".repeat(gonogo::machine::SHEET_MAX_BYTES - rest.len() - 1) + "\n");
    std::fs::write(&path, &full).expect("writes");
    let path = path.display().to_string();
    gonogo::machine::Machine::load(path.as_ref()).expect("it is a sheet");
    let output = import(&["corpus/settings/heron.txt", "--into", &path, "--write"]).output().expect("runs");
    let told = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(2), "{told}");
    assert!(told.contains("nothing is written: ") && told.contains("a machine sheet has at most"), "{told}");
    assert_eq!(std::fs::read_to_string(&path).expect("reads"), full);
}
