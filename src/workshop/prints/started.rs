//! When a print was started, and how long it took, as people write them: a day and a time so that later ones sort behind
//! earlier ones, hours, minutes and seconds as clocks show them.

use crate::accepted::{Day, day_of};

/// No print that is told of was started before this year.
pub const FIRST_YEAR: u16 = 2000;

/// `2027-01-31T14:05:00` for a day with or without a time, which may lack its seconds; `T` or a blank between. None for what
/// is none, is before [`FIRST_YEAR`], or has a time zone: prints of one machine are started where it stands.
pub fn started(text: &str) -> Option<String> {
    let text = text.trim();
    let text = match text.len() {
        10 => format!("{text}T00:00:00"),
        16 => format!("{text}:00"),
        _ => text.to_owned(),
    };
    let read: toml_edit::Datetime = text.parse().ok()?;
    let (date, time) = (read.date?, read.time?);
    // A leap second is one; what a clock never shows is refused by the grammar.
    (read.offset.is_none() && date.year >= FIRST_YEAR).then(|| {
        let (hour, minute, second) = (time.hour, time.minute, time.second.unwrap_or(0));
        format!("{:04}-{:02}-{:02}T{hour:02}:{minute:02}:{second:02}", date.year, date.month, date.day)
    })
}

/// The last start that is not in the future, as [`started`] has it: the end of the day after that of the clock, in UTC, which
/// is given in seconds since 1970-01-01. Starts have no zone, and where a day begins first it does so 14 hours before.
pub fn latest_start(now_s: u64) -> String {
    let Day { year, month, day } = day_of(now_s.saturating_add(86_400));
    format!("{year:04}-{month:02}-{day:02}T23:59:59")
}

/// Seconds of `1:42:07`, or of a plain number of them; none for what is neither, or is longer than 10 million seconds.
pub fn clock_s(text: &str) -> Option<f64> {
    let parts: Vec<Option<f64>> = text.trim().split(':').map(plain).collect();
    let seconds = match parts[..] {
        [Some(seconds)] => Some(seconds),
        [Some(hours), Some(minutes), Some(seconds)] if minutes < 60.0 && seconds < 60.0 => {
            Some(hours * 3600.0 + minutes * 60.0 + seconds)
        }
        _ => None,
    };
    seconds.filter(|seconds| *seconds <= 1e7)
}

/// Digits with at most one point.
fn plain(text: &str) -> Option<f64> {
    let is_plain =
        text.starts_with(|c: char| c.is_ascii_digit()) && text.chars().all(|c| c.is_ascii_digit() || c == '.');
    is_plain.then(|| text.parse().ok()).flatten()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_as_clocks_show_them() {
        let read = ["1:42:07", "0:00:30.5", "6127", "27:00:00"].map(clock_s);
        assert_eq!(read, [6127.0, 30.5, 6127.0, 97_200.0].map(Some));
        for text in ["1:42", "1:60:00", "-5", "1:42:07:00", "soon", "", "1e3", "inf", "1:-2:03", "99999:00:00"] {
            assert_eq!(clock_s(text), None, "{text}");
        }
    }

    /// 1 000 000 000 s after 1970 is 2001-09-09 01:46:40 UTC, as `date -u -d @1000000000` says.
    #[test]
    fn tomorrow_is_the_last_day() {
        assert_eq!(latest_start(1_000_000_000), "2001-09-10T23:59:59");
        assert!(latest_start(u64::MAX).as_str() > "2", "a clock that is far off is no harm");
    }

    #[test]
    fn days_and_times_in_their_usual_forms() {
        let same = Some("2027-01-31T14:05:00".to_owned());
        for text in ["2027-01-31T14:05:00", "2027-01-31 14:05", " 2027-01-31T14:05 ", "2027-01-31T14:05:00.25"] {
            assert_eq!(started(text), same, "{text}");
        }
        assert_eq!(started("2027-01-31"), Some("2027-01-31T00:00:00".to_owned()));
        for text in [
            "",
            "today",
            "2027-02-30",
            "31.1.2027",
            "2027-01-31T14:05:00Z",
            "14:05:00",
            "2027-01-31T25:00",
            "1999-12-31",
        ] {
            assert_eq!(started(text), None, "{text}");
        }
    }
}
