//! Numbers, times, paths and paragraphs as people read them.
//!
//! Widths count columns of a terminal.

use std::borrow::Cow;

use unicode_width::{UnicodeWidthChar, UnicodeWidthStr};

/// What a job or a path may hold that a terminal would act on instead of showing.
fn acts_on_terminal(c: char) -> bool {
    c.is_control()
        || matches!(c, '\u{61c}' | '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2060}'..='\u{206f}' | '\u{feff}')
}

/// The text on one line with control, direction and invisible characters shown as `·`.
pub(crate) fn safe(text: &str) -> Cow<'_, str> {
    if text.contains(acts_on_terminal) { Cow::Owned(text.replace(acts_on_terminal, "·")) } else { Cow::Borrowed(text) }
}

/// As [`safe`], line by line.
#[cfg(any(test, feature = "cli", feature = "service"))]
pub(crate) fn safe_lines(text: &str) -> String {
    text.split('\n').map(safe).collect::<Vec<_>>().join("\n")
}

/// The path as shown: safe, and `standard input` for `-`.
pub(crate) fn path(path: &str) -> Cow<'_, str> {
    if path == "-" { Cow::Borrowed("standard input") } else { safe(path) }
}

/// The end of `text` in at most `width` columns, `…` before it when something was cut.
pub(crate) fn tail(text: &str, width: usize) -> String {
    let length = columns(text);
    if length <= width {
        return text.to_owned();
    }
    let mut left_out = 0;
    let kept = text.char_indices().find_map(|(at, c)| {
        let fits = length - left_out < width;
        left_out += c.width().unwrap_or(0);
        fits.then(|| &text[at..])
    });
    format!("…{}", kept.unwrap_or_default())
}

/// Columns a text takes on a terminal: wide characters take two, combining ones none.
pub(crate) fn columns(text: &str) -> usize {
    // Most texts are plain letters, which take a column each.
    let is_plain = text.bytes().fold(true, |plain, byte| plain & (byte.wrapping_sub(b' ') < 0x7f - b' '));
    if is_plain { text.len() } else { text.width() }
}

/// Breaks a paragraph into lines of at most `width` columns, at spaces where there are any.
pub(crate) fn wrap(text: &str, width: usize) -> Vec<String> {
    let width = width.max(1);
    let mut lines = Vec::new();
    let room_for_line = || String::with_capacity(width.min(text.len()));
    let (mut line, mut length) = (room_for_line(), 0);
    for word in text.split_whitespace() {
        let added = columns(word);
        let room = width.saturating_sub(length + usize::from(!line.is_empty()));
        if added > room && !line.is_empty() {
            lines.push(std::mem::replace(&mut line, room_for_line()));
            length = 0;
        }
        if !line.is_empty() {
            line.push(' ');
            length += 1;
        }
        line.push_str(word);
        length += added;
        while length > width {
            let mut taken = 0;
            let over = line.char_indices().find(|(at, c)| {
                taken += c.width().unwrap_or(0);
                taken > width && *at > 0
            });
            let Some((cut, _)) = over else { break };
            let rest = line.split_off(cut);
            length = columns(&rest);
            lines.push(std::mem::replace(&mut line, rest));
        }
    }
    if !line.is_empty() {
        lines.push(line);
    }
    lines
}

/// Wraps a text of several paragraphs; lines that start with a space are examples and stay as they are.
#[cfg(any(test, feature = "cli"))]
pub(crate) fn wrap_paragraphs(text: &str, width: usize) -> Vec<String> {
    let mut lines = Vec::new();
    let mut paragraph = String::new();
    for line in text.lines() {
        if !line.trim().is_empty() && !line.starts_with([' ', '\t']) {
            paragraph.push_str(line);
            paragraph.push(' ');
            continue;
        }
        lines.append(&mut wrap(&std::mem::take(&mut paragraph), width));
        lines.push(line.trim_end().to_owned());
    }
    lines.append(&mut wrap(&paragraph, width));
    lines
}

/// Algorithm and the first characters of a digest: enough to compare by eye.
pub(crate) fn short_digest(digest: &str) -> &str {
    digest.char_indices().nth(19).map_or(digest, |(end, _)| &digest[..end])
}

/// A digest as reports and sheets show it.
pub(crate) fn digest(hash: blake3::Hash) -> String {
    format!("blake3:{}", hash.to_hex())
}

/// A number for reading: about four digits, no trailing zeros after the point.
pub(crate) fn number(value: f64) -> String {
    let decimals = match value.abs() {
        size if size >= 1000.0 => 0,
        size if size >= 100.0 => 1,
        size if size >= 1.0 => 2,
        _ => 3,
    };
    fixed(value, decimals)
}

/// From here on a number is shown with an exponent: nobody reads hundreds of digits.
const LONG: f64 = 1e15;

