//! The report for tools that gather findings: SARIF 2.1.0 (OASIS, "Static Analysis Results Interchange Format", 2020).
//!
//! One run for all jobs. Results are written job by job as they come; only what the format wants once (jobs, machines,
//! verdicts, notices) is kept until the end, up to the same bound as results. A job is one artifact however often it is
//! given and on however many machines it is judged.
//!
//! Why does the SARIF schema come out of a crate? The tests read it from `serde-sarif`, whose types read the report a
//! second time; a copy here would be one more file that is not ours.

mod shape;

use std::collections::{BTreeMap, BTreeSet};
use std::io::{self, Write};

use super::json::write_value;
use super::{Report, unsafe_accepted};
use crate::accepted::fingerprint;
use crate::checks::CATALOGUE;
use crate::findings::{AcceptedWhy, Check, Excerpt, Finding, Inspection, Severity, Unjudged};
use crate::study::matrix::{Judged, Totals};
use shape::{
    Artifact, ArtifactLocation, ArtifactProperties, Configuration, Driver, Fingerprints, Hit, HitProperties,
    Invocation, Location, Machine, Notice, PhysicalLocation, Region, Rule, RuleProperties, RunProperties, Suppression,
    Text, Tool, Verdict,
};

/// Most results in one report, and most jobs that are listed.
pub const RESULTS_MAX: usize = 25_000;
const NOT_UTF8: &str = "a name that is not UTF-8: %EF%BF%BD stands for bytes that are not";
const SCHEMA: &str = "https://docs.oasis-open.org/sarif/sarif/v2.1.0/os/schemas/sarif-schema-2.1.0.json";

/// The SARIF renderer.
#[derive(Default)]
pub struct SarifReport {
    begun: bool,
    results: usize,
    left_out: usize,
    accepted_unsafe: usize,
    artifacts: Vec<Artifact>,
    /// Places in the list of artifacts, by path and, where the path may be that of several files, digest.
    artifact_of: BTreeMap<(String, String), usize>,
    machines: Vec<Machine>,
    verdicts: Vec<Verdict>,
    /// Artifacts and machines that have a verdict.
    told: BTreeSet<(usize, usize)>,
    notices: Vec<Notice>,
    jobs_left_out: usize,
    unjudged: bool,
}

impl SarifReport {
    /// A renderer that has not written anything.
    pub fn new() -> Self {
        Self::default()
    }

    fn begin(&mut self, out: &mut dyn Write) -> io::Result<()> {
        if !std::mem::replace(&mut self.begun, true) {
            write!(out, "{{\"$schema\":\"{SCHEMA}\",\"version\":\"2.1.0\",\"runs\":[{{\"tool\":")?;
            write_value(&tool(), false, out)?;
            out.write_all(b",\"columnKind\":\"unicodeCodePoints\",\"results\":[")?;
        }
        Ok(())
    }

    fn judged(&mut self, inspection: &Inspection, out: &mut dyn Write) -> io::Result<()> {
        let location = self.list(inspection);
        for finding in &inspection.findings {
            if self.results >= RESULTS_MAX {
                self.left_out += 1;
                continue;
            }
            out.write_all(if self.results == 0 { b"\n" } else { b",\n" })?;
            self.results += 1;
            write_value(&hit(inspection, finding, &location), false, out)?;
        }
        let accepted_unsafe = inspection.accepted_unsafe();
        self.accepted_unsafe += accepted_unsafe;
        if accepted_unsafe > 0 {
            self.notice("warning", unsafe_accepted(accepted_unsafe), Some(location.clone()));
        }
        for remark in inspection.acceptance.iter().flat_map(|acceptance| &acceptance.remarks) {
            self.notice("note", remark.clone(), Some(location.clone()));
        }
        Ok(())
    }

