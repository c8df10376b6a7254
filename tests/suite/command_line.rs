//! The command line as a shell sees it.

use std::process::{Command, Stdio};

use snapbox::cmd::{Command as Cmd, cargo_bin};

fn gonogo() -> Cmd {
    Cmd::new(cargo_bin!("gonogo")).env_remove("GONOGO_MACHINE").env("COLUMNS", "80")
}

#[test]
fn no_job_is_a_usage_error() {
    let run = gonogo().arg("check").assert().code(2);
    let message = String::from_utf8_lossy(&run.get_output().stderr).into_owned();
    assert!(message.contains("<JOB>") && message.contains("Usage: gonogo check"), "{message}");
}

#[test]
fn help_goes_to_standard_output_and_is_no_failure() {
    for command in [&["--help"][..], &["check", "--help"], &["sheet", "show", "--help"]] {
        let run = gonogo().args(command).assert().success().stderr_eq("");
        let help = String::from_utf8_lossy(&run.get_output().stdout).into_owned();
        assert!(help.contains("Example"), "{help}");
    }
}

#[test]
fn an_unknown_check_is_told_without_acting_on_the_terminal() {
    gonogo()
        .args(["explain", "no\u{1b}[2J"])
        .assert()
        .code(2)
        .stdout_eq("")
        .stderr_eq("gonogo: there is no check `no·[2J`; `gonogo explain` lists them\n");
}

#[test]
fn schemas_are_json() {
    for command in [&["report-schema"][..], &["sheet", "schema"]] {
        let run = gonogo().args(command).assert().success();
        let schema: serde_json::Value = serde_json::from_slice(&run.get_output().stdout).expect("JSON");
        assert!(jsonschema::meta::is_valid(&schema), "{command:?}");
    }
}

#[test]
fn scripts_and_the_manual_know_every_command() {
    for command in [&["completions", "bash"][..], &["completions", "fish"], &["man"]] {
        let run = gonogo().args(command).assert().success().stderr_eq("");
        let text = String::from_utf8_lossy(&run.get_output().stdout).replace("\\-", "-");
        for word in ["check", "explain", "report-schema", "fail-on", "files-from"] {
            assert!(text.contains(word), "{word} in {command:?}");
        }
    }
}

#[test]
fn a_reader_that_left_is_a_quiet_success() {
    let (reader, writer) = std::io::pipe().expect("a pipe");
    drop(reader);
    let program = Command::new(cargo_bin!("gonogo")).arg("man").stdout(writer).stderr(Stdio::piped()).output();
    let program = program.expect("runs");
    assert_eq!(program.status.code(), Some(0));
    assert_eq!(String::from_utf8_lossy(&program.stderr), "");
}

#[cfg(target_os = "linux")]
#[test]
fn a_full_disk_is_an_error() {
    let full = std::fs::OpenOptions::new().write(true).open("/dev/full").expect("opens");
    let program = Command::new(cargo_bin!("gonogo")).arg("man").stdout(full).stderr(Stdio::piped()).output();
    let program = program.expect("runs");
    assert_eq!(program.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&program.stderr).starts_with("gonogo: "));
}
