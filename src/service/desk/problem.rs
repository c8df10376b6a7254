//! What is told when something is refused: problem details (RFC 9457) for programs, a page with the same words for people.

use std::time::Duration;

use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::Serialize;

use super::super::gate::{Full, IntakeError};
use super::super::ledger::{DecideError, LedgerError};

/// Why something is refused.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problem {
    pub status: StatusCode,
    /// What kind it is, in a few words that do not change.
    pub title: &'static str,
    pub detail: String,
    /// Seconds after which it may be tried again.
    pub again_in_s: Option<u32>,
    /// How long its answer is held back.
    pub held_back: Duration,
}

/// As it goes over the wire. Without a `type` it is `about:blank`, and the title goes with the status.
#[derive(Serialize)]
struct Details<'a> {
    title: &'a str,
    status: u16,
    detail: &'a str,
}

impl Problem {
    pub fn new(status: StatusCode, title: &'static str, detail: impl Into<String>) -> Self {
        Self { status, title, detail: detail.into(), again_in_s: None, held_back: Duration::ZERO }
    }

    pub fn again_in(self, seconds: u32) -> Self {
        Self { again_in_s: Some(seconds), ..self }
    }

    pub fn held_back(self, held_back: Duration) -> Self {
        Self { held_back, ..self }
    }

    pub fn missing(detail: &str) -> Self {
        Self::new(StatusCode::NOT_FOUND, "Not here", detail)
    }

    pub fn method() -> Self {
        Self::new(StatusCode::METHOD_NOT_ALLOWED, "Not this way", "this address takes other methods")
    }

    pub fn conflict(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::CONFLICT, "Things have changed", detail)
    }

    pub fn wrong(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::BAD_REQUEST, "Not understood", detail)
    }

    pub fn forbidden(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::FORBIDDEN, "Not allowed", detail)
    }

    pub fn no_job(name: &str) -> Self {
        Self::missing(&format!("the gate keeps no job of the name {name}"))
    }

    pub fn busy(detail: &str, again_in_s: u32) -> Self {
        Self::new(StatusCode::SERVICE_UNAVAILABLE, "Busy", detail).again_in(again_in_s)
    }

    /// A fault of this program.
    pub fn fault() -> Self {
        Self::new(
            StatusCode::INTERNAL_SERVER_ERROR,
            "A fault of this program",
            "this should not happen: please report it",
        )
    }

    /// The answer to a program.
    pub fn for_programs(&self) -> Response {
        let details = Details { title: self.title, status: self.status.as_u16(), detail: &self.detail };
        let mut answer = (self.status, axum::Json(details)).into_response();
        let kind = HeaderValue::from_static("application/problem+json");
        answer.headers_mut().insert(header::CONTENT_TYPE, kind);
        self.add_to(answer)
    }

    /// The same with any body.
    pub fn add_to(&self, mut answer: Response) -> Response {
        *answer.status_mut() = self.status;
        let headers = answer.headers_mut();
        if let Some(seconds) = self.again_in_s {
            headers.insert(header::RETRY_AFTER, HeaderValue::from(seconds));
        }
        if self.status == StatusCode::UNAUTHORIZED {
            headers.insert(header::WWW_AUTHENTICATE, HeaderValue::from_static("Bearer realm=\"gonogo\""));
        }
        answer
    }
}

/// Programs are told so; the guard makes a page of it where a page was asked for.
impl IntoResponse for Problem {
    fn into_response(self) -> Response {
        let mut answer = self.for_programs();
        answer.extensions_mut().insert(self);
        answer
    }
}

impl From<LedgerError> for Problem {
    fn from(error: LedgerError) -> Self {
        Self::busy(&error.to_string(), 10)
    }
}

impl From<DecideError> for Problem {
    fn from(error: DecideError) -> Self {
        match error {
            DecideError::Ledger(error) => error.into(),
            DecideError::NoInspection(_) | DecideError::Overtaken => Self::conflict(error.to_string()),
            DecideError::Unsigned => Self::wrong(error.to_string()),
            DecideError::Unconfirmed(_) => {
                Self::new(StatusCode::UNPROCESSABLE_ENTITY, "Not confirmed", error.to_string())
            }
        }
    }
}

impl From<IntakeError> for Problem {
    fn from(error: IntakeError) -> Self {
        let detail = error.to_string();
        match error {
            IntakeError::Full(Full::Disk { .. } | Full::Jobs(_)) => {
                Self::new(StatusCode::INSUFFICIENT_STORAGE, "No room", detail)
            }
            IntakeError::Unwritten(_) => {
                Self::new(StatusCode::INSUFFICIENT_STORAGE, "Cannot be kept", detail).again_in(60)
            }
            IntakeError::NotAJob(_) => Self::new(StatusCode::UNPROCESSABLE_ENTITY, "Not a job", detail),
            IntakeError::TooLarge(_) => Self::new(StatusCode::PAYLOAD_TOO_LARGE, "Too large", detail),
            IntakeError::Cut(error) if error.kind() == std::io::ErrorKind::TimedOut => {
                Self::new(StatusCode::REQUEST_TIMEOUT, "Too slow", detail)
            }
            IntakeError::Cut(_) => Self::wrong(detail),
        }
    }
}
