//! What programs get: the same as people, as JSON.

use std::sync::Arc;

use axum::Json;
use axum::extract::{Query, State, rejection};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::Serialize;

use super::super::gate::{Answered, Held, Row};
use super::super::ledger::{Decided, Figures, SheetUse};
use super::deeds::{AskedDecision, AskedPrint};
use super::pages::Sift;
use super::problem::Problem;
use super::{Desk, In, named, of_change, views};
use crate::show::report::json;
use crate::wording::safe_lines;
use crate::workshop::prints::PrintsFile;

/// Name and version of the shape.
pub const SCHEMA: &str = "gonogo.desk/1";
/// Jobs in one answer.
const ROWS: usize = 1000;

#[derive(Serialize)]
struct JobView<'a> {
    name: &'a str,
    digest: Option<&'a str>,
    bytes: u64,
    arrived_at: Option<String>,
    /// `cleared`, `waiting`, `blocked`; null before it was judged.
    place: Option<String>,
    why: Option<&'a str>,
    on: Vec<OnView<'a>>,
}

#[derive(Serialize)]
struct OnView<'a> {
    folder: &'a str,
    machine: &'a str,
    inspection: i64,
    verdict: &'static str,
    place: String,
    decided: Option<DecidedView>,
    /// A release that counts no more: somebody has to decide anew.
    ran_out: Option<DecidedView>,
    melt_margin: Option<f64>,
    #[serde(flatten)]
    figures: &'a Figures,
}

#[derive(Serialize)]
struct DecidedView {
    id: i64,
    inspection: i64,
    decision: &'static str,
    because: String,
    by: String,
    until: Option<String>,
    /// There was an open no-go on heat or travel.
    is_unsafe: bool,
    decided_at: String,
}

impl From<&Decided> for DecidedView {
    fn from(of: &Decided) -> Self {
        Self {
            id: of.id,
            inspection: of.inspection,
            decision: of.decision.choice.word(),
            because: of.decision.reason.clone(),
            by: of.decision.who.clone(),
            until: of.decision.until.map(|day| day.to_string()),
            is_unsafe: of.is_unsafe,
            decided_at: of.decided_at.clone(),
        }
    }
}

impl<'a> JobView<'a> {
    fn of(row: &'a Row) -> Self {
        let on = |answered: &'a Answered| OnView {
            folder: &answered.folder,
            machine: &answered.machine,
            inspection: answered.inspection,
            verdict: answered.verdict.word(),
            place: answered.place.to_string(),
            decided: answered.said.holds().map(DecidedView::from),
            ran_out: answered.said.ran_out().map(DecidedView::from),
            melt_margin: answered.figures.melt_margin(),
            figures: &answered.figures,
        };
        Self {
            name: &row.name,
            digest: row.digest.as_deref(),
            bytes: row.bytes,
            arrived_at: row.arrived.map(views::iso),
            place: row.place().map(|place| place.to_string()),
            why: row.why.as_deref(),
            on: row.settled().iter().map(on).collect(),
        }
    }
}

#[derive(Serialize)]
struct Jobs<'a> {
    schema: &'static str,
    /// How many are like that; `jobs` has at most 1000 of them, behind the first `from`.
    total: usize,
    from: usize,
    /// Jobs that are still to be judged or laid.
    left: usize,
    fault: Option<&'a str>,
    warnings: &'a [String],
    jobs: Vec<JobView<'a>>,
}

type Asked<T> = Result<Query<T>, rejection::QueryRejection>;

/// `GET /api/jobs`: sifted by name, place, machine; the newest first.
pub async fn jobs(State(desk): State<Arc<Desk>>, sift: Asked<Sift>) -> Result<Response, Problem> {
    let Query(sift) = sift.map_err(|rejected| Problem::wrong(rejected.body_text()))?;
    Ok(desk.shelf.read(|held| {
        let (rows, total) = sift.rows(held, ROWS);
        let jobs = rows.into_iter().map(JobView::of).collect();
        let Held { left, fault, warnings, .. } = held;
        let fault = fault.as_deref();
        Json(Jobs { schema: SCHEMA, total, from: sift.from(), left: *left, fault, warnings, jobs }).into_response()
    }))
}

