//! What people see.

use std::collections::BTreeMap;
use std::sync::{Arc, LazyLock};

use askama::Template;
use axum::extract::{ConnectInfo, Form, Path, Query, State, rejection};
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{Html, IntoResponse, Redirect, Response};
use percent_encoding::{AsciiSet, NON_ALPHANUMERIC, utf8_percent_encode};
use serde::Deserialize;

use super::super::gate::{Held, Place, Row, SheetState, Shelf};
use super::super::ledger::{Decided, Listed, SheetUse, is_open_unsafe};
use super::Desk;
use super::deeds::{AskedDecision, AskedPrint};
use super::guard::COOKIE;
use super::problem::Problem;
use super::views::{self, Cell};
use crate::findings::Severity;
use crate::machine::Machine;
use crate::preflight::{RunContext, silent};
use crate::show::marks::severity_mark;
use crate::show::page::{self, view};
use crate::show::picture::{PictureOptions, Pictured};
use crate::show::report::{CAUTION, text::why};
use crate::study::compare::Sheets;
use crate::threads::HelperPool;
use crate::wording::{bytes, counted, grouped, safe, safe_lines, short_digest, units};

/// Jobs on one page of the board.
const ROWS: usize = 100;
/// Findings of a job that are listed; the report has all.
const FINDINGS: usize = 6;
/// Words of a name that are looked for.
const WORDS_MOST: usize = 8;
/// Versions of a sheet that are listed.
const VERSIONS: usize = 20;

/// What stands in front of the usual caution.
const EYES: &str = "A cleared job still needs eyes at the machine.";

/// Style and script of all pages, each under a name that tells its content: it may be kept for good.
static STYLE: LazyLock<Kept> =
    LazyLock::new(|| Kept::of("css", format!("{}\n{}", page::STYLE, include_str!("pages/desk.css"))));
static SCRIPT: LazyLock<Kept> = LazyLock::new(|| Kept::of("js", include_str!("pages/desk.js").to_owned()));

struct Kept {
    path: String,
    text: String,
}

impl Kept {
    fn of(ending: &str, text: String) -> Self {
        let path = format!("/desk-{}.{ending}", &blake3::hash(text.as_bytes()).to_hex()[..16]);
        Self { path, text }
    }

    fn answer(&'static self, kind: &'static str) -> Response {
        let for_good = "public, max-age=31536000, immutable";
        ([(header::CONTENT_TYPE, kind), (header::CACHE_CONTROL, for_good)], self.text.as_str()).into_response()
    }
}

/// Where the style lies.
pub fn style_path() -> &'static str {
    &STYLE.path
}

/// Where the script lies.
pub fn script_path() -> &'static str {
    &SCRIPT.path
}

pub async fn style() -> Response {
    STYLE.answer("text/css; charset=utf-8")
}

pub async fn script() -> Response {
    SCRIPT.answer("text/javascript; charset=utf-8")
}

/// What stays as it is in a part of a path.
const PLAIN: &AsciiSet = &NON_ALPHANUMERIC.remove(b'-').remove(b'_').remove(b'.');

/// A name as a part of a path.
pub fn in_path(name: &str) -> String {
    utf8_percent_encode(name, PLAIN).to_string()
}

/// A text as a value in a query.
pub fn in_query(text: &str) -> String {
    utf8_percent_encode(text, NON_ALPHANUMERIC).to_string()
}

/// What is around every page.
struct Frame {
    version: &'static str,
    style: &'static str,
    script: &'static str,
    caution: String,
    faults: Vec<String>,
    left: usize,
    left_words: String,
    /// The change after which the page was made.
    changes: String,
}

impl Frame {
    fn of(shelf: &Shelf, held: &Held) -> Self {
        let broken = |sheet: &&SheetState| sheet.faults.is_some();
        let sheets = held
            .sheets
            .iter()
            .filter(broken)
            .map(|sheet| format!("machines/{} has faults: nothing is cleared for its machine.", safe(&sheet.file)));
        let fault = held.fault.iter().map(|fault| format!("The gate cannot go on for now: {}", safe(fault)));
        let warning = held.warning.iter().map(|warning| safe(warning).into_owned());
        Self {
            version: env!("CARGO_PKG_VERSION"),
            style: style_path(),
            script: script_path(),
            caution: format!("{EYES} {CAUTION}"),
            faults: fault.chain(warning).chain(sheets).collect(),
            left: held.left,
            changes: shelf.moment(held),
            left_words: left(held),
        }
    }

