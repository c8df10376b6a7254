//! Shards put together are the whole, and the recipes of README.md that run them do what they say.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use snapbox::cmd::{Command as Cmd, cargo_bin};
use yaml_rust2::{Yaml, YamlLoader};

const HERON: &str = "corpus/machines/heron.toml";

fn check(more: &[&str]) -> Cmd {
    Cmd::new(cargo_bin!("gonogo")).env_remove("GONOGO_MACHINE").args(["check", "--machine", HERON]).args(more)
}

fn text(command: Cmd, code: i32) -> String {
    String::from_utf8(command.assert().code(code).get_output().stdout.clone()).expect("UTF-8")
}

/// Rows in an order that does not hang on the shards, the header apart.
fn sorted(text: &str) -> (String, Vec<String>) {
    let mut lines = text.lines().map(str::to_owned);
    let header = lines.next().expect("a header");
    let mut rows: Vec<String> = lines.collect();
    rows.sort();
    (header, rows)
}

#[test]
fn shards_put_one_behind_the_other_are_the_whole_csv() {
    let whole = text(check(&["corpus/jobs", "--format", "csv", "--fail-on", "never"]), 0);
    for by in ["path", "content"] {
        for of in [1, 3, 100] {
            let shard = |index: usize| {
                let header = if index == 0 { "always" } else { "never" };
                let shard = format!("{index}/{of}");
                let options = ["--shard", &shard, "--shard-by", by, "--header", header];
                text(check(&[&["corpus/jobs", "--format", "csv", "--fail-on", "never"], &options[..]].concat()), 0)
            };
            let parts: Vec<String> = (0..of).map(shard).collect();
            assert!(of < 100 || parts.iter().any(String::is_empty), "with more shards than jobs some are empty");
            assert_eq!(sorted(&parts.concat()), sorted(&whole), "{of} by {by}");
        }
    }
}

#[test]
fn a_shard_has_the_same_form_whatever_falls_into_it_and_an_empty_one_passes() {
    let folder = tempfile::tempdir().expect("a folder");
    let jobs = ["corpus/jobs/heron-bracket.gcode", "corpus/jobs/heron-hot.gcode"];
    let shards = |format: &str| {
        let shard = |index: usize| {
            let shard = format!("{index}/7");
            let run = check(&jobs).args(["--format", format, "--shard", &shard, "--fail-on", "never"]);
            let out = folder.path().join(format!("{format}-{index}"));
            text(if format == "html" { run.arg("-o").arg(out) } else { run }, 0)
        };
        (0..7).map(shard).collect::<Vec<String>>()
    };
    for format in ["text", "ndjson", "csv", "openmetrics", "html", "sarif", "junit"] {
        shards(format);
    }
    assert!((0..7).all(|index| folder.path().join(format!("html-{index}/index-{index}-of-7.html")).is_file()));
    let lists = shards("json").into_iter().map(|text| serde_json::from_str::<serde_json::Value>(&text).expect("JSON"));
    assert_eq!(lists.map(|list| list.as_array().expect("a list").len()).sum::<usize>(), 2);
    // The verdict of a shard is that of its jobs.
    let codes = (0..7).map(|index| {
        let run = check(&jobs).args(["--format", "ndjson", "--shard", &format!("{index}/7")]).output();
        run.expect("runs").status.code().expect("a code")
    });
    assert_eq!(codes.sum::<i32>(), 1, "one of the two jobs is a no-go");
}

#[test]
fn what_makes_no_sense_is_refused() {
    for wrong in [
        &["corpus/jobs", "--shard", "3/3"][..],
        &["corpus/jobs", "--shard", "1"],
        &["corpus/jobs", "--shard-by", "content"],
        &["-", "--shard", "0/1"],
        &["corpus/jobs", "--header", "never"],
        &["corpus/jobs", "--header", "never", "--format", "json"],
        &["corpus/jobs/heron-hot.gcode", "--shard", "0/1", "--plot", "no.svg"],
    ] {
        let run = check(wrong).stdin("").assert().code(2).stdout_eq("");
        let told = String::from_utf8_lossy(&run.get_output().stderr).into_owned();
        assert!(told.starts_with("error: ") && told.contains("Usage: gonogo check"), "{wrong:?}: {told}");
    }
}