    /// Lists the job and its machine; how results refer to it.
    fn list(&mut self, inspection: &Inspection) -> ArtifactLocation {
        let location = ArtifactLocation::of(&inspection.job.path);
        let (Some(artifact), machine) = (self.artifact(inspection, &location), self.machine(inspection)) else {
            self.jobs_left_out += 1;
            return location;
        };
        if self.verdicts.len() >= RESULTS_MAX {
            self.jobs_left_out += 1;
        } else if let Some(machine_index) = machine.filter(|machine| self.told.insert((artifact, *machine))) {
            let verdict = inspection.verdict.word();
            self.verdicts.push(Verdict { artifact_index: artifact, machine_index, verdict });
        }
        ArtifactLocation { index: Some(artifact), ..location }
    }

    /// The place of the job in the list, where there is room.
    fn artifact(&mut self, inspection: &Inspection, location: &ArtifactLocation) -> Option<usize> {
        let job = &inspection.job;
        let digest = if is_lossy(&job.path) { job.digest.clone() } else { String::new() };
        let key = (location.uri.clone().unwrap_or_default(), digest);
        if let Some(known) = self.artifact_of.get(&key) {
            return Some(*known);
        }
        let place = self.artifacts.len();
        if place >= RESULTS_MAX {
            return None;
        }
        let properties = ArtifactProperties { digest: job.digest.clone() };
        self.artifacts.push(Artifact { location: location.clone(), length: job.bytes, properties });
        self.artifact_of.insert(key, place);
        Some(place)
    }

    /// The place of the machine in the list, where there is room.
    fn machine(&mut self, inspection: &Inspection) -> Option<usize> {
        let machine = &inspection.machine;
        let known = |known: &Machine| known.digest == machine.digest && known.source == machine.source;
        let place = self.machines.iter().position(known);
        if place.is_none() && self.machines.len() < RESULTS_MAX {
            let (name, source, digest) = (machine.name.clone(), machine.source.clone(), machine.digest.clone());
            self.machines.push(Machine { name, source, digest });
            return Some(self.machines.len() - 1);
        }
        place
    }

    fn notice(&mut self, level: &'static str, text: String, at: Option<ArtifactLocation>) {
        if self.notices.len() >= RESULTS_MAX {
            self.jobs_left_out += 1;
            return;
        }
        let at = at.map(|artifact_location| PhysicalLocation { artifact_location, region: None });
        let locations = at.map(|physical_location| Location { physical_location, message: None }).into_iter().collect();
        self.notices.push(Notice { level, message: Text { text }, locations });
    }

    fn not_judged(&mut self, Unjudged { path, error }: &Unjudged) {
        self.unjudged = true;
        self.notice("error", error.clone(), Some(ArtifactLocation::of(path)));
    }
}

impl Report<Judged, Totals> for SarifReport {
    fn add(&mut self, judged: &Judged, out: &mut dyn Write) -> io::Result<()> {
        self.begin(out)?;
        match judged {
            Ok(cells) => cells.iter().try_for_each(|inspection| self.judged(inspection, out)),
            Err(unjudged) => {
                self.not_judged(unjudged);
                Ok(())
            }
        }
    }

    fn finish(&mut self, _totals: &Totals, out: &mut dyn Write) -> io::Result<()> {
        self.begin(out)?;
        if self.left_out > 0 {
            let text = format!("{} results beyond {RESULTS_MAX} are left out of this report", self.left_out);
            self.notices.push(Notice { level: "warning", message: Text { text }, locations: Vec::new() });
        }
        if self.jobs_left_out > 0 {
            let text = format!("{} jobs or notices beyond {RESULTS_MAX} are not listed", self.jobs_left_out);
            self.notices.push(Notice { level: "warning", message: Text { text }, locations: Vec::new() });
        }
        out.write_all(b"\n],\"artifacts\":")?;
        write_value(&self.artifacts, false, out)?;
        out.write_all(b",\"invocations\":")?;
        let (execution_successful, tool_execution_notifications) = (!self.unjudged, &self.notices[..]);
        write_value(&[Invocation { execution_successful, tool_execution_notifications }], false, out)?;
        out.write_all(b",\"properties\":")?;
        let properties = RunProperties {
            machines: &self.machines,
            verdicts: &self.verdicts,
            results_left_out: self.left_out,
            unsafe_findings_accepted: self.accepted_unsafe,
        };
        write_value(&properties, false, out)?;
        out.write_all(b"}]}\n")
    }
}

