//! Who may ask for what, and what every answer carries.
//!
//! - The name of the host must be one of this desk: a page from elsewhere may have its own name lead here.
//! - What changes something must come from the desk's own pages, or from no page at all: a browser says where a request comes
//!   from (Fetch Metadata, `Sec-Fetch-Site`; HTTP `Origin`), and no page can make it lie.
//! - Where there is a token nothing but the way in is to be had without it.

use std::collections::HashMap;
use std::net::{IpAddr, SocketAddr};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use axum::extract::{ConnectInfo, Request, State};
use axum::http::header::{self, HeaderName};
use axum::http::{HeaderMap, HeaderValue, Method, StatusCode};
use axum::middleware::Next;
use axum::response::{IntoResponse, Redirect, Response};

use tokio::sync::Semaphore;

use super::Desk;
use super::pages;
use super::problem::Problem;

/// Name of the cookie.
pub const COOKIE: &str = "gonogo-desk";
/// Wrong tokens of one address in a minute; behind these it is told to wait.
const WRONG_MOST: u32 = 10;
/// Each wrong token of an address within a minute is answered so much later than the one before it, up to [`HELD_BACK_MOST`].
/// An address has few connections, so that it can guess little; whoever knows the token never waits.
const HELD_BACK_MORE: Duration = Duration::from_millis(100);
/// Longest that the answer to a wrong token is held back.
const HELD_BACK_MOST: Duration = Duration::from_secs(10);
/// What takes longer is given up; uploads have a measure of their own.
const ANSWER_WITHIN: Duration = Duration::from_secs(120);
/// Only what this desk sends itself, and no script or style within a page.
const POLICY: &str = "default-src 'none'; style-src 'self'; script-src 'self'; connect-src 'self'; img-src data:; \
    form-action 'self'; base-uri 'none'; frame-ancestors 'none'";

/// How often addresses have asked within the running minute.
#[derive(Default)]
pub struct Rates(Mutex<HashMap<IpAddr, Minute>>);

struct Minute {
    since: Instant,
    changes: u32,
    wrong: u32,
}

/// Most addresses that are counted.
const ADDRESSES_MOST: usize = 4096;

impl Rates {
    /// Counts for an address; what `count` says of it.
    fn of<T>(&self, address: IpAddr, count: impl FnOnce(&mut Minute) -> T) -> T {
        let mut all = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let (now, minute) = (Instant::now(), Duration::from_secs(60));
        let is_over = |since: Instant| now.saturating_duration_since(since) >= minute;
        if all.len() >= ADDRESSES_MOST {
            all.retain(|_, one| !is_over(one.since));
        }
        if all.len() >= ADDRESSES_MOST {
            all.clear();
        }
        let fresh = || Minute { since: now, changes: 0, wrong: 0 };
        let one = all.entry(address).or_insert_with(fresh);
        if is_over(one.since) {
            *one = fresh();
        }
        count(one)
    }

    fn change(&self, address: IpAddr, most: u32) -> Result<(), Problem> {
        let changes = self.of(address, |one| {
            one.changes = one.changes.saturating_add(1);
            one.changes
        });
        if changes > most { Err(too_many("too many changes from this address within a minute")) } else { Ok(()) }
    }

    /// A token was wrong: what is answered, and how late. The right one is never refused: guesses of others behind the same
    /// proxy must not lock anybody out.
    pub fn was_wrong(&self, address: IpAddr) -> Problem {
        let wrong = self.of(address, |one| {
            one.wrong = one.wrong.saturating_add(1);
            one.wrong
        });
        let problem = match wrong > WRONG_MOST {
            true => too_many("too many wrong tokens from this address"),
            false => unknown("the token is wrong"),
        };
        problem.held_back((HELD_BACK_MORE * (wrong - 1)).min(HELD_BACK_MOST))
    }
}

/// Answers that are held back at a time: more would take the connections of those who know the token.
static HELD_BACK: Semaphore = Semaphore::const_new(32);

/// Holds an answer back, where not too many are.
pub async fn hold_back(time: Duration) {
    if let Ok(_place) = HELD_BACK.try_acquire() {
        tokio::time::sleep(time).await;
    }
}

fn too_many(detail: &str) -> Problem {
    Problem::new(StatusCode::TOO_MANY_REQUESTS, "Too many", detail).again_in(60)
}