#[test]
fn pages_of_all_shards_may_go_into_one_folder() {
    let folder = tempfile::tempdir().expect("a folder");
    let (jobs, pages) = (folder.path().join("jobs"), folder.path().join("pages"));
    // Of one name, in folders of their own.
    for n in 0..12 {
        fs::create_dir_all(jobs.join(n.to_string())).expect("creates");
        fs::copy("corpus/jobs/heron-bracket.gcode", jobs.join(n.to_string()).join("hook.gcode")).expect("copies");
    }
    let [jobs, into] = [&jobs, &pages].map(|path| path.display().to_string());
    for index in 0..3 {
        text(check(&[&jobs, "--shard", &format!("{index}/3"), "--format", "html", "-o", &into]), 0);
    }
    let lists = (0..3).map(|index| fs::read_to_string(pages.join(format!("index-{index}-of-3.html"))).expect("reads"));
    let lists = lists.collect::<String>();
    let files = fs::read_dir(&pages).expect("lists").map(|entry| entry.expect("an entry").file_name());
    let names: Vec<String> = files.map(|name| name.into_string().expect("UTF-8")).collect();
    let made: Vec<&String> = names.iter().filter(|name| name.starts_with("hook")).collect();
    assert_eq!(made.len(), 12, "{names:?}");
    assert!(made.iter().all(|name| lists.contains(&format!("href=\"{name}\""))), "{names:?}");
}

#[test]
fn what_cannot_be_read_or_listed_fails_one_shard() {
    let folder = tempfile::tempdir().expect("a folder");
    let empty = folder.path().display().to_string();
    for lost in ["no-such.gcode", &empty] {
        let code = |index: usize| {
            let run = check(&[lost, "--shard", &format!("{index}/4")]).output();
            run.expect("runs").status.code().expect("a code")
        };
        let codes: Vec<i32> = (0..4).map(code).collect();
        assert_eq!((codes.iter().filter(|code| **code == 2).count(), codes.iter().sum::<i32>()), (1, 2), "{lost}");
    }
}

#[test]
fn rows_of_shards_tell_once_what_cannot_be_listed() {
    let folder = tempfile::tempdir().expect("a folder");
    let empty = folder.path().display().to_string();
    let given = ["corpus/jobs", &empty, "no-such.gcode"];
    let whole = text(check(&[&given[..], &["--format", "csv", "--fail-on", "never"]].concat()), 2);
    let shard = |index: usize| {
        let (shard, header) = (format!("{index}/3"), if index == 0 { "always" } else { "never" });
        let options = ["--format", "csv", "--fail-on", "never", "--shard", &shard, "--header", header];
        let run = check(&[&given[..], &options[..]].concat()).output().expect("runs");
        String::from_utf8(run.stdout).expect("UTF-8")
    };
    assert_eq!(sorted(&(0..3).map(shard).collect::<String>()), sorted(&whole));
}

#[test]
fn no_shard_writes_over_a_job_of_another() {
    let folder = tempfile::tempdir().expect("a folder");
    let job = folder.path().join("job.gcode");
    fs::write(&job, "G28\n").expect("writes");
    let [jobs, report] = [folder.path(), &job].map(|path| path.display().to_string());
    for index in 0..4 {
        let shard = format!("{index}/4");
        check(&[&jobs, "--shard", &shard, "--format", "csv", "-o", &report]).assert().code(2);
        assert_eq!(fs::read_to_string(&job).expect("it is there"), "G28\n", "shard {index}");
    }
}

/// The block of README.md in that language that holds these words.
fn recipe(language: &str, words: &str) -> String {
    let readme = fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("README.md")).expect("reads");
    let begin = format!("```{language}\n");
    let blocks = readme.split(&begin).skip(1).map(|rest| rest.split("```").next().unwrap_or(""));
    let found: Vec<&str> = blocks.filter(|block| block.contains(words)).collect();
    assert_eq!(found.len(), 1, "{words}");
    found[0].to_owned()
}

/// A workshop as the recipes find it: jobs/ in folders, heron.toml.
struct Archive(tempfile::TempDir);

