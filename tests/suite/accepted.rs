//! Accepted findings from the command line, and the recipes of README.md.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

use gonogo::accepted::Accepted;
use snapbox::cmd::cargo_bin;
use tempfile::TempDir;

/// A workshop of its own: Heron's sheet and some of its jobs.
struct Workshop(TempDir);

impl Workshop {
    fn new(jobs: &[&str]) -> Self {
        let place = Self(tempfile::tempdir().expect("temporary directory"));
        place.write("gonogo.toml", &corpus_sheet());
        jobs.iter().for_each(|job| place.write(job, &corpus(job)));
        place
    }

    fn path(&self, name: &str) -> PathBuf {
        self.0.path().join(name)
    }

    fn write(&self, name: &str, text: &str) {
        fs::write(self.path(name), text).expect("writes");
    }

    fn accepted(&self) -> String {
        fs::read_to_string(self.path("gonogo.accepted.toml")).expect("is there")
    }

    fn gonogo(&self, args: &[&str]) -> (i32, String, String) {
        let mut command = Command::new(cargo_bin!("gonogo"));
        said(command.args(args).current_dir(self.0.path()).env_remove("GONOGO_MACHINE").env("COLUMNS", "80"))
    }

    /// What a check says on that day.
    fn check(&self, job: &str, format: &str, day: &str) -> (i32, String) {
        let (code, out, err) = self.gonogo(&["check", job, "--format", format, "--today", day]);
        assert_eq!(err, "");
        (code, out)
    }

    fn json(&self, job: &str, day: &str) -> serde_json::Value {
        serde_json::from_str(&self.check(job, "json", day).1).expect("JSON")
    }
}

fn corpus_sheet() -> String {
    fs::read_to_string("corpus/machines/heron.toml").expect("a corpus sheet")
}

fn corpus(job: &str) -> String {
    fs::read_to_string(Path::new("corpus/jobs").join(job)).expect("a corpus job")
}

fn said(command: &mut Command) -> (i32, String, String) {
    let Output { status, stdout, stderr } = command.output().expect("runs");
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).expect("UTF-8");
    (status.code().expect("ends by itself"), text(stdout), text(stderr))
}

/// A page without its line breaks.
fn words(page: &str) -> String {
    page.split_whitespace().collect::<Vec<_>>().join(" ")
}

const DAY: &str = "2026-11-25";

#[test]
fn accepting_all_that_holds_a_job_makes_it_go_until_that_day() {
    let shop = Workshop::new(&["heron-gap.gcode"]);
    assert_eq!(shop.json("heron-gap.gcode", DAY)["verdict"], "hold");
    for check in ["rings-frame", "drives-resonance"] {
        let because =
            ["--because", "the \"gap\" is meant to ring", "--by", "K.", "--until", "2027-01-31", "--today", DAY];
        let (code, out, err) = shop.gonogo(&[&["accept", "heron-gap.gcode", "--check", check][..], &because].concat());
        assert_eq!((code, err.as_str()), (0, ""));
        assert!(out.contains("gonogo.accepted.toml") && out.contains(check), "{out}");
    }
    let judged = shop.json("heron-gap.gcode", "2027-01-31");
    assert_eq!((&judged["verdict"], &judged["acceptance"]["findings"]), (&"go".into(), &2.into()));
    assert_eq!(judged["findings"][0]["accepted"]["because"], "the \"gap\" is meant to ring");
    assert_eq!(
        (&judged["acceptance"]["unsafe_findings"], &judged["acceptance"]["remarks"]),
        (&0.into(), &serde_json::json!([]))
    );
    let (code, page) = shop.check("heron-gap.gcode", "text", DAY);
    assert!(code == 0 && words(&page).contains("except for 2 accepted findings"), "{page}");
    assert!(page.contains("✓ accepted hold line 18"), "{page}");

    let late = shop.json("heron-gap.gcode", "2027-02-01");
    assert_eq!((&late["verdict"], late["acceptance"]["remarks"].as_array().map(Vec::len)), (&"hold".into(), Some(2)));
    let (_, page) = shop.check("heron-gap.gcode", "text", "2027-02-01");
    assert!(page.contains("accepted   – ") && words(&page).contains("was accepted until 2027-01-31"), "{page}");

    let before = shop.accepted();
    shop.write("gonogo.accepted.toml", &format!("# Reviewed by K.\n{before}"));
    let again = ["accept", "heron-gap.gcode", "--check", "rings-frame", "--because", "looked again"];
    assert_eq!(shop.gonogo(&again).0, 0);
    let after = shop.accepted();
    assert!(after.starts_with("# Reviewed by K.\n") && after.contains("looked again"), "{after}");
    assert_eq!(Accepted::parse("known", &after).expect("reads").entries.len(), 2);
}