    /// Around what has no answer.
    fn bare() -> Self {
        Self::of(&Shelf::default(), &Held::default())
    }
}

/// What is still to be done.
fn left(held: &Held) -> String {
    let now = held.judging.as_ref().map(|now| {
        format!(
            " Judging {}: {} % read. What is asked for meanwhile is done behind it.",
            safe(&now.name),
            now.percent()
        )
    });
    let jobs = counted(held.left as u64, "job is", "jobs are");
    format!("{jobs} still to be judged or laid.{}", now.unwrap_or_default())
}

fn page(template: &impl Template) -> Response {
    match template.render() {
        Ok(text) => Html(text).into_response(),
        Err(_) => Problem::fault().into_response(),
    }
}

/// A problem in the words that programs get.
pub fn fault(problem: &Problem) -> Response {
    page(&FaultPage { frame: Frame::bare(), title: problem.title, detail: &problem.detail, back: "/" })
}

#[derive(Template)]
#[template(path = "fault.html", config = "src/service/desk/pages/askama.toml")]
struct FaultPage<'a> {
    frame: Frame,
    title: &'a str,
    detail: &'a str,
    back: &'a str,
}

/// Which jobs are wanted.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub struct Sift {
    /// Words that are in the name.
    name: String,
    place: String,
    /// The folder of a machine: its verdict alone is looked at.
    machine: String,
    /// How many are left out, the newest ones.
    from: usize,
}

/// Places by the words of a query.
const PLACES: [(&str, &str, Option<Place>); 4] = [
    ("cleared", "cleared", Some(Place::Cleared)),
    ("waiting", "waiting", Some(Place::Waiting)),
    ("blocked", "blocked", Some(Place::Blocked)),
    ("new", "not judged yet", None),
];

impl Sift {
    /// The wanted jobs, so many at most behind those that are left out, and how many are wanted in all.
    pub fn rows<'h>(&self, held: &'h Held, most: usize) -> (Vec<&'h Row>, usize) {
        let words = self.name.to_lowercase();
        let words: Vec<&str> = words.split_whitespace().take(WORDS_MOST).collect();
        let place = PLACES.iter().find(|(word, ..)| *word == self.place).map(|(.., place)| *place);
        if words.is_empty() && place.is_none() {
            return (held.rows().skip(self.from).take(most).collect(), held.jobs());
        }
        let on_machine = |row: &Row| {
            let answered = row.settled().iter().find(|answered| answered.folder == self.machine);
            answered.map(|answered| answered.place)
        };
        let is_there = |row: &&Row| match (place, self.machine.is_empty()) {
            (None, _) => true,
            (Some(place), true) => row.place() == place,
            (Some(place), false) => on_machine(row) == place,
        };
        let is_named = |row: &&Row| {
            let name = if words.is_empty() { String::new() } else { row.name.to_lowercase() };
            words.iter().all(|word| name.contains(*word))
        };
        let mut wanted = held.rows().filter(is_there).filter(is_named);
        let skipped = wanted.by_ref().take(self.from).count();
        let rows: Vec<&Row> = wanted.by_ref().take(most).collect();
        let all = skipped + rows.len() + wanted.count();
        (rows, all)
    }

    /// How many of the newest are left out.
    pub fn from(&self) -> usize {
        self.from
    }

    fn href(&self, from: usize) -> String {
        let Self { name, place, machine, .. } = self;
        let [name, place, machine] = [name, place, machine].map(|text| in_query(text));
        format!("/?name={name}&place={place}&machine={machine}&from={from}")
    }
}

struct Choice {
    value: String,
    words: String,
    is_chosen: bool,
}

struct BoardRow {
    href: String,
    name: String,
    why: String,
    arrived: String,
    cells: Vec<Option<Cell>>,
}

#[derive(Template)]
#[template(path = "board.html", config = "src/service/desk/pages/askama.toml")]
struct BoardPage {
    frame: Frame,
    name: String,
    places: Vec<Choice>,
    machines: Vec<Choice>,
    listed: String,
    columns: Vec<String>,
    rows: Vec<BoardRow>,
    before: Option<String>,
    after: Option<String>,
}

