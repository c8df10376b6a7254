//! When a print was started: a day and a time as people write them, so that later ones sort behind earlier ones.

/// `2027-01-31T14:05:00` for a day with or without a time, which may lack its seconds; `T` or a blank between. None for what
/// is none, or has a time zone: prints of one machine are started where it stands.
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
    read.offset.is_none().then(|| {
        let (hour, minute, second) = (time.hour, time.minute, time.second.unwrap_or(0));
        format!("{:04}-{:02}-{:02}T{hour:02}:{minute:02}:{second:02}", date.year, date.month, date.day)
    })
}

#[cfg(test)]
mod tests {
    use super::started;

    #[test]
    fn days_and_times_in_their_usual_forms() {
        let same = Some("2027-01-31T14:05:00".to_owned());
        for text in ["2027-01-31T14:05:00", "2027-01-31 14:05", " 2027-01-31T14:05 ", "2027-01-31T14:05:00.25"] {
            assert_eq!(started(text), same, "{text}");
        }
        assert_eq!(started("2027-01-31"), Some("2027-01-31T00:00:00".to_owned()));
        for text in ["", "today", "2027-02-30", "31.1.2027", "2027-01-31T14:05:00Z", "14:05:00", "2027-01-31T25:00"] {
            assert_eq!(started(text), None, "{text}");
        }
    }
}