#[test]
fn slicing_anew_keeps_what_is_accepted_and_a_mended_job_makes_it_stale() {
    let shop = Workshop::new(&["heron-gap.gcode"]);
    for check in ["rings-frame", "drives-resonance"] {
        assert_eq!(shop.gonogo(&["accept", "heron-gap.gcode", "--check", check, "--because", "known"]).0, 0);
    }
    let job = corpus("heron-gap.gcode");
    shop.write("heron-gap.gcode", &format!("; sliced anew\n; with more to say\n{job}"));
    let judged = shop.json("heron-gap.gcode", DAY);
    assert_eq!((&judged["verdict"], &judged["findings"][0]["line"]), (&"go".into(), &20.into()), "{judged:#}");
    // Slower, it does not ring any more.
    shop.write("heron-gap.gcode", &job.replace("G28\n", "G28\nM220 S30\n"));
    let judged = shop.json("heron-gap.gcode", DAY);
    let remarks = judged["acceptance"]["remarks"].to_string();
    assert!(remarks.contains("is no longer found: take its entry out of"), "{judged:#}");
    let (_, page) = shop.check("heron-gap.gcode", "text", DAY);
    assert!(words(&page).contains("is no longer found"), "{page}");
}

#[test]
fn a_no_go_on_travel_takes_even_unsafe_and_every_report_says_so_in_its_head() {
    let shop = Workshop::new(&["heron-astray.gcode", "heron-gap.gcode"]);
    let accept = ["accept", "heron-astray.gcode", "--check", "outside-travel", "--because", "the stop was moved"];
    let (code, out, err) = shop.gonogo(&accept);
    assert!(code == 2 && out.is_empty() && err.contains("--even-unsafe"), "{err}");
    assert!(!shop.path("gonogo.accepted.toml").exists());
    for check in ["outside-travel", "inside-keep-out"] {
        let (code, out, _) =
            shop.gonogo(&["accept", "heron-astray.gcode", "--check", check, "--even-unsafe", "--because", "known"]);
        assert!(code == 0 && out.contains("Stay with the machine"), "{out}");
    }
    let unsafe_words = "UNSAFE: 3 no-go findings on heat or travel are accepted";
    let head = |text: &str| text.lines().take(8).collect::<Vec<_>>().join("\n");
    assert!(head(&shop.check("heron-astray.gcode", "text", DAY).1).contains(unsafe_words));
    assert!(shop.check(".", "text", DAY).1.starts_with(unsafe_words), "the table");
    assert_eq!(shop.json("heron-astray.gcode", DAY)["acceptance"]["unsafe_findings"], 3);
    shop.write("other.toml", &corpus_sheet().replace("Heron", "Wren"));
    let two = ["check", "heron-astray.gcode", "--machine", "gonogo.toml", "--machine", "other.toml", "--today", DAY];
    assert!(shop.gonogo(&two).1.starts_with(unsafe_words), "{}", shop.gonogo(&two).1);
    assert!(shop.check("heron-astray.gcode", "csv", DAY).1.contains("findings_accepted_unsafe"));
    let metrics = shop.check("heron-astray.gcode", "openmetrics", DAY).1;
    let gauge = "gonogo_unsafe_findings_accepted{job=\"heron-astray.gcode\",machine=\"Heron\"} 3";
    assert!(metrics.contains(gauge), "{metrics}");
    let json = shop.check("heron-astray.gcode", "json", DAY).1;
    assert!(json.find("unsafe_findings") < json.find("\"job\""), "{json}");
    let junit = shop.check("heron-astray.gcode", "junit", DAY).1;
    assert!(head(&junit).contains("<property name=\"unsafe-findings-accepted\" value=\"3\"/>"), "{junit}");
    let sarif: serde_json::Value =
        serde_json::from_str(&shop.check("heron-astray.gcode", "sarif", DAY).1).expect("JSON");
    assert_eq!(sarif["runs"][0]["properties"]["unsafeFindingsAccepted"], 3);

    let kept = shop.accepted();
    shop.write("gonogo.accepted.toml", &kept.replace("even_unsafe = true\n", ""));
    let (code, out, err) = shop.gonogo(&["check", "heron-astray.gcode"]);
    assert!(code == 2 && out.is_empty(), "nothing is judged by it: {out}");
    assert!(err.contains("no-go on heat or travel") && err.contains("gonogo.accepted.toml:"), "{err}");
}

