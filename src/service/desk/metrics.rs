//! What the gate does, as OpenMetrics text.

use std::fmt;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use axum::extract::State;
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use prometheus_client::collector::Collector;
use prometheus_client::encoding::{DescriptorEncoder, EncodeMetric, text};
use prometheus_client::metrics::MetricType;
use prometheus_client::metrics::counter::ConstCounter;
use prometheus_client::metrics::gauge::ConstGauge;
use prometheus_client::registry::{Registry, Unit};

use super::super::gate::{Held, Kept, Place};
use super::Desk;
use super::problem::Problem;

/// What became of uploads since the desk was opened.
#[derive(Debug, Default)]
pub struct Counts {
    kept: AtomicU64,
    known: AtomicU64,
    refused: AtomicU64,
}

impl Counts {
    /// Counts one.
    pub fn upload(&self, became: &Result<Kept, Problem>) {
        let counter = match became {
            Ok(Kept { is_new: true, .. }) => &self.kept,
            Ok(_) => &self.known,
            Err(_) => &self.refused,
        };
        counter.fetch_add(1, Ordering::Relaxed);
    }
}

const PLACES: [(&str, Option<Place>); 4] = [
    ("cleared", Some(Place::Cleared)),
    ("waiting", Some(Place::Waiting)),
    ("blocked", Some(Place::Blocked)),
    ("none", None),
];

/// All numbers at one moment.
#[derive(Debug)]
struct Numbers {
    jobs: [u64; PLACES.len()],
    left: u64,
    sheets_used: u64,
    sheets_faulty: u64,
    stuck: u64,
    uploads: [(&'static str, u64); 3],
    free_bytes: Option<u64>,
}

impl Numbers {
    fn of(desk: &Desk) -> Self {
        let load = |counter: &AtomicU64| counter.load(Ordering::Relaxed);
        let Counts { kept, known, refused } = &desk.counts;
        let uploads = [("kept", load(kept)), ("known", load(known)), ("refused", load(refused))];
        let free_bytes = fs4::available_space(&desk.root).ok();
        let count = |held: &Held| {
            let mut jobs = [0; PLACES.len()];
            let places = held.rows().filter_map(|row| PLACES.iter().position(|(_, place)| *place == row.place()));
            places.for_each(|at| jobs[at] += 1);
            jobs
        };
        desk.shelf.read(|held| Self {
            jobs: count(held),
            left: held.left as u64,
            sheets_used: held.sheets.iter().filter(|sheet| sheet.machine.is_some()).count() as u64,
            sheets_faulty: held.sheets.iter().filter(|sheet| sheet.faults.is_some()).count() as u64,
            stuck: u64::from(held.fault.is_some()),
            uploads,
            free_bytes,
        })
    }
}

impl Collector for Numbers {
    fn encode(&self, mut encoder: DescriptorEncoder<'_>) -> Result<(), fmt::Error> {
        let mut gauges = |name: &str, help: &str, unit: Option<&str>, samples: &[(&str, &str, u64)]| {
            let unit = unit.map(|unit| Unit::Other(unit.to_owned()));
            let mut family = encoder.encode_descriptor(name, help, unit.as_ref(), MetricType::Gauge)?;
            for (label, value, count) in samples {
                let labels: &[(&str, &str)] = if label.is_empty() { &[] } else { &[(label, value)] };
                ConstGauge::new(*count as f64).encode(family.encode_family(&labels)?)?;
            }
            Ok::<(), fmt::Error>(())
        };
        let mut jobs = PLACES.map(|(word, _)| ("place", word, 0));
        jobs.iter_mut().zip(self.jobs).for_each(|(sample, count)| sample.2 = count);
        gauges("gonogo_gate_jobs", "Jobs that are kept, by the place where they lie.", None, &jobs)?;
        gauges("gonogo_gate_left", "Jobs that are to be judged or laid.", None, &[("", "", self.left)])?;
        let sheets = [("state", "used", self.sheets_used), ("state", "faulty", self.sheets_faulty)];
        gauges("gonogo_gate_sheets", "Machine sheets.", None, &sheets)?;
        gauges("gonogo_gate_stuck", "1 where the gate cannot go on for now.", None, &[("", "", self.stuck)])?;
        if let Some(free) = self.free_bytes {
            gauges("gonogo_gate_free", "Bytes of its disk that are free.", Some("bytes"), &[("", "", free)])?;
        }
        let help = "Jobs that came over the wire, by what became of them.";
        let mut family = encoder.encode_descriptor("gonogo_gate_uploads", help, None, MetricType::Counter)?;
        for (word, count) in self.uploads {
            ConstCounter::new(count).encode(family.encode_family(&[("became", word)])?)?;
        }
        Ok(())
    }
}

/// `GET /metrics`.
pub async fn write(State(desk): State<Arc<Desk>>) -> Result<Response, Problem> {
    let numbers = desk.aside(|desk| Ok(Numbers::of(desk))).await?;
    let mut registry = Registry::default();
    registry.register_collector(Box::new(numbers));
    let mut body = String::new();
    text::encode(&mut body, &registry).map_err(|_| Problem::fault())?;
    let kind = "application/openmetrics-text; version=1.0.0; charset=utf-8";
    Ok((StatusCode::OK, [(header::CONTENT_TYPE, kind)], body).into_response())
}