/// A number with at most so many decimals, without trailing zeros and minus zero; without exponent unless it is huge.
pub(crate) fn fixed(value: f64, decimals: usize) -> String {
    if value.abs() >= LONG || value.is_nan() {
        return huge(value);
    }
    if let Some(text) = clearly(value, decimals) {
        return text;
    }
    let text = format!("{value:.decimals$}");
    let text = if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.') } else { &text };
    if text == "-0" { "0".to_owned() } else { text.to_owned() }
}

/// [`fixed`] where it is clear which way the number rounds, which takes less than half of the work.
fn clearly(value: f64, decimals: usize) -> Option<String> {
    const TENS: [u64; 7] = [1, 10, 100, 1000, 10_000, 100_000, 1_000_000];
    let tens = *TENS.get(decimals)?;
    let scaled = value.abs() * tens as f64;
    let whole = scaled as u64;
    let rest = scaled - whole as f64;
    // Up to 10⁹ the product errs by less than 10⁻⁶.
    if scaled > 1e9 || (rest - 0.5).abs() < 1e-6 {
        return None;
    }
    let units = whole + u64::from(rest > 0.5);
    let (whole, mut part, mut unit) = (units / tens, units % tens, tens / 10);
    let mut text = if value < 0.0 && units > 0 { format!("-{whole}") } else { whole.to_string() };
    if part > 0 {
        text.push('.');
    }
    while part > 0 {
        text.push(char::from(b'0' + (part / unit) as u8));
        (part, unit) = (part % unit, unit / 10);
    }
    Some(text)
}

/// A number with an exponent, such as `1.8e308`. What is not finite would be a fault of this program, and no page shows it
/// as a number.
fn huge(value: f64) -> String {
    if !value.is_finite() {
        return "no finite number".to_owned();
    }
    let text = format!("{value:.3e}");
    let (mantissa, exponent) = text.split_once('e').unwrap_or((&text, "0"));
    format!("{}e{exponent}", mantissa.trim_end_matches('0').trim_end_matches('.'))
}

/// A number as somebody spelled it, in all its digits; shortened where there are very many.
pub(crate) fn spelled(value: f64) -> String {
    let size = value.abs();
    if value == 0.0 || (1e-9..LONG).contains(&size) { format!("{value}") } else { huge(value) }
}

/// Value and limit with enough digits to tell them apart.
pub(crate) fn pair(value: f64, limit: f64) -> (String, String) {
    let short = (number(value), number(limit));
    if short.0 != short.1 || value == limit {
        return short;
    }
    let apart = (1..=9).map(|decimals| (fixed(value, decimals), fixed(limit, decimals))).find(|(a, b)| a != b);
    apart.unwrap_or(short)
}

/// Units as people write them: `mm³/s` for `mm3/s`.
pub(crate) fn units(text: &str) -> String {
    let mut units = String::with_capacity(text.len() + 8);
    for c in text.chars() {
        let raised = match c {
            '2' if units.ends_with("mm") || units.ends_with("/s") => '²',
            '3' if units.ends_with("mm") || units.ends_with("/s") || units.ends_with("/cm") => '³',
            _ => c,
        };
        units.push(raised);
    }
    units
}

/// A number with its unit.
pub(crate) fn quantity(value: f64, unit: &str) -> String {
    with_unit(number(value), unit)
}

/// Puts a unit behind a number, without a stray space when there is none.
pub(crate) fn with_unit(number: String, unit: &str) -> String {
    if unit.is_empty() { number } else { format!("{number} {}", units(unit)) }
}

/// Whole seconds, never negative.
fn whole(seconds: f64) -> u64 {
    // `as` saturates, and turns what is no number into 0.
    seconds.round() as u64
}

/// A place as `x 1, y 2, z 3 mm`.
pub(crate) fn place([x, y, z]: [f64; 3]) -> String {
    format!("x {}, y {}, z {} mm", number(x), number(y), number(z))
}

/// A time as `1 h 02 min 05 s`; under a minute with one decimal.
pub(crate) fn duration(seconds: f64) -> String {
    if (seconds * 10.0).round() < 600.0 {
        return format!("{:.1} s", seconds.max(0.0));
    }
    let all = whole(seconds);
    let (h, min, s) = (all / 3600, all / 60 % 60, all % 60);
    if h == 0 { format!("{min} min {s:02} s") } else { format!("{h} h {min:02} min {s:02} s") }
}

/// A time as `1:02:05`.
pub(crate) fn clock(seconds: f64) -> String {
    let all = whole(seconds);
    format!("{}:{:02}:{:02}", all / 3600, all / 60 % 60, all % 60)
}

/// A moment as ISO 8601 writes it, without its seconds: `2027-01-31 14:05`.
#[cfg(feature = "service")]
pub(crate) fn moment(at: &str) -> String {
    safe(&at.get(..16).unwrap_or(at).replace('T', " ")).into_owned()
}