#[test]
fn what_cannot_be_accepted_is_said() {
    let shop = Workshop::new(&["heron-gap.gcode", "heron-bracket.gcode"]);
    for (args, words) in [
        (&["heron-gap.gcode", "--check", "rings-farme", "--because", "x"][..], "did you mean rings-frame"),
        (&["heron-bracket.gcode", "--check", "rings-frame", "--because", "x"], "nothing to accept"),
        (&["heron-gap.gcode", "--check", "rings-frame", "--because", " "], "say why"),
        (&["heron-gap.gcode", "--check", "rings-frame", "--because", "x", "--until", "2027-02-30"], "2027-01-31"),
        (
            &["heron-gap.gcode", "--check", "rings-frame", "--because", "x", "--until", "2026-11-24", "--today", DAY],
            "--until 2026-11-24 has passed, today is 2026-11-25 (UTC)",
        ),
        (&["-", "--check", "rings-frame", "--because", "x"], "standard input has no name"),
        (&["lost.gcode", "--check", "rings-frame", "--because", "x"], "cannot read lost.gcode"),
    ] {
        let (code, out, err) = shop.gonogo(&[&["accept"], args].concat());
        assert!(code == 2 && out.is_empty() && err.contains(words), "{args:?}: {err}");
    }
    assert!(!shop.path("gonogo.accepted.toml").exists());
    let (code, _, err) = shop.gonogo(&["check", "heron-gap.gcode", "--accepted", "none.toml"]);
    assert!(code == 2 && err.contains("cannot read the accepted findings none.toml"), "{err}");
    shop.write("gonogo.accepted.toml", "[[accepted]]\njob = 3\n");
    let (code, _, err) = shop.gonogo(&["check", "heron-gap.gcode"]);
    assert!(code == 2 && err.contains("gonogo.accepted.toml:2:7") && err.contains("7 faults"), "{err}");
}

#[test]
fn accept_reads_the_file_as_check_does() {
    let shop = Workshop::new(&["heron-gap.gcode"]);
    let large = [b"# \n".repeat(1 << 19), b"#".to_vec()].concat();
    for (bytes, words) in [(&b"# K\xff\n"[..], "gonogo.accepted.toml:1:4"), (&large, "at most 1048576 bytes")] {
        fs::write(shop.path("gonogo.accepted.toml"), bytes).expect("writes");
        let (code, _, judged) = shop.gonogo(&["check", "heron-gap.gcode"]);
        assert!(code == 2 && judged.contains(words), "{judged}");
        let accept = ["accept", "heron-gap.gcode", "--check", "rings-frame", "--because", "known"];
        assert_eq!(shop.gonogo(&accept), (2, String::new(), judged));
        assert_eq!(fs::read(shop.path("gonogo.accepted.toml")).expect("is there"), bytes);
    }
}

