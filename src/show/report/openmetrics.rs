//! Checks as OpenMetrics text, for those who watch many jobs over time: gauges per job and machine.
//!
//! No time stamps: the same jobs on the same sheets give the same text. Every name starts with `gonogo_`.
//!
//! Why are OpenMetrics collected and not registered one by one? The registry keeps its families in hash maps, so their
//! order would change from run to run; a collector writes them in the order of the jobs.
//!
//! Why is a job given twice numbered in OpenMetrics? Two samples with the same labels make the whole text invalid.

use std::borrow::Cow;
use std::collections::BTreeMap;
use std::fmt;
use std::io::{self, Write};

use prometheus_client::collector::Collector;
use prometheus_client::encoding::{DescriptorEncoder, EncodeMetric, text};
use prometheus_client::metrics::MetricType;
use prometheus_client::metrics::gauge::ConstGauge;
use prometheus_client::registry::{Registry, Unit};

use super::Report;
use super::matrix::{Distinct, labels};
use crate::findings::{Inspection, MachineFacts, Severity, TimeParts, Verdict};
use crate::physics::wall_clock::WallTime;
use crate::study::matrix::{Judged, Totals};
use crate::wording::safe;

/// Numbers of one job on one machine.
#[derive(Debug)]
struct Cell {
    job: String,
    machine: String,
    verdict: Verdict,
    time_s: TimeParts,
    wall_time: Option<WallTime>,
    peak_mm3_s: f64,
    sustained_mm3_s: f64,
    over_capacity_s: Option<f64>,
    filament_mm: f64,
    /// Findings, and how often they were hit.
    found: Found,
    accepted_unsafe: usize,
}