/// A time and the interval it lies in as `2 h 13 min (90 %: 2 h 09 to 2 h 19)`: to the minute from ten minutes on, where that
/// tells the ends apart.
pub(crate) fn interval(expected_s: f64, low_s: f64, high_s: f64) -> String {
    let minutes = [expected_s, low_s, high_s].map(|seconds| whole(seconds / 60.0));
    if expected_s < 600.0 || minutes[1] == minutes[2] {
        return format!("{} (90 %: {} to {})", duration(expected_s), duration(low_s), duration(high_s));
    }
    let hours = minutes.iter().any(|all| *all >= 60);
    let [expected, low, high] = minutes.map(|all| match hours {
        true => format!("{} h {:02}", all / 60, all % 60),
        false => all.to_string(),
    });
    format!("{expected} min (90 %: {low} to {high})")
}

/// A length of filament or path: metres from 1 m on.
pub(crate) fn length(mm: f64) -> String {
    if (1000.0..LONG).contains(&mm.abs()) { format!("{:.2} m", mm / 1000.0) } else { quantity(mm, "mm") }
}

/// Bytes as `3.4 MB`.
pub(crate) fn bytes(bytes: u64) -> String {
    let size = bytes as f64;
    match bytes {
        0..1_000 => format!("{bytes} bytes"),
        1_000..1_000_000 => format!("{:.1} kB", size / 1e3),
        1_000_000..1_000_000_000 => format!("{:.1} MB", size / 1e6),
        _ => format!("{:.1} GB", size / 1e9),
    }
}

/// A whole number with thin groups: `1 234 567`.
pub(crate) fn grouped(count: u64) -> String {
    let digits = count.to_string();
    let mut text = String::new();
    for (index, digit) in digits.chars().enumerate() {
        if index > 0 && (digits.len() - index).is_multiple_of(3) {
            text.push(' ');
        }
        text.push(digit);
    }
    text
}

/// `1 move`, `2 moves`.
pub(crate) fn counted(count: u64, one: &str, many: &str) -> String {
    format!("{} {}", grouped(count), if count == 1 { one } else { many })
}

/// `a`, `a and b`, `a, b and c`.
pub(crate) fn listed(all: &[&str]) -> String {
    match all {
        [] => String::new(),
        [one] => (*one).to_owned(),
        [first @ .., last] => format!("{} and {last}", first.join(", ")),
    }
}

/// What is nearer to 0 is the rounding of sums of places and amounts.
const NOTHING: f64 = 1e-9;

