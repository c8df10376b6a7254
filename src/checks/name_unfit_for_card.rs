//! File names that a card cannot hold.

use std::path::Path;

use crate::findings::{Built, Check, Explanation, Hit, Log, Severity, StreamFacts};
use crate::machine::Machine;

/// The check.
pub const CHECK: Check = Check {
    id: "name-unfit-for-card",
    topic: "file name",
    severity: Severity::Note,
    summary: "The file name has characters that a FAT32 card cannot hold.",
    explain: Explanation {
        what: "the name of the job has a character that long file names on a FAT32 card do not allow.",
        why: "copying to the card fails or changes the name, and the file may not show up on the display.",
        how: "control characters and \" * / : < > ? \\ | are not allowed in long names (Microsoft, FAT32 File \
System Specification, 2000).",
        remedy: "give the file another name.",
    },
    heat_or_travel: false,
    timed: false,
    unchecked: None,
    build: |_, path| match path {
        "-" => Built::Skipped("standard input has no file name".to_owned()),
        _ => Built::AtTheEnd(judge),
    },
};

/// Longest name on a FAT32 card, UTF-16 units.
const CARD_NAME_LIMIT: usize = 255;

fn judge(facts: &StreamFacts, _: &Machine, log: &mut Log) {
    if let Some(name) = Path::new(&facts.path).file_name()
        && let Some(why) = unfit_name(&name.to_string_lossy())
    {
        log.raise(Hit::plain(&CHECK, 0, CHECK.severity, 0), || format!("the file name {why}"));
    }
}

/// Why a FAT32 card cannot hold this name (Microsoft, FAT specification, long names; from memory).
fn unfit_name(name: &str) -> Option<String> {
    let name = name.strip_suffix(".gz").unwrap_or(name);
    let bad = name.chars().find(|c| c.is_control() || *c == char::REPLACEMENT_CHARACTER || "\"*/:<>?\\|".contains(*c));
    if let Some(bad) = bad {
        return Some(format!("has a character that a FAT32 card cannot hold: {}", bad.escape_default()));
    }
    if name.ends_with(['.', ' ']) {
        return Some("ends in a point or a blank, which a FAT32 card drops".to_owned());
    }
    let units = name.encode_utf16().count();
    (units > CARD_NAME_LIMIT).then(|| format!("has {units} characters, a FAT32 card holds {CARD_NAME_LIMIT}"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_for_the_card() {
        assert_eq!(unfit_name("heron bracket-2.gcode.gz"), None);
        for name in ["a:b.gcode", "what?.gcode", "job. ", &"x".repeat(256)] {
            assert!(unfit_name(name).is_some(), "{name}");
        }
    }
}
