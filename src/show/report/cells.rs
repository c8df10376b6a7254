//! Rows of CSV (RFC 4180, but lines end in a newline alone). Numbers are not rounded; a cell is empty where there is none.

use std::io::{self, Write};

use csv::{Terminator, WriterBuilder};

use crate::wording::safe;

/// What a spreadsheet takes for the start of a formula. Tabs and line ends never get this far.
const FORMULA: [char; 8] = ['=', '+', '-', '@', '＝', '＋', '－', '＠'];

/// Text that comes from a job, a sheet or a path: nothing in it acts on a terminal, and a spreadsheet does not calculate
/// with it. A `-` alone, which is standard input, is no formula.
pub fn text(text: &str) -> String {
    let shown = safe(text);
    if shown != "-" && shown.trim_start().starts_with(FORMULA) { format!("'{shown}") } else { shown.into_owned() }
}

/// A number, or nothing. One that is not finite, which would be a fault of this program, is nothing too.
pub fn number(value: Option<f64>) -> String {
    value.filter(|value| value.is_finite()).map(|value| value.to_string()).unwrap_or_default()
}

/// Writes one row.
pub fn row(cells: &[String], out: &mut dyn Write) -> io::Result<()> {
    let mut writer = WriterBuilder::new().terminator(Terminator::Any(b'\n')).from_writer(out);
    writer.write_record(cells).map_err(io::Error::other)?;
    writer.flush()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_text_is_a_formula() {
        for formula in ["=1+2", "+1", "-1", "@a", "\t=1", "\r=1", "  =1", "＝1", "－1", "-\u{1b}"] {
            let shown = text(formula);
            assert!(!shown.trim_start().starts_with(FORMULA) && !shown.contains(char::is_control), "{shown:?}");
        }
        assert_eq!(["-", "a=b", "'a", "", "jobs/-a"].map(text), ["-", "a=b", "'a", "", "jobs/-a"]);
    }

    #[test]
    fn numbers_keep_their_sign_and_every_digit() {
        assert_eq!([Some(-0.1), Some(1e-9), Some(f64::NAN), None].map(number), ["-0.1", "0.000000001", "", ""]);
    }
}