/// `GET /`: the jobs and the machines.
pub async fn board(State(desk): State<Arc<Desk>>, sift: Result<Query<Sift>, rejection::QueryRejection>) -> Response {
    let sift = sift.map(|Query(sift)| sift).unwrap_or_default();
    let made = desk.aside(move |desk| Ok(desk.shelf.read(|held| board_of(&desk.shelf, held, &sift)))).await;
    made.map_or_else(IntoResponse::into_response, |board| page(&board))
}

fn board_of(shelf: &Shelf, held: &Held, sift: &Sift) -> BoardPage {
    let used: Vec<(&str, &str)> = held
        .sheets
        .iter()
        .filter_map(|sheet| Some((sheet.folder.as_str(), sheet.machine.as_ref()?.0.as_str())))
        .collect();
    let shown: Vec<(&str, &str)> =
        used.iter().copied().filter(|(folder, _)| sift.machine.is_empty() || *folder == sift.machine).collect();
    let (wanted, all) = sift.rows(held, ROWS);
    let rows: Vec<BoardRow> = wanted.into_iter().map(|row| board_row(row, &shown)).collect();
    let last = sift.from.saturating_add(rows.len());
    let listed = match (rows.len(), held.jobs()) {
        (0, 0) => {
            "No job has come in yet. Bring one in above, or drop it into the folder inbox of this gate.".to_owned()
        }
        (0, jobs) => format!("None of {} is like that.", counted(jobs as u64, "job", "jobs")),
        (count, jobs) => {
            let (first, last) = (grouped((last - count) as u64 + 1), grouped(last as u64));
            let of = if all == jobs { String::new() } else { format!(" of {} in all", grouped(jobs as u64)) };
            format!("{first} to {last} of {}{of}, the newest first.", counted(all as u64, "job", "jobs"))
        }
    };
    let choice = |value: &str, words: &str, chosen: &str| Choice {
        value: value.to_owned(),
        words: safe(words).into_owned(),
        is_chosen: value == chosen,
    };
    let places = PLACES.iter().map(|(word, words, _)| choice(word, words, &sift.place));
    let machines = used.iter().map(|(folder, name)| choice(folder, name, &sift.machine));
    BoardPage {
        frame: Frame::of(shelf, held),
        name: sift.name.clone(),
        places: std::iter::once(choice("", "all", &sift.place)).chain(places).collect(),
        machines: std::iter::once(choice("", "all", &sift.machine)).chain(machines).collect(),
        listed,
        columns: shown.iter().map(|(_, name)| safe(name).into_owned()).collect(),
        before: (sift.from > 0).then(|| sift.href(sift.from.saturating_sub(ROWS))),
        after: (last < all).then(|| sift.href(last)),
        rows,
    }
}

/// Why a job waits or is blocked without having been judged.
fn why_not(row: &Row) -> Option<String> {
    Some(format!("{}: {}", views::place(Some(row.place()?)), safe(row.why.as_ref()?)))
}

fn board_row(row: &Row, machines: &[(&str, &str)]) -> BoardRow {
    let cell =
        |(folder, _): &(&str, &str)| row.settled().iter().find(|answered| answered.folder == *folder).map(Cell::of);
    BoardRow {
        href: format!("/jobs/{}", in_path(&row.name)),
        name: safe(&row.name).into_owned(),
        why: why_not(row).unwrap_or_default(),
        arrived: row.arrived.map(views::utc).unwrap_or_default(),
        cells: machines.iter().map(cell).collect(),
    }
}

struct FindingLine {
    class: &'static str,
    glyph: char,
    severity: &'static str,
    text: String,
    line: Option<String>,
}

struct AnswerView {
    folder: String,
    machine: String,
    cell: Cell,
    inspection: i64,
    decision: Option<String>,
    why: String,
    findings: Vec<FindingLine>,
    is_unsafe: bool,
    whole: String,
    /// The last decision that whoever decides here can know of.
    after: i64,
}

#[derive(Template)]
#[template(path = "job.html", config = "src/service/desk/pages/askama.toml")]
struct JobPage {
    frame: Frame,
    name: String,
    about: String,
    why: Option<String>,
    is_new: bool,
    answers: Vec<AnswerView>,
    decide: String,
    printed: String,
    take_out: String,
    decisions: Vec<String>,
    prints: Vec<String>,
}

type Name = Result<Path<String>, rejection::PathRejection>;