/// A number for a message: at most three decimals, more for very small ones.
pub(crate) fn figure(value: f64) -> String {
    if (NOTHING..0.001).contains(&value.abs()) { format!("{value:.1e}") } else { fixed(value, 3) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_a_terminal_acts_on_is_left() {
        assert_eq!(safe("a\x1b[31mb\u{9b}2Jc\r\nd\u{202e}e\x7f\u{2066}"), "a·[31mb·2Jc··d·e··");
        assert!(matches!(safe("plain/päth ✓.gcode"), Cow::Borrowed("plain/päth ✓.gcode")));
        assert_eq!(safe_lines("a\x07\nb"), "a·\nb");
    }

    proptest::proptest! {
        #[test]
        fn numbers_round_as_the_standard_library_rounds_them(
            digits in -20_000_000_000i64..20_000_000_000,
            places in 0i32..12,
            off in -2.0f64..2.0,
            decimals in 0usize..9,
        ) {
            for value in [digits as f64 / 10f64.powi(places), (digits as f64 + off) / 10f64.powi(places), off.powi(41)] {
                let text = format!("{value:.decimals$}");
                let text = if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.') } else { &text };
                proptest::prop_assert_eq!(fixed(value, decimals), if text == "-0" { "0" } else { text });
            }
        }
    }

    #[test]
    fn digests_are_cut_between_characters() {
        assert_eq!(short_digest("blake3:0123456789abcdef"), "blake3:0123456789ab");
        assert_eq!(short_digest("blake3:0"), "blake3:0");
        assert_eq!(short_digest(&"é".repeat(20)), "é".repeat(19));
    }

    #[test]
    fn wraps_at_spaces_and_cuts_long_words() {
        assert_eq!(wrap("one two three", 7), ["one two", "three"]);
        assert_eq!(wrap("ab abcdefghij x", 4), ["ab", "abcd", "efgh", "ij x"]);
        assert_eq!(wrap("  ", 4), Vec::<String>::new());
        assert_eq!(wrap("äöü äöü", 3), ["äöü", "äöü"]);
        assert_eq!(wrap_paragraphs("a b\nc\n\n  x   y\nd", 80), ["a b c", "", "  x   y", "d"]);
    }

    #[test]
    fn times_carry_over() {
        assert_eq!(duration(0.0), "0.0 s");
        assert_eq!(duration(59.94), "59.9 s");
        assert_eq!(duration(59.96), "1 min 00 s");
        assert_eq!(duration(3599.6), "1 h 00 min 00 s");
        assert_eq!(duration(90061.0), "25 h 01 min 01 s");
        assert_eq!(duration(f64::NAN), "0 min 00 s");
        assert_eq!(clock(3599.6), "1:00:00");
    }

    #[test]
    fn intervals_are_told_as_coarsely_as_they_are_wide() {
        assert_eq!(interval(7980.0, 7740.0, 8340.0), "2 h 13 min (90 %: 2 h 09 to 2 h 19)");
        assert_eq!(interval(2700.0, 2580.0, 2890.0), "45 min (90 %: 43 to 48)");
        assert_eq!(interval(3590.0, 3300.0, 3900.0), "1 h 00 min (90 %: 0 h 55 to 1 h 05)");
        assert_eq!(interval(500.0, 450.0, 550.0), "8 min 20 s (90 %: 7 min 30 s to 9 min 10 s)");
        assert_eq!(interval(3000.0, 2999.0, 3001.0), "50 min 00 s (90 %: 49 min 59 s to 50 min 01 s)");
    }

    #[test]
    fn value_and_limit_never_look_alike_when_they_differ() {
        assert_eq!(pair(11.004, 11.0), ("11.004".into(), "11".into()));
        assert_eq!(pair(14.2, 11.0), ("14.2".into(), "11".into()));
        assert_eq!(pair(5.0, 5.0), ("5".into(), "5".into()));
    }

    #[test]
    fn numbers_read_well() {
        assert_eq!(number(-0.0001), "0");
        assert_eq!(number(1234.5), "1234");
        assert_eq!(number(200.0), "200");
        assert_eq!(number(0.0625), "0.062");
        assert_eq!(grouped(1_234_567), "1 234 567");
        assert_eq!(grouped(12), "12");
        assert_eq!(counted(1, "move", "moves"), "1 move");
        assert_eq!(bytes(999), "999 bytes");
        assert_eq!(bytes(3_400_000), "3.4 MB");
        assert_eq!(units("2 mm3/s at 5 mm/s2"), "2 mm³/s at 5 mm/s²");
        assert_eq!(quantity(3.0, ""), "3");
        assert_eq!(tail("some/long/path.gcode", 11), "…path.gcode");
        assert_eq!(tail("short", 11), "short");
    }

    #[test]
    fn figures_are_short_and_lose_no_small_value() {
        let cases = [
            (14.2, "14.2"),
            (250.0, "250"),
            (0.0, "0"),
            (-0.0, "0"),
            (-0.5, "-0.5"),
            (2.0e-6, "2.0e-6"),
            (-1.7e-16, "0"),
        ];
        for (value, text) in cases {
            assert_eq!(figure(value), text);
        }
        assert_eq!(figure(1.0 / 3.0), "0.333");
        assert_eq!(figure(100_000.0), "100000");
    }

    #[test]
    fn long_numbers_are_shortened_and_none_is_infinite() {
        assert_eq!(
            [1e308, f64::MAX, -2.5e20, 1e15].map(|value| fixed(value, 3)),
            ["1e308", "1.798e308", "-2.5e20", "1e15"]
        );
        assert_eq!([1e308, 1e16].map(number), ["1e308", "1e16"]);
        assert_eq!((figure(f64::MAX), length(1e300)), ("1.798e308".into(), "1e300 mm".into()));
        assert_eq!([0.1, -0.0, 1e9, 123_456.789].map(spelled), ["0.1", "-0", "1000000000", "123456.789"]);
        assert_eq!([f64::MAX, 1e-200, -1e99].map(spelled), ["1.798e308", "1e-200", "-1e99"]);
        for value in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
            let told = [number(value), figure(value), spelled(value), length(value), quantity(value, "mm")];
            assert!(told.iter().all(|text| text.starts_with("no finite number")), "{told:?}");
        }
    }

    #[test]
    fn wide_characters_take_two_columns() {
        // Unicode Standard Annex #11: Han and Kana are wide, a combining accent takes no column of its own.
        assert_eq!((columns("治具"), columns("e\u{301}"), columns("job")), (4, 1, 3));
        assert_eq!(wrap("治具治具治具", 5), ["治具", "治具", "治具"]);
        assert_eq!(wrap("治", 1), ["治"], "no room, no loss");
        assert_eq!(
            (tail("jobs/治具.gcode", 11), tail("jobs/治具.gcode", 10)),
            ("…治具.gcode".into(), "…具.gcode".into())
        );
        assert_eq!(columns(&tail("治具治具治具", 6)), 5);
    }
}