#[test]
fn more_moves_out_of_travel_than_accepted_count_again() {
    let shop = Workshop::new(&[]);
    let job = |moves: &str| format!("G28\nG1 Z5 F600\nG1 X50 Y50 F6000\n{moves}G1 X50 Y50\n");
    let first = "G1 X230 Y50\n";
    shop.write("astray.gcode", &job(first));
    let accept =
        ["accept", "astray.gcode", "--check", "outside-travel", "--even-unsafe", "--because", "the stop was moved"];
    assert_eq!(shop.gonogo(&accept).0, 0);
    assert!(shop.accepted().contains("\ntimes = 1\n"), "{}", shop.accepted());
    let open = |moves: &str| {
        shop.write("astray.gcode", &job(moves));
        let judged = shop.json("astray.gcode", DAY);
        let open = |finding: &&serde_json::Value| {
            finding["check"] == "outside-travel" && finding.get("accepted").is_none_or(serde_json::Value::is_null)
        };
        let any = judged["findings"].as_array().expect("findings").iter().any(|finding| open(&finding));
        (any, judged["acceptance"]["remarks"].to_string())
    };
    assert_eq!(open(first), (false, "[]".to_owned()));
    let (any, remarks) = open(&format!("{first}G1 X50 Y180\nG1 X230\nG1 X50 Y10\nG1 X230\n"));
    assert!(any && remarks.contains("is found 3 times, 1 was accepted: it counts again"), "{remarks}");
    // As often, but elsewhere.
    let three = format!("{first}G1 X50 Y50\nG1 X230\nG1 X50\nG1 X230\n");
    shop.write("astray.gcode", &job(&three));
    assert_eq!(shop.gonogo(&accept).0, 0);
    assert!(!open(&three).0 && !open(first).0, "fewer are covered");
    let (any, remarks) = open(&format!("{first}G1 X50 Y180\nG1 X230\nG1 X50 Y50\nG1 X230\n"));
    assert!(any && remarks.contains("reaches other places"), "{remarks}");
}

#[test]
fn a_job_of_the_same_name_in_another_folder_is_not_covered() {
    let shop = Workshop::new(&["heron-gap.gcode"]);
    fs::create_dir(shop.path("more")).expect("a folder");
    fs::copy(shop.path("heron-gap.gcode"), shop.path("more/heron-gap.gcode")).expect("copies");
    for check in ["rings-frame", "drives-resonance"] {
        assert_eq!(shop.gonogo(&["accept", "more/heron-gap.gcode", "--check", check, "--because", "known"]).0, 0);
    }
    assert!(shop.accepted().contains("job = \"more/heron-gap.gcode\""), "{}", shop.accepted());
    let verdict = |job: &str| shop.json(job, DAY)["verdict"].clone();
    assert_eq!(
        ["more/heron-gap.gcode", "./more/heron-gap.gcode", "heron-gap.gcode"].map(verdict),
        ["go", "go", "hold"]
    );
}

/// What stands behind the options, at a width at which nothing is wrapped by itself.
#[test]
fn the_help_of_accept_and_check_fits_80_columns_and_its_commands_are_whole() {
    let shop = Workshop::new(&[]);
    for command in ["accept", "check"] {
        let (_, help, _) = shop.gonogo(&[command, "--help"]);
        let behind = help.split("Examples:").nth(1).expect("examples");
        let wide = said(Command::new(cargo_bin!("gonogo")).args([command, "--help"]).env("COLUMNS", "200")).1;
        assert_eq!(Some(behind), wide.split("Examples:").nth(1), "nothing is wrapped a second time");
        let too_wide = behind.lines().find(|line| line.chars().count() > 80);
        assert_eq!(too_wide, None);
        let commands = behind.split("\n\n").next().expect("commands").trim();
        for line in commands.replace("\\\n", " ").lines() {
            let quotes = line.matches(['"', '\'']).count();
            assert!(line.contains("gonogo ") && quotes % 2 == 0, "{line}");
        }
    }
}

#[test]
fn a_file_without_entries_for_a_job_changes_nothing() {
    let shop = Workshop::new(&["heron-gap.gcode", "heron-astray.gcode"]);
    let plain: Vec<_> =
        ["text", "json", "sarif", "junit"].map(|format| shop.check("heron-astray.gcode", format, DAY)).into();
    assert_eq!(shop.gonogo(&["accept", "heron-gap.gcode", "--check", "rings-frame", "--because", "known"]).0, 0);
    let with: Vec<_> =
        ["text", "json", "sarif", "junit"].map(|format| shop.check("heron-astray.gcode", format, DAY)).into();
    assert_eq!(plain, with);
}

/// The example of README.md is one.
#[test]
fn the_example_is_read() {
    let readme = fs::read_to_string("README.md").expect("README.md");
    let section = readme.split("## Accepting what is known").nth(1).expect("the section");
    let example = section.split("```toml\n").nth(1).and_then(|rest| rest.split("```").next()).expect("a file");
    assert_eq!(Accepted::parse("README.md", example).map(|read| read.entries.len()), Ok(1));
}