fn named(name: Name) -> Result<String, Problem> {
    name.map(|Path(name)| name).map_err(|_| Problem::wrong("the name is no UTF-8"))
}

/// `GET /jobs/{name}`.
pub async fn job(State(desk): State<Arc<Desk>>, name: Name) -> Result<Response, Problem> {
    let name = named(name)?;
    // At one moment: what changes later is told to the page.
    let (frame, row) = desk.shelf.read(|held| (Frame::of(&desk.shelf, held), held.row(&name).cloned()));
    let row = row.ok_or_else(|| Problem::no_job(&name))?;
    let job = desk.aside(move |desk| job_of(desk, frame, &row)).await?;
    Ok(page(&job))
}

fn job_of(desk: &Desk, frame: Frame, row: &Row) -> Result<JobPage, Problem> {
    let mut answers = Vec::new();
    for answered in row.settled() {
        let Some(inspection) = desk.ledger.inspection(answered.inspection)? else { continue };
        let line = |finding: &crate::findings::Finding| FindingLine {
            class: view::class(finding.severity),
            glyph: severity_mark(finding.severity),
            severity: finding.severity.word(),
            text: units(&safe(&finding.message)),
            line: finding.line.map(|line| format!("line {}", grouped(line))),
        };
        let open = inspection.findings.iter().filter(|finding| finding.severity != Severity::Note);
        answers.push(AnswerView {
            folder: answered.folder.clone(),
            machine: safe(&answered.machine).into_owned(),
            cell: Cell::of(answered),
            inspection: answered.inspection,
            decision: answered.decided.as_ref().map(views::sentence),
            why: why(&inspection),
            findings: open.take(FINDINGS).map(line).collect(),
            is_unsafe: is_open_unsafe(&inspection),
            after: desk.ledger.last_on(answered.inspection)?,
            whole: format!("/jobs/{}/on/{}", in_path(&row.name), in_path(&answered.folder)),
        });
    }
    let (digest, size) = (row.digest.as_deref().unwrap_or_default(), bytes(row.bytes));
    let arrived = row.arrived.map(|at| format!("came in {} UTC", views::utc(at)));
    let about = [Some(size), arrived, Some(short_digest(digest).to_owned()).filter(|digest| !digest.is_empty())];
    let (decisions, prints) = history(desk, digest)?;
    let base = format!("/jobs/{}", in_path(&row.name));
    Ok(JobPage {
        frame,
        name: safe(&row.name).into_owned(),
        about: about.into_iter().flatten().collect::<Vec<_>>().join(" · "),
        why: why_not(row),
        is_new: row.place().is_none(),
        answers,
        decide: format!("{base}/decide"),
        printed: format!("{base}/printed"),
        take_out: format!("{base}/take-out"),
        decisions,
        prints,
    })
}

/// What was decided on a job and printed of it.
fn history(desk: &Desk, digest: &str) -> Result<(Vec<String>, Vec<String>), Problem> {
    let judged: BTreeMap<i64, Listed> =
        desk.ledger.of_job(digest)?.into_iter().map(|listed| (listed.id, listed)).collect();
    let decisions = desk.ledger.decisions(digest)?;
    let entry = |decided: &Decided| views::entry(decided, judged.get(&decided.inspection));
    let decisions = decisions.iter().map(entry).collect();
    let prints = desk.ledger.prints()?;
    let of_job = prints.iter().filter(|(_, print)| print.job_digest.as_deref() == Some(digest));
    Ok((decisions, of_job.map(|(_, print)| views::print(print)).collect()))
}

type OnMachine = Result<Path<(String, String)>, rejection::PathRejection>;

/// `GET /jobs/{name}/on/{folder}`: the page of the job as `check` makes it.
pub async fn report(State(desk): State<Arc<Desk>>, place: OnMachine) -> Result<Response, Problem> {
    let Ok(Path((name, folder))) = place else { return Err(Problem::wrong("the name is no UTF-8")) };
    let row = desk.row(&name)?;
    let turn = turn(&desk).await?;
    desk.aside(move |desk| {
        // Given back when it is done, and not when nobody waits for it any more.
        let _turn = turn;
        let machine = desk.machine(&folder)?;
        let pictured = pictured(desk, &row, &machine)?;
        let nonce = page::nonce(&pictured.report);
        let answered = row.settled().iter().find(|answered| answered.folder == folder);
        let decided = answered.and_then(|answered| answered.decided.as_ref());
        let warnings = decided.filter(|decided| views::is_in_spite(decided)).map(views::sentence);
        let mut text = Vec::new();
        page::job_with(pictured, &machine, warnings.into_iter().collect(), &mut text).map_err(|_| Problem::fault())?;
        Ok(with_policy(&format!("script-src 'nonce-{nonce}'; "), text))
    })
    .await
}

