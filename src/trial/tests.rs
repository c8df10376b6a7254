//! Trials on the machines of the corpus.

use super::*;
use crate::inspection::Verdict;

/// The machines of the corpus.
fn machines() -> Vec<Machine> {
    ["heron", "wren", "bittern", "tern"]
        .map(|name| {
            let path = format!("{}/corpus/machines/{name}.toml", env!("CARGO_MANIFEST_DIR"));
            Machine::load(std::path::Path::new(&path)).expect("a sheet of the corpus")
        })
        .into()
}

/// Every sort of trial on a machine, by name.
fn trials(machine: &Machine) -> Vec<(String, Result<Trial, TrialError>)> {
    let mut trials = vec![
        ("ringing".to_owned(), ringing(machine, &Ringing::default())),
        ("ringing, one layer".to_owned(), ringing(machine, &Ringing { layers: 1, teeth: 3, ..Ringing::default() })),
        ("steps".to_owned(), steps(machine, &Steps::default())),
        ("first power".to_owned(), first_power(machine, &FirstPower::default())),
        ("first power, dwelling".to_owned(), first_power(machine, &FirstPower { dwell_s: Some(20.0), fans: 3 })),
    ];
    if machine.controller.obeys_limits_in_job {
        let asked = Ringing { vary: Vary::Acceleration, ..Ringing::default() };
        trials.push(("ringing by acceleration".to_owned(), ringing(machine, &asked)));
    }
    for tool in 0..machine.tools.len() {
        for bursts in [false, true] {
            let asked = MeltRate { bursts, tool, ..MeltRate::default() };
            trials.push((format!("melt rate {tool} {bursts}"), melt_rate(machine, &asked)));
        }
    }
    trials
}

#[test]
fn every_trial_is_a_go_on_every_machine_of_the_corpus() {
    for machine in machines() {
        for (name, trial) in trials(&machine) {
            let trial = trial.unwrap_or_else(|error| panic!("{} on {}: {error}", name, machine.name));
            let report = inspect(trial.text.as_bytes(), "trial.gcode", &machine, &Sizes::default()).expect("reads");
            assert_eq!(report.verdict, Verdict::Go, "{name} on {}: {:#?}", machine.name, report.findings);
            let notes: Vec<_> = report.findings.iter().map(|f| (f.check, f.message.clone())).collect();
            eprintln!("{name} on {}: {:.0} s, {notes:?}, {:?}", machine.name, report.time_s.total(), report.left_out);
        }
    }
}
