//! The report for programs: its own types, so that the published shape never changes by accident.
//!
//! Numbers are not rounded. A number that is not finite, which would be a fault of this program, is written as null.

use std::io::{self, Write};

use serde::Serialize;

mod borrowed;
mod read;
mod shape;

pub use read::{NotAReport, read};
pub use shape::*;

use super::{Report, only};
use crate::study::matrix as of_matrix;

/// Name and version of the shape.
pub const SCHEMA: &str = "gonogo.report/1";

/// The published JSON Schema. It holds for what `json` prints and for each line of `ndjson`.
pub fn schema() -> schemars::Schema {
    schemars::schema_for!(Document<'_>)
}

/// Writes a value so that no control character is in it raw: JSON allows DEL and C1 controls, terminals act on them.
pub fn write_value(value: &impl Serialize, pretty: bool, out: &mut dyn Write) -> io::Result<()> {
    let text = if pretty { serde_json::to_string_pretty(value) } else { serde_json::to_string(value) }?;
    let mut rest = text.as_str();
    // Such a character can only be inside a string, where an escape means the same.
    while let Some(at) =
        rest.find(|c| matches!(c, '\u{7f}'..='\u{9f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}'))
    {
        let (plain, hit) = rest.split_at(at);
        let mut after = hit.chars();
        let code = after.next().map_or(0, u32::from);
        write!(out, "{plain}\\u{code:04x}")?;
        rest = after.as_str();
    }
    out.write_all(rest.as_bytes())
}

/// How several jobs are kept apart.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Frame {
    /// One job: an object.
    Object,
    /// Several jobs: a list.
    List,
    /// One line per job.
    Lines,
}

/// The JSON renderer.
pub struct JsonReport {
    frame: Frame,
    added: u64,
}

impl JsonReport {
    /// A renderer that has not written anything.
    pub fn new(frame: Frame) -> Self {
        Self { frame, added: 0 }
    }
}

impl Report<of_matrix::Judged, of_matrix::Totals> for JsonReport {
    fn add(&mut self, judged: &of_matrix::Judged, out: &mut dyn Write) -> io::Result<()> {
        if self.frame == Frame::List {
            out.write_all(if self.added == 0 { b"[\n" } else { b",\n" })?;
        }
        self.added += 1;
        write_value(&Entry::from(only(judged)), self.frame != Frame::Lines, out)?;
        if self.frame == Frame::List { Ok(()) } else { out.write_all(b"\n") }
    }