/// The n-th shell recipe of README.md.
fn recipe(n: usize) -> String {
    let readme = fs::read_to_string("README.md").expect("README.md");
    let section = readme.split("## In a repository, and over a card").nth(1).expect("the section");
    let text = section.split("```sh\n").nth(n + 1).and_then(|rest| rest.split("```").next()).expect("a recipe");
    text.to_owned()
}

/// Where a shell finds the program by its name.
fn search_path() -> std::ffi::OsString {
    let program = PathBuf::from(cargo_bin!("gonogo"));
    let folder = program.parent().expect("a folder").to_owned();
    let found = std::env::var_os("PATH").unwrap_or_default();
    std::env::join_paths(std::iter::once(folder).chain(std::env::split_paths(&found))).expect("a search path")
}

#[cfg(unix)]
#[test]
fn the_hook_stops_a_commit_with_a_no_go_and_looks_at_staged_jobs_only() {
    use std::os::unix::fs::PermissionsExt;
    let shop = Workshop::new(&["heron-bracket.gcode", "heron-astray.gcode"]);
    let git = |args: &[&str]| {
        let mut command = Command::new("git");
        command
            .args(["-c", "user.name=K.", "-c", "user.email=k@workshop.invalid"])
            .args(args)
            .current_dir(shop.0.path());
        for name in ["GIT_DIR", "GIT_WORK_TREE", "GIT_INDEX_FILE", "GONOGO_MACHINE"] {
            command.env_remove(name);
        }
        said(command.env("PATH", search_path()).env("COLUMNS", "80"))
    };
    assert_eq!(git(&["init", "--quiet", "--template="]).0, 0);
    fs::create_dir_all(shop.path(".git/hooks")).expect("a folder");
    let hook = shop.path(".git/hooks/pre-commit");
    fs::write(&hook, recipe(0)).expect("writes");
    fs::set_permissions(&hook, fs::Permissions::from_mode(0o755)).expect("sets");

    let commit = |files: &[&str]| {
        assert_eq!(git(&[&["add", "--"], files].concat()).0, 0);
        git(&["commit", "--quiet", "-m", "jobs"])
    };
    let (code, out, err) = commit(&["gonogo.toml"]);
    assert_eq!((code, out.as_str(), err.as_str()), (0, "", ""), "no job, no word");
    let (code, out, err) = commit(&["heron-bracket.gcode"]);
    assert!(code == 0, "the other job is not staged: {out}{err}");
    let (code, out, err) = commit(&["heron-astray.gcode"]);
    assert!(code == 1 && format!("{out}{err}").contains("outside-travel"), "{out}{err}");
    // The bad job is still staged, a good one in its place in the working tree does not count.
    shop.write("heron-astray.gcode", &corpus("heron-bracket.gcode"));
    assert_eq!(git(&["commit", "--quiet", "-m", "jobs"]).0, 1);
    assert_eq!(commit(&["heron-astray.gcode"]).0, 0);
    for ending in ENDINGS {
        let name = format!("astray.{ending}");
        fs::write(shop.path(&name), packed(ending)).expect("writes");
        let (code, out, err) = commit(&[&name]);
        assert!(code == 1 && format!("{out}{err}").contains("outside-travel"), "{name}: {out}{err}");
        assert_eq!(git(&["rm", "--quiet", "--cached", "-f", "--", &name]).0, 0);
    }
    // Accepted, also below a folder.
    fs::create_dir(shop.path("jobs")).expect("a folder");
    shop.write("jobs/astray.gcode", &corpus("heron-astray.gcode"));
    for check in ["outside-travel", "inside-keep-out"] {
        let accept = ["accept", "jobs/astray.gcode", "--check", check, "--even-unsafe", "--because", "known"];
        assert_eq!(shop.gonogo(&accept).0, 0);
    }
    let (code, out, err) = commit(&["jobs/astray.gcode"]);
    assert!(code == 0 && format!("{out}{err}").contains("UNSAFE"), "{out}{err}");
}

/// All endings of jobs, some not in small letters.
const ENDINGS: [&str; 12] =
    ["gcode", "gco", "g", "gc", "nc", "gcode.gz", "gco.gz", "g.gz", "gc.gz", "nc.gz", "GCO", "Gcode.GZ"];

