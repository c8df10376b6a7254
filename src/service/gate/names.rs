//! Names of files that any card and any system can hold.

/// Most bytes that are kept of a name: with digits, endings and `.txt` behind them less than the 255 that file systems take.
const KEPT_MOST_BYTES: usize = 120;
/// How many digits of the digest stand behind it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Digits {
    /// The first eight.
    First,
    /// All: where two contents with one name begin alike.
    All,
}

impl Digits {
    fn of(self, digest: &str) -> &str {
        let digits = digest.rsplit(':').next().unwrap_or_default();
        if self == Self::First { digits.get(..8).unwrap_or(digits) } else { digits }
    }
}

/// What is left of a name: letters, digits, points, dashes and blanks, the rest as `_`; nothing that hides a file, leads out of
/// its folder or is dropped by a card.
pub(super) fn escaped(name: &str) -> String {
    let kept = |c: char| if c.is_alphanumeric() || "._- ".contains(c) { c } else { '_' };
    let name: String = name.chars().map(kept).collect();
    let name = name[..name.floor_char_boundary(KEPT_MOST_BYTES)].trim_matches([' ', '.']);
    if name.is_empty() { "job".to_owned() } else { name.to_owned() }
}

/// The name under which a job is kept: its own, with the beginning of the digest of its plain bytes.
pub(super) fn of_job(name: &str, digest: &str, digits: Digits) -> String {
    let name = name.strip_suffix(".gz").unwrap_or(name);
    let (stem, ending) = match name.rsplit_once('.') {
        Some((stem, ending)) if !stem.is_empty() && (1..=8).contains(&ending.len()) => (stem, escaped(ending)),
        _ => (name, "gcode".to_owned()),
    };
    format!("{}-{}.{ending}", escaped(stem), digits.of(digest))
}

/// True where a name has digits of that digest behind it.
pub(super) fn is_of(name: &str, digest: &str) -> bool {
    let stem = name.rsplit_once('.').map_or(name, |(stem, _)| stem);
    let ends = |digits: Digits| stem.strip_suffix(digits.of(digest)).is_some_and(|before| before.ends_with('-'));
    ends(Digits::First) || ends(Digits::All)
}

/// True where a name looks like one that [`of_job`] has made.
pub(super) fn is_ours(name: &str) -> bool {
    let digits = name.rsplit_once('.').and_then(|(stem, _)| stem.rsplit_once('-')).map(|(_, digits)| digits);
    digits.is_some_and(|digits| matches!(digits.len(), 8 | 64) && digits.bytes().all(|b| b.is_ascii_hexdigit()))
}

#[cfg(test)]
mod tests {
    use super::*;

    const DIGEST: &str = "blake3:0123456789abcdef";

    #[test]
    fn names_are_fit_for_a_card() {
        for (name, kept) in [
            ("hook.gcode", "hook-01234567.gcode"),
            ("hook.gcode.gz", "hook-01234567.gcode"),
            ("a b.c.gco", "a b.c-01234567.gco"),
            ("hook", "hook-01234567.gcode"),
            ("CON", "CON-01234567.gcode"),
            ("Haken-äß.G", "Haken-äß-01234567.G"),
            ("../../etc/passwd", "_.._etc_passwd-01234567.gcode"),
            ("..", "job-01234567.gcode"),
            (".gcode", "gcode-01234567.gcode"),
            ("a\n<b>\".gcode", "a__b__-01234567.gcode"),
            ("'; DROP TABLE jobs; --.gcode", "__ DROP TABLE jobs_ ---01234567.gcode"),
        ] {
            assert_eq!(of_job(name, DIGEST, Digits::First), kept, "{name:?}");
            assert!(is_of(kept, DIGEST) && !is_of(kept, "blake3:1123456789"), "{kept}");
        }
        assert!(is_of(&of_job("hook.gcode", DIGEST, Digits::All), DIGEST));
        assert!(is_ours("hook-01234567.gcode") && !is_ours("hook.gcode") && !is_ours("hook-012345678.gcode"));
        let long = of_job(&format!("{}.gcode", "ü".repeat(400)), DIGEST, Digits::First);
        assert_eq!(long.len(), KEPT_MOST_BYTES + "-01234567.gcode".len());
    }

    proptest::proptest! {
        #[test]
        fn no_name_leads_out_of_its_folder(name in ".*") {
            let kept = of_job(&name, DIGEST, Digits::First);
            let path = std::path::Path::new(&kept);
            proptest::prop_assert_eq!(path.components().count(), 1);
            proptest::prop_assert!(path.file_name().is_some_and(|found| found == kept.as_str()) && !kept.starts_with('.'));
            proptest::prop_assert!(!kept.chars().any(|c| c.is_control() || "\"*/:<>?\\|".contains(c)));
            // Most file systems take 255 bytes, a FAT card 255 units of UTF-16 (common practice, no source).
            let longest = of_job(&name, &format!("blake3:{}", "f".repeat(64)), Digits::All);
            proptest::prop_assert!(longest.len() + ".txt".len() <= 255 && is_ours(&longest));
        }
    }
}
