//! Leads of the filament that no extruder has.

use crate::findings::{Built, Check, Explanation, Hit, Log, Severity};
use crate::modal::LEAD_MAX_S;
use crate::modal::notice::{Notice, Noticed};
use crate::wording::spelled;

/// The check.
pub const CHECK: Check = Check {
    id: "implausible-lead",
    topic: "lead of the filament",
    severity: Severity::Hold,
    summary: "The job sets a lead of the filament that no extruder has.",
    explain: Explanation {
        what: "the job sets the lead of the filament (M900 K, M572 S, or an argument of a macro) to more than 4 s. Where the \
sheet gives no lag or lead, it is a note.",
        why: "a lead of so many seconds would push centimetres of filament ahead wherever the nozzle speeds up, and pull them \
back where it slows down: the drive skips and grinds. Controllers that know the limit ignore the value, and print without any lead.",
        how: "the number is a lead in s: filament pushed ahead for each mm/s of its speed. The longest tubes with soft filament \
ask for some 2 s; K of older scales begins at about 10 (common practice, no source). The value is not followed here: the \
lead stays what it was.",
        remedy: "measure the lead anew and give it in seconds (`gonogo trial lead`); a value of an older scale of K cannot be \
converted by a factor. If the controller does count K by such a scale, set the check to note in the sheet.",
    },
    heat_or_travel: false,
    timed: false,
    unchecked: None,
    build: |_, _| Built::Reading(judge),
};

fn judge(notice: &Notice, log: &mut Log) {
    let Noticed::LeadImplausible { letter, value, asked } = notice.what else { return };
    let severity = if asked { Severity::Hold } else { Severity::Note };
    let hit = Hit {
        value: Some(value),
        badness: value,
        limit: Some(LEAD_MAX_S),
        unit: "s",
        ..Hit::noticed(&CHECK, u64::from(letter), severity, notice)
    };
    log.raise(hit, || {
        let (letter, value) = (char::from(letter), spelled(value));
        let scale = match letter {
            'K' => "it looks like a value of an older scale of K",
            _ => "it looks like a value in another unit",
        };
        let rest = match asked {
            true => "it is not followed, and the lead stays what it was",
            false => "the sheet gives no lag, so nothing here depends on it",
        };
        format!("{letter}{value} would be a lead of {value} s, which no extruder has: {scale}; {rest}")
    });
}

#[cfg(test)]
mod tests {
    use super::super::testing::judged;
    use crate::findings::Severity;
    use crate::machine::Machine;

    fn found(lag_s: Option<f64>, line: &str) -> Vec<(String, Severity, String)> {
        let mut text = Machine::built_in_text().to_owned();
        if let Some(lag_s) = lag_s {
            text = text.replacen("[[tool]]\n", &format!("[[tool]]\npressure_lag_s = {lag_s}\n"), 1);
        }
        let machine = Machine::parse("sheet.toml", &text).unwrap_or_else(|faults| panic!("{faults}"));
        let job = format!("G28\nM109 S200\nM83\n{line}\nG1 X20 Y20 Z0.2 F600\nG1 X60 E1 F1200\nM104 S0\nM84\n");
        let report = judged(&machine, &job);
        let about = |check: &str| [super::CHECK.id, "malformed-word"].contains(&check);
        let found = report.findings.into_iter().filter(|finding| about(&finding.check));
        found.map(|finding| (finding.check.into_owned(), finding.severity, finding.message)).collect()
    }

    #[test]
    fn a_lead_of_another_scale_is_told_as_one() {
        for (lag_s, severity) in [(Some(0.06), Severity::Hold), (None, Severity::Note)] {
            let told = found(lag_s, "M900 K30");
            let [(check, of, message)] = told.as_slice() else { panic!("{told:?}") };
            assert_eq!((check.as_str(), *of), (super::CHECK.id, severity));
            assert!(message.starts_with("K30 would be a lead of 30 s") && message.contains("older scale"), "{message}");
            assert_eq!(found(lag_s, "M572 D0 S60")[0].1, severity);
            for usual in ["M900 K0", "M900 K0.05", "M900 K2", "M900 K4", "M572 D0 S0.08", "M900", "M900 T30"] {
                assert_eq!(found(lag_s, usual), [], "{usual}");
            }
        }
        let (check, _, message) = &found(Some(0.06), "M900 K-1")[0];
        assert!(check == "malformed-word" && message.starts_with("K-1 is no time"), "{message}");
        assert_eq!(found(Some(0.06), "M572 D0:1 S60")[0].0, super::CHECK.id);
    }
}
