//! The report for build servers: JUnit XML, a suite for each job on each machine and a case for each check.
//!
//! Suites are written as jobs come, so that a long list of jobs takes no memory; the root therefore carries no totals.
//!
//! Why has the root of the JUnit report no totals? They would have to come before suites that are written as jobs
//! come.

use std::borrow::Cow;
use std::collections::BTreeMap;
use std::io::{self, Write};

use quick_xml::Writer;
use quick_xml::events::BytesText;

use super::matrix::labels;
use super::{CAUTION, Report, unsafe_accepted};
use crate::findings::{Finding, Inspection, MachineFacts, Severity, Unjudged};
use crate::show::marks::because;
use crate::study::matrix::{Judged, Totals};
use crate::wording::{pair, safe, with_unit};

/// The JUnit renderer.
pub struct JunitReport {
    fail_on: Option<Severity>,
    machines: Vec<String>,
    begun: bool,
}

impl JunitReport {
    /// A renderer whose cases fail from `fail_on` on, or never, for jobs that are judged on these machines.
    pub fn new(fail_on: impl Into<Option<Severity>>, machines: &[MachineFacts]) -> Self {
        Self { fail_on: fail_on.into(), machines: labels(machines), begun: false }
    }

    fn judged(&self, inspection: &Inspection, machine: usize, out: &mut dyn Write) -> io::Result<()> {
        let name = format!("{} on {}", safe(&inspection.job.path), self.machines[machine]);
        judged(inspection, &name, self.fail_on).write(out)
    }

    fn begin(&mut self, out: &mut dyn Write) -> io::Result<()> {
        if !std::mem::replace(&mut self.begun, true) {
            out.write_all(b"<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<testsuites name=\"gonogo check\">\n")?;
        }
        Ok(())
    }
}

impl Report<Judged, Totals> for JunitReport {
    fn add(&mut self, judged: &Judged, out: &mut dyn Write) -> io::Result<()> {
        self.begin(out)?;
        match judged {
            Ok(inspections) => (inspections.iter().enumerate())
                .try_for_each(|(machine, inspection)| self.judged(inspection, machine, out)),
            Err(unjudged) => not_judged(unjudged).write(out),
        }
    }

    fn finish(&mut self, _totals: &Totals, out: &mut dyn Write) -> io::Result<()> {
        self.begin(out)?;
        out.write_all(b"</testsuites>\n")
    }
}

/// One suite, as it is written: a job on a machine.
struct Suite<'a> {
    name: String,
    properties: Vec<(&'static str, Cow<'a, str>)>,
    cases: Vec<Case<'a>>,
    said: String,
}

/// One check of it.
struct Case<'a> {
    name: &'a str,
    outcome: CaseOutcome<'a>,
    /// What is said beside the outcome; empty where there is nothing.
    said: String,
}

/// What became of a check.
enum CaseOutcome<'a> {
    Passed,
    /// The element's name, its message, its type, and its text.
    Failed(&'static str, Cow<'a, str>, &'static str, String),
    Skipped(Cow<'a, str>),
}

/// What XML 1.0 does not allow in a document ("Char") is shown as what cannot be shown.
fn xml(text: &str) -> Cow<'_, str> {
    let is_xml = |c: char| matches!(c, '\t' | '\n' | '\r' | ' '..='\u{fffd}' | '\u{10000}'..);
    if text.chars().all(is_xml) { text.into() } else { text.replace(|c| !is_xml(c), "\u{fffd}").into() }
}

impl Suite<'_> {
    fn write(&self, out: &mut dyn Write) -> io::Result<()> {
        let failed = |kind| {
            let is_so = |case: &&Case<'_>| matches!(&case.outcome, CaseOutcome::Failed(name, ..) if *name == kind);
            self.cases.iter().filter(is_so).count().to_string()
        };
        let skipped = self.cases.iter().filter(|case| matches!(case.outcome, CaseOutcome::Skipped(_))).count();
        let mut inside = Vec::new();
        let mut writer = Writer::new_with_indent(&mut inside, b' ', 4);
        let counts = [
            ("tests", self.cases.len().to_string()),
            ("skipped", skipped.to_string()),
            ("errors", failed("error")),
            ("failures", failed("failure")),
        ];
        let element = writer.create_element("testsuite").with_attribute(("name", xml(&self.name).as_ref()));
        let element = element.with_attributes(counts.iter().map(|(name, count)| (*name, count.as_str())));
        element.write_inner_content(|writer| {
            if !self.properties.is_empty() {
                writer.create_element("properties").write_inner_content(|writer| {
                    self.properties.iter().try_for_each(|(name, value)| {
                        let attributes = [("name", *name), ("value", &xml(value))];
                        writer.create_element("property").with_attributes(attributes).write_empty().map(drop)
                    })
                })?;
            }
            self.cases.iter().try_for_each(|case| case.write(&self.name, writer))?;
            said(&self.said, writer)
        })?;
        for line in String::from_utf8_lossy(&inside).split_inclusive('\n') {
            // Only lines that begin a tag are indented: the others belong to a text.
            let gap = if line.trim_start().starts_with('<') { "    " } else { "" };
            write!(out, "{gap}{line}")?;
        }
        writeln!(out)
    }
}