/// By check, severity and whether somebody accepted them: findings, and how often they were hit.
type Found = BTreeMap<(Cow<'static, str>, Severity, bool), (u64, u64)>;

/// Labels of a sample beside the job and the machine, and its value.
type Sample = (Vec<(&'static str, Cow<'static, str>)>, f64);

/// Metrics of one name.
struct Family {
    /// Without the unit.
    name: &'static str,
    unit: Option<&'static str>,
    help: &'static str,
    of: fn(&Cell) -> Vec<Sample>,
}

const FAMILIES: [Family; 13] = [
    Family { name: "gonogo_verdict", unit: None, help: "1 for the verdict given, 0 for the others.", of: verdicts },
    Family {
        name: "gonogo_duration",
        unit: Some("seconds"),
        help: "Planned time of the job, without the clock of the machine.",
        of: |cell| plain(Some(cell.time_s.total())),
    },
    Family {
        name: "gonogo_expected",
        unit: Some("seconds"),
        help: "Time a print is expected to take by the clock that prints have set, where the sheet has one.",
        of: |cell| plain(cell.wall_time.map(|time| time.expected_s)),
    },
    Family {
        name: "gonogo_expected_low",
        unit: Some("seconds"),
        help: "Lower end of the 90 % interval of the expected time.",
        of: |cell| plain(cell.wall_time.map(|time| time.low_s)),
    },
    Family {
        name: "gonogo_expected_high",
        unit: Some("seconds"),
        help: "Upper end of the 90 % interval of the expected time.",
        of: |cell| plain(cell.wall_time.map(|time| time.high_s)),
    },
    Family {
        name: "gonogo_time",
        unit: Some("seconds"),
        help: "Planned time by category; the parts add up to the duration.",
        of: times,
    },
    Family {
        name: "gonogo_melt_rate_peak",
        unit: Some("mm3_per_second"),
        help: "Largest momentary melt rate.",
        of: |cell| plain(Some(cell.peak_mm3_s)),
    },
    Family {
        name: "gonogo_melt_rate_sustained",
        unit: Some("mm3_per_second"),
        help: "Largest average of the melt rate over the melt window.",
        of: |cell| plain(Some(cell.sustained_mm3_s)),
    },
    Family {
        name: "gonogo_over_capacity",
        unit: Some("seconds"),
        help: "Time for which the momentary melt rate is above the sustained capacity, where the sheet gives one.",
        of: |cell| plain(cell.over_capacity_s),
    },
    Family {
        name: "gonogo_filament",
        unit: Some("meters"),
        help: "Net length of filament used.",
        of: |cell| plain(Some(cell.filament_mm / 1000.0)),
    },
    Family {
        name: "gonogo_findings",
        unit: None,
        help: "Findings by check, repeats merged; accepted ones do not decide the verdict.",
        of: |cell| found(cell, |(findings, _)| findings),
    },
    Family {
        name: "gonogo_finding_hits",
        unit: None,
        help: "How often the findings of a check were hit.",
        of: |cell| found(cell, |(_, hits)| hits),
    },
    Family {
        name: "gonogo_unsafe_findings_accepted",
        unit: None,
        help: "No-go findings on heat or travel that are accepted and left out of the verdict.",
        of: |cell| plain(Some(cell.accepted_unsafe as f64)),
    },
];

fn plain(value: Option<f64>) -> Vec<Sample> {
    value.map(|value| (Vec::new(), value)).into_iter().collect()
}

fn verdicts(cell: &Cell) -> Vec<Sample> {
    Verdict::ALL
        .map(|verdict| (vec![("verdict", verdict.word().into())], f64::from(u8::from(verdict == cell.verdict))))
        .to_vec()
}

fn times(cell: &Cell) -> Vec<Sample> {
    let TimeParts { extruding, travel, extrude_only, tool_change, heating, starved, .. } = cell.time_s;
    let parts = [
        ("extruding", extruding),
        ("travel", travel),
        ("extrude-only", extrude_only),
        ("dwell", cell.time_s.standing()),
        ("tool-change", tool_change),
        ("heating", heating),
    ];
    // Few boards are late.
    let late = Some(("late-commands", starved)).filter(|_| starved > 0.0);
    parts.into_iter().chain(late).map(|(part, seconds)| (vec![("part", part.into())], seconds)).collect()
}

fn found(cell: &Cell, count: fn((u64, u64)) -> u64) -> Vec<Sample> {
    let found = cell.found.iter().map(|((check, severity, accepted), &counts)| {
        let accepted = if *accepted { "true" } else { "false" };
        (
            vec![("check", check.clone()), ("severity", severity.word().into()), ("accepted", accepted.into())],
            count(counts) as f64,
        )
    });
    found.collect()
}

/// Everything that was added.
#[derive(Debug, Default)]
struct Board {
    /// Labels of the jobs, and whether they could be judged.
    jobs: Vec<(String, bool)>,
    cells: Vec<Cell>,
}

impl Collector for Board {
    fn encode(&self, mut encoder: DescriptorEncoder<'_>) -> fmt::Result {
        let judged = |(job, judged): &(String, bool)| (vec![("job", job.clone())], f64::from(u8::from(*judged)));
        let jobs = self.jobs.iter().map(judged).collect();
        family(&mut encoder, "gonogo_judged", "1 for a job that could be judged, 0 for others.", None, jobs)?;
        for Family { name, unit, help, of } in &FAMILIES {
            let mut samples = Vec::new();
            for cell in &self.cells {
                // OpenMetrics has a word for infinity, but a sum of it is of no use to anybody.
                for (more, value) in of(cell).into_iter().filter(|(_, value)| value.is_finite()) {
                    let mut labels = vec![("job", cell.job.clone()), ("machine", cell.machine.clone())];
                    labels.extend(more.into_iter().map(|(name, value)| (name, value.into_owned())));
                    samples.push((labels, value));
                }
            }
            family(&mut encoder, name, help, *unit, samples)?;
        }
        Ok(())
    }
}

/// Writes the metrics of one name, if there are any: a unit without a sample is not allowed.
fn family(
    encoder: &mut DescriptorEncoder<'_>,
    name: &str,
    help: &str,
    unit: Option<&str>,
    samples: Vec<(Vec<(&str, String)>, f64)>,
) -> fmt::Result {
    if samples.is_empty() {
        return Ok(());
    }
    let unit = unit.map(|unit| Unit::Other(unit.to_owned()));
    let mut metrics = encoder.encode_descriptor(name, help, unit.as_ref(), MetricType::Gauge)?;
    for (labels, value) in samples {
        ConstGauge::new(value).encode(metrics.encode_family(&labels)?)?;
    }
    Ok(())
}

/// The OpenMetrics renderer: numbers are kept, inspections are not.
pub struct OpenMetricsReport {
    machines: Vec<String>,
    jobs: Distinct,
    board: Board,
}

impl OpenMetricsReport {
    /// For jobs that are judged on these machines.
    pub fn new(machines: &[MachineFacts]) -> Self {
        Self { machines: labels(machines), jobs: Distinct::default(), board: Board::default() }
    }

    /// A label of its own for each job, also where one is given twice.
    fn job(&mut self, path: &str, judged: bool) -> String {
        let label = self.jobs.label(safe(path).into_owned());
        self.board.jobs.push((label.clone(), judged));
        label
    }

    fn judged(&mut self, job: String, inspection: &Inspection, machine: usize) {
        let mut found = Found::new();
        for finding in &inspection.findings {
            let key = (finding.check.clone(), finding.severity, finding.accepted.is_some());
            let (findings, hits) = found.entry(key).or_default();
            *findings += 1;
            *hits += finding.count;
        }
        self.board.cells.push(Cell {
            job,
            machine: self.machines[machine].clone(),
            verdict: inspection.verdict,
            time_s: inspection.time_s,
            wall_time: inspection.wall_time,
            peak_mm3_s: inspection.flow.peak_mm3_s,
            sustained_mm3_s: inspection.flow.sustained_peak_mm3_s,
            over_capacity_s: inspection.flow_over_capacity_s,
            filament_mm: inspection.filament.net_mm,
            found,
            accepted_unsafe: inspection.accepted_unsafe(),
        });
    }

    fn write(&mut self, out: &mut dyn Write) -> io::Result<()> {
        let mut registry = Registry::default();
        registry.register_collector(Box::new(std::mem::take(&mut self.board)));
        let mut text = String::new();
        text::encode(&mut text, &registry).map_err(io::Error::other)?;
        out.write_all(text.as_bytes())
    }
}

impl Report<Judged, Totals> for OpenMetricsReport {
    fn add(&mut self, judged: &Judged, _out: &mut dyn Write) -> io::Result<()> {
        match judged {
            Ok(inspections) => {
                let job = self.job(inspections.first().map_or("", |first| &first.job.path), true);
                for (machine, inspection) in inspections.iter().enumerate() {
                    self.judged(job.clone(), inspection, machine);
                }
            }
            Err(unjudged) => drop(self.job(&unjudged.path, false)),
        }
        Ok(())
    }

    fn finish(&mut self, _totals: &Totals, out: &mut dyn Write) -> io::Result<()> {
        self.write(out)
    }
}

#[cfg(test)]
mod tests {
    use openmetrics_parser::openmetrics::parse_openmetrics;
    use openmetrics_parser::{MetricNumber, OpenMetricsValue};

    use super::super::matrix::samples;
    use super::*;
    use crate::findings::sample;

    /// Samples by name, each with its labels sorted.
    type Values = BTreeMap<String, Vec<(String, f64)>>;

    /// Reads the text with a parser of somebody else: samples, and units by name.
    fn parsed(text: &str) -> (Values, BTreeMap<String, String>) {
        let exposition = parse_openmetrics(text).unwrap_or_else(|fault| panic!("{fault:?}\n{text}"));
        let (mut values, mut units) = (BTreeMap::new(), BTreeMap::new());
        for (name, family) in exposition.families {
            units.insert(name.clone(), family.unit.clone());
            let samples = family.into_iter_samples().map(|sample| {
                let mut labels: Vec<String> =
                    sample.get_labelset().expect("labels").iter().map(|(k, v)| format!("{k}={v}")).collect();
                labels.sort();
                let OpenMetricsValue::Gauge(number) = sample.value else { panic!("{name} is no gauge") };
                let value = match number {
                    MetricNumber::Float(value) => value,
                    MetricNumber::Int(value) => value as f64,
                };
                (labels.join(" "), value)
            });
            let samples = samples.collect();
            values.insert(name, samples);
        }
        (values, units)
    }

    fn matrix(jobs: &[Judged]) -> String {
        let mut report = OpenMetricsReport::new(&samples::machines());
        let mut out = Vec::new();
        jobs.iter().for_each(|judged| Report::add(&mut report, judged, &mut out).expect("writes"));
        Report::finish(&mut report, &samples::totals(jobs), &mut out).expect("writes");
        String::from_utf8(out).expect("UTF-8")
    }

    #[test]
    fn another_parser_reads_what_was_judged() {
        let text = matrix(&samples::all());
        assert!(text.ends_with("\n# EOF\n") && !text.contains(|c: char| c.is_control() && c != '\n'), "{text:?}");
        let (values, units) = parsed(&text);
        let of = |name: &str, labels: &str| {
            let found: Vec<f64> = values[name].iter().filter(|(known, _)| known == labels).map(|(_, v)| *v).collect();
            assert_eq!(found.len(), 1, "{name} {labels} in {:#?}", values[name]);
            found[0]
        };
        assert_eq!((values["gonogo_judged"].len(), values["gonogo_verdict"].len()), (4, 27));
        assert_eq!(of("gonogo_judged", "job=jobs/lost.gcode"), 0.0);
        assert_eq!(of("gonogo_verdict", "job=jobs/hook.gcode machine=Heron verdict=go"), 1.0);
        assert_eq!(of("gonogo_verdict", "job=jobs/hook.gcode machine=Heron verdict=no-go"), 0.0);
        let at_wren = "job=jobs/hook.gcode machine=Wren (attic/wren.toml)";
        assert_eq!(of("gonogo_duration_seconds", at_wren), sample::no_go().time_s.total());
        assert!(
            values["gonogo_expected_seconds"].iter().all(|(labels, _)| labels != at_wren),
            "its sheet has no clock"
        );
        assert_eq!(of("gonogo_time_seconds", &format!("{at_wren} part=heating")), 343.0);
        assert_eq!(of("gonogo_melt_rate_peak_mm3_per_second", at_wren), 15.45);
        assert_eq!(of("gonogo_melt_rate_sustained_mm3_per_second", at_wren), 14.2);
        let melted = format!("accepted=false check=melt-rate-over-capacity {at_wren} severity=no-go");
        assert_eq!((of("gonogo_findings", &melted), of("gonogo_finding_hits", &melted)), (1.0, 84.0));
        assert_eq!(units["gonogo_melt_rate_peak_mm3_per_second"], "mm3_per_second");
        assert_eq!((units["gonogo_time_seconds"].as_str(), units["gonogo_findings"].as_str()), ("seconds", ""));
    }

    #[test]
    fn the_time_by_the_clock_stands_beside_the_planned_one() {
        let clocked = Inspection { wall_time: sample::hold().wall_time, ..sample::go() };
        let time = clocked.wall_time.expect("the sample has one");
        let planned_s = clocked.time_s.total();
        let (values, units) = parsed(&matrix(&[Ok(vec![clocked, sample::go(), sample::go()])]));
        for (name, seconds) in [("", time.expected_s), ("_low", time.low_s), ("_high", time.high_s)] {
            let name = format!("gonogo_expected{name}_seconds");
            let found: Vec<f64> = values[&name].iter().map(|(_, value)| *value).collect();
            assert_eq!((found, units[&name].as_str()), (vec![seconds], "seconds"), "{name}");
        }
        assert_eq!(values["gonogo_duration_seconds"][0].1, planned_s);
        let (values, _) = parsed(&matrix(&[Ok(vec![sample::go(), sample::go(), sample::go()])]));
        assert!(!values.contains_key("gonogo_expected_seconds"));
    }

    #[test]
    fn accepted_findings_are_told_apart_and_unsafe_ones_counted() {
        let (values, _) = parsed(&matrix(&[Ok(vec![sample::accepted(), sample::no_go(), sample::go()])]));
        let melted = |accepted: bool| {
            let labels = format!("accepted={accepted} check=melt-rate-over-capacity");
            values["gonogo_findings"].iter().filter(|(known, _)| known.starts_with(&labels)).count()
        };
        assert_eq!([melted(true), melted(false)], [1, 1]);
        let accepted: Vec<f64> = values["gonogo_unsafe_findings_accepted"].iter().map(|(_, value)| *value).collect();
        assert_eq!(accepted, [1.0, 0.0, 0.0]);
    }

    #[test]
    fn every_job_has_labels_of_its_own_whatever_is_in_its_name() {
        let mut report = OpenMetricsReport::new(&[sample::hostile().machine]);
        let mut out = Vec::new();
        let names = ["a\"b\\c\n{}=,# EOF", "a\"b\\c\n{}=,# EOF", "a\"b\\c\r{}=,# EOF", "\\", "\\\\", "é \u{1b}[2J"];
        for name in names {
            let mut inspection = sample::hostile();
            inspection.job.path = name.to_owned();
            report.add(&Ok(vec![inspection]), &mut out).expect("writes");
        }
        report.finish(&samples::totals_of_none(), &mut out).expect("writes");
        let (values, _) = parsed(std::str::from_utf8(&out).expect("UTF-8"));
        let shown: Vec<&str> = values["gonogo_judged"].iter().map(|(labels, _)| labels.as_str()).collect();
        let plain = "job=a\"b\\c·{}=,# EOF";
        assert_eq!(
            shown,
            [plain, &format!("{plain} (2)"), &format!("{plain} (3)"), "job=\\", "job=\\\\", "job=é ·[2J"]
        );
    }

    #[test]
    fn nothing_judged_is_valid_too() {
        let (values, _) = parsed(&matrix(&samples::all()[2..3]));
        assert_eq!(values.len(), 1);
        let mut odd = sample::go();
        odd.flow.peak_mm3_s = f64::INFINITY;
        let (values, _) = parsed(&matrix(&[Ok(vec![odd, sample::go(), sample::go()])]));
        assert_eq!(values["gonogo_melt_rate_peak_mm3_per_second"].len(), 2);
    }
}
