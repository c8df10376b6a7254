//! Words of a command that cannot be read.

use crate::findings::{Built, Check, Explanation, Hit, Log, Severity};
use crate::modal::notice::{Damage, Notice, Noticed};
use crate::text::Flaw;
use crate::wording::spelled;

/// The check.
pub const CHECK: Check = Check {
    id: "malformed-word",
    topic: "words",
    severity: Severity::Hold,
    summary: "A word of a command cannot be read as a letter and a number.",
    explain: Explanation {
        what: "a word is no letter followed by a number, a number is not finite or far out of range, or a word \
occurs twice in one line.",
        why: "controllers differ in what they make of such a word: 0, the part that can be read, or nothing. A \
coordinate read as 0 sends the nozzle across the print.",
        how: "each command is split into words as in NIST RS274/NGC version 3: a letter and a real number, \
spaces ignored; settings of several drives or heaters may have a list of numbers with colons. A word that does not follow \
this is left out, and reported.",
        remedy: "look at the line. A comma in place of the decimal point and text without a comment sign are the usual \
causes; a damaged file is another.",
    },
    heat_or_travel: false,
    timed: false,
    unchecked: None,
    build: |_, _| Built::Reading(judge),
};

fn judge(notice: &Notice, log: &mut Log) {
    let Noticed::Damage(damage) = notice.what else { return };
    log.raise(Hit::noticed(&CHECK, 0, CHECK.severity, notice), || words(damage));
}

fn words(damage: Damage) -> String {
    let letter = char::from;
    match damage {
        Damage::Flaw { flaw, column } => {
            let what = match flaw {
                Flaw::NoWord => "a character that is no part of a word",
                Flaw::TooManyWords => "more words than a line may hold",
                Flaw::OpenComment => "a comment that is not closed",
                Flaw::CommentInComment => "a comment inside a comment",
            };
            format!("{what}, at column {column}")
        }
        Damage::Cut { bytes } => format!("{bytes} bytes in one line: only its start was read"),
        Damage::Beyond { letter: of, value } => format!("{}{} is beyond any machine", letter(of), spelled(value)),
        Damage::TooFar => {
            format!("a place or a length beyond {} m: not carried out", crate::modal::FOLLOWED_MM / 1000.0)
        }
        Damage::NoUsableNumber { letter: of } => format!("{} without a usable number", letter(of)),
        Damage::TooManyCommands { most } => format!("more than {most} commands in one line"),
        Damage::Exclusive => "two commands that exclude each other in one line".to_owned(),
        Damage::Twice { letter: of } => format!("{} appears twice in one line", letter(of)),
        Damage::NoMotionMode => "axis words before any motion command: not carried out".to_owned(),
        Damage::NoTemperature => {
            "an argument of the macro should be a temperature and is missing or no number: how warm it gets is unknown"
                .to_owned()
        }
        Damage::NoNumber { letter: of } => format!("{} without a number", letter(of)),
        Damage::Listed { letter: of } => format!("{} has a list of values where one is taken: the first", letter(of)),
        Damage::NegativeTime { seconds } => format!("a time of {} s: taken as 0", spelled(seconds)),
        Damage::NoToolNumber { value } => format!("T{} is no tool number", spelled(value)),
        Damage::ThinFilament { diameter_mm } => format!("a filament diameter of {} mm: ignored", spelled(diameter_mm)),
        Damage::NoOverride { percent } => format!("an override of {} %: ignored", spelled(percent)),
        Damage::NoLimit { letter: of, value } => format!("{}{} is no limit: ignored", letter(of), spelled(value)),
        Damage::NoLead { letter: of, value } => {
            format!("{}{} is no time that filament can be pushed ahead: ignored", letter(of), spelled(value))
        }
        Damage::ArcTwofold => "an arc with both a radius and a centre: not carried out".to_owned(),
        Damage::ArcWithout => "an arc with neither a centre nor a radius: not carried out".to_owned(),
        Damage::ArcClosedByRadius => "an arc by radius that ends where it starts: not carried out".to_owned(),
        Damage::ArcOfNoRadius => "an arc of radius zero: not carried out".to_owned(),
        Damage::CubicWithout => "a cubic without its control points: not carried out".to_owned(),
        Damage::CubicOfNoLength => "a cubic of no length: not carried out".to_owned(),
    }
}