impl Case<'_> {
    fn write<W: Write>(&self, suite: &str, writer: &mut Writer<W>) -> io::Result<()> {
        let suite = xml(suite);
        let attributes = [("name", self.name), ("classname", suite.as_ref())];
        let element = writer.create_element("testcase").with_attributes(attributes);
        if matches!(self.outcome, CaseOutcome::Passed) && self.said.is_empty() {
            return element.write_empty().map(drop);
        }
        element.write_inner_content(|writer| {
            match &self.outcome {
                CaseOutcome::Passed => {}
                CaseOutcome::Failed(name, message, kind, text) => {
                    let attributes = [("message", xml(message)), ("type", Cow::Borrowed(*kind))];
                    let attributes = attributes.iter().map(|(name, value)| (*name, value.as_ref()));
                    let element = writer.create_element(*name).with_attributes(attributes);
                    element.write_text_content(BytesText::new(&xml(text)))?;
                }
                CaseOutcome::Skipped(why) => {
                    writer.create_element("skipped").with_attribute(("message", xml(why).as_ref())).write_empty()?;
                }
            }
            said(&self.said, writer)
        })?;
        Ok(())
    }
}

/// What is said beside an outcome.
fn said<W: Write>(text: &str, writer: &mut Writer<W>) -> io::Result<()> {
    if !text.is_empty() {
        writer.create_element("system-out").write_text_content(BytesText::new(&xml(text)))?;
    }
    Ok(())
}

fn judged<'a>(inspection: &'a Inspection, name: &str, fail_on: Option<Severity>) -> Suite<'a> {
    let (job, machine) = (&inspection.job, &inspection.machine);
    let accepted_unsafe = inspection.accepted_unsafe();
    let mut properties: Vec<(&str, Cow<'a, str>)> = Vec::new();
    if accepted_unsafe > 0 {
        properties.push(("unsafe-findings-accepted", accepted_unsafe.to_string().into()));
    }
    properties.extend([
        ("verdict", inspection.verdict.word().into()),
        ("machine", safe(&machine.name)),
        ("machine-sheet", safe(&machine.source)),
        ("machine-digest", safe(&machine.digest)),
        ("job-digest", safe(&job.digest)),
    ]);
    let mut found: BTreeMap<&str, Vec<&Finding>> = BTreeMap::new();
    for finding in &inspection.findings {
        found.entry(&finding.check).or_default().push(finding);
    }
    let run =
        inspection.checks_run.iter().map(|check| (check.as_ref(), found.remove(check.as_ref()).unwrap_or_default()));
    let mut cases: Vec<Case<'a>> = run.map(|(check, findings)| case(check, findings, fail_on)).collect();
    // Nothing that was found is lost, whatever found it.
    cases.extend(found.into_iter().map(|(check, findings)| case(check, findings, fail_on)));
    cases.extend(inspection.checks_skipped.iter().map(|skipped| {
        let outcome = CaseOutcome::Skipped(safe(&skipped.reason));
        Case { name: &skipped.check, outcome, said: String::new() }
    }));
    Suite { name: name.to_owned(), properties, cases, said: beside(inspection, accepted_unsafe) }
}

/// What the report says beside its checks.
fn beside(inspection: &Inspection, accepted_unsafe: usize) -> String {
    let mut lines = Vec::new();
    if accepted_unsafe > 0 {
        lines.push(unsafe_accepted(accepted_unsafe));
    }
    let remarks = inspection.acceptance.iter().flat_map(|acceptance| &acceptance.remarks);
    lines.extend(remarks.map(|remark| safe(remark).into_owned()));
    lines.extend(inspection.left_out.iter().map(|left_out| format!("left out: {}", safe(left_out))));
    lines.push(CAUTION.to_owned());
    lines.join("\n")
}

/// One check: failed where something that nobody accepted weighs enough, the rest is shown beside it.
fn case<'a>(check: &'a str, findings: Vec<&'a Finding>, fail_on: Option<Severity>) -> Case<'a> {
    let fails = |finding: &&Finding| finding.accepted.is_none() && fail_on.is_some_and(|from| finding.severity >= from);
    let (failing, told): (Vec<&Finding>, Vec<&Finding>) = findings.into_iter().partition(fails);
    let outcome = match failing.first() {
        Some(worst) => CaseOutcome::Failed("failure", safe(&worst.message), worst.severity.word(), lines(&failing)),
        None => CaseOutcome::Passed,
    };
    Case { name: check, outcome, said: lines(&told) }
}

/// A line for each finding, and the lines of the job it points at.
fn lines(findings: &[&Finding]) -> String {
    let mut lines = Vec::new();
    for finding in findings {
        let place = finding.line.map(|line| format!(" line {line}")).unwrap_or_default();
        let times = if finding.count > 1 { format!(" ({} times)", finding.count) } else { String::new() };
        let values = finding.value.zip(finding.limit).map(|(value, limit)| {
            let (value, limit) = pair(value, limit);
            format!(" [{}, limit {}]", with_unit(value, &finding.unit), with_unit(limit, &finding.unit))
        });
        let values = values.unwrap_or_default();
        lines.push(format!("{}{place}{times}: {}{values}", finding.severity, safe(&finding.message)));
        lines.extend(finding.accepted.as_ref().map(|why| format!("  {}", safe(&because(why)))));
        lines.extend(finding.excerpts.iter().map(|excerpt| format!("  {}: {}", excerpt.line, safe(&excerpt.text))));
    }
    lines.join("\n")
}

fn not_judged(unjudged: &Unjudged) -> Suite<'_> {
    let outcome = CaseOutcome::Failed("error", safe(&unjudged.error), "not judged", String::new());
    let case = Case { name: "read", outcome, said: String::new() };
    Suite { name: safe(&unjudged.path).into_owned(), properties: Vec::new(), cases: vec![case], said: String::new() }
}