fn tool() -> Tool {
    let rule = |check: &&'static Check| Rule {
        id: check.id,
        short_description: Text { text: check.summary },
        full_description: Text { text: check.explain.what },
        help: Text { text: check.explain.text() },
        default_configuration: Configuration { level: level(check.severity) },
        properties: RuleProperties { severity: check.severity.word(), heat_or_travel: check.heat_or_travel },
    };
    let driver = Driver {
        name: "gonogo",
        semantic_version: env!("CARGO_PKG_VERSION"),
        short_description: Text { text: env!("CARGO_PKG_DESCRIPTION") },
        rules: CATALOGUE.iter().map(rule).collect(),
    };
    Tool { driver }
}

fn level(severity: Severity) -> &'static str {
    match severity {
        Severity::NoGo => "error",
        Severity::Hold => "warning",
        Severity::Note => "note",
    }
}

fn hit<'a>(inspection: &'a Inspection, finding: &'a Finding, job: &ArtifactLocation) -> Hit<'a> {
    let worst = finding.worst_line.filter(|line| finding.line != Some(*line));
    let at = |line: u64| Region {
        start_line: line,
        snippet: finding
            .excerpts
            .iter()
            .find(|excerpt| excerpt.line == line)
            .map(|Excerpt { text, .. }| Text { text: text.as_str() }),
    };
    let location = |region, message| Location {
        physical_location: PhysicalLocation { artifact_location: job.clone(), region },
        message,
    };
    Hit {
        rule_id: &finding.check,
        rule_index: CATALOGUE.iter().position(|check| check.id == finding.check),
        level: level(finding.severity),
        message: Text { text: &finding.message },
        locations: vec![location(finding.line.map(at), None)],
        related_locations: worst
            .map(|line| location(Some(at(line)), Some(Text { text: "the worst place" })))
            .into_iter()
            .collect(),
        occurrence_count: finding.count,
        partial_fingerprints: Fingerprints { finding: fingerprint::of(inspection, finding) },
        suppressions: finding.accepted.as_ref().map(|why| [suppression(why)]),
        properties: HitProperties {
            severity: finding.severity.word(),
            machine: &inspection.machine.name,
            machine_digest: &inspection.machine.digest,
            value: finding.value,
            limit: finding.limit,
            unit: &finding.unit,
            place_mm: finding.place_mm,
            accepted_even_unsafe: finding.accepted.as_ref().map(|why| why.even_unsafe),
        },
    }
}

fn suppression(why: &AcceptedWhy) -> Suppression {
    Suppression { kind: "external", status: "accepted", justification: crate::show::marks::because(why) }
}

impl ArtifactLocation {
    fn of(path: &str) -> Self {
        if path == "-" {
            return Self { uri: None, index: None, description: Some(Text { text: "standard input" }) };
        }
        let description = is_lossy(path).then_some(Text { text: NOT_UTF8 });
        Self { uri: Some(uri(path)), index: None, description }
    }
}

/// True where bytes of the path that are not UTF-8 may have been replaced: reports know paths as text.
fn is_lossy(path: &str) -> bool {
    path.contains(char::REPLACEMENT_CHARACTER)
}

/// A path as a URI reference (RFC 3986): bytes that are not unreserved are percent-encoded, absolute paths get a scheme, `.`
/// between slashes is left out.
fn uri(path: &str) -> String {
    let path = if cfg!(windows) { path.replace('\\', "/") } else { path.to_owned() };
    let mut uri = match path.as_bytes() {
        [b'/', ..] => "file://".to_owned(),
        [drive, b':', ..] if cfg!(windows) && drive.is_ascii_alphabetic() => "file:///".to_owned(),
        _ => String::new(),
    };
    let plain = path.split('/').filter(|part| *part != ".").collect::<Vec<_>>().join("/");
    for byte in plain.bytes() {
        if byte.is_ascii_alphanumeric() || b"-._~/".contains(&byte) {
            uri.push(char::from(byte));
        } else {
            uri += &format!("%{byte:02X}");
        }
    }
    uri
}
