//! `gonogo headroom` on the corpus, where what binds is known in closed form.

use serde_json::Value;
use snapbox::cmd::{Command as Cmd, cargo_bin};

fn headroom(arguments: &[&str]) -> Value {
    let run = Cmd::new(cargo_bin!("gonogo"))
        .env_remove("GONOGO_MACHINE")
        .arg("headroom")
        .args(arguments)
        .args(["--machine", "corpus/machines/tern.toml", "--format", "json"])
        .assert()
        .success();
    serde_json::from_slice(&run.get_output().stdout).expect("JSON")
}

fn near(actual: &Value, expected: f64) {
    let actual = actual.as_f64().expect("a number");
    assert!((actual / expected - 1.0).abs() < 1e-3, "{actual} is not {expected}");
}

/// A move of length L from rest to rest peaks at √(a L) (Biagiotti, Melchiorri 2008, ch. 3, from memory); over a burst of
/// w = 0.3 × 10 ms around that its mean speed is √(a L) − a w / 4, which is v at the smaller root in √a.
#[test]
fn the_melt_rate_binds_where_the_closed_form_says() {
    let key = "motion.acceleration_mm_s2.printing";
    let found = headroom(&["corpus/jobs/tern-climb.gcode", "--raise", key]);
    let range = &found["jobs"][0]["ranges"][0];
    let section_mm2 = std::f64::consts::PI / 4.0 * 1.75 * 1.75 * 2.0 / 40.0;
    let (length_mm, burst_s, speed) = (40.0f64, 0.003, 45.0 / section_mm2);
    let root = (length_mm.sqrt() - (length_mm - burst_s * speed).sqrt()) * 2.0 / burst_s;
    near(&range["last_safe"]["value"], root * root);
    let stop = &range["crossings"][0]["fails"]["stop"];
    assert_eq!((stop["check"].as_str(), stop["line"].as_u64()), (Some("melt-peak-exceeded"), Some(10)));
    assert_eq!(range["crossings"].as_array().map(Vec::len), Some(1));
    assert_eq!(found["for_all"][0]["value"], range["last_safe"]["value"]);
}

/// Newton's law, τ = 60 s: after the way out and back the hotend is at 300 − 280 u + 180 u² °C with u = exp(−t/τ) and
/// t = 32 × 2 √(L / a). It is at the least temperature of 195 °C at u = (280 ± √2800) / 360.
#[test]
fn a_verdict_that_comes_back() {
    let key = "motion.acceleration_mm_s2.travel";
    let found = headroom(&["corpus/jobs/tern-cooling.gcode", "--raise", key, "--up-to", "150"]);
    let crossings = found["jobs"][0]["ranges"][0]["crossings"].as_array().expect("crossings");
    assert_eq!(crossings.len(), 2);
    let at = |u: f64| 200.0 * (64.0 / (-60.0 * u.ln())).powi(2);
    near(&crossings[0]["stands"]["value"], at((280.0 - 2800f64.sqrt()) / 360.0));
    near(&crossings[1]["stands"]["value"], at((280.0 + 2800f64.sqrt()) / 360.0));
}

#[test]
fn several_jobs_and_any_number_of_threads() {
    let folder = ["corpus/jobs/tern-easy.gcode", "corpus/jobs/tern-climb.gcode", "corpus/jobs/tern-cooling.gcode"];
    let asked = |threads: &str| headroom(&[&folder[..], &["--all", "--needs", "--threads", threads]].concat());
    let found = asked("1");
    assert_eq!(found, asked("3"));
    let printing = &found["for_all"][0];
    assert_eq!(printing["job"].as_str(), Some("corpus/jobs/tern-climb.gcode"));
    let easy = found["jobs"][0]["ranges"][0].clone();
    assert_eq!((easy["crossings"].as_array().map(Vec::len), easy["without_effect"].as_bool()), (Some(0), Some(false)));
    assert!(found["jobs"][1]["needs"].as_array().is_some_and(|needs| !needs.is_empty()));
}

#[test]
fn what_cannot_be_done_is_said() {
    let run = |arguments: &[&str]| {
        let command = Cmd::new(cargo_bin!("gonogo")).env_remove("GONOGO_MACHINE").arg("headroom");
        let run = command.args(arguments).args(["--machine", "corpus/machines/tern.toml"]).assert().code(2);
        String::from_utf8_lossy(&run.get_output().stderr).into_owned()
    };
    let job = "corpus/jobs/tern-easy.gcode";
    assert!(
        run(&[job, "--raise", "motion.accelaration_mm_s2.printing"])
            .contains("did you mean `motion.acceleration_mm_s2.printing`?")
    );
    assert!(run(&[job, "--lower", "tool[0].melt_rate_mm3_s.sustained"]).contains("has no value in this sheet"));
    assert!(run(&[job, "--up-to", "1"]).contains("a number above 1"));
    assert!(run(&["no-such-job.gcode"]).contains("cannot read no-such-job.gcode"));
}

#[test]
fn the_report_keeps_its_schema() {
    let found = headroom(&["corpus/jobs/tern-climb.gcode", "--needs", "--all"]);
    let schema = serde_json::to_value(gonogo::show::report::headroom_json::schema()).expect("JSON");
    let errors: Vec<String> = jsonschema::validator_for(&schema)
        .expect("a schema")
        .iter_errors(&found)
        .map(|error| error.to_string())
        .collect();
    assert!(errors.is_empty(), "{errors:?}");
}