fn pictured(desk: &Desk, row: &Row, machine: &Machine) -> Result<Pictured, Problem> {
    let options = PictureOptions { most_points: page::DRAWING_POINTS, only_layer: None, spectrum: true };
    let helpers = HelperPool::alone();
    let context = RunContext::new(&silent, &helpers);
    let pictured = Pictured::take(&desk.job_path(&row.name), &row.name, machine, options, context)
        .map_err(|error| Problem::conflict(error.to_string()))?;
    if row.digest.as_ref().is_some_and(|digest| *digest != pictured.report.job.digest) {
        return Err(changed());
    }
    Ok(pictured)
}

fn changed() -> Problem {
    Problem::conflict("its bytes in jobs/ are not those that were taken in")
}

/// Waits for its turn to read a job anew: that takes a processor for a while.
async fn turn(desk: &Arc<Desk>) -> Result<tokio::sync::OwnedSemaphorePermit, Problem> {
    Arc::clone(&desk.readings).acquire_owned().await.map_err(|_| Problem::fault())
}

/// A page that brings its own style, and a script with that policy.
fn with_policy(scripts: &str, text: Vec<u8>) -> Response {
    let policy = format!(
        "default-src 'none'; {scripts}style-src 'unsafe-inline'; img-src data:; form-action 'none'; base-uri 'none'; \
         frame-ancestors 'none'"
    );
    let policy = HeaderValue::from_str(&policy).unwrap_or_else(|_| HeaderValue::from_static("default-src 'none'"));
    let mut answer = Html(text).into_response();
    answer.headers_mut().insert(header::CONTENT_SECURITY_POLICY, policy);
    answer
}

/// `POST /jobs/{name}/decide`.
pub async fn decide(
    State(desk): State<Arc<Desk>>,
    name: Name,
    asked: Result<Form<AskedDecision>, rejection::FormRejection>,
) -> Result<Redirect, Problem> {
    let (name, asked) = (named(name)?, form(asked)?);
    desk.decide(&name, asked).await?;
    Ok(Redirect::to(&format!("/jobs/{}", in_path(&name))))
}

/// `POST /jobs/{name}/take-out`.
pub async fn take_out(State(desk): State<Arc<Desk>>, name: Name) -> Result<Redirect, Problem> {
    let name = named(name)?;
    let to = if desk.take_out(&name).await? { "/".to_owned() } else { format!("/jobs/{}", in_path(&name)) };
    Ok(Redirect::to(&to))
}

/// `POST /jobs/{name}/printed`.
pub async fn printed(
    State(desk): State<Arc<Desk>>,
    name: Name,
    asked: Result<Form<AskedPrint>, rejection::FormRejection>,
) -> Result<Redirect, Problem> {
    let (name, asked) = (named(name)?, form(asked)?);
    if !desk.printed(&name, asked).await? {
        let known = "a print of this job with this time is written down already: say when this one was started";
        return Err(Problem::conflict(known));
    }
    Ok(Redirect::to(&format!("/jobs/{}", in_path(&name))))
}

fn form<T>(form: Result<Form<T>, rejection::FormRejection>) -> Result<T, Problem> {
    form.map(|Form(asked)| asked).map_err(|rejected| Problem::wrong(rejected.body_text()))
}

struct ChangeLine {
    words: String,
    href: Option<String>,
}

struct SheetView {
    file: String,
    title: String,
    state: String,
    faults: Option<String>,
    changes: Vec<ChangeLine>,
}

#[derive(Template)]
#[template(path = "machines.html", config = "src/service/desk/pages/askama.toml")]
struct MachinesPage {
    frame: Frame,
    sheets: Vec<SheetView>,
}

/// `GET /machines`.
pub async fn machines(State(desk): State<Arc<Desk>>) -> Result<Response, Problem> {
    let machines = desk
        .aside(|desk| {
            let (frame, sheets) = desk.shelf.read(|held| (Frame::of(&desk.shelf, held), held.sheets.clone()));
            let sheets = sheets.iter().map(|sheet| sheet_view(desk, sheet)).collect::<Result<_, _>>()?;
            Ok(MachinesPage { frame, sheets })
        })
        .await?;
    Ok(page(&machines))
}