/// Looks at every request, and dresses every answer.
pub async fn watch(
    State(desk): State<Arc<Desk>>,
    ConnectInfo(from): ConnectInfo<SocketAddr>,
    request: Request,
    next: Next,
) -> Response {
    let wants_page = wants_page(&request);
    let changes = changes(request.method());
    let to = request.uri().path_and_query().map_or("/", |path| path.as_str()).to_owned();
    let is_upload = request.method() == Method::PUT || (changes && to == "/jobs");
    let answer = match may(&desk, from.ip(), &request) {
        Ok(()) if is_upload => next.run(request).await,
        Ok(()) => match tokio::time::timeout(ANSWER_WITHIN, next.run(request)).await {
            Ok(answer) => answer,
            Err(_) => Problem::new(StatusCode::REQUEST_TIMEOUT, "Too slow", "it took too long").into_response(),
        },
        Err(problem) => {
            hold_back(problem.held_back).await;
            if problem.status == StatusCode::UNAUTHORIZED && wants_page {
                let to = if changes { "/".to_owned() } else { to };
                Redirect::to(&format!("/enter?to={}", pages::in_query(&to))).into_response()
            } else {
                problem.into_response()
            }
        }
    };
    let answer = match answer.extensions().get::<Problem>() {
        Some(problem) if wants_page => problem.add_to(pages::fault(problem)),
        _ => answer,
    };
    dressed(answer)
}

/// True where a person asks.
fn wants_page(request: &Request) -> bool {
    let accept = request.headers().get(header::ACCEPT).and_then(|accept| accept.to_str().ok()).unwrap_or_default();
    !request.uri().path().starts_with("/api/") && accept.contains("text/html")
}

fn may(desk: &Desk, from: IpAddr, request: &Request) -> Result<(), Problem> {
    let headers = request.headers();
    let host = host(headers)?;
    if !is_own(host, &desk.settings.reached_as) {
        let detail = format!("this desk is not called {}: start the gate with --reached-as {0}", name_of(host));
        return Err(Problem::new(StatusCode::MISDIRECTED_REQUEST, "Not this host", detail));
    }
    let path = request.uri().path();
    let is_open = ["/healthz", "/enter", pages::style_path(), pages::script_path()].contains(&path);
    if let Some(token) = desk.settings.token.as_ref().filter(|_| !is_open) {
        let bearer = text(headers, header::AUTHORIZATION).and_then(|value| value.strip_prefix("Bearer "));
        if let Some(bearer) = bearer {
            if !token.is(bearer) {
                return Err(desk.rates.was_wrong(from));
            }
        } else if !cookies(headers).any(|cookie| token.is_cookie(cookie)) {
            let asks = unknown("this desk wants its token: Authorization: Bearer TOKEN");
            // One that was right before the token was changed leads to the way in, however often.
            let held_back =
                if cookies(headers).next().is_some() { desk.rates.was_wrong(from).held_back } else { Duration::ZERO };
            return Err(asks.held_back(held_back));
        }
    }
    if changes(request.method()) {
        is_from_here(headers, host)?;
        return desk.rates.change(from, desk.settings.changes_per_minute);
    }
    // A link from elsewhere may lead here; nothing else is for pages of others, not even work.
    let is_link = headers.get("sec-fetch-mode").is_none_or(|mode| mode == "navigate");
    let is_from_elsewhere = headers.get("sec-fetch-site").is_some_and(|site| site == "cross-site");
    if is_from_elsewhere && !is_link { Err(of_another_origin()) } else { Ok(()) }
}

/// True for what asks for a change.
fn changes(method: &Method) -> bool {
    !matches!(*method, Method::GET | Method::HEAD | Method::OPTIONS)
}

fn of_another_origin() -> Problem {
    Problem::forbidden("this was asked for by a page of another origin")
}

fn unknown(detail: &str) -> Problem {
    Problem::new(StatusCode::UNAUTHORIZED, "Who asks?", detail)
}

fn text(headers: &HeaderMap, name: HeaderName) -> Option<&str> {
    headers.get(name).and_then(|value| value.to_str().ok())
}

fn host(headers: &HeaderMap) -> Result<&str, Problem> {
    text(headers, header::HOST).ok_or_else(|| Problem::wrong("the request names no host"))
}

/// A host without its port.
fn name_of(host: &str) -> &str {
    match host.rsplit_once(':') {
        Some((name, port)) if port.bytes().all(|b| b.is_ascii_digit()) => name,
        _ => host,
    }
}

/// True for numbers, which nobody else can have lead here, and for names of this desk.
fn is_own(host: &str, reached_as: &[String]) -> bool {
    let name = name_of(host);
    let number = name.strip_prefix('[').and_then(|name| name.strip_suffix(']')).unwrap_or(name);
    number.parse::<IpAddr>().is_ok()
        || name.eq_ignore_ascii_case("localhost")
        || reached_as.iter().any(|own| name_of(own).eq_ignore_ascii_case(name))
}