impl Archive {
    fn new() -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        let jobs = folder.path().join("jobs");
        fs::create_dir_all(jobs.join("old")).expect("creates");
        for (n, entry) in fs::read_dir("corpus/jobs").expect("lists").enumerate() {
            let from = entry.expect("an entry").path();
            let into = if n % 3 == 0 { jobs.join("old") } else { jobs.clone() };
            fs::copy(&from, into.join(from.file_name().expect("a name"))).expect("copies");
        }
        fs::copy(HERON, folder.path().join("heron.toml")).expect("copies");
        Self(folder)
    }

    fn path(&self) -> &Path {
        self.0.path()
    }

    /// Runs a shell script here, with gonogo at hand; it must pass.
    fn run(&self, script: &str, variables: &[(&str, String)]) {
        let program = PathBuf::from(cargo_bin!("gonogo"));
        let here = program.parent().expect("a folder").display().to_string();
        let path = format!("{here}:{}", std::env::var("PATH").unwrap_or_default());
        let run = Command::new("sh")
            .args(["-c", script])
            .current_dir(self.path())
            .env("PATH", path)
            .env_remove("GONOGO_MACHINE")
            .envs(variables.iter().map(|(name, value)| (*name, value)))
            .output()
            .expect("runs");
        assert!(run.status.success(), "{script}: {}", String::from_utf8_lossy(&run.stderr));
    }

    /// One check of everything.
    fn whole(&self) -> (String, Vec<String>) {
        let all = ["check", "jobs/", "--machine", "heron.toml", "--format", "csv", "--fail-on", "never"];
        let run = Cmd::new(cargo_bin!("gonogo")).env_remove("GONOGO_MACHINE").current_dir(self.path()).args(all);
        sorted(&text(run, 0))
    }

    fn rows(&self) -> Vec<String> {
        let files = fs::read_dir(self.path().join("rows")).expect("lists").map(|entry| entry.expect("an entry").path());
        let mut rows: Vec<String> = files
            .flat_map(|file| fs::read_to_string(file).expect("reads").lines().map(str::to_owned).collect::<Vec<_>>())
            .collect();
        rows.sort();
        rows
    }
}

/// The N of `--shard …/N` in a command.
fn shards_in(command: &str) -> u64 {
    let after = command.split("--shard ").nth(1).and_then(|rest| rest.split('/').nth(1)).expect("a shard");
    after.chars().take_while(char::is_ascii_digit).collect::<String>().parse().expect("a number")
}

#[cfg(unix)]
#[test]
fn the_recipe_for_an_array_job_gives_the_whole() {
    let script = recipe("sh", "#SBATCH --array");
    let range = script.split("--array=0-").nth(1).and_then(|rest| rest.lines().next()).expect("a range");
    let last: u64 = range.trim().parse().expect("a number");
    assert_eq!(last + 1, shards_in(&script));
    let archive = Archive::new();
    (0..=last).for_each(|index| archive.run(&script, &[("SLURM_ARRAY_TASK_ID", index.to_string())]));
    archive.run(&recipe("sh", "cat rows/"), &[]);
    assert_eq!(sorted(&fs::read_to_string(archive.path().join("all.csv")).expect("reads")), archive.whole());
}

#[cfg(unix)]
#[test]
fn the_recipe_for_an_indexed_container_job_gives_the_whole() {
    let text = recipe("yaml", "completionMode");
    let manifest = YamlLoader::load_from_str(&text).expect("YAML").swap_remove(0);
    let spec = &manifest["spec"];
    // What the interface of batch/v1 asks of an indexed job (Kubernetes API reference, JobSpec).
    assert_eq!((manifest["apiVersion"].as_str(), manifest["kind"].as_str()), (Some("batch/v1"), Some("Job")));
    assert_eq!(spec["completionMode"].as_str(), Some("Indexed"));
    let pod = &spec["template"]["spec"];
    assert!(["Never", "OnFailure"].contains(&pod["restartPolicy"].as_str().expect("a policy")));
    let container = &pod["containers"][0];
    let words = |part: &Yaml| -> Vec<String> {
        part.as_vec().expect("a list").iter().map(|word| word.as_str().expect("text").to_owned()).collect()
    };
    assert_eq!(words(&container["command"]), ["sh", "-c"]);
    let script = words(&container["args"]).concat();
    let completions = u64::try_from(spec["completions"].as_i64().expect("a number")).expect("above 0");
    assert_eq!(completions, shards_in(&script));
    assert_eq!(container["volumeMounts"][0]["mountPath"], container["workingDir"]);
    assert_eq!(container["volumeMounts"][0]["name"], pod["volumes"][0]["name"]);
    let archive = Archive::new();
    (0..completions).for_each(|index| archive.run(&script, &[("JOB_COMPLETION_INDEX", index.to_string())]));
    assert_eq!(archive.rows(), archive.whole().1);
}

#[cfg(unix)]
#[test]
fn the_recipe_for_a_shell_gives_the_whole() {
    let script = recipe("sh", "xargs -P");
    let last: u64 = script
        .split("seq 0 ")
        .nth(1)
        .and_then(|rest| rest.split(' ').next())
        .expect("a range")
        .parse()
        .expect("a number");
    assert_eq!(last + 1, shards_in(&script));
    let archive = Archive::new();
    archive.run(&script, &[]);
    assert_eq!(archive.rows(), archive.whole().1);
}
