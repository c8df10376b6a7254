//! The report for build servers: JUnit XML, a suite for each job on each machine and a case for each check.
//!
//! Suites are written as jobs come, so that a long list of jobs takes no memory; the root therefore carries no totals.
//!
//! Why has the root of the JUnit report no totals? They would have to stand before suites that are written as jobs
//! come.

use std::collections::BTreeMap;
use std::io::{self, Write};

use quick_junit::{NonSuccessKind, Property, Report as Document, TestCase, TestCaseStatus, TestSuite};

use super::matrix::labels;
use super::{CAUTION, Report, unsafe_accepted};
use crate::findings::{Finding, Inspection, MachineFacts, Severity, Unjudged};
use crate::show::marks::because;
use crate::study::matrix::{Judged, Totals};
use crate::wording::{pair, safe, with_unit};

/// The JUnit renderer.
pub struct JunitReport {
    fail_on: Severity,
    machines: Vec<String>,
    begun: bool,
}

impl JunitReport {
    /// A renderer whose cases fail from `fail_on` on, for jobs that are judged on these machines.
    pub fn new(fail_on: Severity, machines: &[MachineFacts]) -> Self {
        Self { fail_on, machines: labels(machines), begun: false }
    }

    fn judged(&self, inspection: &Inspection, machine: usize, out: &mut dyn Write) -> io::Result<()> {
        let name = format!("{} on {}", safe(&inspection.job.path), self.machines[machine]);
        write_suite(judged(inspection, &name, self.fail_on), out)
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
            Err(unjudged) => write_suite(not_judged(unjudged), out),
        }
    }

    fn finish(&mut self, _totals: &Totals, out: &mut dyn Write) -> io::Result<()> {
        self.begin(out)?;
        out.write_all(b"</testsuites>\n")
    }
}

/// What XML 1.0 allows in a document ("Char").
fn is_xml(c: char) -> bool {
    matches!(c, '\t' | '\n' | '\r' | ' '..='\u{fffd}' | '\u{10000}'..)
}

/// Writes one suite of a document that goes on: what stands between the root's tags.
fn write_suite(suite: TestSuite, out: &mut dyn Write) -> io::Result<()> {
    let mut document = Document::new("gonogo check");
    document.add_test_suite(suite);
    let text = document.to_string().map_err(io::Error::other)?;
    let text = text.replace(|c| !is_xml(c), "\u{fffd}");
    // In texts and attributes `<` is escaped: these are tags.
    let start = text.find("<testsuite ").unwrap_or(text.len());
    let end = text.rfind("</testsuites>").unwrap_or(text.len());
    writeln!(out, "    {}", text.get(start..end).unwrap_or_default().trim_end())
}

fn judged(inspection: &Inspection, name: &str, fail_on: Severity) -> TestSuite {
    let (job, machine) = (&inspection.job, &inspection.machine);
    let mut suite = TestSuite::new(name);
    let accepted_unsafe = inspection.accepted_unsafe();
    if accepted_unsafe > 0 {
        suite.add_property(Property::new("unsafe-findings-accepted", accepted_unsafe.to_string()));
    }
    for (name, text) in [
        ("verdict", inspection.verdict.word()),
        ("machine", &machine.name),
        ("machine-sheet", &machine.source),
        ("machine-digest", &machine.digest),
        ("job-digest", &job.digest),
    ] {
        suite.add_property(Property::new(name, safe(text)));
    }
    let mut found: BTreeMap<&str, Vec<&Finding>> = BTreeMap::new();
    for finding in &inspection.findings {
        found.entry(&finding.check).or_default().push(finding);
    }
    for check in &inspection.checks_run {
        suite.add_test_case(case(name, check, found.remove(check.as_ref()).unwrap_or_default(), fail_on));
    }
    // Nothing that was found is lost, whatever found it.
    for (check, findings) in found {
        suite.add_test_case(case(name, check, findings, fail_on));
    }
    for skipped in &inspection.checks_skipped {
        let mut status = TestCaseStatus::skipped();
        status.set_message(safe(&skipped.reason));
        suite.add_test_case(named(name, &skipped.check, status));
    }
    suite.set_system_out(said(inspection, accepted_unsafe));
    suite
}

/// What the report says beside its checks.
fn said(inspection: &Inspection, accepted_unsafe: usize) -> String {
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

fn named(suite: &str, check: &str, status: TestCaseStatus) -> TestCase {
    let mut case = TestCase::new(check, status);
    case.set_classname(suite);
    case
}

/// One check: failed where something that nobody accepted weighs enough, the rest is told.
fn case(suite: &str, check: &str, findings: Vec<&Finding>, fail_on: Severity) -> TestCase {
    let fails = |finding: &&Finding| finding.accepted.is_none() && finding.severity >= fail_on;
    let (failing, told): (Vec<&Finding>, Vec<&Finding>) = findings.into_iter().partition(fails);
    let mut status = TestCaseStatus::success();
    if let Some(worst) = failing.first() {
        status = TestCaseStatus::non_success(NonSuccessKind::Failure);
        status.set_type(worst.severity.word()).set_message(safe(&worst.message));
        status.set_description(lines(&failing));
    }
    let mut case = named(suite, check, status);
    if !told.is_empty() {
        case.set_system_out(lines(&told));
    }
    case
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

fn not_judged(unjudged: &Unjudged) -> TestSuite {
    let mut suite = TestSuite::new(safe(&unjudged.path));
    let mut status = TestCaseStatus::non_success(NonSuccessKind::Error);
    status.set_type("not judged").set_message(safe(&unjudged.error));
    suite.add_test_case(named(&safe(&unjudged.path), "read", status));
    suite
}