    fn finish(&mut self, _: &of_matrix::Totals, out: &mut dyn Write) -> io::Result<()> {
        match (self.frame, self.added) {
            (Frame::List, 0) => out.write_all(b"[]\n"),
            (Frame::List, _) => out.write_all(b"\n]\n"),
            _ => Ok(()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::findings::{Outcome, sample};
    use serde_json::Value;

    fn render(frame: Frame, outcomes: &[Outcome]) -> String {
        let mut report = JsonReport::new(frame);
        let mut out = Vec::new();
        for outcome in outcomes {
            report.add(&outcome.clone().map(|inspection| vec![inspection]), &mut out).expect("writes");
        }
        report.finish(&crate::show::report::matrix::samples::totals_of_none(), &mut out).expect("writes");
        String::from_utf8(out).expect("UTF-8")
    }

    fn samples() -> Vec<Outcome> {
        vec![
            Ok(sample::no_go()),
            Ok(sample::hold()),
            Ok(sample::empty()),
            Err(sample::unjudged()),
            Ok(sample::hostile()),
            Ok(sample::accepted()),
        ]
    }

    fn validator() -> jsonschema::Validator {
        jsonschema::validator_for(schema().as_value()).expect("the schema is one")
    }

    #[test]
    fn every_form_fits_the_published_schema() {
        let validator = validator();
        for outcome in samples() {
            let value: Value = serde_json::from_str(&render(Frame::Object, &[outcome])).expect("JSON");
            let faults: Vec<String> = validator.iter_errors(&value).map(|fault| fault.to_string()).collect();
            assert_eq!(faults, Vec::<String>::new());
        }
        let list: Value = serde_json::from_str(&render(Frame::List, &samples())).expect("JSON");
        assert_eq!(list.as_array().map(Vec::len), Some(6));
        assert!(validator.is_valid(&list));
        let lines = render(Frame::Lines, &samples());
        assert_eq!(lines.lines().count(), 6);
        assert!(lines.lines().all(|line| validator.is_valid(&serde_json::from_str(line).expect("JSON"))));
    }

    #[test]
    fn the_schema_refuses_other_shapes() {
        let validator = validator();
        let good: Value = serde_json::from_str(&render(Frame::Object, &[Ok(sample::no_go())])).expect("JSON");
        for (pointer, wrong) in [("/schema", "other/1"), ("/verdict", "maybe"), ("/time_s/total", "long")] {
            let mut bad = good.clone();
            *bad.pointer_mut(pointer).expect("is there") = wrong.into();
            assert!(!validator.is_valid(&bad), "{pointer}");
        }
        let mut bad = good;
        bad.as_object_mut().expect("object").remove("findings");
        assert!(!validator.is_valid(&bad));
        assert!(!validator.is_valid(&serde_json::json!({"schema": SCHEMA, "job": {"path": "x"}})));
    }

    #[test]
    fn fixed_paths_hold_unrounded_values() {
        let value: Value = serde_json::from_str(&render(Frame::Object, &[Ok(sample::no_go())])).expect("JSON");
        let at = |pointer: &str| value.pointer(pointer).unwrap_or_else(|| panic!("{pointer} is missing")).clone();
        assert_eq!(at("/schema"), SCHEMA);
        assert_eq!(at("/verdict"), "no-go");
        assert_eq!(at("/job/lines"), 91_233);
        assert_eq!(at("/time_s/total"), 3725.4 + 905.25 + 61.5 + 4.0 + 343.0);
        assert_eq!(at("/path_mm/total"), 473_820.5);
        assert_eq!(at("/filament/net_mm3"), 29_732.5);
        assert_eq!(at("/flow_mm3_s/p99"), 13.9);
        assert_eq!(at("/flow_mm3_s/capacity/sustained"), 11.0);
        assert_eq!(at("/flow_mm3_s/sustained_peak_line"), 20_117);
        assert_eq!(at("/extent_mm/reached/max/1"), 201.5);
        assert_eq!(at("/heat/tools_max_c/1/max_c"), 205.0);
        assert_eq!(at("/layers/0/first_line"), 40);
        assert_eq!(at("/findings/0/excerpts/1/line"), 20_117);
        assert_eq!(at("/findings/3/line"), Value::Null);
        assert_eq!(at("/checks/skipped/0/check"), "step-rate-over-limit");
        let empty: Value = serde_json::from_str(&render(Frame::Object, &[Ok(sample::empty())])).expect("JSON");
        assert_eq!(empty.pointer("/extent_mm/reached"), Some(&Value::Null));
        assert_eq!(empty.pointer("/flow_mm3_s/p50"), Some(&Value::Null));
    }

    #[test]
    fn what_is_not_finite_becomes_null() {
        let mut inspection = sample::go();
        inspection.flow.peak_mm3_s = f64::INFINITY;
        let value: Value = serde_json::from_str(&render(Frame::Object, &[Ok(inspection)])).expect("JSON");
        assert_eq!(value.pointer("/flow_mm3_s/peak"), Some(&Value::Null));
    }

    #[test]
    fn hostile_text_is_escaped_and_kept() {
        let text = render(Frame::Lines, &[Ok(sample::hostile())]);
        assert!(!text.trim_end().contains(char::is_control), "{text:?}");
        let value: Value = serde_json::from_str(&text).expect("JSON");
        assert_eq!(value.pointer("/job/path"), Some(&sample::hostile().job.path.into()));
    }

    #[test]
    fn an_unread_job_is_its_path_and_error() {
        snapbox::assert_data_eq!(
            render(Frame::Lines, &[Err(sample::unjudged())]),
            snapbox::str![[r#"
{"schema":"gonogo.report/1","error":"cannot read jobs/lost.gcode: no such file","job":{"path":"jobs/lost.gcode"}}

"#]]
        );
        assert_eq!(render(Frame::List, &[]), "[]\n");
    }

    #[test]
    fn object_snapshot() {
        let mut inspection = sample::no_go();
        inspection.layers.truncate(1);
        inspection.series.peak_mm3_s.truncate(1);
        inspection.series.sustained_mm3_s.truncate(1);
        snapbox::assert_data_eq!(
            render(Frame::Object, &[Ok(inspection)]),
            snapbox::file!["../snapshots/report.json": Text]
        );
    }
}