/// A job that is a no-go, packed where the ending says so.
fn packed(ending: &str) -> Vec<u8> {
    use std::io::Write;
    let job = corpus("heron-astray.gcode").into_bytes();
    if !ending.to_lowercase().ends_with(".gz") {
        return job;
    }
    let mut packer = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
    packer.write_all(&job).expect("memory can be written");
    packer.finish().expect("memory can be written")
}

/// The line of README.md for a memory card.
#[test]
fn every_job_of_a_card_gets_its_verdict_in_a_line() {
    assert!(recipe(1).starts_with("gonogo check --brief /"), "{}", recipe(1));
    let shop = Workshop::new(&["heron-bracket.gcode", "heron-astray.gcode", "heron-gap.gcode"]);
    fs::rename(shop.path("heron-bracket.gcode"), shop.path("the bracket.g")).expect("renames");
    let run = || shop.gonogo(&["check", "--brief", "."]);
    let (code, out, err) = run();
    let words: Vec<&str> = out.lines().filter_map(|line| line.split(": ").next()).collect();
    assert_eq!(words, ["■ NO-GO ./heron-astray.gcode", "◆ hold ./heron-gap.gcode", "● go ./the bracket.g"], "{out}");
    assert_eq!((code, err.as_str()), (1, ""));
    fs::remove_file(shop.path("heron-astray.gcode")).expect("removes");
    assert_eq!(run().0, 0);
    for ending in ENDINGS {
        fs::write(shop.path(&format!("it.{ending}")), packed(ending)).expect("writes");
    }
    shop.write("notes.txt", "no job");
    shop.write("it.gz", "no job");
    let (code, out, err) = run();
    assert_eq!((code, err.as_str(), out.matches("■ NO-GO ").count()), (1, "", ENDINGS.len()), "{out}");
    assert!(!out.contains("notes") && !out.contains("it.gz"), "{out}");
}

/// Two at once both read the file as it was, and the second took the first one's entry away: 10 of 60 pairs.
#[test]
fn two_who_accept_at_once_lose_nothing() {
    let shop = Workshop::new(&["heron-gap.gcode"]);
    let names = ["one.gcode", "two.gcode", "three.gcode"];
    names.iter().for_each(|name| shop.write(name, &corpus("heron-gap.gcode")));
    for round in 0..40 {
        let running: Vec<_> = names
            .iter()
            .map(|name| {
                let mut command = Command::new(cargo_bin!("gonogo"));
                let args = ["accept", name, "--check", "rings-frame", "--because", "known"];
                command.args(args).current_dir(shop.0.path()).env_remove("GONOGO_MACHINE");
                command.stdout(Stdio::null()).stderr(Stdio::piped()).spawn().expect("runs")
            })
            .collect();
        for child in running {
            let output = child.wait_with_output().expect("ends");
            assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        }
        let known = Accepted::load(&shop.path("gonogo.accepted.toml")).expect("reads");
        let mut jobs: Vec<_> = known.entries.iter().map(|entry| entry.job.as_str()).collect();
        jobs.sort_unstable();
        assert_eq!(jobs, ["one.gcode", "three.gcode", "two.gcode"], "round {round}");
        fs::remove_file(shop.path("gonogo.accepted.toml")).expect("is there");
    }
    let left: Vec<_> = fs::read_dir(shop.0.path()).expect("lists").flatten().map(|entry| entry.file_name()).collect();
    assert_eq!(left.len(), 5, "neither locks nor parts stay: {left:?}");
}

#[test]
fn nothing_is_written_that_could_not_be_read_again() {
    let shop = Workshop::new(&["heron-gap.gcode"]);
    // Room for less than one more entry.
    let full = "# \n".repeat((1 << 20) / 3 - 20);
    shop.write("gonogo.accepted.toml", &full);
    let accept = ["accept", "heron-gap.gcode", "--check", "rings-frame", "--because", "known"];
    let (code, out, err) = shop.gonogo(&accept);
    assert!(code == 2 && out.is_empty(), "{out}");
    assert!(err.starts_with("gonogo: nothing is written: ") && err.contains("with the new entry\n"), "{err}");
    assert!(err.contains("at most 1048576 bytes"), "{err}");
    assert_eq!(shop.accepted(), full);
}