/// Whether a change was asked for by a page of the desk, or by no page at all.
fn is_from_here(headers: &HeaderMap, host: &str) -> Result<(), Problem> {
    let refused = || Err(of_another_origin());
    if headers.get("sec-fetch-site").is_some_and(|site| site != "same-origin" && site != "none") {
        return refused();
    }
    match headers.get(header::ORIGIN) {
        None => Ok(()),
        Some(origin) => {
            let of = origin.to_str().ok().and_then(|origin| origin.split_once("://"));
            if of.is_some_and(|(_, of)| of.eq_ignore_ascii_case(host)) { Ok(()) } else { refused() }
        }
    }
}

fn cookies(headers: &HeaderMap) -> impl Iterator<Item = &str> {
    let all = headers.get_all(header::COOKIE).into_iter().filter_map(|value| value.to_str().ok());
    let pairs = all.flat_map(|all| all.split(';')).filter_map(|pair| pair.trim().split_once('='));
    pairs.filter(|(name, _)| *name == COOKIE).map(|(_, value)| value)
}

/// What every answer carries.
fn dressed(mut answer: Response) -> Response {
    let headers = answer.headers_mut();
    let fixed = |text: &'static str| HeaderValue::from_static(text);
    headers.entry(header::CONTENT_SECURITY_POLICY).or_insert(fixed(POLICY));
    headers.entry(header::CACHE_CONTROL).or_insert(fixed("no-store"));
    headers.insert(header::X_CONTENT_TYPE_OPTIONS, fixed("nosniff"));
    headers.insert(header::REFERRER_POLICY, fixed("same-origin"));
    headers.insert("cross-origin-resource-policy", fixed("same-origin"));
    headers.insert("cross-origin-opener-policy", fixed("same-origin"));
    answer
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_numbers_and_own_names_are_hosts() {
        let own = ["shop.example".to_owned()];
        for host in ["127.0.0.1:4817", "[::1]:4817", "192.168.1.7", "localhost:1", "LOCALHOST", "Shop.Example:443"] {
            assert!(is_own(host, &own), "{host}");
        }
        for host in [
            "elsewhere.example",
            "shop.example.elsewhere.example",
            "127.0.0.1.elsewhere.example",
            "",
            "[::1",
            "localhost.",
        ] {
            assert!(!is_own(host, &own), "{host}");
        }
    }

    #[test]
    fn pages_of_others_change_nothing() {
        let of = |pairs: &[(&'static str, &'static str)]| {
            let headers =
                pairs.iter().map(|(name, value)| (HeaderName::from_static(name), HeaderValue::from_static(value)));
            is_from_here(&headers.collect(), "shop.example:4817").is_ok()
        };
        assert!(
            of(&[]) && of(&[("origin", "http://shop.example:4817")]) && of(&[("origin", "https://Shop.example:4817")])
        );
        assert!(of(&[("sec-fetch-site", "same-origin"), ("origin", "http://shop.example:4817")]));
        for wrong in [
            ("origin", "null"),
            ("origin", "http://elsewhere.example"),
            ("origin", "http://shop.example:4818"),
            ("origin", "http://shop.example:4817.elsewhere.example"),
            ("sec-fetch-site", "same-site"),
            ("sec-fetch-site", "cross-site"),
        ] {
            assert!(!of(&[wrong]), "{wrong:?}");
        }
    }

    #[test]
    fn rates_are_counted_for_each_address() {
        let (rates, one, other) = (Rates::default(), IpAddr::from([10, 0, 0, 1]), IpAddr::from([10, 0, 0, 2]));
        assert!((0..3).all(|_| rates.change(one, 3).is_ok()) && rates.change(one, 3).is_err());
        assert!(rates.change(other, 3).is_ok());
        let status = |address| rates.was_wrong(address).status;
        assert!((0..WRONG_MOST).all(|_| status(one) == StatusCode::UNAUTHORIZED));
        assert_eq!((status(one), status(other)), (StatusCode::TOO_MANY_REQUESTS, StatusCode::UNAUTHORIZED));
        assert_eq!(rates.was_wrong(one).held_back, HELD_BACK_MORE * (WRONG_MOST + 1));
        (0..1000).for_each(|_| drop(rates.was_wrong(one)));
        assert_eq!(rates.was_wrong(one).held_back, HELD_BACK_MOST);
        // However many addresses ask, only so many are kept.
        (0..2 * ADDRESSES_MOST as u32).for_each(|k| drop(rates.was_wrong(IpAddr::from(k.to_be_bytes()))));
        assert!(rates.0.lock().expect("is whole").len() <= ADDRESSES_MOST);
    }
}