#[derive(Serialize)]
struct One<'a> {
    schema: &'static str,
    #[serde(flatten)]
    job: JobView<'a>,
}

/// `GET /api/jobs/{name}`.
pub async fn job(State(desk): State<Arc<Desk>>, name: In<String>) -> Result<Response, Problem> {
    let row = desk.row(&named(name)?)?;
    Ok(Json(One { schema: SCHEMA, job: JobView::of(&row) }).into_response())
}

/// `GET /api/jobs/{name}/on/{folder}`: the report, as `check --format json` writes one of a job.
pub async fn report(State(desk): State<Arc<Desk>>, place: In<(String, String)>) -> Result<Response, Problem> {
    let (name, folder) = named(place)?;
    let row = desk.row(&name)?;
    let answered = row.settled().iter().find(|answered| answered.folder == folder);
    let Some(id) = answered.map(|answered| answered.inspection) else {
        return Err(Problem::missing("the job was not judged on this machine"));
    };
    let text = desk
        .aside(move |desk| {
            let found = desk.ledger.inspection(id)?;
            let Some(inspection) = found else {
                return Err(Problem::missing("the ledger has no such report any more"));
            };
            let mut text = Vec::new();
            json::write_value(&json::Judged::from(&inspection), false, &mut text).map_err(|_| Problem::fault())?;
            Ok(text)
        })
        .await?;
    Ok(([(header::CONTENT_TYPE, "application/json")], text).into_response())
}

#[derive(Serialize)]
struct Decisions {
    schema: &'static str,
    /// The latest first.
    decisions: Vec<DecidedView>,
}

/// `GET /api/jobs/{name}/decisions`.
pub async fn decisions(State(desk): State<Arc<Desk>>, name: In<String>) -> Result<Response, Problem> {
    let digest = desk.row(&named(name)?)?.digest.unwrap_or_default();
    let decisions = desk.aside(move |desk| Ok(desk.ledger.decisions(&digest)?)).await?;
    let decisions = decisions.iter().map(DecidedView::from).collect();
    Ok(Json(Decisions { schema: SCHEMA, decisions }).into_response())
}

type Body<T> = Result<Json<T>, rejection::JsonRejection>;

fn body<T>(body: Body<T>) -> Result<T, Problem> {
    body.map(|Json(asked)| asked).map_err(|rejected| Problem::wrong(rejected.body_text()))
}

#[derive(Serialize)]
struct Done {
    schema: &'static str,
    /// Its number.
    id: i64,
}

/// `POST /api/jobs/{name}/decisions`.
pub async fn decide(
    State(desk): State<Arc<Desk>>,
    name: In<String>,
    asked: Body<AskedDecision>,
) -> Result<Response, Problem> {
    let id = desk.decide(&named(name)?, body(asked)?).await?;
    Ok((StatusCode::CREATED, Json(Done { schema: SCHEMA, id })).into_response())
}

/// `DELETE /api/jobs/{name}`.
pub async fn take_out(State(desk): State<Arc<Desk>>, name: In<String>) -> Result<StatusCode, Problem> {
    // Where the gate is busy it is taken out later.
    Ok(if desk.take_out(&named(name)?).await? { StatusCode::NO_CONTENT } else { StatusCode::ACCEPTED })
}

#[derive(Serialize)]
struct Printed {
    schema: &'static str,
    /// False where the same print was known.
    is_new: bool,
}

/// `POST /api/jobs/{name}/prints`.
pub async fn printed(
    State(desk): State<Arc<Desk>>,
    name: In<String>,
    asked: Body<AskedPrint>,
) -> Result<Response, Problem> {
    let is_new = desk.printed(&named(name)?, body(asked)?).await?;
    let status = if is_new { StatusCode::CREATED } else { StatusCode::OK };
    Ok((status, Json(Printed { schema: SCHEMA, is_new })).into_response())
}

