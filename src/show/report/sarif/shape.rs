//! The objects of SARIF that the report holds, with the names and the order of the standard.

use serde::Serialize;

#[derive(Serialize)]
#[serde(rename_all = "camelCase")]
pub(super) struct Tool {
    pub(super) driver: Driver,
}

#[derive(Serialize)]
#[serde(rename_all = "camelCase")]
pub(super) struct Driver {
    pub(super) name: &'static str,
    pub(super) semantic_version: &'static str,
    pub(super) short_description: Text<&'static str>,
    pub(super) rules: Vec<Rule>,
}

#[derive(Serialize)]
#[serde(rename_all = "camelCase")]
pub(super) struct Rule {
    pub(super) id: &'static str,
    pub(super) short_description: Text<&'static str>,
    pub(super) full_description: Text<&'static str>,
    pub(super) help: Text<String>,
    pub(super) default_configuration: Configuration,
    pub(super) properties: RuleProperties,
}

#[derive(Serialize, Clone)]
pub(super) struct Text<T> {
    pub(super) text: T,
}

#[derive(Serialize)]
pub(super) struct Configuration {
    pub(super) level: &'static str,
}

#[derive(Serialize)]
#[serde(rename_all = "camelCase")]
pub(super) struct RuleProperties {
    pub(super) severity: &'static str,
    pub(super) heat_or_travel: bool,
}

#[derive(Serialize)]
#[serde(rename_all = "camelCase")]
pub(super) struct Hit<'a> {
    pub(super) rule_id: &'a str,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) rule_index: Option<usize>,
    pub(super) level: &'static str,
    pub(super) message: Text<&'a str>,
    pub(super) locations: Vec<Location<'a>>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub(super) related_locations: Vec<Location<'a>>,
    pub(super) occurrence_count: u64,
    pub(super) partial_fingerprints: Fingerprints,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) suppressions: Option<[Suppression; 1]>,
    pub(super) properties: HitProperties<'a>,
}

#[derive(Serialize)]
pub(super) struct Fingerprints {
    #[serde(rename = "findingInPart/v1")]
    pub(super) finding: String,
}

#[derive(Serialize)]
#[serde(rename_all = "camelCase")]
pub(super) struct HitProperties<'a> {
    pub(super) severity: &'static str,
    pub(super) machine: &'a str,
    pub(super) machine_digest: &'a str,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) value: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) limit: Option<f64>,
    #[serde(skip_serializing_if = "str::is_empty")]
    pub(super) unit: &'a str,
    #[serde(skip_serializing_if = "Option::is_none", rename = "place_mm")]
    pub(super) place_mm: Option<[f64; 3]>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) accepted_even_unsafe: Option<bool>,
}

#[derive(Serialize)]
#[serde(rename_all = "camelCase")]
pub(super) struct Location<'a> {
    pub(super) physical_location: PhysicalLocation<'a>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) message: Option<Text<&'static str>>,
}

#[derive(Serialize)]
#[serde(rename_all = "camelCase")]
pub(super) struct PhysicalLocation<'a> {
    pub(super) artifact_location: ArtifactLocation,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) region: Option<Region<'a>>,
}

#[derive(Serialize, Clone)]
#[serde(rename_all = "camelCase")]
pub(super) struct ArtifactLocation {
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) uri: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) index: Option<usize>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) description: Option<Text<&'static str>>,
}

#[derive(Serialize)]
#[serde(rename_all = "camelCase")]
pub(super) struct Region<'a> {
    pub(super) start_line: u64,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) snippet: Option<Text<&'a str>>,
}

#[derive(Serialize)]
pub(super) struct Suppression {
    pub(super) kind: &'static str,
    pub(super) status: &'static str,
    pub(super) justification: String,
}

#[derive(Serialize)]
pub(super) struct Artifact {
    pub(super) location: ArtifactLocation,
    /// Bytes of the plain job.
    pub(super) length: u64,
    pub(super) properties: ArtifactProperties,
}

#[derive(Serialize)]
#[serde(rename_all = "camelCase")]
pub(super) struct ArtifactProperties {
    pub(super) digest: String,
}

/// What came out for a job on a machine.
#[derive(Serialize)]
#[serde(rename_all = "camelCase")]
pub(super) struct Verdict {
    /// Places in `artifacts` and in `machines` of the run's properties.
    pub(super) artifact_index: usize,
    pub(super) machine_index: usize,
    pub(super) verdict: &'static str,
}

#[derive(Serialize, PartialEq)]
pub(super) struct Machine {
    pub(super) name: String,
    pub(super) source: String,
    pub(super) digest: String,
}

#[derive(Serialize)]
#[serde(rename_all = "camelCase")]
pub(super) struct Invocation<'a> {
    pub(super) execution_successful: bool,
    pub(super) tool_execution_notifications: &'a [Notice],
}

#[derive(Serialize)]
pub(super) struct Notice {
    pub(super) level: &'static str,
    pub(super) message: Text<String>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub(super) locations: Vec<Location<'static>>,
}

#[derive(Serialize)]
#[serde(rename_all = "camelCase")]
pub(super) struct RunProperties<'a> {
    pub(super) machines: &'a [Machine],
    pub(super) verdicts: &'a [Verdict],
    pub(super) results_left_out: usize,
    pub(super) unsafe_findings_accepted: usize,
}