fn sheet_view(desk: &Desk, sheet: &SheetState) -> Result<SheetView, Problem> {
    let uses = desk.ledger.uses(&sheet.folder, VERSIONS + 1)?;
    let line = |(at, of): (usize, &SheetUse)| ChangeLine {
        words: format!("{} UTC: {} as {}.", views::moment(&of.since), short_digest(&of.sheet), safe(&of.name)),
        href: uses.get(at + 1).map(|_| format!("/machines/{}/changes/{}", in_path(&of.folder), of.id)),
    };
    let file = safe(&sheet.file).into_owned();
    let (title, state) = match (&sheet.machine, &sheet.faults) {
        (Some((name, digest)), _) => {
            (safe(name).into_owned(), format!("machines/{file} is in use ({}).", short_digest(digest)))
        }
        (None, Some(_)) => (file.clone(), format!("machines/{file} has faults: nothing is cleared for it.")),
        (None, None) => (file.clone(), format!("machines/{file} has just changed and is used once it rests.")),
    };
    Ok(SheetView {
        file,
        title,
        state,
        faults: sheet.faults.as_ref().map(|faults| safe_lines(faults)),
        changes: uses.iter().take(VERSIONS).enumerate().map(line).collect(),
    })
}

struct ChangedRow {
    name: String,
    job: String,
    before: (&'static str, &'static str, &'static str),
    after: (&'static str, &'static str, &'static str),
    compare: String,
}

#[derive(Template)]
#[template(path = "change.html", config = "src/service/desk/pages/askama.toml")]
struct ChangePage {
    frame: Frame,
    title: String,
    about: String,
    counts: String,
    rows: Vec<ChangedRow>,
}

impl Desk {
    /// A version of a sheet and the one before it.
    pub fn versions(&self, folder: &str, change: i64) -> Result<[SheetUse; 2], Problem> {
        let mut uses = self.ledger.uses(folder, usize::MAX)?.into_iter();
        let missing = || Problem::missing("this machine has no such change of its sheet");
        let after = uses.find(|of| of.id == change).ok_or_else(missing)?;
        let before = uses.next().ok_or_else(missing)?;
        Ok([before, after])
    }
}

type Change = Result<Path<(String, i64)>, rejection::PathRejection>;

/// `GET /machines/{folder}/changes/{change}`: what a changed sheet did.
pub async fn change(State(desk): State<Arc<Desk>>, change: Change) -> Result<Response, Problem> {
    let Ok(Path((folder, change))) = change else { return Err(Problem::missing("no such change")) };
    let made = desk
        .aside(move |desk| {
            let frame = desk.shelf.read(|held| Frame::of(&desk.shelf, held));
            let [before, after] = desk.versions(&folder, change)?;
            let (all, changed) = desk.ledger.rejudged(&before, &after)?;
            let base = format!("/machines/{}/changes/{change}", in_path(&folder));
            let rows = changed.iter().map(|of| ChangedRow {
                name: safe(&of.file_name).into_owned(),
                job: format!("/jobs/{}", in_path(&of.file_name)),
                before: view::verdict(of.before.1),
                after: view::verdict(of.after.1),
                compare: format!("{base}/{}", in_path(&of.file_name)),
            });
            let judged = counted(all, "job was", "jobs were");
            Ok(ChangePage {
                frame,
                title: format!("What a change of the sheet of {} did", safe(&after.name)),
                about: format!(
                    "From {} to {}, in use since {} UTC.",
                    short_digest(&before.sheet),
                    short_digest(&after.sheet),
                    views::moment(&after.since)
                ),
                counts: format!(
                    "{judged} judged on both; {} another verdict.",
                    counted(changed.len() as u64, "job has", "jobs have")
                ),
                rows: rows.collect(),
            })
        })
        .await?;
    Ok(page(&made))
}

/// `GET /machines/{folder}/changes/{change}/{name}`: a job before and after.
pub async fn compared(
    State(desk): State<Arc<Desk>>,
    place: Result<Path<(String, i64, String)>, rejection::PathRejection>,
) -> Result<Response, Problem> {
    let Ok(Path((folder, change, name))) = place else { return Err(Problem::missing("no such change")) };
    let row = desk.row(&name)?;
    let turn = turn(&desk).await?;
    desk.aside(move |desk| {
        let _turn = turn;
        let [before, after] = desk.versions(&folder, change)?;
        let machine = |of: &SheetUse| -> Result<Machine, Problem> {
            desk.ledger
                .machine_of(of)?
                .ok_or_else(|| Problem::conflict("this version of the sheet cannot be read any more"))
        };
        let (before, after) = (machine(&before)?, machine(&after)?);
        let helpers = HelperPool::alone();
        let context = RunContext::new(&silent, &helpers);
        let (comparison, [first, second]) = page::watched(&desk.job_path(&row.name), [&before, &after], context)
            .map_err(|error| Problem::conflict(error.to_string()))?;
        if row.digest.as_ref().is_some_and(|digest| *digest != comparison.after.job.digest) {
            return Err(changed());
        }
        let mut text = Vec::new();
        page::comparison(&comparison, &Sheets::of(&before, &after), [&first, &second], &mut text)
            .map_err(|_| Problem::fault())?;
        Ok(with_policy("", text))
    })
    .await
}

#[derive(Template)]
#[template(path = "told.html", config = "src/service/desk/pages/askama.toml")]
struct ToldPage {
    frame: Frame,
    lines: Vec<(String, String)>,
}

/// `GET /told`: what the gate did.
pub async fn told(State(desk): State<Arc<Desk>>) -> Response {
    page(&desk.shelf.read(|held| ToldPage {
        frame: Frame::of(&desk.shelf, held),
        lines: held.told.iter().map(|(at, text)| (views::utc(*at), safe_lines(text))).collect(),
    }))
}

#[derive(Template)]
#[template(path = "enter.html", config = "src/service/desk/pages/askama.toml")]
struct EnterPage<'a> {
    frame: Frame,
    fault: Option<&'a str>,
    to: &'a str,
}

/// The way in.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub struct Entering {
    token: String,
    to: String,
}