/// `GET /api/prints`: all finished prints, as `gonogo.prints.csv`.
pub async fn prints(State(desk): State<Arc<Desk>>) -> Result<Response, Problem> {
    let text = desk
        .aside(|desk| {
            let prints: Vec<_> = desk.ledger.prints()?.into_iter().map(|(_, print)| print).collect();
            Ok(PrintsFile::default().with(&prints))
        })
        .await?;
    Ok(([(header::CONTENT_TYPE, "text/csv; charset=utf-8")], text).into_response())
}

#[derive(Serialize)]
struct SheetView {
    folder: String,
    file: String,
    /// Null where it is not in use.
    machine: Option<String>,
    digest: Option<String>,
    faults: Option<String>,
    /// The newest first.
    versions: Vec<UseView>,
}

#[derive(Serialize)]
struct UseView {
    id: i64,
    digest: String,
    machine: String,
    since: String,
}

impl From<SheetUse> for UseView {
    fn from(of: SheetUse) -> Self {
        Self { id: of.id, digest: of.sheet, machine: of.name, since: of.since }
    }
}

#[derive(Serialize)]
struct Machines {
    schema: &'static str,
    machines: Vec<SheetView>,
}

/// `GET /api/machines`.
pub async fn machines(State(desk): State<Arc<Desk>>) -> Result<Response, Problem> {
    let machines = desk
        .aside(|desk| {
            let mut all = Vec::new();
            for sheet in desk.shelf.read(|held| held.sheets.clone()) {
                let versions = desk.ledger.uses(&sheet.folder, usize::MAX)?.into_iter().map(UseView::from).collect();
                let (machine, digest) = sheet.machine.unzip();
                let (folder, file, faults) = (sheet.folder, sheet.file, sheet.faults);
                all.push(SheetView { folder, file, machine, digest, faults, versions });
            }
            Ok(all)
        })
        .await?;
    Ok(Json(Machines { schema: SCHEMA, machines }).into_response())
}

#[derive(Serialize)]
struct ChangeView {
    schema: &'static str,
    before: UseView,
    after: UseView,
    /// Jobs that were judged on both.
    judged: u64,
    /// Those whose verdict is another.
    changed: Vec<ChangedView>,
}

#[derive(Serialize)]
struct ChangedView {
    name: String,
    digest: String,
    before: SideView,
    after: SideView,
}

#[derive(Serialize)]
struct SideView {
    inspection: i64,
    verdict: &'static str,
}

/// `GET /api/machines/{folder}/changes/{change}`.
pub async fn change(State(desk): State<Arc<Desk>>, change: In<(String, i64)>) -> Result<Response, Problem> {
    let (folder, change) = of_change(change)?;
    let made = desk
        .aside(move |desk| {
            let [before, after] = desk.versions(&folder, change)?;
            let (judged, changed) = desk.ledger.rejudged(&before, &after)?;
            let side = |(inspection, verdict): (i64, crate::findings::Verdict)| SideView {
                inspection,
                verdict: verdict.word(),
            };
            let changed = changed.into_iter().map(|of| ChangedView {
                name: of.file_name,
                digest: of.job,
                before: side(of.before),
                after: side(of.after),
            });
            let changed = changed.collect();
            Ok(ChangeView { schema: SCHEMA, before: before.into(), after: after.into(), judged, changed })
        })
        .await?;
    Ok(Json(made).into_response())
}

#[derive(Serialize)]
struct ToldView {
    at: String,
    text: String,
}

#[derive(Serialize)]
struct AllTold {
    schema: &'static str,
    /// The latest first.
    told: Vec<ToldView>,
}

/// `GET /api/told`.
pub async fn told(State(desk): State<Arc<Desk>>) -> Response {
    let line = |(at, text): &(std::time::SystemTime, String)| ToldView { at: views::iso(*at), text: safe_lines(text) };
    let told = desk.shelf.read(|held| held.told.iter().map(line).collect());
    Json(AllTold { schema: SCHEMA, told }).into_response()
}
