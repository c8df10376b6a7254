//! What people see.

mod board;
mod job;
mod machines;

use std::collections::BTreeMap;
use std::sync::{Arc, LazyLock};

use askama::Template;
use axum::extract::{ConnectInfo, Form, Query, State, rejection};
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{Html, IntoResponse, Redirect, Response};
use percent_encoding::{AsciiSet, NON_ALPHANUMERIC, utf8_percent_encode};
use serde::Deserialize;

use super::super::gate::{Held, Place, Row, SheetState};
use super::super::ledger::{Decided, Listed, SheetUse, is_open_unsafe};
use super::deeds::{AskedDecision, AskedPrint};
use super::guard::{COOKIE, hold_back};
use super::problem::Problem;
use super::views::{self, Cell};
use super::{Desk, In, named, of_change};
use crate::findings::Severity;
use crate::machine::Machine;
use crate::preflight::{RunContext, silent};
use crate::show::marks::severity_mark;
use crate::show::page::{self, view};
use crate::show::picture::{PictureOptions, Pictured};
use crate::show::report::{CAUTION, text::why};
use crate::study::compare::Sheets;
use crate::threads::HelperPool;
use crate::wording::{bytes, counted, grouped, moment, safe, safe_lines, short_digest, units};

pub use board::{Sift, board};
pub use job::{decide, job, printed, report, take_out};
pub use machines::{change, compared, machines};

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
    fn of(held: &Held) -> Self {
        let broken = |sheet: &&SheetState| sheet.faults.is_some();
        let sheets = held
            .sheets
            .iter()
            .filter(broken)
            .map(|sheet| format!("machines/{} has faults: nothing is cleared for its machine.", safe(&sheet.file)));
        let fault = held.fault.iter().map(|fault| format!("The gate cannot go on for now: {}", safe(fault)));
        let warnings = held.warnings.iter().map(|warning| safe(warning).into_owned());
        Self {
            version: env!("CARGO_PKG_VERSION"),
            style: style_path(),
            script: script_path(),
            caution: format!("{EYES} {CAUTION}"),
            faults: fault.chain(warnings).chain(sheets).collect(),
            left: held.left,
            changes: held.moment(),
            left_words: left(held),
        }
    }

    /// Around what has no answer.
    fn bare() -> Self {
        Self::of(&Held::default())
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

/// Why a job waits or is blocked without having been judged.
fn why_not(row: &Row) -> Option<String> {
    Some(format!("{}: {}", views::place(Some(row.place()?)), safe(row.why.as_ref()?)))
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

fn form<T>(form: Result<Form<T>, rejection::FormRejection>) -> Result<T, Problem> {
    form.map(|Form(asked)| asked).map_err(|rejected| Problem::wrong(rejected.body_text()))
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
        frame: Frame::of(held),
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
        let wrong = desk.rates.was_wrong(from.ip());
        hold_back(wrong.held_back).await;
        if wrong.status != StatusCode::UNAUTHORIZED {
            return Err(wrong);
        }
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