/// Where it leads; never to another host.
fn inside(to: &str) -> &str {
    let is_inside =
        to.starts_with('/') && !to.starts_with("//") && !to.contains(['\\']) && !to.chars().any(char::is_control);
    if is_inside { to } else { "/" }
}

/// `GET /enter`.
pub async fn enter(entering: Result<Query<Entering>, rejection::QueryRejection>) -> Response {
    let entering = entering.map(|Query(entering)| entering).unwrap_or_default();
    page(&EnterPage { frame: Frame::bare(), fault: None, to: inside(&entering.to) })
}

/// `POST /enter`.
pub async fn entered(
    State(desk): State<Arc<Desk>>,
    ConnectInfo(from): ConnectInfo<std::net::SocketAddr>,
    entering: Result<Form<Entering>, rejection::FormRejection>,
) -> Result<Response, Problem> {
    let Entering { token: typed, to } = form(entering)?;
    let to = inside(&to);
    let Some(token) = &desk.settings.token else { return Ok(Redirect::to(to).into_response()) };
    if !token.is(&typed) {
        desk.rates.was_wrong(from.ip())?;
        let again = EnterPage { frame: Frame::bare(), fault: Some("That is not the token."), to };
        return Ok((StatusCode::UNAUTHORIZED, page(&again)).into_response());
    }
    // A month; without TLS in front of it there is nothing that could be called secure.
    let cookie = format!("{COOKIE}={}; HttpOnly; SameSite=Strict; Path=/; Max-Age=2592000", token.cookie());
    Ok(([(header::SET_COOKIE, cookie)], Redirect::to(to)).into_response())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nobody_is_led_elsewhere() {
        for to in ["/", "/jobs/a?b=c", "/?name=%20"] {
            assert_eq!(inside(to), to);
        }
        for to in ["", "//elsewhere.example", "https://elsewhere.example", "/\\elsewhere.example", "jobs", "/a\r\nb"] {
            assert_eq!(inside(to), "/", "{to:?}");
        }
    }

    #[test]
    fn names_are_no_part_of_an_address() {
        assert_eq!(in_path("a b/../c?d#e%.gcode"), "a%20b%2F..%2Fc%3Fd%23e%25.gcode");
        assert_eq!(in_query("/jobs/a&b=c"), "%2Fjobs%2Fa%26b%3Dc");
    }
}
