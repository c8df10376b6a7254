//! What stands at the gate in the words of pages.

use std::time::{Duration, SystemTime, UNIX_EPOCH};

use super::super::gate::{Answered, Place};
use super::super::ledger::{Decided, Figures, Listed, Said};
use crate::accepted::day_of;
use crate::show::page::view;
use crate::wording::{clock, duration, fixed, interval, length, moment, quantity, safe};
use crate::workshop::prints::Print;

/// What a job got on a machine, in a cell.
pub struct Cell {
    pub glyph: &'static str,
    pub word: &'static str,
    pub class: &'static str,
    pub place: &'static str,
    pub decided: String,
    /// It was released in spite of a no-go on heat or travel.
    pub is_unsafe: bool,
    pub figures: String,
}

impl Cell {
    pub fn of(answered: &Answered) -> Self {
        let (glyph, word, class) = view::verdict(answered.verdict);
        Self {
            glyph,
            word,
            class,
            place: place(Some(answered.place)),
            decided: match &answered.said {
                Said::Nothing => String::new(),
                Said::Holds(decided) => format!("{} by {}", decided.done(), safe(&decided.decision.who)),
                Said::RanOut(_) => "a release ran out".to_owned(),
            },
            is_unsafe: answered.said.holds().is_some_and(Decided::is_in_spite),
            figures: figures(&answered.figures),
        }
    }
}

/// The word for a place.
pub fn place(place: Option<Place>) -> &'static str {
    match place {
        Some(Place::Cleared) => "cleared",
        Some(Place::Waiting) => "waiting",
        Some(Place::Blocked) => "blocked",
        None => "not judged yet",
    }
}

/// What people have said, in a sentence.
pub fn said(said: &Said) -> Option<String> {
    match said {
        Said::Nothing => None,
        Said::Holds(decided) => Some(sentence(decided)),
        Said::RanOut(decided) => Some(format!("This has run out, somebody has to decide anew: {}", sentence(decided))),
    }
}

/// A decision in a sentence.
pub fn sentence(decided: &Decided) -> String {
    let decision = &decided.decision;
    let until = decision.until.map(|day| format!(" until {day}")).unwrap_or_default();
    let (did, who, why) = (decided.done(), safe(&decision.who), safe(&decision.reason));
    let mut letters = did.chars();
    let did: String = letters.next().map(|first| first.to_ascii_uppercase()).into_iter().chain(letters).collect();
    format!("{did} by {who}{until}: {why}")
}

/// The same in a list.
pub fn entry(decided: &Decided, judged: Option<&Listed>) -> String {
    let on = judged.map(|judged| format!(", on {} as {}", safe(&judged.machine), safe(&judged.file_name)));
    format!("{} UTC{}: {}", moment(&decided.decided_at), on.unwrap_or_default(), sentence(decided))
}

/// Time, margin and filament.
pub fn figures(of: &Figures) -> String {
    let time = of.time_s().map(|time_s| match (of.time_low_s, of.time_high_s) {
        (Some(low_s), Some(high_s)) => interval(time_s, low_s, high_s),
        _ => duration(time_s),
    });
    let margin = of.melt_margin().map(|margin| match margin {
        margin if margin < 0.0 => format!("overruns the hotend by {}\u{a0}%", fixed(-margin * 100.0, 0)),
        margin => format!("melt margin {}\u{a0}%", fixed(margin * 100.0, 0)),
    });
    let filament = match (of.filament_net_g, of.filament_net_mm) {
        (Some(mass_g), _) => Some(quantity(mass_g, "g")),
        (None, Some(mm)) => Some(length(mm)),
        (None, None) => None,
    };
    // Lines break between them and between words, and where an interval begins; no number is parted from its unit.
    let glued = |part: String| part.replace(' ', "\u{a0}").replace("\u{a0}(", " (");
    let parts = [time.map(glued), margin, filament.map(glued)];
    parts.into_iter().flatten().collect::<Vec<_>>().join(" · ")
}

/// A finished print in a list.
pub fn print(of: &Print) -> String {
    let waited = if of.waited_s > 0.0 { format!(", waited {}", clock(of.waited_s)) } else { String::new() };
    let aborted = if of.aborted { ", ended before its time" } else { "" };
    let started = of.started.as_ref().map(|when| format!(", started {}", moment(when))).unwrap_or_default();
    let machine = of.machine.as_ref().map(|name| format!(" on {}", safe(name))).unwrap_or_default();
    format!("{}{machine}{waited}{aborted}{started}", clock(of.measured_s))
}

/// The same for a time of the system, UTC.
pub fn utc(at: SystemTime) -> String {
    moment(&iso(at))
}

/// As ISO 8601 writes it.
pub fn iso(at: SystemTime) -> String {
    let since = at.duration_since(UNIX_EPOCH).unwrap_or(Duration::ZERO).as_secs();
    format!("{}T{:02}:{:02}:{:02}Z", day_of(since), since / 3600 % 24, since / 60 % 60, since % 60)
}
